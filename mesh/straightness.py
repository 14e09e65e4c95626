"""Straightness of a profile: the exact minimum zone between two parallel lines."""

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from probes.errors import ShapeError
from probes.run import Floats

__all__ = ["Straightness", "straightness"]


@dataclass(frozen=True, eq=False)
class Straightness:
    """Straightness of a profile.

    Attributes
    ----------
    minimum_zone : float
        Least distance between two parallel lines that hold all stations, mm.
    slope : float
        Slope of those lines, mm/mm.
    least_squares : float
        Range about the least-squares line, mm.
    slope_least_squares : float
        Slope of that line, mm/mm.
    end_points : float
        Range about the line through the first and last station, mm.
    perpendicular : bool
        Whether the minimum zone is measured along the lines' normal, or along z.
    """

    minimum_zone: float
    slope: float
    least_squares: float
    slope_least_squares: float
    end_points: float
    perpendicular: bool


def straightness(
    s: npt.ArrayLike, z: npt.ArrayLike, *, perpendicular: bool = False
) -> Straightness:  # fmt: skip
    """Measure the straightness of a profile.

    Parameters
    ----------
    s : array_like, shape (n,)
        Station along the profile, mm.
    z : array_like, shape (n,)
        Height, mm.
    perpendicular : bool, default False
        Measure the minimum zone along the normal of the lines instead of along z.

    Returns
    -------
    Straightness
        The values.

    Raises
    ------
    ShapeError
        If there are not two different stations, or a value is not finite.

    References
    ----------
    ISO 12780-1:2011: minimum zone and least-squares reference lines.

    Examples
    --------
    >>> kink = straightness([0, 1, 2, 3, 4], [0, 0, 0, 0, 4])
    >>> kink.minimum_zone, kink.slope, kink.least_squares
    (3.0, 1.0, 3.2)
    """
    stations, heights = (np.asarray(v, dtype=np.float64).ravel() for v in (s, z))
    if len(stations) != len(heights) or not np.isfinite([*stations, *heights]).all():
        raise ShapeError("a profile needs one finite height for each finite station")
    if len(stations) < 2 or np.ptp(stations) == 0:
        raise ShapeError("a profile needs two stations that are not at one spot")
    zone, slope = _zone(stations, heights, perpendicular=perpendicular)
    centred = stations - stations.mean()
    fitted = float(centred @ heights / (centred @ centred))
    first, last = int(stations.argmin()), int(stations.argmax())
    ends = (heights[last] - heights[first]) / (stations[last] - stations[first])
    return Straightness(
        minimum_zone=zone,
        slope=slope,
        least_squares=float(np.ptp(heights - fitted * stations)),
        slope_least_squares=fitted,
        end_points=float(np.ptp(heights - ends * stations)),
        perpendicular=perpendicular,
    )


def _zone(s: Floats, z: Floats, *, perpendicular: bool) -> tuple[float, float]:
    """Try every edge of the profile's hull: one line of the best zone lies along one."""
    best = (np.inf, 0.0)
    for sign in (1.0, -1.0):
        order = np.lexsort((sign * z, s))
        corners = order[_lower_hull(s[order], sign * z[order])]
        for i, j in pairwise(corners.tolist()):
            if s[j] == s[i]:
                continue
            slope = (z[j] - z[i]) / (s[j] - s[i])
            width = float(np.ptp(z - slope * s))
            if perpendicular:
                width /= float(np.sqrt(1 + slope**2))
            best = min(best, (width, float(slope)))
    return best


def _lower_hull(s: Floats, z: Floats) -> list[int]:
    """Corners of the lower hull, left to right (Andrew's monotone chain), of sorted stations."""
    hull: list[int] = []
    for i in range(len(s)):
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (s[b] - s[a]) * (z[i] - z[a]) - (z[b] - z[a]) * (s[i] - s[a]) > 0:
                break
            hull.pop()
        hull.append(i)
    return hull
