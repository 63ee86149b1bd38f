"""Tables of events, made from arrays at once: pandas takes longer over each later change than over the whole."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pandas as pd


def table_of(kinds: Mapping[str, str], values: Mapping[str, Any]) -> pd.DataFrame:
    """Return columns of given dtypes in the order of `kinds`; no rows where there are no values.

    Examples
    --------
    >>> table_of({"lap": "int64", "corner": "object"}, {"corner": ["1"], "lap": [7]}).values.tolist()
    [[7, '1']]
    """
    columns: dict[str, Any] = {}
    for name, kind in kinds.items():
        found = values.get(name, ())
        plain = kind in ("float64", "int64", "bool")  # a bare array of objects would be looked through for text
        columns[name] = np.asarray(found, dtype=kind) if plain else pd.Index(found, dtype=kind)
    return pd.DataFrame(columns)
