"""What each corner and the straight after it gave one line over the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from lapkit.analysers.lap.segment_times import segment_times
from lapkit.analysers.lines.compare import LAP, LineComparison
from lapkit.analysers.statistics.two_groups import welch
from lapkit.charts.line_pair import Line
from lapkit.model.frame import attribute


@dataclass(frozen=True)
class Gain:
    """What one line gained on the other from a corner's beginning to that of the next.

    Attributes
    ----------
    gain, margin : float
        Seconds the first line was up, negative where the second was, and half the interval of about 95 %.
    sure : bool
        Whether it is more than luck.
    winner : str
        Name of the line that gained.
    """

    gain: float
    margin: float
    sure: bool
    winner: str


def gains_of(lines: Sequence[Line], comparison: LineComparison | None = None) -> dict[str, Gain]:
    """Return what each corner gave, by its name: as the comparison has it, else from the laps; empty for one line alone."""
    if comparison is not None:
        return _compared(lines, comparison)
    return _from_laps(lines) if len(lines) == 2 else {}


def _compared(lines: Sequence[Line], comparison: LineComparison) -> dict[str, Gain]:
    """The rows of the comparison."""
    out = {}
    for corner in comparison.corners["corner"]:
        row = comparison.row(str(corner), "start_to_start")
        gain, margin = float(row["difference"]), float(row["margin"])
        if corner != LAP and np.isfinite(gain):
            margin = margin if np.isfinite(margin) else 2.0 * float(row["difference_uncertainty"])
            out[str(corner)] = Gain(gain, margin, bool(row["significant"]), lines[0 if gain > 0 else 1].name)
    return out


def _from_laps(lines: Sequence[Line]) -> dict[str, Gain]:
    """From the scatter from lap to lap; the last corner's straight goes on over the line to the first corner."""
    attrs = lines[0].frames[0].attrs
    corners = sorted(attrs.get("corners", ()), key=lambda corner: float(corner["start_distance"]))
    if not corners:
        return {}
    length = float(attribute(lines[0].frames[0], "track_length"))
    edges = np.array([0.0, *(float(corner["start_distance"]) for corner in corners), length])
    spent, measured = [], []
    for line in lines:
        times, sigma = segment_times(line.frames, edges)
        steps = np.diff(times, axis=1)
        spent.append(np.column_stack([steps[:, 1:-1], steps[:, -1] + steps[:, 0]]))
        measured.append(np.hypot(sigma[:, 1:-1], np.roll(sigma[:, 1:-1], -1, axis=1)))
    found = welch(*spent, measured=(measured[0], measured[1]))
    margins = np.where(
        np.isfinite(found.margin), found.margin, 2.0 * found.uncertainty
    )  # one lap each: its reading alone
    return {
        str(corner["corner"]): Gain(
            float(gain), float(margin), bool(abs(gain) > margin), lines[0 if gain > 0 else 1].name
        )
        for corner, gain, margin in zip(corners, found.difference, margins, strict=True)
        if np.isfinite(gain)
    }
