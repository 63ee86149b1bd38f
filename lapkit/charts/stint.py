"""A run: the time of every lap and its speed at the line; lap time against the age of the tyres, with what was logged of them."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import TYPE_CHECKING, NamedTuple

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from lapkit.analysers.setups.run_curve import at_age, laps_ahead
from lapkit.analysers.setups.run_curve import seconds as in_seconds
from lapkit.analysers.setups.runs import MEANS
from lapkit.analysers.setups.settling import SHOWN_UNITS, channel_changes, channel_words
from lapkit.analysers.setups.stint import FallOff
from lapkit.analysers.statistics.regression import quantile
from lapkit.channels import CHANNELS, FloatArray, from_si
from lapkit.charts.comparison import BEHIND_TEXT, TITLE_WIDTH
from lapkit.charts.style import (
    INK,
    MUTED,
    PLACE,
    SMALL,
    STYLE,
    AxesArray,
    given_axes,
    new_axes,
    plain,
    signed,
)
from lapkit.errors import LapkitError
from lapkit.model.given import frame_given, kind_given
from lapkit.model.lap_sheet import words_beside
from lapkit.model.show import clock

if TYPE_CHECKING:
    from lapkit.model.session import Session

SIZE = (9.0, 5.6)  # inches
HEIGHTS = (3.0, 1.6)
MIN_SPAN = 0.1  # s; the lap-time panel shows at least this much
AGE_SIZE = (9.5, 5.0)  # inches
COUNTS = 0.5  # weight in the curve under which a lap is drawn as odd
CHANNEL_LOOKS = ("o-", "s--", "^-.", "D:")


class RunLook(NamedTuple):
    """How the laps of a run and their curve are drawn.

    Attributes
    ----------
    color : str
    marker : str
    line : str
        Line style of the curve.
    width : float
        Its width, pt.
    ink : str
        Color of its words: dark enough to be read on white.
    """

    color: str = INK
    marker: str = "o"
    line: str = "-"
    width: float = 2.0
    ink: str = INK


def lap_times(session: Session, *, axes: Iterable[Axes] | None = None, speed_unit: str | None = None) -> AxesArray:
    """Draw the lap times of a run, and the speed at the line at the end of each lap.

    Bars are two standard uncertainties (about 95 %). Clean laps are filled; marked laps are hollow, with
    the words of their flags. A marked lap far slower than the clean ones stands at the upper edge with its
    time. Laps that do not run from line to line have no time and are left out.

    Parameters
    ----------
    session : Session
        The laps.
    axes : sequence of 2 Axes, optional
        Where to draw: lap time, speed at the line. A new figure of pyplot's by default.
    speed_unit : str, optional
        Unit of speed; ``session.speed_unit`` by default.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    UnitError
        If `speed_unit` is no unit of speed.
    LapkitError
        If `axes` are not two Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> axes = lap_times(lapkit.load("sample_data/oval_run.csv"), axes=Figure().subplots(2, sharex=True))
    >>> axes[0].get_ylabel()
    'Lap time (s)'
    """
    unit = speed_unit or session.speed_unit
    from_si(0.0, unit, "speed")  # an unknown unit is refused before anything is drawn
    table = session.laps[session.laps["lap_time"].notna()]
    number = table["lap"].to_numpy(np.float64)
    seconds, seconds_band = _with_band(table["lap_time"], table["lap_time_uncertainty"])
    speed, speed_band = _with_band(table["speed_at_line"], table["speed_at_line_uncertainty"])
    speed, speed_band = from_si(speed, unit, "speed"), from_si(speed_band, unit, "speed")
    clean = session.clean[table.index].to_numpy(bool)
    words = np.array(words_beside(session), dtype=object)[table.index].tolist()
    panels = new_axes(HEIGHTS, size=SIZE) if axes is None else given_axes(axes, 2, "lap time, speed at the line")
    upper, lower = panels
    with matplotlib.rc_context(STYLE):
        shown = clean if clean.any() else np.ones_like(clean)
        low, high = _limits(seconds[shown], seconds_band[shown])
        off = seconds > high
        _dots(upper, number[~off], seconds[~off], seconds_band[~off], clean[~off])
        if off.any():
            upper.plot(number[off], np.full(int(off.sum()), high), "^", mfc="white", mec=INK, clip_on=False)
        for lap, time, word, beyond in zip(number, seconds, words, off, strict=True):
            text = f"{clock(time)} s, {word}" if beyond else word
            if text:
                upper.annotate(text, (lap, high if beyond else time), xytext=(7, 0), textcoords="offset points",
                               va="center", fontsize=SMALL, color=MUTED)  # fmt: skip
        upper.set_ylim(low, high)
        upper.yaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value, decimals=2)))
        upper.set_ylabel("Lap time (min:s)" if low >= 60 else "Lap time (s)")
        _dots(lower, number, speed, speed_band, clean)
        lower.set_ylabel(f"Speed at the\nline ({unit})")
        lower.set_xlabel("Lap", loc="left")
        lower.xaxis.set_major_locator(MaxNLocator(integer=True))
        if number.size:
            lower.set_xlim(number.min() - 0.6, number.max() + 0.9)
        upper.set_title(_finding(number, seconds, clean))
        if clean.any():
            best = int(np.argmin(np.where(clean, seconds, np.inf)))
            upper.annotate("best", (number[best], seconds[best] - seconds_band[best]), xytext=(0, -5),
                           textcoords="offset points", ha="center", va="top", color=PLACE, weight="bold")  # fmt: skip
        lower.annotate(f"{plain(session.recording.provenance.source)}. Bars: about 95 %; hollow: marked laps", (1.0, 0.0),
                       xycoords="axes fraction", xytext=(0, -22), textcoords="offset points", ha="right", va="top",
                       fontsize=SMALL, color=MUTED)  # fmt: skip
    return panels


def _with_band(values: object, sigma: object) -> tuple[FloatArray, FloatArray]:
    return np.asarray(values, dtype=np.float64), 2.0 * np.asarray(sigma, dtype=np.float64)


def _limits(seconds: FloatArray, band: FloatArray) -> tuple[float, float]:
    if not seconds.size:
        return 0.0, 1.0
    low, high = float(np.nanmin(seconds - band)), float(np.nanmax(seconds + band))
    span = max(high - low, MIN_SPAN)
    middle = (low + high) / 2
    return middle - 0.75 * span, middle + 0.75 * span


def _dots(ax: Axes, number: FloatArray, values: FloatArray, band: FloatArray, clean: np.ndarray) -> None:
    ax.plot(number, np.where(clean, values, np.nan), color=MUTED, linewidth=0.8, zorder=2)
    for kind, face in ((clean, INK), (~clean, "white")):
        ax.errorbar(number[kind], values[kind], yerr=band[kind], fmt="o", color=INK, markerfacecolor=face, markersize=5.5,
                    capsize=3, linewidth=1.0, zorder=3)  # fmt: skip


def _finding(number: FloatArray, seconds: FloatArray, clean: np.ndarray) -> str:
    count = int(clean.sum())
    if not count:
        return f"{len(number)} laps from line to line, none of them clean"
    best = int(np.argmin(np.where(clean, seconds, np.inf)))
    return f"Lap {number[best]:.0f} was the best of {count} clean lap{'s' if count > 1 else ''}: {clock(float(seconds[best]))} s"


# ------------------------------------------------------------------------------ against the age of the tyres


def fall_off_chart(found: FallOff, *, ax: Axes | None = None) -> Axes:
    """Draw lap time against the age of the tyres, with the curve through it and how sure that is.

    Filled laps make the curve; hollow ones are warm-up; crosses are odd laps, which hardly pull on it, with what was found in
    them. The band is where the curve may lie. Of several runs each is moved to their common level. A lap far slower stands at
    the upper edge.

    Parameters
    ----------
    found : FallOff
        From `fall_off`.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.

    Returns
    -------
    Axes

    Raises
    ------
    LapkitError
        If `ax` is no Axes.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.setups.stint import fall_off, run_table
    >>> from matplotlib.figure import Figure
    >>> found = fall_off(run_table(lapkit.load("sample_data/setup_b.csv")))
    >>> fall_off_chart(found, ax=Figure().subplots()).get_title(loc="left")
    'Each lap on the tyres costs 0.024 s'
    """
    kind_given(found, FallOff, "fall_off_chart", "a curve, as fall_off(run_table(session)) returns it")
    panel = one_axes(ax, AGE_SIZE, "lap time")
    with matplotlib.rc_context(STYLE):
        low, high = age_limits([found])
        panel.set_ylim(low, high)
        draw_run(panel, found, RunLook())
        if np.isfinite(found.bend):
            ahead = laps_ahead(found.laps)
            panel.axvline(found.bend, color=PLACE, linewidth=1.0, linestyle=(0, (4, 3)), zorder=1.5)
            panel.annotate(f"bends at {at_age(found.bend, ahead)}", (found.bend, low), xytext=(4, 4), textcoords="offset points",
                           color=PLACE, fontsize=SMALL, va="bottom")  # fmt: skip
        for rate, start, end in _pieces(found):
            middle = (start + end) / 2
            panel.annotate(f"{_signed_rate(rate)} s a lap", (middle, float(found.curve(middle)[0][0])), xytext=(14, -22),
                           textcoords="offset points", va="top", weight="bold")  # fmt: skip
        finish_age_axes(panel, [found])
        panel.set_title("\n".join(textwrap.wrap(_cost_of_age(found), TITLE_WIDTH)))
        runs = found.laps["run"].nunique()
        note(panel, f"Band: where the curve may lie ({100 * found.confidence:.0f} %). Hollow: warm-up; cross: odd lap"
             + (f". {runs} runs at their common level" if runs > 1 else ""))  # fmt: skip
    return panel


def run_channels(table: pd.DataFrame, *, dimension: str = "pressure", ax: Axes | None = None) -> Axes:
    """Draw the tyre pressures, or the temperatures, of a run against the age of the tyres, mean over each lap.

    Parameters
    ----------
    table : DataFrame
        From `run_table`.
    dimension : {"pressure", "temperature"}
        Which of them.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.

    Returns
    -------
    Axes

    Raises
    ------
    LapkitError
        If `dimension` is something else, or the recording logged none of it.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.setups.stint import run_table
    >>> from matplotlib.figure import Figure
    >>> table = run_table(lapkit.load("sample_data/long_run.csv"))
    >>> run_channels(table, ax=Figure().subplots()).get_ylabel()
    'Pressure (kPa)'
    """
    if dimension not in MEANS:
        raise LapkitError(f"dimension={dimension!r}: use one of {', '.join(MEANS)}.")
    frame_given(table, "run_channels", "a table, as run_table(session) returns it")
    names = [
        n for n in table.columns if n in CHANNELS and CHANNELS[n].dimension == dimension and table[n].notna().any()
    ]
    if not names:
        raise LapkitError(f"table: no {dimension} was logged in these runs, so there is nothing to draw.")
    unit = SHOWN_UNITS[dimension]
    panel = one_axes(ax, (AGE_SIZE[0], 3.2), dimension)
    with matplotlib.rc_context(STYLE):
        for k, name in enumerate(names):
            for run, laps in table.groupby("run", sort=False):
                age, value = laps["tyre_age"].to_numpy(np.float64), laps[name].to_numpy(np.float64)
                panel.plot(age, from_si(value, unit, dimension), CHANNEL_LOOKS[k % len(CHANNEL_LOOKS)],
                           color=(INK, PLACE, MUTED)[k % 3], markersize=4.5, linewidth=1.0,
                           label=CHANNELS[name].meaning if run == table["run"].iloc[0] else None)  # fmt: skip
        if len(names) > 1:
            panel.legend(loc="best", fontsize=SMALL)
        panel.set_ylabel(f"{dimension.capitalize()} ({'°C' if unit == 'degC' else unit})")
        panel.set_xlabel("Tyre age (laps done when the lap begins)", loc="left")
        panel.xaxis.set_major_locator(MaxNLocator(integer=True))
        changes = channel_changes(table[["run", "lap", *(n for n in ("flags", "odd") if n in table), names[0]]])
        said = [
            channel_words(*row) for row in changes[["channel", "from_value", "to_value", "settled_after"]].to_numpy()
        ]
        panel.set_title("\n".join(textwrap.wrap((said or [CHANNELS[names[0]].meaning])[0], TITLE_WIDTH)))
        note(panel, "Mean over each lap")
    return panel


def _band(found: FallOff) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Tyre ages, the curve there, and half the band about it."""
    age = np.linspace(*found.ages, 101)
    curve, sigma = found.curve(age)
    return age, curve, quantile(float(found.fit.freedom), found.confidence) * sigma


def draw_run(ax: Axes, found: FallOff, look: RunLook, *, amounts: bool = True) -> None:
    """Draw the laps of a run, its curve and its band, between the limits of y: laps far slower stand at the upper edge.

    `amounts` says whether odd laps are named with their distance from this curve.
    """
    start, end = found.ages
    age, curve, half = _band(found)
    ax.fill_between(age, curve - half, curve + half, color=look.color, alpha=0.18, linewidth=0, zorder=2)
    ax.plot(age, curve, color=look.color, linestyle=look.line, linewidth=look.width, zorder=2.5)
    rows = found.laps[found.laps["expected"].notna() & found.laps["residual"].notna()]
    x = rows["tyre_age"].to_numpy(np.float64)
    y = found.curve(x)[0] + rows["residual"].to_numpy(np.float64)
    marks = rows["marks"].astype(str)
    warm = marks.str.contains("warm-up", regex=False).to_numpy(bool)
    odd = ~warm & (rows["weight"].to_numpy(np.float64) < COUNTS)
    flagged = odd & ~marks.str.contains("slow|fast").to_numpy(bool)
    low, high = ax.get_ylim()
    shown = np.minimum(y, high - 0.05 * (high - low))
    usual = ~warm & ~odd
    for kind, fmt, face in ((usual, look.marker, look.color), (warm, look.marker, "white"), (odd, "X", "white")):
        if kind.any():
            ax.plot(x[kind], shown[kind], fmt, color=look.color, markerfacecolor=face, linestyle="none", clip_on=False,
                    markersize=7.5 if fmt == "X" else 5.5, zorder=3)  # fmt: skip
    for k in np.flatnonzero(odd).tolist():
        words = [word for word in marks.iloc[k].split(",") if word and word not in ("slow", "fast")]
        amount = [f"{signed(float(rows['residual'].iloc[k]), 2)} s"] if amounts else []
        text = ": ".join(filter(None, [f"lap {rows['lap'].iloc[k]}", ", ".join([*amount, *words])]))
        left = x[k] > (start + end) / 2
        ax.annotate(text, (x[k], shown[k]), xytext=(-8 if left else 8, 0), textcoords="offset points", va="center",
                    ha="right" if left else "left", fontsize=SMALL, color=MUTED if flagged[k] else look.ink,
                    bbox=BEHIND_TEXT, zorder=2.8)  # fmt: skip
    if warm.any():
        first = int(np.flatnonzero(warm)[0])
        ax.annotate("warm-up", (x[first], shown[first]), xytext=(8, 2), textcoords="offset points", va="center", fontsize=SMALL,
                    color=look.ink)  # fmt: skip


def age_limits(runs: Iterable[FallOff]) -> tuple[float, float]:
    """Return the lap times between which a chart is drawn: room for every lap but those far slower than the others."""
    seconds, ceiling = [], []
    for found in runs:
        laps = found.laps[found.laps["expected"].notna() & found.laps["residual"].notna()]
        level = found.curve(laps["tyre_age"])[0] + laps["residual"].to_numpy(np.float64)
        ordinary = level[(laps["weight"] >= COUNTS).to_numpy(bool)]
        span = max(float(np.ptp(ordinary)), MIN_SPAN)
        _, curve, half = _band(found)
        seconds += [level, curve - half, curve + half]
        ceiling.append(max(float(ordinary.max()) + 0.6 * span, float((curve + half).max())))
    each = np.concatenate(seconds)
    low, high = float(each.min()), min(float(each.max()), max(ceiling))
    room = 0.08 * max(high - low, MIN_SPAN)
    return low - room, high + room


def finish_age_axes(ax: Axes, runs: Iterable[FallOff]) -> None:
    """Write what stands along the axes of lap time against tyre age."""
    ages = np.concatenate([found.laps["tyre_age"].to_numpy(np.float64) for found in runs])
    ax.set_xlim(ages.min() - 0.6, ages.max() + 0.6)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value, decimals=2)))
    ax.set_ylabel("Lap time (min:s)" if ax.get_ylim()[0] >= 60 else "Lap time (s)")
    ax.set_xlabel("Tyre age (laps done when the lap begins)", loc="left")
    for text in ax.texts:  # what stands among the laps takes no room beside them
        text.set_in_layout(False)


def one_axes(ax: Axes | None, size: tuple[float, float], panel: str) -> Axes:
    """Return the caller's Axes, checked, or that of a new figure."""
    found = new_axes([1.0], size=size)[0] if ax is None else given_axes([ax], 1, panel)[0]
    return found if isinstance(found, Axes) else given_axes(found, 1, panel)[0]


def note(ax: Axes, text: str) -> None:
    """Write what the marks mean under the right end of the axes."""
    ax.annotate(text, (1.0, 0.0), xycoords="axes fraction", xytext=(0, -40), textcoords="offset points", ha="right",
                va="top", fontsize=SMALL, color=MUTED)  # fmt: skip


def _pieces(found: FallOff) -> list[tuple[float, float, float]]:
    """Rate, first and last tyre age of each straight piece of the curve."""
    start, end = found.ages
    if not np.isfinite(found.bend):
        return [(found.rate, start, end)]
    return [(found.rate, start, found.bend), (found.late_rate, found.bend, end)]


def _signed_rate(rate: float) -> str:
    return in_seconds(rate, sign="+").replace("-", "\N{MINUS SIGN}")


def _cost_of_age(found: FallOff) -> str:
    if found.low <= 0 <= found.high or not round(found.rate, 3):
        said = "No fall-off that can be told from luck"
    else:
        said = f"Each lap on the tyres {'costs' if found.rate > 0 else 'gains'} {abs(found.rate):.3f} s"
    if np.isfinite(found.bend):
        said += f" up to {at_age(found.bend, laps_ahead(found.laps))}, then {_signed_rate(found.late_rate)} s"
    return said
