"""Setup sheets: units, sense, what follows from what, history."""

import json

import numpy as np
import pytest

from lapkit.errors import FileError, LapkitError
from lapkit.model.setup.file import make_sheet, read_sheet, read_sheets
from lapkit.model.setup.log import SetupLog
from lapkit.model.setup.sheet import corner_weights, weight_shares, words

SHEET = """
name = "Evening run (invented)"

[units]
pressure = "psi"
mass = "lb"
length = "in"
stiffness = "lbf/in"

[setup]
corner_weight = {fl = 760, fr = 700, rl = 690, rr = 650}
tyre_pressure_cold = {fl = 14, fr = 22, rl = 13, rr = 21}
spring_rate = {fl = 500, fr = 600, rl = 175, rr = 200}
track_bar_height = {left = 9.5, right = 10.0}
camber = {fl = "4 deg", fr = "-3.5 deg"}
gear_ratios = [2.2, 1.4, 1.0]
final_drive = 4.86
fuel = "20 L"
tyres = "second set"
"""


def _written(tmp_path, text, name="sheet.toml"):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def test_shares_of_published_corner_weights():
    # Public engineering-calculator pages print these worked examples; two definitions of cross weight, adding up to 100 %:
    # FL 360, FR 350, RL 340, RR 350 kg: front left with rear right 50.7 %, so right front with left rear 49.3 %
    shares = weight_shares({"fl": 360, "fr": 350, "rl": 340, "rr": 350})
    assert 100 * shares["cross_weight_fl_rr"] == pytest.approx(50.7, abs=0.05)
    assert 100 * shares["cross_weight_fr_rl"] == pytest.approx(49.3, abs=0.05)
    # right front 600 and left rear 500 of 2000 lb: 55.0 %; right front 850 and left rear 800 of 3210 lb: 51.4 %
    for fr, rl, total, printed in ((600, 500, 2000, 55.0), (850, 800, 3210, 51.4)):
        rest = (total - fr - rl) / 2
        found = weight_shares({"fl": rest, "fr": fr, "rl": rl, "rr": rest})["cross_weight_fr_rl"]
        assert 100 * found == pytest.approx(printed, abs=0.05)


@pytest.mark.parametrize("seed", range(5))
def test_weights_and_shares_follow_from_each_other(seed):
    weights = dict(zip(("fl", "fr", "rl", "rr"), np.random.default_rng(seed).uniform(200, 400, 4), strict=True))
    shares = weight_shares(weights)
    assert shares["cross_weight_fr_rl"] + shares["cross_weight_fl_rr"] == pytest.approx(1.0)
    back = corner_weights(
        sum(weights.values()), shares["front_weight"], shares["left_weight"], shares["cross_weight_fr_rl"]
    )
    assert back == pytest.approx(weights)


def test_a_sheet_is_read_in_the_persons_units(tmp_path):
    sheet = read_sheet(_written(tmp_path, SHEET))
    assert sheet.settings["tyre_pressure_cold_fr"] == pytest.approx(22 * 6894.757, rel=1e-6)  # NIST SP 811 B.8
    assert sheet.settings["corner_weight_fl"] == pytest.approx(760 * 0.45359237)
    assert sheet.settings["spring_rate_rr"] == pytest.approx(200 * 4.448222 / 0.0254, rel=1e-6)
    assert sheet.settings["camber_fr"] == pytest.approx(np.radians(-3.5))
    assert sheet.settings["gear_ratios"] == [2.2, 1.4, 1.0]
    assert sheet.shown("tyre_pressure_cold_fr") == "22 psi"
    assert sheet.shares["cross_weight_fr_rl"] == pytest.approx(1390 / 2800)
    assert "49.6 % (follows)" in repr(sheet) and "right front spring rate: 600 lbf/in" in repr(sheet)
    json.dumps(sheet.to_dict(), allow_nan=False)


def test_weights_follow_from_percentages():
    sheet = make_sheet(
        "A", {"total_weight": "1400 kg", "front_weight": "50 %", "left_weight": "52 %", "cross_weight_fl_rr": "49 %"}
    )
    weights = sheet.corner_weights
    assert weights is not None
    assert sum(weights.values()) == pytest.approx(1400)
    assert (weights["fl"] + weights["rr"]) / 1400 == pytest.approx(0.49)
    assert make_sheet("B", {"front_weight": "50 %"}).corner_weights is None


def test_all_faults_are_told_together(tmp_path):
    text = """
[units]
pressure = "psi"
time = "s"
[setup]
cross_weight = 52
tyre_pressure_cold = {fl = 230, fr = 22, xx = 3}
spring_rate = 500
caster_fl = "three"
gear_ratios = [1.0, 2.0]
fuel = 20
wing = 3
corner_weight = {fl = "300 kg"}
"""
    with pytest.raises(FileError) as caught:
        read_sheet(_written(tmp_path, text))
    told = str(caught.value)
    for expected in (
        "sheet.toml", "cross_weight has two published meanings", "'xx' is not one of fl, fr, rl, rr",
        "spring_rate is given for each of fl, fr, rl, rr", "caster_fl = 'three' is not a number with a unit",
        "gear_ratios = 1, 2 must fall from first to top", "fuel = 20 has no unit", "'wing' is not a quantity",
        "corner_weight is missing for fr, rl, rr", "tyre_pressure_cold_fl = 230 makes no sense on any car", "[units] time",
    ):  # fmt: skip
        assert expected in told


@pytest.mark.parametrize(("text", "message"), [
    ("[setup]\nfinal_drive = true", "final_drive = True is not a number"),
    ("[setup]\nfinal_drive = '3 psi'", "is not a unit of number"),
    ("[setup]\nfinal_drive = nan", "is not a number"),
    ("[setup]\ntyres = 3", "tyres = 3 is not text"),
    ("[setup]\ngear_ratios = []", "gear_ratios is empty"),
    ("[setup]\nfinal_drive = {fl = 3}", "final_drive: takes one value"),
    ("setup = 3", "setup must be a table"),
    ("wheels = 4", "'wheels' is not known in a setup sheet"),
    ("name = 3", "name = 3 is not text"),
    ("[setup", "not a TOML setup sheet"),
    ("[setup]\nfront_weight = '30 %'\nleft_weight = '30 %'\ncross_weight_fr_rl = '75 %'\ntotal_weight = '900 kg'", "no weight on"),
    ("[setup]\ncross_weight_fr_rl = '52 %'\ncross_weight_fl_rr = '50 %'", "add up to 102.0 %, not 100 %"),
    ("[setup]\ncorner_weight = {fl = '300 kg', fr = '300 kg', rl = '300 kg', rr = '300 kg'}\nfront_weight = '52 %'", "but the corner weights give 50.0 %"),
])  # fmt: skip
def test_each_fault_says_what_to_do(tmp_path, text, message):
    with pytest.raises(FileError, match=r"sheet\.toml") as caught:
        read_sheet(_written(tmp_path, text))
    assert message in str(caught.value)


def test_a_missing_file_is_one_line(tmp_path):
    with pytest.raises(FileError, match="cannot be read"):
        read_sheet(tmp_path / "none.toml")
    with pytest.raises(FileError, match="cannot be read"):
        read_sheets(tmp_path / "none.csv")


def test_rows_of_a_csv_are_sheets(tmp_path):
    path = _written(
        tmp_path, "name,final_drive,tyre_pressure_cold_fl (psi),gear_ratios\nA,3.1,20,2.0;1.0\nB,3.25,,\n", "sheets.csv"
    )
    first, second = read_sheets(path)
    assert first.name == "A" and first.settings["tyre_pressure_cold_fl"] == pytest.approx(20 * 6894.757, rel=1e-6)
    assert first.settings["gear_ratios"] == [2.0, 1.0]
    assert "tyre_pressure_cold_fl" not in second.settings and second.settings["final_drive"] == 3.25
    with pytest.raises(FileError, match=r"sheets\.csv, row 3: final_drive = 'long' is not a number"):
        read_sheets(_written(tmp_path, "name,final_drive\nA,3\nB,long\n", "sheets.csv"))


def test_what_changed_is_said_in_words(tmp_path):
    first = read_sheet(_written(tmp_path, SHEET))
    second = read_sheet(
        _written(
            tmp_path,
            SHEET.replace("rr = 200}", "rr = 225}").replace("fr = 22,", "fr = 20,").replace('fuel = "20 L"', ""),
        )
    )
    said = first.diff(second)["words"].tolist()
    assert "right rear spring rate 25 lbf/in stiffer (200 to 225)" in said
    assert "right front tyre pressure cold 2 psi lower (22 to 20)" in said
    assert "fuel: 20 L, only in the first sheet" in said
    assert len(said) == 3
    assert first.diff(first).empty
    assert words("cross_weight_fl_rr") == "cross weight (left front and right rear)"


def test_the_log_keeps_what_was_and_knows_a_recording_again(tmp_path):
    run = _written(tmp_path, "time,speed\n0,1\n", "run.csv")
    one, two = make_sheet("A", {"final_drive": 3.1}), make_sheet("B", {"final_drive": 3.25})
    log = SetupLog(tmp_path / "log.jsonl")
    log.add(run, one, note="pushes")
    log.add(run, two)
    moved = tmp_path / "elsewhere.csv"
    moved.write_bytes(run.read_bytes())
    again = SetupLog(tmp_path / "log.jsonl")
    assert again.sheet_of(moved).settings == two.settings  # the last entry counts
    assert [entry.sheet.name for entry in again.entries] == ["A", "B"]  # and the first is kept
    assert again.table()["changes"].tolist() == ["", "final drive 0.15 shorter (3.1 to 3.25)"]
    assert str(tmp_path) not in (tmp_path / "log.jsonl").read_text()
    with pytest.raises(LapkitError, match=r"no setup is entered for other\.csv"):
        again.sheet_of(_written(tmp_path, "x\n1\n", "other.csv"))


@pytest.mark.parametrize("line", ["{", "[]", '{"written": 3}', '{"written":"","recording":"","fingerprint":"","sheet":{"name":"A","settings":{"final_drive":"x"}}}',
                                  '{"written":"","recording":"","fingerprint":"","sheet":{"name":"A","settings":[1]}}',
                                  '{"written":"","recording":"","fingerprint":"","sheet":{"name":"A","settings":{},"units":{"mass":"furlong"}}}'])  # fmt: skip
def test_a_spoilt_log_names_its_line(tmp_path, line):
    path = _written(tmp_path, "\n" + line + "\n", "log.jsonl")
    with pytest.raises(FileError, match=r"log\.jsonl, line 2: "):
        SetupLog(path)


def test_a_sheet_in_html_is_escaped():
    sheet = make_sheet("<b>A</b>", {"notes": "<script>"})
    assert "<script>" not in sheet._repr_html_() and "<b>A" not in sheet._repr_html_()
