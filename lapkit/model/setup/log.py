"""A log of setups: which sheet the car ran with in which recording, kept as it was at the time."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd

from lapkit.errors import FileError, LapkitError
from lapkit.model.setup.file import check_values, unit_faults
from lapkit.model.setup.sheet import Sheet
from lapkit.model.show import plain

LARGEST = 20_000_000
"""Bytes of a log that is read; a log of thousands of runs is a few megabytes (chosen)."""


@dataclass(frozen=True)
class Entry:
    """One run in the log.

    Attributes
    ----------
    written : str
        When the entry was made, RFC 3339, UTC.
    recording : str
        Name of the recording's file, without its folder.
    fingerprint : str
        SHA-256 of the recording: the same run is known again under any name, in any folder.
    sheet : Sheet
        The sheet as it was then.
    note : str
        What the driver said.
    """

    written: str
    recording: str
    fingerprint: str
    sheet: Sheet
    note: str = ""


class SetupLog:
    """A log that ties setup sheets to recordings.

    Entries are only ever added: one line of JSON each, so that history stays and two writers cannot spoil each other's lines.

    Parameters
    ----------
    path : path
        The log's file; made with the first entry.

    Raises
    ------
    FileError
        If the file cannot be read, or a line is not an entry; file and line are named.

    Examples
    --------
    >>> import tempfile
    >>> from lapkit.model.setup.file import make_sheet
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     log = SetupLog(Path(folder) / "setups.jsonl")
    ...     _ = log.add("sample_data/oval_run.csv", make_sheet("A", {"final_drive": 3.0}), note="loose off")
    ...     SetupLog(Path(folder) / "setups.jsonl").sheet_of("sample_data/oval_run.csv").name
    'A'
    """

    def __init__(self, path: str | os.PathLike[str]) -> None:
        self.path = Path(path)
        self.entries: list[Entry] = []
        if not self.path.exists():
            return
        try:
            if self.path.stat().st_size > LARGEST:
                raise FileError(
                    f"{self.path.name}: larger than {LARGEST // 1_000_000} MB; this is not a log of setups."
                )
            lines = self.path.read_text(encoding="utf-8").splitlines()
        except OSError as error:
            raise FileError(f"{self.path.name}: the log cannot be read ({error.strerror}).") from error
        except UnicodeDecodeError as error:
            raise FileError(f"{self.path.name}: not a log of setups: it is not UTF-8 text.") from error
        for number, line in enumerate(lines, start=1):
            if line.strip():
                self.entries.append(_entry(line, f"{self.path.name}, line {number}"))

    def add(self, recording: str | os.PathLike[str], sheet: Sheet, *, note: str = "") -> Entry:
        """Add a run.

        Parameters
        ----------
        recording : path
            The recording; only its name and fingerprint are kept.
        sheet : Sheet
            How the car was set up. A correction is a new entry: the last one for a recording counts.
        note : str
            Anything worth remembering.

        Returns
        -------
        Entry

        Raises
        ------
        FileError
            If the recording cannot be read or the log not written.
        """
        now = datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        entry = Entry(now, Path(recording).name, _fingerprint(recording), sheet, note)
        line = json.dumps(
            {
                "written": entry.written, "recording": entry.recording, "fingerprint": entry.fingerprint,
                "sheet": {"name": sheet.name, "settings": sheet.settings, "units": sheet.units}, "note": note,
            },
            ensure_ascii=False, allow_nan=False,
        )  # fmt: skip
        try:
            with self.path.open("a", encoding="utf-8") as file:
                file.write(line + "\n")
        except OSError as error:
            raise FileError(f"{self.path.name}: the log cannot be written ({error.strerror}).") from error
        self.entries.append(entry)
        return entry

    def sheet_of(self, recording: str | os.PathLike[str]) -> Sheet:
        """Return the sheet a recording was made with, the last one entered for it.

        Raises
        ------
        LapkitError
            If the log does not hold the recording.
        """
        mark = _fingerprint(recording)
        found = [entry.sheet for entry in self.entries if entry.fingerprint == mark]
        if not found:
            raise LapkitError(
                f"{self.path.name}: no setup is entered for {Path(recording).name}; add one with log.add(recording, sheet)."
            )
        return found[-1]

    def table(self) -> pd.DataFrame:
        """Return the log as a table: written, recording, sheet, changes (in words, from the entry before), note."""
        rows, before = [], None
        for entry in self.entries:
            said = "" if before is None else "; ".join(before.diff(entry.sheet)["words"]) or "no change"
            rows.append([entry.written, entry.recording, entry.sheet.name, said, entry.note])
            before = entry.sheet
        return pd.DataFrame(rows, columns=["written", "recording", "sheet", "changes", "note"], dtype=object)

    def __repr__(self) -> str:
        rows = self.table().to_numpy().tolist()
        return "\n".join(
            [f"Setup log, {len(rows)} run(s)", *("  " + plain("  ".join(filter(None, row))) for row in rows)]
        )


def _fingerprint(recording: str | os.PathLike[str]) -> str:
    try:
        with Path(recording).open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except OSError as error:
        raise FileError(f"{Path(recording).name}: the recording cannot be read ({error.strerror}).") from error


def _entry(line: str, where: str) -> Entry:
    try:
        content: Any = json.loads(line)
        words = [content[key] for key in ("written", "recording", "fingerprint")]
        note, sheet = content.get("note", ""), content["sheet"]
        name, units = sheet["name"], sheet.get("units", {})
        if not all(isinstance(text, str) for text in (*words, note, name)):
            raise TypeError
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise FileError(
            f"{where}: not an entry of a setup log; it holds written, recording, fingerprint and sheet as JSON."
        ) from error
    try:
        return Entry(
            words[0], words[1], words[2], Sheet(name, check_values(sheet.get("settings")), _units(units)), note
        )
    except LapkitError as error:
        raise FileError(f"{where}: {error}") from error


def _units(units: Any) -> dict[str, str]:
    if not isinstance(units, dict) or unit_faults(units):
        raise LapkitError("its units are not units of a setup sheet.")
    return units
