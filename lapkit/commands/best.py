"""The best possible lap of a run: ``best``."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json, print_notes, working

if TYPE_CHECKING:
    import pandas as pd


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add("best", best, "the best possible lap: the best of each segment, and what can be joined up")
    sub.add_argument("--figure", metavar="OUT.png", help="draw the joined lap beside the best lap driven")


def best(args: argparse.Namespace) -> None:
    """Print the best possible lap, without the laps that were helped or spoilt."""
    from lapkit.analysers.ledger.explain import CAUTION
    from lapkit.analysers.lines.best_lap import best_lap

    with working([args.file]):
        session = load(args, args.file)
        found = best_lap(session)
    if args.figure:
        from lapkit.charts import save, two_laps

        pair = [_as_printed(frame) for frame in (found.frame, session.lap(found.lap))]
        save(two_laps(*pair, title=found.headline), args.figure)
    if args.json:
        print_json(found.to_dict())
        return
    print(f"{found!r}\n\n{CAUTION}")
    print_notes(session)
    if args.figure:
        print(f"Figure: {args.figure}")


def _as_printed(frame: pd.DataFrame) -> pd.DataFrame:
    """The lap with its time to the millisecond, so that the difference drawn is that of the times printed."""
    shown = frame.copy(deep=False)
    shown.attrs = {**frame.attrs, "lap_time": round(float(frame.attrs["lap_time"]), 3)}
    return shown
