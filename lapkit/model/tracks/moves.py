"""The same track from another start/finish line, or driven the other way round."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from lapkit.errors import LapkitError
from lapkit.model.given import kind_given, number_given, records
from lapkit.model.line import StartLine
from lapkit.model.place import ReferenceLine
from lapkit.model.tracks.loops import grid_of, length_spline
from lapkit.model.tracks.track import PROFILE_COLUMNS, Track, marker_table, nearest_place

LINE_REACH = 100.0  # m from the reference line that a start/finish line may be given


def started_at(track: Track, x: float, y: float, heading: float | None = None) -> Track:
    """Return the track with its distance counted from another start/finish line.

    Parameters
    ----------
    track : Track
        With a reference line.
    x, y : float
        A point of the line, m in the track's frame.
    heading : float, optional
        Direction of travel across it, rad anticlockwise from x. Where parts of the track run side by side it tells
        which is meant; distance 0 is then where the reference line meets the line square to it.

    Returns
    -------
    Track
        Reference line, profile, corners and markers moved alike. Corners that are numbered are counted anew; a named
        corner that holds the new line is divided in two.

    Raises
    ------
    LapkitError
        If there is no reference line, none near the point, or none that runs this way.

    Examples
    --------
    >>> from lapkit.model.tracks.shapes import track_from_centre_line
    >>> angle = np.arange(628) * 2 * np.pi / 628
    >>> circle = pd.DataFrame({"x": 100 * np.cos(angle), "y": 100 * np.sin(angle)})
    >>> track = track_from_centre_line(circle).with_markers({"flag stand": 200.0})
    >>> started_at(track, 0.0, 100.0).markers["distance"].round(1).tolist()
    [42.9]
    """
    line, x, y = _reference(track), number_given(x, "x", "m"), number_given(y, "y", "m")
    if heading is not None:
        heading = number_given(heading, "heading", "rad")
    place, away = nearest_place(line, x, y, heading=heading)
    if not away <= LINE_REACH:  # nowhere near, or nowhere at all
        _, any_way = nearest_place(line, x, y)
        if any_way <= LINE_REACH:
            raise LapkitError(
                f"the start/finish line at ({x:.1f}, {y:.1f}) m is crossed the other way than the track runs there; "
                "check its heading, or turn the track round with reversed_track."
            )
        raise LapkitError(
            f"the start/finish line at ({x:.1f}, {y:.1f}) m is {any_way:.0f} m from the track: are both in one frame?"
        )
    shape = length_spline(line)
    for _ in range(5):
        point, rate = shape(place % line.length), shape(place % line.length, 1)
        east, north = rate / np.hypot(*rate) if heading is None else (np.cos(heading), np.sin(heading))
        ahead = (x - point[0]) * east + (y - point[1]) * north
        closing = max((rate[0] * east + rate[1] * north) / np.hypot(*rate), 0.2)
        place += float(np.clip(ahead / closing, -20.0, 20.0))
    place %= line.length
    if line.length - place < 1e-6:
        place = 0.0
    grid = grid_of(line)
    points = shape(np.mod(grid + place, line.length))
    moved = ReferenceLine(points[:, 0].copy(), points[:, 1].copy(), line.spacing, line.length)
    across = float(heading if heading is not None else np.arctan2(north, east))
    profile = track.profile
    if profile is not None:
        if len(profile) == len(grid) and np.allclose(profile.index, grid, atol=1e-3):
            columns = {str(name): track.along(str(name), grid + place) for name in profile.columns}
            profile = pd.DataFrame({k: v for k, v in columns.items() if v is not None}, index=profile.index)
        else:
            profile = _moved_profile(profile, lambda at: at - place, line.length)
    corners, renamed = _moved_corners(track.corners, place, line.length)
    lanes = track.lanes
    if len(lanes):
        rows = [dict(row, corner=new) for row in records(lanes)
                for new in dict.fromkeys(renamed.get(row["corner"], [row["corner"]]))]  # fmt: skip
        lanes = pd.DataFrame(rows, columns=lanes.columns).drop_duplicates(ignore_index=True)
    return replace(
        track, length=line.length, reference=moved, line=StartLine(float(x), float(y), across), start_line=None,
        corners=corners, markers=_moved_markers(track.markers, lambda at: at - place, line.length), lanes=lanes,
        profile=profile,
    )  # fmt: skip


def reversed_track(track: Track) -> Track:
    """Return the track driven the other way round, from the same start/finish line.

    Parameters
    ----------
    track : Track
        With a reference line.

    Returns
    -------
    Track
        Left and right are exchanged everywhere; distances count the other way. Numbered corners are counted anew.

    Raises
    ------
    LapkitError
        If there is no reference line.

    Examples
    --------
    >>> from lapkit.model.tracks.shapes import track_from_centre_line
    >>> angle = np.arange(628) * 2 * np.pi / 628
    >>> track = track_from_centre_line(pd.DataFrame({"x": 100 * np.cos(angle), "y": 100 * np.sin(angle)}))
    >>> reversed_track(track).corners["direction"].tolist()
    ['right']
    """
    line = _reference(track)
    length = line.length
    turned = ReferenceLine(np.roll(line.x[::-1], 1), np.roll(line.y[::-1], 1), line.spacing, length)
    profile = track.profile
    if profile is not None:
        sides = {"left_width": "right_width", "right_width": "left_width"}
        profile = _moved_profile(profile, lambda at: -at, length).rename(columns=sides)
        profile = profile[[name for name in PROFILE_COLUMNS if name in profile]]
        profile = profile.assign(**{name: -profile[name] for name in ("banking", "curvature") if name in profile})
    corners = track.corners.iloc[::-1].reset_index(drop=True)
    numbered = _numbered(track.corners)
    corners = corners.assign(
        start_distance=length - corners["end_distance"],
        apex_distance=length - corners["apex_distance"],
        end_distance=length - corners["start_distance"],
        direction=corners["direction"].map({"left": "right", "right": "left"}).fillna(corners["direction"]),
    )
    lanes = track.lanes.assign(from_offset=-track.lanes["to_offset"], to_offset=-track.lanes["from_offset"])
    if numbered:
        names = [str(k + 1) for k in range(len(corners))]
        lanes = lanes.assign(corner=lanes["corner"].replace(dict(zip(corners["corner"], names, strict=True))))
        corners = corners.assign(corner=names)
    start = track.line
    if start is not None and start.heading is not None:
        start = replace(start, heading=float((start.heading + 2 * np.pi) % (2 * np.pi) - np.pi))
    return replace(
        track, length=length, reference=turned, line=start, start_line=None, corners=corners, lanes=lanes,
        markers=_moved_markers(track.markers, lambda at: -at, length), profile=profile,
    )  # fmt: skip


def _reference(track: Track) -> ReferenceLine:
    kind_given(track, Track, "track", "a track, such as session.track or read_track(path)")
    if track.reference is None:
        raise LapkitError(f"{track!r} has no reference line: give it a centre line, edges, or laps with position.")
    return track.reference


def _moved_markers(markers: pd.DataFrame, move: Callable[[Any], Any], length: float) -> pd.DataFrame:
    return marker_table([dict(row, distance=move(row["distance"]) % length) for row in records(markers)])


def _moved_profile(profile: pd.DataFrame, move: Callable[[Any], Any], length: float) -> pd.DataFrame:
    places = np.mod(move(profile.index.to_numpy(np.float64)), length)
    places[length - places < 1e-9] = 0.0
    return profile.set_axis(pd.Index(places, name="distance")).sort_index()


def _numbered(corners: pd.DataFrame) -> bool:
    """Whether the corners are numbered from the line, rather than named."""
    return list(corners["corner"]) == [str(k + 1) for k in range(len(corners))]


def _moved_corners(corners: pd.DataFrame, place: float, length: float) -> tuple[pd.DataFrame, dict[str, list[str]]]:
    """Corners counted from another place, and what became of each name."""
    if not len(corners):
        return corners, {}
    numbered = _numbered(corners)
    rows: list[dict[str, Any]] = [dict(row, was=[row["corner"]]) for row in records(corners)]
    for row in rows:
        for key in ("start_distance", "apex_distance", "end_distance"):
            row[key] -= place
    first, last = rows[0], rows[-1]
    touching = last["end_distance"] + place > length - 1.0 and first["start_distance"] + place < 1.0
    if numbered and len(rows) > 1 and touching and first["direction"] == last["direction"] and place > 0:
        tighter = (
            last if last["radius"] < first["radius"] else dict(first, apex_distance=first["apex_distance"] + length)
        )
        rows = [*rows[1:-1], dict(last, end_distance=first["end_distance"] + length, was=last["was"] + first["was"],
                                  radius=tighter["radius"], apex_distance=tighter["apex_distance"])]  # fmt: skip
    parts: list[dict[str, Any]] = []
    for row in rows:
        start = row["start_distance"] % length
        shift = start - row["start_distance"]
        row = dict(
            row,
            start_distance=start,
            apex_distance=row["apex_distance"] + shift,
            end_distance=row["end_distance"] + shift,
        )
        if row["end_distance"] <= length + 1e-6:
            parts.append(dict(row, end_distance=min(row["end_distance"], length)))
            continue
        over = row["end_distance"] - length
        before, after = row["apex_distance"] < length, row["apex_distance"] - length
        names = (
            [row["corner"]] * 2 if numbered else [f"{row['corner']} (to the line)", f"{row['corner']} (from the line)"]
        )
        parts.append(dict(row, corner=names[0], end_distance=length,
                          apex_distance=row["apex_distance"] if before else length))  # fmt: skip
        parts.append(dict(row, corner=names[1], start_distance=0.0, end_distance=over,
                          apex_distance=0.0 if before else after))  # fmt: skip
    parts.sort(key=lambda row: float(row["start_distance"]))
    if numbered:
        parts = [dict(row, corner=str(k + 1)) for k, row in enumerate(parts)]
    renamed: dict[str, list[str]] = {}
    for row in parts:
        for was in row["was"]:
            renamed.setdefault(was, []).append(row["corner"])
    return pd.DataFrame(parts)[list(corners.columns)], renamed
