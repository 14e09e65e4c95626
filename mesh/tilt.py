"""Tilt: the plane part of a bed that lifts can take out, guarded against lopsided places.

On a full, even grid a bow or a twist does not tip the least-squares plane. Take a corner or a
column of places away and it does: a bowl then looks tilted, and turning the screws by that tilt
puts a tilt in. Where the places are lopsided, bow and twist are fitted along with the plane, and
the plane part is taken for the whole probed rectangle.
"""

from dataclasses import dataclass

import numpy as np

from mesh.modes import Modes, Rectangle, modes
from mesh.plane import PlaneFit, fit_plane
from probes.run import Floats

__all__ = ["Tilt", "find_tilt"]

LOPSIDED = 0.02
"""Part of a bow or twist that may leak into a fall before the places count as lopsided."""

_FEWEST_FOR_MODES = 9


@dataclass(frozen=True, eq=False)
class Tilt:
    """The plane part of a bed.

    Attributes
    ----------
    slope_x, slope_y : float
        mm/mm; positive: higher to the right, to the back.
    width, depth : float
        Size of the rectangle along x and y, mm.
    centre : (float, float)
        Middle of the rectangle, mm.
    height_centre : float
        Height there of the tilted plane through the places' mean, mm.
    factor : ndarray, shape (2, 2)
        Covariance of the slopes for places of unit variance.
    plane : PlaneFit
        The plain least-squares plane.
    modes : Modes
        The modes fitted along.
    lopsided : bool
        Whether a bow or a twist would tip the plain plane.
    guarded : bool
        Whether the slopes come from the fit with modes, because of that.
    """

    slope_x: float
    slope_y: float
    width: float
    depth: float
    centre: tuple[float, float]
    height_centre: float
    factor: Floats
    plane: PlaneFit
    modes: Modes
    lopsided: bool
    guarded: bool

    @property
    def fall_x(self) -> float:
        """Height of the right edge of the rectangle over the left, from tilt, mm."""
        return self.slope_x * self.width

    @property
    def fall_y(self) -> float:
        """Height of the back edge of the rectangle over the front, from tilt, mm."""
        return self.slope_y * self.depth

    @property
    def angle(self) -> float:
        """Angle between the plane and the machine's, rad."""
        return float(np.arctan(np.hypot(self.slope_x, self.slope_y)))

    @property
    def warning(self) -> str:
        """What lopsided places mean for the tilt; empty if they are even."""
        if self.guarded:
            return (
                "the places are lopsided, so bow and twist were fitted along with the tilt; "
                "an even grid is surer"
            )
        if self.lopsided:
            return (
                "the places are lopsided, and too few to tell tilt from bow; "
                "probe an even grid of 9 or more"
            )
        return ""

    def height(self, x: Floats, y: Floats) -> Floats:
        """Height of the tilted plane at (x, y), mm."""
        return (
            self.height_centre
            + self.slope_x * (x - self.centre[0])
            + self.slope_y * (y - self.centre[1])
        )

    def fall_sigmas(self, place_sigma: float | None) -> tuple[float | None, float | None]:
        """Give the standard deviations of fall_x and fall_y, mm, for places of this one."""
        if place_sigma is None:
            return None, None
        sigma_x, sigma_y = np.sqrt(np.diag(self.factor)) * place_sigma
        return float(sigma_x * self.width), float(sigma_y * self.depth)


def find_tilt(
    x: Floats,
    y: Floats,
    z: Floats,
    *,
    rectangle: Rectangle | None = None,
    spread: Floats | None = None,
) -> Tilt:
    """Find the plane part of a bed.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Position, mm.
    z : ndarray, shape (n,)
        Height, mm.
    rectangle : ((left, right), (front, back)), optional
        What the places ought to have covered evenly, mm, and what the falls span; the probed
        rectangle if not given.
    spread : ndarray, shape (n,), optional
        Standard deviation of each place, in units of the one that sigmas are then given for.

    Returns
    -------
    Tilt
        With the guard applied where it is needed and nine places or more carry it.

    Raises
    ------
    ShapeError
        If the places carry no plane.

    Examples
    --------
    A bowl 0.1 mm deep along x, probed without its last column, is not tilted:

    >>> across, along = (a.ravel() for a in np.meshgrid([-1, -0.5, 0, 0.5], [-1, 0, 1]))
    >>> tilt = find_tilt(across, along, 0.1 * across**2, rectangle=((-1, 1), (-1, 1)))
    >>> tilt.lopsided, round(tilt.plane.slope_x, 9), round(tilt.fall_x, 9) + 0.0
    (True, -0.05, 0.0)
    """
    plane = fit_plane(x, y, z, spread=spread)
    if rectangle is None:
        rectangle = (float(x.min()), float(x.max())), (float(y.min()), float(y.max()))
    shape = modes(x, y, z, rectangle=rectangle, spread=spread)
    (left, right), (front, back) = rectangle
    width, depth = right - left, back - front
    centre = ((left + right) / 2, (front + back) / 2)
    lopsided = _leak(x, y, rectangle) > LOPSIDED
    slope_x, slope_y, factor = plane.slope_x, plane.slope_y, plane.factor[1:, 1:]
    guarded = False
    if lopsided and shape.fall_x and shape.fall_y and len(x) >= _FEWEST_FOR_MODES:
        slope_x, slope_y = shape.fall_x.value / width, shape.fall_y.value / depth
        factor = shape.falls / np.outer((width, depth), (width, depth))
        guarded = True
    height = plane.height_centre
    height -= slope_x * (plane.centre[0] - centre[0]) + slope_y * (plane.centre[1] - centre[1])
    return Tilt(
        slope_x=slope_x,
        slope_y=slope_y,
        width=width,
        depth=depth,
        centre=centre,
        height_centre=float(height),
        factor=factor,
        plane=plane,
        modes=shape,
        lopsided=lopsided,
        guarded=guarded,
    )


def _leak(x: Floats, y: Floats, rectangle: Rectangle) -> float:
    """Largest fall that a bow or a twist of one unit gives the plain plane."""
    (left, right), (front, back) = rectangle
    xi, eta = (2 * x - left - right) / (right - left), (2 * y - front - back) / (back - front)
    shapes = np.column_stack((xi * eta, xi**2, eta**2))
    design = np.column_stack((np.ones(len(x)), xi, eta))
    aliases = np.linalg.lstsq(design, shapes, rcond=None)[0]
    return float(np.abs(2 * aliases[1:]).max())
