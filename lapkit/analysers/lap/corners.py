"""Corners: where the car turned in, how fast in, how slow at the slowest, how fast out, and how long it took."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lap.lowest import lowest
from lapkit.analysers.lap.markers import marker_columns
from lapkit.analysers.lap.table import table_of
from lapkit.analysers.lap.trace import Trace, trace_of
from lapkit.analysers.lap.turn_in import HIGH, LOW, turn_in
from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.corners import bounds_of
from lapkit.model.given import CORNER, number_given, records_given
from lapkit.model.noise import quantum, white_noise

if TYPE_CHECKING:
    from lapkit.model.session import Session

CORNER_COLUMNS = {
    "lap": "int64", "corner": "object", "direction": "object", "start_distance": "float64",
    "min_speed_distance": "float64", "min_speed_distance_uncertainty": "float64", "end_distance": "float64",
    "entry_speed": "float64", "min_speed": "float64", "min_speed_uncertainty": "float64", "exit_speed": "float64",
    "corner_time": "float64", "corner_time_uncertainty": "float64", "radius": "float64",
    "turn_in_distance": "float64", "turn_in_distance_uncertainty": "float64",
    "turn_in_marker": "object", "turn_in_to_marker": "float64", "min_speed_marker": "object",
    "min_speed_to_marker": "float64",
}  # fmt: skip
"""Column -> dtype of the table of corners."""

ASKED = ("corner", "direction", "start_distance", "end_distance", "radius")
"""What is said of each corner that is measured."""
MAX_GAP = 0.5
"""s. Longer holes are not read across, as in a lap frame."""


def corners(
    laps: Session | pd.DataFrame,
    *,
    lap: int | None = None,
    where: pd.DataFrame | Sequence[Mapping[str, Any]] | None = None,
    turn_in_shares: tuple[float, float] = (LOW, HIGH),
    max_gap: float = MAX_GAP,
) -> pd.DataFrame:
    """Measure each corner of each lap.

    The boundaries are the same for every lap of a session, so that times and speeds compare. Boundaries are met, and
    the lowest speed is found, between samples.

    Parameters
    ----------
    laps : Session or DataFrame
        A session (its own samples are used), a lap frame, or one lap's samples.
    lap : int, optional
        Only this lap.
    where : DataFrame or sequence of mappings, optional
        Corners to measure: corner, start_distance, end_distance (m), and, where known, direction and radius. By
        default the session's, or those the frame carries in ``attrs["corners"]``.
    turn_in_shares : (float, float)
        Shares of the corner's peak curvature between which its rise is read and followed back to zero, for the turn-in.
    max_gap : float
        Longest time between samples that is read across, s. A corner whose boundary lies in a longer hole is left
        out; one with a hole inside has no lowest speed.

    Returns
    -------
    DataFrame
        One row a lap and corner, in driving order: lap, corner, direction, start_distance, min_speed_distance,
        end_distance (m from the line), entry_speed, min_speed, exit_speed (m/s), corner_time (s), radius (m), and one
        standard uncertainty beside the lowest speed, its place and the time. The corner is half-open: the lowest speed
        may be that at its end, approached. Where speed hardly changes the place of the lowest is uncertain by the
        whole stretch. Corners beyond the recording are left out.

        turn_in_distance is where the lap's own curvature begins to rise into the corner, m, found between samples (see
        `lapkit.analysers.lap.turn_in`); ``attrs["turn_in_source"]`` names the channel it was read from: "yaw rate", "position",
        "steering", "lateral acceleration" or "none". It is missing where the car is turning already. turn_in_marker and
        min_speed_marker name the nearest marker of the track, turn_in_to_marker and min_speed_to_marker are the metres from
        it, negative before it; without markers empty and NaN. Their uncertainty is that of the place.

        The corners of laps that do not run from line to line are in it as far as they were driven; ``session.laps`` says
        which laps those are. Where no corner can be found the table is empty, and ``attrs["note"]`` says why.

    Raises
    ------
    ColumnError
        If there is no speed.
    LapError
        If the session has no such lap.
    FrameError
        If a frame has no time or distance, or does not carry corners and none are given; if a corner does not start before
        its end, or `turn_in_shares` are no two rising shares.

    Examples
    --------
    >>> time = np.arange(0.0, 6.0, 0.05)
    >>> speed = 30 + np.abs(8 * (time - 3.02))
    >>> lap = pd.DataFrame({"time": time, "distance": np.cumsum(speed) * 0.05, "speed": speed})
    >>> table = corners(lap, where=[{"corner": "1", "start_distance": 80.0, "end_distance": 180.0}])
    >>> table[["corner", "min_speed"]].round(2).values.tolist()
    [['1', 30.0]]
    """
    trace = trace_of(laps)
    trace.check(lap)
    asked = _asked(laps, where, trace.source)
    found, row, which = _measured(trace, asked, lap, max_gap)
    turned, turned_sigma, source = turn_in(trace, asked, row, which, shares=turn_in_shares, max_gap=max_gap)
    values = {
        "lap": trace.numbers[row],
        **{name: asked[name][which] for name in ASKED},
        **found,
        "turn_in_distance": turned,
        "turn_in_distance_uncertainty": turned_sigma,
        **marker_columns(laps, {"turn_in": turned, "min_speed": found["min_speed_distance"]}),
    }
    table = table_of(CORNER_COLUMNS, values)
    table.attrs["turn_in_source"] = source
    if not len(asked["corner"]) and where is None:
        table.attrs["note"] = f"{trace.source}: {_why_none(trace)}"
    return table


def _why_none(trace: Trace) -> str:
    """Why a lap has no corners."""
    if all(trace.channel(name) is None for name in ("x", "yaw_rate", "lateral_acceleration")):
        return (
            "there is no position, yaw rate or lateral acceleration, so no corner can be found; give track= a track file that "
            "names its corners."
        )
    return "no corner was found: nowhere does the track, or a clean lap, turn enough."


def corner_speeds(lap: pd.DataFrame, where: Sequence[Mapping[str, Any]]) -> dict[str, FloatArray]:
    """Return entry_speed, min_speed, min_speed_uncertainty and exit_speed of a lap, as `corners` has them.

    Nothing else is measured, which takes a fraction of the time. NaN where `corners` leaves a corner out.
    """
    trace = trace_of(lap)
    asked = _asked(lap, where, trace.source)
    found, _, which = _measured(trace, asked, None, MAX_GAP)
    out = {}
    for name in ("entry_speed", "min_speed", "min_speed_uncertainty", "exit_speed"):
        out[name] = np.full(len(asked["corner"]), np.nan)
        out[name][which] = found[name]
    return out


def _measured(
    trace: Trace, asked: Mapping[str, NDArray[Any]], lap: int | None, max_gap: float
) -> tuple[dict[str, FloatArray], NDArray[np.intp], NDArray[np.intp]]:
    """Columns of the corners that were driven, and of each the lap (row of `numbers`) and the corner asked."""
    speed = trace.required("speed", "corners")
    seen = np.flatnonzero(np.isfinite(speed) & np.isfinite(trace.time) & np.isfinite(trace.place))
    time, speed, place = trace.time[seen], speed[seen], np.maximum.accumulate(trace.place[seen])
    if trace.gridded:
        hole = (np.diff(seen) > 1) & (np.diff(time) > max_gap)
    else:
        hole = np.diff(time) > max(max_gap, 3.0 * trace.interval)

    rows = np.arange(len(trace.numbers)) if lap is None else np.flatnonzero(trace.numbers == lap)
    row = np.repeat(rows, len(asked["corner"]))
    which = np.tile(np.arange(len(asked["corner"])), len(rows))
    bounds = [asked[name][which] + trace.lap_place_zero[row] for name in ("start_distance", "end_distance")]
    (t_in, v_in), (t_out, v_out) = (_met(time, speed, place, hole, bound) for bound in bounds)
    kept = np.isfinite(t_in) & np.isfinite(t_out) & (t_out > t_in)
    row, which = row[kept], which[kept]
    t_in, v_in, t_out, v_out = t_in[kept], v_in[kept], t_out[kept], v_out[kept]

    noise = max(white_noise(speed), quantum(speed) / np.sqrt(12.0))
    t_low, v_low, sigma, t_sigma = _slowest(trace, time, speed, hole, t_in, v_in, t_out, v_out, noise)
    error = trace.place_error[row]
    bend = 0.1 * trace.interval * np.abs(v_out - v_in) / np.maximum(v_low, 1.0)  # time is not straight between samples
    # A position that is off to one side is early at one end of a half turn and late at the other.
    turned_by = np.nan_to_num((bounds[1] - bounds[0])[kept] / asked["radius"][which], posinf=0.0, neginf=0.0)
    against = np.minimum(np.cos(np.minimum(np.abs(turned_by), np.pi)), 0.0)
    at_in, at_out = error / np.maximum(v_in, 1.0), error / np.maximum(v_out, 1.0)
    ends = at_in**2 + at_out**2 - 2.0 * against * at_in * at_out
    found = {
        "min_speed_distance": np.interp(t_low, time, place) - trace.lap_place_zero[row],
        "min_speed_distance_uncertainty": np.hypot(error, t_sigma * np.maximum(v_low, 0.0)),
        "entry_speed": v_in,
        "min_speed": v_low,
        "min_speed_uncertainty": sigma,
        "exit_speed": v_out,
        "corner_time": t_out - t_in,
        "corner_time_uncertainty": np.hypot(np.sqrt(ends), bend * trace.interval),
    }
    return found, row, which


def _asked(
    laps: Session | pd.DataFrame, where: pd.DataFrame | Sequence[Mapping[str, Any]] | None, source: str
) -> dict[str, NDArray[Any]]:
    """The corners to measure, a column each of `ASKED`."""
    if where is None:
        if not isinstance(laps, pd.DataFrame):
            where = laps.track.corners
        elif "corners" in laps.attrs:
            where = laps.attrs["corners"]
        else:
            raise FrameError(
                f"{source}: the lap does not carry its corners (attrs['corners']); give a session, session.lap(n), or "
                "where=[{'corner': '1', 'start_distance': ..., 'end_distance': ...}]."
            )
    rows = records_given(where, "where", CORNER, "the name and metres from the line")
    asked: dict[str, NDArray[Any]] = {"corner": np.array([row["corner"] for row in rows], dtype=object)}
    names = [row.get("direction") for row in rows]
    asked["direction"] = np.array([name if isinstance(name, str) else "" for name in names], dtype=object)
    asked["start_distance"], asked["end_distance"] = bounds_of(rows)
    asked["radius"] = np.array([number_given(row.get("radius") or np.nan, "radius", "m") for row in rows])
    return asked


def _met(
    time: FloatArray, speed: FloatArray, place: FloatArray, hole: NDArray[np.bool_], bound: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Time and speed at places, between samples; NaN in holes and beyond the data.

    A place up to two samples beyond the first or last sample is reached at that sample's speed: a recording that is
    cut at the line still has its corner there.
    """
    if len(time) < 2:
        return np.full(bound.shape, np.nan), np.full(bound.shape, np.nan)
    before = np.clip(np.searchsorted(place, bound, side="right") - 1, 0, len(place) - 2)
    gap = place[before + 1] - place[before]
    share = (bound - place[before]) / np.where(gap > 0, gap, 1.0)
    share = np.where((share < -2.0) | (share > 3.0) | ((gap <= 0) & (share != 0)) | hole[before], np.nan, share)
    when = time[before] + share * (time[before + 1] - time[before])
    return when, speed[before] + np.clip(share, 0.0, 1.0) * (speed[before + 1] - speed[before])


def _slowest(
    trace: Trace,
    time: FloatArray,
    speed: FloatArray,
    hole: NDArray[np.bool_],
    t_in: FloatArray,
    v_in: FloatArray,
    t_out: FloatArray,
    v_out: FloatArray,
    noise: float,
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """When and how fast the car was slowest in each corner, with the uncertainty of both."""
    at_end = v_out < v_in
    t_low, v_low = np.where(at_end, t_out, t_in), np.minimum(v_in, v_out)
    sigma = np.hypot(noise, 0.05 * trace.interval) * np.ones(t_in.size)
    half = np.full(t_in.size, 0.5 * trace.interval)
    start, end = np.searchsorted(time, t_in), np.searchsorted(time, t_out)
    some = np.flatnonzero(end > start)
    if some.size:
        when, low, spread = lowest(time, speed, start[some], end[some], noise=noise, interval=trace.interval)
        inside = (when >= t_in[some]) & (when < t_out[some]) & (low <= v_low[some] + noise)
        pick = some[inside]
        t_low[pick], v_low[pick], sigma[pick] = when[inside], low[inside], spread[inside]
        for k in some:  # the lowest may lie anywhere in the stretch that is as slow within what can be told
            near = time[start[k] : end[k]][speed[start[k] : end[k]] <= v_low[k] + 2.0 * sigma[k] + noise]
            if near.size:
                half[k] = max(half[k], t_low[k] - near[0], near[-1] - t_low[k])
    holes = np.concatenate([[0], np.cumsum(hole)])
    torn = holes[np.clip(end, 0, len(holes) - 1)] > holes[np.clip(start - 1, 0, len(holes) - 1)]
    for values in (t_low, v_low, sigma, half):
        values[torn] = np.nan
    return t_low, v_low, sigma, half / np.sqrt(3.0)
