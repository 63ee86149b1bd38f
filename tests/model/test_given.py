"""Whatever is given instead of what was asked for is told in lapkit's own words."""

from collections.abc import Callable

import pandas as pd
import pytest

import lapkit
from lapkit import LapkitError
from lapkit.model.tracks.moves import reversed_track, started_at

LAPS: dict[str, Callable] = {
    name: getattr(lapkit, name)
    for name in ("corners", "lifts", "line_speed", "driven_line", "height_runs", "surface", "best_lap", "learn_track",
                 "losses", "lane_shares", "corner_lines", "line_groups")
} | {
    "delta": lambda odd: lapkit.delta(odd, odd), "compare_lines": lambda odd: lapkit.compare_lines(odd, odd),
    "height_run": lambda odd: lapkit.height_run(odd, 10.0, 50.0), "place_at": lambda odd: lapkit.place_at(odd, time=1.0),
    "line_profiles": lapkit.charts.line_profiles, "line_costs": lapkit.charts.line_costs,
    "lane_shares_chart": lapkit.charts.lane_shares_chart, "track_map": lapkit.charts.track_map,
}  # fmt: skip
TRACKS: dict[str, Callable] = {
    "read_track": lapkit.read_track, "track_from_centre_line": lapkit.track_from_centre_line,
    "track_from_edges": lambda odd: lapkit.track_from_edges(odd, odd), "reversed_track": reversed_track,
    "started_at": lambda odd: started_at(odd, 0.0, 0.0),
}  # fmt: skip
ODD = {"None": None, "list": [], "number": 5, "text": "x", "frame": pd.DataFrame(), "dict": {}, "list of None": [None]}


@pytest.fixture(scope="module")
def lap() -> pd.DataFrame:
    return lapkit.load("sample_data/oval_run.csv").lap(3)


@pytest.mark.parametrize("odd", ODD)
@pytest.mark.parametrize("name", LAPS | TRACKS)
def test_what_is_no_lap_or_track_is_refused(name: str, odd: str) -> None:
    if odd == "list" and name in ("lane_shares", "corner_lines", "line_groups"):
        assert (LAPS | TRACKS)[name]([]).empty  # no laps, no rows
        return
    with pytest.raises(LapkitError) as caught:
        (LAPS | TRACKS)[name](ODD[odd])
    assert len(str(caught.value)) > 40


@pytest.mark.parametrize(
    "name", ["height_runs", "surface", "best_lap", "lane_shares", "delta", "compare_lines", "track_map"]
)
def test_a_lap_that_says_nothing_of_itself_is_refused_or_taken_in_silence(lap: pd.DataFrame, name: str) -> None:
    bare = lap.copy()
    bare.attrs = {}
    if name == "surface":
        assert len(lapkit.surface(bare)) == len(lap)
        return
    with pytest.raises(LapkitError, match=r"does not say its '\w+'.*give a frame from session.lap"):
        LAPS[name](bare)


@pytest.mark.parametrize("odd", [[], 5, "x", pd.DataFrame()])
def test_models_surfaces_and_tables_of_places_are_looked_at_too(lap: pd.DataFrame, odd: object) -> None:
    calls: list[Callable] = [
        lambda: lapkit.compare_lines(lap, lap, model=odd),
        lambda: lapkit.height_runs(lap, model=odd),
        lambda: lapkit.height_runs(lap, surface=odd),
        lambda: lapkit.surface(lap, sources=odd),
        lambda: lapkit.place_at(lap, time=[odd]),
        lambda: lapkit.charts.track_map(lap, comparison=odd),
        lambda: lapkit.corners(lap, where=[odd]),
        lambda: lapkit.lane_shares(lap, lanes=[odd]),
        lambda: lapkit.Track(800.0, lapkit.corners(lap)).with_lanes([odd]),
        lambda: lapkit.Track(800.0, lapkit.corners(lap)).with_markers([odd]),
    ]
    for call in calls:
        with pytest.raises(LapkitError, match=r"expected|is not a"):
            call()


def test_the_message_says_what_was_asked_for_found_and_to_do() -> None:
    with pytest.raises(
        lapkit.FrameError, match=r"laps: expected a session, or one lap's frame or samples, and got None"
    ):
        lapkit.corners(None)
    with pytest.raises(
        lapkit.FrameError, match=r"laps_a: expected a lap frame or a list of them.*session.lap\(n\).* got 5\."
    ):
        lapkit.compare_lines(5, 5)
    with pytest.raises(lapkit.FileError, match=r"read_track: expected the path of a track file .* got 0\.0"):
        lapkit.read_track(0.0)
