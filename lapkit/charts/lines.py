"""Two lines beside each other: their shape over distance, the lanes they took, and what each corner cost."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FixedLocator, FuncFormatter, MaxNLocator, NullLocator

from lapkit.analysers.lines.compare import LAP, LineComparison
from lapkit.analysers.lines.driven_line import driven_line
from lapkit.channels import FloatArray, from_si
from lapkit.charts.comparison import BEHIND_TEXT, ROUND_STEPS, TITLE_WIDTH
from lapkit.charts.line_pair import Laps, Line, as_line, capital, corner_list, lines_of, listed, middle, sources
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
from lapkit.model.frame import attribute
from lapkit.model.given import kind_given

SIZE = (10.5, 8.6)  # inches
HEIGHTS = (2.2, 2.2, 1.6, 2.2)
# m; named beside the axis of the radius as far as there is room
RADII = (1000, 500, 300, 200, 150, 120, 100, 80, 60, 50, 40, 30, 25, 20, 15, 12, 10, 8, 6, 5)  # fmt: skip
COST_PARTS = (
    ("start_to_start", "", 0.0),
    ("corner_time", "in the corner", 0.25),
    ("time_to_next", "on the straight", 0.42),
)
LEAST_REACH = 0.05  # s; the chart of costs shows at least this much either way
BAND_LOOKS: tuple[dict[str, Any], ...] = (
    {"color": INK, "alpha": 0.16, "linewidth": 0, "zorder": 2.2},
    {"color": REFERENCE, "alpha": 0.30, "linewidth": 0, "zorder": 2.1},
)


def line_profiles(
    laps_a: Laps,
    laps_b: Laps | None = None,
    *,
    names: Sequence[str] | None = None,
    axes: Iterable[Axes] | None = None,
    speed_unit: str | None = None,
) -> AxesArray:
    """Draw one or two lines over distance: offset, radius, height of the surface under the car, and speed.

    Of several laps the middle one (median at each place) is drawn, with a band from the lowest to the highest of the laps.
    What the data do not hold is said in its panel.

    Parameters
    ----------
    laps_a, laps_b : DataFrame or sequence of DataFrame
        Lap frames on one grid.
    names : sequence of str, optional
        What the lines are called, such as ("high", "low"), the default where they lie so in the corners.
    axes : sequence of 4 Axes, optional
        Where to draw: offset, radius, height, speed. A new figure of pyplot's by default.
    speed_unit : str, optional
        Unit of speed; that of the frames by default.

    Returns
    -------
    ndarray of Axes, shape (4,)

    Raises
    ------
    FrameError
        If the frames do not share one grid.
    UnitError
        If `speed_unit` is no unit of speed.
    LapkitError
        If `axes` are not four Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> axes = line_profiles(session.lap(6), session.lap(10), axes=Figure().subplots(4, sharex=True))
    >>> axes[3].get_ylabel()
    'Speed (km/h)'
    """
    lines = lines_of(laps_a, laps_b, names)
    first = lines[0].frames[0]
    unit = speed_unit or str(attribute(first, "speed_unit"))
    from_si(0.0, unit, "speed")  # an unknown unit is refused before anything is drawn
    shapes = [[driven_line(frame) for frame in line.frames] for line in lines]
    panels = new_axes(HEIGHTS, size=SIZE) if axes is None else given_axes(axes, 4, "offset, radius, height, speed")
    place = first.index.to_numpy(np.float64)
    with matplotlib.rc_context(STYLE):
        blocks = {
            name: [np.array([table[name].to_numpy(np.float64) for table in group]) for group in shapes]
            for name in ("offset", "curvature", "height")
        }
        nothing = np.full((1, len(place)), np.nan)
        speeds = (line.values("speed") for line in lines)
        blocks["speed"] = [nothing if block is None else from_si(block, unit, "speed") for block in speeds]
        labels = ("Offset (m)", "Radius (m)", "Height (m)", f"Speed ({unit})")
        for panel, name, label in zip(panels, blocks, labels, strict=True):
            _draw_profile(
                panel, place, lines, blocks[name], shapes[0][0].attrs["sources"].get(name, f"there is no {name}")
            )
            panel.set_ylabel(label)
            panel.set_xlim(0.0, float(attribute(first, "track_length")))
            panel.label_outer()
        left_only = all(corner.get("direction") == "left" for corner in first.attrs.get("corners", ()))
        _sides(panels[0], " (low side)" if left_only else "", " (high side)" if left_only else "")
        _radius_axis(panels[1], left_only)
        low, high = panels[0].get_ylim()
        panels[0].set_ylim(low - 0.06 * (high - low), high + 0.22 * (high - low))  # room for words and names of corners
        mark_corners(panels, first.attrs.get("corners", ()))
        named = [panel.get_legend_handles_labels() for panel in panels]
        panels[0].legend(*max(named, key=lambda found: len(found[0])), loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=2,
                         handlelength=3.2, borderpad=0.0, borderaxespad=0.6, columnspacing=3.0)  # fmt: skip
        panels[0].set_title("\n".join(textwrap.wrap(_shape_finding(lines, blocks), TITLE_WIDTH)), pad=30)
        panels[3].set_xlabel("Distance from the start/finish line (m)", loc="left")
        several = any(len(line.frames) > 1 for line in lines)
        note = f"{sources(lines)}. Shaded: corners{'. Bands: all laps' if several else ''}"
        panels[3].annotate(note, (1.0, 0.0), xycoords="axes fraction", xytext=(0, -22), textcoords="offset points", ha="right",
                           va="top", fontsize=SMALL, color=MUTED)  # fmt: skip
        panels[0].figure.align_ylabels(list(panels))
    return panels


def _draw_profile(
    ax: Axes, place: FloatArray, lines: Sequence[Line], blocks: Sequence[FloatArray], missing: str
) -> None:
    if not any(np.isfinite(block).any() for block in blocks):
        ax.set_yticks([])
        ax.text(
            0.5, 0.4, capital(missing), transform=ax.transAxes, ha="center", va="center", fontsize=SMALL, color=MUTED
        )
        return
    for block, band in list(zip(blocks, BAND_LOOKS, strict=False))[::-1]:
        if len(block) > 1:
            known = np.isfinite(block).any(axis=0)
            low = np.where(np.isnan(block), np.inf, block).min(axis=0)
            high = np.where(np.isnan(block), -np.inf, block).max(axis=0)
            ax.fill_between(place, low, high, where=known.tolist(), **band)
    for line, block in zip(lines, blocks, strict=False):
        ax.plot(place, middle(block), label=line.label, **line.look)
    ax.yaxis.set_major_locator(MaxNLocator(6, steps=ROUND_STEPS))


def _sides(ax: Axes, left: str, right: str) -> None:
    for height, words, align in ((0.97, f"▲ left{left}", "top"), (0.03, f"▼ right{right}", "bottom")):
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


def _radius_axis(ax: Axes, left_only: bool) -> None:
    """Name the radii beside an axis of curvature, as many as find room."""
    if not ax.get_lines():
        return
    low, high = ax.get_ylim()
    high += 0.12 * (high - low)  # room for words
    ax.set_ylim(low, high)
    ax.axhline(0.0, color=MUTED, linewidth=0.8, zorder=2)
    chosen: list[float] = [0.0]
    for radius in sorted(RADII):
        for bend in (1.0 / radius, -1.0 / radius):
            if low < bend < high and min(abs(bend - other) for other in chosen) > (high - low) / 9:
                chosen.append(bend)
    ax.yaxis.set_major_locator(FixedLocator(chosen))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.yaxis.set_major_formatter(
        FuncFormatter(lambda bend, _: f"{abs(1.0 / bend):.0f}" if abs(bend) > 1e-9 else "straight")
    )
    if left_only:
        ax.text(
            0.008,
            0.97,
            "▲ tighter",
            transform=ax.transAxes,
            va="top",
            fontsize=SMALL,
            color=MUTED,
            zorder=6,
            bbox=BEHIND_TEXT,
        )
    else:
        _sides(ax, "", "")


def _shape_finding(lines: Sequence[Line], blocks: Mapping[str, Sequence[FloatArray]]) -> str:
    if len(lines) == 1:
        return f"The line of {lines[0].name}, place by place"
    first = lines[0].frames[0]
    place, offset = first.index.to_numpy(np.float64), [middle(block) for block in blocks["offset"]]
    parts = []
    for corner in first.attrs.get("corners", ()):
        inside = (place >= corner["start_distance"]) & (place < corner["end_distance"])
        apart = offset[0][inside] - offset[1][inside]
        if np.isfinite(apart).any():
            outward = float(np.nanmean(apart)) * (-1.0 if corner.get("direction") == "left" else 1.0)
            name = plain(corner["corner"], 20)
            parts.append((outward, f"{abs(outward):.1f} m in {'corner ' if name.isdigit() else ''}{name}"))
    if not parts or len({outward > 0 for outward, _ in parts}) > 1 or len(parts) > 3:
        return f"{capital(lines[0].name)} and {lines[1].name}, place by place"
    word = "further out" if parts[0][0] > 0 else "further in"
    return f"{capital(lines[0].name)} lies {word} than {lines[1].name}: by {listed([text for _, text in parts])}"


# ---------------------------------------------------------------------------- costs


def line_costs(comparison: LineComparison, *, ax: Axes | None = None, speed_unit: str | None = None) -> Axes:
    """Draw what each corner gave one line over the other, with intervals, and why.

    A dot is the difference of the mean times of a corner with the straight after it, its bar the interval at the
    confidence of the comparison. To the right of zero the first line is faster. The two small marks below it are its parts.
    Filled marks are more than luck. On the right stands what the first line did otherwise than the second: metres driven,
    slowest speed, tyre work.

    Parameters
    ----------
    comparison : LineComparison
        From `compare_lines`.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.
    speed_unit : str, optional
        Unit of speed; that of the comparison by default.

    Returns
    -------
    Axes

    Raises
    ------
    UnitError
        If `speed_unit` is no unit of speed.
    LapkitError
        If `ax` is no Axes.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.lines.compare import compare_lines
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> found = compare_lines([session.lap(n) for n in (1, 2, 3)], [session.lap(n) for n in (4, 5, 6)])
    >>> ax = line_costs(found, ax=Figure().subplots())
    >>> [label.get_text() for label in ax.get_yticklabels()]
    ['Corner 1', 'Corner 2', 'Whole lap']
    """
    comparison = kind_given(comparison, LineComparison, "line_costs", "what compare_lines(laps_a, laps_b) returns")
    unit = speed_unit or comparison.speed_unit
    from_si(0.0, unit, "speed")  # an unknown unit is refused before anything is drawn
    corners = [str(name) for name in comparison.corners["corner"]]
    if ax is None:
        panel: Axes = new_axes([1.0], size=(10.5, 2.2 + 0.85 * len(corners)))[0]
    else:
        panel = given_axes([ax], 1, "time by corner")[0]
    first, second = (as_line(name) for name in comparison.names)
    with matplotlib.rc_context(STYLE):
        panel.axvline(0.0, color=MUTED, linewidth=1.0, zorder=2)
        reach = LEAST_REACH
        for y, corner in enumerate(corners):
            parts = COST_PARTS[:1] if corner == LAP else COST_PARTS
            for quantity, said, shift in parts:
                reach = max(reach, _draw_cost(panel, y + shift, comparison.row(corner, quantity), said))
            panel.text(1.015, y + 0.12, _why(comparison, corner, unit), transform=panel.get_yaxis_transform(), va="center",
                       fontsize=SMALL, linespacing=1.35)  # fmt: skip
            panel.axhline(y + 0.6, color=HAIRLINE, linewidth=0.6, zorder=1)
        panel.set_xlim(-1.25 * reach, 1.25 * reach)
        panel.set_ylim(len(corners) - 0.4, -0.9)
        panel.set_yticks(range(len(corners)), [_called(corner) for corner in corners], weight="bold")
        panel.tick_params(axis="y", length=0)
        panel.grid(visible=False, axis="y")
        panel.grid(visible=True, axis="x")
        panel.xaxis.set_major_formatter(
            FuncFormatter(lambda value, _: f"{abs(value):.3f}".rstrip("0").rstrip(".") or "0")
        )
        panel.xaxis.set_major_locator(MaxNLocator(8, steps=ROUND_STEPS))
        for x, words, align in ((0.0, f"◀ {second} faster", "left"), (1.0, f"{first} faster ▶", "right")):
            panel.text(x, 1.0, words, transform=panel.transAxes, ha=align, va="top", weight="bold", bbox=BEHIND_TEXT)
        panel.text(1.015, 1.0, f"On the {first}", transform=panel.transAxes, va="top", weight="bold")
        panel.set_xlabel("Seconds gained by a corner and the straight after it", loc="left")
        panel.set_title("\n".join(textwrap.wrap(_cost_finding(comparison, first, second), TITLE_WIDTH)), pad=14)
        note = f"Bars: {100 * comparison.confidence:.0f} % sure, by the scatter from lap to lap. Hollow: may be luck"
        panel.annotate(note, (1.0, 0.0), xycoords="axes fraction", xytext=(0, -34), textcoords="offset points", ha="right",
                       va="top", fontsize=SMALL, color=MUTED)  # fmt: skip
    return panel


def _called(corner: str) -> str:
    if corner == LAP:
        return "Whole lap"
    return f"Corner {plain(corner)}" if corner.isdigit() else plain(corner, 20)


def _draw_cost(ax: Axes, y: float, row: Mapping[str, Any], said: str) -> float:
    """Draw one difference with its interval, small where it is a part of another; return how far it reaches."""
    value, margin, sure = float(row["difference"]), float(np.nan_to_num(row["margin"])), bool(row["significant"])
    if not np.isfinite(value):
        return 0.0
    ink = MUTED if said else INK
    ax.plot([value - margin, value + margin], [y, y], color=ink, linewidth=1.0 if said else 2.0, zorder=3)
    ax.plot([value], [y], marker="s" if said else "o", markersize=4.5 if said else 9.0, color=ink,
            markerfacecolor=ink if sure else "white", zorder=4)  # fmt: skip
    if said:
        ax.annotate(said, (value + margin, y), xytext=(5, 0), textcoords="offset points", va="center", fontsize=SMALL - 0.5,
                    color=MUTED, bbox=BEHIND_TEXT, zorder=3)  # fmt: skip
    else:
        text = f"{abs(value):.3f}" + (f" ±{margin:.3f} s" if margin > 0 else " s")
        ax.annotate(text, (value, y), xytext=(0, 9), textcoords="offset points", ha="center", va="bottom",
                    weight="bold" if sure else "normal", color=PLACE if sure else MUTED, bbox=BEHIND_TEXT, zorder=5)  # fmt: skip
    return abs(value) + margin


def _why(comparison: LineComparison, corner: str, unit: str) -> str:
    """Say what the first line does otherwise than the second: metres, slowest speed, tyre work."""
    metres, slowest, work, load = (
        comparison.row(corner, quantity) for quantity in ("path_length", "min_speed", "tyre_work", "cornering_load")
    )
    words = []
    if np.isfinite(metres["difference"]):
        words.append(f"{_change(-metres['difference'], 1)} m driven")
    if np.isfinite(slowest["difference"]) and corner != LAP:
        words.append(f"slowest {_change(float(from_si(-slowest['difference'], unit, 'speed')), 1)} {unit}")
    used, called = (work, "tyre work") if np.isfinite(work["difference"]) else (load, "cornering load")
    if np.isfinite(used["difference"]) and used["b"] > 0:
        words.append(f"{called} {_change(100.0 * (used['a'] / used['b'] - 1.0), 0)} %")
    return "\n".join(words)


def _change(value: float, decimals: int) -> str:
    """Write a change with its sign, none where it rounds to nothing."""
    return signed(value, decimals) if round(value, decimals) else f"{0:.{decimals}f}"


def _cost_finding(comparison: LineComparison, first: str, second: str) -> str:
    won: dict[str, list[str]] = {first: [], second: []}
    for corner in comparison.corners["corner"]:
        row = comparison.row(str(corner), "start_to_start")
        if bool(row["significant"]) and str(corner) != LAP:
            won[first if row["difference"] > 0 else second].append(str(corner))
    parts = [f"{name} faster through {corner_list(corners)}" for name, corners in won.items() if corners]
    return (
        capital(", ".join(parts)) if parts else f"{capital(first)} and {second}: no difference that is more than luck"
    )
