"""Fitting the car's longitudinal model: the weak form, bounded least squares, and how sure the coefficients are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.ledger.inputs import Inputs, left_of_noise
from lapkit.channels import STANDARD_GRAVITY, FloatArray

CURVE_SPREAD = 0.5
"""Share by which neighbouring pieces of the power curve are expected to differ in slope; it counts only where the throttle
is hardly ever held between the knots (chosen)."""
TRACTION_GAIN = 0.2
"""Share by which the mean square misfit must fall before a limit of drive at low speed is believed in (chosen)."""
TRACTION_SPEED = 0.8
"""Share of the top speed below which a limit of drive is looked for (chosen)."""

_LIMITS = {"power": 1000.0, "drag": 0.02, "cornering": 0.1, "braking": 40.0, "traction": 40.0}


def throttle_hats(throttle: FloatArray, knots: Sequence[float] | FloatArray) -> FloatArray:
    """Return how much each knot above the first counts at a throttle, shape (len(knots) - 1, *throttle.shape).

    Power is then the sum of these times the power at the knots.

    Examples
    --------
    >>> throttle_hats(np.array([0.125, 0.25, 0.5]), [0.0, 0.25, 1.0]).round(3).tolist()
    [[0.5, 1.0, 0.667], [0.0, 0.0, 0.333]]
    """
    return _ramps_to_hats(throttle_ramps(throttle, np.asarray(knots)))


def throttle_ramps(throttle: FloatArray, knots: FloatArray) -> FloatArray:
    """How far up each piece between two knots a throttle reaches, 0..1."""
    width = np.diff(knots)
    shape = (-1,) + (1,) * throttle.ndim
    return np.clip((throttle[None] - knots[:-1].reshape(shape)) / width.reshape(shape), 0.0, 1.0)


def _ramps_to_hats(ramps: FloatArray) -> FloatArray:
    hats = ramps.copy()
    hats[:-1] -= ramps[1:]
    return hats


@dataclass(frozen=True)
class Weak:
    """The equations: one row a window, acceleration weighed with a bump (m/s2)."""

    rows: FloatArray
    target: FloatArray
    names: tuple[str, ...]
    block: FloatArray  # which windows belong together
    lap: NDArray[np.intp]
    at: NDArray[np.intp]  # which window of its lap each row is
    noise: float  # of a target, by noise of speed and height from sample to sample, m/s2
    limited: FloatArray | None = None  # where drive is held by traction rather than power, 0 or 1 at each node

    @classmethod
    def of(cls, inputs: Inputs, knots: FloatArray, window: float) -> Weak:
        """Weigh the laps with bumps of `window` metres, one every half of it."""
        speed = np.maximum(inputs.channels["speed"], 1.0)
        basis = [*(throttle_ramps(inputs.channels["throttle"], knots) / speed)]
        names = ["power"] * len(basis)
        basis += [-(speed**2), -np.ones(speed.shape)]
        names += ["drag", "rolling"]
        if "curvature" in inputs.channels:
            basis.append(-((speed**2 * inputs.channels["curvature"]) ** 2))
            names.append("cornering")
        if "brake" in inputs.channels:
            basis.append(-inputs.channels["brake"])
            names.append("braking")
        rows, target, lap, at = _windows(inputs, np.stack(basis, axis=1), window)
        return cls(rows, target, tuple(names), _blocks(lap, at), lap, at, _noise(inputs, window))

    def limited_by(self, inputs: Inputs, knots: FloatArray, window: float, limited: FloatArray) -> Weak:
        """Return the equations with traction where `limited` is 1: only power and traction are weighed anew."""
        drive = throttle_ramps(inputs.channels["throttle"], knots) * (
            (1.0 - limited) / np.maximum(inputs.channels["speed"], 1.0)
        )
        basis = np.stack([*drive, limited], axis=1)
        cells = np.concatenate([_cells(inputs, basis), inputs.metres[:, None]], axis=1)
        sums = _bumped(cells, _width(inputs, window))[self.lap, self.at]
        rows = sums[:, :-1] / sums[:, -1:]
        power = len(drive)
        return replace(
            self,
            rows=np.concatenate([rows[:, :power], self.rows[:, power:], rows[:, power:]], axis=1),
            names=(*self.names, "traction"),
            limited=limited,
        )

    def apart(self, coefficients: FloatArray) -> float:
        """How far laps differ, at the same place, in what the coefficients leave unexplained, m/s2; NaN for fewer than three.

        The usual lap's, so that a gust in one does not count for the others; noise from sample to sample is taken out.
        """
        if not len(self.at) or int(self.lap.max()) < 2:
            return np.nan
        left = np.full((int(self.lap.max()) + 1, int(self.at.max()) + 1), np.nan)
        left[self.lap, self.at] = self.target - self.rows @ coefficients
        left = left[:, np.isfinite(left).sum(axis=0) >= 3]
        if not left.size:
            return np.nan
        away = np.abs(left - np.nanmedian(left, axis=0))
        laps = len(left)
        scatter = 1.4826 * float(np.nanmedian(away)) * float(np.sqrt(laps / (laps - 1)))
        return float(np.sqrt(max(scatter**2 - self.noise**2, 0.0)))


def weighed(inputs: Inputs, basis: FloatArray, window: float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Weigh accelerations with bumps of `window` metres, one every half of it; windows with holes are left out.

    Parameters
    ----------
    inputs : Inputs
    basis : ndarray, shape (laps, coefficients, nodes)
        What each coefficient is multiplied by to give an acceleration.
    window : float
        Width of a bump at half its height, m.

    Returns
    -------
    rows : ndarray, shape (windows, coefficients)
    target : ndarray, shape (windows,)
        Acceleration, climbing counted in, m/s2.
    block : ndarray, shape (windows,)
        Which windows belong together: eight neighbours of a lap.
    """
    rows, target, lap, at = _windows(inputs, basis, window)
    return rows, target, _blocks(lap, at)


def _windows(
    inputs: Inputs, basis: FloatArray, window: float
) -> tuple[FloatArray, FloatArray, NDArray[np.intp], NDArray[np.intp]]:
    """The same, with the lap of each window and its number in the lap."""
    gain = 0.5 * np.diff(inputs.channels["speed"] ** 2, axis=-1)
    if "z" in inputs.channels:
        gain = gain + STANDARD_GRAVITY * np.diff(inputs.channels["z"], axis=-1)
    cells = np.concatenate([_cells(inputs, basis), gain[:, None], inputs.metres[:, None]], axis=1)
    sums = _bumped(cells, _width(inputs, window))
    lap, at = np.nonzero(np.isfinite(sums).all(axis=-1))
    known = sums[lap, at]
    return known[:, :-2] / known[:, -1:], known[:, -2] / known[:, -1], lap, at


def _cells(inputs: Inputs, basis: FloatArray) -> FloatArray:
    """Accelerations times metres, in each cell."""
    return np.asarray(0.5 * (basis[..., 1:] + basis[..., :-1]) * inputs.metres[:, None, :])


def _width(inputs: Inputs, window: float) -> int:
    """Cells under a bump: four quarters, one of which it moves on by."""
    return 4 * max(1, round(0.5 * window / inputs.step))


def _bumped(cells: FloatArray, width: int) -> FloatArray:
    """Weigh the last axis with bumps, one every quarter of their width; shape (laps, windows, channels).

    Each quarter is weighed with the four quarters of the bump at once: the sums of four neighbours are a window.
    """
    quarter = width // 4
    bump = (np.sin(np.pi * (np.arange(width) + 0.5) / width) ** 2).reshape(4, quarter)
    count = cells.shape[-1] // quarter
    if count < 4:
        return np.zeros((cells.shape[0], 0, cells.shape[1]))
    parts = cells[..., : count * quarter].reshape(*cells.shape[:-1], count, quarter) @ bump.T
    windows = sum((parts[..., k : count - 3 + k, k] for k in range(1, 4)), parts[..., : count - 3, 0])
    return np.moveaxis(windows, 1, -1)


def _noise(inputs: Inputs, window: float) -> float:
    """Noise of a window's acceleration, m/s2: energy is weighed with the slope of the bump, (pi / w)^2 w / 2 when squared."""
    speed = float(np.nanmedian(inputs.channels["speed"]))
    energy = np.hypot(speed * inputs.noise["speed"], STANDARD_GRAVITY * left_of_noise(inputs, "z"))
    return float(energy * np.pi / (2.0 * window) * np.sqrt(inputs.spacing / window))


def _blocks(lap: NDArray[np.intp], at: NDArray[np.intp]) -> FloatArray:
    """Which windows belong together: eight neighbours of a lap."""
    return (lap * (int(at.max(initial=0)) // 8 + 1) + at // 8).astype(np.float64)


def bounds(names: Sequence[str], rolling_band: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Return the lowest and highest value each coefficient may take, SI units."""
    low = np.array([rolling_band[0] if name == "rolling" else 0.0 for name in names])
    high = np.array([rolling_band[1] if name == "rolling" else _LIMITS[name] for name in names])
    return low, high


@dataclass(frozen=True)
class Solution:
    """What the least squares gave; power as its rise from knot to knot."""

    coefficients: FloatArray
    weight: FloatArray  # of each window, 0..1
    scale: float  # robust misfit of a window, m/s2
    tie: float  # weight of the ties of the power curve
    cost: float  # mean square misfit


def solve(data: Weak, low: FloatArray, high: FloatArray, *, rounds: int = 5, tuning: float = 2.0) -> Solution:
    """Bounded least squares, reweighted after Huber; windows further than `tuning` misfits off count less."""
    from scipy.optimize import lsq_linear

    size = np.sqrt(np.mean(data.rows**2, axis=0))
    unseen = size < 1e-12
    size = np.where(unseen, 1.0, size)
    weight = np.ones(len(data.target))
    solution, scale = np.zeros(len(size)), 1.0
    tie = 1e-6
    for _ in range(rounds):
        root = np.sqrt(weight)
        ties = _ties(data.names, tie)
        rows = np.concatenate([root[:, None] * data.rows, ties]) / size
        target = np.append(root * data.target, np.zeros(len(ties)))
        triangle = _triangle(np.column_stack([rows, target]))
        fitted = lsq_linear(triangle[:, :-1], triangle[:, -1], (low * size, high * size))
        solution = fitted.x / size
        left = np.abs(data.target - data.rows @ solution)
        scale = max(1.4826 * float(np.median(left)), 1e-6)
        tie = scale / (CURVE_SPREAD * max(float(solution[[name == "power" for name in data.names]].mean()), 1.0))
        update = np.minimum(1.0, tuning * scale / np.maximum(left, 1e-12))
        if np.abs(update - weight).max() < 0.02:
            break
        weight = update
    left = data.target - data.rows @ solution
    return Solution(solution, weight, scale, tie, float(np.mean(np.minimum(np.abs(left), 5.0 * scale) ** 2)))


def _triangle(rows: FloatArray, part: int = 256) -> FloatArray:
    """The triangle of the QR factors: thousands of windows and a handful of unknowns, and it asks the same question.

    By parts of so many rows, then of their triangles: large ones are given to threads, which costs more than it saves.
    """
    parts = -(-len(rows) // part)
    filled = np.zeros((parts * part, rows.shape[1]))
    filled[: len(rows)] = rows
    triangles = np.asarray(np.linalg.qr(filled.reshape(parts, part, -1), mode="r"))
    return np.asarray(np.linalg.qr(triangles.reshape(-1, rows.shape[1]), mode="r"))


def _ties(names: Sequence[str], weight: float) -> FloatArray:
    """Rows that hold neighbouring pieces of the power curve to one slope, as far as the data do not say otherwise."""
    pieces = [k for k, name in enumerate(names) if name == "power"]
    rows = np.zeros((max(len(pieces) - 1, 0), len(names)))
    for row, (a, b) in enumerate(pairwise(pieces)):
        rows[row, a], rows[row, b] = weight, -weight
    return rows


def with_traction(
    inputs: Inputs, data: Weak, plain: Solution, knots: FloatArray, rolling_band: tuple[float, float], window: float
) -> tuple[Solution, Weak]:
    """See whether drive is limited at low speed: traction, or a gear that will not pull more.

    Where the limit rules is not known beforehand: begin below some speed at open throttle, solve, put it where the
    solution has it, and solve again until nothing changes.
    """
    throttle, speed = inputs.channels["throttle"], np.maximum(inputs.channels["speed"], 1.0)
    best, best_data = plain, data
    for share in (0.1, 0.25, 0.45):
        limited = ((throttle > 0.5 * knots[-1]) & (speed < np.nanquantile(speed, share))).astype(np.float64)
        solution, trial = plain, data
        for _ in range(8):
            trial = data.limited_by(inputs, knots, window, limited)
            solution = solve(trial, *bounds(trial.names, rolling_band), rounds=2)
            power = np.tensordot(solution.coefficients[: len(knots) - 1], throttle_ramps(throttle, knots), axes=1)
            following = (power / speed > solution.coefficients[-1]).astype(np.float64)
            if np.array_equal(following, limited) or not following.any():
                break
            limited = following
        crossover = float(solution.coefficients[: len(knots) - 1].sum() / max(solution.coefficients[-1], 1e-9))
        if crossover > TRACTION_SPEED * float(np.nanmax(speed)):
            continue
        if limited.any() and solution.cost < (1.0 - TRACTION_GAIN) * best.cost:
            best, best_data = solve(trial, *bounds(trial.names, rolling_band)), trial
    return best, best_data


def covariance_of(data: Weak, solution: Solution, low: FloatArray, high: FloatArray) -> FloatArray:
    """Sandwich covariance, blocks of neighbouring windows together.

    What is known of rolling resistance beforehand, its band, counts as one more observation; so do the faint ties of the
    power curve. A coefficient held at another bound is not free.
    """
    size = np.maximum(np.sqrt(np.mean(data.rows**2, axis=0)), 1e-12)
    values = solution.coefficients
    span = np.maximum(high - low, 1e-12)
    held = (values - low < 1e-6 * span) | (high - values < 1e-6 * span)
    rolling = np.array([name == "rolling" for name in data.names])
    free = ~held | rolling
    rows = np.sqrt(solution.weight)[:, None] * data.rows[:, free] / size[free]
    ties = _ties(data.names, solution.tie)[:, free] / size[free]
    known = np.where(rolling, solution.scale**2 / (span**2 / 12.0), 0.0)[free] / size[free] ** 2
    normal = rows.T @ rows + ties.T @ ties + np.diag(known)
    inverse = np.linalg.pinv(normal, hermitian=True)
    left = np.sqrt(solution.weight) * (data.target - data.rows @ values)
    _, block = np.unique(data.block, return_inverse=True)
    score = np.zeros((int(block.max()) + 1, rows.shape[1]))
    np.add.at(score, block, rows * left[:, None])
    inner = score.T @ score * (len(score) / max(len(score) - int(free.sum()), 1))
    inner += solution.scale**2 * (ties.T @ ties + np.diag(known))
    out = np.zeros((len(values), len(values)))
    out[np.ix_(free, free)] = (inverse @ inner @ inverse) / np.outer(size[free], size[free])
    return out


def at_knots(names: Sequence[str], coefficients: FloatArray, covariance: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Turn the rises of power between knots into the power at the knots."""
    change = np.eye(len(names))
    count = sum(name == "power" for name in names)
    change[:count, :count] = np.tril(np.ones((count, count)))
    return change @ coefficients, change @ covariance @ change.T
