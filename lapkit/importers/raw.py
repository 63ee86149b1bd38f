"""RawTable: the columns of a file as read, before anyone says what they mean."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pyarrow as pa
from numpy.typing import NDArray


@dataclass
class RawTable:
    """Columns of a delimited file, in the file's own units and words.

    Attributes
    ----------
    source : str
        Name of the file, without its folder.
    numbers : dict of str to ndarray of float64, shape (n,)
        Columns read as numbers, NaN where a cell is blank or could not be read. Header -> values.
    texts : dict of str to pyarrow.ChunkedArray of string, length n
        Columns that hold words, dates or clock times. Header -> cells, null where blank.
    order : list of str
        All headers, in the file's order; made unique where the file repeats one.
    units : dict of str to str
        Header -> cell of the units row, where the file has one and the cell is not blank.
    first_line : int
        Line of the file (1 is its first) that holds the first row of data.
    lines : ndarray of int64, shape (n,), or None
        Line of the file of every row, where rows were skipped; None where row i is line first_line + i.
    dialect, metadata : dict of str to str
        What was found, for the provenance.
    notes, warnings : list of str
        Decisions that changed no data; everything left out or changed, counted and placed.
    """

    source: str
    numbers: dict[str, NDArray[np.float64]]
    texts: dict[str, pa.ChunkedArray]
    order: list[str]
    units: dict[str, str] = field(default_factory=dict)
    first_line: int = 2
    lines: NDArray[np.int64] | None = None
    dialect: dict[str, str] = field(default_factory=dict)
    metadata: dict[str, str] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)

    def __len__(self) -> int:
        for values in self.numbers.values():
            return len(values)
        for cells in self.texts.values():
            return len(cells)
        return 0

    def line(self, row: int) -> int:
        """Line of the file that holds a row, for messages."""
        return int(self.lines[row]) if self.lines is not None else self.first_line + int(row)
