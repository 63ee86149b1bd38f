"""How far position is off at each moment, told from the laps themselves.

A satellite receiver's error is a slow drift of the whole picture: the same metres east and north for seconds on end. A
driver's own deviation from his usual line is across the track only, and is over within some hundred metres. As the track
turns, the two part: what moves every offset to the east for half a minute is drift, what is to the left in one corner
is the driver. Along the track, metres by position less metres by speed show how the drift changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.place import ReferenceLine, directions
from lapkit.model.smoother import BEND_LENGTH, Nodes, likeliest_driver, solve, system

NODE = 12.0  # m between places where drift is found; a tenth of what a driver's deviation lasts
FEWEST_LAPS = 4  # laps that tell a usual line from drift
MEMORY = (8.0, 100.0)  # s; the drift's memory is looked for between these (receivers: tens of seconds, no source)
CHANGE = (1.0, 5.0)  # s over which metres by position and by speed are compared: more than windows, less than memories
APART = (120.0, 600.0)  # m between places compared to tell drift from the driver: what he does here is forgotten there
ODOMETER = 0.003  # m per sqrt(m) by which metres by speed stray at least: 0.15 m in 2.4 km, a scale a few 1e-4 out
UNLIKELY = 4.0  # times the variance that drift may gain from lap to lap beyond which speed strays more than that
WHITE = 0.02  # m; least error of an offset or a place at a node
OTHER_LINE = 3.5  # usual deviations beyond which a driver is on another line, not a little off his own
OTHER_REACH = 60.0  # m either side of that which are left out with it: he moves over within 50 to 100 m
SMALL = 0.1  # m; drift smaller than this is left alone where laps are likelier without,
NONE = 0.003  # m; which is to say with so much
WORTHWHILE = 0.9  # share of the drift that may be left for a correction to be worth it
SHARED = 6.0  # laps' weight of the whole track in how much more than usual the driver varies at one place
TELLING = 12  # laps, those in the middle, that say how much he varies: more cost time and say little more
EVEN = 5  # nodes over which that is averaged
TOO_MUCH = (
    1.5  # times its size that the drift found may come to: more is another line that some laps hold all the way round
)
NORMAL = 1.4826  # standard deviations in a median absolute deviation


@dataclass(frozen=True)
class Drift:
    """Slow error of position.

    Attributes
    ----------
    time, x, y : ndarray, shape (n,)
        Clock (s), and the error at each sample, m, to be taken away from position.
    left, at_line : float
        Standard error that remains from lap to lap, m: of x and of y anywhere, and along the track at its first point, where
        a straight hides it.
    shared : float
        Standard error that remains besides and is the same in all laps, m: what they share is no drift to them.
    size, memory : float
        Standard deviation (m) and time constant (s) of the drift.
    varied : float
        Standard deviation of the driver's deviations from his usual line, m.
    """

    time: FloatArray
    x: FloatArray
    y: FloatArray
    left: float
    at_line: float
    shared: float
    size: float
    memory: float
    varied: float

    def along(self, times: FloatArray, east: FloatArray | float, north: FloatArray | float) -> FloatArray:
        """The part of the error in given directions, at given times, m."""
        x, y = (np.interp(times, self.time, values) for values in (self.x, self.y))
        return np.asarray(x * east + y * north)


def find_drift(
    reference: ReferenceLine, time: FloatArray, path: FloatArray, place: FloatArray, offset: FloatArray, *, noise: float
) -> Drift | None:
    """Find how far position drifted at each sample.

    Parameters
    ----------
    reference : ReferenceLine
    time, path : ndarray, shape (n,)
        Clock (s), and metres driven by a speed that is not made from position.
    place, offset : ndarray, shape (n,)
        By position, m; offset is NaN where unknown.
    noise : float
        White error left in both, m.

    Returns
    -------
    Drift or None
        None where laps are too few, or drift too small beside the driver's own deviations to be told from them.

    Notes
    -----
    Drift is a first-order Gauss-Markov process in time, alike in x and y (Gelb, Applied Optimal Estimation, 1974; from
    memory); a deviation a second-order one in distance. How fast metres by position and by speed come apart gives
    2 size2 / memory; products of offsets some hundred metres apart follow the cosine of the angle between them as far as
    they are drift, and give the size; the rest of the offsets' scatter is about the driver's. The likeliest drift then solves
    one banded system. Where laps scatter more at one place than elsewhere it says less; where one is on another line
    altogether, nothing. How much the driver varies, and within what length, is what makes all the laps likeliest.

    Examples
    --------
    Eight laps of an oval, 2 cm of noise; the drift swings by 0.5 m to the east, and by 0.4 m to the north.

    >>> from lapkit.model.place import closed_line, project
    >>> angle, rng = 2 * np.pi * np.arange(600) / 600, np.random.default_rng(1)
    >>> line = closed_line(160 * np.cos(angle), 90 * np.sin(angle))
    >>> time = np.arange(0.0, 8 * line.length / 30.0, 0.1)
    >>> x, y = (np.interp(np.mod(30.0 * time, line.length), np.arange(len(v)) * line.spacing, v) for v in (line.x, line.y))
    >>> east, north = 0.5 * np.sin(time / 11.0), 0.4 * np.cos(time / 15.0)
    >>> noise = rng.normal(0.0, 0.02, (2, len(time)))
    >>> place, offset = project(line, x + east + noise[0], y + north + noise[1], 30.0 * time)
    >>> drift = find_drift(line, time, 30.0 * time, place, offset, noise=0.02)
    >>> bool(np.std(drift.x - east) < 0.4 * np.std(east)), bool(np.std(drift.y - north) < 0.4 * np.std(north))
    (True, True)
    """
    nodes = _nodes(reference, time, path, np.maximum.accumulate(place), offset)
    if nodes is None:
        return None
    laps, known = float(nodes.lap[-1]) + 1.0, np.isfinite(nodes.offset)
    beside = np.where(known, nodes.offset - nodes.usual(nodes.offset), 0.0)
    step = np.append(np.diff(nodes.gained), 0.0)
    step = np.where(known & np.append(known[1:], False), step - nodes.usual(step), 0.0)
    most = 6.0 * NORMAL * float(np.median(np.abs(step)))
    gained = np.append(0.0, np.cumsum(np.clip(step, -most, most)[:-1]))
    gained -= gained.mean()
    share = laps / (laps - 1.0)  # the usual line has a lap's share of drift in it
    size, memory, varied, length = _moments(nodes, beside, gained, known, share)
    if size <= NONE:
        return None
    white = max(noise, WHITE)
    each = round(reference.length / nodes.spacing)
    lapse = float(np.median(nodes.wait(each)))
    change = NORMAL**2 * float(np.median(np.abs(gained[each:] - gained[:-each]))) ** 2
    excess = change - UNLIKELY * 2.0 * size**2 * float(-np.expm1(-lapse / memory))
    stray = float(np.sqrt(max(excess / reference.length, ODOMETER**2)))
    trusted = known & ~nodes.around(np.abs(beside) > OTHER_LINE * np.hypot(size, varied), OTHER_REACH)
    middle = np.abs(nodes.lap - 0.5 * laps) < 0.5 * TELLING
    said = (nodes.part(middle), beside[middle], gained[middle], trusted[middle])
    guess = varied  # few laps may make too little likeliest: what is left is stated halfway to this
    driver = likeliest_driver(*said, size=size, memory=memory, white=white, stray=stray, varied=varied, length=length)
    varied, length = driver.varied, driver.length
    if size < SMALL:
        all_his = float(np.hypot(size, varied))
        steady = likeliest_driver(
            *said, size=NONE, memory=memory, white=white, stray=stray, varied=all_his, length=length
        )
        if steady.deviance <= driver.deviance:
            return None
    bands = system(nodes, size=size, memory=memory, length=length, white=white, stray=stray)
    found, *_ = solve(nodes, bands, beside, gained, trusted, np.full(len(beside), varied), white=white)
    own = beside - nodes.across(found)
    trusted &= ~nodes.around(trusted & (np.abs(own) > OTHER_LINE * max(varied, white)), OTHER_REACH)
    usual = nodes.usual(np.where(trusted, own, np.nan))
    scatter = nodes.usual(np.where(trusted, np.abs(own - usual), np.nan)) ** 2
    scatter = np.convolve(scatter, np.full(EVEN, 1.0 / EVEN), mode="same") / max(float(np.median(scatter)), 1e-9)
    more = (scatter * (laps - 1.0) + SHARED) / (laps - 1.0 + SHARED)
    spread = varied * np.sqrt(np.maximum(more, 1.0))
    reach = 2.0 * memory  # nodes so far apart are strangers
    found, *errors = solve(nodes, bands, beside - usual, gained, trusted, spread, white=white, reach=reach)
    _, *wider = solve(
        nodes, bands, beside - usual, gained, trusted, np.maximum(spread, guess), white=white, reach=reach
    )
    left, at_line = np.sqrt(share * np.mean(np.square([errors, wider]), axis=0)).tolist()
    if not left < WORTHWHILE * size or float(np.sqrt(np.mean(found**2))) > TOO_MUCH * size:
        return None
    later = np.arange(1.0, laps)
    alike = np.exp(-later * lapse / memory)
    shared = size * float(np.sqrt((1.0 + 2.0 * np.sum((1.0 - later / laps) * alike)) / laps))
    x, y = (np.interp(time, nodes.time, found[:, k]) for k in (0, 1))
    return Drift(time, x, y, left, at_line, shared, size, memory, varied)


def _nodes(
    reference: ReferenceLine, time: FloatArray, path: FloatArray, place: FloatArray, offset: FloatArray
) -> Nodes | None:
    """Read the laps off every few metres."""
    each = max(16, round(reference.length / NODE))
    spacing = reference.length / each
    number = np.arange(int(np.ceil(place[0] / spacing)), int(place[-1] // spacing) + 1)
    if len(number) < FEWEST_LAPS * each:
        return None
    clock, metres, beside = (np.interp(number * spacing, place, values) for values in (time, path, offset))
    station = number % each
    east, north = (v[station] for v in directions(reference, np.arange(float(each)) * spacing))
    # Metres along the line that the metres driven come to: those driven across it are taken off, and the mean bend between
    # nodes counts, not the bend at them: that of a line learnt from drifting laps is rough, and its roughness adds up.
    bend = np.arcsin(np.clip(east[:-1] * north[1:] - north[:-1] * east[1:], -1.0, 1.0)) / spacing
    step, across = np.diff(metres), np.nan_to_num(np.diff(beside))
    onward = np.sqrt(np.maximum(step**2 - across**2, 0.25 * step**2))
    carried = onward / np.clip(1.0 - bend * np.nan_to_num(0.5 * (beside[1:] + beside[:-1])), 0.25, 2.0)
    gained = number * spacing - np.append(0.0, np.cumsum(carried))
    return Nodes(clock, beside, gained, east, north, number // each - number[0] // each, station, spacing)


def _moments(
    nodes: Nodes, beside: FloatArray, gained: FloatArray, known: NDArray[np.bool_], share: float
) -> tuple[float, float, float, float]:
    """Size (m) and memory (s) of the drift, size (m) and length (m) of the driver's deviations."""
    pace = float(np.median(nodes.wait(1)))
    waits, gains = [], []
    for steps in nodes.steps(np.linspace(*CHANGE, 6) / max(pace, 1e-3) * nodes.spacing):
        change = gained[steps:] - gained[:-steps]
        most = 5.0 * NORMAL * float(np.median(np.abs(change)))
        gains.append(float(np.mean(np.clip(change, -most, most) ** 2)) * share)
        waits.append(float(np.mean(nodes.wait(steps))))
    rate = max(float(np.polyfit(waits, gains, 1)[0]), 1e-9) if len(waits) > 1 else 1e-9
    near = known & (np.abs(beside) <= OTHER_LINE * NORMAL * np.median(np.abs(beside[known]))) if known.any() else known
    if not near.any():
        return 0.0, MEMORY[0], 0.0, BEND_LENGTH[0]
    memories, lengths = np.geomspace(*MEMORY, 60), np.geomspace(*BEND_LENGTH, 40)
    miss: FloatArray = np.zeros(len(memories))
    for steps in nodes.steps(np.geomspace(*APART, 9)):
        both = near[steps:] & near[:-steps]
        if both.any():
            cosine = nodes.turned(steps)[both]
            cosine -= cosine.mean()  # so that deviations that last are not taken for drift
            weight = float(np.sum(cosine**2)) + 1e-9
            seen = float(np.sum(cosine * (beside[steps:] * beside[:-steps])[both])) * share / weight
            expected = rate * memories / 2.0 * np.exp(-np.mean(nodes.wait(steps)) / memories)
            miss = miss + weight * (seen - expected) ** 2
    memory = float(memories[np.argmin(miss)])
    scatter = float(np.mean(beside[near] ** 2)) * share
    size = min(rate * memory / 2.0, 0.95 * scatter)
    miss = np.zeros(len(lengths))
    for steps in nodes.steps(np.array([20.0, 35.0, 50.0, 70.0])):
        both = near[steps:] & near[:-steps]
        if both.any():
            kept = nodes.turned(steps) * np.exp(-nodes.wait(steps) / memory)
            seen = float(np.mean((beside[steps:] - beside[:-steps])[both] ** 2)) * share
            seen -= 2.0 * size * (1.0 - float(np.mean(kept[both])))
            part = steps * nodes.spacing / lengths
            miss = miss + (2.0 * (scatter - size) * (1.0 - (1.0 + part) * np.exp(-part)) - seen) ** 2 / steps
    return float(np.sqrt(size)), memory, float(np.sqrt(scatter - size)), float(lengths[np.argmin(miss)])
