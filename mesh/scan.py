"""A scan with a repeat-reading gauge, done in numbers on the places of a grid.

The gauge stands on two feet and reads the height midway between them over the line through the
feet. Slid along a row or a column it does not see tilt, and on a sphere it reads the same all the
way: how far it moves says how the surface changes from spot to spot, whatever its overall curve.
"""

from dataclasses import dataclass
from math import isfinite
from typing import Literal

import numpy as np
import numpy.typing as npt

from probes.errors import RequestError, ShapeError
from probes.run import SAME_LINE_MM, Floats, Grid, Ints, frozen

__all__ = ["LineScan", "Scan", "repeat_scan"]

_OFF = 0.05
"""So far, as a part of half the base, a foot may stand from where an even base would put it."""


@dataclass(frozen=True, eq=False)
class LineScan:
    """Readings of the gauge along one row or column.

    Attributes
    ----------
    along : {"x", "y"}
        x for a row, y for a column.
    line : float
        The y of the row or the x of the column, mm.
    base : float
        Distance of the feet, mm: the mean, where the line is not quite even.
    stations : ndarray, shape (readings,)
        Where the gauge reads, mm along the line, rising.
    readings : ndarray, shape (readings,)
        Height there over the line through the feet, mm.
    """

    along: Literal["x", "y"]
    line: float
    base: float
    stations: Floats
    readings: Floats

    @property
    def movement(self) -> float:
        """Highest less lowest reading, mm."""
        return float(np.ptp(self.readings))

    @property
    def highest(self) -> tuple[float, float]:
        """The spot (x, y) of the highest reading, mm."""
        return self._spot(int(self.readings.argmax()))

    @property
    def lowest(self) -> tuple[float, float]:
        """The spot (x, y) of the lowest reading, mm."""
        return self._spot(int(self.readings.argmin()))

    def _spot(self, reading: int) -> tuple[float, float]:
        station = float(self.stations[reading])
        return (station, self.line) if self.along == "x" else (self.line, station)


@dataclass(frozen=True, eq=False)
class Scan:
    """Readings of the gauge along all rows and columns that allow two or more.

    Attributes
    ----------
    lines : tuple of LineScan
        Rows front to back, then columns left to right.
    """

    lines: tuple[LineScan, ...]

    @property
    def worst(self) -> LineScan:
        """The line along which the gauge moves most."""
        return max(self.lines, key=lambda line: line.movement)

    @property
    def overall(self) -> float:
        """Highest less lowest reading on all lines with the base of the worst, mm.

        A surface that curves along x otherwise than along y moves the gauge when it is turned.
        """
        base = self.worst.base
        alike = [line.readings for line in self.lines if abs(line.base - base) <= _OFF * base]
        return float(np.ptp(np.concatenate(alike)))


def repeat_scan(grid: Grid, z: npt.ArrayLike, base: float | None = None) -> Scan:
    """Slide the gauge along every row and column.

    Parameters
    ----------
    grid : Grid
        Of the places.
    z : array_like, shape (places,)
        Height of each place, mm; NaN for none.
    base : float, optional
        Distance of the gauge's feet, mm. Each line takes the nearest distance that gives it two
        readings or more. If not given, each takes the one that gives it most readings, the
        shortest of such: on an even line without holes twice its step.

    Returns
    -------
    Scan
        Of the lines with two readings or more.

    Raises
    ------
    ShapeError
        If heights and places differ in number, a height is infinite, or no line has two readings.
    RequestError
        If the base is not a length.

    Notes
    -----
    The gauge reads at places that have a place under each foot; no height is made up between
    places. A foot may stand 5 % of half the base off, but no more than a quarter of the line's
    shortest step, so that lines rounded to whole mm count as even. The reading is then taken over
    the line through the feet where the place is, and multiplied by ``h^2 / (a b)``, with h half
    the base and a and b the distances to the feet: the sag of a given curve is as a b. On lines
    with steps of several sizes the gauge reads only where two steps happen to be alike.

    References
    ----------
    Federal Specification GGG-P-463c, repeat measurement of surface plates (value from memory: that
    a plate is scanned and the gauge's largest movement counts).

    Examples
    --------
    >>> from probes.run import Run
    >>> x, y = np.meshgrid([0, 50, 100, 150, 200], [0, 50, 100])
    >>> places = Run(x=x, y=y, z=0.1 * (x >= 100)).places
    >>> step = repeat_scan(places.grid, places.z, base=100).worst
    >>> step.movement, step.lowest, step.highest
    (0.1, (50.0, 0.0), (100.0, 0.0))
    """
    heights = np.asarray(z, dtype=np.float64).ravel()
    if len(heights) != len(grid.column):
        raise ShapeError(f"{len(heights)} heights for {len(grid.column)} places; give one for each")
    if np.isinf(heights).any():
        raise ShapeError("z holds an infinite height; give NaN where there is none")
    if base is not None and not (isfinite(base) and base > 0):
        raise RequestError(f"base of {base:g} mm: must be above zero")
    matrix = grid.matrix(heights)
    lines = (
        *_scan("x", grid.y, grid.x, matrix, base),
        *_scan("y", grid.x, grid.y, matrix.T, base),
    )
    if not lines:
        raise ShapeError(
            "no row or column has two places midway between two others; "
            "a repeat reading needs four even places on a line: probe a finer grid"
        )
    return Scan(lines)


def _scan(
    along: Literal["x", "y"], lines: Floats, stations: Floats, heights: Floats, base: float | None
) -> list[LineScan]:
    """Scan the rows, or the columns; heights have the shape (lines, stations)."""
    there = np.isfinite(heights)
    counts = np.ones(len(lines), dtype=np.intp)
    found: dict[int, LineScan] = {}
    for half in _halves(stations, base):
        # what comes later is longer and has less room, or is farther from what was asked for
        inner = np.minimum(stations - stations[0], stations[-1] - stations) >= (1 - _OFF) * half
        if counts.min() >= (np.count_nonzero(inner) if base is None else 2):
            break
        feet = _feet(stations, half)
        reads = there[:, feet[0]] & there[:, feet[1]] & there[:, feet[2]]
        fresh = np.count_nonzero(reads, axis=1)
        better = fresh > counts
        if base is not None:
            better &= counts < 2
        counts[better] = fresh[better]
        for k in np.flatnonzero(better).tolist():
            found[k] = _read(along, float(lines[k]), stations, heights[k], feet[:, reads[k]])
    return [found[k] for k in sorted(found)]


def _halves(stations: Floats, base: float | None) -> Floats:
    """Distances between stations that may be half the base, the ones to be preferred first."""
    distances = (stations - stations[:, None]).ravel()
    distances = distances[(distances > 0) & (distances <= (stations[-1] - stations[0]) / 2)]
    # np.unique would do, but loads numpy.ma, which takes longer than the scan
    distances.sort()
    fresh = np.diff(np.round(distances / SAME_LINE_MM), prepend=-1.0) > 0
    halves: Floats = distances[fresh]
    return halves if base is None else halves[np.argsort(np.abs(2 * halves - base), kind="stable")]


def _feet(stations: Floats, half: float) -> Ints:
    """Stations under the left foot, the gauge's middle and the right foot, shape (3, readings)."""
    slack = min(_OFF * half, float(np.diff(stations).min()) / 4)
    between = (stations[1:] + stations[:-1]) / 2
    left, right = (np.searchsorted(between, stations + side) for side in (-half, half))
    stands = np.abs(stations - half - stations[left]) <= slack
    stands &= np.abs(stations + half - stations[right]) <= slack
    feet: Ints = np.stack((left, np.arange(len(stations)), right))[:, stands]
    return feet


def _read(
    along: Literal["x", "y"], line: float, stations: Floats, heights: Floats, feet: Ints
) -> LineScan:
    (left, middle, right), (low, high, other) = stations[feet], heights[feet]
    before, behind = middle - left, right - middle
    base = float((right - left).mean())
    chord = (behind * low + before * other) / (right - left)
    readings = (high - chord) * (base / 2) ** 2 / (before * behind)
    return LineScan(along, line, base, frozen(middle), frozen(readings))
