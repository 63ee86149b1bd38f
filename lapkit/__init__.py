"""lapkit: where and why a lap was slower, from CSV telemetry.

Everything public is here; each name loads its module when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from lapkit.errors import ColumnError, DataWarning, FileError, FrameError, LapError, LapkitError, UnitError

if TYPE_CHECKING:
    from lapkit import charts, simulate
    from lapkit.analysers.balance import balance
    from lapkit.analysers.best_lap import best_lap
    from lapkit.analysers.corners import corners
    from lapkit.analysers.crossover import crossover
    from lapkit.analysers.delta import delta, losses
    from lapkit.analysers.driven_line import driven_line
    from lapkit.analysers.energy import longitudinal_model
    from lapkit.analysers.explain import explain
    from lapkit.analysers.gear_sweep import gear_sweep
    from lapkit.analysers.gearing import gears
    from lapkit.analysers.height_run import height_run, height_runs
    from lapkit.analysers.lanes import lane_shares
    from lapkit.analysers.ledger import ledger
    from lapkit.analysers.lifts import lifts
    from lapkit.analysers.line_groups import corner_lines, line_groups
    from lapkit.analysers.line_speed import line_speed
    from lapkit.analysers.lines import compare_lines
    from lapkit.analysers.markers import place_at
    from lapkit.analysers.oddities import marked_laps, oddities
    from lapkit.analysers.replay import replay
    from lapkit.analysers.runs import corner_times, run_table
    from lapkit.analysers.setup_effects import setup_effects
    from lapkit.analysers.setups import best_order, compare_setups
    from lapkit.analysers.stint import fall_off
    from lapkit.analysers.surface import surface
    from lapkit.analysers.tyres import tyre_diameter
    from lapkit.analysers.understeer import understeer_gradient
    from lapkit.importers import load
    from lapkit.importers.csv import read_csv
    from lapkit.model.recording import Recording
    from lapkit.model.session import Session
    from lapkit.model.setup_file import read_sheet, read_sheets
    from lapkit.model.setup_log import SetupLog
    from lapkit.model.setup_sheet import Sheet
    from lapkit.model.show import readable
    from lapkit.model.track import Track
    from lapkit.model.track_file import read_track
    from lapkit.model.track_learning import learn_track
    from lapkit.model.track_shapes import track_from_centre_line, track_from_edges

_HOMES = {
    "Recording": "lapkit.model.recording",
    "Session": "lapkit.model.session",
    "SetupLog": "lapkit.model.setup_log",
    "Sheet": "lapkit.model.setup_sheet",
    "Track": "lapkit.model.track",
    "balance": "lapkit.analysers.balance",
    "best_lap": "lapkit.analysers.best_lap",
    "charts": "lapkit.charts",
    "compare_lines": "lapkit.analysers.lines",
    "compare_setups": "lapkit.analysers.setups",
    "corner_lines": "lapkit.analysers.line_groups",
    "corners": "lapkit.analysers.corners",
    "tyre_diameter": "lapkit.analysers.tyres",
    "marked_laps": "lapkit.analysers.oddities",
    "corner_times": "lapkit.analysers.runs",
    "best_order": "lapkit.analysers.setups",
    "understeer_gradient": "lapkit.analysers.understeer",
    "crossover": "lapkit.analysers.crossover",
    "delta": "lapkit.analysers.delta",
    "driven_line": "lapkit.analysers.driven_line",
    "explain": "lapkit.analysers.explain",
    "fall_off": "lapkit.analysers.stint",
    "gear_sweep": "lapkit.analysers.gear_sweep",
    "gears": "lapkit.analysers.gearing",
    "height_run": "lapkit.analysers.height_run",
    "height_runs": "lapkit.analysers.height_run",
    "lane_shares": "lapkit.analysers.lanes",
    "learn_track": "lapkit.model.track_learning",
    "ledger": "lapkit.analysers.ledger",
    "lifts": "lapkit.analysers.lifts",
    "line_groups": "lapkit.analysers.line_groups",
    "line_speed": "lapkit.analysers.line_speed",
    "load": "lapkit.importers",
    "longitudinal_model": "lapkit.analysers.energy",
    "losses": "lapkit.analysers.delta",
    "oddities": "lapkit.analysers.oddities",
    "place_at": "lapkit.analysers.markers",
    "read_csv": "lapkit.importers.csv",
    "read_sheet": "lapkit.model.setup_file",
    "read_sheets": "lapkit.model.setup_file",
    "read_track": "lapkit.model.track_file",
    "readable": "lapkit.model.show",
    "replay": "lapkit.analysers.replay",
    "run_table": "lapkit.analysers.runs",
    "setup_effects": "lapkit.analysers.setup_effects",
    "simulate": "lapkit.simulate",
    "surface": "lapkit.analysers.surface",
    "track_from_centre_line": "lapkit.model.track_shapes",
    "track_from_edges": "lapkit.model.track_shapes",
}

__all__ = [
    "ColumnError",
    "DataWarning",
    "FileError",
    "FrameError",
    "LapError",
    "LapkitError",
    "Recording",
    "Session",
    "SetupLog",
    "Sheet",
    "Track",
    "UnitError",
    "balance",
    "best_lap",
    "best_order",
    "charts",
    "compare_lines",
    "compare_setups",
    "corner_lines",
    "corner_times",
    "corners",
    "crossover",
    "delta",
    "driven_line",
    "explain",
    "fall_off",
    "gear_sweep",
    "gears",
    "height_run",
    "height_runs",
    "lane_shares",
    "learn_track",
    "ledger",
    "lifts",
    "line_groups",
    "line_speed",
    "load",
    "longitudinal_model",
    "losses",
    "marked_laps",
    "oddities",
    "place_at",
    "read_csv",
    "read_sheet",
    "read_sheets",
    "read_track",
    "readable",
    "replay",
    "run_table",
    "setup_effects",
    "simulate",
    "surface",
    "track_from_centre_line",
    "track_from_edges",
    "tyre_diameter",
    "understeer_gradient",
]
__version__ = "0.1.0"


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module 'lapkit' has no attribute {name!r}")
    module = import_module(_HOMES[name])
    value = module if name in {"charts", "simulate"} else getattr(module, name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
