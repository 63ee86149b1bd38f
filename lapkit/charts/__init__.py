"""Pictures of laps: each function takes frames, a session or a ledger and optional Axes, and returns the Axes."""

from lapkit.charts.comparison import two_laps
from lapkit.charts.ledger import ledger_steps, ledger_table, made_and_paid
from lapkit.charts.stint import lap_times
from lapkit.charts.style import save

__all__ = ["lap_times", "ledger_steps", "ledger_table", "made_and_paid", "save", "two_laps"]
