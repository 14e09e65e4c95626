"""Relief: the bed's surface as the pictures show it, and the colours of its heights."""

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from level.check import Check
from probes.run import Floats, Grid, Ints, Places

if TYPE_CHECKING:
    from mesh.plane import PlaneFit

__all__ = ["COLOURS", "MOST_DRAWN", "Relief", "build_relief", "colour_table", "fine_surface",
           "height_text"]  # fmt: skip

COLOURS = (
    "#123a63", "#2f6fa7", "#8fbbdc", "#f2efe8", "#eebb7d", "#c8701b", "#73350a",
)  # fmt: skip
"""From lowest over the reference plane (middle) to highest: blue to brown, which every kind of
colour vision tells apart, and each half darkens evenly, so that it prints in grey."""

MOST_DRAWN = 20_000
"""Up to so many places are drawn; of more, a part stands for all. Numbers always come from all."""

_LEAST_HALF = 0.001
"""Least half-range of the colours, mm: below it there is nothing to see but rounding."""

_MOST_PIECES = 8
"""A cell of the grid is cut into so many pieces along x and y at most."""

_STEPS = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)

_MOST_CONTACTS = 200
"""More contacts than this come from equal heights and tell nothing."""


@dataclass(frozen=True, eq=False)
class Relief:
    """The bed's surface as it is drawn.

    Attributes
    ----------
    x, y : ndarray, shape (drawn,)
        Places that are drawn, mm.
    z : ndarray, shape (drawn,)
        Their heights as read, mm.
    mean : float
        Mean height of all places, mm: where the pictures have their zero.
    departure : ndarray, shape (drawn,)
        Heights less the reference plane's, mm.
    plane : PlaneFit
        The reference plane, of least squares.
    grid : Grid or None
        The grid of the drawn places; None if the surface is triangulated.
    quads : ndarray of int, shape (n, 4)
        Cells of the grid whose four corners were all probed.
    triangles : ndarray of int, shape (m, 3)
        Cells with one corner missing, or the triangulation of scattered places.
    upper, lower : ndarray, shape (contacts, 3)
        Places that touch the planes of the minimum zone: x, y, z as read, mm.
    half : float
        The colours span this far either side of the reference plane, mm.
    limit : float or None
        Largest flatness allowed, mm.
    places : int
        How many places there are, drawn or not.
    """

    x: Floats
    y: Floats
    z: Floats
    mean: float
    departure: Floats
    plane: "PlaneFit"
    grid: Grid | None
    quads: Ints
    triangles: Ints
    upper: Floats
    lower: Floats
    half: float
    limit: float | None
    places: int

    @property
    def height(self) -> Floats:
        """Heights relative to the mean of all places, mm; the tilt is in them."""
        return self.z - self.mean

    @property
    def thinned(self) -> bool:
        """Whether a part of the places stands for all."""
        return len(self.x) < self.places


def build_relief(check: Check) -> Relief:
    """Lay out the surface of a checked bed for drawing.

    Parameters
    ----------
    check : Check
        The check.

    Returns
    -------
    Relief
        Holes of a grid stay open; where a grid is too open to show a surface, or there is none,
        the places are triangulated.
    """
    places = check.run.places
    plane = check.tilt.plane
    kept, grid = _thin(places)
    x, y, z = places.x[kept], places.y[kept], places.z[kept]
    quads, triangles = np.empty((0, 4), np.intp), np.empty((0, 3), np.intp)
    if grid is not None:
        quads, triangles = _cells(grid, len(kept))
        in_cells = np.union1d(quads, triangles)
        if 2 * len(in_cells) < len(kept):
            grid = None
    if grid is None:
        quads, triangles = np.empty((0, 4), np.intp), _triangulated(x, y)
    zone = check.flatness.zone
    limit = next((limit.limit for limit in check.limits if limit.name == "flatness"), None)
    return Relief(
        x=x,
        y=y,
        z=z,
        mean=float(places.z.mean()),
        departure=plane.residuals[kept],
        plane=plane,
        grid=grid,
        quads=quads,
        triangles=triangles,
        upper=_contacts(places, zone.upper, zone.width),
        lower=_contacts(places, zone.lower, zone.width),
        half=_half(float(np.abs(plane.residuals).max()), limit),
        limit=limit,
        places=len(places),
    )


def colour_table(steps: int = 256) -> npt.NDArray[np.uint8]:
    """Give the colours from lowest to highest, shape (steps, 3), 0 to 255."""
    stops = np.array([[int(c[k : k + 2], 16) for k in (1, 3, 5)] for c in COLOURS])
    at = np.linspace(0, len(stops) - 1, steps)
    mixed = [np.interp(at, np.arange(len(stops)), stops[:, k]) for k in range(3)]
    return np.round(np.column_stack(mixed)).astype(np.uint8)


def height_text(value: float, half: float) -> str:
    """Write a height of the colour bar, mm, with the digits that a bar of this half-range needs.

    Examples
    --------
    >>> height_text(0.05, 0.1), height_text(-0.0005, 0.001), height_text(0.0, 0.1)
    ('+0.050', '-0.0005', '0')
    """
    return f"{value:+z.{3 if half >= 0.02 else 4}f}" if value else "0"


def fine_surface(relief: Relief) -> tuple[Floats, Ints]:
    """Cut the surface so fine that flat triangles show it: bilinear in the cells of a grid.

    Returns
    -------
    values : ndarray, shape (n, 4)
        x, y, z as read and departure of each corner, mm.
    triangles : ndarray of int, shape (m, 3)
        Corners of each triangle; none for places that span no surface.
    """
    values = np.column_stack((relief.x, relief.y, relief.z, relief.departure))
    pieces = _bilinear(values, relief.quads)
    halves = np.concatenate((pieces[:, [0, 1, 2]], pieces[:, [0, 2, 3]]))
    corners = np.concatenate((halves, values[relief.triangles])).reshape(-1, 4)
    # neighbours share corners, so that a surface without seams comes out
    spots = np.round(corners[:, :2] * 1e6)
    _, first, which = np.unique(spots, axis=0, return_index=True, return_inverse=True)
    return corners[first], which.reshape(-1, 3)


def _bilinear(values: Floats, quads: Ints) -> Floats:
    """Cut each cell into smaller ones, bilinear between its corners, shape (pieces, 4, values)."""
    pieces = max(1, min(_MOST_PIECES, math.isqrt(MOST_DRAWN // max(1, len(quads)))))
    at = np.linspace(0, 1, pieces + 1)
    along, across = (part[..., None] for part in np.meshgrid(at, at, indexing="ij"))
    first, second, third, fourth = (values[quads[:, k], None, None, :] for k in range(4))
    lattice = (1 - along) * ((1 - across) * first + across * second) + along * (
        (1 - across) * fourth + across * third
    )
    corners = (lattice[:, :-1, :-1], lattice[:, :-1, 1:], lattice[:, 1:, 1:], lattice[:, 1:, :-1])
    return np.stack(corners, axis=3).reshape(-1, 4, values.shape[1])


def _thin(places: Places) -> tuple[Ints, Grid | None]:
    """Choose the places to draw, and lay those out on their grid, if they have one."""
    grid = places.grid
    if len(places) <= MOST_DRAWN:
        return np.arange(len(places)), grid
    if grid is None:
        # any regular choice could fall in step with the order of probing
        chosen = np.random.default_rng(1).permutation(len(places))[:MOST_DRAWN]
        return np.sort(chosen), None
    stride = math.ceil(math.sqrt(grid.rows * grid.columns / MOST_DRAWN))
    columns, rows = _every(grid.columns, stride), _every(grid.rows, stride)
    kept = np.flatnonzero(np.isin(grid.column, columns) & np.isin(grid.row, rows))
    return kept, Grid(
        grid.x[columns],
        grid.y[rows],
        np.searchsorted(columns, grid.column[kept]),
        np.searchsorted(rows, grid.row[kept]),
    )


def _every(count: int, stride: int) -> Ints:
    """Every so-manieth line of a grid, and the last, so that the edges stay."""
    return np.unique(np.append(np.arange(0, count, stride), count - 1))


def _cells(grid: Grid, places: int) -> tuple[Ints, Ints]:
    """Find the cells of a grid: whole ones, and those with one corner missing."""
    at = np.full((grid.rows, grid.columns), -1, dtype=np.intp)
    at[grid.row, grid.column] = np.arange(places)
    corners = np.stack((at[:-1, :-1], at[:-1, 1:], at[1:, 1:], at[1:, :-1]), axis=-1)
    corners = corners.reshape(-1, 4)
    probed = (corners >= 0).sum(axis=1)
    cut = corners[probed == 3]
    return corners[probed == 4], cut[cut >= 0].reshape(-1, 3)


def _triangulated(x: Floats, y: Floats) -> Ints:
    from scipy.spatial import Delaunay, QhullError

    spots = np.column_stack((x - x.mean(), y - y.mean())) / max(np.ptp(x), np.ptp(y))
    try:
        return Delaunay(spots).simplices.astype(np.intp)
    except QhullError:  # a strip so thin that only the places themselves can be drawn
        return np.empty((0, 3), np.intp)


def _contacts(places: Places, which: Ints, width: float) -> Floats:
    if width <= 1e-9 or len(which) > _MOST_CONTACTS:
        which = which[:0]
    return np.column_stack((places.x[which], places.y[which], places.z[which]))


def _half(largest: float, limit: float | None) -> float:
    """Half-range of the colours: round, over all departures, and over the limit if that is near."""
    wanted = max(largest, _LEAST_HALF)
    if limit is not None and limit / 2 <= 2 * wanted:
        wanted = max(wanted, limit / 2)
    power = 10.0 ** math.floor(math.log10(wanted))
    return next(step * power for step in _STEPS if step * power >= wanted * (1 - 1e-9))
