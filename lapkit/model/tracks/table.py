"""Tables of points along a track as plain CSV: centre lines, edges, and the table beside a track file."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd

from lapkit.channels import UNITS, FloatArray, from_si, split_unit, to_si
from lapkit.errors import ColumnError, FileError
from lapkit.model.given import path_given

CENTRE_COLUMNS = {
    "distance": "length", "x": "length", "y": "length", "left_width": "length", "right_width": "length",
    "banking": "angle", "height": "length", "curvature": "curvature",
}  # fmt: skip
EDGE_COLUMNS = {"x": "length", "y": "length", "height": "length"}
OTHER_WORDS = {"z": "height", "altitude": "height", "elevation": "height"}
MAX_BYTES = 16_000_000  # a track of 100 km with a point every metre, eight columns of ten characters, is half of this
MAX_COLUMNS = 50  # four times as many as a table of points can have
LIMITS = {"left_width": (0.0, 200.0), "right_width": (0.0, 200.0), "banking": (-np.pi / 3, np.pi / 3),
          "height": (-1e4, 1e4), "curvature": (-1.0, 1.0), "x": (-1e8, 1e8), "y": (-1e8, 1e8), "distance": (0.0, 1e5)}  # fmt: skip


def read_text(path: Path, what: str, *, limit: int = MAX_BYTES) -> str:
    """Read a small text file.

    Raises
    ------
    FileError
        If it cannot be read, is too large, or is not text.
    """
    try:
        with path.open("rb") as file:  # a device or a pipe does not say how much it holds
            content = file.read(limit + 1)
    except OSError as error:
        raise FileError(f"{path.name}: {what} cannot be read ({error.strerror}).") from error
    except ValueError as error:
        raise FileError(f"{path.name!r}: {what} cannot be read ({error}).") from error
    if len(content) > limit:
        raise FileError(
            f"{path.name}: more than {limit / 1e6:.0f} MB is too much for {what}; a point every metre says all of a track."
        )
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise FileError(f"{path.name}: not text in UTF-8, so not {what}.") from error


def points_of(
    given: pd.DataFrame | str | os.PathLike[str], columns: Mapping[str, str], *, without_header: Sequence[str]
) -> tuple[pd.DataFrame, str]:
    """Return a table of points in SI from a DataFrame or a CSV file.

    Parameters
    ----------
    given : DataFrame or path
        A frame in SI (an angle also in degrees, under its name with ``_deg``); or a CSV with or without a header.
    columns : mapping of str to str
        Columns that may be there, and what they measure.
    without_header : sequence of str
        What the columns are where no header says so.

    Returns
    -------
    table : DataFrame
        The columns found, float64, RangeIndex.
    name : str
        Name for messages.

    Raises
    ------
    ColumnError
        If x or y is missing or a cell is not a number; every fault is listed.
    FileError
        If the file cannot be read.
    """
    if isinstance(given, pd.DataFrame):
        name, faults = "the table", []
        found: dict[str, FloatArray] = {}
        for label in given.columns:
            column, factor = str(label), 1.0
            if column.endswith("_deg") and columns.get(column.removesuffix("_deg")) == "angle":
                column, factor = column.removesuffix("_deg"), float(np.pi / 180.0)
            column = OTHER_WORDS.get(column, column)
            if column in columns and column not in found:
                values = pd.to_numeric(given[label], errors="coerce").to_numpy(np.float64, na_value=np.nan)
                found[column] = values * factor
        if "distance" in columns and "distance" not in found and given.index.name == "distance":
            found["distance"] = given.index.to_numpy(np.float64)
        table = pd.DataFrame(found)
        faults += range_faults(table)
    else:
        path = path_given(given, "points", "a frame with columns x and y, or the path of a CSV")
        name = path.name
        table, faults = read_points(path, columns, without_header=without_header)
    missing = [column for column in ("x", "y") if column not in table]
    faults += [f"there is no column '{column}' (m)" for column in missing]
    if faults:
        raise ColumnError(f"{name}: {'; '.join(faults)}.")
    return table, name


def read_points(
    path: Path, columns: Mapping[str, str], *, without_header: Sequence[str] = ()
) -> tuple[pd.DataFrame, list[str]]:
    """Read a CSV of points.

    Parameters
    ----------
    path : Path
        With a header of known columns (a unit may follow: ``banking_deg``, ``x [ft]``), or of bare numbers.
    columns : mapping of str to str
        Columns that may be there, and what they measure.
    without_header : sequence of str
        What the columns are where there is no header.

    Returns
    -------
    table : DataFrame
        In SI, blank cells NaN.
    faults : list of str
        What is wrong with it.

    Raises
    ------
    FileError
        If the file cannot be read as a table.
    """
    text = read_text(path, "a table of points")
    first = next((line for line in text.splitlines() if line.strip()), "")
    if not first:
        raise FileError(f"{path.name}: not a table of points: it is empty.")
    separator = max(",;\t|", key=first.count)
    spaced = first.count(separator) == 0
    if (count := len(first.split(None if spaced else separator))) > MAX_COLUMNS:
        raise FileError(f"{path.name}: not a table of points: its first line has {count} columns.")
    text = text[text.index(first) :]
    separator = r"\s+" if spaced else separator
    try:
        head = _cells(first, separator).iloc[0].tolist()
        bare = pd.to_numeric(pd.Series(head), errors="coerce").notna().all()
        body = _numbers(text if bare else text[len(first) :], separator, len(head))
        if body is None:  # some cell is no number, which one is to be said
            body = _cells(text, separator).iloc[0 if bare else 1 :]
    except (ValueError, pd.errors.ParserError) as error:
        raise FileError(f"{path.name}: not a table of points: {str(error).strip()}.") from error
    head = [str(cell).strip().lstrip("#").strip() for cell in head]
    faults: list[str] = []
    if bare:
        if not 2 <= len(head) <= len(without_header):
            return pd.DataFrame(), [
                f"{len(head)} columns without a header; write one, with columns from: {', '.join(columns)}"
            ]
        units: list[tuple[str, str | None]] = [(column, None) for column in without_header[: len(head)]]
    else:
        units = [(words.replace(" ", "_"), unit) for words, unit in map(split_unit, head)]
    found: dict[str, FloatArray] = {}
    for k, (word, unit) in enumerate(units):
        column = OTHER_WORDS.get(word, word)
        dimension = columns.get(column)
        if dimension is None:
            faults.append(f"column '{head[k]}' is not known; use {', '.join(written(name) for name in columns)}")
        elif column in found:
            faults.append(f"column '{head[k]}' is there twice")
        elif unit is None and dimension == "angle":
            faults.append(f"column '{head[k]}' does not say its unit; write {column}_deg")
        elif unit is not None and unit not in UNITS[dimension]:
            faults.append(f"column '{head[k]}': {unit} does not measure {column}")
        else:
            values = pd.to_numeric(body.iloc[:, k], errors="coerce").to_numpy(np.float64)
            odd = np.flatnonzero(np.isnan(values) & body.iloc[:, k].notna().to_numpy())
            if len(odd):
                cell = str(body.iloc[int(odd[0]), k])[:40]
                faults.append(f"column '{head[k]}': {cell!r} in data row {odd[0] + 1} is not a number")
            found[column] = to_si(values, unit, dimension) if unit is not None else values
    table = pd.DataFrame(found)
    return table, faults + range_faults(table)


def _cells(text: str, separator: str) -> pd.DataFrame:
    """Cells as text, with points for decimal commas where those can be told."""
    cells = pd.read_csv(StringIO(text), sep=separator, header=None, dtype=str, skipinitialspace=True)
    return cells.apply(lambda column: column.str.replace(",", ".", regex=False)) if separator == ";" else cells


def _numbers(text: str, separator: str, count: int) -> pd.DataFrame | None:
    """Cells as numbers, in a tenth of the time and memory that text takes; None where that is not what they are."""
    decimal = "," if separator == ";" and "," in text else "."
    try:
        cells = pd.read_csv(StringIO(text), sep=separator, header=None, dtype=np.float64, skipinitialspace=True,
                            decimal=decimal)  # fmt: skip
    except (ValueError, pd.errors.ParserError):
        return None
    return cells if cells.shape[1] == count else None


def range_faults(table: pd.DataFrame) -> list[str]:
    """Return what lies outside what a track can be."""
    faults = []
    for column in table.columns:
        low, high = LIMITS[str(column)]
        values = table[column].to_numpy()
        bad = np.flatnonzero(~(np.isnan(values) | ((values >= low) & (values <= high))))
        if len(bad):
            dimension = CENTRE_COLUMNS[str(column)]
            unit = {"angle": "deg", "curvature": "1/m"}.get(dimension, "m")
            value, low, high = (from_si(float(number), unit, dimension) for number in (values[bad[0]], low, high))
            faults.append(
                f"{column} = {value:g} {unit} in data row {bad[0] + 1} lies outside {low:g} to {high:g} {unit}"
            )
    return faults


def written(name: str) -> str:
    """Name of a column in a file: angles say that they are in degrees."""
    return f"{name}_deg" if CENTRE_COLUMNS[name] == "angle" else name


def table_text(table: pd.DataFrame) -> str:
    """Return a table of points as CSV: tenths of a millimetre, millionths of a degree or of 1/m, blank where unknown.

    Examples
    --------
    >>> table_text(pd.DataFrame({"distance": [0.0, 1.0], "banking": [0.1, np.nan]})).split()
    ['distance,banking_deg', '0.0000,5.729578', '1.0000,']
    """
    out = {}
    for name in table.columns:
        angle = CENTRE_COLUMNS[str(name)] == "angle"
        values = np.degrees(table[name]) if angle else table[name]
        out[written(str(name))] = values.map(
            ("{:.6f}" if angle or name == "curvature" else "{:.4f}").format, na_action="ignore"
        )
    return pd.DataFrame(out).to_csv(index=False, lineterminator="\n")
