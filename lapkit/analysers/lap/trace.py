"""Samples of a whole session, or of one lap, as one continuous run of arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.errors import ColumnError, FrameError, LapError
from lapkit.model.frame import unlabelled
from lapkit.model.given import said, session_given
from lapkit.model.show import counted

if TYPE_CHECKING:
    from lapkit.model.session import Session


@dataclass(frozen=True)
class Trace:
    """Samples in driving order, with time and place counted on over the laps.

    Attributes
    ----------
    table : DataFrame
        The samples, without attributes.
    time, place : ndarray, shape (n,)
        s and m, both counted on over the laps; time is increasing.
    numbers : ndarray of int, shape (laps,)
        Lap numbers in driving order.
    lap_time_zero, lap_place_zero : ndarray, shape (laps,)
        Time and place of the crossing that begins each lap.
    place_error : ndarray, shape (laps,)
        Standard error of place, m.
    whole : ndarray of bool, shape (laps,)
        Whether the lap runs from line to line.
    interval : float
        Usual time between recorded samples, s.
    gridded : bool
        Whether the rows are those of a lap frame rather than recorded samples.
    source : str
        Name of the file, for messages.
    """

    table: pd.DataFrame
    time: FloatArray
    place: FloatArray
    numbers: NDArray[np.int64]
    lap_time_zero: FloatArray
    lap_place_zero: FloatArray
    place_error: FloatArray
    whole: NDArray[np.bool_]
    interval: float
    gridded: bool
    source: str

    def check(self, lap: int | None) -> None:
        """Raise LapError where a lap is asked for that is not there."""
        number = isinstance(lap, int | np.integer) and not isinstance(lap, bool)
        if lap is not None and not (number and lap in self.numbers):
            known = ", ".join(str(number) for number in self.numbers[:40])
            raise LapError(f"{self.source}: there is no lap {said(lap)}; the recording has laps {known}.")

    def channel(self, name: str) -> FloatArray | None:
        """Return a channel as floats, None where the samples have none or only NaN.

        Raises
        ------
        ColumnError
            If it holds words.
        """
        if name not in self.table.columns:
            return None
        try:
            values = self.table[name].to_numpy(np.float64, na_value=np.nan)
        except (TypeError, ValueError) as error:
            raise ColumnError(f"{self.source}: the channel '{name}' does not hold numbers ({error}).") from error
        return values if np.isfinite(values).any() else None

    def required(self, name: str, purpose: str) -> FloatArray:
        """Return a channel, or say what it is needed for.

        Raises
        ------
        ColumnError
            If the samples have no such channel.
        """
        values = self.channel(name)
        if values is None:
            known = ", ".join(str(column) for column in self.table.columns)
            raise ColumnError(
                f"{self.source}: {purpose} need the channel '{name}', and there is none (there are: {known}). "
                f"If a column of the file holds it, name it with load(..., columns={{'{name}': '<header>'}})."
            )
        return values

    def lap_at(self, time: FloatArray) -> NDArray[np.intp]:
        """Return which lap (row of `numbers`) each time lies in; a crossing belongs to the lap it begins."""
        return np.clip(np.searchsorted(self.lap_time_zero, time, side="right") - 1, 0, len(self.numbers) - 1)

    def place_at(self, time: FloatArray) -> FloatArray:
        """Return the place (m, counted on) at given times."""
        known = np.isfinite(self.time) & np.isfinite(self.place)
        return np.interp(time, self.time[known], self.place[known])


def trace_of(laps: Session | pd.DataFrame) -> Trace:
    """Make the trace of a session, or of one lap's frame or samples.

    Parameters
    ----------
    laps : Session or DataFrame
        A session, a lap frame (index `distance`, column `time`), or samples (columns `time` and
        `distance`) of one lap.

    Returns
    -------
    Trace

    Raises
    ------
    FrameError
        If the frame has no time or no distance, fewer than two rows with both, or time does not increase.

    Examples
    --------
    >>> lap = pd.DataFrame({"time": [0.0, 0.1, 0.2], "distance": [0.0, 4.0, 8.0], "speed": 40.0})
    >>> trace_of(lap).place_at(np.array([0.15])).tolist()
    [6.0]
    """
    if isinstance(laps, pd.DataFrame):
        return _of_frame(laps)
    laps = session_given(laps, "laps", "a session, or one lap's frame or samples")
    table = laps.placed_samples()
    time = table["time"].to_numpy(np.float64)
    lap = table["lap"].to_numpy(np.int64)
    first = np.concatenate([[0], np.flatnonzero(np.diff(lap)) + 1])
    ordinal = np.arange(len(first), dtype=np.float64)
    length = float(laps.track.length or 0.0)
    errors = laps.place_errors
    return Trace(
        table=table,
        time=time,
        place=table["distance"].to_numpy(np.float64) + np.repeat(ordinal, np.diff(np.append(first, len(lap)))) * length,
        numbers=lap[first],
        lap_time_zero=time[first] - table["lap_clock"].to_numpy(np.float64)[first],
        lap_place_zero=ordinal * length,
        place_error=np.array([errors[number] for number in lap[first].tolist()]),
        whole=laps.laps.set_index("lap")["complete"].loc[lap[first]].to_numpy(bool),
        interval=float(np.median(np.diff(time))),
        gridded=False,
        source=str(laps.recording.provenance.source),
    )


def _of_frame(frame: pd.DataFrame) -> Trace:
    source = str(frame.attrs.get("source", "the frame"))
    gridded = "distance" not in frame.columns
    missing = ["time"] if "time" not in frame.columns else []
    if gridded and frame.index.name != "distance":
        missing.append("distance")
    if missing:
        raise FrameError(
            f"{source}: the lap has no {' and no '.join(missing)}; give a session, session.lap(n), or one lap's samples "
            f"with columns 'time' and 'distance' (found: {', '.join(str(column) for column in frame.columns)})."
        )
    table = unlabelled(frame)
    time = table["time"].to_numpy(np.float64, na_value=np.nan)
    place = (table.index if gridded else table["distance"]).to_numpy(np.float64, na_value=np.nan)
    known = np.isfinite(time) & np.isfinite(place)
    if np.count_nonzero(known) < 2:
        raise FrameError(
            f"{source}: the lap has {counted(int(np.count_nonzero(known)), 'row')} with time and distance; two are needed."
        )
    if (np.diff(time[known]) <= 0).any():
        raise FrameError(
            f"{source}: the lap's time does not increase from row to row; pass the session for several laps."
        )
    return Trace(
        table=table,
        time=time,
        place=place,
        numbers=np.array([int(frame.attrs.get("lap", 1))], dtype=np.int64),
        lap_time_zero=np.zeros(1),
        lap_place_zero=np.zeros(1),
        place_error=np.array([float(frame.attrs.get("place_error") or 0.0)]),
        whole=np.array([bool(frame.attrs.get("complete", True))]),
        interval=float(frame.attrs.get("sample_interval") or np.median(np.diff(time[known]))),
        gridded=gridded,
        source=source,
    )
