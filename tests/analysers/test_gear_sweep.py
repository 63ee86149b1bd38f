"""Other gears on a lap already driven, against the simulator driving the same laps with them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from support import session_of

import lapkit
from lapkit.analysers.gears.engine_power import engine_model
from lapkit.analysers.gears.gearing import CAUTION, gears
from lapkit.analysers.gears.sweep import SWEEP_COLUMNS, gear_sweep
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.channels import UNCERTAINTY, dimension_of
from lapkit.model.setup.file import make_sheet
from lapkit.simulate import (
    CONSUMER,
    Car,
    Script,
    Track,
    Truth,
    drive,
    oval,
    oval_driver,
    record,
    road_course,
    straight,
)
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR
from lapkit.simulate.driver import road_driver, run_scripts

FINAL = 3.0
TRACK = oval()
CURVES: dict[str, tuple[tuple[float, float], ...]] = {
    "level": (),
    "rising": ((450.0, 0.80), (700.0, 1.02)),
    "peaked": ((450.0, 0.88), (590.0, 1.00), (760.0, 0.97)),
}
"""Engine speed (rad/s) -> share of power, invented. In one gear this car turns 555 to 625 rad/s at open throttle, so that
each bends, if at all, where it is seen; nothing can be known of a bend that is not."""
NO_LIMIT, LIMIT = 1000.0, 622.0  # the second is met already with the gears of the recording
CASES = [("level", LIMIT, (0.95,)), ("rising", NO_LIMIT, (0.95, 1.05)), ("peaked", LIMIT, (1.02,))]


def car_of(curve: str, limit: float, change: float = 1.0) -> Car:
    return replace(
        OVAL_CAR, power=92.0, engine_curve=CURVES[curve], rev_limit=limit, gears=(OVAL_CAR.gears[0] * change,)
    )


def run(car: Car, scripts: Sequence[Script]) -> Truth:
    return drive(TRACK, car, scripts, start_speed=44.3)


@lru_cache(maxsize=8)
def base(curve: str, limit: float) -> tuple[Truth, tuple[Script, ...]]:
    scripts = tuple(run_scripts(oval_driver(TRACK), 3, np.random.default_rng(5), 2.0))
    return run(car_of(curve, limit), scripts), scripts


def lift_ends(truth: Truth, lap: int, script: Script) -> list[float]:
    """Where the lifts of a script end; the throttle cut of an upshift is none."""
    lifts = truth.lifts(lap)
    starts = np.array([action.start for action in script.actions])
    own = np.abs(lifts["start_distance"].to_numpy()[:, None] - starts).argmin(axis=0)
    return lifts["end_distance"].to_numpy()[own].tolist()


def same_pedals_by_place(car: Car, scripts: Sequence[Script], usual: Truth, rounds: int = 2) -> Truth:
    """Drive the scripts with the pedals over the same metres as in the usual run.

    The simulated driver's lifts last so many seconds; at another speed they would cover other metres.
    """
    new = list(scripts)
    for _ in range(rounds):
        seen = run(car, new)
        for lap in seen.numbers:
            row = lap - 1 + seen.first
            wanted, got = (lift_ends(truth, lap, scripts[row]) for truth in (usual, seen))
            actions = []
            for now, was, w, g in zip(new[row].actions, scripts[row].actions, wanted, got, strict=True):
                at = np.array([now.start + 4.0, w - 6.0])
                slower = usual.speed_at(lap, at) / seen.speed_at(lap, at)
                actions.append(
                    replace(
                        now,
                        ramp=was.ramp * slower[0],
                        recovery=was.recovery * slower[1],
                        hold=now.hold + (w - g) / 40.0,
                    )
                )
            new[row] = replace(new[row], actions=tuple(actions))
    return run(car, new)


def session_of_run(truth: Truth, rate: float = 60.0, noise=None, seed: int = 3):
    return session_of(record(truth, rate, noise=noise, seed=seed), start_line=TRACK.start_line)


@lru_cache(maxsize=8)
def base_session(curve: str, limit: float):
    return session_of_run(base(curve, limit)[0])


# ------------------------------------------------------------------------ the simulator's engine


def test_an_engine_curve_matters_and_its_absence_does_not() -> None:
    """Constant torque on a level road is a constant force: speed rises evenly, and v^2 with distance."""
    road = Track([straight(500.0)], closed=False)
    plain = Car(power=100.0, traction=1e9, drag=0.0, rolling=0.0, cornering=0.0, gears=(10.0,))
    even = replace(plain, engine_curve=((0.0, 0.0), (1000.0, 2.0)))  # 100 W/kg at 500 rad/s, which is 50 m/s
    one = drive(road, even, [Script()], start_speed=20.0, out_lap=False, in_lap=False)
    assert float(one.laps["speed_at_line"].iloc[0]) == pytest.approx(np.sqrt(20.0**2 + 2 * 2.0 * 500.0), abs=1e-6)
    level = replace(plain, engine_curve=((0.0, 1.0), (1000.0, 1.0)))
    same = [drive(road, c, [Script()], start_speed=20.0, out_lap=False, in_lap=False) for c in (plain, level)]
    assert same[0].laps["lap_time"].iloc[0] == pytest.approx(same[1].laps["lap_time"].iloc[0], abs=1e-12)
    held = replace(plain, rev_limit=300.0)
    assert 30.0 < drive(road, held, [Script()], start_speed=20.0, out_lap=False, in_lap=False)._v.max() < 30.31


def test_a_gear_pulls_from_when_it_is_engaged() -> None:
    road = Track([straight(400.0)], closed=False)
    car = Car(traction=1e9, gears=(20.0, 12.0), upshift=600.0, engine_curve=((200.0, 0.3), (600.0, 1.0)))
    truth = drive(road, car, [Script()], start_speed=15.0, out_lap=False, in_lap=False)
    time = np.linspace(0.0, float(truth.laps["lap_time"].iloc[0]), 3000)[1:-1]
    turning = truth.speed(time) * np.array(car.gears)[truth.gear(time).astype(int) - 1]
    share = np.array([car.pull(n) for n in turning]) * np.interp(
        truth.throttle(time), *zip(*car.power_curve, strict=True)
    )
    speed = truth.speed(time)
    wanted = share * car.power / speed - car.drag * speed**2 - car.rolling
    assert np.median(np.abs(truth.acceleration(time) - wanted)) < 2e-3
    assert (np.abs(truth.acceleration(time) - wanted) < 0.05).mean() > 0.95
    assert set(truth.gear(time)) == {1.0, 2.0}


# ------------------------------------------------------------------------ power by engine speed


@pytest.mark.parametrize("curve", list(CURVES))
def test_power_by_engine_speed_is_read_from_the_laps(curve: str) -> None:
    truth, _ = base(curve, NO_LIMIT)
    session = base_session(curve, NO_LIMIT)
    laps = [session.lap(n) for n in truth.numbers]
    engine = engine_model(laps, gears(session), lapkit.longitudinal_model(session), rev_limit=NO_LIMIT)
    table = engine.table()
    true = [truth.car.power * truth.car.pull(n) for n in table["engine_speed"]]
    assert np.allclose(table["power"], true, rtol=0.012)
    low, high = engine.seen
    inside = table["engine_speed"].between(low, high)
    assert np.allclose(table["power"][inside], np.array(true)[inside], rtol=0.006)
    assert dict(zip(engine.names, engine.values, strict=True))["drag"] == pytest.approx(truth.car.drag, rel=0.01)
    assert list(map(dimension_of, table.columns)).count(None) == 0


# ------------------------------------------------------------------------ the sweep


@pytest.mark.parametrize(("curve", "limit", "changes"), CASES)
def test_within_five_milliseconds_of_driving_with_the_gears(
    curve: str, limit: float, changes: tuple[float, ...]
) -> None:
    usual, scripts = base(curve, limit)
    table = gear_sweep(
        base_session(curve, limit), final_drives=[FINAL * c for c in changes], final_drive=FINAL, rev_limit=limit
    )
    lap = table.attrs["lap"]
    for change, row in zip(changes, table.to_dict("records"), strict=True):
        truth = same_pedals_by_place(car_of(curve, limit, change), scripts, usual)
        was, now = (t.laps.set_index("lap").loc[lap] for t in (usual, truth))
        assert row["lap_time_difference"] == pytest.approx(now["lap_time"] - was["lap_time"], abs=0.005), (change, row)
        assert row["speed_at_line"] == pytest.approx(now["speed_at_line"], abs=0.02)
        fastest = max(truth.speed_at(lap, np.arange(0.0, TRACK.length - 1.0)))
        turning = truth.car.gears[0] * fastest
        assert row["limit_reached"] == (turning >= limit)
        assert row["engine_speed"] <= turning + 1.0
        assert row["ratio_change"] == pytest.approx(change - 1.0)
        assert row["lap_time"] == pytest.approx(was["lap_time"] + row["lap_time_difference"], abs=0.002)


def two_gears(change: float, upshift: float, downshift: float, step: float) -> Car:
    gears = tuple(OVAL_CAR.gears[0] * ratio * change for ratio in (step, 1.0))
    curve = ((450.0, 0.80), (720.0, 1.04))
    return replace(OVAL_CAR, power=92.0, engine_curve=curve, upshift=upshift, downshift=downshift, gears=gears)


@pytest.mark.parametrize(("setting", "change"), [((680.0, 575.0, 1.15), 0.99), ((690.0, 565.0, 1.18), 1.03)])
def test_gears_are_changed_at_the_engine_speeds_they_were_changed_at(
    setting: tuple[float, float, float], change: float
) -> None:
    """With the second no gear is changed any more: worth 0.3 s."""
    scripts = run_scripts(oval_driver(TRACK), 2, np.random.default_rng(5), 2.0)
    usual, changes = run(two_gears(1.0, *setting), scripts), (change,)
    true = [
        same_pedals_by_place(two_gears(c, *setting), scripts, usual).laps["lap_time"] - usual.laps["lap_time"]
        for c in changes
    ]
    table = gear_sweep(
        session_of_run(usual), final_drives=[FINAL * c for c in changes], final_drive=FINAL, rev_limit=NO_LIMIT, lap=2
    )
    off = np.abs(table["lap_time_difference"].to_numpy() - [t.iloc[1] for t in true])
    sigma = table["lap_time_difference_uncertainty"].to_numpy()
    assert off.max() < 0.005
    assert (sigma > 0.004).all() and (sigma < 0.03).all()  # what a gear change sooner or later is worth, no less


def test_noise_and_a_missing_height_widen_what_is_said_as_far_as_they_must() -> None:
    """One gear: 6 ms rms at 1 % and 18 ms at 3 % over many runs; without height three to six times that."""
    scripts = tuple(run_scripts(oval_driver(TRACK), 6, np.random.default_rng(5), 2.0))
    usual, changes = run(car_of("rising", NO_LIMIT), scripts), (0.97, 1.01)
    true = [
        same_pedals_by_place(car_of("rising", NO_LIMIT, c), scripts, usual, 1).laps["lap_time"].to_numpy()
        for c in changes
    ]
    off, sigma = {}, {}
    for height in (True, False):
        rows = []
        for seed in (1, 2):
            samples = record(usual, 25.0, noise=CONSUMER, seed=seed)
            session = session_of(samples if height else samples.drop(columns="z"), start_line=TRACK.start_line)
            table = gear_sweep(
                session, final_drives=[FINAL * c for c in changes], final_drive=FINAL, rev_limit=NO_LIMIT
            )
            lap = table.attrs["lap"] - 1
            own = np.array([t[lap] for t in true]) - usual.laps["lap_time"].to_numpy()[lap]
            rows.append((table["lap_time_difference"] - own, table["lap_time_difference_uncertainty"]))
            assert any("no height" in note for note in table.attrs["notes"]) == (not height)
        off[height], sigma[height] = np.array(rows).transpose(1, 0, 2)
    rms = {height: np.sqrt(np.mean(off[height] ** 2, axis=0)) for height in off}

    assert (rms[True] < [0.03, 0.011]).all()
    assert (sigma[True] < [0.08, 0.013]).all() and (sigma[False] < [0.3, 0.13]).all()
    for height in off:
        assert (np.abs(off[height]) < 2.0 * sigma[height]).mean() > 0.8


def test_a_road_course_says_what_its_driver_may_do() -> None:
    """He lets go of the brake at a speed, not at a place: a tenth of a second, and of that nothing can be known."""
    track = road_course()
    scripts = run_scripts(road_driver(track, ROAD_CAR), 2, np.random.default_rng(2))
    usual, true = (
        drive(track, replace(ROAD_CAR, gears=tuple(g * c for g in ROAD_CAR.gears)), scripts, start_speed=40.0).laps[
            "lap_time"
        ]
        if c != 1.0
        else drive(track, ROAD_CAR, scripts, start_speed=40.0)
        for c in (1.0, 0.97)
    )
    session = session_of(record(usual, 50.0, seed=2), start_line=track.start_line)
    row = gear_sweep(session, final_drives=[0.97 * FINAL], final_drive=FINAL, rev_limit=NO_LIMIT, lap=2).iloc[0]
    off = row["lap_time_difference"] - (true.iloc[1] - usual.laps["lap_time"].iloc[1])
    assert abs(off) < 2.0 * row["lap_time_difference_uncertainty"] and row["lap_time_difference_uncertainty"] < 0.5


def test_the_gears_of_the_recording_give_the_lap_itself() -> None:
    session = base_session("peaked", NO_LIMIT)
    row = gear_sweep(session, final_drives=[FINAL], final_drive=FINAL, rev_limit=NO_LIMIT).iloc[0]
    assert row["lap_time_difference"] == pytest.approx(0.0, abs=1e-9)
    assert row["lap_time_difference_uncertainty"] == pytest.approx(0.0, abs=1e-9)
    assert row["lap_time"] == pytest.approx(session.best().attrs["lap_time"], abs=1e-9)
    assert row["speed_at_line"] == pytest.approx(session.best().attrs["speed_at_line"], abs=1e-9)
    assert not row["limit_reached"] and np.isnan(row["limit_distance"])


def test_the_ideal_gear_meets_the_limit_at_the_end_of_the_longest_straight() -> None:
    """Common practice, no source."""
    session = base_session("rising", NO_LIMIT)
    straight_end = gears(session).longest_straight
    assert straight_end is not None
    finals = np.linspace(2.88, 3.12, 5)
    table = gear_sweep(
        session, final_drives=finals, final_drive=FINAL, rev_limit=float(straight_end["engine_speed"]) * 1.02
    )
    assert table["nearest"].sum() == 1
    best = table.loc[table["nearest"], "final_drive"].iloc[0]
    assert best == pytest.approx(FINAL)  # the last of these that stays below
    assert table.attrs["meeting"]["final_drive"] == pytest.approx(FINAL * 1.02, abs=0.03)
    assert table["free_engine_speed"].is_monotonic_increasing
    assert (table["engine_speed"] <= table.attrs["rev_limit"] + 3.0).all()
    reached = table["limit_reached"].tolist()
    assert reached == sorted(reached) and not reached[0] and reached[-1]
    assert (table["limiter_time"] > 0).tolist() == reached
    places = table["limit_distance"].dropna()
    assert places.is_monotonic_decreasing or len(places) < 2 or places.max() - places.min() > 0.5 * TRACK.length


def test_what_would_just_meet_the_limit_does_so_whatever_was_asked() -> None:
    usual, scripts = base("rising", NO_LIMIT)
    session, limit = base_session("rising", NO_LIMIT), 640.0
    sweeps = [
        gear_sweep(session, final_drives=finals, final_drive=FINAL, rev_limit=limit)
        for finals in ([2.95], [3.0, 3.05, 3.2])
    ]
    meeting, other = (table.attrs["meeting"] for table in sweeps)
    assert meeting["overall_ratio"] is None and other["overall_ratio"] is None  # the top gear is not known
    for name in ("final_drive", "final_drive_uncertainty"):
        assert meeting[name] == pytest.approx(other[name], rel=1e-9)
    truth = same_pedals_by_place(car_of("rising", NO_LIMIT, meeting["final_drive"] / FINAL), scripts, usual)
    lap = sweeps[0].attrs["lap"]
    turning = truth.car.gears[0] * max(truth.speed_at(lap, np.arange(0.0, TRACK.length - 1.0)))
    assert turning == pytest.approx(limit, rel=1e-3)
    for table in sweeps:  # never one past the limit
        row = table[table["nearest"]].iloc[0]
        assert row["free_engine_speed"] <= limit and row["final_drive"] <= meeting["final_drive"]
    far = gear_sweep(session, final_drives=[3.0], final_drive=FINAL, rev_limit=900.0)
    assert far.attrs["meeting"] is None


def four_gears() -> tuple[Car, list[float]]:
    ratios = [2.3, 1.75, 1.33, 1.0]
    car = replace(
        OVAL_CAR, power=92.0, engine_curve=((100.0, 0.16), (625.0, 1.0), (760.0, 1.08)), rev_limit=650.0, upshift=650.0,
        downshift=300.0, gears=tuple(OVAL_CAR.gears[0] * r for r in ratios),
    )  # fmt: skip
    return car, ratios


def test_a_restart_with_fewer_gears_costs_time() -> None:
    """Fewer gears cost time on restarts (common practice, no source); how much, against the simulator."""
    car, ratios = four_gears()
    scripts = run_scripts(oval_driver(TRACK), 4, np.random.default_rng(5), 2.0)
    truth = drive(TRACK, car, scripts, start_speed=44.3)
    table = gear_sweep(
        session_of_run(truth), final_drives=[2.94, FINAL], ratios=ratios, final_drive=FINAL, rev_limit=650.0,
        restart_speed=17.0, restart_distance=260.0,
    )  # fmt: skip
    road = Track([straight(260.0)], closed=False)
    for row in table.to_dict("records"):
        factor = row["final_drive"] / FINAL
        times = []
        for used in (car.gears, car.gears[1:]):
            own = replace(car, gears=tuple(g * factor for g in used))
            lone = drive(road, own, [Script()], start_speed=17.0, out_lap=False, in_lap=False)
            times.append(float(lone.laps["lap_time"].iloc[0]))
        for name, true in (("restart_time", times[0]), ("restart_time_lost", times[1] - times[0])):
            assert row[name] == pytest.approx(true, abs=max(0.05, 2.0 * row[name + UNCERTAINTY])), name
        assert row["restart_time_lost"] > 0.1
    assert any("Restarts use engine speeds outside" in note for note in table.attrs["notes"])
    drops = table.attrs["shifts"][1]["drops"]
    assert [d["to_gear"] for d in drops] == [2.0, 3.0, 4.0]
    assert drops[-1]["shift_drop"] == pytest.approx(650.0 * (1.0 - 1.0 / 1.33), rel=1e-3)
    assert table["shift_drop"].iloc[1] == drops[-1]["shift_drop"]


def test_a_closer_top_gear_changes_top_alone() -> None:
    car, ratios = four_gears()
    scripts = run_scripts(oval_driver(TRACK), 3, np.random.default_rng(5), 2.0)
    truth = drive(TRACK, car, scripts, start_speed=44.3)
    sheet = make_sheet("now", {"gear_ratios": ratios, "final_drive": FINAL, "rev_limit": "6207 rpm"})
    table = gear_sweep(session_of_run(truth), final_drives=[2.9, FINAL], top_gears=[1.0, FINAL / 2.9], sheet=sheet)
    assert len(table) == 4
    same = table[np.isclose(table["overall_ratio"], FINAL)]
    assert len(same) == 2 and np.allclose(same["lap_time_difference"], 0.0, atol=1e-9)  # product is what counts in top
    assert same["shift_drop"].iloc[0] != pytest.approx(same["shift_drop"].iloc[1])
    close = table.attrs["shifts"][1]["drops"]
    assert close[0]["shift_drop"] == pytest.approx(table.attrs["shifts"][0]["drops"][0]["shift_drop"])


# ------------------------------------------------------------------------ what is not known; shape; bad input


def test_engine_speeds_not_seen_are_refused() -> None:
    session = base_session("rising", NO_LIMIT)
    table = gear_sweep(session, final_drives=[FINAL, 3.15, 3.6], final_drive=FINAL, rev_limit=NO_LIMIT)
    assert table["lap_time"].notna().tolist() == [True, True, False]
    assert table.iloc[2][["lap_time", "speed_at_line", "engine_speed"]].isna().all()
    notes = " ".join(table.attrs["notes"])
    assert "left empty" in notes and "carried on" in notes and "No gear change was seen" in notes
    assert table["lap_time_difference_uncertainty"].iloc[1] > 0.02


def test_columns_and_caution() -> None:
    session = base_session("rising", NO_LIMIT)
    before = session.best()
    table = gear_sweep(session, final_drives=[FINAL], final_drive=FINAL, rev_limit=NO_LIMIT)
    pd.testing.assert_frame_equal(session.best(), before)
    assert list(table.columns) == SWEEP_COLUMNS
    assert [name for name in SWEEP_COLUMNS if dimension_of(name) is None] == []
    assert table.attrs["caution"] == CAUTION
    assert table["top_gear"].isna().all() and table["overall_ratio"].isna().all()
    overall = gear_sweep(session, final_drives=[FINAL], final_drive=FINAL, circumference=2.0, rev_limit=NO_LIMIT)
    assert overall["overall_ratio"].iloc[0] == pytest.approx(OVAL_CAR.gears[0] * 2.0 / (2.0 * np.pi), rel=1e-3)


def test_errors_teach() -> None:
    session = base_session("rising", NO_LIMIT)
    for options, words in (
        ({"final_drives": [3.0], "final_drive": 3.0}, "engine builder's limit is not known"),
        ({"final_drives": [3.0], "final_drive": 3.0, "rev_limit": 6500.0}, "rpm times pi / 30"),
        ({"final_drives": [], "final_drive": 3.0, "rev_limit": 650.0}, "at least one ratio"),
        ({"final_drives": [3.0], "rev_limit": 650.0}, "final drive that the recording was made with is not known"),
        ({"final_drives": [3.0], "final_drive": 3.0, "top_gears": [1.0], "rev_limit": 650.0}, "top gears need"),
        ({"final_drives": [3.0], "final_drive": 3.0, "rev_limit": 650.0, "restart_speed": -3.0, "ratios": [2.0, 1.5, 1.2, 1.0]},
         "restart begins at"),
        ({"final_drives": [3.0], "final_drive": 3.0, "rev_limit": 650.0, "model": LongitudinalModel(False, "there is no throttle")},
         "no gear sweep without a model"),
    ):  # fmt: skip
        with pytest.raises(lapkit.LapkitError, match=words):
            gear_sweep(session, **options)
    bare = session.samples().drop(columns=["engine_speed", "lap", "lap_clock", "distance", "path"])
    with pytest.raises(lapkit.ColumnError, match="no engine_speed"):
        gear_sweep(session_of(bare, start_line=TRACK.start_line), final_drives=[3.0], final_drive=3.0, rev_limit=650.0)
    few = gear_sweep(session, final_drives=[3.0], final_drive=3.0, rev_limit=650.0, restart_speed=15.0)
    assert few["restart_time"].isna().all() and any("4 gears" in note for note in few.attrs["notes"])
