"""Comparing two laps: ``compare``."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json, print_notes, working
from lapkit.errors import LapError

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add("compare", compare, "where one lap lost time to another")
    sub.add_argument("--lap", type=int, metavar="N", help="lap to explain (the last clean lap by default)")
    sub.add_argument("--against", type=int, metavar="M", help="lap to compare with (the best clean lap by default)")
    sub.add_argument("--other", metavar="FILE2", help="take the lap to compare with from this recording")
    sub.add_argument("--figure", metavar="OUT.png", help="write the comparison as a picture")


def compare(args: argparse.Namespace) -> None:
    """Say where and why a lap lost time to another."""
    from lapkit.analysers.ledger.energy import longitudinal_model, usable_laps
    from lapkit.analysers.ledger.explain import explain

    with working([args.file, *([args.other] if args.other else [])]):
        session = load(args, args.file)
        other = load(args, args.other, track=session.track) if args.other is not None else session
        # two recordings: one model of both, so that swapping the files only changes signs
        model = longitudinal_model(session if other is session else [*usable_laps(session), *usable_laps(other)])
    number = session.last_clean_number() if args.lap is None else args.lap
    against = args.against if args.against is not None else other.best_number(but=number if other is session else None)
    if other is session and number == against:
        raise LapError(f"lap {number} cannot be compared with itself; name another with --against.")
    lap, reference = session.lap(number), other.lap(against)
    for frame in (lap, reference):
        if not frame.attrs["complete"]:
            raise LapError(
                f"{frame.attrs['source']}: lap {frame.attrs['lap']} does not run from line to line, so it cannot be "
                "compared; choose a complete lap (see 'lapkit laps')."
            )
    why = explain(lap, reference, model=model, before=(_before(session, number), _before(other, against)))
    assert why.book is not None, "both laps are whole"
    if args.figure:
        from lapkit.charts import save, two_laps

        save(two_laps(lap, reference, why=why), args.figure)
    if args.json:
        told = why.to_dict()
        book = told["ledger"]
        keys = ["segments", "start_distance", "causes", "cells", "carried_in", "total"]
        found = {key: book[key] for key in keys}
        print_json(
            {
                "lap": number,
                "reference": against,
                "lap_time_difference": lap.attrs["lap_time"] - reference.attrs["lap_time"],
                "uncertainty": float(why.delta["delta_uncertainty"].iloc[-1]),
                **{key: told[key] for key in ("headline", "sentences", "to_try", "caution")},
                "distance": why.delta.index.to_numpy(),
                "delta": why.delta["delta"].to_numpy(),
                "ledger": found if model.ok else {**found, "reason": model.reason},
            }
        )
        return
    print(f"{why!r}\n\n{why.book!r}\n\nPositive is slower.")
    print_notes(session)
    if args.figure:
        print(f"Figure: {args.figure}")


def _before(session: Session, number: int) -> pd.DataFrame | None:
    """The lap driven right before another, if the recording holds it."""
    return session.lap(number - 1) if number - 1 in set(session.laps["lap"]) else None
