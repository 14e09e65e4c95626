"""Warp: how far heat can bow a plate, and which causes suit the bow that was measured.

A bow is positive for a bowl, as everywhere. A plate that is hotter below grows below and becomes a
bowl; one whose underside is held becomes a dome; one squeezed between fixed screws can go either
way once it buckles.
"""

from dataclasses import dataclass
from math import inf, isfinite, pi, sqrt
from typing import Literal

from mesh.plate import Material
from probes.errors import RequestError

__all__ = [
    "CONDUCTIVITY",
    "Cause",
    "buckling_heat",
    "curvature",
    "explain_bow",
    "flux_difference",
    "growth",
    "held_curvature",
    "sag",
    "sheet_curvature",
]

CONDUCTIVITY = {
    # W/(m K) at room temperature, handbook tables, values from memory
    "aluminium 5083": 117.0,
    "aluminium 6061": 167.0,
    "steel": 50.0,
    "spring steel": 48.0,
    "stainless 304": 16.0,
    "stainless 316": 16.0,
    "grey cast iron": 50.0,
    "invar": 10.0,
    "borosilicate": 1.1,
    "soda-lime glass": 1.0,
    "G10": 0.3,
}
"""Heat conductivity of the materials of `mesh.plate`, W/(m K)."""

_PER_K = 1e-6
_RATIO = 1.6
"""A bow that is the same curvature both ways may look uneven by this factor (common practice, no
source): heaters do not reach the edges evenly."""


def curvature(expansion: float, difference: float, thickness: float) -> float:
    """Give the curvature of a free plate that is hotter below.

    Parameters
    ----------
    expansion : float
        Linear thermal expansion, 1e-6 per K.
    difference : float
        Temperature of the underside less that of the top, K.
    thickness : float
        mm.

    Returns
    -------
    float
        1/mm, the same in every direction; positive is a bowl.

    Raises
    ------
    RequestError
        If the thickness is not above zero.

    References
    ----------
    S. Timoshenko, S. Woinowsky-Krieger, Theory of Plates and Shells, 2nd edition, 1959, article 14.

    Examples
    --------
    >>> round(1 / curvature(23.6, 5, 8), 3)
    67796.61
    """
    _above_zero(thickness=thickness)
    return expansion * _PER_K * difference / thickness


def sag(curvature: float, chord: float) -> float:
    """Give how far the ends of a chord (mm) stand above its middle, mm, on a plate curved so.

    Examples
    --------
    >>> round(sag(1 / 67796.61, 300), 7)
    0.1659375
    """
    return curvature * chord**2 / 8


def flux_difference(flux: float, thickness: float, conductivity: float) -> float:
    """Give the temperature difference that a steady flow of heat makes through a plate.

    Parameters
    ----------
    flux : float
        Heat that comes out at the top, W/m2.
    thickness : float
        mm.
    conductivity : float
        W/(m K).

    Returns
    -------
    float
        Underside less top, K (Fourier's law).

    Raises
    ------
    RequestError
        If thickness or conductivity is not above zero.

    Examples
    --------
    >>> round(flux_difference(1500, 4, 1.1), 2)
    5.45
    """
    _above_zero(thickness=thickness, conductivity=conductivity)
    return flux * thickness / 1e3 / conductivity


def sheet_curvature(
    plate: Material, thickness: float, sheet: Material, sheet_thickness: float, rise: float
) -> float:
    """Give the curvature of a plate with a sheet bonded on top, warmed evenly.

    Parameters
    ----------
    plate, sheet : Material
        What they are made of.
    thickness, sheet_thickness : float
        mm.
    rise : float
        How much warmer they are than when they were bonded, K.

    Returns
    -------
    float
        1/mm; positive is a bowl: the plate grows more than the sheet. The most there can be: a
        magnet or a clip lets the sheet slip.

    Raises
    ------
    RequestError
        If a thickness is not above zero.

    References
    ----------
    S. Timoshenko, Analysis of bi-metal thermostats, Journal of the Optical Society of America 11,
    1925, equation 4.
    """
    _above_zero(thickness=thickness, sheet_thickness=sheet_thickness)
    m, n = sheet_thickness / thickness, sheet.modulus / plate.modulus
    both = thickness + sheet_thickness
    strain = (plate.expansion - sheet.expansion) * _PER_K * rise
    return 6 * strain * (1 + m) ** 2 / (
        both * (3 * (1 + m) ** 2 + (1 + m * n) * (m**2 + 1 / (m * n)))
    )  # fmt: skip


def held_curvature(expansion: float, rise: float, thickness: float) -> float:
    """Give the curvature of a plate whose underside is held by something rigid that stays cool.

    Parameters
    ----------
    expansion : float
        Linear thermal expansion, 1e-6 per K.
    rise : float
        How much warmer than when it was fixed, K.
    thickness : float
        mm.

    Returns
    -------
    float
        1/mm, negative: a dome. The most there can be; screws give and holes have play.

    Notes
    -----
    A force F at the underside of a strip strains it there by F/(E h) in itself and by 3 F/(E h) in
    bending; both together take up the growth, and the bending is 6 F/(E h^2). It is Timoshenko's
    (1925) bimetal with a very thin and very stiff layer that does not grow.

    Examples
    --------
    >>> round(sag(held_curvature(23.6, 20, 8), 300), 3)
    -0.996
    """
    _above_zero(thickness=thickness)
    return -1.5 * expansion * _PER_K * rise / thickness


def growth(expansion: float, rise: float, length: float) -> float:
    """Give how much a length (mm) grows, mm, when it warms by `rise` K (1e-6 per K).

    Examples
    --------
    >>> round(growth(23.6, 80, 300), 3)
    0.566
    """
    return expansion * _PER_K * rise * length


def buckling_heat(expansion: float, thickness: float, length: float) -> float:
    """Give the rise at which a strip between rigid ends buckles, K.

    Parameters
    ----------
    expansion : float
        Linear thermal expansion, 1e-6 per K.
    thickness, length : float
        Of the strip between its fixings, free to turn there, mm.

    Raises
    ------
    RequestError
        If a size is not above zero.

    References
    ----------
    Euler's column, whose strain is pi^2 h^2 / (12 L^2): S. Timoshenko, J. Gere, Theory of Elastic
    Stability, 2nd edition, 1961, article 2.1.

    Examples
    --------
    >>> round(buckling_heat(23.6, 8, 300), 1)
    24.8
    """
    _above_zero(thickness=thickness, length=length, expansion=expansion)
    return pi**2 * thickness**2 / (12 * length**2) / (expansion * _PER_K)


@dataclass(frozen=True)
class Cause:
    """One thing that may have bowed a plate.

    Attributes
    ----------
    name : str
        What it is.
    verdict : {"fits", "does not fit", "cannot be told"}
        By sign and size.
    most : (float, float)
        The most it could bow the plate along x and y, mm, with sign; buckling goes either way.
    why : str
        What speaks for it or against it.
    """

    name: str
    verdict: Literal["fits", "does not fit", "cannot be told"]
    most: tuple[float, float]
    why: str


def explain_bow(
    bow_x: tuple[float, float],
    bow_y: tuple[float, float],
    size: tuple[float, float],
    *,
    material: Material,
    thickness: float,
    rise: float,
    flux: float | None = None,
    sheet: tuple[Material, float] | None = None,
) -> tuple[Cause, ...]:
    """Say which causes suit a change of bow from cold to hot.

    Parameters
    ----------
    bow_x, bow_y : (float, float)
        Hot less cold, mm, positive for a bowl, and its standard deviation.
    size : (float, float)
        Of the rectangle the bows span, along x and y, mm.
    material : Material
        Of the plate.
    thickness : float
        mm.
    rise : float
        Hot less cold, K.
    flux : float, optional
        Heat that comes out at the top, W/m2: the power that holds the bed hot over its area, at
        most. Without it any difference up to `rise` is possible.
    sheet : (Material, float), optional
        What is bonded on top, and its thickness, mm.

    Returns
    -------
    tuple of Cause
        "heated from below", "underside held", "buckled between fixings" and, where there is a
        sheet, "bonded sheet"; empty if neither bow is beyond two standard deviations. Several may
        fit: signs and sizes alone do not prove a cause.

    Raises
    ------
    RequestError
        If a size, the rise, the flux or the expansion is not above zero, or a standard deviation is
        negative.

    Examples
    --------
    A glass plate that became a bowl of 0.05 mm, with 1500 W/m2 through it:

    >>> from mesh.plate import find_material
    >>> glass = find_material("borosilicate")
    >>> for cause in explain_bow((0.05, 0.002), (0.049, 0.002), (300, 300), material=glass,
    ...                          thickness=4, rise=40, flux=1500):
    ...     print(cause.name, "-", cause.verdict)
    heated from below - fits
    underside held - does not fit
    buckled between fixings - does not fit
    """
    _above_zero(thickness=thickness, rise=rise, width=size[0], depth=size[1])
    _above_zero(expansion=material.expansion, flux=1.0 if flux is None else flux)
    for value, sigma in (bow_x, bow_y):
        if not (isfinite(value) and 0 <= sigma < inf):
            raise RequestError(
                f"a bow of {value:g} mm with a standard deviation of {sigma:g} mm cannot be; give "
                "finite values, the deviation 0 or more"
            )
    if not any(abs(value) > 2 * sigma for value, sigma in (bow_x, bow_y)):
        return ()
    bows = bow_x, bow_y
    causes = (
        _heated(bows, size, material, thickness, rise, flux),
        _held(bows, size, material, thickness, rise),
        _buckled(bows, size, material, thickness, rise),
    )
    if sheet is None:
        return causes
    return (*causes, _bonded(bows, size, sheet_curvature(material, thickness, *sheet, rise)))


_Bows = tuple[tuple[float, float], tuple[float, float]]
_Size = tuple[float, float]


def _heated(
    bows: _Bows, size: _Size, material: Material, thickness: float, rise: float, flux: float | None
) -> Cause:
    conductivity = CONDUCTIVITY.get(material.name)
    most = rise
    if flux is not None and conductivity is not None:
        most = min(rise, flux_difference(flux, thickness, conductivity))
    limits = _sags(curvature(material.expansion, most, thickness), size)
    name = "heated from below"
    against = _against(bows, size, limits)
    if against:
        return Cause(name, "does not fit", limits, against)
    need = max(
        8 * value / length**2 * thickness / (material.expansion * _PER_K)
        for (value, _), length in zip(bows, size, strict=True)
    )
    why = f"a bowl both ways; it takes an underside {need:.1f} K hotter than the top"
    if flux is None or conductivity is None:
        return Cause(name, "cannot be told", limits, f"{why}; the flow of heat would tell")
    return Cause(name, "fits", limits, f"{why}, and the flow of heat makes up to {most:.1f} K")


def _held(bows: _Bows, size: _Size, material: Material, thickness: float, rise: float) -> Cause:
    limits = _sags(held_curvature(material.expansion, rise, thickness), size)
    against = _against(bows, size, limits)
    if against:
        return Cause("underside held", "does not fit", limits, against)
    why = (
        f"a dome; rigid screws would make {limits[0]:.3f} mm along x and {limits[1]:.3f} along y. "
        "Loosen all but one and look again"
    )
    return Cause("underside held", "fits", limits, why)


def _buckled(bows: _Bows, size: _Size, material: Material, thickness: float, rise: float) -> Cause:
    heats = [buckling_heat(material.expansion, thickness, length) for length in size]
    # a half sine whose arc is longer than its chord by what grew beyond buckling
    limits = tuple(
        2 * length / pi * sqrt(max(0.0, (rise - heat) * material.expansion * _PER_K))
        for length, heat in zip(size, heats, strict=True)
    )
    both = (limits[0], limits[1])
    name = "buckled between fixings"
    if rise < min(heats):
        why = (
            f"a strip between fixed ends buckles at {min(heats):.0f} K, and it warmed by {rise:.0f}"
        )
        return Cause(name, "does not fit", both, why)
    for axis, (value, sigma), most in zip("xy", bows, both, strict=True):
        if abs(value) - 2 * sigma > most:
            why = f"the bow along {axis} is larger than the {most:.3f} mm that it could make"
            return Cause(name, "does not fit", both, why)
    return Cause(
        name,
        "fits",
        both,
        "either sign, and it may change from one heating to the next; it starts at "
        f"{min(heats):.0f} K, not before. Leave one screw fixed, one in a slot, the rest free",
    )


def _bonded(bows: _Bows, size: _Size, curved: float) -> Cause:
    limits = _sags(curved, size)
    against = _against(bows, size, limits) if curved else "plate and sheet grow alike"
    if against:
        return Cause("bonded sheet", "does not fit", limits, against)
    shape = "bowl" if curved > 0 else "dome"
    why = (
        f"a {shape}, no larger than a sheet that cannot slip makes it; take the sheet off and look"
    )
    return Cause("bonded sheet", "fits", limits, why)


def _sags(curved: float, size: _Size) -> tuple[float, float]:
    return sag(curved, size[0]), sag(curved, size[1])


def _against(bows: _Bows, size: _Size, limits: _Size) -> str:
    """Say what speaks against one curvature in all directions, up to some sags."""
    shape = "bowl" if limits[0] > 0 else "dome"
    for axis, (value, sigma), most in zip("xy", bows, limits, strict=True):
        sign = 1 if most > 0 else -1
        if sign * value < -2 * sigma:
            return f"it makes a {shape}, and the bow along {axis} is {value:+.3f} mm"
        if sign * value - 2 * sigma > abs(most):
            return f"it makes {most:+.3f} mm along {axis} at most, and {value:+.3f} mm was measured"
    curved = [
        (8 * abs(value) / length**2, 16 * sigma / length**2)
        for (value, sigma), length in zip(bows, size, strict=True)
    ]
    (large, wide), (small, narrow) = max(curved), min(curved)
    if large - wide > _RATIO * (small + narrow):
        return "it makes the same curvature both ways, and the bows are not of one"
    return ""


def _above_zero(**sizes: float) -> None:
    for name, value in sizes.items():
        if not 0 < value < inf:
            raise RequestError(f"{name} is {value:g}; it must be above 0")
