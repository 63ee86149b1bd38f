"""The track file: what a person writes, what is written, what is refused."""

import itertools
import pathlib

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import session_of

import lapkit
from lapkit import FileError, LapkitError, Track, read_track
from lapkit.model.line import StartLine
from lapkit.model.tracks.file import as_track, write_track
from lapkit.model.tracks.shapes import track_from_centre_line, track_from_edges
from lapkit.model.tracks.table import CENTRE_COLUMNS, MAX_BYTES, read_points
from lapkit.model.tracks.track import no_corners, resolve_markers
from lapkit.simulate import oval, road_course, stint

HAND_WRITTEN = """
name = "Pine Hollow (invented)"
length = 800

[start_line]
x = 12.5
y = -40
heading = 90

[[corner]]
name = "Quarry"
start = 120
end = 300
direction = "left"

[[corner]]
start = 500
end = 700

[[marker]]
name = "flag stand"
distance = 20

[[marker]]
name = 'the "tall" tree'
x = 40.0
y = 1

[[lane]]
name = "high"
from = -9
to = -4.5

[[lane]]
name = "low"
from = -4.5
to = 2
corner = "Quarry"

[[banking]]
at = 0
angle = 4

[[banking]]
at = 200
angle = 12.5
"""


def ring(points=240, radius=127.0, **columns):
    angle = 2 * np.pi * np.arange(points) / points
    return pd.DataFrame({"x": radius * np.cos(angle), "y": radius * np.sin(angle), **columns})


def same(a: Track, b: Track) -> None:
    """Equal to 1 mm and 1e-6 rad."""
    assert (a.name, a.length is None) == (b.name, b.length is None)
    assert a.length is None or b.length == pytest.approx(a.length, abs=1e-3)
    for table in ("corners", "markers", "lanes"):
        pd.testing.assert_frame_equal(getattr(a, table), getattr(b, table), atol=1e-3, rtol=0, check_dtype=False)
    assert (a.reference is None) == (b.reference is None)
    if a.reference is not None:
        np.testing.assert_allclose([a.reference.x, a.reference.y], [b.reference.x, b.reference.y], atol=1e-3)
        assert a.reference.spacing == pytest.approx(b.reference.spacing, abs=1e-6)
    assert (a.profile is None) == (b.profile is None)
    if a.profile is not None:
        for name in a.profile.columns:
            tolerance = 1e-6 if name == "banking" else 1e-3
            left, right = a.profile[name].dropna(), b.profile[name].dropna()
            np.testing.assert_allclose(left.index, right.index, atol=1e-3)
            np.testing.assert_allclose(left, right, atol=tolerance)
    assert (a.line is None) == (b.line is None)
    if a.line is not None:
        np.testing.assert_allclose([a.line.x, a.line.y], [b.line.x, b.line.y], atol=1e-3)
        assert (a.line.heading is None) == (b.line.heading is None)
        assert a.line.heading is None or b.line.heading == pytest.approx(a.line.heading, abs=1e-6)
        assert (a.line.half_width, a.line.either_way) == (b.line.half_width, b.line.either_way)
    assert (a.start_line or {}) == pytest.approx(b.start_line or {}, abs=1e-8)
    assert (a.origin or ()) == pytest.approx(b.origin or (), abs=1e-9)


@pytest.fixture
def file(tmp_path):
    return tmp_path / "track.toml"


def test_what_a_person_writes_is_read(file):
    file.write_text(HAND_WRITTEN, encoding="utf-8")
    track = read_track(file)
    assert track.name == "Pine Hollow (invented)"
    assert track.length == 800.0
    assert track.line == StartLine(12.5, -40.0, np.pi / 2)
    assert track.corners["corner"].tolist() == ["Quarry", "2"]
    assert track.corners["apex_distance"].tolist() == [210.0, 600.0]
    assert track.corners["direction"].tolist() == ["left", ""]
    assert track.markers["marker"].tolist() == ["flag stand", 'the "tall" tree']
    assert track.markers["distance"].isna().tolist() == [False, True]
    assert track.lanes.to_numpy().tolist() == [["high", "", -9.0, -4.5], ["low", "Quarry", -4.5, 2.0]]
    np.testing.assert_allclose(
        np.degrees(track.along("banking", np.array([0.0, 100.0, 200.0, 500.0]))), [4, 8.25, 12.5, 8.25]
    )


def test_a_hand_written_track_comes_back_as_it_was(file, tmp_path):
    file.write_text(HAND_WRITTEN, encoding="utf-8")
    track = read_track(file)
    write_track(track, tmp_path / "again.toml")
    same(track, read_track(tmp_path / "again.toml"))
    assert not (tmp_path / "again.csv").exists()


@pytest.mark.parametrize("course", [oval(), road_course()], ids=["oval", "road"])
def test_a_track_with_everything_comes_back_as_it_was(file, course):
    station = np.linspace(0, course.length, 1500, endpoint=False)
    edges = [pd.DataFrame(dict(zip(("x", "y"), course.xy(station, side), strict=True), z=course.height(station, side)))
             for side in (6.0, -5.0)]  # fmt: skip
    track = track_from_edges(
        *edges, start_line=course.start_line, name='Edge "x" \\ of\ttown', origin=(48.1, -11.123456789)
    )
    track = track.with_markers({"flag stand": 20.0, "tower": tuple(float(v) for v in course.xy(200.0, 15.0))})
    track = track.with_lanes({"high": (-5.0, -1.0), "low": (-1.0, 6.0)}).with_lanes({"kerb": (5.0, 6.0)}, corner="1")
    track.save(file)
    again = read_track(file)
    same(Track(**{**vars(track), "name": 'Edge "x" \\ of town'}), again)
    again.save(file)
    same(again, read_track(file))


def test_latitude_and_longitude_come_back_as_they_were(file):
    track = Track(None, no_corners(), start_line={"latitude": 48.123456789, "longitude": -11.5, "heading": 310.5})
    track = track.with_markers({"gate": {"latitude": 48.2, "longitude": 11.25}})
    track.save(file)
    same(track, read_track(file))


def test_a_profile_on_places_of_its_own_comes_back_as_it_was(file):
    track = track_from_centre_line(ring(), name="ring")
    profile = pd.DataFrame({"banking": [0.1, np.nan, 0.2], "height": [1.0, 2.5, np.nan]},
                           index=pd.Index([0.0, 33.33, 400.0], name="distance"))  # fmt: skip
    for changed in ({"profile": profile}, {"profile": profile, "reference": None, "corners": no_corners()}):
        track = Track(**{**vars(track), **changed})
        track.save(file)
        same(track, read_track(file))


NAMES = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zs", "Zl", "Zp")), min_size=1, max_size=30)
OFFSETS = st.floats(-100, 100).map(lambda v: round(v, 3))


@settings(deadline=None, max_examples=60)
@given(
    name=NAMES,
    length=st.none() | st.floats(60, 90_000),
    markers=st.dictionaries(NAMES, st.floats(0, 50) | st.tuples(OFFSETS, OFFSETS), max_size=4),
    borders=st.lists(OFFSETS, min_size=2, max_size=5, unique=True).map(sorted),
    lanes=st.lists(NAMES, min_size=4, max_size=4, unique=True),
    banking=st.dictionaries(st.integers(0, 59), st.floats(-1.0, 1.0), max_size=5),
    line=st.none() | st.builds(StartLine, OFFSETS, OFFSETS, st.none() | st.floats(-3.14, 3.14)),
)
def test_whatever_a_track_holds_comes_back(tmp_path_factory, name, length, markers, borders, lanes, banking, line):
    file = tmp_path_factory.mktemp("t") / "track.toml"
    bands = {
        lane: band for lane, band in zip(lanes, itertools.pairwise(borders), strict=False) if band[1] - band[0] > 2e-3
    }
    profile = pd.DataFrame({"banking": banking}).rename_axis("distance").sort_index()
    profile.index = profile.index.astype(float)
    track = Track(length, no_corners(), line, name=name, profile=profile if len(profile) else None)
    track = track.with_markers(markers).with_lanes(bands)
    track.save(file)
    same(track, read_track(file))


@pytest.mark.parametrize(
    "name", ['"', "\\", '"""', 'a\\"b', "#", "[x]", "ünï", "𝟜", "\x7f", "a\nb", "../../etc/passwd", "\ud800"]
)
def test_no_name_breaks_the_file(file, name):
    track = Track(500.0, no_corners(), name=name)
    if name in ("\x7f",):
        with pytest.raises(LapkitError, match="control character"):
            track.save(file)
        assert not file.exists()
        return
    track.save(file)
    again = read_track(file)
    assert again.length == 500.0
    assert [path.name for path in file.parent.iterdir()] == ["track.toml"]
    if name not in ("a\nb", "\ud800"):
        assert again.name == name


# ------------------------------------------------------------------------ points beside


def test_a_centre_line_beside_is_found_by_its_name_alone(file):
    ring(left_width=5.0, right_width=4.0).to_csv(file.with_suffix(".csv"), index=False)
    file.write_text('[[marker]]\nname = "tower"\nx = 0\ny = 140\n\n[[corner]]\nname = "A"\nstart = 10\nend = 300\n')
    track = read_track(file)
    assert track.length == pytest.approx(2 * np.pi * 127, abs=1e-3)
    assert track.along("left_width", np.array([17.0])) == pytest.approx([5.0])
    assert track.markers["distance"].tolist() == pytest.approx([np.pi / 2 * 127], abs=1e-3)
    corner = track.corners.iloc[0]
    assert (corner["direction"], corner["radius"]) == ("left", pytest.approx(127, rel=1e-3))


def test_points_without_distance_are_counted_from_the_start_line(file):
    ring(left_width=np.linspace(3, 5, 240)).to_csv(file.with_suffix(".csv"), index=False)
    file.write_text('[start_line]\nx = -127\ny = 0\nheading = -90\n[[marker]]\nname = "tower"\ndistance = 100\n')
    track = read_track(file)
    assert track.reference.x[0] == pytest.approx(-127, abs=1e-3)
    assert track.along("left_width", np.array([0.0])) == pytest.approx([4.0], abs=0.02)
    assert track.markers["distance"].tolist() == [100.0]


@pytest.mark.parametrize(("points", "message"), [
    ("distance,speed,time\n0,1,2\n", "column 'speed' is not known.*if track.csv is a recording"),
    ("x,y\n0,0\n1,zero\n", "'zero' in data row 2 is not a number"),
    ("x,y\n" + "0,0\n" * 20, "too few for a loop"),
    ("x\n1\n2\n", "x and y go together"),
    ("height\n1\n2\n", "neither distance nor x and y"),
    ("distance,height\n0,1\n0,2\n", "distance must rise"),
    ("distance,banking\n0,1\n", "does not say its unit; write banking_deg"),
    ("distance,banking_deg\n0,80\n", "banking = 80 deg in data row 1 lies outside -60 to 60 deg"),
    ("distance,height,height\n0,1,1\n", "is there twice"),
    ("distance,left_width_kg\n0,1\n", "kg does not measure left_width"),
    ("1,2,3\n", "without a header"),
    ("", "it is empty"),
    ("x,y\n1,2\n1,2,3\n", "not a table of points"),
    ("distance,height\n0,1\n900,2\n", "beyond the lap of 800"),
    (ring(radius=130.0).to_csv(index=False), "length = 800, but the line in track.csv is 816.8 m long"),
    (ring().iloc[:200].to_csv(index=False), "does not close: its last point is"),
    (ring(radius=1e5).to_csv(index=False), "check the unit of x and y"),
])  # fmt: skip
def test_bad_points_are_refused_with_the_reason(file, points, message):
    file.write_text("length = 800\n")
    file.with_suffix(".csv").write_text(points)
    with pytest.raises(FileError, match=f"track.*{message}"):
        read_track(file)


def test_units_in_a_header_are_converted(file):
    (ring() / 0.3048).rename(columns={"x": "x_ft", "y": "y [ft]"}).to_csv(
        file.with_suffix(".csv"), index=False, sep=";", decimal=","
    )
    file.write_text("")
    assert read_track(file).length == pytest.approx(2 * np.pi * 127, abs=1e-3)


# ----------------------------------------------------------------------------- faults


@pytest.mark.parametrize(("text", "message"), [
    ("lenght = 3", "'lenght' is not known; use name, length"),
    ("length = '800'", "length = '800' is not a number"),
    ("length = true", "is not a number"),
    ("length = 3", "lies outside 50 to 100000"),
    ("length = nan", "length = nan is not a number"),
    ("length = inf", "length = inf is not a number"),
    ("name = 3.5", "name: 3.5 is not a name"),
    ('name = "a\\u0007"', "control character"),
    (f'name = "{"a" * 101}"', "the name has 101 characters"),
    ("start_line = 3", r"write \[start_line\]"),
    ("[start_line]\nx = 1", "'y' is missing"),
    ("[start_line]\nx = 1\ny = 2\nlatitude = 3", "not both"),
    ("[start_line]\nlatitude = 91\nlongitude = 0", "latitude = 91 lies outside -90 to 90"),
    ("[start_line]\nx = 1\ny = 2\nheading = 400", "heading = 400 lies outside"),
    ("[start_line]\nx = 1\ny = 2\neither_way = 1", "true or false"),
    ("[origin]\nlatitude = 1", r"\[origin\]: 'longitude' is missing"),
    ("corner = 3", r"write each as \[\[corner\]\]"),
    ("[[corner]]\nstart = 5", "corner 1: 'end' is missing"),
    ("[[corner]]\nstart = 50\nend = 20", "start comes before end"),
    ("[[corner]]\nstart = -5\nend = 20", "start comes before end"),
    ("length = 60\n[[corner]]\nstart = 5\nend = 70", "end = 70 lies beyond the lap of 60.0 m"),
    ("[[corner]]\nstart = 5\nend = 70\napex = 71", "apex = 71 lies outside the corner"),
    ("[[corner]]\nstart = 5\nend = 70\ndirection = 'up'", "write left or right"),
    ("[[corner]]\nstart = 5\nend = 70\n[[corner]]\nstart = 69\nend = 80", "corners '1' and '2' overlap"),
    ("[[corner]]\nstart = 5\nend = 70\nname = '2'\n[[corner]]\nstart = 79\nend = 80", "corner '2' is there 2 times"),
    ("[[corner]]\nstart = 5\nend = 70\nbanking = 3", "corner 1: 'banking' is not known"),
    ("[[marker]]\ndistance = 5", "marker 1: 'name' is missing"),
    ("[[marker]]\nname = ''\ndistance = 5", "a name is needed"),
    ("[[marker]]\nname = 'a'", r"marker 1 \('a'\): give distance, or x and y"),
    ("[[marker]]\nname = 'a'\nx = 4", "'y' is missing"),
    ("[[marker]]\nname = 'a'\nx = 4\ny = 4\ndistance = 3", "one of the three"),
    ("[[marker]]\nname = 'a'\ndistance = -1", "distance = -1 lies outside"),
    ("[[marker]]\nname = 'a'\ndistance = 1\n[[marker]]\nname = 'a'\ndistance = 2", "marker 'a' is there 2 times"),
    ("length = 60\n[[marker]]\nname = 'a'\ndistance = 60", "beyond the lap of 60.0 m"),
    ("[[lane]]\nname = 'a'\nfrom = 1", "'to' is missing"),
    ("[[lane]]\nname = 'a'\nfrom = 1\nto = 0", "the smaller offset comes first"),
    ("[[lane]]\nname = 'a'\nfrom = 1\nto = 3\n[[lane]]\nname = 'b'\nfrom = 2\nto = 4", "lanes 'a' and 'b' overlap"),
    ("[[lane]]\nname = 'a'\nfrom = 1\nto = 3\n[[lane]]\nname = 'a'\nfrom = 3\nto = 4", "lane 'a' is there 2 times"),
    ("[[corner]]\nstart=1\nend=2\n[[lane]]\nname='a'\nfrom=1\nto=3\ncorner='9'", "no such corner; there are 1"),
    ("[[banking]]\nat = 3", "'angle' is missing"),
    ("[[banking]]\nat = 3\nangle = 70", "angle = 70 lies outside -60 to 60"),
    ("[[banking]]\nat = 3\nangle = 7\n[[banking]]\nat = 3\nangle = 8", "banking at 3 m is there twice"),
    ("length = ", "not a TOML track file"),
    ("a = " + "[" * 100_000, "not a TOML track file"),
    ("[[marker]]\n" * 1001, "more than 1000"),
])  # fmt: skip
def test_faults_name_the_file_and_the_key(file, text, message):
    file.write_text(text)
    with pytest.raises(FileError, match=f"^track.toml: .*{message}") as caught:
        read_track(file)
    assert "\n" not in str(caught.value).split("not a TOML")[0]


def test_all_faults_are_told_at_once(file):
    file.write_text('lenght = 3\n[[marker]]\nname = "a"\n[[corner]]\nstart = 5\n')
    with pytest.raises(FileError, match=r"3 faults: .*lenght.*corner 1: 'end'.*marker 1"):
        read_track(file)


def test_a_file_that_cannot_be_read(tmp_path):
    with pytest.raises(FileError, match=r"none.toml: a track file cannot be read \(No such file"):
        read_track(tmp_path / "none.toml")
    (tmp_path / "b.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileError, match="not text in UTF-8"):
        read_track(tmp_path / "b.toml")
    (tmp_path / "big.toml").write_text("#" * 1_100_000)
    with pytest.raises(FileError, match="too much for a track file"):
        read_track(tmp_path / "big.toml")
    with pytest.raises(FileError, match="a track file is TOML"):
        read_track(tmp_path / "t.csv")
    with pytest.raises(LapkitError, match="give a track file"):
        as_track(3)


# ---------------------------------------------------------------------------- writing


def test_a_recording_of_the_same_name_is_never_written_over(tmp_path):
    recording = tmp_path / "run.csv"
    recording.write_text("time,speed,x,y\n0,1,2,3\n")
    with pytest.raises(FileError, match=r"run\.csv is there already and is not the table of a track"):
        track_from_centre_line(ring()).save(tmp_path / "run.toml")
    assert recording.read_text().startswith("time,speed")
    assert [path.name for path in tmp_path.iterdir()] == ["run.csv"]


def test_a_track_without_points_takes_the_old_points_away(file):
    track_from_centre_line(ring()).save(file)
    assert file.with_suffix(".csv").exists()
    Track(700.0, no_corners()).save(file)
    assert read_track(file).reference is None


def test_a_write_that_fails_leaves_what_was_there(file, monkeypatch):
    track = track_from_centre_line(ring())
    track.save(file)
    before = [path.read_bytes() for path in (file, file.with_suffix(".csv"))]
    monkeypatch.setattr("lapkit.model.tracks.file.table_text", lambda table: "\ud800")
    with pytest.raises(UnicodeEncodeError):
        track_from_centre_line(ring(radius=140.0)).save(file)
    assert [path.read_bytes() for path in (file, file.with_suffix(".csv"))] == before
    assert len(list(file.parent.iterdir())) == 2


def test_a_track_file_ends_in_toml(tmp_path):
    with pytest.raises(FileError, match=r"ends in \.toml"):
        Track(700.0, no_corners()).save(tmp_path / "track.csv")
    with pytest.raises(FileError, match="cannot be written"):
        Track(700.0, no_corners()).save(tmp_path / "no" / "such" / "track.toml")


# ---------------------------------------------------------------------- markers, lanes


def test_markers_are_moved_and_put_on_the_line():
    track = track_from_centre_line(ring()).with_markers({"b": 300.0, "a": (127.0, 5.0), "c": 20.0})
    assert track.markers["marker"].tolist() == ["a", "c", "b"]
    assert track.markers["distance"].tolist() == pytest.approx([127 * np.arctan2(5, 127), 20.0, 300.0], abs=1e-3)
    assert track.with_markers({"c": 310.0}).markers["distance"].iloc[-1] == 310.0
    with pytest.raises(LapkitError, match="Marker 'd' lies 173 m from the track"):
        track.with_markers({"d": (300.0, 0.0)})


@pytest.mark.parametrize(("markers", "message"), [
    ({"": 3.0}, "a name is needed"),
    ({"a": -3.0}, "-3 m does not lie on the lap of 798 m"),
    ({"a": 798.0}, "does not lie on the lap"),
    ({"a": np.nan}, "does not lie on the lap"),
    ({"a": "here"}, "'here' is not a place"),
    ({"a": (1.0, 2.0, 3.0)}, "is not a place"),
    ({"a": {"latitude": 95.0, "longitude": 0.0}}, "is not a place on earth"),
    ({"a": {"latitude": 5.0}}, "is not a place"),
    ({"a": True}, "is not a place"),
    ({"a": -1.0, "b": -2.0}, "marker 'a'.*marker 'b'"),
])  # fmt: skip
def test_markers_that_will_not_do(markers, message):
    with pytest.raises(LapkitError, match=message):
        Track(798.0, no_corners()).with_markers(markers)


def test_lanes_are_replaced_and_checked():
    track = Track(798.0, no_corners()).with_lanes({"low": (-1, 3), "high": (-9, -1)})
    assert track.with_lanes({"low": (-1, 5)}).lanes["to_offset"].tolist() == [-1.0, 5.0]
    assert len(track.with_lanes({"low": (-1, 5)}, corner="2").lanes) == 3
    for lanes, message in (
        ({"mid": (-2, 0)}, "overlap"),
        ({"a": (3, 3)}, "the smaller offset"),
        ({"a": 3}, "not a band"),
    ):
        with pytest.raises(LapkitError, match=message):
            track.with_lanes(lanes)


def test_markers_wait_for_a_line():
    track = Track(None, no_corners()).with_markers(
        {"a": 900.0, "b": (127.0, 5.0), "c": {"latitude": 0, "longitude": 0.001}}
    )
    ring_line = track_from_centre_line(ring()).reference
    placed, notes = resolve_markers(track, ring_line, (0.0, 0.0))
    assert placed["marker"].tolist() == ["c", "b"] or placed["marker"].tolist() == ["b", "c"]
    assert list(placed.columns) == ["marker", "distance"]
    assert len(notes) == 1 and "900 m from the line, and a lap has 798 m" in notes[0]
    assert len(resolve_markers(track, ring_line, None)[1]) == 2
    assert len(resolve_markers(track, None, None)[1]) == 2


# ---------------------------------------------------------------------- with recordings


@pytest.fixture(scope="module")
def run():
    return stint(oval(), laps=3, rate=20, seed=5, channels=("time", "speed", "x", "y"))[0]


def test_a_file_of_markers_alone_serves_a_recording(file, run):
    course = oval()
    x, y = course.xy(120.0, 4.0)
    file.write_text(f'[[marker]]\nname = "flag stand"\ndistance = 20\n[[marker]]\nname = "gate"\nx = {float(x)}\ny = {float(y)}\n'
                    '[[marker]]\nname = "far"\nx = 1e5\ny = 0\n[[lane]]\nname = "low"\nfrom = 0\nto = 4\n')  # fmt: skip
    session = session_of(run, start_line=course.start_line, track=file)
    assert session.track.markers["marker"].tolist() == ["flag stand", "gate"]
    assert session.track.markers["distance"].iloc[1] == pytest.approx(120.0, abs=1.0)
    assert session.lap(1).attrs["markers"][0] == {"marker": "flag stand", "distance": 20.0}
    assert any("Marker 'far' lies" in line for line in session.warnings)
    session.track.save(file)
    same(session.track, read_track(file))
    again = session_of(run, track=str(file))
    np.testing.assert_allclose(again.lap(1)["offset"], session.lap(1)["offset"], atol=2e-3)
    np.testing.assert_allclose(again.laps["lap_time"], session.laps["lap_time"], atol=1e-4)


def test_a_centre_line_in_csv_serves_as_a_track(tmp_path, run):
    course = oval()
    x, y = course.xy(np.linspace(0, course.length, 400, endpoint=False))
    pd.DataFrame({"x": x, "y": y}).to_csv(tmp_path / "line.csv", index=False, header=False)
    session = session_of(run, start_line=course.start_line, track=tmp_path / "line.csv")
    assert session.track.length == pytest.approx(course.length, abs=0.01)
    assert lapkit.read_track is read_track


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("length = " + "9" * 4400, "not a TOML track file"),  # more digits than Python turns into a number
        ("length = 0x" + "f" * 4400, "thousands of digits"),
        ("[[corner]]\nstart = 1\nend = 2\nname = 0x" + "f" * 4400, "digits is not a name"),
        ("a" + ".a" * 3000 + " = 1", "it has a line of"),  # takes the square of its length to parse
    ],
)
def test_absurd_toml_is_refused_at_once(tmp_path, text, message):
    path = tmp_path / "track.toml"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileError, match=message):
        read_track(path)


@pytest.mark.parametrize("first", ["," * 100_000, "distance,x\n" + "," * 100_000])
def test_a_table_of_countless_columns_is_refused_at_once(tmp_path, first):
    (tmp_path / "track.toml").write_text("length = 100", encoding="utf-8")
    (tmp_path / "track.csv").write_text(first, encoding="utf-8")
    with pytest.raises(FileError, match="not a table of points"):
        read_track(tmp_path / "track.toml")


def test_no_more_is_read_than_a_track_file_can_hold():
    endless = pathlib.Path("/dev/zero")
    if not endless.exists():
        pytest.skip("no endless file on this machine")
    with pytest.raises(FileError, match="more than 1 MB"):
        read_track(endless)
    with pytest.raises(FileError, match="cannot be read"):
        read_track("track\0.toml")


def test_a_table_larger_than_any_track_is_refused_unread(tmp_path):
    path = tmp_path / "points.csv"
    path.write_bytes(b"x,y\n" + b"1,2\n" * (MAX_BYTES // 4))
    with pytest.raises(FileError, match=r"points\.csv: more than 16 MB .* a point every metre says all of a track"):
        read_points(path, CENTRE_COLUMNS)


@pytest.mark.parametrize(("text", "x"), [
    ("x,y\n1.5,2\n,3\n", [1.5, np.nan]),
    ("\n\nx;y\n1,5;2\n2,25;3\n", [1.5, 2.25]),
    ("x;y\n1.5;2\n2,25;3\n", [1.5, 2.25]),  # both kinds of decimal
    ("1.5 2\n2.25 3\n", [1.5, 2.25]),
    ("# x\ty\n1e1\t2\n2\t3\n", [10.0, 2.0]),
])  # fmt: skip
def test_numbers_are_read_as_they_are_written(tmp_path, text, x):
    path = tmp_path / "points.csv"
    path.write_text(text, encoding="utf-8")
    table, faults = read_points(path, CENTRE_COLUMNS, without_header=("x", "y"))
    assert not faults
    np.testing.assert_array_equal(table["x"], x)


def test_a_cell_that_is_no_number_is_named_among_numbers(tmp_path):
    path = tmp_path / "points.csv"
    path.write_text("x,y\n1,2\n1,north\n", encoding="utf-8")
    assert read_points(path, CENTRE_COLUMNS)[1] == ["column 'y': 'north' in data row 2 is not a number"]
