"""What a function was given: taken if it is what was asked for, else said plainly, whatever it is."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence, Sized
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.errors import FileError, FrameError

if TYPE_CHECKING:
    from lapkit.model.session import Session

A_LAP = "a lap frame, such as session.lap(7) or session.best()"
CORNER = ("corner", "start_distance", "end_distance")


def said(given: object) -> str:
    """Say in a few words what was given.

    Examples
    --------
    >>> said(None), said([]), said("x" * 90)[:6], said(pd.DataFrame())
    ('None', 'an empty list', "'xxxxx", 'a frame without rows')
    """
    if isinstance(given, pd.DataFrame):
        return f"a frame of {len(given)} row(s)" if len(given) else "a frame without rows"
    if given is None or isinstance(given, str | int | float):
        return repr(given) if len(repr(given)) < 60 else f"{repr(given)[:56]}..."
    kind = type(given).__name__
    return f"an empty {kind}" if isinstance(given, Sized) and not len(given) else f"something of type {kind}"


def kind_given(given: Any, kind: type, name: str, expected: str) -> Any:
    """Return what is of a kind.

    Raises
    ------
    FrameError
        If it is not; `name` says which argument of what, `expected` what it should be.
    """
    if isinstance(given, kind):
        return given
    raise FrameError(f"{name}: expected {expected}, and got {said(given)}.")


def frame_given(given: Any, name: str, expected: str = A_LAP) -> pd.DataFrame:
    """Return a frame with rows.

    Raises
    ------
    FrameError
        If it is anything else.
    """
    if isinstance(given, pd.DataFrame) and len(given):
        return given
    raise FrameError(f"{name}: expected {expected}, and got {said(given)}.")


def session_given(given: Any, name: str, expected: str = "a session, as lapkit.load returns it") -> Session:
    """Return a session.

    Raises
    ------
    FrameError
        If it is anything else.
    """
    from lapkit.model.session import Session

    session: Session = kind_given(given, Session, name, expected)
    return session


def laps_given(given: Any, name: str, *, none: bool = False) -> Session | list[pd.DataFrame]:
    """Return a session as it is, and laps as a list; an empty one where `none` says that there may be none.

    Raises
    ------
    FrameError
        If it is neither, or there is no lap in it.
    """
    from lapkit.model.session import Session

    return given if isinstance(given, Session) else frames_given(given, name, none=none, also="a session, ")


def frames_given(given: Any, name: str, *, none: bool = False, also: str = "") -> list[pd.DataFrame]:
    """Return laps as a list; an empty one where `none` says that there may be none.

    Raises
    ------
    FrameError
        If something else was given, or there is no lap in it.
    """
    frames = [given] if isinstance(given, pd.DataFrame) else given
    several = isinstance(frames, Sequence) and not isinstance(frames, str)
    odd = [frame for frame in frames if not (isinstance(frame, pd.DataFrame) and len(frame))] if several else []
    if several and not odd and (none or len(frames)):
        return list(frames)
    found = f"{said(odd[0])} among them" if odd and frames is given else said(given)
    raise FrameError(
        f"{name}: expected {also}a lap frame or a list of them, such as [session.lap(n) for n in (3, 5, 7)], and got {found}."
    )


def number_given(given: Any, name: str, unit: str) -> float:
    """Return a number.

    Raises
    ------
    FrameError
        If it is none.

    Examples
    --------
    >>> number_given(np.float32(2.5), "time", "s")
    2.5
    """
    if isinstance(given, int | float | np.number) and not isinstance(given, bool):
        return float(given)
    raise FrameError(f"{name}: expected a number ({unit}), and got {said(given)}.")


def path_given(given: Any, name: str, expected: str) -> Path:
    """Return a path.

    Raises
    ------
    FileError
        If it is none.
    """
    if isinstance(given, str | os.PathLike):
        return Path(given)
    raise FileError(f"{name}: expected {expected}, and got {said(given)}.")


def records(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return the rows of a table, each as a dict by column."""
    return [{str(name): value for name, value in row.items()} for row in table.to_dict("records")]


def records_given(given: Any, name: str, needed: Sequence[str], example: str) -> list[dict[str, Any]]:
    """Return the rows of a table, or of a list of mappings, as dicts; no row where nothing is given.

    Raises
    ------
    FrameError
        If it is neither, or has not the columns it needs; `example` says what one row is.

    Examples
    --------
    >>> records_given([{"corner": "1", "start_distance": 5.0, "end_distance": 9.0}], "where", CORNER, "...")
    [{'corner': '1', 'start_distance': 5.0, 'end_distance': 9.0}]
    """
    if isinstance(given, pd.DataFrame):
        columns = [str(column) for column in given.columns]
        rows = records(given)
    elif given is None or (isinstance(given, Sequence) and all(isinstance(row, Mapping) for row in given)):
        columns = list(dict.fromkeys(str(key) for row in given or () for key in row))
        rows = [{**dict.fromkeys(columns, np.nan), **row} for row in given or ()]
    else:
        raise FrameError(
            f"{name}: expected a table or a list of mappings with {', '.join(needed)} ({example}), and got {said(given)}."
        )
    missing = [column for column in needed if column not in columns]
    if rows and missing:
        raise FrameError(
            f"{name}: there is no {' and no '.join(missing)} (found: {', '.join(columns)}); each needs {', '.join(needed)} ({example})."
        )
    return rows
