"""Gears and the engine round the lap, and what other final drives would do: ``gears``."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING, Any

from lapkit.commands.common import Commands, laid_out, load, print_json, print_notes, records, working
from lapkit.commands.spelling import spoken
from lapkit.errors import LapkitError

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session
    from lapkit.model.setup.sheet import Sheet


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add(
        "gears", gears, "which gear when, how fast the engine turns, and what other final drives would do"
    )
    sub.add_argument("--rev-limit", type=float, metavar="RPM", help="the engine builder's limit, rpm")
    sub.add_argument(
        "--final-drive", type=float, metavar="X", help="final drive in the car, quick-change gears counted in"
    )
    sub.add_argument("--ratios", metavar="A,B,C", help="ratio of each gear in the car, first to top")
    sub.add_argument(
        "--circumference", type=float, metavar="M", help="rolling circumference of the driven tyre, metres"
    )
    sub.add_argument("--final-drives", metavar="A,B,C", help="final drives to try")
    sub.add_argument("--top-gears", metavar="A,B,C", help="top gears to try with each of them")
    sub.add_argument(
        "--restart-speed", type=float, metavar="V", help="road speed a restart begins at, in the unit of the recording"
    )
    sub.add_argument(
        "--sheet", metavar="FILE", help="a setup sheet (TOML) that holds the same; what is given here goes first"
    )
    sub.add_argument(
        "--figure", metavar="OUT.png", help="draw the sweep, or without --final-drives the engine over the lap"
    )


def gears(args: argparse.Namespace) -> None:
    """Say how the engine turns round the lap, and what other final drives would do."""
    from lapkit.analysers.gears.gearing import CAUTION
    from lapkit.analysers.gears.gearing import gears as find_gears
    from lapkit.analysers.gears.words import limit_words, sweep_words
    from lapkit.channels import to_si

    given: dict[str, Any] = {
        "ratios": _numbers("--ratios", args.ratios),
        "final_drive": _positive("--final-drive", args.final_drive),
        "circumference": _positive("--circumference", args.circumference),
        "sheet": _sheet(args.sheet),
    }
    drives, tops = _numbers("--final-drives", args.final_drives), _numbers("--top-gears", args.top_gears)
    limit = _positive("--rev-limit", args.rev_limit)
    limit = _told(given["sheet"], "rev_limit") if limit is None else to_si(limit, "rpm", "angular rate")
    _check(args, given, drives, limit)
    with working([args.file]):
        session = load(args, args.file)
        found = find_gears(session, **given)
        sweep = _sweep(args, session, drives, tops, limit, given)
    if args.figure:
        _draw(args, session, sweep, found, limit)
    if args.json:
        content = {"source": session.recording.provenance.source, "rev_limit": limit, **found.to_dict(), "sweep": None}
        print_json(content if sweep is None else {**content, "sweep": _as_json(sweep)})
        return
    print(spoken(str(found).removesuffix(CAUTION).rstrip("\n")))
    if limit is not None:
        print("\n" + "\n".join(limit_words(found, limit)))
    if sweep is not None:
        from lapkit.analysers.gears.words import sweep_table

        print(
            f"\nLap {sweep.attrs['lap']} driven again at the same pedals (its own engine speeds, no mean), ± about 95 %"
        )
        print(laid_out(sweep_table(sweep, speed_unit=session.speed_unit)))
        if sweep["restart_time"].notna().any():
            print(
                f"Restart: from {args.restart_speed:g} {session.speed_unit} over the longest straight with four usable gears, and "
                "what three of them lose."
            )
        print("\n".join(sweep_words(sweep)))
        for note in sweep.attrs["notes"]:
            if note not in found.notes:
                print(spoken(f"Note: {note}"))
    print(f"\n{CAUTION}")
    print_notes(session)
    if args.figure:
        print(f"Figure: {args.figure}")


def _sweep(
    args: argparse.Namespace, session: Session, drives: list[float] | None, tops: list[float] | None, limit: float | None,
    given: dict[str, Any],
) -> pd.DataFrame | None:  # fmt: skip
    """Other final drives, where some were asked for."""
    if drives is None:
        return None
    from lapkit.analysers.gears.sweep import gear_sweep
    from lapkit.channels import to_si

    restart = _positive("--restart-speed", args.restart_speed)
    begin = None if restart is None else to_si(restart, session.speed_unit, "speed")
    return gear_sweep(session, final_drives=drives, top_gears=tops, rev_limit=limit, restart_speed=begin, **given)


def _draw(args: argparse.Namespace, session: Session, sweep: Any, found: Any, limit: float | None) -> None:
    from lapkit.charts import save
    from lapkit.charts.gears import engine_over_lap, gear_sweep_chart

    if sweep is not None:
        save(gear_sweep_chart(sweep), args.figure)
    else:
        save(engine_over_lap(session.best(), found, rev_limit=limit, speed_unit=session.speed_unit), args.figure)


def _as_json(sweep: pd.DataFrame) -> dict[str, Any]:
    from lapkit.analysers.gears.words import sweep_words

    return {
        "rows": records(sweep, [str(c) for c in sweep.columns]),
        "words": sweep_words(sweep),
        **{key: sweep.attrs[key] for key in ("lap", "rev_limit", "meeting", "shifts", "notes", "caution")},
    }


def _check(args: argparse.Namespace, given: dict[str, Any], drives: list[float] | None, limit: float | None) -> None:
    """Refuse what cannot be answered, in the words of the command line."""
    if drives is None:
        for option in ("top_gears", "restart_speed"):
            if getattr(args, option) is not None:
                raise LapkitError(
                    f"--{option.replace('_', '-')} needs --final-drives, such as --final-drives 4.4,4.5,4.6."
                )
        return
    if limit is None:
        raise LapkitError(
            "--final-drives needs the engine builder's limit: give --rev-limit RPM, or a --sheet that holds rev_limit."
        )
    sheet, ratios = given["sheet"], given["ratios"]
    drive = given["final_drive"] or _told(sheet, "final_drive")
    ratios, round_ = ratios or _told(sheet, "gear_ratios"), given["circumference"] or _told(sheet, "tyre_circumference")
    if drive is None and not (ratios and round_):
        raise LapkitError(
            "--final-drives needs the final drive that is in the car: give --final-drive X, or a --sheet that holds final_drive, or "
            "--ratios with --circumference."
        )
    if args.top_gears is not None and not ratios:
        raise LapkitError(
            "--top-gears needs the gears that are in the car: give --ratios, or a --sheet that holds gear_ratios."
        )


def _numbers(option: str, text: str | None) -> list[float] | None:
    """Numbers from ``a,b,c``, each above zero."""
    if text is None:
        return None
    try:
        values = [float(word) for word in text.split(",")]
    except ValueError:
        values = []
    if not values or not all(0 < value < 1e6 for value in values):
        raise LapkitError(
            f"{option} {text}: expected numbers above zero with commas between, such as {option} 4.4,4.5,4.6."
        )
    return values


def _positive(option: str, value: float | None) -> float | None:
    if value is not None and not 0 < value < 1e6:
        raise LapkitError(f"{option} {value:g}: expected a number above zero.")
    return value


def _sheet(path: str | None) -> Sheet | None:
    if path is None:
        return None
    from lapkit.model.setup.file import read_sheet

    return read_sheet(path)


def _told(sheet: Sheet | None, key: str) -> Any:
    """What a sheet says of a quantity; None where there is no sheet or it does not say."""
    return None if sheet is None else sheet.settings.get(key)
