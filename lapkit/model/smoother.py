"""The likeliest drift of position at places round the laps: one banded system of least squares.

A Kalman smoother as least squares over all nodes at once: each pair or triple of neighbours adds what its process allows,
each measurement what it says (textbooks on optimal estimation, such as Bryson and Ho, Applied Optimal Control; from
memory).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray

BEND_LENGTH = (6.0, 200.0)  # m; a driver's deviation changes within a length between these
VARIED = (0.005, 3.0)  # m; and its size is looked for between these
TRIES = 40  # likelihoods asked for at most


@dataclass(frozen=True)
class Nodes:
    """Laps at places `spacing` metres apart.

    Attributes
    ----------
    time, offset : ndarray, shape (n,)
        Clock (s) and metres to the left of the line, NaN where unknown.
    gained : ndarray, shape (n,)
        Metres by position less metres by speed.
    east, north : ndarray, shape (n,)
        Direction of the track.
    lap, station : ndarray of int, shape (n,)
        Which lap, and which place of it.
    spacing : float
        m.
    """

    time: FloatArray
    offset: FloatArray
    gained: FloatArray
    east: FloatArray
    north: FloatArray
    lap: NDArray[np.intp]
    station: NDArray[np.intp]
    spacing: float

    def part(self, which: NDArray[np.bool_]) -> Nodes:
        """Some of the nodes, neighbours all."""
        names = ("time", "offset", "gained", "east", "north", "lap", "station")
        return replace(self, **{name: getattr(self, name)[which] for name in names})

    def usual(self, values: FloatArray) -> FloatArray:
        """The median over the laps of what is at the same station; zero where nothing is known."""
        table = np.full((int(self.lap[-1]) + 1, int(self.station.max()) + 1), np.nan)
        table[self.lap, self.station] = values
        table.sort(axis=0)  # NaN last
        count, column = np.sum(np.isfinite(table), axis=0), np.arange(table.shape[1])
        high = table[np.minimum(count // 2, len(table) - 1), column]
        return np.asarray(np.nan_to_num(0.5 * (table[np.maximum(count - 1, 0) // 2, column] + high))[self.station])

    def turned(self, steps: int) -> FloatArray:
        """Cosine of the angle the track turns from each node to the one `steps` on."""
        return np.asarray(self.east[steps:] * self.east[:-steps] + self.north[steps:] * self.north[:-steps])

    def wait(self, steps: int) -> FloatArray:
        """Seconds from each node to the one `steps` on."""
        return np.asarray(self.time[steps:] - self.time[:-steps])

    def kept(self, memory: float) -> FloatArray:
        """Share of a drift of so much memory, s, that is left from each node to the next."""
        return np.asarray(np.exp(-np.maximum(self.wait(1), 1e-3) / memory))

    def steps(self, metres: FloatArray) -> list[int]:
        """Whole nodes nearest to given distances, each once."""
        return sorted({max(1, round(float(k) / self.spacing)) for k in metres})

    def across(self, drift: FloatArray) -> FloatArray:
        """The part of drift, shape (n, 2), to the left of the track."""
        return np.asarray(self.east * drift[:, 1] - self.north * drift[:, 0])

    def around(self, found: NDArray[np.bool_], reach: float) -> NDArray[np.bool_]:
        """What lies within `reach` metres of any found."""
        return np.asarray(np.convolve(found, np.ones(2 * round(reach / self.spacing) + 1), mode="same") > 0.5)


class LikeliestDriver(NamedTuple):
    """The driver's deviations that make what was measured likeliest.

    Attributes
    ----------
    varied, length : float
        Their standard deviation, and the length within which they change, m.
    deviance : float
        Minus twice the logarithm of the likelihood, but for what is the same for every driver and every drift.
    """

    varied: float
    length: float
    deviance: float


def system(nodes: Nodes, *, size: float, memory: float, length: float, white: float, stray: float) -> FloatArray:
    """Return the banded system but for what offsets say.

    Parameters
    ----------
    nodes : Nodes
    size, memory : float
        Standard deviation (m) and time constant (s) of the drift.
    length : float
        Metres within which a driver's deviation changes.
    white : float
        White error of what is measured at a node, m.
    stray : float
        How metres by speed stray, m per sqrt(m).

    Returns
    -------
    ndarray, shape (9, 4 n)
        Lower form. A node's unknowns are drift to the east and north, the driver's deviation in units of its spread, and
        metres by position ahead of metres by speed.
    """
    bands = np.zeros((9, 4 * len(nodes.time)))
    kept = nodes.kept(memory)
    for axis in (0, 1):
        _add(bands, [(axis, -kept), (axis + 4, 1.0)], 1.0 / (size**2 * (1.0 - kept**2)))
    bands[0, :2] += 1.0 / size**2
    keep = float(np.exp(-nodes.spacing / length))
    weight = np.full(len(kept) - 1, _bending(keep))
    _add(bands, [(2, keep**2), (6, -2.0 * keep), (10, 1.0)], weight)
    _add(bands, [(2, -_alike(keep)), (6, 1.0)], np.array([1.0 / (1.0 - _alike(keep) ** 2)]))
    bands[0, 2] += 1.0
    known = np.isfinite(nodes.offset)
    east, north = 0.5 * (nodes.east[1:] + nodes.east[:-1]), 0.5 * (nodes.north[1:] + nodes.north[:-1])
    firm = (known[1:] & known[:-1]) / (stray**2 * nodes.spacing)
    _add(bands, [(0, east), (1, north), (3, -1.0), (4, -east), (5, -north), (7, 1.0)], firm)
    bands[0, 3::4] += 1.0 / white**2
    return bands


def solve(
    nodes: Nodes,
    bands: FloatArray,
    beside: FloatArray,
    gained: FloatArray,
    trusted: NDArray[np.bool_],
    spread: FloatArray,
    *,
    white: float,
    reach: float = 0.0,
) -> tuple[FloatArray, float, float]:
    """Return the likeliest drift at each node, and its standard errors.

    Parameters
    ----------
    nodes : Nodes
    bands : ndarray, shape (9, 4 n)
        From `system`.
    beside, gained : ndarray, shape (n,)
        Offset from the usual line, metres by position ahead of metres by speed, m.
    trusted : ndarray of bool, shape (n,)
        Where the offset says something of drift.
    spread : ndarray, shape (n,)
        Standard deviation of the driver's deviations, m.
    white : float
        White error of both, m.
    reach : float
        Seconds after which drift is forgotten: the standard errors are probed at nodes so far apart, all at once. 0 does not.

    Returns
    -------
    drift : ndarray, shape (n, 2)
        To the east and north, m.
    left, at_line : float
        Standard error of either anywhere, and of drift along the track at station 0, m; NaN where not probed.
    """
    from scipy.linalg import cho_solve_banded

    factor, right = _posed(nodes, bands, beside, gained, trusted, spread, white)
    if not reach > 0:
        return cho_solve_banded(factor, right, check_finite=False).reshape(-1, 4)[:, :2], np.nan, np.nan
    comb = max(2, round(reach / float(np.median(nodes.wait(1)))))
    line = np.flatnonzero(nodes.station == 0)
    each = max(1, int(np.ceil(comb / (int(nodes.station.max()) + 1))))
    line = 4 * line[min(each // 2, len(line) - 1) :: each]
    probe = np.zeros((bands.shape[1], 2))
    probe[:: 4 * comb, 0] = probe[4 * (comb // 2) + 1 :: 4 * comb, 0] = 1.0  # east, and north half a comb on
    probe[line, 1], probe[line + 1, 1] = nodes.east[line // 4], nodes.north[line // 4]
    found = cho_solve_banded(factor, np.hstack([right, probe]), check_finite=False)
    said = np.sum(probe * found[:, 1:], axis=0) / [np.count_nonzero(probe[:, 0]), len(line)]
    return found[:, 0].reshape(-1, 4)[:, :2], float(np.sqrt(said[0])), float(np.sqrt(said[1]))


def likeliest_driver(
    nodes: Nodes,
    beside: FloatArray,
    gained: FloatArray,
    trusted: NDArray[np.bool_],
    *,
    size: float,
    memory: float,
    white: float,
    stray: float,
    varied: float,
    length: float,
) -> LikeliestDriver:
    """Return the driver's deviations that make what was measured likeliest, drift and all.

    Parameters
    ----------
    nodes : Nodes
    beside, gained, trusted : ndarray, shape (n,)
        As for `solve`.
    size, memory, white, stray : float
        As for `system`.
    varied, length : float
        First guess: their standard deviation and the length within which they change, m.

    Returns
    -------
    LikeliestDriver

    Notes
    -----
    The likelihood of a linear Gaussian model, its unknowns integrated out, is known from one factor of its system: the
    determinant, and how well it fits.
    """
    from scipy.linalg import cho_solve_banded
    from scipy.optimize import minimize

    low, high = np.log(np.array([VARIED, BEND_LENGTH]).T)
    drifts = 2.0 * float(np.log(size**2 * (1.0 - nodes.kept(memory) ** 2)).sum() + np.log(size**2))

    def deviance(guess: FloatArray) -> float:
        spread, within = np.exp(np.clip(guess, low, high))
        bands = system(nodes, size=size, memory=memory, length=within, white=white, stray=stray)
        factor, right = _posed(nodes, bands, beside, gained, trusted, np.full(len(beside), spread), white)
        fits = float(np.sum(right * cho_solve_banded(factor, right, check_finite=False)))
        keep = float(np.exp(-nodes.spacing / within))
        bends = (len(beside) - 2) * float(np.log(_bending(keep))) - float(np.log(1.0 - _alike(keep) ** 2))
        return 2.0 * float(np.log(factor[0][0]).sum()) + drifts - bends - fits

    first = np.clip(np.log([varied, length]), low, high)
    corners = first + 0.4 * np.array([[0.0, 0.0], [1.0, 0.0], [0.0, 1.0]])
    options = {"maxfev": TRIES, "xatol": 0.05, "fatol": 1.0, "initial_simplex": corners}
    found = minimize(deviance, first, method="Nelder-Mead", options=options)  # type: ignore[call-overload]
    spread, within = np.exp(np.clip(found.x, low, high)).tolist()
    return LikeliestDriver(spread, within, float(found.fun))


def _bending(keep: float) -> float:
    """Weight of the change of a second-order process of unit size that keeps a share `keep` of itself from node to node."""
    return (1.0 + keep**2) / (1.0 - keep**2) ** 3


def _alike(keep: float) -> float:
    """Correlation of neighbouring nodes of that process."""
    return 2.0 * keep / (1.0 + keep**2)


def _posed(
    nodes: Nodes,
    bands: FloatArray,
    beside: FloatArray,
    gained: FloatArray,
    trusted: NDArray[np.bool_],
    spread: FloatArray,
    white: float,
) -> tuple[tuple[FloatArray, bool], FloatArray]:
    """The system's factor with what offsets say in it, and its right-hand side."""
    from scipy.linalg import cholesky_banded

    bands, seen = bands.copy(), trusted / white**2
    _add(bands, [(0, -nodes.north), (1, nodes.east), (2, spread)], seen)
    value = seen * beside
    sides = (-nodes.north * value, nodes.east * value, spread * value, gained / white**2)
    factor = cholesky_banded(bands, overwrite_ab=True, lower=True, check_finite=False)
    return (factor, True), np.stack(sides, axis=1).reshape(-1, 1)


def _add(bands: FloatArray, terms: list[tuple[int, FloatArray | float]], weight: FloatArray) -> None:
    """Add weight * (sum of coefficient * unknown)**2 for as many nodes as there are weights."""
    for k, (first, one) in enumerate(terms):
        for second, other in terms[k:]:
            bands[second - first, first::4][: len(weight)] += weight * one * other
