"""Headers, units rows and the user's mapping: which column is which channel, and in what unit."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from importers.invented import table

from lapkit.channels import CHANNELS
from lapkit.errors import ColumnError, UnitError
from lapkit.importers.columns import assign_columns
from lapkit.importers.headers import find_header, without_markup
from lapkit.model.recording import Provenance

ROWS = 10


def assign(headers, *, units_row=None, texts=(), path=None, **given):
    values = np.linspace(1, 2, ROWS)
    raw = table({h: ["a"] * ROWS if h in texts else values for h in headers}, units_row)
    log = Provenance("run.csv")
    found = assign_columns(raw, log, path=path, **given)
    found.log = log
    return found


@pytest.mark.parametrize(
    ("header", "channel", "unit"),
    [
        ("Speed [km/h]", "speed", "km/h"),
        ("GPS Speed (mph)", "speed", "mph"),
        ("ground_speed_mps", "speed", "m/s"),
        ("vx(m/s)", "speed", "m/s"),
        ("Speed (GPS)", "speed", None),
        ("Throttle %", "throttle", "%"),
        ("throttle_pct", "throttle", "%"),
        ("Brake (kPa)", "brake_pressure", "kPa"),
        ("brake pos [%]", "brake", "%"),
        ("Brake Pressure (bar)", "brake_pressure", "bar"),
        ("Yaw (deg/s)", "yaw_rate", "deg/s"),
        ("Yaw rate [deg]", "yaw_rate", "deg/s"),
        ("heading (deg)", "heading", "deg"),
        ("Lat G", "lateral_acceleration", "g"),
        ("Longitudinal g", "longitudinal_acceleration", "g"),
        ("accel_y (m/s^2)", "lateral_acceleration", "m/s2"),
        ("RPM", "engine_speed", None),
        ("Engine speed [1/min]", "engine_speed", "rpm"),
        ("Speed (rpm)", "engine_speed", "rpm"),
        ("Lap (s)", "lap_clock", "s"),
        ("Distance [km]", "odometer", "km"),
        ("Lap distance (ft)", "lap_distance", "ft"),
        ("Oil Temp [°C]", "oil_temperature", "degC"),
        ("Gear", "gear", "1"),
        ("<b>Steering (deg)</b>", "steering", "deg"),
        ("<p>Throttle</p><br>(%)", "throttle", "%"),
        ("<img src=x onerror=f(2)> Brake (bar)", "brake_pressure", "bar"),
        ("<td><i>X</i> (m)</td>", "x", "m"),
        ("Speed <km/h>", "speed", "km/h"),
        ("<script>f(1)</script> Speed (mph)", "speed", "mph"),
    ],
)
def test_headers(header, channel, unit):
    found = assign([header]).channels
    assert list(found) == [channel]
    assert found[channel].unit == unit
    assert found[channel].header == header
    word = without_markup(header).lower().split()[0].split("_")[0].split("(")[0]
    assert word in found[channel].source().reason.lower()


def test_units_row():
    found = assign(["speed", "throttle", "steer"], units_row={"speed": "[mph]", "throttle": "%", "steer": "°"}).channels
    assert [found[name].unit for name in ("speed", "throttle", "steering")] == ["mph", "%", "deg"]
    assert found["speed"].unit_reason == "unit in the units row"


def test_a_unit_in_the_header_goes_before_the_units_row():
    assert assign(["speed [mph]"], units_row={"speed [mph]": "km/h"}).channels["speed"].unit == "mph"


def test_a_unit_nobody_knows_leaves_the_column_alone():
    found = assign(["time", "lap distance", "fuel"], units_row={"lap distance": "laps", "fuel": "sips"})
    assert not found.channels
    assert "'fuel': the units row says 'sips', a unit lapkit does not know; kept as it is" in found.log.notes[0]
    assert found.log.warnings == [  # aloud: much rests on this one
        "'lap distance': the units row says 'laps', a unit lapkit does not know; kept as it is "
        '(units={"lap_distance": ...} reads it as lap_distance).'
    ]


def test_a_unit_of_something_else_leaves_the_column_alone():
    found = assign(["fuel (kg)"])
    assert not found.channels
    assert "'fuel (kg)' reads like fuel, but kg is no unit of volume; kept as it is." in found.log.notes


@pytest.mark.parametrize("order", [1, -1])
def test_the_better_of_two_columns_is_taken(order):
    found = assign(["GPS speed [km/h]", "speed", "vehicle speed [km/h]"][::order])
    assert found.channels["speed"].header == "vehicle speed [km/h]"
    assert len(found.log.notes) == 2
    assert "'speed' also means speed; 'vehicle speed [km/h]' was taken" in " ".join(found.log.notes)


def test_a_column_that_holds_nothing_loses():
    raw = table({"speed": np.full(5, np.nan), "velocity": np.zeros(5), "GPS speed": np.arange(5.0)})
    assert assign_columns(raw, Provenance("")).channels["speed"].header == "GPS speed"


def test_more_data_wins_last():
    few = np.array([1.0, np.nan, np.nan, 2.0, np.nan])
    assert (
        assign_columns(table({"speed": few, "velocity": np.arange(5.0)}), Provenance("")).channels["speed"].header
        == "velocity"
    )


def test_words_can_not_be_a_speed():
    found = assign(["speed"], texts=["speed"])
    assert not found.channels
    assert found.log.warnings == ["'speed' holds words (such as 'a'), not numbers: not read as speed, kept as it is."]


def test_words_can_not_be_what_a_unit_makes_of_a_column():
    found = assign(["lap [mi]"], texts=["lap [mi]"])  # a lap may be named in words, a lap distance may not
    assert not found.channels
    assert "'lap [mi]' holds words (such as 'a'), not numbers: not read as lap_distance" in found.log.warnings[0]


def test_every_clock_is_offered_best_first():
    assert [c.header for c in assign(["GNSS clock", "Time [s]", "Timestamp"]).clocks] == [
        "Time [s]",
        "Timestamp",
        "GNSS clock",
    ]


# ------------------------------------------------------------------- what the user gives


def test_mapping():
    found = assign(["t", "WHL 3", "speed"], columns={"speed": {"column": "WHL 3", "unit": "mph"}})
    assert (found.channels["speed"].header, found.channels["speed"].unit) == ("WHL 3", "mph")
    assert found.channels["speed"].source().reason == "chosen in columns=; unit as given"
    assert "'speed' also means speed" in found.log.notes[0]


def test_mapping_speaks_loosely_of_headers_and_channels():
    found = assign(["Drehz [1/min]", "s [m]"], columns={"rpm": "drehz", "distance": "S [m]"})
    assert found.channels["engine_speed"].header == "Drehz [1/min]"
    assert found.channels["engine_speed"].unit == "rpm"
    assert found.channels["odometer"].header == "s [m]"


@pytest.mark.parametrize("name", ["run.csv.toml", "run.toml"])
def test_a_mapping_beside_the_file_is_used_by_itself(tmp_path, name):
    tmp_path.joinpath(name).write_text('[columns]\nspeed = {column = "WHL 3", unit = "mph"}\nthrottle = "Pedal 1"\n')
    found = assign(["WHL 3", "Pedal 1"], path=tmp_path / "run.csv")
    assert found.channels["speed"].unit == "mph"
    assert found.channels["throttle"].header == "Pedal 1"
    assert found.log.notes == [f"columns taken from {name}, which stands beside the file."]


def test_a_mapping_given_goes_before_the_one_beside_the_file(tmp_path):
    tmp_path.joinpath("run.toml").write_text("[columns]\nspeed = 'A'\n")
    given = tmp_path / "mine.toml"
    given.write_text("[columns]\nspeed = 'B'\n")
    for columns in (given, str(given), {"speed": "B"}):
        found = assign(["A", "B"], path=tmp_path / "run.csv", columns=columns)
        assert found.channels["speed"].header == "B"


def test_another_toml_beside_the_file_does_no_harm(tmp_path):
    tmp_path.joinpath("run.toml").write_text("[markers]\nboard = 120\n")
    found = assign(["speed [m/s]"], path=tmp_path / "run.csv.gz")
    assert found.log.warnings == [
        "run.toml stands beside the file but has no table [columns]: nothing was taken from it (it holds [markers])."
    ]


def test_what_is_not_read_of_a_mapping_file_is_named(tmp_path):
    tmp_path.joinpath("run.toml").write_text("speed = 'A'\n[columns]\nspeed = 'B'\n[units]\nspeed = 'mph'\n")
    found = assign(["A", "B"], path=tmp_path / "run.csv")
    assert found.channels["speed"].header == "B"
    assert found.log.warnings == ["run.toml: only the table [columns] is read; left out: speed, [units]."]


@pytest.mark.parametrize(
    ("header", "channel"),
    [
        ("Accélérateur", "throttle"), ("ACCÉLÉRATEUR (%)", "throttle"), ("Acce\u0301le\u0301rateur", "throttle"),
        ("Pédale d'accélérateur [%]", "throttle"), ("Farfalla", "throttle"), ("Posição do acelerador", "throttle"),
        ("Geschwindigkeit in km/h", "speed"), ("Velocità", "speed"), ("Velocidade (km/h)", "speed"),
        ("Snelheid [km/u]", "speed"), ("Vitesse GPS", "speed"), ("Régime moteur (tr/min)", "engine_speed"),
        ("Motordrehzahl [U/min]", "engine_speed"), ("Öldruck [bar]", "oil_pressure"), ("Länge", "longitude"),
        ("LÄNGSBESCHLEUNIGUNG [g]", "longitudinal_acceleration"), ("Ángulo de volante", "steering"),
        ("Pression de freinage (bar)", "brake_pressure"), ("Rondenummer", "lap"), ("Freno [%]", "brake"),
    ],
)  # fmt: skip
def test_headers_in_other_languages_with_or_without_accents(header, channel):
    assert list(assign([header]).channels) == [channel]


def test_units_go_before_what_the_file_says():
    by_channel = assign(["speed [km/h]", "brake"], units={"speed": "mph", "brake": "bar"})
    assert by_channel.channels["speed"].unit == "mph"
    assert by_channel.channels["brake_pressure"].unit == "bar"
    by_header = assign(["Blower speed", "Lat acc"], units={"Lat acc": "g"})
    assert by_header.channels["lateral_acceleration"].unit == "g"
    assert by_header.channels["lateral_acceleration"].unit_reason == "unit as given"


def test_one_unit_of_speed():
    assert assign(["speed"], units="mph").speed_unit == "mph"


HEADERS = ["time", "WHL 3", "throttle", "note"]


@pytest.mark.parametrize(
    ("given", "error", "words"),
    [
        (
            {"columns": {"speed": "WHL 4"}},
            ColumnError,
            r"columns=: no column 'WHL 4' for speed \(did you mean 'WHL 3'\?\).*time, WHL 3",
        ),
        ({"columns": {"sped": "WHL 3"}}, ColumnError, r"'sped' is no channel \(did you mean 'speed'\?\)"),
        ({"columns": {"speed": 3}}, ColumnError, "speed: expected a header, or a column and a unit, found 3"),
        ({"columns": {"speed": {"unit": "mph"}}}, ColumnError, "expected a header, or a column and a unit"),
        ({"columns": {"speed": {"column": "WHL 3", "units": "mph"}}}, ColumnError, "expected a header"),
        (
            {"columns": {"speed": {"column": "WHL 3", "unit": "warp"}}},
            ColumnError,
            "speed: 'warp' is no unit lapkit knows",
        ),
        (
            {"columns": {"speed": {"column": "WHL 3", "unit": "bar"}}},
            UnitError,
            r"'bar' is not a unit of speed.*WHL 3.*km/h",
        ),
        ({"columns": {"speed": "WHL 3", "x": "WHL 3"}}, ColumnError, "'WHL 3' is given for both speed and x"),
        (
            {"columns": {"speed": "note"}},
            ColumnError,
            r"'note' holds words \(such as 'a'\), not numbers, so it can not be speed",
        ),
        (
            {"columns": {"bogus": "WHL 3"}},
            ColumnError,
            "'bogus' is no channel.*The channels are: time, .*speed, .*damper_fl/fr",
        ),
        ({"columns": {"speed": "force [kN]"}}, ColumnError, "no column 'force"),
        ({"columns": {"speed": "A", "sped": "B"}}, ColumnError, "no column 'A' for speed.*; 'sped' is no channel"),
        ({"columns": "absent.toml"}, ColumnError, "columns= names the file absent.toml, which can not be read"),
        ({"units": "furlong"}, UnitError, r"units='furlong' is not a unit of speed; use one of: m/s, km/h"),
        ({"units": "bar"}, UnitError, "units='bar' is not a unit of speed"),
        ({"units": {"throttle": "warp"}}, UnitError, r"'warp' \(for throttle\) is no unit lapkit knows"),
        ({"units": {"throtle": "%"}}, UnitError, r"'throtle' is neither a column.*did you mean 'throttle'"),
        ({"units": {"throttle": "mph"}}, UnitError, "'mph' is not a unit of fraction, which 'throttle'"),
        ({"units": {"WHL 3": "mph"}}, ColumnError, r"gives 'WHL 3' a unit, but no column is read as that.*columns="),
        ({"units": {"gear": "1"}}, ColumnError, "gives 'gear' a unit, but no column is read as that"),
    ],
)
def test_a_wrong_mapping_is_refused(given, error, words):
    with pytest.raises(error, match=words):
        assign(HEADERS, texts=["note"], **given)


@pytest.mark.parametrize(
    ("header", "row", "channel", "words"),
    [
        (
            "Throttle (%)",
            None,
            "speed",
            r"'Throttle \(%\)' was given as speed, and it is in %, .*no unit of speed; name another",
        ),
        ("RPM 2 (rpm)", None, "speed", "it is in rpm, which is no unit of speed; give it as engine_speed"),
        ("Q7", {"Q7": "sips"}, "x", 'the units row says \'sips\', .*units={"x": "<unit>"}'),
    ],
)
def test_a_column_asked_for_is_taken_for_that_or_refused(header, row, channel, words):
    with pytest.raises(ColumnError, match=words):
        assign([header, "time"], units_row=row, columns={channel: header})


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[columns]\nthrottle = {column = 'throttle', zero = 'a', full = 1}\n", "zero and full are two numbers"),
        ("[columns]\nspeed = \n", r"run\.toml: not valid TOML: .*line 2"),
        ("columns = 3\n", r"run\.toml: no table \[columns\]"),
        ("[columns]\nspeed = 'NOPE'\n", r"run\.toml: no column 'NOPE' for speed"),
        ("[columns]\nspeed = '\x00'\n", r"not valid TOML"),
    ],
)
def test_a_broken_mapping_file_is_refused(tmp_path, text, words):
    tmp_path.joinpath("run.toml").write_text(text)
    with pytest.raises(ColumnError, match=words):
        assign(HEADERS, path=tmp_path / "run.csv")


def test_find_header():
    headers = ["Speed [km/h]", "GPS Speed", "lap  time"]
    assert find_header(headers, "Speed [km/h]") == "Speed [km/h]"
    assert find_header(headers, "speed") == "Speed [km/h]"
    assert find_header(headers, "Lap Time") == "lap  time"
    assert find_header(headers, "torque") is None


@given(st.permutations(["time", "speed [m/s]", "GPS speed", "throttle", "tps", "Foo", "y", "x"]))
def test_the_order_of_columns_does_not_matter(headers):
    found = assign(headers)
    assert {c: a.header for c, a in found.channels.items()} == {
        "speed": "speed [m/s]",
        "throttle": min(("throttle", "tps"), key=headers.index),
        "x": "x",
        "y": "y",
    }


@given(st.sampled_from(sorted(set(CHANNELS) - {"time", "distance", "path"})))
def test_the_glossary_reads_its_own_names(channel):
    for header in (channel, channel.replace("_", " ").title()):
        assert list(assign([header]).channels) == [channel]
