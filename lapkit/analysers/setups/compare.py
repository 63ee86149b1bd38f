"""Setup A against setup B, honestly: how much faster a lap, where, how sure that is, and how many laps would settle it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.setups.checks import checks
from lapkit.analysers.setups.comparison import SetupComparison
from lapkit.analysers.setups.fit import DIFFERENCE, HOUR, SetupFit, fit_setups
from lapkit.analysers.setups.given import clock_of, enough, together
from lapkit.analysers.setups.places import lap_row, place_rows, place_times
from lapkit.analysers.setups.run_curve import (
    MOST_WARM_UP,
    RunLaps,
    age_words,
    check_share,
    lap_rows,
    left_out_words,
    run_laps,
    told_apart,
    two_names,
)
from lapkit.analysers.statistics.neighbours import alike_words, allow_for_neighbours
from lapkit.analysers.statistics.regression import weighted_fit
from lapkit.analysers.statistics.two_groups import CONFIDENCE
from lapkit.channels import FloatArray
from lapkit.errors import FrameError, LapkitError

if TYPE_CHECKING:
    from lapkit.analysers.setups.given import Runs
    from lapkit.model.session import Session

LAP_COLUMNS = ["setup", "run", "lap", "tyre_age", "clock", "lap_time", "expected", "residual", "weight", "marks"]
RESAMPLES = 1_999
"""Random orders and resamples (chosen: chances to about 0.005)."""


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
        Order in which the runs were made, such as "ABBA": a letter a run, or a letter a recording, whose runs follow one
        another. By default read from the clocks.
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
    all runs together and set aside; odd laps are given less weight; all of them are shown.

    The same fit with the same weights is made of each corner and straight, so that they add up to the lap (see
    `lapkit.analysers.setups.places.place_rows` for what that costs).

    With one run of each, what the day did between them, and what runs differ by on their own, is in the difference: nothing
    in such laps can tell it. Six runs or so tell it themselves, and the interval then rests on whole runs: of eight runs 95 of
    100 hold the truth whatever runs differ by. Four runs (A B B A) have one degree of freedom for it. Used alone, that makes an
    interval that holds the truth too, and is so wide that it sees 0.09 s once in five times where laps alone see it four times in
    five; so there the scatter of laps counts, 83 of 100 intervals hold the truth where runs differ by 0.04 s, and
    `overturned_by` says what run-to-run difference would overturn the answer. With `run_scatter` given it is allowed for.

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
    table, sessions = together(runs_a, runs_b, tyre_age)
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
    places, notes = _places(sessions, laps, found, confidence)
    rows = pd.concat([*places, lap_row(found, confidence)], ignore_index=True)
    shown = lap_rows(laps, expected, weight, found.warm_up)
    shown.insert(0, "setup", pd.Series(np.where(second, names[1], names[0]), dtype=object))
    shown["clock"] = laps.table["clock"]
    # a clock that was made from the order counts the laps, not the time between the runs
    clocked = clock is not None and np.array_equal(clock[laps.usable], laps.table["clock"].to_numpy()[laps.usable])
    plain = weighted_fit(found.design[found.kept], laps.value[found.kept], found.fit.weights).covariance
    widened = found.fit.covariance[DIFFERENCE, DIFFERENCE] / plain[DIFFERENCE, DIFFERENCE] if plain.any() else 1.0
    a_lap = 1.0 if clocked else float(np.median(laps.value[laps.usable])) / HOUR
    drift, drift_margin = (a_lap * value for value in found.effect("drift", confidence))
    fall_off, fall_off_margin = found.effect("tyre_age", confidence)
    own, own_margin = _own_fall_off(found, laps, second, confidence)
    notes += _notes(found, laps, second, names, said, fuel_effect, fuel, clocked)
    return SetupComparison(
        table=rows, laps=shown[LAP_COLUMNS],
        checks=checks(found, laps, second, confidence=confidence, resamples=resamples, seed=seed),
        names=names, tyre_age=found.age, warm_up=found.warm_up, fall_off=fall_off, fall_off_margin=fall_off_margin,
        fall_off_difference=own, fall_off_difference_margin=own_margin,
        bend=found.bend.at if found.bend else math.nan, order=said, drift=drift, drift_margin=drift_margin, drift_per=("hour" if clocked else "lap") if math.isfinite(drift) else "",
        run_scatter=found.spread.run_scatter, run_freedom=found.spread.run_freedom,
        overturned_by=found.overturned_by(confidence), correlation=found.fit.correlation, widened=float(widened),
        scatter=found.fit.scatter, counted=float(np.mean(found.fit.weights)),
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
    if not isinstance(runs, int) or runs < 4 or runs % 4:
        raise LapkitError(f"runs={runs!r}: a steady drift cancels over four runs (A B B A), eight, twelve and so on.")
    return [two_names(names)[k.bit_count() % 2] for k in range(runs)]


# ------------------------------------------------------------------------------ parts of the above


def _places(
    sessions: list[Session], laps: RunLaps, found: SetupFit, confidence: float
) -> tuple[list[pd.DataFrame], list[str]]:
    """The rows of the places, where there are recordings to read them from, and what should be known of them."""
    if not sessions:
        return [], ["Places are not compared: the runs were given as tables, without their recordings."]
    try:
        where = place_times(sessions, laps)
    except FrameError as error:
        return [], [f"Places are not compared. {error}"]
    rows, notes = place_rows(where, laps, found, confidence)
    return [rows] if len(rows) else [], notes


def _own_fall_off(found: SetupFit, laps: RunLaps, second: NDArray[np.bool_], confidence: float) -> tuple[float, float]:
    """How much faster the second falls off than the first, with half its interval."""
    column = (laps.age - found.age) * second
    if "tyre_age" not in found.names or not told_apart(column, found.design, found.kept):
        return math.nan, math.nan
    design = np.column_stack([found.design, column])[found.kept]
    fit = weighted_fit(design, laps.value[found.kept], found.fit.weights)
    fit = allow_for_neighbours(design, fit, laps.run[found.kept], laps.position[found.kept])
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
    clocked: bool,
) -> list[str]:
    """What should be known of the laps and of how they were compared."""
    notes = [f"Differences are {names[1]} less {names[0]}, at tyre age {age_words(found.age)}."]
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
            "is in the difference. Give fuel_effect='0.03 s/L', or what it costs here, to take it out."
        )
    if not order:
        given = laps.table.drop_duplicates("session" if "session" in laps.table else "run")["setup"]
        letters = "".join("AB"[int(side)] for side in given)
        notes.append(f"The clocks do not tell in which order the runs were made; say it, such as order='{letters}'.")
    notes += left_out_words(laps)
    notes += alike_words(found.fit, int((found.fit.weights > 0).sum()))
    if "drift" in found.names and clocked:
        hours = float(np.ptp(found.design[laps.usable, found.names.index("drift")]))
        notes.append(f"A steady drift over the {hours * HOUR / 60:.0f} minutes was fitted and taken out.")
    elif "drift" in found.names:
        notes.append(
            "The recordings have no clock in common, so how long the car stood between the runs is not known: a steady drift over "
            "the laps, as if the runs had followed one another, was fitted and taken out, and no rate per hour can be given."
        )
    return notes
