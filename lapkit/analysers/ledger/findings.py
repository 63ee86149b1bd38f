"""What stands out of a ledger: each corner and straight, what was made there beyond the noise, and by what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

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
    since: str = ""  # in words, where a corner begins that counts from a lift on the straight before it
    paid: float = 0.0  # what the clock showed there, s

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
    def place(self) -> str:
        """Where it lies, in words."""
        if self.segment.startswith("straight"):
            return f"on the {self.segment}"
        return f"in {self.segment}" + ("" if self.corner else f" ({self.start:.0f} to {self.end:.0f} m)")

    @property
    def where(self) -> str:
        """The same, with where it counts from."""
        return f"{self.place} from {self.since} on" if self.since else self.place

    @property
    def label(self) -> str:
        """Its name in a table."""
        return f"{self.segment} (from {self.since} on)" if self.since else self.segment

    @property
    def by(self) -> str:
        """By what, in words."""
        parts = self.parts
        if len(parts) == 1:
            ((cause, cost),) = parts.items()
            return _BY[cause][cost < 0] if cause in _BY else ""
        names = {cause: "shorter way" if cause == "longer_way" and cost < 0 else cause for cause, cost in parts.items()}
        costs = [f"{names[cause].replace('_', ' ')} {cost:+.3f} s" for cause, cost in parts.items()]
        return f"({', '.join(costs)})"


def zones(book: Ledger) -> list[Zone]:
    """Sum a ledger, as it is told, over each corner and each straight.

    Parameters
    ----------
    book : Ledger
        From `ledger`.

    Returns
    -------
    list of Zone
        In driving order. Together they hold every cell. A corner counts from where the first of the two laps lifted for it.
    """
    rows, cells, uncertainties, begins = book.told
    name = rows["corner"].to_numpy(object)
    first = np.flatnonzero(np.append(True, (name[1:] != name[:-1]) | (name[1:] == "")))
    costs = np.add.reduceat(cells.to_numpy(), first, axis=0)
    sigma = np.sqrt(np.add.reduceat(uncertainties.to_numpy() ** 2, first, axis=0))
    paid = np.add.reduceat(rows["time_lost"].to_numpy(np.float64), first)
    start = rows["start_distance"].to_numpy(np.float64)[first]
    end = np.append(start[1:], rows["end_distance"].iloc[-1])
    return [
        Zone(
            f"corner {name[k]}" if name[k] else str(rows["segment"].iloc[k]),
            str(name[k]),
            float(start[row]),
            float(end[row]),
            dict(zip(book.causes, costs[row].tolist(), strict=True)),
            dict(zip(book.causes, sigma[row].tolist(), strict=True)),
            begins.get(str(name[k]), ""),
            float(paid[row]),
        )
        for row, k in enumerate(first.tolist())
    ]


def _carried(book: Ledger) -> Zone:
    """Return what was brought over the line, in the shape of a zone."""
    known = np.isfinite(book.carried_in)
    costs, sigma = ({"carried_in": v} if known else {} for v in (book.carried_in, book.carried_in_uncertainty))
    return Zone("", "", 0.0, 0.0, costs, sigma)


def standing_out(book: Ledger) -> tuple[list[Zone], list[Zone]]:
    """Choose what is worth saying: the zones that made the difference, and those that worked against it.

    Each is beyond its noise and no mere trifle; the greatest first. The first of them is what headlines and pictures name.
    """
    sign = -1.0 if book.total < -SIGNIFICANT * book.total_uncertainty else 1.0
    known = [z for z in [_carried(book), *zones(book)] if abs(z.made) > z.noise and z.parts]
    worth = max([LEAST, SHARE * abs(book.total), *(SHARE * abs(z.made) for z in known)])
    known = sorted((z for z in known if abs(z.made) >= worth), key=lambda z: -abs(z.made))
    return [z for z in known if sign * z.made > 0], [z for z in known if sign * z.made < 0]


def headline(book: Ledger) -> str:
    """Say in one line what a ledger found."""
    lap, reference = names_of(book.lap, book.reference)
    if abs(book.total) <= SIGNIFICANT * book.total_uncertainty:
        return f"L{lap[1:]} and {reference} took the same time, as far as the clock can tell"
    said = f"L{lap[1:]} was {abs(book.total):.3f} s {'slower' if book.total > 0 else 'faster'} than {reference}"
    if not book.model.ok:
        return f"{said}; without a model of the car, only where it was paid is known"
    made, _ = standing_out(book)
    if not made:
        return f"{said}; no single cause stands out of its noise"
    how = f"{made[0].where} {made[0].by}" if made[0].segment else "by the speed brought over the line"
    return f"{said}: {abs(made[0].made):.3f} s {'made' if book.total > 0 else 'gained'} {how}"


def names_of(lap: Mapping[Any, Any], reference: Mapping[Any, Any]) -> tuple[str, str]:
    """Return what two laps are called, from their `lap` and `source`."""
    one = lap.get("source") == reference.get("source")
    first, second = (
        f"lap {a.get('lap')}" if one else f"lap {a.get('lap')} of {a.get('source')}" for a in (lap, reference)
    )
    return first, second
