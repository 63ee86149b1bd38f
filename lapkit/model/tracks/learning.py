"""A track learnt from laps: its reference line is a path that was driven."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import LapError
from lapkit.model.frame import attribute
from lapkit.model.given import records, said, session_given
from lapkit.model.line import position_noise
from lapkit.model.place import ReferenceLine, project
from lapkit.model.tracks.loops import MAX_OPENING, even_loop, grid_of, length_spline
from lapkit.model.tracks.moves import started_at
from lapkit.model.tracks.shapes import corners_of
from lapkit.model.tracks.track import PROFILE_COLUMNS, Track, marker_table, nearest_place, no_corners, no_lanes

if TYPE_CHECKING:
    from lapkit.model.session import Session


def learn_track(session: Session, *, lap: int | str = "median") -> Track:
    """Return a track whose reference line is a path that was driven, so that offsets are relative to it.

    Parameters
    ----------
    session : Session
        With position.
    lap : int or str
        A lap's number; "best" for the fastest clean lap; "median" for the middle of all clean laps.

    Returns
    -------
    Track
        Markers and the profile of the session's track are carried over to the new line. Lanes are not: they are
        offsets from the line they were made for.

    Raises
    ------
    LapError
        If there is no such lap, or its path is not known all the way round.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/road_course.csv")
    >>> track = learn_track(session, lap="best")
    >>> round(track.length, -1), len(track.corners)
    (2250.0, 9)
    """
    session = session_given(session, "learn_track")
    if isinstance(lap, str) and lap == "median":
        numbers = [int(number) for number in session.laps.loc[session.clean, "lap"]]
        if not numbers:
            session.best_number()  # says why there is none
    elif isinstance(lap, str) and lap == "best":
        numbers = [session.best_number()]
    elif isinstance(lap, int | np.integer) and not isinstance(lap, bool):
        numbers = [int(lap)]
    else:
        raise LapError(f"lap={said(lap)}: give a lap's number, 'best' or 'median'.")
    lines = []
    for number in numbers:
        frame = session.lap(number)
        if not {"x", "y"} <= set(frame.columns):
            raise LapError(f"{attribute(frame, 'source')}: there is no position, so no path to make a track from.")
        lines.append(_closed_path(frame))
    known = [line for line in lines if line is not None]
    if not known:
        raise LapError(
            f"{session.about['source']}: the path of lap {', '.join(map(str, numbers))} is not known all the way round; "
            "choose a whole lap without holes."
        )
    x, y = np.median(np.stack(known), axis=0)
    samples = session.samples(numbers[0])
    noise = position_noise(*(samples[name].to_numpy(np.float64) for name in ("time", "x", "y")),
                           interval=session.recording.slow.get("x", 0.0))  # fmt: skip
    line, _ = even_loop(x, y, smoothing=float(np.clip(12.0 * noise, 0.0, 15.0)) + 3.0)
    old = session.track
    track = Track(line.length, no_corners(), None, line, old.origin, None, old.name)
    if old.line is not None:
        track = replace(started_at(track, old.line.x, old.line.y, old.line.heading), line=old.line)
    assert track.reference is not None
    track = replace(track, corners=_corners(session, track.reference), lanes=no_lanes())
    return _carried_over(track, old) if old.reference is not None else replace(track, markers=old.markers)


def _corners(session: Session, line: ReferenceLine) -> pd.DataFrame:
    """Corners of the new line; those of the session where its position was too noisy for a line to show them."""
    old = session.track
    if session.corner_source in ("", "position") or old.length is None:
        return corners_of(line)
    places = ["start_distance", "apex_distance", "end_distance"]
    return old.corners.assign(**{name: old.corners[name] * (line.length / old.length) for name in places})


def _closed_path(frame: pd.DataFrame) -> FloatArray | None:
    """Path of one lap on the grid, shape (2, n), the step at its end spread over the lap; None where it is not known."""
    xy = frame[["x", "y"]].to_numpy(np.float64).T
    place = frame.index.to_numpy(np.float64)
    length, step = float(attribute(frame, "track_length")), float(place[1] - place[0])
    there = np.isfinite(xy).all(axis=0)
    if len(place) < 16 or there.mean() < 0.95 or not there[[0, 1, -2, -1]].all():
        return None
    xy = np.stack([np.interp(place, place[there], row[there]) for row in xy])
    end = xy[:, -1] + (xy[:, -1] - xy[:, -2]) / step * (length - place[-1])
    gap = end - xy[:, 0]
    if np.hypot(*gap) > MAX_OPENING * length:
        return None
    xy = xy - gap[:, None] * (place / length - 0.5)
    keep = place < length - 0.5 * step
    return np.asarray(xy[:, keep])


def _carried_over(track: Track, old: Track) -> Track:
    """Markers and profile of the same track on another reference line."""
    assert track.reference is not None and old.reference is not None and old.length is not None
    new, grid = track.reference, grid_of(track.reference)
    before = old.reference
    shape = length_spline(before)
    rows = []
    for row in records(old.markers):
        x, y = shape(row["distance"])
        east, north = shape(row["distance"], 1)
        place, _ = nearest_place(new, float(x), float(y), heading=float(np.arctan2(north, east)))
        rows.append(dict(row, distance=place))
    markers = marker_table(rows)
    scale = new.length / before.length
    profile = None
    if old.profile is not None:
        places, offset = project(before, new.x, new.y, grid / scale)
        columns: dict[str, FloatArray] = {}
        for name in PROFILE_COLUMNS:
            values = old.along(name, places)
            if values is not None:
                columns[name] = values
        if "left_width" in columns:
            columns["left_width"] = columns["left_width"] - offset
        if "right_width" in columns:
            columns["right_width"] = columns["right_width"] + offset
        if "height" in columns and "banking" in columns:
            columns["height"] = columns["height"] - offset * np.tan(columns["banking"])
        profile = pd.DataFrame(columns, index=pd.Index(grid, name="distance"))
    return replace(track, markers=markers, profile=profile)
