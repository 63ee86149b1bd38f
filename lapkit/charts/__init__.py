"""Pictures of laps: each function takes frames, a session or a ledger and optional Axes, and returns the Axes."""

from lapkit.charts.comparison import two_laps
from lapkit.charts.gears import engine_over_lap, gear_sweep_chart
from lapkit.charts.lanes import lane_shares_chart
from lapkit.charts.ledger import ledger_steps, ledger_table, made_and_paid
from lapkit.charts.lines import line_costs, line_profiles
from lapkit.charts.setups import setup_differences, setup_picture, setup_runs
from lapkit.charts.stint import fall_off_chart, lap_times, run_channels
from lapkit.charts.style import save
from lapkit.charts.track_map import track_map

__all__ = [
    "engine_over_lap", "fall_off_chart", "gear_sweep_chart", "lane_shares_chart", "lap_times", "ledger_steps",
    "ledger_table", "line_costs", "line_profiles", "made_and_paid", "run_channels", "save", "setup_differences",
    "setup_picture", "setup_runs", "track_map", "two_laps",
]  # fmt: skip
