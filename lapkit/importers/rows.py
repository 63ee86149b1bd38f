"""Rows of delimited text -> arrow columns: in one pass where every row fits, with what does not fit set aside otherwise.

The tolerant reader works on the whole text as one array of bytes: where lines end, which
delimiters stand inside quotes and how many cells a row has are array operations, so that a file
with one bad line in a hundred thousand still reads in a fraction of a second.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from lapkit.channels import channel_for, is_discrete, split_unit
from lapkit.errors import FileError
from lapkit.importers.dialect import Dialect, Kind, nul_error
from lapkit.importers.layout import count_breaks, short
from lapkit.importers.numerals import GROUP_MARKS, MOMENT, NULL_WORDS, number_pattern, number_style
from lapkit.importers.raw import RawTable

Lines = NDArray[np.int64]
Flags = NDArray[np.bool_]

BLOCK = 1 << 20
"""Bytes a thread parses at a time; 0.5 to 4 MiB measured alike."""

_SPELLED_NULLS = sorted({s for word in NULL_WORDS for s in (word, word.upper(), word.title())} | {"NaN"})
_TYPES = {"number": pa.float64(), "text": pa.string(), "empty": pa.null()}
_NO_TEXT = pa.scalar(None, pa.string())


def read_typed(stream: Any, dialect: Dialect, *, as_text: bool = False, block: int = BLOCK) -> Any:
    """Read rows with pyarrow, every column's type given to it.

    Parameters
    ----------
    stream : pyarrow.NativeFile
        The rows of data in UTF-8, without anything above them.
    dialect : Dialect
        How they are written.
    as_text : bool, default False
        Whether to read every column as it is written.
    block : int
        Bytes parsed at a time, at least as long as the longest row.

    Returns
    -------
    pyarrow.Table
        One column for each name of the dialect. A blank line is a row of nulls.

    Raises
    ------
    pyarrow.ArrowInvalid
        If a row holds more or fewer cells, or a cell is not of its column's type.
    """
    from pyarrow import csv

    return csv.read_csv(
        stream,
        read_options=csv.ReadOptions(column_names=dialect.names, block_size=block),
        parse_options=csv.ParseOptions(
            delimiter=dialect.delimiter,
            quote_char=False if dialect.delimiter == " " else '"',
            newlines_in_values=dialect.quoted_breaks,
            ignore_empty_lines=False,
        ),
        convert_options=csv.ConvertOptions(
            column_types={
                name: pa.string() if as_text else _TYPES[kind]
                for name, kind in zip(dialect.names, dialect.kinds, strict=True)
            },
            null_values=[*_SPELLED_NULLS, *dialect.nulls],
            strings_can_be_null=not as_text,
            decimal_point=dialect.decimal,
        ),
    )


def read_tolerant(raw: RawTable, data: bytes, dialect: Dialect) -> tuple[list[Any], Dialect, Lines]:
    """Read rows some of which do not fit; lines and cells left out are reported in `raw`.

    Parameters
    ----------
    raw : RawTable
        Takes the notes and warnings; `first_line` says where the rows begin.
    data : bytes
        The rows of data in the dialect's encoding, UTF-8 where that is UTF-16.
    dialect : Dialect
        How most of them are written.

    Returns
    -------
    columns : list of pyarrow.ChunkedArray
        One for each name of the dialect returned.
    dialect : Dialect
        With the columns and kinds as they turned out.
    lines : ndarray of int64, shape (n,)
        Line of the file of every row.

    Raises
    ------
    FileError
        If most lines do not fit, or a NUL byte stands among them.
    """
    data = _utf8(raw, data, dialect)
    at = data.find(b"\0")
    if at >= 0:
        raise nul_error(raw.source, dialect.data_offset + at + 1, raw.first_line + count_breaks(data[:at]))
    if dialect.kinds[-1] == "empty" and len(dialect.names) > 1:  # a delimiter behind the last cell, in some rows or all
        dialect = replace(dialect, names=dialect.names[:-1], kinds=dialect.kinds[:-1])
    text = np.frombuffer(data, dtype=np.uint8)
    if dialect.delimiter == " ":
        text = _single_spaced(text)
    rows = _split(text, dialect.delimiter, raw.first_line, across=True)
    good, trailing = _fitting(text, rows, dialect)
    if rows.doubtful or (rows.across and not good.all()):  # a quote never closed may have swallowed lines
        single = _split(text, dialect.delimiter, raw.first_line, across=False)
        good_single, trailing_single = _fitting(text, single, dialect)
        if good_single.sum() > good.sum():
            rows, good, trailing = single, good_single, trailing_single
    good = _set_aside(raw, text, rows, good, dialect)

    if not good.all() or trailing.any():
        wanted = np.repeat(good, rows.after - rows.start)
        wanted[rows.stop[trailing & good] - 1] = False
        text = text[wanted]
        del wanted
    clean = pa.py_buffer(text)
    lines = rows.line[good]
    dialect = replace(dialect, quoted_breaks=rows.across)
    block = max(BLOCK, 2 * int((rows.after - rows.start).max()))
    del data, rows
    mended = False
    try:
        table = read_typed(pa.BufferReader(clean), dialect, block=block)
    except pa.ArrowInvalid:
        mended = True
        try:
            table = read_typed(pa.BufferReader(clean), dialect, as_text=True, block=block)
        except pa.ArrowInvalid as cause:
            raise _unclosed(raw, str(cause)) from cause
    if len(table) != len(lines):
        raise _unclosed(raw, f"{len(lines)} were counted and {len(table)} read")
    columns: list[Any] = table.columns
    del table
    return _mend(raw, columns, dialect, lines) if mended else (columns, dialect, lines)


def _unclosed(raw: RawTable, why: str) -> FileError:
    return FileError(
        f"{raw.source}: the rows from line {raw.first_line} on cannot be told apart ({why}); check that every quote in "
        "the file is closed."
    )


def _utf8(raw: RawTable, data: bytes, dialect: Dialect) -> bytes:
    if data.isascii():
        return data
    if dialect.encoding in ("cp1252", "latin-1"):
        return data.decode(dialect.encoding, "replace").encode()
    try:
        data.decode()
    except UnicodeDecodeError as fault:
        if dialect.byte_order_mark:
            return data.decode("utf-8", "replace").encode()
        raw.notes.append(
            f"Byte {dialect.data_offset + fault.start + 1} is not UTF-8; the file is read as Windows-1252."
        )
        raw.dialect["encoding"] = "CP1252"
        return data.decode("cp1252", "replace").encode()
    return data


# ------------------------------------------------------------------------------ rows


class _Rows(NamedTuple):
    """Rows of a text: where each begins, where its cells end, where the next begins; its line and its cells."""

    start: Lines
    stop: Lines
    after: Lines
    line: Lines
    cells: Lines
    unclosed: Flags
    across: bool  # whether any row runs across lines
    doubtful: bool  # whether a quoted cell seems to begin inside another, or is still open at the end


def _split(text: NDArray[np.uint8], delimiter: str, first_line: int, *, across: bool) -> _Rows:
    """Find the rows of a text. Quoted cells may hold delimiters and, if `across`, line ends."""
    ends = np.flatnonzero(text == 10)
    returns = np.flatnonzero(text == 13)
    if len(returns):
        alone = returns[text[np.minimum(returns + 1, len(text) - 1)] != 10]
        ends = np.sort(np.concatenate([ends, alone]))
    marks = np.flatnonzero(text == ord(delimiter))
    row_ends, unclosed, doubtful = ends, np.zeros(len(ends), dtype=bool), False
    if delimiter != " ":
        events, inside, doubtful = _quotes(text, ord(delimiter), ends[:0] if across else ends)
        if len(events):
            marks = marks[~inside[np.searchsorted(events, marks)]]
            unclosed = inside[np.searchsorted(events, ends)]
        if across:
            row_ends, unclosed = ends[~unclosed], np.zeros(int((~unclosed).sum()), dtype=bool)
    after = row_ends + 1
    if not len(after) or after[-1] != len(text):  # the last row has no line end
        after, unclosed = np.append(after, len(text)), np.append(unclosed, False)
    start = np.concatenate([[0], after[:-1]])
    last, before = text[after - 1], text[np.maximum(after - 2, 0)]
    stop = after - ((last == 10) | (last == 13)) - ((last == 10) & (before == 13) & (after - start > 1))
    cells = np.searchsorted(marks, stop) - np.searchsorted(marks, start) + 1
    line = first_line + np.searchsorted(ends, start)
    return _Rows(start, stop, after, line, cells, unclosed, len(row_ends) < len(ends), doubtful)


def _single_spaced(text: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Text with every run of blanks made one space, and none at either end of a line."""
    blank = (text == 32) | (text == 9)
    stop = np.append(blank[1:] | (text[1:] == 10) | (text[1:] == 13), True)
    text = np.where(blank, np.uint8(32), text)[~(blank & stop)]
    begins = np.append(True, (text[:-1] == 10) | (text[:-1] == 13))
    kept: NDArray[np.uint8] = text[~((text == 32) & begins)]
    return kept


def _quotes(text: NDArray[np.uint8], delimiter: int, resets: Lines) -> tuple[Lines, Flags, bool]:
    """Places where quoted cells begin or end, whether text is quoted between them, and whether that is in doubt.

    The second array has one more item: before the first place, between each two, after the last.
    An even run of quotes changes nothing: it is an empty cell, or quotes escaped by doubling. An
    odd run opens a cell where one begins, closes it where one ends, and is a plain sign elsewhere.
    A cell still open at one of `resets` is closed there.
    """
    quotes = np.flatnonzero(text == 34)
    begins = np.flatnonzero(np.diff(quotes, prepend=-2) != 1)
    length = np.diff(begins, append=len(quotes))
    first, length = quotes[begins][length % 2 == 1], length[length % 2 == 1]
    edge = np.zeros(256, dtype=bool)
    edge[[delimiter, 10, 13]] = True
    opens = (first == 0) | edge[text[np.maximum(first - 1, 0)]]
    closes = (first + length == len(text)) | edge[text[np.minimum(first + length, len(text) - 1)]]
    known = opens | closes
    events = np.concatenate([first[known], resets])
    order = np.argsort(events, kind="stable")
    none = np.zeros(len(resets), dtype=bool)
    opens = np.concatenate([opens[known], none])[order]
    turns = opens & np.concatenate([closes[known], none])[order]  # opens a cell, or closes the open one
    sure = np.maximum.accumulate(np.where(turns, -1, np.arange(len(events))))  # last event that can only be one thing
    turned = np.cumsum(turns)
    inside = (sure >= 0) & opens[sure] ^ ((turned - np.where(sure >= 0, turned[sure], 0)) % 2 == 1)
    inside = np.concatenate([[False], inside])
    doubtful = bool(inside[-1] or (opens & ~turns & inside[:-1]).any())
    return events[order], inside, doubtful


def _fitting(text: NDArray[np.uint8], rows: _Rows, dialect: Dialect) -> tuple[Flags, Flags]:
    """Rows with as many cells as the table has columns, and those that have a delimiter behind the last."""
    width = len(dialect.names)
    trailing = (rows.cells == width + 1) & (text[np.maximum(rows.stop - 1, 0)] == ord(dialect.delimiter))
    return ((rows.cells == width) | trailing) & ~rows.unclosed, trailing


def _set_aside(raw: RawTable, text: NDArray[np.uint8], rows: _Rows, good: Flags, dialect: Dialect) -> Flags:
    """Rows left of the good ones without blank lines and repeated headers; all that is left out is reported."""
    repeated = _repeated(text, rows, dialect.repeats)
    blank = rows.stop == rows.start
    unsure = ~(good | blank)
    if unsure.any():  # lines of spaces
        length = rows.after - rows.start
        letters = text[np.repeat(unsure, length)] > 32
        blank[unsure] = ~np.logical_or.reduceat(letters, np.cumsum(length[unsure]) - length[unsure])
    odd = ~(good | repeated | blank)
    good = good & ~(repeated | blank)
    if odd.any():
        first, count = int(np.argmax(odd)), int(odd.sum())
        what = "a quote that is never closed" if rows.unclosed[first] else f"{rows.cells[first]}"
        if count > good.sum():
            raise FileError(
                f"{raw.source}: {count} of {count + good.sum()} lines do not fit the table of {len(dialect.names)} columns "
                f"that begins in line {raw.first_line} (line {rows.line[first]} is the first, it holds {what}); check "
                "that the file is one table with one delimiter throughout, and is not damaged."
            )
        raw.warnings.append(
            left_out(
                rows.line[odd],
                f"more or fewer cells than the {len(dialect.names)} columns of the table, the first {what}",
            )
        )
    if repeated.any():
        raw.notes.append(left_out(rows.line[repeated], "the header or units again"))
    if blank.any():
        raw.notes.append(left_out(rows.line[blank], "no value"))
    return good


def _repeated(text: NDArray[np.uint8], rows: _Rows, lines: Sequence[str]) -> Flags:
    found = np.zeros(len(rows.start), dtype=bool)
    for line in lines:
        sought = np.frombuffer(line.encode(), dtype=np.uint8)
        alike = np.flatnonzero(rows.stop - rows.start == len(sought))
        for place in range(min(8, len(sought))):  # the first letters rule out nearly all rows
            alike = alike[text[rows.start[alike] + place] == sought[place]]
        same = text[rows.start[alike][:, None] + np.arange(len(sought))] == sought
        found[alike[same.all(axis=1)]] = True
    return found


def left_out(lines: Lines, what: str, *, shown: int = 5) -> str:
    """Sentence that counts and places lines that were left out.

    Examples
    --------
    >>> left_out(np.array([7]), "no value"), left_out(np.array([3, 9]), "no value")
    ('1 line was left out: it holds no value (line 7).', '2 lines were left out: they hold no value (lines 3, 9).')
    """
    places = ", ".join(str(line) for line in lines[:shown]) + (", ..." if len(lines) > shown else "")
    if len(lines) == 1:
        return f"1 line was left out: it holds {what} (line {places})."
    return f"{len(lines)} lines were left out: they hold {what} (lines {places})."


# ----------------------------------------------------------------------------- cells


def _mend(raw: RawTable, columns: list[Any], dialect: Dialect, lines: Lines) -> tuple[list[Any], Dialect, Lines]:
    """Turn columns as written into numbers where they are, and report the cells that are not."""
    import pyarrow.compute as pc

    kinds: list[Kind] = list(dialect.kinds)
    faults: dict[int, tuple[Lines, Any]] = {}  # rows of the cells that are not numbers, and the cells
    for j, name in enumerate(dialect.names):
        cells = columns[j].combine_chunks()
        trimmed = pc.utf8_trim(cells, ' \t"\u00a0\u202f')
        blank = pc.is_in(pc.utf8_lower(trimmed), value_set=pa.array(NULL_WORDS))
        columns[j] = pa.chunked_array([pc.if_else(blank, _NO_TEXT, cells)])
        held = len(cells) - columns[j].null_count
        if kinds[j] == "text" or (kinds[j] == "empty" and not held):
            continue
        trimmed = pc.if_else(blank, _NO_TEXT, trimmed)
        values, readable = _numbers(trimmed, dialect)
        bad = np.flatnonzero(~readable & trimmed.is_valid().to_numpy(zero_copy_only=False))
        if len(bad):
            wrong = trimmed.take(pa.array(bad))
            if _counts_or_names(name) and pc.any(pc.match_substring_regex(wrong, "^[A-Za-z]")).as_py():
                kinds[j] = "text"  # "Out" among lap numbers, "N" among gears: words that mean something
                continue
            words = pc.sum(pc.match_substring_regex(wrong, f"^(?:{MOMENT})$|[\r\n]")).as_py()
            if 2 * words > len(bad) or 2 * len(bad) >= held:
                kinds[j] = "text"
                raw.notes.append(
                    f"Column '{name}' is kept as text: {len(bad)} of its {held} cells are not numbers (first: "
                    f"'{short(wrong[0].as_py())}' in line {lines[bad[0]]})."
                )
                continue
            faults[j] = bad, wrong
        kinds[j] = "number"
        columns[j] = pa.chunked_array([values])
    keep = np.ones(len(lines), dtype=bool)
    numbers = [j for j, kind in enumerate(kinds) if kind == "number"]
    if len(numbers) > 1 and all(j in faults for j in numbers):
        keep = np.bincount(np.concatenate([faults[j][0] for j in numbers]), minlength=len(lines)) < len(numbers)
        if not keep.all():
            raw.warnings.append(left_out(lines[~keep], "words in every column of numbers"))
            columns = [column.filter(pa.array(keep)) for column in columns]
    for j, (bad, wrong) in faults.items():
        left = np.flatnonzero(keep[bad])
        if len(left):
            what = (
                "1 cell is not a number and counts"
                if len(left) == 1
                else f"{len(left)} cells are not numbers and count"
            )
            first, line = wrong[int(left[0])].as_py(), lines[bad[left[0]]]
            raw.warnings.append(
                f"Column '{dialect.names[j]}': {what} as blank (first: '{short(first)}' in line {line})."
            )
    return columns, replace(dialect, kinds=tuple(kinds)), lines[keep]


def _counts_or_names(header: str) -> bool:
    """Whether a header means a lap or a gear, which a file may count or name."""
    match = channel_for(split_unit(header)[0])
    return match is not None and is_discrete(match[0])


def _numbers(cells: Any, dialect: Dialect) -> tuple[Any, Flags]:
    """Read trimmed cells as numbers, with or without thousands marks: the values, and which cells could be read."""
    import pyarrow.compute as pc

    if dialect.decimal == "." and not dialect.thousands:
        try:
            values = pc.cast(cells, pa.float64())
        except pa.ArrowInvalid:
            pass
        else:
            return values, values.is_valid().to_numpy(zero_copy_only=False)
    decimal = dialect.decimal
    marked = cells.filter(pc.match_substring_regex(cells, "[.,]"))[:1000].to_pylist()
    own, _, sure = number_style(marked, comma_delimited=dialect.delimiter == ",")
    if own is not None and (sure or not dialect.decimal_seen):
        decimal = own
    marks = f"[{re.escape('.,'.replace(decimal, '') + GROUP_MARKS)}]"
    pattern = f"^(?:{number_pattern(re.escape(decimal), marks)})$"
    readable = pc.fill_null(pc.match_substring_regex(cells, pattern), False)
    plain = pc.replace_substring_regex(pc.if_else(readable, cells, _NO_TEXT), marks, "")
    values = pc.cast(pc.replace_substring(plain, ",", "."), pa.float64())
    return values, readable.to_numpy(zero_copy_only=False)
