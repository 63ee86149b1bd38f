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
    "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr", "throttle", "brake", "brake_pressure",
    "engine_speed",
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


def hold_length(
    values: FloatArray, *, screen: int = 4096, changes: int = 30, regular: float = 0.95, slowest: int = 256
) -> int:
    """Rows for which a slow sensor's value is held; 1 where it is not.

    A channel is held for m rows if its values change only every m-th row, or after some multiple of
    that where they stay the same, so that all changes have one phase: a channel sampled in every row
    changes at any. Where the rates do not divide, values without flat stretches always change after
    m - 1 or m rows.

    Parameters
    ----------
    values : ndarray, shape (n,)
        The channel.
    screen : int
        Rows in the middle that are looked at first; all, where too little changes there.
    changes : int
        Fewest changes that show a phase: as many by chance at one of two phases are one in 2**29.
    regular : float
        Share of the changes that keep the phase of the change before; rows are lost here and there.
    slowest : int
        Longest hold that is looked for, rows.

    Returns
    -------
    int

    Examples
    --------
    >>> slow = np.repeat(np.sin(np.arange(200.0)), 5)
    >>> hold_length(slow), hold_length(np.sin(np.arange(1000.0)))
    (5, 1)

    Flat at its highest most of the time, as a throttle is:

    >>> hold_length(np.minimum(slow, 0.5)), hold_length(np.minimum(np.sin(np.arange(1000.0) / 20), 0.5))
    (5, 1)

    25 samples a second in a table of 60 rows a second:

    >>> hold_length(np.sin(np.floor(np.arange(1000.0) * 25 / 60)))
    3
    """
    start = max(0, (len(values) - screen) // 2)
    window = values[start : start + screen]
    changed = np.flatnonzero(window[1:] != window[:-1])
    if changed.size <= changes and len(values) > screen:
        window = values
        changed = np.flatnonzero(window[1:] != window[:-1])
    if changed.size <= changes or changed.size > 0.6 * len(window):
        return 1
    apart = np.diff(changed)
    if np.count_nonzero(apart == 1) > (1 - regular) * apart.size or np.unique(window[changed]).size < 3:
        return 1  # a change in every row, or a switch, which has nothing between its two states
    count = np.bincount(apart)
    most = int(np.argmax(np.cumsum(count) > (1 - regular) * apart.size))
    for held in range(min(most, slowest), 1, -1):
        if count[::held].sum() > regular * apart.size:
            return held
    return most + 1 if count[most : most + 2].sum() > regular * apart.size else 1


def release_holds(time: FloatArray, values: FloatArray, held: int, *, max_gap: float) -> int:
    """Keep each value where it stands first, and its last `held` rows let lead to the next, in place.

    A value that stays the same for longer, several samples of the slow sensor, stays the same.

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

    >>> v = np.array([9.0, 9.0, 9.0, 9.0, 9.0, 9.0, 6.0, 6.0])
    >>> release_holds(np.arange(8.0), v, 2, max_gap=5.0), v.tolist()
    (1, [9.0, 9.0, 9.0, 9.0, 9.0, 7.5, 6.0, 6.0])
    """
    row = np.arange(len(values))
    changed = np.concatenate(([False], values[1:] != values[:-1]))
    next_change = np.minimum.accumulate(np.where(changed, row, 2 * len(values))[::-1])[::-1]
    next_change = np.concatenate((next_change[1:], [2 * len(values)]))
    kept = changed | (next_change - row >= held)
    loose = np.where(kept, values, np.nan)
    count = fill_blanks(time, loose, max_gap=max_gap)
    np.copyto(values, loose, where=np.isfinite(loose))
    return count


def there_and_back(
    time: FloatArray,
    *values: FloatArray,
    fastest: float,
    slack: float,
    longest: int = 10,
    within: float = np.inf,
) -> NDArray[np.intp]:
    """Rows at which values leap away and come back.

    A leap is farther than `slack` and than `fastest` a second; coming back is landing within as much
    of where they left.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Strictly increasing, s.
    *values : ndarray, shape (n,)
        One channel, or the axes of a position; may hold blanks.
    fastest : float
        Fastest change, units a second.
    slack : float
        Change that is possible in any time.
    longest : int
        Most samples in a row that are away.
    within : float
        Longest time away, s.

    Returns
    -------
    ndarray of int

    Examples
    --------
    >>> there_and_back(np.arange(5.0), np.array([0.0, 1, 99, 3, 4]), fastest=2.0, slack=5.0)
    array([2])
    """
    have = None
    if not np.isfinite(sum(float(axis.sum()) for axis in values)):
        have = np.flatnonzero(np.logical_and.reduce([np.isfinite(axis) for axis in values]))
        time, values = time[have], tuple(axis[have] for axis in values)

    def apart(start: slice | NDArray[np.intp], end: slice | NDArray[np.intp]) -> FloatArray:
        steps = [axis[end] - axis[start] for axis in values]
        return np.abs(steps[0]) if len(steps) == 1 else np.hypot(*steps)

    step = apart(slice(None, -1), slice(1, None))
    leap = np.flatnonzero(step > slack)
    leap = leap[step[leap] > slack + fastest * (time[leap + 1] - time[leap])]
    if leap.size < 2:
        return np.empty(0, dtype=np.intp)
    leave, back = leap[:-1], leap[1:] + 1
    astray = apart(leave, back)
    near = astray <= slack + fastest * (time[back] - time[leave])
    near &= astray < np.minimum(step[leap[:-1]], step[leap[1:]])
    near &= (back - leave <= longest + 1) & (time[back] - time[leave] <= within)
    near[1:] &= ~near[:-1]
    rows = [np.arange(i + 1, j) for i, j in zip(leave[near], back[near], strict=True)]
    if not rows:
        return np.empty(0, dtype=np.intp)
    found = np.concatenate(rows)
    return found if have is None else have[found]
