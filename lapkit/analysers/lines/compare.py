"""Two lines, or two groups of laps, against each other: which is faster where, why, and what it costs the tyres."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy import LongitudinalModel, longitudinal_model
from lapkit.analysers.ledger.explain import CAUTION
from lapkit.analysers.ledger.ledger import Ledger
from lapkit.analysers.lines.causes import LEDGER_PAIRS, causes_of, ledgers_of
from lapkit.analysers.lines.differences import differences_of, parts_of, shared_parts
from lapkit.analysers.lines.given import LAP as LAP  # charts ask for it here
from lapkit.analysers.lines.given import (
    befell,
    by_position,
    corners_of,
    drove_first,
    fit_together,
    group_of,
    listed,
    names_of,
    no_metres,
    order_of,
)
from lapkit.analysers.lines.height_run import A_MODEL
from lapkit.analysers.lines.measures import measure
from lapkit.analysers.statistics.two_groups import CONFIDENCE, laps_needed, welch
from lapkit.channels import UNCERTAINTY
from lapkit.errors import FrameError
from lapkit.model.frame import attribute, name_of
from lapkit.model.given import kind_given, number_given
from lapkit.model.show import html_table, json_rows, jsonable, text_table


@dataclass(frozen=True)
class LineComparison:
    """Two groups of laps compared corner by corner. Differences are b less a: positive times are b slower.

    Attributes
    ----------
    table : DataFrame
        One row a corner and quantity, those of the whole lap (corner "lap") last: corner, quantity, unit (SI), a, b
        (means of the laps), difference (b - a), difference_uncertainty (standard, from the scatter from lap to lap),
        margin (half the interval at the confidence; NaN with one lap a side), significant (more than luck, corrected
        for the number of corners). Quantities:

        - offset: mean, m left of the reference line; banking: in the middle of the corner, rad;
        - path_length: metres driven, its difference the extra metres;
        - radius: at the tightest, held over some metres; mean_radius: over the middle of the corner, m;
        - entry_speed, min_speed, exit_speed: m/s;
        - corner_time: s; time_to_next: from the corner's end to the next corner's start; start_to_start: both. Of the
          lap: their sums, the last being the lap time;
        - height_given: height given up from the highest place of the corner to its end, m; speed_gained: what that
          brought, m/s;
        - tyre_work: energy the cornering takes, J/kg; cornering_load: integral of lateral acceleration over metres
          driven, J/kg; tyre_share: each line's share of the two together.
    causes : DataFrame
        What the time ledger charges b with against a, mean of some pairs of laps: corner, cause, time_lost,
        time_lost_uncertainty (s). A corner has half of the straight on either side.
    names : (str, str)
        What the lines are called.
    laps : dict of str to list of int
        Lap numbers of "a" and "b" that were used.
    needed : float
        Laps on each line that would settle a difference of the lap times as large as this one, NaN where not known.
    parts : DataFrame
        The difference of the lap times early and late in the run: run_part, from_lap, to_lap, difference,
        difference_uncertainty, margin; empty where the laps do not allow it.
    drove_first : int
        0 or 1 where all laps of a, or of b, came before those of the other in one run, else -1.
    confidence : float
    speed_unit : str
        Unit speeds are shown in.
    verdict : str
        The answer in plain sentences.
    notes : tuple of str
        What was assumed and what is missing.
    """

    table: pd.DataFrame
    causes: pd.DataFrame
    names: tuple[str, str]
    laps: dict[str, list[int]]
    needed: float
    parts: pd.DataFrame
    drove_first: int
    confidence: float
    speed_unit: str
    notes: tuple[str, ...]

    @property
    def corners(self) -> pd.DataFrame:
        """The differences, one row a corner and the lap last: a column a quantity, its uncertainty beside it."""
        return self.wide("difference")

    def wide(self, column: str = "difference") -> pd.DataFrame:
        """Return one column of the table as one row a corner, a column a quantity.

        Parameters
        ----------
        column : str
            "a", "b", "difference", "margin" or "significant".

        Returns
        -------
        DataFrame
            corner, then the quantities; with "difference" each has its uncertainty beside it.
        """
        order = list(dict.fromkeys(self.table["corner"]))
        quantities = list(dict.fromkeys(self.table["quantity"]))
        out = {"corner": pd.Series(order, dtype=object)}
        for quantity in quantities:
            rows = self.table[self.table["quantity"] == quantity]
            out[quantity] = pd.Series(rows[column].to_numpy())
            if column == "difference":
                out[quantity + UNCERTAINTY] = pd.Series(rows["difference_uncertainty"].to_numpy())
        return pd.DataFrame(out)

    def row(self, corner: str, quantity: str) -> dict[str, Any]:
        """Return one row of the table; the lap is the corner "lap"."""
        rows = self.table[(self.table["corner"] == corner) & (self.table["quantity"] == quantity)]
        if rows.empty:
            raise FrameError(
                f"there is no quantity '{quantity}' of corner '{corner}'; there are corners "
                f"{', '.join(self.table['corner'].unique())} and quantities {', '.join(self.table['quantity'].unique())}."
            )
        return {str(k): v for k, v in rows.iloc[0].items()}

    @property
    def verdict(self) -> str:
        """The answer in plain sentences."""
        from lapkit.analysers.lines.verdict import verdict

        return " ".join(verdict(self))

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and words, for JSON; None stands for what is not known."""
        return {
            "names": list(self.names),
            "laps": {side: list(numbers) for side, numbers in self.laps.items()},
            "confidence": self.confidence,
            "table": json_rows(self.table),
            "causes": json_rows(self.causes),
            "parts": json_rows(self.parts),
            "laps_needed": jsonable(self.needed),
            "verdict": self.verdict,
            "notes": list(self.notes),
            "caution": CAUTION,
        }

    def _shown(self) -> tuple[list[str], list[list[str]]]:
        from lapkit.analysers.lines.verdict import shown

        return shown(self)

    def __repr__(self) -> str:
        heads, rows = self._shown()
        table = text_table(heads, rows, left=[0, 1])
        return "\n".join([self.verdict, table, *(f"Note: {note}" for note in self.notes), CAUTION])

    def _repr_html_(self) -> str:
        heads, rows = self._shown()
        notes = "".join(f"<p style='margin:2px 0'><b>Note:</b> {escape(note)}</p>" for note in self.notes)
        table = html_table(heads, rows, left=[0, 1])
        return f"<p>{escape(self.verdict)}</p>{table}{notes}<p style='margin:2px 0'>{escape(CAUTION)}</p>"


def compare_lines(
    laps_a: pd.DataFrame | Sequence[pd.DataFrame],
    laps_b: pd.DataFrame | Sequence[pd.DataFrame],
    *,
    model: LongitudinalModel | None = None,
    names: tuple[str, str] = ("a", "b"),
    confidence: float = CONFIDENCE,
    ledger_pairs: int = LEDGER_PAIRS,
) -> LineComparison:
    """Compare two lines round the same track, or any two groups of laps.

    Parameters
    ----------
    laps_a, laps_b : DataFrame or sequence of DataFrame
        Frames of whole laps on one grid, placed on one reference line: laps of one session, or of two loaded with the
        same track.
    model : LongitudinalModel, optional
        The car, from ``longitudinal_model(session)``. None fits it to the laps given.
    names : (str, str)
        What the lines are called, such as ("high", "low").
    confidence : float
        Share of intervals that are to hold the truth, between 0 and 1.
    ledger_pairs : int
        Most pairs of laps whose ledgers are averaged.

    Returns
    -------
    LineComparison
        ``compare_lines(b, a)`` has the same numbers with the sign of every difference turned. The corner times and the
        times between corners add up to the difference of the mean lap times.

    Raises
    ------
    FrameError
        If there is no lap, a lap is not whole, the laps do not lie on one grid and reference, or there is neither
        position nor a channel that shows how the car turned.

    Notes
    -----
    Uncertainties come from the scatter from lap to lap (Welch), which holds the measurement's own; one lap on one side
    is given the scatter of the other side; with one lap on each side only the measurement is known, and nothing is
    marked significant. Marks are corrected for the number of corners (Holm), quantity by quantity.

    The ledgers are those of laps paired by their rank in lap time, the fastest of one side with the fastest of the other,
    spread evenly over both sides.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> laps = [session.lap(n) for n in range(1, 9)]
    >>> found = compare_lines(laps[::2], laps[1::2], names=("odd", "even"))
    >>> times = found.corners[["corner_time", "time_to_next"]].iloc[:-1].to_numpy().sum()
    >>> bool(abs(times - found.row("lap", "start_to_start")["difference"]) < 1e-9)
    True
    """
    groups = [group_of(laps_a, "laps_a"), group_of(laps_b, "laps_b")]
    names = names_of(names)
    if not 0.0 < number_given(confidence, "confidence", "a share, such as 0.95") < 1.0:
        raise FrameError(f"confidence={confidence!r}: give a share between 0 and 1, such as 0.95.")
    together = sorted([*groups[0], *groups[1]], key=order_of)
    fit_together(together)
    notes = []
    if model is not None:
        model = kind_given(model, LongitudinalModel, "model", A_MODEL)
    else:
        model = longitudinal_model(together)
        notes.append(f"The car's model was fitted to these {len(together)} laps.")
    corners = corners_of(together)
    both = measure([*groups[0], *groups[1]], corners, model)
    left_out = [frame for frame, ok in zip([*groups[0], *groups[1]], both.kept, strict=True) if not ok]
    if left_out:
        notes.append(f"Left out, as the data have a hole where a corner begins or ends: {listed(left_out)}.")
        kept = both.kept[: len(groups[0])], both.kept[len(groups[0]) :]
        groups = [[f for f, ok in zip(g, k, strict=True) if ok] for g, k in zip(groups, kept, strict=True)]
        for group, name in zip(groups, names, strict=True):
            if not group:
                raise FrameError(
                    f"{name}: every lap has a hole where a corner begins or ends, so no time can be read there; give "
                    "laps without such a hole (the lap table flags them: gap)."
                )
    positioned = by_position(together)
    notes += both.notes if positioned else [*both.notes, no_metres(together)]
    first = drove_first(groups)
    apart = first >= 0 or len({frame.attrs.get("source") for frame in together}) > 1
    shared = shared_parts(groups)
    table = differences_of(corners, both, len(groups[0]), confidence, positioned, apart, shared)
    time = table[(table["corner"] == LAP) & (table["quantity"] == "start_to_start")].iloc[0]
    lap_times = [np.array([float(attribute(f, "lap_time")) for f in group]) for group in groups]
    scatter = float(welch(*lap_times, confidence=confidence).scatter)
    books = ledgers_of(groups, model, ledger_pairs)
    notes += _about(groups, names, books, model, first)
    return LineComparison(
        table=table,
        causes=causes_of(books, corners),
        names=names,
        laps={side: [int(attribute(f, "lap")) for f in group] for side, group in zip("ab", groups, strict=True)},
        needed=laps_needed(float(time["difference"]), scatter, confidence=confidence),
        parts=parts_of(groups, lap_times, confidence),
        drove_first=first,
        confidence=confidence,
        speed_unit=str(groups[0][0].attrs.get("speed_unit") or "km/h"),
        notes=tuple(notes),
    )


def _about(
    groups: Sequence[Sequence[pd.DataFrame]],
    names: tuple[str, str],
    books: Sequence[Ledger],
    model: LongitudinalModel,
    apart: int,
) -> list[str]:
    """What should be known of the laps and of how they were compared."""
    frames = [*groups[0], *groups[1]]
    notes = [
        f"Differences are {names[1]} less {names[0]}. Marks are corrected for the number of corners (Holm), quantity by "
        "quantity; over all the quantities one in twenty may still be marked by luck."
    ]
    sources = sorted({str(frame.attrs.get("source")) for frame in frames})
    if len(sources) > 1:
        notes.append(
            f"The laps are of different recordings ({', '.join(sources)}): another day, tyres, fuel or calibration of a "
            "sensor is in the difference too."
        )
    if apart >= 0:
        notes.append(
            f"All laps of {names[apart]} came before those of {names[1 - apart]}: tyres, fuel and the track changed "
            "meanwhile, and that is in the difference too. Laps taken in turn (a b b a) would settle it."
        )
    shared = {order_of(frame) for frame in groups[0]} & {order_of(frame) for frame in groups[1]}
    if shared:
        notes.append(f"{len(shared)} lap(s) stand on both sides, which makes them look more alike than they are.")
    flagged = [frame for frame in frames if frame.attrs.get("flags")]
    if flagged:
        notes.append(f"Flagged in the lap table and used all the same: {listed(flagged)}.")
    hit = [f"{name_of(frame)} ({kinds})" for frame in frames if (kinds := befell(frame))]
    if hit:
        notes.append(f"Counted in spite of what befell them: {', '.join(hit)}.")
    how = "one pair of laps" if len(books) == 1 else f"{len(books)} pairs of laps of like rank in lap time"
    notes.append(f"Causes are the mean time ledger of {how}; a corner has half of the straight on either side.")
    if not model.ok:
        notes.append(f"Without a model of the car ({model.reason}) the ledger knows the longer way alone.")
    return notes
