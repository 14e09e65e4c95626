"""The exact minimum zone: the least distance between two parallel planes that hold all places.

Two zones are kept apart. The vertical zone measures the distance along z: the least h with
``|z - (a x + b y + c)| <= h / 2``. The perpendicular zone measures it along the normal of the
planes (ISO 1101). On a bed they differ by less than a millionth of the value.

The vertical zone is a linear program. Its dual asks for the largest difference between a mixture
of heights above and a mixture of heights below that balance over the same spot; so the planes
are proved best as soon as the polygon of the upper contacts and the polygon of the lower contacts
share a point. An exchange method solves it: four places carry the planes, one is exchanged at a
time, and on equal heights (regular grids, rounded readings) the exchange is chosen
lexicographically, so that it cannot run in a circle.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from mesh.checks import check_places, spread
from probes.run import Floats, Ints

__all__ = ["Zone", "minimum_zone"]

_MOST_EXCHANGES = 200
_MOST_PASSES = 100
_GAP = 1e-12
"""How far, as a part of the height range about the least-squares plane, the proof may miss."""

_THIN = 1e-3
"""Places narrower than this part of their length are brought to unit size in extended precision."""

_ALL_AT_ONCE = 64
"""Up to so many places, all are looked at in every exchange."""


@dataclass(frozen=True, eq=False)
class Zone:
    """Two parallel planes that hold all places, as close together as can be.

    Attributes
    ----------
    width : float
        Distance between the planes, mm: along z if vertical, along their normal if perpendicular.
    slope_x, slope_y : float
        Slopes of the planes, mm/mm.
    centre : (float, float)
        The spot (x, y), mm, where `height_centre` holds.
    height_centre : float
        Height of the plane midway between the two, at the centre, mm.
    upper, lower : ndarray of int
        Places that touch the upper and the lower plane, rising.
    gap : float
        What the width may exceed the optimum by, mm: width less the lower bound that the
        contacts prove. Zero but for rounding; the perpendicular zone is the best of all pairs of
        faces, corners and edges, and leaves no gap.
    exchanges : int
        Exchanges made.
    perpendicular : bool
        Which of the two zones it is.
    """

    width: float
    slope_x: float
    slope_y: float
    centre: tuple[float, float]
    height_centre: float
    upper: Ints
    lower: Ints
    gap: float
    exchanges: int
    perpendicular: bool = False

    def height(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Height of the plane midway between the two at (x, y), mm."""
        return (
            self.height_centre
            + self.slope_x * (np.asarray(x) - self.centre[0])
            + self.slope_y * (np.asarray(y) - self.centre[1])
        )


def minimum_zone(
    x: npt.ArrayLike, y: npt.ArrayLike, z: npt.ArrayLike, *, perpendicular: bool = False
) -> Zone:
    """Find the exact minimum zone of some places.

    Parameters
    ----------
    x, y : array_like, shape (n,)
        Position, mm.
    z : array_like, shape (n,)
        Height, mm.
    perpendicular : bool, default False
        Measure along the normal of the planes instead of along z.

    Returns
    -------
    Zone
        With its contacts and what it is proved to.

    Raises
    ------
    ShapeError
        If the places carry no plane.

    References
    ----------
    ISO 12781-1:2011, minimum zone reference planes (MZPL); ISO 1101, flatness.
    E. L. Stiefel, "Ueber diskrete und lineare Tschebyscheff-Approximationen", Numer. Math. 1
    (1959) 1-28: the exchange. G. B. Dantzig, A. Orden, P. Wolfe, "The generalized simplex method
    for minimizing a linear form under linear inequality restraints", Pacific J. Math. 5 (1955)
    183-195: the lexicographic rule. M. E. Houle, G. T. Toussaint, "Computing the width of a set",
    IEEE Trans. PAMI 10 (1988) 761-765: the perpendicular zone.

    Examples
    --------
    >>> zone = minimum_zone([0, 1, 0, 1, 0.5], [0, 0, 1, 1, 0.5], [0, 0, 0, 0, 1])
    >>> zone.width, zone.upper, zone.lower
    (1.0, array([4]), array([0, 1, 2, 3]))
    """
    xs, ys, zs = check_places(x, y, z)
    frame = _Frame.of(xs, ys, zs)
    if perpendicular:
        return _perpendicular(xs, ys, zs, frame)
    return _vertical(frame)


@dataclass(frozen=True, eq=False)
class _Frame:
    """Places brought to unit size, and the way back; the zone does not care (it is affine)."""

    centre: Floats
    to_unit: Floats  # (2, 2): (x, y) - centre -> unit position
    slope: Floats  # (2,): least-squares slopes about the unit position
    height: float  # least-squares height at the centre
    scale: float  # largest departure from the least-squares plane
    positions: Floats  # (n, 2): unit positions
    heights: Floats  # (n,): departures from the least-squares plane, largest 1

    @classmethod
    def of(cls, x: Floats, y: Floats, z: Floats) -> "_Frame":
        centre, axis, width = spread(x, y)
        length_squared = float(axis @ axis)
        # on a thin strip of places, rounding of x and y would swamp the distances across it
        kind = np.longdouble if width < _THIN else np.float64
        dx, dy = x.astype(kind) - centre[0], y.astype(kind) - centre[1]
        across = dx * axis[1] - dy * axis[0]
        widest = float(np.abs(across).max())
        to_unit = np.array((axis / length_squared, np.array((axis[1], -axis[0])) / widest))
        positions: Floats = np.empty((len(x), 2))
        positions[:, 0] = (dx * axis[0] + dy * axis[1]) / length_squared
        positions[:, 1] = across / widest
        height = float(z.mean())
        heights = z - height
        # positions and heights have zero mean: the plane's height and slopes part
        slope = np.asarray(
            np.linalg.lstsq(positions.T @ positions, positions.T @ heights, rcond=None)[0],
            dtype=np.float64,
        )
        heights -= positions @ slope
        scale = float(np.abs(heights).max())
        noise = 8 * np.finfo(np.float64).eps * max(float(np.abs(z).max()), abs(height))
        if scale <= noise:
            scale = 0.0
            heights[:] = 0.0
        else:
            heights /= scale
        return cls(centre, to_unit, slope, height, scale, positions, heights)


def _vertical(frame: _Frame) -> Zone:
    if frame.scale == 0.0:
        unit_slope, bound, exchanges = np.zeros(2), 0.0, 0
    else:
        unit_slope, bound, exchanges = _exchange(frame.positions, frame.heights)
    slope_x, slope_y = (frame.slope + frame.scale * unit_slope) @ frame.to_unit
    residual = frame.heights - frame.positions @ unit_slope
    top, bottom = float(residual.max()), float(residual.min())
    width = (top - bottom) * frame.scale
    middle = frame.height + frame.scale * (top + bottom) / 2
    return Zone(
        width=width,
        slope_x=float(slope_x),
        slope_y=float(slope_y),
        centre=(float(frame.centre[0]), float(frame.centre[1])),
        height_centre=middle,
        upper=_contacts(residual, top),
        lower=_contacts(residual, bottom),
        gap=max(0.0, width - bound * frame.scale),
        exchanges=exchanges,
    )


def _contacts(residual: Floats, level: float) -> Ints:
    return np.flatnonzero(np.abs(residual - level) <= 1e-9)


def _exchange(positions: Floats, heights: Floats) -> tuple[Floats, float, int]:
    """Solve the vertical zone of places of unit size.

    Each pass looks at all places and takes the ones farthest outside the planes into the few that
    are worked on; among those, exchanges run until the planes hold them all.

    Returns
    -------
    slope : ndarray, shape (2,)
        Slopes of the best planes.
    bound : float
        What no zone can be narrower than, as the contacts prove.
    exchanges : int
        Exchanges made.
    """
    u, v = positions[:, 0], positions[:, 1]
    first, last = int(u.argmin()), int(u.argmax())
    across = (v - v[first]) * (u[last] - u[first]) - (u - u[first]) * (v[last] - v[first])
    third = int(np.abs(across).argmax())
    if len(heights) <= _ALL_AT_ONCE:
        work = list(range(len(heights)))
    else:
        chosen = (
            first, last, third, v.argmin(), v.argmax(), heights.argmin(), heights.argmax(),
        )  # fmt: skip
        work = list(dict.fromkeys(int(i) for i in chosen))
    program = _Program(positions, heights, (first, last, third))
    exchanges = 0
    slope, bound = np.zeros(2), 0.0
    for _ in range(_MOST_PASSES):
        exchanges += program.improve(np.array(work), _MOST_EXCHANGES - exchanges)
        slope, bound = program.slope, program.bound
        residual = heights - positions @ slope
        top, bottom = int(residual.argmax()), int(residual.argmin())
        if residual[top] - residual[bottom] - bound <= _GAP:
            return slope, bound, exchanges
        fresh = [i for i in (top, bottom) if i not in work]
        if not fresh or exchanges >= _MOST_EXCHANGES:
            break
        work += fresh
    other = _linear_program(positions, heights)
    candidates = [slope] if other is None else [slope, other]
    best = min(candidates, key=lambda one: float(np.ptp(heights - positions @ one)))
    return best, bound, exchanges


class _Program:
    """The dual program over the places: mixtures above and below that balance over one spot.

    Maximise ``sum(h U) - sum(h L)`` with ``sum(U) = sum(L) = 1``, ``sum(q U) = sum(q L)`` and
    ``U, L >= 0``. Four of the weights are in the basis; its multipliers are the two planes.
    """

    def __init__(self, positions: Floats, heights: Floats, triple: tuple[int, int, int]) -> None:
        self._q, self._h = positions, heights
        # three corners of a triangle above and the first of them below: they balance as they are
        self._place = [*triple, triple[0]]
        self._sign = [1.0, 1.0, 1.0, -1.0]
        self._start = self._basis()
        self._solve()

    @property
    def bound(self) -> float:
        """The height difference of the mixtures: no zone is narrower."""
        weights = np.maximum(self._weights, 0.0)
        above, below = self._total(weights, 1.0), self._total(weights, -1.0)
        return float(sum(
            sign * self._h[place] * weight / (above if sign > 0 else below)
            for place, sign, weight in zip(self._place, self._sign, weights, strict=True)
        ))  # fmt: skip

    def _total(self, weights: Floats, sign: float) -> float:
        return float(sum(w for w, s in zip(weights, self._sign, strict=True) if s == sign))

    def _column(self, place: int, sign: float) -> Floats:
        u, v = self._q[place]
        return np.array((1.0, 0.0, u, v) if sign > 0 else (0.0, 1.0, -u, -v))

    def _basis(self) -> Floats:
        return np.column_stack(
            [self._column(p, s) for p, s in zip(self._place, self._sign, strict=True)]
        )

    def _solve(self) -> None:
        self._inverse = np.linalg.inv(self._basis())
        self._weights = self._inverse[:, 0] + self._inverse[:, 1]
        gains = self._h[self._place] * np.array(self._sign)
        multipliers = gains @ self._inverse
        self._above, self._below = float(multipliers[0]), float(multipliers[1])
        self.slope = multipliers[2:]

    def improve(self, work: Ints, most: int) -> int:
        """Exchange until the planes hold the places in `work`; give the number of exchanges."""
        q, h = self._q[work], self._h[work]
        for count in range(most):
            residual = h - q @ self.slope
            top, bottom = int(residual.argmax()), int(residual.argmin())
            over, under = residual[top] - self._above, -residual[bottom] - self._below
            if max(over, under) <= _GAP / 4:
                return count
            if not self._enter(int(work[top if over >= under else bottom]),
                               1.0 if over >= under else -1.0):  # fmt: skip
                return count
        return most

    def _enter(self, place: int, sign: float) -> bool:
        """Bring one weight into the basis for the one that reaches zero first."""
        change = self._inverse @ self._column(place, sign)
        rows = [i for i in range(4) if change[i] > 1e-11]
        if not rows:
            return False
        # ties are broken by the rows of the start basis: the lexicographic rule
        table = np.column_stack((self._weights, self._inverse @ self._start))
        for column in range(5):
            ratios = np.array([table[i, column] / change[i] for i in rows])
            least = ratios.min()
            rows = [i for i, ratio in zip(rows, ratios, strict=True) if ratio <= least + 1e-12]
            if len(rows) == 1:
                break
        self._place[rows[0]], self._sign[rows[0]] = place, sign
        self._solve()
        return True


def _linear_program(positions: Floats, heights: Floats) -> Floats | None:
    """Solve the vertical zone by a general linear program; give the slopes."""
    from scipy.optimize import linprog

    n = len(heights)
    planes = np.column_stack((positions, np.ones(n)))
    rows = np.block([[-planes, -np.ones((n, 1))], [planes, -np.ones((n, 1))]])
    result = linprog(
        (0, 0, 0, 1),
        A_ub=rows,
        b_ub=np.concatenate((-heights, heights)),
        bounds=(None, None),
        method="highs",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    return None if result.x is None else np.asarray(result.x[:2])


def _perpendicular(x: Floats, y: Floats, z: Floats, frame: _Frame) -> Zone:
    """Find the width of the convex hull: between a face and a corner, or between two edges."""
    if frame.scale == 0.0:
        flat = _vertical(frame)
        return _as_perpendicular(flat, x, y, z, frame, flat.slope_x, flat.slope_y)
    from scipy.spatial import ConvexHull

    # the hull's faces do not depend on the scale of an axis, only its rounding does
    unit = np.column_stack((frame.positions, frame.heights))
    hull = ConvexHull(unit)
    faces, neighbours = hull.simplices.astype(np.intp), hull.neighbors.astype(np.intp)
    corners = np.column_stack((x - frame.centre[0], y - frame.centre[1], z - frame.height))
    normals = _face_normals(corners, faces, corners[hull.vertices].mean(axis=0))
    candidates = np.vstack((normals, _edge_normals(corners, faces, neighbours, normals)))
    widths = np.concatenate(
        [
            np.ptp(corners[hull.vertices] @ block.T, axis=0)
            for block in np.array_split(candidates, 1 + len(candidates) // 4096)
        ]
    )
    for best in np.argsort(widths):
        normal = candidates[best]
        if abs(normal[2]) > 1e-12:  # an upright zone is no function of x and y
            break
    flat = _vertical(frame)
    return _as_perpendicular(
        flat, x, y, z, frame, -normal[0] / normal[2], -normal[1] / normal[2]
    )  # fmt: skip


def _face_normals(corners: Floats, faces: Ints, inside: Floats) -> Floats:
    a, b, c = (corners[faces[:, k]] for k in range(3))
    normals: Floats = np.cross(b - a, c - a)
    normals[np.einsum("ij,ij->i", normals, a - inside) < 0] *= -1
    lengths = np.linalg.norm(normals, axis=1, keepdims=True)
    unit: Floats = normals / np.where(lengths == 0, 1, lengths)
    return unit


def _edge_normals(corners: Floats, faces: Ints, neighbours: Ints, normals: Floats) -> Floats:
    """Give the normals of the planes through two edges that can face each other.

    Two edges carry parallel planes when the arc between the outward normals of the one edge's
    faces crosses the arc between the inward normals of the other's.
    """
    face, side = np.nonzero(neighbours > np.arange(len(faces))[:, None])
    ends = np.sort(
        np.column_stack((faces[face, (side + 1) % 3], faces[face, (side + 2) % 3])), axis=1
    )
    along = corners[ends[:, 1]] - corners[ends[:, 0]]
    along /= np.linalg.norm(along, axis=1, keepdims=True)
    near, far = normals[face], normals[neighbours[face, side]]
    found = [np.empty((0, 3))]
    tiny = 1e-12
    for block in np.array_split(np.arange(len(ends)), 1 + len(ends) // 512):
        # side of the other edge's (turned) normals on this edge's great circle, and the reverse
        crosses = (along[block] @ near.T) * (along[block] @ far.T) <= tiny
        crosses &= (near[block] @ along.T) * (far[block] @ along.T) <= tiny
        one, other = np.nonzero(crosses & (block[:, None] < np.arange(len(ends))))
        cross = np.cross(along[block][one], along[other])
        middle = near[block][one] + far[block][one]
        cross[np.einsum("ij,ij->i", cross, middle) < 0] *= -1
        facing = np.einsum("ij,ij->i", cross, near[other] + far[other]) <= tiny
        length = np.linalg.norm(cross, axis=1)
        keep = facing & (length > 1e-9)
        found.append(cross[keep] / length[keep, None])
    return np.vstack(found)


def _as_perpendicular(
    flat: Zone, x: Floats, y: Floats, z: Floats, frame: _Frame, slope_x: float, slope_y: float
) -> Zone:
    steep = float(np.sqrt(1 + slope_x**2 + slope_y**2))
    dx, dy = x - frame.centre[0], y - frame.centre[1]
    residual = (z - frame.height) - slope_x * dx - slope_y * dy
    top, bottom = float(residual.max()), float(residual.min())
    level = 1e-9 * max(frame.scale, 1e-300)
    return Zone(
        width=(top - bottom) / steep,
        slope_x=float(slope_x),
        slope_y=float(slope_y),
        centre=flat.centre,
        height_centre=frame.height + (top + bottom) / 2,
        upper=np.flatnonzero(residual >= top - level),
        lower=np.flatnonzero(residual <= bottom + level),
        gap=0.0,
        exchanges=0,
        perpendicular=True,
    )
