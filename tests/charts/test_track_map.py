"""The map: where lines lie, how much wider than long it is drawn, and who gains where."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from ring import LENGTH, RADIUS, ring_lap

from lapkit.analysers.lines.compare import compare_lines
from lapkit.charts.track_map import track_map
from lapkit.errors import FrameError, LapkitError
from lapkit.model.place import closed_line
from lapkit.model.tracks.track import Track, no_corners

HIGH = [ring_lap(n, -3.0 - 0.1 * n, first=40.0 + 0.05 * n, second=40.0) for n in (1, 2, 3)]
LOW = [ring_lap(n, 1.0, first=39.0 + 0.05 * n, second=41.0) for n in (4, 5, 6)]
MARKERS = [{"marker": "water tower", "distance": 50.0}]
LANES = [
    {"lane": "high", "corner": "", "from_offset": -6.0, "to_offset": -1.0},
    {"lane": "low", "corner": "2", "from_offset": -1.0, "to_offset": 3.0},
]


def drawn(*laps, **options):
    figure = Figure(figsize=(10, 7))
    FigureCanvasAgg(figure)
    ax = track_map(*laps, ax=figure.subplots(), **options)
    figure.canvas.draw()  # every text is laid out, so what cannot be drawn fails here
    return ax


def line(ax, name):
    return next(one for one in ax.get_lines() if str(one.get_label()).startswith(name)).get_xydata()


def texts(ax):
    return [text.get_text() for text in ax.texts]


def gains(ax, name):
    """The patches of a line's gaining band, the first one labelled."""
    fill = next(patch for patch in ax.patches if str(patch.get_label()).startswith(name))
    return [
        patch
        for patch in ax.patches
        if patch.get_facecolor() == fill.get_facecolor() and patch.get_hatch() == fill.get_hatch()
    ]


def centre(ax):
    """Middle of the ring in the picture, which is turned."""
    return np.nanmean(line(ax, "low line")[:-1], axis=0)


@pytest.fixture(scope="module")
def chart():
    return drawn(HIGH, LOW, exaggerate=4)


@pytest.mark.parametrize(("factor", "clockwise"), [(1, False), (5, False), (5, True)])
def test_offsets_are_drawn_so_many_times_as_wide(factor, clockwise):
    """A car 3 m outside a ring of 100 m stands 100 + factor * 3 m from its centre."""
    outside = 3.0 if clockwise else -3.0
    high, low = (ring_lap(1, outside, clockwise=clockwise), ring_lap(2, -outside / 3, clockwise=clockwise))
    ax = drawn(high, low, exaggerate=factor)
    for name, from_centre in (("high line", RADIUS + 3.0 * factor), ("low line", RADIUS - 1.0 * factor)):
        distance = np.hypot(*(line(ax, name) - centre(ax)).T)
        np.testing.assert_allclose(distance, from_centre, atol=0.15)


def test_several_laps_are_drawn_as_their_middle(chart):
    distance = np.hypot(*(line(chart, "high line") - centre(chart)).T)
    np.testing.assert_allclose(distance, RADIUS + 4 * 3.2, atol=0.15)
    assert "high line, middle of 3 laps (1, 2, 3)" in [text.get_text() for text in chart.get_legend().get_texts()]


def test_it_is_to_scale_but_for_the_exaggeration_and_says_so(chart):
    assert chart.get_aspect() == 1.0
    assert "10 m across (drawn 4 times as wide)" in texts(chart) or "5 m across (drawn 4 times as wide)" in texts(chart)
    bars = [one.get_xydata() for one in chart.get_lines() if one.get_marker() == "|"]
    lengths = sorted(float(np.ptp(bar[:, 0])) for bar in bars)
    along = float(next(text for text in texts(chart) if text.endswith("m along the track")).split()[0])
    across = float(next(text for text in texts(chart) if "m across" in text).split()[0])
    np.testing.assert_allclose(lengths, sorted([along, 4 * across]))


def test_the_start_straight_points_right(chart):
    step = np.diff(line(chart, "high line")[:30], axis=0).sum(axis=0)
    assert step[0] > 5 * abs(step[1])
    assert "start/finish" in texts(chart)


def test_left_to_itself_it_does_not_fold_over():
    """An inside offset of 20 m on a ring of 100 m: five times that would be the centre."""
    ax = drawn(ring_lap(1, 20.0), ring_lap(2, -1.0))
    words = next(text for text in texts(ax) if "times as wide" in text)
    assert 1 < float(words.split("drawn ")[1].split()[0]) <= 3
    assert np.hypot(*(line(ax, "low line") - centre(ax)).T).min() > 30


def test_the_title_says_which_line_is_faster_where(chart):
    assert chart.get_title(loc="left") == "High line faster through corner 1, low line faster through corner 2"


def test_times_are_those_of_the_comparison(chart):
    found = compare_lines(HIGH, LOW, names=("top", "bottom"))
    given = drawn(HIGH, LOW, comparison=found)
    assert given.get_title(loc="left") == "Top line faster through corner 1, bottom line faster through corner 2"
    for corner in ("1", "2"):
        row = found.row(corner, "start_to_start")
        alone, compared = (next(t for t in texts(ax) if t.startswith(f"Corner {corner}")) for ax in (chart, given))
        assert f"by {abs(row['difference']):.3f} ±{row['margin']:.3f} s" in compared
        assert f"by {abs(row['difference']):.3f} ±" in alone
        assert ("top line faster" in compared) == ("high line faster" in alone) == (row["difference"] > 0)


def test_no_winner_where_the_laps_scatter_more_than_the_lines_differ():
    noisy = [ring_lap(n, -3.0, first=speed) for n, speed in enumerate((39.0, 41.0, 40.05), start=1)]
    even = [ring_lap(n, 1.0, first=speed) for n, speed in enumerate((39.0, 41.0, 40.0), start=4)]
    ax = drawn(noisy, even)
    assert ax.get_title(loc="left") == "High line and low line: no corner where one is clearly faster"
    assert sum("no clear winner\n(0." in text for text in texts(ax)) == 2


def test_the_band_is_filled_where_the_first_gains_and_hatched_where_the_second_does(chart):
    """The high line is faster up to 400 m, the low line from there on."""

    def at(patch):
        away = patch.get_xy() - centre(chart)
        return np.mod(np.arctan2(away[:, 1], away[:, 0]) + np.pi / 2, 2 * np.pi) * RADIUS

    filled, hatched = gains(chart, "high line gains"), gains(chart, "low line gains")
    assert {bool(patch.get_hatch()) for patch in filled} == {False} and {
        bool(patch.get_hatch()) for patch in hatched
    } == {True}
    assert np.median(np.concatenate([at(patch) for patch in filled])) == pytest.approx(200.0, abs=40.0)
    assert np.median(np.concatenate([at(patch) for patch in hatched])) == pytest.approx((400.0 + LENGTH) / 2, abs=40.0)
    outermost = max(np.hypot(*(patch.get_xy() - centre(chart)).T).max() for patch in (*filled, *hatched))
    assert outermost > RADIUS + 4 * 3.2  # outside everything driven


def test_equal_laps_gain_nothing():
    ax = drawn(ring_lap(1, -3.0), ring_lap(2, 1.0))
    assert not [patch for patch in ax.patches if "gains" in str(patch.get_label())]


def test_one_lap_alone():
    ax = drawn(ring_lap(7, -2.0))
    assert ax.get_title(loc="left") == "The track from above: lap 7"
    assert not any("faster" in text for text in texts(ax))


def test_lanes_and_markers_of_the_frames_can_be_left_out():
    laps = [ring_lap(n, offset, markers=MARKERS, lanes=LANES) for n, offset in ((1, -3.0), (2, 1.0))]
    shown, bare = drawn(*laps), drawn(*laps, lanes=False, markers=False)
    assert {"water tower", "high", "low"} <= set(texts(shown))
    assert not {"water tower", "high", "low"} & set(texts(bare))
    assert len(shown.get_lines()) > len(bare.get_lines())


def test_a_track_brings_edges_lanes_and_markers():
    angle = np.arange(700) * 2 * np.pi / 700
    profile = pd.DataFrame({"left_width": [4.0], "right_width": [9.0]}, index=pd.Index([0.0], name="distance"))
    track = Track(
        LENGTH, no_corners(), reference=closed_line(RADIUS * np.cos(angle), RADIUS * np.sin(angle)),
        markers=pd.DataFrame(MARKERS), lanes=pd.DataFrame(LANES), profile=profile,
    )  # fmt: skip
    ax = drawn(ring_lap(1, -3.0), ring_lap(2, 1.0), track=track, exaggerate=3)
    assert {"water tower", "high", "low"} <= set(texts(ax))
    reach = [np.hypot(*(np.asarray(one.get_xydata(), dtype=float) - centre(ax)).T) for one in ax.get_lines()]
    for edge in (RADIUS - 3 * 4.0, RADIUS + 3 * 9.0):
        assert any(len(r) > 600 and np.abs(r - edge).max() < 0.2 for r in reach)
    plain = drawn(ring_lap(1, -3.0), ring_lap(2, 1.0), exaggerate=3)
    np.testing.assert_allclose(line(ax, "high line"), line(plain, "high line"), atol=0.3)  # frames alone say the same


def test_names_can_be_given():
    ax = drawn(HIGH, LOW, names=("tower $1", "lap 9 again"))
    assert ax.get_title(loc="left").startswith("Tower $1 line faster")
    assert "lap 9 again, middle of 3 laps (4, 5, 6)" in [text.get_text() for text in ax.get_legend().get_texts()]


def test_a_hole_is_a_gap_in_the_line():
    lap = ring_lap(1, -3.0)
    lap.loc[100.0:150.0, ["x", "y", "offset", "time", "speed"]] = np.nan
    assert np.isnan(line(drawn(lap, ring_lap(2, 1.0)), "high line")).any()


def test_grey_print_tells_the_lines_apart(chart):
    first, second = (
        next(one for one in chart.get_lines() if str(one.get_label()).startswith(n)) for n in ("high", "low")
    )
    grey = [np.dot(to_rgb(one.get_color()), (0.299, 0.587, 0.114)) for one in (first, second)]
    assert abs(grey[0] - grey[1]) > 0.4
    assert first.get_linestyle() != second.get_linestyle()


def test_the_frames_stay_as_they_were():
    laps = [ring_lap(1, -3.0, lanes=LANES), ring_lap(2, 1.0)]
    before = [lap.copy() for lap in laps]
    drawn(*laps)
    for lap, old in zip(laps, before, strict=True):
        pd.testing.assert_frame_equal(lap, old)
        assert lap.attrs == old.attrs


def test_errors():
    lap = ring_lap(1, -3.0)
    blind = ring_lap(2, 0.0, place_method="lap distance").drop(columns=["x", "y", "offset"])
    with pytest.raises(FrameError, match=r"lap 2 of ring.csv has no 'x'.*placed by lap distance\. Record position"):
        drawn(blind)
    with pytest.raises(FrameError, match=r"do not share one grid \(315 and 629 rows\).*same track file"):
        drawn(lap, ring_lap(2, 1.0, step=2.0))
    with pytest.raises(LapkitError, match=r"exaggerate=0\.5: expected 1"):
        drawn(lap, exaggerate=0.5)
    with pytest.raises(LapkitError, match=r"expected 1 Axes \(the map\)"):
        track_map(lap, ax="here")
    with pytest.raises(FrameError, match="laps_a: expected a lap frame or a list of them"):
        drawn([])
    with pytest.raises(FrameError, match="names: found 1, expected one for each of 2 groups"):
        drawn(lap, ring_lap(2, 1.0), names=["high"])
