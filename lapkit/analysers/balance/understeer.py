"""The understeer gradient: how much more road wheel each m/s2 of lateral acceleration takes than the bend itself.

On a level road the road-wheel angle of a steady turn is

    delta = L kappa + K a_y,    a_y = v^2 kappa,

with the wheelbase L and the understeer gradient K (ISO 8855 and SAE J670 define both on a level road). On a
banked one weight pulls across the car too; lapkit then either refuses the gradient or gives that of the plane of
the surface, by its own name.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.analysers.balance.steering import fitted, frames_of, means_of
from lapkit.channels import STANDARD_GRAVITY
from lapkit.model.lap_sheet import left_out

if TYPE_CHECKING:
    from lapkit.model.session import Session

    Laps = Session | pd.DataFrame | Sequence[pd.DataFrame]

LEVEL = float(np.radians(3.0))
"""rad. Up to this banking a road counts as level: weight then pulls across the car by 5 % of itself (chosen)."""
LEAST_RATIO = 2.0
"""How many times its uncertainty the wheelbase that is fitted must be, for the split to be believed (chosen)."""
SCALE = 0.005
"""Share by which the curvature as a whole may be off: scale of yaw rate and speed, slopes, samples (chosen, handbook accuracy of
such sensors, from memory). No number of laps makes the angle of the wheels surer than that."""


@dataclass(frozen=True)
class UndersteerGradient:
    """How much more road wheel each m/s2 of lateral acceleration takes than the bend itself.

    Attributes
    ----------
    ok : bool
        Whether the laps support a gradient.
    reason : str
        Why not, in a sentence; empty where ok.
    gradient, gradient_uncertainty : float
        K, rad s2/m of road wheel, positive for understeer; NaN where neither steering ratio nor wheelbase is known.
    wheelbase, wheelbase_uncertainty : float
        m; as given, or fitted where the steering ratio is known.
    steering_ratio, steering_ratio_uncertainty : float
        As given, or fitted where the wheelbase is known; NaN where neither is.
    speed, speed_uncertainty : float
        Characteristic speed, or the critical speed of an oversteering car, m/s: it needs neither ratio nor wheelbase.
    kind : str
        "understeer" or "oversteer"; "neutral" where the two cannot be told.
    lateral : str
        Which lateral acceleration was used.
    places, laps : int
        Stretches of corner and laps that were fitted.
    notes : tuple of str
    """

    ok: bool
    reason: str
    gradient: float = np.nan
    gradient_uncertainty: float = np.nan
    wheelbase: float = np.nan
    wheelbase_uncertainty: float = np.nan
    steering_ratio: float = np.nan
    steering_ratio_uncertainty: float = np.nan
    speed: float = np.nan
    speed_uncertainty: float = np.nan
    kind: str = "neutral"
    lateral: str = ""
    places: int = 0
    laps: int = 0
    notes: tuple[str, ...] = field(default=())

    @property
    def degrees_per_g(self) -> tuple[float, float]:
        """The gradient and its standard uncertainty, degrees of road wheel per g."""
        factor = float(np.degrees(STANDARD_GRAVITY))
        return factor * self.gradient, factor * self.gradient_uncertainty

    def __repr__(self) -> str:
        if not self.ok:
            return f"No understeer gradient: {self.reason}."
        said = f"{self.kind.capitalize()}, from {self.laps} laps and {self.places} stretches of corner"
        if np.isfinite(self.gradient):
            value, sigma = self.degrees_per_g
            said += f": {value:.2f} ± {2 * sigma:.2f} deg/g of road wheel"
        if self.kind != "neutral":
            name = "characteristic" if self.kind == "understeer" else "critical"
            said += f"; {name} speed {self.speed:.0f} ± {2 * self.speed_uncertainty:.0f} m/s"
        return "\n".join([f"{said} (95 %). Lateral acceleration: {self.lateral}.", *(f"Note: {n}" for n in self.notes)])


def understeer_gradient(
    laps: Laps,
    *,
    steering_ratio: float | None = None,
    wheelbase: float | None = None,
    in_plane: bool = False,
    banking_limit: float = LEVEL,
) -> UndersteerGradient:
    """Fit the understeer gradient to the corners of laps.

    Parameters
    ----------
    laps : Session, DataFrame or sequence of DataFrame
        A session, of which the clean laps are used, or lap frames.
    steering_ratio : float, optional
        Steering-wheel angle over road-wheel angle. Not needed where the road-wheel angle is recorded.
    wheelbase : float, optional
        m. With both given only the gradient is fitted, which is surer.
    in_plane : bool
        Use all corners, banked or not, with the lateral acceleration in the plane of the surface: v^2 kappa cos(banking) less
        g sin(banking). That is no understeer gradient by the standards, which ask for a level road.
    banking_limit : float
        rad. Corners banked more than this are left out, unless `in_plane`.

    Returns
    -------
    UndersteerGradient
        With ``ok=False`` and a reason where fewer than two level corners are left, or curvature and lateral acceleration go
        together so closely that they cannot be told apart.

    Raises
    ------
    ColumnError
        If there is no steering or road-wheel angle, or nothing to see the bends by.
    FrameError
        If the laps do not carry their corners.

    Notes
    -----
    One mean of each lap and part of a corner; uncertainties are of the sandwich kind, with each part of the track as
    one block over all laps, because what the model leaves out there is the same every lap.

    References
    ----------
    ISO 8855:2011 and SAE J670 for the terms (from memory); J. Y. Wong, Theory of Ground Vehicles, chapter 5.

    Examples
    --------
    >>> from lapkit import simulate
    >>> found = understeer_gradient(_flat_run(), steering_ratio=12.0)
    >>> found.kind, round(found.wheelbase, 2), abs(found.gradient - 6e-4) < 2 * found.gradient_uncertainty
    ('understeer', 2.75, True)
    """
    frames = frames_of(laps)
    means = means_of(frames)
    notes = left_out([laps])
    ratio = 1.0 if means.angle == "road wheel" else steering_ratio
    use = means.bends & (np.abs(means.curvature).mean(axis=0) > 0)
    lateral, how = means.lateral, "speed squared times curvature seen from above"
    known = np.isfinite(means.banking).all()
    steep = means.banking if known else means.tilt
    if in_plane:
        if not known:
            return UndersteerGradient(False, "there is no banking, so there is no plane of the surface to work in")
        lateral, how = means.in_plane, "in the plane of the surface, which is not that of ISO 8855"
    else:
        banked = np.nanmedian(np.abs(steep), axis=0) if np.isfinite(steep).all() else np.zeros(steep.shape[1])
        if (use & (banked > banking_limit)).any():
            told = "" if known else ", as the accelerometer shows"
            notes.append(
                f"Corners banked by up to {np.degrees(banked[use].max()):.0f} degrees{told} are left out: the gradient is defined on "
                f"a level road (limit {np.degrees(banking_limit):.0f} degrees)."
            )
            use &= banked <= banking_limit
        elif not np.isfinite(steep).all():
            notes.append("Banking is not known; the corners are taken as level.")
    corners = means.parts["corner"][use].nunique()
    if corners < 2:
        why = notes[-1].rstrip(".") if notes else "too few corners were found"
        return UndersteerGradient(False, f"{corners} level corners are too few, 2 are needed. {why}", lateral=how)
    use |= ~means.bends  # straights say where the middle of the wheel is
    rows = (len(frames), int(use.sum()))
    target, bend, across = (values[:, use].reshape(-1) for values in (means.steer, means.curvature, lateral))
    block = np.tile(np.arange(rows[1]), rows[0])
    seen = np.isfinite(target) & np.isfinite(bend) & np.isfinite(across)
    kinematic = None if ratio is None or wheelbase is None else ratio * wheelbase * bend[seen]
    both = kinematic is not None
    columns = [np.ones(seen.sum()), across[seen]] if both else [np.ones(seen.sum()), across[seen], bend[seen]]
    design = np.stack(columns, axis=1)
    taken = target[seen] if kinematic is None else target[seen] - kinematic
    values, covariance = fitted(design, taken, block[seen])
    # where curvature is off as a whole
    off = values if kinematic is None else fitted(design, kinematic, block[seen])[0]
    covariance = covariance + np.diag((SCALE * off) ** 2)
    sigma = np.sqrt(np.diag(covariance))
    if not both and not values[2] > LEAST_RATIO * sigma[2]:
        return UndersteerGradient(
            False, "curvature and lateral acceleration go together too closely to be told apart: corners of other radii or speeds, or "
            "both steering ratio and wheelbase, would help", lateral=how, notes=tuple(notes),
        )  # fmt: skip
    length, length_sigma, ratio_sigma = wheelbase or np.nan, 0.0, 0.0
    if both:
        assert ratio is not None
        assert wheelbase is not None
        share, share_sigma = values[1] / (ratio * wheelbase), sigma[1] / (ratio * wheelbase)
        gradient, gradient_sigma = values[1] / ratio, sigma[1] / ratio
    else:
        share = values[1] / values[2]
        slope = np.array([1.0 / values[2], -share / values[2]])
        share_sigma = float(np.sqrt(slope @ covariance[1:, 1:] @ slope))
        if ratio is not None:
            length, length_sigma = values[2] / ratio, sigma[2] / ratio
            gradient, gradient_sigma = values[1] / ratio, sigma[1] / ratio
        elif wheelbase is not None:
            ratio, ratio_sigma = float(values[2] / wheelbase), float(sigma[2] / wheelbase)
            gradient, gradient_sigma = share * wheelbase, share_sigma * wheelbase
        else:
            gradient = gradient_sigma = np.nan
            length_sigma = ratio_sigma = np.nan
            notes.append(
                "Neither steering ratio nor wheelbase is known: only the speed can be given, no angle of the road wheels."
            )
    told = abs(share) > 2.0 * share_sigma
    return UndersteerGradient(
        True, "", float(gradient), float(gradient_sigma), float(length), float(length_sigma),
        float(np.nan if ratio is None else ratio), float(ratio_sigma), float(1.0 / np.sqrt(abs(share))) if told else np.nan,
        float(0.5 * share_sigma / abs(share) ** 1.5) if told else np.nan,
        ("understeer" if share > 0 else "oversteer") if told else "neutral", f"{how}, curvature from {means.source}",
        int((use & means.bends).sum()), len(frames), tuple(notes),
    )  # fmt: skip


def _flat_run() -> list[pd.DataFrame]:
    """Four simulated laps of a road course, for the examples."""
    from lapkit import Recording, Session, simulate
    from lapkit.model.recording import Provenance

    samples, truth = simulate.stint(simulate.road_course(), laps=4, rate=50.0, seed=5)
    session = Session(Recording(samples, Provenance("invented run")), start_line=truth.track.start_line)
    return [session.lap(n) for n in truth.numbers]
