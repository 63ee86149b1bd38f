"""Where engine speed over road speed crowds: one value a gear."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.noise import white_noise

LEAST_STEP = 0.05
"""Share. Gears lie at least this far apart (closest steps of racing gearboxes, common practice, no source)."""
TOLERANCE = 0.03
"""Share. How far from its gear's value a sample may lie, beside its noise: tyre slip at full drive (common practice)."""
STEADY_TIME = 0.2
"""s. Engine speed over road speed must stand still over this time, or the car is between gears (chosen)."""
STEADY = 0.012
"""Share by which it may move over that time, beside its noise (chosen)."""
VALLEY = 0.3
"""Two crowds are two gears where the density between them falls below this share of the lesser (chosen)."""
LEAST_TIME = 1.0
"""s. A gear must have been used for so long (chosen)."""
LEAST_SHARE = 0.003
"""Share of the driving that a gear must have been used for (chosen)."""


@dataclass(frozen=True)
class Clusters:
    """Where the samples crowd."""

    centres: FloatArray  # logarithm of engine speed over road speed (rad/m), falling: lowest gear first
    reach: float  # how far from a centre a sample may lie, logarithm
    noise: float  # white noise of the logarithm, 1 sigma
    steady: NDArray[np.bool_]  # whether the ratio stood still at a sample: neither shift nor clutch nor spinning wheels


def find_clusters(time: FloatArray, ratio: FloatArray) -> Clusters:
    """Find the values round which engine speed over road speed crowds.

    Parameters
    ----------
    time : ndarray, shape (n,)
        s, increasing.
    ratio : ndarray, shape (n,)
        Engine speed over road speed, rad/m; NaN where it says nothing.

    Returns
    -------
    Clusters

    Examples
    --------
    >>> time = np.arange(2000) / 50.0
    >>> found = find_clusters(time, np.where(time < 15.0, 18.0, 14.0) * (1 + 0.002 * np.sin(time)))
    >>> np.exp(found.centres).round(1).tolist()
    [18.0, 14.0]
    """
    log = np.log(ratio)
    interval = float(np.median(np.diff(time))) if len(time) > 1 else 1.0
    noise = white_noise(log)
    apart = max(1, round(STEADY_TIME / interval))
    width = max(1, apart // 2)
    calm = _means(log, width)
    moved = np.abs(calm[apart:] - calm[:-apart]) if len(log) > apart else np.zeros(0)
    allowed = STEADY + 3.0 * noise * np.sqrt(2.0 / width)
    still = np.zeros(len(log), dtype=bool)
    begin = apart // 2
    still[begin : begin + len(moved)] = moved <= allowed
    reach = TOLERANCE + 2.5 * noise
    known = log[still & np.isfinite(log)]
    if known.size < 10:
        return Clusters(np.zeros(0), reach, noise, still)
    bin_width = 0.001
    low = float(known.min()) - 0.1
    count, _ = np.histogram(known, bins=np.arange(low, float(known.max()) + 0.1, bin_width))
    spread = max(0.004, noise)
    half = int(np.ceil(4.0 * spread / bin_width))
    kernel = np.exp(-0.5 * (np.arange(-half, half + 1) * bin_width / spread) ** 2)
    density = np.convolve(count, kernel, mode="same")
    inner = density[1:-1]
    peaks = np.flatnonzero((inner >= density[:-2]) & (inner > density[2:]) & (inner > 0)) + 1
    kept = _apart(density, peaks, round(LEAST_STEP / bin_width))
    centres = low + (np.array(kept, dtype=np.float64) + 0.5) * bin_width
    least = max(LEAST_TIME / interval, LEAST_SHARE * known.size)
    used = [c for c in centres.tolist() if (np.abs(known - c) <= reach).sum() >= least]
    return Clusters(np.array(used[::-1]), reach, noise, still)


def _means(values: FloatArray, width: int) -> FloatArray:
    """Running means over `width` samples; NaN where any is missing."""
    if width < 2:
        return values
    known = np.isfinite(values)
    kernel = np.ones(width) / width
    mean = np.convolve(np.where(known, values, 0.0), kernel, mode="same")
    return np.where(np.convolve(known, kernel, mode="same") > 1.0 - 0.5 / width, mean, np.nan)


def _apart(density: FloatArray, peaks: NDArray[np.intp], least: int) -> list[int]:
    """Peaks that stand apart: far enough from one another, with a valley between."""
    kept: list[int] = []
    for peak in peaks.tolist():
        while kept:
            last = kept[-1]
            valley = float(density[last : peak + 1].min())
            if peak - last >= least and valley < VALLEY * min(density[last], density[peak]):
                break
            if density[peak] <= density[last]:
                peak = -1
                break
            kept.pop()
        if peak >= 0:
            kept.append(peak)
    return kept


def labels_of(ratio: FloatArray, clusters: Clusters) -> NDArray[np.intp]:
    """Return which gear each ratio lies in: 0 the lowest gear, -1 none."""
    if not len(clusters.centres):
        return np.full(len(ratio), -1, dtype=np.intp)
    away = np.abs(np.log(ratio)[:, None] - clusters.centres)
    near = np.where(np.isnan(away), np.inf, away).argmin(axis=1)
    best = away[np.arange(len(ratio)), near]
    return np.where(best <= clusters.reach, near, -1).astype(np.intp)
