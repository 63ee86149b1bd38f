"""Delta and losses: identities that hold exactly, and laps worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import session_of

from lapkit import ledger
from lapkit.analysers.lap.delta import DELTA_COLUMNS, LOSS_COLUMNS, delta, losses
from lapkit.channels import dimension_of
from lapkit.errors import FrameError
from lapkit.simulate import drive, oval, oval_driver, record
from lapkit.simulate.demo import OVAL_CAR
from lapkit.simulate.driver import run_scripts

CORNERS = [
    {
        "corner": "1",
        "start_distance": 100.0,
        "apex_distance": 150.0,
        "end_distance": 200.0,
        "direction": "left",
        "radius": 40.0,
    },
    {
        "corner": "2",
        "start_distance": 300.0,
        "apex_distance": 330.0,
        "end_distance": 400.0,
        "direction": "left",
        "radius": 50.0,
    },
]


def frame(
    speed, *, length: float = 500.4, step: float = 1.0, lap: int = 1, source: str = "run.csv", sigma: float = 0.002,
    place_error: float = 0.0,
) -> pd.DataFrame:  # fmt: skip
    """A lap at a speed given over the place; its times are sums of step / speed."""
    place = np.arange(int(length / step * (1 + 1e-12)) + 1) * step
    values = np.broadcast_to(speed(place) if callable(speed) else speed, place.shape).astype(float)
    time = np.concatenate([[0.0], np.cumsum(step / (0.5 * (values[1:] + values[:-1])))])
    out = pd.DataFrame({"time": time, "speed": values}, index=pd.Index(place, name="distance"))
    out.attrs.update(
        lap=lap, source=source, lap_time=float(time[-1] + (length - place[-1]) / values[-1]), lap_time_uncertainty=sigma,
        track_length=length, step=step, sample_interval=0.02, place_error=place_error, corners=CORNERS,
    )  # fmt: skip
    return out


def wavy(seed: int, length: float = 500.4) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    a, b, c = rng.uniform(1, 8, 3)
    return frame(lambda s: 40 + a * np.sin(s / 40 + b) + c * np.cos(s / 90), lap=seed, length=length)


@settings(max_examples=40, deadline=None)
@given(first=st.integers(1, 999), second=st.integers(1, 999), length=st.sampled_from([500.0, 500.4, 731.9]))
def test_identities_hold_exactly(first: int, second: int, length: float) -> None:
    a, b = wavy(first, length), wavy(second, length)
    there, back = delta(a, b), delta(b, a)
    for name in ("delta", "delta_rate"):
        assert (there[name].to_numpy() == -back[name].to_numpy()).all()
    assert (there["delta_uncertainty"] == back["delta_uncertainty"]).all()
    assert (delta(a, a)["delta"] == 0).all()
    assert there.index[-1] == length
    assert there["delta"].iloc[-1] == a.attrs["lap_time"] - b.attrs["lap_time"]
    assert there.index.is_monotonic_increasing
    assert there.index.is_unique
    total = losses(there, count=None)["time_lost"].sum()
    assert total == pytest.approx(there["delta"].iloc[-1], abs=1e-12)


def test_five_metres_a_second_slower_loses_a_second_in_a_hundred_metres() -> None:
    """100 m at 20 m/s take 5 s, at 25 m/s 4 s."""
    table = delta(frame(20.0), frame(25.0))
    assert table["delta_rate"].to_numpy() == pytest.approx(np.ones(len(table)))
    assert table["delta"].loc[300.0] == pytest.approx(3.0)
    assert list(table.columns) == list(DELTA_COLUMNS)
    assert table.index.name == "distance"


def test_rate_is_a_slope_over_the_window() -> None:
    slow = frame(lambda s: np.where((s >= 200) & (s < 210), 10.0, 40.0))
    narrow, wide = (delta(slow, frame(40.0), rate_window=w)["delta_rate"] for w in (10.0, 100.0))
    assert narrow.max() > 5 * wide.max()
    assert narrow.loc[100.0] == pytest.approx(0, abs=1e-9)


def test_uncertainty_is_nothing_at_the_start_and_both_lap_times_at_the_line() -> None:
    table = delta(frame(40.0, sigma=0.003, place_error=0.2), frame(41.0, sigma=0.004, place_error=0.2))
    sigma = table["delta_uncertainty"]
    assert sigma.iloc[0] == 0.0
    assert sigma.iloc[-1] == pytest.approx(0.005)
    assert sigma.iloc[-2] == pytest.approx(0.005, rel=0.2)
    middle = np.sqrt(0.005**2 / 2 + (0.2 / 40) ** 2 + (0.2 / 41) ** 2)
    assert sigma.loc[250.0] == pytest.approx(middle, rel=0.01)


def test_holes_are_not_bridged() -> None:
    torn = frame(40.0)
    torn.loc[120:160] = np.nan
    table = delta(torn, frame(41.0))
    assert table.loc[120:160].isna().all(axis=None)
    assert table["delta"].loc[161:].notna().all()
    assert table["delta_rate"].loc[200:].notna().all()
    places = losses(table, count=None)
    assert "corner 1" in places["segment"].tolist()  # its edges at 100 and 200 m are known
    assert places["time_lost"].sum() == pytest.approx(table["delta"].iloc[-1])
    torn.loc[160:210] = np.nan
    places = losses(delta(torn, frame(41.0)), count=None)
    assert "corner 1 + straight after corner 1" in places["segment"].tolist()
    assert places["time_lost"].sum() == pytest.approx(table["delta"].iloc[-1])


def test_a_lap_without_a_time_has_no_delta_at_the_line() -> None:
    part = frame(40.0)
    part.attrs["lap_time"] = None
    table = delta(part, frame(41.0))
    assert np.isnan(table["delta"].iloc[-1])
    assert np.isnan(table["delta_uncertainty"].iloc[-1])
    assert table["delta"].iloc[:-1].notna().all()
    last = losses(table, count=None).iloc[-1]
    assert last["segment"] == "straight after corner 2"
    assert np.isnan(last["time_lost"])


def test_two_recordings_of_one_track_are_compared_by_the_fraction_of_the_lap() -> None:
    a, b = frame(40.0, length=500.0), frame(40.0, length=505.0, source="other.csv")
    table = delta(a, b)
    assert table.index[-1] == 500.0
    assert table["delta"].loc[250.0] == pytest.approx(250 / 40 - 252.5 / 40)
    assert table["delta"].iloc[-1] == pytest.approx(-5 / 40)
    assert "compared as fractions of the lap" in table.attrs["note"]
    back = delta(b, a)
    assert (back["delta"].to_numpy() == -table["delta"].to_numpy()).all()
    assert back.attrs["corners"][0]["start_distance"] == pytest.approx(100 * 500 / 505)
    assert back.attrs["corners"][0]["radius"] == 40.0
    assert "note" not in delta(a, a).attrs


def test_frames_that_do_not_fit_are_refused() -> None:
    with pytest.raises(FrameError, match=r"lap 1 of run.csv has a step of 1 m, lap 1 of run.csv of 2 m"):
        delta(frame(40.0), frame(40.0, step=2.0))
    with pytest.raises(
        FrameError, match=r"different tracks: lap 1 of run.csv is 500.4 m round, .* 600.0 m, more than 2 % apart"
    ):
        delta(frame(40.0), frame(40.0, length=600.0))
    with pytest.raises(FrameError, match="rows do not lie at every 1 m from line to line"):
        delta(frame(40.0).iloc[5:], frame(40.0))
    with pytest.raises(FrameError, match="needs a lap frame with the column 'time'"):
        delta(frame(40.0).drop(columns="time"), frame(40.0))
    lost = frame(40.0)
    lost.attrs.clear()
    with pytest.raises(FrameError, match="does not say its 'lap'"):
        delta(lost, frame(40.0))


def test_without_speed_the_uncertainty_comes_from_the_times() -> None:
    a, b = frame(40.0, place_error=0.2), frame(41.0, place_error=0.2)
    bare = delta(a.drop(columns="speed"), b.drop(columns="speed"))
    assert bare["delta_uncertainty"].to_numpy() == pytest.approx(delta(a, b)["delta_uncertainty"].to_numpy(), rel=0.01)


# -------------------------------------------------------------------------- losses


def test_where_the_time_went() -> None:
    """50 m at 20 instead of 40 m/s inside corner 2 cost 50 / 20 - 50 / 40 = 1.25 s; nothing else differs."""
    slow = frame(lambda s: np.where((s >= 340) & (s < 390), 20.0, 40.0))
    table = losses(delta(slow, frame(40.0)))
    assert table["segment"].iloc[0] == "corner 2"
    assert table["time_lost"].iloc[0] == pytest.approx(1.25, abs=0.02)
    assert len(table) == 3
    assert list(table.columns) == list(LOSS_COLUMNS)
    everything = losses(delta(slow, frame(40.0)), count=None)
    assert everything["time_lost"].is_monotonic_decreasing
    assert sorted(everything["start_distance"]) == [0.0, 100.0, 200.0, 300.0, 400.0]


def test_what_both_edges_share_does_not_count_twice() -> None:
    table = delta(frame(40.0, sigma=0.05), frame(41.0, sigma=0.05))
    places = losses(table, count=None).set_index("segment")["time_lost_uncertainty"]
    assert places["corner 2"] < 0.01  # the crossings' errors move both of its edges alike
    assert places["straight before corner 1"] == pytest.approx(0.05, rel=0.05)
    assert places["straight after corner 2"] == pytest.approx(0.05, rel=0.05)


def test_other_corners_or_none() -> None:
    table = delta(frame(40.0), frame(41.0))
    mine = pd.DataFrame({"corner": ["A"], "start_distance": [50.0], "end_distance": [80.5]})
    assert set(losses(table, corners=mine)["segment"]) == {
        "straight before corner A",
        "corner A",
        "straight after corner A",
    }
    assert losses(table, corners=[], count=None)["segment"].str.startswith("part ").all()
    with pytest.raises(FrameError, match="corners: there is no end_distance"):
        losses(table, corners=mine.drop(columns="end_distance"))
    with pytest.raises(FrameError, match=r"losses needs the table that delta\(lap, reference\) returns"):
        losses(frame(40.0))


def test_columns_are_in_the_glossary_and_frames_left_alone() -> None:
    assert [name for name in (*DELTA_COLUMNS, *LOSS_COLUMNS) if dimension_of(name) is None] == []
    a, b = frame(40.0), frame(41.0)
    copy, attrs = a.copy(), dict(a.attrs)
    losses(delta(a, b))
    pd.testing.assert_frame_equal(a, copy)
    assert a.attrs == attrs
    assert a.attrs["corners"] == CORNERS


def test_laps_that_count_from_different_lines_are_refused() -> None:
    """Half a lap apart an oval looks the same: only position tells."""
    truth = drive(
        oval(), OVAL_CAR, run_scripts(oval_driver(oval()), 3, np.random.default_rng(1), 0.0), start_speed=44.0
    )
    samples = record(truth, 25.0)
    line = truth.track.start_line
    one = session_of(samples, source="one.csv", start_line=line)
    there = samples.iloc[(samples["time"] - samples["time"].iloc[0] - 20.0).abs().argmin()]
    other = session_of(samples, source="other.csv", start_line=[float(there["x"]), float(there["y"])])
    with pytest.raises(FrameError, match="the lines lie at different places"):
        delta(one.best(), other.best())
    with pytest.raises(FrameError, match="the lines lie at different places"):
        ledger(one.best(), other.best())
    shifted = samples.assign(x=samples["x"] + 5000.0, y=samples["y"] - 900.0)  # another origin is no other line
    start = (line[0] + 5000.0, line[1] - 900.0, line[2])
    delta(one.best(), session_of(shifted, source="third.csv", start_line=start).best())


def test_no_memory_and_too_short_a_table() -> None:
    table = delta(frame(40.0), frame(41.0), memory=0.0)
    assert np.isfinite(table["delta_uncertainty"]).all()
    short = table.iloc[:1]
    short.attrs = table.attrs
    with pytest.raises(FrameError, match="it has no second row"):
        losses(short)
