"""What two groups of laps must be to be compared line against line: whole laps whose rows are the same places."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from lapkit.errors import FrameError
from lapkit.model.frame import attribute, check_same_step, name_of
from lapkit.model.given import frames_given
from lapkit.model.session import SPOILT

LAP = "lap"
"""What the row of the whole lap is called in the column `corner`."""
LEAST_ROWS = 16
"""Rows of the shortest frame that can be a lap (as for the surface)."""


def order_of(frame: pd.DataFrame) -> tuple[Any, ...]:
    """An order of laps that does not depend on the side they are on."""
    return str(frame.attrs.get("source")), int(frame.attrs.get("lap") or 0), float(attribute(frame, "lap_time"))


def group_of(laps: Any, name: str) -> list[pd.DataFrame]:
    """Return the laps of one side as a list, each checked to be a whole lap; `name` is that of the parameter."""
    frames = frames_given(laps, name)
    for frame in frames:
        said = name_of(frame)
        missing = [column for column in ("time", "speed", "path") if column not in frame.columns]
        if missing or len(frame) < LEAST_ROWS:
            raise FrameError(
                f"{name}: {said} has {f'no column {missing[0]}' if missing else f'{len(frame)} rows'}; give the frames of "
                "session.lap(n) unchanged."
            )
        lap_time = attribute(frame, "lap_time")
        if lap_time is None or not np.isfinite(lap_time):
            raise FrameError(
                f"{name}: {said} does not run from line to line, so it has no lap time; choose laps that the lap table "
                "shows as complete."
            )
    return frames


def names_of(names: Sequence[str]) -> tuple[str, str]:
    """Return what the two lines are called."""
    given = [str(name) for name in names] if isinstance(names, Sequence) and not isinstance(names, str) else []
    if len(given) != 2 or given[0] == given[1]:
        raise FrameError(f"names={names!r}: give two different names, such as names=('high', 'low').")
    return given[0], given[1]


def befell(frame: pd.DataFrame) -> str:
    """Return what befell a lap, such as "contact", so that it is no fair lap to compare; "" for nothing."""
    kinds = [str(mark["kind"]) for mark in frame.attrs.get("marks") or []]
    return ", ".join(dict.fromkeys(kind for kind in kinds if kind in SPOILT))


def listed(frames: Sequence[pd.DataFrame]) -> str:
    """Return what some laps are called."""
    return ", ".join(name_of(frame) for frame in frames)


def by_position(frames: Sequence[pd.DataFrame]) -> bool:
    """Whether all laps are placed by position, so that offset and metres can be compared."""
    return all(attribute(frame, "place_method") == "position" and "offset" in frame.columns for frame in frames)


def fit_together(frames: Sequence[pd.DataFrame]) -> None:
    """Check that a row means one place in all the laps."""
    first = frames[0]
    for frame in frames[1:]:
        check_same_step(first, frame)
        lengths = [float(attribute(f, "track_length")) for f in (first, frame)]
        if abs(lengths[0] - lengths[1]) > 1e-6 * lengths[0] or len(frame) != len(first):
            raise FrameError(
                f"{name_of(first)} and {name_of(frame)} are placed on different reference lines ({lengths[0]:.2f} and "
                f"{lengths[1]:.2f} m round), so their rows are not the same places. Load the second recording with "
                "track=first_session.track, or both with one track file."
            )
    if by_position(frames):
        return
    for frame in frames:
        turning = [name for name in ("yaw_rate", "lateral_acceleration") if name in frame.columns]
        if attribute(frame, "place_method") != "position" and not turning:
            raise FrameError(
                f"{name_of(frame)} has no position: its places are by {attribute(frame, 'place_method')}, which slips when "
                "another line is driven, and there is no yaw rate or lateral acceleration to see the corners by. Position "
                "(x, y or latitude, longitude) would allow the whole comparison, yaw rate the times, speeds and radii."
            )


def no_metres(frames: Sequence[pd.DataFrame]) -> str:
    """Say why there are no metres, and how far places may be off."""
    frame = next((f for f in frames if attribute(f, "place_method") != "position"), frames[0])
    error = max(float(f.attrs.get("place_error") or 0.0) for f in frames)
    return (
        f"Not all laps have position (places are by {attribute(frame, 'place_method')}, good to about {error:.1f} m, which "
        "the uncertainties hold): no offset and no extra metres. Position would add them."
    )


def corners_of(frames: Sequence[pd.DataFrame]) -> list[dict[str, Any]]:
    """The corners that the laps carry, in driving order, whichever side is called a."""
    frame = next((f for f in sorted(frames, key=order_of) if f.attrs.get("corners")), None)
    records = [] if frame is None else [dict(corner) for corner in frame.attrs["corners"]]
    for record in records:
        record.setdefault("apex_distance", float("nan"))
        record["corner"] = str(record["corner"])
    return sorted(records, key=lambda record: float(record["start_distance"]))


def drove_first(groups: Sequence[Sequence[pd.DataFrame]]) -> int:
    """Return the side, 0 or 1, all of whose laps came before those of the other in one run; -1 where they mix."""
    if len({frame.attrs.get("source") for group in groups for frame in group}) != 1:
        return -1
    numbers = [[int(attribute(f, "lap")) for f in group] for group in groups]
    if max(map(len, numbers)) < 2:
        return -1
    return 0 if max(numbers[0]) < min(numbers[1]) else 1 if max(numbers[1]) < min(numbers[0]) else -1
