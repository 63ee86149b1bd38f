"""The time axis of a recording: strictly increasing seconds, and what had to be mended to get it.

A clock in a log falls back to zero, repeats itself, is too coarse, jumps or stops. Each fault is
mended in the way that changes least, counted, and placed in the provenance.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyarrow.compute as pc
from numpy.typing import NDArray

from lapkit.errors import ColumnError, FileError
from lapkit.importers.columns import Columns
from lapkit.importers.raw import RawTable
from lapkit.importers.stamps import Stamps, read_stamps
from lapkit.model.recording import ChannelSource, Provenance
from lapkit.model.show import counted

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.intp]


SPEED_ERROR = 0.005
"""Relative standard uncertainty of a time worked out from distance and speed: what calibration of a wheel's
circumference, tyre wear and pressure leave between two such sensors. Common practice, no source."""
LINE_ERROR = 0.015
"""The same from a lap distance, which may be counted along the middle of the track: a car e metres inside of it drives
2 pi e less each lap, 5 m are 1.4 % of 2.3 km."""


@dataclass
class Clock:
    """The rows of a table in order of time.

    Attributes
    ----------
    time : ndarray, shape (n,)
        Seconds since the first sample, strictly increasing.
    rows : ndarray of int, shape (n,), or None
        Row of the table each sample comes from; None where all rows stand in order.
    interval : float
        Median sample interval, s.
    source : ChannelSource
        Where the time comes from.
    epoch : float or None
        Unix time of the first sample, where the file tells it.
    gaps : list of (float, float)
        Holes, as the times of the samples on either side.
    resets : list of int
        Samples before which the clock fell back to zero: a restart, or the line if it is a lap clock.
    lap_clock : ndarray, shape (n,), or None
        The clock as logged, where it falls back to zero each lap.
    uncertainty : float
        Relative standard uncertainty of times between samples, where time was worked out from speed.
    """

    time: FloatArray
    rows: IntArray | None
    interval: float
    source: ChannelSource
    epoch: float | None = None
    gaps: list[tuple[float, float]] = field(default_factory=list)
    resets: list[int] = field(default_factory=list)
    lap_clock: FloatArray | None = None
    uncertainty: float = 0.0


def time_axis(
    raw: RawTable,
    columns: Columns,
    provenance: Provenance,
    *,
    hole_factor: float = 5.0,
    shortest_hole: float = 0.5,
    jitter_limit: float = 0.1,
) -> Clock:
    """Find the time of every sample.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    columns : Columns
        Tells the clocks; one that restarts each lap beside a better one becomes the lap clock.
    provenance : Provenance
        Receives what was mended, counted and placed.
    hole_factor, shortest_hole : float
        An interval longer than `hole_factor` medians and `shortest_hole` (s) is a hole. Common
        practice, no source.
    jitter_limit : float
        Mean deviation of the intervals, as a share of their median, above which it is reported.

    Returns
    -------
    Clock

    Raises
    ------
    FileError
        If fewer than three samples are left.
    ColumnError
        If there is no clock, and no distance and speed to make one from.

    Examples
    --------
    >>> from lapkit.importers.columns import assign_columns
    >>> raw = RawTable("run.csv", {"t (ms)": np.array([0.0, 50, 100, 150])}, {}, ["t (ms)"])
    >>> time_axis(raw, assign_columns(raw, Provenance("")), Provenance("")).time
    array([0.  , 0.05, 0.1 , 0.15])
    """
    if len(raw) < 3:
        raise FileError(f"{raw.source}: too short: {counted(len(raw), 'row')} of data; at least 3 samples are needed.")
    stamps = _pick(raw, columns, provenance)
    clock = _from_speed(raw, columns, provenance) if stamps is None else _increasing(raw, stamps, provenance)
    if len(clock.time) < 3:
        raise FileError(f"{raw.source}: too short: {counted(len(clock.time), 'usable sample')}; at least 3 are needed.")
    steps = np.diff(clock.time)
    clock.interval = float(np.median(steps))
    holes = np.flatnonzero(steps > max(hole_factor * clock.interval, shortest_hole))
    clock.gaps = [(float(clock.time[i]), float(clock.time[i + 1])) for i in holes]
    if clock.gaps:
        start, end = max(clock.gaps, key=lambda gap: gap[1] - gap[0])
        provenance.warnings.append(
            f"{counted(len(clock.gaps), 'hole')} in the data, {sum(b - a for a, b in clock.gaps):.1f} s in all, "
            f"the longest {end - start:.1f} s from {start:.1f} s; nothing is interpolated across them."
        )
    jitter = float(np.abs(np.delete(steps, holes) / clock.interval - 1.0).mean()) if len(steps) > len(holes) else 0.0
    if jitter > jitter_limit:
        provenance.notes.append(
            f"the sample interval varies by {100 * jitter:.0f} % around {1000 * clock.interval:.1f} ms."
        )
    return clock


def _pick(raw: RawTable, columns: Columns, provenance: Provenance) -> Stamps | None:
    """Choose the clock with the fewest faults; one that restarts each lap beside it serves as lap clock."""
    lap_clock = columns.channels.get("lap_clock")
    read: list[tuple[float, Stamps]] = []
    for choice in [*columns.clocks, *([lap_clock] if lap_clock is not None else [])]:
        faultless = any(faults == 0.0 for faults, _ in read)
        if (choice is lap_clock and read) or (faultless and (lap_clock is not None or choice.header in raw.texts)):
            continue
        stamps = read_stamps(raw, choice, columns)
        if stamps is not None:
            read.append((1.0 - float((np.diff(stamps.seconds) > 0).mean()), stamps))
            continue
        cells = raw.texts[choice.header].drop_null() if choice.header in raw.texts else None
        first = f" (such as '{cells[0].as_py()}')" if cells is not None and len(cells) else ""
        provenance.warnings.append(f"'{choice.header}' can not be read as a clock{first}; kept as it is.")
    if not read:
        return None
    best = min(read, key=lambda pair: pair[0])[1]
    for stamps in (stamps for _, stamps in read if stamps is not best):
        if lap_clock is None and stamps.restarts and _resets(stamps.seconds, *_typical(stamps.seconds)).size:
            stamps.choice.channel = "lap_clock"
            stamps.choice.column_reason += ", and it falls back to zero each lap"
            columns.channels["lap_clock"] = lap_clock = stamps.choice
        else:
            provenance.notes.append(
                f"'{stamps.choice.header}' also means time; '{best.choice.header}' was taken, and "
                f"'{stamps.choice.header}' kept as it is."
            )
    if best.choice is columns.channels.get("lap_clock"):
        del columns.channels["lap_clock"]  # it comes back as Clock.lap_clock, in order of time
    return best


# ------------------------------------------------------------------------- mending a clock


def _typical(seconds: FloatArray) -> tuple[float, float]:
    """Median of the positive steps, and the first stamp."""
    present = seconds[np.isfinite(seconds)]
    steps = np.diff(present)
    steps = steps[steps > 0] if (steps > 0).any() else np.diff(np.unique(present))
    return float(np.median(steps)), float(present[0])


def _resets(seconds: FloatArray, step: float, first: float, *, samples: float = 5.0) -> IntArray:
    """Rows at which a clock fell back to about zero and ran on from there.

    `samples` is how many sample intervals after zero still count as zero.
    """
    low = max(samples * step, first + samples * step if first < 0.05 * np.nanmax(seconds) else 0.0)
    row = np.flatnonzero(np.diff(seconds) < 0)
    before, after = seconds[row], seconds[row + 1]
    fell = (after <= low) & (before > 2 * low) & (seconds[np.maximum(row - 1, 0)] > after)
    ahead = seconds[np.minimum(row + 2, len(seconds) - 1)]
    return np.asarray(row[fell & (ahead < before)] + 1)


def _increasing(raw: RawTable, stamps: Stamps, provenance: Provenance) -> Clock:
    """Make a clock strictly increasing."""
    seconds, choice = stamps.seconds, stamps.choice
    rows: IntArray | None = None
    resets: list[int] = []
    lap_clock = None
    if not bool((np.diff(seconds) > 0).all()):
        seconds, rows, resets = _mend(raw, stamps, provenance)
    if choice.channel == "lap_clock" or len(resets) > 1:  # one reset alone may be a restart
        lap_clock = stamps.seconds if rows is None else stamps.seconds[rows]
    epoch = stamps.epoch + float(seconds[0]) if stamps.epoch is not None else None
    time = seconds - seconds[0]
    source = choice.source()
    if rows is not None and len(rows) == len(raw) and bool((np.diff(rows) == 1).all()):
        rows = None
    return Clock(time, rows, 0.0, source, epoch, [], resets, lap_clock)


def _mend(raw: RawTable, stamps: Stamps, provenance: Provenance) -> tuple[FloatArray, IntArray, list[int]]:
    """Mend all faults of a clock; return stamps, the row each belongs to, and where it restarted."""
    seconds, name, warn = stamps.seconds.copy(), stamps.choice.header, provenance.warnings
    step, first = _typical(seconds)
    rows: IntArray = np.arange(len(seconds))

    def place(row: int) -> str:
        return f"first at line {raw.line(int(row))}"

    missing = np.flatnonzero(~np.isfinite(seconds))
    if missing.size:
        seconds = _filled(seconds, step)
        warn.append(
            f"'{name}': {counted(missing.size, 'missing or unreadable time stamp')}, {place(missing[0])}, interpolated."
        )

    for period in stamps.wraps:
        back = np.diff(seconds)
        most = 0.5 * period if not stamps.restarts else 20 * step
        wrapped = np.flatnonzero((back < -0.5 * period) & (back + period > 0) & (back + period <= most)) + 1
        if wrapped.size:
            seconds += period * np.cumsum(np.isin(np.arange(len(seconds)), wrapped))
            provenance.notes.append(f"'{name}' starts again after {period:g} s, {place(wrapped[0])}; counted on.")

    excursions = _excursions(seconds, step)
    if excursions.size:
        seconds[excursions] = np.nan
        seconds = _filled(seconds, step)
        warn.append(f"'{name}': {counted(excursions.size, 'wrong time stamp')}, {place(excursions[0])}, interpolated.")

    resets = _resets(seconds, step, first) if stamps.restarts else np.empty(0, dtype=np.intp)
    if resets.size:
        shift = np.zeros(len(seconds))
        shift[resets] = seconds[resets - 1] + step - seconds[resets]
        seconds = seconds + np.cumsum(shift)
        warn.append(
            f"'{name}' falls back to zero {counted(resets.size, 'time')}, {place(resets[0])}; the time runs on by one sample "
            f"interval ({1000 * step:.0f} ms) there."
        )

    same = _copies(raw, seconds)
    if same.size:
        warn.append(f"{counted(same.size, 'row')} written twice, {place(same[0])}, left out.")
        seconds, rows = np.delete(seconds, same), np.delete(rows, same)

    backward = np.flatnonzero(np.diff(seconds) < 0)
    if backward.size:
        seconds, order, how = _ordered(seconds, step)
        warn.append(f"'{name}' steps backward {counted(backward.size, 'time')}, {place(rows[backward[0] + 1])}: {how}.")
        rows = rows[order]

    equal = np.flatnonzero(np.diff(seconds) == 0)
    if equal.size:
        seconds = _spread(seconds)
        warn.append(
            f"'{name}' is coarser than the samples: {counted(equal.size, 'row')} with the stamp of the row before, "
            f"{place(rows[equal[0] + 1])}; spread evenly."
        )

    late = _not_after(seconds)
    if late.any():
        warn.append(
            f"'{name}': {counted(int(late.sum()), 'row')} that no order in time fits, {place(rows[late][0])}, left out."
        )
        seconds, rows = seconds[~late], rows[~late]
    return seconds, rows, [int(i) for i in np.flatnonzero(np.isin(rows, resets))]


def _not_after(seconds: FloatArray) -> NDArray[np.bool_]:
    """Rows that do not come after all rows before them."""
    return np.asarray(seconds <= np.maximum.accumulate(np.concatenate(([-np.inf], seconds[:-1]))))


def _filled(seconds: FloatArray, step: float) -> FloatArray:
    """Give rows without a stamp one by their place between the rows that have one."""
    row = np.arange(len(seconds))
    have = np.flatnonzero(np.isfinite(seconds))
    filled = np.interp(row, have, seconds[have])
    before = have[np.clip(np.searchsorted(have, row, side="right") - 1, 0, None)]
    after = have[np.clip(np.searchsorted(have, row), None, len(have) - 1)]
    on = (seconds[after] < seconds[before]) | (row > have[-1]) | (row < have[0])  # a restart, or an end
    return np.where(np.isfinite(seconds), seconds, np.where(on, seconds[before] + step * (row - before), filled))


def _excursions(seconds: FloatArray, step: float, *, longest: int = 50) -> IntArray:
    """Rows whose stamps jump away and come back to the line: at most `longest` rows at a time."""
    jump = np.flatnonzero((np.diff(seconds) < 0) | (np.diff(seconds) > 5 * step))
    if jump.size < 2:
        return np.empty(0, dtype=np.intp)
    leave, back = jump[:-1], jump[1:]
    count = back - leave + 1
    landing = seconds[back + 1] - seconds[leave] - count * step
    opposite = (seconds[leave + 1] > seconds[leave]) != (seconds[back + 1] > seconds[back])
    away = opposite & (np.abs(landing) <= 1.5 * step) & (count <= longest)
    away[1:] &= ~away[:-1]
    bad = [np.arange(i + 1, j + 1) for i, j in zip(leave[away], back[away], strict=True)]
    return np.concatenate(bad) if bad else np.empty(0, dtype=np.intp)


def _copies(raw: RawTable, seconds: FloatArray, *, coarse: float = 0.05) -> IntArray:
    """Rows that repeat another row in stamp and every value.

    Where more than a share `coarse` of the rows have the stamp of another row but other values, the
    clock is coarse, and rows alike are those of a car that stands still: none is a copy.
    """
    order = np.argsort(seconds, kind="stable")
    pair = np.flatnonzero(np.diff(seconds[order]) == 0)
    if pair.size == 0:
        return np.empty(0, dtype=np.intp)
    first, second = order[pair], order[pair + 1]
    same = np.ones(pair.size, dtype=bool)
    for values in raw.numbers.values():
        a, b = values[first], values[second]
        same &= (a == b) | (np.isnan(a) & np.isnan(b))
    for cells in raw.texts.values():
        filled = pc.fill_null(cells, "")
        same &= pc.equal(filled.take(first), filled.take(second)).to_numpy().astype(bool)
    if (~same).sum() > coarse * len(seconds):
        return np.empty(0, dtype=np.intp)
    return np.sort(second[same])


def _ordered(seconds: FloatArray, step: float) -> tuple[FloatArray, IntArray, str]:
    """Mend steps backward in the way that makes the intervals most regular."""
    stay = np.arange(len(seconds))
    by_time = np.argsort(seconds, kind="stable")
    options = [(seconds[by_time], by_time, "rows put in order of time")]
    behind = _not_after(seconds)
    beyond = seconds >= np.minimum.accumulate(np.concatenate((seconds[1:], [np.inf]))[::-1])[::-1]
    for bad in (behind, beyond):
        if bad.sum() <= 0.1 * len(seconds):
            kept = np.where(bad, np.nan, seconds)
            options.append((_filled(kept, step), stay, f"{counted(int(bad.sum()), 'wrong stamp')} interpolated"))
    shift = np.concatenate(([0.0], np.where(np.diff(seconds) < 0, step - np.diff(seconds), 0.0)))
    options.append(
        (seconds + np.cumsum(shift), stay, "the clock was set back; the time runs on by one sample interval")
    )

    def irregularity(seconds: FloatArray) -> float:
        steps = np.diff(seconds)
        usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else step
        return float(np.minimum(np.abs(steps / usual - 1.0), 3.0).sum())

    scores = [irregularity(option[0]) for option in options]
    return options[next(i for i, score in enumerate(scores) if score <= min(scores) + 0.5)]


def _spread(seconds: FloatArray) -> FloatArray:
    """Spread rows that share a stamp evenly up to the next stamp."""
    row = np.arange(len(seconds))
    start = np.flatnonzero(np.concatenate(([True], np.diff(seconds) > 0)))
    count = np.diff(np.append(start, len(seconds)))
    ahead = np.diff(seconds[start])
    usual = float(np.median(ahead / count[:-1])) if len(ahead) else 1.0
    spacing = np.append(np.minimum(ahead / count[:-1], 5 * usual), usual)
    run = np.repeat(np.arange(len(start)), count)
    spread = seconds[start][run] + (row - start[run]) * spacing[run]
    if len(ahead) and count[0] < 0.9 * ahead[0] / usual:  # the recording begins between two stamps
        spread[: count[0]] = seconds[start[1]] - usual * (count[0] - row[: count[0]])
    return np.asarray(spread)


# ------------------------------------------------------------------- no clock: time from speed


def _from_speed(raw: RawTable, columns: Columns, provenance: Provenance) -> Clock:
    """Make a clock from distance and speed: each interval is its length over the mean speed."""
    speed = columns.channels.get("speed")
    distance = columns.channels.get("odometer") or columns.channels.get("lap_distance")
    missing = [word for word, choice in (("a speed", speed), ("a distance", distance)) if choice is None]
    if speed is None or distance is None:
        raise ColumnError(
            f"{raw.source}: no time column, and without {' and '.join(missing)} time can not be worked out. The file has "
            f'the columns: {", ".join(raw.order)}. Name the time column with columns={{"time": "<header>"}}, or add one.'
        )
    if speed.unit is None:
        if columns.speed_unit is None:
            raise ColumnError(
                f"{raw.source}: no time column, so time has to come from distance and speed, but the unit of "
                f'\'{speed.header}\' is not said; give it with units={{"speed": "km/h"}}.'
            )
        speed.decide(columns.speed_unit, "unit as given")
    if distance.unit is None:
        distance.decide("m", "no unit said, metres taken")
    metres = raw.numbers[distance.header] * distance.scale
    metres_per_second = np.abs(raw.numbers[speed.header] * speed.scale)
    known = np.flatnonzero(np.isfinite(metres) & np.isfinite(metres_per_second))
    if known.size < 3:
        raise FileError(
            f"{raw.source}: too short: {counted(known.size, 'row')} with distance and speed; at least 3 are needed."
        )
    length = np.diff(metres[known])
    falls = length < -0.5 * np.ptp(metres[known])
    length[falls] = np.median(length[length > 0]) if (length > 0).any() else 0.0
    mean = 0.5 * (metres_per_second[known][1:] + metres_per_second[known][:-1])
    moved = (length > 0) & (mean > 0)
    duration = np.divide(length, mean, out=np.zeros_like(length), where=moved)
    rows = known[np.concatenate(([True], moved))]
    time = np.concatenate(([0.0], np.cumsum(duration)[moved]))
    on = ~_not_after(time)  # a step too short to count beside the sum of all before
    time, rows = time[on], rows[on]
    left_out = len(raw) - len(rows)
    error = SPEED_ERROR if distance.channel == "odometer" and not falls.any() else LINE_ERROR
    provenance.warnings.append(
        "no time column: time is worked out from distance and speed (interval = length / mean speed), so stops are lost "
        f"and lap times are estimates, only as good as distance and speed: {100 * error:g} % (1 sigma) is reckoned with."
    )
    if left_out:
        provenance.warnings.append(
            f"{counted(left_out, 'row')} without movement or without a value left out of the time axis."
        )
    source = ChannelSource(
        "(from distance and speed)", "s", f"no time column; '{distance.header}' over '{speed.header}'"
    )
    return Clock(time, rows if left_out else None, 0.0, source, uncertainty=error)
