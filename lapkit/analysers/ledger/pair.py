"""Two laps brought to common places, from the line to the line, for what compares them exactly."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.inputs import Inputs, inputs_of, smooth, zeroed
from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.frame import MAX_LENGTH_DIFFERENCE, attribute, check_two_laps


@dataclass(frozen=True)
class Pair:
    """Two laps on common nodes, from the line to the line; the first is the one compared with.

    Attributes
    ----------
    length, step : float
        Length of the lap and grid step, m.
    place : ndarray, shape (nodes,)
        Places, m: the line, the rows of the grid that both laps know, the line. What lies between two is a cell.
    time : ndarray, shape (2, nodes)
        s since the laps' own crossings; the last column is the lap times, exactly.
    metres : ndarray, shape (2, nodes - 1)
        Metres driven in each cell, above zero.
    channels : dict of str to ndarray, shape (2, nodes)
        As in `Inputs`, at the nodes.
    inputs : Inputs
        What the channels came from.
    lap_time, lap_time_sigma, place_error : list of float
        Of each lap: s, s, m.
    speed_at_line : float
        m/s.
    notes : list of str
        What should be said.
    """

    length: float
    step: float
    place: FloatArray
    time: FloatArray
    metres: FloatArray
    channels: dict[str, FloatArray]
    inputs: Inputs
    lap_time: list[float]
    lap_time_sigma: list[float]
    place_error: list[float]
    speed_at_line: float
    notes: list[str]

    @classmethod
    def of(cls, frames: Sequence[pd.DataFrame], max_length_difference: float = MAX_LENGTH_DIFFERENCE) -> Pair:
        """Put two lap frames on common nodes; FrameError where they are not whole laps of one track on one grid."""
        names = [f"lap {attribute(f, 'lap')} of {attribute(f, 'source')}" for f in frames]
        for frame, name in zip(frames, names, strict=True):
            if "time" not in frame.columns or len(frame) < 8:
                raise FrameError(
                    f"{name}: the ledger needs a lap frame with the column 'time' and at least eight rows."
                )
            lap_time = attribute(frame, "lap_time")
            if lap_time is None or not np.isfinite(lap_time):
                raise FrameError(
                    f"{name} is not a whole lap, from line to line, so it has no lap time to explain; choose one that the "
                    "lap table shows as complete."
                )
        check_two_laps(frames[0], frames[1], max_length_difference)
        lengths = [float(attribute(f, "track_length")) for f in frames]
        length, step = min(lengths), float(attribute(frames[0], "step"))
        notes = []
        if max(lengths) - length > 1e-6 * length:
            notes.append(
                f"{names[0]} is {lengths[0]:.1f} m round and {names[1]} {lengths[1]:.1f} m: places are compared as fractions "
                "of the lap. load(..., track=first_session.track) puts both on one track."
            )
        said = [f.attrs for f in frames]
        inputs = inputs_of(frames)
        count = min(len(f) for f in frames)
        place = np.arange(count) * step
        assert inputs.time is not None
        time = inputs.time[:, :count].copy()
        if inputs.path is not None:
            driven = inputs.path[:, :count].copy()
        else:
            driven = np.concatenate([np.zeros((2, 1)), np.cumsum(inputs.metres, axis=1)], axis=1)[:, :count]
        channels = {name: values[:, :count] for name, values in inputs.channels.items()}
        for k in (0, 1):
            if lengths[k] - length > 1e-6 * length:  # the longer lap, read at the same share of the lap
                at = place * (lengths[k] / length)
                whole = np.arange(len(frames[k])) * step
                for rows, source in ((time, inputs.time), (driven, inputs.path)):
                    if source is not None:
                        rows[k] = np.interp(at, whole, source[k, : len(whole)], right=np.nan)
                channels = {
                    name: np.stack(
                        [
                            np.interp(at, whole, inputs.channels[name][j, : len(whole)]) if j == k else values[j]
                            for j in (0, 1)
                        ]
                    )
                    for name, values in channels.items()
                }
        lap_times = [float(a["lap_time"]) for a in said]
        kept = np.isfinite(time).all(axis=0) & np.isfinite(driven[:, :count]).all(axis=0)
        kept &= (place > 0.25 * step) & (place < length - 0.5 * step)
        for k in (0, 1):  # nothing before the crossing that begins the lap, nor after the one that ends it
            least = 0.1 * step / max(float(np.nanmedian(channels["speed"][k])), 1.0)
            kept &= ~(time[k] <= least) & ~(time[k] >= lap_times[k] - least)
        rows_kept = np.flatnonzero(kept)
        if len(rows_kept) < 8:
            raise FrameError(
                f"{names[0]} and {names[1]} share too few rows with time ({len(rows_kept)}); nothing can be divided."
            )
        nodes = np.concatenate([[0.0], place[rows_kept], [length]])
        times = np.concatenate([np.zeros((2, 1)), time[:, rows_kept], np.array(lap_times)[:, None]], axis=1)
        if (np.diff(times, axis=1) <= 0).any():
            raise FrameError(
                f"{names[0]}, {names[1]}: time does not increase along the lap; give frames of session.lap(n)."
            )
        last = channels["speed"][:, rows_kept[-1]]
        metres = np.diff(np.concatenate([np.zeros((2, 1)), driven[:, rows_kept]], axis=1), axis=1)
        # over the last part of a metre, at the speed last seen
        metres = np.concatenate(
            [metres, (np.where(np.isfinite(last), last, 1.0) * (times[:, -1] - times[:, -2]))[:, None]], axis=1
        )
        metres = np.maximum(metres, 1e-6)
        ends = np.concatenate([[0], rows_kept, [rows_kept[-1]]])
        holes = float(np.sum(np.diff(nodes)[np.diff(nodes) > 1.6 * step]))
        if holes > 0:
            notes.append(
                f"{holes:.0f} m lie in holes of the data: what was done there is not known and stands as unexplained."
            )
        speeds = [float(a.get("speed_at_line") or np.nan) for a in said]
        return cls(
            length=length,
            step=step,
            place=nodes,
            time=times,
            metres=metres,
            channels={name: values[:, ends] for name, values in channels.items()},
            inputs=inputs,
            lap_time=lap_times,
            lap_time_sigma=[_number(a.get("lap_time_uncertainty")) for a in said],
            place_error=[_number(a.get("place_error")) for a in said],
            speed_at_line=float(np.nanmean(speeds)) if np.isfinite(speeds).any() else float(np.nanmedian(last)),
            notes=notes,
        )


def _number(value: Any) -> float:
    return 0.0 if value is None or not np.isfinite(value) else float(value)


def line_metres(pair: Pair) -> FloatArray | None:
    """Return the metres of each cell on either line, from offset and the curvature of the reference line.

    Unlike metres by speed they do not know of the drift of position along the track.

    Returns
    -------
    ndarray, shape (2, cells), or None
        None without position all round both laps.
    """
    offset = pair.channels.get("offset")
    bend = _reference_curvature(pair)
    if offset is None or bend is None or not np.isfinite(offset).all():
        return None
    slope = np.gradient(offset, pair.place, axis=1)
    stretch = np.hypot(1.0 - bend * offset, slope)
    return np.asarray(0.5 * (stretch[:, 1:] + stretch[:, :-1]) * np.diff(pair.place))


def _reference_curvature(pair: Pair) -> FloatArray | None:
    """Curvature of the reference line, from that of the two driven lines beside it."""
    driven, offset = pair.channels.get("curvature"), pair.channels.get("offset")
    if driven is None or offset is None:
        return None
    second = np.gradient(np.gradient(offset, pair.place, axis=1), pair.place, axis=1)
    bend = zeroed(driven) - zeroed(second)
    own = (bend / np.clip(1.0 + bend * offset, 0.3, 3.0)).mean(axis=0)
    return smooth(own, pair.inputs.sigma["offset"] / pair.step)  # a second derivative asks for more smoothing


def turned(pair: Pair) -> FloatArray:
    """Return the angle turned in each cell, rad, mean of the two laps; zero where not known."""
    driven = pair.channels.get("curvature")
    if driven is None:
        return np.zeros(len(pair.place) - 1)
    bend = zeroed(driven).mean(axis=0)
    return np.asarray(0.5 * (bend[1:] + bend[:-1]) * np.diff(pair.place))
