"""Place and offset of whole recordings: what they are worth, and where they must not jump."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from roads import (
    Run,
    centre_line,
    draw,
    figure_of_eight,
    hairpin,
    record_line,
    run_off,
    session_on,
    shortcut,
    there_and_back,
)
from support import session_of

from lapkit import LapError, Recording, Session
from lapkit.model.place import ReferenceLine, project
from lapkit.model.recording import Provenance
from lapkit.model.tracks.track import Track as LapTrack
from lapkit.model.tracks.track import no_corners
from lapkit.simulate import oval, road_course
from lapkit.simulate.courses import stadium
from lapkit.simulate.track import Track

TRACKS = {
    "figure of eight": figure_of_eight(),
    "hairpin, anticlockwise": hairpin(),
    "hairpin, clockwise": hairpin(-1.0),
    "oval": oval(),
    "road course": road_course(),
}


def missed(track: Track, run: Run, session: Session) -> tuple[np.ndarray, np.ndarray]:
    """Errors of station and offset at the samples that lie in whole laps and on the track.

    A line learnt from laps is nobody's centre line: there the truth is the exact position, projected.
    """
    found = session._placement
    station, offset = run.station, run.offset
    if not np.array_equal(found.reference.x, centre_line(track).x):
        x, y = track.xy(np.mod(station, track.length), offset)
        station, offset = project(found.reference, x, y, station * found.length / track.length)
    inside = run.known & (run.station > 0) & (run.station < np.floor(run.station[-1] / track.length) * track.length)
    return (found.place - station)[inside], (found.offset - offset)[inside]


def share_within_two(miss: np.ndarray, sigma: float) -> float:
    return float(np.mean(np.abs(miss[np.isfinite(miss)]) <= 2.0 * sigma))


def keeps_its_contract(session: Session) -> None:
    assert np.all(np.diff(session._placement.place) >= 0)
    for number in session.laps["lap"]:
        assert (session.lap(int(number))["time"].dropna().diff().dropna() > 0).all()


# ------------------------------------------------------------- parts of the track close together


@pytest.mark.parametrize("learnt", [False, True], ids=["given line", "learnt line"])
@pytest.mark.parametrize(("name", "offset"), [
    ("figure of eight", -2.0), ("figure of eight", 2.0), ("hairpin, anticlockwise", -4.0), ("hairpin, anticlockwise", 4.0),
    ("hairpin, clockwise", -4.0), ("hairpin, clockwise", 4.0),
])  # fmt: skip
def test_no_jump_to_another_part_of_the_track(name: str, offset: float, learnt: bool) -> None:
    """Lines 2 and 4 m off; noise of 0 to 3 m, white and wandering; the legs of the hairpin are 12 m apart.

    Inside the hairpin the line has a radius of 2 m: noise of 3 m there is 8 m along the track, nowhere else.
    """
    track = TRACKS[name]
    for rate, fix_rate, white, wander in (
        (50, 10, 0.0, 0.0),
        (20, 10, 1.0, 0.0),
        (20, 10, 3.0, 0.0),
        (20, 1, 1.0, 1.0),
    ):
        run = record_line(draw(track, 5, offset), rate, fix_rate=fix_rate, white=white, wander=wander, speed_noise=0.03)
        session = session_on(track, run, learnt=learnt)
        assert session.laps["complete"].sum() == 5
        keeps_its_contract(session)
        along, aside = missed(track, run, session)
        assert np.sqrt(np.mean(along**2)) < 0.05 + 0.45 * white + 1.3 * wander
        assert np.abs(along).max() < (0.8 if white == 0 else 12.0)
        assert np.nanmax(np.abs(aside)) < 0.1 + (3.2 if learnt else 2.0) * white + 4.5 * wander


def test_the_start_line_may_lie_beside_a_leg_driven_the_other_way() -> None:
    """A line 20 m to each side reaches over the neighbouring leg, which noise of 3 m makes the car cross and cross again."""
    track = TRACKS["hairpin, anticlockwise"]
    run = record_line(draw(track, 3, -2.0), 20, white=3.0)
    x, y = (float(v) for v in track.xy(60.0))
    session = session_of(run.samples, start_line=(x, y, float(track.heading(60.0))))
    assert session.laps["complete"].sum() == 3
    assert np.diff(session._cuts.time) == pytest.approx(np.median(np.diff(session._cuts.time)), abs=0.5)


@pytest.mark.parametrize("white", [0.0, 1.0])
@pytest.mark.parametrize("name", ["oval", "road course", "figure of eight"])
def test_a_lap_that_leaves_the_track_and_returns(name: str, white: float) -> None:
    track = TRACKS[name]
    at = 2.45 * track.length
    line = draw(track, 4, 2.0)
    for left in (
        run_off(track, line, at, 60.0, 200.0), shortcut(line, at, 60.0), shortcut(line, at, 150.0),
        there_and_back(track, line, at, 60.0), there_and_back(track, line, at, 150.0),
    ):  # fmt: skip
        run = record_line(left, 20, fix_rate=10, white=white)
        session = session_on(track, run)
        assert session.laps["complete"].sum() == 4
        keeps_its_contract(session)
        along, _ = missed(track, run, session)
        inside = run.known & (run.station > 0) & (run.station < 4 * track.length)
        near = np.abs(run.station[inside] - at) < 230.0  # noise is averaged over 60 m here
        assert np.abs(along[~near]).max() < 0.1 + 2.0 * white
        assert (
            np.abs(along[near & (run.station[inside] > at + 60.0)]).max() < 0.2 + 2.0 * white
        )  # at once after it returns
        assert np.abs(along).max() < 12.0


def test_holes_in_position_are_bridged_by_speed() -> None:
    track = TRACKS["road course"]
    run = record_line(draw(track, 4, -1.0), 20, white=0.3, speed_noise=0.03)
    time = run.samples["time"]
    hole = np.zeros(len(time), dtype=bool)
    for start, length in ((20.0, 1.0), (60.0, 5.0), (105.0, 10.0)):
        hole |= ((time > start) & (time < start + length)).to_numpy()
    run.samples.loc[hole, ["x", "y"]] = np.nan
    session = session_on(track, run)
    keeps_its_contract(session)
    along, aside = missed(track, run, session)
    inside = run.known & (run.station > 0) & (run.station < 4 * track.length)
    assert np.abs(along[~hole[inside]]).max() < 1.0
    assert np.abs(along[hole[inside]]).max() < 4.0  # 10 s and 300 m by speed alone
    assert np.isnan(aside[hole[inside]]).all()
    assert np.isfinite(aside[~hole[inside]]).mean() > 0.99


# ---------------------------------------------------------------------- what the errors are worth

RECEIVERS = [  # rate, rate of positions (Hz), white noise, wander (m), memory (s)
    (50, 25, 0.05, 0.3, 20), (20, 10, 0.3, 0.0, 20), (50, 10, 0.3, 0.5, 20), (60, 10, 1.0, 0.0, 20), (20, 5, 1.0, 1.0, 20),
    (20, 10, 3.0, 0.0, 20), (25, 5, 3.0, 3.0, 20), (60, 1, 0.3, 0.3, 20), (20, 1, 1.0, 1.0, 20), (20, 10, 0.1, 3.0, 60),
]  # fmt: skip


def weaving(track: Track) -> Callable[[np.ndarray], np.ndarray]:
    """A driver's line: the same every lap but for some decimetres."""
    around = 2 * np.pi / track.length
    return lambda station: (
        1.5 * np.sin(9 * around * station) + np.sin(2 * around * station) + 0.3 * np.sin(station / 407.0)
    )


@pytest.mark.parametrize("learnt", [False, True], ids=["given line", "learnt line"])
@pytest.mark.parametrize("name", ["oval", "road course"])
def test_about_95_percent_of_stations_and_offsets_lie_within_two_stated_errors(name: str, learnt: bool) -> None:
    """Positions at 1 to 25 Hz, noise of 0.05 to 3 m, under speed at 20 to 60 Hz."""
    track = TRACKS[name]
    line = draw(track, 18 if name == "oval" else 9, weaving(track))
    stations, offsets = [], []
    for seed, (rate, fix_rate, white, wander, memory) in enumerate(RECEIVERS):
        run = record_line(
            line, rate, fix_rate=fix_rate, white=white, wander=wander, wander_time=memory, speed_noise=0.03, seed=seed
        )
        session = session_on(track, run, learnt=learnt)
        along, aside = missed(track, run, session)
        frame = session.best()
        stations.append(share_within_two(along, frame.attrs["place_error"]))
        offsets.append(share_within_two(aside, frame.attrs["offset_error"]))
        # honest, not merely wide
        assert frame.attrs["place_error"] < 0.1 + 2.3 * np.sqrt(np.mean(along**2)), (rate, fix_rate, white, wander)
    assert min(stations) >= 0.85, stations  # one run of nine laps, drift of a minute: few independent errors
    assert min(offsets) >= 0.9, offsets
    assert 0.94 <= np.mean(stations) <= 0.995
    assert 0.94 <= np.mean(offsets) <= 0.997


def test_without_noise_place_and_offset_are_exact_to_centimetres() -> None:
    for name in ("oval", "road course"):
        track = TRACKS[name]
        run = record_line(draw(track, 3, weaving(track)), 50)
        session = session_on(track, run)
        along, aside = missed(track, run, session)
        assert np.abs(along).max() < 0.02
        assert np.abs(aside).max() < 0.015  # a chord of 1 m cuts the road course's 12 m hairpin by 0.01
        assert session.best().attrs["place_error"] < 0.12


def test_without_position_there_is_no_offset() -> None:
    run = record_line(draw(TRACKS["oval"], 3, 0.0), 20)
    frame = session_of(run.samples[["time", "speed"]].assign(lap=np.floor(run.station / oval().length) + 1)).lap(2)
    assert "offset" not in frame
    assert frame.attrs["offset_error"] is None


# ------------------------------------------------------------ a track given, and the recording's line


@pytest.fixture(scope="module")
def lap_of_oval() -> Run:
    return record_line(draw(oval(), 4, -1.5), 25)


def moved(line: ReferenceLine, by: int, *, back: bool = False) -> ReferenceLine:
    x, y = np.roll(line.x, -by), np.roll(line.y, -by)
    return ReferenceLine(x[::-1].copy() if back else x, y[::-1].copy() if back else y, line.spacing, line.length)


@pytest.mark.parametrize("back", [False, True], ids=["same way", "other way"])
@pytest.mark.parametrize("by", [0, 3, 400])
@pytest.mark.parametrize("cut", ["line", "lap column"])
def test_a_track_is_turned_to_the_recordings_line_and_way(lap_of_oval: Run, by: int, back: bool, cut: str) -> None:
    track = oval()
    line = moved(centre_line(track), by, back=back)
    markers = pd.DataFrame({"marker": ["flag stand"], "distance": [50.0]})
    stand = np.array([np.interp(50.0, np.arange(len(line.x)) * line.spacing, v) for v in (line.x, line.y)])
    profile = pd.DataFrame({"left_width": [8.0, 8.0], "right_width": [5.0, 5.0]}, index=pd.Index([0.0, 600.0]))
    given = LapTrack(line.length, no_corners(), reference=line, markers=markers, profile=profile)
    samples = lap_of_oval.samples
    if cut == "lap column":
        samples = samples.assign(lap=np.floor(lap_of_oval.station / track.length) + 1)
    session = session_of(samples, start_line=track.start_line if cut == "line" else None, track=given)
    assert session.laps["complete"].sum() == 4
    frame = session.lap(2)
    true_x, _ = track.xy(frame.index.to_numpy(), -1.5)
    assert np.abs(frame["x"] - true_x).max() < (0.3 if cut == "line" else 2.0)
    assert np.abs(frame["offset"] + 1.5).max() < 0.05
    marker = float(session.track.markers["distance"].iloc[0])
    slack = 0.1 if cut == "line" else 5.0 if by < 5 else 2.0  # a lap column tells the line to within a sample
    place = np.array([float(v) for v in track.xy(marker)])
    assert np.hypot(*(place - stand)) < slack + 0.1
    assert session.track.along("left_width", np.array([30.0]))[0] == pytest.approx(5.0 if back else 8.0)
    said = " ".join(session.assumptions)
    assert ("turned round" in said) == back
    assert ("Places count from the line these laps run from" in said) == (by == 400)


def test_a_track_elsewhere_is_refused(lap_of_oval: Run) -> None:
    line = centre_line(oval())
    far = ReferenceLine(line.x + 3000.0, line.y, line.spacing, line.length)
    with pytest.raises(LapError, match=r"not on the track given: its positions lie \d+ m .* must share one frame"):
        session_of(lap_of_oval.samples, track=LapTrack(far.length, no_corners(), reference=far))


# --------------------------------------------------------------------------------- lengths of lines


def driven_length(frame: pd.DataFrame) -> float:
    """Metres driven from line to line: the last rows carried on to the track length."""
    path, place = frame["path"].to_numpy(), frame.index.to_numpy()
    rate = (path[-1] - path[-2]) / (place[-1] - place[-2])
    return float(path[-1] + (frame.attrs["track_length"] - place[-1]) * rate)


@settings(max_examples=8, deadline=None)
@given(
    st.floats(-4.0, 4.0),
    st.floats(0.0, 0.25),
    st.floats(0.0, 6.0),
    st.sampled_from([1.0, -1.0]),
)
def test_parallel_lines_round_any_loop_differ_by_two_pi_times_their_offset(
    offset: float, dent: float, phase: float, way: float
) -> None:
    """Steiner's formula for parallel curves. Any closed loop, dented as it likes, as measured by the path of frames."""
    angle = way * np.linspace(0.0, 2 * np.pi, 6001)
    radius = 120.0 * (1 + dent * np.cos(2 * angle + phase) / 3 + dent * np.cos(3 * angle) / 8)
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    closed = np.gradient(np.stack([x, y]), axis=1)
    closed[:, [0, -1]] = ((np.stack([x, y])[:, 1] - np.stack([x, y])[:, -2]) / 2)[:, None]
    normal = np.stack([-closed[1], closed[0]]) / np.hypot(*closed)
    lengths = []
    for e in (0.0, offset):
        px, py = x + e * normal[0], y + e * normal[1]
        metres = np.append(0.0, np.cumsum(np.hypot(np.diff(px), np.diff(py))))
        rounds = np.concatenate([metres[:-1], metres[:-1] + metres[-1], metres + 2 * metres[-1]])
        time = np.arange(0.0, rounds[-1] / 40.0, 0.02)
        at = np.mod(40.0 * time, metres[-1])
        samples = pd.DataFrame({
            "time": time, "x": np.interp(at, metres, px), "y": np.interp(at, metres, py), "speed": 40.0,
        })  # fmt: skip
        heading = float(np.arctan2(closed[1, 3000], closed[0, 3000]))
        session = session_of(samples, start_line=(float(x[3000]), float(y[3000]), heading))
        lengths.append(driven_length(session.best()))
    assert lengths[0] - lengths[1] == pytest.approx(way * 2 * np.pi * offset, abs=1e-3 + 2e-3)  # and the grid's error


@pytest.mark.parametrize(("lane", "stagger"), [(2, 7.037), (3, 14.703), (6, 37.699), (8, 53.030)])
def test_staggers_of_the_standard_athletics_track_by_the_path_of_frames(lane: int, stagger: float) -> None:
    """Lanes of 1.22 m, measured 0.30 m out of the kerb in lane 1 and 0.20 m in the others.

    World Athletics Track and Field Facilities Manual (2008), 400 m standard track: straights of 84.39 m, kerb radius
    36.50 m; staggers 2 pi (1.22 (n - 1) - 0.10), printed values from memory, formula on public pages.
    """
    track = stadium(84.39, 36.80)  # the line that lane 1 is measured on
    assert track.length == pytest.approx(400.001, abs=1e-3)
    first, other = (
        session_on(track, record_line(draw(track, 2, e), 50, top_speed=9.0)) for e in (0.0, -(1.22 * (lane - 1) - 0.10))
    )
    metres = [driven_length(session.lap(1)) for session in (first, other)]
    assert metres[0] == pytest.approx(400.001, abs=0.01)
    assert metres[1] - metres[0] == pytest.approx(stagger, abs=2e-3)
    assert other.lap(1)["offset"].mean() == pytest.approx(-(1.22 * (lane - 1) - 0.10), abs=2e-3)  # chords of 1 m


def test_a_path_recorded_in_degrees_has_the_length_of_the_ellipsoid() -> None:
    """Flinders Peak, GDA Technical Manual (ICSM / Geoscience Australia): the local frame of test_geodesy.py at work.

    A circle of 100 m drawn with the radii of curvature there (Euler's formulae, GRS 80) is 2 pi 100 m round.
    """
    from lapkit.simulate.recorder import geodetic

    origin = (-np.radians(37 + 57 / 60 + 3.72030 / 3600), np.radians(144 + 25 / 60 + 29.52440 / 3600))
    angle = np.arange(0.0, 6 * np.pi, 0.005)
    e2 = 1 / 298.257222101 * (2 - 1 / 298.257222101)
    normal = 6378137.0 / np.sqrt(1 - e2 * np.sin(origin[0]) ** 2)
    meridian = normal * (1 - e2) / (1 - e2 * np.sin(origin[0]) ** 2)
    latitude = origin[0] + 100.0 * np.sin(angle) / meridian
    longitude = origin[1] + 100.0 * np.cos(angle) / (normal * np.cos(origin[0]))
    from lapkit.model.geodesy import geodetic_to_local

    x, y, _ = geodetic_to_local(latitude, longitude, origin=(latitude[0], longitude[0], 0.0))
    samples = pd.DataFrame({"time": angle / 0.4, "x": x, "y": y, "latitude": latitude, "longitude": longitude})
    samples["speed"] = 40.0
    recording = Recording(
        samples, Provenance("d.csv"), origin=(float(np.degrees(latitude[0])), float(np.degrees(longitude[0])))
    )
    session = Session(recording)
    assert session.track.length == pytest.approx(2 * np.pi * 100.0, abs=0.02)
    back = geodetic(x, y, (latitude[0], longitude[0]))
    np.testing.assert_allclose(np.degrees(back[0]), np.degrees(latitude), atol=2e-9)
