"""Drift of position, told from the laps: what it is worth, what it must leave alone, and what is said of it."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pandas as pd
import pytest
from roads import Run, draw, record_line, session_on
from scipy.signal import lfilter
from support import session_of

import lapkit
from lapkit import Recording, Session
from lapkit.model import placing
from lapkit.model.drift import Drift, find_drift
from lapkit.model.place import project
from lapkit.model.recording import ChannelSource, Provenance
from lapkit.simulate import demo, oval, road_course
from lapkit.simulate.track import Track

TRACKS = {"oval": (oval(), 15), "road course": (road_course(), 9)}
SEEDS = range(4)
HIGH = 4.0  # m, a lane higher
CORNER = {"oval": (100.0, 260.0), "road course": (900.0, 1060.0)}
"""Where some laps take the higher line, m."""
Offset = Callable[[np.ndarray], np.ndarray]


def smooth(station: np.ndarray, size: float, seed: int, *, length: float = 35.0) -> np.ndarray:
    """Random deviations of a given size that change within some `length` metres."""
    rng = np.random.default_rng(seed)
    at = np.arange(station[0] - 300.0, station[-1] + 300.0, length / 8.0)
    shape = np.exp(-0.5 * (np.arange(-32, 33) / 8.0) ** 2)
    return size * np.interp(
        station, at, np.convolve(rng.normal(size=len(at)), shape / np.sqrt(np.sum(shape**2)), "same")
    )


@cache
def run_of(
    name: str, *, drift: float, varied: float, seed: int = 0, high: tuple[int, ...] = (), memory: float = 20.0
) -> Run:
    """Laps of a driver who varies his line, by a receiver that drifts; some laps on a higher line in one corner."""
    track, laps = TRACKS[name]

    def offset(station: np.ndarray) -> np.ndarray:
        begin, end = CORNER[name]
        within = np.mod(station, track.length)
        share = np.clip(np.minimum(within - begin + 70.0, end + 70.0 - within) / 70.0, 0.0, 1.0)
        up = np.isin(np.floor(station / track.length), high)
        usual = np.sin(12 * np.pi * station / track.length)
        return usual + smooth(station, varied, seed) + np.where(up, HIGH * share**2 * (3.0 - 2.0 * share), 0.0)

    run = record_line(draw(track, laps, offset), 25, speed_noise=0.03, seed=seed)
    rng, count = np.random.default_rng(seed), len(run.samples)
    for axis in ("x", "y"):  # drawn for longer than any run, so that one on another line drifts alike
        forget = np.exp(-1.0 / (25.0 * memory))
        shocks = rng.normal(0.0, drift * np.sqrt(1.0 - forget**2), 50_000)
        shocks[0] = rng.normal(0.0, drift)
        white = rng.normal(0.0, 0.05, 50_000)
        run.samples[axis] += (lfilter([1.0], [1.0, -forget], shocks) + white)[:count]
    return run


@pytest.fixture
def never(monkeypatch: pytest.MonkeyPatch) -> Callable[[bool], None]:
    """Switch the search for drift off, and on again."""

    def switch(off: bool) -> None:
        monkeypatch.setattr(placing, "find_drift", (lambda *_, **__: None) if off else find_drift)

    return switch


def missed(track: Track, run: Run, session: Session) -> tuple[np.ndarray, np.ndarray]:
    """Errors of station and offset every 10 m of each whole lap, shape (laps, stations)."""
    found, laps = session._placement, int(session.laps["complete"].sum())
    x, y = track.xy(np.mod(run.station, track.length), run.offset)
    station, offset = project(found.reference, x, y, run.station * found.length / track.length)
    each = round(found.length / 10.0)
    at = np.arange(laps * each) * (found.length / each)
    return tuple(
        np.interp(at, station, miss).reshape(laps, each)
        for miss in (found.place - station, found.offset - offset)
    )  # fmt: skip


def rms(values: np.ndarray) -> float:
    """Root mean square of what laps do not share at a station."""
    return float(np.sqrt(np.mean((values - values.mean(axis=0)) ** 2)))


def lap_time_errors(run: Run, session: Session, track: Track) -> tuple[np.ndarray, np.ndarray]:
    """Errors of the lap times and their stated uncertainties, s."""
    laps = session.laps[session.laps["complete"]]
    crossed = np.interp(np.arange(len(laps) + 1) * track.length, run.station, run.samples["time"])
    return laps["lap_time"].to_numpy() - np.diff(crossed), laps["lap_time_uncertainty"].to_numpy()


@pytest.mark.parametrize("learnt", [False, True], ids=["given line", "learnt line"])
@pytest.mark.parametrize(("varied", "share"), [(0.1, 0.45), (0.3, 0.6)])
@pytest.mark.parametrize("name", TRACKS)
def test_drift_between_laps_is_halved(name: str, varied: float, share: float, learnt: bool, never) -> None:
    """Errors of place, offset and lap time that laps do not share fall to a share of what they were, and say so."""
    track, before, after = TRACKS[name][0], [], []
    for seed in SEEDS:
        run = run_of(name, drift=0.3, varied=varied, seed=seed)
        for off, errors in ((True, before), (False, after)):
            never(off)
            session = session_on(track, run, learnt=learnt)
            along, aside = missed(track, run, session)
            times, sigma = lap_time_errors(run, session, track)
            about = session.best().attrs
            errors.append(
                [rms(along), rms(aside), rms(times), about["place_error"], about["offset_error"], np.median(sigma)]
            )
            said = [line for line in session.assumptions if "Position drifts by some" in line]
            assert len(said) == (not off) and all("x and y stay as logged" in line for line in said)
    old, new = np.mean(before, axis=0), np.mean(after, axis=0)
    assert (new[:2] < share * old[:2]).all()
    assert new[2] < (share + 0.1) * old[2]
    assert (new[3:] < 0.75 * old[3:]).all()
    assert (np.array(after)[:, :2] < 0.75 * np.array(before)[:, :2]).all()


@pytest.mark.parametrize("name", TRACKS)
@pytest.mark.parametrize(("drift", "varied", "share"), [(0.3, 0.0, 0.3), (0.05, 0.0, 0.7), (0.05, 0.3, 1.1)])
def test_a_driver_who_repeats_his_line_shows_small_drift(
    name: str, drift: float, varied: float, share: float, never
) -> None:
    """How much the driver varies is told too, so a steady one shows drift of a few centimetres; an unsteady one costs nothing."""
    track, errors = TRACKS[name][0], []
    for off in (True, False):
        never(off)
        runs = [run_of(name, drift=drift, varied=varied, seed=seed) for seed in SEEDS]
        errors.append(
            np.mean([[rms(miss) for miss in missed(track, run, session_on(track, run))] for run in runs], axis=0)
        )
    assert (errors[1] < share * errors[0]).all()


def test_what_is_left_is_as_stated() -> None:
    """About 95 % of stations, offsets and lap times within two stated errors, over ovals and road courses."""
    inside = []
    for name, (track, _) in TRACKS.items():
        for varied in (0.1, 0.3):
            for seed in SEEDS:
                run = run_of(name, drift=0.3, varied=varied, seed=seed)
                session = session_on(track, run)
                (along, aside), about = missed(track, run, session), session.best().attrs
                times, sigma = lap_time_errors(run, session, track)
                off = along / about["place_error"], aside / about["offset_error"], times / sigma
                inside.append([np.mean(np.abs(miss) <= 2.0) for miss in off])
                assert 0.0 < about["shared_error"] < about["place_error"]
    share = np.mean(inside, axis=0)
    assert (share >= [0.93, 0.93, 0.9]).all() and (share <= 0.99).all(), share  # 192 lap times, of twelve runs 0.954


@pytest.mark.parametrize("name", TRACKS)
def test_laps_on_a_higher_line_keep_it(name: str) -> None:
    """Two laps 4 m higher in one corner are not taken for drift: their offset there is known about as well as ever."""
    track, high, errors, changes = TRACKS[name][0], [3, 6], [], []
    begin, end = (round(place / 10.0) for place in CORNER[name])
    for seed in SEEDS:
        beside = []
        for laps in ([], high):
            run = run_of(name, drift=0.3, varied=0.1, seed=seed, high=tuple(laps))
            session = session_on(track, run)
            assert any("Position drifts" in line for line in session.assumptions)
            aside = missed(track, run, session)[1][:, begin:end].mean(axis=1)
            beside.append(aside[high] - np.delete(aside, high).mean())
        errors.append(beside[1])
        changes.append(beside[1] - beside[0])
    assert np.abs(np.mean(changes)) < 0.1  # of eight runs 0.02 m on the oval, 0.07 m on the road course
    assert np.sqrt(np.mean(np.square(changes))) < 0.15
    assert np.abs(errors).max() < 0.45  # 3 of about 0.15 m; half of what drift alone does


@pytest.mark.parametrize("name", TRACKS)
def test_half_the_laps_on_another_line_do_no_harm(name: str, never) -> None:
    """Every other lap 4 m higher in one corner: drift between laps is at least halved, or left alone."""
    track, errors = TRACKS[name][0], []
    for off in (True, False):
        never(off)
        runs = [run_of(name, drift=0.3, varied=0.1, seed=seed, high=tuple(range(0, 20, 2))) for seed in SEEDS]
        errors.append([[rms(miss) for miss in missed(track, run, session_on(track, run))] for run in runs])
    assert (np.mean(errors[1], axis=0) < 0.5 * np.mean(errors[0], axis=0)).all()


def test_lines_held_all_the_way_round_are_no_drift(tmp_path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight laps of sixteen are some metres higher nearly everywhere: what looks like drift then is none, and is left alone."""
    found: list[Drift | None] = []
    monkeypatch.setattr(placing, "find_drift", lambda *a, **k: found.append(find_drift(*a, **k)) or found[-1])
    truth = demo._two_lines(tmp_path / "two_lines.csv")
    session = lapkit.load(tmp_path / "two_lines.csv")
    assert found == [None]
    assert np.std(np.diff(session._cuts.time) - np.diff(truth.crossings)) < 0.015  # s; 0.027 with it


@pytest.mark.parametrize("name", TRACKS)
def test_without_drift_nothing_changes(name: str, never) -> None:
    run = run_of(name, drift=0.0, varied=0.3)
    never(True)
    before = session_on(TRACKS[name][0], run, learnt=True)
    never(False)
    session = session_on(TRACKS[name][0], run, learnt=True)
    assert session._motion.noise > placing.CLEAN_NOISE
    assert np.array_equal(session._placement.place, before._placement.place)
    assert np.array_equal(session._placement.offset, before._placement.offset)
    assert session.best().attrs == before.best().attrs
    assert session.assumptions == before.assumptions


def test_clean_position_costs_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("drift was looked for")

    monkeypatch.setattr(placing, "find_drift", refuse)
    track = oval()
    clean = record_line(draw(track, 6, 1.0), 25)
    assert session_on(track, clean).best().attrs["shared_error"] == 0.0
    noisy = record_line(draw(track, 6, 1.0), 25, white=0.1, wander=0.3)
    with pytest.raises(AssertionError, match="drift was looked for"):
        session_on(track, noisy)
    # a speed made from position drifts with it, and cannot tell
    speed = ChannelSource("(from position)", "m/s", "there is none")
    made = Session(Recording(noisy.samples, Provenance("drawn.csv", channels={"speed": speed})))
    assert made._motion.speed_from_position and made.best().attrs["shared_error"] == 0.0


@pytest.mark.parametrize("name", TRACKS)
def test_speed_whose_scale_changes_from_lap_to_lap_is_trusted_less(name: str, never) -> None:
    """A scale that is 0.1 % out, another way each lap, adds two metres a lap to metres by speed; none of it is drift."""
    track, before, after, inside = TRACKS[name][0], [], [], []
    for seed in SEEDS:
        run = run_of(name, drift=0.3, varied=0.1, seed=seed)
        scale = 1.0 + 1e-3 * np.random.default_rng(seed).normal(size=50)
        lap = np.floor(run.station / track.length).astype(int) + 1
        samples = run.samples.assign(speed=run.samples["speed"] * scale[lap])
        for off, errors in ((True, before), (False, after)):
            never(off)
            session = session_of(samples, start_line=track.start_line)
            times, sigma = lap_time_errors(run, session, track)
            errors.append([*(rms(miss) for miss in missed(track, run, session)), rms(times)])
        inside += list(np.abs(times) <= 2.0 * sigma)
    assert (np.mean(after, axis=0) < 0.75 * np.mean(before, axis=0)).all()
    assert np.mean(inside) >= 0.88


def test_few_laps_are_left_alone() -> None:
    track = oval()
    run = record_line(draw(track, 3, 1.0), 25, white=0.05, wander=0.5, speed_noise=0.03)
    assert not any("Position drifts" in line for line in session_on(track, run).assumptions)


def test_crossings_known_without_position_keep_their_times(never) -> None:
    """A lap clock says when the line was crossed, whatever position says; position that drifts goes by it."""
    name = "oval"
    track, run = oval(), run_of(name, drift=0.3, varied=0.1)
    crossed = np.interp(np.arange(TRACKS[name][1] + 1) * track.length, run.station, run.samples["time"])
    lap = np.searchsorted(crossed, run.samples["time"], side="right")
    clock = run.samples["time"] - np.append(run.samples["time"].iloc[0], crossed)[lap]
    samples = run.samples.assign(lap=lap, lap_clock=clock)
    never(True)
    before = session_of(samples)
    never(False)
    session = session_of(samples)
    assert any("Position drifts" in line for line in session.assumptions)
    assert np.array_equal(session._cuts.time, before._cuts.time)
    pd.testing.assert_series_equal(session.laps["lap_time"], before.laps["lap_time"])
    old, new = missed(track, run, before), missed(track, run, session)
    assert rms(new[0]) < 0.6 * rms(old[0]) and rms(new[1]) < 0.6 * rms(old[1])


def test_a_crossing_the_lap_column_puts_elsewhere_keeps_its_time(never) -> None:
    """All laps but one change at one line, found by position; the one that changes 9 m later is as the column says."""
    track, run, odd = oval(), run_of("oval", drift=0.3, varied=0.1), 5
    time = run.samples["time"].to_numpy()
    crossed = np.interp(np.arange(TRACKS["oval"][1] + 1) * track.length, run.station, time)
    crossed[odd] += 0.2
    samples = run.samples.assign(lap=np.searchsorted(crossed, time, side="right"))
    never(True)
    before = session_of(samples)._cuts
    never(False)
    session = session_of(samples)
    assert any("Position drifts" in line for line in session.assumptions)
    kept = session._cuts.time == before.time
    assert np.flatnonzero(kept).tolist() == [odd]
    others = np.delete(np.arange(len(crossed)), [odd])
    old, new = (np.std((found - crossed)[others]) for found in (before.time, session._cuts.time))
    assert new < 0.6 * old


def test_logged_position_stays_as_logged() -> None:
    track, run = oval(), run_of("oval", drift=0.3, varied=0.1)
    samples = session_on(track, run).samples()
    assert np.array_equal(samples["x"], run.samples["x"]) and np.array_equal(samples["y"], run.samples["y"])


def test_what_is_found_is_what_was_put_in(monkeypatch: pytest.MonkeyPatch) -> None:
    """Size and memory of a first-order Gauss-Markov process, within what nine laps of 90 s say of them."""
    found: list[Drift | None] = []
    monkeypatch.setattr(placing, "find_drift", lambda *a, **k: found.append(find_drift(*a, **k)) or found[-1])
    track = road_course()
    for seed in SEEDS:
        session_on(track, run_of("road course", drift=0.3, varied=0.3, seed=seed), learnt=True)
    assert all(found)
    assert np.mean([drift.size for drift in found]) == pytest.approx(0.3, rel=0.2)
    assert np.mean([drift.varied for drift in found]) == pytest.approx(0.3, rel=0.2)
    assert 10.0 < np.median([drift.memory for drift in found]) < 40.0
