"""Separation: what of a shape is the plate's and what the machine's, by turning the plate.

The machine's part stays where it is when the plate is turned, the plate's part turns with it, and
every set-up has a plane of its own, for a plate is never laid down twice alike. All terms of the
second and third degree, of both, are fitted together. What looks the same in every position that
was probed cannot be told apart, whatever the noise; above all a bowl.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import cos, radians, sin, sqrt

import numpy as np

from mesh.checks import check_places
from probes.errors import RequestError, ShapeError
from probes.quantiles import normal_quantile, student_quantile
from probes.run import Floats, Places, frozen

__all__ = ["Separation", "Term", "separate_turned"]

NAMES = (
    "twist", "saddle", "bowl", "s_x", "s_y", "bow_x_along_y", "bow_y_along_x",
)  # fmt: skip
"""x y; (bow x - bow y) / 2; (bow x + bow y) / 2; the S-shapes; a bow that turns over from front to
back, or from left to right."""

_TO_MM = np.array((1.0, 1.5, 1.5, 1.0, 1.0, 1.5, 1.5))
"""Coefficient to what is shown: corner for twist, edge over middle for bows, edge for an S."""

_SEEN = 1 - 1e-9
_DENSE = 9
"""Turning is judged on its own by so many places a side, more than any term needs."""

_BOWL = "no turning tells it: a bowl looks the same in every position"
_POSITIONS = "it looks the same in these positions: {cure}"
_QUARTER = "probe the plate a quarter turn round as well, if it is square"
_OTHER = "probe other positions as well, such as a quarter turn"
_PLACES = "these places do not tell it: probe a grid of 5 x 5 or more in each position"

MEANING = (
    "Turning tells of a shape only what does not look the same once it is turned. The bowl never "
    "is told, nor tilt, in any number of positions; shifting the plate does not help either.",
    "Half a turn tells the S-shapes alone. A bow of the plate and one of the rails can hide each "
    "other, and a map that is flat then hides a bowed plate.",
    "A straightedge that is turned over tells the bows of the rails.",
)


@dataclass(frozen=True)
class Term:
    """One term of the plate's shape or of the machine's.

    Attributes
    ----------
    value : float or None
        Size, mm: corner height of a twist, edge over middle of a bow, edge height of an S; None
        if these maps do not tell it. The plate's is for the position 0.
    sigma : float or None
        Its standard deviation, mm.
    significant : bool
        Whether it stands out of that (95 %, this term by itself).
    why : str
        Why it is not told, and what would tell it; empty if it is.
    """

    value: float | None
    sigma: float | None
    significant: bool
    why: str


@dataclass(frozen=True, eq=False)
class Separation:
    """Shape of the plate and of the machine.

    Attributes
    ----------
    plate, machine : dict of str to Term
        twist, saddle, bowl, s_x, s_y, bow_x_along_y, bow_y_along_x. The saddle is half of bow x
        less bow y, the bowl half of their sum.
    half : (float, float)
        The terms span so much to each side of the centre along x and y, mm.
    rest : dict of float to ndarray
        What all terms and planes leave at the places of each position, mm.
    residual_sigma : float or None
        Standard deviation of the rest, mm: noise and finer shape.
    freedom : int
        Degrees of freedom of that.
    meaning : tuple of str
        What turning can and cannot tell.
    """

    plate: dict[str, Term]
    machine: dict[str, Term]
    half: tuple[float, float]
    rest: dict[float, Floats]
    residual_sigma: float | None
    freedom: int
    meaning: tuple[str, ...] = MEANING


def separate_turned(
    maps: Mapping[float, Places],
    centre: tuple[float, float],
    *,
    sigma: float | None = None,
) -> Separation:
    """Part the plate's shape from the machine's.

    Parameters
    ----------
    maps : mapping of float to Places
        The places probed with the plate at each angle: degrees, counter-clockwise seen from above,
        from where it lay at 0. Positions are the machine's.
    centre : (float, float)
        What the plate was turned about, mm: its middle.
    sigma : float, optional
        Standard deviation of a place, mm; by what the fit leaves if not given.

    Returns
    -------
    Separation
        The terms that the maps tell, and why they do not tell the others.

    Raises
    ------
    RequestError
        If there are not two positions that differ, or sigma is not above 0.
    ShapeError
        If the places of a position carry no plane.

    References
    ----------
    C. J. Evans, R. J. Hocken, W. T. Estler, "Self-calibration: reversal, redundancy, error
    separation, and 'absolute testing'", CIRP Annals 45 (1996) 617-634.

    Examples
    --------
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5)))
    >>> bow, s = 0.02 * x**2, 0.01 * (5 * x**3 - 3 * x) / 2
    >>> maps = {0: Run(x=x, y=y, z=bow + s).places, 180: Run(x=x, y=y, z=bow - s).places}
    >>> plate = separate_turned(maps, (0, 0)).plate
    >>> round(plate["s_x"].value, 6), plate["saddle"].value
    (0.01, None)
    >>> plate["saddle"].why
    'it looks the same in these positions: probe the plate a quarter turn round as well, if it...'
    """
    angles = _check(maps, sigma)
    half = _half(maps, centre)
    spots = {
        angle: ((maps[angle].x - centre[0]) / half[0], (maps[angle].y - centre[1]) / half[1])
        for angle in angles
    }
    design = _design(spots)
    heights = np.concatenate([maps[angle].z for angle in angles])
    values, factors, seen, rest, rank = _solve(design, heights)
    freedom = len(heights) - rank
    residual = sqrt(float(rest @ rest) / freedom) if freedom > 0 else None
    ideal = np.linspace(-1, 1, _DENSE)
    grid = np.meshgrid(ideal, ideal)
    dense = _design({angle: (grid[0].ravel(), grid[1].ravel()) for angle in angles})
    by_turning = _solve(dense, np.zeros(len(dense)))[2]
    unit = residual if sigma is None else sigma
    reach = (
        normal_quantile(0.975) if sigma is not None or freedom < 1
        else student_quantile(0.975, freedom)
    )  # fmt: skip
    halves = all(angle % 180 == 0 for angle in angles)
    terms = [
        _term(
            values[k], None if unit is None else factors[k] * unit, reach,
            "" if seen[k] else _why(NAMES[k % len(NAMES)], turning=by_turning[k], halves=halves),
        )
        for k in range(2 * len(NAMES))
    ]  # fmt: skip
    ends = np.cumsum([len(maps[angle]) for angle in angles])[:-1]
    return Separation(
        plate=dict(zip(NAMES, terms, strict=False)),
        machine=dict(zip(NAMES, terms[len(NAMES) :], strict=True)),
        half=half,
        rest={
            angle: frozen(part) for angle, part in zip(angles, np.split(rest, ends), strict=True)
        },
        residual_sigma=residual,
        freedom=freedom,
    )


def _check(maps: Mapping[float, Places], sigma: float | None) -> list[float]:
    angles = list(maps)
    for angle in angles:
        if not np.isfinite(angle):
            raise RequestError(f"plate turned by {angle:g} degrees: must be a number, such as 180")
    if len({angle % 360 for angle in angles}) < max(2, len(angles)):
        raise RequestError(
            f"the plate was probed at {', '.join(f'{angle:g}' for angle in angles) or 'no'} "
            "degrees; turning needs two positions or more, each given once, such as 0 and 180"
        )
    if sigma is not None and not sigma > 0:
        raise RequestError(f"sigma {sigma:g} mm: a standard deviation must be above 0")
    for angle in angles:
        try:
            check_places(maps[angle].x, maps[angle].y, maps[angle].z)
        except ShapeError as fault:
            raise ShapeError(f"plate at {angle:g} degrees: {fault}") from None
    return angles


def _half(maps: Mapping[float, Places], centre: tuple[float, float]) -> tuple[float, float]:
    """How far the places reach from the centre; alike both ways where x may turn into y."""
    wide = max(float(np.abs(places.x - centre[0]).max()) for places in maps.values())
    deep = max(float(np.abs(places.y - centre[1]).max()) for places in maps.values())
    if all(angle % 180 == 0 for angle in maps):
        return wide, deep
    return max(wide, deep), max(wide, deep)


def _design(spots: Mapping[float, tuple[Floats, Floats]]) -> Floats:
    """Terms of the plate, terms of the machine, and a plane for each position."""
    blocks = []
    for number, (angle, (xi, eta)) in enumerate(spots.items()):
        turn = radians(angle)
        # what lies at (xi, eta) now lay there before the plate was turned
        was = cos(turn) * xi + sin(turn) * eta, cos(turn) * eta - sin(turn) * xi
        planes = np.zeros((len(xi), 3 * len(spots)))
        planes[:, 3 * number : 3 * number + 3] = np.column_stack((np.ones(len(xi)), xi, eta))
        blocks.append(np.hstack((_terms(*was), _terms(xi, eta), planes)))
    return np.vstack(blocks)


def _terms(xi: Floats, eta: Floats) -> Floats:
    bow_x, bow_y = (3 * xi**2 - 1) / 2, (3 * eta**2 - 1) / 2
    return np.column_stack(
        (
            xi * eta, bow_x - bow_y, bow_x + bow_y,
            (5 * xi**3 - 3 * xi) / 2, (5 * eta**3 - 3 * eta) / 2, bow_x * eta, bow_y * xi,
        )
    )  # fmt: skip


def _solve(
    design: Floats, heights: Floats
) -> tuple[Floats, Floats, list[bool], Floats, int]:  # fmt: skip
    """Least squares: terms in mm, their factors, whether each is told, the rest, and the rank."""
    left, sizes, right = np.linalg.svd(design, full_matrices=False)
    kept = sizes > 1e-9 * sizes[0]
    left, sizes, right = left[:, kept], sizes[kept], right[kept]
    parts = left.T @ heights
    scale = np.concatenate((_TO_MM, _TO_MM))
    back = (right.T / sizes)[: len(scale)] * scale[:, None]
    # a term is told if its own direction lies in what the places see
    seen = np.einsum("ki,ki->i", right, right)[: len(scale)] > _SEEN
    factors = np.sqrt(np.einsum("ij,ij->i", back, back))
    return back @ parts, factors, seen.tolist(), heights - left @ parts, int(kept.sum())


def _term(value: float, sigma: float | None, reach: float, why: str) -> Term:
    if why:
        return Term(None, None, significant=False, why=why)
    stands_out = sigma is not None and abs(value) > reach * sigma
    return Term(float(value), None if sigma is None else float(sigma), bool(stands_out), "")


def _why(name: str, *, turning: bool, halves: bool) -> str:
    if name == "bowl":
        return _BOWL
    if turning:
        return _PLACES
    return _POSITIONS.format(cure=_QUARTER if halves else _OTHER)
