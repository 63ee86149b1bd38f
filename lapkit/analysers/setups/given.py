"""What two setups are compared by: the laps of both in one table, on one clock, in the order driven."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.setups.run_curve import NEEDED, RunLaps, for_want_of_laps, run_laps
from lapkit.analysers.setups.runs import run_table, sessions_of, whole_laps
from lapkit.channels import FloatArray
from lapkit.errors import LapkitError

if TYPE_CHECKING:
    from lapkit.model.session import Session

    Runs = Session | Sequence[Session] | pd.DataFrame


def together(runs_a: Runs, runs_b: Runs, tyre_age: Sequence[int | Sequence[int]]) -> tuple[pd.DataFrame, list[Session]]:
    """One table of the laps of both, and the recordings, if such were given.

    Its columns setup (True for the second) and session (position among the recordings) say whose a lap is.
    """
    if isinstance(runs_a, pd.DataFrame) != isinstance(runs_b, pd.DataFrame):
        raise LapkitError("runs_a and runs_b: give sessions for both, or tables of run_table for both.")
    if isinstance(tyre_age, int) or len(tyre_age) != 2:
        raise LapkitError(f"tyre_age={tyre_age!r}: give a pair, for the runs of a and of b, such as tyre_age=(0, 12).")
    if isinstance(runs_a, pd.DataFrame) and isinstance(runs_b, pd.DataFrame):
        tables = [run_laps(runs_a, name="runs_a").table, run_laps(runs_b, name="runs_b").table]
        if tables[0][list(NEEDED)].equals(tables[1][list(NEEDED)]):
            raise LapkitError("runs_a and runs_b: the two tables are one; give each run to the setup it was made with.")
        tables[1]["run"] = tables[1]["run"] + (tables[0]["run"].max() + 1 - tables[1]["run"].min())
        _one_clock(tables)
        for side, part in enumerate(tables):
            part["setup"] = bool(side)
            part.attrs = {}
        return pd.concat(tables, ignore_index=True), []
    groups = [sessions_of(runs_a), sessions_of(runs_b)]
    ages = [
        [age] * len(group) if isinstance(age, int | np.integer) else list(age)
        for age, group in zip(tyre_age, groups, strict=True)
    ]
    for letter, age, group in zip("ab", ages, groups, strict=True):
        if len(age) != len(group):
            raise LapkitError(f"tyre_age: {len(age)} given for the {len(group)} recording(s) of runs_{letter}.")
    sessions = sessions_of([*groups[0], *groups[1]])
    table = run_table(sessions, tyre_age=[*ages[0], *ages[1]])
    table["session"] = np.repeat(np.arange(len(sessions)), [int(whole_laps(session).sum()) for session in sessions])
    table["setup"] = table["session"] >= len(groups[0])
    return table, sessions


def _one_clock(tables: Sequence[pd.DataFrame]) -> None:
    """Bring the clocks of two tables together, or take them away where they do not say how they stand to each other."""
    epochs = [table.attrs.get("epoch") for table in tables]
    if all(isinstance(epoch, int | float) for epoch in epochs):
        known = [float(str(epoch)) for epoch in epochs]
        for table, epoch in zip(tables, known, strict=True):
            table["clock"] += epoch - min(known)
        return
    spans = [
        (float(run["clock"].min()), float(run["clock"].max()))
        for table in tables for _, run in table.groupby("run")
    ]  # fmt: skip
    spans.sort()
    if any(one[1] >= other[0] for one, other in pairwise(spans)):  # runs at one time: two clocks
        for table in tables:
            table["clock"] = np.nan


def enough(laps: RunLaps, second: NDArray[np.bool_], names: tuple[str, str]) -> None:
    """Raise LapkitError where a setup has too few clean laps."""
    for name, side in zip(names, (~second, second), strict=True):
        count = int((laps.usable & side).sum())
        if count < 3:
            raise LapkitError(
                f"{name}: {count} clean lap(s) among {int(side.sum())}; it takes at least three with each setup to see how "
                f"much laps differ by themselves, and some ten to see a tenth.{for_want_of_laps(laps)}"
            )


def clock_of(laps: RunLaps, second: NDArray[np.bool_], order: str | None) -> tuple[FloatArray | None, str]:
    """When each lap began, and the order of the runs as letters.

    `order` has a letter a run, or a letter a recording: then the runs of a recording follow one another.
    """
    letter = {int(run): "AB"[int(second[laps.run == run][0])] for run in np.unique(laps.run)}
    clock = laps.table["clock"].to_numpy(np.float64)
    if order is not None:
        wanted = "".join(order.upper().split())
        said = _said(wanted, laps, letter)
        if said is None:
            counts = [[word.count(side) for side in "AB"] for word in (wanted, "".join(letter.values()))]
            raise LapkitError(
                f"order={order!r}: the runs are {counts[0][0]} x A and {counts[0][1]} x B there, and {counts[1][0]} x A and "
                f"{counts[1][1]} x B were given; write A or B for each run, or for each recording, in the order driven."
            )
        known = np.isfinite(clock[laps.usable]).all()
        if not known or _in_order(laps, clock) != said:  # the person knows better than the clocks
            driven = [laps.value[(laps.run == run) & laps.usable].sum() for run in said]
            begin = dict(zip(said, np.append(0.0, np.cumsum(driven))[:-1], strict=True))
            typical = float(np.median(laps.value[laps.usable]))
            clock = np.array([begin[run] for run in laps.run]) + typical * laps.position
        return clock, "".join(letter[run] for run in said)
    if not np.isfinite(clock[laps.usable]).all():
        return None, ""
    return clock, "".join(letter[run] for run in _in_order(laps, clock))


def _said(wanted: str, laps: RunLaps, letter: dict[int, str]) -> list[int] | None:
    """The runs in an order given as letters, by run or else by recording; None where they are not so many."""
    by_recording: dict[int, list[int]] = {}
    for run in letter:
        here = laps.table["session"].to_numpy()[laps.run == run][0] if "session" in laps.table else run
        by_recording.setdefault(int(here), []).append(run)
    for parts in ([[run] for run in letter], list(by_recording.values())):
        if sorted(wanted) == sorted(letter[part[0]] for part in parts):
            left = {side: [part for part in parts if letter[part[0]] == side] for side in "AB"}
            return [run for side in wanted for run in left[side].pop(0)]
    return None


def _in_order(laps: RunLaps, clock: FloatArray) -> list[int]:
    runs = [int(run) for run in np.unique(laps.run)]
    return sorted(runs, key=lambda run: float(np.nanmin(clock[laps.run == run])))
