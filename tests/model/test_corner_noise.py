"""Corners of a recording whose position is poor, by whichever channel shows them best: three invented courses."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest

from lapkit import Recording, Session
from lapkit.model.curvature import doubt, least_curvature, path_curvature
from lapkit.model.recording import Provenance
from lapkit.model.tracks.learning import learn_track
from lapkit.simulate import CONSUMER, Truth, oval, record, road_course
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR, _drive_warm
from lapkit.simulate.driver import default_driver, run_scripts
from lapkit.simulate.track import Track, close_straights, corner, straight

COURSES = {"oval": {2}, "four corners": {4}, "road course": {9, 10}}
"""Course -> how many corners it has: the way out of the road course's fourth may be seen as one more."""


@lru_cache
def _driven(course: str) -> Truth:
    """A course and six laps of it, invented."""
    quarter = np.pi / 2
    bends = [corner(str(k), 70.0, quarter, 30.0) for k in range(1, 5)]
    four = [
        straight(150.0),
        *bends[0],
        straight(90.0),
        *bends[1],
        straight(330.0),
        *bends[2],
        straight(90.0),
        *bends[3],
    ]
    track = {
        "oval": oval,
        "four corners": lambda: Track(close_straights([*four, straight(150.0)])),
        "road course": road_course,
    }[course]()
    car = ROAD_CAR if course == "road course" else OVAL_CAR
    driver = default_driver(track, car)
    return _drive_warm(track, car, run_scripts(driver, 6, np.random.default_rng(5), 1.5))


def _corners_seen(course: str, position: float, wander: float, *channels: str, rate: float = 20.0) -> Session:
    truth = _driven(course)
    noise = replace(CONSUMER, position=position, position_wander=wander)
    names = ("time", "lap", "x", "y", "speed", *channels)
    samples = record(truth, rate, out_lap=200.0, in_lap=100.0, noise=noise, seed=5, channels=names)
    return Session(Recording(samples, Provenance("noisy.csv")))


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("channels", [(), ("yaw_rate",), ("lateral_acceleration",)])
@pytest.mark.parametrize(("position", "wander"), [(0.3, 2.0), (0.8, 2.0), (1.5, 3.0)])
def test_noise_of_position_makes_no_corners(
    course: str, channels: tuple[str, ...], position: float, wander: float
) -> None:
    for rate in (10.0, 20.0):
        session = _corners_seen(course, position, wander, *channels, rate=rate)
        assert len(session.track.corners) in COURSES[course]


@pytest.mark.parametrize("course", COURSES)
def test_yaw_rate_shows_corners_where_position_is_too_noisy(course: str) -> None:
    clean = _corners_seen(course, 0.0, 0.0, "yaw_rate")
    noisy = _corners_seen(course, 0.8, 2.0, "yaw_rate")
    assert (clean.corner_source, noisy.corner_source) == ("position", "yaw rate")
    apart = [  # m from each start and each end to the nearest of the clean recording
        np.abs(clean.track.corners[place].to_numpy() - noisy.track.corners[place].to_numpy()[:, None]).min(axis=1)
        for place in ("start_distance", "end_distance")
    ]
    assert np.quantile(apart, 0.9) < 6.0  # by position alone up to 80
    assert any(line.startswith("Corners were found from yaw rate") for line in noisy.warnings)
    learnt = learn_track(noisy)
    assert len(learnt.corners) == len(noisy.track.corners)
    assert np.abs(learnt.corners["apex_distance"] - noisy.track.corners["apex_distance"]).max() < 5.0


@pytest.mark.parametrize("course", COURSES)
@pytest.mark.parametrize("noise", [(0.0, 0.0), (0.05, 0.3)])
def test_yaw_rate_changes_nothing_where_position_is_good(course: str, noise: tuple[float, float]) -> None:
    without, given = _corners_seen(course, *noise), _corners_seen(course, *noise, "yaw_rate")
    assert without.corner_source == given.corner_source == "position"
    pd.testing.assert_frame_equal(without.track.corners, given.track.corners)
    assert not [line for line in given.warnings if "orners" in line]


def test_corners_that_may_be_noise_are_doubted_aloud() -> None:
    session = _corners_seen("oval", 1.5, 3.0)
    assert [line for line in session.warnings if "not to be trusted" in line and "position shakes by 1." in line]


def test_noise_known_to_be_in_a_smooth_line_is_smoothed_away() -> None:
    angle = 2 * np.pi * np.arange(600) / 600
    radius = 100.0 + 0.1 * np.cos(20 * angle)  # one wave each 31 m: too smooth to be told from a path
    x, y, step = radius * np.cos(angle), radius * np.sin(angle), 2 * np.pi * 100 / 600
    bare, known = path_curvature(x, y, step), path_curvature(x, y, step, noise=2.0)
    assert np.ptp(bare) > 0.005
    assert np.ptp(known) < 0.0005
    assert np.mean(known) == pytest.approx(0.01, rel=0.02)


def test_doubt_is_the_scatter_of_laps_in_thirds_of_a_corner() -> None:
    laps = np.random.default_rng(1).normal(0.0, least_curvature(1000.0) / 3.0, (40, 1000))
    assert doubt(laps, 1.0) == pytest.approx(1.0, rel=0.05)
