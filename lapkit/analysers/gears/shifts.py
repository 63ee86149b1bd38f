"""When the driver changes gear: by engine speed, as on the recorded lap, so that other gears are changed at other places."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray

DRIVING = 0.5
"""Share of full throttle above which the car is driven: gears are changed up there, and down elsewhere (chosen)."""
CUT_BEFORE, CUT_AFTER = 0.2, 0.4
"""s. How long before and after a gear is seen engaged the drive may be cut for it (chosen: shifts take 0.05 to 0.3 s)."""
CUT_BELOW = 0.9
"""Share of the throttle round about below which it is cut for a shift (chosen)."""
BACK_DOWN = 0.95
"""Share of the engine speed of an upshift that the lower gear may turn after a downshift, where the driver made none (chosen)."""
LEAST_SPREAD = 0.002
"""Share of the engine speed of a gear change that no recording tells better, 1 sigma: some hundredths of a second (chosen)."""
UNKNOWN_SPREAD = 0.01
"""The same where a change was not seen on several laps (chosen)."""
SAME_CHANGE = 60.0
"""m. Changes of the same gears on several laps within this of one another are the same (chosen)."""
AS_EVER = 1e-6
"""Share by which engine speeds may pass those recorded before they count as other (rounding)."""


def changing_spread(place: FloatArray, laps: list[tuple[FloatArray, FloatArray]]) -> float:
    """How much the engine speed of the same gear change differs from lap to lap, share, 1 sigma.

    Parameters
    ----------
    place : ndarray, shape (n,)
        m.
    laps : list of (ndarray, ndarray)
        Gear at each place, and road speed there (m/s), at most n of them.

    Examples
    --------
    >>> gear, speed = np.array([1.0, 1.0, 2.0, 2.0]), np.array([30.0, 40.0, 41.0, 42.0])
    >>> round(changing_spread(np.arange(4.0), [(gear, speed), (gear, 1.02 * speed), (gear, 0.98 * speed)]), 3)
    0.02
    """
    rows = []
    for gear, speed in laps:
        at = np.flatnonzero(np.diff(gear) != 0) + 1
        rows += [(gear[k - 1], gear[k], place[k], np.log(speed[k])) for k in at.tolist() if speed[k] > 0]
    rows.sort()
    seen = np.array(rows).reshape(-1, 4)
    other = (np.diff(seen[:, :2], axis=0) != 0).any(axis=1) | (np.diff(seen[:, 2]) > SAME_CHANGE)
    groups = np.split(seen[:, 3], np.flatnonzero(other) + 1)
    freedom = sum(len(group) - 1 for group in groups)
    if freedom < 2:
        return UNKNOWN_SPREAD
    return max(LEAST_SPREAD, float(np.sqrt(sum(group.var() * len(group) for group in groups) / freedom)))


def place_of(gear: float, rates: dict[float, float]) -> int:
    """Which of the gears it is, counted from 0; -1 for none."""
    return list(rates).index(gear) if gear in rates else -1


@dataclass(frozen=True)
class Shifting:
    """Engine speeds of the gear changes of a lap, cell by cell and gear by gear."""

    rates: FloatArray  # engine speed per road speed with no slip, rad/m, lowest gear first
    top: int  # which of them is the top gear, counted from 0; -1 where it was not used
    slip: FloatArray  # what the wheels make of it in each cell
    first: int  # gear at the start of the lap
    up: FloatArray  # engine speed from which on the driver changes up, rad/s, shape (cells, gears)
    down: FloatArray  # and up to which down
    most: float  # highest engine speed recorded, rad/s: no downshift may pass it
    throttle: FloatArray  # as recorded, without the cuts of the upshifts
    cut_time: float  # how long an upshift cuts the drive, s,
    cut_share: float  # and by what share

    @classmethod
    def of(
        cls, gear: NDArray[np.intp], rates: FloatArray, top: int, slip: FloatArray, speed: FloatArray, taken: FloatArray,
        throttle: FloatArray, knots: FloatArray, power: FloatArray,
    ) -> Shifting:  # fmt: skip
        """Read the gear changes of a lap.

        `gear` counts from 0, `speed` is in m/s, `taken` in s; `power` is what a throttle of `knots` gives: what is lost in a cut.
        """
        changes = np.flatnonzero(np.diff(gear)) + 1
        clock = np.cumsum(taken) - taken
        filled, begins, lost, long = throttle.copy(), changes.copy(), 0.0, []
        for k, cell in enumerate(changes.tolist()):
            if gear[cell] < gear[cell - 1]:
                continue
            near = np.flatnonzero((clock >= clock[cell] - CUT_BEFORE) & (clock <= clock[cell] + CUT_AFTER))
            level = float(throttle[near].max())
            low = near[throttle[near] < CUT_BELOW * level]
            if not len(low) or low[0] == near[0] or low[-1] == near[-1]:
                continue  # not cut, or the driver lifted anyway
            a, b = int(low[0]), int(low[-1]) + 1
            filled[a:b] = np.interp(np.arange(a, b), [a - 1, b], [throttle[a - 1], throttle[b]])
            given, asked = (np.interp(values[a:b], knots, power) for values in (throttle, filled))
            lost += float(((1.0 - given / np.maximum(asked, 1e-9)) * taken[a:b]).sum())
            long.append(float(taken[a:b].sum()))
            begins[k] = a
        turning = rates[gear] * slip * speed
        driven = filled > DRIVING * knots[-1]
        up, down = _thresholds(gear, rates, slip * speed, driven, changes, begins)
        return cls(
            rates, top, slip, int(gear[0]), up, down, float(turning.max()), filled,
            float(np.mean(long)) if long else 0.0, lost / sum(long) if long else 0.0,
        )  # fmt: skip

    def step(
        self, cell: int, gear: NDArray[np.intp], cut: FloatArray, ladder: FloatArray, speed: FloatArray, metres: float,
        limit: float, sooner_up: FloatArray | float = 1.0, sooner_down: FloatArray | float = 1.0,
    ) -> tuple[NDArray[np.intp], FloatArray, FloatArray, FloatArray]:  # fmt: skip
        """Gear, seconds of cut left, engine speed per road speed (rad/m) and share of drive of each variant in a step of `metres`.

        It came to `cell` at `speed` (m/s), with the rates `ladder` (gears, variants); engine speeds of up- and downshifts are those
        recorded times the last two.
        """
        row, last, before = np.arange(len(gear)), len(self.rates) - 1, gear
        if last:
            wheel = self.slip[cell] * speed
            turning = ladder[gear, row] * wheel
            higher = (turning >= np.minimum(self.up[cell, gear] * sooner_up, limit)) & (gear < last)
            lower = (turning <= self.down[cell, gear] * sooner_down) & (gear > 0) & ~higher
            lower &= ladder[np.maximum(gear - 1, 0), row] * wheel <= min(self.most, limit)
            gear = np.asarray(gear + higher - lower)
        taken, cut = metres / speed, np.where(gear > before, self.cut_time, cut)
        driving = 1.0 - self.cut_share * np.minimum(cut / taken, 1.0)
        return gear, np.maximum(cut - taken, 0.0), ladder[gear, row] * self.slip[cell], driving


def _thresholds(
    gear: NDArray[np.intp], rates: FloatArray, wheel: FloatArray, driven: NDArray[np.bool_], changes: NDArray[np.intp],
    begins: NDArray[np.intp],
) -> tuple[FloatArray, FloatArray]:  # fmt: skip
    """Engine speed of up- and downshifts in each cell and gear: those of the stretch itself first, else what is usual."""
    cells, count = len(gear), len(rates)
    rises = gear[changes] > gear[changes - 1]
    turned = np.zeros(cells, dtype=bool)  # a stretch ends where the foot changes its mind, or the hand
    turned[1:] = driven[1:] != driven[:-1]
    for k in np.flatnonzero(np.diff(rises)) + 1:
        turned[begins[k]] = True
    stretch = np.cumsum(turned)
    seen: dict[tuple[int, int, bool], float] = {}
    for cell, begin, rise in zip(changes.tolist(), begins.tolist(), rises.tolist(), strict=True):
        passed = range(gear[cell - 1], gear[cell]) if rise else range(gear[cell - 1], gear[cell], -1)
        for own in passed:
            rounding = -AS_EVER if rise else AS_EVER
            seen[int(stretch[begin]), own, rise] = float(rates[own] * wheel[begin]) * (1.0 + rounding)
    usual_up, usual_down = np.full(count, np.inf), np.zeros(count)
    for usual, rise in ((usual_up, True), (usual_down, False)):
        every = [n for (_, _, r), n in seen.items() if r == rise]
        for own in range(count):
            same = [n for (_, g, r), n in seen.items() if r == rise and g == own]
            if every:
                usual[own] = np.median(same or every)
    if all(rise for _, _, rise in seen):
        known = np.isfinite(usual_up[:-1])
        usual_down[1:][known] = BACK_DOWN * (rates[1:] / rates[:-1] * np.where(known, usual_up[:-1], 0.0))[known]
    up, down = np.full((cells, count), np.inf), np.zeros((cells, count))
    for part in range(int(stretch[-1]) + 1):
        mine = np.flatnonzero(stretch == part)
        for own in range(count):
            turning = rates[own] * wheel[mine][gear[mine] == own]
            if driven[mine[0]]:  # a gear held further than usual is held so far again
                up[mine, own] = max(usual_up[own], turning.max(initial=0.0) * (1.0 + AS_EVER))
            else:
                down[mine, own] = min(usual_down[own], turning.min(initial=np.inf) * (1.0 - AS_EVER))
            up[mine, own] = seen.get((part, own, True), up[mine[0], own])
            down[mine, own] = seen.get((part, own, False), down[mine[0], own])
    return up, down
