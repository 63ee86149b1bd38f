"""Finding what befell the car: touches, tows, shifts that missed, and corners that cost far more than usual."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.oddities.signals import CALM, FULL_SHARE, Signals, knock, scatter_of, steps_of
from lapkit.channels import STANDARD_GRAVITY, FloatArray
from lapkit.model.noise import white_noise

SHORTEST = 0.6
"""Share of the shortest length a tow is looked for over that must be left once its ends are found (chosen)."""
FEEL = ("lateral_acceleration", "longitudinal_acceleration", "yaw_rate")
"""Channels that feel a touch."""
FLARE_TIME = 0.25
"""s. Time before and after the drive is missing in which engine speed may run ahead (chosen)."""


@dataclass
class Event:
    """One oddity, before it is put into words.

    Attributes
    ----------
    row : int
        Which of the laps looked at.
    kind : str
    start, end : float
        m from the line of that lap.
    size, size_uncertainty : float
    unit : str
    facts : dict of str to float
        What else the words need.
    """

    row: int
    kind: str
    start: float
    end: float
    size: float
    size_uncertainty: float
    unit: str
    facts: dict[str, float] = field(default_factory=dict)


def near(event: Event, row: int, start: float, end: float, *, within: float = 30.0) -> bool:
    """Whether an event lies in a stretch of a lap, or within so many metres of it.

    Examples
    --------
    >>> near(Event(2, "contact", 400.0, 405.0, 1.0, 0.1, "m/s"), 2, 430.0, 480.0)
    True
    """
    return event.row == row and event.start < end + within and event.end > start - within


def runs_of(mask: NDArray[np.bool_], *, join: int = 0) -> Iterator[tuple[int, int]]:
    """Yield the half-open stretches in which a mask holds; those at most `join` apart count as one.

    Examples
    --------
    >>> list(runs_of(np.array([0, 1, 1, 0, 1, 0, 0, 0, 1], dtype=bool), join=1))
    [(1, 5), (8, 9)]
    """
    edge = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(np.int8), [0]])))
    start, end = edge[::2], edge[1::2]
    if not len(start):
        return
    apart = np.flatnonzero(start[1:] - end[:-1] > join)
    yield from zip(start[np.append(0, apart + 1)].tolist(), end[np.append(apart, len(end) - 1)].tolist(), strict=True)


# ------------------------------------------------------------------------ contact


def contacts(
    signals: Signals,
    *,
    sigmas: float,
    least_loss: float,
    longest: float,
    least_spike: float,
    least_kick: float,
) -> list[Event]:
    """Losses of speed at a stroke that a second channel felt too. Keywords as in `oddities`."""
    trace, time = signals.trace, signals.time
    witnesses = _witnesses(signals, sigmas, least_spike, least_kick, longest)
    if not witnesses:
        signals.notes.append(
            "There is no accelerometer and no yaw rate: a touch cannot be told from a dab of the brake, and is not looked for."
        )
        return []
    gap, width = signals.count(0.5 * longest), signals.count(longest, 3)
    beyond, sigma = signals.beyond_usual(steps_of(signals.excess, gap, width))
    felt = np.any([np.abs(values) > limit for values, limit in witnesses.values()], axis=0)
    found = []
    close = signals.count(0.5 * longest)
    for begin, end in runs_of(beyond < -np.maximum(sigmas * sigma, least_loss), join=2 * gap):
        middle = begin + int(np.argmin(beyond[begin:end]))
        low, high = max(middle - gap - close, 0), min(middle + gap + close + 1, len(time))
        row = _row(signals, float(time[middle]))
        if row is None or not felt[low:high].any():
            continue
        loss = float(-beyond[middle])
        knocked = np.flatnonzero(felt[low:high]) + low
        facts = {}
        for name, (values, _) in witnesses.items():
            peak = low + int(np.argmax(np.abs(values[low:high])))
            facts[name] = float(values[peak])
        zero = trace.lap_place_zero[signals.rows[row]]
        first, last = max(int(knocked[0]) - 1, 0), min(int(knocked[-1]) + 1, len(time) - 1)
        facts["across"] = float(
            any(
                (np.abs(values[low:high]) > limit[low:high]).any()
                for name, (values, limit) in witnesses.items()
                if name != "longitudinal_acceleration"
            )
        )
        facts["duration"] = float(max(time[last] - time[first] - signals.interval, signals.interval))
        found.append(
            Event(
                row, "contact", float(trace.place[first] - zero), float(trace.place[last] - zero), loss,
                float(sigma[middle]), "m/s", facts,
            )
        )  # fmt: skip
    return found


def _witnesses(
    signals: Signals, sigmas: float, least_spike: float, least_kick: float, longest: float
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Channels that feel a knock: what they show beyond the usual, and from where on it is one."""
    from scipy.ndimage import maximum_filter1d

    trace = signals.trace
    found: dict[str, tuple[FloatArray, FloatArray]] = {}
    span = signals.count(CALM, 5)
    for name, least in (("lateral_acceleration", least_spike), ("yaw_rate", least_kick)):
        values = trace.channel(name)
        if values is not None:
            beyond, sigma = _knocked(signals, values, span)
            found[name] = beyond, np.maximum(sigmas * sigma, least)
    along = trace.channel("longitudinal_acceleration")
    if along is not None:
        beyond, sigma = _knocked(signals, along, span)
        # losing the drive is no knock: only what goes beyond that counts
        lost = np.full(len(beyond), STANDARD_GRAVITY)
        if signals.model.ok:
            lost = 1.2 * maximum_filter1d(signals.drive, span)
        found["longitudinal_acceleration"] = np.minimum(beyond + lost, 0.0), np.maximum(sigmas * sigma, least_spike)
    return found


def _knocked(signals: Signals, values: FloatArray, span: int) -> tuple[FloatArray, FloatArray]:
    """What is short and beyond the usual in a channel: the usual bend goes first, or its slope would hide a knock."""
    return signals.beyond_usual(knock(signals.beyond_usual(np.nan_to_num(values))[0], span))


def _row(signals: Signals, when: float) -> int | None:
    """Which of the laps looked at a moment lies in."""
    lap = int(signals.trace.lap_at(np.array([when]))[0])
    match = np.flatnonzero(signals.rows == lap)
    return int(match[0]) if len(match) else None


# ---------------------------------------------------------------------------- tow


def tows(
    signals: Signals, *, sigmas: float, least_gain: float, windows: tuple[float, ...], opposite: float
) -> list[Event]:
    """Stretches at full throttle on which the car gained more than its model and its other laps. Keywords as in `oddities`."""
    if not signals.model.ok:
        return []
    from scipy.ndimage import uniform_filter1d

    step = float(signals.grid[1])
    full = _full(signals)
    calm = signals.count(0.3, 1)
    energy = signals.per_place(uniform_filter1d(signals.energy, calm, mode="nearest")) + signals.climb
    speed = signals.per_place(signals.speed)
    metres = np.gradient(signals.at, axis=1) * speed
    gained = np.diff(energy, axis=1)
    excess = gained - np.median(gained, axis=0)  # one cell
    found: list[Event] = []
    windowed = _windows(energy, full, windows, step, sigmas, least_gain)
    for row in np.unique(windowed.row).tolist():
        mine = windowed.of(windowed.row == row)
        taken = np.zeros(len(signals.grid), dtype=bool)
        for _ in range(4):  # tows a lap at most
            if not len(mine.row):
                break
            best = int(np.argmax(mine.score))
            sigma = float(mine.sigma[best])
            i, j = _edges(excess[row], full[row] & ~taken, int(mine.start[best]), int(mine.end[best]))
            taken[max(i - round(20 / step), 0) : j + round(20 / step)] = True
            covered = np.append(0, np.cumsum(taken))
            mine = mine.of(covered[mine.end] == covered[mine.start])
            driven = float(metres[row, i:j].sum())
            per_metre = float(excess[row, i:j].sum()) / driven
            if not per_metre > least_gain or driven < SHORTEST * windows[0]:
                continue
            if _wind(signals, row, excess[row], metres[row], full[row], i, j, per_metre, opposite):
                continue
            drag = signals.model.coefficient("drag") * float(np.mean(speed[row, i:j])) ** 2
            found.append(
                Event(
                    row, "tow", float(signals.grid[i]), float(signals.grid[min(j, len(signals.grid) - 1)]), per_metre,
                    sigma / driven, "m/s2", {"share": per_metre / max(drag, 1e-9)},
                )
            )  # fmt: skip
    return found


def _full(signals: Signals) -> NDArray[np.bool_]:
    """Where each lap is at full throttle, gear changes counted in."""
    at_full = signals.throttle >= FULL_SHARE
    for begin, end in runs_of(~at_full):
        if signals.time[min(end, len(signals.time) - 1)] - signals.time[begin] <= 0.25 and begin > 0:
            at_full[begin:end] = True
    return signals.per_place(at_full.astype(np.float64)) > 0.99


@dataclass(frozen=True)
class _Windows:
    """Stretches of laps with a gain beyond its scatter: lap, start, end (grid points), scatter (J/kg), gain over that."""

    row: NDArray[np.intp]
    start: NDArray[np.intp]
    end: NDArray[np.intp]
    sigma: FloatArray
    score: FloatArray

    def of(self, mask: NDArray[np.bool_]) -> _Windows:
        """Those a mask picks."""
        return _Windows(self.row[mask], self.start[mask], self.end[mask], self.sigma[mask], self.score[mask])


def _windows(
    energy: FloatArray,
    full: NDArray[np.bool_],
    windows: tuple[float, ...],
    step: float,
    sigmas: float,
    least_gain: float,
) -> _Windows:
    """Stretches at full throttle whose gain is so many times its scatter from lap to lap."""
    free = np.concatenate([np.zeros((len(full), 1), dtype=np.intp), np.cumsum(full, axis=1)], axis=1)
    parts = []
    for window in windows:
        n = max(round(window / step), 2)
        if n >= energy.shape[1]:
            continue
        allowed = free[:, n:-1] - free[:, : -n - 1] >= n
        gain = energy[:, n:] - energy[:, :-n]
        sigma = scatter_of(gain, round(30.0 / step))  # what the model leaves open, from lap to lap
        over = gain - np.median(gain, axis=0)
        row, start = np.nonzero(allowed & (over > least_gain * window) & (over > sigmas * sigma))
        parts.append((row, start, start + n, sigma[start], over[row, start] / sigma[start]))
    nothing = np.zeros(0, dtype=np.intp)
    parts.append((nothing, nothing, nothing, np.zeros(0), np.zeros(0)))
    row, start, end, spread, score = (np.concatenate(part) for part in zip(*parts, strict=True))
    return _Windows(row, start, end, spread, score)


def _edges(excess: FloatArray, free: NDArray[np.bool_], i: int, j: int) -> tuple[int, int]:
    """Where the gain begins and ends: the stretch whose gain over half of its mean is largest."""
    half = 0.5 * float(excess[i:j].mean())
    low, high = i, j
    while low > 0 and free[low - 1]:
        low -= 1
    while high < len(excess) and free[high]:
        high += 1
    total = np.append(0.0, np.cumsum(excess[low:high] - half))
    rise = total - np.minimum.accumulate(total)
    end = int(np.argmax(rise))
    return low + int(np.argmin(total[: end + 1])), low + end


def _wind(
    signals: Signals,
    row: int,
    excess: FloatArray,
    metres: FloatArray,
    full: NDArray[np.bool_],
    i: int,
    j: int,
    gain: float,
    opposite: float,
) -> bool:
    """Whether the rest of the lap says it was the air or the engine, not a car ahead; then it is noted, not found."""
    rest = full[:-1].copy()
    rest[max(i - 20, 0) : j + 20] = False
    turned = np.cumsum(signals.bend * metres)[:-1]
    away = np.cos(turned - turned[i:j].mean())
    for mask, sign, words in (
        (rest & (away < -0.7), -1.0, "the car lost as much the other way: a tail wind, not a tow"),
        (rest, 1.0, "it gained as much on the rest of the lap: more power or less drag, not a tow"),
    ):
        driven = float(metres[:-1][mask].sum())
        if driven > 60.0 and sign * float(excess[mask].sum()) / driven > opposite * gain:
            lap = int(signals.trace.numbers[signals.rows[row]])
            signals.notes.append(
                f"Lap {lap}: a gain from {signals.grid[i]:.0f} to {signals.grid[j - 1]:.0f} m is not marked; {words}."
            )
            return True
    return False


# ------------------------------------------------------------------- missed shift


def missed_shifts(
    signals: Signals, *, sigmas: float, longest_cut: float, least_flare: float, missing: float, known: list[Event]
) -> list[Event]:
    """Stretches with the throttle open and no drive, longer than a gear change. Keywords as in `oddities`."""
    if not signals.model.ok:
        return []
    trace, time = signals.trace, signals.time
    engine = trace.channel("engine_speed")
    if signals.from_position:
        signals.notes.append("Speed was worked out from position, too coarse for a missed shift: none is looked for.")
        return []
    window = signals.count(0.25, 4)
    lost, sigma = signals.beyond_usual(-_slope(signals.excess, window) / signals.interval)
    open_throttle = (signals.throttle > 0.5) & (signals.drive > 0.5)
    stands_out = np.full(len(lost), engine is not None)  # engine speed is a witness of its own
    if engine is None:
        stands_out = lost > sigmas * sigma
        hidden = sigmas * sigma > signals.drive  # even losing all of the drive would not stand out
        if np.count_nonzero(hidden & open_throttle) > 0.5 * np.count_nonzero(open_throttle):
            noise = white_noise(trace.required("speed", "oddities"))
            signals.notes.append(f"Speed is too noisy ({noise:.2g} m/s) to tell a missed shift without engine speed.")
            return []
    share = np.where(open_throttle, lost / np.maximum(signals.drive, 0.5), 0.0)
    reach = signals.count(FLARE_TIME)
    blind = not any(trace.channel(name) is not None for name in FEEL)
    found = []
    for begin, end in runs_of((share > missing) & stands_out, join=2):
        low, high = max(begin - window, 0), min(end + window, len(time) - 1)
        without = float(np.sum(np.clip(share[low:high], 0.0, None)) * signals.interval)
        row = _row(signals, float(time[(begin + end) // 2]))
        if row is None or without < longest_cut:
            continue
        zero = trace.lap_place_zero[signals.rows[row]]
        start, stop = float(trace.place[begin] - zero), float(trace.place[end - 1] - zero)
        if any(e.facts["across"] and near(e, row, start, stop) for e in known):
            continue
        rise = 0.0
        if engine is not None:
            rise = _flare(signals, engine, max(begin - reach, 0), end + reach)
            if rise < least_flare:
                continue
        elif float(share[begin:end].max()) < 0.75:
            continue
        kind = "missed shift or contact" if blind and engine is None else "missed shift"
        facts = {"flare": rise, "share": float(share[begin:end].max())}
        found.append(
            Event(row, kind, start, stop, without, float(np.hypot(signals.interval, 0.1 * without)), "s", facts)
        )  # fmt: skip
    return found


def _slope(values: FloatArray, width: int) -> FloatArray:
    """Slope of a straight line through `width` values round each, per sample."""
    u = np.arange(width) - (width - 1) / 2.0
    return np.convolve(np.pad(values, (width // 2, width - 1 - width // 2), mode="edge"), -u / (u @ u), mode="valid")[
        : len(values)
    ]


def _flare(signals: Signals, engine: FloatArray, low: int, high: int) -> float:
    """Largest rise of engine speed over road speed within some samples; a usual upshift only lets it fall."""
    from scipy.ndimage import median_filter

    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = np.log(np.maximum(engine[low:high], 1e-3) / np.maximum(signals.speed[low:high], 1.0))
    known = ratio[np.isfinite(ratio)]
    if len(known) < 3:
        return 0.0
    calm = median_filter(known, size=3, mode="nearest") if len(known) > 4 else known
    return float(np.expm1((calm - np.minimum.accumulate(calm)).max()))


# ---------------------------------------------------------------------- lost time


def lost_times(times: FloatArray, *, chance: float, least: float) -> list[tuple[int, int, float, float]]:
    """Corners that cost one lap far more than the others.

    Parameters
    ----------
    times : ndarray, shape (laps, segments)
        s from corner to corner.
    chance : float
        Share of ordinary laps that may be marked.
    least : float
        s. Less is not worth a mark.

    Returns
    -------
    list of (lap row, segment, time lost, its scatter)
    """
    from scipy.special import stdtrit

    laps, segments = times.shape
    if laps < 5 or segments < 1:
        return []
    usual = np.median(times, axis=0)
    age = np.arange(laps, dtype=np.float64)
    i, j = np.triu_indices(laps, 1)
    slope = np.median((times[j] - times[i]) / (age[j] - age[i])[:, None], axis=0)  # tyres fall off: Theil-Sen
    left = times - slope * age[:, None]
    left = left - np.median(left, axis=0)
    limit = float(stdtrit(max(0.6 * (laps - 1), 1.0), 1.0 - chance / segments))

    def beyond(values: FloatArray) -> tuple[NDArray[np.bool_], FloatArray]:
        scale = 1.4826 * laps / (laps - 0.8) * np.median(np.abs(values), axis=0)
        return values > np.maximum(limit * scale, least), scale

    over, scale = beyond(left)
    if segments > 1:  # a lap slow all round has not lost a corner, nor one that gained elsewhere
        share = left / usual
        others = np.stack([np.median(np.delete(share, k, axis=1), axis=1) for k in range(segments)], axis=1)
        against = (share - others) * usual
        over &= beyond(against - np.median(against, axis=0))[0]
    return [(int(r), int(k), float(left[r, k]), float(scale[k])) for r, k in zip(*np.nonzero(over), strict=True)]
