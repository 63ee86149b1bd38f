"""The best possible lap: the best of each segment, and the lap a driver could really join up from them.

The best of each segment is a sum of the fastest pieces, whoever could have driven them one after the other. A lap
that can be joined up changes from one recorded lap to another only where the two agree in speed and in offset. And
the fastest of several equal laps is partly the luckiest reading, so the gain is also given less that luck.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.lap.segment_times import segment_times
from lapkit.channels import FloatArray
from lapkit.errors import FrameError, LapError
from lapkit.model.corners import segments_of
from lapkit.model.frame import attribute, unlabelled
from lapkit.model.given import laps_given
from lapkit.model.session import Session
from lapkit.model.show import clock, html_table, readable, text_table

SPEED_TOLERANCE = 0.7
"""m/s. Two laps whose speeds at a seam differ by more cannot be joined there (chosen, no source)."""
OFFSET_TOLERANCE = 1.0
"""m. The same for the offset from the reference line: about half a car's width (chosen, no source)."""
LASTING = 300.0
"""m. How far on a difference of speed has shrunk to a third where no model of the car says it (chosen, no source)."""

COLUMNS = [
    "segment", "start_distance", "end_distance", "best_lap", "best_time", "joined_lap", "joined_time", "time_gained",
    "time_gained_uncertainty", "seam_speed_difference", "seam_offset_difference", "seam_cost",
]  # fmt: skip


@dataclass(frozen=True, repr=False)
class BestLap:
    """What the laps of a run add up to.

    Attributes
    ----------
    table : DataFrame
        One row a segment: segment, start_distance, end_distance (m, half-open); best_lap, best_time (s), the fastest
        through it; joined_lap, joined_time (s), the lap that the joined lap takes there; time_gained (s, positive is
        faster) of the joined lap on the best lap, with its standard uncertainty; seam_speed_difference (m/s) and seam_offset_difference (m), the lap
        joined to less the lap left, at the segment's start; seam_cost (s), the price of arriving there slower.
    lap : int
        The best lap driven.
    lap_time : float
        Its time, s.
    best_of_each : float
        Sum of the best times of all segments, s. Nobody has shown that they can be driven in one lap.
    joined : float
        Time of the joined lap, s, seams paid for.
    joined_uncertainty : float
        One standard uncertainty of the gain over the best lap, s.
    expected_gain : float
        Seconds by which the joined lap is expected to beat the best lap once it is allowed for that the fastest readings were
        picked (regression to the mean): of the whole lap, never more than the gain; NaN under three laps.
    frame : DataFrame
        The joined lap as a lap frame, for charts and `delta`; ``attrs["lap"]`` is "joined", ``attrs["name"]`` "joined lap".
    notes : list of str
    """

    table: pd.DataFrame
    lap: int
    lap_time: float
    best_of_each: float
    joined: float
    joined_uncertainty: float
    expected_gain: float
    frame: pd.DataFrame
    notes: list[str] = field(default_factory=list)

    @property
    def seams(self) -> int:
        """How often the joined lap changes from one recorded lap to another."""
        laps = self.table["joined_lap"].to_numpy()
        return int(np.count_nonzero(laps[1:] != laps[:-1]))

    @property
    def gained(self) -> float:
        """What the joined lap gains on the best lap as the two are printed, to the millisecond, so that they add up; s."""
        return round(self.lap_time, 3) - round(self.joined, 3)

    @property
    def headline(self) -> str:
        """The finding in a few words."""
        if not self.seams:
            return f"Lap {self.lap} is the best that can be joined up"
        if self.lap_time - self.joined <= 2 * self.joined_uncertainty:
            return f"The joined lap is no faster than lap {self.lap}, as far as the reading can tell"
        return f"The joined lap is {self.gained:.3f} s faster than lap {self.lap}"

    def words(self) -> list[str]:
        """Say what was found, a sentence each."""
        gain, sigma = self.lap_time - self.joined, self.joined_uncertainty
        said = [f"The best lap driven is lap {self.lap}: {clock(self.lap_time)} s."]
        if (self.table["best_lap"] == self.lap).all():
            return [said[0] + " No other lap was faster in any segment, so it is the best that can be joined up."]
        said[0] += (
            f" The best of each segment adds up to {clock(self.best_of_each)} s, "
            f"{round(self.lap_time, 3) - round(self.best_of_each, 3):.3f} s less, but nobody has driven them in one lap."
        )
        if not self.seams:
            said.append(
                "No other lap meets it at a seam and gains there: the best lap is the best that can be joined up."
            )
            return said
        used = sorted(set(self.table["joined_lap"].tolist()))
        agree = "speeds and offsets agree" if self.table["seam_offset_difference"].notna().any() else "speeds agree"
        said.append(
            f"Pieces of laps {', '.join(map(str, used[:-1]))} and {used[-1]} (the table says which) can be joined up, with "
            f"{self.seams} change{'s' if self.seams > 1 else ''} of lap, each where the {agree}: {clock(self.joined)} s, "
            f"{self.gained:.3f} ±{2 * sigma:.3f} s less than the best lap."
        )
        if gain <= 2 * sigma:
            said.append("That is within what the reading may be out by, so no gain is shown.")
        elif np.isfinite(self.expected_gain):
            said.append(
                f"The fastest readings were picked, and some of them read fast by luck: {self.expected_gain:.3f} s of it is more "
                "than error of reading. Whether a driver puts his best pieces together in one lap is another question."
            )
        gained = self.table.sort_values("time_gained", ascending=False, kind="stable").iloc[0]
        said.append(
            f"The most is {'on the' if str(gained['segment']).startswith('straight') else 'in'} {gained['segment']}: {gained['time_gained']:.3f} s, as lap {gained['joined_lap']} drove it."
        )
        return said

    def to_dict(self) -> dict[str, Any]:
        """Return everything but the frame as plain numbers and words, for JSON."""
        return {
            "lap": self.lap, "lap_time": self.lap_time, "best_of_each": self.best_of_each, "joined": self.joined,
            "joined_uncertainty": self.joined_uncertainty, "expected_gain": self.expected_gain, "seams": self.seams,
            "segments": self.table.to_dict("records"), "notes": list(self.notes),
        }  # fmt: skip

    def _shown(self) -> pd.DataFrame:
        """The table as text, with a row of the whole lap, rounded so that what stands there adds up."""
        names = ["segment", "best_lap", "best_time", "joined_lap", "joined_time", "time_gained", "seam_cost"]
        table = self.table[[*names, "time_gained_uncertainty"]].copy()
        seams = round(float(table["seam_cost"].sum()), 3)
        whole = {"best_time": self.best_of_each, "joined_time": self.joined - seams, "seam_cost": seams,
                 "time_gained": self.gained + seams}  # fmt: skip
        for name, total in whole.items():
            table[name] = _adding_up(table[name].to_numpy(np.float64), total)
        lap = {
            "segment": "sum",
            "best_lap": None,
            "joined_lap": None,
            **whole,
            "time_gained_uncertainty": self.joined_uncertainty,
        }
        rows = [*table.to_dict("records"), lap]
        return readable(pd.DataFrame(rows, columns=list(table.columns), dtype=object), columns=names)

    def __repr__(self) -> str:
        table = self._shown()
        return "\n".join([*self.words(), text_table(list(table.columns), table.to_numpy().tolist(), left=[0]),
                          *(f"Note: {note}" for note in self.notes)])  # fmt: skip

    def _repr_html_(self) -> str:
        table = self._shown()
        notes = "".join(f"<p style='margin:2px 0'><b>Note:</b> {escape(note)}</p>" for note in self.notes)
        said = f"<p>{escape(' '.join(self.words()))}</p>"
        return said + html_table(list(table.columns), table.to_numpy().tolist(), left=[0]) + notes


def best_lap(
    laps: Session | Sequence[pd.DataFrame],
    *,
    speed_tolerance: float = SPEED_TOLERANCE,
    offset_tolerance: float = OFFSET_TOLERANCE,
    lasting: float = LASTING,
) -> BestLap:
    """Find the best possible lap of a run.

    Parameters
    ----------
    laps : Session or sequence of DataFrame
        A session, whose clean laps are taken, or frames of whole laps on one grid.
    speed_tolerance, offset_tolerance : float
        How much two laps may differ at a seam and still be joined there, m/s and m.
    lasting : float
        Metres over which a difference of speed shrinks to 1/e, to price a seam that is reached slower.

    Returns
    -------
    BestLap

    Raises
    ------
    LapError
        If there is no clean lap.
    FrameError
        If the frames differ in their grids, or a lap is not whole.

    Notes
    -----
    The joined lap is the cheapest way through (segment, lap), by dynamic programming: staying on a lap is free, changing
    to another needs both to agree within the tolerances, and arriving slower by dv costs dv times the integral of
    exp(-s / lasting) / v^2 over what follows. Arriving faster earns nothing.

    The luck of the reading: where laps scatter by s in a segment and the reading alone by m, the share 1 - m^2/s^2 of
    any difference between two laps is expected to be real (regression to the mean), chosen or not.

    Examples
    --------
    >>> import lapkit
    >>> best = best_lap(lapkit.load("sample_data/oval_run.csv"))
    >>> best.best_of_each <= best.joined <= best.lap_time
    True
    """
    frames, notes = _frames(laps)
    numbers = [attribute(frame, "lap") for frame in frames]
    length = float(attribute(frames[0], "track_length"))
    corners = pd.DataFrame(frames[0].attrs.get("corners") or [], columns=["corner", "start_distance", "end_distance"])
    segments = segments_of(corners, length)
    edges = np.append(segments["start_distance"].to_numpy(np.float64), length)
    times, sigma = segment_times(frames, edges)
    whole = np.asarray(np.isfinite(times).all(axis=1))
    if not whole.all():
        left_out = ", ".join(str(n) for n, ok in zip(numbers, whole, strict=True) if not ok)
        notes.append(f"Left out, as the recording has a hole at a seam: lap {left_out}.")
        frames = [frame for frame, ok in zip(frames, whole, strict=True) if ok]
        numbers = [n for n, ok in zip(numbers, whole, strict=True) if ok]
        times, sigma = times[whole], sigma[whole]
    if not frames:
        raise LapError("No lap is without a hole at the seams; a best possible lap needs at least one.")
    if len(frames) < 3:
        notes.append(
            f"{len(frames)} lap{'s' if len(frames) > 1 else ''}: too few to tell a good piece of driving from a lucky reading."
        )
    place = frames[0].index.to_numpy(np.float64)
    speed = _at(frames, "speed", place, edges[:-1])
    offset = _at(frames, "offset", place, edges[:-1])
    if offset is None:
        notes.append("There is no position: laps are joined where their speeds agree, whatever lane they were in.")
    cost, allowed = _seams(frames, place, edges, speed, offset, speed_tolerance, offset_tolerance, lasting)
    driven = np.diff(times, axis=1)
    chosen = _cheapest(driven, cost, allowed)
    top = int(np.argmin(times[:, -1]))
    across = np.arange(len(segments))
    previous = np.concatenate([chosen[:1], chosen[:-1]])
    seam_cost = cost[across, previous, chosen]
    gained = driven[top] - driven[chosen, across]
    own = sigma[chosen, :], sigma[top, :]
    spread = [np.hypot(own[0][across, across + side], own[1][across + side]) for side in (0, 1)]
    gained_sigma = np.where(chosen == top, 0.0, np.hypot(*spread))
    real = _real_share(driven, sigma)
    faster = driven.argmin(axis=0)
    table = pd.DataFrame(
        {
            "segment": segments["segment"],
            "start_distance": edges[:-1],
            "end_distance": edges[1:],
            "best_lap": [numbers[k] for k in faster],
            "best_time": driven.min(axis=0),
            "joined_lap": [numbers[k] for k in chosen],
            "joined_time": driven[chosen, across],
            "time_gained": gained,
            "time_gained_uncertainty": gained_sigma,
            "seam_speed_difference": speed[chosen, across] - speed[previous, across],
            "seam_offset_difference": np.nan if offset is None else offset[chosen, across] - offset[previous, across],
            "seam_cost": seam_cost,
        },
        columns=COLUMNS,
    )
    joined = float(driven[chosen, across].sum() + seam_cost.sum())
    # At a seam the laps left and joined were each read there once; between seams a lap's own readings cancel.
    changes = np.flatnonzero(chosen[1:] != chosen[:-1]) + 1
    variance = (own[0][changes, changes] ** 2 + own[0][changes - 1, changes] ** 2).sum()
    variance += 0.0 if chosen[0] == top else own[0][0, 0] ** 2 + own[1][0] ** 2
    variance += 0.0 if chosen[-1] == top else own[0][-1, -1] ** 2 + own[1][-1] ** 2
    expected = float((np.where(gained > 0, real, 1.0) * gained).sum() - seam_cost.sum())
    expected = float(np.clip(expected, 0.0, max(float(times[top, -1]) - joined, 0.0)))
    return BestLap(
        table, int(numbers[top]), float(times[top, -1]), float(driven.min(axis=0).sum()), joined, float(np.sqrt(variance)),
        expected, _joined_frame(frames, chosen, edges, place, times, seam_cost, joined), notes,
    )  # fmt: skip


def _adding_up(values: FloatArray, total: float, *, decimals: int = 3) -> FloatArray:
    """Values rounded so that they add up to the rounded total: the nearest to the next figure give way, zeros last."""
    figures = values * 10.0**decimals
    rounded = np.round(figures)
    short = round(total * 10**decimals - float(rounded.sum()))
    left = np.where(values == 0.0, -np.inf, np.sign(short) * (figures - rounded))
    rounded[np.argsort(-left, kind="stable")[: abs(short)]] += np.sign(short)
    return np.asarray(rounded / 10.0**decimals + 0.0)


def _frames(laps: Session | Sequence[pd.DataFrame]) -> tuple[list[pd.DataFrame], list[str]]:
    """The frames to join up, and what is to be said of those left out."""
    frames = laps_given(laps, "best_lap")
    if isinstance(frames, Session):
        frames.best_number()  # says why there is none
        return frames.clean_laps(), frames.left_out()
    for frame in frames:
        if len(frame) != len(frames[0]) or attribute(frame, "step") != attribute(frames[0], "step"):
            raise FrameError(
                "The laps lie on different grids; give laps of one session, or load with track=first.track."
            )
        if not np.isfinite(attribute(frame, "lap_time")):
            raise FrameError(f"lap {attribute(frame, 'lap')} does not run from line to line; give complete laps only.")
    return frames, []


def _at(frames: Sequence[pd.DataFrame], name: str, place: FloatArray, at: FloatArray) -> Any:
    """A channel of every lap at some places, shape (laps, places); None where a lap lacks it."""
    if not all(name in frame.columns for frame in frames):
        return None
    return np.stack([np.interp(at, place, unlabelled(frame)[name].to_numpy(np.float64)) for frame in frames])


def _seams(
    frames: Sequence[pd.DataFrame],
    place: FloatArray,
    edges: FloatArray,
    speed: FloatArray,
    offset: FloatArray | None,
    speed_tolerance: float,
    offset_tolerance: float,
    lasting: float,
) -> tuple[FloatArray, Any]:
    """Price of changing from lap l to lap m at the start of segment k, and whether that can be: shape (k, l, m)."""
    slower = speed.T[:, None, :] - speed.T[:, :, None]  # the lap joined to, less the lap left
    allowed = np.abs(slower) <= speed_tolerance
    if offset is not None:
        allowed &= np.abs(offset.T[:, None, :] - offset.T[:, :, None]) <= offset_tolerance
    count = len(frames)
    allowed |= np.eye(count, dtype=bool)
    step = place[1] - place[0]
    slowness = np.stack([unlabelled(frame)["speed"].to_numpy(np.float64) for frame in frames])
    weight = np.nan_to_num(1.0 / np.maximum(slowness, 1.0) ** 2)
    on = np.maximum(place[None, :] - edges[:-1, None], 0.0)
    fading = np.where(place[None, :] >= edges[:-1, None], np.exp(-on / lasting), 0.0) * step
    price = fading @ weight.T  # (k, m): s per m/s
    return np.maximum(slower, 0.0) * price[:, None, :], allowed


def _cheapest(driven: FloatArray, cost: FloatArray, allowed: Any) -> Any:
    """Lap taken in each segment by the cheapest way through, shape (segments,)."""
    total = driven[:, 0].copy()
    came = np.zeros((driven.shape[1], len(driven)), dtype=np.intp)
    for k in range(1, driven.shape[1]):  # segments, not samples
        ways = np.where(allowed[k], total[:, None] + cost[k], np.inf)
        came[k] = ways.argmin(axis=0)
        total = ways.min(axis=0) + driven[:, k]
    chosen = np.empty(driven.shape[1], dtype=np.intp)
    chosen[-1] = int(total.argmin())
    for k in range(len(chosen) - 1, 0, -1):
        chosen[k - 1] = came[k, chosen[k]]
    return chosen


def _real_share(driven: FloatArray, sigma: FloatArray) -> FloatArray:
    """Share of a difference between laps that is expected to be real, per segment; NaN under three laps."""
    if len(driven) < 3:
        return np.full(driven.shape[1], np.nan)
    read = (sigma[:, :-1] ** 2 + sigma[:, 1:] ** 2).mean(axis=0)
    scatter = driven.var(axis=0, ddof=1)
    return np.asarray(np.clip(1.0 - read / np.maximum(scatter, 1e-18), 0.0, 1.0))


def _joined_frame(
    frames: Sequence[pd.DataFrame],
    chosen: Any,
    edges: FloatArray,
    place: FloatArray,
    times: FloatArray,
    seam_cost: FloatArray,
    joined: float,
) -> pd.DataFrame:
    """The joined lap on the grid: each row is the chosen lap's, with time and path counted on across the seams."""
    common = [name for name in frames[0].columns if all(name in frame.columns for frame in frames)]
    segment = np.clip(np.searchsorted(edges, place, side="right") - 1, 0, len(chosen) - 1)
    source = chosen[segment]
    parts = [unlabelled(frame)[common] for frame in frames]
    pieces = [parts[k][(source == k)] for k in np.unique(source)]
    frame: pd.DataFrame = pd.concat(pieces).sort_index()
    began = np.cumsum(np.append(0.0, np.diff(times, axis=1)[chosen, np.arange(len(chosen))])) + np.cumsum(
        np.append(seam_cost, 0.0)
    )
    shift = began[:-1] - times[chosen, np.arange(len(chosen))]
    frame["time"] = frame["time"].to_numpy(np.float64) + shift[segment]
    if "path" in common:
        paths = _at(frames, "path", place, edges)
        driven = np.diff(paths, axis=1)[chosen, np.arange(len(chosen))]
        on = np.append(0.0, np.cumsum(driven))[:-1] - paths[chosen, np.arange(len(chosen))]
        frame["path"] = frame["path"].to_numpy(np.float64) + on[segment]
    frame.attrs = {**frames[int(chosen[0])].attrs, "lap": "joined", "name": "joined lap", "lap_time": joined, "lap_time_uncertainty": None,
                   "speed_at_line": frames[int(chosen[-1])].attrs.get("speed_at_line")}  # fmt: skip
    return frame
