"""What comparing two setups found: numbers, a verdict, and how it is shown."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.setups.effects import CAUTION
from lapkit.analysers.setups.fit import FEW, RUN_P
from lapkit.analysers.setups.places import LAP
from lapkit.analysers.setups.run_curve import in_html, in_lines, seconds
from lapkit.analysers.statistics.regression import WIDER
from lapkit.analysers.statistics.two_groups import POWER, sample_size
from lapkit.errors import LapkitError
from lapkit.model.show import html_table, json_rows, jsonable, text_table

USUAL_RUN_SCATTER = 0.0015
"""Share of the lap time by which runs alike in all that is known differ by themselves, one standard deviation: 0.04 s of 27 s
(chosen, no source). An answer that less than this would overturn is not called real."""


@dataclass(frozen=True)
class SetupComparison:
    """Two setups compared. Differences are the second less the first: positive times are the second slower.

    Attributes
    ----------
    table : DataFrame
        One row a corner and straight in driving order, and the lap last (segment "lap"): segment, a, b (s, at `tyre_age`,
        without drift), difference, difference_uncertainty (standard), margin (half the interval), p, significant (the lap: the
        interval does not hold zero; places: that, and corrected for their number by Holm's steps). The places add up to the
        lap, but for laps with a hole where a place begins (a note says so).
    laps : DataFrame
        Every lap: setup, run, lap, tyre_age, clock (s), lap_time (s, fuel taken out where its effect is given), expected (the
        common curve), residual, weight (how much it counts), marks ("warm-up", "slow", "fast", flags and oddities).
    checks : DataFrame
        The same question answered in other ways, see `lapkit.analysers.setups.checks.checks`.
    names : (str, str)
    tyre_age : float
        Tyre age at which a and b are given.
    warm_up : int
        Laps at the start of each run that are set aside.
    fall_off, fall_off_margin : float
        Seconds a lap with tyre age, common to both (before the bend), and half its interval.
    fall_off_difference, fall_off_difference_margin : float
        Fall-off of the second less that of the first.
    bend : float
        Tyre age of a bend of the common curve, NaN where none shows.
    order : str
        Runs in the order driven, such as "ABBA"; "" where the clocks do not tell.
    drift, drift_margin : float
        Change of the lap time over the day that was fitted and taken out, s a lap per `drift_per`, and half its interval; NaN
        where drift could not be told apart.
    drift_per : str
        "hour"; "lap" (driven, in the order of the runs) where the recordings have no clock in common; "" without a drift.
    run_scatter : float
        How much runs differ beyond the scatter of their laps, s: 0 where that does not show, NaN where it cannot be seen.
    run_freedom : int
        Degrees of freedom between runs.
    overturned_by : float
        With few runs: run-to-run standard deviation beyond which the difference would not be more than luck, s. 0 where it is
        not anyhow; NaN where the interval holds what runs differ by.
    correlation : float
        Correlation of neighbouring laps that the intervals allow for: 0 where laps have nothing to do with each other.
    widened : float
        Variance of the difference, runs apart, over that of as many laps that have nothing to do with each other.
    scatter : float
        Standard deviation of ordinary laps about the curve, s.
    counted : float
        Mean weight of the laps.
    runs : (int, int)
        Runs with each setup.
    done : (int, int)
        Laps with each setup that were used, warm-up apart.
    confidence : float
    notes : tuple of str
    """

    table: pd.DataFrame
    laps: pd.DataFrame
    checks: pd.DataFrame
    names: tuple[str, str]
    tyre_age: float
    warm_up: int
    fall_off: float
    fall_off_margin: float
    fall_off_difference: float
    fall_off_difference_margin: float
    bend: float
    order: str
    drift: float
    drift_margin: float
    drift_per: str
    run_scatter: float
    run_freedom: int
    overturned_by: float
    correlation: float
    widened: float
    scatter: float
    counted: float
    runs: tuple[int, int]
    done: tuple[int, int]
    confidence: float
    notes: tuple[str, ...]

    def row(self, segment: str = LAP) -> dict[str, Any]:
        """Return one row of the table."""
        rows = self.table[self.table["segment"] == segment]
        if rows.empty:
            raise LapkitError(f"there is no {segment!r}; known are {', '.join(map(str, self.table['segment']))}.")
        return {str(k): v for k, v in rows.iloc[0].items()}

    @property
    def difference(self) -> float:
        """Second less first, s a lap."""
        return float(self.row()["difference"])

    @property
    def margin(self) -> float:
        """Half the interval of the difference, s."""
        return float(self.row()["margin"])

    @property
    def significant(self) -> bool:
        """Whether the difference is more than luck."""
        return bool(self.row()["significant"])

    @property
    def needed(self) -> float:
        """Laps with each setup that would settle a difference as large as this one."""
        return self.laps_needed(self.difference)

    def laps_needed(self, difference: float, *, power: float = POWER) -> float:
        """Return how many laps with each setup would settle a difference, warm-up laps of as many runs included.

        Parameters
        ----------
        difference : float
            Seconds a lap.
        power : float
            Chance of seeing it, if it is there.

        Returns
        -------
        float
            For both setups driven at like tyre age. Infinite where runs differ so much (`run_scatter`) that only more of them
            would show it.
        """
        if not self.scatter > 0:
            return math.nan
        if self.run_freedom >= FEW:  # what is left when runs are taken off sets how many laps each of them needs
            from scipy.special import nctdtrinc, stdtrit

            limit = float(stdtrit(self.run_freedom, 0.5 + 0.5 * self.confidence))
            ratio = difference / float(nctdtrinc(self.run_freedom, 1.0 - power, limit))
            left = ratio**2 - self.run_scatter**2 * sum(1.0 / runs for runs in self.runs)
            ordinary = 2.0 * self.scatter**2 / WIDER / left if left > 0 else math.inf  # whole runs are widened less
        else:
            from scipy.special import ndtr, ndtri

            if self.run_freedom:  # one time in twenty runs are held to differ that do not, and hide it
                power = min(power / (1.0 - RUN_P), 0.999)
            # the margin is widened, the laps are not
            wide = 2.0 * float(ndtr(WIDER * ndtri(0.5 + 0.5 * self.confidence))) - 1.0
            ordinary = sample_size(difference / self.scatter * WIDER, power=power, confidence=wide)
        whole = self.widened * ordinary / self.counted + self.warm_up * max(self.runs)
        return float(math.ceil(whole)) if math.isfinite(whole) else math.inf

    @property
    def settled(self) -> bool:
        """Whether the difference is more than luck, and would stay so if runs differed by as much as is usual."""
        usual = USUAL_RUN_SCATTER * float(np.mean([self.row()["a"], self.row()["b"]]))
        return self.significant and not self.overturned_by <= usual

    @property
    def words(self) -> list[str]:
        """The answer in one sentence, then what it rests on, a short line each."""
        from lapkit.analysers.setups.words import said_of

        return said_of(self)

    @property
    def verdict(self) -> str:
        """The answer in one sentence."""
        return self.words[0]

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and words, for JSON; None stands for what is not known."""
        single = ("difference", "margin", "significant", "tyre_age", "warm_up", "fall_off", "fall_off_margin",
                  "fall_off_difference", "fall_off_difference_margin", "bend", "order", "drift", "drift_margin", "drift_per",
                  "run_scatter", "run_freedom", "overturned_by", "correlation", "scatter", "confidence")  # fmt: skip
        return {
            "names": list(self.names), **{name: jsonable(getattr(self, name)) for name in single},
            "laps_needed": jsonable(self.needed), "laps_done": list(self.done), "table": json_rows(self.table),
            "checks": json_rows(self.checks), "laps": json_rows(self.laps), "settled": self.settled,
            "verdict": self.verdict, "words": self.words,
            "notes": list(self.notes), "caution": CAUTION,
        }  # fmt: skip

    def _shown(self) -> tuple[list[str], list[list[str]]]:
        heads = ["", *self.names, "difference (s)", f"± {100 * self.confidence:.4g} %", ""]
        rows = [
            [row["segment"], *(seconds(row[side]) for side in "ab"),
             seconds(row["difference"], sign="+"), seconds(row["margin"]), "more than luck" if row["significant"] else ""]
            for row in json_rows(self.table)
        ]  # fmt: skip
        return heads, rows

    def __repr__(self) -> str:
        heads, rows = self._shown()
        notes = [f"Note: {note}" for note in self.notes]
        return "\n".join([in_lines(self.words), text_table(heads, rows, left=[0, 5]), *notes, CAUTION])

    def _repr_html_(self) -> str:
        heads, rows = self._shown()
        marked = self.laps[self.laps["marks"] != ""]
        odd = html_table(
            ["Setup", "Run", "Lap", "Lap time (s)", "Off the curve (s)", "Counts", ""],
            [[str(row["setup"]), str(row["run"]), str(row["lap"]), seconds(row["lap_time"]), seconds(row["residual"], sign="+"),
              f"{100 * row['weight']:.0f} %", row["marks"].replace(",", ", ")] for row in json_rows(marked)],
            left=[0, 6],
        ) if len(marked) else ""  # fmt: skip
        return in_html(self.words, html_table(heads, rows, left=[0, 5]) + odd, [*self.notes], CAUTION)
