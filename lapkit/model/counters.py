"""Cutting by what the file counts: a lap column, a lap distance or a lap clock that starts again each lap.

Counters tell the crossing only to a sample. What places it inside the sample is looked for in turn: a clock or a
distance that restarts, position, nothing.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.laps import EDGE, STANDING, Cuts, with_drift, with_edges
from lapkit.model.line import MIN_LAP_LENGTH, Crossings, StartLine, refine
from lapkit.model.motion import Motion


def cut_by_lap_column(
    motion: Motion, lap: FloatArray, lap_clock: FloatArray | None, lap_distance: FloatArray | None
) -> Cuts | None:
    """Cut where the lap column changes, then find the crossing inside the sample interval.

    The column tells the crossing only to a sample. A lap clock or lap distance that restarts tells it
    exactly; position tells it by one line that all the changes agree on.

    Parameters
    ----------
    motion : Motion
    lap : ndarray, shape (n,)
        Lap number of each sample.
    lap_clock, lap_distance : ndarray or None
        Time and distance since the line, as logged.

    Returns
    -------
    Cuts or None
        None where the column never changes.
    """
    known = np.isfinite(lap)
    if not known.any():
        return None
    if not known.all():
        last = np.maximum.accumulate(np.where(known, np.arange(len(lap)), -1))
        lap = np.where(last >= 0, lap[np.maximum(last, 0)], lap[int(np.argmax(known))])
    change, glitches = _changes(lap, motion.path)
    if not len(change):
        return None
    cuts = _refine_changes(motion, change, lap_clock, lap_distance)
    cuts.how = "Laps are cut where the file's lap column changes; " + cuts.how
    if glitches:
        cuts.warnings.append(
            f"The lap column changed {glitches} time(s) for less than {MIN_LAP_LENGTH:.0f} m; that was not a lap."
        )
    numbers = lap[np.append(0, change)]
    if np.abs(numbers).max() > 1e6 or (numbers != np.round(numbers)).any():
        cuts.warnings.append("The lap column does not hold lap numbers; laps are numbered in driving order.")
        return _column_edges(motion, cuts, None, lap_clock, lap_distance)
    cuts.numbers = numbers[1:].astype(np.int64)
    cuts.first_number = int(numbers[1])
    return _column_edges(motion, cuts, int(numbers[0]), lap_clock, lap_distance)


def _changes(lap: FloatArray, path: FloatArray) -> tuple[NDArray[np.intp], int]:
    """Samples at which the lap column changes for good, and how many changes were glitches of the counter."""
    change = np.flatnonzero(np.diff(lap) != 0) + 1
    all_changes = len(change)
    for _ in range(8):  # a glitch within a glitch needs another pass; what is left then is no lap column
        edges = np.concatenate([[0], change, [len(lap) - 1]])
        short = np.diff(path[edges]) < MIN_LAP_LENGTH
        short[[0, -1]] = False
        alone = short & ~np.append(False, short[:-1])  # of short stretches in a row every other one is judged
        if not alone.any():
            return change, all_changes - len(change)
        number = lap[edges[:-1]]
        back = np.flatnonzero(alone)
        same = number[back - 1] == number[back + 1]
        # Back to the same lap: both changes go. On to another: the lap began where the counter first moved.
        gone = np.union1d(back[same] - 1, back)
        change = np.delete(change, gone)
    return np.empty(0, dtype=np.intp), all_changes


def _falls(logged: FloatArray, drop: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Find where a counter falls back by at least `drop`: the last sample before each fall and the first after it.

    A fall may take several samples where blanks in it were filled in.
    """
    known = np.flatnonzero(np.isfinite(logged))
    falling = np.concatenate([[False], np.diff(logged[known]) < -0.02 * drop, [False]])
    edge = np.flatnonzero(np.diff(falling.astype(np.int8)))
    before, after = known[edge[::2]], known[edge[1::2]]
    deep = logged[before] - logged[after] > drop
    return before[deep], after[deep]


def _refine_changes(
    motion: Motion,
    change: NDArray[np.intp],
    lap_clock: FloatArray | None,
    lap_distance: FloatArray | None,
    before: NDArray[np.intp] | None = None,
) -> Cuts:
    """Find the crossing between the samples `before`, or the one before each change, and those in `change`."""
    start, end = motion.time[change - 1 if before is None else before], motion.time[change]
    span = end - start
    blind = span / np.sqrt(12.0)
    for logged, factor, word in (
        (lap_clock, np.ones(len(change)), "the crossing is where the file's lap clock starts."),
        (lap_distance, np.maximum(motion.speed[change], STANDING), "the crossing is where lap distance is zero."),
    ):
        if logged is None:
            continue
        since = logged[change] / factor  # s since the line
        fits = (since >= -1e-6) & (since <= 1.5 * span + 1e-6)
        if np.mean(fits) > 0.9 and np.ptp(since[fits]) > 0.01 * motion.interval:
            sigma = 5e-4 if logged is lap_clock else _logged_uncertainty(motion, change, span)
            return Cuts(np.where(fits, end - since, end - span / 2), np.where(fits, sigma, blind), word)
    if motion.x is not None and motion.y is not None:
        line = _line_through(motion, change)
        if line is not None:
            return line
    return Cuts(
        end - span / 2,
        blind,
        f"nothing in the file places the crossing inside a sample, so it is known to {1e3 * motion.interval:.0f} ms / sqrt(12).",
    )


def _logged_uncertainty(motion: Motion, change: NDArray[np.intp], span: FloatArray) -> FloatArray:
    """Uncertainty of a crossing from logged distance: the change of speed inside one interval, and 5 cm."""
    speed = np.maximum(motion.speed[change], STANDING)
    return np.asarray(np.hypot(5.0 * span**2 / speed, 0.05 / speed / np.sqrt(3.0)))


def _line_through(motion: Motion, change: NDArray[np.intp]) -> Cuts | None:
    """One line across the track that agrees with every change of the lap column."""
    assert motion.x is not None and motion.y is not None
    before, after = change - 1, change
    moving = (motion.speed[change] > 3 * STANDING) & np.isfinite(motion.x[before] + motion.x[after])
    if not moving.any():
        return None
    reach = max(1, int(np.ceil(5.0 / max(float(np.median(motion.speed[change[moving]])) * motion.interval, 1e-3))))
    low = np.maximum(change - reach, 0)
    high = np.minimum(change + reach, len(motion.x) - 1)
    moving &= np.isfinite(motion.x[high] - motion.x[low])  # a hole beside the line says nothing of the way across it
    if not moving.any():
        return None
    east = float(np.nanmedian((motion.x[high] - motion.x[low])[moving]))
    north = float(np.nanmedian((motion.y[high] - motion.y[low])[moving]))
    heading = float(np.arctan2(north, east))
    east, north = float(np.cos(heading)), float(np.sin(heading))
    middle_x = float(np.median(0.5 * (motion.x[before] + motion.x[after])[moving]))
    middle_y = float(np.median(0.5 * (motion.y[before] + motion.y[after])[moving]))
    ahead = (motion.x - middle_x) * east + (motion.y - middle_y) * north
    latest, earliest = ahead[before][moving], ahead[after][moving]
    slack = 2.5 * motion.noise
    low_end, high_end = float(np.max(latest)), float(np.min(earliest))
    spread = float(np.median(earliest - latest))
    if low_end > high_end + 2 * slack + 0.1 * spread:
        late = float(np.ptp(0.5 * (latest + earliest)))
        if late > 6 * spread + 4 * slack:  # the counter is not tied to a place closely enough to learn one
            return None
        middle = float(np.median(0.5 * (latest + earliest)))
    else:
        middle = 0.5 * (low_end + high_end)
    line = StartLine(middle_x + middle * east, middle_y + middle * north, heading)
    ahead = ahead - middle
    hit, share, outside = _nearest_change(ahead, change)
    found = refine(
        motion.time,
        ahead,
        motion.path,
        hit,
        share,
        noise=motion.noise,
        max_gap=motion.max_gap,
        fix_interval=motion.fix_interval,
    )
    span = motion.time[after] - motion.time[before]
    times = np.where(outside, motion.time[after] - span / 2, found.time)
    sigma = np.where(outside, span / np.sqrt(12.0), found.uncertainty)
    cuts = Cuts(times, sigma, "the crossing inside the sample is by position, on the line all laps agree on.", line)
    if outside.any():
        cuts.warnings.append(
            f"{int(outside.sum())} change(s) of the lap column are not at the line the others agree on."
        )
    return with_drift(motion, cuts)


def _nearest_change(
    ahead: FloatArray, change: NDArray[np.intp]
) -> tuple[NDArray[np.intp], FloatArray, NDArray[np.bool_]]:
    """For each change of the column the sample before the line crossing within three samples of it."""
    around = change[:, None] + np.arange(-4, 4)
    around = np.clip(around, 0, len(ahead) - 2)
    low, high = ahead[around], ahead[around + 1]
    crosses = (low < 0) & (high >= 0)
    cost = np.where(crosses, np.abs(np.arange(-4, 4) + 1), 99)
    pick = np.argmin(cost, axis=1)
    rows = np.arange(len(change))
    hit = around[rows, pick]
    outside = cost[rows, pick] == 99
    hit = np.where(outside, np.maximum(change - 1, 0), hit)
    denominator = ahead[hit + 1] - ahead[hit]
    share = np.clip(-ahead[hit] / np.where(np.abs(denominator) > 1e-9, denominator, 1.0), 0.0, 1.0)
    return hit, share, outside


def _column_edges(
    motion: Motion, cuts: Cuts, first: int | None, lap_clock: FloatArray | None, lap_distance: FloatArray | None
) -> Cuts:
    """Say whether the first and last lap in the file are whole, and add their outer crossings if so.

    `first` is the number of the lap the file begins in, where the file numbers its laps.
    """
    times, sigma = cuts.time, cuts.uncertainty
    inner = np.diff(motion.path_at(times))
    usual = float(np.median(inner)) if len(inner) else np.nan
    if cuts.line is not None:
        found = Crossings(times, sigma)
        times, sigma = with_edges(motion, cuts.line, found)
        started = len(times) > len(cuts.time) and times[0] < cuts.time[0]
    else:
        started = False
        lead, tail = motion.path_at(times[:1])[0], motion.path[-1] - motion.path_at(times[-1:])[0]
        since = None
        if lap_clock is not None and 0 <= lap_clock[0] <= EDGE * motion.interval:
            since = float(lap_clock[0])
        elif lap_distance is not None and 0 <= lap_distance[0] <= EDGE * motion.interval * motion.speed[0]:
            since = float(lap_distance[0] / max(motion.speed[0], STANDING))
        whole = abs(lead - usual) < 0.01 * usual and motion.speed[0] > STANDING
        if whole or (since is not None and not lead < 0.9 * usual):
            known = since is not None
            at = motion.time[0] - (since if since is not None else motion.interval / 2)
            edge_sigma = 1e-3 if known else motion.interval / np.sqrt(12.0)
            times, sigma = np.append(at, times), np.append(edge_sigma, sigma)
            started = True
        if abs(tail - usual) < 0.01 * usual and motion.speed[-1] > STANDING:
            times = np.append(times, motion.time[-1] + motion.interval / 2)
            sigma = np.append(sigma, motion.interval / np.sqrt(12.0))
    cuts.time, cuts.uncertainty = times, sigma
    if started and first is not None and cuts.numbers is not None:
        cuts.numbers = np.append(first, cuts.numbers)
        cuts.first_number = first
    return cuts


def cut_by_lap_distance(motion: Motion, lap_distance: FloatArray, lap_clock: FloatArray | None) -> Cuts | None:
    """Cut where the logged lap distance falls back to zero.

    Parameters
    ----------
    motion : Motion
    lap_distance : ndarray, shape (n,)
        Distance since the line as logged, m.
    lap_clock : ndarray or None

    Returns
    -------
    Cuts or None
        None where it never falls back.
    """
    reach = float(np.nanquantile(lap_distance, 0.99))  # one cell may be absurd
    before, change = _falls(lap_distance, 0.5 * reach)
    usual = lap_distance[before] < 2.0 * reach
    before, change = before[usual], change[usual]
    if not len(change) or reach < MIN_LAP_LENGTH:
        return None
    keep = np.append(True, np.diff(motion.path[change]) >= MIN_LAP_LENGTH)
    before, change = before[keep], change[keep]
    cuts = _refine_changes(motion, change, lap_clock, lap_distance, before)
    cuts.how = "Laps are cut where lap distance falls back to zero; " + cuts.how
    return _column_edges(motion, cuts, None, lap_clock, lap_distance)


def cut_by_lap_clock(motion: Motion, lap_clock: FloatArray) -> Cuts | None:
    """Cut where a lap clock falls back to zero; None where it never does."""
    before, change = _falls(lap_clock, 5.0)
    low = lap_clock[change] < 2.0
    before, change = before[low], change[low]
    if not len(change):
        return None
    cuts = _refine_changes(motion, change, lap_clock, None, before)
    cuts.how = "Laps are cut where the lap clock starts again; " + cuts.how
    return _column_edges(motion, cuts, None, lap_clock, None)
