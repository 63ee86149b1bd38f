"""Charts of the long run and of two setups: what stands in the artists is what the analysis found."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from lapkit.analysers.setups.compare import compare_setups
from lapkit.analysers.setups.stint import crossover, fall_off
from lapkit.charts import fall_off_chart, run_channels, setup_differences, setup_picture, setup_runs
from lapkit.errors import LapkitError


def laps(base, rate, *, count=18, warm=0.4, odd=None, bend=None, seed=3, run=1):
    """A table of one run with a known curve: warm-up that dies away, one odd lap, a bend."""
    age = np.arange(count)
    seconds = base + rate * age + warm * 0.3**age + 0.01 * np.random.default_rng(seed).normal(size=count)
    if odd is not None:
        seconds[odd] += 1.5
    if bend is not None:
        seconds += 0.06 * np.maximum(age - bend, 0)
    return pd.DataFrame({"run": run, "lap": age + 1, "tyre_age": age, "lap_time": seconds})


def axes():
    figure = Figure(figsize=(9.5, 5.0))
    FigureCanvasAgg(figure)
    return figure.subplots()


def texts(ax):
    return [text.get_text() for text in ax.texts]


def dots(ax, marker, face):
    """Laps drawn so."""
    found = [line.get_xydata() for line in ax.get_lines() if line.get_marker() == marker and line.get_linestyle() == "None"
             and line.get_markerfacecolor() == face]  # fmt: skip
    return np.concatenate(found) if found else np.empty((0, 2))


def curves(ax):
    """Curves drawn with a line, in order."""
    return [line.get_xydata() for line in ax.get_lines() if len(line.get_xdata()) == 101]


@pytest.fixture(scope="module")
def long_run():
    return fall_off(laps(28.0, 0.01, count=26, odd=12, bend=17))


def test_fall_off_shows_every_lap_once_by_its_kind(long_run):
    ax = fall_off_chart(long_run, ax=axes())
    ax.figure.canvas.draw()
    warm = long_run.laps["marks"].str.contains("warm-up").sum()
    assert len(dots(ax, "o", "white")) == warm >= 1
    odd = dots(ax, "X", "white")[:, 0]
    light = long_run.laps[(long_run.laps["weight"] < 0.5) & ~long_run.laps["marks"].str.contains("warm-up")]
    assert 12.0 in odd and odd.tolist() == light["tyre_age"].tolist()
    usual = dots(ax, "o", "#20262b")
    kept = long_run.laps[long_run.laps["tyre_age"].isin(usual[:, 0])]
    np.testing.assert_allclose(usual[:, 1], kept["lap_time"], atol=1e-9)
    assert len(usual) + warm + len(odd) == 26


def test_fall_off_draws_the_curve_and_its_band(long_run):
    ax = fall_off_chart(long_run, ax=axes())
    (curve,) = curves(ax)
    np.testing.assert_allclose(curve[:, 1], long_run.curve(curve[:, 0])[0])
    band = ax.collections[0].get_paths()[0].vertices
    sigma = long_run.curve(long_run.ages[0])[1][0]
    at = band[np.isclose(band[:, 0], long_run.ages[0]), 1]
    assert 2 * 1.9 * sigma < np.ptp(at) < 2 * 3.0 * sigma


def test_fall_off_says_what_a_lap_costs_and_where_it_bends(long_run):
    ax = fall_off_chart(long_run, ax=axes())
    title = ax.get_title(loc="left").replace("\n", " ")
    assert title.startswith(f"Each lap on the tyres costs {long_run.rate:.3f} s up to tyre age")
    assert f"bends at tyre age {long_run.bend:.0f} (lap {long_run.bend + 1:.0f})" in texts(ax)
    assert f"+{long_run.late_rate:.3f} s a lap" in texts(ax)
    assert any(text.startswith("lap 13: +1.5") for text in texts(ax))


def test_a_lap_far_slower_stands_inside_the_upper_edge():
    found = fall_off(laps(28.0, 0.01, odd=9))
    ax = fall_off_chart(found, ax=axes())
    low, high = ax.get_ylim()
    assert low < dots(ax, "X", "white")[0, 1] < high < 29.5


def test_no_fall_off_is_called_so():
    found = fall_off(laps(28.0, 0.0, warm=0.0, seed=5))
    assert fall_off_chart(found, ax=axes()).get_title(loc="left") == "No fall-off that can be told from luck"


def test_several_runs_are_moved_to_their_common_level():
    table = pd.concat([laps(28.0, 0.02, warm=0.0), laps(28.3, 0.02, warm=0.0, seed=4, run=2)], ignore_index=True)
    ax = fall_off_chart(fall_off(table), ax=axes())
    seconds = dots(ax, "o", "#20262b")
    assert np.abs(seconds[:, 1] - (28.15 + 0.02 * seconds[:, 0])).max() < 0.06
    assert any("2 runs at their common level" in text for text in texts(ax))


def test_a_lap_time_beyond_a_minute_is_written_in_minutes():
    ax = fall_off_chart(fall_off(laps(88.0, 0.02)), ax=axes())
    assert ax.get_ylabel() == "Lap time (min:s)"


def test_two_setups_have_both_curves_and_the_crossing():
    a, b = fall_off(laps(28.0, 0.05)), fall_off(laps(28.3, 0.02, seed=8))
    crossing = crossover(a, b, names=("soft", "hard"))
    ax = setup_runs(a, b, names=("soft", "hard"), ax=axes())
    ax.figure.canvas.draw()
    for found, drawn in zip((a, b), curves(ax), strict=True):
        np.testing.assert_allclose(drawn[:, 1], found.curve(drawn[:, 0])[0])
    at = f"tyre age {crossing.lap:.0f} (lap {round(crossing.lap) + 1})"
    assert ax.get_title(loc="left") == f"In these runs soft is faster at first; hard passes it at about {at}"
    assert {"soft", "hard"} <= set(texts(ax))
    assert any(np.allclose(line.get_xdata(), crossing.lap) for line in ax.get_lines() if len(line.get_xdata()) == 2)


def test_the_name_of_the_slower_setup_stands_above():
    a, b = fall_off(laps(28.0, 0.02)), fall_off(laps(28.3, 0.02, seed=8))
    ax = setup_runs(a, b, ax=axes())
    assert ax.get_title(loc="left") == "In these runs a stays ahead all the way"
    words = {text.get_text(): text for text in ax.texts}
    assert words["b"].get_verticalalignment() == "bottom" and words["a"].get_verticalalignment() == "top"


def test_setups_that_cannot_be_told_apart():
    a, b = fall_off(laps(28.0, 0.02, warm=0.0)), fall_off(laps(28.0, 0.02, warm=0.0, seed=9))
    title = setup_runs(a, b, ax=axes()).get_title(loc="left")
    assert "cannot be told apart" in title or "do not settle it" in title


@pytest.fixture(scope="module")
def compared():
    return compare_setups(laps(28.0, 0.02), laps(27.8, 0.02, seed=8), names=("soft", "stiff"), resamples=0)


def test_differences_stand_where_the_table_has_them(compared):
    ax = setup_differences(compared, ax=axes())
    ax.figure.canvas.draw()
    (dot,) = [line for line in ax.get_lines() if line.get_marker() == "o"]
    assert dot.get_xdata()[0] == pytest.approx(compared.difference)
    bar = next(line.get_xdata() for line in ax.get_lines() if line.get_linewidth() == 2.0)
    np.testing.assert_allclose(bar, [compared.difference - compared.margin, compared.difference + compared.margin])
    assert dot.get_markerfacecolor() == "#20262b" and compared.significant
    assert {"◀ stiff faster", "soft faster ▶"} <= set(texts(ax))
    assert ax.get_title(loc="left") == f"Stiff is faster by {-compared.difference:.3f} s a lap"


def test_places_stand_above_the_lap_they_add_up_to(compared):
    lap = compared.table.iloc[0].to_dict()
    shares = {"straight before corner 1": 0.2, "corner 1": 0.5, "straight after corner 1": 0.3}
    rows = [{**lap, "segment": name, "difference": share * lap["difference"]} for name, share in shares.items()]
    whole = replace(compared, table=pd.DataFrame([*rows, lap]))
    ax = setup_differences(whole, ax=axes())
    ax.figure.canvas.draw()
    named = [label.get_text() for label in ax.get_yticklabels()]
    assert named == ["Straight to 1", "Corner 1", "Straight after 1", "Whole lap"]
    at = [line.get_xdata()[0] for line in ax.get_lines() if line.get_marker() == "o"]
    assert sum(at[:-1]) == pytest.approx(at[-1])
    assert any("The places add up to the lap" in text for text in texts(ax))
    part = replace(compared, table=pd.DataFrame([*rows[1:], lap]))
    assert not any("add up" in text for text in texts(setup_differences(part, ax=axes())))


def test_what_may_be_luck_is_hollow():
    found = compare_setups(laps(28.0, 0.02), laps(28.0, 0.02, seed=11), resamples=0)
    assert not found.significant
    ax = setup_differences(found, ax=axes())
    assert next(line for line in ax.get_lines() if line.get_marker() == "o").get_markerfacecolor() == "white"
    assert "no difference that is more than luck" in ax.get_title(loc="left")


def test_one_page_holds_both(compared):
    from matplotlib import pyplot

    a, b = fall_off(laps(28.0, 0.02)), fall_off(laps(27.8, 0.02, seed=8))
    upper, lower = setup_picture(compared, a, b, crossover(a, b, names=("soft", "stiff")))
    assert compared.settled and upper.get_title(loc="left") == "Stiff is faster all the way"
    close = compare_setups(laps(28.0, 0.02), laps(27.93, 0.02, seed=8), names=("soft", "stiff"), resamples=0)
    assert not close.settled
    ax = setup_runs(a, b, names=("soft", "stiff"), comparison=close, ax=axes())
    assert ax.get_title(loc="left").replace("\n", " ") == (
        "In these runs stiff stays ahead all the way; whether it is the setup is not settled"
    )
    assert lower.get_title(loc="left").startswith("Stiff is faster by")
    pyplot.close(upper.figure)


def test_pressures_in_kilopascals_and_temperatures_in_degrees():
    table = laps(28.0, 0.02).assign(tyre_pressure_fr=180e3, tyre_temperature_fr=353.15)
    ax = run_channels(table, ax=axes())
    np.testing.assert_allclose(ax.get_lines()[0].get_ydata(), 180.0)
    warm = run_channels(table, dimension="temperature", ax=axes())
    np.testing.assert_allclose(warm.get_lines()[0].get_ydata(), 80.0)
    assert warm.get_ylabel() == "Temperature (°C)"


def test_errors():
    table = laps(28.0, 0.02)
    with pytest.raises(LapkitError, match="no pressure was logged"):
        run_channels(table)
    with pytest.raises(LapkitError, match="use one of temperature, pressure"):
        run_channels(table, dimension="speed")
    with pytest.raises(LapkitError, match="expected 1 Axes"):
        fall_off_chart(fall_off(table), ax="here")
