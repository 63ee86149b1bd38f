"""Where the table stands in a text: its encoding, its lines, its delimiter, its header, units and first row of data."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import NamedTuple, TypeVar

from lapkit.channels import unit_name
from lapkit.errors import FileError
from lapkit.importers.numerals import filled, is_number, value_share

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar", " ": "spaces"}
"""Delimiters known; a space stands for any run of spaces."""

_T = TypeVar("_T")

BREAK = re.compile(r"\r\n|\n|\r")
_OPEN_QUOTE = re.compile(r'(?<![^,;\t|])"(?:[^"]|"")*\Z')
COMMENT = re.compile(r"^\s*(?:(?:[#%;]|//)\s*)+")
_QUOTED = re.compile(r'(?<![^,;\t|])"(?:[^"]|"")*"')  # only where a cell begins


class Line(NamedTuple):
    """A line of a text, with the line breaks inside its quotes.

    Attributes
    ----------
    text : str
        The line without its end.
    start : int
        Characters before it.
    number : int
        Line of the file it begins in; the first is 1.
    """

    text: str
    start: int
    number: int


class Layout(NamedTuple):
    """The parts of a table.

    Attributes
    ----------
    delimiter : str
        Between cells.
    width : int
        Cells in a row.
    rows : list of Line
        Rows of data with as many cells as that.
    header, units : Line or None
        The rows above them, where there are such.
    between : list of Line
        Other lines between header and data.
    """

    delimiter: str
    width: int
    rows: list[Line]
    header: Line | None
    units: Line | None
    between: list[Line]


def encoding_of(head: bytes) -> tuple[str, int]:
    r"""Return the codec of a text file and the length of its byte-order mark.

    Parameters
    ----------
    head : bytes
        Beginning of the file.

    Returns
    -------
    codec : str
        Python's name of the codec.
    mark : int
        Bytes of the byte-order mark, 0 where there is none.

    Examples
    --------
    >>> encoding_of("a,b\n".encode("utf-16-le")), encoding_of("Gr\u00fcn,1\n".encode("cp1252"))
    (('utf-16-le', 0), ('cp1252', 0))
    """
    for mark, codec in (
        (codecs.BOM_UTF8, "utf-8"),
        (codecs.BOM_UTF16_LE, "utf-16-le"),
        (codecs.BOM_UTF16_BE, "utf-16-be"),
    ):
        if head.startswith(mark):
            return codec, len(mark)
    sample = head[:4096].rstrip(b"\0")
    if b"\0" in sample:  # a table is mostly digits and delimiters, so every other byte of UTF-16 is zero
        even, odd = sample[::2].count(0), sample[1::2].count(0)
        if 4 * max(even, odd) > len(sample) and 40 * min(even, odd) <= len(sample):
            return ("utf-16-le" if odd > even else "utf-16-be"), 0
    try:
        codecs.getincrementaldecoder("utf-8")().decode(head)
    except UnicodeDecodeError:
        undefined = b"\x81\x8d\x8f\x90\x9d"  # places without a letter in Windows code page 1252
        return ("latin-1" if any(byte in head for byte in undefined) else "cp1252"), 0
    return "utf-8", 0


def split_lines(text: str, *, whole: bool) -> tuple[list[Line], str]:
    r"""Split a text at LF, CRLF or CR, but not inside quotes.

    Parameters
    ----------
    text : str
        The text.
    whole : bool
        Whether the text is complete; if not, its last line is dropped.

    Returns
    -------
    lines : list of Line
        The lines, blank ones included.
    line_end : str
        The line end met most.

    Examples
    --------
    >>> [line.text for line in split_lines('a,b\r\n1,"x\r\ny"\r\n', whole=True)[0]]
    ['a,b', '1,"x\r\ny"', '']
    """
    if "\r" in text:
        ends = BREAK.findall(text)
        texts, line_end = BREAK.split(text), Counter(ends).most_common(1)[0][0]
        steps = [len(line) + len(end) for line, end in zip(texts, ends, strict=False)]
    else:
        texts, line_end = text.split("\n"), "\n"
        steps = [len(line) + 1 for line in texts[:-1]]
    lines = [
        Line(line, start, i) for i, (line, start) in enumerate(zip(texts, accumulate(steps, initial=0), strict=True), 1)
    ]
    if not whole and len(lines) > 1:
        lines.pop()
    return (list(_joined(lines, text)) if '"' in text else lines), line_end


def _joined(lines: list[Line], text: str, longest: int = 100) -> Iterator[Line]:
    """Join lines that a quoted cell runs across; a quote open for `longest` lines is taken as a plain sign."""
    i = 0
    while i < len(lines):
        line, following = lines[i], i + 1
        quotes = line.text.count('"')
        if quotes % 2 and _OPEN_QUOTE.search(line.text):
            for j in range(i + 1, min(i + longest, len(lines))):
                quotes += lines[j].text.count('"')
                if quotes % 2 == 0:
                    following = j + 1
                    line = line._replace(text=text[line.start : lines[j].start + len(lines[j].text)])
                    break
        yield line
        i = following


def count_breaks(data: bytes) -> int:
    r"""Line ends among bytes of text: LF, CRLF or CR.

    Examples
    --------
    >>> count_breaks(b"a\r\nb\rc\n")
    3
    """
    return data.count(b"\n") + data.count(b"\r") - data.count(b"\r\n")


def width_of(line: str, delimiter: str) -> int:
    """Cells in a line.

    Examples
    --------
    >>> width_of('1,"a,b",2', ",")
    3
    """
    if delimiter == " ":
        return len(line.split())
    return (_QUOTED.sub("", line) if '"' in line else line).count(delimiter) + 1


def cells_of(line: str, delimiter: str, *, lenient: bool = False) -> list[str]:
    """Cells of a line; if `lenient`, a quote may follow blanks.

    Examples
    --------
    >>> cells_of('1,"a ""b"", c",2', ",")
    ['1', 'a "b", c', '2']
    """
    if delimiter == " ":
        return line.split()
    if '"' in line:
        try:
            return next(csv.reader([line], delimiter=delimiter, skipinitialspace=lenient))
        except csv.Error:  # a cell longer than the csv module takes
            pass
    return line.split(delimiter)


def head_cells(line: str, delimiter: str, width: int) -> list[str]:
    """Cells of a header or units row of a table `width` cells wide, without a comment sign before them.

    Examples
    --------
    >>> head_cells("# time(s), x(m)", ",", 2)
    ['time(s)', 'x(m)']
    """
    if delimiter == " ":
        line = COMMENT.sub("", line).strip()
        wide = re.split(r"\s{2,}|\t", line)
        return wide if len(wide) == width else line.split()
    uncommented = COMMENT.sub("", line)
    if uncommented.startswith('"'):  # the sign stands before a quote, not behind it
        line = uncommented
    cells = [" ".join(cell.split()) for cell in cells_of(line, delimiter, lenient=True)]
    bare = COMMENT.sub("", cells[0])
    if bare:
        cells[0] = bare
    elif len(cells) == width + 1 and cells[-1]:  # the sign stands in a cell of its own
        cells = cells[1:]
    return cells


def unbracketed(cell: str) -> str:
    """Cell without the brackets around it."""
    cell = cell.strip()
    return cell[1:-1].strip() if len(cell) > 1 and cell[0] + cell[-1] in ("[]", "()", "{}", "<>") else cell


def short(text: str, length: int = 40) -> str:
    """Beginning of a text, on one line, for messages."""
    line = " ".join(text[: 4 * length].split())
    return line if len(line) <= length else line[: length - 3] + "..."


def find_table(lines: list[Line], *, whole: bool, source: str, hint: str | None = None) -> Layout:
    """Find the table among the lines of a text.

    The delimiter is the one under which most cells of the rows that agree in width are values. The
    first row of data is the first line of that width that holds values in most places where the
    lower half of the lines does, the leftmost among them; the header is looked for above it.

    Parameters
    ----------
    lines : list of Line
        Lines that hold text.
    whole : bool
        Whether the lines are all of the file; a table of words alone is accepted only then.
    source : str
        Name of the file, for messages.
    hint : str, optional
        The delimiter, where the file states it.

    Returns
    -------
    Layout

    Raises
    ------
    FileError
        If there is no table, or a header without data.
    """
    delimiter, width = _delimiter(lines, hint)
    fitting = [line for line in lines if width_of(line.text, delimiter) == width]
    lower = _lower_half(list(dict.fromkeys(line.text for line in fitting)))  # a repeated header counts once
    sample = [cells_of(line, delimiter) for line in lower[:: max(1, len(lower) // 16)]]
    sample = [row for row in sample if len(row) == width]
    typical = [j for j in range(width) if value_share([row[j] for row in sample]) >= 0.5]
    for i, line in enumerate(fitting):
        cells = cells_of(line.text, delimiter)
        if len(cells) != width:  # a stray quote
            continue
        values = [cells[j] for j in typical if cells[j].strip()]
        if filled(values) and value_share(filled(values)[:1]) and value_share(values) >= 0.5:
            header, units, between = _heading(
                [above for above in lines if above.number < line.number], delimiter, width
            )
            return Layout(delimiter, width, fitting[i:], header, units, between)
    if width > 1 and whole:  # no numbers: a table of words, if all lines agree
        data = [line for line in fitting[1:] if not _is_units(head_cells(line.text, delimiter, width))]
        if data and len(fitting) == len(lines):
            return Layout(delimiter, width, data, fitting[0], None, [])
        if not data:
            raise FileError(
                f"{source}: the file holds a header only (line {fitting[0].number}, {width} columns) and no row of data; "
                "check that the recording was running, and export it again."
            )
    raise FileError(
        f"{source}: no table of numbers was found in {'the file' if whole else f'the first {len(lines)} lines'} (line "
        f"{lines[0].number} reads '{short(lines[0].text)}'); expected a header row and rows of cells between commas, "
        "semicolons, tabs, bars or spaces. Export the run as CSV."
    )


def _lower_half(lines: list[_T]) -> list[_T]:
    """Lines that are data if any are: at least one."""
    return lines[min((len(lines) + 1) // 2, len(lines) - 1) :]


def _delimiter(lines: list[Line], hint: str | None) -> tuple[str, int]:
    best, delimiter, width = 0.0, ",", 1
    for candidate in [hint] if hint in DELIMITERS else DELIMITERS:
        assert candidate is not None
        if candidate == " " and best > 0.9 and not any(" " in line.text for line in lines[-3:]):
            break
        if candidate != " " and not any(candidate in line.text for line in lines):
            continue
        widths = [width_of(line.text, candidate) for line in lines]
        tried = set()
        for group in (widths, widths[-9:], widths[-3:]):  # a long preamble may outnumber the rows: look at the end too
            counted = Counter(w for w in group if w > 1).most_common(1)
            tried |= {w for w, _ in counted}
        for w in tried:
            rows = [line.text for line, found in zip(lines, widths, strict=True) if found == w]
            sample = _lower_half(list(dict.fromkeys(rows)))[-8:]
            cells = [cell for row in sample for cell in cells_of(row, candidate)]
            values = value_share(cells)
            if candidate == " " and not (
                values >= 0.5
                and all(" " in row for row in sample)
                and _lower_half(widths).count(w) > 0.8 * len(_lower_half(widths))
                and all(value_share([cell]) for cell in cells if DELIMITERS.keys() & cell)
            ):
                continue  # prose, or words with blanks between other delimiters
            score = (0.05 + values) * (0.8 + 0.2 * len(rows) / len(lines))
            if score > best:
                best, delimiter, width = score, candidate, w
    return delimiter, width


def _heading(above: list[Line], delimiter: str, width: int) -> tuple[Line | None, Line | None, list[Line]]:
    """Header, units row and other lines between them and the data, among the lines above the data."""
    nearest = [line for line in above[-12:] if line.text.strip(' \t",;|')][::-1]
    while nearest and value_share(filled(cells_of(nearest[0].text, delimiter))) == 1.0:
        del nearest[0]  # a row of values of another width, to be left out like any other: no heading
    apart = next((i for i, line in enumerate(nearest[:4]) if _is_wide(line, delimiter, width)), len(nearest))
    block: list[Line] = []
    for line in nearest[apart : apart + 4]:
        if not _is_wide(line, delimiter, width):
            break
        block.append(line)
    for i in range(len(block) - 1):
        cells = head_cells(block[i].text, delimiter, width)
        whole = abs(len(cells) - width) <= 1 and (
            i == 0 or len(head_cells(block[i + 1].text, delimiter, width)) == width
        )
        if whole and _is_units(cells) and _is_names(block[i + 1], delimiter, width):
            return block[i + 1], block[i], nearest[:apart] + block[:i]
    if block and _is_names(block[0], delimiter, width):
        return block[0], None, nearest[:apart]
    return None, None, []


def _is_wide(line: Line, delimiter: str, width: int) -> bool:
    return len(head_cells(line.text, delimiter, width)) >= (width if width < 3 else max(2, (width + 1) // 2))


def _is_names(line: Line, delimiter: str, width: int) -> bool:
    names = [cell for cell in head_cells(line.text, delimiter, width) if cell]
    words = sum(not is_number(name) for name in names)
    return (2 * len(names) >= width and 2 * words > len(names)) or (words > 0 and len(names) == width > 2)


def _is_units(cells: Sequence[str]) -> bool:
    words = [cell for cell in cells if cell]
    known = [cell for cell in words if unit_name(unbracketed(cell)) or unbracketed(cell) != cell]
    return bool(known) and 2 * len(known) >= len(words) and max(map(len, words)) <= 16
