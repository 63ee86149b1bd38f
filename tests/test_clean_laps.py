"""Laps that a tow, a contact or a missed shift befell are chosen nowhere by mistake, and every answer says so."""

import json
import re

import numpy as np
import pandas as pd
import pytest
from befallen import befallen_run, befallen_truth
from support import run, session_of
from test_package import loaded_by

import lapkit
from lapkit import LapError, LapkitError, simulate
from lapkit.model.session import SPOILT
from lapkit.simulate import CONSUMER, Contact, MissedShift, Tow
from lapkit.simulate.demo import _geared_car

OVAL = simulate.oval()
EVENTS = {5: Tow(480.0, 740.0, 0.35), 8: Contact(300.0, 20.0, 0.15, 2.0)}
SPOILT_LAPS = {5: "tow", 6: "after tow", 8: "contact"}
CLEAN = [1, 2, 3, 4, 7, 9, 10]
SAID = "Left out, for what befell them: lap 5 (tow), lap 6 (after tow), lap 8 (contact)."
CHANNELS = ("time", "lap", "x", "y", "speed", "throttle", "yaw_rate", "lateral_acceleration", "engine_speed")


def written(folder, name, events, *, seed=9, laps=10, channels=CHANNELS):
    truth = befallen_truth(OVAL, events, laps=laps, seed=seed, car=_geared_car(4.5))
    table = simulate.record(truth, 20.0, out_lap=200.0, in_lap=100.0, noise=CONSUMER, seed=seed, channels=channels)
    simulate.write_csv(table, folder / name, units={"speed": "km/h", "throttle": "%", "engine_speed": "rpm"})
    return str(folder / name)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("runs")


@pytest.fixture(scope="module")
def file(folder):
    """Ten laps: a tow on lap 5, which lap 6 still begins with, and a touch on lap 8."""
    return written(folder, "befallen.csv", EVENTS)


@pytest.fixture(scope="module")
def quiet(folder):
    """The same laps with nothing of it."""
    return written(folder, "quiet.csv", {})


@pytest.fixture(scope="module")
def session(file):
    return lapkit.load(file)


def test_nothing_is_looked_for_before_somebody_asks(file):
    code = f"import lapkit\ns = lapkit.load({file!r})\ns.laps, s.track, s.lap(3), s.samples(3)"
    assert not [name for name in loaded_by(code) if name.startswith("lapkit.analysers")]
    assert [name for name in loaded_by(f"{code}\ns.best()") if name == "lapkit.analysers.oddities.oddities"]


def test_it_is_looked_for_once(file, monkeypatch):
    from lapkit.analysers.oddities import oddities as module

    asked, find = [], module.oddities
    monkeypatch.setattr(module, "oddities", lambda given: asked.append(given) or find(given))
    session = lapkit.load(file)
    early = session.lap(5)
    assert early.attrs["marks"] == [] and not asked
    text = str(session)
    assert session.best_number() in CLEAN and session.marks is not None and session._repr_html_()
    assert len(asked) == 1 and asked[0].marks is None
    assert early.attrs["marks"] == session.lap(5).attrs["marks"] == session.marks_of(5)  # whoever took the lap first
    assert [mark["kind"] for mark in early.attrs["marks"]] == ["tow"]
    assert session.spoilt == SPOILT_LAPS
    assert re.search(r"7 clean; best is lap (1|2|3|4|7|9|10) in", text)
    json.dumps(early.attrs)


def test_it_can_be_switched_off_and_marks_be_ones_own(file, session):
    every = lapkit.load(file, find_oddities=False)
    assert every.marks is None and every.spoilt == {} and every.clean.sum() == 10
    assert every.best_number() == 5 and "tow" not in str(every)
    own = session.marked(session.marks[session.marks["kind"] == "contact"])
    assert own.spoilt == {8: "contact"} and own.best_number() == 5
    assert session.unmarked().best_number() == 5 != session.best_number()


def test_every_answer_has_the_same_best_lap(file, session, capsys):
    best = session.best_number()
    assert best not in session.spoilt
    times = session.laps.set_index("lap")["lap_time"]
    assert best == times[CLEAN].idxmin()
    assert json.loads(run(capsys, "lifts", file, "--json"))["lap"] == best
    assert json.loads(run(capsys, "corners", file, "--json"))["lap"] == best
    assert json.loads(run(capsys, "compare", file, "--json", "--lap", "3"))["reference"] == best
    assert f"best is lap {best} " in run(capsys, "laps", file)
    assert lapkit.best_lap(session).lap == best and SAID in lapkit.best_lap(session).notes
    upper, _ = lapkit.charts.lap_times(session)
    assert f"Lap {best} was the best of 7 clean laps" in upper.get_title(loc="left")
    beside = [text.get_text() for text in upper.texts]
    assert all(any(text.endswith(kind) for text in beside) for kind in ("tow", "after tow", "contact"))
    rows = {row["lap"]: row for row in json.loads(run(capsys, "laps", file, "--json"))["laps"]}
    assert [mark["kind"] for mark in rows[5]["marks"]] == ["tow"] and not rows[5]["clean"] and rows[1]["clean"]
    assert json.loads(run(capsys, "lifts", file, "--json", "--all-laps"))["lap"] == 5


def test_what_a_tow_still_does_on_the_next_lap_is_known_by_its_uncertainty(session):
    """Not by how much time it makes. The truth is the same run without the tow."""
    (row,) = session.marks[session.marks["kind"] == "after tow"].to_dict("records")
    runs = [befallen_truth(OVAL, events, laps=10, seed=9, car=_geared_car(4.5)).laps for events in (EVENTS, {})]
    faster = runs[0]["speed_at_line"][4] - runs[1]["speed_at_line"][4]
    made = runs[0]["lap_time"][5] - runs[1]["lap_time"][5]
    assert row["lap"] == 6 and row["unit"] == "m/s" and row["start_distance"] == 0.0
    assert abs(row["size"] - faster) < 2 * row["size_uncertainty"] < row["size"]
    assert made < -0.01 and abs(row["time_lost"] - made) < 2 * row["time_lost_uncertainty"]
    assert row["words"].startswith("Began ") and "faster than usual after the tow of lap 5" in row["words"]


def test_a_small_effect_on_the_next_lap_counts_if_it_is_sure():
    """Three hundredths of a second, known to a few thousandths."""
    session, _ = befallen_run(OVAL, {4: Tow(100.0, 400.0, 0.4)})
    (row,) = (found := lapkit.oddities(session))[found["lap"] == 5].to_dict("records")
    assert row["kind"] == "after tow" and 2 * row["time_lost_uncertainty"] < -row["time_lost"] < 0.08


def test_a_tow_does_not_decide_the_final_drive(session, quiet):
    asked = {"final_drive": 4.5, "final_drives": [4.4, 4.7], "rev_limit": 6500 * np.pi / 30}
    found, truth = (lapkit.gear_sweep(one, **asked) for one in (session, lapkit.load(quiet)))
    assert found.attrs["lap"] == session.best_number() and SAID in found.attrs["notes"]
    meeting, true = (table.attrs["meeting"] for table in (found, truth))
    assert abs(meeting["final_drive"] - true["final_drive"]) < meeting["final_drive_uncertainty"]


def test_the_model_is_fitted_to_clean_laps_and_says_so(session, quiet):
    model = lapkit.longitudinal_model(session)
    assert model.laps == 7 and SAID in model.notes
    true = lapkit.longitudinal_model(lapkit.load(quiet)).coefficient("drag")
    all_laps = lapkit.longitudinal_model(session.unmarked())
    assert abs(model.coefficient("drag") / true - 1) < abs(all_laps.coefficient("drag") / true - 1)
    several = lapkit.longitudinal_model([session, lapkit.load(quiet)]).notes
    assert f"befallen.csv: {SAID}" in several


def test_where_nothing_else_is_left_spoilt_laps_count_and_that_is_said(session):
    row = session.marks.iloc[[0]]
    all_but_one = pd.concat([row.assign(lap=lap) for lap in range(1, 10)])
    model = lapkit.longitudinal_model(session.marked(all_but_one))
    assert model.ok and model.laps == 10
    assert any(note.startswith("Counted in spite of what befell them: lap 1 (tow), ") for note in model.notes)
    every = session.marked(pd.concat([all_but_one, row.assign(lap=10)]))
    with pytest.raises(LapError, match=r"marked: .*tow.*find_oddities=False"):
        every.best()
    assert "0 clean" in str(every)
    with pytest.raises(LapkitError, match="those that were are spoilt"):
        lapkit.fall_off(lapkit.run_table(every))


def test_a_run_is_read_from_clean_laps(session):
    found = lapkit.fall_off(lapkit.run_table(session))
    weight = found.laps.set_index("lap")["weight"]
    assert (weight[list(SPOILT_LAPS)] == 0).all() and (weight[CLEAN] > 0).all()
    assert found.warm_up == 0 and found.scatter < 0.08
    assert SAID in found.notes and "Odd laps" not in " ".join(found.words)
    assert "5  " in repr(found) and "after tow" in repr(found)
    few = lapkit.run_table(session)
    with pytest.raises(LapkitError, match=r"4 clean laps .* lap 5 \(tow\).* find_oddities=False"):
        lapkit.fall_off(few[few["lap"].isin([1, 2, 3, 4, *SPOILT_LAPS])])


def test_a_spoilt_first_lap_is_no_warm_up():
    rng = np.random.default_rng(3)
    table = pd.DataFrame(
        {"run": 1, "lap": range(1, 13), "tyre_age": range(12), "lap_time": 30 + rng.normal(0, 0.03, 12)}
    )
    table["odd"] = ["contact", *[""] * 11]
    table.loc[0, "lap_time"] += 0.5
    found = lapkit.fall_off(table)
    assert found.warm_up == 0 and "No warm-up shows" in " ".join(found.words)
    table.loc[1, "lap_time"] += 0.4
    assert lapkit.fall_off(table).warm_up == 2


def test_setups_are_compared_by_clean_laps(session, folder):
    other = lapkit.load(written(folder, "other.csv", {}, seed=21), track=session.track)
    found = lapkit.compare_setups([session], [other], resamples=0)
    assert found.done == (7, 10) and found.warm_up == 0 and found.margin < 0.1
    assert SAID.replace(" lap ", " run 1 lap ") in found.notes


def test_lines_are_compared_by_clean_laps(file, session, capsys):
    sides = [session.lap(n) for n in (1, 2, 8)], [session.lap(n) for n in (3, 4, 5)]
    found = lapkit.compare_lines(*sides)  # named by somebody: they count
    said = "Counted in spite of what befell them: lap 8 of befallen.csv (contact), lap 5 of befallen.csv (tow)."
    assert said in found.notes and said in run(capsys, "lines", file, "--a", "1,2,8", "--b", "3-5")
    assert set(lapkit.line_groups(session)["lap"]) == set(CLEAN)


@pytest.mark.parametrize(("channels", "kind"), [
    (CHANNELS[:6], "missed shift or contact"),
    (CHANNELS, "contact"),
])  # fmt: skip
def test_a_touch_and_a_missed_shift_are_both_named_where_nothing_tells_them_apart(channels, kind):
    session, _ = befallen_run(OVAL, EVENTS, rate=20.0, seed=9, channels=channels)
    row = (found := lapkit.oddities(session))[found["lap"] == 8].iloc[0]
    assert row["kind"] == kind and kind in SPOILT
    if kind != "contact":
        assert row["words"].startswith("A missed shift, an engine that cut out or a touch at ")
        assert "so rather a touch" in row["words"]
        shift, _ = befallen_run(OVAL, {8: MissedShift(600.0, 0.6)}, rate=20.0, seed=9, channels=channels)
        (words,) = (found := lapkit.oddities(shift)).loc[found["lap"] == 8, "words"]
        assert "rather a touch" not in words and "or a touch" in words


def test_the_track_does_not_depend_on_marks():
    """Corners are found from the laps, whatever befell them, so that looking for it finds the same track."""
    truth = befallen_truth(OVAL, {1: Tow(480.0, 740.0, 0.35)}, laps=6)
    table = simulate.record(
        truth, 20.0, out_lap=200.0, noise=CONSUMER, channels=("time", "lap", "speed", "throttle", "yaw_rate")
    )
    plain, marked = (session_of(table, find_marks=find) for find in (None, lapkit.oddities))
    assert marked.spoilt[1] == "tow"
    pd.testing.assert_frame_equal(marked.track.corners, plain.track.corners)
