"""From a file to a session that knows what befell its laps: the one function most people need."""

from __future__ import annotations

import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from lapkit.channels import UNITS, unit_name
from lapkit.errors import UnitError
from lapkit.importers.csv import read_csv
from lapkit.model.line import StartLineLike
from lapkit.model.session import MAX_GAP, Session
from lapkit.model.tracks.track import Track

if TYPE_CHECKING:
    import pandas as pd


def load(
    path: str | os.PathLike[str],
    *,
    columns: Mapping[str, Any] | str | os.PathLike[str] | None = None,
    units: Mapping[str, str] | str | None = None,
    start_line: StartLineLike | None = None,
    track: Track | str | os.PathLike[str] | None = None,
    step: float = 1.0,
    max_gap: float = MAX_GAP,
    find_oddities: bool = True,
) -> Session:
    """Read a CSV file of telemetry and cut it into laps.

    Parameters
    ----------
    path : path
        Any delimited text file, gzipped or not.
    columns : mapping or path, optional
        Which column is which channel, where the headers do not say: ``{"speed": "WHL 3"}``, or the path of a
        TOML file that holds the same under ``[columns]``. A file of the recording's own name with ``.toml``
        beside it is used by itself. A pedal's sensor in volts or counts can be given by its ends,
        ``{"throttle": {"column": "TPS [V]", "zero": 0.5, "full": 4.5}}``.
    units : mapping or str, optional
        Units of columns or channels, ``{"speed": "mph"}``, which go before what the file says; or one speed
        unit, used where the file names none and for everything that is shown.
    start_line : str, sequence or mapping, optional
        Start/finish line: ``(x, y)``, ``(x, y, heading)`` or ``(x1, y1, x2, y2)`` in metres with the heading in
        rad anticlockwise from x, or latitude and longitude in degrees with a compass heading where the file's
        position is in those.
    track : Track or path, optional
        Track to place the laps on: ``session.track`` of another recording, or a TOML file.
    step : float
        Distance between rows of a lap frame, m.
    max_gap : float
        Longest time between samples that is interpolated across, s.
    find_oddities : bool
        Whether the session looks for what befell its laps (see `oddities`) when it is first asked for clean laps, the best
        lap, its marks or the lap sheet: laps with a contact, a tow or a missed shift are then left out wherever laps are
        chosen. Without, every whole lap counts; ``session.marked(...)`` takes marks of one's own.

    Returns
    -------
    Session
        The lap table, lap frames, track, and everything that was assumed or left out.

    Raises
    ------
    LapkitError
        One line that names the file, the row and the column, what was found and what to do.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> session.best().index.name
    'distance'
    """
    speed_unit = None
    if isinstance(units, str):
        speed_unit = unit_name(units)
        if speed_unit not in UNITS["speed"]:
            raise UnitError(f"'{units}' is not a unit of speed; use one of: {', '.join(UNITS['speed'])}.")
    recording = read_csv(path, columns=columns, units=units)
    return Session(
        recording, start_line=start_line, track=track, step=step, max_gap=max_gap, speed_unit=speed_unit,
        find_marks=_oddities if find_oddities else None,
    )  # fmt: skip


def _oddities(session: Session) -> pd.DataFrame:
    from lapkit.analysers.oddities.oddities import oddities

    return oddities(session)
