"""Two laps side by side: their lifts, brakings and corners matched one with the other, and what differed, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

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

BEFORE_CORNER = 250.0
"""m. A lift that begins nearer than this before a corner, and lasts into it, is made for it (chosen, no source)."""
APART = 100.0
"""m. Lifts or brakings of two laps that begin further apart are not the same one (chosen, no source)."""

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
        return [{str(row["corner"]): row for row in _events(corners(frame))} for frame in self.frames]

    @cached_property
    def lifts(self) -> list[list[Event]]:
        """Lifts of each lap, gear changes not counted."""
        return [_lifts(frame) for frame in self.frames]

    @cached_property
    def brakings(self) -> list[list[Event]]:
        """Brakings of each lap."""
        return [_events(brakings(frame)) for frame in self.frames]

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

    def at(self, side: int, event: Event) -> str:
        """Where an event began: by the nearest marker, else from the line."""
        about, start = self.frames[side].attrs, float(event["start_distance"])
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

    def facts(self, zone: Zone) -> list[str]:
        """What was done differently in a zone."""
        if not zone.corner:
            return []
        out = self.way_facts(zone) if "longer_way" in zone.parts else []
        braked = self.braking_facts(zone.start, zone.end) if "brake" in zone.parts else []
        if "throttle" in zone.parts or ("brake" in zone.parts and not braked):
            braked = braked + self.lift_facts(zone.start, zone.end)
        return out + braked + self.lowest_facts(zone.corner)

    def braking_facts(self, low: float, high: float) -> list[str]:
        """What differed between the two laps' brakings between two places."""
        mine, theirs = self.braking(low, high)
        if mine is None or theirs is None:
            return self._only("braked", mine, theirs)
        facts = self._moved("the brake", "came on", "stayed on", mine, theirs)
        if harder := change(mine, theirs, "max_brake", 0.02):
            said = "harder" if harder > 0 else "less hard"
            facts.append(f"it was pressed {abs(100 * harder):.0f} % {said} (to {100 * mine['max_brake']:.0f} %)")
        return facts

    def lift_facts(self, low: float, high: float) -> list[str]:
        """What differed between the two laps' lifts between two places."""
        mine, theirs = self.lift(low, high)
        if mine is None or theirs is None:
            return self._only("lifted", mine, theirs)
        facts = self._moved("the lift", "began", "lasted", mine, theirs)
        if deeper := change(mine, theirs, "min_throttle", 0.02):
            said = "lower" if deeper < 0 else "less low"
            facts.append(f"the throttle went {abs(100 * deeper):.0f} % {said} (to {100 * mine['min_throttle']:.0f} %)")
        return facts

    def _only(self, did: str, mine: Event | None, theirs: Event | None) -> list[str]:
        return [
            f"only {self.names[side]} {did} ({self.at(side, event)}, {event['duration']:.2f} s)"
            for side, event in enumerate((mine, theirs))
            if event is not None
        ]

    def _moved(self, what: str, began: str, lasted: str, mine: Event, theirs: Event) -> list[str]:
        """Where an event began and how long it lasted, where that differs."""
        facts = []
        if moved := change(mine, theirs, "start_distance", 0.5):
            earlier = "earlier" if moved < 0 else "later"
            facts.append(f"{what} {began} {abs(moved):.0f} m {earlier} ({self.at(0, mine)})")
        if longer := change(mine, theirs, "duration", 0.005):
            said = "longer" if longer > 0 else "less"
            subject = "" if facts else f"{what} "
            facts.append(f"{subject}{lasted} {abs(longer):.2f} s {said} ({mine['duration']:.2f} s)")
        return facts

    def lowest_facts(self, corner: str) -> list[str]:
        """By how much the lowest speed of a corner differed."""
        mine, theirs = self.corner(corner)
        if mine is None or theirs is None or not (slower := change(mine, theirs, "min_speed", 0.0)):
            return []
        return [f"the lowest speed was {self.speed(abs(slower))} {'lower' if slower < 0 else 'higher'}"]

    def way_facts(self, zone: Zone) -> list[str]:
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
        return [f"the way was {abs(longer):.1f} m {'longer' if longer > 0 else 'shorter'}"]

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


def _events(table: pd.DataFrame) -> list[Event]:
    """The rows of a table of events, one after the other."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _lifts(frame: pd.DataFrame) -> list[Event]:
    if "throttle" not in frame.columns or attribute(frame, "full_throttle") is None:
        return []
    return [row for row in _events(lifts(frame)) if row["kind"] == "lift"]
