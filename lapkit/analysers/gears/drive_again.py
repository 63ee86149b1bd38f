"""A recorded lap driven again with other gears: pedals by place, power by engine speed, many gears at once."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.gears.engine_power import EngineModel, engine_hats
from lapkit.analysers.gears.places import SMOOTHING
from lapkit.analysers.gears.shifts import Shifting
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
    top: int  # which of the gears found is the top gear, counted from 0; -1 where it was not used
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
        cls, engine: EngineModel, factor: FloatArray, top_factor: FloatArray, top: int, limit: float, limiter: float,
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
            rows=rows, moves=moves, factor=factor.repeat(1 + moves), top_factor=top_factor.repeat(1 + moves), top=top,
            traction=engine.traction, limit=limit, limiter=limiter, throttle_knots=engine.throttle_knots,
            engine_knots=engine.engine_knots, covariance=correlation, **tiled,
        )  # fmt: skip

    def without_limit(self) -> Variants:
        """Return the same with no rev limit."""
        return replace(self, limit=np.inf)

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

    def pull(self, turning: FloatArray) -> FloatArray:
        """Full power at engine speeds, W/kg, the limiter not counted; one engine speed a variant."""
        knots = self.engine_knots
        last = len(knots) - 1
        at = np.clip((turning - knots[0]) / (knots[1] - knots[0]), 0.0, last)
        below = np.minimum(at.astype(np.intp), last - 1)
        row = np.arange(len(turning))
        low = self.power[row, below]
        power = low + (self.power[row, below + 1] - low) * (at - below)
        if (turning < knots[0]).any() or (turning > knots[-1]).any():
            power = power * np.minimum(turning / knots[0], 1.0) ** self.edges[:, 0]
            power = power * np.maximum(turning / knots[-1], 1.0) ** self.edges[:, 1]
        return np.asarray(power)

    def ahead(
        self, energy: FloatArray, ds: float, share: FloatArray, rate: FloatArray,
        scrub: FloatArray | float = 0.0, fixed: FloatArray | float = 0.0, guess: float = 0.0,
    ) -> FloatArray:  # fmt: skip
        """Energy (J/kg) after `ds` metres at a share of power and in a gear (rad/m), implicit in the mean speed.

        `scrub` is per speed to the fourth; `fixed` is energy that comes whatever the speed, J/kg, `guess` what the step
        may bring in all.
        """
        v0, out = np.sqrt(2.0 * energy), energy + guess
        cut = bool((rate * v0).max() > self.limit - 5.0 * self.limiter)
        for _ in range(4 if cut else 2):  # each brings another three digits; the limiter is stiff
            v1 = np.sqrt(2.0 * np.maximum(out, 0.5))
            v = np.maximum(0.5 * (v0 + v1), 1.0)
            drive = np.minimum(share * self.pull(rate * v) / v, self.traction)
            stiff: FloatArray | float = 0.0
            if cut:
                left = np.clip(1.0 - (rate * v - self.limit) / self.limiter, 0.0, 1.0)
                stiff = np.where((left > 0.0) & (left < 1.0), drive * rate / self.limiter, 0.0)
                drive = drive * left
            force = drive - self.drag * v * v - self.rolling - scrub * v**4
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
    """Laps as driven by the variants."""

    lap_time: FloatArray  # s, shape (variants,)
    speed_at_line: FloatArray  # m/s
    limit_distance: FloatArray  # where the limit is first met, m; NaN if not
    limiter_time: FloatArray  # s
    most: FloatArray  # highest and
    least: FloatArray  # lowest engine speed at open throttle, rad/s
    place: FloatArray  # m, shape (cells,)
    speed: FloatArray  # m/s, shape (cells, variants)
    turning: FloatArray  # rad/s

    def turning_at_top(self, start: float, end: float) -> FloatArray:
        """Engine speed where road speed is highest between two places, across the line too, rad/s."""
        return _turning_at_top(self.place, self.speed, self.turning, start, end)

    def first(self, count: int) -> Driven:
        """Return the first so many variants."""
        own = {field.name: getattr(self, field.name) for field in fields(self) if field.name != "place"}
        return replace(self, **{name: values[..., :count] for name, values in own.items()})


def _turning_at_top(place: FloatArray, speed: FloatArray, turning: FloatArray, start: float, end: float) -> FloatArray:
    step = place[1] - place[0]
    along = np.mod(place - start, place[-1] + step)
    order = np.argsort(along, kind="stable")
    inside = order[along[order] <= end - start]
    even = smooth(speed[inside].T, SMOOTHING / step).T
    top = np.argmax(even, axis=0), np.arange(even.shape[1])
    return np.asarray(even[top] * (turning[inside] / speed[inside])[top])


@dataclass(frozen=True)
class Course:
    """What the car meets and what the driver does, cell by cell of a recorded lap."""

    place: FloatArray  # where each cell begins, m
    metres: FloatArray
    energy: FloatArray  # as recorded, J/kg
    throttle: FloatArray
    brake: FloatArray
    curvature: FloatArray
    climb: FloatArray  # from middle to middle of the cells, m
    shifting: Shifting
    rate: FloatArray  # engine speed per road speed as recorded, rad/m
    weight: FloatArray  # share of a difference of energy that the driver takes back
    lap_time: float
    length: float

    @classmethod
    def of(
        cls, pair: Pair, gear: FloatArray, rate: FloatArray, rates: dict[float, float], engine: EngineModel
    ) -> Course:
        """Read a lap; `gear` and `rate` are those of the rows of its frame, `rates` those of every gear with no slip."""
        nodes = pair.place

        def own(name: str) -> FloatArray:
            return np.nan_to_num(pair.channels[name][0]) if name in pair.channels else np.zeros(len(nodes))

        metres, taken = pair.metres[0], np.diff(pair.time[0])
        speed, height, brake = metres / taken, own("z"), own("brake")[:-1]
        row = np.clip(np.round(nodes[:-1] / pair.step).astype(np.intp), 0, len(gear) - 1)
        ladder = np.array(list(rates.values()))
        step = np.searchsorted(np.array(list(rates)), gear[row])
        shifting = Shifting.of(
            step, ladder, rate[row] / ladder[step], speed, taken, own("throttle")[:-1], engine.throttle_knots, engine.shares()
        )  # fmt: skip
        return cls(
            place=nodes[:-1], metres=metres, energy=0.5 * speed**2, throttle=shifting.throttle, brake=brake,
            curvature=own("curvature")[:-1], climb=0.5 * (height[2:] - height[:-2]), shifting=shifting, rate=rate[row],
            weight=answer_weight(brake[1:]), lap_time=pair.lap_time[0], length=pair.length,
        )  # fmt: skip

    @property
    def speed_at_line(self) -> float:
        """Speed in the last cell as recorded, m/s."""
        return float(np.sqrt(2.0 * self.energy[-1]))

    def turning_at_top(self, start: float, end: float) -> float:
        """Engine speed as recorded where road speed is highest between two places, rad/s."""
        speed = np.sqrt(2.0 * self.energy)[:, None]
        return float(_turning_at_top(self.place, speed, self.rate[:, None] * speed, start, end)[0])

    def reaches(self, engine_speed: float) -> bool:
        """Whether the recorded lap turned the engine so fast, rad/s."""
        return bool((self.rate * np.sqrt(2.0 * self.energy) >= engine_speed).any())

    def drive(self, variants: Variants, before: Course | None = None) -> Driven:
        """Drive every variant, after the lap `before` or after the same lap; that one after itself until it starts as it ends."""
        lead = before or self
        shift, gears = lead._settled(variants)
        start = np.clip(self.shifting.first + gears, 0, len(self.shifting.rates) - 1)
        rest, _ = self._rest(variants)
        energy, rate, _ = self._run(variants, rest, self.energy[0] + shift, start)
        speed = np.sqrt(2.0 * energy)
        time = self.metres[:, None] / speed
        turning = rate * speed
        met = turning >= variants.limit
        first = np.where(met.any(axis=0), self.place[np.argmax(met, axis=0)], np.nan)
        open_ = self.throttle > 0.8 * variants.throttle_knots[-1]
        return Driven(
            time.sum(axis=0), speed[-1], first, np.where(met, time, 0.0).sum(axis=0), turning[open_].max(axis=0, initial=0.0),
            turning[open_].min(axis=0, initial=np.inf), self.place, speed, turning,
        )  # fmt: skip

    def _settled(self, variants: Variants) -> tuple[FloatArray, NDArray[np.intp]]:
        """Energy (J/kg) and gears above the recording with which a lap both starts and ends."""
        count = len(variants.factor)
        rest, recorded = self._rest(variants)
        shift, gears = np.zeros(count), np.zeros(count, dtype=np.intp)
        seen: list[tuple[FloatArray, FloatArray]] = []
        for _ in range(SETTLING):
            first = np.clip(self.shifting.first + gears, 0, len(self.shifting.rates) - 1)
            energy, _, last = self._run(variants, rest, self.energy[0] + shift, first)
            gears = last - recorded
            seen.append((shift, energy[-1] - self.energy[-1]))
            shift = seen[-1][1]
            if len(seen) > 1:  # the start that comes back as the end, by the last two
                (a0, b0), (a1, b1) = seen[-2:]
                moved = np.abs(a1 - a0) > 1e-9
                slope = np.clip(np.where(moved, (b1 - b0) / np.where(moved, a1 - a0, 1.0), 0.0), -0.5, 0.95)
                shift = a1 + (b1 - a1) / (1.0 - slope)
        return shift, gears

    def _steps(self, variants: Variants) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        """Length (m), share of power, braking and climbing (J/kg), and scrub (per speed to the fourth) of every step."""
        step = 0.5 * (self.metres[1:] + self.metres[:-1])
        share = variants.shares(self.throttle[1:])
        fixed = -(self.brake[1:] * step)[:, None] * variants.braking - (STANDARD_GRAVITY * self.climb)[:, None]
        scrub = (self.curvature[1:] ** 2)[:, None] * variants.cornering
        return step, share, fixed, scrub

    def _recorded_gears(self, limit: float) -> tuple[FloatArray, FloatArray, int]:
        """Engine speed per road speed and share of drive in every step if the recorded lap is shifted by rule; the last gear."""
        shifting, metres = self.shifting, self.metres.tolist()
        speed = np.sqrt(2.0 * self.energy)
        rate, driving = np.empty(len(metres) - 1), np.empty(len(metres) - 1)
        gear, cut, ladder = np.array([shifting.first]), np.zeros(1), shifting.rates[:, None]
        for j in range(len(metres) - 1):
            after = shifting.change(j + 1, gear, ladder, speed[j : j + 1], limit)
            cut = np.where(after > gear, shifting.cut_time, cut)
            gear = after
            taken = 0.5 * (metres[j] + metres[j + 1]) / speed[j]
            driving[j] = 1.0 - shifting.cut_share * np.minimum(cut / taken, 1.0)[0]
            cut = np.maximum(cut - taken, 0.0)
            rate[j] = shifting.rates[gear[0]] * shifting.slip[j + 1]
        return rate, driving, int(gear[0])

    def _rest(self, variants: Variants) -> tuple[FloatArray, int]:
        """Energy that the model leaves unexplained of the recorded lap in each step, and its last gear.

        On the limiter it cannot be read.
        """
        rate, driving, last = self._recorded_gears(variants.limit)
        step, share, fixed, scrub = self._steps(variants)
        speed, knots = np.sqrt(2.0 * self.energy), variants.engine_knots
        middle = 0.5 * (speed[1:] + speed[:-1])
        v, n = middle[:, None], (rate * middle)[:, None]
        power = engine_hats(n[:, 0], knots).T @ variants.power.T
        power *= np.minimum(n / knots[0], 1.0) ** variants.edges[:, 0]
        power *= np.maximum(n / knots[-1], 1.0) ** variants.edges[:, 1]
        force = np.minimum(driving[:, None] * share * power / v, variants.traction)
        force -= variants.drag * v * v + variants.rolling + scrub * v**4
        out = np.diff(self.energy)[:, None] - force * step[:, None] - fixed
        limited = (rate * middle >= variants.limit - 0.3 * variants.limiter) & (self.throttle[1:] > 0.0)
        if np.isfinite(variants.limit):
            out[limited] = step[limited, None] * variants.unread
        return out, last

    def _run(
        self, variants: Variants, rest: FloatArray, start: FloatArray, gear: NDArray[np.intp]
    ) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
        """Energy (J/kg) and engine speed per road speed (rad/m) in every cell, shape (cells, variants), and the last gear."""
        step, share, fixed, scrub = self._steps(variants)
        fixed, gain = fixed + rest, np.diff(self.energy).tolist()
        shifting, row = self.shifting, np.arange(len(start))
        ladder = shifting.rates[:, None] * np.where(
            variants.top == np.arange(len(shifting.rates))[:, None], variants.top_factor, variants.factor
        )
        energy = np.empty((len(self.metres), len(start)))
        used = np.empty(energy.shape)
        energy[0] = e = np.maximum(start, 0.5)
        used[0] = ladder[gear, row] * shifting.slip[0]
        cut = np.zeros(len(start))
        # A sequential integration: one step at a time, all variants at once, each step implicit in its mean speed.
        for j, ds in enumerate(step.tolist()):
            v0 = np.sqrt(2.0 * e)
            after = shifting.change(j + 1, gear, ladder, v0, variants.limit, variants.up, variants.down)
            cut = np.where(after > gear, shifting.cut_time, cut)
            gear = after
            taken = ds / v0
            asked = share[j] * (1.0 - shifting.cut_share * np.minimum(cut / taken, 1.0))
            cut = np.maximum(cut - taken, 0.0)
            rate = ladder[gear, row] * shifting.slip[j + 1]
            ahead = variants.ahead(e, ds, asked, rate, scrub[j], fixed[j], gain[j])
            kept = 1.0 - self.weight[j] * variants.answers
            e = np.maximum(self.energy[j + 1] + (ahead - self.energy[j + 1]) * kept, 0.5)
            energy[j + 1], used[j + 1] = e, rate
        return energy, used, gear
