"""How the ledger divides the difference of two laps: charges by cause on every cell of the grid, and their noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lapkit.analysers.energy import LongitudinalModel
from lapkit.analysers.energy_fit import throttle_hats
from lapkit.analysers.lap_inputs import left_of_noise, smooth
from lapkit.analysers.lap_pair import Pair, line_metres, turned
from lapkit.channels import STANDARD_GRAVITY, FloatArray

BRAKE_ON = 0.02
"""Brake above which a lap is in a braking zone, 0..1 (chosen: twice the step it is usually written in)."""
LEAST_SIGMA = 5e-4
"""s. Standard uncertainty of any cell at the least: half the thousandth that lap times are given to (chosen)."""
MEMORY = 40.0
"""m over which an error of the model or of a sensor is one and the same (chosen: a second at 40 m/s)."""


@dataclass(frozen=True)
class Split:
    """What each cell of the grid is charged with, s, by cause."""

    charges: dict[str, FloatArray]
    sigma: dict[str, FloatArray]  # by segment
    carried_in: float
    carried_in_sigma: float
    energy_difference: FloatArray
    missing: dict[str, str]
    notes: list[str]


@dataclass(frozen=True)
class _Ground:
    """Steps 1 and 2, exact: metres against speed, cell by cell, and what is known of their noise."""

    slowness: FloatArray  # (2, cells), s/m
    metres: FloatArray  # mean of the two laps
    way: FloatArray | None  # (2, cells): metres by the shape of the line
    direct: FloatArray  # s, for the longer way itself
    misfit: FloatArray  # s, for a place that ran ahead or behind
    lower: FloatArray  # s, for lower speed
    shift: float  # m, error of place of one lap against the other
    lateral: float  # m, the same across the track, drift from lap to lap included
    edges: FloatArray  # s, noise of misfit in each segment
    turn: FloatArray  # rad in each cell

    @classmethod
    def of(cls, pair: Pair, first_cell: Any) -> _Ground:
        slowness = np.diff(pair.time, axis=1) / pair.metres
        metres, mean_slowness = pair.metres.mean(axis=0), slowness.mean(axis=0)
        longer = mean_slowness * (pair.metres[1] - pair.metres[0])
        way = line_metres(pair)
        direct = np.zeros(len(longer)) if way is None else mean_slowness * (way[1] - way[0])
        shift, crossing = _both(pair.place_error), _both(pair.lap_time_sigma)
        # s per metre in each segment, times an error of place at either end of it
        pace = np.add.reduceat(mean_slowness * metres, first_cell) / np.add.reduceat(metres, first_cell)
        edges = np.sqrt(2.0) * shift * pace
        edges[[0, -1]] = np.hypot(edges[[0, -1]], crossing)
        return cls(
            slowness, metres, way, direct, longer - direct, metres * (slowness[1] - slowness[0]),
            shift, float(np.hypot(shift, crossing * pair.speed_at_line)), edges, turned(pair),
        )  # fmt: skip


def _both(sigmas: list[float]) -> float:
    return float(np.hypot(sigmas[0], sigmas[1]))


NO_POSITION = "it needs position (x, y or latitude, longitude) all round both laps"


def divide(pair: Pair, model: LongitudinalModel, first_cell: Any, *, throttle_step: float) -> Split:
    """Divide the difference of two laps among causes and cells.

    Parameters
    ----------
    pair : Pair
        The two laps; the first is the one compared with.
    model : LongitudinalModel
        The car. One that is not ok leaves the exact split into longer way and lower speed.
    first_cell : ndarray of int, shape (segments,)
        First cell of each segment, for the uncertainties.
    throttle_step : float
        Step in which throttle is written, 0..1.

    Returns
    -------
    Split
    """
    ground = _Ground.of(pair, first_cell)
    if model.ok:
        split = _split(pair, ground, model, first_cell, throttle_step)
    else:
        split = _by_speed(pair, ground, model, first_cell)
    sigma = {name: np.hypot(values, LEAST_SIGMA) for name, values in split.sigma.items()}
    return replace(split, sigma=sigma, carried_in_sigma=float(np.hypot(split.carried_in_sigma, LEAST_SIGMA)))


def _by_speed(pair: Pair, ground: _Ground, model: LongitudinalModel, first_cell: Any) -> Split:
    """The exact split alone: each metre is charged what it cost there."""
    mean_slowness = ground.slowness.mean(axis=0)
    charges = {"longer_way": ground.direct, "lower_speed": ground.lower, "unexplained": ground.misfit}
    noise = (np.sqrt(2.0) * pair.inputs.noise["speed"] * mean_slowness**2) ** 2 * ground.metres * pair.inputs.spacing
    sigma = {
        "longer_way": ground.lateral * np.abs(np.add.reduceat(ground.turn * mean_slowness, first_cell)),
        "lower_speed": np.sqrt(np.add.reduceat(noise, first_cell)),
        "unexplained": ground.edges,
    }
    missing = dict.fromkeys(("throttle", "brake", "cornering", "elevation"), "it needs a model of the car")
    if ground.way is None:
        missing["longer_way"] = NO_POSITION
        del charges["longer_way"], sigma["longer_way"]
    energy = 0.5 * ground.slowness**-2
    notes = [f"The car's model was not used ({model.reason}): lower speed stands where it was paid."]
    return Split(charges, sigma, np.nan, np.nan, energy[1] - energy[0], missing, notes)


def _split(pair: Pair, ground: _Ground, model: LongitudinalModel, first_cell: Any, throttle_step: float) -> Split:
    """Charge what was done differently with the time it cost there and all the way after."""
    speed, metres = 1.0 / ground.slowness, ground.metres
    weight = 2.0 * metres / (speed[0] * speed[1] * (speed[0] + speed[1]))  # s per J/kg in each cell
    energy = 0.5 * speed**2
    raw = energy[1] - energy[0]
    made = _causes(pair, model, speed, ground.way)
    fade = np.clip(made.fade, 0.0, 1.0)
    kept = (1.0 - 0.5 * fade) / (1.0 + 0.5 * fade)

    # noise of speed is smoothed about what the model expects, so that no ramp of a pedal is blurred
    known = sum(np.nan_to_num(step) for step in made.steps.values()) - 0.5 * fade * (raw[1:] + raw[:-1])
    expected = np.append(0.0, np.cumsum(known))
    difference = expected + smooth(raw - expected, pair.inputs.sigma["speed"] / pair.step)
    flutter = -weight * (raw - difference)  # charged where it stands

    if "brake" in made.steps:
        pedal = pair.channels["brake"][:, 1:-1].max(axis=0)
        share, made.steps["brake"] = _answer(made.steps["brake"], pedal, difference[:-1])
        kept = kept * (1.0 - share)
    logs = np.append(0.0, np.cumsum(np.log(kept)))
    if logs[-1] < -600.0:  # exp(-600) is as far as numbers go; a longer memory is as exact
        logs *= -600.0 / logs[-1]
        kept = np.exp(np.diff(logs))
    carry = np.exp(logs)
    cost = np.cumsum((weight * carry)[::-1])[::-1] / carry  # K, s per J/kg that is there as a cell begins

    notes: list[str] = []
    charges: dict[str, FloatArray] = {}
    rest = difference[1:] - kept * difference[:-1]
    for name, step in made.steps.items():
        unknown = ~np.isfinite(step)
        holes = float(np.sum(np.diff(pair.place)[1:][unknown]))
        if holes > 2.0 * pair.step:
            notes.append(f"For {holes:.0f} m {name.replace('_', ' ')} is not known; it stands as unexplained there.")
        given = np.where(unknown, 0.0, step) / (1.0 + 0.5 * fade)
        rest = rest - given
        charges[name] = np.append(0.0, -given * cost[1:])
    missing = dict(made.missing)
    if ground.way is None:
        missing["longer_way"] = NO_POSITION
    else:
        charges["longer_way"] = charges["longer_way"] + ground.direct
    charges["unexplained"] = np.append(0.0, -rest * cost[1:]) + ground.misfit + flutter

    sigma = _uncertainty(pair, ground, model, made, cost, first_cell, throttle_step)
    blur = np.sqrt(2.0) * left_of_noise(pair.inputs, "speed") * speed.mean(axis=0) * cost  # s, where two segments meet
    sigma["unexplained"] = _unexplained(pair, ground, model, list(sigma.values()), cost, weight, blur, first_cell)
    return Split(
        charges, sigma, float(-difference[0] * cost[0]), float(2.0 * blur[0]), np.asarray(difference), missing, notes
    )


def _unexplained(
    pair: Pair,
    ground: _Ground,
    model: LongitudinalModel,
    others: list[FloatArray],
    cost: FloatArray,
    weight: FloatArray,
    blur: FloatArray,
    first_cell: Any,
) -> FloatArray:
    """Standard uncertainty of what is left: noise of speed and place, misfit of the model, and all that was set against it."""
    edges = blur[np.append(first_cell, len(blur) - 1)]
    lengths = np.add.reduceat(np.diff(pair.place), first_cell)
    wander = np.sqrt(2.0) * model.misfit * np.add.reduceat(cost * ground.metres, first_cell)
    wander *= np.sqrt(np.minimum(MEMORY / np.maximum(lengths, 1.0), 1.0))
    noise = np.sqrt(2.0) * pair.inputs.noise["speed"] / ground.slowness.mean(axis=0) * weight
    own = np.add.reduceat(noise**2 * pair.inputs.spacing / np.diff(pair.place), first_cell)
    variance = edges[:-1] ** 2 + edges[1:] ** 2 + own + wander**2 + ground.edges**2
    return np.asarray(np.sqrt(variance + np.sum(np.square(others), axis=0)))


def _answer(brake: FloatArray, pedal: FloatArray, difference: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Part of a difference of energy that the driver's brake takes back, and what of the brake is left to enter.

    A driver brakes down to the speed of the corner: who arrives slower brakes less, and that is an answer to the
    difference, not something else done differently. As far as the brake works against the difference, that is forgotten
    rather than entered under brake. Without this a difference ahead of a hairpin would be charged for a speed in it that no
    driver would let happen, and the brake credited with as much.

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
    share, left : ndarray, shape (n,)
        Share of the difference forgotten in each step, 0..0.95, and the energy to be entered under brake.
    """
    gain = np.nan_to_num(brake)
    against = (np.nan_to_num(pedal) > BRAKE_ON) & (gain * difference < 0)
    share = np.where(against, np.minimum(-gain / np.where(against, difference, 1.0), 0.95), 0.0)
    return share, brake + share * difference


@dataclass(frozen=True)
class _Causes:
    """Energy gained from the middle of one cell to the middle of the next because of each cause, J/kg."""

    steps: dict[str, FloatArray]
    levels: dict[
        str, FloatArray
    ]  # what the cause gives in either lap on the mean, J/kg per step: its slope tells misplacing
    fade: FloatArray  # lam ds
    gradient: FloatArray  # (coefficients, nodes) of the sum of all causes
    own: dict[str, list[int]]  # cause -> its coefficients
    missing: dict[str, str]


def _causes(pair: Pair, model: LongitudinalModel, speed: FloatArray, way: FloatArray | None) -> _Causes:
    """Divide what was done differently between the middles of neighbouring cells, at the mean state of the two laps."""
    at = {name: values[:, 1:-1] for name, values in pair.channels.items()}
    v = np.maximum(0.5 * (speed[:, 1:] + speed[:, :-1]), 1.0)
    ds = 0.25 * (pair.metres[:, 1:] + pair.metres[:, :-1]).sum(axis=0)
    square = v**2
    steps: dict[str, FloatArray] = {}
    levels: dict[str, FloatArray] = {}
    missing: dict[str, str] = {}
    own: dict[str, list[int]] = {}
    gradient = np.zeros((len(model.names), v.shape[1]))
    drag, traction = model.coefficient("drag"), model.coefficient("traction")
    fade = 2.0 * drag * ds
    force = -drag * square - model.coefficient("rolling")

    throttle = at.get("throttle")
    if throttle is None:
        missing["throttle"] = "it needs the throttle of both laps"
    else:
        power = model.power_at(throttle)
        pull = np.minimum(power / v, traction)
        crossed = np.minimum(power[::-1] / v, traction)  # the other lap's throttle at this lap's speed
        steps["throttle"] = 0.5 * ((crossed[0] - pull[0]) + (pull[1] - crossed[1])) * ds
        fall = 0.5 * ((crossed[1] - pull[0]) + (pull[1] - crossed[0]))  # the same throttles at the other speed
        apart = 0.5 * (square[1] - square[0])
        free = (power / v < traction).mean(axis=0)
        local = free * power.mean(axis=0) * 2.0 / (v[0] * v[1] * (v[0] + v[1]))
        far = np.abs(v[1] - v[0]) > 0.01
        fade = fade + np.where(far, -fall / np.where(far, apart, 1.0), local) * ds
        force = force + pull
        levels["throttle"] = pull.mean(axis=0) * ds
        own["throttle"] = [k for k, name in enumerate(model.names) if name == "power"]
        hats = throttle_hats(throttle, model.knots)
        gradient[own["throttle"]] = (hats[:, 1] - hats[:, 0]) * free * 0.5 * (1.0 / v[0] + 1.0 / v[1]) * ds
    brake = at.get("brake")
    if brake is None:
        missing["brake"] = (
            "the brake was never used" if pair.inputs.brake == "never used" else "it needs the brake of both laps"
        )
    elif "braking" not in model.names:
        missing["brake"] = "the model of the car has no brake in it"
    else:
        strength = model.coefficient("braking")
        steps["brake"] = -strength * (brake[1] - brake[0]) * ds
        levels["brake"] = -strength * brake.mean(axis=0) * ds
        force = force - strength * brake
        own["brake"] = [model.names.index("braking")]
        gradient[own["brake"][0]] = -(brake[1] - brake[0]) * ds
    curvature = at.get("curvature")
    if curvature is None:
        missing["cornering"] = "it needs position, yaw rate or lateral acceleration"
    elif "cornering" not in model.names:
        missing["cornering"] = "the model of the car has no cornering in it"
    else:
        scrub, bend = model.coefficient("cornering"), curvature**2
        fourth = (square**2).mean(axis=0)
        steps["cornering"] = -scrub * (bend[1] - bend[0]) * fourth * ds
        levels["cornering"] = -scrub * bend.mean(axis=0) * fourth * ds
        fade = fade + scrub * np.nan_to_num(bend.mean(axis=0)) * 2.0 * (square[0] + square[1]) * ds
        force = force - scrub * np.nan_to_num(bend) * square**2
        own["cornering"] = [model.names.index("cornering")]
        gradient[own["cornering"][0]] = -(bend[1] - bend[0]) * fourth * ds
    height = pair.channels.get("z")
    if height is None:
        missing["elevation"] = "it needs height (z), or banking with position"
    else:
        climb = 0.5 * (height[:, 2:] - height[:, :-2])
        steps["elevation"] = -STANDARD_GRAVITY * (climb[1] - climb[0])
        levels["elevation"] = -STANDARD_GRAVITY * climb.mean(axis=0)
    if way is not None:
        more = 0.5 * (way[:, 1:] + way[:, :-1])
        steps["longer_way"] = np.nan_to_num(force).mean(axis=0) * (more[1] - more[0])
        levels["longer_way"] = np.zeros(v.shape[1])
    return _Causes(steps, levels, np.nan_to_num(fade), np.nan_to_num(gradient), own, missing)


def _uncertainty(
    pair: Pair,
    ground: _Ground,
    model: LongitudinalModel,
    made: _Causes,
    cost: FloatArray,
    first_cell: Any,
    throttle_step: float,
) -> dict[str, FloatArray]:
    """Standard uncertainty of each cell by place, model, sampling and quantisation, s; unexplained comes after."""
    out: dict[str, FloatArray] = {}
    price, mean_slowness = cost[1:], ground.slowness.mean(axis=0)

    def by_segment(values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(np.append(0.0, values), first_cell))

    for name, level in made.levels.items():
        # the same a little further on: what an error of place changes
        slope = np.gradient(np.nan_to_num(level), pair.place[1:-1])
        variance = (ground.shift * by_segment(slope * price)) ** 2
        ours = made.own.get(name, [])
        if ours:
            change = np.stack([by_segment(made.gradient[k] * price) for k in ours], axis=1)
            variance += np.einsum("si,ij,sj->s", change, model.covariance[np.ix_(ours, ours)], change)
        if name == "throttle":
            throttle = pair.channels["throttle"][:, 1:-1].mean(axis=0)
            part = (throttle > model.knots[0] + 0.02) & (throttle < model.knots[-1] - 0.02)
            steep = float(model.power[-1] / model.knots[-1]) * throttle_step / np.sqrt(6.0)
            each = part * price * steep * (mean_slowness * ground.metres)[1:]
            variance += by_segment(each**2) * MEMORY / pair.step
        if name == "longer_way":
            variance += (ground.lateral * np.add.reduceat(ground.turn * mean_slowness, first_cell)) ** 2
        if name == "elevation":
            left = np.sqrt(2.0) * left_of_noise(pair.inputs, "z") * STANDARD_GRAVITY
            ends = cost[np.append(first_cell, len(cost) - 1)]
            variance += left**2 * (ends[:-1] ** 2 + ends[1:] ** 2)
        out[name] = np.sqrt(variance)
    return out
