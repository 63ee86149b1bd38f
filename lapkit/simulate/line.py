"""The line driven: offset from the centre line as a smooth function of station."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from lapkit.channels import FloatArray


class PathGeometry(NamedTuple):
    """Shape of a driven line, one value per station.

    Attributes
    ----------
    stretch : ndarray
        Metres driven per metre of station, in space.
    level_stretch : ndarray
        Metres driven per metre of station, seen from above.
    curvature : ndarray
        Curvature of the line seen from above (1/m), positive to the left.
    heading : ndarray
        Direction of the line, anticlockwise from x (rad), unwrapped.
    grade : ndarray
        Height gained per metre driven (sine of the slope).
    """

    stretch: FloatArray
    level_stretch: FloatArray
    curvature: FloatArray
    heading: FloatArray
    grade: FloatArray


class Line:
    """A driven line: offset from the centre line as a smooth function of station.

    Parameters
    ----------
    track_length : float
        Length of the lap (m).
    stations, offsets : sequence of float
        Points of the line (m, m); between them a periodic cubic spline, so curvature is continuous.
        Stations rise from 0 and stay below the track length. Empty for an offset of zero.
    wobble : sequence of float
        Amplitudes (m) of slow deviations from the line, one per harmonic; they vanish with two
        derivatives at the start/finish line, so that one lap joins the next without a kink.
    phases : sequence of float
        Phase of each harmonic (rad).

    Examples
    --------
    >>> line = Line(1000.0, [0.0, 500.0], [-2.0, 2.0])
    >>> [float(round(e, 6)) for e in line([0.0, 500.0])[0]]
    [-2.0, 2.0]
    """

    def __init__(
        self,
        track_length: float,
        stations: Sequence[float] = (),
        offsets: Sequence[float] = (),
        *,
        wobble: Sequence[float] = (),
        phases: Sequence[float] = (),
    ) -> None:
        self.track_length = float(track_length)
        self.stations, self.offsets = tuple(stations), tuple(offsets)
        self.wobble, self.phases = tuple(wobble), tuple(phases)
        self._spline = None
        if len(self.stations) > 1:
            from scipy.interpolate import CubicSpline

            self._spline = CubicSpline(
                [*self.stations, self.stations[0] + track_length], [*self.offsets, self.offsets[0]], bc_type="periodic"
            )

    def with_wobble(self, wobble: Sequence[float], phases: Sequence[float]) -> Line:
        """Return the same line with other slow deviations.

        Examples
        --------
        >>> Line(1000.0).with_wobble([0.2], [0.0]).wobble
        (0.2,)
        """
        return Line(self.track_length, self.stations, self.offsets, wobble=wobble, phases=phases)

    def __call__(self, station: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Return the offset (m) and its first and second derivative by station."""
        s = np.asarray(station, dtype=float)
        if self._spline is not None:
            shifted = np.mod(s - self.stations[0], self.track_length) + self.stations[0]
            e, e1, e2 = (np.asarray(self._spline(shifted, k), dtype=float) for k in range(3))
        else:
            level = self.offsets[0] if self.offsets else 0.0
            e, e1, e2 = np.full(s.shape, level), np.zeros(s.shape), np.zeros(s.shape)
        if self.wobble:
            rate = np.pi / self.track_length
            sine, cosine = np.sin(rate * s), np.cos(rate * s)
            w, w1 = sine**4, 4 * rate * sine**3 * cosine
            w2 = rate**2 * (12 * sine**2 * cosine**2 - 4 * sine**4)
            for harmonic, (amplitude, phase) in enumerate(zip(self.wobble, self.phases, strict=True), start=1):
                k = 2 * rate * harmonic
                g, g1 = amplitude * np.cos(k * s + phase), -amplitude * k * np.sin(k * s + phase)
                e = e + w * g
                e1 = e1 + w1 * g + w * g1
                e2 = e2 + w2 * g + 2 * w1 * g1 - w * g * k**2
        return e, e1, e2
