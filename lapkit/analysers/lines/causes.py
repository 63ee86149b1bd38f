"""Why one group of laps was slower than another: time ledgers of some pairs of laps, averaged corner by corner."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.ledger import Ledger, ledger
from lapkit.analysers.lines.given import LAP, order_of
from lapkit.channels import FloatArray
from lapkit.model.frame import attribute

CAUSE_COLUMNS = ["corner", "cause", "time_lost", "time_lost_uncertainty"]
LEDGER_PAIRS = 8
"""Pairs of laps whose ledgers are averaged; more cost time and add little (chosen)."""


def ledgers_of(groups: Sequence[Sequence[pd.DataFrame]], model: LongitudinalModel, most: int) -> list[Ledger]:
    """Ledgers of b against a, of laps of like rank in lap time."""
    ranked = [sorted(group, key=lambda f: (float(attribute(f, "lap_time")), *order_of(f))) for group in groups]
    count = max(1, min(most, *(len(group) for group in groups)))
    share = np.linspace(0.0, 1.0, count) if count > 1 else np.array([0.5])
    picked = [[group[i] for i in np.round(share * (len(group) - 1)).astype(int)] for group in ranked]
    return [ledger(b, a, model=model) for a, b in zip(*picked, strict=True)]


def causes_of(books: Sequence[Ledger], corners: Sequence[Mapping[str, Any]]) -> pd.DataFrame:
    """Mean of the ledgers, corner by corner with half of the straight on either side, and over the lap."""
    names = list(dict.fromkeys(cause for book in books for cause in book.causes))
    starts, ends = (np.array([float(c[name]) for c in corners]) for name in ("start_distance", "end_distance"))
    cost, variance = np.zeros((2, len(books), len(corners) + 1, len(names)))

    def columns(table: pd.DataFrame) -> FloatArray:
        known = dict(zip(table.columns, table.to_numpy(np.float64).T, strict=True))
        return np.stack([known.get(name, np.zeros(len(table))) for name in names], axis=1)

    for k, book in enumerate(books):
        rows = book.segments[["start_distance", "end_distance"]].to_numpy(np.float64)
        length = float(rows[-1, 1])
        after = np.append(starts[1:], starts[:1] + length) if len(starts) else starts
        border = 0.5 * (ends + after)  # half way down the straight that follows
        low, high = np.append(border[-1:] - length, border[:-1]), border
        at, cells = np.append(book.charged_at, length), columns(book.places)
        sums = np.concatenate([np.zeros((1, len(names))), np.cumsum(cells, axis=0)])
        square = columns(book.uncertainties) ** 2
        for shift in (0.0, length):  # the straight with the line has a part at either end of the lap
            a, b = np.clip(low + shift, 0.0, length), np.clip(high + shift, 0.0, length)
            first, last = np.searchsorted(at, a - 1e-9), np.searchsorted(at, b - 1e-9)
            cost[k, :-1] += sums[last] - sums[first]
            overlap = np.minimum(b[:, None], rows[:, 1]) - np.maximum(a[:, None], rows[:, 0])
            variance[k, :-1] += np.clip(overlap / (rows[:, 1] - rows[:, 0]), 0.0, 1.0) @ square
        cost[k, -1], variance[k, -1] = cells.sum(axis=0), square.sum(axis=0)
    where = np.array([*(str(c["corner"]) for c in corners), LAP], dtype=object)
    mean, sigma = _over_pairs(cost, variance)
    table = pd.DataFrame(
        {
            "corner": pd.Series(np.repeat(where, len(names)), dtype=object),
            "cause": pd.Series(names * len(where), dtype=object),
            "time_lost": mean.ravel(),
            "time_lost_uncertainty": sigma.ravel(),
        }
    )
    if all(math.isfinite(book.carried_in) for book in books):
        mean, sigma = _over_pairs(
            np.array([book.carried_in for book in books]), np.array([book.carried_in_uncertainty**2 for book in books])
        )
        last = pd.DataFrame([(LAP, "carried_in", float(mean), float(sigma))], columns=CAUSE_COLUMNS)
        table = pd.concat([table, last], ignore_index=True)
    return table[CAUSE_COLUMNS]


def _over_pairs(cost: FloatArray, variance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean over pairs of laps, and its uncertainty: their scatter, never less than the ledgers' own."""
    own = variance.mean(axis=0)
    scatter = cost.var(axis=0, ddof=1) if len(cost) > 1 else own
    return np.asarray(cost.mean(axis=0)), np.asarray(np.sqrt(np.maximum(own, scatter) / len(cost)))
