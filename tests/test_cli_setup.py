"""The command line where runs on ageing tyres and two setups are concerned."""

import json
from pathlib import Path

import pytest
from support import fails, run

from lapkit.__main__ import main

DATA = Path(__file__).parents[1] / "sample_data"
A, B, LONG, ROAD = (str(DATA / f"{name}.csv") for name in ("setup_a", "setup_b", "long_run", "road_course"))
SHEETS = f"{DATA / 'sheet_a.toml'},{DATA / 'sheet_b.toml'}"


def test_setup_finds_the_effect_and_says_what_differs(capsys, tmp_path):
    figure = tmp_path / "setup.png"
    said = run(capsys, "setup", A, B, "--sheets", SHEETS, "--order", "AB", "--figure", str(figure))
    assert said.startswith("Not settled: B came out 0.10") and "lap 7" in said and "lap 10" in said
    assert "In these runs B stays ahead to tyre age 11 (lap 12)" in said and "faster all the way" not in said
    assert "straight after corner 2" in said and "would overturn this" in said
    assert "In the middle: " in said and "at tyre age 5.5." in said
    assert "front anti roll bar diameter 3 mm thicker (32 to 35)" in said
    assert "they work against each other" in said and "common practice, no source" in said
    assert said.count("limits of the makers of chassis") == 1
    assert "drive" in said.lower() and "A, B, B, A" in said
    assert "Assumed, setup_b.csv: Laps run from the start/finish line of setup_a.csv." in said
    assert "Assumed, setup_a.csv: Laps are cut where the file's lap column changes" in said
    assert figure.stat().st_size > 10_000


def test_what_is_suggested_is_spelled_as_the_command_line_takes_it(capsys):
    said = run(capsys, "setup", A, B)
    assert "such as --order 'AB'." in said and "order='" not in said
    assert "Order: all of A was driven before B" in run(capsys, "setup", A, B, "--order", "AB")


def test_a_command_that_takes_long_says_so_once(capsys, monkeypatch):
    monkeypatch.setattr("lapkit.commands.common.QUIET", 0.0)
    assert main(["run", B]) == 0
    assert capsys.readouterr().err == f"lapkit: still working on {B}\n"


def test_setup_json_holds_the_comparison(capsys):
    out = json.loads(run(capsys, "setup", A, B, "--json", "--names", "old,new", "--tyre-age", "3"))
    # the simulated drivers differ by 0.105 s a lap, see sample_data/README.md
    assert abs(out["difference"] + 0.105) < out["margin"] < 0.04 and out["significant"]
    places = out["table"][:-1]
    assert places[0]["segment"] == "straight before corner 1" and places[1]["segment"] == "corner 1"
    assert sum(row["difference"] for row in places) == pytest.approx(out["difference"], abs=1e-9)
    assert 0 < out["overturned_by"] < abs(out["difference"])
    assert out["names"] == ["old", "new"] and out["setups"] == "AB" and out["sheets"] is None
    assert out["crossover"]["faster_early"] == out["crossover"]["faster_late"] == "new"
    assert out["table"][-1]["segment"] == "lap" and min(row["tyre_age"] for row in out["laps"]) == 3


def test_setup_turned_round_only_changes_the_sign(capsys):
    one = json.loads(run(capsys, "setup", A, B, "--json"))
    other = json.loads(run(capsys, "setup", A, B, "--json", "--order", "BA"))
    assert one["difference"] == pytest.approx(-other["difference"], abs=1e-6)


@pytest.mark.parametrize(("words", "expected"), [
    ((A,), "cut one that holds both setups in two"),
    ((A, B, A), "--order ABB"),
    ((A, B, "--order", "AA"), "both letters"),
    ((A, B, "--order", "ABBA"), "each of the 2 files (not for each run in them)"),
    ((A, B, "--order", "AC"), "a letter, A or B,"),
    ((A, A), "setup_a.csv and setup_a.csv are one recording, given twice"),
    ((A, B, "--fuel-effect", "3"), "setup_a.csv and setup_b.csv: a fuel effect is given"),
    ((A, B, "--sheets", "one.toml"), "give two setup sheets"),
    ((A, B, "--sheets", "one.toml,two.toml"), "one.toml"),
    ((A, B, "--names", "same,same"), "give two names"),
    ((A, B, "--tyre-age", "1,2,3"), "one for each of the 2"),
])  # fmt: skip
def test_setup_faults_are_one_line(capsys, words, expected):
    assert expected in fails(capsys, "setup", *words)


def test_run_reads_the_long_run(capsys, tmp_path):
    figure = tmp_path / "run.png"
    said = run(capsys, "run", LONG, "--figure", str(figure))
    assert "warm-up" in said and "steeper" in said and "lap 13" in said and "limits of their maker" in said
    assert "front right wheel: first lap 177 kPa, settled at 198 kPa after 14 laps" in said
    assert figure.stat().st_size > 10_000


def test_run_json_holds_the_curve(capsys):
    out = json.loads(run(capsys, "run", B, "--json", "--tyre-age", "4"))
    assert out["low"] < 0.0175 + 0.008 and out["rate"] == pytest.approx(0.018, abs=0.008)  # 0.018 s a lap in the script
    assert out["laps"][0]["tyre_age"] == 4 and out["files"] == [B]


@pytest.mark.parametrize(("words", "expected"), [
    ((B, "--tyre-age", "new"), "give laps as a whole number"),
    ((B, "--fuel-effect", "0.03 s/L"), "setup_b.csv: a fuel effect is given, but fuel is not known"),
    ((ROAD,), "road_course.csv: 4 clean laps after none of warm-up; a fall-off takes at least 5"),
])  # fmt: skip
def test_run_faults_are_one_line(capsys, words, expected):
    assert expected in fails(capsys, "run", *words)
