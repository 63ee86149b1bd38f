"""The lap table: which stretches of a recording are laps, how long each took, and what is odd about it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.laps import STANDING, Cuts
from lapkit.model.motion import Motion
from lapkit.model.noise import white_noise
from lapkit.model.placing import CLEAN_NOISE, ODD_LENGTH

FULL_BAND = 0.02  # share below full throttle that still counts as full
AT_LINE = 3  # samples from the line within which a clock that starts again marks the lap, not a reset
MIN_STOP = 0.5  # s; standing for less is a bad sample, not a stop
SLOPE = 0.25  # s either side of a crossing over which it is seen how fast speed changes
PIT_SPEED = 0.3  # share of the usual speed below which a recording begins or ends in the pits


@dataclass
class Segments:
    """A recording divided at the crossings: a part before the first, the laps, a part after the last.

    Attributes
    ----------
    edges : ndarray, shape (m + 1,)
        Where each segment begins, and where the last one ends, s on the recording's clock.
    numbers : ndarray of int, shape (m,)
        Lap numbers.
    whole : ndarray of bool, shape (m,)
        Whether the segment runs from line to line.
    leading : int
        1 where the first segment is the part before the first crossing, else 0.
    first_row, last_row : ndarray of int, shape (m,)
        Samples of each segment, half-open.
    renumbered : bool
        Whether the file's own lap numbers had to be replaced.
    """

    edges: FloatArray
    numbers: NDArray[np.int64]
    whole: NDArray[np.bool_]
    leading: int
    first_row: NDArray[np.intp]
    last_row: NDArray[np.intp]
    renumbered: bool = False

    def __len__(self) -> int:
        return len(self.numbers)


def divide(motion: Motion, cuts: Cuts, *, lap: FloatArray | None) -> Segments:
    """Divide a recording at its crossings.

    Parameters
    ----------
    motion : Motion
    cuts : Cuts
    lap : ndarray, shape (n,), or None
        The file's lap column, for the number of the part before the first crossing.

    Returns
    -------
    Segments
    """
    begin, end, crossed = motion.time[0], motion.time[-1], len(cuts.time)
    slack = 1.01 * motion.interval
    leading = crossed > 0 and cuts.time[0] > begin + slack
    trailing = crossed > 0 and cuts.time[-1] < end - slack
    edges = np.concatenate([[begin] if leading else [], cuts.time, [end] if trailing else []])
    if not crossed:
        edges = np.array([begin, end])
    count = len(edges) - 1
    whole = np.zeros(count, dtype=bool)
    whole[int(leading) : int(leading) + max(crossed - 1, 0)] = True
    numbers = np.arange(count, dtype=np.int64) + (cuts.first_number - int(leading) if crossed else 1)
    if cuts.numbers is not None:
        numbers[int(leading) :] = cuts.numbers[: count - int(leading)]
        if leading and lap is not None:
            numbers[0] = int(lap[int(np.argmax(np.isfinite(lap)))])
    repeated = len(np.unique(numbers)) < count
    if repeated:
        numbers = np.arange(count, dtype=np.int64) + 1 - int(leading)
    first = np.searchsorted(motion.time, edges[:-1] - 1e-9, side="left")
    last = np.append(first[1:], np.searchsorted(motion.time, edges[-1] + 1e-9, side="left"))
    return Segments(edges, numbers, whole, int(leading), first, last, repeated)


def lap_table(
    motion: Motion,
    cuts: Cuts,
    segments: Segments,
    *,
    throttle: FloatArray | None,
    full_throttle: float | None,
    length: float,
    resets: NDArray[np.intp],
    clock_uncertainty: float = 0.0,
) -> pd.DataFrame:
    """Make the lap table: one row a segment, in driving order.

    Parameters
    ----------
    motion : Motion
    cuts : Cuts
    segments : Segments
    throttle : ndarray, shape (n,), or None
    full_throttle : float or None
        Reading at full throttle.
    length : float
        Track length, m.
    resets : ndarray of int
        Samples at which the clock or the position jumped.
    clock_uncertainty : float
        Relative standard uncertainty of the clock: not 0 where time was worked out from distance and speed.

    Returns
    -------
    DataFrame
        lap, lap_time (s, NaN unless whole), complete, flags (words joined by commas: out, in, partial, stop,
        reset, gap, short, long), speed_at_line (at the crossing that ends the lap), top_speed, min_speed (m/s),
        full_throttle_share (0..1), path_length (m), and one standard uncertainty beside lap_time and speed_at_line.
    """
    count = len(segments)
    first = np.minimum(segments.first_row, len(motion.time) - 1)
    inner = slice(segments.leading, segments.leading + len(cuts.time))
    crossing = np.full((3, count + 1), np.nan)
    crossing[0, inner], crossing[1, inner] = speed_at(motion, cuts.time)
    at_line = np.interp(cuts.time, motion.time, motion.speed)
    crossing[2, inner] = np.hypot(cuts.uncertainty, cuts.drift / np.maximum(at_line, STANDING))
    if motion.noise >= CLEAN_NOISE:  # a line that is not quite where it seems is crossed at another speed
        around = np.interp(cuts.time[:, None] + np.array([-SLOPE, SLOPE]), motion.time, motion.speed)
        crossing[1, inner] = np.hypot(
            crossing[1, inner], np.abs(np.diff(around)[:, 0]) / (2 * SLOPE) * crossing[2, inner]
        )
    share = np.full(count, np.nan)
    if throttle is not None and full_throttle is not None:
        held = np.append(np.diff(motion.time), 0.0)
        held[~np.isfinite(throttle) | (held > motion.max_gap)] = 0.0
        with np.errstate(invalid="ignore", divide="ignore"):
            full = np.add.reduceat(np.where(throttle >= full_throttle - FULL_BAND, held, 0.0), first)
            share = full / np.add.reduceat(held, first)
    driven = np.diff(motion.path_at(segments.edges))
    return pd.DataFrame(
        {
            "lap": segments.numbers,
            "lap_time": np.where(segments.whole, np.diff(segments.edges), np.nan),
            "lap_time_uncertainty": np.where(
                segments.whole,
                np.hypot(np.hypot(crossing[2, :-1], crossing[2, 1:]), clock_uncertainty * np.diff(segments.edges)),
                np.nan,
            ),
            "complete": segments.whole,
            "flags": _flags(motion, segments, driven, length, resets),
            "speed_at_line": crossing[0, 1:],
            "speed_at_line_uncertainty": crossing[1, 1:],
            "top_speed": np.maximum.reduceat(motion.speed, first),
            "min_speed": np.minimum.reduceat(motion.speed, first),
            "full_throttle_share": share,
            "path_length": driven,
        }
    )


def speed_at(motion: Motion, times: FloatArray, *, reach: float = 0.4) -> tuple[FloatArray, FloatArray]:
    """Return the speed at given times, between samples.

    Parameters
    ----------
    motion : Motion
    times : ndarray, shape (m,)
        On the recording's clock, s.
    reach : float
        Time either side over which noisy speed is fitted, s.

    Returns
    -------
    speed, uncertainty : ndarray, shape (m,)
        m/s; standard uncertainty.
    """
    speed, time = motion.speed, motion.time
    value = np.interp(times, time, speed)
    noise = white_noise(speed, stride=round(0.1 / motion.interval), skip_equal=True)
    outside = np.maximum(times - time[-1], 0) + np.maximum(time[0] - times, 0)
    at = np.clip(np.searchsorted(time, times) - 1, 0, len(time) - 2)
    span = np.where(motion.hole[at], time[at + 1] - time[at], 0.0)  # across a hole the speed may have gone any way
    unseen = np.hypot(np.abs(speed[at + 1] - speed[at]) * (span > 0) / np.sqrt(12.0), 10.0 * span / 8.0)
    sigma = np.hypot(np.hypot(noise, 0.2 * motion.interval), np.hypot(5.0 * outside, unseen))
    if noise < 0.02:
        return value, sigma
    for k, crossing in enumerate(times):  # one short fit a crossing, not a sample
        low, high = np.searchsorted(time, [crossing - reach, crossing + reach])
        if high - low < 5 or motion.hole[max(low - 1, 0) : high].any():
            continue
        basis = np.vander(time[low:high] - crossing, 3, increasing=True)
        solution, *_ = np.linalg.lstsq(basis, speed[low:high], rcond=None)
        spread = float(np.sqrt(np.sum((speed[low:high] - basis @ solution) ** 2) / max(high - low - 3, 1)))
        value[k] = solution[0]
        sigma[k] = np.hypot(max(spread, noise) * np.sqrt(np.linalg.inv(basis.T @ basis)[0, 0]), 0.02)
    return value, sigma


def _flags(
    motion: Motion, segments: Segments, driven: FloatArray, length: float, resets: NDArray[np.intp]
) -> list[str]:
    """What is out of the ordinary about each segment, as words joined by commas."""
    usual = float(np.median(motion.speed))
    standing = np.append(0.0, np.cumsum(np.where(motion.speed[:-1] < STANDING, np.diff(motion.time), 0.0)))
    holes = np.append(0, np.cumsum(motion.hole))
    flags: list[str] = []
    for k in range(len(segments)):
        low, high = int(segments.first_row[k]), int(segments.last_row[k])
        words = []
        if not segments.whole[k]:
            edge = 0 if k == 0 else -1
            word = "out" if k == 0 else "in"
            words.append(word if motion.speed[edge] < PIT_SPEED * usual else "partial")
        last = min(max(high - 1, low), len(standing) - 1)
        if standing[last] - standing[min(low, last)] > MIN_STOP:
            words.append("stop")
        if np.any((resets > low + AT_LINE) & (resets < high - AT_LINE)):
            words.append("reset")
        if holes[min(high, len(holes) - 1)] > holes[max(low - 1, 0)]:
            words.append("gap")
        if segments.whole[k] and abs(driven[k] - length) > ODD_LENGTH * length:
            words.append("long" if driven[k] > length else "short")
        flags.append(",".join(words))
    return flags
