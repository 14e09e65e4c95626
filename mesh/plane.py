"""The plane of some places: least squares with its covariance, minimum zone, or resistant."""

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from mesh.checks import check_places
from mesh.zone import minimum_zone
from probes.errors import RequestError
from probes.run import Floats

__all__ = ["Method", "PlaneFit", "fit_plane"]

Method = Literal["least-squares", "minimum-zone", "resistant"]

_HUBER = 1.5
"""Residuals over so many standard deviations pull no harder than at it (theory of Huber 1964)."""

_MAD_TO_SIGMA = 1.4826
"""Median absolute deviation to standard deviation of a normal law (Rousseeuw, Croux 1993)."""


@dataclass(frozen=True, eq=False)
class PlaneFit:
    """A plane ``z = height_centre + slope_x (x - centre x) + slope_y (y - centre y)``.

    Attributes
    ----------
    slope_x, slope_y : float
        mm/mm; positive slope_x: higher to the right, positive slope_y: higher to the back.
    centre : (float, float)
        Mean position of the places, mm.
    height_centre : float
        Height at the centre, mm.
    residuals : ndarray, shape (n,)
        Places' heights less the plane's, mm, along z.
    factor : ndarray, shape (3, 3)
        Covariance of (height_centre, slope_x, slope_y) for places of unit variance; the least
        squares one for every method.
    method : str
        How it was fitted.
    """

    slope_x: float
    slope_y: float
    centre: tuple[float, float]
    height_centre: float
    residuals: Floats
    factor: Floats
    method: Method

    @property
    def zone(self) -> float:
        """Full width of the places about the plane, mm: highest less lowest residual."""
        return float(np.ptp(self.residuals))

    @property
    def residual_sigma(self) -> float | None:
        """Standard deviation of the residuals about the plane, mm; None for three places.

        Shape that is no plane counts in full, so this is not the probe's repeatability.
        """
        freedom = len(self.residuals) - 3
        return float(np.sqrt(self.residuals @ self.residuals / freedom)) if freedom > 0 else None

    def height(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Height of the plane at (x, y), mm."""
        return (
            self.height_centre
            + self.slope_x * (np.asarray(x, dtype=np.float64) - self.centre[0])
            + self.slope_y * (np.asarray(y, dtype=np.float64) - self.centre[1])
        )

    def leverage(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Variance of the plane's height at (x, y), as a multiple of one place's variance.

        Above 1 the spot is known worse than a single reading there would give it.
        """
        spots = np.stack(
            np.broadcast_arrays(
                1.0, np.asarray(x, dtype=np.float64) - self.centre[0],
                np.asarray(y, dtype=np.float64) - self.centre[1],
            ),
            axis=-1,
        )  # fmt: skip
        leverage: Floats = np.einsum("...i,ij,...j->...", spots, self.factor, spots)
        return leverage

    def covariance(self, sigma: float) -> Floats:
        """Covariance of (height_centre, slope_x, slope_y) for places of standard deviation sigma.

        Parameters
        ----------
        sigma : float
            Standard deviation of a place, mm.
        """
        return self.factor * sigma**2


def fit_plane(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    method: Method = "least-squares",
    *,
    spread: Floats | None = None,
) -> PlaneFit:
    """Fit a plane.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Position, mm.
    z : array_like, shape (n,)
        Height, mm.
    method : {"least-squares", "minimum-zone", "resistant"}
        Least squares (LSPL of ISO 12781-1), the plane midway in the exact minimum zone (MZPL), or
        Huber's M-estimate, which a few bad readings hardly move. All measure along z.
    spread : ndarray, shape (n,), optional
        Standard deviation of each place, in units of the one that the covariance is then given
        for; all the same if not given. It does not weight the fit.

    Returns
    -------
    PlaneFit
        The plane.

    Raises
    ------
    ShapeError
        If the places carry no plane.
    RequestError
        If there is no such method.

    References
    ----------
    ISO 12781-1:2011. P. J. Huber, "Robust estimation of a location parameter", Ann. Math. Stat.
    35 (1964) 73-101.

    Examples
    --------
    >>> plane = fit_plane([0, 300, 300, 0], [0, 0, 300, 300], [0.10, 0.30, 0.24, -0.04])
    >>> plane.height([0, 300, 300, 0], [0, 0, 300, 300])
    array([ 0.08,  0.32,  0.22, -0.02])
    """
    xs, ys, zs = check_places(x, y, z)
    if method not in get_args(Method):
        raise RequestError(f"method {method!r}: must be one of {', '.join(get_args(Method))}")
    centre = np.array((xs.mean(), ys.mean()))
    design = np.column_stack((np.ones(len(xs)), xs - centre[0], ys - centre[1]))
    # columns of equal length keep strips and metres as well conditioned as squares
    norms = np.sqrt(np.einsum("ij,ij->j", design, design))
    orthogonal, triangle = np.linalg.qr(design / norms)
    inverse = np.linalg.inv(triangle) / norms[:, None]
    if method == "minimum-zone":
        zone = minimum_zone(xs, ys, zs)
        parameters = np.array((zone.height(*centre), zone.slope_x, zone.slope_y))
    else:
        parameters = inverse @ (orthogonal.T @ zs)
        if method == "resistant":
            parameters = _resistant(design, zs, parameters)
    residuals = zs - design @ parameters
    residuals.flags.writeable = False
    return PlaneFit(
        slope_x=float(parameters[1]),
        slope_y=float(parameters[2]),
        centre=(float(centre[0]), float(centre[1])),
        height_centre=float(parameters[0]),
        residuals=residuals,
        factor=_factor(inverse, orthogonal, spread),
        method=method,
    )


def _factor(inverse: Floats, orthogonal: Floats, spread: Floats | None) -> Floats:
    if spread is None:
        return inverse @ inverse.T
    operator = (inverse @ orthogonal.T) * spread
    return operator @ operator.T


def _resistant(design: Floats, heights: Floats, start: Floats) -> Floats:
    """Reweight until the plane stands: Huber's weights at 1.5 robust standard deviations."""
    parameters: Floats = start
    for _ in range(100):
        residuals = heights - design @ parameters
        sigma = _MAD_TO_SIGMA * float(np.median(np.abs(residuals - np.median(residuals))))
        if sigma <= 1e-12 * max(1.0, float(np.abs(heights).max())):
            break
        root = np.sqrt(np.minimum(1.0, _HUBER * sigma / np.maximum(np.abs(residuals), 1e-300)))
        fresh = np.asarray(
            np.linalg.lstsq(design * root[:, None], heights * root, rcond=None)[0],
            dtype=np.float64,
        )
        done = bool(np.abs(design @ (fresh - parameters)).max() <= 1e-9 * sigma)
        parameters = fresh
        if done:
            break
    return parameters
