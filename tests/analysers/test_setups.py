"""Setup against setup: what is promised, by simulation; what is said; and recordings from end to end."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from setup_cases import CASES, FUEL_EFFECT, MIXTURE, simulate_runs
from support import session_of

from lapkit import LapkitError
from lapkit.analysers.lap.delta import delta, losses
from lapkit.analysers.setups.compare import best_order, compare_setups
from lapkit.analysers.setups.comparison import USUAL_RUN_SCATTER
from lapkit.analysers.setups.effects import CAUTION, setup_effects
from lapkit.analysers.setups.fit import SetupFit, fit_setups
from lapkit.analysers.setups.places import PlaceTimes, place_rows
from lapkit.analysers.setups.run_curve import MOST_WARM_UP, run_laps
from lapkit.simulate import stint
from lapkit.simulate.demo import OVAL_CAR

QUIET = {"scatter": 0.06, "fall_off": 0.02, "odd": 0.0, "warm_up": 0}


def runs(order="AB", sizes=(15, 15), ages=(0, 0), seed=1, **options):
    return simulate_runs(np.random.default_rng(seed), order, sizes, ages, **{"difference": 0.0, **QUIET, **options})


def fitted(tables, fuel_effect=None, run_scatter=None) -> tuple[SetupFit, object]:
    """The fit of `compare_setups` and its laps, without the tables and words, which take most of its time."""
    table = pd.concat([tables[0].assign(setup=False), tables[1].assign(setup=True)], ignore_index=True)
    laps = run_laps(table, fuel_effect=fuel_effect)
    second, clock = laps.table["setup"].to_numpy(bool), laps.table["clock"].to_numpy(float)
    return fit_setups(laps, second, clock, most_warm_up=MOST_WARM_UP, run_scatter=run_scatter), laps


def judged(rng, case, difference):
    """Simulate a comparison: whether its interval holds the truth, and whether it sees a difference."""
    fuel = bool(rng.integers(2))
    setting = {"scatter": rng.uniform(0.04, 0.12), "difference": difference, "fall_off": rng.uniform(0.01, 0.05)}
    found, _ = fitted(simulate_runs(rng, **case(rng), **setting, fuel=fuel), FUEL_EFFECT if fuel else None)
    margin = found.spread.margin(0.95)
    return abs(found.difference - difference) <= margin, abs(found.difference) > margin


def told(found):
    """Everything that is said of a comparison."""
    return " ".join(found.words)


# ------------------------------------------------------------------------------ what is promised


def test_the_fit_that_is_simulated_is_that_of_the_comparison():
    for seed, order in enumerate(("AB", "ABBA", "ABBABAAB")):
        tables = runs(order, [9] * len(order), [0] * len(order), seed=seed, warm_up=2, odd=0.05)
        found, whole = fitted(tables)[0], compare_setups(*tables, resamples=0)
        told = found.difference, found.spread.margin(0.95)
        assert told == pytest.approx((whole.difference, whole.margin), abs=1e-9)
        assert (found.spread.run_scatter, found.warm_up) == pytest.approx(
            (whole.run_scatter, whole.warm_up), nan_ok=True
        )


def test_intervals_hold_the_truth_and_false_alarms_are_few():
    """1,000 comparisons: A then B with runs alike, of other lengths, on tyres of another age, and A B B A with drift."""
    rng, held, false, seen = np.random.default_rng(2025), 0, 0, 0
    for k in range(1000):
        difference = 0.0 if k % 8 < 4 else rng.uniform(0.03, 0.15)
        holds, sees = judged(rng, MIXTURE[k % 4], difference)
        held, false, seen = held + holds, false + (sees and not difference), seen + (sees and difference > 0)
    assert 0.93 <= held / 1000 <= 0.985  # few laps cannot rule out that neighbours are alike, and pay for it
    assert false / 500 < 0.05
    assert seen / 500 > 0.5


@pytest.mark.parametrize("run_scatter", [0.0, 0.1])
def test_eight_runs_keep_their_word_whatever_runs_differ_by(run_scatter):
    rng, held, false = np.random.default_rng(12), 0, 0
    for k in range(300):
        difference = 0.05 * (k % 2)
        setting = {**CASES["A B B A B A A B, the same"](rng), "run_scatter": run_scatter}
        holds, sees = judged(rng, lambda _, setting=setting: setting, difference)
        held, false = held + holds, false + (sees and not difference)
    assert 0.92 <= held / 300 <= 0.985
    assert false / 150 <= 0.08  # one sigma of 150 is 0.018


@pytest.mark.parametrize(
    ("order", "difference", "times"), [("AB", 0.07, 300), ("ABBA", 0.06, 300), ("ABBABAAB", 0.06, 150)]
)
def test_the_stated_laps_see_the_difference_four_times_in_five(order, difference, times):
    """Power 80 % within 8 points: how alike neighbouring laps seem differs from pilot to pilot. The laps are stated from a long pilot, and driven many times."""
    rng = np.random.default_rng(8)
    setting = {"scatter": 0.08, "fall_off": 0.02, "odd": 0.05, "warm_up": 2}
    each, ages = len(order) // 2, [0] * len(order)
    pilot = [
        compare_setups(
            *simulate_runs(rng, order, [80 // each] * len(order), ages, difference=0.0, **setting), resamples=0
        )
        for _ in range(3)
    ]
    stated = np.median([found.laps_needed(difference) for found in pilot])
    seen, sizes = 0, [round(stated / each)] * len(order)
    for _ in range(times):
        found, _ = fitted(simulate_runs(rng, order, sizes, ages, difference=difference, **setting))
        seen += abs(found.difference) > found.spread.margin(0.95)
    assert 0.72 <= seen / times <= 0.88


@pytest.mark.parametrize("order", ["AB", "ABBA"])
def test_few_runs_say_what_would_overturn_the_answer(order):
    tables = runs(order, [14] * len(order), [0] * len(order), difference=-0.12)
    found = compare_setups(*tables, resamples=0)
    limit = found.overturned_by
    assert 0.01 < limit < 0.12
    assert f"{limit:.3f} s from run to run (standard deviation) would overturn this" in told(found)
    assert found.settled == (limit > USUAL_RUN_SCATTER * found.row()["a"])
    assert found.verdict.startswith("Real" if found.settled else "Not settled: B came out")
    assert ("Next: A and B again" in told(found)) == (not found.settled)
    assert found.to_dict()["overturned_by"] == limit
    assert compare_setups(*tables, resamples=0, run_scatter=0.999 * limit).significant
    beyond = compare_setups(*tables, resamples=0, run_scatter=1.001 * limit)
    assert not beyond.significant
    assert np.isnan(beyond.overturned_by)
    nothing = compare_setups(*runs(order, [14] * len(order), [0] * len(order)), resamples=0)
    assert nothing.overturned_by == 0
    assert nothing.verdict.startswith("Noise") and not nothing.settled


def test_the_answer_leads_and_the_rest_are_lines():
    found = compare_setups(*runs(difference=-0.5), resamples=199)
    assert found.settled and found.words[0] == found.verdict
    assert found.verdict.count(". ") == 0 and all("\n" not in line for line in found.words)
    assert repr(found).splitlines()[1] == f"  {found.words[1]}"
    assert f"<li>{found.words[1]}</li>" in found._repr_html_()
    said = found.to_dict()
    assert (said["verdict"], said["words"], said["settled"]) == (found.verdict, found.words, True)


def test_what_is_no_sheet_is_told():
    with pytest.raises(
        LapkitError, match="before: expected a setup sheet, as read_sheet or make_sheet returns it, and got None"
    ):
        setup_effects(None, None)
    with pytest.raises(LapkitError, match="give two different names"):
        compare_setups(*runs(), names=3)


def test_two_that_came_out_alike_are_called_so():
    tables = runs()
    for table, size in zip(tables, (0.0050, 0.0051), strict=True):
        table["lap_time"] = 30.0 + size * (-1.0) ** table["lap"]
    alike = compare_setups(*tables, resamples=0)
    assert alike.verdict.startswith("Noise, as far as these laps tell: the two came out alike (±0.0")
    assert "so many laps would have shown 0.020 s" in told(alike)


def test_one_table_twice_is_refused():
    a, _ = runs()
    with pytest.raises(LapkitError, match="the two tables are one"):
        compare_setups(a, a.copy(), resamples=0)


def test_a_run_that_is_slow_as_a_whole_is_not_odd():
    a, b = runs("ABBABAAB", [10] * 8, [0] * 8, scatter=0.02)
    a.loc[a["run"] == 4, "lap_time"] += 0.3
    found = compare_setups(a, b, resamples=0)
    counted = found.laps[found.laps["lap_time"].notna()].groupby("run")["weight"].mean()
    assert counted.min() > 0.7
    assert found.run_scatter > 0.05
    assert found.margin > 0.1


# ------------------------------------------------------------------------------ the places of a lap


def split(laps, rng, shares, scatter, effect):
    """Times of laps through places: their share of the lap, a scatter of their own, and of the second setup an effect."""
    second = laps.table["setup"].to_numpy(bool)
    times = shares * 30.0 + rng.normal(0, scatter, (len(second), len(shares))) + second[:, None] * effect
    times += 0.02 * laps.age[:, None] * shares
    return times


def test_places_hold_the_truth_and_seldom_mark_luck():
    """250 comparisons of twelve laps each in six places, two of which differ; Holm's steps over all of them."""
    rng, held, marked = np.random.default_rng(5), np.zeros(6), 0
    shares, scatter = np.array([0.1, 0.2, 0.25, 0.15, 0.2, 0.1]), np.array([0.01, 0.04, 0.015, 0.03, 0.02, 0.01])
    effect = np.array([0.0, -0.05, -0.03, 0.0, 0.0, 0.0])
    tables = runs("AB", (12, 12))
    _, laps = fitted(tables)
    for _ in range(250):
        times = split(laps, rng, shares, scatter, effect)
        again = [
            table.assign(lap_time=times[laps.table["setup"] == side].sum(axis=1)) for side, table in enumerate(tables)
        ]
        found, laps = fitted(again)
        rows, notes = place_rows(PlaceTimes([f"part {k}" for k in range(6)], times, 0.0 * times), laps, found, 0.95)
        held += (rows["difference"] - effect).abs() <= rows["margin"]
        marked += rows["significant"][effect == 0].any()
        assert abs(rows["difference"].sum() - found.difference) < 1e-9
        assert not notes
    assert 0.93 <= held.mean() / 250 <= 0.985
    assert marked / 250 < 0.05


def test_fuel_is_shared_out_and_a_lap_with_a_hole_is_told():
    a, b = runs("ABBA", [10] * 4, [0] * 4, fuel=True, difference=-0.1)
    found, laps = fitted((a, b), FUEL_EFFECT)
    times = np.outer(laps.table["lap_time"], [0.3, 0.5, 0.2])
    where = PlaceTimes(["one", "two", "three"], times, np.full_like(times, 0.002))
    rows, notes = place_rows(where, laps, found, 0.95)
    for side in ("a", "b", "difference"):
        assert rows[side].to_numpy() == pytest.approx(rows[side].sum() * np.array([0.3, 0.5, 0.2]), abs=1e-9)
    assert rows["difference"].sum() == pytest.approx(found.difference, abs=1e-9)
    assert rows["difference_uncertainty"].iloc[0] > 0.3 * found.spread.sigma  # position drifts besides
    assert not notes
    times[3, 1] = np.nan
    rows, notes = place_rows(where, laps, found, 0.95)
    assert (
        f"1 lap(s) with a hole where a corner begins or ends are in the lap's row only: the places add up to {rows['difference'].sum():+.3f} s."
        in notes
    )
    times[laps.table["setup"].to_numpy(bool)] = np.nan
    rows, notes = place_rows(where, laps, found, 0.95)
    assert rows.empty
    assert "too few laps" in notes[0]


def test_what_runs_differ_by_widens_the_places_too():
    tables = runs("ABBA", [10] * 4, [0] * 4)
    margins = []
    for given in (None, 0.05):
        found, laps = fitted(tables, run_scatter=given)
        times = split(laps, np.random.default_rng(1), np.array([0.4, 0.6]), 0.05, 0.0)
        margins.append(place_rows(PlaceTimes(["one", "two"], times, 0.0 * times), laps, found, 0.95)[0]["margin"])
    assert (margins[1] > 1.2 * margins[0]).all()


# ------------------------------------------------------------------------------ what runs differ by


def test_a_run_offset_that_is_known_is_allowed_for():
    rng, held = np.random.default_rng(3), 0
    for _ in range(100):
        tables = simulate_runs(rng, "ABBA", [10] * 4, [0] * 4, difference=0.05, run_scatter=0.05, **QUIET)
        found, _ = fitted(tables, run_scatter=0.05)
        held += abs(found.difference - 0.05) <= found.spread.margin(0.95)
    assert held / 100 >= 0.91
    assert compare_setups(*tables, resamples=0, run_scatter=0.05).run_scatter == 0.05


def test_runs_that_differ_are_seen_where_there_are_many():
    found = compare_setups(*runs("ABBABAAB", [10] * 8, [0] * 8, run_scatter=0.2), resamples=499)
    assert 0.05 < found.run_scatter < 0.5
    assert found.margin > 0.1
    assert "Runs differ by" in told(found)
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
    assert "a drift of" in told(found)
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
    assert "laps with each setup: " in told(found)
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
    assert "Order: all of old was driven before new" in told(found)
    assert "Drive old, new, new, old" in told(found)
    assert np.isnan(found.run_scatter)
    assert "Runs: what they differ by on their own" in told(found)
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
    assert "look where the curves cross" in told(found)


def test_odd_laps_are_shown_and_do_not_count():
    a, b = runs()
    b.loc[7, "lap_time"] += 1.2
    b["odd"] = ["" if k != 7 else "contact" for k in range(15)]
    a.loc[3, "lap_time"] += 0.9
    plain = compare_setups(*runs(), resamples=0)
    found = compare_setups(a, b, resamples=0)
    assert abs(found.difference - plain.difference) < 0.03
    shown = found.laps[found.laps["marks"] != ""]
    assert shown["marks"].tolist() == ["slow", "contact"]
    assert shown["weight"].tolist() == [0, 0]
    assert len(found.laps) == 30
    assert "A run 1 lap 4 (+" in told(found)
    assert "Left out, for what befell them: run 2 lap 8 (contact)." in found.notes
    assert "contact" in found._repr_html_()


def test_warm_up_laps_are_set_aside_and_shown():
    found = compare_setups(*runs(warm_up=3, seed=5), resamples=0)
    assert found.warm_up >= 1
    warm = found.laps[found.laps["marks"].str.contains("warm-up")]
    assert len(warm) == 2 * found.warm_up
    assert (warm["weight"] == 0).all()
    assert "warm-up and set aside" in told(found)


def test_flagged_laps_are_shown_and_not_counted():
    a, b = runs()
    a["flags"] = ["stop" if k == 5 else "" for k in range(15)]
    a.loc[5, "lap_time"] = 90.0
    found = compare_setups(a, b, resamples=0)
    assert found.laps["marks"].tolist()[5] == "stop"
    assert any("1 lap with a flag" in note for note in found.notes)


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
    assert any("such as order='AABB'" in note for note in silent.notes)
    assert "Order: without that of the runs" in told(silent)
    ordered = compare_setups(a, b, order="A B B A", resamples=0)
    assert ordered.order == "ABBA"
    assert ordered.drift > 0
    assert ordered.margin < silent.margin
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
    with pytest.raises(LapkitError, match="there is no 'corner 9'"):
        compare_setups(a, b, resamples=0).row("corner 9")


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


def stood(samples, count):
    """A recording of so many runs alike, the car standing for half a minute between them."""
    still = samples.iloc[[-1] * 600].assign(speed=0.0, throttle=0.0)
    parts = [samples, *[still, samples] * (count - 1)]
    return pd.concat(parts, ignore_index=True).assign(time=np.arange(sum(map(len, parts))) / 20.0)


@cache
def recorded(seed, power, laps=10, count=1):
    """A stint with a car of some power on the first one's track, and the lap time without the driver's variation."""
    car = replace(OVAL_CAR, power=OVAL_CAR.power * power)
    samples, _ = stint(laps=laps, rate=20.0, seed=seed, car=car)
    _, truth = stint(laps=2, rate=20.0, seed=seed, car=car, variation=0.0)
    track = None if seed == 11 else recorded(11, 1.0)[0].track
    return session_of(stood(samples, count), f"run_{seed}.csv", track=track), float(truth.laps["lap_time"].iloc[1])


@pytest.mark.parametrize("power", [1.0, 1.02, 1.06])
def test_recordings_from_end_to_end(power):
    (one_run, time_a), (other, time_b) = recorded(11, 1.0), recorded(12, power)
    found = compare_setups(one_run, other, names=("before", "after"), resamples=0)
    assert abs(found.difference - (time_b - time_a)) < 1.5 * found.margin
    assert found.significant or power < 1.06
    assert not found.significant or power > 1.0
    change = delta(other.best(), one_run.best())
    assert set(found.table["segment"]) == {*losses(change, count=None)["segment"], "lap"}
    assert found.table["segment"].iloc[-1] == "lap"
    for side in ("a", "b", "difference"):
        assert found.table[side].iloc[:-1].sum() == pytest.approx(found.table[side].iloc[-1], abs=1e-9)
    assert [row["segment"] for row in found.to_dict()["table"]] == found.table["segment"].tolist()
    assert "straight after corner 1" in repr(found) and "straight after corner 1" in found._repr_html_()
    if power == 1.06:
        sure = found.table[found.table["significant"]]["segment"]
        assert sure.str.startswith("straight").any()  # more power pays on the straights
        assert "on the straight" in told(found)
    assert set(found.laps["setup"]) == {"before", "after"}


def test_an_order_by_recording_serves_where_recordings_hold_several_runs():
    sides = recorded(13, 1.0, 4, 2)[0], recorded(14, 1.0, 4, 1)[0]
    assert compare_setups(*sides, resamples=0).runs == (2, 1)
    by_recording = compare_setups(*sides, order="ab", resamples=0)
    assert by_recording.order == "AAB"
    assert "Order: all of A was driven before B" in told(by_recording)
    assert compare_setups(*sides, order="BA", resamples=0).order == "BAA"
    by_run = compare_setups(*sides, order="ABA", resamples=0)
    assert by_run.order == "ABA"
    assert np.isfinite(by_run.drift)
    with pytest.raises(
        LapkitError, match="2 x A and 2 x B there, and 2 x A and 1 x B were given; write A or B for each run, or for"
    ):
        compare_setups(*sides, order="ABBA", resamples=0)


def test_recordings_on_other_reference_lines_have_no_places_in_common():
    one_run = recorded(11, 1.0)[0]
    samples, _ = stint(laps=10, rate=20.0, seed=12)
    found = compare_setups(one_run, session_of(samples, "run_12.csv"), resamples=0)
    assert found.table["segment"].tolist() == ["lap"]
    assert any("track=first_session.track" in note for note in found.notes)
    with pytest.raises(LapkitError, match="one recording, given twice"):
        compare_setups(one_run, [one_run], resamples=0)
