"""The gears one by one: their numbers, engine speed per road speed, slip, and what of ratio and tyre can be told apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.analysers.gears.clusters import Clusters
from lapkit.channels import FloatArray, from_si
from lapkit.errors import ColumnError, LapkitError

if TYPE_CHECKING:
    from lapkit.model.setup.sheet import Sheet

MIN_SPEED = 5.0
"""m/s. Slower than this the clutch may slip (chosen)."""
MIN_ENGINE_SPEED = 100.0
"""rad/s, about 950 rpm. Slower than this an engine idles or stands (chosen)."""
IN_STEP = 0.7
"""Rise of engine speed with road speed within a gear, shares; 1 without slip (chosen)."""
LEAST_SPREAD = 0.01
"""Share by which road speed must vary within a gear for that to be seen (chosen)."""
AGREES = 0.95
"""Share of the time that a gear channel and the gear found must agree, or it is said (chosen)."""
SLIP_UNKNOWN = 0.005
"""Share. Doubt of a ratio known from pulling wheels alone: half of a tyre's usual slip there (common practice, no source)."""


def rpm(engine_speed: float) -> float:
    """Return an engine speed (rad/s) in rpm.

    Examples
    --------
    >>> round(rpm(628.3185))
    6000
    """
    return from_si(float(engine_speed), "rpm", "angular rate")


def plus_minus(value: float, spread: float, decimals: int, *, sign: str = "") -> str:
    """Write a number with two standard uncertainties where there are any; a dash where it is not known.

    Examples
    --------
    >>> plus_minus(-0.1234, 0.02, 3), plus_minus(6116.2, float("nan"), 0), plus_minus(-0.0001, 0.0, 3, sign="+")
    ('-0.123 ±0.040', '6116', '0.000')
    """
    if not np.isfinite(value):
        return "-"
    shown = f"{value:{sign}.{decimals}f}" if round(value, decimals) else f"{0.0:.{decimals}f}"
    return f"{shown} ±{2.0 * spread:.{decimals}f}" if spread > 0 and round(value, decimals + 2) else shown


@dataclass(frozen=True)
class GivenGears:
    """What is known of the drive beforehand; None where it is not."""

    ratios: list[float] | None
    final_drive: float | None
    circumference: float | None


def given_gears(
    ratios: Sequence[float] | None, final_drive: float | None, circumference: float | None, sheet: Sheet | None
) -> GivenGears:
    """Put together what is said of the drive and what a setup sheet says; LapkitError where it cannot be."""
    settings = sheet.settings if sheet is not None else {}
    known = settings.get("gear_ratios") if ratios is None else [float(v) for v in ratios]
    drive = settings.get("final_drive") if final_drive is None else final_drive
    round_ = settings.get("tyre_circumference") if circumference is None else circumference
    faults = []
    for name, values in (("ratios", known or []), ("final drive", [drive]), ("circumference", [round_])):
        if any(v is not None and not (np.isfinite(v) and v > 0) for v in values):
            faults.append(f"{name} must be above zero, not {values if name == 'ratios' else values[0]}")
    if not faults and known and (np.diff(known) >= 0).any():
        faults.append(f"ratios fall from first to top gear, and {', '.join(f'{v:g}' for v in known)} do not")
    if round_ is not None and not faults and not 0.5 <= round_ <= 4.0:
        faults.append(f"a tyre {round_:g} m round is none; give metres, such as 2.05")
    if faults:
        raise LapkitError(f"{'; '.join(faults)}.")
    return GivenGears(list(known) if known else None, drive, round_)


def ratio_of(
    columns: dict[str, FloatArray], where: str, min_speed: float = MIN_SPEED, min_engine_speed: float = MIN_ENGINE_SPEED
) -> FloatArray:
    """Engine speed over road speed, rad/m; NaN where either is missing or too slow."""
    missing = [name for name in ("engine_speed", "speed") if name not in columns]
    if missing:
        raise ColumnError(
            f"{where}: gears need the channels engine_speed and speed, and there is no {' and no '.join(missing)}. "
            "If the file has it under another name, load it with columns={'engine_speed': 'its header'}."
        )
    turning, speed = columns["engine_speed"], columns["speed"]
    with np.errstate(invalid="ignore"):
        driving = (speed > min_speed) & (turning > min_engine_speed)
    return np.asarray(np.divide(turning, speed, out=np.full(len(speed), np.nan), where=driving))


def in_step(log: FloatArray, log_speed: FloatArray, found: np.ndarray, count: int) -> np.ndarray:
    """Whether engine speed rises in step with road speed within each crowd: one that stands still may crowd as well."""
    out = np.ones(count, dtype=bool)
    for k in range(count):
        speed, rate = log_speed[found == k], log[found == k]
        if speed.size > 2 and speed.std() > LEAST_SPREAD:
            out[k] = np.cov(speed, rate)[0, 1] / speed.var() > IN_STEP - 1.0
    return out


def gear_numbers(
    columns: dict[str, FloatArray], clusters: Clusters, found: np.ndarray, ratios: list[float] | None, notes: list[str]
) -> tuple[list[int], str, float]:
    """Number of each gear found, by what, and how far a gear channel agrees."""
    count, agreement, channel = len(clusters.centres), np.nan, columns.get("gear")
    if channel is not None and np.isfinite(channel[found >= 0]).any():
        said = [channel[(found == k) & (channel > 0)] for k in range(count)]
        numbers = [int(np.bincount(s.astype(int)).argmax()) if s.size else 0 for s in said]
        seen = (found >= 0) & clusters.steady & np.isfinite(channel)
        agreement = float((np.array(numbers)[found[seen]] == channel[seen]).mean()) if seen.any() else np.nan
        if len(set(numbers)) == count and 0 not in numbers and numbers == sorted(numbers):
            if agreement < AGREES:
                notes.append(
                    f"The gear channel agrees with engine speed and road speed only {100 * agreement:.0f} % of the time."
                )
            return numbers, "gear channel", agreement
        notes.append(
            "The gear channel does not fit the gears that engine speed and road speed show "
            f"({', '.join(map(str, numbers))} from the lowest up); it is not used."
        )
    if ratios is not None and len(ratios) >= count:
        if (picks := _fitting(clusters.centres, np.log(ratios))) is not None:
            if count == 1:
                notes.append("One gear is seen and several ratios are given: it is taken for the top gear.")
            return picks, "ratios given", agreement
        notes.append(
            "The steps between the gears seen do not fit the ratios given; gears are numbered in order instead."
        )
    if count == 1:
        notes.append(
            "Only one gear is seen; which of the gearbox it is cannot be told without its ratios or a gear channel."
        )
    elif channel is None:
        notes.append("There is no gear channel: gears are numbered from the lowest that was used.")
    return list(range(1, count + 1)), "order", agreement


def _fitting(centres: FloatArray, given: FloatArray, *, most: float = 0.015) -> list[int] | None:
    """Which of the given ratios the gears seen are: the ordered choice whose steps fit best; None above `most` (share, rms)."""
    from itertools import combinations

    if len(centres) == 1:
        return [len(given)]
    choices = list(combinations(range(len(given)), len(centres)))
    misfit = [float(np.std(centres - given[list(c)])) for c in choices]
    best = int(np.argmin(misfit))
    return [k + 1 for k in choices[best]] if misfit[best] <= most else None


def per_gear(
    columns: dict[str, FloatArray],
    ratio: FloatArray,
    found: np.ndarray,
    clusters: Clusters,
    full_throttle: float | None,
) -> pd.DataFrame:
    """Engine speed per road speed and slip of each gear, from steady samples."""
    full = full_throttle or np.nanmax(columns.get("throttle", np.ones(1)))
    throttle = columns.get("throttle", np.full(len(ratio), np.nan)) / full
    brake = columns.get("brake", np.zeros(len(ratio)))
    loose, pulling = (throttle <= 0.3) & ~(brake > 0.05), throttle >= 0.95
    log, block = np.log(ratio), np.floor(columns["time"] / 0.5)

    def middles(which: np.ndarray, fewest: int = 15) -> tuple[FloatArray, FloatArray]:
        own = [(found == k) & clusters.steady & which for k in range(len(clusters.centres))]
        values = np.array([_middle(log[o], block[o], fewest=fewest) for o in own])
        return values[:, 0], values[:, 1]

    (free, free_sigma), (drive, drive_sigma) = middles(loose), middles(pulling)
    slip, slip_sigma = drive - free, np.hypot(free_sigma, drive_sigma)
    if np.isfinite(slip).any():  # of a gear that is only ever pulled in, the others tell what its wheels slip
        usual = float(np.nanmedian(slip))
        doubt = 0.5 * abs(usual) + 0.0005
        unseen = np.isnan(free) & np.isfinite(drive)
        free = np.where(unseen, drive - usual, free)
        free_sigma = np.where(unseen, np.hypot(drive_sigma, doubt), free_sigma)
    anything, anything_sigma = middles(np.ones(len(ratio), dtype=bool), 1)
    free_sigma = np.where(np.isnan(free), np.hypot(anything_sigma, SLIP_UNKNOWN), free_sigma)
    rate = np.exp(np.where(np.isnan(free), anything, free))
    return pd.DataFrame(
        {
            "engine_per_road_speed": rate,
            "engine_per_road_speed_uncertainty": rate * free_sigma,
            "metres_per_revolution": 2.0 * np.pi / rate,
            "metres_per_revolution_uncertainty": 2.0 * np.pi / rate * free_sigma,
            "slip": np.expm1(slip),
            "slip_uncertainty": slip_sigma,
        }
    )


def _middle(log: FloatArray, block: FloatArray, *, fewest: int) -> tuple[float, float]:
    """Median, and its standard uncertainty from how half seconds of driving differ; NaN of fewer than `fewest` samples."""
    if log.size < fewest:
        return np.nan, np.nan
    middle = float(np.median(log))
    _, which, count = np.unique(block, return_inverse=True, return_counts=True)
    mean = np.bincount(which, weights=log) / count
    spread = 1.4826 * float(np.median(np.abs(mean - middle)))
    single = 1.4826 * float(np.median(np.abs(log - middle)))
    return middle, 1.2533 * max(spread / np.sqrt(count.size), single / np.sqrt(log.size))


def told_apart(table: pd.DataFrame, said: GivenGears, numbered_by: str, notes: list[str]) -> None:
    """Add overall ratio, gear ratio and circumference as far as they follow, and say what does not."""
    rate = table["engine_per_road_speed"].to_numpy()
    share = table["engine_per_road_speed_uncertainty"].to_numpy() / rate
    nothing = np.full(len(table), np.nan)
    own = nothing.copy()
    if said.ratios is not None and numbered_by != "order":
        numbers = table["gear"].to_numpy()
        fits = (numbers >= 1) & (numbers <= len(said.ratios))
        own[fits] = np.array(said.ratios)[numbers[fits] - 1]
    if said.circumference is not None and said.ratios is None and said.final_drive is None:
        notes.append(
            "The overall ratio follows from the circumference given; how it divides into gear and final drive cannot be told."
        )
    overall = own * said.final_drive if said.final_drive is not None else nothing
    overall_sigma, round_, round_sigma = np.where(np.isnan(overall), np.nan, 0.0), nothing.copy(), nothing.copy()
    if said.circumference is not None:
        read = rate * said.circumference / (2.0 * np.pi)
        if np.isfinite(overall).any():
            off = float(np.nanmedian(overall / read)) - 1.0
            notes.append(
                f"Ratios, final drive and circumference are all given; engine speed and road speed have the overall ratio "
                f"{100 * abs(off):.1f} % {'lower' if off > 0 else 'higher'}. Tyre slip, wear, pressure or the speed sensor's scale do that; "
                "which of them cannot be told."
            )
        overall, overall_sigma = read, read * share
        round_, round_sigma = np.full(len(table), said.circumference), np.zeros(len(table))
        if said.ratios is None and said.final_drive is not None:
            own = overall / said.final_drive
    elif np.isfinite(overall).any():
        round_ = 2.0 * np.pi * overall / rate
        round_sigma = round_ * share
        notes.append(
            "The circumference follows from the ratios given and the scale of the speed; a fault of that scale is in it."
        )
    else:
        notes.append(
            "Engine speed and road speed give only the overall ratio divided by the tyre's circumference: gear, final drive and tyre "
            "cannot be told apart. Give the tyre's circumference, or the ratios of the gears and the final drive, or a setup sheet with them."
        )
    table["gear_ratio"], table["overall_ratio"], table["overall_ratio_uncertainty"] = own, overall, overall_sigma
    table["tyre_circumference"], table["tyre_circumference_uncertainty"] = round_, round_sigma
