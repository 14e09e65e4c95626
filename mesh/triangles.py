"""Linear interpolation in the triangles between scattered places (Delaunay's)."""

from functools import cached_property

import numpy as np

from mesh.checks import spread
from mesh.outline import Hull
from probes.run import Floats

__all__ = ["Triangles"]

_INWARD = 1e-9
"""A spot on the outline may miss all triangles by rounding; it is looked up this much inward."""


class Triangles:
    """Heights between scattered places.

    Parameters
    ----------
    x, y, z : ndarray, shape (n,)
        Places, mm.
    variances : ndarray, shape (n,)
        Noise variance of each place, mm^2.
    """

    def __init__(self, x: Floats, y: Floats, z: Floats, variances: Floats) -> None:
        from scipy.spatial import Delaunay

        self._z, self._variances = z, variances
        self._low = np.array((x.min(), y.min()))
        self._size = np.array((np.ptp(x), np.ptp(y))).max()
        self._spots = (np.column_stack((x, y)) - self._low) / self._size
        self._net = Delaunay(self._spots)

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height, mm, and the noise variance it carries, mm^2, at spots inside; shape (m,)."""
        spots = (np.column_stack((x, y)) - self._low) / self._size
        centre = self._spots.mean(axis=0)
        found = self._net.find_simplex(spots)
        missed = found < 0
        inward = centre + (spots[missed] - centre) * (1 - _INWARD)
        found[missed] = self._net.find_simplex(inward, tol=_INWARD)
        frames = self._net.transform[found]
        first = np.einsum("mij,mj->mi", frames[:, :2], spots - frames[:, 2])
        weights = np.column_stack((first, 1 - first.sum(axis=1)))
        corners = self._net.simplices[found]
        height = (weights * self._z[corners]).sum(axis=1)
        return height, (weights**2 * self._variances[corners]).sum(axis=1)

    @cached_property
    def left_out(self) -> Floats:
        """Each place's height less what the others say of it, mm; NaN on the outline.

        Without a place, only the triangles around it change, so its neighbours are enough.
        """
        starts, neighbours = self._net.vertex_neighbor_vertices
        errors = np.full(len(self._z), np.nan)
        for k, spot in enumerate(self._spots):
            around = neighbours[starts[k] : starts[k + 1]]
            x, y = self._spots[around].T
            if len(around) < 3 or spread(x, y)[2] < 1e-9:
                continue
            if Hull.of(x, y).outside(spot[:1], spot[1:])[0] > 1e-9:
                continue
            rest = Triangles(x, y, self._z[around], self._variances[around])
            errors[k] = self._z[k] - float(rest.at(spot[:1], spot[1:])[0][0])
        return errors
