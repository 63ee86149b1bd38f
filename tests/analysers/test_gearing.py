"""Gears found in engine speed and road speed, against the simulator's own and against published rows."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import pandas as pd
import pytest
from support import session_of

import lapkit
from lapkit.analysers.gears.gearing import CAUTION, GEAR_COLUMNS, gears
from lapkit.analysers.gears.places import CORNER_COLUMNS, STRAIGHT_COLUMNS
from lapkit.analysers.gears.tyres import road_speed, tyre_diameter
from lapkit.channels import COLUMNS, UNCERTAINTY, dimension_of, from_si, to_si
from lapkit.model.setup.file import make_sheet
from lapkit.simulate import CONSUMER, oval, road_course, stint
from lapkit.simulate.demo import ROAD_CAR


@lru_cache(maxsize=1)
def road():
    return stint(road_course(), laps=3, seed=4, rate=50.0, noise=CONSUMER)


@lru_cache(maxsize=1)
def round_oval():
    return stint(oval(), laps=4, seed=4, rate=25.0, noise=CONSUMER)


def noisy(samples: pd.DataFrame, noise: float = 0.01, slip: float = 0.02, seed: int = 0) -> pd.DataFrame:
    """Engine speed with white noise and with the driven wheels slipping as the throttle opens; no gear channel."""
    rng = np.random.default_rng(seed)
    off = 1.0 + slip * samples["throttle"].to_numpy() + rng.normal(0.0, noise, len(samples))
    return samples.assign(engine_speed=samples["engine_speed"] * off).drop(columns="gear")


# ------------------------------------------------------------------------ published rows


def test_road_speed_from_engine_speed() -> None:
    """A 1995 technical note: 1750 rpm, 29.00 in, ratio 2.72 give 55.51 mph; its constant is exactly 63360 / (60 pi)."""
    round_ = np.pi * to_si(29.0, "in", "length")
    speed = road_speed(to_si(1750.0, "rpm", "angular rate"), 2.72, round_)
    assert from_si(speed, "mph", "speed") == pytest.approx(55.51, abs=0.005)
    one = road_speed(to_si(1.0, "rpm", "angular rate"), 1.0, np.pi * to_si(1.0, "in", "length"))
    assert 1.0 / from_si(one, "mph", "speed") == pytest.approx(336.135, abs=0.0005)  # the trade's "336 constant"
    with pytest.raises(lapkit.LapkitError, match="above zero"):
        road_speed(600.0, 0.0, 2.0)


def test_tyre_sizes() -> None:
    """A published equations page: 315/85-16 is 37.08 in (2 x 0.85 x 315 mm + 16 in); the second follows from the definition."""
    assert tyre_diameter("315/85-16") / 0.0254 == pytest.approx(37.08, abs=0.005)
    for text in ("205/55 R16", "205/55R16", "P205/55ZR16 91V", " 205 / 55 - 16 "):
        assert tyre_diameter(text) * 1000.0 == pytest.approx(631.9, abs=1e-9)
    for text in ("", "27x8-15", "205/55", "20/55 R16", "205/55 R99"):
        with pytest.raises(lapkit.LapkitError, match="205/55 R16"):
            tyre_diameter(text)


def test_effective_gear() -> None:
    """Overall ratio is final drive times top gear: two pairs lie either side of 3.10 and within 2 % (common practice, no source)."""
    short, tall = 1.05 * 3.00, 0.95 * 3.25
    assert tall < 3.10 < short
    assert abs(short / 3.10 - 1.0) < 0.02 and abs(tall / 3.10 - 1.0) < 0.02


# ------------------------------------------------------------------------ gears found


@pytest.mark.parametrize("seed", [0, 1])
def test_gears_without_a_gear_channel(seed: int) -> None:
    samples, truth = road()
    session = session_of(noisy(samples, seed=seed), start_line=truth.track.start_line)
    found = gears(session)
    assert found.numbered_by == "order" and np.isnan(found.agreement)
    table = found.table
    assert table["gear"].tolist() == [1, 2, 3, 4, 5]
    true = np.array(ROAD_CAR.gears)
    rate, sigma = table["engine_per_road_speed"].to_numpy(), table["engine_per_road_speed_uncertainty"].to_numpy()
    assert (np.abs(rate / true - 1.0) < 0.008).all()
    assert (
        np.abs(rate - true) < 3.5 * np.hypot(sigma, 0.003 * true)
    ).all()  # a little slip is left at a little throttle
    assert table["slip"].dropna().between(0.012, 0.024).all()
    assert np.allclose(table["metres_per_revolution"] * rate, 2.0 * np.pi)
    assert 0.97 < table["time_share"].sum() <= 1.0 + 1e-9 and 0.97 < table["lap_share"].sum() <= 1.0 + 1e-9
    # which gear when, against the gear that was engaged
    own = session.samples().assign(true=samples["gear"].to_numpy())
    read = found.gear(own)
    known = read.notna() & (own["speed"] > 6.0)
    assert known.mean() > 0.97
    assert (read[known] == own.loc[known, "true"]).mean() > 0.99
    frame = session.lap(2)
    on_grid = found.gear(frame)
    assert on_grid.index.equals(frame.index) and on_grid.notna().mean() > 0.97
    assert on_grid[frame["time"] < 0].empty


def test_a_gear_channel_numbers_and_checks() -> None:
    samples, truth = road()
    session = session_of(samples.assign(gear=samples["gear"] + 1), start_line=truth.track.start_line)
    found = gears(session)  # a gearbox whose first gear is never used
    assert found.numbered_by == "gear channel" and found.agreement > 0.99
    assert found.table["gear"].tolist() == [2, 3, 4, 5, 6]
    assert not any("gear channel" in note for note in found.notes)
    wrong = samples["gear"].to_numpy().copy()
    wrong[::4] = 1
    doubtful = gears(session_of(samples.assign(gear=wrong), start_line=truth.track.start_line))
    assert any("only" in note and "of the time" in note for note in doubtful.notes)
    useless = gears(session_of(samples.assign(gear=3), start_line=truth.track.start_line))
    assert useless.numbered_by == "order" and any("it is not used" in note for note in useless.notes)


def test_ratios_and_circumference() -> None:
    samples, truth = road()
    session = session_of(samples.drop(columns="gear"), start_line=truth.track.start_line)
    round_ = 2.05
    overall = np.array(ROAD_CAR.gears) * round_ / (2.0 * np.pi)
    final = 4.0
    ratios = [3.6, *(overall / final)]  # a first gear that is never used
    found = gears(session, ratios=ratios, final_drive=final)
    assert found.numbered_by == "ratios given" and found.table["gear"].tolist() == [2, 3, 4, 5, 6]
    assert np.allclose(found.table["tyre_circumference"], round_, rtol=2e-3)
    found = gears(session, circumference=round_)
    assert np.allclose(found.table["overall_ratio"], overall, rtol=2e-3)
    assert found.table["gear_ratio"].isna().all() and any("cannot be told" in note for note in found.notes)
    sheet = make_sheet("now", {"gear_ratios": ratios, "final_drive": final, "tyre_circumference": "2.091 m"})
    found = gears(session, sheet=sheet)
    assert any("2.0 % higher" in note for note in found.notes)
    assert np.allclose(found.table["gear_ratio"], ratios[1:])
    nothing = gears(session)
    assert nothing.table["overall_ratio"].isna().all() and any("cannot be told apart" in note for note in nothing.notes)
    misfit = gears(session, ratios=[4.0, 3.5, 3.0, 2.5, 2.0, 1.5], final_drive=final)
    assert misfit.numbered_by == "order" and any("do not fit" in note for note in misfit.notes)


def test_one_gear_round_an_oval() -> None:
    samples, truth = round_oval()
    session = session_of(noisy(samples), start_line=truth.track.start_line)
    found = gears(session)
    assert len(found.table) == 1
    row = found.table.iloc[0]
    assert row["engine_per_road_speed"] == pytest.approx(truth.car.gears[0], rel=0.006)
    assert row["slip"] == pytest.approx(0.02, abs=0.005)
    assert gears(session, ratios=[2.0, 1.4, 1.0], final_drive=3.0).table["gear"].tolist() == [3]


def test_engine_speed_round_the_lap() -> None:
    samples, truth = round_oval()
    found = gears(session_of(noisy(samples, slip=0.0), start_line=truth.track.start_line))
    assert list(found.corners.columns) == CORNER_COLUMNS and list(found.straights.columns) == STRAIGHT_COLUMNS
    rate = truth.car.gears[0]
    for row, corner in zip(found.corners.to_dict("records"), truth.track.turns, strict=True):
        places = np.arange(corner.start - 20.0, corner.end + 40.0)
        lowest = np.mean([rate * truth.speed_at(lap, places).min() for lap in truth.numbers])
        assert row["engine_speed"] == pytest.approx(lowest, rel=0.004)
        assert abs(row["engine_speed"] - lowest) < 4.0 * row["engine_speed_uncertainty"] + 0.5
        assert row["lowest_engine_speed"] <= row["engine_speed"] and row["laps"] == 4 and row["gear"] == 1
    whole = np.arange(0.0, truth.track.length - 1.0)
    first, second = truth.track.turns
    for row, (a, b) in zip(
        found.straights.to_dict("records"), [(second.end, first.start), (first.end, second.start)], strict=True
    ):
        inside = (whole >= a) & (whole <= b) if a < b else (whole >= a) | (whole <= b)
        highest = np.mean([rate * truth.speed_at(lap, whole[inside]).max() for lap in truth.numbers])
        assert row["engine_speed"] == pytest.approx(highest, rel=0.004)
        assert row["straight_length"] == pytest.approx((b - a) % truth.track.length, abs=60.0)
    assert found.longest_straight is not None
    assert found.longest_straight["straight_length"] == found.straights["straight_length"].max()


# ------------------------------------------------------------------------ shape, words, bad input


def test_columns_are_in_the_glossary_and_words_carry_the_caution() -> None:
    samples, truth = round_oval()
    session = session_of(samples, start_line=truth.track.start_line)
    before = session.samples()
    found = gears(session, circumference=2.0)
    pd.testing.assert_frame_equal(session.samples(), before)
    assert list(found.table.columns) == GEAR_COLUMNS
    for name in {*GEAR_COLUMNS, *CORNER_COLUMNS, *STRAIGHT_COLUMNS}:
        assert dimension_of(name) is not None, name
        assert name.removesuffix(UNCERTAINTY) in COLUMNS or dimension_of(name)
    for shown in (repr(found), found._repr_html_()):
        assert "builder&#x27;s limit" in shown or "builder's limit" in shown
        assert "At the end of each straight" in shown
    assert found.to_dict()["caution"] == CAUTION and found.to_dict()["gears"][0]["gear"] == 1
    assert "qualified people" in CAUTION and "shock loads" in CAUTION


def test_bad_input_is_one_clear_error() -> None:
    samples, truth = round_oval()

    def of(**changed: object):
        return session_of(samples.drop(columns="gear").assign(**changed), start_line=truth.track.start_line)

    with pytest.raises(lapkit.ColumnError, match=r"no engine_speed.*columns="):
        gears(session_of(samples.drop(columns="engine_speed"), start_line=truth.track.start_line))
    rng = np.random.default_rng(2)
    for turning in (
        np.full(len(samples), 550.0),  # does not follow at all
        rng.uniform(300.0, 700.0, len(samples)),
        300.0 + 2.0 * samples["speed"],  # a gearbox without steps
    ):
        with pytest.raises(lapkit.ColumnError, match="does not follow the road speed"):
            gears(of(engine_speed=turning))
    with pytest.raises(lapkit.ColumnError, match="never rises above"):
        gears(of(engine_speed=samples["engine_speed"] / 60.0))
    for given, words in (
        ({"final_drive": 0.0}, "final drive must be above zero"),
        ({"ratios": [1.0, 2.0]}, "fall from first to top"),
        ({"circumference": 2050.0}, "give metres"),
    ):
        with pytest.raises(lapkit.LapkitError, match=words):
            gears(of(), **given)


def test_without_a_whole_lap_gears_are_found_all_the_same() -> None:
    samples, _ = road()
    part = samples.iloc[: len(samples) // 6].drop(columns=["gear"])
    found = gears(session_of(part))
    assert len(found.table) >= 3 and found.table["time_share"].isna().all()
    assert found.corners.empty and list(found.straights.columns) == STRAIGHT_COLUMNS
    assert any("no complete lap" in note for note in found.notes)
