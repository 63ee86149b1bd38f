"""What several tests share."""

from __future__ import annotations

from typing import Any

import pandas as pd

from lapkit import Recording, Session
from lapkit.__main__ import main
from lapkit.commands import common
from lapkit.model.recording import Provenance

common.QUIET = 600.0  # no line of progress, however slow the machine


def session_of(samples: pd.DataFrame, source: str = "simulated.csv", **options: Any) -> Session:
    """Make a session straight from samples in SI, without a file."""
    return Session(Recording(samples, Provenance(source)), **options)


def run(capsys: Any, *words: str) -> str:
    """Run a command that succeeds, and return what it printed."""
    assert main(list(words)) == 0
    return str(capsys.readouterr().out)


def fails(capsys: Any, *words: str) -> str:
    """Run a command that fails with nothing but one line on stderr, and return that line."""
    assert main(list(words)) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert captured.err.count("\n") == 1
    assert "Traceback" not in captured.err
    return str(captured.err)
