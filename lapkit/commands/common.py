"""What every command shares: arguments, loading, and the ways of printing."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session


class Parser(argparse.ArgumentParser):
    """A parser whose complaints are one line."""

    def error(self, message: str) -> Any:
        """Print one line and leave with status 2."""
        print(f"{self.prog}: {message} (see {self.prog} --help)", file=sys.stderr)
        raise SystemExit(2)


Run = Callable[[argparse.Namespace], None]


class Commands:
    """The commands, as each module adds its own."""

    def __init__(self, parser: Parser) -> None:
        self._commands = parser.add_subparsers(dest="command", required=True, parser_class=Parser)

    def add(self, name: str, run: Run, text: str, *, many: bool = False) -> argparse.ArgumentParser:
        """Add a command on one recording, or on several, and return its parser for arguments of its own."""
        sub: Parser = self._commands.add_parser(name, help=text, description=text)
        if many:
            sub.add_argument("files", metavar="FILE", nargs="+", help="recordings: any plain CSV")
        else:
            sub.add_argument("file", metavar="FILE", help="the recording: any plain CSV")
        add_reading(sub)
        sub.set_defaults(run=run)
        return sub


def add_reading(common: argparse.ArgumentParser) -> None:
    """Add what says how a recording is to be read, and how the answer is printed."""
    common.add_argument(
        "--start-line",
        metavar="LINE",
        help="start/finish line: x,y or x,y,heading or x1,y1,x2,y2 in metres (heading as 64deg or 1.12rad), "
        "or the same in latitude,longitude where the file has those",
    )
    common.add_argument(
        "--columns", metavar="MAP", help="which column is what: a TOML file, or speed=HEADER,time=HEADER"
    )
    common.add_argument(
        "--speed-units", metavar="UNIT", help="unit of speed where the file names none, and for printing"
    )
    common.add_argument("--track", metavar="FILE", help="a track file (TOML), with its markers, lanes and banking")
    common.add_argument("--json", action="store_true", help="print JSON in SI units instead of text")


def load(args: argparse.Namespace, path: str, *, track: Any = None) -> Session:
    """Load a recording as the arguments say; `track` puts it on the track of another."""
    from lapkit.importers import load

    columns: Any = args.columns
    if columns is not None and "=" in columns:
        pairs = [pair.partition("=") for pair in columns.split(",")]
        columns = {key.strip(): value.strip() for key, _, value in pairs}
    given = track if track is not None else args.track
    start_line = args.start_line if track is None else None
    return load(path, columns=columns, units=args.speed_units, start_line=start_line, track=given)


def records(table: pd.DataFrame, keys: list[str]) -> list[dict[str, Any]]:
    """Return some columns of a table, a mapping a row."""
    return [{key: row[key] for key in keys} for row in table.to_dict("records")]


def print_json(content: dict[str, Any]) -> None:
    """Print JSON: SI units, missing numbers null."""
    from lapkit.model.show import jsonable

    print(json.dumps(jsonable(content), indent=1, ensure_ascii=False, allow_nan=False))


def laid_out(table: pd.DataFrame) -> str:
    """Lay out a table of text for a terminal."""
    from lapkit.model.show import text_table

    return text_table(
        [str(c) for c in table.columns], table.to_numpy().tolist(), left=[0] if "segment" in table else []
    )


def print_table(
    session: Session,
    title: str,
    table: pd.DataFrame,
    columns: list[str],
    *,
    beside: Mapping[str, list[str]] | None = None,
) -> None:
    """Print a table in the units of the person, with columns of text beside it, and what was assumed."""
    from lapkit.model import show

    print(show.plain(f"{session.recording.provenance.source}. {title}."))
    print(laid_out(show.readable(table, speed_unit=session.speed_unit, columns=columns).assign(**(beside or {}))))
    print_notes(session)


def print_notes(session: Session) -> None:
    """Print what was assumed and left out."""
    for line in session.remarks():
        print(line)
