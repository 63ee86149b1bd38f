"""The long run: how lap time falls off with the age of the tyres, when it bends, and how steady the laps are."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from lapkit.analysers.setups.crossover import Crossover, crossover
from lapkit.analysers.setups.run_curve import (
    BEND_P,
    MOST_WARM_UP,
    TYRE_CAUTION,
    RunLaps,
    age_words,
    at_age,
    check_share,
    find_warm_up,
    for_want_of_laps,
    in_html,
    in_lines,
    lap_rows,
    laps_ahead,
    left_out_words,
    recordings_of,
    run_laps,
    seconds,
    told_apart,
    with_place,
)
from lapkit.analysers.setups.runs import corner_times, run_table
from lapkit.analysers.setups.settling import channel_changes, channel_words
from lapkit.analysers.statistics.bends import Bend, find_bend
from lapkit.analysers.statistics.neighbours import alike_words, allow_for_neighbours
from lapkit.analysers.statistics.regression import Fit, robust_fit, theil_sen, weighted_fit
from lapkit.analysers.statistics.two_groups import CONFIDENCE
from lapkit.channels import FloatArray
from lapkit.errors import LapkitError
from lapkit.model.show import html_table, json_rows, jsonable, text_table

__all__ = ["Crossover", "FallOff", "corner_times", "crossover", "fall_off", "run_table"]

LAP_COLUMNS = ["run", "lap", "tyre_age", "lap_time", "expected", "residual", "weight", "marks"]
LEAST = 5
"""Laps after warm-up from which a fall-off is read (chosen: three to see scatter beyond a line's two)."""


@dataclass(frozen=True)
class FallOff:
    """How lap time changes over a run.

    Attributes
    ----------
    rate, low, high : float
        Seconds a lap that the lap time grows with each lap on the tyres, and its interval; before the bend, where there is
        one. By pairs of laps (Theil and Sen), which odd laps hardly move.
    tau, p : float
        Kendall's tau of lap time and tyre age, and the chance of so steady a trend by luck.
    warm_up : int
        Laps at the start of each run that are slower than the line; they are not in it.
    warm_up_cost : float
        Seconds lost in them, over a run.
    bend, bend_low, bend_high : float
        Tyre age from which lap time grows at another rate, and between which ages that may lie; NaN where the laps do not
        show one.
    late_rate, late_low, late_high : float
        Rate after the bend and its interval; NaN without one.
    scatter : float
        Standard deviation of the ordinary laps about the curve, s.
    lap_to_lap : float
        Standard deviation from one lap to the next, the curve's own growth apart: of neighbouring laps' differences over
        the square root of two, s.
    laps : DataFrame
        Every lap: run, lap, tyre_age, lap_time (fuel taken out, where its effect is given), expected (the curve), residual,
        weight (how much the lap counts in the curve), marks ("warm-up", "odd", flags and oddities).
    channels : DataFrame
        Each temperature and pressure that was logged, from the first lap to where it settled: see `channel_changes`.
    confidence : float
    notes : tuple of str
        What was assumed, and what cannot be told.
    """

    rate: float
    low: float
    high: float
    tau: float
    p: float
    warm_up: int
    warm_up_cost: float
    bend: float
    bend_low: float
    bend_high: float
    late_rate: float
    late_low: float
    late_high: float
    scatter: float
    lap_to_lap: float
    laps: pd.DataFrame
    channels: pd.DataFrame
    confidence: float
    notes: tuple[str, ...]
    fit: Fit
    zero: float

    @property
    def ages(self) -> tuple[float, float]:
        """Tyre age of the first and last lap on the curve."""
        on = self.laps.loc[self.laps["expected"].notna() & (self.laps["weight"] > 0), "tyre_age"]
        return float(on.min()), float(on.max())

    def curve(self, tyre_age: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return the lap time the curve gives at some tyre ages, and its standard uncertainty.

        Parameters
        ----------
        tyre_age : array_like
            Laps done on the tyres; beyond the laps driven the curve is a guess.

        Returns
        -------
        lap_time, uncertainty : ndarray
            s; of the mean of the runs.
        """
        age = np.atleast_1d(np.asarray(tyre_age, dtype=np.float64))
        rows = np.zeros((len(age), len(self.fit.coefficients)))
        rows[:, 0], rows[:, 1] = 1.0, age - self.zero
        if math.isfinite(self.bend):
            rows[:, 2] = np.maximum(age - self.bend, 0.0)
        variance = np.einsum("ij,jk,ik->i", rows, self.fit.covariance, rows)
        return rows @ self.fit.coefficients, np.sqrt(np.maximum(variance, 0.0))

    @property
    def words(self) -> list[str]:
        """What happened over the run, in plain sentences: the answer first."""
        sure = f"{100 * self.confidence:.4g} %"
        ahead = laps_ahead(self.laps)
        until = f" up to {at_age(self.bend, ahead)}" if math.isfinite(self.bend) else ""
        interval = f"{sure}: {seconds(self.low, sign='+')} to {seconds(self.high, sign='+')}"
        if round(self.rate, 3) and self.low > 0:
            said = [f"Laps get {self.rate:.3f} s slower with each lap on the tyres{until} ({interval})."]
        elif round(self.rate, 3) and self.high < 0:
            said = [f"Laps get {-self.rate:.3f} s faster with each lap{until} ({interval})."]
        else:
            most = max(math.ceil(1000.0 * max(self.high, -self.low)), 1) / 1000.0
            said = [f"No fall-off seen{until}: less than {most:.3f} s a lap either way ({sure})."]
        if math.isfinite(self.bend):
            how = "steeper" if self.late_rate > self.rate else "flatter"
            said.append(
                f"From about {at_age(self.bend, ahead)}, between tyre ages {self.bend_low:.0f} and {self.bend_high:.0f}, it is {how}: "
                f"{seconds(self.late_rate, sign='+')} s a lap ({seconds(self.late_low, sign='+')} to "
                f"{seconds(self.late_high, sign='+')})."
            )
        if self.warm_up:
            first = "The first lap was" if self.warm_up == 1 else f"The first {self.warm_up} laps were"
            said.append(f"{first} warm-up, {self.warm_up_cost:.2f} s slower in all than the line after.")
        else:
            said.append("No warm-up shows: the first laps lie on the line of the others.")
        steps = "" if math.isnan(self.lap_to_lap) else f", and from one lap to the next by {self.lap_to_lap:.3f} s"
        said.append(f"About that curve the ordinary laps scatter by {self.scatter:.3f} s{steps}.")
        odd = self.laps[(self.laps["weight"] < 0.5) & self.laps["expected"].notna()]
        odd = odd[odd["marks"].str.contains("slow|fast")]
        if len(odd):
            shown = ", ".join(
                f"lap {row['lap']} ({row['residual']:+.2f} s{_marked(str(row['marks']))})"
                for row in json_rows(odd.head(5))
            )
            more = f" and {len(odd) - 5} more" if len(odd) > 5 else ""
            said.append(f"Odd laps, which hardly pull on the curve: {shown}{more}.")
        moving = self.channels[self.channels["settled_after"] != 0]
        values = ("channel", "from_value", "to_value", "settled_after")
        return [*said, *(f"{channel_words(*(row[name] for name in values))}." for row in json_rows(moving.head(3)))]

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and words, for JSON; None stands for what is not known."""
        names = ("rate", "low", "high", "tau", "p", "warm_up", "warm_up_cost", "bend", "bend_low", "bend_high",
                 "late_rate", "late_low", "late_high", "scatter", "lap_to_lap", "confidence")  # fmt: skip
        return {
            **{name: jsonable(getattr(self, name)) for name in names}, "correlation": jsonable(self.fit.correlation),
            "laps": json_rows(self.laps), "channels": json_rows(self.channels), "words": self.words,
            "notes": list(self.notes), "caution": TYRE_CAUTION,
        }  # fmt: skip

    def _shown(self) -> tuple[list[str], list[list[str]]]:
        heads = ["Run", "Lap", "Tyre age", "Lap time (s)", "Curve (s)", "Off it (s)", "Counts", ""]
        return heads, [
            [str(row["run"]), str(row["lap"]), age_words(row["tyre_age"]), seconds(row["lap_time"]), seconds(row["expected"]),
             seconds(row["residual"], sign="+"), f"{100 * row['weight']:.0f} %", row["marks"].replace(",", ", ")]
            for row in json_rows(self.laps)
        ]  # fmt: skip

    def __repr__(self) -> str:
        heads, rows = self._shown()
        notes = [f"Note: {note}" for note in self.notes]
        return "\n".join([in_lines(self.words), text_table(heads, rows, left=[7]), *notes, TYRE_CAUTION])

    def _repr_html_(self) -> str:
        heads, rows = self._shown()
        return in_html(self.words, html_table(heads, rows, left=[7]), [*self.notes], TYRE_CAUTION)


def fall_off(
    table: pd.DataFrame,
    *,
    fuel_effect: float | str | None = None,
    most_warm_up: int = MOST_WARM_UP,
    bend_p: float = BEND_P,
    confidence: float = CONFIDENCE,
) -> FallOff:
    """Read how lap time changes with the age of the tyres.

    Parameters
    ----------
    table : DataFrame
        From `run_table`: one run, or several of one setup, whose curves are then taken to be alike but for their level.
    fuel_effect : float or str, optional
        Seconds a lap that fuel costs: per m3, or in words such as "0.03 s/L" or "0.04 s/kg" (petrol of 750 kg/m3). Lap
        times are then those at the fuel of the lightest lap.
    most_warm_up : int
        Most laps at the start of a run among which warm-up is looked for.
    bend_p : float
        Chance by luck under which a bend is stated.
    confidence : float
        Share of intervals that are to hold the truth, between 0 and 1.

    Returns
    -------
    FallOff

    Raises
    ------
    LapkitError
        If fewer than five laps are left to read it from, or the table or an option is not what it should be.

    Notes
    -----
    The curve is a straight line, or two that meet at the bend, by a fit that odd laps do not pull (`robust_fit`). A bend is
    looked for at every lap; that it stands out from the residuals in random order is allowed for in its chance. Intervals and
    chances allow for neighbouring laps being alike, as far as the laps show it (`fit.correlation`, see
    `lapkit.analysers.statistics.neighbours.allow_for_neighbours`); a note says what was allowed for, and where laps are too few.

    Examples
    --------
    >>> age = np.arange(15)
    >>> times = 30.0 + 0.02 * age + 0.4 * 0.3**age + 0.01 * (-1.0) ** age
    >>> found = fall_off(pd.DataFrame({"run": 1, "lap": age + 1, "tyre_age": age, "lap_time": times}))
    >>> round(found.rate, 3), found.warm_up
    (0.02, 3)
    """
    check_share(confidence)
    laps = run_laps(table, fuel_effect=fuel_effect)
    zero = float(laps.age[laps.usable].mean())
    runs = _run_columns(laps)
    line = np.column_stack([np.ones(len(laps.run)), laps.age - zero, runs])
    most = min(most_warm_up, int(laps.position[laps.usable].max()))
    warm_up = find_warm_up(laps, line, most=most)
    kept = laps.usable & (laps.position >= warm_up)
    if int(kept.sum()) < max(LEAST, line.shape[1] + 2) or np.ptp(laps.age[kept]) < 2:
        raise LapkitError(
            f"{recordings_of(laps.table) or 'table'}: {'no' if not kept.any() else int(kept.sum())} clean "
            f"lap{'' if kept.sum() == 1 else 's'} after {warm_up or 'none'} of warm-up; a fall-off takes at least "
            f"{max(LEAST, line.shape[1] + 2)} at several tyre ages, better ten.{for_want_of_laps(laps)}"
        )
    straight = robust_fit(line[kept], laps.value[kept])
    order = laps.run[kept], laps.position[kept]
    fit = allow_for_neighbours(line[kept], straight, *order)
    wider = fit.covariance[1, 1] / straight.covariance[1, 1] if straight.covariance[1, 1] > 0 else 1.0
    bend = find_bend(line[kept], laps.age[kept], straight, run=order[0], at=order[1])
    if bend is not None and not bend.p < bend_p:  # laps that are odd beside a bent line only may hide it
        hinged = np.column_stack([line, np.maximum(laps.age - bend.at, 0.0)])[kept]
        again = weighted_fit(line[kept], laps.value[kept], robust_fit(hinged, laps.value[kept]).weights)
        bend = find_bend(line[kept], laps.age[kept], again, run=order[0], at=order[1])
    stated: Bend | None = bend if bend is not None and bend.p < bend_p else None
    if stated is not None:
        line = np.insert(line, 2, np.maximum(laps.age - stated.at, 0.0), axis=1)
        fit = with_place(line[kept], laps.age[kept] > stated.at, robust_fit(line[kept], laps.value[kept]), *order)
    pairs = theil_sen(laps.age[kept], laps.value[kept], group=order[0], confidence=confidence, wider=math.sqrt(wider))
    rate, low, high, late = pairs.slope, pairs.low, pairs.high, (math.nan,) * 3
    if stated is not None:
        early_late = np.zeros((2, line.shape[1]))
        early_late[:, 1], early_late[1, 2] = 1.0, 1.0
        both, margin = early_late @ fit.coefficients, fit.margin(early_late, confidence=confidence)
        rate, low, high = (float(v) for v in (both[0], both[0] - margin[0], both[0] + margin[0]))
        late = float(both[1]), float(both[1] - margin[1]), float(both[1] + margin[1])
    expected = line @ fit.coefficients
    residual = laps.value - expected
    weight = np.zeros(len(residual))
    weight[kept] = fit.weights
    steps = np.diff(residual)
    ordinary = kept & (weight >= 0.5)
    next_to = ordinary[1:] & ordinary[:-1] & (np.diff(laps.run) == 0) & (np.diff(laps.position) == 1)
    warm = laps.usable & (laps.position < warm_up)
    return FallOff(
        rate=rate, low=low, high=high, tau=pairs.tau, p=pairs.p, warm_up=warm_up,
        warm_up_cost=float(residual[warm].sum()) / max(len(np.unique(laps.run[warm])), 1) if warm.any() else 0.0,
        bend=stated.at if stated else math.nan, bend_low=stated.low if stated else math.nan,
        bend_high=stated.high if stated else math.nan, late_rate=late[0], late_low=late[1], late_high=late[2],
        scatter=fit.scatter, lap_to_lap=_spread(steps[next_to]),
        laps=lap_rows(laps, expected, weight, warm_up)[LAP_COLUMNS],
        channels=channel_changes(laps.table), confidence=confidence,
        notes=(*alike_words(fit, int((fit.weights > 0).sum())), *_notes(laps, kept, line, fuel_effect)), fit=fit, zero=zero,
    )  # fmt: skip


# ------------------------------------------------------------------------------ parts of the above


def _run_columns(laps: RunLaps) -> FloatArray:
    """A column for each run after the first, so that the constant is the mean of the runs."""
    dummies = (laps.run[:, None] == np.unique(laps.run[laps.usable])).astype(np.float64)
    return dummies[:, 1:] - dummies[:, :1] if dummies.shape[1] > 1 else np.empty((len(laps.run), 0))


def _spread(steps: FloatArray) -> float:
    """Robust standard deviation from lap to lap, from differences of neighbours."""
    return float(np.median(np.abs(steps))) / 0.6745 / math.sqrt(2.0) if len(steps) > 2 else math.nan


def _marked(marks: str) -> str:
    said = [word for word in marks.split(",") if word and word not in ("slow", "fast")]
    return f", {', '.join(said)}" if said else ""


def _notes(laps: RunLaps, kept: np.ndarray, line: FloatArray, fuel_effect: float | str | None) -> list[str]:
    notes = []
    fuel = laps.fuel()
    if fuel_effect is not None:
        notes.append(f"Lap times are those at the fuel of the lightest lap, with {fuel_effect} for fuel.")
    elif fuel is None:
        notes.append(
            "Fuel is not known: laps that get lighter hide some of the tyres' fall-off, which is more than shown."
        )
    elif np.ptp(fuel[kept]) > 0 and not told_apart(fuel, line, kept):
        notes.append(
            "Fuel burns off as steadily as the tyres age, so the two cannot be told apart: the fall-off is that of both. "
            "Give fuel_effect='0.03 s/L', or what it costs here, to take the fuel out."
        )
    else:
        notes.append("Fuel is not taken out; give fuel_effect='0.03 s/L', or what it costs here, to do so.")
    notes += left_out_words(laps)
    if len(np.unique(laps.run[kept])) > 1:
        notes.append("Several runs are read as one curve; each has its own level.")
    return notes
