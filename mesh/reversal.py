"""Reversal: how straight a rail is, by a bar probed on one edge and then turned over.

A bar turned about its long axis shows its other edge, and the shape of that edge with the other
sign. With the bar's width by micrometer along its length, the rail's part is left over: the bar
need be neither straight nor parallel (Evans, Hocken, Estler 1996).
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
import numpy.typing as npt

from mesh.straightness import Straightness, straightness
from probes.errors import RequestError, ShapeError
from probes.run import Floats, frozen

__all__ = ["Reversal", "hanging", "reverse_bar"]

GRAVITY = 9.80665
"""m/s² (ISO 80000-3, standard acceleration of free fall)."""

MEANING = (
    "The bar's own shape has cancelled, whatever it is; the rail's bow is told, which turning a "
    "plate cannot do.",
    "The rail is known up to a line: how it lies is the levelling's affair.",
    "The bar hangs down between its supports alike both times, so its sag does not cancel: it adds "
    "a dip to the rail unless it is given. Support the bar at 0.22 of its length from the ends.",
)


@dataclass(frozen=True, eq=False)
class Reversal:
    """Straightness of a rail.

    Attributes
    ----------
    at : ndarray, shape (n,)
        Positions along the rail, mm.
    rail : ndarray, shape (n,)
        What the rail adds to readings there, without its least-squares line, mm; positive raises
        them.
    edges : (ndarray, ndarray)
        Shape of the bar's edge probed first and of the one probed second, each as seen when it was
        on top, without its line, mm.
    sigma : float
        Standard deviation of each value of the rail before its line is taken out, mm.
    straightness : Straightness
        Of the rail.
    meaning : tuple of str
        What the values are and are not.
    """

    at: Floats
    rail: Floats
    edges: tuple[Floats, Floats]
    sigma: float
    straightness: Straightness
    meaning: tuple[str, ...] = MEANING


def reverse_bar(
    at: npt.ArrayLike,
    first: npt.ArrayLike,
    second: npt.ArrayLike,
    width: npt.ArrayLike,
    *,
    sag: npt.ArrayLike = 0.0,
    sigma: float,
    sigma_width: float,
) -> Reversal:
    """Part a rail's straightness from a bar's.

    Parameters
    ----------
    at : array_like, shape (n,)
        Positions along the rail, mm.
    first : array_like, shape (n,)
        Readings with one edge of the bar up, mm, + = high.
    second : array_like, shape (n,)
        Readings at the same spots of the bar with the other edge up: turned over about its long
        axis, not end for end.
    width : array_like, shape (n,)
        From edge to edge at the same spots, mm, by micrometer.
    sag : array_like, shape (n,), optional
        How far the bar hangs down there, mm: `hanging` gives it. None is taken off if not given.
    sigma, sigma_width : float
        Standard deviation of a reading and of a width, mm.

    Returns
    -------
    Reversal
        The rail is half of first + second - width, but for a line.

    Raises
    ------
    ShapeError
        If the arrays differ in length, hold a value that is not finite, or have not three
        different positions.
    RequestError
        If a standard deviation is negative.

    References
    ----------
    C. J. Evans, R. J. Hocken, W. T. Estler, "Self-calibration: reversal, redundancy, error
    separation, and 'absolute testing'", CIRP Annals 45 (1996) 617-634.

    Examples
    --------
    A bar of which one edge is hollow, on a rail with a hump in the middle:

    >>> found = reverse_bar([0, 100, 200], [0, -0.01, 0], [0, 0.01, 0], [20, 19.98, 20],
    ...                     sigma=0.001, sigma_width=0.001)
    >>> found.straightness.minimum_zone, found.sigma
    (0.01, 0.00087)
    """
    arrays = [np.asarray(values, dtype=np.float64).ravel() for values in (at, first, second, width)]
    names = ("at", "first", "second", "width")
    positions, one, other, across = arrays
    _check(names, arrays, sigma, sigma_width)
    hangs = np.asarray(sag, dtype=np.float64)
    if hangs.shape not in ((), positions.shape) or not np.isfinite(hangs).all():
        raise ShapeError(
            f"sag must be one finite value, or one for each of the {len(positions)} positions"
        )
    rail = (one + other - across) / 2 + hangs
    return Reversal(
        at=frozen(positions),
        rail=frozen(_without_line(positions, rail)),
        edges=(
            frozen(_without_line(positions, one + hangs - rail)),
            frozen(_without_line(positions, other + hangs - rail)),
        ),
        sigma=sqrt(2 * sigma**2 + sigma_width**2) / 2,
        straightness=straightness(positions, rail),
    )


def hanging(
    at: npt.ArrayLike, *, ends: tuple[float, float], height: float, density: float, modulus: float
) -> Floats:
    """Give how far a bar that is supported at its ends hangs down by its own weight.

    Parameters
    ----------
    at : array_like, shape (n,)
        Positions, mm, between the ends.
    ends : (float, float)
        Positions of the two supports, at the ends of the bar, mm.
    height : float
        Of the bar's section, mm, as it stands; its thickness does not matter.
    density : float
        kg/m³.
    modulus : float
        Young's modulus, GPa.

    Returns
    -------
    ndarray, shape (n,)
        Sag, mm, positive downwards; in the middle 5 / 32 rho g L⁴ / (E h²).

    Raises
    ------
    RequestError
        If a size is not above 0, or a position lies beyond the ends.

    References
    ----------
    Elastic curve of a simply supported beam under even load: S. Timoshenko, Strength of Materials
    (1930), part I.

    Examples
    --------
    A steel bar of 500 mm, 20 mm high, in its middle:

    >>> hanging([250], ends=(0, 500), height=20, density=7850, modulus=207)
    array([0.0091])
    """
    low, high = ends
    length = high - low
    if not min(length, height, density, modulus) > 0:
        raise RequestError("ends must rise; height, density and modulus must be above 0")
    part = (np.asarray(at, dtype=np.float64).ravel() - low) / length
    if not ((part >= 0) & (part <= 1)).all():
        raise RequestError(f"positions must lie between the ends, {low:g} and {high:g} mm")
    middle = 5 / 32 * density * 1e-9 * GRAVITY * length**4 / (1e3 * modulus * height**2)
    sag: Floats = middle * 16 / 5 * (part - 2 * part**3 + part**4)
    return sag


def _check(
    names: tuple[str, ...], arrays: list[Floats], sigma: float, sigma_width: float
) -> None:  # fmt: skip
    for name, values in zip(names, arrays, strict=True):
        if len(values) != len(arrays[0]):
            raise ShapeError(
                f"{name} has {len(values)} values for {len(arrays[0])} positions; "
                "give one each, all at the same spots of the bar"
            )
        if not np.isfinite(values).all():
            raise ShapeError(f"{name} holds a value that is not finite; leave that position out")
    if len(np.unique(arrays[0])) < 3:
        raise ShapeError(
            f"a rail's shape needs three different positions; there are {len(np.unique(arrays[0]))}"
        )
    if not min(sigma, sigma_width) >= 0:
        raise RequestError("sigma and sigma_width are standard deviations, 0 or more")


def _without_line(at: Floats, values: Floats) -> Floats:
    design = np.column_stack((np.ones(len(at)), at - at.mean()))
    left: Floats = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
    return left
