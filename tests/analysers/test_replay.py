"""Replay: a lap driven again by the model with one thing exchanged."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from support import session_of

import lapkit
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.simulate import oval, road_course, stint


@pytest.fixture(scope="module")
def run():
    samples, truth = stint(oval(), laps=6, seed=8, variation=2.0)
    session = session_of(samples, start_line=truth.track.start_line)
    return session, lapkit.longitudinal_model(session), truth


def test_nothing_exchanged_is_the_lap_itself(run) -> None:
    session, model, _ = run
    frame = session.lap(3)
    same = lapkit.replay(frame, model=model)
    assert same.difference == pytest.approx(0.0, abs=1e-9)
    assert same.lap_time == pytest.approx(frame.attrs["lap_time"], abs=1e-9)
    itself = lapkit.replay(frame, throttle_from=frame, model=model)
    assert itself.difference == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("number", [1, 2, 4, 5])
def test_agrees_with_the_ledger(run, number: int) -> None:
    session, model, _ = run
    lap, reference = session.lap(number), session.lap(3)
    table = lapkit.ledger(lap, reference, model=model)
    throttle = lapkit.replay(lap, throttle_from=reference, model=model)
    assert -throttle.difference == pytest.approx(table.cells["throttle"].sum(), abs=0.003)
    everything = lapkit.replay(
        lap, throttle_from=reference, line_from=reference, start_speed=float(reference["speed"].iloc[0]), model=model
    )
    assert -everything.difference == pytest.approx(table.total, abs=0.004)


def test_start_speed(run) -> None:
    session, model, truth = run
    frame = session.lap(2)
    speed = float(frame["speed"].iloc[0])
    faster = lapkit.replay(frame, start_speed=speed + 1.0, model=model)
    script = truth.scripts[2]
    alone = [
        float(
            lapkit.simulate.drive(truth.track, truth.car, [script], start_speed=v, out_lap=False, in_lap=False)
            .laps["lap_time"]
            .iloc[0]
        )
        for v in (speed, speed + 1.0)
    ]
    # the simulated lifts last so many seconds, so that the faster car's end further on: worth some 0.01 s
    assert faster.difference == pytest.approx(alone[1] - alone[0], abs=0.015)
    assert faster.difference < 0


def test_one_corner_is_part_of_the_lap(run) -> None:
    session, model, _ = run
    lap, reference = session.lap(1), session.lap(3)
    parts = [lapkit.replay(lap, throttle_from=reference, corner=c, model=model) for c in (1, "2")]
    whole = lapkit.replay(lap, throttle_from=reference, model=model)
    assert sum(p.difference for p in parts) == pytest.approx(whole.difference, abs=0.002)
    assert parts[0].end_distance == parts[1].start_distance
    assert list(whole.frame.columns) == ["time", "speed", "throttle", "brake", "delta"]
    assert "not advice" in repr(whole) and "throttle" in repr(whole)
    assert whole.difference_uncertainty > 0


def test_brake_answers_before_a_corner() -> None:
    samples, truth = stint(road_course(), laps=3, seed=2)
    session = session_of(samples, start_line=truth.track.start_line)
    model = lapkit.longitudinal_model(session)
    frame = session.lap(1)
    speed = float(frame["speed"].iloc[0])
    answered = lapkit.replay(frame, start_speed=speed - 1.0, model=model)
    left = lapkit.replay(frame, start_speed=speed - 1.0, model=model, brake_answers=False)
    assert 0 < answered.difference < left.difference
    other = lapkit.replay(frame, brake_from=session.lap(2), throttle_from=session.lap(2), model=model)
    assert np.isfinite(other.difference) and other.exchanged == ("throttle", "brake")


def test_errors_teach(run) -> None:
    session, model, _ = run
    lap, other = session.lap(1), session.lap(2)
    with pytest.raises(lapkit.FrameError, match="no corner 9"):
        lapkit.replay(lap, throttle_from=other, corner=9, model=model)
    with pytest.raises(lapkit.FrameError, match="one and the same lap"):
        lapkit.replay(lap, throttle_from=other, line_from=session.lap(3), model=model)
    with pytest.raises(lapkit.LapkitError, match="no replay without a model"):
        lapkit.replay(lap, model=LongitudinalModel(False, "there is no throttle"))
    bare = other.drop(columns="offset")
    bare.attrs = other.attrs
    with pytest.raises(lapkit.ColumnError, match="offset"):
        lapkit.replay(lap, line_from=bare, model=model)


def test_frames_are_not_changed(run) -> None:
    session, model, _ = run
    frames = [session.lap(1), session.lap(2)]
    before = [frame.copy() for frame in frames]
    lapkit.replay(frames[0], throttle_from=frames[1], model=model)
    for frame, kept in zip(frames, before, strict=True):
        pd.testing.assert_frame_equal(frame, kept)
