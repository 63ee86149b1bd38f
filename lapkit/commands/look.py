"""Looking at one recording: ``laps``, ``lifts``, ``brakings``, ``corners``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
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

    def title(session: Session, count: int) -> str:
        full = "never reached" if session.full_throttle is None else f"{100 * session.full_throttle:.1f} %"
        return f"{count} throttle lift(s), full throttle reads {full}"

    shown = ["start_distance", "end_distance", "duration", "min_throttle", "full_lift_time", "time_to_lowest", "hold_time",
             "recovery_time", "speed_lost", "brake_used", "kind"]  # fmt: skip
    _show(args, "lifts", lifts, title, LIFT_KEYS, LIFT_EVENTS, shown)


def show_brakings(args: argparse.Namespace) -> None:
    """Print the brakings of a lap."""
    from lapkit.analysers.lap.brakings import brakings

    shown = ["start_distance", "end_distance", "duration", "max_brake", "max_brake_pressure", "start_speed", "end_speed",
             "speed_lost", "mean_deceleration"]  # fmt: skip
    _show(args, "brakings", brakings, lambda _, count: f"{count} braking(s)", BRAKING_KEYS, BRAKING_EVENTS, shown)


def show_corners(args: argparse.Namespace) -> None:
    """Print the corners of a lap."""
    from lapkit.analysers.lap.corners import corners

    shown = ["corner", "direction", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
             "exit_speed", "corner_time", "radius"]  # fmt: skip
    _show(args, "corners", corners, lambda _, count: f"{count} corner(s)", CORNER_KEYS, CORNER_EVENTS, shown)


def _show(
    args: argparse.Namespace,
    name: str,
    analyser: Callable[..., pd.DataFrame],
    title: Callable[[Session, int], str],
    keys: list[str],
    events: dict[str, str],
    shown: list[str],
) -> None:
    """Print a table of one lap; columns that the recording cannot fill are left out for people."""
    from lapkit.model.show import plain

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = analyser(session, lap=lap)
    if "note" in table.attrs:
        print(f"lapkit: {plain(table.attrs['note'])}", file=sys.stderr)
    if args.json:
        print_json({"lap": lap, name: records(table, [*keys, *_marker_keys(session, events)])})
        return
    shown = [column for column in shown if table.empty or not table[column].isna().all()]
    beside = _from_markers(session, table, events)
    print_table(session, f"Lap {lap}: {title(session, len(table))}", table, shown, beside=beside)


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
