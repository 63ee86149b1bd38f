"""Tracks with parts close together, and recordings of lines on any track: exact, and with what receivers do to them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lapkit import Recording, Session
from lapkit.importers.sampling import fill_blanks
from lapkit.model.place import ReferenceLine
from lapkit.model.recording import Provenance
from lapkit.model.tracks.track import Track as LapTrack
from lapkit.model.tracks.track import no_corners
from lapkit.simulate.track import Element, Track, close_straights, corner, straight

FINE = 0.1  # m between the points a line is drawn with
Array = np.ndarray


def figure_of_eight() -> Track:
    """A track that crosses itself square in the middle of two straights."""
    turn = np.radians(270.0)
    elements = [
        straight(70.0),
        *corner("1", 70.0, turn, 40.0),
        straight(240.0),
        *corner("2", 70.0, -turn, 40.0),
        straight(170.0),
    ]
    return Track(close_straights(elements), heading=0.4)


def hairpin(way: float = 1.0) -> Track:
    """A track with two legs 12 m apart, joined by a hairpin of 6 m; `way` -1 drives it clockwise."""

    def bend(name: str, radius: float, degrees: float, transition: float) -> list[Element]:
        return [e for e in corner(name, radius, np.radians(way * degrees), transition) if e.length > 0]

    elements = [
        straight(200.0), *bend("1", 6.0, 180, 0.0), straight(180.0), *bend("2", 25.0, -90, 10.0), straight(80.0),
        *bend("3", 25.0, 180, 10.0), straight(140.0), *bend("4", 25.0, 90, 10.0), straight(60.0),
    ]  # fmt: skip
    return Track(close_straights(elements), heading=-1.0)


def centre_line(track: Track) -> ReferenceLine:
    count = round(track.length)
    return ReferenceLine(*track.xy(np.arange(count) * track.length / count), track.length / count, track.length)


def session_on(track: Track, run: Run, *, learnt: bool = False) -> Session:
    """The session of a run on the track's own centre line, or on the line its laps teach."""
    given = None if learnt else LapTrack(track.length, no_corners(), reference=centre_line(track))
    return Session(
        Recording(run.samples, Provenance("drawn.csv"), slow=run.slow), start_line=track.start_line, track=given
    )


@dataclass
class Drawn:
    """A line on a track: running station and offset, position, and whether it is on the track there."""

    station: Array
    offset: Array
    x: Array
    y: Array
    known: Array


def draw(track: Track, laps: float, offset: float | Callable[[Array], Array]) -> Drawn:
    """A line at an offset, from a fifth of a lap before the start/finish line to a fifth after the last crossing."""
    station = np.arange(-0.2 * track.length, (laps + 0.2) * track.length, FINE)
    beside = offset(station) if callable(offset) else np.full(len(station), float(offset))
    return Drawn(station, beside, *track.xy(np.mod(station, track.length), beside), np.ones(len(station), dtype=bool))


def run_off(track: Track, line: Drawn, at: float, metres: float, along: float) -> Drawn:
    """Leave the track sideways by `metres` and come back `along` metres later."""
    away = (line.station > at) & (line.station < at + along)
    offset = line.offset + np.where(away, metres * np.sin(np.pi * (line.station - at) / along) ** 2, 0.0)
    return Drawn(line.station, offset, *track.xy(np.mod(line.station, track.length), offset), ~away)


def shortcut(line: Drawn, at: float, along: float) -> Drawn:
    """Drive straight from one place to another `along` metres on."""
    i, j = np.searchsorted(line.station, [at, at + along])
    count = int(np.hypot(line.x[j] - line.x[i], line.y[j] - line.y[i]) / FINE)
    share = np.arange(1, count) / count

    def joined(values: Array) -> Array:
        return np.concatenate([values[: i + 1], values[i] + share * (values[j] - values[i]), values[j:]])

    known = np.concatenate([line.known[: i + 1], np.zeros(count - 1, dtype=bool), line.known[j:]])
    return Drawn(joined(line.station), joined(line.offset), joined(line.x), joined(line.y), known)


def there_and_back(track: Track, line: Drawn, at: float, metres: float) -> Drawn:
    """Drive off the track slantwise for `metres`, and back the same way."""
    i = int(np.searchsorted(line.station, at))
    toward = float(track.heading(at % track.length)) + 1.0
    out = np.concatenate([np.arange(FINE, metres, FINE), np.arange(metres, 0.0, -FINE)])

    def with_spur(values: Array, spur: Array) -> Array:
        return np.concatenate([values[:i], spur, values[i:]])

    return Drawn(
        with_spur(line.station, np.full(len(out), line.station[i])),
        with_spur(line.offset, np.zeros(len(out))),
        with_spur(line.x, line.x[i] + out * np.cos(toward)),
        with_spur(line.y, line.y[i] + out * np.sin(toward)),
        with_spur(line.known, np.zeros(len(out), dtype=bool)),
    )


@dataclass
class Run:
    """A recording of a drawn line, and the truth at its samples."""

    samples: pd.DataFrame
    station: Array
    offset: Array
    known: Array
    slow: dict[str, float]


def record_line(
    line: Drawn,
    rate: float,
    *,
    fix_rate: float | None = None,
    white: float = 0.0,
    wander: float = 0.0,
    wander_time: float = 20.0,
    speed_noise: float = 0.0,
    top_speed: float = 45.0,
    seed: int = 0,
) -> Run:
    """Drive a line at a speed that its bends allow, and record it.

    Positions come at `fix_rate` (Hz) and are filled in between as on import, with white noise and noise that wanders (m).
    """
    rng = np.random.default_rng(seed)
    metres = np.hypot(np.diff(line.x), np.diff(line.y))
    path = np.append(0.0, np.cumsum(metres))
    coarse = slice(0, -1, 20)
    heading = np.unwrap(np.arctan2(np.diff(line.y), np.diff(line.x)))[::20]
    bend = np.abs(np.gradient(heading, path[coarse]))
    square = np.minimum(top_speed**2, 9.0 / np.maximum(bend, 1e-4))  # 9 m/s2 across
    for _ in range(2):  # 6 m/s2 along: forward, then backward
        square = np.minimum.accumulate(square - 12.0 * path[coarse]) + 12.0 * path[coarse]
        square = (np.minimum.accumulate((square + 12.0 * path[coarse])[::-1]))[::-1] - 12.0 * path[coarse]
    speed = np.interp(path, path[coarse], np.sqrt(np.maximum(square, 9.0)))
    clock = np.append(0.0, np.cumsum(metres / (0.5 * (speed[1:] + speed[:-1]))))
    time = np.arange(0.0, clock[-1], 1.0 / rate)
    at = np.interp(time, clock, path)
    every = max(1, round(rate / (fix_rate or rate)))
    forget = np.exp(-1.0 / (wander_time * rate))
    position = []
    for values in (line.x, line.y):
        measured = np.interp(at, path, values) + rng.normal(0.0, white, len(time))
        if wander:
            from scipy.signal import lfilter

            shocks = rng.normal(0.0, wander * np.sqrt(1.0 - forget**2), len(time))
            shocks[0] = rng.normal(0.0, wander)
            measured += lfilter([1.0], [1.0, -forget], shocks)
        measured[np.arange(len(time)) % every != 0] = np.nan
        fill_blanks(time, measured, max_gap=10.0)
        position.append(measured)
    samples = pd.DataFrame({
        "time": time, "x": position[0], "y": position[1],
        "speed": np.maximum(np.interp(at, path, speed) + rng.normal(0.0, speed_noise, len(time)), 0.0),
    })  # fmt: skip
    slow = {"x": every / rate, "y": every / rate} if every > 1 else {}
    known = np.interp(at, path, line.known.astype(float)) == 1.0
    return Run(samples, np.interp(at, path, line.station), np.interp(at, path, line.offset), known, slow)
