"""Brakings: where the brake came on and came off, how hard, for how long, and what speed it took."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.lap.markers import marker_columns
from lapkit.analysers.lap.pedal import AT_REST, BRAKE_PRESSURE_THRESHOLD, Strokes, brake_of, numbered
from lapkit.analysers.lap.table import table_of
from lapkit.analysers.lap.trace import trace_of

if TYPE_CHECKING:
    from lapkit.model.session import Session

BRAKING_COLUMNS = {
    "lap": "int64", "braking": "int64",
    "start_distance": "float64", "start_distance_uncertainty": "float64",
    "end_distance": "float64", "end_distance_uncertainty": "float64",
    "start_time": "float64", "end_time": "float64", "duration": "float64", "duration_uncertainty": "float64",
    "max_brake": "float64", "max_brake_pressure": "float64",
    "start_speed": "float64", "end_speed": "float64", "speed_lost": "float64", "mean_deceleration": "float64",
    "truncated": "bool",
    "start_marker": "object", "start_to_marker": "float64", "end_marker": "object", "end_to_marker": "float64",
}  # fmt: skip
"""Column -> dtype of the table of brakings."""

THRESHOLD = 0.05
"""Share of the brake that a braking must reach (common practice, no source)."""
HYSTERESIS = 0.03
"""Share of the brake by which it is over sooner than it must go to begin; less where the sensor is noisier."""
HARDEST = 0.995
"""Quantile of pressure that stands for the whole of the brake where only pressure is recorded (chosen)."""
MIN_DURATION = 0.08
"""s. Anything shorter is a flicker of the sensor, not a foot (chosen)."""
HOLD_BAND = 0.03
"""Share of the brake. Samples this close to the hardest belong to the hold."""


def brakings(
    laps: Session | pd.DataFrame,
    *,
    lap: int | None = None,
    threshold: float = THRESHOLD,
    hysteresis: float = HYSTERESIS,
    min_duration: float = MIN_DURATION,
    hold_band: float = HOLD_BAND,
    brake_pressure_threshold: float = BRAKE_PRESSURE_THRESHOLD,
    max_gap: float | None = None,
) -> pd.DataFrame:
    """Find every braking.

    It begins where the pedal leaves its rest and ends where it is back, both found between samples.

    Parameters
    ----------
    laps : Session or DataFrame
        A session (its own samples are used, and a braking that runs over the line is whole), a lap frame, or one lap's
        samples.
    lap : int, optional
        Only the brakings that begin in this lap.
    threshold : float
        How far the brake must go, share of it; where only pressure is recorded, of the hardest braking's.
    hysteresis : float
        The braking is over within ``threshold - hysteresis``. Both grow with the noise at rest.
    min_duration : float
        Shorter ones are left out, s.
    hold_band : float
        Samples this close to the hardest belong to the hold, share of the brake.
    brake_pressure_threshold : float
        Where only pressure is recorded, Pa above that at rest: when the hardest stays below it, nobody braked.
    max_gap : float, optional
        Longest time between samples that is read across, s; three usual ones by default.

    Returns
    -------
    DataFrame
        One row a braking, in driving order:

        - lap, braking: the lap it begins in, and its number in that lap from 1;
        - start_distance, end_distance: m from the line; beyond the track length where it has run over the line;
        - start_time, end_time: s since the lap's crossing; duration: s;
        - max_brake: hardest, 0..1, with noise the median of the hold; NaN where only pressure is recorded;
          max_brake_pressure: Pa over the pressure at rest; NaN where it is not recorded;
        - start_speed, end_speed: m/s; speed_lost: the first less the lowest, m/s;
        - mean_deceleration: m/s2, speed lost from start to end by the duration;
        - truncated: cut by the end of the data or by a hole;
        - start_marker, start_to_marker, end_marker, end_to_marker: as those of `lifts`.

        ``_uncertainty`` columns are one standard uncertainty: sampling, quantisation, noise and place.
        Those of laps that do not run from line to line are in it too; ``session.laps`` says which laps those are.
        A recording without brake gives an empty table, and ``attrs["note"]`` says so.

    Raises
    ------
    LapError
        If the session has no such lap.
    FrameError
        If a frame has no time or distance.

    Examples
    --------
    A brake pressed from 1.02 s on in 0.1 s, held at 80 %, and let off from 1.9 to 2.2 s:

    >>> time = np.arange(0.0, 4.0, 0.02)
    >>> brake = np.interp(time, [1.02, 1.12, 1.9, 2.2], [0.0, 0.8, 0.8, 0.0])
    >>> samples = pd.DataFrame({"time": time, "distance": 50 * time, "brake": brake})
    >>> brakings(samples)[["start_time", "duration", "max_brake", "start_distance"]].round(2).values.tolist()
    [[1.02, 1.18, 0.8, 51.0]]
    """
    trace = trace_of(laps)
    trace.check(lap)
    brake, is_share = brake_of(trace)
    if brake is None:
        table = table_of(BRAKING_COLUMNS, {})
        table.attrs["note"] = f"{trace.source}: there is no brake and no brake pressure, so brakings cannot be told."
        return table
    whole = 1.0 if is_share else float(np.nanquantile(brake, HARDEST))
    if not is_share and not whole >= max(brake_pressure_threshold, 1e-9):
        return table_of(BRAKING_COLUMNS, {})
    slow = {} if isinstance(laps, pd.DataFrame) else laps.recording.slow
    strokes = Strokes.of(
        trace,
        brake / whole,
        threshold=threshold,
        hysteresis=hysteresis,
        slow=slow.get("brake" if is_share else "brake_pressure", 0.0),
        max_gap=max_gap,
    )
    if strokes is None:
        return table_of(BRAKING_COLUMNS, {})
    hardest, first, last = strokes.hold(hold_band)
    began, began_sigma, ended, ended_sigma = strokes.ends(first, last)
    duration = ended - began
    at_start, at_end, lowest = strokes.speeds(began, ended)
    at = trace.lap_at(began)
    places = strokes.places(at, {"start": (began, began_sigma), "end": (ended, ended_sigma)})
    pressure = trace.channel("brake_pressure")
    table_values: dict[str, Any] = {
        "lap": trace.numbers[at],
        **places,
        "start_time": began - trace.lap_time_zero[at],
        "end_time": ended - trace.lap_time_zero[at],
        "duration": duration,
        "duration_uncertainty": np.hypot(began_sigma, ended_sigma),
        "max_brake": hardest if is_share else np.full(len(at), np.nan),
        "max_brake_pressure": np.full(len(at), np.nan) if pressure is None else strokes.most(pressure, AT_REST),
        "start_speed": at_start,
        "end_speed": at_end,
        "speed_lost": at_start - lowest,
        "mean_deceleration": (at_start - at_end) / np.maximum(duration, 1e-9),
        "truncated": strokes.cut_start | strokes.cut_end,
        **marker_columns(laps, {event: places[f"{event}_distance"] for event in ("start", "end")}),
    }
    keep = (duration >= min_duration) & (lap is None or table_values["lap"] == lap)
    table_values = {name: values[keep] for name, values in table_values.items()}
    table_values["braking"] = numbered(at[keep])
    return table_of(BRAKING_COLUMNS, table_values)
