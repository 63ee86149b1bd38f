"""lapkit: where and why a lap was slower, from CSV telemetry.

Everything public is here; each name loads its module when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from lapkit.errors import ColumnError, DataWarning, FileError, FrameError, LapError, LapkitError, UnitError

if TYPE_CHECKING:
    from lapkit import charts, simulate
    from lapkit.analysers.best_lap import best_lap
    from lapkit.analysers.corners import corners
    from lapkit.analysers.delta import delta, losses
    from lapkit.analysers.driven_line import driven_line
    from lapkit.analysers.energy import longitudinal_model
    from lapkit.analysers.explain import explain
    from lapkit.analysers.height_run import height_runs
    from lapkit.analysers.lanes import lane_shares
    from lapkit.analysers.ledger import ledger
    from lapkit.analysers.lifts import lifts
    from lapkit.analysers.line_groups import line_groups
    from lapkit.analysers.line_speed import line_speed
    from lapkit.analysers.lines import compare_lines
    from lapkit.analysers.markers import place_at
    from lapkit.analysers.replay import replay
    from lapkit.analysers.surface import surface
    from lapkit.importers import load
    from lapkit.importers.csv import read_csv
    from lapkit.model.recording import Recording
    from lapkit.model.session import Session
    from lapkit.model.show import readable
    from lapkit.model.track import Track
    from lapkit.model.track_file import read_track
    from lapkit.model.track_learning import learn_track
    from lapkit.model.track_shapes import track_from_centre_line, track_from_edges

_HOMES = {
    "charts": "lapkit.charts",
    "simulate": "lapkit.simulate",
    "best_lap": "lapkit.analysers.best_lap",
    "compare_lines": "lapkit.analysers.lines",
    "driven_line": "lapkit.analysers.driven_line",
    "height_runs": "lapkit.analysers.height_run",
    "lane_shares": "lapkit.analysers.lanes",
    "line_groups": "lapkit.analysers.line_groups",
    "place_at": "lapkit.analysers.markers",
    "surface": "lapkit.analysers.surface",
    "learn_track": "lapkit.model.track_learning",
    "track_from_centre_line": "lapkit.model.track_shapes",
    "track_from_edges": "lapkit.model.track_shapes",
    "corners": "lapkit.analysers.corners",
    "delta": "lapkit.analysers.delta",
    "losses": "lapkit.analysers.delta",
    "explain": "lapkit.analysers.explain",
    "ledger": "lapkit.analysers.ledger",
    "lifts": "lapkit.analysers.lifts",
    "line_speed": "lapkit.analysers.line_speed",
    "load": "lapkit.importers",
    "longitudinal_model": "lapkit.analysers.energy",
    "read_csv": "lapkit.importers.csv",
    "Recording": "lapkit.model.recording",
    "Session": "lapkit.model.session",
    "readable": "lapkit.model.show",
    "replay": "lapkit.analysers.replay",
    "Track": "lapkit.model.track",
    "read_track": "lapkit.model.track_file",
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
    "Track",
    "UnitError",
    "best_lap",
    "charts",
    "compare_lines",
    "corners",
    "delta",
    "driven_line",
    "explain",
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
    "place_at",
    "read_csv",
    "read_track",
    "readable",
    "replay",
    "simulate",
    "surface",
    "track_from_centre_line",
    "track_from_edges",
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
