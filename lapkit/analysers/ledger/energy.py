"""The car's own longitudinal model, fitted to its laps: what the throttle gives, what speed and bends cost.

Per unit mass and along the path,

    a = F(throttle, v) - kd v^2 - c - ks ay^2 - B brake - g dz/ds,    F = min(P(throttle) / v, traction)

with P piecewise linear in throttle. The acceleration is linear in its coefficients, so they are found by bounded
least squares in weak form: kinetic energy is weighed with smooth bumps some tens of metres long, and noisy speed is
never differentiated.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from lapkit.analysers.ledger.energy_fit import Weak, at_knots, bounds, covariance_of, solve, with_traction
from lapkit.analysers.ledger.inputs import inputs_of
from lapkit.channels import FloatArray
from lapkit.errors import FrameError
from lapkit.model.given import records
from lapkit.model.lap_sheet import left_out

if TYPE_CHECKING:
    from lapkit.model.session import Session

WINDOW = 40.0
"""m. Width at half height of the bumps that kinetic energy is weighed with (chosen: a second at 40 m/s, no source)."""
KNOTS = (0.0, 0.25, 0.5, 0.75, 1.0)
"""Shares of full throttle between which power is taken to be linear (chosen, no source)."""
ROLLING_BAND = (0.05, 0.35)
"""m/s2. Rolling resistance of tyres, 0.005 to 0.035 of weight (handbook range, from memory). A band, because speed varies
too little on an oval to tell it from drag."""
MIN_FIT = 0.7
"""Share of the windows' variance of acceleration that must be explained for the split to be worth giving (chosen)."""
MAX_LAPS = 60
"""Laps fitted at most, spread evenly over the session; more cost time and add little."""
MIN_WINDOWS = 30
"""Windows needed at least: about three for each coefficient (common practice, no source)."""
LEAST_MOVE = 0.2
"""Throttle must vary by this much, or the power of anything but full throttle is not seen (chosen)."""

_UNIT = {"power": "W/kg", "traction": "m/s2", "drag": "1/m", "rolling": "m/s2", "cornering": "s2/m", "braking": "m/s2"}
_MEANING = {
    "power": "Power per mass of car at {share} throttle",
    "traction": "Greatest drive acceleration, whatever the throttle",
    "drag": "Drag: deceleration per speed squared",
    "rolling": "Rolling resistance (held within a band)",
    "cornering": "Deceleration per lateral acceleration squared",
    "braking": "Deceleration at full brake, drag not counted",
}


@dataclass(frozen=True)
class LongitudinalModel:
    """How the car gains and loses speed, per unit mass, as learnt from its own laps.

    Attributes
    ----------
    ok : bool
        Whether the model explains the laps well enough to be used.
    reason : str
        Why not, in a sentence; empty where ok.
    names : tuple of str
        The coefficients: "power" once for each knot above zero throttle, then "drag", "rolling", "cornering", "braking",
        "traction", as far as the data support them.
    values, uncertainties : ndarray, shape (k,)
        Coefficients in SI units per unit mass, and one standard uncertainty each.
    covariance : ndarray, shape (k, k)
        Covariance of the coefficients.
    knots : tuple of float
        Throttle at which power is given, from zero to full throttle.
    fit : float
        Share of the variance of acceleration over the windows that is explained, 0..1.
    misfit : float
        Acceleration left unexplained in a window, root mean square, m/s2.
    apart : float
        How far laps differ, at the same place, in what is left unexplained, m/s2; NaN for fewer than three laps of a track.
    windows, laps : int
        What was fitted.
    lateral, height : str
        Where the curvature of the path and the height came from: a channel, or "none".
    notes : tuple of str
        What could not be told, and what was assumed.
    """

    ok: bool
    reason: str
    names: tuple[str, ...] = ()
    values: FloatArray = field(default_factory=lambda: np.zeros(0))
    uncertainties: FloatArray = field(default_factory=lambda: np.zeros(0))
    covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    knots: tuple[float, ...] = ()
    fit: float = np.nan
    misfit: float = np.nan
    apart: float = np.nan
    windows: int = 0
    laps: int = 0
    lateral: str = "none"
    height: str = "none"
    brake: str = "none"
    notes: tuple[str, ...] = ()

    def coefficient(self, name: str) -> float:
        """Return a coefficient, 0 where the model does not have it (infinity for traction)."""
        if name in self.names:
            return float(self.values[self.names.index(name)])
        return np.inf if name == "traction" else 0.0

    @property
    def power(self) -> FloatArray:
        """Power per mass at each knot, W/kg; zero at closed throttle."""
        return np.append(0.0, self.values[[name == "power" for name in self.names]])

    def power_at(self, throttle: FloatArray) -> FloatArray:
        """Power per mass at a throttle, W/kg."""
        return np.asarray(np.interp(throttle, self.knots, self.power))

    def drive(self, throttle: FloatArray, speed: FloatArray) -> FloatArray:
        """Drive acceleration at a throttle (as recorded) and a speed, m/s2."""
        force = self.power_at(throttle) / np.maximum(speed, 1.0)
        return np.asarray(np.minimum(force, self.coefficient("traction")))

    def resistance(self, speed: FloatArray, curvature: FloatArray) -> FloatArray:
        """Deceleration by drag, rolling and cornering at a speed and a curvature of the path, m/s2."""
        lateral = speed**2 * curvature
        return np.asarray(
            self.coefficient("drag") * speed**2
            + self.coefficient("rolling")
            + self.coefficient("cornering") * lateral**2
        )

    def table(self) -> pd.DataFrame:
        """Return the coefficients: coefficient, value, value_uncertainty, unit, meaning.

        Examples
        --------
        >>> LongitudinalModel(False, "there is no throttle").table().empty
        True
        """
        throttle = iter(self.knots[1:])
        meanings = [
            _MEANING[name].format(share=f"{100 * next(throttle):.0f} %") if name == "power" else _MEANING[name]
            for name in self.names
        ]
        return pd.DataFrame(
            {
                "coefficient": pd.Series(self.names, dtype=object),
                "value": self.values,
                "value_uncertainty": self.uncertainties,
                "unit": pd.Series([_UNIT[name] for name in self.names], dtype=object),
                "meaning": pd.Series(meanings, dtype=object),
            }
        )

    def _headline(self) -> str:
        if not self.names:
            return f"No model of the car: {self.reason}."
        said = (
            f"Model of the car from {self.laps} laps ({self.windows} windows): explains {100 * self.fit:.1f} % of the changes of speed, "
            f"{self.misfit:.3f} m/s2 left. Curvature from {self.lateral}, height from {self.height}."
        )
        return said if self.ok else f"{said} Not used: {self.reason}."

    def _shown(self) -> tuple[list[str], list[list[str]]]:
        rows = [
            [str(row["meaning"]), f"{row['value']:.4g}", f"{2 * row['value_uncertainty']:.2g}", str(row["unit"])]
            for row in self.table().to_dict("records")
        ]
        return ["Per unit mass", "Value", "± 95 %", "Unit"], rows

    def __repr__(self) -> str:
        from lapkit.model.show import text_table

        heads, rows = self._shown()
        notes = [f"Note: {note}" for note in self.notes]
        return "\n".join([self._headline(), *([text_table(heads, rows, left=[0, 3])] if rows else []), *notes])

    def _repr_html_(self) -> str:
        from html import escape

        from lapkit.model.show import html_table

        heads, rows = self._shown()
        notes = "".join(f"<p style='margin:2px 0'><b>Note:</b> {escape(note)}</p>" for note in self.notes)
        return f"<p>{escape(self._headline())}</p>{html_table(heads, rows, left=[0, 3])}{notes}"


def longitudinal_model(
    laps: Session | Sequence[Session] | Sequence[pd.DataFrame],
    *,
    window: float = WINDOW,
    knots: Sequence[float] = KNOTS,
    rolling_band: tuple[float, float] = ROLLING_BAND,
    min_fit: float = MIN_FIT,
    max_laps: int = MAX_LAPS,
) -> LongitudinalModel:
    """Fit the car's longitudinal model to its own laps.

    Parameters
    ----------
    laps : Session, sequence of Session, or sequence of DataFrame
        A session, of which the complete laps without a stop, reset or gap are used that no contact, tow or missed shift
        spoilt (`notes` says which those are); several sessions of one car as it is set up, on one track or on several; or
        lap frames.
    window : float
        Width of the bumps that kinetic energy is weighed with, m.
    knots : sequence of float
        Shares of full throttle between which power is linear, from 0 to 1.
    rolling_band : (float, float)
        Bounds of the rolling resistance, m/s2.
    min_fit : float
        Share of the variance of acceleration that must be explained, else the model is refused.
    max_laps : int
        Laps of a session, or of several together, used at most, spread evenly.

    Returns
    -------
    LongitudinalModel
        With ``ok=False`` and a reason where the data lack throttle or speed, or the model does not fit.

    Raises
    ------
    FrameError
        If no lap, or something that is not a lap frame, is given.

    Notes
    -----
    Weak form (integration by parts against test functions), solved with `scipy.optimize.lsq_linear`, all coefficients
    within physical bounds, reweighted (Huber) so that single bad windows do not pull it. Uncertainties are of the
    sandwich kind, blocks of a lap's neighbouring windows together. Drive and resistance are per unit mass: rotating parts
    are counted in, the mass of the car is not known.

    Examples
    --------
    >>> import lapkit
    >>> model = longitudinal_model(lapkit.load("sample_data/oval_run.csv"))
    >>> model.ok, model.fit > 0.9
    (True, True)
    """
    frames = _frames_of(laps, max_laps)
    if not frames:
        return LongitudinalModel(False, "there is no complete lap to fit")
    full = next((f.attrs["full_throttle"] for f in frames if f.attrs.get("full_throttle")), None)
    inputs = inputs_of(frames)
    notes = [*inputs.notes, *left_out(laps if isinstance(laps, Sequence) else [laps], usable=True)]
    if "throttle" not in inputs.channels:
        return LongitudinalModel(
            False, "there is no throttle, so what the driver did cannot be told from what the car did"
        )
    throttle = inputs.channels["throttle"]
    if np.nanmax(throttle) - np.nanmin(throttle) < LEAST_MOVE:
        return LongitudinalModel(
            False, f"the throttle hardly moves (by less than {100 * LEAST_MOVE:.0f} %), so its power is not seen"
        )
    if full is None:
        full = float(np.nanquantile(throttle, 0.998))
        notes.append(f"Full throttle is never held; {100 * full:.0f} % is taken for it.")
    at = np.array(knots) * float(full)

    data = Weak.of(inputs, at, window)
    if len(data.target) < MIN_WINDOWS:
        return LongitudinalModel(
            False, f"only {len(data.target)} windows of {window:.0f} m without holes, {MIN_WINDOWS} are needed"
        )
    low, high = bounds(data.names, rolling_band)
    solution = solve(data, low, high)
    if data.limited is None and "power" in data.names:
        solution, data = with_traction(inputs, data, solution, at, rolling_band, window)
        low, high = bounds(data.names, rolling_band)
    covariance = covariance_of(data, solution, low, high)
    values, covariance = at_knots(data.names, solution.coefficients, covariance)
    spread = float(np.var(data.target))
    left = data.target - data.rows @ solution.coefficients
    weight = solution.weight
    fit = 1.0 - float(np.sum(weight * left**2) / np.sum(weight) / spread) if spread > 0 else np.nan
    misfit = float(np.sqrt(np.mean(left**2)))
    ok = bool(fit >= min_fit)
    one_track = len({round(float(frame.attrs.get("track_length") or 0.0)) for frame in frames}) == 1
    return LongitudinalModel(
        ok=ok,
        reason=""
        if ok
        else f"it explains only {100 * max(fit, 0.0):.0f} % of the changes of speed ({100 * min_fit:.0f} % are asked for)",
        names=data.names,
        values=values,
        uncertainties=np.sqrt(np.maximum(np.diag(covariance), 0.0)),  # rounding may leave a zero just below
        covariance=covariance,
        knots=tuple(at.tolist()),
        fit=fit,
        misfit=misfit,
        apart=data.apart(solution.coefficients) if one_track else np.nan,
        windows=len(data.target),
        laps=len(frames),
        lateral=inputs.lateral,
        height=inputs.height,
        brake=inputs.brake,
        notes=tuple(notes),
    )


def _frames_of(laps: Session | Sequence[Session] | Sequence[pd.DataFrame], max_laps: int) -> list[pd.DataFrame]:
    given: list[Any] = list(laps) if isinstance(laps, Sequence) else [laps]
    sessions: list[Session] = [one for one in given if hasattr(one, "laps") and not isinstance(one, pd.DataFrame)]
    frames = [one for one in given if isinstance(one, pd.DataFrame) and "speed" in one.columns]
    if not given or max(len(sessions), len(frames)) < len(given):
        raise FrameError(
            "longitudinal_model needs a session, several sessions of one car, or lap frames with the column 'speed'; give "
            "session, [first, second] or [session.lap(3), session.lap(4)]."
        )
    if frames:
        return frames
    each = -(-max_laps // len(sessions))
    found = [frame for one in sessions for frame in usable_laps(one, max_laps=each)]
    steps = sorted({float(frame.attrs["step"]) for frame in found})
    if len(steps) > 1:
        raise FrameError(
            f"The sessions lie on different grids (step {' and '.join(f'{step:g}' for step in steps)} m). Load all with one step."
        )
    return found[:max_laps]


def usable_laps(session: Session, *, max_laps: int | None = None) -> list[pd.DataFrame]:
    """Return the laps a model of the car may be fitted to: complete, without a stop, reset or gap, and not spoilt.

    Parameters
    ----------
    session : Session
    max_laps : int, optional
        Most laps returned, spread evenly over the session; all by default.

    Returns
    -------
    list of DataFrame
        Lap frames.

    Examples
    --------
    >>> import lapkit
    >>> len(usable_laps(lapkit.load("sample_data/oval_awkward.csv")))
    7
    """
    numbers = np.array(session.usable(), dtype=np.int64)
    if max_laps is not None and len(numbers) > max_laps:
        numbers = numbers[np.linspace(0, len(numbers) - 1, max_laps).astype(int)]
    return [session.lap(int(number)) for number in numbers]


def describe(model: LongitudinalModel) -> dict[str, Any]:
    """Return the model as plain numbers and words, for JSON.

    Examples
    --------
    >>> describe(LongitudinalModel(False, "there is no throttle"))["ok"]
    False
    """
    table = model.table()
    return {
        "ok": model.ok,
        "reason": model.reason,
        "fit": None if np.isnan(model.fit) else model.fit,
        "misfit": None if np.isnan(model.misfit) else model.misfit,
        "windows": model.windows,
        "laps": model.laps,
        "lateral": model.lateral,
        "height": model.height,
        "coefficients": records(table),
        "notes": list(model.notes),
    }
