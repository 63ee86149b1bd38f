"""Where the speed that a lap brought over the line was made: on the laps driven right before."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.findings import LEAST, Zone, zones
from lapkit.analysers.ledger.ledger import ledger
from lapkit.analysers.ledger.two_laps import TwoLaps, because, listed, mark_words

Before = tuple[pd.DataFrame | None, pd.DataFrame | None]
"""The laps driven right before a lap and before its reference; None where there is none, or not whole."""

MOST = 0.5
"""Share of the difference of energy at the line that must have arisen in one place for it to be named (chosen, no source)."""


def brought_from(before: Before, model: LongitudinalModel) -> str:
    """Say where the speed brought over the line came from, where that can be told.

    Parameters
    ----------
    before : (DataFrame or None, DataFrame or None)
    model : LongitudinalModel
        The car.

    Returns
    -------
    str
        A sentence: what befell one of the laps before where the difference arose; else what was done differently there.
        "" where no single place explains most of it.
    """
    lap, reference = before
    if lap is None or reference is None:
        return ""
    if not all(frame.attrs.get("complete") for frame in (lap, reference)):
        return ""
    pair = TwoLaps.of(lap, reference)
    book = ledger(lap, reference, model=model)
    zone, share = _source(book.places["energy_difference"].to_numpy(np.float64), book.charged_at, zones(book))
    if zone is None or share < MOST:
        return ""
    befell = [
        f"{name} is marked there, {mark_words(mark)}"
        for side, name in enumerate(pair.names)
        for mark in pair.marks(side)
        if mark["start_distance"] < zone.end and mark["end_distance"] > zone.start
    ]
    lost = float(-np.sign(book.places["energy_difference"].iloc[-1]))  # above zero: the lap came to the line slower
    if not befell and lost * zone.made <= max(zone.noise, LEAST):
        return ""
    why = f": {listed(befell)}" if befell else because(pair.facts(zone), lost)
    where = zone.place.split(" ", 1)[1]  # without its "in" or "on"
    return f"That speed goes back to {where} of the laps before, {pair.names[0]} against {pair.names[1]}{why}."


def _source(energy: np.ndarray, at: np.ndarray, places: Sequence[Zone]) -> tuple[Zone | None, float]:
    """The place where most of the difference of energy at the line arose, and its share of it."""
    known = np.flatnonzero(np.isfinite(energy))
    if not len(known) or energy[known[-1]] == 0.0:
        return None, 0.0
    end = energy[known[-1]]
    share = np.where(np.isfinite(energy), energy / end, 0.0)
    since = at[np.flatnonzero(share <= 0.0)[-1]] if (share <= 0.0).any() else -np.inf  # where it was last nothing
    grown = []
    for zone in places:
        inside = (at >= max(zone.start, since) - 1e-9) & (at < zone.end)
        grown.append(float(np.diff(share[inside][[0, -1]])[0]) if inside.sum() > 1 else 0.0)
    most = int(np.argmax(grown))
    return places[most], grown[most]
