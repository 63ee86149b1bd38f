"""A real recording of a full-size car on a road course, where it lies beside the checkout; skipped elsewhere.

Lap times here come from an independent reading: NumPy alone, the two samples around each crossing of the gate.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lapkit

FOLDER = Path(__file__).parents[2] / "shared" / "data" / "road-course-recording"
FILE = FOLDER / "recording.csv"
GATE = (-45.970, 131.577, 1.121)

pytestmark = pytest.mark.skipif(not FILE.exists(), reason="the real recording is not beside this checkout")


def by_hand() -> np.ndarray:
    table = pd.read_csv(FILE)
    time, x, y = (table.iloc[:, k].to_numpy() for k in range(3))
    ahead = (x - GATE[0]) * np.cos(GATE[2]) + (y - GATE[1]) * np.sin(GATE[2])
    aside = (y - GATE[1]) * np.cos(GATE[2]) - (x - GATE[0]) * np.sin(GATE[2])
    hit = np.flatnonzero((ahead[:-1] < 0) & (ahead[1:] >= 0) & (np.abs(aside[:-1]) < 20))
    return np.diff(time[hit] - ahead[hit] * np.diff(time)[hit] / np.diff(ahead)[hit])


@pytest.mark.parametrize("line", [GATE, GATE[:2], "-45.970,131.577,1.121"])
def test_two_full_laps_and_a_part_at_each_end(line):
    session = lapkit.load(FILE, start_line=line)
    laps = session.laps
    assert list(laps["complete"]) == [False, True, True, False]
    assert laps["flags"].iloc[0] == "out,stop"
    np.testing.assert_allclose(laps["lap_time"].iloc[1:3], by_hand(), atol=0.01)


def test_mixed_units_come_out_alike():
    samples = lapkit.load(FILE, start_line=GATE).recording.samples
    moving = samples["speed"] > 10
    wheels = samples.loc[moving, [f"wheel_speed_{k}" for k in ("fl", "fr", "rl", "rr")]].mean(axis=1)
    assert (wheels / samples.loc[moving, "speed"]).median() == pytest.approx(1.0, abs=0.03)
    assert samples["throttle"].max() == pytest.approx(0.4246, abs=1e-3)


def test_full_throttle_is_never_reached_and_no_lift_is_invented():
    session = lapkit.load(FILE, start_line=GATE)
    assert session.full_throttle is None
    with pytest.warns(lapkit.DataWarning, match="it reaches 42 %"):
        assert lapkit.lifts(session).empty


def test_without_a_line_the_loop_still_gives_two_laps():
    session = lapkit.load(FILE)
    assert int(session.laps["complete"].sum()) == 2
    assert any("longest straight" in line for line in session.assumptions)


def test_delta_between_the_laps_ends_at_their_difference():
    session = lapkit.load(FILE, start_line=GATE)
    change = lapkit.delta(session.lap(1), session.lap(2))
    first, second = by_hand()
    assert change["delta"].iloc[-1] == pytest.approx(first - second, abs=0.02)
