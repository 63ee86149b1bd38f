"""How much of each corner was driven in each lane."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from lapkit.analysers.lines.lanes import OUTSIDE, lane_shares
from lapkit.channels import FloatArray
from lapkit.charts.line_pair import FILLS, Laps, Line, capital, lines_of, sources
from lapkit.charts.style import INK, MUTED, SMALL, STYLE, AxesArray, given_axes, plain
from lapkit.errors import FrameError

ABREAST = 3  # corners beside each other in the chart of lanes


def lane_shares_chart(
    laps_a: Laps,
    laps_b: Laps | None = None,
    *,
    names: Sequence[str] | None = None,
    lanes: Any = None,
    axes: Iterable[Axes] | None = None,
) -> AxesArray:
    """Draw, corner by corner, the share of its metres that each line spent in each lane.

    Lanes stand as they lie on the track, the outermost on top; shares are means of the laps. Filled bars are the first
    line's, hatched ones the second's.

    Parameters
    ----------
    laps_a, laps_b : DataFrame or sequence of DataFrame
        Lap frames placed by position.
    names : sequence of str, optional
        What the lines are called, such as ("high", "low"), the default where they lie so in the corners.
    lanes : optional
        Lanes as `lane_shares` takes them; those of the track by default.
    axes : sequence of Axes, optional
        Where to draw, one for each corner. A new figure of pyplot's by default.

    Returns
    -------
    ndarray of Axes, shape (corners,)

    Raises
    ------
    FrameError
        If the frames do not share one grid or there is no corner to show.
    LapkitError
        If `axes` are not one for each corner.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/two_lines.csv", track="sample_data/marlow_basin.toml")
    >>> axes = lane_shares_chart(session.lap(1), session.lap(4), axes=Figure().subplots(1, 2))
    >>> [label.get_text() for label in axes[0].get_yticklabels()]
    ['high', 'middle', 'low']
    """
    lines = lines_of(laps_a, laps_b, names)
    tables = _shares(lines, lanes)
    corners = list(dict.fromkeys(str(name) for table in tables for name in table["corner"]))
    if not corners:
        raise FrameError("there is no corner whose lanes could be shown: the laps have no corners, or no position.")
    panels = _abreast(len(corners)) if axes is None else given_axes(axes, len(corners), "one for each corner")
    directions = {str(c["corner"]): c.get("direction") for c in lines[0].frames[0].attrs.get("corners", ())}
    with matplotlib.rc_context(STYLE):
        leading: list[list[str]] = []
        for ax, corner in zip(panels, corners, strict=True):
            own = [table[table["corner"].astype(str) == corner] for table in tables]
            outward = 1.0 if directions.get(corner) == "right" else -1.0
            borders = pd.concat(own).groupby("lane", sort=False)["from_offset"].mean() * outward
            order = [str(lane) for lane in borders.sort_values(ascending=False, kind="stable").index]
            means = [table.groupby("lane")["lane_share"].mean().reindex(order) for table in own]
            means = [mean.fillna({OUTSIDE: 0.0}) if mean.notna().any() else mean for mean in means]
            _draw_shares(ax, order, lines, [100.0 * mean.to_numpy(np.float64) for mean in means])
            ax.set_title(f"Corner {plain(corner)}" if corner.isdigit() else plain(corner, 24), fontsize=10.5)
            leading.append([order[int(np.nanargmax(mean))] if mean.notna().any() else "" for mean in means])
        handles, labels = panels[0].get_legend_handles_labels()
        figure = panels[0].figure
        if axes is None and isinstance(figure, Figure):
            figure.suptitle(
                _lane_finding(lines, leading), x=0.01, ha="left", fontsize=13.0, fontweight="bold", color=INK
            )
            note = figure.text(0.995, 0.0, sources(lines), ha="right", va="bottom", fontsize=SMALL, color=MUTED)
            note.set_in_layout(False)
            figure.legend(handles, labels, loc="outside lower left", ncols=2)
        else:
            panels[0].legend(handles, labels, loc="lower right")
    return panels


def _shares(lines: Sequence[Line], lanes: Any) -> list[pd.DataFrame]:
    """Shares of each line's laps in one set of lanes; metres outside them are a lane where there are any."""
    frames = [frame.copy(deep=False) for line in lines for frame in line.frames]
    for number, frame in enumerate(frames):  # laps of two recordings may have the same number
        frame.attrs = {**frame.attrs, "lap": number}
    table = lane_shares(frames, lanes=lanes)
    used = table.groupby(["corner", "lane"])["lane_share"].transform("max") > 0
    table = table[used | (table["lane"] != OUTSIDE)]
    ends = np.cumsum([len(line.frames) for line in lines])
    return [
        table[(table["lap"] >= end - len(line.frames)) & (table["lap"] < end)]
        for line, end in zip(lines, ends, strict=True)
    ]


def _abreast(count: int) -> AxesArray:
    """Return Axes beside each other, in rows, of a new figure."""
    from matplotlib import pyplot

    wide = min(count, ABREAST)
    rows = -(-count // wide)
    size = (max(3.3 * wide, 6.6), 1.0 + 2.4 * rows)
    figure = pyplot.figure(figsize=size, layout="constrained", facecolor="white")
    with matplotlib.rc_context(STYLE):
        grid = figure.subplots(rows, wide, squeeze=False).ravel()
    for spare in grid[count:]:
        spare.remove()
    return np.asarray(grid[:count], dtype=object)


def _draw_shares(ax: Axes, order: Sequence[str], lines: Sequence[Line], shares: Sequence[FloatArray]) -> None:
    """One row a lane, one bar a line."""
    thick = 0.8 / len(lines)
    for number, (line, share) in enumerate(zip(lines, shares, strict=True)):
        at = np.arange(len(order)) + (number - (len(lines) - 1) / 2) * thick
        ax.barh(at, np.nan_to_num(share), height=0.86 * thick, label=line.short, zorder=3, **FILLS[number])
        for y, value in zip(at, share, strict=True):
            text = f"{value:.0f} %" if np.isfinite(value) else "not known"
            ax.annotate(
                text, (np.nan_to_num(value), y), xytext=(4, 0), textcoords="offset points", va="center", fontsize=SMALL
            )
    ax.set_yticks(np.arange(len(order)), [plain(lane, 20) for lane in order])
    ax.set_ylim(len(order) - 0.5, -0.5)
    ax.set_xlim(0.0, 118.0)  # room for the figure behind a full bar
    ax.set_xticks([0, 25, 50, 75, 100])
    ax.grid(visible=False, axis="y")
    ax.grid(visible=True, axis="x")
    ax.set_xlabel("Share of the corner's metres (%)", loc="left")


def _lane_finding(lines: Sequence[Line], leading: Sequence[Sequence[str]]) -> str:
    parts = []
    for number, line in enumerate(lines):
        most = {lanes[number] for lanes in leading if lanes[number]}
        if len(most) == 1:
            parts.append(f"{line.name} mostly in the {plain(most.pop(), 20)} lane")
    return capital(", ".join(parts)) if len(parts) == len(lines) else "How much of each corner was driven in each lane"
