"""What giving up height is worth: speed at the lower place, and seconds down to the line."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.inputs import OFFSET_SMOOTHING, columns_of, smooth
from lapkit.analysers.lines.driven_line import height_of, offset_error
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import FrameError
from lapkit.model.curvature import curvature_of, fill_round
from lapkit.model.frame import attribute
from lapkit.model.given import frame_given, kind_given, number_given

COLUMNS = [
    "from_distance", "to_distance", "height_given", "height_given_uncertainty", "speed_gained",
    "speed_gained_uncertainty", "time_gained", "time_gained_uncertainty",
]  # fmt: skip
CREST_SMOOTHING = 20.0
"""m. Smoothing of the height that the highest place is looked for in, so that noise is not taken for a crest (chosen)."""
A_MODEL = "the model of a car, from longitudinal_model(session), or None"
NO_MODEL = (
    "There is no model of the car: the speed gained is taken to last, and the seconds are the most it can be worth. "
    "Give model=longitudinal_model(session)."
)


def height_run(
    lap: pd.DataFrame,
    from_distance: float,
    to_distance: float,
    *,
    until: float | None = None,
    model: LongitudinalModel | None = None,
    surface: pd.DataFrame | None = None,
    gravity: float = STANDARD_GRAVITY,
) -> pd.DataFrame:
    """Return what the height given up between two places is worth.

    Parameters
    ----------
    lap : DataFrame
        Lap frame.
    from_distance, to_distance : float
        The places, m from the line, the first before the second.
    until : float, optional
        Place down to which seconds are counted, m; the start/finish line by default.
    model : LongitudinalModel, optional
        The car, from `longitudinal_model`: how fast it forgets a speed it was given. Without one nothing is forgotten.
    surface : DataFrame, optional
        The surface, from `surface`: heights are read from it and the lap's offset. By default the lap's own height.
    gravity : float
        Acceleration of free fall, m/s2.

    Returns
    -------
    DataFrame, shape (1, 8)
        from_distance, to_distance (m), height_given (m, negative for a climb), speed_gained (m/s at the lower place, compared
        with the same lap on level ground), time_gained (s from the first place to `until`, positive is faster), each with
        its standard uncertainty. ``attrs["source"]`` says where height came from, ``attrs["notes"]`` what was assumed.

    Raises
    ------
    FrameError
        If the places are not on the lap in that order, or the lap or surface lacks what is needed.

    Notes
    -----
    Energy: v^2 = v0^2 + 2 g h, v being the lap's speed and v0 what it would have been. The extra energy D fades with the
    car's own model, D' = -lam D - g z' per metre, lam = P / v^3 + 2 kd + 4 ks k^2 v^2: at the same pedals a faster car has
    less drive and more drag. Driving down from the high side is longer as well; that price is not in here.

    Examples
    --------
    Twenty metres down a slide without friction, 15.0 m/s at the top (OpenStax, University Physics Volume 1, section 8.3:
    24.8 m/s at the bottom).

    >>> place = np.arange(101.0)
    >>> speed = np.sqrt(15.0**2 + 2 * 9.80 * 0.2 * place)
    >>> slide = pd.DataFrame({"z": 20 - 0.2 * place, "speed": speed}, index=place)
    >>> run = height_run(slide, 0.0, 100.0, gravity=9.80)
    >>> round(float(speed[-1] - run["speed_gained"].iloc[0]), 3), round(float(speed[-1]), 1)
    (15.0, 24.8)
    """
    course = Course(lap, model=model, surface=surface, gravity=gravity)
    ends = (number_given(from_distance, "from_distance", "m"), number_given(to_distance, "to_distance", "m"))
    out = pd.DataFrame([course.run(*ends, until)], columns=COLUMNS)
    out.attrs = {"source": course.source, "notes": course.notes}
    return out


def height_runs(
    lap: pd.DataFrame,
    *,
    until: float | None = None,
    model: LongitudinalModel | None = None,
    surface: pd.DataFrame | None = None,
    gravity: float = STANDARD_GRAVITY,
) -> pd.DataFrame:
    """Return what running off the high side of each corner is worth: from the highest place in it down to its end.

    Parameters
    ----------
    lap : DataFrame
        Lap frame with its corners.
    until, model, surface, gravity
        As in `height_run`.

    Returns
    -------
    DataFrame, shape (corners, 9)
        corner, and the columns of `height_run`; empty where the lap has no corners.

    Raises
    ------
    FrameError
        If the frame does not carry its corners, or lacks what is needed.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> runs = height_runs(session.best(), model=lapkit.longitudinal_model(session))
    >>> runs["corner"].tolist(), bool((runs["height_given"] > 0).all())
    (['1', '2'], True)
    """
    corners = attribute(lap, "corners")
    course = Course(lap, model=model, surface=surface, gravity=gravity)
    rows = np.array(course.runs(corners, until), dtype=np.float64).reshape(-1, len(COLUMNS))
    out = pd.DataFrame(rows, columns=COLUMNS)
    out.insert(0, "corner", pd.Index([str(corner["corner"]) for corner in corners], dtype=object))
    out.attrs = {"source": course.source, "notes": course.notes}
    return out


class Course:
    """One lap's height, speed and metres, place by place, and what the car does with extra energy there.

    `curvature` (1/m) spares reading it from the lap again.
    """

    def __init__(
        self,
        lap: pd.DataFrame,
        *,
        model: LongitudinalModel | None,
        surface: pd.DataFrame | None = None,
        gravity: float = STANDARD_GRAVITY,
        curvature: FloatArray | None = None,
    ) -> None:
        if len(frame_given(lap, "height_run")) < 2 or "speed" not in lap.columns:
            raise FrameError(
                "height_run needs a lap frame with speed, such as session.lap(7), and got a frame without it."
            )
        if model is not None:
            model = kind_given(model, LongitudinalModel, "model", A_MODEL)
        self.place = lap.index.to_numpy(np.float64)
        self.step, self.gravity = float(self.place[1] - self.place[0]), gravity
        self.table = columns_of(lap)
        self.end = float(lap.attrs.get("track_length") or self.place[-1])
        self.speed = np.maximum(fill_round(self.table["speed"]), 1.0)
        path = self.table.get("path")
        self.path = fill_round(path - self.place) + self.place if path is not None else self.place
        if surface is None:
            self.height, self.sigma, self.source = height_of(lap)
        else:
            self.height, self.sigma = self._over(surface, offset_error(lap))
            self.source = "surface and offset"
        if not np.isfinite(self.height).any():
            raise FrameError(
                f"The height of this lap is not known: {self.source}. Record altitude, or load with track= a file that has "
                "a column of banking or height."
            )
        self.notes = [NO_MODEL] if model is None else []
        if model is not None and not model.ok:
            self.notes.append(f"The model of the car is not used ({model.reason}): the speed gained is taken to last.")
        self.fading = _Fading(model) if model is not None and model.ok else None
        self.bend = np.zeros(len(lap))
        if self.fading is not None and len(lap) >= 8:
            self.bend = np.nan_to_num(fill_round(curvature_of(lap)[0] if curvature is None else curvature))
        throttle = self.table.get("throttle")
        self.throttle = np.zeros(len(lap)) if throttle is None else np.nan_to_num(throttle)

    def _over(self, surface: pd.DataFrame, aside: float) -> tuple[FloatArray, FloatArray]:
        """Height of the surface under the car, and its standard uncertainty."""
        surface = frame_given(surface, "surface", "the table that surface(session) returns")
        if len(surface) != len(self.place) or not np.array_equal(surface.index, self.place):
            raise FrameError(
                f"surface has {len(surface)} rows, the lap {len(self.place)}: make it from laps of the same session."
            )
        known = columns_of(surface)
        missing = [n for n in ("height", "banking", "height_uncertainty", "banking_uncertainty") if n not in known]
        if missing:
            raise FrameError(f"surface has no column '{missing[0]}': give the table that surface(session) returns.")
        offset = self.table.get("offset")
        if offset is None:
            raise FrameError("surface= needs a lap placed by position (column offset); leave it out.")
        offset = smooth(offset, OFFSET_SMOOTHING / self.step)
        steep = np.nan_to_num(np.tan(known["banking"]))
        unsure = np.nan_to_num(known["banking_uncertainty"] * (1.0 + steep**2), nan=0.3)
        # heights count from the line, whose own error every one of them holds: half of the variance is the place's
        variance = 0.5 * known["height_uncertainty"] ** 2 + (offset * unsure) ** 2 + (aside * steep) ** 2
        return known["height"] - offset * steep, np.sqrt(variance)

    def runs(self, corners: Sequence[Mapping[str, Any]], until: float | None = None) -> list[list[float]]:
        """Rows of the table, one a corner, from the highest place in it down to its end."""
        crest = smooth(self.height, CREST_SMOOTHING / self.step)
        rows = []
        for corner in corners:
            start, end = float(corner["start_distance"]), min(float(corner["end_distance"]), float(self.place[-1]))
            inside = np.flatnonzero((self.place >= start) & (self.place < end) & np.isfinite(crest))
            top = float(self.place[inside[np.argmax(crest[inside])]]) if len(inside) else start
            rows.append(self.run(top, end, until))
        return rows

    def run(self, start: float, low: float, until: float | None) -> list[float]:
        """One row of the table."""
        until = self.end if until is None else number_given(until, "until", "m")
        if not self.place[0] <= start <= low <= until <= max(self.end, self.place[-1]):
            raise FrameError(
                f"from_distance {start:g} m, to_distance {low:g} m and until {until:g} m must follow one another on "
                f"the lap, between 0 and {self.end:g} m; cut a run that crosses the line in two."
            )
        between = self.place[(self.place > start) & (self.place < until)]
        at = np.unique(np.concatenate([[start, low, until], between]))
        height, sigma = (np.interp([start, low], self.place, values) for values in (self.height, self.sigma))
        given = float(height[0] - height[1])
        unsure = float(np.hypot(*sigma)) if low > start else 0.0
        worth, metre, *moved = self._worth(at, low)
        off = np.stack([unsure * metre, *(other - worth for other in moved)])  # what a metre more would be worth
        (speed, seconds), (speed_error, seconds_error) = worth.tolist(), np.sqrt((off**2).sum(axis=0)).tolist()
        return [start, low, given, unsure, speed, speed_error, seconds, seconds_error]

    def _worth(self, at: FloatArray, low: float) -> FloatArray:
        """Speed gained at the lower place and seconds gained to the end.

        The first row is that of the lap, the second that of one metre given up evenly, the others are those of the lap
        with the car's model moved by one standard uncertainty each way.
        """
        ways = 1 if self.fading is None else len(self.fading.drag)
        if len(at) < 2:
            return np.zeros((1 + ways, 2))
        speed, metres = (np.interp(at, self.place, values) for values in (self.speed, self.path))
        ds, run = np.diff(metres), at <= low
        height = np.interp(np.minimum(at, low), self.place, self.height)
        metre = np.interp(at, [at[0], max(low, at[0] + 1e-9)], [1.0, 0.0])
        made = -self.gravity * np.diff([height, metre])
        faded = np.zeros((1, len(at)))
        if self.fading is not None:
            bend, throttle = (np.interp(at, self.place, values) for values in (self.bend, self.throttle))
            rate = self.fading.rate(speed, bend, throttle)
            faded = np.zeros(rate.shape)
            np.cumsum(0.5 * (rate[:, 1:] + rate[:, :-1]) * ds, axis=1, out=faded[:, 1:])
        kept = np.exp(0.5 * (faded[:, 1:] + faded[:, :-1]))
        extra = np.zeros((1 + ways, len(at)))
        np.cumsum(np.concatenate([made * kept[0], made[0] * kept[1:]]), axis=1, out=extra[:, 1:])
        left = np.exp(-faded)
        extra[0] *= left[0]
        extra[1:] *= left
        square = speed**2 - 2.0 * extra
        without = np.sqrt(np.where(square > 0, square, np.nan))
        slower = 1.0 / without - 1.0 / speed
        last = int(np.count_nonzero(run)) - 1
        seconds = np.sum(0.5 * (slower[:, 1:] + slower[:, :-1]) * ds, axis=1)
        return np.stack([speed[last] - without[:, last], seconds], axis=1)


class _Fading:
    """How fast a car forgets extra energy: by its model, and by that moved each way by one standard uncertainty.

    The ways are the principal directions of the model's covariance.
    """

    def __init__(self, model: LongitudinalModel) -> None:
        size, way = np.linalg.eigh(model.covariance)
        moved = model.values + (way * np.sqrt(np.maximum(size, 0.0))).T  # noqa: PD011
        models = [model, *(replace(model, values=np.maximum(values, 0.0)) for values in moved)]
        self.drag, self.cornering, self.traction = (
            np.array([[each.coefficient(name)] for each in models]) for name in ("drag", "cornering", "traction")
        )
        self.models = models

    def rate(self, speed: FloatArray, bend: FloatArray, throttle: FloatArray) -> FloatArray:
        """How fast extra energy fades, 1/m, shape (models, places)."""
        power = np.stack([model.power_at(throttle) for model in self.models])
        free = np.where(power / speed < self.traction, power / speed**3, 0.0)
        return np.asarray(free + 2.0 * self.drag + 4.0 * self.cornering * (bend * speed) ** 2)
