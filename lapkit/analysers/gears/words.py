"""What a sweep of gears says, in sentences and as a table in a driver's units."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pandas as pd

from lapkit.analysers.gears.gearing import Gearing
from lapkit.analysers.gears.table import plus_minus, rpm
from lapkit.channels import FloatArray, from_si
from lapkit.model.show import clock

ROOM = (
    "Leave room below the limit: a tow, a better exit or a tail wind turns the engine faster than on this lap "
    "(common practice, no source)."
)
MEETS = 0.01
"""Share of the limit: an engine speed so little below it meets it (chosen: half of the 2 % within which ratios are taken for alike)."""


UNLIKELY = 0.025
"""Chance of going past the limit from which it is said (chosen: one side of about 95 %)."""


def judged(sweep: pd.DataFrame, *, within: float = MEETS) -> pd.DataFrame:
    """Return a sweep with four more columns: name, past and meets the limit, and the chance that a row goes past it.

    The chance, 0..1, is of the engine speed at the end of the longest straight with its uncertainty. A row goes past the limit at the end of the longest straight or elsewhere; it meets it if it goes past it nowhere and comes
    `within` that share of it. Rows are called by their final drive, and by the top gear where several were tried.

    Examples
    --------
    >>> rows = {"final_drive": [4.75, 4.8], "top_gear": [1.0, 1.0], "free_engine_speed": [675.0, 681.0], "limit_reached": [False, True]}
    >>> sweep = pd.DataFrame(rows)
    >>> sweep.attrs["rev_limit"] = 680.0
    >>> judged(sweep)[["name", "past", "meets"]].to_numpy().tolist()
    [['final drive 4.75', False, True], ['final drive 4.8', True, False]]
    """
    limit = float(sweep.attrs.get("rev_limit", np.nan))
    past = (sweep["free_engine_speed"] > limit) | sweep["limit_reached"].astype(bool)
    tops = [f", top gear {top:.3g}" for top in sweep["top_gear"]] if several_tops(sweep) else [""] * len(sweep)
    names = [f"final drive {final:.4g}{top}" for final, top in zip(sweep["final_drive"], tops, strict=True)]
    meets = (sweep["free_engine_speed"] >= (1.0 - within) * limit) & ~past
    spread = np.maximum(sweep.get("free_engine_speed_uncertainty", pd.Series(0.0, sweep.index)).fillna(0.0), 1e-9)
    beyond: FloatArray = np.nan_to_num(((sweep["free_engine_speed"] - limit) / spread).to_numpy(np.float64))
    chance = [NormalDist().cdf(value) for value in beyond.tolist()]
    return sweep.assign(name=names, past=past, meets=meets, chance=chance)


def _odds(chance: float) -> str:
    """A chance in words, as coarsely as it is known."""
    return "1 in 2" if chance > 0.45 else f"1 in {1.0 / chance:.0f}"


def several_tops(sweep: pd.DataFrame) -> bool:
    """Whether a sweep tries more than one top gear."""
    return len(sweep["top_gear"].dropna().unique()) > 1


def two_decimals(ratio: float) -> str:
    """Write a ratio, rounded to the taller side so that what just meets a limit does not pass it.

    Examples
    --------
    >>> two_decimals(4.709)
    '4.70'
    """
    return f"{np.floor(100.0 * ratio + 1e-6) / 100.0:.2f}"


def meeting_words(sweep: pd.DataFrame) -> str:
    """Say which final drive would just meet the limit; nothing where it is not known.

    Examples
    --------
    >>> sweep = pd.DataFrame({"top_gear": [1.0]})
    >>> sweep.attrs["meeting"] = {"final_drive": 4.709, "final_drive_uncertainty": 0.03}
    >>> meeting_words(sweep)
    '4.70 ±0.06 would just meet it'
    """
    if not (meeting := sweep.attrs.get("meeting")):
        return ""
    own = " with the top gear of the car" if several_tops(sweep) else ""
    spread = 2.0 * meeting["final_drive_uncertainty"]
    return f"{two_decimals(meeting['final_drive'])} ±{spread:.2f}{own} would just meet it"


def limit_words(found: Gearing, rev_limit: float) -> list[str]:
    """Say how far below the engine builder's limit the engine stays at the end of the longest straight.

    Parameters
    ----------
    found : Gearing
        The gears of the recording.
    rev_limit : float
        The engine builder's limit, rad/s.

    Returns
    -------
    list of str

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.gears.gearing import gears
    >>> found = gears(lapkit.load("sample_data/gears_run.csv"))
    >>> limit_words(found, 680.68)[0]
    'At the end of the longest straight, before corner 2, the engine turns 6116 rpm, the mean of 8 laps: 384 rpm (5.9 %) below the limit of 6500 rpm.'
    """
    straight = found.longest_straight
    if straight is None or not np.isfinite(straight["engine_speed"]):
        return []
    left = rev_limit - float(straight["engine_speed"])
    where = f", before corner {straight['corner']}," if straight["corner"] else ""
    side = "below" if left >= 0 else "above"
    out = [
        f"At the end of the longest straight{where} the engine turns {rpm(straight['engine_speed']):.0f} rpm, the mean of {straight['laps']:.0f} laps: "
        f"{abs(rpm(left)):.0f} rpm ({100 * abs(left) / rev_limit:.1f} %) {side} the limit of {rpm(rev_limit):.0f} rpm."
    ]
    fastest = found.straights.iloc[int(found.straights["engine_speed"].argmax())]
    if fastest["corner"] != straight["corner"]:
        out.append(f"It turns faster still before corner {fastest['corner']}: {rpm(fastest['engine_speed']):.0f} rpm.")
    most = float(found.straights["highest_engine_speed"].max())
    if most > rev_limit:
        out.append(
            f"The engine was turned {rpm(most):.0f} rpm in this recording, {rpm(most - rev_limit):.0f} rpm beyond the limit: have "
            "that looked at before anything else."
        )
    return out


def sweep_words(sweep: pd.DataFrame) -> list[str]:
    """Say what a sweep of gears found: which row comes nearest to the limit, what it is worth, and what is too short.

    Parameters
    ----------
    sweep : DataFrame
        From `gear_sweep`.

    Returns
    -------
    list of str
        Sentences; the caution is not among them, it is ``sweep.attrs["caution"]``.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.gears.sweep import gear_sweep
    >>> session = lapkit.load("sample_data/gears_run.csv")
    >>> sweep = gear_sweep(session, final_drives=[4.5, 4.75], final_drive=4.5, rev_limit=680.7)
    >>> sweep_words(sweep)[1].startswith("Final drive 4.75 goes")
    True
    """
    rows = judged(sweep)
    limit = float(sweep.attrs["rev_limit"])
    told = f"the limit of {rpm(limit):.0f} rpm at the end of the longest straight"
    gone = rows[rows["past"]].sort_values("ratio_change", kind="stable")
    nearest = rows[rows["nearest"].astype(bool)]
    out = []
    for _, row in nearest.iterrows():
        there = row["free_engine_speed"]
        how = f"meets {told}" if row["meets"] else f"comes nearest to {told} without passing it"
        room = "" if row["meets"] else f", {rpm(limit - there):.0f} rpm below"
        spread = 2 * rpm(row["free_engine_speed_uncertainty"])
        may = (
            f" It may go past it: a chance of about {_odds(row['chance'])} by that ±."
            if row["chance"] > UNLIKELY
            else ""
        )
        out.append(
            f"{row['name'].capitalize()} {how}: {rpm(there):.0f} ±{spread:.0f} rpm there{room}.{may} {_worth(row)}"
        )
    if nearest.empty:
        out.append(
            f"Every one of these of which something can be said goes past {told}, or meets it sooner."
            if rows["free_engine_speed"].notna().any()
            else "Which row meets the limit cannot be said: the engine speeds lie too far outside those seen."
        )
    if not gone.empty:
        out.append(_past(gone, limit))
    out.append(
        f"Of all final drives, {meeting}."
        if (meeting := meeting_words(sweep))
        else "Which final drive would just meet it lies too far outside the engine speeds seen to be said."
    )
    within = rows[rows["lap_time_difference"].notna() & ~rows.index.isin(gone.index)]
    if not nearest.empty and not within.empty:
        quickest = within.iloc[int(within["lap_time_difference"].argmin())]
        if not bool(quickest["nearest"]):
            out.append(_quickest(quickest, nearest.iloc[0]))
    unknown = rows[rows["lap_time_difference"].isna()]
    if not unknown.empty:
        out.append(f"No lap time is given with {'; '.join(unknown['name'])}: too far outside the engine speeds seen.")
    out.append(ROOM)
    return out


def _past(gone: pd.DataFrame, limit: float) -> str:
    """What is to be said of the rows that go past the limit; the tallest comes first."""
    row = gone.iloc[0]
    beyond, spread = rpm(row["free_engine_speed"] - limit), 2 * rpm(row["free_engine_speed_uncertainty"])
    if beyond > 0:
        how = f"goes {beyond:.0f} ±{spread:.0f} rpm past the limit there"
    elif np.isnan(beyond):
        how = "goes far past the limit"
    else:
        how = f"meets the limit at {row['limit_distance']:.0f} m already"
    held = f", held on the limiter for {row['limiter_time']:.2f} s a lap" if row["limiter_time"] >= 0.005 else ""
    more = ", and the shorter ones go further" if len(gone) > 1 else ""
    return f"{row['name'].capitalize()} {how}{held}{more}: too short."


def _quickest(quickest: pd.Series, nearest: pd.Series) -> str:
    """What is to be said of a row that is quicker than the one nearest to the limit."""
    change = "lap_time_difference"
    margin = 2.0 * max(float(quickest[change + "_uncertainty"]), float(nearest[change + "_uncertainty"]))
    name, lower = quickest["name"], rpm(nearest["free_engine_speed"] - quickest["free_engine_speed"])
    if np.isfinite(nearest[change]) and nearest[change] - quickest[change] <= margin and lower > 0:
        return f"The lap is as quick with {name}, as far as can be told, and the engine turns {lower:.0f} rpm less."
    return f"The quickest lap comes from {name}. {_worth(quickest)}"


def _worth(row: pd.Series) -> str:
    """What a row is worth in lap time."""
    change, spread = float(row["lap_time_difference"]), 2.0 * float(row["lap_time_difference_uncertainty"])
    if not np.isfinite(change):
        return "What it is worth in lap time cannot be said."
    if abs(row["ratio_change"]) < 1e-9:
        return "That is what the car has."
    word = "quicker" if change < 0 else "slower"
    if abs(change) <= spread:
        return f"The lap would differ by {change:+.3f} ±{spread:.3f} s: no more than the model leaves open."
    return f"The lap would be {abs(change):.3f} ±{spread:.3f} s {word}."


def sweep_table(sweep: pd.DataFrame, *, speed_unit: str = "km/h") -> pd.DataFrame:
    """Return a sweep as text in a driver's units, for display.

    Parameters
    ----------
    sweep : DataFrame
        From `gear_sweep`.
    speed_unit : str
        Unit of speed.

    Returns
    -------
    DataFrame of str
        Same rows. ± is two standard uncertainties; a dash where nothing can be said.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.gears.sweep import gear_sweep
    >>> session = lapkit.load("sample_data/gears_run.csv")
    >>> sweep = gear_sweep(session, final_drives=[4.5], final_drive=4.5, rev_limit=680.7)
    >>> sweep_table(sweep)[["Final drive", "Difference (s)"]].iloc[0].tolist()
    ['4.5', '0.000']
    """

    def told(row: pd.Series, name: str, decimals: int, factor: float = 1.0, sign: str = "") -> str:
        return plus_minus(factor * row[name], factor * row.get(name + "_uncertainty", np.nan), decimals, sign=sign)

    to_rpm, to_unit = from_si(1.0, "rpm", "angular rate"), from_si(1.0, speed_unit, "speed")
    tops, rows = several_tops(sweep), []
    for _, row in judged(sweep).iterrows():
        cells = {"Final drive": f"{row['final_drive']:.4g}"}
        if tops:
            cells["Top gear"] = f"{row['top_gear']:.4g}"
        cells |= {
            "Change (%)": told(row, "ratio_change", 1, 100.0, "+"),
            "rpm at the end": told(row, "engine_speed", 0, to_rpm),
            "with no limit": told(row, "free_engine_speed", 0, to_rpm),
            "Limiter (s)": told(row, "limiter_time", 2),
            "Lap time": clock(float(row["lap_time"])),
            "Difference (s)": told(row, "lap_time_difference", 3, 1.0, "+"),
            f"At line ({speed_unit})": told(row, "speed_at_line", 1, to_unit),
            "Drop (rpm)": told(row, "shift_drop", 0, to_rpm),
        }
        if sweep["restart_time"].notna().any():
            cells |= {
                "Restart (s)": told(row, "restart_time", 2),
                "Lost (s)": told(row, "restart_time_lost", 2, 1.0, "+"),
            }
        near = ("meets the limit" if row["meets"] else "nearest the limit") + (
            " (may pass it)" if row["chance"] > UNLIKELY else ""
        )
        cells[""] = near if row["nearest"] else "past the limit" if row["past"] else ""
        rows.append(cells)
    return pd.DataFrame(rows, index=sweep.index, dtype=object)
