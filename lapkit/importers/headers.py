"""What one header says: the channel its words mean, and the unit written with them."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from lapkit.channels import CHANNELS, UNITS, channel_for, split_unit
from lapkit.importers.raw import RawTable
from lapkit.model.recording import ChannelSource

_BRACKETS = re.compile(r"[\(\[\{<](.*?)[\)\]\}>]")
# Tags of a web page: what a script or a style holds, a pair around words, and one alone. "<s>" alone is a unit in brackets.
_UNSEEN = re.compile(r"<(script|style)\b[^<>]*>.*?</\1\s*>", re.IGNORECASE)
_PAIR = re.compile(r"<(\w+)(?:\s[^<>]*)?>(.*?)</\1\s*>", re.IGNORECASE)
_ALONE = re.compile(r"<(?:\w+\s[^<>]*=[^<>]*|\w+\s*/|/\w+|br|hr|wbr)>", re.IGNORECASE)


@dataclass
class Assignment:
    """One column of the file, the channel it was taken for and how it becomes SI.

    Attributes
    ----------
    channel : str
        Canonical channel.
    header : str
        Header of the column.
    unit : str or None
        Unit of the values; None until it is decided.
    column_reason, unit_reason : str
        Why this column, and why this unit.
    rank : int
        0 for an exact alias (or the user's word), 1 after a word was set aside.
    scale, offset : float
        SI value = scale * value + offset.
    remark : str
        What stands in the header's brackets or in the units row and is no unit lapkit knows.
    ends : (float, float) or None
        Values of a pedal fully released and fully applied, as the user gives them.
    """

    channel: str
    header: str
    unit: str | None
    column_reason: str
    unit_reason: str = ""
    rank: int = 0
    scale: float = 1.0
    offset: float = 0.0
    remark: str = ""
    ends: tuple[float, float] | None = None

    def decide(self, unit: str, reason: str) -> None:
        """Settle the unit and with it the conversion to SI."""
        self.unit, self.unit_reason = unit, reason
        self.scale, self.offset = UNITS[CHANNELS[self.channel].dimension].get(unit, (1.0, 0.0))

    def between(self, zero: float, full: float, reason: str) -> None:
        """Settle the conversion of a fraction by the values that mean 0 and 1."""
        said = f"{self.unit} " if self.unit else ""
        self.unit = f"1/{full:g}" if zero == 0 else f"{zero:g} to {full:g} {said}".rstrip()
        self.unit_reason = reason
        self.scale, self.offset = 1.0 / (full - zero), -zero / (full - zero)

    def source(self) -> ChannelSource:
        """Return the decision as it stands in the provenance."""
        reasons = [text for text in (self.column_reason, self.unit_reason) if text]
        return ChannelSource(self.header, self.unit or "not said", "; ".join(reasons))


def without_markup(header: str) -> str:
    """Return the words of a header that came out of a web page, to recognise it by; what is shown stays as written.

    Examples
    --------
    >>> without_markup("<b>Speed</b><br> (mph)"), without_markup("Time <s>")
    ('Speed (mph)', 'Time <s>')
    """
    if "<" not in header:
        return header
    text, before = _UNSEEN.sub(" ", header), ""
    while text != before:  # tags within tags
        text, before = _PAIR.sub(r"\2", text), text
    return " ".join(_ALONE.sub(" ", text).split())


def find_header(headers: Iterable[str], name: str) -> str | None:
    """Return the header a user's word means: as written, or else but for case, blanks or unit."""
    headers = list(headers)
    if name in headers:
        return name
    plain = " ".join(name.lower().split())
    words = split_unit(name)[0]
    for matches in (
        [header for header in headers if " ".join(header.lower().split()) == plain],
        [header for header in headers if split_unit(without_markup(header))[0] == words],
    ):
        if len(matches) == 1:
            return matches[0]
    return None


def by_header(raw: RawTable, header: str) -> Assignment | None:
    """Read the words and the unit of a header; None where they mean no channel."""
    written = without_markup(header)
    words, unit = split_unit(written)
    match, note, remark = channel_for(words), "", ""
    if match is None:  # a bracket may hold a remark instead of a unit: "Speed (GPS)"
        plain = _BRACKETS.sub(" ", written).strip()
        if plain and plain != written:
            words, _ = split_unit(plain)
            match = channel_for(words)
            match, note = (match[0], 1) if match else None, " but for the bracket"
            remark = " ".join(_BRACKETS.findall(written))
    if match is None:
        return None
    channel, rank = match
    note = note or (" but for one word" if rank else "")
    choice = Assignment(channel, header, unit, f"header says {words}{note}", rank=rank, remark=remark)
    if unit is not None:
        choice.unit_reason = "unit in the header"
    elif CHANNELS[channel].dimension == "acceleration" and "g" in words.split():
        choice.unit, choice.unit_reason = "g", "the letter g in the header"
    return choice
