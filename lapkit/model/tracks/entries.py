"""What the tables of a track file say, checked: every fault is kept, with the key it stands at."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from lapkit.model.line import HALF_WIDTH, StartLine
from lapkit.model.tracks.track import (
    CORNER_COLUMNS,
    LANE_COLUMNS,
    Track,
    clean_name,
    lane_faults,
    marker_table,
    no_corners,
    no_lanes,
    repeated,
)

MAX_ROWS = 1000  # corners, markers, lanes or bankings in one file
LENGTHS = (50.0, 100_000.0)  # m; shortest and longest lap
LINE_KEYS = ("x", "y", "latitude", "longitude", "heading", "half_width", "either_way")
ROW_KEYS = {
    "corner": ("name", "start", "end", "apex", "direction", "radius"),
    "marker": ("name", "distance", "x", "y", "latitude", "longitude"),
    "lane": ("name", "from", "to", "corner"),
    "banking": ("at", "angle"),
}
TOP_KEYS = ("name", "length", "start_line", "origin", *ROW_KEYS)
BOUNDS = {
    "x": (-1e8, 1e8), "y": (-1e8, 1e8), "latitude": (-90.0, 90.0), "longitude": (-180.0, 180.0),
    "heading": (-360.0, 360.0), "half_width": (0.5, 200.0), "radius": (1.0, 1e5), "angle": (-60.0, 60.0),
    "from": (-200.0, 200.0), "to": (-200.0, 200.0), "length": LENGTHS,
}  # fmt: skip


class Entries:
    """Takes values out of the tables of a file and keeps what is wrong with them."""

    def __init__(self) -> None:
        self.faults: list[str] = []

    def keys(self, table: Mapping[str, Any], known: Sequence[str], where: str) -> None:
        """Refuse keys that are not known."""
        for key in table:
            if key not in known:
                self.faults.append(f"{where}{_quoted(key)} is not known; use {', '.join(known)}")

    def number(
        self, table: Mapping[str, Any], key: str, where: str, low: float = -np.inf, high: float = np.inf
    ) -> float:
        """A number, NaN where it is missing or will not do."""
        if key not in table:
            return float("nan")
        value = table[key]
        if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e300:
            self.faults.append(f"{where}{key} = {_quoted(value)} is not a number")
            return float("nan")
        low, high = BOUNDS.get(key, (low, high))
        if not low <= value <= high:
            self.faults.append(f"{where}{key} = {value:g} lies outside {low:g} to {high:g}")
            return float("nan")
        return float(value)

    def needed(self, table: Mapping[str, Any], keys: Sequence[str], where: str) -> None:
        """Refuse a table without some keys."""
        self.faults += [f"{where}'{key}' is missing" for key in keys if key not in table]

    def name(self, given: object, where: str) -> str:
        """A name, in one line."""
        name, fault = clean_name(given)
        self.faults += [f"{where}{fault}"] if fault else []
        return name

    def table(self, content: Mapping[str, Any], key: str, known: Sequence[str]) -> Mapping[str, Any] | None:
        """A table, None where there is none."""
        table = content.get(key)
        if table is None:
            return None
        if not isinstance(table, dict):
            self.faults.append(f"{key} must be a table: write [{key}] with {', '.join(known)} below it")
            return None
        self.keys(table, known, f"[{key}]: ")
        return table

    def rows(self, content: Mapping[str, Any], key: str) -> list[tuple[str, dict[str, Any]]]:
        """Rows of a list of tables, each with where it stands."""
        rows, known = content.get(key, []), ROW_KEYS[key]
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            self.faults.append(f"{key}: write each as [[{key}]] with {', '.join(known)} below it")
            return []
        if len(rows) > MAX_ROWS:
            self.faults.append(f"{len(rows)} times [[{key}]] is more than {MAX_ROWS}")
            return []
        out = []
        for number, row in enumerate(rows, start=1):
            label = f" ({_quoted(row['name'])})" if isinstance(row.get("name"), str) else ""
            where = f"{key} {number}{label}: "
            self.keys(row, known, where)
            out.append((where, row))
        return out


def _quoted(value: object) -> str:
    """A value from a file, short and in one line."""
    try:
        text = repr(value)
    except ValueError:  # Python does not write out a whole number of thousands of digits
        text = "a number of thousands of digits"
    return text if len(text) <= 60 else text[:57] + "..."


def described(read: Entries, content: Mapping[str, Any]) -> Track:
    """What the TOML says, before the points beside it are looked at."""
    read.keys(content, TOP_KEYS, "")
    name = read.name(content["name"], "name: ") if content.get("name", "") != "" else ""
    length = read.number(content, "length", "")
    origin_table = read.table(content, "origin", ("latitude", "longitude"))
    origin = None
    if origin_table is not None:
        read.needed(origin_table, ("latitude", "longitude"), "[origin]: ")
        origin = (
            read.number(origin_table, "latitude", "[origin]: "),
            read.number(origin_table, "longitude", "[origin]: "),
        )
    line, start_line = _start_line(read, read.table(content, "start_line", LINE_KEYS))
    corners = _corners(read, content)
    lanes = _lanes(read, content, corners)
    known = None if np.isnan(length) else length
    return Track(known, corners, line, None, origin, start_line, name, _markers(read, content), lanes,
                 _banking(read, content))  # fmt: skip


def _start_line(read: Entries, table: Mapping[str, Any] | None) -> tuple[StartLine | None, dict[str, float] | None]:
    """The line in the local frame, or as written where it is in latitude and longitude."""
    if table is None:
        return None, None
    where = "[start_line]: "
    either_way = table.get("either_way", False)
    if not isinstance(either_way, bool):
        read.faults.append(f"{where}either_way must be true or false")
    geographic = "latitude" in table or "longitude" in table
    pair = ("latitude", "longitude") if geographic else ("x", "y")
    if geographic and ("x" in table or "y" in table):
        read.faults.append(f"{where}give x and y, or latitude and longitude, not both")
    read.needed(table, pair, where)
    found = {key: read.number(table, key, where) for key in table if key in LINE_KEYS and key != "either_way"}
    if geographic:
        return None, found
    heading = float(np.radians(found["heading"])) if "heading" in found else None
    at = (found.get("x", np.nan), found.get("y", np.nan))
    return StartLine(*at, heading, found.get("half_width", HALF_WIDTH), bool(either_way)), None


def _corners(read: Entries, content: Mapping[str, Any]) -> pd.DataFrame:
    out: list[list[Any]] = []
    for number, (where, row) in enumerate(read.rows(content, "corner"), start=1):
        read.needed(row, ("start", "end"), where)
        start, end, apex, radius = (read.number(row, key, where) for key in ("start", "end", "apex", "radius"))
        if start < 0 or start >= end:
            read.faults.append(
                f"{where}runs from {start:g} to {end:g} m: start comes before end, both on the lap; write a corner that "
                "holds the line as two"
            )
        if apex < start or apex > end:
            read.faults.append(f"{where}apex = {apex:g} lies outside the corner")
        direction = row.get("direction", "")
        if direction not in ("", "left", "right"):
            read.faults.append(f"{where}direction = {_quoted(direction)}: write left or right")
        out.append([read.name(row.get("name", number), where), start, apex, end, direction, radius])
    if not out:
        return no_corners()
    table = pd.DataFrame(out, columns=CORNER_COLUMNS).sort_values("start_distance", ignore_index=True)
    read.faults += repeated("corner", list(table["corner"]))
    over = table["end_distance"].to_numpy()[:-1] > table["start_distance"].to_numpy()[1:] + 1e-6
    read.faults += [
        f"corners '{table['corner'][k]}' and '{table['corner'][k + 1]}' overlap" for k in np.flatnonzero(over)
    ]
    return table


def _markers(read: Entries, content: Mapping[str, Any]) -> pd.DataFrame:
    rows: list[dict[str, object]] = []
    for where, row in read.rows(content, "marker"):
        read.needed(row, ("name",), where)
        given = [ways for ways in (("distance",), ("x", "y"), ("latitude", "longitude")) if set(ways) & set(row)]
        if len(given) != 1:
            read.faults.append(f"{where}give distance, or x and y, or latitude and longitude, one of the three")
        values: dict[str, object] = {}
        for key in given[0] if len(given) == 1 else ():
            read.needed(row, (key,), where)
            value = read.number(row, key, where, 0.0, LENGTHS[1])
            values[key] = float(np.radians(value)) if key in ("latitude", "longitude") else value
        rows.append({"marker": read.name(row["name"], where) if "name" in row else "", **values})
    read.faults += repeated("marker", [str(row["marker"]) for row in rows if row["marker"]])
    return marker_table(rows)


def _lanes(read: Entries, content: Mapping[str, Any], corners: pd.DataFrame) -> pd.DataFrame:
    out = []
    before = len(read.faults)
    for where, row in read.rows(content, "lane"):
        read.needed(row, ("name", "from", "to"), where)
        low, high = read.number(row, "from", where), read.number(row, "to", where)
        corner = row.get("corner", "")
        out.append([
            read.name(row["name"], where) if "name" in row else "",
            read.name(corner, where + "corner: ") if corner != "" else "", low, high,
        ])  # fmt: skip
    table = pd.DataFrame(out, columns=LANE_COLUMNS) if out else no_lanes()
    if len(read.faults) == before:
        read.faults += lane_faults(table, corners)
    return table


def _banking(read: Entries, content: Mapping[str, Any]) -> pd.DataFrame | None:
    places, angles = [], []
    for where, row in read.rows(content, "banking"):
        read.needed(row, ("at", "angle"), where)
        places.append(read.number(row, "at", where, 0.0, LENGTHS[1]))
        angles.append(float(np.radians(read.number(row, "angle", where))))
    if not places:
        return None
    table = pd.DataFrame({"banking": angles}, index=pd.Index(places, name="distance", dtype=np.float64)).sort_index()
    read.faults += [f"banking at {at:g} m is there twice" for at in table.index[table.index.duplicated()].unique()]
    return table
