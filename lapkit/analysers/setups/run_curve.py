"""What lap times of a run have in common: fuel, warm-up laps, fall-off with the age of the tyres."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from lapkit.analysers.statistics.neighbours import allow_for_neighbours
from lapkit.analysers.statistics.regression import Fit, robust_fit, share_left
from lapkit.channels import FloatArray, to_si, unit_name
from lapkit.errors import LapkitError
from lapkit.model.given import number_given, said
from lapkit.model.session import SPOILT
from lapkit.model.show import json_rows, plain

MOST_WARM_UP = 4
"""Laps at the start of a run among which warm-up is looked for (chosen)."""
SLOW = 2.0
"""How far above the line, in standard uncertainties, a first lap is warm-up (chosen: one lap in 40 is taken for it by luck)."""
FUEL_DENSITY = 750.0
"""kg/m3 of petrol at 15 degC: the middle of 720 to 775 of EN 228."""
TOLD_APART = 0.001
"""Share of a column that the others must leave over for its effect to be told from theirs (chosen)."""
BEND_P = 0.01
"""Chance by luck under which a bend is stated (chosen)."""
LEAST_LAPS = 3
TYRE_CAUTION = (
    "Tyres and pressures stay within the limits of their maker and the rules of the series; a lap time that falls off says "
    "nothing of how near a tyre is to failing."
)
NEEDED = ("run", "lap", "tyre_age", "lap_time")


@dataclass(frozen=True)
class RunLaps:
    """Laps of some runs as arrays, in the order of runs and laps.

    Attributes
    ----------
    table : DataFrame
        The laps, sorted.
    value : ndarray
        Lap time at the least fuel, where a fuel effect is given, s.
    run : ndarray of int
        0, 1, ...
    position : ndarray of int
        Laps since the run's first.
    usable : ndarray of bool
        Timed laps without a flag that no contact, tow or missed shift spoilt.
    """

    table: pd.DataFrame
    value: FloatArray
    run: NDArray[np.intp]
    position: NDArray[np.int64]
    usable: NDArray[np.bool_]

    @property
    def age(self) -> FloatArray:
        """Laps done on the tyres when the lap begins."""
        return self.table["tyre_age"].to_numpy(np.float64)

    def fuel(self) -> FloatArray | None:
        """Fuel at the lap's start, m3; None where it is not known of every usable lap."""
        fuel = self.table["fuel"].to_numpy(np.float64)
        return fuel if np.isfinite(fuel[self.usable]).all() and self.usable.any() else None


def run_laps(table: pd.DataFrame, *, fuel_effect: float | str | None = None, name: str = "table") -> RunLaps:
    """Check a table of runs, and take the fuel out of its lap times.

    Parameters
    ----------
    table : DataFrame
        As `run_table` gives it, or made by hand: run, lap, tyre_age, lap_time at least.
    fuel_effect : float or str, optional
        Seconds a lap that fuel costs: per m3, or in words such as "0.03 s/L" or "0.04 s/kg".
    name : str
        What the table is called in a message, where it does not name its recordings.

    Returns
    -------
    RunLaps

    Raises
    ------
    LapkitError
        If columns are missing, hold no numbers, or no lap has a time; or a fuel effect is given and no fuel.

    Examples
    --------
    >>> laps = run_laps(pd.DataFrame({"run": 1, "lap": [2, 1], "tyre_age": [1, 0], "lap_time": [30.1, 30.0]}))
    >>> laps.value.tolist(), laps.position.tolist()
    ([30.0, 30.1], [0, 1])
    """
    if not isinstance(table, pd.DataFrame):
        raise LapkitError(f"{name}: expected a table from run_table(sessions), and got {said(table)}.")
    name = recordings_of(table) or name
    faults = [f"there is no column '{column}'" for column in NEEDED if column not in table.columns]
    columns: dict[str, Any] = {str(column): table[column].to_numpy() for column in table.columns}
    for column in (*NEEDED, "fuel", "clock", "lap_time_uncertainty"):
        values = columns.get(column)
        if values is None:
            columns[column] = np.full(len(table), np.nan)
        elif values.dtype.kind not in "iuf":
            columns[column] = np.asarray(pd.to_numeric(pd.Series(values), errors="coerce"), dtype=np.float64)
        if column in NEEDED[:3] and not faults and np.isnan(columns[column]).any():
            faults.append(f"'{column}' is not a number in row {int(np.isnan(columns[column]).argmax())}")
    if not faults:
        order = np.lexsort((columns["lap"], columns["run"]))
        columns = {column: values[order] for column, values in columns.items()}
        twice = np.flatnonzero((np.diff(columns["run"]) == 0) & (np.diff(columns["lap"]) == 0))
        if len(twice):
            faults.append(f"lap {columns['lap'][twice[0]]} of run {columns['run'][twice[0]]} stands twice")
    if faults:
        raise LapkitError(f"{name}: {'; '.join(faults)}; give the table of run_table(sessions), or one like it.")
    for column in ("flags", "odd", "source"):
        words = columns.get(column, [""] * len(table))
        columns[column] = np.array([word if isinstance(word, str) else "" for word in words], dtype=object)
    bare = pd.DataFrame(columns)
    bare.attrs = dict(table.attrs)
    seconds = np.asarray(columns["lap_time"], dtype=np.float64)
    _, run = np.unique(columns["run"], return_inverse=True)
    number = np.asarray(columns["lap"], dtype=np.int64)
    first = np.full(run.max(initial=-1) + 1, np.iinfo(np.int64).max)
    np.minimum.at(first, run, number)
    whole = np.isfinite(seconds) & (columns["flags"] == "")
    spoilt = np.array([bool(SPOILT & set(kinds.split(","))) for kinds in columns["odd"]], dtype=bool)
    usable = whole & ~spoilt
    if not usable.any():
        spoilt_all = "; those that were are spoilt by what befell them" if whole.any() else ""
        none = (
            f"none of its {len(bare)} laps is timed and free of flags{spoilt_all}"
            if len(bare)
            else "it holds no timed lap"
        )
        raise LapkitError(
            f"{name}: {none}; look at the lap table for what marks the laps, name the column of laps, or take a recording with "
            "whole laps."
        )
    if fuel_effect is not None:
        fuel = np.asarray(columns["fuel"], dtype=np.float64)
        if not np.isfinite(fuel[usable]).all():
            raise LapkitError(
                f"{name}: a fuel effect is given, but fuel is not known of every lap (column 'fuel', m3)."
            )
        seconds = seconds - seconds_per_m3(fuel_effect) * (fuel - float(fuel[usable].min()))
    return RunLaps(bare, seconds, run.astype(np.intp), number - first[run], usable)


def recordings_of(table: pd.DataFrame) -> str:
    """Return the names of the recordings a table of runs was made from; "" where it does not say."""
    names = [name for name in table["source"].unique() if isinstance(name, str)] if "source" in table else []
    names = names or [str(name) for name in table.attrs.get("sources", [])]
    return " and ".join(map(plain, filter(None, names)))


def seconds_per_m3(fuel_effect: float | str, *, fuel_density: float = FUEL_DENSITY) -> float:
    """Return what fuel costs a lap in s per m3.

    Examples
    --------
    >>> round(seconds_per_m3("0.03 s/L"), 9), round(seconds_per_m3("0.04 s/kg"), 9)
    (30.0, 30.0)
    """
    if isinstance(fuel_effect, str):
        number, _, unit = fuel_effect.strip().partition(" ")
        name = unit_name(unit.strip().removeprefix("s/").removeprefix("s per ")) or ""
        try:
            if name in ("kg", "lb"):
                return float(number) / to_si(1.0, name, "mass") * fuel_density
            if name in ("L", "gal", "m3"):
                return float(number) / to_si(1.0, name, "volume")
        except ValueError:
            pass
    elif isinstance(fuel_effect, int | float | np.number) and math.isfinite(fuel_effect):
        return float(fuel_effect)
    raise LapkitError(
        f"fuel_effect={fuel_effect!r}: give seconds a lap per m3, or words such as '0.03 s/L' or '0.04 s/kg'."
    )


def find_warm_up(
    laps: RunLaps, columns: FloatArray, *, most: int = MOST_WARM_UP, slow: float = SLOW, least: int = LEAST_LAPS
) -> int:
    """Return how many laps at the start of each run are slower than the line through the others.

    Parameters
    ----------
    laps : RunLaps
    columns : ndarray, shape (n, p)
        Columns of the line.
    most : int
        Most laps looked at.
    slow : float
        How far above the line a lap is warm-up, in standard uncertainties.
    least : int
        Degrees of freedom the line must keep.

    Returns
    -------
    int
        The same for all runs: their first laps are judged together.

    Examples
    --------
    >>> seconds = [30.6, 30.25, 30.01, 30.02, 29.99, 30.0, 30.01, 29.98, 30.0, 30.02]
    >>> table = pd.DataFrame({"run": 1, "lap": range(10), "tyre_age": range(10), "lap_time": seconds})
    >>> laps = run_laps(table)
    >>> find_warm_up(laps, np.column_stack([np.ones(10), laps.age]))
    2
    """
    rank, found = columns.shape[1], 0
    for start in range(most, 0, -1):
        kept = laps.usable & (laps.position >= start)
        if int(kept.sum()) - rank >= least and int(np.linalg.matrix_rank(columns[kept])) == rank:
            break
    else:
        return 0
    looked = start
    for begin in (start, -1):  # again from the first lap that is not warm-up
        fit_from = begin if begin > 0 else found
        kept = laps.usable & (laps.position >= fit_from)
        fit = robust_fit(columns[kept], laps.value[kept])
        if not fit.scatter > 0:
            return found
        for lap in range(found, looked):
            here = laps.usable & (laps.position == lap)
            if not here.any():  # it is warm-up if a later one is
                continue
            rest = laps.value[here] - columns[here] @ fit.coefficients
            middle = columns[here].mean(axis=0)
            few = int(here.sum()) < 3
            own = fit.scatter * (1.0 if few else 1.25) / math.sqrt(int(here.sum()))
            sigma = math.hypot(own, math.sqrt(max(float(middle @ fit.covariance @ middle), 0.0)))
            if (float(rest.mean()) if few else float(np.median(rest))) <= slow * sigma:
                break
            found = lap + 1
    return found


def told_apart(column: FloatArray, others: FloatArray, kept: NDArray[np.bool_], *, share: float = TOLD_APART) -> bool:
    """Whether a column says something the others do not, over some laps."""
    return share_left(column[kept], others[kept]) > share


def with_place(design: FloatArray, after: ArrayLike, fit: Fit, run: ArrayLike, at: ArrayLike) -> Fit:
    """Return a fit with a bend whose covariance allows for the bend's place being found from the same laps.

    Parameters
    ----------
    design : ndarray, shape (n, p)
        Columns of the fit, the bend's among them.
    after : array_like of bool, shape (n,)
        Which values lie after the bend.
    fit : Fit
    run, at : array_like of int, shape (n,)
        Run of each value and its place in the run; neighbours that are alike are allowed for.

    Returns
    -------
    Fit

    Notes
    -----
    To first order a bend that moves adds a step there, so the covariance is that of a fit with a step besides.

    References
    ----------
    V. M. R. Muggeo, Estimating regression models with unknown break-points, Statistics in Medicine 22 (2003) 3055-3071.

    Examples
    --------
    >>> age = np.arange(12.0)
    >>> line = np.column_stack([np.ones(12), age, np.maximum(age - 6, 0)])
    >>> fit = robust_fit(line, age + np.resize([0.1, -0.1], 12))
    >>> wider = with_place(line, age > 6, fit, np.zeros(12), age)
    >>> bool(wider.covariance[2, 2] > fit.covariance[2, 2])
    True
    """
    step = np.asarray(after, dtype=np.float64)[:, None]
    moved = allow_for_neighbours(np.column_stack([design, step]), fit, run, at)
    return moved._replace(covariance=moved.covariance[:-1, :-1], freedom=max(fit.freedom - 1.0, 0.0))


def lap_rows(laps: RunLaps, expected: FloatArray, weight: FloatArray, warm_up: int) -> pd.DataFrame:
    """Return the laps as people look at them: what each took against the curve, how much it counts, and why not."""
    out = laps.table[["run", "lap", "tyre_age"]].copy()
    out.attrs = {}
    out["lap_time"], out["expected"], out["residual"] = laps.value, expected, laps.value - expected
    out["weight"] = weight
    warm = (laps.position < warm_up) & laps.usable
    off = laps.usable & ~warm & (weight < 0.5)
    words = np.where(warm, "warm-up", np.where(off, np.where(laps.value > expected, "slow", "fast"), ""))
    told = zip(words, laps.table["flags"], laps.table["odd"], strict=True)
    out["marks"] = pd.Series([",".join(filter(None, map(str, three))) for three in told], dtype=object)
    return out


def seconds(value: Any, *, sign: str = "", decimals: int = 3) -> str:
    """Write seconds to the millisecond, a dash where there are none.

    Examples
    --------
    >>> seconds(0.0284, sign="+"), seconds(-0.0002, sign="+"), seconds(None)
    ('+0.028', '0.000', '-')
    """
    if value is None or not math.isfinite(value):
        return "-"
    rounded = round(float(value), decimals)
    return f"{rounded:{sign}.{decimals}f}" if rounded else f"{0:.{decimals}f}"


def age_words(tyre_age: float) -> str:
    """Write a tyre age: whole laps where it is whole, else to a tenth.

    Examples
    --------
    >>> age_words(6.0), age_words(5.5)
    ('6', '5.5')
    """
    return f"{tyre_age:.1f}".removesuffix(".0")


def laps_ahead(*tables: pd.DataFrame) -> int | None:
    """Return lap number less tyre age, where it is the same for all laps of some tables: on new tyres 1."""
    ahead = {int(lap - age) for table in tables for lap, age in zip(table["lap"], table["tyre_age"], strict=True)}
    return ahead.pop() if len(ahead) == 1 else None


def at_age(tyre_age: float, ahead: int | None) -> str:
    """Write a tyre age with the number of the lap that begins at it.

    Examples
    --------
    >>> at_age(17.2, 1), at_age(17.2, None)
    ('tyre age 17 (lap 18)', 'tyre age 17')
    """
    return f"tyre age {tyre_age:.0f}" + ("" if ahead is None else f" (lap {round(tyre_age) + ahead})")


def for_want_of_laps(laps: RunLaps) -> str:
    """Say, at the end of a complaint of too few laps, which are left out, and how to count them all the same."""
    said = " ".join(left_out_words(laps))
    way_out = " load(..., find_oddities=False) counts them all the same." if "befell" in said else ""
    return f" {said}{way_out}" if said else ""


def left_out_words(laps: RunLaps) -> list[str]:
    """Say which laps are shown and not counted, and why."""
    table, out = laps.table[~laps.usable], []
    kinds = [", ".join(kind for kind in odd.split(",") if kind in SPOILT) for odd in table["odd"]]
    run = "run {run} " if len(np.unique(laps.run)) > 1 else ""
    named = [
        f"{run.format(run=row['run'])}lap {row['lap']} ({kind})"
        for row, kind in zip(json_rows(table), kinds, strict=True)
        if kind
    ]
    if named:
        out.append(f"Left out, for what befell them: {', '.join(named)}.")
    count = len(table) - len(named)
    if count:
        said, are = ("lap", "is") if count == 1 else ("laps", "are")
        out.append(f"{count} {said} with a flag or without a time {are} shown and not counted.")
    return out


def in_html(words: Sequence[str], table: str, notes: Sequence[str], caution: str) -> str:
    """Put an answer, its table and its notes together for a notebook: the first sentence leads, a line each for the rest."""
    rest = "".join(f"<li>{escape(line)}</li>" for line in words[1:])
    told = "".join(f"<p style='margin:2px 0'><b>Note:</b> {escape(note)}</p>" for note in notes)
    said = f"<p><b>{escape(words[0])}</b></p>{f'<ul>{rest}</ul>' if rest else ''}"
    return f"{said}{table}{told}<p style='margin:2px 0'>{escape(caution)}</p>"


def in_lines(words: Sequence[str]) -> str:
    """Write an answer for a terminal: the first sentence leads, a line each for the rest.

    Examples
    --------
    >>> print(in_lines(["B is faster.", "Where: corner 2."]))
    B is faster.
      Where: corner 2.
    """
    return "\n".join([plain(words[0]), *(f"  {plain(line)}" for line in words[1:])])


def two_names(names: tuple[str, str]) -> tuple[str, str]:
    """Return what the two setups are called."""
    given = [str(name) for name in names] if isinstance(names, Sequence) and not isinstance(names, str) else []
    if len(given) != 2 or given[0] == given[1]:
        raise LapkitError(f"names={names!r}: give two different names, such as names=('soft bar', 'stiff bar').")
    return given[0], given[1]


def check_share(confidence: float) -> None:
    """Raise LapkitError where a confidence is no share."""
    if not 0.0 < number_given(confidence, "confidence", "a share between 0 and 1") < 1.0:
        raise LapkitError(f"confidence={confidence!r}: give a share between 0 and 1, such as 0.95.")
