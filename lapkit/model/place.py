"""Place on the track: the same metre for two cars on different lines.

Place is found from position where there is any: each sample is projected on a reference line learnt
from the laps themselves. Speed carries the place from sample to sample, position keeps it from drifting;
how much each is trusted follows from how noisy position is.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import ColumnError
from lapkit.model.frame import MAX_ROWS, brackets
from lapkit.model.legs import settle

REFERENCE_SPACING = 1.0  # m between points of the reference line
CLOSE = 1e-3  # m; a step shorter than this lands within a micrometre
SEARCH_SPACING = 3.0  # m between points of the line that are tried in a search
SEARCH = 45.0  # m either side of the expected place that a position is looked for first
STRAY = 30.0  # m that the foot of one position may lie from where those around it say
WIDEST = 60.0  # m off the reference line beyond which a position is not on this track
EVEN_BEND = 12.0  # m over which its bend is evened: less than a corner, more than what drift makes rough
DIRECTION_REACH = 3.0  # m either side over which the direction of the line is taken
ANCHOR_SPACING = 20.0  # m driven between places that are searched for; those between follow from them
REFERENCE_LAPS = 9  # laps whose median makes the reference line; more cost time and add little


@dataclass(frozen=True)
class ReferenceLine:
    """A closed line round the track on an even grid, beginning at the start/finish line.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Points at k * spacing, m; the last point is followed by the first.
    spacing : float
        Metres between neighbours, close to `REFERENCE_SPACING`.
    length : float
        Length of the closed line, n * spacing, m.
    """

    x: FloatArray
    y: FloatArray
    spacing: float
    length: float


def closed_line(x: FloatArray, y: FloatArray, *, smoothing: float = 0.0) -> ReferenceLine:
    """Make an even closed line from points round a lap.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points in driving order, the first not repeated at the end, m.
    smoothing : float
        Length over which noise is smoothed away, m; 0 keeps the points.

    Returns
    -------
    ReferenceLine
    """
    x, y = np.append(x, x[0]), np.append(y, y[0])
    along = np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y))))
    if not along[-1] / REFERENCE_SPACING < MAX_ROWS:
        raise ColumnError(f"position goes {along[-1] / 1000:.3g} km in a lap; check the unit of x and y.")
    count = max(16, round(along[-1] / REFERENCE_SPACING))
    for _ in range(2):  # the second pass evens out what smoothing shortened
        if not along[-1] > 0:  # nothing is left of it
            break
        count = max(16, round(along[-1] / REFERENCE_SPACING))
        places = np.arange(count) * (along[-1] / count)
        x, y = np.interp(places, along, x), np.interp(places, along, y)
        if smoothing > 0:
            # A Gaussian in the frequency domain; the shrinkage it brings to a bend is given back by the sharper twice-filter.
            wave = np.fft.rfftfreq(count, along[-1] / count)
            keep = np.exp(-2 * (np.pi * wave * smoothing / 2) ** 2)
            keep = 1 - (1 - keep) ** 2
            x = np.fft.irfft(np.fft.rfft(x) * keep, count)
            y = np.fft.irfft(np.fft.rfft(y) * keep, count)
        x, y = np.append(x, x[0]), np.append(y, y[0])
        along = np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y)) * _arc_over_chord(x, y)))
    return ReferenceLine(x[:-1].copy(), y[:-1].copy(), float(along[-1]) / count, float(along[-1]))


def _arc_over_chord(x: FloatArray, y: FloatArray) -> FloatArray:
    """How much longer the arc is than its chord, 1 + angle^2 / 24, for a closed line whose end repeats its start."""
    heading = np.arctan2(np.diff(y), np.diff(x))
    turn = (np.roll(heading, -1) - np.roll(heading, 1)) / 2
    turn = (turn + np.pi / 2) % np.pi - np.pi / 2
    return np.asarray(1.0 + np.minimum(np.abs(turn), 0.3) ** 2 / 24.0)


def shifted(line: ReferenceLine, metres: float) -> ReferenceLine:
    """Return the same smooth closed line with its point 0 moved `metres` on, exactly, by its Fourier series."""
    wave = np.fft.rfftfreq(len(line.x), line.spacing)
    moved = np.exp(2j * np.pi * wave * metres)
    x, y = (np.fft.irfft(np.fft.rfft(values) * moved, len(values)) for values in (line.x, line.y))
    return ReferenceLine(x, y, line.spacing, line.length)


def learn_reference(
    path: FloatArray, x: FloatArray, y: FloatArray, starts: FloatArray, ends: FloatArray, *, noise: float
) -> ReferenceLine | None:
    """Learn the reference line: the median of complete laps, closed and smoothed.

    Parameters
    ----------
    path, x, y : ndarray, shape (n,)
        Running distance (m, not decreasing) and position (m, finite).
    starts, ends : ndarray, shape (m,)
        Running distance at the beginning and end of each complete lap, m >= 1.
    noise : float
        Sample-to-sample noise of position, m.

    Returns
    -------
    ReferenceLine or None
        None where the laps do not end where they began, or position is missing: there is no loop then.
    """
    lengths = ends - starts
    if not len(lengths) or not np.median(lengths) > 16 * REFERENCE_SPACING:
        return None
    unusual = np.round(np.abs(lengths - np.median(lengths)), 6)  # rounded, so that a tie is one on every machine
    chosen = np.argsort(unusual, kind="stable")[:REFERENCE_LAPS]
    count = max(16, round(float(np.median(lengths[chosen])) / REFERENCE_SPACING))
    share = np.arange(count + 1) / count
    known = np.append(True, np.diff(path) > 0) & np.isfinite(x) & np.isfinite(y)
    path, x, y = path[known], x[known], y[known]
    if len(path) < 8:
        return None
    places = (starts[chosen, None] + share * lengths[chosen, None]).ravel()
    before, weight = brackets(path, places)
    outside = np.isnan(weight)  # less than a sample beyond the recording: on in the same direction
    weight[outside] = ((places - path[before]) / (path[before + 1] - path[before]))[outside]

    def middle(values: FloatArray) -> FloatArray:
        laps = (values[before] + weight * (values[before + 1] - values[before])).reshape(len(chosen), count + 1)
        line: FloatArray = np.median(laps, axis=0)
        # A lap does not end quite where it began: spread the step at the line over the whole lap.
        return np.asarray((line - (line[-1] - line[0]) * (share - 0.5))[:-1])

    line_x, line_y = middle(x), middle(y)
    around = float(np.hypot(np.ptp(line_x), np.ptp(line_y)))
    usual = float(np.median(lengths[chosen]))
    if not 0.05 * usual < around < usual:
        return None
    smoothing = float(np.clip(12.0 * noise, 0.0, 15.0)) + 3.0
    reference = closed_line(line_x, line_y, smoothing=smoothing)
    return reference if reference.length > 0.2 * usual else None


def project(
    line: ReferenceLine, x: FloatArray, y: FloatArray, guess: FloatArray, *, search: float = SEARCH
) -> tuple[FloatArray, FloatArray]:
    """Project positions on the reference line, near where each is expected.

    Parameters
    ----------
    line : ReferenceLine
    x, y : ndarray, shape (n,)
        Positions, m; NaN gives NaN.
    guess : ndarray, shape (n,)
        Expected place of each position, m, counted on over laps (not wrapped), not decreasing.
    search : float
        How far either side of the guess to look first, m. Where neighbours then disagree (a part of the track near by, a
        lap that left the track) the whole line is looked at, and the places that follow from each other are taken.

    Returns
    -------
    place : ndarray, shape (n,)
        Metres along the line, unwrapped as the guess is; NaN where nothing within reach.
    offset : ndarray, shape (n,)
        Metres to the left of the line.

    Examples
    --------
    >>> angle = 2 * np.pi * np.arange(628) / 628
    >>> line = closed_line(100 * np.cos(angle), 100 * np.sin(angle))
    >>> place, offset = project(line, np.array([0.0, -98.0]), np.array([103.0, 0.0]), np.array([150.0, 320.0]))
    >>> place.round(1).tolist(), offset.round(1).tolist()
    ([157.1, 314.2], [-3.0, 2.0])
    """
    nothing = np.full(len(x), np.nan)
    anchor = spaced(guess, ANCHOR_SPACING)
    anchor = anchor[np.isfinite(x[anchor]) & np.isfinite(y[anchor])]
    found = _search(line, x[anchor], y[anchor], guess[anchor], search)
    found = settle(line, x[anchor], y[anchor], guess[anchor], found, reach=search, widest=WIDEST)
    good = np.isfinite(found)
    if not good.any():
        return nothing, nothing.copy()
    expected = guess + np.interp(guess, guess[anchor[good]], (found - guess[anchor])[good])
    place = expected.copy()
    shape = _shape(line)
    ahead = offset = nothing
    for _ in range(6):  # Newton's method: each step squares what is left
        ahead, offset = _foot(line, shape, x, y, place)
        place = place + np.clip(ahead, -STRAY, STRAY)
        if float(np.nanmax(np.abs(ahead), initial=0.0)) < CLOSE:
            break
    lost = ~(np.abs(ahead) < 0.5) | (np.abs(offset) > WIDEST) | ~(np.abs(place - expected) < STRAY)
    if lost.any():
        stray = np.flatnonzero(lost & np.isfinite(x) & np.isfinite(y))
        place[lost] = np.nan
        place[stray] = _search(line, x[stray], y[stray], expected[stray], STRAY)
        _, offset = _foot(line, shape, x, y, place)
    return place, offset


def spaced(path: FloatArray, spacing: float) -> NDArray[np.intp]:
    """Return the samples that begin a new `spacing` metres of path, the first and the last among them."""
    new = np.append(True, np.diff(np.floor(path / spacing)) != 0)
    new[-1] = True
    return np.flatnonzero(new)


def _shape(line: ReferenceLine) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Direction (its east and north part) and curvature of the line at each of its points."""
    east = (np.roll(line.x, -1) - np.roll(line.x, 1)) / (2 * line.spacing)
    north = (np.roll(line.y, -1) - np.roll(line.y, 1)) / (2 * line.spacing)
    bend_x = (np.roll(line.x, -1) - 2 * line.x + np.roll(line.x, 1)) / line.spacing**2
    bend_y = (np.roll(line.y, -1) - 2 * line.y + np.roll(line.y, 1)) / line.spacing**2
    return east, north, east * bend_y - north * bend_x


def _foot(
    line: ReferenceLine,
    shape: tuple[FloatArray, FloatArray, FloatArray],
    x: FloatArray,
    y: FloatArray,
    place: FloatArray,
) -> tuple[FloatArray, FloatArray]:
    """Return how far ahead the foot of each position lies, and how far to the left the position is."""
    east, north, curvature = shape
    count = len(line.x)
    scaled = np.nan_to_num(place) / line.spacing
    floor = np.floor(scaled)
    weight = scaled - floor
    at = np.mod(floor, count).astype(np.intp)
    after = at + 1
    after[after == count] = 0
    tx = east[at] + weight * (east[after] - east[at])
    ty = north[at] + weight * (north[after] - north[at])
    size = 1.0 / np.sqrt(tx * tx + ty * ty + 1e-30)
    dx = x - (line.x[at] + weight * (line.x[after] - line.x[at]))
    dy = y - (line.y[at] + weight * (line.y[after] - line.y[at]))
    offset = (dy * tx - dx * ty) * size
    # Off the line, a metre along it turns less or more than a metre: 1 - curvature * offset.
    ahead = (dx * tx + dy * ty) * size / np.clip(1.0 - curvature[at] * offset, 0.5, 2.0)
    unknown = ~np.isfinite(place)
    ahead[unknown] = np.nan
    offset[unknown] = np.nan
    return ahead, offset


def _search(line: ReferenceLine, x: FloatArray, y: FloatArray, guess: FloatArray, reach: float) -> FloatArray:
    """Nearest point of the line within `reach` of the guess; NaN where it is too far off the line."""
    count = len(line.x)
    reach = min(reach, line.length / 2 - line.spacing)
    stride = max(1, round(SEARCH_SPACING / line.spacing))  # the foot of the position is found exactly afterwards
    steps = int(reach / line.spacing / stride)
    offsets = np.arange(-steps, steps + 1) * stride
    centre = np.rint(guess / line.spacing).astype(np.int64)
    out = np.empty(len(x))
    for start in range(0, len(x), 65536):  # blocks bound the memory, not the samples
        block = slice(start, start + 65536)
        index = (centre[block, None] + offsets) % count
        square = (line.x[index] - x[block, None]) ** 2 + (line.y[index] - y[block, None]) ** 2
        nearest = np.argmin(square, axis=1)
        away = np.sqrt(square[np.arange(len(nearest)), nearest])
        out[block] = np.where(away <= WIDEST, (centre[block] + offsets[nearest]) * line.spacing, np.nan)
    return out


def bends(line: ReferenceLine) -> FloatArray:
    """Curvature of the line at each of its points, 1/m, left positive."""
    return _shape(line)[2]


def bend_about(line: ReferenceLine, place: FloatArray, *, over: float = EVEN_BEND) -> FloatArray:
    """Return the curvature of the line about given places.

    Parameters
    ----------
    line : ReferenceLine
    place : ndarray, shape (n,)
        m, may run on over laps.
    over : float
        Metres it is evened over: that of a line learnt from drifting laps is rough from point to point.

    Returns
    -------
    ndarray, shape (n,)
        1/m, left positive.

    Examples
    --------
    >>> angle = 2 * np.pi * np.arange(628) / 628
    >>> bend_about(closed_line(100 * np.cos(angle), 100 * np.sin(angle)), np.array([0.0, 157.1])).round(3).tolist()
    [0.01, 0.01]
    """
    reach = min(max(1, round(over / 2.0 / line.spacing)), len(line.x) // 2)
    bend = bends(line)
    total = np.cumsum(np.concatenate([[0.0], bend[-reach:], bend, bend[:reach]]))
    even = (total[2 * reach + 1 :] - total[: -2 * reach - 1]) / (2 * reach + 1)
    return np.asarray(even[np.mod(np.rint(place / line.spacing).astype(np.intp), len(bend))])


def directions(
    line: ReferenceLine, place: FloatArray, *, reach: float = DIRECTION_REACH
) -> tuple[FloatArray, FloatArray]:
    """Return which way the line runs: east and north part of its direction.

    Parameters
    ----------
    line : ReferenceLine
    place : ndarray, shape (n,)
        m, may run on over laps.
    reach : float
        Metres either side that it is taken over: a line learnt from noisy laps is rough.

    Returns
    -------
    east, north : ndarray, shape (n,)

    Examples
    --------
    >>> angle = 2 * np.pi * np.arange(628) / 628
    >>> east, north = directions(closed_line(100 * np.cos(angle), 100 * np.sin(angle)), np.array([52.36, 157.1]))
    >>> east.round(1).tolist(), (north + 1e-9).round(1).tolist()
    ([-0.5, -1.0], [0.9, 0.0])
    """
    steps = max(1, round(reach / line.spacing))
    east, north = (np.roll(values, -steps) - np.roll(values, steps) for values in (line.x, line.y))
    size = np.hypot(east, north)
    at = np.mod(np.rint(place / line.spacing).astype(np.intp), len(line.x))
    return (east / size)[at], (north / size)[at]


def blend(
    place: FloatArray, path: FloatArray, *, window: float, parts: NDArray[np.intp], along: FloatArray | None = None
) -> FloatArray:
    """Let speed carry the place between positions: smooth what position adds to speed.

    Parameters
    ----------
    place : ndarray, shape (n,)
        Place from position alone, m, unwrapped; NaN where unknown.
    path : ndarray, shape (n,)
        Distance from speed, m.
    window : float
        Metres of path over which the difference of the two is averaged; 0 leaves place as it is.
    parts : ndarray of int
        First sample of every stretch without a hole; nothing is averaged across.
    along : ndarray, shape (n,), optional
        Metres the window is measured in, where they are not those of `path`.

    Returns
    -------
    ndarray, shape (n,)
    """
    along = path if along is None else along
    correction = place - path
    known = np.isfinite(correction)
    if not known.any():
        return place.copy()
    if not known.all():
        correction = np.interp(along, along[known], correction[known])
    if window > 0:
        smooth = np.empty_like(correction)
        for first, last in zip(parts, np.append(parts[1:], len(path)), strict=True):
            half = _half_window(along[first:last], window)
            smooth[first:last] = _average(_average(correction[first:last], half), half)
        correction = smooth
    return path + correction


def _half_window(along: FloatArray, window: float) -> NDArray[np.intp]:
    """Samples either side that lie within `window` metres in all, as many on both sides, fewer towards both ends."""
    n = len(along)
    index = np.arange(n)
    ahead = np.searchsorted(along, along + window / 2, side="right") - 1 - index
    behind = index - np.searchsorted(along, along - window / 2, side="left")
    return np.asarray(np.minimum(np.maximum(np.minimum(ahead, behind), 0), np.minimum(index, n - 1 - index)))


def _average(values: FloatArray, half: NDArray[np.intp]) -> FloatArray:
    """Centred mean over `half` samples either side."""
    index = np.arange(len(values))
    total = np.append(0.0, np.cumsum(values - values[0]))
    return np.asarray(values[0] + (total[index + half + 1] - total[index - half]) / (2 * half + 1))
