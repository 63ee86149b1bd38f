"""Which leg of the track a position is on, where several lie near: a figure of eight, a hairpin, a lap that left the track.

Looking near the expected place settles almost every position. Where it does not, because neighbours disagree, every
part of the track within reach is a candidate, and the sequence of candidates that fits best is taken: each must match
the positions before and after it as well, and going from one to the next must take about the metres driven.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray

if TYPE_CHECKING:
    from lapkit.model.place import ReferenceLine

DISAGREE = 12.0  # m that neighbouring anchors may be out of step: three times what noise of 3 m makes of two
DISAGREE_SHARE = 0.3  # and this share of the metres between them: inside a hairpin a metre driven is 1.3 m of track
CANDIDATES = 6  # parts of the track within reach that are weighed for one position
STEP_COST = 20.0  # m2 a metre out of step costs, against the squared distances to the line of three positions
BLOCK, MARGIN = 64, 16  # anchors settled together, and those on either side that are weighed with them
OFF_TRACK = 15.0  # m from the reference line beyond which a car may be off the track (tracks are 10 to 20 m wide)
ODD_RATE = 0.5  # share by which metres of track for a metre driven differ from one where the car does not follow it
RATE_REACH = 10.0  # m driven either side over which that is seen
BLOCKS = 32  # blocks at once; more would only take more memory


def settle(
    line: ReferenceLine,
    x: FloatArray,
    y: FloatArray,
    guess: FloatArray,
    found: FloatArray,
    *,
    reach: float,
    widest: float,
) -> FloatArray:
    """Find again, from the whole line, the places of positions that do not agree with their neighbours.

    Parameters
    ----------
    line : ReferenceLine
    x, y : ndarray, shape (n,)
        Positions in driving order some metres apart, m, finite.
    guess, found : ndarray, shape (n,)
        Expected place, and the nearest within `reach` of it, m, counted on over laps; NaN where nothing is near.
    reach : float
        How far from the guess was looked, m.
    widest : float
        Farthest from the line that a position may be, m.

    Returns
    -------
    ndarray, shape (n,)
        `found`, with the places that were in doubt settled; NaN where the line is nowhere near.
    """
    correction = found - guess
    doubtful = np.logical_not(np.abs(correction) < reach - 2 * line.spacing)
    with np.errstate(invalid="ignore"):
        apart = np.logical_not(np.abs(np.diff(correction)) <= DISAGREE + DISAGREE_SHARE * np.diff(guess))
    doubtful[1:] |= apart
    doubtful[:-1] |= apart
    if not doubtful.any():
        return found
    found = found.copy()
    blocks = np.unique(np.flatnonzero(doubtful) // BLOCK)
    for first in range(0, len(blocks), BLOCKS):
        start = blocks[first : first + BLOCKS] * BLOCK
        rows = np.clip(start[:, None] + np.arange(-MARGIN, BLOCK + MARGIN), 0, len(x) - 1)
        correction, cost = _candidates(line, x, y, guess, rows, widest)
        best = _cheapest(correction, cost)
        inner = np.minimum(start[:, None] + np.arange(BLOCK), len(x) - 1)
        found[inner] = guess[inner] + best[:, MARGIN : MARGIN + BLOCK]
    return found


def _candidates(
    line: ReferenceLine, x: FloatArray, y: FloatArray, guess: FloatArray, rows: NDArray[np.intp], widest: float
) -> tuple[FloatArray, FloatArray]:
    """Places where the line comes nearest to each row, as metres from the guess, and how badly each matches.

    What is matched is the position and those before and after it, at as many metres along the line as were driven:
    a leg that runs the other way matches one of the three at most.
    """
    stride = max(1, round(3.0 / line.spacing))
    line_x, line_y, spacing = line.x[::stride], line.y[::stride], stride * line.spacing
    count = len(line_x)
    flat = rows.ravel()
    square = (line_x - x[flat, None]) ** 2 + (line_y - y[flat, None]) ** 2
    nearest = (square <= np.roll(square, 1, axis=1)) & (square < np.roll(square, -1, axis=1)) & (square <= widest**2)
    weighed = np.where(nearest, square, np.inf)
    kept = min(CANDIDATES, count)
    which = np.argpartition(weighed, kept - 1, axis=1)[:, :kept]
    cost = np.take_along_axis(weighed, which, axis=1)
    for other in (np.maximum(flat - 1, 0), np.minimum(flat + 1, len(x) - 1)):
        ahead = np.rint((guess[other] - guess[flat]) / spacing).astype(np.intp)
        at = (which + ahead[:, None]) % count
        cost = cost + np.minimum((line_x[at] - x[other, None]) ** 2 + (line_y[at] - y[other, None]) ** 2, widest**2)
    correction = which * (stride * line.spacing) - guess[flat, None]
    correction -= np.rint(correction / line.length) * line.length
    shape = (*rows.shape, kept)
    return correction.reshape(shape), cost.reshape(shape)


def _cheapest(correction: FloatArray, cost: FloatArray) -> FloatArray:
    """The sequence of candidates in each block that costs least (dynamic programming, all blocks at once).

    Parameters
    ----------
    correction, cost : ndarray, shape (blocks, rows, candidates)
        Metres from the guess, and cost; infinite where there is no such candidate.

    Returns
    -------
    ndarray, shape (blocks, rows)
        The correction of each row; NaN where it has no candidate.
    """
    blocks, rows, _ = cost.shape
    known = np.asarray(np.isfinite(cost).any(axis=2))
    block = np.arange(blocks)[:, None]
    # A row without a candidate stays where the row before it was.
    last = np.maximum.accumulate(np.where(known, np.arange(rows), -1), axis=1)
    last = np.where(last < 0, np.argmax(known, axis=1)[:, None], last)
    correction = correction[block, last]
    cost = np.where(known[:, :, None], cost, np.where(np.isfinite(cost[block, last]), 0.0, np.inf))
    total = cost[:, 0]
    back = np.zeros(cost.shape, dtype=np.intp)
    for row in range(1, rows):
        way = total[:, :, None] + STEP_COST * np.abs(correction[:, row - 1, :, None] - correction[:, row, None, :])
        back[:, row] = np.argmin(way, axis=1)
        total = np.take_along_axis(way, back[:, row, None, :], axis=1)[:, 0] + cost[:, row]
    choice = np.empty((blocks, rows), dtype=np.intp)
    choice[:, -1] = np.argmin(total, axis=1)
    for row in range(rows - 1, 0, -1):
        choice[:, row - 1] = back[np.arange(blocks), row, choice[:, row]]
    return np.where(known, np.take_along_axis(correction, choice[:, :, None], axis=2)[:, :, 0], np.nan)


def astray(place: FloatArray, offset: FloatArray, driven: FloatArray, *, slack: float) -> NDArray[np.bool_]:
    """Find samples off the track whose nearest place on it leaps or runs backward.

    Off the track, or crossing a part of it, the nearest place means little. Where it merely runs on it is kept.

    Parameters
    ----------
    place, offset, driven : ndarray, shape (n,)
        Nearest place on the track, metres left of the line (NaN where unknown), and metres driven.
    slack : float
        Metres that place may leap or run backward.

    Returns
    -------
    ndarray of bool, shape (n,)
        At least two samples are not astray.
    """
    step, metres = np.diff(place), np.diff(driven)
    leaps = np.flatnonzero(np.abs(step - metres) > slack + metres)
    if not len(leaps) and step.min(initial=0.0) >= 0:
        return np.zeros(len(place), dtype=np.bool_)
    back = np.maximum.accumulate(place) - np.minimum.accumulate(place[::-1])[::-1] > slack
    if not len(leaps) and not back.any():
        return back
    back[leaps] = back[leaps + 1] = True
    before, after = (np.interp(driven + shift, driven, place) for shift in (-RATE_REACH, RATE_REACH))
    rate = (after - before) / (2.0 * RATE_REACH)
    off = ~((np.abs(offset) <= OFF_TRACK) & (np.abs(rate - 1.0) <= ODD_RATE))
    run = np.cumsum(np.append(0, np.diff(off) != 0))
    away = off & (np.bincount(run, weights=back)[run] > 0)
    kept = np.flatnonzero(~away)
    if len(kept) < 2:
        return np.zeros(len(place), dtype=np.bool_)
    # What is left is stretches on some part of the track: those that follow each other and cover most metres are the lap.
    start = np.flatnonzero(np.append(True, np.diff(kept) > 1))
    end = np.append(start[1:], len(kept)) - 1
    low, high = np.minimum.reduceat(place[kept], start), np.maximum.reduceat(place[kept], start)
    total = driven[kept[end]] - driven[kept[start]]
    before_it = np.full(len(start), -1)
    for k in range(1, len(start)):  # one step a stretch
        may = np.flatnonzero(high[:k] <= low[k] + slack)
        if len(may):
            before_it[k] = may[np.argmax(total[may])]
            total[k] += total[before_it[k]]
    k, chosen = int(np.argmax(total)), np.zeros(len(start), dtype=np.bool_)
    while k >= 0:
        chosen[k], k = True, int(before_it[k])
    away[kept] |= ~np.repeat(chosen, end - start + 1)
    return np.asarray(away)
