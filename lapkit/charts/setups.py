"""Two setups beside each other: their laps against the age of the tyres, and what differs by corner, straight and lap."""

from __future__ import annotations

import textwrap
from dataclasses import replace

import matplotlib
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from lapkit.analysers.setups.comparison import SetupComparison
from lapkit.analysers.setups.places import LAP
from lapkit.analysers.setups.run_curve import age_words, at_age
from lapkit.analysers.setups.stint import Crossover, FallOff, crossover
from lapkit.charts.comparison import BEHIND_TEXT, ROUND_STEPS, TITLE_WIDTH
from lapkit.charts.line_pair import capital
from lapkit.charts.stint import AGE_SIZE, RunLook, age_limits, draw_run, finish_age_axes, note, one_axes
from lapkit.charts.style import (
    HAIRLINE,
    INK,
    MUTED,
    PLACE,
    REFERENCE,
    SMALL,
    STYLE,
    AxesArray,
    plain,
    signed,
    tick,
)
from lapkit.model.given import kind_given

ROW = 0.55  # inches of a place; see _height
LEAST_REACH = 0.05  # s; the chart of differences shows at least this much either way
ADDS_UP = 0.0005  # s; shown to the millisecond
LOOKS = (RunLook(REFERENCE, "s", "--", 2.4, "#a86412"), RunLook(INK, "o", "-", 2.0))


def setup_runs(
    a: FallOff,
    b: FallOff,
    *,
    names: tuple[str, str] = ("a", "b"),
    crossing: Crossover | None = None,
    comparison: SetupComparison | None = None,
    ax: Axes | None = None,
) -> Axes:
    """Draw the laps of two setups against the age of the tyres, both curves, and where one passes the other.

    Parameters
    ----------
    a, b : FallOff
        From `fall_off`.
    names : (str, str)
        What the setups are called.
    crossing : Crossover, optional
        From `crossover`; found here by default.
    comparison : SetupComparison, optional
        From `compare_setups`, of the same runs: only where it calls the difference real does the title call a setup faster.
        Not used where `crossing` is given, which holds its verdict.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.

    Returns
    -------
    Axes

    Raises
    ------
    LapkitError
        If the two have no tyre age in common, or `ax` is no Axes.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.setups.stint import fall_off, run_table
    >>> from matplotlib.figure import Figure
    >>> found = [fall_off(run_table(lapkit.load(f"sample_data/setup_{k}.csv"))) for k in "ab"]
    >>> setup_runs(*found, names=("A", "B"), ax=Figure().subplots()).get_title(loc="left")
    'In these runs B stays ahead all the way'
    """
    crossing = crossover(a, b, names=names, comparison=comparison) if crossing is None else crossing
    panel = one_axes(ax, AGE_SIZE, "lap time")
    with matplotlib.rc_context(STYLE):
        low, high = age_limits([a, b])
        panel.set_ylim(low, high)
        for found, look in zip((a, b), LOOKS, strict=True):
            draw_run(panel, found, look, amounts=False)
        if np.isfinite(crossing.lap):
            if np.isfinite(crossing.low):
                panel.axvspan(crossing.low, crossing.high, facecolor=PLACE, alpha=0.08, edgecolor="none", zorder=0)
            panel.axvline(crossing.lap, color=PLACE, linewidth=1.0, linestyle=(0, (4, 3)), zorder=1.5)
            panel.annotate(f"{at_age(crossing.lap, crossing.ahead)}, between {crossing.low:.0f} and {crossing.high:.0f}", (crossing.lap, low),
                           xytext=(4, 4), textcoords="offset points", color=PLACE, fontsize=SMALL, va="bottom")  # fmt: skip
        finish_age_axes(panel, [a, b])
        _name_curves(panel, a, b, names)
        panel.set_title("\n".join(textwrap.wrap(capital(_passing(crossing)), TITLE_WIDTH)))
        note(
            panel,
            f"Bands: where each curve may lie ({100 * crossing.confidence:.0f} %). Hollow: warm-up; crosses: odd laps",
        )
    return panel


def _name_curves(ax: Axes, a: FallOff, b: FallOff, names: tuple[str, str]) -> None:
    """Write each name at the right end of its curve, the upper one above the lower one."""
    ends = [(found.ages[1], float(found.curve(found.ages[1])[0][0])) for found in (a, b)]
    upper = 0 if ends[0][1] >= ends[1][1] else 1
    for k, (end, name) in enumerate(zip(ends, names, strict=True)):
        ax.annotate(plain(name, 20), end, xytext=(9, 5 if k == upper else -5), textcoords="offset points", weight="bold",
                    va="bottom" if k == upper else "top", fontsize=11.0, color=LOOKS[k].ink, annotation_clip=False)  # fmt: skip


def _passing(crossing: Crossover) -> str:
    """The finding in a few words: of the setups where that is settled, else of these runs."""
    early, late = plain(crossing.faster_early, 24), plain(crossing.faster_late, 24)
    here = "" if crossing.settled else "In these runs "
    at = at_age(crossing.lap, crossing.ahead) if np.isfinite(crossing.lap) else ""
    if np.isfinite(crossing.lap) and early and late:
        return f"{here}{early} is faster at first; {late} passes it at about {at}"
    if np.isfinite(crossing.lap):
        return f"The curves cross near {at}, but these laps do not settle it"
    if early and early == late and not np.isfinite(crossing.low):
        if crossing.settled:
            return f"{early} is faster all the way"
        open_ = "; whether it is the setup is not settled" if crossing.settled is False else ""
        return f"{here}{early} stays ahead all the way{open_}"
    if early or late:
        return f"{here}{early or late} is faster {'at first' if early else 'at the end'}; the rest is open"
    return "The two cannot be told apart anywhere in the run"


def setup_differences(comparison: SetupComparison, *, ax: Axes | None = None) -> Axes:
    """Draw the difference of two setups in each corner, on each straight and over the lap, with how sure it is.

    Parameters
    ----------
    comparison : SetupComparison
        From `compare_setups`.
    ax : Axes, optional
        Where to draw; a new figure of pyplot's by default.

    Returns
    -------
    Axes

    Raises
    ------
    LapkitError
        If `ax` is no Axes.

    Examples
    --------
    >>> import pandas as pd
    >>> from lapkit.analysers.setups.compare import compare_setups
    >>> from matplotlib.figure import Figure
    >>> age = np.arange(9)
    >>> laps = pd.DataFrame({"run": 1, "lap": age, "tyre_age": age, "lap_time": 30.0 + 0.02 * (-1.0) ** age})
    >>> found = compare_setups(laps, laps.assign(run=2, lap_time=laps["lap_time"] - 0.2), resamples=0)
    >>> setup_differences(found, ax=Figure().subplots()).get_title(loc="left")
    'B is faster by 0.200 s a lap'
    """
    expected = "a comparison, as compare_setups(runs_a, runs_b) returns it"
    rows = kind_given(comparison, SetupComparison, "setup_differences", expected).table.to_dict("records")
    panel = one_axes(ax, (AGE_SIZE[0], _height(len(rows))), "difference")
    names = [plain(name, 20) for name in comparison.names]
    adds_up = abs(sum(float(row["difference"]) for row in rows[:-1]) - comparison.difference) < ADDS_UP
    with matplotlib.rc_context(STYLE):
        panel.axvline(0.0, color=MUTED, linewidth=1.0, zorder=2)
        reach = LEAST_REACH
        for y, row in enumerate(rows):
            value, margin = float(row["difference"]), float(np.nan_to_num(row["margin"]))
            sure, ink = bool(row["significant"]), INK
            panel.plot([value - margin, value + margin], [y, y], color=ink, linewidth=2.0, zorder=3)
            panel.plot(
                [value], [y], marker="o", markersize=9.0, color=ink, markerfacecolor=ink if sure else "white", zorder=4
            )
            panel.annotate(f"{signed(value, 3)} ±{margin:.3f} s", (value, y), xytext=(0, 9), textcoords="offset points",
                           ha="center", va="bottom", weight="bold" if sure else "normal", color=PLACE if sure else MUTED,
                           bbox=BEHIND_TEXT, zorder=5)  # fmt: skip
            whole = y == len(rows) - 2  # the places above add up to the lap below
            panel.axhline(y + 0.5, color=MUTED if whole else HAIRLINE, linewidth=1.4 if whole else 0.6, zorder=1)
            reach = max(reach, abs(value) + margin)
        panel.set_xlim(-1.25 * reach, 1.25 * reach)
        panel.set_ylim(len(rows) - 0.5, -1.0)
        panel.set_yticks(range(len(rows)), [_called(str(row["segment"])) for row in rows], weight="bold")
        panel.tick_params(axis="y", length=0)
        panel.grid(visible=False, axis="y")
        panel.grid(visible=True, axis="x")
        panel.xaxis.set_major_locator(MaxNLocator(8, steps=ROUND_STEPS))
        panel.xaxis.set_major_formatter(FuncFormatter(tick))
        for x, words, align in ((0.0, f"◀ {names[1]} faster", "left"), (1.0, f"{names[0]} faster ▶", "right")):
            panel.text(x, 1.0, words, transform=panel.transAxes, ha=align, va="top", weight="bold", bbox=BEHIND_TEXT)
        panel.set_xlabel(f"{names[1]} less {names[0]} (s)", loc="left")
        panel.set_title("\n".join(textwrap.wrap(_faster(comparison), TITLE_WIDTH)))
        note(
            panel,
            f"Bars: {100 * comparison.confidence:.0f} % sure, at tyre age {age_words(comparison.tyre_age)}. Hollow: may be luck"
            + (". The places add up to the lap" if adds_up and len(rows) > 1 else ""),
        )
    return panel


def setup_picture(comparison: SetupComparison, a: FallOff, b: FallOff, crossing: Crossover) -> AxesArray:
    """Draw two setups on one page: their laps against tyre age, and below what differs by place and over the lap.

    Parameters
    ----------
    comparison : SetupComparison
        From `compare_setups`.
    a, b : FallOff
        From `fall_off`, of the same runs.
    crossing : Crossover
        From `crossover`.

    Returns
    -------
    ndarray of Axes, shape (2,)
        On a new figure of pyplot's.

    Examples
    --------
    >>> import pandas as pd
    >>> from lapkit.analysers.setups.compare import compare_setups
    >>> from lapkit.analysers.setups.stint import fall_off
    >>> from matplotlib import pyplot
    >>> age = np.arange(9)
    >>> laps = pd.DataFrame({"run": 1, "lap": age, "tyre_age": age, "lap_time": 30.0 + 0.02 * (-1.0) ** age})
    >>> other = laps.assign(run=2, lap_time=laps["lap_time"] - 0.2)
    >>> a, b = fall_off(laps), fall_off(other)
    >>> found = compare_setups(laps, other, resamples=0)
    >>> axes = setup_picture(found, a, b, crossover(a, b, names=("A", "B"), comparison=found))
    >>> [ax.get_title(loc="left") for ax in axes]
    ['B is faster all the way', 'B is faster by 0.200 s a lap']
    >>> pyplot.close(axes[0].figure)
    """
    from matplotlib import pyplot

    lower = _height(len(comparison.table))
    figure = pyplot.figure(figsize=(AGE_SIZE[0], AGE_SIZE[1] + lower), layout="constrained", facecolor="white")
    with matplotlib.rc_context(STYLE):
        axes = np.asarray(figure.subplots(2, height_ratios=[AGE_SIZE[1], lower]), dtype=object)
    setup_runs(a, b, names=crossing.names, crossing=replace(crossing, settled=comparison.settled), ax=axes[0])
    setup_differences(comparison, ax=axes[1])
    return axes


def _height(rows: int) -> float:
    """Inches that so many rows take."""
    return 2.2 + ROW * rows


def _called(segment: str) -> str:
    if segment == LAP:
        return "Whole lap"
    short = (
        plain(segment, 40)
        .replace("straight after corner", "straight after")
        .replace("straight before corner", "straight to")
    )
    return capital(short)


def _faster(comparison: SetupComparison) -> str:
    """The finding in a few words."""
    if not comparison.significant:
        return "Over the lap no difference that is more than luck"
    name = plain(comparison.names[int(comparison.difference < 0)], 24)
    if not comparison.settled:
        return capital(
            f"{name} came out {abs(comparison.difference):.3f} s a lap faster; runs may differ so by themselves"
        )
    return capital(f"{name} is faster by {abs(comparison.difference):.3f} s a lap")
