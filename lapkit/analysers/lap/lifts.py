"""Lifts: where the foot left full throttle, how far, for how long, and what it cost in speed."""

from __future__ import annotations

import warnings
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lap.between import IntArray, over_runs, ramp_end, ramp_start, spread
from lapkit.analysers.lap.markers import marker_columns
from lapkit.analysers.lap.table import table_of
from lapkit.analysers.lap.trace import Trace, trace_of
from lapkit.channels import FloatArray
from lapkit.errors import DataWarning
from lapkit.model.noise import quantum
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
BRAKE_THRESHOLD = 0.03
"""Share of the brake that counts as braking."""
BRAKE_PRESSURE_THRESHOLD = 2e5
"""Pa over the pressure at rest that counts as braking."""


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
        - kind: "lift" or "shift cut"; truncated: cut by the end of the data or by a hole;
        - start_marker, pick_up_marker, end_marker: nearest marker of the track; start_to_marker, ...: metres from it,
          negative before it. Without markers empty and NaN. Their uncertainty is that of the place.

        ``_uncertainty`` columns are one standard uncertainty: sampling, quantisation, noise and place.
        Where the recording never shows full throttle the table is empty, and ``attrs["note"]`` says so.

    Raises
    ------
    ColumnError
        If there is no throttle.
    LapError
        If the session has no such lap.
    FrameError
        If a frame has no time or distance.

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

    seen = np.flatnonzero(np.isfinite(throttle) & np.isfinite(trace.time))
    if seen.size < 3:
        return table_of(LIFT_COLUMNS, {})
    time, depth = trace.time[seen], (full_throttle - throttle[seen]) / full_throttle
    interval = trace.interval if trace.gridded else float(np.median(np.diff(time)))
    if not isinstance(laps, pd.DataFrame):  # a pedal sampled more slowly than the table is known only so well
        interval = max(interval, laps.recording.slow.get("throttle", 0.0))
    noise = _pedal_noise(depth, round(0.2 / interval))
    leave = max(threshold - hysteresis, edge, 3.0 * noise)
    hole = _after_hole(trace, seen, time, max_gap)
    start, end = _dips(depth, hole, leave, max(threshold, leave + 2.0 * noise))
    if not start.size:
        return table_of(LIFT_COLUMNS, {})
    dips = _Dips(time, depth, start, end, hole[start], hole[end], noise, interval, trace.gridded)
    deepest, first_low, last_low = _hold(dips, max(hold_band, 4.0 * noise))
    began, began_sigma, ended, ended_sigma = _ends(dips, first_low, last_low, edge)
    low_from, low_to, low_to_sigma = _turns(dips, deepest, first_low, last_low, began, ended)
    lost, lost_sigma = _time_off(dips, deepest, began, low_from, low_to, ended)
    duration, duration_sigma = ended - began, np.hypot(began_sigma, ended_sigma)
    speed_lost = _speed_lost(trace, time, start, end, began, ended)
    at = trace.lap_at(began)
    events = {"start": (began, began_sigma), "pick_up": (low_to, low_to_sigma), "end": (ended, ended_sigma)}
    places = _places(trace, at, events, interval)
    shifted = _shifted(trace, start, end, seen, ended + gear_lag, ratio_drop)
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
        "speed_lost": speed_lost,
        "brake_used": _brake_used(trace, seen, start, end, brake_threshold, brake_pressure_threshold),
        "kind": np.where(shifted & (duration <= shift_cut_time + duration_sigma), "shift cut", "lift").astype(object),
        "truncated": dips.cut_start | dips.cut_end,
        **marker_columns(laps, {event: places[f"{event}_distance"] for event in events}),
    }
    keep = (duration >= min_duration) & (lap is None or table["lap"] == lap)
    table = {name: values[keep] for name, values in table.items()}
    table["lift"] = np.arange(len(table["lap"])) - np.searchsorted(at[keep], at[keep]) + 1
    return table_of(LIFT_COLUMNS, table)


@dataclass(frozen=True)
class _Dips:
    """Samples of the pedal, and the half-open runs [start, end) of them that make up each lift."""

    time: FloatArray
    depth: FloatArray
    start: IntArray
    end: IntArray
    cut_start: NDArray[np.bool_]
    cut_end: NDArray[np.bool_]
    noise: float
    interval: float
    resampled: bool

    @property
    def how(self) -> dict[str, Any]:
        """What the search for the ends of ramps needs to know."""
        return {"noise": self.noise, "interval": self.interval, "resampled": self.resampled}


def _hold(dips: _Dips, band: float) -> tuple[FloatArray, IntArray, IntArray]:
    """How deep each lift goes, and its first and last sample within `band` of that."""
    depth, start, end = dips.depth, dips.start, dips.end
    deepest = over_runs(np.maximum, depth, start, end)
    inside = spread(start, end)
    lift = np.repeat(np.arange(start.size), end - start)
    low = depth[inside] >= deepest[lift] - band
    lift, index = lift[low], inside[low]
    first = np.searchsorted(lift, np.arange(start.size))
    last = np.searchsorted(lift, np.arange(start.size), side="right") - 1
    if dips.noise > 0:  # the deepest of many noisy samples is deep by luck
        sorted_depth, size = depth[index][np.lexsort((depth[index], lift))], last - first + 1
        median = 0.5 * (sorted_depth[first + (size - 1) // 2] + sorted_depth[first + size // 2])
        deepest = np.where(size >= 5, median, deepest)
    return deepest, index[first], index[last]


def _ends(
    dips: _Dips, first_low: IntArray, last_low: IntArray, edge: float
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """When each lift begins and ends, each with its standard uncertainty."""
    time, start, end = dips.time, dips.start, dips.end
    # of a ramp with two samples or more, the one past its end is not used
    way_down = np.where(first_low > start + 1, first_low - 1, first_low)
    way_up = np.where(last_low < end - 2, last_low + 1, last_low)
    began, began_sigma = ramp_start(time, dips.depth, np.maximum(start, 1), way_down, edge=edge, **dips.how)
    ended, ended_sigma = ramp_end(time, dips.depth, way_up, np.minimum(end - 1, len(time) - 2), edge=edge, **dips.how)
    unknown = dips.interval / np.sqrt(12.0)
    return (
        np.where(dips.cut_start, time[start], began),
        np.where(dips.cut_start, unknown, began_sigma),
        np.where(dips.cut_end, time[end - 1], ended),
        np.where(dips.cut_end, unknown, ended_sigma),
    )


def _turns(
    dips: _Dips, deepest: FloatArray, first_low: IntArray, last_low: IntArray, began: FloatArray, ended: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """When the way down meets the hold, and the hold the way up: ramps that end at the lowest throttle.

    With the standard uncertainty of the second.
    """
    time, start, end = dips.time, dips.start, dips.end
    inside = spread(start, end)
    height = np.zeros(len(time))
    height[inside] = np.repeat(deepest, end - start) - dips.depth[inside]
    low_from, _ = ramp_end(time, height, start, np.maximum(first_low - 1, start), **dips.how)
    low_to, sigma = ramp_start(time, height, np.minimum(last_low + 1, end - 1), end - 1, **dips.how)
    low_from = np.where(first_low > start, low_from, 0.5 * (began + time[start]))
    seen = last_low < end - 1
    low_to = np.where(seen, low_to, 0.5 * (ended + time[end - 1]))
    sigma = np.where(seen, sigma, np.hypot((ended - time[end - 1]) / np.sqrt(12.0), 0.1 * dips.interval))
    low_from, low_to = np.clip(low_from, began, ended), np.clip(low_to, began, ended)
    middle = 0.5 * (low_from + low_to)
    # the level of the hold is known no better than to half the noise, and the way up meets it that much sooner or later
    blur = 0.5 * dips.noise * (ended - np.maximum(low_to, middle)) / np.maximum(deepest, 1e-9)
    sigma = np.hypot(np.hypot(sigma, blur), np.maximum(middle - low_to, 0.0))
    return np.minimum(low_from, middle), np.maximum(low_to, middle), sigma


def _places(
    trace: Trace, lap: IntArray, events: dict[str, tuple[FloatArray, FloatArray]], interval: float
) -> dict[str, FloatArray]:
    """Where each event (name -> time, its standard uncertainty) lies in its lap, with the standard uncertainty."""
    out = {}
    for name, (when, sigma) in events.items():
        before, there, after = trace.place_at(when + np.array([[-0.5], [0.0], [0.5]]) * interval)
        out[f"{name}_distance"] = there - trace.lap_place_zero[lap]
        out[f"{name}_distance_uncertainty"] = np.hypot((after - before) / interval * sigma, trace.place_error[lap])
    return out


def _time_off(
    dips: _Dips, deepest: FloatArray, began: FloatArray, low_from: FloatArray, low_to: FloatArray, ended: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Equivalent time fully off, with its standard uncertainty.

    The trapezium rule from the last sample before to the first after has no bias, as the bends of the pedal's way lie
    anywhere between samples; its scatter grows as the ramps shorten.
    """
    time, depth, start, end, interval = dips.time, dips.depth, dips.start, dips.end, dips.interval
    area = np.append(0.0, np.cumsum(0.5 * (depth[1:] + depth[:-1]) * np.diff(time)))
    outer = np.minimum(np.searchsorted(time, ended), len(time) - 1)
    inner = np.maximum(np.searchsorted(time, began) - 1, 0)
    lost = area[np.where(dips.cut_end, end - 1, outer)] - area[np.where(dips.cut_start, start, inner)]
    steep = [interval / np.maximum(ramp, 1e-9) for ramp in (low_from - began, ended - low_to)]
    down, up = (np.clip(0.053 * ratio, 0.02, 1.0 / np.sqrt(12.0)) for ratio in steep)
    few = np.where(end - start <= 2, 0.3 * interval / (end - start), 0.0)  # the lowest was hardly seen
    noise = dips.noise**2 * ((ended - began) * interval + (ended - began) ** 2 / 9.0)  # of samples, and of what full is
    return lost, np.sqrt((np.hypot(down, up) * deepest * interval) ** 2 + few**2 + noise)


def _pedal_noise(depth: FloatArray, margin: int) -> float:
    """Noise (1 sigma) of the pedal where it stands at full throttle, quantisation included.

    Samples within `margin` of a pedal that moves are left out.
    """
    moving = np.abs(depth) >= 0.03
    count = np.concatenate([np.zeros(margin + 1), np.cumsum(moving), np.full(margin, moving.sum())])
    still = count[2 * margin + 1 :] == count[: -2 * margin - 1]
    steps = np.diff(depth)[still[1:] & still[:-1]]
    if steps.size < 8:
        return float(quantum(depth) / np.sqrt(12.0))
    noise = float(np.sqrt(np.mean(steps**2) / 2.0))
    stuck = np.mean(depth[still] <= depth[still].min() + 1e-9)
    if stuck > 0.3:  # readings stop at the top, so only the lower half of the noise is seen: sqrt(1/2 - 1/(2 pi)) of it
        noise /= 0.584
    return float(max(noise, quantum(depth) / np.sqrt(12.0)))


def _after_hole(trace: Trace, seen: IntArray, time: FloatArray, max_gap: float | None) -> NDArray[np.bool_]:
    """Whether a hole lies before each throttle sample; one more entry for the end of the data."""
    steps = np.diff(time)
    if max_gap is None and trace.gridded:
        hole = np.diff(seen) > 1  # rows of a frame are even in distance, not in time
    else:
        hole = steps > (3.0 * float(np.median(steps)) if max_gap is None else max_gap)
    return np.concatenate([[True], hole, [True]])


def _dips(depth: FloatArray, hole: NDArray[np.bool_], leave: float, enter: float) -> tuple[IntArray, IntArray]:
    """Runs of samples deeper than `leave` that somewhere go deeper than `enter`, never across a hole."""
    inside = depth > leave
    start = np.flatnonzero(inside & (hole[:-1] | ~np.append(False, inside[:-1])))
    end = np.flatnonzero(inside & (hole[1:] | ~np.append(inside[1:], False))) + 1
    deep = over_runs(np.maximum, depth, start, end) > enter
    return start[deep], end[deep]


def _speed_lost(
    trace: Trace,
    time: FloatArray,
    start: IntArray,
    end: IntArray,
    began: FloatArray,
    ended: FloatArray,
) -> FloatArray:
    speed = trace.channel("speed")
    if speed is None:
        return np.full(start.size, np.nan)
    known = np.isfinite(speed) & np.isfinite(trace.time)
    here = np.interp(time, trace.time[known], speed[known])
    first, last = np.interp(began, time, here), np.interp(ended, time, here)
    return first - np.minimum(np.minimum(over_runs(np.minimum, here, start, end), last), first)


def _brake_used(
    trace: Trace, seen: IntArray, start: IntArray, end: IntArray, share: float, pressure: float
) -> pd.api.extensions.ExtensionArray:
    brake, limit = trace.channel("brake"), share
    if brake is None:
        brake, limit = trace.channel("brake_pressure"), pressure
        if brake is not None:
            brake = brake - float(np.nanquantile(brake, 0.1))
    if brake is None:
        return pd.array([pd.NA] * start.size, dtype="boolean")
    most = over_runs(np.maximum, np.nan_to_num(brake[seen]), start, end)
    return pd.array(most > limit, dtype="boolean")


def _shifted(
    trace: Trace, start: IntArray, end: IntArray, seen: IntArray, after: FloatArray, ratio_drop: float
) -> NDArray[np.bool_]:
    """Whether a higher gear is in at the time `after` than before the dip, by the gear or by the ratio of speeds."""
    before = np.maximum(seen[start] - 1, 0)
    known = np.flatnonzero(np.isfinite(trace.time))
    later = known[np.clip(np.searchsorted(trace.time[known], after), 0, len(known) - 1)]
    shifted = np.zeros(start.size, dtype=bool)
    gear = trace.channel("gear")
    undecided = np.ones(start.size, dtype=bool)
    if gear is not None:
        undecided = ~(np.isfinite(gear[before]) & np.isfinite(gear[later]))
        shifted = ~undecided & (gear[later] > gear[before])
    engine, speed = trace.channel("engine_speed"), trace.channel("speed")
    if undecided.any() and engine is not None and speed is not None:
        with np.errstate(divide="ignore", invalid="ignore"):
            ratio = engine / speed
            shifted |= undecided & (ratio[later] < (1.0 - ratio_drop) * ratio[before])
    return shifted
