"""Height and banking of the track: closed forms, and honest uncertainties on simulated laps."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from numpy.typing import NDArray
from scipy.spatial import cKDTree
from support import session_of

from lapkit import Session
from lapkit.analysers.lines.banked_turn import in_plane_acceleration, normal_acceleration
from lapkit.analysers.lines.surface import MOUNTING_UNCERTAINTY, ROLL_GRADIENT_UNCERTAINTY, surface
from lapkit.channels import STANDARD_GRAVITY
from lapkit.errors import FrameError
from lapkit.simulate import CONSUMER, oval, stint
from lapkit.simulate.demo import OVAL_CAR
from lapkit.simulate.driver import oval_driver, run_scripts
from lapkit.simulate.line import Line
from lapkit.simulate.recorder import Noise, record
from lapkit.simulate.truth import drive

Array = NDArray[np.float64]
OVAL = oval()
COLUMNS = ["height", "height_uncertainty", "banking", "banking_uncertainty"]


def samples_of(seed: int, *, laps: int = 8, apart: float = 2.5, noise: Noise | None = CONSUMER, roll: float = 0.0,
               mounting: float = 0.0, body_fixed: bool = True) -> pd.DataFrame:  # fmt: skip
    """Laps whose lines part in the corners, with sensors fixed to a body that rolls on its springs."""
    rng = np.random.default_rng(seed)
    scripts = []
    for script in run_scripts(oval_driver(OVAL), laps, rng, 1.0):
        line = script.line
        assert line is not None
        stations, offsets = np.array(line.stations), np.array(line.offsets)
        bends = np.abs(OVAL.curvature(stations)) > 0.003
        moved = offsets + rng.normal(0.0, apart) * bends
        scripts.append(
            replace(
                script,
                line=Line(OVAL.length, stations.tolist(), moved.tolist(), wobble=line.wobble, phases=line.phases),
            )
        )
    truth = drive(OVAL, OVAL_CAR, scripts, start_speed=40.0)
    table = record(truth, 60.0, noise=noise, seed=seed, body_fixed=body_fixed)
    level = record(truth, 60.0, seed=seed, channels=("speed", "yaw_rate", "banking"))
    pressed = normal_acceleration(level["speed"], level["yaw_rate"] / level["speed"], level["banking"])
    lean = roll * table["lateral_acceleration"] + mounting  # right side down, so the sensor's left points up
    felt = table["lateral_acceleration"] * np.cos(lean) + pressed * np.sin(lean)
    return table.assign(lateral_acceleration=felt)


def session(samples: pd.DataFrame) -> Session:
    return session_of(samples, start_line=OVAL.start_line)


def truth_along(found: Session) -> tuple[Array, Array]:
    """Banking, and height of the reference line that was learnt, wherever on the true track it lies."""
    reference = found.track.reference
    assert reference is not None
    place = found.lap(2).index.to_numpy()
    along = np.arange(len(reference.x) + 1) * reference.spacing
    x, y = (np.interp(place, along, np.append(v, v[0])) for v in (reference.x, reference.y))
    stations = np.arange(0.0, OVAL.length, 0.1)
    centre = np.stack(OVAL.xy(stations), axis=1)
    near = cKDTree(centre).query(np.stack([x, y], axis=1))[1]
    heading = OVAL.heading(stations[near])
    offset = -(x - centre[near, 0]) * np.sin(heading) + (y - centre[near, 1]) * np.cos(heading)
    height = OVAL.height(stations[near], offset)
    return OVAL.banking(stations[near]), height - height[0]


@lru_cache(maxsize=1)
def runs() -> list[tuple[Session, Array, Array]]:
    out = []
    for seed in range(8):
        rng = np.random.default_rng(100 + seed)
        roll, mounting = rng.normal(0.0, [ROLL_GRADIENT_UNCERTAINTY, MOUNTING_UNCERTAINTY])
        found = session(samples_of(seed, roll=roll, mounting=mounting))
        out.append((found, *truth_along(found)))
    return out


@pytest.mark.parametrize(("sources", "name"), [
    (("altitude",), "banking"), (("altitude",), "height"), (("lateral acceleration",), "banking"),
    (("altitude", "lateral acceleration"), "banking"), (("altitude", "lateral acceleration"), "height"),
])  # fmt: skip
def test_uncertainties_are_honest(sources: tuple[str, ...], name: str) -> None:
    inside: list[bool] = []
    for found, banking, height in runs():
        table = surface(found, sources=sources)
        off = (table[name] - (banking if name == "banking" else height)) / table[f"{name}_uncertainty"]
        inside += (off.dropna().abs() < 2)[10:].tolist()
    assert len(inside) > 800
    assert 0.88 < np.mean(inside) <= 1.0


def test_how_well_it_is_told() -> None:
    banking_off, height_off = [], []
    for found, banking, height in runs():
        table = surface(found)
        assert table.attrs["sources"]["height"] == "altitude"
        assert "lateral acceleration" in table.attrs["sources"]["banking"]
        banking_off.append(table["banking"] - banking)
        height_off.append(table["height"] - height)
    assert np.degrees(np.sqrt(np.mean(np.concatenate(banking_off) ** 2))) < 1.5
    assert np.sqrt(np.mean(np.concatenate(height_off) ** 2)) < 0.06


# ------------------------------------------------------------------------- closed forms


def circles(count: int = 6, *, banking: float = 0.25, drift: float = 0.0, gyro: bool = False) -> list[pd.DataFrame]:
    """Laps of one circle at different offsets, on a cone that leans by `banking`, over a gentle hill."""
    radius, n = 100.0, 628
    place = np.arange(n, dtype=float)
    angle = 2 * np.pi * place / n
    rng = np.random.default_rng(0)
    out = []
    for offset in np.linspace(-4.0, 4.0, count):
        e = offset * (1.0 - np.cos(angle)) / 2 + 0.3 * np.sin(2 * angle + offset)  # all meet near the line
        way = radius - e
        speed = np.full(n, 35.0)
        # the car's own curvature, seen from above
        x, y = way * np.cos(angle), way * np.sin(angle)
        dx, dy = np.gradient(x, angle), np.gradient(y, angle)
        bend = (dx * np.gradient(dy, angle) - dy * np.gradient(dx, angle)) / np.hypot(dx, dy) ** 3
        z = 2.0 * np.cos(angle) - e * np.tan(banking) + rng.normal(0.0, drift)
        frame = pd.DataFrame(
            {
                "speed": speed, "z": z, "offset": e,
                "path": np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y)))),
                "time": np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y)))) / 35.0,
                "lateral_acceleration": in_plane_acceleration(speed, bend, banking),
            },
            index=pd.Index(place, name="distance"),
        )  # fmt: skip
        frame = frame.assign(yaw_rate=speed * bend * np.cos(banking)) if gyro else frame.assign(x=x, y=y)
        frame.attrs = {"place_error": 1e-3}
        out.append(frame)
    return out


@pytest.mark.parametrize("drift", [0.0, 1.0])
def test_altitude_on_a_cone(drift: float) -> None:
    table = surface(circles(drift=drift), sources=("altitude",))
    known = table["banking"].dropna()
    assert len(known) > 350
    assert np.abs(known - 0.25).max() < (0.01 if drift == 0 else 0.12)
    assert (np.abs(known - 0.25) < 2 * table.loc[known.index, "banking_uncertainty"]).mean() > 0.9
    place = table.index.to_numpy()
    hill = 2.0 * np.cos(2 * np.pi * place / 628) - 2.0
    assert (np.abs(table["height"] - hill) < 2 * table["height_uncertainty"] + 1e-9).mean() > 0.9
    assert table["height"].iloc[0] == 0.0


@pytest.mark.parametrize("gyro", [False, True])
def test_lateral_acceleration_on_a_level_circle(gyro: bool) -> None:
    flat = [frame.assign(z=0.0) for frame in circles(4, gyro=gyro)]
    on_one_line = [frame.assign(offset=0.0) for frame in flat]
    table = surface(on_one_line, sources=("lateral acceleration",))
    assert table.attrs["sources"] == {"height": "none", "banking": "lateral acceleration"}
    assert np.degrees(np.abs(table["banking"] - 0.25)).median() < 0.3
    assert table["height"].isna().all()


def test_right_turns_mirror_left_turns() -> None:
    left = circles(gyro=True)
    turned = ["offset", "lateral_acceleration", "yaw_rate"]
    right = []
    for frame in left:
        mirrored = frame.copy()
        mirrored[turned] = -mirrored[turned]
        right.append(mirrored)
    a, b = surface(left), surface(right)
    np.testing.assert_allclose(b["banking"], -a["banking"], atol=1e-9)
    np.testing.assert_allclose(b["height"], a["height"], atol=1e-9)


def test_roll_of_the_body_is_taken_off() -> None:
    roll = float(np.radians(2.0)) / STANDARD_GRAVITY
    found = session(samples_of(0, laps=4, noise=None, roll=roll))
    banking = truth_along(found)[0]
    sources = ("lateral acceleration",)
    bends = np.abs(banking) > 0.25
    plain = surface(found, sources=sources)["banking"] - banking
    given = surface(found, sources=sources, roll_gradient=roll)["banking"] - banking
    assert np.degrees(plain[bends].mean()) < -2.0  # the body leans out: less banking than there is
    assert abs(np.degrees(given[bends].mean())) < 0.7


def test_less_known_of_the_roll_is_less_known_of_the_banking() -> None:
    found = runs()[0][0]
    sources = ("lateral acceleration",)
    little, much = (surface(found, sources=sources, roll_gradient_uncertainty=u) for u in (0.0, 0.005))
    assert (much["banking_uncertainty"] > little["banking_uncertainty"]).all()


# ---------------------------------------------------------------------- what sources say


def test_an_accelerometer_of_the_level_plane_is_left_out() -> None:
    found = session(samples_of(1, body_fixed=False))
    table = surface(found)
    assert table.attrs["sources"]["banking"] == "altitude"
    assert any("corrected to the level plane" in note for note in table.attrs["notes"])
    alone = surface(found, sources=("lateral acceleration",))  # asked for by name, it is believed
    assert np.degrees(alone["banking"].abs().max()) < 3.0
    assert any("does not say which" in note for note in alone.attrs["notes"])


def test_a_sensor_that_stands_askew_is_left_out() -> None:
    table = surface(session(samples_of(1, mounting=float(np.radians(12.0)))))
    assert table.attrs["sources"]["banking"] == "altitude"
    assert any("does not agree with altitude" in note for note in table.attrs["notes"])


def test_the_table_of_the_track() -> None:
    found, banking, height = runs()[0]
    places = found.lap(2).index[::5]
    known = pd.DataFrame({"banking": banking[::5], "height": height[::5] + 300.0}, index=places)
    track = replace(found.track, profile=known)
    again = session_of(samples_of(0), track=track)
    table = surface(again, sources=("track",))
    assert table.attrs["sources"] == {"height": "track", "banking": "track"}
    np.testing.assert_allclose(table["banking"], banking, atol=0.01)
    np.testing.assert_allclose(table["height"], height, atol=0.05)  # counted from the line
    assert np.degrees(table["banking_uncertainty"]).round(3).eq(0.5).all()
    every = surface(again)
    assert "track" in every.attrs["sources"]["banking"]
    assert (every["banking_uncertainty"] <= table["banking_uncertainty"] + 1e-9).all()


def test_laps_on_one_line_tell_no_banking_by_altitude() -> None:
    samples = samples_of(2, apart=0.0)
    table = surface(session(samples), sources=("altitude",))
    assert table["banking"].isna().all()
    assert table["height"].notna().all()
    assert any("part by more than the error of position" in note for note in table.attrs["notes"])


def test_nothing_to_go_by() -> None:
    samples = samples_of(3, laps=2)[["time", "x", "y", "speed"]]
    table = surface(session(samples))
    assert list(table.columns) == COLUMNS
    assert table.isna().all(axis=None)
    assert table.attrs["sources"] == {"height": "none", "banking": "none"}
    assert any("Nothing says how the track is banked" in note for note in table.attrs["notes"])


def test_one_lap_and_no_position() -> None:
    frame = runs()[0][0].lap(3)
    before = frame.copy()
    table = surface([frame])
    pd.testing.assert_frame_equal(frame, before)
    assert table["banking_uncertainty"].min() > np.radians(1.0)
    blind = surface([frame.drop(columns=["x", "y", "offset"])])
    assert blind.attrs["sources"] == {"height": "altitude", "banking": "lateral acceleration"}  # by yaw rate
    assert any("not placed by position" in note for note in blind.attrs["notes"])


def test_faults_are_named() -> None:
    frame = circles(1)[0]
    with pytest.raises(FrameError, match=r"'altimeter' is not a source.*altitude, track, lateral acceleration"):
        surface([frame], sources=("altimeter",))
    with pytest.raises(FrameError, match="expected a session, a lap frame or a list"):
        surface([])
    with pytest.raises(FrameError, match=r"one grid; found frames of 628, 600 rows"):
        surface([frame, frame.iloc[:600]])


def test_sample_recording_without_truth() -> None:
    samples, _ = stint(OVAL, laps=3, rate=25.0, seed=5)
    table = surface(session(samples))
    assert list(table.columns) == COLUMNS
    assert table["height"].notna().all()


def test_a_hole_over_the_line_leaves_banking_sound() -> None:
    session = session_of(samples_of(3, laps=4))
    frames = [session.lap(int(n)) for n in session.laps.loc[session.clean, "lap"]][:3]
    torn = [frame.copy() for frame in frames]
    torn[1].iloc[-60:] = np.nan
    whole, holed = (surface(laps, sources=("lateral acceleration",))["banking"] for laps in (frames, torn))
    assert float((holed - whole).abs().max()) < np.radians(1.5)
