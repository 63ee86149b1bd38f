"""The line a lap drove: where across the track, how tight, which way, how high."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.inputs import LONGEST, OFFSET_SMOOTHING, QUIET, columns_of, smooth, smoothing_length
from lapkit.channels import FloatArray
from lapkit.model.curvature import MAX_RADIUS, MIN_KNOWN, curvature_of, fill_round
from lapkit.model.given import frame_given
from lapkit.model.noise import white_noise

LINE_COLUMNS = ["offset", "path", "curvature", "radius", "heading", "height", "banking"]
HEADING_SMOOTHING = 15.0
"""m. Over less than this heading follows the curvature, over more it follows position (chosen: as long as the longest
smoothing of curvature)."""
ALTITUDE_DRIFT = 0.05
"""m. Wander of altitude between two places of one corner, seconds apart (chosen)."""
BANKING_UNCERTAINTY = np.radians(0.5)
"""rad. Error of a banking written in a track file or logged: they are given to a degree (chosen)."""
HEIGHT_UNCERTAINTY = 0.1
"""m. Error of a height written in a track file, from one place to another (chosen)."""
NO_CURVATURE = "there is no position, yaw rate or lateral acceleration all round the lap"
LANE = 3.0
"""m. How far off the reference line a car may be that is not placed by position (chosen)."""


def driven_line(frame: pd.DataFrame, *, max_radius: float = MAX_RADIUS) -> pd.DataFrame:
    """Return the line a lap drove, place by place.

    Parameters
    ----------
    frame : DataFrame
        Frame of a whole lap.
    max_radius : float
        Radius above which the line counts as straight, m (the width of the widest corner lapkit looks for).

    Returns
    -------
    DataFrame, shape (n, 7)
        Index `distance`, as in the frame. Columns: offset (m left of the reference line), path (m driven),
        curvature (1/m, left positive), radius (m, positive, infinite on straights), heading (rad, anticlockwise from x,
        counted on past a full turn), height (m, of the surface where the car is, positive up), banking (rad, positive
        where the right side is higher). A column the data do not support is NaN, and so is every row in a hole.
        ``attrs["sources"]`` says of each column where it came from, or why it is empty.

    Raises
    ------
    FrameError
        If the frame is not one of a lap, or has too few rows.

    Notes
    -----
    Heading is the integral of curvature over the metres driven; with position its slow part is the direction in which
    position moves, without it counts from 0 at the first row. Height is measured (z), smoothed as its noise demands, else
    that of the track, height of the reference line less offset times the tangent of the banking. The lap's own path
    is lifted with it: on a banked corner a car further out is higher.

    Examples
    --------
    >>> angle = np.arange(629) / 100
    >>> lap = pd.DataFrame({"x": 100 * np.cos(angle), "y": 100 * np.sin(angle)}, index=np.arange(629.0))
    >>> line = driven_line(lap)
    >>> round(float(line["radius"].iloc[300]), 1), round(float(line["heading"].iloc[100]), 2)
    (100.0, 2.57)
    >>> line.attrs["sources"]["curvature"], bool(line["banking"].isna().all())
    ('position', True)
    """
    curvature, source = curvature_of(frame_given(frame, "driven_line"))
    table, place = columns_of(frame), frame.index.to_numpy(np.float64)
    step, blank = float(place[1] - place[0]), np.full(len(place), np.nan)
    from_track = frame.attrs.get("from_track", ())
    sources = {name: name if name in table else f"there is no {name}" for name in ("offset", "path", "banking")}
    if "banking" in from_track:
        sources["banking"] = "track"
    sources["curvature"] = sources["radius"] = source if source != "none" else NO_CURVATURE
    with np.errstate(divide="ignore", invalid="ignore"):
        radius = np.where(np.abs(curvature) * max_radius > 1.0, 1.0 / np.abs(curvature), np.inf)
    heading, sources["heading"] = _heading(table, curvature, source, step)
    height, _, sources["height"] = height_of(frame)
    out = pd.DataFrame(
        {
            "offset": table.get("offset", blank),
            "path": table.get("path", blank),
            "curvature": curvature,
            "radius": np.where(np.isnan(curvature), np.nan, radius),
            "heading": heading,
            "height": height,
            "banking": table.get("banking", blank),
        },
        index=frame.index.rename("distance"),
    )
    out.attrs = {**frame.attrs, "sources": sources}
    return out


def _heading(table: dict[str, FloatArray], curvature: FloatArray, source: str, step: float) -> tuple[FloatArray, str]:
    """Direction of travel: quick changes from curvature, slow ones from position."""
    if source == "none":
        return curvature, "there is no curvature to follow"
    metres = np.diff(table["path"]) if "path" in table else np.full(len(curvature) - 1, step)
    bend = fill_round(curvature)
    turned = np.append(0.0, np.cumsum(0.5 * (bend[1:] + bend[:-1]) * np.nan_to_num(metres, nan=step)))
    if "x" not in table or "y" not in table or min(np.isfinite(table[name]).mean() for name in "xy") < MIN_KNOWN:
        return np.where(np.isnan(curvature), np.nan, turned), f"{source}, from 0 at the first row"
    # position's own direction jitters by a turn and more where the car crawls: average the unit vectors, not the angles
    way = (np.gradient(table["x"]) + 1j * np.gradient(table["y"])) * np.exp(-1j * turned)
    sigma = HEADING_SMOOTHING / step
    slow = smooth(np.real(way), sigma) + 1j * smooth(np.imag(way), sigma)
    known = np.isfinite(slow)
    angle = np.full(len(slow), np.nan)
    angle[known] = np.unwrap(np.angle(slow[known]))
    return turned + angle, source


def offset_error(frame: pd.DataFrame) -> float:
    """Return what the offset of a lap may be off by, m (one standard uncertainty); 0 where the frame does not say.

    Examples
    --------
    >>> offset_error(pd.DataFrame())
    0.0
    """
    return float(frame.attrs.get("offset_error") or frame.attrs.get("place_error") or 0.0)


def height_of(frame: pd.DataFrame) -> tuple[FloatArray, FloatArray, str]:
    """Height of the surface under the car, as measured, else by the track.

    Parameters
    ----------
    frame : DataFrame
        Lap frame.

    Returns
    -------
    height, uncertainty : ndarray, shape (n,)
        m, positive up, and what it may be off by from one place to another (one standard uncertainty; a level that is wrong
        all round does not count). NaN where it is not known.
    source : str
        Where it came from, or why there is none.

    Examples
    --------
    >>> lap = pd.DataFrame({"banking": 0.2, "offset": [-1.0, -2.0]}, index=[0.0, 1.0])
    >>> height, uncertainty, source = height_of(lap)
    >>> height.round(2).tolist(), source
    ([0.2, 0.41], 'banking and offset, from the reference line')
    """
    table, place = columns_of(frame), frame.index.to_numpy(np.float64)
    step, aside = float(place[1] - place[0]), offset_error(frame)
    z, offset, banking, reference = (table.get(name) for name in ("z", "offset", "banking", "height"))
    if z is not None and np.isfinite(z).mean() >= MIN_KNOWN:
        spacing = step
        if "speed" in table and frame.attrs.get("sample_interval"):
            spacing = max(float(np.nanmedian(table["speed"])) * frame.attrs["sample_interval"], step)
        noise = white_noise(z, stride=round(spacing / step))
        sigma = smoothing_length(noise, spacing, QUIET["z"], LONGEST["z"])
        height = smooth(z, sigma / step)
        left = noise * min(1.0, np.sqrt(spacing / (2.0 * np.sqrt(np.pi) * sigma))) if sigma > 0 else noise
        blurred = (
            smooth(height, sigma / step) - height
        )  # smoothing once more shows what the first time took off a crest
        return height, np.sqrt(left**2 + blurred**2 + ALTITUDE_DRIFT**2), "z"
    if banking is not None and offset is not None:
        across = smooth(offset, OFFSET_SMOOTHING / step) * np.tan(banking)
        unsure = np.hypot(aside * np.tan(banking), BANKING_UNCERTAINTY * offset)
        if reference is not None:
            return reference - across, np.hypot(unsure, HEIGHT_UNCERTAINTY), "track's height, banking and offset"
        return -across, unsure, "banking and offset, from the reference line"
    if reference is not None:
        lane = LANE * np.abs(np.tan(banking)) if banking is not None else 0.0
        return (
            reference,
            np.hypot(lane, np.full(len(place), HEIGHT_UNCERTAINTY)),
            "track's height, on the reference line",
        )
    missing = np.full(len(place), np.nan)
    return missing, missing, "there is no height (z), nor a track that knows its banking and height"
