"""Control chart of single readings: whether a series stays about one level."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["IndividualsChart", "individuals_chart"]

_RANGE_OF_TWO = 1.128
"""Expected range of two normal values, d2(2), as charts have it."""


@dataclass(frozen=True)
class IndividualsChart:
    """Chart of single readings with limits from their moving range.

    Attributes
    ----------
    centre : float
        Mean of the readings.
    moving_range : float
        Mean difference of neighbours in time.
    lower, upper : float
        Limits, three standard deviations off the centre.
    outside : tuple of int
        Readings beyond a limit, from 0.
    """

    centre: float
    moving_range: float
    lower: float
    upper: float
    outside: tuple[int, ...]

    @property
    def sigma(self) -> float:
        """Standard deviation from reading to reading: free of slow wandering."""
        return self.moving_range / _RANGE_OF_TWO


def individuals_chart(values: npt.ArrayLike) -> IndividualsChart:
    """Make a chart of single readings in the order taken.

    Parameters
    ----------
    values : array_like, shape (n,), n >= 2
        Readings.

    References
    ----------
    NIST/SEMATECH e-Handbook 6.3.2.2, individuals control charts (Shewhart).
    """
    x = np.asarray(values, dtype=np.float64)
    moving = float(np.abs(np.diff(x)).mean())
    centre = float(x.mean())
    half = 3 * moving / _RANGE_OF_TWO
    beyond = np.flatnonzero(np.abs(x - centre) > half + 1e-12)
    return IndividualsChart(
        centre, moving, centre - half, centre + half, tuple(int(k) for k in beyond)
    )
