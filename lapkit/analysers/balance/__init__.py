"""Steering against the path: tighter or looser, and the textbook physics of it."""
