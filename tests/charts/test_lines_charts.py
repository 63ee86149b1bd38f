"""The charts of two lines: their shape over distance, their lanes, and what each corner gave."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from ring import RADIUS, ring_lap

from lapkit.analysers.lines.compare import compare_lines
from lapkit.analysers.lines.driven_line import driven_line
from lapkit.charts import lane_shares_chart, line_costs, line_profiles
from lapkit.errors import FrameError, LapkitError, UnitError

HIGH = [ring_lap(n, -3.0 - 0.1 * n, first=40.0 + 0.05 * n, second=40.0) for n in (1, 2, 3)]
LOW = [ring_lap(n, 1.0, first=39.0 + 0.05 * n, second=41.0) for n in (4, 5, 6)]
LANES = {"top": (-6.0, -1.0), "bottom": (-1.0, 4.0)}


def canvas(rows, columns=1):
    figure = Figure(figsize=(10, 8))
    FigureCanvasAgg(figure)
    return figure.subplots(rows, columns)


def laid_out(axes):
    np.asarray(axes, dtype=object).ravel()[0].figure.canvas.draw()  # what cannot be drawn fails here
    return axes


def line(ax, name):
    return next(one for one in ax.get_lines() if str(one.get_label()).startswith(name)).get_ydata()


def texts(ax):
    return [text.get_text() for text in ax.texts]


# ------------------------------------------------------------------------- profiles


@pytest.fixture(scope="module")
def profiles():
    return laid_out(line_profiles(HIGH, LOW, axes=canvas(4)))


def test_profiles_are_the_middle_of_the_laps(profiles):
    offset, bend, _, speed = profiles
    np.testing.assert_allclose(line(offset, "high line"), -3.2)
    np.testing.assert_allclose(line(offset, "low line"), 1.0)
    np.testing.assert_allclose(line(bend, "low line")[50:-50], 1 / (RADIUS - 1.0), rtol=0.02)
    np.testing.assert_allclose(line(bend, "high line"), driven_line(HIGH[1])["curvature"], rtol=0.05)
    np.testing.assert_allclose(line(speed, "high line")[200], 40.1 * 3.6)


def test_the_band_holds_all_laps(profiles):
    band = max(profiles[0].collections, key=lambda one: one.get_zorder()).get_paths()[0].vertices[:, 1]
    assert band.min() == pytest.approx(-3.3) and band.max() == pytest.approx(-3.1)
    single = laid_out(line_profiles(HIGH[0], LOW[0], axes=canvas(4)))
    assert not single[0].collections


def test_radii_are_named_beside_the_axis(profiles):
    formatter = profiles[1].yaxis.get_major_formatter()
    named = {formatter(bend, None): bend for bend in profiles[1].get_yticks()}
    assert "straight" in named
    for radius, bend in named.items():
        assert radius == "straight" or bend == pytest.approx(1 / float(radius))
    assert {label.get_text() for label in profiles[1].get_yticklabels()} >= {"100"}


def test_the_title_says_how_far_apart(profiles):
    assert (
        profiles[0].get_title(loc="left")
        == "High line lies further out than low line: by 4.2 m in corner 1 and 4.2 m in corner 2"
    )


def test_the_high_side_is_named_where_all_corners_turn_one_way(profiles):
    assert {"▲ left (low side)", "▼ right (high side)"} <= set(texts(profiles[0]))
    right = laid_out(line_profiles(*(ring_lap(n, e, clockwise=True) for n, e in ((1, 3.0), (2, -1.0))), axes=canvas(4)))
    assert "▲ left" in texts(right[0])


def test_corners_are_marked(profiles):
    assert {"Corner 1", "Corner 2"} <= set(texts(profiles[0]))


def test_what_is_missing_is_said(profiles):
    assert any("there is no height" in text.lower() for text in texts(profiles[2]))
    blind = [lap.drop(columns=["x", "y", "offset"]) for lap in (HIGH[0], LOW[0])]
    axes = laid_out(line_profiles(*blind, axes=canvas(4)))
    assert "There is no offset" in texts(axes[0])
    assert axes[0].get_title(loc="left") == "Lap 1 and lap 4, place by place"


def test_speed_in_the_unit_asked_for():
    axes = laid_out(line_profiles(HIGH[0], axes=canvas(4), speed_unit="m/s"))
    np.testing.assert_allclose(line(axes[3], "lap 1")[200], 40.05)
    assert axes[3].get_ylabel() == "Speed (m/s)"
    assert axes[0].get_title(loc="left") == "The line of lap 1, place by place"


def test_errors_of_profiles():
    with pytest.raises(UnitError, match="'lightyear' is not a unit of speed"):
        line_profiles(HIGH, LOW, speed_unit="lightyear")
    with pytest.raises(LapkitError, match=r"expected 4 Axes \(offset, radius, height, speed\)"):
        line_profiles(HIGH, LOW, axes=canvas(3))


# ---------------------------------------------------------------------------- lanes


def shares(ax):
    """Lane -> width of each line's bar."""
    lanes = [label.get_text() for label in ax.get_yticklabels()]
    return {lane: [bars[k].get_width() for bars in ax.containers] for k, lane in enumerate(lanes)}


def test_bars_are_the_mean_shares():
    half = ring_lap(7, -3.0)
    half.loc[175.0:, "offset"] = 2.0  # the second half of corner 1 and all of corner 2
    axes = laid_out(lane_shares_chart([HIGH[0], half], LOW, lanes=LANES, axes=canvas(1, 2)))
    assert shares(axes[0]) == {"top": [75.0, 0.0], "bottom": [25.0, 100.0]}
    assert shares(axes[1]) == {"top": [50.0, 0.0], "bottom": [50.0, 100.0]}
    assert "75 %" in texts(axes[0])


def test_the_outermost_lane_is_on_top():
    left = laid_out(lane_shares_chart(HIGH, LOW, lanes=LANES, axes=canvas(1, 2)))
    assert list(shares(left[0])) == ["top", "bottom"]
    laps = [ring_lap(n, e, clockwise=True) for n, e in ((1, 3.0), (2, -1.5))]
    right = laid_out(lane_shares_chart(*laps, lanes={"wall": (1.0, 6.0), "apron": (-4.0, 1.0)}, axes=canvas(1, 2)))
    assert list(shares(right[0])) == ["wall", "apron"]
    assert left[0].get_ylim()[0] > left[0].get_ylim()[1]  # the first row is the top one


def test_two_recordings_may_number_their_laps_alike():
    other = ring_lap(1, 1.0, source="evening.csv")
    axes = laid_out(lane_shares_chart(HIGH[0], other, lanes=LANES, axes=canvas(1, 2)))
    assert shares(axes[0]) == {"top": [100.0, 0.0], "bottom": [0.0, 100.0]}


def test_metres_in_no_lane_are_shown():
    axes = laid_out(lane_shares_chart(HIGH, LOW, lanes={"top": (-6.0, -1.0)}, axes=canvas(1, 2)))
    assert shares(axes[0]) == {"top": [100.0, 0.0], "outside": [0.0, 100.0]}


def test_first_filled_second_hatched():
    axes = laid_out(lane_shares_chart(HIGH, LOW, lanes=LANES, axes=canvas(1, 2)))
    assert [bool(bars[0].get_hatch()) for bars in axes[0].containers] == [False, True]


def test_a_new_figure_has_a_panel_a_corner_and_a_title():
    from matplotlib import pyplot

    axes = lane_shares_chart(HIGH, LOW, lanes=LANES)
    assert len(axes) == 2
    assert axes[0].figure.get_suptitle() == "High line mostly in the top lane, low line mostly in the bottom lane"
    pyplot.close(axes[0].figure)


def test_errors_of_lanes():
    straight = [lap.copy() for lap in (HIGH[0], LOW[0])]
    for lap in straight:
        lap.attrs["corners"] = []
    with pytest.raises(FrameError, match="there is no corner"):
        lane_shares_chart(*straight, lanes=LANES)
    with pytest.raises(LapkitError, match=r"expected 2 Axes \(one for each corner\)"):
        lane_shares_chart(HIGH, LOW, lanes=LANES, axes=canvas(3))


# ---------------------------------------------------------------------------- costs


@pytest.fixture(scope="module")
def found():
    return compare_lines(HIGH, LOW, names=("high", "low"))


@pytest.fixture(scope="module")
def costs(found):
    return laid_out(line_costs(found, ax=canvas(1)))


def dots(ax, marker):
    return [one for one in ax.get_lines() if one.get_marker() == marker]


def test_a_dot_for_each_corner_and_the_lap(found, costs):
    rows = [found.row(corner, "start_to_start") for corner in ("1", "2", "lap")]
    drawn = dots(costs, "o")
    np.testing.assert_allclose([float(dot.get_xdata()[0]) for dot in drawn], [row["difference"] for row in rows])
    filled = [dot.get_markerfacecolor() != "white" for dot in drawn]
    assert filled == [bool(row["significant"]) for row in rows]
    assert [label.get_text() for label in costs.get_yticklabels()] == ["Corner 1", "Corner 2", "Whole lap"]
    assert len(dots(costs, "s")) == 4  # in the corner and on the straight, twice


def test_bars_are_the_intervals(found, costs):
    spans = [one.get_xdata() for one in costs.get_lines() if one.get_linewidth() == 2.0]
    for span, corner in zip(spans, ("1", "2", "lap"), strict=True):
        row = found.row(corner, "start_to_start")
        np.testing.assert_allclose(span, [row["difference"] - row["margin"], row["difference"] + row["margin"]])


def test_both_sides_are_named_and_the_title_says_the_answer(costs):
    assert {"◀ low line faster", "high line faster ▶", "On the high line"} <= set(texts(costs))
    assert costs.get_title(loc="left") == "High line faster through corner 1, low line faster through corner 2"
    low, high = costs.get_xlim()
    assert low == -high


@pytest.mark.parametrize(("unit", "factor"), [("km/h", 3.6), ("m/s", 1.0)])
def test_why_in_the_unit_asked_for(found, unit, factor):
    words = texts(laid_out(line_costs(found, ax=canvas(1), speed_unit=unit)))
    first = next(text for text in words if "m driven" in text)
    slowest, metres = (-found.row("1", name)["difference"] for name in ("min_speed", "path_length"))
    assert f"slowest +{slowest * factor:.1f} {unit}" in first
    assert first.startswith(f"+{metres:.1f} m driven")


def test_one_lap_each_shows_no_interval_and_no_winner():
    ax = laid_out(line_costs(compare_lines(HIGH[0], LOW[0]), ax=canvas(1)))
    assert {dot.get_markerfacecolor() for dot in dots(ax, "o")} == {"white"}
    assert ax.get_title(loc="left") == "A line and b line: no difference that is more than luck"
    assert not any("±" in text for text in texts(ax))


def test_errors_of_costs(found):
    with pytest.raises(UnitError, match="'lightyear' is not a unit of speed"):
        line_costs(found, speed_unit="lightyear")
    with pytest.raises(LapkitError, match=r"expected 1 Axes \(time by corner\)"):
        line_costs(found, ax="here")


def test_the_frames_stay_as_they_were():
    laps = [ring_lap(1, -3.0), ring_lap(2, 1.0)]
    before = [lap.copy() for lap in laps]
    line_profiles(*laps, axes=canvas(4))
    lane_shares_chart(*laps, lanes=LANES, axes=canvas(1, 2))
    for lap, old in zip(laps, before, strict=True):
        pd.testing.assert_frame_equal(lap, old)
        assert lap.attrs == old.attrs
