"""The car and its pedals: a point mass driven by scripted inputs, integrated in time.

The car obeys, per unit mass and along its path,

    dv/dt = min(P(throttle) / v, traction) - kd v^2 - c - ks ay^2 - B brake - g dz/ds

with P piecewise linear in throttle and ay = v^2 times the curvature of the line seen from above. Where the car has an
engine curve, P is multiplied by its share at the engine speed, and falls to zero past the rev limit.
Pedals move in straight ramps that begin at a place or at a speed; every step of the
integration ends where a ramp bends, so the pedals are exactly piecewise linear in time.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import LapkitError
from lapkit.simulate.line import Line
from lapkit.simulate.script import Braking, Contact, Event, Lift, MissedShift, Pedal, Script, Tow
from lapkit.simulate.track import Track


@dataclass(frozen=True)
class Car:
    """What the car does with its pedals; everything per unit mass.

    Attributes
    ----------
    power : float
        Power at full throttle (W/kg).
    power_curve : tuple of (float, float)
        Throttle -> share of the power, piecewise linear from (0, 0) to (1, 1).
    traction : float
        Greatest drive acceleration (m/s2).
    drag : float
        kd, drag per speed squared (1/m).
    rolling : float
        c, rolling resistance (m/s2).
    cornering : float
        ks, resistance per lateral acceleration squared (s2/m).
    braking : float
        B, deceleration at full brake (m/s2).
    gears : tuple of float
        Engine speed per road speed in each gear (rad/m), from first to top.
    upshift, downshift : float
        Engine speeds (rad/s) above which the car shifts up and below which it shifts down.
    shift_cut : tuple of (float, float, float, float)
        Throttle cut on an upshift: ramp down (s), lowest throttle, hold (s), ramp up (s).
    wheelbase : float
        Wheelbase (m), for the steering channel.
    understeer : float
        Extra road-wheel angle per lateral acceleration (rad s2/m).
    steering_ratio : float
        Steering-wheel angle per road-wheel angle.
    engine_curve : tuple of (float, float)
        Engine speed (rad/s, increasing) -> share of the power, piecewise linear, level beyond its ends; empty for a power
        that does not know of engine speed.
    rev_limit : float
        Engine speed (rad/s) past which power is cut.
    limiter : float
        Engine speed (rad/s) over which the cut takes power to zero, in a straight line.
    """

    power: float = 128.0
    power_curve: tuple[tuple[float, float], ...] = ((0.0, 0.0), (0.5, 0.6), (1.0, 1.0))
    traction: float = 6.5
    drag: float = 4.0e-4
    rolling: float = 0.16
    cornering: float = 0.006
    braking: float = 9.0
    gears: tuple[float, ...] = (13.4,)
    upshift: float = 1e9
    downshift: float = 0.0
    shift_cut: tuple[float, float, float, float] = (0.02, 0.15, 0.05, 0.03)
    wheelbase: float = 2.75
    understeer: float = 0.0006
    steering_ratio: float = 12.0
    engine_curve: tuple[tuple[float, float], ...] = ()
    rev_limit: float = math.inf
    limiter: float = 3.0

    def pull(self, engine_speed: float) -> float:
        """Return the share of the power at an engine speed (rad/s).

        Examples
        --------
        >>> car = Car(engine_curve=((400.0, 0.5), (600.0, 1.0)), rev_limit=700.0, limiter=4.0)
        >>> [car.pull(n) for n in (300.0, 500.0, 700.0, 701.0, 710.0)]
        [0.5, 0.75, 1.0, 0.75, 0.0]
        """
        past = min(max((engine_speed - self.rev_limit) / self.limiter, 0.0), 1.0)
        curve = self.engine_curve
        if not curve:
            return 1.0 - past
        k = min(max(bisect_right(curve, engine_speed, key=lambda point: point[0]), 1), len(curve) - 1)
        (n0, p0), (n1, p1) = curve[k - 1], curve[k]
        return (1.0 - past) * (p0 + (p1 - p0) * min(max((engine_speed - n0) / (n1 - n0), 0.0), 1.0))


@dataclass
class Motion:
    """What the integration produced, on one clock that starts at zero with the first script.

    Attributes
    ----------
    time, distance, speed, acceleration, progress : ndarray, shape (n,)
        Two nodes share a time where one element of the track meets the next. Node times (s), running distance (lap count times track length plus station, m), speed
        along the path (m/s), its rate (m/s2), and the rate of `distance` (m/s).
    crossings : ndarray, shape (laps + 1,)
        Times at the start of each script and at the end of the last (s).
    throttle, brake : (ndarray, ndarray)
        Knots of the pedals: times (s) and values (0..1).
    gear : (ndarray, ndarray)
        Times of the changes (s) and the gear from then on.
    shifts : ndarray, shape (k, 2)
        Start and end of each upshift's throttle cut (s).
    events : list of (float, Event)
        What befell the car, and when it began (s).
    """

    time: FloatArray
    distance: FloatArray
    speed: FloatArray
    acceleration: FloatArray
    progress: FloatArray
    crossings: FloatArray
    throttle: tuple[FloatArray, FloatArray]
    brake: tuple[FloatArray, FloatArray]
    gear: tuple[FloatArray, FloatArray]
    shifts: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    events: list[tuple[float, Event]] = field(default_factory=list)


_ROW = 0.25  # m between the tabulated values of the line's shape


class _Shape(NamedTuple):
    """Shape of the line along one element: rows every 1/scale metres from `start` to beyond `end`."""

    start: float
    end: float
    scale: float
    rows: list[list[float]]  # 1/stretch, horizontal curvature for v^2, grade; each with its step


def _tabulate(track: Track, line: Line) -> list[_Shape]:
    """Tabulate the shape of a line, element by element so that its corners stay sharp."""
    shapes = []
    edges = [0.0, *track.boundaries, track.length]
    for element, (start, end) in enumerate(pairwise(edges)):
        count = int(np.ceil((end - start) / _ROW))
        width = (end - start) / count
        beyond = int(np.ceil(10 / width))  # a step may look a little past the end before it is shortened
        shape = track.along(start + np.arange(count + beyond) * width, line, element=element)
        columns = [1 / shape.stretch, shape.curvature * (shape.level_stretch / shape.stretch) ** 2, shape.grade]
        table = np.stack([c for value in columns for c in (value[:-1], np.diff(value))], axis=1)
        shapes.append(_Shape(start, end, 1 / width, table.tolist()))
    return shapes


def integrate(
    track: Track,
    car: Car,
    scripts: Sequence[Script],
    *,
    start_speed: float,
    start_distance: float = 0.0,
    step: float = 0.02,
) -> Motion:
    """Drive the scripts one after another.

    Parameters
    ----------
    track : Track
        Track to drive on.
    car : Car
        Car to drive.
    scripts : sequence of Script
        One a lap. Speed and pedals carry over the line.
    start_speed : float
        Speed at the beginning (m/s); zero starts from rest.
    start_distance : float
        Station at which the first script is taken up (m).
    step : float
        Longest time step (s) of the fourth-order Runge-Kutta integration. Steps also end at the
        line, at the ends of the track's elements, where an action begins and where a pedal's ramp bends.

    Returns
    -------
    Motion
        Nodes of the integration and the exact pedals.

    Raises
    ------
    LapkitError
        If the car comes to a stand on the way.
    """
    # The state of a sequential integration is scalar; local names keep the loop quick.
    drag, rolling, cornering, braking, traction = car.drag, car.rolling, car.cornering, car.braking, car.traction
    knots = [k for k, _ in car.power_curve]
    powers = [car.power * p for _, p in car.power_curve]
    slopes = [(powers[i + 1] - powers[i]) / (knots[i + 1] - knots[i]) for i in range(len(knots) - 1)]
    last = len(slopes) - 1
    rows: list[list[float]] = []
    origin, scale, share, wind, overall = 0.0, 1.0, 1.0, 0.0, 0.0
    with_engine = bool(car.engine_curve) or math.isfinite(car.rev_limit)

    def rates(s: float, v: float, th: float, br: float) -> tuple[float, float]:
        place = (s - origin) * scale
        i = int(place)
        f = place - i
        a0, a1, b0, b1, c0, c1 = rows[i]
        ay = v * v * (b0 + f * b1)
        k = min(max(bisect_right(knots, th) - 1, 0), last)
        power = share * (powers[k] + slopes[k] * (th - knots[k]))
        if with_engine:
            power *= car.pull(v * overall)
        drive = power / v if v * traction > power else traction * (th > 0)
        air = v + wind
        a = (
            drive
            - drag * air * abs(air)
            - rolling
            - cornering * ay * ay
            - braking * br
            - STANDARD_GRAVITY * (c0 + f * c1)
        )
        return v * (a0 + f * a1), a

    throttle, brake = Pedal(1.0), Pedal(0.0)
    push = Pedal(0.0)  # what a touch slows the car by, as if it were brake
    driven = math.inf  # when drive that was lost comes back
    events: list[tuple[float, Event]] = []
    up = [car.upshift / ratio for ratio in car.gears]
    down = [car.downshift / ratio for ratio in car.gears]
    gear = next((i for i, limit in enumerate(up) if start_speed < limit), len(up) - 1)
    gears = [(0.0, float(gear + 1))]
    overall, engaged, coming = car.gears[gear], math.inf, 0.0  # the next gear takes over at `engaged`
    shifts: list[tuple[float, float]] = []
    crossings = [0.0]
    nodes: list[tuple[float, float, float, float, float]] = []
    t, v, length = 0.0, float(start_speed), track.length

    for number, script in enumerate(scripts):
        shapes = _tabulate(track, script.line or Line(length))
        share, wind = script.power, script.headwind
        s = start_distance if number == 0 else 0.0
        element = next(i for i, shape in enumerate(shapes) if s < shape.end)
        origin, _, scale, rows = shapes[element]
        # places ahead: (station, what, action)
        actions = [a for a in script.actions if a.start >= s]
        places: list[tuple[float, str, Lift | Braking | Event | None]] = [(a.start, "begin", a) for a in actions]
        befalls = [e for e in script.events if e.start >= s]
        places += [(e.start, "event", e) for e in befalls] + [(e.end, "free", e) for e in befalls if isinstance(e, Tow)]
        places += [(a.open_at, "open", a) for a in actions if isinstance(a, Braking)]
        places += [(length, "line", None)]
        places += [(e, "bend", None) for e in track.boundaries if s < e < length]  # curvature has a corner there
        places.sort(key=lambda item: item[0])
        zone: Braking | None = None  # brake on, waiting for the release speed
        opening: Braking | None = None  # throttle to be opened as soon as the brake is released
        at = 0
        while True:
            target = places[at][0]
            if t >= engaged - 1e-12:
                overall, engaged = coming, math.inf
            if t >= driven - 1e-12:
                share, driven = script.power, math.inf
            span = min(step, throttle.next_knot - t, brake.next_knot - t, push.next_knot - t, driven - t)
            th0, th1 = throttle.at(t), throttle.slope
            br0, br1 = brake.at(t) + push.at(t), brake.slope + push.slope
            s1, a1 = rates(s, v, th0, br0)
            nodes.append((t, number * length + s, v, a1, s1))
            arrived = False
            for _ in range(8):
                half = span / 2
                thm, brm = th0 + th1 * half, br0 + br1 * half
                s2, a2 = rates(s + half * s1, v + half * a1, thm, brm)
                s3, a3 = rates(s + half * s2, v + half * a2, thm, brm)
                s4, a4 = rates(s + span * s3, v + span * a3, th0 + th1 * span, br0 + br1 * span)
                s_new = s + span / 6 * (s1 + 2 * s2 + 2 * s3 + s4)
                v_new = v + span / 6 * (a1 + 2 * a2 + 2 * a3 + a4)
                if s_new < target - 1e-10 and not arrived:
                    break
                arrived = True
                if abs(s_new - target) < 1e-10:
                    break
                span -= (s_new - target) / max(s4, 0.1)
            if v_new <= 0:
                raise LapkitError(
                    f"the car stops at {s:.1f} m of lap {number} of the script; brake less, or for a shorter time."
                )
            t, s, v = t + span, (target if arrived else s_new), v_new
            throttle.reach(t)
            brake.reach(t)
            push.reach(t)

            if zone is not None and v <= zone.release_speed:
                brake.move(t, [(zone.release, 0.0)])
                if opening is None:
                    throttle.move(t, [(zone.settle, zone.balance)])
                else:
                    throttle.move(t, [(zone.open, 1.0)])
                zone = opening = None
            if v > up[gear] and gear < len(up) - 1 and not throttle.planned and throttle.values[-1] > 0.9:
                ramp, lowest, hold, back = car.shift_cut
                throttle.move(t, [(ramp, lowest), (hold, lowest), (back, throttle.values[-1])])
                shifts.append((t, t + ramp + hold + back))
                gear += 1
                gears.append((t + ramp, float(gear + 1)))
                engaged, coming = t + ramp, car.gears[gear]
            elif gear > 0 and v < down[gear] and throttle.at(t) < 0.5:
                gear -= 1
                gears.append((t, float(gear + 1)))
                overall, engaged = car.gears[gear], math.inf

            if not arrived:
                continue
            _, what, action = places[at]
            at += 1
            if what in ("bend", "line"):  # curvature may have a corner here: one node before it, the next one after it
                s1, a1 = rates(s, v, throttle.at(t), brake.at(t) + push.at(t))
                nodes.append((t, number * length + s, v, a1, s1))
            if what == "line":
                break
            if what == "bend":
                element += 1
                origin, _, scale, rows = shapes[element]
            if isinstance(action, Lift):
                throttle.move(t, [(action.ramp, action.depth), (action.hold, action.depth), (action.recovery, 1.0)])
            elif isinstance(action, Braking) and what == "begin":
                throttle.move(t, [(action.close, 0.0)])
                brake.move(t, [(action.overlap, 0.0), (action.press, action.level)])
                zone = action
            elif isinstance(action, Braking):
                if zone is None:
                    throttle.move(t, [(action.open, 1.0)])
                else:
                    opening = action
            elif isinstance(action, Tow):
                drag = car.drag * (1 - action.drag) if what == "event" else car.drag
            elif isinstance(action, MissedShift):
                share, driven = 0.0, t + action.duration
            elif isinstance(action, Contact):
                ramp = action.duration / 2
                push.move(t, [(ramp, action.speed_loss / ramp / braking), (ramp, 0.0)])
            if what == "event" and isinstance(action, Event):
                events.append((t, action))
        crossings.append(t)

    for pedal in (throttle, brake):
        pedal.times.append(t)
        pedal.values.append(pedal.at(t))
    time, distance, speed, acceleration, progress = np.array(nodes).T
    return Motion(
        time=time,
        distance=distance,
        speed=speed,
        acceleration=acceleration,
        progress=progress,
        crossings=np.array(crossings),
        throttle=(np.array(throttle.times), np.array(throttle.values)),
        brake=(np.array(brake.times), np.array(brake.values)),
        gear=(np.array([g[0] for g in gears]), np.array([g[1] for g in gears])),
        shifts=np.array(shifts).reshape(-1, 2),
        events=events,
    )
