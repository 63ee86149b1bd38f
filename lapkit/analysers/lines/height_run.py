"""What giving up height is worth: speed at the lower place, and seconds down to the line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.inputs import OFFSET_SMOOTHING, columns_of, smooth
from lapkit.analysers.lines.driven_line import height_of, offset_error
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.errors import FrameError
from lapkit.model.curvature import curvature_of, fill_round
from lapkit.model.frame import attribute

COLUMNS = [
    "from_distance", "to_distance", "height_given", "height_given_uncertainty", "speed_gained",
    "speed_gained_uncertainty", "time_gained", "time_gained_uncertainty",
]  # fmt: skip
CREST_SMOOTHING = 20.0
"""m. Smoothing of the height that the highest place is looked for in, so that noise is not taken for a crest (chosen)."""
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
    course = _Course.of(lap, model, surface, gravity)
    out = pd.DataFrame([course.run(float(from_distance), float(to_distance), until)], columns=COLUMNS)
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
    course = _Course.of(lap, model, surface, gravity)
    crest = smooth(course.height, CREST_SMOOTHING / course.step)
    rows: list[list[object]] = []
    for corner in corners:
        start, end = float(corner["start_distance"]), min(float(corner["end_distance"]), float(course.place[-1]))
        inside = np.flatnonzero((course.place >= start) & (course.place < end) & np.isfinite(crest))
        top = float(course.place[inside[np.argmax(crest[inside])]]) if len(inside) else start
        rows.append([str(corner["corner"]), *course.run(top, end, until)])
    out = pd.DataFrame(rows, columns=["corner", *COLUMNS])
    out = out.astype({"corner": object, **dict.fromkeys(COLUMNS, np.float64)})
    out.attrs = {"source": course.source, "notes": course.notes}
    return out


class _Course:
    """One lap's height, speed and metres, place by place, and what the car does with extra energy there."""

    def __init__(self, lap: pd.DataFrame, model: LongitudinalModel | None, gravity: float) -> None:
        if not isinstance(lap, pd.DataFrame) or len(lap) < 2 or "speed" not in lap.columns:
            raise FrameError(
                "height_run needs a lap frame with speed, such as session.lap(7), and got "
                f"{type(lap).__name__ if not isinstance(lap, pd.DataFrame) else 'a frame without it'}."
            )
        self.place = lap.index.to_numpy(np.float64)
        self.step, self.gravity = float(self.place[1] - self.place[0]), gravity
        self.table = columns_of(lap)
        self.end = float(lap.attrs.get("track_length") or self.place[-1])
        self.speed = np.maximum(fill_round(self.table["speed"]), 1.0)
        path = self.table.get("path")
        self.path = fill_round(path - self.place) + self.place if path is not None else self.place
        self.height, self.sigma = np.full(len(lap), np.nan), np.full(len(lap), np.nan)
        self.source, self.notes = "none", [NO_MODEL] if model is None else []
        if model is not None and not model.ok:
            self.notes.append(f"The model of the car is not used ({model.reason}): the speed gained is taken to last.")
        self.model = model if model is not None and model.ok else None
        self.bend = np.zeros(len(lap))
        if self.model is not None and len(lap) >= 8:
            self.bend = np.nan_to_num(fill_round(curvature_of(lap)[0]))

    @classmethod
    def of(
        cls, lap: pd.DataFrame, model: LongitudinalModel | None, surface: pd.DataFrame | None, gravity: float
    ) -> _Course:
        """Read a lap, its heights from itself or from the surface."""
        course = cls(lap, model, gravity)
        if surface is None:
            course.height, course.sigma, course.source = height_of(lap)
        else:
            course._over(surface, offset_error(lap))
        if not np.isfinite(course.height).any():
            raise FrameError(
                f"The height of this lap is not known: {course.source}. Record altitude, or load with track= a file that has "
                "a column of banking or height."
            )
        return course

    def _over(self, surface: pd.DataFrame, aside: float) -> None:
        if len(surface) != len(self.place) or not np.array_equal(surface.index, self.place):
            raise FrameError(
                f"surface has {len(surface)} rows, the lap {len(self.place)}: make it from laps of the same session."
            )
        known = columns_of(surface)
        offset = self.table.get("offset")
        if offset is None:
            raise FrameError("surface= needs a lap placed by position (column offset); leave it out.")
        offset = smooth(offset, OFFSET_SMOOTHING / self.step)
        steep = np.nan_to_num(np.tan(known["banking"]))
        unsure = np.nan_to_num(known["banking_uncertainty"] * (1.0 + steep**2), nan=0.3)
        self.height = known["height"] - offset * steep
        # heights count from the line, whose own error every one of them holds: half of the variance is the place's
        self.sigma = np.sqrt(0.5 * known["height_uncertainty"] ** 2 + (offset * unsure) ** 2 + (aside * steep) ** 2)
        self.source = "surface and offset"

    def run(self, start: float, low: float, until: float | None) -> list[float]:
        """One row of the table."""
        until = self.end if until is None else float(until)
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
        worth = np.array(self._worth(at, low, self.model))
        off = [unsure * np.array(self._worth(at, low, self.model, metre=True))]  # what a metre more would be worth
        if self.model is not None:
            off += [np.array(self._worth(at, low, moved)) - worth for moved in _each_way(self.model)]
        error = np.sqrt((np.stack(off) ** 2).sum(axis=0))
        (speed, seconds), (speed_error, seconds_error) = worth.tolist(), error.tolist()
        return [start, low, given, unsure, speed, speed_error, seconds, seconds_error]

    def _worth(
        self, at: FloatArray, low: float, model: LongitudinalModel | None, *, metre: bool = False
    ) -> tuple[float, float]:
        """Speed gained at the lower place and seconds gained to the end; `metre`: by one metre, given up evenly."""
        if len(at) < 2:
            return 0.0, 0.0
        speed, metres, bend = (np.interp(at, self.place, values) for values in (self.speed, self.path, self.bend))
        ds = np.diff(metres)
        run = at <= low
        height = np.interp(np.minimum(at, low), self.place, self.height)
        if metre:
            height = np.interp(at, [at[0], max(low, at[0] + 1e-9)], [1.0, 0.0])
        made = -self.gravity * np.diff(height)
        faded = np.zeros(len(at))
        if model is not None:
            throttle = np.interp(at, self.place, self._throttle())
            lam = _forgetting(model, speed, bend, throttle)
            faded = np.append(0.0, np.cumsum(0.5 * (lam[1:] + lam[:-1]) * ds))
        middle = 0.5 * (faded[1:] + faded[:-1])
        extra = np.exp(-faded) * np.append(0.0, np.cumsum(made * np.exp(middle)))
        square = speed**2 - 2.0 * extra
        without = np.sqrt(np.where(square > 0, square, np.nan))
        slower = 1.0 / without - 1.0 / speed
        last = int(np.count_nonzero(run)) - 1
        return float(speed[last] - without[last]), float(np.sum(0.5 * (slower[1:] + slower[:-1]) * ds))

    def _throttle(self) -> FloatArray:
        throttle = self.table.get("throttle")
        return np.nan_to_num(throttle) if throttle is not None else np.zeros(len(self.place))


def _forgetting(model: LongitudinalModel, speed: FloatArray, bend: FloatArray, throttle: FloatArray) -> FloatArray:
    """How fast the car forgets extra energy, 1/m."""
    power = model.power_at(throttle)
    free = power / speed < model.coefficient("traction")
    return np.asarray(
        np.where(free, power / speed**3, 0.0)
        + 2.0 * model.coefficient("drag")
        + 4.0 * model.coefficient("cornering") * (bend * speed) ** 2
    )


def _each_way(model: LongitudinalModel) -> list[LongitudinalModel]:
    """The model moved by one standard uncertainty along each principal direction of its covariance."""
    size, way = np.linalg.eigh(model.covariance)
    moved = model.values + (way * np.sqrt(np.maximum(size, 0.0))).T  # noqa: PD011
    return [replace(model, values=np.maximum(values, 0.0)) for values in moved]
