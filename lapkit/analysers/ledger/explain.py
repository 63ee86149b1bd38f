"""Why a lap was slower, in sentences for the driver, and one thing to try."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, overload

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.brought import Before, brought_from
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.findings import LEAST, Zone, headline, standing_out
from lapkit.analysers.ledger.ledger import SIGNIFICANT, Ledger, ledger
from lapkit.analysers.ledger.two_laps import TwoLaps, because, listed, mark_words
from lapkit.model.frame import attribute
from lapkit.model.show import clock, plain

CAUTION = (
    "Figures describe what was recorded; they do not say what is safe. A lift moved later or a speed raised in a real "
    "car is for the driver and qualified people to judge, within the series' and the track's rules and the makers' limits."
)
MATTERS = 0.25
"""Share of the lap-time difference from which on the unexplained is worth a sentence though inside its noise (chosen)."""
MOST_SENTENCES = 6
"""What a driver listens to; the trifles come last and are left out (chosen)."""


@dataclass(frozen=True)
class Explanation(Sequence[str]):
    """Why one lap was slower than another: a sequence of sentences, and what goes with it.

    Attributes
    ----------
    headline : str
        The finding in one line, as a title.
    sentences : tuple of str
    to_try : str
        What the faster lap did at the pedals in the costliest place that has such a reason: at most three things, those that
        explain what was lost there, the greatest first. Empty where the data carry no advice: no place stands out of its
        noise, none can be laid at the pedals, or something else befell the slower lap there.
    book : Ledger or None
        What the sentences were read from; None where the two are not both whole laps.
    made : Zone or None
        The place that the headline names, for pictures: where most was made; None where none stands out.
    delta : DataFrame
        Of `delta`.
    """

    headline: str
    sentences: tuple[str, ...]
    to_try: str
    book: Ledger | None
    made: Zone | None
    delta: pd.DataFrame

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

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain lists and numbers, for JSON."""
        book = None if self.book is None else self.book.to_dict()
        return {
            "headline": self.headline,
            "sentences": list(self.sentences),
            "to_try": self.to_try,
            "caution": CAUTION,
            "ledger": book,
        }

    def __repr__(self) -> str:
        said = [plain(" ".join(self.sentences)), *([plain(self.to_try)] if self.to_try else [])]
        return "\n".join([*said, f"± is two standard uncertainties (about 95 %). {CAUTION}"])

    def _repr_html_(self) -> str:
        said = [escape(" ".join(self.sentences))]
        what, _, rest = self.to_try.partition(":")
        said += [f"<b>{escape(what)}:</b>{escape(rest)}"] if self.to_try else []
        small = f"<small>± is two standard uncertainties (about 95 %). {escape(CAUTION)}</small>"
        return "".join(f"<p>{part}</p>" for part in [*said, small])


def explain(
    lap: pd.DataFrame,
    reference: pd.DataFrame,
    *,
    model: LongitudinalModel | None = None,
    before: Before = (None, None),
) -> Explanation:
    """Say in three to six sentences why one lap was slower than another, and what to try.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames on one grid.
    model : LongitudinalModel, optional
        The car, from ``longitudinal_model(session)``. None fits it to the two laps alone, which is less sure.
    before : (DataFrame or None, DataFrame or None)
        The laps driven right before each: where the speed brought over the line was made is theirs to say.

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
    over the rows of ``ledger.told`` for one corner and cause (their variances added): there a corner that is entered with a
    lift begun on the straight before it counts from that lift on, which the sentence says. What was paid is `time_lost` of
    the same; what was brought over the line is `carried_in`, its speed the first `energy_difference` by the first speed of
    the frames. Lifts and lowest speeds are rows of `lifts` and
    `corners` of the two frames, brakings of `brakings`, metres of way those of the frames' `path`. Where the frames carry
    markers, a lift is placed by the nearest (`start_to_marker` of `lifts`) instead of by metres from the line. What befell a
    lap is what `oddities` found, if the session has looked (it does when first asked for its best lap, its clean laps or a model). Nothing inside its noise
    (two standard uncertainties) is said as a fact.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> why = explain(session.lap(10), session.best(), model=lapkit.longitudinal_model(session))
    >>> "made in corner 1 with the throttle" in why[1], why.to_try.split(":")[0]
    (True, 'To try in corner 1')
    """
    pair = TwoLaps.of(lap, reference)
    if not np.isfinite(pair.total):
        said = [*_on_the_clock(pair), *_befell(pair)]
        return Explanation(said[0].rstrip("."), tuple(said), "", None, None, pair.delta)
    book = ledger(lap, reference, model=model)
    if not book.model.ok:
        said = [*_on_the_clock(pair), *_befell(pair), *_refused(book)]
        advice = _to_try_on_the_clock(pair)
        return Explanation(headline(book), tuple(said[:MOST_SENTENCES]), advice, book, None, pair.delta)
    made, against = standing_out(book)
    tried, advice = _to_try(pair, made)
    came = brought_from(before, book.model) if made and not made[0].segment else ""
    said = _from_ledger(pair, book, made, against, tried, came)
    most = made[0] if made and abs(pair.total) > pair.noise else None  # of equal laps the headline names no place
    return Explanation(headline(book), tuple(said[:MOST_SENTENCES]), advice, book, most, pair.delta)


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
    return _on_the_clock(TwoLaps.of(lap, reference))


# ------------------------------------------------------------------------- sentences


def _to_try(pair: TwoLaps, made: Sequence[Zone]) -> tuple[Zone | None, str]:
    """Say what the faster of two laps did differently, in the costliest place where the pedals are the reason; and which."""
    for zone in made:
        pedals = {name: cost for name, cost in zone.parts.items() if name in ("throttle", "brake")}
        if zone.segment and pedals:
            side = int(zone.made > 0)
            if pair.hit(1 - side, zone.start, zone.end):
                break  # it was not the driving
            if did := pair.done_by(side, zone.start, zone.end, pedals):
                return zone, f"To try {zone.place}: what {pair.names[side]} did. It {listed(did)}."
    return None, ""


def _to_try_on_the_clock(pair: TwoLaps) -> str:
    """The same without causes: in the corner behind the largest change."""
    corner, side = pair.worst_corner(), int(pair.total > 0)
    row = pair.corners[0].get(corner)
    if row is None or abs(pair.total) <= pair.noise:
        return ""
    low, high = row["start_distance"], row["end_distance"]
    if pair.hit(1 - side, low, high):
        return ""  # it was not the driving
    did = pair.done_by(side, low, high, {"throttle": pair.total, "brake": pair.total})
    return f"To try in corner {corner}: what {pair.names[side]} did. It {listed(did)}." if did else ""


def _from_ledger(
    pair: TwoLaps, book: Ledger, made: list[Zone], against: list[Zone], tried: Zone | None, came: str
) -> list[str]:
    """Tell what made the difference, with the reason of the costliest place that has one, and of that where one can try."""
    equal = abs(pair.total) <= pair.noise
    word, back = ("lost", "gained") if equal else ("made", "won back") if pair.total > 0 else ("gained", "given back")

    def part(zone: Zone, word: str) -> str:
        over = f"by the speed brought over the line{_start(pair, book)}"
        how = f"{zone.where} {zone.by}" if zone.segment else over
        return f"{abs(zone.made):.3f} s (±{zone.noise:.3f}) was {word} {how}"

    out, rest = [_difference(pair), *_befell(pair)], _unexplained(pair, book)
    reasons = {k: because(pair.facts(zone), zone.made) for k, zone in enumerate(made)}
    chief = next((k for k, why in reasons.items() if why), 0)
    alone = sorted({0, chief, chief if tried is None else made.index(tried)})
    for k in alone if made else []:
        of = "All the same, " if equal else "Of this, " if abs(made[0].made) <= abs(pair.total) else ""
        out.append(f"{'A further ' if k else of}{part(made[k], word)}{reasons[k]}.")
        out += [came] if came and not k else []
        out += _paid(pair, book, made[k], word) if k == chief else []
    if made:
        others = [part(zone, word) for k, zone in enumerate(made[:3]) if k not in alone][: max(3 - len(alone), 0)]
        out += [f"A further {listed(others)}."] if others else []
    elif not against:
        out.append("No place and no cause stands out: nothing in the ledger is larger than its own uncertainty.")
    elif not equal and not rest:
        out.append("What made it cannot be told from the noise.")
    if not any(reasons.values()) and not pair.corners[0]:
        out += pair.lift_that_differs()
    if against:
        of = "All the same, " if equal and not made else ""
        out.append(f"{of}{listed([part(zone, back) for zone in against[:2]])}.")
    out += rest
    if len(out) < 3:
        out.append("Nothing else stands out of its own uncertainty." if made or against else _what(pair))
    return out


def _paid(pair: TwoLaps, book: Ledger, zone: Zone, word: str) -> list[str]:
    """What the clock showed on the straight after, if that is where the corner was paid for."""
    rows = book.told.segments
    after = rows.index[(rows["start_distance"] >= zone.end - 1e-6) & (rows["part"] == "straight")]
    if (
        not zone.corner
        or not len(after)
        or abs(rows.loc[after[0], "start_distance"] - zone.end) > 2.0 * float(attribute(pair.frames[0], "step"))
    ):
        return []
    row = rows.loc[after[0]]
    known = pair.places.loc[pair.places["segment"] == row["segment"], "time_lost_uncertainty"]
    here = float(book.told.cells.iloc[int(after[0])].sum())
    sign, lost = np.sign(zone.made), float(row["time_lost"])
    if known.empty or sign * lost <= max(SIGNIFICANT * float(known.iloc[0]), LEAST) or sign * here > 0.5 * sign * lost:
        return []
    verb = "gained" if word == "gained" else "paid"
    return [f"On the clock {abs(lost):.3f} s was {verb} only on the {row['segment']}."]


def _unexplained(pair: TwoLaps, book: Ledger) -> list[str]:
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
    out = [f"What each cause cost cannot be said, as no model of the car could be fitted: {book.model.reason}."]
    if "longer_way" in book.causes:
        noise = SIGNIFICANT * book.lap_uncertainties["longer_way"]
        way = float(book.cells["longer_way"].sum())
        if abs(way) > max(noise, LEAST):
            out.append(f"The {'longer' if way > 0 else 'shorter'} way alone is {way:+.3f} s (±{noise:.3f}).")
    return out


# ------------------------------------------------------------- without a model of the car


def _on_the_clock(pair: TwoLaps) -> list[str]:
    return [_difference(pair), _where(pair), _what(pair)]


def _difference(pair: TwoLaps) -> str:
    first, second = pair.names
    if not np.isfinite(pair.total):
        return f"L{first[1:]} and {second} are not both whole laps, so there is no lap-time difference to explain."
    times = [clock(attribute(frame, "lap_time")) for frame in pair.frames]
    said = (
        f"L{first[1:]} ({times[0]} s) was {abs(pair.total):.3f} s {'slower' if pair.total >= 0 else 'faster'} "
        f"than {second} ({times[1]} s)"
    )
    if abs(pair.total) <= pair.noise:
        return f"{said}, but that is only sure to ±{pair.noise:.3f} s: the two may be equal."
    return f"{said}, sure to ±{pair.noise:.3f} s."


def _befell(pair: TwoLaps) -> list[str]:
    """What else happened to either lap, where the session was marked with it: one sentence, or none."""
    parts = []
    for side, name in enumerate(pair.names):
        for mark in pair.marks(side):
            parts.append(f"{name} is marked: {mark_words(mark)}")
    return [f"L{listed(parts)[1:]}: do not lay that at the driving or the setup."] if parts else []


def _where(pair: TwoLaps) -> str:
    known = pair.places[np.isfinite(pair.places["time_lost"].to_numpy())]
    rows = known.iloc[np.argsort(-pair.sign * known["time_lost"].to_numpy(), kind="stable")]
    size = pair.sign * rows["time_lost"].to_numpy()
    sure = np.abs(size) > SIGNIFICANT * rows["time_lost_uncertainty"].to_numpy()
    word, back = ("loss", "won back") if pair.sign > 0 else ("gain", "given back")
    if not (sure & (size > 0)).any():
        return f"No single part of the lap stands out: no {word} is larger than its own uncertainty."
    places = [f"{'on the' if 'straight' in name else 'in'} {name}" for name in rows["segment"]]
    parts = [
        f"{size[k]:.3f} s {places[k]} ({rows['start_distance'].iloc[k]:.0f} to {rows['end_distance'].iloc[k]:.0f} m)"
        for k in np.flatnonzero(sure & (size > 0))[:2]
    ]
    said = f"The largest {word if len(parts) == 1 else 'losses' if pair.sign > 0 else 'gains'} "
    said += f"{'was' if len(parts) == 1 else 'were'} {' and '.join(parts)}"
    if sure[-1] and size[-1] < 0:
        said += f"; {-size[-1]:.3f} s was {back} {places[-1]}"
    return said + "."


def _what(pair: TwoLaps) -> str:
    """What differed in the corner behind the largest change."""
    corner = pair.worst_corner()
    if not corner:
        return "No corner was found, so the driving cannot be compared corner by corner."
    rows = pair.corner(corner)
    known = np.isfinite([np.nan if row is None else row["min_speed"] for row in rows]).all()
    facts = [fact.words for fact in pair.lowest_facts(corner)]
    said = facts or [f"the lowest speed {'was the same' if known else 'is not known of both laps'}"]
    low, high = pair.corners[0][corner]["start_distance"], pair.corners[0][corner]["end_distance"]
    if not pair.known("throttle"):
        said.append("there is no throttle to say more")
    elif pair.lift(low, high) == (None, None):
        said.append("there was no lift")
    else:
        lifted = [fact.words for fact in pair.lift_facts(low, high)]
        said += lifted or ["the lift was the same as far as the data can tell"]
    return f"In corner {corner} {listed(said)}."


def _start(pair: TwoLaps, book: Ledger) -> str:
    """How much slower a lap began: the difference of energy there by the speed."""
    usual = float(np.mean([frame["speed"].iloc[0] for frame in pair.frames]))
    slower = float(book.places["energy_difference"].iloc[0]) / usual
    return f" ({pair.speed(abs(slower))} {'less' if slower < 0 else 'more'})" if np.isfinite(slower) else ""
