"""Places on a grid as a Gaussian process: one eigendecomposition for each axis.

The covariance of the heights on a grid is a Kronecker product of those along x and along y. A hole
is a place whose height is not known, and so is a column of its own beside the plane's three: what
is said of the heights that are there is then the same as without it, exactly.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from mesh.correlation import Kernel, LikelihoodTerms, correlation
from mesh.kriging import plane_columns
from probes.run import Floats, Ints

__all__ = ["Lattice", "LatticePredictor"]

_AT_ONCE = 4_000_000
"""Numbers that are worked on at once, to bound the memory."""


class Lattice:
    """A grid of equal noise, full or with holes; n^1.5 steps for n spots, for each column.

    Parameters
    ----------
    x, y : ndarray, shape (columns,), (rows,)
        Rising positions of the lines, mm.
    z : ndarray, shape (rows, columns)
        Heights, mm; NaN at holes.
    kernel : {"squared-exponential", "matern-5/2"}
        Law of the shape along each axis.
    """

    def __init__(self, x: Floats, y: Floats, z: Floats, kernel: Kernel) -> None:
        there = np.isfinite(z)
        self.count = int(there.sum())
        self.kernel = kernel
        self.spans = (float(np.ptp(x)), float(np.ptp(y)))
        self.steps = (self.spans[0] / (len(x) - 1), self.spans[1] / (len(y) - 1))
        self.closest = (float(np.diff(x).min()), float(np.diff(y).min()))
        self._x, self._y = x, y
        self._z = np.where(there, z, 0.0)  # any height will do at a hole
        self._holes = np.argwhere(~there)
        across, along = np.meshgrid(x, y)
        columns = plane_columns(across[there], along[there], x, y)
        self._own = float(np.linalg.slogdet(columns.T @ columns)[1])

    def terms(self, length_x: float, length_y: float, noise: float) -> LikelihoodTerms:
        """Give the terms of the likelihood; noise is its variance over the shape's."""
        solved = self._solve(length_x, length_y, noise)
        across, along = solved.across, solved.along
        slope_x = across.vectors.T @ across.slopes @ across.vectors
        slope_y = along.vectors.T @ along.slopes @ along.vectors

        def through_x(values: Floats) -> Floats:
            return along.values[:, None] * (values @ slope_x)

        def through_y(values: Floats) -> Floats:
            return np.asarray(slope_y @ values, dtype=np.float64) * across.values

        inverse, weights = 1 / solved.variances, solved.weights
        traces = np.array((
            along.values @ inverse @ np.diag(slope_x),
            np.diag(slope_y) @ inverse @ across.values,
            noise * inverse.sum(),
        ))  # fmt: skip
        # less what the plane and the holes take
        shares = np.tensordot(solved.spread, solved.scaled, 1)
        traces -= (
            np.vdot(shares, through_x(solved.scaled)),
            np.vdot(shares, through_y(solved.scaled)),
            noise * np.vdot(shares, solved.scaled),
        )
        squares = np.array((
            np.vdot(weights, through_x(weights)),
            np.vdot(weights, through_y(weights)),
            noise * np.vdot(weights, weights),
        ))  # fmt: skip
        log_det = float(np.log(solved.variances).sum()) - self._own
        log_det -= float(np.linalg.slogdet(solved.spread)[1])
        return LikelihoodTerms(log_det, float(np.vdot(solved.heights, weights)), traces, -squares)

    def predictor(
        self, length_x: float, length_y: float, noise: float, scale: float
    ) -> "LatticePredictor":
        """Give what predicts between the places; scale is the shape's variance, mm^2."""
        solved = self._solve(length_x, length_y, noise)
        return LatticePredictor(
            self._x, self._y, self.kernel, length_x, length_y, scale, len(self._holes), solved
        )

    def guess(
        self, length_x: float, length_y: float, noise: float
    ) -> Callable[[Floats, Floats], Floats]:
        """Give what predicts heights alone."""
        found = self.predictor(length_x, length_y, noise, 1.0)
        # the columns are for variances, and large where there are holes
        small = replace(found._solved, scaled=np.empty(0))
        return replace(found, _solved=small).height

    def _solve(self, length_x: float, length_y: float, noise: float) -> "_Solved":
        across = _Axis.of(self.kernel, self._x, length_x)
        along = _Axis.of(self.kernel, self._y, length_y)
        variances = np.multiply.outer(along.values, across.values) + noise
        heights = along.vectors.T @ self._z @ across.vectors
        ones_x, ones_y = across.vectors.sum(axis=0), along.vectors.sum(axis=0)
        line_x, line_y = (
            _unit(places, places) @ axis.vectors
            for places, axis in ((self._x, across), (self._y, along))
        )
        columns = np.empty((3 + len(self._holes), *variances.shape))
        columns[:3] = _plane(ones_x, line_x, ones_y, line_y)
        rows, of_rows = self._holes.T
        np.multiply(along.vectors[rows, :, None], across.vectors[of_rows, None, :], out=columns[3:])
        scaled = columns / variances
        flat, scaled_flat = (values.reshape(len(columns), -1) for values in (columns, scaled))
        spread = np.linalg.inv(scaled_flat @ flat.T)
        fitted = spread @ (scaled_flat @ heights.ravel())
        weights = (heights - np.tensordot(fitted, columns, 1)) / variances
        return _Solved(across, along, variances, heights, scaled, spread, fitted, weights)


@dataclass(frozen=True, eq=False)
class _Axis:
    """One axis of a grid: its correlations in eigenvectors."""

    values: Floats  # (n,): eigenvalues
    vectors: Floats  # (n, n)
    slopes: Floats  # (n, n): derivative of the correlations by the logarithm of the length

    @classmethod
    def of(cls, kernel: Kernel, places: Floats, length: float) -> "_Axis":
        from scipy.linalg import eigh

        values, slopes = correlation(kernel, places[:, None] - places, length)
        found, vectors = eigh(values, driver="evd", overwrite_a=True, check_finite=False)
        return cls(np.maximum(found, 0.0), np.asarray(vectors, dtype=np.float64), slopes)


@dataclass(frozen=True, eq=False)
class _Solved:
    """The grid's equations, in eigenvectors of both axes."""

    across: _Axis
    along: _Axis
    variances: Floats  # (rows, columns)
    heights: Floats  # (rows, columns)
    scaled: Floats  # (3 + holes, rows, columns): columns of plane and holes over the variances
    spread: Floats  # (3 + holes, 3 + holes): covariance of plane and holes
    fitted: Floats  # (3 + holes,): plane, and what to take off at the holes
    weights: Floats  # (rows, columns): what a place's covariance with a spot counts


@dataclass(frozen=True, eq=False)
class LatticePredictor:
    """Heights between the places of a grid."""

    _x: Floats
    _y: Floats
    _kernel: Kernel
    _length_x: float
    _length_y: float
    _scale: float
    _holes: int
    _solved: _Solved

    @property
    def left_out(self) -> Floats:
        """Each place's height less what the others say of it, mm; shape (rows, columns)."""
        solved = self._solved
        across, along = solved.across.vectors, solved.along.vectors
        own = along**2 @ (1 / solved.variances) @ (across**2).T
        for start in range(0, len(solved.scaled), self._block):
            part = slice(start, start + self._block)
            shares = np.tensordot(np.linalg.cholesky(solved.spread).T[part], solved.scaled, 1)
            own -= ((along @ shares @ across.T) ** 2).sum(axis=0)
        with np.errstate(divide="ignore", invalid="ignore"):  # 0 / 0 at holes
            left: Floats = (along @ solved.weights @ across.T) / own
        return left

    @property
    def _block(self) -> int:
        return max(1, _AT_ONCE // self._solved.variances.size)

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height, mm, and its variance, mm^2, at spots; shape (m,). Spots on a grid are fast."""
        xs, column, ys, row = _lines(x, y)
        if len(xs) * len(ys) > 4 * len(x):
            return self._one_by_one(x, y)
        near_x, near_y = self._near(xs, ys)
        height, variance = np.empty((len(ys), len(xs))), np.empty((len(ys), len(xs)))
        spots_x, ones_x = _unit(xs, self._x), np.ones(len(xs))
        step = max(1, _AT_ONCE // ((3 + self._holes) * max(len(xs), len(self._x))))
        for start in range(0, len(ys), step):
            part = slice(start, start + step)
            rows = near_y[part]
            plane = _plane(ones_x, spots_x, np.ones(len(rows)), _unit(ys[part], self._y))
            height[part] = rows @ self._solved.weights @ near_x.T
            height[part] += np.tensordot(self._solved.fitted[:3], plane, 1)
            missing = -(rows @ self._solved.scaled @ near_x.T)
            missing[:3] += plane
            variance[part] = 1 - rows**2 @ (1 / self._solved.variances) @ (near_x**2).T
            variance[part] += (np.tensordot(self._solved.spread, missing, 1) * missing).sum(axis=0)
        return height[row, column], self._scale * np.maximum(variance, 0.0)[row, column]

    def height(self, x: Floats, y: Floats) -> Floats:
        """Height, mm, at spots; shape (m,)."""
        xs, column, ys, row = _lines(x, y)
        if len(xs) * len(ys) > 4 * len(x):
            found: Floats = plane_columns(x, y, self._x, self._y) @ self._solved.fitted[:3]
            step = max(1, _AT_ONCE // len(self._x))
            for start in range(0, len(x), step):
                part = slice(start, start + step)
                near_x, near_y = self._near(x[part], y[part])
                found[part] += np.einsum("ma,ma->m", near_y @ self._solved.weights, near_x)
            return found
        near_x, near_y = self._near(xs, ys)
        height = near_y @ self._solved.weights @ near_x.T
        height += self._solved.fitted[0] + self._solved.fitted[1] * _unit(xs, self._x)
        height += (self._solved.fitted[2] * _unit(ys, self._y))[:, None]
        return np.asarray(height[row, column], dtype=np.float64)

    def _one_by_one(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        height, variance = np.empty(len(x)), np.empty(len(x))
        step = max(1, _AT_ONCE // ((3 + self._holes) * len(self._x)))
        for start in range(0, len(x), step):
            part = slice(start, start + step)
            near_x, near_y = self._near(x[part], y[part])
            plane = plane_columns(x[part], y[part], self._x, self._y).T
            height[part] = np.einsum("ma,ma->m", near_y @ self._solved.weights, near_x)
            height[part] += self._solved.fitted[:3] @ plane
            missing = -np.einsum("ima,ma->im", near_y @ self._solved.scaled, near_x)
            missing[:3] += plane
            known = near_y**2 @ (1 / self._solved.variances)
            variance[part] = 1 - np.einsum("ma,ma->m", known, near_x**2)
            variance[part] += ((self._solved.spread @ missing) * missing).sum(axis=0)
        return height, self._scale * np.maximum(variance, 0.0)

    def _near(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Correlations of spots with the lines, in eigenvectors."""
        near_x = correlation(self._kernel, x[:, None] - self._x, self._length_x)[0]
        near_y = correlation(self._kernel, y[:, None] - self._y, self._length_y)[0]
        return near_x @ self._solved.across.vectors, near_y @ self._solved.along.vectors


def _lines(x: Floats, y: Floats) -> tuple[Floats, Ints, Floats, Ints]:
    """Columns and rows that spots stand on, and which column and row each one stands on."""
    again = np.flatnonzero(x[1:] == x[:1])
    width = int(again[0]) + 1 if len(again) else len(x)
    if width and len(x) % width == 0:  # rows of a map, one after the other, need no sorting
        across, along = x.reshape(-1, width), y.reshape(-1, width)
        if bool((across == across[0]).all()) and bool((along == along[:, :1]).all()):
            rows, columns = across.shape
            column, row = np.tile(np.arange(columns), rows), np.repeat(np.arange(rows), columns)
            return across[0], column, along[:, 0], row
    xs, column = np.unique(x, return_inverse=True)
    ys, row = np.unique(y, return_inverse=True)
    return xs, column, ys, row


def _unit(spots: Floats, places: Floats) -> Floats:
    scaled: Floats = (2 * spots - places.min() - places.max()) / np.ptp(places)
    return scaled


def _plane(ones_x: Floats, line_x: Floats, ones_y: Floats, line_y: Floats) -> Floats:
    """Columns of a plane on a grid: constant, along x, along y; shape (3, rows, columns)."""
    pairs = ((ones_y, ones_x), (ones_y, line_x), (line_y, ones_x))
    return np.stack([np.multiply.outer(along, across) for along, across in pairs])
