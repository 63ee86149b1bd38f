"""A run at a glance: the time of every lap, and the speed at which each crossed the line."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from lapkit.channels import FloatArray, from_si
from lapkit.charts.style import INK, MUTED, PLACE, SMALL, STYLE, AxesArray, given_axes, new_axes, plain
from lapkit.model.show import clock

if TYPE_CHECKING:
    from lapkit.model.session import Session

SIZE = (9.0, 5.6)  # inches
HEIGHTS = (3.0, 1.6)
MIN_SPAN = 0.1  # s; the lap-time panel shows at least this much


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
    clean = (table["complete"] & (table["flags"] == "")).to_numpy(bool)
    words = [str(flags).replace(",", ", ") for flags in table["flags"]]
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
