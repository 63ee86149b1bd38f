"""Which column of a file is which channel, and in what unit the file says it is.

Only what is written decides here: the words and units of the header, the units row, and the
mapping the user gives. Units nobody wrote down are decided from the values in
`lapkit.importers.units`.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from lapkit.channels import CHANNELS, UNITS, is_discrete, split_unit, unit_name
from lapkit.errors import ColumnError, UnitError
from lapkit.importers.given import ColumnMapping, UnitMapping, given_units, wanted_columns
from lapkit.importers.headers import Assignment, by_header
from lapkit.importers.raw import RawTable
from lapkit.model.recording import Provenance


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
_MAIN = {"speed", "throttle", "brake", "x", "y", "latitude", "longitude", "odometer", "lap_distance", "lap_clock"}
_REMARKS = {
    "gps", "gnss", "ecu", "can", "imu", "raw", "filtered", "front", "rear", "left", "right", "f", "r", "l", "driver",
}  # fmt: skip
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
        or a TOML file with such a table ``[columns]``. In place of a unit a pedal may have
        {"column": header, "zero": value released, "full": value fully applied}.
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
    wanted = wanted_columns(raw, provenance, columns, path)
    unit_of_header, unit_of_channel, speed_unit = given_units(raw, units)
    found = Columns(speed_unit=speed_unit)
    candidates: dict[str, list[Assignment]] = {}
    used: set[str] = set()
    for header in raw.order:
        choice = wanted.get(header) or by_header(raw, header)
        if choice is None:
            if header in raw.texts and found.date is None and split_unit(header)[0] in _DATE_WORDS:
                found.date = header
            continue
        named = choice.channel
        given = unit_of_header.get(header) or unit_of_channel.get(named)
        if given is not None:
            choice.unit, choice.unit_reason = given, "unit as given"
        fits = _fit_unit(raw, choice, provenance, asked=header in wanted)  # which may make another channel of it
        if fits and not _holds_values(raw, choice, provenance, asked=header in wanted):
            continue
        used.update((header, named))
        if fits:
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


def _standing(raw: RawTable, choice: Assignment, asked: set[str]) -> tuple[bool, bool, int, bool, int, int]:
    """Sort key of columns that mean the same channel: best first."""
    values = raw.numbers.get(choice.header)
    present = np.isfinite(values) if values is not None else None
    count = int(present.sum()) if present is not None else len(raw)
    flat = values is not None and present is not None and (count == 0 or bool(np.ptp(values[present]) == 0))
    place = raw.order.index(choice.header)
    return choice.header not in asked, flat, choice.rank, choice.unit is None, -count, place


def _fit_unit(raw: RawTable, choice: Assignment, provenance: Provenance, *, asked: bool) -> bool:
    """Settle the unit that is written, and what it makes of the channel; False to leave the column alone.

    A column that was asked for is taken for what was asked, or refused.
    """
    cell = raw.units.get(choice.header, "").strip(" ()[]{}<>")
    dimension = CHANNELS[choice.channel].dimension
    if choice.ends is not None:
        choice.between(*choice.ends, "zero and full as given")
        return True
    if choice.unit is None and cell:
        choice.unit = unit_name(cell)
        choice.unit_reason = "unit in the units row"
        if choice.unit is None:
            choice.remark = cell
            if dimension not in {"number", "time", "angle", "speed", "fraction"}:
                if asked:
                    raise ColumnError(
                        f"{raw.source}: '{choice.header}' was given as {choice.channel}, and the units row says '{cell}', a unit "
                        f'lapkit does not know; say which it is with units={{"{choice.channel}": "<unit>"}}.'
                    )
                said = f"the units row says '{cell}', a unit lapkit does not know; kept as it is"
                _tell(provenance, choice, f'{said} (units={{"{choice.channel}": ...}} reads it as {choice.channel}).')
                return False
    if choice.unit is None and choice.remark and dimension not in {"number", "time"}:
        if choice.remark.lower() not in _REMARKS:
            provenance.notes.append(
                f"'{choice.header}': '{choice.remark}' is no unit lapkit knows; taken for a remark."
            )
        else:
            choice.remark = ""
    if choice.unit is not None and choice.unit not in UNITS[dimension]:
        measures = next(key for key, units in UNITS.items() if choice.unit in units)
        other = _REREAD.get((choice.channel, measures))
        if other is not None and not asked:
            choice.column_reason += f", in {choice.unit}, so {other}"
            choice.channel = other
        elif dimension == "angular rate" and measures == "angle":
            choice.unit, choice.unit_reason = (
                f"{choice.unit}/s",
                f"{choice.unit_reason} ({choice.unit}), a rate: each second",
            )
        elif dimension == "fraction" and measures in {"angle", "voltage", "length"}:
            return True  # what a pedal's or plate's sensor puts out: scaled by its own range later
        elif dimension == "number":
            choice.unit = "1"
        elif choice.unit_reason == "unit as given":
            raise UnitError(
                f"{raw.source}: '{choice.unit}' is not a unit of {dimension}, which '{choice.header}' ({choice.channel}) "
                f"measures; use one of: {', '.join(UNITS[dimension])}."
            )
        elif asked:
            use = f"give it as {other}, or name another column" if other else "name another column"
            raise ColumnError(
                f"{raw.source}: '{choice.header}' was given as {choice.channel}, and it is in {choice.unit}, which is no unit of "
                f"{dimension}; {use} in columns= (the file has: {', '.join(raw.order)}), or its unit in units=."
            )
        else:
            why = f"{choice.unit} is no unit of {dimension}; kept as it is"
            _tell(provenance, choice, f"reads like {choice.channel}, but {why}.")
            return False
    dimension = CHANNELS[choice.channel].dimension
    if dimension == "number":
        choice.decide("1", "")
    elif dimension == "fraction" and choice.unit == "1":
        choice.unit, choice.unit_reason = None, ""  # "-" is often written for per cent as well
    elif choice.unit is not None:
        choice.decide(choice.unit, choice.unit_reason)
    return True


def _tell(provenance: Provenance, choice: Assignment, what: str) -> None:
    """Say that a column was left alone: aloud where it might have been one that everything rests on."""
    where = provenance.warnings if choice.channel in _MAIN else provenance.notes
    where.append(f"'{choice.header}' {what}" if what.startswith("reads") else f"'{choice.header}': {what}")


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
