"""How numbers, clock times and missing values are written in text files."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterable, Sequence

NULL_WORDS = ("", "nan", "na", "n/a", "null", "none", "-", "--", "#n/a")
"""Cells that mean "no value", in lower case."""

GROUP_MARKS = " '\u00a0\u202f\u2019"
"""Thousands marks beside the comma and the point: blanks of three widths, and apostrophes."""

_CLOCK = r"[0-9]+:[0-9]{1,2}(?::[0-9]{1,2})?(?:[.,][0-9]*)?"
_DATE = r"[0-9]{1,4}[-/.][0-9]{1,2}[-/.][0-9]{1,4}(?:[T ].*)?"


def number_pattern(decimal: str = "[.,]", marks: str = f"[.,{GROUP_MARKS}]") -> str:
    """Return a regular expression for a number, without back-references.

    Parameters
    ----------
    decimal, marks : str
        Expressions for the decimal mark and a thousands mark; any by default.

    Returns
    -------
    str
        The expression, to be matched against a whole cell.

    Examples
    --------
    >>> import re
    >>> [bool(re.fullmatch(number_pattern(), cell)) for cell in ("-1.5e3", "1 234,5", "12:30", "12-30")]
    [True, True, False, False]
    """
    return (
        rf"[+-]?(?:[0-9]+{decimal}?[0-9]*|{decimal}[0-9]+)(?:[eE][+-]?[0-9]+)?"
        rf"|[+-]?[0-9]{{1,3}}(?:{marks}[0-9]{{3}})+(?:{decimal}[0-9]*)?|[+-]?(?i:inf|infinity)"
    )


MOMENT = rf"{_CLOCK}|{_DATE}"
"""Expression for a clock time or a date."""

_OTHER = {".": ",", ",": "."}
_EITHER = re.compile(r"[+-]?[1-9][0-9]{0,2}[.,][0-9]{3}")
_NUMBER = re.compile(number_pattern())
_VALUE = re.compile(rf"{MOMENT}|{number_pattern()}")


def is_number(cell: str) -> bool:
    """Whether a trimmed cell is a number, however its marks are written."""
    return _NUMBER.fullmatch(cell) is not None


def filled(cells: Iterable[str]) -> list[str]:
    """Cells that hold something, without the blanks and quotes around them.

    Examples
    --------
    >>> filled([" 1.5", "NaN", "--", '"x"'])
    ['1.5', 'x']
    """
    trimmed = (cell.strip(' \t"\u00a0\u202f') for cell in cells)
    return [cell for cell in trimmed if cell.lower() not in NULL_WORDS]


def value_share(cells: Sequence[str]) -> float:
    """Share of the filled cells that are numbers, clock times or dates.

    Examples
    --------
    >>> value_share(["1", "12:30.5", "", "left"])
    0.6666666666666666
    """
    try:
        if not all(map(math.isnan, [float(cell) for cell in cells])):
            return 1.0  # plain numbers, the usual case
    except ValueError:
        pass
    held = filled(cells)
    return sum(_VALUE.fullmatch(cell) is not None for cell in held) / len(held) if held else 0.0


def number_style(
    cells: Iterable[str], *, points: int = 0, comma_delimited: bool = False
) -> tuple[str | None, str, bool]:
    """Return the decimal mark and thousands mark that numbers are written with.

    Parameters
    ----------
    cells : iterable of str
        Numbers as written.
    points : int, default 0
        Numbers with a decimal point already met elsewhere.
    comma_delimited : bool, default False
        Whether commas stand between cells; "1,234" alone then has a thousands mark.

    Returns
    -------
    decimal : str or None
        ``"."`` or ``","``; None where no number shows one.
    thousands : str
        The thousands mark, empty where there is none.
    sure : bool
        Whether more numbers could be read in this way alone than in the other.

    Examples
    --------
    >>> number_style(["1.234,5", "12,75"]), number_style(["1,234.5"]), number_style(["1 234", "12"])
    ((',', '.', True), ('.', ',', True), (None, ' ', True))
    """
    votes = {".": points, ",": 0}
    either = {".": 0, ",": 0}  # "1,234": a decimal mark or a thousands mark
    marks: Counter[str] = Counter()
    for cell in cells:
        found = {",": cell.count(","), ".": cell.count(".")}
        if found[","] + found["."] > 1:  # the last of two kinds is the decimal mark; one met twice is no decimal mark
            last = "," if cell.rfind(",") > cell.rfind(".") else "."
            votes[last if found["."] and found[","] else _OTHER[last]] += 1
            marks[_OTHER[last] if found["."] and found[","] else last] += 1
        elif found[","] or found["."]:
            (either if _EITHER.fullmatch(cell) else votes)["," if found[","] else "."] += 1
        if not cell.isascii() or " " in cell or "'" in cell:
            marks.update(sign for sign in cell if sign in GROUP_MARKS)
    sure = votes["."] != votes[","]
    if sure:
        decimal: str | None = "." if votes["."] > votes[","] else ","
    elif any(either.values()):
        decimal = "," if either[","] and not either["."] and not comma_delimited else "."
    else:
        decimal, sure = None, True
    if decimal is not None:
        marks[_OTHER[decimal]] += either[_OTHER[decimal]]
        del marks[decimal]
    return decimal, marks.most_common(1)[0][0] if marks.total() else "", sure
