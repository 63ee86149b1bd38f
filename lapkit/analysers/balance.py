"""Balance: how much wheel a corner takes at its speed, against what it took before. Tighter or looser, by entry, middle and exit.

On a level road the road-wheel angle of a steady turn is

    delta = L kappa + K a_y,    a_y = v^2 kappa,

with the wheelbase L and the understeer gradient K (ISO 8855 and SAE J670 define both on a level road). On a
banked one weight pulls across the car too; lapkit then either refuses the gradient or gives that of the plane of
the surface, by its own name. Comparing laps at the same corner needs neither: what the banking adds is in both.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.banked_turn import in_plane_acceleration
from lapkit.analysers.lap_inputs import columns_of
from lapkit.analysers.ledger import corner_parts
from lapkit.analysers.regression import quantile
from lapkit.analysers.two_groups import CONFIDENCE, holm, welch
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import ColumnError, FrameError
from lapkit.model.curvature import MIN_KNOWN, MIN_SPEED, curvatures_of

if TYPE_CHECKING:
    from lapkit.model.session import Session

    Laps = Session | pd.DataFrame | Sequence[pd.DataFrame]

BALANCE_COLUMNS = {
    "corner": "object", "part": "object", "start_distance": "float64", "end_distance": "float64", "a": "float64",
    "b": "float64", "difference": "float64", "difference_uncertainty": "float64", "margin": "float64",
    "significant": "bool", "unit": "object", "words": "object",
}  # fmt: skip
"""Column -> dtype of the table of balance."""

LEVEL = float(np.radians(3.0))
"""rad. Up to this banking a road counts as level: weight then pulls across the car by 5 % of itself (chosen)."""
STRAIGHT = 0.5
"""m/s2. Where speed squared times curvature is less, the wheel is taken to be in its middle (chosen)."""
SAME_TRACK = 0.02
"""Share by which the lengths of two laps may differ, to be of one track (chosen)."""
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


@dataclass(frozen=True)
class _Means:
    """Means over the parts of a lap, shape (laps, parts): angle of the wheel, curvature, lateral acceleration, banking."""

    parts: pd.DataFrame
    steer: FloatArray
    curvature: FloatArray
    lateral: FloatArray
    in_plane: FloatArray
    banking: FloatArray
    tilt: FloatArray
    angle: str
    source: str

    @property
    def bends(self) -> np.ndarray:
        """Which parts are corner."""
        return (self.parts["part"] != "straight").to_numpy(bool)


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
    >>> found.kind, round(found.wheelbase, 1), abs(found.gradient - 6e-4) < 2 * found.gradient_uncertainty + 1e-5
    ('understeer', 2.7, True)
    """
    frames = _frames_of(laps)
    means = _means(frames)
    notes: list[str] = []
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
    values, covariance = _fitted(design, taken, block[seen])
    # where curvature is off as a whole
    off = values if kinematic is None else _fitted(design, kinematic, block[seen])[0]
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
    >>> run = _flat_run()
    >>> balance(run[:2], run[2:], steering_ratio=12.0)["significant"].any()
    np.False_
    """
    given = [_frames_of(reference), _frames_of(laps)]
    first, second = (_means(frames, like=given[0][0]) for frames in given)
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
    values, covariance = _fitted(design, first.steer[known], block)
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
    notes = []
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


def _frames_of(laps: Laps) -> list[pd.DataFrame]:
    """Lap frames, from frames or from the clean laps of a session."""
    if isinstance(laps, pd.DataFrame):
        return [laps]
    frames = list(laps) if isinstance(laps, Sequence) else [laps.lap(int(n)) for n in laps.laps.loc[laps.clean, "lap"]]
    if not frames or not all(isinstance(f, pd.DataFrame) and "speed" in f.columns for f in frames):
        raise FrameError(
            "balance needs a session with a clean lap, or lap frames with the column 'speed', such as session.lap(3)."
        )
    return frames


def _means(frames: list[pd.DataFrame], *, like: pd.DataFrame | None = None) -> _Means:
    """Means over the corners' parts, of the reference lap's corners where one is given."""
    like = frames[0] if like is None else like
    if not like.attrs.get("corners"):
        raise FrameError("the laps carry no corners (attrs['corners']); give session.lap(n) of a track with corners.")
    length = float(like.attrs.get("track_length") or like.index[-1])
    parts = corner_parts(like.attrs["corners"], length)
    edges = parts[["start_distance", "end_distance"]].to_numpy(np.float64)
    tables = [columns_of(frame) for frame in frames]
    angle = next(
        (n for n in ("road_wheel_angle", "steering") if all(n in t and np.isfinite(t[n]).any() for t in tables)), None
    )
    if angle is None:
        raise ColumnError(
            f"{frames[0].attrs.get('source')}: balance needs the channel 'steering' (or 'road_wheel_angle') in every lap. If a "
            "column of the file holds it, name it with load(..., columns={'steering': '<header>'})."
        )
    straight = (parts["part"] == "straight").to_numpy(bool)
    out = np.full((6, len(frames), len(parts)), np.nan)
    source = ""
    for k, (frame, table) in enumerate(zip(frames, tables, strict=True)):
        own = float(frame.attrs.get("track_length") or frame.index[-1])
        if abs(own - length) > SAME_TRACK * length:
            raise FrameError(f"laps of {length:.0f} m and of {own:.0f} m are not of one track.")
        place = frame.index.to_numpy(np.float64) * length / own
        bend, source = _bend(frame, table)
        speed, missing = table["speed"], np.full(len(place), np.nan)
        across = speed**2 * bend
        banking = table.get("banking", missing)
        felt = table.get("lateral_acceleration", missing)
        with np.errstate(invalid="ignore"):
            tilt = np.arcsin(np.clip((across - felt) / STANDARD_GRAVITY, -1.0, 1.0))
            plane = in_plane_acceleration(speed, bend, banking) if np.isfinite(banking).any() else missing
        rows = np.stack([table[angle], bend, across, plane, banking, tilt])
        low, high = np.searchsorted(place, edges[:, 0]), np.searchsorted(place, edges[:, 1])
        for p, (i, j) in enumerate(zip(low.tolist(), high.tolist(), strict=True)):  # parts, not samples
            block = rows[:, i:j]
            seen = np.isfinite(block[:3]).all(axis=0)
            enough = max(0.5 * (j - i), 1)
            if straight[p]:  # ends of bends reach into it
                seen, enough = seen & (np.abs(block[2]) < STRAIGHT), 10
            if seen.sum() >= enough:
                out[:, k, p] = block[:, seen].mean(axis=1)
    return _Means(
        parts,
        out[0],
        out[1],
        out[2],
        out[3],
        out[4],
        out[5],
        "road wheel" if angle == "road_wheel_angle" else "steering wheel",
        source,
    )


def _bend(frame: pd.DataFrame, table: dict[str, FloatArray]) -> tuple[FloatArray, str]:
    """Curvature of the path, 1/m, and where it came from: yaw rate first, which is not smoothed over the ends of a phase."""
    rate, time = table.get("yaw_rate"), table.get("time")
    if rate is not None and time is not None and np.isfinite(rate).mean() >= MIN_KNOWN:
        span = np.gradient(time)
        turned = float(np.nansum(rate * span))
        offset = (turned - 2.0 * np.pi * round(turned / (2.0 * np.pi))) / max(float(np.nansum(span)), 1e-9)
        return (rate - offset) / np.where(table["speed"] > MIN_SPEED, table["speed"], np.nan), "yaw rate"
    curvature, source = curvatures_of([frame])
    if source == "none":
        raise ColumnError(
            f"{frame.attrs.get('source')}: there is no yaw rate, position or lateral acceleration to see the bends by; balance needs one."
        )
    return curvature[0], source


def _fitted(columns: FloatArray, target: FloatArray, block: np.ndarray) -> tuple[FloatArray, FloatArray]:
    """Least squares with a sandwich covariance, blocks together, as wide as Student's for so few blocks."""
    size = np.maximum(np.sqrt((columns**2).mean(axis=0)), 1e-30)
    scaled = columns / size
    inverse = np.linalg.pinv(scaled.T @ scaled, hermitian=True)
    values = inverse @ scaled.T @ target
    left = target - scaled @ values
    _, which = np.unique(block, return_inverse=True)
    score = np.zeros((int(which.max()) + 1, columns.shape[1]))
    np.add.at(score, which, scaled * left[:, None])
    freedom = max(len(score) - columns.shape[1], 1)
    few = len(score) / freedom * (quantile(freedom, 0.95) / 1.96) ** 2
    covariance = few * inverse @ (score.T @ score) @ inverse
    return values / size, covariance / np.outer(size, size)


def _flat_run() -> list[pd.DataFrame]:
    """Four simulated laps of a road course, for the examples."""
    from lapkit import Recording, Session, simulate
    from lapkit.model.recording import Provenance

    samples, truth = simulate.stint(simulate.road_course(), laps=4, rate=50.0, seed=5)
    session = Session(Recording(samples, Provenance("invented run")), start_line=truth.track.start_line)
    return [session.lap(n) for n in truth.numbers]
