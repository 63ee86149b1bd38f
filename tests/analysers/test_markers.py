"""Places as metres before or after things beside the track: by hand, against a plain search, and on simulated laps."""

from __future__ import annotations

import re
from dataclasses import replace
from functools import cache

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support import session_of

from lapkit import corners, explain, lifts
from lapkit.analysers.lap.corners import CORNER_COLUMNS
from lapkit.analysers.lap.lifts import LIFT_COLUMNS
from lapkit.analysers.lap.markers import describe_place, place_at, to_marker
from lapkit.analysers.ledger.findings import zones
from lapkit.analysers.ledger.ledger import ledger
from lapkit.analysers.ledger.two_laps import TwoLaps
from lapkit.channels import dimension_of
from lapkit.errors import FrameError, LapError
from lapkit.simulate import Lift, Noise, drive, oval, oval_driver, record, stint
from lapkit.simulate.demo import OVAL_CAR
from lapkit.simulate.driver import run_scripts

# ----------------------------------------------------------------- the nearest marker


def test_before_is_negative_after_is_positive_and_the_line_is_no_border():
    names, metres = to_marker([990.0, 5.0, 300.0, 1300.0, 499.0], {"gate": 10.0, "seam": 310.0}, length=1000.0)
    assert names.tolist() == ["gate", "gate", "seam", "seam", "seam"]
    assert metres.tolist() == [-20.0, -5.0, -10.0, -10.0, 189.0]
    names, metres = to_marker([990.0], {"gate": 10.0, "seam": 310.0}, length=None)
    assert (names.tolist(), metres.tolist()) == (["seam"], [680.0])


@settings(max_examples=200, deadline=None)
@given(
    places=st.lists(st.floats(-3000, 3000), min_size=1, max_size=8),
    marks=st.lists(st.floats(0, 999), min_size=1, max_size=6, unique=True),
)
def test_the_same_as_trying_every_marker_on_three_laps(places, marks):
    names, metres = to_marker(places, {f"m{k}": mark for k, mark in enumerate(marks)}, length=1000.0)
    away = np.mod(np.array(places)[:, None] - np.array(marks), 1000.0)
    away = np.where(away > 500.0, away - 1000.0, away)
    assert np.abs(metres) == pytest.approx(np.abs(away).min(axis=1), abs=1e-9)
    named = np.array([int(name[1:]) for name in names])
    own = np.abs(away[np.arange(len(places)), named])
    assert own == pytest.approx(np.abs(metres), abs=1e-9)
    turned = np.mod(np.array(marks)[named] + metres - np.array(places) + 500.0, 1000.0) - 500.0
    assert turned == pytest.approx(np.zeros(len(places)), abs=1e-6)


def test_tables_records_and_mappings_say_the_same_and_unknown_places_stay_unknown():
    table = pd.DataFrame({"marker": ["gate", "lost"], "distance": [40.0, np.nan]})
    for markers in (table, table.to_dict("records"), {"gate": 40.0}):
        names, metres = to_marker([39.0, np.nan], markers, length=500.0)
        assert names.tolist() == ["gate", ""]
        assert metres[0] == -1.0
        assert np.isnan(metres[1])
    for nothing in (None, [], {}, table.iloc[:0]):
        names, metres = to_marker([1.0, 2.0], nothing, length=500.0)
        assert names.tolist() == ["", ""]
        assert np.isnan(metres).all()
    with pytest.raises(FrameError, match=r"markers: there is no distance \(found: marker, at\)"):
        to_marker([1.0], [{"marker": "gate", "at": 3.0}], length=500.0)


@pytest.mark.parametrize(("distance", "said"), [
    (388.0, "12 m before the water tower"), (412.4, "12 m after the water tower"), (400.4, "at the water tower"),
    (10.0, "at Gate 4"), (150.0, "140 m after Gate 4"), (700.0, "300 m after the water tower"), (np.nan, ""),
])  # fmt: skip
def test_in_words(distance, said):
    markers = {"water tower": 400.0, "Gate 4": 10.0}
    assert describe_place(distance, markers, length=1100.0) == said


def test_words_need_a_marker_and_its_article_is_not_doubled():
    assert describe_place(3.0, None) == ""
    assert describe_place(3.0, {"the old pine": 9.0}) == "6 m before the old pine"
    assert describe_place(250.0, {"gate": 10.0}, within=300.0) == "240 m after the gate"


# ------------------------------------------------------------------- here, on a lap


@cache
def run(laps: int = 6, rate: float = 50.0):
    samples, truth = stint(laps=laps, rate=rate, seed=4)
    plain = session_of(samples, start_line=truth.track.start_line)
    track = plain.track.with_markers({"water tower": 400.0, "gate": 2.0})
    return truth, plain, session_of(samples, start_line=truth.track.start_line, track=track)


def test_here_is_where_the_car_was():
    truth, plain, _ = run()
    for time in (0.0, 0.013, 12.3, float(truth.laps["lap_time"].iloc[1]) - 0.004):
        here = float(truth.run_distance(truth.start(2) + time)) - truth.track.length
        for lap in (plain.lap(2), plain.samples(2)):
            # the session's reference line is the laps' own, a few metres longer than the centre line
            assert place_at(lap, time=time) == pytest.approx(here, abs=12.0)
        assert place_at(plain.lap(2), time=time) == pytest.approx(place_at(plain.samples(2), time=time), abs=0.02)
    lap = plain.lap(3)
    at = np.interp(place_at(lap, time=9.87), lap.index, lap["time"])
    assert at == pytest.approx(9.87, abs=1e-9)


def test_here_names_a_marker_for_every_lap():
    _, plain, _ = run()
    lap = plain.lap(2)
    start = float(lifts(plain, lap=2)["start_time"].iloc[0])
    track = plain.track.with_markers({"wall seam": place_at(lap, time=start)})
    table = lifts(session_of(plain.recording.samples, start_line=oval().start_line, track=track))
    own = table[(table["lap"] == 2) & (table["lift"] == 1)].iloc[0]
    assert own["start_marker"] == "wall seam"
    assert own["start_to_marker"] == pytest.approx(0.0, abs=0.05)


def test_outside_the_lap_and_in_a_hole_there_is_no_here():
    _, plain, _ = run()
    lap = plain.lap(2)
    with pytest.raises(LapError, match=r"lap 2 was recorded from 0.000 to \d+\.\d+ s .*, and time=99 s lies outside"):
        place_at(lap, time=99.0)
    torn = lap.copy()
    torn.loc[300:400] = np.nan
    with pytest.raises(LapError, match=r"lap 2 has a hole from \d+\.\d+ to \d+\.\d+ s"):
        place_at(torn, time=float(lap["time"].loc[350]))


# ----------------------------------------------------------------------- the tables


def test_every_event_is_told_from_its_nearest_marker():
    _, _, named = run()
    length = named.track.length
    for table, events in (
        (lifts(named), ("start", "pick_up", "end")),
        (corners(named), ("turn_in", "min_speed")),
    ):
        for event in events:
            place = table[f"{event}_distance"].to_numpy()
            names, metres = to_marker(place, {"water tower": 400.0, "gate": 2.0}, length=length)
            assert table[f"{event}_marker"].tolist() == names.tolist()
            assert table[f"{event}_to_marker"].to_numpy() == pytest.approx(metres, nan_ok=True)
    table = lifts(named)
    assert set(table["start_marker"]) == {"water tower", "gate"}
    frame = lifts(named.lap(2))
    assert frame["start_marker"].tolist() == table.loc[table["lap"] == 2, "start_marker"].tolist()
    assert frame["start_to_marker"].to_numpy() == pytest.approx(
        table.loc[table["lap"] == 2, "start_to_marker"].to_numpy(), abs=1.5
    )


def test_without_markers_the_same_columns_hold_nothing():
    _, plain, named = run()
    for function, columns in ((lifts, LIFT_COLUMNS), (corners, CORNER_COLUMNS)):
        bare, full, empty = function(plain), function(named), function(plain.lap(2).iloc[:30])
        assert list(bare.columns) == list(full.columns) == list(empty.columns) == list(columns)
        assert bare.dtypes.equals(full.dtypes)
        beside = [name for name in columns if name.endswith("_marker") and not name.endswith("_to_marker")]
        assert len(beside) >= 2
        for name in beside:
            assert set(bare[name]) == {""}
            assert bare[name.replace("_marker", "_to_marker")].isna().all()
        assert [name for name in columns if dimension_of(name) is None] == []


def test_the_order_of_a_lift_is_start_pick_up_end():
    _, plain, _ = run()
    table = lifts(plain)
    assert (table["start_distance"] < table["pick_up_distance"]).all()
    assert (table["pick_up_distance"] < table["end_distance"]).all()


PEDAL = Noise(throttle=0.004, throttle_step=0.01)


@pytest.mark.parametrize("rate", [20.0, 60.0, 100.0])
@pytest.mark.parametrize("noise", [None, PEDAL])
def test_pick_up_and_end_lie_within_two_uncertainties(rate, noise):
    truth = run(40, 20.0)[0]
    samples = record(truth, rate, noise=noise, seed=round(rate))
    session = session_of(samples, start_line=truth.track.start_line)
    fine = np.arange(-0.1, 4.0, 0.0005)
    inside: dict[str, list[bool]] = {"pick_up": [], "end": []}
    for number in truth.numbers:
        lap = session.samples(number)
        for _, lift in lifts(session, lap=number).iterrows():
            at = lift["start_time"] + fine
            throttle = truth.throttle(truth.start(number) + at)
            low = at[throttle < throttle.min() + 1e-6][-1]
            full = at[(throttle < 1.0 - 1e-6) & (at < low + 1.0)][-1]
            for event, when in (("pick_up", low), ("end", full)):
                place = np.interp(when, lap["time"], lap["distance"])
                # measured on the lap's own places: the error of place is not at stake
                own = np.sqrt(max(lift[f"{event}_distance_uncertainty"] ** 2 - lap.attrs["place_error"] ** 2, 0.0))
                inside[event].append(abs(lift[f"{event}_distance"] - place) <= 2.0 * own + 0.03)
    for event, hits in inside.items():
        assert len(hits) == 80
        assert np.mean(hits) >= 0.9, event


# -------------------------------------------------------------------------- in words


@cache
def early_lift():
    """A lap that lifts 15 m earlier for corner 1 and holds on longer, and the lap before it."""
    track, driver = oval(), oval_driver(oval())
    base, *warm = run_scripts(driver, 6, np.random.default_rng(5), 0.3)
    lift = base.actions[0]
    assert isinstance(lift, Lift)
    early = replace(base, actions=(replace(lift, start=lift.start - 15.0, hold=lift.hold + 0.3), *base.actions[1:]))
    truth = drive(track, OVAL_CAR, [*warm, base, base, early, base], start_speed=43.0)
    samples = record(truth, 60.0, seed=2)
    plain = session_of(samples, start_line=track.start_line)
    start = float(lifts(plain, lap=truth.numbers[-1])["start_distance"].iloc[0])
    named = session_of(
        samples, start_line=track.start_line, track=plain.track.with_markers({"water tower": start + 5.0})
    )
    return plain, named, truth.numbers[-1]


def test_sentences_place_a_lift_by_its_marker():
    plain, named, last = early_lift()
    for session, where in ((plain, r"\d+ m from the line"), (named, "5 m before the water tower")):
        said = " ".join(explain(session.lap(last), session.lap(last - 1)))
        advice = explain(session.lap(last), session.lap(last - 1)).to_try
        assert re.search(rf"the lift began 1[45] m earlier \({where}\)", said), said
        assert re.search(r"It lifted \d+ m (before|after) the water tower", advice) or session is plain, advice
        assert ("from 5 m before the water tower on" in said) == (session is named), said
    assert "water tower" not in " ".join(explain(plain.lap(last), plain.lap(last - 1)))


def test_a_place_is_told_from_the_same_marker_in_table_and_sentences_however_far_away():
    plain, _, last = early_lift()
    track = plain.track.with_markers({"far tree": 800.0})
    far = session_of(plain.recording.samples, start_line=oval().start_line, track=track)
    why = explain(far.lap(last), far.lap(last - 1))
    start = lifts(far, lap=last).iloc[0]
    told = describe_place(start["start_distance"], track.markers, length=track.length)
    assert told == f"{start['start_to_marker']:.0f} m after the far tree"
    assert f"the lift began 15 m earlier ({told})" in " ".join(why)
    assert f"in corner 1 from {told} on" in why.headline and f"(from {told} on)" in repr(why.book)
    assert "from the line" not in " ".join([*why, why.to_try])  # one kind of place


def test_a_place_not_known_well_enough_is_told_from_no_marker_in_a_sentence_either():
    _, named, last = early_lift()
    frames = [named.lap(n) for n in (last, last - 1)]
    for frame in frames:
        frame.attrs["place_error"] = 20.0
    lift = lifts(frames[0]).iloc[0].to_dict()
    assert lift["start_distance_uncertainty"] > 15.0
    assert TwoLaps.of(*frames).at(0, lift) == f"{lift['start_distance']:.0f} m from the line"
    assert "water tower" not in " ".join(explain(*frames))


def test_a_corner_is_told_by_a_marker_only_where_it_counts_from_a_lift():
    plain, named, last = early_lift()
    for session, where in ((named, "5 m before the water tower"), (plain, None)):
        since = {zone.corner: zone.since for zone in zones(ledger(session.lap(last), session.lap(last - 1)))}
        assert since["1"] == where or (where is None and since["1"].endswith(" m"))
        assert since[""] == ""


def test_a_distance_that_is_no_number_is_refused():
    with pytest.raises(FrameError, match="not a number"):
        to_marker([1.0], {"gate": "far"}, length=100.0)  # type: ignore[dict-item]


def test_a_place_without_end_and_a_lap_without_length() -> None:
    names, metres = to_marker([np.inf, -np.inf, np.nan], {"gate": 5.0}, length=100.0)
    assert names.tolist() == ["", "", ""]
    assert np.isnan(metres).all()
    for length in (0.0, np.nan):
        with pytest.raises(FrameError, match="is not that of a lap"):
            to_marker([1.0], {"gate": 5.0}, length=length)
