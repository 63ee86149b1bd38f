"""Corner speeds and times on motions worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from lapkit import Recording, Session, simulate
from lapkit.analysers.lap.corners import CORNER_COLUMNS, corners
from lapkit.channels import dimension_of
from lapkit.errors import ColumnError, FrameError, LapError
from lapkit.model.recording import Provenance

FINE = np.arange(0.0, 12.0, 0.0005)


def samples_of(speed_at, *, rate: float = 20.0, phase: float = 0.0) -> pd.DataFrame:
    """Samples of a motion given as speed over time; place is its integral."""
    place = np.concatenate([[0.0], np.cumsum(0.5 * (speed_at(FINE)[1:] + speed_at(FINE)[:-1])) * 0.0005])
    time = np.arange(phase / rate, 12.0, 1 / rate)
    table = pd.DataFrame({"time": time, "distance": np.interp(time, FINE, place), "speed": speed_at(time)})
    table.attrs.update(lap=3, source="made up.csv", place_error=0.0)
    return table


def hairpin(time: np.ndarray) -> np.ndarray:
    """Braking at 8 m/s2 from 50 to 10 m/s at 5.03 s, then 4 m/s2."""
    return np.clip(10 + np.where(time < 5.03, 8 * (5.03 - time), 4 * (time - 5.03)), 0, 50)


WHERE = [{"corner": "1", "start_distance": 130.0, "end_distance": 260.0, "direction": "left", "radius": 12.0}]


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("phase", [0.0, 0.37, 0.81])
def test_a_hairpin_between_samples(rate: float, phase: float) -> None:
    table = corners(samples_of(hairpin, rate=rate, phase=phase), where=WHERE)
    row = table.iloc[0]
    assert (row["lap"], row["corner"], row["direction"], row["radius"]) == (3, "1", "left", 12.0)
    assert row["min_speed"] == pytest.approx(10.0, abs=0.02)
    place = np.concatenate([[0.0], np.cumsum(hairpin(FINE))[:-1] * 0.0005])
    assert row["min_speed_distance"] == pytest.approx(np.interp(5.03, FINE, place), abs=0.3)
    t_in, t_out = np.interp([130.0, 260.0], place, FINE)
    assert row["corner_time"] == pytest.approx(t_out - t_in, abs=0.002)
    assert [row["entry_speed"], row["exit_speed"]] == pytest.approx(hairpin(np.array([t_in, t_out])), abs=0.1)
    assert row["min_speed_uncertainty"] < 0.1


def test_constant_speed_is_uncertain_in_place_and_sure_in_speed() -> None:
    samples = samples_of(lambda t: np.full_like(t, 30.0))
    row = corners(samples, where=[{"corner": "9", "start_distance": 60.0, "end_distance": 210.0}]).iloc[0]
    assert row["min_speed"] == pytest.approx(30)
    assert row["corner_time"] == pytest.approx(5.0, abs=1e-6)
    assert row["min_speed_distance_uncertainty"] > 40
    assert (row["direction"], np.isnan(row["radius"])) == ("", True)


def test_a_speed_that_only_falls_is_lowest_at_the_end() -> None:
    row = corners(samples_of(lambda t: 50 - 2 * t), where=WHERE).iloc[0]
    assert row["min_speed"] == row["exit_speed"]
    assert row["min_speed_distance"] == pytest.approx(260.0)


def test_position_error_makes_the_time_uncertain() -> None:
    samples = samples_of(lambda t: np.full_like(t, 20.0))
    samples.attrs["place_error"] = 0.5
    row = corners(samples, where=[{"corner": "1", "start_distance": 40.0, "end_distance": 100.0}]).iloc[0]
    assert row["corner_time_uncertainty"] == pytest.approx(np.sqrt(2) * 0.5 / 20)
    assert row["min_speed_distance_uncertainty"] >= 0.5


def test_corners_beyond_the_data_are_left_out() -> None:
    samples = samples_of(hairpin)
    end = float(samples["distance"].iloc[-1])
    where = [*WHERE, {"corner": "2", "start_distance": end - 10, "end_distance": end + 100}]
    assert corners(samples, where=where)["corner"].tolist() == ["1"]


def test_a_hole_in_a_corner_hides_its_lowest_speed_and_at_its_edge_the_corner() -> None:
    samples = samples_of(hairpin)
    row = corners(samples[~samples["time"].between(4.5, 5.5)], where=WHERE).iloc[0]
    assert np.isnan([row["min_speed"], row["min_speed_distance"], row["min_speed_uncertainty"]]).all()
    assert np.isfinite([row["entry_speed"], row["exit_speed"], row["corner_time"]]).all()
    at = float(np.interp(130.0, samples["distance"], samples["time"]))
    assert corners(samples[~samples["time"].between(at - 0.5, at + 0.5)], where=WHERE).empty


def test_the_frame_carries_its_corners() -> None:
    samples = samples_of(hairpin, rate=50)
    place = np.arange(1.0, samples["distance"].iloc[-1])
    frame = pd.DataFrame(
        {name: np.interp(place, samples["distance"], samples[name]) for name in ("time", "speed")},
        index=pd.Index(place, name="distance"),
    )
    frame.attrs.update(lap=5, corners=WHERE, sample_interval=0.02, place_error=0.1)
    table = corners(frame)
    assert table[["lap", "corner"]].to_numpy().tolist() == [[5, "1"]]
    assert table["min_speed"].iloc[0] == pytest.approx(10.0, abs=0.1)
    frame.attrs["corners"] = []
    assert corners(frame).empty


def session() -> Session:
    samples, truth = simulate.stint(laps=3, rate=50.0, seed=4)
    return Session(Recording(samples, Provenance("run.csv")), start_line=truth.track.start_line)


def test_a_session_measures_every_lap_between_the_same_boundaries() -> None:
    run = session()
    table = corners(run)
    whole = table[table["lap"].isin([1, 2, 3])]
    assert whole.groupby("lap").size().tolist() == [2, 2, 2]
    assert whole.groupby("corner")["start_distance"].nunique().tolist() == [1, 1]
    assert (whole["min_speed"] <= whole[["entry_speed", "exit_speed"]].min(axis=1) + 1e-9).all()
    assert whole["min_speed_distance"].between(whole["start_distance"], whole["end_distance"]).all()
    assert set(whole["direction"]) == {"left"}
    one = corners(run, lap=2)
    pd.testing.assert_frame_equal(one, table[table["lap"] == 2].reset_index(drop=True))
    frame = corners(run.lap(2))
    assert frame["min_speed"].to_numpy() == pytest.approx(one["min_speed"].to_numpy(), abs=0.02)
    assert frame["corner_time"].to_numpy() == pytest.approx(one["corner_time"].to_numpy(), abs=1e-3)


def test_same_columns_when_empty_and_all_in_the_glossary() -> None:
    samples = samples_of(hairpin)
    empty, full = corners(samples, where=[]), corners(samples, where=WHERE)
    assert list(empty.columns) == list(full.columns) == list(CORNER_COLUMNS)
    assert empty.dtypes.equals(full.dtypes)
    assert [name for name in CORNER_COLUMNS if dimension_of(name) is None] == []


def test_errors_say_what_is_missing() -> None:
    samples = samples_of(hairpin)
    with pytest.raises(FrameError, match=r"made up.csv: the lap does not carry its corners \(attrs\['corners'\]\)"):
        corners(samples)
    with pytest.raises(FrameError, match="where: there is no end_distance"):
        corners(samples, where=[{"corner": "1", "start_distance": 3.0}])
    with pytest.raises(ColumnError, match="corners need the channel 'speed'"):
        corners(samples.drop(columns="speed"), where=WHERE)
    with pytest.raises(LapError, match="there is no lap 4; the recording has laps 3"):
        corners(samples, lap=4, where=WHERE)


def test_the_callers_table_is_left_alone() -> None:
    samples, where = samples_of(hairpin), pd.DataFrame(WHERE)
    before, asked = samples.copy(), where.copy()
    corners(samples, where=where)
    pd.testing.assert_frame_equal(samples, before)
    pd.testing.assert_frame_equal(where, asked)


@pytest.mark.parametrize("shares", [(0.5, 0.5), (0.5, 0.2), (0.0, 1.0), 5, (0.2,)])
def test_turn_in_shares_rise(shares: object) -> None:
    with pytest.raises(FrameError, match=r"turn_in_shares=.*expected two rising shares between 0 and 1"):
        corners(session(), turn_in_shares=shares)


def test_a_radius_of_nothing_is_not_known() -> None:
    run = session()
    table = corners(run.lap(1), where=run.track.corners.assign(radius=0.0))
    assert len(table) == len(run.track.corners)
    assert table["radius"].isna().all()
    assert np.isfinite(table["corner_time_uncertainty"]).all()


def test_samples_are_read_where_they_are_and_never_changed(monkeypatch: pytest.MonkeyPatch) -> None:
    run = session()
    before = run.recording.samples.copy()
    shared = run.placed_samples()
    assert np.shares_memory(shared["speed"].to_numpy(), run.recording.samples["speed"].to_numpy())
    pd.testing.assert_frame_equal(run.samples(), shared)
    given = run.samples()
    assert not np.shares_memory(given["speed"].to_numpy(), shared["speed"].to_numpy())
    monkeypatch.setattr(Session, "samples", None)  # a copy of the whole recording took most of the time
    assert len(corners(run))
    pd.testing.assert_frame_equal(run.recording.samples, before)
