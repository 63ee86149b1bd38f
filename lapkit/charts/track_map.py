"""The track seen from above, with the lines driven on it; what lies across the track is drawn wider than it is."""

from __future__ import annotations

import os
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.patches import Polygon

from lapkit.analysers.lap.between import runs
from lapkit.analysers.ledger.inputs import smooth
from lapkit.analysers.lines.compare import LineComparison
from lapkit.channels import FloatArray
from lapkit.charts.line_gains import Gain, gains_of
from lapkit.charts.line_pair import FILLS, Laps, Line, capital, corner_list, lines_of, middle, sources
from lapkit.charts.style import HAIRLINE, INK, MUTED, SMALL, STYLE, given_axes, plain
from lapkit.charts.track_ground import Ground, Lane, borders, edges_of, factor_of, lanes_of, offset_of
from lapkit.model.given import kind_given
from lapkit.model.tracks.file import as_track
from lapkit.model.tracks.track import Track

WIDTH = 10.5  # inches
HEIGHT = (4.8, 9.5)  # inches, least and most
RATE_SMOOTHING = 15.0  # m that the gain at a place is smoothed over
BAND = 0.05  # share of the map's length that the gaining band is thick where the gain is quickest
GAP = 0.022  # the same between the track and the band, and between other things and their names
TITLE_WIDTH = 84  # characters of the title that fit on one line
SURFACE, LANE_BORDER = "#f0f1ec", "#9aa09d"
BEHIND: dict[str, Any] = {"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.85}


def track_map(
    laps_a: Laps,
    laps_b: Laps | None = None,
    *,
    names: Sequence[str] | None = None,
    comparison: LineComparison | None = None,
    track: Track | str | os.PathLike[str] | None = None,
    exaggerate: float | None = None,
    lanes: bool = True,
    markers: bool = True,
    ax: Axes | None = None,
) -> Axes:
    """Draw the track from above with one or two lines, and where each of two gains on the other.

    A difference of three metres would vanish in a picture of the whole track, so distances across the track are drawn
    `exaggerate` times as long as those along it; the picture says so and has a bar for each. It is turned so that the
    start/finish straight points right. Along the outer edge runs a band as thick as the gain is quick: filled where the
    first line gains, hatched where the second does. What a corner and the straight after it gave stands beside the corner.

    Parameters
    ----------
    laps_a, laps_b : DataFrame or sequence of DataFrame
        Lap frames with position, all on one grid. Of several the middle line (median at each place) is drawn.
    names : sequence of str, optional
        What the lines are called, such as ("high", "low"), the default where they lie so in the corners.
    comparison : LineComparison, optional
        The same laps compared by `compare_lines`: names and the seconds beside the corners are taken from it. By default
        from the scatter from lap to lap alone (of one lap on each line: from the error of its places).
    track : Track or path, optional
        Where reference line, edges, lanes and markers are taken from; by default what the frames say of them.
    exaggerate : float, optional
        Times as wide as long, 1 or more. By default until the track's width takes up an eighth of the picture, or as much
        as the tightest bend allows.
    lanes, markers : bool
        Whether to draw them.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.

    Returns
    -------
    Axes

    Raises
    ------
    FrameError
        If the frames have no position on a reference line, or do not share one grid.
    LapkitError
        If `exaggerate` is less than 1, or `ax` is no Axes.

    Examples
    --------
    >>> import lapkit
    >>> from matplotlib.figure import Figure
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> ax = track_map(session.lap(6), session.lap(10), ax=Figure().subplots())
    >>> ax.get_aspect()
    1.0
    """
    if comparison is not None:
        kind_given(comparison, LineComparison, "comparison", "what compare_lines(laps_a, laps_b) returns")
    lines = lines_of(laps_a, laps_b, names if names is not None or comparison is None else comparison.names)
    given = as_track(track)
    ground = Ground.of(lines, given)
    offsets, edges = [offset_of(line) for line in lines], edges_of(given, ground.place)
    bands = lanes_of(lines, given, ground.place) if lanes else []
    limits = borders(offsets, edges, bands)
    factor = factor_of(exaggerate, ground, limits)
    panel = _new_axes(ground) if ax is None else given_axes([ax], 1, "the map")[0]
    picture = _Picture(panel, ground, factor, limits)
    with matplotlib.rc_context(STYLE):
        _draw_surface(picture, edges)
        _draw_lanes(picture, bands, offsets)
        for line, offset in list(zip(lines, offsets, strict=True))[::-1]:
            panel.plot(*picture.at(offset, closed=True), label=line.label, **line.look)
        zones = gains_of(lines, comparison)
        if len(lines) == 2:
            _draw_gains(picture, lines)
        if markers:
            _draw_markers(picture, _marks(lines[0].frames[0].attrs, given))
        _draw_corners(picture, lines, zones)
        _draw_start(picture)
        _finish(picture, lines, zones)
    return panel


@dataclass(frozen=True)
class _Picture:
    ax: Axes
    ground: Ground
    factor: float
    limits: tuple[FloatArray, FloatArray]

    @property
    def size(self) -> float:
        """Length of the map, m as drawn; gaps and bands are shares of it."""
        return max(self.ground.extent)

    def at(
        self, offset: FloatArray | float, beyond: FloatArray | float = 0.0, *, closed: bool = False
    ) -> tuple[FloatArray, FloatArray]:
        """Where an offset (m, exaggerated) and so much beyond it (m as drawn) lie, at every place."""
        ground = self.ground
        out = np.asarray(offset, dtype=np.float64) * self.factor + beyond
        x, y = ground.x - out * np.sin(ground.heading), ground.y + out * np.cos(ground.heading)
        return (np.append(x, x[:1]), np.append(y, y[:1])) if closed else (x, y)

    def side(self, outward: bool, beyond: FloatArray | float) -> tuple[FloatArray, FloatArray]:
        """Where things beside the track lie, `beyond` (m as drawn) from all that is drawn on it."""
        sign = self.ground.outside * (1.0 if outward else -1.0)
        return self.at(self.limits[1 if sign > 0 else 0], sign * np.asarray(beyond))

    def beside(self, place: float, outward: bool, share: float) -> tuple[float, float, str, str]:
        """Point beside the track, `share` of the map's length away, and how text stands there (ha, va)."""
        row = self.ground.row(place)
        x, y = (float(values[row]) for values in self.side(outward, share * self.size))
        sign = self.ground.outside * (1.0 if outward else -1.0)
        to_x, to_y = -sign * np.sin(self.ground.heading[row]), sign * np.cos(self.ground.heading[row])
        across = "center" if abs(to_x) < 0.5 else "left" if to_x > 0 else "right"
        return x, y, across, "center" if abs(to_y) < 0.5 else "bottom" if to_y > 0 else "top"

    def room(self, place: float) -> bool:
        """Whether a few words find room on the inside of a corner, clear of the rest of the track."""
        x, y, _, _ = self.beside(place, False, 0.1)
        near = self.side(False, 0.0)
        return bool(np.hypot(near[0] - x, near[1] - y).min() > 0.07 * self.size)


def _new_axes(ground: Ground) -> Axes:
    from matplotlib import pyplot

    wide, tall = (extent + 0.3 * max(ground.extent) for extent in ground.extent)
    height = float(np.clip(WIDTH * tall / wide + 0.9, *HEIGHT))
    figure = pyplot.figure(figsize=(WIDTH, height), layout="constrained", facecolor="white")
    with matplotlib.rc_context(STYLE):
        return figure.subplots()


# -------------------------------------------------------------------------- the track


def _draw_surface(picture: _Picture, edges: tuple[FloatArray, FloatArray] | None) -> None:
    if edges is None:
        picture.ax.plot(*picture.at(0.0, closed=True), color=HAIRLINE, linewidth=0.8, zorder=1)
        return
    right, left = (np.column_stack(picture.at(edge, closed=True)) for edge in edges)
    picture.ax.add_patch(Polygon(np.vstack([left, right[::-1]]), facecolor=SURFACE, edgecolor="none", zorder=0))
    for edge in (right, left):
        picture.ax.plot(*edge.T, color=MUTED, linewidth=1.1, zorder=2)


def _draw_lanes(picture: _Picture, lanes: Sequence[Lane], offsets: Sequence[FloatArray]) -> None:
    """Dotted borders between lanes, and each lane's name where no line runs over it."""
    low, high = picture.limits
    drawn: set[tuple[str, float]] = set()
    for lane in lanes:
        for border in (lane.low, lane.high):
            between = lane.inside & (border > low + 0.01) & (border < high - 0.01)
            if np.isfinite(border) and between.any() and (lane.corner, border) not in drawn:
                drawn.add((lane.corner, border))
                x, y = picture.at(np.where(between, border, np.nan), closed=bool(between.all()))
                picture.ax.plot(x, y, color=LANE_BORDER, linewidth=1.0, linestyle=(0, (1.0, 2.0)), zorder=2)
    if not lanes:
        return
    centres = [np.clip((max(lane.low, -1e3) + min(lane.high, 1e3)) / 2, low, high) for lane in lanes]
    every = np.array(offsets)
    free = np.min([np.abs(every - centre).min(axis=0) for centre in centres], axis=0)
    straight = np.abs(picture.ground.curvature) < 0.5 / picture.size
    place = picture.ground.place
    straight &= np.minimum(place, place[-1] - place) > 0.05 * place[-1]  # the line is drawn there
    for lane, centre in zip(lanes, centres, strict=True):
        room = np.where(lane.inside & (straight if not lane.corner else True), np.nan_to_num(free), -1.0)
        row = int(np.argmax(smooth(room, 20.0)))
        at_x, at_y = (float(values[row]) for values in picture.at(centre))
        angle = (float(np.degrees(picture.ground.heading[row])) + 90.0) % 180.0 - 90.0
        picture.ax.text(at_x, at_y, lane.name, rotation=angle, rotation_mode="anchor", ha="center", va="center", fontsize=SMALL - 0.5,
                        color=MUTED, style="italic", zorder=3)  # fmt: skip


def _marks(attrs: Mapping[Any, Any], track: Track | None) -> list[tuple[str, float]]:
    rows: Sequence[Mapping[Any, Any]] = attrs.get("markers", ())
    if track is not None and len(track.markers):
        rows = track.markers.to_dict("records")
    return [(plain(row["marker"], 20), float(row["distance"])) for row in rows]


def _draw_markers(picture: _Picture, marks: Sequence[tuple[str, float]]) -> None:
    """A tick across the track at each marker, its name on the inside, away from the gains."""
    for name, place in marks:
        row = picture.ground.row(place)
        (x0, y0), (x1, y1) = (
            [float(values[row]) for values in picture.side(outward, share * picture.size)]
            for outward, share in ((True, 0.0), (False, 0.6 * GAP))
        )
        picture.ax.plot([x0, x1], [y0, y1], color=MUTED, linewidth=0.8, zorder=2.5)
        x, y, ha, va = picture.beside(place, False, 0.6 * GAP)
        picture.ax.plot([x], [y], marker="o", markersize=3.5, color=MUTED, zorder=5)
        picture.ax.annotate(name, (x, y), xytext=_away((x1 - x0, y1 - y0), 5.0), textcoords="offset points", ha=ha, va=va,
                            fontsize=SMALL, color=MUTED, zorder=5)  # fmt: skip


def _away(along: tuple[float, float], points: float) -> tuple[float, float]:
    size = float(np.hypot(*along)) or 1.0
    return points * along[0] / size, points * along[1] / size


def _draw_start(picture: _Picture) -> None:
    """The line as a thick stroke across the track, and an arrow the way the laps go."""
    ground = picture.ground
    low, high = (float(side[0]) * picture.factor for side in picture.limits)
    normal = np.array([-np.sin(ground.heading[0]), np.cos(ground.heading[0])])
    base = np.array([ground.x[0], ground.y[0]])
    over = 0.2 * GAP * picture.size
    ends = np.array([base + normal * (low - over), base + normal * (high + over)])
    picture.ax.plot(*ends.T, color=INK, linewidth=3.0, solid_capstyle="butt", zorder=6)
    tail = picture.beside(0.0, False, 2.9 * GAP)[:2]
    reach = 0.11 * picture.size
    head = (tail[0] + reach * float(np.cos(ground.heading[0])), tail[1] + reach * float(np.sin(ground.heading[0])))
    picture.ax.annotate("", head, tail, zorder=6,
                        arrowprops={"arrowstyle": "-|>", "color": INK, "linewidth": 1.6, "shrinkA": 0, "shrinkB": 0})  # fmt: skip
    picture.ax.annotate("start/finish", tail, xytext=(-4, 0), textcoords="offset points", ha="right", va="center",
                        fontsize=SMALL, zorder=6)  # fmt: skip


# ---------------------------------------------------------------------------- gains


def _draw_gains(picture: _Picture, lines: Sequence[Line]) -> None:
    """A band beside the track, as thick as the gain is quick: filled for the first line, hatched for the second."""
    times = [line.values("time") for line in lines]
    if times[0] is None or times[1] is None:
        return
    step = float(picture.ground.place[1] - picture.ground.place[0])
    rate = smooth(np.gradient(middle(times[1]) - middle(times[0]), step), RATE_SMOOTHING / step)
    top = float(np.nanmax(np.abs(rate)))
    if not top > 0:
        return
    gap = GAP * picture.size
    for sign, line, look in zip((1.0, -1.0), lines, FILLS, strict=True):
        thick = np.maximum(np.nan_to_num(sign * rate), 0.0) / top * BAND * picture.size
        inner, outer = (np.column_stack(picture.side(True, width)) for width in (gap, gap + thick))
        label: str | None = f"{line.name} gains here (thicker: quicker)"
        for start, end in zip(*runs(thick > 0.03 * BAND * picture.size), strict=True):
            ring = np.vstack([inner[start:end], outer[start:end][::-1]])
            picture.ax.add_patch(Polygon(ring, label=label, zorder=3, **look))
            label = None


def _draw_corners(picture: _Picture, lines: Sequence[Line], zones: Mapping[str, Gain]) -> None:
    """Each corner's name on its inside, with what it and the straight after it gave."""
    corners = lines[0].frames[0].attrs.get("corners", ())
    for corner in corners:
        start, end = float(corner["start_distance"]), float(corner["end_distance"])
        for edge in (start, end):
            row = picture.ground.row(edge)
            points = [[float(values[row]) for values in picture.at(limit)] for limit in picture.limits]
            picture.ax.plot(*np.array(points).T, color=HAIRLINE, linewidth=0.9, zorder=1.5)
        name = str(corner["corner"])
        text = f"Corner {plain(name)}" if name.isdigit() else plain(name, 24)
        middle_of = (start + end) / 2 if end > start else float(corner.get("apex_distance", start))
        outward, share = (False, 1.3 * GAP) if picture.room(middle_of) else (True, 2.2 * GAP + BAND)
        x, y, ha, va = picture.beside(middle_of, outward, share)
        zone = zones.get(name)
        if zone is not None:
            said = f"{zone.winner} faster" if zone.sure else "no clear winner"
            by = f"{abs(zone.gain):.3f} ±{zone.margin:.3f} s"
            text = f"{text}\n{said}\n{f'by {by}' if zone.sure else f'({by})'}"
        picture.ax.text(x, y, text, ha=ha, va=va, fontsize=SMALL + 1, color=INK, zorder=6, linespacing=1.25)


def _finding(lines: Sequence[Line], zones: Mapping[str, Gain]) -> str:
    if len(lines) == 1:
        return f"The track from above: {lines[0].name}"
    sure = {name: zone for name, zone in zones.items() if zone.sure}
    if not sure:
        return f"{capital(lines[0].name)} and {lines[1].name}: no corner where one is clearly faster"
    parts = []
    for line in lines:
        won = [name for name, zone in sure.items() if zone.winner == line.name]
        if won:
            parts.append(f"{line.name} faster through {corner_list(won)}")
    whole = capital(", ".join(parts))
    return whole if len(whole) <= TITLE_WIDTH else capital(",\n".join(parts))


# ---------------------------------------------------------------------------- frame


def _finish(picture: _Picture, lines: Sequence[Line], zones: Mapping[str, Gain]) -> None:
    ax, size = picture.ax, picture.size
    ax.set_aspect("equal")
    ax.axis("off")
    names = np.array([text.get_position() for text in ax.texts]).reshape(-1, 2).T
    room: list[Any] = [
        picture.side(True, 0.09 * size),
        picture.side(False, 0.02 * size),
        names + 0.07 * size,
        names - 0.07 * size,
    ]
    x, y = (np.concatenate([one[k] for one in room]) for k in (0, 1))
    left, right, bottom, top = float(x.min()), float(x.max()), float(y.min()) - 0.05 * size, float(y.max())
    ax.set_xlim(left, right)
    ax.set_ylim(bottom - 0.02 * size, top)
    _scale(picture, left + 0.01 * size, bottom)
    handles, labels = ax.get_legend_handles_labels()
    order = sorted(
        range(len(labels)), key=lambda k: next(n for n, line in enumerate(lines) if labels[k].startswith(line.name))
    )
    legend = ax.legend([handles[k] for k in order], [labels[k] for k in order], loc="lower left", ncols=2, handlelength=3.2,
                       bbox_to_anchor=(0.0, 1.0), borderpad=0.0, borderaxespad=0.0, columnspacing=3.0)  # fmt: skip
    wrapped = [line for part in _finding(lines, zones).split("\n") for line in textwrap.wrap(part, TITLE_WIDTH)]
    ax.set_title("\n".join(wrapped), pad=16 + 14 * ((len(legend.get_texts()) + 1) // 2))
    note = "Times: a corner and the straight after it, ± about 95 %. " if zones else ""
    ax.annotate(
        f"{note}{sources(lines)}",
        (1.0, 0.0),
        xycoords="axes fraction",
        ha="right",
        va="bottom",
        fontsize=SMALL,
        color=MUTED,
    )


def _scale(picture: _Picture, x: float, y: float) -> None:
    """A bar for metres along the track and one for metres across it."""
    size, factor = picture.size, picture.factor
    along = _round_length(0.16 * size)
    across = _round_length(0.16 * size / factor)
    raise_by = 0.035 * size
    words = f"{across:g} m across (drawn {factor:g} times as wide)" if factor > 1 else ""
    rows = [(along, along, f"{along:g} m along the track"), (across, across * factor, words)]
    for row, (_, drawn, text) in enumerate(rows if words else rows[:1]):
        height = y + raise_by * row
        picture.ax.plot([x, x + drawn], [height, height], color=INK, linewidth=1.4, marker="|", markersize=7, zorder=6)
        picture.ax.annotate(text, (x + drawn, height), xytext=(6, 0), textcoords="offset points", va="center", fontsize=SMALL,
                            zorder=6)  # fmt: skip


def _round_length(value: float) -> float:
    """Return 1, 2 or 5 times a power of ten, not above the value."""
    power = 10.0 ** np.floor(np.log10(value))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= value) * power)
