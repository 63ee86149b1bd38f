"""Lanes: how much of each corner was driven in each of them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.lines.driven_line import offset_error
from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.frame import attribute
from lapkit.model.given import CORNER, laps_given, records_given

if TYPE_CHECKING:
    from lapkit.model.session import Session

LANE_SHARE_COLUMNS = {
    "lap": "int64", "corner": "object", "lane": "object", "from_offset": "float64", "to_offset": "float64",
    "lane_share": "float64", "lane_share_uncertainty": "float64", "known_share": "float64",
}  # fmt: skip
"""Column -> dtype of the table of shares."""
OUTSIDE = "outside"
"""Lane of the metres that lie in no lane."""
THIRDS = ("low", "middle", "high")
"""Lanes where none are given, from the inside of the corner to the outside."""

Lanes = pd.DataFrame | Sequence[Mapping[str, Any]] | Mapping[str, tuple[float, float]]
Corner = dict[str, Any]
Laps = Any  # a Session, a lap frame, or a sequence of lap frames


def lane_shares(
    laps: Session | pd.DataFrame | Sequence[pd.DataFrame],
    *,
    lanes: Lanes | None = None,
    corners: pd.DataFrame | Sequence[Mapping[str, Any]] | None = None,
) -> pd.DataFrame:
    """Say what share of each corner each lap spent in each lane.

    Parameters
    ----------
    laps : Session, DataFrame or sequence of DataFrame
        A session (its clean complete laps), a lap frame, or several on one track.
    lanes : mapping, DataFrame or sequence of mappings, optional
        Lane -> (from_offset, to_offset), or lane, from_offset, to_offset and, where a band holds in one corner only, corner
        (m, left positive; the band is [from_offset, to_offset)). By default the track's lanes; else thirds of the track's
        width, where a session knows it; else thirds of the offsets seen in the corner over the laps given. Thirds are named
        low, middle, high: high is the outside of the corner.
    corners : DataFrame or sequence of mappings, optional
        corner, start_distance, end_distance (m), direction; by default those the laps carry.

    Returns
    -------
    DataFrame
        One row a lap, corner and lane: lap, corner, lane, from_offset, to_offset (m; the mean along the corner where the
        band follows the edges), lane_share (0..1 of the corner's metres known; those of a corner add up to 1; a lane "outside"
        holds what lies in no band), lane_share_uncertainty (from the error of position), known_share (0..1 of the corner's
        metres that lie in no hole). Metres are rows of the frame with start_distance <= distance < end_distance.
        ``attrs["how"]`` says what the lanes are.

    Raises
    ------
    FrameError
        If a lap has no offset, as where it has no position, or lanes overlap or have no width.

    Examples
    --------
    >>> place = np.arange(100.0)
    >>> lap = pd.DataFrame({"offset": np.where(place < 75, -2.0, 2.0)}, index=pd.Index(place, name="distance"))
    >>> lap.attrs.update(lap=1, step=1.0, corners=[{"corner": "1", "start_distance": 50, "end_distance": 90}])
    >>> table = lane_shares(lap, lanes={"bottom": (0.0, 4.0), "top": (-4.0, 0.0)})
    >>> table[["lane", "lane_share"]].values.tolist()
    [['bottom', 0.375], ['top', 0.625]]
    """
    frames = frames_of(laps)
    bends = corners_of(frames, corners)
    given = _given(lanes if lanes is not None else frames[0].attrs.get("lanes") if frames else None)
    widths = None
    if given.empty and frames and not isinstance(laps, pd.DataFrame | Sequence):
        widths = [laps.track.along(name, frames[0].index.to_numpy()) for name in ("right_width", "left_width")]
    if not given.empty:
        how = "lanes as given" if lanes is not None else "lanes of the track"
    elif widths is not None and widths[0] is not None and widths[1] is not None:
        how = "thirds of the track's width"
    else:
        widths, how = None, f"thirds of the offsets seen in each corner over {len(frames)} lap(s)"
    rows: list[dict[str, Any]] = []
    for corner in bends:
        cuts = [rows_of(frame, corner) for frame in frames]
        names, low, high = _bands(corner, given, widths, frames, cuts)
        for frame, cut in zip(frames, cuts, strict=True):
            rows += _shares(frame, str(corner["corner"]), cut, names, low, high)
    out = pd.DataFrame(rows) if rows else pd.DataFrame({name: [] for name in LANE_SHARE_COLUMNS})
    out = out.sort_values("lap", kind="stable", ignore_index=True)[list(LANE_SHARE_COLUMNS)].astype(LANE_SHARE_COLUMNS)
    out.attrs["how"] = how
    return out


def frames_of(laps: Laps) -> list[pd.DataFrame]:
    """Return lap frames that have an offset: the clean complete laps of a session, or the frames given.

    Raises
    ------
    FrameError
        If a frame has no offset; the message names the channel that would add it.
    """
    given = laps_given(laps, "laps", none=True)
    frames = given if isinstance(given, list) else given.clean_laps()
    for frame in frames:
        if "offset" not in frame.columns:
            name = f"{frame.attrs.get('source', 'the frame')}: lap {frame.attrs.get('lap', '?')}"
            method = frame.attrs.get("place_method")
            placed = f" (its places are by {method})" if method else ""
            raise FrameError(
                f"{name} has no offset{placed}, so the line it took is not known. Position would add it: channels x and y, or "
                "latitude and longitude; if columns of the file hold them, name them with load(..., columns={'x': '<header>', "
                "'y': '<header>'})."
            )
    return frames


def outward(corner: Mapping[str, Any]) -> float:
    """Return the sign of an offset to the outside of a corner: -1 (right) where it turns left, 1 where it turns right."""
    return 1.0 if corner.get("direction") == "right" else -1.0


def corners_of(
    frames: Sequence[pd.DataFrame],
    given: pd.DataFrame | Sequence[Mapping[str, Any]] | None = None,
    *,
    corner: str | None = None,
) -> list[Corner]:
    """Return the corners asked for, each with corner, start_distance, end_distance and direction ("" where unknown)."""
    if given is None:
        given = attribute(frames[0], "corners") if frames else []
    rows = records_given(given, "corners", CORNER, "the name and metres from the line")
    names = [row.get("direction") for row in rows]
    found = [
        {**{key: row[key] for key in CORNER}, "direction": name if isinstance(name, str) else ""}
        for row, name in zip(rows, names, strict=True)
    ]
    if corner is None:
        return found
    named = [row for row in found if str(row["corner"]) == str(corner)]
    if frames and not named:
        known = ", ".join(str(row["corner"]) for row in found) or "none"
        raise FrameError(f"there is no corner {corner} on this track; it has: {known}.")
    return named


def rows_of(frame: pd.DataFrame, corner: Mapping[str, Any]) -> slice:
    """Return the rows of a corner, half-open."""
    edges = [float(corner["start_distance"]) - 1e-9, float(corner["end_distance"]) - 1e-9]
    return slice(*(int(row) for row in np.searchsorted(frame.index.to_numpy(np.float64), edges)))


def offset_of(frame: pd.DataFrame, cut: slice) -> FloatArray:
    """Return the offset in some rows, m."""
    return frame["offset"].to_numpy(np.float64)[cut]


def _given(lanes: Lanes | None) -> pd.DataFrame:
    """Lanes as a checked table: lane, corner ("" for everywhere), from_offset, to_offset."""
    columns = ["lane", "corner", "from_offset", "to_offset"]
    if isinstance(lanes, Mapping):
        for name, band in lanes.items():
            try:
                _, _ = (float(edge) for edge in band)
            except (TypeError, ValueError) as error:
                raise FrameError(f"lane {name!r}: {band!r} is not a band; give (from, to) in metres.") from error
        lanes = [{"lane": name, "from_offset": low, "to_offset": high} for name, (low, high) in lanes.items()]
    needed = ("lane", "from_offset", "to_offset")
    table = pd.DataFrame(records_given(lanes, "lanes", needed, "m left of the reference line")).reindex(columns=columns)
    table["corner"] = table["corner"].astype(object).where(table["corner"].notna(), "").astype(str)
    for corner, rows in table.groupby("corner"):
        where = f" in corner {corner!s}" if corner else ""
        bands = rows.sort_values("from_offset")
        low, high = (bands[name].to_numpy(np.float64) for name in ("from_offset", "to_offset"))
        if not (low < high).all():
            bad = bands.iloc[int(np.argmin(low < high))]
            raise FrameError(
                f"lane '{bad['lane']}' runs from {bad['from_offset']:g} to {bad['to_offset']:g} m: from_offset is its right-hand "
                "border and must be the smaller one (left is positive)."
            )
        if (low[1:] < high[:-1] - 1e-9).any():
            k = int(np.argmax(low[1:] < high[:-1] - 1e-9))
            raise FrameError(
                f"lanes '{bands['lane'].iloc[k]}' and '{bands['lane'].iloc[k + 1]}' overlap{where}: one ends at {high[k]:g} m, "
                f"the other begins at {low[k + 1]:g} m."
            )
    return table


def _bands(
    corner: Mapping[str, Any],
    given: pd.DataFrame,
    widths: Sequence[FloatArray | None] | None,
    frames: Sequence[pd.DataFrame],
    cuts: Sequence[slice],
) -> tuple[list[str], FloatArray, FloatArray]:
    """Lanes of a corner: their names, and their borders, shape (lanes, rows of the corner or 1)."""
    if not given.empty:
        rows = given[given["corner"] == str(corner["corner"])]
        rows = rows if len(rows) else given[given["corner"] == ""]
        low, high = (rows[name].to_numpy(np.float64)[:, None] for name in ("from_offset", "to_offset"))
        return rows["lane"].astype(str).tolist(), low, high
    share = np.arange(4)[:, None] / 3.0
    if widths is not None and widths[0] is not None and widths[1] is not None:
        right, left = -widths[0][cuts[0]], widths[1][cuts[0]]
        edges = right + share * (left - right)
    else:
        seen = np.concatenate([offset_of(frame, cut) for frame, cut in zip(frames, cuts, strict=True)])
        seen = seen[np.isfinite(seen)]
        if not seen.size:
            return list(THIRDS), np.full((3, 1), np.nan), np.full((3, 1), np.nan)
        low_end, high_end = np.quantile(seen, [0.01, 0.99])  # one stray metre does not move the borders
        edges = low_end + share * (high_end - low_end)
        edges[0], edges[-1] = seen.min(), np.nextafter(seen.max(), np.inf)
    names = list(THIRDS) if outward(corner) > 0 else list(THIRDS[::-1])
    order = [names.index(name) for name in THIRDS]
    return list(THIRDS), edges[:-1][order], edges[1:][order]


def _shares(
    frame: pd.DataFrame, corner: str, cut: slice, names: list[str], low: FloatArray, high: FloatArray
) -> list[dict[str, Any]]:
    """Rows of one lap and corner."""
    offset = offset_of(frame, cut)
    known = np.isfinite(offset)
    count = np.count_nonzero(known)

    def shares(shift: float) -> FloatArray:
        inside = (offset + shift >= low) & (offset + shift < high) & known
        each = inside.sum(axis=1) / count if count else np.full(len(names), np.nan)
        return np.append(each, 1.0 - each.sum())

    error = offset_error(frame)
    moved = np.stack([shares(shift) for shift in (0.0, -error, error)])
    table = []
    for k, name in enumerate([*names, OUTSIDE]):
        if name == OUTSIDE and k == len(names) and not moved[0, k] > 1e-12:
            continue
        ends = (float(np.mean(low[k])), float(np.mean(high[k]))) if k < len(names) else (np.nan, np.nan)
        table.append(
            {
                "lap": int(attribute(frame, "lap")), "corner": corner, "lane": name, "from_offset": ends[0],
                "to_offset": ends[1], "lane_share": moved[0, k],
                "lane_share_uncertainty": np.abs(moved[1:, k] - moved[0, k]).max(),
                "known_share": count / len(offset) if len(offset) else np.nan,
            }
        )  # fmt: skip
    return table
