"""Other ways to the answer of the fit: laps dealt out at random, the bootstrap, pairs at like tyre age, whole runs."""

from __future__ import annotations

import math
import warnings
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.setups.fit import DIFFERENCE, SetupFit
from lapkit.analysers.setups.run_curve import RunLaps
from lapkit.analysers.statistics.regression import least_squares, robust_fit
from lapkit.analysers.statistics.two_groups import exchange_groups, exchange_residuals, exchange_signs, paired, welch
from lapkit.channels import FloatArray

CLIPPED = 2.5
"""Residual over scatter beyond which a lap counts as this far off where laps are dealt out at random (chosen)."""
LEAST_PAIRS, LEAST_RUNS = 4, 3
"""Pairs, and runs of each setup, from which they are asked (chosen)."""
CHECK_COLUMNS = ["method", "laps", "difference", "low", "high", "p"]


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
    half = found.spread.margin(confidence)
    rows: list[tuple[Any, ...]] = [
        (
            "curve",
            int(found.kept.sum()),
            found.difference,
            found.difference - half,
            found.difference + half,
            found.spread.p(found.difference),
        )
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
    if min(map(len, groups)) >= LEAST_RUNS:
        apart = welch(*groups, confidence=confidence)
        value, margin = float(apart.difference), float(apart.margin)
        four = min(map(len, groups)) > LEAST_RUNS and resamples
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
