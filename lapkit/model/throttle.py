"""What full throttle is in this recording: 98.7 % may be all the sensor ever says."""

from __future__ import annotations

import numpy as np

from lapkit.channels import FloatArray


def learn_full_throttle(
    throttle: FloatArray, *, band: float = 0.02, least_share: float = 0.03, least_level: float = 0.5
) -> float | None:
    """Learn the reading at full throttle from the plateau at the top of the readings.

    Parameters
    ----------
    throttle : ndarray, shape (n,)
        Throttle of the whole recording, 0..1.
    band : float
        Width of the plateau below the highest reading, 0..1.
    least_share : float
        Share of the samples the plateau must hold; a driver on the power holds it far longer.
    least_level : float
        Lowest reading that may be called full; below it the recording never shows full throttle.

    Returns
    -------
    float or None
        Median of the plateau; None where the recording never reaches full throttle.

    Examples
    --------
    >>> import numpy as np
    >>> round(learn_full_throttle(np.array([0.2, 0.5] + [0.987] * 30)), 3)
    0.987
    >>> learn_full_throttle(np.linspace(0.0, 0.42, 500)) is None
    True
    """
    values = throttle[np.isfinite(throttle)]
    if not len(values):
        return None
    top = float(np.quantile(values, 0.998))
    plateau = values[values >= top - band]
    if top < least_level or len(plateau) < least_share * len(values):
        return None
    middle = float(np.median(plateau))  # noise puts the top too high; the readings around this one are the plateau
    return float(np.median(values[np.abs(values - middle) <= band]))
