"""Smooth closed lines through points: the geometry behind reference lines and the edges of a track."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import ColumnError
from lapkit.model.given import number_given
from lapkit.model.noise import white_noise
from lapkit.model.place import REFERENCE_SPACING, ReferenceLine

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

MAX_OPENING = 0.02
"""Share of the way round that may lie between the last point of a loop and its first (chosen)."""
MAX_LENGTH = 100_000.0  # m round; more is a fault of units
STRAY, STRAY_STEPS = (
    50.0,
    10.0,
)  # m, and usual steps, that points may lie from their neighbours before they are suspected
STRAY_POINTS = 3  # one after the other; more may be a corner between two straights that were given no points
QUIET = 0.002  # m; points steadier than this are followed exactly
FINE = 3.0  # m between points up to which their scatter can be told from the bends of the track


def even_loop(x: FloatArray, y: FloatArray, *, smoothing: float = 0.0) -> tuple[ReferenceLine, FloatArray]:
    """Draw a smooth closed line through points and divide it evenly.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points in order, m, the first not repeated at the end, no two neighbours the same.
    smoothing : float
        Length over which scatter is smoothed away, m; 0 goes through the points.

    Returns
    -------
    line : ReferenceLine
    places : ndarray, shape (n,)
        Metres along the line at which the points lie.

    Notes
    -----
    A periodic cubic spline through the points, its length by Gauss-Legendre quadrature: on points 1 m apart the
    length of a 400 m oval is true to 0.1 mm.

    Examples
    --------
    >>> angle = np.arange(0, 2 * np.pi, 0.05)[:-1]
    >>> line, places = even_loop(50 * np.cos(angle), 50 * np.sin(angle))
    >>> abs(line.length - 100 * np.pi) < 0.001, bool(abs(places[1] - 2.5) < 0.001)
    (True, True)
    """
    shape, knots = loop_spline(np.column_stack([x, y]))
    line, places = _divided(shape, knots)
    if smoothing > 0:
        wave = np.fft.rfftfreq(len(line.x), line.spacing)
        keep = np.exp(-2 * (np.pi * wave * smoothing / 2) ** 2)
        keep = 1 - (1 - keep) ** 2  # gives back what smoothing takes off a bend
        smooth = [np.fft.irfft(np.fft.rfft(values) * keep, len(line.x)) for values in (line.x, line.y)]
        share = places / line.length
        line, _ = _divided(*loop_spline(np.column_stack(smooth)))
        places = share * line.length
    return line, places


def loop_spline(points: FloatArray) -> tuple[CubicSpline, FloatArray]:
    """Periodic cubic spline through points, over the length of its chords, and its knots."""
    from scipy.interpolate import CubicSpline

    around = np.vstack([points, points[:1]])
    knots = np.append(0.0, np.cumsum(np.hypot(*np.diff(around[:, :2], axis=0).T)))
    return CubicSpline(knots, around, bc_type="periodic"), knots


def _divided(shape: CubicSpline, knots: FloatArray) -> tuple[ReferenceLine, FloatArray]:
    """Divide a closed spline evenly; also return how far along it each knot is."""
    nodes, weights = np.polynomial.legendre.leggauss(5)

    def arc(start: FloatArray, end: FloatArray) -> FloatArray:
        half = (end - start)[:, None] / 2
        rate = shape((start + end)[:, None] / 2 + half * nodes, 1)
        return np.asarray((np.hypot(rate[..., 0], rate[..., 1]) * half) @ weights)

    along = np.append(0.0, np.cumsum(arc(knots[:-1], knots[1:])))
    length = float(along[-1])
    if not length < MAX_LENGTH:
        raise ColumnError(f"the line is {length / 1000:.3g} km round; check the unit of x and y (metres).")
    count = max(16, round(length / REFERENCE_SPACING))
    places = np.arange(count) * (length / count)
    piece = np.clip(np.searchsorted(along, places, side="right") - 1, 0, len(knots) - 2)
    at = np.interp(places, along, knots)
    for _ in range(3):  # Newton's method on the length so far
        rate = shape(at, 1)
        over = along[piece] + arc(knots[piece], at) - places
        at = np.clip(at - over / np.maximum(np.hypot(rate[:, 0], rate[:, 1]), 0.1), knots[piece], knots[piece + 1])
    points = shape(at)
    return ReferenceLine(points[:, 0].copy(), points[:, 1].copy(), length / count, length), along[:-1]


def scatter_smoothing(x: FloatArray, y: FloatArray) -> float:
    """Length over which points should be smoothed: none where they lie smoothly, more the more they scatter."""
    if float(np.median(np.hypot(np.diff(x), np.diff(y)))) > FINE:
        return 0.0
    line, _ = even_loop(x, y)
    stride = max(1, round(float(np.median(np.hypot(np.diff(x), np.diff(y)))) / line.spacing))
    noise = white_noise(np.vstack([line.x, line.y]), stride=stride, share=0.3)
    return 0.0 if noise < QUIET else float(np.clip(12.0 * noise, 3.0, 15.0))


def ring(points: FloatArray, what: str, max_opening: float) -> FloatArray:
    """Points once round: without repeats, and without what runs on past the first point. Rows are x, y and more."""
    row = np.flatnonzero(np.isfinite(points[:, :2]).all(axis=1))
    points = points[row]
    if len(points):
        new = np.append(True, np.hypot(*np.diff(points[:, :2], axis=0).T) > 1e-3)
        points, row = points[new], row[new]
    if len(points) >= 8:
        _check_strays(points[:, :2], row, what)
    if len(points) > 1000:  # points much denser than the reference line only bring their scatter
        steps = np.hypot(*np.diff(points[:, :2], axis=0).T)
        points = points[:: max(1, round(0.5 * REFERENCE_SPACING / max(float(np.median(steps)), 0.005)))]
    if len(points) < 8:
        raise ColumnError(f"{what}: {len(points)} different points are too few for a loop; give at least 8.")
    steps = np.hypot(*np.diff(points[:, :2], axis=0).T)
    around, usual = float(steps.sum()), float(np.median(steps))
    start, ahead = points[0, :2], points[1, :2] - points[0, :2]
    ahead = ahead / np.hypot(*ahead)
    past = (points[:, :2] - start) @ ahead
    near = np.hypot(*(points[:, :2] - start).T) < max(0.02 * around, 3 * usual)
    over = near & (past > -0.3 * usual)  # the loop is over here; what follows is its beginning again
    extra = int(np.cumprod(over[::-1]).sum())
    points = points[: len(points) - min(extra, len(points) - 8)]
    opening = float(np.hypot(*(points[-1, :2] - start)))
    if opening > max(5.0 * usual, number_given(max_opening, "max_opening", "share of the way round") * around):
        raise ColumnError(
            f"{what}: the line does not close: its last point is {opening:.1f} m from its first, after {around:.0f} m. "
            "Give the points of one whole lap, in order."
        )
    return points


def _check_strays(points: FloatArray, row: NDArray[np.intp], what: str) -> None:
    """Refuse points that lie far off while those before and after them lie together; `row` are their data rows."""
    usual = float(np.median(np.hypot(*np.diff(points, axis=0).T)))
    before = np.roll(points, 1, axis=0)
    for count in range(1, STRAY_POINTS + 1):
        last, after = np.roll(points, 1 - count, axis=0), np.roll(points, -count, axis=0)
        away = np.minimum(np.hypot(*(points - before).T), np.hypot(*(after - last).T))
        gap = np.hypot(*(after - before).T)
        stray = np.flatnonzero((away > max(STRAY, STRAY_STEPS * usual)) & (gap < 0.5 * away))
        if len(stray):
            k = int(stray[0])
            those = f"data row {row[k] + 1}" if count == 1 else f"the {count} data rows from {row[k] + 1} on"
            raise ColumnError(
                f"{what}: {those} (x = {points[k, 0]:.1f}, y = {points[k, 1]:.1f}) lies {away[k]:.0f} m from the points before "
                f"and after, which are {gap[k]:.1f} m apart: that is not on the track; correct it or leave it out."
            )


def length_spline(line: ReferenceLine) -> CubicSpline:
    """Periodic cubic spline through a reference line, over the metres along it."""
    from scipy.interpolate import CubicSpline

    around = np.column_stack([np.append(line.x, line.x[0]), np.append(line.y, line.y[0])])
    return CubicSpline(np.arange(len(around)) * line.spacing, around, bc_type="periodic")


def direction(line: ReferenceLine) -> tuple[FloatArray, FloatArray]:
    """Unit vector along a line at each of its points."""
    east, north = np.roll(line.x, -1) - np.roll(line.x, 1), np.roll(line.y, -1) - np.roll(line.y, 1)
    size = np.maximum(np.hypot(east, north), 1e-12)
    return east / size, north / size


def grid_of(line: ReferenceLine) -> FloatArray:
    """Return the places of the points of a reference line."""
    return np.asarray(np.arange(len(line.x)) * line.spacing, dtype=np.float64)
