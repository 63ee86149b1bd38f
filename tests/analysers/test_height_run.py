"""What giving up height is worth: the energy exchange, and a car driven again without it."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from support import session_of

from lapkit import Session, longitudinal_model
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.lines.banked_turn import speed_after_drop
from lapkit.analysers.lines.height_run import COLUMNS, height_run, height_runs
from lapkit.analysers.lines.surface import surface
from lapkit.channels import STANDARD_GRAVITY
from lapkit.errors import FrameError
from lapkit.simulate import CONSUMER, oval, stint
from lapkit.simulate.demo import OVAL_CAR
from lapkit.simulate.recorder import Noise
from lapkit.simulate.truth import Truth

Array = NDArray[np.float64]
OVAL = oval()


@lru_cache(maxsize=2)
def run_of(noise: Noise | None) -> tuple[Session, Truth, LongitudinalModel]:
    samples, truth = stint(OVAL, laps=6, rate=60.0, seed=4, noise=noise)
    session = session_of(samples, start_line=OVAL.start_line)
    return session, truth, longitudinal_model(session)


def slide(top: float = 15.0, fall: float = 0.2, gravity: float = 9.80) -> pd.DataFrame:
    place = np.arange(101.0)
    return pd.DataFrame(
        {"z": 20.0 - fall * place, "speed": np.sqrt(top**2 + 2 * gravity * fall * place), "path": place}, index=place
    )


def test_the_published_drop() -> None:
    # OpenStax, University Physics Volume 1, section 8.3: 15.0 m/s, 20.0 m down, printed 24.8 m/s
    run = height_run(slide(), 0.0, 100.0, gravity=9.80).iloc[0]
    below = 15.0 + run["speed_gained"]
    assert below == pytest.approx(24.8, abs=0.05)
    assert below == pytest.approx(float(speed_after_drop(15.0, 20.0, gravity=9.80)))
    assert run["height_given"] == pytest.approx(20.0)
    # 100 m at a speed that rises evenly in v^2, against 100 m at 15 m/s
    assert run["time_gained"] == pytest.approx(100 / 15.0 - 2 * 100 / (15.0 + below), abs=1e-3)


def test_a_climb_costs_what_the_fall_gains() -> None:
    hill = slide()
    down = height_run(hill, 20.0, 60.0, until=60.0).iloc[0]
    up = height_run(hill.assign(z=-hill["z"]), 20.0, 60.0, until=60.0).iloc[0]
    assert up["height_given"] == pytest.approx(-down["height_given"])
    assert up["speed_gained"] < 0 < down["speed_gained"]
    assert up["time_gained"] < 0 < down["time_gained"]
    here = height_run(hill, 50.0, 50.0).iloc[0]
    assert here["height_given"] == here["speed_gained"] == here["time_gained"] == 0.0


def without_the_drop(truth: Truth, frame: pd.DataFrame, start: float, low: float) -> tuple[float, float]:
    """Drive the car's own equation on from `start` on the same line and pedals, level as far as `low`: speed lost
    there, time lost to the line."""
    lap, step = int(frame.attrs["lap"]), 0.25
    time = frame["time"].to_numpy() + truth.crossings[lap - 1]
    clock = np.interp(np.arange(start, OVAL.length, step), frame.index, time)
    shape = OVAL.along(np.arange(start, OVAL.length, step), truth.line(lap))
    throttle, here = truth.throttle(clock), np.arange(start, OVAL.length, step)
    bend = shape.curvature * (shape.level_stretch / shape.stretch) ** 2

    def drive(grade: Array) -> Array:
        v, out = float(truth.speed(clock[0])), []
        for th, k, rise, ds in zip(throttle, bend, grade, shape.stretch * step, strict=True):
            out.append(v)
            share = np.interp(th, *zip(*OVAL_CAR.power_curve, strict=True))
            pull = min(OVAL_CAR.power * share / v, OVAL_CAR.traction)
            a = pull - OVAL_CAR.drag * v**2 - OVAL_CAR.rolling - OVAL_CAR.cornering * (v**2 * k) ** 2
            v = float(np.sqrt(v**2 + 2 * (a - STANDARD_GRAVITY * rise) * ds))
        return np.array(out)

    fast, slow = drive(shape.grade), drive(np.where(here < low, 0.0, shape.grade))
    last = int(np.searchsorted(here, low))
    metres = shape.stretch * step
    return float(fast[last] - slow[last]), float((metres / slow - metres / fast).sum())


def test_against_a_car_driven_again_without_it() -> None:
    session, truth, model = run_of(None)
    for number in (2, 4):
        frame = session.lap(number)
        for run in height_runs(frame, model=model).to_dict("records"):
            speed, seconds = without_the_drop(truth, frame, run["from_distance"], run["to_distance"])
            assert run["height_given"] > 0.1
            assert run["speed_gained"] == pytest.approx(speed, rel=0.08, abs=0.002)
            assert run["time_gained"] == pytest.approx(seconds, rel=0.08, abs=0.001)


def test_a_model_forgets_and_none_remembers() -> None:
    session, _, model = run_of(None)
    frame = session.best()
    told, kept = height_runs(frame, model=model), height_runs(frame)
    assert (told["speed_gained"] < kept["speed_gained"]).all()
    assert (told["time_gained"] < kept["time_gained"]).all()
    assert told.attrs["notes"] == []
    assert "There is no model of the car" in kept.attrs["notes"][0]
    refused = height_runs(frame, model=LongitudinalModel(False, "there is no throttle"))
    assert refused.attrs["notes"] == [
        "The model of the car is not used (there is no throttle): the speed gained is taken to last."
    ]


@pytest.mark.parametrize("by_surface", [False, True])
def test_uncertainties_are_honest(by_surface: bool) -> None:
    inside = []
    for seed in range(5):
        samples, truth = stint(OVAL, laps=8, rate=60.0, seed=seed, noise=CONSUMER)
        session = session_of(samples, start_line=OVAL.start_line)
        ground = surface(session, sources=("altitude",)) if by_surface else None
        for number in range(1, 9):
            frame = session.lap(number)
            shape = truth.shape(truth.crossings[number - 1] + frame["time"].to_numpy())
            true = frame.assign(z=OVAL.height(shape["station"], shape["offset"]), speed=truth.speed(
                truth.crossings[number - 1] + frame["time"].to_numpy()))  # fmt: skip
            for run in height_runs(frame, surface=ground).to_dict("records"):
                known = height_run(true, run["from_distance"], run["to_distance"]).iloc[0]
                for name in ("height_given", "speed_gained", "time_gained"):
                    inside.append(abs(run[name] - known[name]) < 2 * run[f"{name}_uncertainty"])
    assert 0.88 < np.mean(inside) <= 1.0


def test_the_surface_serves_a_lap_without_altitude() -> None:
    session, _, model = run_of(None)
    ground, frame = surface(session, sources=("altitude",)), session.best()
    before = frame.copy()
    own, read = height_runs(frame, model=model), height_runs(frame.drop(columns="z"), model=model, surface=ground)
    pd.testing.assert_frame_equal(frame, before)
    assert (own.attrs["source"], read.attrs["source"]) == ("z", "surface and offset")
    assert np.abs(own["height_given"] - read["height_given"]).max() < 2 * read["height_given_uncertainty"].max()


def test_no_corners() -> None:
    frame = slide()
    frame.attrs["corners"] = []
    empty = height_runs(frame)
    assert list(empty.columns) == ["corner", *COLUMNS]
    assert empty.empty
    assert empty.dtypes.eq(["object", *["float64"] * 8]).all()


def test_faults_are_named() -> None:
    frame = slide()
    for places in ((60.0, 20.0), (-5.0, 20.0), (20.0, 400.0)):
        with pytest.raises(FrameError, match="must follow one another"):
            height_run(frame, *places)
    with pytest.raises(FrameError, match="height of this lap is not known: there is no height"):
        height_run(frame.drop(columns="z"), 0.0, 50.0)
    with pytest.raises(FrameError, match=r"needs a lap frame with speed.*a frame without it"):
        height_run(frame.drop(columns="speed"), 0.0, 50.0)
    ground = surface(run_of(None)[0])
    with pytest.raises(FrameError, match="make it from laps of the same session"):
        height_run(frame, 0.0, 50.0, surface=ground)
    with pytest.raises(FrameError, match="placed by position"):
        height_run(run_of(None)[0].best().drop(columns="offset"), 0.0, 50.0, surface=ground)
    with pytest.raises(FrameError, match="corners"):
        height_runs(frame)
