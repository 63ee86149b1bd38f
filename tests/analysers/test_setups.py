"""Setup against setup: what is promised, by simulation; what is said; and recordings from end to end."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from setup_cases import FUEL_EFFECT, MIXTURE, one, simulate_runs
from support import session_of

from lapkit import LapkitError
from lapkit.analysers.setups.compare import best_order, compare_setups
from lapkit.analysers.setups.effects import CAUTION
from lapkit.simulate import stint
from lapkit.simulate.demo import OVAL_CAR

QUIET = {"scatter": 0.06, "fall_off": 0.02, "odd": 0.0, "warm_up": 0}


def runs(order="AB", sizes=(15, 15), ages=(0, 0), seed=1, **options):
    return simulate_runs(np.random.default_rng(seed), order, sizes, ages, **{"difference": 0.0, **QUIET, **options})


# ------------------------------------------------------------------------------ what is promised


def test_intervals_hold_the_truth_and_false_alarms_are_few():
    """1,000 comparisons: A then B with runs alike, of other lengths, on tyres of another age, and A B B A with drift."""
    rng, held, false, seen = np.random.default_rng(2025), 0, 0, 0
    for k in range(1000):
        difference = 0.0 if k % 8 < 4 else rng.uniform(0.03, 0.15)
        found = one(rng, MIXTURE[k % 4], difference)
        held += abs(found.difference - difference) <= found.margin
        false += found.significant and not difference
        seen += found.significant and difference > 0
    assert 0.93 <= held / 1000 <= 0.97
    assert false / 500 < 0.05
    assert seen / 500 > 0.5


@pytest.mark.parametrize(("order", "difference"), [("AB", 0.07), ("ABBA", 0.06)])
def test_the_stated_laps_see_the_difference_four_times_in_five(order, difference):
    """Power 80 % within 5 points: the laps are stated from a long pilot, and driven 300 times."""
    rng = np.random.default_rng(8)
    setting = {"scatter": 0.08, "fall_off": 0.02, "odd": 0.05, "warm_up": 2}
    each = len(order) // 2
    pilot = [
        compare_setups(
            *simulate_runs(rng, order, [80 // each] * len(order), [0] * len(order), difference=0.0, **setting),
            resamples=0,
        )
        for _ in range(3)
    ]
    stated = np.median([found.laps_needed(difference) for found in pilot])
    seen, sizes = 0, [round(stated / each)] * len(order)
    for _ in range(300):
        found = compare_setups(
            *simulate_runs(rng, order, sizes, [0] * len(order), difference=difference, **setting), resamples=0
        )
        seen += found.significant
    assert 0.75 <= seen / 300 <= 0.85


def test_a_run_offset_that_is_known_is_allowed_for():
    rng, held = np.random.default_rng(3), 0
    for _ in range(100):
        tables = simulate_runs(rng, "ABBA", [10] * 4, [0] * 4, difference=0.05, run_scatter=0.05, **QUIET)
        found = compare_setups(*tables, resamples=0, run_scatter=0.05)
        held += abs(found.difference - 0.05) <= found.margin
    assert held / 100 >= 0.91
    assert found.run_scatter == 0.05


def test_runs_that_differ_are_seen_where_there_are_many():
    found = compare_setups(*runs("ABBABAAB", [10] * 8, [0] * 8, run_scatter=0.2), resamples=499)
    assert 0.05 < found.run_scatter < 0.5
    assert found.margin > 0.1
    assert "Runs differ by" in found.verdict
    assert found.checks["method"].tolist()[-1] == "whole runs"
    plain = compare_setups(*runs("ABBABAAB", [10] * 8, [0] * 8), resamples=0)
    assert plain.run_scatter == 0
    assert plain.margin < 0.06


# ------------------------------------------------------------------------------ what is found and said


def test_a_clear_difference_is_called_real():
    found = compare_setups(
        *runs("ABBA", [12] * 4, [0] * 4, difference=-0.1, drift=0.3), names=("soft bar", "stiff bar")
    )
    assert found.significant
    assert found.verdict.startswith(f"Real: stiff bar is {abs(found.difference):.3f} s a lap faster")
    assert found.order == "ABBA"
    assert abs(found.drift - 0.3) < found.drift_margin
    assert "a drift of" in found.verdict
    assert abs(found.fall_off - 0.02) < found.fall_off_margin
    checks = found.checks.set_index("method")
    assert (checks["p"].dropna() < 0.02).all()
    assert checks.loc["bootstrap", "high"] < 0
    assert abs(checks.loc["bootstrap", "high"] - checks.loc["curve", "high"]) < 0.02
    assert abs(checks.loc["pairs at like tyre age", "difference"] - found.difference) < 0.02


def test_noise_is_called_noise_and_the_laps_that_would_tell_are_counted():
    found = compare_setups(*runs(sizes=(8, 8), difference=0.02))
    assert not found.significant
    assert found.verdict.startswith("Noise, as far as these laps tell")
    assert "laps with each setup: " in found.verdict
    assert found.laps_needed(0.05) > found.laps_needed(0.1) > found.laps_needed(0.2)
    assert found.laps_needed(0.0) == np.inf


def test_both_ways_round_are_the_same():
    a, b = runs("AB", (15, 12), (0, 4), difference=0.05, odd=0.1)
    one_way, other = compare_setups(a, b, resamples=199), compare_setups(b, a, resamples=199)
    assert one_way.difference == pytest.approx(-other.difference, abs=1e-9)
    assert one_way.margin == pytest.approx(other.margin, abs=1e-9)
    assert [other.order, one_way.order] == ["BA", "AB"]


def test_a_then_b_cannot_tell_drift_from_setup():
    found = compare_setups(*runs(drift=1.0), names=("old", "new"), resamples=0)
    assert np.isnan(found.drift)
    assert "All of old was driven before new" in found.verdict
    assert "Drive old, new, new, old" in found.verdict
    assert np.isnan(found.run_scatter)
    assert "What runs differ by on their own" in found.verdict
    assert abs(found.difference) > 0.2  # the drift between the two is in it
    turned = compare_setups(*runs("ABBA", [15] * 4, [0] * 4, drift=1.0), resamples=0)
    assert abs(turned.difference) < 0.06


def test_tyres_of_another_age_do_not_make_a_setup_slow():
    found = compare_setups(*runs(sizes=(20, 20), ages=(0, 10), fall_off=0.05), resamples=0)
    assert abs(found.difference) < found.margin < 0.1
    assert found.tyre_age == 14.5
    apart = compare_setups(*runs(sizes=(10, 10), ages=(0, 20), fall_off=0.05), resamples=0)
    assert any("no age in common" in note for note in apart.notes)
    assert apart.margin > 2 * found.margin


def test_a_setup_that_falls_off_more_is_told():
    a, b = runs(sizes=(20, 20))
    b["lap_time"] += 0.03 * b["tyre_age"]
    found = compare_setups(a, b, resamples=0)
    assert abs(found.fall_off_difference - 0.03) < found.fall_off_difference_margin
    assert "look where the curves cross" in found.verdict


def test_odd_laps_are_shown_and_do_not_count():
    a, b = runs()
    b.loc[7, "lap_time"] += 1.2
    b["odd"] = ["" if k != 7 else "contact" for k in range(15)]
    a.loc[3, "lap_time"] += 0.9
    plain = compare_setups(*runs(), resamples=0)
    found = compare_setups(a, b, resamples=0)
    assert abs(found.difference - plain.difference) < 0.03
    shown = found.laps[found.laps["marks"] != ""]
    assert shown["marks"].tolist() == ["slow", "slow,contact"]
    assert shown["weight"].tolist() == [0, 0]
    assert len(found.laps) == 30
    assert "B run 2 lap 8 (+1." in found.verdict
    assert "contact" in found.verdict
    assert "contact" in found._repr_html_()


def test_warm_up_laps_are_set_aside_and_shown():
    found = compare_setups(*runs(warm_up=3, seed=5), resamples=0)
    assert found.warm_up >= 1
    warm = found.laps[found.laps["marks"].str.contains("warm-up")]
    assert len(warm) == 2 * found.warm_up
    assert (warm["weight"] == 0).all()
    assert "warm-up and set aside" in found.verdict


def test_flagged_laps_are_shown_and_not_counted():
    a, b = runs()
    a["flags"] = ["stop" if k == 5 else "" for k in range(15)]
    a.loc[5, "lap_time"] = 90.0
    found = compare_setups(a, b, resamples=0)
    assert found.laps["marks"].tolist()[5] == "stop"
    assert any("1 lap(s) with a flag" in note for note in found.notes)


def test_fuel_is_taken_out_where_its_effect_is_given():
    tables = runs(fuel=True, seed=2)
    given = compare_setups(*tables, fuel_effect="0.03 s/L", resamples=0)
    assert abs(given.difference) < given.margin
    assert given.difference == pytest.approx(compare_setups(*tables, fuel_effect=FUEL_EFFECT, resamples=0).difference)
    without = compare_setups(*tables, resamples=0)
    assert any("cannot be told apart" in note for note in without.notes)
    refuelled = [table.assign(fuel=0.03 - 0.0008 * (table["lap"] % 5)) for table in runs(sizes=(25, 25))]
    for table in refuelled:
        table["lap_time"] += FUEL_EFFECT * table["fuel"]
    fitted = compare_setups(*refuelled, resamples=0)
    assert any("Fuel was fitted" in note for note in fitted.notes)


def test_the_order_can_be_told_where_the_clocks_do_not():
    a, b = (table.drop(columns="clock") for table in runs("ABBA", [12] * 4, [0] * 4, drift=0.5))
    silent = compare_setups(a, b, resamples=0)
    assert silent.order == ""
    assert "Without the order of the runs" in silent.verdict
    told = compare_setups(a, b, order="A B B A", resamples=0)
    assert told.order == "ABBA"
    assert told.drift > 0
    assert told.margin < silent.margin
    with pytest.raises(LapkitError, match="3 x A and 1 x B there"):
        compare_setups(a, b, order="AAAB", resamples=0)


def test_two_tables_with_clocks_of_their_own_are_not_mixed():
    a, b = runs()
    b["clock"] -= b["clock"].min()
    assert compare_setups(a, b, resamples=0).order == ""
    a.attrs, b.attrs = {"epoch": 2000.0}, {"epoch": 1000.0}
    assert compare_setups(a, b, resamples=0).order == "BA"


def test_best_orders():
    assert best_order(names=("old", "new")) == ["old", "new", "new", "old"]
    assert "".join(best_order(8)) == "ABBABAAB"
    with pytest.raises(LapkitError, match="four runs"):
        best_order(3)


def test_what_is_asked_wrongly_is_told():
    a, b = runs()
    with pytest.raises(LapkitError, match="two different names"):
        compare_setups(a, b, names=("same", "same"))
    with pytest.raises(LapkitError, match="share between 0 and 1"):
        compare_setups(a, b, confidence=95)
    with pytest.raises(LapkitError, match="2 clean lap"):
        compare_setups(a.head(2), b)
    with pytest.raises(LapkitError, match="no column 'tyre_age'"):
        compare_setups(a.drop(columns="tyre_age"), b)
    with pytest.raises(LapkitError, match="stands twice"):
        compare_setups(pd.concat([a, a]), b)
    with pytest.raises(LapkitError, match="fuel is not known"):
        compare_setups(a, b, fuel_effect="0.03 s/L")
    with pytest.raises(LapkitError, match=r"such as '0\.03 s/L'|words such as"):
        compare_setups(*runs(fuel=True), fuel_effect="much")
    with pytest.raises(LapkitError, match="sessions for both"):
        compare_setups(a, [])
    with pytest.raises(LapkitError, match="there is no corner '9'"):
        compare_setups(a, b, resamples=0).row("9")


def test_tables_are_left_alone_and_everything_is_json():
    a, b = runs(fuel=True)
    before = a.copy(), b.copy()
    found = compare_setups(a, b, resamples=99)
    assert a.equals(before[0])
    assert b.equals(before[1])
    said = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert said["laps_done"] == [15, 15]
    assert said["caution"] == CAUTION
    assert CAUTION in repr(found)
    assert "<script" not in compare_setups(a, b, names=("<script>", "b"), resamples=0)._repr_html_()


@pytest.mark.parametrize("count", [3, 4, 5])
def test_a_few_laps_are_not_refused(count):
    found = compare_setups(*runs(sizes=(count, count)), resamples=99)
    assert np.isfinite(found.margin)
    assert found.verdict


# ------------------------------------------------------------------------------ from recordings


def recorded(seed, power, track=None):
    """A stint of ten laps with a car of some power, and the lap time the same car takes without the driver's variation."""
    car = replace(OVAL_CAR, power=OVAL_CAR.power * power)
    samples, _ = stint(laps=10, rate=20.0, seed=seed, car=car)
    _, truth = stint(laps=2, rate=20.0, seed=seed, car=car, variation=0.0)
    return session_of(samples, f"run_{seed}.csv", track=track), float(truth.laps["lap_time"].iloc[1])


@pytest.mark.parametrize("power", [1.0, 1.02, 1.06])
def test_recordings_from_end_to_end(power):
    one_run, time_a = recorded(11, 1.0)
    other, time_b = recorded(12, power, track=one_run.track)
    found = compare_setups(one_run, other, names=("before", "after"), resamples=199)
    assert abs(found.difference - (time_b - time_a)) < 1.5 * found.margin
    assert found.significant or power < 1.06
    assert not found.significant or power > 1.0
    corners = found.table["corner"].tolist()
    assert corners[-1] == "lap"
    assert len(corners) > 1
    if power == 1.06:
        assert found.table["significant"].any()
    assert set(found.laps["setup"]) == {"before", "after"}


def test_recordings_on_other_reference_lines_have_no_corners_in_common():
    found = compare_setups(recorded(11, 1.0)[0], recorded(12, 1.0)[0], resamples=0)
    assert found.table["corner"].tolist() == ["lap"]
    assert any("track=first_session.track" in note for note in found.notes)
    one_run = recorded(11, 1.0)[0]
    with pytest.raises(LapkitError, match="one recording stands on both sides"):
        compare_setups(one_run, [one_run], resamples=0)
