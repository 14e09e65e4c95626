"""The range of values from a normal law: what noise alone makes of a perfect plate."""

from math import erf, sqrt

import numpy as np

from probes.run import Floats

__all__ = ["expected_range", "range_quantile"]


_STEP = 0.01
_GRID: Floats = np.linspace(-9.0, 9.0, 1801, dtype=np.float64)


def expected_range(n: int) -> float:
    """Give the expected range of n values from a normal law of unit variance, known as d2.

    Parameters
    ----------
    n : int
        Number of values, 2 or more.

    References
    ----------
    L. H. C. Tippett, "On the extreme individuals and the range of samples taken from a normal
    population", Biometrika 17 (1925) 364-387: the integral of 1 - F^n - (1 - F)^n.

    Examples
    --------
    >>> round(expected_range(5), 4), round(expected_range(49), 3)
    (2.3259, 4.482)
    """
    below = _normal(_GRID)
    inside = 1.0 - below**n - (1.0 - below) ** n
    return float(np.sum(inside) * _STEP)


def range_quantile(n: int, probability: float) -> float:
    """Give the quantile of the range of n values from a normal law of unit variance.

    Parameters
    ----------
    n : int
        Number of values, 2 or more.
    probability : float
        Between 0 and 1.

    References
    ----------
    H. O. Hartley, "The range in random samples", Biometrika 32 (1942) 334-348: the distribution.

    Examples
    --------
    >>> round(range_quantile(5, 0.95), 1), round(range_quantile(10, 0.95), 1)
    (3.9, 4.5)
    """
    below = _normal(_GRID)
    density = np.exp(-(_GRID**2) / 2) / sqrt(2 * np.pi)
    low, high = 0, len(_GRID) - 1
    while high - low > 1:
        shift = (low + high) // 2
        above = np.concatenate((below[shift:], np.ones(shift)))
        inside = n * float(np.sum(density * (above - below) ** (n - 1))) * _STEP
        low, high = (shift, high) if inside < probability else (low, shift)
    return (low + high) / 2 * _STEP


def _normal(t: Floats) -> Floats:
    return np.array([0.5 * (1.0 + erf(value / sqrt(2.0))) for value in t])
