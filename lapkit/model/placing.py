"""Giving every sample of a recording its place on the track, by the best means the data allow."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import UNITS, FloatArray
from lapkit.model.drift import Drift, find_drift
from lapkit.model.laps import STANDING, Cuts, position_drift
from lapkit.model.legs import astray
from lapkit.model.line import LEAST_FORWARD
from lapkit.model.motion import Motion
from lapkit.model.noise import white_noise
from lapkit.model.place import ReferenceLine, bend_about, blend, directions, learn_reference, project, shifted
from lapkit.model.tracks.fit import begins, begun
from lapkit.model.tracks.track import Track
from lapkit.model.turned import Turned, match_turning
from lapkit.model.wander import REACH, spread, wander_rate

ODD_LENGTH = 0.05  # share by which a lap's metres may differ from the usual before it is another route
PROJECT_SPACING = 3.0  # m between samples that are projected, where position is noisy and each helps
CLEAN_SPACING = 4.5  # m, where it is not: a line between them bends by millimetres, but for the inside of a hairpin
PINNED = float(np.sqrt(1.5))  # place tied to two crossings known without position shares their drift: 1 + 1/2
OUTLIER = 10.0  # m out of line with its neighbours that a position must be to be left out
CLEAN_NOISE = 0.02  # m; position quieter than this needs no help from speed
FLOOR = 0.012  # m; what is left of the error of place and offset with perfect positions: a line between samples
# Windows that balance what is left of white noise against the bends of the line driven that they cut, m per
# (m3)**0.2 of noise squared times the metres between positions (tuned on simulated laps).
OFFSET_WINDOW, PLACE_WINDOW = 19.0, 40.0
LINE_BEND = 0.003  # 1/m; curvature of a line driven relative to the track that is usual where drivers change lanes
LINE_MISFIT = 30.0  # m between a crossing and its place beyond which the two are not tied together
PIN_REACH = 100.0  # m either side of the line over which place is tied to a crossing found by position
AT_LINE, AT_LINE_NOISE = 0.25, 4.0  # samples of travel and noises from the line at which a crossing is one by position
STATIONS = 100.0  # m between the places at which laps are compared for that
MIN_LAPS = 4  # laps that show how position wanders from one to the next
NO_LAP = "No lap runs from line to line, so a place is simply the metres driven since the recording began."
NO_LOOP = "Position does not go round a loop with each lap, so a place is a fraction of the lap's metres instead."
NO_POSITION = (
    "There is no position, so a place is a fraction of the lap's metres; laps on different lines may be "
    "metres apart at the same place. Position (x, y or latitude, longitude) would settle it; yaw rate would help."
)
DRIFTED = (
    "Position drifts by some {:.2f} m; what the laps show of it by themselves was taken out of places, offsets and the "
    "crossings it gave (x and y stay as logged), and about {:.2f} m is left."
)
CONTRADICTION = (
    0.15  # share by which laps may differ from the length of a track; lines on it differ by less (as for units)
)
FITTING = 0.05  # share within which one unit read as another explains it (as for units)
COUNTED = 1.0  # m from the metres driven within which logged lap distance says no more than they do


@dataclass
class Placement:
    """Where every sample is.

    Attributes
    ----------
    place : ndarray, shape (n,)
        Metres along the track since the first crossing, counted on over the laps; not decreasing.
    offset : ndarray, shape (n,), or None
        Metres to the left of the reference line.
    length : float
        Track length, m.
    method : str
        "position", "lap distance", "heading turned" or "fraction of lap".
    cuts : Cuts
        The crossings; those found by position are put right by as much of its drift as the laps show.
    error : float
        Standard error of place that position noise leaves, m (method "position").
    offset_error : float or None
        Standard error of offset, m.
    shared_error : float
        The part of both that is the same in all laps of the recording, m, as far as it is known; it cancels between them, and
        no number of laps lessens it beside another recording's.
    reference : ReferenceLine or None
    track : Track or None
        The track given, counted from the recording's line; None where none was given.
    turned : Turned or None
        How the laps were matched by the heading turned, where they were.
    jumps : ndarray of int
        Samples to which position jumped farther than the car can have driven.
    notes, warnings : list of str
    """

    place: FloatArray
    offset: FloatArray | None
    length: float
    method: str
    cuts: Cuts
    error: float = FLOOR
    offset_error: float | None = None
    shared_error: float = 0.0
    reference: ReferenceLine | None = None
    track: Track | None = None
    turned: Turned | None = None
    jumps: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def find_place(
    motion: Motion,
    cuts: Cuts,
    *,
    lap_distance: FloatArray | None,
    track: Track | None,
    yaw_rate: FloatArray | None = None,
    lateral_acceleration: FloatArray | None = None,
) -> Placement:
    """Give every sample its place.

    Parameters
    ----------
    motion : Motion
    cuts : Cuts
        Crossings of the line.
    lap_distance : ndarray, shape (n,), or None
        Distance since the line as logged, m; used where there is no position.
    track : Track or None
        A track to place the laps on, running the way the car drove; learnt from the laps where None.
    yaw_rate, lateral_acceleration : ndarray, shape (n,), or None
        rad/s and m/s2: without position they match the laps by the heading turned, unless logged lap distance
        says more than the metres driven do.

    Returns
    -------
    Placement
    """
    track, notes = begun(track, motion, cuts)
    carrier, method = motion.path, "fraction of lap"
    if motion.x is None and lap_distance is not None and len(cuts.time) > 1:
        carrier, method = _counted_on(lap_distance, motion.path), "lap distance"
    at = motion.reached(carrier, cuts.time)
    lengths = np.diff(at)
    usual = max(float(np.sort(lengths)[(len(lengths) - 1) // 2] if len(lengths) else carrier[-1]), 1.0)
    length = track.length if track is not None and track.length is not None else usual
    reference = track.reference if track is not None else None
    no_loop = NO_LAP if not len(lengths) else NO_POSITION if motion.x is None else NO_LOOP
    if reference is None and motion.x is not None and motion.y is not None and len(lengths):
        usable = np.abs(lengths - usual) <= ODD_LENGTH * usual
        reference = learn_reference(
            motion.path, motion.x, motion.y, at[:-1][usable], at[1:][usable], noise=motion.noise
        )
        if reference is not None and cuts.line is not None:
            reference = shifted(reference, begins(reference, cuts.line))
    length = reference.length if reference is not None else length
    guess = _guess(carrier, at, length, length / usual if len(lengths) else 1.0)
    out = Placement(guess, None, float(length), method, cuts, reference=reference, track=track, notes=notes)
    if motion.x is None and track is not None and track.length is not None and len(lengths):
        out.warnings += _too_long(usual, track.length, method)
    if reference is not None and motion.x is not None:
        drift = _project(out, motion, reference, guess)
        if drift is None:
            wander = _wander(motion, cuts, reference, out)
        else:
            wander, out.shared_error = float(np.hypot(drift.left, drift.shared)), drift.shared
            cuts = out.cuts = _put_right(cuts, motion, reference, drift)
            out.notes.append(DRIFTED.format(drift.size, wander))
        out.error = float(np.hypot(out.error, wander if cuts.line is not None else PINNED * wander))
        out.offset_error = float(np.hypot(out.offset_error or 0.0, wander))
        if len(at):
            _pin(out, motion, cuts, guess)
    elif method == "fraction of lap" or _only_counts(guess, motion, cuts, length):
        found = match_turning(
            motion, cuts, length=out.length, yaw_rate=yaw_rate, lateral_acceleration=lateral_acceleration, track=track
        )
        if isinstance(found, Turned):
            out.turned, out.method, out.place = found, "heading turned", found.place(motion.path, guess)
            out.notes += found.notes
        elif method == "fraction of lap":
            out.notes.append(no_loop if no_loop == NO_LAP else f"{no_loop} ({found[:1].upper()}{found[1:]}.)")
    np.maximum.accumulate(out.place, out=out.place)
    return out


def _too_long(driven: float, length: float, method: str, *, contradiction: float = CONTRADICTION) -> list[str]:
    """Object to laps that are not as long as the track given: with one unit read as another where that fits.

    Examples
    --------
    >>> _too_long(746.0, 1200.0, "fraction of lap")[0].rpartition(": ")[2]
    'it would fit if mph was read as km/h.'
    """
    times = length / driven
    if abs(times - 1.0) <= contradiction:
        return []
    units = {name: UNITS["speed"][name][0] for name in ("mph", "km/h", "m/s", "kn")}
    read = [
        f"{right} was read as {wrong}"
        for right in units
        for wrong in units
        if right != wrong and abs(units[right] / units[wrong] / times - 1.0) < FITTING
    ]
    by = "logged lap distance" if method == "lap distance" else "speed"
    why = f"it would fit if {' or '.join(read)}" if read else "it is another track, or a unit is wrong"
    return [f"Laps are {driven:.0f} m long by {by}, and the track given is {length:.0f} m: {why}."]


def _counted_on(lap_distance: FloatArray, path: FloatArray) -> FloatArray:
    """Lap distance counted on over the laps, using speed across each fall to zero and each hole."""
    step, driven = np.diff(lap_distance), np.diff(path)
    fell = ~(step >= 0) | (step > 3.0 * driven + 50.0)  # a fall, a blank, or a cell that cannot be
    return np.append(0.0, np.cumsum(np.where(fell, driven, np.maximum(step, 0.0))))


def _only_counts(guess: FloatArray, motion: Motion, cuts: Cuts, length: float) -> bool:
    """Whether places by logged lap distance are those by metres driven: then it was counted, not found by position."""
    at = motion.path_at(cuts.time)
    inside = (motion.path >= at[0]) & (motion.path <= at[-1])
    driven = np.interp(motion.path[inside], at, np.arange(len(at)) * length)
    return bool(inside.any() and np.quantile(np.abs(guess[inside] - driven), 0.95) <= COUNTED)


def _guess(carrier: FloatArray, at: FloatArray, length: float, scale: float) -> FloatArray:
    """Place by the fraction of each lap's metres, carried on before the first and after the last crossing."""
    if not len(at):
        return carrier.copy()
    laps = np.arange(len(at)) * length
    guess: FloatArray = np.interp(carrier, at, laps)
    before, after = int(np.searchsorted(carrier, at[0])), int(np.searchsorted(carrier, at[-1]))
    guess[:before] = (carrier[:before] - at[0]) * scale
    guess[after:] = laps[-1] + (carrier[after:] - at[-1]) * scale
    return guess


def _project(out: Placement, motion: Motion, reference: ReferenceLine, guess: FloatArray) -> Drift | None:
    """Place by position, carried by speed from sample to sample as far as position is noisy; its drift taken out."""
    assert motion.x is not None and motion.y is not None
    used = _fixes(motion)
    x, y, expected, driven = motion.x[used], motion.y[used], guess[used], motion.path[used]
    parts = np.searchsorted(used, motion.parts)
    raw, offset = project(reference, x, y, expected)
    leap = np.hypot(np.diff(x), np.diff(y))
    out.jumps = used[np.flatnonzero(leap > 3 * np.diff(driven) + 20.0) + 1]
    apart = max(float(np.median(np.diff(driven))), 1e-3)
    noise = motion.noise
    if noise >= CLEAN_NOISE:  # along and off the line it shows better than in x and y, above all once a second
        noise = white_noise(np.stack([raw - expected, offset]))
    outlier = _spikes(raw - expected, max(OUTLIER, 6.0 * noise))
    if outlier.any():
        raw[outlier] = offset[outlier] = np.nan
        out.warnings.append(
            f"Position jumped away from the path {int(outlier.sum())} time(s); place was found without it."
        )
    place, beside, aside = raw, offset, 0.0
    carrier = expected
    if noise >= CLEAN_NOISE:
        window = float(np.clip(OFFSET_WINDOW * (noise**2 * apart) ** 0.2, 5.0, 60.0))
        beside = blend(offset, np.zeros(len(used)), window=window, parts=parts, along=driven)
        aside = np.hypot(noise * _left(window, apart), LINE_BEND * window**2 / 12.0)
        carrier = _carried(reference, driven, raw, beside)
        window = float(np.clip(PLACE_WINDOW * (noise**2 * apart) ** 0.2, 5.0, 150.0))
        place = blend(raw, carrier, window=window, parts=parts, along=driven)
    else:
        window = 0.0
        place = blend(raw, expected, window=0.0, parts=parts, along=driven)
    beside[np.isnan(offset)] = np.nan
    lost = astray(place, beside, driven, slack=OUTLIER + 3.0 * noise)
    if lost.any():
        place[lost] = np.interp(driven[lost], driven[~lost], place[~lost])
        beside[lost] = np.nan
    drift = None
    if noise >= CLEAN_NOISE and not motion.speed_from_position:
        time, white = motion.time[used], max(aside, noise * _left(window, apart))
        drift = find_drift(reference, time, driven, place, beside, noise=white)
    if drift is not None:
        east, north = directions(reference, place)
        beside = beside - drift.along(time, -north, east)
        slower = 1.0 - bend_about(reference, place) * np.nan_to_num(beside)
        place = place - drift.along(time, east, north) / np.clip(slower, 0.25, 2.0)
    out.place = motion.path + np.interp(motion.path, driven, place - driven)
    out.offset = np.interp(motion.path, driven, beside)
    out.error = float(np.hypot(noise * _left(window, apart), FLOOR))
    out.offset_error = float(np.hypot(np.hypot(aside, LINE_BEND * apart**2 / 12.0), FLOOR))
    out.method = "position"
    return drift


def _put_right(cuts: Cuts, motion: Motion, reference: ReferenceLine, drift: Drift) -> Cuts:
    """Put crossings right that were found by position: those at which it says that the car is at the line."""
    line = cuts.line
    if line is None or line.heading is None:
        return cuts
    assert motion.x is not None and motion.y is not None
    east, north = np.cos(line.heading), np.sin(line.heading)
    speed = np.interp(cuts.time, motion.time, motion.speed)
    x, y = (np.interp(cuts.time, motion.time, values) for values in (motion.x, motion.y))
    beyond = speed * (cuts.time - np.clip(cuts.time, motion.time[0], motion.time[-1]))
    ahead = (x - line.x) * east + (y - line.y) * north + beyond
    by_position = np.abs(ahead) <= AT_LINE_NOISE * motion.noise + AT_LINE * speed * motion.interval
    runs = directions(reference, np.array([begins(reference, line)]))
    forward = max(float(runs[0][0] * east + runs[1][0] * north), LEAST_FORWARD) * np.maximum(speed, STANDING)
    late = np.where(by_position, drift.along(cuts.time, east, north) / forward, 0.0)
    return replace(cuts, time=cuts.time + late, drift=drift.at_line)


def _pin(out: Placement, motion: Motion, cuts: Cuts, guess: FloatArray) -> None:
    """Make the crossings the zeros of place."""
    misfit = motion.reached(out.place, cuts.time) - np.arange(len(cuts.time)) * out.length
    shared = begins(out.reference, cuts.line) if out.reference is not None and cuts.line is not None else 0.0
    own = misfit - shared
    apart = np.abs(own) >= LINE_MISFIT
    if cuts.line is None:  # crossings known without position say how it wanders
        if apart.all():
            return
        out.place = out.place - np.interp(motion.time, cuts.time[~apart], misfit[~apart])
    else:  # crossings found by position are noisier than place is: what they are out of step is made up for near the line
        reach = min(PIN_REACH, 0.4 * out.length)
        nodes = np.arange(len(misfit))[:, None] * out.length + shared + np.array([-reach, 0.0, reach])
        tied = np.where(apart, 0.0, own)[:, None] * np.array([0.0, 1.0, 0.0])
        out.place = out.place - shared - np.interp(out.place, nodes.ravel(), tied.ravel())
    first = np.searchsorted(motion.time, cuts.time)  # samples of each lap
    samples = np.diff(np.concatenate([[0], first, [len(motion.time)]]))
    if apart.any():  # a crossing far from the line's place: laps beside it have their places by the metres driven
        bare = np.repeat(np.append(False, apart) | np.append(apart, False), samples)
        out.place = np.where(bare, guess, out.place)
        if out.offset is not None:
            out.offset[bare] = np.nan
    # Every sample lies in the lap it was driven in: what noise puts on the wrong side of the line goes by the metres driven.
    zero = np.arange(len(cuts.time)) * out.length
    inner = (first > 0) & (first < len(motion.time))  # a crossing may lie less than a sample outside the recording
    after, before = np.minimum(first, len(motion.time) - 1), np.maximum(first - 1, 0)
    wrong = inner & ((out.place[before] > zero) | (out.place[after] < zero))
    begin, end = zero.copy(), zero.copy()
    begin[wrong] += np.maximum(motion.speed[after] * (motion.time[after] - cuts.time), 0.0)[wrong]
    end[wrong] -= np.maximum(motion.speed[before] * (cuts.time - motion.time[before]), 0.0)[wrong]
    np.maximum(out.place, np.repeat(np.append(-np.inf, begin), samples), out=out.place)
    np.minimum(out.place, np.repeat(np.append(end, np.inf), samples), out=out.place)
    out.place[after[wrong]], out.place[before[wrong]] = begin[wrong], end[wrong]


def _left(window: float, apart: float) -> float:
    """Share of white noise that two averages over `window` metres leave of samples `apart` metres apart."""
    return min(1.0, float(np.sqrt(2.0 * apart / (3.0 * window)))) if window > 0 else 1.0


def _carried(reference: ReferenceLine, driven: FloatArray, place: FloatArray, offset: FloatArray) -> FloatArray:
    """Metres along the line that the metres driven come to: on the inside of a bend a metre driven is more of them."""
    known = np.isfinite(place)
    if not known.all():
        place = np.interp(driven, driven[known], place[known])
    bend = bend_about(reference, place)
    gain = 1.0 / np.clip(1.0 - bend * np.nan_to_num(offset), 0.25, 2.0)
    return np.append(0.0, np.cumsum(np.diff(driven) * 0.5 * (gain[1:] + gain[:-1])))


def _fixes(motion: Motion) -> NDArray[np.intp]:
    """Samples to project: the receiver's own, as far as they lie some metres apart; the first and the last of all.

    Positions filled in between two of a slow receiver lie on the chord, which cuts every corner.
    """
    assert motion.x is not None and motion.y is not None
    own = np.arange(len(motion.time))
    if motion.fix_interval > 1.5 * motion.interval:
        rate = np.diff(np.stack([motion.x, motion.y])) / np.diff(motion.time)
        bent = ~(np.abs(np.diff(rate)) < 1e-6).all(axis=0)
        own = np.flatnonzero(np.concatenate([[True], bent, [True]]))
    usual = float(np.median(motion.speed)) * motion.interval * len(motion.time) / len(own)
    spacing = PROJECT_SPACING if motion.noise >= CLEAN_NOISE else CLEAN_SPACING
    own = own[:: max(1, int(spacing / max(usual, 1e-3)))]
    last = len(motion.time) - 1
    return np.append(own, last) if own[-1] < last else own


def _spikes(values: FloatArray, least: float, *, lag: int = 5) -> NDArray[np.bool_]:
    """Values that stand out by at least `least` from those `lag` samples before and after them."""
    before = np.concatenate([values[:lag], values[:-lag]])
    after = np.concatenate([values[lag:], values[-lag:]])
    middle = np.maximum(np.minimum(before, after), np.minimum(np.maximum(before, after), values))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(values - middle) > least)


def _wander(motion: Motion, cuts: Cuts, reference: ReferenceLine, out: Placement) -> float:
    """How far position wanders, m (1 sigma), by the laps: how fast it does, and how far it has from lap to lap."""
    if len(cuts.time) < 2:
        return cuts.drift
    assert motion.x is not None and motion.y is not None and out.offset is not None
    east, north = reference.x[1] - reference.x[-1], reference.y[1] - reference.y[-1]
    ahead = ((motion.x - reference.x[0]) * east + (motion.y - reference.y[0]) * north) / np.hypot(east, north)
    laps = int(out.place[-1] // reference.length)
    if motion.speed_from_position or laps < MIN_LAPS:
        return position_drift(motion, ahead, cuts.time)
    # No rate can be told from the few laps there are that is smaller than what their noise makes of none.
    rate = np.nanmax([wander_rate(motion.time, ahead, motion.path, cuts.time), motion.noise**2 / (REACH * laps**0.5)])
    each = max(4, int(reference.length / STATIONS))
    stations = np.arange(laps * each) * (reference.length / each)
    some = slice(None, None, max(1, len(out.place) // (10 * len(stations))))
    place, path, offset = np.maximum.accumulate(out.place[some]), motion.path[some], out.offset[some]
    changes = []
    # Metres from each place to the same place a lap later, driven, and along the line as far as offsets tell. Lines driven
    # differently are in the one, what wanders across the track is in the other: the lesser says more of position.
    for metres in (path, _carried(reference, path, place, offset)):
        change = np.diff(np.interp(stations, place, metres).reshape(laps, each), axis=0)
        away = np.abs(change[:, 0] - np.median(change[:, 0]))
        usual = away <= 8.0 * np.median(away) + 0.5
        change = change[
            usual & np.append(usual[1:], True)
        ]  # each spans two laps; those that left the track are no help
        if len(change) >= MIN_LAPS - 1:
            change -= np.median(change, axis=0)
            near = np.abs(change) <= 8.0 * np.median(np.abs(change)) + 1e-9
            changes.append(float(np.mean(change[near] ** 2)) * len(change) / (len(change) - 1))
    if not changes:
        return position_drift(motion, ahead, cuts.time)
    return spread(rate, min(changes) - 2.0 * out.error**2, float(np.median(np.diff(cuts.time))))


def place_errors(placement: Placement, lengths: FloatArray) -> FloatArray:
    """Return the standard error of place to expect in laps of given metres.

    Parameters
    ----------
    placement : Placement
    lengths : ndarray, shape (m,)
        Metres driven from line to line; NaN for a part of a lap.

    Returns
    -------
    ndarray, shape (m,)
        Metres. By the fraction of the lap, one on a longer line is out of step by up to a third of its extra metres.
    """
    if placement.method == "position":
        return np.full(len(lengths), placement.error)
    known = lengths[np.isfinite(lengths)]
    usual = float(np.median(known)) if len(known) else placement.length
    extra = np.nan_to_num(np.abs(lengths - usual) / 3.0, nan=0.002 * placement.length)
    error = np.hypot(0.001 * placement.length, extra)
    if placement.turned is not None:
        matched = placement.turned.error
        error[np.isfinite(lengths)] = np.where(np.isnan(matched), error[np.isfinite(lengths)], matched)
    return np.asarray(error)
