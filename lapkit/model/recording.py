"""Recording: what a file held, on its own clock, and how it came to be read that way."""

from __future__ import annotations

from dataclasses import dataclass, field

import pandas as pd


@dataclass(frozen=True)
class ChannelSource:
    """Where a channel came from: the decision and its reason.

    Attributes
    ----------
    column : str
        Header of the column in the file; a phrase such as "(from position)" where derived.
    unit : str
        Unit the file's values are in.
    reason : str
        Why this column, and why this unit.
    """

    column: str
    unit: str
    reason: str


@dataclass
class Provenance:
    """Everything that was decided, left out or changed between the file and the samples.

    Attributes
    ----------
    source : str
        Name of the file, without its folder.
    dialect : dict
        Encoding, delimiter, decimal mark, header line and so on, as found.
    metadata : dict
        Key-value pairs found above the header.
    channels : dict of str to ChannelSource
        Canonical channel -> column, unit and reason.
    kept : list of str
        Columns nobody recognised, kept under their own names.
    notes : list of str
        Decisions that changed no data.
    warnings : list of str
        Everything left out, filled or changed, counted and placed.
    """

    source: str
    dialect: dict[str, str] = field(default_factory=dict)
    metadata: dict[str, str] = field(default_factory=dict)
    channels: dict[str, ChannelSource] = field(default_factory=dict)
    kept: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    warnings: list[str] = field(default_factory=list)


@dataclass
class Recording:
    """A table of samples in SI units on the recording's own clock.

    Attributes
    ----------
    samples : DataFrame, shape (n, k)
        One row a sample. `time` is seconds since the first sample, strictly increasing;
        channels carry canonical names and SI units; columns nobody recognised keep their names.
    provenance : Provenance
        How the samples came from the file.
    epoch : float or None
        Unix time of the first sample, where the file tells it.
    gaps : list of (float, float)
        Holes in the clock: the times of the samples on either side, s.
    resets : list of int
        Rows at which the file's clock started again.
    origin : (float, float) or None
        Latitude and longitude (degrees) of the local frame's origin, where position came as such.
    slow : dict of str to float
        Channels sampled more slowly than the table and filled in between: the time between their own samples, s.
    speed_unit : str or None
        Unit the file's speed is in, which is taken to be the person's own.
    clock_uncertainty : float
        Relative standard uncertainty of any time between two samples; 0 where the file has a clock, and not where time
        was worked out from distance and speed: lap times are then estimates, off by as much as the speed is.
    """

    samples: pd.DataFrame
    provenance: Provenance
    epoch: float | None = None
    gaps: list[tuple[float, float]] = field(default_factory=list)
    resets: list[int] = field(default_factory=list)
    origin: tuple[float, float] | None = None
    slow: dict[str, float] = field(default_factory=dict)
    speed_unit: str | None = None
    clock_uncertainty: float = 0.0
