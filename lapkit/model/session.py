"""Session: a recording cut into laps. The lap table, and every lap on the shared distance grid."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from copy import copy
from dataclasses import replace
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import FloatArray, from_si, is_discrete
from lapkit.errors import ColumnError, LapError
from lapkit.model import lap_sheet, show
from lapkit.model.corners import combine_curvatures, corners_of_laps, curvatures_of, find_corners, path_curvature
from lapkit.model.cutting import cut
from lapkit.model.frame import brackets, grid, resample
from lapkit.model.geodesy import geodetic_to_local
from lapkit.model.given import kind_given, records, said
from lapkit.model.lap_table import divide, lap_table
from lapkit.model.laps import STANDING
from lapkit.model.line import StartLineLike
from lapkit.model.motion import Motion
from lapkit.model.noise import quantum
from lapkit.model.placing import find_place, place_errors
from lapkit.model.recording import Recording
from lapkit.model.throttle import learn_full_throttle
from lapkit.model.tracks.file import as_track
from lapkit.model.tracks.fit import facing
from lapkit.model.tracks.shapes import complete_corners
from lapkit.model.tracks.track import Track, no_corners, no_markers, resolve_markers

MAX_GAP = 0.5  # s; longer holes are not interpolated across
BEFALL = {"contact", "tow", "missed shift", "missed shift or contact"}
SPOILT = BEFALL | {f"after {kind}" for kind in BEFALL}  # marks of a lap that is not the driver's or the car's own
MARK_COLUMNS = ["lap", "kind", "start_distance", "end_distance", "time_lost"]
CORNER_LAPS = 5  # laps whose median curvature finds the corners where there is no position, or a noisy one
NOISY = 0.1  # m; where position shakes less, the reference line bends as the track does (held to it on invented tracks)


class Session:
    """A recording cut into laps.

    Parameters
    ----------
    recording : Recording
        Samples on their own clock.
    start_line : str, sequence or mapping, optional
        Start/finish line, see `lapkit.model.line.parse_start_line`. Goes before everything the file says.
    track : Track or path, optional
        A track to place the laps on, such as the track of another session.
    step : float
        Distance between rows of a lap frame, m.
    max_gap : float
        Longest time between samples that is interpolated across, s.
    speed_unit : str, optional
        Unit speeds are shown in; the file's own by default.
    find_marks : callable, optional
        Finds what befell the laps, as `oddities` does: of a session it makes a table such as `marked` takes. It is asked
        once, with this session unmarked, when somebody first wants clean laps, the best lap, `marks` or the lap sheet.

    Raises
    ------
    LapError
        If a start line was given that the car never crossed.
    ColumnError
        If a start line was given and the recording has no position, or a step, a gap, time or speed is no such thing.
    UnitError
        If the unit is not one of speed.
    """

    def __init__(
        self,
        recording: Recording,
        *,
        start_line: StartLineLike | None = None,
        track: Track | str | os.PathLike[str] | None = None,
        step: float = 1.0,
        max_gap: float = MAX_GAP,
        speed_unit: str | None = None,
        find_marks: Callable[[Session], pd.DataFrame] | None = None,
    ) -> None:
        kind_given(recording, Recording, "recording", "a Recording, such as session.recording or lapkit.read_csv(path)")
        _check(recording, step, max_gap)
        if speed_unit is not None:
            from_si(0.0, kind_given(speed_unit, str, "speed_unit", "a unit, such as 'km/h'"), "speed")
        self.recording = recording
        self.step = step
        self.speed_unit = speed_unit or recording.speed_unit or "km/h"
        self.warnings: list[str] = list(recording.provenance.warnings)
        self.assumptions: list[str] = []
        self._given = as_track(track)
        self._samples = recording.samples
        x, y = self._local_position()
        speed = recording.provenance.channels.get("speed")
        derived = speed if speed is not None and speed.column.startswith("(") else None
        self._motion = Motion.of(
            self._column("time"),
            self._column("speed"),
            x,
            y,
            max_gap=max_gap,
            fix_interval=recording.slow.get("x", 0.0),
            speed_from_position=derived is not None and "position" in derived.column,
        )
        if derived is not None:
            self.assumptions.append(f"There is no column of speed; it was worked out {derived.column.strip('()')}.")
        about = recording.provenance
        self._given, turned_round = facing(self._given, self._motion, origin=recording.origin, source=about.source)
        self.assumptions += turned_round
        self._cuts = cut(
            self._motion,
            start_line=start_line,
            track=self._given,
            geographic=self._origin is not None and not self._file_has_metres(),
            origin=self._origin,
            logged={name: self._optional(name) for name in ("lap", "lap_clock", "lap_distance")},
            source=about.source,
            columns={name: channel.column for name, channel in about.channels.items()},
        )
        self.assumptions.append(self._cuts.how)
        self.assumptions += self._cuts.notes
        self.warnings += self._cuts.warnings
        self._placement = find_place(
            self._motion,
            self._cuts,
            track=self._given,
            **{name: self._optional(name) for name in ("lap_distance", "yaw_rate", "lateral_acceleration")},
        )
        self._given, self._cuts = self._placement.track, self._placement.cuts
        self._segments = divide(self._motion, self._cuts, lap=self._optional("lap"))
        if self._segments.renumbered:
            self.assumptions.append("The file uses some lap numbers twice; laps are numbered in driving order instead.")
        self.assumptions += self._placement.notes
        self.warnings += self._placement.warnings
        self._markers, notes = (no_markers(), []) if self._given is None else resolve_markers(
            self._given, self._placement.reference, self._origin, length=self._placement.length
        )  # fmt: skip
        self.warnings += notes
        grid(self._placement.length, step)  # a grid that cannot be is refused before any work is done on it
        self._find_marks = find_marks
        self._unfilled: dict[int, list[dict[str, Any]]] = {}
        self.corner_source = "position" if self._placement.reference is not None else ""
        learnt = self._given is None or (self._given.reference is None and not len(self._given.corners))
        self._noisy_line = learnt and self._motion.noise >= NOISY
        if self._noisy_line and self._placement.reference is not None:
            _ = self.track  # now, as there may be something to say of its corners

    # ------------------------------------------------------------------ columns

    def _column(self, name: str) -> FloatArray:
        return np.array(self._samples[name].to_numpy(), dtype=np.float64)  # a copy: NumPy is slow on read-only views

    def _optional(self, name: str) -> FloatArray | None:
        if name not in self._samples.columns:
            return None
        values = self._column(name)
        return values if np.isfinite(values).any() else None

    def _local_position(self) -> tuple[FloatArray | None, FloatArray | None]:
        """Position in the local frame: the given track's, where both know latitude and longitude."""
        origin = self._given.origin if self._given is not None else None
        if origin is not None and self.recording.origin is not None and origin != self.recording.origin:
            x, y, _ = geodetic_to_local(
                self._column("latitude"), self._column("longitude"), origin=(*np.radians(origin), 0.0)
            )
            self._samples = self._samples.assign(x=x, y=y)
            self._origin: tuple[float, float] | None = origin
            return x, y
        self._origin = self.recording.origin
        x_known, y_known = self._optional("x"), self._optional("y")
        return (x_known, y_known) if x_known is not None and y_known is not None else (None, None)

    def _file_has_metres(self) -> bool:
        channels = self.recording.provenance.channels
        return "x" in channels and not channels["x"].column.startswith("(")

    # ---------------------------------------------------------------- lap table

    @cached_property
    def full_throttle(self) -> float | None:
        """Reading at full throttle, learnt from the recording; None where it is never reached."""
        throttle = self._optional("throttle")
        return learn_full_throttle(throttle) if throttle is not None else None

    @cached_property
    def throttle_step(self) -> float:
        """Step in which throttle is written, 0..1; 0 where it shows none."""
        throttle = self._optional("throttle")
        return quantum(throttle) if throttle is not None else 0.0

    @cached_property
    def laps(self) -> pd.DataFrame:
        """The lap table: one row a lap, in driving order.

        Columns: lap, lap_time (s, NaN unless the lap runs from line to line), complete, flags,
        speed_at_line (at the crossing that ends the lap), top_speed, min_speed (m/s), full_throttle_share
        (0..1), path_length (m), with standard uncertainties beside times and speed at the line.
        """
        return lap_table(
            self._motion,
            self._cuts,
            self._segments,
            throttle=self._optional("throttle"),
            full_throttle=self.full_throttle,
            length=self._placement.length,
            resets=np.append(np.array(self.recording.resets, dtype=np.intp), self._placement.jumps),
            clock_uncertainty=self.recording.clock_uncertainty,
        )

    def marked(self, marks: pd.DataFrame) -> Session:
        """Return the same session with marks of one's own instead of those it would find.

        A lap with a contact, a tow or a missed shift, or that began with the speed of one, is not clean: neither the best
        nor one to compare with.

        Parameters
        ----------
        marks : DataFrame
            As ``oddities(session)`` gives it: lap, kind, start_distance, end_distance (m), time_lost (s) at least.

        Returns
        -------
        Session
            Its `marks` is that table; ``frame.attrs["marks"]`` holds the lap's own rows.

        Raises
        ------
        ColumnError
            If a column is missing, or a row's lap.
        """
        missing = [name for name in MARK_COLUMNS if name not in getattr(marks, "columns", ())]
        if missing:
            raise ColumnError(f"marks: there is no column {', '.join(missing)}; give the table of oddities(session).")
        if marks["lap"].isna().any():
            raise ColumnError("marks: a row does not say its lap; give the table of oddities(session).")
        session = self.unmarked()
        session.__dict__["marks"] = marks
        return session

    def unmarked(self) -> Session:
        """Return the same session with no marks, which looks for none: every lap without flags is then clean."""
        _ = self.track, self.laps  # found once for both
        session = copy(self)
        session._find_marks, session._unfilled = None, {}
        for name in ("marks", "clean", "spoilt", "_marks"):
            session.__dict__.pop(name, None)
        return session

    @cached_property
    def marks(self) -> pd.DataFrame | None:
        """What befell the laps, a row an event; looked for when first asked. None where the session looks for nothing."""
        if self._find_marks is None:
            return None
        marked = self.marked(self._find_marks(self.unmarked()))
        for lap, waiting in self._unfilled.items():  # in frames given out before anybody looked
            waiting += marked.marks_of(lap)
        self._unfilled = {}
        return marked.marks

    @cached_property
    def spoilt(self) -> dict[int, str]:
        """Laps that are not the driver's or the car's own, and what befell them, such as ``{5: "tow", 6: "after tow"}``."""
        found: dict[int, str] = {}
        for lap, marks in self._marks.items():
            kinds = dict.fromkeys(str(mark["kind"]) for mark in marks if mark["kind"] in SPOILT)
            if kinds:
                found[lap] = ", ".join(kinds)
        return found

    def left_out(self, counted: Iterable[int] = ()) -> list[str]:
        """Return sentences that name the spoilt laps and what befell them: those left out, and those counted all the same.

        Parameters
        ----------
        counted : iterable of int
            Laps that were counted.
        """
        known = set(counted)
        out = []
        for how, inside in (("Left out, for what befell them", False), ("Counted in spite of what befell them", True)):
            laps = [f"lap {lap} ({kinds})" for lap, kinds in self.spoilt.items() if (lap in known) is inside]
            out += [f"{how}: {', '.join(laps)}."] if laps else []
        return out

    def usable(self, *, least: int = 2) -> list[int]:
        """Return the laps that can teach something of the car: complete, without stop, reset or gap, not spoilt.

        Parameters
        ----------
        least : int
            Where fewer are left than this, the spoilt ones are among them (chosen: one lap has no scatter); `left_out` says so.
        """
        table = self.laps
        whole = table.loc[table["complete"] & ~table["flags"].str.contains("stop|reset|gap"), "lap"].tolist()
        sound = [int(lap) for lap in whole if lap not in self.spoilt]
        return sound if len(sound) >= least else [int(lap) for lap in whole]

    def marks_of(self, number: int) -> list[dict[str, Any]]:
        """Return what befell a lap, as plain values; nothing where the session is not marked."""
        return [dict(mark) for mark in self._marks.get(number, [])]

    @cached_property
    def _marks(self) -> dict[int, list[dict[str, Any]]]:
        found: dict[int, list[dict[str, Any]]] = {}
        for row in () if self.marks is None else self.marks[MARK_COLUMNS].to_dict("records"):
            found.setdefault(int(row["lap"]), []).append({str(k): v for k, v in row.items() if k != "lap"})
        return found

    # -------------------------------------------------------------------- frames

    def _row_of(self, number: int) -> int:
        if isinstance(number, bool) or not isinstance(number, int | np.integer):
            raise LapError(
                f"{self.recording.provenance.source}: a lap is asked for by its number, such as lap(6), and got {said(number)}."
            )
        match = np.flatnonzero(self._segments.numbers == number)
        if not len(match):
            known = ", ".join(str(n) for n in self._segments.numbers[:40])
            raise LapError(
                f"{self.recording.provenance.source}: there is no lap {number}; the recording has laps {known}."
            )
        return int(match[0])

    @cached_property
    def _columns(self) -> tuple[pd.Index, list[FloatArray], NDArray[np.intp], list[str]]:
        """Labels and values of what a frame holds, which of them are discrete, and the names of the text columns."""
        texts = [str(c) for c in self._samples.columns if not pd.api.types.is_numeric_dtype(self._samples[c].dtype)]
        names = [str(c) for c in self._samples.columns if c not in texts]
        values = [self._samples[name].to_numpy(dtype=np.float64) for name in names]
        names.append("path")
        values.append(self._motion.path)
        if self._placement.offset is not None:
            names.append("offset")
            values.append(self._placement.offset)
        discrete = np.array([k for k, name in enumerate(names) if is_discrete(name)], dtype=np.intp)
        return pd.Index(names), values, discrete, texts

    @cached_property
    def _from_track(self) -> dict[str, FloatArray]:
        """What the given track knows of the surface at each place of the grid and the recording does not say."""
        given = self._given
        if given is None or given.profile is None:
            return {}
        placed = replace(given, length=given.length or self._placement.length)
        found = {name: placed.along(name, self._index.to_numpy()) for name in ("banking", "height")}
        return {name: values for name, values in found.items() if values is not None and name not in self._samples}

    @cached_property
    def _index(self) -> pd.Index:
        """The shared distance grid."""
        return pd.Index(grid(self._placement.length, self.step), name="distance")

    def lap(self, number: int) -> pd.DataFrame:
        """Return one lap on the shared distance grid.

        Parameters
        ----------
        number : int
            Lap number, as in the lap table.

        Returns
        -------
        DataFrame, shape (floor(track length / step) + 1, k)
            Index `distance` (m from the line); columns are channels in SI. `time` counts from the lap's own
            crossing. Rows beyond the recording, or inside a hole longer than max_gap, are NaN.
            ``frame.attrs`` says where it came from and what error of place to expect.

        Raises
        ------
        LapError
            If there is no such lap.
        """
        row = self._row_of(number)
        frame = self._frame(row)
        frame.attrs = self._attributes(row)
        return frame

    def _frame(self, row: int) -> pd.DataFrame:
        """One segment on the grid, before it is told what it is."""
        motion, index = self._motion, self._index
        labels, columns, discrete, texts = self._columns
        places = index.to_numpy() + (row - self._segments.leading) * self._placement.length
        low = max(int(self._segments.first_row[row]) - 2, 0)
        high = min(int(self._segments.last_row[row]) + 2, len(motion.time))
        if high - low < 2:
            low, high = max(high - 2, 0), max(high, 2)
        nodes = self._placement.place[low:high]
        before, weight = brackets(nodes, places)
        edge = self._segments.whole[row] & ((places < nodes[0]) | (places > nodes[-1]))
        weight[edge] = places[edge] > nodes[-1]
        if len(motion.parts) > 1:
            weight[motion.hole[before + low] & (weight > 0)] = np.nan
        values = resample([column[low:high] for column in columns], before, weight, discrete)
        clock, path = labels.get_loc("time"), labels.get_loc("path")
        start = self._segments.edges[row]
        values[clock] -= start
        values[path] -= motion.path_at(np.array([start]))
        if edge.any():
            self._reach_edges(row, places, nodes, edge, values[clock], values[path])
        if self._segments.whole[row] and not np.isnan(weight[0]):
            values[clock, 0] = values[path, 0] = 0.0
        frame = pd.DataFrame(values.T, index=index, columns=labels, copy=False)
        for name in texts:
            picked = self._samples[name].take(before + low)
            frame[name] = picked.where(~np.isnan(weight)).to_numpy()
        for name, known in self._from_track.items():
            frame[name] = np.where(np.isnan(weight), np.nan, known)
        return frame

    def _reach_edges(
        self,
        row: int,
        places: FloatArray,
        nodes: FloatArray,
        edge: NDArray[np.bool_],
        clock: FloatArray,
        path: FloatArray,
    ) -> None:
        """Let time and path run on, at the speed of the edge, to a crossing less than a sample outside the recording.

        The other channels keep the value of the first or last sample there.
        """
        motion = self._motion
        for beyond, sample in ((edge & (places < nodes[0]), 0), (edge & (places > nodes[-1]), -1)):
            on = places[beyond] - nodes[sample]
            clock[beyond] = motion.time[sample] - self._segments.edges[row] + on / max(motion.speed[sample], STANDING)
            path[beyond] = path[beyond] + on

    def _attributes(self, row: int) -> dict[Any, Any]:
        lap_time, uncertainty, speed_at_line, flags = self._lap_values[row]
        return {
            **self.about,
            "lap": int(self._segments.numbers[row]),
            "lap_time": lap_time,
            "lap_time_uncertainty": uncertainty,
            "speed_at_line": speed_at_line,
            "complete": bool(self._segments.whole[row]),
            "flags": flags,
            "marks": self._marks_so_far(int(self._segments.numbers[row])),
            "place_error": float(self._place_errors[row]),
            "offset_error": self._placement.offset_error,
            "shared_error": self._placement.shared_error,
            **{name: [dict(row) for row in rows] for name, rows in self._track_records.items()},
            "from_track": list(self._from_track),
        }

    def _marks_so_far(self, number: int) -> list[dict[str, Any]]:
        """What befell a lap; where nobody has looked yet, a list that is filled when somebody does."""
        if self._find_marks is None or "marks" in self.__dict__:
            return self.marks_of(number)
        return self._unfilled.setdefault(number, [])

    @property
    def place_errors(self) -> dict[int, float]:
        """Lap -> standard error of its places, m."""
        return dict(zip(self._segments.numbers.tolist(), self._place_errors.tolist(), strict=True))

    @cached_property
    def _place_errors(self) -> FloatArray:
        driven = self.laps["path_length"].to_numpy()
        return place_errors(self._placement, np.where(self._segments.whole, driven, np.nan))

    @cached_property
    def _lap_values(self) -> list[tuple[float, float, float, str]]:
        table = self.laps
        columns = (table["lap_time"], table["lap_time_uncertainty"], table["speed_at_line"], table["flags"])
        return list(zip(*(column.tolist() for column in columns), strict=True))

    @cached_property
    def _track_records(self) -> dict[str, list[dict[str, Any]]]:
        tables = {"corners": self.track.corners, "markers": self.track.markers, "lanes": self.track.lanes}
        return {name: records(table) for name, table in tables.items()}

    def samples(self, number: int | None = None) -> pd.DataFrame:
        """Return samples at their own rate, with their place on the track.

        Parameters
        ----------
        number : int, optional
            One lap's samples, those with start <= time < end; all samples by default.

        Returns
        -------
        DataFrame
            The recording's channels with `distance` (place in the lap, m), `path` and, for all samples, `lap`
            and `lap_clock` (s since the crossing). With a lap number, `time` counts from the lap's crossing.

        Raises
        ------
        LapError
            If there is no such lap.
        """
        motion = self._motion
        if number is not None:
            row = self._row_of(number)
            rows = slice(int(self._segments.first_row[row]), int(self._segments.last_row[row]))
            table = self._samples.iloc[rows].reset_index(drop=True)
            start = self._segments.edges[row]
            table["time"] = motion.time[rows] - start
            table["distance"] = self._placement.place[rows] - (row - self._segments.leading) * self._placement.length
            table["path"] = motion.path[rows] - motion.path_at(np.array([start]))
            table.attrs = self._attributes(row)
            return table
        return self.placed_samples().copy()

    def placed_samples(self) -> pd.DataFrame:
        """Return what `samples` returns for all laps, sharing memory with the recording: to be read, never changed."""
        motion, table = self._motion, self._samples.copy(deep=False)
        row_of = np.clip(np.searchsorted(self._segments.first_row, np.arange(len(table)), side="right") - 1, 0, None)
        table["lap"] = self._segments.numbers[row_of]
        table["lap_clock"] = motion.time - self._segments.edges[row_of]
        table["distance"] = self._placement.place - (row_of - self._segments.leading) * self._placement.length
        table["path"] = motion.path
        return table

    def best(self) -> pd.DataFrame:
        """Return the frame of the fastest clean lap.

        Raises
        ------
        LapError
            If no lap is complete, free of flags and not spoilt.
        """
        return self.lap(self.best_number())

    def best_number(self, *, but: int | None = None) -> int:
        """Return the number of the fastest clean lap.

        Parameters
        ----------
        but : int, optional
            A lap to leave out, to find the one it is to be compared with.

        Raises
        ------
        LapError
            If no lap is complete and free of flags.
        """
        clean = self._clean(but)
        return int(clean["lap"].iloc[int(clean["lap_time"].to_numpy().argmin())])

    def last_clean_number(self) -> int:
        """Return the number of the last clean lap.

        Raises
        ------
        LapError
            If no lap is complete and free of flags.
        """
        return int(self._clean(None)["lap"].iloc[-1])

    @cached_property
    def clean(self) -> pd.Series:
        """Whether each row of the lap table is a complete lap with nothing out of the ordinary, and not spoilt."""
        return self._unflagged & ~self.laps["lap"].isin(self.spoilt)

    @property
    def _unflagged(self) -> pd.Series:
        """The same, whatever befell them."""
        return self.laps["complete"] & (self.laps["flags"] == "")

    def clean_laps(self) -> list[pd.DataFrame]:
        """Return the frames of the clean laps, in driving order; none where no lap is clean."""
        return [self.lap(int(number)) for number in self.laps.loc[self.clean, "lap"]]

    @property
    def about(self) -> dict[str, Any]:
        """What holds for every lap of the session: its source, track length, step, sample interval and so on."""
        return {
            "source": self.recording.provenance.source,
            "track_length": self._placement.length,
            "step": self.step,
            "sample_interval": self._motion.interval,
            "place_method": self._placement.method,
            "speed_unit": self.speed_unit,
            "full_throttle": self.full_throttle,
            "throttle_step": self.throttle_step,
        }

    def _clean(self, but: int | None) -> pd.DataFrame:
        table = self.laps
        clean = table[self.clean & (table["lap"] != but)]
        if clean.empty:
            kinds = sorted({word for words in table["flags"] for word in words.split(",") if word})
            kinds += sorted(set(self.spoilt.values()))
            also = "" if but is None else f" besides lap {but}"
            other = "" if but is None else ", or compare with another recording"
            other += ", or count the spoilt ones with load(..., find_oddities=False)" if self.spoilt else ""
            raise LapError(
                f"{self.recording.provenance.source}: no clean complete lap{also} among {len(table)} "
                f"(marked: {', '.join(kinds) or 'none'}); look at the lap table, or name a lap yourself{other}."
            )
        return clean

    def check(self, number: int) -> None:
        """Raise LapError where the recording has no such lap."""
        self._row_of(number)

    # ---------------------------------------------------------------------- track

    @cached_property
    def track(self) -> Track:
        """The track these laps were placed on: length, start/finish line, reference line, corners."""
        given = self._given
        if given is None or not len(given.corners):
            corners = self._find_corners()
        else:
            reference = self._placement.reference
            corners = given.corners if reference is None else complete_corners(given.corners, reference)
        name = given.name if given is not None else ""
        learnt = Track(
            self._placement.length, corners, self._cuts.line, self._placement.reference, self._origin, None, name
        )
        turned = self._placement.turned
        profile = turned.profile if turned is not None else None
        if given is None:
            return replace(learnt, profile=profile)
        known = given.profile if given.profile is not None else profile
        return replace(learnt, markers=self._markers, lanes=given.lanes, profile=known)

    def _find_corners(self) -> pd.DataFrame:
        """Corners from the reference line, else from the median curvature of a few clean laps."""
        reference = self._placement.reference
        if reference is not None and not self._noisy_line:
            curvature = path_curvature(reference.x, reference.y, reference.spacing)
            return find_corners(curvature, reference.spacing)
        clean = np.flatnonzero(self._unflagged)  # the track is that of the laps, whatever befell them
        if reference is not None:
            frames = [self._frame(int(row)) for row in clean[:CORNER_LAPS]]
            for frame in frames:
                frame.attrs = {"sample_interval": self._motion.interval}
            spacing = float(np.quantile(self._motion.speed, 0.9)) * self._motion.interval
            noise = self._motion.noise
            corners, self.corner_source, words = corners_of_laps(reference, frames, noise=noise, spacing=spacing)
            self.warnings += [words] if words else []
            return corners
        if not len(clean):
            return no_corners()
        profiles, how = curvatures_of([self._frame(int(row)) for row in clean[:CORNER_LAPS]])
        return no_corners() if how == "none" else find_corners(combine_curvatures(profiles), self.step)

    # ----------------------------------------------------------------------- show

    def __repr__(self) -> str:
        return lap_sheet.text(self)

    def _repr_html_(self) -> str:
        return lap_sheet.html(self)

    def remarks(self) -> list[str]:
        """Return what was assumed, left out or changed, and what befell the laps, a line each, safe for a terminal."""
        return [show.plain(f"{word}: {line}") for word, lines in self.told().items() for line in lines]

    def told(self) -> dict[str, list[str]]:
        """Return the same by kind: "Assumed", "Note", "Marked"."""
        rows = (
            [] if self.marks is None or "words" not in self.marks else self.marks[["lap", "words"]].to_dict("records")
        )
        marked = [f"lap {row['lap']}: {row['words']}" for row in rows]
        return {"Assumed": self.assumptions, "Note": self.warnings, "Marked": marked}


def _check(recording: Recording, step: float, max_gap: float) -> None:
    """Raise ColumnError with every fault that keeps a recording from being cut into laps."""
    samples, faults = recording.samples, []
    if isinstance(step, bool) or not isinstance(step, int | float | np.number):
        faults.append(f"step={step!r} is not a number of metres")
    if isinstance(max_gap, bool) or not isinstance(max_gap, int | float | np.number) or not max_gap > 0:
        faults.append(f"max_gap={max_gap!r} is not a time above zero, in seconds")
    for name in ("time", "speed"):
        if name not in samples.columns:
            faults.append(f"there is no column '{name}'")
        elif (
            not pd.api.types.is_numeric_dtype(samples[name].dtype)
            or not np.isfinite(samples[name].to_numpy(float)).any()
        ):
            faults.append(f"'{name}' holds no numbers")
    if not faults:
        time = samples["time"].to_numpy(float)
        if len(time) < 3:
            faults.append(f"there are {len(time)} sample(s), at least 3 are needed")
        elif not (np.diff(time) > 0).all():
            faults.append(f"'time' does not increase after row {int(np.argmin(np.diff(time) > 0))}")
    if faults:
        raise ColumnError(f"{recording.provenance.source}: {'; '.join(faults)}.")
