"""What the engine does round the lap: shares of the gears, the lowest point of each corner, the end of each straight."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.gears.table import SLIP_UNKNOWN, ratio_of
from lapkit.analysers.lap.corners import corners
from lapkit.analysers.ledger.inputs import columns_of, smooth
from lapkit.channels import FloatArray

BEFORE_LIFT, AROUND_LOWEST = 20.0, 10.0
"""m. Over how much the ratio is averaged before the end of a straight, and either side of a corner's lowest speed (chosen)."""
SMOOTHING = 5.0
"""m. Gaussian over which speed is smoothed before its highest is looked for (chosen)."""

CORNER_COLUMNS = [
    "corner", "min_speed_distance", "min_speed", "gear", "engine_speed", "engine_speed_uncertainty",
    "lowest_engine_speed", "laps",
]  # fmt: skip
STRAIGHT_COLUMNS = [
    "corner", "straight_length", "top_speed_distance", "top_speed", "gear", "engine_speed", "engine_speed_uncertainty",
    "highest_engine_speed", "laps",
]  # fmt: skip


def gear_shares(
    frames: list[pd.DataFrame], in_gear: list[FloatArray], numbers: list[int]
) -> tuple[FloatArray, FloatArray]:
    """Share of the laps' time and metres in each gear."""
    seconds, metres, total = np.zeros(len(numbers)), np.zeros(len(numbers)), np.full(2, 0.0 if frames else np.nan)
    for frame, gear in zip(frames, in_gear, strict=True):
        columns = columns_of(frame)
        taken, way = np.nan_to_num(np.diff(columns["time"])), np.diff(frame.index.to_numpy(np.float64))
        total += taken.sum(), way.sum()
        for k, number in enumerate(numbers):
            own = gear[:-1] == number
            seconds[k] += taken[own].sum()
            metres[k] += way[own].sum()
    return seconds / total[0], metres / total[1]


def round_the_lap(
    laps: list[tuple[pd.DataFrame, FloatArray]], known: pd.DataFrame | None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Engine speed and gear at the lowest point of each corner and at the end of each straight, over the laps."""
    low: list[dict[str, Any]] = []
    high: list[dict[str, Any]] = []
    for frame, gear in laps:
        columns = columns_of(frame)
        ratio = np.where(np.isnan(gear), np.nan, ratio_of(columns, "lap"))
        place, step = frame.index.to_numpy(np.float64), float(frame.attrs["step"])
        speed = smooth(columns["speed"], SMOOTHING / step)
        length = float(frame.attrs["track_length"])
        bends = corners(frame) if known is not None and len(known) else pd.DataFrame()
        rows = bends.to_dict("records")
        for row in rows:
            near = np.abs(place - row["min_speed_distance"]) <= AROUND_LOWEST
            low.append(_at(row["corner"], near, ratio, gear, float(row["min_speed"]), float(row["min_speed_distance"])))
        if not rows:  # one straight all round
            rows = [{"corner": "", "min_speed_distance": np.nan, "start_distance": length, "end_distance": 0.0}]
        for before, after in zip([rows[-1], *rows[:-1]], rows, strict=True):
            a, b = before["min_speed_distance"], after["min_speed_distance"]
            inside = (place >= a) & (place < b) if a < b else ~((place >= b) & (place < a))
            inside &= np.isfinite(speed)
            if not inside.any():
                continue
            top = int(np.flatnonzero(inside)[np.argmax(speed[inside])])
            near = (place <= place[top]) & (place >= place[top] - BEFORE_LIFT)
            entry = _at(after["corner"], near, ratio, gear, float(speed[top]), float(place[top]))
            gap = (after["start_distance"] - before["end_distance"]) % length
            own = (after["end_distance"] - after["start_distance"]) % length
            touching = gap > length - own  # no straight between them
            entry["straight_length"] = length if after["corner"] == "" else 0.0 if touching else gap
            high.append(entry)
    lowest, highest = _over_laps(low, "lowest_engine_speed", "min"), _over_laps(high, "highest_engine_speed", "max")
    lowest = lowest.rename(columns={"there": "min_speed_distance", "speed": "min_speed"})
    highest = highest.rename(columns={"there": "top_speed_distance", "speed": "top_speed"})
    return lowest.reindex(columns=CORNER_COLUMNS), highest.reindex(columns=STRAIGHT_COLUMNS)


def _at(
    corner: str, near: np.ndarray, ratio: FloatArray, gear: FloatArray, speed: float, there: float
) -> dict[str, Any]:
    """One lap's reading: the ratio around a place times the speed there, in the gear that is mostly engaged."""
    out = {"corner": corner, "there": there, "speed": speed, "gear": np.nan, "engine_speed": np.nan}
    engaged = gear[near & np.isfinite(gear)]
    if engaged.size:
        middle = float(np.median(engaged))
        out["gear"] = middle if (engaged == middle).any() else float(engaged[-1])
        out["engine_speed"] = float(np.median(ratio[near & (gear == out["gear"])])) * speed
    return out


def _over_laps(rows: list[dict[str, Any]], extreme: str, how: str) -> pd.DataFrame:
    """Mean over the laps, by corner in driving order; the gear of most laps."""
    if not rows:
        return pd.DataFrame()
    table = pd.DataFrame(rows)
    laps = table.groupby("corner", sort=False)
    usual = laps["gear"].agg(lambda gear: gear.mode().iloc[0] if gear.notna().any() else np.nan)
    extremes, own = laps["engine_speed"].agg(how), table["corner"].map(usual)
    table = table[table["gear"].eq(own) | own.isna()]
    groups = table.groupby("corner", sort=False)
    out = groups.mean(numeric_only=True)
    count = groups["engine_speed"].count()
    spread = groups["engine_speed"].std().fillna(out["engine_speed"] * SLIP_UNKNOWN)
    out["engine_speed_uncertainty"] = np.hypot(spread / np.sqrt(count.clip(lower=1)), 1e-4 * out["engine_speed"])
    out[extreme] = extremes
    out["laps"] = groups.size()
    return out.reset_index()
