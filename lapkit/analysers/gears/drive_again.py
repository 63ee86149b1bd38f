"""A recorded lap driven again with other gears: pedals by place, power by engine speed, many gears at once."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from lapkit.analysers.gears.engine_power import EngineModel
from lapkit.analysers.gears.shifts import Shifting
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
    """Gears to try, each with the model as fitted (first) and with one coefficient moved by its sigma (the rest).

    Attributes
    ----------
    rows, moves : int
        Gears tried, and coefficients moved; arrays of variants have shape (rows * (1 + moves),), moves fastest.
    factor, top_factor : ndarray
        Ratio against the recording, of the lower gears and of the top gear.
    top : int
        Which of the gears found is the top gear, counted from 0; -1 where it was not used.
    share, power : ndarray, shape (variants, k)
        Share of power at the knots of throttle, zero included; power at the knots of engine speed, W/kg.
    edges : ndarray, shape (variants, 2)
        Exponents with which power goes on below and above the knots.
    drag, rolling, cornering, braking : ndarray
        Coefficients.
    unread : ndarray
        Acceleration that the recording does not show, being on the limiter there, m/s2: what the model usually misses, as a doubt.
    traction, limit, limiter : float
        m/s2, rad/s, rad/s.
    covariance : ndarray, shape (moves, moves)
        Of the moves, in sigmas: their correlation.
    """

    rows: int
    moves: int
    factor: FloatArray
    top_factor: FloatArray
    top: int
    share: FloatArray
    power: FloatArray
    edges: FloatArray
    drag: FloatArray
    rolling: FloatArray
    cornering: FloatArray
    braking: FloatArray
    unread: FloatArray
    traction: float
    limit: float
    limiter: float
    throttle_knots: FloatArray
    engine_knots: FloatArray
    covariance: FloatArray

    @classmethod
    def of(
        cls, engine: EngineModel, factor: FloatArray, top_factor: FloatArray, top: int, limit: float, limiter: float
    ) -> Variants:
        """Lay out every pair of gears and move."""
        sigma = np.sqrt(np.diag(engine.covariance))
        moved = np.flatnonzero(sigma > 0)
        values = np.repeat(engine.values[None], 1 + len(moved) + 3, axis=0)
        values[1 + np.arange(len(moved)), moved] += sigma[moved]
        own = {name: np.array([n == name for n in engine.names]) for name in set(engine.names)}
        power = np.maximum(values[:, own["power"]], 0.1)
        edges = _edge_exponents(power[:1], engine.engine_knots).repeat(len(values), axis=0)
        edges[-3, 0] += EDGE_DOUBT
        edges[-2, 1] += EDGE_DOUBT
        unread = np.append(np.zeros(len(values) - 1), engine.misfit)
        inner = values[:, own["share"]] if "share" in own else np.zeros((len(values), 0))
        share = np.concatenate([np.zeros((len(values), 1)), inner, np.ones((len(values), 1))], axis=1)
        none = np.zeros(len(values))
        single = {
            name: values[:, own[name]][:, 0] if name in own else none
            for name in ("drag", "rolling", "cornering", "braking")
        }
        moves, rows = len(values) - 1, len(factor)
        correlation = np.eye(moves)
        correlation[: len(moved), : len(moved)] = engine.covariance[np.ix_(moved, moved)] / np.outer(
            sigma[moved], sigma[moved]
        )

        def tiled(values: FloatArray) -> FloatArray:
            return np.tile(values, (rows,) + (1,) * (values.ndim - 1))

        return cls(
            rows=rows,
            moves=moves,
            factor=factor.repeat(moves + 1),
            top_factor=top_factor.repeat(moves + 1),
            top=top,
            share=tiled(share),
            power=tiled(power),
            edges=tiled(edges),
            drag=tiled(single["drag"]),
            rolling=tiled(single["rolling"]),
            cornering=tiled(single["cornering"]),
            braking=tiled(single["braking"]),
            unread=tiled(unread),
            traction=engine.traction,
            limit=limit,
            limiter=limiter,
            throttle_knots=engine.throttle_knots,
            engine_knots=engine.engine_knots,
            covariance=correlation,
        )

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

    def uncut(self, turning: FloatArray) -> FloatArray:
        """Share of the power that the limiter leaves."""
        return np.asarray(np.clip(1.0 - (turning - self.limit) / self.limiter, 0.0, 1.0))


def _edge_exponents(power: FloatArray, knots: FloatArray) -> FloatArray:
    """Exponent of power in engine speed at both ends, from the last two pieces of the curve."""
    reach = min(2, len(knots) - 1)
    log, n = np.log(power), np.log(knots)
    low = (log[:, reach] - log[:, 0]) / (n[reach] - n[0])
    high = (log[:, -1] - log[:, -1 - reach]) / (n[-1] - n[-1 - reach])
    return np.asarray(np.clip(np.stack([low, high], axis=1), *EXPONENTS))


@dataclass(frozen=True)
class Driven:
    """Laps as driven by the variants.

    Attributes
    ----------
    lap_time, speed_at_line : ndarray, shape (variants,)
        s, m/s.
    limit_distance, limiter_time : ndarray
        Where the limit is first met (m, NaN if not) and for how long (s).
    most, least : ndarray
        Highest and lowest engine speed at open throttle, rad/s.
    place : ndarray, shape (cells,)
        m.
    speed, turning : ndarray, shape (cells, variants)
        m/s and rad/s.
    """

    lap_time: FloatArray
    speed_at_line: FloatArray
    limit_distance: FloatArray
    limiter_time: FloatArray
    most: FloatArray
    least: FloatArray
    place: FloatArray
    speed: FloatArray
    turning: FloatArray

    def turning_at_top(self, start: float, end: float) -> FloatArray:
        """Engine speed where road speed is highest between two places, across the line too, rad/s."""
        length = self.place[-1] + self.place[1] - self.place[0]
        inside = np.mod(self.place - start, length) <= end - start
        top = np.argmax(self.speed[inside], axis=0)
        return np.asarray(self.turning[inside][top, np.arange(self.speed.shape[1])])


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
        cls,
        pair: Pair,
        gear: FloatArray,
        rate: FloatArray,
        rates: dict[float, float],
        engine: EngineModel,
        *,
        answers: bool,
    ) -> Course:
        """Read a lap; `gear` and `rate` are those of the rows of its frame, `rates` those of every gear with no slip."""
        nodes = pair.place

        def own(name: str) -> FloatArray:
            zero = np.zeros(len(nodes) - 1)
            return np.nan_to_num(pair.channels[name][0][:-1]) if name in pair.channels else zero

        metres, taken = pair.metres[0], np.diff(pair.time[0])
        height = np.nan_to_num(pair.channels["z"][0]) if "z" in pair.channels else np.zeros(len(nodes))
        row = np.clip(np.round(nodes[:-1] / pair.step).astype(np.intp), 0, len(gear) - 1)
        brake, ladder = own("brake"), np.array(list(rates.values()))
        step = np.searchsorted(np.array(list(rates)), gear[row])
        shifting = Shifting.of(
            step, ladder, rate[row] / ladder[step], metres / taken, taken, own("throttle"), engine.throttle_knots, engine.shares()
        )  # fmt: skip
        return cls(
            nodes[:-1],
            metres,
            0.5 * (metres / taken) ** 2,
            shifting.throttle,
            brake,
            own("curvature"),
            0.5 * (height[2:] - height[:-2]),
            shifting,
            rate[row],
            answer_weight(brake[1:]) if answers else np.zeros(len(metres) - 1),
            pair.lap_time[0],
            pair.length,
        )

    @property
    def speed_at_line(self) -> float:
        """Speed in the last cell as recorded, m/s."""
        return float(np.sqrt(2.0 * self.energy[-1]))

    def reaches(self, engine_speed: float) -> bool:
        """Whether the recorded lap turned the engine so fast, rad/s."""
        return bool((self.rate * np.sqrt(2.0 * self.energy) >= engine_speed).any())

    def drive(self, variants: Variants) -> Driven:
        """Drive every variant: laps one after another, until the start of the lap is that of a lap with the same gears."""
        count = len(variants.factor)
        recorded = self._recorded_gears(variants.limit)
        rest = self._rest(variants, *recorded)
        shift, first = np.zeros(count), np.full(count, self.shifting.first)
        seen: list[tuple[FloatArray, FloatArray]] = []
        for _ in range(SETTLING):
            energy, _, last = self._run(variants, rest, self.energy[0] + shift, first)
            first = np.clip(self.shifting.first + last - recorded[2], 0, len(self.shifting.rates) - 1)
            end = energy[-1] - self.energy[-1]
            seen.append((shift, end))
            if len(seen) > 1:  # the start that comes back as the end, by the last two
                (a0, b0), (a1, b1) = seen[-2:]
                slope = np.where(
                    np.abs(a1 - a0) > 1e-9, (b1 - b0) / np.where(np.abs(a1 - a0) > 1e-9, a1 - a0, 1.0), 0.0
                )
                slope = np.clip(slope, -0.5, 0.95)
                shift = a1 + (b1 - a1) / (1.0 - slope)
            else:
                shift = end
        energy, rate, _ = self._run(variants, rest, self.energy[0] + shift, first)
        speed = np.sqrt(2.0 * energy)
        time = self.metres[:, None] / speed
        turning = rate * speed
        met = turning >= variants.limit
        first = np.where(met.any(axis=0), self.place[np.argmax(met, axis=0)], np.nan)
        open_ = self.throttle > 0.8 * variants.throttle_knots[-1]
        return Driven(
            time.sum(axis=0),
            speed[-1],
            first,
            np.where(met, time, 0.0).sum(axis=0),
            turning[open_].max(axis=0) if open_.any() else np.zeros(count),
            turning[open_].min(axis=0) if open_.any() else np.full(count, np.inf),
            self.place,
            speed,
            turning,
        )

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

    def _rest(self, variants: Variants, rate: FloatArray, driving: FloatArray, _: int) -> FloatArray:
        """Energy that the model leaves unexplained of the recorded lap in each step; on the limiter it cannot be read."""
        step, share, fixed, scrub = self._steps(variants)
        speed = np.sqrt(2.0 * self.energy)
        middle = 0.5 * (speed[1:] + speed[:-1])
        out = np.empty((len(step), len(variants.factor)))
        for j, (ds, v, n) in enumerate(zip(step.tolist(), middle.tolist(), (rate * middle).tolist(), strict=True)):
            power = driving[j] * share[j] * variants.pull(np.full(len(variants.factor), n))
            force = (
                np.minimum(power / v, variants.traction) - variants.drag * v * v - variants.rolling - scrub[j] * v**4
            )
            out[j] = self.energy[j + 1] - self.energy[j] - force * ds - fixed[j]
        limited = (rate * middle >= variants.limit - 0.3 * variants.limiter) & (self.throttle[1:] > 0.0)
        if np.isfinite(variants.limit):
            out[limited] = step[limited, None] * variants.unread
        return out

    def _run(
        self, variants: Variants, rest: FloatArray, start: FloatArray, gear: NDArray[np.intp]
    ) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
        """Energy (J/kg) and engine speed per road speed (rad/m) in every cell, shape (cells, variants), and the last gear."""
        step, share, fixed, scrub = self._steps(variants)
        fixed = fixed + rest
        shifting, row = self.shifting, np.arange(len(start))
        ladder = shifting.rates[:, None] * np.where(
            variants.top == np.arange(len(shifting.rates))[:, None], variants.top_factor, variants.factor
        )
        energy = np.empty((len(self.metres), len(start)))
        used = np.empty(energy.shape)
        energy[0] = e = np.maximum(start, 0.5)
        used[0] = ladder[gear, row] * shifting.slip[0]
        cut = np.zeros(len(start))
        keep = (1.0 - self.weight).tolist()
        # A sequential integration: one step at a time, all variants at once, each step implicit in its mean speed.
        for j, ds in enumerate(step.tolist()):
            v0 = np.sqrt(2.0 * e)
            after = shifting.change(j + 1, gear, ladder, v0, variants.limit)
            cut = np.where(after > gear, shifting.cut_time, cut)
            gear = after
            taken = ds / v0
            asked = share[j] * (1.0 - shifting.cut_share * np.minimum(cut / taken, 1.0))
            cut = np.maximum(cut - taken, 0.0)
            rate = ladder[gear, row] * shifting.slip[j + 1]
            ahead = e
            for _ in range(4):
                v1 = np.sqrt(2.0 * np.maximum(ahead, 0.5))
                v = np.maximum(0.5 * (v0 + v1), 1.0)
                turning = rate * v
                left = variants.uncut(turning)
                raw = np.minimum(asked * variants.pull(turning) / v, variants.traction)
                force = raw * left - variants.drag * v * v - variants.rolling - scrub[j] * v**4
                stiff = np.where((left > 0.0) & (left < 1.0), raw * rate / variants.limiter, 0.0)
                ahead = ahead - (ahead - e - force * ds - fixed[j]) / (1.0 + 0.5 * ds * stiff / v1)
            e = np.maximum(self.energy[j + 1] + (ahead - self.energy[j + 1]) * keep[j], 0.5)
            energy[j + 1], used[j + 1] = e, rate
        return energy, used, gear
