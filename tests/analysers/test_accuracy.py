"""What the tables are worth: simulated laps whose truth is known, exact and with a decent logger's errors.

The session is put on the simulated track's own centre line, so that its places are those of the truth.
"""

from __future__ import annotations

from functools import cache

import numpy as np
import pandas as pd
import pytest

from lapkit import Recording, Session, corners, delta, lifts, line_speed, losses
from lapkit.model.place import ReferenceLine
from lapkit.model.recording import Provenance
from lapkit.model.tracks.track import Track
from lapkit.simulate import CONSUMER, Noise, Truth, oval, record, road_course, stint

RATES = (10.0, 20.0, 50.0, 100.0)


@cache
def run(name: str, laps: int) -> Truth:
    track = oval() if name == "oval" else road_course()
    return stint(track, laps=laps, rate=10.0, seed=11)[1]


@cache
def session(name: str, laps: int, rate: float, noise: Noise | None = None) -> Session:
    truth = run(name, laps)
    samples = record(truth, rate, noise=noise, seed=round(rate))
    track = truth.track
    count = round(track.length)
    line = ReferenceLine(*track.xy(np.arange(count) * track.length / count), track.length / count, track.length)
    where = track.corners.assign(apex_distance=lambda t: 0.5 * (t["start_distance"] + t["end_distance"]))
    return Session(
        Recording(samples, Provenance(f"{name}.csv")),
        start_line=track.start_line,
        track=Track(track.length, where, reference=line),
    )


def matched_lifts(truth: Truth, table: pd.DataFrame, slack: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    """True lifts, from pedal to pedal, and the ones found; each true lift with the found one that begins nearest."""
    true = truth.lifts(threshold=1 - 1e-9)
    pairs = []
    for k, lift in true.iterrows():
        near = table[(table["lap"] == lift["lap"]) & ((table["start_time"] - lift["start_time"]).abs() < slack)]
        if len(near):
            pairs.append((k, near.index[int((near["start_time"] - lift["start_time"]).abs().to_numpy().argmin())]))
    rows, found = zip(*pairs, strict=True)
    return true.loc[list(rows)].reset_index(drop=True), table.loc[list(found)].reset_index(drop=True)


def covered(miss: pd.Series | np.ndarray, sigma: pd.Series | np.ndarray) -> float:
    return float(np.mean(np.abs(miss) <= 2 * np.asarray(sigma)))


@pytest.mark.parametrize("rate", RATES)
@pytest.mark.parametrize("name", ["oval", "road course"])
def test_without_noise(name: str, rate: float) -> None:
    truth, measured = run(name, 4), session(name, 4, rate)
    true, found = matched_lifts(truth, lifts(measured), 0.1 + 1.5 / rate)
    assert len(true) >= (1.0 if rate >= 20 else 0.9) * len(
        truth.lifts(threshold=1 - 1e-9)
    )  # 0.1 s cuts can hide at 10 Hz
    # pedals that close in 0.15 s and cuts of 0.1 s take less than two samples at 10 Hz
    hurried = name == "road course" and rate < 20
    assert (found["duration"] - true["duration"]).abs().max() <= (1.0 if hurried else 0.5) / rate
    assert found["kind"].tolist() == true["kind"].tolist()
    foot = true["kind"] == "lift"
    assert (found["min_throttle"] - true["min_throttle"])[foot].abs().max() < (0.15 if rate < 20 else 0.02)
    assert covered(found["full_lift_time"] - true["full_lift_time"], found["full_lift_time_uncertainty"]) >= 0.9

    table = corners(measured).merge(truth.corners(), on=["lap", "corner"], suffixes=("", "_true"))
    assert len(table) == 4 * len(truth.track.corners)
    assert (table["min_speed"] - table["min_speed_true"]).abs().max() < 0.1
    assert (table["corner_time"] - table["corner_time_true"]).abs().max() < (0.003 if rate < 20 else 0.001)
    for column in ("entry_speed", "exit_speed"):
        assert (table[column] - table[f"{column}_true"]).abs().max() < 0.1

    at_line = line_speed(measured).merge(truth.laps, on="lap", suffixes=("", "_true"))
    assert (at_line["speed_at_line"] - at_line["speed_at_line_true"]).abs().max() < 0.05


@pytest.mark.parametrize("rate", RATES)
def test_a_lap_frame_is_worth_nearly_as_much(rate: float) -> None:
    truth, measured = run("oval", 4), session("oval", 4, rate)
    true, found = matched_lifts(
        truth, pd.concat([lifts(measured.lap(n)) for n in truth.numbers], ignore_index=True), 0.25
    )
    assert len(true) == 8
    assert (found["duration"] - true["duration"]).abs().max() <= max(0.5 / rate, 0.012)  # rows lie 1 m apart
    table = pd.concat([corners(measured.lap(n)) for n in truth.numbers])
    table = table.merge(truth.corners(), on=["lap", "corner"], suffixes=("", "_true"))
    assert (table["min_speed"] - table["min_speed_true"]).abs().max() < 0.1


NOISY = [("oval", 60, 20.0), ("oval", 60, 60.0), ("oval", 60, 100.0), ("road course", 25, 50.0)]
"""205 recorded laps."""


@pytest.mark.parametrize(("name", "laps", "rate"), NOISY)
def test_with_noise_95_percent_of_truths_lie_within_two_uncertainties(name: str, laps: int, rate: float) -> None:
    truth, measured = run(name, laps), session(name, laps, rate, CONSUMER)
    true, found = matched_lifts(truth, lifts(measured), 0.1 + 1.5 / rate)
    assert len(true) >= 0.98 * len(truth.lifts(threshold=1 - 1e-9))
    for column in ("duration", "full_lift_time"):
        assert covered(found[column] - true[column], found[f"{column}_uncertainty"]) >= 0.92, column
    assert covered(found["start_distance"] - true["start_distance"], found["start_distance_uncertainty"]) >= 0.9
    assert found["kind"].tolist() == true["kind"].tolist()

    table = corners(measured).merge(truth.corners(), on=["lap", "corner"], suffixes=("", "_true"))
    for column, least in (("min_speed", 0.88), ("min_speed_distance", 0.92), ("corner_time", 0.88)):
        assert covered(table[column] - table[f"{column}_true"], table[f"{column}_uncertainty"]) >= least, column
    # honest, not merely wide
    assert found["duration_uncertainty"].mean() < 0.4 / rate
    assert table["min_speed_uncertainty"].mean() < 0.03


def test_delta_with_noise_lies_within_two_uncertainties() -> None:
    truth, measured = run("oval", 60), session("oval", 60, 20.0, CONSUMER)
    reference = measured.lap(1)
    inside, lost = [], []
    for number in range(2, 32):
        table = delta(measured.lap(number), reference)
        place = table.index.to_numpy()[20:-20:20]
        true = truth.time_at(number, place) - truth.time_at(1, place)
        inside.append(np.abs(table["delta"].loc[place] - true) <= 2 * table["delta_uncertainty"].loc[place])
        part = losses(table, count=None)
        part = part[(part["start_distance"] > 0) & (part["end_distance"] < truth.track.length)]
        edges = [truth.time_at(number, part[c]) - truth.time_at(1, part[c]) for c in ("start_distance", "end_distance")]
        lost.append(np.abs(part["time_lost"] - (edges[1] - edges[0])) <= 2 * part["time_lost_uncertainty"])
    assert np.mean(inside) >= 0.9
    assert np.mean(np.concatenate(lost)) >= 0.85


@pytest.mark.parametrize("name", ["oval", "road course"])
@pytest.mark.parametrize("channels", ["position", "yaw rate", "lateral acceleration"])
def test_corners_are_found_from_whatever_there_is(name: str, channels: str) -> None:
    truth = run(name, 4)
    columns = {"position": ["x", "y"], "yaw rate": ["yaw_rate"], "lateral acceleration": ["lateral_acceleration"]}[
        channels
    ]
    samples = record(truth, 50.0, noise=CONSUMER, seed=1, channels=["time", "speed", "lap", *columns])
    table = Session(Recording(samples, Provenance("x.csv"))).track.corners
    track = truth.track
    assert table["direction"].tolist() == track.corners["direction"].tolist()
    middle, true = (0.5 * (t["start_distance"] + t["end_distance"]) for t in (table, track.corners))
    assert (
        middle - true
    ).abs().max() < 0.04 * track.length  # the car cuts corners: its metres are not the centre line's
