"""Balance: how much wheel a corner takes at its speed, against what it took before. Tighter or looser, by entry, middle and exit.

Unlike the understeer gradient this needs no level road: laps are compared at the same corner, and what its banking
adds is in both.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.balance.steering import fitted, frames_of, means_of
from lapkit.analysers.statistics.two_groups import CONFIDENCE, holm, welch
from lapkit.channels import FloatArray
from lapkit.errors import ColumnError
from lapkit.model.lap_sheet import left_out

if TYPE_CHECKING:
    from lapkit.model.session import Session

    Laps = Session | pd.DataFrame | Sequence[pd.DataFrame]

BALANCE_COLUMNS = {
    "corner": "object", "part": "object", "start_distance": "float64", "end_distance": "float64", "a": "float64",
    "b": "float64", "difference": "float64", "difference_uncertainty": "float64", "margin": "float64",
    "significant": "bool", "unit": "object", "words": "object",
}  # fmt: skip
"""Column -> dtype of the table of balance."""


def balance(
    laps: Laps,
    reference: Laps,
    *,
    steering_ratio: float | None = None,
    confidence: float = CONFIDENCE,
) -> pd.DataFrame:
    """Say by corner and phase whether laps were tighter or looser than the reference laps.

    Parameters
    ----------
    laps, reference : Session, DataFrame or sequence of DataFrame
        Sessions, of which the clean laps are used, or lap frames; two of each at least, for the scatter.
    steering_ratio : float, optional
        Steering-wheel angle over road-wheel angle. Where it is given, or the road-wheel angle recorded, angles are of the
        road wheels, else of the steering wheel.
    confidence : float
        Share of intervals that hold the true difference.

    Returns
    -------
    DataFrame
        One row a corner and phase: corner, part ("entry", "middle", "exit"), start_distance, end_distance (m), a and b (rad):
        the mean angle into the corner beyond what the reference laps need at that curvature and speed, of the reference and
        of the laps; difference (b - a, positive is tighter) with its standard uncertainty and margin, significant
        (corrected for the number of rows, after Holm), unit, words. ``attrs["angle"]`` says which wheel,
        ``attrs["lateral"]`` which lateral acceleration, ``attrs["notes"]`` what else.

    Raises
    ------
    ColumnError
        If there is no steering or road-wheel angle, or nothing to see the bends by.
    FrameError
        If the laps are of different tracks, or do not carry corners.

    Notes
    -----
    Steering is compared at like curvature and speed: what the reference laps needed for a bend and for a lateral acceleration,
    c1 kappa + c2 v^2 kappa, is taken off both, with what that fit leaves open counted in. The middle of the wheel is read on
    each lap's own straights. Banking and camber of a corner are in both groups and drop out. A driver who steers otherwise on
    purpose, or another line, shows here as well.

    Examples
    --------
    >>> import lapkit
    >>> run = [lapkit.load("sample_data/oval_run.csv").lap(n) for n in range(1, 11)]
    >>> bool(balance(run[:5], run[5:])["significant"].any())
    False
    """
    given = [frames_of(reference), frames_of(laps)]
    first, second = (means_of(frames, like=given[0][0]) for frames in given)
    if first.angle != second.angle:
        raise ColumnError(
            f"the reference has the angle of the {first.angle}, the laps that of the {second.angle}; give both alike."
        )
    ratio = 1.0 if first.angle == "road wheel" else steering_ratio
    bends = first.bends
    direction = np.sign(first.curvature[:, bends].mean(axis=0))
    columns = [np.stack([m.curvature, m.lateral], axis=-1) for m in (first, second)]
    known = np.isfinite(first.steer) & np.isfinite(columns[0]).all(axis=-1)
    design = np.column_stack([np.ones(known.sum()), columns[0][known]])
    block = np.broadcast_to(np.arange(known.shape[1]), known.shape)[known]
    values, covariance = fitted(design, first.steer[known], block)
    over = []
    for means, x in zip((first, second), columns, strict=True):
        left = means.steer - x @ values[1:]
        metres = (means.parts["end_distance"] - means.parts["start_distance"]).to_numpy() * ~bends
        weight = np.where(np.isfinite(left), metres, 0.0)
        total = weight.sum(axis=1)
        zero = np.where(total > 0, np.nansum(left * weight, axis=1) / np.maximum(total, 1e-9), values[0])
        over.append((left - zero[:, None])[:, bends] * direction / (ratio or 1.0))
    found = welch(over[0], over[1], confidence=confidence)
    moved = [np.nansum(x[:, bends], axis=0) / np.maximum(np.isfinite(x[:, bends]).sum(axis=0), 1) for x in columns]
    shift = (moved[1] - moved[0]) * direction[:, None] / (ratio or 1.0)
    open_ = np.sqrt(np.maximum(np.einsum("pi,ij,pj->p", shift, covariance[1:, 1:], shift), 0.0))
    sigma = np.hypot(found.uncertainty, open_)
    with np.errstate(divide="ignore", invalid="ignore"):
        wider = np.where(found.uncertainty > 0, sigma / found.uncertainty, 1.0)
    margin = found.margin * wider
    p = np.where(np.isfinite(found.p), welch_p(found.difference, sigma, len(given[0]) + len(given[1]) - 2), np.nan)
    p = np.fmax(p, found.p)
    parts = first.parts[bends].reset_index(drop=True)
    table = pd.DataFrame(
        {
            "corner": parts["corner"], "part": parts["part"], "start_distance": parts["start_distance"],
            "end_distance": parts["end_distance"], "a": found.a, "b": found.b, "difference": found.difference,
            "difference_uncertainty": sigma, "margin": margin, "significant": np.nan_to_num(holm(p), nan=1.0) < 1.0 - confidence,
            "unit": "rad",
        }
    )  # fmt: skip
    angle = first.angle if ratio is None else "road wheel"
    table["words"] = [_words(row, angle) for row in table.to_dict("records")]
    table = table[list(BALANCE_COLUMNS)].astype(BALANCE_COLUMNS)
    notes = left_out([reference, laps])
    if ratio is None:
        notes.append("The steering ratio is not known: angles are of the steering wheel.")
    if first.source != second.source:
        notes.append(f"Curvature is from {first.source} in the reference and from {second.source} in the laps.")
    table.attrs = {
        "angle": angle, "lateral": f"speed squared times curvature seen from above, curvature from {first.source}", "notes": notes,
    }  # fmt: skip
    return table


def welch_p(difference: FloatArray, sigma: FloatArray, freedom: int) -> FloatArray:
    """Chance of a difference as large by luck, for a scatter known from `freedom` values."""
    from scipy.special import stdtr

    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.where(difference == 0.0, 0.0, np.abs(difference) / sigma)
    return np.asarray(2.0 * stdtr(max(freedom, 1), -ratio))


def _words(row: Mapping[Hashable, Any], angle: str) -> str:
    change, margin = (float(np.degrees(row[name])) for name in ("difference", "margin"))
    wheel = "wheel" if angle == "steering wheel" else "road wheel"
    where = {"entry": "on the way into", "middle": "in the middle of", "exit": "on the way out of"}[str(row["part"])]
    place = f"{where} corner {row['corner']}"
    sure = f"± {margin:.2g} deg" if np.isfinite(margin) else "no scatter to judge it by"
    if not np.isfinite(change):
        return f"No angle of the wheel {place}."
    if not row["significant"]:
        return f"No difference of balance that can be told {place} ({change:+.2g}, {sure} of {wheel})."
    return f"{abs(change):.2g} deg {'more' if change > 0 else 'less'} {wheel} {place}: {'tighter' if change > 0 else 'looser'} ({sure})."
