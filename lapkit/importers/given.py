"""What the user says of columns and units: a mapping, a TOML file, or one kept beside the data."""

from __future__ import annotations

import difflib
import os
import tomllib
from collections.abc import Iterable, Mapping
from pathlib import Path
from textwrap import shorten

from lapkit.channels import CHANNELS, UNITS, channel_for, split_unit, unit_name
from lapkit.errors import ColumnError, UnitError
from lapkit.importers.headers import Assignment, by_header, find_header
from lapkit.importers.raw import RawTable
from lapkit.model.recording import Provenance

ColumnMapping = Mapping[str, str | Mapping[str, str | float]] | str | os.PathLike[str]
"""What a user may give as ``columns=``: channel -> header, channel -> {column, unit}, or a TOML file.

A pedal may be given by its ends, channel -> {column, zero, full}: the values released and fully applied."""

UnitMapping = Mapping[str, str] | str
"""What a user may give as ``units=``: channel or header -> unit, or the unit of every speed."""


def wanted_columns(
    raw: RawTable, provenance: Provenance, columns: ColumnMapping | None, path: Path | None
) -> dict[str, Assignment]:
    """Header -> the user's own choice for it, checked against the file."""
    origin = "columns="
    if isinstance(columns, str | os.PathLike):
        origin, columns = str(columns), _read_toml(Path(columns), provenance)
    elif columns is None and path is not None:
        beside = _beside(path)
        if beside is not None:
            columns = _read_toml(beside, provenance, required=False)
            if columns is not None:
                provenance.notes.append(f"columns taken from {beside.name}, which stands beside the file.")
            origin = beside.name
    elif columns is not None and not isinstance(columns, Mapping):
        raise ColumnError(
            f"{raw.source}: columns= has to be a mapping of channels to headers, such as "
            f'{{"speed": "<header>"}}, or the path of a TOML file; found {_what(columns)}.'
        )
    chosen: dict[str, Assignment] = {}
    faults: list[str] = []
    for key, value in (columns or {}).items():
        try:
            choice = _chosen(raw, key, value, origin)
        except LookupError as fault:
            faults.append(str(fault.args[0]))
            continue
        if choice.header in chosen:
            faults.append(f"'{choice.header}' is given for both {chosen[choice.header].channel} and {choice.channel}")
        chosen.setdefault(choice.header, choice)
    if faults:
        raise ColumnError(
            f"{raw.source}: {origin}: {'; '.join(faults)}. The file has the columns: {', '.join(raw.order)}. "
            f"{_channels() if any(fault.endswith('is no channel') for fault in faults) else ''}".rstrip()
        )
    return chosen


def _chosen(raw: RawTable, key: object, value: object, origin: str) -> Assignment:
    """One line of the user's mapping; raises LookupError with what is wrong with it."""
    spec = {"column": value} if isinstance(value, str) else value
    header_given = spec.get("column") if isinstance(spec, Mapping) else None
    if (
        not isinstance(key, str)
        or not isinstance(spec, Mapping)
        or not isinstance(header_given, str)
        or set(spec) - {"column", "unit", "zero", "full"}
    ):
        raise LookupError(f"{key}: expected a header, or a column and a unit, found {value!r}")
    channel = key if key in CHANNELS and key not in {"distance", "path"} else (channel_for(key.lower()) or (None,))[0]
    header = find_header(raw.order, header_given)
    unit = unit_name(str(spec["unit"])) if "unit" in spec else None
    if channel is None:
        raise LookupError(f"'{key}' is no channel{_did_you_mean(key, CHANNELS)}")
    if header is None:
        raise LookupError(f"no column '{header_given}' for {channel}{_did_you_mean(header_given, raw.order)}")
    if "unit" in spec and unit is None:
        raise LookupError(f"{channel}: '{spec['unit']}' is no unit lapkit knows")
    written = by_header(raw, header) or Assignment(channel, header, split_unit(header)[1], "", "unit in the header")
    unit, reason = (unit, "unit as given") if unit else (written.unit, written.unit_reason)
    choice = Assignment(channel, header, unit, f"chosen in {origin}", reason)
    if "zero" in spec or "full" in spec:
        zero, full = spec.get("zero", 0.0), spec.get("full")
        if (
            CHANNELS[channel].dimension != "fraction"
            or not isinstance(zero, int | float)
            or not isinstance(full, int | float)
        ):
            raise LookupError(
                f"{channel}: zero and full are two numbers, the values of a pedal released and fully applied, found {value!r}"
            )
        if not abs(float(full) - float(zero)) > 0:
            raise LookupError(f"{channel}: zero and full are the same, {zero!r}")
        choice.ends = float(zero), float(full)
    return choice


def _what(given: object) -> str:
    """What was given, for a message."""
    return "an open file" if hasattr(given, "read") else f"{shorten(repr(given), 60)} ({type(given).__name__})"


def _channels() -> str:
    """The channels a column can be; those of the four corners of the car as one name."""
    names = [name for name in CHANNELS if name not in {"distance", "path", "offset"}]
    fourfold = [f"{name}/fr/rl/rr" if name.endswith("_fl") else name for name in names]
    return f"The channels are: {', '.join(name for name in fourfold if not name.endswith(('_fr', '_rl', '_rr')))}."


def _did_you_mean(word: str, known: Iterable[str]) -> str:
    close = difflib.get_close_matches(word, list(known), n=1)
    return f" (did you mean '{close[0]}'?)" if close else ""


def _beside(path: Path) -> Path | None:
    """The mapping kept beside a data file, if there is one."""
    names = [path.name]
    while Path(names[-1]).suffix:
        names.append(Path(names[-1]).stem)
    for name in names:
        beside = path.with_name(name + ".toml")
        if beside != path and beside.is_file():
            return beside
    return None


def _read_toml(
    path: Path, provenance: Provenance, *, required: bool = True
) -> Mapping[str, str | Mapping[str, str | float]] | None:
    """The table [columns] of a TOML file; None without one, if it is not required."""
    try:
        with path.open("rb") as file:
            tables = tomllib.load(file)
    except OSError as error:
        raise ColumnError(f"columns= names the file {path}, which can not be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ColumnError(
            f'{path}: not valid TOML: {error}. Expected a table such as:  [columns]  then  speed = "GPS Speed".'
        ) from error
    found = tables.pop("columns", None)
    others = ", ".join(f"[{key}]" if isinstance(value, dict) else key for key, value in tables.items()) or "nothing"
    if found is None and not required:
        provenance.warnings.append(
            f"{path.name} stands beside the file but has no table [columns]: nothing was taken from it (it holds {others})."
        )
        return None
    if not isinstance(found, dict):
        raise ColumnError(f'{path}: no table [columns]. Expected:  [columns]  then lines such as  speed = "GPS Speed".')
    if tables:
        provenance.warnings.append(f"{path.name}: only the table [columns] is read; left out: {others}.")
    return found


def given_units(raw: RawTable, units: UnitMapping | None) -> tuple[dict[str, str], dict[str, str], str | None]:
    """Units by header and by channel, and the unit of all speeds."""
    if units is None:
        return {}, {}, None
    if not isinstance(units, str | Mapping):
        raise UnitError(
            f"{raw.source}: units= has to be a mapping of channels or headers to units, such as "
            f'{{"speed": "mph"}}, or one unit of speed; found {_what(units)}.'
        )
    if isinstance(units, str):
        name = unit_name(units)
        if name is None or name not in UNITS["speed"]:
            raise UnitError(
                f"units='{units}' is not a unit of speed; use one of: {', '.join(UNITS['speed'])}, "
                'or name the channel: units={"throttle": "%"}.'
            )
        return {}, {}, name
    by_header: dict[str, str] = {}
    by_channel: dict[str, str] = {}
    faults: list[str] = []
    for given, value in units.items():
        key, name = str(given), unit_name(str(value))
        header = find_header(raw.order, key)
        match = channel_for(key.lower().replace("_", " ")) if key not in CHANNELS else (key, 0)
        if name is None:
            faults.append(f"'{value}' (for {key}) is no unit lapkit knows")
        elif header is not None:
            by_header[header] = name
        elif match is not None:
            by_channel["odometer" if match[0] in {"distance", "path"} else match[0]] = name
        else:
            faults.append(f"'{key}' is neither a column of the file nor a channel{_did_you_mean(key, raw.order)}")
    if faults:
        raise UnitError(f"{raw.source}: units=: {'; '.join(faults)}. The file has the columns: {', '.join(raw.order)}.")
    return by_header, by_channel, None
