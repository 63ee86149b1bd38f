"""The command line where a track, markers, lines and the best possible lap are concerned."""

import json
from pathlib import Path

import pytest
from support import fails, run

from lapkit.model.tracks.file import read_track

DATA = Path(__file__).parents[1] / "sample_data"
OVAL, LINES, TRACK = str(DATA / "oval_run.csv"), str(DATA / "two_lines.csv"), str(DATA / "marlow_basin.toml")


def test_lines_says_that_each_line_has_its_corner(capsys, tmp_path):
    figure = tmp_path / "lines.png"
    said = run(capsys, "lines", LINES, "--track", TRACK, "--figure", str(figure))
    assert "Lines found from the data" in said
    assert "high line is faster in corner 1" in said and "low line is faster in corner 2" in said
    assert "no difference can be told from luck" in said
    assert "qualified people" in said
    assert figure.stat().st_size > 10_000


def test_lines_json_holds_the_comparison(capsys):
    out = json.loads(
        run(capsys, "lines", LINES, "--track", TRACK, "--json", "--a", "1-3,7", "--b", "4-6,9", "--names", "top,bottom")
    )
    assert out["names"] == ["top", "bottom"] and out["laps"] == {"a": [1, 2, 3, 7], "b": [4, 5, 6, 9]}
    rows = {(row["corner"], row["quantity"]): row for row in out["table"]}
    assert rows["lap", "start_to_start"]["difference"] == pytest.approx(
        sum(rows[c, "start_to_start"]["difference"] for c in ("1", "2")), abs=1e-9
    )
    assert "4" in out["how"]


def test_lines_of_two_recordings_lie_on_one_track(capsys):
    out = json.loads(run(capsys, "lines", OVAL, LINES, "--json", "--a", "1-3", "--b", "2:1-3"))
    assert out["laps"] == {"a": [1, 2, 3], "b": [1, 2, 3]}


@pytest.mark.parametrize(("words", "expected"), [
    ((OVAL,), "no two lines are to be told apart"),
    ((LINES, "--a", "1-3"), "of neither"),
    ((LINES, "--a", "1-x", "--b", "2"), "is not a lap"),
    ((LINES, "--a", "3:1", "--b", "2"), "one file was given"),
    ((LINES, "--a", "1-3", "--b", "1-3"), "lap 1 is named twice"),
    ((LINES, "--a", "1-3,2", "--b", "4"), "lap 2 is named twice"),
    ((LINES, LINES, "--a", "1", "--b", "2:1"), "lap 1 is named twice"),
    ((LINES, "--a", "1-99999999", "--b", "2"), "the recording has"),
    ((LINES, "--a", "0", "--b", "2"), "does not run from line to line"),
    ((LINES, "--a", "1", "--b", "2", "--names", "one"), "give two names"),
])  # fmt: skip
def test_lines_faults_are_one_line(capsys, words, expected):
    assert expected in fails(capsys, "lines", *words)


def test_markers_stand_in_lifts_and_corners(capsys):
    assert "after the pit wall end" in run(capsys, "lifts", LINES, "--track", TRACK)
    assert "turn-in" in run(capsys, "corners", LINES, "--track", TRACK)
    lift = json.loads(run(capsys, "lifts", LINES, "--track", TRACK, "--json"))["lifts"][0]
    assert lift["start_marker"] == "pit wall end"
    assert lift["start_to_marker"] == pytest.approx(lift["start_distance"] - 60.0)
    corner = json.loads(run(capsys, "corners", LINES, "--track", TRACK, "--json"))["corners"][1]
    assert corner["min_speed_marker"] == "scoreboard" and corner["turn_in_marker"] == "water tower"


def test_a_place_that_is_not_known_is_told_from_no_marker(capsys):
    said = run(capsys, "corners", OVAL, "--track", TRACK).splitlines()
    rows = [line for line in said if line.startswith("     2")]  # a wide table is printed in parts
    spread = float(rows[0].split("±")[1].split()[0])
    assert spread > 30 and rows[-1].endswith("  -")
    assert any("the water tower ±" in row for row in rows)  # its turn-in is known


def test_a_track_file_of_another_place_is_called_the_track_given(capsys):
    said = fails(capsys, "laps", str(DATA / "road_course.csv"), "--track", TRACK)
    assert "The line is that of the track given" in said


def test_a_learnt_track_is_saved_and_serves_another_recording(capsys, tmp_path):
    saved = str(tmp_path / "basin.toml")
    said = run(
        capsys,
        "track",
        OVAL,
        "--save",
        saved,
        "--name",
        "Basin",
        "--marker",
        "gate=350",
        "--marker",
        "seam=lap 7 at 12.3",
    )
    assert "Marker: seam at" in said and f"Saved: {saved}" in said
    track = read_track(saved)
    assert track.name == "Basin" and track.markers["marker"].tolist() == ["gate", "seam"]
    out = json.loads(run(capsys, "laps", LINES, "--track", saved, "--json"))
    assert out["track_length"] == pytest.approx(track.length, abs=1e-3)
    assert json.loads(run(capsys, "track", LINES, "--track", saved, "--json"))["markers"][0]["marker"] == "gate"


@pytest.mark.parametrize("marker", ["gate", "gate=", "=x", "gate=lap x at 3", "gate=lap 99 at 3", "gate=lap 3 at 999"])
def test_a_marker_that_is_none_is_one_line(capsys, marker):
    fails(capsys, "track", OVAL, "--marker", marker)


def test_best_prints_what_can_be_joined(capsys, tmp_path):
    said = run(capsys, "best", OVAL, "--figure", str(tmp_path / "best.png"))
    assert "nobody has driven them in one lap" in said and "qualified people" in said
    out = json.loads(run(capsys, "best", OVAL, "--json"))
    assert out["best_of_each"] <= out["joined"] <= out["lap_time"]
    assert {"segment", "joined_lap", "time_gained"} <= set(out["segments"][0])


@pytest.mark.parametrize(
    ("marks", "expected"),
    [
        (("a=5", "a = 7"), "there 2 times"),
        (("a=lap 3 at 99",), "lies outside"),
        (("a=lap 99 at 1",), "there is no lap 99"),
    ],
)
def test_markers_that_cannot_be_placed_say_why(capsys, marks, expected):
    assert expected in fails(capsys, "track", OVAL, *(word for mark in marks for word in ("--marker", mark)))


def test_laps_named_backwards_are_told(capsys):
    assert "runs backwards" in fails(capsys, "lines", LINES, "--a", "3-1", "--b", "5")


def test_every_command_on_a_recording_takes_a_track():
    from lapkit.__main__ import _parser

    parser = _parser()
    for command in ("laps", "lifts", "corners", "compare", "best", "lines", "track"):
        assert parser.parse_args([command, "run.csv", "--track", "track.toml"]).track == "track.toml"
