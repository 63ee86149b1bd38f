"""lapkit: where and why a lap was slower, from CSV telemetry.

Everything public is here; each name loads its module when it is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from lapkit.errors import ColumnError, DataWarning, FileError, FrameError, LapError, LapkitError, UnitError

if TYPE_CHECKING:
    from lapkit import charts, simulate
    from lapkit.analysers.corners import corners
    from lapkit.analysers.delta import delta, losses
    from lapkit.analysers.energy import longitudinal_model
    from lapkit.analysers.explain import explain
    from lapkit.analysers.ledger import ledger
    from lapkit.analysers.lifts import lifts
    from lapkit.analysers.line_speed import line_speed
    from lapkit.analysers.replay import replay
    from lapkit.importers import load
    from lapkit.importers.csv import read_csv
    from lapkit.model.recording import Recording
    from lapkit.model.session import Session
    from lapkit.model.show import readable
    from lapkit.model.track import Track, read_track

_HOMES = {
    "charts": "lapkit.charts",
    "simulate": "lapkit.simulate",
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
    "read_track": "lapkit.model.track",
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
    "charts",
    "corners",
    "delta",
    "explain",
    "ledger",
    "lifts",
    "line_speed",
    "load",
    "longitudinal_model",
    "losses",
    "read_csv",
    "read_track",
    "readable",
    "replay",
    "simulate",
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
