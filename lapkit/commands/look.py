"""Looking at one recording: ``laps``, ``lifts``, ``brakings``, ``corners``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from math import inf
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json, print_notes, print_table, records, working
from lapkit.commands.spelling import spoken

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session

LAP_KEYS = ["lap", "lap_time", "lap_time_uncertainty", "complete", "flags", "speed_at_line", "top_speed", "min_speed",
            "path_length"]  # fmt: skip
LIFT_KEYS = ["start_distance", "end_distance", "start_time", "duration", "duration_uncertainty", "min_throttle",
             "full_lift_time", "kind"]  # fmt: skip
BRAKING_KEYS = ["start_distance", "end_distance", "start_time", "duration", "duration_uncertainty", "max_brake",
                "max_brake_pressure", "start_speed", "end_speed", "speed_lost", "mean_deceleration"]  # fmt: skip
CORNER_KEYS = ["corner", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
               "exit_speed", "corner_time"]  # fmt: skip

# events whose place is also told from the nearest marker, where the track has markers: event -> (its place, what it is called)
LIFT_EVENTS = {"start": "lift point", "pick_up": "pick-up", "end": "full throttle"}
BRAKING_EVENTS = {"start": "brake on", "end": "brake off"}
CORNER_EVENTS = {"turn_in": "turn-in", "min_speed": "lowest speed"}


MARKED = {
    "(nothing)": "a clean lap; one that only lost time is clean too, and no other",
    "partial": "the recording begins or ends on the way round, so the lap has no time",
    "out": "the same, beginning slow, as on the way out of the pits",
    "in": "the same, ending slow, as on the way into the pits",
    "stop": "the car stood",
    "reset": "the clock or the position jumped",
    "gap": "samples are missing",
    "short, long": "the metres driven differ from the usual lap by more than 5 %: another route",
    "contact": "the car was touched, or touched the wall",
    "tow": "it was pulled along behind another car",
    "missed shift": "the drive was missing too long for a gear change",
    "lost time": "a corner took far longer than usual, and nothing says why",
}
"""What the words beside a lap mean."""
LIFT_WORDS = {
    "time to lowest": "from the start of the lift to its lowest throttle",
    "hold time": "near the lowest throttle",
    "recovery time": "from there to full throttle again; the three together are the duration",
    "full lift time": "what the lift would have lasted with the pedal fully released: half of it for 1 s counts 0.5 s",
    "min throttle": "the lowest the pedal went, in per cent of its travel",
    "speed lost": "speed at the start less the lowest up to the end",
    "kind": "a lift by the foot, or the cut of a gear change (shift cut)",
}
BRAKING_WORDS = {
    "max brake": "the hardest, in per cent; max brake pressure in kPa over the pressure at rest",
    "speed lost": "speed at the start less the lowest up to the end",
    "mean deceleration": "speed lost from start to end by the duration, m/s2",
}
CORNER_WORDS = {
    "start, end": "where the track begins and ceases to turn, the same for every lap",
    "turn-in": "where this lap began to turn, which may lie before the start",
    "lowest speed": "where it was; left out beside a marker where it is not known to "
    "30 m, as where speed hardly changes",
}


def register(commands: Commands) -> None:
    """Add the commands."""
    commands.add("laps", laps, "the lap table: times, speeds, and what marks a lap", words=MARKED)
    for name, run, text, words in (
        ("lifts", show_lifts, "every throttle lift of a lap", LIFT_WORDS),
        ("brakings", show_brakings, "every braking of a lap", BRAKING_WORDS),
        ("corners", show_corners, "each corner of a lap", CORNER_WORDS),
    ):
        commands.add(name, run, text, words=words).add_argument(
            "--lap", type=int, metavar="N", help="lap number (the best clean lap by default)"
        )


def laps(args: argparse.Namespace) -> None:
    """Print the lap table."""
    from lapkit.analysers.oddities.oddities import oddities

    with working([args.file]):
        session = load(args, args.file)
        session = session if args.json else session.marked(oddities(session))
    if not args.json:
        print(spoken(str(session)))
        return
    provenance = session.recording.provenance
    rows = records(session.laps, LAP_KEYS)
    for row in rows:
        row["flags"] = [word for word in row["flags"].split(",") if word]
    print_json(
        {
            "source": provenance.source,
            "track_length": session.track.length,
            "laps": rows,
            "channels": {
                name: {"column": source.column, "unit": source.unit, "reason": spoken(source.reason)}
                for name, source in provenance.channels.items()
            },
            "warnings": [spoken(line) for line in session.warnings],
        }
    )


def show_lifts(args: argparse.Namespace) -> None:
    """Print the lifts of a lap."""
    from lapkit.analysers.lap.lifts import lifts

    def full(session: Session) -> str:
        return f", full throttle reads {100 * session.full_throttle:.1f} %" if session.full_throttle else ""

    shown = ["start_distance", "end_distance", "duration", "min_throttle", "full_lift_time", "time_to_lowest", "hold_time",
             "recovery_time", "speed_lost", "brake_used", "kind"]  # fmt: skip
    _show(args, "lifts", lifts, "throttle lift", LIFT_KEYS, LIFT_EVENTS, shown, also=full)


def show_brakings(args: argparse.Namespace) -> None:
    """Print the brakings of a lap."""
    from lapkit.analysers.lap.brakings import brakings

    shown = ["start_distance", "end_distance", "duration", "max_brake", "max_brake_pressure", "start_speed", "end_speed",
             "speed_lost", "mean_deceleration"]  # fmt: skip
    _show(args, "brakings", brakings, "braking", BRAKING_KEYS, BRAKING_EVENTS, shown)


def show_corners(args: argparse.Namespace) -> None:
    """Print the corners of a lap."""
    from lapkit.analysers.lap.corners import corners

    shown = ["corner", "direction", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
             "exit_speed", "corner_time", "radius"]  # fmt: skip
    _show(args, "corners", corners, "corner", CORNER_KEYS, CORNER_EVENTS, shown)


def _show(
    args: argparse.Namespace,
    name: str,
    analyser: Callable[..., pd.DataFrame],
    thing: str,
    keys: list[str],
    events: dict[str, str],
    shown: list[str],
    *,
    also: Callable[[Session], str] = lambda _: "",
) -> None:
    """Print a table of one lap; columns that the recording cannot fill are left out for people."""
    from lapkit.model.show import counted, plain

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = analyser(session, lap=lap)
    note = spoken(plain(table.attrs.get("note", "")))
    if args.json:
        if note:
            print(f"lapkit: {note}", file=sys.stderr)
        print_json({"lap": lap, name: records(table, [*keys, *_marker_keys(session, events)])})
        return
    if note:
        print(note)
        print_notes(session)
        return
    shown = [column for column in shown if table.empty or not table[column].isna().all()]
    beside = _from_markers(session, table, events)
    print_table(session, f"Lap {lap}: {counted(len(table), thing)}{also(session)}", table, shown, beside=beside)


def _marker_keys(session: Session, events: dict[str, str]) -> list[str]:
    """Columns that say where events lie from the nearest marker; none where the track has no marker."""
    if session.track.markers.empty:
        return []
    return [f"{event}{suffix}" for event in events for suffix in ("_distance", "_marker", "_to_marker")]


def _from_markers(session: Session, table: pd.DataFrame, events: dict[str, str]) -> dict[str, list[str]]:
    """The same in words, a column an event."""
    if session.track.markers.empty:
        return {}
    from lapkit.analysers.lap.markers import describe_place

    markers, length = session.track.markers, session.track.length
    out = {}
    for event, head in events.items():
        places = zip(table[f"{event}_distance"], table[f"{event}_distance_uncertainty"], strict=True)
        out[head] = [
            describe_place(place, markers, length=length, within=inf, uncertainty=spread) or "-"
            for place, spread in places
        ]
    return out
