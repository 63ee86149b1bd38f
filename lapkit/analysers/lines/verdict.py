"""The comparison of two lines in words: which is faster where, by how much, why, and what it costs the tyres."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from lapkit.analysers.statistics.two_groups import POWER
from lapkit.channels import from_si

if TYPE_CHECKING:
    from lapkit.analysers.lines.compare import LineComparison

MOST_SENTENCES = 7
MOST_LAPS = 200
"""Laps on each line beyond which no more is said than that it would take more (chosen: no run is that long)."""
SHOWN = {
    "offset": "offset", "path_length": "metres driven", "radius": "tightest radius", "mean_radius": "mean radius",
    "banking": "banking", "entry_speed": "entry speed", "min_speed": "lowest speed", "exit_speed": "exit speed",
    "corner_time": "time in the corner", "time_to_next": "time on to the next corner",
    "start_to_start": "time to the next corner's start", "height_given": "height given up in it",
    "speed_gained": "speed that height brought", "tyre_work": "tyre work",
    "cornering_load": "cornering load", "tyre_share": "share of the tyre work",
}  # fmt: skip
"""Quantity -> what people read."""
_OF_THE_LAP = {
    "corner_time": "time in the corners", "time_to_next": "time between corners", "start_to_start": "lap time",
}  # fmt: skip
_CAUSES = {
    "longer_way": "the longer way", "throttle": "the throttle", "brake": "the brake", "cornering": "cornering",
    "elevation": "elevation", "lower_speed": "lower speed", "carried_in": "speed brought over the line",
}  # fmt: skip


def verdict(found: LineComparison) -> list[str]:
    """Say in three to seven sentences what a comparison of two lines found.

    Parameters
    ----------
    found : LineComparison

    Returns
    -------
    list of str
        What is settled first: which line is faster in which corners and over the lap, and how sure that is; what to try, where
        corners are settled; why, from the metres, radius, speeds and the time ledger; what the cornering takes; early against
        late in the run; and how many laps would settle it, where these do not.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.lines.compare import compare_lines
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> verdict(compare_lines(session.lap(2), session.lap(3)))[-1].startswith("One lap on each line")
    True
    """
    words = _Words(found)
    first, told, why, tyres = words.over_the_lap(), words.by_corner(), words.why(), words.tyres()
    last = [*words.in_the_run(), *words.enough()]
    won = words.won()
    lead = (
        [*told, first, *words.to_try()]
        if any(won) and not words.lap["significant"]
        else [first, *told, *words.to_try()]
    )
    out = [*lead, *why[:1], *tyres, *last]
    if len(why) > 1 and len(out) < MOST_SENTENCES:
        out.insert(out.index(why[0]) + 1, why[1])
    return out[:MOST_SENTENCES]


def shown(found: LineComparison) -> tuple[list[str], list[list[str]]]:
    """Return the heads and rows of the table for people: a corner and quantity a row, in their units."""
    words = _Words(found)
    heads = ["Corner", "", found.names[0], found.names[1], "difference", f"± {100 * found.confidence:.4g} %", ""]
    rows = []
    for row in found.table.to_dict("records"):
        values = [float(row[name]) for name in ("a", "b", "difference", "margin")]
        if not math.isfinite(values[2]):
            continue
        factor, unit, decimals = words.unit(str(row["quantity"]), str(row["unit"]))
        cells = [
            f"{round(v * factor, decimals) + 0.0:{sign}.{decimals}f}" if math.isfinite(v) else "-"  # no minus zero
            for v, sign in zip(values, ("", "", "+", ""), strict=True)
        ]
        mark = "more than luck" if row["significant"] else ""
        name = str(row["quantity"])
        said = _OF_THE_LAP.get(name, SHOWN[name]) if row["corner"] == "lap" else SHOWN[name]
        rows.append([str(row["corner"]), f"{said}{f' ({unit})' if unit else ''}", *cells, mark])
    return heads, rows


class _Words:
    """What the sentences are made of."""

    def __init__(self, found: LineComparison) -> None:
        self.found = found
        self.counts = len(found.laps["a"]), len(found.laps["b"])
        self.alone = self.counts == (1, 1)
        self.sure = f"{100 * found.confidence:.4g} %"
        self.corners = [str(c) for c in found.table["corner"].unique() if c != "lap"]
        self.lap = found.row("lap", "start_to_start")

    def line(self, side: int) -> str:
        return f"the {self.found.names[side]} line"

    def unit(self, quantity: str, unit: str) -> tuple[float, str, int]:
        """Factor, name and decimals of what a quantity is shown in."""
        if unit == "m/s":
            return from_si(1.0, self.found.speed_unit, "speed"), self.found.speed_unit, 1
        if unit == "rad":
            return math.degrees(1.0), "deg", 1
        if unit == "1":
            return 100.0, "%", 1
        return (
            1.0,
            unit,
            {"s": 3, "J/kg": 0, "m": 2 if quantity in ("offset", "path_length", "height_given") else 1}.get(unit, 2),
        )

    def margin(self, row: dict[str, Any]) -> str:
        """The ± of a row in seconds."""
        return (
            f"±{row['margin']:.3f} s"
            if math.isfinite(row["margin"])
            else f"±{2 * row['difference_uncertainty']:.3f} s of measurement"
        )

    def over_the_lap(self) -> str:
        row = self.lap
        laps = f"{self.counts[0]} {'lap' if self.counts[0] == 1 else 'laps'} against {self.counts[1]}"
        fast = 1 if row["difference"] < 0 else 0
        by = f"{abs(row['difference']):.3f} s"
        if by == "0.000 s":
            said = "this once" if self.alone else f"at {self.sure}, {laps}"
            return (
                f"Over the lap both lines took the same time to a thousandth of a second ({self.margin(row)}, {said})."
            )
        if self.alone:
            return f"Over the lap {self.line(fast)} was {by} faster ({self.margin(row)}), this once."
        if row["significant"]:
            return (
                f"{_capital(self.line(fast))} is {by} faster over the lap ({self.margin(row)} at {self.sure}, {laps})."
            )
        return (
            f"Over the lap no difference can be told from luck: {self.line(fast)} came out {by} faster, {self.margin(row)} "
            f"at {self.sure} ({laps})."
        )

    def by_corner(self) -> list[str]:
        """Which line is faster from each corner's start to the next."""
        if not self.corners:
            return []
        said: dict[int, list[str]] = {0: [], 1: []}
        open_ = []
        for corner in self.corners:
            row = self.found.row(corner, "start_to_start")
            if row["significant"] or (self.alone and abs(row["difference"]) > 2.0 * row["difference_uncertainty"]):
                part = self.found.row(corner, "corner_time")
                faster = 1 if row["difference"] < 0 else 0
                inside = f"; {_gained(part['difference'], faster)} by the corner's end" if part["significant"] else ""
                said[faster].append(f"corner {corner} by {abs(row['difference']):.3f} s ({self.margin(row)}{inside})")
            else:
                open_.append(corner)
        was = "was" if self.alone else "is"
        parts = [f"{self.line(side)} {was} faster in {_listed(names)}" for side, names in said.items() if names]
        if open_:
            one = "corner" if len(open_) == 1 else "corners"
            parts.append(f"in {one} {_listed(open_)} the lines cannot be told apart")
        until = "counted to the start of the next corner" if len(self.corners) > 1 else "counted once round"
        return [f"{_capital('; '.join(parts))} ({until})."]

    def won(self) -> tuple[list[str], list[str]]:
        """The corners that either line won by more than luck."""
        rows = [(corner, self.found.row(corner, "start_to_start")) for corner in self.corners]
        first, second = (
            [c for c, row in rows if row["significant"] and side * row["difference"] > 0] for side in (1, -1)
        )
        return first, second

    def to_try(self) -> list[str]:
        """Which line to drive in which corner, what it would be worth against either line all round, and what to mind."""
        won = self.won()
        if self.alone or not any(won):
            return []

        def worth(corners: list[str]) -> str:
            rows = [self.found.row(corner, "start_to_start") for corner in corners]
            margin = math.sqrt(sum(float(row["margin"]) ** 2 for row in rows))
            return f"{sum(abs(row['difference']) for row in rows):.3f} ±{margin:.3f} s"

        parts = [
            f"{name} in corner{'' if len(corners) == 1 else 's'} {_listed(corners)} ({worth(corners)})"
            for name, corners in zip(self.found.names, won, strict=True) if corners
        ]  # fmt: skip
        mind = "one corner at a time, slower first, within the rules and the room there is"
        if all(won):
            mind += "; a line into a corner begins at the exit of the last, so see whether the two can be joined"
        return [f"To try: {_listed(parts)}; {mind}."]

    def why(self) -> list[str]:
        """What each line did in the corner where it gained most."""
        best: dict[int, tuple[float, str]] = {}
        for corner in self.corners:
            row = self.found.row(corner, "start_to_start")
            if not row["significant"] and not self.alone:
                continue
            side = 1 if row["difference"] < 0 else 0
            best[side] = max(best.get(side, (0.0, "")), (abs(row["difference"]), corner))
        if not best and self.corners and not self.alone:  # nothing is sure: what was done stays true
            apart = [(abs(self.found.row(c, "start_to_start")["difference"]), c) for c in self.corners]
            best[1 if self.lap["difference"] < 0 else 0] = max(apart)
        order = sorted(best.items(), key=lambda item: -item[1][0])
        sentences = [self._facts(side, corner) for side, (_, corner) in order]
        return [sentence for sentence in sentences if sentence]

    def _facts(self, side: int, corner: str) -> str:
        """Metres, radius and speeds of one line against the other, and what the ledger charges."""
        sign = 1.0 if side == 1 else -1.0

        def told(quantity: str) -> dict[str, Any] | None:
            row = self.found.row(corner, quantity)
            sure = row["significant"] or (self.alone and abs(row["difference"]) > 2.0 * row["difference_uncertainty"])
            return row if sure else None

        facts = []
        if row := told("path_length"):
            way = sign * row["difference"]
            facts.append(f"drove {abs(way):.1f} m {'more' if way > 0 else 'less'}")
        if row := told("mean_radius"):
            mine, other = (row["b"], row["a"]) if side == 1 else (row["a"], row["b"])
            facts.append(f"turned on {mine:.1f} m radius instead of {other:.1f} m")
        if row := told("height_given"):
            mine, other = (row["b"], row["a"]) if side == 1 else (row["a"], row["b"])
            facts.append(f"gave up {mine:.2f} m of height instead of {other:.2f} m")
        speeds = []
        for quantity, word in (
            ("entry_speed", "going in"),
            ("min_speed", "at the slowest"),
            ("exit_speed", "going out"),
        ):
            if row := told(quantity):
                factor, unit, _ = self.unit(quantity, "m/s")
                speeds.append(f"{sign * row['difference'] * factor:+.1f} {unit} {word}")
        if speeds:
            facts.append(f"had {_listed(speeds)}")
        costs = self._costs(side, corner)
        if not facts and not costs:
            return ""
        did = f"{self.line(side)} {_listed(facts)}" if facts else ""
        charged = (
            f"{'the ledger has' if did else f'for {self.line(side)} the ledger has'} {_listed(costs)}" if costs else ""
        )
        return f"In corner {corner} {'; '.join(part for part in (did, charged) if part)}."

    def _costs(self, side: int, corner: str) -> list[str]:
        """The greatest cells of the ledger that are beyond their noise, as this line gained or lost by them."""
        sign = 1.0 if side == 1 else -1.0
        rows = [
            (sign * row["time_lost"], row["cause"])
            for row in self.found.causes.to_dict("records")
            if row["corner"] == corner
            and row["cause"] in _CAUSES
            and abs(row["time_lost"]) > 2.0 * row["time_lost_uncertainty"]
        ]
        rows.sort(key=lambda item: -abs(item[0]))
        told = [
            (round(cost, 3), f"by {_cause(str(cause), cost)}")
            for cost, cause in rows[:3]
            if abs(cost) >= max(0.003, 0.1 * abs(rows[0][0]))
        ]
        whole = round(sign * float(self.found.row(corner, "start_to_start")["difference"]), 3)
        rest = round(whole - sum(cost for cost, _ in told), 3)
        if told and rest:
            told.append((rest, f"by all else, which makes the {abs(whole):.3f} s"))
        return [f"{abs(cost):.3f} s {'lost' if cost > 0 else 'gained'} {how}" for cost, how in told]

    def tyres(self) -> list[str]:
        row = self.found.row("lap", "tyre_work")
        energy = math.isfinite(row["difference"])
        if not energy:
            row = self.found.row("lap", "cornering_load")
        if not math.isfinite(row["difference"]) or not row["a"] > 0:
            return ["What either line costs the tyres cannot be said: the data do not show how the car turned."]
        more = 1 if row["difference"] > 0 else 0
        low, high = sorted((row["a"], row["b"]))
        what = (
            f"{high:.0f} against {low:.0f} J/kg a lap"
            if energy
            else "by lateral acceleration over metres, without a model of the car"
        )
        name = "Cornering takes" if energy else "The tyres carry"
        if f"{100 * (high / low - 1):.1f}" == "0.0":
            return [f"{name} the same on both lines ({what})."]
        if not row["significant"]:
            told = "in this lap" if self.alone else "and that is no more than luck gives"
            return [f"{name} {100 * (high / low - 1):.1f} % more on {self.line(more)} ({what}), {told}."]
        share = self.found.row("lap", "tyre_share")
        halves = f"{100 * share['b' if more else 'a']:.1f} % of the two together"
        margin = f"±{100 * row['margin'] / low:.1f}"
        return [f"{name} {100 * (high / low - 1):.1f} % ({margin}) more on {self.line(more)}: {what}, {halves}."]

    def in_the_run(self) -> list[str]:
        """Early against late."""
        rows = self.found.parts.to_dict("records")
        first = self.found.drove_first
        if first >= 0 and not self.alone:
            return [
                f"All laps on {self.line(first)} came before those on {self.line(1 - first)}, so tyres, fuel and the track "
                "are in the difference too."
            ]
        if len(rows) < 2:
            return []
        change = rows[1]["difference"] - rows[0]["difference"]
        noise = math.hypot(rows[0]["margin"], rows[1]["margin"])
        said = [
            f"{self.line(1 if r['difference'] < 0 else 0)} by {abs(r['difference']):.3f} s (±{r['margin']:.3f}) in laps "
            f"{r['from_lap']} to {r['to_lap']}"
            for r in rows
        ]
        grew = "which is a change" if abs(change) > noise else "no change that is more than luck"
        return [f"Early and late in the run: {said[0]}, {said[1]}, {grew}."]

    def enough(self) -> list[str]:
        """How many laps would settle it."""
        if self.alone:
            return [
                "One lap on each line is not enough to tell the line from luck: it takes at least three on each to see how "
                "much laps differ by themselves."
            ]
        if self.lap["significant"]:
            return []
        needed = self.found.needed
        size = f"{abs(self.lap['difference']):.3f} s"
        if any(self.won()):
            many = f"over {MOST_LAPS}" if not math.isfinite(needed) or needed > MOST_LAPS else f"about {needed:.0f}"
            return [
                f"The corners named are settled, the lap is not: to see {size} over the lap {100 * POWER:.0f} % of the time takes "
                f"{many} laps on each line."
            ]
        if not math.isfinite(needed) or needed > MOST_LAPS:
            return [
                f"Not enough laps, and more would hardly help: a difference as small as {size} takes over {MOST_LAPS} laps on "
                "each line."
            ]
        if needed <= min(self.counts):
            return [f"Not enough laps, if only just: a few more on each line would show whether the {size} are real."]
        return [
            f"Not enough laps: it takes about {needed:.0f} on each line to see a difference of {size} {100 * POWER:.0f} % of "
            "the time."
        ]


def _listed(parts: list[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def _cause(cause: str, cost: float) -> str:
    """What a cause is called: metres saved are a shorter way."""
    return "the shorter way" if cause == "longer_way" and cost < 0 else _CAUSES[cause]


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _gained(difference: float, faster: int) -> str:
    """Seconds the faster line is up, or down, in a part of it."""
    gained = -difference if faster == 1 else difference
    return f"{abs(gained):.3f} s {'up' if gained > 0 else 'down'}"
