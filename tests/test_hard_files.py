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
    assert "stop" in session.laps["flags"].iloc[-1].split(",")
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


# ------------------------------------------------------------- at the edges of a recording


@pytest.mark.parametrize("rate", [10.0, 20.0])
def test_a_lap_whose_crossing_lies_before_the_first_sample_is_on_time_from_its_first_metre(rate):
    samples, truth = stint(laps=2, rate=rate, seed=5, channels=CHANNELS, out_lap=0.0, in_lap=0.0)
    session = session_of(samples, start_line=oval().start_line)
    whole = session_of(stint(laps=2, rate=rate, seed=5, channels=CHANNELS)[0], start_line=oval().start_line)
    cut, inside = session.lap(1), whole.lap(1)
    assert session.track.length == pytest.approx(whole.track.length, abs=0.05)
    rows = min(len(cut), len(inside)) - 2
    np.testing.assert_allclose(cut["time"].iloc[:rows], inside["time"].iloc[:rows], atol=2e-3)
    assert cut["time"].iloc[0] == 0.0
    assert (np.diff(cut["time"]) > 0).all()
    assert cut.attrs["lap_time"] == pytest.approx(truth.laps["lap_time"].iloc[0], abs=3e-3)


def test_one_lap_and_nothing_but_speed_runs_evenly_to_both_ends(tmp_path):
    time = np.arange(0.0, 30.0, 0.1)
    session = load(pd.DataFrame({"time": time, "speed (m/s)": 60.0 + 0 * time, "lap": 7}), tmp_path)
    frame = session.lap(7)
    np.testing.assert_allclose(np.diff(frame["time"]), 1 / 60.0, atol=1e-6)
    assert session.track.length == pytest.approx(1800.0, abs=0.1)
    assert session.laps["path_length"][0] == pytest.approx(1800.0, abs=0.1)


# --------------------------------------------------------------------- counters that err


def test_two_laps_of_different_length_do_not_stop_the_rest(tmp_path):
    time = np.arange(0.0, 40.0, 0.1)
    lap = np.where(time < 5, 0, np.where(time < 15, 1, np.where(time < 35, 2, 3)))
    x = 100 * time
    laps = load(pd.DataFrame({"time": time, "speed (m/s)": 100.0, "lap": lap, "x": x, "y": 0 * x}), tmp_path).laps
    assert laps["complete"].sum() == 2
    assert "long" in "".join(laps["flags"])


@pytest.mark.parametrize("glitch", [+1, -1, 7])
def test_a_glitch_of_the_lap_counter_is_no_lap(tmp_path, glitch):
    table, truth = stint(laps=3, rate=20.0, seed=4, channels=("time", "speed", "lap", "x", "y"))
    middle = len(table) // 2
    table.loc[middle : middle + 1, "lap"] += glitch
    session = load(table, tmp_path)
    laps = session.laps[session.laps["complete"]]
    np.testing.assert_allclose(laps["lap_time"], truth.laps["lap_time"], atol=2e-3)
    assert any("was not a lap" in line for line in session.warnings)


def test_a_column_that_alternates_is_no_lap_column(tmp_path):
    table, _ = stint(laps=2, rate=50.0, seed=4, channels=("time", "speed", "x", "y"))
    session = load(table.assign(lap=np.arange(len(table)) % 2), tmp_path)
    assert session.laps["complete"].sum() >= 1
    assert "longest straight" in session.assumptions[0]


@pytest.mark.parametrize("number", [1e300, 1.5, 2e6])
def test_lap_numbers_that_are_none_are_replaced(tmp_path, number):
    table, _ = stint(laps=3, rate=20.0, seed=4, channels=("time", "speed", "lap", "x", "y"))
    session = load(table.assign(lap=table["lap"] * number), tmp_path)
    assert session.laps["lap"].tolist() == [0, 1, 2, 3, 4]
    assert any("does not hold lap numbers" in line for line in session.warnings)


def test_one_absurd_or_blank_lap_distance_loses_no_lap(tmp_path):
    table, truth = stint(laps=3, rate=20.0, seed=4, channels=("time", "speed", "lap_distance"))
    absurd = table.copy()
    absurd.loc[100, "lap_distance"] = 1e6
    fall = int(np.flatnonzero(np.diff(table["lap_distance"]) < -100)[1])
    blank = table.copy()
    blank.loc[fall : fall + 2, "lap_distance"] = np.nan
    for bad, least in ((absurd, 2e-3), (blank, 0.1)):
        laps = load(bad, tmp_path, units="m/s").laps
        laps = laps[laps["complete"]]
        np.testing.assert_allclose(laps["lap_time"], truth.laps["lap_time"], atol=least)


def test_the_two_ends_of_a_line_may_come_in_any_order(samples):
    x, y, heading = oval().start_line
    across = 8 * np.array([-np.sin(heading), np.cos(heading)])
    ends = [(x + across[0], y + across[1]), (x - across[0], y - across[1])]
    first = session_of(samples, start_line=(*ends[0], *ends[1]))
    second = session_of(samples, start_line=(*ends[1], *ends[0]))
    np.testing.assert_allclose(first.laps["lap_time"], second.laps["lap_time"], atol=1e-9)
    assert first.laps["complete"].sum() == 3
    turn = first.track.line.heading - second.track.line.heading
    assert np.cos(turn) == pytest.approx(1.0)


# -------------------------------------------------------- absurd numbers, bounded memory


def test_a_clock_set_a_year_on_costs_no_memory(samples, tmp_path):
    jumped = samples.assign(time=np.where(np.arange(len(samples)) < 300, samples["time"], samples["time"] + 3.15e7))
    session = load(jumped, tmp_path)
    assert session.laps["complete"].sum() >= 2
    assert any("hole" in line for line in session.warnings)


def test_speeds_that_cannot_be_are_refused(samples, tmp_path):
    bad = samples.assign(speed=samples["speed"] * 1e6).rename(columns={"speed": "speed (m/s)"})
    with pytest.raises(lapkit.ColumnError, match="check the unit of speed"):
        load(bad, tmp_path)


def test_speed_at_the_line_read_across_a_hole_says_so(samples):
    crossing = float(session_of(samples, start_line=oval().start_line)._cuts.time[1])
    holed = samples[(samples["time"] < crossing - 0.7) | (samples["time"] > crossing + 0.7)].reset_index(drop=True)
    laps = session_of(holed, start_line=oval().start_line).laps
    truth = session_of(samples, start_line=oval().start_line).laps["speed_at_line"].iloc[1]
    across = laps.iloc[1]
    assert abs(across["speed_at_line"] - truth) < 2 * across["speed_at_line_uncertainty"]


def test_words_from_a_file_cannot_steer_a_terminal(samples, tmp_path, capsys):
    from lapkit.__main__ import main

    path = tmp_path / "run.csv"
    samples.assign(**{"note\x1b[31m": "x\x1b[2J"}).rename(columns={"speed": "speed (m/s)"}).to_csv(path, index=False)
    assert main(["laps", str(path)]) == 0
    assert "\x1b" not in capsys.readouterr().out


@pytest.mark.parametrize(("change", "match"), [
    (lambda t: t.drop(columns="speed"), "no column 'speed'"),
    (lambda t: t.assign(speed=np.nan), "'speed' holds no numbers"),
    (lambda t: t.iloc[:1], "at least 3 are needed"),
    (lambda t: t.iloc[::-1], "'time' does not increase after row 0"),
])  # fmt: skip
def test_a_recording_made_by_hand_is_checked(samples, change, match):
    with pytest.raises(lapkit.ColumnError, match=match):
        session_of(change(samples))


def test_frames_do_not_share_what_they_say_of_themselves(samples):
    session = session_of(samples)
    session.lap(1).attrs["corners"][0]["start_distance"] = -1.0
    assert session.lap(2).attrs["corners"][0]["start_distance"] >= 0


def test_times_worked_out_from_distance_and_speed_are_estimates_and_say_so(samples, plain, tmp_path):
    step = np.append(
        0.0, np.diff(samples["time"]) * 0.5 * (samples["speed"].to_numpy()[1:] + samples["speed"].to_numpy()[:-1])
    )
    table = pd.DataFrame({"Distance (m)": np.cumsum(step), "Speed (m/s)": samples["speed"], "X (m)": samples["x"],
                          "Y (m)": samples["y"]})  # fmt: skip
    session = load(table, tmp_path)
    laps = session.laps[session.laps["complete"]]
    assert (np.abs(laps["lap_time"] - plain) < 2 * laps["lap_time_uncertainty"]).all()
    assert (laps["lap_time_uncertainty"] > 0.004 * laps["lap_time"]).all()
    assert any("estimates" in line for line in session.warnings)


def test_events_of_laps_cut_short_stand_in_every_table_alike(samples):
    time = samples["time"] - samples["time"].iloc[0]
    cut = samples[(time > 16) & (time < time.iloc[-1] - 16)]
    session = session_of(cut, start_line=oval().start_line)
    laps = session.laps
    first, last = int(laps["lap"].iloc[0]), int(laps["lap"].iloc[-1])
    assert not laps["complete"].iloc[[0, -1]].any()
    assert lapkit.line_speed(session)["lap"].tolist() == laps["lap"].tolist()[:-1]  # the last does not end at the line
    for table in (lapkit.corners(session), lapkit.lifts(session)):
        assert {first, last} <= set(table["lap"])
