"""Weights, load transfer and steer of a car that stands or turns steadily on a level road, in closed form.

Signs after ISO 8855: left positive. These are the handbooks' formulas for a rigid car and straight-line tyres; a real car has compliance,
camber, air and a track that is not level. They explain figures, they promise none.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import LapkitError


def _number(name: str, value: ArrayLike, *, above: float | None = 0.0) -> FloatArray:
    found = np.asarray(value, dtype=np.float64)
    if above is not None and not (found > above).all():
        raise LapkitError(f"{name} of {float(np.min(found)):g} is not above {above:g}; give it in SI units.")
    return found


def centre_of_mass(wheelbase: ArrayLike, front_share: ArrayLike) -> FloatArray:
    """Return how far the centre of mass lies in front of the rear axle.

    Parameters
    ----------
    wheelbase : array_like
        m.
    front_share : array_like
        Share of the weight on the front axle, 0..1.

    Returns
    -------
    ndarray
        m.

    Raises
    ------
    LapkitError
        If the wheelbase is not above 0, or the share not between 0 and 1 (52 % is 0.52).

    References
    ----------
    Balance of moments: OpenStax, University Physics Volume 1, chapter 12.

    Examples
    --------
    >>> float(centre_of_mass(2.5, 0.52))
    1.3
    """
    share = np.asarray(front_share, dtype=np.float64)
    if not ((share >= 0) & (share <= 1)).all():
        raise LapkitError(f"a front share of {float(np.max(share)):g} is not between 0 and 1; 52 % is 0.52.")
    return np.asarray(_number("a wheelbase", wheelbase) * share)


def load_transfer(
    mass: ArrayLike,
    lateral_acceleration: ArrayLike,
    height: ArrayLike,
    track_width: ArrayLike,
    *,
    gravity: float = STANDARD_GRAVITY,
) -> FloatArray:
    """Return the load that moves from the inside to the outside wheels of an axle, as a mass.

    Parameters
    ----------
    mass : array_like
        Mass that the axle carries, kg.
    lateral_acceleration : array_like
        m/s2; on a banked road that in the plane of the road, friction across the car over mass.
    height : array_like
        Height of the centre of mass above the ground, m.
    track_width : array_like
        Distance between the wheels of the axle, m.
    gravity : float
        Acceleration of free fall, m/s2, by which a force becomes a mass.

    Returns
    -------
    ndarray
        kg added to the right wheel and taken off the left one in a left turn (positive acceleration).

    Raises
    ------
    LapkitError
        If mass, height or track width is not above 0.

    Notes
    -----
    A rigid car, each axle by itself: how springs and bars divide the transfer between the axles is left out.

    Examples
    --------
    >>> round(float(load_transfer(750.0, STANDARD_GRAVITY, 0.52, 1.58)), 1)
    246.8
    """
    carried, high, wide = _number("a mass", mass), _number("a height", height), _number("a track width", track_width)
    return np.asarray(carried * np.asarray(lateral_acceleration, dtype=np.float64) / gravity * high / wide)


def roll_stiffness(stiffness: ArrayLike, spacing: ArrayLike) -> FloatArray:
    """Return the roll stiffness that two equal springs give an axle: half the stiffness times the spacing squared.

    Parameters
    ----------
    stiffness : array_like
        Of one spring, N/m (at the wheel, with the wheels' spacing).
    spacing : array_like
        Distance between the springs, m.

    Returns
    -------
    ndarray
        N m/rad.

    Raises
    ------
    LapkitError
        If either is not above 0.

    References
    ----------
    T. D. Gillespie, Fundamentals of Vehicle Dynamics, chapter 6 (formula from memory).

    Examples
    --------
    >>> round(float(roll_stiffness(30_000.0, 1.2)))
    21600
    """
    return np.asarray(0.5 * _number("a stiffness", stiffness) * _number("a spacing", spacing) ** 2)


def ackermann_angle(wheelbase: ArrayLike, radius: ArrayLike, *, tangent: bool = False) -> FloatArray:
    """Return the road-wheel angle that a turn takes at walking pace, without slip.

    Parameters
    ----------
    wheelbase : array_like
        m.
    radius : array_like
        Of the turn, in the same unit; negative for a right turn, infinite for none.
    tangent : bool
        The angle whose tangent is wheelbase over radius, as SAE J670 has it, instead of wheelbase over radius itself.
        The two differ by 0.09 degrees at 15 m.

    Returns
    -------
    ndarray
        rad, left positive.

    Raises
    ------
    LapkitError
        If the wheelbase is not above 0.

    Examples
    --------
    >>> round(float(np.degrees(ackermann_angle(100.6, 200 * 12))), 2)
    2.4
    """
    ratio = _number("a wheelbase", wheelbase) / np.asarray(radius, dtype=np.float64)
    return np.asarray(np.arctan(ratio) if tangent else ratio)


def understeer_coefficient(
    front_load: ArrayLike, rear_load: ArrayLike, front_stiffness: ArrayLike, rear_stiffness: ArrayLike
) -> FloatArray:
    """Return the understeer coefficient: front load over front cornering stiffness less the same of the rear.

    Parameters
    ----------
    front_load, rear_load : array_like
        On the axles, N.
    front_stiffness, rear_stiffness : array_like
        Cornering stiffness of the axles, N/rad: twice that of a tyre.

    Returns
    -------
    ndarray
        rad of road wheel per g, positive for understeer. In rad s2/m, as `lapkit.analysers.balance.balance` has it, it is this
        over the acceleration of free fall.

    Raises
    ------
    LapkitError
        If a load or stiffness is not above 0.

    References
    ----------
    J. Y. Wong, Theory of Ground Vehicles, chapter 5 (from memory).

    Examples
    --------
    >>> round(float(understeer_coefficient(10_756.0, 9_349.0, 77_840.0, 76_500.0)), 3)
    0.016
    """
    front = _number("a front load", front_load) / _number("a front stiffness", front_stiffness)
    rear = _number("a rear load", rear_load) / _number("a rear stiffness", rear_stiffness)
    return np.asarray(front - rear)


def characteristic_speed(
    coefficient: ArrayLike, wheelbase: ArrayLike, *, gravity: float = STANDARD_GRAVITY
) -> FloatArray:
    """Return the speed at which an understeering car needs twice the Ackermann angle.

    Parameters
    ----------
    coefficient : array_like
        Understeer coefficient, rad per g.
    wheelbase : array_like
        m.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    ndarray
        m/s; infinite for a neutral car, NaN for one that oversteers: that has a `critical_speed`.

    Raises
    ------
    LapkitError
        If the wheelbase is not above 0.

    Examples
    --------
    >>> round(float(characteristic_speed(0.016, 2.8)), 1)
    41.4
    """
    return _speed_of(np.asarray(coefficient, dtype=np.float64), wheelbase, gravity)


def critical_speed(coefficient: ArrayLike, wheelbase: ArrayLike, *, gravity: float = STANDARD_GRAVITY) -> FloatArray:
    """Return the speed above which an oversteering car is unstable without the driver's hands.

    Parameters
    ----------
    coefficient : array_like
        Understeer coefficient, rad per g.
    wheelbase : array_like
        m.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    ndarray
        m/s; infinite for a neutral car, NaN for one that understeers.

    Raises
    ------
    LapkitError
        If the wheelbase is not above 0.

    Examples
    --------
    >>> round(float(critical_speed(-0.0097, 2.8)), 1)
    53.2
    """
    return _speed_of(-np.asarray(coefficient, dtype=np.float64), wheelbase, gravity)


def _speed_of(coefficient: FloatArray, wheelbase: ArrayLike, gravity: float) -> FloatArray:
    length = _number("a wheelbase", wheelbase)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.sqrt(np.where(coefficient < 0, np.nan, gravity * length / np.abs(coefficient))))
