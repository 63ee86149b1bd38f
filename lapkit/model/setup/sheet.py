"""Setup sheets: how the car was set up for a run, in the trade's own quantities, checked.

A sheet is written by hand. A number carries its unit, either beside it (``"28 psi"``) or once for the whole sheet
(``[units]``); inside lapkit everything is SI. Wheels are fl, fr, rl, rr: front or rear, left or right.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from lapkit.channels import from_si
from lapkit.errors import LapkitError
from lapkit.model.show import plain

WHEELS = ("fl", "fr", "rl", "rr")
PLACES = {"fl": "left front", "fr": "right front", "rl": "left rear", "rr": "right rear",
          "front": "front", "rear": "rear", "left": "left", "right": "right"}  # fmt: skip


class Quantity(NamedTuple):
    """One line of a setup sheet.

    Attributes
    ----------
    dimension : str
        A key of `lapkit.channels.UNITS`, or "text".
    low, high : float
        What makes sense on any car, SI; outside, a unit or a digit is wrong (common practice, no source).
    more, less : str
        Words for a greater and for a smaller value.
    meaning : str
        One sentence, with the sign where there is one.
    per : tuple of str
        What it is given for each of: wheels, front and rear, left and right; empty for one value.
    """

    dimension: str
    low: float
    high: float
    more: str
    less: str
    meaning: str
    per: tuple[str, ...] = ()


_DEG = np.pi / 180
QUANTITIES: dict[str, Quantity] = {
    "corner_weight": Quantity("mass", 20, 2000, "heavier", "lighter", "Weight on the scale under each wheel", WHEELS),
    "total_weight": Quantity("mass", 100, 6000, "heavier", "lighter", "Weight of the car as it was scaled"),
    "front_weight": Quantity("fraction", 0.2, 0.8, "more", "less", "Share of the weight on the front wheels"),
    "left_weight": Quantity("fraction", 0.2, 0.8, "more", "less", "Share of the weight on the left wheels"),
    "cross_weight_fr_rl": Quantity("fraction", 0.2, 0.8, "more", "less", "Share on the right front and left rear wheels together"),
    "cross_weight_fl_rr": Quantity("fraction", 0.2, 0.8, "more", "less", "Share on the left front and right rear wheels together"),
    "spring_rate": Quantity("stiffness", 2e3, 1e6, "stiffer", "softer", "Rate of each spring", WHEELS),
    "anti_roll_bar": Quantity("stiffness", 0, 1e6, "stiffer", "softer", "Rate of the anti-roll bar at the wheel, 0 disconnected", ("front", "rear")),
    "anti_roll_bar_diameter": Quantity("length", 0, 0.1, "thicker", "thinner", "Diameter of the anti-roll bar, 0 disconnected", ("front", "rear")),
    "tyre_pressure_cold": Quantity("pressure", 2e4, 7e5, "higher", "lower", "Tyre pressure above the air's, before the run", WHEELS),
    "tyre_pressure_hot": Quantity("pressure", 2e4, 7e5, "higher", "lower", "Tyre pressure above the air's, straight after the run", WHEELS),
    "camber": Quantity("angle", -15 * _DEG, 15 * _DEG, "more positive", "more negative", "Camber, positive where the top leans outwards", WHEELS),
    "caster": Quantity("angle", -10 * _DEG, 25 * _DEG, "more", "less", "Caster, positive where the steering axis leans back at the top", ("fl", "fr")),
    "toe": Quantity("angle", -5 * _DEG, 5 * _DEG, "more in", "more out", "Toe of each wheel, positive in", WHEELS),
    "track_bar_height": Quantity("length", 0.05, 1.0, "higher", "lower", "Height of each end of the track bar above the ground", ("left", "right")),
    "ride_height": Quantity("length", 0.0, 0.6, "higher", "lower", "Ride height at each wheel", WHEELS),
    "gear_ratios": Quantity("number", 0.3, 8, "shorter", "taller", "Ratio of each gear, first to top"),
    "final_drive": Quantity("number", 0.5, 12, "shorter", "taller", "Ratio of the final drive, quick-change gears included"),
    "rev_limit": Quantity("angular rate", 100, 2500, "higher", "lower", "Engine speed the builder allows"),
    "tyre_circumference": Quantity("length", 0.5, 4, "longer", "shorter", "Rolling circumference of the driven tyre"),
    "fuel": Quantity("volume", 0, 0.5, "more", "less", "Fuel at the start of the run"),
    "tyre_age": Quantity("number", 0, 2000, "older", "newer", "Laps already done on the tyres at the start of the run"),
    "tyres": Quantity("text", 0, 0, "", "", "Which tyres, in your own words"),
    "notes": Quantity("text", 0, 0, "", "", "Anything else"),
}  # fmt: skip
"""The quantities a sheet may hold. Two definitions of cross weight are published, and add up to 100 %: each names its diagonal."""

SHOWN_UNITS = {"mass": "kg", "stiffness": "N/mm", "pressure": "kPa", "angle": "deg", "length": "mm", "volume": "L",
               "fraction": "%", "angular rate": "rpm", "number": "1"}  # fmt: skip


@dataclass(frozen=True, repr=False)
class Sheet:
    """A setup sheet.

    Attributes
    ----------
    name : str
        Its name.
    settings : dict of str to float, list or str
        Quantity -> value in SI. A quantity given per wheel, axle or side has its key with it: ``spring_rate_fr``.
    units : dict of str to str
        Dimension -> unit that the person writes and reads, for display.
    """

    name: str
    settings: dict[str, Any] = field(default_factory=dict)
    units: dict[str, str] = field(default_factory=dict)

    @property
    def corner_weights(self) -> dict[str, float] | None:
        """Weight on each wheel, kg: as given, or from the total and the three shares; None where it does not follow."""
        given = {wheel: self.settings.get(f"corner_weight_{wheel}") for wheel in WHEELS}
        if all(weight is not None for weight in given.values()):
            return {wheel: float(weight) for wheel, weight in given.items() if weight is not None}
        total, shares = self.settings.get("total_weight"), stated_shares(self.settings)
        if total is None or not {"front_weight", "left_weight", "cross_weight_fr_rl"} <= set(shares):
            return None
        return corner_weights(total, shares["front_weight"], shares["left_weight"], shares["cross_weight_fr_rl"])

    @property
    def shares(self) -> dict[str, float]:
        """Shares of the weight, 0..1: front, left and both diagonals, from the corner weights where they are known."""
        weights = self.corner_weights
        return weight_shares(weights) if weights is not None else stated_shares(self.settings)

    @property
    def entries(self) -> dict[str, Any]:
        """Everything the sheet says, with the shares that follow from its weights."""
        entries: dict[str, Any] = dict(self.shares)
        entries.update(self.settings)
        return entries

    def quantity(self, key: str) -> Quantity:
        """Return the glossary's line for a value's key."""
        return QUANTITIES[split_key(key)[0]]

    def shown(self, key: str, value: Any = None) -> str:
        """Write a value in the person's units, with the unit."""
        quantity, value = self.quantity(key), self.settings[key] if value is None else value
        if quantity.dimension == "text":
            return plain(str(value))
        if isinstance(value, list):
            return ", ".join(f"{v:g}" for v in value)
        if quantity.dimension == "number":
            return f"{value:g}"
        unit = self.units.get(quantity.dimension, SHOWN_UNITS[quantity.dimension])
        return f"{from_si(float(value), unit, quantity.dimension):.4g} {unit}"

    def table(self) -> pd.DataFrame:
        """Return the sheet as a table for people: quantity, value, meaning, all text."""
        rows = [[words(key), self.shown(key), self.quantity(key).meaning] for key in self.settings]
        given = set(self.settings)
        rows += [
            [words(key), f"{100 * share:.1f} % (follows)", QUANTITIES[key].meaning]
            for key, share in self.shares.items()
            if key not in given
        ]
        return pd.DataFrame(rows, columns=["quantity", "value", "meaning"], dtype=object)

    def diff(self, other: Sheet) -> pd.DataFrame:
        """Say what changes from this sheet to another.

        Parameters
        ----------
        other : Sheet

        Returns
        -------
        DataFrame
            quantity (its key), from_value, to_value (SI; None where a sheet does not say), change (SI), words. In the
            order of the glossary. Empty where nothing differs.

        Examples
        --------
        >>> from lapkit.model.setup.file import make_sheet
        >>> first = make_sheet("A", {"final_drive": 3.0, "spring_rate": {"fr": "120 N/mm"}})
        >>> second = make_sheet("B", {"final_drive": 3.1, "spring_rate": {"fr": "130 N/mm"}})
        >>> first.diff(second)["words"].tolist()
        ['right front spring rate 10 N/mm stiffer (120 to 130)', 'final drive 0.1 shorter (3 to 3.1)']
        """
        before, after = (sheet.entries for sheet in (self, other))
        rows = []
        for key in sorted({*before, *after}, key=order_of):
            old, new = before.get(key), after.get(key)
            if old == new:
                continue
            change = None
            if isinstance(old, float) and isinstance(new, float):
                change = new - old
                if abs(change) <= 1e-6 * abs(new):
                    continue
            rows.append([key, old, new, change, self._change_words(other, key, old, new)])
        return pd.DataFrame(rows, columns=["quantity", "from_value", "to_value", "change", "words"], dtype=object)

    def _change_words(self, other: Sheet, key: str, old: Any, new: Any) -> str:
        quantity = self.quantity(key)
        units = {**self.units, **other.units}
        show = Sheet("", {}, units)
        if old is None or new is None:
            known, which = (new, "only in the second sheet") if old is None else (old, "only in the first sheet")
            return f"{words(key)}: {show.shown(key, known)}, {which}"
        if not isinstance(old, float) or not isinstance(new, float):
            return f"{words(key)}: {show.shown(key, old)} becomes {show.shown(key, new)}"
        unit = units.get(quantity.dimension, SHOWN_UNITS[quantity.dimension])
        first, second = (from_si(float(v), unit, quantity.dimension) for v in (old, new))
        sense = quantity.more if second > first else quantity.less
        unit = "" if unit == "1" else f" {unit}"
        if unit == " %":
            unit = " point" if f"{abs(second - first):.3g}" == "1" else " points"
        return f"{words(key)} {abs(second - first):.3g}{unit} {sense} ({first:.4g} to {second:.4g})"

    def to_dict(self) -> dict[str, Any]:
        """Return the sheet as plain values in SI, for JSON."""
        return {"name": self.name, "settings": dict(self.settings), "units": dict(self.units), "shares": self.shares}

    def __repr__(self) -> str:
        rows = self.table()
        return "\n".join([f"Setup sheet {plain(self.name)}", *(f"  {q}: {v}" for q, v, _ in rows.to_numpy().tolist())])

    def _repr_html_(self) -> str:
        from html import escape

        from lapkit.model.show import html_table

        rows = self.table()
        return f"<p>Setup sheet {escape(self.name)}</p>" + html_table(
            list(rows.columns), rows.to_numpy().tolist(), left=[0, 2]
        )


def weight_shares(weights: Mapping[str, float]) -> dict[str, float]:
    """Shares of the weight on the front, the left and both diagonals.

    Parameters
    ----------
    weights : mapping
        fl, fr, rl, rr: weight on each wheel, any one unit.

    Returns
    -------
    dict
        front_weight, left_weight, cross_weight_fr_rl, cross_weight_fl_rr, each 0..1; the last two add up to 1.

    Examples
    --------
    >>> {k: round(v, 3) for k, v in weight_shares({"fl": 360, "fr": 350, "rl": 340, "rr": 350}).items()}
    {'front_weight': 0.507, 'left_weight': 0.5, 'cross_weight_fr_rl': 0.493, 'cross_weight_fl_rr': 0.507}
    """
    total = sum(weights[wheel] for wheel in WHEELS)
    if not total > 0:
        raise LapkitError(f"corner weights add up to {total:g}: give the weight on each wheel, above zero.")
    return {
        "front_weight": (weights["fl"] + weights["fr"]) / total,
        "left_weight": (weights["fl"] + weights["rl"]) / total,
        "cross_weight_fr_rl": (weights["fr"] + weights["rl"]) / total,
        "cross_weight_fl_rr": (weights["fl"] + weights["rr"]) / total,
    }


def corner_weights(
    total: float, front_weight: float, left_weight: float, cross_weight_fr_rl: float
) -> dict[str, float]:
    """Weight on each wheel from the total and three shares, the inverse of `weight_shares`.

    Parameters
    ----------
    total : float
        Weight of the car, any unit.
    front_weight, left_weight, cross_weight_fr_rl : float
        Shares on the front wheels, on the left wheels, and on right front and left rear together, 0..1.

    Returns
    -------
    dict
        fl, fr, rl, rr in the unit of the total.

    Raises
    ------
    LapkitError
        If the shares leave a wheel in the air.

    Examples
    --------
    >>> {k: round(v, 6) for k, v in corner_weights(1400.0, 0.5071428571, 0.5, 0.4928571429).items()}
    {'fl': 360.0, 'fr': 350.0, 'rl': 340.0, 'rr': 350.0}
    """
    f, left, cross = front_weight, left_weight, cross_weight_fr_rl
    out = {
        "fl": total * (f + left - cross) / 2,
        "fr": total * (f + cross - left) / 2,
        "rl": total * (left + cross - f) / 2,
        "rr": total * (2 - f - left - cross) / 2,
    }
    light = [wheel for wheel, weight in out.items() if not weight > 0]
    if light:
        raise LapkitError(
            f"front {100 * f:g} %, left {100 * left:g} % and right front with left rear {100 * cross:g} % leave no weight on "
            f"the {PLACES[light[0]]} wheel; check which diagonal the cross weight is of."
        )
    return out


def words(key: str) -> str:
    """Name of a value for people: ``right front spring rate``.

    Examples
    --------
    >>> words("spring_rate_fr"), words("cross_weight_fr_rl"), words("track_bar_height_left")
    ('right front spring rate', 'cross weight (right front and left rear)', 'left track bar height')
    """
    if key.startswith("cross_weight_"):
        first, second = key.removeprefix("cross_weight_").split("_")
        return f"cross weight ({PLACES[first]} and {PLACES[second]})"
    name, part = split_key(key)
    return f"{PLACES[part]} {name.replace('_', ' ')}" if part else name.replace("_", " ")


def split_key(key: str) -> tuple[str, str]:
    """Quantity and wheel, axle or side of a value's key."""
    if key in QUANTITIES:
        return key, ""
    name, _, part = key.rpartition("_")
    return name, part


def order_of(key: str) -> tuple[int, int]:
    """Place of a value in a sheet: by quantity as in the glossary, then by wheel, axle or side."""
    name, part = split_key(key)
    return list(QUANTITIES).index(name), list(PLACES).index(part) if part else -1


def stated_shares(values: Mapping[str, Any]) -> dict[str, float]:
    """Shares as written, with the other diagonal that follows from one."""
    shares = {name: float(values[name]) for name in ("front_weight", "left_weight") if name in values}
    one, other = "cross_weight_fr_rl", "cross_weight_fl_rr"
    if one in values or other in values:
        shares[one] = float(values[one]) if one in values else 1.0 - float(values[other])
        shares[other] = 1.0 - shares[one]
    return shares
