"""Motion: the arrays that every step of lap finding needs, each made once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.line import position_noise


@dataclass
class Motion:
    """The arrays every step of lap finding needs, each made once.

    Attributes
    ----------
    time, speed : ndarray, shape (n,)
        Clock (s) and speed (m/s), finite.
    path : ndarray, shape (n,)
        Metres driven since the first sample, from speed; not decreasing.
    x, y : ndarray, shape (n,), or None
        Position, m, NaN where unknown.
    interval : float
        Median time between samples, s.
    fix_interval : float
        Time between a receiver's own positions, s: longer than `interval` where they were filled in between.
    noise : float
        Sample-to-sample noise of position, m.
    hole : ndarray of bool, shape (n - 1,)
        Whether the interval after each sample lies in a hole: no speed for longer than max_gap.
    parts : ndarray of int
        First sample of every stretch without a hole.
    max_gap : float
        Longest time that is read across, s.
    """

    time: FloatArray
    speed: FloatArray
    path: FloatArray
    x: FloatArray | None
    y: FloatArray | None
    interval: float
    fix_interval: float
    noise: float
    hole: NDArray[np.bool_]
    parts: NDArray[np.intp]
    max_gap: float

    @classmethod
    def of(
        cls,
        time: FloatArray,
        speed: FloatArray,
        x: FloatArray | None,
        y: FloatArray | None,
        *,
        max_gap: float,
        fix_interval: float = 0.0,
    ) -> Motion:
        """Make the arrays from the samples; speed is bridged where it is missing.

        A recording slower than three samples in `max_gap` has no holes for being slow.
        """
        step = np.diff(time)
        interval = float(np.median(step))
        max_gap = max(max_gap, 3.0 * interval)
        known = np.flatnonzero(np.isfinite(speed))
        if len(known) < len(time):
            before = np.searchsorted(known, np.arange(len(time) - 1), side="right") - 1
            last, following = known[np.maximum(before, 0)], known[np.minimum(before + 1, len(known) - 1)]
            hole = (time[following] - time[last] > max_gap) | (before < 0) | (before + 1 >= len(known))
            speed = np.interp(time, time[known], speed[known])
        else:
            hole = step > max_gap
        speed = np.abs(speed)
        path = np.empty(len(time))
        path[0] = 0.0
        np.cumsum(0.5 * (speed[1:] + speed[:-1]) * step, out=path[1:])
        fix_interval = max(fix_interval, interval)
        noise = position_noise(time, x, y, interval=fix_interval) if x is not None and y is not None else 0.0
        parts = np.append(0, np.flatnonzero(hole) + 1)
        return cls(time, speed, path, x, y, interval, fix_interval, noise, hole, parts, max_gap)

    def path_at(self, times: FloatArray) -> FloatArray:
        """Metres driven at given times."""
        return np.interp(times, self.time, self.path)
