"""One or two lines as the charts of lines see them: groups of laps on one grid, each with a name and a look."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.charts.comparison import LAP_LINE, REFERENCE_LINE
from lapkit.charts.style import INK, REFERENCE, plain
from lapkit.errors import FrameError
from lapkit.model.frame import attribute, unlabelled
from lapkit.model.given import frames_given, kind_given

Laps: TypeAlias = pd.DataFrame | Sequence[pd.DataFrame]
LOOKS: tuple[dict[str, Any], dict[str, Any]] = (LAP_LINE, REFERENCE_LINE)
FILLS: tuple[dict[str, Any], dict[str, Any]] = (
    {"facecolor": INK, "edgecolor": INK, "linewidth": 0.4},
    {"facecolor": "white", "edgecolor": REFERENCE, "hatch": "//////", "linewidth": 0.9},
)
APART = 0.5  # m; lines closer than this in the corners are not called high and low


@dataclass(frozen=True)
class Line:
    """Laps that took one line.

    Attributes
    ----------
    frames : tuple of DataFrame
    name : str
        What the chart calls it.
    look : dict
        How it is drawn.
    """

    frames: tuple[pd.DataFrame, ...]
    name: str
    look: dict[str, Any]

    def values(self, column: str) -> FloatArray | None:
        """Return a channel of all laps, shape (laps, n); None where no lap has it."""
        bare = [unlabelled(frame) for frame in self.frames]
        have = [one[column].to_numpy(np.float64, na_value=np.nan) for one in bare if column in one.columns]
        block = np.array(have)
        return block if np.isfinite(block).any() else None

    @property
    def label(self) -> str:
        """What the legend says of it."""
        count = len(self.frames)
        numbers = ", ".join(str(attribute(frame, "lap")) for frame in self.frames)
        if count == 1:
            return self.name if self.name == f"lap {numbers}" else f"{self.name} (lap {numbers})"
        return f"{self.name}, middle of {count} laps ({plain(numbers, 36)})"

    @property
    def short(self) -> str:
        """The same without the laps' numbers."""
        count = len(self.frames)
        return self.label if count == 1 else f"{self.name} ({count} laps)"


def middle(block: FloatArray) -> FloatArray:
    """Return the median over laps, NaN where no lap has a value."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # a place where every lap has a hole
        return np.asarray(np.nanmedian(block, axis=0))


def lines_of(laps_a: Laps, laps_b: Laps | None, names: Sequence[str] | None) -> list[Line]:
    """Return one or two lines, checked to lie on one grid.

    Raises
    ------
    FrameError
        If there is no lap, something is no lap frame, or the grids differ.
    """
    groups = [_frames(laps_a, "laps_a")] + ([] if laps_b is None else [_frames(laps_b, "laps_b")])
    first = groups[0][0]
    for frame in (frame for group in groups for frame in group):
        if not frame.index.equals(first.index):
            raise FrameError(
                f"lap {attribute(frame, 'lap')} of {attribute(frame, 'source')} and lap {attribute(first, 'lap')} of "
                f"{attribute(first, 'source')} do not share one grid ({len(frame)} and {len(first)} rows): take them from "
                "one session, or load both recordings with the same track file."
            )
    called = _names(groups) if names is None else list(kind_given(names, Sequence, "names", "names of the lines"))
    if len(called) < len(groups):
        raise FrameError(f"names: found {len(called)}, expected one for each of {len(groups)} groups of laps.")
    return [Line(tuple(group), as_line(name), look) for group, name, look in zip(groups, called, LOOKS, strict=False)]


def _frames(laps: Laps, name: str) -> list[pd.DataFrame]:
    listed = frames_given(laps, name)
    for frame in listed:
        attribute(frame, "lap")
        if "time" not in frame.columns:
            raise FrameError(
                f"{name}: lap {frame.attrs['lap']} has no column 'time'; give the frame of session.lap(n)."
            )
    return listed


def _names(groups: Sequence[Sequence[pd.DataFrame]]) -> list[str]:
    """High and low where the lines lie apart in the corners, else the laps' numbers."""
    alone = [f"lap {attribute(group[0], 'lap')}" if len(group) == 1 else "" for group in groups]
    outward = [_outward(group) for group in groups]
    if len(groups) == 2 and abs(outward[0] - outward[1]) > APART:
        return ["high", "low"] if outward[0] > outward[1] else ["low", "high"]
    return [name or f"line {letter}" for name, letter in zip(alone, "AB", strict=False)]


def _outward(group: Sequence[pd.DataFrame]) -> float:
    """How far out of the corners the laps drive, m from the reference line."""
    found: list[float] = []
    for frame in group:
        if "offset" not in frame.columns:
            continue
        offset, place = unlabelled(frame)["offset"].to_numpy(np.float64), frame.index.to_numpy(np.float64)
        for corner in frame.attrs.get("corners", ()):
            inside = (place >= corner["start_distance"]) & (place < corner["end_distance"]) & np.isfinite(offset)
            if inside.any() and corner.get("direction") in ("left", "right"):
                found.append(float(offset[inside].mean()) * (-1.0 if corner["direction"] == "left" else 1.0))
    return float(np.mean(found)) if found else np.nan


def as_line(name: str) -> str:
    """Call a line by its name, as compare_lines does.

    Examples
    --------
    >>> as_line("high"), as_line("lap 3")
    ('high line', 'lap 3')
    """
    name = plain(name, 28)
    return name if {"line", "lap", "laps"} & set(name.lower().split()) else f"{name} line"


def capital(text: str) -> str:
    """Begin a sentence."""
    return text[:1].upper() + text[1:]


def listed(parts: Sequence[str]) -> str:
    """Write a list as words."""
    return parts[0] if len(parts) == 1 else f"{', '.join(parts[:-1])} and {parts[-1]}"


def corner_list(corners: Sequence[str]) -> str:
    """Name corners in a sentence.

    Examples
    --------
    >>> corner_list(["1", "3"]), corner_list(["hairpin"])
    ('corners 1 and 3', 'hairpin')
    """
    word = "" if not all(name.isdigit() for name in corners) else "corner " if len(corners) == 1 else "corners "
    return word + listed([plain(name, 20) for name in corners])


def sources(lines: Sequence[Line]) -> str:
    """Name the files that the laps are from."""
    names = (plain(attribute(frame, "source"), 28) for line in lines for frame in line.frames)
    return ", ".join(dict.fromkeys(names))
