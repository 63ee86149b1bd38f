"""Track geometry: a centre line of straights, clothoids and arcs, with banking and height.

Heading and curvature are exact functions of the station (metres along the centre line from
the start/finish line); x and y come from Gauss-Legendre quadrature in cells so short that the
error is rounding. Offset from the centre line is horizontal and positive to the left.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from lapkit.channels import FloatArray
from lapkit.errors import LapkitError
from lapkit.simulate.line import Line, PathGeometry

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(8)
_NODES, _WEIGHTS = (_NODES + 1) / 2, _WEIGHTS / 2  # on [0, 1]
_CELL, _TURN = 2.0, 0.4  # m and rad: over so little, 8-point quadrature is exact to rounding


@dataclass(frozen=True)
class Element:
    """A piece of centre line whose curvature changes linearly along it.

    Attributes
    ----------
    length : float
        Length (m).
    start_curvature, end_curvature : float
        Curvature at its ends (1/m), positive to the left. Both zero is a straight,
        both equal an arc, anything else a clothoid (Euler spiral).
    start_banking, end_banking : float
        Banking at its ends (rad), positive where the right side is higher.
    corner : str
        Name of the corner it belongs to, empty on a straight.
    """

    length: float
    start_curvature: float = 0.0
    end_curvature: float = 0.0
    start_banking: float = 0.0
    end_banking: float = 0.0
    corner: str = ""


def straight(length: float, banking: float = 0.0) -> Element:
    """Return a straight of `length` metres with constant `banking` (rad).

    Examples
    --------
    >>> straight(120.0).end_curvature
    0.0
    """
    return Element(length, start_banking=banking, end_banking=banking)


def corner(
    name: str,
    radius: float,
    angle: float,
    transition: float,
    *,
    banking: float = 0.0,
    straight_banking: float = 0.0,
) -> list[Element]:
    """Return clothoid, arc and clothoid that turn through `angle` in all.

    Parameters
    ----------
    name : str
        Name of the corner.
    radius : float
        Radius of the arc (m), positive.
    angle : float
        Angle turned from straight to straight (rad), positive to the left.
    transition : float
        Length of each clothoid (m).
    banking, straight_banking : float
        Banking of the arc and of the straights beside it (rad), positive where the right
        side is higher.

    Returns
    -------
    list of Element
        Three elements.

    Raises
    ------
    LapkitError
        If the clothoids alone turn further than `angle`.

    Examples
    --------
    >>> [round(e.length, 3) for e in corner("1", 100.0, 1.5, 40.0)]
    [40.0, 110.0, 40.0]
    """
    arc = abs(angle) * radius - transition
    if arc < 0:
        raise LapkitError(
            f"corner {name}: two transitions of {transition:g} m at radius {radius:g} m turn "
            f"{transition / radius:.3f} rad, more than the {abs(angle):.3f} rad asked for; use a shorter transition."
        )
    curvature = float(np.copysign(1 / radius, angle))
    return [
        Element(transition, 0.0, curvature, straight_banking, banking, name),
        Element(arc, curvature, curvature, banking, banking, name),
        Element(transition, curvature, 0.0, banking, straight_banking, name),
    ]


class Corner(NamedTuple):
    """A corner of the track as it was built.

    Attributes
    ----------
    name : str
        Its name.
    start, end : float
        Stations where its first clothoid begins and its last one ends (m).
    direction : {"left", "right"}
        Which way it turns.
    radius : float
        Radius of the centre line at its tightest (m).
    """

    name: str
    start: float
    end: float
    direction: str
    radius: float


class Track:
    """A centre line built from elements, starting at the start/finish line.

    Parameters
    ----------
    elements : sequence of Element
        In driving order; the first begins at the start/finish line.
    name : str
        Name of the track.
    origin : (float, float)
        x and y of the start/finish line (m).
    heading : float
        Direction of travel at the line, anticlockwise from x (rad).
    relief : sequence of (float, float, float)
        Height of the centre line as a sum of cosines: amplitude (m), whole cycles per lap,
        phase (rad). The banking turns the surface about the centre line.
    closed : bool
        Whether the last element ends where the first begins. False allows a drag strip.

    Raises
    ------
    LapkitError
        If a closed track does not close within 1e-6 m and 1e-9 rad.

    Examples
    --------
    >>> circle = Track([Element(200 * np.pi, 0.01, 0.01)])
    >>> x, y = circle.xy(100 * np.pi)
    >>> round(abs(float(x)), 9), round(float(y), 9)
    (0.0, 200.0)
    """

    def __init__(
        self,
        elements: Sequence[Element],
        *,
        name: str = "",
        origin: tuple[float, float] = (0.0, 0.0),
        heading: float = 0.0,
        relief: Sequence[tuple[float, float, float]] = (),
        closed: bool = True,
    ) -> None:
        self.elements = tuple(elements)
        self.name, self.origin, self.closed, self.relief = name, origin, closed, tuple(relief)
        lengths = np.array([e.length for e in elements])
        self._k0 = np.array([e.start_curvature for e in elements])
        self._rate = (np.array([e.end_curvature for e in elements]) - self._k0) / lengths
        self._bank0 = np.array([e.start_banking for e in elements])
        self._bank_change = np.array([e.end_banking for e in elements]) - self._bank0
        self._lengths = lengths
        self._ends = np.cumsum(lengths)
        self._starts = self._ends - lengths
        self.length = float(self._ends[-1])
        turned = self._k0 * lengths + self._rate * lengths**2 / 2
        self._psi0 = heading + np.concatenate([[0.0], np.cumsum(turned)[:-1]])
        self.turned = float(turned.sum())

        sharpest = np.maximum(np.abs(self._k0), np.abs(self._k0 + self._rate * lengths))
        counts = np.ceil(np.maximum(lengths / _CELL, lengths * sharpest / _TURN)).astype(int)
        cells = [np.linspace(0, n, count, endpoint=False) for n, count in zip(lengths, counts, strict=True)]
        self._cells = np.concatenate([c + s for c, s in zip(cells, self._starts, strict=True)])
        widths = np.diff(self._cells, append=self.length)
        steps = self._quadrature(self._cells, widths)
        nodes = np.cumsum(steps, axis=1) + np.array(origin)[:, None]
        self._cell_xy = np.concatenate([np.array(origin)[:, None], nodes[:, :-1]], axis=1)
        self.closing_error = float(np.hypot(*(nodes[:, -1] - np.array(origin))))
        if closed and (self.closing_error > 1e-6 or not _whole_turns(self.turned)):
            raise LapkitError(
                f"track '{name}' does not close: it ends {self.closing_error:.6f} m from its start after turning "
                f"{np.degrees(self.turned):.6f} degrees (expected 0 m and 360 degrees, or 0 where it crosses itself); pass "
                "its elements through close_straights first, or closed=False for an open road."
            )

    def _find(self, station: FloatArray) -> tuple[np.ndarray, FloatArray]:
        s = np.mod(station, self.length) if self.closed else station
        index = np.clip(np.searchsorted(self._starts, s, side="right") - 1, 0, len(self._starts) - 1)
        return index, s - self._starts[index]

    def _quadrature(self, station: FloatArray, width: FloatArray) -> FloatArray:
        """Displacement (2, n) over `width` metres from `station`, within one element."""
        index, u = self._find(station)
        at = u[..., None] + width[..., None] * _NODES
        psi = self._psi0[index][..., None] + (self._k0[index][..., None] + self._rate[index][..., None] * at / 2) * at
        return np.stack([(np.cos(psi) @ _WEIGHTS) * width, (np.sin(psi) @ _WEIGHTS) * width])

    def heading(self, station: ArrayLike) -> FloatArray:
        """Return the direction of the centre line (rad), anticlockwise from x."""
        index, u = self._find(np.asarray(station, dtype=float))
        return np.asarray(self._psi0[index] + (self._k0[index] + self._rate[index] * u / 2) * u)

    def curvature(self, station: ArrayLike) -> FloatArray:
        """Return the curvature of the centre line (1/m), positive to the left."""
        index, u = self._find(np.asarray(station, dtype=float))
        return np.asarray(self._k0[index] + self._rate[index] * u)

    def _banking(self, index: np.ndarray, u: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Banking (rad) and its rate: a quintic step within an element, so that it has no kink."""
        f = np.clip(u / self._lengths[index], 0, 1)
        change = self._bank_change[index]
        value = self._bank0[index] + change * f**3 * (10 - 15 * f + 6 * f**2)
        return value, change * 30 * f**2 * (1 - f) ** 2 / self._lengths[index]

    def banking(self, station: ArrayLike) -> FloatArray:
        """Return the banking (rad), positive where the right side is higher."""
        return self._banking(*self._find(np.asarray(station, dtype=float)))[0]

    def _height(self, station: FloatArray) -> tuple[FloatArray, FloatArray]:
        z, z1 = np.zeros(station.shape), np.zeros(station.shape)
        for amplitude, cycles, phase in self.relief:
            k = 2 * np.pi * cycles / self.length
            z = z + amplitude * (np.cos(k * station + phase) - np.cos(phase))
            z1 = z1 - amplitude * k * np.sin(k * station + phase)
        return z, z1

    def xy(self, station: ArrayLike, offset: ArrayLike = 0.0) -> tuple[FloatArray, FloatArray]:
        """Return x and y (m) at `offset` metres to the left of the centre line.

        Examples
        --------
        >>> road = Track([straight(100.0)], closed=False)
        >>> [float(c) for c in road.xy(40.0, 3.0)]
        [40.0, 3.0]
        """
        raw = np.asarray(station, dtype=float)
        s = np.mod(raw, self.length) if self.closed else raw
        e = np.asarray(offset, dtype=float)
        cell = np.clip(np.searchsorted(self._cells, s, side="right") - 1, 0, len(self._cells) - 1)
        x, y = self._quadrature(self._cells[cell], s - self._cells[cell])
        psi = self.heading(s)
        return self._cell_xy[0][cell] + x - e * np.sin(psi), self._cell_xy[1][cell] + y + e * np.cos(psi)

    def height(self, station: ArrayLike, offset: ArrayLike = 0.0) -> FloatArray:
        """Return the height of the surface (m), zero on the centre line at the start/finish line."""
        s = np.asarray(station, dtype=float)
        return np.asarray(self._height(s)[0] - np.asarray(offset, dtype=float) * np.tan(self.banking(s)))

    def along(self, station: ArrayLike, line: Line, *, element: int | None = None) -> PathGeometry:
        """Return the shape of a driven line at each station.

        Parameters
        ----------
        station : array_like, shape (n,)
            Stations (m).
        line : Line
            Offset as a function of station.
        element : int, optional
            Take the centre line to go on as this element does, also beyond its ends. None finds
            the element of each station; where two meet, the following one counts.

        Returns
        -------
        PathGeometry
            Arrays of shape (n,).

        Notes
        -----
        With the line r = R + e N on a centre line of curvature k:
        r' = (1 - k e) T + e' N, and its curvature is (r' x r'') / |r'|^3.
        """
        s = np.asarray(station, dtype=float)
        index, u = self._find(s) if element is None else (np.array(element), s - self._starts[element])
        k, k1 = self._k0[index] + self._rate[index] * u, self._rate[index]
        psi = self._psi0[index] + (self._k0[index] + self._rate[index] * u / 2) * u
        e, e1, e2 = line(s)
        forward = 1 - k * e
        level = np.hypot(forward, e1)
        cross = forward * (k * forward + e2) + e1 * (k1 * e + 2 * k * e1)
        beta, beta1 = self._banking(index, u)
        rise = self._height(s)[1] - e1 * np.tan(beta) - e * beta1 / np.cos(beta) ** 2
        stretch = np.hypot(level, rise)
        return PathGeometry(stretch, level, cross / level**3, psi + np.arctan2(e1, forward), rise / stretch)

    @property
    def boundaries(self) -> list[float]:
        """Stations (m) where one element meets the next."""
        return [float(e) for e in self._ends[:-1]]

    @property
    def start_line(self) -> tuple[float, float, float]:
        """Start/finish line: x (m), y (m) and direction of travel (rad, anticlockwise from x)."""
        return (*self.origin, float(self._psi0[0]))

    @property
    def turns(self) -> list[Corner]:
        """The corners in driving order."""
        found = []
        for name in dict.fromkeys(e.corner for e in self.elements if e.corner):
            own = [i for i, e in enumerate(self.elements) if e.corner == name]
            ends = [k for i in own for k in (self.elements[i].start_curvature, self.elements[i].end_curvature)]
            sharpest = max(ends, key=abs)
            direction = "left" if sharpest > 0 else "right"
            start, end = float(self._starts[own[0]]), float(self._ends[own[-1]])
            found.append(Corner(name, start, end, direction, 1 / abs(sharpest)))
        return found

    @property
    def corners(self) -> pd.DataFrame:
        """The corners as a table: corner, start_distance, end_distance (m), direction, radius (m)."""
        return pd.DataFrame(self.turns, columns=["corner", "start_distance", "end_distance", "direction", "radius"])


def _whole_turns(angle: float) -> bool:
    return bool(abs(angle - 2 * np.pi * round(angle / (2 * np.pi))) <= 1e-9)


def close_straights(elements: Sequence[Element]) -> list[Element]:
    """Return the elements with the straights' lengths changed so that the track closes.

    The headings do not depend on the lengths of the straights, so the closing error is linear
    in them: one least-squares solution, the smallest relative change that closes, is exact.

    Parameters
    ----------
    elements : sequence of Element
        Elements that turn through 360 degrees in all (or 0: a figure of eight), with straights in at least two directions.

    Returns
    -------
    list of Element
        The same elements with other lengths of the straights.

    Raises
    ------
    LapkitError
        If the elements do not turn through whole circles, or a straight would have no length.

    Examples
    --------
    >>> quarter = corner("c", 50.0, np.pi / 2, 20.0)
    >>> loop = [straight(100.0), *quarter, straight(60.0), *quarter, straight(90.0), *quarter, straight(50.0), *quarter]
    >>> Track(loop, closed=False).closing_error > 10, Track(close_straights(loop)).closing_error < 1e-9
    (True, True)
    """
    road = Track(elements, closed=False)
    if not _whole_turns(road.turned):
        raise LapkitError(
            f"the elements turn through {np.degrees(road.turned):.6f} degrees; a closed track turns through 360, or 0 where "
            "it crosses itself. Change the angle of a corner."
        )
    straights = [i for i, e in enumerate(elements) if e.start_curvature == e.end_curvature == 0]
    end = np.array(road.xy(road.length))
    headings = road._psi0[straights]
    lengths = np.array([elements[i].length for i in straights])
    share = np.linalg.lstsq(np.stack([np.cos(headings), np.sin(headings)]) * lengths, -end, rcond=None)[0]
    change = share * lengths
    result = list(elements)
    for i, d in zip(straights, change, strict=True):
        result[i] = replace(elements[i], length=elements[i].length + float(d))
        if result[i].length <= 0:
            raise LapkitError(
                f"closing the track would leave element {i} with {result[i].length:.1f} m; "
                "start from lengths and angles that nearly close."
            )
    return result
