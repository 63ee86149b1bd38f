"""The long run: lap time against the age of the tyres: ``run``."""

from __future__ import annotations

import argparse

from lapkit.commands.common import Commands, load_all, print_json, print_remarks, working
from lapkit.commands.spelling import spoken
from lapkit.errors import LapkitError


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add(
        "run", run, "how lap time falls off with the age of the tyres, over one run or several", many=True
    )
    sub.add_argument(
        "--tyre-age",
        metavar="N",
        default="0",
        help="laps already on the tyres as the recording begins, or one for each: 0,12",
    )
    sub.add_argument(
        "--fuel-effect", metavar="TEXT", help="what fuel costs a lap, such as '0.03 s/L', where fuel is logged"
    )
    sub.add_argument("--figure", metavar="OUT.png", help="draw lap time against tyre age")


def run(args: argparse.Namespace) -> None:
    """Say how lap time changes with the age of the tyres."""
    from lapkit.analysers.setups.stint import fall_off, run_table

    with working(args.files):
        sessions = load_all(args)
        table = run_table(sessions, tyre_age=tyre_ages(args.tyre_age, len(sessions)))
        found = fall_off(table, fuel_effect=args.fuel_effect)
    if args.figure:
        from lapkit.charts import fall_off_chart, save

        save(fall_off_chart(found), args.figure)
    if args.json:
        print_json({"files": args.files, **found.to_dict(), "notes": [spoken(note) for note in found.notes]})
        return
    print(spoken(repr(found)))
    print_remarks(args, sessions)
    if args.figure:
        print(f"Figure: {args.figure}")


def tyre_ages(text: str, count: int) -> list[int]:
    """Read ``--tyre-age``: one age for all recordings, or one for each."""
    words = [word.strip() for word in text.split(",")]
    if len(words) not in (1, count) or not all(word.isdecimal() and len(word) < 6 for word in words):
        raise LapkitError(
            f"--tyre-age {text}: give laps as a whole number, or one for each of the {count} recording(s)."
        )
    ages = [int(word) for word in words]
    return ages * count if len(ages) == 1 else ages
