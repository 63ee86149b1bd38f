"""The command line: its JSON, its sentences, its errors."""

import gzip
import json
import re
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from support import fails, run

import lapkit
from lapkit.__main__ import main
from lapkit.analysers.lap import delta as delta_module
from lapkit.commands.common import EXAMPLES
from lapkit.commands.spelling import spoken
from lapkit.simulate.__main__ import main as simulate

DATA = Path(__file__).parents[1] / "sample_data"
OVAL, ROAD = str(DATA / "oval_run.csv"), str(DATA / "road_course.csv")


def test_laps_json_has_the_agreed_keys(capsys):
    out = json.loads(run(capsys, "laps", OVAL, "--json"))
    assert list(out) == ["source", "track_length", "laps", "channels", "warnings"]
    assert out["source"] == "oval_run.csv"
    assert list(out["laps"][0]) == ["lap", "lap_time", "lap_time_uncertainty", "complete", "flags", "speed_at_line",
                                    "top_speed", "min_speed", "path_length", "marks", "clean"]  # fmt: skip
    assert out["laps"][0]["lap_time"] is None
    assert set(out["channels"]["speed"]) == {"column", "unit", "reason"}
    best = min(lap["lap_time"] for lap in out["laps"] if lap["complete"])
    assert best == pytest.approx(27.497, abs=0.012)  # the true best lap of the sample, see sample_data/README.md


def test_lifts_and_corners_json(capsys):
    lifts = json.loads(run(capsys, "lifts", OVAL, "--lap", "10", "--json"))
    assert lifts["lap"] == 10
    assert list(lifts["lifts"][0]) == ["start_distance", "pick_up_distance", "end_distance", "start_time", "duration",
                                       "duration_uncertainty", "min_throttle", "full_lift_time", "kind"]  # fmt: skip
    corners = json.loads(run(capsys, "corners", OVAL, "--json"))
    assert corners["lap"] == 6
    assert len(corners["corners"]) == 2
    assert list(corners["corners"][0]) == ["corner", "start_distance", "min_speed_distance", "end_distance", "entry_speed",
                                           "min_speed", "exit_speed", "corner_time"]  # fmt: skip


def test_which_lap_is_shown_and_why(capsys):
    assert "Lap 6 (the fastest of 10 clean ones; --lap N or --every-lap shows others): 2 corners." in run(
        capsys, "corners", OVAL
    )
    assert "Lap 10: 2 corners." in run(capsys, "corners", OVAL, "--lap", "10")
    assert "All 12 laps: 20 corners." in run(capsys, "corners", OVAL, "--every-lap")
    every = json.loads(run(capsys, "lifts", OVAL, "--every-lap", "--json"))
    assert every["lap"] is None
    assert {row["lap"] for row in every["lifts"]} >= {1, 10}
    with pytest.raises(SystemExit):
        main(["lifts", OVAL, "--every-lap", "--lap", "3"])


@pytest.mark.parametrize("command", ["lifts", "brakings", "corners"])
def test_no_table_of_events_is_wider_than_a_terminal(capsys, command):
    file = [ROAD] if command == "brakings" else [OVAL, "--track", str(DATA / "marlow_basin.toml")]
    for more in ((), ("--every-lap",)):
        text = run(capsys, command, *file, *more)
        tables = [line for line in text.splitlines() if line[:6].strip("- ") == "" or line[:6].strip().isdigit()]
        assert tables and max(map(len, tables)) <= 120


def test_gear_changes_are_counted_apart(capsys):
    assert ": 8 throttle lifts and 10 shift cuts, full" in run(capsys, "lifts", ROAD)
    text = run(capsys, "lifts", OVAL, "--lap", "10")
    assert "pick up distance (m)" in text  # without markers too


def test_brakings(capsys):
    found = json.loads(run(capsys, "brakings", ROAD, "--json"))
    assert len(found["brakings"]) == 8
    assert list(found["brakings"][0])[:3] == ["start_distance", "end_distance", "start_time"]
    assert json.loads(run(capsys, "brakings", OVAL, "--json"))["brakings"] == []  # it has no brake
    assert "there is no brake and no brake pressure" in run(capsys, "brakings", OVAL)
    assert "8 brakings." in run(capsys, "brakings", ROAD)


def test_compare_json_ends_at_the_lap_time_difference(capsys):
    out = json.loads(run(capsys, "compare", OVAL, "--json"))
    said = ["headline", "sentences", "to_try", "caution"]
    assert list(out) == [
        "lap", "reference", "lap_time_difference", "uncertainty", *said, "distance", "delta", "ledger",
    ]  # fmt: skip
    assert (out["lap"], out["reference"]) == (10, 6)
    assert len(out["distance"]) == len(out["delta"])
    assert out["delta"][-1] == pytest.approx(out["lap_time_difference"], abs=1e-9)
    assert abs(out["lap_time_difference"] - 0.071) < 2 * out["uncertainty"]


@pytest.mark.parametrize("words", [(), ("--json",)])
def test_compare_works_the_delta_out_once(capsys, monkeypatch, words):
    rate, worked_out = delta_module._rate, []
    monkeypatch.setattr(delta_module, "_rate", lambda *given: worked_out.append(1) or rate(*given))
    run(capsys, "compare", OVAL, *words)
    assert len(worked_out) == 1


def test_compare_json_holds_the_ledger(capsys):
    out = json.loads(run(capsys, "compare", OVAL, "--json"))
    ledger = out["ledger"]
    assert list(ledger) == ["segments", "start_distance", "causes", "cells", "carried_in", "total"]
    assert "corner 1 entry" in ledger["segments"]
    assert {"longer_way", "throttle", "unexplained"} <= set(ledger["causes"])
    assert len(ledger["cells"]) == len(ledger["segments"])
    assert {len(row) for row in ledger["cells"]} == {len(ledger["causes"])}
    assert ledger["total"] == pytest.approx(out["lap_time_difference"], abs=1e-9)
    assert sum(map(sum, ledger["cells"])) + ledger["carried_in"] == pytest.approx(ledger["total"], abs=1e-9)


def test_compare_json_says_what_the_text_says(capsys):
    out = json.loads(run(capsys, "compare", ROAD, "--json"))
    text = run(capsys, "compare", ROAD)
    assert text.startswith(" ".join(out["sentences"])) and out["to_try"] in text and out["caution"] in text
    place = re.search(r"made (in corner \d from \d+ m on)", out["headline"])[1]
    assert place in out["sentences"][1]
    corner, start = re.findall(r"\d+", place)
    row = out["ledger"]["segments"].index(f"corner {corner} entry")
    assert out["ledger"]["start_distance"][row] == pytest.approx(float(start), abs=0.51)
    assert f"\ncorner {corner} entry (from {start} m on) " in text


def test_compare_json_says_why_there_are_no_causes(capsys, tmp_path):
    bare = tmp_path / "bare.csv"
    pd.read_csv(OVAL, sep=None, engine="python").drop(columns="Throttle (%)").to_csv(bare, index=False)
    ledger = json.loads(run(capsys, "compare", str(bare), "--json"))["ledger"]
    assert list(ledger) == ["segments", "start_distance", "causes", "cells", "carried_in", "total", "reason"]
    assert ledger["carried_in"] is None
    assert "throttle" in ledger["reason"]
    assert sum(map(sum, ledger["cells"])) == pytest.approx(ledger["total"], abs=1e-9)
    assert "no model of the car could be fitted" in run(capsys, "compare", str(bare))


def test_compare_says_why_and_draws_it(capsys, tmp_path):
    picture = tmp_path / "out.png"
    text = run(capsys, "compare", OVAL, "--figure", str(picture))
    first = text.split("\n")[0]
    assert "Lap 10" in first
    assert "made in corner 1 with the throttle" in first
    assert "To try in corner 1: what lap 6 did." in text
    assert "the makers' limits" in text
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_compare_prints_the_ledger_with_its_noise_in_brackets(capsys):
    lines = run(capsys, "compare", OVAL).splitlines()
    head = next(k for k, line in enumerate(lines) if line.startswith("Segment"))
    ledger = json.loads(run(capsys, "compare", OVAL, "--json"))["ledger"]
    row = ledger["segments"].index("corner 1 entry")
    throttle = ledger["cells"][row][ledger["causes"].index("throttle")]
    line = next(line for line in lines[head:] if line.startswith("corner 1 entry"))
    assert f" {throttle:+.3f} " in line
    assert "(" in line
    assert any(line.startswith("whole lap") for line in lines[head:])


def test_compare_with_another_recording(capsys):
    out = json.loads(run(capsys, "compare", OVAL, "--other", OVAL, "--against", "6", "--json"))
    same = json.loads(run(capsys, "compare", OVAL, "--against", "6", "--json"))
    assert out["lap_time_difference"] == pytest.approx(same["lap_time_difference"], abs=1e-6)
    assert out["ledger"]["causes"] == same["ledger"]["causes"]
    assert sum(map(sum, out["ledger"]["cells"])) + out["ledger"]["carried_in"] == pytest.approx(
        out["ledger"]["total"], abs=1e-9
    )


def test_compare_with_a_recording_at_another_rate_and_in_other_units(capsys, tmp_path):
    table = pd.read_csv(OVAL, sep=None, engine="python")
    table = table.iloc[::2].assign(**{"Speed (mph)": table["Speed (km/h)"] / 1.609344}).drop(columns="Speed (km/h)")
    other = tmp_path / "other.csv"
    table.to_csv(other, index=False)
    words = "compare", OVAL, "--other", str(other), "--lap", "10", "--against", "6"
    out = json.loads(run(capsys, *words, "--json"))
    same = json.loads(run(capsys, "compare", OVAL, "--lap", "10", "--against", "6", "--json"))
    assert out["lap_time_difference"] == pytest.approx(same["lap_time_difference"], abs=2 * out["uncertainty"])
    throttle = [
        sum(row[one["ledger"]["causes"].index("throttle")] for row in one["ledger"]["cells"]) for one in (out, same)
    ]
    assert throttle[0] == pytest.approx(throttle[1], abs=0.01)
    text = run(capsys, *words)
    assert "lap 6 of other.csv" in text
    assert "km/h lower" in text


def test_the_best_lap_is_compared_with_the_next_best(capsys):
    out = json.loads(run(capsys, "compare", OVAL, "--lap", "6", "--json"))
    assert out["reference"] != 6
    assert out["lap_time_difference"] < 0


def test_a_start_line_may_begin_with_a_minus_sign(capsys):
    out = json.loads(run(capsys, "laps", ROAD, "--start-line", "-60,40,63deg", "--json"))
    assert sum(lap["complete"] for lap in out["laps"]) == 4


def test_speed_units_are_for_printing_where_the_file_names_its_own(capsys):
    assert "(mph)" in run(capsys, "laps", OVAL, "--speed-units", "mph")
    top = [
        json.loads(run(capsys, "laps", OVAL, *more, "--json"))["laps"][1]["top_speed"]
        for more in ((), ("--speed-units", "mph"))
    ]
    assert top[0] == top[1]


def test_columns_can_be_named(capsys, tmp_path):
    text = Path(OVAL).read_text(encoding="utf-8").replace("Speed (km/h)", "Q7 (km/h)")
    odd = tmp_path / "odd.csv"
    odd.write_text(text, encoding="utf-8")
    out = json.loads(run(capsys, "laps", str(odd), "--columns", "speed=Q7 (km/h)", "--json"))
    assert out["channels"]["speed"]["column"] == "Q7 (km/h)"
    mapping = tmp_path / "names.toml"
    mapping.write_text('[columns]\nspeed = "Q7 (km/h)"\n', encoding="utf-8")
    assert json.loads(run(capsys, "laps", str(odd), "--columns", str(mapping), "--json"))["laps"] == out["laps"]


def test_gzip_is_read_as_the_plain_file(capsys, tmp_path):
    packed = tmp_path / "run.csv.gz"
    packed.write_bytes(gzip.compress(Path(OVAL).read_bytes()))
    assert (
        json.loads(run(capsys, "laps", str(packed), "--json"))["laps"]
        == json.loads(run(capsys, "laps", OVAL, "--json"))["laps"]
    )


@pytest.mark.parametrize("words", [("laps",), ("lifts", "--lap", "3"), ("brakings",), ("corners",), ("compare",)])
def test_every_command_prints_for_people(capsys, words):
    text = run(capsys, words[0], ROAD if words[0] == "brakings" else OVAL, *words[1:])
    assert len(text.splitlines()) > 3
    assert "nan" not in text.lower()


def test_errors_are_one_line_and_status_two(capsys, tmp_path):
    assert "no lap 77" in fails(capsys, "lifts", OVAL, "--lap", "77")
    assert "missing.csv" in fails(capsys, "laps", str(tmp_path / "missing.csv"))
    assert "does not run from line to line" in fails(capsys, "compare", OVAL, "--lap", "11")
    assert "furlong" in fails(capsys, "laps", OVAL, "--speed-units", "furlong")
    assert "was not understood" in fails(capsys, "laps", OVAL, "--start-line", "over there")


def test_a_wrong_call_says_so_and_exits_with_two(capsys):
    with pytest.raises(SystemExit) as stop:
        main(["laps"])
    assert stop.value.code == 2
    assert "FILE" in capsys.readouterr().err


def test_the_module_runs_as_a_program():
    done = subprocess.run([sys.executable, "-m", "lapkit", "laps", OVAL], capture_output=True, text=True, check=True)
    assert "best is lap 6" in done.stdout


# --------------------------------------------------------------- what is said, and how


def written(tmp_path, *, keep, **renamed):
    """The oval's recording with some of its columns, under other names."""
    table = pd.read_csv(OVAL, sep=None, engine="python")
    path = tmp_path / "run.csv"
    table[[*keep]].rename(columns=renamed).to_csv(path, index=False)
    return str(path)


PYTHON = re.compile(r"\b(columns|units|track|start_line|full_throttle)=|\bload\(|lapkit\.[a-z]")


@pytest.mark.parametrize(("words", "expected"), [
    (("lifts",), '--columns "throttle=<header>"'),
    (("laps", "--columns", "bogus=Speed (km/h)"), "The channels are: time"),
    (("laps", "--columns", "sped=Speed (km/h)"), "did you mean 'speed'"),
    (("laps", "--columns", "speed=Nothing"), "--columns: no column 'Nothing'"),
    (("laps", "--columns", "throttle=Speed (km/h)"), "no unit of fraction; name another column in --columns"),
    (("laps", "--columns", "absent.toml"), "--columns names the file absent.toml"),
])  # fmt: skip
def test_errors_are_in_the_spelling_of_the_command_line(capsys, tmp_path, words, expected):
    path = written(tmp_path, keep=["Time (s)", "Speed (km/h)", "X (m)", "Y (m)"])
    said = fails(capsys, words[0], path, *words[1:])
    assert expected in said
    assert not PYTHON.search(said)


def test_python_keeps_its_own_spelling(tmp_path):
    session = lapkit.load(written(tmp_path, keep=["Time (s)", "Speed (km/h)", "X (m)", "Y (m)"]))
    with pytest.raises(lapkit.ColumnError, match=r"load\(\.\.\., columns=\{'throttle': '<header>'\}\)"):
        lapkit.lifts(session)


@pytest.mark.parametrize(("said", "expected"), [
    ('units={"speed": "km/h"} or --speed-units.', "--speed-units km/h."),
    ("load it with track=first_session.track, or", "load it with --track FILE, or"),
    ("load(..., track=first_session.track) puts both", "--track FILE puts both"),
    ('columns={"latitude": ..., "longitude": ...}.', '--columns "latitude=...,longitude=...".'),
    ("more than max_bytes = 5; split it, or raise max_bytes if the memory allows.", "more than 5; split it."),
    ("tyre_age=(0, 12)", "--tyre-age (0, 12)"),
    ('units={"x": "ft", "y": "ft"}', '--columns FILE.toml that holds, below a line [columns], x = {column = "<header>", unit = '
     '"ft"} and y = {column = "<header>", unit = "ft"}'),
    ("a = b, x = 3 m, the track=", "a = b, x = 3 m, the --track"),
])  # fmt: skip
def test_spelling(said, expected):
    assert spoken(said) == expected


@pytest.mark.parametrize("degrees", [False, True])
def test_the_line_that_was_chosen_can_be_given_back(capsys, tmp_path, degrees):
    path = written(tmp_path, keep=["Time (s)", "Speed (km/h)", "X (m)", "Y (m)"])
    if (
        degrees
    ):  # one degree of latitude is 111.19 km at 48 degrees (WGS 84: 111.20), near enough for a line to be found
        table = pd.read_csv(path)
        table["Latitude (deg)"] = 48.0 + table.pop("Y (m)") / 111194.0
        table["Longitude (deg)"] = 11.0 + table.pop("X (m)") / 74538.0
        table.to_csv(path, index=False, float_format="%.8f")
    said = run(capsys, "laps", path)
    line = re.search(r'The same line again: --start-line "([^"]+)"', said)[1]
    assert ("latitude, longitude" in said) is degrees
    chosen, given = (
        json.loads(run(capsys, "laps", path, *words, "--json"))["laps"] for words in ((), ("--start-line", line))
    )
    assert [lap["lap"] for lap in chosen] == [lap["lap"] for lap in given]
    assert [lap["flags"] for lap in chosen] == [lap["flags"] for lap in given]
    times = [[lap["lap_time"] for lap in laps if lap["complete"]] for laps in (chosen, given)]
    assert len(times[0]) > 5
    assert times[0] == pytest.approx(times[1], abs=1e-4)


def test_no_corner_can_be_found_without_what_shows_one(capsys, tmp_path):
    table = pd.read_csv(OVAL, sep=None, engine="python")
    path = tmp_path / "bare.csv"
    table[["Time (s)", "Speed (km/h)"]].assign(lap=(table["Time (s)"] // 27.6).astype(int)).to_csv(path, index=False)
    said = run(capsys, "corners", str(path), "--lap", "2")
    assert "there is no position, yaw rate or lateral acceleration, so no corner can be found" in said
    assert "--track a track file" in said and "corner  " not in said
    assert json.loads(run(capsys, "corners", str(path), "--lap", "2", "--json"))["corners"] == []


def test_one_is_singular(capsys):
    assert "Lap 10: 2 corners." in run(capsys, "corners", OVAL, "--lap", "10")
    for command in ("lifts", "corners", "brakings", "track"):
        assert "(s)." not in run(capsys, command, ROAD) and not re.search(
            r"[a-z]\(s\)", run(capsys, command, ROAD).split("\n")[0]
        )


@pytest.mark.parametrize("command", ["compare", "best", "lines", "run", "setup", "gears"])
@pytest.mark.parametrize(
    ("name", "expected"), [("out.xyz", "one of: .png, .pdf, .svg"), ("no/out.png", "there is no folder")]
)
def test_a_picture_that_cannot_be_written_is_refused_before_any_work(capsys, tmp_path, command, name, expected):
    said = fails(capsys, command, str(tmp_path / "absent.csv"), "--figure", str(tmp_path / name))
    assert expected in said and "--figure" in said


def test_a_file_that_cannot_be_written_is_refused_before_any_work(capsys, tmp_path):
    assert "that is a folder" in fails(capsys, "track", str(tmp_path / "absent.csv"), "--save", str(tmp_path))


def stopped(capsys, call, words):
    with pytest.raises(SystemExit) as stop:
        call(words)
    assert stop.value.code == 0
    return capsys.readouterr().out


def test_help_and_version(capsys):
    assert stopped(capsys, main, ["--version"]) == f"lapkit {lapkit.__version__}\n"
    assert set(EXAMPLES) == set(re.search(r"\{(.*?)\}", stopped(capsys, main, ["--help"]))[1].split(","))
    for command, example in EXAMPLES.items():
        said = stopped(capsys, main, [command, "--help"])
        assert example in said and "metres from the start/finish line" in said
    laps = stopped(capsys, main, ["laps", "--help"])
    flags = (
        "partial",
        "out",
        "in",
        "stop",
        "reset",
        "gap",
        "short, long",
        "contact",
        "tow",
        "missed shift",
        "lost time",
    )
    assert all(f"\n  {word}  " in laps for word in flags)
    lifts = stopped(capsys, main, ["lifts", "--help"])
    assert all(f"\n  {word}  " in lifts for word in ("full lift time", "hold time", "time to lowest"))
    assert "FOLDER" in stopped(capsys, simulate, ["--help"])


def test_the_examples_of_the_help_are_commands():
    from shlex import split

    from lapkit.__main__ import _parser

    for command, example in EXAMPLES.items():
        assert _parser().parse_args(split(example)[1:]).command == command


def test_a_table_that_is_none_is_said_plainly():
    with pytest.raises(lapkit.FrameError, match=r"readable: expected a table lapkit returns.*got None"):
        lapkit.readable(None)
