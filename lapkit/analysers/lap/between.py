"""Between samples: where a ramp begins, how low a minimum goes, how noisy a channel is.

Everything here works on plain arrays, all events at once.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray

IntArray = NDArray[np.intp]


def runs(inside: NDArray[np.bool_]) -> tuple[IntArray, IntArray]:
    """Return the first index of each run of True and the index after its last.

    Examples
    --------
    >>> runs(np.array([False, True, True, False, True]))
    (array([1, 4]), array([3, 5]))
    """
    edge = np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8))
    return np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)


def over_runs(how: np.ufunc, values: FloatArray, start: IntArray, end: IntArray) -> FloatArray:
    """Reduce `values` over each half-open run [start, end); runs may not be empty.

    Examples
    --------
    >>> over_runs(np.minimum, np.array([3.0, 1.0, 2.0, 5.0]), np.array([0, 2]), np.array([2, 4])).tolist()
    [1.0, 2.0]
    """
    if not start.size:
        return np.empty(0)
    padded = np.append(values, values[-1])  # reduceat takes no index behind the last value
    reduced = how.reduceat(padded, np.stack([start, end], axis=1).ravel())
    return np.asarray(reduced[::2], dtype=np.float64)


def spread(start: IntArray, end: IntArray) -> IntArray:
    """Return all indices in half-open runs, one run after the other.

    Examples
    --------
    >>> spread(np.array([1, 7]), np.array([3, 10])).tolist()
    [1, 2, 7, 8, 9]
    """
    size = end - start
    return np.repeat(start - np.concatenate([[0], np.cumsum(size)[:-1]]), size) + np.arange(int(size.sum()))


def quantile(values: FloatArray, share: float) -> FloatArray:
    """Quantile along the last axis, between values: that of NumPy without the tenth of a millisecond it takes to begin.

    Examples
    --------
    >>> quantile(np.array([[4.0, 1.0, 2.0], [0.0, 0.0, 9.0]]), 0.75).tolist()
    [3.0, 4.5]
    """
    ordered = np.sort(values, axis=-1)
    rank = share * (values.shape[-1] - 1)
    before = min(int(rank), max(values.shape[-1] - 2, 0))
    low, high, part = ordered[..., before], ordered[..., min(before + 1, values.shape[-1] - 1)], rank - before
    return np.asarray(high - (high - low) * (1.0 - part) if part >= 0.5 else low + (high - low) * part)


def ramp_start(
    time: FloatArray,
    depth: FloatArray,
    first: IntArray,
    last: IntArray,
    *,
    edge: float = 0.0,
    noise: float = 0.0,
    interval: float,
    resampled: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Find when ramps begin, between samples.

    A pedal stands still, then moves in a ramp that begins somewhere between two samples. A straight
    line between those two samples puts the beginning too early by up to a sample. The ramp's own first
    samples say more: the line through them is followed back to where it meets `edge`, and taken where that
    lies between the samples in question. Where it does not, the ramp was over within two samples, and
    all that is known is used: it began after the last still sample and was steeper than what was seen.

    Parameters
    ----------
    time, depth : ndarray, shape (n,)
        Sample times (s, increasing) and how far the pedal is from where it stood (>= 0, up to noise).
    first, last : ndarray of int, shape (events,)
        First sample seen in each ramp, and the last that may be used, ``first >= 1``, ``last >= first``.
    edge : float
        Depth at which the ramp is said to begin.
    noise : float
        Noise of depth (1 sigma), quantisation included.
    interval : float
        Usual time between samples, s.
    resampled : bool
        Whether the rows were interpolated between samples, as those of a lap frame are.

    Returns
    -------
    start, uncertainty : ndarray, shape (events,)
        Time (s) and its standard uncertainty (s).

    Examples
    --------
    A ramp from 0.43 s, 5 a second, sampled at 10 Hz:

    >>> time = np.arange(10) / 10
    >>> depth = np.clip((time - 0.43) * 5, 0, 1)
    >>> start, _ = ramp_start(time, depth, np.array([5]), np.array([8]), interval=0.1)
    >>> round(float(start[0]), 6)
    0.43
    """
    reach = int(np.clip(0.5 / interval, 4, 60))
    last = np.maximum(last, first)
    for _ in range(3):  # samples that have moved clear of the noise belong to the ramp, however little
        moved = (
            (first >= 2)
            & (depth[first - 1] > edge + 4.0 * noise + 1e-6)
            & (time[first] - time[first - 1] < 2.0 * interval)
        )
        first = first - moved
    before, still = time[first - 1], np.maximum(depth[first - 1], 0.0)
    # rows between samples: the first piece of the ramp is part standstill, so it is left out
    fit = np.clip(np.searchsorted(time, time[first] + interval), first, last) if resampled else first
    latest = time[first] + (interval if resampled else 0.0)
    # a line through the fewest samples that stand clear of the noise: more would run into the ramp's end
    at = fit[:, None] + np.arange(reach + 1)
    allowed = at <= last[:, None]
    at = np.minimum(at, len(time) - 1)
    rise = np.where(allowed, depth[at] - depth[fit][:, None], -np.inf)
    rise[:, 0] = -np.inf
    needed = np.maximum(max(30.0 * noise, 1e-9), 0.0 * fit if resampled else 0.5 * (depth[fit] - edge))
    enough = rise >= needed[:, None]
    most = np.where(enough.any(axis=1), np.argmax(enough, axis=1), np.argmax(rise, axis=1))
    event = np.arange(first.size)
    gained = rise[event, most]
    used = allowed & (np.arange(reach + 1) <= most[:, None])
    count = used.sum(axis=1)
    t_mean = np.where(used, time[at], 0.0).sum(axis=1) / count
    y_mean = np.where(used, depth[at], 0.0).sum(axis=1) / count
    t_off = np.where(used, time[at] - t_mean[:, None], 0.0)
    t_square = np.maximum((t_off**2).sum(axis=1), 1e-18)
    slope = (t_off * np.where(used, depth[at], 0.0)).sum(axis=1) / t_square
    # a line that hardly falls is the bottom, not the ramp
    usable = (slope > 0) & (gained > 2.0 * noise) & (resampled | (gained >= 0.49 * (depth[fit] - edge)))
    slope = np.where(usable, slope, 1.0)
    line = t_mean - (y_mean - edge) / slope
    blur = noise / slope * np.sqrt(1.0 / count + (line - t_mean) ** 2 / t_square)
    # the sample before may lie on the ramp already: then the ramp began before it
    earliest = before - np.maximum(still - edge, 0.0) / slope
    slack = 3.0 * blur + 5.0 * noise / slope + 1e-9
    taken = usable & (line >= earliest - slack) & (line <= latest + slack)
    # where the second sample may lie past the ramp's end, the ramp may be steeper than it looks
    end = fit + most
    beyond = depth[np.minimum(end + 1, len(time) - 1)] - depth[end]
    unsure = np.where((beyond < 0.5 * gained) & (most == 1), 0.25 * (time[fit] - line), 0.0)
    # steep ramps: a share of the drop lies behind the first sample, the rest before the next; the ramp took any time
    # from none to what keeps each part within its interval
    drop = np.where(np.isfinite(rise[:, 1]), np.maximum(rise[:, 1], 0.0), 0.0)
    share = depth[fit] / np.maximum(depth[fit] + drop, 1e-9)
    part = 1.0 if resampled else share / np.maximum(share, 1.0 - share)
    half = 0.5 * (latest - before) * part
    start = np.where(taken, np.minimum(line, latest), latest - half)
    sigma = np.where(taken, np.hypot(blur, unsure), half / np.sqrt(3.0))
    return start, np.hypot(sigma, 0.1 * interval)  # a tenth of a sample, because pedals do not move in straight lines


def ramp_end(
    time: FloatArray,
    depth: FloatArray,
    first: IntArray,
    last: IntArray,
    *,
    edge: float = 0.0,
    noise: float = 0.0,
    interval: float,
    resampled: bool = False,
) -> tuple[FloatArray, FloatArray]:
    """Find when ramps end: `ramp_start` with time running backward.

    `last` is the last sample seen in each ramp, ``last <= n - 2``, and `first` the earliest that may be used.

    Examples
    --------
    >>> time = np.arange(10) / 10
    >>> depth = np.clip((0.57 - time) * 5, 0, 1)
    >>> end, _ = ramp_end(time, depth, np.array([2]), np.array([5]), interval=0.1)
    >>> round(float(end[0]), 6)
    0.57
    """
    top = len(time) - 1
    end, sigma = ramp_start(
        -time[::-1],
        depth[::-1],
        top - last,
        top - first,
        edge=edge,
        noise=noise,
        interval=interval,
        resampled=resampled,
    )
    return -end, sigma
