"""Runs as tables: every whole lap of one or more recordings with the age of its tyres, and its corner times."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.channels import CHANNELS, FloatArray
from lapkit.errors import FrameError, LapkitError

if TYPE_CHECKING:
    from lapkit.model.session import Session

RUN_COLUMNS = {
    "run": "int64", "source": "object", "lap": "int64", "tyre_age": "int64", "clock": "float64", "fuel": "float64",
    "lap_time": "float64", "lap_time_uncertainty": "float64", "flags": "object", "odd": "object",
}  # fmt: skip
"""Column -> dtype of the table of runs."""
CORNER_TIME_COLUMNS = {
    "run": "int64", "lap": "int64", "corner": "object", "corner_time": "float64", "corner_time_uncertainty": "float64",
}  # fmt: skip
MEANS = ("temperature", "pressure")
"""Dimensions of the channels whose mean over each lap is given too."""


def run_table(runs: Session | Sequence[Session], *, tyre_age: int | Sequence[int] = 0) -> pd.DataFrame:
    """List every whole lap of one or more recordings, run by run.

    A recording is one run, and a new one begins in it after each stop.

    Parameters
    ----------
    runs : Session or sequence of Session
        Recordings. Which was driven first is read from their clocks, not from their order here.
    tyre_age : int or sequence of int
        Laps already done on the tyres when each recording begins. In a recording they age by a lap a track length driven,
        the way out of the pits included.

    Returns
    -------
    DataFrame
        One row a lap that runs from line to line: run (1, 2, ... in the order given), source, lap, tyre_age (laps done on
        the tyres when the lap begins), clock (s from the beginning of the first recording to that of the lap; NaN where
        several recordings do not all tell the time of day), fuel (m3 at the lap's start, NaN where not logged), lap_time and
        its uncertainty (s), flags (of the lap table), odd (kinds of oddity: contact, tow, ...; see `oddities`), and the mean
        over the lap of each temperature and pressure that was logged, under the channel's name (SI).

    Raises
    ------
    LapkitError
        If `runs` are not sessions, one is there twice, or there is not one tyre age for each.

    Examples
    --------
    >>> import lapkit
    >>> table = run_table(lapkit.load("sample_data/oval_run.csv"), tyre_age=3)
    >>> table[["run", "lap", "tyre_age"]].head(2).values.tolist()
    [[1, 1, 3], [1, 2, 4]]
    """
    sessions = sessions_of(runs)
    ages = _ages(tyre_age, len(sessions))
    zeros = _zeros(sessions)
    parts: list[pd.DataFrame] = []
    first = 1
    for session, age, zero in zip(sessions, ages, zeros, strict=True):
        part = _laps_of(session, age, zero, first)
        first = int(part.attrs["next_run"])
        part.attrs = {}
        parts.append(part)
    columns = list(dict.fromkeys(name for part in parts for name in part.columns))
    filled = [part.reindex(columns=columns) for part in parts if len(part)]
    table = pd.concat(filled, ignore_index=True) if filled else parts[0].reindex(columns=columns)
    table = table.astype(RUN_COLUMNS)
    known = len(sessions) > 1 and bool(np.isfinite(zeros).all())
    epochs = [session.recording.epoch for session in sessions]
    table.attrs = {
        "epoch": min(e for e in epochs if e is not None) if known or epochs[0] is not None else None,
        "sources": [
            session.recording.provenance.source for session in sessions
        ],  # a run without a lap has no row to name it
    }
    return table


def corner_times(runs: Session | Sequence[Session]) -> pd.DataFrame:
    """List the time of every corner of every whole lap, run by run.

    Parameters
    ----------
    runs : Session or sequence of Session
        As for `run_table`. The corners are those of the first, the same places for all.

    Returns
    -------
    DataFrame
        One row a lap and corner: run, lap (as in `run_table`), corner, corner_time and its uncertainty (s).

    Raises
    ------
    FrameError
        If the recordings are placed on different reference lines: their corners would not begin and end at the same places.
    LapkitError
        If `runs` are not sessions.

    Examples
    --------
    >>> import lapkit
    >>> times = corner_times(lapkit.load("sample_data/oval_run.csv"))
    >>> times.columns.tolist()
    ['run', 'lap', 'corner', 'corner_time', 'corner_time_uncertainty']
    """
    from lapkit.analysers.lap.corners import corners

    sessions = sessions_of(runs)
    same_line(sessions)
    where, parts, first = sessions[0].track.corners, [], 1
    for session in sessions:
        laps = _laps_of(session, 0, np.nan, first, odd=False)
        first = int(laps.attrs["next_run"])
        found = corners(session, where=where)
        found.attrs, laps.attrs = {}, {}
        parts.append(laps[["run", "lap"]].merge(found, on="lap")[list(CORNER_TIME_COLUMNS)])
    full = [part for part in parts if len(part)]
    return (pd.concat(full, ignore_index=True) if full else parts[0]).astype(CORNER_TIME_COLUMNS)


def same_line(sessions: Sequence[Session]) -> float:
    """Return the track length, m; raise FrameError where recordings are placed on different reference lines."""
    lengths = [float(session.about["track_length"]) for session in sessions]
    for session, length in zip(sessions, lengths, strict=True):
        if abs(length - lengths[0]) > 1e-6 * lengths[0]:
            names = [s.recording.provenance.source for s in (sessions[0], session)]
            raise FrameError(
                f"{names[0]} and {names[1]} are placed on different reference lines ({lengths[0]:.2f} and {length:.2f} m "
                "round), so their corners are not the same places. Load the others with track=first_session.track, or all "
                "with one track file."
            )
    return lengths[0]


def whole_laps(session: Session) -> np.ndarray:
    """Return which laps of the lap table run from line to line and are timed."""
    return (session.laps["complete"] & session.laps["lap_time"].notna()).to_numpy(bool)


def sessions_of(runs: Any) -> list[Session]:
    """Return sessions as a list, each checked to be one, and none of them twice."""
    from lapkit.model.session import Session

    found = [runs] if isinstance(runs, Session) else list(runs) if isinstance(runs, Sequence) else []
    if not found or not all(isinstance(run, Session) for run in found):
        raise LapkitError(
            f"expected a session or a list of them, such as [lapkit.load('run_1.csv'), lapkit.load('run_2.csv')], and got "
            f"{type(runs).__name__ if found or not isinstance(runs, Sequence) else 'nothing'}."
        )
    for one, other in combinations(found, 2):
        if one.recording is other.recording or one.recording.samples.equals(other.recording.samples):
            names = [session.recording.provenance.source for session in (one, other)]
            raise LapkitError(f"{names[0]} and {names[1]} are one recording, given twice; give each run once.")
    return found


def _ages(tyre_age: int | Sequence[int], count: int) -> list[int]:
    ages = [tyre_age] * count if isinstance(tyre_age, int | np.integer) else list(tyre_age)
    if len(ages) != count or not all(isinstance(age, int | np.integer) and age >= 0 for age in ages):
        raise LapkitError(
            f"tyre_age={tyre_age!r}: give laps as a whole number, or one for each of the {count} recording(s)."
        )
    return [int(age) for age in ages]


def _zeros(sessions: Sequence[Session]) -> list[float]:
    """When each recording began, s after the first of them; NaN where clocks do not tell or contradict each other."""
    if len(sessions) == 1:
        return [0.0]
    spans = [float(s.recording.samples["time"].iloc[-1]) for s in sessions]
    epochs = [s.recording.epoch for s in sessions]
    known = [epoch for epoch in epochs if epoch is not None]
    if len(known) < len(sessions):
        return [np.nan] * len(sessions)
    order = np.argsort(known)
    for one, other in pairwise(order):
        if known[one] + spans[one] > known[other] + 1.0:  # two runs of one car at once: the clocks are no clocks
            return [np.nan] * len(sessions)
    return [epoch - min(known) for epoch in known]


def _laps_of(session: Session, age: int, zero: float, first: int, *, odd: bool = True) -> pd.DataFrame:
    """One recording's whole laps; ``attrs["next_run"]`` is the number of the run after its last."""
    laps = session.laps
    flags = [str(words).split(",") for words in laps["flags"]]
    stops = np.array(["stop" in words for words in flags], dtype=np.int64)
    run = first + np.append(0, np.cumsum(stops)[:-1]).astype(np.int64)
    if not len(laps):
        run = np.zeros(0, dtype=np.int64)
    whole = whole_laps(session)
    used, run = np.unique(run[whole], return_inverse=True)
    driven = np.append(0.0, np.cumsum(np.nan_to_num(laps["path_length"].to_numpy(np.float64))))[:-1]
    done = np.round(driven / session.about["track_length"]).astype(np.int64)
    samples = session.samples()
    number, time = samples["lap"].to_numpy(), samples["time"].to_numpy(np.float64)
    at = np.array([int(np.argmax(number == lap)) for lap in laps["lap"]], dtype=np.intp)
    start = time[at] - samples["lap_clock"].to_numpy(np.float64)[at]
    table = laps.loc[whole, ["lap", "lap_time", "lap_time_uncertainty", "flags"]].reset_index(drop=True)
    table["run"] = run + first
    table["source"] = session.recording.provenance.source
    table["tyre_age"] = age + done[whole]
    table["clock"] = zero + start[whole]
    table["fuel"] = _fuel(samples, time, start[whole])
    marks = _marks(session) if odd else {}
    table["odd"] = [marks.get(int(lap), "") for lap in table["lap"]]
    table = table[list(RUN_COLUMNS)].astype(RUN_COLUMNS)
    means = [
        name for name in samples.columns
        if name in CHANNELS and CHANNELS[name].dimension in MEANS and name != "brake_pressure"
        and pd.api.types.is_numeric_dtype(samples[name].dtype)
    ]  # fmt: skip
    if means:
        mean = samples.groupby("lap")[means].mean()
        mean.attrs = {}
        table = table.join(mean.reindex(table["lap"]).reset_index(drop=True))
    table.attrs = {"next_run": first + len(used)}
    return table


def _fuel(samples: pd.DataFrame, time: FloatArray, start: FloatArray) -> FloatArray:
    """Fuel at times, m3; NaN where it is not logged."""
    if "fuel" not in samples.columns:
        return np.full(len(start), np.nan)
    fuel = samples["fuel"].to_numpy(np.float64)
    known = np.isfinite(fuel)
    return np.interp(start, time[known], fuel[known]) if known.any() else np.full(len(start), np.nan)


def _marks(session: Session) -> dict[int, str]:
    """Lap -> kinds of oddity found in it."""
    from lapkit.analysers.oddities.oddities import marked_laps

    return marked_laps(session)
