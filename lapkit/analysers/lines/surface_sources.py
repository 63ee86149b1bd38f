"""What each source says of the surface: altitude regressed on offset, and lateral acceleration felt on the bank."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.inputs import MIN_SPEED, OFFSET_SMOOTHING, columns_of
from lapkit.analysers.lines.driven_line import offset_error
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.model.curvature import MIN_KNOWN, fill_round, path_curvature

NEIGHBOURHOOD = 100.0
"""m. Over which scatter is taken to be alike (chosen)."""
LEAST_SPREAD = 3.0
"""How many times the variance of the error of position the offsets' own must be for a slope across the track (chosen)."""
CLOSEST = 0.1
"""Share of the lap over which laps are taken to drive one line, but for the error of position (chosen: a straight)."""
LEAST_ERROR = 0.01
"""m. Error that altitude and offset of a lap have at the least, however quiet (chosen: the last digit written)."""
POSITION_SMOOTHING = 8.0
"""m. Longest smoothing of the curvature that banking is told from: the laps' mean and `SMOOTHING` do the rest (chosen)."""
DISAGREEMENT = 3.0
"""Standard uncertainties apart, root mean square, at which two sources cannot both be right (common practice, no source)."""
LONE_LAP = np.radians(2.0)
"""rad. Random error of banking from the lateral acceleration of one lap, which cannot be seen (chosen, from simulation)."""


@dataclass(frozen=True)
class Laps:
    """Laps as arrays, shape (laps, n), holes filled round the lap; None where a channel is missing."""

    step: float
    spacing: float
    table: list[dict[str, FloatArray]]
    offset_error: float

    def get(self, name: str) -> FloatArray | None:
        """Return a channel of all laps, None where one of them lacks it."""
        if not all(name in lap for lap in self.table):
            return None
        values = np.stack([lap[name] for lap in self.table])
        return fill_round(values) if (np.isfinite(values).mean(axis=1) >= MIN_KNOWN).all() else None


@dataclass(frozen=True)
class Slope:
    """Slope across the track, the tangent of the banking, by one source."""

    value: FloatArray
    sigma: FloatArray


@dataclass(frozen=True)
class Altitude:
    """What altitude says: mean height and offset of the laps, slope across, and the noise of the mean height."""

    height: FloatArray
    offset: FloatArray
    scatter: FloatArray
    slope: Slope | None


def read_laps(frames: list[pd.DataFrame]) -> Laps:
    """Read frames of one grid."""
    places = frames[0].index.to_numpy(np.float64)
    errors = [offset_error(frame) for frame in frames]
    step, tables = float(places[1] - places[0]), [columns_of(frame) for frame in frames]
    spacing = float(frames[0].attrs.get("sample_interval") or 0.0) * float(np.nanmedian(tables[0].get("speed", [0.0])))
    return Laps(step, max(spacing, step), tables, float(np.mean(errors)))


def _round(values: FloatArray, sigma: float) -> FloatArray:
    """Gaussian of `sigma` grid points round the lap, along the last axis."""
    wave = 2.0 * np.pi * np.fft.rfftfreq(values.shape[-1])
    return np.asarray(np.fft.irfft(np.fft.rfft(values) * np.exp(-0.5 * (wave * sigma) ** 2), values.shape[-1]))


def sharp(values: FloatArray, sigma: float) -> FloatArray:
    """Gaussian that gives back what it first took off crests (twicing: Tukey, Exploratory Data Analysis, 1977)."""
    once = _round(values, sigma)
    return once + _round(values - once, sigma)


def _moment(values: FloatArray, sigma: float, power: int) -> FloatArray:
    """Sum of values round the lap under a Gaussian of `sigma` grid points, times (their distance from it / sigma)^power."""
    n = values.shape[-1]
    u = (np.arange(n) + n // 2) % n - n // 2
    kernel = np.exp(-0.5 * (u / sigma) ** 2) * (-u / sigma) ** power / (np.sqrt(2.0 * np.pi) * sigma)
    return np.asarray(np.fft.irfft(np.fft.rfft(values) * np.fft.rfft(kernel), n))


def combined(found: Sequence[Slope]) -> tuple[FloatArray, FloatArray]:
    """Mean of several sources weighted by the inverse of their variance, and its standard uncertainty."""
    values = np.stack([one.value for one in found])
    weight = 1.0 / np.maximum(np.stack([one.sigma for one in found]), 1e-9) ** 2
    weight = np.where(np.isfinite(values), weight, 0.0)
    total = weight.sum(axis=0)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean = np.where(total > 0, (weight * np.nan_to_num(values)).sum(axis=0) / total, np.nan)
        return mean, np.where(total > 0, 1.0 / np.sqrt(total), np.nan)


def apart(slope: Slope, value: FloatArray, sigma: FloatArray) -> float:
    """Root mean square of the difference from a known slope, in standard uncertainties."""
    return float(np.sqrt(np.nanmean((slope.value - value) ** 2 / (slope.sigma**2 + sigma**2))))


def _few(degrees: float) -> float:
    """How much wider two standard uncertainties must be for 95 % where scatter was seen so few times (Student's t)."""
    from scipy.special import stdtrit

    return float(stdtrit(max(degrees, 1.0), 0.975) / 1.96)


def altitude_of(data: Laps, smoothing: float, wander: float, notes: list[str]) -> Altitude | None:
    """Mean height and offset of the laps, slope across the track, and how sure they are."""
    z = data.get("z")
    if z is None:
        notes.append("There is no altitude (z) all round the laps.")
        return None
    sigma, wide = smoothing / data.step, NEIGHBOURHOOD / data.step
    offset = data.get("offset")
    if offset is None:
        notes.append(
            "Laps are not placed by position: height is that of the line driven, and altitude tells no banking."
        )
        offset = np.zeros_like(z)
    e = _round(offset, OFFSET_SMOOTHING / data.step)
    laps, middle = len(z), e.mean(axis=0)
    degrees = laps - 2
    away = e - middle
    square = (away**2).sum(axis=0)
    # what of the squares is error of position: no more than where the laps lie closest
    closest = float(np.quantile(square, CLOSEST)) / max(laps - 1, 1)
    own = max(laps - 1, 1) * (min(data.offset_error**2, closest) + LEAST_ERROR**2)
    least = LEAST_SPREAD * max(laps - 1, 1) * (data.offset_error**2 + LEAST_ERROR**2)
    if degrees < 1 or not (_spread(square, sigma) > least).any():
        if offset.any():
            notes.append(
                "Altitude tells no banking: it needs three laps or more whose lines part by more than the error of position "
                f"({data.offset_error:.2f} m)."
            )
        even = sharp(z - z.mean(axis=1, keepdims=True) + z.mean(), sigma)
        scatter = np.full(z.shape[1], wander**2)
        if laps > 2:
            scatter = _few(3 * (laps - 1)) ** 2 * _round(even.var(axis=0, ddof=1), wide) + LEAST_ERROR**2
        return Altitude(even.mean(axis=0), sharp(middle, sigma), scatter / laps, None)

    def fit(values: FloatArray, width: float) -> tuple[FloatArray, FloatArray]:
        """Slope across the track, a straight line along it within the width, and what the laps leave beside it."""
        product = -(away * values).sum(axis=0)
        a, b, c = (_moment(square, width, power) for power in range(3))
        below = np.maximum(a * c - b**2, 1e-12)
        steep = (c * _moment(product, width, 0) - b * _moment(product, width, 1)) / below
        return steep, values - values.mean(axis=0) + away * steep

    # A level for each lap, as far as laps differ in it at all: it takes up the drift of altitude. Where the lines lie
    # apart by the same distance all round, level and banking cannot be told apart, and only the spread of levels is known.
    _, left = fit(z, sigma)
    spread_of_levels = max(float((left.mean(axis=1) ** 2).sum() / degrees), 1e-12)
    direction = away / np.sqrt(square + 1e-12)
    free = np.eye(laps) - 1.0 / laps - direction @ direction.T / z.shape[1]
    quarters = np.stack(
        [part.mean(axis=1) for part in np.array_split(left - left.mean(axis=1, keepdims=True), 4, axis=1)]
    )
    noise = float((quarters**2).mean()) * laps / degrees / 3.0 + LEAST_ERROR**2
    covariance = np.linalg.inv(free / noise + np.eye(laps) / spread_of_levels)
    values = z - (covariance @ left.mean(axis=1) / noise)[:, None]

    steep, left = fit(values, sigma)
    coarse, _ = fit(values, np.sqrt(2.0) * sigma)
    scatter = _few(3 * degrees) ** 2 * _round((_round(left, sigma) ** 2).sum(axis=0), wide) / degrees
    scatter = np.maximum(scatter, 0.0) + LEAST_ERROR**2
    spread = np.maximum(_spread(square, sigma), 1e-9)
    told = spread > least
    share = np.where(told, own / spread, 0.0)
    grow = 1.0 / (1.0 - share)  # error of the offset flattens the slope
    levels = np.einsum("ln,lm,mn->n", away, covariance, away) / spread**2
    error = np.sqrt(
        grow**2 * (scatter / spread + _few(degrees) ** 2 * levels + (coarse - steep) ** 2)
        + (0.5 * share * grow**2 * steep) ** 2  # the error of position is itself known to a half
    )
    slope = Slope(np.where(told, steep * grow, np.nan), np.where(told, error, np.nan))
    level_scatter = _few(3 * degrees) ** 2 * _round((sharp(left, sigma) ** 2).sum(axis=0), wide) / degrees
    level_scatter = np.maximum(level_scatter, 0.0) + LEAST_ERROR**2
    return Altitude(sharp(values.mean(axis=0), sigma), sharp(middle, sigma), level_scatter / laps, slope)


def _spread(square: FloatArray, sigma: float) -> FloatArray:
    """Squares of the offsets that tell the slope here, those that only tell how it changes along the track taken off."""
    a, b, c = (_moment(square, sigma, power) for power in range(3))
    return np.asarray(a - b**2 / np.maximum(c, 1e-12))


def felt_slope(
    data: Laps,
    height: FloatArray,
    there: FloatArray,
    smoothing: float,
    roll_gradient: float,
    roll_uncertainty: float,
    mounting: float,
    notes: list[str],
) -> Slope | None:
    """Banking as an accelerometer fixed to the car feels it; None where there is none."""
    felt, speed, time = data.get("lateral_acceleration"), data.get("speed"), data.get("time")
    x, y, path, yaw_rate = (data.get(name) for name in ("x", "y", "path", "yaw_rate"))
    if felt is None or speed is None:
        notes.append("There is no lateral acceleration all round the laps to tell banking from.")
        return None
    speed = np.maximum(speed, MIN_SPEED)
    offset = data.get("offset")
    e = _round(offset, OFFSET_SMOOTHING / data.step) if offset is not None else np.zeros_like(felt)
    body = _Body(data.step, smoothing, felt, speed, height, e - there, roll_gradient)
    told: list[Slope] = []
    if x is not None and y is not None:
        curvature = path_curvature(x, y, data.step, path=path, spacing=data.spacing, max_smoothing=POSITION_SMOOTHING)
        told.append(body.banking(speed**2 * curvature, None))
    if yaw_rate is not None and time is not None:
        lasted = np.gradient(time, axis=1)
        lasted = np.where(lasted > 0, lasted, data.step / speed)  # a hole over the line is filled back to 0
        told.append(body.banking(yaw_rate * speed, lasted))
    if not told:
        notes.append("Banking from lateral acceleration needs the path's curvature too, from position or yaw rate.")
        return None
    if len(told) == 2 and apart(told[1], told[0].value, told[0].sigma) > DISAGREEMENT:
        notes.append("Yaw rate does not agree with the curvature of the path: banking was told without it.")
        told = told[:1]
    angle, random = combined(told)
    level = _round(felt, smoothing / data.step).mean(axis=0)
    error = np.sqrt(random**2 + mounting**2 + (roll_uncertainty * level) ** 2)
    return Slope(np.tan(angle), error * (1.0 + np.tan(angle) ** 2))


@dataclass(frozen=True)
class _Body:
    """What sensors fixed to the body felt, shape (laps, n), `offset` metres left of a line of known height."""

    step: float
    smoothing: float
    felt: FloatArray
    speed: FloatArray
    height: FloatArray
    offset: FloatArray
    roll_gradient: float

    def banking(self, bend: FloatArray, interval: FloatArray | None) -> Slope:
        """Banking angle and its random error, rad.

        From v^2 k (m/s2) or, with the time from row to row (s), from v times the yaw rate of a sensor fixed to the car,
        which is v^2 k cos(b).
        """
        sigma = self.smoothing / self.step
        angle = np.zeros(bend.shape[1])
        for _ in range(4):  # what is corrected below hangs on the banking: once more with that
            # off that line the surface rises and falls under the car where banking changes
            height = _round(self.height - self.offset * np.tan(angle), sigma)
            fall = np.gradient(np.gradient(height, self.step, axis=1), self.step, axis=1)
            weight = np.maximum(STANDARD_GRAVITY + self.speed**2 * fall, 0.1 * STANDARD_GRAVITY)
            if interval is None:
                each = np.arccos(np.clip(self.felt / np.hypot(bend, weight), -1.0, 1.0)) - np.arctan2(weight, bend)
            else:
                # a closed lap turns a whole number of times: what is over is the sensor's offset
                turned = (bend / self.speed * interval / np.cos(angle)).sum(axis=1, keepdims=True)
                over = turned - 2.0 * np.pi * np.round(turned / (2.0 * np.pi))
                offset = over / (interval / np.cos(angle)).sum(axis=1, keepdims=True)
                each = np.arcsin(np.clip((bend - offset * self.speed - self.felt) / weight, -1.0, 1.0))
            each = each + self.roll_gradient * self.felt
            angle = _round(each.mean(axis=0), sigma)
        laps = len(bend)
        random = np.full(len(angle), LONE_LAP**2)
        if laps > 1:
            scatter = _round(_round(each, sigma).var(axis=0, ddof=1), NEIGHBOURHOOD / self.step)
            random = _few(3 * (laps - 1)) ** 2 * np.maximum(scatter, 0.0) / laps
        blurred = _round(each.mean(axis=0), np.sqrt(2.0) * sigma) - angle
        if interval is None:  # the curvature of position was smoothed before
            mean = bend.mean(axis=0)
            blurred = np.hypot(blurred, (_round(mean, POSITION_SMOOTHING / self.step) - mean) / STANDARD_GRAVITY)
        return Slope(angle, np.sqrt(random + blurred**2))
