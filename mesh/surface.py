"""Surfaces: the height between the places of a probed bed, and how sure it is.

Four kinds. Bilinear and bicubic pass through every place and carry its noise along. The thin plate
and the Gaussian process smooth, and their uncertainty holds both the noise and what the shape may
do between the places.
"""

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from mesh.cells import Cells
from mesh.checks import check_places
from mesh.gather import gather
from mesh.left_out import LeaveOneOut
from mesh.outline import Hull
from mesh.plane import PlaneFit, fit_plane
from mesh.predictor import PlanePredictor, Predictor, Reordered
from mesh.process import Process, fit_grid, fit_scattered
from mesh.thin_plate import fit_thin_plate
from mesh.triangles import Triangles
from probes.errors import RequestError, ShapeError
from probes.run import Floats, Grid, Places

__all__ = ["Kind", "Surface", "fit_surface"]

Kind = Literal["bilinear", "bicubic", "thin-plate", "gaussian-process"]

MOST_DENSE = 2000
"""Places that dense equations take; more are gathered into means of cells first."""

_MOST_HOLES = 300
"""Holes up to which a grid is solved as a grid, exactly."""

_MOST_ON_GRID = 30_000_000
"""Holes times spots up to which that fits into memory."""

_SAME_PLACE = 1e-5
"""Places closer than this part of the bed's size are one."""

_ON_OUTLINE = 1e-9
"""Spots beyond the outline by less than this part of the bed's size are inside, or on it."""


@dataclass(frozen=True, eq=False)
class Surface:
    """A surface through, or near, the places of a bed.

    Attributes
    ----------
    kind : str
        What it is.
    noise : float or None
        Standard deviation of a place, mm: given, or else fitted by the thin plate and the Gaussian
        process; None if neither.
    plane : PlaneFit
        The least-squares plane of the places.
    process : Process or None
        The settings of a Gaussian process.
    gathered : int
        How many means of places it was fitted to, where the places were too many; otherwise 0.
    """

    kind: Kind
    noise: float | None
    plane: PlaneFit
    process: Process | None
    gathered: int
    _predictor: Predictor = field(repr=False)
    _hull: Hull = field(repr=False)
    _reach: float = field(repr=False)  # what counts as on the outline, mm
    _x: Floats = field(repr=False)
    _y: Floats = field(repr=False)

    def inside(self, x: npt.ArrayLike, y: npt.ArrayLike) -> npt.NDArray[np.bool_]:
        """Whether spots are in the probed area: the convex outline of the places."""
        xs, ys = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        beyond = self._hull.outside(xs.ravel(), ys.ravel())
        return (beyond <= self._reach).reshape(xs.shape)

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Height and its standard deviation at spots.

        Outside the probed area the height is that of the nearest spot on the outline, carried on
        with the slope of the plane; see `inside`.

        Parameters
        ----------
        x, y : array_like
            Position, mm; shapes that go together.

        Returns
        -------
        z : ndarray
            Height, mm.
        sigma : ndarray
            Standard deviation of the bed's height, mm. For bilinear and bicubic it is the noise
            that is carried along, without what the shape does between the places, and NaN where
            no noise was given. Outside it grows with the distance.
        """
        xs, ys = np.broadcast_arrays(np.asarray(x, float), np.asarray(y, float))
        shape = xs.shape
        xs, ys = xs.ravel(), ys.ravel()
        beyond = self._hull.outside(xs, ys) > self._reach
        if not beyond.any():
            height, variance = self._predictor.at(xs, ys)
            return height.reshape(shape), np.sqrt(variance).reshape(shape)
        near_x, near_y = xs.copy(), ys.copy()
        near_x[beyond], near_y[beyond] = self._hull.nearest(xs[beyond], ys[beyond])
        height, variance = self._predictor.at(near_x, near_y)
        dx, dy = xs[beyond] - near_x[beyond], ys[beyond] - near_y[beyond]
        height[beyond] += self.plane.slope_x * dx + self.plane.slope_y * dy
        variance[beyond] = self._outside(
            xs[beyond], ys[beyond], height[beyond], variance[beyond], np.hypot(dx, dy)
        )
        return height.reshape(shape), np.sqrt(variance).reshape(shape)

    def _outside(
        self, x: Floats, y: Floats, held: Floats, at_edge: Floats, distance: Floats
    ) -> Floats:
        """Variance of a held height."""
        if self.kind in ("bilinear", "bicubic"):
            return at_edge + (self._slope * distance) ** 2
        # a model knows what it would say there; what is held misses that by a known step
        height, variance = self._predictor.at(x, y)
        return np.asarray(np.maximum(variance + (height - held) ** 2, at_edge), dtype=np.float64)

    @cached_property
    def _edge(self) -> npt.NDArray[np.bool_]:
        """Which places are on the outline."""
        return self._hull.outside(self._x, self._y) >= -max(self._reach, 1e-6)

    @cached_property
    def _slope(self) -> float:
        """Slope about the plane that 19 of 20 pairs of neighbours at the outline keep to."""
        from scipy.spatial import Delaunay

        spots = np.column_stack((self._x - self._x.min(), self._y - self._y.min()))
        starts, ends = Delaunay(spots).vertex_neighbor_vertices
        one = np.repeat(np.arange(len(spots)), np.diff(starts))
        out = self._edge[one]
        rise = self.plane.residuals[ends[out]] - self.plane.residuals[one[out]]
        run = np.hypot(*(spots[ends[out]] - spots[one[out]]).T)
        return float(np.quantile(np.abs(rise / run), 0.95))

    @cached_property
    def leave_one_out(self) -> LeaveOneOut:
        """Errors at places that are left out, by formula and not by fitting again.

        For the thin plate and the Gaussian process they are those of the linear smoother,
        residual / (1 - leverage), with smoothing, length scales and noise kept as fitted.

        References
        ----------
        O. Dubrule, "Cross validation of kriging in a unique neighborhood", Math. Geol. 15 (1983)
        687-699.
        """
        return LeaveOneOut(self._x, self._y, self._predictor.left_out, self._edge)


def fit_surface(
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    z: npt.ArrayLike,
    kind: Kind = "bilinear",
    *,
    noise: float | None = None,
    spread: npt.ArrayLike | None = None,
) -> Surface:
    """Fit a surface to places.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Position, mm; each place once.
    z : array_like, shape (n,)
        Height, mm.
    kind : {"bilinear", "bicubic", "thin-plate", "gaussian-process"}
        Bilinear never leaves the range of its four places; on a grid with holes and on scattered
        places it is linear in triangles. Bicubic needs a full grid. The thin plate and the
        Gaussian process take any places.
    noise : float, optional
        Standard deviation of a place, mm, where it is known. The Gaussian process then fits only
        the shape; 0 makes it and the thin plate pass through the places.
    spread : array_like, shape (n,), optional
        Standard deviation of each place, in units of `noise`; all the same if not given. A place
        touched four times has half the spread of a place touched once.

    Returns
    -------
    Surface
        The surface.

    Raises
    ------
    ShapeError
        If the places carry no plane, or one is given twice.
    RequestError
        If the kind is not known or does not go with the places, or noise is not a size.

    Examples
    --------
    >>> across, along = (a.ravel() for a in np.meshgrid([0, 100, 200], [0, 100, 200]))
    >>> surface = fit_surface(across, along, 1e-5 * (across - 100) ** 2, noise=0.004)
    >>> z, sigma = surface.at([50, 150], [100, 50])
    >>> z.tolist(), sigma.tolist()
    ([0.05, 0.05], [0.0028, 0.0020])
    """
    xs, ys, zs = check_places(x, y, z)
    if kind not in get_args(Kind):
        raise RequestError(f"kind {kind!r}: must be one of {', '.join(get_args(Kind))}")
    if noise is not None and not 0 <= noise < np.inf:
        raise RequestError(f"noise {noise:g} mm: must be zero or more, and finite")
    spreads = _check_spread(spread, len(xs))
    _check_once(xs, ys)
    ones = np.ones(len(xs), dtype=np.intp)
    grid = Places(xs, ys, zs, ones, np.arange(len(xs))).grid
    full = grid if grid is not None and grid.rows * grid.columns == len(xs) else None
    hull = Hull.of(xs, ys)
    plane = fit_plane(xs, ys, zs)
    process, found = None, noise
    places = (xs, ys)
    predictor: Predictor
    if kind in ("bilinear", "bicubic"):
        predictor = _interpolant(kind, xs, ys, zs, noise, spreads, grid, full)
    elif len(xs) == 3 or _is_plane(zs, plane):
        predictor = PlanePredictor(plane, noise, exact=len(xs) > 3)
        found = 0.0 if noise is None and len(xs) > 3 else noise
    elif kind == "gaussian-process" and _as_grid(grid, len(xs), spreads):
        assert grid is not None
        process = fit_grid(grid.x, grid.y, grid.matrix(zs), _single(noise, spreads))
        predictor = Reordered(process.predictor, grid)
        found = process.noise / float(spreads[0]) if noise is None else noise
    else:
        few = gather(xs, ys, zs, spreads, MOST_DENSE)
        places = (few.x, few.y)
        if kind == "thin-plate":
            plate = fit_thin_plate(few.x, few.y, few.z, few.spread, smooth=noise != 0)
            predictor, found = plate.predictor, plate.noise if noise is None else noise
        else:
            process = fit_scattered(few.x, few.y, few.z, few.spread, noise)
            predictor, found = process.predictor, process.noise
    return Surface(
        kind=kind,
        noise=found,
        plane=plane,
        process=process,
        gathered=len(places[0]) if len(places[0]) < len(xs) else 0,
        _predictor=predictor,
        _hull=hull,
        _reach=_ON_OUTLINE * float(np.hypot(np.ptp(xs), np.ptp(ys))),
        _x=places[0],
        _y=places[1],
    )


def _interpolant(
    kind: Kind,
    x: Floats,
    y: Floats,
    z: Floats,
    noise: float | None,
    spread: Floats,
    grid: Grid | None,
    full: Grid | None,
) -> Predictor:
    variances = np.full(len(x), np.nan) if noise is None else (noise * spread) ** 2
    if full is not None:
        cells = Cells(full.x, full.y, full.matrix(z), full.matrix(variances),
                      1 if kind == "bilinear" else 3)  # fmt: skip
        return Reordered(cells, full)
    if kind == "bicubic":
        where = "the places are scattered"
        if grid is not None:
            holes = grid.rows * grid.columns - len(x)
            where = f"{holes} of {grid.rows * grid.columns} spots of the grid have no place"
        raise RequestError(
            f"bicubic needs a full grid, and {where}; "
            "use bilinear, thin-plate or gaussian-process, or probe a full grid"
        )
    return Triangles(x, y, z, variances)


def _as_grid(grid: Grid | None, places: int, spread: Floats) -> bool:
    """Whether the places are best solved as a grid."""
    if grid is None or np.ptp(spread) > 0:
        return False
    spots = grid.rows * grid.columns
    holes = spots - places
    return holes <= min(_MOST_HOLES, places / 4) and holes * spots <= _MOST_ON_GRID


def _is_plane(z: Floats, plane: PlaneFit) -> bool:
    """Whether places stand on a plane, but for the rounding of its arithmetic."""
    size = float(np.abs(z).max()) + abs(plane.height_centre)
    return float(np.abs(plane.residuals).max()) <= float(64 * np.finfo(np.float64).eps * size)


def _check_spread(spread: npt.ArrayLike | None, n: int) -> Floats:
    if spread is None:
        return np.ones(n)
    values = np.asarray(spread, dtype=np.float64).ravel()
    if len(values) != n:
        raise ShapeError(f"spread has {len(values)} values for {n} places; give one each per place")
    if not ((values > 0) & (values < np.inf)).all():
        raise ShapeError("spread holds a value that is not above zero and finite")
    return values


def _check_once(x: Floats, y: Floats) -> None:
    from scipy.spatial import cKDTree

    size = max(float(np.ptp(x)), float(np.ptp(y)))
    net = cKDTree(np.column_stack((x - x.min(), y - y.min())))
    twice = net.query_pairs(_SAME_PLACE * size, output_type="ndarray")
    if len(twice):
        at = int(twice[0, 0])
        raise ShapeError(
            f"the place at ({x[at]:g}, {y[at]:g}) is given more than once; "
            "give each place once, with the mean of its touches"
        )


def _single(noise: float | None, spread: Floats) -> float | None:
    return None if noise is None else noise * float(spread[0])
