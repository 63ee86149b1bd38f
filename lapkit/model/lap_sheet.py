"""The session as people see it: a headline, the lap table, and everything that was assumed."""

from __future__ import annotations

from collections.abc import Iterable
from html import escape
from typing import TYPE_CHECKING

import numpy as np

from lapkit.channels import from_si
from lapkit.model import show

if TYPE_CHECKING:
    from lapkit.model.session import Session

_LEFT = [9]  # the column of words


def text(session: Session) -> str:
    """Return the session for a terminal."""
    heads, rows, _ = _table(session)
    return "\n".join([show.plain(_headline(session)), show.text_table(heads, rows, left=_LEFT), *session.remarks()])


def html(session: Session) -> str:
    """Return the session for a notebook; every text from a file is escaped."""
    heads, rows, fastest = _table(session)
    lists = "".join(
        f"<p style='margin:2px 0'><b>{word}:</b> {escape(line)}</p>"
        for word, lines in session.told().items()
        for line in lines
    )
    bold = [fastest] if fastest is not None else []
    return f"<p>{escape(_headline(session))}</p>{show.html_table(heads, rows, left=_LEFT, bold=bold)}{lists}"


def left_out(given: Iterable[object], *, usable: bool = False) -> list[str]:
    """Say which laps of sessions are left out for what befell them, by the recording's name where there are several.

    What is given and no session, such as a lap frame, is passed over: its laps were chosen by somebody else. `usable` says
    that the laps counted are not the clean ones but the `usable` ones.
    """
    from lapkit.model.session import Session

    sessions = [one for one in given if isinstance(one, Session)]
    return [
        f"{session.about['source']}: {said}" if len(sessions) > 1 else said
        for session in sessions
        for said in session.left_out(session.usable() if usable else ())
    ]


def _fastest(session: Session) -> int | None:
    """Row of the fastest clean lap."""
    time = session.laps["lap_time"].where(session.clean).to_numpy()
    return int(np.nanargmin(time)) if session.clean.any() else None


def _table(session: Session) -> tuple[list[str], list[list[str]], int | None]:
    table, unit, fastest = session.laps, session.speed_unit, _fastest(session)
    best = float(table["lap_time"].iloc[fastest]) if fastest is not None else np.nan
    heads = ["Lap", "Lap time (s)", "± 95 %", "To best (s)", f"At line ({unit})", f"Top ({unit})", f"Lowest ({unit})",
             "Full throttle (%)", "Driven (m)", "Marked"]  # fmt: skip
    rows = []
    for lap, words in zip(table.to_dict("records"), words_beside(session), strict=True):
        speeds = [from_si(float(lap[name]), unit, "speed") for name in ("speed_at_line", "top_speed", "min_speed")]
        rows.append([
            str(lap["lap"]),
            show.clock(lap["lap_time"]),
            show.number(2 * lap["lap_time_uncertainty"], 3),
            show.number(lap["lap_time"] - best, 3, signed=True),
            *(show.number(speed, 1) for speed in speeds),
            show.number(100 * lap["full_throttle_share"], 0),
            show.number(lap["path_length"], 0),
            words,
        ])  # fmt: skip
    return heads, rows, fastest


def words_beside(session: Session) -> list[str]:
    """What marks each lap of the lap table: its flags, and what befell it."""
    laps = zip(session.laps["lap"], session.laps["flags"], strict=True)
    return [
        ", ".join(dict.fromkeys([*filter(None, flags.split(",")), *(mark["kind"] for mark in session.marks_of(lap))]))
        for lap, flags in laps
    ]


def _headline(session: Session) -> str:
    table, fastest = session.laps, _fastest(session)
    attributes = session.about
    count = f"{len(table)} lap{'s' if len(table) != 1 else ''}, {int(session.clean.sum())} clean"
    best = ""
    if fastest is not None:
        row = table.iloc[fastest]
        best = f"; best is lap {row['lap']} in {show.clock(float(row['lap_time']))} s"
    return (
        f"{attributes['source']}: {count}{best}. Track {attributes['track_length']:.0f} m, "
        f"{1 / attributes['sample_interval']:.0f} samples a second, place by {attributes['place_method']}."
    )
