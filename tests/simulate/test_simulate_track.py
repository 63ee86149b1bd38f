"""Track geometry against published values and closed forms."""

import numpy as np
import pytest

from lapkit.errors import LapkitError
from lapkit.simulate import Element, Line, Script, Track, close_straights, corner, drive, oval, road_course, stadium
from lapkit.simulate import straight as straight_element
from lapkit.simulate.demo import OVAL_CAR

TRACKS = [oval(), road_course(), stadium(200.0, 60.0), stadium(150.0, 80.0, transition=40.0)]


@pytest.mark.parametrize(
    ("x", "cosine", "sine"),
    [(0.5, 0.4923442, 0.0647324), (1.0, 0.7798934, 0.4382591), (2.0, 0.4882534, 0.3434157)],
)
def test_clothoid_is_the_fresnel_integral(x: float, cosine: float, sine: float) -> None:
    """Abramowitz and Stegun, Table 7.7 (digits from memory, recomputed with SciPy)."""
    road = Track([Element(2.0, 0.0, 2 * np.pi)], closed=False)  # curvature pi s: heading pi s^2 / 2
    assert np.allclose(road.xy(x), (cosine, sine), rtol=0, atol=5e-8)


def test_clothoid_from_straight_to_radius() -> None:
    """Definition of the Euler spiral: R 100 m, length 50 m. Closed form, nothing printed."""
    road = Track([Element(50.0, 0.0, 0.01)], closed=False)
    assert road.heading(49.999999999) == pytest.approx(0.25, abs=1e-9)
    assert np.allclose(road.xy(50.0), (49.688403, 4.148102), rtol=0, atol=5e-7)


@pytest.mark.parametrize(("lane", "stagger"), [(2, 7.037), (3, 14.703), (6, 37.699), (8, 53.030)])
def test_athletics_oval(lane: int, stagger: float) -> None:
    """World Athletics Track and Field Facilities Manual 2008, 400 m standard track (staggers from memory).

    Straights 84.39 m, kerb radius 36.50 m, lanes 1.22 m, measured 0.30 m out in lane 1 and 0.20 m
    out in the others. Closed form: two lines around a loop differ by 2 pi times their distance apart.
    """
    track = stadium(84.39, 36.50)

    def driven(offset: float) -> float:
        run = drive(
            track, OVAL_CAR, [Script(Line(track.length, (), (-offset,)))], start_speed=10.0, out_lap=False, in_lap=False
        )
        return float(run.laps["path_length"].iloc[0])

    first, other = driven(0.30), driven(1.22 * (lane - 1) + 0.20)
    assert first == pytest.approx(400.001, abs=1e-3)
    assert other - first == pytest.approx(stagger, abs=1e-3)
    assert other - first == pytest.approx(2 * np.pi * (1.22 * (lane - 1) - 0.10), abs=1e-3)


@pytest.mark.parametrize("track", TRACKS, ids=lambda t: t.name)
def test_tracks_close(track: Track) -> None:
    assert track.closing_error < 1e-6
    assert abs(track.turned) == pytest.approx(2 * np.pi, abs=1e-9)
    before, after = np.array(track.xy(track.length - 1e-7)), np.array(track.xy(0.0))
    assert np.hypot(*(before - after)) < 1e-6
    x, y, heading = track.start_line
    assert np.allclose(track.xy(0.0), (x, y), atol=1e-12)
    assert float(track.heading(0.0)) == heading


def test_oval_is_as_described() -> None:
    track = oval()
    assert 1000 < track.length < 1300
    assert track.corners["direction"].tolist() == ["left", "left"]
    assert track.corners["radius"].tolist() == pytest.approx([92.0, 80.0])
    assert np.degrees(track.banking(0.0)) == pytest.approx(4.0)
    for c in track.turns:
        assert 15 <= np.degrees(float(track.banking((c.start + c.end) / 2))) <= 20
        assert float(track.curvature((c.start + c.end) / 2)) == pytest.approx(1 / c.radius)


def test_road_course_is_as_described() -> None:
    track = road_course()
    assert 2000 < track.length < 3000
    assert track.corners["radius"].min() == pytest.approx(12.0)
    assert track.corners["radius"].max() > 150
    assert track.turned == pytest.approx(-2 * np.pi)


@pytest.mark.parametrize("track", TRACKS, ids=lambda t: t.name)
def test_shape_of_a_line_against_finite_differences(track: Track) -> None:
    """Heading, stretch, curvature and grade of a line are those of its own x, y and z."""
    line = Line(
        track.length,
        [0.0, 0.3 * track.length, 0.6 * track.length],
        [-1.0, 2.0, 0.5],
        wobble=[0.3, 0.2],
        phases=[1.0, 2.0],
    )
    h = 1e-3
    s = np.linspace(5.0, track.length - 5.0, 997)
    s = s[[np.abs(np.array(track.boundaries) - value).min() > 0.1 for value in s]]
    shape = track.along(s, line)

    def point(at: np.ndarray) -> np.ndarray:
        e = line(at)[0]
        return np.stack([*track.xy(at, e), track.height(at, e)])

    step = (point(s + h) - point(s - h)) / (2 * h)
    assert np.allclose(np.linalg.norm(step, axis=0), shape.stretch, atol=1e-6)
    assert np.allclose(np.hypot(step[0], step[1]), shape.level_stretch, atol=1e-6)
    assert np.allclose(step[2] / np.linalg.norm(step, axis=0), shape.grade, atol=1e-6)
    turn = np.angle(np.exp(1j * (np.arctan2(step[1], step[0]) - shape.heading)))
    assert np.abs(turn).max() < 1e-6
    rate = (track.along(s + h, line).heading - track.along(s - h, line).heading) / (2 * h)
    assert np.allclose(rate / shape.level_stretch, shape.curvature, atol=1e-6)


def test_line_passes_its_points_and_joins_itself() -> None:
    line = Line(1000.0, [0.0, 250.0, 600.0], [-3.0, 2.0, 1.0], wobble=[0.5], phases=[0.7])
    before, after = line(1000.0 - 1e-9), line(0.0)
    assert np.allclose(np.array(before), np.array(after), atol=1e-7)
    assert float(line(0.0)[0]) == pytest.approx(-3.0)


def test_track_that_does_not_close() -> None:
    with pytest.raises(LapkitError, match=r"does not close: it ends .* after turning 90\.0"):
        Track(corner("1", 50.0, np.pi / 2, 10.0), name="half done")


def test_corner_with_too_long_a_transition() -> None:
    with pytest.raises(LapkitError, match=r"corner 4: two transitions of 60 m .* shorter transition"):
        corner("4", 50.0, 1.0, 60.0)


def test_straights_that_cannot_close() -> None:
    with pytest.raises(LapkitError, match=r"turn through 180.*closed track turns through 360"):
        close_straights([straight_element(100.0), *corner("1", 50.0, np.pi, 10.0)])
    quarter = corner("1", 50.0, np.pi / 2, 10.0)
    lopsided = [
        straight_element(9.0),
        *quarter,
        straight_element(9.0),
        *quarter,
        *quarter,
        straight_element(500.0),
        *quarter,
    ]
    with pytest.raises(LapkitError, match=r"would leave element \d+ with"):
        close_straights(lopsided)


def test_oval_that_does_not_exist() -> None:
    with pytest.raises(LapkitError, match=r"no oval has ends of 400 m and 40 m"):
        oval(radii=(400.0, 40.0), straight_length=50.0, transition=10.0)
