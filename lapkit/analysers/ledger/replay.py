"""What if: drive the car's fitted model round a recorded lap with one thing exchanged.

What the model does not explain of the lap (wind, gears, errors of sensors) stays as it was, place by place, so a replay
with nothing exchanged is the lap itself; only the difference is the model's.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.ledger.answers import BRAKE_ON
from lapkit.analysers.ledger.energy import LongitudinalModel, longitudinal_model
from lapkit.analysers.ledger.ledger import THROTTLE_STEP
from lapkit.analysers.ledger.pair import Pair, line_metres
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import ColumnError, FrameError, LapkitError

CAUTION = (
    "A model's answer for this recording, not advice: it knows nothing of grip, traffic, walls or the car's limits; those "
    "are for the driver, qualified people and the rules of the series and the track."
)


@dataclass(frozen=True)
class Replay:
    """A lap driven again by the model, with something exchanged.

    Attributes
    ----------
    exchanged : tuple of str
        What was exchanged: "throttle", "brake", "line", "start_speed".
    lap_time : float
        Lap time of the replay, s.
    difference, difference_uncertainty : float
        Replay less recorded lap, s, and one standard uncertainty; negative is faster.
    frame : DataFrame
        Index `distance`: where each step begins. time (s), speed (m/s), throttle, brake, and `delta`: replay less lap, s.
    start_distance, end_distance : float
        Where it was exchanged, m.
    notes : tuple of str
        What was assumed.
    """

    exchanged: tuple[str, ...]
    lap_time: float
    difference: float
    difference_uncertainty: float
    frame: pd.DataFrame
    start_distance: float
    end_distance: float
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        what = " and ".join(name.replace("_", " ") for name in self.exchanged) or "nothing"
        head = (
            f"With {what} exchanged from {self.start_distance:.0f} to {self.end_distance:.0f} m the model gives "
            f"{self.lap_time:.3f} s: {self.difference:+.3f} s, sure to ±{2 * self.difference_uncertainty:.3f} s."
        )
        return "\n".join([head, *(f"Note: {note}" for note in self.notes), CAUTION])


def replay(
    lap: pd.DataFrame,
    *,
    throttle_from: pd.DataFrame | None = None,
    brake_from: pd.DataFrame | None = None,
    line_from: pd.DataFrame | None = None,
    start_speed: float | None = None,
    corner: str | int | None = None,
    model: LongitudinalModel | None = None,
    brake_answers: bool = True,
    throttle_step: float = THROTTLE_STEP,
) -> Replay:
    """Drive a lap again with one thing exchanged.

    Parameters
    ----------
    lap : DataFrame
        Frame of a whole lap.
    throttle_from, brake_from, line_from : DataFrame, optional
        A lap whose throttle, brake or line is taken, over the same metres of track. The line is its metres, bends and
        heights. All that are given must be the same lap.
    start_speed : float, optional
        Speed over the line at the start of the lap, m/s.
    corner : str or int, optional
        Exchange only from the middle of the straight before this corner to that of the straight after; else the whole lap.
    model : LongitudinalModel, optional
        The car, from ``longitudinal_model(session)``; else fitted to the laps given.
    brake_answers : bool
        Whether the driver is taken to brake down to the same speed for a corner, arriving faster or slower. Where the brake
        itself is exchanged it is left as it is.
    throttle_step : float
        Step in which throttle is written, 0..1; it shapes the uncertainty alone.

    Returns
    -------
    Replay
        Lap time, difference to the lap, uncertainty, and the replayed lap.

    Raises
    ------
    LapkitError
        If the model of the car does not fit.
    ColumnError
        If a lap lacks what is to be exchanged.
    FrameError
        If the frames do not fit together, or there is no such corner.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> what_if = replay(session.lap(10), throttle_from=session.best(), model=longitudinal_model(session))
    >>> what_if.difference < 0
    True
    """
    given = {"throttle": throttle_from, "brake": brake_from, "line": line_from}
    others = [frame for frame in given.values() if frame is not None]
    other = others[0] if others else lap
    if len({(str(frame.attrs.get("source")), frame.attrs.get("lap")) for frame in others}) > 1:
        raise FrameError("throttle_from, brake_from and line_from must be one and the same lap; replay one at a time.")
    if model is None:
        model = longitudinal_model([lap, other] if other is not lap else [lap])
    if not model.ok:
        raise LapkitError(f"There is no replay without a model of the car that fits: {model.reason}.")
    pair = Pair.of([lap, other])
    course = _Course.of(pair, model)
    start, end = _region(lap, corner, pair.length)
    inside = (pair.place >= start - 1e-9) & (pair.place < end)
    exchanged = [name for name, frame in given.items() if frame is not None]
    for name in exchanged:
        needed = "offset" if name == "line" else name
        if needed not in pair.channels:
            raise ColumnError(
                f"To exchange the {name}, both laps need the channel '{needed}', and one of them has none."
            )
    if start_speed is not None:
        exchanged.append("start_speed")
    notes = list(pair.notes)
    answers = brake_answers and "brake" in pair.channels and "brake" not in exchanged
    if answers and (pair.channels["brake"][0] > BRAKE_ON).any():
        notes.append("The driver is taken to brake down to the same speed for each corner.")

    def driven(
        model: LongitudinalModel, shift: float = 0.0, dither: float = 0.0
    ) -> tuple[float, FloatArray, FloatArray]:
        base = course if model is course.model else _Course.of(pair, model)
        changed = base.exchange(pair, exchanged, inside, shift, dither)
        return changed.run(base, start_speed, answers)

    lap_time, time, speed = driven(model)
    variance = _by_model(model, lap_time, lambda m: driven(m)[0])
    if others:
        error = float(np.hypot(pair.place_error[0], pair.place_error[1]))
        variance += (driven(model, shift=error)[0] - lap_time) ** 2 if error > 0 else 0.0
    if "throttle" in exchanged:
        variance += (driven(model, dither=throttle_step / np.sqrt(6.0))[0] - lap_time) ** 2
    own = pair.lap_time[0]
    shown = course.exchange(pair, exchanged, inside, 0.0, 0.0)
    frame = pd.DataFrame(
        {
            "time": time[:-1],
            "speed": speed,
            "throttle": shown.throttle,
            "brake": shown.brake,
            "delta": time[:-1] - pair.time[0][:-1],
        },
        index=pd.Index(pair.place[:-1], name="distance"),
    )
    return Replay(tuple(exchanged), lap_time, lap_time - own, float(np.sqrt(variance)), frame, start, end, tuple(notes))


def _region(lap: pd.DataFrame, corner: str | int | None, length: float) -> tuple[float, float]:
    """Where to exchange: between the middles of the straights beside a corner."""
    if corner is None:
        return 0.0, length
    corners = sorted(lap.attrs.get("corners") or [], key=lambda row: float(row["start_distance"]))
    names = [str(row["corner"]) for row in corners]
    if str(corner) not in names:
        raise FrameError(f"There is no corner {corner}; the lap has {', '.join(names) or 'none'}.")
    k = names.index(str(corner))
    own = corners[k]
    before = float(corners[k - 1]["end_distance"]) if k > 0 else None
    after = float(corners[k + 1]["start_distance"]) if k + 1 < len(corners) else None
    start = 0.0 if before is None else 0.5 * (before + float(own["start_distance"]))
    end = length if after is None else 0.5 * (float(own["end_distance"]) + after)
    return start, end


def _by_model(model: LongitudinalModel, lap_time: float, drive: Callable[[LongitudinalModel], float]) -> float:
    """Variance of a replayed lap time by the model's coefficients."""
    change = np.zeros(len(model.names))
    for k, sigma in enumerate(model.uncertainties.tolist()):
        if sigma > 0:
            values = np.array(model.values)
            values[k] += sigma
            change[k] = (drive(replace(model, values=values)) - lap_time) / sigma
    return max(float(change @ model.covariance @ change), 0.0)


@dataclass(frozen=True)
class _Course:
    """What the car meets and what the driver does, step by step from the middle of one cell to the next."""

    model: LongitudinalModel
    metres: FloatArray  # of each cell
    energy: FloatArray  # of each cell, as recorded
    throttle: FloatArray  # of each cell's start
    brake: FloatArray
    curvature: FloatArray
    climb: FloatArray  # from middle to middle, m
    rest: FloatArray  # what the model leaves, J/kg

    @classmethod
    def of(cls, pair: Pair, model: LongitudinalModel) -> _Course:
        zero = np.zeros(len(pair.place) - 1)

        def own(name: str, row: int = 0) -> FloatArray:
            return np.nan_to_num(pair.channels[name][row][:-1]) if name in pair.channels else zero

        metres = pair.metres[0]
        energy = 0.5 * (metres / np.diff(pair.time[0])) ** 2
        height = np.nan_to_num(pair.channels["z"][0]) if "z" in pair.channels else np.zeros(len(pair.place))
        course = cls(
            model,
            metres,
            energy,
            own("throttle"),
            own("brake"),
            own("curvature"),
            0.5 * (height[2:] - height[:-2]),
            zero[1:],
        )
        speed = np.sqrt(2.0 * energy)
        return replace(course, rest=np.diff(energy) - course.gain(0.5 * (speed[1:] + speed[:-1])))

    def gain(self, speed: FloatArray) -> FloatArray:
        """Energy gained in each step at given speeds, J/kg, as the model has it."""
        step = 0.5 * (self.metres[1:] + self.metres[:-1])
        force = self.model.drive(self.throttle[1:], speed) - self.model.resistance(speed, self.curvature[1:])
        force = force - self.model.coefficient("braking") * self.brake[1:]
        return np.asarray(force * step - STANDARD_GRAVITY * self.climb)

    def exchange(self, pair: Pair, what: list[str], inside: NDArray[np.bool_], shift: float, dither: float) -> _Course:
        """Return the course with the other lap's throttle, brake or line inside a region."""
        at = inside[:-1]

        def other(name: str) -> FloatArray:
            values = np.interp(pair.place + shift, pair.place, np.nan_to_num(pair.channels[name][1]))
            return np.asarray(values[:-1])

        out = self
        if "throttle" in what:
            top = self.model.knots[-1]
            theirs = other("throttle")
            theirs = np.where((theirs > 0.02) & (theirs < top - 0.02), theirs + dither, theirs)
            out = replace(out, throttle=np.where(at, theirs, self.throttle))
        if "brake" in what:
            out = replace(out, brake=np.where(at, other("brake"), self.brake))
        if "line" in what:
            way = line_metres(pair)
            if way is None:
                raise ColumnError("To exchange the line both laps need position all round the lap.")
            out = replace(out, metres=np.where(at, self.metres + way[1] - way[0], self.metres))
            if "curvature" in pair.channels:
                out = replace(out, curvature=np.where(at, other("curvature"), self.curvature))
            if "z" in pair.channels:
                height = np.interp(pair.place + shift, pair.place, np.nan_to_num(pair.channels["z"][1]))
                climb = 0.5 * (height[2:] - height[:-2])
                out = replace(out, climb=np.where(inside[1:-1], climb, self.climb))
        return out

    def run(self, base: _Course, start_speed: float | None, answers: bool) -> tuple[float, FloatArray, FloatArray]:
        """Drive: lap time (s), time at the nodes (s) and speed in the cells (m/s)."""
        model = self.model
        step = (0.5 * (self.metres[1:] + self.metres[:-1])).tolist()
        power, traction = model.power_at(self.throttle[1:]).tolist(), model.coefficient("traction")
        drag, rolling = model.coefficient("drag"), model.coefficient("rolling")
        scrub = (model.coefficient("cornering") * self.curvature[1:] ** 2).tolist()
        fixed = (
            -model.coefficient("braking") * self.brake[1:] * np.array(step) - STANDARD_GRAVITY * self.climb + base.rest
        ).tolist()
        weight = answer_weight(base.brake[1:]) if answers else np.zeros(len(step))
        recorded, keep = base.energy.tolist(), (1.0 - weight).tolist()
        energy = [recorded[0] if start_speed is None else 0.5 * start_speed**2]
        # The state of a sequential integration is scalar; each step is implicit in its mean speed.
        for j, ds in enumerate(step):
            e = ahead = energy[-1]
            v0 = (2.0 * e) ** 0.5
            for _ in range(4):
                v = max(0.5 * (v0 + (2.0 * max(ahead, 0.5)) ** 0.5), 1.0)
                force = min(power[j] / v, traction) - drag * v * v - rolling - scrub[j] * v**4
                ahead = e + force * ds + fixed[j]
            energy.append(max(recorded[j + 1] + (ahead - recorded[j + 1]) * keep[j], 0.5))
        speed = np.sqrt(2.0 * np.array(energy))
        time = np.append(0.0, np.cumsum(self.metres / speed))
        return float(time[-1]), time, speed


def answer_weight(brake: FloatArray) -> FloatArray:
    """Share of a difference of energy that the driver takes back in each step: all of it over a braking zone, evenly."""
    on = brake > BRAKE_ON
    edge = np.diff(np.concatenate([[0], on.astype(np.int8), [0]]))
    begins, ends = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    if not len(begins):
        return np.zeros(len(on))
    zone = np.maximum(np.cumsum(edge[:-1] == 1) - 1, 0)
    left = ends[zone] - np.arange(len(on))
    return np.where(on, 1.0 / np.maximum(left, 1), 0.0)
