"""The long run: lap time against the age of the tyres: ``run``."""

from __future__ import annotations

import argparse
import sys
import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json
from lapkit.commands.spelling import spoken
from lapkit.errors import LapkitError

if TYPE_CHECKING:
    from lapkit.model.session import Session

QUIET = 2.0
"""s. A command that takes longer says so once (chosen)."""


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


# ------------------------------------------------------------------------------ what `run`, `setup` and `best` share


def load_all(args: argparse.Namespace) -> list[Session]:
    """Load the recordings, all on the track of the first."""
    first = load(args, args.files[0])
    return [first, *(load(args, path, track=first.track) for path in args.files[1:])]


def print_remarks(args: argparse.Namespace, sessions: Sequence[Session]) -> None:
    """Print what was assumed of each recording and left out, with its name, and whose track the others were put on."""
    from lapkit.model.show import plain

    sources = [plain(session.recording.provenance.source) for session in sessions]
    whose = "the track file" if args.track else f"the start/finish line of {sources[0]}"
    for source, session in zip(sources, sessions, strict=True):
        for line in session.remarks():
            word, _, said = spoken(line).partition(": ")
            if session is not sessions[0]:
                said = said.replace("the line of the track (as given)", whose)
            print(f"{word}: {said}" if len(sessions) == 1 else f"{word}, {source}: {said}")


@contextmanager
def working(files: Sequence[str]) -> Iterator[None]:
    """Say once on stderr what is being worked on, should it take longer than `QUIET` seconds."""
    said = f"lapkit: still working on {', '.join(files)}"
    timer = threading.Timer(QUIET, lambda: print(said, file=sys.stderr, flush=True))
    timer.daemon = True
    timer.start()
    try:
        yield
    finally:
        timer.cancel()
