import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from support import session_of

from lapkit import ColumnError, LapError, LapkitError, Recording, Session
from lapkit.analysers.lap.segment_times import segment_times
from lapkit.model.geodesy import geodetic_to_local
from lapkit.model.recording import ChannelSource, Provenance
from lapkit.model.tracks.track import Track, no_corners
from lapkit.simulate import CONSUMER, oval, road_course, stint
from lapkit.simulate.recorder import geodetic

CHANNELS = ("time", "x", "y", "speed", "throttle", "yaw_rate")


@pytest.fixture(scope="module")
def run():
    return stint(laps=4, rate=20.0, seed=3, channels=(*CHANNELS, "lap", "lap_distance", "gear"))


@pytest.fixture(scope="module")
def session(run):
    return session_of(run[0][list(CHANNELS)], start_line=oval().start_line)


# ---------------------------------------------------------------- against the simulated truth


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("track", [oval(), road_course()], ids=["oval", "road"])
@pytest.mark.parametrize("marked", ["line", "lap", "lap_distance"])
def test_lap_time_and_speed_at_the_line_without_noise(track, rate, marked):
    extra = () if marked == "line" else (marked,)
    keep = ("time", "speed") if marked == "lap_distance" else ("time", "x", "y", "speed")
    samples, truth = stint(track, laps=3, rate=rate, seed=5, channels=(*keep, *extra))
    session = session_of(samples, start_line=track.start_line if marked == "line" else None)
    laps = session.laps[session.laps["complete"]]
    assert len(laps) == 3
    limit = 3e-3 if rate < 20 else 1e-3
    np.testing.assert_allclose(laps["lap_time"], truth.laps["lap_time"], atol=limit)
    np.testing.assert_allclose(laps["speed_at_line"], truth.laps["speed_at_line"], atol=0.05)


def test_with_noise_the_stated_uncertainty_covers_the_truth():
    """About 95 % of truths inside twice the stated uncertainty, over 216 simulated laps."""
    miss_time, miss_speed, error = [], [], []
    for seed in range(12):
        for rate in (10.0, 25.0, 60.0):
            samples, truth = stint(laps=6, rate=rate, seed=seed, noise=CONSUMER, channels=CHANNELS)
            laps = session_of(samples, start_line=oval().start_line).laps
            laps = laps[laps["complete"]]
            z = (laps["lap_time"].to_numpy() - truth.laps["lap_time"].to_numpy()) / laps["lap_time_uncertainty"]
            v = laps["speed_at_line"].to_numpy() - truth.laps["speed_at_line"].to_numpy()
            miss_time += list(np.abs(z) > 2)
            error += list(z * laps["lap_time_uncertainty"])
            miss_speed += list(np.abs(v / laps["speed_at_line_uncertainty"]) > 2)
    assert len(miss_time) >= 200
    assert 0.005 <= np.mean(miss_time) <= 0.10
    assert np.mean(miss_speed) <= 0.10
    assert np.sqrt(np.mean(np.square(error))) < 5e-3  # s; 7.6 ms where a drift of 0.3 m is left in


def test_a_line_put_where_the_loop_closes_gives_every_lap():
    samples, truth = stint(laps=5, rate=25.0, seed=2, channels=CHANNELS)
    session = session_of(samples)
    assert "No line was given" in session.assumptions[0]
    laps = session.laps[session.laps["complete"]]
    assert len(laps) >= 4
    # Somewhere else on the track laps begin and end elsewhere, but they take about as long.
    assert np.median(laps["lap_time"]) == pytest.approx(np.median(truth.laps["lap_time"]), abs=0.3)


def test_a_recording_of_one_lap_cut_at_the_line_is_one_lap():
    samples, truth = stint(laps=1, rate=50.0, seed=2, channels=CHANNELS, out_lap=0.0, in_lap=0.0)
    session = session_of(samples)
    laps = session.laps
    assert list(laps["complete"]) == [True]
    assert laps["lap_time"][0] == pytest.approx(truth.laps["lap_time"].iloc[0], abs=5e-3)


# ----------------------------------------------------------------------------- the lap frame


def test_the_frame_keeps_its_contract(session):
    frame = session.lap(2)
    assert type(frame) is pd.DataFrame
    assert frame.index.name == "distance"
    assert np.array_equal(frame.index, np.arange(len(frame)) * 1.0)
    assert frame.index[-1] <= session.track.length < frame.index[-1] + 1.0
    assert frame["time"].iloc[0] == 0.0
    assert (np.diff(frame["time"]) > 0).all()
    assert (np.diff(frame["path"]) > 0).all()
    assert frame["time"].iloc[-1] < frame.attrs["lap_time"]
    assert frame.attrs["lap_time"] - frame["time"].iloc[-1] < 2.0 / frame["speed"].iloc[-1]
    json.dumps(frame.attrs, allow_nan=False)


def test_all_frames_share_one_grid(session):
    first, *others = (session.lap(int(n)) for n in session.laps["lap"])
    assert all(first.index.equals(other.index) for other in others)


def test_discrete_channels_take_the_previous_sample():
    samples, _ = stint(road_course(), laps=2, rate=25.0, seed=1, channels=("time", "x", "y", "speed", "gear"))
    gear = session_of(samples, start_line=road_course().start_line).lap(1)["gear"]
    assert set(gear.dropna().unique()) <= set(samples["gear"].unique())


def test_place_means_the_same_on_a_higher_line():
    """Two laps on lines some metres apart: a row is the same place across the track, by position.

    The simulated truth is the test: the position of both laps at one row projects on one point of the centre line.
    """
    from lapkit.simulate import oval_driver

    low, _ = stint(laps=2, rate=25.0, seed=1, channels=CHANNELS, variation=0.0)
    high, _ = stint(
        laps=2, rate=25.0, seed=1, channels=CHANNELS, variation=0.0, driver=oval_driver(oval(), entry=-4, apex=-4)
    )
    first = session_of(low, start_line=oval().start_line)
    second = session_of(high, track=first.track)
    a, b = first.lap(1), second.lap(1)
    east, north = np.gradient(a["x"]), np.gradient(a["y"])
    along = ((b["x"] - a["x"]) * east + (b["y"] - a["y"]) * north) / np.hypot(east, north)
    across = np.hypot(b["x"] - a["x"], b["y"] - a["y"])
    assert across.max() > 2.0
    assert along[5:-5].abs().max() < 0.3


def test_samples_carry_place_and_lap(session):
    table = session.samples()
    assert {"lap", "lap_clock", "distance", "path"} <= set(table.columns)
    one = session.samples(2)
    assert one["time"].min() >= 0
    assert one["time"].max() < one.attrs["lap_time"]
    assert len(one) == (table["lap"] == 2).sum()


def test_the_given_samples_are_left_alone(run):
    samples = run[0].copy()
    session = session_of(samples)
    session.lap(int(session.laps["lap"].iloc[1]))
    session.samples()
    pd.testing.assert_frame_equal(samples, run[0])


# -------------------------------------------------------------- what is out of the ordinary


def test_holes_are_not_interpolated_across_and_the_lap_says_so(run):
    samples = run[0]
    middle = float(run[1].crossings[1] + 8.0 + samples["time"].iloc[0] * 0)
    middle += float(samples.attrs.get("clock_offset", 0.0))
    holed = samples[(samples["time"] < middle) | (samples["time"] > middle + 2.0)].reset_index(drop=True)
    session = session_of(holed[list(CHANNELS)], start_line=oval().start_line)
    marked = session.laps.loc[session.laps["flags"] == "gap", "lap"]
    assert len(marked) == 1
    frame = session.lap(int(marked.iloc[0]))
    missing = frame["speed"].isna()
    assert 50 < missing.sum() < 150
    assert frame["time"].isna().equals(missing)
    assert session.best_number() != marked.iloc[0]


def test_a_stop_and_a_reset_are_marked_and_never_best(run):
    samples = run[0][list(CHANNELS)].copy()
    start = samples.index[len(samples) // 2]
    still = pd.DataFrame([samples.loc[start]] * 60)
    still["speed"] = 0.0
    still["time"] = samples.loc[start, "time"] + np.arange(60) / 20.0
    after = samples.loc[start:].copy()
    after["time"] += 3.0
    session = session_of(
        pd.concat([samples.loc[: start - 1], still, after], ignore_index=True), start_line=oval().start_line
    )
    assert session.laps["flags"].str.contains("stop").sum() == 1
    jumped = samples.copy()
    jumped.loc[start : start + 30, ["x", "y"]] += 300.0
    session = session_of(jumped, start_line=oval().start_line)
    bad = session.laps[session.laps["flags"].str.contains("reset")]
    assert len(bad) >= 1
    assert session.best_number() not in set(bad["lap"])


def test_out_and_in_laps_are_kept_and_marked():
    samples, _ = stint(laps=3, rate=20.0, seed=1, channels=CHANNELS, out_lap=300.0, in_lap=200.0)
    flags = session_of(samples, start_line=oval().start_line).laps["flags"]
    assert flags.iloc[0] in {"out", "partial"}
    assert flags.iloc[-1] in {"in", "partial"}
    assert (flags.iloc[1:-1] == "").all()


def test_nothing_marks_the_laps():
    samples, _ = stint(laps=2, rate=20.0, seed=1, channels=("time", "speed"))
    session = session_of(samples)
    assert not session.laps["complete"].any()
    assert any("nothing marks the laps" in line for line in session.warnings)
    with pytest.raises(LapError, match="no clean complete lap"):
        session.best()


def test_errors_name_what_is_there(session, run):
    with pytest.raises(LapError, match=r"there is no lap 99; the recording has laps 0, 1, 2"):
        session.lap(99)
    with pytest.raises(LapError, match="It came within"):
        session_of(run[0][list(CHANNELS)], start_line=(*oval().start_line[:2], oval().start_line[2] + np.pi))
    with pytest.raises(ColumnError, match="a start line needs position"):
        session_of(run[0][["time", "speed"]], start_line="1,2")


def test_lap_numbers_are_the_files_own(run):
    samples = run[0].assign(lap=run[0]["lap"] + 40)
    session = session_of(samples)
    assert list(session.laps["lap"]) == [40, 41, 42, 43, 44, 45]


def test_the_session_shows_itself(session):
    text = repr(session)
    assert "Lap time (s)" in text
    assert "Assumed:" in text
    html = session_of(stint(laps=1, rate=20.0, channels=CHANNELS)[0], source="<script>x</script>")._repr_html_()
    assert "<script>" not in html
    assert "&lt;script&gt;" in html


def in_degrees(samples, origin):
    """The same run as a recording of latitude and longitude, its local frame at its first fix."""
    latitude, longitude = (np.array(v) for v in geodetic(samples["x"], samples["y"], tuple(np.radians(origin))))
    first = latitude[0], longitude[0]
    x, y, _ = geodetic_to_local(latitude, longitude, origin=(*first, 0.0))
    table = samples.assign(x=x, y=y, latitude=latitude, longitude=longitude)
    return Recording(
        table, Provenance("degrees.csv"), origin=(float(np.degrees(first[0])), float(np.degrees(first[1])))
    )


@pytest.mark.parametrize("kept", [True, False])  # the track with its reference line, and with its start line alone
def test_a_track_in_metres_and_a_recording_in_degrees_are_told_apart(run, kept):
    origin = (48.0, 11.0)
    samples = run[0][list(CHANNELS)]
    track = session_of(samples, start_line=oval().start_line).track
    track = track if kept else replace(track, reference=None)
    recording = in_degrees(samples, origin)
    with pytest.raises(
        LapError, match=r"degrees\.csv: its position is in latitude and longitude, and the track"
    ) as error:
        Session(recording, track=track)
    words = str(error.value)
    assert "lapkit track FILE --save" in words
    found = re.findall(r"(latitude|longitude) = ([-\d.]+)", words)
    assert bool(found) is kept
    if kept:  # the way out works
        latitude, longitude = (float(value) for _, value in found)
        metres = (latitude - origin[0]) * 111.2e3, (longitude - origin[1]) * 74.5e3
        assert np.hypot(*metres) < 3.0
        there = Session(recording, track=replace(track, origin=(latitude, longitude)))
        assert there.laps["complete"].sum() == session_of(samples, track=track).laps["complete"].sum()


def test_a_start_line_without_position_names_the_missing_half(run):
    half = run[0][["time", "speed", "x"]]
    known = Provenance("half.csv", channels={"x": ChannelSource("East", "m", "")})
    with pytest.raises(
        ColumnError, match=r"a start line needs position, and there is 'East' \(x\), and no y beside it"
    ):
        Session(Recording(half, known), start_line="1,2")


def test_without_position_no_start_line_is_advised(run):
    session = session_of(run[0][["time", "speed"]])
    said = next(line for line in session.warnings if "nothing marks the laps" in line)
    assert "start line" not in said and "name a column of laps" in said


def test_laps_far_from_the_length_of_the_track_are_objected_to(run):
    samples = run[0][["time", "speed", "lap"]]
    track = Track(oval().length, no_corners())
    assert not [line for line in session_of(samples, track=track).warnings if "the track given is" in line]
    slow = samples.assign(speed=samples["speed"] * 0.2777778 / 0.44704)
    said = [line for line in session_of(slow, track=track).warnings if "the track given is" in line]
    assert len(said) == 1 and "it would fit if mph was read as km/h" in said[0]


def test_a_track_in_another_frame_is_refused_with_the_reason(run):
    first = session_of(run[0][list(CHANNELS)], start_line=oval().start_line)
    elsewhere = run[0][list(CHANNELS)].assign(x=run[0]["x"] + 5000.0)
    with pytest.raises(LapError, match="ositions of the two must share one frame"):
        session_of(elsewhere, track=first.track)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"max_gap": None}, r"max_gap=None is not a time above zero, in seconds"),
        ({"max_gap": -1.0}, r"max_gap=-1\.0 is not a time"),
        ({"max_gap": np.nan}, r"max_gap=nan is not a time"),
        ({"speed_unit": 5}, r"speed_unit: expected a unit, such as 'km/h', and got 5\."),
        ({"speed_unit": "furlongs"}, r"'furlongs' is not a unit of speed; use one of"),
    ],
)
def test_what_a_session_is_told_is_looked_at_before_any_work(run, options, message):
    with pytest.raises(LapkitError, match=message):
        session_of(run[0][list(CHANNELS)], **options)


def test_what_is_no_recording_or_mark_is_refused(run, session):
    with pytest.raises(LapkitError, match=r"recording: expected a Recording, such as .*got a frame of \d+ row"):
        Session(run[0])
    nowhere = pd.DataFrame(
        [(np.nan, "tow", 1.0, 2.0, 0.1)], columns=["lap", "kind", "start_distance", "end_distance", "time_lost"]
    )
    with pytest.raises(ColumnError, match="a row does not say its lap"):
        session.marked(nowhere)


def test_times_at_borders_need_rows_and_do_without_a_lap_time(session):
    frame, edges = session.lap(1), np.array([0.0, 100.0, session.track.length])
    with pytest.raises(LapkitError, match="a frame without rows"):
        segment_times([frame.iloc[:0]], edges)
    unknown = frame.copy()
    unknown.attrs["lap_time"] = None
    times, _ = segment_times([unknown], edges)
    assert np.isfinite(times[0, :2]).all()
    assert np.isnan(times[0, 2])
