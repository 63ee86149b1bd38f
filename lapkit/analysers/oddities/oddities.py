"""What befell the car: a touch of the wall, a tow, a missed shift, a corner lost, so that such a lap is not called the car's fault."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.lap.markers import describe_place
from lapkit.analysers.lap.segment_times import segment_times
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.oddities.effect import Cost, Usual
from lapkit.analysers.oddities.finders import Event, contacts, lost_times, missed_shifts, near, tows
from lapkit.analysers.oddities.signals import Signals, signals_of
from lapkit.channels import STANDARD_GRAVITY, from_si

if TYPE_CHECKING:
    from lapkit.model.session import Session

ODDITY_COLUMNS = {
    "lap": "int64", "kind": "object", "start_distance": "float64", "end_distance": "float64", "size": "float64",
    "size_uncertainty": "float64", "unit": "object", "time_lost": "float64", "time_lost_uncertainty": "float64",
    "words": "object",
}  # fmt: skip
"""Column -> dtype of the table of oddities."""

MIN_LAPS = 3
"""What is odd shows against what is usual: the median of so many laps at least."""
SIGMAS = 6.0
"""How far beyond its usual scatter at that place a thing must lie (chosen, so that under one lap in fifty is marked by luck)."""
LEAST_LOSS = 0.2
"""m/s. A touch takes at least this much speed at a stroke (chosen)."""
LONGEST_TOUCH = 0.3
"""s. A touch is over in this time (chosen)."""
LEAST_SPIKE = 1.0
"""m/s2. A touch shows at least this much beyond the usual in an accelerometer (chosen)."""
LEAST_KICK = 0.03
"""rad/s. The same for the yaw rate (chosen)."""
LEAST_GAIN = 0.04
"""m/s2. A tow is worth at least this much (chosen: a tenth of the drag at 25 m/s of a car of 6.6e-4 1/m)."""
TOW_WINDOWS = (50.0, 80.0, 120.0, 180.0, 270.0, 400.0)
"""m. Lengths a tow is looked for over (chosen); its ends are then found between them."""
OPPOSITE = 0.5
"""Share of a gain that the rest of the lap must mirror, or repeat, for it to be called wind or engine (chosen)."""
LONGEST_CUT = 0.2
"""s. The drive of a usual gear change is missing for less than this (common practice, no source)."""
LEAST_FLARE = 0.05
"""Share by which engine speed runs ahead of road speed in a missed shift (chosen: wheel slip at full drive is less)."""
MISSING = 0.5
"""Share of the drive that must be missing (chosen)."""
SURELY_MORE = 1.5
"""Share of the drive that is surely more than all of it (chosen: the model's power is known far better)."""
CHANCE = 0.005
"""Share of ordinary laps that may be marked for time lost in a corner, if their times scatter like a normal quantity."""
BEFORE = 50.0
"""m. What happened so far before a corner explains time lost in it (chosen)."""
LEAST_TIME = 0.08
"""s. Less lost in one corner is not worth a mark (chosen)."""
SETTLED = 3.0
"""s. An event's effect lasts so long at least: only then is speed asked whether it is the usual again. Its uncertainty looks
twice as far beyond (chosen, so that about 95 % of true effects lie within two of it on simulated runs)."""

CARRIED = 2.0
"""How many times its uncertainty the speed over the line must be off (as everywhere: about 95 % lie within two)."""


def oddities(
    session: Session,
    *,
    model: LongitudinalModel | None = None,
    sigmas: float = SIGMAS,
    least_loss: float = LEAST_LOSS,
    longest_touch: float = LONGEST_TOUCH,
    least_spike: float = LEAST_SPIKE,
    least_kick: float = LEAST_KICK,
    least_gain: float = LEAST_GAIN,
    tow_windows: tuple[float, ...] = TOW_WINDOWS,
    opposite: float = OPPOSITE,
    longest_cut: float = LONGEST_CUT,
    least_flare: float = LEAST_FLARE,
    missing: float = MISSING,
    chance: float = CHANCE,
    least_time: float = LEAST_TIME,
    settled: float = SETTLED,
    carried: float = CARRIED,
) -> pd.DataFrame:
    """Find what befell the car in the whole laps of a session.

    Parameters
    ----------
    session : Session
    model : LongitudinalModel, optional
        The car; by default fitted to the session.
    sigmas : float
        How many times the usual scatter at that place counts as odd.
    least_loss, longest_touch : float
        A touch takes at least so much speed (m/s) in at most this time (s).
    least_spike, least_kick : float
        What an accelerometer (m/s2) or the yaw rate (rad/s) must show of it, beyond the usual.
    least_gain : float
        Acceleration a tow is worth at least, m/s2.
    tow_windows : tuple of float
        Lengths a tow is looked for over, m.
    opposite : float
        Share of the gain that, mirrored on the other straight or repeated all round, tells wind or engine from a tow.
    longest_cut, missing : float
        A missed shift goes without so much of the drive (share) for longer than this (s).
    least_flare : float
        Rise of engine speed over road speed in it (share), where engine speed is recorded.
    chance, least_time : float
        Share of ordinary laps that may be marked for time lost in a corner, and what is worth a mark there (s).
    settled : float
        How long an event's effect lasts at least, s.
    carried : float
        How many times its uncertainty the speed over the line must be off the usual after an event, for the next lap to
        be marked too.

    Returns
    -------
    DataFrame
        One row an event, by lap and place: lap, kind, start_distance, end_distance (m from the line), size and
        size_uncertainty in `unit`, time_lost and its uncertainty (s), words. Size is, for a "contact", the speed lost at
        a stroke (m/s); for a "tow" the acceleration gained (m/s2); for a "missed shift", or a "missed shift or contact" where
        nothing was recorded that tells the two apart, the time without drive (s); for "lost time" the time (s). Time lost is that of this lap against the median of the laps beside it, from the
        start of the event to where the car is as fast as usual again, or to the line (negative: gained); its uncertainty
        is the usual scatter of that. Where the car is not as fast as usual again up to the line, and crosses it faster
        or slower than usual by more than twice the uncertainty of that, the next lap has a row too, however little time it
        made: its kind is "after tow" and so on, its size the speed over the line beyond the usual (m/s).
        ``attrs["notes"]`` says what could not be looked for, and what was seen and not marked.

    Raises
    ------
    ColumnError
        If there is no speed.

    Notes
    -----
    A contact needs two witnesses: speed falls at a stroke by more than pedals, drag and the usual at that place explain,
    and lateral acceleration, longitudinal acceleration or yaw rate is knocked in the same moment. A knock alone (a curb, a
    bump, a sample gone wrong) is none, nor is a sample of speed gone wrong. A tow is a gain at full throttle
    against the model of the car and against the other laps at the same place, so that slope and steady wind cancel. A
    missed shift shows in engine speed; without it the missing drive must stand out of the usual scatter by `sigmas`, and
    where noise of speed hides it, or speed was worked out from position, none is looked for and a note says so. What
    cannot be told: a gust along one straight from a tow; a tow that most laps had at the same place (it counts as usual);
    a touch that takes less speed than least_loss; and which of the two was at fault.

    Examples
    --------
    >>> import lapkit
    >>> table = oddities(lapkit.load("sample_data/oval_run.csv"))
    >>> len(table), table.attrs["notes"]
    (0, [])
    """
    session = session.unmarked()  # every lap is looked at
    signals = signals_of(session, model=model)
    if signals is None or len(signals.rows) < MIN_LAPS:
        count = 0 if signals is None else len(signals.rows)
        return _table(
            [], [f"{count} whole laps are too few to tell what is odd from what is usual ({MIN_LAPS} are needed)."]
        )
    touches = contacts(
        signals,
        sigmas=sigmas,
        least_loss=least_loss,
        longest=longest_touch,
        least_spike=least_spike,
        least_kick=least_kick,
    )
    missed = missed_shifts(
        signals, sigmas=sigmas, longest_cut=longest_cut, least_flare=least_flare, missing=missing, known=touches
    )  # fmt: skip
    towed = tows(signals, sigmas=sigmas, least_gain=least_gain, windows=tow_windows, opposite=opposite)
    # a jolt along the car alone may be the drive that went and came back
    touches = [t for t in touches if t.facts["across"] or not any(near(m, t.row, t.start, t.end) for m in missed)]
    found = sorted(touches + missed + towed, key=lambda event: event.start)
    looked_at = session.laps.set_index("lap").loc[signals.trace.numbers[signals.rows]]
    usual = Usual(
        signals,
        length=_length(session, signals),
        settled=settled,
        carried=carried,
        line_speed=looked_at["speed_at_line"].to_numpy(np.float64),
        line_speed_uncertainty=looked_at["speed_at_line_uncertainty"].to_numpy(np.float64),
    )
    costs = [usual.costs(e.row, e.start, e.end, slower=e.kind != "tow") for e in found]
    rows = [_row_of(session, signals, e, cost[0]) for e, cost in zip(found, costs, strict=True)]
    # one row for what a lap began with, that of the last event before it
    began = {part.row: _began(session, e, part, rows[k]) for k, e in enumerate(found) for part in costs[k][1:]}
    rows += began.values()
    rows += _lost(session, signals, [part for cost in costs for part in cost], chance, least_time)
    return _table(rows, signals.notes)


def marked_laps(session: Session) -> dict[int, str]:
    """Return the laps that something befell: lap -> kinds, joined by commas.

    Parameters
    ----------
    session : Session

        One that is marked already is not looked at again.

    Returns
    -------
    dict of int to str
        Such as ``{4: "contact,lost time"}``; laps without a mark are not in it.

    Examples
    --------
    >>> import lapkit
    >>> marked_laps(lapkit.load("sample_data/oval_run.csv"))
    {}
    """
    table = oddities(session) if session.marks is None else session.marks
    pairs = zip(table["lap"].tolist(), table["kind"].tolist(), strict=True)
    marks: dict[int, list[str]] = {}
    for lap, kind in dict.fromkeys(pairs):
        marks.setdefault(lap, []).append(kind)
    return {lap: ",".join(kinds) for lap, kinds in marks.items()}


def _table(rows: list[dict[str, Any]], notes: list[str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(ODDITY_COLUMNS)).astype(ODDITY_COLUMNS)
    table = table.sort_values(["lap", "start_distance"], kind="stable").reset_index(drop=True)
    table.attrs["notes"] = list(notes)
    return table


def _length(session: Session, signals: Signals) -> float:
    return float(session.track.length or signals.grid[-1] + signals.grid[1])


def _row_of(session: Session, signals: Signals, event: Event, cost: Cost) -> dict[str, Any]:
    """The row of an event on its own lap."""
    return {
        "lap": int(signals.trace.numbers[signals.rows[event.row]]), "kind": event.kind, "start_distance": event.start,
        "end_distance": max(event.end, event.start), "size": event.size, "size_uncertainty": event.size_uncertainty,
        "unit": event.unit, "time_lost": cost.lost, "time_lost_uncertainty": cost.uncertainty,
        "words": _words(session, event),
    }  # fmt: skip


def _began(session: Session, event: Event, cost: Cost, before: dict[str, Any]) -> dict[str, Any]:
    """The row of the next lap, which began at another speed because of an event."""
    unit = session.speed_unit
    off, spread = (from_si(v, unit, "speed") for v in (abs(cost.start_speed), 2.0 * cost.start_speed_uncertainty))
    words = (
        f"Began {off:.1f} {unit} (±{spread:.1f}) {'faster' if cost.start_speed > 0 else 'slower'} than usual after the "
        f"{event.kind} of lap {before['lap']}: {abs(cost.lost):.2f} s (±{2.0 * cost.uncertainty:.2f}) "
        f"{'lost' if cost.lost > 0 else 'gained'} up to {cost.end:.0f} m."
    )
    return {
        "lap": before["lap"] + 1, "kind": f"after {event.kind}", "start_distance": cost.start, "end_distance": cost.end,
        "size": cost.start_speed, "size_uncertainty": cost.start_speed_uncertainty, "unit": "m/s", "time_lost": cost.lost,
        "time_lost_uncertainty": cost.uncertainty, "words": words,
    }  # fmt: skip


def _place(session: Session, start: float, end: float | None = None) -> str:
    where = f"at {start:.0f} m" if end is None else f"from {start:.0f} to {end:.0f} m"
    corners = session.track.corners
    inside = corners[(corners["start_distance"] <= start) & (corners["end_distance"] > start)]
    named = [f"in corner {inside['corner'].iloc[0]}"] if len(inside) else []
    beside = describe_place(start, session.track.markers, length=session.track.length)
    more = [*named, *([beside] if beside else [])]
    return f"{where} ({', '.join(more)})" if more else where


def _words(session: Session, event: Event) -> str:
    unit = session.speed_unit
    if event.kind == "contact":
        lost = from_si(event.size, unit, "speed")
        said = f"A touch {_place(session, event.start)}: {lost:.1f} {unit} lost at a stroke"
        push = event.facts.get("lateral_acceleration", 0.0)
        if abs(push) > LEAST_SPIKE:
            said += f", {abs(push) / STANDARD_GRAVITY:.1f} g more than usual to the {'left' if push > 0 else 'right'}"
        return f"{said}."
    if event.kind == "tow":
        return (
            f"Towed {_place(session, event.start, event.end)}: {event.size:.2f} m/s2 more at full throttle than the car has alone, "
            f"as with {100 * min(event.facts['share'], 1.0):.0f} % less drag. A gust along the straight would look the same."
        )
    where, flared = _place(session, event.start), event.facts.get("flare", 0.0)
    if event.kind == "missed shift":
        why = (
            f"the engine ran {100 * flared:.0f} % ahead of the car"
            if flared > 0
            else "or the engine cut out: there is no engine speed to tell"
        )
        return f"A missed shift {where}: no drive for {event.size:.2f} s; {why}."
    rather = event.facts["share"] > SURELY_MORE
    return (
        f"A missed shift, an engine that cut out or a touch {where}: as much speed lost as in {event.size:.2f} s without "
        f"drive{', and faster than the lack of drive takes it, so rather a touch' if rather else ''}. There is no engine speed, "
        "accelerometer or yaw rate to tell."
    )


def _lost(session: Session, signals: Signals, costs: list[Cost], chance: float, least: float) -> list[dict[str, Any]]:
    """Corners that cost far more than the run's own scatter and that nothing found explains."""
    corners = session.track.corners.sort_values("start_distance")
    length = _length(session, signals)
    starts = corners["start_distance"].to_numpy(np.float64)
    edges = np.concatenate([[0.0], starts[(starts > 1.0) & (starts < length - 1.0)], [length]])
    names = [str(name) for name in corners["corner"].to_numpy()[(starts > 1.0) & (starts < length - 1.0)]]
    if len(edges) < 3:
        return []
    times, _ = segment_times(signals.frames, edges)
    rows: list[dict[str, Any]] = []
    for row, k, lost, sigma in lost_times(np.diff(times, axis=1), chance=chance, least=least):
        low, high = float(edges[k]), float(edges[k + 1])
        number = int(signals.trace.numbers[signals.rows[row]])
        if any(cost.row == row and cost.start < high and cost.end > low - BEFORE for cost in costs):
            continue
        where = f"in corner {names[k - 1]} and up to the next" if k else "from the line to the first corner"
        rows.append(
            {
                "lap": number, "kind": "lost time", "start_distance": low, "end_distance": high, "size": lost, "size_uncertainty": sigma, "unit": "s", "time_lost": lost,
                "time_lost_uncertainty": sigma,
                "words": f"{lost:.2f} s lost {where} ({low:.0f} to {high:.0f} m), {lost / sigma:.0f} times the run's own scatter: "
                "a lift too many, traffic or a slide; the lap says nothing of the setup there.",
            }
        )  # fmt: skip
    return rows
