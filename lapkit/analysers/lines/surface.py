"""The surface of the track: its height along the reference line and its banking, from what laps and track file say."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy import usable_laps
from lapkit.analysers.lines.driven_line import BANKING_UNCERTAINTY, HEIGHT_UNCERTAINTY
from lapkit.analysers.lines.surface_sources import (
    DISAGREEMENT,
    Altitude,
    Laps,
    Slope,
    altitude_of,
    apart,
    combined,
    felt_slope,
    read_laps,
    sharp,
)
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import FrameError
from lapkit.model.given import laps_given, said

if TYPE_CHECKING:
    from lapkit.model.session import Session

SOURCES = ("altitude", "track", "lateral acceleration")
SMOOTHING = 10.0
"""m. Standard deviation of the Gaussian the surface is smoothed with along the track (chosen: banking runs in over some
50 m). What this blurs is in the uncertainty."""
ROLL_GRADIENT_UNCERTAINTY = np.radians(1.0) / STANDARD_GRAVITY
"""rad per m/s2. A degree of body roll per g either way: racing cars roll half a degree to two, road cars three and more
(from memory, handbooks of vehicle dynamics)."""
MOUNTING_UNCERTAINTY = np.radians(0.5)
"""rad. How level an accelerometer is fitted across the car (chosen)."""
ALTITUDE_WANDER = 1.0
"""m. How far satellite altitude may wander within a lap, where there are too few laps to see it (from memory)."""
MAX_LAPS = 60


def surface(
    laps: Session | Sequence[pd.DataFrame],
    *,
    sources: Sequence[str] = SOURCES,
    smoothing: float = SMOOTHING,
    roll_gradient: float = 0.0,
    roll_gradient_uncertainty: float = ROLL_GRADIENT_UNCERTAINTY,
    mounting_uncertainty: float = MOUNTING_UNCERTAINTY,
    track_banking_uncertainty: float = BANKING_UNCERTAINTY,
    track_height_uncertainty: float = HEIGHT_UNCERTAINTY,
    altitude_wander: float = ALTITUDE_WANDER,
    max_laps: int = MAX_LAPS,
) -> pd.DataFrame:
    """Return height and banking of the track's surface, place by place.

    Parameters
    ----------
    laps : Session or sequence of DataFrame
        A session, of which the complete laps without a stop, reset or gap are used, or lap frames of one session.
    sources : sequence of str
        Which of "altitude", "track" and "lateral acceleration" to use; give one alone to see what it says by itself.
    smoothing : float
        Standard deviation of the Gaussian that smooths along the track, m.
    roll_gradient : float
        Roll of the body on its springs, away from the turn, per lateral acceleration, rad per m/s2: it looks like less
        banking to an accelerometer. ``np.radians(1.5) / 9.81`` is 1.5 degrees per g.
    roll_gradient_uncertainty : float
        Its standard uncertainty, rad per m/s2.
    mounting_uncertainty : float
        How level the accelerometer is fitted across the car, rad.
    track_banking_uncertainty, track_height_uncertainty : float
        Standard uncertainty of what the track file (or a logged banking) says, rad and m.
    altitude_wander : float
        Drift of altitude within a lap, m; used where fewer than three laps show none.
    max_laps : int
        Laps used at most, spread evenly over the session.

    Returns
    -------
    DataFrame, shape (n, 4)
        Index `distance`. Columns: height (m, of the reference line, counted from the start/finish line, positive up),
        banking (rad, positive where the right side is higher) and their standard uncertainties; NaN where no source says.
        The height of a place `offset` metres left of the line is ``height - offset * tan(banking)``.
        ``attrs["sources"]`` says of height and banking what they come from, ``attrs["notes"]`` what was missing or left out.

    Raises
    ------
    FrameError
        If there is no usable lap, the laps have different grids, or a source is not known.

    Notes
    -----
    Altitude: at each place the laps' altitude is regressed on their offset; the slope is the banking. A level of each
    lap of its own takes up the drift of satellite altitude from lap to lap, and the slope is corrected for the error of
    the offset itself; laps that never part by more than the error of position say nothing of banking.
    Lateral acceleration: an accelerometer fixed to the car reads ``v^2 k cos(b) - (g + z'') sin(b)``, z'' being the rise
    and fall of the surface under the car; banking is solved for, lap by lap. Curvature k is that of position, and the
    yaw rate of a sensor fixed to the same car is v k cos(b); where both are there and agree, both are used. Sensors that
    were corrected to the level plane show no banking, wherever there is some: what shows none is left out, unless it is
    the only source asked for.
    Sources are averaged, weighted by the inverse of their variance.

    Examples
    --------
    >>> import lapkit
    >>> table = surface(lapkit.load("sample_data/oval_run.csv"))
    >>> list(table.columns)
    ['height', 'height_uncertainty', 'banking', 'banking_uncertainty']
    >>> table.attrs["sources"]["height"]
    'altitude'
    """
    if isinstance(sources, str) or not isinstance(sources, Sequence) or not len(sources):
        raise FrameError(f"sources: expected a list of some of {', '.join(SOURCES)}, and got {said(sources)}.")
    unknown = [name for name in sources if not isinstance(name, str) or name not in SOURCES]
    if unknown:
        raise FrameError(
            f"sources: {said(unknown[0])} is not a source of the surface; use some of: {', '.join(SOURCES)}."
        )
    frames = _frames_of(laps, max_laps)
    data, index = read_laps(frames), frames[0].index
    notes: list[str] = []
    nothing = np.full(len(index), np.nan)
    slopes: dict[str, Slope] = {}
    heights: dict[str, tuple[FloatArray, FloatArray]] = {}

    measured = altitude_of(data, smoothing, altitude_wander, notes if "altitude" in sources else [])
    altitude = measured if "altitude" in sources else None
    if altitude is not None and altitude.slope is not None:
        slopes["altitude"] = altitude.slope
    if "track" in sources:
        banking, height = data.get("banking"), data.get("height")
        if banking is not None:
            named = "track" if "banking" in frames[0].attrs.get("from_track", ()) else "logged banking"
            tangent = np.tan(banking.mean(axis=0))
            slopes[named] = Slope(tangent, track_banking_uncertainty * (1.0 + tangent**2))
        if height is not None:
            known = height.mean(axis=0)
            heights["track"] = known - known[0], np.where(index == index[0], 0.0, track_height_uncertainty)
    if "lateral acceleration" in sources:
        known, there = np.zeros(len(index)), np.zeros(len(index))  # a height, and at which offset it is that
        if "track" in heights:
            known = heights["track"][0]
        elif measured is not None:
            known, there = measured.height, measured.offset
        felt = felt_slope(
            data, known, there, smoothing, roll_gradient, roll_gradient_uncertainty, mounting_uncertainty, notes
        )
        nowhere = np.zeros(len(index))
        if felt is not None and apart(felt, nowhere, nowhere) < 1.0:
            notes.append(
                "Lateral acceleration shows no banking: either there is none, or it was corrected to the level plane, and "
                "it does not say which. It counts only where it is the only source asked for."
            )
            felt = felt if len(sources) == 1 else None
        if felt is not None and slopes and apart(felt, *combined(list(slopes.values()))) > DISAGREEMENT:
            notes.append(
                f"Lateral acceleration does not agree with {' and '.join(slopes)} and was left out: the sensor may stand "
                "askew, or something else be amiss with it."
            )
            felt = None
        if felt is not None:
            slopes["lateral acceleration"] = felt
    slope = combined(list(slopes.values())) if slopes else None

    if altitude is not None:
        heights["altitude"] = _reference_height(altitude, slope, data, smoothing)
    if not heights:
        notes.append("There is no altitude, nor a track that knows its height: height is not known.")
    if not slopes:
        notes.append("Nothing says how the track is banked.")
    out = pd.DataFrame({"height": nothing, "height_uncertainty": nothing, "banking": nothing,
                        "banking_uncertainty": nothing}, index=index)  # fmt: skip
    if heights:
        value, sigma = combined([Slope(*found) for found in heights.values()])
        out["height"], out["height_uncertainty"] = value - value[0], sigma
    if slope is not None:
        out["banking"], out["banking_uncertainty"] = np.arctan(slope[0]), slope[1] / (1.0 + slope[0] ** 2)
    came: dict[str, list[str]] = {"height": list(heights), "banking": list(slopes)}
    out.attrs = {
        "sources": {name: " and ".join(found) or "none" for name, found in came.items()},
        "notes": notes,
        "laps": len(frames),
    }
    return out


def _frames_of(laps: Session | Sequence[pd.DataFrame], max_laps: int) -> list[pd.DataFrame]:
    given = laps_given(laps, "surface")
    frames = given if isinstance(given, list) else usable_laps(given, max_laps=max_laps)
    if not frames:
        raise FrameError("surface needs a session with a complete lap, or lap frames such as [session.lap(3)].")
    if len({len(frame) for frame in frames}) > 1 or len(frames[0]) < 16:
        rows = ", ".join(str(len(frame)) for frame in frames[:5])
        raise FrameError(f"surface needs whole laps on one grid; found frames of {rows} rows. Use laps of one session.")
    return frames


def _reference_height(
    altitude: Altitude, slope: tuple[FloatArray, FloatArray] | None, data: Laps, smoothing: float
) -> tuple[FloatArray, FloatArray]:
    """Height of the reference line above its height at the start/finish line, and its standard uncertainty."""
    steep, unsure = slope if slope is not None else (np.zeros_like(altitude.height), np.full_like(altitude.height, 0.3))
    steep, unsure = np.nan_to_num(steep), np.nan_to_num(unsure, nan=0.3)  # no banking known: up to 17 degrees of it
    height = altitude.height + altitude.offset * steep
    step = data.step
    blurred = height - sharp(height, smoothing / step)
    aside = data.offset_error**2 / len(data.table)  # of the mean of the laps, across the slope
    variance = altitude.scatter + (altitude.offset * unsure) ** 2 + aside * steep**2 + blurred**2
    place = np.arange(len(height)) * step
    near = np.minimum(place, place[-1] + step - place)
    alike = np.exp(-((near / (2.0 * smoothing)) ** 2))  # of two places a smoothing length apart the noise is shared
    return height - height[0], np.sqrt((variance + variance[0]) * (1.0 - alike))
