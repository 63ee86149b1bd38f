"""Whatever is given instead of what was asked for is told in lapkit's own words."""

from collections.abc import Callable
from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import lapkit
from lapkit import LapkitError
from lapkit.model.tracks.file import write_track
from lapkit.model.tracks.moves import reversed_track, started_at
from lapkit.model.tracks.track import KINDS, no_corners

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


ANGLE = np.arange(300) * 2 * np.pi / 300
POINTS = pd.DataFrame({"x": 80 * np.cos(ANGLE), "y": 80 * np.sin(ANGLE), "banking": 0.1})
PARTS: dict[str, Callable] = {
    "origin": lambda odd: lapkit.track_from_centre_line(POINTS, origin=odd),
    "origin of edges": lambda odd: lapkit.track_from_edges(POINTS * 0.9, POINTS, origin=odd),
    "name": lambda odd: lapkit.track_from_centre_line(POINTS, name=odd),
    "max_opening": lambda odd: lapkit.track_from_centre_line(POINTS, max_opening=odd),
    "heading": lambda odd: started_at(lapkit.track_from_centre_line(POINTS), 0.0, 80.0, odd or []),
    "along": lambda odd: lapkit.track_from_centre_line(POINTS).along(odd, np.zeros(2)),
    "places": lambda odd: lapkit.track_from_centre_line(POINTS).along("banking", [object(), odd]),
    "write_track": lambda odd: write_track(odd, "nowhere.toml"),
} | {
    f"Track.{name}": lambda odd, name=name: lapkit.Track(**{"length": 800.0, "corners": no_corners(), name: odd or [name]})
    for name in (*KINDS, "length", "origin")
}  # fmt: skip


NONE_OF = [None, [], {}, (1.0, "x"), (1.0, 2.0, 3.0), object()]
MAY_BE = [("origin", None), ("origin of edges", None), ("Track.start_line", {})]


@pytest.mark.parametrize(("name", "odd"), [case for case in product(PARTS, NONE_OF) if case not in MAY_BE])
def test_parts_of_a_track_are_looked_at(name: str, odd: object) -> None:
    with pytest.raises(LapkitError, match=r"expected .*, and got .*\.$"):
        PARTS[name](odd)


@pytest.mark.parametrize("origin", [5, (91.0, 0.0), (0.0, -181.0), ("a", "b"), (True, 1.0)])
def test_an_origin_is_latitude_and_longitude(origin: object) -> None:
    with pytest.raises(
        LapkitError, match=r"^origin: expected latitude .* and longitude .* in degrees, such as .*got [^<]*$"
    ):
        PARTS["origin"](origin)
    assert PARTS["origin"]((90.0, -180.0)).origin == (90.0, -180.0)


def test_a_column_that_no_profile_has_is_no_column_that_is_not_known() -> None:
    track = lapkit.track_from_centre_line(POINTS)
    assert track.along("height", np.zeros(2)) is None
    with pytest.raises(LapkitError, match=r"along: expected one of left_width.* got 'bankng'"):
        track.along("bankng", np.zeros(2))
    with pytest.raises(LapkitError, match="nan m from the track"):
        started_at(track, np.nan, 0.0)


def test_corners_as_they_were_measured_can_be_written_and_are_filled_in_when_read(
    lap: pd.DataFrame, tmp_path: Path
) -> None:
    measured = lapkit.corners(lap)
    lapkit.Track(float(lap.attrs["track_length"]), measured).save(tmp_path / "measured.toml")
    read = lapkit.read_track(tmp_path / "measured.toml").corners
    assert read["corner"].tolist() == measured["corner"].tolist()
    assert read["apex_distance"].notna().all()


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
