"""A delimited text file -> a Recording in SI units on its own clock."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import CHANNELS, channel_for, is_discrete, split_unit
from lapkit.errors import ColumnError
from lapkit.importers.clock import Clock, time_axis
from lapkit.importers.columns import Columns, assign_columns
from lapkit.importers.evidence import Windows
from lapkit.importers.given import ColumnMapping, UnitMapping
from lapkit.importers.position import POSITION, find_position, half_position
from lapkit.importers.raw import RawTable
from lapkit.importers.sampling import CONTINUOUS, fill_blanks, hold_length, release_holds
from lapkit.importers.signs import check_heading, check_signs
from lapkit.importers.speed import derived_speed, without_spikes
from lapkit.importers.table import MAX_BYTES, read_table
from lapkit.importers.units import WHEELS, decide_units
from lapkit.importers.words import count_words
from lapkit.model.line import missing_half
from lapkit.model.recording import ChannelSource, Provenance, Recording
from lapkit.model.show import counted

FloatArray = NDArray[np.float64]


def read_csv(
    path: str | os.PathLike[str],
    *,
    columns: ColumnMapping | None = None,
    units: UnitMapping | None = None,
    max_gap: float = 1.0,
    max_bytes: int = MAX_BYTES,
) -> Recording:
    r"""Read a recording from a delimited text file.

    Parameters
    ----------
    path : path-like
        The file; plain or gzip.
    columns : mapping or path, optional
        Channel -> header, or channel -> {"column": header, "unit": unit}, or for a pedal by its ends
        {"column": header, "zero": released, "full": applied}; or a TOML file with such a table
        ``[columns]``. A TOML file of the same name beside the data is used by itself.
    units : mapping or str, optional
        Channel or header -> unit, stronger than what the file says; or one unit of speed, used
        where the file does not say it.
    max_gap : float
        Longest interval between two samples of a channel that is filled, s.
    max_bytes : int
        Largest file that is read, bytes.

    Returns
    -------
    Recording
        Samples in SI units; everything decided, left out or changed is in its provenance.

    Raises
    ------
    FileError
        If the file is no table of samples, or shorter than three.
    ColumnError
        If there is no time, or neither speed, position nor distance, or a unit can not be decided.
    UnitError
        If a unit given is unknown or measures something else.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> folder = tempfile.TemporaryDirectory()
    >>> file = pathlib.Path(folder.name) / "run.csv"
    >>> rows = ["time,speed [km/h]", *(f"{k / 10},{36 + k}" for k in range(20))]
    >>> _ = file.write_text("\n".join(rows))
    >>> recording = read_csv(file)
    >>> recording.samples["speed"].iloc[0], recording.provenance.channels["speed"].unit
    (np.float64(10.0), 'km/h')
    >>> folder.cleanup()
    """
    raw = read_table(path, max_bytes=max_bytes)
    path = Path(path)
    return assemble(raw, columns=columns, units=units, max_gap=max_gap, path=path)


def assemble(
    raw: RawTable,
    *,
    columns: ColumnMapping | None = None,
    units: UnitMapping | None = None,
    max_gap: float = 1.0,
    path: Path | None = None,
) -> Recording:
    """Make a recording of the columns of a file; the columns are given up on the way.

    Parameters
    ----------
    raw : RawTable
        The file as read; empty of numbers afterwards.
    columns, units, max_gap
        As for `read_csv`.
    path : Path, optional
        The file, to find a mapping kept beside it.

    Returns
    -------
    Recording
    """
    with np.errstate(all="ignore"):  # blanks and absurd values are dealt with where they matter
        return _assemble(raw, columns, units, max_gap, path)


def _assemble(
    raw: RawTable, columns: ColumnMapping | None, units: UnitMapping | None, max_gap: float, path: Path | None
) -> Recording:
    log = Provenance(raw.source, raw.dialect, raw.metadata, {}, [], list(raw.notes), list(raw.warnings))
    incomplete = _blank_infinite(raw, log)
    found = assign_columns(raw, log, columns=columns, units=units, path=path)
    _set_aside_empty(raw, found, incomplete, log)
    _require_movement(raw, {name: choice.header for name, choice in found.channels.items()})
    clock = time_axis(raw, found, log)
    count_words(raw, found, log)
    position = find_position(raw, found, clock, log)
    if position is None:
        usable = {name: choice.header for name, choice in found.channels.items() if name not in POSITION}
        _require_movement(raw, usable, half_position(found))
    windows = Windows(clock.time, position.x, position.y) if position is not None else Windows(clock.time)
    check_heading(raw, found, clock, windows, log)
    decide_units(raw, found, clock, windows, log)
    check_signs(raw, found, clock, windows, log)
    made = dict(position.made) if position is not None else {}
    if "speed" not in found.channels:
        made["speed"], log.channels["speed"] = derived_speed(raw, found, clock, position, log, max_gap=max_gap)
    if clock.lap_clock is not None:
        made["lap_clock"] = clock.lap_clock
        log.channels["lap_clock"] = ChannelSource(clock.source.column, clock.source.unit, "the clock as logged")
    speed = found.channels.get("speed")
    samples, slow = _samples(raw, found, clock, made, incomplete, log, max_gap)
    return Recording(
        samples,
        log,
        clock.epoch,
        clock.gaps,
        clock.resets,
        position.origin if position is not None else None,
        slow,
        speed.unit if speed is not None else None,
        clock.uncertainty,
    )


def _blank_infinite(raw: RawTable, log: Provenance) -> set[str]:
    """Blank infinite values; return the headers of all columns with blanks."""
    incomplete = set()
    for header, values in raw.numbers.items():
        if np.isfinite(values.sum()):
            continue
        incomplete.add(header)
        infinite = np.isinf(values)
        if infinite.any():
            raw.numbers[header] = np.where(infinite, np.nan, values)
            first = raw.line(int(np.flatnonzero(infinite)[0]))
            log.warnings.append(
                f"'{header}': {counted(int(infinite.sum()), 'infinite value')}, first at line {first}, taken as blank."
            )
    return incomplete


def _set_aside_empty(raw: RawTable, found: Columns, incomplete: set[str], log: Provenance) -> None:
    """Leave channels without a single number under their own names."""
    for channel, choice in list(found.channels.items()):
        if choice.header in incomplete and not np.isfinite(raw.numbers[choice.header]).any():
            del found.channels[channel]
            log.warnings.append(f"'{choice.header}' was read as {channel} but holds no numbers.")


def _require_movement(raw: RawTable, known: Mapping[str, str], half: str = "") -> None:
    """Refuse a file that holds neither speed, nor position, nor distance; `known` says in which column a channel is."""
    if {"x", "y"} <= set(known) or {"latitude", "longitude"} <= set(known):
        return
    half = half or (missing_half(known) if set(known) & set(POSITION) else "")
    if set(known) & {"speed", "odometer", "lap_distance", *WHEELS}:
        return
    problem = "no speed column was recognised"
    for header in raw.order:
        match = channel_for(split_unit(header)[0])
        if match is not None and match[0] in {"speed", *WHEELS}:
            values = raw.numbers.get(header)
            empty = values is None or not np.isfinite(values).any()
            what = f"the {match[0].replace('_', ' ')} column '{header}'"
            problem = f"{what} holds no numbers" if empty else f"{what} is in a unit that is not one of speed"
            break
    raise ColumnError(
        f"{raw.source}: {problem}, and there is no usable position or distance either"
        f"{f' ({half})' if half else ''}. The file has the columns: "
        f'{", ".join(raw.order)}. Say which one holds the speed with columns={{"speed": "<header>"}}, or add a column of '
        "speed, of position (x and y, or latitude and longitude) or of distance."
    )


def _samples(
    raw: RawTable,
    found: Columns,
    clock: Clock,
    made: dict[str, FloatArray],
    incomplete: set[str],
    log: Provenance,
    max_gap: float,
) -> tuple[pd.DataFrame, dict[str, float]]:
    """Bring all channels to SI units, fill them, and wrap them as a table."""
    for name in made:
        if name in found.channels:
            log.channels.setdefault(name, found.channels[name].source())
    columns = {name: found.channels.get(name) for name in CHANNELS if name in found.channels or name in made}
    columns = {
        name: choice for name, choice in columns.items() if name in made or (choice and choice.header in raw.numbers)
    }
    log.channels |= {name: choice.source() for name, choice in columns.items() if choice and name not in made}
    log.channels["time"] = clock.source
    log.channels = {name: log.channels[name] for name in CHANNELS if name in log.channels}
    taken = {choice.header for choice in columns.values() if choice is not None} | {clock.source.column}
    kept = {h: h if h not in CHANNELS else f"{h} (as logged)" for h in raw.order if h not in taken}
    log.kept = list(kept.values())
    own = {label: header for header, label in kept.items() if header in raw.numbers}

    table: dict[str, FloatArray] = {"time": clock.time}
    blanks: set[str] = set()
    for name in (*columns, *own):
        choice = columns.get(name)
        if name in made:
            table[name] = values = made.pop(name)
            blank = not np.isfinite(values.sum())
        else:
            header = choice.header if choice is not None else own[name]
            values, blank = raw.numbers.pop(header), header in incomplete
            values = values if clock.rows is None else values[clock.rows]
            if choice is not None and choice.scale != 1.0:
                values = values * choice.scale
            table[name] = values + choice.offset if choice is not None and choice.offset else values
        if blank:
            blanks.add(name)
    raw.numbers.clear()
    _leave_out_spikes(raw, table, blanks, clock, log)
    slow = _fill(table, blanks, clock, log, max_gap)
    if "speed" in table and np.nanmedian(table["speed"]) < 0:
        table["speed"] = -table["speed"]
        log.warnings.append("speed: below zero for most of the recording; its sign was turned over.")
    samples = pd.DataFrame(table, copy=False)  # a column stays where it is: nothing is copied into one block
    for header, label in kept.items():
        if header in raw.texts:
            cells = raw.texts[header]
            samples[label] = (cells if clock.rows is None else cells.take(clock.rows)).to_pandas().to_numpy()
    return samples, slow


def _leave_out_spikes(
    raw: RawTable, table: dict[str, FloatArray], blanks: set[str], clock: Clock, log: Provenance
) -> None:
    """Blank samples of speed that no car can do."""
    rows = without_spikes(clock.time, table["speed"])
    if not rows.size:
        return
    table["speed"] = np.array(table["speed"])
    table["speed"][rows] = np.nan
    blanks.add("speed")
    first = int(rows[0]) if clock.rows is None else int(clock.rows[rows[0]])
    log.warnings.append(
        f"{counted(rows.size, 'sample')} of speed leaping away and coming back, as no car can (more than 100 m/s2 there and "
        f"back), left out, first at line {raw.line(first)}."
    )


def _fill(
    table: dict[str, FloatArray], blanks: set[str], clock: Clock, log: Provenance, max_gap: float
) -> dict[str, float]:
    """Fill blanks between samples, release values held from a slower sensor, and let angles count on past a turn.

    Returns the time between own samples of each channel that is slower than the table.
    """
    slow: dict[str, float] = {}
    filled: dict[str, list[str]] = {}
    held: dict[int, list[str]] = {}
    for name, values in table.items():
        rows = hold_length(values) if name in CONTINUOUS else 1
        turns = name in CHANNELS and CHANNELS[name].kind == "angle"
        if rows == 1 and name not in blanks and not turns:
            continue
        values = table[name] = values.copy()
        have = np.isfinite(values)
        missing = len(values) - int(have.sum())
        if missing == len(values):
            continue
        if turns:
            values[have] = np.unwrap(values[have])
        if rows > 1:
            release_holds(clock.time, values, rows, max_gap=max_gap)
            held.setdefault(rows, []).append(name)
            slow[name] = rows * clock.interval
        if missing:
            discrete = is_discrete(name)
            count = fill_blanks(clock.time, values, max_gap=max_gap, discrete=discrete)
            each = len(values) * clock.interval / max(int(have.sum()), 1)
            if count > len(values) // 2:
                slow[name] = each
            how = f"{counted(count, 'blank')} filled by {'the previous sample' if discrete else 'a line'} (one each {each:.2g} s)"
            left = f"{counted(missing - count, 'blank')} not filled"
            what = ", ".join(text for text, said in ((how, count), (left, missing > count)) if said)
            filled.setdefault(what, []).append(name)
    for what, which in filled.items():
        log.warnings.append(f"{', '.join(which)}: {what}; at most {max_gap:g} s are filled.")
    for rows, which in held.items():
        log.warnings.append(
            f"{', '.join(which)}: held for {rows} rows each, so sampled every {rows * clock.interval:.2g} s; the first of "
            "each is kept, the rest interpolated."
        )
    return slow
