"""The best possible lap of a run: ``best``."""

from __future__ import annotations

import argparse

from lapkit.commands.common import Commands, load, print_json, print_notes


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add("best", best, "the best possible lap: the best of each segment, and what can be joined up")
    sub.add_argument("--figure", metavar="OUT.png", help="draw the joined lap beside the best lap driven")


def best(args: argparse.Namespace) -> None:
    """Print the best possible lap."""
    from lapkit.analysers.ledger.explain import CAUTION
    from lapkit.analysers.lines.best_lap import best_lap

    session = load(args, args.file)
    found = best_lap(session)
    if args.figure:
        from lapkit.charts import save, two_laps

        save(two_laps(found.frame, session.lap(found.lap)), args.figure)
    if args.json:
        print_json(found.to_dict())
        return
    print(f"{found!r}\n\n{CAUTION}")
    print_notes(session)
    if args.figure:
        print(f"Figure: {args.figure}")
