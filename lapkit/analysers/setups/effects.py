"""Which way a setup change usually pulls, and whether a set of changes pulls together or cancels.

The table is common practice, no source: what such a change usually does on a car that turns left on an oval, all else equal.
It says nothing of how much, and a car may differ. It is used for one thing only: to see whether changes made
together work with or against each other.

"Tighter" is a car that wants to run wide (understeer), "looser" one whose rear wants to come round (oversteer).
"""

from __future__ import annotations

import pandas as pd

from lapkit.errors import LapkitError
from lapkit.model.given import kind_given
from lapkit.model.setup.sheet import Sheet, split_key, words

PHASES = ("entry", "middle", "exit")
WHERE = {"entry": "On entry", "middle": "In the middle", "exit": "On exit"}
SOURCE = "common practice, no source"
CAUTION = (
    "Setup changes are for those who built and look after the car, within the rules of the series and the limits of the makers of "
    "chassis, tyres and springs; change one thing at a time and go out gently after it."
)

# What MORE of a quantity usually does on a left-turning car, by phase: +1 tighter, -1 looser, 0 little or either way.
EFFECTS: dict[str, tuple[int, int, int]] = {
    "front_weight": (1, 1, 1),
    "cross_weight_fr_rl": (1, 1, 1),
    "spring_rate_fr": (1, 1, 0),
    "spring_rate_rr": (-1, -1, -1),
    "anti_roll_bar_front": (1, 1, 0),
    "anti_roll_bar_diameter_front": (1, 1, 0),
    "anti_roll_bar_rear": (-1, -1, -1),
    "anti_roll_bar_diameter_rear": (-1, -1, -1),
    "track_bar_height_left": (-1, -1, -1),
    "track_bar_height_right": (-1, -1, -1),
    "tyre_pressure_cold_fr": (1, 1, 0),
    "tyre_pressure_cold_rr": (-1, -1, -1),
}
"""On a left-turning car more front or cross weight is tighter, a smaller front bar freer, a higher track bar freer
(common practice, no source). A quantity that is not here has no direction that holds from car to car."""

COLUMNS = ["quantity", "change", "words", *PHASES]


def setup_effects(before: Sheet, after: Sheet, *, turning: str = "left") -> pd.DataFrame:
    """Which way each change between two sheets usually pulls.

    Parameters
    ----------
    before, after : Sheet
        Setup sheets.
    turning : {"left", "right"}
        Which way the track turns; for "right" the sides are exchanged.

    Returns
    -------
    DataFrame
        One row a change: quantity (key), change (SI), words, and for entry, middle and exit "tighter", "looser" or "".
        ``attrs["verdict"]`` says by phase whether the changes pull together or cancel; ``attrs["source"]`` what that rests on.

    Raises
    ------
    LapkitError
        If `turning` is something else, or a sheet is none.

    Examples
    --------
    >>> from lapkit.model.setup.file import make_sheet
    >>> one = make_sheet("A", {"cross_weight_fr_rl": "50 %", "track_bar_height": {"left": "250 mm"}})
    >>> two = make_sheet("B", {"cross_weight_fr_rl": "52 %", "track_bar_height": {"left": "262 mm"}})
    >>> table = setup_effects(one, two)
    >>> table["exit"].tolist(), table.attrs["verdict"]["exit"]
    (['tighter', 'looser'], 'one pulls tighter, one looser: they work against each other')
    """
    if turning not in {"left", "right"}:
        raise LapkitError(f"turning={turning!r}: say 'left' or 'right', the way the track turns.")
    for name, sheet in (("before", before), ("after", after)):
        kind_given(sheet, Sheet, name, "a setup sheet, as read_sheet or make_sheet returns it")
    rows = []
    for _, row in before.diff(after).iterrows():
        key, change = row["quantity"], row["change"]
        if key == "cross_weight_fl_rr":  # the other diagonal says the same
            continue
        pulls = EFFECTS.get(_mirrored(key) if turning == "right" else key, (0, 0, 0))
        sign = 0 if change is None else (change > 0) - (change < 0)
        if turning == "right" and key == "cross_weight_fr_rl":  # more of this diagonal is less of the other
            sign = -sign
        rows.append([key, change, row["words"], *(_word(sign * pull) for pull in pulls)])
    table = pd.DataFrame(rows, columns=COLUMNS, dtype=object)
    table.attrs = {"source": SOURCE, "caution": CAUTION, "verdict": {phase: _verdict(table[phase]) for phase in PHASES}}
    return table


def describe_effects(table: pd.DataFrame) -> list[str]:
    """Say in sentences what `setup_effects` found.

    Parameters
    ----------
    table : DataFrame
        From `setup_effects`.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from lapkit.model.setup.file import make_sheet
    >>> table = setup_effects(make_sheet("A", {"final_drive": 3.0}), make_sheet("B", {"final_drive": 3.1}))
    >>> describe_effects(table)[0]
    'One change: final drive 0.1 shorter (3 to 3.1).'
    """
    if table.empty:
        return ["The two sheets are alike."]
    count = "One change" if len(table) == 1 else f"{len(table)} changes"
    said = [f"{count}: {'; '.join(table['words'])}."]
    told = {phase: text for phase, text in table.attrs["verdict"].items() if text}
    if told:
        said += [f"{WHERE[phase]}: {text}." for phase, text in told.items()]
        said.append(f"Which way a change pulls is {SOURCE}; how much is for the stopwatch.")
        silent = table.loc[(table[list(PHASES)] == "").all(axis=1), "quantity"].map(words)
        if len(silent):
            said.append(f"No usual direction is known for: {', '.join(silent)}.")
    else:
        said.append("No usual direction towards tighter or looser is known for these.")
    return [*said, CAUTION]


def _word(pull: int) -> str:
    return {1: "tighter", -1: "looser"}.get(pull, "")


def _mirrored(key: str) -> str:
    """The same quantity on the other side of the car."""
    if key.startswith("cross_weight_"):
        return key
    name, part = split_key(key)
    other = {"fl": "fr", "fr": "fl", "rl": "rr", "rr": "rl", "left": "right", "right": "left"}.get(part, part)
    return f"{name}_{other}" if part else name


_COUNTS = {1: "one", 2: "two", 3: "three", 4: "four", 5: "five"}


def _verdict(pulls: pd.Series) -> str:
    tighter, looser = int((pulls == "tighter").sum()), int((pulls == "looser").sum())
    if tighter and looser:
        many = [f"{_COUNTS.get(n, n)} pull{'s' if n == 1 else ''}" for n in (tighter, looser)]
        return f"{many[0]} tighter, {_COUNTS.get(looser, looser)} looser: they work against each other"
    if not tighter and not looser:
        return ""
    count, word = (tighter, "tighter") if tighter else (looser, "looser")
    if count == 1:
        return f"one pulls {word}"
    return f"{'both' if count == 2 else f'all {_COUNTS.get(count, count)}'} pull {word}: they work together"
