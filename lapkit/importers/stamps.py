"""Reading a column of time stamps: numbers in any unit, clock times, dates. Faults are left as they are."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
from numpy.typing import NDArray

from lapkit.channels import UNITS
from lapkit.importers.columns import Columns
from lapkit.importers.headers import Assignment
from lapkit.importers.raw import RawTable

FloatArray = NDArray[np.float64]

_DAY = 86400.0
LONGEST = 1e8
"""Stamps farther than this from the middle one, some three years, are no times of this recording, s."""
# Values of a Unix time in seconds from 1973 to 2286: no other clock of a car counts as far.
_EPOCH_RANGE = (1e8, 1e10)
# A counter of 32 bits starts again after so many seconds: microseconds, milliseconds.
_COUNTER_WRAPS = (2.0**32 * 1e-6, 2.0**32 * 1e-3)
_CLOCK = (
    r"^\s*(?:(?P<hours>\d{1,3}):)?(?P<minutes>\d{1,3}):(?P<seconds>\d{1,2}(?:[.,]\d+)?)"
    r"\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?P<zone>Z|UTC|GMT)?\s*$"
)
_DATE = r"(?P<first>\d{1,4})[-/.](?P<second>\d{1,2})[-/.](?P<third>\d{1,4})"
_DATE_ONLY = rf"^\s*{_DATE}\s*$"
_DATE_CLOCK = rf"^\s*{_DATE}[T ,]+(?P<rest>\d.*)$"
_ISO = r"^\s*\d{4}-\d{2}-\d{2}[T ]\d{2}:"
_ZONE = r"(Z|z|UTC|GMT|[+-]\d{2}:?\d{2})\s*$"


@dataclass
class Stamps:
    """A clock as the file holds it, in seconds.

    Attributes
    ----------
    seconds : ndarray, shape (n,)
        File order, NaN where missing; not yet increasing.
    epoch : float or None
        Unix time of ``seconds == 0``, where the file tells it.
    wraps : tuple of float
        Periods after which this kind of clock starts again, s.
    restarts : bool
        Whether the clock may fall back to zero: not so for a time of day or a date.
    choice : Assignment
        The column, with its unit decided.
    """

    seconds: FloatArray
    epoch: float | None
    wraps: tuple[float, ...]
    restarts: bool
    choice: Assignment


def read_stamps(raw: RawTable, choice: Assignment, columns: Columns) -> Stamps | None:
    """Read one column as a clock.

    Parameters
    ----------
    raw : RawTable
        The file as read.
    choice : Assignment
        The column; its unit is decided here where the file does not say it.
    columns : Columns
        Tells the column of dates that goes with a time of day.

    Returns
    -------
    Stamps or None
        None where the column is not a clock.

    References
    ----------
    RFC 3339 for dates with zone.
    """
    if choice.header in raw.numbers:
        stamps = _from_numbers(raw.numbers[choice.header], choice)
    else:
        cells = raw.texts[choice.header]
        cells = cells.cast(pa.string()) if cells.type != pa.string() else cells
        stamps = _from_clock(cells, choice, raw, columns) or _from_dates(cells, choice)
    if stamps is not None and np.nanmax(stamps.seconds) - np.nanmin(stamps.seconds) > LONGEST:
        absurd = np.abs(stamps.seconds - np.nanmedian(stamps.seconds)) > LONGEST
        stamps.seconds = np.where(absurd, np.nan, stamps.seconds)
    if stamps is None or np.count_nonzero(np.diff(stamps.seconds[np.isfinite(stamps.seconds)])) < 2:
        return None  # a clock that stands still
    return stamps


# ------------------------------------------------------------------------------ numbers


def _from_numbers(values: FloatArray, choice: Assignment) -> Stamps | None:
    present = values if np.isfinite(values.sum()) else values[np.isfinite(values)]
    steps = np.diff(present)
    if np.count_nonzero(steps < 0) > 0.2 * len(steps):  # rows in no order: only the values themselves tell the step
        steps = np.diff(np.unique(present))
    steps = steps[steps > 0]
    if steps.size == 0:
        return None
    step, middle = (float(np.median(v[:: max(1, len(v) // 1000)])) for v in (steps, present))
    wraps = (*_COUNTER_WRAPS, _DAY)
    if choice.unit is None:
        if _is_hhmmss(present):
            choice.decide("s", "digits of a time of day, hhmmss")
            clock = np.floor(values / 10000) * 3600 + np.floor(values / 100) % 100 * 60 + values % 100
            return Stamps(clock, None, (_DAY,), False, choice)
        unit = _unit_by_step(step, middle)
        if unit is None:
            return None
        choice.decide(unit, f"steps of {step:g}")
    scale = choice.scale
    if _EPOCH_RANGE[0] < middle * scale < _EPOCH_RANGE[1]:
        choice.unit_reason += ", counted from 1970"
        base = float(present[0])
        return Stamps((values - base) * scale, base * scale, wraps, False, choice)
    return Stamps(values * scale if scale != 1.0 else values, None, wraps, True, choice)


def _unit_by_step(
    step: float, middle: float, *, shortest: float = 1e-3, longest: float = 2.0, usual: float = 0.05
) -> str | None:
    """Unit that makes the step a plausible sample interval.

    `shortest` and `longest` (s) bound the intervals of vehicle logs, `usual` (s, 20 Hz) breaks
    ties: common practice, no source.
    """
    seconds = {unit: factor for unit, (factor, _) in UNITS["time"].items()}
    plausible = [u for u, f in seconds.items() if u != "min" and shortest * 0.99 <= step * f <= longest * 1.01]
    since_1970 = [u for u in plausible if _EPOCH_RANGE[0] < middle * seconds[u] < _EPOCH_RANGE[1]]
    if since_1970:
        return since_1970[0]
    if not plausible and shortest <= step * seconds["min"] <= longest:
        return "min"
    return min(plausible, key=lambda u: abs(np.log(step * seconds[u] / usual)), default=None)


def _is_hhmmss(values: FloatArray) -> bool:
    """Whether numbers are times of day in digits, 123519.05: never 60 to 99 in the last two places."""
    if np.ptp(values) < 100 or values.min() < 0 or values.max() >= 240000:
        return False
    return bool(((values % 100 < 60) & (np.floor(values / 100) % 100 < 60)).all())


# -------------------------------------------------------------------------------- words


def _groups(cells: pa.ChunkedArray, pattern: str) -> dict[str, pa.ChunkedArray] | None:
    """Named groups of a pattern, null where absent; None where fewer than half of the cells match."""
    for some in (cells.drop_null().slice(0, 100), cells):
        matches = pc.extract_regex(some, pattern)
        if len(some) - matches.null_count <= 0.5 * (len(some) - some.null_count):
            return None
    names = [matches.type.field(i).name for i in range(matches.type.num_fields)]
    columns = {name: pc.struct_field(matches, name) for name in names}
    return {name: pc.if_else(pc.equal(column, ""), None, column) for name, column in columns.items()}


def _floats(cells: pa.ChunkedArray, default: float = np.nan) -> FloatArray:
    numbers = pc.cast(pc.replace_substring(cells, ",", "."), pa.float64())
    return np.array(pc.fill_null(numbers, default).to_numpy(), dtype=np.float64)


def _clock_seconds(groups: dict[str, pa.ChunkedArray]) -> FloatArray:
    hours = _floats(groups["hours"], 0.0)
    half = groups["half"]
    if half.null_count < len(half):
        afternoon = pc.fill_null(pc.match_substring(half, "p", ignore_case=True), False).to_numpy()
        hours = hours % 12 + 12 * afternoon
    return hours * 3600 + _floats(groups["minutes"]) * 60 + _floats(groups["seconds"])


def _from_clock(cells: pa.ChunkedArray, choice: Assignment, raw: RawTable, columns: Columns) -> Stamps | None:
    """Read ``mm:ss.mmm`` and ``hh:mm:ss.mmm``, with the column of dates where there is one."""
    groups = _groups(cells, _CLOCK)
    if groups is None:
        return None
    seconds = _clock_seconds(groups)
    hours = groups["hours"].null_count < len(cells)
    choice.decide("s", "written as hh:mm:ss" if hours else "written as mm:ss")
    # elapsed times start near zero; a clock with hours that does not is a time of day
    of_day = hours and float(np.nanmin(seconds)) > 60.0
    epoch = None
    if hours and columns.date is not None:
        dates = _groups(raw.texts[columns.date], _DATE_ONLY)
        days = _days(dates) if dates is not None else None
        if days is not None and np.isfinite(days).any():
            first = float(days[np.isfinite(days)][0])
            seconds = seconds + (days - first) * _DAY
            choice.unit_reason += f", with the dates of '{columns.date}'"
            zoned = groups["zone"].null_count < len(cells) or {"utc", "gps", "gmt"} & set(choice.header.lower().split())
            return Stamps(seconds, first * _DAY if zoned else None, (), False, choice)
    return Stamps(seconds, epoch, (_DAY,) if hours else (3600.0,), not of_day, choice)


def _from_dates(cells: pa.ChunkedArray, choice: Assignment) -> Stamps | None:
    """Read dates with times: ISO 8601, or day, month and year in another order."""
    groups = _groups(cells, _DATE_CLOCK)
    if groups is None:
        return None
    first = str(cells.drop_null()[0].as_py())
    zoned = bool(pc.match_substring_regex(pa.array([first]), _ZONE)[0].as_py())
    if pc.match_substring_regex(pa.array([first]), _ISO)[0].as_py():
        text = pc.replace_substring(cells, ",", ".")
        try:
            moments = pc.cast(text, pa.timestamp("ns", "UTC" if zoned else None)).to_numpy().astype("datetime64[ns]")
        except pa.ArrowInvalid:  # one odd cell is enough; pandas tells which
            spelled: Any = text.to_pandas()
            moments = pd.to_datetime(spelled, format="ISO8601", utc=True, errors="coerce").to_numpy("datetime64[ns]")
        missing = np.isnat(moments)
        base = moments[~missing][0] if not missing.all() else moments[0]
        seconds = (moments - base).astype(np.int64) * 1e-9
        seconds[missing] = np.nan
        choice.decide("s", "ISO 8601 dates" + (" with zone" if zoned else " without zone"))
        epoch = float(base.astype(np.int64)) * 1e-9
        return Stamps(seconds, epoch if zoned else None, (), False, choice)
    rest = pc.replace_substring_regex(groups["rest"], r"\s*[+-]\d{2}:?\d{2}\s*$", "")
    clock, days = _groups(rest, _CLOCK), _days(groups)
    if clock is None:
        return None
    seconds = _clock_seconds(clock)
    if days is None:  # 04/05: the date does not matter for the seconds that pass
        choice.decide("s", "dates and times; day and month can not be told apart, so only the time of day is used")
        return Stamps(seconds, None, (_DAY,), False, choice)
    base_day = float(days[np.isfinite(days)][0])
    choice.decide("s", "dates and times")
    zoned = clock["zone"].null_count < len(cells)
    return Stamps(seconds + (days - base_day) * _DAY, base_day * _DAY if zoned else None, (), False, choice)


def _days(groups: dict[str, pa.ChunkedArray]) -> FloatArray | None:
    """Days since 1970-01-01, NaN where missing; None where day and month can not be told apart."""
    first, second, third = (_floats(groups[name]) for name in ("first", "second", "third"))
    if np.nanmax(first) > 31:
        year, month, day = first, second, third
    elif np.nanmax(first) > 12 or (first == second)[np.isfinite(first)].all():
        year, month, day = third, second, first
    elif np.nanmax(second) > 12:
        year, month, day = third, first, second
    else:
        return None
    year = np.where(year < 100, year + 2000, year)
    date = pd.to_datetime(pd.DataFrame({"year": year, "month": month, "day": day}), errors="coerce")
    stamps = date.to_numpy("datetime64[s]")
    return np.where(np.isnat(stamps), np.nan, stamps.astype(np.int64) / _DAY)
