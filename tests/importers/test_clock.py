"""The time axis: every way to write a stamp, and every way a clock goes wrong."""

import datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from importers.invented import drive, table
from numpy.testing import assert_allclose

from lapkit.errors import ColumnError, FileError
from lapkit.importers.clock import time_axis
from lapkit.importers.columns import assign_columns
from lapkit.model.recording import Provenance


def clock_of(values, header="time", units=None, **others):
    raw = table({header: values, **(others or {"speed": np.arange(1.0, len(values) + 1)})}, units)
    log = Provenance("run.csv")
    clock = time_axis(raw, assign_columns(raw, log), log)
    clock.log = log
    return clock


# ------------------------------------------------------------------------------ writings


@pytest.mark.parametrize(
    ("unit", "size"), [("s", 1.0), ("ms", 1e3), ("us", 1e6), ("ns", 1e9), ("min", 1 / 60)], ids=str
)
@pytest.mark.parametrize("said", ["header", "units row", "nowhere"])
def test_units_of_numbers(unit, size, said):
    t = np.arange(500) * 0.02
    header = f"time [{unit}]" if said == "header" else "time"
    clock = clock_of(t * size, header, {"time": unit} if said == "units row" else None)
    assert_allclose(clock.time, t, atol=1e-9)
    assert clock.source.unit == unit
    assert clock.rows is None
    assert not clock.log.warnings


@pytest.mark.parametrize(("unit", "size"), [("s", 1.0), ("ms", 1e3), ("us", 1e6), ("ns", 1e9)], ids=str)
def test_seconds_since_1970(unit, size):
    t = np.arange(300) * 0.04
    clock = clock_of((1.7e9 + t) * size)
    assert_allclose(clock.time, t, atol=1e-6)
    assert clock.epoch == pytest.approx(1.7e9)
    assert "counted from 1970" in clock.source.reason


@given(
    st.floats(0, 3000),
    st.sampled_from([10, 20, 25, 50, 60, 100]),
    st.sampled_from(["mm:ss", "hh:mm:ss", "iso", "day first", "date time"]),
    st.booleans(),
)
@settings(max_examples=60, deadline=None)
def test_times_written_as_words(start, rate, writing, comma):
    start = round(start, 3)
    t = np.round(start + np.arange(120) / rate, 6)
    if writing == "mm:ss":
        cells = [f"{int(v // 60):02d}:{v % 60:09.6f}" for v in t]
    elif writing == "hh:mm:ss":
        cells = [f"{int(v // 3600):02d}:{int(v // 60) % 60:02d}:{v % 60:09.6f}" for v in t]
    else:
        moments = [datetime.datetime(2031, 5, 17, 10) + datetime.timedelta(seconds=float(v)) for v in t]
        form = {
            "iso": "%Y-%m-%dT%H:%M:%S.%fZ",
            "day first": "%d.%m.%Y %H:%M:%S.%f",
            "date time": "%Y-%m-%d %H:%M:%S.%f",
        }[writing]
        cells = [moment.strftime(form) for moment in moments]
    if comma:
        cells = [
            cell[:19] + cell[19:].replace(".", ",") if writing == "day first" else cell.replace(".", ",")
            for cell in cells
        ]
    clock = clock_of(cells)
    assert_allclose(clock.time, t - t[0], atol=2e-6)
    if writing == "iso":
        expected = datetime.datetime(2031, 5, 17, 10, tzinfo=datetime.UTC).timestamp() + t[0]
        assert clock.epoch == pytest.approx(expected, abs=1e-5)
    else:
        assert clock.epoch is None


@pytest.mark.parametrize(
    ("stamp", "unix"),
    [
        ("1985-04-12T23:20:50.52Z", 482196050.52),
        ("1996-12-19T16:39:57-08:00", 851042397.0),
        ("1937-01-01T12:00:27.87+00:20", -1041337172.13),
    ],
)
def test_rfc_3339_examples(stamp, unix):
    # RFC 3339 (2002), section 5.8
    zone = stamp[-1:] if stamp.endswith("Z") else stamp[-6:]
    body = datetime.datetime.fromisoformat(stamp.removesuffix(zone))
    cells = [stamp, *((body + datetime.timedelta(seconds=k / 10)).isoformat() + zone for k in range(1, 5))]
    clock = clock_of(cells)
    assert clock.epoch == pytest.approx(unix, abs=1e-6)
    assert_allclose(clock.time, np.arange(5) / 10, atol=1e-9)


def test_leap_second_is_a_missing_stamp():
    # RFC 3339 section 5.8 lists 1990-12-31T23:59:60Z; it is not told from the second after, so it is interpolated
    cells = ["1990-12-31T23:59:58Z", "1990-12-31T23:59:59Z", "1990-12-31T23:59:60Z", "1991-01-01T00:00:01Z"]
    clock = clock_of(cells)
    assert_allclose(clock.time, [0, 1, 2, 3])
    assert any("1 missing or unreadable" in text for text in clock.log.warnings)


def test_date_and_time_in_two_columns():
    days = ["2031-05-17"] * 4 + ["2031-05-18"] * 3
    times = ["23:59:59.6", "23:59:59.7", "23:59:59.8", "23:59:59.9", "00:00:00.0", "00:00:00.1", "00:00:00.2"]
    clock = clock_of(times, "UTC time", Date=days)
    assert_allclose(clock.time, np.arange(7) / 10, atol=1e-9)
    expected = datetime.datetime(2031, 5, 17, 23, 59, 59, 600000, datetime.UTC).timestamp()
    assert clock.epoch == pytest.approx(expected)


def test_midnight():
    clock = clock_of(["23:59:59.80", "23:59:59.90", "00:00:00.00", "00:00:00.10"])
    assert_allclose(clock.time, np.arange(4) / 10, atol=1e-9)
    assert any("starts again after 86400 s, first at line 4" in text for text in clock.log.notes)


def test_afternoon():
    clock = clock_of(["11:59:59.5 AM", "12:00:00.0 PM", "12:00:00.5 PM", "12:00:01.0 PM"])
    assert_allclose(clock.time, np.arange(4) / 2)


def test_time_of_day_in_digits():
    t = 45319.0 + np.arange(2000) / 10  # 12:35:19
    digits = t // 3600 * 10000 + t // 60 % 60 * 100 + t % 60
    clock = clock_of(digits, "UTC time")
    assert_allclose(clock.time, t - t[0], atol=1e-6)
    assert "hhmmss" in clock.source.reason


def test_counter_that_overflows():
    ticks = (2.0**32 - 1e6 + np.arange(200) * 2e4) % 2.0**32
    assert_allclose(clock_of(ticks, "time (us)").time, np.arange(200) * 0.02, atol=1e-6)


def test_ambiguous_day_and_month_still_give_seconds():
    clock = clock_of([f"04/05/2031 10:00:0{k}.5" for k in range(5)])
    assert_allclose(clock.time, np.arange(5))
    assert "can not be told apart" in clock.source.reason


@given(st.floats(-1e5, 1e5), st.floats(0.002, 0.9), st.integers(3, 300))
def test_shifting_a_clock_changes_nothing(shift, interval, count):
    t = np.arange(count) * interval
    assert_allclose(clock_of(t + shift, "time [s]").time, t, atol=1e-9)


# -------------------------------------------------------------------------------- faults


def warned(clock, words):
    return any(words in text for text in clock.log.warnings)


def test_resets_run_on_by_one_interval():
    t = np.concatenate([np.arange(50), np.arange(40), np.arange(30)]) * 0.1
    clock = clock_of(t)
    assert_allclose(clock.time, np.arange(120) * 0.1, atol=1e-9)
    assert clock.resets == [50, 90]
    assert warned(clock, "falls back to zero 2 times, first at line 52")
    assert_allclose(clock.lap_clock, t)


def test_one_reset_is_a_restart_and_no_lap_clock():
    clock = clock_of(np.concatenate([np.arange(50), np.arange(40)]) * 0.1)
    assert clock.resets == [50]
    assert clock.lap_clock is None


def test_reset_that_does_not_land_on_zero():
    t = np.arange(200) * 0.1
    lap_clock = t % 6.13
    clock = clock_of(lap_clock)
    assert_allclose(clock.time, t, atol=1e-9)
    assert len(clock.resets) == 3


def test_a_better_clock_leaves_the_lap_clock_to_itself():
    t = np.arange(300) * 0.1
    raw = table({"Time": t % 10.0, "Timestamp": t + 5, "speed [m/s]": np.full(300, 20.0)})
    log = Provenance("")
    columns = assign_columns(raw, log)
    clock = time_axis(raw, columns, log)
    assert_allclose(clock.time, t, atol=1e-9)
    assert columns.channels["lap_clock"].header == "Time"
    assert clock.resets == []


def test_a_lap_clock_alone_is_the_clock():
    t = np.arange(300) * 0.1
    clock = clock_of(t % 10.0, "Lap Time")
    assert_allclose(clock.time, t, atol=1e-9)
    assert clock.resets == [100, 200]
    assert_allclose(clock.lap_clock, t % 10.0)


def test_a_lap_clock_of_one_lap():
    clock = clock_of(np.arange(300) * 0.1, "Lap Time")
    assert_allclose(clock.lap_clock, np.arange(300) * 0.1)


def test_rows_written_twice_are_left_out():
    t = np.arange(100) * 0.05
    row = np.concatenate([np.arange(50), np.arange(45, 100)])
    clock = clock_of(t[row], speed=20 + t[row])
    assert_allclose(clock.time, t, atol=1e-9)
    assert clock.rows.tolist() == [*range(50), *range(55, 105)]
    assert warned(clock, "5 rows written twice, first at line 52, left out")


def test_same_stamp_with_other_values_is_a_coarse_clock():
    t = np.arange(200) * 0.05
    clock = clock_of(np.floor(t * 5 + 1e-9) / 5, speed=20 + t)
    assert_allclose(clock.time, t, atol=1e-9)
    assert clock.rows is None
    assert warned(clock, "150 rows with the stamp of the row before")


def test_coarse_clock_that_begins_between_two_stamps():
    t = np.arange(7, 400) * 0.05
    clock = clock_of(np.floor(t + 1e-9), speed=t)
    assert_allclose(clock.time, t - t[0], atol=1e-9)


def test_standing_still_under_a_coarse_clock_is_no_copy():
    t = np.arange(400) * 0.05
    clock = clock_of(np.floor(t + 1e-9), speed=np.maximum(0.0, t - 10.0))
    assert_allclose(clock.time, t, atol=1e-9)
    assert clock.gaps == []


def test_locally_shuffled_rows():
    t = np.arange(2000) / 60
    row = np.argsort(t + np.random.default_rng(3).uniform(0, 0.5, 2000))
    clock = clock_of(t[row])
    assert_allclose(clock.time, t, atol=1e-9)


def test_shuffled_rows_are_put_in_order():
    t = np.arange(200) * 0.05
    row = np.arange(200)
    row[60:64] = [62, 61, 63, 60]
    clock = clock_of(t[row])
    assert_allclose(clock.time, t, atol=1e-9)
    assert row[clock.rows].tolist() == list(range(200))
    assert warned(clock, "rows put in order of time")


@pytest.mark.parametrize(("row", "wrong"), [(40, 0.0), (40, 999.0), (41, 1.999), (150, 7.4), (150, 1e6)])
def test_a_single_wrong_stamp_is_interpolated(row, wrong):
    t = np.arange(200) * 0.05
    bad = t.copy()
    bad[row] = wrong
    clock = clock_of(bad)
    assert_allclose(clock.time, t, atol=1e-9)
    assert clock.rows is None
    assert clock.gaps == []
    assert warned(clock, "interpolated")


def test_a_clock_that_was_set_back():
    t = np.arange(400) * 0.05
    clock = clock_of(1.7e9 + t - 1.3 * (t > 10))
    assert_allclose(clock.time, t, atol=1e-6)
    assert warned(clock, "the clock was set back")


def test_missing_stamps():
    t = np.arange(100) * 0.05
    blank = t.copy()
    blank[[0, 20, 21, 99]] = np.nan
    clock = clock_of(blank)
    assert_allclose(clock.time, t, atol=1e-9)
    assert warned(clock, "4 missing or unreadable time stamps, first at line 2")


def test_holes_are_listed_and_kept():
    t = np.delete(np.arange(400) * 0.05, np.arange(100, 160))
    clock = clock_of(t)
    assert_allclose(clock.time, t)
    assert len(clock.gaps) == 1
    assert clock.gaps[0] == pytest.approx((99 * 0.05, 160 * 0.05))
    assert warned(clock, "1 hole in the data, 3.0 s in all")


def test_short_dropouts_are_no_holes():
    assert clock_of(np.delete(np.arange(400) * 0.05, [100, 101, 200])).gaps == []


def test_jitter_is_reported_above_a_tenth():
    steps = np.random.default_rng(5).uniform(0.03, 0.07, 500)
    clock = clock_of(np.cumsum(steps), "time [s]")
    assert any("varies by" in text for text in clock.log.notes)
    assert not clock.log.warnings


@given(st.data())
@settings(max_examples=60, deadline=None)
def test_time_always_increases_strictly(data):
    t = np.array(data.draw(st.lists(st.floats(0, 100, width=32), min_size=3, max_size=60)))
    try:
        clock = clock_of(t, "time [s]", speed=np.arange(len(t)))
    except (FileError, ColumnError):
        return
    assert (np.diff(clock.time) > 0).all()
    assert clock.time[0] == 0
    assert clock.rows is None or len(clock.rows) == len(clock.time)


# ---------------------------------------------------------------------------- no clock


def test_time_from_distance_and_speed():
    run = drive(rate=50)
    clock = clock_of(run.path, "distance [m]", **{"speed [m/s]": run.speed})
    assert_allclose(clock.time, run.time, atol=2e-3)
    assert warned(clock, "time is worked out from distance and speed")
    assert warned(
        clock, "lap times are estimates, only as good as distance and speed: 0.5 % (1 sigma) is reckoned with"
    )
    assert clock.source.column == "(from distance and speed)"
    assert clock.uncertainty == 0.005


def test_time_from_lap_distance_and_speed():
    run = drive(rate=50)
    clock = clock_of(run.lap_distance, "lap distance [m]", **{"speed [km/h]": run.speed * 3.6})
    assert_allclose(clock.time, run.time, atol=0.01)
    assert warned(clock, "1.5 % (1 sigma) is reckoned with")  # 5 m inside of a line of 2.3 km are 1.4 %
    assert clock.uncertainty == 0.015


def test_standing_still_is_lost_without_a_clock():
    metres = np.array([0.0, 1, 2, 2, 2, 3, 4])
    clock = clock_of(metres, "distance [m]", **{"speed [m/s]": np.array([1.0, 1, 1, 0, 0, 1, 1])})
    assert (np.diff(clock.time) > 0).all()
    assert warned(clock, "2 rows without movement")


# ------------------------------------------------------------------------------- refusals


@pytest.mark.parametrize(
    ("columns", "error", "words"),
    [
        ({"time": np.arange(2.0), "speed": np.ones(2)}, FileError, r"run\.csv: too short: 2 rows.*at least 3"),
        ({"speed [m/s]": np.ones(9)}, ColumnError, r"no time column, and without a distance.*speed \[m/s\].*columns="),
        ({"x": np.ones(9)}, ColumnError, "without a speed and a distance time can not be worked out"),
        (
            {"distance": np.arange(9.0), "speed": np.ones(9)},
            ColumnError,
            r"unit of 'speed' is not said; give it with units=",
        ),
        ({"time": np.ones(9), "speed [m/s]": np.ones(9)}, ColumnError, "no time column"),
        ({"time": ["noon"] * 9, "speed [m/s]": np.ones(9)}, ColumnError, "no time column"),
        ({"time": np.full(9, np.nan), "speed [m/s]": np.ones(9)}, ColumnError, "no time column"),
        ({"time": np.arange(9) * 1e-7, "speed [m/s]": np.ones(9)}, ColumnError, "no time column"),
        (
            {"distance [m]": np.array([0, 1, np.nan, np.nan]), "speed [m/s]": np.ones(4)},
            FileError,
            r"too short: 2 rows with distance and speed",
        ),
        ({"distance [m]": np.zeros(9), "speed [m/s]": np.ones(9)}, FileError, r"too short: 1 usable sample"),
    ],
)
def test_files_without_a_usable_clock(columns, error, words):
    raw = table(columns)
    with pytest.raises(error, match=words):
        time_axis(raw, assign_columns(raw, Provenance("")), Provenance(""))
