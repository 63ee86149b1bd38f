"""Where things lie on a map of the track: the reference line, what is across it, and how much wider that is drawn."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.ledger.inputs import smooth
from lapkit.channels import FloatArray
from lapkit.charts.line_pair import Line, middle
from lapkit.charts.style import plain
from lapkit.errors import FrameError, LapkitError
from lapkit.model.frame import attribute
from lapkit.model.given import said
from lapkit.model.place import ReferenceLine, closed_line
from lapkit.model.tracks.track import Track

ACROSS = 0.13  # share of the map's length that the track's width is drawn with
FOLD = 0.6  # share of a bend's radius used up on its inside, beyond which the picture would fold over
NARROWEST = 6.0  # m; less than this wide no track is taken to be
HEADING_SMOOTHING = 6.0  # m of the line that a direction is taken from
FRONT = 60.0  # m after the line whose direction points right in the picture


@dataclass(frozen=True)
class Ground:
    """The reference line at the places of the grid, turned so that the start/finish straight points right.

    Attributes
    ----------
    place, x, y : ndarray, shape (n,)
        Places, and where they lie in the picture (m).
    heading, curvature : ndarray, shape (n,)
        Direction (rad, unwrapped) and bend (1/m, left positive).
    """

    place: FloatArray
    x: FloatArray
    y: FloatArray
    heading: FloatArray
    curvature: FloatArray

    @classmethod
    def of(cls, lines: Sequence[Line], track: Track | None) -> Ground:
        """Take the line from the track where it has one, else from what the laps say of it."""
        frame = lines[0].frames[0]
        place, length = frame.index.to_numpy(np.float64), float(attribute(frame, "track_length"))
        known = (
            track.reference if track is not None and track.reference is not None else _from_laps(lines, place, length)
        )
        x, y, heading = _along(known, place, length)
        front = heading[place <= FRONT]
        ahead = float(np.angle(np.exp(1j * front).mean()))
        turned = (x + 1j * y) * np.exp(-1j * ahead)
        return cls(place, turned.real, turned.imag, heading - ahead, np.gradient(heading, place))

    @property
    def extent(self) -> tuple[float, float]:
        """How long and how tall the picture is, m."""
        return float(np.ptp(self.x)), float(np.ptp(self.y))

    @property
    def outside(self) -> float:
        """Sign of an offset to the outer side of the loop."""
        return -1.0 if self.heading[-1] > self.heading[0] else 1.0

    def row(self, place: float) -> int:
        """Return the row nearest a place, round the lap."""
        return round(place / float(self.place[1] - self.place[0])) % len(self.place)


def _along(line: ReferenceLine, place: FloatArray, length: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Points of a closed line at places, and its direction there, rad, unwrapped."""
    nodes = np.arange(len(line.x)) * (length / len(line.x))
    ahead = [np.roll(values, -1) - np.roll(values, 1) for values in (line.x, line.y)]
    x, y, dx, dy = (np.interp(place, nodes, values, period=length) for values in (line.x, line.y, *ahead))
    return x, y, np.unwrap(np.arctan2(dy, dx))


def _from_laps(lines: Sequence[Line], place: FloatArray, length: float) -> ReferenceLine:
    """The reference line as the laps show it: each lap's position less its offset."""
    x, y, offset = (np.concatenate([needed(line, column) for line in lines]) for column in ("x", "y", "offset"))
    found = closed_line(filled(middle(x)), filled(middle(y)), smoothing=HEADING_SMOOTHING)
    for _ in range(2):  # its direction is not quite that of the laps, which go across it
        heading = _along(found, place, length)[2]
        points = (filled(middle(one)) for one in (x + offset * np.sin(heading), y - offset * np.cos(heading)))
        found = closed_line(*points, smoothing=HEADING_SMOOTHING)
    return found


def filled(values: FloatArray) -> FloatArray:
    """Fill holes in a closed line straight across."""
    known, rows = np.isfinite(values), np.arange(len(values))
    return np.interp(rows, rows[known], values[known], period=len(values))


def needed(line: Line, column: str) -> FloatArray:
    """Return a channel of all laps that a map cannot do without.

    Raises
    ------
    FrameError
        If the laps do not have it.
    """
    block = line.values(column)
    if block is None:
        frame = line.frames[0]
        raise FrameError(
            f"lap {attribute(frame, 'lap')} of {attribute(frame, 'source')} has no '{column}': a map needs position on a "
            f"reference line, and this lap is placed by {frame.attrs.get('place_method', 'something else')}. Record "
            "position (x and y, or latitude and longitude) to see the track from above."
        )
    return block


def offset_of(line: Line) -> FloatArray:
    """Return the middle of the laps' offsets (m), quietened as far as position shakes; NaN in a hole."""
    step = float(line.frames[0].index[1] - line.frames[0].index[0])
    values = middle(needed(line, "offset"))
    return np.where(np.isfinite(values), smooth(values, HEADING_SMOOTHING / step), np.nan)


@dataclass(frozen=True)
class Lane:
    """A band of offset in a part of the lap.

    Attributes
    ----------
    name, corner : str
        Its name, and the corner it is of; "" for all round.
    low, high : float
        Right and left border, m from the reference line.
    inside : ndarray of bool, shape (n,)
        Places it is at.
    """

    name: str
    corner: str
    low: float
    high: float
    inside: NDArray[np.bool_]


def lanes_of(lines: Sequence[Line], track: Track | None, place: FloatArray) -> list[Lane]:
    """Return the lanes of the track, or those the frames know."""
    attrs = lines[0].frames[0].attrs
    rows: Sequence[dict[Any, Any]] = attrs.get("lanes", ())
    if track is not None and len(track.lanes):
        rows = track.lanes.to_dict("records")
    corners = {c["corner"]: (c["start_distance"], c["end_distance"]) for c in attrs.get("corners", ())}
    out = []
    for row in rows:
        corner = str(row.get("corner", ""))
        start, end = corners.get(corner, (0.0, -1.0)) if corner else (0.0, np.inf)
        inside = (place >= start) & (place < end)
        if inside.any():
            out.append(Lane(plain(row["lane"], 20), corner, float(row["from_offset"]), float(row["to_offset"]), inside))
    return out


def edges_of(track: Track | None, place: FloatArray) -> tuple[FloatArray, FloatArray] | None:
    """Return the offsets of the right and of the left edge, None where the track does not know them."""
    left = None if track is None else track.along("left_width", place)
    right = None if track is None else track.along("right_width", place)
    return None if left is None or right is None else (-right, left)


def borders(
    offsets: Sequence[FloatArray], edges: tuple[FloatArray, FloatArray] | None, lanes: Sequence[Lane]
) -> tuple[FloatArray, FloatArray]:
    """Return the right-hand and the left-hand limit of everything drawn, as offsets (m), at every place."""
    pieces = [*offsets, *(edges or ())]
    for lane in lanes:
        pieces += [np.where(lane.inside, side, np.nan) for side in (lane.low, lane.high) if np.isfinite(side)]
    block = np.array(pieces)
    return filled(np.where(np.isnan(block), np.inf, block).min(axis=0)), filled(
        np.where(np.isnan(block), -np.inf, block).max(axis=0)
    )


def factor_of(exaggerate: float | None, ground: Ground, limits: tuple[FloatArray, FloatArray]) -> float:
    """Return how many times as wide as long to draw: as asked, or as much as is useful and does not fold.

    Raises
    ------
    LapkitError
        If less than 1 is asked for.
    """
    if exaggerate is not None:
        if not (isinstance(exaggerate, int | float | np.number) and 1 <= exaggerate < np.inf):
            raise LapkitError(f"exaggerate={said(exaggerate)}: expected 1 (true to scale) or more, such as 6.")
        return float(exaggerate)
    low, high = limits
    wanted = ACROSS * max(ground.extent) / max(float(np.median(high - low)), NARROWEST)
    used = max(float((side * ground.curvature).max()) for side in limits)
    factor = max(min(wanted, FOLD / used if used > 0 else np.inf), 1.0)
    return float(np.floor(factor)) if factor >= 2 else round(factor, 1)
