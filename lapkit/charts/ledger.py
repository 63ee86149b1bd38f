"""The time ledger as pictures: a table with bars, steps from one lap time to the other, and made against paid."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator
from numpy.typing import NDArray

from lapkit.analysers.ledger.findings import headline, names_of, zones
from lapkit.analysers.ledger.ledger import SIGNIFICANT, Ledger
from lapkit.channels import FloatArray
from lapkit.charts.comparison import HEIGHTS, LAP_LINE, REFERENCE_LINE, ROUND_STEPS
from lapkit.charts.comparison import SIZE as ALONG
from lapkit.charts.style import (
    HAIRLINE,
    INK,
    MUTED,
    PLACE,
    SMALL,
    STYLE,
    AxesArray,
    given_axes,
    mark_corners,
    new_axes,
    plain,
    tick,
)
from lapkit.errors import LapkitError
from lapkit.model.show import clock, number

GAINED = "#7fa39c"  # time won; lighter than time lost, and drawn the other way
LOST = PLACE
WEAK = HAIRLINE  # inside the noise
ROW = 0.27  # inches of one line of a table
MANY_CORNERS = 4  # more than this, and the parts of a corner are shown together
WIDTH = 10.5  # inches

_WORDS = {"carried_in": "carried in over the line"}


def ledger_table(ledger: Ledger, *, ax: Axes | None = None, parts: bool | None = None) -> Axes:
    """Draw a ledger as a table in which every cell has its figure and its bar.

    Bars to the right, dark, are time lost; bars to the left, lighter, time won; all on one scale. What is inside its noise
    is pale, its figure in brackets, and so is the sum of a row of which the smaller part is beyond its noise. Sums have no bars.

    Parameters
    ----------
    ledger : Ledger
        From ``lapkit.ledger``.
    ax : Axes, optional
        Where to draw. A new figure of pyplot's, as high as the table asks for, by default.
    parts : bool, optional
        Whether entry, middle and exit of a corner have a row each. By default where the track has at most four corners.

    Returns
    -------
    Axes

    Raises
    ------
    LapkitError
        If `ax` is not an Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> ax = ledger_table(lapkit.ledger(session.lap(10), session.lap(6)), ax=Figure().subplots())
    >>> ax.get_yticklabels()[-1].get_text()
    'whole lap'
    """
    values, sigma = _rows(ledger, parts)
    heads = [name.replace("_", " ") for name in values.columns]
    known = np.isfinite(ledger.carried_in)
    labels = [*([_WORDS["carried_in"]] if known else []), *values.index, "whole lap"]
    axes = _axes(ax, ROW * (len(labels) + 3.2))
    scale = 0.26 / max(float(np.abs(values.to_numpy()).max()), abs(ledger.carried_in) if known else 0.0, 1e-9)
    with matplotlib.rc_context(STYLE):
        top = int(known)
        if known:
            _cell(axes, len(heads), 0, ledger.carried_in, ledger.carried_in_uncertainty, scale)
        for column, name in enumerate(values.columns):
            for row, (value, one) in enumerate(zip(values[name], sigma[name], strict=True)):
                _cell(axes, column, row + top, float(value), float(one), scale)
        for row, (value, sure) in enumerate(zip(*_sums(values, sigma), strict=True)):
            _figure(axes, len(heads), row + top, float(value), known=bool(sure), weight="bold")
        bottom = len(labels) - 1
        ends = [*values.sum(axis=0), ledger.total]
        bands = [*(ledger.lap_uncertainties[cause] for cause in ledger.causes), ledger.total_uncertainty]
        for column, (value, one) in enumerate(zip(ends, bands, strict=True)):
            _figure(axes, column, bottom, float(value), known=abs(value) > SIGNIFICANT * one, weight="bold")
        axes.set_ylim(bottom + 0.6, -0.6)
        axes.set_xlim(-0.05, len(heads) + 0.5)
        axes.axhline(bottom - 0.5, color=MUTED, linewidth=0.8)
        for column in range(1, len(heads) + 1):
            axes.axvline(column - 0.03, color=HAIRLINE, linewidth=0.6)
        axes.set_yticks(range(len(labels)), labels)
        axes.set_xticks([k + 0.22 for k in range(len(heads) + 1)], [f"{head}\n(s)" for head in [*heads, "all"]])
        axes.xaxis.tick_top()
        axes.tick_params(length=0)
        axes.grid(False)
        axes.spines[:].set_visible(False)
        _title(axes, ledger, pad=30)
        _note(
            axes,
            ledger,
            "Right, dark: lost. Left: won. Pale, in brackets: inside the noise; the title counts none of it",
            -6,
        )
    return axes


def ledger_steps(ledger: Ledger, *, by: str = "cause", ax: Axes | None = None) -> Axes:
    """Draw the steps that lead from the reference's lap time to the lap's.

    Parameters
    ----------
    ledger : Ledger
        From ``lapkit.ledger``.
    by : str
        A step a "cause", with a bar of two standard uncertainties (about 95 %), or a "segment": each corner and straight, in
        driving order. Steps inside their noise, and segments of which the smaller part is beyond it, are pale.
    ax : Axes, optional
        Where to draw. A new figure of pyplot's by default.

    Returns
    -------
    Axes

    Raises
    ------
    LapkitError
        If `by` is neither, or `ax` is not an Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> ledger_steps(lapkit.ledger(session.lap(10), session.lap(6)), ax=Figure().subplots()).get_xlabel()
    'Lap time (s)'
    """
    if by not in ("cause", "segment"):
        raise LapkitError(f"by: found {by!r}, expected 'cause' or 'segment'.")
    names, sizes, band, sure = _steps(ledger, by)
    axes = _axes(ax, ROW * 1.25 * (len(names) + 4.5))
    begin = float(ledger.reference["lap_time"])
    after = begin + np.concatenate([[0.0], np.cumsum(sizes)])
    last = len(names) + 1
    with matplotlib.rc_context(STYLE):
        for row, (size, one, known) in enumerate(zip(sizes, band, sure, strict=True), start=1):
            _bar(axes, after[row - 1], row - 0.32, size, 0.64, known)
            axes.plot([after[row]] * 2, [row - 0.32, row + 1.0], color=MUTED, linewidth=0.7, zorder=3)
            if np.isfinite(one):
                axes.errorbar(
                    after[row], row, xerr=one, color=INK if known else MUTED, capsize=2.5, linewidth=0.9, zorder=4
                )
            spread = f" ±{one:.3f}" if np.isfinite(one) else ""
            axes.annotate(f"{_seconds(size)}{spread}" if known else f"({_seconds(size)}{spread})", (1.0, row),
                          xycoords=("axes fraction", "data"), xytext=(6, 0), textcoords="offset points", va="center",
                          fontsize=SMALL, color=INK if known else MUTED)  # fmt: skip
        for row, at in ((0, after[0]), (last, after[-1])):
            axes.plot([at, at], [row - 0.4, row + 0.4], color=INK, linewidth=2.2, zorder=5)
            axes.annotate(
                f"{clock(at)} s", (at, row), xytext=(6, 0), textcoords="offset points", va="center", weight="bold"
            )
        span = max(float(np.ptp(after)), 0.01)  # of the steps; longer bars of uncertainty run out of the picture
        axes.set_xlim(after.min() - 0.3 * span, after.max() + 0.4 * span)
        axes.set_ylim(last + 0.7, -0.7)
        lap, reference = (plain(name) for name in names_of(ledger.lap, ledger.reference))
        axes.set_yticks(range(last + 1), [reference, *names, lap])
        axes.grid(False)
        axes.grid(True, axis="x")
        axes.tick_params(axis="y", length=0)
        axes.spines["left"].set_visible(False)
        axes.xaxis.set_major_locator(MaxNLocator(7, steps=ROUND_STEPS))
        axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value)))
        axes.set_xlabel("Lap time (min:s)" if begin >= 60 else "Lap time (s)", loc="left")
        _title(axes, ledger, pad=10)
        bars = "Bars: about 95 %. " if by == "cause" else ""
        _note(axes, ledger, f"{bars}Pale: inside the noise; the title counts none of it", -22)
    return axes


def made_and_paid(ledger: Ledger, *, axes: Iterable[Axes] | None = None) -> AxesArray:
    """Draw along the lap where time was made, against where it was paid.

    Above, both added up from the line on. The dashed line is what the clock showed; the solid one what had been decided by
    then, by what was done differently so far. Where the solid line is above, time is still to be paid. Both end at the
    difference of the lap times. Below, the same for each corner and straight: made to the left, paid to the right.

    Parameters
    ----------
    ledger : Ledger
        From ``lapkit.ledger``.
    axes : sequence of 2 Axes, optional
        Where to draw: added up, place by place. A new figure of pyplot's by default.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    LapkitError
        If `axes` are not two Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> table = lapkit.ledger(session.lap(10), session.lap(6))
    >>> made_and_paid(table, axes=Figure().subplots(2, sharex=True))[1].get_ylabel()
    'Each place (s)'
    """
    panels = (
        new_axes((HEIGHTS[0], HEIGHTS[2]), size=ALONG)
        if axes is None
        else given_axes(axes, 2, "added up, place by place")
    )
    upper, lower = panels
    length = float(ledger.segments["end_distance"].iloc[-1])
    place = np.append(ledger.places.index.to_numpy(np.float64), length)
    begin = ledger.carried_in if np.isfinite(ledger.carried_in) else 0.0
    made = np.concatenate([[begin], begin + np.cumsum(ledger.places["made"].to_numpy())])
    paid = np.concatenate([[0.0], np.cumsum(ledger.places["paid"].to_numpy())])
    hole = np.flatnonzero(np.diff(place) > 1.6 * np.median(np.diff(place))) + 1  # lines stop there
    place = np.insert(place, hole, 0.5 * (place[hole - 1] + place[hole]))
    made, paid = np.insert(made, hole, np.nan), np.insert(paid, hole, np.nan)
    corners = [
        {"corner": zone.corner, "start_distance": zone.start, "end_distance": zone.end}
        for zone in zones(ledger)
        if zone.corner
    ]
    with matplotlib.rc_context(STYLE):
        upper.axhline(0.0, color=MUTED, linewidth=0.9, zorder=2)
        if ledger.model.ok:
            upper.fill_between(place, paid, made, color="#d5dadb", linewidth=0, zorder=1.5)
            upper.plot(place, made, label="made so far (grey: not yet paid)", **LAP_LINE)
        upper.plot(place, paid, label="paid so far, on the clock", **REFERENCE_LINE)
        upper.set_ylabel("Since the line (s)")
        upper.yaxis.set_major_locator(MaxNLocator(8, steps=ROUND_STEPS))
        low, high = upper.get_ylim()
        upper.set_ylim(low, high + 0.14 * (high - low))  # room for the names of the corners
        upper.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, handlelength=3.2, borderpad=0.0, borderaxespad=0.6
        )
        upper.annotate(f"{_seconds(ledger.total)} s", (length, ledger.total), xytext=(7, 0), textcoords="offset points",
                       va="center", weight="bold", annotation_clip=False)  # fmt: skip
        _draw_places(lower, ledger)
        for panel in panels:
            panel.set_xlim(0.0, length)
            panel.yaxis.set_major_formatter(FuncFormatter(tick))
            panel.label_outer()
        mark_corners(panels, corners)
        _title(upper, ledger, pad=30)
        lower.set_xlabel("Distance from the start/finish line (m)", loc="left")
        early = ", from the lift for them on" if ledger.told.begins else ""
        _note(lower, ledger, f"Shaded: corners{early}. Pale: inside the noise", -22)
        upper.figure.align_ylabels(list(panels))
    return panels


def _draw_places(ax: Axes, ledger: Ledger) -> None:
    """Draw what was made and what was paid in each corner and on each straight, side by side."""
    ax.axhline(0.0, color=MUTED, linewidth=0.9, zorder=4)
    for zone, size, sure in zip(zones(ledger), *_sums(*_by_zone(ledger)), strict=True):
        wide = 0.4 * (zone.end - zone.start)
        middle = 0.5 * (zone.start + zone.end)
        if ledger.model.ok:
            _bar(ax, middle - wide, 0.0, float(size), wide, bool(sure), upright=True)
        ax.bar(middle, zone.paid, wide, align="edge", facecolor="white", edgecolor=INK, linewidth=1.0, zorder=3)
    ax.set_ylabel("Each place (s)")
    ax.yaxis.set_major_locator(MaxNLocator(7, steps=ROUND_STEPS))
    low, high = ax.get_ylim()
    ax.set_ylim(low - 0.05 * (high - low), high + 0.2 * (high - low))
    words = "Filled: made here. White: paid here" if ledger.model.ok else "White: paid here"
    ax.text(0.008, 0.96, words, transform=ax.transAxes, va="top", fontsize=SMALL, color=MUTED, zorder=6)


# ------------------------------------------------------------------------------ parts


def _rows(ledger: Ledger, parts: bool | None) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cells and their uncertainties, corner by corner if there are many."""
    corners = ledger.segments["corner"]
    if parts is None:
        parts = corners[corners != ""].nunique() <= MANY_CORNERS
    if parts:
        rows = ledger.told
        return rows.cells.set_axis(rows.labels), rows.uncertainties.set_axis(rows.labels)
    return _by_zone(ledger)


def _by_zone(ledger: Ledger) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Cells and their uncertainties, corner by corner."""
    places = zones(ledger)
    index = [zone.label for zone in places]
    return pd.DataFrame([zone.costs for zone in places], index=index), pd.DataFrame(
        [z.sigma for z in places], index=index
    )


def _sums(values: pd.DataFrame, sigma: pd.DataFrame) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Sums of rows, and whether the cells beyond their noise make up at least half of them."""
    sums = values.sum(axis=1).to_numpy()
    told = values.where(values.abs() > SIGNIFICANT * sigma, 0.0).sum(axis=1).to_numpy()
    return sums, (told * sums > 0) & (np.abs(told) >= 0.5 * np.abs(sums))


def _steps(ledger: Ledger, by: str) -> tuple[list[str], FloatArray, FloatArray, Sequence[bool]]:
    """Names, sizes, two standard uncertainties (NaN where a sum of causes has none) and whether beyond the noise."""
    if by == "cause":
        table = ledger.by_cause()
        sizes, band = table["time_lost"].to_numpy(), SIGNIFICANT * table["time_lost_uncertainty"].to_numpy()
        return (
            [_WORDS.get(c, c.replace("_", " ")) for c in table["cause"]],
            sizes,
            band,
            (np.abs(sizes) > band).tolist(),
        )
    values, sigma = _by_zone(ledger)
    sums, sure = _sums(values, sigma)
    names = [*values.index]
    if np.isfinite(ledger.carried_in):
        known = abs(ledger.carried_in) > SIGNIFICANT * ledger.carried_in_uncertainty
        names, sums, sure = [_WORDS["carried_in"], *names], np.append(ledger.carried_in, sums), np.append(known, sure)
    return names, sums, np.full(len(sums), np.nan), sure.tolist()


def _axes(ax: Axes | None, height: float) -> Axes:
    given = new_axes([1.0], size=(WIDTH, height)) if ax is None else given_axes([ax], 1, "the ledger")
    axes: Axes = given[0]
    return axes


def _bar(ax: Axes, x: float, y: float, size: float, thick: float, known: bool, *, upright: bool = False) -> None:
    """Draw a bar of `size` seconds from (x, y), pale where it is inside its noise."""
    strong = LOST if size > 0 else GAINED
    look: dict[str, Any] = {"align": "edge", "linewidth": 0.8, "zorder": 3, "facecolor": strong if known else WEAK}
    look["edgecolor"] = "none" if known else MUTED
    if upright:
        ax.bar(x, size, thick, bottom=y, **look)
    else:
        ax.barh(y, size, thick, left=x, **look)


def _cell(ax: Axes, column: int, row: int, value: float, sigma: float, scale: float) -> None:
    known = abs(value) > SIGNIFICANT * sigma
    _figure(ax, column, row, value, known=known)
    if abs(value * scale) > 2e-3:
        _bar(ax, column + 0.68, row - 0.3, value * scale, 0.6, known)


def _seconds(value: float) -> str:
    """Write a difference as the text does, the minus as long as the plus."""
    return number(value, 3, signed=True).replace("-", "\N{MINUS SIGN}")


def _figure(ax: Axes, column: int, row: int, value: float, *, known: bool = True, weight: str = "normal") -> None:
    text = _seconds(value) if known else f"({_seconds(value)})"
    ax.text(column + (0.36 if known else 0.385), row, text, ha="right", va="center", fontsize=SMALL, weight=weight,
            color=INK if known else MUTED)  # fmt: skip


def _title(ax: Axes, ledger: Ledger, *, pad: float) -> None:
    ax.set_title("\n".join(textwrap.wrap(plain(headline(ledger), 200), 84)), pad=pad)


def _note(ax: Axes, ledger: Ledger, words: str, below: float) -> None:
    source = f"{plain(ledger.lap['source'])}. " if ledger.lap["source"] == ledger.reference["source"] else ""
    ax.annotate(f"{source}{words}", (1.0, 0.0), xycoords="axes fraction", xytext=(0, below), textcoords="offset points",
                ha="right", va="top", fontsize=SMALL, color=MUTED)  # fmt: skip
