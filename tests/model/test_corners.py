"""Corners from curvature: micro-laps with known geometry, invariants, published ovals."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lapkit
from lapkit.errors import FrameError
from lapkit.model import curvature as curvature_module
from lapkit.model.corners import (
    combine_curvatures,
    curvature_of,
    curvatures_of,
    find_corners,
    path_curvature,
    segments_of,
)
from lapkit.model.curvature import rate_curvature
from lapkit.simulate import oval, road_course, stadium


def straight(length: float, curvature: float = 0.0) -> list[tuple[float, float, float]]:
    return [(length, curvature, curvature)]


def bend(radius: float, degrees: float, spiral: float = 30.0) -> list[tuple[float, float, float]]:
    """Clothoid, arc, clothoid through an angle, positive to the left."""
    k = np.sign(degrees) / radius
    arc = abs(np.radians(degrees)) * radius - spiral
    return [(spiral, 0.0, k), (arc, k, k), (spiral, k, 0.0)]


def profile(*parts: list[tuple[float, float, float]], step: float = 1.0) -> np.ndarray:
    pieces = [np.linspace(a, b, round(n / step), endpoint=False) for part in parts for n, a, b in part]
    return np.concatenate(pieces)


def line_of(curvature: np.ndarray, step: float = 1.0) -> tuple[np.ndarray, np.ndarray]:
    heading = np.concatenate([[0.0], np.cumsum(curvature)[:-1]]) * step
    return np.cumsum(np.cos(heading)) * step, np.cumsum(np.sin(heading)) * step


TWO = [straight(300), bend(60, 180), straight(300), bend(60, 180)]
ROAD = [
    straight(250), bend(12, -150, 9), straight(200), bend(400, 20), straight(150), bend(45, 60, 15),
    bend(45, -60, 15), straight(200), bend(80, -170), straight(300), bend(50, -60), straight(300),
]  # fmt: skip


def test_oval_that_begins_in_the_middle_of_a_straight() -> None:
    lap = np.roll(profile(*TWO), -150)
    table = find_corners(lap, 1.0)
    assert table["corner"].tolist() == ["1", "2"]
    assert table["direction"].tolist() == ["left", "left"]
    length = np.pi * 60 + 30
    assert table["start_distance"].to_numpy() == pytest.approx([150, 450 + length], abs=3)
    assert (table["end_distance"] - table["start_distance"]).to_numpy() == pytest.approx([length] * 2, abs=5)
    assert table["radius"].to_numpy() == pytest.approx([60, 60], rel=1e-6)
    assert table["apex_distance"].to_numpy() == pytest.approx([150 + length / 2, 450 + 1.5 * length], abs=3)


@pytest.mark.parametrize("radius", [60.0, 120.0, 300.0])
@pytest.mark.parametrize("count", [2, 4])
def test_ovals_of_any_size(radius: float, count: int) -> None:
    lap = profile(
        *[part for _ in range(count) for part in (straight(2 * radius), bend(radius, 360 / count, radius / 3))]
    )
    table = find_corners(lap, 1.0)
    assert len(table) == count
    assert table["radius"].to_numpy() == pytest.approx([radius] * count, rel=1e-6)
    start = [2 * radius + k * (len(lap) / count) for k in range(count)]
    assert table["start_distance"].to_numpy() == pytest.approx(start, abs=0.03 * radius + 2)


def test_road_course_hairpin_fast_bend_and_esses() -> None:
    table = find_corners(profile(*ROAD), 1.0)
    assert table["direction"].tolist() == ["right", "left", "left", "right", "right", "right"]
    assert table["radius"].to_numpy() == pytest.approx([12, 400, 45, 45, 80, 50], rel=0.02)
    assert table["end_distance"].iloc[2] == table["start_distance"].iloc[3]  # esses: one corner passes into the other
    assert (table["end_distance"] > table["start_distance"]).all()
    assert (table["apex_distance"].between(table["start_distance"], table["end_distance"])).all()


@pytest.mark.parametrize(("degrees", "found"), [(8.0, 2), (20.0, 3)])
def test_a_fast_bend_is_a_corner_only_if_the_turn_matters(degrees: float, found: int) -> None:
    lap = profile(straight(300), bend(400, degrees, 20), straight(500), bend(60, 180), straight(600), bend(60, 180))
    assert len(find_corners(lap, 1.0)) == found


def test_double_apex_is_one_corner_and_two_bends_with_a_straight_between_are_two() -> None:
    k = 1 / 40
    double = [
        (20, 0, k),
        (30, k, k),
        (20, k, 0.5 * k),
        (20, 0.5 * k, 0.5 * k),
        (20, 0.5 * k, k),
        (30, k, k),
        (20, k, 0),
    ]
    rest = [straight(400), bend(60, 170), straight(300)]
    assert len(find_corners(profile(straight(300), double, *rest), 1.0)) == 2
    two = [bend(40, 80, 20), straight(40), bend(40, 90, 20)]
    table = find_corners(profile(straight(300), *two, *rest), 1.0)
    assert len(table) == 3
    assert table["start_distance"].iloc[1] >= table["end_distance"].iloc[0]


def test_a_corner_on_the_line_is_the_first_and_the_last() -> None:
    lap = np.roll(profile(*TWO), 80)  # the line in the second corner, 80 m before its end
    table = find_corners(lap, 1.0)
    assert len(table) == 3
    assert table["start_distance"].iloc[0] == 0.0
    assert table["end_distance"].iloc[0] == pytest.approx(80, abs=3)
    assert table["end_distance"].iloc[-1] == len(lap)
    assert (table["start_distance"] < table["end_distance"]).all()


def test_a_sliver_left_by_the_line_is_no_corner() -> None:
    lap = np.roll(profile(*TWO), 8)  # 8 m of a fading clothoid turn less than a degree
    assert len(find_corners(lap, 1.0)) == 2


def test_a_shallow_bend_before_a_hairpin_does_not_belong_to_it() -> None:
    lap = profile(straight(300), straight(200, 1 / 500), bend(12, 150, 8), straight(300), bend(100, 190), straight(500))
    table = find_corners(lap, 1.0).set_index("radius")
    assert table["start_distance"].loc[12.0] == pytest.approx(500, abs=4)


def test_the_swing_before_a_hairpin_is_no_corner_but_a_fast_bend_by_itself_is() -> None:
    swing = [(50.0, 0.0, 1 / 160), (30.0, 1 / 160, 0.0)]  # 14 degrees to the left, then the hairpin to the right
    rest = [straight(300), bend(80, -150), straight(400)]
    assert len(find_corners(profile(straight(300), swing, bend(12, -160, 8), *rest), 1.0)) == 2
    assert len(find_corners(profile(straight(300), swing, straight(60), bend(12, -160, 8), *rest), 1.0)) == 3
    wide = find_corners(profile(straight(300), swing, bend(12, -160, 8), *rest), 1.0, swing_ratio=0.0)
    assert wide["direction"].tolist() == ["left", "right", "right"]


def test_a_circle_is_one_corner() -> None:
    table = find_corners(np.full(1000, 2 * np.pi / 1000), 1.0)
    assert table[["start_distance", "end_distance"]].to_numpy().tolist() == [[0.0, 1000.0]]


def test_nothing_ends_beyond_the_track() -> None:
    lap = np.roll(profile(*TWO), 80)
    assert find_corners(lap, 1.0, track_length=len(lap) - 0.4)["end_distance"].max() == len(lap) - 0.4


@pytest.mark.parametrize("lap", [np.zeros(800), np.full(800, np.nan), np.empty(0), np.zeros(3)])
def test_no_corners_gives_the_same_columns(lap: np.ndarray) -> None:
    table = find_corners(lap, 1.0)
    assert table.empty
    assert list(table.columns) == list(find_corners(profile(*TWO), 1.0).columns)
    assert table.dtypes.equals(find_corners(profile(*TWO), 1.0).dtypes)


def test_small_holes_are_bridged() -> None:
    lap = profile(*ROAD)
    torn = lap.copy()
    torn[[5, 6, 7, 258, 259, 700]] = np.nan
    whole, bridged = find_corners(lap, 1.0), find_corners(torn, 1.0)
    assert bridged["corner"].tolist() == whole["corner"].tolist()
    assert bridged["start_distance"].to_numpy() == pytest.approx(whole["start_distance"].to_numpy(), abs=2)


@settings(max_examples=40, deadline=None)
@given(half=st.integers(0, 100), mirror=st.booleans(), step=st.sampled_from([0.5, 1.0, 2.0]))
def test_boundaries_follow_the_line_the_mirror_and_the_step(half: int, mirror: bool, step: float) -> None:
    base, shift = find_corners(profile(*ROAD), 1.0), 2 * half
    lap = np.roll(profile(*ROAD, step=step), round(shift / step)) * (-1 if mirror else 1)
    table = find_corners(lap, step)
    assert len(table) == len(base)
    assert table["start_distance"].to_numpy() == pytest.approx(base["start_distance"].to_numpy() + shift, abs=5)
    flipped = base["direction"].map({"left": "right", "right": "left"}) if mirror else base["direction"]
    assert table["direction"].tolist() == flipped.tolist()
    assert table["radius"].to_numpy() == pytest.approx(base["radius"].to_numpy(), rel=0.1)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10_000), noise=st.floats(0.0, 0.003))
def test_corners_never_overlap_and_stay_on_the_lap(seed: int, noise: float) -> None:
    lap = profile(*ROAD) + np.random.default_rng(seed).normal(0, noise, len(profile(*ROAD)))
    table = find_corners(lap, 1.0)
    edges = table[["start_distance", "end_distance"]].to_numpy().ravel()
    assert (np.diff(edges) >= 0).all()
    assert edges.size == 0 or (edges[0] >= 0 and edges[-1] <= len(lap))


def test_driven_the_other_way_round_the_corners_are_the_same_places() -> None:
    lap = profile(*ROAD)
    there, back = find_corners(lap, 1.0), find_corners(-lap[::-1], 1.0)
    assert back["end_distance"].to_numpy()[::-1] == pytest.approx(len(lap) - there["start_distance"].to_numpy(), abs=2)


# ----------------------------------------------------------------------- curvature


def test_curvature_of_a_circle_of_radius_two() -> None:
    """OpenStax Calculus Volume 3, section 3.3: y = sqrt(4 x - x^2) has curvature 1/2 at x = 2."""
    angle = 2 * np.pi * np.arange(1000) / 1000
    step = 4 * np.pi / 1000
    curvature = path_curvature(2 + 2 * np.cos(angle), 2 * np.sin(angle), step, path=np.arange(1000) * step)
    assert curvature == pytest.approx(np.full(1000, 0.5), rel=1e-3)


def test_standard_athletics_oval() -> None:
    """World Athletics (IAAF) Track and Field Facilities Manual 2008: straights 84.39 m, kerb 36.50 m, measured 0.30 m out."""
    track = stadium(84.39, 36.80)
    assert track.length == pytest.approx(400.001, abs=1e-3)
    place = np.arange(0.0, track.length, 0.5)
    table = find_corners(path_curvature(*track.xy(place), 0.5), 0.5)
    assert table["radius"].to_numpy() == pytest.approx([36.80] * 2, rel=0.01)
    assert table["start_distance"].to_numpy() == pytest.approx([84.39, 84.39 * 2 + np.pi * 36.8], abs=5)
    assert table["end_distance"].to_numpy() == pytest.approx([84.39 + np.pi * 36.8, 400.0], abs=5)


def test_clothoid_ends_and_its_turn() -> None:
    """Euler spiral: over 50 m to a radius of 100 m the heading turns 50 / (2 x 100) = 0.25 rad (by definition)."""
    track = stadium(300.0, 100.0, transition=50.0)
    place = np.arange(0.0, track.length)
    curvature = path_curvature(*track.xy(place), 1.0)
    first = find_corners(curvature, 1.0).iloc[0]
    assert first["start_distance"] == pytest.approx(300, abs=3)
    assert np.trapezoid(curvature[290:351]) == pytest.approx(0.25, abs=0.001)


@pytest.mark.parametrize("track", [oval(), road_course()], ids=["oval", "road course"])
@pytest.mark.parametrize("noise", [0.0, 0.05])
def test_invented_tracks_from_position(track, noise: float) -> None:
    rng = np.random.default_rng(5)
    place = np.arange(0.0, track.length)
    x, y = (np.stack([axis + rng.normal(0, noise, axis.size) for _ in range(5)]) for axis in track.xy(place))
    table = find_corners(combine_curvatures(path_curvature(x, y, 1.0)), 1.0, track_length=track.length)
    truth = track.corners
    assert table["direction"].tolist() == truth["direction"].tolist()
    assert table["radius"].to_numpy() == pytest.approx(truth["radius"].to_numpy(), rel=0.2 if noise else 0.01)
    slack = np.where(truth["corner"].isin(["2", "3", "4"]) & (len(truth) > 2), 12.0, 12.0 if noise else 3.0)
    assert (np.abs(table["start_distance"] - truth["start_distance"]) <= slack).all()
    assert (np.abs(table["end_distance"] - truth["end_distance"]) <= slack).all()


def test_a_lap_that_ends_in_another_lane_has_no_corner_at_the_line() -> None:
    lap = profile(*TWO) * (2 * np.pi / profile(*TWO).sum())
    x, y = line_of(lap)
    offset = np.linspace(0.0, 6.0, len(x))
    heading = np.concatenate([[0.0], np.cumsum(lap)[:-1]])
    curvature = path_curvature(x - offset * np.sin(heading), y + offset * np.cos(heading), 1.0)
    assert np.abs(curvature[[0, 1, 2, -3, -2, -1]]).max() < 0.002
    assert len(find_corners(curvature, 1.0)) == 2


@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_straight_pieces_between_slow_samples_do_not_show(rate: float) -> None:
    track = oval()
    samples = np.arange(0.0, track.length, 45.0 / rate)
    place = np.arange(0.0, track.length - 10)
    x, y = (np.interp(place, samples, axis) for axis in track.xy(samples))
    frame = pd.DataFrame({"x": x, "y": y, "speed": 45.0}, index=pd.Index(place, name="distance"))
    frame.attrs["sample_interval"] = 1 / rate
    curvature, source = curvature_of(frame)
    assert source == "position"
    assert np.abs(curvature[200:400] - 1 / 92).max() < 5e-4


def test_best_channels_first() -> None:
    lap = profile(*ROAD)
    lap = np.concatenate([lap, np.full(1800, (2 * np.pi + lap.sum()) / -1800)])  # closes to one turn to the right
    x, y = line_of(lap)
    speed = np.full(len(lap), 25.0)
    frame = pd.DataFrame(
        {"speed": speed, "lateral_acceleration": lap * speed**2, "yaw_rate": lap * speed + 0.02, "x": x, "y": y}
    )
    expected = find_corners(lap, 1.0)
    for columns, source in (
        (["x", "y", "speed", "yaw_rate"], "position"),
        (["speed", "yaw_rate", "lateral_acceleration"], "yaw rate"),
        (["speed", "lateral_acceleration"], "lateral acceleration"),
        (["speed"], "none"),
        (["yaw_rate"], "none"),
    ):
        curvature, found = curvature_of(frame[columns])
        assert found == source
        if source == "none":
            assert np.isnan(curvature).all()
            continue
        table = find_corners(curvature, 1.0)
        assert (
            table["corner"].tolist() == expected["corner"].tolist()
        )  # the yaw rate's offset of 0.02 rad/s is found out
        assert table["start_distance"].to_numpy() == pytest.approx(expected["start_distance"].to_numpy(), abs=4)


def test_holes_stay_holes_and_the_frame_is_not_changed() -> None:
    x, y = line_of(profile(*TWO))
    frame = pd.DataFrame({"x": x, "y": y})
    frame.loc[100:110, "x"] = np.nan
    before = frame.copy()
    curvature, _ = curvature_of(frame)
    assert np.isnan(curvature[100:111]).all()
    assert np.isfinite(np.delete(curvature, np.arange(100, 111))).all()
    pd.testing.assert_frame_equal(frame, before)


def test_standing_still_has_no_curvature() -> None:
    frame = pd.DataFrame({"speed": np.r_[np.zeros(50), np.full(450, 20.0)], "yaw_rate": 0.2})
    curvature, _ = curvature_of(frame)
    assert np.isnan(curvature[:50]).all()
    assert np.isfinite(curvature[60:]).all()


def test_one_odd_lap_does_not_move_the_median() -> None:
    lap = profile(*TWO)
    odd = np.roll(lap, 60)
    assert combine_curvatures([lap, lap, odd]) == pytest.approx(lap)
    torn = lap.copy()
    torn[10:20] = np.nan
    assert combine_curvatures([lap, torn, np.full(len(lap), np.nan)]) == pytest.approx(lap)


@pytest.mark.parametrize(
    ("make", "calls"),  # of a path, x and y, each with its derivative
    [(lambda v: path_curvature(np.cos(v) * 80, np.sin(v) * 80, 1.0), 4), (lambda v: rate_curvature(np.sin(v), 1.0), 1)],
)
def test_a_single_quiet_lap_is_smoothed_once(make: Callable, calls: int, monkeypatch: pytest.MonkeyPatch) -> None:
    smooth, made = curvature_module._smooth, []
    monkeypatch.setattr(curvature_module, "_smooth", lambda *given, **more: made.append(1) or smooth(*given, **more))
    make(np.arange(500.0) * 2 * np.pi / 500)
    assert len(made) == calls


def test_what_is_no_lap_has_no_curvature_and_no_corners() -> None:
    for few in (np.empty(0), np.ones(1), np.ones(7)):
        for make in (lambda v: path_curvature(v, v, 1.0), lambda v: rate_curvature(v, 1.0)):
            with pytest.raises(FrameError, match=rf"at least 8 places round a lap; found {len(few)}"):
                make(few)
    for step, length in ((0.0, None), (1.0, 0.0), (np.nan, None)):
        with pytest.raises(FrameError, match="give a step and a length in metres above zero"):
            find_corners(np.full(100, 0.01), step, track_length=length)
    with pytest.raises(FrameError, match="got None among them"):
        curvature_of(None)
    odd = profile(*TWO)
    odd[7] = np.inf
    pd.testing.assert_frame_equal(find_corners(odd, 1.0), find_corners(profile(*TWO), 1.0))


@pytest.mark.parametrize(
    ("start", "end", "said"),
    [
        (9.0, 5.0, "starts before its end"),
        (np.nan, 5.0, "starts before"),
        (5.0, 5.0, "starts before"),
        ("a", 5.0, "not a number"),
    ],
)
def test_a_corner_that_is_none_is_refused_by_everything_that_takes_corners(
    start: object, end: float, said: str
) -> None:
    given = [{"corner": "1", "start_distance": start, "end_distance": end}]
    place = np.arange(101.0)
    lap = pd.DataFrame({"time": place / 20, "distance": place, "speed": 20.0})
    difference = pd.DataFrame({"delta": place, "delta_uncertainty": 0.0}, index=pd.Index(place, name="distance"))
    difference.attrs["track_length"] = 100.0
    for call in (
        lambda: segments_of(given, 100.0),
        lambda: lapkit.corners(lap, where=given),
        lambda: lapkit.losses(difference, corners=given),
    ):
        with pytest.raises(FrameError, match=said):
            call()
    with pytest.raises(FrameError, match=r"a lap of nan m"):
        segments_of([], np.nan)


def test_frames_on_different_grids_are_refused() -> None:
    frames = [pd.DataFrame({"speed": np.ones(n)}) for n in (20, 21)]
    with pytest.raises(FrameError, match=r"frames of whole laps on one grid; found frames of 20, 21 rows"):
        curvatures_of(frames)
    with pytest.raises(FrameError, match="found no frame"):
        curvatures_of([])
    with pytest.raises(FrameError, match="found frames of 3 rows"):
        curvature_of(pd.DataFrame({"speed": np.ones(3)}))


# ------------------------------------------------------------------------ segments


def test_segments_cover_the_lap_once() -> None:
    table = find_corners(profile(*ROAD), 1.0)
    segments = segments_of(table, 1800.0)
    assert segments["start_distance"].iloc[0] == 0.0
    assert segments["end_distance"].iloc[-1] == 1800.0
    assert (segments["start_distance"].to_numpy()[1:] == segments["end_distance"].to_numpy()[:-1]).all()
    assert segments["segment"].iloc[:3].tolist() == ["straight before corner 1", "corner 1", "straight after corner 1"]
    assert "straight after corner 3" not in segments["segment"].tolist()  # the esses touch


def test_segments_without_corners_are_ten_parts() -> None:
    segments = segments_of(find_corners(np.zeros(500), 1.0), 500.0)
    assert segments["segment"].tolist()[:2] == ["part 1 of 10", "part 2 of 10"]
    assert segments["end_distance"].iloc[-1] == 500.0


def test_yaw_rate_of_a_lap_on_a_longer_line_is_not_taken_for_an_offset_of_the_sensor() -> None:
    """A circle of 1000 m driven 4 m outside: 25 m longer, at 40 m/s, turning once. No sensor offset was put in."""
    place = np.arange(1000.0)
    radius = 1000.0 / (2 * np.pi)
    speed, outer = 40.0, radius + 4.0
    frame = pd.DataFrame(
        {"yaw_rate": np.full(1000, speed / outer), "speed": speed, "time": place * (outer / radius) / speed},
        index=pd.Index(place, name="distance"),
    )
    curvature, source = curvatures_of([frame])
    assert source == "yaw rate"
    assert curvature[0] == pytest.approx(np.full(1000, 1 / outer), rel=2e-3)
