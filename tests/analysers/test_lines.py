"""Two lines against each other: known metres and times, exact sums, honest statistics, plain words."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from support import session_of

import lapkit
from lapkit.analysers.ledger.explain import CAUTION
from lapkit.analysers.lines.compare import LAP, LineComparison, compare_lines
from lapkit.analysers.lines.verdict import MOST_SENTENCES, verdict
from lapkit.analysers.statistics.two_groups import holm, laps_needed, power_of, sample_size, welch
from lapkit.channels import CHANNELS, COLUMNS, UNCERTAINTY
from lapkit.errors import FrameError
from lapkit.model.place import ReferenceLine
from lapkit.model.tracks.track import Track
from lapkit.simulate import Driver, Line, Noise, oval, oval_driver, stint
from lapkit.simulate.car import Car

CAR = Car(power=88.0, drag=6.6e-4, cornering=0.0016)
HIGH, LOW = -3.0, 2.0
LINE_COLUMNS = ["corner", "quantity", "unit", "a", "b", "difference", "difference_uncertainty", "margin", "significant"]

# ------------------------------------------------------------------ published statistics

# Student, The probable error of a mean, Biometrika 6 (1908): additional hours of sleep under two drugs, ten patients.
SLEEP = [0.7, -1.6, -0.2, -1.2, -0.1, 3.4, 3.7, 0.8, 0.0, 2.0], [1.9, 0.8, 1.1, 0.1, -0.1, 4.4, 5.5, 1.6, 4.6, 3.4]


def test_welch_on_the_sleep_data() -> None:
    """R documentation, t.test(extra ~ group, data = sleep): t -1.8608, p 0.07939, interval -3.3654832 to 0.2054832."""
    found = welch(*SLEEP)
    assert found.difference == pytest.approx(1.58, abs=1e-12)
    assert found.difference / found.uncertainty == pytest.approx(1.8608, abs=5e-5)
    assert found.p == pytest.approx(0.07939, abs=5e-6)
    assert -found.difference - found.margin == pytest.approx(-3.3654832, abs=5e-8)
    assert -found.difference + found.margin == pytest.approx(0.2054832, abs=5e-8)


def test_laps_needed_as_cohen_prints_them() -> None:
    """J. Cohen, Statistical Power Analysis (1988), tables 2.3 and 2.4: 393, 64, 26 and 85; power 0.54 and 0.88.

    The tables round; not rounded: 393.405693, 63.765611, 25.524572, 85.031284 (statsmodels).
    """
    found = [sample_size(0.2), sample_size(0.5), sample_size(0.8), sample_size(0.5, power=0.9)]
    assert found == pytest.approx([393.405693, 63.765611, 25.524572, 85.031284], rel=2e-8)
    assert np.abs(np.array(found) - [393, 64, 26, 85]).max() < 1.0
    assert [round(power_of(n, 0.5), 2) for n in (35, 80)] == [0.54, 0.88]
    assert [laps_needed(d, 1.0) for d in (0.2, 0.5, -0.5, 0.8)] == [394, 64, 64, 26]


def test_laps_needed_at_the_ends() -> None:
    assert laps_needed(1.0, 0.0) == 2
    assert laps_needed(100.0, 1.0) == 2 == laps_needed(1e6, 1.0)
    assert laps_needed(0.0, 1.0) == np.inf and laps_needed(1e-9, 1.0) > 1e18
    assert np.isnan(laps_needed(1.0, np.nan))
    assert laps_needed(3.0, 1.0) == 4


def test_holm_on_a_textbook_case() -> None:
    """R documentation of p.adjust: the same method; values worked out by hand: 4 x 0.01, 3 x 0.02, 2 x 0.03, 0.2."""
    assert holm([0.2, 0.01, 0.03, 0.02]).tolist() == pytest.approx([0.2, 0.04, 0.06, 0.06])
    assert holm([0.04, np.nan, 0.03])[[0, 2]].tolist() == pytest.approx([0.06, 0.06])
    assert np.isnan(holm([np.nan])).all() and holm([]).shape == (0,)


def test_numbers_far_from_zero_lose_nothing() -> None:
    """NIST StRD NumAcc4: 10000000.2, then 10000000.1 and 10000000.3 five hundred times; standard deviation 0.1."""
    values = np.append(10000000.2, np.tile([10000000.1, 10000000.3], 500))
    assert welch(values, values + 1.0).scatter == pytest.approx(0.1, rel=1e-8)


def test_one_lap_takes_the_scatter_of_the_other_side() -> None:
    found = welch([30.5], [30.0, 30.2, 30.4, 30.2])
    scatter = np.std([30.0, 30.2, 30.4, 30.2], ddof=1)
    assert found.uncertainty == pytest.approx(scatter * np.sqrt(1 + 1 / 4))
    assert found.margin / found.uncertainty == pytest.approx(3.182, abs=5e-4)  # Student's t, 3 degrees of freedom
    alone = welch([30.5], [30.2], measured=(0.03, 0.04))
    assert alone.uncertainty == pytest.approx(0.05) and np.isnan(alone.margin) and np.isnan(alone.p)


def test_groups_without_values_or_scatter() -> None:
    found = welch(np.full((3, 2), np.nan), np.ones((2, 2)))
    assert np.isnan(found.difference).all() and np.isnan(found.p).all()
    same = welch([1.0, 1.0], [1.0, 1.0])
    assert (same.difference, same.margin, same.p) == (0.0, 0.0, 1.0)
    assert welch([1.0, 1.0], [2.0, 2.0]).p == 0.0


# ------------------------------------------------------------------------ known lines


class Stints:
    """A high and a low stint on a level oval, both placed on its centre line, as it really is."""

    def __init__(self, laps: int = 8, rate: float = 60.0, noise: Noise | None = None) -> None:
        self.course = oval(banking=(0.0, 0.0), straight_banking=0.0)
        spacing = self.course.length / round(self.course.length)
        x, y = self.course.xy(np.arange(round(self.course.length)) * spacing)
        corners = self.course.corners[["corner", "start_distance", "end_distance", "direction", "radius"]]
        corners = corners.assign(apex_distance=corners[["start_distance", "end_distance"]].mean(axis=1))
        self.track = Track(self.course.length, corners, None, ReferenceLine(x, y, spacing, self.course.length))
        self.high, self.high_truth = self.stint(HIGH, 1, 0.15, laps, rate, noise)
        self.low, self.low_truth = self.stint(LOW, 2, 0.10, laps, rate, noise)
        self.numbers = range(1, laps + 1)
        self.a, self.b = ([session.lap(n) for n in self.numbers] for session in (self.high, self.low))
        self.model = lapkit.longitudinal_model([*self.a, *self.b])

    def drive(self, offset: float, seed: int, depth: float, laps: int, rate: float, noise: Noise | None):
        usual = oval_driver(self.course)
        lifts = tuple(replace(action, depth=depth) for action in usual.actions)
        driver = Driver(Line(self.course.length, [0.0], [offset]), lifts, line_spread=0.0)
        return stint(self.course, laps, rate, seed=seed, driver=driver, car=CAR, noise=noise)

    def stint(self, *run):
        table, truth = self.drive(*run)
        session = session_of(table, f"run{run[1]}.csv", start_line=self.course.start_line, track=self.track)
        return session, truth

    def true_difference(self, what: str, start: float, end: float) -> float:
        sides = [
            np.mean([np.diff(getattr(truth, what)(n, np.array([start, end])))[0] for n in self.numbers])
            for truth in (self.high_truth, self.low_truth)
        ]
        return float(sides[1] - sides[0])


@pytest.fixture(scope="module")
def stints() -> Stints:
    return Stints()


@pytest.fixture(scope="module")
def found(stints: Stints) -> LineComparison:
    return compare_lines(stints.a, stints.b, model=stints.model, names=("high", "low"))


def test_parallel_lines_differ_by_two_pi_times_the_offset(stints: Stints, found: LineComparison) -> None:
    row = found.row(LAP, "path_length")
    assert row["difference"] == pytest.approx(-2 * np.pi * (LOW - HIGH), abs=0.01)
    assert row["significant"] and row["unit"] == "m"
    for c in stints.course.turns:
        extra = found.row(c.name, "path_length")
        assert extra["difference"] == pytest.approx(stints.true_difference("path_at", c.start, c.end), abs=0.01)
        assert [found.row(c.name, "offset")[side] for side in "ab"] == pytest.approx([HIGH, LOW], abs=0.01)
        for quantity in ("radius", "mean_radius"):  # a left-hander: an offset to the left is the inside
            row = found.row(c.name, quantity)
            assert [row["a"], row["b"]] == pytest.approx([c.radius - HIGH, c.radius - LOW], abs=0.1)


def test_times_and_speeds_are_the_true_ones(stints: Stints, found: LineComparison) -> None:
    first, second = stints.course.turns
    places = {"corner_time": (first.start, first.end), "time_to_next": (first.end, second.start),
              "start_to_start": (first.start, second.start)}  # fmt: skip
    for quantity, (start, end) in places.items():
        truth = stints.true_difference("time_at", start, end)
        assert found.row("1", quantity)["difference"] == pytest.approx(truth, abs=5e-4)
    assert found.row(LAP, "start_to_start")["difference"] == pytest.approx(
        stints.low_truth.laps["lap_time"].mean() - stints.high_truth.laps["lap_time"].mean(), abs=1e-4
    )
    for side, truth in (("a", stints.high_truth), ("b", stints.low_truth)):
        corners = truth.corners().groupby("corner")[["entry_speed", "min_speed", "exit_speed"]].mean()
        for c in stints.course.turns:
            for quantity in corners.columns:
                assert found.row(c.name, quantity)[side] == pytest.approx(corners.loc[c.name, quantity], abs=0.03)


def test_tyre_work_is_what_the_cornering_took(stints: Stints, found: LineComparison) -> None:
    for side, truth in (("a", stints.high_truth), ("b", stints.low_truth)):
        time = np.arange(truth.start(1), truth.crossings[-1], 0.002)
        shape, speed = truth.shape(time), truth.speed(time)
        power = CAR.cornering * (speed**2 * shape["curvature"]) ** 2 * speed  # per mass, drag of cornering times speed
        taken = np.sum(power) * 0.002 / len(truth.numbers)
        assert found.row(LAP, "tyre_work")[side] == pytest.approx(taken, rel=0.02)
    shares = found.row(LAP, "tyre_share")
    assert shares["a"] + shares["b"] == pytest.approx(1.0)
    work = found.row(LAP, "tyre_work")
    assert shares["difference"] == pytest.approx(work["difference"] / (work["a"] + work["b"]))


def test_causes_say_why(stints: Stints, found: LineComparison) -> None:
    """The low line saves metres; its deeper lift costs."""
    causes = found.causes.pivot_table(index="corner", columns="cause", values="time_lost")
    for corner in ("1", "2", LAP):
        assert causes.loc[corner, "longer_way"] < -0.2
    assert causes.loc[LAP, "throttle"] > 0.05
    total = causes.loc[LAP].sum()
    assert causes.loc[["1", "2"]].drop(columns="carried_in").sum().sum() == pytest.approx(
        total - causes.loc[LAP, "carried_in"], abs=1e-9
    )
    assert total == pytest.approx(found.row(LAP, "start_to_start")["difference"], abs=1e-9)  # every lap is in a pair


# --------------------------------------------------------------------- exact identities


def check_sums(found: LineComparison, a: list[pd.DataFrame], b: list[pd.DataFrame]) -> None:
    mean = [np.mean([frame.attrs["lap_time"] for frame in side]) for side in (a, b)]
    rows = found.corners
    parts = rows.loc[rows["corner"] != LAP, ["corner_time", "time_to_next"]].to_numpy().sum()
    assert abs(parts - (mean[1] - mean[0])) < 1e-9
    assert abs(rows["start_to_start"].iloc[:-1].sum() - (mean[1] - mean[0])) < 1e-9
    assert abs(found.row(LAP, "start_to_start")["difference"] - (mean[1] - mean[0])) < 1e-9


def test_times_add_up_to_the_lap_times(stints: Stints, found: LineComparison) -> None:
    check_sums(found, stints.a, stints.b)
    road = lapkit.load("sample_data/road_course.csv")
    sides = [road.lap(n) for n in (1, 3)], [road.lap(n) for n in (2, 4)]
    check_sums(compare_lines(*sides), *sides)


def test_swapping_the_sides_turns_every_sign(stints: Stints, found: LineComparison) -> None:
    other = compare_lines(stints.b, stints.a, model=stints.model, names=("low", "high"))
    for name, twin in (
        ("a", "b"),
        ("b", "a"),
        ("difference_uncertainty", "difference_uncertainty"),
        ("margin", "margin"),
    ):
        assert np.allclose(found.table[name], other.table[twin], rtol=1e-9, atol=1e-12, equal_nan=True)
    assert np.allclose(found.table["difference"], -other.table["difference"], rtol=1e-9, atol=1e-12, equal_nan=True)
    assert (found.table["significant"] == other.table["significant"]).all()
    assert np.allclose(found.causes["time_lost"], -other.causes["time_lost"], rtol=0, atol=1e-12)
    assert found.needed == other.needed


def test_the_same_laps_do_not_differ(stints: Stints) -> None:
    same = compare_lines(stints.a, stints.a, model=stints.model)
    assert same.table["difference"].abs().max() == 0.0 and not same.table["significant"].any()
    assert any("both sides" in note for note in same.notes)


def test_frames_stay_as_they_are(stints: Stints) -> None:
    before = [frame.copy() for frame in (stints.a[0], stints.b[0])]
    compare_lines(stints.a[0], stints.b[0], model=stints.model)
    assert stints.a[0].equals(before[0]) and stints.b[0].equals(before[1])
    assert stints.a[0].attrs == before[0].attrs


# ------------------------------------------------------------------- honest statistics


@pytest.fixture(scope="module")
def pool(stints: Stints):
    """True times of many laps of each line (quantity, corner or lap, lap); their means are the truth of what is drawn."""
    out = []
    for offset, seed, depth in ((HIGH, 5, 0.15), (LOW, 6, 0.10)):
        truth = stints.drive(offset, seed, depth, 50, 1.0, None)[1]
        inner = np.concatenate([[c.start, c.end] for c in stints.course.turns])
        times = np.stack([truth.time_at(n, inner) for n in truth.numbers])
        lengths = np.diff(times, axis=1, prepend=0.0, append=truth.laps[["lap_time"]])
        corner, after = lengths[:, 1::2], np.stack([lengths[:, 2], lengths[:, 4] + lengths[:, 0]], axis=1)
        each = np.stack([corner, after, corner + after])
        out.append(np.moveaxis(np.concatenate([each, each.sum(axis=2, keepdims=True)], axis=2), 1, 2))
    return out


@pytest.mark.parametrize("counts", [(3, 3), (8, 8), (4, 12)])
def test_intervals_hold_the_truth_and_alarms_are_rare(pool, counts: tuple[int, int]) -> None:
    """2000 comparisons of laps drawn from those of each line, and of laps all of one line."""
    rng, many = np.random.default_rng(sum(counts)), 2000
    high, low = pool
    drawn = [side[..., rng.integers(0, side.shape[-1], (n, many))] for side, n in zip((high, low), counts, strict=True)]
    a, b = (np.moveaxis(side, 2, 0) for side in drawn)  # lap, quantity, corner, comparison
    found = welch(a, b)
    truth = (low.mean(axis=-1) - high.mean(axis=-1))[..., None]
    held = (np.abs(found.difference - truth) <= found.margin).mean(axis=-1)
    assert held.min() > 0.93 and held.max() < 0.985
    again = high[..., rng.integers(0, high.shape[-1], (counts[1], many))]
    p = welch(a, np.moveaxis(again, 2, 0)).p
    assert (p[:, -1] < 0.05).mean(axis=-1).max() < 0.06
    families = np.stack([[holm(p[q, :-1, k]).min() < 0.05 for k in range(many)] for q in range(len(p))])
    assert families.mean(axis=-1).max() < 0.06


def test_the_stated_number_of_laps_has_its_power(pool) -> None:
    rng, many = np.random.default_rng(4), 2000
    laps = pool[0][2, -1]
    half = 0.6 * laps.std()  # a difference put in on purpose
    needed = int(laps_needed(half, float(laps.std())))
    a, b = (laps[rng.integers(0, len(laps), (needed, many))] for _ in range(2))
    seen = (welch(a, b + half).p < 0.05).mean()
    assert seen == pytest.approx(0.8, abs=0.05)


def test_compared_laps_are_marked_as_the_statistics_say(stints: Stints, found: LineComparison) -> None:
    times = [[frame.attrs["lap_time"] for frame in side] for side in (stints.a, stints.b)]
    row, one = found.row(LAP, "start_to_start"), welch(*times)
    assert [row["difference"], row["difference_uncertainty"], row["margin"]] == pytest.approx(
        [float(one.difference), float(one.uncertainty), float(one.margin)], abs=1e-9
    )
    assert row["significant"] == bool(one.p < 0.05)
    wide = compare_lines(stints.a, stints.b, model=stints.model, confidence=0.99)
    assert wide.row(LAP, "start_to_start")["margin"] > row["margin"]


def test_noise_of_sensors_is_inside_the_uncertainty() -> None:
    noise = Noise(position=0.05, position_wander=0.2, speed=0.03, throttle=0.002, yaw_rate=0.004, acceleration=0.15)
    noisy = Stints(laps=6, rate=25.0, noise=noise)
    found = compare_lines(noisy.a, noisy.b, model=noisy.model)
    off = []
    for c in noisy.course.turns:
        for quantity, what in (("corner_time", "time_at"), ("path_length", "path_at")):
            row = found.row(c.name, quantity)
            off.append(
                (row["difference"] - noisy.true_difference(what, c.start, c.end)) / row["difference_uncertainty"]
            )
        assert found.row(c.name, "mean_radius")["difference"] == pytest.approx(HIGH - LOW, abs=1.0)
    assert np.abs(off).max() < 4.0, off
    assert found.row(LAP, "path_length")["difference"] == pytest.approx(2 * np.pi * (HIGH - LOW), abs=0.15)
    assert found.row(LAP, "start_to_start")["significant"]


# ------------------------------------------------------------------------------- words


@pytest.fixture(scope="module")
def run():
    """Invented run in which the high line wins one corner and the low line the other."""
    session = lapkit.load("sample_data/two_lines.csv")
    middle = session.track.corners.iloc[0]
    offset = {
        int(n): session.lap(int(n)).loc[middle["start_distance"] : middle["end_distance"], "offset"].mean()
        for n in session.laps.loc[session.clean, "lap"]
    }
    border = 0.5 * (min(offset.values()) + max(offset.values()))
    high = [session.lap(n) for n, e in offset.items() if e < border]
    low = [session.lap(n) for n, e in offset.items() if e >= border]
    return session, high, low


def test_both_answers(run) -> None:
    session, high, low = run
    found = compare_lines(high, low, model=lapkit.longitudinal_model(session), names=("high", "low"))
    assert found.row("1", "start_to_start")["difference"] > 0.05 and found.row("1", "start_to_start")["significant"]
    assert found.row("2", "start_to_start")["difference"] < -0.05 and found.row("2", "start_to_start")["significant"]
    for corner, bank in (("1", 16.0), ("2", 19.0)):  # degrees, as the oval is built
        assert found.row(corner, "banking")["a"] == pytest.approx(np.radians(bank), abs=np.radians(2.5))
        given = found.row(corner, "height_given")  # some 3.5 m further up a slope of 0.29 and 0.34
        assert given["significant"] and -1.4 < given["difference"] < -0.5
    said = verdict(found)
    assert 3 <= len(said) <= MOST_SENTENCES and found.verdict == " ".join(said)
    first = int(not found.row(LAP, "start_to_start")["significant"])  # what is settled leads
    assert (
        "The high line is faster in corner 1 by" in said[1 - first]
        and "the low line is faster in corner 2 by" in said[1 - first]
    )
    advice = next(line for line in said if line.startswith("To try: high in corner 1 (0."))
    assert " s) and low in corner 2 (0." in advice and "±" in advice and "see whether the two can be joined" in advice
    assert "Not enough laps" not in found.verdict
    for corner in ("1", "2"):  # what the ledger has adds up to what was made
        why = next((line for line in said if line.startswith(f"In corner {corner} ")), None)
        if why:
            ledger = why.split("the ledger has ")[1]
            parts = re.findall(r"(\d\.\d{3}) s (gained|lost)", ledger)
            made = sum(float(value) * (1 if how == "gained" else -1) for value, how in parts)
            assert made == pytest.approx(abs(found.row(corner, "start_to_start")["difference"]), abs=6e-4)
    assert "m more" in found.verdict and "km/h" in found.verdict and "the ledger has" in found.verdict
    assert "J/kg a lap" in found.verdict and "Early and late in the run" in found.verdict
    assert not any(sign in found.verdict for sign in ("nan", "inf", "None", "_"))


def test_same_line_laps_are_not_told_apart(run) -> None:
    session, high, _ = run
    found = compare_lines(high[::2], high[1::2], model=lapkit.longitudinal_model(session), names=("odd", "even"))
    assert not found.row(LAP, "start_to_start")["significant"]
    assert "no difference can be told from luck" in found.verdict and "Not enough laps" in found.verdict
    assert found.needed > 4


def test_one_lap_a_side_says_that_it_is_not_enough(stints: Stints) -> None:
    found = compare_lines(stints.a[0], stints.b[0], model=stints.model, names=("high", "low"))
    assert not found.table["significant"].any() and found.table["margin"].isna().all()
    assert found.table.loc[found.table["quantity"] == "corner_time", "difference_uncertainty"].gt(0).all()
    assert "this once" in found.verdict and "One lap on each line is not enough" in found.verdict
    assert np.isnan(found.needed)


def test_laps_in_a_row_are_mixed_up_with_the_run(stints: Stints) -> None:
    found = compare_lines(stints.a[:4], stints.a[4:], model=stints.model, names=("first", "last"))
    assert found.drove_first == 0 and found.parts.empty
    assert "All laps on the first line came before those on the last line" in found.verdict
    mixed = compare_lines(stints.a[::2], stints.a[1::2], model=stints.model)
    assert mixed.drove_first == -1 and mixed.parts["run_part"].tolist() == ["early", "late"]
    assert mixed.parts[["from_lap", "to_lap"]].to_numpy().tolist() == [[1, 4], [5, 8]]


def test_shown_and_written(found: LineComparison) -> None:
    written = json.loads(json.dumps(found.to_dict(), allow_nan=False))
    assert written["verdict"] == found.verdict and written["caution"] == CAUTION
    assert written["laps"] == {"a": list(range(1, 9)), "b": list(range(1, 9))}
    assert [list(row) for row in written["table"][:1]] == [LINE_COLUMNS]
    assert found.verdict in repr(found) and CAUTION in repr(found) and "metres driven (m)" in repr(found)
    assert "lap time (s)" in found._repr_html_()


def test_names_are_escaped(stints: Stints) -> None:
    found = compare_lines(stints.a[:2], stints.b[:2], model=stints.model, names=("<i>", "low & slow"))
    assert "<i>" not in found._repr_html_() and "&lt;i&gt;" in found._repr_html_()


def test_tables_keep_their_columns(stints: Stints, found: LineComparison) -> None:
    assert list(found.table.columns) == LINE_COLUMNS
    for table in (found.table, found.corners, found.causes, found.parts, found.wide("a")):
        for name in table.columns:
            assert str(name).removesuffix(UNCERTAINTY) in {*CHANNELS, *COLUMNS}, name
    assert set(found.table["quantity"]) <= {*CHANNELS, *COLUMNS}
    assert found.corners["corner"].tolist() == ["1", "2", LAP]
    assert found.wide("b")["corner_time"].tolist() == [found.row(c, "corner_time")["b"] for c in ("1", "2", LAP)]
    bare = [frame.copy() for frame in (stints.a[0], stints.b[0])]
    for frame in bare:
        frame.attrs = {**frame.attrs, "corners": []}
    flat = compare_lines(*bare)
    assert list(flat.table.columns) == LINE_COLUMNS and flat.corners["corner"].tolist() == [LAP]
    assert flat.verdict and list(flat.causes.columns) == list(found.causes.columns)


# ----------------------------------------------------------------- what the data lack


def without(frames: list[pd.DataFrame], *columns: str, **said) -> list[pd.DataFrame]:
    out = []
    for frame in frames:
        less = frame.drop(columns=list(columns))
        less.attrs = {**frame.attrs, **said}
        out.append(less)
    return out


def test_no_position_refuses_metres_and_widens_times(stints: Stints, found: LineComparison) -> None:
    said = {"place_method": "heading turned", "place_error": 1.0}
    sides = [without(side[:4], "x", "y", "offset", **said) for side in (stints.a, stints.b)]
    blind = compare_lines(*sides)
    rows = blind.table.set_index(["quantity", "corner"])
    assert rows.loc[["offset", "path_length"], ["a", "b", "difference"]].isna().all().all()
    assert any("no offset and no extra metres" in note and "heading turned" in note for note in blind.notes)
    check_sums(blind, *sides)
    time = blind.row("1", "corner_time")
    assert time["difference_uncertainty"] > np.sqrt(2) * 1.0 / 46.0  # a metre at either end, at 165 km/h
    assert time["margin"] > found.row("1", "corner_time")["margin"]
    assert blind.row("1", "mean_radius")["difference"] == pytest.approx(HIGH - LOW, abs=1.5)


def test_no_throttle_gives_a_relative_measure(stints: Stints) -> None:
    found = compare_lines(*(without(side[:3], "throttle") for side in (stints.a, stints.b)))
    rows = found.table.set_index(["quantity", "corner"])
    assert rows.loc["tyre_work", "difference"].isna().all() and rows.loc["cornering_load", "difference"].notna().all()
    assert rows.loc["tyre_share", "a"].notna().all()
    assert any("Tyre work in J/kg needs a model" in note for note in found.notes)
    assert "without a model of the car" in found.verdict
    assert set(found.causes["cause"]) == {"longer_way", "lower_speed"} or "unexplained" in set(found.causes["cause"])


def test_a_lap_with_a_hole_where_a_corner_begins_is_left_out(stints: Stints) -> None:
    start = stints.a[0].attrs["corners"][0]["start_distance"]
    torn = stints.a[1].copy()
    torn.loc[start - 20.0 : start + 20.0] = np.nan
    found = compare_lines([stints.a[0], torn, stints.a[2]], stints.b[:3], model=stints.model)
    assert found.laps["a"] == [1, 3] and any("Left out" in note and "lap 2" in note for note in found.notes)
    check_sums(found, [stints.a[0], stints.a[2]], stints.b[:3])
    with pytest.raises(FrameError, match=r"every lap has a hole where a corner begins or ends"):
        compare_lines(torn, stints.b[:3], model=stints.model)


def test_banking_known_is_banking_used(stints: Stints) -> None:
    """Tan of the banking is v^2 / (g R) at the speed that needs no friction: there tyres give nothing sideways."""
    frames = []
    for frame in (stints.a[0], stints.b[0]):
        banked = frame.drop(columns=["z", "lateral_acceleration"])
        curvature = np.gradient(np.unwrap(np.arctan2(np.gradient(frame["y"]), np.gradient(frame["x"])))) / np.gradient(
            frame["path"]
        )
        banked["banking"] = np.arctan(frame["speed"] ** 2 * curvature / 9.80665)
        banked.attrs = frame.attrs
        frames.append(banked)
    flat, found = compare_lines(stints.a[0], stints.b[0]), compare_lines(*frames)
    for corner in ("1", "2"):
        row = {name: found.row(corner, name)["a"] for name in ("min_speed", "mean_radius", "banking")}
        assert np.tan(row["banking"]) == pytest.approx(row["min_speed"] ** 2 / (9.80665 * row["mean_radius"]), rel=0.1)
        assert found.row(corner, "cornering_load")["a"] < 0.25 * flat.row(corner, "cornering_load")["a"]


# ------------------------------------------------------------------------ what it refuses


def other(frame: pd.DataFrame, **said) -> pd.DataFrame:
    out = frame.copy()
    out.attrs = {**frame.attrs, **said}
    return out


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda f: [], r"laps_b: expected a lap frame or a list of them.*got an empty list"),
        (lambda f: "lap 3", r"laps_b: expected a lap frame.*"),
        (lambda f: [f, None], r"got None among them"),
        (lambda f: 7, r"got 7"),
        (lambda f: f.drop(columns="path"), r"no column path; give the frames of session\.lap\(n\) unchanged"),
        (lambda f: f.iloc[:10], r"has 10 rows"),
        (lambda f: other(f, lap_time=float("nan")), r"does not run from line to line"),
        (lambda f: other(f, step=2.0), r"different grids: .*1 m.*2 m. Load both with the same step"),
        (lambda f: other(f, track_length=f.attrs["track_length"] + 0.5), r"track=first_session\.track"),
        (lambda f: f.reset_index(drop=True).assign(time=1.0).pipe(lambda g: pd.DataFrame(g)), r"does not say its"),
        (
            lambda f: other(f.drop(columns=["yaw_rate", "lateral_acceleration"]), place_method="fraction of lap"),
            r"has no position: its places are by fraction of lap.*yaw rate the times",
        ),
    ],
)  # fmt: skip
def test_refusals_say_what_is_missing(stints: Stints, change, message: str) -> None:
    given = change(stints.b[0])
    if isinstance(given, pd.DataFrame) and "does not say" in message:
        given.attrs = {}
    with pytest.raises(FrameError, match=message):
        compare_lines(stints.a[:2], given, model=stints.model)


def test_names_and_confidence_are_checked(stints: Stints) -> None:
    with pytest.raises(FrameError, match="two different names"):
        compare_lines(stints.a[0], stints.b[0], model=stints.model, names=("low", "low"))
    with pytest.raises(FrameError, match="two different names"):
        compare_lines(stints.a[0], stints.b[0], model=stints.model, names="ab")  # type: ignore[arg-type]
    with pytest.raises(FrameError, match="between 0 and 1"):
        compare_lines(stints.a[0], stints.b[0], model=stints.model, confidence=95)
