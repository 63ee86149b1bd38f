"""Curvature of laps, from whatever channels there are, as smooth as its noise demands.

A lap is closed, so its curvature is a periodic function on the distance grid.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.given import frames_given
from lapkit.model.noise import white_noise

ComplexArray = NDArray[np.complex128]

MAX_RADIUS = 1500.0
"""m. Nothing wider is a corner, however long the lap (common practice, no source)."""
SCALE_RATIO = 0.3
"""A corner turns at least this share of the mean rate of one full turn a lap, 2 pi / length (tuned on invented tracks)."""
MAX_SMOOTHING = 15.0
"""m. Longest smoothing of curvature: more would hide a hairpin."""
MIN_SPEED = 3.0
"""m/s. Slower than this, yaw rate / speed and lateral acceleration / speed^2 say nothing."""
QUIET_SHARE = 0.3
"""Share of a lap that may be taken for quiet when its noise is told: straights and steady bends (chosen)."""
MIN_KNOWN = 0.8
"""A channel serves where at least this share of the lap has a value."""
MIN_ROWS = 8
"""Places round a lap that a curvature can be told from (chosen)."""
DOUBTFUL = 1.0
"""Noise of curvature from which position is doubted, as a share of the third of a corner it is smoothed down to (chosen)."""
_SECOND_DERIVATIVE = 3.0 / (8.0 * np.sqrt(np.pi))
"""Variance of the second derivative of Gaussian-smoothed white noise, for 1 / spacing, noise and smoothing**5 of 1."""


def least_curvature(length: float, scale_ratio: float = SCALE_RATIO, max_radius: float = MAX_RADIUS) -> float:
    """Curvature (1/m) from which a bend of a lap of `length` metres may be a corner.

    Raises
    ------
    FrameError
        If there is no such lap.

    Examples
    --------
    >>> round(1 / least_curvature(1200.0)), round(1 / least_curvature(20_000.0))
    (637, 1500)
    """
    if not length > 0:
        raise FrameError(f"a lap of {length!r} m has no curvature; give a step and a length in metres above zero.")
    return max(scale_ratio * 2.0 * np.pi / length, 1.0 / max_radius)


def fill_round(values: FloatArray) -> FloatArray:
    """Fill NaN linearly round the lap, along the last axis; a row of NaN stays.

    Examples
    --------
    >>> fill_round(np.array([np.nan, 1.0, np.nan, 3.0])).tolist()
    [2.0, 1.0, 2.0, 3.0]
    """
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
    spectrum: ComplexArray, n: int, step: float, sigma: float, *, shift: float = 0.0, derivative: bool = False
) -> FloatArray:
    """Gaussian smoothing round the lap, along the last axis, with an optional derivative.

    `spectrum` is the real Fourier transform of n values; `sigma` (m) is the standard deviation; `shift` (m) is where
    the values lie past their grid point.
    """
    wave = 2.0 * np.pi * np.fft.rfftfreq(n, step)
    response = np.exp(-0.5 * (wave * sigma) ** 2 - 1j * wave * shift)
    if derivative:
        response = response * 1j * wave
    return np.fft.irfft(spectrum * response, n)


def _target(values: FloatArray, step: float) -> float:
    """Noise of curvature to smooth down to: a third of what counts as a corner; FrameError where there is no lap."""
    count = values.shape[-1] if values.ndim else 0
    if count < MIN_ROWS:
        raise FrameError(f"curvature needs at least {MIN_ROWS} places round a lap; found {count}.")
    return least_curvature(count * step) / 3.0


def _quiet(
    make: Callable[[float, slice], FloatArray], laps: int, sigma: float, step: float, limits: tuple[float, float]
) -> FloatArray:
    """Smooth with `sigma` (m) and go on while the result is noisier than a third of what counts as a corner.

    What is left of noise shows from one smoothing length to the next, white or not; a few laps tell.
    """
    sigma = float(np.clip(sigma, *limits))
    for _ in range(4):
        some = make(sigma, slice(0, 3))
        over = white_noise(some, stride=round(2.5 * sigma / step), share=QUIET_SHARE) / _target(some, step)
        if over <= 1.0 or sigma >= limits[1]:
            return some if laps == len(some) else make(sigma, slice(None))
        sigma = min(sigma * max(over**0.4, 1.1), limits[1])
    return make(sigma, slice(None))


def path_curvature(
    x: FloatArray,
    y: FloatArray,
    step: float,
    *,
    path: FloatArray | None = None,
    spacing: float | None = None,
    noise: float = 0.0,
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
    noise : float
        Noise of x and of y known to be in it, m for one value each `spacing`, where smoothing has made it too smooth to be
        measured.
    max_smoothing : float
        Longest smoothing, m.

    Returns
    -------
    ndarray, same shape
        Curvature, 1/m, left positive; NaN where the position is.

    Raises
    ------
    FrameError
        If there are fewer than `MIN_ROWS` places, or the step is no distance.

    Examples
    --------
    >>> angle = 2 * np.pi * np.arange(628) / 628
    >>> curvature = path_curvature(100 * np.cos(angle), 100 * np.sin(angle), 2 * np.pi * 100 / 628)
    >>> bool(np.allclose(curvature, 0.01, rtol=1e-3))
    True
    """
    target = _target(x, step)
    spacing = max(spacing or step, step)
    stride = round(spacing / step)
    seen = np.sqrt(0.5 * sum(white_noise(np.atleast_2d(v)[:3], stride=stride, share=QUIET_SHARE) ** 2 for v in (x, y)))
    sigma = (_SECOND_DERIVATIVE * spacing * (max(seen, noise) / target) ** 2) ** 0.2
    # a chain of straight pieces between samples shows as ripple unless smoothed over 0.6 of a piece (ripple < 0.1 %)
    limits = (max(1.5 * step, 0.6 * spacing), max(max_smoothing, 0.6 * spacing, 1.5 * step))

    def velocity(values: FloatArray) -> FloatArray:
        # from each grid point to the next; the last, across the line, is filled from its neighbours
        rate = np.diff(values, axis=-1, append=np.nan) / step
        rate[..., -1] = 0.5 * (rate[..., -2] + rate[..., 0])
        return fill_round(rate)

    n = x.shape[-1]
    x_rate, y_rate = (np.atleast_2d(np.fft.rfft(velocity(values))) for values in (x, y))
    path_rate = None if path is None else np.atleast_2d(np.fft.rfft(velocity(path)))

    def make(sigma: float, rows: slice) -> FloatArray:
        x1, y1 = (_smooth(rate[rows], n, step, sigma, shift=0.5 * step) for rate in (x_rate, y_rate))
        x2, y2 = (_smooth(rate[rows], n, step, sigma, shift=0.5 * step, derivative=True) for rate in (x_rate, y_rate))
        squared = np.maximum(x1**2 + y1**2, 1e-12)
        turn = (x1 * y2 - y1 * x2) / squared
        if path_rate is None:  # a smoothed bend is shorter than the driven one
            return np.asarray(turn / np.sqrt(squared) * np.exp(-0.5 * np.minimum((turn * sigma) ** 2, 1.0)))
        return np.asarray(turn / np.maximum(_smooth(path_rate[rows], n, step, sigma, shift=0.5 * step), 0.2))

    curvature = _quiet(make, len(x_rate), sigma, step, limits).reshape(x.shape)
    return np.where(np.isnan(x) | np.isnan(y), np.nan, curvature)


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

    Raises
    ------
    FrameError
        If there are fewer than `MIN_ROWS` places, or the step is no distance.

    Examples
    --------
    >>> float(np.ptp(rate_curvature(np.full(500, 0.01), 1.0)).round(9))
    0.0
    """
    target = _target(rate, step)
    spacing = max(spacing or step, step)
    noise = white_noise(np.atleast_2d(rate)[:3], stride=round(spacing / step), share=QUIET_SHARE)
    # variance of Gaussian-smoothed white noise: spacing noise^2 / (2 sqrt(pi) sigma)
    sigma = spacing / (2.0 * np.sqrt(np.pi)) * (noise / target) ** 2
    limits = (max(1.5 * step, 0.6 * spacing), max(MAX_SMOOTHING, 0.6 * spacing, 1.5 * step))
    n, spectrum = rate.shape[-1], np.atleast_2d(np.fft.rfft(fill_round(rate)))
    curvature = _quiet(lambda sigma, rows: _smooth(spectrum[rows], n, step, sigma), len(spectrum), sigma, step, limits)
    return np.where(np.isnan(rate), np.nan, curvature.reshape(rate.shape))


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
    frames = frames_given(frames, "curvatures_of", none=True)
    rows = sorted({len(frame) for frame in frames})
    if len(rows) != 1 or rows[0] < MIN_ROWS:
        found = f"frames of {', '.join(map(str, rows))} rows" if rows else "no frame"
        raise FrameError(
            f"Curvature needs frames of whole laps on one grid; found {found}. Pass session.lap(n) frames."
        )

    def get(name: str) -> FloatArray | None:
        if not all(name in frame.columns for frame in frames):
            return None
        block = np.stack([frame[name].to_numpy(np.float64, na_value=np.nan) for frame in frames])
        return block if (np.isfinite(block).mean(axis=1) >= MIN_KNOWN).all() else None

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
            time = get("time")  # the turn is counted over time: a lap on a longer line takes more metres than the grid
            interval_here = np.gradient(time, axis=1) if time is not None else step / moving
            over = np.nansum(yaw_rate * interval_here, axis=1, keepdims=True)
            lap_time = np.nansum(interval_here, axis=1, keepdims=True)
            offset = (over - 2.0 * np.pi * np.round(over / (2.0 * np.pi))) / np.maximum(lap_time, 1e-9)
            return rate_curvature((yaw_rate - offset) / moving, step, spacing=spacing), "yaw rate"
        lateral = get("lateral_acceleration")
        if lateral is not None:
            return rate_curvature(lateral / moving**2, step, spacing=spacing), "lateral acceleration"
    return np.full((len(frames), rows[0]), np.nan), "none"


def doubt(curvature: FloatArray, step: float, *, noise: float = 0.0, spacing: float | None = None) -> float:
    """Say how noisy the curvature of one lap is, as a share of the third of a corner it is smoothed down to.

    Parameters
    ----------
    curvature : ndarray, shape (laps, n)
        1/m on one grid, as `curvatures_of` gives it. How far laps differ at the same place is their noise.
    step : float
        Grid step, m.
    noise : float
        White noise of x and y, m: all there is to go by for a single lap.
    spacing : float, optional
        Distance between recorded samples, m; by default the grid step.

    Returns
    -------
    float
        From 1 on, noise alone may look like a corner.

    Raises
    ------
    FrameError
        If there are fewer than `MIN_ROWS` places, or the step is no distance.

    Examples
    --------
    >>> doubt(np.full((3, 900), 0.01), 1.0), round(doubt(np.full((1, 900), 0.01), 1.0, noise=1.0, spacing=4.0), 1)
    (0.0, 1.5)
    """
    target = _target(curvature, step)
    if len(curvature) > 1:
        known = curvature[:, np.isfinite(curvature).all(axis=0)]
        # the median place: lines driven differently show where the track bends, noise shows everywhere
        return float(np.sqrt(np.median(known.var(axis=0, ddof=1))) / target) if known.size else np.inf
    return float(np.sqrt(_SECOND_DERIVATIVE * (spacing or step) * noise**2 / MAX_SMOOTHING**5) / target)


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
