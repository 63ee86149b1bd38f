"""Simulated runs in which something befalls the car."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd
from support import session_of

from lapkit import Session, simulate
from lapkit.simulate import CONSUMER, Car, Contact, MissedShift, Noise, Tow, Track, Truth
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR
from lapkit.simulate.driver import default_driver, run_scripts

Planted = Contact | Tow | MissedShift


def befallen_truth(
    track: Track,
    events: Mapping[int, Planted | tuple[Planted, ...]] | None = None,
    *,
    laps: int = 10,
    seed: int = 0,
    car: Car | None = None,
    scripts: Mapping[int, Mapping[str, Any]] | None = None,
) -> Truth:
    """Drive laps in some of which events happen; `scripts` replaces fields of laps' scripts."""
    car = car or (OVAL_CAR if all(c.direction == "left" for c in track.turns) else ROAD_CAR)
    made = list(run_scripts(default_driver(track, car), laps, np.random.default_rng(seed), 1.0))
    warm = simulate.drive(track, car, made[:1], start_speed=35.0, out_lap=False, in_lap=False)
    for lap, planted in (events or {}).items():
        made[lap] = replace(made[lap], events=planted if isinstance(planted, tuple) else (planted,))
    for lap, fields in (scripts or {}).items():
        made[lap] = replace(made[lap], **fields)
    return simulate.drive(track, car, made, start_speed=float(warm.laps["speed_at_line"].iloc[0]))


def befallen_run(
    track: Track,
    events: Mapping[int, Planted | tuple[Planted, ...]] | None = None,
    *,
    laps: int = 10,
    rate: float = 50.0,
    seed: int = 0,
    noise: Noise = CONSUMER,
    car: Car | None = None,
    scripts: Mapping[int, Mapping[str, Any]] | None = None,
    spoil: Callable[[pd.DataFrame], pd.DataFrame] | None = None,
    **options: Any,
) -> tuple[Session, Truth]:
    """Drive laps in some of which events happen, and record them."""
    truth = befallen_truth(track, events, laps=laps, seed=seed, car=car, scripts=scripts)
    table = simulate.record(truth, rate, noise=noise, seed=seed, **options)
    return session_of(spoil(table) if spoil else table, start_line=track.start_line), truth


def full_stretches(track: Track, *, least: float = 115.0) -> list[tuple[float, float]]:
    """Where full throttle is held for so many metres, in an ordinary lap."""
    truth = befallen_truth(track, laps=1)
    place = np.arange(0.0, track.length)
    full = truth.throttle(truth.start(1) + truth.time_at(1, place)) > 0.99
    edges = np.flatnonzero(np.diff(np.concatenate([[0], full.astype(int), [0]]))).astype(float)
    return [(a, b) for a, b in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True) if b - a >= least]
