"""Samples a simulated run the way a logger would, and writes it as CSV."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from lapkit.channels import CHANNELS, STANDARD_GRAVITY, FloatArray, from_si
from lapkit.errors import LapkitError
from lapkit.simulate.truth import Truth

CHANNELS_RECORDED = (
    "time", "x", "y", "z", "latitude", "longitude", "speed", "throttle", "brake", "yaw_rate", "lateral_acceleration",
    "longitudinal_acceleration", "heading", "steering", "engine_speed", "gear", "lap", "lap_distance", "odometer",
    "banking", "wheel_speed_fl", "wheel_speed_fr", "wheel_speed_rl", "wheel_speed_rr",
    "water_temperature", "oil_temperature", "oil_pressure",
)  # fmt: skip
"""Every channel `record` can make."""

DEFAULT_CHANNELS = (
    "time", "x", "y", "z", "speed", "throttle", "brake", "yaw_rate", "lateral_acceleration",
    "longitudinal_acceleration", "steering", "engine_speed", "gear",
)  # fmt: skip


@dataclass(frozen=True)
class Noise:
    """Errors of the sensors; standard deviations in SI units. All zero by default.

    Attributes
    ----------
    position : float
        White error of x and of y (m).
    position_wander : float
        Slowly wandering error of x and of y (m).
    wander_time : float
        Correlation time of the wandering (s).
    speed, throttle, brake, yaw_rate, acceleration, height : float
        White errors.
    speed_step, throttle_step : float
        Quantisation of speed (m/s) and of throttle and brake (0..1); zero for none.
    steering, engine_speed : float
        White errors of the steering-wheel angle (rad) and of engine speed (rad/s).
    """

    position: float = 0.0
    position_wander: float = 0.0
    wander_time: float = 20.0
    speed: float = 0.0
    throttle: float = 0.0
    brake: float = 0.0
    yaw_rate: float = 0.0
    acceleration: float = 0.0
    height: float = 0.0
    speed_step: float = 0.0
    throttle_step: float = 0.0
    steering: float = 0.0
    engine_speed: float = 0.0


CONSUMER = Noise(
    position=0.05, position_wander=0.3, speed=0.03, throttle=0.002, brake=0.002, yaw_rate=0.004, acceleration=0.15,
    height=0.3, speed_step=0.01, throttle_step=0.01,
)  # fmt: skip
"""A decent consumer logger. Chosen for the demo data, not taken from a data sheet."""


def record(
    truth: Truth,
    rate: float = 60.0,
    *,
    out_lap: float = 150.0,
    in_lap: float = 100.0,
    phase: float | None = None,
    clock_start: float = 0.0,
    noise: Noise | None = None,
    seed: int = 0,
    channels: Iterable[str] = DEFAULT_CHANNELS,
    geodetic_origin: tuple[float, float] = (np.radians(48.0), np.radians(11.0)),
    position_every: int = 1,
    full_throttle: float = 1.0,
    body_fixed: bool = False,
) -> pd.DataFrame:
    """Sample a simulated run.

    Parameters
    ----------
    truth : Truth
        The run.
    rate : float
        Samples per second (Hz).
    out_lap, in_lap : float
        Metres recorded before the first and after the last counted crossing. Cut to what was
        driven; infinite for all of it.
    phase : float, optional
        Time of the first sample after the recording begins, as a share of a sample; None for random.
    clock_start : float
        What the time column says at the first sample (s).
    noise : Noise, optional
        Errors of the sensors; None for none.
    seed : int
        Seed of the errors and of the random phase.
    channels : iterable of str
        Canonical channels wanted, out of `CHANNELS_RECORDED`.
    geodetic_origin : (float, float)
        Latitude and longitude (rad, WGS 84) of x = y = 0.
    position_every : int
        Position is present in every n-th row only; the other rows are NaN.
    full_throttle : float
        What the throttle sensor says at full throttle.
    body_fixed : bool
        Whether lateral acceleration and yaw rate come from sensors strapped to a car that stands square on the
        surface, so that banking shows in them; False for quantities of the level plane.

    Returns
    -------
    DataFrame, shape (n, channels)
        SI units, canonical names. `attrs["clock_offset"]` added to the truth's clock gives the
        time column's.

    Raises
    ------
    LapkitError
        If a channel is not one the recorder can make.

    Examples
    --------
    >>> from lapkit.simulate import stint
    >>> table, truth = stint(laps=1, rate=20.0, seed=3)
    >>> float(round(table["time"].diff().median(), 6))
    0.05
    """
    wanted = list(channels)
    unknown = [c for c in wanted if c not in CHANNELS_RECORDED]
    if unknown:
        raise LapkitError(f"cannot record {', '.join(unknown)}; choose from: {', '.join(CHANNELS_RECORDED)}.")
    rng = np.random.default_rng(seed)
    noise = noise or Noise()
    first, last = truth.span
    length, laps = truth.track.length, len(truth.numbers)
    run = truth.run_distance(np.array([first, last]))
    begin = first if -out_lap <= run[0] else float(truth.time_at_run(np.array(-out_lap)))
    end = last if laps * length + in_lap >= run[1] else float(truth.time_at_run(np.array(laps * length + in_lap)))
    share = float(rng.uniform()) if phase is None else phase
    t = begin + (share + np.arange(int(np.floor((end - begin) * rate - share)) + 1)) / rate
    shape = truth.shape(t)
    speed = truth.speed(t)
    level = speed * shape["level"]
    count = len(t)

    def error(scale: float) -> FloatArray:
        return rng.normal(0, scale, count) if scale else np.zeros(count)

    def rounded(value: FloatArray, step: float) -> FloatArray:
        return np.round(value / step) * step if step else value

    x, y = truth.track.xy(shape["station"], shape["offset"])
    x = x + error(noise.position) + _wander(rng, count, noise.position_wander, noise.wander_time * rate)
    y = y + error(noise.position) + _wander(rng, count, noise.position_wander, noise.wander_time * rate)
    z = truth.track.height(shape["station"], shape["offset"]) + error(noise.height)
    throttle = np.clip(rounded(truth.throttle(t) * full_throttle + error(noise.throttle), noise.throttle_step), 0, 1)
    brake = np.clip(rounded(truth.brake(t) + error(noise.brake), noise.throttle_step), 0, 1)
    lateral, turning = level**2 * shape["curvature"], level * shape["curvature"]
    felt, felt_turning = lateral, turning
    if body_fixed:
        banking = truth.track.banking(shape["station"])
        weight = STANDARD_GRAVITY + _heave(truth, np.asarray(t))
        felt = np.asarray(lateral * np.cos(banking) - weight * np.sin(banking))
        felt_turning = turning * np.cos(banking)
    push, kick = truth.touch(t)
    felt, felt_turning = felt + push, felt_turning + kick
    car = truth.car
    gear = truth.gear(t)
    offsets = {"wheel_speed_fl": 0.78, "wheel_speed_fr": -0.78, "wheel_speed_rl": 0.75, "wheel_speed_rr": -0.75}
    warm = 1 - np.exp(-(t - t[0]) / 600)
    values: dict[str, FloatArray] = {
        "time": (t - t[0]) + clock_start,
        "x": x, "y": y, "z": z,
        "speed": np.maximum(rounded(speed + error(noise.speed), noise.speed_step), 0),
        "throttle": throttle, "brake": brake,
        "yaw_rate": felt_turning + error(noise.yaw_rate),
        "lateral_acceleration": felt + error(noise.acceleration),
        "longitudinal_acceleration": truth.acceleration(t) + error(noise.acceleration),
        "heading": shape["heading"],
        "steering": car.steering_ratio * (car.wheelbase * shape["curvature"] + car.understeer * lateral)
        + error(noise.steering),
        "engine_speed": speed * np.array(car.gears)[gear.astype(int) - 1] * truth.flare(t) + error(noise.engine_speed),
        "gear": gear,
        "lap": truth.lap(t).astype(float),
        "lap_distance": shape["station"],
        "odometer": truth.path(t) - truth.path(t[0]),
        "banking": truth.track.banking(shape["station"]),
        **{k: speed * (1 - shape["curvature"] * o) + error(noise.speed) for k, o in offsets.items()},
        "water_temperature": 355.0 + 8 * warm + error(noise.height and 0.2),
        "oil_temperature": 360.0 + 15 * warm + error(noise.height and 0.2),
        "oil_pressure": 4.2e5 - 0.4e5 * warm + 200 * speed + error(noise.height and 500.0),
    }  # fmt: skip
    if "latitude" in wanted or "longitude" in wanted:
        values["latitude"], values["longitude"] = geodetic(x, y, geodetic_origin)
    table = pd.DataFrame({c: values[c] for c in wanted})
    for c in ("gear", "lap"):
        if c in table:
            table[c] = table[c].astype(np.int64)
    if position_every > 1:
        blank = np.arange(count) % position_every != 0
        table.loc[blank, [c for c in ("x", "y", "z", "latitude", "longitude") if c in table]] = np.nan
    table.attrs["clock_offset"] = float(clock_start - t[0])
    return table


def _heave(truth: Truth, time: FloatArray, reach: float = 0.05) -> FloatArray:
    """Vertical acceleration of the car (m/s2), by second difference of its height over `reach` seconds either side."""
    first, last = truth.span
    inner = np.clip(time, first + reach, last - reach)
    shapes = [truth.shape(inner + part) for part in (-reach, 0.0, reach)]
    before, here, after = (truth.track.height(shape["station"], shape["offset"]) for shape in shapes)
    return np.asarray((before - 2 * here + after) / reach**2)


def _wander(rng: np.random.Generator, count: int, scale: float, samples: float) -> FloatArray:
    """Slow error: white noise through a first-order low-pass whose memory is `samples` long."""
    if not scale:
        return np.zeros(count)
    from scipy.signal import lfilter

    keep = np.exp(-1 / samples)
    white = rng.normal(0, scale * np.sqrt(1 - keep**2), count)
    white[0] = rng.normal(0, scale)
    return np.asarray(lfilter([1.0], [1.0, -keep], white))


def geodetic(east: FloatArray, north: FloatArray, origin: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Return latitude and longitude (rad, WGS 84) of points in the local level plane.

    Parameters
    ----------
    east, north : ndarray
        Coordinates (m) in the plane that touches the ellipsoid at the origin.
    origin : (float, float)
        Latitude and longitude of the origin (rad).

    Returns
    -------
    latitude, longitude : ndarray
        Geodetic coordinates (rad).

    References
    ----------
    IOGP Publication 373-7-2 (EPSG Guidance Note 7-2), methods 9602 and 9837.

    Examples
    --------
    >>> lat, lon = geodetic(np.array([0.0]), np.array([0.0]), (0.8, 0.2))
    >>> float(round(lat[0], 12)), float(round(lon[0], 12))
    (0.8, 0.2)
    """
    a, flattening = 6378137.0, 1 / 298.257223563
    e2 = flattening * (2 - flattening)
    phi, lam = origin
    normal = a / np.sqrt(1 - e2 * np.sin(phi) ** 2)
    # the origin's meridian is the x axis here: longitude is added at the end
    x = normal * np.cos(phi) - np.sin(phi) * north
    y = np.asarray(east, dtype=float)
    z = normal * (1 - e2) * np.sin(phi) + np.cos(phi) * north
    across = np.hypot(x, y)
    latitude = np.arctan2(z, across * (1 - e2))
    for _ in range(6):
        radius = a / np.sqrt(1 - e2 * np.sin(latitude) ** 2)
        latitude = np.arctan2(z + e2 * radius * np.sin(latitude), across)
    return latitude, lam + np.arctan2(y, x)


_DIGITS = {
    "time": 3, "latitude": 8, "longitude": 8, "throttle": 4, "brake": 4, "yaw_rate": 5, "heading": 5, "steering": 5,
    "banking": 4, "gear": 0, "lap": 0, "oil_pressure": 0, "engine_speed": 2,
}  # fmt: skip


def write_csv(
    table: pd.DataFrame,
    path: str | Path,
    *,
    delimiter: str = ",",
    decimal: str = ".",
    units: Mapping[str, str] | None = None,
    units_row: Mapping[str, str] | None = None,
    preamble: Sequence[str] = (),
    headers: Mapping[str, str] | None = None,
    digits: Mapping[str, int] | None = None,
    time_format: str = "s",
    repeat_header_every: int = 0,
    encoding: str = "utf-8",
    newline: str = "\n",
) -> None:
    """Write a table of channels as CSV, plainly or awkwardly.

    Parameters
    ----------
    table : DataFrame
        Canonical channels in SI units, as `record` returns them. NaN is written as a blank.
    path : str or Path
        File to write.
    delimiter, decimal : str
        Field separator and decimal mark.
    units : mapping of str to str, optional
        Channel -> unit to write it in; SI where not given.
    units_row : mapping of str to str, optional
        Channel -> unit as spelled in a row under the header; None for no such row.
    preamble : sequence of str
        Lines above the header.
    headers : mapping of str to str, optional
        Channel -> header; the canonical name where not given.
    digits : mapping of str to int, optional
        Channel -> decimals.
    time_format : {"s", "mm:ss"}
        Seconds, or minutes and seconds with the decimals of `time`.
    repeat_header_every : int
        Rows after which the header (and units row) is written again; 0 for never.
    encoding, newline : str
        Encoding and line end of the file.

    Raises
    ------
    UnitError
        If a unit does not measure the channel.

    Examples
    --------
    >>> import tempfile
    >>> frame = pd.DataFrame({"time": [0.0, 61.5], "speed": [10.0, 20.0]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = Path(folder) / "run.csv"
    ...     write_csv(frame, file, units={"speed": "km/h"}, time_format="mm:ss", digits={"time": 1})
    ...     print(file.read_text())
    time,speed
    00:00.0,36.000
    01:01.5,72.000
    <BLANKLINE>
    """
    units, headers = dict(units or {}), dict(headers or {})
    places = {**_DIGITS, **(digits or {})}
    columns: list[list[str]] = []
    for name in table.columns:
        value = table[name].to_numpy(dtype=float)
        if name in units:
            value = from_si(value, units[name], CHANNELS[name].dimension)
        count = places.get(name, 3)
        if name == "time" and time_format == "mm:ss":
            ticks = np.round(value * 10**count).astype(np.int64)
            minutes, rest = np.divmod(ticks, 60 * 10**count)
            width = count + 3 if count else 2
            pairs = zip(minutes.tolist(), (rest / 10**count).tolist(), strict=True)
            text = [f"{m:02d}:{s:0{width}.{count}f}" for m, s in pairs]
        else:
            text = ["" if v != v else f"{v:.{count}f}" for v in (value + 0.0).tolist()]
        columns.append([c.replace(".", decimal) for c in text] if decimal != "." else text)
    head = [delimiter.join(headers.get(c, c) for c in table.columns)]
    if units_row is not None:
        head.append(delimiter.join(units_row.get(c, "") for c in table.columns))
    body = [delimiter.join(row) for row in zip(*columns, strict=True)]
    if repeat_header_every:
        blocks = [body[i : i + repeat_header_every] for i in range(0, len(body), repeat_header_every)]
        body = [line for i, block in enumerate(blocks) for line in ([*head, *block] if i else block)]
    Path(path).write_bytes(newline.join([*preamble, *head, *body, ""]).encode(encoding))
