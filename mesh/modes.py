"""Modes: the simple shapes a bed is made of, fitted together by least squares.

Positions are scaled to -1..+1 over the probed rectangle; P1(t) = t and P2(t) = (3 t² - 1) / 2 are
Legendre's. On a handful of places the modes are not orthogonal, so all are fitted in one go.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mesh.checks import check_places
from probes.run import Floats

__all__ = ["Mode", "Modes", "Rectangle", "modes"]

Rectangle = tuple[tuple[float, float], tuple[float, float]]
"""(left, right), (front, back), mm."""

_NAMES = ("height", "fall_x", "fall_y", "twist", "bow_x", "bow_y")
_TO_MM = np.array((1.0, 2.0, 2.0, 1.0, 1.5, 1.5))
"""Coefficient to what is shown: edge to edge for a fall, corner for twist, edge over middle for
a bow."""


@dataclass(frozen=True)
class Mode:
    """One mode.

    Attributes
    ----------
    value : float
        Size, mm.
    factor : float
        Standard deviation of the value, as a multiple of a place's.
    """

    value: float
    factor: float

    def sigma(self, place_sigma: float | None) -> float | None:
        """Give the standard deviation of the value, mm, for places of this one."""
        return None if place_sigma is None else self.factor * place_sigma


@dataclass(frozen=True, eq=False)
class Modes:
    """The modes of some places up to the second degree; None where the places cannot tell.

    Attributes
    ----------
    fall_x, fall_y : Mode or None
        Right edge less left, back edge less front, mm, over the probed rectangle.
    twist : Mode or None
        How far the corners right back and left front stand above, and the other two below, mm.
    bow_x, bow_y : Mode or None
        How far the edges stand above the middle along x or y, mm; positive is a bowl, negative a
        dome.
    residuals : ndarray, shape (n,)
        What the modes leave of the heights, mm.
    leverage : ndarray, shape (n,)
        Share of each place's own height in its fitted one.
    freedom : int
        Places less fitted modes.
    falls : ndarray, shape (2, 2)
        Covariance of fall_x and fall_y for places of unit variance; NaN where they are None.
    rectangle : ((left, right), (front, back))
        What the modes span, mm.
    """

    fall_x: Mode | None
    fall_y: Mode | None
    twist: Mode | None
    bow_x: Mode | None
    bow_y: Mode | None
    residuals: Floats
    leverage: Floats
    freedom: int
    falls: Floats
    rectangle: Rectangle

    def scaled(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Positions as parts of the rectangle: -1 left or front, +1 right or back."""
        return _scaled(x, *self.rectangle[0]), _scaled(y, *self.rectangle[1])

    @property
    def residual_sigma(self) -> float | None:
        """Standard deviation of what the modes leave, mm; None without freedom."""
        if self.freedom < 1:
            return None
        return float(np.sqrt(self.residuals @ self.residuals / self.freedom))


def modes(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    *,
    rectangle: Rectangle | None = None,
    spread: Floats | None = None,
) -> Modes:
    """Fit the modes of some places.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Position, mm.
    z : array_like, shape (n,)
        Height, mm.
    rectangle : ((left, right), (front, back)), optional
        What the modes span, mm; the probed rectangle if not given.
    spread : ndarray, shape (n,), optional
        Standard deviation of each place, in units of the one that sigmas are then given for; all
        the same if not given. It does not weight the fit.

    Returns
    -------
    Modes
        A mode is None if the places do not determine it: bow_x needs three columns, twist four
        corners.

    Raises
    ------
    ShapeError
        If the places carry no plane.

    References
    ----------
    Legendre polynomials: NIST Digital Library of Mathematical Functions, 18.3. Twist and bow are
    the words of ASME B89.3.7.

    Examples
    --------
    >>> across, along = (a.ravel() for a in np.meshgrid([0, 100, 200], [0, 100, 200]))
    >>> shape = modes(across, along, 1e-6 * (across - 100) * (along - 100))
    >>> shape.twist.value
    0.01
    """
    xs, ys, zs = check_places(x, y, z)
    across, along = rectangle or (
        (float(xs.min()), float(xs.max())), (float(ys.min()), float(ys.max())),
    )  # fmt: skip
    xi, eta = _scaled(xs, *across), _scaled(ys, *along)
    design = np.column_stack(
        (np.ones(len(xs)), xi, eta, xi * eta, (3 * xi**2 - 1) / 2, (3 * eta**2 - 1) / 2)
    )
    # the singular values of the triangle are the design's, and it is small
    triangle = np.linalg.qr(design, mode="r")
    _, sizes, right = np.linalg.svd(triangle, full_matrices=False)
    kept = sizes > 1e-9 * sizes[0]
    basis = design @ (right[kept].T / sizes[kept])
    back = _TO_MM[:, None] * right[kept].T / sizes[kept]
    parts = basis.T @ zs
    values = back @ parts
    weighted = basis if spread is None else basis * spread[:, None]
    covariance = back @ (weighted.T @ weighted) @ back.T
    # a mode is determined if its own direction lies in what the places see
    seen = np.einsum("ki,ki->i", right[kept], right[kept]) > 1 - 1e-9
    found = {
        name: Mode(float(values[k]), float(np.sqrt(covariance[k, k]))) if seen[k] else None
        for k, name in enumerate(_NAMES)
    }
    residuals = zs - basis @ parts
    residuals.flags.writeable = False
    falls = covariance[1:3, 1:3].copy()
    falls[~seen[1:3], :] = np.nan
    falls[:, ~seen[1:3]] = np.nan
    return Modes(
        **{name: found[name] for name in _NAMES[1:]},
        residuals=residuals,
        leverage=np.einsum("ij,ij->i", basis, basis),
        freedom=len(xs) - int(kept.sum()),
        falls=falls,
        rectangle=(across, along),
    )


def _scaled(values: Floats, low: float, high: float) -> Floats:
    return (2 * values - low - high) / (high - low)
