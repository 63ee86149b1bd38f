"""Where laps ran across the track, what the road there is like, and which line was worth it."""
