"""Speed as ratios to named baselines measured in the same run.

Not part of the ordinary suite (no test here asserts a time). Run:

    .venv/bin/python -m pytest tests/benchmarks/bench_speed.py --benchmark-enable -s

Each stage and its baseline take turns, so that a busy neighbour disturbs both; the ratio is that of the medians.
"""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import work

import lapkit

ROUNDS = 15
REPORT: list[str] = []


@pytest.fixture(scope="module")
def files(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("stint")
    samples = work.table()
    work.write_clean(samples, folder / "clean.csv")
    work.write_awkward(samples, folder / "awkward.csv")
    return {"clean": folder / "clean.csv", "awkward": folder / "awkward.csv"}


@pytest.fixture(scope="module", autouse=True)
def report():
    yield
    print("\n\nstage | baseline (ms) | lapkit (ms) | ratio | to reach\n" + "\n".join(REPORT))


def seconds(call: Any) -> float:
    start = time.perf_counter()
    call()
    return time.perf_counter() - start


def compare(benchmark: Any, name: str, reach: str, baseline: Any, stage: Any, rounds: int = ROUNDS) -> None:
    stage(), baseline()
    pairs = np.array([(seconds(baseline), seconds(stage)) for _ in range(rounds)])
    base, ours = 1e3 * np.median(pairs, axis=0)
    benchmark.extra_info.update(baseline_ms=base, ratio=ours / base, reach=reach)
    REPORT.append(f"{name} | {base:.1f} | {ours:.1f} | {ours / base:.2f} | {reach}")
    benchmark.pedantic(stage, rounds=3)


def bare_read(path: Path) -> Any:
    import pyarrow.csv

    return pyarrow.csv.read_csv(path)


def frames(path: Path) -> list[pd.DataFrame]:
    session = lapkit.load(path)
    return [session.lap(int(number)) for number in session.laps["lap"]]


def test_clean_csv_to_all_frames(benchmark, files):
    compare(
        benchmark, "CSV -> all lap frames", "<= 1.5", lambda: bare_read(files["clean"]), lambda: frames(files["clean"])
    )


def test_awkward_csv_to_all_frames(benchmark, files):
    compare(
        benchmark,
        "awkward CSV -> all lap frames",
        "<= 1.7",
        lambda: bare_read(files["clean"]),
        lambda: frames(files["awkward"]),
    )


def test_resampling(benchmark, files):
    """60 laps x 24 channels: np.interp per channel and lap on arrays, results kept."""
    from lapkit.model.frame import brackets, resample

    session = lapkit.load(files["clean"])
    names = [str(c) for c in session.recording.samples.columns if c != "lap"]
    channels = [session.recording.samples[name].to_numpy().copy() for name in names]
    place, segments = session._placement.place, session._segments
    grid = session.best().index.to_numpy()
    laps = [
        (
            int(segments.first_row[row]) - 2,
            int(segments.last_row[row]) + 2,
            grid + (row - segments.leading) * session.track.length,
        )
        for row in np.flatnonzero(segments.whole)
    ]
    none = np.empty(0, dtype=np.intp)

    def interp() -> list[np.ndarray]:
        return [
            np.array([np.interp(places, place[low:high], values[low:high]) for values in channels])
            for low, high, places in laps
        ]

    def ours() -> list[np.ndarray]:
        return [
            resample([values[low:high] for values in channels], *brackets(place[low:high], places), none)
            for low, high, places in laps
        ]

    np.testing.assert_allclose(ours()[7], interp()[7], atol=1e-6)
    compare(benchmark, f"resample {len(laps)} laps x {len(channels)} channels", "<= 0.55", interp, ours)


@pytest.fixture
def two_laps(files) -> tuple[pd.DataFrame, pd.DataFrame, Any]:
    """Two laps, and the baseline: one np.interp pass over both laps' 24 channels."""
    session = lapkit.load(files["clean"])
    lap, reference = session.lap(3), session.best()
    places = lap.index.to_numpy()
    columns = [frame[name].to_numpy().copy() for frame in (lap, reference) for name in frame.columns[:24]]

    def interp() -> None:
        for values in columns:
            np.interp(places + 0.4, places, values)

    return lap, reference, interp


def test_delta(benchmark, two_laps):
    lap, reference, interp = two_laps
    compare(benchmark, "delta of two laps", "(no target)", interp, lambda: lapkit.delta(lap, reference))


def test_comparison_in_words(benchmark, two_laps):
    from lapkit.analysers.ledger.explain import summary

    lap, reference, interp = two_laps
    compare(benchmark, "two laps compared in words", "(no target)", interp, lambda: summary(lap, reference))


def test_ledger(benchmark, files, two_laps):
    """Delta and ledger of two laps in memory, the car's model fitted once for the session before."""
    lap, reference, interp = two_laps
    model = lapkit.longitudinal_model(lapkit.load(files["clean"]))

    def stage() -> None:
        lapkit.delta(lap, reference)
        lapkit.ledger(lap, reference, model=model)

    compare(benchmark, "two-lap comparison incl. ledger", "<= 15", interp, stage)


def by_hand(path: Path) -> list[pd.DataFrame]:
    """What a capable user would write: read, split, reindex on the grid and interpolate."""
    table = pd.read_csv(path)
    out = []
    for _, lap in table.groupby("lap"):
        lap = lap.drop_duplicates("lap_distance (m)").set_index("lap_distance (m)").sort_index()
        places = np.arange(0.0, np.floor(lap.index[-1]) + 1)
        union = lap.index.union(places)
        out.append(lap.reindex(union).interpolate("index").reindex(places))
    return out


def test_against_what_people_write(benchmark, files):
    compare(benchmark, "the whole job against pandas by hand", "<= 0.1", lambda: by_hand(files["clean"]),
            lambda: frames(files["clean"]), rounds=5)  # fmt: skip


def test_import(benchmark):
    def start(module: str) -> None:
        subprocess.run([sys.executable, "-c", f"import {module}"], check=True)

    compare(benchmark, "import lapkit", "<= 1.1", lambda: start("pandas"), lambda: start("lapkit, pandas"))


MEMORY = """
import lapkit
def peak():  # of this process alone; the highest so far
    with open("/proc/self/status") as status:
        return next(1024 * int(line.split()[1]) for line in status if line.startswith("VmHWM"))
lapkit.load({small!r})
before = peak()
session = lapkit.load({path!r})
frames = [session.lap(int(n)) for n in session.laps["lap"]] if {all} else None
payload = session.recording.samples.select_dtypes("number").size * 8
print((peak() - before) / payload)
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="the peak of a process is read from /proc")
def test_memory(files):
    small = Path(__file__).parents[2] / "sample_data" / "oval_run.csv"
    for name, every in (("peak memory of the import", False), ("peak memory with all frames kept", True)):
        code = MEMORY.format(small=str(small), path=str(files["clean"]), all=every)
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
        REPORT.append(f"{name} | payload | | {float(done.stdout):.2f} | {'<= 4' if not every else '(no target)'}")
