"""What all charts share: colours, type, new figures, plain text, and writing a picture to a file.

Colours differ in lightness as well as hue, so that a chart survives grey printing and colour-blind eyes.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any, TypeAlias

import matplotlib
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure
from matplotlib.font_manager import findfont, get_font
from numpy.typing import NDArray

from lapkit.errors import LapkitError

INK = "#20262b"  # text, and the lap the chart is about
REFERENCE = "#e39a3b"  # the lap it is compared with: wide, light and broken, drawn beneath
PLACE = "#8f2f4f"  # the place the title speaks of
CORNER = "#eef0ea"
MUTED = "#646c70"
HAIRLINE = "#c9cdc8"

FONT = "DejaVu Sans"  # comes with matplotlib, so that a picture is the same everywhere
SMALL = 8.5  # pt
SUFFIXES = (".png", ".pdf", ".svg")

STYLE: dict[Any, Any] = {
    "font.family": [FONT],
    "font.size": 9.5,
    "text.color": INK,
    "text.parse_math": False,  # names of files may hold any sign
    "text.usetex": False,
    "axes.titlesize": 13.0,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.titlecolor": INK,
    "axes.labelcolor": INK,
    "axes.edgecolor": MUTED,
    "axes.facecolor": "white",
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": HAIRLINE,
    "grid.linewidth": 0.6,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
}

AxesArray = NDArray[np.object_]
Corners: TypeAlias = pd.DataFrame | Sequence[Mapping[str, Any]]


def new_axes(heights: Sequence[float], *, size: tuple[float, float]) -> AxesArray:
    """Return the stacked Axes of a new figure, first at the top, sharing x; `size` in inches."""
    from matplotlib import pyplot

    # the first figure starts pyplot's backend, which may change settings: outside the style, or they would be undone
    figure = pyplot.figure(figsize=size, layout="constrained", facecolor="white")
    with matplotlib.rc_context(STYLE):
        axes = figure.subplots(len(heights), sharex=True, squeeze=False, height_ratios=heights)
    return np.asarray(axes[:, 0], dtype=object)


def given_axes(axes: Iterable[Axes], count: int, panels: str) -> AxesArray:
    """Return the caller's Axes as an array, checked.

    Raises
    ------
    LapkitError
        If there are more or fewer than `count`.
    """
    listed = [axes] if isinstance(axes, Axes) else list(np.asarray(axes, dtype=object).ravel())
    if len(listed) != count or not all(isinstance(one, Axes) for one in listed):
        raise LapkitError(
            f"axes: found {len(listed)} item(s), expected {count} Axes ({panels}), as fig.subplots({count}, sharex=True) "
            "makes them; leave axes out for a new figure."
        )
    for one in listed:  # what is written on them may hold a dollar sign from a file
        for text in (one.title, one.xaxis.label, one.yaxis.label, *one.texts):
            text.set_parse_math(False)
    array = np.empty(count, dtype=object)
    array[:] = listed
    return array


@lru_cache(maxsize=1)
def _drawable() -> frozenset[int]:
    return frozenset(get_font(findfont(FONT)).get_charmap())


def plain(text: object, limit: int = 40) -> str:
    """Return text from a file as one short line the chart's font can draw.

    Examples
    --------
    >>> plain("run 7" + chr(10) + "wet.csv"), plain("a" * 50, limit=9)
    ('run 7 wet.csv', 'aaaa…aaaa')
    """
    line = "".join(c if ord(c) in _drawable() else "?" for c in " ".join(str(text).split()))
    half = (limit - 1) // 2
    return line if len(line) <= limit else f"{line[: limit - 1 - half]}…{line[-half:]}"


def signed(value: float, decimals: int) -> str:
    """Write a number with its sign, the minus as long as the plus."""
    return f"{value:+.{decimals}f}".replace("-", "\N{MINUS SIGN}")


def tick(value: float, _: object) -> str:
    """Write a difference beside an axis."""
    text = signed(value, 3)
    return "0" if abs(value) < 5e-4 else text.removesuffix("0")


def mark_corners(panels: AxesArray, given: Corners) -> None:
    """Shade the corners in all panels and name them along the top, in two rows where they stand close."""
    rows = given.to_dict("records") if isinstance(given, pd.DataFrame) else given
    corners = [(plain(row["corner"], 24), float(row["start_distance"]), float(row["end_distance"])) for row in rows]
    for panel in panels:
        for _, start, end in corners:
            panel.axvspan(start, end, facecolor=CORNER, edgecolor="none", zorder=0)
    top = panels[0]
    left, right = top.get_xlim()
    points = top.get_position().width * top.figure.get_figwidth() * 72.0 / (right - left)  # per metre
    word = "Corner " if len(corners) <= 6 else ""
    taken = [-np.inf, -np.inf]  # how far the names in each row reach, pt
    for name, start, end in corners:
        text = f"{word}{name}" if name.isdigit() else name
        centre, half = (start + end) / 2 * points, 0.33 * SMALL * len(text)
        row = 0 if centre - half > taken[0] + 4 or taken[0] <= taken[1] else 1
        taken[row] = centre + half
        top.annotate(text, ((start + end) / 2, 1.0), xycoords=("data", "axes fraction"), xytext=(0, -3 - 11 * row),
                     textcoords="offset points", ha="center", va="top", fontsize=SMALL, color=MUTED)  # fmt: skip


def save(chart: Axes | Figure | Iterable[Axes], path: str | os.PathLike[str], *, dpi: float = 160.0) -> Path:
    """Write a chart as a picture.

    Parameters
    ----------
    chart : Axes, sequence of Axes, or Figure
        What a chart function returned.
    path : path
        File to write; its ending says the kind: ``.png``, ``.pdf`` or ``.svg``. An older file is replaced.
    dpi : float
        Dots per inch of a PNG; 160 prints sharply at the charts' own size.

    Returns
    -------
    Path
        The file written. The figure stays open; ``matplotlib.pyplot.close(figure)`` frees it.

    Raises
    ------
    LapkitError
        If the ending is not one of the three, the folder is missing, the file cannot be written, or `chart`
        is no chart.

    Examples
    --------
    >>> import tempfile
    >>> from matplotlib.figure import Figure, SubFigure
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     save(Figure().subplots(), Path(folder) / "empty.svg").name
    'empty.svg'
    """
    figure = _figure_of(chart)
    target = Path(path)
    if target.suffix.lower() not in SUFFIXES:
        found = f"the ending '{target.suffix}'" if target.suffix else "no ending"
        raise LapkitError(f"{target.name}: {found} names no kind of picture; use one of: {', '.join(SUFFIXES)}.")
    if not target.parent.is_dir():
        raise LapkitError(f"{target}: there is no folder '{target.parent}'; make it first, or choose another.")
    try:
        with matplotlib.rc_context({"svg.fonttype": "path", "pdf.fonttype": 42}):
            figure.savefig(target, dpi=dpi, bbox_inches="tight", pad_inches=0.15)
    except OSError as error:
        raise LapkitError(f"{target}: the picture cannot be written ({error.strerror or error}).") from error
    return target


def _figure_of(chart: object) -> Figure:
    first = chart
    if not isinstance(chart, Axes | Figure) and isinstance(chart, Iterable):
        first = next(iter(np.asarray(chart, dtype=object).ravel()), None)
    figure: object = first.figure if isinstance(first, Axes) else first
    if isinstance(figure, SubFigure):
        figure = figure.figure
    if not isinstance(figure, Figure):
        raise LapkitError(
            f"found {type(chart).__name__}, expected what a chart function returned: Axes, a sequence of Axes, or a Figure."
        )
    return figure
