"""Two laps over each other: speed, pedals and time lost, place by place."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from lapkit.analysers.lap.delta import delta, losses
from lapkit.channels import FloatArray, from_si
from lapkit.charts.style import (
    INK,
    MUTED,
    PLACE,
    REFERENCE,
    SMALL,
    STYLE,
    AxesArray,
    Corners,
    given_axes,
    mark_corners,
    new_axes,
    plain,
    signed,
    tick,
)
from lapkit.model.frame import attribute
from lapkit.model.show import clock

if TYPE_CHECKING:
    from lapkit.analysers.ledger.explain import Explanation
    from lapkit.analysers.ledger.findings import Zone

SIZE = (10.5, 7.4)  # inches
HEIGHTS = (3.0, 1.5, 2.3)
TITLE_WIDTH = 88  # characters of the title that fit on one line
MIN_SPAN = 0.04  # s; the delta panel shows at least this much, so that equal laps look equal
ROUND_STEPS = [1, 2, 5, 10]  # between gridlines, times a power of ten

LAP_LINE: dict[str, Any] = {"color": INK, "linewidth": 1.3, "linestyle": "-", "zorder": 4}
REFERENCE_LINE: dict[str, Any] = {
    "color": REFERENCE, "linewidth": 3.0, "linestyle": (0, (3.2, 0.9)), "dash_capstyle": "butt", "zorder": 3,
}  # fmt: skip
BEHIND_TEXT: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "pad": 1.5}

REST = 0.02
"""Share of the brake below which it is at rest (chosen: twice the step of a percent)."""


def two_laps(
    lap: pd.DataFrame,
    reference: pd.DataFrame,
    *,
    corners: Corners | None = None,
    axes: Iterable[Axes] | None = None,
    speed_unit: str | None = None,
    title: str | None = None,
    why: Explanation | None = None,
) -> AxesArray:
    """Draw two laps over each other, and where one lost time to the other.

    Three panels over the place on the track: speed; throttle, with the brake below it where there is one; and
    the time the lap is behind the reference, with a band of two standard uncertainties (about 95 %). Corners
    are shaded and named, the place where most was made is marked and labelled in all panels, and the title says
    the finding. Without `why` it is where the clock showed most of the loss (or gain, in a faster lap), and the mark
    says so: the clock shows time where it is paid. Holes in the data are gaps in the lines.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames on one grid, of one session or of two on the same track.
    corners : DataFrame or sequence of mapping, optional
        Corners to shade, and to divide the lap by: corner, start_distance, end_distance (m). Those of the laps
        by default.
    axes : sequence of 3 Axes, optional
        Where to draw: speed, pedals, delta. A new figure of pyplot's by default.
    speed_unit : str, optional
        Unit of speed; ``lap.attrs["speed_unit"]`` by default.
    title : str, optional
        The finding; by default that of `why`, or where the clock showed most of the difference.
    why : Explanation, optional
        ``explain(lap, reference)``: the mark then stands where the time was made, as its headline says.

    Returns
    -------
    ndarray of Axes, shape (3,)
        Speed, pedals, delta; ``axes[0].figure`` is the figure.

    Raises
    ------
    FrameError
        If the frames do not fit together, or a corner has no name, start or end.
    UnitError
        If `speed_unit` is no unit of speed.
    LapkitError
        If `axes` are not three Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> axes = two_laps(session.lap(10), session.lap(6), axes=Figure().subplots(3, sharex=True))
    >>> axes[0].get_ylabel()
    'Speed (km/h)'
    """
    table = delta(lap, reference)
    unit = speed_unit or str(attribute(lap, "speed_unit"))
    from_si(0.0, unit, "speed")  # an unknown unit is refused before anything is drawn
    pair = _Pair(lap, reference, float(table.attrs["track_length"]))
    given = table.attrs["corners"] if corners is None else corners
    mark = _on_the_clock(table, given) if why is None or why.book is None or not why.book.model.ok else _made(why.made)
    if axes is None:
        panels = new_axes((HEIGHTS[0], HEIGHTS[1] if pair.has_pedals else 0.4, HEIGHTS[2]), size=SIZE)
    else:
        panels = given_axes(axes, 3, "speed, pedals, delta")
    speed, pedals, behind = panels
    with matplotlib.rc_context(STYLE):
        _draw_speed(speed, pair, unit)
        _draw_pedals(pedals, pair)
        _draw_delta(behind, pair, table, mark)
        for panel in panels:
            panel.set_xlim(0.0, pair.length)
            panel.label_outer()
        mark_corners(panels, given)
        _draw_mark(panels, mark)
        found = title or (why.headline if why is not None else _finding(pair, table, mark))
        speed.set_title("\n".join(textwrap.wrap(plain(found, 200), TITLE_WIDTH)), pad=30)
        behind.set_xlabel("Distance from the start/finish line (m)", loc="left")
        _note(behind, pair, table)
        speed.figure.align_ylabels(list(panels))
    return panels


@dataclass(frozen=True)
class _Pair:
    """The two frames, the length of the lap they are compared on (m), and what they are called in the chart."""

    lap: pd.DataFrame
    reference: pd.DataFrame
    length: float

    def places(self, frame: pd.DataFrame) -> FloatArray:
        """Where the rows lie in the chart: as fractions of the lap, should the two frames differ in length."""
        return frame.index.to_numpy(np.float64) * (self.length / float(attribute(frame, "track_length")))

    @property
    def one_source(self) -> bool:
        return bool(attribute(self.lap, "source") == attribute(self.reference, "source"))

    def name(self, frame: pd.DataFrame) -> str:
        number = str(frame.attrs.get("name") or f"lap {attribute(frame, 'lap')}")
        return number if self.one_source else f"{number} of {plain(attribute(frame, 'source'), 28)}"

    def label(self, frame: pd.DataFrame) -> str:
        seconds = float(attribute(frame, "lap_time"))
        time = f"{clock(seconds)} s" if np.isfinite(seconds) else "no lap time"
        return f"{_capital(self.name(frame))}: {time}"

    @property
    def has_pedals(self) -> bool:
        return any(_values(f, c) is not None for f in (self.lap, self.reference) for c in ("throttle", "brake"))


@dataclass(frozen=True)
class _Mark:
    """A place to mark, m, and what to say of it; `most` is how the title says it, where it has nothing better."""

    start: float
    end: float
    words: str
    most: str = ""


# -------------------------------------------------------------------------- findings


def _made(zone: Zone | None) -> _Mark | None:
    """The place that a ledger charges with most."""
    if zone is None:
        return None
    where = plain(zone.where) if zone.segment else "by the speed brought over the line"
    words = f"{abs(zone.made):.3f} s {'made' if zone.made > 0 else 'gained'} {where} (±{zone.noise:.3f})"
    return _Mark(zone.start, zone.end, words)


def _on_the_clock(table: pd.DataFrame, corners: Corners) -> _Mark | None:
    """The segment where the clock showed most of what made the lap slower; or faster, where it was clearly faster."""
    total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
    sign = -1.0 if total < -2 * sigma else 1.0
    places = losses(table, corners=corners, count=None)
    size = sign * places["time_lost"].to_numpy(np.float64)
    if not (size > 0).any():
        return None
    row = places.iloc[int(np.nanargmax(size))]
    lost, noise = float(row["time_lost"]), 2 * float(row["time_lost_uncertainty"])
    if not abs(lost) > noise:
        return None  # no place where they clearly differ
    segment, did = str(row["segment"]), "lost" if lost > 0 else "gained"
    done = f"{did} {'on the' if segment.startswith('straight') else 'in'} {plain(segment)}"
    words = f"{abs(lost):.3f} s {done} on the clock (±{noise:.3f})"
    return _Mark(float(row["start_distance"]), float(row["end_distance"]), words, f": on the clock most was {done}")


def _finding(pair: _Pair, table: pd.DataFrame, mark: _Mark | None) -> str:
    lap, reference = pair.name(pair.lap), pair.name(pair.reference)
    total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
    if not np.isfinite(total):
        return f"{_capital(lap)} and {reference} are not both complete, so there is no lap-time difference"
    if abs(total) <= 2 * sigma:
        return f"{_capital(lap)} and {reference} took the same time, as far as the clock can tell (±{2 * sigma:.3f} s)"
    most = mark.most if mark else ""
    return f"{_capital(lap)} was {abs(total):.3f} s {'slower' if total > 0 else 'faster'} than {reference}{most}"


# ---------------------------------------------------------------------------- panels


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]


def _values(frame: pd.DataFrame, channel: str) -> FloatArray | None:
    if channel not in frame.columns:
        return None
    values = frame[channel].to_numpy(np.float64, na_value=np.nan)
    return values if np.isfinite(values).any() else None


def _draw_speed(ax: Axes, pair: _Pair, unit: str) -> None:
    for frame, look in ((pair.reference, REFERENCE_LINE), (pair.lap, LAP_LINE)):
        values = _values(frame, "speed")
        if values is not None:
            ax.plot(pair.places(frame), from_si(values, unit, "speed"), label=pair.label(frame), **look)
    low, high = ax.get_ylim()
    ax.set_ylim(low, high + 0.14 * (high - low))  # room for the names of the corners
    ax.yaxis.set_major_locator(MaxNLocator(11, steps=ROUND_STEPS))
    ax.set_ylabel(f"Speed ({unit})")
    handles, labels = ax.get_legend_handles_labels()
    ax.legend(handles[::-1], labels[::-1], loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2, handlelength=3.2,
              borderpad=0.0, borderaxespad=0.6, columnspacing=3.0)  # fmt: skip


def _draw_pedals(ax: Axes, pair: _Pair) -> None:
    """Throttle upward, brake downward from one zero; what is missing is said."""
    frames = ((pair.reference, REFERENCE_LINE), (pair.lap, LAP_LINE))
    drawn: list[str] = []
    missing: list[str] = []
    for channel, sign in (("throttle", 100.0), ("brake", -100.0)):
        have = [(frame, look, values) for frame, look in frames if (values := _values(frame, channel)) is not None]
        for frame, look, values in have:
            shown = values if channel == "throttle" else _pressed(values)
            ax.plot(pair.places(frame), sign * shown, **look)
        drawn += [channel] if have else []
        if not have and channel == "throttle":
            missing.append("no throttle in either lap")
        elif len(have) == 1:
            lacking = pair.reference if have[0][0] is pair.lap else pair.lap
            missing.append(f"no {channel} in {pair.name(lacking)}")
    low, high = (-109.0 if "brake" in drawn else -9.0), (109.0 if "throttle" in drawn else 9.0)
    ax.set_ylim(low - (40.0 if missing and drawn else 0.0), high)  # room for words below
    ax.set_yticks([tick for tick in (-100, -50, 0, 50, 100) if drawn and low <= tick <= high])
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{abs(value):.0f}"))
    labels = {(): "", ("throttle",): "Throttle (%)", ("brake",): "Brake (%)"}
    ax.set_ylabel(labels.get(tuple(drawn), "Brake    Throttle (%)"))
    if "brake" in drawn:
        ax.axhline(0.0, color=MUTED, linewidth=0.8, zorder=2)
    if missing:
        text, height = "; ".join(missing), (0.03 if drawn else 0.5)
        ax.text(0.008, height, f"N{text[1:]}", transform=ax.transAxes, va="bottom" if drawn else "center", fontsize=SMALL,
                color=MUTED, zorder=6)  # fmt: skip


def _pressed(brake: FloatArray) -> FloatArray:
    """The brake where it is used, and where it comes on and off: at rest it would lie over the closed throttle."""
    used = np.nan_to_num(brake) > REST
    used[1:] |= used[:-1].copy()
    used[:-1] |= used[1:].copy()
    return np.where(used, brake, np.nan)


def _draw_delta(ax: Axes, pair: _Pair, table: pd.DataFrame, mark: _Mark | None) -> None:
    place = table.index.to_numpy(np.float64)
    values, band = table["delta"].to_numpy(np.float64), 2.0 * table["delta_uncertainty"].to_numpy(np.float64)
    ax.axhline(0.0, color=MUTED, linewidth=0.9, zorder=2)
    ax.fill_between(place, values - band, values + band, color="#b9c2c6", linewidth=0, alpha=0.75, zorder=3)
    ax.plot(place, values, **LAP_LINE)
    if mark is not None:
        inside = (place >= mark.start) & (place <= mark.end)
        ax.plot(place[inside], values[inside], color=PLACE, linewidth=3.4, solid_capstyle="butt", zorder=5)
    reach = np.concatenate([[0.0], (values - band)[np.isfinite(values)], (values + band)[np.isfinite(values)]])
    low, high = float(reach.min()), float(reach.max())
    grow = max(MIN_SPAN - (high - low), 0.0) / 2
    low, high = low - grow, high + grow
    ax.set_ylim(low - 0.22 * (high - low), high + 0.22 * (high - low))  # room for words above and below
    ax.yaxis.set_major_locator(MaxNLocator(8, steps=ROUND_STEPS))
    ax.yaxis.set_major_formatter(FuncFormatter(tick))
    ax.set_ylabel(f"Time behind\n{pair.name(pair.reference) if pair.one_source else 'the dashed lap'} (s)")
    name = pair.name(pair.lap) if pair.one_source else "solid lap"
    for height, words, align in ((0.97, f"▲ {name} slower", "top"), (0.03, f"▼ {name} faster", "bottom")):
        ax.text(
            0.008,
            height,
            words,
            transform=ax.transAxes,
            va=align,
            fontsize=SMALL,
            color=MUTED,
            zorder=6,
            bbox=BEHIND_TEXT,
        )
    known = np.flatnonzero(np.isfinite(values))
    if known.size:
        last = int(known[-1])
        ax.annotate(f"{signed(values[last], 3)} s", (place[last], values[last]), xytext=(7, 0), textcoords="offset points",
                    va="center", weight="bold", annotation_clip=False)  # fmt: skip


# ----------------------------------------------------------------------------- marks


def _draw_mark(panels: AxesArray, mark: _Mark | None) -> None:
    if mark is None:
        return
    for panel in panels:
        left, right = panel.get_xlim()
        for edge in {mark.start, mark.end}:
            if left < edge < right:
                panel.axvline(edge, color=PLACE, linewidth=1.0, linestyle=(0, (1.2, 1.6)), zorder=2.5)
        if mark.start == mark.end:  # the line itself
            panel.axvline(mark.start, color=PLACE, linewidth=5.0, zorder=5)
    bottom = panels[-1]
    left, right = bottom.get_xlim()
    share = ((mark.start + mark.end) / 2 - left) / (right - left)
    half = 0.0045 * len(mark.words)
    bottom.text(float(np.clip(share, 0.15 + half, 1.0 - half)), 0.97, mark.words, transform=bottom.transAxes, ha="center",
                va="top", color=PLACE, weight="bold", zorder=6, bbox=BEHIND_TEXT)  # fmt: skip


def _note(ax: Axes, pair: _Pair, table: pd.DataFrame) -> None:
    source = f"{plain(attribute(pair.lap, 'source'))}. " if pair.one_source else ""
    apart = "Places as fractions of the lap. " if "note" in table.attrs else ""
    ax.annotate(f"{source}{apart}Shaded: corners. Band: about 95 % sure", (1.0, 0.0), xycoords="axes fraction", xytext=(0, -22),
                textcoords="offset points", ha="right", va="top", fontsize=SMALL, color=MUTED)  # fmt: skip
