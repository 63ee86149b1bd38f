"""Corners: the curvature of a lap, and where its corners begin and end.

A lap is closed, so its curvature is a periodic function on the distance grid. Corners are found
once for a session, from the median of several laps' curvature, so that every lap has the same
boundaries.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import FrameError

MIN_TURN = float(np.radians(12.0))
"""rad. A bend that turns the car less than this is not a corner (common practice, no source)."""
MAX_RADIUS = 1500.0
"""m. Nothing wider is a corner, however long the lap (common practice, no source)."""
SCALE_RATIO = 0.3
"""A corner turns at least this share of the mean rate of one full turn a lap, 2 pi / length (tuned on invented tracks)."""
VALLEY_RATIO = 0.4
"""Two apexes are two corners where the curvature between falls below this share of the lower one (as above)."""
EDGE_RATIO = 0.25
"""Share of a corner's peak curvature from which its ends are followed down to zero (as above)."""
MIN_STRAIGHT = 20.0
"""m. A shorter stretch between two corners is shared between them (common practice, no source)."""
MAX_SMOOTHING = 15.0
"""m. Longest smoothing of curvature: more would hide a hairpin."""
MIN_SPEED = 3.0
"""m/s. Slower than this, yaw rate / speed and lateral acceleration / speed^2 say nothing."""
MIN_KNOWN = 0.8
"""A channel serves where at least this share of the lap has a value."""


def _threshold(length: float, scale_ratio: float = SCALE_RATIO, max_radius: float = MAX_RADIUS) -> float:
    return max(scale_ratio * 2.0 * np.pi / length, 1.0 / max_radius)


# --------------------------------------------------------------- periodic numerics


def _filled(values: FloatArray) -> FloatArray:
    """Fill NaN linearly round the lap, along the last axis; a row of NaN stays."""
    missing = np.isnan(values)
    if not missing.any():
        return values
    rows = values.reshape(-1, values.shape[-1]).copy()
    n = rows.shape[1]
    place = np.arange(n)
    for k in np.flatnonzero(missing.reshape(rows.shape).any(axis=1)):
        known = np.flatnonzero(~np.isnan(rows[k]))
        if known.size:
            rows[k] = np.interp(place, known, rows[k, known], period=n)
    return rows.reshape(values.shape)


def _smooth(
    values: FloatArray, step: float, sigma: float, *, shift: float = 0.0, derivative: bool = False
) -> FloatArray:
    """Gaussian smoothing round the lap, along the last axis, with an optional derivative.

    `sigma` (m) is the standard deviation; `shift` (m) is where the samples lie past their grid point.
    """
    n = values.shape[-1]
    wave = 2.0 * np.pi * np.fft.rfftfreq(n, step)
    response = np.exp(-0.5 * (wave * sigma) ** 2 - 1j * wave * shift)
    if derivative:
        response = response * 1j * wave
    return np.fft.irfft(np.fft.rfft(values) * response, n)


def _noise(values: FloatArray, stride: int) -> float:
    """White noise (1 sigma) on samples `stride` grid points apart, from third differences.

    The median looks past corners and holes: a straight or a steady bend has no third difference.
    The variance of a third difference of white noise is 20 times its own.
    """
    third = np.diff(values[..., :: max(stride, 1)], n=3, axis=-1)
    third = np.abs(third[np.isfinite(third)])
    return float(1.4826 * np.median(third) / np.sqrt(20.0)) if third.size >= 8 else 0.0


# ----------------------------------------------------------------------- curvature


def path_curvature(
    x: FloatArray,
    y: FloatArray,
    step: float,
    *,
    path: FloatArray | None = None,
    spacing: float | None = None,
    max_smoothing: float = MAX_SMOOTHING,
) -> FloatArray:
    """Curvature of driven lines given as positions on the distance grid.

    The direction of travel is smoothed, not the position, so that a lap which ends in another lane
    than it began has no kink at the line. The smoothing length is the shortest that brings the
    curvature's noise under a third of what counts as a corner; the noise is measured.

    Parameters
    ----------
    x, y : ndarray, shape (n,) or (laps, n)
        Position, m, on the grid ``k * step`` round a closed lap. NaN in holes.
    step : float
        Grid step, m.
    path : ndarray, same shape, optional
        Metres driven. Where given, curvature is per metre driven, as it should be on a line far from
        the reference line; else the positions are measured.
    spacing : float, optional
        Distance between recorded samples, m; by default the grid step.
    max_smoothing : float
        Longest smoothing, m.

    Returns
    -------
    ndarray, same shape
        Curvature, 1/m, left positive; NaN where the position is.

    Examples
    --------
    >>> angle = 2 * np.pi * np.arange(628) / 628
    >>> curvature = path_curvature(100 * np.cos(angle), 100 * np.sin(angle), 2 * np.pi * 100 / 628)
    >>> bool(np.allclose(curvature, 0.01, rtol=1e-3))
    True
    """
    spacing = max(spacing or step, step)
    stride = round(spacing / step)
    noise = float(np.hypot(_noise(x, stride), _noise(y, stride)) / np.sqrt(2.0))
    # variance of the second derivative of Gaussian-smoothed white noise: 3 spacing noise^2 / (8 sqrt(pi) sigma^5)
    target = _threshold(x.shape[-1] * step) / 3.0
    sigma = (3.0 / (8.0 * np.sqrt(np.pi)) * spacing * (noise / target) ** 2) ** 0.2
    # a chain of straight pieces between samples shows as ripple unless smoothed over 0.6 of a piece (ripple < 0.1 %)
    sigma = float(np.clip(sigma, max(1.5 * step, 0.6 * spacing), max(max_smoothing, 0.6 * spacing)))

    def velocity(values: FloatArray) -> FloatArray:
        # from each grid point to the next; the last, across the line, is filled from its neighbours
        return _filled(np.diff(values, axis=-1, append=np.nan) / step)

    def at_grid(values: FloatArray, derivative: bool = False) -> FloatArray:
        return _smooth(values, step, sigma, shift=0.5 * step, derivative=derivative)

    x_rate, y_rate = velocity(x), velocity(y)
    x1, y1 = at_grid(x_rate), at_grid(y_rate)
    x2, y2 = at_grid(x_rate, derivative=True), at_grid(y_rate, derivative=True)
    squared = np.maximum(x1**2 + y1**2, 1e-12)
    turn = (x1 * y2 - y1 * x2) / squared
    if path is None:  # a smoothed bend is shorter than the driven one
        stretch = np.sqrt(squared) * np.exp(0.5 * np.minimum((turn * sigma) ** 2, 1.0))
    else:
        stretch = np.maximum(at_grid(velocity(path)), 0.2)
    return np.where(np.isnan(x) | np.isnan(y), np.nan, turn / stretch)


def rate_curvature(rate: FloatArray, step: float, *, spacing: float | None = None) -> FloatArray:
    """Smooth a curvature measured directly, such as yaw rate / speed, as its noise demands.

    Parameters
    ----------
    rate : ndarray, shape (n,) or (laps, n)
        Raw curvature on the grid, 1/m, left positive, NaN where unknown.
    step : float
        Grid step, m.
    spacing : float, optional
        Distance between recorded samples, m; by default the grid step.

    Returns
    -------
    ndarray, same shape
        Smoothed curvature, 1/m; NaN where the raw one is.

    Examples
    --------
    >>> float(np.ptp(rate_curvature(np.full(500, 0.01), 1.0)).round(9))
    0.0
    """
    spacing = max(spacing or step, step)
    noise = _noise(rate, round(spacing / step))
    target = _threshold(rate.shape[-1] * step) / 3.0
    # variance of Gaussian-smoothed white noise: spacing noise^2 / (2 sqrt(pi) sigma)
    sigma = spacing / (2.0 * np.sqrt(np.pi)) * (noise / target) ** 2
    sigma = float(np.clip(sigma, max(1.5 * step, 0.6 * spacing), max(MAX_SMOOTHING, 0.6 * spacing)))
    return np.where(np.isnan(rate), np.nan, _smooth(_filled(rate), step, sigma))


def curvatures_of(frames: Sequence[pd.DataFrame]) -> tuple[FloatArray, str]:
    """Curvature of several laps on one grid, from the best channels that all of them have.

    Parameters
    ----------
    frames : sequence of DataFrame
        Frames of whole laps of one session.

    Returns
    -------
    curvature : ndarray, shape (laps, n)
        1/m, left positive, NaN in holes.
    source : str
        "position", "yaw rate", "lateral acceleration" or "none" (then all NaN). Lateral acceleration
        measured in a car on banking holds a part of gravity and gives too small a curvature there.

    Raises
    ------
    FrameError
        If there is no frame, the frames differ in their grids, or have too few rows.

    Examples
    --------
    >>> frame = pd.DataFrame({"yaw_rate": np.full(500, 2 * np.pi * 30 / 500), "speed": 30.0}, index=np.arange(500.0))
    >>> curvature, source = curvatures_of([frame])
    >>> source, curvature.shape, bool(np.allclose(curvature, 2 * np.pi / 500))
    ('yaw rate', (1, 500), True)
    """
    rows = sorted({len(frame) for frame in frames})
    if len(rows) != 1 or rows[0] < 8:
        found = f"frames of {', '.join(map(str, rows))} rows" if rows else "no frame"
        raise FrameError(
            f"Curvature needs frames of whole laps on one grid; found {found}. Pass session.lap(n) frames."
        )

    def get(name: str) -> FloatArray | None:
        if not all(name in frame.columns and frame[name].notna().mean() >= MIN_KNOWN for frame in frames):
            return None
        return np.stack([frame[name].to_numpy(np.float64) for frame in frames])

    place = frames[0].index.to_numpy(np.float64)
    step = float(place[1] - place[0])
    speed, interval = get("speed"), frames[0].attrs.get("sample_interval")
    spacing = float(np.nanquantile(speed, 0.9) * interval) if speed is not None and interval else step
    x, y = get("x"), get("y")
    if x is not None and y is not None:
        return path_curvature(x, y, step, path=get("path"), spacing=spacing), "position"
    if speed is not None:
        moving = np.where(speed > MIN_SPEED, speed, np.nan)
        yaw_rate = get("yaw_rate")
        if yaw_rate is not None:
            # a closed lap turns a whole number of times: what is over is the sensor's offset
            over = np.nansum(yaw_rate / moving, axis=1, keepdims=True) * step
            lap_time = np.nansum(1.0 / moving, axis=1, keepdims=True) * step
            offset = (over - 2.0 * np.pi * np.round(over / (2.0 * np.pi))) / np.maximum(lap_time, 1e-9)
            return rate_curvature((yaw_rate - offset) / moving, step, spacing=spacing), "yaw rate"
        lateral = get("lateral_acceleration")
        if lateral is not None:
            return rate_curvature(lateral / moving**2, step, spacing=spacing), "lateral acceleration"
    return np.full((len(frames), rows[0]), np.nan), "none"


def curvature_of(frame: pd.DataFrame) -> tuple[FloatArray, str]:
    """Curvature of one lap on its grid: `curvatures_of` for a single frame.

    Parameters
    ----------
    frame : DataFrame
        Frame of a whole lap.

    Returns
    -------
    curvature : ndarray, shape (n,)
        1/m, left positive, NaN in holes.
    source : str
        "position", "yaw rate", "lateral acceleration" or "none".

    Raises
    ------
    FrameError
        If the frame has too few rows.

    Examples
    --------
    >>> frame = pd.DataFrame({"lateral_acceleration": np.full(500, 9.0), "speed": 30.0}, index=np.arange(500.0))
    >>> curvature_of(frame)[1]
    'lateral acceleration'
    """
    curvature, source = curvatures_of([frame])
    return curvature[0], source


def combine_curvatures(profiles: FloatArray | Sequence[FloatArray]) -> FloatArray:
    """Median of several laps' curvature at each place, so that one lap's odd line does not move a boundary.

    Parameters
    ----------
    profiles : ndarray, shape (laps, n), or sequence of ndarray of n values
        Curvature on one grid, 1/m, NaN in holes.

    Returns
    -------
    ndarray, shape (n,)
        The median of the laps that have a value; NaN where none has.

    Examples
    --------
    >>> combine_curvatures([np.array([0.0, 0.01]), np.array([0.002, np.nan]), np.array([0.5, 0.03])]).tolist()
    [0.002, 0.02]
    """
    stack = np.sort(np.atleast_2d(np.asarray(profiles, dtype=np.float64)), axis=0)  # NaN last
    count = np.isfinite(stack).sum(axis=0)
    column = np.arange(stack.shape[1])
    low, high = np.maximum(count - 1, 0) // 2, np.minimum(count // 2, len(stack) - 1)
    return np.asarray(0.5 * (stack[low, column] + stack[high, column]))


# ------------------------------------------------------------------------- corners


def _apexes(bend: FloatArray, floor: float, threshold: float, valley_ratio: float) -> list[int]:
    """Indices of the peaks that stay apart: between two of them `bend` falls below `valley_ratio` of the lower.

    Neighbours with too shallow a valley between them are joined, shallowest first, so that the result
    does not depend on the order in which they are met.
    """
    padded = np.concatenate([[floor], np.maximum(bend, floor), [floor]])
    rise = np.diff(padded)
    turning = np.flatnonzero(rise != 0)
    before, after = turning[:-1], turning[1:]
    summit = (rise[before] > 0) & (rise[after] < 0)
    middle = (before[summit] + after[summit] + 1) // 2 - 1  # a flat top counts once, in its middle
    peaks = [int(i) for i in middle if bend[i] >= threshold]
    valleys = [max(float(bend[a:b].min()), floor) for a, b in pairwise(peaks)]
    while valleys:
        depth = [valley / min(bend[a], bend[b]) for valley, (a, b) in zip(valleys, pairwise(peaks), strict=True)]
        worst = int(np.argmax(depth))
        if depth[worst] <= valley_ratio:
            break
        out = worst if bend[peaks[worst]] < bend[peaks[worst + 1]] else worst + 1
        del peaks[out]
        if 0 < out < len(peaks):
            valleys[out - 1 : out + 1] = [min(valleys[out - 1 : out + 1])]
        else:
            del valleys[0 if out == 0 else -1]
    return peaks


def _ends(bend: FloatArray, low: int, high: int, edge: float, step: float) -> tuple[int, int]:
    """Where a corner begins and ends within [low, high): from `edge` its flanks are followed down to zero."""
    inside = low + np.flatnonzero(bend[low:high] >= edge)
    first, last = int(inside[0]), int(inside[-1])
    reach = max(3, round(5.0 / step), (last - first) // 12)  # the slope of a flank is that of the next metres inward
    limit = (last - first) // 4 + 1

    def outward(at: int, inner: int, beyond: FloatArray) -> int:
        rise = (bend[inner] - bend[at]) / max(abs(inner - at), 1)
        run = beyond[: min(int(bend[at] / rise), limit) if rise > 0 else 0]
        crossed = np.flatnonzero(run <= 0)
        return int(crossed[0]) if crossed.size else len(run)

    return (
        first - outward(first, min(first + reach, last), bend[low:first][::-1]),
        last + 1 + outward(last, max(last - reach, first), bend[last + 1 : high]),
    )


def _closed_up(spans: list[tuple[int, int]], profile: FloatArray, reach: int) -> list[tuple[int, int]]:
    """Divide what lies between two corners closer than `reach` points where it is straightest."""
    spans = sorted(spans)
    for k in range(len(spans) - 1):
        (start, end), (next_start, next_end) = spans[k], spans[k + 1]
        if next_start - end < reach:
            low, high = sorted((end, next_start))
            middle = low + int(np.argmin(np.abs(profile[low : high + 1])))
            spans[k], spans[k + 1] = (start, middle), (middle, next_end)
    return spans


def _row(profile: FloatArray, start: int, end: int, step: float, length: float) -> tuple[Any, ...]:
    bend = np.abs(profile[start:end])
    width = max(1, bend.size // 5)  # the tightest fifth of a corner, not its noisiest point
    run = np.convolve(bend, np.full(width, 1.0 / width), mode="same")
    peak = int(np.argmax(run))
    lower = np.flatnonzero(run < 0.95 * run[peak])
    left, right = lower[lower < peak], lower[lower > peak]
    first, last = (left[-1] + 1 if left.size else 0), (right[0] - 1 if right.size else bend.size - 1)
    apex = start + int(first + last) // 2
    direction = "left" if profile[start:end].sum() > 0 else "right"
    return start * step, apex * step, min(end * step, length), direction, float(1.0 / np.quantile(bend, 0.95))


def _table(rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    columns = zip(*rows, strict=True) if rows else ((),) * 5
    start, apex, end, direction, radius = (list(column) for column in columns)
    return pd.DataFrame(
        {
            "corner": pd.Series([str(k + 1) for k in range(len(start))], dtype=object),
            "start_distance": np.array(start, dtype=np.float64),
            "apex_distance": np.array(apex, dtype=np.float64),
            "end_distance": np.array(end, dtype=np.float64),
            "direction": pd.Series(direction, dtype=object),
            "radius": np.array(radius, dtype=np.float64),
        }
    )


def find_corners(
    curvature: FloatArray,
    step: float,
    *,
    track_length: float | None = None,
    min_turn: float = MIN_TURN,
    max_radius: float = MAX_RADIUS,
    scale_ratio: float = SCALE_RATIO,
    valley_ratio: float = VALLEY_RATIO,
    edge_ratio: float = EDGE_RATIO,
    min_straight: float = MIN_STRAIGHT,
) -> pd.DataFrame:
    """Find the corners of a closed lap from its curvature.

    Parameters
    ----------
    curvature : ndarray, shape (n,)
        1/m at ``k * step`` round a closed lap, left positive. NaN is bridged from both sides.
    step : float
        Grid step, m.
    track_length : float, optional
        Length of the lap, m; by default ``n * step``. Nothing ends beyond it.
    min_turn : float
        A corner turns the car at least this much, rad.
    max_radius : float
        Nothing wider is a corner, m.
    scale_ratio : float
        A corner's curvature reaches this share of 2 pi / track_length.
    valley_ratio : float
        Two apexes in one direction are two corners where curvature between them falls below this
        share of the lower one; else a double-apex corner.
    edge_ratio : float
        Share of the peak from which a corner's ends are followed down to zero curvature.
    min_straight : float
        A shorter stretch between two corners is divided where it is straightest, m.

    Returns
    -------
    DataFrame
        One row a corner in driving order: corner ("1", "2", ... from the line), start_distance,
        apex_distance, end_distance (m, on the grid, half-open), direction ("left" or "right"), radius
        (m, at the tightest). A corner that contains the start/finish line is two corners, the lap's
        last and its first, so that every corner is an interval of one lap; a part that turns less
        than `min_turn` is left out.

    Examples
    --------
    >>> lap = np.zeros(1000)
    >>> lap[200:400], lap[700:900] = np.pi / 200, np.pi / 200
    >>> find_corners(lap, 1.0)[["corner", "start_distance", "end_distance", "direction"]].values.tolist()
    [['1', 200.0, 400.0, 'left'], ['2', 700.0, 900.0, 'left']]
    """
    n = len(curvature)
    length = n * step if track_length is None else track_length
    if n < 8 or not np.isfinite(curvature).any():
        return _table([])
    threshold = _threshold(length, scale_ratio, max_radius)
    profile = _filled(curvature)
    shift = int(np.argmin(np.abs(profile)))  # seen from the middle of a straight, no corner wraps
    rolled = np.roll(profile, -shift)
    spans: list[tuple[int, int]] = []
    for sign in (1.0, -1.0):
        bend = sign * rolled
        peaks = _apexes(bend, valley_ratio * threshold, threshold, valley_ratio)
        cuts = [0, *(a + int(np.argmin(bend[a:b])) for a, b in pairwise(peaks)), n]
        for peak, (low, high) in zip(peaks, pairwise(cuts), strict=False):
            spans.append(_ends(bend, low, high, max(edge_ratio * float(bend[peak]), threshold), step))
    spans = [(a, b) for a, b in spans if abs(rolled[a:b].sum()) * step >= min_turn]
    parts: list[tuple[int, int]] = []
    for start, end in _closed_up(spans, rolled, round(min_straight / step)):
        start, end = start + shift, end + shift
        if start < n < end:
            parts += [(start, n), (0, end - n)]
        else:
            parts.append((start % n, end - n if start >= n else end))
    kept = [(a, b) for a, b in sorted(parts) if abs(profile[a:b].sum()) * step >= min_turn]
    return _table([_row(profile, a, b, step, length) for a, b in kept])


def segments_of(corners: pd.DataFrame, track_length: float) -> pd.DataFrame:
    """Divide a lap into its corners and the straights between them.

    Parameters
    ----------
    corners : DataFrame
        With corner, start_distance, end_distance (m), in driving order.
    track_length : float
        Length of the lap, m.

    Returns
    -------
    DataFrame
        segment ("straight before corner 1", "corner 1", "straight after corner 1", ...), start_distance,
        end_distance: half-open, together the whole lap. Without corners, ten equal parts.

    Examples
    --------
    >>> table = pd.DataFrame({"corner": ["1"], "start_distance": [100.0], "end_distance": [180.0]})
    >>> segments_of(table, 300.0)["segment"].tolist()
    ['straight before corner 1', 'corner 1', 'straight after corner 1']
    """
    names: list[str] = []
    edges = [0.0]
    before = ""
    for name, start, end in zip(corners["corner"], corners["start_distance"], corners["end_distance"], strict=True):
        start, end = max(float(start), edges[-1]), min(float(end), track_length)
        if start > edges[-1]:
            names.append(f"straight after corner {before}" if names else f"straight before corner {name}")
            edges.append(start)
        if end > edges[-1]:
            names.append(f"corner {name}")
            edges.append(end)
        before = name
    if not names:
        names = [f"part {k} of 10" for k in range(1, 11)]
        edges = [k * track_length / 10 for k in range(11)]
    elif edges[-1] < track_length:
        names.append(f"straight after corner {before}")
        edges.append(track_length)
    return pd.DataFrame({"segment": names, "start_distance": edges[:-1], "end_distance": edges[1:]})
