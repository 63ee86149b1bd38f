"""Tyres and road speed: what follows from a size, a ratio and an engine speed."""

from __future__ import annotations

import re

import numpy as np

from lapkit.channels import to_si
from lapkit.errors import LapkitError

_SIZE = re.compile(
    r"^\s*[A-Za-z]*\s*(\d{2,3})\s*/\s*(\d{2,3})\s*[- ]?\s*[A-Za-z]*\s*[- ]?\s*(\d{1,2}(?:\.\d)?)\b", re.ASCII
)


def tyre_diameter(size: str) -> float:
    """Diameter of a tyre from its metric size, as the size's definition has it.

    Parameters
    ----------
    size : str
        Section width (mm) / height of the side wall (% of the width), rim (inches): "315/85-16", "205/55 R16".

    Returns
    -------
    float
        Diameter, m, of a new tyre without load.

    Raises
    ------
    LapkitError
        If the text is no such size.

    Notes
    -----
    A tyre rolls less far in a turn than pi times this: its rolling circumference is about 3.05 diameters (ETRTO's rule for
    radial tyres, from memory), 3 % less, and depends on load, pressure, wear and speed. Measure it, or read it with `gears`.

    Examples
    --------
    >>> round(tyre_diameter("205/55 R16") * 1000, 1)
    631.9
    """
    match = _SIZE.match(size)
    if match is None:
        raise LapkitError(
            f"'{size}' is no metric tyre size; write section width in mm, side wall in %, rim in inches: '205/55 R16'."
        )
    width, share, rim = (float(part) for part in match.groups())
    if not (100 <= width <= 500 and 20 <= share <= 100 and 8 <= rim <= 26):
        raise LapkitError(
            f"'{size}': a width of {width:g} mm, a side wall of {share:g} % and a rim of {rim:g} in make no tyre; "
            "such as '205/55 R16' is expected."
        )
    return 2.0 * share / 100.0 * width / 1000.0 + to_si(rim, "in", "length")


def road_speed(engine_speed: float, overall_ratio: float, circumference: float) -> float:
    """Road speed from engine speed, without slip.

    Parameters
    ----------
    engine_speed : float
        rad/s.
    overall_ratio : float
        Gear ratio times final drive.
    circumference : float
        Of the driven tyre, m.

    Returns
    -------
    float
        m/s.

    Examples
    --------
    >>> round(road_speed(600.0, 6.0, 2.0), 3)
    31.831
    """
    if not (overall_ratio > 0 and circumference > 0):
        raise LapkitError("overall_ratio and circumference must be above zero.")
    return engine_speed * circumference / (2.0 * np.pi * overall_ratio)
