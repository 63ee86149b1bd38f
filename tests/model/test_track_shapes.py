"""Tracks from centre lines and edges: lengths, widths, sides, banking; turned to their line; learnt from laps."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import session_of

import lapkit
from lapkit import ColumnError, LapError, LapkitError
from lapkit.model.place import ReferenceLine
from lapkit.model.tracks.file import as_track
from lapkit.model.tracks.learning import learn_track
from lapkit.model.tracks.shapes import reversed_track, started_at, track_from_centre_line, track_from_edges
from lapkit.model.tracks.track import nearest_place, no_corners
from lapkit.simulate import oval, road_course, stint

FOLDER = Path(__file__).parents[3] / "shared" / "data" / "road-course-recording"
GATE = (-45.970, 131.577, 1.121)


def table(x, y, **columns):
    return pd.DataFrame({"x": x, "y": y, **columns})


def lane(offset, spacing=0.5, turned=1):
    """Points of a line round the standard 400 m track, `offset` metres outside the kerb of 36.50 m radius.

    World Athletics Track and Field Facilities Manual (2008): straights of 84.39 m, kerb radius 36.50 m, lanes 1.22 m.
    """
    straight, radius = 84.39, 36.50 + offset
    bend = np.pi * radius
    s = np.arange(0.0, 2 * (straight + bend), spacing)
    part = np.searchsorted([straight, straight + bend, 2 * straight + bend], s, side="right")
    first, second = (s - straight) / radius, (s - 2 * straight - bend) / radius
    x = np.choose(part, [s, straight + radius * np.sin(first), 2 * straight + bend - s, -radius * np.sin(second)])
    y = np.choose(part, [0 * s - radius, -radius * np.cos(first), 0 * s + radius, radius * np.cos(second)])
    return table(x, y).iloc[::turned]


def circle(radius, points=400, **columns):
    angle = 2 * np.pi * np.arange(points) / points
    return table(radius * np.cos(angle), radius * np.sin(angle), **columns)


def eight(offset=0.0, points=1600):
    """Parallel to a line that crosses itself (a lemniscate), as a table."""
    t = 2 * np.pi * np.arange(points) / points
    x, y = 200 * np.sin(t), 120 * np.sin(2 * t)
    dx, dy = 200 * np.cos(t), 240 * np.cos(2 * t)
    size = np.hypot(dx, dy)
    return table(x - offset * dy / size, y + offset * dx / size)


# -------------------------------------------------------------------- published lengths


def test_the_standard_track_is_400_metres():
    """400.001 m measured 0.30 m outside the kerb: World Athletics manual (2008), 400 m standard track."""
    assert track_from_centre_line(lane(0.30)).length == pytest.approx(400.001, abs=1e-3)


@pytest.mark.parametrize(("number", "stagger"), [(2, 7.037), (3, 14.703), (6, 37.699), (8, 53.030)])
def test_lanes_differ_by_their_stagger(number, stagger):
    """2 pi (1.22 (n - 1) - 0.10), stated on public pages; single printed values from memory."""
    first, other = (track_from_centre_line(lane(offset)).length for offset in (0.30, 0.20 + 1.22 * (number - 1)))
    assert other - first == pytest.approx(stagger, abs=1e-3)


@pytest.mark.parametrize("number", [1, 4, 8])
def test_a_lane_between_its_two_lines_is_1_22_m_wide(number):
    """Lanes of 1.22 m: the same manual. Driven anticlockwise, the kerb side is the left edge."""
    inner = 1.22 * (number - 1)
    track = track_from_edges(lane(inner, 0.25), lane(inner + 1.22, 0.4, turned=-1))
    assert track.length == pytest.approx(2 * 84.39 + 2 * np.pi * (36.50 + inner + 0.61), abs=2e-3)
    widths = track.profile["left_width"] + track.profile["right_width"]
    np.testing.assert_allclose(widths, 1.22, atol=2e-3)
    np.testing.assert_allclose(track.profile["left_width"], 0.61, atol=6e-3)
    assert track.corners["direction"].tolist() == ["left", "left"]


@pytest.mark.parametrize("points", [24, 100, 5000])
def test_a_circle_is_round(points):
    track = track_from_centre_line(circle(100.0, points))
    assert track.length == pytest.approx(200 * np.pi, abs=0.01 if points == 24 else 1e-3)
    np.testing.assert_allclose(np.hypot(track.reference.x, track.reference.y), 100.0, atol=5e-3)
    assert track.reference.spacing * len(track.reference.x) == pytest.approx(track.length)


# ---------------------------------------------------------------------- parallel lines

WAVES = st.lists(st.tuples(st.floats(-0.06, 0.06), st.floats(-0.06, 0.06)), min_size=1, max_size=4)


def loop(waves, size, turned, points=2000):
    """Smooth closed loop r(t) = size (1 + sum of waves); its points, and the unit vectors to its left."""
    t = turned * 2 * np.pi * np.arange(points) / points
    terms = [(a, b, k) for k, (a, b) in enumerate(waves, start=2)]
    r = size * (1 + sum(a * np.cos(k * t) + b * np.sin(k * t) for a, b, k in terms))
    dr = size * sum(k * (b * np.cos(k * t) - a * np.sin(k * t)) for a, b, k in terms)
    dx, dy = (dr * np.cos(t) - r * np.sin(t)) * turned, (dr * np.sin(t) + r * np.cos(t)) * turned
    speed = np.hypot(dx, dy)
    return r * np.cos(t), r * np.sin(t), -dy / speed, dx / speed


@settings(deadline=None, max_examples=25)
@given(waves=WAVES, size=st.floats(150, 500), turned=st.sampled_from([1, -1]), offset=st.floats(-12, 12))
def test_parallel_lines_differ_by_two_pi_times_their_offset(waves, size, turned, offset):
    x, y, left_x, left_y = loop(waves, size, turned)
    base = track_from_centre_line(table(x, y))
    other = track_from_centre_line(table(x + offset * left_x, y + offset * left_y))
    # a bend tighter than the offset would turn the parallel line inside out; these loops stay wider than 30 m
    assert base.length - other.length == pytest.approx(turned * 2 * np.pi * offset, abs=1e-3)


@settings(deadline=None, max_examples=12)
@given(
    waves=WAVES, size=st.floats(150, 400), turned=st.sampled_from([1, -1]), width=st.floats(6, 20),
    shift=st.integers(0, 1999), listed=st.tuples(st.sampled_from([1, -1]), st.sampled_from([1, -1])),
)  # fmt: skip
def test_edges_listed_anyhow_give_the_line_between_them(waves, size, turned, width, shift, listed):
    x, y, left_x, left_y = loop(waves, size, turned)
    left = table(x + width / 2 * left_x, y + width / 2 * left_y)
    right = table(x - width / 2 * left_x, y - width / 2 * left_y)
    right = right.iloc[(np.arange(0, 2000, 2) + shift) % 2000]
    centre = track_from_centre_line(table(x, y))
    track = track_from_edges(left.iloc[:: listed[0]], right.iloc[:: listed[1]], start_line=(x[0], y[0]))
    assert track.length == pytest.approx(centre.length, abs=0.01)
    np.testing.assert_allclose(track.profile, width / 2, atol=0.01)
    heading = np.arctan2(track.reference.y[1] - track.reference.y[0], track.reference.x[1] - track.reference.x[0])
    assert np.cos(heading - np.arctan2(-left_x[0], left_y[0])) > 0.99  # the way that has the left edge on the left


@pytest.mark.parametrize("shape", [eight, lane], ids=["figure of eight", "oval"])
def test_scattered_points_make_a_smooth_line(shape):
    rng = np.random.default_rng(3)
    exact = shape(0.0)
    noisy = exact + rng.normal(0.0, 0.1, exact.shape)
    track, truth = track_from_centre_line(noisy), track_from_centre_line(exact)
    assert track.length == pytest.approx(truth.length, rel=2e-3)
    away = [
        nearest_place(truth.reference, *point)[1]
        for point in zip(track.reference.x[::40], track.reference.y[::40], strict=True)
    ]
    assert np.sqrt(np.mean(np.square(away))) < 0.1


# ---------------------------------------------------------------------------- edges


def test_a_track_that_crosses_itself_keeps_its_edges():
    track = track_from_edges(eight(6.0), eight(-6.0, points=1300).iloc[::-1])
    np.testing.assert_allclose(track.profile, 6.0, atol=0.02)
    assert track.length == pytest.approx(track_from_centre_line(eight()).length, abs=0.02)
    assert set(track.corners["direction"]) == {"left", "right"}


def hairpin(gap, width, points=3000):
    """Two legs of 300 m, `gap` metres from edge to edge, joined by two half circles; the edges of a `width` m track."""
    radius = (gap + width) / 2
    out = []
    for side in (width / 2, -width / 2):
        bend = np.linspace(0, np.pi, 200, endpoint=False)
        far, near = radius - side, radius - side
        leg = np.linspace(0, 300, 600, endpoint=False)
        x = np.concatenate([leg, 300 + far * np.sin(bend), 300 - leg, -near * np.sin(bend)])
        y = np.concatenate([0 * leg - far, -far * np.cos(bend), 0 * leg + near, near * np.cos(bend)])
        out.append(table(x, y))
    return out


@pytest.mark.parametrize("gap", [3.0, 12.0])
def test_a_neighbour_closer_than_the_track_is_wide_is_not_taken_for_the_other_edge(gap):
    left, right = hairpin(gap, 12.0)
    track = track_from_edges(left, right)
    np.testing.assert_allclose(track.profile, 6.0, atol=0.15 if gap < 10 else 0.03)


def test_the_height_of_the_edges_gives_banking_and_height():
    course = oval()
    station = np.linspace(0, course.length, 1200, endpoint=False)
    left, right = (table(*course.xy(station, side), z=course.height(station, side) + 100.0) for side in (4.0, -8.0))
    track = track_from_edges(left, right, start_line=course.start_line)
    # the line midway between the edges is 2 m to the right of the line the course is built on
    places = np.array([nearest_place(track.reference, *map(float, course.xy(s, -2.0)))[0] for s in station[::25]])
    np.testing.assert_allclose(track.along("banking", places), course.banking(station[::25]), atol=0.002)
    np.testing.assert_allclose(track.along("height", places), 100.0 + course.height(station[::25], -2.0), atol=0.02)
    assert track.profile["banking"].max() > 0.1


def test_the_sides_decide_the_way_round_and_a_heading_against_it_is_told():
    inside, outside = circle(95.0), circle(105.0, 333)
    assert track_from_edges(inside, outside).corners["direction"].unique().tolist() == ["left"]
    assert track_from_edges(outside, inside).corners["direction"].unique().tolist() == ["right"]
    assert track_from_edges(inside, outside, start_line="100, 0, 90deg").line.heading == pytest.approx(np.pi / 2)
    with pytest.raises(LapkitError, match="are the two edges exchanged"):
        track_from_edges(outside, inside, start_line="100, 0, 90deg")


@pytest.mark.parametrize(("left", "right", "message"), [
    (circle(95.0), circle(100.0) + 30.0, "edges cross"),
    (circle(95.0).iloc[:300], circle(100.0), r"\(left edge\): the line does not close"),
    (circle(95.0), circle(100.0).iloc[:5], r"\(right edge\): 5 different points are too few"),
    (circle(95.0)[["x"]], circle(100.0), "there is no column 'y'"),
    (circle(95.0) * np.nan, circle(100.0), "0 different points"),
    (circle(95.0) * 1e4, circle(100.0), "check the unit"),
])  # fmt: skip
def test_edges_that_are_none_are_refused(left, right, message):
    with pytest.raises(ColumnError, match=message):
        track_from_edges(left, right)


@pytest.mark.parametrize(("rows", "message"), [
    (slice(40, 41), r"data row 41 \(x = .*\) lies \d{4} m from the points before and after, which are \d\.\d m apart"),
    (slice(0, 1), "data row 1 "),
    (slice(-1, None), "data row 300 "),
    (slice(100, 103), "the 3 data rows from 101 on"),
])  # fmt: skip
def test_points_that_are_not_on_the_track_are_named(rows, message):
    angle = np.arange(300) * 2 * np.pi / 300
    points = pd.DataFrame({"x": 100 * np.cos(angle), "y": 100 * np.sin(angle)})
    assert track_from_centre_line(points).length == pytest.approx(200 * np.pi, abs=0.01)
    points.iloc[rows] += 5000.0
    with pytest.raises(ColumnError, match=message):
        track_from_centre_line(points)


def test_a_corner_between_straights_without_points_is_no_stray():
    """A paperclip whose straights, 500 m long and 40 m apart, are given by their ends alone."""
    angle = np.linspace(-np.pi / 2, np.pi / 2, 20)
    x, y = 20 * np.cos(angle), 20 * np.sin(angle)
    points = pd.DataFrame({"x": np.roll(np.append(500 + x, -x), 10), "y": np.roll(np.append(y, -y), 10)})
    assert track_from_centre_line(points).length == pytest.approx(1000 + 40 * np.pi, rel=0.01)


def test_points_are_read_from_files_with_and_without_header(tmp_path):
    circle(95.0).to_csv(tmp_path / "left.csv", index=False, header=False)
    (tmp_path / "right.csv").write_text(
        "# x;y;z\n" + circle(105.0, z=3.0).to_csv(index=False, header=False, sep=";", decimal=",")
    )
    track = track_from_edges(tmp_path / "left.csv", str(tmp_path / "right.csv"))
    assert list(track.profile.columns) == ["left_width", "right_width"]
    assert track.length == pytest.approx(200 * np.pi, abs=1e-3)


def test_a_loop_that_runs_on_past_its_start_is_cut_there():
    twice = pd.concat([circle(100.0), circle(100.0).iloc[:7]])
    assert track_from_centre_line(twice).length == pytest.approx(200 * np.pi, abs=1e-3)
    closed = pd.concat([circle(100.0), circle(100.0).iloc[:1]])
    assert track_from_centre_line(closed).length == pytest.approx(200 * np.pi, abs=1e-3)


# ------------------------------------------------------------------- turned and reversed


@pytest.fixture(scope="module")
def course_track():
    course = road_course()
    station = np.linspace(0, course.length, 1400, endpoint=False)
    track = track_from_centre_line(
        table(*course.xy(station), banking_deg=np.degrees(course.banking(station)), height=course.height(station),
              left_width=4.0, right_width=6.0),
        start_line=course.start_line,
    )  # fmt: skip
    return (
        track.with_markers({"board": 150.0, "bridge": 1800.0})
        .with_lanes({"wide": (1.0, 4.0)})
        .with_lanes({"kerb": (-6.0, -5.0)}, corner="5")
    )


def test_corners_are_those_of_the_course(course_track):
    truth = road_course().corners
    assert course_track.corners["direction"].tolist() == truth["direction"].tolist()
    np.testing.assert_allclose(course_track.corners["radius"], truth["radius"], rtol=0.35)
    np.testing.assert_allclose(course_track.corners["start_distance"], truth["start_distance"], atol=25)


@pytest.mark.parametrize("station", [0.0, 37.3, 250.0, 1010.0, 2000.5])
def test_a_track_started_elsewhere_is_the_same_track(course_track, station):
    course = road_course()
    x, y = (float(value) for value in course.xy(station, 3.0))
    heading = float(course.heading(station))
    moved = started_at(course_track, x, y, heading)
    place = station * course_track.length / course.length
    assert moved.length == course_track.length
    # point 0 is where the line crosses, whatever the offset of the point that was given
    assert np.hypot(moved.reference.x[0] - course.xy(station)[0], moved.reference.y[0] - course.xy(station)[1]) < 0.02
    at = np.array([5.0, 600.0, 1500.0])
    for name in ("banking", "height", "left_width"):
        np.testing.assert_allclose(moved.along(name, at), course_track.along(name, at + place), atol=2e-3)
    np.testing.assert_allclose(
        moved.markers.set_index("marker")["distance"].loc[["board", "bridge"]],
        (np.array([150.0, 1800.0]) - place) % moved.length, atol=0.03,
    )  # fmt: skip
    assert moved.corners["corner"].tolist() == [str(k + 1) for k in range(len(moved.corners))]
    assert (moved.corners["start_distance"] >= 0).all() and (moved.corners["end_distance"] <= moved.length).all()
    assert (np.diff(moved.corners["start_distance"]) > 0).all()
    kerb = moved.lanes.set_index("lane").loc["kerb", "corner"]
    tightest = moved.corners.set_index("corner")["radius"]
    assert tightest[kerb].min() == tightest.min()  # the hairpin keeps its lane, whatever its number is now
    back = started_at(
        moved, float(course_track.reference.x[0]), float(course_track.reference.y[0]), course_track.line.heading
    )
    np.testing.assert_allclose(
        [back.reference.x, back.reference.y], [course_track.reference.x, course_track.reference.y], atol=0.02
    )
    assert back.corners["corner"].tolist() == course_track.corners["corner"].tolist()
    np.testing.assert_allclose(back.corners["start_distance"], course_track.corners["start_distance"], atol=0.1)


def test_a_named_corner_that_holds_the_new_line_is_divided():
    corners = pd.DataFrame([("Long", 0.0, 150.0, 300.0, "left", 100.0)], columns=no_corners().columns)
    track = track_from_centre_line(circle(100.0))
    track = lapkit.Track(track.length, corners, reference=track.reference).with_lanes({"low": (0, 3)}, corner="Long")
    moved = started_at(track, 0.0, 100.0)
    assert moved.corners["corner"].tolist() == ["Long (from the line)", "Long (to the line)"]
    assert moved.corners["start_distance"].tolist() == pytest.approx([0.0, 150 * np.pi], abs=0.01)
    assert moved.corners["end_distance"].sum() - moved.corners["start_distance"].sum() == pytest.approx(300.0)
    assert moved.lanes["corner"].tolist() == moved.corners["corner"].tolist()


def test_a_heading_tells_which_part_of_an_eight_is_meant():
    track = track_from_centre_line(eight())
    heading = float(np.arctan2(240.0, 200.0))
    first, second = (started_at(track, 0.0, 0.0, way) for way in (heading, np.pi - heading))
    assert nearest_place(track.reference, first.reference.x[40], first.reference.y[40])[0] == pytest.approx(40, abs=1)
    assert nearest_place(track.reference, second.reference.x[40], second.reference.y[40])[0] == pytest.approx(
        track.length / 2 + 40, abs=1
    )


def test_a_line_that_is_not_on_the_track_is_refused(course_track):
    with pytest.raises(LapkitError, match="m from the track: are both in one frame"):
        started_at(course_track, 5000.0, 0.0)
    x, y = (float(value) for value in road_course().xy(100.0))
    with pytest.raises(LapkitError, match="the other way than the track runs"):
        started_at(course_track, x, y, float(road_course().heading(100.0)) + np.pi)
    with pytest.raises(LapkitError, match="has no reference line"):
        started_at(lapkit.Track(800.0, no_corners()), 0.0, 0.0)


def test_a_track_turned_round_twice_is_the_same(course_track):
    round_ = reversed_track(course_track)
    at = np.array([10.0, 700.0])
    np.testing.assert_allclose(round_.along("left_width", at), 6.0)
    np.testing.assert_allclose(round_.along("banking", at), -course_track.along("banking", -at), atol=1e-9)
    assert round_.markers["distance"].tolist() == pytest.approx([course_track.length - 1800, course_track.length - 150])
    assert round_.lanes[["from_offset", "to_offset"]].to_numpy().tolist() == [[-4.0, -1.0], [5.0, 6.0]]
    swapped = {"left": "right", "right": "left"}
    assert round_.corners["direction"].tolist() == [swapped[d] for d in course_track.corners["direction"][::-1]]
    assert round_.lanes["corner"].tolist() == ["", str(len(round_.corners) - 4)]
    again = reversed_track(round_)
    np.testing.assert_allclose(
        [again.reference.x, again.reference.y], [course_track.reference.x, course_track.reference.y]
    )
    for name in ("corners", "markers", "lanes", "profile"):
        was = getattr(course_track, name)
        pd.testing.assert_frame_equal(getattr(again, name)[list(was.columns)], was, check_dtype=False)
    assert np.cos(again.line.heading - course_track.line.heading) == pytest.approx(1.0)


def test_a_centre_line_listed_backwards_is_turned_by_the_heading():
    points = circle(100.0, left_width=3.0, right_width=5.0)
    track = track_from_centre_line(points, start_line=(100.0, 0.0, -np.pi / 2))
    assert track.corners["direction"].unique().tolist() == ["right"]
    assert track.profile.iloc[0].to_dict() == pytest.approx({"left_width": 5.0, "right_width": 3.0})
    assert track_from_centre_line(points, start_line=(100.0, 0.0)).corners["direction"].unique().tolist() == ["left"]


def test_a_start_line_in_degrees_needs_the_frame():
    line = {"latitude": 0.0, "longitude": 100 / 111319.49, "heading": 0.0}
    track = track_from_centre_line(circle(100.0), start_line=line, origin=(0.0, 0.0))
    assert track.reference.x[0] == pytest.approx(100.0, abs=0.01)
    with pytest.raises(LapError, match="in latitude and longitude"):
        track_from_centre_line(circle(100.0), start_line=line)


def test_the_given_tables_are_left_alone():
    edges = [circle(95.0, z=1.0), circle(105.0, z=2.0)]
    before = [edge.copy() for edge in edges]
    track_from_edges(*edges)
    track_from_centre_line(edges[0])
    for edge, was in zip(edges, before, strict=True):
        pd.testing.assert_frame_equal(edge, was)


# -------------------------------------------------------------------- learnt from laps


@pytest.fixture(scope="module")
def session():
    samples, _ = stint(oval(), laps=3, rate=20, seed=5, channels=("time", "speed", "x", "y"))
    return session_of(samples, start_line=oval().start_line)


@pytest.mark.parametrize("lap", ["median", "best", 2])
def test_the_lap_a_track_is_learnt_from_has_no_offset(session, lap):
    track = learn_track(session, lap=lap)
    again = session_of(session.recording.samples, start_line=oval().start_line, track=track)
    number = {"median": 1, "best": session.best_number()}.get(lap, lap)
    assert np.nanmax(np.abs(again.lap(number)["offset"])) < (1.5 if lap == "median" else 0.1)
    assert track.length == pytest.approx(session.laps.set_index("lap").loc[number, "path_length"], abs=0.5)
    assert len(track.corners) == len(session.track.corners)


def test_widths_and_markers_go_with_the_line(session):
    course = oval()
    station = np.linspace(0, course.length, 1200, endpoint=False)
    edges = [table(*course.xy(station, side), z=course.height(station, side)) for side in (10.0, -10.0)]
    wide = (
        track_from_edges(*edges, start_line=course.start_line)
        .with_markers({"tower": 400.0})
        .with_lanes({"low": (0, 5)})
    )
    placed = session_of(session.recording.samples, start_line=course.start_line, track=wide)
    track = learn_track(placed, lap="best")
    offset = placed.best()["offset"].to_numpy()[300]
    place = 300.0 * track.length / wide.length
    assert track.along("left_width", np.array([place]))[0] == pytest.approx(10.0 - offset, abs=0.1)
    assert track.along("right_width", np.array([place]))[0] == pytest.approx(10.0 + offset, abs=0.1)
    height = wide.along("height", np.array([300.0]))[0] - offset * np.tan(wide.along("banking", np.array([300.0]))[0])
    assert track.along("height", np.array([place]))[0] == pytest.approx(height, abs=0.1)
    assert track.markers["marker"].tolist() == ["tower"]
    assert track.lanes.empty


def test_laps_without_a_known_path_make_no_track(session):
    with pytest.raises(LapError, match="there is no lap 99"):
        learn_track(session, lap=99)
    with pytest.raises(LapError, match="give a lap's number, 'best' or 'median'"):
        learn_track(session, lap="worst")
    with pytest.raises(LapError, match="is not known all the way round"):
        learn_track(session, lap=0)
    blind = session_of(session.recording.samples[["time", "speed"]].assign(lap=1))
    with pytest.raises(LapError, match="there is no position"):
        learn_track(blind, lap=1)


def test_a_reference_line_is_what_the_rest_expects(course_track):
    line = course_track.reference
    assert isinstance(line, ReferenceLine)
    chords = np.hypot(np.diff(line.x, append=line.x[0]), np.diff(line.y, append=line.y[0]))
    np.testing.assert_allclose(chords, line.spacing, rtol=1e-3)
    assert as_track(course_track) is course_track


# ------------------------------------------------------------------- the real recording


@pytest.mark.skipif(not (FOLDER / "bound_left.csv").exists(), reason="the real recording is not beside this checkout")
def test_the_edges_of_a_real_track_hold_a_real_recording():
    track = track_from_edges(FOLDER / "bound_left.csv", FOLDER / "bound_right.csv", start_line=GATE)
    assert track.length == pytest.approx(2852.8, abs=1.0)
    widths = track.profile["left_width"] + track.profile["right_width"]
    assert widths.min() > 8.4 and widths.max() < 9.7
    assert np.abs(np.degrees(track.profile["banking"])).max() < 4.0
    plain = lapkit.load(FOLDER / "recording.csv", start_line=GATE)
    session = lapkit.load(FOLDER / "recording.csv", start_line=GATE, track=track)
    np.testing.assert_allclose(session.laps["lap_time"], plain.laps["lap_time"], atol=1e-6)
    for number in (1, 2):
        frame = session.lap(number)
        place, offset = frame.index.to_numpy(), frame["offset"].to_numpy()
        inside = (offset < track.along("left_width", place)) & (offset > -track.along("right_width", place))
        assert inside.mean() > 0.99
    again = lapkit.load(FOLDER / "recording.csv", track=track)
    np.testing.assert_allclose(again.laps["lap_time"], plain.laps["lap_time"], atol=1e-6)
