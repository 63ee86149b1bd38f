"""How far comparisons of setups keep their word: share of intervals that hold the truth, false alarms, power, on simulated runs.

    python tests/benchmarks/setup_cases.py [comparisons a case]
    python tests/benchmarks/setup_cases.py alike [runs a case]

prints a row a case; with "alike" of single runs whose neighbouring laps are correlated. Lap times are simulated: fall-off 0.01 to 0.05 s a lap, scatter 0.04 to 0.12 s, one to three warm-up laps, one lap
in twenty 0.3 to 2 s slow, and in half of the runs fuel of known effect. Half of the comparisons have no difference, half 0.03 to
0.15 s. The suite runs a mixture of the first cases (`tests/analysers/test_setups.py`).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd

from lapkit.analysers.setups.compare import SetupComparison, compare_setups
from lapkit.analysers.setups.stint import fall_off
from lapkit.analysers.statistics.neighbours import SAID

LAP = 30.0  # s
FUEL_EFFECT = 30.0  # s/m3
BURN = 0.0008  # m3 a lap


def simulate_runs(
    rng: np.random.Generator,
    order: str,
    sizes: Any,
    ages: Any,
    *,
    scatter: float,
    difference: float,
    fall_off: float,
    drift: float = 0.0,
    run_scatter: float = 0.0,
    odd: float = 0.05,
    warm_up: int | None = None,
    bend: float = np.inf,
    fuel: bool = False,
) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Return tables of the runs of A and of B, driven in an order; drift in s a lap and hour, run scatter and difference in s."""
    warm = int(rng.integers(1, 4)) if warm_up is None else warm_up
    cost = rng.uniform(0.2, 0.8) * rng.uniform(0.3, 0.6) ** np.arange(warm)
    parts: dict[str, list[pd.DataFrame]] = {"A": [], "B": []}
    start = 0.0
    for number, (setup, size, first) in enumerate(zip(order, sizes, ages, strict=True), start=1):
        lap = np.arange(int(size))
        age, clock = int(first) + lap, start + LAP * lap
        start = clock[-1] + LAP + 900.0
        times = (
            LAP
            + fall_off * age
            + 0.06 * np.maximum(age - bend, 0.0)
            + difference * (setup == "B")
            + drift * clock / 3600.0
        )
        times += (
            rng.normal(0, scatter, len(lap))
            + rng.normal(0, run_scatter)
            + np.append(cost, np.zeros(len(lap)))[: len(lap)]
        )
        times += (rng.uniform(size=len(lap)) < odd) * rng.uniform(0.3, 2.0, len(lap))
        table = pd.DataFrame({"run": number, "lap": lap + 1, "tyre_age": age, "clock": clock, "lap_time": times})
        if fuel:
            table["fuel"] = rng.uniform(0.02, 0.04) - BURN * lap
            table["lap_time"] += FUEL_EFFECT * table["fuel"]
        parts[setup].append(table)
    return pd.concat(parts["A"], ignore_index=True), pd.concat(parts["B"], ignore_index=True)


def _even(rng: np.random.Generator) -> dict[str, Any]:
    return {"order": "AB", "sizes": [int(rng.integers(8, 26))] * 2, "ages": [0, 0]}


def _uneven(rng: np.random.Generator) -> dict[str, Any]:
    return {"order": "AB", "sizes": rng.integers(8, 26, 2), "ages": [0, 0]}


def _used_tyres(rng: np.random.Generator) -> dict[str, Any]:
    return {"order": "AB", "sizes": rng.integers(10, 26, 2), "ages": [0, int(rng.integers(0, 15))]}


def _in_turn(rng: np.random.Generator) -> dict[str, Any]:
    return {"order": "ABBA", "sizes": rng.integers(8, 20, 4), "ages": [0] * 4, "drift": rng.uniform(-0.3, 0.3)}


def _one_set(rng: np.random.Generator) -> dict[str, Any]:
    return {"order": "ABBA", "sizes": [8] * 4, "ages": [0, 8, 16, 24], "drift": rng.uniform(-0.3, 0.3)}


def _bent(rng: np.random.Generator) -> dict[str, Any]:
    return {"order": "AB", "sizes": rng.integers(16, 26, 2), "ages": [0, 0], "bend": 12.0}


def _restless(order: str) -> Callable[[np.random.Generator], dict[str, Any]]:
    return lambda rng: {"order": order, "sizes": [10] * len(order), "ages": [0] * len(order), "run_scatter": 0.04,
                        "drift": rng.uniform(-0.3, 0.3)}  # fmt: skip


CASES: dict[str, Callable[[np.random.Generator], dict[str, Any]]] = {
    "A B, as many laps": _even,
    "A B, runs of other lengths": _uneven,
    "A B, B on used tyres": _used_tyres,
    "A B B A, drift": _in_turn,
    "A B B A, one set of tyres": _one_set,
    "A B, tyres that bend": _bent,
    "A B B A, runs differ by 0.04 s": _restless("ABBA"),
    "A B B A B A A B, the same": _restless("ABBABAAB"),
}
MIXTURE = list(CASES.values())[:4]


def one(
    rng: np.random.Generator, case: Callable[[np.random.Generator], dict[str, Any]], difference: float, **options: Any
) -> SetupComparison:
    """Simulate a comparison and make it."""
    fuel = bool(rng.integers(2))
    runs = simulate_runs(
        rng,
        **case(rng),
        scatter=rng.uniform(0.04, 0.12),
        difference=difference,
        fall_off=rng.uniform(0.01, 0.05),
        fuel=fuel,
    )
    return compare_setups(*runs, resamples=0, fuel_effect=FUEL_EFFECT if fuel else None, **options)


def runs_alike(rng: np.random.Generator, laps: int, correlation: float) -> np.ndarray:
    """Return what laps differ by, standard deviation 1, neighbours correlated."""
    out = rng.normal(size=laps)
    for lap in range(1, laps):
        out[lap] = correlation * out[lap - 1] + np.sqrt(1.0 - correlation**2) * out[lap]
    return out


def alike_run(rng: np.random.Generator, laps: int, correlation: float) -> pd.DataFrame:
    """Return a straight run, 0.01 s a lap and 0.03 s of scatter, without warm-up or odd laps."""
    age = np.arange(laps)
    times = 27.5 + 0.01 * age + 0.03 * runs_alike(rng, laps, correlation)
    return pd.DataFrame({"run": 1, "lap": age + 1, "tyre_age": age, "lap_time": times})


def alike(count: int) -> None:
    """Print how often the interval of the fall-off holds, and bends and warm-up that are none."""
    rng = np.random.default_rng(2024)
    print(f"{'laps':>4s} {'correlation':>11s} {'holds':>6s} {'bends':>6s} {'warm-up':>8s} {'said':>6s}")
    for laps in (12, 20, 40):
        for correlation in (0.0, 0.3, 0.5, 0.7):
            found = [fall_off(alike_run(rng, laps, correlation)) for _ in range(count)]
            shares = (
                np.mean([run.low <= 0.01 <= run.high for run in found]),
                np.mean([np.isfinite(run.bend) for run in found]),
                np.mean([run.warm_up > 0 for run in found]),
                np.mean([run.fit.correlation >= SAID for run in found]),
            )
            print(
                f"{laps:4d} {correlation:11.1f} {shares[0]:6.3f} {shares[1]:6.3f} {shares[2]:8.3f} {shares[3]:6.3f}",
                flush=True,
            )


def main() -> None:
    """Print the table."""
    if sys.argv[1:2] == ["alike"]:
        alike(int(sys.argv[2]) if len(sys.argv) > 2 else 500)
        return
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    rng = np.random.default_rng(2024)
    print(f"{'case':34s} {'holds':>6s} {'false':>6s} {'seen':>6s} {'margin':>7s}")
    for name, case in CASES.items():
        held, false, seen, margins = 0, 0, 0, []
        for k in range(count):
            difference = 0.0 if k % 2 else rng.uniform(0.03, 0.15)
            found = one(rng, case, difference)
            held += abs(found.difference - difference) <= found.margin
            false += found.significant and not difference
            seen += found.significant and difference > 0
            margins.append(found.margin)
        half = count // 2
        print(
            f"{name:34s} {held / count:6.3f} {false / half:6.3f} {seen / (count - half):6.3f} {np.median(margins):7.3f}",
            flush=True,
        )


if __name__ == "__main__":
    main()
