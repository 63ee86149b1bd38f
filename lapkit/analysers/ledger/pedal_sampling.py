"""What the pedals did between two samples, as far as the car's speed tells.

A pedal is read some ten to a hundred times a second and may turn anywhere between two readings: a straight line drawn between
them is then off by up to an eighth of the change of slope times the interval squared. Speed knows: it has gathered
all that was done. Where pedals turn within a few samples, a lap's own energy is therefore held against the model, and what is
over there, beyond the usual misfit around, is given to the pedals, as far as they may have moved unseen.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.inputs import zeroed
from lapkit.analysers.ledger.pair import Pair
from lapkit.channels import STANDARD_GRAVITY, FloatArray

LEAST_BEND = 0.03
"""Second difference of a pedal from sample to sample, 0..1, from which it is taken to turn there (chosen: beyond its noise)."""
BEND_SHARE = float(np.sqrt(1.0 / 120.0))
"""Error of the area under a line between samples, as a share of second difference times interval: for a corner anywhere
between them it is x (1 - x) / 2, root mean square."""
MOST = 4.0
"""Standard deviations of that error which the pedals are given at most: a pedal that jumps between two samples is off by
half the interval at most, just under four of them."""
EVENED = 0.25
"""s before and after over which noisy speed is averaged at most, as far as no pedal turns there (chosen on simulated laps)."""
SHARP = 0.01
"""m/s. Noise of speed at which one sample before and one after say enough (chosen)."""
AROUND = 60.0
"""m either side over which the usual misfit is taken (chosen): a wind or a weak engine shows there too, and is no pedal's."""


def between_samples(
    pair: Pair, model: LongitudinalModel, force: FloatArray, gained: FloatArray
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Find what pedals did between samples.

    Parameters
    ----------
    pair : Pair
        Two laps.
    model : LongitudinalModel
        Their car.
    force : ndarray, shape (2, n)
        What the model expects at each inner node, but for the climb, m/s2.
    gained : ndarray, shape (2, n)
        Energy gained from the middle of the cell before to that of the cell after, J/kg.

    Returns
    -------
    dict of str to (ndarray, ndarray), each of shape (2, n)
        "throttle", "brake": energy they gave unseen, J/kg, and the variance of what is still not known.
    """
    at = {name: values[:, 1:-1] for name, values in pair.channels.items()}
    interval, noise = pair.inputs.interval, pair.inputs.noise["speed"]
    names = [name for name in ("throttle", "brake") if name in at and model.coefficient(_COEFFICIENT[name]) > 0]
    out: dict[str, tuple[FloatArray, FloatArray]] = {
        name: (np.zeros(gained.shape), np.zeros(gained.shape)) for name in names
    }
    if interval <= 0:
        return out
    metres = 0.5 * (pair.metres[:, 1:] + pair.metres[:, :-1])
    expected = force * metres
    if "z" in pair.channels:
        expected = expected - STANDARD_GRAVITY * 0.5 * (pair.channels["z"][:, 2:] - pair.channels["z"][:, :-2])
    left = zeroed(gained - expected)
    for k in (0, 1):
        time, v = pair.time[k], np.fmax(at["speed"][k], 1.0)
        here = time[1:-1]
        doubt = {name: _turning(here, at[name][k], interval) * _strength(model, name, v) for name in names}
        both = np.sqrt(sum((d**2 for d in doubt.values()), np.zeros(len(v))))
        turning = np.flatnonzero(both > 0)
        if not len(turning):
            continue
        # a sample more on either side: the line is off from the sample before to the one after
        begins = np.searchsorted(here, here[turning] - interval)
        ends = np.searchsorted(here, here[turning] + interval)
        count = len(v) + 1
        inside = np.cumsum(np.bincount(begins, minlength=count) - np.bincount(ends, minlength=count))[:-1] > 0
        over = left[k] - _usual(np.where(inside, 0.0, left[k]), np.where(inside, 0.0, metres[k]), pair.step) * metres[k]
        edge = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(np.int8)))
        begin, end = edge[::2], edge[1::2]
        # energy over what is expected, before and after: a mean over as much as the noise asks for and the neighbours leave
        clock, reach = np.append(here, here[-1] + interval), min(EVENED, interval * (noise / SHARP) ** 2)
        first = np.maximum(np.searchsorted(clock, clock[begin] - reach), np.append(0, end[:-1]))
        last = np.minimum(np.searchsorted(clock, clock[end] + reach), np.append(begin[1:], count - 1))
        level = np.append(0.0, np.cumsum(np.append(0.0, np.cumsum(over))))
        gain = _mean(level, end, last) - _mean(level, first, begin)
        samples = np.maximum((clock[[begin, last]] - clock[[first, end]]) / interval, 1.0)
        # each sample is off on its own: its variance, spread over the nodes it stands for
        variance = (BEND_SHARE * v * both) ** 2 * interval * 0.5 * (time[2:] - time[:-2])
        spread = _over(variance, begin, end)
        known = (noise * v[begin]) ** 2 * (1.0 / samples).sum(axis=0)
        share = spread / np.maximum(spread + known, 1e-12)
        most = MOST * np.sqrt(spread)
        given = np.clip(gain * share, -most, most)
        which = np.repeat(np.arange(len(begin)), end - begin)
        rate, rest = np.zeros(len(v)), np.zeros(len(v))
        rate[inside] = (given / np.maximum(spread, 1e-12))[which]
        rest[inside] = (1.0 - share)[which]
        for name in names:
            own = variance * (doubt[name] / np.maximum(both, 1e-12)) ** 2
            out[name][0][k], out[name][1][k] = rate * own, rest * own
    return out


_COEFFICIENT = {"throttle": "power", "brake": "braking"}


def _strength(model: LongitudinalModel, name: str, speed: FloatArray) -> FloatArray | float:
    """What the whole of a pedal's reading gives, m/s2."""
    if name == "brake":
        return model.coefficient("braking")
    return np.asarray(np.minimum(model.power[-1] / speed, model.coefficient("traction")) / model.knots[-1])


def _turning(time: FloatArray, pedal: FloatArray, interval: float) -> FloatArray:
    """Second difference of a pedal from sample to sample where it turns, else zero."""
    known = zeroed(pedal)
    bend = np.interp(time + interval, time, known) + np.interp(time - interval, time, known) - 2.0 * known
    bend = np.where(np.isfinite(pedal), np.abs(bend), 0.0)
    return np.where(bend > LEAST_BEND, bend, 0.0)


def _usual(left: FloatArray, metres: FloatArray, step: float) -> FloatArray:
    """Misfit per metre around each node, where no pedal turns."""
    half = max(int(AROUND / step), 1)
    index = np.arange(len(left))
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, len(left))
    sums = [np.append(0.0, np.cumsum(values)) for values in (left, metres)]
    gained, driven = (total[high] - total[low] for total in sums)
    return np.asarray(gained / np.maximum(driven, 1.0))


def _mean(total: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Means over nodes [first, last], of their running total."""
    return np.asarray((total[last + 1] - total[first]) / (last + 1 - first))


def _over(values: FloatArray, begin: NDArray[np.intp], end: NDArray[np.intp]) -> FloatArray:
    """Sums over stretches [begin, end)."""
    total = np.append(0.0, np.cumsum(values))
    return np.asarray(total[end] - total[begin])
