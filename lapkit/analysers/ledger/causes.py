"""What was done differently between two laps: energy gained by each cause, step by step."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.energy_fit import throttle_hats
from lapkit.analysers.ledger.inputs import zeroed
from lapkit.analysers.ledger.pair import Pair
from lapkit.channels import STANDARD_GRAVITY, FloatArray


@dataclass(frozen=True)
class Causes:
    """Energy gained from the middle of one cell to the middle of the next because of each cause, J/kg."""

    steps: dict[str, FloatArray]
    levels: dict[
        str, FloatArray
    ]  # what the cause gives in either lap on the mean, J/kg per step: its slope tells misplacing
    fade: FloatArray  # lam ds
    gradient: FloatArray  # (coefficients, nodes) of the sum of all causes
    own: dict[str, list[int]]  # cause -> its coefficients
    missing: dict[str, str]
    force: FloatArray  # (2, nodes), m/s2: all that the model expects but the climb


def causes_of(pair: Pair, model: LongitudinalModel, speed: FloatArray, way: FloatArray | None) -> Causes:
    """Divide what was done differently between the middles of neighbouring cells, at the mean state of the two laps.

    Parameters
    ----------
    pair : Pair
        Two laps.
    model : LongitudinalModel
        Their car.
    speed : ndarray, shape (2, cells)
        m/s.
    way : ndarray, shape (2, cells), or None
        Metres of each cell on either line.

    Returns
    -------
    Causes
    """
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
        fade = fade + scrub * zeroed(bend.mean(axis=0)) * 2.0 * (square[0] + square[1]) * ds
        force = force - scrub * zeroed(bend) * square**2
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
        steps["longer_way"] = zeroed(force).mean(axis=0) * (more[1] - more[0])
        levels["longer_way"] = np.zeros(v.shape[1])
    return Causes(steps, levels, zeroed(fade), zeroed(gradient), own, missing, force)
