"""Ramps, minima, noise and quantisation, on signals worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lapkit.analysers.lap.between import over_runs, ramp_end, ramp_start, runs, spread
from lapkit.analysers.lap.lowest import lowest
from lapkit.model.noise import quantum, white_noise


def test_runs_and_what_is_done_over_them() -> None:
    start, end = runs(np.array([True, False, True, True]))
    assert start.tolist() == [0, 2]
    assert end.tolist() == [1, 4]
    assert spread(start, end).tolist() == [0, 2, 3]
    assert over_runs(np.maximum, np.array([1.0, 9.0, 2.0, 3.0]), start, end).tolist() == [1.0, 3.0]
    none = np.empty(0, dtype=np.intp)
    assert over_runs(np.maximum, np.array([1.0]), none, none).size == 0


def test_quantum_of_a_percent_scale_and_of_a_smooth_ramp() -> None:
    rng = np.random.default_rng(3)
    assert quantum(np.round(rng.uniform(0, 1, 4000), 2)) == pytest.approx(0.01)
    assert quantum(rng.uniform(0, 1, 4000)) == 0.0
    assert quantum(np.linspace(0, 1, 200)) == 0.0  # even steps, each met once, are a ramp
    assert quantum(np.full(50, 0.3)) == 0.0


@pytest.mark.parametrize("sigma", [0.0, 0.02, 0.5])
def test_white_noise_looks_past_corners_in_the_signal(sigma: float) -> None:
    time = np.arange(0, 60, 0.02)
    values = 40 + 10 * np.abs(np.sin(time / 5)) + np.random.default_rng(1).normal(0, sigma, time.size)
    assert white_noise(values) == pytest.approx(sigma, rel=0.1, abs=1e-4)
    assert white_noise(values[:5]) == 0.0


@settings(max_examples=200, deadline=None)
@given(
    begin=st.floats(0.3, 0.6),
    length=st.floats(2.0, 8.0),
    depth=st.floats(0.1, 1.0),
    rate=st.sampled_from([10, 20, 50, 100]),
)
def test_a_ramp_of_two_samples_or_more_is_found_exactly(begin: float, length: float, depth: float, rate: int) -> None:
    """A straight ramp has the two samples it takes: the line through them meets zero where the ramp began."""
    time = np.arange(0, 3, 1 / rate)
    end = begin + length / rate
    depths = np.interp(time, [begin, end], [0.0, depth])
    first = int(np.flatnonzero(depths > 0.03 * depth)[0])
    bottom = int(np.flatnonzero(depths >= depth - 1e-12)[0])
    last = max(bottom - 1, first) if bottom > first + 1 else bottom
    start, sigma = ramp_start(time, depths, np.array([first]), np.array([last]), interval=1 / rate)
    assert start[0] == pytest.approx(begin, abs=0.02 / rate)
    assert sigma[0] <= 0.6 / rate
    mirrored = depths[::-1]
    top = len(time) - 1
    back, _ = ramp_end(time, mirrored, np.array([top - last]), np.array([top - first]), interval=1 / rate)
    assert back[0] == pytest.approx(time[-1] - begin, abs=0.02 / rate)


def test_a_step_lies_somewhere_between_the_samples_and_says_so() -> None:
    time = np.arange(10) / 10
    depths = np.where(time >= 0.45, 1.0, 0.0)
    start, sigma = ramp_start(time, depths, np.array([5]), np.array([5]), interval=0.1)
    assert start[0] == pytest.approx(0.45)
    assert sigma[0] == pytest.approx(0.1 / np.sqrt(12), rel=0.1)


def test_a_crossing_of_a_threshold_instead_of_the_ramp_itself() -> None:
    time = np.arange(20) / 20
    depths = np.clip((time - 0.43) * 4, 0, 1)
    first = np.array([int(np.flatnonzero(depths > 0.05)[0])])
    start, _ = ramp_start(time, depths, first, first + 3, edge=0.05, interval=0.05)
    assert start[0] == pytest.approx(0.43 + 0.05 / 4)


@pytest.mark.parametrize("rate", [10, 20, 50, 100])
def test_hairpin_braking_at_8_and_accelerating_at_4(rate: int) -> None:
    """v = 10 m/s at the turn; nothing else to know: the way in and the way out are straight lines."""
    time = np.arange(0, 4, 1 / rate)
    for turn in np.linspace(1.5, 1.5 + 1 / rate, 9):
        speed = 10 + np.where(time < turn, 8 * (turn - time), 4 * (time - turn))
        when, low, sigma = lowest(time, speed, np.array([0]), np.array([len(time)]), interval=1 / rate)
        assert low[0] == pytest.approx(10, abs=0.01)
        assert when[0] == pytest.approx(turn, abs=0.01)
        assert sigma[0] < 0.1


def test_a_smooth_minimum_is_exact_too() -> None:
    time = np.arange(0, 3, 0.1)
    when, low, _ = lowest(time, 20 + 6 * (time - 1.234) ** 2, np.array([0]), np.array([30]), interval=0.1)
    assert when[0] == pytest.approx(1.234, abs=0.01)
    assert low[0] == pytest.approx(20, abs=1e-3)


@pytest.mark.parametrize("shape", ["sharp", "round", "flat"])
@pytest.mark.parametrize("rate", [10, 50])
def test_noise_is_averaged_and_owned_up_to(shape: str, rate: int) -> None:
    rng = np.random.default_rng(7)
    time = np.arange(0, 4, 1 / rate)
    miss, told = [], []
    for _ in range(150):
        turn, slope = rng.uniform(1.8, 2.2), rng.uniform(2, 6)
        away = np.abs(time - turn)
        rise = {
            "sharp": away,
            "round": np.where(away < 0.4, away**2 / 0.8, away - 0.2),
            "flat": np.maximum(away - 0.6, 0),
        }
        speed = 20 + slope * rise[shape] + rng.normal(0, 0.05, time.size)
        _, low, sigma = lowest(time, speed, np.array([0]), np.array([time.size]), noise=0.05, interval=1 / rate)
        miss.append(low[0] - 20)
        told.append(sigma[0])
    miss, told = np.array(miss), np.array(told)
    assert np.mean(np.abs(miss) <= 2 * told) >= 0.9
    assert np.sqrt(np.mean(miss**2)) < 0.1
    assert told.mean() < 0.12


def test_two_samples_and_none() -> None:
    time = np.array([0.0, 0.1])
    when, low, _ = lowest(time, np.array([5.0, 4.0]), np.array([0]), np.array([2]), interval=0.1)
    assert (when[0], low[0]) == (0.1, 4.0)
    _, low, sigma = lowest(time, np.array([5.0, 4.0]), np.array([0]), np.array([2]), noise=0.1, interval=0.1)
    assert np.isfinite([low[0], sigma[0]]).all()
    none = np.empty(0, dtype=np.intp)
    assert lowest(time, np.array([5.0, 4.0]), none, none, interval=0.1)[0].size == 0
