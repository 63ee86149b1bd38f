"""Integration, smoothing and curvature against printed figures; each source is named beside its check."""

import numpy as np
import pytest

from lapkit.model.curvature import path_curvature
from lapkit.model.lap_table import speed_at
from lapkit.model.motion import Motion


def motion(time, speed) -> Motion:
    return Motion.of(np.asarray(time, float), np.asarray(speed, float), None, None, max_gap=np.inf)


@pytest.mark.parametrize(("speed", "start", "end", "steps", "printed"), [
    (lambda x: x**2, 0.0, 1.0, 4, 0.34375),
    (lambda x: 1 / x, 1.0, 2.0, 2, 17 / 24),
])  # fmt: skip
def test_metres_from_speed_are_the_trapezium_sum(speed, start, end, steps, printed):
    """OpenStax Calculus Volume 2, section 3.6: T4 of x^2 on [0, 1] and T2 of 1/x on [1, 2]."""
    time = np.linspace(start, end, steps + 1)
    assert motion(time, speed(time)).path[-1] == pytest.approx(printed, abs=1e-15)


@pytest.mark.parametrize(("speed", "end", "printed"), [
    (lambda t: np.sqrt((np.cos(t) - t * np.sin(t)) ** 2 + (np.sin(t) + t * np.cos(t)) ** 2 + 4), 2 * np.pi, 25.343),
    (lambda t: np.sqrt(32 * t**2 + 9 * t**4), 3.0, 37.785),
    (lambda t: 0 * t + 5.0, 4.0, 20.0),
])  # fmt: skip
def test_metres_driven_in_space_from_speed_along_the_path(speed, end, printed):
    """OpenStax Calculus Volume 3, section 3.3, Finding the Arc Length and its checkpoint: 25.343, 37.785, 20.

    A car's speed along its path holds the climb: metres driven on a banking are metres in space.
    """
    time = np.linspace(0.0, end, 2001)
    assert motion(time, speed(time)).path[-1] == pytest.approx(printed, abs=5e-4)


def test_curvature_in_plan_of_a_climbing_turn():
    """OpenStax Calculus Volume 3, section 3.3: the helix (4 cos t, 4 sin t, 3 t) has curvature 4/25 = 0.16 in space.

    Seen from above it is a circle of radius 4 with curvature 1/4; per metre driven the heading turns by 4/5 of that,
    and dividing by the slope once more gives the printed 0.16.
    """
    angle = np.linspace(0, 2 * np.pi, 2513, endpoint=False)
    step = 4 * 2 * np.pi / len(angle)
    plan = float(np.median(path_curvature(4 * np.cos(angle), 4 * np.sin(angle), step)))
    assert plan == pytest.approx(0.25, rel=1e-3)
    assert plan * (4 / 5) ** 2 == pytest.approx(0.16, rel=1e-3)


def test_curvature_of_a_parabola():
    """OpenStax Calculus Volume 3, section 3.3, checkpoint: y = 3x^2 - 2x + 4 at x = 2 has curvature 6 / 101^1.5 = 0.0059."""
    x = np.linspace(0.7, 6.0, 200_001)
    y = 3 * x**2 - 2 * x + 4
    along = np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y))))
    back = np.linspace(0, np.pi, 100_001)[1:-1]  # a wide way home closes the lap
    chord = np.hypot(x[-1] - x[0], y[-1] - y[0])
    middle, tilt = np.array([x[0] + x[-1], y[0] + y[-1]]) / 2, np.arctan2(y[-1] - y[0], x[-1] - x[0])
    home = chord / 2 * np.array([np.cos(tilt + back), np.sin(tilt + back)])
    length = along[-1] + np.pi * chord / 2
    px, py = np.append(x, middle[0] + home[0]), np.append(y, middle[1] + home[1])
    s = np.append(0.0, np.cumsum(np.hypot(np.diff(px), np.diff(py))))
    step = length / 4000
    places = np.arange(4000) * step
    found = path_curvature(np.interp(places, s, px), np.interp(places, s, py), step)
    at = np.interp(along[np.argmin(np.abs(x - 2.0))], places, found)
    assert abs(at) == pytest.approx(0.0059, rel=0.05)


@pytest.mark.parametrize(("points", "weights"), [
    (5, np.array([-3, 12, 17, 12, -3]) / 35),
    (7, np.array([-2, 3, 6, 7, 6, 3, -2]) / 21),
    (9, np.array([-21, 14, 39, 54, 59, 54, 39, 14, -21]) / 231),
])  # fmt: skip
def test_noisy_speed_is_smoothed_with_the_published_weights(points, weights):
    """Savitzky and Golay, Analytical Chemistry 36 (1964) 1627, tables I to V: quadratic smoothing of 5, 7 and 9 points.

    The speed at the line is a quadratic fitted to the samples around it; on even samples that is their filter.
    """
    rng = np.random.default_rng(3)
    time = np.arange(60) * 0.1
    speed = 40.0 + rng.normal(0, 1.0, len(time))
    centre, half = 30, points // 2
    value, _ = speed_at(motion(time, speed), time[[centre]], reach=0.1 * half + 0.01)
    assert value[0] == pytest.approx(float(weights @ speed[centre - half : centre + half + 1]), abs=1e-9)
