"""Power as a function of engine speed, read from the laps themselves together with drag, rolling and cornering.

As in `lapkit.analysers.ledger.energy`, per unit mass and along the path, with the power at a throttle taken as a share of the full
power at the same engine speed:

    a = min(share(throttle) P(n) / v, traction) - kd v^2 - c - ks ay^2 - B brake - g dz/ds

P is piecewise linear between knots of engine speed and gently held to be smooth. In one gear n goes with v, so that P and
drag are told apart only by what the car does with the throttle not open; the covariance says how well.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from lapkit.analysers.gears.gearing import Gearing
from lapkit.analysers.ledger.energy import ROLLING_BAND, WINDOW, LongitudinalModel
from lapkit.analysers.ledger.energy_fit import CURVE_SPREAD, bounds, throttle_ramps, weighed
from lapkit.analysers.ledger.inputs import inputs_of
from lapkit.channels import FloatArray
from lapkit.errors import LapkitError

KNOT_SPACING = 0.02
"""Share of the engine speed between knots of power (chosen: a power curve bends over longer stretches)."""
BEND = 0.01
"""Share of the power by which a knot is expected to lie off the line between its neighbours; it counts only as far as the
data say nothing (chosen)."""
NEAR_LIMIT = 0.99
"""Share of the rev limit from which on full throttle says nothing of power: it may be cut (chosen)."""
PULLING, OPEN = 0.05, 0.8
"""Shares of full throttle above which the engine drives at all, and above which its full power is seen (chosen)."""
NEAR_TRACTION = 0.95
"""Share of the greatest drive from which on it is not power that holds the car back (chosen)."""
SHARED = 1.5
"""Factor on the standard uncertainties: errors of height and place that recur at the same place in every lap are not seen in how
the laps differ (tuned on simulated laps of a consumer logger)."""
MIN_WINDOWS = 40
"""Windows needed at least (about three for each coefficient, common practice, no source)."""


@dataclass(frozen=True)
class EngineModel:
    """The car's longitudinal model with power by engine speed.

    Attributes
    ----------
    names : tuple of str
        The coefficients: "share" for each inner knot of throttle, "power" for each knot of engine speed, "drag", "rolling"
        and, as far as the data support them, "cornering" and "braking".
    values : ndarray, shape (k,)
        Shares 0..1, power in W/kg, the rest in SI units per unit mass.
    covariance : ndarray, shape (k, k)
    throttle_knots : ndarray
        Throttle as recorded, from zero to full.
    engine_knots : ndarray
        Engine speed, rad/s, evenly spaced over what was seen with the engine driving.
    seen : (float, float)
        Lowest and highest engine speed seen at open throttle, rad/s.
    traction : float
        Greatest drive, m/s2; infinite where none was found.
    misfit : float
        Acceleration left unexplained in a window, root mean square, m/s2.
    windows, laps : int
        What was fitted.
    """

    names: tuple[str, ...]
    values: FloatArray
    covariance: FloatArray
    throttle_knots: FloatArray
    engine_knots: FloatArray
    seen: tuple[float, float]
    traction: float
    misfit: float
    windows: int
    laps: int

    def table(self) -> pd.DataFrame:
        """Power at full throttle by engine speed: engine_speed (rad/s), power and its uncertainty (W/kg)."""
        own = np.array([name == "power" for name in self.names])
        return pd.DataFrame(
            {
                "engine_speed": self.engine_knots,
                "power": self.values[own],
                "power_uncertainty": np.sqrt(np.diag(self.covariance)[own]),
            }
        )


def engine_rate(frame: pd.DataFrame, gearing: Gearing, full_throttle: float) -> tuple[FloatArray, FloatArray]:
    """Gear and engine speed per road speed (rad/m) at each row of a lap; shifts belong to the nearest gear."""
    gear = gearing.gear(frame).ffill().bfill().to_numpy(np.float64)
    throttle = np.nan_to_num(frame["throttle"].to_numpy(np.float64)) / full_throttle
    return gear, gearing.per_road_speed(gear, np.clip(throttle, 0.0, 1.0))


def engine_model(
    frames: Sequence[pd.DataFrame],
    gearing: Gearing,
    model: LongitudinalModel,
    *,
    rev_limit: float,
    window: float = WINDOW,
    knot_spacing: float = KNOT_SPACING,
    bend: float = BEND,
    rolling_band: tuple[float, float] = ROLLING_BAND,
) -> EngineModel:
    """Fit power by engine speed to laps.

    Parameters
    ----------
    frames : sequence of DataFrame
        Lap frames with engine_speed and throttle.
    gearing : Gearing
        The gears of the car.
    model : LongitudinalModel
        The car's model without engine speed: where the fit starts, its knots of throttle, its traction.
    rev_limit : float
        Engine speed at which power is cut, rad/s.
    window : float
        Width of the bumps, m.
    knot_spacing : float
        Share of the engine speed between knots.
    bend : float
        Share of the power by which a knot may lie off the line between its neighbours.
    rolling_band : (float, float)
        Bounds of the rolling resistance, m/s2.

    Returns
    -------
    EngineModel

    Raises
    ------
    LapkitError
        If there is too little open throttle below the rev limit.

    Notes
    -----
    Gauss-Newton with bounds (`scipy.optimize.lsq_linear`) on the product of share and power, windows reweighted after
    Huber, sandwich covariance of blocks of neighbouring windows.

    Examples
    --------
    >>> import lapkit
    >>> from lapkit.analysers.gears.gearing import gears
    >>> session = lapkit.load("sample_data/oval_run.csv")
    >>> frames = [session.lap(n) for n in (2, 3, 4, 5, 6)]
    >>> fitted = engine_model(frames, gears(session), lapkit.longitudinal_model(session), rev_limit=700.0)
    >>> bool(abs(fitted.table()["power"].mean() - 88.0) < 12.0)
    True
    """
    inputs = inputs_of(frames)
    speed = np.maximum(inputs.channels["speed"], 1.0)
    throttle = inputs.channels["throttle"]
    knots = np.array(model.knots)
    full = float(knots[-1])
    rate = np.stack([_padded(engine_rate(frame, gearing, full)[1], speed.shape[1]) for frame in frames])
    turning = rate * speed
    below = turning < NEAR_LIMIT * rev_limit
    open_ = (throttle > OPEN * full) & below
    if open_.sum() < 50:
        raise LapkitError(
            "There is hardly any open throttle below the rev limit, so the engine's power cannot be read."
        )
    seen = np.quantile(turning[open_], [0.002, 0.998])
    low, high = np.quantile(turning[(throttle > PULLING * full) & below], [0.002, 0.998])
    count = int(np.clip(np.ceil(np.log(high / low) / knot_spacing) + 1, 2, 24))
    nodes = np.linspace(low, high, count)
    ramps = throttle_ramps(throttle, knots)
    hats = engine_hats(turning, nodes)
    basis = [ramp * hat / speed for ramp in ramps for hat in hats]
    basis += [-(speed**2), -np.ones(speed.shape)]
    others = ["drag", "rolling"]
    if "cornering" in model.names and "curvature" in inputs.channels:
        basis.append(-((speed**2 * inputs.channels["curvature"]) ** 2))
        others.append("cornering")
    if "braking" in model.names and "brake" in inputs.channels:
        basis.append(-inputs.channels["brake"])
        others.append("braking")
    stack = np.stack(basis, axis=1)
    cut = (throttle > 0.5 * full) & (turning >= NEAR_LIMIT * rev_limit)
    stack[np.repeat((cut | _held(model, throttle, speed))[:, None], stack.shape[1], axis=1)] = np.nan
    rows, target, block = weighed(inputs, stack, window)
    if len(target) < MIN_WINDOWS:
        raise LapkitError(
            f"Only {len(target)} windows of {window:.0f} m lie below the rev limit and within grip, {MIN_WINDOWS} are needed to read "
            "the engine's power."
        )
    pieces = len(knots) - 1
    product = rows[:, : pieces * count].reshape(len(rows), pieces, count)
    names = ("share",) * (pieces - 1) + ("power",) * count + tuple(others)
    start = np.concatenate(
        [
            np.maximum(np.diff(model.power)[:-1] / max(model.power[-1], 1.0), 0.0),
            np.full(count, max(model.power[-1], 1.0)),
            [model.coefficient(name) for name in others],
        ]
    )
    values, covariance, misfit = _fit(
        product, rows[:, pieces * count :], target, block, names, start, rolling_band, knots, bend
    )
    change = np.eye(len(names))  # rises of the share between knots become the share at the knots
    change[: pieces - 1, : pieces - 1] = np.tril(np.ones((pieces - 1, pieces - 1)))
    return EngineModel(
        names,
        change @ values,
        change @ covariance @ change.T,
        knots,
        nodes,
        (float(seen[0]), float(seen[1])),
        model.coefficient("traction"),
        misfit,
        len(target),
        len(frames),
    )


def engine_hats(engine_speed: FloatArray, knots: FloatArray) -> FloatArray:
    """How much each of evenly spaced knots counts at an engine speed, level beyond the ends.

    Examples
    --------
    >>> engine_hats(np.array([450.0, 900.0]), np.array([400.0, 500.0, 600.0])).tolist()
    [[0.5, 0.0], [0.5, 0.0], [0.0, 1.0]]
    """
    at = np.clip((engine_speed - knots[0]) / (knots[1] - knots[0]), 0.0, len(knots) - 1.0)
    return np.stack([np.maximum(1.0 - np.abs(at - k), 0.0) for k in range(len(knots))])


def _padded(values: FloatArray, count: int) -> FloatArray:
    return np.pad(values, (0, count - len(values)), constant_values=np.nan)


def _held(model: LongitudinalModel, throttle: FloatArray, speed: FloatArray) -> np.ndarray:
    """Where drive is held by grip rather than power."""
    return np.asarray(model.power_at(throttle) / speed > NEAR_TRACTION * model.coefficient("traction"))


def _fit(
    product: FloatArray,
    others: FloatArray,
    target: FloatArray,
    block: FloatArray,
    names: tuple[str, ...],
    start: FloatArray,
    rolling_band: tuple[float, float],
    knots: FloatArray,
    bend: float,
    *,
    rounds: int = 12,
    tuning: float = 2.0,
) -> tuple[FloatArray, FloatArray, float]:
    """Shares' rises, power at the knots and the rest: values, covariance, misfit."""
    from scipy.optimize import lsq_linear

    inner, count = names.count("share"), names.count("power")
    low, high = bounds([name for name in names if name not in ("share", "power")], rolling_band)
    low = np.concatenate([np.zeros(inner), np.full(count, 0.1 * start[inner]), low])
    high = np.concatenate([np.ones(inner), np.full(count, 3.0 * start[inner]), high])
    values, weight, scale = np.clip(start, low, high), np.ones(len(target)), 1.0
    jacobian, ties = np.zeros((0, 0)), np.zeros((0, 0))
    for _ in range(rounds):
        rises, power = values[:inner], values[inner : inner + count]
        per_piece = product @ power  # windows, pieces
        shares = np.append(rises, 1.0 - rises.sum())
        per_knot = np.einsum("wij,i->wj", product, shares)
        jacobian = np.concatenate([per_piece[:, :-1] - per_piece[:, -1:], per_knot, others], axis=1)
        predicted = per_knot @ power + others @ values[inner + count :]
        left = target - predicted
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
        weight = np.minimum(1.0, tuning * scale / np.maximum(np.abs(left), 1e-12))
        ties, aim = _ties(inner, count, len(names), knots, scale, bend, float(power.mean()))
        size = np.maximum(np.sqrt(np.mean(jacobian**2, axis=0)), 1e-12)
        root = np.sqrt(weight)[:, None]
        system = np.concatenate([root * jacobian, ties]) / size
        wanted = np.concatenate([root[:, 0] * (left + jacobian @ values), aim])
        update = lsq_linear(system, wanted, (low * size, high * size)).x / size
        done = bool(np.abs((update - values) * size).max() < 1e-7)
        values = update
        if done:
            break
    left = target - np.einsum("wij,i,j->w", product, np.append(values[:inner], 1.0 - values[:inner].sum()),
                              values[inner : inner + count]) - others @ values[inner + count :]  # fmt: skip
    span = np.maximum(high - low, 1e-12)
    rolling = np.array([name == "rolling" for name in names])
    free = ~((values - low < 1e-6 * span) | (high - values < 1e-6 * span)) | rolling
    rows = np.sqrt(weight)[:, None] * jacobian[:, free]
    size = np.maximum(np.sqrt(np.mean(rows**2, axis=0)), 1e-12)
    known = np.diag(np.where(rolling, scale**2 / (span**2 / 12.0), 0.0)[free] / size**2)
    prior = (ties[:, free] / size).T @ (ties[:, free] / size) + known
    rows = rows / size
    inverse = np.linalg.pinv(rows.T @ rows + prior, hermitian=True)
    _, which = np.unique(block, return_inverse=True)
    score = np.zeros((int(which.max()) + 1, rows.shape[1]))
    np.add.at(score, which, rows * (np.sqrt(weight) * left)[:, None])
    middle = score.T @ score * (len(score) / max(len(score) - rows.shape[1], 1)) + scale**2 * prior
    covariance = np.zeros((len(values), len(values)))
    covariance[np.ix_(free, free)] = SHARED**2 * (inverse @ middle @ inverse) / np.outer(size, size)
    return values, covariance, float(np.sqrt(np.mean(left**2)))


def _ties(
    inner: int, count: int, total: int, knots: FloatArray, scale: float, bend: float, power: float
) -> tuple[FloatArray, FloatArray]:
    """Faint rows that hold power to a smooth curve over engine speed, and share to one slope over throttle."""
    width = np.diff(knots)
    rows, aim = np.zeros((inner + max(count - 2, 0), total)), np.zeros(inner + max(count - 2, 0))
    for k in range(inner):  # rise / width of one piece less that of the next; the last rise is what is left of 1
        weight = scale / (CURVE_SPREAD * width[k])
        rows[k, k] = weight
        if k + 1 < inner:
            rows[k, k + 1] = -weight * width[k] / width[k + 1]
        else:
            rows[k, :inner] += weight * width[k] / width[k + 1]
            aim[k] = weight * width[k] / width[k + 1]
    for k in range(count - 2):
        rows[inner + k, inner + k : inner + k + 3] = scale / (bend * power) * np.array([-0.5, 1.0, -0.5])
    return rows, aim
