"""Grids: how many places a height correction needs, told from one finer probing.

A correction probes a few places and interpolates between them. What it leaves is the bed less that
interpolation. The bed is not known between the readings either, so a Gaussian process through them
stands for it, with its uncertainty on top.
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np

from mesh.cells import line_weights
from mesh.noise import Noise
from mesh.surface import fit_surface
from probes.errors import RequestError, ShapeError
from probes.run import Floats, Places

__all__ = ["Candidate", "GridAdvice", "advise_grid"]

Kind = Literal["bilinear", "bicubic"]

_PER_CELL = 8
_MOST_FINE = 161
_FEWEST_LINES = 4
_MOST_LINES = 12
"""Line counts that are tried along an axis."""

_UNSURE = 1.0
"""Standard deviations of the surface between the readings that are reckoned with on top."""

_CARRIED = 2 / 3
"""Part of a place's noise that a bilinear correction carries, over a cell."""

_NOISE_REACH = 2.0
_WORTH = 0.75
"""An uneven grid is worth naming if it leaves no more than this part of what the even one does."""

_NEXT = 4


@dataclass(frozen=True, eq=False)
class Candidate:
    """One grid for a correction, and what it would leave.

    Attributes
    ----------
    columns, rows : int
        Its lines, spread evenly over the probed rectangle.
    kind : {"bilinear", "bicubic"}
        How it is interpolated.
    left_max, left_p95 : float
        Farthest that the bed lies off the interpolation, and what 95 % of the area keeps to, mm;
        the shape alone, without the noise of the correction's own probing.
    holds : bool or None
        Whether that and twice the noise it carries keep to the tolerance; None without one.
    """

    columns: int
    rows: int
    kind: Kind
    left_max: float
    left_p95: float
    holds: bool | None

    @property
    def places(self) -> int:
        """How many places it has."""
        return self.columns * self.rows


@dataclass(frozen=True, eq=False)
class GridAdvice:
    """Which grid is enough.

    Attributes
    ----------
    candidates : tuple of Candidate
        Up to the readings' own grid, and one step beyond it, by rising number of places.
    recommended : Candidate or None
        Of those that keep to the tolerance the one with fewest places; None if none does, or no
        tolerance was given.
    tolerance : float or None
        mm.
    carried : float
        Noise that a correction carries from its own probing, mm (one standard deviation).
    uneven : (ndarray, ndarray, float) or None
        Columns and rows, mm, that would leave clearly less for the same number of lines as the
        recommended grid, and what they would leave at most, mm.
    probe_next : tuple of (float, float)
        Where the surface is least sure, mm, in an order that keeps the way short.
    helps : {"places", "probe", "neither"}
        What would lower the remainder of the readings' own grid most: more places, a better probe,
        or neither clearly.
    """

    candidates: tuple[Candidate, ...]
    recommended: Candidate | None
    tolerance: float | None
    carried: float
    uneven: tuple[Floats, Floats, float] | None
    probe_next: tuple[tuple[float, float], ...]
    helps: Literal["places", "probe", "neither"]


def advise_grid(places: Places, noise: Noise, *, tolerance: float | None = None) -> GridAdvice:
    """Tell what grids of a correction would leave, and which is enough.

    Parameters
    ----------
    places : Places
        A grid of 4 x 4 lines or more.
    noise : Noise
        Of the run; the correction is taken to be probed as well.
    tolerance : float, optional
        What may be left, mm, above zero.

    Returns
    -------
    GridAdvice
        The answer.

    Raises
    ------
    ShapeError
        If the places stand on no grid of 4 x 4 lines.
    RequestError
        If the tolerance is not above zero.

    References
    ----------
    Bilinear interpolation errs by (hx² |zxx| + hy² |zyy|) / 8 at most, the 4-point cubic by
    (3 / 128) h⁴ |z''''|: C. de Boor, A Practical Guide to Splines, 1978.

    Examples
    --------
    >>> from mesh.noise import find_noise
    >>> from probes.run import Run
    >>> x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 300, 9), np.linspace(0, 300, 9)))
    >>> run = Run(x=x, y=y, z=0.2 * ((x - 150) / 150) ** 2)
    >>> advice = advise_grid(run.places, find_noise(run, given=0.001), tolerance=0.02)
    >>> advice.recommended.columns, advice.recommended.rows
    (6, 2)
    """
    if tolerance is not None and not 0 < tolerance < np.inf:
        raise RequestError(
            f"--tolerance {tolerance:g}: must be what may be left in mm, above zero, as in 0.02"
        )
    grid = places.grid
    if grid is None or min(grid.columns, grid.rows) < _FEWEST_LINES:
        raise ShapeError(
            "the places stand on no grid of 4 x 4 lines or more, so it cannot be told what fewer "
            "would leave; probe an even grid, 7 x 7 or finer"
        )
    sigma = noise.of_places
    surface = fit_surface(places.x, places.y, places.z, kind="gaussian-process", noise=sigma)
    fine_x, fine_y = (_fine(lines) for lines in (grid.x, grid.y))
    bed, unsure = (
        part.reshape(len(fine_y), len(fine_x))
        for part in surface.at(*(a.ravel() for a in np.meshgrid(fine_x, fine_y)))
    )
    shape = _Bed(fine_x, fine_y, bed, _UNSURE * float(np.sqrt(np.mean(unsure**2))))
    carried = _CARRIED * (sigma or 0.0)
    room = None if tolerance is None else tolerance - _NOISE_REACH * carried
    candidates = []
    for columns in _counts(grid.columns):
        for rows in _counts(grid.rows):
            beyond = columns > grid.columns or rows > grid.rows
            if beyond and not (columns > grid.columns and rows > grid.rows):
                continue
            x, y = (
                np.linspace(lines[0], lines[-1], count)
                for lines, count in ((fine_x, columns), (fine_y, rows))
            )
            for kind in ("bilinear", "bicubic") if min(columns, rows) >= 4 else ("bilinear",):
                most, usual = shape.left(x, y, 1 if kind == "bilinear" else 3)
                holds = None if room is None else most <= room
                candidates.append(Candidate(columns, rows, kind, most, usual, holds))
    candidates.sort(key=lambda one: (one.places, one.left_max))
    recommended = next((one for one in candidates if one.holds), None)
    own = min(
        one.left_max for one in candidates if (one.columns, one.rows) == (grid.columns, grid.rows)
    )
    reach = _NOISE_REACH * carried
    return GridAdvice(
        candidates=tuple(candidates),
        recommended=recommended,
        tolerance=tolerance,
        carried=carried,
        uneven=None if recommended is None else shape.uneven(recommended),
        probe_next=_least_sure(fine_x, fine_y, unsure, places),
        helps="places" if own > 2 * reach else "probe" if reach > 2 * own else "neither",
    )


@dataclass(frozen=True, eq=False)
class _Bed:
    """What stands for the bed: heights on a fine lattice, and how far they may be off."""

    x: Floats
    y: Floats
    z: Floats
    unsure: float

    def left(self, x: Floats, y: Floats, degree: int) -> tuple[float, float]:
        """Give what a correction with nodes on these lines leaves: at most, and over 95 %."""
        at_nodes = _weights(self.y, y, 1) @ self.z @ _weights(self.x, x, 1).T
        between = _weights(y, self.y, degree) @ at_nodes @ _weights(x, self.x, degree).T
        off = np.abs(self.z - between)
        return float(off.max()) + self.unsure, float(np.quantile(off, 0.95)) + self.unsure

    def uneven(self, even: Candidate) -> tuple[Floats, Floats, float] | None:
        """Place the same number of lines densest where the bed curves most."""
        if even.places <= 4:
            return None
        x = _densest(self.x, np.abs(np.diff(self.z, 2, axis=1)).max(axis=0), even.columns)
        y = _densest(self.y, np.abs(np.diff(self.z, 2, axis=0)).max(axis=1), even.rows)
        most, _ = self.left(x, y, 1 if even.kind == "bilinear" else 3)
        return (x, y, most) if most < _WORTH * even.left_max else None


def _weights(lines: Floats, spots: Floats, degree: int) -> Floats:
    """Operator (spots, lines) that interpolates along one axis."""
    which, weights = line_weights(lines, spots, degree)
    operator = np.zeros((len(spots), len(lines)))
    np.put_along_axis(operator, which, weights, axis=1)
    return operator


def _fine(lines: Floats) -> Floats:
    count = int(np.clip(_PER_CELL * (len(lines) - 1) + 1, 2, _MOST_FINE))
    return np.linspace(lines[0], lines[-1], count)


def _counts(lines: int) -> list[int]:
    """Line counts to try: up to the readings' own, and one step beyond."""
    few = list(range(2, lines + 1))
    if len(few) > _MOST_LINES:
        few = sorted({round(count) for count in np.geomspace(2, lines, _MOST_LINES)})
    return [*few, 2 * lines - 1]


def _densest(fine: Floats, curved: Floats, count: int) -> Floats:
    """Lines so that each cell holds as much of the root of the curvature.

    The error of a cell is as its width squared times the curvature, so that evens it out.
    """
    density = np.sqrt(np.pad(curved, 1, mode="edge"))
    density += 0.05 * float(density.max()) + 1e-30
    grown = np.concatenate(([0.0], np.cumsum((density[1:] + density[:-1]) / 2 * np.diff(fine))))
    lines: Floats = np.interp(np.linspace(0, grown[-1], count), grown, fine)
    return lines


def _least_sure(
    x: Floats, y: Floats, unsure: Floats, places: Places
) -> tuple[tuple[float, float], ...]:
    """Spots where the surface is least sure, apart from one another, by a short way."""
    left = unsure.copy()
    step = float(np.sqrt(np.ptp(places.x) * np.ptp(places.y) / len(places)))
    for px, py in zip(places.x, places.y, strict=True):  # there a reading stands already
        left[np.hypot(x[None, :] - px, y[:, None] - py) < 0.6 * step] = np.nan
    spots: list[tuple[float, float]] = []
    while len(spots) < _NEXT and np.isfinite(left).any():
        row, column = np.unravel_index(int(np.nanargmax(left)), left.shape)
        spots.append((float(x[column]), float(y[row])))
        near = np.hypot(x[None, :] - x[column], y[:, None] - y[row]) < step
        left[near] = np.nan
    if not spots:
        return ()
    ordered = [min(spots, key=lambda spot: spot[0] + spot[1])]
    rest = [spot for spot in spots if spot != ordered[0]]
    while rest:
        here = ordered[-1]
        nearest = min(rest, key=lambda spot: np.hypot(spot[0] - here[0], spot[1] - here[1]))
        ordered.append(nearest)
        rest.remove(nearest)
    return tuple(ordered)
