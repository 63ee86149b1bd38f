"""The glossary: every canonical channel, its symbol, SI unit, sign and aliases.

One quantity has one name everywhere: in frames, tables, JSON, parameters and charts.
Values are SI inside lapkit; the border (files, printed text, charts) speaks other units,
and every conversion between the two is in this module.

Axes and signs follow ISO 8855: x forward, y left, z up; yaw, steering and lateral
quantities are positive to the left. Intervals are half-open, ``[start, end)``, everywhere:
an event that ends at a place does not contain that place.
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Literal, overload

import numpy as np
from numpy.typing import NDArray

from lapkit.errors import UnitError

Kind = Literal["float", "discrete", "angle"]

FloatArray = NDArray[np.float64]


@dataclass(frozen=True)
class Channel:
    """One line of the glossary.

    Attributes
    ----------
    name : str
        Canonical name, as used for columns and parameters.
    symbol : str
        Symbol used in formulas and documentation.
    dimension : str
        Physical dimension, a key of `UNITS`.
    meaning : str
        One sentence, with the sign where there is one.
    aliases : tuple of str
        Words a file may use, in normal form (lower case, single spaces).
    kind : {"float", "discrete", "angle"}
        How values between samples are found: interpolated, the previous
        sample, or interpolated after unwrapping.
    """

    name: str
    symbol: str
    dimension: str
    meaning: str
    aliases: tuple[str, ...] = field(default=())
    kind: Kind = "float"

    @property
    def unit(self) -> str:
        """SI unit of the channel."""
        return SI_UNIT[self.dimension]


# --------------------------------------------------------------------------- units

SI_UNIT = {
    "time": "s",
    "length": "m",
    "speed": "m/s",
    "acceleration": "m/s2",
    "angle": "rad",
    "angular rate": "rad/s",
    "fraction": "1",
    "pressure": "Pa",
    "temperature": "K",
    "volume": "m3",
    "mass": "kg",
    "force": "N",
    "torque": "N m",
    "power": "W",
    "curvature": "1/m",
    "voltage": "V",
    "stiffness": "N/m",
    "number": "1",
}

STANDARD_GRAVITY = 9.80665  # m/s2, exact by definition (CGPM 3, 1901)
_MILE, _FOOT, _INCH = 1609.344, 0.3048, 0.0254  # m, exact (NIST SP 811 B.8)
_POUND = 0.45359237  # kg, exact
_LBF = _POUND * STANDARD_GRAVITY
_DEG = np.pi / 180.0

# dimension -> unit -> (factor, offset): SI value = factor * value + offset
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "time": {"s": (1.0, 0.0), "ms": (1e-3, 0.0), "us": (1e-6, 0.0), "ns": (1e-9, 0.0), "min": (60.0, 0.0)},
    "length": {
        "m": (1.0, 0.0),
        "km": (1000.0, 0.0),
        "mm": (1e-3, 0.0),
        "cm": (1e-2, 0.0),
        "mi": (_MILE, 0.0),
        "ft": (_FOOT, 0.0),
        "in": (_INCH, 0.0),
        "yd": (3 * _FOOT, 0.0),
    },
    "speed": {
        "m/s": (1.0, 0.0),
        "km/h": (1 / 3.6, 0.0),
        "mph": (_MILE / 3600.0, 0.0),
        "kn": (1852.0 / 3600.0, 0.0),
        "ft/s": (_FOOT, 0.0),
    },
    "acceleration": {
        "m/s2": (1.0, 0.0),
        "g": (STANDARD_GRAVITY, 0.0),
        "ft/s2": (_FOOT, 0.0),
        "mg": (STANDARD_GRAVITY / 1000.0, 0.0),
    },
    "angle": {"rad": (1.0, 0.0), "deg": (_DEG, 0.0)},
    "angular rate": {
        "rad/s": (1.0, 0.0),
        "deg/s": (_DEG, 0.0),
        "rpm": (np.pi / 30.0, 0.0),
        "Hz": (2 * np.pi, 0.0),
    },
    "fraction": {"1": (1.0, 0.0), "%": (0.01, 0.0)},
    "pressure": {
        "Pa": (1.0, 0.0),
        "kPa": (1e3, 0.0),
        "MPa": (1e6, 0.0),
        "bar": (1e5, 0.0),
        "mbar": (100.0, 0.0),
        "psi": (_LBF / _INCH**2, 0.0),
    },
    "temperature": {
        "K": (1.0, 0.0),
        "degC": (1.0, 273.15),
        "degF": (5.0 / 9.0, 459.67 * 5.0 / 9.0),
    },
    "volume": {"m3": (1.0, 0.0), "L": (1e-3, 0.0), "gal": (231 * _INCH**3, 0.0)},
    "mass": {"kg": (1.0, 0.0), "lb": (_POUND, 0.0)},
    "force": {"N": (1.0, 0.0), "kN": (1e3, 0.0), "lbf": (_LBF, 0.0)},
    "torque": {"N m": (1.0, 0.0), "lbf ft": (_LBF * _FOOT, 0.0)},
    "power": {
        "W": (1.0, 0.0),
        "kW": (1e3, 0.0),
        "hp": (550.0 * _LBF * _FOOT, 0.0),
        "metric hp": (75.0 * STANDARD_GRAVITY, 0.0),
    },
    "curvature": {"1/m": (1.0, 0.0)},
    "voltage": {"V": (1.0, 0.0), "mV": (1e-3, 0.0)},
    "stiffness": {"N/m": (1.0, 0.0), "N/mm": (1e3, 0.0), "lbf/in": (_LBF / _INCH, 0.0)},
    "number": {"1": (1.0, 0.0)},
}

# Spellings met in files -> the unit's name above. Case matters only where it changes the
# meaning, so exact spellings are tried first, then the lower-case ones.
_SPELLINGS: dict[str, str] = {
    "sec": "s", "secs": "s", "second": "s", "seconds": "s", "msec": "ms", "millis": "ms",
    "milliseconds": "ms", "usec": "us", "µs": "us", "μs": "us", "microseconds": "us",
    "nsec": "ns", "nanoseconds": "ns", "minutes": "min",
    "meter": "m", "meters": "m", "metre": "m", "metres": "m", "kilometers": "km", "kilometres": "km",
    "miles": "mi", "mile": "mi", "feet": "ft", "foot": "ft", "inch": "in", "inches": "in", "yards": "yd",
    "mps": "m/s", "ms-1": "m/s", "ms^-1": "m/s", "m s-1": "m/s", "m s^-1": "m/s", "m.s-1": "m/s",
    "meters/s": "m/s", "metres/s": "m/s", "m/sec": "m/s", "m s": "m/s", "km h": "km/h", "rad s": "rad/s",
    "deg s": "deg/s", "m s2": "m/s2",
    "kmh": "km/h", "km/u": "km/h", "kph": "km/h", "kmph": "km/h", "km/hr": "km/h", "kmhr": "km/h", "kmh-1": "km/h",
    "km h-1": "km/h", "mi/h": "mph", "mi/hr": "mph", "miles/h": "mph", "miles per hour": "mph",
    "kt": "kn", "kts": "kn", "knot": "kn", "knots": "kn", "fps": "ft/s", "ft/sec": "ft/s",
    "m/s^2": "m/s2", "m/s²": "m/s2", "m/s/s": "m/s2", "mps2": "m/s2", "m s-2": "m/s2", "m s^-2": "m/s2",
    "ms-2": "m/s2", "ms2": "m/s2", "meters/s^2": "m/s2", "g-force": "g", "gs": "g", "gn": "g",
    "ft/s^2": "ft/s2",
    "radian": "rad", "radians": "rad", "degree": "deg", "degrees": "deg", "°": "deg", "º": "deg",
    "rad s-1": "rad/s", "rads": "rad/s", "radps": "rad/s", "rad/sec": "rad/s", "radians/s": "rad/s",
    "degs": "deg/s", "dps": "deg/s", "°/s": "deg/s", "º/s": "deg/s", "degrees/s": "deg/s",
    "deg/sec": "deg/s", "degps": "deg/s",
    "rev/min": "rpm", "1/min": "rpm", "min-1": "rpm", "r/min": "rpm", "u/min": "rpm", "hz": "Hz",
    "pct": "%", "percent": "%", "per cent": "%", "prozent": "%", "-": "1", "ratio": "1", "fraction": "1",
    "none": "1", "unitless": "1", "0-1": "1", "0..1": "1",
    "pa": "Pa", "kpa": "kPa", "mpa": "MPa", "bars": "bar", "hpa": "mbar", "lbf/in2": "psi",
    "kelvin": "K", "c": "degC", "°c": "degC", "ºc": "degC", "deg c": "degC", "celsius": "degC",
    "f": "degF", "°f": "degF", "ºf": "degF", "deg f": "degF", "fahrenheit": "degF",
    "l": "L", "litre": "L", "litres": "L", "liter": "L", "liters": "L", "gallon": "gal", "gallons": "gal",
    "us gal": "gal", "kgs": "kg", "lbs": "lb", "pounds": "lb", "newton": "N", "nm": "N m", "n.m": "N m",
    "n*m": "N m", "lb-ft": "lbf ft", "ft-lb": "lbf ft", "lbf.ft": "lbf ft", "lbft": "lbf ft",
    "lb/in": "lbf/in", "lbs/in": "lbf/in", "kw": "kW", "bhp": "hp", "ps": "metric hp", "cv": "metric hp", "1/metre": "1/m", "m-1": "1/m",
    "volt": "V", "volts": "V", "millivolts": "mV", "tr/min": "rpm", "tours/min": "rpm", "giri/min": "rpm",
    "toeren/min": "rpm", "umdr/min": "rpm", "sekunden": "s", "secondes": "s", "segundos": "s", "secondi": "s",
    "por ciento": "%", "pour cent": "%", "grad": "deg", "degres": "deg", "grados": "deg", "gradi": "deg",
}  # fmt: skip

_UNIT_NAMES = {unit for units in UNITS.values() for unit in units}
_LOWER_NAMES = {unit.lower(): unit for unit in sorted(_UNIT_NAMES, reverse=True)}


def unit_name(text: str) -> str | None:
    """Return the glossary's name of a unit spelled in any usual way.

    Parameters
    ----------
    text : str
        Spelling found in a file, such as ``"kmph"`` or ``"m/s^2"``.

    Returns
    -------
    str or None
        The unit's name in `UNITS`, or None where the spelling is not known.

    Examples
    --------
    >>> unit_name("kmph"), unit_name("m/s^2"), unit_name("furlong")
    ('km/h', 'm/s2', None)
    """
    spelling = " ".join(text.strip().split())
    if spelling in _UNIT_NAMES:
        return spelling
    lower = spelling.lower()
    return _SPELLINGS.get(spelling) or _SPELLINGS.get(lower) or _LOWER_NAMES.get(lower)


def _coefficients(unit: str, dimension: str) -> tuple[float, float]:
    name = unit_name(unit)
    if name is None or name not in UNITS[dimension]:
        known = ", ".join(UNITS[dimension])
        raise UnitError(f"'{unit}' is not a unit of {dimension}; use one of: {known}.")
    return UNITS[dimension][name]


@overload
def to_si(value: float, unit: str, dimension: str) -> float: ...
@overload
def to_si(value: FloatArray, unit: str, dimension: str) -> FloatArray: ...
def to_si(value: float | FloatArray, unit: str, dimension: str) -> float | FloatArray:
    """Convert a value in `unit` to SI.

    Parameters
    ----------
    value : float or ndarray
        Value in `unit`.
    unit : str
        Any usual spelling of a unit.
    dimension : str
        What is measured, a key of `UNITS`.

    Returns
    -------
    float or ndarray
        The value in the SI unit of the dimension.

    Raises
    ------
    UnitError
        If the unit is unknown or measures something else.

    References
    ----------
    NIST Special Publication 811 (2008), Appendix B.

    Examples
    --------
    >>> round(to_si(60.0, "mph", "speed"), 6)
    26.8224
    """
    factor, offset = _coefficients(unit, dimension)
    return value * factor + offset


@overload
def from_si(value: float, unit: str, dimension: str) -> float: ...
@overload
def from_si(value: FloatArray, unit: str, dimension: str) -> FloatArray: ...
def from_si(value: float | FloatArray, unit: str, dimension: str) -> float | FloatArray:
    """Convert an SI value to `unit`: the inverse of `to_si`.

    Examples
    --------
    >>> round(from_si(26.8224, "mph", "speed"), 6)
    60.0
    """
    factor, offset = _coefficients(unit, dimension)
    return (value - offset) / factor


# ------------------------------------------------------------------------ glossary


def _corner_set(name: str, symbol: str, dimension: str, meaning: str, words: tuple[str, ...]) -> list[Channel]:
    """Four channels, one a wheel, with the wheel's position spelled in the usual ways."""
    places = {
        "fl": ("fl", "lf", "front left", "left front"),
        "fr": ("fr", "rf", "front right", "right front"),
        "rl": ("rl", "lr", "rear left", "left rear"),
        "rr": ("rr", "rear right", "right rear"),
    }
    return [
        Channel(
            f"{name}_{key}",
            f"{symbol}_{key}",
            dimension,
            f"{meaning}, {spelled[2] if len(spelled) > 2 else 'rear right'} wheel",
            tuple(f"{w} {p}" for w in words for p in spelled) + tuple(f"{p} {w}" for w in words for p in spelled),
        )
        for key, spelled in places.items()
    ]


_CHANNELS: list[Channel] = [
    Channel("time", "t", "time", "Seconds: since the first sample of a recording, or since a lap's own crossing of the line",
            ("time", "t", "timestamp", "time stamp", "timestamps", "elapsed time", "elapsed", "session time", "log time",
             "utc time", "utc", "clock", "date time", "datetime", "epoch", "unix time", "time of day", "run time",
             "gps time", "zeit", "uhrzeit", "temps", "heure", "tiempo", "hora", "tempo", "ora", "tijd")),
    Channel("distance", "sigma", "length", "Place on the track: metres from the start/finish line along the reference line"),
    Channel("path", "s", "length", "Metres actually driven since the lap's own crossing of the line"),
    Channel("odometer", "S", "length", "Running distance as logged, not reset at the line",
            ("distance", "dist", "odometer", "total distance", "distance travelled", "distance traveled",
             "run distance", "session distance", "path", "weg", "strecke", "distanz", "gefahrene strecke",
             "distance parcourue", "distancia", "distancia recorrida", "distanza", "distanza percorsa",
             "distancia percorrida", "afstand")),
    Channel("lap_distance", "s_lap", "length", "Distance since the line as logged, falling back to zero each lap",
            ("lap distance", "lap dist", "distance in lap", "distance this lap", "distance into lap",
             "lapdistance", "lapdist", "rundendistanz", "rundenstrecke", "distance tour", "distance dans le tour",
             "distancia vuelta", "distancia de vuelta", "distanza giro", "distancia da volta", "rondeafstand")),
    Channel("offset", "e", "length", "Distance of the car from the reference line, positive to the left"),
    Channel("lap", "n", "number", "Lap number",
            ("lap", "lap number", "lap no", "lap num", "lap count", "lap counter", "laps", "lap id", "current lap",
             "lapnumber", "runde", "rundennummer", "tour", "numero de tour", "numero tour", "vuelta", "numero de vuelta",
             "giro", "numero giro", "volta", "numero da volta", "ronde", "rondenummer"), "discrete"),
    Channel("lap_clock", "t_lap", "time", "Time since the line as logged, falling back to zero each lap",
            ("lap time", "current lap time", "time in lap", "lap timer", "lap clock", "time this lap", "laptime",
             "rundenzeit", "temps au tour", "temps tour", "tiempo de vuelta", "tiempo vuelta", "tempo giro", "tempo sul giro",
             "tempo de volta", "tempo da volta", "rondetijd")),
    Channel("x", "x", "length", "Position east of a local origin",
            ("x", "pos x", "position x", "x position", "x pos", "east", "easting", "local x", "posx", "x coordinate")),
    Channel("y", "y", "length", "Position north of a local origin",
            ("y", "pos y", "position y", "y position", "y pos", "north", "northing", "local y", "posy", "y coordinate")),
    Channel("z", "z", "length", "Height of the car, positive up",
            ("z", "altitude", "alt", "height", "elevation", "elev", "pos z", "position z", "z position", "up",
             "hoehe", "höhe", "altitud", "altitudine", "altura", "hoogte")),
    Channel("latitude", "phi", "angle", "Geodetic latitude (WGS 84), north positive",
            ("latitude", "lat", "breite", "breitengrad", "latitud", "latitudine", "breedtegraad")),
    Channel("longitude", "lambda", "angle", "Geodetic longitude (WGS 84), east positive",
            ("longitude", "lon", "long", "lng", "laenge", "länge", "längengrad", "laengengrad",
             "longitud", "longitudine", "lengtegraad"), "angle"),
    Channel("speed", "v", "speed", "Speed over the ground, along the path",
            ("speed", "velocity", "vel", "v", "vx", "ground speed", "vehicle speed", "car speed", "speed over ground",
             "groundspeed", "sog", "forward speed", "longitudinal speed", "longitudinal velocity",
             "speed x", "velocity x", "vel x", "road speed",
             "geschwindigkeit", "fahrgeschwindigkeit", "fahrzeuggeschwindigkeit", "vitesse", "vitesse vehicule",
             "vitesse du vehicule", "vitesse sol", "velocidad", "velocidad del vehiculo", "velocidad vehiculo", "velocità",
             "velocità veicolo", "velocidade", "velocidade do veiculo", "snelheid", "voertuigsnelheid")),
    Channel("lateral_velocity", "v_y", "speed", "Speed across the car, positive to the left",
            ("vy", "lateral velocity", "lateral speed", "velocity y", "speed y", "vel y")),
    Channel("heading", "psi", "angle", "Direction the car points, anticlockwise from x (east)",
            ("heading", "yaw", "yaw angle", "psi", "phi", "heading angle"), "angle"),
    Channel("course", "chi", "angle", "Direction of travel, clockwise from north (compass)",
            ("course", "course over ground", "cog", "bearing", "true course", "track angle",
             "kurs", "cap", "rumbo", "rotta", "rumo", "koers"), "angle"),
    Channel("yaw_rate", "omega", "angular rate", "Rate of turn, positive to the left",
            ("yaw rate", "yawrate", "omega", "omega z", "gyro z", "gyro yaw", "rate of turn", "yaw velocity",
             "gierrate", "giergeschwindigkeit", "vitesse de lacet", "velocidad de guiñada", "velocità di imbardata",
             "velocidade de guinada", "giersnelheid", "z rate", "angular rate z", "r rate")),
    Channel("curvature", "kappa", "curvature", "Curvature of the driven path, positive to the left",
            ("curvature", "path curvature", "kappa")),
    Channel("longitudinal_acceleration", "a_x", "acceleration", "Acceleration along the car, positive forward",
            ("ax", "accel x", "acceleration x", "acc x", "longitudinal acceleration", "long accel", "longitudinal accel",
             "longitudinal g", "long g", "g long", "longacc", "inline acceleration", "x acceleration", "accelx", "long acc",
             "g longitudinal", "longitudinal acc", "forward acceleration", "längsbeschleunigung", "laengsbeschleunigung",
             "accélération longitudinale", "aceleración longitudinal", "accelerazione longitudinale",
             "aceleração longitudinal", "langsversnelling")),
    Channel("lateral_acceleration", "a_y", "acceleration", "Acceleration across the car, positive to the left",
            ("ay", "accel y", "acceleration y", "acc y", "lateral acceleration", "lat accel", "lateral accel", "lateral g",
             "lat g", "g lat", "latacc", "side acceleration", "y acceleration", "accely", "lat acc", "g lateral",
             "lateral acc", "querbeschleunigung", "accélération latérale", "accélération transversale", "aceleración lateral",
             "accelerazione laterale", "aceleração lateral", "dwarsversnelling")),
    Channel("vertical_acceleration", "a_z", "acceleration", "Acceleration normal to the car, positive up",
            ("az", "accel z", "acceleration z", "acc z", "vertical acceleration", "vert accel", "vertical g", "accelz",
             "z acceleration")),
    Channel("throttle", "th", "fraction", "Throttle, 0 closed to 1 fully open",
            ("throttle", "throttle position", "throttle pos", "throttle pedal", "throttle ped", "throttle ped cmd",
             "accelerator", "accelerator pedal", "accelerator position", "pedal", "pedal position", "gas", "gas pedal",
             "throttle cmd", "throttle command", "tps", "throttle angle", "throttle opening", "throttle input",
             "gas pedal position", "gaspedal", "gaspedalstellung", "fahrpedal", "fahrpedalstellung", "drosselklappe",
             "drosselklappenstellung", "drosselklappenwinkel", "accélérateur", "pédale accélérateur", "pédale d accélérateur",
             "position accélérateur", "papillon", "position papillon", "ouverture papillon", "gaz", "acelerador",
             "posición acelerador", "posición del acelerador", "pedal acelerador", "mariposa", "posición mariposa",
             "apertura mariposa", "acceleratore", "pedale acceleratore", "posizione acceleratore", "farfalla",
             "posizione farfalla", "apertura farfalla", "pedal do acelerador", "posição do acelerador", "borboleta",
             "gaspedaal", "gasklep", "gasklepstand")),
    Channel("brake", "b", "fraction", "Brake pedal, 0 released to 1 fully applied",
            ("brake", "brake pedal", "brake position", "brake pos", "brakes", "brake input", "brake pedal position",
             "brake ped", "brake cmd", "bremse", "bremspedal", "frein", "freins", "pédale de frein", "freno", "frenos",
             "pedal de freno", "pedal freno", "pedale freno", "freio", "pedal de freio", "pedal do freio", "travão", "rem",
             "rempedaal")),
    Channel("brake_pressure", "p_b", "pressure", "Brake line pressure",
            ("brake pressure", "brake press", "brake line pressure", "front brake pressure", "brake pressure front",
             "brake ped cmd", "bremsdruck", "pression frein", "pression freins", "pression de frein", "pression de freinage",
             "presión freno", "presión de freno", "pressione freno", "pressione freni", "pressão de freio",
             "pressão do freio", "remdruk")),
    Channel("steering", "delta_w", "angle", "Steering-wheel angle, positive to the left",
            ("steering", "steering angle", "steering wheel angle", "steering wheel", "steer", "steer angle", "steering position",
             "steering pos", "handwheel angle", "steering input", "lenkwinkel", "lenkradwinkel", "lenkung", "volant",
             "angle volant", "angle au volant", "angle du volant", "volante", "ángulo volante", "ángulo de volante",
             "ángulo del volante", "angolo volante", "sterzo", "angolo sterzo", "ângulo do volante", "stuurhoek", "stuur")),
    Channel("road_wheel_angle", "delta", "angle", "Steer angle of the front road wheels, positive to the left",
            ("road wheel angle", "delta", "wheel angle", "front wheel angle", "front steer angle")),
    Channel("engine_speed", "n_e", "angular rate", "Engine speed",
            ("engine speed", "rpm", "engine rpm", "revs", "engine revs", "engine revolutions", "tach", "tachometer",
             "rpm motor", "drehzahl", "motordrehzahl", "régime", "régime moteur", "tours moteur", "régimen motor",
             "régimen del motor", "revoluciones", "giri", "giri motore", "regime motore", "rotação", "rotação do motor",
             "toerental", "motortoerental")),
    Channel("gear", "G", "number", "Gear engaged, 0 neutral", ("gear", "gear position", "gear number", "current gear",
            "selected gear", "gear pos", "gang", "rapport", "rapport engagé", "marcha", "marcia", "versnelling"), "discrete"),
    Channel("roll", "phi_r", "angle", "Roll angle of the body, positive to the right side down",
            ("roll", "roll angle"), "angle"),
    Channel("pitch", "theta", "angle", "Pitch angle of the body, positive nose down", ("pitch", "pitch angle"), "angle"),
    Channel("roll_rate", "p", "angular rate", "Roll rate", ("roll rate", "gyro x", "omega x", "gyro roll")),
    Channel("pitch_rate", "q", "angular rate", "Pitch rate", ("pitch rate", "gyro y", "omega y", "gyro pitch")),
    Channel("banking", "beta", "angle", "Banking of the surface across the track, positive where the right side is higher",
            ("banking", "bank", "bank angle", "track banking")),
    Channel("fuel", "V_f", "volume", "Fuel on board", ("fuel", "fuel level", "fuel volume", "fuel remaining")),
    Channel("water_temperature", "T_w", "temperature", "Coolant temperature",
            ("water temperature", "water temp", "coolant temp", "coolant temperature", "engine temp", "engine temperature",
             "wassertemperatur", "kühlmitteltemperatur", "température eau", "température d eau", "temperatura agua",
             "temperatura del agua", "temperatura acqua", "temperatura da água", "watertemperatuur")),
    Channel("oil_temperature", "T_o", "temperature", "Oil temperature", ("oil temperature", "oil temp", "öltemperatur", "oeltemperatur", "température huile", "température d huile",
             "temperatura aceite", "temperatura del aceite", "temperatura olio", "temperatura do óleo", "olietemperatuur")),
    Channel("oil_pressure", "p_o", "pressure", "Oil pressure", ("oil pressure", "oil press", "öldruck", "oeldruck", "pression huile", "pression d huile", "presión aceite",
             "presión de aceite", "pressione olio", "pressão do óleo", "oliedruk")),
    Channel("air_temperature", "T_a", "temperature", "Air temperature",
            ("air temperature", "air temp", "ambient temperature", "ambient temp")),
    Channel("position_accuracy", "u_p", "length", "Accuracy of position as the receiver states it",
            ("position accuracy", "gps accuracy", "horizontal accuracy", "accuracy", "hacc", "h acc")),
    Channel("satellites", "n_s", "number", "Satellites used", ("satellites", "sats", "gps sats", "num sats", "nsat", "satellite count"),
            "discrete"),
    *_corner_set("wheel_speed", "v_w", "speed", "Wheel speed", ("wheel speed", "wheel", "wheelspeed", "whl spd")),
    *_corner_set("tyre_temperature", "T_t", "temperature", "Tyre temperature",
                 ("tyre temperature", "tyre temp", "tire temperature", "tire temp")),
    *_corner_set("tyre_pressure", "p_t", "pressure", "Tyre pressure",
                 ("tyre pressure", "tyre press", "tire pressure", "tire press")),
    *_corner_set("damper", "z_d", "length", "Damper travel",
                 ("damper", "damper travel", "damper position", "shock", "shock travel", "suspension travel", "shock pos")),
]  # fmt: skip

CHANNELS: dict[str, Channel] = {channel.name: channel for channel in _CHANNELS}

# Columns of the tables the analysers return, beside the channels: name -> (dimension, meaning).
COLUMNS: dict[str, tuple[str, str]] = {
    "lap_time": ("time", "Time from crossing the line to crossing it again"),
    "complete": ("number", "Whether the lap runs from line to line"),
    "flags": ("number", "What is out of the ordinary about the lap: out, in, partial, stop, reset, gap, short, long"),
    "rank": ("number", "Place of the lap among the clean complete laps by lap time, 1 the fastest"),
    "speed_difference": ("speed", "Speed at the line minus the highest of the clean complete laps"),
    "lift": ("number", "Throttle lift, numbered from the line"),
    "segment": ("number", "Stretch of the lap: a corner, or the straight before or after one"),
    "speed_at_line": ("speed", "Speed at the crossing that ends the lap"),
    "top_speed": ("speed", "Highest speed of the lap or segment"),
    "min_speed": ("speed", "Lowest speed of the lap, lift or corner"),
    "full_throttle_share": ("fraction", "Share of the lap's time at full throttle"),
    "path_length": ("length", "Metres driven from line to line"),
    "start_distance": ("length", "Place where the event begins"),
    "end_distance": ("length", "Place where the event ends"),
    "start_time": ("time", "When the event begins, since the lap's own crossing"),
    "end_time": ("time", "When the event ends, since the lap's own crossing"),
    "duration": ("time", "End minus start"),
    "time_to_lowest": ("time", "From the start of the lift to its lowest throttle"),
    "min_throttle": ("fraction", "Lowest throttle during the lift"),
    "hold_time": ("time", "Time spent near the lowest throttle"),
    "recovery_time": ("time", "From the end of the hold to full throttle again"),
    "full_lift_time": ("time", "Integral of (1 - throttle) over the lift, the equivalent time fully off"),
    "speed_lost": ("speed", "Speed where the lift began minus the lowest speed up to its end"),
    "braking": ("number", "Braking, numbered from the line"),
    "max_brake": ("fraction", "Hardest brake of the braking"),
    "max_brake_pressure": ("pressure", "Highest brake pressure of the braking, over that at rest"),
    "start_speed": ("speed", "Speed where the event begins"),
    "end_speed": ("speed", "Speed where the event ends"),
    "mean_deceleration": ("acceleration", "Speed lost from start to end by the duration"),
    "brake_used": ("number", "Whether the brake was on during the lift"),
    "truncated": ("number", "Whether the event is cut by the end of the data"),
    "kind": ("number", "What the event is: lift, shift cut, or either where nothing recorded tells"),
    "corner": ("number", "Corner, numbered from the start/finish line, or named"),
    "direction": ("number", "left or right"),
    "apex_distance": ("length", "Place where the corner is tightest"),
    "radius": ("length", "Radius of the corner at its tightest, positive"),
    "min_speed_distance": ("length", "Place of the lowest speed in the corner"),
    "entry_speed": ("speed", "Speed where the corner begins"),
    "exit_speed": ("speed", "Speed where the corner ends"),
    "corner_time": ("time", "Time from the corner's beginning to its end"),
    "delta": ("time", "Time of the lap minus time of the reference at the same place; positive is slower"),
    "delta_rate": ("time", "Time lost per 100 m at this place; positive is losing"),
    "time_lost": ("time", "Time lost between two places; positive is slower"),
    "reference": ("number", "Lap that another is compared with"),
    "part": ("number", "Part of a corner: entry, middle, exit; or straight"),
    "cause": ("number", "What time was lost by: a column of the ledger, or carried_in"),
    "longer_way": ("time", "Time lost by driving more metres, and by what those metres cost in speed"),
    "lower_speed": ("time", "Time lost by lower speed, where no model of the car says why"),
    "cornering": ("time", "Time lost by bending more or less at the same speed"),
    "elevation": ("time", "Time lost by another climb or fall"),
    "unexplained": (
        "time",
        "Time lost that no known cause explains: wind, tow, contact, gear, errors of place and sensors",
    ),
    "carried_in": ("time", "Time lost by the speed brought over the line at the start of the lap"),
    "made": ("time", "Time lost, charged to the place where it was made"),
    "paid": ("time", "Time lost while driving there, wherever it was made"),
    "marker": ("number", "Thing beside the track, by its name"),
    "to_marker": (
        "length",
        "Metres from the nearest marker to the event; negative before the marker, positive after it",
    ),
    "turn_in_distance": ("length", "Place where the car begins to turn into the corner"),
    "turn_in_marker": ("number", "Marker nearest to the turn-in"),
    "turn_in_to_marker": ("length", "Metres from that marker to the turn-in; negative before it"),
    "min_speed_marker": ("number", "Marker nearest to the lowest speed"),
    "min_speed_to_marker": ("length", "Metres from that marker to the lowest speed; negative before it"),
    "pick_up_distance": ("length", "Place where the throttle begins to come back after its lowest"),
    "start_marker": ("number", "Marker nearest to where the event begins"),
    "start_to_marker": ("length", "Metres from that marker to where the event begins; negative before it"),
    "pick_up_marker": ("number", "Marker nearest to the pick-up"),
    "pick_up_to_marker": ("length", "Metres from that marker to the pick-up; negative before it"),
    "end_marker": ("number", "Marker nearest to where the event ends"),
    "end_to_marker": ("length", "Metres from that marker to where the event ends; negative before it"),
    "lane": ("number", "Band of offset, by its name"),
    "lane_share": ("fraction", "Share of the corner's metres spent in the lane"),
    "known_share": ("fraction", "Share of the corner's metres that lie in no hole"),
    "group": ("number", "Line that the lap took, as told from the laps: high, middle, low, or a number"),
    "line_offset": ("length", "Mean offset in the corner, left positive"),
    "outward_offset": ("length", "Mean offset in the corners, positive to the outside of the corner"),
    "from_offset": ("length", "Right-hand border of a lane, offset from the reference line, left positive"),
    "to_offset": ("length", "Left-hand border of a lane, offset from the reference line, left positive"),
    "left_width": ("length", "From the reference line to the left edge of the track"),
    "right_width": ("length", "From the reference line to the right edge of the track"),
    "height": ("length", "Height of the surface, positive up"),
    "from_distance": ("length", "Place from which height is given up"),
    "to_distance": ("length", "Place down to which height is given up"),
    "height_given": ("length", "Height given up between two places; negative for a climb"),
    "speed_gained": ("speed", "Part of the speed at the lower place that the height given up brought"),
    "time_gained": ("time", "Time gained, positive is faster"),
    "best_lap": ("number", "Lap that was the fastest through the segment"),
    "best_time": ("time", "Time of the fastest lap through the segment"),
    "joined_lap": ("number", "Lap that the joined-up lap takes through the segment"),
    "joined_time": ("time", "Time of that lap through the segment"),
    "seam_speed_difference": ("speed", "Speed of the lap joined to less that of the lap left, where they are joined"),
    "seam_offset_difference": ("length", "The same for the offset, left positive"),
    "seam_cost": ("time", "Time that a seam costs because it is reached slower than the lap joined to was"),
    "quantity": ("number", "Quantity of a setup sheet, or of a comparison, by its name"),
    "from_value": ("number", "Value before, SI"),
    "to_value": ("number", "Value after, SI"),
    "settled_after": ("number", "Laps from a run's first to the one by which a value had settled"),
    "change": ("number", "Value after less value before, SI"),
    "words": ("number", "The same in words"),
    "a": ("number", "Mean of the first group of laps, in the unit beside it"),
    "b": ("number", "Mean of the second group of laps, in the unit beside it"),
    "difference": ("number", "Second group less the first, in the unit beside it"),
    "margin": ("number", "Half the interval that holds the true difference, at the confidence asked for"),
    "significant": ("number", "Whether a difference is more than luck"),
    "mean_radius": ("length", "Radius of the driven line over the middle of the corner, positive"),
    "time_to_next": ("time", "Time from the corner's end to the start of the next corner"),
    "start_to_start": ("time", "Time from the corner's start to that of the next; of the lap the lap time"),
    "tyre_work": ("number", "Energy per mass that the cornering takes by the car's model, J/kg"),
    "cornering_load": (
        "number",
        "Integral of lateral acceleration in the plane of the surface over metres driven, J/kg",
    ),
    "tyre_share": ("fraction", "Share of one line in the tyre work of both"),
    "run_part": ("number", "Part of the run: early or late"),
    "from_lap": ("number", "First lap of a part of the run"),
    "to_lap": ("number", "Last lap of a part of the run"),
    "energy_difference": ("number", "Kinetic energy per mass less that of the reference, J/kg"),
    "engine_per_road_speed": ("number", "Engine speed per road speed in a gear, wheels hardly pulling, rad/m"),
    "metres_per_revolution": ("length", "Metres driven in one revolution of the engine"),
    "slip": ("fraction", "Share by which the engine turns faster at full throttle than with wheels hardly pulling"),
    "time_share": ("fraction", "Share of the laps' time"),
    "lap_share": ("fraction", "Share of the laps' metres"),
    "gear_ratio": ("number", "Ratio of the gear, final drive not counted"),
    "overall_ratio": ("number", "Gear ratio times final drive"),
    "final_drive": ("number", "Ratio of the final drive, quick-change gears counted in"),
    "top_gear": ("number", "Ratio of the top gear, final drive not counted"),
    "ratio_change": ("fraction", "Overall ratio of the top gear against that of the recording, less 1"),
    "tyre_circumference": ("length", "Rolling circumference of the driven tyre"),
    "straight_length": ("length", "From the end of one corner to the start of the next"),
    "top_speed_distance": ("length", "Place of the top speed of a straight"),
    "lowest_engine_speed": ("angular rate", "Lowest engine speed of all laps there"),
    "highest_engine_speed": ("angular rate", "Highest engine speed of all laps there"),
    "free_engine_speed": ("angular rate", "Engine speed at the end of the longest straight if no limit held it"),
    "laps": ("number", "Number of laps"),
    "limit_reached": ("number", "Whether the engine meets its limit"),
    "limit_distance": ("length", "First place where the engine meets its limit"),
    "limiter_time": ("time", "Time spent on the limiter"),
    "lap_time_difference": ("time", "Lap time less that of the recording; positive is slower"),
    "shift_drop": (
        "angular rate",
        "Fall of engine speed in an upshift made at the limit, into top gear where not said otherwise",
    ),
    "restart_time": (
        "time",
        "Time of a restart from a given speed, level road, full throttle, with the more usable gears",
    ),
    "restart_time_lost": ("time", "What the same restart takes longer with the fewer usable gears"),
    "nearest": (
        "number",
        "Whether the row comes nearest to the limit at the end of the longest straight and goes past it nowhere",
    ),
    "size": ("number", "Size of an event, in the unit beside it"),
    "power": ("number", "Power per mass of car at full throttle, W/kg"),
    "run": ("number", "Run, numbered from 1"),
    "source": ("number", "Name of the recording's file"),
    "tyre_age": ("number", "Laps done on the tyres when the lap begins"),
    "clock": ("time", "When the lap begins, since the first recording began"),
    "odd": ("number", "Kinds of oddity in the lap, joined by commas"),
    "setup": ("number", "Setup, by its name"),
    "expected": ("time", "Lap time that the curve of the run gives"),
    "residual": ("time", "Lap time less that of the curve; positive is slower"),
    "weight": ("fraction", "How much the lap counts in the curve, 0 to 1"),
    "marks": ("number", "Why a lap counts less: warm-up, slow, fast, flags and oddities, joined by commas"),
    "channel": ("number", "Channel, by its name"),
    "slope": ("number", "Change a lap, in the unit beside it"),
    "low": ("number", "Lower end of the interval of the quantity beside it"),
    "high": ("number", "Upper end of the interval of the quantity beside it"),
    "method": ("number", "How a difference was reckoned"),
    "p": ("number", "Chance of a difference as large by luck alone"),
    "coefficient": ("number", "Coefficient of the car's model"),
    "value": ("number", "Value of a coefficient, in the unit beside it"),
    "unit": ("number", "SI unit"),
    "meaning": ("number", "What a coefficient says, in words"),
}

UNCERTAINTY = "_uncertainty"
"""Suffix of the column beside a quantity that holds its standard uncertainty (one sigma)."""


def dimension_of(name: str) -> str | None:
    """Return the physical dimension of a channel or table column, None if not in the glossary.

    Examples
    --------
    >>> dimension_of("speed"), dimension_of("lap_time_uncertainty"), dimension_of("lunch")
    ('speed', 'time', None)
    """
    name = name.removesuffix(UNCERTAINTY)
    if name in CHANNELS:
        return CHANNELS[name].dimension
    return COLUMNS[name][0] if name in COLUMNS else None


def is_discrete(name: str) -> bool:
    """Whether values between samples are the previous sample's, not interpolated."""
    return name in CHANNELS and CHANNELS[name].kind == "discrete"


# ---------------------------------------------------------------- words -> channels

_PREFIXES = ("gps", "ecu", "car", "vehicle", "sensor", "imu", "gnss", "can", "raw", "filtered")
_BRACKETS = re.compile(r"\s*[\(\[\{<]\s*([^\)\]\}>]*?)\s*[\)\]\}>]\s*")
_CAMEL = re.compile(r"(?<=[a-z])(?=[A-Z][a-z])")


def split_unit(header: str) -> tuple[str, str | None]:
    """Split a column header into its words and the unit written with it.

    Parameters
    ----------
    header : str
        Header as it stands in the file, such as ``"GPS Speed [km/h]"`` or ``"speed_kmh"``.

    Returns
    -------
    words : str
        The words in normal form: lower case, single spaces, no brackets.
    unit : str or None
        The unit's name in the glossary, None where none is written.

    Examples
    --------
    >>> split_unit("GPS Speed [km/h]")
    ('gps speed', 'km/h')
    >>> split_unit("throttle_pct")
    ('throttle', '%')
    >>> split_unit("vx(m/s)")
    ('vx', 'm/s')
    """
    unit: str | None = None
    header = unicodedata.normalize("NFC", header)  # a letter and its accent may be written as two signs
    bracket = _BRACKETS.search(header)
    if bracket:
        unit = unit_name(bracket.group(1))
        header = header[: bracket.start()] + " " + (header[bracket.end() :] if unit else header[bracket.start() :])
    words = re.sub(r"[^\w/%°²^.]+|_", " ", _CAMEL.sub(" ", header)).lower().split()
    joined = " ".join(words).strip(" .")
    if unit is None and len(words) > 1 and _alias(joined) is None:
        for count in (2, 1):
            tail = " ".join(words[-count:])
            spelled = unit_name(tail) if len(words) > count and len(tail) > 1 else None
            if spelled is not None and spelled != "1":
                return " ".join(words[:-count]).strip(" /").removesuffix(" in"), spelled
        if words[-1] in {"s", "m", "g", "c", "f", "k", "%"}:
            return " ".join(words[:-1]), unit_name(words[-1].upper() if words[-1] == "k" else words[-1])
    if unit is None and joined.endswith("%"):
        return joined.rstrip("% "), "%"
    return joined, unit


@lru_cache(maxsize=1)
def _aliases() -> dict[str, str]:
    table: dict[str, str] = {}
    for channel in _CHANNELS:
        for alias in channel.aliases:
            table.setdefault(_plain(alias), channel.name)
    for channel in _CHANNELS:  # lapkit's own names read back as themselves
        table[channel.name] = channel.name
        table[channel.name.replace("_", " ")] = channel.name
    table["distance"] = "odometer"  # a file's distance runs on, until it is seen to fall back to zero
    table["path"] = "odometer"
    return table


def _alias(words: str) -> str | None:
    return _aliases().get(_plain(words))


def _plain(words: str) -> str:
    """Words without accents, in small letters."""
    if words.isascii():
        return words.lower()
    parts = unicodedata.normalize("NFKD", words.casefold())
    return "".join(part for part in parts if not unicodedata.combining(part))


def channel_for(words: str) -> tuple[str, int] | None:
    """Return the channel that header words mean, and how sure the match is.

    Parameters
    ----------
    words : str
        Header words in normal form, as `split_unit` gives them.

    Returns
    -------
    (str, int) or None
        Channel name and rank: 0 for an exact alias, 1 after a word such as
        "gps" was set aside. None where the glossary does not know the words.

    Examples
    --------
    >>> channel_for("gps speed")
    ('speed', 1)
    >>> channel_for("blower bypass") is None
    True
    """
    exact = _alias(words)
    if exact is not None:
        return exact, 0
    kept = [w for w in words.split() if w not in _PREFIXES]
    stripped = _alias(" ".join(kept)) if kept else None
    return (stripped, 1) if stripped is not None else None
