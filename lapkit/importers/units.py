"""Units a file does not say, decided by what the values must mean for the car to have moved as it did.

First comes consistency: speed against position or distance, rate of turn against the path,
acceleration against speed and turn. Where the channels that would tell are absent, the range of
the values decides if only one unit is plausible; else the column is left alone, or for speed, the
user is asked. Each decision gives its reason; ranges are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import CHANNELS, UNITS
from lapkit.errors import ColumnError
from lapkit.importers.clock import Clock
from lapkit.importers.columns import Columns
from lapkit.importers.evidence import Windows, ratio
from lapkit.importers.headers import Assignment
from lapkit.importers.pedals import scale_pedal, size_of
from lapkit.importers.raw import RawTable
from lapkit.model.recording import Provenance

FloatArray = NDArray[np.float64]

_SPEEDS = ("m/s", "km/h", "mph", "kn", "ft/s")
_LENGTHS = ("m", "km", "ft", "mi")
POSITION_UNITS = ("m", "ft", "km", "cm", "mm")
"""Units a position may be in that says none."""
WHEELS = tuple(f"wheel_speed_{place}" for place in ("fl", "fr", "rl", "rr"))
"""Channels a speed can be made of where there is no other."""
FASTEST = 115.0
"""m/s. Speed no car exceeds (common practice, no source)."""

# Range of the values (their largest size but for outliers) -> unit; no entry means not plausible.
_BY_SIZE: dict[str, tuple[tuple[float, str], ...]] = {
    "yaw_rate": ((4.0, "rad/s"), (2000.0, "deg/s")),
    "heading": ((6.4, "rad"), (np.inf, "deg")),
    "course": ((6.4, "rad"), (np.inf, "deg")),
    "steering": ((3.0, "rad"), (np.inf, "deg")),
    "road_wheel_angle": ((0.8, "rad"), (90.0, "deg")),
    "longitudinal_acceleration": ((3.5, "g"), (np.inf, "m/s2")),
    "lateral_acceleration": ((3.5, "g"), (np.inf, "m/s2")),
    "vertical_acceleration": ((3.5, "g"), (np.inf, "m/s2")),
    "engine_speed": ((0.0, "rpm"), (300.0, ""), (np.inf, "rpm")),
    "air_temperature": ((55.0, "degC"), (140.0, "degF"), (400.0, "K")),
    "banking": ((0.0, "rad"), (1.6, ""), (90.0, "deg")),
    "roll": ((0.0, "rad"), (1.6, ""), (180.0, "deg")),
    "pitch": ((0.0, "rad"), (1.6, ""), (180.0, "deg")),
    "curvature": ((np.inf, "1/m"),),
    "latitude": ((90.0, "deg"),),
    "longitude": ((180.0, "deg"),),
}
_BY_SIZE_OF: dict[str, tuple[tuple[float, str], ...]] = {
    "temperature": ((150.0, "degC"), (250.0, "degF"), (700.0, "K")),
}
_PLAIN_LENGTHS = {"x", "y", "z", "position_accuracy", "odometer", "lap_distance"}
_ACCELERATIONS = ("lateral_acceleration", "longitudinal_acceleration", "vertical_acceleration")


def decide_units(
    raw: RawTable,
    columns: Columns,
    clock: Clock,
    windows: Windows,
    provenance: Provenance,
    *,
    fit: float = 0.05,
    contradiction: float = 0.15,
    fastest: float = FASTEST,
) -> None:
    """Decide the units nobody wrote down, in place, and doubt those that contradict the movement.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    columns : Columns
        Receives units; columns whose unit can not be decided are taken out and stay as they are.
    clock : Clock
        Tells the rows and their times.
    windows : Windows
        How the car moved, from its position where there is one.
    provenance : Provenance
        Receives notes and warnings.
    fit : float
        Share by which speed may differ from the movement in the unit chosen: odometers and wheel
        radii are that good, and the nearest two units (km/h and ft/s) are 9 % apart.
    contradiction : float
        Share from which a unit that is said is doubted aloud; it is kept all the same.
    fastest : float
        Speed no car exceeds, m/s.

    Raises
    ------
    ColumnError
        If the unit of the speed can not be decided.
    """
    _Units(raw, columns, clock, windows, provenance).decide(fit, contradiction, fastest)


class _Units:
    """One pass over the channels; speed first, for the others lean on it."""

    def __init__(self, raw: RawTable, columns: Columns, clock: Clock, windows: Windows, provenance: Provenance) -> None:
        self.raw, self.channels, self.clock, self.windows = raw, columns.channels, clock, windows
        self.given, self.log = columns.speed_unit, provenance
        self.speed: FloatArray | None = windows.speed if windows.moving.any() else None

    def values(self, choice: Assignment) -> FloatArray:
        values = self.raw.numbers[choice.header]
        return values if self.clock.rows is None else values[self.clock.rows]

    def mean(self, choice: Assignment) -> FloatArray:
        """Mean over each window, in the file's unit."""
        return self.windows.mean(self.values(choice))

    def numeric(self, channel: str) -> Assignment | None:
        """The channel's column if it holds numbers."""
        choice = self.channels.get(channel)
        return choice if choice is not None and choice.header in self.raw.numbers else None

    def leave(self, choice: Assignment, why: str) -> None:
        """Keep a column under its own name."""
        del self.channels[choice.channel]
        hint = f' (units={{"{choice.channel}": ...}} reads it as {choice.channel})' if choice.unit is None else ""
        self.log.notes.append(f"'{choice.header}' kept as it is: {why}{hint}.")

    def decide(self, fit: float, contradiction: float, fastest: float) -> None:
        self.distances_by_kind()
        self.speed_unit(fit, contradiction, fastest)
        self.wheel_speeds()
        self.distance_units(fit)
        for channel in ("throttle", "brake"):
            choice = self.numeric(channel)
            if choice is not None and not scale_pedal(choice, self.values(choice), self.log):
                del self.channels[channel]
        self.yaw_rate()
        self.accelerations()
        self.steering()
        for choice in list(self.channels.values()):
            if choice.unit is None and choice.header in self.raw.numbers:
                self.by_size(choice)

    # ------------------------------------------------------------------ speed and distance

    def distances_by_kind(self, *, back: float = 0.5) -> None:
        """A distance that falls back by more than `back` of its range is counted from the line."""
        choice = self.numeric("odometer")
        if choice is None:
            return
        values = self.values(choice)
        values = values[np.isfinite(values)]
        if values.size < 2 or not (np.diff(values) < -back * np.ptp(values)).any():
            return
        if "lap_distance" in self.channels:
            self.leave(choice, "it falls back to zero each lap, and there is a lap distance already")
            return
        del self.channels["odometer"]
        choice.channel, choice.column_reason = "lap_distance", f"{choice.column_reason}, and it falls back to zero"
        self.channels["lap_distance"] = choice

    def distance_rate(self, choice: Assignment) -> FloatArray:
        """Metres (or whatever the file counts in) a second over each window, NaN where it falls back."""
        rate = self.windows.rate(self.values(choice))
        return np.where(rate >= 0, rate, np.nan)

    def known_speed(self) -> tuple[FloatArray, str] | None:
        """Speed from something whose unit is known, m/s."""
        if self.speed is not None:
            return self.speed, "position"
        for channel in ("odometer", "lap_distance"):
            choice = self.numeric(channel)
            if choice is not None and choice.unit is not None:
                return self.distance_rate(choice) * choice.scale, f"the distance in '{choice.header}'"
        for channel, choice in self.channels.items():
            if channel.startswith("wheel_speed") and choice.unit is not None and self.numeric(channel):
                return self.mean(choice) * choice.scale, f"the wheel speed in '{choice.header}'"
        return None

    def speed_unit(self, fit: float, contradiction: float, fastest: float) -> None:
        choice = self.numeric("speed")
        if choice is None:
            return
        values = self.values(choice)
        measured = self.windows.mean(np.abs(values))
        known = self.known_speed()
        found = ratio(known[0], measured, least=self.windows.slowest) if known else None
        if choice.unit is None and self.given is not None:
            choice.decide(self.given, "unit as given")
        if choice.unit is not None:
            if found is not None and known is not None and abs(found / choice.scale - 1.0) > contradiction:
                self.log.warnings.append(self.contradiction(choice, found, known[1], fit))
        elif found is not None and known is not None:
            unit = nearest(found, "speed", _SPEEDS, fit)
            if unit is None:
                position = (
                    "; or x and y are not in metres, which units={'x': ..., 'y': ...} can say"
                    if known[1] == "position"
                    else ""
                )
                raise self.unknown_speed(
                    choice, values, f"against {known[1]} one unit is {found:.4g} m/s, which is none{position}"
                )
            off = found / UNITS["speed"][unit][0]
            choice.decide(unit, f"no unit said; integrated as {unit} it fits {known[1]}, ratio {off:.3f}")
        elif not self.with_distance(choice, measured, fit):
            top = float(np.nanmax(np.abs(values)))
            possible = [u for u in ("m/s", "km/h", "mph") if top * UNITS["speed"][u][0] <= fastest]
            if possible != ["km/h"]:
                raise self.unknown_speed(choice, values, "nothing else in the file decides")
            choice.decide("km/h", f"no unit said; {top:.0f} would be too fast in any other")
        self.speed = measured * choice.scale

    def wheel_speeds(self) -> None:
        """Where the wheels are all there is to tell the speed, their unit has to be known."""
        wheels = [c for name in WHEELS if (c := self.numeric(name)) is not None]
        if self.speed is not None or not wheels or self.numeric("odometer") or self.numeric("lap_distance"):
            return
        said = next((c.unit for c in wheels if c.unit is not None), self.given)
        if said is None:
            raise self.unknown_speed(wheels[0], self.values(wheels[0]), "no unit is said of any wheel's speed")
        for choice in wheels:
            if choice.unit is None:
                choice.decide(said, "unit as given" if said == self.given else "no unit said; as the other wheels")
        self.speed = np.nanmean([np.abs(self.mean(choice)) * choice.scale for choice in wheels], axis=0)

    def contradiction(self, choice: Assignment, found: float, against: str, fit: float) -> str:
        """What to say of a speed whose unit does not fit the movement: `found` is the unit that would, m/s."""
        times = choice.scale / found
        size = f"{times:.3g} times too large" if times > 1 else f"{1 / times:.3g} times too small"
        fits, changes = [], ['units={"speed": ...}']
        other = nearest(found, "speed", _SPEEDS, fit)
        if other:
            fits.append(f"with the speed in {other}")
        x, y = self.numeric("x"), self.numeric("y")
        if against == "position" and x is not None and y is not None:
            length = nearest(x.scale * times, "length", POSITION_UNITS, fit)
            if length and length != x.unit:
                fits.append(f"with '{x.header}' and '{y.header}' in {length}")
                changes.append(f'units={{"x": "{length}", "y": "{length}"}}')
        would = f"; it would fit {' or '.join(fits)}" if fits else ""
        return (
            f"speed in '{choice.header}' is said to be in {choice.unit}, but against {against} it is {size}{would}. "
            f"It was kept as said; {' or '.join(changes)} changes it."
        )

    def with_distance(self, choice: Assignment, measured: FloatArray, fit: float) -> bool:
        """Decide speed and distance together where neither unit is said; False if two pairs would do."""
        distance = self.numeric("odometer") or self.numeric("lap_distance")
        if distance is None:
            return False
        found = ratio(self.distance_rate(distance), measured, least=0.0)
        if found is None:
            return False
        pairs = [
            (speed, length, found * UNITS["length"][length][0] / UNITS["speed"][speed][0])
            for speed in ("m/s", "km/h", "mph")
            for length in _LENGTHS
        ]
        fitting = [pair for pair in pairs if abs(pair[2] - 1.0) < fit]
        if len(fitting) != 1:
            return False
        speed, length, off = fitting[0]
        reason = f"no unit said; only {speed} and {length} fit each other, ratio {off:.3f}"
        choice.decide(speed, reason)
        distance.decide(length, reason)
        return True

    def unknown_speed(self, choice: Assignment, values: FloatArray, why: str, fastest: float = FASTEST) -> ColumnError:
        size = np.abs(values)
        low, high = np.nanquantile(size, [0.05, 0.95])
        top, lap = float(np.nanmax(size)), self.per_lap(size)
        each = []
        for unit in ("mph", "km/h", "m/s", "kn"):
            scale = UNITS["speed"][unit][0]
            if top * scale > fastest:
                each.append(f"{unit} would be {3.6 * top * scale:.0f} km/h at most, faster than any car")
                continue
            length = "" if lap is None else f" and a lap {lap * scale:.0f} m long"
            each.append(
                f"{unit} makes {3.6 * top * scale:.0f} km/h ({top * scale / 0.44704:.0f} mph) the top speed{length}"
            )
        return ColumnError(
            f"{self.raw.source}: the unit of '{choice.header}' is not said, and values from {low:.0f} to {high:.0f} could be "
            f"several: {why}. {'; '.join(each)}. Say which it is with "
            f'units={{"{choice.channel}": "<unit>"}}, or write it in the header.'
        )

    def per_lap(self, values: FloatArray) -> float | None:
        """Integral of values over the usual lap by the file's lap column, None without whole laps."""
        choice = self.numeric("lap")
        if choice is None:
            return None
        lap, time = self.values(choice), self.clock.time
        changes = np.flatnonzero(np.diff(lap) != 0) + 1
        if len(changes) < 2:
            return None
        total = np.append(0.0, np.cumsum(np.nan_to_num(0.5 * (values[1:] + values[:-1]) * np.diff(time))))
        return float(np.median(np.diff(total[changes])))

    def distance_units(self, fit: float) -> None:
        for channel in ("odometer", "lap_distance"):
            choice = self.numeric(channel)
            if choice is None or choice.unit is not None:
                continue
            found = (
                ratio(self.speed, self.distance_rate(choice), least=self.windows.slowest)
                if self.speed is not None
                else None
            )
            unit = nearest(found, "length", _LENGTHS, fit) if found is not None else None
            if unit is not None and found is not None:
                off = found / UNITS["length"][unit][0]
                choice.decide(unit, f"no unit said; as {unit} it fits the speed, ratio {off:.3f}")
            else:
                choice.decide("m", "no unit said, metres taken")
        if self.speed is None:
            return
        for channel, choice in list(self.channels.items()):
            if (channel.startswith("wheel_speed") or channel == "lateral_velocity") and choice.unit is None:
                own = self.channels.get("speed")
                unit = own.unit if own is not None else None
                if channel != "lateral_velocity" and self.numeric(channel):
                    found = ratio(self.speed, self.mean(choice), least=self.windows.slowest)
                    unit = nearest(found, "speed", _SPEEDS, 2 * fit) if found is not None else unit
                if unit is not None:
                    choice.decide(unit, "no unit said; as the speed of the car")

    # ------------------------------------------------------------------ turning

    def turn(self) -> tuple[FloatArray, FloatArray, str] | None:
        """Rate of turn (rad/s), the mean speed with it, and what it was taken from."""
        if self.windows.moving.any():
            return self.windows.turn, self.windows.speed[1:-1], "the turns of the path"
        yaw = self.numeric("yaw_rate")
        if yaw is not None and yaw.unit is not None and self.speed is not None:
            return (self.mean(yaw) * yaw.scale)[1:-1], self.speed[1:-1], "speed and yaw rate"
        return None

    def yaw_rate(self) -> None:
        choice = self.numeric("yaw_rate")
        if choice is None or choice.unit is not None:
            return
        evidence = self.turn()
        if evidence is not None:
            turn, why = evidence[0], evidence[2]
        else:
            lateral = self.numeric("lateral_acceleration")
            if lateral is None or lateral.unit is None or self.speed is None:
                return
            turn = (self.mean(lateral) * lateral.scale / self.speed)[1:-1]
            why = "lateral acceleration over speed"
        self.by_ratio(choice, ratio(turn, self.mean(choice)[1:-1], least=0.05), why)

    def accelerations(self) -> None:
        undecided = [c for name in _ACCELERATIONS if (c := self.numeric(name)) is not None and c.unit is None]
        for choice in undecided:
            means = self.mean(choice)
            if choice.channel == "lateral_acceleration" and (evidence := self.turn()) is not None:
                self.by_ratio(choice, ratio(evidence[0] * evidence[1], means[1:-1], least=2.0), evidence[2])
            elif choice.channel == "longitudinal_acceleration" and self.speed is not None:
                change = (self.speed[2:] - self.speed[:-2]) / self.windows.window
                self.by_ratio(choice, ratio(change, means[1:-1], least=1.0), "the change of speed")
        known = [c for name in _ACCELERATIONS if (c := self.numeric(name)) is not None and c.unit is not None]
        for choice in undecided:
            if choice.unit is None and known:
                choice.decide(str(known[0].unit), f"no unit said; as '{known[0].header}'")

    def steering(self) -> None:
        """Steering over path curvature is some 35 rad m (2.7 m wheelbase, 13 to 1), 2000 in degrees."""
        evidence = self.turn()
        for channel, limit in (("steering", 250.0), ("road_wheel_angle", 20.0)):
            choice = self.numeric(channel)
            if choice is None or choice.unit is not None or evidence is None:
                continue
            curvature = evidence[0] / evidence[1]
            found = ratio(curvature, self.mean(choice)[1:-1], least=0.002)
            if found is not None:
                unit = "rad" if 1.0 / found < limit else "deg"
                choice.decide(unit, f"no unit said; {1.0 / found:.3g} {unit} for each 1/m of curvature")

    # ------------------------------------------------------------------ everything else

    def by_ratio(self, choice: Assignment, found: float | None, why: str, *, within: float = 3.0) -> None:
        """Take the unit nearest to a ratio, at most a factor `within` off; leave it open otherwise."""
        if found is None:
            return
        factors = {unit: factor for unit, (factor, _) in UNITS[CHANNELS[choice.channel].dimension].items()}
        candidates = [u for u in ("rad/s", "deg/s", "m/s2", "g", "mg") if u in factors]
        unit = min(candidates, key=lambda u: abs(np.log(found / factors[u])))
        if abs(np.log(found / factors[unit])) < np.log(within):
            choice.decide(unit, f"no unit said; as {unit} it fits {why}, ratio {found / factors[unit]:.2f}")

    def by_size(self, choice: Assignment) -> None:
        channel, dimension = choice.channel, CHANNELS[choice.channel].dimension
        values = self.values(choice)
        if channel in _PLAIN_LENGTHS:
            choice.decide("m", "no unit said, metres taken")
            return
        if channel == "lap_clock":
            step = np.diff(values)
            found = self.clock.interval / float(np.median(step[step > 0])) if (step > 0).any() else 1.0
            factors = {unit: factor for unit, (factor, _) in UNITS["time"].items()}
            unit = min(factors, key=lambda u: abs(np.log(found / factors[u])))
            choice.decide(unit, f"no unit said; as {unit} its steps fit the time")
            return
        if channel in {"roll_rate", "pitch_rate"} and (yaw := self.channels.get("yaw_rate")) is not None and yaw.unit:
            choice.decide(yaw.unit, "no unit said; as the yaw rate")
            return
        ranges = _BY_SIZE.get(channel) or _BY_SIZE_OF.get(dimension)
        if ranges is None:
            self.leave(choice, f"its unit is not said, and values do not tell a unit of {dimension}")
            return
        size = size_of(values)
        unit = next((unit for limit, unit in ranges if size <= limit), "")
        if unit:
            choice.decide(unit, f"no unit said; {unit} by the range of the values, up to {size:.3g}")
        else:
            self.leave(choice, f"its unit is not said, and values up to {size:.3g} do not tell it")


def nearest(found: float, dimension: str, names: tuple[str, ...], fit: float) -> str | None:
    """Unit whose factor is nearest to a ratio, if within a share `fit`."""
    factors: Mapping[str, tuple[float, float]] = UNITS[dimension]
    best = min(names, key=lambda unit: abs(found / factors[unit][0] - 1.0))
    return best if abs(found / factors[best][0] - 1.0) < fit else None
