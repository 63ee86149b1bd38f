"""Straight lines through lap times: least squares, a robust fit that keeps odd laps from pulling, and slopes by pairs."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lapkit.analysers.statistics.two_groups import CONFIDENCE
from lapkit.channels import FloatArray

WHOLE, NONE = 2.5, 4.0
"""Residual over scatter up to which a lap counts whole, and from which on it does not count (chosen: of ordinary laps one in
80 counts less than whole)."""
CUT_OFF = 1.012
"""Scatter of normal values over that of the same values weighted so (worked out by integration)."""
WIDER, WIDER_FEW = 1.07, 0.5
"""What an interval is widened by, for laps that were found odd and were not: all over, and over the degrees of freedom
(from 20,000 simulated comparisons with 0 to 10 % of odd laps)."""
NORMAL_MEDIAN = 0.6745
"""Median of the absolute value of a standard normal quantity."""
PASSES = 30
TINY = 1e-9
"""s. Least scatter: laps timed to the millisecond never repeat closer."""


class Fit(NamedTuple):
    """A linear fit.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
    scatter : float
        Residual standard deviation; NaN without a degree of freedom.
    freedom : float
        Degrees of freedom of the scatter.
    residuals, weights : ndarray, shape (n,)
        Value less fit, and how much each value counts, 0..1.
    squares : float
        Weighted sum of squared residuals.
    explained : float
        Share of the sum of squares that is explained (R2): about the mean where the columns hold a constant, else about zero.
    correlation : float
        Correlation of neighbouring values that the covariance allows for (`neighbours.allow_for_neighbours`).
    """

    coefficients: FloatArray
    covariance: FloatArray
    scatter: float
    freedom: float
    residuals: FloatArray
    weights: FloatArray
    squares: float
    explained: float
    correlation: float = 0.0

    def margin(self, contrast: ArrayLike, *, confidence: float = CONFIDENCE) -> FloatArray:
        """Return half the interval of sums of the coefficients, one a row of `contrast`."""
        rows = np.atleast_2d(np.asarray(contrast, dtype=np.float64))
        variance: FloatArray = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return quantile(self.freedom, confidence) * np.sqrt(np.maximum(variance, 0.0))


def quantile(freedom: float, confidence: float = CONFIDENCE) -> float:
    """Return the standard uncertainties that make half an interval (Student); NaN without freedom."""
    from scipy.special import stdtrit

    return float(stdtrit(freedom, 0.5 + 0.5 * confidence)) if freedom > 0 else math.nan


def least_squares(design: ArrayLike, values: ArrayLike, *, weights: ArrayLike | None = None) -> Fit:
    """Fit values by a sum of columns.

    Parameters
    ----------
    design : array_like, shape (n, p)
        Columns, none of them a sum of the others; with a column of ones the line need not pass through the origin.
    values : array_like, shape (n,)
    weights : array_like, shape (n,), optional
        How much each value counts, 0..1; all of them whole by default.

    Returns
    -------
    Fit

    Notes
    -----
    The columns are scaled and the residuals fitted again, so that times of day and years keep their digits.

    Examples
    --------
    >>> fit = least_squares([[1, 0], [1, 1], [1, 2]], [1.0, 3.0, 5.0])
    >>> fit.coefficients.round(9).tolist()
    [1.0, 2.0]
    """
    columns, y = np.asarray(design, dtype=np.float64), np.asarray(values, dtype=np.float64)
    w = np.ones(len(y)) if weights is None else np.asarray(weights, dtype=np.float64)
    root = np.sqrt(w)
    scale = np.sqrt(((columns * root[:, None]) ** 2).sum(axis=0))
    scale[scale == 0] = 1.0
    q, r = np.linalg.qr(columns / scale * root[:, None])
    inverse = np.linalg.pinv(r)
    solution, rest = np.zeros(columns.shape[1]), y
    for _ in range(3):
        solution = solution + inverse @ (q.T @ (rest * root))
        rest = y - columns / scale @ solution
    squares, count = float((w * rest**2).sum()), float(w.sum())
    freedom = count - columns.shape[1]
    variance = squares / freedom if freedom > 1e-9 else math.nan
    off = y - y[0]
    straight = root - q @ (q.T @ root)  # nothing is left of a constant the columns hold
    held = float((straight**2).sum()) < 1e-9 * max(count, 1.0)
    total = float((w * (off - (w * off).sum() / count) ** 2).sum()) if held and count else float((w * y**2).sum())
    return Fit(
        solution / scale, variance * (inverse @ inverse.T) / np.outer(scale, scale), math.sqrt(variance), max(freedom, 0.0),
        rest, w, squares, 1.0 - squares / total if total > 0 else math.nan,
    )  # fmt: skip


def robust_fit(design: ArrayLike, values: ArrayLike, *, whole: float = WHOLE, none: float = NONE) -> Fit:
    """Fit values by a sum of columns, with less weight for those far off.

    Parameters
    ----------
    design, values : array_like
        As for `least_squares`.
    whole, none : float
        Residual over scatter up to which a value counts whole, and from which on it does not count.

    Returns
    -------
    Fit
        The scatter is that of the ordinary laps, widened by `WIDER` and `WIDER_FEW`.

    Notes
    -----
    It starts from the fit of least absolute residuals and the median of its largest residuals (all but as many as there are
    columns), then weights and scatter are found in turn until they stand. That keeps up to a third of odd laps from pulling,
    and takes laps without odd ones as least squares does.

    References
    ----------
    P. J. Huber, Robust Statistics (1981), chapter 7.

    Examples
    --------
    >>> line = np.column_stack([np.ones(9), np.arange(9.0)])
    >>> laps = 30.0 + 0.02 * np.arange(9.0) + np.array([1, -2, 0, 2, 900, -1, 1, -2, 1]) / 1000
    >>> fit = robust_fit(line, laps)
    >>> round(float(fit.coefficients[1]), 3), float(fit.weights[4])
    (0.02, 0.0)
    """
    columns, y = np.asarray(design, dtype=np.float64), np.asarray(values, dtype=np.float64)
    count, kept = columns.shape
    fit = least_squares(columns, y)
    if count - kept < 2:
        return fit
    basis, _ = np.linalg.qr(columns / np.sqrt((columns**2).sum(axis=0)))
    off = fit.residuals  # the same fit, without the many seconds all laps share
    rest = fit.residuals
    typical = _median(np.abs(rest))
    for _ in range(PASSES):
        rest, before = _rest(basis, off, 1.0 / np.maximum(np.abs(rest), max(1e-3 * typical, TINY))), rest
        typical = _median(np.abs(rest))
        if np.abs(rest - before).max() < 1e-3 * typical:
            break
    scatter = max(_median(np.sort(np.abs(rest))[kept:]) / NORMAL_MEDIAN, TINY)
    for _ in range(PASSES):
        weights = np.clip((none - np.abs(rest) / scatter) / (none - whole), 0.0, 1.0)
        freedom = float(weights.sum()) - kept
        if not freedom > 0:
            break
        rest = _rest(basis, off, weights)
        scatter, before_scatter = max(CUT_OFF * math.sqrt(float((weights * rest**2).sum()) / freedom), TINY), scatter
        if abs(scatter - before_scatter) < 1e-6 * scatter:
            break
    return weighted_fit(columns, y, weights)


def weighted_fit(design: ArrayLike, values: ArrayLike, weights: ArrayLike) -> Fit:
    """Fit values with weights that were found before, such as those of a robust fit of their sum, and widen its intervals.

    Parameters
    ----------
    design, values, weights : array_like
        As for `least_squares`. With the same weights the coefficients of a sum are the sum of the coefficients.

    Returns
    -------
    Fit
        Scatter and covariance widened by `WIDER` and `WIDER_FEW`.

    Examples
    --------
    >>> line, weights = np.column_stack([np.ones(5), np.arange(5.0)]), [1, 1, 1, 1, 0]
    >>> parts = np.array([[1.0, 2.0, 1.5, 2.5, 9.0], [3.0, 3.1, 3.3, 3.2, 0.0]])
    >>> slopes = [weighted_fit(line, values, weights).coefficients[1] for values in (*parts, parts.sum(axis=0))]
    >>> bool(abs(slopes[0] + slopes[1] - slopes[2]) < 1e-12)
    True
    """
    fit = least_squares(design, values, weights=weights)
    wider = WIDER + WIDER_FEW / max(fit.freedom, 1.0)
    return fit._replace(scatter=wider * fit.scatter, covariance=wider**2 * fit.covariance)


def _median(values: FloatArray) -> float:
    """The median of a few numbers, without the care for holes that takes most of NumPy's time."""
    middle = np.sort(values)[(len(values) - 1) // 2 : len(values) // 2 + 1]
    return float(middle[0] + middle[-1]) / 2.0


def _rest(basis: FloatArray, y: FloatArray, weights: FloatArray) -> FloatArray:
    """Residuals of a weighted fit to orthogonal columns."""
    weighted = basis * weights[:, None]
    normal = basis.T @ weighted
    try:
        solution = np.linalg.solve(normal, weighted.T @ y)
    except np.linalg.LinAlgError:
        solution = np.linalg.pinv(normal) @ (weighted.T @ y)
    return np.asarray(y - basis @ solution)


def nested(small: Fit, large: Fit, *, wider: float = 1.0) -> tuple[float, float]:
    """Return the F ratio of two fits of the same values and weights, and the chance of one as large by luck.

    Parameters
    ----------
    small, large : Fit
        From `least_squares`; `large` has the columns of `small` and more.
    wider : float
        Variance of the coefficients that `large` has more over that of independent values: the ratio is divided by it.

    Returns
    -------
    ratio, p : float
        NaN where there is nothing to compare.

    Examples
    --------
    >>> values = [1.0, 2.0, 3.0, 4.0, 5.0, 9.0]
    >>> group = np.repeat(np.eye(2), 3, axis=0)
    >>> ratio, p = nested(least_squares(np.ones((6, 1)), values), least_squares(group, values))
    >>> round(ratio, 3), round(p, 4)
    (6.0, 0.0705)
    """
    from scipy.special import fdtrc

    more = len(large.coefficients) - len(small.coefficients)
    if more < 1 or not large.freedom > 0 or not large.squares > 0:
        return math.nan, math.nan
    ratio = max(small.squares - large.squares, 0.0) / more / (large.squares / large.freedom) / wider
    return ratio, float(fdtrc(more, large.freedom, ratio))


def share_left(column: ArrayLike, others: ArrayLike) -> float:
    """Return how much of a column the others do not say: 1 nothing of it, 0 all of it.

    Examples
    --------
    >>> round(share_left([1.0, 2.0, 3.0], [[1, 2], [1, 4], [1, 6]]), 6)
    0.0
    """
    values = np.asarray(column, dtype=np.float64)
    spread = float(((values - values.mean()) ** 2).sum())
    return least_squares(others, values).squares / spread if spread > 0 else 0.0


class Slope(NamedTuple):
    """A slope by pairs: slope and its interval, Kendall's tau, and the chance of so steady a trend by luck."""

    slope: float
    low: float
    high: float
    tau: float
    p: float


def theil_sen(
    x: ArrayLike, y: ArrayLike, *, group: ArrayLike | None = None, confidence: float = CONFIDENCE, wider: float = 1.0
) -> Slope:
    """Return the median of the slopes of all pairs of values.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Such as tyre age and lap time.
    group : array_like, shape (n,), optional
        Runs: pairs are made within a run only, so that runs may start from different times.
    confidence : float
        Share of intervals that are to hold the truth, between 0 and 1.
    wider : float
        Standard uncertainty of a slope over that of independent values, where neighbours are alike: interval and chance are
        those of so much fewer values.

    Returns
    -------
    Slope
        NaN without a pair.

    References
    ----------
    K. H. Hamed and A. R. Rao, A modified Mann-Kendall trend test for autocorrelated data, J. Hydrology 204 (1998) 182-196 (the
    variance of the score times a factor; from memory). P. K. Sen, Estimates of the regression coefficient based on Kendall's
    tau, J. Amer. Statist. Assoc. 63 (1968) 1379-1389; pairs within groups: R. M. Hirsch, J. R. Slack and R. A. Smith, Water Resources Research 18 (1982) 107-121.

    Examples
    --------
    >>> found = theil_sen([1, 2, 3, 4, 10, 12, 18], [9, 15, 19, 20, 45, 55, 78], confidence=0.93)
    >>> round(found.slope, 2), round(found.low, 2), round(found.high, 2)
    (4.0, 3.71, 4.38)
    """
    from scipy.special import ndtr, ndtri
    from scipy.stats import kendalltau

    a, b = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    run = np.zeros(len(a)) if group is None else np.asarray(group)
    known = np.isfinite(a) & np.isfinite(b)
    a, b, run = a[known], b[known], run[known]
    i, j = np.triu_indices(len(a), 1)
    keep = (run[i] == run[j]) & (a[i] != a[j])
    i, j = i[keep], j[keep]
    if not len(i):
        return Slope(*[math.nan] * 5)
    slopes = np.sort((b[j] - b[i]) / (a[j] - a[i]))
    score = float(np.sign(slopes).sum())
    variance = sum(_score_variance(a[run == one], b[run == one]) for one in np.unique(run))
    reach = float(ndtri(0.5 + 0.5 * confidence)) * math.sqrt(variance)
    low = slopes[max(round((len(slopes) - reach) / 2.0) - 1, 0)] if variance else -math.inf
    high = slopes[min(round((len(slopes) + reach) / 2.0), len(slopes) - 1)] if variance else math.inf
    if len(np.unique(run)) == 1:
        tau, p = (float(v) for v in kendalltau(a, b))
    else:
        tau = score / len(slopes)
        p = 2.0 * float(ndtr(-max(abs(score) - 1.0, 0.0) / math.sqrt(variance))) if variance else math.nan
    middle = float(np.median(slopes))
    low, high = middle - wider * (middle - low), middle + wider * (high - middle)
    return Slope(middle, float(low), float(high), tau, 2.0 * float(ndtr(ndtri(p / 2.0) / wider)))


def _score_variance(x: FloatArray, y: FloatArray) -> float:
    """Variance of Kendall's score by luck, ties allowed for."""
    n = len(x)
    ties = [np.unique(values, return_counts=True)[1].astype(np.float64) for values in (x, y)]
    return max(float(n * (n - 1) * (2 * n + 5) - sum((k * (k - 1) * (2 * k + 5)).sum() for k in ties)) / 18.0, 0.0)
