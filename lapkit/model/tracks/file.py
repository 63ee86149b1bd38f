"""The track file: a small TOML that a person can write, and a CSV of the same name beside it for points along the track."""

from __future__ import annotations

import json
import os
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import FileError, LapkitError
from lapkit.model.given import kind_given, path_given, records, said
from lapkit.model.line import HALF_WIDTH
from lapkit.model.place import ReferenceLine
from lapkit.model.tracks.entries import Entries, described
from lapkit.model.tracks.loops import grid_of
from lapkit.model.tracks.shapes import at_start_line, centre_line, complete_corners, track_from_centre_line
from lapkit.model.tracks.table import CENTRE_COLUMNS, read_points, read_text, table_text
from lapkit.model.tracks.track import (
    CORNER_COLUMNS,
    MARKER_POSITION,
    PROFILE_COLUMNS,
    Track,
    no_corners,
    resolve_markers,
)

MAX_TOML = 1_000_000  # bytes; what a person writes is a thousandth of it
MAX_LINE = 5000  # characters of one line of it
SHORT_PROFILE = 60  # rows of banking that are still written as [[banking]] rather than as a CSV
LENGTH_MISFIT = 0.005  # share by which the length written may differ from that of the points beside


def as_track(given: Track | str | os.PathLike[str] | None) -> Track | None:
    """Return a Track from a Track, a path to one, or None.

    Parameters
    ----------
    given : Track, path or None
        A path ends in ``.toml`` (a track file) or ``.csv`` (a centre line).

    Returns
    -------
    Track or None

    Raises
    ------
    LapkitError
        If something else was given.

    Examples
    --------
    >>> as_track("sample_data/marlow_basin.toml").markers["marker"].tolist()
    ['pit wall end', 'gate 3', 'water tower', 'scoreboard']
    """
    if given is None or isinstance(given, Track):
        return given
    if isinstance(given, str | os.PathLike):
        return track_from_centre_line(given) if Path(given).suffix.lower() == ".csv" else read_track(given)
    raise LapkitError(f"track={said(given)}: give a track file (TOML) or session.track of another recording.")


def read_track(path: str | os.PathLike[str]) -> Track:
    r"""Read a track file.

    Parameters
    ----------
    path : path
        A TOML file; everything in it is optional. ``name``; ``length`` (m); ``[start_line]`` with ``x``, ``y`` (m) and
        ``heading`` (degrees anticlockwise from x), or ``latitude``, ``longitude`` and ``heading`` (degrees clockwise
        from north); ``[origin]`` of the local frame with ``latitude``, ``longitude``; and lists of

        - ``[[corner]]``: ``start``, ``end`` (m from the line), ``name``, ``apex``, ``direction``, ``radius``;
        - ``[[marker]]``: ``name`` and ``distance`` (m from the line), or ``x``, ``y``, or ``latitude``, ``longitude``;
        - ``[[lane]]``: ``name``, ``from``, ``to`` (m left of the reference line), ``corner``;
        - ``[[banking]]``: ``at`` (m from the line), ``angle`` (degrees, positive where the right side is higher).

        A CSV beside it, with the same name but for its end, holds points along the track: any of distance, x, y,
        left_width, right_width, height (m), banking_deg. Points without distance may begin anywhere; they are counted
        from the start/finish line.

    Returns
    -------
    Track

    Raises
    ------
    FileError
        If a file cannot be read, or holds something else; every fault is listed.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "oval.toml"
    >>> _ = file.write_text('[[marker]]\nname = "flag stand"\ndistance = 20\n')
    >>> read_track(file).markers.values.tolist()
    [['flag stand', 20.0]]
    """
    path = path_given(path, "read_track", "the path of a track file (TOML)")
    if path.suffix.lower() == ".csv":
        raise FileError(f"{path.name}: a track file is TOML; for the points alone use track_from_centre_line.")
    text = read_text(path, "a track file", limit=MAX_TOML)
    if (longest := max(map(len, text.splitlines()), default=0)) > MAX_LINE:
        raise FileError(f"{path.name}: not a TOML track file: it has a line of {longest} characters.")
    try:
        content = tomllib.loads(text)
    except (ValueError, RecursionError) as error:  # a number of thousands of digits is a plain ValueError
        raise FileError(f"{path.name}: not a TOML track file: {error}.") from error
    read = Entries()
    track = described(read, content)
    beside = path.with_suffix(".csv")
    points = pd.DataFrame()
    if beside.exists():
        points, faults = read_points(beside, CENTRE_COLUMNS)
        if any("is not known" in fault for fault in faults):
            faults.append(
                f"if {beside.name} is a recording and not the table of this track, give the track file another name"
            )
        read.faults += [f"{beside.name}: {fault}" for fault in faults]
    if not read.faults and len(points.columns):
        track = _with_points(read, track, points, beside.name)
    if not read.faults:
        read.faults += _place_faults(track)
    if read.faults:
        count = f"{len(read.faults)} faults: " if len(read.faults) > 1 else ""
        raise FileError(f"{path.name}: {count}{'; '.join(read.faults)}.")
    return _completed(track)


def _with_points(read: Entries, track: Track, table: pd.DataFrame, what: str) -> Track:
    """Add the reference line and the profile of the CSV."""
    faults = []
    if "distance" in table and (table["distance"].isna().any() or (np.diff(table["distance"]) <= 0).any()):
        faults.append(f"{what}: distance must rise from row to row")
    if ("x" in table) != ("y" in table):
        faults.append(f"{what}: x and y go together")
    if "x" not in table and "distance" not in table:
        faults.append(f"{what}: there is neither distance nor x and y")
    read.faults += faults
    if faults:
        return track
    reference, profile = None, None
    try:
        reference, profile = _line_and_profile(track, table, what)
    except LapkitError as error:
        read.faults.append(str(error).rstrip("."))
    if track.profile is not None:
        if profile is not None and "banking" in profile:
            read.faults.append(f"banking is in {what} and in [[banking]]; leave one of them out")
        else:
            profile = track.profile if profile is None else profile.join(track.profile, how="outer")
    length = reference.length if reference is not None else track.length
    return replace(track, length=length, reference=reference, profile=profile)


def _line_and_profile(track: Track, table: pd.DataFrame, what: str) -> tuple[ReferenceLine | None, pd.DataFrame | None]:
    """Reference line and profile that a table holds."""
    points = table[table["x"].notna() & table["y"].notna()] if "x" in table else table.iloc[:0]
    reference = _as_written(points, track.length)
    if reference is not None or not len(points):
        known = [name for name in PROFILE_COLUMNS if name in table and table[name].notna().any()]
        places = grid_of(reference) if reference is not None and len(points) == len(table) else table["distance"]
        index = pd.Index(places, name="distance", dtype=np.float64)
        return reference, table[known].set_index(index).dropna(how="all") if known else None
    if len(points) < len(table):
        raise FileError(f"{what}: some rows have no x and y; give them in every row")
    reference, profile, _ = centre_line(points, what)
    if track.length is not None and abs(track.length - reference.length) > LENGTH_MISFIT * reference.length:
        raise FileError(
            f"length = {track.length:g}, but the line in {what} is {reference.length:.1f} m long; correct one of them"
        )
    if "distance" not in table:
        return _from_line(track, reference, profile)
    if table["distance"].iloc[0] > 1.0:
        raise FileError(
            f"{what}: the first point is at distance {table['distance'].iloc[0]:g}; begin at the line, with 0"
        )
    return reference, profile


def _from_line(
    track: Track, reference: ReferenceLine, profile: pd.DataFrame | None
) -> tuple[ReferenceLine, pd.DataFrame | None]:
    """Points that say no distance may begin anywhere: count them from the start/finish line, where there is one."""
    line = track.line or track.start_line
    if line is None or (track.line is None and track.origin is None):
        return reference, profile
    bare = Track(reference.length, no_corners(), None, reference, track.origin, profile=profile)
    turned = at_start_line(bare, line, sides_known=False)
    assert turned.reference is not None
    return turned.reference, turned.profile


def _as_written(points: pd.DataFrame, length: float | None) -> ReferenceLine | None:
    """The points as they are, where they are an even reference line already."""
    if length is None or "distance" not in points or len(points) < 16:
        return None
    spacing = length / len(points)
    x, y = points["x"].to_numpy(), points["y"].to_numpy()
    chords = np.hypot(np.diff(x, append=x[0]), np.diff(y, append=y[0]))
    even = np.abs(points["distance"].to_numpy() - np.arange(len(points)) * spacing) < 2e-3
    if not (0.5 <= spacing <= 2.0 and even.all() and (np.abs(chords - spacing) < 0.05 * spacing + 1e-3).all()):
        return None
    return ReferenceLine(x.copy(), y.copy(), spacing, length)


def _place_faults(track: Track) -> list[str]:
    """What lies beyond the end of the lap."""
    if track.length is None:
        return []
    length, faults = track.length, []
    for name, end in track.corners[["corner", "end_distance"]].itertuples(index=False):
        if end > length + 1e-3:
            faults.append(f"corner '{name}': end = {end:g} lies beyond the lap of {length:.1f} m")
    for name, at in track.markers[["marker", "distance"]].itertuples(index=False):
        if at >= length:
            faults.append(f"marker '{name}': distance = {at:g} lies beyond the lap of {length:.1f} m")
    if track.profile is not None and len(track.profile) and track.profile.index[-1] >= length:
        faults.append(
            f"the banking or the points go on to {track.profile.index[-1]:g} m, beyond the lap of {length:.1f} m"
        )
    if track.reference is not None:
        far = resolve_markers(track, track.reference, track.origin, keep=True)[1]
        faults += [note.removesuffix("; it was left out.") for note in far]
    return faults


def _completed(track: Track) -> Track:
    """Fill in what follows from the rest: places of markers, the shape of corners."""
    corners, line = track.corners, track.reference
    if line is not None:
        track = replace(track, markers=resolve_markers(track, line, track.origin, keep=True)[0])
        corners = complete_corners(corners, line)
    middle = (corners["start_distance"] + corners["end_distance"]) / 2
    return replace(track, corners=corners.assign(apex_distance=corners["apex_distance"].fillna(middle)))


# ------------------------------------------------------------------------- writing


def write_track(track: Track, path: str | os.PathLike[str]) -> None:
    """Write a track as a small TOML and, for its reference line and profile, a CSV of the same name beside it.

    Parameters
    ----------
    track : Track
    path : path
        Ends in ``.toml``. A track written there before is replaced as a whole; another CSV of that name is not touched.

    Raises
    ------
    FileError
        If the name does not end in ``.toml``, a CSV of that name holds something else, or the disk refuses.
    LapkitError
        If the track holds what a track file cannot.

    Examples
    --------
    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "oval.toml"
    >>> write_track(Track(800.0, no_corners(), name="Invented Oval").with_markers({"flag stand": 20.0}), file)
    >>> print(file.read_text())
    # A track. Distances in metres from the start/finish line, offsets in metres to the left, angles in degrees.
    name = "Invented Oval"
    length = 800.0
    <BLANKLINE>
    [[marker]]
    name = "flag stand"
    distance = 20.0
    <BLANKLINE>
    """
    path = path_given(path, "write_track", "a path that ends in .toml")
    kind_given(track, Track, "write_track", "a track, such as session.track")
    if path.suffix.lower() != ".toml":
        raise FileError(f"{path.name}: a track file ends in .toml; the points go to a .csv of the same name.")
    beside = path.with_suffix(".csv")
    table = _points_of_track(track)
    text = _text(track, banking=table is None)
    read = Entries()
    again = described(read, tomllib.loads(text))
    read.faults += _place_faults(replace(again, length=track.length, reference=track.reference))
    if read.faults:
        raise LapkitError(f"this track cannot be written: {'; '.join(read.faults)}.")
    if beside.exists() and (not beside.is_file() or read_points(beside, CENTRE_COLUMNS)[1]):
        raise FileError(
            f"{beside.name} is there already and is not the table of a track; give the track another name than {path.name}."
        )
    files = {path: text} if table is None else {beside: table_text(table), path: text}
    temporary = {file: file.with_name(f".{file.name}.{os.getpid()}.tmp") for file in files}
    try:
        for file, content in files.items():
            temporary[file].write_text(content, encoding="utf-8", newline="\n")
        for file in files:
            temporary[file].replace(file)
        if table is None:
            beside.unlink(missing_ok=True)  # points of the track that was written here before
    except OSError as error:
        raise FileError(f"{path}: the track cannot be written ({error.strerror}).") from error
    finally:
        for file in temporary.values():
            file.unlink(missing_ok=True)


def _points_of_track(track: Track) -> pd.DataFrame | None:
    """The table beside the file: None where the TOML says it all."""
    profile, reference = track.profile, track.reference
    profile = profile.dropna(how="all").dropna(axis=1, how="all") if profile is not None else None
    if profile is not None and not profile.size:
        profile = None
    if reference is None:
        if profile is None or (list(profile.columns) == ["banking"] and len(profile) <= SHORT_PROFILE):
            return None
        return profile.rename_axis("distance").reset_index()
    points = pd.DataFrame({"x": reference.x, "y": reference.y}, index=_tenths(grid_of(reference)))
    if profile is not None:
        profile = profile.set_axis(_tenths(profile.index.to_numpy(np.float64)))
        points = points.join(profile[~profile.index.duplicated()], how="outer")
    return points.rename_axis("distance").reset_index()


def _tenths(places: FloatArray) -> pd.Index:
    return pd.Index(np.round(places, 4), name="distance")


def _text(track: Track, *, banking: bool) -> str:
    """The TOML."""
    lines = [
        "# A track. Distances in metres from the start/finish line, offsets in metres to the left, angles in degrees."
    ]
    if track.name:
        lines.append(f"name = {_words(track.name)}")
    if track.length is not None:
        lines.append(f"length = {_figure(track.length, 6)}")
    line, written = track.line, track.start_line
    if line is not None:
        lines += ["", "[start_line]", f"x = {_figure(line.x)}", f"y = {_figure(line.y)}"]
        if line.heading is not None:
            turned = (
                (np.degrees(line.heading) + 180.0) % 360.0 - 180.0
                if abs(line.heading) > 2 * np.pi
                else np.degrees(line.heading)
            )
            lines.append(f"heading = {_figure(float(turned), 7)}  # anticlockwise from x")
        if line.half_width != HALF_WIDTH:
            lines.append(f"half_width = {_figure(line.half_width)}")
        if line.either_way:
            lines.append("either_way = true")
    elif written is not None:
        degrees = dict(written)
        if "heading" in degrees and "latitude" not in degrees:
            degrees["heading"] = float(np.degrees(degrees["heading"]))
        lines += ["", "[start_line]", *(f"{key} = {_figure(value, 9)}" for key, value in degrees.items())]
    if track.origin is not None:
        lines += ["", "[origin]", *(f"{key} = {_figure(value, 10)}" for key, value in
                                    zip(("latitude", "longitude"), track.origin, strict=True))]  # fmt: skip
    for row in records(track.corners.reindex(columns=CORNER_COLUMNS)):
        lines += ["", "[[corner]]", f"name = {_words(row['corner'])}"]
        keys = (("start", "start_distance"), ("apex", "apex_distance"), ("end", "end_distance"), ("radius", "radius"))
        lines += [f"{key} = {_figure(row[name])}" for key, name in keys if np.isfinite(row[name])]
        if row["direction"]:
            lines.append(f"direction = {_words(row['direction'])}")
    for row in records(track.markers):
        lines += ["", "[[marker]]", f"name = {_words(row['marker'])}"]
        if np.isfinite(row["distance"]):
            lines.append(f"distance = {_figure(row['distance'])}")
            continue
        for key in MARKER_POSITION:
            if np.isfinite(row[key]):
                angle = key in ("latitude", "longitude")
                lines.append(f"{key} = {_figure(np.degrees(row[key]), 10) if angle else _figure(row[key])}")
    for row in records(track.lanes):
        lines += ["", "[[lane]]", f"name = {_words(row['lane'])}", f"from = {_figure(row['from_offset'])}",
                  f"to = {_figure(row['to_offset'])}"]  # fmt: skip
        if row["corner"]:
            lines.append(f"corner = {_words(row['corner'])}")
    if banking and track.profile is not None and "banking" in track.profile:
        for at, angle in track.profile["banking"].dropna().items():
            lines += ["", "[[banking]]", f"at = {_figure(float(at))}", f"angle = {_figure(np.degrees(angle), 6)}"]  # type: ignore[arg-type]
    return "\n".join(lines) + "\n"


def _words(text: object) -> str:
    """A TOML basic string: JSON's escapes are TOML's, but for the one control character that JSON lets pass."""
    sound = str(text).encode("utf-8", "replace").decode("utf-8")
    return json.dumps(sound, ensure_ascii=False).replace("\x7f", "\\u007f")


def _figure(value: float, decimals: int = 4) -> str:
    """A TOML float without idle zeros."""
    text = f"{float(value):.{decimals}f}".rstrip("0")
    text = text + "0" if text.endswith(".") else text
    return "0.0" if text == "-0.0" else text
