"""Speed at the line: what a lap carries into the next one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.model.given import session_given

if TYPE_CHECKING:
    from lapkit.model.session import Session

LINE_SPEED_COLUMNS = {
    "lap": "int64", "lap_time": "float64", "lap_time_uncertainty": "float64", "rank": "Int64",
    "speed_at_line": "float64", "speed_at_line_uncertainty": "float64", "speed_difference": "float64",
    "speed_difference_uncertainty": "float64", "flags": "object",
}  # fmt: skip
"""Column -> dtype of the table of speeds at the line."""


def line_speed(session: Session) -> pd.DataFrame:
    """Speed at the line of each lap, beside its time.

    Parameters
    ----------
    session : Session
        A session.

    Returns
    -------
    DataFrame
        One row for each lap that ends at the line, in driving order: lap, lap_time (s), rank (1 is the fastest of the
        clean complete laps; missing for the others), speed_at_line (m/s, at the crossing that ends the lap, between
        samples), speed_difference (m/s, to the highest of the clean complete laps), flags, and one standard uncertainty
        beside times and speeds. Those of laps that do not run from line to line are in it too where they end at the line,
        such as an out-lap's, with time and rank missing; ``session.laps`` says which laps those are.

    Examples
    --------
    >>> from lapkit import Recording, Session, simulate
    >>> from lapkit.model.recording import Provenance
    >>> samples, truth = simulate.stint(laps=2, rate=20.0, out_lap=50.0, in_lap=50.0)
    >>> session = Session(Recording(samples, Provenance("invented run")), start_line=truth.track.start_line)
    >>> table = line_speed(session)
    >>> table["lap"].tolist(), table["rank"].tolist()
    ([0, 1, 2], [<NA>, 2, 1])
    """
    session = session_given(session, "line_speed")
    known = session.laps["speed_at_line"].notna()
    laps, clean = session.laps[known].reset_index(drop=True), session.clean[known].to_numpy(bool)
    speed = laps["speed_at_line"].to_numpy(np.float64)
    sigma = laps["speed_at_line_uncertainty"].to_numpy(np.float64)
    best = int(np.flatnonzero(clean)[np.argmax(speed[clean])]) if clean.any() else None
    table = laps[
        ["lap", "lap_time", "lap_time_uncertainty", "speed_at_line", "speed_at_line_uncertainty", "flags"]
    ].copy()
    table["rank"] = laps["lap_time"].where(clean).rank(method="min").astype("Int64")
    table["speed_difference"] = np.nan if best is None else speed - speed[best]
    table["speed_difference_uncertainty"] = np.nan if best is None else np.hypot(sigma, sigma[best])
    if best is not None:
        table.loc[best, "speed_difference_uncertainty"] = 0.0
    return table[list(LINE_SPEED_COLUMNS)].astype(LINE_SPEED_COLUMNS)
