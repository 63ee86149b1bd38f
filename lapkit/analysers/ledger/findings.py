"""What stands out of a ledger: each corner and straight, what was made there beyond the noise, and by what."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from lapkit.analysers.lap.markers import Markers, describe_place
from lapkit.analysers.ledger.ledger import SIGNIFICANT, Ledger

LEAST = 0.003
"""s. Less is not worth a sentence (chosen: the tick of a clock that shows thousandths, three times)."""
SHARE = 0.1
"""Share of the lap-time difference, or of the greatest, below which a place or cause is a trifle (chosen, no source)."""

_BY = {
    "throttle": ("with the throttle", "with the throttle"),
    "brake": ("with the brake", "with the brake"),
    "longer_way": ("by a longer way", "by a shorter way"),
    "cornering": ("by tighter cornering", "by gentler cornering"),
    "elevation": ("by climbing more", "by climbing less"),
}


@dataclass(frozen=True)
class Zone:
    """A corner, or a straight, of the ledger: what each cause cost there, and one standard uncertainty, s."""

    segment: str  # "corner 1", "straight after corner 1"; nothing for what was brought over the line
    corner: str  # "" on a straight
    start: float
    end: float
    costs: dict[str, float]
    sigma: dict[str, float]
    early: bool = False  # whether a corner counts from a lift on the straight before it
    beside: str = ""  # in words, which marker its start is near

    @property
    def parts(self) -> dict[str, float]:
        """The causes that can be told from nothing, the greatest first, without those that are trifles beside it."""
        sure = [
            (cause, cost)
            for cause, cost in self.costs.items()
            if cause != "unexplained" and abs(cost) > SIGNIFICANT * self.sigma[cause]
        ]
        least = SHARE * max((abs(cost) for _, cost in sure), default=0.0)
        return dict(sorted((item for item in sure if abs(item[1]) >= least), key=lambda item: -abs(item[1])))

    @property
    def made(self) -> float:
        """What these causes cost together, s."""
        return sum(self.parts.values())

    @property
    def noise(self) -> float:
        """Two standard uncertainties of it, s."""
        return SIGNIFICANT * float(np.hypot.reduce([self.sigma[cause] for cause in self.parts] or [0.0]))

    @property
    def where(self) -> str:
        """Where it lies, in words."""
        if not self.corner:
            straight = self.segment.startswith("straight")
            return f"on the {self.segment}" if straight else f"in {self.segment} ({self.start:.0f} to {self.end:.0f} m)"
        since = f" from {self.beside or f'{self.start:.0f} m'} on" if self.early else ""
        return f"in corner {self.corner}{since}"

    @property
    def by(self) -> str:
        """By what, in words."""
        parts = self.parts
        if len(parts) == 1:
            ((cause, cost),) = parts.items()
            return _BY[cause][cost < 0] if cause in _BY else ""
        costs = [f"{cause.replace('_', ' ')} {cost:+.3f} s" for cause, cost in parts.items()]
        return f"({', '.join(costs)})"


def zones(
    book: Ledger, begins: Mapping[str, float] | None = None, *, markers: Markers = None, length: float | None = None
) -> list[Zone]:
    """Sum a ledger over each corner and each straight.

    Parameters
    ----------
    book : Ledger
        From `ledger`.
    begins : mapping of str to float, optional
        Corner -> place on the straight before it from where on it counts as that corner, m.
    markers : DataFrame, sequence of mappings or mapping, optional
        Things beside the track to say places by, as for `to_marker`.
    length : float, optional
        Length of the lap, m.

    Returns
    -------
    list of Zone
        In driving order, those that are not empty. Together they hold every cell.
    """
    rows = book.segments
    name = rows["corner"].to_numpy(object)
    first = np.flatnonzero(np.append(True, (name[1:] != name[:-1]) | (name[1:] == "")))
    last = np.append(first[1:], len(rows))
    start = rows["start_distance"].to_numpy(np.float64)[first].copy()
    early = np.zeros(len(first), dtype=bool)
    for k in range(1, len(first)):
        at = (begins or {}).get(str(name[first[k]]), np.inf)
        early[k] = name[first[k]] != "" and name[first[k - 1]] == "" and at < start[k]
        start[k] = max(at, start[k - 1]) if early[k] else start[k]
    end = np.append(start[1:], rows["end_distance"].iloc[-1])
    edges = np.searchsorted(book.places.index.to_numpy(), np.append(start, np.inf) - 1e-9)
    edges[0] = 0
    summed = np.vstack([np.zeros(len(book.causes)), np.cumsum(book.places[list(book.causes)].to_numpy(), axis=0)])
    square = book.uncertainties.to_numpy() ** 2
    out = []
    for k in np.flatnonzero(end > start).tolist():
        costs = summed[edges[k + 1]] - summed[edges[k]]
        sigma = np.sqrt(square[first[k] - int(early[k]) : last[k]].sum(axis=0))
        segment = f"corner {name[first[k]]}" if name[first[k]] else str(rows["segment"].iloc[first[k]])
        out.append(
            Zone(segment, str(name[first[k]]), float(start[k]), float(end[k]), dict(zip(book.causes, costs.tolist(), strict=True)),
                 dict(zip(book.causes, sigma.tolist(), strict=True)), bool(early[k]),
                 describe_place(float(start[k]), markers, length=length) if early[k] else "")
        )  # fmt: skip
    return out


def _carried(book: Ledger) -> Zone:
    """Return what was brought over the line, in the shape of a zone."""
    known = np.isfinite(book.carried_in)
    costs, sigma = ({"carried_in": v} if known else {} for v in (book.carried_in, book.carried_in_uncertainty))
    return Zone("", "", 0.0, 0.0, costs, sigma)


def standing_out(book: Ledger, places: Sequence[Zone]) -> tuple[list[Zone], list[Zone]]:
    """Choose what is worth saying: the zones that made the difference, and those that worked against it.

    Each is beyond its noise and no mere trifle; the greatest first.
    """
    sign = -1.0 if book.total < -SIGNIFICANT * book.total_uncertainty else 1.0
    known = [z for z in [_carried(book), *places] if abs(z.made) > z.noise and z.parts]
    worth = max([LEAST, SHARE * abs(book.total), *(SHARE * abs(z.made) for z in known)])
    known = sorted((z for z in known if abs(z.made) >= worth), key=lambda z: -abs(z.made))
    return [z for z in known if sign * z.made > 0], [z for z in known if sign * z.made < 0]


def headline(book: Ledger, made: Sequence[Zone] | None = None) -> str:
    """Say in one line what a ledger found; `made` are the zones that made the difference, if they are known already."""
    lap, reference = names_of(book.lap, book.reference)
    if abs(book.total) <= SIGNIFICANT * book.total_uncertainty:
        return f"L{lap[1:]} and {reference} took the same time, as far as the clock can tell"
    said = f"L{lap[1:]} was {abs(book.total):.3f} s {'slower' if book.total > 0 else 'faster'} than {reference}"
    if not book.model.ok:
        return f"{said}; without a model of the car, only where it was paid is known"
    made = standing_out(book, zones(book))[0] if made is None else made
    if not made:
        return f"{said}; no single cause stands out of its noise"
    if not made[0].segment:
        return f"{said}: {abs(made[0].made):.3f} s was brought over the line"
    return f"{said}: {abs(made[0].made):.3f} s {'made' if book.total > 0 else 'gained'} {made[0].where} {made[0].by}"


def names_of(lap: Mapping[Any, Any], reference: Mapping[Any, Any]) -> tuple[str, str]:
    """Return what two laps are called, from their `lap` and `source`."""
    one = lap.get("source") == reference.get("source")
    first, second = (
        f"lap {a.get('lap')}" if one else f"lap {a.get('lap')} of {a.get('source')}" for a in (lap, reference)
    )
    return first, second
