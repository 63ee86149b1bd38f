"""What the car's model and the time ledger read from lap frames, as arrays on the distance grid."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.model.curvature import path_curvature, rate_curvature
from lapkit.model.noise import white_noise

MIN_KNOWN = 0.8
"""A channel serves where at least this share of each lap has a value."""
QUIET = {"speed": 0.002, "z": 0.03}
"""Noise that is left alone, SI units; a noisier channel is smoothed down to it (chosen: each is worth under a millisecond).
Speed is smoothed about what the pedals let expect, so nothing sharp is lost."""
LONGEST = {"speed": 40.0, "z": 20.0}
"""m. Longest smoothing of a channel, standard deviation of the Gaussian (chosen, no source)."""
QUIET_APART, LONGEST_APART = 0.01, 60.0
"""m. The same for how the height of one lap differs from the mean of all: a hill is the same in each, and the lines of two laps
part slowly (chosen)."""
OFFSET_SMOOTHING = 10.0
"""m. The same for the offset, always: a car moves across the track over longer stretches, and noise of position, which is
not white after it was found on the reference line, would be taken for metres (chosen)."""
BETWEEN = float(np.sqrt(2.0 / 3.0))
"""Noise of a value read between two samples, as a share of theirs: its mean square over all places between them."""
MIN_SPEED = 3.0
"""m/s. Slower than this, yaw rate / speed says nothing of the path."""

MAX_OVER = 0.5
"""rad. A lap that turns further than this from a whole number of times was not closed, or not measured whole (chosen)."""


def smoothing_length(noise: float, spacing: float, target: float, longest: float) -> float:
    """Gaussian (standard deviation, m) that brings white noise on samples `spacing` metres apart down to `target`.

    The variance is ``noise^2 spacing / (2 sqrt(pi) sigma)``.

    Examples
    --------
    >>> smoothing_length(0.0, 1.0, 0.1, 10.0), smoothing_length(9.0, 1.0, 0.1, 10.0)
    (0.0, 10.0)
    """
    return float(min(spacing / (2.0 * np.sqrt(np.pi)) * (noise / target) ** 2, longest))


def smooth(values: FloatArray, sigma: float) -> FloatArray:
    """Local straight lines under a Gaussian of `sigma` grid points, along the last axis; NaN are looked past.

    Lines, unlike means, lean neither way at the ends of a lap.

    Examples
    --------
    >>> bool(np.allclose(smooth(np.arange(50.0), 5.0), np.arange(50.0)))
    True
    """
    if sigma < 0.5:
        return values
    half = int(np.ceil(3.0 * sigma))
    u = np.arange(-half, half + 1, dtype=np.float64)
    kernel = np.exp(-0.5 * (u / sigma) ** 2)
    rows = values.reshape(-1, values.shape[-1])
    known = np.isfinite(rows)

    def total(power: int, values: FloatArray) -> FloatArray:
        return np.asarray(np.convolve(values, (kernel * u**power)[::-1])[half : half + len(values)])

    out = np.empty(rows.shape)
    sums: list[FloatArray] = []
    for k, row in enumerate(rows):  # a row is a lap
        if not sums or not np.array_equal(known[k], known[k - 1]):
            sums = [total(power, known[k].astype(np.float64)) for power in range(3)]
        held = np.where(known[k], row, 0.0)
        below = sums[0] * sums[2] - sums[1] ** 2
        enough = known[k] & (below > 1e-9)
        line = (sums[2] * total(0, held) - sums[1] * total(1, held)) / np.where(enough, below, 1.0)
        out[k] = np.where(enough, line, row)
    return out.reshape(values.shape)


def zeroed(values: FloatArray) -> FloatArray:
    """Values with zero where they are not known.

    Examples
    --------
    >>> zeroed(np.array([1.0, np.nan])).tolist()
    [1.0, 0.0]
    """
    return np.where(np.isfinite(values), values, 0.0)  # a fifth of the time that nan_to_num takes


@dataclass(frozen=True)
class Inputs:
    """Laps as arrays: one row a lap, one column a place on the grid; NaN in holes.

    Attributes
    ----------
    step : float
        Grid step, m.
    spacing : float
        Usual distance between recorded samples, m.
    channels : dict of str to ndarray, shape (laps, n)
        speed, and of throttle, brake, gear, curvature (1/m), z (m), offset (m) those that all laps have.
    metres : ndarray, shape (laps, n - 1)
        Metres driven from each place to the next.
    time, path : ndarray, shape (laps, n), or None
        As in the frames, s and m.
    lateral, height, brake : str
        Where curvature, height and brake came from, "none" where there is none.
    noise : dict of str to float
        Noise (1 sigma) found in speed and z, before smoothing.
    sigma : dict of str to float
        Length they were smoothed over, m.
    notes : list of str
        What was missing.
    interval : float
        Usual time between recorded samples, s.
    """

    step: float
    spacing: float
    channels: dict[str, FloatArray]
    metres: FloatArray
    time: FloatArray | None
    path: FloatArray | None
    lateral: str
    height: str
    brake: str
    noise: dict[str, float]
    sigma: dict[str, float]
    notes: list[str]
    interval: float = 0.0


def columns_of(frame: pd.DataFrame) -> dict[str, FloatArray]:
    """Return the number columns of a frame as arrays.

    All at once: pandas copies a frame's attributes with every column that is looked at.

    Examples
    --------
    >>> sorted(columns_of(pd.DataFrame({"speed": [1.0], "note": ["a"], "gear": [3]})))
    ['gear', 'speed']
    """
    names = frame.columns
    try:
        block = frame.to_numpy(np.float64, na_value=np.nan)
    except (TypeError, ValueError):  # there are columns of text
        numbers = frame.select_dtypes("number")
        names, block = numbers.columns, numbers.to_numpy(np.float64, na_value=np.nan)
    return dict(zip(map(str, names), np.ascontiguousarray(block.T), strict=True))


def inputs_of(frames: Sequence[pd.DataFrame]) -> Inputs:
    """Read the channels that all the laps have.

    Parameters
    ----------
    frames : sequence of DataFrame
        Lap frames with the same grid step. Shorter ones are filled up with NaN.

    Returns
    -------
    Inputs
    """
    rows = max(len(frame) for frame in frames)
    if any(len(frame) != rows for frame in frames):
        place = max((frame.index for frame in frames), key=len)
        frames = [frame if len(frame) == rows else _longer(frame, place) for frame in frames]
    attributes = frames[0].attrs
    step = float(attributes.get("step") or frames[0].index[1] - frames[0].index[0])
    tables = [columns_of(frame) for frame in frames]

    def get(name: str, min_known: float = MIN_KNOWN) -> FloatArray | None:
        if not all(name in table for table in tables):
            return None
        values = np.stack([table[name] for table in tables])
        return values if (np.isfinite(values).mean(axis=1) >= min_known).all() else None

    notes: list[str] = []
    channels: dict[str, FloatArray] = {}
    speed = get("speed", 0.0)
    path, time = get("path", 0.0), get("time", 0.0)
    if speed is None:
        assert time is not None
        speed = step / np.maximum(np.gradient(time, axis=-1), 1e-6)
    interval = float(attributes.get("sample_interval") or 0.0)
    spacing = max(float(np.nanmedian(speed)) * interval, step)
    stride = max(int(np.ceil(1.5 * spacing / step)), 1)  # further apart than two values that share a sample
    channels["speed"] = speed
    noise = {"speed": white_noise(speed, stride=stride) / BETWEEN}
    sigma = {"speed": smoothing_length(noise["speed"], spacing, QUIET["speed"], LONGEST["speed"])}
    for name in ("throttle", "brake", "gear"):
        values = get(name)
        if values is not None:
            channels[name] = values
    brake = "brake"
    if "brake" not in channels:
        brake = "none"
        pressure = get("brake_pressure")
        top = float(np.nanmax(pressure)) if pressure is not None else 0.0
        if pressure is not None and top > 0:
            channels["brake"], brake = np.maximum(pressure, 0.0) / top, "brake pressure"
    if "brake" in channels and not (channels["brake"] > 0.02).any():
        del channels["brake"]
        brake = "never used"
    if brake == "none":
        notes.append("There is no brake channel: braking shows as unexplained.")

    def even(name: str, values: FloatArray) -> FloatArray:
        noise[name] = white_noise(values, stride=stride) / BETWEEN
        if (
            len({round(float(frame.attrs.get("track_length") or 0.0)) for frame in frames}) > 1
        ):  # other tracks, other hills
            sigma[name] = smoothing_length(noise[name], spacing, QUIET[name], LONGEST[name])
            return smooth(values, sigma[name] / step)
        sigma[name] = smoothing_length(noise[name], spacing, QUIET_APART, LONGEST_APART)
        if sigma[name] < 0.5 * step:
            return values
        known = np.isfinite(values)
        shared = zeroed(values).sum(axis=0) / np.maximum(known.sum(axis=0), 1)
        shared[~known.any(axis=0)] = np.nan
        together = smoothing_length(noise[name] / np.sqrt(len(values)), spacing, QUIET[name], LONGEST[name])
        return smooth(shared, together / step) + smooth(values - shared, sigma[name] / step)

    offset = get("offset")
    if offset is not None:
        sigma["offset"] = OFFSET_SMOOTHING
        channels["offset"] = smooth(offset, sigma["offset"] / step)
    z, banking, ground = get("z"), get("banking"), get("height")
    height = "none"
    if z is not None:
        channels["z"], height = even("z", z), "height"
    elif banking is not None and offset is not None:
        across = -channels["offset"] * np.tan(banking)
        channels["z"] = across if ground is None else ground + across
        height = "banking and offset" if ground is None else "track"
    elif ground is not None:
        channels["z"], height = ground, "track"
    else:
        notes.append("There is no height (z), nor banking with position: the track is taken as level.")

    lateral = "none"
    yaw_rate, sideways = get("yaw_rate"), get("lateral_acceleration")
    moving = np.where(speed > MIN_SPEED, speed, np.nan)
    if rows >= 8:
        x, y = get("x"), get("y")
        if yaw_rate is not None and time is not None:
            lateral = "yaw rate"
            channels["curvature"] = rate_curvature(_unbiased(yaw_rate, time) / moving, step, spacing=spacing)
        elif offset is not None and x is not None and y is not None:
            channels["curvature"], lateral = path_curvature(x, y, step, path=path, spacing=spacing), "position"
        elif sideways is not None:
            lateral = "lateral acceleration"
            channels["curvature"] = rate_curvature(sideways / moving**2, step, spacing=spacing)
    if lateral == "none":
        notes.append("There is no position, yaw rate or lateral acceleration: what bends cost shows as unexplained.")
    metres = np.diff(path, axis=-1) if path is not None else _driven(speed, time, step)
    return Inputs(step, spacing, channels, metres, time, path, lateral, height, brake, noise, sigma, notes, interval)


def _unbiased(yaw_rate: FloatArray, time: FloatArray) -> FloatArray:
    """Yaw rate without the sensor's offset: a closed lap turns a whole number of times, and what is over is the offset."""
    interval = np.diff(time, axis=-1)
    turned = 0.5 * (yaw_rate[:, 1:] + yaw_rate[:, :-1]) * interval
    known = np.isfinite(turned)
    total = np.where(known, turned, 0.0).sum(axis=-1, keepdims=True)
    span = np.where(known, interval, 0.0).sum(axis=-1, keepdims=True)
    over = total - 2.0 * np.pi * np.round(total / (2.0 * np.pi))
    return np.asarray(yaw_rate - np.where(np.abs(over) < MAX_OVER, over, 0.0) / np.maximum(span, 1e-9))


def _longer(frame: pd.DataFrame, place: pd.Index) -> pd.DataFrame:
    out = frame.reindex(place)
    out.attrs = frame.attrs
    return out


def _driven(speed: FloatArray, time: FloatArray | None, step: float) -> FloatArray:
    if time is None:
        return np.full((len(speed), speed.shape[1] - 1), step)
    return np.asarray(0.5 * (speed[:, 1:] + speed[:, :-1]) * np.diff(time, axis=-1))


def left_of_noise(inputs: Inputs, name: str) -> float:
    """Return the noise (1 sigma) of a channel that smoothing left, in its unit."""
    noise, sigma = inputs.noise.get(name, 0.0), inputs.sigma.get(name, 0.0)
    return noise * min(1.0, float(np.sqrt(inputs.spacing / (2.0 * np.sqrt(np.pi) * sigma)))) if sigma > 0 else noise
