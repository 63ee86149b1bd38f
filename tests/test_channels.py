"""The glossary against published conversion factors, and against itself."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapkit.channels import (
    CHANNELS,
    COLUMNS,
    SI_UNIT,
    STANDARD_GRAVITY,
    UNITS,
    channel_for,
    dimension_of,
    from_si,
    is_discrete,
    split_unit,
    to_si,
    unit_name,
)
from lapkit.errors import UnitError

# NIST SP 811 (2008) Appendix B.8 and B.9, printed factors from memory and recomputed;
# 40 CFR 1066.20(b) prints the mile, the inch, 1 hp = 550 ft.lbf/s and 1 lbf = 4.4482 N.
PUBLISHED = [
    # length and speed, exact but for the knot
    (1.0, "mile", "length", 1609.344, 1e-12),
    (1.0, "ft", "length", 0.3048, 1e-15),
    (1.0, "inch", "length", 0.0254, 1e-15),
    (1.0, "mph", "speed", 0.44704, 1e-15),
    (1.0, "knot", "speed", 0.514444, 5e-7),
    (60.0, "mph", "speed", 26.8224, 1e-13),
    # force, pressure, torque, power, volume: half a unit of the last printed digit
    (1.0, "lbf", "force", 4.448222, 5e-7),
    (1.0, "psi", "pressure", 6894.757, 5e-4),
    (1.0, "lb-ft", "torque", 1.355818, 5e-7),
    (1.0, "hp", "power", 745.6999, 5e-5),
    (1.0, "metric hp", "power", 735.4988, 5e-5),
    (1.0, "gallon", "volume", 3.785412e-3, 5e-10),
    # standard gravity: BIPM SI Brochure, CGPM 3 (1901)
    (1.0, "g", "acceleration", 9.80665, 0.0),
    # angle, rate of rotation, temperature
    (1.0, "deg", "angle", 0.01745329, 5e-9),
    (1.0, "rpm", "angular rate", 0.1047198, 5e-8),
    (77.0, "degF", "temperature", 298.15, 1e-12),
    (77.0 + 459.67, "degF", "temperature", 5 / 9 * (77.0 + 2 * 459.67), 1e-9),
]


@pytest.mark.parametrize(("value", "unit", "dimension", "expected", "tolerance"), PUBLISHED)
def test_published_factors(value, unit, dimension, expected, tolerance):
    assert to_si(value, unit, dimension) == pytest.approx(expected, rel=1e-15, abs=tolerance)


def test_gravity_in_feet():
    # 40 CFR 1066.20(b) prints 32.174 ft.lbm/(lbf.s2)
    assert from_si(STANDARD_GRAVITY, "ft/s2", "acceleration") == pytest.approx(32.17405, abs=5e-6)


def test_rankine():
    # 77 degF is 298.15 K, 536.67 degrees Rankine; a widely copied figure of 534 is wrong
    assert to_si(77.0, "degF", "temperature") * 9 / 5 == pytest.approx(536.67, abs=1e-9)


@given(st.sampled_from([(d, u) for d in UNITS for u in UNITS[d]]), st.floats(-1e6, 1e6))
def test_conversion_round_trip(case, value):
    dimension, unit = case
    factor, offset = UNITS[dimension][unit]
    there = from_si(to_si(value, unit, dimension), unit, dimension)
    assert there == pytest.approx(value, rel=1e-12, abs=1e-12 * (1 + abs(offset / factor)))
    array = np.array([value, 0.0])
    assert to_si(array, unit, dimension).tolist() == [to_si(value, unit, dimension), to_si(0.0, unit, dimension)]


@pytest.mark.parametrize(
    ("unit", "dimension", "words"),
    [
        ("furlong", "length", "'furlong' is not a unit of length; use one of: m, km"),
        ("bar", "speed", "'bar' is not a unit of speed; use one of: m/s, km/h, mph"),
    ],
)
def test_wrong_units(unit, dimension, words):
    for convert in (to_si, from_si):
        with pytest.raises(UnitError, match=words):
            convert(1.0, unit, dimension)


# ------------------------------------------------------------------------------ glossary


def test_si_units_convert_by_one():
    assert set(SI_UNIT) == set(UNITS)
    for dimension, unit in SI_UNIT.items():
        assert UNITS[dimension][unit] == (1.0, 0.0)


def test_every_channel_is_complete():
    for name, channel in CHANNELS.items():
        assert name == channel.name == name.lower()
        assert channel.dimension in UNITS
        assert channel.meaning[0].isupper()
        assert not channel.meaning.endswith(".")
        assert channel.unit == SI_UNIT[channel.dimension]
        assert dimension_of(f"{name}_uncertainty") == channel.dimension
        assert is_discrete(name) == (channel.kind == "discrete")
    assert not is_discrete("Blower")
    assert dimension_of("Blower") is None


def test_every_table_column_is_complete():
    for name, (dimension, meaning) in COLUMNS.items():
        assert name not in CHANNELS
        assert dimension in UNITS
        assert meaning
        assert dimension_of(name) == dimension


def test_aliases_are_in_normal_form_and_lead_to_a_channel():
    for channel in CHANNELS.values():
        for alias in channel.aliases:
            assert alias == alias.lower() == " ".join(alias.split())
            assert channel_for(alias) is not None


@pytest.mark.parametrize("unit", sorted({u for units in UNITS.values() for u in units}))
def test_unit_names_read_back_as_themselves(unit):
    assert unit_name(unit) == unit
    if unit != "1":
        assert split_unit(f"Some thing [{unit}]") == ("some thing", unit)


@pytest.mark.parametrize(
    ("header", "words", "unit"),
    [
        ("GPS Speed [km/h]", "gps speed", "km/h"),
        ("speed_kmh", "speed", "km/h"),
        ("speed_mph", "speed", "mph"),
        ("Speed (KPH)", "speed", "km/h"),
        ("throttle_pct", "throttle", "%"),
        ("Throttle%", "throttle", "%"),
        ("vx(m/s)", "vx", "m/s"),
        ("ax(m/s^2)", "ax", "m/s2"),
        ("YawRate_dps", "yaw rate", "deg/s"),
        ("yaw_rate_deg_s", "yaw rate", "deg/s"),
        ("yaw_rate_rad_s", "yaw rate", "rad/s"),
        ("speed_m_s", "speed", "m/s"),
        ("speed_km_h", "speed", "km/h"),
        ("Speed / km/h", "speed", "km/h"),
        ("Speed, km/h", "speed", "km/h"),
        ("accel_y_m_s2", "accel y", "m/s2"),
        ("Oil temp [°C]", "oil temp", "degC"),
        ("oil_temp_C", "oil temp", "degC"),
        ("brake press {bar}", "brake press", "bar"),
        ("time_ms", "time", "ms"),
        ("timestamp", "timestamp", None),
        ("LapTime", "lap time", None),
        ("lat", "lat", None),
        ("lap", "lap", None),
        ("x_m", "x", "m"),
        ("Distance (m)", "distance", "m"),
        ("accel_x_g", "accel x", "g"),
        ("latitude_deg", "latitude", "deg"),
    ],
)
def test_headers_split_into_words_and_unit(header, words, unit):
    assert split_unit(header) == (words, unit)
