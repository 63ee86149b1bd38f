"""Turn-in: where the car begins to turn into a corner, told from the lap's own curvature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from statistics import NormalDist
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lap.between import quantile
from lapkit.analysers.lap.trace import Trace
from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.curvature import MIN_SPEED
from lapkit.model.frame import brackets
from lapkit.model.noise import white_noise

LOW, HIGH = 0.2, 0.5
"""Shares of a corner's peak curvature between which its rise is read and followed back to zero (chosen: below, other bends and
noise show; above, the rise of a corner with transitions flattens)."""
PEAK = 0.9
"""Quantile of curvature in the corner that is its peak, so that one noisy metre is not (chosen)."""
VALLEY = 0.5
"""Share of the peak that curvature must fall below before the corner; else the car is turning already (chosen)."""
REACH = 150.0
"""m before the corner within which the turn-in is looked for (chosen)."""
CELL = 1.0
"""m. Grid on which curvature is read."""
TRIED = 2.0
"""m. Smoothing at which the noise of curvature is told: short enough that the corner itself does not count as noise."""
QUIET = 0.02
"""Share of the peak to which the noise of curvature is smoothed down (chosen)."""
LONGEST = {"yaw rate": 0.05, "position": 0.08, "steering": 0.05, "lateral acceleration": 0.05}
"""Share of the corner's length beyond which smoothing does not go: more would blur its rise (chosen)."""
BOW = {"yaw rate": 0.01, "position": 0.01, "steering": 0.05, "lateral acceleration": 0.05}
"""Share of the way followed back that may be wrong as the rise is bowed: more where the channel is curvature only at steady
speed and on level ground (chosen to fit the simulation)."""
UNSURE = 20.0
"""m. A turn-in less sure than this is not said (chosen, no source)."""
LAPS = 5
"""Laps that tell how noisy curvature is; more cost time and add little."""


@dataclass(frozen=True)
class _Signal:
    """What curvature is made of: one channel, or two of position."""

    source: str
    place: FloatArray  # of the samples that have a value, not decreasing
    channels: list[FloatArray]
    hole: NDArray[np.bool_]  # whether one lies between each sample and the next
    spacing: float  # usual metres between recorded samples

    @property
    def position(self) -> bool:
        return self.source == "position"

    @cached_property
    def integrals(self) -> list[FloatArray]:
        """Of each channel over the metres, from the first sample on."""
        metres = np.diff(self.place)
        return [np.append(0.0, np.cumsum((v[:-1] + 0.5 * np.diff(v)) * metres)) for v in self.channels]

    @cached_property
    def holes(self) -> NDArray[np.intp]:
        """How many lie before each sample."""
        return np.append(0, np.cumsum(self.hole))


def turn_in(
    trace: Trace,
    corners: Mapping[str, NDArray[Any]] | pd.DataFrame,
    row: NDArray[np.intp],
    which: NDArray[np.intp],
    *,
    shares: tuple[float, float] = (LOW, HIGH),
    max_gap: float,
) -> tuple[FloatArray, FloatArray, str]:
    """Find where each lap begins to turn into each corner.

    The curvature of the lap itself, smoothed as its noise demands, rises from the straight to the corner's peak. The places
    where it passes two `shares` of that peak (the quantile `PEAK` of the corner's metres) are followed back in a
    straight line to zero, or to what is left of the corner before: that is where the turn begins, exactly so
    for a line that winds into the corner evenly.

    Parameters
    ----------
    trace : Trace
    corners : mapping of str to ndarray, or DataFrame
        direction, start_distance, end_distance.
    row, which : ndarray of int, shape (n,)
        Lap (row of `trace.numbers`) and corner (row of `corners`) of each pair asked.
    shares : (float, float)
        The two shares.
    max_gap : float
        Longest time between samples that is read across, s.

    Returns
    -------
    place, uncertainty : ndarray, shape (n,)
        Metres from the line, NaN where the car is turning already or the data have a hole; one standard uncertainty.
    source : str
        "yaw rate", "position", "steering", "lateral acceleration", or "none".

    Raises
    ------
    FrameError
        If the shares are no two rising ones.

    Examples
    --------
    Curvature rises evenly from 100 m on.

    >>> from lapkit.analysers.lap.trace import trace_of
    >>> place = np.arange(0.0, 301.0)
    >>> bend = np.interp(place, [100, 140, 200, 240], [0, 0.02, 0.02, 0])
    >>> lap = pd.DataFrame({"time": place / 20, "distance": place, "speed": 20.0, "yaw_rate": 20 * bend})
    >>> lap.attrs["complete"] = False  # a part of a lap: it need not turn a whole number of times
    >>> corner = pd.DataFrame([("1", "left", 110.0, 230.0)], columns=["corner", "direction", "start_distance", "end_distance"])
    >>> found, uncertainty, source = turn_in(trace_of(lap), corner, np.array([0]), np.array([0]), max_gap=1.0)
    >>> bool(abs(found[0] - 100) < 2 * uncertainty[0]), bool(uncertainty[0] < 2), source
    (True, True, 'yaw rate')
    """
    if not (isinstance(shares, Sequence) and len(shares) == 2 and 0.0 < shares[0] < shares[1] < 1.0):
        raise FrameError(
            f"turn_in_shares={shares!r}: expected two rising shares between 0 and 1, such as ({LOW:g}, {HIGH:g})."
        )
    place, sigma = np.full(row.size, np.nan), np.full(row.size, np.nan)
    signal = _signal(trace, corners, max_gap) if row.size else None
    if signal is None:
        return place, sigma, "none"
    start, end = (np.asarray(corners[name], dtype=np.float64) for name in ("start_distance", "end_distance"))
    direction = np.asarray(corners["direction"], dtype=object)
    laps = np.flatnonzero(trace.whole) if trace.whole.any() else np.arange(len(trace.numbers))
    some = laps[np.unique(np.linspace(0, len(laps) - 1, LAPS).round().astype(np.intp))]
    numbers = np.unique(which)
    bends = [_Corner.of(start, end, k) for k in numbers]
    pairs = [np.flatnonzero(which == k) for k in numbers]
    own = _cells(signal, bends, [trace.lap_place_zero[row[mine]] for mine in pairs])
    alike = all(np.array_equal(row[mine], some) for mine in pairs)
    told = own if alike else _cells(signal, bends, [trace.lap_place_zero[some]] * len(bends))
    bend = np.full((row.size, max(corner.count for corner in bends)), -np.inf)
    known = np.zeros(bend.shape, dtype=bool)
    first, entry, peak, blur, noise = np.empty((5, row.size))
    for k, corner, mine, (cells, seen), (few, _) in zip(
        numbers, bends, pairs, own, told, strict=True
    ):  # a track's, a few
        sign, blur[mine], noise[mine] = _tuned(signal, corner, few, str(direction[k]))
        curve = sign * _curvature(signal, corner, cells, float(blur[mine[0]]))
        bend[mine, : corner.count], known[mine, : corner.count] = curve, seen
        first[mine], entry[mine], peak[mine] = corner.first, corner.start, quantile(curve[:, corner.inside], PEAK)
    place, sigma = _rise(bend, known, first, entry, peak, blur, noise, shares=shares, bow=BOW[signal.source])
    return place, np.hypot(sigma, trace.place_error[row]), signal.source


@dataclass(frozen=True)
class _Corner:
    """A corner and what lies before it, as cells of `CELL` metres, with more on both sides for smoothing to reach."""

    first: float
    start: float
    end: float

    @classmethod
    def of(cls, start: FloatArray, end: FloatArray, k: int) -> _Corner:
        """Return corner `k` of a track."""
        before = 0.5 * (start + end)
        before = before[before < start[k] - 1e-9]
        first = max(start[k] - REACH, before.max() if before.size else -np.inf)
        return cls(float(first), float(start[k]), float(end[k]))

    @property
    def length(self) -> float:
        return self.end - self.start

    @cached_property
    def margin(self) -> int:
        return int(np.ceil(4.0 * max(max(LONGEST.values()) * self.length, CELL) / CELL)) + 4

    @cached_property
    def count(self) -> int:
        return int(np.ceil((self.end - self.first) / CELL))

    @cached_property
    def inside(self) -> NDArray[np.bool_]:
        return np.asarray(_middles(self.first, np.arange(self.count)) + 0.5 * CELL > self.start)


def _middles(first: float | FloatArray, column: NDArray[np.intp]) -> FloatArray:
    """Places of the middles of cells that are counted from `first`."""
    return np.asarray(first + (column + 0.5) * CELL)


def _signal(trace: Trace, corners: Mapping[str, NDArray[Any]] | pd.DataFrame, max_gap: float) -> _Signal | None:
    """The channel that shows best how the car turns."""
    speed = trace.channel("speed")
    moving = np.where(speed > MIN_SPEED, speed, np.nan) if speed is not None else None
    if (yaw := trace.channel("yaw_rate")) is not None and moving is not None:
        source, values = "yaw rate", [(yaw - _yaw_offset(trace, yaw)) / moving]
    elif (x := trace.channel("x")) is not None and (y := trace.channel("y")) is not None:
        source, values = "position", [x, y]
    elif (steering := trace.channel("steering")) is not None:
        source, values = "steering", [steering - _straight_ahead(trace, steering, corners)]
    elif (lateral := trace.channel("lateral_acceleration")) is not None and moving is not None:
        source, values = "lateral acceleration", [lateral / moving**2]
    else:
        return None
    seen = np.flatnonzero(np.isfinite(sum(values) + trace.time + trace.place))
    if seen.size < 8:
        return None
    time, place = trace.time[seen], np.maximum.accumulate(trace.place[seen])
    gap = np.diff(time)
    usual = float(np.median(gap))
    hole = (gap > max_gap) & (np.diff(seen) > 1) if trace.gridded else gap > max(max_gap, 3.0 * usual)
    values = [v[seen] - v[seen[0]] if source == "position" else v[seen] for v in values]
    apart = float(np.median(np.diff(place)))
    recorded = apart * trace.interval / max(float(np.nanmedian(np.diff(trace.time))), 1e-9)
    return _Signal(source, place, values, hole, max(apart, recorded))


def _yaw_offset(trace: Trace, yaw: FloatArray) -> float:
    """What yaw rate reads when the car does not turn: a whole lap turns a whole number of times, the rest is offset."""
    known = np.isfinite(yaw) & np.isfinite(trace.time)
    time = trace.time[known]
    turned = np.append(0.0, np.cumsum(0.5 * (yaw[known][1:] + yaw[known][:-1]) * np.diff(time)))
    start = trace.lap_time_zero
    end = np.append(start[1:], time[-1])
    whole = trace.whole & (start >= time[0] - 0.5) & (end <= time[-1] + 0.5) & (end > start)
    if not whole.any():
        return 0.0
    over = np.interp(end[whole], time, turned) - np.interp(start[whole], time, turned)
    return float(np.median((over - 2.0 * np.pi * np.round(over / (2.0 * np.pi))) / (end - start)[whole]))


def _straight_ahead(trace: Trace, steering: FloatArray, corners: Mapping[str, NDArray[Any]] | pd.DataFrame) -> float:
    """What the steering reads on the straights."""
    lap = trace.lap_at(trace.time)
    place = trace.place - trace.lap_place_zero[lap]
    edges = np.stack([corners["start_distance"], corners["end_distance"]], axis=1).astype(np.float64).ravel()
    straight = (np.searchsorted(edges, place, side="right") % 2 == 0) & np.isfinite(steering) & np.isfinite(place)
    return float(np.median(steering[straight])) if straight.any() else 0.0


def _cells(
    signal: _Signal, corners: Sequence[_Corner], zeros: Sequence[FloatArray]
) -> list[tuple[list[FloatArray], NDArray[np.bool_]]]:
    """Means of the signal in the cells of each corner and lap, margins included; and which of the others are known.

    `zeros` are the places of the laps' crossings, counted on, of each corner.
    """
    edges = [
        corner.first + np.arange(-corner.margin, corner.count + corner.margin + 1) * CELL + zero[:, None]
        for corner, zero in zip(corners, zeros, strict=True)
    ]
    before, weight = brackets(signal.place, np.concatenate([edge.ravel() for edge in edges]))
    on_road, weight = np.isfinite(weight), np.nan_to_num(weight)
    part = weight * (signal.place[before + 1] - signal.place[before])
    sums = [  # the integral of the straight lines between samples, up to each edge
        integral[before] + part * (values[before] + 0.5 * weight * (values[before + 1] - values[before]))
        for values, integral in zip(signal.channels, signal.integrals, strict=True)
    ]
    ends = np.cumsum([edge.size for edge in edges])
    split = [
        [piece.reshape(edge.shape) for piece, edge in zip(np.split(values, ends[:-1]), edges, strict=True)]
        for values in (on_road, signal.holes[before], signal.hole[before], *sums)
    ]
    out = []
    for corner, road, torn, hole, *at in zip(corners, *split, strict=True):
        inside = road[:, 1:] & road[:, :-1]
        known = inside & (torn[:, 1:] == torn[:, :-1]) & ~hole[:, :-1]
        out.append(([_filled(np.diff(a, axis=1) / CELL, inside) for a in at], known[:, corner.margin : -corner.margin]))
    return out


def _curvature(signal: _Signal, corner: _Corner, cells: list[FloatArray], sigma: float) -> FloatArray:
    """Curvature, or what stands for it, smoothed over `sigma` metres; one row a lap, left positive."""
    from scipy.ndimage import gaussian_filter1d

    def smooth(values: FloatArray, order: int) -> FloatArray:
        filtered = gaussian_filter1d(values, sigma / CELL, axis=1, order=order, mode="nearest")
        return np.asarray(filtered[:, corner.margin : -corner.margin] / CELL**order)

    if not signal.position:
        return smooth(cells[0], 0)
    rates = [np.gradient(values, CELL, axis=1) for values in cells]
    (x1, y1), (x2, y2) = ([smooth(rate, order) for rate in rates] for order in (0, 1))
    return np.asarray((x1 * y2 - y1 * x2) / np.maximum(x1**2 + y1**2, 1e-12) ** 1.5)


def _tuned(signal: _Signal, corner: _Corner, cells: list[FloatArray], direction: str) -> tuple[float, float, float]:
    """Which way a corner turns, over how many metres its curvature is to be smoothed, and the noise this leaves.

    A few laps tell (`cells`), the same ones whichever lap is asked for.
    """
    least = max(0.6 * signal.spacing, CELL)
    most = max(LONGEST[signal.source] * corner.length, least)
    tried = max(least, TRIED)
    bend = _curvature(signal, corner, cells, tried)
    inside = bend[:, corner.inside]
    sign = {"left": 1.0, "right": -1.0}.get(direction) or (-1.0 if inside.sum() < 0 else 1.0)
    target = QUIET * max(float(quantile(quantile(sign * inside, PEAK), 0.5)), 1e-9)
    noise = white_noise(bend, stride=max(1, round(2.5 * tried / CELL)), share=0.3)
    # noise of position that drifts falls with the 1.5th power of the smoothing length, white noise with the 2.5th; that of a
    # channel that is curvature by itself with the square root
    longer, shorter = (1.5, 2.5) if signal.position else (0.5, 0.5)
    wanted = tried * (noise / target) ** (1.0 / (longer if noise > target else shorter))
    sigma = float(np.clip(wanted, least, most))
    return sign, sigma, noise * (tried / sigma) ** (longer if sigma > tried else shorter)


def _filled(values: FloatArray, inside: NDArray[np.bool_]) -> FloatArray:
    """Carry the first and last value outward over cells beyond the recording."""
    if inside.all():
        return values
    column = np.arange(values.shape[1])
    first, last = inside.argmax(axis=1)[:, None], (values.shape[1] - 1 - inside[:, ::-1].argmax(axis=1))[:, None]
    return np.asarray(np.take_along_axis(values, np.clip(column, first, last), axis=1))


def _rise(
    bend: FloatArray,
    known: NDArray[np.bool_],
    first: FloatArray,
    entry: FloatArray,
    peak: FloatArray,
    blur: FloatArray,
    noise: FloatArray,
    *,
    shares: tuple[float, float],
    bow: float,
) -> tuple[FloatArray, FloatArray]:
    """Where curvature begins to rise into the corner, one value a row of `bend`, with the standard uncertainty.

    A row has its cells from `first` on, its corner from `entry` on, and is -inf behind it.
    """
    rows, column = np.arange(len(bend)), np.arange(bend.shape[1])
    inside = _middles(first[:, None], column) + 0.5 * CELL > entry[:, None]
    reached = inside & (bend >= shares[1] * peak[:, None])
    upper = np.where(reached.any(axis=1), reached.argmax(axis=1), 0)
    ahead = column <= upper[:, None]
    base = np.maximum(np.where(ahead, bend, np.inf).min(axis=1), 0.0)
    low, high = (base + share * (peak - base) for share in shares)
    i = np.where(ahead & (bend < low[:, None]), column, -1).max(axis=1)
    later = (column > i[:, None]) & (bend >= high[:, None])
    j = later.argmax(axis=1)
    usable = (i >= 0) & later.any(axis=1) & (peak > 0) & (base <= VALLEY * peak)
    i, j = np.where(usable, i, 0), np.where(usable, j, 1)
    torn = np.append(np.zeros((len(bend), 1)), np.cumsum(~known, axis=1), axis=1)
    usable &= torn[rows, j + 1] == torn[rows, np.maximum(i - np.rint(blur / CELL).astype(np.intp), 0)]

    def passed(index: NDArray[np.intp], level: FloatArray) -> FloatArray:
        before = bend[rows, index - 1]
        share = (level - before) / np.where(bend[rows, index] > before, bend[rows, index] - before, 1.0)
        at = _middles(first, index - 1)
        return np.asarray(at + np.clip(share, 0.0, 1.0) * (_middles(first, index) - at))

    at_high = passed(j, high)
    run = np.maximum(at_high - passed(np.minimum(i + 1, j), low), 1e-3)
    # smoothing stretches a sudden rise: this is what a step in curvature takes from one share to the other
    step = blur * (NormalDist().inv_cdf(shares[1]) - NormalDist().inv_cdf(shares[0]))
    true_run = np.sqrt(np.maximum(run**2 - step**2, 0.0))
    back = shares[1] / (shares[1] - shares[0])
    shift = back * (run - true_run)
    found = at_high - back * run + 0.75 * shift  # of a rise that is neither a step nor endless
    rate = np.maximum((high - low) / run, 1e-12)
    spread = np.hypot(back, back - 1.0) * noise / rate
    sigma = np.hypot(np.hypot(spread, shift / np.sqrt(12.0)), np.hypot(bow * back * run, 0.2 * CELL))
    usable &= sigma <= UNSURE
    return np.where(usable, found, np.nan), np.where(usable, sigma, np.nan)
