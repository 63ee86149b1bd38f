"""The line driven against closed forms and the simulated truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from support import session_of

from lapkit import Session
from lapkit.analysers.lines.driven_line import LINE_COLUMNS, driven_line, height_of
from lapkit.errors import FrameError
from lapkit.simulate import CONSUMER, oval, stint
from lapkit.simulate.recorder import Noise
from lapkit.simulate.truth import Truth

OVAL = oval()


def drive(noise: Noise | None = None, *, laps: int = 3, seed: int = 1) -> tuple[Session, Truth]:
    samples, truth = stint(OVAL, laps=laps, rate=60.0, seed=seed, noise=noise)
    return session_of(samples, start_line=OVAL.start_line), truth


def true_shape(frame: pd.DataFrame, truth: Truth) -> dict[str, NDArray[np.float64]]:
    shape = truth.shape(truth.crossings[frame.attrs["lap"] - 1] + frame["time"].to_numpy())
    return {**shape, "z": truth.track.height(shape["station"], shape["offset"])}


def test_a_lap_without_noise() -> None:
    session, truth = drive()
    frame = session.lap(2)
    before = frame.copy()
    line, true = driven_line(frame), true_shape(frame, truth)
    pd.testing.assert_frame_equal(frame, before)
    assert list(line.columns) == LINE_COLUMNS
    assert line.index.equals(frame.index)
    turn = (line["heading"] - true["heading"] + np.pi) % (2 * np.pi) - np.pi
    assert np.abs(turn).max() < 1e-3
    assert np.abs(line["curvature"] - true["curvature"]).max() < 2e-4
    assert np.abs(line["height"] - true["z"]).max() < 1e-3
    assert line["heading"].iloc[-1] - line["heading"].iloc[0] == pytest.approx(2 * np.pi, abs=0.01)  # counted on
    # straights are straight, and the first bend has the radius it was built with, less the offset of the line in it
    assert np.isinf(line["radius"].iloc[:60]).all()
    middle = int(np.argmin(line["radius"].to_numpy()[:600]))
    assert line["radius"].iloc[middle] == pytest.approx(1 / true["curvature"][middle], rel=0.02)
    assert line["banking"].isna().all()
    assert line.attrs["sources"]["banking"] == "there is no banking"
    assert line.attrs["sources"]["height"] == "z"


def test_a_consumer_logger() -> None:
    inside, count = 0, 0
    for seed in range(6):
        session, truth = drive(CONSUMER, seed=seed)
        for number in (1, 2, 3):
            frame = session.lap(number)
            line, true = driven_line(frame), true_shape(frame, truth)
            turn = (line["heading"] - true["heading"] + np.pi) % (2 * np.pi) - np.pi
            assert float(np.sqrt(np.mean(turn**2))) < 0.02
            height, sigma, _ = height_of(frame)
            off = height - true["z"] - np.mean(height - true["z"])
            inside, count = inside + int((np.abs(off) < 2 * sigma).sum()), count + len(off)
    assert 0.90 < inside / count <= 0.995


@pytest.mark.parametrize(
    ("kept", "source"),
    [(["yaw_rate", "speed", "time", "path"], "yaw rate"), (["lateral_acceleration", "speed"], "lateral")],
)
def test_without_position(kept: list[str], source: str) -> None:
    frame = drive()[0].lap(2)[kept]
    line = driven_line(frame)
    sources = line.attrs["sources"]
    assert sources["curvature"].startswith(source)
    assert sources["heading"].endswith("from 0 at the first row")
    assert line["heading"].iloc[0] == 0.0
    assert line["heading"].iloc[-1] == pytest.approx(2 * np.pi, abs=0.1)
    assert line[["offset", "height", "banking"]].isna().all(axis=None)
    assert "no height (z)" in sources["height"]


def test_nothing_but_speed() -> None:
    frame = pd.DataFrame({"speed": np.full(50, 20.0)}, index=np.arange(50.0))
    line = driven_line(frame)
    assert list(line.columns) == LINE_COLUMNS
    assert line.isna().all(axis=None)
    assert "no position, yaw rate or lateral acceleration" in line.attrs["sources"]["radius"]


def test_the_track_gives_height_and_banking() -> None:
    session, truth = drive()
    stations = np.arange(0.0, session.track.length, 2.0)
    reference = session.track.reference
    assert reference is not None
    # the profile of the reference line: banking as built, height where the line itself lies
    true = true_shape(session.lap(2), truth)
    frame = session.lap(2)
    aside = true["offset"] - frame["offset"].to_numpy()  # of the reference line from the centre line
    ground = truth.track.height(true["station"], aside)
    known = pd.DataFrame(
        {
            "banking": np.interp(stations, frame.index, OVAL.banking(true["station"])),
            "height": np.interp(stations, frame.index, ground),
        },
        index=pd.Index(stations, name="distance"),
    )
    track = replace(session.track, profile=known)
    samples, _ = stint(OVAL, laps=3, rate=60.0, seed=1)
    placed = session_of(samples.drop(columns="z"), track=track).lap(2)
    assert placed.attrs["from_track"] == ["banking", "height"]
    line = driven_line(placed)
    assert line.attrs["sources"]["banking"] == "track"
    assert line.attrs["sources"]["height"] == "track's height, banking and offset"
    assert np.abs(line["height"] - true["z"]).max() < 0.05
    # measured altitude goes before the track's, a logged banking before the track's
    assert driven_line(session_of(samples, track=track).lap(2)).attrs["sources"]["height"] == "z"
    logged = session_of(samples.assign(banking=0.05), track=track).lap(2)
    assert logged.attrs["from_track"] == ["height"]
    assert logged["banking"].eq(0.05).all()
    assert driven_line(logged).attrs["sources"]["banking"] == "banking"
    # without position the reference line's height has to do; without a profile there is nothing to pay for
    assert (
        driven_line(placed.drop(columns="offset")).attrs["sources"]["height"] == "track's height, on the reference line"
    )
    plain = session_of(samples, track=replace(session.track, profile=None)).lap(2)
    assert not {"banking", "height"} & set(plain.columns)


def test_what_is_not_a_lap() -> None:
    with pytest.raises(FrameError, match=r"driven_line: expected a lap frame.*got an empty dict"):
        driven_line({})  # type: ignore[arg-type]
    with pytest.raises(FrameError, match="whole laps on one grid"):
        driven_line(pd.DataFrame({"speed": [1.0]}, index=[0.0]))
