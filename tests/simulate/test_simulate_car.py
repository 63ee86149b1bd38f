"""The car against closed forms, and the truth against itself."""

import numpy as np
import pytest

from lapkit.channels import STANDARD_GRAVITY
from lapkit.errors import LapError, LapkitError
from lapkit.simulate import (
    Braking,
    Car,
    Lift,
    Script,
    Track,
    Truth,
    corner_speed,
    drive,
    limit_speed,
    oval,
    road_course,
    stint,
    straight,
)
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR

DRAG = 0.5 * 1.225 * 0.70 / 1500.0  # rho 1.225 kg/m3, CdA 0.70 m2, mass 1500 kg
BARE = Car(power=0.0, drag=0.0, rolling=0.0, cornering=0.0, traction=1e9)
FOOT, MPH = 0.3048, 0.44704


def down_a_road(car: Car, length: float, speed: float, **options: object) -> Truth:
    road = Track([straight(length)], closed=False, relief=options.pop("relief", ()))  # type: ignore[arg-type]
    actions = options.pop("actions", ())
    return drive(road, car, [Script(None, actions)], start_speed=speed, out_lap=False, in_lap=False)  # type: ignore[arg-type]


def test_constant_power_with_drag() -> None:
    """m v dv/dx = P/v - k v^2; x = (m/3k) ln((P - k v0^3)/(P - k v1^3)). Closed form.

    P 300 kW, m 1500 kg, 40 to 60 m/s takes 318.66787 m and 6.234272 s.
    """
    run = down_a_road(Car(power=200.0, traction=1e9, drag=DRAG, rolling=0.0, cornering=0.0), 318.66786557134435, 40.0)
    assert run.laps["lap_time"].iloc[0] == pytest.approx(6.234272, rel=1e-6)
    assert run.laps["speed_at_line"].iloc[0] == pytest.approx(60.0, rel=1e-6)


def test_constant_force_with_drag() -> None:
    """x = (m/2k) ln((F - k v0^2)/(F - k v1^2)). Closed form: F 6000 N, 307.83873 m, 6.120929 s."""
    run = down_a_road(Car(power=1e9, traction=4.0, drag=DRAG, rolling=0.0, cornering=0.0), 307.83873367169684, 40.0)
    assert run.laps["lap_time"].iloc[0] == pytest.approx(6.120929, rel=1e-6)
    assert run.laps["speed_at_line"].iloc[0] == pytest.approx(60.0, rel=1e-6)


def test_height_becomes_speed() -> None:
    """OpenStax University Physics Volume 1, section 8.3: 15.0 m/s from 20.0 m arrives at 24.8 m/s."""
    run = down_a_road(BARE, 200.0, 15.0, relief=[(10.0, 0.5, 0.0)])
    assert run.laps["speed_at_line"].iloc[0] == pytest.approx(24.8, abs=0.05)
    assert run.laps["speed_at_line"].iloc[0] == pytest.approx(np.sqrt(15.0**2 + 2 * STANDARD_GRAVITY * 20.0), rel=1e-5)


def test_braking_distance() -> None:
    """OpenStax University Physics Volume 1, chapter 6: from 100.0 km/h at mu 0.500, g 9.80, 78.7 m to a stop.

    v^2 falls evenly with distance, so half the distance leaves the square root of half the square.
    """
    car = Car(power=0.0, drag=0.0, rolling=0.0, cornering=0.0, braking=0.5 * 9.80)
    at_once = Braking(0.0, 1.0, 0.0, 0.0, 1e6, close=1e-9, overlap=1e-9, press=1e-9)
    run = down_a_road(car, 78.735 / 2, 100 / 3.6, actions=(at_once,))
    assert run.laps["speed_at_line"].iloc[0] == pytest.approx(100 / 3.6 / np.sqrt(2), rel=1e-5)


def test_banked_corner_without_friction() -> None:
    """OpenStax University Physics Volume 1, section 6.3: r 100.0 m, 31.0 degrees, g 9.80 -> 24.3 m/s."""
    speed = corner_speed(100.0, np.radians(31.0), 0.0, gravity=9.80)
    assert float(speed) == pytest.approx(24.3, abs=0.05)


@pytest.mark.parametrize(
    ("feet", "degrees", "friction", "mph"),
    [(211.0, 24.0, 0.98, 89.33), (251.0, 28.0, 0.98, 108.86), (211.0, 24.0, 0.1, 42.44), (251.0, 28.0, 0.939, 105.0)],
)
def test_banked_corner_with_friction(feet: float, degrees: float, friction: float, mph: float) -> None:
    """OpenStax Calculus Volume 3, section 3.4, Navigating a Banked Turn: formula and inputs printed, answers ours."""
    speed = corner_speed(feet * FOOT, np.radians(degrees), friction, gravity=32.174 * FOOT)
    assert float(speed) / MPH == pytest.approx(mph, abs=0.02)


def test_bank_that_holds_at_any_speed() -> None:
    """The formula's derivation needs mu tan(bank) < 1."""
    assert np.isinf(corner_speed(100.0, np.radians(50.0), 0.98))


def test_steady_lap_of_a_circle() -> None:
    """v = sqrt(mu g R), and the banked formula at 20 degrees. Closed form: 20.0641 s and 13.7011 s."""
    for bank, speed, time in ((0.0, 31.315571, 20.064093), (20.0, 45.858945, 13.701112)):
        v = float(corner_speed(100.0, np.radians(bank), 1.0))
        assert v == pytest.approx(speed, rel=1e-6)
        assert 2 * np.pi * 100.0 / v == pytest.approx(time, rel=1e-6)


def test_stadium_with_constant_limits() -> None:
    """v^2 = v0^2 + 2 a x (OpenStax University Physics Volume 1, chapter 3). Closed form: lap 33.758864 s.

    Straights 300 m, half circles R 100 m; lateral 10, acceleration 5, braking 10 m/s2.
    """
    road, bend = np.arange(300.0), np.linspace(0.0, 100 * np.pi, 315)[:-1]
    half = 300.0 + 100 * np.pi
    s = np.concatenate([road, 300.0 + bend, half + road, half + 300.0 + bend])
    limit = np.where((s % half >= 300.0) | (s % half == 0), np.sqrt(1000.0), np.inf)
    v = limit_speed(s, limit, lambda _: 5.0, lambda _: 10.0, length=2 * half)
    assert v.min() == pytest.approx(31.622777, abs=1e-6)
    assert v.max() == pytest.approx(54.772256, abs=1e-6)
    assert int(np.argmax(v)) % 614 == 200
    assert v[150] == pytest.approx(50.0, abs=1e-9)
    ahead = np.roll(v, -1)
    assert np.sum(2 * np.diff(s, append=2 * half) / (v + ahead)) == pytest.approx(33.758864, abs=1e-6)


@pytest.fixture(scope="module", params=["oval", "road"])
def truth(request: pytest.FixtureRequest) -> Truth:
    return stint(oval() if request.param == "oval" else road_course(), laps=3, rate=20.0, seed=5)[1]


def test_lap_times_add_up(truth: Truth) -> None:
    assert truth.laps["lap_time"].sum() == pytest.approx(truth.crossings[-1] - truth.crossings[0], abs=1e-12)
    assert truth.crossings[0] == 0.0
    for lap in truth.numbers:
        assert float(truth.time_at(lap, truth.track.length)) == pytest.approx(truth.laps["lap_time"][lap - 1], abs=1e-9)
        assert float(truth.speed_at(lap, truth.track.length)) == pytest.approx(truth.laps["speed_at_line"][lap - 1])
        assert float(truth.path_at(lap, truth.track.length)) == pytest.approx(truth.laps["path_length"][lap - 1])


def test_place_and_time_are_inverse(truth: Truth) -> None:
    place = np.linspace(0.0, truth.track.length, 5001)[:-1]
    time = truth.start(2) + truth.time_at(2, place)
    assert np.allclose(truth.run_distance(time) - truth.track.length, place, atol=1e-8)
    assert np.all(np.diff(time) > 0)


def test_path_is_the_length_of_the_driven_curve(truth: Truth) -> None:
    time = np.linspace(*truth.span, 100_001)
    shape = truth.shape(time)
    x, y = truth.track.xy(shape["station"], shape["offset"])
    z = truth.track.height(shape["station"], shape["offset"])
    length = np.sqrt(np.diff(x) ** 2 + np.diff(y) ** 2 + np.diff(z) ** 2).sum()
    assert length == pytest.approx(float(np.diff(truth.path(np.array(truth.span)))[0]), abs=2e-3)
    for column in (x, y, z, shape["heading"]):
        assert np.abs(np.diff(column)).max() < 0.2  # nothing jumps at the line


def test_motion_obeys_the_car(truth: Truth) -> None:
    """dv/dt equals the forces per mass, from the truth's own throttle, brake, line and speed."""
    car = OVAL_CAR if len(truth.track.turns) == 2 else ROAD_CAR
    rng = np.random.default_rng(0)
    time = rng.uniform(truth.span[0] + 0.1, truth.span[1] - 0.1, 20_000)
    shape, v = truth.shape(time), truth.speed(time)
    power = car.power * np.interp(truth.throttle(time), *np.array(car.power_curve).T)
    lateral = (v * shape["level"]) ** 2 * shape["curvature"]
    h = 1e-3
    after, before = truth.shape(time + h), truth.shape(time - h)
    rise = truth.track.height(after["station"], after["offset"]) - truth.track.height(
        before["station"], before["offset"]
    )
    grade = rise / (truth.path(time + h) - truth.path(time - h))
    model = (
        np.minimum(power / v, car.traction) - car.drag * v**2 - car.rolling - car.cornering * lateral**2
        - car.braking * truth.brake(time) - STANDARD_GRAVITY * grade
    )  # fmt: skip
    error = np.abs(model - truth.acceleration(time))
    assert np.percentile(error, 99) < 0.01
    assert error.max() < 0.6  # within a step where the drive force has a corner


def test_step_of_the_integration_does_not_matter() -> None:
    track = oval()
    script = Script(None, (Lift(100.0, 0.2, 0.2, 1.5, 0.3), Lift(720.0, 0.1, 0.25, 1.7, 0.3)))
    runs = [drive(track, OVAL_CAR, [script] * 3, start_speed=42.0, step=step) for step in (0.02, 0.005)]
    assert runs[0].laps["lap_time"][0] == pytest.approx(runs[1].laps["lap_time"][0], abs=2e-5)


def test_lifts_follow_the_script() -> None:
    """A ramp from 1 to 0.2 in 0.2 s is below 0.95 after 0.0125 s, and again until 0.0625/4 s before its end."""
    script = Script(None, (Lift(100.0, 0.2, 0.2, 1.5, 0.32),))
    run = drive(oval(), OVAL_CAR, [script] * 3, start_speed=42.0)
    lift = run.lifts(1, threshold=0.95).iloc[0]
    assert lift["duration"] == pytest.approx(0.2 + 1.5 + 0.32 - 0.0125 - 0.02, abs=1e-9)
    assert lift["start_time"] == pytest.approx(float(run.time_at(1, 100.0)) + 0.0125, abs=1e-8)
    assert lift["min_throttle"] == pytest.approx(0.2)
    assert lift["kind"] == "lift"
    triangles = (1 - 0.2) * (0.2 + 0.32) / 2 - 0.05 * (0.0125 + 0.02) / 2
    assert lift["full_lift_time"] == pytest.approx(triangles + 0.8 * 1.5, abs=1e-9)


def test_events_against_dense_sampling(truth: Truth) -> None:
    lap = 2
    time = truth.start(lap) + np.linspace(0, truth.laps["lap_time"][lap - 1], 400_001)
    below = truth.throttle(time) < 0.9
    assert truth.lifts(lap, threshold=0.9)["duration"].sum() == pytest.approx(
        below.sum() * np.diff(time[:2])[0], abs=2e-3
    )
    place = truth.run_distance(time) - (lap - 1) * truth.track.length
    for c in truth.corners(lap).itertuples(index=False):
        inside = (place >= c.start_distance) & (place < c.end_distance)
        assert truth.speed(time[inside]).min() == pytest.approx(c.min_speed, abs=1e-4)


def test_road_course_shifts_and_brakes() -> None:
    table, truth = stint(road_course(), laps=1, rate=50.0, seed=2)
    assert table["gear"].min() == 1
    assert table["gear"].max() == 5
    assert table["brake"].max() > 0.5
    assert set(truth.lifts(1)["kind"]) == {"lift", "shift cut"}
    assert truth.lifts(1).query("kind == 'shift cut'")["duration"].max() < 0.2
    assert truth.corners(1).query("corner == '5'")["min_speed"].iloc[0] < 13
    assert np.abs(table["lateral_acceleration"]).max() < 16


def test_start_from_rest() -> None:
    table, truth = stint(laps=1, rate=20.0, seed=1, rest=3.0, phase=0.0)
    assert (table["speed"][table["time"] < 2.9] < 1e-9).all()
    assert table["speed"].iloc[-1] > 30
    assert truth.laps["lap_time"][0] > 28


def test_laps_differ_by_hundredths() -> None:
    times = stint(laps=20, rate=10.0, seed=4)[1].laps["lap_time"]
    assert 0.005 < times.std() < 0.1
    assert stint(laps=3, rate=10.0, seed=4, variation=0.0)[1].laps["lap_time"].std() < 0.005


def test_car_that_stops() -> None:
    stop = Braking(10.0, 1.0, 0.0, 0.0, 1e6)
    with pytest.raises(LapkitError, match=r"the car stops at \d+\.\d m of lap 0"):
        drive(oval(), OVAL_CAR, [Script(None, (stop,))], start_speed=10.0)


def test_lap_that_was_not_driven() -> None:
    _, truth = stint(laps=2, rate=10.0)
    with pytest.raises(LapError, match=r"laps 1 to 2, not 5"):
        truth.time_at(5, 0.0)
