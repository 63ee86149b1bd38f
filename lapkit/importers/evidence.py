"""How the car moved, read off its position or speed: the evidence units and signs are decided by.

Everything is taken over windows of about a second, from one point of a regular grid of times to
the next but one: long enough for the noise of a position, short enough for a corner.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


class Windows:
    """Movement over windows of time.

    Parameters
    ----------
    time : ndarray, shape (n,)
        Strictly increasing, s.
    x, y : ndarray, shape (n,), or None
        Position in metres, NaN where unknown.
    window : float
        Length of a window, s; shorter for very short recordings, longer for slow ones.
    slowest : float
        Speed below which a window does not count as moving, m/s.
    enough : int
        Samples a window that are enough for evidence; faster channels are thinned out.

    Attributes
    ----------
    speed : ndarray, shape (m - 2,)
        Chord of the path over time for each window, m/s; NaN without position.
    direction : ndarray, shape (m - 2,)
        Direction of travel, anticlockwise from x, rad.
    turn : ndarray, shape (m - 4,)
        Rate of turn of the path, positive to the left, rad/s.
    moving : ndarray of bool, shape (m - 2,)
        Windows in which the car moved.

    Examples
    --------
    >>> t = np.linspace(0.0, 60.0, 1201)
    >>> circle = Windows(t, 100 * np.cos(0.4 * t), 100 * np.sin(0.4 * t))
    >>> round(float(np.median(circle.speed)), 1), round(float(np.median(circle.turn)), 3)
    (39.7, 0.4)
    """

    def __init__(
        self,
        time: FloatArray,
        x: FloatArray | None = None,
        y: FloatArray | None = None,
        *,
        window: float = 1.0,
        slowest: float = 3.0,
        enough: int = 20,
    ) -> None:
        duration = float(time[-1] - time[0])
        interval = float(np.median(np.diff(time[:5000])))
        self.window = max(min(window, duration / 20), 2 * interval)
        if duration > 2 * interval * len(time):  # holes, however long, become just too long to look across
            time = np.concatenate(([0.0], np.cumsum(np.minimum(np.diff(time), 2.5 * self.window))))
            duration = float(time[-1])
        self.time = time
        self._every = max(1, int(self.window / interval / enough))  # rows passed over in complete channels
        count = max(int(duration / (0.5 * self.window)) + 1, 5)
        self.grid = time[0] + 0.5 * self.window * np.arange(count)
        self.slowest = slowest
        self.has_position = x is not None and y is not None
        east = self.at(x) if x is not None else np.full(count, np.nan)
        north = self.at(y) if y is not None else np.full(count, np.nan)
        dx, dy = east[2:] - east[:-2], north[2:] - north[:-2]
        self.speed = np.hypot(dx, dy) / self.window
        self.direction = np.arctan2(dy, dx)
        self.turn = _wrapped(self.direction[2:] - self.direction[:-2]) / self.window
        self.moving: BoolArray = self._moves(self.speed)

    def _moves(self, speed: FloatArray) -> BoolArray:
        fast = speed[np.isfinite(speed)]
        if fast.size == 0:
            return np.zeros(len(speed), dtype=bool)
        return np.asarray(speed > max(self.slowest, 0.2 * float(np.quantile(fast, 0.9))))

    def at(self, values: FloatArray) -> FloatArray:
        """Values at the grid's times, NaN inside holes longer than a window."""
        time, values = self._present(values)
        if len(time) < 2:
            return np.full(len(self.grid), np.nan)
        found = np.interp(self.grid, time, values, left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(time, self.grid), 1, len(time) - 1)
        return np.where(time[after] - time[after - 1] > 2 * self.window, np.nan, found)

    def mean(self, values: FloatArray) -> FloatArray:
        """Mean of a channel over each window, shape (m - 2,)."""
        time, values = self._present(values)
        if len(time) < 2:
            return np.full(len(self.grid) - 2, np.nan)
        total = np.concatenate(([0.0], np.cumsum(0.5 * (values[1:] + values[:-1]) * np.diff(time))))
        found = np.interp(self.grid, time, total, left=np.nan, right=np.nan)
        after = np.clip(np.searchsorted(time, self.grid), 1, len(time) - 1)
        found[time[after] - time[after - 1] > 2 * self.window] = np.nan
        return np.asarray((found[2:] - found[:-2]) / self.window)

    def rate(self, values: FloatArray) -> FloatArray:
        """Change of a channel over each window, a second, shape (m - 2,)."""
        found = self.at(values)
        return (found[2:] - found[:-2]) / self.window

    def _present(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        if np.isfinite(values.sum()):
            return self.time[:: self._every], values[:: self._every]
        ok = np.isfinite(values)
        return self.time[ok], values[ok]


def _wrapped(angle: FloatArray) -> FloatArray:
    """Angle within half a turn of zero."""
    return (angle + np.pi) % (2 * np.pi) - np.pi


def ratio(evidence: FloatArray, values: FloatArray, *, least: float, enough: int = 5) -> float | None:
    """Median of evidence over value where the evidence is at least `least`; None from fewer than `enough`."""
    quotient = np.abs(evidence) / np.abs(values)
    usable = quotient[(np.abs(evidence) >= least) & np.isfinite(quotient) & (quotient > 0)]
    return float(np.median(usable)) if usable.size >= enough else None


def correlation(evidence: FloatArray, values: FloatArray, where: BoolArray, *, enough: int = 20) -> float | None:
    """Pearson correlation over the windows chosen; None where there are too few or nothing varies."""
    usable = where & np.isfinite(evidence) & np.isfinite(values)
    if usable.sum() < enough:
        return None
    a, b = evidence[usable], values[usable]
    if np.ptp(a) == 0 or np.ptp(b) == 0:
        return None
    return float(np.corrcoef(a, b)[0, 1])
