"""The errors and warnings lapkit raises.

Every message answers four questions: where (file, row, column), what was found,
what was expected, and what to do next.
"""

from __future__ import annotations


class LapkitError(ValueError):
    """Base of every error lapkit raises on purpose."""


class FileError(LapkitError):
    """The file as a whole cannot be read as a table of samples."""


class ColumnError(LapkitError):
    """A column is missing, unusable, or its meaning or unit cannot be decided."""


class LapError(LapkitError):
    """A lap was asked for that the recording does not hold, or no lap can be found."""


class FrameError(LapkitError):
    """A lap frame does not keep the contract, or two frames do not fit together."""


class UnitError(LapkitError):
    """A unit is unknown, or does not measure the quantity it was given for."""


class DataWarning(UserWarning):
    """Something in the data was left out or changed; the message counts it."""
