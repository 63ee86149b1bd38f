"""What the driver does: lifts, braking zones and the line of a lap, what befalls the car, and the pedals that carry it out."""

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
class Contact:
    """A touch of the wall or of another car. The line stays the scripted one: a touch moves the car by centimetres.

    Attributes
    ----------
    start : float
        Place where it begins (m).
    lateral : float
        Peak of the push across the car (m/s2), positive to the left.
    duration : float
        How long it lasts (s). The push, the loss of speed and the kick of the yaw rate rise and fall in straight lines.
    speed_loss : float
        Speed it takes (m/s).
    yaw_rate : float
        Peak of the kick of the yaw rate (rad/s), positive to the left; caught again over as long.
    """

    start: float
    lateral: float = 20.0
    duration: float = 0.15
    speed_loss: float = 1.0
    yaw_rate: float = 0.1


@dataclass(frozen=True)
class Tow:
    """A stretch in another car's wake.

    Attributes
    ----------
    start, end : float
        Places (m), end after start, both in one lap.
    drag : float
        Share of the drag that is taken away (0..1).
    """

    start: float
    end: float
    drag: float = 0.3


@dataclass(frozen=True)
class MissedShift:
    """The drive is lost while the foot stays down: a gear that would not go in, or jumped out.

    Attributes
    ----------
    start : float
        Place where the drive goes (m).
    duration : float
        Time without drive (s).
    flare : float
        Rise of engine speed over what road speed asks for, at its highest, half way through.
    """

    start: float
    duration: float = 0.5
    flare: float = 0.2


Event = Contact | Tow | MissedShift


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
    events : tuple of Contact, Tow or MissedShift
        What befalls the car. No two of a kind at once.
    """

    line: Line | None = None
    actions: tuple[Lift | Braking, ...] = ()
    power: float = 1.0
    headwind: float = 0.0
    events: tuple[Event, ...] = ()


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
