import numpy as np
import pytest

from lapkit import LapError
from lapkit.model.line import StartLine, crossings, direction_at, parse_start_line, position_noise


def straight(rate=20.0, speed=50.0, acceleration=0.0, start=-100.3, noise=0.0, seconds=6.0):
    time = np.arange(0.0, seconds, 1 / rate)
    path = speed * time + 0.5 * acceleration * time**2
    rng = np.random.default_rng(4)
    x = start + path + rng.normal(0, noise, len(time)) if noise else start + path
    return time, x, np.zeros_like(time), path


@pytest.mark.parametrize(("given", "expected"), [
    ("1,2", (1.0, 2.0, None)),
    ((1, 2), (1.0, 2.0, None)),
    ("-45.970,131.577,1.121", (-45.970, 131.577, 1.121)),
    ("1;2;90deg", (1.0, 2.0, np.pi / 2)),
    ("1,2,1.5rad", (1.0, 2.0, 1.5)),
    ({"x": 1.0, "y": 2.0, "heading": 0.5}, (1.0, 2.0, 0.5)),
    (((0.0, -6.0), (2.0, -6.0)), (1.0, -6.0, -np.pi / 2)),
])  # fmt: skip
def test_a_line_is_read_as_people_write_it(given, expected):
    line, _ = parse_start_line(given)
    assert (line.x, line.y) == expected[:2]
    assert line.heading == (None if expected[2] is None else pytest.approx(expected[2]))


def test_two_points_are_the_ends_of_the_line():
    line, _ = parse_start_line("0,-6,0,6")
    assert (line.x, line.y, line.half_width) == (0.0, 0.0, 6.0)
    assert np.sin(line.heading) == pytest.approx(0.0, abs=1e-12)


def test_latitude_and_longitude_become_local_metres():
    line, how = parse_start_line("45.0005, 7.0, 90", geographic=True, origin=(45.0, 7.0))
    assert how == "a point with a compass heading"
    assert line.heading == pytest.approx(0.0)
    assert line.y == pytest.approx(55.57, abs=0.02)  # half a thousandth of the meridian degree, 111 132 m at 45 deg


@pytest.mark.parametrize(("given", "options", "match"), [
    ("here", {}, "was not understood"),
    ("1,2,3,4,5", {}, "two points"),
    ("1,nan", {}, "was not understood"),
    ("1,2,64.2", {}, "more than a full turn in radians; write '64.2deg'"),
    ("1,2,1.1,2.1", {}, "give the two ends of the line"),
    ({"x": 1.0}, {}, "has no 'y'"),
    ("95,7", {"geographic": True, "origin": (45.0, 7.0)}, "a latitude lies between -90 and 90"),
    ({"latitude": 45.0, "longitude": 7.0}, {}, "the recording has none"),
])  # fmt: skip
def test_a_line_that_cannot_be_read_says_how_to_write_it(given, options, match):
    with pytest.raises(LapError, match=match):
        parse_start_line(given, **options)


@pytest.mark.parametrize("rate", [10, 20, 50, 100])
def test_the_crossing_is_found_between_samples(rate):
    """Constant acceleration from 40 m/s at 5 m/s2: v^2 = v0^2 + 2 a x.

    OpenStax University Physics Volume 1, chapter 3: the line 100.3 m on is reached at
    t = (sqrt(40^2 + 2 * 5 * 100.3) - 40) / 5.
    """
    time, x, y, path = straight(rate=rate, speed=40.0, acceleration=5.0)
    found = crossings(time, x, y, path, StartLine(0.0, 0.0, 0.0), noise=0.0, max_gap=0.5)
    expected = (np.sqrt(40.0**2 + 2 * 5.0 * 100.3) - 40.0) / 5.0
    assert found.time == pytest.approx([expected], abs=0.7e-3)
    assert abs(found.time[0] - expected) < 3 * found.uncertainty[0]


def test_noisy_crossings_are_as_sure_as_they_say():
    errors, sigmas = [], []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        time = np.arange(rng.uniform(0, 0.04), 6.0, 1 / 25.0)
        path = 50.0 * time
        x = -150.0 + path + rng.normal(0, 0.3, len(time))
        y = rng.normal(0, 0.3, len(time))
        found = crossings(time, x, y, path, StartLine(0.0, 0.0, 0.0), noise=0.3, max_gap=0.5)
        errors.append(found.time[0] - 3.0)
        sigmas.append(found.uncertainty[0])
    share = np.mean(np.abs(errors) < 2 * np.array(sigmas))
    assert 0.90 <= share <= 0.995
    assert np.std(errors) < 0.3 / 50.0  # better than a single sample


def test_jitter_at_the_line_is_not_a_lap():
    rng = np.random.default_rng(1)
    path = np.concatenate([np.linspace(0, 99, 200), np.full(400, 99.0), np.linspace(99, 400, 300)])
    time = np.arange(len(path)) / 20.0
    x = path - 99.0 + rng.normal(0, 0.5, len(path))
    found = crossings(time, x, np.zeros_like(x), path, StartLine(0.0, 0.0, 0.0), noise=0.0, max_gap=0.5)
    assert len(found.time) == 1
    assert found.rejected > 10


def test_the_other_direction_and_the_neighbouring_straight_do_not_count():
    time, x, y, path = straight()
    line = StartLine(0.0, 0.0, 0.0)
    assert len(crossings(time, -x, y, path, line, noise=0.0, max_gap=0.5).time) == 0
    assert len(crossings(time, x, y + 30.0, path, line, noise=0.0, max_gap=0.5).time) == 0


def test_a_point_learns_its_direction_from_the_car():
    _, x, y, path = straight()
    line = direction_at(StartLine(0.0, 0.0, None), -x, y, path)
    assert abs(line.heading) == pytest.approx(np.pi)
    with pytest.raises(LapError, match="never came near the start line"):
        direction_at(StartLine(0.0, 900.0, None), x, y, path)


def test_noise_of_position_is_told_from_motion():
    rng = np.random.default_rng(0)
    time = np.arange(0, 60, 0.04)
    angle = time * 0.3
    x, y = 150 * np.cos(angle), 150 * np.sin(angle)
    assert position_noise(time, x, y) < 0.01
    noisy = position_noise(time, x + rng.normal(0, 0.5, len(x)), y + rng.normal(0, 0.5, len(x)))
    assert noisy == pytest.approx(0.5, rel=0.15)
