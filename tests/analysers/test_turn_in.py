"""Where the car turns in: clothoids whose beginning is known, and simulated laps whose curvature is known."""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest
from support import session_of

from lapkit import Session, corners
from lapkit.analysers.lap.turn_in import HIGH, LOW, PEAK, REACH
from lapkit.model.place import ReferenceLine
from lapkit.model.tracks.track import Track
from lapkit.simulate import CONSUMER, Line, Noise, Script, Truth, drive, oval, record, road_course, stadium, stint
from lapkit.simulate.demo import OVAL_CAR

WITHOUT_YAW = ("time", "x", "y", "speed")


def placed(samples: pd.DataFrame, truth: Truth) -> Session:
    """A session on the simulated track's own centre line and corners."""
    track = truth.track
    count = round(track.length)
    line = ReferenceLine(*track.xy(np.arange(count) * track.length / count), track.length / count, track.length)
    where = track.corners.assign(apex_distance=lambda t: 0.5 * (t["start_distance"] + t["end_distance"]))
    return session_of(samples, start_line=track.start_line, track=Track(track.length, where, reference=line))


@cache
def run(name: str, laps: int) -> Truth:
    return stint(oval() if name == "oval" else road_course(), laps=laps, rate=10.0, seed=11)[1]


def true_turn_in(truth: Truth, lap: int, corner: object) -> float:
    """The same definition, read off the curvature of the line really driven, every 5 cm."""
    middles = [0.5 * (c.start + c.end) for c in truth.track.turns]
    first = max([corner.start - REACH, *(m for m in middles if m < corner.start)])
    place = np.arange(first, corner.end, 0.05)
    bend = np.where(
        place >= 0,
        truth.track.along(place, truth.line(lap)).curvature,
        truth.track.along(place + truth.track.length, truth.line(lap - 1)).curvature,
    ) * (1.0 if corner.direction == "left" else -1.0)
    inside = place >= corner.start
    peak = np.quantile(bend[inside], PEAK)
    upper = int(np.argmax(inside & (bend >= HIGH * peak)))
    base = max(float(bend[: upper + 1].min()), 0.0)
    low = int(np.flatnonzero(bend[: upper + 1] < base + LOW * (peak - base))[-1]) + 1
    high = low + int(np.argmax(bend[low:] >= base + HIGH * (peak - base)))
    return float(place[high] - HIGH / (HIGH - LOW) * (place[high] - place[low]))


def misses(truth: Truth, table: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    turns = {c.name: c for c in truth.track.turns}
    own = table[table["lap"].isin(truth.numbers)]
    true = [true_turn_in(truth, lap, turns[str(name)]) for lap, name in zip(own["lap"], own["corner"], strict=True)]
    return own["turn_in_distance"].to_numpy() - np.array(true), own["turn_in_distance_uncertainty"].to_numpy()


# ---------------------------------------------------------------------- known beginnings


@pytest.mark.parametrize("rate", [20.0, 60.0])
@pytest.mark.parametrize("offset", [-4.0, 0.0, 3.0])
@pytest.mark.parametrize(("transition", "within"), [(50.0, 0.6), (25.0, 0.8), (0.0, 4.0)])
def test_a_clothoid_is_turned_in_to_where_it_begins(rate, offset, transition, within):
    """An even line round a stadium: curvature is zero up to the clothoid and rises evenly from there."""
    track = stadium(300.0, 90.0, transition=transition)
    script = Script(Line(track.length, [0.0], [offset]))
    truth = drive(track, OVAL_CAR, [script] * 4, start_speed=40.0)
    for channels in (("time", "x", "y", "speed", "yaw_rate"), WITHOUT_YAW):
        table = corners(placed(record(truth, rate, seed=1, channels=channels), truth), lap=2)
        source = "yaw rate" if "yaw_rate" in channels else "position"
        assert table.attrs["turn_in_source"] == source
        begins = np.array([c.start for c in track.turns])
        assert table["turn_in_distance"].to_numpy() == pytest.approx(begins, abs=within), source


def test_the_same_place_whichever_way_round():
    """A track driven in its mirror image turns the other way at the same places."""
    samples, truth = stint(oval(), laps=3, rate=50.0, seed=3)
    session = placed(samples, truth)
    here = corners(session)
    where = session.track.corners.assign(direction="right")
    mirrored = samples.assign(yaw_rate=-samples["yaw_rate"])
    there = corners(placed(mirrored, truth), where=where)
    assert there["turn_in_distance"].to_numpy() == pytest.approx(here["turn_in_distance"].to_numpy(), abs=1e-9)
    bare = where.drop(columns="direction").to_dict("records")
    told = corners(placed(mirrored, truth), where=bare)
    assert told["turn_in_distance"].to_numpy() == pytest.approx(here["turn_in_distance"].to_numpy(), abs=1e-9)


# -------------------------------------------------------------------------- simulated truth

CLEAN = [(name, rate, source) for name in ("oval", "road course") for rate in (20.0, 60.0, 100.0)
         for source in ("yaw rate", "position")]  # fmt: skip


@pytest.mark.parametrize(("name", "rate", "source"), CLEAN)
def test_without_noise_within_a_metre(name, rate, source):
    truth = run(name, 4)
    channels = WITHOUT_YAW if source == "position" else (*WITHOUT_YAW, "yaw_rate")
    table = corners(placed(record(truth, rate, seed=2, channels=channels), truth))
    assert table.attrs["turn_in_source"] == source
    miss, sigma = misses(truth, table)
    assert np.isfinite(miss).all()
    assert np.abs(miss).max() < 1.0
    assert np.mean(np.abs(miss) <= 2 * sigma) >= 0.88
    assert np.median(sigma) < 0.5


NOISY = [("oval", 30, 20.0), ("oval", 30, 60.0), ("oval", 30, 100.0), ("road course", 12, 50.0)]


@pytest.mark.parametrize(("name", "laps", "rate"), NOISY)
@pytest.mark.parametrize("source", ["yaw rate", "position"])
def test_with_noise_95_percent_lie_within_two_uncertainties(name, laps, rate, source):
    truth = run(name, laps)
    channels = WITHOUT_YAW if source == "position" else (*WITHOUT_YAW, "yaw_rate")
    miss, sigma = misses(
        truth, corners(placed(record(truth, rate, noise=CONSUMER, seed=round(rate), channels=channels), truth))
    )
    known = np.isfinite(miss)
    # a wide bend that hardly stands out of noisy position is left out
    assert known.mean() >= (0.85 if source == "position" else 0.99)
    assert np.mean(np.abs(miss[known]) <= 2 * sigma[known]) >= 0.88
    assert np.median(sigma[known]) < (5.0 if source == "position" else 1.0)  # honest, not merely wide


@pytest.mark.parametrize("channel", ["steering", "lateral_acceleration"])
@pytest.mark.parametrize("name", ["oval", "road course"])
def test_other_channels_stand_in_and_say_so(name, channel):
    truth = run(name, 4)
    samples = record(truth, 60.0, noise=Noise(acceleration=0.05), seed=2, channels=(*WITHOUT_YAW, channel))
    session = placed(samples, truth)
    laps = [session.samples(number).drop(columns=["x", "y"]) for number in truth.numbers]
    tables = [corners(lap) for lap in laps]
    assert {table.attrs["turn_in_source"] for table in tables} == {channel.replace("_", " ")}
    miss, sigma = misses(truth, pd.concat(tables))
    known = np.isfinite(miss)
    assert known.mean() > 0.95
    assert np.abs(miss[known]).max() < 6.0
    assert np.mean(np.abs(miss[known]) <= 2 * sigma[known]) >= 0.88


# ------------------------------------------------------------------------------- what is not known


def test_nothing_to_read_it_from_leaves_it_open():
    samples, truth = stint(oval(), laps=2, rate=20.0, seed=3, channels=("time", "speed", "lap"))
    table = corners(session_of(samples), where=truth.track.corners)
    assert table.attrs["turn_in_source"] == "none"
    assert len(table)
    assert table[["turn_in_distance", "turn_in_distance_uncertainty"]].isna().all(axis=None)


def test_a_hole_where_the_car_turns_in_leaves_it_open_for_that_lap_only():
    samples, truth = stint(oval(), laps=3, rate=50.0, seed=3)
    where = truth.track.corners  # with 60 m before each: a corner whose boundary lies in a hole is left out
    where["start_distance"] -= 60.0
    whole = corners(placed(samples, truth), where=where)
    at = truth.start(2) + float(truth.time_at(2, whole["turn_in_distance"].to_numpy()[2] + 12.0))
    at += samples.attrs["clock_offset"]
    torn = samples[~samples["time"].between(at - 0.6, at + 0.6)].reset_index(drop=True)
    table = corners(placed(torn, truth), where=where).merge(whole, on=["lap", "corner"], suffixes=("", "_whole"))
    gone = table["turn_in_distance"].isna()
    assert table.loc[gone, ["lap", "corner"]].to_numpy().tolist() == [[2, "1"]]
    kept = table[~gone]
    assert kept["turn_in_distance"].to_numpy() == pytest.approx(kept["turn_in_distance_whole"].to_numpy(), abs=0.3)


def test_one_lap_alone_says_the_same_and_a_frame_nearly():
    samples, truth = stint(oval(), laps=4, rate=50.0, seed=3, noise=CONSUMER)
    session = placed(samples, truth)
    table = corners(session)
    own = table[table["lap"] == 3].reset_index(drop=True)
    pd.testing.assert_frame_equal(corners(session, lap=3), own)
    frame = corners(session.lap(3))
    apart = np.abs(frame["turn_in_distance"] - own["turn_in_distance"])
    assert (apart <= 2 * own["turn_in_distance_uncertainty"]).all()


def test_a_bend_the_car_is_in_already_has_no_turn_in():
    """A corner cut in two: the second half begins at full curvature."""
    samples, truth = stint(oval(), laps=2, rate=50.0, seed=3)
    first = truth.track.turns[0]
    middle = 0.5 * (first.start + first.end)
    where = [
        {"corner": "1a", "start_distance": first.start, "end_distance": middle, "direction": "left"},
        {"corner": "1b", "start_distance": middle, "end_distance": first.end, "direction": "left"},
    ]
    table = corners(placed(samples, truth), lap=1, where=where)
    assert np.isfinite(table["turn_in_distance"].iloc[0])
    assert np.isnan(table["turn_in_distance"].iloc[1])
    tiny = [{"corner": "1", "start_distance": first.start + 20.2, "end_distance": first.start + 20.6}]
    assert len(corners(placed(samples, truth), lap=1, where=tiny)) == 1


def test_the_shares_are_the_callers():
    samples, truth = stint(oval(), laps=1, rate=50.0, seed=3)
    session = placed(samples, truth)
    usual, other = corners(session, lap=1), corners(session, lap=1, turn_in_shares=(0.3, 0.6))
    apart = (other["turn_in_distance"] - usual["turn_in_distance"]).abs()
    assert (apart > 1e-6).all()
    assert (apart < 8.0).all()
