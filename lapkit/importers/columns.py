"""Which column of a file is which channel, and in what unit the file says it is.

Only what is written decides here: the words and units of the header, the units row, and the
mapping the user gives. Units nobody wrote down are decided from the values in
`lapkit.importers.units`.
"""

from __future__ import annotations

import difflib
import os
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from lapkit.channels import CHANNELS, UNITS, channel_for, is_discrete, split_unit, unit_name
from lapkit.errors import ColumnError, UnitError
from lapkit.importers.raw import RawTable
from lapkit.model.recording import ChannelSource, Provenance

ColumnMapping = Mapping[str, str | Mapping[str, str]] | str | os.PathLike[str]
"""What a user may give as ``columns=``: channel -> header, channel -> {column, unit}, or a TOML file."""

UnitMapping = Mapping[str, str] | str
"""What a user may give as ``units=``: channel or header -> unit, or the unit of every speed."""


@dataclass
class Assignment:
    """One column of the file, the channel it was taken for and how it becomes SI.

    Attributes
    ----------
    channel : str
        Canonical channel.
    header : str
        Header of the column.
    unit : str or None
        Unit of the values; None until it is decided.
    column_reason, unit_reason : str
        Why this column, and why this unit.
    rank : int
        0 for an exact alias (or the user's word), 1 after a word was set aside.
    scale, offset : float
        SI value = scale * value + offset.
    """

    channel: str
    header: str
    unit: str | None
    column_reason: str
    unit_reason: str = ""
    rank: int = 0
    scale: float = 1.0
    offset: float = 0.0

    def decide(self, unit: str, reason: str) -> None:
        """Settle the unit and with it the conversion to SI."""
        self.unit, self.unit_reason = unit, reason
        self.scale, self.offset = UNITS[CHANNELS[self.channel].dimension].get(unit, (1.0, 0.0))

    def source(self) -> ChannelSource:
        """Return the decision as it stands in the provenance."""
        reasons = [text for text in (self.column_reason, self.unit_reason) if text]
        return ChannelSource(self.header, self.unit or "not said", "; ".join(reasons))


@dataclass
class Columns:
    """The columns of a file after their headers were read.

    Attributes
    ----------
    channels : dict of str to Assignment
        Canonical channel -> its column; without the clocks.
    clocks : list of Assignment
        Columns that may be the time axis, best first.
    date : str or None
        Header of a column of dates that goes with a time of day.
    speed_unit : str or None
        Unit the user gave for every speed whose unit the file does not say.
    """

    channels: dict[str, Assignment] = field(default_factory=dict)
    clocks: list[Assignment] = field(default_factory=list)
    date: str | None = None
    speed_unit: str | None = None


# Channels whose columns may hold words: clock times, angles with letters, "N" for neutral.
_WORDS_ALLOWED = {"time", "lap_clock", "latitude", "longitude"}
_DATE_WORDS = {"date", "datum", "fecha", "data", "day", "utc date", "gps date", "local date"}

# A unit that measures something else than the words say: (channel, dimension of the unit) -> channel.
_REREAD = {
    ("brake", "pressure"): "brake_pressure",
    ("brake_pressure", "fraction"): "brake",
    ("heading", "angular rate"): "yaw_rate",
    ("roll", "angular rate"): "roll_rate",
    ("pitch", "angular rate"): "pitch_rate",
    ("speed", "angular rate"): "engine_speed",
    ("lap", "time"): "lap_clock",
    ("lap", "length"): "lap_distance",
}


def assign_columns(
    raw: RawTable,
    provenance: Provenance,
    *,
    columns: ColumnMapping | None = None,
    units: UnitMapping | None = None,
    path: Path | None = None,
) -> Columns:
    """Say which column is which channel.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    provenance : Provenance
        Receives the notes.
    columns : mapping or path, optional
        The user's own choice, channel -> header or channel -> {"column": header, "unit": unit},
        or a TOML file with such a table ``[columns]``.
    units : mapping or str, optional
        Channel or header -> unit, stronger than what the file says; or the unit of speeds whose
        unit the file does not say.
    path : Path, optional
        The data file; a mapping kept beside it (``run.csv.toml`` or ``run.toml``) is used.

    Returns
    -------
    Columns
        Units the file does not say are still None.

    Raises
    ------
    ColumnError
        If the mapping is malformed, or names a column or a channel that does not exist.
    UnitError
        If a unit given is unknown or measures something else.

    Examples
    --------
    >>> raw = RawTable("run.csv", {"t": np.arange(3.0), "GPS Speed [km/h]": np.ones(3)}, {}, ["t", "GPS Speed [km/h]"])
    >>> assign_columns(raw, Provenance("run.csv")).channels["speed"].unit
    'km/h'
    """
    wanted = _wanted(raw, provenance, columns, path)
    unit_of_header, unit_of_channel, speed_unit = _given_units(raw, units)
    found = Columns(speed_unit=speed_unit)
    candidates: dict[str, list[Assignment]] = {}
    used: set[str] = set()
    for header in raw.order:
        choice = wanted.get(header) or _by_header(raw, header)
        if choice is None:
            if header in raw.texts and found.date is None and split_unit(header)[0] in _DATE_WORDS:
                found.date = header
            continue
        if not _holds_values(raw, choice, provenance, asked=header in wanted):
            continue
        used.update((header, choice.channel))
        given = unit_of_header.get(header) or unit_of_channel.get(choice.channel)
        if given is not None:
            choice.unit, choice.unit_reason = given, "unit as given"
        if _fit_unit(raw, choice, provenance):
            candidates.setdefault(choice.channel, []).append(choice)
    for key in {*unit_of_header, *unit_of_channel} - used:
        raise ColumnError(
            f"{raw.source}: units= gives '{key}' a unit, but no column is read as that; say which one means what with "
            f'columns={{"<channel>": "<header>"}}. The file has the columns: {", ".join(raw.order)}.'
        )
    asked = {choice.header for choice in wanted.values()}
    for channel, rivals in candidates.items():
        best = sorted(rivals, key=lambda rival: _standing(raw, rival, asked)) if len(rivals) > 1 else rivals
        if channel == "time":
            found.clocks = best
            continue
        found.channels[channel] = best[0]
        for other in best[1:]:
            provenance.notes.append(
                f"'{other.header}' also means {channel}; '{best[0].header}' was taken, and '{other.header}' kept as it is."
            )
    return found


def find_header(headers: Iterable[str], name: str) -> str | None:
    """Return the header a user's word means: as written, or else but for case, blanks or unit."""
    headers = list(headers)
    if name in headers:
        return name
    plain = " ".join(name.lower().split())
    words = split_unit(name)[0]
    for matches in (
        [header for header in headers if " ".join(header.lower().split()) == plain],
        [header for header in headers if split_unit(header)[0] == words],
    ):
        if len(matches) == 1:
            return matches[0]
    return None


def _standing(raw: RawTable, choice: Assignment, asked: set[str]) -> tuple[bool, bool, int, bool, int, int]:
    """Sort key of columns that mean the same channel: best first."""
    values = raw.numbers.get(choice.header)
    present = np.isfinite(values) if values is not None else None
    count = int(present.sum()) if present is not None else len(raw)
    flat = values is not None and present is not None and (count == 0 or bool(np.ptp(values[present]) == 0))
    place = raw.order.index(choice.header)
    return choice.header not in asked, flat, choice.rank, choice.unit is None, -count, place


def _by_header(raw: RawTable, header: str) -> Assignment | None:
    """Read the words and the unit of a header."""
    words, unit = split_unit(header)
    match, note = channel_for(words), ""
    if match is None:  # a bracket may hold a remark instead of a unit: "Speed (GPS)"
        plain = re.sub(r"[\(\[\{<].*?[\)\]\}>]", " ", header).strip()
        if plain and plain != header:
            words, _ = split_unit(plain)
            match = channel_for(words)
            match, note = (match[0], 1) if match else None, " but for the bracket"
    if match is None:
        return None
    channel, rank = match
    note = note or (" but for one word" if rank else "")
    choice = Assignment(channel, header, unit, f"header says {words}{note}", rank=rank)
    if unit is not None:
        choice.unit_reason = "unit in the header"
    elif CHANNELS[channel].dimension == "acceleration" and "g" in words.split():
        choice.unit, choice.unit_reason = "g", "the letter g in the header"
    return choice


def _fit_unit(raw: RawTable, choice: Assignment, provenance: Provenance) -> bool:
    """Settle the unit that is written, and what it makes of the channel; False to leave the column alone."""
    cell = raw.units.get(choice.header, "").strip(" ()[]{}<>")
    if choice.unit is None and cell:
        choice.unit = unit_name(cell)
        choice.unit_reason = "unit in the units row"
        if choice.unit is None and CHANNELS[choice.channel].dimension not in {"number", "time", "angle", "speed"}:
            provenance.notes.append(
                f"'{choice.header}': the units row says '{cell}', a unit lapkit does not know; kept as it is "
                f'(units={{"{choice.channel}": ...}} reads it as {choice.channel}).'
            )
            return False
    dimension = CHANNELS[choice.channel].dimension
    if choice.unit is not None and choice.unit not in UNITS[dimension]:
        measures = next(key for key, units in UNITS.items() if choice.unit in units)
        other = _REREAD.get((choice.channel, measures))
        if other is not None:
            choice.column_reason += f", in {choice.unit}, so {other}"
            choice.channel = other
        elif dimension == "angular rate" and measures == "angle":
            choice.unit, choice.unit_reason = (
                f"{choice.unit}/s",
                f"{choice.unit_reason} ({choice.unit}), a rate: each second",
            )
        elif dimension == "fraction" and measures == "angle":
            return True  # a pedal or plate angle: scaled by its own range later
        elif dimension == "number":
            choice.unit = "1"
        elif choice.unit_reason == "unit as given":
            raise UnitError(
                f"{raw.source}: '{choice.unit}' is not a unit of {dimension}, which '{choice.header}' ({choice.channel}) "
                f"measures; use one of: {', '.join(UNITS[dimension])}."
            )
        else:
            provenance.notes.append(
                f"'{choice.header}' reads like {choice.channel}, but {choice.unit} is no unit of {dimension}; kept as it is."
            )
            return False
    dimension = CHANNELS[choice.channel].dimension
    if dimension == "number":
        choice.decide("1", "")
    elif dimension == "fraction" and choice.unit == "1":
        choice.unit, choice.unit_reason = None, ""  # "-" is often written for per cent as well
    elif choice.unit is not None:
        choice.decide(choice.unit, choice.unit_reason)
    return True


def _holds_values(raw: RawTable, choice: Assignment, provenance: Provenance, *, asked: bool) -> bool:
    """Whether the column can hold the channel: words can not be a speed."""
    if choice.header in raw.numbers or choice.channel in _WORDS_ALLOWED or is_discrete(choice.channel):
        return True
    cells = raw.texts[choice.header].drop_null()
    first = str(cells[0].as_py()) if len(cells) else ""
    found = f"'{choice.header}' holds words (such as '{first}'), not numbers"
    if asked:
        raise ColumnError(f"{raw.source}: {found}, so it can not be {choice.channel}; name another column in columns=.")
    provenance.warnings.append(f"{found}: not read as {choice.channel}, kept as it is.")
    return False


# ------------------------------------------------------------------- what the user gives


def _wanted(
    raw: RawTable, provenance: Provenance, columns: ColumnMapping | None, path: Path | None
) -> dict[str, Assignment]:
    """Header -> the user's own choice for it, checked against the file."""
    origin = "columns="
    if isinstance(columns, str | os.PathLike):
        origin, columns = str(columns), _read_toml(Path(columns))
    elif columns is None and path is not None:
        beside = _beside(path)
        if beside is not None:
            tables = _read_toml(beside, required=False)
            used = "columns taken from" if tables else "no table [columns] in"
            provenance.notes.append(f"{used} {beside.name}, which stands beside the file.")
            origin, columns = beside.name, tables
    chosen: dict[str, Assignment] = {}
    faults: list[str] = []
    for key, value in (columns or {}).items():
        spec = {"column": value} if isinstance(value, str) else value
        if not isinstance(spec, Mapping) or not isinstance(spec.get("column"), str) or set(spec) - {"column", "unit"}:
            faults.append(f"{key}: expected a header, or a column and a unit, found {value!r}")
            continue
        channel = (
            key if key in CHANNELS and key not in {"distance", "path"} else (channel_for(key.lower()) or (None,))[0]
        )
        header = find_header(raw.order, spec["column"])
        unit = unit_name(str(spec["unit"])) if "unit" in spec else None
        if channel is None:
            faults.append(f"'{key}' is no channel{_did_you_mean(key, CHANNELS)}")
        elif header is None:
            faults.append(f"no column '{spec['column']}' for {channel}{_did_you_mean(spec['column'], raw.order)}")
        elif "unit" in spec and unit is None:
            faults.append(f"{channel}: '{spec['unit']}' is no unit lapkit knows")
        elif header in chosen:
            faults.append(f"'{header}' is given for both {chosen[header].channel} and {channel}")
        else:
            written = _by_header(raw, header) or Assignment(
                channel, header, split_unit(header)[1], "", "unit in the header"
            )
            reason = written.unit_reason
            unit, reason = (unit, "unit as given") if unit else (written.unit, reason)
            chosen[header] = Assignment(channel, header, unit, f"chosen in {origin}", reason)
    if faults:
        raise ColumnError(
            f"{raw.source}: {origin}: {'; '.join(faults)}. The file has the columns: {', '.join(raw.order)}. "
            "Channels are named as in lapkit.channels."
        )
    return chosen


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


def _read_toml(path: Path, *, required: bool = True) -> Mapping[str, str | Mapping[str, str]]:
    """The table [columns] of a TOML file."""
    try:
        with path.open("rb") as file:
            tables = tomllib.load(file)
    except OSError as error:
        raise ColumnError(f"columns= names the file {path}, which can not be read: {error.strerror}.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise ColumnError(
            f'{path}: not valid TOML: {error}. Expected a table such as:  [columns]  then  speed = "GPS Speed".'
        ) from error
    found = tables.get("columns")
    if found is None and not required:
        return {}
    if not isinstance(found, dict):
        raise ColumnError(f'{path}: no table [columns]. Expected:  [columns]  then lines such as  speed = "GPS Speed".')
    return found


def _given_units(raw: RawTable, units: UnitMapping | None) -> tuple[dict[str, str], dict[str, str], str | None]:
    """Units by header and by channel, and the unit of all speeds."""
    if units is None:
        return {}, {}, None
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
    for key, value in units.items():
        name = unit_name(str(value))
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
