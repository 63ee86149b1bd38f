"""The charts of gears: the engine over a lap, and a sweep of final drives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

import lapkit
from lapkit.analysers.gears.gearing import gears
from lapkit.analysers.gears.words import judged, limit_words, sweep_table, sweep_words
from lapkit.charts import engine_over_lap, gear_sweep_chart
from lapkit.errors import FrameError, LapkitError, UnitError

DATA = Path(__file__).parents[2] / "sample_data"
RPM = np.pi / 30
LIMIT = 6500 * RPM


def canvas(rows):
    figure = Figure(figsize=(9, 6))
    FigureCanvasAgg(figure)
    return figure.subplots(rows)


def laid_out(axes):
    np.asarray(axes, dtype=object).ravel()[0].figure.canvas.draw()  # what cannot be drawn fails here
    return axes


def texts(ax):
    return [text.get_text() for text in ax.texts]


@pytest.fixture(scope="module")
def session():
    return lapkit.load(DATA / "gears_run.csv", track=DATA / "marlow_basin.toml")


@pytest.fixture(scope="module")
def found(session):
    return gears(session)


def table(*, top=1.0, nearest=2, hidden=(), limit=LIMIT):
    """A sweep written by hand: 100 rpm a step of final drive, the limit met by the third row."""
    drives = np.array([4.5, 4.6, 4.7, 4.8])
    free = np.array([6300.0, 6400.0, 6500.0, 6600.0]) * RPM
    change = np.array([0.0, -0.1, -0.15, 0.2])
    n = len(drives)
    rows = pd.DataFrame(
        {
            "final_drive": drives, "top_gear": np.full(n, top), "overall_ratio": drives * top, "ratio_change": drives / 4.5 - 1,
            "engine_per_road_speed": 14.0, "limit_reached": free > limit, "limit_distance": np.nan, "limiter_time": 0.0,
            "engine_speed": np.minimum(free, limit), "engine_speed_uncertainty": 10 * RPM, "free_engine_speed": free,
            "free_engine_speed_uncertainty": 15 * RPM, "lap_time": 27.3 + change, "lap_time_uncertainty": 0.02,
            "lap_time_difference": change, "lap_time_difference_uncertainty": np.where(change == 0, 0.0, 0.02),
            "speed_at_line": 45.0, "speed_at_line_uncertainty": 0.1, "shift_drop": 130.0, "shift_drop_uncertainty": 1.0,
            "restart_time": np.nan, "restart_time_uncertainty": np.nan, "restart_time_lost": np.nan,
            "restart_time_lost_uncertainty": np.nan, "nearest": np.arange(n) == nearest,
        }
    )  # fmt: skip
    said = [c for c in rows if c.startswith(("lap_time", "engine_speed", "free_engine_speed"))]
    rows.loc[list(hidden), said] = np.nan
    rows.attrs = {"lap": 6, "rev_limit": limit, "notes": [], "shifts": [], "caution": "Take care."}
    return rows


# --------------------------------------------------------------------------- over the lap


def test_the_line_is_the_lap_in_rpm(session, found):
    lap = session.best()
    ax = laid_out(engine_over_lap(lap, found, rev_limit=LIMIT, ax=canvas(1)))
    line = next(one for one in ax.get_lines() if one.get_label() == f"lap {lap.attrs['lap']}")
    np.testing.assert_allclose(line.get_ydata(), lap["engine_speed"] / RPM)
    np.testing.assert_allclose(line.get_xdata(), lap.index)


def test_the_limit_and_the_ends_of_straights_are_marked(session, found):
    ax = laid_out(engine_over_lap(session.best(), found, rev_limit=LIMIT, ax=canvas(1)))
    assert "limit 6500 rpm" in texts(ax) and {"Corner 1", "Corner 2"} <= set(texts(ax))
    dots = {
        round(float(one.get_ydata()[0]))
        for one in ax.get_lines()
        if one.get_marker() == "o" and one.get_markerfacecolor() != "white"
    }
    assert dots == {round(n / RPM) for n in found.straights["engine_speed"]}
    for row in found.straights.itertuples():
        words = next(t for t in texts(ax) if t.startswith(f"mean {row.engine_speed / RPM:.0f} rpm"))
        assert f"{row.top_speed * 3.6:.1f} km/h" in words
    assert any("water tower" in t for t in texts(ax))  # the place, from the marker beside the track
    assert "gear 4" in texts(ax)


def test_the_title_says_how_far_from_the_limit(session, found):
    engine = found.longest_straight["engine_speed"] / RPM
    ax = laid_out(engine_over_lap(session.best(), found, rev_limit=LIMIT, ax=canvas(1)))
    assert f"{engine:.0f} rpm on average, {6500 - engine:.0f} rpm below the limit" in ax.get_title(loc="left").replace(
        "\n", " "
    )
    ax = laid_out(engine_over_lap(session.best(), found, rev_limit=6000 * RPM, ax=canvas(1)))
    assert f"{engine - 6000:.0f} rpm above the limit" in ax.get_title(loc="left").replace("\n", " ")


def test_the_line_alone(session):
    lap = session.best()
    ax = laid_out(engine_over_lap(lap, ax=canvas(1)))
    assert ax.get_title(loc="left") == f"Engine speed over lap {lap.attrs['lap']}"
    assert not any("limit" in text for text in texts(ax))


def test_speed_in_the_unit_asked_for(session, found):
    ax = laid_out(engine_over_lap(session.best(), found, ax=canvas(1), speed_unit="mph"))
    assert any("mph" in text for text in texts(ax))
    with pytest.raises(UnitError, match="'lightyear' is not a unit of speed"):
        engine_over_lap(session.best(), found, speed_unit="lightyear")


def test_many_corners_name_only_the_longest_straight_in_full():
    road = lapkit.load(DATA / "road_course.csv")
    found = gears(road)
    ax = laid_out(engine_over_lap(road.best(), found, rev_limit=7600 * RPM, ax=canvas(1)))
    assert sum("km/h" in text for text in texts(ax)) == 1
    assert {"2", "3", "4", "5"} <= set(texts(ax))  # gears, along the foot
    assert found.longest_straight["corner"] == "1"


def test_errors_of_the_lap(session):
    bare = session.best().drop(columns="engine_speed")
    with pytest.raises(FrameError, match="there is no engine_speed; load the file with columns="):
        engine_over_lap(bare)
    with pytest.raises(LapkitError, match=r"expected 1 Axes \(engine speed\)"):
        engine_over_lap(session.best(), ax="here")


def test_the_lap_stays_as_it_was(session, found):
    lap = session.best()
    before = lap.copy()
    engine_over_lap(lap, found, rev_limit=LIMIT, ax=canvas(1))
    pd.testing.assert_frame_equal(lap, before)
    assert lap.attrs == before.attrs


# ---------------------------------------------------------------------------------- sweep


def test_the_row_that_meets_the_limit_is_marked_in_both():
    axes = laid_out(gear_sweep_chart(table(), axes=canvas(2)))
    for ax, value in zip(axes, (27.15, 6500.0), strict=True):
        big = [one for one in ax.get_lines() if one.get_marker() == "o" and one.get_markersize() > 8]
        assert [float(one.get_ydata()[0]) for one in big] == [pytest.approx(value)]
        assert [float(one.get_xdata()[0]) for one in big] == [4.7]
    assert (
        axes[0].get_title(loc="left").replace("\n", " ")
        == "Final drive 4.7 meets the limit: 0.150 ±0.040 s a lap quicker"
    )
    assert axes[1].get_xlabel() == "Overall ratio: final drive times top gear"
    assert "dotted: lap 6 as driven, 27.300 s" in texts(axes[0])
    assert "limit 6500 rpm" in texts(axes[1]) and "if nothing held it" in texts(axes[1])


def test_bars_are_two_uncertainties():
    axes = laid_out(gear_sweep_chart(table(), axes=canvas(2)))
    spans = [
        path.vertices[:, 1] for bars in axes[0].collections for path in bars.get_paths() if len(path.vertices) == 2
    ]
    assert any(np.allclose(sorted(span), [27.16, 27.24]) for span in spans)


def test_rows_in_any_order_make_one_curve():
    mixed = table().sample(frac=1.0, random_state=3)
    mixed.attrs = table().attrs
    axes = laid_out(gear_sweep_chart(mixed, axes=canvas(2)))
    np.testing.assert_allclose(axes[0].get_lines()[1].get_xdata(), [4.5, 4.6, 4.7, 4.8])


def test_what_is_not_known_is_a_cross_at_the_foot():
    axes = laid_out(gear_sweep_chart(table(hidden=(0,)), axes=canvas(2)))
    for ax in axes:
        cross = next(one for one in ax.get_lines() if one.get_marker() == "x")
        assert list(cross.get_xdata()) == [4.5]
    assert any("×: too far from the engine speeds seen" in text for text in texts(axes[1]))
    empty = laid_out(gear_sweep_chart(table(hidden=(0, 1, 2, 3), nearest=9), axes=canvas(2)))
    assert empty[0].get_title(loc="left") == "Which gear meets the limit cannot be said from this recording"


def test_titles_of_other_outcomes():
    def title(rows):
        return laid_out(gear_sweep_chart(rows, axes=canvas(2)))[0].get_title(loc="left").replace("\n", " ")

    assert title(table(nearest=0, limit=6310 * RPM)) == "Final drive 4.5, the one in the car, meets the limit"
    assert (
        title(table(nearest=3, limit=7000 * RPM))
        == "Final drive 4.8 comes nearest to the limit from below: 0.200 ±0.040 s a lap slower"
    )
    rows = table(nearest=1, limit=6490 * RPM)
    rows.attrs["meeting"] = {"final_drive": 4.659, "final_drive_uncertainty": 0.01, "overall_ratio": 4.659}
    assert title(rows) == (
        "Final drive 4.6 comes nearest to the limit from below: 0.100 ±0.040 s a lap quicker; 4.65 ±0.02 would just meet it"
    )
    assert title(table(nearest=9, limit=6000 * RPM)) == "All of these gears meet the limit too soon"
    unsure = table()
    unsure["lap_time_difference_uncertainty"] = 0.2
    assert title(unsure) == "Final drive 4.7 meets the limit: −0.150 s a lap, within the ±0.400 s of the model"


def test_errors_of_the_sweep():
    none = table().iloc[:0]
    none.attrs = table().attrs
    with pytest.raises(LapkitError, match="the sweep has no row"):
        gear_sweep_chart(none)
    with pytest.raises(LapkitError, match=r"expected 2 Axes \(lap time, engine speed\)"):
        gear_sweep_chart(table(), axes=canvas(3))


# ---------------------------------------------------------------------------------- words


def test_words_of_a_sweep():
    said = sweep_words(table())
    assert said[0] == (
        "Final drive 4.7 meets the limit of 6500 rpm at the end of the longest straight: 6500 ±30 rpm there. "
        "It may go past it: a chance of about 1 in 2 by that ±. The lap would be 0.150 ±0.040 s quicker."
    )
    assert said[1] == "Final drive 4.8 goes 100 ±30 rpm past the limit there: too short."
    assert said[-1].startswith("Leave room below the limit")
    clear = table()
    clear["free_engine_speed"] -= 40 * RPM  # 2.7 standard uncertainties below it
    assert not any("may go past" in text for text in sweep_words(clear))
    below = sweep_words(table(nearest=3, limit=7000 * RPM))
    assert below[0].startswith("Final drive 4.8 comes nearest to the limit of 7000 rpm") and "400 rpm below" in below[0]
    assert not any("past" in text for text in below[1:])
    assert sweep_words(table(nearest=9, limit=6000 * RPM))[0].startswith("Every one of these")
    assert "cannot be said" in sweep_words(table(hidden=(0, 1, 2, 3), nearest=9))[0]


def test_the_quickest_past_the_limit_is_never_recommended():
    rows = table()
    rows.loc[3, ["lap_time_difference", "lap_time"]] = [-0.4, 26.9]
    said = " ".join(sweep_words(rows))
    assert "Final drive 4.8 goes 100 ±30 rpm past the limit there: too short." in said
    assert "quickest" not in said and "as quick" not in said and "0.400" not in said


def test_a_limit_met_on_another_straight_is_said():
    rows = table(nearest=1, limit=6550 * RPM)
    rows.loc[2, ["limit_reached", "limit_distance"]] = [True, 120.0]
    said = sweep_words(rows)
    assert said[1] == "Final drive 4.7 meets the limit at 120 m already, and the shorter ones go further: too short."


def test_rows_of_which_nothing_is_known_are_named():
    rows = table(hidden=(3,))
    assert "No lap time is given with final drive 4.8: too far outside the engine speeds seen." in sweep_words(rows)
    assert "Final drive 4.8 goes far past the limit: too short." in sweep_words(rows)
    rows["final_drive"] = rows["overall_ratio"] = [4.5, 4.6, 4.7, 9.0]
    axes = laid_out(gear_sweep_chart(rows, axes=canvas(2)))
    assert axes[1].get_xlim()[1] < 5.0  # it would squeeze the others
    assert any(text.endswith("not drawn: 9") for text in texts(axes[1]))


def test_what_would_just_meet_the_limit_is_marked():
    rows = table()
    rows.attrs["meeting"] = {"final_drive": 4.7, "final_drive_uncertainty": 0.02, "overall_ratio": 4.7}
    axes = laid_out(gear_sweep_chart(rows, axes=canvas(2)))
    diamond = next(one for one in axes[1].get_lines() if one.get_marker() == "D")
    assert (diamond.get_xdata()[0], round(diamond.get_ydata()[0])) == (4.7, 6500)
    assert "4.70 would just meet it" in texts(axes[1])
    assert "Of all final drives, 4.70 ±0.04 would just meet it." in sweep_words(rows)


def test_the_quickest_is_named_where_it_is_another():
    rows = table()
    rows.loc[1, ["lap_time_difference", "lap_time"]] = [-0.3, 27.0]
    assert (
        sweep_words(rows)[3] == "The quickest lap comes from final drive 4.6. The lap would be 0.300 ±0.040 s quicker."
    )


def test_a_taller_gear_that_is_as_quick_is_named_for_its_room():
    rows = table()
    rows.loc[1, ["lap_time_difference", "lap_time"]] = [-0.16, 27.14]
    assert (
        sweep_words(rows)[3]
        == "The lap is as quick with final drive 4.6, as far as can be told, and the engine turns 100 rpm less."
    )


def test_a_table_of_text():
    shown = sweep_table(table(), speed_unit="m/s")
    assert shown["Difference (s)"].tolist() == ["0.000", "-0.100 ±0.040", "-0.150 ±0.040", "+0.200 ±0.040"]
    assert shown["At line (m/s)"].iloc[0] == "45.0 ±0.2"
    assert shown[""].tolist() == ["", "", "meets the limit (may pass it)", "past the limit"]
    assert "Restart (s)" not in shown and "Top gear" not in shown
    assert sweep_table(table(hidden=(1,)))["Difference (s)"].iloc[1] == "-"
    assert list(sweep_table(table().iloc[:0]).index) == []


def test_limit_words_name_a_straight_that_is_faster_still(found):
    slower = found.straights["engine_speed"].argmin()
    other = found.straights.assign(straight_length=np.where(np.arange(2) == slower, 900.0, 100.0))
    said = limit_words(type(found)(**{**found.__dict__, "straights": other}), LIMIT)
    assert said[1].startswith("It turns faster still before corner")


def test_what_counts_as_meeting():
    rows = table()
    rows.loc[0, "free_engine_speed"], rows.loc[1, "free_engine_speed"] = 0.985 * LIMIT, 1.0001 * LIMIT
    assert judged(rows)["meets"].tolist() == [False, False, True, False]
    assert judged(rows, within=0.02)["meets"].tolist() == [True, False, True, False]
    assert judged(rows)["past"].tolist() == [False, True, False, True]
