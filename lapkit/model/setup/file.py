"""Reading setup sheets: from values, from TOML, from the rows of a CSV; all faults told together."""

from __future__ import annotations

import os
import re
import tomllib
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from lapkit.channels import SI_UNIT, UNITS, from_si, split_unit, to_si, unit_name
from lapkit.errors import FileError, LapkitError, UnitError
from lapkit.model.setup.sheet import (
    QUANTITIES,
    SHOWN_UNITS,
    WHEELS,
    Quantity,
    Sheet,
    corner_weights,
    order_of,
    split_key,
    stated_shares,
    weight_shares,
)

AGREE = 0.002
"""Share by which a percentage may differ from what the corner weights give: scales and rounding (chosen, no source)."""


def make_sheet(
    name: str, values: Mapping[str, Any], *, units: Mapping[str, str] | None = None, source: str = ""
) -> Sheet:
    """Make a sheet from values as a person writes them, all faults told together.

    Parameters
    ----------
    name : str
        Name of the sheet.
    values : mapping
        Quantity -> value: a number, text with a unit (``"28 psi"``), or a mapping by wheel, axle or side.
    units : mapping, optional
        Dimension -> unit of plain numbers: mass, pressure, stiffness, length, angle, volume, angular rate.
    source : str
        Where the sheet stands, for messages.

    Returns
    -------
    Sheet

    Raises
    ------
    LapkitError
        If anything is unknown, of the wrong type or unit, or out of all sense.

    Examples
    --------
    >>> make_sheet("A", {"tyre_pressure_cold": {"fl": "28 psi"}, "cross_weight_fr_rl": "52 %"}).shown("tyre_pressure_cold_fl")
    '193.1 kPa'
    """
    units, faults = dict(units or {}), unit_faults(units or {})
    units = {dimension: unit for dimension, unit in units.items() if unit_name(str(unit)) in UNITS.get(dimension, {})}
    out: dict[str, Any] = {}
    for key, value in _flat(values, faults):
        quantity = QUANTITIES[split_key(key)[0]]
        try:
            out[key] = _value(key, value, quantity, units)
        except LapkitError as error:
            faults.append(str(error))
    faults += _disagreements(out)
    if faults:
        raise LapkitError(
            "; ".join([(source + ": " if source else f"setup sheet {name}: ") + faults[0], *faults[1:]]) + "."
        )
    return Sheet(name, dict(sorted(out.items(), key=lambda item: order_of(item[0]))), units)


def read_sheet(path: str | os.PathLike[str]) -> Sheet:
    """Read a setup sheet written as TOML.

    Parameters
    ----------
    path : path
        ``name``, a table ``[units]`` for plain numbers, and a table ``[setup]`` of quantities.

    Returns
    -------
    Sheet

    Raises
    ------
    FileError
        If it cannot be read or holds something else; all faults together.
    """
    file = Path(path).name
    try:
        content = tomllib.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise FileError(f"{file}: the setup sheet cannot be read ({error.strerror}).") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileError(f"{file}: not a TOML setup sheet: {error}.") from error
    unknown = sorted(set(content) - {"name", "units", "setup"})
    if unknown:
        raise FileError(f"{file}: '{unknown[0]}' is not known in a setup sheet; use name, [units] and [setup].")
    for table in ("units", "setup"):
        if not isinstance(content.get(table, {}), dict):
            raise FileError(f"{file}: {table} must be a table, written [{table}].")
    name = content.get("name", Path(path).stem)
    if not isinstance(name, str):
        raise FileError(f"{file}: name = {name!r} is not text.")
    try:
        return make_sheet(name, content.get("setup", {}), units=content.get("units", {}), source=file)
    except FileError:
        raise
    except LapkitError as error:
        raise FileError(str(error)) from error


def read_sheets(path: str | os.PathLike[str]) -> list[Sheet]:
    """Read setup sheets from a CSV: one row a sheet, one column a quantity, its unit in the header.

    Parameters
    ----------
    path : path
        A header such as ``name, final_drive, tyre_pressure_cold_fl (psi)``; blank cells say nothing.

    Returns
    -------
    list of Sheet

    Raises
    ------
    FileError
        If it cannot be read, or a cell is wrong: file, row and column are named.
    """
    file = Path(path).name
    try:
        table = pd.read_csv(path, dtype=str, keep_default_na=False, skipinitialspace=True)
    except OSError as error:
        raise FileError(f"{file}: the setup sheets cannot be read ({error.strerror}).") from error
    except (ValueError, UnicodeDecodeError) as error:
        raise FileError(f"{file}: not a CSV of setup sheets: {error}.") from error
    sheets = []
    heads = {str(column): _header(str(column)) for column in table.columns}
    for number, row in enumerate(table.to_dict("records"), start=2):
        values = {}
        for column, cell in row.items():
            key, unit = heads[str(column)]
            if key != "name" and cell.strip():
                values[key] = f"{cell.strip()} {unit}" if unit else cell.strip()
        name = next((str(row[c]) for c, (key, _) in heads.items() if key == "name"), f"row {number}")
        try:
            sheets.append(make_sheet(name, values, source=f"{file}, row {number}"))
        except LapkitError as error:
            raise FileError(str(error)) from error
    return sheets


def check_values(values: Any) -> dict[str, Any]:
    """Return the values of a sheet that was stored in SI, with a clear error where they are not such.

    Examples
    --------
    >>> check_values({"final_drive": 3.0, "gear_ratios": [2.0, 1.0], "tyres": "set 4"})["final_drive"]
    3.0
    """
    if not isinstance(values, dict):
        raise LapkitError("its sheet holds no values.")
    faults: list[str] = []
    for key, value in _flat(values, faults):
        quantity = QUANTITIES[split_key(key)[0]]
        try:
            _value(key, value, quantity, {d: SI_UNIT[d] for d in SHOWN_UNITS})
        except LapkitError as error:
            faults.append(str(error))
    if faults:
        raise LapkitError("; ".join(faults) + ".")
    return {str(key): float(value) if _is_number(value) else value for key, value in values.items()}


def unit_faults(units: Mapping[str, Any]) -> list[str]:
    """What is wrong with a sheet's units, a sentence each."""
    faults = []
    for dimension, unit in units.items():
        if dimension not in SHOWN_UNITS:
            faults.append(f"[units] {dimension}: use {', '.join(SHOWN_UNITS)}")
        elif unit_name(str(unit)) not in UNITS[dimension]:
            faults.append(f"[units] {dimension} = {unit!r}: use one of {', '.join(UNITS[dimension])}")
    return faults


# ------------------------------------------------------------------------- details

_NUMBER = re.compile(r"^\s*([-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?)\s*(.*?)\s*$")


def _header(column: str) -> tuple[str, str | None]:
    text = column.strip()
    if text in QUANTITIES or text == "name":
        return text, None
    given, unit = split_unit(text)
    return given.replace(" ", "_"), unit


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _flat(values: Mapping[str, Any], faults: list[str]) -> list[tuple[str, Any]]:
    """One entry a value; what is not known goes to the faults."""
    out = []
    for key, value in values.items():
        name, part = split_key(str(key))
        if key == "cross_weight":
            faults.append(
                "cross_weight has two published meanings: write cross_weight_fr_rl (right front and left rear) or "
                "cross_weight_fl_rr (left front and right rear)"
            )
        elif name not in QUANTITIES or (part and part not in QUANTITIES[name].per):
            near = [known for known in QUANTITIES if str(key).split("_")[0] in known.split("_")]
            faults.append(
                f"'{key}' is not a quantity of a setup sheet" + (f"; did you mean {' or '.join(near)}?" if near else "")
            )
        elif isinstance(value, Mapping):
            per = QUANTITIES[name].per
            wrong = [str(p) for p in value if p not in per]
            if part or not per or wrong:
                faults.append(
                    f"{key}: "
                    + (f"'{wrong[0]}' is not one of {', '.join(per)}" if wrong and per else "takes one value")
                )
            out += [(f"{name}_{p}", v) for p, v in value.items() if p in per and not part]
        elif QUANTITIES[name].per and not part:
            faults.append(
                f"{key} is given for each of {', '.join(QUANTITIES[name].per)}, such as {key}_{QUANTITIES[name].per[0]}"
            )
        else:
            out.append((str(key), value))
    return out


def _value(key: str, value: Any, quantity: Quantity, units: Mapping[str, str]) -> Any:
    if quantity.dimension == "text":
        if not isinstance(value, str):
            raise LapkitError(f"{key} = {value!r} is not text")
        return value
    if key == "gear_ratios":
        ratios = value if isinstance(value, list) else [v for v in re.split(r"[,;\s]+", str(value)) if v]
        if not ratios:
            raise LapkitError("gear_ratios is empty; list the ratios from first to top")
        numbers = [_value("gear ratio", v, quantity, units) for v in ratios]
        if any(b >= a for a, b in pairwise(numbers)):
            raise LapkitError(f"gear_ratios = {', '.join(f'{n:g}' for n in numbers)} must fall from first to top")
        return numbers
    unit = units.get(quantity.dimension, "1" if quantity.dimension == "number" else None)
    if isinstance(value, str):
        match = _NUMBER.match(value)
        if match is None:
            raise LapkitError(f"{key} = {value!r} is not a number with a unit")
        number, written = float(match.group(1)), match.group(2)
        unit = written or unit
    elif _is_number(value) and np.isfinite(value):
        number = float(value)
    else:
        raise LapkitError(f"{key} = {value!r} is not a number")
    if unit is None:
        known = ", ".join(UNITS[quantity.dimension])
        raise LapkitError(
            f"{key} = {number:g} has no unit; write it as text, or set {quantity.dimension} in [units] ({known})"
        )
    try:
        si = float(to_si(number, unit, quantity.dimension))
    except UnitError as error:
        raise LapkitError(f"{key} = {value!r}: {str(error).rstrip('.')}") from error
    if not quantity.low <= si <= quantity.high:
        low, high = (from_si(limit, unit, quantity.dimension) for limit in (quantity.low, quantity.high))
        raise LapkitError(
            f"{key} = {value!r} makes no sense on any car: between {low:.4g} and {high:.4g} {unit} was expected"
        )
    return si


def _disagreements(values: Mapping[str, Any]) -> list[str]:
    """What contradicts itself in a sheet."""
    faults = []
    one, other = values.get("cross_weight_fr_rl"), values.get("cross_weight_fl_rr")
    if one is not None and other is not None and abs(one + other - 1.0) > AGREE:
        faults.append(f"the two cross weights add up to {100 * (one + other):.1f} %, not 100 %")
    weights = {wheel: values[f"corner_weight_{wheel}"] for wheel in WHEELS if f"corner_weight_{wheel}" in values}
    if 0 < len(weights) < 4:
        missing = [wheel for wheel in WHEELS if wheel not in weights]
        faults.append(f"corner_weight is missing for {', '.join(missing)}; give all four wheels or none")
    if len(weights) == 4:
        follows = weight_shares(weights)
        for name, share in stated_shares(values).items():
            if name in values and abs(share - follows[name]) > AGREE:
                faults.append(f"{name} = {100 * share:.1f} %, but the corner weights give {100 * follows[name]:.1f} %")
        total = values.get("total_weight")
        if total is not None and abs(sum(weights.values()) / total - 1.0) > AGREE:
            faults.append(
                f"the corner weights add up to {sum(weights.values()):.1f} kg, but total_weight is {total:.1f} kg"
            )
    elif "total_weight" in values and {"front_weight", "left_weight", "cross_weight_fr_rl"} <= set(
        stated_shares(values)
    ):
        shares = stated_shares(values)
        try:
            corner_weights(
                values["total_weight"], shares["front_weight"], shares["left_weight"], shares["cross_weight_fr_rl"]
            )
        except LapkitError as error:
            faults.append(str(error).rstrip("."))
    return faults
