"""Setup A against setup B, honestly: how much faster a lap and a corner, how sure that is, and how many laps would settle it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.setups.effects import CAUTION
from lapkit.analysers.setups.fit import DIFFERENCE, HOUR, RUN_P_FEW, SetupFit, checks, fit_setups
from lapkit.analysers.setups.given import clock_of, enough, together
from lapkit.analysers.setups.run_curve import (
    MOST_WARM_UP,
    RunLaps,
    check_share,
    in_html,
    lap_rows,
    run_laps,
    seconds,
    told_apart,
    two_names,
)
from lapkit.analysers.setups.runs import corner_times
from lapkit.analysers.statistics.regression import WIDER, quantile, robust_fit
from lapkit.analysers.statistics.two_groups import CONFIDENCE, POWER, holm, sample_size
from lapkit.channels import FloatArray
from lapkit.errors import FrameError, LapkitError
from lapkit.model.show import html_table, json_rows, jsonable, plain, text_table

if TYPE_CHECKING:
    from lapkit.analysers.setups.given import Runs
    from lapkit.model.session import Session

LAP = "lap"
PLACE_COLUMNS = ["corner", "a", "b", "difference", "difference_uncertainty", "margin", "p", "significant"]
LAP_COLUMNS = ["setup", "run", "lap", "tyre_age", "clock", "lap_time", "expected", "residual", "weight", "marks"]
RESAMPLES = 1_999
"""Random orders and resamples (chosen: chances to about 0.005)."""
DRIFT_LAPS = 2.0
"""Laps that a drift of position lasts, for corners of different recordings (chosen, as for two lines)."""


@dataclass(frozen=True)
class SetupComparison:
    """Two setups compared. Differences are the second less the first: positive times are the second slower.

    Attributes
    ----------
    table : DataFrame
        One row a corner, and the lap last (corner "lap"): corner, a, b (s, at `tyre_age`, without drift), difference,
        difference_uncertainty (standard), margin (half the interval), p, significant (the lap: the interval does not hold
        zero; corners: that, and corrected for their number by Holm's steps).
    laps : DataFrame
        Every lap: setup, run, lap, tyre_age, clock (s), lap_time (s, fuel taken out where its effect is given), expected (the
        common curve), residual, weight (how much it counts), marks ("warm-up", "slow", "fast", flags and oddities).
    checks : DataFrame
        The same question answered in other ways, see `lapkit.analysers.setups.fit.checks`.
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
        Seconds a lap and hour that were fitted and taken out; NaN where drift could not be told apart.
    run_scatter : float
        How much runs differ beyond the scatter of their laps, s: 0 where that does not show, NaN where it cannot be seen.
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
    run_scatter: float
    scatter: float
    counted: float
    runs: tuple[int, int]
    done: tuple[int, int]
    confidence: float
    notes: tuple[str, ...]

    def row(self, corner: str = LAP) -> dict[str, Any]:
        """Return one row of the table."""
        rows = self.table[self.table["corner"] == corner]
        if rows.empty:
            raise LapkitError(f"there is no corner {corner!r}; known are {', '.join(map(str, self.table['corner']))}.")
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
            For both setups driven at like tyre age. Runs that differ by themselves (`run_scatter`) take more runs, not laps.
        """
        if not self.scatter > 0:
            return math.nan
        from scipy.special import ndtr, ndtri

        if not math.isnan(self.run_scatter):  # one time in twenty runs are held to differ that do not, and hide it
            power = min(power / (1.0 - RUN_P_FEW), 0.999)
        wide = (
            2.0 * float(ndtr(WIDER * ndtri(0.5 + 0.5 * self.confidence))) - 1.0
        )  # the margin is widened, the laps are not
        ordinary = sample_size(difference / self.scatter * WIDER, power=power, confidence=wide)
        whole = ordinary / self.counted + self.warm_up * max(self.runs)
        return float(math.ceil(whole)) if math.isfinite(whole) else math.inf

    @property
    def verdict(self) -> str:
        """The answer in plain sentences."""
        from lapkit.analysers.setups.words import verdict

        return " ".join(verdict(self))

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and words, for JSON; None stands for what is not known."""
        single = ("difference", "margin", "significant", "tyre_age", "warm_up", "fall_off", "fall_off_margin",
                  "fall_off_difference", "fall_off_difference_margin", "bend", "order", "drift", "drift_margin",
                  "run_scatter", "scatter", "confidence")  # fmt: skip
        return {
            "names": list(self.names), **{name: jsonable(getattr(self, name)) for name in single},
            "laps_needed": jsonable(self.needed), "laps_done": list(self.done), "table": json_rows(self.table),
            "checks": json_rows(self.checks), "laps": json_rows(self.laps), "verdict": self.verdict,
            "notes": list(self.notes), "caution": CAUTION,
        }  # fmt: skip

    def _shown(self) -> tuple[list[str], list[list[str]]]:
        heads = ["", *self.names, "difference (s)", f"± {100 * self.confidence:.4g} %", ""]
        rows = [
            ["lap" if row["corner"] == LAP else f"corner {row['corner']}", *(seconds(row[side]) for side in "ab"),
             seconds(row["difference"], sign="+"), seconds(row["margin"]), "more than luck" if row["significant"] else ""]
            for row in json_rows(self.table)
        ]  # fmt: skip
        return heads, rows

    def __repr__(self) -> str:
        heads, rows = self._shown()
        notes = [f"Note: {note}" for note in self.notes]
        return "\n".join([plain(self.verdict), text_table(heads, rows, left=[0, 5]), *notes, CAUTION])

    def _repr_html_(self) -> str:
        heads, rows = self._shown()
        marked = self.laps[self.laps["marks"] != ""]
        odd = html_table(
            ["Setup", "Run", "Lap", "Lap time (s)", "Off the curve (s)", "Counts", ""],
            [[str(row["setup"]), str(row["run"]), str(row["lap"]), seconds(row["lap_time"]), seconds(row["residual"], sign="+"),
              f"{100 * row['weight']:.0f} %", row["marks"].replace(",", ", ")] for row in json_rows(marked)],
            left=[0, 6],
        ) if len(marked) else ""  # fmt: skip
        return in_html(self.verdict, html_table(heads, rows, left=[0, 5]) + odd, [*self.notes], CAUTION)


def compare_setups(
    runs_a: Runs,
    runs_b: Runs,
    *,
    names: tuple[str, str] = ("A", "B"),
    tyre_age: tuple[int | Sequence[int], int | Sequence[int]] = (0, 0),
    order: str | None = None,
    fuel_effect: float | str | None = None,
    run_scatter: float | None = None,
    most_warm_up: int = MOST_WARM_UP,
    confidence: float = CONFIDENCE,
    resamples: int = RESAMPLES,
    seed: int = 0,
) -> SetupComparison:
    """Compare two setups by the runs made with them.

    Parameters
    ----------
    runs_a, runs_b : Session, sequence of Session, or DataFrame
        Recordings of each setup, or tables as `run_table` gives them (run, lap, tyre_age, lap_time at least).
    names : (str, str)
        What the setups are called.
    tyre_age : pair
        Laps already done on the tyres when each recording of a, and of b, begins: a number each, or one for each recording.
        Not used for tables, which say it themselves.
    order : str, optional
        Order in which the runs were made, such as "ABBA"; by default read from the clocks.
    fuel_effect : float or str, optional
        Seconds a lap that fuel costs: per m3, or in words such as "0.03 s/L" or "0.04 s/kg". Takes a `fuel` channel.
    run_scatter : float, optional
        Standard deviation from run to run that is known from other days, s; added to the interval.
    most_warm_up : int
        Most laps at the start of a run among which warm-up is looked for.
    confidence : float
        Share of intervals that are to hold the truth, between 0 and 1.
    resamples : int
        Random orders and resamples of the checks; 0 for none.
    seed : int

    Returns
    -------
    SetupComparison
        ``compare_setups(b, a)`` has the same numbers with the sign of every difference turned.

    Raises
    ------
    LapkitError
        If a side has fewer than three clean laps, or an argument is not what it should be.

    Notes
    -----
    One curve is fitted to the laps of both: a common fall-off with tyre age (with a bend where the laps show one), the
    difference, and, with three runs or more whose times are known, a steady drift over the day. Warm-up laps are found for
    all runs together and set aside; odd laps are given less weight; all of them are shown. With one run of each, what the
    day did between them, and what runs differ by on their own, is in the difference: nothing in such laps can tell it. Four runs
    show that only where it is large: where runs differ by 0.04 s on their own and laps scatter by 0.04 to 0.12 s, 84 of 100
    intervals of A B B A hold the truth, of eight runs 93; with `run_scatter` given 95 and more do.

    Examples
    --------
    >>> rng = np.random.default_rng(4)
    >>> def run(number, base):
    ...     age = np.arange(15)
    ...     times = base + 0.02 * age + rng.normal(0, 0.05, 15)
    ...     return pd.DataFrame({"run": number, "lap": age + 1, "tyre_age": age, "lap_time": times})
    >>> found = compare_setups(run(1, 30.2), run(2, 30.0), resamples=0)
    >>> round(found.difference, 1), found.significant, found.order
    (-0.2, True, '')
    """
    check_share(confidence)
    names = two_names(names)
    table, where = together(runs_a, runs_b, tyre_age)
    laps = run_laps(table, fuel_effect=fuel_effect, name="runs")
    second = laps.table["setup"].to_numpy(bool)
    enough(laps, second, names)
    clock, said = clock_of(laps, second, order)
    fuel = laps.fuel() if fuel_effect is None else None
    fuel = fuel if fuel is not None and np.ptp(fuel[laps.usable]) > 0 else None
    found = fit_setups(laps, second, clock, most_warm_up=most_warm_up, fuel=fuel, run_scatter=run_scatter)
    expected = found.design @ found.fit.coefficients
    weight = np.zeros(len(second))
    weight[found.kept] = found.fit.weights
    notes: list[str] = []
    corners = _corners(where, laps, found, confidence, notes)
    rows = pd.concat([*([corners] if len(corners) else []), _lap_row(found, confidence)], ignore_index=True)
    shown = lap_rows(laps, expected, weight, found.warm_up)
    shown.insert(0, "setup", pd.Series(np.where(second, names[1], names[0]), dtype=object))
    shown["clock"] = laps.table["clock"] if clock is None else clock
    drift, drift_margin = found.effect("drift", confidence)
    fall_off, fall_off_margin = found.effect("tyre_age", confidence)
    own, own_margin = _own_fall_off(found, laps, second, confidence)
    notes += _notes(found, laps, second, names, said, fuel_effect, fuel)
    return SetupComparison(
        table=rows, laps=shown[LAP_COLUMNS],
        checks=checks(found, laps, second, confidence=confidence, resamples=resamples, seed=seed),
        names=names, tyre_age=found.age, warm_up=found.warm_up, fall_off=fall_off, fall_off_margin=fall_off_margin,
        fall_off_difference=own, fall_off_difference_margin=own_margin,
        bend=found.bend.at if found.bend else math.nan, order=said, drift=drift, drift_margin=drift_margin,
        run_scatter=found.run_scatter, scatter=found.fit.scatter, counted=float(np.mean(found.fit.weights)),
        runs=(len(np.unique(laps.run[~second])), len(np.unique(laps.run[second]))),
        done=(int((found.kept & ~second).sum()), int((found.kept & second).sum())),
        confidence=confidence, notes=tuple(notes),
    )  # fmt: skip


def best_order(runs: int = 4, *, names: tuple[str, str] = ("A", "B")) -> list[str]:
    """Return an order of runs in which a steady drift over the day weighs on both setups alike.

    Parameters
    ----------
    runs : int
        Runs in all, a multiple of four: with eight and more a drift that slows down cancels too.
    names : (str, str)
        What the setups are called.

    Returns
    -------
    list of str

    Raises
    ------
    LapkitError
        If `runs` is no multiple of four.

    Examples
    --------
    >>> "".join(best_order()), "".join(best_order(8))
    ('ABBA', 'ABBABAAB')
    """
    if runs < 4 or runs % 4:
        raise LapkitError(f"runs={runs!r}: a steady drift cancels over four runs (A B B A), eight, twelve and so on.")
    return [two_names(names)[k.bit_count() % 2] for k in range(runs)]


# ------------------------------------------------------------------------------ tables


def _lap_row(found: SetupFit, confidence: float) -> pd.DataFrame:
    margin = found.margin(confidence)
    base = float(found.fit.coefficients[0])
    row = [LAP, base, base + found.difference, found.difference, found.sigma, margin, found.p,
           bool(abs(found.difference) > margin)]  # fmt: skip
    return pd.DataFrame([row], columns=PLACE_COLUMNS)


def _corners(
    sessions: list[Session], laps: RunLaps, found: SetupFit, confidence: float, notes: list[str]
) -> pd.DataFrame:
    """The difference in each corner, by the lap's columns on the corner's times."""
    if not sessions:
        notes.append("Corners are not compared: the runs were given as tables, without their recordings.")
        return pd.DataFrame(columns=PLACE_COLUMNS)
    try:
        times = corner_times(sessions)
    except FrameError as error:
        notes.append(f"Corners are not compared. {error}")
        return pd.DataFrame(columns=PLACE_COLUMNS)
    second, rows = found.design[:, DIFFERENCE] > 0, []
    keys = pd.MultiIndex.from_frame(laps.table[["run", "lap"]])
    for corner in dict.fromkeys(times["corner"]):
        own = times[times["corner"] == corner].set_index(["run", "lap"])
        value = own["corner_time"].reindex(keys).to_numpy(np.float64)
        place_error = own["corner_time_uncertainty"].reindex(keys).to_numpy(np.float64)
        kept = found.kept & np.isfinite(value)
        if min(int((kept & second).sum()), int((kept & ~second).sum())) < 3:
            continue
        fit = robust_fit(found.design[kept], value[kept])
        drifting = [np.nanmean(place_error[kept & s] ** 2) / (kept & s).sum() for s in (second, ~second)]
        ratio = found.sigma**2 / max(float(found.fit.covariance[DIFFERENCE, DIFFERENCE]), 1e-18)  # what runs differ by
        sigma = math.sqrt(
            float(fit.covariance[DIFFERENCE, DIFFERENCE]) * ratio + DRIFT_LAPS * float(np.nansum(drifting))
        )
        freedom = min(fit.freedom, found.freedom)
        difference, margin = float(fit.coefficients[DIFFERENCE]), quantile(freedom, confidence) * sigma
        base = float(fit.coefficients[0])
        rows.append(
            [corner, base, base + difference, difference, sigma, margin, _tail(difference, sigma, freedom), False]
        )
    table = pd.DataFrame(rows, columns=PLACE_COLUMNS)
    if len(table):
        corrected = holm(table["p"])
        table["significant"] = (corrected < 1.0 - confidence) & (table["difference"].abs() > table["margin"])
    return table


def _tail(difference: float, sigma: float, freedom: float) -> float:
    from scipy.special import stdtr

    return 2.0 * float(stdtr(freedom, -abs(difference) / sigma)) if sigma > 0 and freedom > 0 else math.nan


def _own_fall_off(found: SetupFit, laps: RunLaps, second: NDArray[np.bool_], confidence: float) -> tuple[float, float]:
    """How much faster the second falls off than the first, with half its interval."""
    column = (laps.age - found.age) * second
    if "tyre_age" not in found.names or not told_apart(column, found.design, found.kept):
        return math.nan, math.nan
    design = np.column_stack([found.design, column])[found.kept]
    fit = robust_fit(design, laps.value[found.kept])
    row = np.eye(design.shape[1])[-1]
    return float(fit.coefficients[-1]), float(fit.margin(row, confidence=confidence)[0])


def _notes(
    found: SetupFit,
    laps: RunLaps,
    second: NDArray[np.bool_],
    names: tuple[str, str],
    order: str,
    fuel_effect: float | str | None,
    fuel: FloatArray | None,
) -> list[str]:
    """What should be known of the laps and of how they were compared."""
    notes = [f"Differences are {names[1]} less {names[0]}, at tyre age {found.age:.0f}."]
    ages = [laps.age[found.kept & side] for side in (~second, second)]
    if max(a.min() for a in ages) > min(a.max() for a in ages):
        notes.append(
            f"{names[0]} was driven at tyre ages {ages[0].min():.0f} to {ages[0].max():.0f}, {names[1]} at "
            f"{ages[1].min():.0f} to {ages[1].max():.0f}: no age in common, so the difference rests on the fall-off going "
            "on as it does."
        )
    if fuel_effect is not None:
        notes.append(f"Lap times are those at the fuel of the lightest lap, with {fuel_effect} for fuel.")
    elif "fuel" in found.names:
        effect, margin = found.effect("fuel", 0.95)
        notes.append(f"Fuel was fitted from these laps: {effect / 1000:+.4f} s a litre (±{margin / 1000:.4f}).")
    elif fuel is None and not np.isfinite(laps.table["fuel"].to_numpy(np.float64)[laps.usable]).all():
        notes.append("Fuel is not known: if one setup ran heavier at like tyre age, that is in the difference.")
    elif fuel is not None:
        notes.append(
            "Fuel cannot be told apart from tyre age and setup in these laps: if one setup ran heavier at like tyre age, that "
            "is in the difference. Give fuel_effect, such as '0.03 s/L', to take it out."
        )
    if not order:
        notes.append("The clocks do not tell in which order the runs were made; give order, such as order='ABBA'.")
    left_out = int((~laps.usable).sum())
    if left_out:
        notes.append(f"{left_out} lap(s) with a flag or without a time are shown and not counted.")
    if "drift" in found.names:
        hours = float(np.ptp(found.design[laps.usable, found.names.index("drift")]))
        notes.append(f"A steady drift over the {hours * HOUR / 60:.0f} minutes was fitted and taken out.")
    return notes
