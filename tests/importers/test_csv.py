"""From a table of columns to a recording: units decided, position, signs, slow sensors, what is left out."""

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from importers.invented import drive, table
from numpy.testing import assert_allclose

from lapkit.channels import CHANNELS, UNITS, channel_for, from_si, is_discrete
from lapkit.errors import ColumnError, FileError, UnitError
from lapkit.importers.csv import assemble, read_csv
from lapkit.importers.sampling import hold_length
from lapkit.importers.speed import without_spikes

RUN = drive()
SPEEDS = ["m/s", "km/h", "mph", "kn", "ft/s"]


def recording(columns, units_row=None, **given):
    return assemble(table({"time [s]": RUN.time, **columns}, units_row), **given)


def chosen(columns, mapping, **given):
    return assemble(table({"time [s]": RUN.time, **columns}), columns=mapping, **given)


def said(texts, words):
    return any(words in text for text in texts)


# ---------------------------------------------------------------------------- the table


def test_samples_are_si_with_time_first():
    out = recording({
        "Speed [km/h]": RUN.speed * 3.6, "Throttle [%]": 100 * RUN.throttle, "X [m]": RUN.x, "Y [m]": RUN.y,
        "Lap": RUN.lap, "Blower": RUN.x, "Remark": ["ok"] * len(RUN.time),
    })  # fmt: skip
    samples = out.samples
    assert list(samples.columns) == ["time", "lap", "x", "y", "speed", "throttle", "Blower", "Remark"]
    assert_allclose(samples["speed"], RUN.speed, rtol=1e-12)
    assert_allclose(samples["throttle"], RUN.throttle, atol=1e-12)
    assert samples["Remark"].tolist() == ["ok"] * len(RUN.time)
    assert out.provenance.kept == ["Blower", "Remark"]
    assert list(out.provenance.channels) == ["time", "lap", "x", "y", "speed", "throttle"]
    assert (out.gaps, out.resets, out.origin, out.speed_unit) == ([], [], None, "km/h")
    assert not out.provenance.warnings


def test_a_column_in_si_units_is_not_copied():
    raw = table({"time [s]": RUN.time, "speed [m/s]": RUN.speed, "Blower": RUN.x})
    held = raw.numbers["Blower"]
    samples = assemble(raw).samples
    assert samples.dtypes.eq(np.float64).all()
    assert np.shares_memory(held, samples["Blower"].to_numpy())


def test_a_column_named_as_a_channel_it_is_not_gets_another_name():
    out = recording({"speed": np.full(len(RUN.time), np.nan), "GPS speed [m/s]": RUN.speed})
    assert_allclose(out.samples["speed"], RUN.speed)
    assert "speed (as logged)" in out.samples
    assert out.provenance.kept == ["speed (as logged)"]


@given(st.permutations(["Speed [mph]", "X [m]", "Y [m]", "yaw rate", "Lat acc", "Foo"]))
@settings(max_examples=15, deadline=None)
def test_the_order_of_columns_changes_nothing(order):
    columns = {
        "Speed [mph]": from_si(RUN.speed, "mph", "speed"), "X [m]": RUN.x, "Y [m]": RUN.y, "Foo": RUN.x,
        "yaw rate": np.degrees(RUN.yaw_rate), "Lat acc": RUN.lateral / 9.80665,
    }  # fmt: skip
    expected = recording(columns).samples
    pd.testing.assert_frame_equal(recording({header: columns[header] for header in order}).samples, expected)


# --------------------------------------------------------------------- units nobody said


@given(st.sampled_from(SPEEDS), st.sampled_from([5, 10, 20, 50]), st.floats(0, 1))
@settings(max_examples=40, deadline=None)
def test_speed_is_held_against_position(unit, rate, noise):
    run = drive(rate=rate, laps=2)
    rng = np.random.default_rng(1)
    raw = table({
        "time [s]": run.time, "speed": from_si(run.speed, unit, "speed"),
        "x": run.x + noise * 0.3 * rng.standard_normal(len(run.x)), "y": run.y,
    })  # fmt: skip
    out = assemble(raw)
    assert out.provenance.channels["speed"].unit == unit
    assert "fits position, ratio" in out.provenance.channels["speed"].reason
    assert_allclose(out.samples["speed"], run.speed, rtol=1e-9)


@pytest.mark.parametrize("unit", SPEEDS)
@pytest.mark.parametrize("other", ["distance [m]", "lap distance [ft]", "latitude", "wheel speed fl [km/h]"])
def test_speed_is_held_against_what_there_is(unit, other):
    columns = {"speed": from_si(RUN.speed, unit, "speed")}
    if other == "distance [m]":
        columns[other] = RUN.path
    elif other.startswith("lap"):
        columns[other] = RUN.lap_distance / 0.3048
    elif other == "latitude":
        columns |= {"latitude": RUN.latitude, "longitude": RUN.longitude}
    else:
        columns[other] = RUN.speed * 3.6
    assert recording(columns).provenance.channels["speed"].unit == unit


@pytest.mark.parametrize(("unit", "length"), [("km/h", "m"), ("mph", "m"), ("m/s", "ft"), ("mph", "ft"), ("m/s", "km")])
def test_speed_and_distance_decide_each_other(unit, length):
    out = recording({"speed": from_si(RUN.speed, unit, "speed"), "distance": from_si(RUN.path, length, "length")})
    assert out.provenance.channels["speed"].unit == unit
    assert_allclose(out.samples["odometer"], RUN.path, atol=1e-6)


def test_two_pairs_that_fit_alike_are_not_guessed():
    with pytest.raises(ColumnError, match="unit of 'speed' is not said"):  # km/h with km is mph with miles
        recording({"speed": RUN.speed * 3.6, "distance": RUN.path / 1000})


def test_only_one_unit_is_slow_enough():
    out = recording({"speed": RUN.speed * 3.6 + 100})
    assert out.provenance.channels["speed"].unit == "km/h"
    assert "too fast in any other" in out.provenance.channels["speed"].reason


def test_speed_without_evidence_is_asked_for():
    with pytest.raises(
        ColumnError,
        match=r"run\.csv: the unit of 'speed'.*mph makes.*km/h makes.*units=\{\"speed\": \"<unit>\"\}, or write it",
    ):
        recording({"speed": RUN.speed * 2})


def test_a_speed_without_unit_is_asked_for_with_what_each_unit_would_mean():
    lap = np.searchsorted([5.0, 25.0, 45.0], RUN.time)
    with pytest.raises(ColumnError) as error:
        recording({"speed": 90.0 + 10.0 * np.sin(RUN.time), "lap": lap})
    words = str(error.value)
    assert "mph makes 161 km/h (100 mph) the top speed and a lap " in words
    assert all(f"; {unit} makes " in words for unit in ("km/h", "m/s", "kn"))
    metres = float(words.split("mph makes")[1].split("a lap ")[1].split(" m")[0])
    assert metres == pytest.approx(90.0 * 0.44704 * 20.0, rel=0.02)
    assert 'units={"speed": "<unit>"}' in words  # none is put into anybody's mouth


def test_a_unit_given_that_the_position_denies_is_objected_to():
    out = recording({"speed": RUN.speed / 0.44704, "x [m]": RUN.x, "y [m]": RUN.y}, units="km/h")
    assert said(out.provenance.warnings, "it would fit with the speed in mph")


def test_speed_that_fits_no_unit_is_asked_for():
    with pytest.raises(ColumnError, match=r"against position one unit is 0\.66"):
        recording({"speed": RUN.speed * 1.5, "x": RUN.x, "y": RUN.y})


@pytest.mark.parametrize("given_units", ["mph", {"speed": "mph"}])
def test_the_users_unit_is_taken(given_units):
    out = recording({"speed": from_si(RUN.speed, "mph", "speed")}, units=given_units)
    assert_allclose(out.samples["speed"], RUN.speed)
    assert out.speed_unit == "mph"


def test_one_unit_of_speed_does_not_go_before_the_file():
    assert recording({"speed [km/h]": RUN.speed * 3.6}, units="mph").speed_unit == "km/h"


def test_a_unit_that_contradicts_the_position_is_kept_and_doubted():
    out = recording({"speed [mph]": RUN.speed * 3.6, "x": RUN.x, "y": RUN.y})
    assert out.speed_unit == "mph"
    assert said(
        out.provenance.warnings,
        "'speed [mph]' is said to be in mph, but against position it is 1.61 times too large; it would fit with the speed "
        "in km/h. It was kept as said;",
    )


def test_the_position_may_be_what_contradicts():
    out = recording({"speed [m/s]": RUN.speed, "X [m]": RUN.x / 0.3048, "Y [m]": RUN.y / 0.3048})
    assert said(
        out.provenance.warnings,
        "against position it is 3.27 times too small; it would fit with 'X [m]' and 'Y [m]' in ft. It was kept as said; "
        'units={"speed": ...} or units={"x": "ft", "y": "ft"} changes it.',
    )


@pytest.mark.parametrize("unit", ["m", "ft", "km", "cm", "mm"])
@pytest.mark.parametrize("speed", ["m/s", "mph"])
def test_a_position_that_says_no_unit_is_held_against_a_speed_that_does(unit, speed):
    out = recording({
        f"speed [{speed}]": from_si(RUN.speed, speed, "speed"),
        "X": from_si(RUN.x, unit, "length"), "Y": from_si(RUN.y, unit, "length"),
    })  # fmt: skip
    assert out.provenance.channels["x"].unit == out.provenance.channels["y"].unit == unit
    assert_allclose(out.samples["x"], RUN.x, atol=1e-9)
    assert said(out.provenance.notes, f"do not say their unit; in {unit} they fit the speed") == (unit != "m")
    assert not out.provenance.warnings


@pytest.mark.parametrize("channel", ["throttle", "brake"])
@pytest.mark.parametrize(("size", "unit"), [(1.0, "1"), (100.0, "%"), (255.0, "1/255"), (4095.0, "1/4095")])
def test_pedals(channel, size, unit):
    out = recording({"speed [m/s]": RUN.speed, channel: RUN.throttle * size})
    assert_allclose(out.samples[channel], RUN.throttle, atol=2e-3)
    assert said(out.provenance.warnings, "scaled so that the highest value is 1") == (size > 100)
    assert out.provenance.channels[channel].unit == unit


@pytest.mark.parametrize("header", ["TPS [V]", "tps (volts)", "throttle"])
def test_a_throttle_in_volts_is_scaled_by_its_ends_aloud(header):
    time, throttle = pedal(50)
    given = table({"time [s]": time, "speed [m/s]": 40 + np.sin(time), header: 0.5 + 4 * throttle})
    out = assemble(given)
    assert_allclose(out.samples["throttle"], throttle, atol=0.05)
    unit = " V" if header != "throttle" else ""
    assert said(out.provenance.warnings, f"throttle in '{header}' is not per cent: 0.")
    assert said(out.provenance.warnings, f"4.5{unit} for 1, the ends of what was recorded")
    assert said(out.provenance.warnings, f'columns={{"throttle": {{"column": "{header}", "zero": ..., "full": ...}}}}')
    given = table({"time [s]": time, "speed [m/s]": 40 + np.sin(time), header: 0.5 + 4 * throttle})
    exact = assemble(given, columns={"throttle": {"column": header, "zero": 0.5, "full": 4.5}})
    assert_allclose(exact.samples["throttle"], throttle, atol=1e-9)
    assert not exact.provenance.warnings


def test_a_throttle_in_volts_whose_ends_do_not_show_is_kept_as_it_is():
    out = recording({"speed [m/s]": RUN.speed, "TPS [V]": 2.0 + 0.8 * RUN.throttle})
    assert "throttle" not in out.samples
    assert_allclose(out.samples["TPS [V]"], 2.0 + 0.8 * RUN.throttle)
    assert said(
        out.provenance.warnings,
        "'TPS [V]' reads like throttle, but its values, 2 to 2.8 V, are not per cent and do not tell where it is released "
        'and fully applied: kept as it is. Say which values mean 0 and 1 with columns={"throttle": {"column": "TPS [V]"',
    )


def test_a_brake_in_volts_is_scaled_by_its_ends():
    _, throttle = pedal(20, seconds=120.0)
    out = recording({"speed [m/s]": RUN.speed, "brake (mV)": 500 + 2000 * (1 - throttle)})
    assert_allclose(out.samples["brake"], (1 - throttle) / np.ptp(throttle), atol=0.05)
    assert said(out.provenance.warnings, "If the brake was never fully applied, it reads too high.")


def test_a_remark_where_a_unit_should_be_is_doubted():
    out = recording({"speed [m/s]": RUN.speed, "throttle [warp]": 100 * RUN.throttle, "brake (raw)": RUN.throttle})
    assert_allclose(out.samples["throttle"], RUN.throttle)
    assert said(
        out.provenance.warnings,
        "throttle in 'throttle [warp]': 'warp' is no unit lapkit knows; values up to 100 were taken for per cent.",
    )
    assert not said(out.provenance.notes, "raw")


def test_a_dash_for_the_unit_of_a_pedal_says_nothing():
    out = recording({"speed [m/s]": RUN.speed, "throttle": RUN.throttle * 100}, {"throttle": "-"})
    assert out.provenance.channels["throttle"].unit == "%"


@pytest.mark.parametrize("position", [True, False])
@pytest.mark.parametrize(("unit", "size"), [("deg/s", 180 / np.pi), ("rad/s", 1.0)])
def test_yaw_rate(position, unit, size):
    columns = {"x": RUN.x, "y": RUN.y} if position else {"lat acc [g]": RUN.lateral / 9.80665}
    out = recording({"speed [m/s]": RUN.speed, "yaw rate": RUN.yaw_rate * size, **columns})
    assert out.provenance.channels["yaw_rate"].unit == unit
    assert_allclose(out.samples["yaw_rate"], RUN.yaw_rate, atol=1e-9)


@pytest.mark.parametrize("evidence", ["position", "yaw rate", "nothing"])
@pytest.mark.parametrize(("unit", "size"), [("g", 9.80665), ("m/s2", 1.0)])
def test_accelerations(evidence, unit, size):
    columns = {"position": {"x": RUN.x, "y": RUN.y}, "yaw rate": {"yaw rate [rad/s]": RUN.yaw_rate}, "nothing": {}}[
        evidence
    ]
    out = recording({"speed [m/s]": RUN.speed, "ay": RUN.lateral / size, "ax": RUN.longitudinal / size, **columns})
    for channel, truth in (("lateral_acceleration", RUN.lateral), ("longitudinal_acceleration", RUN.longitudinal)):
        assert out.provenance.channels[channel].unit == unit
        assert_allclose(out.samples[channel], truth, atol=1e-9)


@pytest.mark.parametrize(("unit", "size"), [("deg", 180 / np.pi), ("rad", 1.0)])
def test_steering(unit, size):
    out = recording(
        {
            "speed [m/s]": RUN.speed,
            "x": RUN.x,
            "y": RUN.y,
            "steering": RUN.steering * size,
            "delta": RUN.steering / 14 * size,
        }
    )
    assert out.provenance.channels["steering"].unit == unit
    assert out.provenance.channels["road_wheel_angle"].unit == unit


@pytest.mark.parametrize(
    ("header", "value", "unit"),
    [
        ("water temp", 85.0, "degC"), ("water temp", 200.0, "degF"), ("oil temp", 373.0, "K"), ("air temp", 75.0, "degF"),
        ("rpm", 6500.0, "rpm"), ("altitude", 120.0, "m"), ("roll", 2.0, "deg"), ("steering", 95.0, "deg"),
        ("yaw rate", 25.0, "deg/s"), ("az", 1.0, "g"), ("heading", 300.0, "deg"), ("rpm", 0.0, "rpm"),
    ],
)  # fmt: skip
def test_units_by_range(header, value, unit):
    out = recording({"speed [m/s]": RUN.speed, header: np.full(len(RUN.time), value)})
    decided = [c for c in out.provenance.channels.values() if c.column == header]
    assert decided[0].unit == unit


@pytest.mark.parametrize("header", ["oil pressure", "brake pressure", "fuel", "damper fl", "rpm", "banking"])
def test_units_the_values_do_not_tell_are_not_guessed(header):
    out = recording({"speed [m/s]": RUN.speed, header: np.linspace(0.1, 1.5, len(RUN.time))})
    assert out.provenance.kept == [header if header not in CHANNELS else f"{header} (as logged)"]
    assert said(out.provenance.notes, f"'{header}' kept as it is")
    assert said(out.provenance.notes, f'units={{"{channel_for(header)[0]}": ...}} reads it')


def test_other_speeds_follow_the_car():
    out = recording({"speed [km/h]": RUN.speed * 3.6, "wheel speed fl": RUN.speed, "vy": RUN.speed * 0.036})
    assert out.provenance.channels["wheel_speed_fl"].unit == "m/s"
    assert out.provenance.channels["lateral_velocity"].unit == "km/h"


def test_lap_clock_in_milliseconds():
    out = recording({"speed [m/s]": RUN.speed, "lap time": (RUN.time % 30) * 1000})
    assert_allclose(out.samples["lap_clock"], RUN.time % 30, atol=1e-9)


def test_lap_clock_in_words():
    cells = [f"{int(t // 60)}:{t % 60:06.3f}" for t in RUN.time % 30]
    out = recording({"speed [m/s]": RUN.speed, "lap time": cells})
    assert_allclose(out.samples["lap_clock"], RUN.time % 30, atol=1e-3)


@given(
    st.sampled_from(
        [
            (d, u)
            for d in ("speed", "acceleration", "angular rate", "pressure", "temperature", "length")
            for u in UNITS[d]
        ]
    )
)
@settings(max_examples=40, deadline=None)
def test_units_said_are_read_back(case):
    dimension, unit = case
    header = {
        "speed": "speed", "acceleration": "vert accel", "angular rate": "roll rate", "pressure": "oil pressure",
        "temperature": "oil temp", "length": "damper fl",
    }[dimension]  # fmt: skip
    value = np.linspace(10, 60, len(RUN.time))
    columns = {"speed [m/s]": RUN.speed} if dimension != "speed" else {}
    out = recording({**columns, f"{header} [{unit}]": from_si(value, unit, dimension)})
    channel = next(c for c, s in out.provenance.channels.items() if s.column == f"{header} [{unit}]")
    assert_allclose(out.samples[channel], value, rtol=1e-9)
    assert out.provenance.channels[channel].unit == unit


# ------------------------------------------------------------------------------ position


def test_latitude_and_longitude_become_local_metres():
    out = recording({"Latitude": RUN.latitude, "Longitude": RUN.longitude, "speed [m/s]": RUN.speed})
    samples = out.samples
    assert_allclose(samples["x"] - samples["x"][0], RUN.x - RUN.x[0], atol=0.2)
    assert_allclose(samples["y"] - samples["y"][0], RUN.y - RUN.y[0], atol=0.2)
    assert_allclose(np.degrees(samples["latitude"]), RUN.latitude)
    assert out.origin == pytest.approx((RUN.latitude[0], RUN.longitude[0]))
    assert out.provenance.channels["x"].column == "(from latitude and longitude)"
    assert not out.provenance.warnings


def ddmm(degrees):
    size = np.abs(degrees)
    return np.floor(size) * 100 + size % 1 * 60


@pytest.mark.parametrize("writing", ["ddmm", "ddmm letters", "letters", "1e-7", "dms", "rad", "appended ddmm"])
@pytest.mark.parametrize("south", [True, False])
def test_ways_to_write_an_angle(writing, south):
    lat = RUN.latitude * (-1 if south else 1)
    lon = -RUN.longitude if south else RUN.longitude
    letter = ["S", "W"] if south else ["N", "E"]
    columns = {"lat": lat, "lon": lon}
    if writing == "ddmm":
        columns = {"lat": np.copysign(ddmm(lat), lat), "lon": np.copysign(ddmm(lon), lon)}
    elif writing == "ddmm letters":
        columns = {"lat": ddmm(lat), "N/S": [letter[0]] * len(lat), "lon": ddmm(lon), "E/W": [letter[1]] * len(lat)}
    elif writing == "letters":
        columns = {"lat": [f"{abs(v):.9f}{letter[0]}" for v in lat], "lon": [f"{letter[1]} {abs(v):.9f}" for v in lon]}
    elif writing == "appended ddmm":
        columns = {
            "lat": [f"{v:.7f} {letter[0]}" for v in ddmm(lat)],
            "lon": [f"{v:011.7f} {letter[1]}" for v in ddmm(lon)],
        }
    elif writing == "1e-7":
        columns = {"lat": np.round(lat * 1e7), "lon": np.round(lon * 1e7)}
    elif writing == "dms":
        columns = {
            name: [f"{int(abs(v))}°{int(abs(v) % 1 * 60):02d}'{abs(v) * 60 % 1 * 60:08.5f}\"{mark}" for v in values]
            for name, values, mark in (("lat", lat, letter[0]), ("lon", lon, letter[1]))
        }
    elif writing == "rad":
        columns = {"lat [rad]": np.radians(lat), "lon [rad]": np.radians(lon)}
    out = recording({**columns, "speed [m/s]": RUN.speed})
    assert_allclose(np.degrees(out.samples["latitude"]), lat, atol=2e-7)
    assert_allclose(np.degrees(out.samples["longitude"]), lon, atol=2e-7)


def test_positions_without_a_fix_are_left_out_and_counted():
    lat, lon = RUN.latitude.copy(), RUN.longitude.copy()
    lat[:3] = lon[:3] = 0.0
    lat[100] = 95.0
    out = recording({"lat": lat, "lon": lon, "speed [m/s]": RUN.speed})
    assert np.flatnonzero(out.samples["x"].isna()).tolist() == [0, 1, 2]  # the single one is bridged
    assert out.samples["x"][3] == 0.0
    assert said(out.provenance.warnings, "3 positions at 0, 0 (no fix) left out, first at line 2")
    assert said(out.provenance.warnings, "1 position out of range left out, first latitude 95")
    assert said(out.provenance.warnings, "at line 102")


def test_latitude_out_of_range_is_refused():
    with pytest.raises(
        ColumnError, match=r"latitude 190.*at line 2 \('lat', 'lon'\): latitude must be between -90 and 90"
    ):
        recording({"lat": RUN.latitude + 140, "lon": RUN.longitude, "speed [m/s]": RUN.speed})


@pytest.mark.parametrize("local", [True, False])
def test_positions_that_leap_away_are_left_out_and_bridged(local):
    truth = (RUN.x, RUN.y) if local else (RUN.longitude, RUN.latitude)
    east, north = (values.copy() for values in truth)
    east[[500, 900, 901, 902]] = 0.0 if local else 7.0
    north[[500, 900, 901, 902]] = 5e4 if local else 49.0
    names = ("x", "y") if local else ("longitude", "latitude")
    out = recording({names[0]: east, names[1]: north, "speed [m/s]": RUN.speed})
    clean = recording({names[0]: truth[0], names[1]: truth[1], "speed [m/s]": RUN.speed})
    assert_allclose(out.samples[["x", "y"]], clean.samples[["x", "y"]], atol=0.6)
    assert said(out.provenance.warnings, "4 positions leaping away from the path left out, first at line 502")


def test_a_position_that_goes_on_elsewhere_is_kept():
    moved = RUN.x + 500.0 * (RUN.time > 50)
    assert_allclose(recording({"x": moved, "y": RUN.y, "speed [m/s]": RUN.speed}).samples["x"], moved)


def test_words_that_are_no_angles_are_kept():
    out = recording({"lat": ["here"] * len(RUN.time), "lon": RUN.longitude, "speed [m/s]": RUN.speed})
    assert said(out.provenance.warnings, "'lat' holds 'here', not an angle such as 48.1173, 48.1173N")
    assert out.samples["lat"].tolist() == ["here"] * len(RUN.time)
    assert "x" not in out.samples


@pytest.mark.parametrize("header", ["latitude", "b"])  # told by the header, and by the values alone
def test_degrees_are_not_taken_for_metres(header):
    columns = {"x [m]": RUN.x, header: RUN.latitude, "speed [m/s]": RUN.speed}
    with pytest.raises(
        ColumnError, match=rf"run\.csv: .*'{header}' looks like degrees.*name the column that holds y in metres"
    ):
        chosen(columns, {"x": "x [m]", "y": header})
    out = chosen(columns, {"x": "x [m]", "y": header}, units={"y": "m"})  # who says so is believed
    assert {"x", "y"} <= set(out.samples)


def test_latitude_and_longitude_given_for_x_and_y_are_refused():
    columns = {"lon": RUN.longitude, "lat": RUN.latitude, "speed [m/s]": RUN.speed}
    with pytest.raises(ColumnError, match=re.escape('give columns={"latitude": "lat", "longitude": "lon"}')):
        chosen(columns, {"x": "lon", "y": "lat"})


def test_a_straight_along_one_axis_is_no_pair_of_degrees():
    wobble = 12.0 + 0.1 * np.sin(RUN.time)
    out = recording({"x": RUN.x, "y": wobble, "speed [m/s]": RUN.speed})
    assert out.provenance.channels["y"].unit == "m"


def test_the_missing_half_of_a_position_is_named():
    out = chosen({"East [m]": RUN.x, "lat": RUN.latitude, "speed [m/s]": RUN.speed}, {"x": "East [m]"})
    assert said(out.provenance.warnings, "there is no position: there is 'East [m]' (x), and no y beside it")
    assert said(out.provenance.warnings, "there is 'lat' (latitude), and no longitude beside it")
    with pytest.raises(ColumnError, match=r"distance either \(there is 'x', and no y beside it\)"):
        recording({"x": RUN.x})


def test_across_the_date_line():
    lon = (RUN.longitude - 8 + 180 + 180) % 360 - 180
    out = recording({"lat": RUN.latitude, "lon": lon, "speed [m/s]": RUN.speed})
    assert np.ptp(out.samples["x"]) == pytest.approx(np.ptp(RUN.x), rel=1e-3)


def test_speed_from_position():
    out = recording({"x": RUN.x, "y": RUN.y})
    assert_allclose(out.samples["speed"][3:-3], RUN.speed[3:-3], rtol=0.01)
    assert out.provenance.channels["speed"].column == "(from position)"


def test_speed_from_a_position_that_is_held():
    hold = np.repeat(np.arange(0, len(RUN.time), 10), 10)
    out = recording({"x": RUN.x[hold], "y": RUN.y[hold]})
    assert_allclose(out.samples["speed"][10:-20], RUN.speed[10:-20], rtol=0.2)


def test_speed_from_distance():
    for name, values in (("distance", RUN.path), ("distance", RUN.lap_distance)):
        out = recording({name: values})
        assert_allclose(out.samples["speed"][3:-3], RUN.speed[3:-3], rtol=0.02)
        assert out.provenance.channels["speed"].column == "(from distance)"


WHEELS = {
    f"wheel_{w} [km/h]": RUN.speed * 3.6 * k
    for w, k in zip(("fl", "fr", "rl", "rr"), (0.99, 1.01, 0.98, 1.02), strict=True)
}


def test_speed_from_wheel_speeds():
    out = recording({**WHEELS, "yaw rate": np.degrees(RUN.yaw_rate), "lat acc [g]": RUN.lateral / 9.80665})
    assert_allclose(out.samples["speed"], RUN.speed, rtol=1e-9)
    assert out.provenance.channels["speed"].column == "(from wheel speeds)"
    assert out.provenance.channels["yaw_rate"].unit == "deg/s"
    assert said(
        out.provenance.warnings,
        "no speed column: the mean of the wheel speeds ('wheel_fl [km/h]', 'wheel_fr [km/h]', 'wheel_rl [km/h]', "
        "'wheel_rr [km/h]') is taken for the speed of the car. Driven wheels slip",
    )


def test_a_wheel_that_does_not_turn_is_left_out_of_the_speed():
    out = recording({**WHEELS, "wheel_fl [km/h]": 0.0 * RUN.speed, "wheel_fr [km/h]": 3.6 * RUN.speed})
    assert_allclose(out.samples["speed"], RUN.speed, rtol=1e-9)
    assert said(
        out.provenance.warnings, "'wheel_fl [km/h]': far slower than the other wheels, so left out of the speed"
    )


def test_wheel_speeds_without_a_unit_are_asked_for():
    with pytest.raises(ColumnError, match=r"the unit of 'wheel fl' is not said.*no unit is said of any wheel's speed"):
        recording({"wheel fl": RUN.speed, "wheel fr": RUN.speed})
    assert_allclose(recording({"wheel fl": RUN.speed / 0.44704}, units="mph").samples["speed"], RUN.speed)


def test_distance_that_falls_back_is_counted_from_the_line():
    out = recording({"distance": RUN.lap_distance, "speed [m/s]": RUN.speed})
    assert "odometer" not in out.samples
    assert_allclose(out.samples["lap_distance"], RUN.lap_distance)
    assert "odometer" in recording({"distance": RUN.path, "speed [m/s]": RUN.speed}).samples


# --------------------------------------------------------------------------------- signs


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_left_is_positive(sign):
    out = recording({
        "x": RUN.x, "y": RUN.y, "speed [m/s]": RUN.speed, "yaw rate [deg/s]": sign * np.degrees(RUN.yaw_rate),
        "ay [m/s2]": sign * RUN.lateral, "steering [deg]": sign * np.degrees(RUN.steering),
    })  # fmt: skip
    assert_allclose(out.samples["yaw_rate"], RUN.yaw_rate, atol=1e-9)
    assert_allclose(out.samples["lateral_acceleration"], RUN.lateral, atol=1e-9)
    assert_allclose(out.samples["steering"], RUN.steering, atol=1e-9)
    turned = [text for text in out.provenance.warnings if "turned over, positive to the left" in text]
    assert len(turned) == (3 if sign < 0 else 0)


def test_two_signs_that_disagree_without_a_position():
    out = recording({"speed [m/s]": RUN.speed, "yaw rate [rad/s]": RUN.yaw_rate, "ay [m/s2]": -RUN.lateral})
    assert said(out.provenance.warnings, "have opposite signs (correlation -")
    assert_allclose(out.samples["yaw_rate"], RUN.yaw_rate)


@pytest.mark.parametrize("unit", ["deg", "rad", None])
@pytest.mark.parametrize("writing", ["from x", "compass", "from north", "reversed"])
def test_heading(unit, writing):
    heading = {
        "from x": RUN.heading, "compass": np.pi / 2 - RUN.heading, "from north": RUN.heading - np.pi / 2, "reversed": -RUN.heading,
    }[writing] % (2 * np.pi)  # fmt: skip
    values = heading if unit == "rad" else np.degrees(heading)
    header = f"heading [{unit}]" if unit else "heading"
    out = recording({"x": RUN.x, "y": RUN.y, "speed [m/s]": RUN.speed, header: values})
    assert_allclose(np.exp(1j * out.samples["heading"]), np.exp(1j * RUN.heading), atol=1e-9)
    assert said(out.provenance.warnings, "brought to anticlockwise from x") == (writing != "from x")
    if writing == "compass":
        assert said(out.provenance.warnings, "clockwise from north (compass)")


def test_heading_that_follows_nothing():
    out = recording({"x": RUN.x, "y": RUN.y, "speed [m/s]": RUN.speed, "heading [rad]": np.sin(7 * RUN.time)})
    assert said(out.provenance.warnings, "does not follow the direction of travel; left as it is")


# -------------------------------------------------------------------------- slow sensors


def test_blanks_between_samples_are_filled_in_time():
    slow = np.where(np.arange(len(RUN.time)) % 4 == 0, RUN.x, np.nan)
    gear = np.where(np.arange(len(RUN.time)) % 10 == 0, 1 + RUN.lap, np.nan)
    out = recording({"x": slow, "y": RUN.y, "speed [m/s]": RUN.speed, "gear": gear, "Blower": slow})
    own = np.arange(0, len(RUN.time), 4)
    line = np.interp(RUN.time[: own[-1] + 1], RUN.time[own], RUN.x[own])
    for name in ("x", "Blower"):
        assert_allclose(out.samples[name][: own[-1] + 1], line, atol=1e-9)
    assert_allclose(out.samples["gear"], 1 + np.repeat(RUN.lap[::10], 10))
    filled = (len(RUN.time) // 4 - 1) * 3
    assert said(
        out.provenance.warnings,
        f"x, Blower: {filled} blanks filled by a line (one each 0.2 s), 3 blanks not filled",
    )
    assert said(out.provenance.warnings, "filled by the previous sample")


def test_long_blanks_are_not_filled():
    gone = RUN.speed.copy()
    gone[100:140] = np.nan
    out = recording({"speed [m/s]": gone})
    assert out.samples["speed"].isna().sum() == 40
    assert said(out.provenance.warnings, "speed: 40 blanks not filled; at most 1 s are filled")
    wide = recording({"speed [m/s]": gone}, max_gap=3.0)
    assert wide.samples["speed"].isna().sum() == 0


def test_angles_are_filled_the_short_way_round():
    heading = np.degrees(RUN.heading) % 360
    heading[np.arange(len(heading)) % 3 != 0] = np.nan
    out = recording({"x": RUN.x, "y": RUN.y, "speed [m/s]": RUN.speed, "heading [deg]": heading})
    both = np.exp(1j * out.samples["heading"][:-3]) * np.exp(-1j * RUN.heading[:-3])
    assert np.abs(np.angle(both)).max() < 0.02


@pytest.mark.parametrize("held", [2, 5, 10])
def test_held_values_are_released(held):
    hold = np.repeat(np.arange(0, len(RUN.time), held), held)[: len(RUN.time)]
    out = recording(
        {"x": RUN.x[hold], "y": RUN.y[hold], "speed [m/s]": RUN.speed, "throttle [%]": 100 * RUN.throttle[hold]}
    )
    assert_allclose(out.samples["x"][:-held], RUN.x[:-held], atol=0.15 * held**2 * 0.25 + 0.05)
    assert_allclose(out.samples["throttle"][::held], RUN.throttle[::held])
    own = np.arange(0, len(RUN.time), held)
    line = np.interp(RUN.time[: own[-1] + 1], RUN.time[own], RUN.throttle[own])
    assert_allclose(out.samples["throttle"][: own[-1] + 1], line, atol=1e-9)
    assert out.slow["throttle"] == pytest.approx(held * 0.05)
    assert said(
        out.provenance.warnings, f"x, y, throttle: held for {held} rows each, so sampled every {held * 0.05:.2g} s"
    )


@pytest.mark.parametrize("rate", [8, 5, 3, 2.9])
def test_held_values_of_a_rate_that_does_not_divide(rate):
    hold = np.floor(np.floor(np.arange(len(RUN.time)) * rate / 20 + 1e-9) * 20 / rate + 1 - 1e-9).astype(int)
    out = recording({"x": RUN.x[hold], "y": RUN.y[hold], "speed [m/s]": RUN.speed})
    error = np.hypot(out.samples["x"] - RUN.x, out.samples["y"] - RUN.y)[:-8]
    assert error.max() < 2.2  # a chord across the tightest corner at 3 samples a second
    assert said(out.provenance.warnings, "x, y: held for")


def test_held_values_after_a_lost_row():
    hold = np.delete(np.repeat(np.arange(0, len(RUN.time), 4), 4), [1500])
    row = np.delete(np.arange(len(RUN.time)), [1500])
    raw = table({"time [s]": RUN.time[row], "x": RUN.x[hold], "y": RUN.y[hold], "speed [m/s]": RUN.speed[row]})
    assert_allclose(assemble(raw).samples["x"][:-4], RUN.x[row][:-4], atol=0.7)


def test_standing_still_stays_still():
    x = np.concatenate([np.zeros(400), RUN.x[::4].repeat(4) - RUN.x[0]])
    t = np.arange(len(x)) / 20
    y = np.concatenate([np.zeros(400), RUN.y[::4].repeat(4) - RUN.y[0]])
    out = assemble(table({"time [s]": t, "x": x, "y": y, "speed [m/s]": np.concatenate([np.zeros(400), RUN.speed])}))
    assert (out.samples["x"][:396] == 0).all()


@given(st.integers(0, 2**31))
@settings(deadline=None)
def test_rounded_values_are_not_held(seed):
    rng = np.random.default_rng(seed)
    smooth = np.cumsum(np.cumsum(rng.standard_normal(4000)))
    assert hold_length(np.round(smooth / np.ptp(smooth) * 300)) == 1


def pedal(rate, *, seconds=240.0, seed=0):
    """Flat out but for a lift every five to eight seconds, each of another shape and depth."""
    rng = np.random.default_rng(seed)
    begin = np.cumsum(rng.uniform(5.0, 8.0, int(seconds / 5)))
    depth, down, hold, up = rng.uniform([[0.2], [0.1], [0.1], [0.2]], [[1.0], [0.3], [0.8], [0.6]], (4, len(begin)))
    corners = np.column_stack([begin, begin + down, begin + down + hold, begin + down + hold + up]).ravel()
    opened = np.column_stack([np.ones_like(depth), 1 - depth, 1 - depth, np.ones_like(depth)]).ravel()
    time = np.arange(round(seconds * rate)) / rate
    return time, np.interp(time, corners, opened, left=1.0, right=1.0)


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("step", [0.0, 0.005, 0.01])
@pytest.mark.parametrize(("rate", "held"), [(50, 5), (50, 2), (100, 10), (100, 4), (20, 2)])
def test_a_held_throttle_is_released_and_flat_stretches_stay_flat(rate, held, step, seed):
    time, throttle = pedal(rate, seed=seed)
    throttle = np.round(throttle / step) * step if step else throttle
    slow = throttle[np.arange(len(time)) // held * held]
    assert hold_length(throttle) == 1
    assert hold_length(slow) == held
    out = assemble(table({"time [s]": time, "speed [m/s]": 40 + np.sin(time), "throttle": slow})).samples["throttle"]
    own = np.arange(0, len(time), held)
    line = np.interp(time, time[own], throttle[own])
    assert_allclose(out[: own[-1] + 1], line[: own[-1] + 1], atol=1e-9)


def test_a_switch_has_nothing_between_on_and_off():
    time, throttle = pedal(50)
    switch = (throttle < 0.5).astype(float)[np.arange(len(time)) // 5 * 5]
    out = assemble(table({"time [s]": time, "speed [m/s]": 40 + np.sin(time), "brake": switch}))
    assert_allclose(out.samples["brake"], switch)


@given(st.integers(0, 2**31), st.sampled_from([10, 20, 50, 100]), st.sampled_from([0.05, 0.1, 0.5, 1.0]))
@settings(deadline=None)
def test_a_rounded_speed_is_not_held(seed, rate, step):
    _, throttle = pedal(rate, seed=seed)
    speed = 40 + np.cumsum(9 * throttle - 7) / rate % 7
    assert hold_length(np.round(speed * 3.6 / step) * step) == 1


# --------------------------------------------------------------------- speeds that cannot be


def test_spikes_and_dropouts_of_speed_are_left_out_and_counted():
    speed = RUN.speed * 3.6
    speed[300:303] = 0.0
    speed[700] = 999.0
    speed[1200] = -500.0
    out = recording({"speed [km/h]": speed})
    assert_allclose(out.samples["speed"], RUN.speed, atol=0.5)
    assert said(
        out.provenance.warnings,
        "5 samples of speed leaping away and coming back, as no car can (more than 100 m/s2 there and back), left out, "
        "first at line 302.",
    )
    assert said(out.provenance.warnings, "speed: 5 blanks filled by a line")


@given(st.floats(2, 60), st.floats(1, 25), st.floats(1, 25), st.floats(0, 30), st.sampled_from([5, 10, 20, 50, 100]))
@settings(deadline=None)
def test_a_real_stop_is_not_touched(top, braking, pulling, stand, rate):
    corners = np.cumsum([0.0, 5.0, top / braking, stand, top / pulling, 5.0])
    time = np.arange(round(corners[-1] * rate)) / rate
    speed = np.round(np.interp(time, corners, [top, top, 0.0, 0.0, top, top]) * 3.6) / 3.6
    assert not without_spikes(time, speed).size


def test_infinite_values_are_blank():
    speed = RUN.speed.copy()
    speed[[5, 9]] = np.inf
    out = recording({"speed [m/s]": speed})
    assert np.isfinite(out.samples["speed"]).all()
    assert said(out.provenance.warnings, "'speed [m/s]': 2 infinite values, first at line 7, taken as blank")


# -------------------------------------------------------------------- clock and the rest


def test_rows_follow_the_clock():
    row = np.arange(len(RUN.time))
    row[[300, 301]] = [301, 300]
    raw = table(
        {
            "time [s]": RUN.time[row],
            "speed [m/s]": RUN.speed[row],
            "x": RUN.x[row],
            "y": RUN.y[row],
            "note": [str(r) for r in row],
        }
    )
    out = assemble(raw)
    assert_allclose(out.samples["x"], RUN.x)
    assert_allclose(out.samples["speed"], RUN.speed)
    assert out.samples["note"].tolist() == [str(r) for r in range(len(row))]


def test_resets_and_gaps_reach_the_recording():
    keep = np.delete(np.arange(len(RUN.time)), np.arange(1300, 1400))
    out = assemble(table({"Lap time [s]": RUN.time[keep] % 30, "speed [m/s]": RUN.speed[keep]}))
    assert out.resets == [600, 1200, 1700]
    assert len(out.gaps) == 1
    assert_allclose(out.samples["lap_clock"], RUN.time[keep] % 30, atol=1e-9)


def test_gears_and_laps_in_words():
    gear = ["R", "N", "1", "2"] * (len(RUN.time) // 4)
    lap = [f"Lap {int(n)}" for n in RUN.lap]
    out = recording({"speed [m/s]": RUN.speed, "gear": gear, "lap": lap})
    assert out.samples["gear"][:4].tolist() == [-1, 0, 1, 2]
    assert_allclose(out.samples["lap"], RUN.lap)
    assert all(is_discrete(name) for name in ("gear", "lap"))


@pytest.mark.parametrize(
    ("words", "numbers", "how"),
    [
        (["Out", "L1", "L2", "L3"], [0, 1, 2, 3], "each takes the number before or after"),
        (["Out", "7", "8", "In"], [6, 7, 8, 9], "each takes the number before or after"),
        (["Lap-4", "In", "Lap-6", "Lap-7"], [4, 5, 6, 7], "each takes the number before or after"),
        (["L1", "In", "Out", "L2"], [1, 2, 3, 4], "all laps are numbered in driving order"),
        (["out", "hot", "cool", "in"], [1, 2, 3, 4], "each takes the number before or after"),
    ],
)
def test_laps_in_words(words, numbers, how):
    out = recording({"speed [m/s]": RUN.speed, "Lap": [words[int(n)] for n in RUN.lap]})
    assert out.samples["lap"].tolist() == [numbers[int(n)] for n in RUN.lap]
    named = [f"'{word}'" for word in words if not any(sign.isdigit() for sign in word)]
    assert said(out.provenance.notes, f"'Lap' names laps by a word without a number ({', '.join(named)}): {how}.")


def test_words_that_change_too_often_are_no_laps():
    out = recording({"speed [m/s]": RUN.speed, "Lap": [("a", "b", "c")[k % 3] for k in range(len(RUN.time))]})
    assert out.samples["lap"].isna().all()
    assert said(out.provenance.warnings, "'Lap' holds words that change too often to be laps; left out.")


@pytest.mark.parametrize(("word", "rows", "number"), [("Out", slice(None, 600), 0), ("In", slice(-20, None), 4)])
def test_a_word_among_the_numbers_of_laps_is_a_lap_of_its_own(tmp_path, word, rows, number):
    lap = RUN.lap.astype(int).astype(object)
    lap[rows] = word
    file = tmp_path / "run.csv"
    cells = zip(RUN.time, RUN.speed, lap, strict=True)
    file.write_text("time (s),speed (m/s),lap\n" + "".join(f"{t:.2f},{v:.3f},{n}\n" for t, v, n in cells))
    out = read_csv(file)
    expected = RUN.lap.copy()
    expected[rows] = number
    assert_allclose(out.samples["lap"], expected)
    assert said(out.provenance.notes, f"'lap' names laps by a word without a number ('{word}')")


def test_a_column_of_zeros_does_no_harm():
    zero = np.zeros(len(RUN.time))
    out = recording(
        {
            "speed [m/s]": RUN.speed,
            "x": RUN.x,
            "y": RUN.y,
            "yaw rate": zero,
            "ay": zero,
            "throttle": zero,
            "heading": zero,
        }
    )
    assert out.samples[["yaw_rate", "throttle"]].eq(0).all().all()


def test_a_car_that_never_moves_is_read_all_the_same():
    zero = np.zeros(50)
    out = assemble(
        table({"time [s]": np.arange(50) / 10, "speed [km/h]": zero, "x": zero, "y": zero, "yaw rate": zero})
    )
    assert len(out.samples) == 50


@given(st.integers(3, 60), st.data())
@settings(max_examples=50, deadline=None)
def test_any_numbers_give_a_recording_or_a_message(rows, data):
    values = st.lists(st.floats(width=32), min_size=rows, max_size=rows).map(np.array)
    columns = {
        h: data.draw(values) for h in ("time", "speed [km/h]", "lat", "lon", "yaw rate", "heading", "throttle", "gear")
    }
    try:
        out = assemble(table(columns))
    except (ColumnError, FileError):
        return
    assert (np.diff(out.samples["time"]) > 0).all()
    assert not np.isinf(out.samples.to_numpy()).any()


ZERO = np.full(len(RUN.time), np.nan)


@pytest.mark.parametrize(
    ("columns", "error", "words"),
    [
        (
            {"throttle": RUN.throttle, "Blower": RUN.x},
            ColumnError,
            r"no speed column was recognised.*time \[s\], throttle, Blower.*columns=",
        ),
        (
            {"speed [m/s]": ZERO},
            ColumnError,
            r"the speed column 'speed \[m/s\]' holds no numbers, and there is no usable position",
        ),
        ({"x": RUN.x}, ColumnError, "no speed column was recognised, and there is no usable position or distance"),
        ({"lat": ["here"] * len(RUN.time), "lon": RUN.longitude}, ColumnError, "no usable position or distance either"),
        ({"lat": ZERO, "lon": ZERO}, ColumnError, "no usable position or distance either"),
        ({"lat": 0 * RUN.x, "lon": 0 * RUN.x}, ColumnError, "no usable position or distance either"),
    ],
)
def test_files_without_movement(columns, error, words):
    with pytest.raises(error, match=words):
        recording(columns)


def test_an_empty_speed_is_replaced_by_position():
    out = recording({"speed [m/s]": ZERO, "x": RUN.x, "y": RUN.y})
    assert said(out.provenance.warnings, "'speed [m/s]' was read as speed but holds no numbers")
    assert_allclose(out.samples["speed"][3:-3], RUN.speed[3:-3], rtol=0.01)


def test_units_that_do_not_fit_are_refused():
    with pytest.raises(UnitError, match="'kPa' is not a unit of speed"):
        recording({"speed": RUN.speed}, units={"speed": "kPa"})


# --------------------------------------------------------------------------- whole files


@pytest.mark.parametrize("dialect", ["plain", "semicolon", "units row", "preamble"])
def test_a_file(tmp_path, dialect):
    path = tmp_path / "run.csv"
    rows = [
        f"{t:.3f},{3.6 * v:.6f},{x:.6f},{y:.6f}" for t, v, x, y in zip(RUN.time, RUN.speed, RUN.x, RUN.y, strict=True)
    ]
    lines = ["Time [s],Speed [km/h],X [m],Y [m]", *rows]
    if dialect == "semicolon":
        lines = [line.replace(",", ";").replace(".", ",") for line in lines]
    elif dialect == "units row":
        lines = ["Time,Speed,X,Y", "s,km/h,m,m", *rows]
    elif dialect == "preamble":
        lines = ["Recorded by,nobody", "Track,Invented Ring", "", *lines]
    path.write_text("\n".join(lines))
    out = read_csv(path)
    assert_allclose(out.samples["speed"], RUN.speed, atol=1e-6)
    assert_allclose(out.samples["time"], RUN.time, atol=1e-9)
    assert out.provenance.source == "run.csv"


class Open:
    def read(self): ...


@pytest.mark.parametrize(
    ("path", "found"),
    [
        (None, "None"),
        (3, "3"),
        (Open(), "an open file"),
        ("", "''"),
        ("a\0b", "x00"),
        (pd.DataFrame({"a": [1]}), "a frame of 1 row"),
    ],
)
def test_what_is_no_path_is_refused(path, found):
    with pytest.raises(FileError, match=f"expected the path of a file, such as .run.csv., and found .*{found}"):
        read_csv(path)


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        (
            {"columns": ["a"]},
            ColumnError,
            r"columns= has to be a mapping of channels to headers.*found \['a'\] \(list\)",
        ),
        ({"columns": 5}, ColumnError, r"columns= has to be a mapping.*found 5 \(int\)"),
        ({"columns": {3: "speed"}}, ColumnError, "3: expected a header"),
        ({"columns": {"throttle": {"column": "speed", "zero": 1}}}, ColumnError, "zero and full are two numbers"),
        (
            {"columns": {"throttle": {"column": "speed", "zero": 1, "full": 1}}},
            ColumnError,
            "zero and full are the same, 1",
        ),
        ({"columns": {"speed": {"column": "speed", "zero": 0, "full": 1}}}, ColumnError, "values of a pedal released"),
        ({"units": 5}, UnitError, r"units= has to be a mapping of channels or headers to units.*found 5 \(int\)"),
        ({"units": ["mph"]}, UnitError, r"found \['mph'\] \(list\)"),
        ({"units": {3: "mph"}}, UnitError, "'3' is neither a column of the file nor a channel"),
    ],
)
def test_what_is_no_mapping_is_refused(given, error, words):
    with pytest.raises(error, match=words):
        assemble(table({"time [s]": RUN.time, "speed": RUN.speed}), **given)


def test_a_mapping_beside_a_file(tmp_path):
    path = tmp_path / "run.csv"
    path.write_text("clock,A\n" + "\n".join(f"{k / 10},{k}" for k in range(30)))
    path.with_name("run.csv.toml").write_text(
        '[columns]\nspeed = {column = "A", unit = "mph"}\ntime = {column = "clock", unit = "s"}\n'
    )
    out = read_csv(path)
    assert out.samples["speed"][10] == pytest.approx(4.4704)
    assert said(out.provenance.notes, "columns taken from run.csv.toml")
