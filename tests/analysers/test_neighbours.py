"""Neighbouring laps that are alike: what is read from residuals, and that intervals and bends keep their word under it."""

import numpy as np
import pandas as pd
import pytest
from setup_cases import alike_run, runs_alike

from lapkit.analysers.setups.compare import compare_setups
from lapkit.analysers.setups.stint import fall_off
from lapkit.analysers.statistics.neighbours import CORRELATIONS, allow_for_neighbours, neighbours_of
from lapkit.analysers.statistics.regression import least_squares, theil_sen, weighted_fit


def line(count):
    age = np.arange(float(count))
    return np.column_stack([np.ones(count), age - age.mean()])


def noise(rng, count, correlation):
    return runs_alike(rng, count, correlation)


def test_the_chances_are_those_of_the_restricted_likelihood():
    """Against the dense formula (Harville 1977): |R|^-1/2 |X'R^-1 X|^-1/2 (y'Py)^-(n-p)/2, a lap of no weight left out."""
    rng = np.random.default_rng(3)
    design, laps, at = line(14), noise(rng, 14, 0.6), np.arange(14)
    weights = np.where(at == 5, 0.0, 1.0)
    fit = least_squares(design, laps, weights=weights)
    found = neighbours_of(design, fit, np.zeros(14), at, alone=0.1)
    x, y, place = design[weights > 0], laps[weights > 0], at[weights > 0]
    log = []
    for correlation in CORRELATIONS:
        r = np.where(np.equal.outer(place, place), 1.0, correlation ** np.abs(np.subtract.outer(place, place)))
        inverse = np.linalg.inv(r)
        normal = x.T @ inverse @ x
        rest = y - x @ np.linalg.solve(normal, x.T @ inverse @ y)
        log.append(-0.5 * (np.log(np.linalg.det(r) * np.linalg.det(normal)) + 11 * np.log(rest @ inverse @ rest)))
    wanted = np.exp(np.array(log) - max(log))
    assert found.chances == pytest.approx(
        wanted / wanted.sum(), rel=1e-6
    )  # ten correlations, one in ten each beforehand


def test_laps_of_different_runs_are_not_neighbours():
    rng = np.random.default_rng(1)
    level = np.repeat(rng.normal(0, 1.0, 8), 5)  # runs differ, laps within them do not hang together
    laps, run, at = level + rng.normal(0, 0.05, 40), np.repeat(np.arange(8), 5), np.tile(np.arange(5), 8)
    design = line(40)
    assert neighbours_of(design, least_squares(design, laps), run, at).mean < 0.25
    few = neighbours_of(line(4), least_squares(line(4), [0.0, 1.0, 0.0, 2.0]), np.zeros(4), np.arange(4))
    assert few.mean == 0.0


def test_the_coefficients_stay_and_what_is_known_exactly_stays_so():
    rng = np.random.default_rng(2)
    design, laps = line(20), noise(rng, 20, 0.6)
    fit = weighted_fit(design, laps, np.ones(20))
    wider = allow_for_neighbours(design, fit, np.zeros(20), np.arange(20))
    assert wider.coefficients.tolist() == fit.coefficients.tolist() and wider.freedom == fit.freedom
    exact = least_squares(design, design @ [30.0, 0.5])
    assert np.isfinite(allow_for_neighbours(design, exact, np.zeros(20), np.arange(20)).covariance).all()


@pytest.mark.parametrize(("laps", "correlation", "least"), [
    (12, 0.0, 0.94), (12, 0.5, 0.88), (20, 0.0, 0.94), (20, 0.5, 0.91), (40, 0.0, 0.94), (40, 0.5, 0.92), (40, 0.7, 0.92),
])  # fmt: skip
def test_intervals_of_a_slope_hold_where_neighbours_are_alike(laps, correlation, least):
    rng, design, held, before = np.random.default_rng(7), line(laps), 0, 0
    for _ in range(500):
        fit = weighted_fit(design, noise(rng, laps, correlation), np.ones(laps))
        wider = allow_for_neighbours(design, fit, np.zeros(laps), np.arange(laps))
        held += abs(fit.coefficients[1]) <= wider.margin([0, 1])[0]
        before += abs(fit.coefficients[1]) <= fit.margin([0, 1])[0]
    assert least <= held / 500 <= (0.985 if laps >= 20 else 0.995)
    assert correlation < 0.5 or before / 500 < 0.87  # without it they do not


def test_a_run_of_laps_that_are_alike_keeps_its_word():
    """25 laps, neighbours correlated by 0.5: taken for independent they held in 67 of 100, with a bend in 12 that was none."""
    rng, held, bends = np.random.default_rng(5), 0, 0
    for _ in range(150):
        found = fall_off(alike_run(rng, 25, 0.5))
        held += found.low <= 0.01 <= found.high
        bends += bool(np.isfinite(found.bend))
    assert held / 150 >= 0.88
    assert bends / 150 <= 0.05


def test_two_setups_alike_in_their_neighbours_are_not_told_apart_too_often():
    rng, held = np.random.default_rng(6), 0
    for _ in range(150):
        runs = alike_run(rng, 20, 0.5), alike_run(rng, 20, 0.5).assign(run=2)
        found = compare_setups(*runs, resamples=0)
        held += abs(found.difference) <= found.margin
    assert held / 150 >= 0.91


def test_it_is_said_what_was_allowed_for_and_where_laps_cannot_tell():
    alike = fall_off(alike_run(np.random.default_rng(4), 60, 0.7))
    assert "Neighbouring laps are alike (correlation about 0." in alike.notes[0]
    assert alike.to_dict()["correlation"] == alike.fit.correlation >= 0.3
    few = fall_off(alike_run(np.random.default_rng(3), 12, 0.0))
    assert (
        few.notes[0].endswith("30 laps would show it.")
        and "laps cannot tell whether neighbouring laps are alike" in few.notes[0]
    )
    many = fall_off(alike_run(np.random.default_rng(3), 60, 0.0))
    assert not any("alike" in note for note in many.notes)
    runs = alike_run(np.random.default_rng(4), 40, 0.7), alike_run(np.random.default_rng(9), 40, 0.7).assign(run=2)
    both = compare_setups(*runs, resamples=199)
    assert both.correlation > 0.3 and both.widened > 1.5
    assert any("as if neighbouring laps were not alike" in line for line in both.words)


def test_a_wider_slope_by_pairs_keeps_its_middle():
    age = np.arange(20.0)
    laps = 0.02 * age + noise(np.random.default_rng(1), 20, 0.0) * 0.2
    one, wide = theil_sen(age, laps), theil_sen(age, laps, wider=2.0)
    assert wide.slope == one.slope and wide.p > one.p
    assert (wide.high - wide.low) == pytest.approx(2 * (one.high - one.low))


def test_a_drift_without_a_common_clock_is_not_told_per_hour():
    rng = np.random.default_rng(8)
    runs = [alike_run(rng, 12, 0.0).assign(run=k + 1) for k in range(4)]
    for k, table in enumerate(runs):
        table["lap_time"] += 0.003 * (12 * k + np.arange(12)) - 0.01 * table["tyre_age"]
    sides = [pd.concat([runs[i] for i in side], ignore_index=True) for side in ((0, 3), (1, 2))]
    found = compare_setups(*sides, order="ABBA", resamples=0)
    order = next(line for line in found.words if line.startswith("Order"))
    assert found.drift_per == "lap" and abs(found.drift - 0.003) < found.drift_margin
    assert "from one lap to the next" in order and "per hour (" not in order and "no rate per hour" in order
    assert any("no clock in common" in note for note in found.notes)
    for k, table in enumerate(runs):
        table["clock"] = 2000.0 * k + 28.0 * np.arange(12)
    sides = [pd.concat([runs[i] for i in side], ignore_index=True) for side in ((0, 3), (1, 2))]
    clocked = compare_setups(*sides, resamples=0)
    assert clocked.drift_per == "hour" and "s a lap per hour" in " ".join(clocked.words)
