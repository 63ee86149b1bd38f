"""The track as the laps show it, saved for other recordings: ``track``."""

from __future__ import annotations

import argparse

from lapkit.commands.common import Commands, load, print_json, print_table
from lapkit.errors import LapkitError

CORNER_KEYS = ["corner", "direction", "start_distance", "apex_distance", "end_distance", "radius"]


def register(commands: Commands) -> None:
    """Add the command."""
    sub = commands.add("track", track, "the track as the laps show it, to be saved and used for other recordings")
    sub.add_argument("--save", metavar="OUT.toml", help="write the track file, and its line as a CSV beside it")
    sub.add_argument("--name", metavar="NAME", help="name of the track")
    sub.add_argument(
        "--marker", metavar="NAME=PLACE", action="append", default=[],
        help="something beside the track, at metres from the line (water tower=350) or where the car was in a lap "
        "(gate=lap 7 at 12.3)",
    )  # fmt: skip


def track(args: argparse.Namespace) -> None:
    """Print the track, and save it."""
    from dataclasses import replace

    from lapkit.model.show import counted, plain
    from lapkit.model.tracks.track import repeated

    session = load(args, args.file)
    found = session.track
    if args.name:
        found = replace(found, name=args.name)
    marks = [_marker(text, session) for text in args.marker]
    if faults := repeated("--marker", [name for name, _ in marks]):
        raise LapkitError(f"{'; '.join(faults)}; give each a name of its own.")
    if marks:
        found = found.with_markers(dict(marks))
    if args.save:
        found.save(args.save)
    if args.json:
        print_json(
            {
                "name": found.name,
                "length": found.length,
                "place_method": session.about["place_method"],
                "corners": found.corners[CORNER_KEYS].to_dict("records"),
                "markers": found.markers[["marker", "distance"]].to_dict("records"),
                "lanes": found.lanes.to_dict("records"),
            }
        )
        return
    title = (
        f"{found.name or 'Track'}: {found.length:.1f} m, {counted(len(found.corners), 'corner')}, "
        f"{counted(len(found.markers), 'marker')}"
    )
    print_table(session, title, found.corners, CORNER_KEYS)
    for name, distance in found.markers[["marker", "distance"]].itertuples(index=False):
        print(plain(f"Marker: {name} at {distance:.1f} m"))
    if args.save:
        print(f"Saved: {args.save}")


def _marker(text: str, session: object) -> tuple[str, float]:
    """Name and place of a marker as written on the command line."""
    from lapkit.analysers.lap.markers import place_at
    from lapkit.model.session import Session

    assert isinstance(session, Session)
    name, equals, place = text.partition("=")
    words = place.split()
    try:
        if len(words) == 4 and words[0] == "lap" and words[2] == "at":
            lap, time = int(words[1]), float(words[3])
            return name.strip(), place_at(session.lap(lap), time=time)
        if equals and len(words) == 1:
            return name.strip(), float(words[0])
    except LapkitError:
        raise
    except ValueError:
        pass
    raise LapkitError(f"--marker {text}: write NAME=METRES, or NAME=lap 7 at 12.3 for where the car was after 12.3 s.")
