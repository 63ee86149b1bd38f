"""Looking at one recording: ``laps``, ``lifts``, ``brakings``, ``corners``."""

from __future__ import annotations

import argparse
import sys
from math import inf
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json, print_table, records

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


def register(commands: Commands) -> None:
    """Add the commands."""
    commands.add("laps", laps, "the lap table")
    for name, run, text in (
        ("lifts", show_lifts, "every throttle lift of a lap"),
        ("brakings", show_brakings, "every braking of a lap"),
        ("corners", show_corners, "each corner of a lap"),
    ):
        commands.add(name, run, text).add_argument(
            "--lap", type=int, metavar="N", help="lap number (the best clean lap by default)"
        )


def laps(args: argparse.Namespace) -> None:
    """Print the lap table."""
    from lapkit.analysers.oddities.oddities import oddities

    session = load(args, args.file)
    if not args.json:
        print(session.marked(oddities(session)))
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
                name: {"column": source.column, "unit": source.unit, "reason": source.reason}
                for name, source in provenance.channels.items()
            },
            "warnings": session.warnings,
        }
    )


def show_lifts(args: argparse.Namespace) -> None:
    """Print the lifts of a lap."""
    from lapkit.analysers.lap.lifts import lifts
    from lapkit.model.show import plain

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = lifts(session, lap=lap)
    if "note" in table.attrs:
        print(f"lapkit: {plain(table.attrs['note'])}", file=sys.stderr)
    if args.json:
        print_json({"lap": lap, "lifts": records(table, [*LIFT_KEYS, *_marker_keys(session, LIFT_EVENTS)])})
        return
    shown = ["start_distance", "end_distance", "duration", "min_throttle", "full_lift_time", "time_to_lowest", "hold_time",
             "recovery_time", "speed_lost", "brake_used", "kind"]  # fmt: skip
    print_table(
        session, f"Lap {lap}: {len(table)} throttle lift(s), full throttle reads {_full(session)}", table, shown,
        beside=_from_markers(session, table, LIFT_EVENTS),
    )  # fmt: skip


def show_brakings(args: argparse.Namespace) -> None:
    """Print the brakings of a lap."""
    from lapkit.analysers.lap.brakings import brakings
    from lapkit.model.show import plain

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = brakings(session, lap=lap)
    if "note" in table.attrs:
        print(f"lapkit: {plain(table.attrs['note'])}", file=sys.stderr)
    if args.json:
        print_json({"lap": lap, "brakings": records(table, [*BRAKING_KEYS, *_marker_keys(session, BRAKING_EVENTS)])})
        return
    hardest = "max_brake" if table["max_brake_pressure"].isna().all() else "max_brake_pressure"
    shown = ["start_distance", "end_distance", "duration", hardest, "start_speed", "end_speed", "speed_lost",
             "mean_deceleration"]  # fmt: skip
    print_table(
        session, f"Lap {lap}: {len(table)} braking(s)", table, shown,
        beside=_from_markers(session, table, BRAKING_EVENTS),
    )  # fmt: skip


def _full(session: Session) -> str:
    return "never reached" if session.full_throttle is None else f"{100 * session.full_throttle:.1f} %"


def show_corners(args: argparse.Namespace) -> None:
    """Print the corners of a lap."""
    from lapkit.analysers.lap.corners import corners

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = corners(session, lap=lap)
    if args.json:
        print_json({"lap": lap, "corners": records(table, [*CORNER_KEYS, *_marker_keys(session, CORNER_EVENTS)])})
        return
    shown = ["corner", "direction", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
             "exit_speed", "corner_time", "radius"]  # fmt: skip
    beside = _from_markers(session, table, CORNER_EVENTS)
    print_table(session, f"Lap {lap}: {len(table)} corner(s)", table, shown, beside=beside)


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
    return {
        head: [describe_place(place, markers, length=length, within=inf) for place in table[f"{event}_distance"]]
        for event, head in events.items()
    }
