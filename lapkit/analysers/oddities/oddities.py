"""What befell the car: a touch of the wall, a tow, a missed shift, a corner lost, so that such a lap is not called the car's fault."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.analysers.lap.markers import describe_place
from lapkit.analysers.lap.segment_times import segment_times
from lapkit.analysers.ledger.energy import LongitudinalModel
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
CHANCE = 0.005
"""Share of ordinary laps that may be marked for time lost in a corner, if their times scatter like a normal quantity."""
BEFORE = 50.0
"""m. What happened so far before a corner explains time lost in it (chosen)."""
LEAST_TIME = 0.08
"""s. Less lost in one corner is not worth a mark (chosen)."""


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
        Share of ordinary laps that may be marked for time lost in a corner, and what is worth a mark (s).

    Returns
    -------
    DataFrame
        One row an event, by lap and place: lap, kind, start_distance, end_distance (m from the line), size and
        size_uncertainty in `unit`, time_lost and its uncertainty (s), words. Size is, for a "contact", the speed lost at
        a stroke (m/s); for a "tow" the acceleration gained (m/s2); for a "missed shift" the time without drive (s); for
        "lost time" the time (s). Time lost is that of this lap against the median of all, from the start of the event
        to the start of the next corner, or to the line (negative: gained); its uncertainty is the usual scatter of
        that. Where an effect is carried over the line the next lap has a row too, from the line to its first corner.
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
    against the model of the car and against the other laps at the same place, so that slope and steady wind cancel. What
    cannot be told: a gust along one straight from a tow; a tow that most laps had at the same place (it counts as usual);
    a touch that takes less speed than least_loss; and which of the two was at fault.

    Examples
    --------
    >>> import lapkit
    >>> table = oddities(lapkit.load("sample_data/oval_run.csv"))
    >>> len(table), table.attrs["notes"]
    (0, [])
    """
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
        signals, longest_cut=longest_cut, least_flare=least_flare, missing=missing, known=touches
    )  # fmt: skip
    towed = tows(signals, sigmas=sigmas, least_gain=least_gain, windows=tow_windows, opposite=opposite)
    # a jolt along the car alone may be the drive that went and came back
    touches = [t for t in touches if t.facts["across"] or not any(near(m, t.row, t.start, t.end) for m in missed)]
    found = touches + missed + towed
    rows = [row for event in found for row in _rows_of(session, signals, event)]
    rows += _lost(session, signals, _table(rows, []), chance, least_time)
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


def _table(rows: list[dict[str, object]], notes: list[str]) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=list(ODDITY_COLUMNS)).astype(ODDITY_COLUMNS)
    table = table.sort_values(["lap", "start_distance"], kind="stable").reset_index(drop=True)
    table.attrs["notes"] = list(notes)
    return table


def _corner_starts(session: Session) -> np.ndarray:
    return np.sort(session.track.corners["start_distance"].to_numpy(np.float64))


def _rows_of(session: Session, signals: Signals, event: Event) -> list[dict[str, object]]:
    """The row of an event, and one more for the next lap where its effect is carried over the line."""
    length = float(session.track.length or signals.grid[-1] + signals.grid[1])
    starts = _corner_starts(session)
    ahead = starts[starts > event.end + 1.0]
    begin = float(np.clip(event.start, 0.1, length - 1.0))
    until = float(ahead[0]) if len(ahead) else length
    lost, sigma = _against_usual(signals, event.row, begin, until, length)
    number = int(signals.trace.numbers[signals.rows[event.row]])
    rows: list[dict[str, object]] = [
        {
            "lap": number, "kind": event.kind, "start_distance": event.start, "end_distance": max(event.end, event.start),
            "size": event.size, "size_uncertainty": event.size_uncertainty, "unit": event.unit, "time_lost": lost,
            "time_lost_uncertainty": sigma, "words": _words(session, event),
        }
    ]  # fmt: skip
    following = event.row + 1
    if len(ahead) or following >= len(signals.rows) or signals.rows[following] != signals.rows[event.row] + 1:
        return rows
    until = float(starts[starts > 1.0][0]) if (starts > 1.0).any() else length
    lost, sigma = _against_usual(signals, following, 0.0, until, length)
    if abs(lost) > 2.0 * sigma and (lost < 0) == (event.kind == "tow"):
        said = f"Carried over the line from lap {number}: {abs(lost):.2f} s {'gained' if lost < 0 else 'lost'} up to {until:.0f} m."
        rows.append(
            {
                **rows[0], "lap": number + 1, "start_distance": 0.0, "end_distance": until, "time_lost": lost,
                "time_lost_uncertainty": sigma, "words": said,
            }
        )  # fmt: skip
    return rows


def _against_usual(signals: Signals, row: int, begin: float, end: float, length: float) -> tuple[float, float]:
    """Time a lap lost between two places against the median of the others, and the usual scatter of that."""
    edges = np.unique([0.0, begin, min(end, length), length])
    times, _ = segment_times(signals.frames, edges)
    low, high = np.searchsorted(edges, [begin, min(end, length)])
    taken = times[:, high] - times[:, low]
    usual = np.delete(taken, row)
    middle = float(np.median(usual))
    spread = 1.4826 * float(np.median(np.abs(usual - middle))) * np.sqrt(1.0 + 1.57 / len(usual))
    return float(taken[row] - middle), float(spread)


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
            f"as with {min(event.facts['share'], 1.0):.0%} less drag. A gust along the straight would look the same."
        )
    flared = event.facts.get("flare", 0.0)
    why = (
        f"the engine ran {flared:.0%} ahead of the car"
        if flared > 0
        else "or the engine cut out: there is no engine speed to tell"
    )
    return f"A missed shift {_place(session, event.start)}: no drive for {event.size:.2f} s; {why}."


def _lost(
    session: Session, signals: Signals, found: pd.DataFrame, chance: float, least: float
) -> list[dict[str, object]]:
    """Corners that cost far more than the run's own scatter and that nothing found explains."""
    corners = session.track.corners.sort_values("start_distance")
    length = float(session.track.length or signals.grid[-1] + signals.grid[1])
    starts = corners["start_distance"].to_numpy(np.float64)
    edges = np.concatenate([[0.0], starts[(starts > 1.0) & (starts < length - 1.0)], [length]])
    names = [str(name) for name in corners["corner"].to_numpy()[(starts > 1.0) & (starts < length - 1.0)]]
    if len(edges) < 3:
        return []
    times, _ = segment_times(signals.frames, edges)
    rows: list[dict[str, object]] = []
    for row, k, lost, sigma in lost_times(np.diff(times, axis=1), chance=chance, least=least):
        low, high = float(edges[k]), float(edges[k + 1])
        number = int(signals.trace.numbers[signals.rows[row]])
        here = (found["start_distance"] < high) & (found["end_distance"] > low - BEFORE)
        if (here & (found["lap"] == number)).any():
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
