"""Laps that something other than the driving changed: contact, tow, missed shift, lost time."""
