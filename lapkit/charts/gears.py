"""The engine over a lap, and what other gears would do: lap time and engine speed against the overall ratio."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from lapkit.analysers.gears.gearing import Gearing
from lapkit.analysers.gears.table import rpm
from lapkit.analysers.gears.words import MEETS, judged, meeting_words, two_decimals
from lapkit.analysers.lap.markers import describe_place
from lapkit.channels import FloatArray, from_si
from lapkit.charts.comparison import BEHIND_TEXT, ROUND_STEPS, TITLE_WIDTH
from lapkit.charts.style import (
    HAIRLINE,
    INK,
    MUTED,
    PLACE,
    REFERENCE,
    SMALL,
    STYLE,
    AxesArray,
    given_axes,
    mark_corners,
    new_axes,
    plain,
    signed,
)
from lapkit.errors import FrameError, LapkitError
from lapkit.model.frame import attribute
from lapkit.model.show import clock

LAP_SIZE = (10.5, 4.8)  # inches
SWEEP_SIZE = (9.0, 7.0)
SWEEP_HEIGHTS = (1.0, 1.15)
LIMIT_LINE: dict[str, Any] = {"color": PLACE, "linewidth": 1.6, "linestyle": (0, (6, 2.5)), "zorder": 3.5}
MIN_SPAN = 0.05  # s; the panel of lap times shows at least this much
LEAST_TICK = 0.05  # share of the axis; rows this far apart have their ratio written beside it
LEAST_STRETCH = 0.03  # share of the lap; a gear used for less is not named in the picture
MIN_REACH = 0.05  # share of the ratio; rows without an answer are drawn as near as this, or as the others reach
FEW_CORNERS = 6  # corners up to which every dot is named
NEAR_MARKER = 60.0  # m; the end of a straight is told from a marker as near as this


def engine_over_lap(
    lap: pd.DataFrame,
    gearing: Gearing | None = None,
    *,
    rev_limit: float | None = None,
    ax: Axes | None = None,
    speed_unit: str | None = None,
) -> Axes:
    """Draw engine speed over a lap, with the limit, the ends of the straights and the lowest points of the corners.

    Parameters
    ----------
    lap : DataFrame
        A lap frame with engine_speed.
    gearing : Gearing, optional
        From ``gears(session)``: what is marked, the mean of the clean laps. Without it only the line is drawn.
    rev_limit : float, optional
        The engine builder's limit, rad/s.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.
    speed_unit : str, optional
        Unit of speed; that of the recording by default.

    Returns
    -------
    Axes

    Raises
    ------
    FrameError
        If the lap has no engine speed.
    UnitError
        If `speed_unit` is no unit of speed.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/gears_run.csv")
    >>> engine_over_lap(session.best(), rev_limit=680.7, ax=Figure().subplots()).get_ylabel()
    'Engine speed (rpm)'
    """
    number, source = attribute(lap, "lap"), plain(attribute(lap, "source"))
    if "engine_speed" not in lap or not lap["engine_speed"].notna().any():
        raise FrameError(
            f"{source}, lap {number}: there is no engine_speed; load the file with columns={{'engine_speed': 'its header'}}."
        )
    unit = speed_unit or str(attribute(lap, "speed_unit"))
    from_si(0.0, unit, "speed")  # an unknown unit is refused before anything is drawn
    panels = new_axes((1.0,), size=LAP_SIZE) if ax is None else given_axes([ax], 1, "engine speed")
    panel: Axes = panels[0]
    place = lap.index.to_numpy(np.float64)
    engine = from_si(lap["engine_speed"].to_numpy(np.float64), "rpm", "angular rate")
    limit = None if rev_limit is None else from_si(float(rev_limit), "rpm", "angular rate")
    length = float(attribute(lap, "track_length"))
    with matplotlib.rc_context(STYLE):
        panel.plot(place, engine, color=INK, linewidth=1.3, zorder=4, label=f"lap {number}")
        panel.set_xlim(0.0, length)
        low, high = float(np.nanmin(engine)), float(np.nanmax(engine if limit is None else np.append(engine, limit)))
        span = max(high - low, 500.0)
        panel.set_ylim(low - 0.22 * span, high + 0.24 * span)
        if limit is not None:
            _limit(panel, limit, 1.0)
        if gearing is not None:
            _name_gears(panel, lap, gearing, place)
            _mark_straights(panel, lap, gearing, unit, limit)
            _mark_lowest(panel, gearing)
        mark_corners(panels, attribute(lap, "corners"))
        panel.yaxis.set_major_locator(MaxNLocator(8, steps=ROUND_STEPS))
        panel.set_ylabel("Engine speed (rpm)")
        panel.set_xlabel("Distance from the start/finish line (m)", loc="left")
        panel.set_title("\n".join(textwrap.wrap(_lap_finding(number, gearing, limit), TITLE_WIDTH)))
        laps = 0 if gearing is None or gearing.straights.empty else int(gearing.straights["laps"].max())
        dots = f". Dots: mean of {laps} clean laps, with the highest or lowest of them" if laps else ""
        _beside(panel, f"{source}. Line: lap {number}{dots}", (1.0, 0.0), (0, -22), "right")
    return panel


def _limit(panel: Axes, limit: float, at: float) -> None:
    """The limit as a broken line with its name, at a share of the axis: 0 or 1."""
    panel.axhline(limit, **LIMIT_LINE)
    _beside(panel, f"limit {limit:.0f} rpm", (at, limit), (4 if at == 0 else -4, 4), "left" if at == 0 else "right",
            xycoords=("axes fraction", "data"), color=PLACE, fontsize=None, weight="bold", zorder=6, bbox=BEHIND_TEXT)  # fmt: skip


def _beside(panel: Axes, text: str, at: tuple[float, float], by: tuple[float, float], side: str, **given: Any) -> None:
    """Text so many points beside a place in the axes, above it or, where it goes down, below."""
    how = {"xycoords": "axes fraction", "fontsize": SMALL, "color": MUTED, "va": "bottom" if by[1] > 0 else "top"}
    panel.annotate(text, at, xytext=by, textcoords="offset points", ha=side, **{**how, **given})


def _side(panel: Axes, x: float, margin: float) -> str:
    """On which side of a place its words begin, so that they stay within the picture."""
    left, right = panel.get_xlim()
    share = (x - left) / (right - left)
    return "left" if share < margin else "right" if share > 1.0 - margin else "center"


def _mark_straights(panel: Axes, lap: pd.DataFrame, gearing: Gearing, unit: str, limit: float | None) -> None:
    """The end of each straight, in words too; the longest in its own colour."""
    longest, markers = gearing.longest_straight, lap.attrs.get("markers") or ()
    length, crowded = float(attribute(lap, "track_length")), len(gearing.straights) > FEW_CORNERS
    for row in gearing.straights.to_dict("records"):
        strong = longest is not None and row["corner"] == longest["corner"]
        place, engine, most = row["top_speed_distance"], rpm(row["engine_speed"]), rpm(row["highest_engine_speed"])
        words = [f"mean {engine:.0f} rpm" if strong or not crowded else f"{engine:.0f}"]
        if strong or not crowded:
            words.append(f"{from_si(float(row['top_speed']), unit, 'speed'):.1f} {unit}")
            words.append(describe_place(place, markers, length=length, within=NEAR_MARKER))
        room = np.inf if limit is None or limit < most else limit - most
        under = room < (0.01 + 0.05 * len(words)) * float(np.ptp(panel.get_ylim()))  # no room between dot and limit
        _mark(panel, place, engine, most, words, colour=PLACE if strong else INK, under=under)


def _mark_lowest(panel: Axes, gearing: Gearing) -> None:
    """The lowest point of each corner; with its engine speed where there are few."""
    crowded = len(gearing.corners) > FEW_CORNERS
    for row in gearing.corners.to_dict("records"):
        engine, least = rpm(row["engine_speed"]), rpm(row["lowest_engine_speed"])
        words = [] if crowded else [f"mean {engine:.0f} rpm"]
        _mark(panel, row["min_speed_distance"], engine, least, words, colour=MUTED, under=True, hollow=True)


def _mark(
    panel: Axes, place: float, engine: float, extreme: float, words: list[str], *, colour: str, under: bool,
    hollow: bool = False,
) -> None:  # fmt: skip
    """A dot at the mean, a whisker to the extreme of all laps, and words beyond both."""
    if not (np.isfinite(place) and np.isfinite(engine)):
        return
    panel.plot([place, place], [engine, extreme], color=colour, linewidth=1.6, marker="_", markersize=6, markevery=[1],
               zorder=4.5)  # fmt: skip
    panel.plot([place], [engine], marker="o", markersize=5.0 if hollow else 7.0, color=colour,
               markerfacecolor="white" if hollow else colour, linestyle="none", zorder=5)  # fmt: skip
    words = [word for word in words if word]
    if words:
        _beside(panel, "\n".join(words), (place, min(engine, extreme) if under else max(engine, extreme)), (0, -8 if under else 8),
                _side(panel, place, 0.06), xycoords="data", color=colour, weight="bold" if colour == PLACE else "normal", zorder=6,
                bbox=BEHIND_TEXT)  # fmt: skip


def _name_gears(panel: Axes, lap: pd.DataFrame, gearing: Gearing, place: FloatArray) -> None:
    """Which gear, along the foot of the picture, with a tick at every change."""
    if "speed" not in lap:
        return
    gear = gearing.gear(lap).ffill().bfill().to_numpy(np.float64)
    if not np.isfinite(gear).any():
        return
    starts = np.concatenate([[0], np.flatnonzero(np.diff(gear) != 0) + 1])
    ends = np.append(starts[1:], len(gear)) - 1
    transform = panel.get_xaxis_transform()
    wide = LEAST_STRETCH * (place[-1] - place[0])
    for n, (a, b) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
        if n:
            panel.plot([place[a], place[a]], [0.0, 0.05], transform=transform, color=MUTED, linewidth=0.9, zorder=3)
        if place[b] - place[a] >= wide:
            name = gearing.gear_name(gear[a])
            name = f"{name} gear" if name == "only" else f"gear {name}" if len(starts) <= 6 else name
            _beside(panel, name, (0.5 * (place[a] + place[b]), 0.0), (0, 3), "center", xycoords=transform)


def _lap_finding(number: Any, gearing: Gearing | None, limit: float | None) -> str:
    longest = None if gearing is None else gearing.longest_straight
    if gearing is None or longest is None or not np.isfinite(longest["engine_speed"]):
        return f"Engine speed over lap {number}"
    engine = rpm(longest["engine_speed"])
    text = f"At the end of the longest straight the engine turns {engine:.0f} rpm on average"
    if limit is not None:
        text += f", {abs(limit - engine):.0f} rpm {'below' if limit >= engine else 'above'} the limit"
    fastest = gearing.straights.iloc[int(gearing.straights["engine_speed"].argmax())]
    if fastest["corner"] != longest["corner"]:
        text += f"; before corner {plain(fastest['corner'], 24)} {rpm(fastest['engine_speed']):.0f} rpm"
    return text


def gear_sweep_chart(sweep: pd.DataFrame, *, axes: Iterable[Axes] | None = None) -> AxesArray:
    """Draw lap time, and engine speed at the end of the longest straight, against the overall ratio.

    Bars are two standard uncertainties (about 95 %). The row that comes nearest to the limit at the end of the longest
    straight without going past it is marked in both panels, and the ratio that would just meet it. Rows of which nothing can be said stand as crosses at the foot.

    Parameters
    ----------
    sweep : DataFrame
        From ``gear_sweep(session, ...)``.
    axes : sequence of 2 Axes, optional
        Where to draw: lap time, engine speed. A new figure of pyplot's by default.

    Returns
    -------
    ndarray of Axes, shape (2,)

    Raises
    ------
    LapkitError
        If there is no row, or `axes` are not two Axes.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.gears.sweep import gear_sweep
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/gears_run.csv")
    >>> sweep = gear_sweep(session, final_drives=[4.5, 4.7, 4.9], final_drive=4.5, rev_limit=680.7)
    >>> axes = gear_sweep_chart(sweep, axes=Figure().subplots(2, sharex=True))
    >>> axes[1].get_xlabel()
    'Final drive'
    """
    if sweep.empty:
        raise LapkitError("gear_sweep_chart: the sweep has no row; ask gear_sweep for at least one final drive.")
    whole = bool(sweep["overall_ratio"].notna().all())
    rows = judged(sweep).sort_values("overall_ratio" if whole else "ratio_change", kind="stable")
    kind = "overall_ratio" if whole else "final_drive"
    along = rows[kind].to_numpy(np.float64)
    far = _far(along, rows["lap_time"].notna().to_numpy())
    left_out, rows, along = rows[far], rows[~far], along[~far]
    panels = new_axes(SWEEP_HEIGHTS, size=SWEEP_SIZE) if axes is None else given_axes(axes, 2, "lap time, engine speed")
    upper, lower = panels
    with matplotlib.rc_context(STYLE):
        nearest = rows["nearest"].to_numpy(bool)
        for panel in panels:
            for x in along[nearest]:
                panel.axvline(x, color=PLACE, linewidth=9.0, alpha=0.13, zorder=1)
        _lap_time_panel(upper, rows, along, nearest)
        _engine_panel(lower, rows, along, nearest)
        _mark_meeting(lower, rows, along, kind)
        lower.set_xlabel("Overall ratio: final drive times top gear" if whole else "Final drive", loc="left")
        reach = max(float(np.ptp(along)), 0.02 * float(along[0]))
        lower.set_xlim(along.min() - 0.07 * reach, along.max() + 0.07 * reach)
        ticks = np.unique(along)
        if len(ticks) < 2 or float(np.diff(ticks).min()) >= LEAST_TICK * reach:
            lower.xaxis.set_major_locator(FixedLocator(ticks.tolist()))
            lower.xaxis.set_minor_locator(NullLocator())
        lower.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.4g}"))
        _beside(lower, "◀ taller", (0.0, 0.0), (4, 4), "left")
        _beside(lower, "shorter ▶", (1.0, 0.0), (-4, 4), "right")
        upper.set_title("\n".join(textwrap.wrap(_sweep_finding(rows), TITLE_WIDTH - 10)))
        unknown = "; ×: too far from the engine speeds seen" if rows["lap_time"].isna().any() else ""
        if (rows["past"] & rows["lap_time"].notna()).any():
            unknown = f"; hollow: past the limit{unknown}"
        if far.any():
            unknown += f"; not drawn: {', '.join(f'{v:.4g}' for v in left_out[kind])}"
        foot = f"Lap {sweep.attrs['lap']} driven again at the same pedals. Bars: about 95 %{unknown}"
        _beside(lower, foot, (1.0, 0.0), (0, -38), "right")
        upper.figure.align_ylabels(list(panels))
    return panels


def _far(along: FloatArray, known: np.ndarray) -> np.ndarray:
    """Rows of which nothing is known, further from the known ones than those reach: they would squeeze the picture."""
    if not known.any():
        return np.zeros(len(along), dtype=bool)
    low, high = along[known].min(), along[known].max()
    reach = max(high - low, MIN_REACH * low)
    return np.asarray(~known & ((along < low - reach) | (along > high + reach)))


def _line(
    panel: Axes, rows: pd.DataFrame, along: FloatArray, values: FloatArray, sigma: FloatArray, nearest: np.ndarray
) -> None:
    """Rows as dots with bars, the one nearest to the limit larger and in its own colour, those past it hollow."""
    gone = rows["past"].to_numpy(bool)
    panel.plot(along, values, color=INK, linewidth=1.3, zorder=4)
    for kind, colour, size, face in (
        (~nearest & ~gone, INK, 5.0, INK),
        (gone, INK, 6.0, "white"),
        (nearest, PLACE, 8.5, PLACE),
    ):
        panel.errorbar(along[kind], values[kind], yerr=2.0 * sigma[kind], fmt="o", color=colour, markersize=size, capsize=3,
                       markerfacecolor=face, linewidth=1.0, zorder=5)  # fmt: skip
    unknown = ~np.isfinite(values)
    if unknown.any():
        panel.plot(along[unknown], np.full(int(unknown.sum()), 0.14), "x", color=MUTED, markersize=8, markeredgewidth=1.8,
                   transform=panel.get_xaxis_transform(), zorder=5)  # fmt: skip


def _lap_time_panel(panel: Axes, rows: pd.DataFrame, along: FloatArray, nearest: np.ndarray) -> None:
    seconds, sigma = (rows[name].to_numpy(np.float64) for name in ("lap_time", "lap_time_difference_uncertainty"))
    _line(panel, rows, along, seconds, sigma, nearest)
    driven = rows["lap_time"] - rows["lap_time_difference"]
    if driven.notna().any():
        own = float(driven.dropna().iloc[0])
        panel.axhline(own, color=MUTED, linewidth=1.0, linestyle=":", zorder=2)
        shown = np.append(seconds, own)
        band = np.append(2.0 * np.nan_to_num(sigma), 0.0)
        low, high = float(np.nanmin(shown - band)), float(np.nanmax(shown + band))
        span = max(high - low, MIN_SPAN)
        panel.set_ylim((low + high - 1.3 * span) / 2, (low + high + 1.3 * span) / 2)
        unit = " s" if own < 60 else ""
        _beside(panel, f"dotted: lap {rows.attrs['lap']} as driven, {clock(own)}{unit}", (1.0, 1.0), (-4, -3), "right")
    panel.yaxis.set_major_locator(MaxNLocator(7, steps=ROUND_STEPS))
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: clock(value, decimals=2)))
    panel.set_ylabel("Lap time (s)" if not np.nanmax(np.append(seconds, 0.0)) >= 60 else "Lap time (min:s)")


def _engine_panel(panel: Axes, rows: pd.DataFrame, along: FloatArray, nearest: np.ndarray) -> None:
    limit = rpm(rows.attrs["rev_limit"])
    engine, sigma, free = (
        from_si(rows[name].to_numpy(np.float64), "rpm", "angular rate")
        for name in ("engine_speed", "engine_speed_uncertainty", "free_engine_speed")
    )
    panel.plot(along, free, color=REFERENCE, linewidth=3.0, linestyle=(0, (3.2, 0.9)), zorder=3)
    _line(panel, rows, along, engine, sigma, nearest)
    spread = 2.0 * np.nan_to_num(sigma)
    shown = np.concatenate([engine - spread, engine + spread, free, [limit]])
    low, high = float(np.nanmin(shown)), float(np.nanmax(shown))
    span = max(high - low, 200.0)
    panel.set_ylim(low - 0.25 * span, high + 0.3 * span)
    panel.axhspan(limit, high + 0.3 * span, facecolor="none", edgecolor=HAIRLINE, hatch="//", linewidth=0, zorder=0.5)
    _limit(panel, limit, 0.0)
    over = np.flatnonzero(free > limit + 0.02 * span)
    if over.size:
        k = int(over[-1])
        _beside(
            panel,
            "if nothing held it",
            (along[k], free[k]),
            (-6, 8),
            "right",
            xycoords="data",
            color=INK,
            zorder=6,
            bbox=BEHIND_TEXT,
        )
    panel.yaxis.set_major_locator(MaxNLocator(7, steps=ROUND_STEPS))
    panel.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:.0f}"))
    panel.set_ylabel("Engine speed at the end of\nthe longest straight (rpm)")


def _mark_meeting(panel: Axes, rows: pd.DataFrame, along: FloatArray, kind: str) -> None:
    """Where the engine would just meet the limit, if that is within the picture."""
    at = (rows.attrs.get("meeting") or {}).get(kind)
    if at is None or not along.min() <= at <= along.max():
        return
    limit, free = (
        rpm(rows.attrs["rev_limit"]),
        from_si(rows["free_engine_speed"].to_numpy(np.float64), "rpm", "angular rate"),
    )
    there = float(np.interp(at, along, free))
    there = there if np.isfinite(there) else limit
    words = f"{two_decimals(at)} would just meet it" + (" elsewhere" if there < (1.0 - MEETS) * limit else "")
    panel.plot([at], [there], marker="D", markersize=7.5, color=PLACE, markerfacecolor="white", markeredgewidth=1.6,
               linestyle="none", zorder=5.5)  # fmt: skip
    _beside(panel, words, (at, there), (0, -40), _side(panel, at, 0.12), xycoords="data", color=PLACE, weight="bold", zorder=6,
            arrowprops={"arrowstyle": "-", "color": PLACE, "linewidth": 0.9, "shrinkA": 0, "shrinkB": 5}, bbox=BEHIND_TEXT)  # fmt: skip


def _sweep_finding(rows: pd.DataFrame) -> str:
    """The answer in a sentence: which row comes nearest to the limit without passing it, and what it is worth."""
    chosen, meeting = rows[rows["nearest"].astype(bool)], meeting_words(rows)
    if chosen.empty:
        if not rows["free_engine_speed"].notna().any():
            return "Which gear meets the limit cannot be said from this recording"
        return "All of these gears meet the limit too soon" + (f"; {meeting}" if meeting else "")
    row = chosen.iloc[0]
    name = row["name"].capitalize()
    change, margin = float(row["lap_time_difference"]), 2.0 * float(row["lap_time_difference_uncertainty"])
    if abs(row["ratio_change"]) < 1e-9:
        name, worth = f"{name}, the one in the car,", ""
    elif not np.isfinite(change):
        worth = "; its lap time cannot be said"
    elif abs(change) <= margin:
        worth = f": {signed(change, 3)} s a lap, within the ±{margin:.3f} s of the model"
    else:
        worth = f": {abs(change):.3f} ±{margin:.3f} s a lap {'quicker' if change < 0 else 'slower'}"
    if row["meets"]:
        return f"{name} meets the limit{worth}"
    return f"{name} comes nearest to the limit from below{worth}" + (f"; {meeting}" if meeting else "")
