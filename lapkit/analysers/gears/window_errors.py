"""How the errors of windows hang together, and what that leaves of the equations: generalised least squares.

A window weighs the change of energy over some metres. An error of speed or height at one place raises one window and lowers
the next, so that over a whole straight little of it is left; ordinary least squares does not know that. Two kinds of error
are told apart by how neighbouring windows go together, each for a lap of its own and for what recurs in every lap:

- *measured*: white over the metres in energy itself (noise of speed and height),
- *driving*: white over the metres in acceleration (wind, tows, what the model lacks).

Beside them every window has a small error for itself. Where the height is not known neither holds, a hill being white in nothing:
neighbours are then taken to say the same, and nothing is read from long stretches.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from lapkit.channels import FloatArray

SINGLE = 0.002
"""m/s2. Error of each window for itself: a pedal that bends between two samples is no noise of either kind, and counts where there is
hardly any other (tuned on simulated laps without noise)."""


@dataclass(frozen=True)
class WindowErrors:
    """Where windows lie, and how errors of either kind tie neighbours together."""

    lap: NDArray[np.intp]  # of each window
    index: NDArray[np.intp]  # which window of the lap it is
    kinds: FloatArray  # autocovariance over neighbours of a measured and a driving error of unit variance a node, shape (lags, 2)
    level: bool = True  # whether hills are accounted for

    @classmethod
    def of(cls, lap: FloatArray, place: FloatArray, step: float, window: float, *, level: bool) -> WindowErrors:
        """Lay out windows as `lapkit.analysers.ledger.energy_fit.weighed` makes them, by lap and by the place of their middle (m)."""
        width = max(3, round(2.0 * window / step))
        stride = max(1, width // 4)
        bump = np.sin(np.pi * (np.arange(width) + 0.5) / width) ** 2
        bump = np.pad(bump / bump.sum(), (0, 1))
        edge = np.diff(bump, prepend=0.0)

        def lags(weights: FloatArray) -> list[float]:
            return [float(weights[k:] @ weights[: len(weights) - k]) for k in range(0, width + 1, stride)]

        index = np.round((place - place.min()) / (stride * step)).astype(np.intp)
        return cls(np.round(lap).astype(np.intp), index, np.array([lags(edge), lags(bump)]).T, level)

    @property
    def size(self) -> int:
        """Windows in a lap."""
        return int(self.index.max()) + 1

    def covariances(self, left: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Covariance of a lap's windows, own and shared by all laps, from what is left unexplained of each; shape (size, size)."""
        grid = np.full((int(self.lap.max()) + 1, self.size), np.nan)
        grid[self.lap, self.index] = left
        known = np.isfinite(grid)
        laps, single = known.sum(axis=0), SINGLE**2 * np.eye(self.size)
        if laps.max() < 2:
            return self._matrix(self._parts(grid)) + single, np.zeros(single.shape)
        mean = np.where(laps > 1, np.where(known, grid, 0.0).sum(axis=0) / np.maximum(laps, 1), np.nan)
        own = self._parts((grid - mean) * np.sqrt(laps / np.maximum(laps - 1.0, 1.0)))
        few = float(np.median(laps[laps > 1]))
        if not self.level:
            kind = self.kinds[:, 1]
            alike = (2.0 * kind.sum() - kind[0]) / kind[0]  # how many neighbours say the same
            recurs = float(np.nanmean(mean**2)) * alike * np.eye(self.size)
            return float(np.nanmean(grid**2)) * alike * np.eye(self.size), recurs
        shared = np.maximum(self._parts(mean[None]) - own / few, 0.0)
        return self._matrix(own) + single, self._matrix(shared)

    def _parts(self, values: FloatArray) -> FloatArray:
        """Variance a node of both kinds, fitted to the autocovariance over a lap's windows."""
        from scipy.optimize import nnls

        seen = np.zeros(len(self.kinds))
        for lag in range(min(len(seen), values.shape[1])):
            product = values[:, lag:] * values[:, : values.shape[1] - lag]
            if np.isfinite(product).any():
                seen[lag] = np.nanmean(product)
        return np.asarray(nnls(self.kinds / self.kinds[0], seen)[0] / self.kinds[0])

    def _matrix(self, parts: FloatArray) -> FloatArray:
        from scipy.linalg import toeplitz

        row = np.zeros(max(self.size, len(self.kinds)))
        row[: len(self.kinds)] = self.kinds @ parts
        return np.asarray(toeplitz(row[: self.size]))

    def normal(self, rows: FloatArray, own: FloatArray, shared: FloatArray) -> FloatArray:
        """Return rows^T C^-1 rows, C the covariance of all windows: `own` within a lap, `shared` among all laps.

        Examples
        --------
        >>> two = WindowErrors(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]), np.ones((1, 2)))
        >>> rows = np.array([[1.0], [2.0], [3.0], [4.0]])
        >>> two.normal(rows, np.eye(2), np.zeros((2, 2))).round(6).tolist()  # sum of squares
        [[30.0]]
        >>> two.normal(rows, np.eye(2), np.eye(2)).round(6).tolist()  # pairs 1, 3 and 2, 4: (squares - (sum of a pair)^2 / 3)
        [[12.666667]]
        """
        from scipy.linalg import cholesky, solve_triangular

        size = self.size
        total = np.zeros((rows.shape[1], rows.shape[1]))
        cross, inner = np.zeros((size, rows.shape[1])), np.zeros((size, size))
        alike: dict[bytes, list[np.ndarray]] = {}  # laps mostly have the same windows
        for lap in range(int(self.lap.max()) + 1):
            mine = self.lap == lap
            alike.setdefault(self.index[mine].tobytes(), []).append(mine)
        for laps in alike.values():
            index = self.index[laps[0]]
            root = cholesky(own[np.ix_(index, index)], lower=True)
            beside = np.concatenate([np.eye(size)[index], *(rows[mine] for mine in laps)], axis=1)
            places, white = np.split(solve_triangular(root, beside, lower=True), [size], axis=1)
            each = white.reshape(len(index), len(laps), -1)
            total += np.einsum("ilj,ilk->jk", each, each, optimize=True)
            cross += places.T @ each.sum(axis=1)
            inner += len(laps) * places.T @ places
        value, vector = np.linalg.eigh(shared)
        factor = vector * np.sqrt(np.maximum(value, 0.0))
        cross = factor.T @ cross
        return np.asarray(total - cross.T @ np.linalg.solve(factor.T @ inner @ factor + np.eye(size), cross))
