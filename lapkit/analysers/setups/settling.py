"""How tyre pressures and temperatures of a run change from its first lap to the level they settle at."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

from lapkit.analysers.setups.runs import MEANS
from lapkit.channels import CHANNELS, FloatArray, from_si

CHANNEL_COLUMNS = {
    "channel": "object", "unit": "object", "from_value": "float64", "to_value": "float64", "settled_after": "float64",
}  # fmt: skip
"""Column -> dtype of the table of channels."""
SHOWN_UNITS = {"temperature": "degC", "pressure": "kPa"}
SETTLED = 0.05
"""Share of the change within which the rest is called settled (the usual 5 % band of a step response: three time constants)."""
NOISE = 4.0
"""Scatter of lap means within which they are called the same (chosen: one lap in 16,000 is outside by luck)."""
MOST_OUTSIDE = 0.1
"""Share of later laps that may lie outside that band (chosen: a lap in traffic)."""
LEAST_LAPS = 4


def channel_changes(
    table: pd.DataFrame, *, settled: float = SETTLED, noise: float = NOISE, most_outside: float = MOST_OUTSIDE
) -> pd.DataFrame:
    """Return what each temperature and pressure did over the runs, from the laps' own means.

    Parameters
    ----------
    table : DataFrame
        From `run_table`. Laps with a flag or an oddity are left out.
    settled : float
        Share of the whole change within which a value has settled.
    noise : float
        The same in units of the scatter from lap to lap, whichever is more.
    most_outside : float
        Share of the laps after it that may be outside.

    Returns
    -------
    DataFrame
        channel, unit (SI), from_value (first lap), to_value (median of the last third; where it has not settled, the last lap),
        settled_after (laps since the first of the run; 0 where it never moved, NaN where it still moves at the end). Of several
        runs the median of each.

    Examples
    --------
    >>> laps = pd.DataFrame({"run": 1, "lap": range(20), "tyre_pressure_fl": 1e5 * (2.0 - 0.2 * 0.5 ** np.arange(20))})
    >>> row = channel_changes(laps).iloc[0]
    >>> round(row["from_value"]), round(row["to_value"]), int(row["settled_after"])
    (180000, 200000, 5)
    """
    clean = np.ones(len(table), dtype=bool)
    for mark in ("flags", "odd"):
        if mark in table:
            clean &= ~table[mark].fillna("").astype(bool).to_numpy()
    rows = []
    for name in table.columns:
        if name not in CHANNELS or CHANNELS[name].dimension not in MEANS:
            continue
        known = table[clean & np.isfinite(table[name].to_numpy(np.float64))]
        found = []
        for _, run in known.sort_values("lap").groupby("run"):
            value, lap = run[name].to_numpy(np.float64), run["lap"].to_numpy(np.float64)
            if len(value) >= LEAST_LAPS:
                found.append(_of_run(value, lap - lap[0], settled, noise, most_outside))
        if found:
            unit = "K" if CHANNELS[name].dimension == "temperature" else "Pa"
            rows.append((name, unit, *(float(part) for part in np.median(found, axis=0))))
    return pd.DataFrame(rows, columns=list(CHANNEL_COLUMNS)).astype(CHANNEL_COLUMNS)


def channel_words(channel: str, first: float, last: float, settled_after: float | None) -> str:
    """Say what a channel did over a run.

    Examples
    --------
    >>> channel_words("tyre_pressure_fl", 180e3, 200e3, 5.0)
    'Tyre pressure, front left wheel: first lap 180 kPa, settled at 200 kPa after 5 laps'
    """
    dimension = CHANNELS[channel].dimension
    unit = SHOWN_UNITS[dimension]
    before, after = (f"{from_si(v, unit, dimension):.0f} {'°C' if unit == 'degC' else unit}" for v in (first, last))
    meaning = CHANNELS[channel].meaning
    if settled_after is None or math.isnan(settled_after):
        way = "rising" if last > first else "falling"
        return f"{meaning}: first lap {before}, last {after}, still {way}"
    if settled_after == 0:
        return f"{meaning}: {after} all the way"
    laps = "lap" if settled_after == 1 else "laps"
    return f"{meaning}: first lap {before}, settled at {after} after {settled_after:.0f} {laps}"


def _of_run(
    value: FloatArray, since: FloatArray, settled: float, noise: float, most_outside: float
) -> tuple[float, float, float]:
    """First value, level, and laps after which it was there: one run."""
    level = float(np.median(value[-max(len(value) // 3, 3) :]))
    bends = np.diff(
        value, 2
    )  # a steady climb, or one that slows down smoothly, leaves next to nothing of itself in them
    scatter = float(np.median(np.abs(bends))) / 0.6745 / math.sqrt(6.0)
    inside = np.abs(value - level) <= max(settled * abs(level - value[0]), noise * scatter)
    later = np.cumsum(inside[::-1])[::-1] / np.arange(len(value), 0, -1)  # share inside from this lap on
    there = np.flatnonzero(inside & (later >= 1.0 - most_outside))
    if not len(there) or there[0] > len(value) - LEAST_LAPS + 1:
        return float(value[0]), float(value[-1]), math.nan
    return float(value[0]), level, float(since[there[0]])
