"""Giving every sample of a recording its place on the track, by the best means the data allow."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.laps import Cuts, position_drift
from lapkit.model.motion import Motion
from lapkit.model.place import ReferenceLine, blend, learn_reference, project
from lapkit.model.track import Track

ODD_LENGTH = 0.05  # share by which a lap's metres may differ from the usual before it is another route
PROJECT_SPACING = 3.0  # m between samples that are projected
PINNED = float(np.sqrt(1.5))  # place is counted from two crossings, whose own drift it shares: 1 + 1/2
OUTLIER = 10.0  # m out of line with its neighbours that a position must be to be left out
CLEAN_NOISE = 0.02  # m; position quieter than this needs no help from speed
LINE_MISFIT = 30.0  # m between a crossing and its place beyond which the two are not tied together
NO_LAP = "No lap runs from line to line, so a place is simply the metres driven since the recording began."
NO_LOOP = "Position does not go round a loop with each lap, so a place is a fraction of the lap's metres instead."
NO_POSITION = (
    "There is no position, so a place is a fraction of the lap's metres; laps on different lines may be "
    "metres apart at the same place. Position (x, y or latitude, longitude) would settle it."
)


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
        "position", "lap distance" or "fraction of lap".
    error : float
        Standard error of place that position noise leaves, m (method "position").
    reference : ReferenceLine or None
    jumps : ndarray of int
        Samples to which position jumped farther than the car can have driven.
    notes, warnings : list of str
    """

    place: FloatArray
    offset: FloatArray | None
    length: float
    method: str
    error: float = 0.05
    reference: ReferenceLine | None = None
    jumps: NDArray[np.intp] = field(default_factory=lambda: np.empty(0, dtype=np.intp))
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


def find_place(motion: Motion, cuts: Cuts, *, lap_distance: FloatArray | None, track: Track | None) -> Placement:
    """Give every sample its place.

    Parameters
    ----------
    motion : Motion
    cuts : Cuts
        Crossings of the line.
    lap_distance : ndarray, shape (n,), or None
        Distance since the line as logged, m; used where there is no position.
    track : Track or None
        A track to place the laps on; learnt from the laps where None.

    Returns
    -------
    Placement
    """
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
    length = reference.length if reference is not None else length
    guess = _guess(carrier, at, length, length / usual if len(lengths) else 1.0)
    out = Placement(guess, None, float(length), method, reference=reference)
    if reference is not None and motion.x is not None:
        _project(out, motion, reference, guess)
        out.error = float(np.hypot(out.error, PINNED * _drift(motion, cuts, reference)))
        if len(at):
            misfit = motion.reached(out.place, cuts.time) - np.arange(len(at)) * length
            if np.abs(misfit).max() < LINE_MISFIT:  # the crossings are the zeros of place
                out.place = out.place - np.interp(motion.time, cuts.time, misfit)
    elif method == "fraction of lap":
        out.notes.append(no_loop)
    np.maximum.accumulate(out.place, out=out.place)
    return out


def _counted_on(lap_distance: FloatArray, path: FloatArray) -> FloatArray:
    """Lap distance counted on over the laps, using speed across each fall to zero and each hole."""
    step, driven = np.diff(lap_distance), np.diff(path)
    fell = ~(step >= 0) | (step > 3.0 * driven + 50.0)  # a fall, a blank, or a cell that cannot be
    return np.append(0.0, np.cumsum(np.where(fell, driven, np.maximum(step, 0.0))))


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


def _project(out: Placement, motion: Motion, reference: ReferenceLine, guess: FloatArray) -> None:
    """Place by position, carried by speed from sample to sample as far as position is noisy."""
    assert motion.x is not None and motion.y is not None
    # Samples nearer together than PROJECT_SPACING tell nothing new: speed carries the place between.
    usual = float(np.median(motion.speed)) * motion.interval
    used = np.arange(0, len(guess), max(1, int(PROJECT_SPACING / max(usual, 1e-3))))
    used = np.append(used, len(guess) - 1) if used[-1] < len(guess) - 1 else used
    x, y, expected = motion.x[used], motion.y[used], guess[used]
    parts = np.searchsorted(used, motion.parts)
    raw, offset = project(reference, x, y, expected)
    # Noise of 5 cm is averaged over 10 m, of 1 m over some 33 m: longer stretches would bend with the line driven.
    window = 0.0 if motion.noise < CLEAN_NOISE else float(np.clip(10.0 * (motion.noise / 0.05) ** 0.4, 5.0, 60.0))
    outlier = _spikes(raw - expected, OUTLIER)
    if outlier.any():
        raw = np.where(outlier, np.nan, raw)
        out.warnings.append(
            f"Position jumped away from the path {int(outlier.sum())} time(s); place was found without it."
        )
    leap = np.hypot(np.diff(x), np.diff(y))
    out.jumps = used[np.flatnonzero(leap > 3 * np.diff(motion.path[used]) + 20.0) + 1]
    correction = blend(raw, expected, window=window, parts=parts) - expected
    out.place = guess + np.interp(guess, expected, correction)
    out.offset = np.interp(guess, expected, offset)
    averaged = max(1.0, window / max(float(np.median(np.diff(expected))), 1e-3))
    out.error = float(np.hypot(motion.noise / np.sqrt(averaged), 0.05))
    out.method = "position"


def _spikes(values: FloatArray, least: float, *, lag: int = 5) -> NDArray[np.bool_]:
    """Values that stand out by at least `least` from those `lag` samples before and after them."""
    before = np.concatenate([values[:lag], values[:-lag]])
    after = np.concatenate([values[lag:], values[-lag:]])
    middle = np.maximum(np.minimum(before, after), np.minimum(np.maximum(before, after), values))
    with np.errstate(invalid="ignore"):
        return np.asarray(np.abs(values - middle) > least)


def _drift(motion: Motion, cuts: Cuts, reference: ReferenceLine) -> float:
    """How far position wanders from lap to lap, m, seen where the reference line crosses the start/finish line."""
    if cuts.line is not None or len(cuts.time) < 2:
        return cuts.drift
    assert motion.x is not None and motion.y is not None
    east, north = reference.x[1] - reference.x[-1], reference.y[1] - reference.y[-1]
    ahead = ((motion.x - reference.x[0]) * east + (motion.y - reference.y[0]) * north) / np.hypot(east, north)
    return position_drift(motion, ahead, cuts.time)


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
        Metres. Without position a lap on a longer line is out of step by up to a third of its extra metres.
    """
    if placement.method == "position":
        return np.full(len(lengths), placement.error)
    known = lengths[np.isfinite(lengths)]
    usual = float(np.median(known)) if len(known) else placement.length
    extra = np.nan_to_num(np.abs(lengths - usual) / 3.0, nan=0.002 * placement.length)
    return np.asarray(np.hypot(0.001 * placement.length, extra))
