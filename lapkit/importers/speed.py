"""Speed where the file has none: from position, from distance or from the wheels; and samples of it no car can do."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapkit.importers.clock import Clock
from lapkit.importers.columns import Columns
from lapkit.importers.headers import Assignment
from lapkit.importers.position import Position
from lapkit.importers.raw import RawTable
from lapkit.importers.sampling import hold_length, release_holds, there_and_back
from lapkit.importers.units import WHEELS
from lapkit.model.recording import ChannelSource, Provenance

FloatArray = NDArray[np.float64]


def derived_speed(
    raw: RawTable, columns: Columns, clock: Clock, position: Position | None, provenance: Provenance, *, max_gap: float
) -> tuple[FloatArray, ChannelSource]:
    """Work out the speed of every sample from what else there is, the best first.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    columns : Columns
        Tells distance and wheels, their units decided.
    clock : Clock
        Tells the rows and their times.
    position : Position or None
        Where the car was.
    provenance : Provenance
        Receives what the speed is worth.
    max_gap : float
        Longest interval between two fixes that is filled, s.

    Returns
    -------
    speed : ndarray, shape (n,)
        m/s.
    source : ChannelSource
    """
    if position is not None:
        return _from_position(clock, position, max_gap)
    distance = columns.channels.get("odometer") or columns.channels.get("lap_distance")
    if distance is not None:
        return _from_distance(_values(raw, distance, clock), distance, clock)
    wheels = [columns.channels[name] for name in WHEELS if name in columns.channels]
    return _from_wheels(
        {c.header: np.abs(_values(raw, c, clock)) for c in wheels if c.header in raw.numbers}, provenance
    )


def _values(raw: RawTable, choice: Assignment, clock: Clock) -> FloatArray:
    values = raw.numbers[choice.header]
    return (values if clock.rows is None else values[clock.rows]) * choice.scale


def _from_position(clock: Clock, position: Position, max_gap: float) -> tuple[FloatArray, ChannelSource]:
    x, y = position.x.copy(), position.y.copy()
    held = max(hold_length(x), hold_length(y))
    if held > 1:
        for values in (x, y):
            release_holds(clock.time, values, held, max_gap=max_gap)
    have = np.flatnonzero(np.isfinite(x) & np.isfinite(y))
    steps = np.hypot(np.diff(x[have]), np.diff(y[have]))
    speed, span = _rate(clock.time, have, steps)
    return speed, ChannelSource("(from position)", "m/s", f"no speed column; metres moved within {span:g} s")


def _from_distance(values: FloatArray, choice: Assignment, clock: Clock) -> tuple[FloatArray, ChannelSource]:
    have = np.flatnonzero(np.isfinite(values))
    steps = np.diff(values[have])
    on = np.flatnonzero(steps >= -0.5 * np.ptp(values[have]))
    steps = np.interp(np.arange(len(steps)), on, steps[on]) if on.size else np.zeros(len(steps))
    speed, span = _rate(clock.time, have, steps)
    return speed, ChannelSource("(from distance)", "m/s", f"no speed column; '{choice.header}' over {span:g} s")


def _rate(
    time: FloatArray, have: NDArray[np.intp], steps: FloatArray, *, span: float = 0.2
) -> tuple[FloatArray, float]:
    """Metres a second over `span` seconds around each sample, from the metres between those that have them."""
    speed = np.full(len(time), np.nan)
    time, path = time[have], np.concatenate(([0.0], np.cumsum(steps)))
    half = max(1, round(0.5 * span / float(np.median(np.diff(time))))) if len(time) > 1 else 1
    row = np.arange(len(time))
    low, high = np.maximum(row - half, 0), np.minimum(row + half, len(time) - 1)
    if len(time) > 1:
        speed[have] = (path[high] - path[low]) / (time[high] - time[low])
    return speed, span


def _from_wheels(
    wheels: dict[str, FloatArray], provenance: Provenance, *, dead: float = 0.5
) -> tuple[FloatArray, ChannelSource]:
    """Mean of the wheels, so that inner and outer wheels even out in corners.

    Which wheels are driven the file does not say, so none is preferred. A wheel whose median is below
    `dead` of that of the fastest has a dead sensor.
    """
    medians = {header: float(np.nanmedian(values)) for header, values in wheels.items()}
    fit = [header for header, median in medians.items() if median >= dead * max(medians.values())]
    if len(fit) < len(wheels):
        lost = ", ".join(f"'{header}'" for header in wheels if header not in fit)
        provenance.warnings.append(f"{lost}: far slower than the other wheels, so left out of the speed of the car.")
    present = [np.isfinite(wheels[header]) for header in fit]
    count = np.sum(present, axis=0)
    total = np.sum([np.where(have, wheels[header], 0.0) for header, have in zip(fit, present, strict=True)], axis=0)
    speed = np.divide(total, count, out=np.full(len(total), np.nan), where=count > 0)
    names = ", ".join(f"'{header}'" for header in fit)
    provenance.warnings.append(
        f"no speed column: the mean of the wheel speeds ({names}) is taken for the speed of the car. Driven wheels slip "
        "when the car accelerates and all wheels when it brakes, so it may be a few per cent off there."
    )
    return speed, ChannelSource("(from wheel speeds)", "m/s", f"no speed column; mean of {names}")


def without_spikes(
    time: FloatArray,
    speed: FloatArray,
    *,
    hardest: float = 100.0,
    slack: float = 5.0,
    longest: int = 10,
    briefest: float = 0.5,
) -> NDArray[np.intp]:
    """Find samples of speed that leap away and come back, as no car does.

    Parameters
    ----------
    time, speed : ndarray, shape (n,)
        s and m/s; speed may hold blanks.
    hardest : float
        Change of speed no car on its wheels does, m/s2: some 10 g. Common practice, no source.
    slack : float
        Leap that noise and rounding may make in any time, m/s.
    longest : int
        Most samples in a row that are astray.
    briefest : float
        Time within which speed must be back, s: a car that stops and starts again takes longer.

    Returns
    -------
    ndarray of int
        Rows that are astray. A stop is none: the car brakes before and takes off after it.

    Examples
    --------
    >>> v = np.array([40.0, 40.1, 0.0, 0.0, 40.3, 277.5, 40.4, 40.5])
    >>> without_spikes(np.arange(8) / 20, v)
    array([2, 3, 5])
    """
    return there_and_back(time, speed, fastest=hardest, slack=slack, longest=longest, within=briefest)
