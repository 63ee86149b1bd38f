"""Lines: which laps took the same line, as told from the laps themselves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lines.driven_line import offset_error
from lapkit.analysers.lines.lanes import THIRDS, corners_of, frames_of, offset_of, outward, rows_of
from lapkit.channels import FloatArray
from lapkit.model.frame import attribute

if TYPE_CHECKING:
    from lapkit.model.session import Session

CORNER_LINE_COLUMNS = {
    "lap": "int64", "corner": "object", "direction": "object", "line_offset": "float64",
    "line_offset_uncertainty": "float64", "group": "object",
}  # fmt: skip
"""Column -> dtype of the table of lines, corner by corner."""
LINE_GROUP_COLUMNS = {"lap": "int64", "group": "object", "outward_offset": "float64"}
"""Column -> dtype of the table of groups."""


LEAST = 1.5
"""m. Lines nearer together than this are one line (chosen: about the width of a car)."""
FEWEST = 2
"""Laps that make a line; a single lap elsewhere is a mistake or traffic, and goes with the nearest line (chosen)."""
SCATTER = 0.3
"""m, one sigma. How far a driver who means to take the same line misses it from lap to lap (chosen); what the laps
themselves show counts for more the more of them there are."""
KNOWN = 0.8
"""Share of a corner that must be known for a lap to have a line there (chosen)."""


def corner_lines(
    laps: Session | pd.DataFrame | Sequence[pd.DataFrame],
    *,
    corner: str | None = None,
    least: float = LEAST,
    fewest: int = FEWEST,
    scatter: float = SCATTER,
) -> pd.DataFrame:
    """Find the line each lap took in each corner, and which laps took the same.

    Parameters
    ----------
    laps : Session, DataFrame or sequence of DataFrame
        A session (its clean complete laps), a lap frame, or several on one track.
    corner : str, optional
        Only this corner.
    least : float
        Lines nearer together than this are one, m.
    fewest : int
        Laps that make a line; fewer go with the nearest.
    scatter : float
        How far a driver misses a line from lap to lap, m (one sigma), before the laps show it.

    Returns
    -------
    DataFrame
        One row a lap and corner: lap, corner, direction, line_offset (mean offset in the corner, m, left positive) and its
        standard uncertainty, group. Two lines are "low" and "high" (the outside of the corner), three have a "middle", more
        are numbered from the inside; where the laps show one line only, it is "1". Empty where too little of the
        corner is known.

    Raises
    ------
    FrameError
        If a lap has no offset, or there is no such corner.

    Notes
    -----
    Laps are joined into clusters by their mean offset (Ward 1963, as in `scipy.cluster.hierarchy`). The largest number of
    lines stands, up to six and a third of the laps, of which all neighbours are at least `least` apart, and 4.5 (1 + 2.5 / f)
    times the scatter within the lines, where f is laps less lines; a tenth of the natural logarithm of the number of corners
    looked at is added to that factor, as a share of it. The empty gap between lines is also wider than the scatter. The scatter is that
    of the laps about their lines, joined, as four more laps, with `scatter` and the error of position. Invented laps
    of one line set the factors: evenly spread offsets, cut in two, lie 3.5 times their scatter apart, normal ones 2.7 times.

    References
    ----------
    Ward, J. H. (1963), Journal of the American Statistical Association 58, 236-244.

    Examples
    --------
    >>> def lap(number, offset):
    ...     frame = pd.DataFrame({"offset": offset}, index=pd.Index(np.arange(200.0), name="distance"))
    ...     bend = {"corner": "1", "start_distance": 50.0, "end_distance": 150.0, "direction": "left"}
    ...     frame.attrs.update(lap=number, step=1.0, corners=[bend])
    ...     return frame
    >>> table = corner_lines([lap(1, -4.1), lap(2, 0.2), lap(3, 0.0), lap(4, -3.9)])
    >>> table[["lap", "line_offset", "group"]].round(2).values.tolist()
    [[1, -4.1, 'high'], [2, 0.2, 'low'], [3, 0.0, 'low'], [4, -3.9, 'high']]
    """
    frames = frames_of(laps)
    bends = corners_of(frames, corner=corner)
    error = np.array([offset_error(frame) for frame in frames])
    parts = []
    for bend in bends:
        mean = np.array([_mean_offset(frame, bend) for frame in frames])
        usual = float(np.hypot(scatter, np.median(error)))
        group = _groups(mean, outward(bend), usual, least=least, fewest=fewest, looks=len(bends))
        parts.append(
            pd.DataFrame(
                {
                    "lap": [int(attribute(frame, "lap")) for frame in frames],
                    "corner": str(bend["corner"]),
                    "direction": bend["direction"],
                    "line_offset": mean,
                    "line_offset_uncertainty": np.where(np.isfinite(mean), error, np.nan),
                    "group": group,
                    "order": np.arange(len(frames)),
                }
            )
        )
    out = pd.concat(parts) if parts else pd.DataFrame({name: [] for name in [*CORNER_LINE_COLUMNS, "order"]})
    out = out.sort_values("order", kind="stable", ignore_index=True)
    return out[list(CORNER_LINE_COLUMNS)].astype(CORNER_LINE_COLUMNS)


def line_groups(
    laps: Session | pd.DataFrame | Sequence[pd.DataFrame],
    *,
    corner: str | None = None,
    least: float = LEAST,
    fewest: int = FEWEST,
    scatter: float = SCATTER,
) -> pd.DataFrame:
    """Group laps by the line they took, as found from the data.

    Parameters
    ----------
    laps, corner, least, fewest, scatter
        As for `corner_lines`, which has each corner's lines.

    Returns
    -------
    DataFrame
        One row a lap: lap, group, outward_offset (m, mean of the corners asked for, positive to the outside of the corner).
        The group is "high", "low", ... where the lap took that line in every corner that shows more than one;
        else it says each, as "high in 1, low in 2". One line only: "1". Empty where a corner that shows more than one
        is not known of the lap. ``attrs["how"]`` says what was found.

    Raises
    ------
    FrameError
        If a lap has no offset, or there is no such corner.

    Examples
    --------
    >>> def lap(number, offset):
    ...     frame = pd.DataFrame({"offset": offset}, index=pd.Index(np.arange(200.0), name="distance"))
    ...     bend = {"corner": "1", "start_distance": 50.0, "end_distance": 150.0, "direction": "left"}
    ...     frame.attrs.update(lap=number, step=1.0, corners=[bend])
    ...     return frame
    >>> table = line_groups([lap(1, -4.1), lap(2, 0.2), lap(3, 0.0), lap(4, -3.9)])
    >>> table["group"].tolist(), table.attrs["how"]
    (['high', 'low', 'low', 'high'], 'corner 1: 2 lines 4.1 m apart')
    """
    frames = frames_of(laps)
    lines = corner_lines(frames, corner=corner, least=least, fewest=fewest, scatter=scatter)
    numbers = [int(attribute(frame, "lap")) for frame in frames]
    corners = list(dict.fromkeys(lines["corner"]))
    side = np.where(lines["direction"] == "right", 1.0, -1.0)
    away = (lines["line_offset"].to_numpy() * side).reshape(len(frames), len(corners))
    group = lines["group"].to_numpy(object).reshape(len(frames), len(corners))
    split = [k for k in range(len(corners)) if len({*group[:, k]} - {""}) > 1]
    known = np.isfinite(away)
    mean = np.where(known, away, 0.0).sum(axis=1) / np.maximum(known.sum(axis=1), 1)
    mean[~known.any(axis=1)] = np.nan
    if split:
        words = [_said(group[row, split], [corners[k] for k in split]) for row in range(len(frames))]
        how = [f"corner {corners[k]}: {_told(group[:, k], away[:, k])}" for k in split]
    elif not frames:
        words, how = [], ["there are no laps"]
    else:  # what no corner shows for sure, all of them together may
        whole = np.where(known.all(axis=1), mean, np.nan)
        usual = float(np.hypot(scatter, np.median([offset_error(frame) for frame in frames])))
        words = _groups(whole, 1.0, usual, least=least, fewest=fewest, looks=len(corners) + 1)
        how = [f"all corners together: {_told(np.array(words, dtype=object), whole)}"]
    out = pd.DataFrame({"lap": numbers, "group": words, "outward_offset": mean})
    out = out[list(LINE_GROUP_COLUMNS)].astype(LINE_GROUP_COLUMNS)
    out.attrs["how"] = "; ".join(how)
    return out


def _said(groups: NDArray[np.object_], corners: list[str]) -> str:
    """The groups of one lap in the corners that show more than one, in words."""
    if "" in groups:
        return ""
    if len({*groups}) == 1:
        return str(groups[0])
    return ", ".join(f"{group} in {corner}" for group, corner in zip(groups, corners, strict=True))


def _told(groups: NDArray[np.object_], away: FloatArray) -> str:
    """How many lines there are, and how far apart."""
    names = sorted({*groups} - {""})
    if len(names) < 2:
        return "one line"
    means = np.sort([away[groups == name].mean() for name in names])
    return f"{len(names)} lines {' and '.join(f'{gap:.1f} m' for gap in np.diff(means))} apart"


def _mean_offset(frame: pd.DataFrame, corner: Mapping[str, Any]) -> float:
    """Mean offset in a corner, NaN where too little of it is known."""
    offset = offset_of(frame, rows_of(frame, corner))
    known = np.isfinite(offset)
    return float(offset[known].mean()) if offset.size and known.mean() >= KNOWN else np.nan


def _groups(offset: FloatArray, side: float, usual: float, *, least: float, fewest: int, looks: int) -> list[str]:
    """Name the line of each lap by its mean offset; `side` is the sign of an offset to the outside.

    `usual` is the scatter to be expected of laps on one line, m; `looks` how many corners are looked at.
    """
    known = np.flatnonzero(np.isfinite(offset))
    out = [""] * len(offset)
    label = _clusters(side * offset[known], usual, least=least, fewest=fewest, looks=looks)
    count = int(label.max(initial=0)) + 1
    names = {1: ["1"], 2: [THIRDS[0], THIRDS[2]], 3: list(THIRDS)}.get(count, [str(k + 1) for k in range(count)])
    for row, k in zip(known.tolist(), label.tolist(), strict=True):
        out[row] = names[k]
    return out


def _clusters(away: FloatArray, usual: float, *, least: float, fewest: int, looks: int = 1) -> NDArray[np.intp]:
    """Number the lines from the lowest, one number a lap; all 0 where one line is all that can be told."""
    count = len(away)
    one = np.zeros(count, dtype=np.intp)
    if count < 2 * fewest or not np.ptp(away) >= least:
        return one
    from scipy.cluster.hierarchy import fcluster, linkage

    tree = linkage(away[:, None], method="ward")
    most = max(2, count // 3)
    for number in range(min(6, count), 1, -1):
        label = fcluster(tree, number, criterion="maxclust")
        lines = sorted((away[label == k] for k in np.unique(label)), key=np.mean)
        lines = [line for line in lines if len(line) >= fewest]
        if not 2 <= len(lines) <= most:
            continue
        spare = sum(len(line) - 1 for line in lines)
        square = sum(float(((line - line.mean()) ** 2).sum()) for line in lines)
        within = np.sqrt((square + 4.0 * usual**2) / (spare + 4.0))
        middle = np.array([line.mean() for line in lines])
        gap = np.array([after.min() - before.max() for before, after in pairwise(lines)])
        apart = max(least, 4.5 * (1.0 + 2.5 / spare) * (1.0 + 0.1 * np.log(looks)) * within)
        if (np.diff(middle) >= apart).all() and (gap >= within).all():
            return np.asarray(np.abs(away[:, None] - middle).argmin(axis=1))
    return one
