"""A restart: from a road speed on at full throttle on a level straight, with more or with fewer usable gears."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapkit.analysers.gears.drive_again import Variants
from lapkit.analysers.gears.table import rpm
from lapkit.channels import FloatArray
from lapkit.errors import LapkitError

STEP = 0.5
"""m. Step of the integration."""
FAR_BEYOND = 0.5
"""Share below the engine speeds seen down to which power is carried on in a restart, its doubt counted in (chosen)."""
_NAMES = ("restart_time", "restart_time_lost")


@dataclass(frozen=True)
class Launch:
    """How a restart goes."""

    speed: float | None  # road speed it begins at, m/s; None for no restart
    distance: float  # m
    gears: tuple[int, int]  # usable gears counted from the top: fewer and more
    shift_time: float  # drive lost in an upshift, s
    beyond: float  # share above the engine speeds seen up to which power is carried on


def launches(
    launch: Launch, variants: Variants, rates: dict[float, float], highest: float, notes: list[str]
) -> list[tuple[str, FloatArray, FloatArray]]:
    """Time of a restart with the more gears, and time lost with the fewer: name, values (s) and uncertainty of each row.

    `rates` is engine speed per road speed of every gear at full throttle in the recording, rad/m; `highest` the top gear. What
    could not be told is added to `notes`. A restart that cannot be is a LapkitError.
    """
    empty = np.full(variants.rows, np.nan)
    nothing = [(name, empty, empty) for name in _NAMES]
    if launch.speed is None:
        return nothing
    fewer, more = launch.gears
    if not (launch.speed > 1.0 and launch.distance > 0 and 1 <= fewer < more):
        raise LapkitError(
            f"A restart begins at a road speed in m/s above 1, covers some metres and compares fewer gears with more, such as "
            f"15 m/s, and 3 with 4; not {launch.speed:g} m/s, {launch.distance:g} m, and {fewer} with {more}."
        )
    if len(rates) < more:
        notes.append(
            f"A restart with {more} usable gears needs {more} gears, and {len(rates)} are known: give their ratios, or a sheet with them."
        )
        return nothing
    ladder = np.stack([rates[g] * (variants.top_factor if g == highest else variants.factor) for g in sorted(rates)])
    (time, low, high), (time_fewer, low_fewer, high_fewer) = (
        _drive(launch, variants, ladder[-count:]) for count in (more, fewer)
    )
    least, most = np.minimum(low, low_fewer), np.maximum(high, high_fewer)
    bottom, top = variants.engine_knots[0], variants.engine_knots[-1]
    unknown = variants.centre((least < (1.0 - FAR_BEYOND) * bottom) | (most > (1.0 + launch.beyond) * top)).astype(bool)
    seen = f"the {rpm(bottom):.0f} to {rpm(top):.0f} rpm seen"
    if (least < bottom).any() or (most > 1.005 * top).any():
        notes.append(
            f"Restarts use engine speeds outside {seen}: power is carried on as the curve ends, with its "
            "doubt counted in."
        )
    if unknown.any():
        notes.append(f"Restarts far outside {seen} are left empty: the engine's power there is not known.")
    out = []
    for name, values in zip(_NAMES, (time, time_fewer - time), strict=True):
        mean, sigma = variants.over_rows(values)
        out.append((name, np.where(unknown, np.nan, mean), np.where(unknown, np.nan, sigma)))
    return out


def _drive(launch: Launch, variants: Variants, ladder: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time (s), lowest and highest engine speed (rad/s) of each variant; the lowest gear that keeps below the limit is used."""
    assert launch.speed is not None
    count = len(variants.factor)
    energy, time = np.full(count, 0.5 * launch.speed**2), np.zeros(count)
    row = np.arange(count)
    gear = _gear(ladder, np.sqrt(2.0 * energy), variants.limit)
    low, high, cut = np.full(count, np.inf), np.zeros(count), np.zeros(count)
    for _ in range(round(launch.distance / STEP)):
        v0 = np.sqrt(2.0 * energy)
        shifted = np.maximum(_gear(ladder, v0, variants.limit), gear)
        cut = np.where(shifted > gear, launch.shift_time, cut)
        gear = shifted
        rate = ladder[gear, row]
        driving = np.clip(1.0 - cut * v0 / STEP, 0.0, 1.0)  # share of this step with drive
        energy = np.maximum(variants.ahead(energy, STEP, driving, rate), 0.5)
        taken = 2.0 * STEP / (v0 + np.sqrt(2.0 * energy))
        time += taken
        cut = np.maximum(cut - taken, 0.0)
        low, high = np.minimum(low, rate * v0), np.maximum(high, rate * v0)
    return time, low, high


def _gear(ladder: FloatArray, speed: FloatArray, limit: float) -> np.ndarray:
    """Row of the lowest gear whose engine speed is below the limit; the top gear where none is."""
    below = ladder * speed < limit
    return np.where(below.any(axis=0), np.argmax(below, axis=0), len(ladder) - 1)
