"""How the ledger divides the difference of two laps: charges by cause on every cell of the grid, and their noise."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from lapkit.analysers.ledger.answers import answers_in, costs, forgotten_share
from lapkit.analysers.ledger.causes import Causes, causes_of
from lapkit.analysers.ledger.energy import LongitudinalModel
from lapkit.analysers.ledger.inputs import left_of_noise, smooth, zeroed
from lapkit.analysers.ledger.pair import Pair, line_metres, turned
from lapkit.analysers.ledger.pedal_sampling import between_samples
from lapkit.channels import STANDARD_GRAVITY, FloatArray

LEAST_SIGMA = 5e-4
"""s. Standard uncertainty of any cell at the least: half the thousandth that lap times are given to (chosen)."""
MEMORY = 40.0
"""m over which an error of the model or of a sensor is one and the same (chosen: a second at 40 m/s)."""
SPEED_SCALE = 2e-4
"""Share by which the scale of a speed sensor may differ from lap to lap, one sigma (chosen: tyres grow and slip, no source)."""
FORM_SHARE = 0.03
"""Share of what carried-in speed costs that a model of this form errs by, one sigma (seen on simulated laps)."""
APART_SHARE = 0.3
"""Share of the model's misfit that two laps of one car do not have in common, where too few laps show it (seen on simulated
laps)."""
BRAKED_SHARE = 0.06
"""The same where drivers brake: how much of a difference a braking zone takes back is seen through noise (seen likewise)."""
CAUSE_SHARE = 0.01
"""The same share of what a cause costs: in what order causes are exchanged, and the form of the model (seen on simulated laps)."""
LINE_END = 2.0
"""A straight line fitted to one side only is this much less sure at its end than one fitted to both (local linear fit)."""


@dataclass(frozen=True)
class Split:
    """What each cell of the grid is charged with, s, by cause."""

    charges: dict[str, FloatArray]
    sigma: dict[str, FloatArray]  # by segment
    whole: dict[str, float]  # of a whole lap: less than its segments' where what one gains the next loses
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
    way: FloatArray | None  # (2, cells): metres on either line
    direct: FloatArray  # s, for the longer way itself
    misfit: FloatArray  # s, for a place that ran ahead or behind
    lower: FloatArray  # s, for lower speed
    shift: float  # m, error of place of one lap against the other
    by_line: float  # share of the metres on either line that the shape of the line tells; speed tells the rest
    line_sigma: FloatArray  # s in each segment, noise of metres by the shape of the line
    speed_sigma: FloatArray  # s in each segment, noise of metres by speed
    whole_speed_sigma: float  # s, the same of the whole lap

    @classmethod
    def of(cls, pair: Pair, first_cell: Any) -> _Ground:
        slowness = np.diff(pair.time, axis=1) / pair.metres
        metres, mean_slowness = pair.metres.mean(axis=0), slowness.mean(axis=0)
        longer = mean_slowness * (pair.metres[1] - pair.metres[0])
        way, turn = line_metres(pair), turned(pair)
        shift, crossing = _both(pair.place_error), _both(pair.lap_time_sigma)
        lateral = float(np.hypot(shift, crossing * pair.speed_at_line))
        # metres by the line feel drift across the track, metres by speed drift along it: the surer counts for more
        across = lateral**2 * float((np.add.reduceat(turn, first_cell) ** 2).sum())
        along = shift**2 + (SPEED_SCALE * pair.length) ** 2
        by_line = along / (along + across) if along + across > 0 else 1.0
        direct = np.zeros(len(longer))
        if way is not None:
            way = by_line * way + (1.0 - by_line) * pair.metres
            direct = mean_slowness * (way[1] - way[0])
        # s per metre in each segment, times an error of place at either end of it
        pace = np.add.reduceat(mean_slowness * metres, first_cell) / np.add.reduceat(metres, first_cell)
        edges = np.sqrt(2.0) * shift * pace
        edges[[0, -1]] = np.hypot(edges[[0, -1]], crossing)
        steps = shift * np.diff(pace)  # what one segment wins by a place that is off, its neighbour loses
        whole = float(np.sqrt((steps**2).sum() + 2.0 * crossing**2))
        return cls(
            slowness, metres, way, direct, longer - direct, metres * (slowness[1] - slowness[0]), shift, by_line,
            lateral * np.abs(np.add.reduceat(turn * mean_slowness, first_cell)), edges, whole,
        )  # fmt: skip

    @property
    def way_sigma(self) -> FloatArray:
        """Noise of the longer way itself in each segment, s."""
        return np.asarray(np.hypot(self.by_line * self.line_sigma, (1.0 - self.by_line) * self.speed_sigma))

    @property
    def misfit_sigma(self) -> FloatArray:
        """Noise of what the two ways of counting metres disagree by, in each segment, s."""
        if self.way is None:
            return self.speed_sigma
        return np.asarray(self.by_line * np.hypot(self.line_sigma, self.speed_sigma))

    @property
    def whole_sigma(self) -> tuple[float, float]:
        """Noise of the longer way itself and of the misfit over the whole lap, s."""
        line = float(np.sqrt((self.line_sigma**2).sum()))
        if self.way is None:
            return 0.0, self.whole_speed_sigma
        way = np.hypot(self.by_line * line, (1.0 - self.by_line) * self.whole_speed_sigma)
        return float(way), float(self.by_line * np.hypot(line, self.whole_speed_sigma))


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
    variance = {name: own**2 for name, own in split.sigma.items()}
    whole = {name: split.whole.get(name, 0.0) ** 2 or float(own.sum()) for name, own in variance.items()}
    if model.ok:
        for name in set(variance) - {"unexplained"}:  # what a cause errs by is left unexplained
            form = (CAUSE_SHARE * np.add.reduceat(split.charges[name], first_cell)) ** 2
            for one in (name, "unexplained"):
                variance[one] = variance[one] + form
                whole[one] += float((CAUSE_SHARE * split.charges[name].sum()) ** 2)
    return replace(
        split,
        sigma={name: np.sqrt(own + LEAST_SIGMA**2) for name, own in variance.items()},
        whole={name: float(np.sqrt(own + LEAST_SIGMA**2)) for name, own in whole.items()},
        carried_in_sigma=float(np.hypot(split.carried_in_sigma, LEAST_SIGMA)),
    )


def _by_speed(pair: Pair, ground: _Ground, model: LongitudinalModel, first_cell: Any) -> Split:
    """The exact split alone: each metre is charged what it cost there."""
    mean_slowness = ground.slowness.mean(axis=0)
    charges = {"longer_way": ground.direct, "lower_speed": ground.lower, "unexplained": ground.misfit}
    noise = (np.sqrt(2.0) * pair.inputs.noise["speed"] * mean_slowness**2) ** 2 * ground.metres * pair.inputs.spacing
    sigma = {
        "longer_way": ground.way_sigma,
        "lower_speed": np.sqrt(np.add.reduceat(noise, first_cell)),
        "unexplained": ground.misfit_sigma,
    }
    missing = dict.fromkeys(("throttle", "brake", "cornering", "elevation"), "it needs a model of the car")
    if ground.way is None:
        missing["longer_way"] = NO_POSITION
        del charges["longer_way"], sigma["longer_way"]
    energy = 0.5 * ground.slowness**-2
    notes = [f"The car's model was not used ({model.reason}): lower speed stands where it was paid."]
    way, misfit = ground.whole_sigma
    whole = {"unexplained": misfit} if ground.way is None else {"longer_way": way, "unexplained": misfit}
    return Split(charges, sigma, whole, np.nan, np.nan, energy[1] - energy[0], missing, notes)


def _split(pair: Pair, ground: _Ground, model: LongitudinalModel, first_cell: Any, throttle_step: float) -> Split:
    """Charge what was done differently with the time it cost there and all the way after."""
    recorded = np.maximum(0.5 * (pair.channels["speed"][:, 1:] + pair.channels["speed"][:, :-1]), 1.0)
    speed = np.where(np.isfinite(recorded), recorded, 1.0 / ground.slowness)
    weight = 2.0 * ground.metres / (speed[0] * speed[1] * (speed[0] + speed[1]))  # s per J/kg in each cell
    energy = 0.5 * speed**2
    raw = energy[1] - energy[0]
    made = causes_of(pair, model, speed, ground.way)
    unseen = between_samples(pair, model, made.force, np.diff(energy, axis=1))
    for name, (more, _) in unseen.items():
        made.steps[name] = made.steps[name] + (more[1] - more[0])
    fade = np.clip(made.fade, 0.0, 1.0)
    kept = (1.0 - 0.5 * fade) / (1.0 + 0.5 * fade)

    # noise of speed is smoothed about what the model expects, so that no ramp of a pedal is blurred
    expected = sum((zeroed(step) for step in made.steps.values()), -0.5 * fade * (raw[1:] + raw[:-1]))
    expected = np.append(0.0, np.cumsum(expected))
    difference = expected + smooth(raw - expected, pair.inputs.sigma["speed"] / pair.step)
    flutter = ground.lower + weight * difference  # what is not so exactly so much energy: charged where it stands

    left = left_of_noise(pair.inputs, "speed")
    if "brake" in made.steps:
        share = forgotten_share(pair, made.steps["brake"], energy, difference, blur=left, shift=ground.shift)
        made.steps["brake"] = made.steps["brake"] + share * difference[:-1]
        kept = kept * (1.0 - share)
    given = {name: zeroed(step) / (1.0 + 0.5 * fade) for name, step in made.steps.items()}
    cost, own = costs(weight, kept, difference, given, answers_in(pair, given, difference))

    notes: list[str] = []
    charges: dict[str, FloatArray] = {}
    rest = difference[1:] - kept * difference[:-1]
    for name, step in made.steps.items():
        unknown = ~np.isfinite(step)
        holes = float(np.sum(np.diff(pair.place)[1:][unknown]))
        if holes > 2.0 * pair.step:
            notes.append(f"For {holes:.0f} m {name.replace('_', ' ')} is not known; it stands as unexplained there.")
        rest = rest - given[name]
        charges[name] = np.append(0.0, -given[name] * own[name] * cost[1:])
    missing = dict(made.missing)
    if ground.way is None:
        missing["longer_way"] = NO_POSITION
    else:
        charges["longer_way"] = charges["longer_way"] + ground.direct
    charges["unexplained"] = np.append(0.0, -rest * cost[1:]) + ground.misfit + flutter

    doubt = _Doubt(pair, ground, model, made, np.abs(cost), first_cell)
    unsure = {name: variance.sum(axis=0) for name, (_, variance) in unseen.items()}
    hidden, seen = doubt.of_causes(throttle_step, unsure)
    blur = np.sqrt(2.0) * left * speed.mean(axis=0) * np.abs(cost)  # s, where two segments meet
    rest_variance = doubt.of_rest(weight, blur) + sum(seen.values())
    unexplained = np.add.reduceat(charges["unexplained"], first_cell)
    sigma = {name: np.sqrt(own + _told(seen[name], rest_variance, unexplained)) for name, own in hidden.items()}
    sigma["unexplained"] = np.sqrt(rest_variance)
    carried_in = float(-difference[0] * cost[0])
    way, misfit = ground.whole_sigma
    whole = {
        name: float(np.sqrt(max((sigma[name] ** 2 - part**2).sum(), 0.0) + total**2))
        for name, part, total in (("longer_way", ground.way_sigma, way), ("unexplained", ground.misfit_sigma, misfit))
        if name in sigma
    }
    slope = float(np.sqrt(np.mean(np.diff(energy, axis=1) ** 2))) / pair.step  # what braking lets an error of place do
    ahead = ground.shift * slope * abs(float(cost[0]))
    form = BRAKED_SHARE if "brake" in made.steps else FORM_SHARE
    carried_sigma = float(np.sqrt((LINE_END * blur[0]) ** 2 + ahead**2 + (form * carried_in) ** 2))
    return Split(charges, sigma, whole, carried_in, carried_sigma, np.asarray(difference), missing, notes)


def _told(variance: FloatArray, all_of_rest: FloatArray, rest: FloatArray) -> FloatArray:
    """Mean square of a cause's error, given what is left unexplained: an error of the cause would show there too.

    Of two normal errors whose sum is known, each has a share of it by its variance (a textbook's conditional normal).
    """
    share = variance / np.maximum(all_of_rest, 1e-30)
    return np.asarray(np.minimum(variance, variance * (1.0 - share) + (share * rest) ** 2))


@dataclass(frozen=True)
class _Doubt:
    """How sure the cells are, by segment."""

    pair: Pair
    ground: _Ground
    model: LongitudinalModel
    made: Causes
    cost: FloatArray
    first_cell: Any

    def _by_segment(self, values: FloatArray) -> FloatArray:
        return np.asarray(np.add.reduceat(np.append(0.0, values), self.first_cell))

    def of_causes(
        self, throttle_step: float, unseen: dict[str, FloatArray]
    ) -> tuple[dict[str, FloatArray], dict[str, FloatArray]]:
        """Variance of each cause, s2: what leaves nothing unexplained, and what is then left unexplained.

        By place; and by model, sampling and quantisation. An error of place shifts speed with the pedals: nothing is left by it.
        """
        pair, ground, model, made, first_cell = self.pair, self.ground, self.model, self.made, self.first_cell
        price = self.cost[1:]
        hidden: dict[str, FloatArray] = {}
        seen: dict[str, FloatArray] = {}
        for name, level in made.levels.items():
            # the same a little further on: what an error of place changes
            slope = zeroed(np.gradient(level, pair.place[1:-1]))
            place = (ground.shift * self._by_segment(slope * price)) ** 2
            variance = np.zeros(len(first_cell))
            ours = made.own.get(name, [])
            if ours:
                change = np.stack([self._by_segment(made.gradient[k] * price) for k in ours], axis=1)
                variance += np.einsum("si,ij,sj->s", change, model.covariance[np.ix_(ours, ours)], change)
            if name in unseen:
                variance += self._by_segment(unseen[name] * price**2)
            if name == "throttle" and throttle_step > 0:
                throttle = pair.channels["throttle"][:, 1:-1]
                part = (throttle > model.knots[0] + 0.02) & (throttle < model.knots[-1] - 0.02)
                steep = float(model.power[-1] / model.knots[-1]) * throttle_step / np.sqrt(12.0)
                each = price * steep * (ground.slowness * ground.metres)[:, 1:]
                # a pedal held still is off by one and the same; one that moves is off anew from step to step
                moving = np.abs(zeroed(np.gradient(throttle, pair.place[1:-1], axis=1)))
                alike = np.clip(throttle_step / np.maximum(moving, 1e-9), pair.inputs.spacing, MEMORY)
                variance += self._by_segment((part * each**2 * alike).sum(axis=0)) / pair.step
            if name == "longer_way":
                place = place + ground.way_sigma**2
            if name == "elevation":
                left = np.sqrt(2.0) * left_of_noise(pair.inputs, "z") * STANDARD_GRAVITY
                ends = self.cost[np.append(first_cell, len(self.cost) - 1)]
                variance += left**2 * (ends[:-1] ** 2 + ends[1:] ** 2)
            hidden[name], seen[name] = place, variance
        return hidden, seen

    def of_rest(self, weight: FloatArray, blur: FloatArray) -> FloatArray:
        """Variance of what is left by noise of speed, disagreement of metres and misfit of the model, s2."""
        pair, ground, first_cell = self.pair, self.ground, self.first_cell
        edges = blur[np.append(first_cell, len(blur) - 1)]
        lengths = np.add.reduceat(np.diff(pair.place), first_cell)
        apart = self.model.apart if np.isfinite(self.model.apart) else APART_SHARE * self.model.misfit
        wander = np.sqrt(2.0) * apart * np.add.reduceat(self.cost * ground.metres, first_cell)
        wander *= np.sqrt(np.minimum(MEMORY / np.maximum(lengths, 1.0), 1.0))
        noise = np.sqrt(2.0) * pair.inputs.noise["speed"] / ground.slowness.mean(axis=0) * weight
        own = np.add.reduceat(noise**2 * pair.inputs.spacing / np.diff(pair.place), first_cell)
        return np.asarray(edges[:-1] ** 2 + edges[1:] ** 2 + own + wander**2 + ground.misfit_sigma**2)
