"""One place from which on a line is steeper, or flatter: whether there is one, and where."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lapkit.analysers.statistics.neighbours import distances, neighbours_of
from lapkit.analysers.statistics.regression import TINY, Fit, least_squares, quantile
from lapkit.channels import FloatArray

ALONE = 0.05
"""Chance by luck over which a break is not looked at further (chosen, well over that under which one is stated)."""
INDEPENDENT = 0.3
"""Chance beforehand that laps do not hang together at all (chosen by simulation: the place of a bend that luck made fits the laps
so well that they look less alike than they are)."""


class Bend(NamedTuple):
    """A break of a slope: where, between which places it may lie, and the chance of one as clear by luck."""

    at: float
    low: float
    high: float
    p: float


def find_bend(
    design: FloatArray,
    x: FloatArray,
    fit: Fit,
    *,
    run: ArrayLike | None = None,
    at: ArrayLike | None = None,
    least: int = 4,
    resamples: int = 999,
    seed: int = 0,
) -> Bend | None:
    """Look for one place from which on a line is steeper, or flatter.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Columns of the straight fit, `x` among them.
    x : ndarray, shape (n,)
        Such as tyre age.
    fit : Fit
        The straight `robust_fit`; its weights are kept.
    run, at : array_like of int, shape (n,), optional
        Run of each lap and its place in the run; by default one run, in the order of the laps.
    least : int
        Laps wanted on either side of the break.
    resamples : int
        Orders of the residuals drawn to see how clear a break is by luck.
    seed : int

    Returns
    -------
    Bend or None
        The clearest break; None where there are too few laps for one, or it would not be clear had it been the only place
        looked at.

    Notes
    -----
    The greatest gain over all breaks is held against the greatest gain of the same residuals in other orders, so that having
    looked everywhere is allowed for. Neighbouring laps that are alike make bends of themselves: the orders are drawn of what is
    new in each lap, and put together again with correlations as likely as the laps make them (see `neighbours_of`), the bend
    taken out. The interval is where the gain is within what chance gives (F of one break, 95 %).

    Simulated straight runs of 12, 20 and 40 laps: a bend at the level of 1 % in 0 to 2 of 100 where neighbours are correlated by 0
    to 0.5, in 2 to 4 of 100 at 0.7.

    Examples
    --------
    >>> from lapkit.analysers.statistics.regression import robust_fit
    >>> age = np.arange(20.0)
    >>> laps = 30.0 + 0.01 * age + 0.08 * np.maximum(age - 12, 0) + 0.01 * (-1.0) ** age
    >>> line = np.column_stack([np.ones(20), age])
    >>> bend = find_bend(line, age, robust_fit(line, laps))
    >>> round(bend.at), bend.p < 0.01
    (12, True)
    """
    from scipy.special import fdtrc

    counted = fit.weights > 0
    places = np.unique(x[counted])
    places = places[[(x[counted] < at).sum() >= least and (x[counted] > at).sum() >= least for at in places]]
    freedom = int(counted.sum()) - design.shape[1] - 2
    if not len(places) or freedom < 1:
        return None
    root = np.sqrt(fit.weights[counted])
    basis, _ = np.linalg.qr(design[counted] * root[:, None])
    hinges = np.maximum(x[counted, None] - places, 0.0) * root[:, None]
    hinges = hinges - basis @ (basis.T @ hinges)
    size = np.sqrt((hinges**2).sum(axis=0))
    hinges, places = hinges[:, size > 1e-9] / size[size > 1e-9], places[size > 1e-9]
    if not len(places):
        return None
    rest = fit.residuals[counted] * root
    squares = float((rest**2).sum())
    gain = (rest @ hinges) ** 2
    best = int(gain.argmax())
    if fdtrc(1, freedom, gain[best] * freedom / max(squares - float(gain[best]), TINY**2)) > ALONE:
        return None  # the clearest of many would have to be far clearer
    bent = np.column_stack([design, np.maximum(x - places[best], 0.0)])
    order = np.arange(len(x)) if at is None else np.asarray(at)
    runs = np.zeros(len(x)) if run is None else np.asarray(run)
    left = least_squares(bent, fit.residuals, weights=fit.weights)
    alike = neighbours_of(bent, left, runs, order, alone=INDEPENDENT)
    apart = distances(runs[counted], order[counted].astype(np.float64))
    rng = np.random.default_rng(seed)
    drawn = np.bincount(rng.choice(len(alike.chances), resamples, p=alike.chances), minlength=len(alike.chances))
    above, wider = 0.0, 0.0
    for correlation, chance, square, count in zip(*alike, drawn, strict=True):
        together = correlation**apart if correlation else np.eye(len(apart))
        wider += chance * square * float(hinges[:, best] @ together @ hinges[:, best])
        if not count:
            continue
        root_of = np.linalg.cholesky(together)
        shuffled = rng.permuted(np.tile(np.linalg.solve(root_of, rest), (count, 1)), axis=1) @ root_of.T
        shuffled = shuffled - (shuffled @ basis) @ basis.T
        luck = ((shuffled @ hinges) ** 2).max(axis=1) / (shuffled**2).sum(axis=1)
        above += float((luck >= gain[best] / squares).sum())
    p = (1.0 + above) / (1.0 + resamples)
    near = places[gain > gain[best] - quantile(freedom) ** 2 * wider * left.squares / freedom]
    return Bend(float(places[best]), float(near.min()), float(near.max()), p)
