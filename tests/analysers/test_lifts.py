"""Lifts on pedal traces worked out by hand."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import lapkit.analysers.lap.lifts as module
from lapkit import Recording, Session
from lapkit.analysers.lap.lifts import EITHER, LIFT_COLUMNS, lifts
from lapkit.channels import dimension_of
from lapkit.errors import ColumnError, DataWarning, FrameError, LapError
from lapkit.model.recording import Provenance


def lap_of(
    knots: list[tuple[float, float]], *, rate: float = 50.0, until: float = 12.0, phase: float = 0.0, **columns: object
) -> pd.DataFrame:
    """Samples of one lap with a pedal that goes through (time, throttle) in straight lines."""
    time = np.arange(phase / rate, until, 1 / rate)
    throttle = np.interp(time, *zip(*knots, strict=True))
    speed = 40 - 4 * np.cumsum(1 - throttle) / rate
    table = pd.DataFrame({"time": time, "distance": np.cumsum(speed) / rate, "speed": speed, "throttle": throttle})
    for name, values in columns.items():
        table[name] = values(time) if callable(values) else values
    table.attrs.update(lap=7, source="made up.csv", full_throttle=1.0)
    return table


TRAPEZIUM = [(4.03, 1.0), (4.23, 0.2), (5.03, 0.2), (5.35, 1.0)]
"""Down in 0.2 s, 0.8 s at 20 %, up in 0.32 s: 1.32 s, and 0.8 x (0.8 + (0.2 + 0.32) / 2) = 0.848 s fully off."""


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
@pytest.mark.parametrize("phase", [0.0, 0.3, 0.7])
def test_every_number_of_a_trapezium(rate: float, phase: float) -> None:
    samples = lap_of(TRAPEZIUM, rate=rate, phase=phase)
    table = lifts(samples)
    assert len(table) == 1
    lift = table.iloc[0]
    half = 0.5 / rate
    assert (lift["lap"], lift["lift"], lift["kind"], lift["truncated"]) == (7, 1, "lift", False)
    assert lift["start_time"] == pytest.approx(4.03, abs=half)
    assert lift["end_time"] == pytest.approx(5.35, abs=half)
    assert lift["duration"] == pytest.approx(1.32, abs=half)
    assert lift["time_to_lowest"] == pytest.approx(0.2, abs=half)
    assert lift["hold_time"] == pytest.approx(0.8, abs=2 * half)
    assert lift["recovery_time"] == pytest.approx(0.32, abs=half)
    assert lift["time_to_lowest"] + lift["hold_time"] + lift["recovery_time"] == pytest.approx(lift["duration"])
    assert lift["min_throttle"] == pytest.approx(0.2)
    assert lift["full_lift_time"] == pytest.approx(0.848, abs=max(3 * lift["full_lift_time_uncertainty"], 1e-3))
    place = np.interp([4.03, 5.35], samples["time"], samples["distance"])
    assert [lift["start_distance"], lift["end_distance"]] == pytest.approx(place, abs=40 * half)
    assert lift["speed_lost"] == pytest.approx(4 * 0.848, rel=0.05)
    assert lift["duration_uncertainty"] < 0.5 / rate


@settings(max_examples=60, deadline=None)
@given(
    begin=st.floats(2.0, 3.0), down=st.floats(0.21, 0.6), hold=st.floats(0.2, 1.5), up=st.floats(0.21, 0.8),
    low=st.floats(0.0, 0.85), full=st.floats(0.9, 1.0), rate=st.sampled_from([10, 25, 60, 100]),
)  # fmt: skip
def test_within_half_a_sample_at_any_rate_depth_and_scale(
    begin: float, down: float, hold: float, up: float, low: float, full: float, rate: int
) -> None:
    knots = [
        (begin, full),
        (begin + down, low * full),
        (begin + down + hold, low * full),
        (begin + down + hold + up, full),
    ]
    samples = lap_of(knots, rate=rate)
    samples.attrs["full_throttle"] = full
    table = lifts(samples)
    assert len(table) == 1
    assert abs(table["duration"].iloc[0] - (down + hold + up)) <= 0.5 / rate
    assert abs(table["min_throttle"].iloc[0] - low * full) < 1e-6


def test_shifting_the_clock_shifts_nothing() -> None:
    samples = lap_of(TRAPEZIUM)
    moved = samples.assign(time=samples["time"] + 1000.0)
    a, b = lifts(samples), lifts(moved)
    assert b["start_time"].to_numpy() == pytest.approx(a["start_time"].to_numpy() + 1000)
    assert b["duration"].to_numpy() == pytest.approx(a["duration"].to_numpy(), abs=1e-9)


def test_edge_is_where_the_ends_are_measured() -> None:
    table = lifts(lap_of(TRAPEZIUM), edge=0.05)
    assert table["start_time"].iloc[0] == pytest.approx(4.03 + 0.2 * 0.05 / 0.8, abs=1e-6)
    assert table["end_time"].iloc[0] == pytest.approx(5.35 - 0.32 * 0.05 / 0.8, abs=1e-6)


def test_full_throttle_is_learnt_and_98_7_percent_may_be_all_there_is() -> None:
    samples = lap_of([(t, 0.987 * v) for t, v in TRAPEZIUM])
    del samples.attrs["full_throttle"]
    table = lifts(samples)
    assert table["duration"].to_numpy() == pytest.approx([1.32], abs=0.005)
    assert table["full_lift_time"].to_numpy() == pytest.approx([0.848], abs=0.005)


def test_never_at_full_throttle_is_said_and_no_lift_invented() -> None:
    rng = np.random.default_rng(2)
    samples = lap_of([(0.0, 0.3)]).assign(throttle=lambda t: 0.3 + 0.12 * rng.beta(2, 2, len(t)))
    del samples.attrs["full_throttle"]
    with pytest.warns(DataWarning, match=r"made up.csv: the throttle never stays at full \(it reaches 4\d %\)"):
        table = lifts(samples)
    assert table.empty
    assert "say so with full_throttle=" in table.attrs["note"]
    assert not lifts(
        samples.assign(throttle=lambda t: t["throttle"].where(t["time"] < 6, 0.1)), full_throttle=0.42
    ).empty


def test_sensor_noise_makes_no_lifts_and_breaks_none() -> None:
    rng = np.random.default_rng(4)
    samples = lap_of(TRAPEZIUM, rate=100)
    noisy = samples.assign(throttle=np.round(np.clip(samples["throttle"] + rng.normal(0, 0.01, len(samples)), 0, 1), 2))
    table = lifts(noisy)
    assert len(table) == 1
    assert abs(table["duration"].iloc[0] - 1.32) <= 3 * table["duration_uncertainty"].iloc[0]
    assert table["duration_uncertainty"].iloc[0] > lifts(samples)["duration_uncertainty"].iloc[0]
    flat = samples.assign(throttle=np.clip(1 + rng.normal(0, 0.02, len(samples)), 0, 1))
    flat.attrs = dict(samples.attrs)
    assert lifts(flat).empty


def test_a_touch_less_than_the_threshold_is_no_lift() -> None:
    assert lifts(lap_of([(4.0, 1.0), (4.2, 0.96), (4.6, 0.96), (4.8, 1.0)])).empty
    assert len(lifts(lap_of([(4.0, 1.0), (4.2, 0.93), (4.6, 0.93), (4.8, 1.0)]))) == 1
    assert lifts(lap_of([(4.0, 1.0), (4.2, 0.93), (4.6, 0.93), (4.8, 1.0)]), threshold=0.1).empty


def test_a_flicker_of_one_sample_is_no_lift() -> None:
    samples = lap_of([(0.0, 1.0)], rate=100)
    samples.loc[400, "throttle"] = 0.0
    assert lifts(samples).empty
    assert len(lifts(samples, min_duration=0.0)) == 1


def test_lifts_are_numbered_and_a_wavering_foot_is_one_lift() -> None:
    wavering = [(4.0, 1.0), (4.2, 0.2), (4.5, 0.7), (4.8, 0.3), (5.0, 0.9), (5.2, 0.5), (5.5, 1.0)]
    table = lifts(lap_of([*wavering, (8.0, 1.0), (8.2, 0.5), (8.4, 1.0)]))
    assert table["lift"].tolist() == [1, 2]
    assert table["duration"].to_numpy() == pytest.approx([1.5, 0.4], abs=0.01)


# ----------------------------------------------------------------------- shift cuts

CUT = [(4.0, 1.0), (4.02, 0.15), (4.07, 0.15), (4.1, 1.0)]


def test_shift_cut_by_gear() -> None:
    gear = lap_of(CUT, rate=100, gear=lambda t: np.where(t < 4.05, 3, 4))
    assert lifts(gear)["kind"].tolist() == ["shift cut"]


def test_shift_cut_by_engine_speed_where_there_is_no_gear() -> None:
    samples = lap_of(CUT, rate=100)
    samples["engine_speed"] = samples["speed"] * np.where(samples["time"] < 4.05, 18.6, 15.0)
    assert lifts(samples)["kind"].tolist() == ["shift cut"]
    samples["engine_speed"] = samples["speed"] * 15.0
    assert lifts(samples)["kind"].tolist() == ["lift"]


def test_a_brief_partial_lift_in_one_gear_is_a_lift() -> None:
    brief = [(4.0, 1.0), (4.05, 0.5), (4.12, 0.5), (4.2, 1.0)]
    assert lifts(lap_of(brief, rate=100, gear=4))["kind"].tolist() == ["lift"]
    assert lifts(lap_of(brief, rate=100))["kind"].tolist() == ["lift"]  # nothing says it was a shift
    down = lap_of(brief, rate=100, gear=lambda t: np.where(t < 4.05, 4, 3))
    assert lifts(down)["kind"].tolist() == ["lift"]


def speeding_up(*cuts: tuple[int, float], laps: int = 4, rate: float = 20.0, **columns: object) -> Session:
    """Laps of 1000 m that begin at 30 m/s and gain 1.5 m/s each second, with throttle cuts of 0.1 s: (lap, s after the line)."""
    begins = np.arange(0.0, 1e3, 1000.0 / 49.3)[: laps + 1]
    time = np.arange(0.0, begins[-1], 1 / rate)
    lap = np.searchsorted(begins, time, side="right")
    own = time - begins[lap - 1]
    speed = 30.0 + 1.5 * own + 0.7 * np.cos(own)
    at = begins[np.array([number for number, _ in cuts]) - 1] + [when for _, when in cuts]
    throttle = 1.0 - 0.9 * (np.abs(time[:, None] - at - 0.01) < 0.06).any(axis=1)
    table = pd.DataFrame({"time": time, "lap": lap, "speed": speed, "throttle": throttle})
    for name, values in columns.items():
        table[name] = values(time) if callable(values) else values
    return Session(Recording(table, Provenance("made up.csv")))


CHANGES = [(number, 10.0) for number in (1, 2, 3, 4)]


def test_a_cut_at_rising_speed_each_lap_may_be_a_gear_change() -> None:
    table = lifts(speeding_up(*CHANGES))
    assert table["kind"].tolist() == [EITHER] * 4  # marked, not left out
    assert (table["duration"] < 0.25).all()


def test_a_cut_that_other_laps_have_not_is_a_lift() -> None:
    table = lifts(speeding_up(*CHANGES, (2, 15.0)))
    assert table["kind"].tolist() == [EITHER, EITHER, "lift", EITHER, EITHER]


def test_a_cut_is_no_doubt_where_gear_or_engine_speed_tells() -> None:
    assert set(lifts(speeding_up(*CHANGES, gear=4))["kind"]) == {"lift"}
    assert set(lifts(speeding_up(*CHANGES, engine_speed=lambda time: 500.0 + time))["kind"]) == {"lift"}


def test_a_cut_at_falling_speed_or_with_the_brake_is_a_lift() -> None:
    slowing = speeding_up(*CHANGES, speed=lambda time: 60.0 - 0.1 * time)
    assert set(lifts(slowing)["kind"]) == {"lift"}
    assert set(lifts(speeding_up(*CHANGES, brake=0.5))["kind"]) == {"lift"}


def test_one_lap_alone_is_doubted_too() -> None:
    assert lifts(speeding_up(*CHANGES).lap(2))["kind"].tolist() == [EITHER]


def test_a_long_lift_with_a_shift_in_it_is_a_lift() -> None:
    assert lifts(lap_of(TRAPEZIUM, gear=lambda t: np.where(t < 4.6, 3, 4)))["kind"].tolist() == ["lift"]
    assert lifts(lap_of(CUT, rate=100, gear=lambda t: np.where(t < 4.05, 3, 4)), shift_cut_time=0.05)[
        "kind"
    ].tolist() == ["lift"]


# ------------------------------------------------------------------------------ brake


def test_whether_the_brake_joined() -> None:
    on = lap_of(TRAPEZIUM, brake=lambda t: np.interp(t, [4.3, 4.4, 4.8, 4.9], [0, 0.6, 0.6, 0]))
    assert lifts(on)["brake_used"].tolist() == [True]
    assert lifts(lap_of(TRAPEZIUM, brake=0.01))["brake_used"].tolist() == [False]
    pressure = lap_of(TRAPEZIUM, brake_pressure=lambda t: 1.2e5 + np.where((t > 4.4) & (t < 4.8), 2e6, 0))
    assert lifts(pressure)["brake_used"].tolist() == [True]
    assert lifts(lap_of(TRAPEZIUM, brake_pressure=1.8e6))["brake_used"].tolist() == [False]  # the pressure at rest
    assert lifts(lap_of(TRAPEZIUM))["brake_used"].isna().tolist() == [True]


# ------------------------------------------------------------------------------ holes


def test_a_lift_cut_by_a_hole_is_two_truncated_parts() -> None:
    samples = lap_of(TRAPEZIUM)
    torn = samples[~samples["time"].between(4.5, 4.8)].reset_index(drop=True)
    table = lifts(torn)
    assert table["truncated"].tolist() == [True, True]
    assert table["start_time"].iloc[0] == pytest.approx(4.03, abs=0.005)
    assert table["end_time"].iloc[0] <= 4.5
    assert table["start_time"].iloc[1] >= 4.8
    blank = samples.assign(throttle=samples["throttle"].where(~samples["time"].between(4.5, 4.8)))
    assert lifts(blank)["truncated"].tolist() == [True, True]
    assert lifts(torn, max_gap=0.5)["truncated"].tolist() == [False]


def test_a_lift_at_either_end_of_the_data_is_truncated() -> None:
    table = lifts(lap_of([(0.0, 0.3), (1.0, 0.3), (1.3, 1.0), (11.0, 1.0), (11.3, 0.4)]))
    assert table["truncated"].tolist() == [True, True]
    assert table["start_time"].iloc[0] == 0.0
    assert table["end_time"].iloc[1] == pytest.approx(11.98)


def test_throttle_at_a_slower_rate_than_the_table() -> None:
    samples = lap_of(TRAPEZIUM, rate=100)
    slow = samples.assign(throttle=samples["throttle"].where(np.arange(len(samples)) % 5 == 0))
    table = lifts(slow)
    assert table["truncated"].tolist() == [False]
    assert table["duration"].iloc[0] == pytest.approx(1.32, abs=0.025)
    assert table["duration_uncertainty"].iloc[0] > lifts(samples)["duration_uncertainty"].iloc[0]


# ------------------------------------------------------------------ frames and sessions


@pytest.mark.parametrize("rate", [10.0, 20.0, 50.0, 100.0])
def test_a_lap_frame_says_nearly_the_same_as_its_samples(rate: float) -> None:
    samples = lap_of(TRAPEZIUM, rate=rate)
    place = np.arange(np.ceil(samples["distance"].iloc[0]), samples["distance"].iloc[-1])
    frame = pd.DataFrame(
        {name: np.interp(place, samples["distance"], samples[name]) for name in ("time", "speed", "throttle")},
        index=pd.Index(place, name="distance"),
    )
    frame.attrs.update(samples.attrs, sample_interval=1 / rate, place_error=0.5)
    table = lifts(frame)
    assert table["duration"].iloc[0] == pytest.approx(1.32, abs=max(0.5 / rate, 0.02))
    assert table["start_distance_uncertainty"].iloc[0] > 0.5


def test_frame_rows_in_holes_truncate() -> None:
    samples = lap_of(TRAPEZIUM)
    place = np.arange(np.ceil(samples["distance"].iloc[0]), samples["distance"].iloc[-1])
    frame = pd.DataFrame(
        {name: np.interp(place, samples["distance"], samples[name]) for name in ("time", "speed", "throttle")},
        index=pd.Index(place, name="distance"),
    )
    inside = int(np.interp(4.6, samples["time"], samples["distance"]))
    frame.loc[inside : inside + 8] = np.nan
    frame.attrs.update(full_throttle=1.0)
    assert lifts(frame)["truncated"].tolist() == [True, True]


def three_laps() -> Session:
    """A circle of 400 m driven at 40 m/s: 10 s a lap, the line crossed at 5, 15, 25 s; one lift over the line at 15 s."""
    time = np.arange(0, 30, 0.02)
    angle = (time - 5.0) * 40 / (400 / (2 * np.pi))
    radius = 400 / (2 * np.pi)
    knots = [(8.0, 1.0), (8.2, 0.4), (8.6, 0.4), (8.9, 1.0), (14.7, 1.0), (14.9, 0.3), (15.4, 0.3), (15.6, 1.0)]
    samples = pd.DataFrame(
        {
            "time": time, "x": radius * np.sin(angle), "y": radius * (1 - np.cos(angle)), "speed": 40.0,
            "throttle": np.interp(time, *zip(*knots, strict=True)),
        }
    )  # fmt: skip
    return Session(Recording(samples, Provenance("circle.csv")), start_line=(0.0, 0.0, 0.0))


def test_a_lift_over_the_line_is_whole_and_belongs_to_the_lap_it_begins_in() -> None:
    session = three_laps()
    table = lifts(session)
    assert table["lap"].tolist() == [1, 1]
    assert table["lift"].tolist() == [1, 2]
    assert table["start_time"].to_numpy() == pytest.approx([3.0, 9.7], abs=0.005)
    assert table["end_time"].to_numpy() == pytest.approx([3.9, 10.6], abs=0.005)
    assert table["end_distance"].iloc[1] == pytest.approx(424, abs=1)  # beyond the track length
    assert table["start_distance"].iloc[1] == pytest.approx(388, abs=1)
    assert not table["truncated"].any()
    assert lifts(session, lap=1).equals(table)
    assert lifts(session, lap=2).empty
    whole = lifts(session.samples(1))
    assert whole["truncated"].tolist() == [False, True]


def test_asking_for_a_lap_that_is_not_there() -> None:
    with pytest.raises(LapError, match=r"circle.csv: there is no lap 9; the recording has laps 0, 1, 2"):
        lifts(three_laps(), lap=9)


def test_no_throttle_no_time_no_distance() -> None:
    samples = lap_of(TRAPEZIUM)
    with pytest.raises(
        ColumnError, match=r"made up.csv: lifts need the channel 'throttle', and there is none \(there are: time"
    ):
        lifts(samples.drop(columns="throttle"))
    with pytest.raises(FrameError, match="the lap has no time and no distance"):
        lifts(samples[["speed", "throttle"]])
    with pytest.raises(FrameError, match="time does not increase"):
        lifts(pd.concat([samples, samples], ignore_index=True))
    with pytest.raises(FrameError, match=r"has 1 row with time and distance"):
        lifts(samples.iloc[:1])


def test_same_columns_when_empty_and_all_in_the_glossary() -> None:
    empty, full = lifts(lap_of([(0.0, 1.0)])), lifts(lap_of(TRAPEZIUM))
    assert list(empty.columns) == list(full.columns) == list(LIFT_COLUMNS)
    assert empty.dtypes.equals(full.dtypes)
    assert [name for name in LIFT_COLUMNS if dimension_of(name) is None] == []


def test_the_callers_table_is_left_alone() -> None:
    samples = lap_of(TRAPEZIUM)
    before, attrs = samples.copy(), dict(samples.attrs)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        lifts(samples)
    pd.testing.assert_frame_equal(samples, before)
    assert samples.attrs == attrs


def test_every_threshold_says_what_it_is() -> None:
    named = [name for name in vars(module) if name.isupper() and name != "LIFT_COLUMNS" and name != "TYPE_CHECKING"]
    assert len(named) >= 9


@pytest.mark.parametrize("full", [0.0, -1.0, 98.0, np.nan, "full"])
def test_full_throttle_is_a_share(full: object) -> None:
    with pytest.raises(FrameError, match="full_throttle"):
        lifts(lap_of([(1.0, 1.0), (1.5, 0.0), (2.0, 1.0)]), full_throttle=full)


def test_words_in_place_of_numbers_and_a_truth_value_for_a_lap_are_refused() -> None:
    samples = lap_of([(1.0, 1.0), (1.5, 0.0), (2.0, 1.0)])
    with pytest.raises(ColumnError, match=r"the channel 'throttle' does not hold numbers .*'full'"):
        lifts(samples.assign(throttle="full"))
    with pytest.raises(LapError, match="there is no lap True"):
        lifts(samples, lap=True)
