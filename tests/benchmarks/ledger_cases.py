"""The time ledger against simulated changes whose true cost is known, all of them in one table.

Each change is driven alone, from the same speed at the line, so that its cost is exact; then it is driven again within a
stint that is recorded, cut into laps and explained. Tracks and cars are invented. Run:

    python tests/benchmarks/ledger_cases.py        # every case, truth beside ledger
    python tests/benchmarks/ledger_cases.py 8      # how many hold on the mean of so many draws of the noise
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from support import session_of

from lapkit import ledger, longitudinal_model
from lapkit.simulate import (
    CONSUMER,
    Braking,
    Car,
    Lift,
    Line,
    Noise,
    Script,
    Track,
    Truth,
    close_straights,
    corner,
    drive,
    oval,
    oval_driver,
    record,
    road_course,
    road_driver,
    straight,
)
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR
from lapkit.simulate.driver import run_scripts

DRIVER = {"throttle": ("throttle",), "pedals": ("throttle", "brake"), "line": ("longer_way", "cornering", "elevation")}
STEADY = replace(CONSUMER, position_wander=0.05)
"""Consumer grade, but for position that is corrected against drift, as in the demo recording of the road course."""
PLACED = replace(CONSUMER, position=0.0, position_wander=0.0)
"""Consumer grade, but for position that knows the place: what the other sensors allow, however well places are found."""
CONDITIONS: dict[str, tuple[float, Noise | None]] = {
    "20 Hz": (20.0, None),
    "60 Hz": (60.0, None),
    "100 Hz": (100.0, None),
    "60 Hz rounded": (60.0, Noise(speed_step=0.01, throttle_step=0.01)),
    "25 Hz consumer": (25.0, CONSUMER),
    "60 Hz consumer": (60.0, CONSUMER),
    "100 Hz consumer": (100.0, CONSUMER),
    "60 Hz consumer, steady position": (60.0, STEADY),
    "25 Hz consumer, place known": (25.0, PLACED),
    "60 Hz consumer, place known": (60.0, PLACED),
    "100 Hz consumer, place known": (100.0, PLACED),
}
"""Sample rate (Hz) and errors of the sensors."""


@dataclass(frozen=True)
class Case:
    """A lap that differs from the usual one, and by which causes."""

    name: str
    script: Script
    parts: dict[str, Script]  # cause ("throttle", "pedals", "line", "unexplained") -> that change alone
    follows: Script | None = None  # the lap before it, if it is to begin at another speed
    calm: Script | None = None  # the usual lap begun at that speed, pedals over the same metres


@dataclass(frozen=True)
class Course:
    """A track, a car, a usual lap and the changes to it."""

    name: str
    track: Track
    car: Car
    base: Script
    warm: tuple[Script, ...]
    cases: tuple[Case, ...]
    step: float = 1.0

    def alone(self, script: Script, speed: float) -> Truth:
        """Drive one lap from a speed at the line."""
        return drive(self.track, self.car, [script], start_speed=speed, out_lap=False, in_lap=False)


def four_corner_oval() -> Track:
    """Return an invented banked oval with four corners of different radius."""
    elements = [straight(90.0, np.radians(4.0))]
    for name, radius, length in (("1", 92.0, 130.0), ("2", 80.0, 220.0), ("3", 88.0, 130.0), ("4", 84.0, 120.0)):
        elements += corner(name, radius, np.pi / 2, 55.0, banking=np.radians(15.0), straight_banking=np.radians(4.0))
        elements.append(straight(length, np.radians(4.0)))
    return Track(close_straights(elements), name="Four Corner Oval (invented)")


def _with(script: Script, number: int, **change: float) -> Script:
    actions = list(script.actions)
    actions[number] = replace(actions[number], **change)
    return replace(script, actions=tuple(actions))


def _moved_line(track: Track, base: Script, low: float, high: float, by: float) -> Line:
    """The base line, moved by `by` metres to the left between two places, smoothly."""
    line = base.line
    assert line is not None
    s = np.arange(0.0, track.length, 12.0)
    share = np.clip(np.minimum((s - low) / 70.0 + 1.0, (high - s) / 70.0 + 1.0), 0.0, 1.0)
    step = share**3 * (10 - 15 * share + 6 * share**2)
    return Line(track.length, s.tolist(), (line(s)[0] + by * step).tolist())


def _same_pedals(course: tuple[Track, Car], base: Script, changed: Script, usual: float, speed: float) -> Script:
    """Give a changed lap the lifts of the base lap over the same metres of track.

    The simulated driver's lifts last so many seconds; slower, or on a longer way, they would end sooner, and the ledger
    would rightly enter that under throttle.
    """
    track, car = course

    def driven(script: Script, speed: float) -> tuple[pd.DataFrame, Truth]:
        truth = drive(track, car, [script], start_speed=speed, out_lap=False, in_lap=False)
        return truth.lifts(1), truth

    def seconds(truth: Truth, place: float) -> float:
        """Time from a place to 10 m further on."""
        begin, end = truth.time_at_run(np.array([place, place + 10.0]))
        return float(end - begin)

    wanted, usually = driven(base, usual)
    script = changed
    for _ in range(5):
        seen, now = driven(script, speed)
        actions = []
        for k, action in enumerate(script.actions):
            assert isinstance(action, Lift)
            begin, end = float(wanted["start_distance"].iloc[k]), float(wanted["end_distance"].iloc[k])
            ramp = changed.actions[k].ramp * seconds(now, begin) / seconds(usually, begin)  # type: ignore[union-attr]
            recovery = changed.actions[k].recovery * seconds(now, end - 10.0) / seconds(usually, end - 10.0)  # type: ignore[union-attr]
            late = (end - float(seen["end_distance"].iloc[k])) * seconds(now, end) / 10.0
            late -= ramp - action.ramp + recovery - action.recovery
            actions.append(replace(action, ramp=ramp, recovery=recovery, hold=action.hold + late))
        script = replace(script, actions=tuple(actions))
    return script


def _settled(track: Track, car: Car, base: Script, laps: int = 4) -> float:
    run = drive(track, car, [base] * laps, start_speed=40.0, out_lap=False, in_lap=False)
    return float(run.laps["speed_at_line"].iloc[-1])


def _oval_course(name: str, track: Track) -> Course:
    car, driver = OVAL_CAR, oval_driver(track)
    if len(track.turns) > 2:
        driver = replace(driver, actions=tuple(replace(a, hold=0.45, depth=0.2) for a in driver.actions))
    rng = np.random.default_rng(5)
    base, warm = run_scripts(driver, 1, rng, 0.0)[0], tuple(run_scripts(driver, 6, rng, 1.0))
    speed = _settled(track, car, base)
    cases: list[Case] = []

    def one(title: str, script: Script, cause: str) -> None:
        cases.append(Case(title, script, {cause: script}))

    lines = {}
    for k, turn in enumerate(track.turns):
        lift = base.actions[k]
        assert isinstance(lift, Lift)
        one(f"deeper lift, corner {turn.name}", _with(base, k, depth=max(lift.depth - 0.12, 0.0)), "throttle")
        one(f"longer lift, corner {turn.name}", _with(base, k, hold=lift.hold + 0.25), "throttle")
        one(
            f"earlier lift, corner {turn.name}",
            _with(base, k, start=lift.start - 15.0, hold=lift.hold + 0.35),
            "throttle",
        )
        one(f"later lift, corner {turn.name}", _with(base, k, start=lift.start + 12.0), "throttle")
        moved = replace(base, line=_moved_line(track, base, turn.start, turn.end, -3.0))
        lines[k] = _same_pedals((track, car), base, moved, speed, speed)
        one(f"3 m higher, corner {turn.name}", lines[k], "line")
    high = _moved_line(track, base, track.turns[0].start, track.turns[-1].end, -4.0)
    everywhere = _same_pedals((track, car), base, replace(base, line=high), speed, speed)
    one("4 m higher, all corners", everywhere, "line")
    last = base.actions[-1]
    assert isinstance(last, Lift)
    slow = _with(base, len(base.actions) - 1, hold=last.hold + 0.5)
    slowly = float(
        drive(track, car, [slow], start_speed=speed, out_lap=False, in_lap=False).laps["speed_at_line"].iloc[0]
    )
    same = _same_pedals((track, car), base, base, speed, slowly)
    cases.append(Case("slower over the line", same, {}, follows=slow, calm=same))
    dab = Braking(last.start, 0.12, 41.0, 0.3, open_at=last.start + 95.0)
    one("brake dabbed, last corner", replace(base, actions=(*base.actions[:-1], dab)), "pedals")
    weak = _same_pedals((track, car), base, replace(base, power=0.97), speed, speed)
    windy = _same_pedals((track, car), base, replace(base, headwind=2.0), speed, speed)
    one("3 % less power", weak, "unexplained")
    one("headwind 2 m/s", windy, "unexplained")
    deeper = _with(base, 0, depth=0.0)
    both = _with(lines[1], 0, depth=0.0)
    cases.append(Case("deeper lift and higher line", both, {"throttle": deeper, "line": lines[1]}))
    later = _same_pedals((track, car), both, both, speed, slowly)
    cases.append(
        Case("the same, slower over the line", later, {"throttle": deeper, "line": lines[1]}, follows=slow, calm=same)
    )
    against = _same_pedals((track, car), deeper, replace(deeper, headwind=2.0), speed, speed)
    cases.append(Case("deeper lift in a headwind", against, {"throttle": deeper, "unexplained": windy}))
    return Course(name, track, car, base, warm, tuple(cases))


def _road_course() -> Course:
    track, car = road_course(), ROAD_CAR
    driver = road_driver(track, car)
    rng = np.random.default_rng(6)
    base, warm = run_scripts(driver, 1, rng, 0.0)[0], tuple(run_scripts(driver, 6, rng, 1.0))
    cases: list[Case] = []

    def one(title: str, script: Script, cause: str) -> None:
        cases.append(Case(title, script, {cause: script}))

    zones = [k for k, a in enumerate(base.actions) if isinstance(a, Braking)]
    for k in zones:
        zone = base.actions[k]
        assert isinstance(zone, Braking)
        place = f"braking zone {zones.index(k) + 1}"
        one(f"braked earlier, {place}", _with(base, k, start=zone.start - 8.0), "pedals")
        one(f"slower in, {place}", _with(base, k, release_speed=zone.release_speed - 1.0), "pedals")
        one(f"throttle later, {place}", _with(base, k, open_at=zone.open_at + 6.0), "pedals")
        one(f"softer brake, {place}", _with(base, k, level=zone.level - 0.15, start=zone.start - 12.0), "pedals")
    turn = next(t for t in track.turns if t.name == "6")
    wide = replace(base, line=_moved_line(track, base, turn.start, turn.end, -4.0))
    one("4 m outside, corner 6", wide, "line")
    last = zones[-1]
    zone = base.actions[last]
    assert isinstance(zone, Braking)
    slow = _with(base, last, open_at=zone.open_at + 25.0)
    cases.append(Case("slower over the line", base, {}, follows=slow))
    weak, windy = replace(base, power=0.97), replace(base, headwind=2.0)
    one("3 % less power", weak, "unexplained")
    one("headwind 2 m/s", windy, "unexplained")
    deep = _with(base, zones[0], release_speed=base.actions[zones[0]].release_speed - 1.5)  # type: ignore[union-attr]
    both = replace(deep, line=wide.line)
    cases.append(Case("slower in and wide in corner 6", both, {"pedals": deep, "line": wide}))
    # a brake is pressed in a few metres, so a hairpin asks for a finer grid than an oval
    return Course("road course", track, car, base, warm, tuple(cases), step=0.5)


@lru_cache(maxsize=1)
def courses() -> tuple[Course, ...]:
    """All courses and their cases."""
    return (_oval_course("oval", oval()), _oval_course("four-corner oval", four_corner_oval()), _road_course())


@lru_cache(maxsize=8)
def driven(name: str) -> tuple[Truth, tuple[tuple[int, int], ...]]:
    """Drive a course's cases in one stint: the truth, and the (lap, reference) numbers of each case."""
    course = next(c for c in courses() if c.name == name)
    scripts = [*course.warm, course.base, course.base, course.base]
    pairs = []
    for case in course.cases:
        reference = len(scripts) - 1
        if case.follows is not None:
            scripts.append(case.follows)
        pairs.append((len(scripts), reference))
        scripts += [case.script, course.base, course.base]
    scripts.append(course.base)
    speed = _settled(course.track, course.car, course.base)
    return drive(course.track, course.car, scripts, start_speed=speed), tuple(pairs)


@lru_cache(maxsize=8)
def true_costs(name: str) -> tuple[dict[str, float], ...]:
    """Cost of each case's causes, each driven alone, s; carried_in and total among them."""
    course = next(c for c in courses() if c.name == name)
    truth, pairs = driven(name)
    laps = truth.laps.set_index("lap")
    out = []
    for case, (lap, reference) in zip(course.cases, pairs, strict=True):
        begin = float(laps.loc[lap - 1, "speed_at_line"])
        usual = float(laps.loc[reference - 1, "speed_at_line"])

        def lap_time(script: Script, speed: float, course: Course = course) -> float:
            return float(course.alone(script, speed).laps["lap_time"].iloc[0])

        base = lap_time(course.base, usual)
        costs = {cause: lap_time(script, usual) - base for cause, script in case.parts.items()}
        costs["carried_in"] = lap_time(case.calm or course.base, begin) - base
        costs["total"] = float(laps.loc[lap, "lap_time"] - laps.loc[reference, "lap_time"])
        out.append(costs)
    return tuple(out)


def explained(name: str, rate: float, noise: Noise | None, seed: int = 1) -> pd.DataFrame:
    """Explain all cases of a course as recorded: one row a case and cause, truth beside ledger."""
    course = next(c for c in courses() if c.name == name)
    truth, pairs = driven(name)
    samples = record(truth, rate, noise=noise, seed=seed)
    session = session_of(samples, start_line=course.track.start_line, step=course.step)
    model = longitudinal_model(session)
    frames = {n: session.lap(n) for n in {n for pair in pairs for n in pair}}
    rows = []
    for case, costs, (lap, reference) in zip(course.cases, true_costs(name), pairs, strict=True):
        table = ledger(frames[lap], frames[reference], model=model)
        assert abs(table.cells.to_numpy().sum() + table.carried_in - table.total) < 1e-9
        sums = table.cells.sum()
        spread = pd.Series(table.lap_uncertainties)
        found = {"carried_in": table.carried_in}
        sigma = {"carried_in": table.carried_in_uncertainty}
        for cause, columns in {**DRIVER, "unexplained": ("unexplained",)}.items():
            known = [c for c in columns if c in sums.index]
            found[cause], sigma[cause] = float(sums[known].sum()), float(np.sqrt((spread[known] ** 2).sum()))
        wanted = dict.fromkeys(case.parts)
        if abs(costs["carried_in"]) > 0.01 or case.follows is not None:
            wanted["carried_in"] = None
        wanted.setdefault("unexplained")
        for cause in wanted:
            put_in = costs.get(cause, 0.0)
            rows.append(
                (
                    name,
                    case.name,
                    cause,
                    costs["total"],
                    table.total,
                    put_in,
                    found[cause],
                    sigma[cause],
                    cause in costs,
                )
            )
    columns = ["course", "case", "cause", "true total", "total", "true cost", "ledger", "sigma", "put in"]
    return pd.DataFrame(rows, columns=columns)


def judged(table: pd.DataFrame, *, clean: bool) -> pd.DataFrame:
    """Say of each row whether it holds: a cause's cost within its tolerance, little unexplained where nothing was."""
    share, least = (0.05, 0.003) if clean else (0.12, 0.008)
    out = table.assign(error=table["ledger"] - table["true cost"])
    tolerance = np.maximum(share * out["true cost"].abs(), least)
    rest = np.maximum(0.1 * out["true total"].abs(), least)
    out["tolerance"] = np.where(out["put in"], tolerance, rest)
    out["holds"] = out["error"].abs() <= out["tolerance"]
    return out


def all_cases(conditions: Sequence[str] = tuple(CONDITIONS), seed: int = 1) -> pd.DataFrame:
    """Every case under every condition."""
    tables = []
    for condition in conditions:
        rate, noise = CONDITIONS[condition]
        for course in courses():
            clean = noise is None or noise.throttle == 0
            table = judged(explained(course.name, rate, noise, seed), clean=clean)
            tables.append(table.assign(condition=condition))
    return pd.concat(tables, ignore_index=True)


def drawn_again(seeds: int) -> pd.DataFrame:
    """How many of each course's cases hold under noise, on the mean of several draws of it."""
    noisy = [name for name, (_, noise) in CONDITIONS.items() if noise is not None and noise.throttle > 0]
    table = pd.concat([all_cases(noisy, seed) for seed in range(1, seeds + 1)], ignore_index=True)
    table["within"] = table["error"].abs() <= 2.0 * table["sigma"]
    count = table.assign(n=1).groupby(["condition", "course", "put in"], sort=False)
    return count.agg(
        rows=("n", lambda n: n.sum() / seeds),
        hold=("holds", lambda holds: holds.sum() / seeds),
        rms=("error", lambda error: float(np.sqrt(np.mean(error**2)))),
        stated=("sigma", lambda sigma: float(np.sqrt(np.mean(sigma**2)))),
        within=("within", "mean"),
    )


def main() -> None:
    """Print the table and what it comes to."""
    if len(sys.argv) > 1:
        print(drawn_again(int(sys.argv[1])).to_string(float_format=lambda v: f"{v:.4g}"))
        return
    table = all_cases()
    shown = table[
        ["condition", "course", "case", "cause", "true total", "total", "true cost", "ledger", "error", "holds"]
    ]
    print(shown.to_string(index=False, float_format=lambda v: f"{v:+.4f}"))
    print()
    count = table.assign(n=1).groupby(["condition", "put in"], sort=False)
    summary = count.agg(rows=("n", "sum"), hold=("holds", "sum"), worst=("error", lambda e: e.abs().max()))
    print("put in: a cause that was changed; else what the ledger leaves unexplained though nothing was put in (s)")
    print(summary.to_string(float_format=lambda v: f"{v:.4f}"))


if __name__ == "__main__":
    main()
