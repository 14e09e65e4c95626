"""Interpolation in the cells of a full grid: bilinear, and bicubic through 4 x 4 places.

Bicubic is Lagrange's: along each axis the cubic through the four nearest lines, the last four at an
edge. It needs no even steps, is exact for every cubic, and errs by (3/128) h^4 |z''''| at most in
inner cells, where the spline of Keys that matches slopes errs in the order of h^3. The price is a
slope that jumps at the lines by what is left of the fourth order.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from probes.run import Floats, Ints

__all__ = ["Cells", "line_weights"]


@dataclass(frozen=True, eq=False)
class Cells:
    """Heights between the places of a full grid.

    Parameters
    ----------
    x, y : ndarray, shape (columns,), (rows,)
        Rising positions of the lines, mm.
    z : ndarray, shape (rows, columns)
        Heights, mm.
    variances : ndarray, shape (rows, columns)
        Noise variance of each place, mm^2.
    degree : {1, 3}
        1 for bilinear, 3 for bicubic.
    """

    x: Floats
    y: Floats
    z: Floats
    variances: Floats
    degree: Literal[1, 3]

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height, mm, and the noise variance it carries, mm^2, at spots inside; shape (m,)."""
        column, across = line_weights(self.x, x, self.degree)
        row, along = line_weights(self.y, y, self.degree)
        height, variance = np.zeros(len(x)), np.zeros(len(x))
        for b in range(row.shape[1]):
            for a in range(column.shape[1]):
                weight = along[:, b] * across[:, a]
                height += weight * self.z[row[:, b], column[:, a]]
                variance += weight**2 * self.variances[row[:, b], column[:, a]]
        return height, variance

    @property
    def left_out(self) -> Floats:
        """Each place's height less what the others say of it, mm; NaN at the corners.

        An interpolant passes through its places, so a place is left out of its row and of its
        column: both are interpolated without it and the mean is taken; at an edge, the one that
        runs along it. Shape (rows, columns).
        """
        in_row = self.z @ _without(self.x, self.degree).T
        in_column = _without(self.y, self.degree) @ self.z
        both = np.isfinite(in_row) & np.isfinite(in_column)
        either = np.where(np.isfinite(in_row), in_row, in_column)
        left: Floats = self.z - np.where(both, (in_row + in_column) / 2, either)
        return left


def line_weights(lines: Floats, spots: Floats, degree: int) -> tuple[Ints, Floats]:
    """Which lines a spot's height is made of along one axis, and by what weights.

    Parameters
    ----------
    lines : ndarray, shape (n,)
        Rising positions, mm.
    spots : ndarray, shape (m,)
        Positions between the first and the last line, mm.
    degree : int
        Of the polynomial; lower where there are too few lines.

    Returns
    -------
    which, weights : ndarray, shape (m, min(degree + 1, n))
        Lagrange's: they sum to 1.

    Examples
    --------
    >>> line_weights(np.arange(5.0), np.array([1.5]), 3)
    (array([[0, 1, 2, 3]]), array([[-0.0625,  0.5625,  0.5625, -0.0625]]))
    """
    points = min(degree + 1, len(lines))
    cell = np.clip(np.searchsorted(lines, spots, side="right") - 1, 0, len(lines) - 2)
    first = np.clip(cell - (points - 2) // 2, 0, len(lines) - points)
    which = first[:, None] + np.arange(points)
    at = lines[which]
    weights = np.ones((len(spots), points))
    for k in range(points):
        for j in range(points):
            if j != k:
                weights[:, k] *= (spots - at[:, j]) / (at[:, k] - at[:, j])
    return which, weights


def _without(lines: Floats, degree: int) -> Floats:
    """Weights of the other lines at each line; NaN for the first and the last."""
    n = len(lines)
    operator = np.full((n, n), np.nan)
    for k in range(1, n - 1):
        others = np.delete(np.arange(n), k)
        which, weights = line_weights(lines[others], lines[k : k + 1], degree)
        operator[k] = 0.0
        operator[k, others[which[0]]] = weights[0]
    # a NaN times a height is NaN: the whole row of the result is marked
    return operator
