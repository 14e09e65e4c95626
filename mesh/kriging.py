"""Kriging: the best guess between scattered places, with a plane left free and its uncertainty.

Places are taken for a plane plus something whose values at two spots vary together by a covariance
of their distance, plus noise. The plane's three numbers are not known before; all is said by
contrasts, the combinations of heights that no plane changes. This works for a true covariance (the
Gaussian process) and for a generalised one (the thin plate) alike.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from probes.run import Floats

__all__ = ["Kriging", "contrasts", "plane_columns"]

Covariance = Callable[[Floats, Floats, Floats, Floats], Floats]
"""Covariances of m spots (x, y) with n places (x, y), in units of the scale; shape (m, n)."""

_CHUNK = 2000
"""Spots that are worked on at once, to bound the memory."""


@dataclass(frozen=True, eq=False)
class Kriging:
    """Heights between scattered places.

    Attributes
    ----------
    left_out : ndarray, shape (n,)
        Each place's height less what the other places say of it, mm; NaN where they carry no plane.
    """

    left_out: Floats
    _x: Floats
    _y: Floats
    _scale: float  # variance that one unit of covariance stands for, mm^2
    _at_zero: float  # covariance of a spot with itself, in units of the scale
    _covariance: Covariance
    _root: Floats  # (n - 3, n): the contrasts brought to unit variance
    _weights: Floats  # (n,): what a place's covariance with a spot counts
    _plane: Floats  # (3,)
    _cross: Floats  # (n, 3): how the plane answers to the heights
    _spread: Floats  # (3, 3): covariance of the plane, in units of the scale

    @classmethod
    def of(
        cls,
        x: Floats,
        y: Floats,
        z: Floats,
        covariance: Covariance,
        at_zero: float,
        scale: float,
        noisy: Floats,
        root: Floats,
    ) -> "Kriging":
        """Build it.

        Parameters
        ----------
        x, y, z : ndarray, shape (n,)
            The places.
        covariance : callable
            Covariance of spots with places.
        at_zero : float
            Covariance of a spot with itself.
        scale : float
            Variance that one unit of covariance stands for, mm^2.
        noisy : ndarray, shape (n, n)
            Covariance of the places' heights, with noise.
        root : ndarray, shape (n - 3, n)
            The contrasts of the heights that have unit variance.
        """
        columns = plane_columns(x, y, x, y)
        pinv = np.linalg.pinv(columns)
        weights = root.T @ (root @ z)
        plane = pinv @ (z - noisy @ weights)
        answered = root @ (noisy @ pinv.T)
        cross = pinv.T - root.T @ answered
        spread = pinv @ noisy @ pinv.T - answered.T @ answered
        own = np.einsum("ij,ij->j", root, root)
        # a place without which the others carry no plane cannot be left out
        told = own > 1e-12 * own.max()
        left_out = np.where(told, weights / np.where(told, own, 1.0), np.nan)
        return cls(
            left_out, x, y, scale, at_zero, covariance, root, weights, plane, cross, spread,
        )  # fmt: skip

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height, mm, and its variance, mm^2, at spots; shape (m,)."""
        height, variance = np.empty(len(x)), np.empty(len(x))
        for start in range(0, len(x), _CHUNK):
            part = slice(start, start + _CHUNK)
            near = self._covariance(x[part], y[part], self._x, self._y)
            columns = plane_columns(x[part], y[part], self._x, self._y)
            height[part] = near @ self._weights + columns @ self._plane
            known = self._root @ near.T
            variance[part] = (
                self._at_zero
                - np.einsum("ij,ij->j", known, known)
                - 2 * np.einsum("ij,ij->i", near @ self._cross, columns)
                + np.einsum("ij,jk,ik->i", columns, self._spread, columns)
            )
        return height, self._scale * np.maximum(variance, 0.0)


def plane_columns(x: Floats, y: Floats, places_x: Floats, places_y: Floats) -> Floats:
    """Columns of a plane at spots: 1, and x and y as parts of the places' rectangle, -1 to 1."""
    scaled = [
        (2 * spots - places.min() - places.max()) / np.ptp(places)
        for spots, places in ((x, places_x), (y, places_y))
    ]
    return np.column_stack((np.ones(len(x)), *scaled))


def contrasts(x: Floats, y: Floats) -> Floats:
    """Give combinations of heights that no plane changes, at right angles; shape (n - 3, n)."""
    full = np.linalg.qr(plane_columns(x, y, x, y), mode="complete")[0]
    return np.ascontiguousarray(full[:, 3:].T)
