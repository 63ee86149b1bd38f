"""The command line: a thin face over the functions of the library."""

from __future__ import annotations

import argparse
import json
import sys
import warnings
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from lapkit.errors import DataWarning, LapError, LapkitError

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session

LAP_KEYS = ["lap", "lap_time", "lap_time_uncertainty", "complete", "flags", "speed_at_line", "top_speed", "min_speed",
            "path_length"]  # fmt: skip
LIFT_KEYS = ["start_distance", "end_distance", "start_time", "duration", "duration_uncertainty", "min_throttle",
             "full_lift_time", "kind"]  # fmt: skip
CORNER_KEYS = ["corner", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
               "exit_speed", "corner_time"]  # fmt: skip


def main(argv: Sequence[str] | None = None) -> int:
    """Run the command line and return its exit status: 0, or 2 after one line on stderr.

    Parameters
    ----------
    argv : sequence of str, optional
        Arguments; those of the process by default.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")  # a terminal that cannot show a sign still shows the rest
    parser = _parser()
    args = parser.parse_args(_joined(list(sys.argv[1:] if argv is None else argv)))
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", DataWarning)  # they are printed as notes, or listed in the JSON
            args.run(args)
            sys.stdout.flush()
    except LapkitError as error:
        from lapkit.model.show import plain

        print(f"lapkit: {plain(str(error))}", file=sys.stderr)
        return 2
    except BrokenPipeError:  # the reader, such as head, has seen enough
        sys.stdout = None
        return 0
    except OSError as error:
        print(f"lapkit: {error.filename or 'output'}: {error.strerror or error}", file=sys.stderr)
        return 2
    return 0


def _joined(argv: list[str]) -> list[str]:
    """Let a start line begin with a minus sign: join it to its option."""
    out: list[str] = []
    for word in argv:
        if out and out[-1] == "--start-line":
            out[-1] = f"--start-line={word}"
        else:
            out.append(word)
    return out


class _Parser(argparse.ArgumentParser):
    def error(self, message: str) -> Any:
        print(f"{self.prog}: {message} (see {self.prog} --help)", file=sys.stderr)
        raise SystemExit(2)


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(prog="lapkit", description="Where and why a lap was slower, from a CSV recording.")
    commands = parser.add_subparsers(dest="command", required=True, parser_class=_Parser)
    common = _Parser(add_help=False)
    common.add_argument("file", metavar="FILE", help="the recording: any plain CSV")
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
    common.add_argument("--track", metavar="FILE", help="a track file (TOML)")
    common.add_argument("--json", action="store_true", help="print JSON in SI units instead of text")

    def command(name: str, run: Any, text: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, parents=[common], help=text, description=text)
        sub.set_defaults(run=run)
        return sub

    command("laps", _laps, "the lap table")
    for name, run, text in (
        ("lifts", _lifts, "every throttle lift of a lap"),
        ("corners", _corners, "each corner of a lap"),
    ):
        command(name, run, text).add_argument(
            "--lap", type=int, metavar="N", help="lap number (the best clean lap by default)"
        )
    compare = command("compare", _compare, "where one lap lost time to another")
    compare.add_argument("--lap", type=int, metavar="N", help="lap to explain (the last clean lap by default)")
    compare.add_argument("--against", type=int, metavar="M", help="lap to compare with (the best clean lap by default)")
    compare.add_argument("--other", metavar="FILE2", help="take the lap to compare with from this recording")
    compare.add_argument("--figure", metavar="OUT.png", help="write the comparison as a picture")
    return parser


# ------------------------------------------------------------------------- commands


def _load(args: argparse.Namespace, path: str, *, track: Any = None) -> Session:
    from lapkit.importers import load

    columns: Any = args.columns
    if columns is not None and "=" in columns:
        pairs = [pair.partition("=") for pair in columns.split(",")]
        columns = {key.strip(): value.strip() for key, _, value in pairs}
    given = track if track is not None else args.track
    start_line = args.start_line if track is None else None
    return load(path, columns=columns, units=args.speed_units, start_line=start_line, track=given)


def _laps(args: argparse.Namespace) -> None:
    session = _load(args, args.file)
    if not args.json:
        print(session)
        return
    provenance = session.recording.provenance
    rows = _records(session.laps, LAP_KEYS)
    for row in rows:
        row["flags"] = [word for word in row["flags"].split(",") if word]
    _print_json(
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


def _lifts(args: argparse.Namespace) -> None:
    from lapkit.analysers.lifts import lifts
    from lapkit.model.show import plain

    session = _load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = lifts(session, lap=lap)
    if "note" in table.attrs:
        print(f"lapkit: {plain(table.attrs['note'])}", file=sys.stderr)
    if args.json:
        _print_json({"lap": lap, "lifts": _records(table, LIFT_KEYS)})
        return
    shown = ["start_distance", "end_distance", "duration", "min_throttle", "full_lift_time", "time_to_lowest", "hold_time",
             "recovery_time", "speed_lost", "brake_used", "kind"]  # fmt: skip
    _print_table(
        session, f"Lap {lap}: {len(table)} throttle lift(s), full throttle reads {_full(session)}", table, shown
    )


def _full(session: Session) -> str:
    return "never reached" if session.full_throttle is None else f"{100 * session.full_throttle:.1f} %"


def _corners(args: argparse.Namespace) -> None:
    from lapkit.analysers.corners import corners

    session = _load(args, args.file)
    lap = session.best_number() if args.lap is None else args.lap
    session.check(lap)
    table = corners(session, lap=lap)
    if args.json:
        _print_json({"lap": lap, "corners": _records(table, CORNER_KEYS)})
        return
    shown = ["corner", "direction", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
             "exit_speed", "corner_time", "radius"]  # fmt: skip
    _print_table(session, f"Lap {lap}: {len(table)} corner(s)", table, shown)


def _compare(args: argparse.Namespace) -> None:
    from lapkit.analysers.delta import delta
    from lapkit.analysers.energy import longitudinal_model, usable_laps
    from lapkit.analysers.explain import CAUTION, explain, to_try
    from lapkit.analysers.ledger import ledger

    session = _load(args, args.file)
    other = _load(args, args.other, track=session.track) if args.other is not None else session
    number = session.last_clean_number() if args.lap is None else args.lap
    against = args.against if args.against is not None else other.best_number(but=number if other is session else None)
    lap, reference = session.lap(number), other.lap(against)
    for frame in (lap, reference):
        if not frame.attrs["complete"]:
            raise LapError(
                f"{frame.attrs['source']}: lap {frame.attrs['lap']} does not run from line to line, so it cannot be "
                "compared; choose a complete lap (see 'lapkit laps')."
            )
    table = delta(lap, reference)
    if args.figure:
        from lapkit.charts import save, two_laps

        save(two_laps(lap, reference), args.figure)
    # two recordings: one model of both, so that swapping the files only changes signs
    model = longitudinal_model(session if other is session else [*usable_laps(session), *usable_laps(other)])
    book = ledger(lap, reference, model=model)
    if args.json:
        keys = ["segments", "causes", "cells", "carried_in", "total"]
        found = {key: book.to_dict()[key] for key in keys}
        _print_json(
            {
                "lap": number,
                "reference": against,
                "lap_time_difference": lap.attrs["lap_time"] - reference.attrs["lap_time"],
                "uncertainty": float(table["delta_uncertainty"].iloc[-1]),
                "distance": table.index.to_numpy(),
                "delta": table["delta"].to_numpy(),
                "ledger": found if model.ok else {**found, "reason": model.reason},
            }
        )
        return
    print(" ".join(explain(lap, reference, model=model)))
    if advice := to_try(lap, reference, model=model):
        print(advice)
    print(f"\n{book!r}\n\nPositive is slower; ± is two standard uncertainties (about 95 %). {CAUTION}")
    _print_notes(session)
    if args.figure:
        print(f"Figure: {args.figure}")


# --------------------------------------------------------------------------- output


def _records(table: pd.DataFrame, keys: list[str]) -> list[dict[str, Any]]:
    return [{key: row[key] for key in keys} for row in table.to_dict("records")]


def _plain(value: Any) -> Any:
    """Turn a value into what JSON can say; a missing number becomes null."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(item) for item in (value.tolist() if isinstance(value, np.ndarray) else value)]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value


def _print_json(content: dict[str, Any]) -> None:
    print(json.dumps(_plain(content), indent=1, ensure_ascii=False, allow_nan=False))


def _text(table: pd.DataFrame) -> str:
    from lapkit.model.show import text_table

    return text_table(
        [str(c) for c in table.columns], table.to_numpy().tolist(), left=[0] if "segment" in table else []
    )


def _print_table(session: Session, title: str, table: pd.DataFrame, columns: list[str]) -> None:
    from lapkit.model.show import plain, readable

    print(plain(f"{session.recording.provenance.source}. {title}."))
    print(_text(readable(table, speed_unit=session.speed_unit, columns=columns)))
    _print_notes(session)


def _print_notes(session: Session) -> None:
    for line in session.remarks():
        print(line)


if __name__ == "__main__":
    raise SystemExit(main())
