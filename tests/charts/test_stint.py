"""The chart of a whole run."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from lapkit.charts import lap_times
from lapkit.errors import LapkitError, UnitError


def session(lap_time, flags):
    """As much of a session as the chart looks at."""
    count = len(lap_time)
    table = pd.DataFrame(
        {
            "lap": np.arange(count),
            "lap_time": lap_time,
            "lap_time_uncertainty": 0.005,
            "complete": np.isfinite(lap_time),
            "flags": flags,
            "speed_at_line": np.linspace(40.0, 41.0, count),
            "speed_at_line_uncertainty": 0.02,
        }
    )
    return SimpleNamespace(
        laps=table, speed_unit="km/h", recording=SimpleNamespace(provenance=SimpleNamespace(source="a $x$.csv")),
        clean=table["complete"] & (table["flags"] == ""), marks_of=lambda lap: [],
    )  # fmt: skip


RUN = session([np.nan, 31.5, 31.4, 48.0, 31.6, 31.3, np.nan], ["partial", "", "", "stop", "", "out", "partial"])


def drawn(run, **options):
    figure = Figure()
    FigureCanvasAgg(figure)
    axes = lap_times(run, axes=figure.subplots(2, sharex=True), **options)
    figure.canvas.draw()
    return axes


def texts(ax):
    return [text.get_text() for text in ax.texts]


def dots(ax, face):
    lines = [line for line in ax.get_lines() if line.get_marker() == "o" and line.get_markerfacecolor() == face]
    return np.concatenate([line.get_xydata() for line in lines])


def test_clean_laps_are_filled_and_marked_ones_hollow_with_their_words():
    upper, _ = drawn(RUN)
    np.testing.assert_array_equal(dots(upper, "#20262b"), [[1, 31.5], [2, 31.4], [4, 31.6]])
    np.testing.assert_array_equal(dots(upper, "white"), [[5, 31.3]])
    assert "out" in texts(upper)


def test_a_lap_far_slower_stands_at_the_edge_with_its_time():
    upper, _ = drawn(RUN)
    assert "48.000 s, stop" in texts(upper)
    assert upper.get_ylim()[1] < 32.0


def test_the_best_is_a_clean_lap_and_the_title_says_it():
    upper, _ = drawn(RUN)
    assert upper.get_title(loc="left") == "Lap 2 was the best of 3 clean laps: 31.400 s"
    best = next(text for text in upper.texts if text.get_text() == "best")
    assert best.xy[0] == 2


@pytest.mark.parametrize(("unit", "factor"), [("km/h", 3.6), ("m/s", 1.0)])
def test_speed_at_the_line_in_the_unit_asked_for(unit, factor):
    _, lower = drawn(RUN, speed_unit=unit)
    np.testing.assert_allclose(dots(lower, "#20262b")[0, 1], factor * RUN.laps["speed_at_line"][1])
    assert f"({unit})" in lower.get_ylabel()


def test_lap_times_beyond_a_minute_say_so():
    assert drawn(session([70.0, 71.0], ["", ""]))[0].get_ylabel() == "Lap time (min:s)"
    assert drawn(RUN)[0].get_ylabel() == "Lap time (s)"


@pytest.mark.parametrize("run", [session([np.nan], ["partial"]), session([], []), session([31.0], ["gap"])])
def test_without_a_clean_lap(run):
    assert drawn(run)[0].get_title(loc="left").endswith("none of them clean")


def test_errors():
    with pytest.raises(LapkitError, match=r"expected 2 Axes \(lap time, speed at the line\)"):
        lap_times(RUN, axes=Figure().subplots(3))
    with pytest.raises(UnitError, match="'lightyear' is not a unit of speed"):
        lap_times(RUN, speed_unit="lightyear")
