"""Tracks made from points: a centre line with widths, or the two edges."""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import ColumnError, LapkitError
from lapkit.model.corners import find_corners, path_curvature
from lapkit.model.given import records
from lapkit.model.line import StartLineLike, parse_start_line
from lapkit.model.place import REFERENCE_SPACING, ReferenceLine
from lapkit.model.tracks.loops import MAX_OPENING, direction, even_loop, grid_of, loop_spline, ring, scatter_smoothing
from lapkit.model.tracks.moves import reversed_track, started_at
from lapkit.model.tracks.table import CENTRE_COLUMNS, EDGE_COLUMNS, points_of
from lapkit.model.tracks.track import HEADING_WEIGHT, PROFILE_COLUMNS, Track, nearest_place, no_corners

if TYPE_CHECKING:
    from scipy.interpolate import CubicSpline

__all__ = [
    "at_start_line", "centre_line", "complete_corners", "corners_of", "reversed_track", "started_at", "track_from_centre_line",
    "track_from_edges",
]  # fmt: skip

TableLike = pd.DataFrame | str | os.PathLike[str]


def corners_of(line: ReferenceLine) -> pd.DataFrame:
    """Return the corners of a reference line, numbered from its point 0.

    Examples
    --------
    >>> angle = np.arange(628) / 100.0
    >>> corners_of(even_loop(80 * np.cos(angle), 80 * np.sin(angle))[0])["direction"].tolist()
    ['left']
    """
    return find_corners(path_curvature(line.x, line.y, line.spacing), line.spacing, track_length=line.length)


def complete_corners(corners: pd.DataFrame, line: ReferenceLine) -> pd.DataFrame:
    """Fill in what a person left out of a corner (direction, radius, apex) from the reference line.

    Examples
    --------
    >>> angle = np.arange(628) / 100.0
    >>> line, _ = even_loop(80 * np.cos(angle), 80 * np.sin(angle))
    >>> row = ("1", 100.0, np.nan, 200.0, "", np.nan)
    >>> table = pd.DataFrame([row], columns=no_corners().columns)
    >>> filled = complete_corners(table, line).iloc[0]
    >>> filled["direction"], round(filled["radius"])
    ('left', 80)
    """
    if not len(corners):
        return corners
    bend, grid = path_curvature(line.x, line.y, line.spacing), grid_of(line)
    rows = []
    for row in records(corners):
        inside = np.flatnonzero((grid >= row["start_distance"]) & (grid < row["end_distance"]))
        if len(inside):
            left = float(bend[inside].sum()) > 0
            tightest = int(inside[np.argmax(bend[inside] * (1 if left else -1))])
            if row["direction"] not in ("left", "right"):
                row["direction"] = "left" if left else "right"
            if not np.isfinite(row["radius"]) and bend[tightest] != 0:
                row["radius"] = float(1 / abs(bend[tightest]))
            if not np.isfinite(row["apex_distance"]):
                row["apex_distance"] = float(grid[tightest])
        rows.append(row)
    return pd.DataFrame(rows, columns=corners.columns)


# ------------------------------------------------------- from a centre line or edges


def centre_line(
    table: pd.DataFrame, what: str, *, max_opening: float = MAX_OPENING
) -> tuple[ReferenceLine, pd.DataFrame | None, FloatArray]:
    """Make a reference line, and the profile on its grid, from a table of points.

    Parameters
    ----------
    table : DataFrame
        x, y (m) in driving order and any of left_width, right_width, banking, height.
    what : str
        What the points are, for messages.
    max_opening : float
        Share of the way round that may be missing.

    Returns
    -------
    line : ReferenceLine
    profile : DataFrame or None
    places : ndarray
        Metres along the line at which the points that were used lie.

    Raises
    ------
    ColumnError
        If the points are no loop.
    """
    known = [name for name in PROFILE_COLUMNS if name in table]
    points = ring(table[["x", "y", *known]].to_numpy(np.float64), what, max_opening)
    x, y = points[:, 0], points[:, 1]
    line, places = even_loop(x, y, smoothing=scatter_smoothing(x, y))
    grid, columns = grid_of(line), {}
    for name, values in zip(known, points[:, 2:].T, strict=True):
        there = np.isfinite(values)
        if there.any():
            columns[name] = np.interp(grid, places[there], values[there], period=line.length)
    profile = pd.DataFrame(columns, index=pd.Index(grid, name="distance")) if columns else None
    return line, profile, places


def track_from_centre_line(
    points: TableLike,
    *,
    start_line: StartLineLike | None = None,
    origin: tuple[float, float] | None = None,
    name: str = "",
    max_opening: float = MAX_OPENING,
) -> Track:
    """Make a track from a centre line.

    Parameters
    ----------
    points : DataFrame or path
        x, y (m) in driving order, and where known left_width, right_width (m), banking (rad; ``banking_deg`` in
        degrees, as a CSV has it), height (m). A CSV without a header holds x, y, or x, y, left_width, right_width.
    start_line : str, sequence or mapping, optional
        Start/finish line, see `lapkit.model.line.parse_start_line`: distance is counted from it. A heading against
        the order of the points turns the track round.
    origin : (float, float), optional
        Latitude and longitude (degrees) of the points' local frame.
    name : str
        Name of the track.
    max_opening : float
        Share of the way round that may lie between the last point and the first.

    Returns
    -------
    Track
        Its reference line is the centre line; its corners are found from it.

    Raises
    ------
    ColumnError
        If there is no x or y, or the points do not close.

    Examples
    --------
    >>> angle = np.arange(300) * 2 * np.pi / 300
    >>> circle = pd.DataFrame({"x": 50 * np.cos(angle), "y": 50 * np.sin(angle), "left_width": 4.0})
    >>> track = track_from_centre_line(circle, start_line=(0.0, 50.0))
    >>> round(track.length, 2), float(track.reference.y[0].round(3))
    (314.16, 50.0)
    """
    table, what = points_of(points, CENTRE_COLUMNS, without_header=("x", "y", "left_width", "right_width"))
    line, profile, _ = centre_line(table, what, max_opening=max_opening)
    track = Track(line.length, no_corners(), None, line, origin, None, name, profile=profile)
    if start_line is not None:
        track = at_start_line(track, start_line, sides_known=False)
    assert track.reference is not None
    return replace(track, corners=corners_of(track.reference))


def at_start_line(track: Track, given: StartLineLike, *, sides_known: bool) -> Track:
    """Turn a track to a start/finish line as a person gives it, and round where only its points are listed backwards.

    Parameters
    ----------
    track : Track
        With a reference line.
    given : str, sequence, mapping or StartLine
        See `lapkit.model.line.parse_start_line`.
    sides_known : bool
        Whether the direction of travel is certain, so that a heading against it is a fault.

    Returns
    -------
    Track

    Raises
    ------
    LapkitError
        If the line is not on the track, or is crossed the other way and `sides_known`.

    Examples
    --------
    >>> angle = np.arange(628) / 100.0
    >>> track = track_from_centre_line(pd.DataFrame({"x": 80 * np.cos(angle), "y": 80 * np.sin(angle)}))
    >>> at_start_line(track, "0, 80, 0deg", sides_known=False).corners["direction"].unique().tolist()
    ['right']
    """
    geographic = isinstance(given, Mapping) and "latitude" in given
    line, _ = parse_start_line(given, geographic=geographic, origin=track.origin)
    heading = line.heading
    assert track.reference is not None
    if line.either_way and heading is not None:  # two ends say where the line is, the track which way it is crossed
        place, _ = nearest_place(track.reference, line.x, line.y)
        k = round(place / track.reference.spacing) % len(track.reference.x)
        east, north = (values[k] for values in direction(track.reference))
        heading = heading + np.pi * (east * np.cos(heading) + north * np.sin(heading) < 0)
    if heading is not None and _runs_against(track.reference, line.x, line.y, heading):
        if sides_known:
            raise LapkitError(
                "with the left edge on the left, the track runs against the heading of the start line "
                f"({np.degrees(heading):.0f} degrees from x): are the two edges exchanged, or is the heading the wrong way round?"
            )
        track = reversed_track(track)
    track = started_at(track, line.x, line.y, heading)
    assert track.line is not None
    return replace(track, line=replace(line, heading=track.line.heading, either_way=False))


def _runs_against(line: ReferenceLine, x: float, y: float, heading: float) -> bool:
    """Whether a reference line runs against a heading where it passes a point."""
    _, away = nearest_place(line, x, y)
    _, away_with_it = nearest_place(line, x, y, heading=heading)
    return away_with_it > max(2.0 * away, 15.0)  # a part that runs the right way may lie a little farther off


def track_from_edges(
    left: TableLike,
    right: TableLike,
    *,
    start_line: StartLineLike | None = None,
    origin: tuple[float, float] | None = None,
    name: str = "",
    max_opening: float = MAX_OPENING,
) -> Track:
    """Make a track from its two edges.

    Parameters
    ----------
    left, right : DataFrame or path
        Points of the edge that is on the left, and of that on the right, in the direction of travel: x, y (m) and
        where known height (or z, m). A CSV may do without a header (x, y or x, y, height). The edges need not have
        the same number of points or begin at the same place, and may be listed in either direction.
    start_line : str, sequence or mapping, optional
        Start/finish line, see `lapkit.model.line.parse_start_line`: distance is counted from it.
    origin : (float, float), optional
        Latitude and longitude (degrees) of the points' local frame.
    name : str
        Name of the track.
    max_opening : float
        Share of the way round that may lie between the last point of an edge and its first.

    Returns
    -------
    Track
        The reference line runs midway between the edges, measured square to it. The profile has left_width and
        right_width on its grid and, where both edges have heights, height and banking (the surface taken to be
        straight from edge to edge).

    Raises
    ------
    ColumnError
        If there is no x or y, an edge does not close, or the edges cross.
    LapkitError
        If the start line's heading says that the right edge is on the left.

    Notes
    -----
    The direction of travel follows from which edge is the left one, whatever order the points are listed in.

    Examples
    --------
    >>> angle = np.arange(600) * 2 * np.pi / 600
    >>> edges = [pd.DataFrame({"x": r * np.cos(angle), "y": r * np.sin(angle)}) for r in (95.0, 105.0)]
    >>> track = track_from_edges(*edges)
    >>> round(track.length, 2), track.profile.iloc[0].round(2).tolist()
    (628.32, [5.0, 5.0])
    """
    edges, names = [], []
    for given, side in ((left, "left"), (right, "right")):
        table, what = points_of(given, EDGE_COLUMNS, without_header=("x", "y", "height"))
        columns = ["x", "y", "height"] if "height" in table else ["x", "y"]
        edges.append(ring(table[columns].to_numpy(np.float64), f"{what} ({side} edge)", max_opening))
        names.append(what)
    edges = _in_driving_order(edges, names)
    shapes = [loop_spline(_filled(points)) for points in edges]
    line = _midway(shapes, names)
    track = Track(line.length, no_corners(), None, line, origin, None, name)
    if start_line is not None:
        track = at_start_line(track, start_line, sides_known=True)
        assert track.reference is not None
        line = track.reference
    hits = [_beside(line, shape, knots) for shape, knots in shapes]
    profile = {"left_width": hits[0][0], "right_width": -hits[1][0]}
    if all(points.shape[1] == 3 for points in edges):
        span = profile["left_width"] + profile["right_width"]
        rise = hits[1][2] - hits[0][2]  # right above left
        profile["banking"] = np.arctan2(rise, span)
        profile["height"] = hits[0][2] + rise * profile["left_width"] / span
    surface = pd.DataFrame(profile, index=pd.Index(grid_of(line), name="distance"))
    return replace(track, profile=surface, corners=corners_of(line))


def _filled(points: FloatArray) -> FloatArray:
    """Points with missing heights read between their neighbours; without heights where none is known."""
    if points.shape[1] == 2 or not np.isfinite(points[:, 2]).any():
        return points[:, :2]
    there = np.isfinite(points[:, 2])
    along = np.append(0.0, np.cumsum(np.hypot(*np.diff(points[:, :2], axis=0).T)))
    height = np.interp(along, along[there], points[there, 2], period=along[-1] + 1.0)
    return np.column_stack([points[:, :2], height])


def _in_driving_order(edges: list[FloatArray], names: list[str]) -> list[FloatArray]:
    """List both edges the same way, and so that the left one is on the left."""
    from scipy.spatial import KDTree

    lines = [even_loop(points[:, 0], points[:, 1])[0] for points in edges]
    east, north = direction(lines[0])
    east_2, north_2 = direction(lines[1])
    _, nearest = KDTree(np.column_stack([lines[1].x, lines[1].y])).query(np.column_stack([lines[0].x, lines[0].y]))
    along = east * east_2[nearest] + north * north_2[nearest]
    if np.median(along) < 0:
        edges[1] = edges[1][::-1]
    beside = [east * (lines[1].y[nearest] - lines[0].y), north * (lines[1].x[nearest] - lines[0].x)]
    left_of = beside[0] - beside[1]  # positive where the right edge lies to the left of the left one
    share = float((left_of > 0).mean())
    if 0.1 < share < 0.9:
        raise ColumnError(
            f"{names[0]}, {names[1]}: the right edge lies to the right of the left one on {100 - 100 * share:.0f} % of "
            "the way and to its left on the rest: the edges cross, or are not of one track."
        )
    return [points[::-1] for points in edges] if share > 0.5 else edges


def _midway(shapes: list[tuple[CubicSpline, FloatArray]], names: list[str]) -> ReferenceLine:
    """Line that has both edges at the same distance, measured square to it."""
    shape, knots = shapes[0]
    at = np.linspace(0.0, knots[-1], max(16, round(knots[-1] / REFERENCE_SPACING)), endpoint=False)
    own, rate = shape(at), shape(at, 1)
    other = shapes[1][0](_paired(own[:, 0], own[:, 1], rate[:, 0], rate[:, 1], *shapes[1]))
    middle = (own[:, :2] + other[:, :2]) / 2
    new = np.append(True, np.hypot(*np.diff(middle, axis=0).T) > 0.05)  # round the inside of a bend they crowd
    line, _ = even_loop(middle[new, 0], middle[new, 1], smoothing=8.0)
    smoothing = max(3.0, *(scatter_smoothing(*shape(knots[:-1])[:, :2].T) for shape, knots in shapes))
    for _ in range(8):
        (left, _, _), (right, _, _) = (_beside(line, shape, knots) for shape, knots in shapes)
        bad = ~(left > right)
        if bad.mean() > 0.02:
            k = int(np.flatnonzero(bad)[0])
            raise ColumnError(
                f"{names[0]}, {names[1]}: the edges cross near x = {line.x[k]:.0f}, y = {line.y[k]:.0f} m; "
                "give two edges that stay either side of the track."
            )
        shift = (left + right) / 2
        east, north = direction(line)
        line, _ = even_loop(line.x - north * shift, line.y + east * shift, smoothing=smoothing)
        if float(np.quantile(np.abs(shift), 0.98)) < 0.002:
            break
    return line


def _paired(
    x: FloatArray, y: FloatArray, east: FloatArray, north: FloatArray, shape: CubicSpline, knots: FloatArray
) -> FloatArray:
    """Where on another loop the place beside each point is: near, and running the same way.

    Counting direction as a distance keeps to the own part of the track where another runs close by or crosses.
    """
    from scipy.spatial import KDTree

    at = np.linspace(0.0, knots[-1], max(16, round(2 * knots[-1] / REFERENCE_SPACING)), endpoint=False)
    points, rate = shape(at), shape(at, 1)

    def features(*parts: FloatArray) -> FloatArray:
        size = np.maximum(np.hypot(parts[2], parts[3]), 1e-12) / HEADING_WEIGHT
        return np.column_stack([parts[0], parts[1], parts[2] / size, parts[3] / size])

    tree = KDTree(features(points[:, 0], points[:, 1], rate[:, 0], rate[:, 1]))
    return np.asarray(at[tree.query(features(x, y, east, north))[1]])


def _beside(line: ReferenceLine, shape: CubicSpline, knots: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where the line square to each point of a reference line meets an edge: offset, place on the edge, height."""
    east, north = direction(line)
    at = _paired(line.x, line.y, east, north, shape, knots)
    ahead = np.zeros(len(at))
    for _ in range(6):
        points, rate = shape(at), shape(at, 1)
        ahead = (points[:, 0] - line.x) * east + (points[:, 1] - line.y) * north
        closing = rate[:, 0] * east + rate[:, 1] * north
        at = at - np.clip(ahead / np.where(np.abs(closing) < 0.2, 0.2, closing), -10.0, 10.0)
    points = shape(np.mod(at, knots[-1]))
    offset = (points[:, 1] - line.y) * east - (points[:, 0] - line.x) * north
    missed = ~(np.abs(ahead) < 0.01)
    height = points[:, 2] if points.shape[1] == 3 else np.full(len(at), np.nan)
    if missed.any() and not missed.all():
        grid = grid_of(line)
        offset[missed] = np.interp(grid[missed], grid[~missed], offset[~missed], period=line.length)
        height[missed] = np.interp(grid[missed], grid[~missed], height[~missed], period=line.length)
    return offset, at, height
