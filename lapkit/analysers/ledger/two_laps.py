"""Two laps side by side: their lifts, brakings and corners matched one with the other, and what differed, in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import pandas as pd

from lapkit.analysers.lap.brakings import brakings
from lapkit.analysers.lap.corners import corners
from lapkit.analysers.lap.delta import delta, losses
from lapkit.analysers.ledger.counted import BEFORE_CORNER, Event, beside, lifts_of
from lapkit.analysers.ledger.findings import LEAST, SHARE, Zone, names_of
from lapkit.analysers.ledger.ledger import SIGNIFICANT
from lapkit.channels import from_si
from lapkit.model.frame import attribute
from lapkit.model.given import records

APART = 100.0
"""m. Lifts or brakings of two laps that begin further apart are not the same one (chosen, no source)."""
PICKED = 2.0
"""m. A pick-up that moved by less is not worth a word (chosen, no source)."""

MOST_TO_TRY = 3
"""What a driver can keep in mind for one place (chosen, no source)."""


class Fact(NamedTuple):
    """What differed, in words, and whether such a thing costs time (above zero) or saves it."""

    words: str
    costs: float


Both = tuple[Event | None, Event | None]
"""The same event of both laps; None where one lap did not have it."""


@dataclass(frozen=True)
class TwoLaps:
    """Two laps, the one explained first, with their events.

    Attributes
    ----------
    frames : (DataFrame, DataFrame)
    names : (str, str)
        Such as "lap 7".
    delta, places : DataFrame
        Of `delta`, and of `losses`: every corner and straight.
    total, noise : float
        Difference of the lap times and two standard uncertainties of it, s.
    """

    frames: tuple[pd.DataFrame, pd.DataFrame]
    names: tuple[str, str]
    delta: pd.DataFrame
    places: pd.DataFrame
    total: float
    noise: float

    @classmethod
    def of(cls, lap: pd.DataFrame, reference: pd.DataFrame) -> TwoLaps:
        """Set two lap frames side by side; FrameError where they do not fit together."""
        table = delta(lap, reference)
        total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
        names = names_of(lap.attrs, reference.attrs)
        return cls((lap, reference), names, table, losses(table, count=None), total, SIGNIFICANT * sigma)

    @cached_property
    def corners(self) -> list[dict[str, Event]]:
        """Corners of each lap, by their names."""
        return [{str(row["corner"]): row for row in records(corners(frame))} for frame in self.frames]

    @cached_property
    def lifts(self) -> list[list[Event]]:
        """Lifts of each lap, gear changes not counted."""
        return [lifts_of(frame) for frame in self.frames]

    @cached_property
    def brakings(self) -> list[list[Event]]:
        """Brakings of each lap."""
        return [records(brakings(frame)) for frame in self.frames]

    @property
    def sign(self) -> float:
        """-1 where the first lap was the faster one by the clock."""
        return -1.0 if float(self.places["time_lost"].sum()) < 0 else 1.0

    def known(self, channel: str) -> bool:
        """Whether both laps have a channel."""
        return all(channel in frame.columns for frame in self.frames)

    def speed(self, value: float) -> str:
        """Write a speed, m/s, in the person's unit."""
        unit = str(attribute(self.frames[0], "speed_unit"))
        return f"{from_si(float(value), unit, 'speed'):.1f} {unit}"

    def at(self, side: int, event: Event, which: str = "start_distance") -> str:
        """Where an event began: by the nearest marker, else from the line."""
        place, unsure = float(event[which]), float(event[f"{which}_uncertainty"])
        return beside(self.frames[side].attrs, place, unsure) or f"{place:.0f} m from the line"

    def corner(self, corner: str) -> Both:
        """The rows of a corner."""
        return self.corners[0].get(corner), self.corners[1].get(corner)

    def lift(self, low: float, high: float, size: str = "full_lift_time") -> Both:
        """The lift between two places that differs most from that of the other lap."""
        return _matched(self.lifts, low, high, size)

    def braking(self, low: float, high: float) -> Both:
        """The braking between two places that differs most from that of the other lap."""
        return _matched(self.brakings, low, high, "duration")

    # ---- what befell the car

    def marks(self, side: int) -> list[Event]:
        """What befell one of the laps, where the session was marked with it."""
        return list(self.frames[side].attrs.get("marks") or [])

    def hit(self, side: int, low: float, high: float) -> bool:
        """Whether something befell a lap between two places, or shortly before."""
        return any(
            mark["start_distance"] < high and mark["end_distance"] >= low - BEFORE_CORNER for mark in self.marks(side)
        )

    # ---- what differed, beyond the uncertainty

    def facts(self, zone: Zone) -> list[Fact]:
        """What was done differently in a zone."""
        if not zone.segment:
            return []
        out = self.way_facts(zone) if "longer_way" in zone.parts else []
        braked = self.braking_facts(zone.start, zone.end) if "brake" in zone.parts else []
        if "throttle" in zone.parts or ("brake" in zone.parts and not braked):
            braked = braked + self.lift_facts(zone.start, zone.end)
        return out + braked + (self.lowest_facts(zone.corner) if zone.corner else [])

    def braking_facts(self, low: float, high: float) -> list[Fact]:
        """What differed between the two laps' brakings between two places."""
        mine, theirs = self.braking(low, high)
        if mine is None or theirs is None:
            return self._only("braked", mine, theirs)
        facts = self._began("the brake came on", mine, theirs)
        if longer := change(mine, theirs, "duration", 0.005):
            facts.append(self._lasted("the brake stayed on", longer, mine, theirs))
        if harder := change(mine, theirs, "max_brake", 0.02):
            said = "harder" if harder > 0 else "less hard"
            points = f"{abs(100 * harder):.0f} points {said} (to {100 * mine['max_brake']:.0f} %)"
            facts.append(Fact(f"the brake was pressed {points}", 0.0))
        return facts

    def lift_facts(self, low: float, high: float) -> list[Fact]:
        """What differed between the two laps' lifts between two places."""
        mine, theirs = self.lift(low, high)
        if mine is None or theirs is None:
            return self._only("lifted", mine, theirs)
        if max(mine["pick_up_distance"], theirs["pick_up_distance"]) < low:  # made before: only its end lies here
            later = change(mine, theirs, "end_distance", PICKED)
            said = f"full throttle came {abs(later):.0f} m {'later' if later > 0 else 'earlier'}"
            return [Fact(f"{said} ({self.at(0, mine, 'end_distance')})", later)] if later else []
        facts = self._began("the lift began", mine, theirs)
        picked = change(mine, theirs, "pick_up_distance", PICKED)
        if picked and not facts:
            said = "later" if picked > 0 else "earlier"
            where = self.at(0, mine, "pick_up_distance")
            facts.append(Fact(f"the throttle came back {abs(picked):.0f} m {said} ({where})", picked))
        if longer := change(mine, theirs, "duration", 0.005):
            facts.append(self._lasted("the lift lasted", longer, mine, theirs))
        if deeper := change(mine, theirs, "min_throttle", 0.02):
            said = "lower" if deeper < 0 else "less low"
            points = f"{abs(100 * deeper):.0f} points {said} (to {100 * mine['min_throttle']:.0f} %)"
            facts.append(Fact(f"the throttle went {points}", -deeper))
        return facts

    def _only(self, did: str, mine: Event | None, theirs: Event | None) -> list[Fact]:
        return [
            Fact(f"only {self.names[side]} {did} ({self.at(side, event)}, {event['duration']:.2f} s)", 1.0 - 2.0 * side)
            for side, event in enumerate((mine, theirs))
            if event is not None
        ]

    def _began(self, what: str, mine: Event, theirs: Event) -> list[Fact]:
        """Where an event began, where that differs."""
        moved = change(mine, theirs, "start_distance", 0.5)
        if not moved:
            return []
        earlier = "earlier" if moved < 0 else "later"
        return [Fact(f"{what} {abs(moved):.0f} m {earlier} ({self.at(0, mine)})", -moved)]

    def _lasted(self, what: str, longer: float, mine: Event, theirs: Event) -> Fact:
        """How much longer an event was; with how sure that is, where there is no corner to go by."""
        noise = SIGNIFICANT * spread(mine, theirs, "duration")
        said = f"{abs(longer):.2f} s{f' (±{noise:.2f})' if not self.corners[0] else ''}"
        return Fact(f"{what} {said} {'longer' if longer > 0 else 'less'} ({mine['duration']:.2f} s)", longer)

    def lift_that_differs(self) -> list[str]:
        """For laps without corners: one sentence about the lift whose length differs most; none where no lift differs."""
        mine, theirs = self.lift(-np.inf, np.inf, "duration")
        if mine is None or theirs is None:
            return [f"O{fact.words[1:]}." for fact in self._only("lifted", mine, theirs)]
        if not (longer := change(mine, theirs, "duration", 0.005)):
            return []
        fact = self._lasted(f"The lift {self.at(0, mine)} lasted", longer, mine, theirs)
        return [f"{fact.words}."]

    def lowest_facts(self, corner: str) -> list[Fact]:
        """By how much the lowest speed of a corner differed."""
        mine, theirs = self.corner(corner)
        if mine is None or theirs is None or not (faster := change(mine, theirs, "min_speed", 0.0)):
            return []
        said = "lower" if faster < 0 else "higher"
        return [Fact(f"the lowest speed was {self.speed(abs(faster))} {said}", -faster)]

    def way_facts(self, zone: Zone) -> list[Fact]:
        """How much longer the way through a zone was."""
        if not self.known("path"):
            return []
        inside = [
            f.loc[(f.index >= zone.start) & (f.index <= zone.end), "path"].to_numpy(np.float64) for f in self.frames
        ]
        longer = float((inside[0][-1] - inside[0][0]) - (inside[1][-1] - inside[1][0])) if len(inside[0]) else np.nan
        error = np.hypot.reduce([float(frame.attrs.get("place_error") or 0.0) for frame in self.frames]) * np.sqrt(2.0)
        if not abs(longer) > max(SIGNIFICANT * error, 0.05):
            return []
        return [Fact(f"the way was {abs(longer):.1f} m {'longer' if longer > 0 else 'shorter'}", longer)]

    def done_by(self, side: int, low: float, high: float, costs: Mapping[str, float]) -> list[str]:
        """What the faster of the laps did between two places that the slower did not, and that explains what was lost.

        `costs` are the seconds the first lap lost there by throttle and brake. What each pedal cost is shared among what
        differed in the direction that costs, by how many seconds of pedal it is; trifles are left out. The greatest first.
        """
        sign = 1.0 if side == 1 else -1.0
        lost = {pedal: sign * costs.get(pedal, 0.0) for pedal in ("throttle", "brake")}
        least = max(LEAST, SHARE * abs(sum(costs.values())))
        found: list[tuple[float, str]] = []
        for pedal, event in (("throttle", self.lift(low, high)), ("brake", self.braking(low, high))):
            done = self._done(pedal, side, event[side], event[1 - side], low)
            seconds = sum(size for size, _ in done)
            found += [(lost[pedal] * size / seconds, words) for size, words in done if seconds > 0]
        return [words for worth, words in sorted(found, key=lambda one: -one[0]) if worth >= least][:MOST_TO_TRY]

    def _done(
        self, pedal: str, side: int, ours: Event | None, theirs: Event | None, low: float
    ) -> list[tuple[float, str]]:
        """What the other lap's use of a pedal had too much of, in seconds of pedal, and what this lap did instead."""
        did, on = ("lift", "lifted") if pedal == "throttle" else ("brake", "braked")
        if theirs is None:
            return []
        if ours is None:
            return [(float(theirs["duration"]), f"did not {did} there ({self.at(1 - side, theirs)})")]
        speed = (theirs["end_distance"] - theirs["start_distance"]) / theirs["duration"]
        depth = 1.0 - theirs["min_throttle"] if pedal == "throttle" else theirs["max_brake"]
        released = "pick_up_distance" if pedal == "throttle" else "end_distance"
        if max(theirs[released], ours[released]) < low:  # made before: only its end lies here
            later = change(theirs, ours, "end_distance", PICKED)
            return [(later / speed, f"was back on full {self.at(side, ours, 'end_distance')}")] if later > 0 else []
        out = []
        if (earlier := -change(theirs, ours, "start_distance", 0.5)) > 0:
            out.append((earlier / speed * depth, f"{on} {self.at(side, ours)}"))
        if (later := change(theirs, ours, released, 0.5)) > 0:
            verb = "opened the throttle again" if pedal == "throttle" else "let off the brake"
            out.append((later / speed * depth, f"{verb} {self.at(side, ours, released)}"))
        if not out and (longer := change(theirs, ours, "duration", 0.005)) > 0:
            verb = "was back on full" if pedal == "throttle" else "was off the brake"
            out.append((longer * depth, f"{verb} after {ours['duration']:.2f} s"))
        if pedal == "throttle" and (deeper := -change(theirs, ours, "min_throttle", 0.02)) > 0:
            share = 100 * ours["min_throttle"]
            out.append((deeper * theirs["duration"], f"went no lower than {share:.0f} % of throttle"))
        return out

    def worst_corner(self) -> str:
        """The corner in, or before, the segment where the clock shows most of the difference; "" where there is none."""
        rows = list(self.corners[0].values())
        lost = self.sign * self.places["time_lost"].to_numpy()
        if not rows or not np.isfinite(lost).any():
            return ""
        at = float(self.places["start_distance"].iloc[int(np.nanargmax(lost))])
        before = [row for row in rows if row["start_distance"] <= at + 1e-6]
        return str((before or rows)[-1]["corner"])


def spread(mine: Event, theirs: Event, name: str) -> float:
    """Return one standard uncertainty of the difference of two events."""
    return float(np.hypot.reduce([float(row.get(f"{name}_uncertainty", 0.0)) for row in (mine, theirs)]))


def change(mine: Event, theirs: Event, name: str, least: float) -> float:
    """Return the difference of two events, 0 where it is inside its uncertainty."""
    moved = float(mine[name] - theirs[name])
    return moved if abs(moved) > max(SIGNIFICANT * spread(mine, theirs, name), least) else 0.0


def _matched(events: Sequence[Sequence[Event]], low: float, high: float, size: str) -> Both:
    """Of the events of two laps that touch [low, high) in either: the one that differs most in size, else the largest.

    Two events are the same where each begins nearest to the other, no more than `APART` away.
    """
    ours, theirs = events
    away = np.abs(np.subtract.outer(*([float(event["start_distance"]) for event in side] for side in events)))
    pairs: list[Both] = []
    for k, mine in enumerate(ours):
        j = int(away[k].argmin()) if len(theirs) else -1
        same = j >= 0 and int(away[:, j].argmin()) == k and away[k, j] <= APART
        pairs.append((mine, theirs[j] if same else None))
    taken = [id(other) for _, other in pairs]
    pairs += [(None, other) for other in theirs if id(other) not in taken]
    here = [pair for pair in pairs if any(e and e["start_distance"] < high and e["end_distance"] > low for e in pair)]

    def weight(pair: Both) -> tuple[float, float]:
        sizes = [float(event[size]) for event in pair if event is not None]
        if pair[0] is None or pair[1] is None:
            return sizes[0], sizes[0]
        return abs(change(pair[0], pair[1], size, 0.0)), max(sizes)

    return max(here, key=weight, default=(None, None))


def because(facts: Sequence[Fact], made: float) -> str:
    """What differed, as the reason of what was made; what would rather have saved it comes after "although"."""
    against = [fact.words for fact in facts if fact.costs * made < 0]
    by = [fact.words for fact in facts if fact.costs * made >= 0]
    said = f": {listed(by)}" if by else ""
    return said + (f", although {listed(against)}" if against else "")


def listed(parts: Sequence[str]) -> str:
    """Join parts as a sentence does."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def mark_words(mark: Event) -> str:
    """What befell a lap, where, and what it cost, in words."""
    kind, lost = str(mark["kind"]), float(mark["time_lost"])
    at = f"{float(mark['start_distance']):.0f} m"
    where = f"from {at} on" if kind.endswith(("tow", "lost time")) else f"at {at}"
    return f"{kind} {where}" + (f", {abs(lost):.2f} s {'lost' if lost > 0 else 'gained'}" if abs(lost) >= 0.005 else "")
