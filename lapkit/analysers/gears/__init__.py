"""Ratios from engine and road speed, and the lap driven again with others."""
