"""Quantiles of the normal law, Student's t and chi-square, on the standard library alone.

SciPy has them, but importing `scipy.special` takes as long as the whole text answer of
`planish check`; the tests hold these against it.
"""

from functools import cache
from math import atan, cos, erfc, exp, pi, sin, sqrt

__all__ = ["chi_square_quantile", "normal_quantile", "student_quantile"]

_LARGE = 400
"""Degrees of freedom from which the expansion about the normal law is exact to 1e-11."""


def normal_quantile(probability: float) -> float:
    """Give the quantile of the normal law of unit variance.

    Examples
    --------
    >>> round(normal_quantile(0.975), 4)
    1.96
    """
    from statistics import NormalDist  # takes its time to import

    return NormalDist().inv_cdf(probability)


@cache
def student_quantile(probability: float, freedom: int) -> float:
    """Give the quantile of Student's t.

    Parameters
    ----------
    probability : float
        From 0.5 up, below 1.
    freedom : int
        Degrees of freedom, 1 or more.

    References
    ----------
    M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions (1964), 26.7.3 and 26.7.4
    (the distribution for whole degrees of freedom), 26.7.5 (the expansion for many).

    Examples
    --------
    >>> round(student_quantile(0.975, 10), 3)
    2.228
    """
    normal = normal_quantile(probability)
    if freedom >= _LARGE:
        return _expansion(normal, freedom)
    low, high = 0.0, max(1.0, normal)
    while _inside(high, freedom) < 2 * probability - 1:
        low, high = high, 2 * high
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if _inside(middle, freedom) < 2 * probability - 1:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _inside(t: float, freedom: int) -> float:
    """Probability between -t and t."""
    angle = atan(t / sqrt(freedom))
    square = cos(angle) ** 2
    term = cos(angle) if freedom % 2 else 1.0
    total = 0.0
    for k in range(2 + freedom % 2, freedom + 1, 2):
        total += term
        term *= square * (k - 1) / k
    if freedom % 2:
        return 2 / pi * (angle + sin(angle) * total)
    return sin(angle) * total


def _expansion(x: float, freedom: int) -> float:
    terms = (
        x,
        (x**3 + x) / 4,
        (5 * x**5 + 16 * x**3 + 3 * x) / 96,
        (3 * x**7 + 19 * x**5 + 17 * x**3 - 15 * x) / 384,
        (79 * x**9 + 776 * x**7 + 1482 * x**5 - 1920 * x**3 - 945 * x) / 92160,
    )
    return float(sum(term / freedom**k for k, term in enumerate(terms)))


@cache
def chi_square_quantile(probability: float, freedom: int) -> float:
    """Give the quantile of chi-square.

    Parameters
    ----------
    probability : float
        Between 0 and 1.
    freedom : int
        Degrees of freedom, 1 or more.

    References
    ----------
    M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions (1964), 26.4.4 and 26.4.5 (the
    distribution for whole degrees of freedom), 26.4.17 (the cube root for many).

    Examples
    --------
    >>> round(chi_square_quantile(0.025, 10), 3)
    3.247
    """
    if freedom >= _LARGE:
        step = 2 / (9 * freedom)
        return float(freedom * (1 - step + normal_quantile(probability) * sqrt(step)) ** 3)
    low, high = 0.0, 2.0 * freedom + 100.0
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):
            break
        if _chi_square_below(middle, freedom) < probability:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _chi_square_below(x: float, freedom: int) -> float:
    if freedom % 2:
        total, term = erfc(sqrt(x / 2)), exp(-x / 2) * sqrt(2 * x / pi)
        start = 3
    else:
        total, term = 0.0, exp(-x / 2)
        start = 2
    for k in range(start, freedom + 1, 2):
        total += term
        term *= x / k
    return 1 - total
