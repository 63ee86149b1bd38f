"""Laps grouped by their line: planted lines are found, and one line is not taken for two."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from support import session_of

from lapkit.analysers.lines.line_groups import CORNER_LINE_COLUMNS, LINE_GROUP_COLUMNS, corner_lines, line_groups
from lapkit.channels import dimension_of
from lapkit.errors import FrameError
from lapkit.model.tracks.track import Track
from lapkit.simulate import Line, Noise, Script, drive, oval, record, stint
from lapkit.simulate.demo import OVAL_CAR
from lapkit.simulate.driver import oval_driver

CORNERS = [
    {"corner": "1", "start_distance": 20.0, "end_distance": 60.0, "direction": "left"},
    {"corner": "2", "start_distance": 100.0, "end_distance": 150.0, "direction": "right"},
]


def laps_of(*offsets, corners=CORNERS, **attrs) -> list[pd.DataFrame]:
    """Laps with an offset for each corner; a tuple gives each corner its own."""
    place = np.arange(200.0)
    out = []
    for number, offset in enumerate(offsets, start=1):
        values = np.zeros(200)
        each = np.broadcast_to(offset, len(corners))
        for corner, value in zip(corners, each, strict=True):
            inside = (place >= corner["start_distance"]) & (place < corner["end_distance"])
            values[inside] = value
        frame = pd.DataFrame({"offset": values}, index=pd.Index(place, name="distance"))
        frame.attrs.update(lap=number, source="made up.csv", corners=[dict(c) for c in corners], **attrs)
        out.append(frame)
    return out


# -------------------------------------------------------------------------------- by hand


def test_high_is_outside_whichever_way_the_corner_turns():
    """Right of the line is high in the left-hand corner 1 and low in the right-hand corner 2."""
    frames = laps_of((-4.0, 4.0), (0.1, 0.0), (0.0, 0.2), (-4.1, 4.2), (-3.9, 3.9), (0.0, 0.0))
    table = line_groups(frames)
    assert table["group"].tolist() == ["high", "low", "low", "high", "high", "low"]
    assert table["outward_offset"].round(2).tolist() == [4.0, -0.05, 0.1, 4.15, 3.9, 0.0]
    assert table.attrs["how"] == "corner 1: 2 lines 4.0 m apart; corner 2: 2 lines 4.0 m apart"


def test_a_lap_may_run_high_in_one_corner_and_low_in_the_other():
    frames = laps_of((-4.0, 4.0), (0.0, 0.0), (-4.1, 0.1), (0.1, 4.1), (-3.9, 3.9), (0.0, 0.1), (-4.0, 0.0), (0.1, 4.0))
    assert line_groups(frames)["group"].tolist() == [
        "high", "low", "high in 1, low in 2", "low in 1, high in 2", "high", "low", "high in 1, low in 2", "low in 1, high in 2",
    ]  # fmt: skip
    one = line_groups(frames, corner="2")
    assert one["group"].tolist() == ["high", "low", "low", "high", "high", "low", "low", "high"]
    long = corner_lines(frames)
    assert long[["lap", "corner"]].to_numpy().tolist()[:4] == [[1, "1"], [1, "2"], [2, "1"], [2, "2"]]
    assert long.loc[long["corner"] == "1", "line_offset"].round(1).tolist()[:3] == [-4.0, 0.0, -4.1]


def test_three_lines_are_high_middle_and_low_and_more_are_numbered_from_the_inside():
    three = laps_of(*[-x for x in (0.0, 3.0, 6.0, 0.1, 3.1, 6.1, 0.0, 3.0, 6.0)], corners=CORNERS[:1])
    assert line_groups(three)["group"].tolist() == ["low", "middle", "high"] * 3
    four = laps_of(*[-x for x in (0.0, 3.0, 6.0, 9.0)] * 3, corners=CORNERS[:1])
    assert line_groups(four)["group"].tolist() == ["1", "2", "3", "4"] * 3


def test_one_line_is_an_answer():
    for offsets in ([0.0, 0.3, -0.2, 0.1, 0.2], [0.0], [2.0, -2.0], list(np.linspace(-1.5, 1.5, 12))):
        table = line_groups(laps_of(*offsets))
        assert set(table["group"]) == {"1"}
        assert table.attrs["how"] == "all corners together: one line"


def test_least_and_fewest_and_scatter_are_the_callers():
    frames = laps_of(*[-2.4 * (k % 2) for k in range(8)])
    assert set(line_groups(frames, corner="1")["group"]) == {"high", "low"}
    assert set(line_groups(frames, corner="1", least=3.0)["group"]) == {"1"}
    assert set(line_groups(frames, corner="1", scatter=1.5)["group"]) == {"1"}
    lone = laps_of(0.0, 0.1, 0.0, -5.0, 0.1, 0.0, 0.1, 0.0)
    assert set(line_groups(lone, corner="1")["group"]) == {"1"}
    assert line_groups(lone, corner="1", fewest=1)["group"].tolist().count("high") == 1


def test_a_lone_lap_elsewhere_goes_with_the_nearest_line():
    frames = laps_of(*[-x for x in (0.0, 0.1, 0.0, 0.1, 4.0, 4.1, 4.0, 4.1, 9.0)], corners=CORNERS[:1])
    assert line_groups(frames)["group"].tolist() == ["low"] * 4 + ["high"] * 5


def test_a_lap_not_known_in_a_corner_has_no_line_there():
    frames = laps_of(-4.0, 0.0, -4.1, 0.1, -3.9, 0.0, corners=CORNERS[:1])
    frames[2].loc[20:40, "offset"] = np.nan
    table = line_groups(frames)
    assert table["group"].tolist() == ["high", "low", "", "low", "high", "low"]
    assert np.isnan(table["outward_offset"].iloc[2])
    assert np.isnan(corner_lines(frames)["line_offset"].iloc[2])


def test_an_uncertain_position_takes_more_to_split():
    offsets = [-2.2 * (k % 2) + 0.1 * np.sin(k) for k in range(8)]
    sure, unsure = (laps_of(*offsets, corners=CORNERS[:1], place_error=error) for error in (0.1, 1.5))
    assert set(line_groups(sure)["group"]) == {"high", "low"}
    assert set(line_groups(unsure)["group"]) == {"1"}
    assert set(corner_lines(unsure)["line_offset_uncertainty"]) == {1.5}


# -------------------------------------------------- false splits, over 600 invented stints


@pytest.mark.parametrize("laps", [4, 6, 8, 12, 20])
def test_a_single_line_is_split_in_fewer_than_5_percent_of_stints(laps):
    """Two corners, offsets that scatter from lap to lap, and a driver who moves up steadily over the stint."""
    rng = np.random.default_rng(laps)
    split = 0
    for spread, drift in ((0.2, 0.0), (0.4, 0.0), (0.6, 0.0), (0.4, 1.0)):
        for _ in range(30):
            offsets = rng.normal(0.0, spread, (laps, 2)) + np.linspace(0.0, drift, laps)[:, None]
            split += len(set(line_groups(laps_of(*map(tuple, offsets)))["group"])) > 1
    assert split / 120 < 0.05


@pytest.mark.parametrize("apart", [2.5, 3.0, 5.0])
@pytest.mark.parametrize("laps", [8, 12, 30])
def test_lines_eight_scatters_apart_are_found(laps, apart):
    rng = np.random.default_rng(laps)
    spread = min(apart / 8.0, 0.5)
    right = []
    for _ in range(20):
        high = rng.permutation(laps) < max(3, laps // 3)
        offsets = rng.normal(0.0, spread, laps) - apart * high
        groups = line_groups(laps_of(*offsets, corners=CORNERS[:1], place_error=0.05))["group"]
        right.append(np.mean((groups == "high") == high) > 0.99 and set(groups) == {"high", "low"})
    assert np.mean(right) >= 0.85


# -------------------------------------------------------------------------- simulated stints


@cache
def lines_of_a_stint(apart: float):
    """Ten laps of the oval: four run high by `apart` metres, one more in corner 1 only."""
    track = oval()
    driver = oval_driver(track)
    rng = np.random.default_rng(7)
    places = np.arange(0.0, track.length, 12.0)
    shapes = []
    for corner in track.turns:
        share = np.clip(np.minimum((places - corner.start) / 70 + 1, (corner.end - places) / 70 + 1), 0, 1)
        shapes.append(share**3 * (10 - 15 * share + 6 * share**2))
    runs = ["low", "low", "high", "low", "high", "both", "low", "high", "both", "high", "low", "low"]
    scripts = []
    for kind in runs:
        lap = driver.lap(rng)
        up = shapes[0] * (kind != "low") + shapes[1] * (kind == "high")
        line = Line(track.length, places.tolist(), (lap.line(places)[0] - apart * up).tolist())
        scripts.append(Script(line, lap.actions))
    truth = drive(track, OVAL_CAR, scripts, start_speed=43.0)
    return truth, runs[1:-1]


@pytest.mark.parametrize(("apart", "noise"), [
    (2.5, Noise(position=0.3, speed=0.03)),
    (3.0, Noise(position=1.0, speed=0.03)),
    (3.5, Noise(position=0.3, position_wander=0.3, speed=0.03)),
    (5.0, Noise(position=0.5, position_wander=0.5, speed=0.03)),
])  # fmt: skip
def test_planted_lines_are_found_in_recordings(apart, noise):
    truth, runs = lines_of_a_stint(apart)
    where = truth.track.corners.assign(apex_distance=lambda t: 0.5 * (t["start_distance"] + t["end_distance"]))
    track = Track(None, where)  # its corners are known: it is the lines that are sought
    session = session_of(record(truth, 20.0, noise=noise, seed=5), start_line=truth.track.start_line, track=track)
    names = {"low": "low", "high": "high", "both": "high in 1, low in 2"}
    assert line_groups(session)["group"].tolist() == [names[kind] for kind in runs]
    assert line_groups(session, corner="2")["group"].tolist() == ["high" if kind == "high" else "low" for kind in runs]
    long = corner_lines(session)
    means = long[long["corner"] == "2"].groupby("group")["line_offset"].mean()
    assert means["low"] - means["high"] == pytest.approx(apart, abs=0.3 * apart)


@pytest.mark.parametrize("seed", range(4))
def test_a_recorded_stint_on_one_line_is_one_line(seed):
    noise = Noise(position=0.5, position_wander=0.3, speed=0.03)
    samples, truth = stint(laps=10, rate=20.0, seed=seed, noise=noise)
    session = session_of(samples, start_line=truth.track.start_line)
    assert set(line_groups(session)["group"]) == {"1"}


# --------------------------------------------------------------------------------- contract


def test_same_columns_when_empty_and_all_in_the_glossary():
    for function, columns in ((line_groups, LINE_GROUP_COLUMNS), (corner_lines, CORNER_LINE_COLUMNS)):
        tables = [function(laps_of(0.0, 1.0)), function([]), function(laps_of(0.0, corners=[]))]
        for table in tables:
            assert list(table.columns) == list(columns)
            assert table.dtypes.equals(tables[0].dtypes)
        assert [name for name in columns if dimension_of(name) is None] == []


def test_errors_name_what_is_missing():
    samples, _ = stint(laps=2, rate=20.0, seed=4, channels=("time", "speed", "lap"))
    with pytest.raises(FrameError, match=r"lap 1 has no offset .* Position would add it: channels x and y"):
        line_groups(session_of(samples))
    with pytest.raises(FrameError, match="there is no corner 7 on this track; it has: 1, 2"):
        line_groups(laps_of(0.0), corner="7")


def test_the_callers_frames_are_left_alone():
    frames = laps_of(-4.0, 0.0, -4.0, 0.0)
    before = [frame.copy() for frame in frames]
    line_groups(frames)
    for frame, old in zip(frames, before, strict=True):
        pd.testing.assert_frame_equal(frame, old)
