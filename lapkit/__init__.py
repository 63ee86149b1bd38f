"""lapkit: where and why a lap was slower, from CSV telemetry.

Everything public is here; each name loads its module when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from lapkit.errors import ColumnError, DataWarning, FileError, FrameError, LapError, LapkitError, UnitError

if TYPE_CHECKING:
    from lapkit import charts, simulate
    from lapkit.analysers.balance.balance import balance
    from lapkit.analysers.balance.understeer import understeer_gradient
    from lapkit.analysers.gears.gearing import gears
    from lapkit.analysers.gears.sweep import gear_sweep
    from lapkit.analysers.gears.tyres import tyre_diameter
    from lapkit.analysers.lap.brakings import brakings
    from lapkit.analysers.lap.corners import corners
    from lapkit.analysers.lap.delta import delta, losses
    from lapkit.analysers.lap.lifts import lifts
    from lapkit.analysers.lap.line_speed import line_speed
    from lapkit.analysers.lap.markers import place_at
    from lapkit.analysers.ledger.energy import longitudinal_model
    from lapkit.analysers.ledger.explain import explain
    from lapkit.analysers.ledger.ledger import ledger
    from lapkit.analysers.ledger.replay import replay
    from lapkit.analysers.lines.best_lap import best_lap
    from lapkit.analysers.lines.compare import compare_lines
    from lapkit.analysers.lines.driven_line import driven_line
    from lapkit.analysers.lines.height_run import height_run, height_runs
    from lapkit.analysers.lines.lanes import lane_shares
    from lapkit.analysers.lines.line_groups import corner_lines, line_groups
    from lapkit.analysers.lines.surface import surface
    from lapkit.analysers.oddities.oddities import marked_laps, oddities
    from lapkit.analysers.setups.compare import best_order, compare_setups
    from lapkit.analysers.setups.crossover import crossover
    from lapkit.analysers.setups.effects import setup_effects
    from lapkit.analysers.setups.runs import corner_times, run_table
    from lapkit.analysers.setups.stint import fall_off
    from lapkit.importers.csv import read_csv
    from lapkit.loading import load
    from lapkit.model.recording import Recording
    from lapkit.model.session import Session
    from lapkit.model.setup.file import read_sheet, read_sheets
    from lapkit.model.setup.log import SetupLog
    from lapkit.model.setup.sheet import Sheet
    from lapkit.model.show import readable
    from lapkit.model.tracks.file import read_track
    from lapkit.model.tracks.learning import learn_track
    from lapkit.model.tracks.shapes import track_from_centre_line, track_from_edges
    from lapkit.model.tracks.track import Track

_HOMES = {
    "Recording": "lapkit.model.recording",
    "Session": "lapkit.model.session",
    "SetupLog": "lapkit.model.setup.log",
    "Sheet": "lapkit.model.setup.sheet",
    "Track": "lapkit.model.tracks.track",
    "balance": "lapkit.analysers.balance.balance",
    "best_lap": "lapkit.analysers.lines.best_lap",
    "brakings": "lapkit.analysers.lap.brakings",
    "charts": "lapkit.charts",
    "compare_lines": "lapkit.analysers.lines.compare",
    "compare_setups": "lapkit.analysers.setups.compare",
    "corner_lines": "lapkit.analysers.lines.line_groups",
    "corners": "lapkit.analysers.lap.corners",
    "tyre_diameter": "lapkit.analysers.gears.tyres",
    "marked_laps": "lapkit.analysers.oddities.oddities",
    "corner_times": "lapkit.analysers.setups.runs",
    "best_order": "lapkit.analysers.setups.compare",
    "understeer_gradient": "lapkit.analysers.balance.understeer",
    "crossover": "lapkit.analysers.setups.crossover",
    "delta": "lapkit.analysers.lap.delta",
    "driven_line": "lapkit.analysers.lines.driven_line",
    "explain": "lapkit.analysers.ledger.explain",
    "fall_off": "lapkit.analysers.setups.stint",
    "gear_sweep": "lapkit.analysers.gears.sweep",
    "gears": "lapkit.analysers.gears.gearing",
    "height_run": "lapkit.analysers.lines.height_run",
    "height_runs": "lapkit.analysers.lines.height_run",
    "lane_shares": "lapkit.analysers.lines.lanes",
    "learn_track": "lapkit.model.tracks.learning",
    "ledger": "lapkit.analysers.ledger.ledger",
    "lifts": "lapkit.analysers.lap.lifts",
    "line_groups": "lapkit.analysers.lines.line_groups",
    "line_speed": "lapkit.analysers.lap.line_speed",
    "load": "lapkit.loading",
    "longitudinal_model": "lapkit.analysers.ledger.energy",
    "losses": "lapkit.analysers.lap.delta",
    "oddities": "lapkit.analysers.oddities.oddities",
    "place_at": "lapkit.analysers.lap.markers",
    "read_csv": "lapkit.importers.csv",
    "read_sheet": "lapkit.model.setup.file",
    "read_sheets": "lapkit.model.setup.file",
    "read_track": "lapkit.model.tracks.file",
    "readable": "lapkit.model.show",
    "replay": "lapkit.analysers.ledger.replay",
    "run_table": "lapkit.analysers.setups.runs",
    "setup_effects": "lapkit.analysers.setups.effects",
    "simulate": "lapkit.simulate",
    "surface": "lapkit.analysers.lines.surface",
    "track_from_centre_line": "lapkit.model.tracks.shapes",
    "track_from_edges": "lapkit.model.tracks.shapes",
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
    "brakings",
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
