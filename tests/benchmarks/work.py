"""The work the benchmarks do: one invented stint of 60 laps, 60 Hz, 24 float channels, about 22 MB of CSV."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from lapkit.simulate import stint

EXTRA = ["tyre_temperature_fl", "tyre_temperature_fr", "tyre_temperature_rl", "tyre_temperature_rr", "damper_fl",
         "damper_fr", "damper_rl", "damper_rr", "oil_temperature", "water_temperature", "oil_pressure"]  # fmt: skip


def table(laps: int = 60, rate: float = 60.0) -> pd.DataFrame:
    """Return the stint: `lap` and 24 float channels, `time` among them, rounded as a logger writes them."""
    samples, _ = stint(
        laps=laps,
        rate=rate,
        seed=1,
        channels=("time", "x", "y", "z", "speed", "throttle", "brake", "yaw_rate", "lateral_acceleration",
                  "longitudinal_acceleration", "steering", "engine_speed", "lap_distance", "lap"),
    )  # fmt: skip
    rng = np.random.default_rng(2)
    for name in EXTRA:
        samples[name] = 300.0 + np.cumsum(rng.normal(0.0, 0.05, len(samples)))
    digits = {
        "time": 4,
        "x": 3,
        "y": 3,
        "z": 3,
        "speed": 4,
        "throttle": 3,
        "brake": 3,
        "yaw_rate": 5,
        "engine_speed": 2,
    }
    return samples.round({name: digits.get(name, 5) for name in samples.columns})


def headers(samples: pd.DataFrame) -> dict[str, str]:
    """Return column -> header with its unit, as a logger would write it."""
    from lapkit.channels import CHANNELS

    return {
        name: name if CHANNELS[name].unit == "1" else f"{name} ({CHANNELS[name].unit})"
        for name in map(str, samples.columns)
    }


def write_clean(samples: pd.DataFrame, path: Path) -> None:
    """Write plain CSV: comma, point, one header line."""
    samples.rename(columns=headers(samples)).to_csv(path, index=False)


def write_awkward(samples: pd.DataFrame, path: Path) -> None:
    """Write the same with a preamble, a units row, semicolons and decimal commas."""
    from lapkit.channels import CHANNELS

    names = [str(name) for name in samples.columns]
    body = samples.to_csv(index=False, header=False, sep=";", decimal=",")
    head = ["Track: Marlow Basin Oval (invented)", "Driver: A. Sample (invented)", "", ";".join(names)]
    units = ";".join("" if CHANNELS[name].unit == "1" else CHANNELS[name].unit for name in names)
    path.write_text("\n".join([*head, units, body]), encoding="utf-8")
