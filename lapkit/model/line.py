"""The start/finish line, and when the car crossed it: between samples, with uncertainty."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import LapError
from lapkit.model.geodesy import geodetic_to_local
from lapkit.model.noise import white_noise

StartLineLike: TypeAlias = "str | Sequence[float] | Mapping[str, float] | StartLine"

HALF_WIDTH = 20.0  # m either side of a line given by one point; two racing surfaces wide
LEAST_FORWARD = 0.3  # metres a car gains across the line for each it drives there: it crosses at 20 degrees or more
MIN_LAP_LENGTH = 100.0  # m between two crossings; nearer ones are position jitter, not laps


@dataclass(frozen=True)
class StartLine:
    """A line across the track.

    Attributes
    ----------
    x, y : float
        Middle of the line, m in the recording's local frame.
    heading : float or None
        Direction of travel across it, rad anticlockwise from x; None where it is still to be learnt.
    half_width : float
        How far the line reaches either side of its middle, m.
    either_way : bool
        Whether the direction of travel is unknown (a line given by its two ends).
    """

    x: float
    y: float
    heading: float | None = None
    half_width: float = HALF_WIDTH
    either_way: bool = False


def parse_start_line(
    given: StartLineLike, *, geographic: bool = False, origin: tuple[float, float] | None = None
) -> tuple[StartLine, str]:
    """Read a start/finish line as a person gives it.

    Parameters
    ----------
    given : str, sequence or mapping
        ``(x, y)``, ``(x, y, heading)`` or two points ``(x1, y1, x2, y2)``, m; a string holds the same
        numbers with commas between. With `geographic`, latitude and longitude in degrees take the place
        of x and y. A mapping names its numbers: ``x, y`` or ``latitude, longitude``, and ``heading``.
        A heading is rad anticlockwise from x (east) in local metres, or degrees clockwise from north
        with latitude and longitude; the suffix ``deg`` or ``rad`` in a string says which otherwise.
    geographic : bool
        Whether bare numbers are latitude and longitude.
    origin : (float, float), optional
        Latitude and longitude of the local frame's origin, degrees.

    Returns
    -------
    line : StartLine
    how : str
        How the numbers were read, one clause.

    Raises
    ------
    LapError
        If the numbers cannot be read as a line.

    Examples
    --------
    >>> parse_start_line("10, -4, 90deg")[0].heading
    1.5707963267948966
    """
    if isinstance(given, StartLine):
        return given, "as given"
    unit: str | None = None
    if isinstance(given, Mapping):
        geographic = "latitude" in given
        keys = ("latitude", "longitude") if geographic else ("x", "y")
        missing = [key for key in keys if key not in given]
        if missing:
            raise LapError(f"start_line has no '{missing[0]}': give x and y, or latitude and longitude.")
        numbers = [float(given[key]) for key in keys]
        if given.get("heading") is not None:
            numbers.append(float(given["heading"]))
        half_width = float(given.get("half_width", HALF_WIDTH))
    else:
        half_width = HALF_WIDTH
        listed = given.replace(";", ",").split(",") if isinstance(given, str) else np.ravel(np.asarray(given)).tolist()
        parts = [str(part).strip() for part in listed]
        for suffix in ("deg", "rad", "°"):
            if parts and parts[-1].lower().endswith(suffix):
                unit = "rad" if suffix == "rad" else "deg"
                parts[-1] = parts[-1][: -len(suffix)]
        try:
            numbers = [float(part) for part in parts]
        except (TypeError, ValueError):
            numbers = []
    if len(numbers) not in (2, 3, 4) or not np.all(np.isfinite(numbers)):
        raise LapError(
            f"start line {given!r} was not understood: give a point 'x,y', a point with the heading driven "
            "'x,y,heading', or two points 'x1,y1,x2,y2' (metres), or the same with latitude,longitude in degrees."
        )
    if geographic:
        if origin is None:
            raise LapError(
                "the start line is in latitude and longitude, but the recording has none; give x,y in metres."
            )
        if abs(numbers[0]) > 90 or (len(numbers) == 4 and abs(numbers[2]) > 90):
            raise LapError(
                f"start line {given!r}: a latitude lies between -90 and 90 degrees; give latitude first, then longitude."
            )

    def point(first: float, second: float) -> tuple[float, float]:
        if not geographic:
            return first, second
        assert origin is not None
        east, north, _ = geodetic_to_local(np.radians(first), np.radians(second), origin=(*np.radians(origin), 0.0))
        return float(east), float(north)

    x, y = point(numbers[0], numbers[1])
    if len(numbers) == 4:
        x2, y2 = point(numbers[2], numbers[3])
        length = float(np.hypot(x2 - x, y2 - y))
        if length < 0.5:
            raise LapError(
                f"start line {given!r}: its two points are {length:.2f} m apart; give the two ends of the line."
            )
        across = float(np.arctan2(y2 - y, x2 - x))
        return StartLine((x + x2) / 2, (y + y2) / 2, across - np.pi / 2, length / 2, True), "two points"
    if len(numbers) == 2:
        return StartLine(x, y, None, half_width), "a point; direction of travel from the recording"
    heading = numbers[2]
    if geographic:
        heading = np.pi / 2 - (heading if unit == "rad" else np.radians(heading))
        return StartLine(x, y, heading, half_width), "a point with a compass heading"
    if unit == "deg":
        heading = float(np.radians(heading))
    elif abs(heading) > 2 * np.pi:
        raise LapError(
            f"start line heading {heading:g} is more than a full turn in radians; write '{heading:g}deg' for degrees."
        )
    return StartLine(x, y, heading, half_width), "a point with a heading"


def missing_half(columns: Mapping[str, str]) -> str:
    """Say what of a position is missing, and which half of one is there.

    Parameters
    ----------
    columns : mapping
        Channel -> column it is in.

    Examples
    --------
    >>> missing_half({"x": "East"})
    "there is 'East' (x), and no y beside it"
    >>> missing_half({})
    'the file has no x, y or latitude, longitude'
    """
    there = [pair for pair in (("x", "y"), ("latitude", "longitude")) if any(name in columns for name in pair)]
    halves = [
        f"there is '{columns[one]}'{'' if columns[one] == one else f' ({one})'}, and no {other} beside it"
        for pair in there
        for one, other in (pair, pair[::-1])
        if one in columns and other not in columns
    ]
    return ", and ".join(halves) or "the file has no x, y or latitude, longitude"


@dataclass(frozen=True)
class Crossings:
    """When the car crossed the line.

    Attributes
    ----------
    time : ndarray, shape (m,)
        Times on the recording's clock, s, increasing.
    uncertainty : ndarray, shape (m,)
        Standard uncertainty of each, s.
    rejected : int
        Crossings left out because the car had not gone on from the last one.
    """

    time: FloatArray
    uncertainty: FloatArray
    rejected: int = 0


def position_noise(time: FloatArray, x: FloatArray, y: FloatArray, *, interval: float = 0.0) -> float:
    """Estimate the sample-to-sample noise of position from its roughness.

    Parameters
    ----------
    time, x, y : ndarray, shape (n,)
        Clock (s) and position (m).
    interval : float
        Time between own positions, s, where those between were filled in.

    Returns
    -------
    float
        Standard deviation of the noise of one coordinate, m.

    Notes
    -----
    Third differences at about 10 Hz: motion contributes its jerk times the interval cubed (millimetres),
    noise contributes itself. Thinning first keeps position filled in from a slower receiver from
    looking smooth.
    """
    if len(time) < 8:
        return 0.0
    stride = round(max(0.1, interval) / max(float(np.median(np.diff(time))), 1e-4))
    return white_noise(np.vstack([x, y]), stride=stride, skip_equal=True)


def direction_at(line: StartLine, x: FloatArray, y: FloatArray, path: FloatArray) -> StartLine:
    """Give a line without a heading the direction the car drove past its point.

    Raises
    ------
    LapError
        If the car never came near the point.
    """
    away = np.hypot(x - line.x, y - line.y)
    if not np.isfinite(away).any() or np.nanmin(away) > max(line.half_width, 30.0):
        nearest = float(np.nanmin(away)) if np.isfinite(away).any() else float("nan")
        raise LapError(
            f"the car never came near the start line at ({line.x:.1f}, {line.y:.1f}) m: the nearest sample is "
            f"{nearest:.0f} m away; check the point and its units."
        )
    if line.heading is not None and not line.either_way:
        return line
    step = np.gradient(path)
    near = np.flatnonzero((away < np.nanmin(away) + 15.0) & (step > 0.02))
    if len(near) < 1:
        near = np.array([int(np.nanargmin(away))])
    reach = max(1, int(np.ceil(5.0 / max(float(np.median(step[near])), 1e-3))))
    start, stop = np.maximum(near - reach, 0), np.minimum(near + reach, len(x) - 1)
    east, north = x[stop] - x[start], y[stop] - y[start]
    closest = int(np.nanargmin(away[near]))
    same = east * east[closest] + north * north[closest] > 0
    driven = float(np.arctan2(np.nansum(north[same]), np.nansum(east[same])))
    if line.heading is not None:  # the two ends give the line but not the way across it
        return replace(line, heading=line.heading + np.pi * (np.cos(driven - line.heading) < 0), either_way=False)
    return replace(line, heading=driven)


def crossings(
    time: FloatArray,
    x: FloatArray,
    y: FloatArray,
    path: FloatArray,
    line: StartLine,
    *,
    noise: float,
    max_gap: float,
    fix_interval: float = 0.0,
    min_lap_length: float = MIN_LAP_LENGTH,
) -> Crossings:
    """Find when the car crossed a line, between samples.

    Parameters
    ----------
    time, x, y, path : ndarray, shape (n,)
        Clock (s), position (m), integrated speed (m). Position is NaN where unknown.
    line : StartLine
        With its heading known.
    noise : float
        Sample-to-sample noise of position, m; where there is any, a short stretch of samples is fitted
        instead of two joined by a line.
    max_gap : float
        Longest time between two samples that a crossing may be read across, s.
    fix_interval : float
        Time between own positions, s, where those between were filled in.
    min_lap_length : float
        Distance driven between crossings below which the second is jitter, m.

    Returns
    -------
    Crossings
    """
    assert line.heading is not None
    east, north = np.cos(line.heading), np.sin(line.heading)
    ahead = (x - line.x) * east + (y - line.y) * north
    aside = (y - line.y) * east - (x - line.x) * north
    valid = np.isfinite(ahead)
    before, after = ahead[:-1], ahead[1:]
    with np.errstate(invalid="ignore"):
        forward = (before < 0) & (after >= 0)
    hit = np.flatnonzero(forward & valid[:-1] & valid[1:])
    if not len(hit):
        return Crossings(np.empty(0), np.empty(0))
    share = -before[hit] / (after[hit] - before[hit])
    across = aside[hit] + share * (aside[hit + 1] - aside[hit])
    moved = np.hypot(x[hit + 1] - x[hit], y[hit + 1] - y[hit])
    plausible = (np.abs(across) <= line.half_width + 3 * noise) & (
        moved <= 3.0 * (path[hit + 1] - path[hit]) + 6 * noise + 5.0
    )
    # A leg near the line that runs another way is crossed by noise alone: the car must have come from behind it.
    reach = 10.0 + 5.0 * noise
    known = slice(None) if valid.all() else valid
    around = np.clip(path[hit][:, None] + np.array([-reach, reach]), path[0], path[-1])
    came = np.diff(np.interp(around, path[known], ahead[known])) >= LEAST_FORWARD * np.diff(around)
    plausible &= came[:, 0]
    hit, share = hit[plausible], share[plausible]
    if not len(hit):
        return Crossings(np.empty(0), np.empty(0))
    hit, share, rejected = _apart(hit, share, path, min_lap_length)
    return refine(
        time, ahead, path, hit, share, noise=noise, max_gap=max_gap, fix_interval=fix_interval, rejected=rejected
    )


def _apart(
    hit: NDArray[np.intp], share: FloatArray, path: FloatArray, least: float
) -> tuple[NDArray[np.intp], FloatArray, int]:
    """Keep the last crossing of each cluster: the one from which the car went on."""
    driven = path[hit] + share * (path[hit + 1] - path[hit])
    last_of_cluster = np.append(np.diff(driven) >= least, True)
    return hit[last_of_cluster], share[last_of_cluster], int(np.count_nonzero(~last_of_cluster))


def refine(
    time: FloatArray,
    ahead: FloatArray,
    path: FloatArray,
    hit: NDArray[np.intp],
    share: FloatArray,
    *,
    noise: float,
    max_gap: float,
    fix_interval: float = 0.0,
    rejected: int = 0,
) -> Crossings:
    """Place each crossing between its two samples, by a short fit where position is noisy.

    Parameters
    ----------
    ahead : ndarray, shape (n,)
        Metres past the line along its direction, negative before it.
    hit, share : ndarray, shape (m,)
        Sample before each crossing, and the first estimate of the share of the interval to it.

    Returns
    -------
    Crossings
    """
    crossing = time[hit] + share * (time[hit + 1] - time[hit])
    interval = time[hit + 1] - time[hit]
    advance = np.maximum(path[hit + 1] - path[hit], 1e-3)
    speed = advance / interval
    # What a straight line between two samples leaves out: a change of speed of up to 10 m/s2 inside the interval.
    shape = 10.0 * np.maximum(interval, fix_interval) ** 2 / 16.0 / speed / np.sqrt(3.0)
    sigma = np.hypot(shape, noise / speed)
    if noise > 0.02:
        for k, i in enumerate(hit):  # one short fit a crossing, not a sample
            reach = float(np.clip(12.0 + 20.0 * noise, 12.0, 40.0))
            at = path[i] + share[k] * (path[i + 1] - path[i])
            low, high = np.searchsorted(path, [at - reach, at + reach])
            low, high = max(int(low), 0), min(int(high), len(path))
            around = np.arange(low, high)
            around = around[np.isfinite(ahead[around]) & (np.abs(time[around] - crossing[k]) < 3.0)]
            if len(around) < 5:
                continue
            order = 2 if len(around) >= 9 else 1
            u = (path[around] - at) / reach
            basis = np.vander(u, order + 1, increasing=True)
            solution, *_ = np.linalg.lstsq(basis, ahead[around], rcond=None)
            left = ahead[around] - basis @ solution
            spread = float(np.sqrt(np.sum(left**2) / max(len(around) - order - 1, 1)))
            lag = float(np.sum(left[1:] * left[:-1]) / max(float(np.sum(left**2)), 1e-30))
            tied = np.sqrt((1 + np.clip(lag, 0, 0.9)) / (1 - np.clip(lag, 0, 0.9)))  # neighbours share their error
            slope = solution[1] / reach
            if slope <= 0.2:
                continue
            beyond = float(np.clip(-solution[0] / slope, -3 * noise - advance[k], 3 * noise + advance[k]))
            driven = at + beyond
            j = int(np.clip(np.searchsorted(path, driven, side="right") - 1, 0, len(path) - 2))
            part = (driven - path[j]) / max(path[j + 1] - path[j], 1e-9)
            crossing[k] = time[j] + np.clip(part, 0.0, 1.0) * (time[j + 1] - time[j])
            cover = np.linalg.inv(basis.T @ basis)[0, 0]
            sigma[k] = np.hypot(shape[k], max(spread, noise) * tied * np.sqrt(cover) / slope / speed[k])
    holed = interval > max_gap
    sigma[holed] = np.maximum(sigma[holed], interval[holed] / np.sqrt(12.0))
    return Crossings(crossing, sigma, rejected)
