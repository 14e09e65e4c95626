"""Polish: a table parted into rows and columns by medians, which bad values hardly move."""

import numpy as np

from probes.run import Floats

__all__ = ["median_polish"]

_MOST_ROUNDS = 300


def median_polish(heights: Floats) -> tuple[float, Floats, Floats, Floats]:
    """Part a table into level, columns, rows and rest by medians.

    Parameters
    ----------
    heights : ndarray, shape (rows, columns)
        Values; holes are NaN.

    Returns
    -------
    level : float
        What is in all of them.
    columns, rows : ndarray
        Effects, each with mean zero.
    rest : ndarray, shape (rows, columns)
        What is left.

    Notes
    -----
    Rows and columns give up their medians in turn until no median is left, or after 300 rounds;
    Tukey stops after two.

    References
    ----------
    J. W. Tukey, Exploratory Data Analysis (1977), chapter 11.

    Examples
    --------
    >>> level, columns, rows, rest = median_polish(np.array([[1.0, 2, 3], [2, 3, 4], [3, 4, 95]]))
    >>> rows, float(rest[2, 2])
    (array([-1.,  0.,  1.]), 90.0)
    """
    rest = heights.copy()
    columns, rows = np.zeros(heights.shape[1]), np.zeros(heights.shape[0])
    least = 1e-12 * float(np.nanmax(np.abs(heights)))
    median = np.nanmedian if np.isnan(heights).any() else np.median  # much the faster
    for _ in range(_MOST_ROUNDS):
        by_row = median(rest, axis=1)
        rest -= by_row[:, None]
        by_column = median(rest, axis=0)
        rest -= by_column
        rows += by_row
        columns += by_column
        if max(np.abs(by_row).max(), np.abs(by_column).max()) <= least:
            break
    level = float(columns.mean() + rows.mean())
    return level, columns - columns.mean(), rows - rows.mean(), rest
