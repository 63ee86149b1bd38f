"""Position as a file holds it: local metres, or latitude and longitude in any usual writing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from lapkit.channels import channel_for, split_unit
from lapkit.errors import ColumnError
from lapkit.importers.clock import Clock
from lapkit.importers.columns import Columns
from lapkit.importers.evidence import Windows, ratio
from lapkit.importers.headers import Assignment
from lapkit.importers.raw import RawTable
from lapkit.importers.sampling import there_and_back
from lapkit.importers.units import POSITION_UNITS, nearest
from lapkit.model.geodesy import degrees_from_ddmm, geodetic_to_local
from lapkit.model.line import missing_half
from lapkit.model.recording import ChannelSource, Provenance
from lapkit.model.show import counted

FloatArray = NDArray[np.float64]

FASTEST = 150.0
"""Speed no car reaches, m/s. Common practice, no source."""

POSITION = ("x", "y", "latitude", "longitude")
"""Channels of a position."""
DEGREES_BESIDE = 200.0
"""A column whose values lie this many times their range from zero, and which moves a thousandth as far as the other axis, holds
degrees beside metres (chosen: a kilometre is 0.01 degrees)."""

_ANGLE = (
    r"^\s*(?P<before>[NSEWnsew+-])?\s*(?P<degrees>\d+(?:[.,]\d+)?)\s*(?:[°º:d]\s*(?:(?P<minutes>\d+(?:[.,]\d+)?)\s*['′:m]?"
    r"\s*(?:(?P<seconds>\d+(?:[.,]\d+)?)\s*[\"″s]?)?)?)?\s*(?P<after>[NSEWnsew])?\s*$"
)


@dataclass
class Position:
    """Where the car was, sample by sample.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Metres, NaN where there was no fix.
    made : dict of str to ndarray, shape (n,)
        Channels made here in SI: x, y, latitude and longitude where the file holds angles.
    origin : (float, float) or None
        Latitude and longitude (degrees) of the origin, where x and y were made from them.
    """

    x: FloatArray
    y: FloatArray
    made: dict[str, FloatArray]
    origin: tuple[float, float] | None = None


def find_position(raw: RawTable, columns: Columns, clock: Clock, provenance: Provenance) -> Position | None:
    """Find the position of every sample.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    columns : Columns
        Tells the columns; local x and y are preferred to angles.
    clock : Clock
        Tells the rows and their order.
    provenance : Provenance
        Receives the decisions, and the fixes left out.

    Returns
    -------
    Position or None
        None where the file has no position.

    Raises
    ------
    ColumnError
        If most latitudes are outside -90 to 90 degrees, or degrees were given for metres.
    """
    _refuse_degrees(raw, columns)
    made: dict[str, FloatArray] = {}
    latitude, longitude = columns.channels.get("latitude"), columns.channels.get("longitude")
    words = [c for c in (latitude, longitude) if c is not None and c.header in raw.texts and not _is_angle(raw, c)]
    for choice in words:
        first = raw.texts[choice.header].drop_null()
        provenance.warnings.append(
            f"'{choice.header}' holds '{first[0].as_py() if len(first) else ''}', not an angle such as 48.1173, 48.1173N or "
            f"4807.038: not read as {choice.channel}."
        )
    if latitude is not None and longitude is not None and not words:
        angles = _angles(raw, latitude, longitude, provenance)
        if clock.rows is not None:
            angles = (angles[0][clock.rows], angles[1][clock.rows])
        if np.isfinite(angles[0]).any():
            made = {"latitude": angles[0], "longitude": angles[1]}
    x, y = columns.channels.get("x"), columns.channels.get("y")
    if x is not None and y is not None:
        if x.unit is None and y.unit is None:
            _local_unit(raw, x, y, columns.channels.get("speed"), clock, provenance)
        for choice in (x, y):
            if choice.unit is None:
                choice.decide(str(y.unit if choice is x else x.unit), "as the other axis")
        east, north = _values(raw, x, clock), _values(raw, y, clock)
        if np.isfinite(east).any() and np.isfinite(north).any():
            jumps = there_and_back(clock.time, east, north, fastest=FASTEST, slack=20.0)
            if jumps.size:
                east, north = _without(jumps, east, north, clock, raw, provenance)
                made |= {"x": east, "y": north}
            return Position(east, north, made)
        provenance.warnings.append(f"'{x.header}' and '{y.header}' hold no numbers.")
    if not made:
        half = half_position(columns)
        if half:
            other = half.rpartition("and no ")[2].partition(" ")[0]
            provenance.warnings.append(
                f"there is no position: {half}. If a column holds the other half, name it with "
                f'columns={{"{other}": "<header>"}}; x and y are in metres, latitude and longitude in degrees.'
            )
        return None
    assert latitude is not None and longitude is not None
    fix = int(np.flatnonzero(np.isfinite(made["latitude"]))[0])
    origin = (float(made["latitude"][fix]), float(made["longitude"][fix]), 0.0)
    east, north, _ = geodetic_to_local(made["latitude"], made["longitude"], origin=origin)
    jumps = there_and_back(clock.time, east, north, fastest=FASTEST, slack=20.0)
    if jumps.size:
        east, north = _without(jumps, east, north, clock, raw, provenance)
    for name, values in (("x", east), ("y", north)):
        columns.channels.pop(name, None)
        made[name] = values
        provenance.channels[name] = ChannelSource(
            "(from latitude and longitude)",
            "m",
            f"WGS 84, local to the first fix at {np.degrees(origin[0]):.7f}, {np.degrees(origin[1]):.7f} deg",
        )
    return Position(east, north, made, (float(np.degrees(origin[0])), float(np.degrees(origin[1]))))


def half_position(columns: Columns) -> str:
    """Say which half of a position is there and which is missing; "" where there is none, or a whole one."""
    there = {name: choice.header for name, choice in columns.channels.items() if name in POSITION}
    whole = {"x", "y"} <= set(there) or {"latitude", "longitude"} <= set(there)
    return missing_half(there) if there and not whole else ""


def _refuse_degrees(raw: RawTable, columns: Columns) -> None:
    """Refuse degrees given for x or y in metres: by the words of the header, or by what the values must be.

    Raises
    ------
    ColumnError
    """
    pair = [columns.channels.get(name) for name in ("x", "y")]
    x, y = pair
    if x is None or y is None or any(choice.header not in raw.numbers for choice in (x, y)):
        return
    open_ = [choice for choice in (x, y) if choice.unit is None]
    wrong = [choice for choice in open_ if (channel_for(split_unit(choice.header)[0]) or ("",))[0] in POSITION[2:]]
    wrong = wrong or [choice for choice in open_ if _degrees_beside(raw, choice, y if choice is x else x)]
    if not wrong:
        return
    said = " and ".join(f"'{c.header}' ({_span(raw, c)}) as {c.channel}" for c in (x, y))
    headers = " and ".join(f"'{c.header}'" for c in wrong)
    both = len(wrong) == 2
    way_out = (
        f'give columns={{"latitude": "{y.header}", "longitude": "{x.header}"}}, or the other way about'
        if both
        else f'name the column that holds {wrong[0].channel} in metres, or both of degrees with columns={{"latitude": "<header>", '
        '"longitude": "<header>"}'
    )
    units = ", ".join(f'"{c.channel}": "m"' for c in wrong)
    raise ColumnError(
        f"{raw.source}: {said}: {headers} {'look' if both else 'looks'} like degrees, and x and y are metres, as a position is "
        f"x and y or latitude and longitude, not one of each. To do: {way_out}; should {headers} hold metres, say "
        f"units={{{units}}}."
    )


def _span(raw: RawTable, choice: Assignment) -> str:
    values = raw.numbers[choice.header]
    return f"{np.nanmin(values):.6g} to {np.nanmax(values):.6g}"


def _degrees_beside(raw: RawTable, choice: Assignment, other: Assignment) -> bool:
    """Whether a column moves as degrees do beside one of metres."""
    values, metres = raw.numbers[choice.header], raw.numbers[other.header]
    values, metres = values[np.isfinite(values)], metres[np.isfinite(metres)]
    if not values.size or not metres.size:
        return False
    moved, far = float(np.ptp(values)), float(np.ptp(metres))
    size = float(np.abs(np.median(values)))
    return bool(0 < moved < 1e-3 * far and size <= 180.0 and size > DEGREES_BESIDE * moved)


def _local_unit(
    raw: RawTable,
    x: Assignment,
    y: Assignment,
    speed: Assignment | None,
    clock: Clock,
    provenance: Provenance,
    *,
    fit: float = 0.05,
) -> None:
    """Decide the unit of a position that says none: by the speed if that says its own, else metres.

    `fit` is the share by which the two may differ, as for speed.
    """
    reason = "no unit said, metres taken"
    if speed is not None and speed.unit is not None and speed.header in raw.numbers:
        windows = Windows(clock.time, _values(raw, x, clock), _values(raw, y, clock))
        measured = windows.mean(np.abs(_values(raw, speed, clock)))
        found = ratio(measured, windows.speed, least=windows.slowest)
        unit = nearest(found, "length", POSITION_UNITS, fit) if found is not None else None
        if unit is not None and unit != "m":
            x.decide(unit, f"no unit said; in {unit} it fits the speed")
            provenance.notes.append(
                f"'{x.header}' and '{y.header}' do not say their unit; in {unit} they fit the speed in '{speed.header}', in "
                f'metres they do not. Say it with units={{"x": "m", "y": "m"}} if that is wrong.'
            )
            return
    x.decide("m", reason)


def _values(raw: RawTable, choice: Assignment, clock: Clock) -> FloatArray:
    values = raw.numbers[choice.header]
    if clock.rows is not None:
        values = values[clock.rows]
    return values * choice.scale if choice.scale != 1.0 else values


def _without(
    rows: NDArray[np.intp], x: FloatArray, y: FloatArray, clock: Clock, raw: RawTable, provenance: Provenance
) -> tuple[FloatArray, FloatArray]:
    """Blank positions that leap away."""
    first = int(rows[0]) if clock.rows is None else int(clock.rows[rows[0]])
    provenance.warnings.append(
        f"{counted(len(rows), 'position')} leaping away from the path left out, first at line {raw.line(first)}."
    )
    x, y = x.copy(), y.copy()
    x[rows] = y[rows] = np.nan
    return x, y


# ------------------------------------------------------------------------------- angles


def _angles(
    raw: RawTable, latitude: Assignment, longitude: Assignment, provenance: Provenance
) -> tuple[FloatArray, FloatArray]:
    """Latitude and longitude in radians, file order, NaN where there is no fix."""
    lat, lon = (_degrees(raw, choice, letters) for choice, letters in ((latitude, "NS"), (longitude, "EW")))
    lon = (
        np.where(np.abs(lon) <= 360.0, (lon + 180.0) % 360.0 - 180.0, lon)
        if np.nanmax(np.abs(lon), initial=0) > 180
        else lon
    )
    bad = (np.abs(lat) > 90.0) | (np.abs(lon) > 360.0)
    if bad.any():
        row = int(np.flatnonzero(bad)[0])
        found = f"latitude {lat[row]:g}, longitude {lon[row]:g} deg at line {raw.line(row)} ('{latitude.header}', '{longitude.header}')"
        if bad.sum() > 0.5 * np.isfinite(lat).sum():
            raise ColumnError(
                f"{raw.source}: {found}: latitude must be between -90 and 90 deg, in {int(bad.sum())} of {len(lat)} rows "
                'it is not. Name the right columns with columns={"latitude": ..., "longitude": ...}.'
            )
        provenance.warnings.append(f"{counted(int(bad.sum()), 'position')} out of range left out, first {found}.")
    nowhere = (lat == 0.0) & (lon == 0.0)
    if nowhere.any():
        first = raw.line(int(np.flatnonzero(nowhere)[0]))
        provenance.warnings.append(
            f"{counted(int(nowhere.sum()), 'position')} at 0, 0 (no fix) left out, first at line {first}."
        )
    out = bad | nowhere
    if out.any():
        lat, lon = np.where(out, np.nan, lat), np.where(out, np.nan, lon)
    return np.radians(lat), np.radians(lon)


def _degrees(raw: RawTable, choice: Assignment, letters: str) -> FloatArray:
    """One column of angles in degrees; `letters` are the signs plus and minus, as in "NS"."""
    if choice.header in raw.texts:
        values, writing = _spelled(raw, choice, letters)
    else:
        values, writing = raw.numbers[choice.header], ""
    if choice.unit == "rad":
        return np.degrees(values)
    limit = 90.0 if letters == "NS" else 180.0
    size = np.abs(values[np.isfinite(values) & (values != 0)])
    typical = float(np.median(size)) if size.size else 0.0
    unit = "deg"
    if typical > 100 * limit:
        values, writing = values * 1e-7, "whole numbers of 1e-7 deg"
    elif (typical > limit and _is_ddmm(size)) or (letters == "EW" and typical > 60 and _partner_is_ddmm(raw, choice)):
        values, writing = degrees_from_ddmm(values), "degrees and minutes, ddmm.mmmm"
    sides = _hemisphere(raw, choice, letters)
    if sides is not None and not (values < 0).any():
        values = np.where(sides[1], -values, values)
        writing = ", ".join(filter(None, [writing, f"{letters[0]} and {letters[1]} from '{sides[0]}'"]))
    choice.decide(unit, writing or choice.unit_reason or "degrees, as nothing else is said")
    return values


def _is_ddmm(size: FloatArray) -> bool:
    return bool((size % 100 < 60).mean() > 0.99 and size.max() < 18060)


def _partner_is_ddmm(raw: RawTable, longitude: Assignment) -> bool:
    """Whether the latitude beside a longitude near zero (00131.0) is written as ddmm.mmmm."""
    place = raw.order.index(longitude.header)
    for header in raw.order[max(0, place - 2) : place]:
        if header in raw.numbers:
            size = np.abs(raw.numbers[header])
            size = size[np.isfinite(size) & (size != 0)]
            if size.size and 90 < np.median(size) <= 9000 and _is_ddmm(size):
                return True
    return False


def _hemisphere(raw: RawTable, choice: Assignment, letters: str) -> tuple[str, NDArray[np.bool_]] | None:
    """Column of letters beside an angle, and where it says south or west."""
    place = raw.order.index(choice.header)
    for header in sorted(raw.texts, key=lambda h: (raw.order.index(h) < place, abs(raw.order.index(h) - place))):
        cells = raw.texts[header]
        words = {str(word).strip().upper() for word in pc.unique(cells).drop_null().to_pylist()[:20]}
        if words and words <= set(letters):
            upper = pc.utf8_upper(pc.utf8_trim_whitespace(cells.cast(pa.string())))
            return header, pc.fill_null(pc.equal(upper, letters[1]), False).to_numpy().astype(bool)
    return None


def _is_angle(raw: RawTable, choice: Assignment) -> bool:
    """Whether a column of words holds angles, at least in half of the cells that are looked at."""
    cells = raw.texts[choice.header].cast(pa.string()).drop_null().slice(0, 100)
    return bool(len(cells) and 2 * pc.extract_regex(cells, _ANGLE).null_count <= len(cells))


def _spelled(raw: RawTable, choice: Assignment, letters: str) -> tuple[FloatArray, str]:
    """Angles written with letters or signs: 48.1173N, 4807.038 N, or degrees, minutes and seconds."""
    cells = pc.replace_substring(raw.texts[choice.header].cast(pa.string()), ",", ".")
    match = pc.extract_regex(cells, _ANGLE)
    values = np.zeros(len(cells))
    for name, size in (("degrees", 1.0), ("minutes", 60.0), ("seconds", 3600.0)):
        part = pc.struct_field(match, name)
        part = pc.cast(pc.if_else(pc.equal(part, ""), "0" if name != "degrees" else None, part), pa.float64())
        values = values + np.array(part.to_numpy(), dtype=np.float64) / size
    minus = np.zeros(len(cells), dtype=bool)
    for name in ("before", "after"):
        sign = pc.utf8_upper(pc.struct_field(match, name))
        minus |= pc.fill_null(pc.is_in(sign, pa.array([letters[1], "-"])), False).to_numpy().astype(bool)
    return np.where(minus, -values, values), f"written as {cells.drop_null()[0].as_py().strip()}"
