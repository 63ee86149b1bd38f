"""Cutting a recording into laps: when the car crossed the line, and which stretches are laps."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.line import (
    MIN_LAP_LENGTH,
    Crossings,
    StartLine,
    crossings,
    direction_at,
)
from lapkit.model.motion import Motion
from lapkit.model.wander import drift, wander_rate

STANDING = 1.0  # m/s; slower than a slow walk is standing
EDGE = 1.5  # samples of travel that the first or last crossing may lie outside the recording


@dataclass
class Cuts:
    """Where a recording is cut into laps.

    Attributes
    ----------
    time, uncertainty : ndarray, shape (m,)
        Crossings of the line on the recording's clock and their standard uncertainty but for drift, s.
    first_number : int
        Number of the lap that begins at the first crossing.
    numbers : ndarray of int, shape (m - 1,), or None
        Numbers of the laps between crossings where the file gives them.
    how : str
        One sentence for the person: what was taken as the line.
    line : StartLine or None
        The line, where it has a place in the local frame.
    drift : float
        Error of position that crossings do not share, m.
    notes, warnings : list of str
    """

    time: FloatArray
    uncertainty: FloatArray
    how: str
    line: StartLine | None = None
    drift: float = 0.0
    first_number: int = 1
    numbers: NDArray[np.int64] | None = None
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def cut_by_line(motion: Motion, line: StartLine, how: str) -> Cuts:
    """Cut at the crossings of a given line, by position.

    Parameters
    ----------
    motion : Motion
        With position.
    line : StartLine
    how : str
        What the session says of the line.

    Returns
    -------
    Cuts
        Without crossings where the car never crossed it.
    """
    assert motion.x is not None and motion.y is not None
    line = direction_at(line, motion.x, motion.y, motion.path)
    found = crossings(
        motion.time,
        motion.x,
        motion.y,
        motion.path,
        line,
        noise=motion.noise,
        max_gap=motion.max_gap,
        fix_interval=motion.fix_interval,
    )
    times, sigma = with_edges(motion, line, found)
    cuts = with_drift(motion, Cuts(times, sigma, how, line))
    if found.rejected:
        cuts.notes.append(
            f"{found.rejected} more crossing(s) of the line within {MIN_LAP_LENGTH:.0f} m of driving were position jitter."
        )
    return cuts


def position_drift(motion: Motion, ahead: FloatArray, crossing: FloatArray) -> float:
    """Return the error of position that two crossings do not share, m.

    Parameters
    ----------
    motion : Motion
    ahead : ndarray, shape (n,)
        Metres past the line by position.
    crossing : ndarray, shape (m,)
        Times of the crossings, s, m >= 2.
    """
    rate = np.nan
    if not motion.speed_from_position:  # else both are wrong together, and nothing shows
        rate = wander_rate(motion.time, ahead, motion.path, crossing)
    lengths = np.diff(motion.path_at(crossing))
    return drift(rate, lengths, float(np.median(np.diff(crossing))), noise=motion.noise)


def with_drift(motion: Motion, cuts: Cuts) -> Cuts:
    """Say how far position drifts between crossings."""
    line = cuts.line
    assert line is not None and line.heading is not None and motion.x is not None and motion.y is not None
    if len(cuts.time) > 1:
        ahead = (motion.x - line.x) * np.cos(line.heading) + (motion.y - line.y) * np.sin(line.heading)
        cuts.drift = position_drift(motion, ahead, cuts.time)
    return cuts


def with_edges(motion: Motion, line: StartLine, found: Crossings) -> tuple[FloatArray, FloatArray]:
    """Add the crossings that lie less than a sample outside the recording.

    A file cut exactly at the line begins just after it and ends just before it.
    """
    assert motion.x is not None and motion.y is not None and line.heading is not None
    east, north = np.cos(line.heading), np.sin(line.heading)
    times, sigma = list(found.time), list(found.uncertainty)
    for edge, sign in ((0, 1.0), (-1, -1.0)):
        ahead = (motion.x[edge] - line.x) * east + (motion.y[edge] - line.y) * north
        aside = (motion.y[edge] - line.y) * east - (motion.x[edge] - line.x) * north
        speed = motion.speed[edge]
        inner = 1 if edge == 0 else -2
        forward = (motion.x[inner] - motion.x[edge]) * east + (motion.y[inner] - motion.y[edge]) * north
        reach = EDGE * speed * motion.interval + 2 * motion.noise
        if speed < STANDING or not (sign * forward > 0 and 0 <= sign * ahead <= reach) or abs(aside) > line.half_width:
            continue
        at = motion.time[edge] - ahead / speed
        nearest = times[0] if edge == 0 and times else times[-1] if times else np.inf
        if abs(np.interp(at, motion.time, motion.path) - np.interp(nearest, motion.time, motion.path)) < MIN_LAP_LENGTH:
            continue
        where = 0 if edge == 0 else len(times)
        times.insert(where, float(at))
        sigma.insert(where, float(np.hypot(motion.noise / speed, 10.0 * motion.interval**2 / 4 / speed)))
    return np.array(times), np.array(sigma)


def cut_by_closing(motion: Motion) -> Cuts | None:
    """Put a line where the loop closes best: across the longest straight that is driven again and again.

    Returns
    -------
    Cuts or None
        None where the recording never comes back to where it was.
    """
    assert motion.x is not None and motion.y is not None
    known = np.isfinite(motion.x) & np.isfinite(motion.y)
    path, x, y = motion.path[known], motion.x[known], motion.y[known]
    if len(path) < 8 or path[-1] < MIN_LAP_LENGTH:
        return None
    spacing = 5.0
    places = np.arange(0.0, path[-1], spacing)
    if len(places) < 16:
        return None
    east, north = np.interp(places, path, x), np.interp(places, path, y)
    reach = 4  # 20 m either side: position noise of a metre turns the heading by 3 degrees
    dx = east[2 * reach :] - east[: -2 * reach]
    dy = north[2 * reach :] - north[: -2 * reach]
    heading = np.unwrap(np.arctan2(dy, dx))
    where = np.arange(reach, len(places) - reach)
    start_line = StartLine(float(x[0]), float(y[0]), None)
    gap = np.hypot(x[-1] - x[0], y[-1] - y[0])
    turned = heading[-1] - heading[0]
    closes = (
        gap < 3 * EDGE * motion.interval * max(float(motion.speed[0]), float(motion.speed[-1])) + 5 * motion.noise + 2.0
        and abs(turned - 2 * np.pi * round(turned / (2 * np.pi))) < 0.6
        and min(float(motion.speed[0]), float(motion.speed[-1])) > 3 * STANDING
    )
    if closes:
        cuts = cut_by_line(
            motion, start_line, "No line was given: the recording begins and ends at one place, so that is the line."
        )
        if len(cuts.time) >= 2:
            return cuts
    bend = np.abs(np.gradient(heading, spacing))
    if len(motion.parts) > 1:  # a hole in the data is no straight
        unseen = np.interp(places, motion.path[1:], motion.hole.astype(float)) > 0
        bend[np.convolve(unseen, np.ones(4 * reach + 1), mode="same")[reach:-reach] > 0] = np.inf
    straight = bend < max(1 / 400.0, 1.5 * motion.noise / (reach * spacing) ** 2)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], straight.astype(np.int8), [0]])))
    runs = edges.reshape(-1, 2)
    if not len(runs):
        runs = np.array([[int(np.argmin(bend)), int(np.argmin(bend)) + 1]])
    lengths = runs[:, 1] - runs[:, 0]
    best: Cuts | None = None
    best_score = (2, 0)
    for run in np.argsort(-lengths)[:12]:  # a dozen candidate straights, each tested on whole arrays
        middle = int(runs[run].mean())
        at = where[middle]
        candidate = StartLine(float(east[at]), float(north[at]), float(heading[middle]))
        cuts = cut_by_line(motion, candidate, "")
        score = (len(cuts.time), int(lengths[run]))
        if score[0] > best_score[0] or (score[0] == best_score[0] and score[1] > best_score[1]):
            best, best_score = cuts, score
    if best is not None:
        length = best_score[1] * spacing
        best.how = (
            f"No line was given: it was put across the longest straight driven every lap (about {length:.0f} m). "
            "Lap times run from there, not from the official line."
        )
    return best
