"""Throttle and brake as fractions: per cent, counts, degrees and volts scaled to 0 for released, 1 for fully applied."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import UNITS
from lapkit.importers.headers import Assignment
from lapkit.model.recording import Provenance

FloatArray = NDArray[np.float64]


def scale_pedal(choice: Assignment, values: FloatArray, provenance: Provenance, *, driven: float = 20.0) -> bool:
    """Decide what the values of a pedal mean: a fraction, per cent, or else what its sensor puts out.

    Values up to about 1 are a fraction, up to about 100 per cent. Degrees and counts are scaled by
    the highest, volts by both ends of what was recorded.

    Parameters
    ----------
    choice : Assignment
        The column of the throttle or the brake; its unit is decided here.
    values : ndarray, shape (n,)
        As logged.
    provenance : Provenance
        Receives what was taken for 0 and 1.
    driven : float
        Per cent a throttle passes in any recording of driving, so that less is not per cent where
        nothing says so; a brake may well not be used. Common practice, no source.

    Returns
    -------
    bool
        False where the values do not tell, so that the column has to stay as it is.
    """
    if choice.unit == "%" or choice.ends is not None:
        return True
    throttle = choice.channel == "throttle"
    top = size_of(values)
    named = f"{choice.channel} in '{choice.header}'"
    if choice.unit is None and top <= (1.5 if throttle else 1.05):
        choice.decide("1", f"no unit said; values up to {top:.3g} are a fraction")
    elif choice.unit is None and top <= 105.0 and (top >= driven or not throttle):
        choice.decide("%", f"no unit said; values up to {top:.3g} are per cent")
        if choice.remark:
            provenance.warnings.append(
                f"{named}: '{choice.remark}' is no unit lapkit knows; values up to {top:.3g} were taken for per cent. "
                + _hint(choice)
            )
    elif (choice.unit in UNITS["angle"] and top > 0) or (choice.unit is None and top > 105.0):
        unit = f" {choice.unit}" if choice.unit else ""
        choice.between(0.0, top, f"values up to {top:g}; the highest is taken for fully on")
        provenance.warnings.append(
            f"{named} runs to {top:g}{unit}: scaled so that the highest value is 1. In a recording that never reaches full "
            f"this reads too high. {_hint(choice)}"
        )
    else:
        return _by_ends(choice, values[np.isfinite(values)], provenance)
    return True


def _by_ends(
    choice: Assignment,
    values: FloatArray,
    provenance: Provenance,
    *,
    tail: float = 0.005,
    near: float = 0.02,
    dwell: float = 0.05,
) -> bool:
    """Scale by the lowest and the highest value where the pedal dwells at the end that tells.

    `tail` is the share of values beyond each end, `near` the share of the range that is the end,
    `dwell` the share of the recording spent there: a throttle fully open, a brake released.
    """
    throttle = choice.channel == "throttle"
    unit = f" {choice.unit}" if choice.unit else choice.remark and f" ({choice.remark})"
    low, high = (float(end) for end in np.quantile(values, [tail, 1.0 - tail])) if values.size else (0.0, 0.0)
    clear = False
    if high > low:
        at_full = float((values > high - near * (high - low)).mean())
        at_zero = float((values < low + near * (high - low)).mean())
        clear = low < 0.5 * high and (at_full >= max(dwell, at_zero) if throttle else at_zero >= max(dwell, at_full))
    if not clear:
        provenance.warnings.append(
            f"'{choice.header}' reads like {choice.channel}, but its values, {low:.3g} to {high:.3g}{unit}, are not per "
            f"cent and do not tell where it is released and fully applied: kept as it is. {_hint(choice)}"
        )
        return False
    choice.between(low, high, "the ends of what was recorded are taken for 0 and 1")
    never = (
        "If the throttle was never closed, lifts look deeper than they were"
        if throttle
        else "If the brake was never fully applied, it reads too high"
    )
    provenance.warnings.append(
        f"{choice.channel} in '{choice.header}' is not per cent: {low:.3g}{unit} was taken for 0 and {high:.3g}{unit} "
        f"for 1, the ends of what was recorded. {never}. {_hint(choice)}"
    )
    return True


def _hint(choice: Assignment) -> str:
    return (
        f'Say which values mean 0 and 1 with columns={{"{choice.channel}": {{"column": "{choice.header}", '
        '"zero": ..., "full": ...}}.'
    )


def size_of(values: FloatArray, *, share: float = 0.999, most: int = 20000) -> float:
    """Largest size of the values but for one in a thousand; 0 where there are none."""
    size = np.abs(values[:: max(1, len(values) // most)])
    size = size[np.isfinite(size)]
    return float(np.quantile(size, share)) if size.size else 0.0
