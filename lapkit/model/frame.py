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

SAME_WAY = (
    60.0  # m; laps of one track run no further apart at one place, whatever the line driven and the drift (chosen)
)
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


def check_same_line(frames: Sequence[pd.DataFrame]) -> None:
    """Refuse laps that count their metres from different start/finish lines, or run round different tracks.

    At the same place of the lap two of them must lie beside each other, but for one and the same shift: two recordings may
    have their origins apart. Without position all round nothing is looked at.

    Parameters
    ----------
    frames : sequence of DataFrame
        Two lap frames.

    Raises
    ------
    FrameError
        If they do not.
    """
    first, second = frames
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
        names = [f"lap {f.attrs.get('lap')} of {f.attrs.get('source')}" for f in frames]
        raise FrameError(
            f"{names[0]} and {names[1]} are {away:.0f} m from each other at the same distance from their lines: the lines lie at "
            "different places, or the tracks differ. Load the second recording with track=first_session.track, or both with "
            "the same start_line."
        )
