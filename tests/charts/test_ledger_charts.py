"""The pictures of a ledger: what is drawn is what it holds, and what is inside the noise looks weaker."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

import lapkit
from lapkit.analysers.ledger.findings import headline, zones
from lapkit.charts import ledger_steps, ledger_table, made_and_paid
from lapkit.charts.ledger import GAINED, LOST, WEAK
from lapkit.errors import LapkitError

DATA = Path(__file__).parents[2] / "sample_data"
KINDS = ["oval", "road", "equal", "refused", "hole", "two files", "one corner", "no corner"]


@cache
def session(name):
    loaded = lapkit.load(DATA / f"{name}.csv")
    return loaded, lapkit.longitudinal_model(loaded)


@cache
def book(kind):
    """A ledger of each kind that there is."""
    run, model = session("road_course" if kind == "road" else "oval_run")
    lap, reference = (run.lap(n) for n in ((4, 2) if kind == "road" else (10, 6)))
    if kind == "equal":
        reference = lap
    if kind == "refused":
        lap, reference = (frame.drop(columns="throttle") for frame in (lap, reference))
        model = None
    if kind == "hole":
        lap = lap.copy()
        lap.loc[300.0:420.0] = np.nan
    if kind == "two files":
        reference = reference.copy()
        reference.attrs["source"] = "a $x$ file\nof another driver.csv"
    if kind in ("one corner", "no corner"):
        lap, reference = lap.copy(), reference.copy()
        for frame in (lap, reference):
            frame.attrs["corners"] = frame.attrs["corners"][: int(kind == "one corner")]
    return lapkit.ledger(lap, reference, model=model)


def drawn(function, table, count=1, **options):
    figure = Figure(figsize=(10, 6))
    FigureCanvasAgg(figure)
    axes = figure.subplots(count, sharex=True)
    out = function(table, **{"ax" if count == 1 else "axes": axes}, **options)
    figure.canvas.draw()  # every text is laid out, so what cannot be drawn fails here
    return out


def bars(ax):
    return [patch for patch in ax.patches if isinstance(patch, Rectangle)]


def texts(ax):
    return [text.get_text() for text in ax.texts]


def number(text):
    return float(text.strip("()").split(" ")[0].replace("\N{MINUS SIGN}", "-"))


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("function", [ledger_table, ledger_steps, made_and_paid])
def test_every_ledger_can_be_drawn_and_its_title_is_the_finding(function, kind):
    table = book(kind)
    out = drawn(function, table, 2 if function is made_and_paid else 1)
    title = np.ravel(out)[0].get_title(loc="left").replace("\n", " ")
    assert title == " ".join(headline(table).split())
    assert not any("nan" in text.lower() for ax in np.ravel(out) for text in texts(ax))


def test_one_place_and_one_figure_in_the_sentences_the_tables_and_every_picture():
    """A lift begun on the straight before its corner is the corner's, whoever says it."""
    table = book("road")
    run, model = session("road_course")
    why = lapkit.explain(run.lap(4), run.lap(2), model=model)
    zone = why.made
    assert zone.since and zone.label == f"corner 5 (from {zone.since} on)"
    said = f"{zone.made:.3f} s made in corner 5 from {zone.since} on (throttle {zone.costs['throttle']:+.3f} s"
    assert headline(table) == why.headline and said in why.headline
    assert said.replace(" s made", f" s (±{zone.noise:.3f}) was made") in why[1]
    assert zone in [*zones(table)]
    rows = table.told
    cells = np.array(table.to_dict()["cells"])[[name.startswith("corner 5 ") for name in rows.cells.index]]
    np.testing.assert_allclose(cells.sum(axis=0), list(zone.costs.values()), atol=1e-12)
    assert f"corner 5 entry (from {zone.since} on)" in repr(table)
    steps = drawn(ledger_steps, table, by="segment")
    at = [label.get_text() for label in steps.get_yticklabels()].index(zone.label)
    assert bars(steps)[at - 1].get_width() == pytest.approx(sum(zone.costs.values()))
    assert zone.label in [label.get_text() for label in drawn(ledger_table, table).get_yticklabels()]
    shaded = drawn(made_and_paid, table, 2)[0].patches
    assert zone.start in [pytest.approx(patch.get_x()) for patch in shaded]


# --------------------------------------------------------------------------- the table


def test_the_table_holds_every_cell():
    table = book("oval")
    shown = texts(drawn(ledger_table, table))
    values = [number(text) for text in shown[: 1 + table.cells.size]]
    assert values[0] == pytest.approx(table.carried_in, abs=5.1e-4)
    rows = table.told
    np.testing.assert_allclose(values[1:], rows.cells.to_numpy().T.ravel(), atol=5.1e-4)
    sure = [not text.startswith("(") for text in shown[1 : 1 + table.cells.size]]
    np.testing.assert_array_equal(sure, (rows.cells.abs() > 2 * rows.uncertainties).to_numpy().T.ravel())


def test_bars_are_to_one_scale_and_pale_inside_the_noise():
    table = book("oval")
    ax = drawn(ledger_table, table)
    greatest = max(bars(ax), key=lambda bar: abs(bar.get_width()))
    per_second = greatest.get_width() / table.told.cells["throttle"].max()
    column = [bar for bar in bars(ax) if 0 < bar.get_x() + bar.get_width() / 2 < 1]  # longer way
    assert column
    for bar in column:
        row = round(bar.get_y() + 0.3) - 1
        value, noise = (part["longer_way"].iloc[row] for part in (table.told.cells, 2 * table.told.uncertainties))
        known = abs(value) > noise
        assert bar.get_width() == pytest.approx(value * per_second)
        assert bar.get_facecolor()[:3] == to_rgb((LOST if value > 0 else GAINED) if known else WEAK)
    assert not table.significant["longer_way"].all()
    assert greatest.get_facecolor()[:3] == to_rgb(LOST)


def test_rows_columns_and_units():
    table = book("oval")
    ax = drawn(ledger_table, table)
    rows = [label.get_text() for label in ax.get_yticklabels()]
    assert rows == ["carried in over the line", *table.told.labels, "whole lap"]
    heads = [label.get_text() for label in ax.get_xticklabels()]
    assert heads == [f"{cause.replace('_', ' ')}\n(s)" for cause in [*table.causes, "all"]]
    assert texts(ax)[-2] == f"+{table.total:.3f}"  # before the note


def test_many_corners_are_shown_whole_unless_asked():
    table = book("road")
    together = [label.get_text() for label in drawn(ledger_table, table).get_yticklabels()]
    assert together[1:-1] == [zone.label for zone in zones(table)]
    apart = [label.get_text() for label in drawn(ledger_table, table, parts=True).get_yticklabels()]
    assert apart[1:-1] == table.told.labels


def test_a_refused_model_leaves_way_and_speed():
    ax = drawn(ledger_table, book("refused"))
    assert "carried in over the line" not in [label.get_text() for label in ax.get_yticklabels()]
    assert "lower speed\n(s)" in [label.get_text() for label in ax.get_xticklabels()]
    assert "only where it was paid is known" in ax.get_title(loc="left").replace("\n", " ")


def test_next_to_nothing_has_no_minus_in_the_picture_as_in_the_text():
    table = book("oval")
    cells = table.cells.copy()
    cells.iloc[0, 0] = -4e-4
    table = replace(table, cells=cells, carried_in=-1e-6)
    pictures = [drawn(ledger_table, table), drawn(ledger_steps, table)]
    assert "0.000" in repr(table)
    for shown in (repr(table), *(text for ax in pictures for text in texts(ax))):
        assert not re.search(r"[-\N{MINUS SIGN}]0\.000", shown)
    assert texts(pictures[0])[0] == "(+0.000)"


# ---------------------------------------------------------------------------- the steps


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("by", ["cause", "segment"])
def test_steps_lead_from_one_lap_time_to_the_other(kind, by):
    table = book(kind)
    ax = drawn(ledger_steps, table, by=by)
    steps = bars(ax)
    assert steps[0].get_x() == pytest.approx(table.reference["lap_time"])
    end = steps[-1].get_x() + steps[-1].get_width()
    assert end == pytest.approx(table.lap["lap_time"], abs=1e-9)
    for before, after in pairwise(steps):
        assert after.get_x() == pytest.approx(before.get_x() + before.get_width())
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert len(labels) == len(steps) + 2
    assert labels[0].startswith(f"lap {table.reference['lap']}") and labels[-1].startswith(f"lap {table.lap['lap']}")


def test_steps_by_cause_are_the_sums_with_their_uncertainty():
    table = book("oval")
    ax = drawn(ledger_steps, table)
    for bar, row in zip(bars(ax), table.by_cause().itertuples(), strict=True):
        assert bar.get_width() == pytest.approx(row.time_lost)
        known = abs(row.time_lost) > 2 * row.time_lost_uncertainty
        strong = LOST if row.time_lost > 0 else GAINED
        assert bar.get_facecolor()[:3] == to_rgb(strong if known else WEAK)
        assert f"±{2 * row.time_lost_uncertainty:.3f}" in " ".join(texts(ax))
    assert ax.get_xlabel() == "Lap time (s)"
    assert drawn(ledger_steps, book("road")).get_xlabel() == "Lap time (min:s)"


# ------------------------------------------------------------------------ made and paid


def test_both_lines_end_at_the_difference_and_paid_is_the_delta():
    table = book("oval")
    upper, _ = drawn(made_and_paid, table, 2)
    lines = {line.get_label().split(" ")[0]: line for line in upper.get_lines()}
    made, paid = lines["made"].get_ydata(), lines["paid"].get_ydata()
    assert made[0] == pytest.approx(table.carried_in)
    assert paid[0] == 0.0
    assert made[-1] == pytest.approx(table.total, abs=1e-9)
    assert paid[-1] == pytest.approx(table.total, abs=1e-9)
    run, _ = session("oval_run")
    change = lapkit.delta(run.lap(10), run.lap(6))["delta"]
    at = lines["paid"].get_xdata()
    np.testing.assert_allclose(paid[1:-1], change.reindex(at[1:-1]), atol=1e-9)


def test_a_hole_is_a_gap_in_the_lines():
    upper, _ = drawn(made_and_paid, book("hole"), 2)
    for line in upper.get_lines():
        if line.get_label().split(" ")[0] in ("made", "paid"):
            gone = np.flatnonzero(np.isnan(line.get_ydata()))
            assert len(gone) == 1
            assert 300.0 < line.get_xdata()[gone[0]] < 420.0


def test_below_each_place_has_what_was_made_and_what_was_paid():
    table = book("oval")
    lower = drawn(made_and_paid, table, 2)[1]
    height = [
        bar.get_height()
        for bar in bars(lower)
        if bar.get_width() < 400 and bar.get_y() == 0.0 and bar.get_height() != 1.0
    ]
    made = [sum(zone.costs.values()) for zone in zones(table)]
    paid, edges = table.places["paid"], [*(zone.start for zone in zones(table)), np.inf]
    lost = [paid[(paid.index >= low - 1e-9) & (paid.index < high - 1e-9)].sum() for low, high in pairwise(edges)]
    np.testing.assert_allclose(height[0::2], made, atol=1e-9)
    np.testing.assert_allclose(height[1::2], lost, atol=1e-9)


def test_without_a_model_only_what_was_paid_is_drawn():
    upper, lower = drawn(made_and_paid, book("refused"), 2)
    assert not [line for line in upper.get_lines() if line.get_label().startswith("made")]
    assert "White: paid here" in texts(lower)


def test_corners_are_shaded_and_named():
    upper, _ = drawn(made_and_paid, book("oval"), 2)
    assert {"Corner 1", "Corner 2"} <= set(texts(upper))
    assert upper.get_ylabel().endswith("(s)")


# ------------------------------------------------------------------------------- others


def test_grey_print_tells_lost_from_gained_and_both_from_noise():
    def lightness(colour):
        return float(np.dot(to_rgb(colour), (0.2126, 0.7152, 0.0722)))

    assert lightness(LOST) + 0.25 < lightness(GAINED)
    assert lightness(GAINED) + 0.15 < lightness(WEAK)


def test_errors():
    with pytest.raises(LapkitError, match="by: found 'corner', expected 'cause' or 'segment'"):
        ledger_steps(book("oval"), by="corner")
    with pytest.raises(LapkitError, match=r"expected 1 Axes \(the ledger\)"):
        ledger_table(book("oval"), ax=3)
    with pytest.raises(LapkitError, match="expected 2 Axes"):
        made_and_paid(book("oval"), axes=Figure().subplots(3))
