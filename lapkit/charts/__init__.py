"""Pictures of laps: each function takes frames, a session or a ledger and optional Axes, and returns the Axes."""

from lapkit.charts.comparison import two_laps
from lapkit.charts.lanes import lane_shares_chart
from lapkit.charts.ledger import ledger_steps, ledger_table, made_and_paid
from lapkit.charts.lines import line_costs, line_profiles
from lapkit.charts.stint import lap_times
from lapkit.charts.style import save
from lapkit.charts.track_map import track_map

__all__ = [
    "lane_shares_chart", "lap_times", "ledger_steps", "ledger_table", "line_costs", "line_profiles", "made_and_paid", "save",
    "track_map", "two_laps",
]  # fmt: skip
