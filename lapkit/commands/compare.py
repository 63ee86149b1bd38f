"""Comparing two laps: ``compare``."""

from __future__ import annotations

import argparse

from lapkit.commands.common import Commands, load, print_json, print_notes, working
from lapkit.errors import LapError


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add("compare", compare, "where one lap lost time to another")
    sub.add_argument("--lap", type=int, metavar="N", help="lap to explain (the last clean lap by default)")
    sub.add_argument("--against", type=int, metavar="M", help="lap to compare with (the best clean lap by default)")
    sub.add_argument("--other", metavar="FILE2", help="take the lap to compare with from this recording")
    sub.add_argument("--figure", metavar="OUT.png", help="write the comparison as a picture")


def compare(args: argparse.Namespace) -> None:
    """Say where and why a lap lost time to another."""
    from lapkit.analysers.lap.delta import delta
    from lapkit.analysers.ledger.energy import longitudinal_model, usable_laps
    from lapkit.analysers.ledger.explain import explain
    from lapkit.analysers.oddities.oddities import oddities

    with working([args.file, *([args.other] if args.other else [])]):
        session = load(args, args.file)
        other = load(args, args.other, track=session.track) if args.other is not None else session
        # two recordings: one model of both, so that swapping the files only changes signs
        model = longitudinal_model(session if other is session else [*usable_laps(session), *usable_laps(other)])
        marked = session.marked(oddities(session, model=model))
        other = marked if other is session else other.marked(oddities(other, model=model))
    number = marked.last_clean_number() if args.lap is None else args.lap
    against = args.against if args.against is not None else other.best_number(but=number if other is marked else None)
    if other is marked and number == against:
        raise LapError(f"lap {number} cannot be compared with itself; name another with --against.")
    lap, reference = marked.lap(number), other.lap(against)
    for frame in (lap, reference):
        if not frame.attrs["complete"]:
            raise LapError(
                f"{frame.attrs['source']}: lap {frame.attrs['lap']} does not run from line to line, so it cannot be "
                "compared; choose a complete lap (see 'lapkit laps')."
            )
    table = delta(lap, reference)
    why = explain(lap, reference, model=model)
    assert why.book is not None, "both laps are whole"
    if args.figure:
        from lapkit.charts import save, two_laps

        save(two_laps(lap, reference, title=why.headline), args.figure)
    if args.json:
        told = why.book.to_dict()
        keys = ["segments", "causes", "cells", "carried_in", "total"]
        found = {key: told[key] for key in keys}
        print_json(
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
    print(f"{why!r}\n\n{why.book!r}\n\nPositive is slower.")
    print_notes(session)
    if args.figure:
        print(f"Figure: {args.figure}")
