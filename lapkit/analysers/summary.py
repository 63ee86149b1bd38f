"""Where the time went, in three sentences for the driver."""

from __future__ import annotations

import numpy as np
import pandas as pd

from lapkit.analysers.corners import corners
from lapkit.analysers.delta import delta, losses
from lapkit.analysers.lifts import lifts
from lapkit.channels import from_si
from lapkit.model.frame import attribute
from lapkit.model.show import clock

CAUTION = (
    "Figures describe what was recorded; they do not say what is safe. A lift moved later or a speed raised in a real "
    "car is for the driver and qualified people to judge, within the series' and the track's rules and the makers' limits."
)
BEFORE_CORNER = 150.0  # m; a lift that begins nearer than this before a corner is made for it


def summary(lap: pd.DataFrame, reference: pd.DataFrame) -> list[str]:
    """Say in three sentences how one lap compares with another: how much, where, and what was done there.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames on one grid.

    Returns
    -------
    list of str
        Three sentences: the difference and how sure it is; the places where it was made; what differed in
        the corner behind the largest part of it. Every number is a cell of `delta`, `losses`, `lifts` or `corners`.

    Raises
    ------
    FrameError
        If the frames do not fit together.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> len(summary(session.lap(8), session.best()))
    3
    """
    table = delta(lap, reference)
    places = losses(table, count=99)
    return [_difference(lap, reference, table), _where(table, places), _what(lap, reference, places)]


def to_try(lap: pd.DataFrame, reference: pd.DataFrame) -> str:
    """Say what the faster of two laps did in the corner behind the largest part of the difference.

    Parameters
    ----------
    lap, reference : DataFrame
        Lap frames on one grid.

    Returns
    -------
    str
        One sentence, or nothing where the data carry no advice: the difference is inside its noise, no corner
        was found, or there is no throttle.
    """
    table = delta(lap, reference)
    total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
    corner = _worst_corner(lap, losses(table, count=99))
    if not abs(total) > 2 * sigma or corner is None:
        return ""
    faster = reference if total > 0 else lap
    lift = _lift_of(faster, corner["start_distance"], corner["end_distance"])
    if lift is None:
        return ""
    rows = corners(faster)
    lowest = from_si(float(rows.loc[rows["corner"] == corner["corner"], "min_speed"].iloc[0]), _unit(lap), "speed")
    return (
        f"To try in corner {corner['corner']}: what lap {attribute(faster, 'lap')} did. It lifted "
        f"{lift['start_distance']:.0f} m from the line to {100 * lift['min_throttle']:.0f} % of throttle, was back on full "
        f"after {lift['duration']:.2f} s, and went no slower than {lowest:.1f} {_unit(lap)}."
    )


def _unit(frame: pd.DataFrame) -> str:
    return str(attribute(frame, "speed_unit"))


def _name(frame: pd.DataFrame, other: pd.DataFrame) -> str:
    number, source = attribute(frame, "lap"), attribute(frame, "source")
    return f"lap {number}" if source == attribute(other, "source") else f"lap {number} of {source}"


def _difference(lap: pd.DataFrame, reference: pd.DataFrame, table: pd.DataFrame) -> str:
    total, sigma = float(table["delta"].iloc[-1]), float(table["delta_uncertainty"].iloc[-1])
    first, second = _name(lap, reference), _name(reference, lap)
    if not np.isfinite(total):
        return f"L{first[1:]} and {second} are not both whole laps, so there is no lap-time difference to explain."
    said = (
        f"L{first[1:]} ({clock(attribute(lap, 'lap_time'))} s) was {abs(total):.3f} s {'slower' if total >= 0 else 'faster'} "
        f"than {second} ({clock(attribute(reference, 'lap_time'))} s)"
    )
    if abs(total) <= 2 * sigma:
        return f"{said}, but that is only sure to ±{2 * sigma:.3f} s: the two may be equal."
    return f"{said}, sure to ±{2 * sigma:.3f} s."


def _sign(places: pd.DataFrame) -> float:
    return -1.0 if float(places["time_lost"].sum()) < 0 else 1.0


def _at(row: pd.Series) -> str:
    return f"{'on the' if 'straight' in row['segment'] else 'in'} {row['segment']}"


def _where(table: pd.DataFrame, places: pd.DataFrame) -> str:
    sign = _sign(places)
    known = places[np.isfinite(places["time_lost"].to_numpy())]
    rows = known.iloc[np.argsort(-sign * known["time_lost"].to_numpy(), kind="stable")]
    size = sign * rows["time_lost"].to_numpy()
    sure = np.abs(size) > 2 * rows["time_lost_uncertainty"].to_numpy()
    word, back = ("loss", "won back") if sign > 0 else ("gain", "given back")
    if not (sure & (size > 0)).any():
        return f"No single part of the lap stands out: no {word} is larger than its own uncertainty."
    parts = [
        f"{size[k]:.3f} s {_at(rows.iloc[k])} ({rows['start_distance'].iloc[k]:.0f} to {rows['end_distance'].iloc[k]:.0f} m)"
        for k in np.flatnonzero(sure & (size > 0))[:2]
    ]
    said = f"The largest {word} was " if len(parts) == 1 else f"The largest {'losses' if sign > 0 else 'gains'} were "
    said += " and ".join(parts)
    if sure[-1] and size[-1] < 0:
        said += f"; {-size[-1]:.3f} s was {back} {_at(rows.iloc[-1])}"
    return said + "."


def _worst_corner(lap: pd.DataFrame, places: pd.DataFrame) -> pd.Series | None:
    """The corner in, or before, the segment where most of the difference was made."""
    rows = corners(lap)
    change = _sign(places) * places["time_lost"].to_numpy()
    if rows.empty or not np.isfinite(change).any():
        return None
    at = float(places["start_distance"].iloc[int(np.nanargmax(change))])
    before = np.flatnonzero(rows["start_distance"].to_numpy() <= at + 1e-6)
    return rows.iloc[int(before[-1]) if len(before) else len(rows) - 1]


def _lift_of(frame: pd.DataFrame, start: float, end: float) -> pd.Series | None:
    """The lift that belongs to a corner: the longest that begins in it or shortly before."""
    if "throttle" not in frame.columns or attribute(frame, "full_throttle") is None:
        return None
    table = lifts(frame)
    near = table[(table["kind"] == "lift") & table["start_distance"].between(start - BEFORE_CORNER, end)]
    return None if near.empty else near.iloc[int(near["full_lift_time"].to_numpy().argmax())]


def _what(lap: pd.DataFrame, reference: pd.DataFrame, places: pd.DataFrame) -> str:
    """What differed at the lift and the lowest speed of the corner behind the largest change."""
    mine = _worst_corner(lap, places)
    if mine is None:
        return "No corner was found, so the driving cannot be compared corner by corner."
    rows = corners(reference)
    theirs = rows[rows["corner"] == mine["corner"]].iloc[0]
    change = from_si(float(mine["min_speed"] - theirs["min_speed"]), _unit(lap), "speed")
    sure = from_si(
        2 * float(np.hypot(mine["min_speed_uncertainty"], theirs["min_speed_uncertainty"])), _unit(lap), "speed"
    )
    word = (
        "the same" if abs(change) <= sure else f"{abs(change):.1f} {_unit(lap)} {'lower' if change < 0 else 'higher'}"
    )
    facts = [f"the lowest speed was {word}", *_lift_facts(lap, reference, mine)]
    return f"In corner {mine['corner']} {facts[0] if len(facts) == 1 else ', '.join(facts[:-1]) + ' and ' + facts[-1]}."


def _lift_facts(lap: pd.DataFrame, reference: pd.DataFrame, corner: pd.Series) -> list[str]:
    """What differed between the two laps' lifts for a corner, beyond the uncertainty."""
    if "throttle" not in lap.columns or "throttle" not in reference.columns:
        return ["there is no throttle to say more"]
    first = _lift_of(lap, corner["start_distance"], corner["end_distance"])
    same = _lift_of(reference, corner["start_distance"], corner["end_distance"])
    if first is None or same is None:
        return ["there was no lift"] if first is None and same is None else ["only one of the laps lifted"]

    def change(name: str, sure: float) -> float:
        moved = float(first[name] - same[name])
        noise = 2 * float(np.hypot(first.get(f"{name}_uncertainty", 0.0), same.get(f"{name}_uncertainty", 0.0)))
        return moved if abs(moved) > max(noise, sure) else 0.0

    facts = []
    if moved := change("start_distance", 0.5):
        facts.append(f"the lift began {abs(moved):.0f} m {'earlier' if moved < 0 else 'later'}")
    if longer := change("duration", 0.005):
        facts.append(
            f"the lift lasted {abs(longer):.2f} s {'longer' if longer > 0 else 'less'} ({first['duration']:.2f} s)"
        )
    if deeper := change("min_throttle", 0.02):
        facts.append(f"the throttle went {abs(100 * deeper):.0f} % {'lower' if deeper < 0 else 'less low'}")
    return facts or ["the lift was the same as far as the data can tell"]
