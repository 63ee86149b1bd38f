"""A delimited text file -> the columns it holds, read in one pass with the dialect that was found.

A file that keeps to one dialect is read once, straight into numbers. Where that fails, or the
head of the file already shows trouble, lines that do not fit are set aside by whole-array
operations, cells that are not numbers become blank, and both are counted and placed.
"""

from __future__ import annotations

import os
import re
import stat
import zlib
from contextlib import suppress
from dataclasses import replace
from typing import Any

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray

from lapkit.errors import FileError
from lapkit.importers.dialect import MAX_COLUMNS, Dialect, cut_short, sniff
from lapkit.importers.layout import count_breaks, encoding_of
from lapkit.importers.raw import RawTable
from lapkit.importers.rows import BLOCK, left_out, read_tolerant, read_typed
from lapkit.model.given import said

HEAD = 1 << 16
"""Bytes the dialect is found from; a longer preamble is followed up to `LONGEST_PREAMBLE`."""
LONGEST_PREAMBLE = 1 << 23
MAX_BYTES = 1 << 30
"""Most bytes of text read, after decompression: two hours of 100 channels at 100 Hz take 0.7e9."""

_CONTROL = bytes(set(range(32)) - set(b"\t\n\v\f\r\x1a"))

_MAGIC: tuple[tuple[bytes, str], ...] = (
    (b"BZh", "a bzip2 archive; unpack it first"),
    (b"\xfd7zXZ\0", "an xz archive; unpack it first"),
    (b"\x28\xb5\x2f\xfd", "a Zstandard archive; unpack it first"),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive; unpack it first"),
    (b"Rar!", "a RAR archive; unpack it first"),
    (b"\xd0\xcf\x11\xe0", "a spreadsheet or document of the old binary kind (xls, doc); save the sheet as CSV first"),
    (b"PAR1", "a Parquet file, not delimited text"),
    (b"\x89HDF", "an HDF5 file; export the run as CSV first"),
    (b"SQLite format 3\0", "a database; export the run as CSV first"),
    (b"MATLAB 5.0", "a MAT-file; export the run as CSV first"),
    (b"%PDF", "a PDF document; export the run as CSV first"),
    (b"\x89PNG", "a picture; give the recording itself"),
    (b"\xff\xd8\xff", "a picture; give the recording itself"),
)


def read_table(path: str | os.PathLike[str], *, max_bytes: int = MAX_BYTES, max_columns: int = MAX_COLUMNS) -> RawTable:
    r"""Read a delimited text file, plain or gzip, in whatever dialect it is written.

    Parameters
    ----------
    path : path-like
        The file.
    max_bytes : int, default `MAX_BYTES`
        Most bytes of text accepted, after decompression, so that a small damaged or hostile
        file cannot fill the memory (the project's own guard).
    max_columns : int, default `MAX_COLUMNS`
        Most columns accepted (the project's own guard).

    Returns
    -------
    RawTable
        Columns under the file's own headers, in the file's own units. ``dialect["read"]`` is
        "in one pass" where every line fitted, "with care" where some had to be set aside or
        cells mended.

    Raises
    ------
    FileError
        If the file is missing, is not a delimited text file, is too large, holds no row of
        data, or most of its lines do not fit one table.

    References
    ----------
    RFC 4180 (2005) for quoting; RFC 1952 (1996) for gzip.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = pathlib.Path(folder, "run.csv")
    ...     _ = path.write_text("time;speed\ns;km/h\n0,0;81,5\n0,1;82,25\n")
    ...     table = read_table(path)
    >>> table.numbers["speed"].tolist(), table.units["speed"], table.first_line
    ([81.5, 82.25], 'km/h', 3)
    """
    if not isinstance(path, str | os.PathLike) or "\0" in str(path) or not str(path):
        given = "an open file" if hasattr(path, "read") else said(path)
        raise FileError(f'expected the path of a file, such as "run.csv", and found {given}; give the path itself.')
    source = os.path.basename(os.fspath(path))
    try:
        return _read(path, source, max_bytes, max_columns)
    except FileNotFoundError as cause:
        raise FileError(
            f"{source}: there is no such file ({os.fspath(path)}); check the folder and the name."
        ) from cause
    except OSError as cause:
        reason = cause.strerror or str(cause)
        raise FileError(
            f"{source}: the file cannot be read ({reason}); check the card or disk and its permissions."
        ) from cause


def _read(path: str | os.PathLike[str], source: str, max_bytes: int, max_columns: int) -> RawTable:
    raw = RawTable(source, {}, {}, [])
    file = _open(path, raw, max_bytes)
    head = file.read(HEAD)
    _refuse(head, source)
    codec, mark = encoding_of(head)
    if codec.startswith("utf-16"):
        file.seek(mark)
        file = pa.BufferReader(file.read().decode(codec, "replace").encode())
    end, nul_bytes = _text_end(file, source)
    size = HEAD
    while True:
        try:
            dialect = sniff(_bytes(file, 0, min(size, end)), whole=size >= end, source=source, max_columns=max_columns)
            break
        except FileError:
            if size >= min(end, LONGEST_PREAMBLE):
                raise
            size *= 16
    if codec.startswith("utf-16"):
        dialect = replace(dialect, encoding=codec, byte_order_mark=bool(mark))
    raw.units, raw.metadata, raw.first_line = dict(dialect.units), dict(dialect.metadata), dialect.first_line
    raw.dialect |= dialect.describe()
    raw.notes += dialect.notes
    raw.warnings += dialect.warnings

    _refuse_line_ends(file, end, dialect, source)
    end, cut = _without_cut_line(file, end, dialect)
    if cut:
        line = dialect.first_line + count_breaks(_bytes(file, dialect.data_offset, end))
        raw.warnings.append(f"The last line (line {line}) is cut off ({cut}) and was left out.")
        if end == dialect.data_offset:
            raise FileError(f"{source}: the only row of data (line {line}) is cut off ({cut}); export the run again.")
    if nul_bytes:
        raw.warnings.append(
            f"The file ends in {nul_bytes} NUL bytes, as a logger leaves them that lost power; they were left out."
        )
    _fill(raw, file, end, dialect)
    return raw


# ------------------------------------------------------------------- what file it is


def _open(path: str | os.PathLike[str], raw: RawTable, max_bytes: int) -> Any:
    """Open a file for reading at any place, its text decompressed where it is gzip."""
    status = os.stat(path)
    if stat.S_ISDIR(status.st_mode):
        raise FileError(f"{raw.source}: this is a folder; give one file in it.")
    if not stat.S_ISREG(status.st_mode):
        raise FileError(f"{raw.source}: this is a device or a pipe; give a file on disk.")
    if status.st_size == 0:
        raise FileError(f"{raw.source}: the file is empty (0 bytes); copy or export the run again.")
    file = pa.OSFile(os.fspath(path))
    if file.read(2) == b"\x1f\x8b":
        raw.dialect["compression"] = "gzip"
        return pa.BufferReader(_decompressed(file, raw, max_bytes))
    file.seek(0)
    if status.st_size > max_bytes:
        raise FileError(
            f"{raw.source}: the file holds {status.st_size} bytes, more than max_bytes = {max_bytes}; split it into "
            "runs, or raise max_bytes if the memory allows (about three times the file)."
        )
    return file


def _decompressed(file: Any, raw: RawTable, max_bytes: int) -> bytes:
    """Text of a gzip file, refused as soon as it grows past `max_bytes`."""
    parts: list[bytes] = []
    total = 0
    file.seek(0)
    member = zlib.decompressobj(31)
    rest = b""
    while True:
        chunk = rest or file.read(HEAD)
        if not chunk:
            raw.warnings.append(f"The gzip data stop before their end; the {total} bytes up to there were read.")
            break
        try:
            part = member.decompress(chunk, BLOCK)
        except zlib.error as cause:
            raise FileError(
                f"{raw.source}: the gzip data are damaged after {total} bytes of text ({cause}); copy the file again."
            ) from cause
        parts.append(part)
        total += len(part)
        if total > max_bytes:
            raise FileError(
                f"{raw.source}: the gzip file of {file.size()} bytes holds more than max_bytes = {max_bytes} bytes of "
                "text; split it into runs, or raise max_bytes if you trust the file and the memory allows."
            )
        rest = member.unconsumed_tail
        if member.eof:  # another member may follow, or padding
            rest = (member.unused_data or file.read(HEAD)).lstrip(b"\0")
            if not rest.startswith(b"\x1f"):
                break
            member = zlib.decompressobj(31)
    if not total:
        raise FileError(f"{raw.source}: the gzip file holds no text (0 bytes); copy or export the run again.")
    return b"".join(parts)


def _refuse(head: bytes, source: str) -> None:
    """Say what a file is that is not a delimited table."""
    what = next((said for magic, said in _MAGIC if head.startswith(magic)), None)
    start = head[:1024].removeprefix(b"\xef\xbb\xbf").lstrip().lower()
    if head.startswith(b"PK\x03\x04"):
        sheet = b"[Content_Types].xml" in head or b"xl/" in head or b"opendocument.spreadsheet" in head
        what = f"a {'spreadsheet; save the sheet as CSV' if sheet else 'zip archive; unpack it'} first"
    elif head[257:262] == b"ustar":
        what = "a tar archive; unpack it first"
    elif start.startswith((b"<!doctype html", b"<html")) or (start.startswith(b"<") and b"<html" in start):
        what = "a web page (HTML), perhaps an error page saved in place of the file; download the file itself"
    elif start.startswith(b"<?xml"):
        what = "XML, not a delimited table; export the run as CSV first"
    elif start.startswith((b"{", b"[{")) and b'":' in start:
        what = "JSON, not a delimited table; export the run as CSV first"
    sample = head[:4096].rstrip(b"\0")
    if what is None and not encoding_of(head)[0].startswith("utf-16"):
        control = len(sample) - len(sample.translate(None, _CONTROL))
        if not sample:
            what = "not text: it begins with NUL bytes, as a damaged card leaves them; copy it again from the logger"
        elif 20 * control > len(sample):
            what = (
                f"a binary file ({control} of its first {len(sample)} bytes are control characters), perhaps the "
                "logger's own format; export the run as CSV"
            )
    if what is not None:
        raise FileError(f"{source}: this is {what}.")


def _bytes(file: Any, start: int, stop: int) -> bytes:
    file.seek(start)
    return bytes(file.read(stop - start))


def _text_end(file: Any, source: str) -> tuple[int, int]:
    """Where the text ends, behind the end of its last line that is not blank, and the NUL bytes after it."""
    end, nul_bytes = file.size(), 0
    for filler in (b"\0", b" \r\n\x1a"):
        while end:
            start = max(0, end - HEAD)
            chunk = _bytes(file, start, end)
            kept = len(chunk.rstrip(filler))
            if filler == b"\0":
                nul_bytes += len(chunk) - kept
            if kept:
                end = start + kept
                break
            end = start
    if not end:
        raise FileError(f"{source}: the file holds only blank lines; expected a table of samples with a header row.")
    line_end = re.match(rb"[ \x1a]*(?:\r\n|\n|\r)", _bytes(file, end, file.size())[:HEAD])
    return end + (line_end.end() if line_end else 0), nul_bytes


def _refuse_line_ends(file: Any, end: int, dialect: Dialect, source: str, *, length: int = 512) -> None:
    """Refuse a stretch of blank lines, each of which takes the memory of a row: one sample a column finds it."""
    if 8 * len(dialect.names) * (end - dialect.data_offset) < MAX_BYTES:
        return  # not enough of them to matter
    samples = max(16, len(dialect.names))
    for i in range(samples):
        start = dialect.data_offset + (end - dialect.data_offset) * i // samples
        sample = _bytes(file, start, min(start + length, end))
        if 3 * len(sample.translate(None, b"\r\n")) < len(sample) > 64:
            raise FileError(
                f"{source}: from about byte {start + 1} on the file holds little but line ends; it is damaged there. "
                "Remove that part, or export the run again as CSV."
            )


def _without_cut_line(file: Any, end: int, dialect: Dialect) -> tuple[int, str]:
    """Where the last whole line ends, and what is wrong with the line after it, if anything is."""
    tail = _bytes(file, max(dialect.data_offset, end - HEAD), end)
    last = tail[max(tail.rfind(b"\n"), tail.rfind(b"\r")) + 1 :]
    fault = cut_short(last.decode("utf-8", "replace"), dialect) if last else ""
    return (end - len(last) if fault else end), fault


# -------------------------------------------------------------------- rows -> columns


def _fill(raw: RawTable, file: Any, end: int, dialect: Dialect) -> None:
    """Read the rows into `raw`: in one pass if they fit, else with what does not fit set aside."""
    columns: list[Any] = []
    lines = None
    if dialect.regular:
        with suppress(pa.ArrowInvalid):  # some line or cell does not fit; the tolerant reader finds out which
            columns = read_typed(file.get_stream(dialect.data_offset, end - dialect.data_offset), dialect).columns
    if columns and not _holds_breaks(columns, dialect):
        raw.dialect["read"] = "in one pass"
    else:
        raw.dialect["read"] = "with care"
        columns, dialect, lines = read_tolerant(raw, _bytes(file, dialect.data_offset, end), dialect)
    keep = _filled_rows(raw, columns, lines)
    raw.order = [name for name, kind in zip(dialect.names, dialect.kinds, strict=True) if kind != "empty"]
    for name, kind in zip(reversed(dialect.names), reversed(dialect.kinds), strict=True):
        column = columns.pop() if keep is None else columns.pop().filter(pa.array(keep))
        if kind == "text":
            raw.texts[name] = column
        elif kind == "number":
            raw.numbers[name] = _to_numpy(column)
        del column  # so that arrow's copy is free before the next column is made
    raw.numbers = {name: raw.numbers[name] for name in reversed(raw.numbers)}
    raw.texts = {name: raw.texts[name] for name in reversed(raw.texts)}
    for name, values in raw.numbers.items():
        infinite = np.isinf(values)
        if infinite.any():
            at = np.flatnonzero(infinite)
            values[at] = np.nan
            count = "1 infinite value counts" if len(at) == 1 else f"{len(at)} infinite values count"
            raw.warnings.append(f"Column '{name}': {count} as blank (first in line {raw.line(at[0])}).")


def _to_numpy(column: Any) -> NDArray[np.float64]:
    """Values of a column of float64, NaN where null, in the memory arrow took for them."""
    values = column.combine_chunks()
    held = np.frombuffer(values.buffers()[1], dtype=np.float64, count=len(values), offset=8 * values.offset)
    if not held.flags.writeable:
        held = held.copy()
    if values.null_count:
        held[values.is_null().to_numpy(zero_copy_only=False)] = np.nan
    return held


def _filled_rows(raw: RawTable, columns: list[Any], lines: NDArray[np.int64] | None) -> NDArray[np.bool_] | None:
    """Rows that hold any value, None for all of them; gives `raw` the lines of those."""
    import pyarrow.compute as pc

    keep = None
    if all(column.null_count for column in columns):
        blank = columns[0].is_null()
        for column in columns[1:]:
            blank = pc.and_(blank, column.is_null())
        keep = ~blank.to_numpy()
        if lines is None:
            lines = raw.first_line + np.arange(len(keep))
        if keep.all():
            keep = None
        else:
            raw.notes.append(left_out(lines[~keep], "no value"))
            lines = lines[keep]
    if not len(columns[0]) or (lines is not None and not len(lines)):
        raise FileError(f"{raw.source}: no line below the header holds a value; check that the run was exported whole.")
    if lines is not None:
        raw.first_line = int(lines[0])
        raw.lines = lines if lines[-1] - lines[0] >= len(lines) else None
    return keep


def _holds_breaks(columns: list[Any], dialect: Dialect) -> bool:
    """Whether a cell of words runs across lines, by intent or by a quote never closed, or holds a NUL byte."""
    import pyarrow.compute as pc

    texts = [column for column, kind in zip(columns, dialect.kinds, strict=True) if kind == "text"]
    return any(pc.any(pc.match_substring_regex(column, r"[\r\n\x00]")).as_py() for column in texts)
