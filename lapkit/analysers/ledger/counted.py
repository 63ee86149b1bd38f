"""Which corner a place counts to: a lift, or braking, begun on the straight before a corner is the corner's own."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from lapkit.analysers.lap.lifts import lifts
from lapkit.analysers.lap.markers import describe_place
from lapkit.model.given import records

if TYPE_CHECKING:
    from lapkit.analysers.ledger.ledger import Ledger

BEFORE_CORNER = 250.0
"""m. A lift that begins nearer than this before a corner, and lasts into it, is made for it (chosen, no source)."""

Event = dict[str, Any]
"""A row of a table of events."""


class Counted(NamedTuple):
    """The rows of a ledger as they are told: each corner from where the first of the two laps lifted for it.

    `segments`, `cells` and `uncertainties` are shaped like those of the ledger, and the cells have the same sum; `begins`
    says of each corner that begins on the straight before it where, in words.
    """

    segments: pd.DataFrame
    cells: pd.DataFrame
    uncertainties: pd.DataFrame
    begins: dict[str, str]

    @property
    def labels(self) -> list[str]:
        """Names of the rows; with the place a corner counts from, where that is not its own beginning."""
        rows = self.segments
        first = (rows["corner"] != "") & (rows["corner"] != rows["corner"].shift())
        return [
            f"{name} (from {self.begins[corner]} on)" if known and corner in self.begins else str(name)
            for name, corner, known in zip(rows["segment"], rows["corner"], first, strict=True)
        ]


def lifts_of(frame: pd.DataFrame) -> list[Event]:
    """Lifts of a lap, gear changes not counted; none where throttle cannot tell."""
    if "throttle" not in frame.columns or frame.attrs.get("full_throttle") is None:
        return []
    return [row for row in records(lifts(frame)) if row["kind"] == "lift"]


def beside(about: Mapping[Any, Any], place: float, uncertainty: float = 0.0) -> str:
    """Say a place by the nearest marker of a lap, of which `about` are the attributes; "" where there is none."""
    return describe_place(place, about.get("markers"), length=about.get("track_length"), uncertainty=uncertainty)


def counted(book: Ledger) -> Counted:
    """Move what was made on a straight, from the lift for the corner after it on, to the entry of that corner."""
    rows = book.segments
    corner = rows["corner"].to_numpy(object)
    starts, ends = (rows[name].to_numpy(np.float64).copy() for name in ("start_distance", "end_distance"))
    paid, cells, variance = (
        rows["time_lost"].to_numpy(np.float64).copy(),
        book.cells.to_numpy().copy(),
        book.uncertainties.to_numpy() ** 2,
    )
    keep, words = np.ones(len(rows), dtype=bool), {}
    tables = [(frame.attrs, lifts_of(frame)) for frame in book.frames] if (corner != "").any() else []
    for k in range(1, len(rows)):
        if corner[k] == "" or corner[k - 1] != "":
            continue
        found = _lifted(tables, starts[k], float(ends[corner == corner[k]].max()), float(ends[-1]))
        if found is None:
            continue
        about, place, uncertainty = found
        first, straight, stop = np.searchsorted(book.charged_at, np.array([place, starts[k - 1], starts[k]]) - 1e-9)
        if first <= straight:  # nothing is left of the straight
            first, place, keep[k - 1] = straight, starts[k - 1], False
        moved = book.charged[first:stop].sum(axis=0) if keep[k - 1] else np.append(cells[k - 1], [0.0, paid[k - 1]])
        causes = cells.shape[1]
        for row, sign in ((k - 1, -1.0), (k, 1.0)):
            cells[row] += sign * moved[:causes]
            paid[row] += sign * moved[causes + 1]
        variance[k] += variance[k - 1]  # whatever is unsure on that straight is so by its lift: a bound, not a share
        starts[k] = ends[k - 1] = place
        words[str(corner[k])] = beside(about, place, uncertainty) or f"{place:.0f} m"
    segments = rows.assign(start_distance=starts, end_distance=ends, time_lost=paid)
    return Counted(
        segments[keep].reset_index(drop=True),
        pd.DataFrame(cells[keep], book.cells.index[keep], book.cells.columns),
        pd.DataFrame(np.sqrt(variance[keep]), book.cells.index[keep], book.cells.columns),
        words,
    )


def _lifted(
    tables: Sequence[tuple[Mapping[Any, Any], list[Event]]], start: float, end: float, length: float
) -> tuple[Mapping[Any, Any], float, float] | None:
    """Where the first of the laps lifted for a corner: its longest lift that begins shortly before and lasts into it."""
    found = []
    for about, table in tables:
        ratio = length / float(about["track_length"])
        made = [
            lift for lift in table
            if start - BEFORE_CORNER <= lift["start_distance"] * ratio <= end and lift["end_distance"] * ratio > start
        ]  # fmt: skip
        if made:
            longest = max(made, key=lambda lift: float(lift["full_lift_time"]))
            found.append(
                (about, float(longest["start_distance"]) * ratio, float(longest["start_distance_uncertainty"]))
            )
    earliest = min(found, key=lambda one: one[1], default=None)
    return earliest if earliest is not None and earliest[1] < start else None
