"""The driver: speed limits of corners and lines, and pedal scripts made from them.

A simulated driver never has an off day beyond what is asked for: places, depths and times vary
a little from lap to lap by seeded random amounts, and the line wanders by centimetres.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.simulate.car import Car
from lapkit.simulate.line import Line
from lapkit.simulate.script import Braking, Lift, Script
from lapkit.simulate.track import Track


def corner_speed(
    radius: ArrayLike, banking: ArrayLike = 0.0, friction: float = 1.0, *, gravity: float = STANDARD_GRAVITY
) -> FloatArray:
    """Return the highest steady speed in a banked corner.

    Parameters
    ----------
    radius : array_like
        Radius of the line seen from above (m), positive.
    banking : array_like
        Banking (rad), positive where the outside is higher.
    friction : float
        Coefficient of friction; zero gives the speed at which none is needed.
    gravity : float
        Acceleration of free fall (m/s2).

    Returns
    -------
    ndarray
        Speed (m/s); infinite where friction times tan(banking) reaches 1 and the car cannot
        slide up at any speed.

    References
    ----------
    v^2 = g R (sin b + mu cos b) / (cos b - mu sin b): OpenStax Calculus Volume 3, section 3.4.

    Examples
    --------
    >>> round(float(corner_speed(100.0)), 4)
    31.3156
    """
    r, b = np.broadcast_arrays(np.asarray(radius, dtype=float), np.asarray(banking, dtype=float))
    hold = np.cos(b) - friction * np.sin(b)
    push = np.maximum(np.sin(b) + friction * np.cos(b), 0)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.sqrt(np.where(hold > 0, gravity * r * push / hold, np.inf))


def limit_speed(
    distance: FloatArray,
    limit: FloatArray,
    accelerate: Callable[[float], float],
    brake: Callable[[float], float],
    *,
    length: float,
) -> FloatArray:
    """Return the fastest speed at each place of a lap that keeps to every limit.

    Parameters
    ----------
    distance : ndarray, shape (n,)
        Places (m), increasing from 0 and below `length`.
    limit : ndarray, shape (n,)
        Highest speed allowed at each place (m/s); finite somewhere.
    accelerate, brake : callable
        Acceleration and deceleration available at a speed (m/s -> m/s2).
    length : float
        Length of the lap (m).

    Returns
    -------
    ndarray, shape (n,)
        Speed (m/s).

    Notes
    -----
    v^2 changes by 2 a ds. A pass forward from the slowest place with the acceleration, then a
    pass backward with the deceleration, each once around: with constant values this is exact.

    Examples
    --------
    >>> s = np.arange(0.0, 100.0, 10.0)
    >>> v = limit_speed(s, np.where(s == 0, 10.0, np.inf), lambda v: 5.0, lambda v: 5.0, length=100.0)
    >>> float(round(v.max() ** 2, 6))
    600.0
    """
    n = len(distance)
    start = int(np.argmin(limit))
    step = np.diff(distance, append=distance[0] + length)
    ahead = np.roll(step, -start).tolist()
    square = (np.roll(limit, -start) ** 2).tolist()
    for i in range(1, n):
        square[i] = min(square[i], square[i - 1] + 2 * accelerate(float(np.sqrt(square[i - 1]))) * ahead[i - 1])
    for i in range(n - 1, -1, -1):
        following = square[(i + 1) % n]
        square[i] = min(square[i], following + 2 * brake(float(np.sqrt(following))) * ahead[i])
    return np.roll(np.sqrt(np.array(square)), start)


@dataclass(frozen=True)
class Driver:
    """A driver's usual lap and how much it varies.

    Attributes
    ----------
    line : Line
        Usual line.
    actions : tuple of Lift or Braking
        Usual pedals.
    place_spread : float
        Standard deviation of the places where pedals move (m).
    depth_spread : float
        Standard deviation of a lift's depth (0..1).
    hold_spread : float
        Standard deviation of a lift's hold (s).
    speed_spread : float
        Standard deviation of the speed at which the brake is released (m/s).
    line_spread : float
        Standard deviation of the line's slow deviations (m).
    """

    line: Line
    actions: tuple[Lift | Braking, ...]
    place_spread: float = 1.2
    depth_spread: float = 0.02
    hold_spread: float = 0.025
    speed_spread: float = 0.2
    line_spread: float = 0.12

    def lap(self, rng: np.random.Generator, variation: float = 1.0) -> Script:
        """Return the script of one lap.

        Parameters
        ----------
        rng : Generator
            Source of the differences between laps.
        variation : float
            Factor on every spread; zero repeats the same lap.

        Returns
        -------
        Script
            Line and pedals.
        """

        def vary(value: float, spread: float, low: float = -np.inf, high: float = np.inf) -> float:
            return float(np.clip(value + variation * spread * np.clip(rng.normal(), -2.5, 2.5), low, high))

        actions: list[Lift | Braking] = []
        for action in self.actions:
            start = vary(action.start, self.place_spread)
            if isinstance(action, Lift):
                actions.append(
                    replace(
                        action,
                        start=start,
                        depth=vary(action.depth, self.depth_spread, 0.0, 0.9),
                        ramp=vary(action.ramp, 0.015, 0.12, 0.35),
                        hold=vary(action.hold, self.hold_spread, 0.1),
                        recovery=vary(action.recovery, 0.02, 0.12, 0.6),
                    )
                )
            else:
                actions.append(
                    replace(
                        action,
                        start=start,
                        level=vary(action.level, 0.015, 0.1, 1.0),
                        release_speed=vary(action.release_speed, self.speed_spread),
                        open_at=vary(action.open_at, self.place_spread),
                    )
                )
        wobble = [vary(0.0, self.line_spread / k) for k in (1, 2, 3)]
        phases = rng.uniform(0, 2 * np.pi, 3).tolist()
        return Script(self.line.with_wobble(wobble, phases), tuple(actions))


def oval_line(track: Track, *, entry: float = -4.0, apex: float = 3.0) -> Line:
    """Return a line that enters and leaves each corner at `entry` and touches `apex` in its middle.

    Parameters
    ----------
    track : Track
        An oval, turning left.
    entry, apex : float
        Offsets from the centre line (m), positive to the left.

    Returns
    -------
    Line
        Smooth line.

    Examples
    --------
    >>> from lapkit.simulate.courses import oval
    >>> round(float(oval_line(oval(), entry=-3.0)(0.0)[0]), 6)
    -3.0
    """
    points = [(0.0, entry)]
    corners = track.turns
    for c, following in zip(corners, [*corners[1:], None], strict=True):
        span = c.end - c.start
        points += [(c.start + f * span, e) for f, e in ((0.0, entry - 0.5), (0.5, apex), (1.0, entry))]
        if following is not None:
            points.append(((c.end + following.start) / 2, entry - 1.0))
    return Line(track.length, [p for p, _ in points], [e for _, e in points])


def oval_driver(track: Track, *, entry: float = -4.0, apex: float = 3.0) -> Driver:
    """Return a driver who lifts once a corner and never brakes.

    Parameters
    ----------
    track : Track
        An oval, turning left.
    entry, apex : float
        Offsets of the line (m), as in `oval_line`.

    Returns
    -------
    Driver
        The tighter the corner, the earlier, longer and deeper the lift.

    Examples
    --------
    >>> from lapkit.simulate.courses import oval
    >>> len(oval_driver(oval()).actions)
    2
    """
    lifts = []
    for c in track.turns:
        tight = 92.0 / c.radius
        lifts.append(Lift(c.start - 60.0 * (tight - 1), 0.15 - 0.4 * (tight - 1), 0.2, 2.2 * tight, 0.32))
    return Driver(oval_line(track, entry=entry, apex=apex), tuple(lifts))


def road_driver(
    track: Track, car: Car, *, friction: float = 1.15, brake_level: float = 0.8, margin: float = 0.96
) -> Driver:
    """Return a driver who brakes for the corners of a road course.

    Parameters
    ----------
    track : Track
        Track with named corners.
    car : Car
        Car to be driven.
    friction : float
        Coefficient of friction the driver trusts in.
    brake_level : float
        Brake used (0..1).
    margin : float
        Share of the limit speed aimed at.

    Returns
    -------
    Driver
        One action a corner: a braking zone, or a short lift where little speed must be lost.

    Examples
    --------
    >>> from lapkit.simulate.courses import road_course
    >>> len(road_driver(road_course(), Car()).actions) >= 6
    True
    """
    corners = track.turns
    line = road_line(track)
    count = int(track.length)
    s = np.arange(count) * track.length / count
    shape = track.along(s, line)
    outside_up = np.sign(shape.curvature) * track.banking(s)
    limit = margin * corner_speed(1 / np.maximum(np.abs(shape.curvature), 1e-4), outside_up, friction)

    def accelerate(v: float) -> float:
        return max(min(car.power / max(v, 1.0), car.traction) - car.drag * v * v - car.rolling, -5.0)

    def brake(v: float) -> float:
        return car.braking * brake_level + car.drag * v * v + car.rolling

    speed = limit_speed(s, limit, accelerate, brake, length=track.length)
    actions: list[Lift | Braking] = []
    free = 0.0  # the last action is over from here on
    for c in corners:
        inside = np.flatnonzero((s >= c.start) & (s < c.end))
        touching = inside[speed[inside] >= 0.99 * limit[inside]]
        if len(touching) == 0:
            continue  # taken flat
        apex = int(inside[np.argmin(speed[inside])])
        at_apex = float(speed[apex])
        before = np.flatnonzero((s >= free) & (s <= s[apex]))
        peak = int(before[np.argmax(speed[before])])
        place, top = float(s[peak]), float(speed[peak])
        drop = top - at_apex
        if drop < 3.5:
            hold = 0.25 + 0.1 * drop
            actions.append(Lift(place - 6.0, 0.3, 0.18, hold, 0.3))
            free = place + (hold + 0.6) * top
            continue
        ay = at_apex**2 * abs(float(shape.curvature[apex]))
        needed = car.drag * at_apex**2 + car.rolling + car.cornering * ay**2
        share, throttle = [p for _, p in car.power_curve], [t for t, _ in car.power_curve]
        balance = 0.5 * float(np.interp(needed * at_apex / car.power, share, throttle))
        release = 0.7
        actions.append(
            Braking(
                max(place - 0.15 * top, free),  # the brake takes a moment to come on
                brake_level,
                at_apex + 0.5 * release * car.braking * brake_level,
                balance,
                open_at=float(s[touching[-1]]) - 0.1 * at_apex,
                release=release,
            )
        )
        free = float(s[touching[-1]]) + 0.5 * at_apex
    return Driver(line, tuple(actions), place_spread=1.5, line_spread=0.2)


def road_line(track: Track, *, width: float = 3.0) -> Line:
    """Return a line that swings out before and after each corner and cuts its inside.

    Parameters
    ----------
    track : Track
        Track with named corners.
    width : float
        Offset used to each side of the centre line (m).

    Returns
    -------
    Line
        Smooth line.

    Examples
    --------
    >>> from lapkit.simulate.courses import road_course
    >>> abs(float(road_line(road_course())(0.0)[0])) < 0.1
    True
    """
    corners = track.turns
    points: list[tuple[float, float]] = [(0.0, 0.0)]
    for c in corners:
        side = 1.0 if c.direction == "left" else -1.0
        inner = side * width * min(1.0, c.radius / 20.0)
        points.append(((c.start + c.end) / 2, inner))
    for before, after in zip([None, *corners], [*corners, None], strict=True):
        left = before.end if before else 0.0
        right = after.start if after else track.length
        if right - left < 120.0:
            continue
        for near, place in ((before, left + 15.0), (after, right - 15.0)):
            if near is not None:
                points.append((place, (-1.0 if near.direction == "left" else 1.0) * width * 0.7))
        if before and after and right - left > 180.0:
            points.append(((left + right) / 2, 0.0))
    points.sort()
    return Line(track.length, [p for p, _ in points], [e for _, e in points])


def default_driver(track: Track, car: Car) -> Driver:
    """Return a driver fit for the track: one who only lifts on an oval, one who brakes elsewhere.

    Examples
    --------
    >>> from lapkit.simulate.courses import oval
    >>> {type(a).__name__ for a in default_driver(oval(), Car()).actions}
    {'Lift'}
    """
    is_oval = all(c.direction == "left" and c.radius > 50.0 for c in track.turns)
    return oval_driver(track) if is_oval else road_driver(track, car)


def run_scripts(driver: Driver, laps: int, rng: np.random.Generator, variation: float = 1.0) -> Sequence[Script]:
    """Return the scripts of an out-lap, `laps` counted laps and an in-lap.

    Examples
    --------
    >>> from lapkit.simulate.courses import oval
    >>> len(run_scripts(oval_driver(oval()), 3, np.random.default_rng(0)))
    5
    """
    return [driver.lap(rng, variation) for _ in range(laps + 2)]
