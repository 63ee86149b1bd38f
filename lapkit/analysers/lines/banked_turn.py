"""The physics of a banked turn, in closed form: a point mass on a steady circle seen from above.

The first three functions count banking positive where the outside of the turn is higher and radius and speed
positive, as handbooks do. The accelerations keep the signs of lap frames: curvature positive to the left, banking
positive where the right side is higher; a left turn banked for the car then has both positive.

These are limits of an ideal. A real car meets its limit earlier or later: tyres, load, air and bumps count too. They
explain what was recorded; they are no promise of a speed that is safe to drive.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import LapkitError


def _banked(banking: ArrayLike) -> FloatArray:
    angle = np.asarray(banking, dtype=np.float64)
    if (np.abs(angle) >= np.pi / 2).any():
        raise LapkitError(
            f"banking of {float(np.nanmax(np.abs(angle))):g} rad is steeper than a wall; give radians, such as "
            "np.radians(19)."
        )
    return angle


def _positive(name: str, values: ArrayLike) -> FloatArray:
    found = np.asarray(values, dtype=np.float64)
    if (found < 0).any():
        raise LapkitError(f"{name} of {float(np.nanmin(found)):g} is negative; give its magnitude.")
    return found


def ideal_speed(radius: ArrayLike, banking: ArrayLike, *, gravity: float = STANDARD_GRAVITY) -> FloatArray:
    """Return the speed at which a banked turn needs no friction across the car.

    Parameters
    ----------
    radius : array_like
        Radius of the line seen from above, m, positive.
    banking : array_like
        Banking, rad, positive where the outside is higher.
    gravity : float
        Acceleration of free fall, m/s2. Books use 9.80 or 32.174 ft/s2 (with feet all speeds are in ft/s).

    Returns
    -------
    ndarray
        Speed, m/s; 0 where the turn is flat or falls away to the outside.

    Raises
    ------
    LapkitError
        If the banking is 90 degrees or more, or the radius negative.

    References
    ----------
    tan b = v^2 / (r g): OpenStax, University Physics Volume 1, section 6.3.

    Examples
    --------
    >>> round(float(ideal_speed(100.0, np.radians(31.0), gravity=9.80)), 1)
    24.3
    """
    lean = np.tan(_banked(banking))
    return np.asarray(np.sqrt(gravity * _positive("radius", radius) * np.maximum(lean, 0.0)))


def top_speed(
    radius: ArrayLike, banking: ArrayLike, friction: ArrayLike, *, gravity: float = STANDARD_GRAVITY
) -> FloatArray:
    """Return the highest steady speed in a banked turn.

    Parameters
    ----------
    radius : array_like
        Radius of the line seen from above, m, positive.
    banking : array_like
        Banking, rad, positive where the outside is higher.
    friction : array_like
        Coefficient of friction, 0 or more.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    ndarray
        Speed, m/s. Infinite where friction times tan(banking) reaches 1: the faster the car, the harder it is pressed
        on, and it does not slide up at any speed. 0 where it slides off the outside at any speed.

    Raises
    ------
    LapkitError
        If the banking is 90 degrees or more, or radius or friction negative.

    Notes
    -----
    The form that highways are laid out with, v^2 = g r (e + f) with e = tan(banking), leaves out the 1 - e f below the
    line. Its speed is too low by the factor sqrt(1 - e f): 1 % off at e f = 0.02, about where roads end (e 0.08, f
    0.12 give 0.01), and 5 % off at e f = 0.0975. A racing tyre of friction 0.9 is there at 6.2 degrees of banking, one
    of 1.2 at 4.6 degrees. It is no formula for an oval.

    References
    ----------
    v^2 = g r (sin b + mu cos b) / (cos b - mu sin b): OpenStax, Calculus Volume 3, section 3.4 (student project).

    Examples
    --------
    >>> [round(float(top_speed(100.0, np.radians(angle), 1.0)), 2) for angle in (0.0, 20.0)]
    [31.32, 45.86]
    >>> float(top_speed(100.0, np.radians(50.0), 0.9))
    inf
    """
    angle, mu = _banked(banking), _positive("friction", friction)
    push = np.maximum(np.sin(angle) + mu * np.cos(angle), 0.0)
    hold = np.cos(angle) - mu * np.sin(angle)
    r = _positive("radius", radius)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt(np.where(hold > 0, gravity * r * push / hold, np.inf)))


def friction_needed(
    speed: ArrayLike, radius: ArrayLike, banking: ArrayLike, *, gravity: float = STANDARD_GRAVITY
) -> FloatArray:
    """Return the coefficient of friction that a steady banked turn needs across the car.

    Parameters
    ----------
    speed : array_like
        Speed, m/s.
    radius : array_like
        Radius of the line seen from above, m, positive.
    banking : array_like
        Banking, rad, positive where the outside is higher.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    ndarray
        The coefficient, 0 or more. Above `ideal_speed` friction holds the car in, below it friction holds the car up.
        Infinite where no friction does, on a bank that falls away so fast that the car lifts off it.

    Raises
    ------
    LapkitError
        If the banking is 90 degrees or more, or the radius negative.

    Examples
    --------
    Holding up, at a walking pace for the bank; holding in, on a flat curve (both OpenStax, College Physics and
    University Physics, section 6.3).

    >>> round(float(friction_needed(20.0 / 3.6, 100.0, np.radians(15.0), gravity=9.80)), 3)
    0.234
    >>> round(float(friction_needed(25.0, 500.0, 0.0, gravity=9.80)), 2)
    0.13
    """
    with np.errstate(divide="ignore"):
        curvature = 1.0 / _positive("radius", radius)
    across = np.abs(in_plane_acceleration(speed, curvature, banking, gravity=gravity))
    pressed = normal_acceleration(speed, curvature, banking, gravity=gravity)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where(pressed > 0, across / pressed, np.inf))


def in_plane_acceleration(
    speed: ArrayLike, curvature: ArrayLike, banking: ArrayLike, *, gravity: float = STANDARD_GRAVITY
) -> FloatArray:
    """Return what the tyres give along the surface across the car, per unit mass: what an accelerometer there reads.

    Parameters
    ----------
    speed : array_like
        Speed, m/s.
    curvature : array_like
        Curvature of the path seen from above, 1/m, positive to the left.
    banking : array_like
        Banking, rad, positive where the right side is higher.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    ndarray
        v^2 k cos(b) - g sin(b), m/s2, positive to the left. Zero at `ideal_speed`; below it the car is held up.

    Raises
    ------
    LapkitError
        If the banking is 90 degrees or more.

    Examples
    --------
    >>> bool(abs(in_plane_acceleration(ideal_speed(80.0, 0.3), 1 / 80.0, 0.3)) < 1e-12)
    True
    """
    angle = _banked(banking)
    return np.asarray(np.square(speed) * np.asarray(curvature) * np.cos(angle) - gravity * np.sin(angle))


def normal_acceleration(
    speed: ArrayLike, curvature: ArrayLike, banking: ArrayLike, *, gravity: float = STANDARD_GRAVITY
) -> FloatArray:
    """Return how hard the car is pressed on the surface, per unit mass.

    Parameters
    ----------
    speed, curvature, banking, gravity
        As in `in_plane_acceleration`.

    Returns
    -------
    ndarray
        v^2 k sin(b) + g cos(b), m/s2, positive where the car is pressed on.

    Raises
    ------
    LapkitError
        If the banking is 90 degrees or more.

    Examples
    --------
    A car on a flat road is pressed on by its weight alone, whatever its speed.

    >>> float(normal_acceleration(50.0, 0.01, 0.0))
    9.80665
    """
    angle = _banked(banking)
    return np.asarray(np.square(speed) * np.asarray(curvature) * np.sin(angle) + gravity * np.cos(angle))


def speed_after_drop(speed: ArrayLike, height: ArrayLike, *, gravity: float = STANDARD_GRAVITY) -> FloatArray:
    """Return the speed after giving up height, nothing else acting.

    Parameters
    ----------
    speed : array_like
        Speed above, m/s.
    height : array_like
        Height given up, m; negative for a climb.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    ndarray
        sqrt(v^2 + 2 g h), m/s; NaN where the speed does not carry the car up.

    Examples
    --------
    A metre is worth more to a slow car (first row: OpenStax, University Physics Volume 1, section 8.3).

    >>> round(float(speed_after_drop(15.0, 20.0, gravity=9.80)), 1)
    24.8
    >>> [round(float(speed_after_drop(v, 1.0)) - v, 2) for v in (20.0, 40.0, 60.0)]
    [0.48, 0.24, 0.16]
    """
    square = np.square(np.asarray(speed, dtype=np.float64)) + 2.0 * gravity * np.asarray(height, dtype=np.float64)
    return np.asarray(np.sqrt(np.where(square >= 0, square, np.nan)))
