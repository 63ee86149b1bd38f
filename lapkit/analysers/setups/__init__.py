"""What a change of setup did, and what a long run does to the car."""
