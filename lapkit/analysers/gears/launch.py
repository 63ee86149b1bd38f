"""A restart: from a road speed on at full throttle on a level straight, with more or with fewer usable gears."""

from __future__ import annotations

import numpy as np

from lapkit.analysers.gears.drive_again import Course, Variants
from lapkit.analysers.gears.shifts import Shifting, place_of
from lapkit.analysers.gears.table import rpm
from lapkit.channels import FloatArray
from lapkit.errors import LapkitError

STEP = 0.5
"""m. Step of the integration."""
FAR_BEYOND = 0.5
"""Share below the engine speeds seen down to which power is carried on in a restart, its doubt counted in (chosen)."""


def launches(
    variants: Variants, rates: dict[float, float], highest: float, notes: list[str], *, speed: float | None,
    distance: float, gears: tuple[int, int], shift_time: float, beyond: float,
) -> dict[str, tuple[FloatArray, FloatArray]]:  # fmt: skip
    """Time of a restart with the more gears, and time lost with the fewer: values (s) and uncertainty of each row.

    `rates` is engine speed per road speed of every gear at full throttle in the recording, rad/m; `highest` the top gear. `speed`
    (m/s) is where a restart begins, None for none, `distance` (m) how far it goes, `gears` are the usable ones counted from the
    top, fewer and more, `shift_time` (s) is the drive lost in an upshift, `beyond` the share above the engine speeds seen up to
    which power is carried on. What could not be told is added to `notes`. A restart that cannot be is a LapkitError.
    """
    empty = np.full(variants.rows, np.nan)
    nothing = dict.fromkeys(("restart_time", "restart_time_lost"), (empty, empty))
    if speed is None:
        return nothing
    fewer, more = gears
    if not (speed > 1.0 and distance > 0 and 1 <= fewer < more):
        raise LapkitError(
            f"A restart begins at a road speed in m/s above 1, covers some metres and compares fewer gears with more, such as "
            f"15 m/s, and 3 with 4; not {speed:g} m/s, {distance:g} m, and {fewer} with {more}."
        )
    if len(rates) < more:
        notes.append(
            f"A restart with {more} usable gears needs {more} gears, and {len(rates)} are known: give their ratios, or a sheet with them."
        )
        return nothing
    (time, least, most), (time_fewer, low, high) = (
        _drive(variants, dict(list(rates.items())[-count:]), highest, speed, distance, shift_time)
        for count in (more, fewer)
    )
    least, most = np.minimum(least, low), np.maximum(most, high)
    bottom, top = variants.engine_knots[0], variants.engine_knots[-1]
    unknown = variants.centre((least < (1.0 - FAR_BEYOND) * bottom) | (most > (1.0 + beyond) * top)).astype(bool)
    seen = f"the {rpm(bottom):.0f} to {rpm(top):.0f} rpm seen"
    if (least < bottom).any() or (most > 1.005 * top).any():
        notes.append(
            f"Restarts use engine speeds outside {seen}: power is carried on as the curve ends, with its "
            "doubt counted in."
        )
    if unknown.any():
        notes.append(f"Restarts far outside {seen} are left empty: the engine's power there is not known.")
    blank = np.where(unknown, np.nan, 0.0)
    told = (variants.over_rows(values) for values in (time, time_fewer - time))
    return {name: (mean + blank, sigma + blank) for name, (mean, sigma) in zip(nothing, told, strict=True)}


def _drive(
    variants: Variants, rates: dict[float, float], highest: float, speed: float, distance: float, shift_time: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Time (s), lowest and highest engine speed (rad/s) of each variant; the lowest gear that keeps below the limit is used."""
    none = np.zeros(round(distance / STEP) + 1)
    every = np.full((len(none), len(rates)), np.inf)
    shifting = Shifting(
        rates=np.array(list(rates.values())), top=place_of(highest, rates), slip=none + 1.0, first=0, up=every,
        down=np.zeros(every.shape), most=np.inf, throttle=none + variants.throttle_knots[-1], cut_time=shift_time, cut_share=1.0,
    )  # fmt: skip
    road = Course(
        place=none, metres=none + STEP, energy=none, brake=none, curvature=none, climb=none[1:],
        shifting=shifting, rate=none, weight=none[1:],
    )  # fmt: skip
    below = variants.ladder(shifting) * speed < variants.limit
    gear = np.where(below.any(axis=0), np.argmax(below, axis=0), len(rates) - 1)
    energy, rate, _ = road.run(variants, road.steps(variants), np.full(len(gear), 0.5 * speed**2), gear)
    at = np.sqrt(2.0 * energy)
    turning = rate[1:] * at[:-1]
    return (2.0 * STEP / (at[1:] + at[:-1])).sum(axis=0), turning.min(axis=0), turning.max(axis=0)
