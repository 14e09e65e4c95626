"""Thin plate: the surface that bends least, as stiff as leaving places out says it should be."""

from dataclasses import dataclass, field

import numpy as np

from mesh.kriging import Kriging, contrasts
from probes.run import Floats

__all__ = ["ThinPlate", "fit_thin_plate"]

_TRIED = np.logspace(-12, 3, 61)
"""Smoothing that is tried, in units of the largest eigenvalue of the bending."""


@dataclass(frozen=True, eq=False)
class ThinPlate:
    """A fitted thin plate.

    Attributes
    ----------
    smoothing : float
        Noise variance over the scale of the bending; 0 passes through the places.
    noise : float
        Standard deviation of a place's reading that goes with it, mm.
    predictor : Kriging
        Heights and variances between the places.
    """

    smoothing: float
    noise: float
    predictor: Kriging = field(repr=False)


def fit_thin_plate(
    x: Floats, y: Floats, z: Floats, spread: Floats, *, smooth: bool = True
) -> ThinPlate:
    """Fit a thin plate with a plane left free.

    Parameters
    ----------
    x, y, z : ndarray, shape (n,)
        Four places or more that do not stand on a plane, mm.
    spread : ndarray, shape (n,)
        Standard deviation of each place's noise, in units of a common one.
    smooth : bool
        Choose the smoothing whose squared errors at left-out places are least; otherwise the
        plate passes through the places.

    Returns
    -------
    ThinPlate
        Its variances are those of the plate's prior: G. Wahba, "Bayesian confidence intervals for
        the cross-validated smoothing spline", J. R. Stat. Soc. B 45 (1983) 133-150.

    References
    ----------
    J. Duchon, "Splines minimizing rotation-invariant semi-norms in Sobolev spaces" (1977). G.
    Wahba, Spline Models for Observational Data (1990), 2.4 and 4.2.
    """
    from scipy.linalg import eigh
    from scipy.optimize import minimize_scalar

    size = max(float(np.ptp(x)), float(np.ptp(y)))

    def bending(at_x: Floats, at_y: Floats, to_x: Floats, to_y: Floats) -> Floats:
        squares = ((at_x[:, None] - to_x) ** 2 + (at_y[:, None] - to_y) ** 2) / size**2
        values: Floats = squares * np.log(np.where(squares > 0, squares, 1.0)) / 2
        return values

    free = contrasts(x, y)
    bent = bending(x, y, x, y)
    # in these contrasts the noise has unit variance and the bending is diagonal
    values, vectors = eigh(free @ bent @ free.T, (free * spread**2) @ free.T)
    basis = vectors.T @ free
    parts = basis @ z
    squares = basis**2

    def left_out(smoothing: float) -> float:
        inverse = 1 / (values + smoothing)
        own = inverse @ squares
        told = own > 1e-12 * own.max()  # without some place the others may carry no plane
        errors = ((parts * inverse) @ basis)[told] / own[told]
        return float(np.sum((errors / spread[told]) ** 2))

    smoothing = 0.0
    if smooth:
        tried = _TRIED * float(values.max())
        best = int(np.argmin([left_out(one) for one in tried]))
        ends = (np.log(tried[max(best - 1, 0)]), np.log(tried[min(best + 1, len(tried) - 1)]))
        found = minimize_scalar(lambda log: left_out(float(np.exp(log))), bounds=ends,
                                method="bounded", options={"xatol": 1e-4})  # fmt: skip
        smoothing = float(np.exp(found.x))
    inverse = 1 / (values + smoothing)
    scale = float(parts**2 @ inverse) / len(parts)
    noisy = bent + np.diag(smoothing * spread**2)
    root = basis * np.sqrt(inverse)[:, None]
    kriging = Kriging.of(x, y, z, bending, 0.0, scale, noisy, root)
    return ThinPlate(smoothing, float(np.sqrt(scale * smoothing)), kriging)
