"""Pictures of laps: each function takes frames or a session and optional Axes, and returns the Axes."""

from lapkit.charts.comparison import two_laps
from lapkit.charts.stint import lap_times
from lapkit.charts.style import save

__all__ = ["lap_times", "save", "two_laps"]
