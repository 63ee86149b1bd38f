"""What every command shares: arguments, loading, and the ways of printing."""

from __future__ import annotations

import argparse
import json
import os
import sys
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from textwrap import fill
from typing import TYPE_CHECKING, Any

from lapkit.commands.spelling import spoken
from lapkit.errors import LapkitError

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session


class Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line."""

    def error(self, message: str) -> Any:
        """Print one line and leave with status 2."""
        print(f"{self.prog}: {message} (see {self.prog} --help)", file=sys.stderr)
        raise SystemExit(2)


EXAMPLES = {
    "laps": "lapkit laps run.csv --start-line 131.2,40.7",
    "lifts": "lapkit lifts run.csv --lap 7",
    "brakings": "lapkit brakings run.csv --lap 7",
    "corners": "lapkit corners run.csv --track oval.toml",
    "compare": "lapkit compare run.csv --lap 7 --against 3 --figure why.png",
    "best": "lapkit best run.csv",
    "lines": "lapkit lines run.csv --a 1-3 --b 4-6 --names high,low",
    "track": 'lapkit track run.csv --name Oval --marker "water tower=350" --save oval.toml',
    "gears": "lapkit gears run.csv --rev-limit 8200 --final-drive 4.5 --final-drives 4.4,4.5,4.6",
    "run": "lapkit run long_run.csv --tyre-age 0",
    "setup": "lapkit setup a.csv b.csv --names soft,stiff",
}
"""A line to type for each command."""

UNITS = (
    "Distances are metres from the start/finish line, times seconds, speeds in the unit of the file or of --speed-units. After a "
    "± stands what about 95 % of errors are smaller than. With --json everything is in SI units: m, s, m/s, and shares from 0 to 1."
)

WIDTH = 120
"""Columns of a terminal that a table of events fits into (common practice, no source)."""
QUIET = 2.0
"""s. A command that takes longer says so once (chosen)."""

Run = Callable[[argparse.Namespace], None]


class Commands:
    """The commands, as each module adds its own."""

    def __init__(self, parser: Parser) -> None:
        self._commands = parser.add_subparsers(dest="command", required=True, parser_class=Parser)

    def add(
        self, name: str, run: Run, text: str, *, many: bool = False, words: Mapping[str, str] | None = None
    ) -> argparse.ArgumentParser:
        """Add a command on one recording, or on several, and return its parser for arguments of its own.

        `words` says what the words of its answer mean.
        """
        sub: Parser = self._commands.add_parser(
            name,
            help=text,
            description=f"{text[:1].upper()}{text[1:]}.",
            epilog=_epilog(name, words or {}),
            formatter_class=argparse.RawDescriptionHelpFormatter,
        )
        if many:
            sub.add_argument("files", metavar="FILE", nargs="+", help="recordings: any plain CSV")
        else:
            sub.add_argument("file", metavar="FILE", help="the recording: any plain CSV")
        add_reading(sub)
        sub.set_defaults(run=run)
        return sub


def _epilog(name: str, words: Mapping[str, str]) -> str:
    """What stands below the arguments: an example, what the words mean, the units."""
    width = max(map(len, words), default=0)
    meanings = [
        fill(meaning, 96, initial_indent=f"  {word.ljust(width)}  ", subsequent_indent=" " * (width + 4))
        for word, meaning in words.items()
    ]
    return "\n".join([f"example: {EXAMPLES[name]}\n", *(["words:", *meanings, ""] if words else []), fill(UNITS, 96)])


def add_reading(common: argparse.ArgumentParser) -> None:
    """Add what says how a recording is to be read, and how the answer is printed."""
    common.add_argument(
        "--start-line",
        metavar="LINE",
        help="start/finish line: x,y or x,y,heading or x1,y1,x2,y2 in metres (heading as 64deg or 1.12rad), "
        "or the same in latitude,longitude where the file has those; where none is given, laps says which to give to have the "
        "same again",
    )
    common.add_argument(
        "--columns",
        metavar="MAP",
        help="which column is what: speed=HEADER,time=HEADER, or a TOML file that holds, below a line [columns], lines such as "
        'speed = "HEADER" or throttle = {column = "HEADER", zero = 0.5, full = 4.5}; such a file beside the recording, '
        "of the same name, is read by itself",
    )
    common.add_argument(
        "--speed-units", metavar="UNIT", help="unit of speed where the file names none, and for printing"
    )
    common.add_argument("--track", metavar="FILE", help="a track file (TOML), with its markers, lanes and banking")
    common.add_argument(
        "--all-laps",
        action="store_true",
        help="count laps too that a contact, a tow or a missed shift befell, and look for none",
    )
    common.add_argument("--json", action="store_true", help="print JSON in SI units instead of text")


def check_outputs(args: argparse.Namespace) -> None:
    """Refuse a picture or a file that could not be written, before any work is done for it."""
    for option in ("figure", "save"):
        given = getattr(args, option, None)
        if given is None:
            continue
        path, said = Path(given), f"--{option} {given}"
        if option == "figure":
            from lapkit.charts.style import SUFFIXES

            if path.suffix.lower() not in SUFFIXES:
                raise LapkitError(f"{said}: the ending says the kind of picture; use one of: {', '.join(SUFFIXES)}.")
        if not path.parent.is_dir():
            raise LapkitError(f"{said}: there is no folder '{path.parent}'; make it first, or choose another.")
        if path.is_dir():
            raise LapkitError(f"{said}: that is a folder; give the name of a file in it.")
        if not os.access(path if path.exists() else path.parent, os.W_OK):
            raise LapkitError(f"{said}: it may not be written there; choose another folder.")


def load(args: argparse.Namespace, path: str, *, track: Any = None) -> Session:
    """Load a recording as the arguments say; `track` puts it on the track of another."""
    from lapkit.loading import load

    columns: Any = args.columns
    if columns is not None and "=" in columns:
        pairs = [pair.partition("=") for pair in columns.split(",")]
        columns = {key.strip(): value.strip() for key, _, value in pairs}
    given = track if track is not None else args.track
    start_line = args.start_line if track is None else None
    return load(
        path,
        columns=columns,
        units=args.speed_units,
        start_line=start_line,
        track=given,
        find_oddities=not args.all_laps,
    )


def records(table: pd.DataFrame, keys: list[str]) -> list[dict[str, Any]]:
    """Return some columns of a table, a mapping a row."""
    return [{key: row[key] for key in keys} for row in table.to_dict("records")]


def print_json(content: dict[str, Any]) -> None:
    """Print JSON: SI units, missing numbers null."""
    from lapkit.model.show import jsonable

    print(json.dumps(jsonable(content), indent=1, ensure_ascii=False, allow_nan=False))


def laid_out(table: pd.DataFrame, *, keys: int = 0) -> str:
    """Lay out a table of text for a terminal; one wider than `WIDTH` in several, each with the first `keys` columns."""
    from lapkit.model.show import text_table

    heads, rows = [str(c) for c in table.columns], table.to_numpy().tolist()
    left = [0] if "segment" in table else []
    widths = [max([len(head), *(len(row[k]) for row in rows)]) + 2 for k, head in enumerate(heads)]
    parts: list[list[int]] = [list(range(keys))]
    for k in range(keys, len(heads)):
        full = sum(widths[i] for i in parts[-1]) + widths[k] - 2 > WIDTH
        if keys and full and len(parts[-1]) > keys:
            parts.append(list(range(keys)))
        parts[-1].append(k)
    return "\n\n".join(
        text_table([heads[k] for k in part], [[row[k] for k in part] for row in rows], left=left) for part in parts
    )


def print_table(
    session: Session,
    title: str,
    table: pd.DataFrame,
    columns: list[str],
    *,
    beside: Mapping[str, list[str]] | None = None,
    keys: int = 0,
) -> None:
    """Print a table in the units of the person, with columns of text beside it, and what was assumed.

    `keys` is how many of its first columns tell its rows apart, should it be too wide for one.
    """
    from lapkit.model import show

    print(show.plain(f"{session.recording.provenance.source}. {title}."))
    if len(table):
        text = show.readable(table, speed_unit=session.speed_unit, columns=columns).assign(**(beside or {}))
        print(laid_out(text, keys=keys))
    print_notes(session)


def print_notes(session: Session) -> None:
    """Print what was assumed and left out."""
    for line in session.remarks():
        print(spoken(line))


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
