"""The two-lap chart: what is drawn, what is said, and that grey print tells the laps apart."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

import lapkit
from lapkit.analysers.lap.delta import delta, losses
from lapkit.analysers.ledger.findings import Zone
from lapkit.channels import from_si
from lapkit.charts import two_laps
from lapkit.errors import FrameError, LapkitError, UnitError

CORNERS = [
    {"corner": "1", "start_distance": 200.0, "apex_distance": 300.0, "end_distance": 400.0, "direction": "left",
     "radius": 70.0},
    {"corner": "2", "start_distance": 700.0, "apex_distance": 780.0, "end_distance": 860.0, "direction": "left",
     "radius": 60.0},
]  # fmt: skip


def frame(lap: int, slower: float = 0.0, at: float = 780.0, *, source: str = "evening.csv", brake: bool = True):
    """A lap of 1000.4 m on a 1 m grid with two dips of speed, `slower` m/s lower in the one at `at`."""
    place = np.arange(1001.0)
    dip = {300.0: 8.0, 780.0: 9.0}
    dip[at] += slower
    speed = 45.0 - sum(depth * np.exp(-(((place - apex) / 60.0) ** 2)) for apex, depth in dip.items())
    slowness = 1.0 / speed
    time = np.concatenate([[0.0], np.cumsum((slowness[1:] + slowness[:-1]) / 2)])
    throttle = np.where((np.abs(place - 230) < 40) | (np.abs(place - 700) < 40), 0.2, 1.0)
    table = pd.DataFrame(
        {"time": time, "speed": speed, "throttle": throttle, "path": place}, index=pd.Index(place, name="distance")
    )
    if brake:
        table["brake"] = np.where(np.abs(place - 700) < 30, 0.6, 0.0)
    table.attrs = {
        "lap": lap, "source": source, "lap_time": float(time[-1] + 0.4 / speed[-1]), "lap_time_uncertainty": 0.002,
        "speed_at_line": float(speed[-1]), "complete": True, "flags": "", "track_length": 1000.4, "step": 1.0,
        "sample_interval": 0.02, "place_method": "position", "place_error": 0.05, "speed_unit": "km/h",
        "full_throttle": 1.0, "corners": CORNERS,
    }  # fmt: skip
    return table


def empty_axes():
    figure = Figure(figsize=(10, 7))
    FigureCanvasAgg(figure)
    return figure.subplots(3, sharex=True)


def drawn(lap, reference, **options):
    axes = two_laps(lap, reference, axes=empty_axes(), **options)
    axes[0].figure.canvas.draw()  # every text is laid out, so what cannot be drawn fails here
    return axes


def data(ax, label):
    return next(line for line in ax.get_lines() if line.get_label().startswith(label))


def texts(ax):
    return [text.get_text() for text in ax.texts]


@pytest.fixture
def pair():
    return frame(10, slower=1.0), frame(2)


@pytest.fixture(scope="module")
def chart():
    """The chart of `pair`, drawn once for the tests that only look."""
    return drawn(frame(10, slower=1.0), frame(2))


@pytest.mark.parametrize("unit", ["km/h", "mph", "m/s"])
def test_speed_lines_hold_the_frames_speed_in_the_unit_asked_for(pair, unit):
    lap, reference = pair
    speed = drawn(lap, reference, speed_unit=unit)[0]
    for label, source in (("Lap 10", lap), ("Lap 2", reference)):
        line = data(speed, label)
        np.testing.assert_allclose(line.get_ydata(), from_si(source["speed"].to_numpy(), unit, "speed"))
        np.testing.assert_array_equal(line.get_xdata(), source.index)
    assert speed.get_ylabel() == f"Speed ({unit})"


def test_the_frames_own_unit_is_the_default(pair):
    lap, reference = pair
    lap.attrs["speed_unit"] = "mph"
    assert drawn(lap, reference)[0].get_ylabel() == "Speed (mph)"


def test_every_axis_carries_its_unit(chart):
    speed, pedals, behind = chart
    assert "(km/h)" in speed.get_ylabel()
    assert "(%)" in pedals.get_ylabel()
    assert "(s)" in behind.get_ylabel()
    assert behind.get_xlabel().endswith("(m)")


def test_pedals_are_drawn_from_one_zero_throttle_up_brake_down(pair, chart):
    lap, reference = pair
    lines = [line for line in chart[1].get_lines() if len(line.get_xdata()) == len(lap)]
    wanted = [100 * reference["throttle"], 100 * lap["throttle"], -100 * reference["brake"], -100 * lap["brake"]]
    for line, values, rests in zip(lines, wanted, (False, False, True, True), strict=True):
        drawn_values = np.asarray(line.get_ydata(), dtype=float)
        shown = np.isfinite(drawn_values)
        np.testing.assert_allclose(drawn_values[shown], values[shown])
        assert shown.all() or (
            rests and (values[~shown].abs() < 1.0).all()
        )  # a brake at rest is not drawn over the throttle


def test_without_a_brake_there_is_only_throttle():
    pedals = drawn(frame(10, 1.0, brake=False), frame(2, brake=False))[1]
    assert pedals.get_ylabel() == "Throttle (%)"
    assert not texts(pedals)


def test_delta_line_and_band_are_those_of_the_analyser(pair, chart):
    table = delta(*pair)
    behind = chart[2]
    line = next(one for one in behind.get_lines() if len(one.get_xdata()) == len(table))
    np.testing.assert_array_equal(line.get_ydata(), table["delta"])
    band = behind.collections[0].get_paths()[0].get_extents()
    known = table["delta"] - 2 * table["delta_uncertainty"], table["delta"] + 2 * table["delta_uncertainty"]
    assert band.y0 == pytest.approx(known[0].min())
    assert band.y1 == pytest.approx(known[1].max())


def test_delta_says_in_words_which_way_is_slower(chart):
    behind = chart[2]
    height = {text.get_text(): text.get_position()[1] for text in behind.texts}
    assert height["▲ lap 10 slower"] > height["▼ lap 10 faster"]


def test_corners_are_shaded_and_named(chart):
    speed, pedals, behind = chart
    names = {text.get_text(): text.xy[0] for text in speed.texts}
    assert names == {"Corner 1": 300.0, "Corner 2": 780.0}
    for panel in (speed, pedals, behind):
        spans = [(patch.get_x(), patch.get_x() + patch.get_width()) for patch in panel.patches]
        assert spans == [(200.0, 400.0), (700.0, 860.0)]


def test_corners_may_be_given_as_a_table_or_a_list(pair):
    table = pd.DataFrame({"corner": ["Long bend"], "start_distance": [100.0], "end_distance": [300.0]})
    assert texts(drawn(*pair, corners=table)[0]) == ["Long bend"]
    assert texts(drawn(*pair, corners=table.to_dict("records"))[0]) == ["Long bend"]
    assert texts(drawn(*pair, corners=[])[0]) == []


def test_the_worst_place_is_one_of_the_corners_given(pair):
    axes = drawn(*pair, corners=[{"corner": "Far bend", "start_distance": 690.0, "end_distance": 900.0}])
    assert axes[0].get_title(loc="left").endswith("most was lost in corner Far bend")


def test_many_corners_keep_their_names_apart(pair):
    starts = np.arange(20.0, 980.0, 24.0)
    table = pd.DataFrame({"corner": [f"Bend {k}" for k in range(len(starts))], "start_distance": starts})
    table["end_distance"] = table["start_distance"] + 20.0
    speed = drawn(*pair, corners=table.iloc[::3])[0]
    boxes = sorted((text.get_window_extent() for text in speed.texts), key=lambda box: (round(box.y0), box.x0))
    for a, b in pairwise(boxes):
        assert not a.overlaps(b)


def test_the_worst_place_is_marked_and_labelled(pair, chart):
    places = losses(delta(*pair), count=99)
    worst = places.loc[places["time_lost"].idxmax()]
    assert worst["segment"] == "corner 2"
    for panel in chart:
        edges = {line.get_xdata()[0] for line in panel.get_lines() if len(line.get_xdata()) == 2}
        assert {worst["start_distance"], worst["end_distance"]} <= edges
    label = next(text for text in texts(chart[2]) if "corner 2" in text)
    assert label.startswith(f"{worst['time_lost']:.3f} s lost in corner 2")
    assert f"±{2 * worst['time_lost_uncertainty']:.3f}" in label


@pytest.fixture(scope="module")
def road():
    """Two laps of which the clock shows most on the straight after the corner where it was made."""
    session = lapkit.load(Path(__file__).parents[2] / "sample_data" / "road_course.csv")
    lap, reference = session.lap(4), session.lap(2)
    return lap, reference, lapkit.explain(lap, reference, model=lapkit.longitudinal_model(session))


def test_the_mark_stands_where_the_title_says_the_time_was_made(road):
    lap, reference, why = road
    clock = losses(delta(lap, reference), count=None)
    assert clock["segment"].iloc[int(clock["time_lost"].argmax())] == "straight after corner 5"
    axes = drawn(lap, reference, why=why)
    assert " ".join(axes[0].get_title(loc="left").split()) == why.headline
    assert why.made.segment == "corner 5" and why.made.where in why.headline
    for panel in axes:
        edges = {line.get_xdata()[0] for line in panel.get_lines() if len(line.get_xdata()) == 2}
        assert {why.made.start, why.made.end} <= edges
    (label,) = (text for text in texts(axes[2]) if "made in corner" in text)
    assert label == f"{why.made.made:.3f} s made {why.made.where} (±{why.made.noise:.3f})"
    bold = max(axes[2].get_lines(), key=lambda line: line.get_linewidth())
    assert bold.get_xdata()[0] >= why.made.start and bold.get_xdata()[-1] <= why.made.end


def test_speed_brought_over_the_line_is_marked_at_the_line_and_nothing_where_nothing_stands_out(road):
    lap, reference, why = road
    carried = replace(why, made=Zone("", "", 0.0, 0.0, {"carried_in": -0.05}, {"carried_in": 0.001}))
    behind = drawn(lap, reference, why=carried)[2]
    assert "0.050 s gained by the speed brought over the line (±0.002)" in texts(behind)
    assert [line for line in behind.get_lines() if list(line.get_xdata()) == [0.0, 0.0]]
    nothing = drawn(lap, reference, why=replace(why, made=None))[2]
    assert not [text for text in texts(nothing) if " made " in text or " lost " in text or " gained " in text]


def test_without_a_model_of_the_car_the_mark_is_that_of_the_clock(road):
    lap, reference = (frame.drop(columns="throttle") for frame in road[:2])
    axes = drawn(lap, reference, why=lapkit.explain(lap, reference))
    assert any("lost on the straight after corner 5 on the clock" in text for text in texts(axes[2]))
    assert "only where it was paid is known" in axes[0].get_title(loc="left").replace("\n", " ")


def test_the_title_says_the_finding(pair):
    lap, reference = pair
    total = lap.attrs["lap_time"] - reference.attrs["lap_time"]
    slower, faster = (drawn(a, b)[0].get_title(loc="left") for a, b in ((lap, reference), (reference, lap)))
    assert slower == f"Lap 10 was {total:.3f} s slower than lap 2: on the clock most was lost in corner 2"
    assert faster == f"Lap 2 was {total:.3f} s faster than lap 10: on the clock most was gained in corner 2"
    assert drawn(lap, reference, title="The finding")[0].get_title(loc="left") == "The finding"


def test_equal_laps_are_called_equal_and_no_place_is_blamed():
    axes = drawn(frame(3), frame(2))
    assert axes[0].get_title(loc="left").startswith("Lap 3 and lap 2 took the same time")
    assert not any("lost" in text for text in texts(axes[2]))
    low, high = axes[2].get_ylim()
    assert high - low >= 0.04  # nothing is blown up into a difference


def test_legend_names_laps_and_lap_times(pair, chart):
    legend = [text.get_text() for text in chart[0].get_legend().get_texts()]
    assert legend == [f"Lap {f.attrs['lap']}: {f.attrs['lap_time']:.3f} s" for f in pair]


def test_laps_of_two_files_are_told_apart():
    axes = drawn(frame(3, 1.0, source="Evening.csv"), frame(3, source="morning.csv"))
    legend = [text.get_text() for text in axes[0].get_legend().get_texts()]
    assert legend[0].startswith("Lap 3 of Evening.csv: ")
    assert legend[1].startswith("Lap 3 of morning.csv: ")
    assert "dashed lap" in axes[2].get_ylabel()
    assert "▲ solid lap slower" in texts(axes[2])


def luminance(colour):
    """Relative luminance of a colour (WCAG 2.2, definition of relative luminance)."""
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in to_rgb(colour)]
    return float(np.dot([0.2126, 0.7152, 0.0722], linear))


def test_laps_differ_in_dashes_width_and_lightness(chart):
    lap, reference = (data(chart[0], name) for name in ("Lap 10", "Lap 2"))
    assert lap.is_dashed() != reference.is_dashed()
    assert reference.get_linewidth() >= 2 * lap.get_linewidth()
    lighter, darker = luminance(reference.get_color()), luminance(lap.get_color())
    # WCAG 2.2, success criterion 1.4.11: 3:1 tells graphical objects apart
    assert (lighter + 0.05) / (darker + 0.05) >= 3.0


def test_holes_are_gaps(pair):
    lap, reference = pair
    lap.iloc[500:600] = np.nan
    speed, pedals, _ = drawn(lap, reference)
    assert np.isnan(data(speed, "Lap 10").get_ydata()[500:600]).all()
    assert not np.isnan(data(speed, "Lap 2").get_ydata()).any()
    assert any(np.isnan(line.get_ydata()[500:600]).all() for line in pedals.get_lines() if len(line.get_ydata()) > 600)


@pytest.mark.parametrize(
    ("lacking", "said"),
    [
        (("throttle", "brake"), "No throttle in lap 10; no brake in lap 10"),
        (("brake",), "No brake in lap 10"),
    ],
)
def test_a_missing_pedal_is_said(pair, lacking, said):
    lap, reference = pair
    assert texts(drawn(lap.drop(columns=list(lacking)), reference)[1]) == [said]


def test_a_channel_of_blanks_is_a_missing_channel(pair):
    lap, reference = pair
    lap["throttle"] = np.nan
    assert texts(drawn(lap, reference)[1]) == ["No throttle in lap 10"]


def test_without_pedals_the_panel_says_so(pair):
    lap, reference = (f.drop(columns=["throttle", "brake"]) for f in pair)
    pedals = drawn(lap, reference)[1]
    assert texts(pedals) == ["No throttle in either lap"]
    assert not len(pedals.get_yticks())


@pytest.mark.parametrize(
    "source", [r"a $\frac{1$ b.csv", "50$ to 60$.csv", "cost_{x}^.csv", "走行 7.csv", "line\nbreak.csv"]
)
def test_names_of_files_are_plain_text(source):
    with mpl.rc_context({"text.usetex": False, "text.parse_math": True}):
        axes = drawn(frame(3, 1.0, source=source), frame(2, source=source))
    note = texts(axes[2])[-1]
    assert note.startswith(source.replace("走行", "??").replace("\n", " "))
    assert not any(text.get_parse_math() for ax in axes for text in ax.texts)


def test_a_very_long_name_is_shortened_in_the_middle():
    note = texts(drawn(frame(3, 1.0, source="x" * 300), frame(2, source="x" * 300))[2])[-1]
    assert len(note) < 100 and "…" in note


def test_returns_the_axes_given(pair):
    axes = empty_axes()
    assert list(two_laps(*pair, axes=axes)) == list(axes)
    assert list(two_laps(*pair, axes=tuple(axes))) == list(axes)


def test_without_axes_a_new_figure_is_made(pair):
    from matplotlib import pyplot

    pyplot.switch_backend("Agg")
    before = pyplot.get_fignums()
    axes = two_laps(*pair)
    try:
        assert axes.shape == (3,)
        assert axes[0].get_shared_x_axes().joined(axes[0], axes[2])
        assert len(pyplot.get_fignums()) == len(before) + 1
        check_nothing_is_cut_off(axes)
    finally:
        pyplot.close(axes[0].figure)


def check_nothing_is_cut_off(axes):
    figure = axes[0].figure
    figure.canvas.draw()
    page = figure.bbox
    for ax in axes:
        box = ax.get_tightbbox()
        assert page.x0 <= box.x0 and box.x1 <= page.x1 and page.y0 <= box.y0 and box.y1 <= page.y1


def test_drawing_leaves_the_frames_and_the_settings_alone(pair):
    lap, reference = pair
    copies, settings = (lap.copy(), reference.copy()), dict(mpl.rcParams)
    drawn(lap, reference)
    for before, after in zip(copies, pair, strict=True):
        pd.testing.assert_frame_equal(before, after)
        assert before.attrs == after.attrs
    assert settings == dict(mpl.rcParams)


def test_laps_of_slightly_different_length_are_drawn_as_fractions_of_the_lap(pair):
    lap, reference = pair
    reference = reference.reindex(pd.Index(np.arange(1011.0), name="distance")).ffill()
    reference["time"] = np.arange(1011.0) / 50.0
    reference.attrs["track_length"] = 1010.404
    axes = drawn(lap, reference)
    np.testing.assert_allclose(data(axes[0], "Lap 2").get_xdata(), reference.index / 1.01)
    assert "fractions of the lap" in texts(axes[2])[-1]


def test_a_lap_that_is_not_complete(pair):
    lap, reference = pair
    lap.iloc[600:] = np.nan
    lap.attrs["lap_time"] = np.nan
    speed, _, behind = drawn(lap, reference)
    assert speed.get_title(loc="left") == "Lap 10 and lap 2 are not both complete, so there is no lap-time difference"
    assert speed.get_legend().get_texts()[0].get_text() == "Lap 10: no lap time"
    assert any(text.endswith(" s") and text[0] in "+\N{MINUS SIGN}" for text in texts(behind))


def test_wrong_number_of_axes(pair):
    with pytest.raises(LapkitError, match=r"found 2 item\(s\), expected 3 Axes \(speed, pedals, delta\)"):
        two_laps(*pair, axes=empty_axes()[:2])
    with pytest.raises(LapkitError, match=r"found 1 item\(s\), expected 3 Axes"):
        two_laps(*pair, axes=empty_axes()[0])


def test_corners_without_boundaries(pair):
    with pytest.raises(FrameError, match=r"corners: there is no end_distance .*each needs corner"):
        two_laps(*pair, axes=empty_axes(), corners=[{"corner": "1", "start_distance": 4.0}])


def test_unknown_unit(pair):
    with pytest.raises(UnitError, match="'furlong' is not a unit of speed; use one of: m/s, km/h, mph"):
        two_laps(*pair, axes=empty_axes(), speed_unit="furlong")


def test_frames_on_two_grids(pair):
    lap, reference = pair
    other = reference.iloc[::2].copy()
    other.attrs = {**reference.attrs, "step": 2.0}
    with pytest.raises(FrameError, match="step"):
        two_laps(lap, other, axes=empty_axes())
