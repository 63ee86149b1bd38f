"""How far the wheel was turned in each part of a corner, beside the bend and the speed there."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.inputs import columns_of
from lapkit.analysers.ledger.ledger import corner_parts
from lapkit.analysers.lines.banked_turn import in_plane_acceleration
from lapkit.analysers.statistics.regression import quantile
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import ColumnError, FrameError
from lapkit.model.curvature import MIN_KNOWN, MIN_SPEED, curvatures_of

if TYPE_CHECKING:
    from lapkit.model.session import Session

    Laps = Session | pd.DataFrame | Sequence[pd.DataFrame]

STRAIGHT = 0.5
"""m/s2. Where speed squared times curvature is less, the wheel is taken to be in its middle (chosen)."""
SAME_TRACK = 0.02
"""Share by which the lengths of two laps may differ, to be of one track (chosen)."""


@dataclass(frozen=True)
class Means:
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


def frames_of(laps: Laps) -> list[pd.DataFrame]:
    """Lap frames, from frames or from the clean laps of a session."""
    if isinstance(laps, pd.DataFrame):
        return [laps]
    frames = list(laps) if isinstance(laps, Sequence) else laps.clean_laps()
    if not frames or not all(isinstance(f, pd.DataFrame) and "speed" in f.columns for f in frames):
        raise FrameError(
            "balance needs a session with a clean lap, or lap frames with the column 'speed', such as session.lap(3)."
        )
    return frames


def means_of(frames: list[pd.DataFrame], *, like: pd.DataFrame | None = None) -> Means:
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
    return Means(
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


def fitted(columns: FloatArray, target: FloatArray, block: np.ndarray) -> tuple[FloatArray, FloatArray]:
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
