"""Gears: which gear when, how engine speed hangs on road speed in each, and what the engine does round the lap.

In a gear, engine speed over road speed is one number, 2 pi times the overall ratio over the tyre's rolling circumference.
Samples therefore crowd round one value a gear; shifts, the clutch and spinning wheels lie between. Only that product can be
read from a recording: the gear's ratio, the final drive and the tyre are told apart only where some of them are given.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.gears.clusters import Clusters, find_clusters, labels_of
from lapkit.analysers.gears.places import gear_shares, round_the_lap
from lapkit.analysers.gears.table import (
    MIN_ENGINE_SPEED,
    MIN_SPEED,
    gear_numbers,
    given_gears,
    in_step,
    per_gear,
    plus_minus,
    ratio_of,
    rpm,
    told_apart,
)
from lapkit.analysers.ledger.energy import usable_laps
from lapkit.analysers.ledger.inputs import columns_of
from lapkit.channels import FloatArray, from_si
from lapkit.errors import ColumnError
from lapkit.model.show import json_rows

if TYPE_CHECKING:
    from lapkit.model.session import Session
    from lapkit.model.setup.sheet import Sheet

CAUTION = (
    "Never go beyond the engine builder's limit, nor that of the makers of gears, clutch and tyres: a gear that is too short turns "
    "the engine too fast on the overrun too. Changed gears change the shock loads on the whole drive. The rules of the series come "
    "first; have gears chosen and fitted by qualified people."
)
FOLLOWS = 0.6
"""Share of the driving time that must lie in a gear, or engine speed is taken not to follow road speed (chosen)."""
MAX_LAPS = 60
"""Laps read at most, spread evenly over the session."""

GEAR_COLUMNS = [
    "gear", "engine_per_road_speed", "engine_per_road_speed_uncertainty", "metres_per_revolution",
    "metres_per_revolution_uncertainty", "slip", "slip_uncertainty", "time_share", "lap_share", "gear_ratio",
    "overall_ratio", "overall_ratio_uncertainty", "tyre_circumference", "tyre_circumference_uncertainty",
]  # fmt: skip


@dataclass(frozen=True, repr=False)
class Gearing:
    """The gears of a car, as read from engine speed and road speed.

    Attributes
    ----------
    table : DataFrame
        One row a gear, first to top: gear; engine_per_road_speed (rad/m, hardly pulling); metres_per_revolution (m); slip
        (share by which the engine turns faster at full throttle; NaN where not seen); time_share, lap_share (0..1 of the laps'
        time and metres; shifts are missing from both); gear_ratio, overall_ratio, tyre_circumference (m), NaN unless they were
        given or follow; one standard uncertainty beside each, errors that a speed sensor makes everywhere alike not counted.
    corners : DataFrame
        One row a corner: corner, min_speed_distance (m), min_speed (m/s), gear and engine_speed (rad/s) there, mean of the
        clean laps in their usual gear there, and lowest_engine_speed of all of them; laps (averaged).
    straights : DataFrame
        One row a straight: the corner it leads to, straight_length (m), top_speed_distance, top_speed, gear and engine_speed
        there, mean of the clean laps in their usual gear there, and highest_engine_speed of all of them; laps (averaged).
    numbered_by : str
        What the gears are numbered by: "gear channel", "ratios given" or "order".
    agreement : float
        Share of the time in which the gear channel and the gear found agree; NaN without such a channel.
    clusters : Clusters
        Where the samples crowd; `gear` uses it.
    speed_unit : str
        Unit for display.
    notes : tuple of str
        What could not be told apart, and what was assumed.
    """

    table: pd.DataFrame
    corners: pd.DataFrame
    straights: pd.DataFrame
    numbered_by: str
    agreement: float
    clusters: Clusters
    speed_unit: str
    notes: tuple[str, ...]

    def gear(self, frame: pd.DataFrame) -> pd.Series:
        """Which gear when: the gear at each row of a lap frame or of samples.

        Parameters
        ----------
        frame : DataFrame
            With the columns engine_speed and speed (SI).

        Returns
        -------
        Series of float, index of the frame
            Gear; NaN during shifts, with the clutch open or wheels spinning, and where a channel is missing.
        """
        columns = columns_of(frame)
        ratio = ratio_of(columns, "gear()")
        found = labels_of(ratio, self.clusters)
        numbers = self.table["gear"].to_numpy(np.float64)
        return pd.Series(np.where(found >= 0, numbers[found], np.nan), index=frame.index, name="gear")

    def per_road_speed(self, gear: FloatArray, throttle: FloatArray | float = 0.0) -> FloatArray:
        """Engine speed per road speed in a gear, rad/m; `throttle` (0..1 of full) brings its share of the slip."""
        table = self.table.set_index("gear")[["engine_per_road_speed", "slip"]]
        usual = table["slip"].median() if table["slip"].notna().any() else 0.0
        rows = table.fillna({"slip": usual}).reindex(gear)  # a gear that was only pulled in slips as the others do
        return np.asarray(rows["engine_per_road_speed"] * (1.0 + rows["slip"] * throttle))

    def gear_name(self, gear: float) -> str:
        """Name a gear by its number; "only" where one gear is seen and nothing numbers it."""
        if np.isnan(gear):
            return "-"
        return "only" if len(self.table) == 1 and self.numbered_by == "order" else f"{gear:.0f}"

    @property
    def longest_straight(self) -> pd.Series | None:
        """Row of the longest straight; None where there is none."""
        return None if self.straights.empty else self.straights.iloc[int(self.straights["straight_length"].argmax())]

    def _shown(self) -> list[tuple[str, list[str], list[list[str]]]]:
        def told(row: dict[Any, Any], name: str, decimals: int) -> str:
            return plus_minus(row[name], row[name + "_uncertainty"], decimals)

        def turns(value: float, spread: float = np.nan) -> str:
            return plus_minus(rpm(value), rpm(spread), 0)

        def share(value: float, decimals: int = 0) -> str:
            return "-" if np.isnan(value) else f"{plus_minus(100.0 * value, np.nan, decimals)} %"

        unit = self.speed_unit
        fast = from_si(1.0, unit, "speed")
        per_gear = [
            [self.gear_name(row["gear"]), told(row, "metres_per_revolution", 4), turns(row["engine_per_road_speed"] / fast * 100.0),
             share(row["slip"], 1), share(row["time_share"] or np.nan), told(row, "overall_ratio", 3), told(row, "tyre_circumference", 3)]
            for row in self.table.to_dict("records")
        ]  # fmt: skip
        heads = ["Gear", "m per revolution", f"rpm at 100 {unit}", "Slip at full throttle", "Time", "Overall ratio", "Tyre (m round)"]  # fmt: skip
        known = [i for i in range(len(heads)) if any(row[i] != "-" for row in per_gear)]
        out = [("Gears", [heads[i] for i in known], [[row[i] for i in known] for row in per_gear])]
        for title, table, speed, place, extreme in (
            ("At the end of each straight", self.straights, "top_speed", "top_speed_distance", "highest_engine_speed"),
            ("At the lowest point of each corner", self.corners, "min_speed", "min_speed_distance", "lowest_engine_speed"),
        ):  # fmt: skip
            rows = [
                [str(row["corner"]), f"{row[place]:.0f}", f"{row[speed] * fast:.1f}", self.gear_name(row["gear"]),
                 turns(row["engine_speed"], row["engine_speed_uncertainty"]), turns(row[extreme])]
                for row in table.to_dict("records")
            ]  # fmt: skip
            corner = "Before corner" if speed == "top_speed" else "Corner"
            heads = [corner, "At (m)", unit, "Gear", "rpm", extreme.split("_")[0].capitalize() + " rpm"]
            if rows:
                out.append((f"{title}, mean of {int(table['laps'].max())} laps", heads, rows))
        return out

    def __repr__(self) -> str:
        from lapkit.model.show import text_table

        parts = [f"{title}\n{text_table(heads, rows)}" for title, heads, rows in self._shown()]
        return "\n\n".join([*parts, "\n".join([*(f"Note: {note}" for note in self.notes), CAUTION])])

    def _repr_html_(self) -> str:
        from html import escape

        from lapkit.model.show import html_table

        parts = [f"<p><b>{escape(title)}</b></p>{html_table(heads, rows)}" for title, heads, rows in self._shown()]
        notes = [f"<p style='margin:2px 0'><b>Note:</b> {escape(note)}</p>" for note in self.notes]
        return "".join([*parts, *notes, f"<p>{escape(CAUTION)}</p>"])

    def to_dict(self) -> dict[str, Any]:
        """Return the gearing as plain values in SI, for JSON."""
        return {
            "gears": json_rows(self.table),
            "corners": json_rows(self.corners),
            "straights": json_rows(self.straights),
            "numbered_by": self.numbered_by,
            "agreement": None if np.isnan(self.agreement) else self.agreement,
            "notes": list(self.notes),
            "caution": CAUTION,
        }


def gears(
    session: Session,
    *,
    ratios: Sequence[float] | None = None,
    final_drive: float | None = None,
    circumference: float | None = None,
    sheet: Sheet | None = None,
    min_speed: float = MIN_SPEED,
    min_engine_speed: float = MIN_ENGINE_SPEED,
    follows: float = FOLLOWS,
    max_laps: int = MAX_LAPS,
) -> Gearing:
    """Find the gears in engine speed and road speed, and what the engine does round the lap.

    Parameters
    ----------
    session : Session
        With the channel engine_speed.
    ratios : sequence of float, optional
        Ratio of each gear, first to top, the final drive not counted.
    final_drive : float, optional
        Ratio of the final drive, quick-change gears counted in.
    circumference : float, optional
        Rolling circumference of the driven tyre, m.
    sheet : Sheet, optional
        Setup sheet that may say the same; what is given here goes before it.
    min_speed, min_engine_speed : float
        Slower samples are left out, m/s and rad/s.
    follows : float
        Share of the driving time that must lie in a gear.
    max_laps : int
        Laps read at most for the shares, corners and straights.

    Returns
    -------
    Gearing

    Raises
    ------
    ColumnError
        If there is no engine speed, or it does not follow road speed.
    LapkitError
        If a ratio, final drive or circumference is not above zero, or the ratios are not from first to top.

    Notes
    -----
    Gears are found without a gear channel, numbered by it where there is one, else by the ratios given (whose steps must fit),
    else in order: gears that were never used are not seen, so "1" is then the lowest gear seen.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/road_course.csv")
    >>> found = gears(session, circumference=2.0)
    >>> found.table["gear"].tolist()
    [1, 2, 3, 4, 5]
    >>> [round(v, 1) for v in found.table["engine_per_road_speed"]]
    [34.0, 24.5, 18.6, 15.0, 12.6]
    """
    said = given_gears(ratios, final_drive, circumference, sheet)
    samples = session.samples()
    source = session.recording.provenance.source
    columns = columns_of(samples)
    ratio = ratio_of(columns, source, min_speed, min_engine_speed)
    if not np.isfinite(ratio).any():
        raise ColumnError(
            f"{source}: engine_speed never rises above {rpm(min_engine_speed):.0f} rpm while the car is "
            f"faster than {min_speed:g} m/s; check its unit (units={{'engine_speed': 'rpm'}})."
        )
    clusters = find_clusters(columns["time"], ratio)
    found = labels_of(ratio, clusters)
    driving = np.isfinite(ratio)
    along = in_step(np.log(ratio), np.log(np.where(driving, columns["speed"], np.nan)), found, len(clusters.centres))
    inside = float(np.isin(found[driving], np.flatnonzero(along)).mean())
    if inside < follows:
        raise ColumnError(
            f"{source}: engine_speed does not follow the road speed in any set of gears: only {100 * inside:.0f} % of the driving lies in one "
            f"({100 * follows:.0f} % are asked for). A slipping clutch, a gearbox without steps, a sensor at fault or a wrong speed does that."
        )
    notes: list[str] = []
    numbers, numbered_by, agreement = gear_numbers(columns, clusters, found, said.ratios, notes)
    table = per_gear(columns, ratio, found, clusters, session.full_throttle)
    table.insert(0, "gear", numbers)
    told_apart(table, said, numbered_by, notes)
    frames = usable_laps(session, max_laps=max_laps)
    shell = Gearing(table, pd.DataFrame(), pd.DataFrame(), numbered_by, agreement, clusters, session.speed_unit, ())
    in_gear = [shell.gear(frame).to_numpy() for frame in frames]
    table["time_share"], table["lap_share"] = gear_shares(frames, in_gear, numbers)
    notes += session.left_out(session.usable())
    if not frames:
        notes.append("There is no complete lap, so nothing is said of shares, corners and straights.")
    clean = {int(n) for n in session.laps.loc[session.clean, "lap"]}
    both = list(zip(frames, in_gear, strict=True))
    kept = [(frame, gear) for frame, gear in both if frame.attrs["lap"] in clean] or both
    at_corners, at_straights = round_the_lap(kept, session.track.corners if kept else None)
    return replace(shell, table=table[GEAR_COLUMNS], corners=at_corners, straights=at_straights, notes=tuple(notes))
