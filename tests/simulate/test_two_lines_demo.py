"""The recording of two lines and the track file beside it: what they are meant to show is in them."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import lapkit
from lapkit.simulate import demo_files, oval
from lapkit.simulate.demo import _LINE_ORDER

SAMPLES = Path(__file__).parents[2] / "sample_data"
HIGH = np.array(list(_LINE_ORDER[1:-1])) == "H"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    return folder, demo_files(folder)["two_lines.csv"]


@pytest.fixture(scope="module")
def session():
    return lapkit.load(SAMPLES / "two_lines.csv", track=SAMPLES / "marlow_basin.toml")


def test_the_centre_line_can_be_made_again(made):
    folder, _ = made
    assert (folder / "marlow_basin.csv").read_bytes() == (SAMPLES / "marlow_basin.csv").read_bytes()


def test_both_answers_occur_and_the_lap_times_hide_them(made):
    """The figures of sample_data/README.md."""
    _, truth = made
    first, second = truth.track.turns
    at = np.array([truth.time_at(lap, np.array([first.start, second.start])) for lap in truth.numbers])
    lap_time = truth.laps["lap_time"].to_numpy()
    one = at[:, 1] - at[:, 0]
    for times, expected in ((one, -0.148), (lap_time - one, 0.148), (lap_time, -0.001)):
        assert times[HIGH].mean() - times[~HIGH].mean() == pytest.approx(expected, abs=6e-4)
    for side in (HIGH, ~HIGH):
        assert 0.02 < lap_time[side].std(ddof=1) < 0.05  # laps differ as laps do


def test_any_lap_joins_any_other_without_a_kink(made):
    _, truth = made
    lines = [truth.line(lap) for lap in truth.numbers]
    for before, after in pairwise(lines):
        (e0, s0, _), (e1, s1, _) = before(truth.track.length - 1e-6), after(0.0)
        assert abs(float(e0 - e1)) < 1e-4 and abs(float(s0 - s1)) < 2e-3


def test_the_file_is_small():
    assert (SAMPLES / "two_lines.csv").stat().st_size < 700e3


def test_the_track_file_is_the_track(session):
    course, track = oval(), session.track
    place = np.arange(0.0, 1200.0)
    assert track.length == pytest.approx(course.length, abs=0.01)
    x, y = course.xy(np.arange(len(track.reference.x)) * track.reference.spacing)
    assert np.hypot(track.reference.x - x, track.reference.y - y).max() < 0.02
    assert np.degrees(np.abs(track.along("banking", place) - course.banking(place)).max()) < 0.7
    np.testing.assert_allclose(track.corners[["start_distance", "end_distance"]],
                               course.corners[["start_distance", "end_distance"]], atol=0.1)  # fmt: skip
    assert track.markers["marker"].tolist() == ["pit wall end", "gate 3", "water tower", "scoreboard"]
    lanes = track.lanes.set_index("lane")
    assert lanes.loc["high", "from_offset"] == -float(track.along("right_width", np.array([0.0]))[0])
    assert lanes.loc["low", "to_offset"] == float(track.along("left_width", np.array([0.0]))[0])


def test_offsets_read_back_are_those_driven(made, session):
    """Position wanders by 0.3 m (one sigma): means over a corner, of all laps, lie within 0.15 m."""
    _, truth = made
    for corner in truth.track.turns:
        place = np.arange(np.ceil(corner.start), corner.end)
        apart = [
            session.lap(lap).loc[place, "offset"].to_numpy().mean() - truth.line(lap)(place)[0].mean()
            for lap in truth.numbers
        ]
        assert abs(np.mean(apart)) < 0.15 and np.max(np.abs(apart)) < 0.9
