"""Invented laps of a round track, for the charts of lines: what is drawn can be worked out by hand."""

from __future__ import annotations

import numpy as np
import pandas as pd

RADIUS = 100.0  # m, of the reference line
LENGTH = 2 * np.pi * RADIUS


def corners(direction: str) -> list[dict[str, object]]:
    """Two corners and two straights, in name: the track bends all the way."""
    return [
        {"corner": name, "start_distance": start, "apex_distance": start + 75.0, "end_distance": start + 150.0,
         "direction": direction, "radius": RADIUS}
        for name, start in (("1", 100.0), ("2", 400.0))
    ]  # fmt: skip


def ring_lap(
    lap: int,
    offset: float,
    *,
    first: float = 40.0,
    second: float = 40.0,
    clockwise: bool = False,
    step: float = 1.0,
    **said: object,
) -> pd.DataFrame:
    """A lap at a constant offset (m left), at one speed (m/s) up to 400 m and at another from there on."""
    place = np.arange(int(LENGTH / step) + 1) * step
    side = -1.0 if clockwise else 1.0
    angle = side * place / RADIUS
    radius = RADIUS - side * offset
    speed = np.where(place < 400.0, first, second)
    time = np.minimum(place, 400.0) / first + np.maximum(place - 400.0, 0.0) / second
    frame = pd.DataFrame(
        {"time": time, "x": radius * np.cos(angle), "y": radius * np.sin(angle), "offset": offset,
         "path": place * radius / RADIUS, "speed": speed},
        index=pd.Index(place, name="distance"),
    )  # fmt: skip
    frame.attrs = {
        "lap": lap, "source": "ring.csv", "lap_time": 400.0 / first + (LENGTH - 400.0) / second, "lap_time_uncertainty": 0.001,
        "track_length": LENGTH, "step": step, "sample_interval": 0.05, "place_method": "position", "place_error": 0.1,
        "speed_unit": "km/h", "corners": corners("right" if clockwise else "left"), "markers": [], "lanes": [], **said,
    }  # fmt: skip
    return frame
