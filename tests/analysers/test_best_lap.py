"""The best possible lap, against laps that were driven so and laps that only look so."""

import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from support import session_of

import lapkit
from lapkit.analysers.lines.best_lap import COLUMNS, best_lap
from lapkit.errors import FrameError
from lapkit.simulate import demo
from lapkit.simulate.courses import oval
from lapkit.simulate.driver import oval_driver, run_scripts
from lapkit.simulate.recorder import CONSUMER, record

CHANNELS = ("time", "lap", "x", "y", "speed", "throttle", "yaw_rate")


def _run(scripts, *, noise=None, seed=1):
    track = oval()
    truth = demo._drive_warm(track, demo.OVAL_CAR, scripts)
    table = record(truth, 50.0, out_lap=100.0, in_lap=100.0, noise=noise, seed=seed, channels=CHANNELS)
    return session_of(table), truth


def _scripts(*longer):
    """A script a lap: each names the corners (0, 1) that are driven with too long a lift."""
    plain = run_scripts(oval_driver(oval()), 1, np.random.default_rng(3), 0.0)[0]
    laps = []
    for wrong in longer:
        actions = [
            replace(action, hold=action.hold + 0.25) if k in wrong else action for k, action in enumerate(plain.actions)
        ]
        laps.append(replace(plain, actions=tuple(actions)))
    return laps


@pytest.fixture(scope="module")
def mixed():
    # warm-up, then: all right, corner 1 wrong, corner 2 wrong, both wrong, all right
    return _run(_scripts((), (0, 1), (0,), (0, 1), (1,), (0, 1), (), (1,)))


def test_the_joined_lap_is_what_a_lap_with_both_good_corners_takes(mixed):
    session, _ = mixed
    good = session.laps["lap_time"].min()
    without = [
        session.lap(int(n))
        for n in session.laps["lap"][session.clean]
        if session.lap(int(n)).attrs["lap_time"] > good + 0.02
    ]
    best = best_lap(without)
    assert best.lap_time > good + 0.02
    assert best.seams >= 1
    assert best.best_of_each <= best.joined + 1e-12 <= best.lap_time
    # what was never driven in one lap here was driven in the lap held back, from another speed at the line
    assert abs(best.joined - good) < 0.03
    assert abs(best.joined - good) < 0.3 * (best.lap_time - good)


def test_the_best_lap_is_its_own_best_where_it_was_the_best_everywhere(mixed):
    session, _ = mixed
    frame = session.best()
    best = best_lap([frame])
    assert best.joined == best.lap_time == best.best_of_each == frame.attrs["lap_time"]
    assert best.seams == 0
    assert "no other lap" in " ".join(best.words()).lower()
    assert any("too few" in note for note in best.notes)


def test_the_joined_frame_ends_at_the_joined_time_and_never_stands_still(mixed):
    session, _ = mixed
    best = best_lap(session)
    frame = best.frame
    assert frame.index.equals(session.best().index)
    assert (frame["time"].diff().dropna() > 0).all() and (frame["path"].diff().dropna() > 0).all()
    change = lapkit.delta(frame, session.best())
    assert change["delta"].iloc[-1] == pytest.approx(best.joined - best.lap_time, abs=1e-9)


def test_the_table_adds_up(mixed):
    best = best_lap(mixed[0])
    table = best.table
    assert list(table.columns) == COLUMNS
    assert table["best_time"].sum() == pytest.approx(best.best_of_each, abs=1e-9)
    assert table["joined_time"].sum() + table["seam_cost"].sum() == pytest.approx(best.joined, abs=1e-9)
    gained = table["time_gained"].sum() - table["seam_cost"].sum()
    assert gained == pytest.approx(best.lap_time - best.joined, abs=1e-9)
    assert (table["seam_cost"] >= 0).all()


def test_seams_keep_their_tolerances(mixed):
    table = best_lap(mixed[0], speed_tolerance=0.3, offset_tolerance=0.4).table
    assert (table["seam_speed_difference"].abs() <= 0.3).all()
    assert (table["seam_offset_difference"].abs() <= 0.4).all()
    none = best_lap(mixed[0], speed_tolerance=0.0, offset_tolerance=0.0)
    assert none.seams == 0 and none.joined == none.lap_time


def test_laps_in_other_lanes_are_not_joined():
    # two laps that lose a little at different places and are alike in the corner between
    place = pd.Index(np.arange(0.0, 400.0), name="distance")
    corners = [{"corner": "1", "start_distance": 100.0, "end_distance": 200.0}]

    def lap(number, offset, fast):
        speed = 25.0 - 2.0 * np.exp(-(((place.to_numpy() - (300.0 if fast else 50.0)) / 10.0) ** 2))
        time = np.append(0.0, np.cumsum(1.0 / speed))
        frame = pd.DataFrame({"time": time[:-1], "speed": speed, "offset": offset}, index=place)
        frame.attrs.update(lap=number, source="made up", lap_time=float(time[-1]), lap_time_uncertainty=0.001, step=1.0,
                           track_length=400.0, place_error=0.05, corners=corners)  # fmt: skip
        return frame

    apart = best_lap([lap(1, 0.0, True), lap(2, 3.0, False)])
    beside = best_lap([lap(1, 0.0, True), lap(2, 0.5, False)])
    assert apart.seams == 0 and apart.joined == apart.lap_time > apart.best_of_each
    assert beside.seams > 0 and beside.joined < beside.lap_time


def test_repeated_laps_prove_no_gain():
    # the same lap again and again: what the best pieces seem to gain is luck, and is called so
    shares = []
    for seed in range(3):
        session, _ = _run(_scripts(*[()] * 9), noise=CONSUMER, seed=seed)
        best = best_lap(session)
        shares.append((best.lap_time - best.best_of_each, best.expected_gain))
        assert 0 <= best.expected_gain <= best.lap_time - best.joined
    seeming, expected = np.array(shares).T
    assert (seeming > 0).all()
    assert expected.mean() < 0.5 * seeming.mean() and expected.mean() < 0.012


def test_without_position_laps_are_joined_by_speed_and_it_says_so(mixed):
    session, _ = mixed
    frames = [session.lap(n).drop(columns=["offset"]) for n in (2, 4)]
    best = best_lap(frames)
    assert any("no position" in note for note in best.notes)
    assert best.table["seam_offset_difference"].isna().all()


def test_words_and_tables_carry_the_figures(mixed):
    best = best_lap(mixed[0])
    said = " ".join(best.words())
    assert f"{best.joined:.3f}" in said and f"{best.best_of_each:.3f}" in said
    assert "nobody has driven" in said
    assert (
        f"{best.expected_gain:.3f} s of it is more than error of reading" in said
        and "expected to be there again" not in said
    )
    assert re.search(r"The most is (in corner|on the straight)", said)
    assert "<table>" in best._repr_html_() and "seam cost" in repr(best)
    assert best.to_dict()["seams"] == best.seams


def test_what_is_printed_adds_up(mixed):
    best = best_lap(mixed[0])
    thousandths = best._shown().map(lambda cell: round(1000 * float(cell.split(" ")[0])) if "." in cell else 0)
    for name in ("best time (s)", "joined time (s)", "time gained (s)", "seam cost (s)"):
        assert thousandths[name].iloc[:-1].sum() == thousandths[name].iloc[-1]
    whole = thousandths.iloc[-1]
    printed = round(1000 * round(best.joined, 3))
    assert whole["joined time (s)"] + whole["seam cost (s)"] == printed
    assert whole["time gained (s)"] - whole["seam cost (s)"] == round(1000 * round(best.lap_time, 3)) - printed
    assert f"{(round(1000 * round(best.lap_time, 3)) - printed) / 1000:.3f} ±" in " ".join(best.words())


def test_a_gain_within_its_noise_is_not_called_one(mixed):
    best = replace(best_lap(mixed[0]), joined_uncertainty=1.0)
    assert "so no gain is shown" in " ".join(best.words())
    assert "more than error of reading" not in " ".join(best.words())


def test_laps_that_were_helped_are_left_out(mixed):
    session, _ = mixed
    number = best_lap(session).lap
    marks = pd.DataFrame(
        {"lap": [number], "kind": ["tow"], "start_distance": 0.0, "end_distance": 300.0, "time_lost": -0.1}
    )
    best = best_lap(session.marked(marks))
    assert number != best.lap and number not in best.table["joined_lap"].tolist()
    assert f"Left out, for what befell them: lap {number} (tow)." in best.notes
    harmless = best_lap(session.marked(marks.assign(kind="lost time")))
    assert harmless.lap == number and not any("Left out" in note for note in harmless.notes)


def test_faults_are_said():
    with pytest.raises(FrameError, match="best_lap: expected a session, a lap frame or a list"):
        best_lap([])
    place = pd.Index(np.arange(0.0, 50.0), name="distance")
    frame = pd.DataFrame({"time": place / 20.0, "speed": 20.0}, index=place)
    frame.attrs.update(lap=1, source="made up", lap_time=np.nan, step=1.0, track_length=50.0)
    with pytest.raises(FrameError, match="does not run from line to line"):
        best_lap([frame])
    frame.attrs["lap_time"] = 2.5
    with pytest.raises(FrameError, match="different grids"):
        best_lap([frame, frame.iloc[:-1]])


def test_one_lap_is_its_own_best_and_one_frame_will_do(mixed):
    session, _ = mixed
    best = best_lap(session.best())
    assert "nobody has driven" not in " ".join(best.words())
    assert best.best_of_each == pytest.approx(best.lap_time, abs=1e-9)
