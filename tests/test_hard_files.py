"""Files that are hard to cut into laps, read from end to end."""

import numpy as np
import pandas as pd
import pytest
from support import session_of

import lapkit
from lapkit.simulate import oval, stint

CHANNELS = ("time", "x", "y", "speed", "throttle")


@pytest.fixture(scope="module")
def run():
    return stint(laps=3, rate=20.0, seed=4, channels=CHANNELS)


@pytest.fixture(scope="module")
def samples(run):
    return run[0]


def load(table, tmp_path, **options):
    path = tmp_path / "run.csv"
    table.to_csv(path, index=False)
    return lapkit.load(path, **options)


def clean_times(session):
    laps = session.laps
    return laps.loc[laps["complete"] & (laps["flags"] == ""), "lap_time"].to_numpy()


@pytest.fixture(scope="module")
def plain(samples):
    return clean_times(session_of(samples))


def test_rows_in_no_order_are_put_in_order(samples, plain, tmp_path):
    session = load(samples.sample(frac=1, random_state=1), tmp_path)
    np.testing.assert_allclose(clean_times(session), plain, atol=1e-6)
    assert any("put in order of time" in line for line in session.warnings)


def test_every_row_twice(samples, plain, tmp_path):
    session = load(pd.concat([samples, samples]).sort_values("time", kind="stable"), tmp_path)
    np.testing.assert_allclose(clean_times(session), plain, atol=1e-6)
    assert any("written twice" in line for line in session.warnings)


def test_a_clock_that_starts_again_each_lap(run, tmp_path):
    samples, truth = run
    offset = float(samples.attrs["clock_offset"])
    since = samples["time"] - offset
    lap = np.clip(np.searchsorted(truth.crossings, since, side="right") - 1, 0, 2)
    inside = (since >= truth.crossings[0]) & (since < truth.crossings[-1])
    table = samples.assign(time=(since - truth.crossings[lap]).round(4))[inside]
    session = load(table[["time", "speed", "x", "y"]], tmp_path)
    found, wanted = clean_times(session), truth.laps["lap_time"].to_numpy()
    np.testing.assert_allclose(found[:2], wanted[:2], atol=2e-3)
    assert found[2] == pytest.approx(wanted[2], abs=0.05)  # its end is not in the file: known to a sample


def test_a_long_stand_after_the_last_lap_spoils_nothing(samples, plain, tmp_path):
    still = samples.iloc[[-1] * 2000].assign(time=samples["time"].iloc[-1] + np.arange(1, 2001) / 20.0, speed=0.0)
    session = load(pd.concat([samples, still]), tmp_path)
    np.testing.assert_allclose(clean_times(session), plain, atol=1e-6)
    assert session.laps["flags"].iloc[-1] == "partial,stop" or "stop" in session.laps["flags"].iloc[-1]
    assert session.laps["lap_time_uncertainty"].max() < 0.01


def test_positions_that_leap_are_left_out_and_counted(samples, plain, tmp_path):
    session = load(
        samples.assign(x=np.where(np.arange(len(samples)) % 97 == 5, samples["x"] + 200, samples["x"])), tmp_path
    )
    np.testing.assert_allclose(clean_times(session), plain, atol=2e-3)
    assert any("left out" in line for line in session.warnings)


def test_a_receiver_of_one_fix_a_second(samples, plain, tmp_path):
    thin = np.arange(len(samples)) % 20 == 0
    session = load(samples.assign(x=samples["x"].where(thin), y=samples["y"].where(thin)), tmp_path)
    laps = session.laps[session.laps["complete"]]
    misses = np.abs(laps["lap_time"].to_numpy() - plain) / laps["lap_time_uncertainty"].to_numpy()
    assert len(laps) == 3
    assert (misses < 3).all()


def test_speed_below_zero_is_turned_over_and_said(samples, plain, tmp_path):
    session = load(samples.assign(speed=-samples["speed"]), tmp_path)
    np.testing.assert_allclose(clean_times(session), plain, atol=1e-6)
    assert any("turned over" in line for line in session.warnings)


def test_less_than_a_lap_is_one_partial_lap(samples, tmp_path):
    session = load(samples.iloc[:300], tmp_path)
    assert session.laps["flags"].tolist() == ["partial"]
    assert any("No lap runs from line to line" in line for line in session.assumptions)
    assert session.lap(1)["speed"].notna().any()


def test_position_alone_is_enough(samples, plain, tmp_path):
    np.testing.assert_allclose(clean_times(load(samples[["time", "x", "y"]], tmp_path)), plain, atol=1e-3)


def test_a_lap_column_and_nothing_else_is_known_to_a_sample(tmp_path):
    table, truth = stint(laps=4, rate=20.0, seed=4, channels=("time", "speed", "lap"))
    session = load(table, tmp_path, units="m/s")
    laps = session.laps[session.laps["complete"]]
    np.testing.assert_allclose(laps["lap_time"], truth.laps["lap_time"], atol=0.05)
    np.testing.assert_allclose(laps["lap_time_uncertainty"], 0.05 / np.sqrt(6.0), rtol=0.01)


def test_a_lap_counter_that_changes_late_still_gives_one_line(tmp_path):
    table, truth = stint(laps=5, rate=20.0, seed=4, channels=("time", "speed", "lap", "x", "y"))
    late = table.assign(lap=table["lap"].shift(4).bfill())
    laps = load(late, tmp_path).laps
    laps = laps[laps["complete"]]
    # The line is 0.2 s down the road, the same for every lap, so the lap times are right all the same.
    assert np.abs(laps["lap_time"].to_numpy() - truth.laps["lap_time"].to_numpy()[: len(laps)]).max() < 0.02


def test_one_bad_lap_leaves_the_others(samples, tmp_path):
    bad = samples.copy()
    middle = len(samples) // 2
    bad.loc[middle : middle + 100, ["x", "y", "speed"]] = np.nan
    session = load(bad, tmp_path, start_line=oval().start_line)
    assert len(clean_times(session)) == 2


def test_heading_is_interpolated_across_the_turn_of_the_circle(tmp_path):
    table, _ = stint(laps=2, rate=10.0, seed=4, channels=("time", "x", "y", "speed"))
    heading = np.arctan2(np.gradient(table["y"]), np.gradient(table["x"]))
    session = load(table.assign(**{"heading (rad)": heading}), tmp_path)
    frame = session.best()
    driven = np.arctan2(np.gradient(frame["y"]), np.gradient(frame["x"]))
    apart = (frame["heading"] - driven + np.pi) % (2 * np.pi) - np.pi
    assert apart[20:-20].abs().max() < 0.1
