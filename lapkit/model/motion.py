"""Motion: the arrays that every step of lap finding needs, each made once."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import ColumnError
from lapkit.model.line import position_noise

LONGEST_HOLE = 60.0  # s; over a longer hole in the clock no metres are counted
LONGEST_RUN = 2e7  # m; no recording is of half the way round the earth


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
    speed_from_position : bool
        Whether speed is nothing but position differentiated, and so cannot check it.
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
    speed_from_position: bool = False

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
        speed_from_position: bool = False,
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
        driven = 0.5 * (speed[1:] + speed[:-1]) * step
        driven[step > LONGEST_HOLE] = 0.0  # nobody knows what the car did meanwhile
        np.cumsum(driven, out=path[1:])
        if not path[-1] <= LONGEST_RUN:
            raise ColumnError(
                f"the speed adds up to {path[-1] / 1000:.3g} km, with values up to {speed.max():.3g} m/s; check the unit "
                'of speed: units={"speed": "km/h"} or --speed-units.'
            )
        fix_interval = max(fix_interval, interval)
        noise = position_noise(time, x, y, interval=fix_interval) if x is not None and y is not None else 0.0
        parts = np.append(0, np.flatnonzero(hole) + 1)
        return cls(time, speed, path, x, y, interval, fix_interval, noise, hole, parts, max_gap, speed_from_position)

    def reached(self, carrier: FloatArray, times: FloatArray) -> FloatArray:
        """Metres along `carrier` at given times; outside the recording at the speed of its edge.

        Parameters
        ----------
        carrier : ndarray, shape (n,)
            Metres at each sample, not decreasing.
        times : ndarray, shape (m,)
            On the recording's clock, s.
        """
        early, late = np.minimum(times - self.time[0], 0.0), np.maximum(times - self.time[-1], 0.0)
        return np.asarray(np.interp(times, self.time, carrier) + early * self.speed[0] + late * self.speed[-1])

    def path_at(self, times: FloatArray) -> FloatArray:
        """Metres driven at given times."""
        return self.reached(self.path, times)
