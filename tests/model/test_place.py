import numpy as np
import pytest
from roads import centre_line, figure_of_eight, hairpin

from lapkit import ColumnError
from lapkit.model.place import ReferenceLine, bends, blend, closed_line, learn_reference, project, shifted


def athletics_oval(offset: float, spacing: float = 0.25):
    """Points round the standard 400 m track, `offset` metres outside the 36.50 m kerb.

    World Athletics Track and Field Facilities Manual (2008): straights of 84.39 m, kerb radius 36.50 m.
    """
    straight, radius = 84.39, 36.50 + offset
    length = 2 * straight + 2 * np.pi * radius
    s = np.arange(0.0, length, spacing)
    bend = np.pi * radius
    angle_1 = (s - straight) / radius
    angle_2 = (s - 2 * straight - bend) / radius
    x = np.select(
        [s < straight, s < straight + bend, s < 2 * straight + bend],
        [s, straight + radius * np.sin(angle_1), 2 * straight + bend - s],
        -radius * np.sin(angle_2),
    )
    y = np.select(
        [s < straight, s < straight + bend, s < 2 * straight + bend],
        [0 * s - radius, -radius * np.cos(angle_1), 0 * s + radius],
        radius * np.cos(angle_2),
    )
    return s, x, y, length


def test_the_standard_track_is_400_metres():
    """400.001 m measured 0.30 m outside the kerb: World Athletics manual (2008), 400 m standard track."""
    _, x, y, length = athletics_oval(0.30)
    assert length == pytest.approx(400.001, abs=1e-3)
    assert closed_line(x, y).length == pytest.approx(400.001, abs=5e-3)


@pytest.mark.parametrize(("lane", "stagger"), [(2, 7.037), (3, 14.703), (6, 37.699), (8, 53.030)])
def test_lanes_are_longer_by_two_pi_times_their_offset(lane, stagger):
    """Stagger of the lanes, 2 pi (1.22 (n - 1) - 0.10); printed values from memory, formula on public pages."""
    first, _, _ = (athletics_oval(0.30)[k] for k in (3, 1, 2))
    other = athletics_oval(0.20 + 1.22 * (lane - 1))[3]
    assert other - first == pytest.approx(stagger, abs=1e-3)


@pytest.mark.parametrize("offset", [-3.0, 0.0, 1.22, 5.0])
def test_projection_finds_place_and_offset_of_a_parallel_line(offset):
    _, x, y, length = athletics_oval(10.0)
    line = closed_line(x, y)
    s, px, py, other = athletics_oval(10.0 + offset)
    guess = s * length / other  # out of step by metres in the bends
    place, left = project(line, px, py, guess)
    straight = (s > 10) & (s < 75)
    np.testing.assert_allclose(place[straight], s[straight], atol=0.02)
    np.testing.assert_allclose(left, -offset, atol=0.02)  # driven anticlockwise, outside is to the right
    assert np.all(np.diff(place) > 0)


def test_track_that_crosses_itself_keeps_its_own_place():
    t = np.linspace(0, 2 * np.pi, 4000, endpoint=False)
    x, y = 300 * np.sin(t), 150 * np.sin(2 * t)
    line = closed_line(x, y)
    s = np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y))))
    place, left = project(line, x, y, s + 15.0 * np.sin(3 * t))
    np.testing.assert_allclose(place, s, atol=0.2)
    assert np.abs(left).max() < 0.1


def test_neighbouring_legs_of_a_hairpin_are_not_confused():
    """Two straights 12 m apart, joined by a hairpin of 6 m radius."""
    leg = np.arange(0, 200.0, 0.5)
    turn = np.linspace(0, np.pi, 40)[1:-1]
    x = np.concatenate([leg, 200 + 6 * np.sin(turn), leg[::-1], -6 * np.sin(turn)])
    y = np.concatenate([0 * leg, 6 - 6 * np.cos(turn), 12 + 0 * leg, 6 + 6 * np.cos(turn)])
    line = closed_line(x, y)
    s = np.append(0.0, np.cumsum(np.hypot(np.diff(x), np.diff(y))))
    rng = np.random.default_rng(0)
    place, left = project(line, x + rng.normal(0, 1.5, len(x)), y + rng.normal(0, 1.5, len(x)), s + 8.0)
    assert np.nanmax(np.abs(place - s)) < 12.0
    assert np.nanmedian(np.abs(left)) < 2.0


@pytest.mark.parametrize("way", [1, -1], ids=["anticlockwise", "clockwise"])
@pytest.mark.parametrize("name", ["figure of eight", "hairpin"])
def test_a_guess_more_than_a_hundred_metres_out_is_made_good(name, way):
    """What a lap that cut 130 m off does to the expected place; lines 2 m off, noise of 1.5 m."""
    track = figure_of_eight() if name == "figure of eight" else hairpin()
    line = centre_line(track)
    s = np.arange(0.0, 4 * track.length, 3.0)
    x, y = track.xy(np.mod(s, track.length), 2.0)
    if way < 0:
        line = ReferenceLine(np.roll(line.x[::-1], 1), np.roll(line.y[::-1], 1), line.spacing, line.length)
        x, y = track.xy(np.mod(-s, track.length), -2.0)
    out = np.interp(np.mod(s / track.length, 1.0), [0.0, 0.4, 1.0], [0.0, 130.0, 0.0])
    rng = np.random.default_rng(4)
    place, left = project(line, x + rng.normal(0, 1.5, len(s)), y + rng.normal(0, 1.5, len(s)), s + out)
    assert np.nanmax(np.abs(place - s)) < 12.0
    assert np.sqrt(np.nanmean((place - s) ** 2)) < 2.0
    assert np.nanmedian(left) == pytest.approx(2.0, abs=0.2)


def test_a_position_nowhere_near_the_line_has_no_place():
    _, x, y, length = athletics_oval(0.30)
    line = closed_line(x, y)
    place, left = project(line, x + 900.0, y, np.linspace(0.0, length, len(x)))
    assert np.isnan(place).all()
    assert np.isnan(left).all()


def test_a_line_begins_elsewhere_without_changing():
    """Curvature of the circles: 1 / radius."""
    _, x, y, _ = athletics_oval(0.30)
    line = closed_line(x, y, smoothing=3.0)
    moved = shifted(shifted(line, 37.3), line.length - 37.3)
    np.testing.assert_allclose(moved.x, line.x, atol=1e-6)
    np.testing.assert_allclose(shifted(line, line.spacing).y, np.roll(line.y, -1), atol=1e-6)
    at = np.arange(len(line.x)) * line.spacing
    assert bends(line)[(at > 110) & (at < 170)] == pytest.approx(1 / 36.80, rel=0.02)
    assert bends(line)[(at > 20) & (at < 60)] == pytest.approx(0.0, abs=1e-4)


def test_the_reference_line_of_noisy_laps_is_smooth_and_of_the_right_length():
    rng = np.random.default_rng(2)
    s, x, y, length = athletics_oval(0.30, spacing=0.8)
    laps = 8
    path = np.concatenate([k * length + s for k in range(laps)])
    noise = 0.5
    line = learn_reference(
        path,
        np.tile(x, laps) + rng.normal(0, noise, laps * len(s)),
        np.tile(y, laps) + rng.normal(0, noise, laps * len(s)),
        np.arange(laps - 1) * length,
        np.arange(1, laps) * length,
        noise=noise,
    )
    assert line.length == pytest.approx(length, abs=1.5)


def test_speed_carries_the_place_where_position_is_noisy():
    rng = np.random.default_rng(3)
    path = np.arange(0.0, 2000.0, 1.0)
    truth = path + 3 * np.sin(path / 300)
    place = truth + rng.normal(0, 0.5, len(path))
    smooth = blend(place, path, window=30.0, parts=np.array([0]))
    assert np.std(smooth - truth) < 0.2 * 0.5
    exact = blend(truth, path, window=0.0, parts=np.array([0]))
    np.testing.assert_allclose(exact, truth, atol=1e-9)


def test_nothing_is_averaged_across_a_hole():
    path = np.append(np.arange(0.0, 100.0), np.arange(300.0, 400.0))
    place = path + np.append(np.zeros(100), np.full(100, 5.0))
    out = blend(place, path, window=40.0, parts=np.array([0, 100]))
    np.testing.assert_allclose(out, place, atol=1e-9)


def test_a_loop_of_absurd_size_is_refused_before_it_is_built():
    _, x, y, _ = athletics_oval(0.30)
    with pytest.raises(ColumnError, match="check the unit of x and y"):
        closed_line(1e7 * x, 1e7 * y)


def test_laps_that_do_not_go_round_make_no_reference():
    path = np.arange(0.0, 3000.0)
    starts, ends = np.array([0.0, 1000.0]), np.array([1000.0, 2000.0])
    assert learn_reference(path, path, 0 * path, starts, ends, noise=0.0) is None
    assert learn_reference(path, path, 0 * path, starts[:0], ends[:0], noise=0.0) is None
    assert learn_reference(path, path, 0 * path, starts, starts + 1.0, noise=0.0) is None
