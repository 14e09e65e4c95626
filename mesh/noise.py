"""Noise: one standard deviation of a touch, and where that figure comes from."""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from mesh.modes import modes
from probes.drift import Drift, find_drift
from probes.quality import find_resolution, repeat_sigma
from probes.quantiles import normal_quantile, student_quantile
from probes.run import Floats, Grid, Places, Run

__all__ = ["Noise", "drift_of", "find_noise"]

NoiseSource = Literal["machine file", "repeated touches", "map", "unknown"]

_FEWEST_FOR_LOCAL = 16
"""Places from which neighbours are compared; fewer are held against bows and twist."""

_NEIGHBOURS = 8
_MOST_COMPARED = 1500


@dataclass(frozen=True, eq=False)
class Noise:
    """Repeatability of the probe, as far as it is known.

    Attributes
    ----------
    sigma : float or None
        One standard deviation of a single touch, mm.
    source : str
        "machine file"; "repeated touches": pooled over the places touched more than once; "map":
        estimated from how each place departs from its neighbours, which holds the finest shape
        too and so is rather too large; or "unknown".
    freedom : int or None
        Degrees of freedom of an estimate, rounded down; None if it was given.
    of_places : float or None
        Root of the mean variance of the places of this run, mm. More touches make a place surer,
        but for the rounding of the readings, which all of them share.
    spread : ndarray, shape (places,), or None
        Standard deviation of each place, in units of `of_places`; None if all are the same.
    """

    sigma: float | None
    source: NoiseSource
    freedom: int | None
    of_places: float | None
    spread: Floats | None = None

    @property
    def worst_place(self) -> float | None:
        """Standard deviation of the place that is known worst, mm."""
        if self.of_places is None:
            return None
        return self.of_places * (1.0 if self.spread is None else float(self.spread.max()))

    def reach(self, confidence: float = 0.95) -> float:
        """Half-width of a two-sided interval, in standard deviations: Student's t, or normal."""
        probability = (1 + confidence) / 2
        if self.freedom is None:
            return normal_quantile(probability)
        return student_quantile(probability, self.freedom)


def find_noise(run: Run, *, given: float | None = None) -> Noise:
    """Find the noise of a run.

    Parameters
    ----------
    run : Run
        The run.
    given : float, optional
        The probe's repeatability, mm, where it was measured before.

    Returns
    -------
    Noise
        From the first of: the given value, repeats in the run, the map.

    Raises
    ------
    ShapeError
        If the places carry no plane.

    Examples
    --------
    >>> run = Run(x=[0, 0, 9, 9, 0, 0], y=[0, 0, 0, 0, 9, 9], z=[1.1, 1.3, 1, 1.2, 1, 1.2])
    >>> noise = find_noise(run)
    >>> noise.sigma, noise.source, noise.freedom
    (0.141, 'repeated touches', 3)
    """
    places = run.places
    if given is not None:
        return _noise(given, "machine file", None, places, run)
    sigma, repeats = repeat_sigma(run)
    if repeats >= 3 and (sigma > 0 or find_resolution(run.z)):
        return _noise(sigma, "repeated touches", repeats, places, run)
    estimate = _from_map(places) if np.ptp(run.z) > 0 else None
    if estimate is None:
        return Noise(None, "unknown", None, None)
    left, freedom = estimate
    left = max(left, (find_resolution(run.z) or 0.0) / 2)  # see `_noise` on rounding
    touch = left / float(np.sqrt(np.mean(1.0 / places.touches)))
    return Noise(touch, "map", freedom, left, _spread(1.0 / places.touches))


def drift_of(run: Run, noise: Noise) -> Drift | None:
    """Find the drift of a run, by the noise of the machine file or the map where it has that.

    The noise of repeated touches holds the drift itself; there the run speaks for itself.
    """
    if noise.source in ("machine file", "map"):
        return find_drift(run, sigma=noise.sigma, freedom=noise.freedom)
    return find_drift(run)


def _noise(
    sigma: float, source: NoiseSource, freedom: int | None, places: Places, run: Run
) -> Noise:
    # rounding to steps wider than the noise is an error of its own: repeats do not average it, and
    # a row of places may share it, so half a step stands for it
    step = find_resolution(run.z) or 0.0
    rounding = step / 2 if sigma < step / 2 else 0.0
    variances = sigma**2 / places.touches + rounding**2
    of_places = float(np.sqrt(variances.mean()))
    return Noise(sigma, source, freedom, of_places, _spread(variances))


def _spread(variances: Floats) -> Floats | None:
    mean = float(variances.mean())
    if mean == 0 or bool(np.ptp(variances) == 0):
        return None
    spread: Floats = np.sqrt(variances / mean)
    return spread


def _from_map(places: Places) -> tuple[float, int] | None:
    """Estimate the standard deviation of a place's height, mm, and its degrees of freedom."""
    if len(places) >= _FEWEST_FOR_LOCAL:
        grid = places.grid
        local = _by_cells(grid, places.z) if grid is not None else None
        return local or _by_neighbours(places)
    shape = modes(places.x, places.y, places.z)
    left = shape.residual_sigma
    return None if left is None else (left, shape.freedom)


def _by_cells(grid: Grid, z: Floats) -> tuple[float, int] | None:
    """Compare the diagonals of each cell of a grid: no sum of a shape along x and one along y
    shows there, and a twist shows in all cells alike.
    """  # noqa: D205
    heights = grid.matrix(z)
    crosses = heights[:-1, :-1] - heights[:-1, 1:] - heights[1:, :-1] + heights[1:, 1:]
    whole = np.isfinite(crosses)
    count = int(whole.sum())
    if 2 * count < _FEWEST_FOR_LOCAL:
        return None
    # a twist shows in a cell by its area
    areas = np.outer(np.diff(grid.y), np.diff(grid.x))[whole]
    values = crosses[whole]
    values = values - areas * float(areas @ values) / float(areas @ areas)
    sigma = float(np.sqrt(values @ values / (4 * (count - 1 / count))))
    # cells that share places vary together (Satterthwaite 1946)
    beside = int((whole[:, :-1] & whole[:, 1:]).sum() + (whole[:-1] & whole[1:]).sum())
    across = int((whole[:-1, :-1] & whole[1:, 1:]).sum() + (whole[1:, :-1] & whole[:-1, 1:]).sum())
    freedom = 16 * count**2 / (16 * count + 8 * beside + 2 * across)
    return sigma, max(1, int(freedom))


def _by_neighbours(places: Places) -> tuple[float, int]:
    """Compare each place with the plane through its nearest neighbours, bows and twist apart."""
    from scipy.sparse import csr_array
    from scipy.spatial import cKDTree

    n = len(places)
    compared = np.linspace(0, n - 1, min(n, _MOST_COMPARED)).astype(int)
    spots = np.column_stack((places.x, places.y))
    nearest = np.asarray(cKDTree(spots).query(spots[compared], _NEIGHBOURS + 1)[1])
    rows = []
    for place, found in zip(compared, nearest, strict=True):
        others = found[found != place][:_NEIGHBOURS]
        offset = spots[others] - spots[place]
        predictor = np.linalg.pinv(np.column_stack((np.ones(_NEIGHBOURS), offset)))[0]
        size = float(np.sqrt(1 + predictor @ predictor))
        rows.append((np.array([place, *others]), np.array([1.0, *-predictor]) / size))
    weights = csr_array(
        (
            np.concatenate([weight for _, weight in rows]),
            np.concatenate([which for which, _ in rows]),
            np.arange(len(rows) + 1) * (_NEIGHBOURS + 1),
        ),
        shape=(len(rows), n),
    )
    values = weights @ modes(places.x, places.y, places.z).residuals
    together = weights @ weights.T
    trace = float(together.trace())
    freedom = trace**2 / float(together.power(2).sum())
    return float(np.sqrt(values @ values / trace)), max(1, int(freedom))
