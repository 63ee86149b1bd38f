"""What befalls a car, planted in simulated runs and found again; and what is not to be found."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from befallen import Planted, befallen_run, befallen_truth, full_stretches

import lapkit
from lapkit import ColumnError, simulate
from lapkit.analysers.oddities.finders import lost_times
from lapkit.analysers.oddities.oddities import ODDITY_COLUMNS, marked_laps, oddities
from lapkit.simulate import CONSUMER, Contact, MissedShift, Noise, Tow
from lapkit.simulate.recorder import DEFAULT_CHANNELS

TRACKS = {"oval": simulate.oval(), "road course": simulate.road_course()}
STRAIGHTS = {name: full_stretches(track) for name, track in TRACKS.items()}


def planted(name: str, rng: np.random.Generator) -> dict[int, Planted]:
    """A touch, a tow and a missed shift of random size at random places, in laps of their own, not one after the other."""
    length = TRACKS[name].length
    touch = Contact(
        rng.uniform(20, length - 60), rng.choice([1.0, 2.0, 4.0]) * 9.80665 * rng.choice([-1, 1]), rng.choice([0.05, 0.15, 0.3]),
        rng.choice([0.3, 1.0, 3.0]), 0.1 * rng.choice([-1, 1]),
    )  # fmt: skip
    low, high = (a + b for a, b in zip(STRAIGHTS[name][rng.integers(len(STRAIGHTS[name]))], (5.0, -5.0), strict=True))
    metres = min(rng.choice([100.0, 200.0, 300.0]), high - low - 10)
    start = rng.uniform(low, high - metres)
    low, high = STRAIGHTS[name][rng.integers(len(STRAIGHTS[name]))]
    shift = MissedShift(rng.uniform(low, high - 60), rng.choice([0.3, 0.5, 0.8]))
    return {2: touch, 5: Tow(start, start + metres, rng.choice([0.15, 0.25, 0.4])), 8: shift}


def hit(found: pd.DataFrame, truth: pd.DataFrame) -> list[bool]:
    """Whether each planted event is in the table, in its lap and at its place."""
    return [
        bool(
            (
                (found["lap"] == t["lap"]) & (found["kind"] == t["kind"])
                & (found["start_distance"] < t["end_distance"] + 40) & (found["end_distance"] > t["start_distance"] - 40)
            ).any()
        )
        for t in truth.to_dict("records")
    ]  # fmt: skip


def carried(found: pd.DataFrame) -> pd.Series:
    return found["kind"].str.startswith("after ")


def own(found: pd.DataFrame, lap: int, kind: str) -> dict[str, Any]:
    """The row of an event on its own lap."""
    row: dict[str, Any] = found[(found["lap"] == lap) & (found["kind"] == kind) & ~carried(found)].iloc[0].to_dict()
    return row


@pytest.mark.parametrize("name", list(TRACKS))
def test_planted_events_are_found(name: str) -> None:
    """At least 95 % found, under 2 % false marks a lap; longer runs of this gave 99 % or more and 0.5 %.

    What they cost, against the same laps without: 0.98 of 216 within two stated uncertainties.
    """
    hits: list[bool] = []
    within: list[bool] = []
    false = laps = 0
    for seed, rate in enumerate((20.0, 100.0, 50.0, 20.0) if name == "oval" else (20.0, 60.0)):
        events = planted(name, np.random.default_rng(seed))
        session, truth = befallen_run(TRACKS[name], events, rate=rate, seed=seed)
        cost = truth.laps["lap_time"] - befallen_truth(TRACKS[name], seed=seed).laps["lap_time"]
        found = oddities(session)
        hits += hit(found, truth.events())
        for lap, kind in zip(events, ("contact", "tow", "missed shift"), strict=True):
            row = own(found, lap, kind)
            within.append(abs(row["time_lost"] - cost[lap - 1]) < 2.0 * row["time_lost_uncertainty"])
        usual = ~found["lap"].isin(events) & ~carried(found)
        false += found.loc[usual, "lap"].nunique()
        laps += 10 - len(events)
    assert np.mean(hits) >= 0.95
    assert false <= 0.02 * laps + 1  # one lap is more than 2 % of so few
    assert np.mean(within) >= 0.8  # 0.98 of so few


def test_a_tow_counts_to_where_the_car_is_as_fast_as_usual_again() -> None:
    """Down the rest of the straight, through the next corners and over the line."""
    tow = {4: Tow(490.0, 740.0, 0.5)}
    session, truth = befallen_run(TRACKS["oval"], tow, rate=20.0, seed=3)
    cost = truth.laps["lap_time"] - befallen_truth(TRACKS["oval"], seed=3).laps["lap_time"]
    towed, after = oddities(session).to_dict("records")
    for row, gained in ((towed, 0.45), (after, 0.05)):
        true = cost[row["lap"] - 1]
        assert true < -gained
        assert abs(row["time_lost"] - true) < 2.0 * row["time_lost_uncertainty"] < 0.1
    assert 700.0 > after["end_distance"] > 0.0 == after["start_distance"]


PHONE = ("time", "x", "y", "speed", "throttle", "yaw_rate", "lateral_acceleration", "longitudinal_acceleration")


def phone(speed: float, position: float) -> Noise:
    """A phone's sensors, chosen, from no data sheet."""
    return replace(
        CONSUMER, speed=speed, position=0.3 * position, position_wander=position, acceleration=0.5, yaw_rate=0.02
    )


@pytest.mark.parametrize("name", list(TRACKS))
def test_noisy_sensors_give_no_false_marks(name: str) -> None:
    """One lap of 30 or 60 at most; 960 laps of this, with and without accelerometers and engine speed, gave 0.4 %, and 240 on
    the road course, its corners read from yaw rate, 0.8 %."""
    marked = 0
    for seed, (speed, position) in enumerate(((0.1, 3.0), (0.2, 1.0), (0.5, 2.0))):
        for channels in (PHONE, PHONE[:5]) if name == "oval" else (PHONE,):
            session, _ = befallen_run(
                TRACKS[name], laps=10, rate=10.0, seed=seed, noise=phone(speed, position), channels=channels
            )
            marked += len(marked_laps(session))
    assert marked <= 1


def test_noise_that_hides_a_missed_shift_is_said() -> None:
    shift = {3: MissedShift(STRAIGHTS["oval"][0][0] + 20.0, 0.8)}
    for channels, known in ((PHONE[:5], False), ((*PHONE[:5], "engine_speed"), True)):
        for speed in (0.1, 0.4):
            session, _ = befallen_run(
                TRACKS["oval"], shift, laps=8, rate=10.0, noise=phone(speed, 1.0), channels=channels
            )
            found = oddities(session)
            said = f"Speed is too noisy ({speed:.1g}" in " ".join(found.attrs["notes"])
            assert said == (speed > 0.3 and not known)
            assert set(found["lap"]) <= {3, 4}
            if speed < 0.3:
                assert ("missed shift" if known else "missed shift or contact") in set(found["kind"])


def test_speed_from_position_is_too_coarse_for_a_missed_shift(tmp_path: Path) -> None:
    table = simulate.record(befallen_truth(TRACKS["oval"], laps=6), 10.0, noise=CONSUMER)
    simulate.write_csv(table[["time", "x", "y", "throttle"]], tmp_path / "run.csv")
    found = oddities(lapkit.load(tmp_path / "run.csv"))
    assert found.empty
    assert "Speed was worked out from position" in " ".join(found.attrs["notes"])


def test_size_of_a_touch() -> None:
    session, _ = befallen_run(TRACKS["oval"], {4: Contact(500.0, -25.0, 0.15, 1.0, -0.1)})
    found = oddities(session)
    assert list(found.columns) == list(ODDITY_COLUMNS)
    row = own(found, 4, "contact")
    assert row["unit"] == "m/s"
    assert abs(row["size"] - 1.0) < 3 * row["size_uncertainty"]
    assert row["start_distance"] == pytest.approx(500.0, abs=5.0)
    assert row["time_lost"] > 3 * row["time_lost_uncertainty"] > 0
    assert f"{3.6 * row['size']:.1f} km/h lost at a stroke" in row["words"]
    assert "to the right" in row["words"]
    assert marked_laps(session) == {4: "contact", 5: "after contact"}  # truly 0.12 m/s slower over the line


def test_a_touch_without_accelerometers() -> None:
    channels = [c for c in DEFAULT_CHANNELS if "acceleration" not in c]
    session, _ = befallen_run(TRACKS["oval"], {4: Contact(600.0, 20.0, 0.15, 0.6)}, channels=channels)
    assert marked_laps(session)[4] == "contact"


def test_a_touch_needs_a_second_witness() -> None:
    channels = [c for c in DEFAULT_CHANNELS if "acceleration" not in c and c != "yaw_rate"]
    session, _ = befallen_run(TRACKS["oval"], {4: Contact(600.0, 20.0, 0.15, 0.6)}, channels=channels)
    found = oddities(session)
    assert "contact" not in set(found["kind"])
    assert "cannot be told from a dab of the brake" in found.attrs["notes"][0]


def test_size_of_a_tow_and_what_it_carries_over_the_line() -> None:
    session, truth = befallen_run(TRACKS["oval"], {4: Tow(950.0, TRACKS["oval"].length - 1.0, 0.3)})
    found = oddities(session)
    towed, after = found.to_dict("records")
    speed = truth.speed_at(4, np.linspace(950.0, 1190.0, 50)).mean()
    assert abs(towed["size"] - 0.3 * truth.car.drag * speed**2) < 3 * towed["size_uncertainty"] + 0.03
    assert towed["time_lost"] < 0 < towed["start_distance"]
    assert (after["lap"], after["kind"], after["start_distance"]) == (5, "after tow", 0.0)
    assert after["words"].startswith("Began ") and "faster than usual after the tow of lap 4" in after["words"]
    assert after["time_lost"] < -2 * after["time_lost_uncertainty"]


@pytest.mark.parametrize("engine", [True, False])
def test_a_missed_shift(engine: bool) -> None:
    channels = [c for c in DEFAULT_CHANNELS if engine or c not in ("engine_speed", "gear")]
    session, _ = befallen_run(
        TRACKS["road course"], {3: MissedShift(STRAIGHTS["road course"][0][0] + 20.0, 0.6)}, laps=5, channels=channels
    )
    (row,) = oddities(session).to_dict("records")
    assert (row["lap"], row["kind"], row["unit"]) == (3, "missed shift", "s")
    assert abs(row["size"] - 0.6) < 2 * row["size_uncertainty"]
    assert ("ahead of the car" if engine else "or the engine cut out") in row["words"]


def test_an_engine_that_cuts_out_is_no_missed_shift() -> None:
    """Engine speed did not run ahead: the drive was lost, but not between gears."""
    session, _ = befallen_run(TRACKS["oval"], {3: MissedShift(600.0, 0.5, flare=0.0)}, laps=6)
    assert "missed shift" not in set(oddities(session)["kind"])


def spoiled(table: pd.DataFrame) -> pd.DataFrame:
    """Curbs and bumps: bursts to and fro in the accelerometers and the yaw rate; and single samples gone wrong."""
    rng = np.random.default_rng(5)
    out = table.copy()
    for _ in range(60):
        k, n = int(rng.integers(50, len(out) - 50)), int(rng.integers(2, 8))
        burst = np.where(np.arange(n) % 2, -1.0, 1.0) * rng.uniform(0.5, 1.5)
        for name, size in (("lateral_acceleration", 12.0), ("longitudinal_acceleration", 8.0), ("yaw_rate", 0.1)):
            out.loc[k : k + n - 1, name] += size * burst
    for name, size in (
        ("lateral_acceleration", 35.0),
        ("longitudinal_acceleration", -35.0),
        ("speed", -4.0),
        ("yaw_rate", 1.0),
    ):
        for k in rng.integers(50, len(out) - 50, 15):
            out.loc[k, name] += size
    return out


@pytest.mark.parametrize(("name", "rate"), [("oval", 20.0), ("oval", 100.0), ("road course", 50.0)])
def test_curbs_bumps_and_glitches_are_no_contact(name: str, rate: float) -> None:
    session, _ = befallen_run(TRACKS[name], {}, rate=rate, seed=3, spoil=spoiled)
    assert set(oddities(session)["kind"]) <= {"lost time"}


def test_more_power_all_round_is_no_tow() -> None:
    session, _ = befallen_run(TRACKS["oval"], scripts={5: {"power": 1.06}}, seed=2)
    found = oddities(session)
    assert "tow" not in set(found["kind"])
    assert "more power or less drag" in " ".join(found.attrs["notes"])


def test_a_tail_wind_on_one_straight_is_no_tow() -> None:
    """What the car gains on one straight it loses on the other."""
    session, _ = befallen_run(TRACKS["oval"], {5: (Tow(920.0, 1180.0, 0.3), Tow(480.0, 730.0, -0.3))}, seed=2)
    found = oddities(session)
    assert "tow" not in set(found["kind"])
    assert "a tail wind, not a tow" in " ".join(found.attrs["notes"])


def test_a_lift_too_many_is_lost_time() -> None:
    track = TRACKS["oval"]
    driver = simulate.oval_driver(track)
    long = tuple(
        simulate.Lift(a.start, a.depth, a.ramp, a.hold + (0.8 if k == 0 else 0.0), a.recovery)
        for k, a in enumerate(driver.actions)
        if isinstance(a, simulate.Lift)
    )
    session, _ = befallen_run(track, scripts={6: {"actions": long}}, laps=12)
    found = oddities(session)
    assert marked_laps(session) == {6: "lost time"}
    assert found["size"].iloc[0] > 0.1
    assert "in corner 1" in found["words"].iloc[0]


def test_ordinary_laps_are_seldom_marked_for_lost_time() -> None:
    """Normal times, with and without a fall-off: under 1 % of laps, as asked for with 0.5 %."""
    rng = np.random.default_rng(1)
    for laps, segments in ((6, 2), (12, 3), (30, 10)):
        marked = 0
        for _ in range(400):
            times = rng.normal(10.0, 0.05, (laps, segments)) + 0.02 * np.arange(laps)[:, None]
            marked += len({row for row, *_ in lost_times(times, chance=0.005, least=0.0)})
        assert marked / (400 * laps) < 0.01


def test_body_fixed_sensors_on_banking() -> None:
    session, _ = befallen_run(TRACKS["oval"], {4: Contact(400.0, 20.0, 0.1, 0.6)}, body_fixed=True)
    assert marked_laps(session) == {4: "contact"}


def test_what_the_data_cannot_say() -> None:
    session, _ = befallen_run(TRACKS["oval"], {1: Contact(400.0)}, laps=2)
    found = oddities(session)
    assert found.empty
    assert list(found.columns) == list(ODDITY_COLUMNS)
    assert "too few" in found.attrs["notes"][0]
    assert marked_laps(session) == {}
    session, _ = befallen_run(
        TRACKS["oval"], {2: Contact(400.0)}, laps=5, channels=["time", "x", "y", "speed", "yaw_rate"]
    )
    found = oddities(session)
    assert "contact" in set(found["kind"])  # a touch shows without a model of the car
    assert "a tow or a missed shift is not looked for" in " ".join(found.attrs["notes"])


def test_the_session_stays_as_it_is() -> None:
    session = lapkit.load("sample_data/oval_run.csv")
    before, samples = session.laps.copy(), session.samples().copy()
    oddities(session)
    pd.testing.assert_frame_equal(session.laps, before)
    pd.testing.assert_frame_equal(session.samples(), samples)


@pytest.mark.parametrize("name", ["oval_run", "oval_awkward", "road_course", "two_lines"])
def test_sample_data_has_no_touch_and_no_tow(name: str) -> None:
    assert set(oddities(lapkit.load(f"sample_data/{name}.csv"))["kind"]) <= {"lost time"}


def test_planting_leaves_other_runs_as_they_were() -> None:
    """An event without effect is bit-identical to none."""
    plain, _ = befallen_run(TRACKS["oval"], {}, laps=2, noise=CONSUMER)
    none, _ = befallen_run(TRACKS["oval"], {1: ()}, laps=2, noise=CONSUMER)
    pd.testing.assert_frame_equal(plain.samples(), none.samples(), check_exact=True)


def test_a_marked_lap_is_not_called_the_drivers_or_the_cars_fault() -> None:
    plain, _ = befallen_run(TRACKS["oval"], {4: Contact(500.0, -25.0, 0.15, 3.0, -0.1)})
    found = oddities(plain)
    session = plain.marked(found)
    assert plain.marks is None and plain.lap(4).attrs["marks"] == []
    assert "contact" in str(session) and "contact" not in str(plain)
    assert "Marked: lap 4: A touch at" in str(session)
    assert "<b>Marked:</b> lap 4" in session._repr_html_()
    (mark,) = session.lap(4).attrs["marks"]
    assert mark["kind"] == "contact" and abs(mark["start_distance"] - 500.0) < 5.0
    model = lapkit.longitudinal_model(session)
    why = lapkit.explain(session.lap(4), session.lap(5), model=model)
    place, lost = mark["start_distance"], mark["time_lost"]
    assert why[1] == (
        f"Lap 4 is marked: contact at {place:.0f} m, {lost:.2f} s lost and lap 5 is marked: after contact at 0 m, 0.05 s lost: "
        "do not lay that at the driving or the setup."
    )
    assert 3 <= len(why) <= 6
    other_way = lapkit.explain(session.lap(5), session.lap(4), model=model)
    assert "lap 4 is marked" in other_way[1].lower()
    assert "marked" not in " ".join(lapkit.explain(plain.lap(4), plain.lap(5), model=model))
    with pytest.raises(ColumnError, match="no column kind"):
        plain.marked(found.drop(columns="kind"))


def test_nothing_is_advised_where_a_touch_made_the_difference() -> None:
    corner = TRACKS["oval"].turns[0]
    driver = simulate.oval_driver(TRACKS["oval"])
    lift = driver.actions[0]
    longer = {"actions": (replace(lift, hold=lift.hold + 0.3), *driver.actions[1:])}
    touch = {4: Contact(corner.start + 30.0, -25.0, 0.15, 2.0, -0.1)}
    session, _ = befallen_run(TRACKS["oval"], touch, scripts={4: longer})
    model = lapkit.longitudinal_model(session)
    advised = lapkit.explain(session.lap(4), session.lap(3), model=model).to_try
    marked = session.marked(oddities(session, model=model))
    assert "lifted" in advised
    assert lapkit.explain(marked.lap(4), marked.lap(3), model=model).to_try == ""


def test_a_spoilt_lap_is_not_clean_nor_compared_with() -> None:
    session, _ = befallen_run(TRACKS["oval"], {4: Tow(100.0, 400.0, 0.4)})
    marked = session.marked(oddities(session))
    clean = set(session.laps.loc[session.clean, "lap"])
    assert 4 in clean
    assert clean - set(marked.laps.loc[marked.clean, "lap"]) == {4, 5}
    assert session.best_number() == 4 != marked.best_number()
    assert len(marked.clean_laps()) == len(session.clean_laps()) - 2
    assert session.clean.sum() == len(clean)  # the session that was marked stays as it was
