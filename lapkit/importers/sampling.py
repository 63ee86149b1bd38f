"""Channels sampled more slowly than the table's rows: blanks between samples, and values held."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

# Channels that move smoothly, so that a value held for several rows is a slow sensor.
CONTINUOUS = {
    "x", "y", "z", "latitude", "longitude", "speed", "lateral_velocity", "heading", "course", "yaw_rate", "roll_rate",
    "pitch_rate", "longitudinal_acceleration", "lateral_acceleration", "vertical_acceleration", "steering",
    "road_wheel_angle", "curvature", "odometer", "lap_distance", "roll", "pitch",
    "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr",
}  # fmt: skip


def fill_blanks(time: FloatArray, values: FloatArray, *, max_gap: float, discrete: bool = False) -> int:
    """Fill blanks between a channel's own samples, in place.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Strictly increasing, s.
    values : ndarray, shape (n,)
        The channel, NaN where blank; filled in place.
    max_gap : float
        Longest interval between two samples that is filled, s.
    discrete : bool
        Take the previous sample, however old, in place of a line between two.

    Returns
    -------
    int
        How many blanks were filled.

    Examples
    --------
    >>> v = np.array([0.0, np.nan, 2.0, np.nan])
    >>> fill_blanks(np.array([0.0, 0.5, 1.0, 1.5]), v, max_gap=1.0), v.tolist()
    (1, [0.0, 1.0, 2.0, nan])
    """
    have = np.flatnonzero(np.isfinite(values))
    blank = np.flatnonzero(~np.isfinite(values))
    if have.size == 0 or blank.size == 0:
        return 0
    after = np.searchsorted(have, blank)
    inside = after > 0 if discrete else (after > 0) & (after < have.size)
    blank, after = blank[inside], after[inside]
    before = have[after - 1]
    if discrete:
        values[blank] = values[before]
        return int(blank.size)
    next_ = have[after]
    near = time[next_] - time[before] <= max_gap
    blank, before, next_ = blank[near], before[near], next_[near]
    share = (time[blank] - time[before]) / (time[next_] - time[before])
    values[blank] = values[before] + share * (values[next_] - values[before])
    return int(blank.size)


def hold_length(values: FloatArray, *, screen: int = 4096, changes: int = 20, regular: float = 0.95) -> int:
    """Rows for which a slow sensor's value is held; 1 where it is not.

    Only a stretch of `screen` rows in the middle is looked at. A channel is held if its values
    change only every m-th row, at the same phase but for a lost row here and there, at least
    `changes` times and mostly after m rows exactly; or, where the rates do not divide, always after
    m or m + 1 rows, which counts as m + 1.

    Examples
    --------
    >>> slow = np.repeat(np.sin(np.arange(200.0)), 5)
    >>> hold_length(slow), hold_length(np.sin(np.arange(1000.0)))
    (5, 1)

    25 samples a second in a table of 60 rows a second:

    >>> hold_length(np.sin(np.floor(np.arange(1000.0) * 25 / 60)))
    3
    """
    start = max(0, (len(values) - screen) // 2)
    window = values[start : start + screen]
    changed = np.flatnonzero(window[1:] != window[:-1])
    if changed.size < changes or 2 * changed.size > len(window):
        return 1
    apart = np.diff(changed)
    held = int(np.bincount(apart).argmax())
    if held < 2:
        return 1
    if (apart == held).mean() > 0.5 and (apart % held == 0).mean() > regular:
        return held
    pairs = [(held - 1, held)] * (held > 2) + [(held, held + 1)]
    return next((pair[1] for pair in pairs if np.isin(apart, pair).mean() > regular), 1)


def release_holds(time: FloatArray, values: FloatArray, held: int, *, max_gap: float) -> int:
    """Keep the first row of each hold and interpolate between them, in place.

    Parameters
    ----------
    time, values : ndarray, shape (n,)
        Clock and channel; the channel is changed in place.
    held : int
        Rows for which each value is held, at most.
    max_gap : float
        Longest interval between two kept rows that is interpolated, s; beyond it the hold stays.

    Returns
    -------
    int
        How many values were interpolated.

    Examples
    --------
    >>> v = np.array([0.0, 0.0, 2.0, 2.0, 4.0, 4.0])
    >>> release_holds(np.arange(6.0), v, 2, max_gap=5.0), v.tolist()
    (2, [0.0, 1.0, 2.0, 3.0, 4.0, 4.0])
    """
    row = np.arange(len(values))
    changed = np.concatenate(([False], values[1:] != values[:-1]))
    first = int(np.argmax(changed)) if changed.any() else 0
    last_change = np.maximum.accumulate(np.where(changed, row, first % held))
    kept = changed | ((row - last_change) % held == 0)
    loose = np.where(kept, values, np.nan)
    count = fill_blanks(time, loose, max_gap=max_gap)
    np.copyto(values, loose, where=np.isfinite(loose))
    return count
