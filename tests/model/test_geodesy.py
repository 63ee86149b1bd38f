"""Geodesy against published worked examples."""

from importlib.util import find_spec

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from lapkit.channels import to_si
from lapkit.model.geodesy import WGS84, Ellipsoid, degrees_from_ddmm, geodetic_to_ecef, geodetic_to_local


def dms(degrees, minutes, seconds):
    return np.radians(np.copysign(abs(degrees) + minutes / 60 + seconds / 3600, degrees))


def test_wgs84_derived_constants():
    # NIMA TR8350.2 (3rd edition), tables 3.1 and 3.3
    e2 = WGS84.eccentricity_squared
    assert WGS84.semi_minor == pytest.approx(6356752.3142, abs=5e-5)
    assert e2 == pytest.approx(0.00669437999014, abs=5e-15)
    assert e2 / (1 - e2) == pytest.approx(0.00673949674228, abs=5e-15)
    assert (2 * WGS84.semi_major + WGS84.semi_minor) / 3 == pytest.approx(6371008.7714, abs=5e-5)


def test_geocentric_example_of_epsg_9602():
    # IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), geographic/geocentric conversions
    x, y, z = geodetic_to_ecef(dms(53, 48, 33.820), dms(2, 7, 46.380), 73.0)
    assert (x, y, z) == pytest.approx((3771793.968, 140253.342, 5124304.349), abs=1e-3)


def test_topocentric_example_of_epsg_9836():
    # IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), geographic/topocentric conversions
    origin = (np.radians(55.0), np.radians(5.0), 200.0)
    local = geodetic_to_local(dms(53, 48, 33.820), dms(2, 7, 46.380), 73.0, origin=origin)
    assert local == pytest.approx((-189013.869, -128642.040, -4220.171), abs=1e-3)
    assert geodetic_to_ecef(*origin) == pytest.approx((3652755.3058, 319574.6799, 5201547.3536), abs=1e-4)
    assert geodetic_to_local(*origin, origin=origin) == pytest.approx((0.0, 0.0, 0.0), abs=1e-9)


def test_airy_example_of_the_ordnance_survey():
    # Ordnance Survey, A guide to coordinate systems in Great Britain, Annexe B
    a, b = 6377563.396, 6356256.910
    x, y, z = geodetic_to_ecef(dms(52, 39, 27.2531), dms(1, 43, 4.5177), 24.700, ellipsoid=Ellipsoid(a, a / (a - b)))
    assert (x, y, z) == pytest.approx((3874938.849, 116218.624, 5047168.208), abs=1e-3)


# Flinders Peak and Buninyong: GDA Technical Manual (ICSM / Geoscience Australia) test line
FLINDERS = (dms(-37, 57, 3.72030), dms(144, 25, 29.52440), 0.0)
BUNINYONG = (dms(-37, 39, 10.15610), dms(143, 55, 35.38390), 0.0)
GRS80 = Ellipsoid(6378137.0, 298.257222101)


@pytest.mark.parametrize("ellipsoid", [WGS84, GRS80], ids=["WGS 84", "GRS 80"])
def test_flinders_peak_to_buninyong(ellipsoid):
    # printed: 54972.271 m, azimuth 306 52 05.37. Ours is the chord, bent to the arc whose radius is
    # the curvature radius in that azimuth (Euler): for 55 km the bend is 0.17 m
    east, north, up = geodetic_to_local(*BUNINYONG, origin=FLINDERS, ellipsoid=ellipsoid)
    azimuth = np.degrees(np.arctan2(east, north)) % 360
    assert azimuth == pytest.approx(306 + 52 / 60 + 5.37 / 3600, abs=0.02 / 3600)
    e2, latitude = ellipsoid.eccentricity_squared, 0.5 * (FLINDERS[0] + BUNINYONG[0])
    normal = ellipsoid.semi_major / np.sqrt(1 - e2 * np.sin(latitude) ** 2)
    meridian = normal * (1 - e2) / (1 - e2 * np.sin(latitude) ** 2)
    toward = np.radians(azimuth)
    radius = 1 / (np.cos(toward) ** 2 / meridian + np.sin(toward) ** 2 / normal)
    chord = np.sqrt(east**2 + north**2 + up**2)
    assert 2 * radius * np.arcsin(chord / (2 * radius)) == pytest.approx(54972.271, abs=2e-3)


def test_back_azimuth_of_the_same_line():
    east, north, _ = geodetic_to_local(*FLINDERS, origin=BUNINYONG)
    assert np.degrees(np.arctan2(east, north)) % 360 == pytest.approx(127 + 10 / 60 + 25.07 / 3600, abs=0.02 / 3600)


@pytest.mark.skipif(find_spec("geographiclib") is None, reason="geographiclib is not installed")
@given(st.floats(-80, 80), st.floats(-180, 180), st.floats(0, 6.3), st.floats(1, 5000))
def test_short_lengths_agree_with_geodesics(latitude, longitude, toward, length):
    from geographiclib.geodesic import Geodesic

    end = Geodesic.WGS84.Direct(latitude, longitude, np.degrees(toward), length)
    origin = (np.radians(latitude), np.radians(longitude), 0.0)
    east, north, _ = geodetic_to_local(np.radians(end["lat2"]), np.radians(end["lon2"]), origin=origin)
    assert np.hypot(east, north) == pytest.approx(length, rel=2e-7, abs=1e-6)


def test_receiver_sentence_example():
    # widely published NMEA 0183 example: $GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,...
    assert degrees_from_ddmm(4807.038) == pytest.approx(48.1173, abs=5e-7)
    assert degrees_from_ddmm(1131.000) == pytest.approx(11.516667, abs=5e-7)
    assert to_si(22.4, "kn", "speed") == pytest.approx(11.52356, abs=5e-6)


@given(st.floats(-179.99, 179.99))
def test_ddmm_round_trip(degrees):
    whole = np.floor(abs(degrees))
    written = np.copysign(whole * 100 + (abs(degrees) - whole) * 60, degrees)
    assert degrees_from_ddmm(written) == pytest.approx(degrees, abs=1e-9)
    assert np.isnan(degrees_from_ddmm(np.array([np.nan]))).all()


def test_missing_fixes_stay_missing():
    latitude = np.radians(np.array([50.0, np.nan, 50.001]))
    east, north, up = geodetic_to_local(latitude, np.radians(np.full(3, 8.0)), origin=(latitude[0], np.radians(8.0), 0))
    for values in (east, north, up):
        assert np.isfinite(values).tolist() == [True, False, True]
