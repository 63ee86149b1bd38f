"""The fit behind a comparison of setups: one common curve, the difference, the drift of the day, and what runs differ by."""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.setups.run_curve import BEND_P, LEAST_LAPS, RunLaps, find_warm_up, told_apart
from lapkit.analysers.statistics.regression import Bend, Fit, find_bend, least_squares, nested, quantile, robust_fit
from lapkit.analysers.statistics.two_groups import exchange_groups, exchange_residuals, exchange_signs, paired, welch
from lapkit.channels import FloatArray

HOUR = 3600.0
RUNS_FOR_DRIFT = 3
RUN_P, RUN_P_FEW, FEW = 0.25, 0.05, 3
"""Chance by luck under which runs of one setup are taken to differ by more than their laps' scatter: the usual one for pooling
(T. A. Bancroft, Biometrics 20 (1964) 427-442), and with fewer than three degrees of freedom between runs one that spares the
laps' power, as so few runs say next to nothing (chosen)."""
CLIPPED = 2.5
"""Residual over scatter beyond which a lap counts as this far off where laps are dealt out at random (chosen)."""
LEAST_PAIRS = 4
CHECK_COLUMNS = ["method", "laps", "difference", "low", "high", "p"]
DIFFERENCE = 1
"""Column of the design that is 1 for the second setup."""


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
    sigma, freedom : float
        Standard uncertainty of the difference and its degrees of freedom.
    warm_up : int
    bend : Bend or None
    age : float
        Tyre age that the constant belongs to.
    run_scatter : float
        Standard deviation of the level from run to run, s: 0 where none shows, NaN where it cannot be seen.
    run_p : float
        Chance by luck of runs of one setup that differ so much, NaN where there are too few.
    """

    names: list[str]
    design: FloatArray
    kept: NDArray[np.bool_]
    fit: Fit
    sigma: float
    freedom: float
    warm_up: int
    bend: Bend | None
    age: float
    run_scatter: float
    run_p: float

    @property
    def difference(self) -> float:
        """Second setup less the first, s a lap."""
        return float(self.fit.coefficients[DIFFERENCE])

    def margin(self, confidence: float) -> float:
        """Half the interval of the difference."""
        return quantile(self.freedom, confidence) * self.sigma

    @property
    def p(self) -> float:
        """Chance of a difference as large by luck."""
        from scipy.special import stdtr

        if not (self.sigma > 0 and self.freedom > 0):
            return math.nan
        return 2.0 * float(stdtr(self.freedom, -abs(self.difference) / self.sigma))

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
    fit = robust_fit(design[kept], laps.value[kept])
    bend = find_bend(design[kept], laps.age[kept], fit) if "tyre_age" in names else None
    if bend is not None and bend.p < BEND_P:
        hinge = np.maximum(laps.age - bend.at, 0.0) - max(age - bend.at, 0.0)
        if told_apart(hinge, design, kept):
            names, design = [*names, "bend"], np.column_stack([design, hinge])
            fit = robust_fit(design[kept], laps.value[kept])
    bend = bend if "bend" in names else None
    sigma, freedom, scatter, p = _with_runs(laps, design, kept, fit, run_scatter)
    return SetupFit(names, design, kept, fit, sigma, freedom, warm_up, bend, age, scatter, p)


def _common_age(laps: RunLaps, second: NDArray[np.bool_]) -> float:
    """The middle of the tyre ages both setups were driven at; of all, where they share none."""
    ages = [laps.age[laps.usable & side] for side in (~second, second)]
    low, high = max(a.min() for a in ages), min(a.max() for a in ages)
    return float(low + high) / 2.0 if low <= high else float(np.concatenate(ages).mean())


def _with_runs(
    laps: RunLaps, design: FloatArray, kept: NDArray[np.bool_], fit: Fit, given: float | None
) -> tuple[float, float, float, float]:
    """Uncertainty of the difference, its degrees of freedom, and what runs differ by beyond the scatter of laps."""
    sigma, freedom = math.sqrt(max(fit.covariance[DIFFERENCE, DIFFERENCE], 0.0)), fit.freedom
    columns, value, run, weight = design[kept], laps.value[kept], laps.run[kept], fit.weights
    counted = weight > 0
    columns, value, run, weight = columns[counted], value[counted], run[counted], weight[counted]
    levels = (run[:, None] == np.unique(run)).astype(np.float64)
    basis, _ = np.linalg.qr(columns)
    left = levels - basis @ (basis.T @ levels)
    extra = int(np.linalg.matrix_rank(left, tol=1e-6))
    if extra < 1 and given is None:
        return sigma, freedom, math.nan, math.nan
    inverse = np.linalg.pinv(columns.T @ (columns * weight[:, None]))
    # how the level of each run goes into the difference
    share = (inverse @ (columns * weight[:, None]).T @ levels)[DIFFERENCE]
    per_variance = float((share**2).sum())
    if given is not None:
        return math.hypot(sigma, given * math.sqrt(per_variance)), freedom, float(given), math.nan
    small = least_squares(columns, value, weights=weight)
    u, s, _ = np.linalg.svd(left, full_matrices=False)
    wide = least_squares(np.column_stack([columns, u[:, s > 1e-6]]), value, weights=weight)
    _, p = nested(small, wide)
    if not p < (RUN_P if extra >= FEW else RUN_P_FEW):
        return sigma, freedom, 0.0, p
    # variance between runs by the method of moments, and freedom as Satterthwaite has it
    gain = small.squares - wide.squares
    weighted = levels * np.sqrt(weight)[:, None]
    root, _ = np.linalg.qr(columns * np.sqrt(weight)[:, None])
    trace = float((weighted**2).sum() - ((root.T @ weighted) ** 2).sum())
    variance = max(gain - extra * fit.scatter**2, 0.0) / trace
    between, total = variance * per_variance, sigma**2 + variance * per_variance
    return math.sqrt(total), total**2 / (between**2 / extra + sigma**4 / max(freedom, 1.0)), math.sqrt(variance), p


# ------------------------------------------------------------------------------ other ways to the same answer


def checks(
    found: SetupFit, laps: RunLaps, second: NDArray[np.bool_], *, confidence: float, resamples: int, seed: int
) -> pd.DataFrame:
    """Answer the same question in other ways, beside the fit.

    Parameters
    ----------
    found : SetupFit
    laps : RunLaps
    second : ndarray of bool
    confidence : float
    resamples : int
        Random orders and resamples; 0 for none.
    seed : int

    Returns
    -------
    DataFrame
        method, laps (or pairs, or runs), difference, low, high (s), p: "curve" (the fit), "laps dealt out at random"
        (permutation of residuals), "bootstrap" (BCa), "pairs at like tyre age" (t, and p by change of signs),
        "whole runs" (means of runs, where there are three a side; p by exchange of runs, where there are four).
    """
    half = found.margin(confidence)
    rows: list[tuple[Any, ...]] = [
        ("curve", int(found.kept.sum()), found.difference, found.difference - half, found.difference + half, found.p)
    ]
    kept, side = found.kept, second[found.kept]
    others = np.delete(found.design[kept], DIFFERENCE, axis=1)
    nan = math.nan
    if resamples:
        reduced = robust_fit(others, laps.value[kept])
        limit = CLIPPED * reduced.scatter
        clipped = np.clip(reduced.residuals, -limit, limit)
        contrast = least_squares(others, side.astype(np.float64)).residuals
        p = exchange_residuals(clipped, contrast, resamples=resamples, seed=seed)
        rows.append(("laps dealt out at random", int(kept.sum()), nan, nan, nan, p))
        low, high = _bootstrap(found, laps, side, confidence, resamples, seed)
        rows.append(("bootstrap", int(kept.sum()), found.difference, low, high, nan))
    level = laps.value - _drifted(found)
    pairs = _pairs(found, laps, second, level)
    if len(pairs) >= LEAST_PAIRS:
        told = paired(pairs, confidence=confidence)
        p = exchange_signs(pairs, seed=seed) if resamples else told.p
        rows.append(
            (
                "pairs at like tyre age",
                told.pairs,
                told.difference,
                told.difference - told.margin,
                told.difference + told.margin,
                p,
            )
        )
    groups = _run_means(found, laps, second)
    if min(map(len, groups)) >= RUNS_FOR_DRIFT:
        apart = welch(*groups, confidence=confidence)
        value, margin = float(apart.difference), float(apart.margin)
        four = min(map(len, groups)) > RUNS_FOR_DRIFT and resamples
        p = exchange_groups(*groups, resamples=resamples, seed=seed) if four else float(apart.p)
        rows.append(("whole runs", sum(map(len, groups)), value, value - margin, value + margin, p))
    return pd.DataFrame(rows, columns=CHECK_COLUMNS)


def _drifted(found: SetupFit) -> FloatArray:
    """What the drift of the day adds to each lap."""
    if "drift" not in found.names:
        return np.zeros(len(found.kept))
    at = found.names.index("drift")
    return np.asarray(found.design[:, at] * found.fit.coefficients[at])


def _pairs(found: SetupFit, laps: RunLaps, second: NDArray[np.bool_], level: FloatArray) -> FloatArray:
    """Differences of ordinary laps at like tyre age; of several at one age the mean."""
    ordinary = found.kept.copy()
    ordinary[found.kept] = found.fit.weights >= 0.5
    means = [pd.Series(level[ordinary & s]).groupby(laps.age[ordinary & s]).mean() for s in (~second, second)]
    both = means[1].sub(means[0]).dropna()
    return np.asarray(both.to_numpy(), dtype=np.float64).reshape(-1)


def _run_means(found: SetupFit, laps: RunLaps, second: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """The level of each run on the common curve, by setup."""
    weight = np.zeros(len(second))
    weight[found.kept] = found.fit.weights
    rest = laps.value - found.design @ found.fit.coefficients + found.difference * second
    out: list[list[float]] = [[], []]
    for run in np.unique(laps.run):
        own = (laps.run == run) & (weight > 0)
        if own.any():
            out[int(second[own][0])].append(float(np.average(rest[own], weights=weight[own])))
    first, other = (np.asarray(levels, dtype=np.float64) for levels in out)
    return first, other


def _bootstrap(
    found: SetupFit, laps: RunLaps, side: NDArray[np.bool_], confidence: float, resamples: int, seed: int
) -> tuple[float, float]:
    """BCa interval of the difference, laps of each setup drawn anew, each with the weight the fit gave it."""
    from scipy.stats import bootstrap

    weight = found.fit.weights
    columns, value = found.design[found.kept], laps.value[found.kept]
    zero = float(np.median(value))
    parts = [np.flatnonzero((weight > 0) & s) for s in (~side, side)]
    if min(map(len, parts)) < 3:
        return math.nan, math.nan
    weighted = columns * weight[:, None]
    squares = np.einsum("ni,nj->nij", weighted, columns)
    products = weighted * (value - zero)[:, None]

    def statistic(first: FloatArray, other: FloatArray, axis: int = -1) -> FloatArray:
        rows = np.concatenate([np.moveaxis(first, axis, -1), np.moveaxis(other, axis, -1)], axis=-1).astype(np.intp)
        times = np.zeros((*rows.shape[:-1], len(value)))  # how often each lap was drawn
        flat, drawn = times.reshape(-1, len(value)), rows.reshape(-1, rows.shape[-1])
        np.add.at(flat, (np.arange(len(flat))[:, None], drawn), 1.0)
        normal = (flat @ squares.reshape(len(value), -1)).reshape(*times.shape[:-1], *squares.shape[1:])
        normal = normal + 1e-12 * np.eye(columns.shape[1])
        solved = np.linalg.solve(normal, (times @ products)[..., None])
        return np.asarray(solved[..., DIFFERENCE, 0])

    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")  # of few laps all alike no interval can be given
        drawn = bootstrap(
            [part.astype(np.float64) for part in parts], statistic, vectorized=True, paired=False, n_resamples=resamples,
            confidence_level=confidence, method="BCa", batch=500, rng=np.random.default_rng(seed),
        )  # fmt: skip
    return float(drawn.confidence_interval.low), float(drawn.confidence_interval.high)
