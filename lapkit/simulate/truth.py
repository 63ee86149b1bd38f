"""What really happened in a simulated run, between the samples as well as on them."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from lapkit.channels import FloatArray
from lapkit.errors import LapError
from lapkit.simulate.car import Car, Motion, integrate
from lapkit.simulate.line import Line
from lapkit.simulate.script import Contact, MissedShift, Script, Tow
from lapkit.simulate.track import Track

LIFT_COLUMNS = [
    "lap", "start_distance", "end_distance", "start_time", "end_time", "duration", "min_throttle", "full_lift_time",
    "kind",
]  # fmt: skip
EVENT_COLUMNS = ["lap", "kind", "start_distance", "end_distance", "size"]
CORNER_COLUMNS = [
    "lap", "corner", "start_distance", "end_distance", "direction", "radius", "entry_speed", "min_speed",
    "min_speed_distance", "exit_speed", "corner_time",
]  # fmt: skip


class Truth:
    """The true motion of a simulated run.

    Parameters
    ----------
    track, car : Track, Car
        What was driven, and on what.
    scripts : sequence of Script
        What the driver did, one a lap.
    motion : Motion
        Result of the integration.
    out_lap, in_lap : bool
        Whether the first and the last script are not counted as laps.
    rest : float
        Time the car stands still before it starts (s).

    Attributes
    ----------
    numbers : list of int
        The counted laps: 1, 2, ... The out-lap is lap 0, the in-lap the next after the last.
    crossings : ndarray, shape (laps + 1,)
        Times (s) at which the counted laps begin, and the last ends. The clock of the truth is
        zero at the first of them.

    Notes
    -----
    Functions of time take seconds on the truth's clock, any shape, and return the same shape.
    Between the nodes of the integration place, speed and path are cubic; the pedals are exact.
    """

    def __init__(
        self,
        track: Track,
        car: Car,
        scripts: Sequence[Script],
        motion: Motion,
        *,
        out_lap: bool,
        in_lap: bool,
        rest: float = 0.0,
    ) -> None:
        self.track, self.car, self.scripts = track, car, tuple(scripts)
        self.first = 1 if out_lap else 0
        count = len(scripts) - int(out_lap) - int(in_lap)
        self.numbers = list(range(1, count + 1))
        zero = motion.crossings[self.first]
        self._all_crossings = motion.crossings - zero
        self.crossings = self._all_crossings[self.first : self.first + count + 1]
        self._t = motion.time - zero
        self._run = motion.distance - self.first * track.length  # zero at the first counted crossing
        self._v, self._a, self._progress = motion.speed, motion.acceleration, motion.progress
        if rest > 0:  # a car that stands still before it starts
            before = self._t[0] - np.array([rest, min(1e-3, rest / 2)])
            self._t = np.concatenate([before, self._t])
            self._run = np.concatenate([self._run[:1], self._run[:1], self._run])
            self._v, self._a, self._progress = (
                np.concatenate([np.zeros(2), c]) for c in (self._v, self._a, self._progress)
            )
        h = np.diff(self._t)
        steps = h / 2 * (self._v[:-1] + self._v[1:]) + h**2 / 12 * (self._a[:-1] - self._a[1:])
        path = np.concatenate([[0.0], np.cumsum(steps)])
        self._path = path - path[np.searchsorted(self._t, 0.0)]
        self._throttle = (motion.throttle[0] - zero, motion.throttle[1])
        self._brake = (motion.brake[0] - zero, motion.brake[1])
        self._gear = (motion.gear[0] - zero, motion.gear[1])
        self._shifts = motion.shifts - zero
        self._events = [(began - zero, event) for began, event in motion.events]

    # ------------------------------------------------------------------ as functions of time

    @property
    def span(self) -> tuple[float, float]:
        """First and last time (s) of the whole run, out-lap and in-lap included."""
        return float(self._t[0]), float(self._t[-1])

    def _cell(self, time: FloatArray) -> tuple[np.ndarray, FloatArray, FloatArray]:
        cell = np.clip(np.searchsorted(self._t, time, side="right") - 1, 0, len(self._t) - 2)
        width = self._t[cell + 1] - self._t[cell]
        return cell, width, (time - self._t[cell]) / width

    def _hermite(self, time: FloatArray, value: FloatArray, slope: FloatArray) -> FloatArray:
        cell, h, u = self._cell(time)
        y0, y1, d0, d1 = value[cell], value[cell + 1], slope[cell] * h, slope[cell + 1] * h
        return np.asarray(y0 + u * (d0 + u * (3 * (y1 - y0) - 2 * d0 - d1 + u * (2 * (y0 - y1) + d0 + d1))))

    def run_distance(self, time: ArrayLike) -> FloatArray:
        """Return the running place (m): track length times laps done, plus the station."""
        return self._hermite(np.asarray(time, dtype=float), self._run, self._progress)

    def speed(self, time: ArrayLike) -> FloatArray:
        """Return the speed along the path (m/s)."""
        return self._hermite(np.asarray(time, dtype=float), self._v, self._a)

    def path(self, time: ArrayLike) -> FloatArray:
        """Return the metres driven since the first counted crossing."""
        return self._hermite(np.asarray(time, dtype=float), self._path, self._v)

    def acceleration(self, time: ArrayLike) -> FloatArray:
        """Return the rate of change of speed (m/s2)."""
        cell, h, u = self._cell(np.asarray(time, dtype=float))
        rise, d0, d1 = (self._v[cell + 1] - self._v[cell]) / h, self._a[cell], self._a[cell + 1]
        return np.asarray(d0 + u * (2 * (3 * rise - 2 * d0 - d1) + 3 * u * (d0 + d1 - 2 * rise)))

    def throttle(self, time: ArrayLike) -> FloatArray:
        """Return the throttle (0..1), exactly piecewise linear in time."""
        return np.asarray(np.interp(np.asarray(time, dtype=float), *self._throttle))

    def brake(self, time: ArrayLike) -> FloatArray:
        """Return the brake (0..1), exactly piecewise linear in time."""
        return np.asarray(np.interp(np.asarray(time, dtype=float), *self._brake))

    def gear(self, time: ArrayLike) -> FloatArray:
        """Return the gear engaged."""
        at = np.searchsorted(self._gear[0], np.asarray(time, dtype=float), side="right") - 1
        return np.asarray(self._gear[1][np.maximum(at, 0)])

    def touch(self, time: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Return what touches add to the acceleration across the car (m/s2) and to the yaw rate (rad/s), left positive."""
        t = np.asarray(time, dtype=float)
        push, kick = np.zeros(t.shape), np.zeros(t.shape)
        for began, event in self._events:
            if isinstance(event, Contact):
                u = (t - began) / event.duration
                push += event.lateral * np.maximum(1 - np.abs(2 * u - 1), 0)
                kick += event.yaw_rate * np.maximum(1 - np.abs(u - 1), 0)
        return push, kick

    def flare(self, time: ArrayLike) -> FloatArray:
        """Return engine speed over what road speed and gear ask for: 1, and more where a gear would not go in."""
        t = np.asarray(time, dtype=float)
        ratio = np.ones(t.shape)
        for began, event in self._events:
            if isinstance(event, MissedShift):
                ratio += event.flare * np.maximum(1 - np.abs(2 * (t - began) / event.duration - 1), 0)
        return ratio

    def lap(self, time: ArrayLike) -> np.ndarray:
        """Return the lap number: 0 on the out-lap, 1 from the first counted crossing on."""
        at = np.searchsorted(self._all_crossings, np.asarray(time, dtype=float), side="right") - 1
        last = len(self.scripts) - 1
        return np.asarray(np.clip(at, 0, last) - self.first + 1)

    def shape(self, time: ArrayLike) -> dict[str, FloatArray]:
        """Return station, offset, curvature and heading of the line, and the level speed factor.

        Returns
        -------
        dict of str to ndarray
            Keys station (m), offset (m), curvature (1/m), heading (rad), level (horizontal per
            spatial metre).
        """
        t = np.asarray(time, dtype=float)
        lap = self.lap(t)
        length = self.track.length
        station = np.minimum(self.run_distance(t) - (lap - 1) * length, np.nextafter(length, 0))
        result = {k: np.empty(t.shape) for k in ("offset", "curvature", "heading", "level")}
        for number in np.unique(lap):
            rows = lap == number
            line = self.line(int(number))
            shape = self.track.along(station[rows], line)
            result["offset"][rows] = line(station[rows])[0]
            result["curvature"][rows] = shape.curvature
            result["heading"][rows] = shape.heading + (number - 1) * self.track.turned
            result["level"][rows] = shape.level_stretch / shape.stretch
        return {"station": station, **result}

    # ------------------------------------------------------------------------------- laps

    def line(self, lap: int) -> Line:
        """Return the line driven in a lap."""
        return self.scripts[lap - 1 + self.first].line or Line(self.track.length)

    def _check(self, lap: int) -> None:
        if lap not in self.numbers:
            raise LapError(f"the simulated run has laps {self.numbers[0]} to {self.numbers[-1]}, not {lap}.")

    def start(self, lap: int) -> float:
        """Return the time (s) at which a counted lap begins."""
        self._check(lap)
        return float(self.crossings[lap - 1])

    @property
    def laps(self) -> pd.DataFrame:
        """The lap table: one row a counted lap, SI units, columns as in a session's lap table."""
        rows = []
        for lap in self.numbers:
            begin, end = self.crossings[lap - 1], self.crossings[lap]
            inside = (self._t >= begin) & (self._t <= end)
            v = self._v[inside]
            path = self.path(np.array([begin, end]))
            rows.append(
                (
                    lap,
                    end - begin,
                    float(self.speed(end)),
                    v.max(),
                    v.min(),
                    self.full_throttle_share(lap),
                    np.diff(path)[0],
                )
            )
        return pd.DataFrame(
            rows,
            columns=[
                "lap", "lap_time", "speed_at_line", "top_speed", "min_speed", "full_throttle_share", "path_length",
            ],
        )  # fmt: skip

    def time_at_run(self, run: FloatArray) -> FloatArray:
        """Return the time (s) at which a running place (m) is passed: the inverse of `run_distance`."""
        cell = np.clip(np.searchsorted(self._run, run, side="right") - 1, 0, len(self._run) - 2)
        width = self._t[cell + 1] - self._t[cell]
        d0, d1 = self._progress[cell] * width, self._progress[cell + 1] * width
        rise = self._run[cell + 1] - self._run[cell]
        c2, c3 = 3 * rise - 2 * d0 - d1, d0 + d1 - 2 * rise
        goal = run - self._run[cell]
        u = goal / rise
        for _ in range(4):
            u = u - (u * (d0 + u * (c2 + u * c3)) - goal) / (d0 + u * (2 * c2 + 3 * u * c3))
        return np.asarray(self._t[cell] + u * width)

    def time_at(self, lap: int, distance: ArrayLike) -> FloatArray:
        """Return the time (s) since the lap's crossing at places along the centre line (m)."""
        self._check(lap)
        run = np.asarray(distance, dtype=float) + (lap - 1) * self.track.length
        return self.time_at_run(run) - self.start(lap)

    def speed_at(self, lap: int, distance: ArrayLike) -> FloatArray:
        """Return the speed (m/s) at places along the centre line (m)."""
        return self.speed(self.start(lap) + self.time_at(lap, distance))

    def path_at(self, lap: int, distance: ArrayLike) -> FloatArray:
        """Return the metres driven since the lap's crossing, at places along the centre line (m)."""
        start = self.start(lap)
        return self.path(start + self.time_at(lap, distance)) - self.path(start)

    # ------------------------------------------------------------------------------ events

    def _below(self, threshold: float) -> list[tuple[float, float]]:
        """Intervals with throttle below `threshold`, found exactly on the pedal's ramps."""
        t, th = self._throttle
        under = th < threshold
        k = np.flatnonzero(under[:-1] != under[1:])
        cross = t[k] + (threshold - th[k]) / (th[k + 1] - th[k]) * (t[k + 1] - t[k])
        edges = [float(c) for c in cross]
        if under[0]:
            edges.insert(0, float(t[0]))
        if under[-1]:
            edges.append(float(t[-1]))
        return list(zip(edges[::2], edges[1::2], strict=True))

    def full_throttle_share(self, lap: int, *, threshold: float = 0.98) -> float:
        """Return the share of a lap's time with the throttle at `threshold` or above."""
        begin, end = self.start(lap), float(self.crossings[lap])
        off = sum(max(0.0, min(b, end) - max(a, begin)) for a, b in self._below(threshold))
        return 1 - off / (end - begin)

    def lifts(self, lap: int | None = None, *, threshold: float = 0.95) -> pd.DataFrame:
        """Return the lifts of a lap, or of all counted laps.

        Parameters
        ----------
        lap : int, optional
            Lap number; None for all.
        threshold : float
            A lift is an interval with the throttle below this (0..1).

        Returns
        -------
        DataFrame
            lap, start_distance, end_distance (m along the centre line), start_time, end_time (s since the
            lap's crossing), duration (s), min_throttle, full_lift_time (s, integral of 1 - throttle),
            kind ("lift" or "shift cut"). A lift belongs to the lap in which it begins.

        Examples
        --------
        >>> from lapkit.simulate import stint
        >>> _, truth = stint(laps=1, seed=1)
        >>> len(truth.lifts(1)), sorted(set(truth.lifts(1)["kind"]))
        (2, ['lift'])
        """
        rows: list[tuple[object, ...]] = []
        t, th = self._throttle
        for begin, end in self._below(threshold):
            number = int(self.lap(begin))
            if number not in self.numbers or (lap is not None and number != lap):
                continue
            at = np.concatenate([[begin], t[(t > begin) & (t < end)], [end]])
            value = np.interp(at, t, th)
            lost = float(np.sum(np.diff(at) * (1 - (value[1:] + value[:-1]) / 2)))
            start = self.start(number)
            place = self.run_distance(np.array([begin, end])) - (number - 1) * self.track.length
            cut = bool(np.any((self._shifts[:, 0] <= begin) & (self._shifts[:, 1] >= end)))
            rows.append(
                (
                    number, place[0], place[1], begin - start, end - start, end - begin, value.min(), lost,
                    "shift cut" if cut else "lift",
                )
            )  # fmt: skip
        return pd.DataFrame(rows, columns=LIFT_COLUMNS)

    def events(self) -> pd.DataFrame:
        """Return what befell the car in the counted laps.

        Returns
        -------
        DataFrame
            lap, kind ("contact", "tow" or "missed shift"), start_distance, end_distance (m), size (speed lost in m/s, share
            of the drag taken away, or s without drive).
        """
        rows: list[tuple[object, ...]] = []
        for began, event in self._events:
            number = int(self.lap(began))
            if number not in self.numbers:
                continue
            if isinstance(event, Tow):
                rows.append((number, "tow", event.start, event.end, event.drag))
                continue
            end = float(self.run_distance(began + event.duration)) - (number - 1) * self.track.length
            contact = isinstance(event, Contact)
            size = event.speed_loss if isinstance(event, Contact) else event.duration
            rows.append((number, "contact" if contact else "missed shift", event.start, end, size))
        return pd.DataFrame(rows, columns=EVENT_COLUMNS)

    def corners(self, lap: int | None = None) -> pd.DataFrame:
        """Return speeds and times of the track's corners in a lap, or in all counted laps.

        Parameters
        ----------
        lap : int, optional
            Lap number; None for all.

        Returns
        -------
        DataFrame
            lap, corner, start_distance, end_distance (m), direction, radius (m, of the centre line),
            entry_speed, min_speed, exit_speed (m/s), min_speed_distance (m), corner_time (s).
        """
        rows: list[tuple[object, ...]] = []
        for number in self.numbers if lap is None else [lap]:
            start = self.start(number)
            for c in self.track.turns:
                t0, t1 = (start + self.time_at(number, np.array([c.start, c.end]))).tolist()
                time, speed = self._slowest(t0, t1)
                place = float(self.run_distance(time)) - (number - 1) * self.track.length
                rows.append(
                    (
                        number, *c,
                        float(self.speed(t0)), speed, place, float(self.speed(t1)), t1 - t0,
                    )
                )  # fmt: skip
        return pd.DataFrame(rows, columns=CORNER_COLUMNS)

    def _slowest(self, begin: float, end: float) -> tuple[float, float]:
        """Time and value of the lowest speed in [begin, end]."""
        inside = self._t[(self._t > begin) & (self._t < end)]
        time = np.concatenate([[begin], inside, [end]])
        low = int(np.argmin(self.speed(time)))
        fine = np.linspace(time[max(low - 1, 0)], time[min(low + 1, len(time) - 1)], 4001)
        speed = self.speed(fine)
        at = int(np.argmin(speed))
        return float(fine[at]), float(speed[at])


def drive(
    track: Track,
    car: Car,
    scripts: Sequence[Script],
    *,
    start_speed: float,
    start_distance: float = 0.0,
    step: float = 0.02,
    out_lap: bool = True,
    in_lap: bool = True,
    rest: float = 0.0,
) -> Truth:
    """Drive scripted laps one after another and return what happened.

    Parameters
    ----------
    track, car : Track, Car
        What is driven, and on what.
    scripts : sequence of Script
        One a lap, out-lap and in-lap included.
    start_speed : float
        Speed at the beginning (m/s); zero starts from rest.
    start_distance : float
        Station at which the first script is taken up (m).
    step : float
        Longest time step of the integration (s).
    out_lap, in_lap : bool
        Whether the first and the last script are not counted as laps.
    rest : float
        Time the car stands still before it starts (s); for a start from rest.

    Returns
    -------
    Truth
        The true motion.

    Raises
    ------
    LapkitError
        If the car comes to a stand on the way.

    Examples
    --------
    From 40 to 60 m/s with 200 W/kg and nothing else: v^2 rises by 2 P t.

    >>> from lapkit.simulate.track import straight
    >>> road = Track([straight(2000.0 / 3 / 2 * 0.76)], closed=False)
    >>> car = Car(power=200.0, traction=1e9, drag=0.0, rolling=0.0, cornering=0.0)
    >>> run = drive(road, car, [Script()], start_speed=40.0, out_lap=False, in_lap=False)
    >>> [round(float(v), 6) for v in run.laps.loc[0, ["lap_time", "speed_at_line"]]]
    [5.0, 60.0]
    """
    motion = integrate(track, car, scripts, start_speed=start_speed, start_distance=start_distance, step=step)
    return Truth(track, car, scripts, motion, out_lap=out_lap, in_lap=in_lap, rest=rest)
