"""The car's own model from its laps, and a difference between two laps divided by place and cause."""
