"""The lap frame: one lap on the shared distance grid.

A lap frame is a plain `pandas.DataFrame`. Its index `distance` holds places on the track,
``k * step`` metres from the line; row 850 m means the same place in every lap.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import FrameError

MAX_LENGTH_DIFFERENCE = 0.02  # share by which track lengths may differ and it is one track (chosen, no source)
SAME_WAY = 60.0  # m; laps of one track run no further apart at one place, line and drift counted in (chosen)
LOOKS = 16  # places round the lap at which that is looked at
MAX_ROWS = 2_000_000  # rows of one lap frame: 2000 km at 1 m; more is a fault in the file, not a lap


def grid(length: float, step: float) -> FloatArray:
    """Return the places of the shared grid: ``k * step`` up to the track length.

    Every grid in lapkit is built here, so two laps on the same step share their labels exactly.

    Parameters
    ----------
    length : float
        Track length, m.
    step : float
        Distance between rows, m.

    Returns
    -------
    ndarray of float64, shape (floor(length / step) + 1,)

    Raises
    ------
    FrameError
        If the step is not positive, or the grid would be absurdly long.

    Examples
    --------
    >>> grid(3.2, 1.0)
    array([0., 1., 2., 3.])
    """
    if not (np.isfinite(step) and step > 0):
        raise FrameError(f"step={step!r} is not a distance between rows; give metres above zero, such as step=1.0.")
    if not (np.isfinite(length) and length > 0):
        raise FrameError(f"a track length of {length!r} m cannot carry a distance grid.")
    count = np.floor(length / step * (1 + 1e-12))
    if count > MAX_ROWS:
        raise FrameError(
            f"a lap of {length:.0f} m at step={step} m needs {count:.0f} rows (the limit is {MAX_ROWS}); "
            "check the unit of position or distance, or give a larger step."
        )
    return np.arange(int(count) + 1, dtype=np.float64) * step


def brackets(nodes: FloatArray, places: FloatArray) -> tuple[NDArray[np.intp], FloatArray]:
    """Find, for each place, the sample before it and the weight of the sample after it.

    Parameters
    ----------
    nodes : ndarray, shape (n,)
        Places of the samples, not decreasing, n >= 2.
    places : ndarray, shape (m,)
        Places wanted.

    Returns
    -------
    before : ndarray of int, shape (m,)
        Index of the last sample at or before each place, within 0 .. n - 2.
    weight : ndarray, shape (m,)
        Share of sample ``before + 1``, 0..1; NaN outside the samples.
    """
    count = len(nodes)
    rank = np.interp(places, nodes, np.arange(count, dtype=np.float64))
    before = rank.astype(np.intp)
    np.minimum(before, count - 2, out=before)
    weight = rank - before
    if len(places) and (places.min() < nodes[0] or places.max() > nodes[-1]):
        weight[(places < nodes[0] - 1e-9) | (places > nodes[-1] + 1e-9)] = np.nan
    return before, weight


def resample(
    columns: Sequence[FloatArray], before: NDArray[np.intp], weight: FloatArray, discrete: NDArray[np.intp]
) -> FloatArray:
    """Carry all channels to new places at once.

    Parameters
    ----------
    columns : sequence of c ndarray, shape (n,)
        Channels of the samples around the places.
    before, weight : ndarray, shape (m,)
        From `brackets`.
    discrete : ndarray of int
        Channels that take the previous sample instead of being interpolated.

    Returns
    -------
    ndarray, shape (c, m)

    Notes
    -----
    A sample next to a missing one is used where the place falls exactly on it. The channels of one lap are
    laid side by side first: they stay in the processor's cache, and one look-up serves them all.
    """
    block = np.stack(columns)
    low = block.take(before, axis=1, mode="clip")  # the mode that checks nothing twice is the fast one
    out = block.take(before + 1, axis=1, mode="clip")
    out -= low
    out *= weight
    out += low
    for share, side in ((0.0, 0), (1.0, 1)):
        exact = np.flatnonzero(weight == share)
        if len(exact):
            out[:, exact] = block[:, before[exact] + side]
    held = np.where(weight >= 1.0, block[discrete][:, np.minimum(before + 1, block.shape[1] - 1)], low[discrete])
    out[discrete] = np.where(np.isnan(weight), np.nan, held)
    return out


def unlabelled(frame: pd.DataFrame) -> pd.DataFrame:
    """Return a view of a frame that says nothing of itself: pandas copies what a frame says at every look at a column."""
    return pd.DataFrame(frame, copy=False)


def attribute(frame: pd.DataFrame, name: str) -> Any:
    """Return what a lap frame says of itself, with a clear error where it says nothing.

    Raises
    ------
    FrameError
        If the frame was not made by a session or has lost its attributes.
    """
    if not isinstance(frame, pd.DataFrame):
        raise FrameError(
            f"expected a lap frame, such as session.lap(7) or session.best(), and got {type(frame).__name__}."
        )
    try:
        return frame.attrs[name]
    except KeyError:
        raise FrameError(
            f"this frame does not say its '{name}' (frame.attrs['{name}']): give a frame from session.lap(n), "
            "and keep frame.attrs when you build a new frame from it."
        ) from None


def name_of(frame: pd.DataFrame) -> str:
    """Return what a lap is called in a message."""
    return f"lap {frame.attrs.get('lap')} of {frame.attrs.get('source')}"


def check_same_step(first: pd.DataFrame, second: pd.DataFrame) -> None:
    """Refuse laps on different grids."""
    steps = [float(attribute(frame, "step")) for frame in (first, second)]
    if steps[0] != steps[1]:
        raise FrameError(
            f"The laps lie on different grids: {name_of(first)} has a step of {steps[0]:g} m, {name_of(second)} of "
            f"{steps[1]:g} m. Load both with the same step."
        )


def check_two_laps(first: pd.DataFrame, second: pd.DataFrame, max_length_difference: float) -> None:
    """Refuse two laps that cannot be compared place by place.

    They must lie on one grid, on one track as far as its length tells, and count their metres from one start/finish line.
    The last is seen where both have position all round: at the same place of the lap they must lie beside each other, but
    for one and the same shift, as two recordings may have their origins apart.

    Parameters
    ----------
    first, second : DataFrame
        Lap frames.
    max_length_difference : float
        Share by which the track lengths may differ.

    Raises
    ------
    FrameError
        If they cannot.
    """
    check_same_step(first, second)
    lengths = [float(attribute(frame, "track_length")) for frame in (first, second)]
    if max(lengths) - min(lengths) > max_length_difference * min(lengths):
        raise FrameError(
            f"The laps are of different tracks: {name_of(first)} is {lengths[0]:.1f} m round, {name_of(second)} "
            f"{lengths[1]:.1f} m, more than {100 * max_length_difference:g} % apart. Compare laps of one track; where it "
            "is one track, load the second recording with track=first_session.track."
        )
    frames = first, second
    if first.attrs.get("source") == second.attrs.get("source") or not all({"x", "y"} <= set(f.columns) for f in frames):
        return
    shares = np.arange(LOOKS) / LOOKS
    at = [f.iloc[(shares * len(f)).astype(int)][["x", "y"]].to_numpy(np.float64, na_value=np.nan) for f in frames]
    apart = at[0] - at[1]
    apart = apart[np.isfinite(apart).all(axis=1)]
    if len(apart) < LOOKS // 2:
        return
    away = float(np.median(np.hypot(*(apart - np.median(apart, axis=0)).T)))
    if away > SAME_WAY:
        raise FrameError(
            f"{name_of(first)} and {name_of(second)} are {away:.0f} m from each other at the same distance from their lines: "
            "the lines lie at different places, or the tracks differ. Load the second recording with "
            "track=first_session.track, or both with the same start_line."
        )
