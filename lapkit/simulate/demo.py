"""A stint in one call, and the small recordings in ``sample_data/``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

from lapkit.simulate.car import Car
from lapkit.simulate.courses import oval, road_course
from lapkit.simulate.driver import Driver, default_driver, oval_driver, road_driver, run_scripts
from lapkit.simulate.line import Line
from lapkit.simulate.recorder import CONSUMER, DEFAULT_CHANNELS, Noise, record, write_csv
from lapkit.simulate.script import Lift, Script
from lapkit.simulate.track import Track
from lapkit.simulate.truth import Truth, drive

OVAL_CAR = Car(power=88.0, drag=6.6e-4, cornering=0.0016)
ROAD_CAR = Car(
    power=190.0, drag=5.0e-4, cornering=0.002, gears=(34.0, 24.5, 18.6, 15.0, 12.6),
    upshift=760.0, downshift=440.0,
)  # fmt: skip


def stint(
    track: Track | None = None,
    laps: int = 10,
    rate: float = 60.0,
    *,
    seed: int = 0,
    noise: Noise | None = None,
    variation: float = 1.0,
    car: Car | None = None,
    driver: Driver | None = None,
    out_lap: float = 150.0,
    in_lap: float = 100.0,
    phase: float | None = None,
    clock_start: float = 0.0,
    rest: float = 0.0,
    channels: Iterable[str] = DEFAULT_CHANNELS,
    position_every: int = 1,
    full_throttle: float = 1.0,
) -> tuple[pd.DataFrame, Truth]:
    """Drive some laps and record them.

    Parameters
    ----------
    track : Track, optional
        Track; None for the invented oval.
    laps : int
        Number of laps from line to line.
    rate : float
        Samples per second (Hz).
    seed : int
        Seed of everything random: the same seed gives the same run.
    noise : Noise, optional
        Errors of the sensors; None for none.
    variation : float
        Factor on the differences between laps; zero repeats the same script.
    car : Car, optional
        Car; None for one that fits the track.
    driver : Driver, optional
        Driver; None for one that fits the track.
    out_lap, in_lap : float
        Metres recorded before the first and after the last crossing.
    phase : float, optional
        Time of the first sample as a share of a sample; None for random.
    clock_start : float
        What the time column says at the first sample (s).
    rest : float
        Above zero the run starts from rest `out_lap` metres before the line, after standing
        still for so long (s).
    channels : iterable of str
        Channels recorded, see `record`.
    position_every : int
        Position in every n-th row only.
    full_throttle : float
        What the throttle sensor says at full throttle.

    Returns
    -------
    table : DataFrame
        The recording, canonical channels in SI units.
    truth : Truth
        What really happened.

    Examples
    --------
    >>> table, truth = stint(laps=2, rate=25.0, seed=7)
    >>> len(truth.laps), bool((truth.laps["lap_time"] > 20).all())
    (2, True)
    """
    track = track or oval()
    if car is None:
        car = OVAL_CAR if all(c.direction == "left" for c in track.turns) else ROAD_CAR
    driver = driver or default_driver(track, car)
    scripts = run_scripts(driver, laps, np.random.default_rng(seed), variation)
    if rest > 0:
        start = max(track.length - out_lap, 0.0)
        truth = drive(track, car, scripts, start_speed=0.0, start_distance=start, rest=rest)
    else:
        truth = _drive_warm(track, car, scripts)
    table = record(
        truth, rate, out_lap=out_lap, in_lap=in_lap, phase=phase, clock_start=clock_start, noise=noise, seed=seed,
        channels=channels, position_every=position_every, full_throttle=full_throttle,
    )  # fmt: skip
    return table, truth


def _drive_warm(track: Track, car: Car, scripts: Sequence[Script]) -> Truth:
    """Drive the scripts after one lap more, so that the out-lap begins at a speed the car would have."""
    warm = drive(track, car, scripts[:1], start_speed=35.0, out_lap=False, in_lap=False)
    return drive(track, car, scripts, start_speed=float(warm.laps["speed_at_line"].iloc[0]))


def _oval_run(path: Path) -> Truth:
    """Ten laps; the last repeats the sixth, the best, but for a longer, deeper lift in corner 1."""
    track = oval()
    scripts = list(run_scripts(oval_driver(track), 10, np.random.default_rng(11), 2.0))
    lift = scripts[6].actions[0]
    if isinstance(lift, Lift):  # it is: an oval's driver never brakes
        longer = replace(lift, depth=lift.depth - 0.05, hold=lift.hold + 0.08)
        scripts[10] = replace(scripts[6], actions=(longer, *scripts[6].actions[1:]))
    truth = _drive_warm(track, OVAL_CAR, scripts)
    table = record(
        truth, 25.0, out_lap=200.0, in_lap=150.0, noise=replace(CONSUMER, position_wander=0.05), seed=11,
        channels=(
            "time", "lap", "x", "y", "z", "speed", "throttle", "yaw_rate", "lateral_acceleration",
            "longitudinal_acceleration", "steering", "engine_speed",
        ),
    )  # fmt: skip
    units = {"speed": "km/h", "throttle": "%", "yaw_rate": "deg/s", "steering": "deg", "engine_speed": "rpm"}
    words = {
        "time": "Time (s)", "lap": "Lap", "x": "X (m)", "y": "Y (m)", "z": "Altitude (m)", "speed": "Speed (km/h)",
        "throttle": "Throttle (%)", "yaw_rate": "Yaw Rate (deg/s)", "lateral_acceleration": "Lateral Acceleration (m/s2)",
        "longitudinal_acceleration": "Longitudinal Acceleration (m/s2)", "steering": "Steering Angle (deg)",
        "engine_speed": "Engine Speed (rpm)",
    }  # fmt: skip
    digits = {"x": 3, "y": 3, "z": 2, "speed": 2, "throttle": 0, "yaw_rate": 2, "lateral_acceleration": 2,
              "longitudinal_acceleration": 2, "steering": 1, "engine_speed": 0}  # fmt: skip
    write_csv(table, path, units=units, headers=words, digits=digits)
    return truth


def _oval_awkward(path: Path) -> Truth:
    """Eight laps by another driver, in a file with everything that makes a file hard to read."""
    track = oval()
    driver = oval_driver(track, entry=-5.0, apex=1.5)
    late = tuple(replace(a, start=a.start + 6.0) for a in driver.actions)
    scripts = run_scripts(replace(driver, actions=late), 8, np.random.default_rng(23), 0.9)
    truth = _drive_warm(track, OVAL_CAR, scripts)
    table = record(
        truth, 20.0, out_lap=260.0, in_lap=120.0, noise=CONSUMER, seed=23, clock_start=754.2,
        geodetic_origin=(np.radians(-34.6), np.radians(-41.3)), position_every=4,
        channels=(
            "time", "latitude", "longitude", "speed", "throttle", "lateral_acceleration", "yaw_rate", "engine_speed",
            "oil_temperature",
        ),
    )  # fmt: skip
    lost = truth.crossings[4] + 9.0 + table.attrs["clock_offset"]  # nine seconds into lap 5
    table = table[(table["time"] < lost) | (table["time"] > lost + 1.4)]
    units = {
        "time": "s", "latitude": "deg", "longitude": "deg", "speed": "mph", "throttle": "%",
        "lateral_acceleration": "g", "yaw_rate": "deg/s", "engine_speed": "rpm", "oil_temperature": "degC",
    }  # fmt: skip
    shown = {
        "time": "mm:ss,fff", "latitude": "°", "longitude": "°", "yaw_rate": "°/s",
        "oil_temperature": "°C",
    }  # fmt: skip
    words = {
        "time": "Time", "latitude": "Latitude", "longitude": "Longitude", "speed": "Speed", "throttle": "Throttle Pos",
        "lateral_acceleration": "Lateral Acceleration", "yaw_rate": "Yaw Rate", "engine_speed": "Engine RPM",
        "oil_temperature": "Oil Temp",
    }  # fmt: skip
    digits = {"latitude": 7, "longitude": 7, "speed": 2, "throttle": 0, "lateral_acceleration": 3, "yaw_rate": 2,
              "engine_speed": 0, "oil_temperature": 1}  # fmt: skip
    preamble = [
        "Track: Marlow Basin Oval (invented)", "Driver: Zo\N{LATIN SMALL LETTER E WITH DIAERESIS} Quill (invented)",
        "Car: 41", "Date: 14.06.2031", "Sample rate: 20 Hz", "Comment: wind 3 m/s; new tyres", "",
    ]  # fmt: skip
    write_csv(
        table, path, delimiter=";", decimal=",", units=units, units_row={**units, **shown}, preamble=preamble,
        headers=words, digits=digits, time_format="mm:ss", repeat_header_every=2500, encoding="cp1252", newline="\r\n",
    )  # fmt: skip
    return truth


def _road_course(path: Path) -> Truth:
    """Four laps of the road course, with brake, gear and engine speed."""
    track = road_course()
    scripts = run_scripts(road_driver(track, ROAD_CAR), 4, np.random.default_rng(37), 0.8)
    truth = _drive_warm(track, ROAD_CAR, scripts)
    table = record(
        truth, 50.0, out_lap=220.0, in_lap=80.0, noise=replace(CONSUMER, position_wander=0.05), seed=37,
        channels=("time", "lap_distance", "x", "y", "speed", "throttle", "brake", "gear", "engine_speed", "yaw_rate"),
    )  # fmt: skip
    units = {"speed": "km/h", "throttle": "%", "brake": "%", "engine_speed": "rpm"}
    words = {
        "time": "time_s", "lap_distance": "lap_distance_m", "x": "x_m", "y": "y_m", "speed": "speed_kmh",
        "throttle": "throttle_pct", "brake": "brake_pct", "engine_speed": "engine_speed_rpm", "yaw_rate": "yaw_rate",
    }  # fmt: skip
    digits = {"time": 2, "lap_distance": 1, "x": 2, "y": 2, "speed": 2, "throttle": 0, "brake": 0, "engine_speed": 0,
              "yaw_rate": 4}  # fmt: skip
    write_csv(table, path, units=units, headers=words, digits=digits)
    return truth


_LINE_ORDER = "HHHHLLLHHLLHHHLLLL"  # high or low: out-lap, sixteen laps, in-lap
_LINES = {  # offsets (m) a corner: at both ends, at the quarters, in the middle
    "H": {"1": (-3.0, -3.4, -3.5), "2": (-3.0, -3.4, -3.5)},
    "L": {"1": (-2.0, 0.5, 0.8), "2": (-2.0, 0.4, 0.7)},
}


def _lane_driver(track: Track, lane: str) -> Driver:
    """Return a driver who stays high, or drops low, through both corners; both are alike on the straights."""
    first, second = track.turns
    points = [(0.0, -3.0), (40.0, -3.0)]  # two on each side of the line, so that any lap joins any other
    for c in (first, second):
        ends, quarters, middle = _LINES[lane][c.name]
        shape = ((0.0, ends), (0.25, quarters), (0.5, middle), (0.75, quarters), (1.0, ends))
        points += [(c.start + share * (c.end - c.start), offset) for share, offset in shape]
        if c is first:
            points.append(((first.end + second.start) / 2, -3.0))
    points.append((track.length - 40.0, -3.0))
    if lane == "H":  # held nearly flat through corner 1
        lifts = Lift(first.start - 10.0, 0.32, hold=1.48), Lift(second.start - 25.0, 0.12, hold=2.28, recovery=0.32)
    else:
        lifts = (
            Lift(first.start - 24.0, 0.11, hold=2.64, recovery=0.32),
            Lift(second.start - 25.0, 0.12, hold=2.35, recovery=0.32),
        )
    return Driver(Line(track.length, [p for p, _ in points], [e for _, e in points]), lifts)


def _two_lines(path: Path) -> Truth:
    """Sixteen laps, eight high and eight low: high is faster through corner 1, low through corner 2."""
    track = oval()
    drivers = {lane: _lane_driver(track, lane) for lane in _LINES}
    rng = np.random.default_rng(41)
    truth = _drive_warm(track, OVAL_CAR, [drivers[lane].lap(rng, 1.5) for lane in _LINE_ORDER])
    table = record(
        truth, 20.0, out_lap=180.0, in_lap=120.0, noise=CONSUMER, seed=41,
        channels=("time", "lap", "x", "y", "z", "speed", "throttle", "yaw_rate", "lateral_acceleration"),
    )  # fmt: skip
    words = {
        "time": "Time (s)", "lap": "Lap", "x": "X (m)", "y": "Y (m)", "z": "Altitude (m)", "speed": "Speed (km/h)",
        "throttle": "Throttle (%)", "yaw_rate": "Yaw Rate (deg/s)", "lateral_acceleration": "Lateral Acceleration (m/s2)",
    }  # fmt: skip
    digits = {"time": 2, "x": 2, "y": 2, "z": 1, "speed": 2, "throttle": 0, "yaw_rate": 2, "lateral_acceleration": 2}
    units = {"speed": "km/h", "throttle": "%", "yaw_rate": "deg/s"}
    write_csv(table, path, units=units, headers=words, digits=digits)
    return truth


_TRAFFIC = Lift(590.0, 0.1, 0.3, 1.0, 0.4)  # backs off behind a slower car, between the corners
_SETUPS = {"a": (0.0, 0.0), "b": (0.1, -0.43)}  # how much longer (s) the foot stays off in corners 1 and 2
_PER_LAP = 0.03  # s longer off the throttle in each corner with each lap on the tyres: what worn tyres ask for
_COLD = (0.75, 0.3, 0.06)  # s longer off in each corner on the first laps of cold tyres


def _worn(driver: Driver, longer: Sequence[float]) -> Driver:
    """Return the driver with lifts that last so much longer, by corner (s)."""
    lifts = [
        replace(a, hold=a.hold + more) for a, more in zip(driver.actions, longer, strict=True) if isinstance(a, Lift)
    ]
    return replace(driver, actions=tuple(lifts))


def _run_on_tyres(path: Path, longer: Sequence[Sequence[float]], traffic: int, seed: int, rate: float) -> Truth:
    """A run of the oval, each lap with its own lengths of lift; lap `traffic` is held up."""
    track = oval()
    driver, rng = oval_driver(track), np.random.default_rng(seed)
    scripts = [_worn(driver, more).lap(rng, 1.0) for more in (longer[0], *longer, longer[-1])]
    first, second = scripts[traffic].actions
    scripts[traffic] = replace(scripts[traffic], actions=(first, _TRAFFIC, second))
    truth = _drive_warm(track, OVAL_CAR, scripts)
    table = record(
        truth, rate, out_lap=180.0, in_lap=120.0, noise=replace(CONSUMER, position_wander=0.05), seed=seed,
        channels=("time", "lap", "x", "y", "speed", "throttle"),
    )  # fmt: skip
    if len(longer) > 20:  # a tyre pressure too: it climbs as the tyre warms, then holds
        kpa = 172.0 + 26.0 * (1.0 - np.exp(-table["lap"].to_numpy(np.float64) / 5.0))
        table["tyre_pressure_fr"] = 1e3 * (kpa + 0.4 * np.sin(0.7 * table["time"].to_numpy(np.float64)))
    words = {
        "time": "Time (s)", "lap": "Lap", "x": "X (m)", "y": "Y (m)", "speed": "Speed (km/h)", "throttle": "Throttle (%)",
        "tyre_pressure_fr": "Tyre Pressure RF (kPa)",
    }  # fmt: skip
    digits = {"time": 2, "x": 2, "y": 2, "speed": 2, "throttle": 0, "tyre_pressure_fr": 0}
    units = {"speed": "km/h", "throttle": "%", "tyre_pressure_fr": "kPa"}
    write_csv(table, path, units=units, headers=words, digits=digits)
    return truth


def _setup_run(path: Path, setup: str, seed: int, traffic: int) -> Truth:
    """Twelve laps on used tyres: setup b loses a little in corner 1 and gains more in corner 2."""
    longer = [[more + _PER_LAP * age for more in _SETUPS[setup]] for age in range(12)]
    return _run_on_tyres(path, longer, traffic, seed, 20.0)


def _long_run(path: Path) -> Truth:
    """Twenty-six laps on new tyres: three of warm-up, a steady fall-off that grows from lap 18 on, traffic in lap 13."""
    base = [0.6 * _PER_LAP * age + 2.0 * _PER_LAP * max(age - 17, 0) for age in range(26)]
    for age, cold in enumerate(_COLD):
        base[age] += cold
    return _run_on_tyres(path, [[more, more] for more in base], 13, 67, 10.0)


_RATIOS = (2.2, 1.6, 1.25, 1.0)  # gears of `gears_run.csv`, first to top
_ROUND = 2.05  # circumference of its tyre (m)


def _geared_car(final_drive: float) -> Car:
    """Return a car whose power rises up to its rev limit of 6,500 rpm, with a final drive of one's choice."""
    curve = ((3000.0, 0.5), (4500.0, 0.76), (5500.0, 0.91), (6200.0, 0.98), (6600.0, 1.0), (7000.0, 0.98))
    rpm = np.pi / 30
    return replace(
        OVAL_CAR, power=96.0, gears=tuple(2 * np.pi / _ROUND * final_drive * ratio for ratio in _RATIOS),
        upshift=6400 * rpm, downshift=3000 * rpm, engine_curve=tuple((n * rpm, share) for n, share in curve),
        rev_limit=6500 * rpm,
    )  # fmt: skip


def _geared_run(final_drive: float) -> Truth:
    """Eight laps after a start from rest; whatever the final drive, lifts begin at the same places and last as long."""
    track = oval()
    scripts = run_scripts(oval_driver(track), 8, np.random.default_rng(53))
    return drive(
        track, _geared_car(final_drive), scripts, start_speed=0.0, start_distance=track.length - 1000.0, rest=2.0
    )


def _gears_run(path: Path) -> Truth:
    """Eight laps with a final drive of 4.50, too tall to reach the rev limit."""
    truth = _geared_run(4.5)
    table = record(
        truth, 20.0, out_lap=np.inf, in_lap=120.0, noise=replace(CONSUMER, position_wander=0.05), seed=53,
        channels=("time", "lap", "x", "y", "speed", "throttle", "engine_speed"),
    )  # fmt: skip
    words = {
        "time": "Time (s)", "lap": "Lap", "x": "X (m)", "y": "Y (m)", "speed": "Speed (km/h)", "throttle": "Throttle (%)",
        "engine_speed": "Engine Speed (rpm)",
    }  # fmt: skip
    digits = {"time": 2, "x": 2, "y": 2, "speed": 2, "throttle": 0, "engine_speed": 0}
    units = {"speed": "km/h", "throttle": "%", "engine_speed": "rpm"}
    write_csv(table, path, units=units, headers=words, digits=digits)
    return truth


def _centre_line(path: Path) -> None:
    """The invented oval's centre line, a point every five metres, and how wide the track is on either side of it."""
    track = oval()
    x, y = track.xy(np.arange(240) * (track.length / 240))
    points = (f"{a:.3f},{b:.3f},3.5,7.0" for a, b in zip(x.tolist(), y.tolist(), strict=True))
    path.write_bytes("\n".join(["x,y,left_width,right_width", *points, ""]).encode())


def demo_files(folder: str | Path) -> dict[str, Truth]:
    """Write the small invented recordings of ``sample_data/``, the same bytes every time.

    The centre line of the oval, ``marlow_basin.csv``, is written beside them; it belongs to the hand-written
    ``marlow_basin.toml``. The setup sheets ``sheet_a.toml`` and ``sheet_b.toml`` are written by hand too.

    Parameters
    ----------
    folder : str or Path
        Existing folder; files of the same names are overwritten.

    Returns
    -------
    dict of str to Truth
        File name -> what really happened.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     sorted(demo_files(place))  # doctest: +NORMALIZE_WHITESPACE
    ['gears_run.csv', 'long_run.csv', 'oval_awkward.csv', 'oval_run.csv', 'road_course.csv', 'setup_a.csv',
     'setup_b.csv', 'two_lines.csv']
    """
    makers: dict[str, Callable[[Path], Truth]] = {
        "oval_run.csv": _oval_run, "oval_awkward.csv": _oval_awkward, "road_course.csv": _road_course,
        "two_lines.csv": _two_lines, "gears_run.csv": _gears_run, "long_run.csv": _long_run,
        "setup_a.csv": partial(_setup_run, setup="a", seed=61, traffic=7),
        "setup_b.csv": partial(_setup_run, setup="b", seed=59, traffic=10),
    }  # fmt: skip
    _centre_line(Path(folder) / "marlow_basin.csv")
    return {name: make(Path(folder) / name) for name, make in makers.items()}
