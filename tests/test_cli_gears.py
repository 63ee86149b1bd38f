"""The command ``gears``: its tables, its sentences, its JSON, its errors."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from lapkit.__main__ import main
from lapkit.analysers.gears.gearing import CAUTION

DATA = Path(__file__).parents[1] / "sample_data"
RUN, TWO = str(DATA / "gears_run.csv"), str(DATA / "two_lines.csv")
CAR = ("--rev-limit", "6500", "--final-drive", "4.5")
RATIOS = ("--ratios", "2.2,1.6,1.25,1.0")
SHEET = """name = "Marlow, invented"
[setup]
gear_ratios = [2.2, 1.6, 1.25, 1.0]
final_drive = 4.5
rev_limit = "6500 rpm"
tyre_circumference = "2.05 m"
"""


def run(capsys, *words: str) -> str:
    assert main(["gears", *words]) == 0
    captured = capsys.readouterr()
    assert all(line.startswith("lapkit: still working on") for line in captured.err.splitlines())
    return captured.out


def fails(capsys, *words: str) -> str:
    assert main(["gears", *words]) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert "Traceback" not in captured.err
    return captured.err


@pytest.fixture
def sheet(tmp_path):
    path = tmp_path / "sheet.toml"
    path.write_text(SHEET, encoding="utf-8")
    return str(path)


def test_the_engine_round_the_lap(capsys):
    out = run(capsys, RUN, *CAR[:2])
    assert "At the end of each straight" in out and "At the lowest point of each corner" in out
    assert "the engine turns 6116 rpm, the mean of 8 laps: 384 rpm (5.9 %) below the limit of 6500 rpm." in out
    assert "mean of 8 laps" in out and "=" not in out
    assert out.count(CAUTION) == 1


def test_one_gear_has_no_number(capsys):
    out = run(capsys, str(DATA / "oval_run.csv"))
    assert "Only one gear is seen" in out and "numbered from the lowest" not in out
    assert next(line for line in out.splitlines() if line.startswith("only")).endswith("100 %")


def test_gears_that_no_lap_used_have_a_dash(capsys):
    rows = [line.split() for line in run(capsys, RUN).splitlines()]
    assert [row[-2:] for row in rows if row[:1] in (["1"], ["2"], ["3"]) and "±0.000" in row[2]] == [["-", "-"]] * 3


def test_the_caution_stands_without_a_limit_too(capsys):
    assert CAUTION in run(capsys, RUN)


def test_a_limit_that_was_passed_is_said(capsys):
    out = run(capsys, RUN, "--rev-limit", "6000")
    assert "above the limit of 6000 rpm" in out
    assert "beyond the limit: have that looked at before anything else." in out


def test_a_sweep_in_words(capsys, tmp_path):
    picture = tmp_path / "sweep.png"
    out = run(
        capsys, RUN, *CAR, *RATIOS, "--final-drives", "4.5,4.75,9", "--restart-speed", "60", "--figure", str(picture)
    )
    assert "Lap 6 driven again" in out
    line = next(line for line in out.splitlines() if line.split()[:1] == ["4.75"])
    assert line.endswith("past the limit")
    own = next(line for line in out.splitlines() if line.split()[:1] == ["4.5"])
    highest = next(line for line in out.splitlines() if line.split()[:2] == ["2", "738"]).split()[-1]
    assert float(own.split()[2]) <= float(highest)  # the lap as driven is one of those whose highest is printed
    assert own.endswith("nearest the limit")
    assert "Final drive 4.75 goes 70 ±173 rpm past the limit there" in out
    assert "4.71 ±0.07 would just meet it" in out
    empty = next(line for line in out.splitlines() if line.split()[:1] == ["9"])
    assert empty.split()[2:6] == ["-"] * 4 and "No lap time is given with final drive 9" in out
    assert "Restart: from 60 km/h" in out
    assert "Leave room below the limit" in out
    assert out.count(CAUTION) == 1
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_json_from_a_sheet(capsys, sheet):
    out = json.loads(run(capsys, RUN, "--sheet", sheet, "--final-drives", "4.5,4.75", "--json"))
    assert list(out) == ["source", "rev_limit", "gears", "corners", "straights", "numbered_by", "agreement", "notes",
                         "caution", "sweep"]  # fmt: skip
    assert out["rev_limit"] == pytest.approx(6500 * np.pi / 30)
    assert out["caution"] == out["sweep"]["caution"] == CAUTION
    assert [gear["gear_ratio"] for gear in out["gears"]] == [2.2, 1.6, 1.25, 1.0]
    assert out["gears"][-1]["overall_ratio"] == pytest.approx(4.5, rel=2e-3)
    rows = out["sweep"]["rows"]
    assert [row["final_drive"] for row in rows] == [4.5, 4.75]
    assert [row["nearest"] for row in rows] == [True, False]
    assert out["sweep"]["meeting"]["overall_ratio"] == pytest.approx(4.71, abs=0.01)
    assert rows[0]["lap_time_difference"] == pytest.approx(0.0, abs=1e-9)
    # the truth of the sample: 27.097 - 27.337 s on lap 6, see sample_data/README.md
    assert abs(rows[1]["lap_time_difference"] + 0.240) < 2.5 * rows[1]["lap_time_difference_uncertainty"]


def test_json_without_a_sweep(capsys):
    out = json.loads(run(capsys, RUN, "--json"))
    assert out["sweep"] is None and out["rev_limit"] is None
    assert len(out["gears"]) == 4


def test_what_is_given_goes_before_the_sheet(capsys, sheet):
    out = json.loads(run(capsys, RUN, "--sheet", sheet, "--rev-limit", "6400", "--json"))
    assert out["rev_limit"] == pytest.approx(6400 * np.pi / 30)


def test_the_engine_over_the_lap_is_drawn(capsys, tmp_path):
    picture = tmp_path / "lap.png"
    assert f"Figure: {picture}" in run(capsys, RUN, *CAR[:2], "--figure", str(picture))
    assert picture.read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--final-drives", "4.5"), "--final-drives needs the engine builder's limit: give --rev-limit RPM"),
        (
            ("--final-drives", "4.5", "--rev-limit", "6500"),
            "needs the final drive that is in the car: give --final-drive X",
        ),
        (
            (*CAR, "--final-drives", "4.5,long"),
            "--final-drives 4.5,long: expected numbers above zero with commas between",
        ),
        ((*CAR, "--final-drives", "-4"), "--final-drives -4: expected numbers above zero"),
        ((*CAR, "--final-drives", "4.5", "--top-gears", "1,1.05"), "--top-gears needs the gears that are in the car"),
        (("--restart-speed", "60"), "--restart-speed needs --final-drives"),
        (("--rev-limit", "0"), "--rev-limit 0: expected a number above zero"),
        (("--ratios", "1.0,2.0"), "ratios fall from first to top gear"),
        (("--rev-limit", "650000", "--final-drive", "4.5", "--final-drives", "4.5"), "is no limit of an engine"),
        (("--sheet", "no/such.toml"), "such.toml: the setup sheet cannot be read"),
    ],
)
def test_errors_are_one_line(capsys, words, said):
    assert said in fails(capsys, RUN, *words)


def test_no_engine_speed(capsys):
    assert "gears need the channels engine_speed and speed, and there is no engine_speed" in fails(capsys, TWO)


def test_engine_speed_that_follows_nothing(capsys, tmp_path):
    table = pd.read_csv(RUN)
    table["Engine Speed (rpm)"] = np.random.default_rng(5).uniform(2000, 6000, len(table)).round()
    bad = tmp_path / "bad.csv"
    table.to_csv(bad, index=False)
    assert "engine_speed does not follow the road speed" in fails(capsys, str(bad))
