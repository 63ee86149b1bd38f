"""What several tests share."""

from __future__ import annotations

from typing import Any

import pandas as pd

from lapkit import Recording, Session
from lapkit.model.recording import Provenance


def session_of(samples: pd.DataFrame, source: str = "simulated.csv", **options: Any) -> Session:
    """Make a session straight from samples in SI, without a file."""
    return Session(Recording(samples, Provenance(source)), **options)
