"""Where two setups differ: the lap in corners and straights, each by the fit of the lap, so that they add up to it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from lapkit.analysers.lap.segment_times import segment_times
from lapkit.analysers.setups.fit import DIFFERENCE, SetupFit, Spread, spread_of
from lapkit.analysers.setups.run_curve import RunLaps
from lapkit.analysers.setups.runs import same_line
from lapkit.analysers.statistics.neighbours import allow_for_neighbours
from lapkit.analysers.statistics.regression import weighted_fit
from lapkit.analysers.statistics.two_groups import holm
from lapkit.channels import FloatArray
from lapkit.model.corners import segments_of

if TYPE_CHECKING:
    from lapkit.model.session import Session

LAP = "lap"
PLACE_COLUMNS = ["segment", "a", "b", "difference", "difference_uncertainty", "margin", "p", "significant"]
DRIFT_LAPS = 2.0
"""Laps that a drift of position lasts, for places in different recordings (chosen, as for two lines)."""
LEAST_SIDE = 3


class PlaceTimes(NamedTuple):
    """Times of laps through the corners and straights of a track.

    Attributes
    ----------
    names : list of str
        Such as "straight before corner 1", "corner 1".
    times, uncertainty : ndarray, shape (laps, places)
        s; NaN for laps that were not read, and in holes.
    """

    names: list[str]
    times: FloatArray
    uncertainty: FloatArray


def place_times(sessions: Sequence[Session], laps: RunLaps) -> PlaceTimes:
    """Read how long each usable lap took through each corner and straight.

    Parameters
    ----------
    sessions : sequence of Session
    laps : RunLaps
        Of these, with the column `session`: which of them a lap is from.

    Returns
    -------
    PlaceTimes
        Corners are those of the first recording, the same places for all. The times of a lap add up to its lap time.

    Raises
    ------
    FrameError
        If the recordings are placed on different reference lines.
    """
    segments = segments_of(sessions[0].track.corners, same_line(sessions))
    edges = np.append(segments["start_distance"].to_numpy(np.float64), segments["end_distance"].iloc[-1])
    shape = (len(laps.value), len(segments))
    times, sigma = np.full(shape, np.nan), np.full(shape, np.nan)
    number, source = laps.table["lap"].to_numpy(), laps.table["session"].to_numpy()
    for k, session in enumerate(sessions):
        rows = np.flatnonzero((source == k) & laps.usable)
        if len(rows):
            reached, error = segment_times([session.lap(int(lap)) for lap in number[rows]], edges)
            times[rows], sigma[rows] = np.diff(reached, axis=1), np.hypot(error[:, 1:], error[:, :-1])
    return PlaceTimes(segments["segment"].tolist(), times, sigma)


def lap_row(found: SetupFit, confidence: float) -> pd.DataFrame:
    """Return the row of the whole lap."""
    row = _row(LAP, float(found.fit.coefficients[0]), found.difference, found.spread, confidence)
    table = pd.DataFrame([row], columns=PLACE_COLUMNS)
    table["significant"] = table["difference"].abs() > table["margin"]
    return table


def place_rows(where: PlaceTimes, laps: RunLaps, found: SetupFit, confidence: float) -> tuple[pd.DataFrame, list[str]]:
    """Return the difference in each corner and straight, and what should be known of them.

    Parameters
    ----------
    where : PlaceTimes
    laps : RunLaps
        With the column `setup`: whether a lap is of the second.
    found : SetupFit
        Of the lap.
    confidence : float

    Returns
    -------
    table : DataFrame
        One row a place, in driving order; significant is corrected for their number by Holm's steps.
    notes : list of str

    Notes
    -----
    Every place is fitted by the lap's columns with the lap's weights: what is linear in the times adds up, so the places make up
    the lap's difference to rounding. The price: a lap that is odd in one corner counts as little on the straights, and one that is
    odd in a corner and not over the lap counts there and widens that corner's interval. Fuel that is taken out of the lap time is
    taken out of each place by its share of the lap. A lap with a hole where a place begins is in the lap's row only.
    """
    second, empty = laps.table["setup"].to_numpy(bool), pd.DataFrame(columns=PLACE_COLUMNS)
    known = np.asarray(np.isfinite(where.times).all(axis=1), dtype=np.bool_)
    kept = found.kept & known
    sides = [kept & side for side in (second, ~second)]
    if min(int(side.sum()) for side in sides) < LEAST_SIDE:
        return empty, ["Places are not compared: too few laps are without a hole where a corner begins or ends."]
    weights, run, at = found.fit.weights[known[found.kept]], laps.run[kept], laps.position[kept]
    times = where.times[kept] * (laps.value[kept] / laps.table["lap_time"].to_numpy(np.float64)[kept])[:, None]
    errors = where.uncertainty**2
    drift = DRIFT_LAPS * np.sum([errors[side].mean(axis=0) / side.sum() for side in sides], axis=0)
    given = found.spread.run_scatter if found.run_given else None
    rows: list[tuple[str, float, float, float, float, float, float, bool]] = []
    for name, value, drifting in zip(where.names, times.T, drift, strict=True):
        fit = allow_for_neighbours(found.design[kept], weighted_fit(found.design[kept], value, weights), run, at)
        own = None if given is None else given * fit.scatter / found.fit.scatter  # in proportion to the scatter of laps
        spread = spread_of(found.design[kept], value, run, at, fit, given=own)
        spread = spread._replace(sigma=math.sqrt(spread.sigma**2 + float(drifting)))
        rows.append(_row(name, float(fit.coefficients[0]), float(fit.coefficients[DIFFERENCE]), spread, confidence))
    table = pd.DataFrame(rows, columns=PLACE_COLUMNS)
    table["significant"] = (holm(table["p"]) < 1.0 - confidence) & (table["difference"].abs() > table["margin"])
    left_out = int((found.kept & ~known).sum())
    notes = [
        f"{left_out} lap(s) with a hole where a corner begins or ends are in the lap's row only: the places add up to "
        f"{table['difference'].sum():+.3f} s."
    ] if left_out else []  # fmt: skip
    return table, notes


def _row(
    name: str, base: float, difference: float, spread: Spread, confidence: float
) -> tuple[str, float, float, float, float, float, float, bool]:
    margin = spread.margin(confidence)
    return name, base, base + difference, difference, spread.sigma, margin, spread.p(difference), False
