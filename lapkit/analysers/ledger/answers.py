"""What a driver or a gearbox does in answer to a difference of speed, and so what a difference costs.

A driver brakes down to the speed of the corner: who arrives slower brakes less, and that is an answer to the difference, not
something else done differently. An engine shifts up at its speed: a slower car shifts later on the track. Such answers are
charged to whatever made the difference they answer. Without this a difference ahead of a hairpin would be charged for a
speed in it that no driver would let happen, and the brake credited with as much.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.ledger.inputs import zeroed
from lapkit.analysers.ledger.pair import Pair
from lapkit.channels import FloatArray

BRAKE_ON = 0.02
"""Brake above which a lap is in a braking zone, 0..1 (chosen: twice the step it is usually written in)."""
BOTH_BRAKE = 0.05
"""Brake that both laps must reach for a zone to be one of both (chosen)."""
SAME_SPEED = 0.15
"""m/s. Two laps that leave a braking zone this close to one speed were braked to the same (chosen: no driver meets it closer)."""
OVERSHOOT, ASIDE = 1.5, 0.1
"""Shares of the difference on arrival that the brake's answer may miss by: taking back too much, or a little of either sign
because a pedal is moved in seconds and not in metres (chosen on simulated laps)."""
UNSURE = 6.0
"""Standard uncertainties within which a difference at the end of a braking zone is taken for none that came from before it
(chosen on simulated laps)."""
SHIFT_TIME = 0.2
"""s. A gear and its throttle cut belong together within this time (common practice, no source)."""
SAME_SHIFT = 1.0
"""m/s. Upshifts at speeds this close are the same upshift (chosen)."""
SHIFT_SHARE = 0.5
"""Share of what a difference costs that a later shift may add to it (chosen)."""
FORGOTTEN = 1.0 - 1e-9
"""Share of a difference that is forgotten where all of it is; one would leave nothing to divide by."""


class Answer(NamedTuple):
    """Steps [start, end) in which what a pedal did is charged to what made the difference at `start`."""

    start: int
    end: int
    pedal: str


def zones(brake: FloatArray) -> list[tuple[int, int]]:
    """Return the braking zones [start, end) of two laps together.

    Examples
    --------
    >>> zones(np.array([[0.0, 0.5, 0.0, 0.0], [0.0, 0.0, 0.5, 0.0]]))
    [(1, 3)]
    """
    return _runs(np.asarray((brake > BRAKE_ON).any(axis=0)))


def _runs(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    edge = np.flatnonzero(np.diff(np.concatenate([[False], flags, [False]]).astype(np.int8)))
    return list(zip(edge[::2].tolist(), edge[1::2].tolist(), strict=True))


def answered_share(brake: FloatArray, pedal: FloatArray, difference: FloatArray) -> FloatArray:
    """Part of a difference of energy that the driver's brake takes back, step by step.

    As far as the brake works against the difference, that is forgotten rather than entered under brake.

    Parameters
    ----------
    brake : ndarray, shape (n,)
        Energy gained in each step because of the brake, lap less reference, J/kg.
    pedal : ndarray, shape (n,)
        The greater brake of the two laps, 0..1.
    difference : ndarray, shape (n,)
        Difference of energy before each step, J/kg.

    Returns
    -------
    ndarray, shape (n,)
        Share forgotten in each step, 0..0.95.

    Examples
    --------
    >>> answered_share(np.array([4.0, -1.0]), np.ones(2), np.array([-8.0, -4.0])).tolist()
    [0.5, 0.0]
    """
    gain = zeroed(brake)
    against = (pedal > BRAKE_ON) & (gain * difference < 0)
    return np.asarray(np.where(against, np.minimum(-gain / np.where(against, difference, 1.0), 0.95), 0.0))


def forgotten_share(
    pair: Pair, brake: FloatArray, energy: FloatArray, difference: FloatArray, *, blur: float, shift: float
) -> FloatArray:
    """Share of the difference of energy that braking makes the car forget in each step.

    At the end of a zone in which both laps brake, a difference too small to be told from none is forgotten altogether: what
    the brake did is then judged by the speed it led to rather than by where exactly it was pressed, which the place of
    two laps does not tell to the decimetre.

    Parameters
    ----------
    pair : Pair
    brake : ndarray, shape (n,)
        Energy gained in each step because of the brake, J/kg.
    energy : ndarray, shape (2, n + 1)
        Kinetic energy in each cell, J/kg.
    difference : ndarray, shape (n + 1,)
        Its difference, noise smoothed.
    blur, shift : float
        Standard uncertainty of a speed, m/s, and of the place of one lap against the other, m.

    Returns
    -------
    ndarray, shape (n,)
    """
    pedal = zeroed(pair.channels["brake"][:, 1:-1])
    share = answered_share(brake, pedal.max(axis=0), difference[:-1])
    reach = max(int(8.0 / pair.step), 1)
    for start, end in zones(pedal):
        if pedal[:, start:end].max(axis=1).min() < BOTH_BRAKE or end >= len(share):
            continue
        after = energy[:, end : end + reach + 1]
        slope = np.abs(np.diff(after, axis=1)).mean() / pair.step
        sure = np.hypot(np.sqrt(2.0) * blur * np.sqrt(2.0 * after[:, 0].mean()), shift * slope)
        if abs(difference[end]) < UNSURE * sure:
            share[end] = FORGOTTEN
    return share


def answers_in(pair: Pair, given: dict[str, FloatArray], difference: FloatArray) -> list[Answer]:
    """Find where what a pedal did, beyond what `forgotten_share` took, is an answer to the difference of speed there.

    Parameters
    ----------
    pair : Pair
    given : dict of str to ndarray, shape (n,)
        Energy gained in each step by cause, J/kg.
    difference : ndarray, shape (n + 1,)
        Difference of energy, J/kg.

    Returns
    -------
    list of Answer
        In order, none within another.
    """
    speed = pair.channels["speed"][:, 1:-1]
    count = speed.shape[1]
    found = []
    braking = np.zeros(count, dtype=bool)
    if "brake" in given:
        pedal = pair.channels["brake"][:, 1:-1]
        for start, end in zones(pedal):
            braking[start:end] = True
            end = min(end + 1, count)
            steps, arrived = given["brake"][start:end], difference[start]
            apart = speed[:, min(end, count - 1)]
            most = OVERSHOOT if steps.sum() * arrived < 0 else ASIDE
            small = np.abs(np.cumsum(steps)).max() < most * abs(arrived)
            if small and abs(apart[1] - apart[0]) < SAME_SPEED:
                found.append(Answer(start, end, "brake"))
    if "gear" in pair.channels and "throttle" in given:
        gear = zeroed(pair.channels["gear"][:, 1:-1]).round()
        for start, end in _runs((gear[0] != gear[1]) & (gear > 0).all(axis=0) & ~braking):
            slow = 0 if gear[0, start] < gear[1, start] else 1
            fast = 1 - slow
            if end >= count or gear[slow, end] != gear[fast, end] or speed[slow, start] > speed[fast, start]:
                continue
            if start > 0 and abs(speed[slow, end] - speed[fast, start]) > SAME_SHIFT:
                continue  # before the start the faster lap had shifted already
            times = pair.time[:, 1:-1]
            before = int(np.searchsorted(times[fast], times[fast, start] - SHIFT_TIME))
            after = int(np.searchsorted(times[slow], times[slow, end] + SHIFT_TIME))
            found.append(Answer(before, min(after, count), "throttle"))
    kept: list[Answer] = []
    for answer in sorted(found):
        if difference[answer.start] != 0 and (not kept or answer.start >= kept[-1].end):
            kept.append(answer)
    return kept


def costs(
    weight: FloatArray, kept: FloatArray, difference: FloatArray, given: dict[str, FloatArray], answers: list[Answer]
) -> tuple[FloatArray, dict[str, FloatArray]]:
    """What a difference of energy costs from each cell on, answers to it included.

    Parameters
    ----------
    weight : ndarray, shape (n + 1,)
        s per J/kg in each cell.
    kept : ndarray, shape (n,)
        Share of a difference that goes on from cell to cell.
    difference : ndarray, shape (n + 1,)
        J/kg.
    given : dict of str to ndarray, shape (n,)
        Energy gained in each step by cause, J/kg.
    answers : list of Answer

    Returns
    -------
    cost : ndarray, shape (n + 1,)
        s per J/kg that is there as a cell begins.
    own : dict of str to ndarray, shape (n,)
        Share of each step that is charged where it stands: none of what is an answer.
    """
    cost = np.zeros(len(weight))
    own = {name: np.ones(len(kept)) for name in given}
    last = len(weight) - 1
    cost[last] = weight[last]

    def fill(start: int, end: int) -> None:
        """Cells [start, end), when that from `end` on is known."""
        if start >= end:
            return
        logs = np.append(0.0, np.cumsum(np.log(kept[start:end])))
        if logs[-1] < -600.0 and end - start > 1:  # further than numbers go: in two parts
            middle = start + min(max(int(np.searchsorted(-logs, 300.0)), 1), end - start - 1)
            fill(middle, end)
            fill(start, middle)
            return
        carry = np.exp(logs)
        own_part = np.cumsum((weight[start:end] * carry[:-1])[::-1])[::-1]
        cost[start:end] = (own_part + carry[-1] * cost[end]) / carry[:-1]

    end = last
    for answer in reversed(answers):
        stop = min(answer.end, last)
        fill(stop, end)
        fill(answer.start, stop)
        end = answer.start
        steps = slice(answer.start, stop)
        charged = float((given[answer.pedal][steps] * cost[answer.start + 1 : stop + 1]).sum())
        more = charged / float(difference[answer.start])
        if answer.pedal == "brake" or abs(more) < SHIFT_SHARE * cost[answer.start]:
            cost[answer.start] += more
            own[answer.pedal][steps] = 0.0
    fill(0, end)
    return cost, own
