"""Groups of laps and curves through them, with what they can and cannot tell."""
