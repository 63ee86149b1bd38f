"""Projection on a reference line, as a ratio to one nearest-neighbour query of the same points in the same run.

Not part of the ordinary suite (no test here asserts a time). Run:

    .venv/bin/python -m pytest tests/benchmarks/bench_place.py --benchmark-enable -s

The baseline is one `scipy.spatial.cKDTree` query, the tree built beforehand. The query finds the nearest vertex; the
projection finds the foot between vertices, the offset, and the right leg of the track. Work: a road course of 2,400
vertices, 27,000 to 432,000 points of laps driven on it, with noise of 0, 0.3 and 3 m, and laps that cut a corner.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
import work
from scipy.signal import lfilter

from lapkit.model.cutting import cut
from lapkit.model.motion import Motion
from lapkit.model.place import ReferenceLine, project
from lapkit.model.placing import find_place
from lapkit.simulate import oval, road_course

ROUNDS = 9
VERTICES = 2400
COUNTS = (27_000, 108_000, 432_000)
STEP = 1.32  # m between points: 80 m/s at 60 Hz
REPORT: list[str] = []


@pytest.fixture(scope="module", autouse=True)
def report():
    yield
    print("\n\nwork | points | query (ms) | lapkit (ms) | ratio | to reach\n" + "\n".join(REPORT))


def laps(count: int, noise: float, short: float = 0.0) -> tuple[ReferenceLine, np.ndarray, np.ndarray, np.ndarray]:
    """A line, positions of laps on it, and the expected place: out by up to 10 m, and by `short` m in every lap."""
    track, rng = road_course(), np.random.default_rng(0)
    line = ReferenceLine(
        *track.xy(np.arange(VERTICES) * track.length / VERTICES), track.length / VERTICES, track.length
    )
    place = np.arange(count) * STEP
    x, y = track.xy(np.mod(place, track.length), 3.0 * np.sin(place / 150.0))
    x, y = x + rng.normal(0.0, noise, count), y + rng.normal(0.0, noise, count)
    guess = place + 10.0 * np.sin(place / 400.0)
    return line, x, y, guess + np.interp(np.mod(place / track.length, 1.0), [0.0, 0.4, 1.0], [0.0, short, 0.0])


def medians(baseline: Any, stage: Any) -> tuple[float, float]:
    pairs = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        baseline()
        middle = time.perf_counter()
        stage()
        pairs.append((middle - start, time.perf_counter() - middle))
    base, ours = 1e3 * np.median(pairs[1:], axis=0)
    return float(base), float(ours)


@pytest.mark.parametrize("count", COUNTS)
@pytest.mark.parametrize(("noise", "short"), [(0.0, 0.0), (0.3, 0.0), (3.0, 0.0), (0.3, 150.0)])
def test_projection(benchmark, count, noise, short):
    from scipy.spatial import cKDTree

    line, x, y, guess = laps(count, noise, short)
    tree, points = cKDTree(np.column_stack([line.x, line.y])), np.column_stack([x, y])
    base, ours = medians(lambda: tree.query(points), lambda: project(line, x, y, guess))
    name = f"noise {noise:g} m" + (f", every lap {short:g} m out" if short else "")
    reach = "<= 8" if count == 108_000 else "grows as the points do"
    benchmark.extra_info.update(query_ms=base, ratio=ours / base)
    REPORT.append(f"{name} | {count} | {base:.1f} | {ours:.1f} | {ours / base:.2f} | {reach}")
    benchmark.pedantic(lambda: project(line, x, y, guess), rounds=3)


@pytest.mark.parametrize(("noise", "drift"), [(0.0, 0.0), (0.05, 0.3), (0.3, 0.0), (3.0, 0.0)])
def test_placing_of_a_stint(benchmark, noise, drift):
    """The placing part of an import: 60 laps at 60 Hz, reference line learnt, places, offsets, drift and their errors."""
    samples, rng = work.table(), np.random.default_rng(0)
    forget = np.exp(-1.0 / (20.0 * 60.0))
    x, y = (
        samples[name].to_numpy()
        + noise * rng.normal(0.0, 1.0, len(samples))
        + lfilter([drift * np.sqrt(1.0 - forget**2)], [1.0, -forget], rng.normal(0.0, 1.0, len(samples)))
        for name in ("x", "y")
    )
    motion = Motion.of(samples["time"].to_numpy(), samples["speed"].to_numpy(), x, y, max_gap=0.5)
    logged = {"lap": None, "lap_clock": None, "lap_distance": None}
    cuts = cut(
        motion, start_line=oval().start_line, track=None, geographic=False, origin=None, logged=logged, source=""
    )
    _, ours = medians(lambda: None, lambda: find_place(motion, cuts, lap_distance=None, track=None))
    REPORT.append(
        f"placing a stint, noise {noise:g} m, drift {drift:g} m | {len(samples)} | | {ours:.1f} | | (no target)"
    )
    benchmark.pedantic(lambda: find_place(motion, cuts, lap_distance=None, track=None), rounds=3)
