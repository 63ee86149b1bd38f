"""A recorded lap driven again with other gears: pedals by place, power by engine speed, many gears at once."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.gears.engine_power import OPEN, EngineModel
from lapkit.analysers.gears.places import SMOOTHING
from lapkit.analysers.gears.shifts import Shifting, place_of
from lapkit.analysers.ledger.inputs import smooth
from lapkit.analysers.ledger.pair import Pair
from lapkit.analysers.ledger.replay import answer_weight
from lapkit.channels import STANDARD_GRAVITY, FloatArray

EDGE_DOUBT = 0.5
"""Doubt of how power goes on beyond the engine speeds seen: 1 sigma of the exponent in power ~ engine speed ** exponent,
half the way from constant power to constant torque (chosen)."""
EXPONENTS = (-3.0, 1.5)
"""Bounds of that exponent as read from the end of the curve (chosen)."""
SETTLING = 3
"""Laps driven one after another until the lap before has the same gears; the last step is extrapolated (tuned)."""


@dataclass(frozen=True)
class Variants:
    """Gears to try, each with the model as fitted (first) and with one thing moved by its sigma (the rest).

    Arrays of variants have shape (rows * (1 + moves),), moves fastest.
    """

    rows: int  # gears tried
    moves: int  # things moved
    factor: FloatArray  # ratio against the recording of the lower gears
    top_factor: FloatArray  # and of the top gear
    share: FloatArray  # of power at the knots of throttle, zero included, shape (variants, k)
    power: FloatArray  # at the knots of engine speed, W/kg, shape (variants, k)
    edges: FloatArray  # exponents with which it goes on below and above them, shape (variants, 2)
    drag: FloatArray
    rolling: FloatArray
    cornering: FloatArray
    braking: FloatArray
    unread: FloatArray  # acceleration that cannot be read on the limiter, m/s2, as a doubt
    up: FloatArray  # engine speeds of upshifts against those of the recorded lap
    down: FloatArray  # and of downshifts
    answers: FloatArray  # share of a difference of speed that the driver takes back on the brake
    traction: float  # m/s2
    limit: float  # rad/s
    limiter: float  # rad/s
    throttle_knots: FloatArray
    engine_knots: FloatArray
    covariance: FloatArray  # of the moves, in sigmas: their correlation

    @classmethod
    def of(
        cls, engine: EngineModel, factor: FloatArray, top_factor: FloatArray, limit: float, limiter: float,
        shift_spread: float, brake_answers: bool,
    ) -> Variants:  # fmt: skip
        """Lay out every pair of gears and move; `shift_spread` is how surely gears are changed as recorded, share."""
        sigma = np.sqrt(np.diag(engine.covariance))
        moved = np.flatnonzero(sigma > 0)
        fitted, rows = len(moved), len(factor)
        below, above, unread, up, down, answer = fitted + np.array([1, 2, 3, 4, 6, 8])  # up and down either way
        moves = int(answer)
        values = np.repeat(engine.values[None], 1 + moves, axis=0)
        values[1 + np.arange(fitted), moved] += sigma[moved]
        names = np.array(engine.names)
        power = np.maximum(values[:, names == "power"], 0.1)
        ends = np.zeros((1 + moves, 1))
        own = {
            "share": np.concatenate([ends, values[:, names == "share"], ends + 1.0], axis=1),
            "power": power,
            "edges": _edge_exponents(power[:1], engine.engine_knots).repeat(1 + moves, axis=0),
            "unread": np.where(np.arange(1 + moves) == unread, engine.misfit, 0.0),
            "answers": np.abs(float(brake_answers) - (np.arange(1 + moves) == answer)),
        }
        own["edges"][[below, above], [0, 1]] += EDGE_DOUBT
        for name in ("drag", "rolling", "cornering", "braking"):
            own[name] = values[:, names == name].sum(axis=1)  # none is zero
        tiled = {name: np.tile(table, (rows,) + (1,) * (table.ndim - 1)) for name, table in own.items()}
        # with the gears of the recording they were changed where they were
        other = (factor != 1.0) | (top_factor != 1.0)
        for name, move in (("up", up), ("down", down)):
            table = np.ones((rows, 1 + moves))
            table[:, [move, move + 1]] += shift_spread * other[:, None] * np.array([-1.0, 1.0])
            tiled[name] = table.ravel()
        correlation = np.eye(moves)
        correlation[:fitted, :fitted] = engine.covariance[np.ix_(moved, moved)] / np.outer(sigma[moved], sigma[moved])
        correlation[up - 1 : answer - 1, up - 1 : answer - 1] *= 0.5  # of two ways one is true
        return cls(
            rows=rows, moves=moves, factor=factor.repeat(1 + moves), top_factor=top_factor.repeat(1 + moves),
            traction=engine.traction, limit=limit, limiter=limiter, throttle_knots=engine.throttle_knots,
            engine_knots=engine.engine_knots, covariance=correlation, **tiled,
        )  # fmt: skip

    def centre(self, values: NDArray[Any]) -> NDArray[Any]:
        """Values of the model as fitted, one a row."""
        return np.asarray(values.reshape(self.rows, -1)[:, 0])

    def over_rows(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Value and standard uncertainty of each row."""
        table = values.reshape(self.rows, -1)
        change = table[:, 1:] - table[:, :1]
        variance = np.einsum("ri,ij,rj->r", change, self.covariance, change)
        return np.asarray(table[:, 0]), np.sqrt(np.maximum(variance, 0.0))

    def shares(self, throttle: FloatArray) -> FloatArray:
        """Share of power at throttles, shape (throttles, variants)."""
        at = np.interp(throttle, self.throttle_knots, np.arange(len(self.throttle_knots), dtype=np.float64))
        below = np.minimum(at.astype(np.intp), len(self.throttle_knots) - 2)
        part = (at - below)[:, None]
        return np.asarray(self.share[:, below].T * (1.0 - part) + self.share[:, below + 1].T * part)

    def ladder(self, shifting: Shifting) -> FloatArray:
        """Engine speed per road speed of every gear with no slip, rad/m, shape (gears, variants)."""
        top = (np.arange(len(shifting.rates)) == shifting.top)[:, None]
        return np.asarray(shifting.rates[:, None] * np.where(top, self.top_factor, self.factor))

    def drive(self, speed: FloatArray, rate: FloatArray, share: FloatArray) -> FloatArray:
        """Acceleration by the engine at a share of its power and in a gear (rad/m), the limiter not counted, m/s2."""
        knots, turning = self.engine_knots, rate * speed
        at = np.clip((turning - knots[0]) / (knots[1] - knots[0]), 0.0, len(knots) - 1.0)
        below = np.minimum(at.astype(np.intp), len(knots) - 2)
        row = np.arange(len(self.power))
        low = self.power[row, below]
        power = low + (self.power[row, below + 1] - low) * (at - below)
        if (turning < knots[0]).any() or (turning > knots[-1]).any():
            power = power * np.minimum(turning / knots[0], 1.0) ** self.edges[:, 0]
            power = power * np.maximum(turning / knots[-1], 1.0) ** self.edges[:, 1]
        return np.asarray(np.minimum(share * power / speed, self.traction))

    def held(self, speed: FloatArray, scrub: FloatArray) -> FloatArray:
        """Drag, rolling and cornering, m/s2; `scrub` is per speed to the fourth."""
        return np.asarray(self.drag * speed * speed + self.rolling + scrub * speed**4)

    def ahead(
        self, energy: FloatArray, ds: float, share: FloatArray, rate: FloatArray, scrub: FloatArray, fixed: FloatArray,
        guess: float,
    ) -> FloatArray:  # fmt: skip
        """Energy (J/kg) after `ds` metres at a share of power and in a gear (rad/m), implicit in the mean speed.

        `fixed` is energy that comes whatever the speed, J/kg, `guess` what the step may bring in all.
        """
        v0, out = np.sqrt(2.0 * energy), energy + guess
        cut = bool((rate * v0).max() > self.limit - 5.0 * self.limiter)
        for _ in range(4 if cut else 2):  # each brings another three digits; the limiter is stiff
            v1 = np.sqrt(2.0 * np.maximum(out, 0.5))
            v = np.maximum(0.5 * (v0 + v1), 1.0)
            drive = self.drive(v, rate, share)
            stiff: FloatArray | float = 0.0
            if cut:
                left = np.clip(1.0 - (rate * v - self.limit) / self.limiter, 0.0, 1.0)
                stiff = np.where((left > 0.0) & (left < 1.0), drive * rate / self.limiter, 0.0)
                drive = drive * left
            force = drive - self.held(v, scrub)
            out = out - (out - energy - force * ds - fixed) / (1.0 + 0.5 * ds * stiff / v1)
        return out


def _edge_exponents(power: FloatArray, knots: FloatArray) -> FloatArray:
    """Exponent of power in engine speed at both ends, from the last two pieces of the curve."""
    reach = min(2, len(knots) - 1)
    log, n = np.log(power), np.log(knots)
    low = (log[:, reach] - log[:, 0]) / (n[reach] - n[0])
    high = (log[:, -1] - log[:, -1 - reach]) / (n[-1] - n[-1 - reach])
    return np.asarray(np.clip(np.stack([low, high], axis=1), *EXPONENTS))


@dataclass(frozen=True)
class Driven:
    """A lap cell by cell, as each of the variants drives it."""

    place: FloatArray  # where each cell begins, m
    metres: FloatArray
    open: NDArray[np.bool_]  # cells of open throttle
    speed: FloatArray  # m/s, shape (cells, variants)
    turning: FloatArray  # engine speed, rad/s

    @property
    def time(self) -> FloatArray:
        """Time in each cell, s."""
        return np.asarray(self.metres[:, None] / self.speed)

    def at_limit(self, limit: float) -> tuple[FloatArray, FloatArray]:
        """Where the limit (rad/s) is first met, m, NaN if not; and for how long in all, s."""
        met = self.turning >= limit
        first = np.where(met.any(axis=0), self.place[np.argmax(met, axis=0)], np.nan)
        return first, np.where(met, self.time, 0.0).sum(axis=0)

    def at_top(self, start: float, end: float) -> FloatArray:
        """Engine speed where road speed is highest between two places, across the line too, rad/s."""
        step = self.place[1] - self.place[0]
        along = np.mod(self.place - start, self.place[-1] + step)
        order = np.argsort(along, kind="stable")
        inside = order[along[order] <= end - start]
        even = smooth(self.speed[inside].T, SMOOTHING / step).T
        top = np.argmax(even, axis=0), np.arange(even.shape[1])
        return np.asarray(even[top] * (self.turning[inside] / self.speed[inside])[top])

    def outside(self, low: float, high: float) -> NDArray[np.bool_]:
        """Whether the engine turns slower or faster than so at open throttle (rad/s)."""
        turning = self.turning[self.open]
        return np.asarray((turning.max(axis=0, initial=0.0) > high) | (turning.min(axis=0, initial=np.inf) < low))


Steps = tuple[FloatArray, FloatArray, FloatArray, FloatArray]
"""Length (m), share of power, energy that comes whatever the speed (J/kg) and scrub (per speed to the fourth) of every step."""


@dataclass(frozen=True)
class Course:
    """What the car meets and what the driver does, cell by cell of a recorded lap."""

    place: FloatArray  # where each cell begins, m
    metres: FloatArray
    energy: FloatArray  # as recorded, J/kg
    brake: FloatArray
    curvature: FloatArray
    climb: FloatArray  # from middle to middle of the cells, m
    shifting: Shifting
    rate: FloatArray  # engine speed per road speed as recorded, rad/m
    weight: FloatArray  # share of a difference of energy that the driver takes back

    @classmethod
    def of(
        cls, pair: Pair, gear: FloatArray, rate: FloatArray, rates: dict[float, float], highest: float, engine: EngineModel
    ) -> Course:  # fmt: skip
        """Read a lap.

        `gear` and `rate` are those of the rows of its frame, `rates` those of every gear with no slip; `highest` is the top gear.
        """
        nodes = pair.place

        def own(name: str) -> FloatArray:
            return np.nan_to_num(pair.channels[name][0]) if name in pair.channels else np.zeros(len(nodes))

        metres, taken = pair.metres[0], np.diff(pair.time[0])
        speed, height, brake = metres / taken, own("z"), own("brake")[:-1]
        row = np.clip(np.round(nodes[:-1] / pair.step).astype(np.intp), 0, len(gear) - 1)
        ladder = np.array(list(rates.values()))
        step = np.searchsorted(list(rates), gear[row])
        shifting = Shifting.of(
            step, ladder, place_of(highest, rates), rate[row] / ladder[step], speed, taken, own("throttle")[:-1], engine.throttle_knots, engine.shares()
        )  # fmt: skip
        return cls(
            place=nodes[:-1], metres=metres, energy=0.5 * speed**2, brake=brake, curvature=own("curvature")[:-1],
            climb=0.5 * (height[2:] - height[:-2]), shifting=shifting, rate=rate[row], weight=answer_weight(brake[1:]),
        )  # fmt: skip

    def recorded(self, full_throttle: float) -> Driven:
        """Return the lap as it was recorded, one variant."""
        speed = np.sqrt(2.0 * self.energy)[:, None]
        return self._driven(speed, self.rate[:, None] * speed, full_throttle)

    def _driven(self, speed: FloatArray, turning: FloatArray, full_throttle: float) -> Driven:
        return Driven(self.place, self.metres, self.shifting.throttle > OPEN * full_throttle, speed, turning)

    def drive(self, variants: Variants, before: Course) -> Driven:
        """Drive every variant, after the lap `before`; that one after itself until it starts as it ends."""
        energy, rate, _ = self.run(variants, self._with_rest(variants)[0], *before._settled(variants))
        speed = np.sqrt(2.0 * energy)
        return self._driven(speed, rate * speed, variants.throttle_knots[-1])

    def _settled(self, variants: Variants) -> tuple[FloatArray, NDArray[np.intp]]:
        """Energy (J/kg) and gears above the recording with which a lap both starts and ends."""
        count = len(variants.factor)
        steps, recorded = self._with_rest(variants)
        shift, above = np.zeros(count), np.zeros(count, dtype=np.intp)
        seen: list[tuple[FloatArray, FloatArray]] = []
        for _ in range(SETTLING):
            energy, _, last = self.run(variants, steps, shift, above)
            above = last - recorded
            seen.append((shift, energy[-1] - self.energy[-1]))
            shift = seen[-1][1]
            if len(seen) > 1:  # the start that comes back as the end, by the last two
                (a0, b0), (a1, b1) = seen[-2:]
                moved = np.abs(a1 - a0) > 1e-9
                slope = np.clip(np.where(moved, (b1 - b0) / np.where(moved, a1 - a0, 1.0), 0.0), -0.5, 0.95)
                shift = a1 + (b1 - a1) / (1.0 - slope)
        return shift, above

    def steps(self, variants: Variants) -> Steps:
        """Every step from the middle of a cell to that of the next."""
        step = 0.5 * (self.metres[1:] + self.metres[:-1])
        share = variants.shares(self.shifting.throttle[1:])
        fixed = -(self.brake[1:] * step)[:, None] * variants.braking - (STANDARD_GRAVITY * self.climb)[:, None]
        scrub = (self.curvature[1:] ** 2)[:, None] * variants.cornering
        return step, share, fixed, scrub

    def _with_rest(self, variants: Variants) -> tuple[Steps, int]:
        """Steps with what the model leaves unexplained of the recorded lap, gears changed by rule, and the lap's last gear.

        On the limiter it cannot be read.
        """
        step, share, fixed, scrub = self.steps(variants)
        speed, shifting = np.sqrt(2.0 * self.energy), self.shifting
        rate, driving = np.empty(len(step)), np.empty(len(step))
        gear, cut, ladder = np.array([shifting.first]), np.zeros(1), shifting.rates[:, None]
        for j, ds in enumerate(step.tolist()):
            gear, cut, own, drive = shifting.step(j + 1, gear, cut, ladder, speed[j : j + 1], ds, variants.limit)
            rate[j], driving[j] = own[0], drive[0]
        middle = 0.5 * (speed[1:] + speed[:-1])
        force = variants.drive(middle[:, None], rate[:, None], driving[:, None] * share) - variants.held(
            middle[:, None], scrub
        )
        rest = np.diff(self.energy)[:, None] - force * step[:, None] - fixed
        if np.isfinite(variants.limit):
            limited = (rate * middle >= variants.limit - 0.3 * variants.limiter) & (shifting.throttle[1:] > 0.0)
            rest[limited] = step[limited, None] * variants.unread
        return (step, share, fixed + rest, scrub), int(gear[0])

    def run(
        self, variants: Variants, steps: Steps, shift: FloatArray, above: NDArray[np.intp]
    ) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
        """Drive once, from energy and gear so much above the recorded.

        Energy (J/kg) and engine speed per road speed (rad/m) in every cell, shape (cells, variants), and the last gear.
        """
        step, share, fixed, scrub = steps
        shifting, ladder, gain = self.shifting, variants.ladder(self.shifting), np.diff(self.energy).tolist()
        gear = np.clip(shifting.first + above, 0, len(ladder) - 1)
        energy = np.empty((len(self.metres), len(shift)))
        used = np.empty(energy.shape)
        energy[0] = e = np.maximum(self.energy[0] + shift, 0.5)
        used[0] = ladder[gear, np.arange(len(shift))] * shifting.slip[0]
        cut = np.zeros(len(shift))
        # A sequential integration: one step at a time, all variants at once, each step implicit in its mean speed.
        for j, ds in enumerate(step.tolist()):
            gear, cut, rate, driving = shifting.step(
                j + 1, gear, cut, ladder, np.sqrt(2.0 * e), ds, variants.limit, variants.up, variants.down
            )
            ahead = variants.ahead(e, ds, share[j] * driving, rate, scrub[j], fixed[j], gain[j])
            kept = 1.0 - self.weight[j] * variants.answers
            e = np.maximum(self.energy[j + 1] + (ahead - self.energy[j + 1]) * kept, 0.5)
            energy[j + 1], used[j + 1] = e, rate
        return energy, used, gear
