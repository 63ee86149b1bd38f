"""The time ledger: why a lap was slower, place by place and cause by cause, adding up exactly.

With J metres driven per metre of track and p = 1 / v, the lap time is the integral of J p. For two laps

    dt = int [ pbar (J_B - J_A) + Jbar (p_B - p_A) ]

splits into a longer way and lower speed, and lower speed is less kinetic energy: p_B - p_A = -W (E_B - E_A) / Jbar.
The difference of energy D obeys D' = -lam D + g: the car forgets it at the rate lam, and g is what was done differently.
Charging each place u with -g(u) K(u), K(u) = int_u^L W exp(-int_u^s lam) ds, puts the time where it was made rather than
where it was paid. Whatever lam is, the sum is exact; lam only decides who is charged.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.ledger.counted import Counted, counted
from lapkit.analysers.ledger.energy import LongitudinalModel, longitudinal_model
from lapkit.analysers.ledger.pair import Pair
from lapkit.analysers.ledger.split import divide
from lapkit.channels import FloatArray
from lapkit.model.corners import segments_of
from lapkit.model.frame import MAX_LENGTH_DIFFERENCE, attribute
from lapkit.model.show import number

CAUSES = ("longer_way", "throttle", "brake", "cornering", "elevation", "unexplained")
"""Columns of the ledger, in order. Without a model of the car: longer_way and lower_speed."""
THROTTLE_STEP = 0.01
"""Coarsest step throttle is usually written in (common practice, no source), for frames that do not say."""
SIGNIFICANT = 2.0
"""Standard uncertainties a cell must exceed to be told from nothing (about 95 %)."""


@dataclass(frozen=True)
class Ledger:
    """The difference of two lap times, divided. Positive is slower than the reference.

    Attributes
    ----------
    cells : DataFrame, shape (segments, causes)
        Seconds. Index `segment`; columns are the causes that the data can tell. A lap is charged where the time was
        made: a lift that is paid for down the next straight stands at the lift.
    uncertainties : DataFrame, shape (segments, causes)
        One standard uncertainty of each cell, s: sampling, quantisation, place and the coefficients of the model.
    lap_uncertainties : dict of str to float
        The same of a cause over the whole lap, s. Less than its cells' together where an error of place takes from one
        segment what it gives to the next.
    segments : DataFrame
        One row a segment: segment, corner ("" on a straight), part ("entry", "middle", "exit", "straight"),
        start_distance, end_distance (m, half-open), time_lost (s): what the delta gained on it, where it was paid.
    carried_in, carried_in_uncertainty : float
        Seconds that go back to the speed at the line where the lap began; NaN without a model of the car.
    total, total_uncertainty : float
        Difference of the lap times, s. The sum of all cells and `carried_in`, to rounding.
    charged_at, charged : ndarray
        What `places` shows, as arrays.
    missing : dict of str to str
        Cause -> why it has no column.
    model : LongitudinalModel
        The model of the car that was used, or was refused.
    notes : tuple of str
        What else should be known.
    lap, reference : dict
        number ("lap"), "source", "lap_time" and "speed_unit" of the laps.
    frames : (DataFrame, DataFrame)
        The two laps themselves.
    """

    cells: pd.DataFrame
    uncertainties: pd.DataFrame
    lap_uncertainties: dict[str, float]
    segments: pd.DataFrame
    carried_in: float
    carried_in_uncertainty: float
    total: float
    total_uncertainty: float
    charged_at: FloatArray
    charged: FloatArray
    missing: dict[str, str]
    model: LongitudinalModel
    notes: tuple[str, ...]
    lap: dict[str, Any]
    reference: dict[str, Any]
    frames: tuple[pd.DataFrame, pd.DataFrame] = field(repr=False, compare=False)

    @cached_property
    def told(self) -> Counted:
        """The rows as they are shown, drawn and written: a corner counts from where the first of the two laps lifted for it."""
        return counted(self)

    @cached_property
    def places(self) -> pd.DataFrame:
        """Where each cell of the grid begins (index `distance`), and what was charged there.

        A column a cause, s; `made` their sum, `paid` the time lost while driving there, s, and `energy_difference` (J/kg).
        Their sums are those of the ledger: `paid` sums to the total, `made` to the total less `carried_in`.
        """
        place = pd.Index(self.charged_at, name="distance")
        columns = pd.Index([*self.causes, "made", "paid", "energy_difference"], dtype=object)
        return pd.DataFrame(self.charged, place, columns)

    @property
    def causes(self) -> tuple[str, ...]:
        """The columns."""
        return tuple(str(name) for name in self.cells.columns)

    @property
    def significant(self) -> pd.DataFrame:
        """Whether each cell is beyond its noise: larger than two standard uncertainties."""
        return self.cells.abs() > SIGNIFICANT * self.uncertainties

    def by_cause(self) -> pd.DataFrame:
        """Return the sums over the lap: cause, time_lost, time_lost_uncertainty (s); carried_in first."""
        sigma = np.array([self.lap_uncertainties[name] for name in self.causes])
        names, values = [*self.causes], self.cells.sum().to_numpy()
        if np.isfinite(self.carried_in):
            names = ["carried_in", *names]
            values, sigma = np.append(self.carried_in, values), np.append(self.carried_in_uncertainty, sigma)
        return pd.DataFrame({"cause": names, "time_lost": values, "time_lost_uncertainty": sigma})

    def to_dict(self) -> dict[str, Any]:
        """Return the ledger, as told, in plain lists and numbers for JSON; None stands for what is not known."""

        def plain(value: float) -> float | None:
            return float(value) if np.isfinite(value) else None

        rows = self.told
        return {
            "segments": rows.cells.index.tolist(),
            "start_distance": rows.segments["start_distance"].tolist(),
            "causes": list(self.causes),
            "cells": rows.cells.to_numpy().tolist(),
            "uncertainties": rows.uncertainties.to_numpy().tolist(),
            "lap_uncertainties": [self.lap_uncertainties[name] for name in self.causes],
            "carried_in": plain(self.carried_in),
            "carried_in_uncertainty": plain(self.carried_in_uncertainty),
            "total": self.total,
            "total_uncertainty": plain(self.total_uncertainty),
            "missing": dict(self.missing),
            "notes": list(self.notes),
        }

    def _shown(self) -> tuple[list[str], list[list[str]]]:
        told = self.told
        values, sigmas = told.cells.to_numpy(), told.uncertainties.to_numpy()

        def cell(value: float, known: bool) -> str:
            return number(value, 3, signed=True) if known else f"({number(value, 3, signed=True)})"

        heads = ["Segment", *(name.replace("_", " ") for name in self.causes), "all"]
        rows = []
        if np.isfinite(self.carried_in):
            known = abs(self.carried_in) > SIGNIFICANT * self.carried_in_uncertainty
            rows.append(["carried in over the line", *[""] * len(self.causes), cell(self.carried_in, known)])
        for name, row, sigma in zip(told.labels, values, sigmas, strict=True):
            cells = [cell(value, abs(value) > SIGNIFICANT * one) for value, one in zip(row, sigma, strict=True)]
            known = abs(row.sum()) > SIGNIFICANT * float(np.hypot.reduce(sigma))
            rows.append([name, *cells, cell(float(row.sum()), known)])
        whole = [(float(values[:, k].sum()), self.lap_uncertainties[cause]) for k, cause in enumerate(self.causes)]
        whole.append((self.total, self.total_uncertainty))
        rows.append(["whole lap", *(cell(value, abs(value) > SIGNIFICANT * sigma) for value, sigma in whole)])
        return heads, rows

    def _headline(self) -> str:
        return (
            f"Seconds lost by lap {self.lap['lap']} against lap {self.reference['lap']}, where they were made; in brackets: "
            "inside the noise."
        )

    def _remarks(self) -> list[str]:
        missing = []
        for why in dict.fromkeys(self.missing.values()):
            names = [name.replace("_", " ") for name, reason in self.missing.items() if reason == why]
            missing.append(f"No column {', '.join(names)}: {why}.")
        return [*missing, *self.notes]

    def __repr__(self) -> str:
        from lapkit.model.show import text_table

        heads, rows = self._shown()
        return "\n".join(
            [self._headline(), text_table(heads, rows, left=[0]), *(f"Note: {n}" for n in self._remarks())]
        )

    def _repr_html_(self) -> str:
        from html import escape

        from lapkit.model.show import html_table

        heads, rows = self._shown()
        notes = "".join(f"<p style='margin:2px 0'><b>Note:</b> {escape(n)}</p>" for n in self._remarks())
        return f"<p>{escape(self._headline())}</p>{html_table(heads, rows, left=[0], bold=[len(rows) - 1])}{notes}"


def ledger(
    lap: pd.DataFrame,
    reference: pd.DataFrame,
    *,
    model: LongitudinalModel | None = None,
    throttle_step: float | None = None,
    max_length_difference: float = MAX_LENGTH_DIFFERENCE,
) -> Ledger:
    """Divide the difference of two lap times among places and causes, exactly.

    Parameters
    ----------
    lap, reference : DataFrame
        Frames of whole laps with the same grid step, from one recording or two.
    model : LongitudinalModel, optional
        The car, from ``longitudinal_model(session)``. None fits it to the two laps alone, which is less sure.
    throttle_step : float, optional
        Step in which throttle is written, 0..1; by default what the frames say, else `THROTTLE_STEP`. It shapes the
        uncertainty alone.
    max_length_difference : float
        Share by which the track lengths may differ. Where they do, places are compared as fractions of the lap.

    Returns
    -------
    Ledger
        The cells and `carried_in` add up to the difference of the lap times within rounding.
        ``ledger(a, b)`` is ``-ledger(b, a)``, cell by cell, exactly, with the same model.

    Raises
    ------
    FrameError
        If a lap is not whole, a frame lost its attributes, or the grids do not fit together.

    Notes
    -----
    What was done differently is taken at the mean state of the two laps (the average over both orders of exchange), so
    that the split leans to neither: throttle, brake, cornering (the same speed on another curvature), elevation, longer way
    (its own seconds, and the same force over more metres). What is measured and not explained is shown as such: wind, tow,
    contact, a gear, an error of place or of a sensor. Without a model of the car that fits, the exact split into longer way
    and lower speed remains, each where it was paid.

    References
    ----------
    P. Das Gupta, Standardization and Decomposition of Rates, US Bureau of the Census P23-186 (1993): differences of products
    divided without a remainder by averaging over the orders of exchange.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> table = ledger(session.lap(10), session.best(), model=longitudinal_model(session))
    >>> bool(abs(table.cells.to_numpy().sum() + table.carried_in - table.total) < 1e-9)
    True
    """
    swapped = _order(reference) < _order(lap)
    frames = [lap, reference] if swapped else [reference, lap]
    sign = -1.0 if swapped else 1.0
    pair = Pair.of(frames, max_length_difference)
    if model is None:
        model = longitudinal_model(frames)
    segments = corner_parts(_corners(frames, pair.length), pair.length)
    first_cell = np.searchsorted(pair.place[:-1], segments["start_distance"].to_numpy() - 1e-9)
    used = first_cell < len(pair.place) - 1
    if not used.all() or (np.diff(first_cell) <= 0).any():  # a segment shorter than a cell, or lost in a hole
        keep = np.append(np.diff(first_cell) > 0, True) & used
        keep[0] = True
        segments, first_cell = _joined(segments, keep), np.maximum.accumulate(first_cell[keep])
    first_cell[0] = 0
    if throttle_step is None:
        throttle_step = max(float(f.attrs.get("throttle_step", THROTTLE_STEP)) for f in frames)
    split = divide(pair, model, first_cell, throttle_step=throttle_step)
    names = [name for name in CAUSES if name in split.charges] if model.ok else list(split.charges)
    paid = np.diff(pair.time[1]) - np.diff(pair.time[0])
    charges = np.stack([*(split.charges[name] for name in names), paid, split.energy_difference], axis=1)
    charges = np.insert(charges, len(names), charges[:, : len(names)].sum(axis=1), axis=1)
    sums = np.add.reduceat(charges, first_cell, axis=0)
    sigma = np.stack([split.sigma[name] for name in names], axis=1)
    rows = pd.Index(segments["segment"].to_numpy(object), name="segment", dtype=object)
    columns = pd.Index(names, dtype=object)
    segments.insert(len(segments.columns), "time_lost", sign * sums[:, len(names) + 1])
    total = pair.lap_time[1] - pair.lap_time[0]
    return Ledger(
        cells=pd.DataFrame(sign * sums[:, : len(names)], index=rows, columns=columns),
        uncertainties=pd.DataFrame(sigma, index=rows, columns=columns),
        lap_uncertainties={name: split.whole[name] for name in names},
        segments=segments,
        carried_in=sign * split.carried_in,
        carried_in_uncertainty=split.carried_in_sigma,
        total=sign * total,
        total_uncertainty=float(np.hypot(pair.lap_time_sigma[0], pair.lap_time_sigma[1])),
        charged_at=pair.place[:-1],
        charged=sign * charges,
        missing=split.missing,
        model=model,
        notes=tuple(pair.notes + split.notes),
        lap=_said(lap),
        reference=_said(reference),
        frames=(lap, reference),
    )


def _said(frame: pd.DataFrame) -> dict[str, Any]:
    return {name: frame.attrs.get(name) for name in ("lap", "source", "lap_time", "speed_unit")}


def _order(frame: pd.DataFrame) -> tuple[Any, ...]:
    """An order of the two laps that does not depend on which is the reference, so that swapping them is exact."""
    lap_time = attribute(frame, "lap_time")
    return (
        -1.0 if lap_time is None else float(lap_time),
        str(frame.attrs.get("source")),
        int(frame.attrs.get("lap") or 0),
    )


# --------------------------------------------------------------------------- places


def corner_parts(corners: pd.DataFrame | Sequence[Mapping[str, Any]], track_length: float) -> pd.DataFrame:
    """Divide a lap into straights and the entry, middle and exit of each corner.

    The middle of a corner runs from half way to its apex to half way from there to its end.

    Parameters
    ----------
    corners : DataFrame or sequence of mappings
        corner, start_distance, end_distance and, where known, apex_distance (m), in driving order.
    track_length : float
        Length of the lap, m.

    Returns
    -------
    DataFrame
        segment, corner, part, start_distance, end_distance.

    Examples
    --------
    >>> corner = {"corner": "1", "start_distance": 100.0, "apex_distance": 120.0, "end_distance": 180.0}
    >>> corner_parts([corner], 300.0)["segment"].tolist()[1:4]
    ['corner 1 entry', 'corner 1 middle', 'corner 1 exit']
    """
    records = corners.to_dict("records") if isinstance(corners, pd.DataFrame) else list(corners)
    known = [
        (
            str(row["corner"]),
            float(row["start_distance"]),
            float(row.get("apex_distance", np.nan)),
            float(row["end_distance"]),
        )
        for row in records
    ]
    return _parts(tuple(sorted(known, key=lambda row: row[1])), float(track_length)).copy()


@lru_cache(maxsize=16)
def _parts(corners: tuple[tuple[str, float, float, float], ...], length: float) -> pd.DataFrame:
    """The table of `corner_parts`, kept: all pairs of laps of a session ask for the same."""
    names, starts, apexes, ends = zip(*corners, strict=True) if corners else ((), (), (), ())
    whole = segments_of(pd.DataFrame({"corner": names, "start_distance": starts, "end_distance": ends}), length)
    apex_of = dict(zip(names, apexes, strict=True))
    rows: list[tuple[str, str, str, float, float]] = []
    for name, start, end in zip(whole["segment"], whole["start_distance"], whole["end_distance"], strict=True):
        corner = str(name).removeprefix("corner ")
        if corner == name or corner not in apex_of:
            rows.append((str(name), "", "straight", float(start), float(end)))
            continue
        apex = apex_of[corner]
        if not start < apex < end:
            apex = 0.5 * (start + end)
        edges = [start, 0.5 * (start + apex), 0.5 * (apex + end), end]
        rows += [
            (f"{name} {part}", corner, part, float(edges[k]), float(edges[k + 1]))
            for k, part in enumerate(("entry", "middle", "exit"))
        ]
    segment, corner_name, part_name, start_distance, end_distance = zip(*rows, strict=True)
    return pd.DataFrame(
        {
            "segment": pd.Series(segment, dtype=object),
            "corner": pd.Series(corner_name, dtype=object),
            "part": pd.Series(part_name, dtype=object),
            "start_distance": start_distance,
            "end_distance": end_distance,
        }
    )


def _corners(frames: Sequence[pd.DataFrame], length: float) -> list[dict[str, Any]]:
    """The corners the laps carry, with their places on a lap of this length."""
    frame = next((f for f in frames if f.attrs.get("corners")), frames[0])
    ratio = length / float(attribute(frame, "track_length"))
    return [
        {name: value * ratio if name.endswith("_distance") else value for name, value in row.items()}
        for row in frame.attrs.get("corners") or []
    ]


def _joined(segments: pd.DataFrame, keep: NDArray[np.bool_]) -> pd.DataFrame:
    """Join each segment that is not kept to the one before it."""
    group = np.maximum(np.cumsum(keep) - 1, 0)
    out = pd.DataFrame(segments.iloc[np.flatnonzero(keep)]).reset_index(drop=True)
    out["segment"] = segments.groupby(group)["segment"].agg(" + ".join).to_numpy()
    out["end_distance"] = segments.groupby(group)["end_distance"].max().to_numpy()
    return out
