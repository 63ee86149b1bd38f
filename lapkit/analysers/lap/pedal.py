"""What a foot did on a pedal: each stroke of it, with its ends between samples. Lifts and brakings are made of these."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.lap.between import IntArray, over_runs, ramp_end, ramp_start, spread
from lapkit.analysers.lap.trace import Trace
from lapkit.channels import FloatArray
from lapkit.model.noise import quantum

AT_REST = 0.1
"""Quantile of brake pressure that is taken for a brake at rest (chosen: nobody brakes for nine tenths of a recording)."""
BRAKE_PRESSURE_THRESHOLD = 2e5
"""Pa over the pressure at rest that counts as braking."""


@dataclass(frozen=True)
class Strokes:
    """Samples of a pedal, and the half-open runs [start, end) of them in which it is away from where it rests.

    Attributes
    ----------
    trace : Trace
    seen : ndarray of int, shape (n,)
        Rows of the trace where the pedal and the clock are known.
    time, depth : ndarray, shape (n,)
        When (s), and how far the pedal is from rest, as a share of its travel.
    start, end : ndarray of int, shape (strokes,)
    cut_start, cut_end : ndarray of bool, shape (strokes,)
        Whether a hole or the end of the data is there.
    noise : float
        Of depth at rest (1 sigma), quantisation included.
    interval : float
        Usual time between samples of the pedal, s.
    """

    trace: Trace
    seen: IntArray
    time: FloatArray
    depth: FloatArray
    start: IntArray
    end: IntArray
    cut_start: NDArray[np.bool_]
    cut_end: NDArray[np.bool_]
    noise: float
    interval: float

    @classmethod
    def of(
        cls,
        trace: Trace,
        depth: FloatArray,
        *,
        threshold: float,
        hysteresis: float,
        edge: float = 0.0,
        slow: float = 0.0,
        max_gap: float | None = None,
    ) -> Strokes | None:
        """Find the strokes of a pedal; None where there is none.

        Parameters
        ----------
        trace : Trace
        depth : ndarray, shape (rows of the trace,)
            How far the pedal is from rest, share of its travel; NaN where not known.
        threshold, hysteresis : float
            How deep a stroke must go, and by how much less it is over; both grow with the noise at rest.
        edge : float
            Depth at which the stroke is said to begin and end.
        slow : float
            Time between samples of a pedal that is sampled more slowly than the table, s; it is known only so well.
        max_gap : float, optional
            Longest time between samples that is read across, s; three usual ones by default.
        """
        seen = np.flatnonzero(np.isfinite(depth) & np.isfinite(trace.time))
        if seen.size < 3:
            return None
        time, depth = trace.time[seen], depth[seen]
        interval = max(trace.interval if trace.gridded else float(np.median(np.diff(time))), slow)
        noise = _noise_at_rest(depth, round(0.2 / interval))
        leave = max(threshold - hysteresis, edge, 3.0 * noise)
        steps = np.diff(time)
        if max_gap is None and trace.gridded:
            hole = np.diff(seen) > 1  # rows of a frame are even in distance, not in time
        else:
            hole = steps > (3.0 * float(np.median(steps)) if max_gap is None else max_gap)
        hole = np.concatenate([[True], hole, [True]])
        inside = depth > leave
        start = np.flatnonzero(inside & (hole[:-1] | ~np.append(False, inside[:-1])))
        end = np.flatnonzero(inside & (hole[1:] | ~np.append(inside[1:], False))) + 1
        deep = over_runs(np.maximum, depth, start, end) > max(threshold, leave + 2.0 * noise)
        start, end = start[deep], end[deep]
        if not start.size:
            return None
        return cls(trace, seen, time, depth, start, end, hole[start], hole[end], noise, interval)

    @property
    def how(self) -> dict[str, Any]:
        """What the search for the ends of ramps needs to know."""
        return {"noise": self.noise, "interval": self.interval, "resampled": self.trace.gridded}

    def hold(self, band: float) -> tuple[FloatArray, IntArray, IntArray]:
        """Return how deep each stroke goes, and its first and last sample within `band` of that."""
        depth, start, end, band = self.depth, self.start, self.end, max(band, 4.0 * self.noise)
        deepest = over_runs(np.maximum, depth, start, end)
        inside = spread(start, end)
        stroke = np.repeat(np.arange(start.size), end - start)
        low = depth[inside] >= deepest[stroke] - band
        stroke, index = stroke[low], inside[low]
        first = np.searchsorted(stroke, np.arange(start.size))
        last = np.searchsorted(stroke, np.arange(start.size), side="right") - 1
        if self.noise > 0:  # the deepest of many noisy samples is deep by luck
            sorted_depth, size = depth[index][np.lexsort((depth[index], stroke))], last - first + 1
            median = 0.5 * (sorted_depth[first + (size - 1) // 2] + sorted_depth[first + size // 2])
            deepest = np.where(size >= 5, median, deepest)
        return deepest, index[first], index[last]

    def ends(
        self, first_low: IntArray, last_low: IntArray, edge: float = 0.0
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Return when each stroke begins and ends (s), each with its standard uncertainty."""
        time, start, end = self.time, self.start, self.end
        # of a ramp with two samples or more, the one past its end is not used
        way_down = np.where(first_low > start + 1, first_low - 1, first_low)
        way_up = np.where(last_low < end - 2, last_low + 1, last_low)
        began, began_sigma = ramp_start(time, self.depth, np.maximum(start, 1), way_down, edge=edge, **self.how)
        ended, ended_sigma = ramp_end(
            time, self.depth, way_up, np.minimum(end - 1, len(time) - 2), edge=edge, **self.how
        )
        unknown = self.interval / np.sqrt(12.0)
        return (
            np.where(self.cut_start, time[start], began),
            np.where(self.cut_start, unknown, began_sigma),
            np.where(self.cut_end, time[end - 1], ended),
            np.where(self.cut_end, unknown, ended_sigma),
        )

    def places(self, lap: IntArray, events: dict[str, tuple[FloatArray, FloatArray]]) -> dict[str, FloatArray]:
        """Return where each event (name -> time, its standard uncertainty) lies in its lap, with the standard uncertainty."""
        trace, out = self.trace, {}
        for name, (when, sigma) in events.items():
            before, there, after = trace.place_at(when + np.array([[-0.5], [0.0], [0.5]]) * self.interval)
            out[f"{name}_distance"] = there - trace.lap_place_zero[lap]
            error = np.hypot((after - before) / self.interval * sigma, trace.place_error[lap])
            out[f"{name}_distance_uncertainty"] = error
        return out

    def most(self, values: FloatArray, rest: float | None = None) -> FloatArray:
        """Return the most of another channel during each stroke, over its quantile `rest` where that is given."""
        known = np.nan_to_num(values[self.seen], nan=-np.inf)
        base = 0.0 if rest is None else float(np.nanquantile(values, rest))
        most = over_runs(np.maximum, known, self.start, self.end) - base
        return np.where(np.isfinite(most), most, np.nan)

    def speeds(self, began: FloatArray, ended: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the speed where each stroke begins, where it ends, and the lowest between (m/s); NaN without speed."""
        trace, speed = self.trace, self.trace.channel("speed")
        if speed is None:
            return (np.full(self.start.size, np.nan),) * 3
        known = np.isfinite(speed) & np.isfinite(trace.time)
        here = np.interp(self.time, trace.time[known], speed[known])
        first, last = np.interp(began, self.time, here), np.interp(ended, self.time, here)
        lowest = np.minimum(over_runs(np.minimum, here, self.start, self.end), last)
        return first, last, np.minimum(lowest, first)


def brake_of(trace: Trace) -> tuple[FloatArray | None, bool]:
    """Return the brake as a share, else its pressure over that at rest (Pa), and whether it is a share."""
    brake = trace.channel("brake")
    if brake is not None:
        return brake, True
    pressure = trace.channel("brake_pressure")
    return (None if pressure is None else pressure - float(np.nanquantile(pressure, AT_REST))), False


def numbered(lap: IntArray) -> NDArray[np.intp]:
    """Return the number of each event in its lap, from 1; laps in driving order."""
    return np.arange(len(lap)) - np.searchsorted(lap, lap) + 1


def _noise_at_rest(depth: FloatArray, margin: int) -> float:
    """Noise (1 sigma) of the pedal where it rests, quantisation included.

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
    if stuck > 0.3:  # readings stop at the rest, so only one half of the noise is seen: sqrt(1/2 - 1/(2 pi)) of it
        noise /= 0.584
    return float(max(noise, quantum(depth) / np.sqrt(12.0)))
