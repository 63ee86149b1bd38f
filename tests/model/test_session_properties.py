"""What cutting into laps keeps to, whatever was recorded: properties, on simulated runs."""

from __future__ import annotations

import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st
from support import session_of

import lapkit
from lapkit import Session
from lapkit.channels import UNITS, dimension_of, from_si
from lapkit.simulate import CONSUMER, Truth, oval, road_course, stint

CHANNELS = ("time", "x", "y", "speed", "throttle", "yaw_rate", "gear")
TRACKS = {"oval": oval(), "road course": road_course()}
MARKED = {"line": (), "lap": ("lap",), "lap distance": ("lap_distance",)}
"""What marks the laps, and the channels that it takes."""
Run = tuple[pd.DataFrame, Truth, dict[str, Any]]
"""Samples, the truth, and what a session is told."""


@cache
def driven(course: str, laps: int, rate: float, noisy: bool) -> tuple[pd.DataFrame, Truth]:
    return stint(TRACKS[course], laps, rate, seed=laps, noise=CONSUMER if noisy else None, out_lap=400.0, in_lap=250.0,
                 channels=(*CHANNELS, "lap", "lap_distance"))  # fmt: skip


def recorded(course: str, laps: int, rate: float, noisy: bool, marked: str, cut: tuple[int, int]) -> Run:
    """Record a run without so many of its first and last samples, with what marks its laps."""
    samples, truth = driven(course, laps, rate, noisy)
    samples = samples.iloc[cut[0] : len(samples) - cut[1]].reset_index(drop=True)
    options = {"start_line": TRACKS[course].start_line} if marked == "line" else {}
    return samples[[*CHANNELS, *MARKED[marked]]], truth, options


RUNS = st.builds(
    recorded, st.sampled_from(list(TRACKS)), st.integers(1, 3), st.sampled_from([10.0, 50.0]), st.booleans(),
    st.sampled_from(list(MARKED)), st.tuples(st.integers(0, 30), st.integers(0, 30)),
)  # fmt: skip


def assert_same(first: Session, second: Session, atol: float, rows: float) -> None:
    """Hold two sessions to one lap table, within `atol`, and the same frames, within `rows`."""
    assert second.laps["lap"].tolist() == first.laps["lap"].tolist()
    assert second.laps["flags"].tolist() == first.laps["flags"].tolist()
    tables = [
        (session.laps.drop(columns="flags"), *map(session.lap, session.laps["lap"])) for session in (first, second)
    ]
    for k, (one, other) in enumerate(zip(*tables, strict=True)):
        assert set(other.columns) == set(one.columns)
        np.testing.assert_allclose(
            other[one.columns].to_numpy(float), one.to_numpy(float), rtol=0, atol=rows if k else atol
        )


@settings(max_examples=40, deadline=None)
@given(RUNS)
def test_lap_times_add_up_to_the_time_from_the_first_crossing_to_the_last(run: Run) -> None:
    samples, truth, options = run
    session = session_of(samples, **options)
    laps, table = session.laps[session.laps["complete"]], session.samples()
    began = (table["time"] - table["lap_clock"]).groupby(table["lap"]).first()  # the crossing that begins each lap
    first, last = int(laps["lap"].iloc[0]), int(laps["lap"].iloc[-1])
    assert laps["lap"].tolist() == list(range(first, last + 1))
    assert abs(laps["lap_time"].sum() - (began[last + 1] - began[first])) < 1e-9
    # no crossing is left out or made up, and each lies where the simulation has it
    assert len(laps) == len(truth.laps)
    off = laps["lap_time"].to_numpy() - truth.laps["lap_time"].to_numpy()
    assert (np.abs(off) < np.maximum(5.0 * laps["lap_time_uncertainty"], 3e-3)).all()


@settings(max_examples=25, deadline=None)
@given(RUNS, st.floats(0.0, 1e5), st.permutations([*CHANNELS, "lap", "lap_distance"]))
def test_neither_the_clock_nor_the_order_of_columns_changes_anything(run: Run, shift: float, order: list[str]) -> None:
    samples, _, options = run
    turned = samples[[name for name in order if name in samples]]
    plain = session_of(samples, **options)
    assert_same(plain, session_of(turned, **options), atol=0.0, rows=0.0)
    assert_same(plain, session_of(turned.assign(time=turned["time"] + shift), **options), atol=1e-6, rows=1e-4)


@settings(max_examples=12, deadline=None)
@given(RUNS, st.data())
def test_units_change_nothing(run: Run, data: st.DataObject) -> None:
    samples, _, options = run
    sessions = []
    with tempfile.TemporaryDirectory() as folder:
        for turn in ("SI", "drawn"):
            written = {}
            for name, values in samples.items():
                dimension = dimension_of(str(name)) or ""
                units = [unit for unit in UNITS.get(dimension, {}) if unit not in ("rpm", "Hz")]  # no car turns so
                unit = (
                    units[0] if turn == "SI" and units else data.draw(st.sampled_from(units or [""]), label=str(name))
                )
                written[f"{name} [{unit}]" if unit else name] = from_si(values, unit, dimension) if unit else values
            pd.DataFrame(written).to_csv(Path(folder) / "run.csv", index=False)
            sessions.append(lapkit.load(Path(folder) / "run.csv", **options))
    assert_same(*sessions, atol=1e-6, rows=1e-4)
