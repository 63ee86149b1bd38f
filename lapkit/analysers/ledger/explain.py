"""Why a lap was slower, in sentences for the driver, and one thing to try."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import Any, overload

import numpy as np
import pandas as pd

from lapkit.analysers.lap.corners import corners
from lapkit.analysers.lap.delta import delta, losses
from lapkit.analysers.lap.lifts import lifts
from lapkit.analysers.lap.markers import describe_place
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.findings import LEAST, Zone, names_of, standing_out, zones
from lapkit.analysers.ledger.ledger import SIGNIFICANT, Ledger, ledger
from lapkit.channels import from_si
from lapkit.model.frame import attribute
from lapkit.model.show import clock, plain

CAUTION = (
    "Figures describe what was recorded; they do not say what is safe. A lift moved later or a speed raised in a real "
    "car is for the driver and qualified people to judge, within the series' and the track's rules and the makers' limits."
)
BEFORE_CORNER = 250.0
"""m. A lift that begins nearer than this before a corner, and lasts into it, is made for it (chosen, no source)."""
MATTERS = 0.25
"""Share of the lap-time difference from which on the unexplained is worth a sentence though inside its noise (chosen)."""


Event = dict[str, Any]
"""A row of a table of events."""
MOST_SENTENCES = 6
"""What a driver listens to; the trifles come last and are left out (chosen)."""


@dataclass(frozen=True)
class Explanation(Sequence[str]):
    """Why one lap was slower than another: a sequence of sentences, and what goes with it.

    Attributes
    ----------
    sentences : tuple of str
    to_try : str
        What the faster lap did in the corner where most of the difference was made; empty where the data carry no advice:
        the difference is inside its noise, was brought over the line, cannot be laid at the pedals in a corner, or something
        else befell the slower lap there.
    book : Ledger or None
        What the sentences were read from; None where the two are not both whole laps.
    """

    sentences: tuple[str, ...]
    to_try: str
    book: Ledger | None

    @overload
    def __getitem__(self, index: int) -> str: ...
    @overload
    def __getitem__(self, index: slice) -> tuple[str, ...]: ...
    def __getitem__(self, index: int | slice) -> str | tuple[str, ...]:
        return self.sentences[index]

    def __len__(self) -> int:
        return len(self.sentences)

    def __iter__(self) -> Iterator[str]:
        return iter(self.sentences)

    def __repr__(self) -> str:
        said = [plain(" ".join(self.sentences)), *([plain(self.to_try)] if self.to_try else [])]
        return "\n".join([*said, f"± is two standard uncertainties (about 95 %). {CAUTION}"])

    def _repr_html_(self) -> str:
        said = [escape(" ".join(self.sentences))]
        said += [f"<b>To try:</b> {escape(self.to_try.removeprefix('To try: '))}"] if self.to_try else []
        small = f"<small>± is two standard uncertainties (about 95 %). {escape(CAUTION)}</small>"
        return "".join(f"<p>{part}</p>" for part in [*said, small])


def explain(lap: pd.DataFrame, reference: pd.DataFrame, *, model: LongitudinalModel | None = None) -> Explanation:
    """Say in three to six sentences why one lap was slower than another, and what to try.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames on one grid.
    model : LongitudinalModel, optional
        The car, from ``longitudinal_model(session)``. None fits it to the two laps alone, which is less sure.

    Returns
    -------
    Explanation
        The sentences: how much, and how sure; what befell either lap, where the session was marked; where most of it was
        made, by what cause and what was done there; what of it was paid on the straight after; what else; what was won
        back; what stays unexplained. Where the model of the car is refused: the sentences of `summary`, and why. With them
        what to try, and the ledger they were read from.

    Raises
    ------
    FrameError
        If the frames do not fit together.

    Notes
    -----
    Every number can be looked up. The difference is the last row of `delta`. What was made somewhere, and its ±, is the sum
    over the cells of `ledger` for one corner and cause (their variances added). A corner that is entered with a lift begun
    on the straight before it counts from that lift on, which the sentence says: then it is the sum over those rows of
    ``ledger.places``. What was paid is `time_lost` of ``ledger.segments``; what was brought over the line is `carried_in`,
    its speed the first `energy_difference` by the first speed of the frames. Lifts and lowest speeds are rows of `lifts` and
    `corners` of the two frames, brakings of `brakings`, metres of way those of the frames' `path`. Where the frames carry
    markers, a lift is placed by the nearest (`start_to_marker` of `lifts`) instead of by metres from the line. What befell a
    lap is what `oddities` found, if the session was told: ``session.marked(oddities(session))``. Nothing inside its noise
    (two standard uncertainties) is said as a fact.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> why = explain(session.lap(10), session.best(), model=lapkit.longitudinal_model(session))
    >>> "made in corner 1 with the throttle" in why[1], why.to_try.split(":")[0]
    (True, 'To try in corner 1')
    """
    pair = _Pair.of(lap, reference)
    if not np.isfinite(pair.total):
        return Explanation((*pair.on_the_clock(), *pair.befell()), "", None)
    book = ledger(lap, reference, model=model)
    if not book.model.ok:
        said = [*pair.on_the_clock(), *pair.befell(), *_refused(book)]
        return Explanation(tuple(said[:MOST_SENTENCES]), _to_try(pair, pair.worst_corner()), book)
    made, against = _told(pair, book)
    at_pedals = bool(made) and bool({"throttle", "brake"} & set(made[0].parts))
    said = _from_ledger(pair, book, made, against)
    return Explanation(tuple(said[:MOST_SENTENCES]), _to_try(pair, made[0].corner if at_pedals else ""), book)


def summary(lap: pd.DataFrame, reference: pd.DataFrame) -> list[str]:
    """Say in three sentences how much, where on the clock, and what was done there, without a model of the car.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames on one grid.

    Returns
    -------
    list of str
        Every number is a cell of `delta`, `losses`, `lifts` or `corners`.

    Raises
    ------
    FrameError
        If the frames do not fit together.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> len(summary(session.lap(8), session.best()))
    3
    """
    return _Pair.of(lap, reference).on_the_clock()


# ------------------------------------------------------------------------- sentences


def _told(pair: _Pair, book: Ledger) -> tuple[list[Zone], list[Zone]]:
    about = pair.frames[0].attrs
    return standing_out(
        book, zones(book, pair.begins(), markers=about.get("markers"), length=about.get("track_length"))
    )


def _to_try(pair: _Pair, corner: str) -> str:
    """Say what the faster of two laps did in a corner."""
    side = 1 if pair.total > 0 else 0
    lift, row = pair.lift(side, corner), pair.corner(side, corner)
    if not abs(pair.total) > pair.noise or lift is None or row is None or pair.hit(1 - side, row):
        return ""
    lowest = "" if np.isnan(row["min_speed"]) else f", and went no slower than {pair.speed(row['min_speed'])}"
    return (
        f"To try in corner {corner}: what {pair.names[side]} did. It lifted {pair.at(side, lift)} to "
        f"{100 * lift['min_throttle']:.0f} % of throttle, was back on full after {lift['duration']:.2f} s{lowest}."
    )


def _from_ledger(pair: _Pair, book: Ledger, made: list[Zone], against: list[Zone]) -> list[str]:
    equal = abs(pair.total) <= pair.noise
    word, back = ("lost", "gained") if equal else ("made", "won back") if pair.total > 0 else ("gained", "given back")

    def part(zone: Zone, word: str) -> str:
        how = f"{zone.where} {zone.by}" if zone.segment else f"by the speed brought over the line{pair.start(book)}"
        return f"{abs(zone.made):.3f} s (±{zone.noise:.3f}) was {word} {how}"

    out = [pair.difference(), *pair.befell()]
    if made:
        most = made[0]
        of = "All the same, " if equal else "Of this, " if abs(most.made) <= abs(pair.total) else ""
        facts = pair.facts(most)
        out.append(f"{of}{part(most, word)}{': ' + _listed(facts) if facts else ''}.")
        out += _paid(pair, book, most, word)
    elif not against:
        out.append("No place and no cause stands out: nothing in the ledger is larger than its own uncertainty.")
    elif not equal:
        out.append("What made it cannot be told from the noise.")
    if len(made) > 1:
        out.append(f"A further {_listed([part(zone, word) for zone in made[1:3]])}.")
    if against:
        of = "All the same, " if equal and not made else ""
        out.append(f"{of}{_listed([part(zone, back) for zone in against[:2]])}.")
    out += _unexplained(pair, book)
    if len(out) < 3:
        out.append("Nothing else stands out of its own uncertainty." if made or against else pair.what())
    return out


def _paid(pair: _Pair, book: Ledger, zone: Zone, word: str) -> list[str]:
    """What the clock showed on the straight after, if that is where the corner was paid for."""
    rows = book.segments
    after = rows.index[(rows["start_distance"] >= zone.end - 1e-6) & (rows["part"] == "straight")]
    if not zone.corner or not len(after) or abs(rows.loc[after[0], "start_distance"] - zone.end) > pair.reach:
        return []
    row = rows.loc[after[0]]
    known = pair.places.loc[pair.places["segment"] == row["segment"], "time_lost_uncertainty"]
    here = float(book.cells.iloc[int(after[0])].sum())
    sign, lost = np.sign(zone.made), float(row["time_lost"])
    if known.empty or sign * lost <= max(SIGNIFICANT * float(known.iloc[0]), LEAST) or sign * here > 0.5 * sign * lost:
        return []
    verb = "gained" if word == "gained" else "paid"
    return [f"On the clock {abs(lost):.3f} s was {verb} only on the {row['segment']}."]


def _unexplained(pair: _Pair, book: Ledger) -> list[str]:
    if "unexplained" not in book.causes:
        return []
    noise = SIGNIFICANT * book.lap_uncertainties["unexplained"]
    rest = float(book.cells["unexplained"].sum())
    if abs(rest) > max(noise, LEAST):
        return [
            f"{rest:+.3f} s (±{noise:.3f}) is not explained by what was recorded: wind, tow, contact, another gear or an "
            "error of a sensor would show here."
        ]
    if abs(pair.total) > pair.noise and abs(rest) > max(MATTERS * abs(pair.total), LEAST):
        return [f"The causes leave {rest:+.3f} s unexplained, which is inside the noise (±{noise:.3f} s)."]
    return []


def _refused(book: Ledger) -> list[str]:
    out = [f"What each cause cost cannot be said, as the model of the car was refused: {book.model.reason}."]
    if "longer_way" in book.causes:
        noise = SIGNIFICANT * book.lap_uncertainties["longer_way"]
        way = float(book.cells["longer_way"].sum())
        if abs(way) > max(noise, LEAST):
            out.append(f"The {'longer' if way > 0 else 'shorter'} way alone is {way:+.3f} s (±{noise:.3f}).")
    return out


# --------------------------------------------------------------------------- the two laps


@dataclass(frozen=True)
class _Pair:
    """Two laps, the one explained first, with their events."""

    frames: tuple[pd.DataFrame, pd.DataFrame]
    names: tuple[str, str]
    places: pd.DataFrame  # of `losses`
    total: float
    noise: float  # two standard uncertainties of it

    @classmethod
    def of(cls, lap: pd.DataFrame, reference: pd.DataFrame) -> _Pair:
        table = delta(lap, reference)
        total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
        return cls(
            (lap, reference),
            names_of(lap.attrs, reference.attrs),
            losses(table, count=None),
            total,
            SIGNIFICANT * sigma,
        )

    @cached_property
    def corners(self) -> list[dict[str, Event]]:
        """Corners of each lap, by their names."""
        return [{str(row["corner"]): row for row in _events(corners(frame))} for frame in self.frames]

    @cached_property
    def lifts(self) -> list[list[Event]]:
        """Lifts of each lap, gear changes not counted."""
        return [_lifts(frame) for frame in self.frames]

    @property
    def sign(self) -> float:
        return -1.0 if float(self.places["time_lost"].sum()) < 0 else 1.0

    @property
    def reach(self) -> float:
        return 2.0 * float(attribute(self.frames[0], "step"))

    @property
    def unit(self) -> str:
        return str(attribute(self.frames[0], "speed_unit"))

    def speed(self, value: float) -> str:
        """Write a speed, m/s, in the person's unit."""
        return f"{from_si(float(value), self.unit, 'speed'):.1f} {self.unit}"

    def corner(self, side: int, corner: str) -> Event | None:
        """The row of a corner in one of the laps."""
        return self.corners[side].get(corner)

    def lift(self, side: int, corner: str) -> Event | None:
        """The lift made for a corner: the longest that begins in it, or shortly before and lasts into it."""
        row = self.corner(side, corner)
        if row is None:
            return None
        low, start, end = row["start_distance"] - BEFORE_CORNER, row["start_distance"], row["end_distance"]
        near = [
            lift for lift in self.lifts[side] if low <= lift["start_distance"] <= end and lift["end_distance"] > start
        ]
        return max(near, key=lambda lift: float(lift["full_lift_time"]), default=None)

    def begins(self) -> dict[str, float]:
        """Where the first of the two laps lifted for each corner."""
        found = {name: [lift for side in (0, 1) if (lift := self.lift(side, name))] for name in self.corners[0]}
        return {name: min(float(lift["start_distance"]) for lift in both) for name, both in found.items() if both}

    def at(self, side: int, lift: Event) -> str:
        """Where a lift began: by the nearest marker, else from the line."""
        about, start = self.frames[side].attrs, float(lift["start_distance"])
        beside = describe_place(start, about.get("markers"), length=about.get("track_length"))
        return beside or f"{start:.0f} m from the line"

    # ---- what befell the car

    def befell(self) -> list[str]:
        """What else happened to either lap, where the session was marked with it: one sentence, or none."""
        parts = [
            f"{name} {_befallen(mark)}"
            for name, frame in zip(self.names, self.frames, strict=True)
            for mark in frame.attrs.get("marks") or []
        ]
        if not parts:
            return []
        said = _listed(parts)
        return [f"L{said[1:]}: do not lay that at the driving or the setup."]

    def hit(self, side: int, row: Event) -> bool:
        """Whether something befell a lap between the way into a corner and its end."""
        marks = self.frames[side].attrs.get("marks") or []
        low, high = float(row["start_distance"]) - BEFORE_CORNER, float(row["end_distance"])
        return any(mark["start_distance"] < high and mark["end_distance"] >= low for mark in marks)

    # ---- facts

    def facts(self, zone: Zone) -> list[str]:
        """What was done differently in a zone, beyond the uncertainty."""
        if not zone.corner:
            return []
        out = self.way_facts(zone) if "longer_way" in zone.parts else []
        out += self.lift_facts(zone.corner) if {"throttle", "brake"} & set(zone.parts) else []
        return out + self.lowest_facts(zone.corner)

    def lift_facts(self, corner: str) -> list[str]:
        """What differed between the two laps' lifts for a corner."""
        mine, theirs = (self.lift(side, corner) for side in (0, 1))
        if mine is None and theirs is None:
            return []
        if mine is None or theirs is None:
            side, lift = (0, mine) if mine is not None else (1, theirs)
            assert lift is not None
            return [f"only {self.names[side]} lifted ({self.at(side, lift)}, {lift['duration']:.2f} s)"]
        facts = []
        if moved := _change(mine, theirs, "start_distance", 0.5):
            facts.append(
                f"the lift began {abs(moved):.0f} m {'earlier' if moved < 0 else 'later'} ({self.at(0, mine)})"
            )
        if longer := _change(mine, theirs, "duration", 0.005):
            facts.append(
                f"{'' if facts else 'the lift '}lasted {abs(longer):.2f} s {'longer' if longer > 0 else 'less'} "
                f"({mine['duration']:.2f} s)"
            )
        if deeper := _change(mine, theirs, "min_throttle", 0.02):
            facts.append(
                f"the throttle went {abs(100 * deeper):.0f} % {'lower' if deeper < 0 else 'less low'} "
                f"(to {100 * mine['min_throttle']:.0f} %)"
            )
        return facts

    def lowest_facts(self, corner: str) -> list[str]:
        """By how much the lowest speed of a corner differed."""
        mine, theirs = (self.corner(side, corner) for side in (0, 1))
        if mine is None or theirs is None or not (change := _change(mine, theirs, "min_speed", 0.0)):
            return []
        return [f"the lowest speed was {self.speed(abs(change))} {'lower' if change < 0 else 'higher'}"]

    def way_facts(self, zone: Zone) -> list[str]:
        """How much longer the way through a zone was."""
        if not all("path" in frame.columns for frame in self.frames):
            return []
        inside = [
            f.loc[(f.index >= zone.start) & (f.index <= zone.end), "path"].to_numpy(np.float64) for f in self.frames
        ]
        longer = float((inside[0][-1] - inside[0][0]) - (inside[1][-1] - inside[1][0])) if len(inside[0]) else np.nan
        error = np.hypot.reduce([float(frame.attrs.get("place_error") or 0.0) for frame in self.frames]) * np.sqrt(2.0)
        if not abs(longer) > max(SIGNIFICANT * error, 0.05):
            return []
        return [f"the way was {abs(longer):.1f} m {'longer' if longer > 0 else 'shorter'}"]

    def start(self, book: Ledger) -> str:
        """How much slower a lap began: the difference of energy there by the speed."""
        usual = float(np.mean([frame["speed"].iloc[0] for frame in self.frames]))
        change = float(book.places["energy_difference"].iloc[0]) / usual
        return f" ({self.speed(abs(change))} {'less' if change < 0 else 'more'})" if np.isfinite(change) else ""

    # ---- without a model of the car

    def on_the_clock(self) -> list[str]:
        return [self.difference(), self.where(), self.what()]

    def difference(self) -> str:
        first, second = self.names
        if not np.isfinite(self.total):
            return f"L{first[1:]} and {second} are not both whole laps, so there is no lap-time difference to explain."
        times = [clock(attribute(frame, "lap_time")) for frame in self.frames]
        said = (
            f"L{first[1:]} ({times[0]} s) was {abs(self.total):.3f} s {'slower' if self.total >= 0 else 'faster'} "
            f"than {second} ({times[1]} s)"
        )
        if abs(self.total) <= self.noise:
            return f"{said}, but that is only sure to ±{self.noise:.3f} s: the two may be equal."
        return f"{said}, sure to ±{self.noise:.3f} s."

    def where(self) -> str:
        known = self.places[np.isfinite(self.places["time_lost"].to_numpy())]
        rows = known.iloc[np.argsort(-self.sign * known["time_lost"].to_numpy(), kind="stable")]
        size = self.sign * rows["time_lost"].to_numpy()
        sure = np.abs(size) > SIGNIFICANT * rows["time_lost_uncertainty"].to_numpy()
        word, back = ("loss", "won back") if self.sign > 0 else ("gain", "given back")
        if not (sure & (size > 0)).any():
            return f"No single part of the lap stands out: no {word} is larger than its own uncertainty."
        places = [f"{'on the' if 'straight' in name else 'in'} {name}" for name in rows["segment"]]
        parts = [
            f"{size[k]:.3f} s {places[k]} ({rows['start_distance'].iloc[k]:.0f} to {rows['end_distance'].iloc[k]:.0f} m)"
            for k in np.flatnonzero(sure & (size > 0))[:2]
        ]
        said = f"The largest {word if len(parts) == 1 else 'losses' if self.sign > 0 else 'gains'} "
        said += f"{'was' if len(parts) == 1 else 'were'} {' and '.join(parts)}"
        if sure[-1] and size[-1] < 0:
            said += f"; {-size[-1]:.3f} s was {back} {places[-1]}"
        return said + "."

    def worst_corner(self) -> str:
        """The corner in, or before, the segment where the clock shows most of the difference; "" where there is none."""
        rows = list(self.corners[0].values())
        change = self.sign * self.places["time_lost"].to_numpy()
        if not rows or not np.isfinite(change).any():
            return ""
        at = float(self.places["start_distance"].iloc[int(np.nanargmax(change))])
        before = [row for row in rows if row["start_distance"] <= at + 1e-6]
        return str((before or rows)[-1]["corner"])

    def what(self) -> str:
        """What differed in the corner behind the largest change."""
        corner = self.worst_corner()
        if not corner:
            return "No corner was found, so the driving cannot be compared corner by corner."
        speeds = [np.nan if (row := self.corner(side, corner)) is None else row["min_speed"] for side in (0, 1)]
        same = "was the same" if np.isfinite(speeds).all() else "is not known of both laps"
        lowest = self.lowest_facts(corner) or [f"the lowest speed {same}"]
        if not all("throttle" in frame.columns for frame in self.frames):
            lifted = ["there is no throttle to say more"]
        elif not any(self.lift(side, corner) is not None for side in (0, 1)):
            lifted = ["there was no lift"]
        else:
            lifted = self.lift_facts(corner) or ["the lift was the same as far as the data can tell"]
        return f"In corner {corner} {_listed(lowest + lifted)}."


def _befallen(mark: Event) -> str:
    """What befell a lap, where, and what it took, in words."""
    kind, lost = str(mark["kind"]), float(mark["time_lost"])
    where = f"{'from' if kind in ('tow', 'lost time') else 'at'} {float(mark['start_distance']):.0f} m"
    took = f", {abs(lost):.2f} s {'lost' if lost > 0 else 'gained'}" if abs(lost) >= 0.005 else ""
    return f"is marked: {kind} {where + (' on' if where.startswith('from') else '')}{took}"


def _events(table: pd.DataFrame) -> list[Event]:
    """The rows of a table of events, one after the other."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def _lifts(frame: pd.DataFrame) -> list[Event]:
    if "throttle" not in frame.columns or attribute(frame, "full_throttle") is None:
        return []
    return [row for row in _events(lifts(frame)) if row["kind"] == "lift"]


def _change(mine: Event, theirs: Event, name: str, least: float) -> float:
    """The difference of two events, 0 where it is inside its uncertainty."""
    moved = float(mine[name] - theirs[name])
    sigma = float(np.hypot.reduce([float(row.get(f"{name}_uncertainty", 0.0)) for row in (mine, theirs)]))
    return moved if abs(moved) > max(SIGNIFICANT * sigma, least) else 0.0


def _listed(parts: Sequence[str]) -> str:
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"
