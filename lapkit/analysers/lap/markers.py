"""Markers: where something happened, as metres before or after a thing the driver can see beside the track."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from lapkit.analysers.lap.trace import trace_of
from lapkit.channels import FloatArray
from lapkit.errors import FrameError, LapError
from lapkit.model.given import frame_given, number_given, records_given

if TYPE_CHECKING:
    from lapkit.model.session import Session

Markers = pd.DataFrame | Sequence[Mapping[str, Any]] | Mapping[str, float] | None
"""A table with marker and distance (m), the same as records, or name -> distance."""

SURE = 30.0
"""m. A place known no better than this, about 95 %, is told from no marker: the next one may be as near (chosen, no source)."""


def to_marker(places: ArrayLike, markers: Markers, *, length: float | None) -> tuple[NDArray[np.object_], FloatArray]:
    """Name the marker nearest to each place, and the metres from it.

    Parameters
    ----------
    places : array_like, shape (n,)
        Metres from the line; NaN where unknown. Places beyond the line count on into the next lap.
    markers : DataFrame, sequence of mappings, mapping or None
        marker (its name) and distance (m from the line), or name -> distance.
    length : float or None
        Length of the lap, m: the marker before the line is also near the places after it. None for a road that does
        not go round.

    Returns
    -------
    names : ndarray of str, shape (n,)
        Empty where there is no marker or no place. Of two markers equally near, the one ahead.
    metres : ndarray, shape (n,)
        Negative before the marker, positive after it; NaN where there is none.

    Raises
    ------
    FrameError
        If the markers have no name or no distance, or the length is none.

    Examples
    --------
    >>> names, metres = to_marker([20.0, 395.0, 998.0], {"gate": 5.0, "water tower": 400.0}, length=1000.0)
    >>> names.tolist(), metres.tolist()
    (['gate', 'water tower', 'gate'], [15.0, -5.0, -7.0])
    """
    return _nearest(places, *_named(markers), length)


def _nearest(
    places: ArrayLike, names: NDArray[np.object_], where: FloatArray, length: float | None
) -> tuple[NDArray[np.object_], FloatArray]:
    at = np.asarray(places, dtype=np.float64)
    at = np.where(np.isfinite(at), at, np.nan)
    if not len(names):
        return np.full(at.shape, "", dtype=object), np.full(at.shape, np.nan)
    if length is not None:
        if not length > 0:
            raise FrameError(
                f"length={length!r} is not that of a lap; give metres, or None for a road that does not go round."
            )
        at, where = np.mod(at, length), np.mod(where, length)
    order = np.argsort(where, kind="stable")
    names, where = names[order], where[order]
    after = np.searchsorted(where, at)  # the first marker at or after each place
    ahead, behind = after % len(where), (after - 1) % len(where)
    gap_ahead, gap_behind = where[ahead] - at, at - where[behind]
    if length is not None:
        gap_ahead, gap_behind = np.mod(gap_ahead, length), np.mod(gap_behind, length)
    else:
        gap_ahead = np.where(after < len(where), gap_ahead, np.inf)
        gap_behind = np.where(after > 0, gap_behind, np.inf)
    forward = gap_ahead <= gap_behind
    metres = np.where(forward, -gap_ahead, gap_behind) + 0.0  # no minus zero
    known = np.isfinite(at)
    named = np.where(known, names[np.where(forward, ahead, behind)], "").astype(object)
    return named, np.where(known, metres, np.nan)


def _named(markers: Markers) -> tuple[NDArray[np.object_], FloatArray]:
    """Names and places of markers, in the order given."""
    if isinstance(markers, Mapping):
        markers = [{"marker": name, "distance": place} for name, place in markers.items()]
    rows = records_given(markers, "markers", ("marker", "distance"), "name and metres from the line")
    try:
        where = np.array([row["distance"] for row in rows], dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise FrameError(f"markers: a distance is not a number ({error}); give metres from the line.") from error
    names = np.array([str(row["marker"]) for row in rows], dtype=object)
    known = np.isfinite(where)
    return names[known], where[known]


def markers_of(laps: Session | pd.DataFrame) -> tuple[Markers, float | None]:
    """Return the markers that a session or a lap knows, and the length of the lap (m, None where unknown)."""
    if isinstance(laps, pd.DataFrame):
        return laps.attrs.get("markers"), laps.attrs.get("track_length")
    return laps.track.markers, laps.track.length


def marker_columns(laps: Session | pd.DataFrame, events: Mapping[str, ArrayLike]) -> dict[str, Any]:
    """Return the columns ``<event>_marker`` and ``<event>_to_marker`` for places of events, m from the line.

    Examples
    --------
    >>> lap = pd.DataFrame()
    >>> lap.attrs = {"markers": [{"marker": "gate", "distance": 40.0}], "track_length": 500.0}
    >>> columns = marker_columns(lap, {"start": [30.0]})
    >>> {name: values.tolist() for name, values in columns.items()}
    {'start_marker': ['gate'], 'start_to_marker': [-10.0]}
    """
    markers, length = markers_of(laps)
    named = _named(markers)
    out: dict[str, Any] = {}
    for event, places in events.items():
        out[f"{event}_marker"], out[f"{event}_to_marker"] = _nearest(places, *named, length)
    return out


def describe_place(
    distance: float,
    markers: Markers,
    *,
    length: float | None = None,
    within: float = np.inf,
    uncertainty: float = 0.0,
    sure: float = SURE,
) -> str:
    """Say where a place is, by the nearest marker: the one rule of tables, sentences and pictures.

    Parameters
    ----------
    distance : float
        Metres from the line.
    markers : DataFrame, sequence of mappings, mapping or None
        As for `to_marker`.
    length : float, optional
        Length of the lap, m; without it nothing is near across the line.
    within : float
        A marker farther away is not mentioned, m; for a picture with no room.
    uncertainty : float
        Standard uncertainty of the place, m.
    sure : float
        Twice the uncertainty must not be more than this, m.

    Returns
    -------
    str
        Such as "12 m before the water tower"; empty where no marker is near or the place is not known well enough.
        A name in small letters is given its article, one that begins with a capital or a figure stands alone.

    Examples
    --------
    >>> describe_place(388.0, {"water tower": 400.0}), describe_place(400.2, {"Gate 4": 400.0}), describe_place(5.0, None)
    ('12 m before the water tower', 'at Gate 4', '')
    """
    names, metres = to_marker([distance], markers, length=length)
    away, name = float(metres[0]), str(names[0])
    if not abs(away) <= within or 2.0 * uncertainty > sure:
        return ""
    if name[:1].islower() and name.split(" ", 1)[0] not in {"the", "a", "an"}:
        name = f"the {name}"
    rounded = round(abs(away))
    return f"at {name}" if rounded == 0 else f"{rounded} m {'before' if away < 0 else 'after'} {name}"


def place_at(lap: pd.DataFrame, *, time: float) -> float:
    """Return where the car was at a moment of a lap: "here", to name it.

    Parameters
    ----------
    lap : DataFrame
        A lap frame, or one lap's samples.
    time : float
        Seconds since the lap's crossing of the line.

    Returns
    -------
    float
        Metres from the line, between samples.

    Raises
    ------
    LapError
        If the lap was not recorded at that moment: it is outside the lap or in a hole.
    FrameError
        If the frame has no time or distance.

    Examples
    --------
    >>> lap = pd.DataFrame({"time": [0.0, 0.1, 0.2], "distance": [0.0, 4.0, 8.0], "speed": 40.0})
    >>> place_at(lap, time=0.125)
    5.0
    """
    trace, time = trace_of(frame_given(lap, "place_at")), number_given(time, "time", "s")
    known = np.flatnonzero(np.isfinite(trace.time) & np.isfinite(trace.place))
    when, place = trace.time[known], trace.place[known]
    hole = np.diff(known) > 1
    if trace.gridded and bool(trace.whole[0]):  # the last row lies a little before the line
        end, length = lap.attrs.get("lap_time"), lap.attrs.get("track_length")
        if end is not None and length is not None and end > when[-1] and known[-1] == len(trace.time) - 1:
            when, place, hole = np.append(when, end), np.append(place, length), np.append(hole, False)
    slack = trace.interval
    name = f"{trace.source}: lap {trace.numbers[0]}"
    if not when[0] - slack <= time <= when[-1] + slack:
        raise LapError(
            f"{name} was recorded from {when[0]:.3f} to {when[-1]:.3f} s after its crossing, and time={time:g} s lies outside."
        )
    before = int(np.clip(np.searchsorted(when, time, side="right") - 1, 0, len(when) - 2))
    if hole[before] and when[before] < time < when[before + 1]:
        raise LapError(
            f"{name} has a hole from {when[before]:.3f} to {when[before + 1]:.3f} s, and time={time:g} s lies in it; take "
            "another lap."
        )
    share = (time - when[before]) / (when[before + 1] - when[before])
    return float(place[before] + share * (place[before + 1] - place[before]))
