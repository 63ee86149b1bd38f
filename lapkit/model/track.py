"""Track: what a place means. Length, start/finish line, corners, and the reference line."""

from __future__ import annotations

import os
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import FileError, LapkitError
from lapkit.model.line import StartLine
from lapkit.model.place import ReferenceLine

CORNER_COLUMNS = ["corner", "start_distance", "apex_distance", "end_distance", "direction", "radius"]
MARKER_COLUMNS = ["marker", "distance"]
LANE_COLUMNS = ["lane", "corner", "from_offset", "to_offset"]
PROFILE_COLUMNS = ["left_width", "right_width", "banking", "height"]


def _table(columns: list[str], words: tuple[str, ...] = ()) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=object if name in words else np.float64) for name in columns})


def no_markers() -> pd.DataFrame:
    """Return the marker table with no marker in it."""
    return _table(MARKER_COLUMNS, ("marker",))


def no_lanes() -> pd.DataFrame:
    """Return the lane table with no lane in it."""
    return _table(LANE_COLUMNS, ("lane", "corner"))


def no_corners() -> pd.DataFrame:
    """Return the corner table with no corner in it."""
    return _table(CORNER_COLUMNS, ("corner", "direction"))


@dataclass(frozen=True)
class Track:
    """A track, learnt from laps or written by hand.

    Attributes
    ----------
    length : float or None
        Metres round the reference line; None in a hand-written file that leaves it to the laps.
    corners : DataFrame
        One row a corner: corner, start_distance, apex_distance, end_distance (m), direction, radius (m).
    line : StartLine or None
        Start/finish line in the local frame, where known.
    reference : ReferenceLine or None
        Closed line that places are counted along, where there was position.
    origin : (float, float) or None
        Latitude and longitude (degrees) of the local frame's origin.
    start_line : dict or None
        Line as written in a file, before a recording gives it a local frame.
    name : str
    markers : DataFrame
        Things beside the track, in order: marker (its name), distance (m from the line).
    lanes : DataFrame
        Bands of offset: lane (its name), corner ("" for all round the track), from_offset, to_offset
        (m, left positive; the band is [from_offset, to_offset)).
    profile : DataFrame or None
        What is known of the surface along the reference line, index `distance` (m, rising, from 0 up to below the
        length, read between rows and round the lap): any of left_width, right_width (m from the reference line to the
        edges, positive), banking (rad, positive where the right side is higher), height (m, of the reference line).
    """

    length: float | None
    corners: pd.DataFrame
    line: StartLine | None = None
    reference: ReferenceLine | None = None
    origin: tuple[float, float] | None = None
    start_line: dict[str, float] | None = None
    name: str = ""
    markers: pd.DataFrame = field(default_factory=no_markers)
    lanes: pd.DataFrame = field(default_factory=no_lanes)
    profile: pd.DataFrame | None = None

    def along(self, name: str, places: FloatArray) -> FloatArray | None:
        """Return a column of the profile at places on the track; None where the track does not know it.

        Parameters
        ----------
        name : str
            left_width, right_width, banking or height.
        places : ndarray
            Metres from the line.

        Returns
        -------
        ndarray, same shape, or None
        """
        if self.profile is None or name not in self.profile.columns or self.length is None:
            return None
        known = self.profile[name].dropna()
        if known.empty:
            return None
        values: FloatArray = np.interp(places, known.index.to_numpy(), known.to_numpy(np.float64), period=self.length)
        return values

    def __repr__(self) -> str:
        length = "length unknown" if self.length is None else f"{self.length:.1f} m"
        return f"<Track {self.name or '(unnamed)'}: {length}, {len(self.corners)} corners>"


def read_track(path: str | os.PathLike[str]) -> Track:
    """Read a track written by hand.

    Parameters
    ----------
    path : path
        A TOML file: ``name``, ``length`` (m), a table ``[start_line]`` with ``x``, ``y`` and ``heading``
        (degrees anticlockwise from x), or ``latitude``, ``longitude`` and ``heading`` (degrees clockwise
        from north), and a list ``[[corner]]`` of ``name``, ``start`` and ``end`` (m from the line).
        Everything is optional.

    Returns
    -------
    Track

    Raises
    ------
    FileError
        If the file cannot be read or holds something else.
    """
    name = Path(path).name
    try:
        content = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"{name}: the track file cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileError(f"{name}: not a TOML track file: {error}.") from error
    unknown = sorted(set(content) - {"name", "length", "start_line", "corner"})
    if unknown:
        raise FileError(
            f"{name}: '{unknown[0]}' is not known in a track file; use name, length, [start_line], [[corner]]."
        )
    length = _number(content, "length", name) if "length" in content else None
    if length is not None and not 50 <= length <= 100_000:
        raise FileError(f"{name}: length = {length:g}: a track length in metres lies between 50 and 100 000.")
    line = content.get("start_line")
    if line is not None and not isinstance(line, dict):
        raise FileError(f"{name}: [start_line] must be a table with x and y, or latitude and longitude.")
    start_line = None
    if line is not None:
        start_line = {key: _number(line, key, name) for key in line}
        if "heading" in start_line and "latitude" not in start_line:
            start_line["heading"] = float(np.radians(start_line["heading"]))
    return Track(length, _corners(content.get("corner", []), length, name), None, None, None, start_line,
                 str(content.get("name", "")))  # fmt: skip


def _number(table: dict[str, Any], key: str, name: str) -> float:
    value = table[key]
    if isinstance(value, bool) or not isinstance(value, int | float) or not np.isfinite(value):
        raise FileError(f"{name}: {key} = {value!r} is not a number.")
    return float(value)


def _corners(rows: Any, length: float | None, name: str) -> pd.DataFrame:
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise FileError(f"{name}: write each corner as [[corner]] with name, start and end.")
    out = []
    for number, row in enumerate(rows, start=1):
        missing = [key for key in ("start", "end") if key not in row]
        if missing:
            raise FileError(
                f"{name}: corner {number} has no '{missing[0]}'; give start and end in metres from the line."
            )
        start, end = _number(row, "start", name), _number(row, "end", name)
        if not 0 <= start < end or (length is not None and end > length):
            raise FileError(
                f"{name}: corner {number} runs from {start:g} to {end:g} m: start must come before end, on the lap."
            )
        out.append([str(row.get("name", number)), start, (start + end) / 2, end, "", np.nan])
    return pd.DataFrame(out, columns=CORNER_COLUMNS) if out else no_corners()


def as_track(given: Track | str | os.PathLike[str] | None) -> Track | None:
    """Return a Track from a Track, a path to one, or None.

    Raises
    ------
    LapkitError
        If something else was given.
    """
    if given is None or isinstance(given, Track):
        return given
    if isinstance(given, str | os.PathLike):
        return read_track(given)
    raise LapkitError(f"track={given!r}: give a track file (TOML) or session.track of another recording.")
