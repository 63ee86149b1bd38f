"""What an event cost, up to where the car is as fast as usual again, on the lap itself and over the line."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.oddities.signals import NEIGHBOURS, Signals, scatter
from lapkit.channels import FloatArray
from lapkit.model.frame import attribute, unlabelled

BESIDE = 12
"""Laps nearest in time that an event's lap is measured against: tyres and fuel make others slower or faster (chosen)."""
AHEAD = 10.0
"""m. What an event costs is counted from so far before it: it is found a little late (chosen)."""


@dataclass(frozen=True)
class Cost:
    """What an event cost on one lap.

    Attributes
    ----------
    row : int
        Which of the laps looked at.
    start, end : float
        m from the line of that lap.
    lost, uncertainty : float
        s, negative where it was gained; 1 sigma.
    start_speed, start_speed_uncertainty : float
        On the next lap: the speed it began with beyond the usual, m/s; 1 sigma. On the lap itself 0.
    """

    row: int
    start: float
    end: float
    lost: float
    uncertainty: float
    start_speed: float = 0.0
    start_speed_uncertainty: float = 0.0


class Usual:
    """Speed and time of every lap at every place, to measure one lap against those beside it.

    Parameters
    ----------
    signals : Signals
    length : float
        Of the track, m.
    settled : float
        s. As long an event's effect goes on at least before speed is asked whether it has died out; its uncertainty looks
        twice as far beyond that, for what is left of it hides in the usual scatter.
    carried : float
        How many times its uncertainty the speed over the line must be off the usual to count as carried over it.
    line_speed, line_speed_uncertainty : ndarray, shape (laps,)
        At the crossing that ends each lap, m/s.
    """

    def __init__(
        self,
        signals: Signals,
        *,
        length: float,
        settled: float,
        carried: float,
        line_speed: FloatArray,
        line_speed_uncertainty: FloatArray,
    ) -> None:
        from scipy.ndimage import uniform_filter1d

        self.rows, self.grid, self.length, self.settled = signals.rows, signals.grid, length, settled
        self.carried, self.line_speed, self.line_speed_uncertainty = carried, line_speed, line_speed_uncertainty
        smooth = round(NEIGHBOURS / self.grid[1]) | 1
        self.speed = uniform_filter1d(signals.per_place(signals.speed), smooth, axis=1, mode="nearest")
        clocks = [
            np.append(unlabelled(f)["time"].to_numpy(np.float64), attribute(f, "lap_time")) for f in signals.frames
        ]
        self.clock = np.stack(clocks)

    def costs(self, row: int, start: float, end: float, *, slower: bool) -> list[Cost]:
        """Return what an event cost on its lap and, if the next began at another speed because of it, on that."""
        step, n = float(self.grid[1]), len(self.grid)
        order = np.argsort(np.abs(self.rows - self.rows[row]), kind="stable")[1 : BESIDE + 1]
        usual = np.median(self.speed[order], axis=0)
        follows = row + 1 < len(self.rows) and self.rows[row + 1] == self.rows[row] + 1
        behind = np.concatenate([usual - self.speed[r] for r in ([row, row + 1] if follows else [row])])
        behind = behind if slower else -behind
        first = int(np.clip((start - AHEAD) / step, 0, n - 1))
        last = int(np.clip(max(start, end) / step + 1, first + 1, n))

        def later(k: int, seconds: float) -> int:
            return min(k + round(seconds * float(usual[k % n]) / step), len(behind))

        settled = later(last, self.settled)
        usual_again = np.flatnonzero(behind[settled : first + n] <= 0.0)
        until = settled + int(usual_again[0]) if len(usual_again) else min(first + n, len(behind))
        beyond = later(until, 2.0 * self.settled)
        found = [self._cost(row, order, first, min(until, n), min(beyond, n))]
        others = order[order != row + 1]
        if until > n and len(others) > 1:
            off, sigma = self._over_the_line(row, order)
            if (-off if slower else off) > self.carried * sigma:
                cost = self._cost(row + 1, others, 0, until - n, min(beyond - n, n))
                found.append(replace(cost, start_speed=off, start_speed_uncertainty=sigma))
        return found

    def _over_the_line(self, row: int, others: NDArray[np.intp]) -> tuple[float, float]:
        """Speed at the end of a lap beyond that of others, m/s, and its uncertainty."""
        usual = self.line_speed[others]
        sigma = max(_few(len(others)) * scatter(usual), float(self.line_speed_uncertainty[row]))
        return float(self.line_speed[row] - np.median(usual)), sigma

    def _cost(self, row: int, others: NDArray[np.intp], first: int, last: int, beyond: int) -> Cost:
        """Time from one grid point to another against the median of other laps; its scatter is that of a point beyond."""
        taken = self.clock[:, last] - self.clock[:, first]
        sigma = scatter(self.clock[others, beyond] - self.clock[others, first])
        place = np.append(self.grid, self.length)
        lost = float(taken[row] - np.median(taken[others]))
        return Cost(row, float(place[first]), float(place[last]), lost, _few(len(others)) * sigma)


def _few(count: int) -> float:
    """What the scatter of few laps is widened by: two of it hold as much as two sigma known from many."""
    from scipy.special import stdtrit

    widened = 0.5 * float(stdtrit(count - 1, 0.97725))
    return widened * float(np.sqrt(1.0 + 1.57 / count))  # the median is not exact either
