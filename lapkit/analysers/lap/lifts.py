"""Lifts: where the foot left full throttle, how far, for how long, and what it cost in speed."""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lap.between import IntArray, ramp_end, ramp_start, spread
from lapkit.analysers.lap.markers import marker_columns
from lapkit.analysers.lap.pedal import BRAKE_PRESSURE_THRESHOLD, Strokes, brake_of, numbered
from lapkit.analysers.lap.table import table_of
from lapkit.analysers.lap.trace import Trace, trace_of
from lapkit.channels import FloatArray
from lapkit.errors import DataWarning, FrameError
from lapkit.model.given import number_given
from lapkit.model.throttle import learn_full_throttle

if TYPE_CHECKING:
    from lapkit.model.session import Session

LIFT_COLUMNS = {
    "lap": "int64", "lift": "int64",
    "start_distance": "float64", "start_distance_uncertainty": "float64",
    "pick_up_distance": "float64", "pick_up_distance_uncertainty": "float64",
    "end_distance": "float64", "end_distance_uncertainty": "float64",
    "start_time": "float64", "end_time": "float64", "duration": "float64", "duration_uncertainty": "float64",
    "time_to_lowest": "float64", "min_throttle": "float64", "hold_time": "float64", "recovery_time": "float64",
    "full_lift_time": "float64", "full_lift_time_uncertainty": "float64", "speed_lost": "float64",
    "brake_used": "boolean", "kind": "object", "truncated": "bool",
    "start_marker": "object", "start_to_marker": "float64", "pick_up_marker": "object", "pick_up_to_marker": "float64",
    "end_marker": "object", "end_to_marker": "float64",
}  # fmt: skip
"""Column -> dtype of the table of lifts."""

EITHER = "lift or shift cut"
"""Kind of a dip that may be the one or the other."""
THRESHOLD = 0.05
"""Share of full throttle that a lift must go below it (common practice, no source)."""
HYSTERESIS = 0.02
"""Share of full throttle by which a lift ends sooner than it must go to begin; more where the sensor is noisier."""
MIN_DURATION = 0.04
"""s. Anything shorter is a flicker of the sensor, not a foot."""
HOLD_BAND = 0.03
"""Share of full throttle. Samples this close to the lowest one belong to the hold."""
SHIFT_CUT_TIME = 0.25
"""s. A shift cut is no longer than this (common practice, no source)."""
GEAR_LAG = 0.15
"""s. The new gear shows up at most this long after the cut (common practice, no source)."""
RATIO_DROP = 0.07
"""Least drop of engine speed per road speed in an upshift; neighbouring gears differ by 10 % and more (common practice)."""
REPEATED = 40.0
"""m. A gear change comes on the usual lap within this far of where it came on others (chosen, no source)."""
ACCELERATING = 0.5
"""s. How long speed must rise before and after a cut for it to be a gear change's (common practice, no source)."""
TOO_FULL = 2.0
"""Readings at full throttle are below this: they are shares, not percent (chosen)."""
BRAKE_THRESHOLD = 0.03
"""Share of the brake that counts as braking."""


def lifts(
    laps: Session | pd.DataFrame,
    *,
    lap: int | None = None,
    full_throttle: float | None = None,
    threshold: float = THRESHOLD,
    hysteresis: float = HYSTERESIS,
    edge: float = 0.0,
    min_duration: float = MIN_DURATION,
    hold_band: float = HOLD_BAND,
    shift_cut_time: float = SHIFT_CUT_TIME,
    gear_lag: float = GEAR_LAG,
    ratio_drop: float = RATIO_DROP,
    repeated: float = REPEATED,
    accelerating: float = ACCELERATING,
    brake_threshold: float = BRAKE_THRESHOLD,
    brake_pressure_threshold: float = BRAKE_PRESSURE_THRESHOLD,
    max_gap: float | None = None,
) -> pd.DataFrame:
    """Find every throttle lift.

    A lift begins where the pedal's way down leaves full throttle, and ends where its way up meets it again,
    both found between samples. A dip counts as a lift where it goes below full throttle by `threshold`.

    Parameters
    ----------
    laps : Session or DataFrame
        A session (its own samples are used, and a lift that runs over the line is whole), a lap frame, or one
        lap's samples.
    lap : int, optional
        Only the lifts that begin in this lap.
    full_throttle : float, optional
        Reading at full throttle, 0..1; by default the session's or the frame's, learnt from the recording.
    threshold : float
        How far below full throttle a lift must go, share of full throttle.
    hysteresis : float
        The lift is over when the throttle is back within ``threshold - hysteresis``, share of full throttle.
        Both grow with the noise seen at full throttle.
    edge : float
        How far below full throttle the start and the end are measured, share of full throttle. 0 is where
        the pedal begins and ceases to move.
    min_duration : float
        Shorter dips are left out, s.
    hold_band : float
        Samples this close to the lowest one belong to the hold, share of full throttle.
    shift_cut_time, gear_lag, ratio_drop : float
        A dip of at most `shift_cut_time` (s) is a shift cut where the gear is higher `gear_lag` (s) after it, or
        where engine speed per road speed has dropped by the share `ratio_drop`.
    repeated, accelerating : float
        Where neither gear nor engine speed is known, a dip as short without brake, with speed rising for `accelerating` (s)
        before and after it, may be either; of a session with several laps, half of them must have one within `repeated` (m).
    brake_threshold, brake_pressure_threshold : float
        What counts as braking: share of the brake; without it, pressure (Pa) above that at rest.
    max_gap : float, optional
        Longest time between throttle samples that is read across, s; three usual ones by default. A lift
        that meets a longer hole ends there and is marked as truncated.

    Returns
    -------
    DataFrame
        One row a lift, in driving order:

        - lap, lift: the lap it begins in, and its number in that lap from 1;
        - start_distance, pick_up_distance, end_distance: where the lift begins, where the throttle begins to come back
          after its lowest, and where it is full again, m from the line; they exceed the track length where the lift
          has run over the line;
        - start_time, end_time: s since the lap's crossing; duration: s;
        - time_to_lowest, hold_time, recovery_time: s, together the duration;
        - min_throttle: lowest reading, 0..1; with noise, the median of the hold. A hold shorter than a sample
          cannot be told from a V, so nothing lower than the samples is claimed;
        - full_lift_time: s, integral of 1 - throttle / full throttle;
        - speed_lost: m/s, speed at the start minus the lowest up to the end;
        - brake_used: whether the brake joined; missing where no brake is recorded;
        - kind: "lift", "shift cut", or "lift or shift cut" where nothing recorded tells; truncated: cut by the end of the data or by a hole;
        - start_marker, pick_up_marker, end_marker: nearest marker of the track; start_to_marker, ...: metres from it,
          negative before it. Without markers empty and NaN. Their uncertainty is that of the place.

        ``_uncertainty`` columns are one standard uncertainty: sampling, quantisation, noise and place.
        Those of laps that do not run from line to line are in it too; ``session.laps`` says which laps those are.
        Where the recording never shows full throttle the table is empty, and ``attrs["note"]`` says so.

    Raises
    ------
    ColumnError
        If there is no throttle.
    LapError
        If the session has no such lap.
    FrameError
        If a frame has no time or distance, or `full_throttle` is no such reading.

    Warns
    -----
    DataWarning
        If the recording never reaches full throttle.

    Examples
    --------
    A pedal that leaves full throttle at 1.03 s, takes 0.2 s to close, rests 0.5 s, and takes 0.3 s to open:

    >>> time = np.arange(0.0, 4.0, 0.05)
    >>> throttle = np.interp(time, [1.03, 1.23, 1.73, 2.03], [1.0, 0.2, 0.2, 1.0])
    >>> samples = pd.DataFrame({"time": time, "distance": 50 * time, "throttle": throttle})
    >>> lifts(samples)[["start_time", "duration", "hold_time", "min_throttle"]].round(2).values.tolist()
    [[1.03, 1.0, 0.5, 0.2]]
    """
    trace = trace_of(laps)
    trace.check(lap)
    throttle = trace.required("throttle", "lifts")
    if full_throttle is not None and not 0.0 < number_given(full_throttle, "full_throttle", "share, 0 to 1") < TOO_FULL:
        raise FrameError(f"full_throttle={full_throttle:g} is not a reading of the throttle, which goes from 0 to 1.")
    if full_throttle is None:
        known_full = laps.attrs.get("full_throttle") if isinstance(laps, pd.DataFrame) else laps.full_throttle
        full_throttle = known_full if known_full is not None else learn_full_throttle(throttle)
    if full_throttle is None or not np.isfinite(full_throttle):
        note = (
            f"{trace.source}: the throttle never stays at full (it reaches {100 * np.nanmax(throttle):.0f} %), so lifts from "
            "full throttle cannot be told; if that is full throttle here, say so with full_throttle=..."
        )
        warnings.warn(note, DataWarning, stacklevel=2)
        empty = table_of(LIFT_COLUMNS, {})
        empty.attrs["note"] = note
        return empty

    strokes = Strokes.of(
        trace,
        (full_throttle - throttle) / full_throttle,
        threshold=threshold,
        hysteresis=hysteresis,
        edge=edge,
        slow=0.0 if isinstance(laps, pd.DataFrame) else laps.recording.slow.get("throttle", 0.0),
        max_gap=max_gap,
    )
    if strokes is None:
        return table_of(LIFT_COLUMNS, {})
    deepest, first_low, last_low = strokes.hold(hold_band)
    began, began_sigma, ended, ended_sigma = strokes.ends(first_low, last_low, edge)
    low_from, low_to, low_to_sigma = _turns(strokes, deepest, first_low, last_low, began, ended)
    lost, lost_sigma = _time_off(strokes, deepest, began, low_from, low_to, ended)
    duration, duration_sigma = ended - began, np.hypot(began_sigma, ended_sigma)
    at_start, _, lowest = strokes.speeds(began, ended)
    at = trace.lap_at(began)
    events = {"start": (began, began_sigma), "pick_up": (low_to, low_to_sigma), "end": (ended, ended_sigma)}
    places = strokes.places(at, events)
    shifted, told = _shifted(strokes, ended + gear_lag, ratio_drop)
    brief = duration <= shift_cut_time + duration_sigma
    brake_used = _brake_used(strokes, brake_threshold, brake_pressure_threshold)
    either = brief & ~told & ~strokes.cut_start & ~strokes.cut_end & ~brake_used.fillna(False).to_numpy(bool)
    either &= _speeds_up(strokes, began, ended, accelerating) & (duration >= min_duration)
    either &= _repeated(trace, at, places["start_distance"], either, repeated)
    table: dict[str, Any] = {
        "lap": trace.numbers[at],
        **places,
        "start_time": began - trace.lap_time_zero[at],
        "end_time": ended - trace.lap_time_zero[at],
        "duration": duration,
        "duration_uncertainty": duration_sigma,
        "time_to_lowest": low_from - began,
        "min_throttle": (1.0 - deepest) * full_throttle,
        "hold_time": low_to - low_from,
        "recovery_time": ended - low_to,
        "full_lift_time": lost,
        "full_lift_time_uncertainty": lost_sigma,
        "speed_lost": at_start - lowest,
        "brake_used": brake_used,
        "kind": np.select([shifted & brief, either], ["shift cut", EITHER], "lift").astype(object),
        "truncated": strokes.cut_start | strokes.cut_end,
        **marker_columns(laps, {event: places[f"{event}_distance"] for event in events}),
    }
    keep = (duration >= min_duration) & (lap is None or table["lap"] == lap)
    table = {name: values[keep] for name, values in table.items()}
    table["lift"] = numbered(at[keep])
    return table_of(LIFT_COLUMNS, table)


def _turns(
    strokes: Strokes, deepest: FloatArray, first_low: IntArray, last_low: IntArray, began: FloatArray, ended: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """When the way down meets the hold, and the hold the way up: ramps that end at the lowest throttle.

    With the standard uncertainty of the second.
    """
    time, start, end = strokes.time, strokes.start, strokes.end
    inside = spread(start, end)
    height = np.zeros(len(time))
    height[inside] = np.repeat(deepest, end - start) - strokes.depth[inside]
    low_from, _ = ramp_end(time, height, start, np.maximum(first_low - 1, start), **strokes.how)
    low_to, sigma = ramp_start(time, height, np.minimum(last_low + 1, end - 1), end - 1, **strokes.how)
    low_from = np.where(first_low > start, low_from, 0.5 * (began + time[start]))
    seen = last_low < end - 1
    low_to = np.where(seen, low_to, 0.5 * (ended + time[end - 1]))
    sigma = np.where(seen, sigma, np.hypot((ended - time[end - 1]) / np.sqrt(12.0), 0.1 * strokes.interval))
    low_from, low_to = np.clip(low_from, began, ended), np.clip(low_to, began, ended)
    middle = 0.5 * (low_from + low_to)
    # the level of the hold is known no better than to half the noise, and the way up meets it that much sooner or later
    blur = 0.5 * strokes.noise * (ended - np.maximum(low_to, middle)) / np.maximum(deepest, 1e-9)
    sigma = np.hypot(np.hypot(sigma, blur), np.maximum(middle - low_to, 0.0))
    return np.minimum(low_from, middle), np.maximum(low_to, middle), sigma


def _time_off(
    strokes: Strokes,
    deepest: FloatArray,
    began: FloatArray,
    low_from: FloatArray,
    low_to: FloatArray,
    ended: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Equivalent time fully off, with its standard uncertainty.

    The trapezium rule from the last sample before to the first after has no bias, as the bends of the pedal's way lie
    anywhere between samples; its scatter grows as the ramps shorten.
    """
    time, depth, start, end, interval = strokes.time, strokes.depth, strokes.start, strokes.end, strokes.interval
    area = np.append(0.0, np.cumsum(0.5 * (depth[1:] + depth[:-1]) * np.diff(time)))
    outer = np.minimum(np.searchsorted(time, ended), len(time) - 1)
    inner = np.maximum(np.searchsorted(time, began) - 1, 0)
    lost = area[np.where(strokes.cut_end, end - 1, outer)] - area[np.where(strokes.cut_start, start, inner)]
    steep = [interval / np.maximum(ramp, 1e-9) for ramp in (low_from - began, ended - low_to)]
    down, up = (np.clip(0.053 * ratio, 0.02, 1.0 / np.sqrt(12.0)) for ratio in steep)
    few = np.where(end - start <= 2, 0.3 * interval / (end - start), 0.0)  # the lowest was hardly seen
    noise = strokes.noise**2 * (
        (ended - began) * interval + (ended - began) ** 2 / 9.0
    )  # of samples, and of what full is
    return lost, np.sqrt((np.hypot(down, up) * deepest * interval) ** 2 + few**2 + noise)


def _brake_used(strokes: Strokes, share: float, pressure: float) -> pd.arrays.BooleanArray:
    brake, is_share = brake_of(strokes.trace)
    if brake is None:
        return pd.array([pd.NA] * strokes.start.size, dtype="boolean")
    return pd.array(strokes.most(brake) > (share if is_share else pressure), dtype="boolean")


def _shifted(strokes: Strokes, after: FloatArray, ratio_drop: float) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Whether a higher gear is in at the time `after` than before the dip, by the gear or by the ratio of speeds.

    And whether either of them tells.
    """
    trace, start = strokes.trace, strokes.start
    before = np.maximum(strokes.seen[start] - 1, 0)
    known = np.flatnonzero(np.isfinite(trace.time))
    later = known[np.clip(np.searchsorted(trace.time[known], after), 0, len(known) - 1)]
    shifted = np.zeros(start.size, dtype=bool)
    gear = trace.channel("gear")
    told = np.zeros(start.size, dtype=bool)
    if gear is not None:
        told = np.isfinite(gear[before]) & np.isfinite(gear[later])
        shifted = told & (gear[later] > gear[before])
    engine, speed = trace.channel("engine_speed"), trace.channel("speed")
    if not told.all() and engine is not None and speed is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = engine / speed
            shifted |= ~told & (ratio[later] < (1.0 - ratio_drop) * ratio[before])
            told |= np.isfinite(ratio[later]) & np.isfinite(ratio[before])
    return shifted, told


def _speeds_up(strokes: Strokes, began: FloatArray, ended: FloatArray, span: float) -> NDArray[np.bool_]:
    """Whether speed rose for `span` (s) before each stroke and after it."""
    trace, speed = strokes.trace, strokes.trace.channel("speed")
    if speed is None:
        return np.zeros(began.size, dtype=bool)
    known = np.isfinite(speed) & np.isfinite(trace.time)
    way_in, first, last, way_out = (
        np.interp(when, trace.time[known], speed[known]) for when in (began - span, began, ended, ended + span)
    )
    return np.asarray((first > way_in) & (way_out > last))


def _repeated(
    trace: Trace, lap: IntArray, place: FloatArray, which: NDArray[np.bool_], within: float
) -> NDArray[np.bool_]:
    """Whether half of the laps have one of `which` near the same place; of fewer than two whole laps nothing can be asked."""
    whole = int(trace.whole.sum())
    if whole < 2:
        return np.ones(len(lap), dtype=bool)
    near = which[None, :] & (np.abs(place[:, None] - place[None, :]) <= within)
    laps = np.arange(len(trace.numbers))
    count = np.array([(near[:, lap == number]).any(axis=1) for number in laps[trace.whole]]).sum(axis=0)
    return np.asarray(count >= max(2, whole / 2))
