"""When one setup passes the other over a run: where their curves of lap time against tyre age cross."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.setups.run_curve import TYRE_CAUTION, at_age, in_html, laps_ahead, two_names
from lapkit.analysers.statistics.regression import quantile
from lapkit.errors import LapkitError
from lapkit.model.given import kind_given
from lapkit.model.show import json_rows, jsonable, plain

if TYPE_CHECKING:
    from lapkit.analysers.setups.comparison import SetupComparison
    from lapkit.analysers.setups.stint import FallOff


@dataclass(frozen=True)
class Crossover:
    """When the curve of one setup passes that of the other.

    Attributes
    ----------
    lap : float
        Tyre age at which the two are as fast; NaN where that is not within the laps of both.
    low, high : float
        Tyre ages within the run between which it may lie: where the difference cannot be told from none. NaN where the same
        one is faster all the way.
    faster_early, faster_late : str
        Name of the setup that is faster at the start and at the end of the laps both drove; "" where it cannot be told.
    table : DataFrame
        tyre_age, a, b (lap time of the curves, s), difference (b - a), margin (half the interval).
    names : (str, str)
    confidence : float
    ahead : int or None
        Lap number less tyre age, where it is the same in all laps of both.
    settled : bool or None
        Whether the comparison of the two calls their difference real; None where none was given.
    """

    lap: float
    low: float
    high: float
    faster_early: str
    faster_late: str
    table: pd.DataFrame
    names: tuple[str, str]
    confidence: float
    ahead: int | None = None
    settled: bool | None = None

    @property
    def words(self) -> str:
        """The answer in a sentence."""
        until, sure = at_age(float(self.table["tyre_age"].max()), self.ahead), f"{100 * self.confidence:.4g} %"
        here = "" if self.settled else "In these runs "
        if not math.isfinite(self.low):
            other = self.names[1 - self.names.index(self.faster_early)]
            if self.settled:
                return (
                    f"{self.faster_early} is faster all the way: {other} never passes it within the run (to {until})."
                )
            open_ = (
                "is not settled: runs may differ so by themselves"
                if self.settled is False
                else "these curves do not tell"
            )
            return f"{here}{self.faster_early} stays ahead to {until}: {other} never passes it. Whether that is the setup {open_}."
        between = f"{sure}: {self.low:.0f} to {self.high:.0f}"
        if math.isfinite(self.lap) and self.faster_early and self.faster_late:
            return (
                f"{here}{self.faster_early} is faster at first; {self.faster_late} passes it at about "
                f"{at_age(self.lap, self.ahead)} ({between})."
            )
        if math.isfinite(self.lap):
            return (
                f"The curves cross at about {at_age(self.lap, self.ahead)}, but these laps do not settle it: it may lie anywhere "
                f"from tyre age {self.low:.0f} to {self.high:.0f}, or outside the run."
            )
        if self.faster_early or self.faster_late:
            return (
                f"The curves do not cross within the run (to {until}); {here.lower()}{self.faster_early or self.faster_late} is "
                f"faster {'at first' if self.faster_early else 'at the end'}, and from tyre age {self.low:.0f} to "
                f"{self.high:.0f} the two cannot be told apart."
            )
        return "The two cannot be told apart anywhere in the run, so no crossing can be stated."

    def to_dict(self) -> dict[str, Any]:
        """Return everything as plain numbers and words, for JSON; None stands for what is not known."""
        names = ("lap", "low", "high", "faster_early", "faster_late", "confidence", "settled")
        return {
            **{name: jsonable(getattr(self, name)) for name in names}, "names": list(self.names),
            "table": json_rows(self.table), "words": self.words, "caution": TYRE_CAUTION,
        }  # fmt: skip

    def __repr__(self) -> str:
        return f"{plain(self.words)}\n{TYRE_CAUTION}"

    def _repr_html_(self) -> str:
        return in_html([self.words], "", [], TYRE_CAUTION)


def crossover(
    a: FallOff,
    b: FallOff,
    *,
    names: tuple[str, str] = ("a", "b"),
    comparison: SetupComparison | None = None,
    until: float | None = None,
    step: float = 0.25,
) -> Crossover:
    """Find the tyre age at which one setup passes the other.

    Parameters
    ----------
    a, b : FallOff
        From `fall_off` with one fuel correction for both.
    names : (str, str)
        What the setups are called.
    comparison : SetupComparison, optional
        The same runs compared by `compare_setups`: only where it calls the difference real do the words call a setup faster.
    until : float, optional
        Tyre age up to which to look; by default the last that both drove.
    step : float
        Laps between the ages looked at, for the interval.

    Returns
    -------
    Crossover

    Raises
    ------
    LapkitError
        If the two have no tyre age in common, or one is no FallOff.

    Notes
    -----
    The interval holds every age at which the difference of the curves may be none (Fieller's way), cut to the run. The
    difference is for runs made alike: a difference of the two days, or of the drivers' form, is in it too.

    References
    ----------
    E. C. Fieller, Some problems in interval estimation, J. R. Statist. Soc. B 16 (1954) 175-185.

    Examples
    --------
    >>> from lapkit.analysers.setups.stint import fall_off
    >>> def run(base, rate):
    ...     age = np.arange(16)
    ...     times = base + rate * age + 0.01 * (-1.0) ** (age // 2)
    ...     return fall_off(pd.DataFrame({"run": 1, "lap": age, "tyre_age": age, "lap_time": times}))
    >>> found = crossover(run(30.0, 0.04), run(30.2, 0.02), names=("soft", "hard"))
    >>> round(found.lap), found.faster_late
    (10, 'hard')
    """
    from lapkit.analysers.setups.stint import FallOff

    names = two_names(names)
    for letter, given in (("a", a), ("b", b)):
        kind_given(given, FallOff, letter, "a curve, as fall_off(run_table(session)) returns it")
    first = max(a.ages[0], b.ages[0])
    last = min(a.ages[1], b.ages[1]) if until is None else float(until)
    if not last > first:
        raise LapkitError(
            f"{names[0]} was driven at tyre ages {a.ages[0]:.0f} to {a.ages[1]:.0f}, {names[1]} at {b.ages[0]:.0f} to "
            f"{b.ages[1]:.0f}: no tyre age in common, so neither can be seen to pass the other."
        )
    age = np.linspace(first, last, max(round((last - first) / step), 1) + 1)
    (time_a, sigma_a), (time_b, sigma_b) = a.curve(age), b.curve(age)
    difference, sigma = time_b - time_a, np.hypot(sigma_a, sigma_b)
    freedom = sigma**4 / (sigma_a**4 / max(a.fit.freedom, 1.0) + sigma_b**4 / max(b.fit.freedom, 1.0))
    confidence = min(a.confidence, b.confidence)
    margin = np.array([quantile(float(f), confidence) for f in freedom]) * sigma
    open_ = np.abs(difference) <= margin
    turns = np.flatnonzero(np.sign(difference[:-1]) * np.sign(difference[1:]) < 0)
    lap = math.nan
    if len(turns):
        k = int(turns[0])
        lap = float(age[k] + (age[k + 1] - age[k]) * difference[k] / (difference[k] - difference[k + 1]))
    at = np.flatnonzero(open_)
    low, high = (float(age[at[0]]), float(age[at[-1]])) if len(at) else (math.nan, math.nan)
    if not len(at) and len(turns):  # so sharp that it falls between two of the ages looked at
        low, high = float(age[turns[0]]), float(age[turns[0] + 1])

    def faster(k: int) -> str:
        return "" if open_[k] else names[int(difference[k] < 0)]

    whole = pd.DataFrame({"tyre_age": age, "a": time_a, "b": time_b, "difference": difference, "margin": margin})
    settled = None if comparison is None else comparison.settled
    ahead = laps_ahead(a.laps, b.laps)
    return Crossover(lap, low, high, faster(0), faster(-1), whole, names, confidence, ahead, settled)
