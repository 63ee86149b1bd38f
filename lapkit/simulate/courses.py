"""Two invented tracks: a banked oval and a road course. Neither exists anywhere."""

from __future__ import annotations

import numpy as np

from lapkit.errors import LapkitError
from lapkit.simulate.track import Element, Track, close_straights, corner, straight


def oval(
    *,
    radii: tuple[float, float] = (92.0, 80.0),
    straight_length: float = 270.0,
    transition: float = 60.0,
    banking: tuple[float, float] = (np.radians(16.0), np.radians(19.0)),
    straight_banking: float = np.radians(4.0),
    line_fraction: float = 0.55,
    heading: float = 0.3,
    origin: tuple[float, float] = (120.0, -80.0),
    name: str = "Marlow Basin Oval (invented)",
) -> Track:
    """Return a left-handed banked oval, symmetric about its long axis.

    With two radii the straights cannot be parallel: one end turns a little more than a half
    circle, the other as much less. The angle is solved for so that the oval closes.

    Parameters
    ----------
    radii : (float, float)
        Radius of the first and of the second end (m).
    straight_length : float
        Length of each straight (m).
    transition : float
        Length of each clothoid (m).
    banking : (float, float)
        Banking of the two ends (rad).
    straight_banking : float
        Banking of the straights (rad).
    line_fraction : float
        Where on its straight the start/finish line is, 0 to 1.
    heading : float
        Direction of travel at the line, anticlockwise from x (rad).
    origin : (float, float)
        Place of the line (m).
    name : str
        Name of the track.

    Returns
    -------
    Track
        Corners "1" and "2", both to the left.

    Raises
    ------
    LapkitError
        If no such oval exists (a straight too short for the difference of the radii).

    Examples
    --------
    >>> track = oval()
    >>> 1000 < track.length < 1300, track.closing_error < 1e-6
    (True, True)
    """
    from scipy.optimize import brentq

    def ends(tilt: float) -> tuple[list[Element], list[Element]]:
        turns = [
            corner(
                str(i + 1), radii[i], np.pi + sign * 2 * tilt, transition,
                banking=banking[i], straight_banking=straight_banking,
            )
            for i, sign in enumerate((1, -1))
        ]  # fmt: skip
        return turns[0], turns[1]

    def gap(tilt: float) -> float:
        first, second = ends(tilt)
        road = Track(
            [straight(straight_length), *first, straight(straight_length), *second], closed=False, heading=-tilt
        )
        return float(road.xy(road.length)[1])  # the long axis is x, so by symmetry only y can miss

    try:
        tilt = float(brentq(gap, -0.7, 0.7, xtol=1e-15, rtol=1e-14))
    except ValueError as error:
        raise LapkitError(
            f"no oval has ends of {radii[0]:g} m and {radii[1]:g} m with straights of {straight_length:g} m; "
            "use longer straights or radii closer together."
        ) from error
    first, second = ends(tilt)
    front, back = straight_length * (1 - line_fraction), straight_length * line_fraction
    elements = [
        straight(front, straight_banking), *first,
        straight(straight_length, straight_banking), *second, straight(back, straight_banking),
    ]  # fmt: skip
    return Track(elements, name=name, origin=origin, heading=heading)


def stadium(straight_length: float, radius: float, *, transition: float = 0.0, name: str = "stadium") -> Track:
    """Return a flat stadium: two equal straights and two equal half circles to the left.

    Parameters
    ----------
    straight_length, radius : float
        Length of a straight and radius of the half circles (m).
    transition : float
        Length of each clothoid (m); zero gives plain half circles.
    name : str
        Name of the track.

    Returns
    -------
    Track
        Starts at the beginning of a straight, at the origin, heading along x.

    Examples
    --------
    >>> round(stadium(100.0, 50.0).length, 4)
    514.1593
    """
    ends = [[e for e in corner(str(i), radius, np.pi, transition) if e.length > 0] for i in (1, 2)]
    return Track([straight(straight_length), *ends[0], straight(straight_length), *ends[1]], name=name)


def road_course(*, name: str = "Quarry Fen Road Course (invented)") -> Track:
    """Return a right-handed road course with a hairpin, a fast bend and esses.

    Parameters
    ----------
    name : str
        Name of the track.

    Returns
    -------
    Track
        Between 2 and 3 km, corners numbered from the start/finish line, gently hilly.

    Examples
    --------
    >>> track = road_course()
    >>> 2000 < track.length < 3000, sorted(set(track.corners["direction"]))
    (True, ['left', 'right'])
    """
    turn = np.radians
    elements = [
        straight(200.0),
        *corner("1", 45.0, turn(-90.0), 22.0, banking=turn(-3.0)),
        straight(110.0),
        *corner("2", 55.0, turn(55.0), 22.0),
        straight(15.0),
        *corner("3", 50.0, turn(-75.0), 22.0),
        straight(15.0),
        *corner("4", 55.0, turn(40.0), 22.0),
        straight(170.0),
        *corner("5", 12.0, turn(-150.0), 9.0),
        straight(200.0),
        *corner("6", 190.0, turn(35.0), 50.0, banking=turn(4.0)),
        straight(190.0),
        *corner("7", 80.0, turn(30.0), 20.0),
        straight(60.0),
        *corner("8", 60.0, turn(-115.0), 30.0, banking=turn(-2.0)),
        straight(200.0),
        *corner("9", 38.0, turn(-90.0), 18.0),
        straight(250.0),
    ]
    return Track(
        close_straights(elements), name=name, origin=(-60.0, 40.0), heading=1.1,
        relief=[(4.0, 1, 0.7), (1.5, 3, 2.0)],
    )  # fmt: skip
