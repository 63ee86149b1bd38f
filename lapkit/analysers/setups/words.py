"""The comparison of two setups in words: is it real, where is it, what could have made it up, and what to drive next."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from lapkit.analysers.setups.places import LAP
from lapkit.analysers.statistics.two_groups import POWER
from lapkit.model.show import json_rows

if TYPE_CHECKING:
    from lapkit.analysers.setups.comparison import SetupComparison

MOST_LAPS = 200
"""Laps with each setup beyond which no more is said than that it would take more (chosen: no test day is that long)."""
WORTH = 0.02
"""s. Where less than this was seen, it is said what it takes to see this much (chosen)."""


def verdict(found: SetupComparison) -> list[str]:
    """Say in sentences what a comparison of two setups found.

    Parameters
    ----------
    found : SetupComparison

    Returns
    -------
    list of str
        Whether the difference is real or noise, what runs that differ by themselves would make of that, by which other
        reckonings; in which places; what the order of the runs allows to be said; the laps that were odd; and what to drive next.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from lapkit.analysers.setups.compare import compare_setups
    >>> times = np.random.default_rng(1).normal(30.0, 0.05, 12)
    >>> runs = [pd.DataFrame({"run": 1, "lap": range(6), "tyre_age": range(6), "lap_time": half}) for half in np.split(times, 2)]
    >>> verdict(compare_setups(*runs, resamples=0))[0].startswith("Noise")
    True
    """
    said = [_over_the_lap(found), *_runs(found), *_by_checks(found), *_by_place(found), *_fall_off(found)]
    return [*said, *_order(found), *_odd(found), *_next(found)]


def _over_the_lap(found: SetupComparison) -> str:
    size, margin = abs(found.difference), found.margin
    faster = found.names[int(found.difference < 0)]
    laps = f"{found.done[0]} laps against {found.done[1]}, at like tyre age"
    if not math.isfinite(margin):
        return f"{faster} came out {size:.3f} s a lap faster, but these laps do not show how sure that is ({laps})."
    sure = f"±{margin:.3f} s at {100 * found.confidence:.4g} %"
    if found.significant:
        return f"Real: {faster} is {size:.3f} s a lap faster ({sure}; {laps})."
    return f"Noise, as far as these laps tell: {faster} came out {size:.3f} s a lap faster, {sure} ({laps})."


def _by_checks(found: SetupComparison) -> list[str]:
    rows = {str(row["method"]): row for row in json_rows(found.checks)}
    parts = []
    dealt, drawn = rows.get("laps dealt out at random"), rows.get("bootstrap")
    pairs = rows.get("pairs at like tyre age")
    if dealt is not None and dealt["p"] is not None:
        parts.append(f"laps dealt out at random come out so far apart {_percent(dealt['p'])} of the time")
    if drawn is not None and drawn["low"] is not None:
        parts.append(f"the bootstrap has {drawn['low']:+.3f} to {drawn['high']:+.3f} s")
    if pairs is not None and pairs["low"] is not None:
        parts.append(
            f"{pairs['laps']} pairs of laps at like tyre age have {pairs['difference']:+.3f} s "
            f"({pairs['low']:+.3f} to {pairs['high']:+.3f})"
        )
    return [f"Reckoned otherwise: {'; '.join(parts)}."] if parts else []


def _by_place(found: SetupComparison) -> list[str]:
    rows = [row for row in json_rows(found.table) if row["segment"] != LAP]
    if not rows:
        return []
    sure = [row for row in rows if row["significant"]]
    if not sure:
        return ["In no single corner and on no straight can the two be told apart."]
    parts = [
        f"{found.names[int(row['difference'] < 0)]} by {abs(row['difference']):.3f} s (±{row['margin']:.3f}) "
        f"{'on the' if row['segment'].startswith('straight') else 'in'} {row['segment']}"
        for row in sorted(sure, key=lambda row: -abs(row["difference"]))
    ]
    return [f"Faster beyond luck: {', '.join(parts)}."]


def _fall_off(found: SetupComparison) -> list[str]:
    if not abs(found.fall_off_difference) > found.fall_off_difference_margin:
        return []
    worse = found.names[int(found.fall_off_difference > 0)]
    return [
        f"{worse} falls off by {abs(found.fall_off_difference):.3f} s a lap more (±{found.fall_off_difference_margin:.3f}), so "
        f"the difference is that at tyre age {found.tyre_age:.0f} and changes over a run: look where the curves cross."
    ]


def _order(found: SetupComparison) -> list[str]:
    first, second = found.names
    plan = f"Drive {first}, {second}, {second}, {first}: a steady drift then weighs on both alike"
    if math.isfinite(found.drift):
        shown = f"{found.drift:+.3f} s a lap and hour (±{found.drift_margin:.3f})"
        return [f"The runs were made in the order {' '.join(found.order)}; a drift of {shown} is taken out."]
    if found.order and sum(one != other for one, other in pairwise(found.order)) == 1:
        early, late = (first, second) if found.order[0] == "A" else (second, first)
        return [
            f"All of {early} was driven before {late}, so what the track and the day did between the two cannot be told from "
            f"the setup. {plan}."
        ]
    if not found.order:
        return [f"Without the order of the runs, what the day did cannot be told from the setup. {plan}."]
    return [f"The drift of the day cannot be told from tyre age and setup in this order. {plan}."]


def _runs(found: SetupComparison) -> list[str]:
    if found.run_scatter > 0:
        return [
            f"Runs differ by {found.run_scatter:.3f} s on their own, and that is in the ±: more runs help, not longer ones."
        ]
    if math.isnan(found.overturned_by):
        return []
    settled = (
        f"if runs differ by more than {found.overturned_by:.3f} s of themselves (standard deviation from run to run), this is "
        "not settled"
        if found.overturned_by > 0
        else "it takes several runs with each setup"
    )
    if not found.run_freedom:
        return [
            "What runs differ by on their own (the driver's form, wind, a set of tyres) cannot be seen with so few of them, "
            f"and is not in the ±: {settled}."
        ]
    return [
        f"The {sum(found.runs)} runs do not differ on their own more than their laps do, but so few would show it only if it "
        f"were large, and it is not in the ±: {settled}."
    ]


def _odd(found: SetupComparison) -> list[str]:
    said = []
    if found.warm_up:
        each = "lap" if found.warm_up == 1 else f"{found.warm_up} laps"
        said.append(f"The first {each} of each run {'is' if found.warm_up == 1 else 'are'} warm-up and set aside.")
    odd = [row for row in json_rows(found.laps) if 0 <= row["weight"] < 0.5 and _off(row)]
    if odd:
        shown = [
            f"{row['setup']} run {row['run']} lap {row['lap']} ({row['residual']:+.2f} s{_kind(row)})"
            for row in odd[:4]
        ]
        more = f" and {len(odd) - 4} more" if len(odd) > 4 else ""
        said.append(f"Odd laps, which hardly count: {', '.join(shown)}{more}.")
    return said


def _off(row: dict[str, Any]) -> bool:
    return bool({"slow", "fast"} & set(row["marks"].split(",")))


def _kind(row: dict[str, Any]) -> str:
    said = [word for word in row["marks"].split(",") if word and word not in ("slow", "fast")]
    return f", {', '.join(said)}" if said else ""


def _next(found: SetupComparison) -> list[str]:
    if found.significant:
        return []
    size = max(abs(found.difference), WORTH)
    needed = found.laps_needed(size)
    if math.isinf(needed) and found.run_scatter > 0:
        return [
            f"Runs differ too much on their own for laps alone to show {size:.3f} s: drive more runs with each setup."
        ]
    if not math.isfinite(needed) or needed > MOST_LAPS:
        return [f"To see {size:.3f} s it would take over {MOST_LAPS} laps with each setup: look for a larger change."]
    more = [
        max(int(needed) - done - found.warm_up * runs, 0) for done, runs in zip(found.done, found.runs, strict=True)
    ]
    if max(more) == 0:
        return [
            f"So many laps at like tyre age would show {size:.3f} s {100 * POWER:.0f} % of the time; a few more may settle it."
        ]
    return [
        f"To see {size:.3f} s {100 * POWER:.0f} % of the time takes about {needed:.0f} laps with each setup: {more[0]} more with "
        f"{found.names[0]}, {more[1]} more with {found.names[1]}."
    ]


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share >= 0.001 else "under 0.1 %"
