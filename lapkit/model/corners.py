"""Corners: where they begin and end on a lap.

Corners are found once for a session, from the curvature of its reference line or the median of several
laps' curvature, so that every lap has the same boundaries.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.curvature import (
    DOUBTFUL,
    MAX_RADIUS,
    MIN_ROWS,
    SCALE_RATIO,
    combine_curvatures,
    curvature_of,
    curvatures_of,
    doubt,
    fill_round,
    least_curvature,
    path_curvature,
)
from lapkit.model.given import CORNER, records_given
from lapkit.model.place import ReferenceLine

__all__ = [
    "combine_curvatures", "corners_of_laps", "curvature_of", "curvatures_of", "find_corners", "path_curvature", "segments_of",
]  # fmt: skip

MIN_TURN = float(np.radians(12.0))
"""rad. A bend that turns the car less than this is not a corner (common practice, no source)."""
VALLEY_RATIO = 0.4
"""Two apexes are two corners where the curvature between falls below this share of the lower one (as above)."""
EDGE_RATIO = 0.25
"""Share of a corner's peak curvature from which its ends are followed down to zero (as above)."""
MIN_STRAIGHT = 20.0
"""m. A shorter stretch between two corners is shared between them (common practice, no source)."""
SWING_TURN = float(np.radians(25.0))
"""rad. A bend that turns less than this beside a much tighter one is the way the car is set up for it (as above)."""
SWING_RATIO = 0.15
"""Share of the tighter bend's curvature under which that is so (as above)."""


def _apexes(bend: FloatArray, floor: float, threshold: float, valley_ratio: float) -> list[int]:
    """Indices of the peaks that stay apart: between two of them `bend` falls below `valley_ratio` of the lower.

    Neighbours with too shallow a valley between them are joined, shallowest first, so that the result
    does not depend on the order in which they are met.
    """
    padded = np.concatenate([[floor], np.maximum(bend, floor), [floor]])
    rise = np.diff(padded)
    turning = np.flatnonzero(rise != 0)
    before, after = turning[:-1], turning[1:]
    summit = (rise[before] > 0) & (rise[after] < 0)
    middle = (before[summit] + after[summit] + 1) // 2 - 1  # a flat top counts once, in its middle
    peaks = [int(i) for i in middle if bend[i] >= threshold]
    valleys = [max(float(bend[a:b].min()), floor) for a, b in pairwise(peaks)]
    while valleys:
        depth = [valley / min(bend[a], bend[b]) for valley, (a, b) in zip(valleys, pairwise(peaks), strict=True)]
        worst = int(np.argmax(depth))
        if depth[worst] <= valley_ratio:
            break
        out = worst if bend[peaks[worst]] < bend[peaks[worst + 1]] else worst + 1
        del peaks[out]
        if 0 < out < len(peaks):
            valleys[out - 1 : out + 1] = [min(valleys[out - 1 : out + 1])]
        else:
            del valleys[0 if out == 0 else -1]
    return peaks


def _ends(bend: FloatArray, low: int, high: int, edge: float, step: float) -> tuple[int, int]:
    """Where a corner begins and ends within [low, high): from `edge` its flanks are followed down to zero."""
    inside = low + np.flatnonzero(bend[low:high] >= edge)
    first, last = int(inside[0]), int(inside[-1])
    reach = max(3, round(5.0 / step), (last - first) // 12)  # the slope of a flank is that of the next metres inward
    limit = (last - first) // 4 + 1

    def outward(at: int, inner: int, beyond: FloatArray) -> int:
        rise = (bend[inner] - bend[at]) / max(abs(inner - at), 1)
        run = beyond[: min(int(bend[at] / rise), limit) if rise > 0 else 0]
        crossed = np.flatnonzero(run <= 0)
        return int(crossed[0]) if crossed.size else len(run)

    return (
        first - outward(first, min(first + reach, last), bend[low:first][::-1]),
        last + 1 + outward(last, max(last - reach, first), bend[last + 1 : high]),
    )


def _without_swings(
    spans: list[tuple[int, int]], profile: FloatArray, step: float, turn: float, ratio: float, reach: int
) -> list[tuple[int, int]]:
    """Leave out the bends that only bring the car across the track to a much tighter one which they join."""
    tight = [float(np.abs(profile[a:b]).max()) for a, b in spans]
    small = [abs(float(profile[a:b].sum())) * step < turn for a, b in spans]

    def beside(k: int, way: int) -> float:
        """Tightest bend reached from `k` through bends that join, up to the first that is a corner for sure."""
        most = 0.0
        while 0 <= k + way < len(spans):
            near, far = sorted((spans[k], spans[k + way]))
            if far[0] - near[1] >= reach:
                break
            k += way
            most = max(most, tight[k])
            if not small[k]:
                break
        return most

    return [
        span for k, span in enumerate(spans) if not (small[k] and tight[k] < ratio * max(beside(k, -1), beside(k, 1)))
    ]


def _closed_up(spans: list[tuple[int, int]], profile: FloatArray, reach: int) -> list[tuple[int, int]]:
    """Divide what lies between two corners closer than `reach` points where it is straightest."""
    spans = list(spans)
    for k in range(len(spans) - 1):
        (start, end), (next_start, next_end) = spans[k], spans[k + 1]
        if next_start - end < reach:
            low, high = sorted((end, next_start))
            middle = low + int(np.argmin(np.abs(profile[low : high + 1])))
            spans[k], spans[k + 1] = (start, middle), (middle, next_end)
    return spans


def _row(profile: FloatArray, start: int, end: int, step: float, length: float) -> tuple[Any, ...]:
    bend = np.abs(profile[start:end])
    width = max(1, bend.size // 5)  # the tightest fifth of a corner, not its noisiest point
    run = np.convolve(bend, np.full(width, 1.0 / width), mode="same")
    peak = int(np.argmax(run))
    lower = np.flatnonzero(run < 0.95 * run[peak])
    left, right = lower[lower < peak], lower[lower > peak]
    first, last = (left[-1] + 1 if left.size else 0), (right[0] - 1 if right.size else bend.size - 1)
    apex = start + int(first + last) // 2
    direction = "left" if profile[start:end].sum() > 0 else "right"
    return start * step, apex * step, min(end * step, length), direction, float(1.0 / np.quantile(bend, 0.95))


def _table(rows: Sequence[tuple[Any, ...]]) -> pd.DataFrame:
    columns = zip(*rows, strict=True) if rows else ((),) * 5
    start, apex, end, direction, radius = (list(column) for column in columns)
    return pd.DataFrame(
        {
            "corner": pd.Series([str(k + 1) for k in range(len(start))], dtype=object),
            "start_distance": np.array(start, dtype=np.float64),
            "apex_distance": np.array(apex, dtype=np.float64),
            "end_distance": np.array(end, dtype=np.float64),
            "direction": pd.Series(direction, dtype=object),
            "radius": np.array(radius, dtype=np.float64),
        }
    )


def find_corners(
    curvature: FloatArray,
    step: float,
    *,
    track_length: float | None = None,
    min_turn: float = MIN_TURN,
    max_radius: float = MAX_RADIUS,
    scale_ratio: float = SCALE_RATIO,
    valley_ratio: float = VALLEY_RATIO,
    edge_ratio: float = EDGE_RATIO,
    min_straight: float = MIN_STRAIGHT,
    swing_turn: float = SWING_TURN,
    swing_ratio: float = SWING_RATIO,
) -> pd.DataFrame:
    """Find the corners of a closed lap from its curvature.

    Parameters
    ----------
    curvature : ndarray, shape (n,)
        1/m at ``k * step`` round a closed lap, left positive. What is not finite is bridged from both sides.
    step : float
        Grid step, m.
    track_length : float, optional
        Length of the lap, m; by default ``n * step``. Nothing ends beyond it.
    min_turn : float
        A corner turns the car at least this much, rad.
    max_radius : float
        Nothing wider is a corner, m.
    scale_ratio : float
        A corner's curvature reaches this share of 2 pi / track_length.
    valley_ratio : float
        Two apexes in one direction are two corners where curvature between them falls below this
        share of the lower one; else a double-apex corner.
    edge_ratio : float
        Share of the peak from which a corner's ends are followed down to zero curvature.
    min_straight : float
        A shorter stretch between two corners is divided where it is straightest, m.
    swing_turn, swing_ratio : float
        A bend of less than `swing_turn` (rad) that joins one more than 1 / `swing_ratio` times as tight, directly or
        through another such bend, is the car's swing across the track before or after it, not a corner.

    Returns
    -------
    DataFrame
        One row a corner in driving order: corner ("1", "2", ... from the line), start_distance,
        apex_distance, end_distance (m, on the grid, half-open), direction ("left" or "right"), radius
        (m, at the tightest). A corner that contains the start/finish line is two corners, the lap's
        last and its first, so that every corner is an interval of one lap; a part that turns less
        than `min_turn` is left out.

    Raises
    ------
    FrameError
        If the step or the length is no distance.

    Examples
    --------
    >>> lap = np.zeros(1000)
    >>> lap[200:400], lap[700:900] = np.pi / 200, np.pi / 200
    >>> find_corners(lap, 1.0)[["corner", "start_distance", "end_distance", "direction"]].values.tolist()
    [['1', 200.0, 400.0, 'left'], ['2', 700.0, 900.0, 'left']]
    """
    curvature = np.where(np.isfinite(curvature), curvature, np.nan)
    n = len(curvature)
    length = n * step if track_length is None else track_length
    if n < MIN_ROWS or np.isnan(curvature).all():
        return _table([])
    threshold = least_curvature(length, scale_ratio, max_radius)
    profile = fill_round(curvature)
    shift = int(np.argmin(np.abs(profile)))  # seen from the middle of a straight, no corner wraps
    rolled = np.roll(profile, -shift)
    spans: list[tuple[int, int]] = []
    for sign in (1.0, -1.0):
        bend = sign * rolled
        peaks = _apexes(bend, valley_ratio * threshold, threshold, valley_ratio)
        cuts = [0, *(a + int(np.argmin(bend[a:b])) for a, b in pairwise(peaks)), n]
        for peak, (low, high) in zip(peaks, pairwise(cuts), strict=False):
            spans.append(_ends(bend, low, high, max(edge_ratio * float(bend[peak]), threshold), step))
    spans = sorted((a, b) for a, b in spans if abs(rolled[a:b].sum()) * step >= min_turn)
    spans = _without_swings(spans, rolled, step, swing_turn, swing_ratio, round(min_straight / step))
    parts: list[tuple[int, int]] = []
    for start, end in _closed_up(spans, rolled, round(min_straight / step)):
        start, end = start + shift, end + shift
        if start < n < end:
            parts += [(start, n), (0, end - n)]
        else:
            parts.append((start % n, end - n if start >= n else end))
    kept = [(a, b) for a, b in sorted(parts) if abs(profile[a:b].sum()) * step >= min_turn]
    return _table([_row(profile, a, b, step, length) for a, b in kept])


def corners_of_laps(
    reference: ReferenceLine,
    frames: Sequence[pd.DataFrame],
    *,
    noise: float,
    spacing: float,
    doubtful: float = DOUBTFUL,
) -> tuple[pd.DataFrame, str, str]:
    """Find the corners of a reference line learnt from noisy laps, by whatever shows them with the least noise.

    Parameters
    ----------
    reference : ReferenceLine
        Learnt from the laps.
    frames : sequence of DataFrame
        Frames of those laps, or of some of them.
    noise : float
        White noise of x and y, m.
    spacing : float
        Distance between recorded samples, m.
    doubtful : float
        Noise of curvature, as `lapkit.model.curvature.doubt` states it, from which position gives way to yaw rate, and
        without that to lateral acceleration, where that is less noisy.

    Returns
    -------
    corners : DataFrame
        As `find_corners` gives them.
    source : str
        "position", "yaw rate" or "lateral acceleration".
    words : str
        What a person should know of it: that position gave way, or that corners may be noise, as what is left of it in all laps
        together reaches `doubtful`; "" where there is nothing to know.
    """
    step, length, laps = reference.spacing, reference.length, max(len(frames), 1)
    if len(frames) > 1:
        least = doubt(curvatures_of(frames)[0], float(frames[0].index[1] - frames[0].index[0]))
    else:
        least = doubt(np.zeros((1, len(reference.x))), step, noise=noise, spacing=spacing)
    if least < doubtful:
        return find_corners(path_curvature(reference.x, reference.y, step), step), "position", ""
    # the line is smooth, so the noise left in it cannot be measured, but it bends with it all the same
    profile = path_curvature(reference.x, reference.y, step, noise=float(noise * np.sqrt(spacing / step / laps)))
    source, words, said = "position", "", f"position shakes by {noise:.1f} m from sample to sample and drifts besides"
    for channel in ("yaw_rate", "lateral_acceleration") if frames else ():
        turned, found = curvatures_of([frame.filter(["time", "speed", channel]) for frame in frames])
        if found == "none":
            continue
        grid = float(frames[0].index[1] - frames[0].index[0])
        rival = doubt(turned, grid) if len(frames) > 1 else 0.0  # a single lap has nothing to differ from
        if rival < least:
            profile, step, source, least = combine_curvatures(turned), grid, found, rival
            words = f"Corners were found from {found}: {said}."
            break
    if least / np.sqrt(laps) >= doubtful:
        words = (
            f"Where corners begin and end, and how many there are, is not to be trusted: {said}. A track file (track=...) "
            "that holds them, more laps, or a recording with yaw rate would show them."
        )
    return find_corners(profile, step, track_length=length), source, words


def bounds_of(rows: Sequence[Mapping[str, Any]]) -> tuple[FloatArray, FloatArray]:
    """Return where corners start and where they end, m.

    Raises
    ------
    FrameError
        If one does not say so in numbers, or does not start before its end.

    Examples
    --------
    >>> bounds_of([{"corner": "1", "start_distance": 100.0, "end_distance": 180}])
    (array([100.]), array([180.]))
    """
    try:
        bounds = np.array([[row[name] for name in CORNER[1:]] for row in rows], dtype=np.float64).reshape(-1, 2)
    except (TypeError, ValueError) as error:
        raise FrameError(f"corners: a start or an end is not a number ({error}); give metres from the line.") from error
    wrong = np.flatnonzero(~(bounds[:, 0] < bounds[:, 1]))
    if wrong.size:
        start, end = bounds[wrong[0]]
        raise FrameError(
            f"corner {rows[wrong[0]]['corner']} runs from {start:g} to {end:g} m: a corner starts before its end; write one "
            "that holds the line as two."
        )
    return bounds[:, 0], bounds[:, 1]


def segments_of(corners: pd.DataFrame | Sequence[Mapping[str, Any]], track_length: float) -> pd.DataFrame:
    """Divide a lap into its corners and the straights between them.

    Parameters
    ----------
    corners : DataFrame or sequence of mappings
        With corner, start_distance, end_distance (m), in driving order.
    track_length : float
        Length of the lap, m.

    Returns
    -------
    DataFrame
        segment ("straight before corner 1", "corner 1", "straight after corner 1", ...), start_distance,
        end_distance: half-open, together the whole lap. Without corners, ten equal parts.

    Raises
    ------
    FrameError
        If a corner has no name, start or end, does not lie on the lap, or overlaps the one before it.

    Examples
    --------
    >>> table = pd.DataFrame({"corner": ["1"], "start_distance": [100.0], "end_distance": [180.0]})
    >>> segments_of(table, 300.0)["segment"].tolist()
    ['straight before corner 1', 'corner 1', 'straight after corner 1']
    """
    rows = records_given(corners, "corners", CORNER, "the name and metres from the line")
    starts, ends = bounds_of(rows)
    if not track_length > 0:
        raise FrameError(f"a lap of {track_length!r} m has no corners and straights.")
    inside = (starts >= 0) & (ends <= track_length + 1e-6)
    inside[1:] &= starts[1:] >= ends[:-1] - 1e-6
    if not inside.all():
        bad = int(np.argmin(inside))
        raise FrameError(
            f"corner {rows[bad]['corner']} runs from {starts[bad]:g} to {ends[bad]:g} m: corners lie one after the other "
            f"between 0 and {track_length:g} m."
        )
    names: list[str] = []
    edges = [0.0]
    before = ""
    for name, start, end in zip((row["corner"] for row in rows), starts, ends, strict=True):
        start, end = max(float(start), edges[-1]), min(float(end), track_length)
        if start > edges[-1]:
            names.append(f"straight after corner {before}" if names else f"straight before corner {name}")
            edges.append(start)
        if end > edges[-1]:
            names.append(f"corner {name}")
            edges.append(end)
        before = name
    if not names:
        names = [f"part {k} of 10" for k in range(1, 11)]
        edges = [k * track_length / 10 for k in range(11)]
    elif edges[-1] < track_length:
        names.append(f"straight after corner {before}")
        edges.append(track_length)
    return pd.DataFrame({"segment": names, "start_distance": edges[:-1], "end_distance": edges[1:]})
