"""Delta: time lost or gained against another lap at each place, and where most of it was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.corners import bounds_of, segments_of
from lapkit.model.frame import MAX_LENGTH_DIFFERENCE, attribute, check_two_laps, unlabelled
from lapkit.model.given import CORNER, frame_given, records_given

DELTA_COLUMNS = ("delta", "delta_uncertainty", "delta_rate")
LOSS_COLUMNS = ("segment", "start_distance", "end_distance", "time_lost", "time_lost_uncertainty")

RATE_WINDOW = 50.0
"""m. The rate is the slope of delta over this much of the track (common practice, no source)."""
MEMORY = 30.0
"""m. An error of place at the line and one this far on have mostly forgotten each other (chosen, no source)."""


def delta(
    lap: pd.DataFrame,
    reference: pd.DataFrame,
    *,
    rate_window: float = RATE_WINDOW,
    memory: float = MEMORY,
    max_length_difference: float = MAX_LENGTH_DIFFERENCE,
) -> pd.DataFrame:
    """Time lost against a reference lap at each place.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames with the same grid step, from one recording or two.
    rate_window : float
        Length of track over which `delta_rate` is taken, m.
    memory : float
        Length of track over which an error of place is forgotten, m; it shapes the uncertainty near the line.
    max_length_difference : float
        Share by which the track lengths may differ. Where they do differ, places are compared as fractions of the
        lap, and ``attrs["note"]`` says so.

    Returns
    -------
    DataFrame
        Index `distance`: the grid, and a last row at the line (the track length). Columns:

        - delta: s, time of the lap minus time of the reference since their own crossings; positive is slower. At the
          line it is the difference of the lap times, exactly;
        - delta_uncertainty: s, one standard uncertainty: zero at the start, that of the two lap times together at
          the line; between them crossing, place and sampling;
        - delta_rate: s per 100 m; positive is losing.

        NaN where either lap has a hole, and at the line where either lap has no lap time.
        ``delta(a, b)`` is ``-delta(b, a)`` and ``delta(a, a)`` is zero, exactly.

    Raises
    ------
    FrameError
        If a frame lost its attributes, has no time, or the grids do not fit together.

    Examples
    --------
    >>> def lap(speed):
    ...     place = pd.Index(np.arange(0.0, 101.0), name="distance")
    ...     frame = pd.DataFrame({"time": place / speed, "speed": speed}, index=place)
    ...     frame.attrs.update(lap=1, source="made up", lap_time=100.5 / speed, track_length=100.5, step=1.0)
    ...     return frame
    >>> table = delta(lap(20.0), lap(25.0))
    >>> table["delta"].iloc[[0, 50, -1]].round(3).tolist(), round(float(table["delta_rate"].iloc[50]), 3)
    ([0.0, 0.5, 1.005], 1.0)
    """
    sides = [_Side.of(frame) for frame in (lap, reference)]
    first, second = sides
    check_two_laps(lap, reference, max_length_difference)
    step, length = first.step, min(first.length, second.length)
    count = int(np.floor(length / step * (1 + 1e-12))) + 1
    place: FloatArray = np.arange(count, dtype=np.float64) * step
    if length - place[-1] < 1e-6 * step:  # the line is itself a grid point
        place = place[:-1]
    times, variances = zip(*(side.on(place, length, memory) for side in sides), strict=True)
    both = [np.append(times[k], sides[k].lap_time) for k in (0, 1)]
    place = np.append(place, length)
    difference = both[0] - both[1]
    sigma = np.sqrt(variances[0] + variances[1])
    sigma = np.append(sigma, np.hypot(first.lap_time_sigma, second.lap_time_sigma))
    sigma[np.isnan(difference)] = np.nan
    table = pd.DataFrame(
        {
            "delta": difference,
            "delta_uncertainty": sigma,
            "delta_rate": _rate(place, difference, rate_window),
        },
        index=pd.Index(place, name="distance"),
    )
    corners = lap.attrs.get("corners") or reference.attrs.get("corners") or []
    table.attrs = {
        "lap": attribute(lap, "lap"),
        "reference": attribute(reference, "lap"),
        "source": attribute(lap, "source"),
        "reference_source": attribute(reference, "source"),
        "track_length": length,
        "step": step,
        "corners": [
            _scaled(corner, length / (first if lap.attrs.get("corners") else second).length) for corner in corners
        ],
        "crossing_uncertainty": float(np.hypot(first.lap_time_sigma, second.lap_time_sigma) / np.sqrt(2.0)),
    }
    if not _same(first.length, second.length):
        table.attrs["note"] = (
            f"{first.name} is {first.length:.1f} m round and {second.name} {second.length:.1f} m: places are compared as "
            "fractions of the lap, and may be metres apart. load(..., track=first_session.track) puts both on one track."
        )
    return table


@dataclass(frozen=True)
class _Side:
    """What delta needs of one lap, as arrays on its own grid."""

    name: str
    step: float
    length: float
    place: FloatArray
    time: FloatArray
    speed: FloatArray
    lap_time: float
    lap_time_sigma: float
    place_error: float
    interval: float

    @classmethod
    def of(cls, frame: pd.DataFrame) -> _Side:
        name = f"lap {attribute(frame, 'lap')} of {attribute(frame, 'source')}"
        if "time" not in frame.columns or len(frame) < 2:
            raise FrameError(f"{name}: delta needs a lap frame with the column 'time' and at least two rows.")
        step, length = float(attribute(frame, "step")), float(attribute(frame, "track_length"))
        columns = unlabelled(frame)
        place, time = frame.index.to_numpy(np.float64), columns["time"].to_numpy(np.float64)
        rows = int(np.floor(length / step * (1 + 1e-12))) + 1
        if len(place) != rows or not np.array_equal(place, np.arange(rows) * step):
            raise FrameError(
                f"{name}: rows do not lie at every {step:g} m from line to line ({rows} of them); give the frame of session.lap(n) unchanged."
            )
        if "speed" in frame.columns:
            speed = columns["speed"].to_numpy(np.float64)
        else:
            speed = step / np.maximum(np.gradient(time), 1e-9)
        return cls(
            name, step, length, place, time, speed, _number(attribute(frame, "lap_time"), np.nan),
            _number(frame.attrs.get("lap_time_uncertainty"), 0.0), _number(frame.attrs.get("place_error"), 0.0),
            _number(frame.attrs.get("sample_interval"), 0.0),
        )  # fmt: skip

    def on(self, place: FloatArray, length: float, memory: float) -> tuple[FloatArray, FloatArray]:
        """Time at the places of a lap `length` long, and its variance."""
        variance = self._variance(memory)
        if _same(length, self.length):
            return self.time[: len(place)], variance[: len(place)]
        at = place * (self.length / length)
        nodes, times = np.append(self.place, self.length), np.append(self.time, self.lap_time)
        if nodes[-1] - nodes[-2] < 1e-6 * self.step:  # the line is itself a grid point
            nodes, times = nodes[:-1], times[:-1]
        return _between_rows(nodes, times, at), np.interp(at, self.place, variance)

    def _variance(self, memory: float) -> FloatArray:
        """Variance of the time at each place since the lap's own crossing.

        An error of place near the line is the one the crossing itself was found with, so it cancels there and only
        grows with distance; towards the end of the lap it turns into that of the crossing which ends it.
        """
        crossing = self.lap_time_sigma**2 / 2.0
        speed = np.fmax(self.speed, 1.0)
        known = np.isfinite(self.time)
        change = np.zeros(len(self.time))
        if np.count_nonzero(known) > 2:
            change[known] = np.abs(np.gradient(speed[known], self.place[known]))
        sampling = (
            change * self.interval**2 / 8.0
        )  # time is not straight between samples: |a| dt^2 / (8 v), a = v dv/ds
        here = (self.place_error / speed) ** 2 + sampling**2
        memory = max(memory, 1e-9)
        from_start = -np.expm1(-self.place / memory)
        to_end = -np.expm1(-np.maximum(self.length - self.place, 0.0) / memory)
        return np.asarray(from_start * (crossing + to_end * here + (1.0 - to_end) * crossing))


def _same(length: float, other: float) -> bool:
    """Whether two track lengths are one, but for rounding."""
    return abs(length - other) <= 1e-6 * length


def _scaled(corner: Mapping[str, Any], ratio: float) -> dict[str, Any]:
    """A corner with its places on a lap that is `ratio` as long."""
    return {
        key: value * ratio if ratio != 1.0 and key.endswith("_distance") else value for key, value in corner.items()
    }


def _number(value: Any, default: float) -> float:
    """A number from a frame's attributes, where None and NaN stand for unknown."""
    return default if value is None or not np.isfinite(value) else float(value)


def _rate(place: FloatArray, difference: FloatArray, window: float) -> FloatArray:
    """Slope of delta in s per 100 m, between half a window behind and ahead, shorter at the line."""
    step = place[1] - place[0] if len(place) > 1 else 1.0
    half = max(1, round(window / 2.0 / step))
    index = np.arange(len(place))
    behind, ahead = np.maximum(index - half, 0), np.minimum(index + half, len(place) - 1)
    run = np.maximum(place[ahead] - place[behind], 1e-9)
    return np.where(np.isnan(difference), np.nan, 100.0 * ((difference[ahead] - difference[behind]) / run))


def losses(
    delta_table: pd.DataFrame,
    *,
    corners: pd.DataFrame | Sequence[Mapping[str, Any]] | None = None,
    count: int | None = 3,
) -> pd.DataFrame:
    """Divide a delta into corners and straights, the greatest loss first.

    Parameters
    ----------
    delta_table : DataFrame
        From `delta`.
    corners : DataFrame or sequence of mappings, optional
        Corners with corner, start_distance, end_distance (m); by default those the laps carry.
    count : int, optional
        Number of places returned, from the greatest loss on; None for all.

    Returns
    -------
    DataFrame
        segment ("corner 1", "straight after corner 1", ...), start_distance, end_distance (m, half-open), time_lost
        (s, positive is slower), time_lost_uncertainty (s, one standard uncertainty). All segments together add up to
        the difference of the lap times. Segments that meet in a hole are one, as nobody knows what was lost in which.

    Raises
    ------
    FrameError
        If the table is not one of `delta`, or a corner has no name, start or end.

    Examples
    --------
    >>> place = pd.Index([0.0, 50.0, 100.0, 150.0], name="distance")
    >>> table = pd.DataFrame({"delta": [0.0, 0.1, 0.05, 0.3], "delta_uncertainty": 0.0, "delta_rate": 0.0}, index=place)
    >>> table.attrs["track_length"] = 150.0
    >>> where = losses(table, corners=[{"corner": "1", "start_distance": 50.0, "end_distance": 100.0}])
    >>> where[["segment", "time_lost"]].round(2).values.tolist()
    [['straight after corner 1', 0.25], ['straight before corner 1', 0.1], ['corner 1', -0.05]]
    """
    delta_table = frame_given(delta_table, "losses", "the table that delta(lap, reference) returns")
    missing = [name for name in DELTA_COLUMNS[:2] if name not in delta_table.columns]
    missing += [] if "track_length" in delta_table.attrs else ["track_length"]
    missing += [] if len(delta_table) > 1 else ["second row"]
    if missing:
        raise FrameError(f"losses needs the table that delta(lap, reference) returns; it has no {missing[0]}.")
    length = float(delta_table.attrs["track_length"])
    given = delta_table.attrs.get("corners", []) if corners is None else corners
    rows = records_given(given, "corners", CORNER, "the name and metres from the line")
    starts, _ = bounds_of(rows)
    segments = segments_of([rows[k] for k in np.argsort(starts, kind="stable")], length)

    place, value = delta_table.index.to_numpy(np.float64), delta_table["delta"].to_numpy(np.float64)
    sigma = delta_table["delta_uncertainty"].to_numpy(np.float64)
    edges = np.append(segments["start_distance"].to_numpy(np.float64), length)
    at_edge, sigma_at_edge = _between_rows(place, value, edges), _between_rows(place, sigma, edges)
    kept = np.isfinite(at_edge)
    kept[[0, -1]] = True  # the lap begins and ends where it does, whatever is known there
    at_edge[0] = 0.0 if np.isnan(at_edge[0]) else at_edge[0]
    names = segments["segment"].tolist()
    groups = np.flatnonzero(kept)
    shared = (
        float(delta_table.attrs.get("crossing_uncertainty", 0.0)) ** 2
    )  # in both edges alike, so not in the difference
    start, end = groups[:-1], groups[1:]
    own = np.maximum(sigma_at_edge**2 - shared, 0.0)
    out = pd.DataFrame(
        {
            "segment": [" + ".join(names[a:b]) for a, b in zip(start, end, strict=True)],
            "start_distance": edges[start],
            "end_distance": edges[end],
            "time_lost": at_edge[end] - at_edge[start],
            "time_lost_uncertainty": np.sqrt(np.where(start == 0, sigma_at_edge[end] ** 2, own[end] + own[start])),
        }
    )
    out = out.sort_values("time_lost", ascending=False, kind="stable", na_position="last").reset_index(drop=True)
    return out if count is None else out.head(count)


def _between_rows(place: FloatArray, value: FloatArray, at: FloatArray) -> FloatArray:
    """Linear interpolation that is NaN wherever it would need a NaN, exact on the rows."""
    before = np.clip(np.searchsorted(place, at, side="right") - 1, 0, len(place) - 2)
    share = (at - place[before]) / (place[before + 1] - place[before])
    inner = value[before] + share * (value[before + 1] - value[before])
    return np.where(share == 0.0, value[before], np.where(share == 1.0, value[before + 1], inner))
