"""The fit behind a comparison of setups: one common curve, the difference, the drift of the day, and what runs differ by."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.setups.run_curve import BEND_P, LEAST_LAPS, RunLaps, find_warm_up, told_apart
from lapkit.analysers.statistics.bends import Bend, find_bend
from lapkit.analysers.statistics.neighbours import allow_for_neighbours
from lapkit.analysers.statistics.regression import (
    Fit,
    least_squares,
    nested,
    quantile,
    robust_fit,
    weighted_fit,
)
from lapkit.channels import FloatArray

HOUR = 3600.0
RUNS_FOR_DRIFT = 3
RUN_P = 0.05
"""Chance by luck under which runs of one setup are said to differ by more than their laps' scatter (usual)."""
FEW = 3
"""Degrees of freedom between runs from which the scatter of whole runs sets the interval (chosen: with fewer Student's factor is
4.3 or 12.7, and no difference a setup makes would be seen)."""
DIFFERENCE = 1
"""Column of the design that is 1 for the second setup."""


class Spread(NamedTuple):
    """How sure a difference is.

    Attributes
    ----------
    sigma, freedom : float
        Standard uncertainty of the difference, s, and its degrees of freedom.
    run_scatter : float
        Standard deviation of the level from run to run, s: 0 where none shows, NaN where it cannot be seen.
    run_freedom : int
        Degrees of freedom between runs: runs, less what is fitted to whole runs.
    run_share : float
        How many times the variance from run to run goes into that of the difference.
    """

    sigma: float
    freedom: float
    run_scatter: float
    run_freedom: int
    run_share: float

    def margin(self, confidence: float) -> float:
        """Half the interval of the difference."""
        return quantile(self.freedom, confidence) * self.sigma

    def p(self, difference: float) -> float:
        """Chance of a difference as large by luck."""
        from scipy.special import stdtr

        if not (self.sigma > 0 and self.freedom > 0):
            return math.nan
        return 2.0 * float(stdtr(self.freedom, -abs(difference) / self.sigma))


@dataclass(frozen=True)
class SetupFit:
    """What was fitted.

    Attributes
    ----------
    names : list of str
        Columns of the design: constant, difference, tyre_age, and where they could be told apart fuel, drift, bend.
    design : ndarray, shape (n, p)
    kept : ndarray of bool, shape (n,)
        Laps that are fitted: usable and not warm-up.
    fit : Fit
        Of the kept laps.
    spread : Spread
        How sure the difference is.
    run_given : bool
        Whether what runs differ by was given.
    warm_up : int
    bend : Bend or None
    age : float
        Tyre age that the constant belongs to.
    """

    names: list[str]
    design: FloatArray
    kept: NDArray[np.bool_]
    fit: Fit
    spread: Spread
    run_given: bool
    warm_up: int
    bend: Bend | None
    age: float

    @property
    def difference(self) -> float:
        """Second setup less the first, s a lap."""
        return float(self.fit.coefficients[DIFFERENCE])

    def overturned_by(self, confidence: float) -> float:
        """Run-to-run standard deviation, s, beyond which the difference would not be more than luck.

        0 where it is not more than luck anyhow; NaN where the interval holds what runs differ by already.
        """
        if (
            self.run_given
            or self.spread.run_scatter > 0
            or self.spread.run_freedom >= FEW
            or not self.spread.run_share > 0
        ):
            return math.nan
        room = (self.difference / quantile(self.spread.freedom, confidence)) ** 2 - self.spread.sigma**2
        return math.sqrt(room / self.spread.run_share) if room > 0 else 0.0

    def effect(self, name: str, confidence: float) -> tuple[float, float]:
        """Return a coefficient and half its interval, NaN where it was not fitted."""
        if name not in self.names:
            return math.nan, math.nan
        row = np.eye(len(self.names))[self.names.index(name)]
        return float(row @ self.fit.coefficients), float(self.fit.margin(row, confidence=confidence)[0])


def fit_setups(
    laps: RunLaps,
    second: NDArray[np.bool_],
    clock: FloatArray | None,
    *,
    most_warm_up: int,
    fuel: FloatArray | None = None,
    run_scatter: float | None = None,
) -> SetupFit:
    """Fit both setups by one curve, and what the second differs by.

    Parameters
    ----------
    laps : RunLaps
        Of both setups.
    second : ndarray of bool, shape (n,)
        Whether a lap is of the second setup.
    clock : ndarray, shape (n,), or None
        When each lap began, s; None where not known.
    most_warm_up : int
        Most laps at the start of a run among which warm-up is looked for.
    fuel : ndarray, shape (n,), optional
        m3, where its effect is to be found from the laps, if they tell it apart.
    run_scatter : float, optional
        Standard deviation from run to run that is known from elsewhere, s.

    Returns
    -------
    SetupFit
    """
    age = _common_age(laps, second)
    names, columns = ["constant", "difference"], [np.ones(len(second)), second.astype(np.float64)]

    def add(name: str, column: FloatArray) -> None:
        if told_apart(column, np.column_stack(columns), laps.usable):
            names.append(name)
            columns.append(column)

    add("tyre_age", laps.age - age)
    if fuel is not None:
        add("fuel", fuel - float(np.median(fuel[laps.usable])))
    if clock is not None and len(np.unique(laps.run[laps.usable])) >= RUNS_FOR_DRIFT:
        add("drift", (clock - float(np.mean(clock[laps.usable]))) / HOUR)
    design = np.column_stack(columns)
    most = most_warm_up
    for side in (second, ~second):  # each setup keeps some laps
        places = np.sort(laps.position[laps.usable & side])
        most = min(most, int(places[-min(LEAST_LAPS, len(places))]))
    warm_up = find_warm_up(laps, design, most=most)
    kept = laps.usable & (laps.position >= warm_up)
    value, run = laps.value[kept], laps.run[kept]
    fit = _by_run(design[kept], value, run)
    at = laps.position[kept]
    bend = find_bend(design[kept], laps.age[kept], fit, run=run, at=at) if "tyre_age" in names else None
    if bend is not None and bend.p < BEND_P:
        hinge = np.maximum(laps.age - bend.at, 0.0) - max(age - bend.at, 0.0)
        if told_apart(hinge, design, kept):
            names, design = [*names, "bend"], np.column_stack([design, hinge])
            fit = _by_run(design[kept], value, run)
    bend = bend if "bend" in names else None
    fit = allow_for_neighbours(design[kept], fit, run, at)
    spread = spread_of(design[kept], value, run, at, fit, given=run_scatter)
    return SetupFit(names, design, kept, fit, spread, run_scatter is not None, warm_up, bend, age)


def _common_age(laps: RunLaps, second: NDArray[np.bool_]) -> float:
    """The middle of the tyre ages both setups were driven at; of all, where they share none."""
    ages = [laps.age[laps.usable & side] for side in (~second, second)]
    low, high = max(a.min() for a in ages), min(a.max() for a in ages)
    return float(low + high) / 2.0 if low <= high else float(np.concatenate(ages).mean())


def _by_run(columns: FloatArray, value: FloatArray, run: NDArray[np.intp]) -> Fit:
    """Fit with less weight for laps that are odd beside those of their own run: a run that is slow as a whole is not odd."""
    levels = _levels(columns, run)
    if not levels.shape[1]:
        return robust_fit(columns, value)
    return weighted_fit(columns, value, robust_fit(np.column_stack([columns, levels]), value).weights)


def _levels(columns: FloatArray, run: NDArray[np.intp]) -> FloatArray:
    """Columns for the levels of runs, as far as others leave something of them."""
    levels = (run[:, None] == np.unique(run)).astype(np.float64)
    basis, _ = np.linalg.qr(columns)
    u, s, _ = np.linalg.svd(levels - basis @ (basis.T @ levels), full_matrices=False)
    return np.asarray(u[:, s > 1e-6])


def spread_of(
    columns: FloatArray,
    value: FloatArray,
    run: NDArray[np.intp],
    at: NDArray[np.int64],
    fit: Fit,
    *,
    given: float | None = None,
) -> Spread:
    """Return how sure a fitted difference is, with what runs differ by on their own.

    Parameters
    ----------
    columns : ndarray, shape (n, p)
        Of the fit, the difference's among them.
    value : ndarray, shape (n,)
        Times that were fitted, s.
    run, at : ndarray of int, shape (n,)
        Run of each time, and its place in the run.
    fit : Fit
        From `allow_for_neighbours`.
    given : float, optional
        Standard deviation from run to run that is known from elsewhere, s.

    Returns
    -------
    Spread

    Notes
    -----
    A setup is given to a whole run, so the run is what it is repeated in. With `FEW` degrees of freedom between runs or more the
    scatter of whole runs alone sets the interval (as for the whole plots of a split-plot trial), but for what the slopes within
    runs add; degrees of freedom as Satterthwaite has it. That keeps its word whatever runs differ by. With fewer it is the
    scatter of laps, unless runs clearly differ: by more than neighbouring laps that are alike make of themselves.

    References
    ----------
    F. Yates, Complex experiments, Supplement to J. R. Statist. Soc. 2 (1935) 181-247; F. E. Satterthwaite, Biometrics
    Bulletin 2 (1946) 110-114.

    Examples
    --------
    >>> rng, run = np.random.default_rng(1), np.repeat(np.arange(6), 5)
    >>> line = np.column_stack([np.ones(30), run % 2])
    >>> laps = 30.0 + rng.normal(0, 0.1, 6)[run] + rng.normal(0, 0.02, 30)
    >>> spread = spread_of(line, laps, run, np.tile(np.arange(5), 6), weighted_fit(line, laps, np.ones(30)))
    >>> spread.run_freedom, round(spread.freedom), spread.run_scatter > 0.03
    (4, 4, True)
    """
    counted = fit.weights > 0
    columns, value, run, at, weight = columns[counted], value[counted], run[counted], at[counted], fit.weights[counted]
    laps_only = max(float(fit.covariance[DIFFERENCE, DIFFERENCE]), 0.0)
    levels = (run[:, None] == np.unique(run)).astype(np.float64)
    weighted = columns * weight[:, None]
    # how the level of each run goes into the difference
    share = (np.linalg.pinv(columns.T @ weighted) @ weighted.T @ levels)[DIFFERENCE]
    run_share = float((share**2).sum())
    apart = _levels(columns, run)
    extra = apart.shape[1]
    if given is not None:
        return Spread(math.sqrt(laps_only + given**2 * run_share), fit.freedom, float(given), extra, run_share)
    if extra < 1:
        return Spread(math.sqrt(laps_only), fit.freedom, math.nan, 0, run_share)
    small = least_squares(columns, value, weights=weight)
    both = np.column_stack([columns, apart])
    wide = least_squares(both, value, weights=weight)
    _, p = nested(small, wide)
    of_laps = 1.0  # what alike neighbours do to the levels of runs, where that matters
    if p < RUN_P or extra >= FEW:
        fits = (wide, allow_for_neighbours(both, wide, run, at))
        independent, alike = (float(np.trace(one.covariance[-extra:, -extra:])) for one in fits)
        of_laps = alike / independent if independent > 0 else 1.0
        _, p = nested(small, wide, wider=of_laps)
    root = np.sqrt(weight)[:, None]
    own, _ = np.linalg.qr(columns * root)
    trace = float(((levels * root) ** 2).sum() - ((own.T @ (levels * root)) ** 2).sum())
    wider = (fit.scatter / small.scatter) ** 2 if small.scatter > 0 else 1.0
    gain, scatter = math.sqrt(wider) * (small.squares - wide.squares), wider * wide.squares / max(wide.freedom, 1.0)
    variance = max(gain - extra * scatter * of_laps, 0.0) / trace if p < RUN_P else 0.0
    if extra < FEW and not variance:
        return Spread(math.sqrt(laps_only), fit.freedom, 0.0, extra, run_share)
    between = gain * run_share / trace
    levels_own = extra * run_share * of_laps / trace
    within = max(laps_only / fit.scatter**2 - levels_own, 0.0) * scatter if fit.scatter > 0 else 0.0
    total = between + within
    freedom = total**2 / (between**2 / extra + within**2 / max(wide.freedom, 1.0)) if total > 0 else float(extra)
    return Spread(math.sqrt(total), freedom, math.sqrt(variance), extra, run_share)
