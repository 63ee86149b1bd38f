"""Comparing two setups: ``setup``."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from lapkit.commands.common import Commands, load_all, print_json, print_remarks, records, working
from lapkit.commands.run import tyre_ages
from lapkit.commands.spelling import spoken
from lapkit.errors import LapkitError

if TYPE_CHECKING:
    from lapkit.analysers.setups.comparison import SetupComparison
    from lapkit.analysers.setups.stint import Crossover, FallOff
    from lapkit.model.session import Session
    from lapkit.model.setup.sheet import Sheet

    Curves = tuple[FallOff, FallOff, Crossover]

SIDES = "AB"


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add(
        "setup", setup, "whether one setup is faster than another, how sure that is, and where", many=True
    )
    sub.add_argument(
        "--order",
        metavar="ABBA",
        help="which setup each file was driven with, A or B a file, the files in the order driven (the runs in a file follow one "
        "another); needed with more than two files",
    )
    sub.add_argument(
        "--sheets", metavar="A.toml,B.toml", help="setup sheets of the two: what differs, and which way it pulls"
    )
    sub.add_argument("--names", metavar="A,B", help="what to call the two (the names of the sheets by default)")
    sub.add_argument(
        "--tyre-age", metavar="N", help="laps already on the tyres as a recording begins, or one for each: 0,12 "
        "(that of the sheets by default, else 0)",
    )  # fmt: skip
    sub.add_argument(
        "--fuel-effect", metavar="TEXT", help="what fuel costs a lap, such as '0.03 s/L', where fuel is logged"
    )
    sub.add_argument(
        "--figure",
        metavar="OUT.png",
        help="draw the laps of both against tyre age, and what differs by corner and straight",
    )


def setup(args: argparse.Namespace) -> None:
    """Say whether one setup is faster than another."""
    from lapkit.analysers.setups.compare import compare_setups

    sides = _sides(args.order, len(args.files))
    sheets = _sheets(args.sheets)
    names = _names(args.names, sheets)
    ages = _ages(args.tyre_age, sides, sheets)
    with working(args.files):
        sessions = load_all(args)
        groups = [[s for s, side in zip(sessions, sides, strict=True) if side == one] for one in SIDES]
        group_ages = [[age for age, side in zip(ages, sides, strict=True) if side == one] for one in SIDES]
        found = compare_setups(
            groups[0], groups[1], names=names, tyre_age=(group_ages[0], group_ages[1]), order=args.order,
            fuel_effect=args.fuel_effect,
        )  # fmt: skip
        curves = _curves(found, groups, group_ages, args.fuel_effect)
    effects = _effects(sheets, sessions[0])
    if args.figure:
        from lapkit.charts import save, setup_differences, setup_picture

        save(setup_picture(found, *curves) if curves else setup_differences(found), args.figure)
    if args.json:
        crossing = curves[2].to_dict() if curves else None
        print_json(
            {
                **found.to_dict(),
                "notes": [spoken(note) for note in found.notes],
                "files": args.files,
                "setups": sides,
                "crossover": crossing,
                "sheets": effects,
            }
        )
        return
    print(spoken(repr(found)))
    if curves:
        print(f"\nOver the run: {curves[2].words}")
    if effects:
        print("\n" + "\n".join(effects["words"][:-1]))  # the last is the caution, which stands above
    print_remarks(args, sessions)
    if args.figure:
        print(f"Figure: {args.figure}")


def _sides(order: str | None, count: int) -> str:
    """A letter a file."""
    if count < 2:
        raise LapkitError(
            "Give the recordings of both setups, each file with one of them: lapkit setup FILE_A FILE_B. A file may hold several "
            "runs; cut one that holds both setups in two where the car stood."
        )
    if order is None:
        if count > 2:
            raise LapkitError(
                f"{count} files: say which setup each was driven with, such as --order {('ABBA' * count)[:count]}."
            )
        return SIDES
    sides = "".join(order.upper().split())
    if len(sides) != count or set(sides) != set(SIDES):
        raise LapkitError(
            f"--order {order}: give a letter, A or B, for each of the {count} files (not for each run in them), both letters at "
            "least once."
        )
    return sides


def _sheets(text: str | None) -> list[Sheet]:
    """The two sheets, or none."""
    if text is None:
        return []
    from lapkit.model.setup.file import read_sheet

    paths = [path.strip() for path in text.split(",")]
    if len(paths) != 2 or not all(paths):
        raise LapkitError(f"--sheets {text}: give two setup sheets, such as --sheets A.toml,B.toml.")
    return [read_sheet(path) for path in paths]


def _names(text: str | None, sheets: Sequence[Sheet]) -> tuple[str, str]:
    """What to call the two setups."""
    if text is not None:
        names = [word.strip() for word in text.split(",")]
        if len(names) != 2 or not all(names) or names[0] == names[1]:
            raise LapkitError(f"--names {text}: give two names, such as --names soft,stiff.")
        return names[0], names[1]
    if sheets and sheets[0].name != sheets[1].name:
        return sheets[0].name, sheets[1].name
    return "A", "B"


def _ages(text: str | None, sides: str, sheets: Sequence[Sheet]) -> list[int]:
    """Laps on the tyres as each recording begins: as given, else as the sheets say, else none."""
    if text is not None:
        return tyre_ages(text, len(sides))
    known = [round(float(sheet.settings.get("tyre_age", 0.0))) for sheet in sheets] or [0, 0]
    return [known[SIDES.index(side)] for side in sides]


def _curves(
    found: SetupComparison, groups: Sequence[list[Session]], ages: Sequence[list[int]], fuel_effect: str | None
) -> Curves | None:
    """Each setup's own curve and where they cross; None where the runs are too short, or have no tyre age in common."""
    from lapkit.analysers.setups.stint import crossover, fall_off, run_table

    tables = [run_table(sessions, tyre_age=age) for sessions, age in zip(groups, ages, strict=True)]
    try:
        a, b = (fall_off(table, fuel_effect=fuel_effect) for table in tables)
        return a, b, crossover(a, b, names=found.names, comparison=found)
    except LapkitError:
        return None


def _effects(sheets: Sequence[Sheet], session: Session) -> dict[str, Any] | None:
    """What differs between the sheets, and which way it usually pulls where all corners turn one way."""
    if not sheets:
        return None
    from lapkit.analysers.setups.effects import CAUTION, PHASES, describe_effects, setup_effects

    turning = {str(corner) for corner in session.track.corners["direction"]}
    if len(turning) == 1:
        table = setup_effects(*sheets, turning=turning.pop())
        rows = records(table, ["quantity", "change", "words", *PHASES])
        return {"changes": rows, "verdict": table.attrs["verdict"], "source": table.attrs["source"],
                "words": describe_effects(table)}  # fmt: skip
    diff = sheets[0].diff(sheets[1])
    said = f"{len(diff)} change(s): {'; '.join(diff['words'])}." if len(diff) else "The two sheets are alike."
    why = (
        "Which way changes usually pull is known for a track that turns one way only; this one turns both ways, or shows no "
        "corner."
    )
    return {"changes": records(diff, ["quantity", "change", "words"]), "words": [said, why, CAUTION]}
