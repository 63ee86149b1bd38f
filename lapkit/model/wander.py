"""How far position drifts from one crossing of the line to the next.

Noise from sample to sample averages out at a crossing; the slow wandering of a satellite receiver does not,
and no single pass shows it. What shows it is speed: near the line, metres by position and metres by speed
should agree on every lap alike. How they come apart within seconds says how far they may come apart in a lap.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from lapkit.channels import FloatArray

REACH = 3.0  # s either side of a crossing; long enough to see drift, short enough to stay on the straight
LAGS = 13  # instants compared within the reach
WHOLE_SHARE = 0.7  # weight of the longest lag beside that of half of it: about inverse to their variances
# Where too few laps show the drift, it is taken for this many times the noise, up to this many metres: what
# receivers of a few decimetres do over a lap of half a minute (common practice, no source).
DRIFT_PER_NOISE = 6.0
LARGEST_GUESS = 0.3
LONGEST_MEMORY = 2.0  # lap times; an error that lasts longer is shared by neighbouring laps, and no lap shows it


def wander_rate(time: FloatArray, ahead: FloatArray, path: FloatArray, crossing: FloatArray) -> float:
    """Estimate how fast the error of position spreads, as a random walk.

    Parameters
    ----------
    time, ahead, path : ndarray, shape (n,)
        Clock (s), metres past the line by position (NaN where unknown), metres driven by speed.
    crossing : ndarray, shape (m,)
        Times of the crossings, s.

    Returns
    -------
    float
        Variance gained per second, m2/s; NaN where there are fewer than three crossings to compare.
    """
    known = np.isfinite(ahead)
    if len(crossing) < 3 or np.count_nonzero(known) < 8:
        return np.nan
    crossed = np.interp(crossing, time, path)
    speed = float(np.median(np.interp(crossing + 0.5, time, path) - np.interp(crossing - 0.5, time, path)))
    reach = REACH * speed
    inner = crossed[(crossed > path[known][0] + reach) & (crossed < path[known][-1] - reach)]
    if len(inner) < 3:
        return np.nan
    lag = np.linspace(-REACH, REACH, LAGS)
    at = inner[:, None] + speed * lag  # compared at the same places, not times: the track may bend there
    apart = np.interp(at, path[known], ahead[known]) - at
    apart -= apart.mean(axis=1, keepdims=True)
    apart -= apart.mean(axis=0)  # what every lap shares is the shape of the track, not drift
    share = len(inner) / (len(inner) - 1)

    def spread(steps: int) -> float:
        return float(np.mean((apart[:, steps:] - apart[:, :-steps]) ** 2)) * share

    spacing = float(lag[1] - lag[0])
    first = spread(1)  # mostly sample-to-sample noise, already counted elsewhere
    middle, whole = LAGS // 2, LAGS - 1
    rates = [(spread(steps) - first) / ((steps - 1) * spacing) for steps in (middle, whole)]
    rate = (1.0 - WHOLE_SHARE) * rates[0] + WHOLE_SHARE * rates[1]
    return _above_zero(rate, first * np.sqrt(2.0 / len(inner)) / ((whole - 1) * spacing))


def _above_zero(estimate: float, sigma: float) -> float:
    """Mean of what a quantity that cannot be negative may be, given an estimate and its standard uncertainty.

    Examples
    --------
    >>> [round(_above_zero(value, 1.0), 2) for value in (-1.0, 0.0, 1.0, 3.0)]
    [0.53, 0.8, 1.29, 3.0]
    """
    if sigma <= 0.0:
        return max(estimate, 0.0)
    normal, a = NormalDist(), max(estimate / sigma, -5.0)
    return max(estimate, -5.0 * sigma) + sigma * normal.pdf(a) / normal.cdf(a)


def drift(rate: float, lengths: FloatArray, lap_time: float, *, noise: float) -> float:
    """Return the error of position that two crossings one lap apart do not share, m.

    Parameters
    ----------
    rate : float
        From `wander_rate`, m2/s; NaN where it could not be told.
    lengths : ndarray, shape (m,)
        Metres driven in each lap by speed. They bound the drift: their scatter holds it, and more besides.
    lap_time : float
        Usual time between crossings, s.
    noise : float
        Sample-to-sample noise of position, m: all there is to go by where drift could not be told.

    Returns
    -------
    float
        Standard deviation per crossing, m.
    """
    if not np.isfinite(rate):
        return min(DRIFT_PER_NOISE * noise, LARGEST_GUESS)
    variance = rate * lap_time
    if len(lengths) > 4:
        away = np.abs(lengths - np.median(lengths))
        scatter = float(np.var(lengths[away <= 8.0 * np.median(away) + 1e-9]))
        variance = min(variance, scatter * (1.0 + 2.0 * np.sqrt(2.0 / (len(lengths) - 1))))
    return float(np.sqrt(variance / 2.0))


def spread(rate: float, change: float, lap_time: float) -> float:
    """Return the standard deviation of an error of position that wanders about zero, m.

    Parameters
    ----------
    rate : float
        Variance it gains a second at first, m2/s, from `wander_rate`.
    change : float
        Variance of its change from one lap to the next at the same place, m2. Lines driven differently are in it too.
    lap_time : float
        Usual time between crossings, s.

    Returns
    -------
    float

    Notes
    -----
    An error with standard deviation s that forgets with time constant t (a first-order Gauss-Markov process) gains
    2 s2 / t a second at first and has changed by 2 s2 (1 - exp(-T / t)) after a lap of T. The two give s and t.

    Examples
    --------
    >>> rate, change = 2 * 0.5**2 / 20.0, 2 * 0.5**2 * (1 - np.exp(-30.0 / 20.0))
    >>> round(spread(rate, change, 30.0), 3)
    0.5
    """
    if not (rate > 0 and change > 0):
        return 0.0
    share = change / (rate * lap_time)  # (1 - exp(-x)) / x with x = T / t
    laps = np.geomspace(1.0 / LONGEST_MEMORY, 200.0, 400)
    x = float(np.interp(-share, np.expm1(-laps) / laps, laps))
    return float(np.sqrt(min(rate * lap_time / (2.0 * x), change / 2.0 / -np.expm1(-x))))
