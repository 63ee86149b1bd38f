"""Choosing how a recording is cut into laps: what the person said, then what the file says, then the loop itself."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from lapkit.channels import FloatArray
from lapkit.errors import ColumnError, LapError
from lapkit.model.counters import cut_by_lap_clock, cut_by_lap_column, cut_by_lap_distance
from lapkit.model.geodesy import geodetic_to_local
from lapkit.model.laps import Cuts, cut_by_closing, cut_by_line
from lapkit.model.line import StartLine, StartLineLike, missing_half, parse_start_line
from lapkit.model.motion import Motion
from lapkit.model.tracks.track import Track


def cut(
    motion: Motion,
    *,
    start_line: StartLineLike | None,
    track: Track | None,
    geographic: bool,
    origin: tuple[float, float] | None,
    logged: Mapping[str, FloatArray | None],
    source: str,
    columns: Mapping[str, str] | None = None,
) -> Cuts:
    """Cut a recording into laps by the best means there are.

    Parameters
    ----------
    motion : Motion
    start_line : str, sequence or mapping, optional
        Line the person gave; goes before everything else.
    track : Track, optional
        Its line comes next, where there is position.
    geographic : bool
        Whether bare numbers of a line are latitude and longitude.
    origin : (float, float) or None
        Latitude and longitude of the local frame's origin, degrees.
    logged : mapping
        "lap", "lap_clock" and "lap_distance" as the file has them, or None.
    source : str
        Name of the file, for messages.
    columns : mapping, optional
        Channel -> column it is in, to say what of a position is there.

    Returns
    -------
    Cuts
        Without crossings where nothing marks the laps.

    Raises
    ------
    LapError
        If the car never crossed the line given.
    ColumnError
        If a line was given and there is no position.
    """
    where = "the line you gave"
    if start_line is None and track is not None and motion.x is not None:
        start_line, where = track.line or track.start_line, "the line of the track"
    if start_line is not None:
        if motion.x is None:
            raise ColumnError(
                f"{source}: a start line needs position, and {missing_half(columns or {})}; leave the start line out, or "
                "name the columns that hold it."
            )
        line, how = parse_start_line(start_line, geographic=geographic, origin=origin)
        try:
            cuts = cut_by_line(motion, line, f"Laps run from {where} ({how}).")
        except LapError as error:
            if track is None or track.line is not start_line:
                raise LapError(f"{source}: {error}") from error
            raise LapError(
                f"{source}: {error} The line is that of the track given, which came from a track file or from another "
                "recording: the track and this recording must share one frame, the same local metres or latitude and "
                "longitude in both, and be of one place."
            ) from error
        if not len(cuts.time):
            raise LapError(_never_crossed(motion, cuts, source))
        return cuts
    lap, lap_clock, lap_distance = logged["lap"], logged["lap_clock"], logged["lap_distance"]
    only = int(lap[0]) if lap is not None and np.nanmin(lap) == np.nanmax(lap) and abs(lap[0]) < 1e6 else None
    found: Cuts | None = None
    if lap is not None:
        found = cut_by_lap_column(motion, lap, lap_clock, lap_distance)
    if found is None and lap_distance is not None:
        found = cut_by_lap_distance(motion, lap_distance, lap_clock)
    if found is None and lap_clock is not None:
        found = cut_by_lap_clock(motion, lap_clock)
    if found is None and motion.x is not None:
        found = cut_by_closing(motion)
        if found is not None and found.line is not None:
            found.how += f" {_to_give(found.line, origin if geographic else None)}"
        if found is not None and only is not None and len(found.time) == 2:
            found.first_number = only  # the file holds one lap, and says which
    if found is None and only is not None:
        found = _one_lap(motion, only)
    if found is None:
        found = Cuts(np.empty(0), np.empty(0), "No laps were found.")
        if motion.x is None:
            what, way_out = "lap distance or position", "name a column of laps, of lap distance or of position"
        else:
            what, way_out = (
                "lap distance, start line or closed loop in position",
                "name a lap column or give a start line",
            )
        found.warnings.append(
            f"{source}: nothing marks the laps (no lap column, {what}), so the whole recording is shown as one partial lap, "
            f"its distances counted from where the recording begins; {way_out}."
        )
    return found


def _to_give(line: StartLine, origin: tuple[float, float] | None) -> str:
    """Return where a line lies as it is to be given to have it again: in degrees where there is an origin, else in metres."""
    assert line.heading is not None
    heading = np.degrees(line.heading)
    if origin is None:
        numbers = f"{line.x:.2f},{line.y:.2f},{heading % 360:.2f}deg"
        return f'The same line again: start_line="{numbers}" (x and y in metres, heading from x to y).'
    latitude, longitude = degrees_of(line.x, line.y, origin)
    numbers = f"{latitude:.7f},{longitude:.7f},{(90 - heading) % 360:.2f}deg"
    return f'The same line again: start_line="{numbers}" (latitude, longitude, heading from north to east).'


def degrees_of(x: float, y: float, origin: tuple[float, float]) -> tuple[float, float]:
    """Return latitude and longitude (degrees) of a point in a local frame (m from `origin`, degrees).

    They are found by steps: each is wrong by less than 1 % of the last.
    """
    radius = 6.371e6  # m, of the earth
    latitude, longitude = np.radians(origin)
    for _ in range(8):
        east, north, _up = geodetic_to_local(latitude, longitude, origin=(*np.radians(origin), 0.0))
        latitude += (y - float(north)) / radius
        longitude += (x - float(east)) / (radius * np.cos(latitude))
    return float(np.degrees(latitude)), float(np.degrees(longitude))


def _one_lap(motion: Motion, number: int) -> Cuts:
    """A file that holds one lap and says so: from its first sample to its last."""
    half = motion.interval / 2
    return Cuts(
        np.array([motion.time[0] - half, motion.time[-1] + half]),
        np.full(2, motion.interval / np.sqrt(12.0)),
        f"The file holds one lap number, {number}: it is taken to run from the first sample to the last.",
        first_number=number,
    )


def _never_crossed(motion: Motion, cuts: Cuts, source: str) -> str:
    line = cuts.line
    assert line is not None and line.heading is not None and motion.x is not None and motion.y is not None
    away = np.hypot(motion.x - line.x, motion.y - line.y)
    near = int(np.nanargmin(away))
    low, high = max(near - 5, 0), min(near + 5, len(away) - 1)
    driven = np.degrees(np.arctan2(motion.y[high] - motion.y[low], motion.x[high] - motion.x[low]))
    return (
        f"{source}: the car never crossed the start line at ({line.x:.1f}, {line.y:.1f}) m heading "
        f"{np.degrees(line.heading):.0f} deg. It came within {np.nanmin(away):.1f} m, there driving at heading "
        f"{driven:.0f} deg ({np.radians(driven):.2f} rad); check the point, the heading and their units."
    )
