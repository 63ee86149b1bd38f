"""The comparison of two setups in words: is it real, where is it, what could have made it up, and what to drive next."""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from lapkit.analysers.setups.places import LAP
from lapkit.analysers.setups.run_curve import age_words, seconds
from lapkit.analysers.statistics.neighbours import SAID
from lapkit.analysers.statistics.two_groups import POWER
from lapkit.model.show import json_rows

if TYPE_CHECKING:
    from lapkit.analysers.setups.comparison import SetupComparison

MOST_LAPS = 200
"""Laps with each setup beyond which no more is said than that it would take more (chosen: no test day is that long)."""
WORTH = 0.02
"""s. Where less than this was seen, it is said what it takes to see this much (chosen)."""


def said_of(found: SetupComparison) -> list[str]:
    """Say what a comparison of two setups found: the answer in one sentence, then a short line each.

    Parameters
    ----------
    found : SetupComparison

    Returns
    -------
    list of str
        Whether the difference is real or noise; in which places; what runs that differ by themselves would make of it; what the
        order of the runs allows to be said; other reckonings; the laps that were odd; and what to drive next.

    Examples
    --------
    >>> import numpy as np, pandas as pd
    >>> from lapkit.analysers.setups.compare import compare_setups
    >>> times = np.random.default_rng(1).normal(30.0, 0.05, 12)
    >>> runs = [pd.DataFrame({"run": 1, "lap": range(6), "tyre_age": range(6), "lap_time": half}) for half in np.split(times, 2)]
    >>> said_of(compare_setups(*runs, resamples=0))[0].startswith("Noise")
    True
    """
    said = [_over_the_lap(found), _laps(found), *_by_place(found), *_fall_off(found), *_runs(found), *_order(found)]
    return [*said, *_by_checks(found), *_odd(found), *_next(found)]


def _over_the_lap(found: SetupComparison) -> str:
    size, faster = f"{abs(found.difference):.3f} s a lap faster", found.names[int(found.difference < 0)]
    if not math.isfinite(found.margin):
        return f"Open: {faster} came out {size}, and these laps do not show how sure that is."
    sure = f"±{found.margin:.3f} s at {100 * found.confidence:.4g} %"
    if not round(found.difference, 3):
        return f"Noise, as far as these laps tell: the two came out alike ({sure})."
    if found.settled:
        return f"Real: {faster} is {size} ({sure})."
    if found.significant:
        return f"Not settled: {faster} came out {size} ({sure}), more than laps scatter, but runs may differ so by themselves."
    return f"Noise, as far as these laps tell: {faster} came out {size} ({sure})."


def _laps(found: SetupComparison) -> str:
    warm = ""
    if found.warm_up:
        each, are = ("lap", "is") if found.warm_up == 1 else (f"{found.warm_up} laps", "are")
        warm = f"; the first {each} of each run {are} warm-up and set aside"
    return f"Laps: {found.done[0]} against {found.done[1]}, at like tyre age{warm}."


def _by_checks(found: SetupComparison) -> list[str]:
    rows = {str(row["method"]): row for row in json_rows(found.checks)}
    parts = []
    dealt, drawn = rows.get("laps dealt out at random"), rows.get("bootstrap")
    pairs = rows.get("pairs at like tyre age")
    if dealt is not None and dealt["p"] is not None:
        parts.append(f"laps dealt out at random come out so far apart {_percent(dealt['p'])} of the time")
    if drawn is not None and drawn["low"] is not None:
        parts.append(f"the bootstrap has {_signed(drawn['low'])} to {_signed(drawn['high'])} s")
    if pairs is not None and pairs["low"] is not None:
        parts.append(
            f"{pairs['laps']} pairs of laps at like tyre age have {_signed(pairs['difference'])} s "
            f"({_signed(pairs['low'])} to {_signed(pairs['high'])})"
        )
    how = (
        ""
        if found.correlation < SAID
        else ", as if neighbouring laps were not alike (they are, and the ± above allows for it)"
    )
    return [f"Reckoned otherwise{how}: {'; '.join(parts)}."] if parts else []


def _by_place(found: SetupComparison) -> list[str]:
    rows = [row for row in json_rows(found.table) if row["segment"] != LAP]
    if not rows:
        return []
    sure = [row for row in rows if row["significant"]]
    if not sure:
        return ["Where: in no single corner and on no straight can the two be told apart."]
    parts = [
        f"{found.names[int(row['difference'] < 0)]} by {abs(row['difference']):.3f} s (±{row['margin']:.3f}) "
        f"{'on the' if row['segment'].startswith('straight') else 'in'} {row['segment']}"
        for row in sorted(sure, key=lambda row: -abs(row["difference"]))
    ]
    return [f"Where, beyond luck: {', '.join(parts)}."]


def _fall_off(found: SetupComparison) -> list[str]:
    if not abs(found.fall_off_difference) > found.fall_off_difference_margin:
        return []
    worse = found.names[int(found.fall_off_difference > 0)]
    return [
        f"Fall-off: {worse} loses {abs(found.fall_off_difference):.3f} s a lap more (±{found.fall_off_difference_margin:.3f}), "
        f"so the difference is that at tyre age {age_words(found.tyre_age)}: look where the curves cross."
    ]


def _order(found: SetupComparison) -> list[str]:
    first, second = found.names
    plan = f"Drive {first}, {second}, {second}, {first}: a steady drift then weighs on both alike"
    if math.isfinite(found.drift):
        order = " ".join(found.order)
        if found.drift_per == "hour":
            return [
                f"Order: {order}; a drift of {_signed(found.drift)} s a lap per hour (±{found.drift_margin:.3f}) is taken out."
            ]
        shown = f"{seconds(found.drift, sign='+', decimals=4)} s from one lap to the next (±{found.drift_margin:.4f})"
        return [
            f"Order: {order}; a drift of {shown} is taken out; without a clock in common the pauses between the runs are not "
            "known, and so no rate per hour."
        ]
    if found.order and sum(one != other for one, other in pairwise(found.order)) == 1:
        early, late = (first, second) if found.order[0] == "A" else (second, first)
        return [
            f"Order: all of {early} was driven before {late}, so what the day did between them is in the difference. {plan}."
        ]
    if not found.order:
        return [f"Order: without that of the runs, what the day did cannot be told from the setup. {plan}."]
    return [f"Order: the drift of the day cannot be told from tyre age and setup in this one. {plan}."]


def _runs(found: SetupComparison) -> list[str]:
    if found.run_scatter > 0:
        return [
            f"Runs differ by {found.run_scatter:.3f} s on their own, and that is in the ±: more runs help, not longer ones."
        ]
    if math.isnan(found.overturned_by):
        return []
    if not found.overturned_by > 0:
        settled = "it takes several runs with each setup to see it"
    else:
        settled = f"{found.overturned_by:.3f} s from run to run (standard deviation) would overturn this"
    if not found.run_freedom:
        return [f"Runs: what they differ by on their own (driver, wind, tyres) is not in the ±; {settled}."]
    return [f"Runs: these {sum(found.runs)} are too few to show a small difference of their own; {settled}."]


def _odd(found: SetupComparison) -> list[str]:
    odd = [row for row in json_rows(found.laps) if 0 <= row["weight"] < 0.5 and _off(row)]
    if not odd:
        return []
    shown = [
        f"{row['setup']} run {row['run']} lap {row['lap']} ({row['residual']:+.2f} s{_kind(row)})" for row in odd[:4]
    ]
    more = f" and {len(odd) - 4} more" if len(odd) > 4 else ""
    return [f"Odd laps, which hardly count: {', '.join(shown)}{more}."]


def _off(row: dict[str, Any]) -> bool:
    return bool({"slow", "fast"} & set(row["marks"].split(",")))


def _kind(row: dict[str, Any]) -> str:
    said = [word for word in row["marks"].split(",") if word and word not in ("slow", "fast")]
    return f", {', '.join(said)}" if said else ""


def _next(found: SetupComparison) -> list[str]:
    if found.settled:
        return []
    if found.significant:
        first, second = found.names
        return [f"Next: {first} and {second} again, a run each, to see whether the difference comes back."]
    size = max(abs(found.difference), WORTH)
    needed = found.laps_needed(size)
    if math.isinf(needed) and found.run_scatter > 0:
        return [f"Next: more runs with each setup; they differ too much for laps alone to show {size:.3f} s."]
    if not math.isfinite(needed) or needed > MOST_LAPS:
        return [f"Next: a larger change; to see {size:.3f} s would take over {MOST_LAPS} laps with each setup."]
    more = [
        max(int(needed) - done - found.warm_up * runs, 0) for done, runs in zip(found.done, found.runs, strict=True)
    ]
    often = f"{100 * POWER:.0f} % of the time"
    if max(more) == 0 and abs(found.difference) < WORTH:
        return [f"Next: something else; so many laps would have shown {size:.3f} s {often}."]
    if max(more) == 0:
        return [f"Next: a few more laps may settle it; so many would show {size:.3f} s {often}."]
    return [
        f"Next: to see {size:.3f} s {often} takes about {needed:.0f} laps with each setup: {more[0]} more with "
        f"{found.names[0]}, {more[1]} more with {found.names[1]}."
    ]


def _signed(value: float) -> str:
    return seconds(value, sign="+")


def _percent(share: float) -> str:
    return f"{100 * share:.1f} %" if share >= 0.001 else "under 0.1 %"
