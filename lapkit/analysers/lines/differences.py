"""What two groups of laps differ by, corner by corner and quantity by quantity, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.lap.table import table_of
from lapkit.analysers.lines.given import LAP
from lapkit.analysers.lines.measures import QUANTITIES, Measures
from lapkit.analysers.statistics.two_groups import Welch, holm, welch
from lapkit.channels import FloatArray
from lapkit.model.frame import attribute

PART_COLUMNS = {"run_part": "object", "from_lap": "int64", "to_lap": "int64", "difference": "float64",
                "difference_uncertainty": "float64", "margin": "float64"}  # fmt: skip
"""Column -> dtype of the table of the run's halves."""
SHARE = "tyre_share"
SHARED_OUT = ("tyre_work", "cornering_load")
"""What the two lines' shares are of: the first of these that is known."""
WITHOUT_POSITION = ("offset", "path_length")
PLACED = ("offset", "path_length", "corner_time", "time_to_next", "start_to_start")
"""What an error of position goes into directly."""
DRIFT_LAPS = 2.0
"""Laps that a drift of position lasts, where one line was driven after the other (chosen, from simulated receivers whose
error is remembered for 20 s, on laps of half a minute)."""


def differences_of(
    corners: Sequence[Mapping[str, Any]],
    both: Measures,
    count: int,
    confidence: float,
    positioned: bool,
    apart: bool,
    parts: tuple[float, float] = (0.0, 0.0),
) -> pd.DataFrame:
    """Return the table of `LineComparison`; the first `count` laps of `both` are those of a.

    `apart` says that one line was driven after the other, so that a drift of position does not average out; `parts` how much
    of the square of each side's error of place all its laps share.
    """
    names, where = list(QUANTITIES), [*(str(c["corner"]) for c in corners), LAP]
    value, sigma = (np.stack([block[name] for name in names], axis=1) for block in (both.value, both.sigma))
    sides = slice(count), slice(count, None)
    if not positioned:
        value[:, [names.index(name) for name in WITHOUT_POSITION]] = np.nan
    plain = welch(*(value[side] for side in sides), confidence=confidence, measured=(sigma[sides[0]], sigma[sides[1]]))
    # what all values share does not scatter
    shared = np.abs(plain.difference) * np.array([[both.scale.get(name, 0.0)] for name in names])
    square = [np.mean(sigma[side] ** 2, axis=0) for side in sides]
    if not positioned:  # nor does a place that slips with the line
        slip = np.hypot(*np.sqrt(square))
        shared = np.hypot(shared, np.where(np.isfinite(slip), slip, 0.0))
    elif apart:  # position drifts slowly: laps of one stint share a part of its error
        laps = count, len(sigma) - count
        drift = np.sqrt(sum(s * (p + (1.0 - p) * DRIFT_LAPS / n) for s, p, n in zip(square, parts, laps, strict=True)))
        rows = [names.index(name) for name in PLACED]
        shared[rows, :-1] = drift[rows, :-1]
    found = _widened(plain, shared)
    p = found.p.copy()
    p[:, :-1] = [holm(row) for row in p[:, :-1]]
    significant = (p < 1.0 - confidence) & (np.abs(found.difference) > found.margin)
    known = [names.index(name) for name in SHARED_OUT]
    k = next((k for k in known if np.isfinite(plain.a[k]).any()), known[-1])
    share = _shares(Welch(*(column[k] for column in plain)))

    def by_corner(column: Any, last: Any) -> Any:
        return np.vstack([column, last]).T.ravel()

    units = QUANTITIES | {SHARE: "1"}
    return pd.DataFrame(
        {
            "corner": pd.Index(np.repeat(np.array(where, dtype=object), len(units)), dtype=object),
            "quantity": list(units) * len(where),
            "unit": list(units.values()) * len(where),
            "a": by_corner(found.a, share.a),
            "b": by_corner(found.b, share.b),
            "difference": by_corner(found.difference, share.difference),
            "difference_uncertainty": by_corner(found.uncertainty, share.uncertainty),
            "margin": by_corner(found.margin, share.margin),
            "significant": by_corner(significant, significant[k]),
        }
    )


def shared_parts(groups: Sequence[Sequence[pd.DataFrame]]) -> tuple[float, float]:
    """How much of the square of each side's error of place is the same in all its laps and not in the other side's."""
    if len({frame.attrs.get("source") for group in groups for frame in group}) == 1:
        return 0.0, 0.0  # it cancels between laps of one recording
    shared, whole = (
        [float(np.mean([(frame.attrs.get(name) or 0.0) ** 2 for frame in group])) for group in groups]
        for name in ("shared_error", "place_error")
    )
    a, b = (s / w if w > 0 else 0.0 for s, w in zip(shared, whole, strict=True))
    return a, b


def _widened(found: Welch, shared: FloatArray) -> Welch:
    """A comparison with an uncertainty that more laps do not lessen added to that of the scatter."""
    ratio = np.where(found.uncertainty > 0, found.margin / np.where(found.uncertainty > 0, found.uncertainty, 1.0), 2.0)
    uncertainty = np.hypot(found.uncertainty, shared)
    return found._replace(uncertainty=uncertainty, margin=np.where(shared > 0, ratio * uncertainty, found.margin))


def _shares(work: Welch) -> Welch:
    """Each side's share of the two, from what each took."""
    total = work.a + work.b
    with np.errstate(divide="ignore", invalid="ignore"):
        return work._replace(
            a=work.a / total, b=work.b / total, difference=work.difference / total, uncertainty=work.uncertainty / total,
            margin=work.margin / total,
        )  # fmt: skip


def parts_of(
    groups: Sequence[Sequence[pd.DataFrame]], lap_times: Sequence[FloatArray], confidence: float
) -> pd.DataFrame:
    """The difference of the lap times in the first and in the second half of the run."""
    rows: list[tuple[Any, ...]] = []
    numbers = [np.array([int(attribute(f, "lap")) for f in group]) for group in groups]
    everything = np.sort(np.concatenate(numbers))
    border = float(np.median(everything))
    if len({frame.attrs.get("source") for group in groups for frame in group}) == 1:
        for part, inside in (("early", [n <= border for n in numbers]), ("late", [n > border for n in numbers])):
            if min(int(i.sum()) for i in inside) < 2:
                continue
            found = welch(*(t[i] for t, i in zip(lap_times, inside, strict=True)), confidence=confidence)
            used = everything[everything <= border] if part == "early" else everything[everything > border]
            rows.append((part, int(used[0]), int(used[-1]), *(float(v) for v in found[2:5])))
    if len(rows) < 2:
        rows = []
    columns = zip(*rows, strict=True)
    return table_of(PART_COLUMNS, dict(zip(PART_COLUMNS, columns, strict=bool(rows))))
