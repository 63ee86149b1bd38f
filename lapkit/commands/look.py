"""Looking at one recording: ``laps``, ``lifts``, ``corners``."""

from __future__ import annotations

import argparse
import sys
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json, print_table, records

if TYPE_CHECKING:
    from lapkit.model.session import Session

LAP_KEYS = ["lap", "lap_time", "lap_time_uncertainty", "complete", "flags", "speed_at_line", "top_speed", "min_speed",
            "path_length"]  # fmt: skip
LIFT_KEYS = ["start_distance", "end_distance", "start_time", "duration", "duration_uncertainty", "min_throttle",
             "full_lift_time", "kind"]  # fmt: skip
CORNER_KEYS = ["corner", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
               "exit_speed", "corner_time"]  # fmt: skip


def register(commands: Commands) -> None:
    """Add the commands."""
    commands.add("laps", laps, "the lap table")
    for name, run, text in (
        ("lifts", show_lifts, "every throttle lift of a lap"),
        ("corners", show_corners, "each corner of a lap"),
    ):
        commands.add(name, run, text).add_argument(
            "--lap", type=int, metavar="N", help="lap number (the best clean lap by default)"
        )


def laps(args: argparse.Namespace) -> None:
    """Print the lap table."""
    session = load(args, args.file)
    if not args.json:
        print(session)
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
    from lapkit.analysers.lifts import lifts
    from lapkit.model.show import plain

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = lifts(session, lap=lap)
    if "note" in table.attrs:
        print(f"lapkit: {plain(table.attrs['note'])}", file=sys.stderr)
    if args.json:
        print_json({"lap": lap, "lifts": records(table, LIFT_KEYS)})
        return
    shown = ["start_distance", "end_distance", "duration", "min_throttle", "full_lift_time", "time_to_lowest", "hold_time",
             "recovery_time", "speed_lost", "brake_used", "kind"]  # fmt: skip
    print_table(
        session, f"Lap {lap}: {len(table)} throttle lift(s), full throttle reads {_full(session)}", table, shown
    )


def _full(session: Session) -> str:
    return "never reached" if session.full_throttle is None else f"{100 * session.full_throttle:.1f} %"


def show_corners(args: argparse.Namespace) -> None:
    """Print the corners of a lap."""
    from lapkit.analysers.corners import corners

    session = load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = corners(session, lap=lap)
    if args.json:
        print_json({"lap": lap, "corners": records(table, CORNER_KEYS)})
        return
    shown = ["corner", "direction", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
             "exit_speed", "corner_time", "radius"]  # fmt: skip
    print_table(session, f"Lap {lap}: {len(table)} corner(s)", table, shown)
