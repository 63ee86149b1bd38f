"""The lowest point of a channel, between samples."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from lapkit.analysers.lap.between import IntArray
from lapkit.channels import FloatArray

LONGEST = 0.6
"""s. The widest stretch either side of a lowest point that is fitted (tuned on simulated laps)."""
MOST_AT_ONCE = 100_000
"""Values in all windows of the events that are fitted at once: more would not stay in the processor's cache (chosen)."""


def lowest(
    time: FloatArray, value: FloatArray, start: IntArray, end: IntArray, *, noise: float = 0.0, interval: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Find the lowest value in each half-open run of samples [start, end), between samples.

    The lowest sample misses the lowest point by up to half a sample of braking. Without noise, the way down is
    followed on from the samples before each gap and the way up back from those behind it, both as parabolas: the
    lowest point is where the higher of the two is lowest. That is exact for a V (hard on the brake, then on the
    throttle) and for a smooth minimum. With noise, a parabola is fitted to as many samples as balance noise against
    the rounding of a V, and half of that rounding is taken back.

    Parameters
    ----------
    time, value : ndarray, shape (n,)
        Sample times (s, increasing) and values.
    start, end : ndarray of int, shape (events,)
        Runs, not empty. Samples outside a run help with the fit.
    noise : float
        White noise of the values (1 sigma), quantisation included.
    interval : float
        Usual time between samples, s.

    Returns
    -------
    time, value, uncertainty : ndarray, shape (events,)
        When (s), how low, and the standard uncertainty of the value.

    Examples
    --------
    Braking at 8 m/s2 to 10 m/s at 0.534 s, then accelerating at 4 m/s2, at 10 Hz; the lowest sample says 10.26:

    >>> time = np.arange(12) / 10
    >>> speed = 10 + np.where(time < 0.534, 8 * (0.534 - time), 4 * (time - 0.534))
    >>> when, low, _ = lowest(time, speed, np.array([0]), np.array([12]), interval=0.1)
    >>> round(float(when[0]), 3), round(float(low[0]), 2), round(float(speed.min()), 2)
    (0.534, 10.0, 10.26)
    """
    if not start.size:
        return np.empty(0), np.empty(0), np.empty(0)
    if 3.0 * noise < 0.2 * interval:
        return _lowest_sharp(time, value, start, end, noise, interval)
    return _lowest_smooth(time, value, start, end, noise, interval)


def _lowest_index(value: FloatArray, start: IntArray, end: IntArray) -> IntArray:
    return np.array([s + int(np.argmin(value[s:e])) for s, e in zip(start, end, strict=True)], dtype=np.intp)


def _lowest_sharp(
    time: FloatArray, value: FloatArray, start: IntArray, end: IntArray, noise: float, interval: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    at = _lowest_index(value, start, end)
    when, low = time[at], value[at]
    rows = np.arange(at.size)
    inner = (at >= 3) & (at <= len(time) - 4)
    for offset in (-1, 0):  # the gap before the lowest sample and the one behind it
        gap = np.clip(at + offset, 2, max(len(time) - 4, 2))
        if len(time) < 7:
            break
        left, width = time[gap], time[gap + 1] - time[gap]
        for _ in range(3):  # ever finer around the best
            t = left[:, None] + np.linspace(0.0, 1.0, 21) * width[:, None]
            height = np.maximum(
                _parabola(time, value, gap[:, None] + np.array([-2, -1, 0]), t),
                _parabola(time, value, gap[:, None] + np.array([1, 2, 3]), t),
            )
            pick = np.argmin(height, axis=1)
            better = inner & (height[rows, pick] < low)
            when = np.where(better, t[rows, pick], when)
            low = np.where(better, height[rows, pick], low)
            left, width = left + np.clip(pick - 1, 0, 18) / 20.0 * width, width / 10.0
    sigma = np.sqrt((3.0 * noise) ** 2 + (0.25 * (value[at] - low)) ** 2 + (0.05 * interval) ** 2)
    return when, low, sigma


def _parabola(time: FloatArray, value: FloatArray, nodes: IntArray, t: FloatArray) -> FloatArray:
    """Values at `t` (events, m) of the parabolas through three samples each, `nodes` (events, 3)."""
    t0, t1, t2 = (time[nodes[:, k], None] for k in range(3))
    y0, y1, y2 = (value[nodes[:, k], None] for k in range(3))
    first = (y1 - y0) / (t1 - t0)
    second = ((y2 - y1) / (t2 - t1) - first) / (t2 - t0)
    return np.asarray(y0 + (t - t0) * (first + (t - t1) * second))


class _Fit(NamedTuple):
    """A shape fitted around each event in each window: lowest point (s from the middle sample, value), its variance, misfit."""

    when: FloatArray
    low: FloatArray
    variance: FloatArray
    misfit: FloatArray
    spare: FloatArray
    rounding: FloatArray


def _lowest_smooth(
    time: FloatArray, value: FloatArray, start: IntArray, end: IntArray, noise: float, interval: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    widths = np.unique(np.round(np.geomspace(1.0, max(LONGEST / interval, 2.0), 9)).astype(int))
    span = 2 * int(np.clip((noise / 0.1) ** 2, 0.05, 0.15) / interval) + 1
    level = np.convolve(np.pad(value, span // 2, mode="edge"), np.full(span, 1.0 / span), mode="valid")
    at = _lowest_index(level, start, end)
    event = np.arange(at.size)
    few = max(MOST_AT_ONCE // (2 * int(widths[-1]) + 1) // len(widths), 1)
    blocks = [_fits(time, value, at[k : k + few], widths, noise, interval) for k in range(0, at.size, few)]
    round_fits, sharp_fits = (
        _Fit(*(np.concatenate(parts, axis=1) for parts in zip(*fits, strict=True)))
        for fits in zip(*blocks, strict=True)
    )

    def widest(fit: _Fit) -> IntArray:
        """Index of the widest window in which the shape leaves no more than noise, 0 where there is none."""
        good = fit.misfit <= noise**2 * (fit.spare + 2.5 * np.sqrt(2.0 * np.maximum(fit.spare, 0.0)))
        return np.asarray(np.max(np.where(good, np.arange(len(widths))[:, None], 0), axis=0))

    def pick(fit: _Fit, name: str, window: IntArray) -> FloatArray:
        return np.asarray(getattr(fit, name)[window, event])

    round_widest, sharp_widest = widest(round_fits), widest(sharp_fits)
    # a parabola bends away unseen before it is seen to: step back from its widest
    window = np.searchsorted(widths, 0.6 * widths[round_widest] - 1e-9)
    low, variance = pick(round_fits, "low", window), pick(round_fits, "variance", window)
    rounding = pick(round_fits, "rounding", window) * (1.0 + 1.0 / widths[window])
    variance = variance + (0.3 * rounding) ** 2
    when = pick(round_fits, "when", window) * widths[window] * interval
    sharp_low, sharp_variance = pick(sharp_fits, "low", sharp_widest), pick(sharp_fits, "variance", sharp_widest)
    sharp_when = pick(sharp_fits, "when", sharp_widest) * widths[sharp_widest] * interval
    # pedals take time, so a turn of speed is round unless it is plainly sharp
    share = np.where(sharp_widest >= round_widest + 2, 0.6, 0.0)
    share = np.where(np.isfinite(sharp_low) & (pick(sharp_fits, "spare", sharp_widest) > 0), share, 0.0)
    apart = np.where(share > 0, sharp_low - low, 0.0)
    # the lowest of several equal stretches is low by luck
    alike = np.array(
        [np.count_nonzero(level[s:e] <= top) for s, e, top in zip(start, end, level[at] + noise, strict=True)]
    )
    luck = np.where(share > 0, 0.0, np.sqrt(variance * np.log(np.maximum(alike / widths[window], 1.0))))
    sigma = np.sqrt(
        np.where(share > 0, sharp_variance, 1.7 * variance)  # the data chose the window too
        + (0.5 * apart) ** 2
        + (0.7 * luck) ** 2
        + (0.05 * interval) ** 2
    )
    when = when + share * np.where(share > 0, sharp_when - when, 0.0)
    return time[at] + when, value[at] + low + share * apart + luck, sigma


def _fits(
    time: FloatArray, value: FloatArray, at: IntArray, widths: IntArray, noise: float, interval: float
) -> tuple[_Fit, _Fit]:
    """The round and the sharp shape fitted around some samples in windows of all widths, shape (widths, events)."""
    reach = np.arange(-widths[-1], widths[-1] + 1)
    index = at[:, None] + reach
    there = (index >= 0) & (index < len(time))
    index = np.clip(index, 0, len(time) - 1)
    u = (time[index] - time[at][:, None]) / (widths[:, None, None] * interval)
    used = (np.abs(reach) <= widths[:, None, None]) & there & (np.abs(u) <= 1.5)
    y = np.broadcast_to(value[index] - value[at][:, None], u.shape)
    flat = (-1, len(reach))
    fits = (fit(u.reshape(flat), y.reshape(flat), used.reshape(flat), noise) for fit in (_round_fit, _sharp_fit))
    first, second = (_Fit(*(part.reshape(len(widths), -1) for part in fit)) for fit in fits)
    return first, second


def _round_fit(u: FloatArray, y: FloatArray, used: np.ndarray, noise: float) -> _Fit:
    """Parabolas through the used samples, (events, samples), u in windows' half widths."""
    basis = np.stack([np.ones_like(u), u, u**2], axis=-1) * used[..., None]
    cover = np.linalg.inv(np.einsum("eki,ekj->eij", basis, basis) + 1e-9 * np.eye(3))
    fitted = np.einsum("eij,ekj,ek->ei", cover, basis, y)
    misfit = ((np.where(used, y, 0.0) - np.einsum("eki,ei->ek", basis, fitted)) ** 2).sum(axis=1)
    _, b, c = fitted.T
    c_sigma = noise * np.sqrt(cover[:, 2, 2])
    bent = c > 2.0 * c_sigma
    when = np.where(bent, np.clip(-b / (2.0 * np.where(bent, c, 1.0)), -1.0, 1.0), 0.0)
    powers = np.stack([np.ones_like(when), when, when**2], axis=-1)
    variance = noise**2 * np.einsum("ei,eij,ej->e", powers, cover, powers)
    # a V is rounded by 3/16 of its rise, of which c is 15/16
    rounding = np.where(bent, 0.2 * np.maximum(c - c_sigma, 0.0), 0.0)
    low = np.einsum("ei,ei->e", powers, fitted)
    return _Fit(when, low, variance, misfit, used.sum(axis=1) - 3.0, rounding)


def _sharp_fit(u: FloatArray, y: FloatArray, used: np.ndarray, noise: float) -> _Fit:
    """Two straight lines that meet between two of the samples: for every gap by running sums, the best gap kept."""
    w = used.astype(np.float64)
    sums = np.stack([np.cumsum(w * term, axis=1) for term in (1.0 + 0.0 * u, u, u * u, y, u * y, y * y)])
    left, right = sums[:, :, 1:-2], sums[:, :, -1:] - sums[:, :, 1:-2]

    def line(part: FloatArray) -> tuple[FloatArray, ...]:
        n, su, suu, sy, suy, syy = part
        n = np.maximum(n, 1.0)
        square = np.maximum(suu - su**2 / n, 1e-12)
        slope = (suy - su * sy / n) / square
        misfit = np.maximum(syy - sy**2 / n - slope**2 * square, 0.0)
        return slope, su / n, sy / n, square, n, misfit

    (a, ua, ya, qa, na, ma), (b, ub, yb, qb, nb, mb) = line(left), line(right)
    turn = np.where(b - a > 1e-9, b - a, np.nan)
    meet = ((ya - a * ua) - (yb - b * ub)) / turn
    here, there = u[:, 1:-2], u[:, 2:-1]
    slack = there - here
    fits = (meet >= here - slack) & (meet <= there + slack) & (left[0] >= 2) & (right[0] >= 2)
    misfit = np.where(fits, ma + mb, np.inf)
    best = np.argmin(misfit, axis=1)
    row = np.arange(len(u))

    def at_best(values: FloatArray) -> FloatArray:
        return np.asarray(values[row, best])

    a, ua, ya, qa, na, b, ub, qb, nb, meet = (at_best(v) for v in (a, ua, ya, qa, na, b, ub, qb, nb, meet))
    low = ya + a * (meet - ua)
    # each line's error where they meet, shared by the slopes
    of_left = 1.0 / na + (meet - ua) ** 2 / qa
    of_right = 1.0 / nb + (meet - ub) ** 2 / qb
    variance = noise**2 * (b**2 * of_left + a**2 * of_right) / np.maximum((b - a) ** 2, 1e-12)
    found = np.isfinite(at_best(misfit))
    low = np.where(found, low, np.nan)
    return _Fit(meet, low, variance, at_best(misfit), used.sum(axis=1) - 4.0, np.zeros(len(u)))
