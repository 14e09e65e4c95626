"""Correlation: how alike the heights of two spots are, by their distance along one axis."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from probes.run import Floats

__all__ = ["Kernel", "LikelihoodTerms", "correlation"]

Kernel = Literal["squared-exponential", "matern-5/2"]


@dataclass(frozen=True, eq=False)
class LikelihoodTerms:
    """What a restricted likelihood is made of, for a shape of unit variance.

    Attributes
    ----------
    log_det : float
        Logarithm of the determinant of the covariance of the contrasts that no plane changes.
    squares : float
        Sum of squares of the contrasts, brought to unit variance.
    log_det_slopes, squares_slopes : ndarray, shape (3,)
        Their derivatives by the logarithms of the length scale along x, along y, and of the noise.
    """

    log_det: float
    squares: float
    log_det_slopes: Floats
    squares_slopes: Floats


def correlation(kernel: Kernel, distance: Floats, length: float) -> tuple[Floats, Floats]:
    """Correlation along one axis, and its derivative by the logarithm of the length scale.

    Parameters
    ----------
    kernel : {"squared-exponential", "matern-5/2"}
        The law: of shapes smooth to every order, or to the second.
    distance : ndarray
        Distance along the axis, mm.
    length : float
        Length scale, mm.

    References
    ----------
    C. E. Rasmussen, C. K. I. Williams, Gaussian Processes for Machine Learning (2006), equations
    4.9 and 4.17.

    Examples
    --------
    >>> correlation("squared-exponential", np.array([0.0, 50.0]), 50.0)[0].tolist()
    [1.0, 0.6065]
    """
    if kernel == "squared-exponential":
        squares = (distance / length) ** 2
        values = np.exp(-squares / 2)
        return values, values * squares
    ratio = np.sqrt(5.0) * np.abs(distance) / length
    decay = np.exp(-ratio)
    return (1 + ratio + ratio**2 / 3) * decay, ratio**2 / 3 * (1 + ratio) * decay
