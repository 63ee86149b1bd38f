"""Two groups of laps: how far their means differ, how sure that is, and how many laps would settle it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lapkit.channels import FloatArray

CONFIDENCE = 0.95
"""Share of intervals that hold the true difference (common practice, no source)."""
POWER = 0.8
"""Chance of seeing a difference that is there, for the number of laps needed (Cohen 1988, the usual choice)."""
RESAMPLES = 9_999
"""Exchanges or resamples drawn where there are too many to try them all (chosen: chances to about 0.002)."""
SIGNS = 40_000
"""The same for signs of pairs, which are quick: up to 15 pairs all 2^n are tried."""


class Welch(NamedTuple):
    """Means of two groups and their difference, one value a column.

    Attributes
    ----------
    a, b, difference : ndarray
        Means, and b - a.
    uncertainty : ndarray
        Standard uncertainty of the difference.
    margin : ndarray
        Half the interval at the confidence asked for; NaN where a single value on each side shows no scatter.
    p : ndarray
        Chance of a difference as large by luck alone; NaN where margin is.
    scatter : ndarray
        Standard deviation within the groups, root mean square of the two; NaN where neither shows one.
    """

    a: FloatArray
    b: FloatArray
    difference: FloatArray
    uncertainty: FloatArray
    margin: FloatArray
    p: FloatArray
    scatter: FloatArray


def welch(
    a: ArrayLike,
    b: ArrayLike,
    *,
    confidence: float = CONFIDENCE,
    measured: tuple[ArrayLike, ArrayLike] = (0.0, 0.0),
) -> Welch:
    """Compare the means of two groups whose scatter may differ.

    Parameters
    ----------
    a, b : array_like, shape (laps, ...)
        Values, one row a lap; NaN where a lap has none.
    confidence : float
        Share of intervals that are to hold the truth, between 0 and 1.
    measured : pair of array_like, broadcast to a and b
        Standard uncertainty of each value from its measurement: all there is where each side has one value, else part
        of the scatter already.

    Returns
    -------
    Welch
        With one value on one side its scatter is taken to be that of the other side.

    Notes
    -----
    Welch's interval is too narrow for a few values against many (2 against 6: 93 % instead of 95), where the interval
    of one scatter for both groups is right; the wider of the two is given. With as many values on either side that is
    Welch's.

    References
    ----------
    B. L. Welch, The generalization of Student's problem when several different population variances are involved,
    Biometrika 34 (1947) 28-35.

    Examples
    --------
    >>> found = welch([27.1, 27.3, 27.2], [27.6, 27.4, 27.5, 27.5])
    >>> round(float(found.difference), 3), round(float(found.margin), 3)
    (0.3, 0.199)
    """
    from scipy.special import stdtr, stdtrit

    groups = [np.asarray(values, dtype=np.float64) for values in (a, b)]
    count, mean, variance, error_square = [], [], [], []
    for values, sigma in zip(groups, measured, strict=True):
        known = np.isfinite(values)
        n = known.sum(axis=0).astype(np.float64)
        # counted from the smallest, so that times of day lose nothing of their scatter
        zero = np.where(known, values, np.inf).min(axis=0, initial=np.inf)
        zero = np.where(n > 0, zero, 0.0)
        off = np.where(known, values - zero, 0.0)
        middle = off.sum(axis=0) / np.where(n > 0, n, np.nan)
        square = (np.where(known, off - middle, 0.0) ** 2).sum(axis=0)
        error = np.where(known, np.nan_to_num(np.broadcast_to(np.asarray(sigma, np.float64), values.shape)), 0.0)
        count.append(n)
        mean.append(zero + middle)
        variance.append(square / np.where(n > 1, n - 1.0, np.nan))
        error_square.append((error**2).sum(axis=0) / np.where(n > 0, n, np.nan))
    for k, other in ((0, 1), (1, 0)):
        variance[k] = np.where(count[k] == 1, variance[other], variance[k])
    alone = (count[0] == 1) & (count[1] == 1)
    variance = [np.where(alone, own_error, own) for own, own_error in zip(variance, error_square, strict=True)]
    share = [own / np.where(n > 0, n, np.nan) for own, n in zip(variance, count, strict=True)]
    difference, uncertainty = mean[1] - mean[0], np.sqrt(share[0] + share[1])
    weight = sum(s**2 / np.where(n > 1, n - 1.0, np.inf) for s, n in zip(share, count, strict=True))
    known = np.isfinite(difference) & ~alone
    together = np.where(known, count[0] + count[1] - 2.0, np.nan)
    freedom = np.where(
        (count[0] > 1) & (count[1] > 1) & (weight > 0),
        (share[0] + share[1]) ** 2 / np.where(weight > 0, weight, 1.0),
        together,
    )
    freedom = np.where(known, freedom, np.nan)
    squares = sum(np.where(n > 1, (n - 1.0) * own, 0.0) for n, own in zip(count, variance, strict=True))
    with np.errstate(divide="ignore", invalid="ignore"):
        pooled = np.sqrt(squares / together * (1.0 / count[0] + 1.0 / count[1]))
        ways = [(freedom, uncertainty), (together, pooled)]
        margin = np.maximum(*(stdtrit(f, 0.5 + 0.5 * confidence) * sigma for f, sigma in ways))
        ratios = [np.where(difference == 0.0, 0.0, np.abs(difference) / sigma) for _, sigma in ways]
        tails = [np.where(np.isinf(r), 0.0, 2.0 * stdtr(f, -r)) for (f, _), r in zip(ways, ratios, strict=True)]
    p = np.where(known, np.maximum(*tails), np.nan)
    scatter = np.where(alone, np.nan, np.sqrt(0.5 * (variance[0] + variance[1])))
    return Welch(mean[0], mean[1], np.asarray(difference), np.asarray(uncertainty), margin, p, scatter)


def holm(p: ArrayLike) -> FloatArray:
    """Correct the chances of several tests for their number, step by step (Holm).

    Parameters
    ----------
    p : array_like, shape (tests,)
        Chances; NaN are no tests.

    Returns
    -------
    ndarray, shape (tests,)
        Corrected chances: with those under 0.05 marked, one family of tests in twenty has a mark by luck alone.

    References
    ----------
    S. Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics 6 (1979) 65-70.

    Examples
    --------
    >>> holm([0.01, 0.04, 0.03]).tolist()
    [0.03, 0.06, 0.06]
    """
    values = np.asarray(p, dtype=np.float64)
    out = np.full(values.shape, np.nan)
    tests = np.flatnonzero(np.isfinite(values))
    order = tests[np.argsort(values[tests], kind="stable")]
    out[order] = np.minimum(np.maximum.accumulate(values[order] * (len(order) - np.arange(len(order)))), 1.0)
    return out


def power_of(laps: float, effect: float, *, confidence: float = CONFIDENCE) -> float:
    """Return the chance that a two-sample t test sees a difference.

    Parameters
    ----------
    laps : float
        Laps on each side, above 1.
    effect : float
        Difference over the scatter from lap to lap.
    confidence : float
        1 less the share of false alarms, two-sided.

    Returns
    -------
    float

    Examples
    --------
    >>> round(power_of(64, 0.5), 3)
    0.801
    """
    from scipy.special import nctdtr, stdtrit

    freedom, shift = 2.0 * laps - 2.0, abs(effect) * math.sqrt(laps / 2.0)
    limit = float(stdtrit(freedom, 0.5 + 0.5 * confidence))
    below = float(nctdtr(freedom, shift, limit)), float(nctdtr(freedom, shift, -limit))
    return 1.0 if not all(map(math.isfinite, below)) else 1.0 - below[0] + below[1]


def sample_size(effect: float, *, power: float = POWER, confidence: float = CONFIDENCE) -> float:
    """Return the laps on each side with which a two-sample t test has a given power, not rounded.

    Parameters
    ----------
    effect : float
        Difference over the scatter from lap to lap, not zero.
    power : float
        Chance of seeing the difference.
    confidence : float
        1 less the share of false alarms, two-sided.

    Returns
    -------
    float
        At least 2; infinite for no effect.

    References
    ----------
    J. Cohen, Statistical Power Analysis for the Behavioral Sciences, 2nd ed. (1988), tables 2.3 and 2.4.

    Examples
    --------
    >>> round(sample_size(0.5), 2)
    63.77
    """
    from scipy.optimize import brentq
    from scipy.special import ndtri

    effect = abs(effect)
    usual = 2.0 * ((float(ndtri(0.5 + 0.5 * confidence)) + float(ndtri(power))) / effect) ** 2 if effect else math.inf
    if not usual < 1e6:  # the normal distribution serves there
        return usual
    if effect > 30.0 or power_of(2.0, effect, confidence=confidence) >= power:
        return 2.0

    def short(laps: float) -> float:
        return power_of(laps, effect, confidence=confidence) - power

    return float(brentq(short, max(2.0, 0.9 * usual), usual + 10.0, xtol=1e-9))


def laps_needed(difference: float, scatter: float, *, power: float = POWER, confidence: float = CONFIDENCE) -> float:
    """Return the laps on each side that would settle a difference: `sample_size`, rounded up.

    Parameters
    ----------
    difference, scatter : float
        Difference of the means and standard deviation from lap to lap, in one unit.
    power, confidence : float
        As for `sample_size`.

    Returns
    -------
    float
        A whole number; NaN where scatter is not known, infinite where there is no difference.

    Examples
    --------
    >>> laps_needed(0.05, 0.1)
    64.0
    """
    if not (math.isfinite(difference) and math.isfinite(scatter)):
        return math.nan
    if scatter <= 0:
        return 2.0
    size = sample_size(difference / scatter, power=power, confidence=confidence)
    return float(math.ceil(size)) if math.isfinite(size) else math.inf


class Paired(NamedTuple):
    """Differences of pairs.

    Attributes
    ----------
    pairs : int
    difference, scatter : float
        Mean and standard deviation of the differences.
    margin, p : float
        Half the interval of the mean, and the chance of a mean as far from zero by luck alone (Student's t).
    """

    pairs: int
    difference: float
    scatter: float
    margin: float
    p: float


def paired(differences: ArrayLike, *, confidence: float = CONFIDENCE) -> Paired:
    """Judge the mean of differences of pairs, such as laps at like tyre age.

    Parameters
    ----------
    differences : array_like, shape (pairs,)
        Second less first; NaN are no pairs.
    confidence : float
        Share of intervals that are to hold the truth, between 0 and 1.

    Returns
    -------
    Paired
        NaN where there are not two pairs.

    References
    ----------
    Student, The probable error of a mean, Biometrika 6 (1908) 1-25.

    Examples
    --------
    >>> found = paired([0.2, 0.1, 0.15, 0.05])
    >>> round(found.difference, 3), round(found.margin, 3)
    (0.125, 0.103)
    """
    from scipy.special import stdtr, stdtrit

    values = np.asarray(differences, dtype=np.float64)
    values = values[np.isfinite(values)]
    count = len(values)
    if count < 2:
        return Paired(count, float(values.mean()) if count else math.nan, math.nan, math.nan, math.nan)
    mean, scatter = float(values.mean()), float(values.std(ddof=1))
    sigma = scatter / math.sqrt(count)
    ratio = abs(mean) / sigma if sigma > 0 else (math.inf if mean else 0.0)
    tail = float(stdtr(count - 1.0, -ratio)) if math.isfinite(ratio) else 0.0
    return Paired(count, mean, scatter, float(stdtrit(count - 1.0, 0.5 + 0.5 * confidence)) * sigma, 2.0 * tail)


def exchange_signs(differences: ArrayLike, *, resamples: int = SIGNS, seed: int = 0) -> float:
    """Chance of a mean as far from zero were each pair as likely the other way round.

    Parameters
    ----------
    differences : array_like, shape (pairs,)
    resamples : int
        All 2^pairs ways are tried up to this many (then the chance is exact), else this many are drawn.
    seed : int
        For the draw.

    Returns
    -------
    float
        Two-sided; NaN without two pairs.

    References
    ----------
    R. A. Fisher, The Design of Experiments (1935), section 21.

    Examples
    --------
    >>> exchange_signs([0.2, 0.1, 0.15, 0.05, 0.1])
    0.0625
    """
    from scipy.stats import permutation_test

    values = np.asarray(differences, dtype=np.float64)
    values = values[np.isfinite(values)]
    if len(values) < 2:
        return math.nan
    found = permutation_test(
        (values,), lambda x, axis: x.mean(axis=axis), permutation_type="samples", vectorized=True, n_resamples=resamples,
        batch=4096, rng=np.random.default_rng(seed),
    )  # fmt: skip
    return float(found.pvalue)


def exchange_groups(a: ArrayLike, b: ArrayLike, *, resamples: int = RESAMPLES, seed: int = 0) -> float:
    """Chance of a difference of means as large were each value as likely in the other group.

    Parameters
    ----------
    a, b : array_like, shape (n,), (m,)
        Such as the means of runs.
    resamples, seed : int
        As for `exchange_signs`.

    Returns
    -------
    float
        Two-sided; NaN where a group is empty.

    Examples
    --------
    >>> round(exchange_groups([1.0, 2.0, 3.0], [4.0, 5.0, 6.0]), 6)
    0.1
    """
    from scipy.stats import permutation_test

    groups = [values[np.isfinite(values)] for values in (np.asarray(a, np.float64), np.asarray(b, np.float64))]
    if min(map(len, groups)) < 1 or sum(map(len, groups)) < 3:
        return math.nan
    found = permutation_test(
        tuple(groups), lambda x, y, axis: y.mean(axis=axis) - x.mean(axis=axis), permutation_type="independent",
        vectorized=True, n_resamples=resamples, batch=4096, rng=np.random.default_rng(seed),
    )  # fmt: skip
    return float(found.pvalue)


def exchange_residuals(
    residuals: ArrayLike, contrast: ArrayLike, *, resamples: int = RESAMPLES, seed: int = 0
) -> float:
    """Chance of an effect as large were the residuals dealt out to the laps at random.

    Parameters
    ----------
    residuals : array_like, shape (n,)
        What is left of the laps after all but the effect.
    contrast : array_like, shape (n,)
        The effect's column less what the other columns explain of it; the effect is in proportion to its product with the
        residuals.
    resamples, seed : int
        As for `exchange_signs`.

    Returns
    -------
    float
        Two-sided.

    References
    ----------
    D. Freedman and D. Lane, A nonstochastic interpretation of reported significance levels, Journal of Business and Economic
    Statistics 1 (1983) 292-298.

    Examples
    --------
    >>> exchange_residuals([-1.0, -2.0, -3.0, 3.0, 1.0, 2.0], [-1, -1, -1, 1, 1, 1])
    0.1
    """
    from scipy.stats import permutation_test

    values, column = np.asarray(residuals, dtype=np.float64), np.asarray(contrast, dtype=np.float64)
    if len(values) < 3:
        return math.nan
    found = permutation_test(
        (values,), lambda x, axis: np.moveaxis(x, axis, -1) @ column, permutation_type="pairings", vectorized=True,
        n_resamples=resamples, batch=4096, rng=np.random.default_rng(seed),
    )  # fmt: skip
    return float(found.pvalue)
