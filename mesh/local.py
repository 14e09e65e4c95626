"""Local flatness: how flat the bed is under a part, wherever the part may lie."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from itertools import combinations
from math import ceil, isfinite, sqrt

import numpy as np
import numpy.typing as npt

from mesh.checks import check_places
from mesh.plane import fit_plane
from mesh.zone import Zone, minimum_zone
from probes.errors import RequestError, ShapeError
from probes.run import SAME_LINE_MM, Floats, Ints, Places

__all__ = ["LocalFlatness", "Window", "local_flatness"]

_MOST_WINDOWS = 300_000
_MOST_HELD = 4e9
"""Beyond so many windows, or places in all of them together, the positions are stepped."""

_COARSE = 14
"""About so many windows a side are looked at first, so that most others can be passed over."""

_POOL = 12
"""Up to so many places are kept to tell what a zone is no narrower than."""

_SLIM = 1e-5
"""Four places that cover less than this part of a square are too nearly in line to tell it."""


@dataclass(frozen=True, eq=False)
class Window:
    """The footprint of a part at one position on the bed.

    Attributes
    ----------
    left, front : float
        Its left and its front edge, mm.
    width, depth : float
        Its size along x and y, mm.
    zone : Zone
        Exact minimum zone of its places, along z: `zone.width` is its flatness, mm.
    places : ndarray of int
        Its places, rising. The zone counts its contacts within these.
    """

    left: float
    front: float
    width: float
    depth: float
    zone: Zone
    places: Ints


@dataclass(frozen=True, eq=False)
class LocalFlatness:
    """Flatness under a part, over all its positions.

    Attributes
    ----------
    worst : Window
        Where the minimum zone is widest: its width is the local flatness.
    best : Window
        Where it is narrowest, among windows with a place in each quarter.
    positions : int
        Windows looked at: those that hold four places or more.
    solved : int
        How many of them needed the exact zone; bounds decided the others.
    stepped : bool
        Whether there were too many positions and only some, evenly picked, were looked at.
    """

    worst: Window
    best: Window
    positions: int
    solved: int
    stepped: bool


def local_flatness(
    places: Places,
    width: float,
    depth: float,
    *,
    progress: Callable[[float], None] | None = None,
) -> LocalFlatness:
    """Find where a part of this size finds the least and the most flat ground on the bed.

    Parameters
    ----------
    places : Places
        Of a run.
    width, depth : float
        Footprint of the part along x and y, mm. It keeps to the probed rectangle and is not
        turned.
    progress : callable, optional
        Called with the share done, 0 to 1, now and then.

    Returns
    -------
    LocalFlatness
        The worst and the best window; among equals, any one of them.

    Raises
    ------
    ShapeError
        If the places carry no plane.
    RequestError
        If the part has no size, is larger than the probed rectangle, or nowhere has a place in
        each of its quarters.

    Notes
    -----
    A window that is slid to the right until its left edge meets a place loses none, likewise to
    the back, and more places make no zone narrower. So the worst of all positions is among the
    windows whose left edge is at the x of a place, and whose front edge at the y of a place of
    that strip, or which end at the right or back side of the probed rectangle. Three places have
    no zone; windows with fewer than four are passed over.

    The best is sought among the same windows, as they hold the most places: none looks flat for
    just missing a high place. Where places are few any ground looks flat, so the best must have a
    place in each of its quarters (halves of the width by halves of the depth).

    Places up to 0.05 mm outside the right or the back edge count as on it, and those of a grid
    as standing on their column and row.

    Most windows are decided by bounds: the zone is no wider than the range about any plane, and
    no narrower than the zone of any four of the places.

    Examples
    --------
    >>> from probes.run import Run
    >>> x, y = np.meshgrid([0, 10, 20, 30, 40], [0, 10, 20, 30, 40])
    >>> local = local_flatness(Run(x=x, y=y, z=0.1 * ((x == 30) & (y == 10))).places, 20, 20)
    >>> local.worst.zone.width, local.best.zone.width, local.positions
    (0.1, 0.0, 9)
    """
    bed = _Bed.of(places, width, depth)
    lefts = bed.lefts()
    step_x, step_y = _steps(bed, lefts)
    lefts = _every(lefts, step_x)
    search = _Search(bed, float(np.abs(places.z).max()))
    for left in _every(lefts, len(lefts) // _COARSE):
        search.look(bed.strip(float(left), step_y), coarsely=True)
    positions = 0
    for count, left in enumerate(lefts, start=1):
        positions += search.look(bed.strip(float(left), step_y))
        if progress is not None:
            progress(count / len(lefts))
    if search.worst is None or search.best is None:
        raise RequestError(
            f"a part of {width:g} x {depth:g} mm nowhere has a place in each of its quarters; "
            "ask for a larger part or probe a finer grid"
        )

    def window(left: float, front: float, held: Ints) -> Window:
        inside = np.sort(held)
        inside.flags.writeable = False
        zone = minimum_zone(places.x[inside], places.y[inside], places.z[inside])
        return Window(left, front, float(width), float(depth), zone, inside)

    return LocalFlatness(
        worst=window(*search.worst),
        best=window(*search.best),
        positions=positions,
        solved=len(search.solved),
        stepped=max(step_x, step_y) > 1,
    )


@dataclass(frozen=True, eq=False)
class _Strip:
    """The windows of one left edge: each holds a run of the strip's places, sorted by y."""

    left: float
    fronts: Floats
    places: Ints
    start: Ints  # of each window: its first place in the strip
    stop: Ints  # and the one behind its last
    covered: npt.NDArray[np.bool_]  # whether each of its quarters holds a place
    points: Floats  # (3, places)


@dataclass(frozen=True, eq=False)
class _Bed:
    """Places without their common tilt, and where they stand for windows of one size."""

    width: float
    depth: float
    column: Floats
    row: Floats
    by_row: Ints
    points: Floats  # (3, n): x and y from their mean, height over the least-squares plane

    @classmethod
    def of(cls, places: Places, width: float, depth: float) -> "_Bed":
        check_places(places.x, places.y, places.z)
        part = f"a part of {width:g} x {depth:g} mm"
        if not (isfinite(width) and isfinite(depth) and min(width, depth) > 0):
            raise RequestError(f"{part}: give both sides in mm, above zero")
        grid, column, row = places.grid, places.x, places.y
        if grid is not None:
            column, row = grid.x[grid.column], grid.y[grid.row]
        across, along = float(np.ptp(column)), float(np.ptp(row))
        if width > across + SAME_LINE_MM or depth > along + SAME_LINE_MM:
            raise RequestError(
                f"{part} is larger than the probed rectangle, {across:.6g} x {along:.6g} mm; "
                "ask for a smaller part or probe more of the bed"
            )
        plane = fit_plane(places.x, places.y, places.z)
        points = (places.x - plane.centre[0], places.y - plane.centre[1], plane.residuals)
        return cls(width, depth, column, row, np.argsort(row, kind="stable"), np.stack(points))

    def lefts(self) -> Floats:
        """Left edges of the windows, rising."""
        return _anchors(self.column, float(self.column.min()), float(self.column.max()), self.width)

    def strip(self, left: float, step: int = 1) -> _Strip:
        """Lay out the windows of a left edge, every `step`-th of them."""
        column = self.column[self.by_row]
        inside = (column >= left) & (column <= left + self.width + SAME_LINE_MM)
        places = self.by_row[inside]
        row = self.row[places]
        first, last = float(self.row[self.by_row[0]]), float(self.row[self.by_row[-1]])
        fronts = _every(_anchors(row, first, last, self.depth), step)
        start = np.searchsorted(row, fronts)
        middle = np.searchsorted(row, fronts + self.depth / 2)
        stop = np.searchsorted(row, fronts + self.depth + SAME_LINE_MM, side="right")
        covered = np.ones(len(fronts), dtype=bool)
        in_left = column[inside] < left + self.width / 2
        for half in (in_left, ~in_left):
            count = np.concatenate(([0], np.cumsum(half)))
            covered &= (count[start] < count[middle]) & (count[middle] < count[stop])
        return _Strip(left, fronts, places, start, stop, covered, self.points[:, places])

    def holds(self, places: Ints, left: float, front: float) -> npt.NDArray[np.bool_]:
        """Tell which of some places the window at this left and front edge holds."""
        x, y = self.column[places], self.row[places]
        inside: npt.NDArray[np.bool_] = (x >= left) & (x <= left + self.width + SAME_LINE_MM)
        inside &= (y >= front) & (y <= front + self.depth + SAME_LINE_MM)
        return inside


def _anchors(lines: Floats, first: float, last: float, size: float) -> Floats:
    """Edges that windows start from, rising: at places, and so that the last ends at `last`."""
    farthest = max(first, last - size)
    edges = np.unique(lines[lines <= farthest])
    if len(edges) == 0 or edges[-1] + size + SAME_LINE_MM < last:
        edges = np.append(edges, farthest)
    return edges


def _every(values: Floats, step: int) -> Floats:
    """Take every `step`-th of some rising values, and the last."""
    return values if step <= 1 else np.unique(np.append(values[::step], values[-1]))


def _steps(bed: _Bed, lefts: Floats) -> tuple[int, int]:
    """How many left and front edges to go at a time, judged by a sample of the strips."""
    strips = [bed.strip(float(left)) for left in _every(lefts, len(lefts) // 32)]
    windows = sum(len(strip.fronts) for strip in strips)
    held = sum(float((strip.stop - strip.start).sum()) for strip in strips)
    over = max(windows / _MOST_WINDOWS, held / _MOST_HELD) * len(lefts) / len(strips)
    if over <= 1:
        return 1, 1
    step = min(ceil(sqrt(over)), len(lefts))
    return step, ceil(over / step)


_Found = tuple[float, float, Ints]
"""Left edge, front edge and places of a window."""


class _Search:
    """The widest and the narrowest zone so far, and what is known near the last windows."""

    def __init__(self, bed: _Bed, highest: float) -> None:
        self._bed = bed
        rounding = 16 * float(np.finfo(np.float64).eps) * highest
        self._tie = 1e-9 * float(np.ptp(bed.points[2])) + rounding
        self._widest, self._narrowest = -np.inf, np.inf
        self.worst: _Found | None = None
        self.best: _Found | None = None
        self.solved: set[tuple[float, float]] = set()
        # slopes of the last zone's planes over those of the least-squares plane there
        self._offset = np.zeros(2)
        # places that have carried zones nearby, four of them, and the width of their zone
        self._pool: Ints = np.empty(0, dtype=np.intp)
        self._four: Ints = self._pool
        self._bound = 0.0

    def look(self, strip: _Strip, *, coarsely: bool = False) -> int:
        """Look at the windows of a strip, or at some; give how many hold four places or more."""
        many = strip.stop - strip.start >= 4
        which = np.flatnonzero(many)
        slopes = _least_squares(strip)
        for k in which[:: max(1, len(which) // _COARSE)] if coarsely else which:
            if (strip.left, float(strip.fronts[k])) not in self.solved:
                self._decide(strip, int(k), slopes[k])
        return len(which)

    def _decide(self, strip: _Strip, k: int, slope: Floats) -> None:
        start, stop = int(strip.start[k]), int(strip.stop[k])
        points = strip.points[:, start:stop]
        residual = np.append(-slope - self._offset, 1.0) @ points
        if float(np.ptp(residual)) <= self._widest + self._tie:
            if not strip.covered[k]:
                return
            places, front = strip.places[start:stop], float(strip.fronts[k])
            if self._proves_no_best(strip.left, front, places, points, residual):
                return
        self._solve(strip, k, slope)

    def _proves_no_best(
        self, left: float, front: float, places: Ints, points: Floats, residual: Floats
    ) -> bool:
        """Tell whether some four of a window's places have a zone as wide as the narrowest."""
        needed = self._narrowest - self._tie
        if self._bound >= needed and self._bed.holds(self._four, left, front).all():
            return True
        # the places that carry a zone are likely extremes: of height, or towards the corners
        rise, fall = points[0] + points[1], points[0] - points[1]
        extremes = [f() for v in (residual, rise, fall) for f in (v.argmax, v.argmin)]
        kept = self._pool[self._bed.holds(self._pool, left, front)]
        pool = dict.fromkeys((*places[extremes].tolist(), *kept.tolist()))
        self._keep(np.array(list(pool), dtype=np.intp)[:_POOL])
        return self._bound >= needed

    def _keep(self, pool: Ints) -> None:
        self._bound, four = _widest_four(self._bed.points[:, pool])
        self._pool, self._four = pool, pool[four]

    def _solve(self, strip: _Strip, k: int, slope: Floats) -> None:
        left, front = strip.left, float(strip.fronts[k])
        self.solved.add((left, front))
        places = strip.places[strip.start[k] : strip.stop[k]]
        try:
            zone = minimum_zone(*self._bed.points[:, places])
        except ShapeError:  # all in line
            return
        self._offset = np.array((zone.slope_x, zone.slope_y)) - slope
        half = _POOL // 2
        self._keep(places[np.concatenate((zone.upper[:half], zone.lower[:half]))])
        if zone.width > self._widest:
            self._widest, self.worst = zone.width, (left, front, places)
        if strip.covered[k] and zone.width < self._narrowest:
            self._narrowest, self.best = zone.width, (left, front, places)


def _least_squares(strip: _Strip) -> Floats:
    """Slopes of the least-squares planes of a strip's windows, shape (windows, 2).

    Running sums round, which does no harm: the range about any plane is a bound.
    """
    x, y, z = strip.points - strip.points.mean(axis=1, keepdims=True)
    terms = np.stack((np.ones(len(x)), x, y, z, x * x, x * y, y * y, x * z, y * z))
    sums = np.zeros((len(terms), len(x) + 1))
    np.cumsum(terms, axis=1, out=sums[:, 1:])
    n, x, y, z, xx, xy, yy, xz, yz = sums[:, strip.stop] - sums[:, strip.start]
    n = np.maximum(n, 1)
    xx, xy, yy = xx - x * x / n, xy - x * y / n, yy - y * y / n
    xz, yz = xz - x * z / n, yz - y * z / n
    determinant = xx * yy - xy * xy
    sound = determinant > 1e-9 * xx * yy
    slopes = np.stack((yy * xz - xy * yz, xx * yz - xy * xz), axis=1)
    fitted: Floats = np.where(sound[:, None], slopes, 0.0)
    fitted /= np.where(sound, determinant, 1.0)[:, None]
    return fitted


@cache
def _fours(n: int) -> Ints:
    return np.array(list(combinations(range(n), 4)), dtype=np.intp).reshape(-1, 4).T


def _widest_four(points: Floats) -> tuple[float, Ints]:
    """Find the four of some places with the widest zone: its width, and which four.

    One or two of four places balance over a spot between the others (J. Radon, Math. Ann. 83
    (1921) 113-115), with areas of triangles as weights; the zone is the height between the two
    mixtures. By the dual of the zone's linear program the widest is that of all the places.
    """
    fours = _fours(points.shape[1])
    if fours.size == 0:
        return 0.0, fours.ravel()
    x, y, z = points
    dx, dy, dz = (v[fours[1:]] - v[fours[0]] for v in (x, y, z))
    weights = np.roll(dx, -1, 0) * np.roll(dy, 1, 0) - np.roll(dx, 1, 0) * np.roll(dy, -1, 0)
    total = (np.abs(weights).sum(axis=0) + np.abs(weights.sum(axis=0))) / 2
    sound = total > _SLIM * (np.ptp(x) ** 2 + np.ptp(y) ** 2)
    between = np.abs((weights * dz).sum(axis=0))
    widths = np.where(sound, between / np.where(sound, total, 1.0), 0.0)
    widest = int(widths.argmax())
    return float(widths[widest]), fours[:, widest]
