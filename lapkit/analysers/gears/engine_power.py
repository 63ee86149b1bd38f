"""Power as a function of engine speed, read from the laps themselves together with drag, rolling and cornering.

As in `lapkit.analysers.ledger.energy`, per unit mass and along the path, with the power at a throttle taken as a share of the full
power at the same engine speed:

    a = min(share(throttle) P(n) / v, traction) - kd v^2 - c - ks ay^2 - B brake - g dz/ds

P is piecewise linear between knots of engine speed and gently held to be smooth. In one gear n goes with v, so that P and
drag are told apart only by what the car does with the throttle not open; the covariance says how well. What a change of gears
is worth hangs on how steeply P rises with n, an energy of a few tenths of a joule a kilogram over a straight. So speed is taken
from the engine where that is quieter, height as it was logged, and errors as `window_errors` finds them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from lapkit.analysers.gears.gearing import Gearing
from lapkit.analysers.gears.window_errors import WindowErrors
from lapkit.analysers.ledger.energy import ROLLING_BAND, WINDOW, LongitudinalModel
from lapkit.analysers.ledger.energy_fit import CURVE_SPREAD, bounds, throttle_ramps, weighed
from lapkit.analysers.ledger.inputs import BETWEEN, QUIET, Inputs, inputs_of, smooth, smoothing_length
from lapkit.channels import FloatArray
from lapkit.errors import LapkitError
from lapkit.model.noise import white_noise

KNOT_SPACING = 0.02
"""Share of the engine speed between knots of power (chosen: a power curve bends over longer stretches)."""
BEND = 0.002
"""Share of the power by which a knot is expected to lie off the line between its neighbours (chosen: a parabola that loses 5 % of
its peak 10 % off it)."""
NEAR_LIMIT = 0.99
"""Share of the rev limit from which on full throttle says nothing of power: it may be cut (chosen)."""
PULLING, OPEN = 0.05, 0.8
"""Shares of full throttle above which the engine drives at all, and above which its full power is seen (chosen)."""
NEAR_TRACTION = 0.95
"""Share of the greatest drive from which on it is not power that holds the car back (chosen)."""
QUIETER = 0.7
"""Share of the noise of speed below which that of engine speed, as road speed, must lie to be used for it (chosen)."""
LONGEST_SLIP = 120.0
"""m. Road speed by the engine follows the speed sensor over longer stretches, slip and gearing being never quite known: longest
smoothing of the difference, standard deviation of the Gaussian (chosen)."""
ROUNDS, SETTLED = 12, 6
"""Steps of the fit at most, and the one from which on the covariance of the windows stays as it is (tuned)."""
TUNING = 2.0
"""Sigmas from which on a window counts for less (Huber's weights; chosen)."""
WORSE = 1.5
"""Factor by which the fit may leave more unexplained than the model without engine speed that it starts from (chosen)."""
MIN_WINDOWS = 40
"""Windows needed at least (about three for each coefficient, common practice, no source)."""


@dataclass(frozen=True)
class EngineModel:
    """The car's longitudinal model with power by engine speed."""

    names: tuple[str, ...]
    """"share" for each inner knot of throttle, "power" for each knot of engine speed, "drag", "rolling" and, as far as the data
    support them, "cornering" and "braking"."""
    values: FloatArray  # shares 0..1, power in W/kg, the rest in SI units per unit mass
    covariance: FloatArray
    throttle_knots: FloatArray  # throttle as recorded, from zero to full
    engine_knots: FloatArray  # rad/s, evenly spaced over what was seen with the engine driving
    seen: tuple[float, float]  # lowest and highest engine speed seen at open throttle, rad/s
    traction: float  # greatest drive, m/s2; infinite where none was found
    misfit: float  # acceleration left unexplained in a window, root mean square, m/s2
    windows: int
    laps: int
    height: str  # where height came from, "none" where there is none

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

    def shares(self) -> FloatArray:
        """Share of full power at the knots of throttle."""
        inner = self.values[[name == "share" for name in self.names]]
        return np.concatenate([[0.0], inner, [1.0]])


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
    model : LongitudinalModel
        The car's model without engine speed: where the fit starts, its knots of throttle, its traction.
    rev_limit : float
        Engine speed at which power is cut, rad/s.
    window, knot_spacing, bend, rolling_band
        Width of the bumps (m) and as the constants above; bounds of the rolling resistance, m/s2.

    Raises
    ------
    LapkitError
        If there is too little open throttle below the rev limit, or power by engine speed explains the laps worse than without.

    Notes
    -----
    Gauss-Newton with bounds (`scipy.optimize.lsq_linear`) on the product of share and power; generalised least squares with the
    covariance that the windows themselves show (`window_errors`), reweighted after Huber. The covariance of the coefficients is
    that of the fit; rolling resistance is known beforehand as far as its band says.

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
    channels = {**inputs.channels, "speed": _speed(frames, gearing, inputs, model.knots[-1])}
    if inputs.height == "height":  # as logged: windows smooth enough, and smoothing would hide whose noise it was
        channels["z"] = _stacked(frames, [frame["z"].to_numpy(np.float64) for frame in frames])
    inputs = replace(inputs, channels=channels)
    speed = np.maximum(channels["speed"], 1.0)
    throttle = inputs.channels["throttle"]
    knots = np.array(model.knots)
    full = float(knots[-1])
    rate = _stacked(frames, [engine_rate(frame, gearing, full)[1] for frame in frames])
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
    held = model.power_at(throttle) / speed > NEAR_TRACTION * model.coefficient("traction")  # by grip rather than power
    stack[np.repeat((cut | held)[:, None], stack.shape[1], axis=1)] = np.nan
    place = np.arange(speed.shape[1]) * inputs.step
    # each window's own place and lap
    where = np.stack(np.broadcast_arrays(place, np.arange(len(frames))[:, None]), axis=1)
    rows, target, _ = weighed(inputs, np.concatenate([stack, where], axis=1), window)
    if len(target) < MIN_WINDOWS:
        raise LapkitError(
            f"Only {len(target)} windows of {window:.0f} m lie below the rev limit and within grip, {MIN_WINDOWS} are needed to read "
            "the engine's power."
        )
    pieces = len(knots) - 1
    names = ("share",) * (pieces - 1) + ("power",) * count + tuple(others)
    most = max(model.power[-1], 1.0)
    rises = np.maximum(np.diff(model.power)[:-1] / most, 0.0)
    start = np.concatenate([rises, np.full(count, most), [model.coefficient(name) for name in others]])
    product = rows[:, : pieces * count].reshape(len(rows), pieces, count)
    errors = WindowErrors.of(rows[:, -1], rows[:, -2], inputs.step, window, level=inputs.height != "none")
    rest = rows[:, pieces * count : -2]
    values, covariance, misfit = _fit(product, rest, target, errors, names, start, rolling_band, knots, bend)
    change = np.eye(len(names))  # rises of the share between knots become the share at the knots
    change[: pieces - 1, : pieces - 1] = np.tril(np.ones((pieces - 1, pieces - 1)))
    return EngineModel(
        names, change @ values, change @ covariance @ change.T, knots, nodes, (float(seen[0]), float(seen[1])),
        model.coefficient("traction"), misfit, len(target), len(frames), inputs.height,
    )  # fmt: skip


def engine_hats(engine_speed: FloatArray, knots: FloatArray) -> FloatArray:
    """How much each of evenly spaced knots counts at an engine speed, level beyond the ends.

    Examples
    --------
    >>> engine_hats(np.array([450.0, 900.0]), np.array([400.0, 500.0, 600.0])).tolist()
    [[0.5, 0.0], [0.5, 0.0], [0.0, 1.0]]
    """
    at = np.clip((engine_speed - knots[0]) / (knots[1] - knots[0]), 0.0, len(knots) - 1.0)
    return np.stack([np.maximum(1.0 - np.abs(at - k), 0.0) for k in range(len(knots))])


def _stacked(frames: Sequence[pd.DataFrame], rows: list[FloatArray]) -> FloatArray:
    """Laps as rows, shorter ones filled up."""
    count = max(len(frame) for frame in frames)
    return np.stack([np.pad(row, (0, count - len(row)), constant_values=np.nan) for row in rows])


def _speed(frames: Sequence[pd.DataFrame], gearing: Gearing, inputs: Inputs, full: float) -> FloatArray:
    """Road speed: from the engine in gear, held to the speed sensor over longer stretches, where that is quieter."""
    speed = inputs.channels["speed"]
    in_gear = [
        np.where(gearing.gear(frame).isna(), np.nan, frame["engine_speed"] / engine_rate(frame, gearing, full)[1])
        for frame in frames
    ]
    by_engine = _stacked(frames, in_gear)
    stride = max(int(np.ceil(1.5 * inputs.spacing / inputs.step)), 1)
    noise, own = (white_noise(values, stride=stride) / BETWEEN for values in (speed, by_engine))
    if not own < QUIETER * noise:
        return speed
    sigma = smoothing_length(noise, inputs.spacing, QUIET["speed"], LONGEST_SLIP) / inputs.step
    better = by_engine + smooth(speed - by_engine, sigma)
    return np.asarray(np.where(np.isfinite(better), better, speed))


def _fit(
    product: FloatArray, others: FloatArray, target: FloatArray, errors: WindowErrors, names: tuple[str, ...],
    start: FloatArray, rolling_band: tuple[float, float], knots: FloatArray, bend: float,
) -> tuple[FloatArray, FloatArray, float]:  # fmt: skip
    """Shares' rises, power at the knots and the rest: values, covariance, misfit."""
    from scipy.optimize import lsq_linear

    inner, count = names.count("share"), names.count("power")
    low, high = bounds([name for name in names if name not in ("share", "power")], rolling_band)
    low = np.concatenate([np.zeros(inner), np.full(count, 0.1 * start[inner]), low])
    high = np.concatenate([np.ones(inner), np.full(count, 3.0 * start[inner]), high])
    rolling = np.array([name == "rolling" for name in names])
    values = np.clip(start, low, high)
    own = shared = normal = np.zeros((0, 0))
    left = np.zeros(len(target))
    for turn in range(ROUNDS):
        rises, power = values[:inner], values[inner : inner + count]
        per_piece = product @ power  # windows, pieces
        per_knot = np.einsum("wij,i->wj", product, np.append(rises, 1.0 - rises.sum()))
        jacobian = np.concatenate([per_piece[:, :-1] - per_piece[:, -1:], per_knot, others], axis=1)
        left = target - per_knot @ power - others @ values[inner + count :]
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-6)
        root = np.sqrt(np.minimum(1.0, TUNING * scale / np.maximum(np.abs(left), 1e-12)))
        if turn == 0:  # far off yet: what is left says nothing of the errors
            own, shared = scale**2 * np.eye(errors.size), np.zeros((errors.size, errors.size))
            first = float(np.sqrt(np.mean(left**2)))
        elif turn <= SETTLED:
            own, shared = errors.covariances(root * left)
        known = _known(inner, names, knots, bend, float(power.mean()), rolling_band)
        system = np.concatenate([jacobian, (left + jacobian @ values)[:, None]], axis=1)
        normal = errors.normal(root[:, None] * system, own, shared) + known.T @ known
        size = np.sqrt(np.diag(normal))
        value, vector = np.linalg.eigh(normal / np.outer(size, size))
        triangle = (vector * np.sqrt(np.maximum(value, 0.0))).T  # as good as all the rows
        size = size[:-1] / size[-1]
        update = lsq_linear(triangle[:, :-1], triangle[:, -1], (low * size, high * size)).x / size
        done = bool(np.abs((update - values) * size).max() < 1e-9)
        values = update
        if done and turn > SETTLED:
            break
    misfit = float(np.sqrt(np.mean(left**2)))
    if misfit > WORSE * first:
        raise LapkitError(
            f"The engine's power cannot be read from these laps: by engine speed {misfit:.2g} m/s2 are left unexplained, without it {first:.2g}."
        )
    span = np.maximum(high - low, 1e-12)
    free = ~((values - low < 1e-6 * span) | (high - values < 1e-6 * span)) | rolling
    size = np.sqrt(np.diag(normal)[:-1][free])
    inverse = np.linalg.pinv(normal[:-1, :-1][np.ix_(free, free)] / np.outer(size, size), hermitian=True)
    covariance = np.zeros((len(values), len(values)))
    covariance[np.ix_(free, free)] = inverse / np.outer(size, size)
    return values, covariance, misfit


def _known(
    inner: int, names: tuple[str, ...], knots: FloatArray, bend: float, power: float, rolling_band: tuple[float, float]
) -> FloatArray:
    """What is known beforehand, one row a fact and its value last, in sigmas.

    Share has one slope over throttle, power is smooth over engine speed, rolling resistance lies within its band.
    """
    count, width = names.count("power"), np.diff(knots)
    out = np.zeros((inner + max(count - 2, 0) + 1, len(names) + 1))
    for k in range(inner):  # rise / width of one piece less that of the next; the last rise is what is left of 1
        weight = 1.0 / (CURVE_SPREAD * width[k])
        out[k, k] = weight
        if k + 1 < inner:
            out[k, k + 1] = -weight * width[k] / width[k + 1]
        else:
            out[k, [*range(inner), -1]] += weight * width[k] / width[k + 1]
    for k in range(count - 2):
        out[inner + k, inner + k : inner + k + 3] = np.array([-0.5, 1.0, -0.5]) / (bend * power)
    out[-1, names.index("rolling")] = np.sqrt(12.0) / np.ptp(rolling_band)
    out[-1, -1] = np.sqrt(12.0) * np.mean(rolling_band) / np.ptp(rolling_band)
    return out
