"""Outliers among repeated readings: scores and tests, each by its published rule."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from probes.run import Floats

__all__ = ["DOUBTFUL", "EsdTest", "generalised_esd", "modified_z"]

DOUBTFUL = 3.5
"""A modified z or studentised residual beyond this marks a reading to take again (Iglewicz and
Hoaglin 1993)."""


def modified_z(values: npt.ArrayLike, *, least_mad: float = 0.0) -> Floats:
    """Score how far each value stands from the rest, by median and median absolute deviation.

    Parameters
    ----------
    values : array_like, shape (n,)
        Repeated readings.
    least_mad : float
        Least median absolute deviation to score by, such as the readings' resolution: rounded
        readings may all agree.

    Returns
    -------
    ndarray, shape (n,)
        ``0.6745 (x - median) / MAD``; zero where nothing deviates.

    References
    ----------
    B. Iglewicz, D. C. Hoaglin, How to Detect and Handle Outliers, 1993; NIST/SEMATECH e-Handbook
    1.3.5.17.

    Examples
    --------
    >>> round(float(modified_z([12, 10, 11, 13, 9, 12, 85, 11, 10])[6]), 1)
    49.9
    """
    x = np.asarray(values, dtype=np.float64)
    away = x - np.median(x)
    mad = max(float(np.median(np.abs(away))), least_mad)
    if mad == 0:
        return np.where(away == 0, 0.0, np.copysign(np.inf, away))
    return 0.6745 * away / mad


def _critical(n: int, tail: float) -> float:
    from scipy.special import stdtrit

    t = float(stdtrit(n - 2, 1 - tail))
    return float((n - 1) / np.sqrt(n) * np.sqrt(t**2 / (n - 2 + t**2)))


@dataclass(frozen=True, eq=False)
class EsdTest:
    """Generalised extreme studentised deviate test.

    Attributes
    ----------
    statistics, critical : ndarray, shape (most,)
        R and lambda of each step.
    which : ndarray of int
        The values that are outliers, the farthest first.
    """

    statistics: Floats
    critical: Floats
    which: npt.NDArray[np.intp]


def generalised_esd(values: npt.ArrayLike, most: int, *, alpha: float = 0.05) -> EsdTest:
    """Find up to `most` outliers at once, where one could hide another.

    Parameters
    ----------
    values : array_like, shape (n,)
        Repeated readings.
    most : int
        Largest number of outliers to look for, below n - 1. With one it is Grubbs' two-sided
        test, and his one-sided one at twice the alpha.
    alpha : float
        Chance of a false alarm.

    References
    ----------
    B. Rosner, "Percentage points for a generalized ESD many-outlier procedure", Technometrics 25
    (1983) 165-172. F. E. Grubbs, "Procedures for detecting outlying observations in samples",
    Technometrics 11 (1969) 1-21. NIST/SEMATECH e-Handbook 1.3.5.17.1 and 1.3.5.17.3.
    """
    x = np.asarray(values, dtype=np.float64)
    n = len(x)
    left = np.arange(n)
    removed, statistics, critical = [], [], []
    for step in range(most):
        away = np.abs(x[left] - x[left].mean())
        sigma = float(x[left].std(ddof=1))
        farthest = int(away.argmax())
        statistics.append(float(away[farthest] / sigma) if sigma else 0.0)
        critical.append(_critical(n - step, alpha / (2 * (n - step))))
        removed.append(int(left[farthest]))
        left = np.delete(left, farthest)
    beyond = [k for k in range(most) if statistics[k] > critical[k]]
    count = beyond[-1] + 1 if beyond else 0
    return EsdTest(
        np.array(statistics), np.array(critical), np.array(removed[:count], dtype=np.intp)
    )
