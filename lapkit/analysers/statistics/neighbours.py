"""Laps that are like their neighbours: how much, and what that makes of the intervals of a fit."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from lapkit.analysers.statistics.regression import Fit
from lapkit.channels import FloatArray

CORRELATIONS = (0.0, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9)
"""Correlations of neighbouring laps that are thought possible (chosen: a tenth moves an interval by a tenth at most)."""
INDEPENDENT = 0.7
"""Chance beforehand that laps do not hang together at all; the rest is shared out evenly over the other correlations (chosen
by simulation: see `allow_for_neighbours`)."""
LEAST = 3
"""Degrees of freedom under which laps say nothing of it, and none is looked for (chosen)."""
ENOUGH = 30
"""Laps from which they tell how alike neighbours are well enough for the interval (from the simulations of
`allow_for_neighbours`)."""

SAID = 0.3
"""Correlation from which it is said that neighbours are alike (chosen: intervals are then a third wider)."""


class Neighbours(NamedTuple):
    """How alike neighbouring laps are.

    Attributes
    ----------
    correlations, chances : ndarray, shape (m,)
        Correlations of neighbouring laps, and the chance of each after looking at the laps; they sum to 1.
    squares : ndarray, shape (m,)
        Variance of a lap if that is the correlation, in units of that if it is none.
    """

    correlations: FloatArray
    chances: FloatArray
    squares: FloatArray

    @property
    def mean(self) -> float:
        """The correlation to be expected."""
        return float(self.chances @ self.correlations)


def neighbours_of(
    design: ArrayLike, fit: Fit, run: ArrayLike, at: ArrayLike, *, alone: float = INDEPENDENT
) -> Neighbours:
    """Read from the residuals of a fit how alike neighbouring laps are.

    Parameters
    ----------
    design : array_like, shape (n, p)
        Columns of the fit. The levels of runs are never taken for likeness of neighbours, whether it has them or not.
    fit : Fit
        Its residuals and weights are taken; laps of no weight are left out.
    run, at : array_like of int, shape (n,)
        Run of each lap and its place in the run, ascending: laps two apart are correlated by the square of the correlation.
    alone : float
        Chance beforehand of no correlation.

    Returns
    -------
    Neighbours

    Notes
    -----
    A first-order autoregression, each correlation weighed by its restricted likelihood: that is free of the bias that the plain
    correlation of the residuals of few laps has, which is -(1 + 4 r) / n about a level and more about a line. Negative
    correlations, which would make intervals shorter, are not thought of.

    References
    ----------
    D. A. Harville, Maximum likelihood approaches to variance component estimation, J. Amer. Statist. Assoc. 72 (1977) 320-338
    (restricted likelihood); M. G. Kendall, Biometrika 41 (1954) 403-404 (the bias). From memory.

    Examples
    --------
    >>> from lapkit.analysers.statistics.regression import least_squares
    >>> line, steps = np.column_stack([np.ones(60), np.arange(60.0)]), np.random.default_rng(1).normal(size=60)
    >>> drifting = np.array([sum(0.8**k * steps[i - k] for k in range(i + 1)) for i in range(60)])
    >>> [neighbours_of(line, least_squares(line, laps), np.zeros(60), np.arange(60)).mean > 0.5 for laps in (steps, drifting)]
    [False, True]
    """
    counted = fit.weights > 0
    root = np.sqrt(fit.weights[counted])
    levels = np.asarray(run)[:, None] == np.unique(run)
    columns = np.column_stack([np.asarray(design, dtype=np.float64), levels])[counted] * root[:, None]
    size = np.sqrt((columns**2).sum(axis=0))
    columns = columns / np.where(size > 0, size, 1.0)
    both = np.column_stack([columns, fit.residuals[counted] * root])
    runs, place = np.asarray(run)[counted], np.asarray(at, dtype=np.float64)[counted]
    known = np.array(CORRELATIONS)
    rank = int(np.linalg.matrix_rank(columns)) if columns.size else 0
    freedom = int(counted.sum()) - rank
    if freedom < LEAST:
        return Neighbours(np.zeros(1), np.ones(1), np.ones(1))
    gap = np.where(np.diff(runs) == 0, np.diff(place), np.inf)
    likelihood, squares = np.empty(len(known)), np.empty(len(known))
    for k, correlation in enumerate(known):
        shared = correlation**gap if correlation else np.zeros(len(gap))
        left = np.sqrt(1.0 - shared**2)
        white = np.vstack([both[:1], (both[1:] - shared[:, None] * both[:-1]) / left[:, None]])
        u, size, _ = np.linalg.svd(white[:, :-1], full_matrices=False)
        size, u = size[:rank], u[:, :rank]
        rest = white[:, -1] - u @ (u.T @ white[:, -1])
        squares[k] = max(float(rest @ rest), np.finfo(float).tiny)
        likelihood[k] = -np.log(left).sum() - np.log(size).sum() - 0.5 * freedom * math.log(squares[k])
    before = np.where(known == 0, alone, (1.0 - alone) / (len(known) - 1))
    chances = before * np.exp(likelihood - likelihood.max())
    return Neighbours(known, chances / chances.sum(), squares / squares[0])


def allow_for_neighbours(design: ArrayLike, fit: Fit, run: ArrayLike, at: ArrayLike) -> Fit:
    """Return a fit whose covariance allows for neighbouring laps being alike.

    Parameters
    ----------
    design : array_like, shape (n, p)
        Columns of the fit.
    fit : Fit
        The coefficients stay as they are, so those of parts still add up.
    run, at : array_like of int, shape (n,)
        Run of each lap, and its place in the run.

    Returns
    -------
    Fit
        With the covariance of these coefficients under each correlation, weighed by its chance; `correlation` is the one to be
        expected.

    Notes
    -----
    The coefficients remain those of (weighted) least squares, which are nearly as good under a first-order autoregression; only
    what is said of their uncertainty changes. Simulated straight runs, share of 95 % intervals of the fall-off that hold the truth
    where neighbours are correlated by 0, 0.3, 0.5 and 0.7 (``python tests/benchmarks/setup_cases.py alike``, 500 runs each):
    of 40 laps 0.95, 0.93, 0.94, 0.93; of 20 laps 0.98, 0.94, 0.92, 0.85; of 12 laps 0.98, 0.94, 0.90, 0.83, for so few cannot tell. Taken for
    independent the intervals of 20 and 40 laps hold in two of three at 0.5 and in half at 0.7.

    References
    ----------
    G. E. P. Box, G. M. Jenkins and G. C. Reinsel, Time Series Analysis, third edition (1994), section 9.5 (regression with
    correlated errors); D. Cochrane and G. H. Orcutt, J. Amer. Statist. Assoc. 44 (1949) 32-61. From memory.

    Examples
    --------
    >>> from lapkit.analysers.statistics.regression import least_squares
    >>> line, steps = np.column_stack([np.ones(40), np.arange(40.0)]), np.random.default_rng(1).normal(size=40)
    >>> drifting = np.array([sum(0.7**k * steps[i - k] for k in range(i + 1)) for i in range(40)])
    >>> fit = least_squares(line, drifting)
    >>> wider = allow_for_neighbours(line, fit, np.zeros(40), np.arange(40))
    >>> bool(wider.margin([0, 1])[0] > 1.5 * fit.margin([0, 1])[0])
    True
    """
    columns = np.asarray(design, dtype=np.float64)
    found = neighbours_of(columns, fit, run, at)
    counted = fit.weights > 0
    apart = distances(np.asarray(run)[counted], np.asarray(at, dtype=np.float64)[counted])
    own = columns[counted] * np.sqrt(fit.weights[counted])[:, None]
    scale = np.sqrt((own**2).sum(axis=0))
    scale[scale == 0] = 1.0
    inverse = np.linalg.pinv(own / scale) / scale[:, None]
    variance = fit.scatter**2
    covariance = np.zeros((columns.shape[1],) * 2)
    for correlation, chance, square in zip(*found, strict=True):
        together = correlation**apart if correlation else np.eye(len(apart))
        covariance += chance * square * variance * (inverse @ together @ inverse.T)
    return fit._replace(covariance=covariance, correlation=found.mean)


def distances(run: NDArray[np.generic], at: FloatArray) -> FloatArray:
    """Laps between each two laps: without end between those of different runs."""
    return np.where(run[:, None] == run, np.abs(at[:, None] - at), np.inf)


def alike_words(fit: Fit, laps: int) -> list[str]:
    """Say what likeness of neighbouring laps was allowed for, and where the laps are too few to show it.

    Parameters
    ----------
    fit : Fit
        From `allow_for_neighbours`.
    laps : int
        Laps that count in it.
    """
    if fit.correlation >= SAID:
        return [
            f"Neighbouring laps are alike (correlation about {fit.correlation:.1f}): {laps} laps tell as much as some "
            f"{max(laps * (1 - fit.correlation) / (1 + fit.correlation), 2):.0f} that had nothing to do with each other. The ± "
            "allows for it."
        ]
    if laps < ENOUGH:
        return [
            f"{laps} laps cannot tell whether neighbouring laps are alike. If they are clearly so (traffic, wind, a driver who finds "
            f"his way), the ± is too small; {ENOUGH} laps would show it."
        ]
    return []
