"""When each lap reached a place: times at the borders of segments, with what the reading is worth."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from lapkit.channels import FloatArray
from lapkit.model.frame import attribute, unlabelled
from lapkit.model.given import frame_given


def segment_times(frames: Sequence[pd.DataFrame], edges: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return the time at which each lap reached each border, and its standard uncertainty.

    Parameters
    ----------
    frames : sequence of DataFrame
        Frames of whole laps on one grid.
    edges : ndarray, shape (k + 1,)
        Places, m, rising from 0 to the track length.

    Returns
    -------
    times : ndarray, shape (laps, k + 1)
        Seconds since the lap's own crossing: 0 at the first border, the lap time at the last. NaN in a hole.
    uncertainty : ndarray, shape (laps, k + 1)
        Error of place over speed at that border, s; half the variance of the lap time at the line itself.

    Raises
    ------
    FrameError
        If a frame has no rows or does not say its lap time.

    Examples
    --------
    >>> place = pd.Index(np.arange(0.0, 100.0), name="distance")
    >>> frame = pd.DataFrame({"time": place / 25.0, "speed": 25.0}, index=place)
    >>> frame.attrs.update(lap_time=4.0, place_error=0.5)
    >>> times, sigma = segment_times([frame], np.array([0.0, 50.0, 100.0]))
    >>> times.tolist(), sigma[:, 1].tolist()
    ([[0.0, 2.0, 4.0]], [0.02])
    """
    times, sigma = np.empty((len(frames), len(edges))), np.empty((len(frames), len(edges)))
    for k, frame in enumerate(frames):  # laps, not samples
        bare, place = unlabelled(frame_given(frame, "segment_times")), frame.index.to_numpy(np.float64)
        lap_time = float(attribute(frame, "lap_time") or np.nan)
        clock = bare["time"].to_numpy(np.float64)
        past = np.append(place, edges[-1]) if edges[-1] > place[-1] else place
        times[k] = np.interp(edges, past, np.append(clock, lap_time)[: len(past)])
        times[k, 0], times[k, -1] = 0.0, lap_time
        speed = np.interp(edges, place, bare["speed"].to_numpy(np.float64))
        error = float(frame.attrs.get("place_error") or 0.0)
        crossing = float(frame.attrs.get("lap_time_uncertainty") or 0.0) / np.sqrt(2.0)
        sigma[k] = error / np.maximum(speed, 1.0)
        sigma[k, [0, -1]] = crossing
    return times, sigma
