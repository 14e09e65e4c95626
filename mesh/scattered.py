"""Scattered places as a Gaussian process: dense equations, each place with its own noise."""

from collections.abc import Callable

import numpy as np

from mesh.correlation import Kernel, LikelihoodTerms, correlation
from mesh.kriging import Kriging, contrasts, plane_columns
from probes.run import Floats

__all__ = ["Scattered"]

_AT_ONCE = 2000
"""Spots that are worked on at once, to bound the memory."""


class Scattered:
    """Any places; n^3 steps.

    Parameters
    ----------
    x, y, z : ndarray, shape (n,)
        Places, mm.
    spread : ndarray, shape (n,)
        Standard deviation of each place's noise, in units of a common one.
    kernel : {"squared-exponential", "matern-5/2"}
        Law of the shape along each axis.
    """

    def __init__(self, x: Floats, y: Floats, z: Floats, spread: Floats, kernel: Kernel) -> None:
        self.count = len(x)
        self.kernel = kernel
        self.spans = (float(np.ptp(x)), float(np.ptp(y)))
        step = float(np.sqrt(self.spans[0] * self.spans[1] / len(x)))
        self.steps = (min(step, self.spans[0]), min(step, self.spans[1]))
        self._x, self._y, self._z = x, y, z
        self._variances = spread**2
        self._apart_x, self._apart_y = x[:, None] - x, y[:, None] - y
        apart = np.hypot(self._apart_x, self._apart_y)
        apart[np.diag_indices(len(x))] = np.inf
        self.closest = (
            min(float(apart.min()), self.spans[0]),
            min(float(apart.min()), self.spans[1]),
        )
        self._columns = plane_columns(x, y, x, y)
        self._own = float(np.linalg.slogdet(self._columns.T @ self._columns)[1])

    def terms(self, length_x: float, length_y: float, noise: float) -> LikelihoodTerms:
        """Give the terms of the likelihood; noise is its variance over the shape's."""
        from scipy.linalg import cho_factor, cho_solve

        along_x, slope_x = correlation(self.kernel, self._apart_x, length_x)
        along_y, slope_y = correlation(self.kernel, self._apart_y, length_y)
        noisy = along_x * along_y
        noisy[np.diag_indices(self.count)] += noise * self._variances
        factor = cho_factor(noisy, lower=True, check_finite=False)
        inverse = cho_solve(factor, np.eye(self.count), check_finite=False)
        answered = inverse @ self._columns
        information = self._columns.T @ answered
        inverse = inverse - answered @ np.linalg.solve(information, answered.T)
        weights = inverse @ self._z
        slopes = (slope_x * along_y, along_x * slope_y)
        noise_slope = noise * self._variances
        log_det = 2 * float(np.log(np.diag(factor[0])).sum()) - self._own
        return LikelihoodTerms(
            log_det + float(np.linalg.slogdet(information)[1]),
            float(self._z @ weights),
            np.array([np.vdot(inverse, s) for s in slopes] + [np.diag(inverse) @ noise_slope]),
            -np.array([weights @ s @ weights for s in slopes] + [weights**2 @ noise_slope]),
        )

    def guess(
        self, length_x: float, length_y: float, noise: float
    ) -> Callable[[Floats, Floats], Floats]:
        """Give what predicts heights alone."""
        from scipy.linalg import cho_factor, cho_solve

        def covariance(x: Floats, y: Floats) -> Floats:
            along_x = correlation(self.kernel, x[:, None] - self._x, length_x)[0]
            return along_x * correlation(self.kernel, y[:, None] - self._y, length_y)[0]

        noisy = covariance(self._x, self._y)
        noisy[np.diag_indices(self.count)] += noise * self._variances
        factor = cho_factor(noisy, lower=True, check_finite=False)
        answered = cho_solve(factor, np.column_stack((self._z, self._columns)))
        information = self._columns.T @ answered[:, 1:]
        plane = np.linalg.solve(information, self._columns.T @ answered[:, 0])
        weights = answered[:, 0] - answered[:, 1:] @ plane

        def height(x: Floats, y: Floats) -> Floats:
            found: Floats = plane_columns(x, y, self._x, self._y) @ plane
            for start in range(0, len(x), _AT_ONCE):
                part = slice(start, start + _AT_ONCE)
                found[part] += covariance(x[part], y[part]) @ weights
            return found

        return height

    def predictor(
        self, length_x: float, length_y: float, noise: float, scale: float
    ) -> Kriging:  # fmt: skip
        """Give what predicts between the places; scale is the shape's variance, mm^2."""
        from scipy.linalg import solve_triangular

        def covariance(x: Floats, y: Floats, to_x: Floats, to_y: Floats) -> Floats:
            along_x = correlation(self.kernel, x[:, None] - to_x, length_x)[0]
            return along_x * correlation(self.kernel, y[:, None] - to_y, length_y)[0]

        noisy = covariance(self._x, self._y, self._x, self._y)
        noisy[np.diag_indices(self.count)] += noise * self._variances
        free = contrasts(self._x, self._y)
        factor = np.linalg.cholesky(free @ noisy @ free.T)
        root = np.asarray(
            solve_triangular(factor, free, lower=True, check_finite=False), dtype=np.float64
        )
        return Kriging.of(self._x, self._y, self._z, covariance, 1.0, scale, noisy, root)
