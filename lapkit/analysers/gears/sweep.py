"""Which gear: a lap driven again with other final drives and top gears, at the same pedals by place.

What the model does not explain of the lap stays as it was, place by place, so that the gears it was driven with give the lap
itself; only the difference is the model's. Power hangs on engine speed as the laps show it (`engine_power`); beyond the engine
speeds seen it is carried on a little, with a doubt that grows, and further out nothing is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from lapkit.analysers.gears.drive_again import Course, Variants
from lapkit.analysers.gears.engine_power import EngineModel, engine_model, engine_rate
from lapkit.analysers.gears.gearing import CAUTION, MAX_LAPS, Gearing, gears
from lapkit.analysers.gears.launch import launches
from lapkit.analysers.gears.places import round_the_lap
from lapkit.analysers.gears.shifts import changing_spread
from lapkit.analysers.gears.table import GivenGears, given_gears, rpm
from lapkit.analysers.ledger.energy import LongitudinalModel, longitudinal_model, usable_laps
from lapkit.analysers.ledger.pair import Pair
from lapkit.channels import FloatArray
from lapkit.errors import LapError, LapkitError

if TYPE_CHECKING:
    from lapkit.model.session import Session
    from lapkit.model.setup.sheet import Sheet

LIMITER = 3.0
"""rad/s. Engine speed over which the limiter takes power away (chosen; limiters differ)."""
BEYOND = 0.10
"""Share beyond the engine speeds seen at open throttle up to which power is carried on (chosen)."""
RESTART_GEARS = (3, 4)
"""Usable gears compared on a restart, counted from the top (common practice, no source)."""
SHIFT_TIME = 0.06
"""s of drive lost in an upshift (chosen: a throttle cut of a tenth of a second, its ramps counted half)."""

SWEEP_COLUMNS = [
    "final_drive", "top_gear", "overall_ratio", "ratio_change", "engine_per_road_speed", "limit_reached", "limit_distance",
    "limiter_time", "engine_speed", "engine_speed_uncertainty", "free_engine_speed", "free_engine_speed_uncertainty",
    "lap_time", "lap_time_uncertainty", "lap_time_difference", "lap_time_difference_uncertainty", "speed_at_line",
    "speed_at_line_uncertainty", "shift_drop", "shift_drop_uncertainty", "restart_time", "restart_time_uncertainty",
    "restart_time_lost", "restart_time_lost_uncertainty", "nearest",
]  # fmt: skip
_DRIVEN = (
    "lap_time", "speed_at_line", "engine_speed", "free_engine_speed", "limit_distance", "limiter_time", "restart_time",
)  # fmt: skip


def gear_sweep(
    session: Session,
    *,
    final_drives: Sequence[float],
    top_gears: Sequence[float] | None = None,
    rev_limit: float | None = None,
    model: LongitudinalModel | None = None,
    sheet: Sheet | None = None,
    ratios: Sequence[float] | None = None,
    final_drive: float | None = None,
    circumference: float | None = None,
    lap: int | None = None,
    restart_speed: float | None = None,
    restart_distance: float | None = None,
    restart_gears: tuple[int, int] = RESTART_GEARS,
    shift_time: float = SHIFT_TIME,
    limiter: float = LIMITER,
    beyond: float = BEYOND,
    brake_answers: bool = True,
) -> pd.DataFrame:
    """Drive a lap again over a range of final drives and top gears.

    Parameters
    ----------
    session : Session
        With engine_speed and throttle.
    final_drives : sequence of float
        Final drives to try.
    top_gears : sequence of float, optional
        Ratios of the top gear to try, with each final drive; the car's own by default.
    rev_limit : float, optional
        The engine builder's limit, rad/s; from the sheet by default.
    model : LongitudinalModel, optional
        The car, from ``longitudinal_model(session)``.
    sheet : Sheet, optional
        Setup sheet of the recording: gear_ratios, final_drive, tyre_circumference, rev_limit. What is given here goes first.
    ratios, final_drive, circumference : optional
        What was in the car: ratios first to top, final drive, rolling circumference (m).
    lap : int, optional
        Lap driven again; the best by default.
    restart_speed : float, optional
        Road speed a restart begins at, m/s; without it nothing is said of restarts.
    restart_distance : float, optional
        Metres of a restart; the longest straight by default.
    restart_gears : (int, int)
        Usable gears compared, from the top: fewer and more.
    shift_time : float
        Drive lost in each upshift, s.
    limiter : float
        Engine speed over which the limiter takes power to zero, rad/s.
    beyond : float
        Share beyond the engine speeds seen up to which power is carried on.
    brake_answers : bool
        Whether the driver is taken to brake down to the same speed for a corner, arriving faster or slower.

    Returns
    -------
    DataFrame
        One row a pair of final drive and top gear:

        final_drive, top_gear (NaN where not known), overall_ratio (top gear times final drive), ratio_change (share, against
        the gears of the recording), engine_per_road_speed (top gear, rad/m);
        limit_reached, limit_distance (first place where the limit is met, m), limiter_time (s on it);
        engine_speed at the end of the longest straight (rad/s), free_engine_speed there if nothing limited it;
        lap_time, lap_time_difference (against the recording, s), speed_at_line (m/s);
        shift_drop, the fall of engine speed in the shift into top at the limit (rad/s; ``attrs["shifts"]`` has every shift);
        restart_time over the restart with the more gears and restart_time_lost with the fewer (s, level road, full throttle);
        nearest, true for the row that comes nearest to the limit at the end of the longest straight and goes past it nowhere;
        true for none where all go past it.
        One standard uncertainty beside each. NaN where engine speeds, limited or not, lie too far outside those seen;
        ``attrs["notes"]`` says so, ``attrs["caution"]`` is to be shown with every choice. ``attrs["meeting"]`` is the final_drive
        that would just meet the limit there (or wherever the car is faster still) with the top gear in the car, its uncertainty
        and overall_ratio, whichever were asked for; None where it cannot be said.

    Raises
    ------
    ColumnError
        If there is no engine speed, or it does not follow road speed.
    LapkitError
        If the model of the car does not fit, the rev limit or the final drive of the recording is not known.

    Notes
    -----
    A flying lap, after the recorded lap before it driven with the same gears (itself where there is none). Pedals stay at their
    places, gears are changed at the engine speeds they were changed at (`shifts`); where a gear would pass the limit the next one
    up is taken, if there is one. The uncertainty of the lap time holds the fit of the engine's power and how it goes on beyond the
    engine speeds seen, gear changes as much sooner or later as they differ from lap to lap, and whether the driver takes a
    difference of speed back on the brake or not. The ideal gear meets the rev limit at the end of the
    longest straight (common practice, no source); the lap time says what that is worth here.

    Examples
    --------
    >>> import lapkit
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> table = gear_sweep(session, final_drives=[2.95, 3.0, 3.05], final_drive=3.0, rev_limit=640.0)
    >>> table["engine_speed"].is_monotonic_increasing, bool(abs(table["lap_time_difference"].iloc[1]) < 1e-9)
    (True, True)
    """
    said = given_gears(ratios, final_drive, circumference, sheet)
    limit = _limit(rev_limit, sheet)
    found = gears(session, ratios=said.ratios, final_drive=said.final_drive, circumference=said.circumference)
    drive_now, top_now = _now(said, found)
    drives = _asked("final_drives", final_drives)
    tops = [top_now] if top_gears is None else _asked("top_gears", top_gears)
    if top_gears is not None and not np.isfinite(top_now):
        raise LapkitError(
            "Other top gears need the one in the recording: give the ratios of its gears, or a sheet with gear_ratios."
        )
    model = longitudinal_model(session) if model is None else model
    if not model.ok:
        raise LapkitError(f"There is no gear sweep without a model of the car that fits: {model.reason}.")
    frames = usable_laps(session, max_laps=MAX_LAPS)
    if not frames:
        source = session.recording.provenance.source
        raise LapError(f"{source}: no complete lap, so none can be driven again with other gears.")
    engine = engine_model(frames, found, model, rev_limit=limit)
    frame = session.best() if lap is None else session.lap(lap)
    number = int(frame.attrs["lap"])

    every, highest = _all_rates(found, said)
    rates = {n: every[n] for n in found.table["gear"].to_numpy(np.float64).tolist()}
    read = {int(f.attrs["lap"]): engine_rate(f, found, float(model.knots[-1])) for f in [*frames, frame]}
    place = max((f.index.to_numpy(np.float64) for f in frames), key=len)
    spread = changing_spread(place, [(read[f.attrs["lap"]][0], f["speed"].to_numpy(np.float64)) for f in frames])
    lead = next((f for f in frames if f.attrs["lap"] == number - 1), frame)
    before, course = (Course.of(Pair.of([f, f]), *read[f.attrs["lap"]], rates, highest, engine) for f in (lead, frame))
    as_driven = course.recorded(engine.throttle_knots[-1])
    whole, now, scale = float(frame.attrs["track_length"]), np.nan, 1.0
    begin, end, length = 0.0, whole, 0.25 * whole
    if (straight := found.longest_straight) is not None:
        length, now = float(straight["straight_length"]), float(straight["engine_speed"])
        begin, end = straight["top_speed_distance"] + np.array([-0.5, 0.25]) * length
        own = round_the_lap([(frame, read[number][0])], session.track.corners)[1]
        here = own.loc[own["corner"] == straight["corner"], "engine_speed"]
        if here.notna().any():  # the lap as driven reads as in the table of straights
            scale = float(here.iloc[0] / as_driven.at_top(begin, end)[0])

    # what was asked for first, then ratios round the one that should meet the limit
    rows = [(d, t) for d in drives for t in tops]
    probes = _probes(limit / now - 1.0, beyond)
    factor = np.array([d / drive_now for d, _ in rows])  # of every gear
    top_factor = factor * np.array([t / top_now if np.isfinite(top_now) else 1.0 for _, t in rows])
    laid = (limit, limiter, spread, brake_answers)
    variants = Variants.of(engine, np.append(factor, probes), np.append(top_factor, probes), *laid)
    freely = course.drive(replace(variants, limit=np.inf), before)
    # Where the limit is met nowhere, neither in the recording, the lap without a limit is the same lap.
    limited = any((driven.turning >= limit - limiter).any() for driven in (freely, as_driven))
    result = course.drive(variants, before) if limited else freely
    asked, (low, high) = slice(len(rows)), engine.seen
    far, far_freely = (
        variants.centre(driven.outside((1.0 - beyond) * low, (1.0 + beyond) * high)) for driven in (result, freely)
    )
    empty, probed = (far | far_freely)[asked], len(rows) + np.flatnonzero(~far_freely[len(rows) :])

    table = pd.DataFrame(rows, columns=["final_drive", "top_gear"])

    def put(name: str, values: FloatArray, base: float = 0.0, sigma: FloatArray | float = 0.0) -> None:
        """What the rows asked for make of `base`, by `values` of the variants; `sigma` is what else is not sure."""
        mean, spread = variants.over_rows(values)
        table[name] = base + mean[asked]
        table[name + "_uncertainty"] = np.hypot(spread, sigma)[asked]

    table["overall_ratio"] = table["final_drive"] * table["top_gear"]
    if not np.isfinite(top_now) and said.circumference is not None:
        table["overall_ratio"] = float(found.table["overall_ratio"].iloc[-1]) * top_factor
    table["ratio_change"] = top_factor - 1.0
    table["engine_per_road_speed"] = rates.get(highest, np.nan) * top_factor
    table["limit_distance"], table["limiter_time"] = (variants.centre(v)[asked] for v in result.at_limit(limit))
    table["limit_reached"] = table["limit_distance"].notna()
    # an engine speed is no surer than the ratio and the lap's own speed
    doubt = float((found.table["engine_per_road_speed_uncertainty"] / found.table["engine_per_road_speed"]).max())
    for name, driven in (("engine_speed", result), ("free_engine_speed", freely)):
        peak = scale * driven.at_top(begin, end)
        put(name, peak, sigma=doubt * variants.centre(peak))
    # the ratio that just meets the limit: there or, if the car is faster elsewhere, there
    fastest, sure = variants.over_rows(np.fmax(peak, scale * freely.at_top(0.0, whole)))
    meeting = _meeting(limit, probes[probed - len(rows)], fastest[probed], np.hypot(sure, doubt * fastest)[probed])
    change = result.time.sum(axis=0) - as_driven.time.sum()
    put("lap_time_difference", change)
    put("lap_time", change, float(frame.attrs["lap_time"]), float(frame.attrs.get("lap_time_uncertainty") or 0.0))
    put("speed_at_line", result.speed[-1] - as_driven.speed[-1], float(frame.attrs["speed_at_line"]))
    shifts = _shift_drops(found, every, limit, factor, top_factor, highest)
    notes = [*found.notes]
    used_unseen = result.outside(0.995 * low, 1.005 * high).reshape(variants.rows, -1)[asked].any()
    _say_unseen(
        notes, engine, beyond, carried_on=bool(used_unseen), empty=bool(empty.any()), other=bool((top_factor != 1.0).any()),
        changed=any(np.ptp(gear) > 0 for gear, _ in read.values()),
    )  # fmt: skip
    restarts = launches(
        Variants.of(engine, factor, top_factor, *laid), every, highest, notes, speed=restart_speed, distance=restart_distance or length, gears=restart_gears,
        shift_time=shift_time, beyond=beyond,
    )  # fmt: skip
    for name in ("shift_drop", "shift_drop_uncertainty"):
        table[name] = [s[-1][name] if s else np.nan for s in shifts]
    for name, (values, sigma) in restarts.items():
        table[name], table[name + "_uncertainty"] = values, sigma
    driven_columns = [name for name in table if str(name).startswith(_DRIVEN)]
    table.loc[empty, driven_columns] = np.nan
    below = table["free_engine_speed"].where((table["free_engine_speed"] <= limit) & ~table["limit_reached"])
    table["nearest"] = below == below.max()
    table = table[SWEEP_COLUMNS]
    known = np.isfinite(top_now)
    table.attrs = {
        "lap": number,
        "rev_limit": limit,
        "meeting": None,
        "seen": [low, high],
        "shifts": [
            {"final_drive": d, "top_gear": t if known else None, "drops": s}
            for (d, t), s in zip(rows, shifts, strict=True)
        ],
        "notes": notes,
        "caution": CAUTION,
    }
    if meeting:
        final, final_sigma = (drive_now * value for value in meeting)
        overall = final * top_now if known else None
        table.attrs["meeting"] = {
            "final_drive": final,
            "final_drive_uncertainty": final_sigma,
            "overall_ratio": overall,
        }
    return table


def _probes(change: float, beyond: float) -> FloatArray:
    """Ratios to drive, against that of the recording, round the one that should meet the limit, which is `change` shorter."""
    reach = np.clip(np.nan_to_num(abs(change)), 0.02, beyond / 1.75)
    return np.asarray(1.0 + np.copysign(reach, np.nan_to_num(change)) * np.array([-0.25, 0.25, 0.75, 1.25, 1.75]))


def _meeting(limit: float, ratio: FloatArray, turning: FloatArray, sigma: FloatArray) -> tuple[float, float] | None:
    """Ratio, against that of the recording, at which the engine would just meet the limit, and its standard uncertainty."""
    order = np.argsort(ratio)
    n, f, spread = np.log(turning[order]), np.log(ratio[order]), (sigma / turning)[order]
    if len(n) < 2 or not (np.diff(n) > 0).all() or not n[0] <= np.log(limit) <= n[-1]:
        return None
    at = float(np.exp(np.interp(np.log(limit), n, f)))
    k = min(int(np.searchsorted(n, np.log(limit), "right")), len(n) - 1)
    return at, at * float(np.interp(np.log(limit), n, spread) * (f[k] - f[k - 1]) / (n[k] - n[k - 1]))


def _limit(rev_limit: float | None, sheet: Sheet | None) -> float:
    known = rev_limit if rev_limit is not None else (sheet.settings.get("rev_limit") if sheet is not None else None)
    if known is None:
        raise LapkitError(
            "The engine builder's limit is not known: give rev_limit in rad/s (rpm times pi / 30), or a sheet that holds it."
        )
    if not (np.isfinite(known) and 100.0 <= known <= 2500.0):
        raise LapkitError(f"A limit of {rpm(known):.0f} rpm ({known:g} rad/s) is no limit of an engine; "
                          "from Python it is given in rad/s: rpm times pi / 30.")  # fmt: skip
    return float(known)


def _asked(name: str, values: Sequence[float]) -> list[float]:
    out = [float(v) for v in np.atleast_1d(np.asarray(values, dtype=np.float64))]
    if not out or not all(np.isfinite(v) and v > 0 for v in out):
        raise LapkitError(f"{name} must hold at least one ratio, each above zero; such as 2.95, 3.0 and 3.05.")
    return out


def _now(said: GivenGears, found: Gearing) -> tuple[float, float]:
    """Final drive and top gear that the recording was made with; the top gear NaN where it is not known."""
    top = said.ratios[-1] if said.ratios is not None else np.nan
    if said.final_drive is not None:
        return said.final_drive, top
    row = found.table.iloc[-1]
    overall = float(row["overall_ratio"])
    if np.isfinite(overall) and np.isfinite(row["gear_ratio"]):
        return overall / float(row["gear_ratio"]), top
    if said.ratios is not None and said.circumference is not None:
        return overall / top, top
    raise LapkitError(
        "The final drive that the recording was made with is not known, so no other can be compared with it: give it, a "
        "sheet that holds it, or the ratios of the gears with the tyre's circumference."
    )


def _all_rates(found: Gearing, said: GivenGears) -> tuple[dict[float, float], float]:
    """Engine speed per road speed of every gear at full throttle, as found, else from the ratios given; and the top gear."""
    numbers = found.table["gear"].to_numpy(np.float64)
    rates = dict(zip(numbers.tolist(), found.per_road_speed(numbers, 1.0).tolist(), strict=True))
    highest = float(numbers[-1])
    if said.ratios is not None and found.numbered_by != "order":
        for k, ratio in enumerate(said.ratios):
            rates.setdefault(k + 1.0, rates[highest] * ratio / said.ratios[int(highest) - 1])
        highest = float(len(said.ratios))
    return dict(sorted(rates.items())), highest


def _shift_drops(
    found: Gearing, rates: dict[float, float], limit: float, factor: FloatArray, top_factor: FloatArray, highest: float
) -> list[list[dict[str, float]]]:
    """For each row of the sweep the fall of engine speed in every upshift made at the limit, rad/s."""
    table = found.table.set_index("gear")
    share = (table["engine_per_road_speed_uncertainty"] / table["engine_per_road_speed"]).fillna(0.0)

    def drop(a: float, b: float, change: float) -> dict[str, float]:
        kept, doubt = limit * rates[b] / rates[a] * change, np.hypot(share.get(a, 0.0), share.get(b, 0.0))
        return {"from_gear": a, "to_gear": b, "shift_drop": limit - kept, "shift_drop_uncertainty": float(kept * doubt)}

    return [
        [drop(a, b, own if b == highest else 1.0) for a, b in pairwise(rates)] for own in (top_factor / factor).tolist()
    ]


def _say_unseen(
    notes: list[str], engine: EngineModel, beyond: float, *, carried_on: bool, empty: bool, other: bool, changed: bool
) -> None:
    """Say what the recording did not show: engine speeds, height, and with other gears gear changes."""
    seen = "the {:.0f} to {:.0f} rpm seen at open throttle".format(*map(rpm, engine.seen))
    if carried_on:
        notes.append(
            f"Some rows use engine speeds outside {seen}: how power goes on there was not seen. It is carried on as the curve ends, with "
            "its doubt counted in."
        )
    if empty:
        notes.append(
            f"Rows more than {100 * beyond:.0f} % outside {seen} are left empty: the engine's power there is not known."
        )
    if engine.height == "none":
        notes.append("There is no height: hills were not seen and may pass for power, so what a gear is worth is wide.")
    if other:
        notes.append(
            "Pedals are kept at their places but for the brake, and gears are changed at the engine speeds they were changed at. One "
            "change more or less is worth up to some tenths of a second; the ± holds how surely the changes and the brake are known, no "
            "other answer of the driver."
            if changed
            else "Pedals are kept at their places. No gear change was seen on a whole lap, so none is in it: a driver who would change "
            "gear with another final drive gains or loses by it."
        )
