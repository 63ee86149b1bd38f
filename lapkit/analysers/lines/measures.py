"""What each lap's line was and what it did, corner by corner: metres, radius, speeds, times, tyre work."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.analysers.lap.corners import corner_speeds
from lapkit.analysers.lap.segment_times import segment_times
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.inputs import columns_of
from lapkit.analysers.lines.driven_line import NO_CURVATURE, height_of
from lapkit.analysers.lines.given import order_of
from lapkit.analysers.lines.height_run import COLUMNS, Course
from lapkit.analysers.lines.surface import surface
from lapkit.channels import STANDARD_GRAVITY, UNCERTAINTY, FloatArray
from lapkit.model.curvature import QUIET_SHARE, curvature_of
from lapkit.model.frame import attribute
from lapkit.model.noise import white_noise

TIGHT_OVER = 20.0
"""m. The tightest radius is that held over this much of the corner, so that no single kink decides (chosen: half a
second at 40 m/s, no source)."""
MOST_UNKNOWN = 0.2
"""Share of a stretch that may lie in holes before nothing is said of it (as for channels of a lap)."""

QUANTITIES = {
    "offset": "m", "path_length": "m", "radius": "m", "mean_radius": "m", "banking": "rad", "entry_speed": "m/s",
    "min_speed": "m/s", "exit_speed": "m/s", "corner_time": "s", "time_to_next": "s", "start_to_start": "s",
    "height_given": "m", "speed_gained": "m/s", "tyre_work": "J/kg", "cornering_load": "J/kg",
}  # fmt: skip
"""What is measured of each lap and corner -> SI unit."""


@dataclass(frozen=True)
class Measures:
    """Values of laps, corner by corner; the last column is the whole lap.

    Attributes
    ----------
    value, sigma : dict of str to ndarray, shape (laps, corners + 1)
        Quantity -> value, and standard uncertainty of its measurement; NaN where the data cannot say.
    kept : ndarray of bool, shape (laps given,)
        Laps that were measured: those without a hole at the end of a corner.
    scale : dict of str to float
        Quantity -> relative standard uncertainty that all its values share.
    notes : list of str
        What was assumed, and what is missing.
    """

    value: dict[str, FloatArray]
    sigma: dict[str, FloatArray]
    kept: NDArray[np.bool_]
    scale: dict[str, float] = field(default_factory=dict)
    notes: list[str] = field(default_factory=list)


class _Lap:
    """One lap as arrays, with integrals between places; `banking` is that of the reference line."""

    def __init__(self, frame: pd.DataFrame, banking: FloatArray | None) -> None:
        table = columns_of(frame)
        self.curvature, self.curvature_source = curvature_of(frame)
        self.place = frame.index.to_numpy(np.float64)
        self.nodes = np.append(self.place, float(attribute(frame, "track_length")))
        self.positioned = attribute(frame, "place_method") == "position"
        self.place_error = float(frame.attrs.get("place_error") or 0.0)
        self.speed, self.offset, self.banking = table["speed"], table.get("offset"), banking
        rest = float(attribute(frame, "lap_time")) - float(table["time"][-1])
        self.path = np.append(table["path"], table["path"][-1] + max(rest, 0.0) * self.speed[-1])
        metres = np.diff(self.path)
        self.metres = np.where(np.isfinite(metres), metres, np.diff(self.nodes))  # in a hole the reference line's

    def integral(self, values: FloatArray, start: FloatArray, end: FloatArray, *, mean: bool = False) -> FloatArray:
        """Integral over metres driven, or mean, of a column between places; a hole is taken to be like the rest."""
        closed = np.append(values, values[-1])
        cell = 0.5 * (closed[1:] + closed[:-1])
        known = np.isfinite(cell)
        rows = np.stack([np.where(known, cell, 0.0), known, np.ones(len(cell))]) * self.metres
        sums = np.concatenate([np.zeros((3, 1)), np.cumsum(rows, axis=1)], axis=1)
        total, seen, whole = (np.interp(end, self.nodes, c) - np.interp(start, self.nodes, c) for c in sums)
        value = total / np.maximum(seen, 1e-9)
        return np.where(seen > (1.0 - MOST_UNKNOWN) * whole, value if mean else value * whole, np.nan)

    def level(self) -> FloatArray:
        """Acceleration across the path in the level plane, m/s2, left positive."""
        return np.asarray(self.speed**2 * self.curvature)

    def in_plane(self) -> FloatArray:
        """Acceleration in the plane of the surface, which is what tyres give, m/s2, left positive."""
        if self.banking is None or self.curvature_source == "lateral acceleration":  # which is felt in that plane
            return self.level()
        return np.asarray(self.level() * np.cos(self.banking) - STANDARD_GRAVITY * np.sin(self.banking))

    def tightest(self, side: float, start: float, end: float, over: float) -> float:
        """Largest mean curvature over some metres inside a corner, 1/m."""
        inside = (self.place >= start) & (self.place < end)
        bend = side * self.curvature[inside]
        step = self.place[1] - self.place[0]
        width = int(np.clip(round(min(over, (end - start) / 3.0) / step), 1, max(len(bend), 1)))
        if len(bend) < width or not np.isfinite(bend).all():
            bend = bend[np.isfinite(bend)]
            width = min(width, len(bend))
        if not len(bend):
            return float("nan")
        total = np.append(0.0, np.cumsum(bend))
        return float(np.max(total[width:] - total[:-width]) / width)

    def kinks(self, over: float) -> float:
        """How noisy curvature is from one stretch of `over` metres to the next, 1/m."""
        stride = max(round(over / (self.place[1] - self.place[0])), 1)
        return white_noise(self.curvature, stride=stride, share=QUIET_SHARE)


def measure(
    frames: Sequence[pd.DataFrame],
    corners: Sequence[Mapping[str, Any]],
    model: LongitudinalModel,
    *,
    tight_over: float = TIGHT_OVER,
) -> Measures:
    """Measure laps corner by corner.

    Parameters
    ----------
    frames : sequence of DataFrame
        Frames of whole laps on one grid.
    corners : sequence of mappings
        corner, start_distance, apex_distance, end_distance (m), direction, in driving order.
    model : LongitudinalModel
        The car; without one that fits there is no tyre work in J/kg.
    tight_over : float
        Metres of the corner over which the tightest radius is taken.

    Returns
    -------
    Measures

    Notes
    -----
    The straight that the start/finish line lies on is put together from its two ends in the same lap, so that the times
    of a lap add up to its lap time.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> found = measure([session.best()], session.track.corners.to_dict("records"), lapkit.longitudinal_model(session))
    >>> bool(found.value["start_to_start"][0, -1] == session.best().attrs["lap_time"])
    True
    """
    where = pd.DataFrame(list(corners), columns=["start_distance", "apex_distance", "end_distance"], dtype=np.float64)
    starts, apexes, ends = where.to_numpy().T
    apexes = np.where((apexes > starts) & (apexes < ends), apexes, 0.5 * (starts + ends))
    length = float(attribute(frames[0], "track_length"))
    edges = np.concatenate([[0.0], np.stack([starts, ends], axis=1).ravel(), [length]])
    times, clock_sigma = segment_times(frames, edges)
    kept = np.asarray(np.isfinite(times).all(axis=1))
    frames = [frame for frame, ok in zip(frames, kept, strict=True) if ok]
    shape = (len(frames), len(corners) + 1)
    value, sigma = ({name: np.full(shape, np.nan) for name in QUANTITIES} for _ in range(2))
    out = Measures(value, sigma, kept)
    if not frames:
        return out
    _times(out, times[kept], clock_sigma[kept])
    lap_start, lap_end = np.append(starts, 0.0), np.append(ends, length)
    middle = 0.5 * (starts + apexes), 0.5 * (apexes + ends)
    banking, ground = _surface(out, frames, middle)
    laps = [_Lap(frame, banking) for frame in frames]
    side = np.array([-1.0 if c.get("direction") == "right" else 1.0 for c in corners])
    load, level = np.full(shape, np.nan), np.full(shape, np.nan)
    for k, (frame, lap) in enumerate(zip(frames, laps, strict=True)):  # laps, not samples
        mine, unsure = ({name: block[k] for name, block in d.items()} for d in (value, sigma))
        _speeds(frame, corners, mine, unsure, lap)
        if lap.positioned and lap.offset is not None:
            mine["offset"][:] = lap.integral(lap.offset, lap_start, lap_end, mean=True)
            mine["path_length"][:] = np.interp(lap_end, lap.nodes, lap.path) - np.interp(lap_start, lap.nodes, lap.path)
            unsure["offset"][:] = lap.place_error
            # one and the same shift of position errs apart along the track at the two ends of a turn: twice in half a turn
            turned = lap.integral(lap.curvature, lap_start, lap_end)
            opposite = np.maximum(np.sqrt(2.0), 2.0 * np.abs(np.sin(0.5 * np.nan_to_num(turned))))
            unsure["path_length"][:] = opposite * lap.place_error
            unsure["path_length"][-1] = float(frame.attrs.get("lap_time_uncertainty") or 0.0) * np.nanmean(lap.speed)
        if banking is not None:
            mine["banking"][:-1] = _mean(lap.place, banking, *middle)
        bend = [lap.tightest(s, a, b, tight_over) for s, a, b in zip(side, starts, ends, strict=True)]
        steady = side * lap.integral(lap.curvature, *middle, mean=True)
        # a bulge of position over some metres of an arc is taken for another radius: its sagitta is s^2 / (8 R)
        bulge = 8.0 * lap.place_error * lap.positioned / np.square(np.maximum(middle[1] - middle[0], tight_over))
        for name, curve, error in (("radius", np.array(bend), lap.kinks(tight_over)), ("mean_radius", steady, bulge)):
            mine[name][:-1] = np.where(curve > 0, 1.0 / np.where(curve > 0, curve, 1.0), np.nan)
            unsure[name][:-1] = mine[name][:-1] ** 2 * error
        _heights(frame, corners, mine, unsure, lap, model, ground)
        sideways = lap.in_plane()
        mine["cornering_load"][:] = lap.integral(np.abs(sideways), lap_start, lap_end)
        load[k] = lap.integral(sideways**2, lap_start, lap_end)
        level[k] = lap.integral(lap.level() ** 2, lap_start, lap_end)
        unsure["cornering_load"][:] = mine["cornering_load"] * 2.0 * unsure["min_speed"][-1] / np.nanmean(lap.speed)
    _tyre_work(out, model, load, level)
    if np.isnan(value["radius"]).all() and corners:
        source = laps[0].curvature_source
        out.notes.append(f"No radius and no tyre work: {NO_CURVATURE if source == 'none' else source}.")
    return out


def _mean(place: FloatArray, values: FloatArray, start: FloatArray, end: FloatArray) -> FloatArray:
    """Mean over the rows from each start to each end."""
    inside = (place >= start[:, None]) & (place < end[:, None])
    return np.asarray((inside @ values) / np.maximum(inside.sum(axis=1), 1))


def _heights(
    frame: pd.DataFrame,
    corners: Sequence[Mapping[str, Any]],
    value: dict[str, FloatArray],
    sigma: dict[str, FloatArray],
    lap: _Lap,
    model: LongitudinalModel,
    ground: pd.DataFrame | None,
) -> None:
    """Height given up from the highest place of each corner to its end, and the speed it brought."""
    ground = ground if lap.positioned else None
    if not corners or (ground is None and not np.isfinite(height_of(frame)[0]).any()):
        return
    rows = np.array(Course(frame, model=model, surface=ground, curvature=lap.curvature).runs(corners))
    for name in ("height_given", "speed_gained"):
        value[name][:-1], sigma[name][:-1] = (rows[:, COLUMNS.index(column)] for column in (name, name + UNCERTAINTY))


def _surface(
    out: Measures, frames: Sequence[pd.DataFrame], middle: tuple[FloatArray, FloatArray]
) -> tuple[FloatArray | None, pd.DataFrame | None]:
    """Banking, 0 where it is not known, and the surface with its height; None where a corner's middle is not known."""
    if not len(middle[0]):
        return None, None
    table = surface(sorted(frames, key=order_of))
    place, banking = table.index.to_numpy(np.float64), table["banking"].to_numpy(np.float64)
    inside = ((place >= middle[0][:, None]) & (place < middle[1][:, None])).any(axis=0)
    if np.isnan(banking[inside]).any():
        out.notes.append(
            "Banking is not known, so lateral acceleration is that of a level track; on banking tyres carry less. A track "
            "file with banking, or laps with altitude on lines metres apart, would add it."
        )
        return None, None
    unsure = float(np.degrees(np.median(table["banking_uncertainty"].to_numpy()[inside])))
    out.notes.append(
        f"Banking is from {table.attrs['sources']['banking']}, ±{2.0 * unsure:.1f}°, and the same for all laps: it is known "
        "along the reference line, not across the track."
    )
    return np.where(np.isfinite(banking), banking, 0.0), table if table["height"].notna().all() else None


def _times(out: Measures, times: FloatArray, sigma: FloatArray) -> None:
    """Times in the corners and between them, so that they add up to the lap times."""
    begin, end = times[:, 1:-1:2], times[:, 2:-1:2]
    begin_sigma, end_sigma = sigma[:, 1:-1:2], sigma[:, 2:-1:2]
    lap_time, lap_sigma = times[:, -1:], np.sqrt(2.0) * sigma[:, -1:]
    inside = end - begin
    if inside.shape[1]:
        between = np.concatenate([begin[:, 1:] - end[:, :-1], (lap_time - end[:, -1:]) + begin[:, :1]], axis=1)
    else:
        between = inside
    next_sigma = np.roll(begin_sigma, -1, axis=1)
    for name, per_corner, spread in (
        ("corner_time", inside, np.hypot(begin_sigma, end_sigma)),
        ("time_to_next", between, np.hypot(end_sigma, next_sigma)),
        ("start_to_start", inside + between, np.hypot(begin_sigma, next_sigma)),
    ):
        total = lap_time if name == "start_to_start" else per_corner.sum(axis=1, keepdims=True)
        out.value[name][:] = np.concatenate([per_corner, total], axis=1)
        total_sigma = np.sqrt((spread**2).sum(axis=1, keepdims=True))
        out.sigma[name][:] = np.concatenate([spread, lap_sigma if name == "start_to_start" else total_sigma], axis=1)


def _speeds(
    frame: pd.DataFrame,
    corners: Sequence[Mapping[str, Any]],
    values: dict[str, FloatArray],
    sigma: dict[str, FloatArray],
    lap: _Lap,
) -> None:
    """Entry, lowest and exit speed; of the lap the lowest."""
    if not corners:
        values["min_speed"][-1] = float(np.nanmin(lap.speed))
        return
    found = corner_speeds(frame, corners)
    noise = found.pop("min_speed_uncertainty")
    for name, speeds in found.items():
        values[name][:-1] = speeds
    steep = np.abs(np.gradient(lap.speed, lap.place))
    sigma["min_speed"][:-1] = noise
    for name, bound in (("entry_speed", "start_distance"), ("exit_speed", "end_distance")):
        at = np.array([float(c[bound]) for c in corners])
        sigma[name][:-1] = np.hypot(noise, lap.place_error * np.interp(at, lap.place, np.nan_to_num(steep)))
    if np.isfinite(values["min_speed"][:-1]).all():
        slowest = int(np.argmin(values["min_speed"][:-1]))
        values["min_speed"][-1], sigma["min_speed"][-1] = values["min_speed"][slowest], noise[slowest]


def _tyre_work(out: Measures, model: LongitudinalModel, load: FloatArray, level: FloatArray) -> None:
    """Energy the cornering takes, with the coefficient of the car's model."""
    coefficient = model.coefficient("cornering") if model.ok else 0.0
    if not coefficient > 0:
        why = model.reason if not model.ok else "the laps do not show what bends cost"
        out.notes.append(
            f"Tyre work in J/kg needs a model of the car ({why}); cornering_load, the integral of lateral acceleration "
            "over metres driven, compares the lines without saying what either costs."
        )
        return
    # the model knows v^2 times curvature, whatever the banking: what it found is shared out by what tyres really give
    felt = float(np.nansum(load[:, -1]))
    ratio = float(np.nansum(level[:, -1])) / felt if felt > 0 else 1.0
    work = out.value["tyre_work"][:] = coefficient * ratio * load
    out.sigma["tyre_work"][:] = 2.0 * work * out.sigma["cornering_load"] / out.value["cornering_load"]
    out.scale["tyre_work"] = relative = float(model.uncertainties[model.names.index("cornering")]) / coefficient
    out.notes.append(
        f"Tyre work is what the cornering takes by the car's model (coefficient {coefficient:.2g} s2/m, "
        f"±{200 * relative:.0f} % in all its values alike), not heat or wear, which no channel shows."
    )
