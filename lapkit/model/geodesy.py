"""Latitude and longitude to local east-north metres, and the ways receivers write angles.

Everything is closed form on an ellipsoid of revolution; no map projection is involved, so
lengths on the local plane are true near its origin (a point 5 km away is drawn 0.5 mm too close).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


class Ellipsoid(NamedTuple):
    """An ellipsoid of revolution.

    Attributes
    ----------
    semi_major : float
        Equatorial radius, m.
    inverse_flattening : float
        1/f.
    """

    semi_major: float
    inverse_flattening: float

    @property
    def semi_minor(self) -> float:
        """Polar radius, m."""
        return self.semi_major * (1.0 - 1.0 / self.inverse_flattening)

    @property
    def eccentricity_squared(self) -> float:
        """First eccentricity squared."""
        flattening = 1.0 / self.inverse_flattening
        return flattening * (2.0 - flattening)


WGS84 = Ellipsoid(6378137.0, 298.257223563)
"""World Geodetic System 1984; defining constants from NIMA TR8350.2."""


def geodetic_to_ecef(
    latitude: FloatArray | float,
    longitude: FloatArray | float,
    height: FloatArray | float = 0.0,
    *,
    ellipsoid: Ellipsoid = WGS84,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Convert latitude, longitude and height to earth-centred Cartesian coordinates.

    Parameters
    ----------
    latitude, longitude : float or ndarray, shape (n,)
        Geodetic angles in radians, north and east positive.
    height : float or ndarray, shape (n,)
        Height above the ellipsoid, m.
    ellipsoid : Ellipsoid
        WGS 84 where not given.

    Returns
    -------
    x, y, z : ndarray, shape (n,)
        Metres; z towards the north pole, x towards longitude zero.

    References
    ----------
    IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), method 9602.

    Examples
    --------
    >>> x, y, z = geodetic_to_ecef(0.0, 0.0)
    >>> float(x), float(y), float(z)
    (6378137.0, 0.0, 0.0)
    """
    sine, cosine = np.sin(latitude), np.cos(latitude)
    e2 = ellipsoid.eccentricity_squared
    normal = ellipsoid.semi_major / np.sqrt(1.0 - e2 * sine * sine)
    level = (normal + height) * cosine
    return level * np.cos(longitude), level * np.sin(longitude), (normal * (1.0 - e2) + height) * sine


def geodetic_to_local(
    latitude: FloatArray | float,
    longitude: FloatArray | float,
    height: FloatArray | float = 0.0,
    *,
    origin: tuple[float, float, float],
    ellipsoid: Ellipsoid = WGS84,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Convert latitude, longitude and height to metres east, north and up of an origin.

    Parameters
    ----------
    latitude, longitude : float or ndarray, shape (n,)
        Geodetic angles in radians, north and east positive. NaN gives NaN.
    height : float or ndarray, shape (n,)
        Height above the ellipsoid, m.
    origin : (float, float, float)
        Latitude and longitude (rad) and height (m) of the local origin.
    ellipsoid : Ellipsoid
        WGS 84 where not given.

    Returns
    -------
    east, north, up : ndarray, shape (n,)
        Metres on the plane that touches the ellipsoid at the origin.

    References
    ----------
    IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), method 9836.

    Examples
    --------
    One second of arc north of a point on the equator is 30.7 m:

    >>> east, north, up = geodetic_to_local(np.radians(1 / 3600), 0.0, origin=(0.0, 0.0, 0.0))
    >>> round(float(north), 1)
    30.7
    """
    x, y, z = geodetic_to_ecef(latitude, longitude, height, ellipsoid=ellipsoid)
    x0, y0, z0 = geodetic_to_ecef(*origin, ellipsoid=ellipsoid)
    x, y, z = x - x0, y - y0, z - z0
    sin_lat, cos_lat = np.sin(origin[0]), np.cos(origin[0])
    sin_lon, cos_lon = np.sin(origin[1]), np.cos(origin[1])
    outward = cos_lon * x + sin_lon * y
    return cos_lon * y - sin_lon * x, cos_lat * z - sin_lat * outward, cos_lat * outward + sin_lat * z


def degrees_from_ddmm(value: FloatArray | float) -> FloatArray:
    """Decode angles written as degrees and minutes run together, ``ddmm.mmmm``.

    Parameters
    ----------
    value : float or ndarray, shape (n,)
        Such as 4807.038 for 48 degrees 7.038 minutes; a minus sign counts for the whole.

    Returns
    -------
    ndarray, shape (n,)
        Decimal degrees.

    References
    ----------
    NMEA 0183, latitude and longitude fields.

    Examples
    --------
    >>> round(float(degrees_from_ddmm(4807.038)), 4)
    48.1173
    """
    size = np.abs(value)
    degrees = np.floor(size / 100.0)
    return np.asarray(np.copysign(degrees + (size - 100.0 * degrees) / 60.0, value))
