"""Gears: which gear when, how engine speed hangs on road speed in each, and what the engine does round the lap.

In a gear, engine speed over road speed is one number, 2 pi times the overall ratio over the tyre's rolling circumference.
Samples therefore crowd round one value a gear; shifts, the clutch and spinning wheels lie between. Only that product can be
read from a recording: the gear's ratio, the final drive and the tyre are told apart only where some of them are given.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.corners import corners
from lapkit.analysers.energy import usable_laps
from lapkit.analysers.gear_clusters import Clusters, find_clusters, labels_of
from lapkit.analysers.lap_inputs import columns_of, smooth
from lapkit.channels import FloatArray, from_si, to_si
from lapkit.errors import ColumnError, FrameError, LapkitError

if TYPE_CHECKING:
    from lapkit.model.session import Session
    from lapkit.model.setup_sheet import Sheet

CAUTION = (
    "Never go beyond the engine builder's limit, nor that of the makers of gears, clutch and tyres: a gear that is too short turns "
    "the engine too fast on the overrun too. Changed gears change the shock loads on the whole drive. The rules of the series come "
    "first; have gears chosen and fitted by qualified people."
)
MIN_SPEED = 5.0
"""m/s. Slower than this the clutch may slip (chosen)."""
MIN_ENGINE_SPEED = 100.0
"""rad/s, about 950 rpm. Slower than this an engine idles or stands (chosen)."""
FOLLOWS = 0.6
"""Share of the driving time that must lie in a gear, or engine speed is taken not to follow road speed (chosen)."""
IN_STEP = 0.7
"""Rise of engine speed with road speed within a gear, shares; 1 without slip (chosen)."""
LEAST_SPREAD = 0.01
"""Share by which road speed must vary within a gear for that to be seen (chosen)."""
AGREES = 0.95
"""Share of the time that a gear channel and the gear found must agree, or it is said (chosen)."""
MAX_LAPS = 60
"""Laps read at most, spread evenly over the session."""
SLIP_UNKNOWN = 0.005
"""Share. Doubt of a ratio known from pulling wheels alone: half of a tyre's usual slip there (common practice, no source)."""
BEFORE_LIFT, AROUND_LOWEST = 20.0, 10.0
"""m. Over how much the ratio is averaged before the end of a straight, and either side of a corner's lowest speed (chosen)."""

GEAR_COLUMNS = [
    "gear", "engine_per_road_speed", "engine_per_road_speed_uncertainty", "metres_per_revolution",
    "metres_per_revolution_uncertainty", "slip", "slip_uncertainty", "time_share", "lap_share", "gear_ratio",
    "overall_ratio", "overall_ratio_uncertainty", "tyre_circumference", "tyre_circumference_uncertainty",
]  # fmt: skip
CORNER_COLUMNS = [
    "corner", "min_speed_distance", "min_speed", "gear", "engine_speed", "engine_speed_uncertainty",
    "lowest_engine_speed", "laps",
]  # fmt: skip
STRAIGHT_COLUMNS = [
    "corner", "straight_length", "top_speed_distance", "top_speed", "gear", "engine_speed", "engine_speed_uncertainty",
    "highest_engine_speed", "laps",
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
        ratio = _ratio_of(columns, "gear()")
        found = labels_of(ratio, self.clusters)
        numbers = self.table["gear"].to_numpy(np.float64)
        return pd.Series(np.where(found >= 0, numbers[found], np.nan), index=frame.index, name="gear")

    def per_road_speed(self, gear: FloatArray, throttle: FloatArray | float = 0.0) -> FloatArray:
        """Engine speed per road speed in a gear, rad/m; `throttle` (0..1 of full) brings its share of the slip."""
        numbers = self.table["gear"].to_numpy(np.float64)
        row = np.searchsorted(numbers, gear)
        known = (row < len(numbers)) & (numbers[np.minimum(row, len(numbers) - 1)] == gear)
        row = np.minimum(row, len(numbers) - 1)
        slip = np.nan_to_num(self.table["slip"].to_numpy(np.float64))[row]
        rate = self.table["engine_per_road_speed"].to_numpy(np.float64)[row] * (1.0 + slip * throttle)
        return np.asarray(np.where(known, rate, np.nan))

    @property
    def longest_straight(self) -> pd.Series | None:
        """Row of the longest straight; None where there is none."""
        return None if self.straights.empty else self.straights.iloc[int(self.straights["straight_length"].argmax())]

    def _shown(self) -> list[tuple[str, list[str], list[list[str]]]]:
        def rpm(value: float, spread: float = np.nan) -> str:
            shown = f"{from_si(value, 'rpm', 'angular rate'):.0f}"
            return shown if np.isnan(spread) else f"{shown} ±{2 * from_si(spread, 'rpm', 'angular rate'):.0f}"

        def plus(value: float, spread: float, digits: int) -> str:
            if np.isnan(value):
                return "-"
            return f"{value:.{digits}f} ±{2 * spread:.{digits}f}" if spread > 0 else f"{value:.{digits}f}"

        def share(value: float, digits: int = 0) -> str:
            return "-" if np.isnan(value) else f"{round(100 * value, digits) + 0.0:.{digits}f} %"

        unit = self.speed_unit
        fast = from_si(1.0, unit, "speed")
        per_gear = [
            [f"{row['gear']:.0f}", plus(row["metres_per_revolution"], row["metres_per_revolution_uncertainty"], 4),
             rpm(row["engine_per_road_speed"] * to_si(100.0, unit, "speed")), share(row["slip"], 1), share(row["time_share"]),
             plus(row["overall_ratio"], row["overall_ratio_uncertainty"], 3),
             plus(row["tyre_circumference"], row["tyre_circumference_uncertainty"], 3)]
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
                [str(row["corner"]), f"{row[place]:.0f}", f"{row[speed] * fast:.1f}", f"{row['gear']:.0f}",
                 rpm(row["engine_speed"], row["engine_speed_uncertainty"]), rpm(row[extreme])]
                for row in table.to_dict("records")
            ]  # fmt: skip
            corner = "Before corner" if speed == "top_speed" else "Corner"
            heads = [corner, "At (m)", unit, "Gear", "rpm", extreme.split("_")[0].capitalize() + " rpm"]
            if rows:
                out.append((title, heads, rows))
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

        def records(table: pd.DataFrame) -> list[dict[str, Any]]:
            return [
                {str(k): None if isinstance(v, float) and np.isnan(v) else v for k, v in row.items()}
                for row in table.to_dict("records")
            ]

        return {
            "gears": records(self.table),
            "corners": records(self.corners),
            "straights": records(self.straights),
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
    ratio = _ratio_of(columns, source, min_speed, min_engine_speed)
    if not np.isfinite(ratio).any():
        raise ColumnError(
            f"{source}: engine_speed never rises above {from_si(min_engine_speed, 'rpm', 'angular rate'):.0f} rpm while the car is "
            f"faster than {min_speed:g} m/s; check its unit (units={{'engine_speed': 'rpm'}})."
        )
    clusters = find_clusters(columns["time"], ratio)
    found = labels_of(ratio, clusters)
    driving = np.isfinite(ratio)
    along = _along(np.log(ratio), np.log(np.where(driving, columns["speed"], np.nan)), found, len(clusters.centres))
    inside = float(np.isin(found[driving], np.flatnonzero(along)).mean())
    if inside < follows:
        raise ColumnError(
            f"{source}: engine_speed does not follow the road speed in any set of gears: only {inside:.0%} of the driving lies in one "
            f"({follows:.0%} are asked for). A slipping clutch, a gearbox without steps, a sensor at fault or a wrong speed does that."
        )
    notes: list[str] = []
    numbers, numbered_by, agreement = _numbers(columns, clusters, found, said.ratios, notes)
    table = _per_gear(columns, ratio, found, clusters, session.full_throttle)
    table.insert(0, "gear", numbers)
    _told_apart(table, said, numbered_by, notes)
    frames = usable_laps(session, max_laps=max_laps)
    shell = Gearing(table, pd.DataFrame(), pd.DataFrame(), numbered_by, agreement, clusters, session.speed_unit, ())
    in_gear = [shell.gear(frame).to_numpy() for frame in frames]
    table["time_share"], table["lap_share"] = _shares(frames, in_gear, numbers)
    if not frames:
        notes.append("There is no complete lap, so nothing is said of shares, corners and straights.")
    clean = {int(n) for n in session.laps.loc[session.clean, "lap"]}
    kept = [(f, g) for f, g in zip(frames, in_gear, strict=True) if f.attrs["lap"] in clean] or list(
        zip(frames, in_gear, strict=True)
    )
    at_corners, at_straights = _round_the_lap(kept, session.track.corners if kept else None)
    table = table[GEAR_COLUMNS]
    return Gearing(
        table, at_corners, at_straights, numbered_by, agreement, clusters, session.speed_unit, tuple(notes)
    )  # fmt: skip


@dataclass(frozen=True)
class GivenGears:
    """What is known of the drive beforehand; None where it is not."""

    ratios: list[float] | None
    final_drive: float | None
    circumference: float | None


def given_gears(
    ratios: Sequence[float] | None, final_drive: float | None, circumference: float | None, sheet: Sheet | None
) -> GivenGears:
    """Put together what is said of the drive and what a setup sheet says; LapkitError where it cannot be."""
    settings = sheet.settings if sheet is not None else {}
    known = settings.get("gear_ratios") if ratios is None else [float(v) for v in ratios]
    drive = settings.get("final_drive") if final_drive is None else final_drive
    round_ = settings.get("tyre_circumference") if circumference is None else circumference
    faults = []
    for name, values in (("ratios", known or []), ("final_drive", [drive]), ("circumference", [round_])):
        if any(v is not None and not (np.isfinite(v) and v > 0) for v in values):
            faults.append(f"{name} must be above zero, not {values if name == 'ratios' else values[0]}")
    if not faults and known and (np.diff(known) >= 0).any():
        faults.append(f"ratios fall from first to top gear, and {', '.join(f'{v:g}' for v in known)} do not")
    if round_ is not None and not faults and not 0.5 <= round_ <= 4.0:
        faults.append(f"a tyre {round_:g} m round is none; give metres, such as 2.05")
    if faults:
        raise LapkitError(f"{'; '.join(faults)}.")
    return GivenGears(list(known) if known else None, drive, round_)


def _ratio_of(
    columns: dict[str, FloatArray], where: str, min_speed: float = MIN_SPEED, min_engine_speed: float = MIN_ENGINE_SPEED
) -> FloatArray:
    """Engine speed over road speed, rad/m; NaN where either is missing or too slow."""
    missing = [name for name in ("engine_speed", "speed") if name not in columns]
    if missing:
        raise ColumnError(
            f"{where}: gears need the channels engine_speed and speed, and there is no {' and no '.join(missing)}. "
            "If the file has it under another name, load it with columns={'engine_speed': 'its header'}."
        )
    turning, speed = columns["engine_speed"], columns["speed"]
    with np.errstate(invalid="ignore"):
        driving = (speed > min_speed) & (turning > min_engine_speed)
    return np.asarray(np.divide(turning, speed, out=np.full(len(speed), np.nan), where=driving))


def _along(log: FloatArray, log_speed: FloatArray, found: np.ndarray, count: int) -> np.ndarray:
    """Whether engine speed rises in step with road speed within each crowd: one that stands still may crowd as well."""
    out = np.ones(count, dtype=bool)
    for k in range(count):
        speed, rate = log_speed[found == k], log[found == k]
        if speed.size > 2 and speed.std() > LEAST_SPREAD:
            out[k] = np.cov(speed, rate)[0, 1] / speed.var() > IN_STEP - 1.0
    return out


def _numbers(
    columns: dict[str, FloatArray],
    clusters: Clusters,
    found: np.ndarray,
    ratios: list[float] | None,
    notes: list[str],
) -> tuple[list[int], str, float]:
    """Number of each gear found, by what, and how far a gear channel agrees."""
    count = len(clusters.centres)
    order = list(range(1, count + 1))
    channel = columns.get("gear")
    if channel is not None and np.isfinite(channel[found >= 0]).any():
        said = [channel[(found == k) & (channel > 0)] for k in range(count)]
        numbers = [int(np.bincount(s.astype(int)).argmax()) if s.size else 0 for s in said]
        seen = (found >= 0) & clusters.steady & np.isfinite(channel)
        agreement = float((np.array(numbers)[found[seen]] == channel[seen]).mean()) if seen.any() else np.nan
        if len(set(numbers)) == count and 0 not in numbers and numbers == sorted(numbers):
            if agreement < AGREES:
                notes.append(
                    f"The gear channel agrees with engine speed and road speed only {agreement:.0%} of the time."
                )
            return numbers, "gear channel", agreement
        notes.append(
            "The gear channel does not fit the gears that engine speed and road speed show "
            f"({', '.join(map(str, numbers))} from the lowest up); it is not used."
        )
    else:
        agreement = np.nan
    if ratios is not None and len(ratios) >= count:
        picks = _fitting(clusters.centres, np.log(ratios))
        if picks is not None:
            if count == 1:
                notes.append("One gear is seen and several ratios are given: it is taken for the top gear.")
            return picks, "ratios given", agreement
        notes.append(
            "The steps between the gears seen do not fit the ratios given; gears are numbered in order instead."
        )
    if channel is None:
        notes.append("There is no gear channel: gears are numbered from the lowest that was used.")
    return order, "order", agreement


def _fitting(centres: FloatArray, given: FloatArray, *, most: float = 0.015) -> list[int] | None:
    """Which of the given ratios the gears seen are: the ordered choice whose steps fit best; None above `most` (share, rms)."""
    from itertools import combinations

    if len(centres) == 1:
        return [len(given)]
    choices = list(combinations(range(len(given)), len(centres)))
    misfit = [float(np.std(centres - given[list(c)])) for c in choices]
    best = int(np.argmin(misfit))
    return [k + 1 for k in choices[best]] if misfit[best] <= most else None


def _per_gear(
    columns: dict[str, FloatArray],
    ratio: FloatArray,
    found: np.ndarray,
    clusters: Clusters,
    full_throttle: float | None,
) -> pd.DataFrame:
    """Engine speed per road speed and slip of each gear, from steady samples."""
    blank = np.full(len(ratio), np.nan)
    full = full_throttle or np.nanmax(columns.get("throttle", np.ones(1)))
    throttle = columns.get("throttle", blank) / full
    brake = columns.get("brake", np.zeros(len(ratio)))
    loose, pulling = (throttle <= 0.3) & ~(brake > 0.05), throttle >= 0.95
    log, block = np.log(ratio), np.floor(columns["time"] / 0.5)

    def middles(which: np.ndarray, fewest: int = 15) -> tuple[FloatArray, FloatArray]:
        own = [(found == k) & clusters.steady & which for k in range(len(clusters.centres))]
        values = np.array([_middle(log[o], block[o], fewest=fewest) for o in own])
        return values[:, 0], values[:, 1]

    (free, free_sigma), (drive, drive_sigma) = middles(loose), middles(pulling)
    slip, slip_sigma = drive - free, np.hypot(free_sigma, drive_sigma)
    if np.isfinite(slip).any():  # of a gear that is only ever pulled in, the others tell what its wheels slip
        usual = float(np.nanmedian(slip))
        doubt = 0.5 * abs(usual) + 0.0005
        unseen = np.isnan(free) & np.isfinite(drive)
        free = np.where(unseen, drive - usual, free)
        free_sigma = np.where(unseen, np.hypot(drive_sigma, doubt), free_sigma)
        slip, slip_sigma = np.where(unseen, usual, slip), np.where(unseen, doubt, slip_sigma)
    anything, anything_sigma = middles(np.ones(len(ratio), dtype=bool), 1)
    free_sigma = np.where(np.isnan(free), np.hypot(anything_sigma, SLIP_UNKNOWN), free_sigma)
    rate = np.exp(np.where(np.isnan(free), anything, free))
    return pd.DataFrame(
        {
            "engine_per_road_speed": rate,
            "engine_per_road_speed_uncertainty": rate * free_sigma,
            "metres_per_revolution": 2.0 * np.pi / rate,
            "metres_per_revolution_uncertainty": 2.0 * np.pi / rate * free_sigma,
            "slip": np.expm1(slip),
            "slip_uncertainty": slip_sigma,
        }
    )


def _middle(log: FloatArray, block: FloatArray, *, fewest: int = 15) -> tuple[float, float]:
    """Median, and its standard uncertainty from how half seconds of driving differ; NaN of fewer than `fewest` samples."""
    if log.size < fewest:
        return np.nan, np.nan
    middle = float(np.median(log))
    _, which, count = np.unique(block, return_inverse=True, return_counts=True)
    mean = np.bincount(which, weights=log) / count
    spread = 1.4826 * float(np.median(np.abs(mean - middle)))
    single = 1.4826 * float(np.median(np.abs(log - middle)))
    return middle, 1.2533 * max(spread / np.sqrt(count.size), single / np.sqrt(log.size))


def _told_apart(table: pd.DataFrame, said: GivenGears, numbered_by: str, notes: list[str]) -> None:
    """Add overall ratio, gear ratio and circumference as far as they follow, and say what does not."""
    rate, sigma = (table[c].to_numpy() for c in ("engine_per_road_speed", "engine_per_road_speed_uncertainty"))
    share = sigma / rate
    nothing = np.full(len(table), np.nan)
    own = nothing.copy()
    if said.ratios is not None and numbered_by != "order":
        numbers = table["gear"].to_numpy()
        fits = (numbers >= 1) & (numbers <= len(said.ratios))
        own[fits] = np.array(said.ratios)[numbers[fits] - 1]
    if said.circumference is not None and said.ratios is None and said.final_drive is None:
        notes.append(
            "The overall ratio follows from the circumference given; how it divides into gear and final drive cannot be told."
        )
    overall = own * said.final_drive if said.final_drive is not None else nothing
    overall_sigma, round_, round_sigma = np.where(np.isnan(overall), np.nan, 0.0), nothing.copy(), nothing.copy()
    if said.circumference is not None:
        read = rate * said.circumference / (2.0 * np.pi)
        if np.isfinite(overall).any():
            off = float(np.nanmedian(overall / read)) - 1.0
            notes.append(
                f"Ratios, final drive and circumference are all given; engine speed and road speed have the overall ratio "
                f"{abs(off):.1%} {'lower' if off > 0 else 'higher'}. Tyre slip, wear, pressure or the speed sensor's scale do that; "
                "which of them cannot be told."
            )
        overall, overall_sigma = read, read * share
        round_, round_sigma = np.full(len(table), said.circumference), np.zeros(len(table))
        if said.ratios is None and said.final_drive is not None:
            own = overall / said.final_drive
    elif np.isfinite(overall).any():
        round_ = 2.0 * np.pi * overall / rate
        round_sigma = round_ * share
        notes.append(
            "The circumference follows from the ratios given and the scale of the speed; a fault of that scale is in it."
        )
    else:
        notes.append(
            "Engine speed and road speed give only the overall ratio divided by the tyre's circumference: gear, final drive and tyre "
            "cannot be told apart. Give circumference=, or ratios= and final_drive=, or a setup sheet with them."
        )
    table["gear_ratio"], table["overall_ratio"], table["overall_ratio_uncertainty"] = own, overall, overall_sigma
    table["tyre_circumference"], table["tyre_circumference_uncertainty"] = round_, round_sigma


def _shares(frames: list[pd.DataFrame], in_gear: list[FloatArray], numbers: list[int]) -> tuple[FloatArray, FloatArray]:
    """Share of the laps' time and metres in each gear."""
    if not frames:
        return np.full(len(numbers), np.nan), np.full(len(numbers), np.nan)
    seconds, metres, total = np.zeros(len(numbers)), np.zeros(len(numbers)), np.zeros(2)
    for frame, gear in zip(frames, in_gear, strict=True):
        columns = columns_of(frame)
        taken, way = np.nan_to_num(np.diff(columns["time"])), np.diff(frame.index.to_numpy(np.float64))
        total += taken.sum(), way.sum()
        for k, number in enumerate(numbers):
            own = gear[:-1] == number
            seconds[k] += taken[own].sum()
            metres[k] += way[own].sum()
    return seconds / total[0], metres / total[1]


def _round_the_lap(
    laps: list[tuple[pd.DataFrame, FloatArray]], known: pd.DataFrame | None
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Engine speed and gear at the lowest point of each corner and at the end of each straight, over the laps."""
    low: list[dict[str, Any]] = []
    high: list[dict[str, Any]] = []
    for frame, gear in laps:
        columns = columns_of(frame)
        ratio = np.where(np.isnan(gear), np.nan, _ratio_of(columns, "lap"))
        place, step = frame.index.to_numpy(np.float64), float(frame.attrs["step"])
        speed = smooth(columns["speed"], 5.0 / step)
        length = float(frame.attrs["track_length"])
        bends = corners(frame) if known is not None and len(known) else pd.DataFrame()
        rows = bends.to_dict("records")
        for row in rows:
            near = np.abs(place - row["min_speed_distance"]) <= AROUND_LOWEST
            low.append(_at(row["corner"], near, ratio, gear, float(row["min_speed"]), float(row["min_speed_distance"])))
        if not rows:  # one straight all round
            rows = [{"corner": "", "min_speed_distance": np.nan, "start_distance": length, "end_distance": 0.0}]
        for before, after in zip([rows[-1], *rows[:-1]], rows, strict=True):
            a, b = before["min_speed_distance"], after["min_speed_distance"]
            inside = (place >= a) & (place < b) if a < b else ~((place >= b) & (place < a))
            inside &= np.isfinite(speed)
            if not inside.any():
                continue
            top = int(np.flatnonzero(inside)[np.argmax(speed[inside])])
            near = (place <= place[top]) & (place >= place[top] - BEFORE_LIFT)
            entry = _at(after["corner"], near, ratio, gear, float(speed[top]), float(place[top]))
            gap = (after["start_distance"] - before["end_distance"]) % length
            touching = (
                gap > length - (after["end_distance"] - after["start_distance"]) % length
            )  # no straight between them
            entry["straight_length"] = length if after["corner"] == "" else 0.0 if touching else gap
            high.append(entry)
    lowest, highest = _over_laps(low, "lowest_engine_speed", "min"), _over_laps(high, "highest_engine_speed", "max")
    lowest = lowest.rename(columns={"there": "min_speed_distance", "speed": "min_speed"})
    highest = highest.rename(columns={"there": "top_speed_distance", "speed": "top_speed"})
    return lowest.reindex(columns=CORNER_COLUMNS), highest.reindex(columns=STRAIGHT_COLUMNS)


def _at(
    corner: str, near: np.ndarray, ratio: FloatArray, gear: FloatArray, speed: float, there: float
) -> dict[str, Any]:
    """One lap's reading: the ratio around a place times the speed there, in the gear that is mostly engaged."""
    engaged = gear[near & np.isfinite(gear)]
    if not engaged.size:
        return {"corner": corner, "there": there, "speed": speed, "gear": np.nan, "engine_speed": np.nan}
    number = float(np.median(engaged))
    own = near & (gear == number)
    number = number if own.any() else float(engaged[-1])
    rate = float(np.median(ratio[near & (gear == number)]))
    return {"corner": corner, "there": there, "speed": speed, "gear": number, "engine_speed": rate * speed}


def _over_laps(rows: list[dict[str, Any]], extreme: str, how: str) -> pd.DataFrame:
    """Mean over the laps, by corner in driving order; the gear of most laps."""
    if not rows:
        return pd.DataFrame()
    table = pd.DataFrame(rows)
    usual = table.groupby("corner", sort=False)["gear"].agg(
        lambda gear: gear.mode().iloc[0] if gear.notna().any() else np.nan
    )
    extremes = table.groupby("corner", sort=False)["engine_speed"].agg(how)
    table = table[table["gear"].eq(table["corner"].map(usual)) | table["corner"].map(usual).isna()]
    groups = table.groupby("corner", sort=False)
    out = groups.mean(numeric_only=True)
    count = groups["engine_speed"].count()
    spread = groups["engine_speed"].std().fillna(out["engine_speed"] * SLIP_UNKNOWN)
    out["engine_speed_uncertainty"] = np.hypot(spread / np.sqrt(count.clip(lower=1)), 1e-4 * out["engine_speed"])
    out[extreme] = extremes
    out["laps"] = groups.size()
    return out.reset_index()


_SIZE = re.compile(
    r"^\s*[A-Za-z]*\s*(\d{2,3})\s*/\s*(\d{2,3})\s*[- ]?\s*[A-Za-z]*\s*[- ]?\s*(\d{1,2}(?:\.\d)?)\b", re.ASCII
)


def tyre_diameter(size: str) -> float:
    """Diameter of a tyre from its metric size, as the size's definition has it.

    Parameters
    ----------
    size : str
        Section width (mm) / height of the side wall (percent of the width), rim (inches): "315/85-16", "205/55 R16".

    Returns
    -------
    float
        Diameter, m, of a new tyre without load.

    Raises
    ------
    LapkitError
        If the text is no such size.

    Notes
    -----
    A tyre rolls less far in a turn than pi times this: its rolling circumference is about 3.05 diameters (ETRTO's rule for
    radial tyres, from memory), 3 % less, and depends on load, pressure, wear and speed. Measure it, or read it with `gears`.

    Examples
    --------
    >>> round(tyre_diameter("205/55 R16") * 1000, 1)
    631.9
    """
    match = _SIZE.match(size)
    if match is None:
        raise LapkitError(
            f"'{size}' is no metric tyre size; write section width in mm, side wall in percent, rim in inches: '205/55 R16'."
        )
    width, share, rim = (float(part) for part in match.groups())
    if not (100 <= width <= 500 and 20 <= share <= 100 and 8 <= rim <= 26):
        raise LapkitError(
            f"'{size}': a width of {width:g} mm, a side wall of {share:g} % and a rim of {rim:g} in make no tyre; "
            "such as '205/55 R16' is expected."
        )
    return 2.0 * share / 100.0 * width / 1000.0 + to_si(rim, "in", "length")


def road_speed(engine_speed: float, overall_ratio: float, circumference: float) -> float:
    """Road speed from engine speed, without slip.

    Parameters
    ----------
    engine_speed : float
        rad/s.
    overall_ratio : float
        Gear ratio times final drive.
    circumference : float
        Of the driven tyre, m.

    Returns
    -------
    float
        m/s.

    Examples
    --------
    >>> round(road_speed(600.0, 6.0, 2.0), 3)
    31.831
    """
    if not (overall_ratio > 0 and circumference > 0):
        raise FrameError("overall_ratio and circumference must be above zero.")
    return engine_speed * circumference / (2.0 * np.pi * overall_ratio)
