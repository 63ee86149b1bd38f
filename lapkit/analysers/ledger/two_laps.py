"""Two laps side by side: their lifts, brakings and corners matched one with the other, and what differed, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from lapkit.analysers.lap.brakings import brakings
from lapkit.analysers.lap.corners import corners
from lapkit.analysers.lap.delta import delta, losses
from lapkit.analysers.lap.lifts import lifts
from lapkit.analysers.lap.markers import describe_place
from lapkit.analysers.ledger.findings import Zone, names_of
from lapkit.analysers.ledger.ledger import SIGNIFICANT
from lapkit.channels import from_si
from lapkit.model.frame import attribute
from lapkit.model.given import records

BEFORE_CORNER = 250.0
"""m. A lift that begins nearer than this before a corner, and lasts into it, is made for it (chosen, no source)."""
APART = 100.0
"""m. Lifts or brakings of two laps that begin further apart are not the same one (chosen, no source)."""
PICKED = 2.0
"""m. A pick-up that moved by less is not worth a word (chosen, no source)."""


class Fact(NamedTuple):
    """What differed, in words, and whether such a thing costs time (above zero) or saves it."""

    words: str
    costs: float


Event = dict[str, Any]
"""A row of a table of events."""
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
    places : DataFrame
        Of `losses`: every corner and straight.
    total, noise : float
        Difference of the lap times and two standard uncertainties of it, s.
    """

    frames: tuple[pd.DataFrame, pd.DataFrame]
    names: tuple[str, str]
    places: pd.DataFrame
    total: float
    noise: float

    @classmethod
    def of(cls, lap: pd.DataFrame, reference: pd.DataFrame) -> TwoLaps:
        """Set two lap frames side by side; FrameError where they do not fit together."""
        table = delta(lap, reference)
        total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
        names = names_of(lap.attrs, reference.attrs)
        return cls((lap, reference), names, losses(table, count=None), total, SIGNIFICANT * sigma)

    @cached_property
    def corners(self) -> list[dict[str, Event]]:
        """Corners of each lap, by their names."""
        return [{str(row["corner"]): row for row in records(corners(frame))} for frame in self.frames]

    @cached_property
    def lifts(self) -> list[list[Event]]:
        """Lifts of each lap, gear changes not counted."""
        return [_lifts(frame) for frame in self.frames]

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
        about, start = self.frames[side].attrs, float(event[which])
        beside = describe_place(start, about.get("markers"), length=about.get("track_length"))
        return beside or f"{start:.0f} m from the line"

    def corner(self, corner: str) -> Both:
        """The rows of a corner."""
        return self.corners[0].get(corner), self.corners[1].get(corner)

    def begins(self) -> dict[str, float]:
        """Corner -> where the first of the two laps lifted for it: the longest lift that begins shortly before and lasts into it."""
        out = {}
        for name in self.corners[0]:
            starts = []
            for row, table in zip(self.corner(name), self.lifts, strict=True):
                if row is None:
                    continue
                low, start, end = row["start_distance"] - BEFORE_CORNER, row["start_distance"], row["end_distance"]
                made = [one for one in table if low <= one["start_distance"] <= end and one["end_distance"] > start]
                if made:
                    starts.append(float(max(made, key=lambda one: float(one["full_lift_time"]))["start_distance"]))
            if starts:
                out[name] = min(starts)
        return out

    def lift(self, low: float, high: float) -> Both:
        """The lift between two places that differs most from that of the other lap."""
        return _matched(self.lifts, low, high, "full_lift_time")

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
        if not zone.corner:
            return []
        out = self.way_facts(zone) if "longer_way" in zone.parts else []
        braked = self.braking_facts(zone.start, zone.end) if "brake" in zone.parts else []
        if "throttle" in zone.parts or ("brake" in zone.parts and not braked):
            braked = braked + self.lift_facts(zone.start, zone.end)
        return out + braked + self.lowest_facts(zone.corner)

    def braking_facts(self, low: float, high: float) -> list[Fact]:
        """What differed between the two laps' brakings between two places."""
        mine, theirs = self.braking(low, high)
        if mine is None or theirs is None:
            return self._only("braked", mine, theirs)
        facts = self._began("the brake came on", mine, theirs)
        if longer := change(mine, theirs, "duration", 0.005):
            facts.append(self._lasted("" if facts else "the brake ", "stayed on", longer, mine))
        if harder := change(mine, theirs, "max_brake", 0.02):
            said = "harder" if harder > 0 else "less hard"
            points = f"{abs(100 * harder):.0f} points {said} (to {100 * mine['max_brake']:.0f} %)"
            facts.append(Fact(f"it was pressed {points}", 0.0))
        return facts

    def lift_facts(self, low: float, high: float) -> list[Fact]:
        """What differed between the two laps' lifts between two places."""
        mine, theirs = self.lift(low, high)
        if mine is None or theirs is None:
            return self._only("lifted", mine, theirs)
        facts = self._began("the lift began", mine, theirs)
        picked = change(mine, theirs, "pick_up_distance", PICKED)
        if picked and not facts:
            said = "later" if picked > 0 else "earlier"
            where = self.at(0, mine, "pick_up_distance")
            facts.append(Fact(f"the throttle came back {abs(picked):.0f} m {said} ({where})", picked))
        if longer := change(mine, theirs, "duration", 0.005):
            moved = bool(facts) and not facts[0].words.startswith("the throttle")
            facts.append(self._lasted("" if moved else "the lift ", "lasted", longer, mine))
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

    def _lasted(self, subject: str, verb: str, longer: float, mine: Event) -> Fact:
        said = "longer" if longer > 0 else "less"
        return Fact(f"{subject}{verb} {abs(longer):.2f} s {said} ({mine['duration']:.2f} s)", longer)

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

    def done_by(self, side: int, low: float, high: float) -> list[str]:
        """What one of the laps did between two places that the other did not: its lift and its braking."""
        out = []
        ours, theirs = (self.lift(low, high)[k] for k in (side, 1 - side))
        if ours is not None:
            other = theirs or {}
            if not theirs or change(ours, other, "start_distance", 0.5):
                out.append(f"lifted {self.at(side, ours)}")
            if not theirs or change(ours, other, "min_throttle", 0.02):
                out.append(f"{'' if out else 'lifted '}to {100 * ours['min_throttle']:.0f} % of throttle")
        braked, others = (self.braking(low, high)[k] for k in (side, 1 - side))
        if braked is not None and (not others or change(braked, others, "start_distance", 0.5)):
            out.append(f"braked {self.at(side, braked)}")
        if braked is not None and (not others or change(braked, others, "end_distance", 0.5)):
            out.append(f"let off the brake {self.at(side, braked, 'end_distance')}")
        if ours is not None and theirs and change(ours, theirs, "pick_up_distance", 0.5):
            out.append(f"opened the throttle again {self.at(side, ours, 'pick_up_distance')}")
        if ours is not None and (not theirs or change(ours, theirs, "duration", 0.005)):
            out.append(f"was back on full after {ours['duration']:.2f} s")
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


def change(mine: Event, theirs: Event, name: str, least: float) -> float:
    """Return the difference of two events, 0 where it is inside its uncertainty."""
    moved = float(mine[name] - theirs[name])
    sigma = float(np.hypot.reduce([float(row.get(f"{name}_uncertainty", 0.0)) for row in (mine, theirs)]))
    return moved if abs(moved) > max(SIGNIFICANT * sigma, least) else 0.0


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


def _lifts(frame: pd.DataFrame) -> list[Event]:
    if "throttle" not in frame.columns or attribute(frame, "full_throttle") is None:
        return []
    return [row for row in records(lifts(frame)) if row["kind"] == "lift"]
