"""Flatness: how far places depart from a plane, by the words of ISO 12781-1."""

from dataclasses import dataclass
from math import erf, sqrt

import numpy as np
import numpy.typing as npt

from mesh.checks import check_places
from mesh.noise import Noise
from mesh.plane import fit_plane
from mesh.zone import Zone, minimum_zone
from probes.quantiles import chi_square_quantile
from probes.run import Floats

__all__ = ["Flatness", "expected_range", "flatness", "range_quantile"]


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
        FLTq: root of the mean square departure from the least-squares plane, mm.
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

    def interval(self, noise: Noise) -> tuple[float, float] | None:
        """Give bounds of the minimum zone without noise, mm, that hold at least 95 times in 100.

        Parameters
        ----------
        noise : Noise
            Of the run.

        Returns
        -------
        (float, float) or None
            None where the noise is not known.

        Notes
        -----
        Noise cannot change the minimum zone by more than its own range over the places, so the
        95 % quantile of that range is taken both ways, for places that are all as uncertain as the
        worst. These bounds are sure, and wider than need be.
        """
        half = self._noise_range(noise)
        if half is None:
            return None
        return max(0.0, self.minimum_zone - half), self.minimum_zone + half

    def is_noise(self, noise: Noise) -> bool:
        """Tell whether noise alone on a perfect plane may look as unflat."""
        half = self._noise_range(noise)
        return half is not None and self.least_squares <= half

    def _noise_range(self, noise: Noise) -> float | None:
        worst, n = noise.worst_place, len(self.departures)
        if worst is None:
            return None
        if noise.freedom is None:
            return range_quantile(n, 0.95) * worst
        # an estimated sigma may be too small: shared out, each error once in forty
        low = chi_square_quantile(0.025, noise.freedom)
        return range_quantile(n, 0.975) * worst * sqrt(noise.freedom / low)


def flatness(
    x: npt.ArrayLike, y: npt.ArrayLike, z: npt.ArrayLike, *, perpendicular: bool = False
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
    departures = (
        _normal_departures(xs, ys, zs) if perpendicular else fit_plane(xs, ys, zs).residuals
    )
    peak, valley = max(0.0, float(departures.max())), max(0.0, float(-departures.min()))
    return Flatness(
        height_range=float(np.ptp(zs)),
        zone=minimum_zone(xs, ys, zs, perpendicular=perpendicular),
        least_squares=peak + valley,
        peak=peak,
        valley=valley,
        rms=float(np.sqrt(np.mean(departures**2))),
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


_STEP = 0.01
_GRID: Floats = np.linspace(-9.0, 9.0, 1801, dtype=np.float64)


def _normal(t: Floats) -> Floats:
    return np.array([0.5 * (1.0 + erf(value / sqrt(2.0))) for value in t])
