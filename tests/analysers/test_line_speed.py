"""Speed at the line, from an invented run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lapkit import Recording, Session, simulate
from lapkit.analysers.lap.line_speed import LINE_SPEED_COLUMNS, line_speed
from lapkit.channels import dimension_of
from lapkit.model.recording import Provenance


@pytest.fixture(scope="module")
def run() -> tuple[Session, simulate.Truth]:
    samples, truth = simulate.stint(laps=4, rate=50.0, seed=2)
    return Session(Recording(samples, Provenance("run.csv")), start_line=truth.track.start_line), truth


def test_speeds_times_and_ranks(run) -> None:
    session, truth = run
    table = line_speed(session)
    assert list(table.columns) == list(LINE_SPEED_COLUMNS)
    whole = table[table["lap"].isin(truth.numbers)].reset_index(drop=True)
    assert whole["speed_at_line"].to_numpy() == pytest.approx(truth.laps["speed_at_line"].to_numpy(), abs=0.05)
    assert whole["rank"].tolist() == truth.laps["lap_time"].rank().astype(int).tolist()
    assert whole["speed_difference"].max() == 0.0
    assert (whole["speed_difference"] <= 0).all()
    assert table["speed_difference_uncertainty"].min() == 0.0
    out = table[table["lap"] == 0].iloc[0]
    assert np.isnan(out["lap_time"])
    assert out["rank"] is pd.NA
    assert np.isfinite(out["speed_at_line"])


def test_columns_are_in_the_glossary() -> None:
    assert [name for name in LINE_SPEED_COLUMNS if dimension_of(name) is None] == []


def test_a_recording_without_a_whole_lap(run) -> None:
    session, truth = run
    samples = session.recording.samples
    part = samples[samples["time"] < samples["time"].iloc[0] + 10.0].reset_index(drop=True)
    short = Session(Recording(part, Provenance("part.csv")), start_line=truth.track.start_line)
    table = line_speed(short)
    assert list(table.columns) == list(LINE_SPEED_COLUMNS)
    assert table["rank"].isna().all()
    assert table["speed_difference"].isna().all()
    pd.testing.assert_series_equal(table.dtypes, line_speed(session).dtypes)


def test_a_lap_that_was_spoilt_has_no_rank(run) -> None:
    session, truth = run
    fastest = session.best_number()
    marks = pd.DataFrame(
        [(fastest, "tow", 10.0, 90.0, -0.1)], columns=["lap", "kind", "start_distance", "end_distance", "time_lost"]
    )
    table = line_speed(session.marked(marks)).set_index("lap")
    assert table.loc[fastest, "rank"] is pd.NA
    assert sorted(table["rank"].dropna()) == list(range(1, len(truth.laps)))
