"""Place without position: laps on other lines matched by the heading turned, against simulated truth.

The true place of a sample is its station carried to the mean of the lines driven, which is what laps without position
teach: the metres driven at that station, averaged over the laps.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from support import session_of

from lapkit import Session, delta
from lapkit.model.tracks.file import read_track, write_track
from lapkit.simulate import CONSUMER, Line, Noise, Truth, drive, oval, oval_driver, record, road_course, road_driver
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR
from lapkit.simulate.track import Track, close_straights, corner, straight

GYRO_OFFSET, GYRO_GAIN = np.radians(0.5), 1.02
LONG = oval(straight_length=500.0, line_fraction=0.99)


def outside(track: Track, base: Line, away: Sequence[float], *, ramp: float = 50.0) -> Line:
    """The line `base`, moved to the outside of each corner by its `away`, m, over a ramp before and after it."""
    station = np.arange(0.0, track.length - 5.0, 10.0)
    offset = base(station)[0].copy()
    for turn, metres in zip(track.turns, away, strict=True):
        share = np.clip(np.minimum(station - turn.start + ramp, turn.end + ramp - station) / ramp, 0.0, 1.0)
        offset += (-metres if turn.direction == "left" else metres) * share**2 * (3 - 2 * share)
    return Line(track.length, station.tolist(), offset.tolist())


def driven(track: Track, away: Sequence[Sequence[float]], *, seed: int = 0) -> Truth:
    """A run whose laps go as far outside in each corner as said; the out-lap as the first, the in-lap as the last."""
    is_oval = len(track.turns) == 2
    driver = oval_driver(track) if is_oval else road_driver(track, ROAD_CAR)
    rng = np.random.default_rng(seed)
    rows = [away[0], *away, away[-1]]
    scripts = [replace(driver, line=outside(track, driver.line, row)).lap(rng) for row in rows]
    return drive(track, OVAL_CAR if is_oval else ROAD_CAR, scripts, start_speed=45.0)


@cache
def one_corner_higher() -> Truth:
    """Nine laps on one line and one that is 4 m higher through corner 1."""
    return driven(LONG, [(0.0, 0.0)] * 9 + [(4.0, 0.0)])


@cache
def scattered(name: str, metres: float) -> Truth:
    """Ten laps, each on lines of its own in every corner, spread evenly over `metres`."""
    track = oval() if name == "oval" else road_course()
    rng = np.random.default_rng(7)
    away = rng.uniform(-metres / 2, metres / 2, (10, len(track.turns)))
    return driven(track, away.tolist(), seed=3)


def logged(
    truth: Truth, rate: float, *, noise: Noise | None = CONSUMER, source: str = "yaw_rate", seed: int = 1
) -> tuple[pd.DataFrame, float]:
    """What a logger without position writes, and what its clock says when the truth's says zero.

    Its gyro has an offset and a wrong gain; its accelerometer feels gravity on the banking.
    """
    table = record(truth, rate, noise=noise, seed=seed, channels=("time", "speed", "yaw_rate", "lateral_acceleration"))
    zero = float(table.attrs["clock_offset"])
    time = table["time"].to_numpy() - zero
    lap = truth.lap(time)
    table["lap"] = lap
    table["lap_clock"] = time - np.append(time[0], truth.crossings)[lap]
    table["yaw_rate"] = GYRO_GAIN * table["yaw_rate"] + GYRO_OFFSET
    bank = truth.track.banking(truth.shape(time)["station"])
    table["lateral_acceleration"] = table["lateral_acceleration"] * np.cos(bank) - 9.80665 * np.sin(bank) + 0.2
    return table[["time", "speed", "lap", "lap_clock", source]], zero


def paths(truth: Truth, station: np.ndarray) -> np.ndarray:
    """Metres driven at each station, a row a lap."""
    run = np.asarray(station) + (np.array(truth.numbers)[:, None] - 1) * truth.track.length
    path = truth.path(truth.time_at_run(np.maximum(run, 1e-6)))
    return path - path[:, :1]


def misplaced(truth: Truth, session: Session, zero: float, teacher: Truth | None = None) -> list[pd.DataFrame]:
    """Error of place of each lap's samples, by the session and by the fraction of the lap; whether in a corner."""
    length = session.track.length
    station = np.linspace(0.0, truth.track.length, 2001)[:-1]
    taught = paths(teacher or truth, station)
    full = np.array((teacher or truth).laps["path_length"])
    true = (taught / full.mean()).mean(axis=0) * length
    ends = dict(zip(truth.numbers, truth.laps["path_length"], strict=True))
    out = []
    for number in truth.numbers:
        table = session.samples(number)
        time = table["time"].to_numpy() + session._segments.edges[session._row_of(number)] - zero
        where = truth.run_distance(time) - (number - 1) * truth.track.length
        path = truth.path(time) - truth.path(truth.start(number))
        place = np.interp(where, np.append(station, truth.track.length), np.append(true, length))
        inside = np.zeros(len(where), dtype=bool)
        for turn in truth.track.turns:
            inside |= (where >= turn.start) & (where < turn.end)
        out.append(
            pd.DataFrame(
                {
                    "heading": table["distance"].to_numpy() - place,
                    "fraction": path / ends[number] * length - place,
                    "corner": inside,
                    "error": table.attrs["place_error"],
                }
            )
        )
    return out


def covered(table: pd.DataFrame) -> float:
    return float(np.mean(np.abs(table["heading"]) <= 2 * table["error"]))


# ---------------------------------------------------------------------------------- what it is for


@pytest.mark.parametrize("rate", [10.0, 20.0, 60.0])
def test_a_line_four_metres_higher_keeps_its_place(rate: float) -> None:
    truth = one_corner_higher()
    table, zero = logged(truth, rate)
    session = session_of(table)
    assert session.about["place_method"] == "heading turned"
    errors = misplaced(truth, session, zero)
    higher = errors[-1][errors[-1]["corner"]]
    assert higher["fraction"].abs().max() > 8.0
    assert higher["heading"].abs().max() < 2.0
    assert covered(pd.concat(errors)) >= 0.9


@pytest.mark.parametrize("rate", [10.0, 20.0, 60.0])
@pytest.mark.parametrize("name", ["oval", "road course"])
@pytest.mark.parametrize("metres", [1.0, 3.0, 5.0])
def test_two_errors_hold_nearly_all_truths(name: str, metres: float, rate: float) -> None:
    truth = scattered(name, metres)
    for noise in (None, CONSUMER):
        table, zero = logged(truth, rate, noise=noise)
        found = pd.concat(misplaced(truth, session_of(table), zero))
        assert covered(found) >= 0.9
        assert found["error"].max() < 1.5
        in_corners = found[found["corner"]]
        rms = in_corners[["heading", "fraction"]].pow(2).mean().pow(0.5)
        assert rms["heading"] < max(0.5 * rms["fraction"], 0.3)


@pytest.mark.parametrize("name", ["oval", "road course"])
def test_lateral_acceleration_is_the_poorer_substitute(name: str) -> None:
    truth = scattered(name, 5.0)
    errors = {}
    for source in ("yaw_rate", "lateral_acceleration"):
        table, zero = logged(truth, 20.0, source=source)
        session = session_of(table)
        assert session.about["place_method"] == "heading turned"
        assert source.replace("_", " ") in " ".join(session.assumptions)
        errors[source] = pd.concat(misplaced(truth, session, zero))
        assert covered(errors[source]) >= 0.9
    by_acceleration = errors["lateral_acceleration"]
    assert by_acceleration["error"].mean() > errors["yaw_rate"]["error"].mean()
    assert by_acceleration["heading"].std() < 0.5 * by_acceleration["fraction"].std()


def test_laps_on_one_line_are_left_where_they_are() -> None:
    truth = driven(oval(), [(0.0, 0.0)] * 6)
    table, zero = logged(truth, 60.0)
    found = pd.concat(misplaced(truth, session_of(table), zero))
    assert found["heading"].abs().max() < 0.3
    assert found["error"].max() < 0.7


def test_parallel_lines_differ_by_their_offset_times_the_angle_turned() -> None:
    """Metres saved or lost round a bend are offset times the angle, whatever its shape (parallel curves; the athletics
    track's lanes are staggered by it: World Athletics, Track and Field Facilities Manual, 400 m standard track,
    straights of 84.39 m and measured radius 36.80 m, from memory).
    """
    radius, along = 36.80, 84.39
    lap = 2 * along + 2 * np.pi * radius
    assert lap == pytest.approx(400.0, abs=0.01)
    rows, clock, start = [], 0.0, 0.0
    for number in range(1, 7):
        out = 1.22 * (number % 2)  # one lane farther out every other lap
        ends = np.cumsum([along, np.pi * (radius + out), along, np.pi * (radius + out)])
        time = np.arange(clock, start + ends[-1] / 10.0, 0.02)
        path = 10.0 * (time - start)
        bend = np.searchsorted(ends, path, side="right") % 2 == 1
        mean = np.pi * (radius + 0.61)  # of the bend, on the line between the two
        place = np.interp(path, np.append(0.0, ends), np.cumsum([0, along, mean, along, mean]))
        turning = np.where(bend, 10.0 / (radius + out), 0.0)
        rows.append(
            pd.DataFrame({"time": time, "yaw_rate": turning, "lap": number, "lap_clock": time - start, "true": place})
        )
        clock, start = time[-1] + 0.02, start + ends[-1] / 10.0
    table = pd.concat(rows, ignore_index=True).assign(speed=10.0)
    session = session_of(table.drop(columns="true"))
    for number in range(2, 6):
        samples = session.samples(number)
        true = table.loc[table["lap"] == number, "true"].to_numpy() * session.track.length / (lap + 2 * np.pi * 0.61)
        assert np.abs(samples["distance"].to_numpy() - true).max() < 0.4
        bent = samples["path"].iloc[-1] - session.samples(number + 1)["path"].iloc[-1]
        assert abs(bent) == pytest.approx(2 * np.pi * 1.22, abs=0.5)


# ---------------------------------------------------------------------------------- its contract


def test_the_frame_keeps_its_contract() -> None:
    truth = scattered("oval", 3.0)
    table, _ = logged(truth, 20.0)
    session = session_of(table)
    place = session._placement.place
    assert (np.diff(place) >= 0).all()
    crossings = np.interp(session._cuts.time, table["time"], place)
    np.testing.assert_allclose(crossings, np.arange(len(crossings)) * session.track.length, atol=0.2)
    for number in truth.numbers:
        frame = session.lap(number)
        assert frame.attrs["place_method"] == "heading turned"
        assert 0.2 < frame.attrs["place_error"] < 1.5
        assert frame["time"].iloc[0] == 0.0
        assert (np.diff(frame["time"]) > 0).all()
        assert frame.attrs["lap_time"] - frame["time"].iloc[-1] < 1.5 / frame["speed"].iloc[-1]
    parts = [session.lap(0), session.lap(11)]  # carried on from the nearest crossing
    assert all(part.attrs["place_error"] > 1.0 for part in parts)
    assert parts[1]["path"].dropna().iloc[-1] == pytest.approx(parts[1]["path"].dropna().index[-1], rel=0.03)


def test_the_delta_of_a_higher_lap_is_nearer_the_truth() -> None:
    truth = one_corner_higher()
    table, _ = logged(truth, 20.0)
    session = session_of(table)
    found = delta(session.lap(10), session.lap(5))
    blind = session_of(table.drop(columns="yaw_rate"))
    guessed = delta(blind.lap(10), blind.lap(5))
    station = np.linspace(0.0, truth.track.length, 2001)[1:-1]
    true = truth.time_at(10, station) - truth.time_at(5, station)
    place = (paths(truth, station) / np.array(truth.laps["path_length"])[:, None]).mean(axis=0)
    errors = [
        np.abs(np.interp(place * session.track.length, d.index, d["delta"]) - true).max() for d in (found, guessed)
    ]
    assert errors[0] < 0.04
    assert errors[1] > 3 * errors[0]


def test_corners_are_found_and_lie_where_they_are() -> None:
    truth = scattered("oval", 5.0)
    table, _ = logged(truth, 20.0)
    session = session_of(table)
    corners = session.track.corners
    assert corners["direction"].tolist() == ["left", "left"]
    scale = session.track.length / truth.track.length
    for turn, (_, row) in zip(truth.track.turns, corners.iterrows(), strict=True):
        assert row["start_distance"] == pytest.approx(turn.start * scale, abs=40.0)
        assert row["end_distance"] == pytest.approx(turn.end * scale, abs=40.0)


# ------------------------------------------------------------------------- two recordings, one track


@pytest.mark.parametrize("name", ["oval", "road course"])
def test_a_second_recording_is_matched_to_what_the_first_taught(name: str, tmp_path: Path) -> None:
    track = oval() if name == "oval" else road_course()
    first = driven(track, [(0.0,) * len(track.turns)] * 4)
    second = driven(track, [(3.0,) * len(track.turns)] * 4, seed=5)
    learnt = session_of(logged(first, 20.0)[0]).track
    write_track(learnt, tmp_path / "track.toml")
    learnt = read_track(tmp_path / "track.toml")
    assert learnt.profile is not None and list(learnt.profile) == ["curvature"]
    assert np.trapezoid(learnt.profile["curvature"], learnt.profile.index) == pytest.approx(
        first.track.turned, rel=0.01
    )
    table, zero = logged(second, 20.0, seed=9)
    session = session_of(
        table.assign(yaw_rate=-0.97 * table["yaw_rate"]), track=learnt
    )  # another gyro, signed otherwise
    assert session.about["place_method"] == "heading turned"
    assert session.track.length == learnt.length
    found = pd.concat(misplaced(second, session, zero, teacher=first))
    assert covered(found) >= 0.9
    rms = found[["heading", "fraction"]].pow(2).mean().pow(0.5)
    assert rms["heading"] < 0.6 * rms["fraction"]
    assert 1.0 < found["error"].mean() < 3.0


def test_laps_of_another_track_teach_their_own() -> None:
    learnt = session_of(logged(driven(oval(), [(0.0, 0.0)] * 3), 20.0)[0]).track
    other = oval(radii=(80.0, 92.0))  # as long, but the tight end first
    session = session_of(logged(driven(other, [(0.0, 0.0)] * 3), 20.0)[0], track=learnt)
    assert session.about["place_method"] == "heading turned"
    assert session.lap(2).attrs["place_error"] > 1.0


# ----------------------------------------------------------------------------------- where it cannot


def test_a_figure_of_eight_turns_nothing_in_sum() -> None:
    track = Track(
        close_straights(
            [straight(90.0), *corner("1", 60.0, np.radians(270.0), 20.0), straight(150.0),
             *corner("2", 60.0, np.radians(-270.0), 20.0), straight(60.0)]
        )
    )  # fmt: skip
    assert track.turned == pytest.approx(0.0, abs=1e-9)
    truth = driven(track, [(0.0, 0.0)] * 4 + [(3.0, 0.0)] * 2)
    table, zero = logged(truth, 20.0)
    session = session_of(table)
    assert session.about["place_method"] == "heading turned"
    found = pd.concat(misplaced(truth, session, zero))
    assert covered(found) >= 0.9
    assert found["heading"].std() < 0.5 * found["fraction"].std()


def test_a_lap_that_turns_otherwise_is_left_out() -> None:
    truth = scattered("oval", 3.0)
    table, zero = logged(truth, 20.0)
    wrong = table["lap"] == 4
    for values in (-table["yaw_rate"], np.nan):
        spoilt = table.assign(yaw_rate=table["yaw_rate"].where(~wrong, values))
        session = session_of(spoilt)
        assert session.about["place_method"] == "heading turned"
        assert any("1 lap(s) turned otherwise" in line for line in session.assumptions)
        assert session.place_errors[4] > session.place_errors[5]
        errors = misplaced(truth, session, zero)
        np.testing.assert_allclose(errors[3]["heading"], errors[3]["fraction"], atol=0.3)
        assert covered(pd.concat(errors)) >= 0.9


@pytest.mark.parametrize(
    ("values", "reason"),
    [
        (0.02, "hardly turns"),
        ("noise", "hardly turns"),
        ("random", "do not turn alike|too few"),
        (np.nan, "Position .* would settle it"),
    ],
)
def test_what_says_nothing_leaves_the_fraction_of_the_lap(values: object, reason: str) -> None:
    table, _ = logged(scattered("oval", 3.0), 20.0)
    rng, n = np.random.default_rng(0), len(table)
    made = {"noise": rng.normal(0.0, 0.004, n), "random": np.repeat(rng.normal(0.0, 0.5, n // 40 + 1), 40)[:n]}
    session = session_of(table.assign(yaw_rate=made.get(str(values), values)))
    assert session.about["place_method"] == "fraction of lap"
    assert pd.Series(session.assumptions).str.contains(reason).any()
    assert session.track.profile is None


def test_one_lap_has_nothing_to_be_matched_to() -> None:
    truth = driven(oval(), [(0.0, 0.0)])
    session = session_of(logged(truth, 20.0)[0])
    assert session.about["place_method"] == "fraction of lap"
    assert any("too few" in line for line in session.assumptions)


def test_position_goes_before_it() -> None:
    truth = scattered("oval", 3.0)
    samples = record(truth, 20.0, channels=("time", "x", "y", "speed", "yaw_rate"))
    assert session_of(samples, start_line=truth.track.start_line).about["place_method"] == "position"


def test_logged_lap_distance_gives_way_only_where_it_was_counted() -> None:
    """Counted metres say nothing that speed does not; a place found by the logger goes before the heading turned."""
    truth = scattered("oval", 5.0)
    table, zero = logged(truth, 20.0)
    time = table["time"].to_numpy() - zero
    found = truth.shape(time)["station"]
    lap = truth.lap(time)
    counted = (
        truth.path(time)
        - np.append(truth.path(truth.crossings[0]) - truth.track.length, truth.path(truth.crossings))[lap]
    )
    for logged_distance, method in ((found, "lap distance"), (counted, "heading turned")):
        session = session_of(table.assign(lap_distance=np.maximum(logged_distance, 0.0)))
        assert session.about["place_method"] == method
