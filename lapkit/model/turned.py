"""Place without position: laps on different lines matched by the heading turned.

Speed says how far the car drove, yaw rate how far it turned. Beside a reference line a car `e` metres to the left
(station s along the line, curvature k, metres driven p, heading psi) obeys

    dp/ds = (1 - k e) / cos(h),   de/ds = (1 - k e) tan(h),   h = psi(p) - psi_ref(s)

so the heading in a corner tells the place, and a lap that takes more metres round a corner is farther out. Both hold
at once: each lap's p(s) is the one that needs the least disbelief in its sensors and the least distance from the
reference line. On a straight nothing is seen, and metres are shared out evenly between what the corners pin.

What cannot be told is a whole lap moved sideways as one piece, wide at one end of the track and tight at the other:
it turns and measures the same. The error stated allows for it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from lapkit.channels import FloatArray
from lapkit.model.laps import Cuts
from lapkit.model.motion import Motion
from lapkit.model.noise import white_noise
from lapkit.model.tracks.track import Track

SPACING = (
    8.0  # m between the places that are matched (5 and 10 m give the same to a centimetre, a 12 m hairpin among them)
)
MOST_PLACES = 4000  # places matched in a lap, however long it is
ROUNDS = 3  # matched to the reference, reference improved, and so on; more change places by centimetres
SLOWEST = 3.0  # m/s; slower than this, lateral acceleration / speed says nothing
ODD_LAP = 0.05  # share by which a lap's metres may differ from the usual before it is another route
ODD_TURN = 0.5  # rad by which a lap's turning, counted over the lap, may differ from the usual
LEAST_TURN = np.pi  # rad, to and fro, in a lap: a closed lap turns twice as much, a dead sensor not at all
KNOWN = 0.95  # share of a lap's samples that must have a value
WIDEST = 15.0  # m from the reference line beyond which it is no line but a fault (tracks are 10 to 20 m wide)
STEEPEST = 0.7  # change of metres driven per metre of the track that no line brings about: 8 m off a 12 m hairpin
FARTHEST = 6.0  # m that all laps may lie off the line of another recording's laps
FEWEST = 2  # laps that teach a reference

# How far each thing is believed, one standard deviation (chosen; places hardly change if they are doubled or halved).
OFF_LINE = 3.0  # m from the reference line, before the laps have shown how far apart they lie
ALLOWANCE = 3.0  # times as far off line as they seem to lie: the first answer is drawn towards the reference
OFF_LINE_OVER = 100.0  # m along which that distance stays alike
PATH_WANDER = 3e-4  # m2/m, of metres counted from speed
HEADING_WANDER = {"yaw rate": 3e-7, "lateral acceleration": 1e-6}  # rad2/m beside noise: slip angles, banking
LAP_SPEED = 1e-3  # share by which speed is scaled otherwise in one lap than in the next
LAP_HEADING = 0.01  # rad by which a lap's turning does not close: another angle at the line, the sensor's drift
LAP_GAIN = 0.01  # share by which the sensor's gain differs from lap to lap, gravity's part among it
FOREIGN_SPEED, FOREIGN_GAIN = 0.003, 0.05  # the same against a reference that another recording taught
CATCH_UP = 60.0  # m beside the line over which a badly known crossing is made good
LEAST_OFF_LINE = 0.7  # m that laps may lie apart though they seem to follow one line
ERROR_FLOOR = 0.15  # m
SAMPLED = (
    0.04  # share of the metres between samples by which slow logging blurs a place (from simulated laps, 2 to 60 Hz)
)
STRANGE = 0.001  # share of the track's length by which laps may be off on a track that does not know their turning


@dataclass
class Turned:
    """Laps matched by the heading turned.

    Attributes
    ----------
    places : ndarray, shape (n + 1,)
        Places from the line to the line again, m.
    path : ndarray, shape (laps, n + 1)
        Metres driven since the recording began where each lap passes them; by the fraction of the lap for a lap
        that could not be matched.
    error : ndarray, shape (laps,)
        Standard error of place, m, over the lap; NaN for a lap that could not be matched.
    profile : DataFrame, shape (n, 1)
        What the laps were matched to: index `distance`, column `curvature` (1/m, left positive).
    notes : list of str
        What the session says of it.
    """

    places: FloatArray
    path: FloatArray
    error: FloatArray
    profile: pd.DataFrame
    notes: list[str]

    def place(self, path: FloatArray, otherwise: FloatArray) -> FloatArray:
        """Return the running place where `path` metres are driven; `otherwise` before the first and after the last lap.

        Parameters
        ----------
        path, otherwise : ndarray, shape (k,)
            Metres driven since the recording began, not decreasing; place to use outside the laps.

        Returns
        -------
        ndarray, shape (k,)
        """
        count = len(self.path)
        running = self.places[:-1] + self.places[-1] * np.arange(count)[:, None]
        nodes = np.append(self.path[:, :-1].ravel(), self.path[-1, -1])
        found = np.interp(path, nodes, np.append(running.ravel(), count * self.places[-1]))
        return np.where((path >= nodes[0]) & (path <= nodes[-1]), found, otherwise)


def match_turning(
    motion: Motion,
    cuts: Cuts,
    *,
    length: float,
    yaw_rate: FloatArray | None,
    lateral_acceleration: FloatArray | None,
    track: Track | None = None,
) -> Turned | str:
    """Match the laps of a recording by the heading turned.

    Parameters
    ----------
    motion : Motion
    cuts : Cuts
        Crossings of the line; between them lie the laps.
    length : float
        Track length, m.
    yaw_rate, lateral_acceleration : ndarray, shape (n,), or None
        rad/s and m/s2, either sign, NaN where unknown. Yaw rate is used where both are there. Lateral acceleration is
        divided by speed; in a car on banking it holds a part of gravity, so each lap's turning is scaled to
        whole turns and less is expected of it.
    track : Track or None
        A track whose profile has the `curvature` that laps of another recording taught; the laps are matched to it
        unless they turn too differently. Without it they teach their own: the mean of those that agree. The curvature
        of a reference line will not do: what the car slips and the sensor lags cancels between laps, not there.

    Returns
    -------
    Turned or str
        The reason in words where the laps cannot be matched.

    Notes
    -----
    A sensor's constant error is taken from each lap alone: a closed lap turns a whole number of times. What is left
    is solved by least squares for all laps at once, linearised anew `ROUNDS` times: the laps share one banded matrix
    (the reference's curvature), and differ in what their sensors said. Three numbers of each lap are found with it:
    the scale of its speed, what its turning fails to close by, and the scale of its turning.

    Examples
    --------
    >>> from lapkit.simulate import stint
    >>> table, truth = stint(laps=3, rate=20.0, seed=4)
    >>> time, speed, yaw_rate = (table[name].to_numpy() for name in ("time", "speed", "yaw_rate"))
    >>> motion = Motion.of(time, speed, None, None, max_gap=0.5)
    >>> crossed = truth.crossings + table.attrs["clock_offset"]
    >>> cuts = Cuts(crossed, np.full(4, 1e-4), "as simulated")
    >>> laps = match_turning(motion, cuts, length=truth.track.length, yaw_rate=yaw_rate, lateral_acceleration=None)
    >>> laps.path.shape[0], bool((laps.error < 1.0).all()), list(laps.profile)
    (3, True, ['curvature'])
    """
    measured = _measure(motion, cuts, yaw_rate, lateral_acceleration)
    if isinstance(measured, str):
        return measured
    count = int(np.clip(round(length / SPACING), 32, MOST_PLACES))
    places: FloatArray = np.linspace(0.0, length, count + 1)
    given = _taught(track, places)
    if given is not None:
        found = _fit(motion, cuts, measured, places, given)
        if isinstance(found, Turned):
            return found
    found = _fit(motion, cuts, measured, places, None)
    if track is not None and isinstance(found, Turned):  # alike among themselves; on that track as good as their mean
        found.error = np.hypot(found.error, STRANGE * length)
    return found


def _fit(motion: Motion, cuts: Cuts, measured: _Measured, places: FloatArray, given: FloatArray | None) -> Turned | str:
    """Match the laps to a given heading along the track, else to the one they teach themselves."""
    length, fewest = float(places[-1]), FEWEST if given is None else 1
    at = motion.path_at(cuts.time)
    driven = np.diff(at)
    usual_length = float(np.median(driven))
    usable = measured.sound & (np.abs(driven - usual_length) <= ODD_LAP * usual_length) & (driven > SPACING)
    if usable.sum() < fewest:
        return f"{int(usable.sum())} lap(s) of the usual length and turning are too few"

    counted = float(driven[usable].mean()) / length  # metres counted per metre of the track
    if given is not None and abs(counted - 1.0) * length < FARTHEST * np.abs(np.diff(given)).sum():
        counted = 1.0  # another line explains what is over; beyond that, speed is measured otherwise
    start, share = at[:-1][usable, None], driven[usable, None] / (counted * length)
    ahead = np.zeros((len(start), len(places)))  # metres beyond the fraction of the lap
    offset = np.zeros_like(ahead)
    agree = np.ones(len(start), dtype=bool)
    sign, system, off_line = 1.0, None, OFF_LINE
    for _ in range(ROUNDS):
        turned = sign * np.interp(start + counted * (share * places + ahead), motion.path, measured.heading)
        bends = np.diff(turned, axis=1)
        if system is None:
            usual = np.median(bends, axis=0)
            if np.abs(usual).sum() < LEAST_TURN:
                return f"the {measured.source} hardly turns in a lap"
            if given is not None and usual @ np.diff(given) < 0:  # the other recording counted the other way
                sign, turned = -1.0, -turned
        else:
            usual = bends[agree].mean(axis=0)
        reference = np.append(0.0, np.cumsum(usual)) if given is None else given
        system = _System(places, reference, measured, off_line, foreign=given is not None)
        ahead, offset = system.solve(turned, share, ahead, offset)
        steepest = np.abs(np.diff(ahead, axis=1)).max(axis=1) / places[1]
        agree = (np.abs(offset).max(axis=1) <= WIDEST) & (steepest <= STEEPEST)
        if given is not None and agree.any() and np.abs(offset[agree].mean(axis=0)).max() > FARTHEST:
            return "the laps turn otherwise than the track given"
        if agree.sum() < max(fewest, len(agree) / 2):
            return f"the laps do not turn alike by their {measured.source}"
        if given is None:  # the reference is the laps' mean, so what they are ahead of it makes nothing in sum
            ahead -= ahead[agree].mean(axis=0)
            offset -= offset[agree].mean(axis=0)
        ahead[~agree], offset[~agree] = 0.0, 0.0
        if given is None:
            off_line = float(np.clip(ALLOWANCE * np.sqrt((offset[agree] ** 2).mean()), LEAST_OFF_LINE, OFF_LINE))
    assert system is not None

    matched = np.flatnonzero(usable)[agree]
    path = at[:-1, None] + driven[:, None] * (places / length)
    found = np.maximum.accumulate(start + counted * (share * places + ahead), axis=1)[agree]
    path[matched] = np.minimum(found, at[1:][matched, None])
    path[:, -1] = at[1:]
    away = np.hypot(np.sqrt((offset[agree] ** 2).mean(axis=1)), LEAST_OFF_LINE if given is None else OFF_LINE)
    error = np.full(len(driven), np.nan)
    floor = np.hypot(ERROR_FLOOR, np.hypot(measured.crossing / 2.0, SAMPLED * measured.spacing))
    error[matched] = np.hypot(system.spread() * away / system.off_line, floor)
    bend = np.diff(system.reference) / places[1]
    at_places = pd.Index(places[:-1], name="distance")
    profile = pd.DataFrame({"curvature": 0.5 * (bend + np.roll(bend, 1))}, index=at_places)
    notes = [
        f"Laps are matched by the heading turned in each corner, from {measured.source}: a place is the same in all of "
        f"them to about {float(np.nanmedian(error)):.1f} m. A whole lap moved sideways as one piece is not seen."
    ]
    if len(matched) < len(driven):
        notes.append(f"{len(driven) - len(matched)} lap(s) turned otherwise and are placed by the fraction of the lap.")
    return Turned(places, path, error, profile, notes)


@dataclass
class _Measured:
    """Turning as measured, and what is to be thought of it.

    `heading` (rad, at each sample) makes whole turns from crossing to crossing; `noise` is what it gains by chance,
    rad2/m; `sound` says which laps have the channel throughout and turn as the others do; `crossing` is how well the
    line is known, m; `spacing` is the usual distance between samples, m.
    """

    source: str
    heading: FloatArray
    noise: float
    sound: NDArray[np.bool_]
    crossing: float
    spacing: float


def _measure(
    motion: Motion, cuts: Cuts, yaw_rate: FloatArray | None, lateral_acceleration: FloatArray | None
) -> _Measured | str:
    """Heading from yaw rate, else from lateral acceleration; the reason where it cannot be had."""
    time, moving = motion.time, np.maximum(motion.speed, SLOWEST)
    if len(cuts.time) < 2:
        return "no lap runs from line to line"
    if yaw_rate is not None:
        source, rate, error = "yaw rate", yaw_rate, np.ones_like(moving)
    elif lateral_acceleration is not None:
        source, rate, error = "lateral acceleration", lateral_acceleration / moving, 1.0 / moving
    else:
        return "there is no yaw rate and no lateral acceleration"
    missing = ~np.isfinite(rate)
    if missing.all():
        return f"the {source} is blank"
    if missing.any():
        rate = np.interp(time, time[~missing], rate[~missing])
    usual_speed = max(float(np.median(moving)), SLOWEST)
    noise = white_noise(rate) ** 2 * motion.interval / usual_speed

    step = np.diff(time)
    heading, drift = (np.append(0.0, np.cumsum(0.5 * (v[1:] + v[:-1]) * step)) for v in (rate, error))
    crossed = np.interp(cuts.time, time, heading)
    usual = float(np.median(np.diff(crossed)))
    turns = round(usual / (2.0 * np.pi))
    whole = 2.0 * np.pi * turns
    if source == "lateral acceleration" and turns:  # gravity takes its part of every banked corner
        heading, crossed = heading * (whole / usual), crossed * (whole / usual)
    over = crossed - whole * np.arange(len(crossed))
    heading -= np.interp(drift, np.interp(cuts.time, time, drift), over)

    blank = np.append(0, np.cumsum(missing[1:] | motion.hole))
    row = np.clip(np.searchsorted(time, cuts.time), 0, len(time) - 1)
    closing = np.diff(over)
    sound = np.diff(blank[row]) <= (1.0 - KNOWN) * np.diff(row)
    sound &= np.abs(closing - np.median(closing)) <= ODD_TURN
    speed = np.interp(cuts.time, time, motion.speed)
    crossing = float(np.median(cuts.uncertainty * speed))
    return _Measured(source, heading, noise + HEADING_WANDER[source], sound, crossing, usual_speed * motion.interval)


def _taught(track: Track | None, places: FloatArray) -> FloatArray | None:
    """Heading along a track as another recording's laps turned on it, rad from the line on; None where unknown."""
    curvature = track.along("curvature", places) if track is not None else None
    if curvature is None:
        return None
    bends = 0.5 * (curvature[1:] + curvature[:-1]) * np.diff(places)
    return np.asarray(np.append(0.0, np.cumsum(bends)))


class _System:
    """Least squares for the laps' metres and offsets at the matched places, given the reference's heading.

    Unknown at place j: metres beyond the fraction of the lap c[j], offset e[j], in this order along the matrix. Each
    row says how far a sum of them should be from what was measured, and how far that is believed:

    - from place to place, c gains what the offset spares: c' + k e = measured, to PATH_WANDER;
    - at each place between, the line bends off the reference by what the heading gained: e'' - (k c)' = measured;
    - e is nought to `off_line`; c is nought at the line.
    """

    def __init__(
        self, places: FloatArray, reference: FloatArray, measured: _Measured, off_line: float, *, foreign: bool
    ) -> None:
        from scipy.linalg import cholesky_banded

        step = float(places[1])
        count = len(places) - 1
        self.step, self.reference, self.bend, self.off_line = step, reference, np.diff(reference), off_line
        curvature = self.bend / step
        before, after, one = curvature[:-1], curvature[1:], np.ones(count - 1)
        self.rows = (
            (-np.ones(count), 0.5 * self.bend, np.ones(count), 0.5 * self.bend),
            (before / 2, one / step, (before - after) / 2, -2 * one / step, -after / 2, one / step),
        )
        variance = np.full(count, PATH_WANDER * step)
        near = min(max(2, round(CATCH_UP / step)), count // 4)
        variance[:near] += measured.crossing**2 / near
        variance[-near:] += measured.crossing**2 / near
        self.weights = (1.0 / variance, np.full(count - 1, 1.0 / (measured.noise * step)))
        # what a wrong scale of speed, a turning that does not close, and a wrong gain do to the two kinds of row
        speed = np.zeros((count, 3))
        speed[:, 0] = step
        turning = np.zeros((count - 1, 3))
        turning[:, 1] = 1.0 / count
        turning[:, 2] = 0.5 * (self.bend[1:] + self.bend[:-1]) - self.bend.mean()  # the lap closes all the same
        self.faults = (speed, turning)
        self.doubt = np.array(
            [FOREIGN_SPEED, LAP_HEADING, FOREIGN_GAIN] if foreign else [LAP_SPEED, LAP_HEADING, LAP_GAIN]
        )

        band = np.zeros((6, 2 * (count + 1)))
        for row, weight in zip(self.rows, self.weights, strict=True):
            for i, left in enumerate(row):
                for j in range(i, len(row)):
                    band[5 + i - j, j : j + 2 * len(weight) : 2] += weight * left * row[j]
        band[5, 1::2] += step / OFF_LINE_OVER / off_line**2
        band[5, [0, -2]] += 1e6  # c is nought at the line to a millimetre
        self.factor = cholesky_banded(band, check_finite=False)
        self.pull = self._pull(self.faults)
        self.answer = self._solve(self.pull)
        self.normal = sum(f.T @ (w[:, None] * f) for f, w in zip(self.faults, self.weights, strict=True))
        self.normal = self.normal - self.pull.T @ self.answer + np.diag(self.doubt**-2)

    def _pull(self, values: tuple[FloatArray, FloatArray]) -> FloatArray:
        """Right-hand sides of the normal equations for columns of row values."""
        out = np.zeros((2 * len(self.reference), values[0].shape[1]))
        for row, weight, value in zip(self.rows, self.weights, values, strict=True):
            for i, factor in enumerate(row):
                out[i : i + 2 * len(weight) : 2] += (factor * weight)[:, None] * value
        return out

    def _solve(self, pull: FloatArray) -> FloatArray:
        from scipy.linalg import cho_solve_banded

        solution: FloatArray = cho_solve_banded((self.factor, False), pull, check_finite=False)
        return solution

    def solve(
        self, turned: FloatArray, share: FloatArray, ahead: FloatArray, offset: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Return metres beyond the fraction of the lap and offsets, shape (laps, places), linearised about the last.

        `turned` is the heading the laps had where they were thought to be, `share` their metres as a share of the usual.
        """
        curvature = self.bend / self.step
        away = 0.5 * (turned[:, 1:] + turned[:, :-1]) - 0.5 * (self.reference[1:] + self.reference[:-1])
        away -= away.mean(axis=1, keepdims=True)
        away = np.clip(away, -1.0, 1.0)
        width = 1.0 - 0.5 * curvature * (offset[:, 1:] + offset[:, :-1])
        metres = self.step * (1.0 - share + width * (1.0 / np.cos(away) - 1.0))
        drawn = width * np.tan(away) - curvature * 0.5 * (ahead[:, 1:] + ahead[:, :-1])
        values = (metres.T, np.diff(drawn, axis=1).T)
        pull = self._pull(values)
        right = sum(f.T @ (w[:, None] * v) for f, w, v in zip(self.faults, self.weights, values, strict=True))
        faults = np.linalg.solve(self.normal, self.answer.T @ pull - right)
        found = (self._solve(pull) + self.answer @ faults).T
        ahead, offset = found[:, 0::2].copy(), found[:, 1::2].copy()
        ahead[:, [0, -1]] = 0.0
        return ahead, offset

    def spread(self) -> float:
        """Standard error of place over the lap, m, for a lap that lies OFF_LINE from the reference."""
        chosen = np.unique(np.linspace(0, len(self.reference) - 1, 60).round().astype(np.intp))
        unit = np.zeros((2 * len(self.reference), len(chosen)))
        unit[2 * chosen, np.arange(len(chosen))] = 1.0
        variance = self._solve(unit)[2 * chosen, np.arange(len(chosen))]
        shift = self.answer[2 * chosen]
        variance = variance + np.einsum("ij,ij->i", shift @ np.linalg.inv(self.normal), shift)
        return float(np.sqrt(variance.mean()))
