"""The first layer: how much of the bed lies within what a layer's squash forgives.

A layer is laid with the nozzle at the height of one layer. Where the bed is higher the layer is
squashed, where it is lower it is not pressed on; some of both is forgiven.
"""

from dataclasses import dataclass

import numpy as np

from mesh.noise import Noise
from mesh.plane import PlaneFit
from probes.errors import RequestError
from probes.run import Floats, Places

__all__ = ["SQUASH", "FirstLayer", "first_layer"]

SQUASH = 0.25
"""Part of the layer's height that it may be thinner or thicker by (common practice, no source)."""

_FINE = 10
_MOST_CELLS = 2500
_LATTICE = 81
_FEWEST_LINES = 5


@dataclass(frozen=True)
class FirstLayer:
    """Shares of the probed area that a first layer forgives, the nozzle set as well as can be.

    Attributes
    ----------
    height : float
        Of the layer, mm.
    squash : float
        Part of it that the layer may be thinner or thicker by.
    as_found : float
        Share with the tilt as it is, 0 to 1.
    level : float
        Share after the tilt is taken out.
    corrected : float or None
        Share with a height correction from a grid as fine as the probed one, bilinear between its
        places: what such a grid leaves, and the noise it carries. None without a grid of 5 x 5
        lines or more, or without a known noise.
    """

    height: float
    squash: float
    as_found: float
    level: float
    corrected: float | None

    @property
    def allowed(self) -> float:
        """How far the bed may depart either way, mm."""
        return self.height * self.squash


def first_layer(
    places: Places, plane: PlaneFit, noise: Noise, *, height: float, squash: float = SQUASH
) -> FirstLayer:
    """Tell how much of a bed a first layer forgives.

    Parameters
    ----------
    places : Places
        Where.
    plane : PlaneFit
        The plane that levelling takes out.
    noise : Noise
        Of the run.
    height : float
        Of the layer, mm.
    squash : float
        Part of it that the layer may be thinner or thicker by.

    Returns
    -------
    FirstLayer
        The shares.

    Raises
    ------
    RequestError
        If the height is not above zero, or the squash not between 0 and 1.

    Examples
    --------
    >>> from mesh import find_noise, fit_plane
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid([0, 100, 200], [0, 100, 200]))
    >>> run = Run(x=x, y=y, z=0.001 * x)
    >>> plane = fit_plane(x, y, run.z)
    >>> layer = first_layer(run.places, plane, find_noise(run, given=0.003), height=0.2)
    >>> round(layer.as_found, 2), layer.level
    (0.5, 1.0)
    """
    if not 0 < height < float("inf"):
        raise RequestError(f"--layer {height:g}: must be a layer's height in mm, as in 0.2")
    if not 0 < squash < 1:
        raise RequestError(f"--squash {squash:g}: must be a part of the layer from 0 to 1, as 0.25")
    allowed = height * squash
    return FirstLayer(
        height=height,
        squash=squash,
        as_found=_share_within(_filled(places, places.z), allowed),
        level=_share_within(_filled(places, plane.residuals), allowed),
        corrected=_corrected(places, noise, allowed),
    )


def _share_within(heights: Floats, allowed: float) -> float:
    """Share of the heights that a band of twice the allowed holds, put where it holds most."""
    ordered = np.sort(heights)
    reach = 2 * allowed * (1 + 1e-9)
    inside = np.searchsorted(ordered, ordered + reach, side="right") - np.arange(len(ordered))
    return float(inside.max() / len(ordered))


def _filled(places: Places, values: Floats) -> Floats:
    """Values spread evenly over the area: between the places, linear."""
    grid = places.grid
    if grid is not None and not np.isnan(grid.matrix(values)).any():
        if (grid.columns - 1) * (grid.rows - 1) > _MOST_CELLS:
            return values
        x, y = (_between(lines) for lines in (grid.x, grid.y))
        rows = np.stack([np.interp(x, grid.x, row) for row in grid.matrix(values)])
        return np.stack([np.interp(y, grid.y, column) for column in rows.T]).ravel()
    if len(places) > _MOST_CELLS:
        return values
    from scipy.interpolate import LinearNDInterpolator

    lines = [np.linspace(t.min(), t.max(), _LATTICE) for t in (places.x, places.y)]
    surface = LinearNDInterpolator(np.column_stack((places.x, places.y)), values, rescale=True)
    inside: Floats = surface(*np.meshgrid(*lines)).ravel()
    return inside[np.isfinite(inside)]


def _between(lines: Floats) -> Floats:
    """Even steps over the lines, so many that each cell gets about ten."""
    count = _FINE * (len(lines) - 1)
    low, high = float(lines[0]), float(lines[-1])
    return low + (np.arange(count) + 0.5) * (high - low) / count


def _corrected(places: Places, noise: Noise, allowed: float) -> float | None:
    """Share that a bilinear correction from such a grid leaves within the allowed.

    How far a place lies off its two neighbours along a line, as if every second line were left out,
    tells the curvature there. Bilinear errors grow with the square of the lines' distance: at most
    a quarter of that is left between the lines of the whole grid, a parabola over each cell. The
    noise of the readings is carried along, two thirds of a place's over a cell.
    """
    grid, sigma = places.grid, noise.of_places
    if grid is None or sigma is None or min(grid.columns, grid.rows) < _FEWEST_LINES:
        return None
    from scipy.special import ndtr

    heights = grid.matrix(places.z)
    along_x = _missed(heights, grid.x)[1:-1] / 4
    along_y = _missed(heights.T, grid.y).T[:, 1:-1] / 4
    both = np.isfinite(along_x) & np.isfinite(along_y)
    if not both.any():
        return None
    across = (np.arange(_FINE) + 0.5) / _FINE
    bulge = 4 * across * (1 - across)
    left = along_x[both][:, None, None] * bulge + along_y[both][:, None, None] * bulge[:, None]
    left -= np.median(left)
    spread = 2 / 3 * sigma
    inside = ndtr((allowed - left) / spread) - ndtr((-allowed - left) / spread)
    return float(inside.mean())


def _missed(heights: Floats, lines: Floats) -> Floats:
    """Heights less those between the neighbours along each row, without the outer columns."""
    part = (lines[1:-1] - lines[:-2]) / (lines[2:] - lines[:-2])
    missed: Floats = heights[:, 1:-1] - heights[:, :-2] * (1 - part) - heights[:, 2:] * part
    return missed
