"""What the driver does: lifts, braking zones and the line of a lap, and the pedals that carry them out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapkit.simulate.line import Line


@dataclass(frozen=True)
class Lift:
    """One lift of the throttle, from full throttle and back to it.

    Attributes
    ----------
    start : float
        Place where the foot begins to move (m).
    depth : float
        Lowest throttle (0..1).
    ramp, hold, recovery : float
        Time to the lowest throttle, time spent there, time back to full (s).
    """

    start: float
    depth: float = 0.2
    ramp: float = 0.2
    hold: float = 0.8
    recovery: float = 0.3


@dataclass(frozen=True)
class Braking:
    """A braking zone and the way back to full throttle.

    Attributes
    ----------
    start : float
        Place where the throttle begins to close (m).
    level : float
        Brake held (0..1).
    release_speed : float
        Speed at which the brake begins to open (m/s).
    balance : float
        Throttle held from then on through the corner (0..1).
    open_at : float
        Place where the throttle begins to open (m); later if the brake is still on.
    close, overlap, press, release, settle, open : float
        Times (s): throttle closing; delay of the brake after it begins; brake pressed; brake
        released; throttle to its balance; throttle to full.
    """

    start: float
    level: float
    release_speed: float
    balance: float
    open_at: float
    close: float = 0.15
    overlap: float = 0.1
    press: float = 0.18
    release: float = 0.3
    settle: float = 0.25
    open: float = 0.45


@dataclass(frozen=True)
class Script:
    """What the driver does in one lap.

    Attributes
    ----------
    line : Line or None
        Line driven; None for the centre line.
    actions : tuple of Lift or Braking
        In order of their places. They may not overlap nor run over the line.
    power : float
        Share of the car's power that it has in this lap: an engine that ails, or a tow's opposite.
    headwind : float
        Speed of the air against the car (m/s), the same all round the lap; negative pushes.
    """

    line: Line | None = None
    actions: tuple[Lift | Braking, ...] = ()
    power: float = 1.0
    headwind: float = 0.0


class Pedal:
    """A pedal moving in straight ramps: knots (time, value), with those ahead planned."""

    def __init__(self, value: float) -> None:
        self.times, self.values = [-1e9], [value]
        self.planned: list[tuple[float, float]] = []

    def move(self, t: float, ramps: Sequence[tuple[float, float]]) -> None:
        """Drop what was planned; from `t` on go through (duration, value) ramps."""
        value = self.at(t)
        if self.times[-1] < t:
            self.times.append(t)
            self.values.append(value)
        self.planned = []
        for duration, target in ramps:
            t += duration
            self.planned.append((t, target))

    def at(self, t: float) -> float:
        """Return the value at `t`, between the last past knot and the next planned one."""
        if not self.planned:
            return self.values[-1]
        (t0, v0), (t1, v1) = (self.times[-1], self.values[-1]), self.planned[0]
        return v0 + (v1 - v0) * (t - t0) / (t1 - t0)

    def reach(self, t: float) -> None:
        """Turn planned knots up to `t` into past ones."""
        while self.planned and self.planned[0][0] <= t + 1e-12:
            time, value = self.planned.pop(0)
            self.times.append(time)
            self.values.append(value)

    @property
    def slope(self) -> float:
        """Rate of change until the next knot (1/s)."""
        if not self.planned:
            return 0.0
        return (self.planned[0][1] - self.values[-1]) / (self.planned[0][0] - self.times[-1])

    @property
    def next_knot(self) -> float:
        """Time of the next planned knot, infinite if there is none."""
        return self.planned[0][0] if self.planned else np.inf
