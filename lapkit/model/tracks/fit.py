"""A given track and a recording made on it: which way round the car drove, and from which line its laps run."""

from __future__ import annotations

import numpy as np

from lapkit.channels import FloatArray
from lapkit.errors import LapError
from lapkit.model.cutting import degrees_of
from lapkit.model.laps import Cuts
from lapkit.model.line import StartLine
from lapkit.model.motion import Motion
from lapkit.model.place import WIDEST, ReferenceLine, spaced
from lapkit.model.tracks.track import Track

LOOKS = 400  # positions that are compared with the line
LEAST_NEAR = 0.2  # share of them that must lie near it: a recording may hold much of the pits, not this much
STEP = 20.0  # m over which the direction of travel is seen
FITS = 10.0  # m that the middle of a car's line may lie from the track's (chosen: half the width of a racing surface)
MOVES = 40  # steps in which positions are moved over a line; each takes away most of what is left
LINE_TURN = 0.1  # m between the beginning of the reference line and the recording's line from which it is turned
CROSSED_TURN = 5.0  # m, where the line is only seen from where the car was: nearer it may be noise of position


def facing(
    track: Track | None, motion: Motion, *, origin: tuple[float, float] | None = None, source: str = "the recording"
) -> tuple[Track | None, list[str]]:
    """Turn a track round if the car drove it the other way.

    Parameters
    ----------
    track : Track or None
    motion : Motion
    origin : (float, float) or None
        Latitude and longitude (degrees) of the recording's local frame, where it was made from those.
    source : str
        Name of the file, for messages.

    Returns
    -------
    track : Track or None
        As the car drove it; unchanged without position or reference line.
    notes : list of str

    Raises
    ------
    LapError
        If the car was not on this track, or nothing says where its metres lie on the earth.
    """
    if track is not None and motion.x is not None and origin is not None and track.origin is None and _in_metres(track):
        raise LapError(f"{source}: {_no_origin(track, motion, origin)}")
    if track is None or track.reference is None or motion.x is None or motion.y is None:
        return track, []
    known = np.flatnonzero(np.isfinite(motion.x) & np.isfinite(motion.y))
    rows = known[spaced(motion.path[known], STEP)]
    if len(rows) < 4:
        return track, []
    looked = np.unique(np.linspace(0, len(rows) - 2, min(LOOKS, len(rows) - 1)).astype(np.intp))
    x, y = motion.x[rows], motion.y[rows]
    away, along = _beside(track.reference, x[looked], y[looked], np.diff(x)[looked], np.diff(y)[looked])
    near = away <= WIDEST
    if np.mean(near) < LEAST_NEAR:
        raise LapError(
            f"{source} is not on the track {track.name or 'given'}: its positions lie {np.median(away):.0f} m from the "
            "reference line. Positions of the two must share one frame, the same local metres or latitude and longitude in both."
        )
    if np.mean(along[near]) >= 0:
        return track, []
    from lapkit.model.tracks.moves import reversed_track

    return reversed_track(track), ["The car drove the other way round than the track given: it was turned round."]


def _in_metres(track: Track) -> bool:
    """Whether a track has anything in local metres."""
    return track.reference is not None or track.line is not None or "x" in (track.start_line or {})


def _no_origin(track: Track, motion: Motion, origin: tuple[float, float]) -> str:
    """Say that a track in metres and a recording in degrees have nothing in common, and what would bring them together."""
    found = _laid_over(track.reference, motion) if track.reference is not None else None
    way_out = "Write in the track file, below a line [origin], the latitude and longitude of its x = 0, y = 0"
    if found is not None:
        east, north, away = found
        latitude, longitude = degrees_of(-east, -north, origin)
        way_out += (
            f": with latitude = {latitude:.7f} and longitude = {longitude:.7f} its line lies {away:.1f} m from where the car "
            "drove, if its x runs east and its y north; offsets from it are then known to some metres only"
        )
    return (
        f"its position is in latitude and longitude, and the track {track.name or 'given'} in local metres that do not say "
        f"where on the earth they are. {way_out}; or make a track of this recording: lapkit track FILE --save NEW.toml, "
        "or lapkit.learn_track."
    )


def _laid_over(line: ReferenceLine, motion: Motion) -> tuple[float, float, float] | None:
    """Metres east and north by which positions are to be moved to lie on a line, and how far off they stay, m.

    None where no move brings half of them within `FITS`.
    """
    assert motion.x is not None and motion.y is not None
    known = np.flatnonzero(np.isfinite(motion.x) & np.isfinite(motion.y))
    rows = known[spaced(motion.path[known], STEP)]
    if len(rows) < 4:
        return None
    rows = rows[np.unique(np.linspace(0, len(rows) - 1, min(LOOKS, len(rows))).astype(np.intp))]
    x, y = motion.x[rows], motion.y[rows]
    stride = max(1, round(3.0 / line.spacing))
    to_x, to_y = line.x[::stride], line.y[::stride]
    move = np.array(
        [0.5 * (to_x.min() + to_x.max() - x.min() - x.max()), 0.5 * (to_y.min() + to_y.max() - y.min() - y.max())]
    )
    for _ in range(MOVES):
        nearest = np.argmin((to_x - x[:, None] - move[0]) ** 2 + (to_y - y[:, None] - move[1]) ** 2, axis=1)
        apart = np.stack([to_x[nearest] - x - move[0], to_y[nearest] - y - move[1]])
        off = np.hypot(*apart)
        move += apart[:, off <= np.quantile(off, 0.8)].mean(axis=1)  # the rest may be the pits
    away = float(np.median(off))
    return (float(move[0]), float(move[1]), away) if away <= FITS else None


def _beside(
    line: ReferenceLine, x: FloatArray, y: FloatArray, east: FloatArray, north: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Distance from the line, and the cosine between the direction of travel (east, north) and that of the line."""
    stride = max(1, round(3.0 / line.spacing))
    nearest = stride * np.argmin((line.x[::stride] - x[:, None]) ** 2 + (line.y[::stride] - y[:, None]) ** 2, axis=1)
    after, before = (nearest + 1) % len(line.x), nearest - 1
    line_east, line_north = line.x[after] - line.x[before], line.y[after] - line.y[before]
    size = np.hypot(east, north) * np.hypot(line_east, line_north)
    cosine = (east * line_east + north * line_north) / np.maximum(size, 1e-9)
    return np.hypot(line.x[nearest] - x, line.y[nearest] - y), cosine


def begun(track: Track | None, motion: Motion, cuts: Cuts) -> tuple[Track | None, list[str]]:
    """Let a track begin at the line that the laps of a recording run from.

    Parameters
    ----------
    track : Track or None
        Running the way the car drove.
    motion : Motion
    cuts : Cuts

    Returns
    -------
    track : Track or None
        With reference line, profile, corners and markers counted from the recording's line; unchanged without
        position, reference line or crossings, and where it begins there as far as noise lets one tell.
    notes : list of str
    """
    if track is None or track.reference is None or motion.x is None or motion.y is None or not len(cuts.time):
        return track, []
    line, least = cuts.line, LINE_TURN
    if line is None or line.heading is None:
        line, least = _crossed(motion, cuts), CROSSED_TURN
    if line is None:
        return track, []
    place = begins(track.reference, line)
    if abs(place) <= least:
        return track, []
    from lapkit.model.tracks.moves import started_at

    side = "after" if place > 0 else "before"
    note = (
        f"Places count from the line these laps run from, {abs(place):.1f} m {side} the beginning of the track given."
    )
    notes = [note] if abs(place) > CROSSED_TURN else []
    return started_at(track, line.x, line.y, line.heading), notes


def _crossed(motion: Motion, cuts: Cuts) -> StartLine | None:
    """The line that crossings known without position show: where the car was then, and which way it went."""
    assert motion.x is not None and motion.y is not None
    known = np.isfinite(motion.x) & np.isfinite(motion.y)
    path = motion.path_at(cuts.time)
    x, y = (
        np.interp(path[:, None] + np.array([-STEP / 2, 0.0, STEP / 2]), motion.path[known], values[known])
        for values in (motion.x, motion.y)
    )
    east, north = float(np.median(x[:, 2] - x[:, 0])), float(np.median(y[:, 2] - y[:, 0]))
    if np.hypot(east, north) < STEP / 2:
        return None
    return StartLine(float(np.median(x[:, 1])), float(np.median(y[:, 1])), float(np.arctan2(north, east)))


def begins(reference: ReferenceLine, line: StartLine) -> float:
    """Place where the reference line crosses a start/finish line, m, from half a lap behind its point 0 to half ahead.

    Parameters
    ----------
    reference : ReferenceLine
    line : StartLine
        With its heading known.

    Returns
    -------
    float
        0 where it does not cross it within the reach of a car on the track.

    Examples
    --------
    >>> angle = 2 * np.pi * np.arange(628) / 628
    >>> circle = ReferenceLine(100 * np.cos(angle), 100 * np.sin(angle), 200 * np.pi / 628, 200 * np.pi)
    >>> round(begins(circle, StartLine(0.0, 98.0, np.pi)), 1)
    157.1
    """
    assert line.heading is not None
    east, north = reference.x - line.x, reference.y - line.y
    ahead = east * np.cos(line.heading) + north * np.sin(line.heading)
    after = np.roll(ahead, -1)
    hit = np.flatnonzero((ahead < 0) & (after >= 0) & (np.hypot(east, north) < WIDEST))
    if not len(hit):
        return 0.0
    k = hit[np.argmin(np.hypot(east[hit], north[hit]))]
    place = float(k + ahead[k] / (ahead[k] - after[k])) * reference.spacing
    return place - reference.length if place > reference.length / 2 else place
