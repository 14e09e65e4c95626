"""Gathering: many places made few, for equations that cannot take them all."""

from dataclasses import dataclass

import numpy as np

from probes.run import Floats, Ints

__all__ = ["Gathered", "gather"]


@dataclass(frozen=True, eq=False)
class Gathered:
    """Places, each the weighted mean of those in one square cell.

    Attributes
    ----------
    x, y, z : ndarray, shape (k,)
        Mean position and height, mm.
    spread : ndarray, shape (k,)
        Standard deviation of the noise of the mean, in units of a single place's.
    """

    x: Floats
    y: Floats
    z: Floats
    spread: Floats


def gather(x: Floats, y: Floats, z: Floats, spread: Floats, most: int) -> Gathered:
    """Gather places in square cells, as small as the number allows.

    What changes within a cell is lost; noise is averaged, and counted so.

    Parameters
    ----------
    x, y, z, spread : ndarray, shape (n,)
        Places and the spread of their noise.
    most : int
        Number of gathered places not to exceed.

    Examples
    --------
    >>> x = np.arange(8.0)
    >>> few = gather(x, np.zeros(8), x**2, np.ones(8), 4)
    >>> few.x, few.spread
    (array([0.5, 2.5, 4.5, 6.5]), array([0.7071, 0.7071, 0.7071, 0.7071]))
    """
    if len(x) <= most:
        return Gathered(x, y, z, spread)
    low, high = 0.0, max(float(np.ptp(x)), float(np.ptp(y))) * 2
    for _ in range(30):
        middle = (low + high) / 2
        if _cells(x, y, middle)[1] <= most:
            high = middle
        else:
            low = middle
    cell, count = _cells(x, y, high)
    weight = 1 / spread**2
    total = np.bincount(cell, weight, count)

    def mean(values: Floats) -> Floats:
        return np.bincount(cell, weight * values, count) / total

    return Gathered(mean(x), mean(y), mean(z), 1 / np.sqrt(total))


def _cells(x: Floats, y: Floats, side: float) -> tuple[Ints, int]:
    """Cell of each place, numbered without gaps, and how many there are."""
    column = np.floor((x - x.min()) / side).astype(np.int64)
    row = np.floor((y - y.min()) / side).astype(np.int64)
    names, cell = np.unique(row * (int(column.max()) + 1) + column, return_inverse=True)
    return cell.astype(np.intp), len(names)
