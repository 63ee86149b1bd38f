"""How noisy a channel is from sample to sample, told from its roughness, and in what steps it is written."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from lapkit.channels import FloatArray


def white_noise(values: FloatArray, *, stride: int = 1, share: float = 0.5, skip_equal: bool = False) -> float:
    """White noise (1 sigma) of evenly sampled values, from their third differences.

    Motion is smooth: what is left of it after three differences is its jerk times the interval cubed. Noise is not: a
    third difference of white noise has 20 times its variance. A quantile of them looks past sharp events.

    Parameters
    ----------
    values : ndarray, shape (..., n)
        Samples along the last axis; NaN where missing.
    stride : int
        Samples from one that is looked at to the next.
    share : float
        Share of the third differences, from the smallest, that sharp events may leave alone, 0..1.
    skip_equal : bool
        Whether to leave out third differences of zero: values held or rounded to one step.

    Returns
    -------
    float
        In the unit of the values; 0 where there is too little to tell.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> round(white_noise(np.linspace(0.0, 9.0, 4000) + rng.normal(0.0, 0.1, 4000)), 2)
    0.1
    """
    third = np.abs(np.diff(values[..., :: max(stride, 1)], n=3, axis=-1))
    third = third[np.isfinite(third)]
    if skip_equal:
        third = third[third > 0]
    width = NormalDist().inv_cdf((1.0 + share) / 2.0)
    return float(np.quantile(third, share) / width / np.sqrt(20.0)) if third.size >= 8 else 0.0


def quantum(values: FloatArray) -> float:
    """Step of quantised values, 0 where they are not quantised.

    A channel counts as quantised where it takes the same values again and again, whole multiples of one step apart.

    Examples
    --------
    >>> round(quantum(np.array([0.0, 0.25, 0.26, 0.4, 0.51, 0.7, 0.99, 1.0] * 9)), 6)
    0.01
    """
    values = np.round(values[np.isfinite(values)], 9)
    levels = np.unique(values)
    gaps = np.diff(levels)
    gaps = gaps[gaps > 1e-7]
    if levels.size < 8 or 4 * levels.size > values.size:
        return 0.0
    step = float(gaps.min())
    ratio = gaps / step
    return step if np.abs(ratio - np.round(ratio)).max() < 0.05 else 0.0
