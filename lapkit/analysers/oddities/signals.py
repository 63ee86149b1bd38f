"""What a run's samples say of things that befall a car, each against what is usual at that place of the lap.

Everything is read at the rate of the recording: a touch of the wall is over in a tenth of a second.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lap.trace import Trace, trace_of
from lapkit.analysers.ledger.energy import LongitudinalModel, longitudinal_model
from lapkit.analysers.ledger.inputs import inputs_of
from lapkit.channels import STANDARD_GRAVITY, FloatArray

if TYPE_CHECKING:
    from lapkit.model.session import Session

NEIGHBOURS = 15.0
"""m. Scatter from lap to lap is read over this stretch either side of a place (chosen)."""
FULL_SHARE = 0.97
"""Share of the full throttle reading from which on the throttle counts as full (chosen: noise and steps of a sensor)."""
CALM = 1.0
"""s. What lasts longer than about half of this is not a knock but driving (chosen, twice the longest touch and more)."""


@dataclass(frozen=True)
class Signals:
    """A run as arrays, one value a sample unless said otherwise.

    Attributes
    ----------
    trace : Trace
        The samples in driving order.
    rows : ndarray of int, shape (laps,)
        Which laps (rows of ``trace.numbers``) are looked at.
    frames : list of DataFrame
        Their lap frames.
    grid : ndarray, shape (n,)
        Places round the lap, m.
    at : ndarray, shape (laps, n)
        When each lap passed each place, s on the trace's clock.
    bend : ndarray, shape (n,)
        Usual curvature of the path, 1/m, left positive; 0 where it is not known.
    climb : ndarray, shape (laps, n)
        Gravity times the height of each lap at each place, J/kg; 0 where it is not known. Another lane of a banked track
        is another height.
    model : LongitudinalModel
        The car; not ok where there is none.
    speed, throttle : ndarray
        m/s; share of full throttle, NaN without the channel.
    drive, excess : ndarray
        Drive acceleration by the model (m/s2), and speed less the integral of the model's acceleration (m/s): level as
        long as the car does what its model says. Without a model drive is NaN and excess is speed.
    energy : ndarray
        The same for kinetic energy per mass, J/kg.
    interval : float
        Time between samples, s.
    from_position : bool
        Whether speed was worked out from position, for want of a column.
    notes : list of str
        What could not be looked for, and why.
    """

    trace: Trace
    rows: NDArray[np.intp]
    frames: list[pd.DataFrame]
    grid: FloatArray
    at: FloatArray
    bend: FloatArray
    climb: FloatArray
    model: LongitudinalModel
    speed: FloatArray
    throttle: FloatArray
    drive: FloatArray
    excess: FloatArray
    energy: FloatArray
    interval: float
    from_position: bool
    notes: list[str] = field(default_factory=list)

    @property
    def time(self) -> FloatArray:
        """Time, s."""
        return self.trace.time

    def count(self, seconds: float, least: int = 1) -> int:
        """Samples in so many seconds."""
        return max(round(seconds / self.interval), least)

    def per_place(self, values: FloatArray) -> FloatArray:
        """Values of samples at each place of each lap, shape (laps, n)."""
        return np.interp(self.at, self.time, values)

    def per_sample(self, profile: FloatArray) -> FloatArray:
        """Values at the places of a lap, shape (n,), at every sample."""
        length = self.grid[-1] + self.grid[1]
        lap = self.trace.lap_at(self.time)
        return np.interp(self.trace.place - self.trace.lap_place_zero[lap], self.grid, profile, period=length)

    def beyond_usual(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Values less what is usual at their place, and their usual scatter there, at every sample."""
        table = self.per_place(values)
        middle = np.median(table, axis=0)
        return values - self.per_sample(middle), self.per_sample(scatter_of(table, round(NEIGHBOURS / self.grid[1])))


def scatter_of(table: FloatArray, reach: int) -> FloatArray:
    """Scatter from lap to lap at each place, robust; never below that of the whole lap.

    Parameters
    ----------
    table : ndarray, shape (laps, n)
    reach : int
        Columns either side that count together.

    Returns
    -------
    ndarray, shape (n,)
        1 sigma.

    Examples
    --------
    >>> table = np.random.default_rng(1).normal(0.0, 2.0, (20, 400))
    >>> bool(abs(scatter_of(table, 15).mean() - 2.0) < 0.3)
    True
    """
    from scipy.ndimage import uniform_filter1d

    off = np.abs(table - np.median(table, axis=0))
    scale = _scale(len(table))
    here = scale * np.median(off, axis=0)
    local = np.sqrt(np.maximum(uniform_filter1d(here**2, 2 * reach + 1, mode="wrap"), 0.0))
    return np.maximum(local, scale * float(np.median(off)))


def scatter(values: FloatArray) -> float:
    """Scatter of some values, robust: 1 sigma.

    Examples
    --------
    >>> round(scatter(np.array([1.0, 2.0, 3.0, 4.0, 90.0])), 2)
    1.76
    """
    return _scale(len(values)) * float(np.median(np.abs(values - np.median(values))))


def _scale(count: int) -> float:
    """Of a median deviation to sigma; that of few is too small (Croux and Rousseeuw 1992, from memory)."""
    return 1.4826 * count / (count - 0.8)


def signals_of(session: Session, *, model: LongitudinalModel | None = None) -> Signals | None:
    """Read the samples of a session; None where it has no lap to look at."""
    table = session.laps
    wanted = table.loc[table["complete"] & ~table["flags"].str.contains("stop|reset|gap"), "lap"].tolist()
    if not wanted:
        return None
    frames = [session.lap(int(number)) for number in wanted]
    trace = trace_of(session)
    rows = np.flatnonzero(np.isin(trace.numbers, wanted))
    from scipy.ndimage import median_filter

    # one sample gone wrong is no step of speed
    speed = median_filter(_filled(trace.required("speed", "oddities")), size=3, mode="nearest")
    grid = frames[0].index.to_numpy(np.float64)
    at = np.interp(grid + trace.lap_place_zero[rows][:, None], np.maximum.accumulate(trace.place), trace.time)
    notes: list[str] = []
    car = longitudinal_model(session) if model is None else model
    missing = np.full(len(speed), np.nan)
    full = session.full_throttle or (car.knots[-1] if car.knots else None)
    pedal = trace.channel("throttle")
    throttle = missing if pedal is None or not full else _filled(pedal) / full
    drive, excess, energy = missing, speed, 0.5 * speed**2
    inputs = inputs_of(frames).channels
    curvature, height = inputs.get("curvature"), inputs.get("z")
    climb = np.zeros(at.shape) if height is None else STANDARD_GRAVITY * np.nan_to_num(height)
    bend = np.zeros(len(grid)) if curvature is None else np.nan_to_num(np.nanmedian(curvature, axis=0))
    if car.ok and pedal is not None:
        place = trace.place - trace.lap_place_zero[trace.lap_at(trace.time)]
        slowing = car.resistance(speed, np.interp(place, grid, bend, period=grid[-1] + grid[1]))
        slowing = slowing + car.coefficient("braking") * _brake(car, trace)
        drive = car.drive(throttle * car.knots[-1], speed)
        step = np.diff(trace.time)
        gain = drive - slowing
        excess = speed - np.append(0.0, np.cumsum(0.5 * (gain[1:] + gain[:-1]) * step))
        work = gain * speed
        energy = 0.5 * speed**2 - np.append(0.0, np.cumsum(0.5 * (work[1:] + work[:-1]) * step))
    else:
        notes.append(f"There is no model of the car ({car.reason}): a tow or a missed shift is not looked for.")
    source = session.recording.provenance.channels.get("speed")
    from_position = source is not None and source.column.startswith("(") and "position" in source.column
    return Signals(
        trace, rows, frames, grid, at, bend, climb, car, speed, throttle, drive, excess, energy, trace.interval,
        from_position, notes,
    )  # fmt: skip


def _brake(car: LongitudinalModel, trace: Trace) -> FloatArray:
    """The brake the car's model was fitted with, at every sample, 0..1."""
    for name in ("brake", "brake_pressure"):
        values = trace.channel(name)
        if values is not None and name.replace("_", " ") == car.brake:
            pressed = np.maximum(_filled(values), 0.0)
            return np.asarray(pressed if name == "brake" else pressed / max(float(pressed.max()), 1e-9))
    return np.zeros(len(trace.time))


def _filled(values: FloatArray) -> FloatArray:
    known = np.flatnonzero(np.isfinite(values))
    return values if len(known) == len(values) else np.interp(np.arange(len(values)), known, values[known])


def knock(values: FloatArray, width: int) -> FloatArray:
    """Values less their running median over `width` samples: what is short stays, bends and slopes go.

    Examples
    --------
    >>> knock(np.array([1.0, 1.0, 1.0, 9.0, 1.0, 1.0, 1.0]), 5).tolist()
    [0.0, 0.0, 0.0, 8.0, 0.0, 0.0, 0.0]
    """
    from scipy.ndimage import median_filter

    return np.asarray(values - median_filter(values, size=width | 1, mode="nearest"))


def steps_of(values: FloatArray, gap: int, width: int) -> FloatArray:
    """Mean of `width` values from `gap` samples after each, less that of as many up to `gap` before it.

    Examples
    --------
    >>> steps_of(np.repeat([5.0, 3.0], 6), 1, 3)[5:7].tolist()
    [-2.0, -2.0]
    """
    total = np.append(0.0, np.cumsum(values - values[0]))
    n, here = len(values), np.arange(len(values))

    def mean(start: NDArray[np.intp]) -> FloatArray:
        first = np.clip(start, 0, n - width)
        return np.asarray((total[first + width] - total[first]) / width)

    return mean(here + gap) - mean(here - gap - width + 1)
