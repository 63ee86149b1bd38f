"""The dialect of a delimited text file, found from its first bytes.

A logger's CSV may open with any number of lines about the session, put its header behind a
comment sign, give the units a row of their own, and write numbers in the manner of its country.
All of that is settled here, from the head of the file alone, so that the rest can be read in
one pass by a fast reader that is told exactly what to expect.
"""

from __future__ import annotations

import codecs
import re
from collections import Counter
from dataclasses import dataclass
from typing import Literal

from lapkit.errors import FileError
from lapkit.importers.layout import (
    BREAK,
    COMMENT,
    DELIMITERS,
    Line,
    cells_of,
    encoding_of,
    find_table,
    head_cells,
    split_lines,
    unbracketed,
    width_of,
)
from lapkit.importers.numerals import NULL_WORDS, filled, is_number, number_style

Kind = Literal["number", "text", "empty"]

MAX_COLUMNS = 4096
"""Widest table read: a guard against damaged files, a hundred times the channels of a usual recording."""

_LINE_ENDS = {"\n": "LF", "\r\n": "CRLF", "\r": "CR"}
_PAIR = re.compile(r'([^:=,;\t|"]{1,80}?)\s*[:=]\s*(.+)', re.DOTALL)


@dataclass(frozen=True)
class Dialect:
    r"""How a delimited text file is written.

    Attributes
    ----------
    encoding : str
        Python's name of the codec: utf-8, utf-16-le, utf-16-be, cp1252 or latin-1.
    byte_order_mark : bool
        Whether the file opens with one.
    line_end : str
        ``"\n"``, ``"\r\n"`` or ``"\r"``: the one met most.
    delimiter : str
        Between cells; a space stands for any run of spaces.
    decimal, thousands : str
        Marks inside numbers; `thousands` is empty where there is none.
    decimal_seen : bool
        Whether any number showed its decimal mark; otherwise `decimal` is a guess.
    names : tuple of str
        One for each cell of a row, unique.
    kinds : tuple of {"number", "text", "empty"}
        What each column holds, by its sampled cells; "empty" has no name in the file either.
    units : dict of str to str
        Name -> cell of the units row, without brackets.
    header_line, units_line : int or None
        Lines of the file (the first is 1); None where there is none.
    first_line : int
        Line of the first row of data.
    data_offset : int
        Bytes before the first row of data, in the file as it stands, or written as UTF-8
        without a byte-order mark where the file is UTF-16.
    repeats : tuple of str
        The header and units lines as written, to know them again further down.
    nulls : tuple of str
        Spellings of "no value" with blanks around them, beside the usual ones.
    quoted_breaks : bool
        Whether a quoted cell holds a line break.
    last_decimals : int or None
        Digits behind the decimal mark in the last column, where every sampled row has as many.
    regular : bool
        Whether all lines seen from the first row of data on fit the table as it is.
    metadata : dict of str to str
        What stood above the header.
    notes, warnings : tuple of str
        Decisions that lose nothing; decisions that may.
    """

    encoding: str
    byte_order_mark: bool
    line_end: str
    delimiter: str
    decimal: str
    thousands: str
    decimal_seen: bool
    names: tuple[str, ...]
    kinds: tuple[Kind, ...]
    units: dict[str, str]
    header_line: int | None
    units_line: int | None
    first_line: int
    data_offset: int
    repeats: tuple[str, ...]
    nulls: tuple[str, ...]
    quoted_breaks: bool
    last_decimals: int | None
    regular: bool
    metadata: dict[str, str]
    notes: tuple[str, ...]
    warnings: tuple[str, ...]

    def describe(self) -> dict[str, str]:
        """Return the findings in words, for the provenance of a recording."""
        found = {
            "encoding": self.encoding.upper() + (" with byte-order mark" if self.byte_order_mark else ""),
            "line_end": _LINE_ENDS[self.line_end],
            "delimiter": DELIMITERS[self.delimiter],
            "decimal_mark": {".": "point", ",": "comma"}[self.decimal],
            "header_line": "none" if self.header_line is None else str(self.header_line),
            "first_line": str(self.first_line),
        }
        if self.thousands:
            found["thousands_mark"] = {",": "comma", ".": "point"}.get(self.thousands, f"'{self.thousands}'")
        if self.units_line is not None:
            found["units_line"] = str(self.units_line)
        return found


def sniff(head: bytes, *, whole: bool, source: str, max_columns: int = MAX_COLUMNS) -> Dialect:
    r"""Find the dialect of a delimited file from its first bytes.

    Parameters
    ----------
    head : bytes
        Beginning of the file; 64 KiB serve any file whose preamble is shorter than that.
    whole : bool
        Whether `head` is all of the file. If not, its last line is taken to be cut short.
    source : str
        Name of the file, for messages.
    max_columns : int, default `MAX_COLUMNS`
        Most cells a row may hold (the project's own guard against damaged files).

    Returns
    -------
    Dialect
        Everything a reader must be told.

    Raises
    ------
    FileError
        If there is no table, or no row of data, in what was given.

    References
    ----------
    RFC 4180 (2005), section 2, for quoting. The rest is common practice, no source.

    Examples
    --------
    >>> found = sniff(b"Driver: N. Body\n# time;speed\ns;km/h\n0,0;81,5\n0,1;82,25\n", whole=True, source="run.csv")
    >>> found.delimiter, found.decimal, found.names, found.first_line
    (';', ',', ('time', 'speed'), 4)
    >>> found.units, found.metadata
    ({'time': 's', 'speed': 'km/h'}, {'Driver': 'N. Body'})
    """
    encoding, mark = encoding_of(head)
    text = codecs.getincrementaldecoder(encoding)("replace").decode(head[mark:])
    if "\0" in text:
        at = text.index("\0")
        place = mark + (2 * at if encoding.startswith("utf-16") else len(text[:at].encode(encoding, "replace"))) + 1
        raise nul_error(source, place, len(BREAK.findall(text, 0, at)) + 1)
    lines, line_end = split_lines(text, whole=whole)
    held = [line for line in lines if line.text and not line.text.isspace()]
    if not held:
        raise FileError(f"{source}: the file holds only blank lines; expected a table of samples with a header row.")
    stated = re.fullmatch(r'"?sep=(.)"?', held[0].text.strip(), re.IGNORECASE)
    if stated and len(held) > 1:
        held = held[1:]
    layout = find_table(held, whole=whole, source=source, hint=stated.group(1) if stated else None)
    delimiter, width, header, first = layout.delimiter, layout.width, layout.header, layout.rows[0]
    if width > max_columns:
        raise FileError(
            f"{source}: line {first.number} holds {width} cells, more than the {max_columns} columns a table may have; "
            "the file is damaged, or its line ends are lost. Export the run again as CSV."
        )

    notes: list[str] = []
    warnings: list[str] = []
    repeats = tuple(line.text.strip() for line in (header, layout.units) if line is not None)
    body = [line for line in held if line.number >= first.number]
    data = [line.text for line in body]
    odd = [line for line in body if width_of(line.text, delimiter) != width] if len(body) > len(layout.rows) else []
    if whole and not text.endswith(("\n", "\r")) and odd == body[-1:]:
        odd = []  # the last line is cut short, which its reader looks at
    sampled = layout.rows if len(layout.rows) <= 60 else layout.rows[:30] + layout.rows[-30:]
    rows = [cells_of(line.text, delimiter) for line in sampled if line.text.strip() not in repeats]
    whole_rows = [row for row in rows if len(row) == width]
    columns = [[row[j] for row in whole_rows] for j in range(width)]  # as many as cells, even where a quote spoils all
    nulls: set[str] = set()
    kinds, decimal, thousands, decimal_seen = _kinds(columns, delimiter, nulls, notes)
    names = _names(header, delimiter, columns, notes, warnings)
    kinds = [
        "empty" if not name and not any(map(str.strip, c)) else k
        for name, c, k in zip(names, columns, kinds, strict=True)
    ]
    names = _unique([name or f"column {j}" for j, name in enumerate(names, 1)], notes)
    spelled = head_cells(layout.units.text, delimiter, width) if layout.units is not None else []
    units = {name: unbracketed(cell) for name, cell in zip(names, spelled, strict=False) if unbracketed(cell)}
    top = (header or first).number
    preamble = [line for line in held if line.number < top] + layout.between
    decimals = {len(row[-1].strip().partition(decimal)[2]) for row in rows}
    quoted_breaks = '"' in text and any(BREAK.search(line) for line in data)
    single_byte = encoding in ("cp1252", "latin-1")
    return Dialect(
        encoding=encoding,
        byte_order_mark=bool(mark),
        line_end=line_end,
        delimiter=delimiter,
        decimal=decimal,
        thousands=thousands,
        decimal_seen=decimal_seen,
        names=tuple(names),
        kinds=tuple(kinds),
        units=units,
        header_line=header.number if header is not None else None,
        units_line=layout.units.number if layout.units is not None else None,
        first_line=first.number,
        data_offset=(mark if encoding == "utf-8" else 0)
        + (first.start if single_byte else len(text[: first.start].encode("utf-8", "replace"))),
        repeats=repeats,
        nulls=tuple(nulls),
        quoted_breaks=quoted_breaks,
        last_decimals=decimals.pop() if len(decimals) == 1 and len(rows) > 2 and kinds[-1] == "number" else None,
        regular=not odd
        and not thousands
        and not quoted_breaks
        and not any(line.strip() in repeats for line in data)
        and (delimiter != " " or not any("  " in line or "\t" in line or line != line.strip() for line in data)),
        metadata=_metadata([line.text for line in preamble], delimiter),
        notes=tuple(notes),
        warnings=tuple(warnings),
    )


def nul_error(source: str, byte: int, line: int) -> FileError:
    """Return the error for a NUL byte among text."""
    return FileError(
        f"{source}: byte {byte} (line {line}) is a NUL byte, which no text file holds; the file is damaged there or is "
        "not a text file. Remove the damaged lines, or export the run again as CSV."
    )


def cut_short(line: str, dialect: Dialect) -> str:
    r"""Return what shows that a last line without a line end is not whole; empty where nothing does.

    Examples
    --------
    >>> found = sniff(b"time,speed,gear\n0,10.25,1\n1,11.50,1\n2,12.75,2\n", whole=True, source="run.csv")
    >>> cut_short("3,12.", found), cut_short("3,12.25,2", found)
    ('it holds 2 of 3 cells', '')
    """
    width = width_of(line, dialect.delimiter)
    if line.count('"') % 2:
        return "" if dialect.quoted_breaks else "a quote is not closed"
    if width < len(dialect.names):
        return "" if dialect.quoted_breaks and '"' in line else f"it holds {width} of {len(dialect.names)} cells"
    last = cells_of(line, dialect.delimiter)[-1].strip()
    digits = len(last.partition(dialect.decimal)[2])
    if dialect.last_decimals is not None and width == len(dialect.names) and digits < dialect.last_decimals:
        return f"its last cell is '{last}', all others have {dialect.last_decimals} digits behind the decimal mark"
    return ""


def _metadata(lines: list[str], delimiter: str) -> dict[str, str]:
    """Key-value pairs among the lines; lines of another kind are kept as "text 1", "text 2" and so on."""
    found: dict[str, str] = {}
    for line in lines:
        bare = COMMENT.sub("", line).strip(f" \t{delimiter}")
        cells = filled(cells_of(bare, "," if delimiter == " " else delimiter, lenient=True))
        pair = _PAIR.fullmatch(bare) or (_PAIR.fullmatch(cells[0]) if len(cells) == 1 else None)
        if pair:
            key, value = pair.group(1), pair.group(2).strip(' "')
        elif len(cells) > 1:
            key, value = cells[0].rstrip(" :="), " ".join(cells[1:])
        elif cells:
            key, value = f"text {sum(key.startswith('text ') for key in found) + 1}", cells[0]
        else:
            continue
        while key in found:
            key += " (again)"
        found[key] = value
    return found


# -------------------------------------------------------------------------- columns


def _kinds(
    columns: list[list[str]], delimiter: str, nulls: set[str], notes: list[str]
) -> tuple[list[Kind], str, str, bool]:
    """Kind of every column, decimal mark, thousands mark, and whether a decimal mark was seen; adds to `nulls`."""
    kinds: list[Kind] = []
    doubtful: list[str] = []
    points = 0
    for column in columns:
        try:
            for cell in column:
                float(cell)
        except ValueError:
            cells = filled(column)
            nulls |= {cell for cell in set(column) if cell != cell.strip() and cell.strip().lower() in NULL_WORDS}
            numbers = [cell for cell in cells if is_number(cell)]
            words = 2 * len(numbers) <= len(cells) > 0 or any(BREAK.search(cell) for cell in cells)
            kinds.append("text" if words else "number")
            doubtful += numbers[:: len(numbers) // 30 + 1] if kinds[-1] == "number" else []
        else:
            kinds.append("number")
            points += sum("." in cell for cell in column)
    decimal, thousands, sure = number_style(doubtful, points=points, comma_delimited=delimiter == ",")
    if not sure:
        cell = next(cell for cell in doubtful if "." in cell or "," in cell)
        mark = "comma" if decimal == "," else "point"
        notes.append(f"'{cell}' can be read in two ways; the {mark} is taken as the decimal mark.")
    return kinds, decimal or ".", thousands, decimal is not None


def _names(
    header: Line | None, delimiter: str, columns: list[list[str]], notes: list[str], warnings: list[str]
) -> list[str]:
    """One name a column, empty where the file gives none."""
    width = len(columns)
    if header is None:
        notes.append(f"The file has no header row; its columns are named 'column 1' to 'column {width}'.")
        return [f"column {j}" for j in range(1, width + 1)]
    names = head_cells(header.text, delimiter, width)
    while len(names) > width and not names[-1]:
        names.pop()
    said = f"The header (line {header.number}) names {len(names)} columns, the rows hold {width} cells"
    if len(names) > width:
        left = ", ".join(f"'{name}'" for name in names[width:])
        warnings.append(f"{said}; names are given from the left, and {left} left out.")
    elif not any(cell.strip() for column in columns[len(names) :] for cell in column):
        pass  # delimiters behind the last cell
    elif len(names) == width - 1 and _counts_rows(columns[0]):
        notes.append(f"{said}; the first column, which numbers the rows, is the one without a name.")
        names = ["", *names]
    else:
        warnings.append(f"{said}; names are given from the left, so check that each stands over its own values.")
    return (names + [""] * width)[:width]


def _counts_rows(cells: list[str]) -> bool:
    found = filled(cells[:20])
    return len(found) > 1 and any(found == [str(i + origin) for i in range(len(found))] for origin in (0, 1))


def _unique(names: list[str], notes: list[str]) -> list[str]:
    taken = set(names)
    met: Counter[str] = Counter()
    unique: list[str] = []
    for j, name in enumerate(names, 1):
        met[name] += 1
        made = name
        while met[name] > 1 and made in taken:
            made = f"{name} ({met[name]})"
            met[name] += made in taken
        if made != name:
            taken.add(made)
            notes.append(f"The header names '{name}' more than once; column {j} is called '{made}'.")
        unique.append(made)
    return unique
