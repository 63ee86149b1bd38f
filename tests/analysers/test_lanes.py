"""Shares of lanes, counted by hand and on simulated laps."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import session_of

from lapkit.analysers.lines.lanes import LANE_SHARE_COLUMNS, OUTSIDE, lane_shares
from lapkit.channels import dimension_of
from lapkit.errors import FrameError
from lapkit.simulate import Line, Script, drive, oval, record, stint
from lapkit.simulate.demo import OVAL_CAR

LEFT = {"corner": "1", "start_distance": 10.0, "end_distance": 20.0, "direction": "left"}
RIGHT = {"corner": "2", "start_distance": 30.0, "end_distance": 40.0, "direction": "right"}


def lap_of(offset, *, number=1, corners=(LEFT, RIGHT), **attrs) -> pd.DataFrame:
    """A lap of 50 m on a 1 m grid."""
    place = np.arange(50.0)
    frame = pd.DataFrame({"offset": np.broadcast_to(offset, 50).astype(float)}, index=pd.Index(place, name="distance"))
    frame.attrs.update(lap=number, source="made up.csv", step=1.0, corners=[dict(c) for c in corners], **attrs)
    return frame


def shares(table: pd.DataFrame, corner: str, lap: int = 1) -> dict[str, float]:
    own = table[(table["corner"] == corner) & (table["lap"] == lap)]
    return dict(zip(own["lane"], own["lane_share"].round(9), strict=True))


# ------------------------------------------------------------------------- counted by hand


def test_ten_metres_counted_by_hand():
    """Metres 10 to 19 belong to corner 1: 3 of them at -3 m, 5 at 0, 2 at +9, where no lane is."""
    offset = np.zeros(50)
    offset[10:13], offset[18:20], offset[20] = -3.0, 9.0, 99.0
    table = lane_shares(lap_of(offset), lanes={"top": (-4.0, 0.0), "bottom": (0.0, 4.0)})
    assert shares(table, "1") == {"top": 0.3, "bottom": 0.5, OUTSIDE: 0.2}
    assert shares(table, "2") == {"top": 0.0, "bottom": 1.0}
    assert table.attrs["how"] == "lanes as given"
    assert (table["known_share"] == 1.0).all()


def test_a_band_holds_its_right_border_and_not_its_left():
    for offset, lane in ((-1.0, "a"), (0.999, "a"), (1.0, "b"), (3.0, OUTSIDE)):
        table = lane_shares(lap_of(offset), lanes={"a": (-1.0, 1.0), "b": (1.0, 3.0)})
        assert shares(table, "1")[lane] == 1.0


def test_rows_in_a_hole_are_left_out_and_counted():
    offset = np.zeros(50)
    offset[10:14], offset[14:16], offset[30:40] = np.nan, -3.0, np.nan
    table = lane_shares(lap_of(offset), lanes={"top": (-4.0, -1.0), "bottom": (-1.0, 4.0)})
    assert shares(table, "1") == {"top": pytest.approx(2 / 6), "bottom": pytest.approx(4 / 6)}
    own = table.set_index("corner")
    assert set(own.loc["1", "known_share"]) == {0.6}
    assert set(own.loc["2", "known_share"]) == {0.0}
    assert own.loc["2", "lane_share"].isna().all()


def test_a_lane_of_one_corner_goes_before_those_of_everywhere():
    lanes = [
        {"lane": "wall", "corner": "2", "from_offset": -9.0, "to_offset": 9.0},
        {"lane": "top", "corner": "", "from_offset": -9.0, "to_offset": 0.0},
        {"lane": "bottom", "from_offset": 0.0, "to_offset": 9.0},
    ]
    for same in (lanes, pd.DataFrame(lanes)):
        table = lane_shares(lap_of(1.0), lanes=same)
        assert shares(table, "1") == {"top": 0.0, "bottom": 1.0}
        assert shares(table, "2") == {"wall": 1.0}


def test_the_track_s_lanes_are_the_default():
    lanes = [{"lane": "groove", "corner": "", "from_offset": -1.0, "to_offset": 1.0}]
    table = lane_shares(lap_of(0.0, lanes=lanes))
    assert shares(table, "1") == {"groove": 1.0}
    assert table.attrs["how"] == "lanes of the track"


def test_thirds_of_what_was_seen_are_named_by_the_outside_of_the_corner():
    """Offsets -3, 0 and 3: on the right is the outside of a left-hand corner, the inside of a right-hand one."""
    frames = [lap_of(offset, number=k) for k, offset in enumerate((-3.0, 0.0, 3.0))]
    table = lane_shares(frames)
    assert [shares(table, "1", lap=k)["high"] for k in range(3)] == [1.0, 0.0, 0.0]
    assert [shares(table, "2", lap=k)["high"] for k in range(3)] == [0.0, 0.0, 1.0]
    assert [shares(table, "1", lap=k)["middle"] for k in range(3)] == [0.0, 1.0, 0.0]
    assert table.attrs["how"] == "thirds of the offsets seen in each corner over 3 lap(s)"
    assert OUTSIDE not in set(table["lane"])


def test_other_corners_may_be_asked_for():
    where = [{"corner": "all", "start_distance": 0.0, "end_distance": 50.0}]
    table = lane_shares(lap_of(np.arange(50.0)), lanes={"a": (0.0, 10.0), "b": (10.0, 50.0)}, corners=where)
    assert shares(table, "all") == {"a": 0.2, "b": 0.8}


# -------------------------------------------------------------------------------- always


@settings(max_examples=60, deadline=None)
@given(
    offsets=st.lists(st.one_of(st.floats(-12, 12), st.just(np.nan)), min_size=50, max_size=50),
    borders=st.lists(st.integers(-10, 10), min_size=2, max_size=5, unique=True),
    lanes_given=st.booleans(),
)
def test_shares_add_up_to_one_and_lie_between_nought_and_one(offsets, borders, lanes_given):
    borders = sorted(borders)
    lanes = {f"{low}": (float(low), float(high)) for low, high in pairwise(borders)}
    table = lane_shares(lap_of(np.array(offsets), place_error=0.4), lanes=lanes if lanes_given else None)
    assert table["lane_share"].dropna().between(0.0, 1.0 + 1e-12).all()
    for _, own in table.groupby("corner"):
        if own["known_share"].iloc[0] > 0:
            assert own["lane_share"].sum() == pytest.approx(1.0, abs=1e-12)


def test_an_error_of_position_makes_a_lap_on_the_border_unsure_and_one_inside_not():
    lanes = {"top": (-8.0, 0.0), "bottom": (0.0, 8.0)}
    edge, inside = (lane_shares(lap_of(offset, place_error=0.5), lanes=lanes) for offset in (0.2, 4.0))
    assert set(edge["lane_share_uncertainty"]) == {1.0}
    assert set(inside["lane_share_uncertainty"]) == {0.0}


def test_same_columns_when_empty_and_all_in_the_glossary():
    full, empty = lane_shares(lap_of(0.0)), lane_shares(lap_of(0.0, corners=()))
    assert list(full.columns) == list(empty.columns) == list(LANE_SHARE_COLUMNS)
    assert full.dtypes.equals(empty.dtypes)
    assert list(lane_shares([]).columns) == list(LANE_SHARE_COLUMNS)
    assert [name for name in LANE_SHARE_COLUMNS if dimension_of(name) is None] == []


def test_the_callers_frame_is_left_alone():
    lap, lanes = lap_of(0.0), pd.DataFrame({"lane": ["a"], "from_offset": [-1.0], "to_offset": [1.0]})
    before, given_before = lap.copy(), lanes.copy()
    lane_shares(lap, lanes=lanes)
    pd.testing.assert_frame_equal(lap, before)
    pd.testing.assert_frame_equal(lanes, given_before)


# -------------------------------------------------------------------------- simulated laps


def test_a_simulated_lap_spends_its_metres_where_the_line_says():
    track = oval()
    places = np.arange(0.0, track.length, 20.0)
    line = Line(track.length, places.tolist(), (3.0 * np.sin(4 * np.pi * places / track.length)).tolist())
    even = Script(Line(track.length, [0.0], [0.0]))
    truth = drive(track, OVAL_CAR, [even, even, even, Script(line), even], start_speed=40.0)
    session = session_of(record(truth, 60.0, seed=1), start_line=track.start_line)
    lanes = {"right": (-9.0, -1.0), "centre": (-1.0, 1.0), "left": (1.0, 9.0)}
    table = lane_shares([session.lap(3)], lanes=lanes)
    for corner in session.track.corners.to_dict("records"):
        own = np.arange(np.ceil(corner["start_distance"]), corner["end_distance"])
        true = line(own * track.length / session.track.length)[0]
        found = shares(table, corner["corner"], lap=3)
        for name, (low, high) in lanes.items():
            assert found[name] == pytest.approx(np.mean((true >= low) & (true < high)), abs=0.03)


def test_a_track_that_knows_its_width_is_cut_into_thirds_of_it():
    samples, truth = stint(laps=3, rate=20.0, seed=4)
    session = session_of(samples, start_line=truth.track.start_line)
    places = np.arange(0.0, session.track.length, 10.0)
    profile = pd.DataFrame({"left_width": 6.0, "right_width": 9.0}, index=pd.Index(places, name="distance"))
    wide = session_of(samples, start_line=truth.track.start_line, track=replace(session.track, profile=profile))
    table = lane_shares(wide)
    assert table.attrs["how"] == "thirds of the track's width"
    bands = table.groupby("lane")[["from_offset", "to_offset"]].mean()
    assert bands.loc["high"].to_numpy() == pytest.approx([-9.0, -4.0])
    assert bands.loc["low"].to_numpy() == pytest.approx([1.0, 6.0])
    assert lane_shares(session).attrs["how"].startswith("thirds of the offsets seen")
    assert set(lane_shares(session)["lap"]) == {1, 2, 3}


# ------------------------------------------------------------------------------- refused


def test_laps_without_offset_are_told_what_would_add_it():
    samples, truth = stint(laps=2, rate=20.0, seed=4, channels=("time", "speed", "lap"))
    session = session_of(samples)
    with pytest.raises(FrameError, match=r"simulated.csv: lap 1 has no offset \(its places are by fraction of lap\).*"
                       r"Position would add it: channels x and y, or latitude and longitude"):  # fmt: skip
        lane_shares(session)
    assert truth.numbers == [1, 2]


def test_lanes_that_cannot_be_are_refused():
    lap = lap_of(0.0)
    with pytest.raises(FrameError, match="lane 'top' runs from 4 to -4 m: from_offset is its right-hand border"):
        lane_shares(lap, lanes={"top": (4.0, -4.0)})
    with pytest.raises(FrameError, match="lanes 'a' and 'b' overlap: one ends at 2 m, the other begins at 1 m"):
        lane_shares(lap, lanes={"a": (-2.0, 2.0), "b": (1.0, 3.0)})
    with pytest.raises(FrameError, match="lanes: there is no to_offset"):
        lane_shares(lap, lanes=[{"lane": "a", "from_offset": 1.0}])
    with pytest.raises(FrameError, match="corners: there is no end_distance"):
        lane_shares(lap, corners=[{"corner": "1", "start_distance": 1.0}])


@pytest.mark.parametrize("band", [3, (1.0, 2.0, 3.0), ("x", "y"), None])
def test_a_lane_that_is_no_band_is_refused(band):
    frame = pd.DataFrame({"offset": [0.0, 1.0]}, index=pd.Index([0.0, 1.0], name="distance"))
    frame.attrs.update(lap=1, corners=[])
    with pytest.raises(FrameError, match="is not a band"):
        lane_shares(frame, lanes={"high": band})


def test_what_the_offset_may_be_off_by_is_its_own_error_and_not_that_of_the_place():
    frame = pd.DataFrame({"offset": np.full(100, 0.5)}, index=pd.Index(np.arange(100.0), name="distance"))
    corner = {"corner": "1", "start_distance": 20.0, "end_distance": 80.0, "direction": "left"}
    frame.attrs.update(lap=1, place_error=0.1, offset_error=0.8, corners=[corner])
    table = lane_shares(frame, lanes={"low": (0.0, 4.0)})
    assert table["lane_share_uncertainty"].iloc[0] == 1.0  # 0.8 m may lie on the other side of the border
