"""Brakings: worked out by hand, and against simulated laps whose brake is known at every instant."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from befallen import befallen_run
from support import session_of

import lapkit
from lapkit import LapError, brakings, simulate
from lapkit.analysers.lap.brakings import BRAKING_COLUMNS
from lapkit.channels import dimension_of
from lapkit.simulate import CONSUMER, Noise
from lapkit.simulate.demo import ROAD_CAR

TRACK = simulate.road_course()
TRAPEZIUM = [(3.03, 0.0), (3.23, 0.8), (4.03, 0.8), (4.33, 0.0)]
"""On in 0.2 s, 0.8 s at 80 %, off in 0.3 s: 1.3 s."""


def lap_of(rate: float, phase: float = 0.0, **columns: object) -> pd.DataFrame:
    time = np.arange(phase / rate, 8.0, 1 / rate)
    brake = np.interp(time, *zip(*TRAPEZIUM, strict=True))
    speed = 60.0 - 9.0 * np.cumsum(brake) / rate
    table = pd.DataFrame({"time": time, "distance": np.cumsum(speed) / rate, "speed": speed, "brake": brake})
    table.attrs.update(lap=7, source="made up.csv")
    return table.assign(**columns)


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.7])
def test_every_number_of_a_trapezium(rate: float, phase: float) -> None:
    samples = lap_of(rate, phase)
    (row,) = brakings(samples).to_dict("records")
    half = 0.5 / rate
    assert (row["lap"], row["braking"], row["truncated"]) == (7, 1, False)
    assert row["start_time"] == pytest.approx(3.03, abs=half)
    assert row["end_time"] == pytest.approx(4.33, abs=half)
    assert row["duration"] == pytest.approx(1.30, abs=half)
    assert row["max_brake"] == pytest.approx(0.8)
    assert row["speed_lost"] == pytest.approx(9.0 * 0.8 * 1.05, rel=0.03)  # 0.8 x (0.8 + 0.25) s at 9 m/s2
    assert row["mean_deceleration"] == pytest.approx(row["speed_lost"] / row["duration"], rel=0.02)
    assert row["start_distance"] == pytest.approx(np.interp(3.03, samples["time"], samples["distance"]), abs=60 * half)


def test_pressure_stands_in_for_the_brake() -> None:
    samples = lap_of(50.0)
    pressure = 1e5 + 6e6 * samples["brake"]  # rests at one bar
    (plain,) = brakings(samples).to_dict("records")
    (row,) = brakings(samples.drop(columns="brake").assign(brake_pressure=pressure)).to_dict("records")
    assert row["start_time"] == pytest.approx(plain["start_time"], abs=1e-3)
    assert row["max_brake_pressure"] == pytest.approx(0.8 * 6e6, rel=1e-6)
    assert np.isnan(row["max_brake"]) and np.isnan(plain["max_brake_pressure"])


def test_no_brake_an_idle_brake_and_a_lap_that_is_not_there() -> None:
    samples = lap_of(50.0)
    none = brakings(samples.drop(columns="brake"))
    assert none.empty and "no brake" in none.attrs["note"]
    idle = brakings(samples.assign(brake=0.0))
    for table in (none, idle, brakings(samples)):
        assert dict(table.dtypes.astype(str)) == BRAKING_COLUMNS
    assert idle.empty and "note" not in idle.attrs
    assert all(dimension_of(name) for name in BRAKING_COLUMNS)
    with pytest.raises(LapError, match="no lap 3"):
        brakings(samples, lap=3)


def test_a_braking_cut_by_the_end_of_the_data() -> None:
    samples = lap_of(50.0)
    (row,) = brakings(samples[samples["time"] < 3.8]).to_dict("records")
    assert row["truncated"] and row["end_time"] == pytest.approx(3.78, abs=0.021)


def test_the_frame_and_the_session_agree() -> None:
    session = lapkit.load("sample_data/road_course.csv")
    whole, frame = brakings(session, lap=3), brakings(session.lap(3))
    assert len(whole) == len(frame) == 8
    for name in ("start_distance", "end_distance"):
        apart = (whole[name] - frame[name]).abs()
        assert (apart < 4 * np.hypot(whole[f"{name}_uncertainty"], frame[f"{name}_uncertainty"])).all()


@pytest.mark.parametrize(("rate", "noise"), [(20.0, Noise()), (60.0, Noise()), (60.0, CONSUMER)])
def test_against_the_brake_as_it_was_driven(rate: float, noise: Noise) -> None:
    """About 95 % of times lie within two of the stated uncertainty; brake beyond 0.1 % is what is called on."""
    _, truth = befallen_run(TRACK, laps=3, seed=3, car=ROAD_CAR)
    session = session_of(simulate.record(truth, rate, noise=noise, seed=5), start_line=TRACK.start_line)
    time = np.arange(*truth.span, 1e-3)
    on = np.flatnonzero(np.diff(np.concatenate([[False], truth.brake(time) > 1e-3, [False]]).astype(int)))
    begins, ends = time[on[::2]], time[on[1::2] - 1]
    real = (ends - begins > 0.1) & (begins > truth.start(1)) & (ends < truth.start(3) + 60.0)
    table = brakings(session)
    found = table[~table["truncated"]]
    starts = np.array([truth.start(lap) for lap in found["lap"]]) + found["start_time"].to_numpy()
    nearest = begins[real][np.abs(begins[real][:, None] - starts).argmin(axis=0)]
    assert np.abs(nearest - starts).max() < 0.6 / rate + 0.01
    lasted = (ends - begins)[real][np.abs(begins[real][:, None] - starts).argmin(axis=0)]
    away = np.abs(found["duration"].to_numpy() - lasted)
    assert np.mean(away <= 2 * found["duration_uncertainty"].to_numpy() + 0.004) >= 0.9
    assert set(begins[real][begins[real] < truth.start(3)]) <= set(nearest)  # none is missed


@pytest.mark.parametrize("noise", [100.0, 5e4])
def test_a_pressure_sensor_that_only_shakes_shows_no_braking(noise: float) -> None:
    pressure = 3e5 + np.random.default_rng(1).normal(0.0, noise, len(lap_of(50.0)))
    samples = lap_of(50.0).drop(columns="brake").assign(brake_pressure=pressure)
    assert brakings(samples).empty
    braked = samples.assign(brake_pressure=3e5 + 4e6 * lap_of(50.0)["brake"].to_numpy())
    assert len(brakings(braked)) == 1
    assert brakings(braked, brake_pressure_threshold=1e7).empty
