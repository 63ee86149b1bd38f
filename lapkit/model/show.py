"""Tables for people: on a terminal and in a notebook, in their units, every text from a file escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from lapkit.channels import UNCERTAINTY, dimension_of, from_si
from lapkit.model.given import kind_given


def clock(seconds: float, *, decimals: int = 3) -> str:
    """Write a lap time as the trade does.

    Examples
    --------
    >>> clock(31.4826), clock(102.318), clock(float("nan"))
    ('31.483', '1:42.318', '-')
    """
    if not np.isfinite(seconds):
        return "-"
    rounded = round(abs(seconds) * 10**decimals)
    sign = "-" if seconds < 0 and rounded else ""
    minutes, rest = divmod(rounded, 60 * 10**decimals)
    text = f"{rest / 10**decimals:.{decimals}f}"
    return f"{sign}{minutes}:{text.zfill(2 + (decimals > 0) * (1 + decimals))}" if minutes else sign + text


def plain(text: str) -> str:
    r"""Text that may come from a file, safe for a terminal: no control characters, one line.

    Examples
    --------
    >>> plain("red" + chr(27) + "[31m")
    'red�[31m'
    """
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in " ".join(text.split()))


def number(value: object, decimals: int, *, signed: bool = False) -> str:
    """Write a number, or a dash where there is none.

    Examples
    --------
    >>> number(-2.345, 1), number(-0.0004, 3), number(-0.0004, 3, signed=True), number(float("nan"), 3)
    ('-2.3', '0.000', '+0.000', '-')
    """
    if isinstance(value, bool | np.bool_):
        return "yes" if value else "no"
    if isinstance(value, str):
        return value
    if value is None or value is pd.NA:
        return "-"
    figure = float(value)  # type: ignore[arg-type]
    if not np.isfinite(figure):
        return "-"
    text = f"{figure:+.{decimals}f}" if signed else f"{figure:.{decimals}f}"
    return text if float(text) else text.replace("-", "+" if signed else "")  # nothing is not less than nothing


def counted(count: int, thing: str, things: str = "") -> str:
    """Say how many there are, in the singular or the plural.

    Examples
    --------
    >>> counted(1, "lift"), counted(0, "corner"), counted(2, "pass", "passes")
    ('1 lift', '0 corners', '2 passes')
    """
    return f"{count} {thing if count == 1 else things or thing + 's'}"


def jsonable(value: Any) -> Any:
    """Turn a value into what JSON can say; a missing number becomes None.

    Examples
    --------
    >>> jsonable({"lap": np.int64(3), "lap_time": np.nan, "ok": np.True_})
    {'lap': 3, 'lap_time': None, 'ok': True}
    """
    if isinstance(value, dict):
        return {str(key): jsonable(item) for key, item in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [jsonable(item) for item in (value.tolist() if isinstance(value, np.ndarray) else value)]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        return float(value) if np.isfinite(value) else None
    return value


def json_rows(table: pd.DataFrame) -> list[dict[str, Any]]:
    """Return a table row by row as JSON has it."""
    return [jsonable(record) for record in table.to_dict("records")]


def text_table(heads: Sequence[str], rows: Sequence[Sequence[str]], *, left: Sequence[int] = ()) -> str:
    """Lay out a table for a terminal, numbers to the right.

    Parameters
    ----------
    heads : sequence of str
    rows : sequence of sequence of str
    left : sequence of int
        Columns set to the left.
    """
    heads, rows = [plain(head) for head in heads], [[plain(cell) for cell in row] for row in rows]
    widths = [max([len(head), *(len(row[i]) for row in rows)]) for i, head in enumerate(heads)]

    def line(cells: Sequence[str]) -> str:
        return "  ".join(
            cell.ljust(width) if i in left else cell.rjust(width)
            for i, (cell, width) in enumerate(zip(cells, widths, strict=True))
        ).rstrip()

    return "\n".join([line(heads), "  ".join("-" * width for width in widths), *(line(row) for row in rows)])


def html_table(
    heads: Sequence[str], rows: Sequence[Sequence[str]], *, left: Sequence[int] = (), bold: Sequence[int] = ()
) -> str:
    """Lay out a table for a notebook; every cell is escaped."""

    def cells(values: Sequence[str], tag: str, weight: str = "") -> str:
        return "".join(
            f'<{tag} style="text-align:{"left" if i in left else "right"};padding:2px 10px{weight}">{escape(value)}</{tag}>'
            for i, value in enumerate(values)
        )

    body = "".join(
        f"<tr>{cells(row, 'td', ';font-weight:bold' if k in bold else '')}</tr>" for k, row in enumerate(rows)
    )
    return f"<table><thead><tr>{cells(heads, 'th')}</tr></thead><tbody>{body}</tbody></table>"


# What a column is shown in: dimension -> (unit or None for the speed unit, decimals).
_SHOWN: dict[str, tuple[str | None, int]] = {
    "time": ("s", 3),
    "length": ("m", 1),
    "speed": (None, 1),
    "fraction": ("%", 1),
    "angle": ("deg", 1),
    "acceleration": ("m/s2", 1),
    "pressure": ("kPa", 0),
    "temperature": ("degC", 1),
}
_CAUSES = {"longer_way", "throttle", "brake", "cornering", "elevation", "lower_speed", "unexplained", "carried_in"}
_PEDALS = {"throttle", "brake"}
_SIGNED = {"delta", "delta_rate", "time_lost", "made", "paid"} | _CAUSES


def readable(table: pd.DataFrame, *, speed_unit: str = "km/h", columns: Sequence[str] | None = None) -> pd.DataFrame:
    """Return a table as text in the person's units, for display.

    Uncertainties are joined to their quantity as ± two standard uncertainties (about 95 %).

    Parameters
    ----------
    table : DataFrame
        Any table lapkit returns, in SI.
    speed_unit : str
        Unit for speeds.
    columns : sequence of str, optional
        Columns to show, in order; all by default.

    Returns
    -------
    DataFrame of str
        Same rows; every column head carries its unit.

    Raises
    ------
    FrameError
        If it is no table.

    Examples
    --------
    >>> import pandas as pd
    >>> readable(pd.DataFrame({"lap": [3], "min_speed": [20.0]}), speed_unit="km/h")
      lap min speed (km/h)
    0   3             72.0
    """
    kind_given(table, pd.DataFrame, "readable", "a table lapkit returns, such as session.laps or lapkit.lifts(session)")
    if table.index.name is not None:
        table = table.reset_index()
    wanted = list(columns) if columns is not None else [c for c in table.columns if not str(c).endswith(UNCERTAINTY)]
    out: dict[str, list[str]] = {}
    for name in wanted:
        values = table[name].tolist()
        # a pedal's column beside what is unexplained is a ledger's: seconds, not how far it is pressed
        charged = name in _CAUSES and "unexplained" in table.columns
        dimension = "time" if charged else dimension_of(name)
        head = name.replace("_", " ")
        spread = table[name + UNCERTAINTY].tolist() if name + UNCERTAINTY in table.columns else None
        if dimension in _SHOWN and name not in {"truncated"}:
            unit, decimals = _SHOWN[dimension]
            unit = unit or speed_unit
            shown = [from_si(float(v), unit, dimension) if v is not None else np.nan for v in values]
            cells = [number(v, decimals, signed=name in _SIGNED and (charged or name not in _PEDALS)) for v in shown]
            if spread is not None:
                factor = from_si(1.0, unit, dimension) - from_si(0.0, unit, dimension)
                cells = [
                    f"{cell} ±{2 * s * factor:.{decimals}f}" if np.isfinite(s) and cell != "-" else cell
                    for cell, s in zip(cells, spread, strict=True)
                ]
            head = f"{head} ({unit}{' per 100 m' if name == 'delta_rate' else ''})"
        else:
            cells = [number(v, 0) if not isinstance(v, str) else v for v in values]
        out[head] = cells
    return pd.DataFrame(out, index=table.index, dtype=object)
