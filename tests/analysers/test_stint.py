"""The long run: tables of runs, fall-off, bend, crossing curves; by simulation, and from recordings."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from matplotlib.figure import Figure
from support import session_of

from lapkit import LapkitError, Recording, Session
from lapkit.analysers.setups.run_curve import TYRE_CAUTION, seconds_per_m3
from lapkit.analysers.setups.runs import CORNER_TIME_COLUMNS, RUN_COLUMNS
from lapkit.analysers.setups.settling import CHANNEL_COLUMNS, channel_changes, channel_words
from lapkit.analysers.setups.stint import corner_times, crossover, fall_off, run_table
from lapkit.charts import fall_off_chart
from lapkit.model.recording import Provenance
from lapkit.simulate import stint


def run(rng, laps=20, *, base=30.0, rate=0.02, scatter=0.05, warm=(), odd=0.0, bend=np.inf, number=1):
    age = np.arange(laps)
    times = base + rate * age + 0.08 * np.maximum(age - bend, 0) + rng.normal(0, scatter, laps)
    times += np.append(warm, np.zeros(laps - len(warm))) + (rng.uniform(size=laps) < odd) * rng.uniform(0.3, 2.0, laps)
    return pd.DataFrame({"run": number, "lap": age + 1, "tyre_age": age, "lap_time": times})


# ------------------------------------------------------------------------------ fall-off


@pytest.mark.parametrize("odd", [0.0, 0.05])
def test_the_rate_is_within_its_interval(odd):
    rng, held, warm, bends = np.random.default_rng(2), 0, 0, 0
    for _ in range(300):
        found = fall_off(run(rng, 18, rate=0.03, warm=[0.6, 0.4], odd=odd))
        held += found.low <= 0.03 <= found.high
        warm += found.warm_up in (2, 3)
        bends += bool(np.isfinite(found.bend))
    assert 0.93 <= held / 300 <= 0.993  # few laps cannot rule out that neighbours are alike, and pay for it
    assert warm / 300 > 0.93
    assert bends / 300 < 0.03


def test_a_bend_is_stated_with_both_rates():
    rng, near, rates, stated = np.random.default_rng(3), 0, 0, 0
    for _ in range(60):
        found = fall_off(run(rng, 26, bend=15, warm=[0.5], odd=0.04))
        if np.isfinite(found.bend):
            stated += 1
            near += found.bend_low - 0.5 <= 15 <= found.bend_high + 0.5
            rates += found.late_low <= 0.10 <= found.late_high
    assert stated >= 55
    assert near / stated > 0.85
    assert rates / stated > 0.85
    assert "it is steeper" in " ".join(found.words)
    assert found.curve(15)[0][0] < found.curve(20)[0][0] - 0.3


def test_what_is_said_of_a_run():
    table = run(np.random.default_rng(4), 16, warm=[0.8, 0.3], scatter=0.03)
    table.loc[9, "lap_time"] += 1.5
    table["odd"] = ["tow" if k == 9 else "" for k in range(16)]
    found = fall_off(table)
    words = " ".join(found.words)
    assert "The first 2 laps were warm-up, 1." in words
    assert "slower with each lap on the tyres (95 %" in words
    assert "Left out, for what befell them: lap 10 (tow)." in found.notes
    assert found.laps["weight"][9] == 0.0 and found.laps["residual"][9] > 1.0
    assert found.p < 0.005
    assert found.tau > 0.5
    assert abs(found.scatter - 0.03) < 0.02
    assert abs(found.lap_to_lap - 0.03) < 0.025
    assert found.laps["marks"].tolist()[:2] == ["warm-up"] * 2
    assert found.laps["marks"].tolist()[9] == "tow"
    said = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert said["warm_up"] == 2
    assert said["bend"] is None
    assert TYRE_CAUTION in repr(found)
    assert "(tow)" in found._repr_html_()


def test_no_fall_off_is_not_called_one():
    found = fall_off(run(np.random.default_rng(6), 12, rate=0.0))
    assert found.low < 0 < found.high
    assert (
        found.words[0]
        == f"No fall-off seen: less than {np.ceil(1000 * max(found.high, -found.low)) / 1000:.3f} s a lap either way (95 %)."
    )
    faster = fall_off(run(np.random.default_rng(5), 20, rate=-0.05))
    assert "s faster with each lap" in " ".join(faster.words)


def test_fuel_is_taken_out_where_its_effect_is_given():
    rng = np.random.default_rng(7)
    table = run(rng, 20, rate=0.04, scatter=0.02)
    table["fuel"] = 0.03 - 0.001 * table["lap"]
    table["lap_time"] += 30.0 * table["fuel"]
    both, tyres = fall_off(table), fall_off(table, fuel_effect="0.03 s/L")
    assert abs(both.rate - 0.01) < 0.004
    assert any("cannot be told apart" in note for note in both.notes)
    assert abs(tyres.rate - 0.04) < 0.004
    assert tyres.rate == pytest.approx(fall_off(table, fuel_effect=30.0).rate)
    assert any("Fuel is not known" in note for note in fall_off(table.drop(columns="fuel")).notes)


def test_units_of_fuel():
    assert seconds_per_m3("0.1 s/gal") == pytest.approx(0.1 / 0.003785411784)  # NIST SP 811
    assert seconds_per_m3("0.02 s/lb") == pytest.approx(0.02 / 0.45359237 * 750)
    for wrong in ("0.03", "x s/L", "0.03 s/m", float("nan")):
        with pytest.raises(LapkitError, match="give seconds a lap per m3"):
            seconds_per_m3(wrong)


def test_several_runs_have_levels_of_their_own():
    rng = np.random.default_rng(18)
    table = pd.concat([run(rng, 14, base=30.0, rate=0.03), run(rng, 14, base=30.6, rate=0.03, number=2)])
    found = fall_off(table)
    assert found.low < 0.03 < found.high
    assert found.scatter < 0.08
    assert abs(found.curve(0)[0][0] - 30.3) < 0.1
    assert any("Several runs" in note for note in found.notes)


def test_too_few_laps_are_refused():
    with pytest.raises(LapkitError, match="a fall-off takes at least"):
        fall_off(run(np.random.default_rng(9), 4))
    with pytest.raises(LapkitError, match="none of its 6 laps"):
        fall_off(run(np.random.default_rng(9), 6).assign(flags="stop"))
    with pytest.raises(LapkitError, match="no column 'lap_time'"):
        fall_off(run(np.random.default_rng(9), 6).drop(columns="lap_time"))
    with pytest.raises(LapkitError, match="expected a table"):
        fall_off([30.0, 30.1])
    with pytest.raises(LapkitError, match="between 0 and 1"):
        fall_off(run(np.random.default_rng(9), 9), confidence=2)


def test_the_table_is_left_alone():
    table = run(np.random.default_rng(9), 12)
    before = table.copy()
    fall_off(table.iloc[::-1])
    assert table.equals(before)


def test_nothing_is_written_as_minus_nothing():
    found = fall_off(run(np.random.default_rng(6), 200, rate=0.0, scatter=0.005))
    assert found.words[0] == "No fall-off seen: less than 0.001 s a lap either way (95 %)."
    assert "-0.000" not in repr(found)


def test_the_band_is_drawn_whole():
    found = fall_off(run(np.random.default_rng(4), 26, bend=15, warm=[0.5]))  # its band ends above every lap
    ax = fall_off_chart(found, ax=Figure().subplots())
    low, high = ax.get_ylim()
    band = ax.collections[0].get_paths()[0].vertices[:, 1]
    assert low < band.min() and band.max() < high


# ------------------------------------------------------------------------------ what settles


def settling(after, *, laps=26, noise=0.0, number=1):
    """A pressure that comes within 5 % of its level after so many laps: an exponential, three time constants."""
    lap = np.arange(laps)
    rng = np.random.default_rng(number)
    value = 200e3 - 24e3 * np.exp(-3.0 * lap / after) + rng.normal(0, noise, laps)
    return pd.DataFrame({"run": number, "lap": lap + 1, "tyre_pressure_fr": value})


@pytest.mark.parametrize("after", [3, 6, 12])
def test_a_channel_is_told_from_its_first_lap_to_where_it_settled(after):
    row = channel_changes(settling(after, noise=50.0)).iloc[0]
    values = settling(after, noise=50.0)["tyre_pressure_fr"]
    assert row["settled_after"] == pytest.approx(after, abs=1)
    assert row["from_value"] == values.iloc[0]
    assert abs(row["to_value"] - 200e3) < 500 and values.min() <= row["to_value"] <= values.max()
    several = pd.concat([settling(after, number=1), settling(after, number=2)])
    assert channel_changes(several)["settled_after"].tolist() == [after]


def test_a_channel_that_never_moved_or_never_settled_is_told():
    still = settling(6).assign(tyre_pressure_fr=200e3 + np.random.default_rng(3).normal(0, 400, 26))
    assert channel_changes(still)["settled_after"].tolist() == [0]
    steady = settling(6).assign(tyre_pressure_fr=np.linspace(180e3, 200e3, 26))
    row = channel_changes(steady).iloc[0]
    assert np.isnan(row["settled_after"]) and row["to_value"] == pytest.approx(200e3)
    assert channel_words(*row[["channel", "from_value", "to_value", "settled_after"]]).endswith(
        "first lap 180 kPa, last 200 kPa, still rising"
    )
    jolt = settling(6)
    jolt.loc[20, "tyre_pressure_fr"] = 150e3  # a lap in the pits, flagged or not, moves nothing
    assert channel_changes(jolt)["settled_after"].tolist() == [6]
    empty = channel_changes(settling(6).iloc[:2])
    assert list(empty.columns) == list(CHANNEL_COLUMNS) and empty.empty


# ------------------------------------------------------------------------------ crossing


def test_the_crossing_is_within_its_interval():
    """Known crossings at tyre age 8 to 14 of 22 laps: 93 % and more of the intervals hold them."""
    rng, held, stated = np.random.default_rng(10), 0, 0
    for _ in range(200):
        at = rng.uniform(8, 14)
        soft = fall_off(run(rng, 22, rate=0.05, warm=[0.4], odd=0.05))
        hard = fall_off(run(rng, 22, base=30.0 + 0.03 * at, rate=0.02, warm=[0.4], odd=0.05))
        found = crossover(soft, hard, names=("soft", "hard"))
        held += found.low <= at <= found.high
        stated += found.faster_early == "soft" and found.faster_late == "hard"
    assert 0.92 <= held / 200 <= 0.995
    assert stated > 150


def test_what_is_said_of_a_crossing():
    rng = np.random.default_rng(11)
    soft, hard = fall_off(run(rng, rate=0.05)), fall_off(run(rng, base=30.3, rate=0.02))
    found = crossover(soft, hard, names=("soft", "hard"))
    assert found.words.startswith("In these runs soft is faster at first; hard passes it at about tyre age ")
    assert (
        f"tyre age {found.lap:.0f} (lap {round(found.lap) + 1})" in found.words
    )  # laps are counted from 1 on new tyres
    assert found.low < found.lap < found.high
    assert json.loads(json.dumps(found.to_dict(), allow_nan=False))["faster_late"] == "hard"
    assert found.words in repr(found)
    turned = crossover(hard, soft, names=("hard", "soft"))
    assert turned.lap == pytest.approx(found.lap)
    assert turned.table["difference"].to_numpy() == pytest.approx(-found.table["difference"].to_numpy())
    never = crossover(soft, fall_off(run(rng, base=32.0)), names=("soft", "hard"))
    assert never.words.startswith("In these runs soft stays ahead to tyre age 19 (lap 20): hard never passes it.")
    assert "faster all the way" not in never.words
    assert replace(never, settled=True).words.startswith(
        "soft is faster all the way: hard never passes it within the run"
    )
    assert "Whether that is the setup is not settled" in replace(never, settled=False).words
    assert np.isnan(never.lap)
    alike = crossover(soft, fall_off(run(rng, rate=0.05)))
    assert "cannot be told apart" in alike.words or "do not settle it" in alike.words
    late = run(rng)
    late["tyre_age"] += 50
    with pytest.raises(LapkitError, match="no tyre age in common"):
        crossover(soft, fall_off(late))


# ------------------------------------------------------------------------------ recordings


@cache
def driven(seed):
    return stint(laps=6, rate=20.0, seed=seed)[0]


def recorded(seed=1, *, epoch=None, **channels):
    samples = driven(seed).copy()
    for name, values in channels.items():
        samples[name] = np.linspace(*values, len(samples))
    return Session(Recording(samples, Provenance(f"run_{seed}.csv"), epoch=epoch))


def test_a_recording_becomes_a_table_of_its_laps():
    session = recorded(fuel=(0.03, 0.02), tyre_pressure_fl=(150e3, 190e3))
    table = run_table(session, tyre_age=4)
    assert list(table.columns)[: len(RUN_COLUMNS)] == list(RUN_COLUMNS)
    assert {name: str(kind) for name, kind in table.dtypes.items() if name in RUN_COLUMNS} == RUN_COLUMNS
    assert table["lap"].tolist() == [1, 2, 3, 4, 5, 6]
    assert table["tyre_age"].tolist() == [4, 5, 6, 7, 8, 9]
    assert table["lap_time"].to_numpy() == pytest.approx(session.laps.loc[session.laps["complete"], "lap_time"])
    assert np.diff(table["clock"]) == pytest.approx(table["lap_time"].to_numpy()[:-1], abs=1e-6)
    assert (np.diff(table["fuel"]) < 0).all()
    assert (np.diff(table["tyre_pressure_fl"]) > 0).all()
    channels = fall_off(table, most_warm_up=1).channels.set_index("channel")
    assert (
        channels.loc["tyre_pressure_fl", ["from_value", "to_value"]].tolist()
        == table["tyre_pressure_fl"].iloc[[0, -1]].tolist()
    )
    assert np.isnan(channels.loc["tyre_pressure_fl", "settled_after"])  # it climbs all the way
    assert channels.loc["tyre_pressure_fl", "unit"] == "Pa"


def test_recordings_stand_on_one_clock_where_they_tell_the_time():
    one, other = recorded(1, epoch=5000.0), recorded(2, epoch=1000.0)
    table = run_table([one, other], tyre_age=[0, 6])
    assert table["run"].unique().tolist() == [1, 2]
    assert table.groupby("run")["clock"].min().diff().iloc[1] == pytest.approx(-4000, abs=20)
    assert table.groupby("run")["tyre_age"].min().tolist() == [0, 6]
    assert table.attrs["epoch"] == 1000.0
    assert run_table([one, recorded(2)])["clock"].isna().all()
    assert run_table([one, recorded(2, epoch=5010.0)])["clock"].isna().all()  # one car cannot make two runs at once


def test_a_stop_begins_a_new_run():
    samples, _ = stint(laps=3, rate=20.0, seed=1)
    still = samples.iloc[[-1] * 600].assign(speed=0.0, throttle=0.0)
    whole = pd.concat([samples, still, samples], ignore_index=True)
    table = run_table(session_of(whole.assign(time=np.arange(len(whole)) / 20.0)))
    laps = table[table["flags"] == ""].groupby("run")["lap"].count()
    assert laps.index.tolist() == [1, 2]
    assert laps.tolist() == [3, 3]
    assert table["tyre_age"].is_monotonic_increasing  # the same tyres


def test_corner_times_of_several_runs():
    one = recorded(1)
    other = session_of(driven(2), "run_2.csv", track=one.track)
    times = corner_times([one, other])
    assert {str(k): str(v) for k, v in times.dtypes.items()} == CORNER_TIME_COLUMNS
    assert times.groupby(["run", "lap"]).size().unique().tolist() == [len(one.track.corners)]
    assert times["run"].unique().tolist() == [1, 2]
    with pytest.raises(LapkitError, match="different reference lines"):
        corner_times([one, recorded(2)])


def test_what_is_no_run_is_told():
    with pytest.raises(LapkitError, match="expected a session or a list of them"):
        run_table("run.csv")
    with pytest.raises(LapkitError, match=r"run_1\.csv and run_1\.csv are one recording, given twice"):
        run_table([recorded(1), recorded(1)])
    with pytest.raises(LapkitError, match="b: expected a curve, as fall_off"):
        crossover(fall_off(run(np.random.default_rng(9), 12)), run_table(recorded()))
    with pytest.raises(LapkitError, match=r"^run_1\.csv: a fuel effect is given"):
        fall_off(run_table(recorded()), fuel_effect="0.03 s/L")
    with pytest.raises(LapkitError, match="got nothing"):
        run_table([])
    with pytest.raises(LapkitError, match="one for each of the 1 recording"):
        run_table(recorded(), tyre_age=[1, 2])
