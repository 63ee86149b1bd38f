"""The sentences: single changes of a simulated driver are named, and every number in them can be looked up."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from support import session_of

from lapkit import brakings, corners, delta, explain, ledger, lifts, longitudinal_model, losses
from lapkit.analysers.ledger.explain import summary
from lapkit.analysers.ledger.findings import headline, standing_out, zones
from lapkit.analysers.ledger.two_laps import TwoLaps
from lapkit.channels import from_si
from lapkit.simulate import Braking, Lift, Line, Noise, drive, oval, oval_driver, record, road_course, road_driver
from lapkit.simulate.demo import OVAL_CAR, ROAD_CAR
from lapkit.simulate.driver import run_scripts

ROUNDED = Noise(speed_step=0.01, throttle_step=0.01)
PAIRS = [
    "deeper",
    "longer",
    "only once",
    "higher",
    "late and long",
    "on the straight",
    "slow start",
    "slow and deeper",
    "same",
]


def changed(script, number, **change):
    actions = list(script.actions)
    actions[number] = replace(actions[number], **change)
    return replace(script, actions=tuple(actions))


@cache
def oval_stint():
    """A stint of single changes: the session, its model, and (lap, reference) of each change."""
    track, car, driver = oval(), OVAL_CAR, oval_driver(oval())
    rng = np.random.default_rng(5)
    base, warm = run_scripts(driver, 1, rng, 0.0)[0], run_scripts(driver, 5, rng, 1.0)
    first = track.turns[0]
    lift = base.actions[0]
    assert isinstance(lift, Lift)
    s = np.arange(0.0, track.length, 12.0)
    share = np.clip(np.minimum((s - first.start) / 70 + 1, (first.end - s) / 70 + 1), 0, 1)
    smooth = share**3 * (10 - 15 * share + 6 * share**2)
    high = Line(track.length, s.tolist(), (base.line(s)[0] - 4.0 * smooth).tolist())
    slow = changed(base, 1, hold=base.actions[1].hold + 0.6)
    scripts = [*warm, base, base, base]
    pairs = {}
    for name, script in {
        "deeper": changed(base, 0, depth=max(lift.depth - 0.12, 0.0)),
        "longer": changed(base, 0, hold=lift.hold + 0.25),
        "only once": replace(base, actions=base.actions[:1]),
        "higher": replace(base, line=high),
        "late and long": changed(base, 0, start=lift.start + 6.0, hold=lift.hold + 0.4),
        "on the straight": replace(base, actions=(lift, Lift(600.0, 0.1, 0.3, 0.8, 0.4), *base.actions[1:])),
    }.items():
        pairs[name] = (len(scripts), len(scripts) - 1)
        scripts += [script, base, base]
    scripts += [base, base]
    pairs["same"] = (len(scripts) - 1, len(scripts) - 2)
    pairs["slow start"] = (len(scripts) + 1, len(scripts) - 1)
    scripts += [slow, base, base, slow, changed(base, 0, depth=max(lift.depth - 0.05, 0.0)), base]
    pairs["slow and deeper"] = (len(scripts) - 2, len(scripts) - 4)
    truth = drive(track, car, scripts, start_speed=43.0)
    session = session_of(record(truth, 60.0, noise=ROUNDED, seed=2), start_line=track.start_line)
    return session, longitudinal_model(session), pairs


def told(name, *, swapped=False):
    session, model, pairs = oval_stint()
    frames = [session.lap(n) for n in pairs[name]]
    return explain(*(frames[::-1] if swapped else frames), model=model), *frames, model


# ----------------------------------------------------------------- what is said


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize("swapped", [False, True])
def test_three_to_six_sentences_without_dots_missing(name, swapped):
    sentences = told(name, swapped=swapped)[0]
    assert 3 <= len(sentences) <= 6
    for sentence in sentences:
        assert sentence[0].isupper() or sentence[0].isdigit() or sentence[0] in "+-"
        assert sentence.endswith(".") and "  " not in sentence and "nan" not in sentence


def test_a_deeper_lift_is_told_with_its_corner_and_what_was_done():
    sentences, *_ = told("deeper")
    assert re.search(r"was made in corner 1( from \d+ m on)? with the throttle: ", sentences[1])
    assert re.search(r"the throttle went 1[123] points lower", sentences[1])
    assert "the lowest speed was" in sentences[1] and "lower" in sentences[1]
    assert any("paid only on the straight after corner 1" in sentence for sentence in sentences)
    assert "corner 2" not in " ".join(sentences)


def test_a_longer_lift_is_told_as_longer():
    assert re.search(r"lasted 0\.2[3-7] s longer", told("longer")[0][1])


def test_a_lift_that_only_one_lap_made():
    sentences, *_ = told("only once")
    assert "gained in corner 2" in sentences[1]
    assert "only lap" in sentences[1]


def test_a_higher_line_is_told_as_a_longer_way_in_metres():
    sentences, lap, reference, model = told("higher")
    said = " ".join(sentences)
    assert "longer way" in sentences[1]
    metres = float(re.search(r"the way was (\d+\.\d) m longer", said).group(1))
    more = lap["path"].iloc[-1] - reference["path"].iloc[-1]
    assert metres == pytest.approx(more, abs=0.6)
    advice = explain(lap, reference, model=model).to_try
    assert advice == "" or "lifted" in advice


def test_a_slower_start_is_told_as_brought_over_the_line_and_there_is_nothing_to_try():
    sentences, lap, reference, model = told("slow start")
    assert "made by the speed brought over the line" in sentences[1]
    assert re.search(r"\(\d\.\d km/h less\)", sentences[1])
    assert explain(lap, reference, model=model).to_try == ""


def test_a_lift_on_a_straight_is_its_reason_and_not_to_make_it_is_to_try():
    why, _, reference, _ = told("on the straight")
    assert re.search(
        r"on the straight after corner 1 with the throttle: only lap \d+ lifted \(\d+ m from the line, 1\.\d\d s\)",
        why[1],
    )
    assert re.fullmatch(
        rf"To try on the straight after corner 1: what lap {reference.attrs['lap']} did. "
        r"It did not lift there \((59\d|60\d) m from the line\)\.",
        why.to_try,
    )


def test_after_the_speed_over_the_line_the_costliest_place_with_a_reason_is_told():
    why, lap, reference, model = told("slow and deeper")
    assert "made by the speed brought over the line" in why[1] and "by the speed brought over the line" in why.headline
    assert re.search(
        r"^A further .* was made in corner 1.* with the throttle: the throttle went \d points lower", why[2]
    )
    assert why.to_try.startswith(f"To try in corner 1: what lap {reference.attrs['lap']} did. It went no lower than")
    session, _, _ = oval_stint()
    before = tuple(session.lap(frame.attrs["lap"] - 1) for frame in (lap, reference))
    came = explain(lap, reference, model=model, before=before)
    one, other = (frame.attrs["lap"] for frame in before)
    assert came[2].startswith(f"That speed goes back to corner 2 of the laps before, lap {one} against lap {other}: ")
    assert re.search(r"the lift lasted 0\.[56]\d s longer", came[2]) and came[3] == why[2]
    before[1].attrs["marks"] = [{"kind": "tow", "start_distance": 700.0, "end_distance": 900.0, "time_lost": -0.2}]
    came = explain(lap, reference, model=model, before=before)
    assert came[2].endswith(f": lap {other} is marked there, tow from 700 m on, 0.20 s gained.")
    for nothing in ((None, before[1]), (before[1], before[1])):  # not recorded; or no different
        assert list(explain(lap, reference, model=model, before=nothing)) == list(why)


def test_of_a_lift_made_before_a_straight_only_its_end_is_told_there():
    _, lap, reference, _ = told("longer")
    mine, theirs = (lifts(frame).iloc[0] for frame in (lap, reference))
    later = mine["end_distance"] - theirs["end_distance"]
    (fact,) = TwoLaps.of(lap, reference).lift_facts(mine["pick_up_distance"] + 0.5, 700.0)
    assert fact.words == f"full throttle came {later:.0f} m later ({mine['end_distance']:.0f} m from the line)"
    assert fact.costs == later > 0
    did = TwoLaps.of(lap, reference).done_by(1, mine["pick_up_distance"] + 0.5, 700.0, {"throttle": 0.1})
    assert did == [f"was back on full {theirs['end_distance']:.0f} m from the line"]


def test_every_fact_has_its_own_subject():
    explanations = [told(name, swapped=swapped)[0] for name in PAIRS for swapped in (False, True)]
    session, model, pairs = road_stint()
    explanations += [explain(*(session.lap(n) for n in pair), model=model) for pair in pairs.values()]
    for why in explanations:
        said = " ".join(why)
        assert not re.search(r"(: |, |and |although )(it |lasted|stayed|began|came|was pressed)", said), said


def test_to_try_leaves_out_what_did_not_cost():
    """The lap lifted later, which saved time, and held it too long, which cost more."""
    why, _, reference, _ = told("late and long")
    assert "although the lift began" in why[1] and "the lift lasted" in why[1]
    place = lifts(reference)["pick_up_distance"].iloc[0]
    assert why.to_try == (
        f"To try in corner 1: what lap {reference.attrs['lap']} did. It opened the throttle again {place:.0f} m from the line."
    )
    # the lap that gained has the other lap's late lift, and nothing more, to teach it
    other = told("late and long", swapped=True)[0]
    assert other.to_try.split("did. ")[1] == why.to_try.split("did. ")[1]


def test_to_try_names_three_things_at_most_the_greatest_first():
    lap, reference = (frame.copy() for frame in told("longer")[1:3])
    low = lifts(reference).iloc[0]
    lap.loc[low["start_distance"] - 20.0 : low["end_distance"] + 25.0, "throttle"] = 0.0
    for frame, start in ((lap, low["start_distance"] - 25.0), (reference, low["start_distance"])):
        frame["brake"] = np.where((frame.index > start) & (frame.index < start + 60.0), 0.5, 0.0)
    lap.loc[low["end_distance"] : low["end_distance"] + 20.0, "brake"] = 0.5
    pair = TwoLaps.of(lap, reference)
    did = pair.done_by(1, 0.0, 480.0, {"throttle": 0.3, "brake": 0.1})
    assert len(did) == 3
    assert pair.done_by(1, 0.0, 480.0, {"throttle": 0.3, "brake": -0.1}) != did  # a brake that saved time is not named
    assert not [words for words in pair.done_by(1, 0.0, 480.0, {"throttle": 0.3, "brake": -0.1}) if "brake" in words]
    assert pair.done_by(1, 0.0, 480.0, {"throttle": 0.002}) == []  # a trifle
    assert pair.done_by(0, 0.0, 480.0, {"throttle": 0.3, "brake": 0.1}) == []  # the lap that lost has nothing to teach


def test_without_corners_lifts_are_matched_by_place_and_the_longer_is_told_with_its_noise():
    session, _, pairs = oval_stint()
    bare = session.samples()[["time", "lap", "speed", "throttle"]].iloc[::6].reset_index(drop=True)
    plain = session_of(bare)
    lap, reference = (plain.lap(n) for n in pairs["longer"])
    assert not lap.attrs["corners"]
    why = explain(lap, reference, model=longitudinal_model(plain))
    found = re.search(r"[Tt]he lift .*lasted (0\.\d\d) s \(±(0\.\d\d)\) longer", " ".join(why))
    assert found and float(found[1]) == pytest.approx(0.25, abs=float(found[2])), list(why)
    # where no place stands out of the noise of the clock, the lift is told by itself
    (alone,) = TwoLaps.of(lap, reference).lift_that_differs()
    assert re.fullmatch(
        rf"The lift \d+ m from the line lasted {found[1]} s \(±{found[2]}\) longer \(\d\.\d\d s\)\.", alone
    )
    assert TwoLaps.of(lap, lap).lift_that_differs() == []


def test_equal_laps_are_told_as_equal():
    sentences, lap, reference, model = told("same")
    assert sentences[0].endswith("the two may be equal.")
    assert explain(lap, reference, model=model).to_try == ""
    assert explain(lap, lap, model=model)[1].startswith("No place and no cause stands out")


def test_a_lap_that_was_faster_gained():
    sentences, lap, reference, model = told("deeper", swapped=True)
    assert "faster" in sentences[0]
    assert "was gained in corner 1" in sentences[1]
    assert "less low" in sentences[1]
    advice = explain(reference, lap, model=model).to_try
    assert advice.startswith(f"To try in corner 1: what lap {reference.attrs['lap']} did.")


def test_braking_for_a_corner_is_told_at_the_corner():
    """A driver brakes on the straight, for the corner ahead."""
    track, car = road_course(), ROAD_CAR
    rng = np.random.default_rng(6)
    driver = road_driver(track, car)
    base, warm = run_scripts(driver, 1, rng, 0.0)[0], run_scripts(driver, 4, rng, 1.0)
    zone = next(k for k, action in enumerate(base.actions) if isinstance(action, Braking))
    early = changed(base, zone, start=base.actions[zone].start - 12.0)
    truth = drive(track, car, [*warm, base, base, early, base], start_speed=45.0)
    session = session_of(record(truth, 60.0, noise=ROUNDED, seed=2), start_line=track.start_line)
    sentences = explain(session.lap(8), session.lap(7), model=longitudinal_model(session))
    assert re.search(r"was made in corner 1 from \d+ m on .*brake", sentences[1])
    assert re.search(r"the lift began 1[0-4] m earlier", sentences[1])


# -------------------------------------------------------------- what it rests on


def looked_up(lap, reference, model):
    """Every number the sentences may hold, by unit."""
    book, table = ledger(lap, reference, model=model), delta(lap, reference)
    events = [lifts(lap), lifts(reference), corners(lap), corners(reference)]
    rows = corners(lap)
    seconds = [
        *table["delta"].tail(1),
        *(2 * table["delta_uncertainty"].tail(1)),
        *losses(table, count=None)["time_lost"],
    ]
    seconds += [book.carried_in, 2 * book.carried_in_uncertainty, *book.told.segments["time_lost"]]
    for zone in zones(book):
        seconds += [zone.made, zone.noise, *zone.costs.values()]
    whole = book.by_cause()
    seconds += [
        *whole["time_lost"],
        *(2 * whole["time_lost_uncertainty"]),
        lap.attrs["lap_time"],
        reference.attrs["lap_time"],
    ]
    mine, theirs = events[0]["duration"].to_numpy(), events[1]["duration"].to_numpy()
    seconds += [*mine, *theirs, *(mine[:, None] - theirs).ravel()]
    metres = []
    for name in ("start_distance", "pick_up_distance"):
        place, other = (events[k][name].to_numpy() for k in (0, 1))
        metres += [*place, *other, *(place[:, None] - other).ravel()]
    metres += [*rows["start_distance"], *rows["end_distance"]]
    for zone in zones(book):
        ways = [f.loc[(f.index >= zone.start) & (f.index <= zone.end), "path"] for f in (lap, reference)]
        metres.append(np.subtract(*(way.iloc[-1] - way.iloc[0] for way in ways)))
    low, high = (events[k]["min_speed"].to_numpy() for k in (2, 3))
    speeds = [*low, *high, *(low[:, None] - high).ravel()]
    speeds.append(book.places["energy_difference"].iloc[0] / np.mean([f["speed"].iloc[0] for f in (lap, reference)]))
    floor, lowest = (events[k]["min_throttle"].to_numpy() for k in (0, 1))
    shares = 100 * np.concatenate([floor, lowest, (floor[:, None] - lowest).ravel()])
    return {
        "s": seconds,
        "m": metres,
        "km/h": [from_si(v, "km/h", "speed") for v in speeds],
        "%": shares,
        "points": shares,
    }


@pytest.mark.parametrize("name", PAIRS)
@pytest.mark.parametrize("swapped", [False, True])
def test_every_number_is_in_a_table(name, swapped):
    sentences, lap, reference, model = told(name, swapped=swapped)
    if swapped:
        lap, reference = reference, lap
    known = looked_up(lap, reference, model)
    text = " ".join([*sentences, explain(lap, reference, model=model).to_try])
    text = re.sub(r"±([\d.]+)\)", r"±\1 s)", text.replace("±", "± "))
    text = re.sub(r"± ([\d.]+)\)", r"\1 s)", text)
    found = re.findall(r"(?<![\d.])(\d+(?:\.\d+)?) (s|m|km/h|%|points)(?![\w/])", text)
    assert len(found) >= 3
    for number, unit in found:
        decimals = len(number.partition(".")[2])
        miss = np.abs(np.abs(np.asarray(known[unit], dtype=float)) - float(number))
        assert np.nanmin(miss) <= 0.51 * 10.0**-decimals, f"{number} {unit} in: {text}"


def test_nothing_inside_its_noise_is_told():
    for name in PAIRS:
        _, lap, reference, model = told(name)
        book = ledger(lap, reference, model=model)
        for zone in [*standing_out(book)[0], *standing_out(book)[1]]:
            assert abs(zone.made) > zone.noise
            assert all(abs(cost) > 2 * zone.sigma[cause] for cause, cost in zone.parts.items())
            assert "unexplained" not in zone.parts


def test_a_corner_counts_from_the_lift_for_it_and_no_cell_is_lost():
    _, lap, reference, model = told("deeper")
    book = ledger(lap, reference, model=model)
    rows = book.told
    np.testing.assert_allclose(rows.cells.sum(), book.cells.sum(), atol=1e-12)
    assert rows.segments["time_lost"].sum() == pytest.approx(book.total, abs=1e-9)
    np.testing.assert_allclose(pd.DataFrame([z.costs for z in zones(book)]).sum(), book.cells.sum(), atol=1e-12)
    second = next(zone for zone in zones(book) if zone.corner == "2")
    first = min(lifts(frame)["start_distance"].iloc[-1] for frame in (lap, reference))
    own = book.segments.loc[book.segments["corner"] == "2", "start_distance"].min()
    assert first < own and second.start == first  # it was lifted for on the straight
    assert second.since == f"{first:.0f} m" and second.where == f"in corner 2 from {first:.0f} m on"
    places = book.places[list(book.causes)]
    inside = (places.index >= first - 1e-9) & (places.index < second.end)
    np.testing.assert_allclose(pd.Series(second.costs), places[inside].sum(), atol=1e-12)
    swapped = ledger(reference, lap, model=model).told
    assert swapped.begins == rows.begins
    np.testing.assert_allclose(swapped.cells.to_numpy(), -rows.cells.to_numpy(), atol=1e-15)


def test_a_straight_of_which_nothing_is_left_has_no_row():
    _, lap, reference, model = told("deeper")
    lap, reference = lap.copy(), reference.copy()
    for frame in (lap, reference):  # the corner is said to end after the next one's lift has begun
        frame.attrs["corners"] = [dict(row) for row in frame.attrs["corners"]]
        lift = lifts(frame)["start_distance"].iloc[-1]
        frame.attrs["corners"][0]["end_distance"] = lift + 1.0
    book = ledger(lap, reference, model=model)
    assert "straight after corner 1" in book.cells.index
    assert "straight after corner 1" not in book.told.cells.index
    np.testing.assert_allclose(book.told.cells.sum(), book.cells.sum(), atol=1e-12)


@cache
def road_stint():
    """Laps of a road course in which one braking is begun 8 m earlier, in zones 3 and 4: one inside the corner before it."""
    track, car = road_course(), ROAD_CAR
    driver = road_driver(track, car)
    base, warm = (run_scripts(driver, n, np.random.default_rng(6), how)[0] for n, how in ((1, 0.0), (5, 1.0)))
    zones_ = [k for k, action in enumerate(base.actions) if isinstance(action, Braking)]
    scripts, pairs = [warm, base, base], {}
    for zone in (3, 4):
        pairs[zone] = (len(scripts), len(scripts) - 1)
        k = zones_[zone - 1]
        scripts += [changed(base, k, start=base.actions[k].start - 8.0), base, base]
    truth = drive(track, car, scripts, start_speed=45.0)
    session = session_of(record(truth, 60.0, noise=ROUNDED, seed=2), start_line=track.start_line, step=0.5)
    return session, longitudinal_model(session), pairs


@pytest.mark.parametrize("zone", [3, 4])
def test_a_braking_begun_earlier_is_told_where_it_was(zone):
    session, model, pairs = road_stint()
    lap, reference = (session.lap(number) for number in pairs[zone])
    why = explain(lap, reference, model=model)
    moved = re.search(r"the brake came on (\d+) m earlier \((\d+) m from the line\)", " ".join(why))
    assert moved is not None and abs(int(moved[1]) - 8) <= 1, list(why)
    starts = brakings(lap)["start_distance"]
    assert (starts - float(moved[2])).abs().min() < 0.6
    assert "the lift began 8 m earlier" in " ".join(why)
    assert "braked" in why.to_try
    # the other way round it is the other lap's lift and braking that came later
    assert "the brake came on 8 m later" in " ".join(explain(reference, lap, model=model))


# ----------------------------------------------------------------- what is missing


def test_without_throttle_the_reason_is_given_and_the_clock_is_told():
    _, lap, reference, _ = told("deeper")
    lap, reference = (frame.drop(columns="throttle") for frame in (lap, reference))
    sentences = explain(lap, reference)
    assert list(sentences[:3]) == summary(lap, reference)
    assert "no model of the car could be fitted: there is no throttle" in sentences[3]
    assert 4 <= len(sentences) <= 5
    assert explain(lap, reference).to_try == ""
    assert headline(ledger(lap, reference)).endswith("only where it was paid is known")


def test_a_longer_way_is_told_even_where_the_model_is_refused():
    _, lap, reference, _ = told("higher")
    lap, reference = (frame.drop(columns="throttle") for frame in (lap, reference))
    assert "longer way alone is +0." in explain(lap, reference)[-1]


def test_without_position_nothing_is_said_of_the_way():
    _, lap, reference, model = told("deeper")
    lap, reference = (frame.drop(columns=["x", "y", "offset"], errors="ignore") for frame in (lap, reference))
    assert "way" not in " ".join(explain(lap, reference, model=model)).replace("was made", "")


def test_a_lap_that_is_not_whole_has_nothing_to_explain():
    _, lap, reference, _ = told("deeper")
    lap = lap.copy()
    lap.attrs["lap_time"] = None
    assert "not both whole laps" in explain(lap, reference)[0]


def test_a_speed_that_is_not_known_is_not_called_the_same():
    _, lap, reference, _ = told("same")
    lap = lap.copy()
    corner = lap.attrs["corners"][0]
    lap.loc[corner["apex_distance"] - 40.0 : corner["apex_distance"] + 40.0] = np.nan
    said = summary(lap, reference)
    assert "the lowest speed was the same" not in said[2] or "corner 1" not in said[2]
    assert 3 <= len(explain(lap, reference)) <= 6


def test_speeds_are_in_the_persons_unit():
    _, lap, reference, model = told("deeper")
    lap = lap.copy()
    lap.attrs["speed_unit"] = "mph"
    said = " ".join(explain(lap, reference, model=model))
    assert " mph lower" in said and "km/h" not in said


def test_laps_of_two_files_are_told_apart():
    _, lap, reference, model = told("deeper")
    lap = lap.copy()
    lap.attrs["source"] = "other.csv"
    sentences = explain(lap, reference, model=model)
    assert f"Lap {lap.attrs['lap']} of other.csv" in sentences[0]
    assert "of simulated.csv" in sentences[0]


def test_the_frames_are_left_alone():
    _, lap, reference, model = told("deeper")
    before = lap.copy(), reference.copy()
    explain(lap, reference, model=model)
    assert lap.equals(before[0]) and reference.equals(before[1])


def test_an_explanation_is_shown_and_written():
    _, lap, reference, model = told("deeper")
    lap = lap.copy()
    lap.attrs["source"] = "<b>mine</b>.csv"
    why = explain(lap, reference, model=model)
    plain = json.loads(json.dumps(why.to_dict()))
    assert plain["sentences"] == list(why) == list(why.sentences) and plain["headline"] == why.headline
    assert plain["ledger"]["total"] == why.book.total
    shown = why._repr_html_()
    assert "&lt;b&gt;mine" in shown and "<b>mine" not in shown
    assert "<b>To try in corner 1:</b>" in shown
    assert "qualified people" in shown and "qualified people" in repr(why)
    assert why[0] in repr(why) and len(why[:2]) == 2
