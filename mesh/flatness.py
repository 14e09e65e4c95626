"""Flatness: how far places depart from a plane, by the words of ISO 12781-1."""

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt

from mesh.checks import check_places
from mesh.plane import PlaneFit, fit_plane
from mesh.ranges import expected_range
from mesh.zone import Zone, minimum_zone
from probes.run import Floats

__all__ = ["Flatness", "flatness"]


@dataclass(frozen=True, eq=False)
class Flatness:
    """Flatness of some places.

    Attributes
    ----------
    height_range : float
        Highest less lowest reading, mm; holds the tilt, so no flatness.
    zone : Zone
        The minimum zone; its width is FLTt about the minimum zone planes.
    least_squares : float
        FLTt about the least-squares plane: peak plus valley, mm.
    peak, valley : float
        FLTp and FLTv: how far the highest place stands above and the lowest below the
        least-squares plane, mm, both positive.
    rms : float
        FLTq: root of the mean square departure from the least-squares plane, mm; Sq of ISO 25178
        after levelling.
    mean : float
        Mean size of the departures from the least-squares plane, mm; Sa of ISO 25178 after
        levelling.
    departures : ndarray, shape (n,)
        Local flatness deviations from the least-squares plane, mm.
    perpendicular : bool
        Whether all this is measured along the normal of the planes, or along z.
    """

    height_range: float
    zone: Zone
    least_squares: float
    peak: float
    valley: float
    rms: float
    mean: float
    departures: Floats
    perpendicular: bool

    @property
    def minimum_zone(self) -> float:
        """Width of the minimum zone, mm."""
        return self.zone.width

    def noise_floor(self, sigma: float | None) -> float | None:
        """Least-squares flatness that a perfect plane would show, mm, for places of this sigma."""
        n = len(self.departures)
        if sigma is None or n < 4:
            return None
        return expected_range(n) * sigma * sqrt((n - 3) / n)


def flatness(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    *,
    perpendicular: bool = False,
    plane: PlaneFit | None = None,
) -> Flatness:
    """Measure flatness.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Position, mm.
    z : array_like, shape (n,)
        Height, mm.
    perpendicular : bool, default False
        Measure along the normal of the planes, as ISO 12781-1 has it, instead of along z. The
        least-squares plane is then the one of least squared normal distances.
    plane : PlaneFit, optional
        The least-squares plane of these places along z, where it is known already.

    Returns
    -------
    Flatness
        The values.

    Raises
    ------
    ShapeError
        If the places carry no plane.

    References
    ----------
    ISO 12781-1:2011: FLTt, FLTp, FLTv, FLTq, LSPL, MZPL.

    Examples
    --------
    >>> flat = flatness([0, 1, 0, 1, 0.5], [0, 0, 1, 1, 0.5], [0, 0, 0, 0, 1])
    >>> flat.least_squares, flat.peak, flat.valley, flat.rms
    (1.0, 0.8, 0.2, 0.4)
    """
    xs, ys, zs = check_places(x, y, z)
    if perpendicular:
        departures = _normal_departures(xs, ys, zs)
    else:
        departures = (plane or fit_plane(xs, ys, zs)).residuals
    peak, valley = max(0.0, float(departures.max())), max(0.0, float(-departures.min()))
    return Flatness(
        height_range=float(np.ptp(zs)),
        zone=minimum_zone(xs, ys, zs, perpendicular=perpendicular),
        least_squares=peak + valley,
        peak=peak,
        valley=valley,
        rms=float(np.sqrt(np.mean(departures**2))),
        mean=float(np.mean(np.abs(departures))),
        departures=departures,
        perpendicular=perpendicular,
    )


def _normal_departures(x: Floats, y: Floats, z: Floats) -> Floats:
    """Distances from the plane of least squared normal distances, + = on the side of +z."""
    points = np.column_stack((x, y, z))
    points -= points.mean(axis=0)
    normal = np.linalg.svd(points, full_matrices=False)[2][2]
    departures: Floats = points @ (normal if normal[2] >= 0 else -normal)
    return departures
