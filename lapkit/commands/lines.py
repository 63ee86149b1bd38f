"""Comparing two lines round the track: ``lines``."""

from __future__ import annotations

import argparse
import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load_all, print_json, print_remarks, working
from lapkit.commands.spelling import spoken
from lapkit.errors import LapError

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session

SHOWN = ["corner", "lane", "lane_share"]


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add("lines", lines, "which line is faster, and why: the high line against the low one", many=True)
    for side, which in (("a", "first"), ("b", "second")):
        sub.add_argument(
            f"--{side}",
            metavar="LAPS",
            help=f"laps of the {which} line, as 1-3,7 (of file 2: 2:1-3); found from the data by default",
        )
    sub.add_argument("--names", metavar="A,B", help="what to call the two lines")
    sub.add_argument("--figure", metavar="OUT.png", help="draw the track from above with both lines")


def lines(args: argparse.Namespace) -> None:
    """Say which of two lines is faster where, and what it costs."""
    from lapkit.analysers.ledger.energy import longitudinal_model, usable_laps
    from lapkit.analysers.lines.compare import compare_lines

    with working(args.files):
        sessions = load_all(args)
        names, side_a, side_b, how = _sides(args, sessions)
        usable = [frame for session in sessions for frame in usable_laps(session)]
        found = compare_lines(side_a, side_b, names=names, model=longitudinal_model(usable) if usable else None)
    first = sessions[0]
    if args.figure:
        from lapkit.charts import save, track_map

        save(track_map(side_a, side_b, names=names, comparison=found, track=first.track), args.figure)
    if args.json:
        print_json({**found.to_dict(), "how": how})
        return
    print(how)
    print(spoken(str(found)))
    print_remarks(args, sessions)
    if args.figure:
        print(f"Figure: {args.figure}")


def _sides(
    args: argparse.Namespace, sessions: Sequence[Session]
) -> tuple[tuple[str, str], list[pd.DataFrame], list[pd.DataFrame], str]:
    """Names and laps of the two lines, and in a sentence how they were found."""
    from lapkit.model.show import counted

    named = tuple(word.strip() for word in args.names.split(",")) if args.names else None
    if named is not None and (len(named) != 2 or not all(named) or named[0] == named[1]):
        raise LapError(f"--names {args.names}: give two names, such as --names high,low.")
    if (args.a is None) != (args.b is None):
        raise LapError("Give the laps of both lines, --a and --b, or of neither: then they are found from the data.")
    if args.a is not None:
        side_a, side_b = _frames(args, sessions)
        return _pair(named or ("a", "b")), side_a, side_b, f"Laps as given: {args.a} against {args.b}."
    from lapkit.analysers.lines.line_groups import line_groups
    from lapkit.model.lap_sheet import left_out

    frames = [frame for session in sessions for frame in session.clean_laps()]
    source = sessions[0].recording.provenance.source
    if len(frames) < 2:
        raise LapError(
            f"{source}: two lines cannot be told apart with {counted(len(frames), 'clean lap')}; name the laps of each with "
            "--a 1-3 --b 4-6."
        )
    table = line_groups(frames)
    groups = table["group"].to_numpy()
    seen = [name for name in dict.fromkeys(groups) if name]
    ends = [name for name in ("high", "low") if name in seen]
    if len(ends) < 2:
        found = table.attrs.get("how", "")
        raise LapError(
            f"{source}: no two lines are to be told apart over whole laps ({found}); "
            "name the laps of each with --a 1-3 --b 4-6."
        )
    side_a, side_b = ([f for f, g in zip(frames, groups, strict=True) if g == end] for end in ends)
    return (
        _pair(named or ("high", "low")),
        side_a,
        side_b,
        " ".join([f"Lines found from the data: {table.attrs['how']}.", *left_out(sessions)]),
    )


def _pair(names: Sequence[str]) -> tuple[str, str]:
    return names[0], names[1]


def _laps(text: str, files: Sequence[str], sessions: Sequence[Session]) -> list[tuple[int, int]]:
    """File, from 0, and lap of laps named as ``1-3,7`` or, of the second file, ``2:1-3``."""
    from lapkit.model.show import counted

    out: list[tuple[int, int]] = []
    for part in text.split(","):
        where, _, span = part.strip().rpartition(":")
        first, dash, last = span.partition("-")
        words = [where or "1", first, last if dash else first]
        if not all(word.strip().isdecimal() for word in words):
            raise LapError(f"'{part.strip()}' is not a lap: write laps as 1-3,7 or, of the second file, 2:1-3.")
        file, low, high = (int(word) for word in words)
        if not 1 <= file <= len(files):
            given = "one file was given" if len(files) == 1 else f"{len(files)} files were given"
            raise LapError(f"'{part.strip()}' is a lap of file {file}, and {given}.")
        if high < low:
            raise LapError(f"'{part.strip()}' runs backwards: write the lower lap first, as {high}-{low}.")
        if high - low > len(sessions[file - 1].laps):
            raise LapError(f"'{part.strip()}': the recording has {counted(len(sessions[file - 1].laps), 'lap')}.")
        out += [(file - 1, number) for number in range(low, high + 1)]
    return out


def _frames(args: argparse.Namespace, sessions: Sequence[Session]) -> tuple[list[pd.DataFrame], list[pd.DataFrame]]:
    """Laps of both sides as they were named, each lap once."""
    named = [_laps(text, args.files, sessions) for text in (args.a, args.b)]
    once: set[tuple[str, int]] = set()
    for file, number in named[0] + named[1]:
        lap = os.path.realpath(args.files[file]), number
        if lap in once:
            raise LapError(
                f"{args.files[file]}: lap {number} is named twice in --a {args.a} --b {args.b}; give each lap to one line, once."
            )
        once.add(lap)
    side_a, side_b = ([sessions[file].lap(number) for file, number in laps] for laps in named)
    for frame in side_a + side_b:
        if not frame.attrs["complete"]:
            raise LapError(
                f"{frame.attrs['source']}: lap {frame.attrs['lap']} does not run from line to line; choose complete laps."
            )
    return side_a, side_b
