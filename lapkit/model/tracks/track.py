"""Track: what a place means. Length, start/finish line, corners, markers, lanes, and the reference line."""

from __future__ import annotations

import os
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.errors import LapkitError
from lapkit.model.geodesy import geodetic_to_local
from lapkit.model.given import kind_given, number_given, records, said
from lapkit.model.line import StartLine
from lapkit.model.place import ReferenceLine
from lapkit.model.tracks.loops import length_spline

CORNER_COLUMNS = ["corner", "start_distance", "apex_distance", "end_distance", "direction", "radius"]
MARKER_COLUMNS = ["marker", "distance"]
MARKER_POSITION = ["x", "y", "latitude", "longitude"]  # m and rad; only while a marker waits for a reference line
LANE_COLUMNS = ["lane", "corner", "from_offset", "to_offset"]
PROFILE_COLUMNS = ["left_width", "right_width", "banking", "height", "curvature"]
MARKER_REACH = 100.0  # m; a thing farther from the line than this does not stand beside the track
HEADING_WEIGHT = 25.0  # m that a turn of one radian counts for where one part of a track is told from another
HEADING_REACH = 40  # points of the reference line either side of the one that fits best
NAME_LENGTH = 100  # characters of a name, so that a table can still be read
MAX_OFFSET = 200.0  # m; no track is wider to one side
KINDS: dict[str, tuple[type, str]] = {
    "corners": (pd.DataFrame, "a table, such as session.track.corners"),
    "line": (StartLine, "a StartLine or None"),
    "reference": (ReferenceLine, "a ReferenceLine or None"),
    "start_line": (Mapping, "a mapping of x, y or latitude, longitude, or None"),
    "name": (str, "a name, in quotes"),
    "markers": (pd.DataFrame, "a table, such as session.track.markers"),
    "lanes": (pd.DataFrame, "a table, such as session.track.lanes"),
    "profile": (pd.DataFrame, "a table or None"),
}
"""Attribute of a track -> what it is, for a program and for a person."""

MarkerPlace: TypeAlias = "float | Sequence[float] | Mapping[str, float]"


def _table(columns: list[str], words: tuple[str, ...] = ()) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(dtype=object if name in words else np.float64) for name in columns})


def no_markers() -> pd.DataFrame:
    """Return the marker table with no marker in it."""
    return _table(MARKER_COLUMNS, ("marker",))


def no_lanes() -> pd.DataFrame:
    """Return the lane table with no lane in it."""
    return _table(LANE_COLUMNS, ("lane", "corner"))


def no_corners() -> pd.DataFrame:
    """Return the corner table with no corner in it."""
    return _table(CORNER_COLUMNS, ("corner", "direction"))


@dataclass(frozen=True)
class Track:
    """A track, learnt from laps or written by hand.

    Attributes
    ----------
    length : float or None
        Metres round the reference line; None in a hand-written file that leaves it to the laps.
    corners : DataFrame
        One row a corner: corner, start_distance, apex_distance, end_distance (m), direction, radius (m).
    line : StartLine or None
        Start/finish line in the local frame, where known.
    reference : ReferenceLine or None
        Closed line that places are counted along, where there was position.
    origin : (float, float) or None
        Latitude and longitude (degrees) of the local frame's origin.
    start_line : dict or None
        Line as written in a file, before a recording gives it a local frame.
    name : str
    markers : DataFrame
        Things beside the track, in order: marker (its name), distance (m from the line). Markers known by position
        alone have NaN there, and columns x, y (m), latitude, longitude (rad), until a reference line is known.
    lanes : DataFrame
        Bands of offset: lane (its name), corner ("" for all round the track), from_offset, to_offset
        (m, left positive; the band is [from_offset, to_offset)).
    profile : DataFrame or None
        What is known of the surface along the reference line, index `distance` (m, rising, from 0 up to below the
        length, read between rows and round the lap): any of left_width, right_width (m from the reference line to the
        edges, positive), banking (rad, positive where the right side is higher), height (m, of the reference line), curvature (1/m, left
        positive: how laps without position turned; those of another recording are matched to it).

    Raises
    ------
    LapkitError
        If an attribute is something else.
    """

    length: float | None
    corners: pd.DataFrame
    line: StartLine | None = None
    reference: ReferenceLine | None = None
    origin: tuple[float, float] | None = None
    start_line: dict[str, float] | None = None
    name: str = ""
    markers: pd.DataFrame = field(default_factory=no_markers)
    lanes: pd.DataFrame = field(default_factory=no_lanes)
    profile: pd.DataFrame | None = None

    def __post_init__(self) -> None:
        for name, (kind, expected) in KINDS.items():
            if getattr(self, name) is not None or "None" not in expected:
                kind_given(getattr(self, name), kind, name, expected)
        if self.length is not None:
            number_given(self.length, "length", "m")
        if self.origin is not None:
            _check_origin(self.origin)

    def along(self, name: str, places: FloatArray) -> FloatArray | None:
        """Return a column of the profile at places on the track; None where the track does not know it.

        Parameters
        ----------
        name : str
            left_width, right_width, banking, height or curvature.
        places : ndarray
            Metres from the line.

        Returns
        -------
        ndarray, same shape, or None

        Raises
        ------
        LapkitError
            If no profile has such a column, or the places are not numbers.
        """
        if not isinstance(name, str) or name not in [*PROFILE_COLUMNS, *([] if self.profile is None else self.profile)]:
            raise LapkitError(f"along: expected one of {', '.join(PROFILE_COLUMNS)}, and got {said(name)}.")
        try:
            places = np.asarray(places, dtype=np.float64)
        except (TypeError, ValueError):
            raise LapkitError(f"places: expected metres from the line, and got {said(places)}.") from None
        if self.profile is None or name not in self.profile.columns or self.length is None:
            return None
        known = self.profile[name].dropna()
        if known.empty:
            return None
        values: FloatArray = np.interp(places, known.index.to_numpy(), known.to_numpy(np.float64), period=self.length)
        return values

    def with_markers(self, markers: Mapping[str, MarkerPlace]) -> Track:
        """Return the track with things beside it named; a name already there is moved.

        Parameters
        ----------
        markers : mapping of str to place
            A place is a distance (m from the line), a position ``(x, y)`` (m), or a mapping of ``latitude`` and
            ``longitude`` (degrees). A position is put on the reference line now if there is one, else as soon as a
            recording brings one.

        Returns
        -------
        Track

        Raises
        ------
        LapkitError
            If a name or a place will not do; every fault is listed.

        Examples
        --------
        >>> track = Track(800.0, no_corners()).with_markers({"flag stand": 20.0, "gate": 310.0})
        >>> track.markers["marker"].tolist()
        ['flag stand', 'gate']
        """
        faults: list[str] = []
        rows: list[dict[str, object]] = []
        kind_given(markers, Mapping, "markers", "a mapping of names to places, such as {'gate': 310.0}")
        for given, place in markers.items():
            name, fault = clean_name(given)
            faults += [f"marker {given!r}: {fault}"] if fault else []
            row, fault = _marker_row(place, self.length)
            faults += [f"marker {given!r}: {fault}"] if fault else []
            rows.append({"marker": name, **row})
        faults += repeated("marker", [str(row["marker"]) for row in rows])
        if faults:
            raise LapkitError(f"{'; '.join(faults)}.")
        kept = self.markers[~self.markers["marker"].isin([row["marker"] for row in rows])]
        table = marker_table([*records(kept), *rows])
        track = replace(self, markers=table)
        if self.reference is None:
            return track
        placed, far = resolve_markers(track, self.reference, self.origin, keep=True)
        if far:
            raise LapkitError(" ".join(note.replace("; it was left out.", ".") for note in far))
        return replace(self, markers=placed)

    def with_lanes(self, lanes: Mapping[str, tuple[float, float]], *, corner: str = "") -> Track:
        """Return the track with bands of offset named; a lane of the same name and corner is replaced.

        Parameters
        ----------
        lanes : mapping of str to (float, float)
            From and to, m left of the reference line (negative to the right); the band holds its first border
            and not its second.
        corner : str
            Corner the lanes are for; "" for all round the track.

        Returns
        -------
        Track

        Raises
        ------
        LapkitError
            If a name or a band will not do; every fault is listed.

        Examples
        --------
        >>> track = Track(800.0, no_corners()).with_lanes({"low": (-3.0, 2.0), "high": (-9.0, -3.0)})
        >>> track.lanes[["lane", "from_offset", "to_offset"]].values.tolist()
        [['low', -3.0, 2.0], ['high', -9.0, -3.0]]
        """
        faults: list[str] = []
        rows: list[dict[str, object]] = []
        kind_given(lanes, Mapping, "lanes", "a mapping of names to bands, such as {'low': (-3.0, 2.0)}")
        for given, band in lanes.items():
            name, fault = clean_name(given)
            faults += [f"lane {given!r}: {fault}"] if fault else []
            try:
                low, high = (float(border) for border in band)
            except (TypeError, ValueError):
                faults.append(f"lane {given!r}: {band!r} is not a band; give (from, to) in metres")
                continue
            rows.append({"lane": name, "corner": str(corner), "from_offset": low, "to_offset": high})
        names = [row["lane"] for row in rows]
        kept = self.lanes[~(self.lanes["lane"].isin(names) & (self.lanes["corner"] == str(corner)))]
        table = pd.DataFrame([*records(kept), *rows], columns=LANE_COLUMNS) if rows else kept
        faults += lane_faults(table, self.corners)
        if faults:
            raise LapkitError(f"{'; '.join(faults)}.")
        return replace(self, lanes=table.reset_index(drop=True))

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write the track as a small TOML file, and a CSV of the same name beside it for its reference line and profile.

        Parameters
        ----------
        path : path
            Ends in ``.toml``. See `lapkit.model.tracks.file.write_track`.
        """
        from lapkit.model.tracks.file import write_track

        write_track(self, path)

    def __repr__(self) -> str:
        length = "length unknown" if self.length is None else f"{self.length:.1f} m"
        return f"<Track {self.name or '(unnamed)'}: {length}, {len(self.corners)} corners>"


def _check_origin(given: Any) -> None:
    """Refuse what is no latitude and longitude; NaN stands for one that a file does not say."""
    pair = isinstance(given, tuple | list) and len(given) == 2
    known = pair and all(isinstance(value, int | float | np.number) and not isinstance(value, bool) for value in given)
    if known and not (abs(given[0]) > 90 or abs(given[1]) > 180):
        return
    raise LapkitError(
        "origin: expected latitude (-90 to 90) and longitude (-180 to 180) in degrees, such as (12.5, -30.25), and got "
        f"{repr(given)[:60] if pair else said(given)}."
    )


# ------------------------------------------------------------------ names and rows


def clean_name(given: object) -> tuple[str, str]:
    """Return a name in one line, and what is wrong with it ("" if nothing).

    Examples
    --------
    >>> clean_name("  flag   stand "), clean_name("")[1]
    (('flag stand', ''), 'a name is needed')
    """
    if isinstance(given, bool) or not isinstance(given, str | int):
        return "", f"{given!r} is not a name; write words in quotes"
    if isinstance(given, int) and abs(given) >= 10**NAME_LENGTH:
        return "", f"a number of more than {NAME_LENGTH} digits is not a name"
    name = " ".join(str(given).split())
    if not name:
        return name, "a name is needed"
    if len(name) > NAME_LENGTH:
        return name[:NAME_LENGTH], f"the name has {len(name)} characters; use at most {NAME_LENGTH}"
    if any(unicodedata.category(sign) in {"Cc", "Cs"} for sign in name):
        return name, f"the name {name!r} holds a control character; leave it out"
    return name, ""


def repeated(what: str, names: Sequence[str]) -> list[str]:
    """Return a fault for every name that is there twice."""
    return [
        f"{what} '{name}' is there {names.count(name)} times" for name in dict.fromkeys(names) if names.count(name) > 1
    ]


def marker_table(rows: Sequence[Mapping[str, object]]) -> pd.DataFrame:
    """Return markers as a table in driving order, those not placed yet at its end."""
    if not rows:
        return no_markers()
    table = pd.DataFrame([dict(row) for row in rows]).reindex(columns=[*MARKER_COLUMNS, *MARKER_POSITION])
    table = table.astype(dict.fromkeys(["distance", *MARKER_POSITION], np.float64))
    waiting = table["distance"].isna().any()
    table = table.sort_values("distance", kind="stable", ignore_index=True)
    return table if waiting else table[MARKER_COLUMNS]


def lane_faults(lanes: pd.DataFrame, corners: pd.DataFrame) -> list[str]:
    """Return what is wrong with a table of lanes: borders, bands that overlap, corners that do not exist."""
    faults = []
    for lane, corner, low, high in lanes[LANE_COLUMNS].itertuples(index=False):
        where = f"lane '{lane}'" + (f" of corner {corner}" if corner else "")
        if not -MAX_OFFSET <= low < high <= MAX_OFFSET:
            faults.append(
                f"{where} runs from {low:g} to {high:g} m: the smaller offset comes first (left is positive), "
                f"both within {MAX_OFFSET:g} m of the reference line"
            )
        if corner and len(corners) and corner not in set(corners["corner"]):
            faults.append(f"{where}: there is no such corner; there are {', '.join(corners['corner'])}")
    for corner in lanes["corner"].unique():
        group = lanes[lanes["corner"] == corner]
        where = f" of corner {corner}" if corner else ""
        faults += [fault + where for fault in repeated("lane", list(group["lane"]))]
        group = group.sort_values("from_offset", kind="stable")
        over = group["to_offset"].to_numpy()[:-1] > group["from_offset"].to_numpy()[1:] + 1e-9
        faults += [
            f"lanes '{group['lane'].iloc[k]}' and '{group['lane'].iloc[k + 1]}'{where} overlap"
            for k in np.flatnonzero(over)
        ]
    return faults


def _marker_row(place: MarkerPlace, length: float | None) -> tuple[dict[str, float], str]:
    """One marker as a row of the table, and what is wrong with it."""
    try:
        if isinstance(place, Mapping):
            latitude, longitude = float(place["latitude"]), float(place["longitude"])
            if not (abs(latitude) <= 90 and abs(longitude) <= 180):
                return {}, f"latitude {latitude:g}, longitude {longitude:g} is not a place on earth (degrees)"
            return {"latitude": float(np.radians(latitude)), "longitude": float(np.radians(longitude))}, ""
        if isinstance(place, int | float | np.number) and not isinstance(place, bool):
            distance = float(place)
            if not (np.isfinite(distance) and 0 <= distance < (np.inf if length is None else length)):
                lap = "" if length is None else f" of {length:g} m"
                return {}, f"{distance:g} m does not lie on the lap{lap}"
            return {"distance": distance}, ""
        x, y = (float(value) for value in place)  # type: ignore[union-attr]
        if np.isfinite([x, y]).all():
            return {"x": x, "y": y}, ""
    except (TypeError, ValueError, KeyError):
        pass
    return {}, f"{place!r} is not a place; give a distance in metres, (x, y), or latitude and longitude"


# --------------------------------------------------------- places of single points


def nearest_place(reference: ReferenceLine, x: float, y: float, *, heading: float | None = None) -> tuple[float, float]:
    """Find the place of the reference line nearest to a point.

    Parameters
    ----------
    reference : ReferenceLine
    x, y : float
        Position, m.
    heading : float, optional
        Direction of travel there, rad: only parts of the line that run this way (within 90 degrees) count.

    Returns
    -------
    place : float
        Metres along the line, 0 <= place < length; NaN where no part runs this way.
    away : float
        Distance from the line, m.

    Examples
    --------
    >>> angle = np.arange(628) * 2 * np.pi / 628
    >>> circle = ReferenceLine(100 * np.cos(angle), 100 * np.sin(angle), 200 * np.pi / 628, 200 * np.pi)
    >>> place, away = nearest_place(circle, 0.0, 90.0)
    >>> round(place, 2), round(away, 2)
    (157.08, 10.0)
    """
    east, north = np.roll(reference.x, -1) - reference.x, np.roll(reference.y, -1) - reference.y
    dx, dy = x - reference.x, y - reference.y
    share = np.clip((dx * east + dy * north) / np.maximum(east * east + north * north, 1e-12), 0.0, 1.0)
    away = np.hypot(dx - share * east, dy - share * north)
    if heading is None:
        k = int(np.argmin(away))
    else:
        turn = np.abs((np.arctan2(north, east) - heading + np.pi) % (2 * np.pi) - np.pi)
        away[turn >= np.pi / 2] = np.inf
        k = int(np.argmin(np.hypot(away, HEADING_WEIGHT * turn)))  # the part of the track that is meant
        near = (k + np.arange(-HEADING_REACH, HEADING_REACH + 1)) % len(away)
        k = int(near[np.argmin(away[near])])
        if not np.isfinite(away[k]):
            return float("nan"), float("inf")
    shape, place = length_spline(reference), float((k + share[k]) * reference.spacing)
    for _ in range(4):  # between points the line is a curve, not a chord
        at, rate, bend = (shape(place % reference.length, order) for order in (0, 1, 2))
        at = at - (x, y)
        slope = max(float(rate @ rate + at @ bend), 0.2)
        place -= float(np.clip((at @ rate) / slope, -reference.spacing, reference.spacing))
    return place % reference.length, float(np.hypot(*at))


def resolve_markers(
    track: Track,
    reference: ReferenceLine | None,
    origin: tuple[float, float] | None,
    *,
    length: float | None = None,
    keep: bool = False,
) -> tuple[pd.DataFrame, list[str]]:
    """Give the markers of a track their place on a reference line.

    Parameters
    ----------
    track : Track
    reference : ReferenceLine or None
        Line of the laps.
    origin : (float, float) or None
        Latitude and longitude (degrees) of the local frame.
    length : float, optional
        Metres of a lap where there is no reference line.
    keep : bool
        Whether markers that cannot be placed stay in the table, waiting; else they are left out.

    Returns
    -------
    markers : DataFrame
        marker, distance, in driving order.
    notes : list of str
        What could not be placed, and why.

    Examples
    --------
    >>> track = Track(None, no_corners()).with_markers({"flag stand": 20.0, "gate": (0.0, 95.0)})
    >>> resolve_markers(track, None, None)[1]
    ["Marker 'gate' is known by position, and these laps have no reference line to put it on; it was left out."]
    """
    rows: list[dict[str, object]] = []
    notes: list[str] = []
    length = reference.length if reference is not None else length or track.length
    for row in records(track.markers.reindex(columns=[*MARKER_COLUMNS, *MARKER_POSITION])):
        name, place = row["marker"], float(row["distance"])
        x, y = float(row["x"]), float(row["y"])
        if np.isnan(x) and origin is not None and np.isfinite(row["latitude"]):
            east, north, _ = geodetic_to_local(row["latitude"], row["longitude"], origin=(*np.radians(origin), 0.0))
            x, y = float(east), float(north)
        why = ""
        if np.isfinite(place):
            if length is not None and place >= length:
                why = f"is {place:g} m from the line, and a lap has {length:.0f} m"
        elif reference is None:
            why = "is known by position, and these laps have no reference line to put it on"
        elif np.isnan(x):
            why = "is known by latitude and longitude, which this frame of x and y is not tied to"
        else:
            nearest, away = nearest_place(reference, x, y)
            if away <= MARKER_REACH:
                row = {"marker": name, "distance": nearest}
            else:
                why = f"lies {away:.0f} m from the track (at most {MARKER_REACH:.0f} m count as beside it)"
        if why and not (keep and np.isnan(x)):
            notes.append(f"Marker '{name}' {why}; it was left out.")
        if not why or keep:
            rows.append(row)
    table = marker_table(rows)
    return (table if keep else table[MARKER_COLUMNS]), notes
