"""Looking at one recording: ``laps``, ``lifts``, ``brakings``, ``corners``."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable
from typing import TYPE_CHECKING

from lapkit.commands.common import Commands, load, print_json, print_notes, print_table, records, working
from lapkit.commands.spelling import spoken

if TYPE_CHECKING:
    import pandas as pd

    from lapkit.model.session import Session

LAP_KEYS = ["lap", "lap_time", "lap_time_uncertainty", "complete", "flags", "speed_at_line", "top_speed", "min_speed",
            "path_length"]  # fmt: skip
LIFT_KEYS = ["start_distance", "pick_up_distance", "end_distance", "start_time", "duration", "duration_uncertainty", "min_throttle",
             "full_lift_time", "kind"]  # fmt: skip
BRAKING_KEYS = ["start_distance", "end_distance", "start_time", "duration", "duration_uncertainty", "max_brake",
                "max_brake_pressure", "start_speed", "end_speed", "speed_lost", "mean_deceleration"]  # fmt: skip
CORNER_KEYS = ["corner", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
               "exit_speed", "corner_time"]  # fmt: skip

# events whose place is also told from the nearest marker, where the track has markers: event -> (its place, what it is called)
LIFT_EVENTS = {"start": "lift point", "pick_up": "pick-up", "end": "full throttle"}
BRAKING_EVENTS = {"start": "brake on", "end": "brake off"}
CORNER_EVENTS = {"turn_in": "turn-in", "min_speed": "lowest speed"}


MARKED = {
    "(nothing)": "a clean lap; one that only lost time is clean too, and no other: what is chosen for you is chosen of these",
    "partial": "the recording begins or ends on the way round, so the lap has no time",
    "out": "the same, beginning slow, as on the way out of the pits",
    "in": "the same, ending slow, as on the way into the pits",
    "stop": "the car stood",
    "reset": "the clock or the position jumped",
    "gap": "samples are missing",
    "short, long": "the metres driven differ from the usual lap by more than 5 %: another route",
    "contact": "the car was touched, or touched the wall",
    "tow": "it was pulled along behind another car",
    "missed shift": "the drive was missing too long for a gear change; or contact, where nothing was recorded to tell",
    "after ...": "it began faster or slower because of what befell the lap before, so it is no fair reference either",
    "lost time": "a corner took far longer than usual, and nothing says why",
}
"""What the words beside a lap mean."""
LIFT_WORDS = {
    "time to lowest": "from the start of the lift to its lowest throttle",
    "hold time": "near the lowest throttle",
    "recovery time": "from there to full throttle again; the three together are the duration",
    "full lift time": "what the lift would have lasted with the pedal fully released: half of it for 1 s counts 0.5 s",
    "min throttle": "the lowest the pedal went, in per cent of its travel",
    "speed lost": "speed at the start less the lowest up to the end",
    "pick-up": "where the throttle begins to come back",
    "kind": "a lift by the foot, or the cut of a gear change (shift cut); either where neither gear nor engine speed is recorded",
}
BRAKING_WORDS = {
    "max brake": "the hardest, in per cent; max brake pressure in kPa over the pressure at rest",
    "speed lost": "speed at the start less the lowest up to the end",
    "mean deceleration": "speed lost from start to end by the duration, m/s2",
}
CORNER_WORDS = {
    "start, end": "where the track begins and ceases to turn, the same for every lap",
    "turn-in": "where this lap began to turn, which may lie before the start",
    "lowest speed": "where it was; left out beside a marker where it is not known to "
    "30 m, as where speed hardly changes",
}


def register(commands: Commands) -> None:
    """Add the commands."""
    commands.add("laps", laps, "the lap table: times, speeds, and what marks a lap", words=MARKED)
    for name, run, text, words in (
        ("lifts", show_lifts, "every throttle lift of a lap", LIFT_WORDS),
        ("brakings", show_brakings, "every braking of a lap", BRAKING_WORDS),
        ("corners", show_corners, "each corner of a lap", CORNER_WORDS),
    ):
        which = commands.add(name, run, text, words=words).add_mutually_exclusive_group()
        which.add_argument("--lap", type=int, metavar="N", help="lap number (the fastest clean lap by default)")
        which.add_argument("--every-lap", action="store_true", help="show every lap, one after the other")


def laps(args: argparse.Namespace) -> None:
    """Print the lap table."""
    with working([args.file]):
        session = load(args, args.file)
        sheet = str(session)
    if not args.json:
        print(spoken(sheet))
        return
    provenance = session.recording.provenance
    rows = records(session.laps, LAP_KEYS)
    for row, clean in zip(rows, session.clean.tolist(), strict=True):
        row["flags"] = [word for word in row["flags"].split(",") if word]
        row["marks"] = session.marks_of(row["lap"])
        row["clean"] = clean
    print_json(
        {
            "source": provenance.source,
            "track_length": session.track.length,
            "laps": rows,
            "channels": {
                name: {"column": source.column, "unit": source.unit, "reason": spoken(source.reason)}
                for name, source in provenance.channels.items()
            },
            "warnings": [spoken(line) for line in session.warnings],
        }
    )


def show_lifts(args: argparse.Namespace) -> None:
    """Print the lifts of a lap."""
    from lapkit.analysers.lap.lifts import lifts

    def full(session: Session) -> str:
        return f", full throttle reads {100 * session.full_throttle:.1f} %" if session.full_throttle else ""

    shown = ["lift", "start_distance", "pick_up_distance", "end_distance", "duration", "min_throttle", "kind",
             "full_lift_time", "time_to_lowest", "hold_time", "recovery_time", "speed_lost", "brake_used"]  # fmt: skip
    _show(args, "lifts", lifts, _lifts_counted, LIFT_KEYS, LIFT_EVENTS, shown, also=full)


def _lifts_counted(table: pd.DataFrame) -> str:
    """How many lifts there are; what is a gear change's, or may be, is counted apart."""
    from lapkit.analysers.lap.lifts import EITHER
    from lapkit.model.show import counted

    kinds = table["kind"].value_counts()
    said = [counted(int(kinds.get("lift", 0)), "throttle lift")]
    if "shift cut" in kinds:
        said.append(counted(int(kinds["shift cut"]), "shift cut"))
    if EITHER in kinds:
        either = "a shift cut or a brief lift" if kinds[EITHER] == 1 else "shift cuts or brief lifts"
        said.append(f"{kinds[EITHER]} more that may be {either} (neither gear nor engine speed is recorded)")
    return " and ".join([", ".join(said[:-1]), said[-1]]) if len(said) > 1 else said[0]


def show_brakings(args: argparse.Namespace) -> None:
    """Print the brakings of a lap."""
    from lapkit.analysers.lap.brakings import brakings

    shown = ["braking", "start_distance", "end_distance", "duration", "max_brake", "max_brake_pressure", "start_speed", "end_speed",
             "speed_lost", "mean_deceleration"]  # fmt: skip
    _show(args, "brakings", brakings, _counter("braking"), BRAKING_KEYS, BRAKING_EVENTS, shown)


def show_corners(args: argparse.Namespace) -> None:
    """Print the corners of a lap."""
    from lapkit.analysers.lap.corners import corners

    shown = ["corner", "direction", "start_distance", "min_speed_distance", "end_distance", "entry_speed", "min_speed",
             "exit_speed", "corner_time", "radius"]  # fmt: skip
    _show(args, "corners", corners, _counter("corner"), CORNER_KEYS, CORNER_EVENTS, shown)


def _counter(thing: str) -> Callable[[pd.DataFrame], str]:
    from lapkit.model.show import counted

    return lambda table: counted(len(table), thing)


def _show(
    args: argparse.Namespace,
    name: str,
    analyser: Callable[..., pd.DataFrame],
    counter: Callable[[pd.DataFrame], str],
    keys: list[str],
    events: dict[str, str],
    shown: list[str],
    *,
    also: Callable[[Session], str] = lambda _: "",
) -> None:
    """Print a table of one lap or of all; columns that the recording cannot fill are left out for people."""
    from lapkit.model.show import plain

    with working([args.file]):
        session = load(args, args.file)
        lap, which = (None, "") if args.every_lap else _which(session, args.lap)
        table = analyser(session, lap=lap)
    note = spoken(plain(table.attrs.get("note", "")))
    if args.json:
        if note:
            print(f"lapkit: {note}", file=sys.stderr)
        own = ["lap"] if lap is None else []
        print_json({"lap": lap, name: records(table, [*own, *keys, *_marker_keys(session, events)])})
        return
    if note:
        print(note)
        print_notes(session)
        return
    shown = [column for column in shown if table.empty or not table[column].isna().all()]
    beside = _from_markers(session, table, events)
    laps = f"Lap {lap}{which}" if lap is not None else f"All {len(session.laps)} laps"
    own = ["lap"] if lap is None else []
    title = f"{laps}: {counter(table)}{also(session)}"
    print_table(session, title, table, [*own, *shown], beside=beside, keys=len(own) + 1)


def _which(session: Session, asked: int | None) -> tuple[int, str]:
    """Return the lap to show, and why it is that one where nobody asked for it."""
    if asked is not None:
        session.check(asked)
        return asked, ""
    if len(session.laps) == 1:
        return int(session.laps["lap"].iloc[0]), " (there is no other)"
    clean = int(session.clean.sum())
    others = "the only clean one" if clean == 1 else f"the fastest of {clean} clean ones"
    return session.best_number(), f" ({others}; --lap N or --every-lap shows others)"


def _marker_keys(session: Session, events: dict[str, str]) -> list[str]:
    """Columns that say where events lie from the nearest marker; none where the track has no marker."""
    if session.track.markers.empty:
        return []
    return [f"{event}{suffix}" for event in events for suffix in ("_distance", "_marker", "_to_marker")]


def _from_markers(session: Session, table: pd.DataFrame, events: dict[str, str]) -> dict[str, list[str]]:
    """The same in words, a column an event."""
    if session.track.markers.empty:
        return {}
    from lapkit.analysers.lap.markers import describe_place

    markers, length = session.track.markers, session.track.length
    out = {}
    for event, head in events.items():
        places = zip(table[f"{event}_distance"], table[f"{event}_distance_uncertainty"], strict=True)
        words = [
            (describe_place(place, markers, length=length, uncertainty=spread), spread) for place, spread in places
        ]
        out[head] = [f"{said} ±{2 * spread:.1f} m" if said else "-" for said, spread in words]
    return out
