"""Aim: the rises that would make the bed parallel, if lifts could be turned by any amount."""

from dataclasses import dataclass

import numpy as np

from level.case import Case
from level.influence import Influence
from level.machine import Machine
from level.request import KEEP_CENTRE, LEAST_MOTION, LOWER_ONLY, RAISE_ONLY, Request
from mesh.noise import Noise
from mesh.smooth import smooth_bed
from mesh.tilt import Tilt
from mesh.zone import minimum_zone
from probes.errors import RequestError
from probes.run import Floats, Places

__all__ = ["Aim", "find_aim", "locked_rises", "plane_slopes", "same_rises"]

_PROBED = 100
"""Probings simulated to tell how sure the slopes of the minimum zone are."""


@dataclass(frozen=True, eq=False)
class Aim:
    """What the readings ask of the lifts.

    Attributes
    ----------
    rises : ndarray, shape (lifts,)
        mm, + = up.
    sigmas : ndarray, shape (lifts,), or None
        Their standard deviations, mm; None where the noise is not known.
    slopes : ndarray, shape (2,)
        Slopes of the bed that were aimed at, mm/mm.
    stays : ndarray, shape (2,)
        What these lifts leave of them, mm/mm.
    by_slope : ndarray, shape (lifts, 2)
        How the rises change with the slopes, mm per mm/mm, but for sign.
    """

    rises: Floats
    sigmas: Floats | None
    slopes: Floats
    stays: Floats
    by_slope: Floats


def plane_slopes(places: Places, tilt: Tilt, objective: str) -> Floats:
    """Slopes of the plane that is to become parallel, mm/mm."""
    if objective == "minimum-zone":
        zone = minimum_zone(places.x, places.y, places.z)
        return np.array((zone.slope_x, zone.slope_y))
    return np.array((tilt.slope_x, tilt.slope_y))


def find_aim(case: Case) -> Aim:
    """Find the rises.

    Parameters
    ----------
    case : Case
        What is known and asked. Of a twist that is asked for, no more is taken out than may be
        racked.

    Returns
    -------
    Aim
        Of all rises that keep the lifts in a plane and meet the wishes, those that leave the least
        slope over the places (least squares); of these, those of the wanted height.

    Raises
    ------
    RequestError
        If one way only is not enough for the wishes.

    Notes
    -----
    Rises in a plane are `p + (x, y) a` with `a` along what the lifts can tip. Wishes are linear
    equations of p and a; `M (a - wanted)` is least with M the spread of the places.
    """
    machine, influence, request = case.machine, case.influence, case.request
    slopes = plane_slopes(case.places, case.tilt, request.objective)
    wanted = -influence.sign * (influence.directions @ slopes)
    solver = _Solver(case)
    level = solver.rises(wanted)
    by_slope = solver.by_tilt(level) @ influence.directions
    rises = level
    if request.corners:
        rises = level + _twist_rises(case)
        held = solver.held
        rises = rises - (rises[held] if held is not None else rises.mean())
    rises = solver.placed(rises - _lock_shifts(machine, rises))
    offset = influence.positions - influence.centre
    ways = np.column_stack((np.ones(len(level)), offset))
    made = np.linalg.lstsq(ways, level, rcond=1e-12)[0][1:]
    return Aim(
        rises=rises,
        sigmas=_sigmas(by_slope, case),
        slopes=slopes,
        stays=slopes + influence.sign * (influence.projector @ made),
        by_slope=by_slope,
    )


class _Solver:
    """Rises for wanted tilts of the carriage, under wishes that stay the same."""

    def __init__(self, case: Case) -> None:
        influence, request = case.influence, case.request
        offset = influence.positions - influence.centre
        self._planes = np.column_stack((np.ones(len(offset)), offset @ influence.directions.T))
        self._request = request
        self._free = _null_space(self._equations(case.machine, influence, request))
        spread = np.column_stack((case.places.x, case.places.y)) @ influence.directions.T
        spread = spread - spread.mean(axis=0)
        # the triangle has the spread of the places, and is small
        self._spread = np.linalg.qr(spread, mode="r") if spread.shape[1] else np.empty((0, 0))

    def _equations(self, machine: Machine, influence: Influence, request: Request) -> Floats:
        """Rows that the height and the tilts (p, a) have to meet: row (p, a) = 0."""
        names = [lift.name for lift in machine.lifts]
        still = {*request.locked, request.reference}
        self._still = np.array([name in still for name in names])
        rows = list(self._planes[self._still])
        for group in same_rises(machine, request):
            rows += [self._planes[k] - self._planes[group[0]] for k in group[1:]]
        if request.reference == KEEP_CENTRE:
            middle = _bed_centre(machine, influence)
            rows.append(np.array((1.0, *(influence.directions @ (middle - influence.centre)))))
        return np.array(rows).reshape(-1, self._planes.shape[1])

    @property
    def held(self) -> int | None:
        """The lift that is not touched, where there is one."""
        still = np.flatnonzero(self._still)
        return int(still[0]) if len(still) else None

    def rises(self, wanted: Floats) -> Floats:
        """Give the rises that come nearest to these tilts along the influence's directions."""
        return self.placed(self._least(wanted))

    def _least(self, wanted: Floats) -> Floats:
        """Give the rises of least motion; they are linear in what is wanted."""
        to_tilt = self._spread @ self._free[1:]
        best = np.linalg.pinv(to_tilt, rcond=1e-9) @ (self._spread @ wanted)
        rises = self._planes @ (self._free @ best)
        lifted = self._lifted(to_tilt)
        least: Floats = rises - lifted @ (np.linalg.pinv(lifted) @ rises)
        return least

    def _lifted(self, to_tilt: Floats) -> Floats:
        """Rises that change no tilt: the common height, where it is free."""
        return self._planes @ self._free @ _null_space(to_tilt)

    @property
    def _height_is_free(self) -> bool:
        return bool(self._lifted(self._spread @ self._free[1:]).size)

    def placed(self, rises: Floats) -> Floats:
        """Shift rises to the height that is wanted, so that no lift goes the wrong way."""
        rises = np.where(self._still, 0.0, rises)
        low = {RAISE_ONLY: rises.min(), LOWER_ONLY: rises.max()}.get(self._request.reference)
        if low is None:
            return rises
        if self._height_is_free:
            shifted: Floats = rises - low
            shifted[np.abs(rises - low) <= 1e-12 * max(1.0, abs(float(low)))] = 0.0
            return shifted
        if (rises.min() if self._request.reference == RAISE_ONLY else -rises.max()) < -1e-9:
            raise RequestError(
                f"{self._request.reference} cannot be kept with the lifts that are locked; free "
                f"them, or choose {LEAST_MOTION}"
            )
        return rises

    def by_tilt(self, rises: Floats) -> Floats:
        """How the rises change with the wanted tilts, shape (lifts, directions)."""
        count = self._planes.shape[1] - 1
        least = np.column_stack([self._least(row) for row in np.eye(count)] or [np.zeros((0, 0))])
        if not count:
            return np.zeros((len(rises), 0))
        if self._request.reference in (RAISE_ONLY, LOWER_ONLY) and self._height_is_free:
            least = least - least[int(np.argmin(np.abs(rises)))]
        linear: Floats = least
        return linear


def same_rises(machine: Machine, request: Request) -> list[list[int]]:
    """Group the lifts, counted from 0, that move by the same rise."""
    names = [lift.name.lower() for lift in machine.lifts]
    groups: list[list[int]] = []
    for pair in (*machine.together, *request.together):
        members = {names.index(name.strip().lower()) for name in pair}
        joined = [group for group in groups if members & set(group)]
        groups = [group for group in groups if group not in joined]
        groups.append(sorted(members.union(*joined)))
    return groups


def _bed_centre(machine: Machine, influence: Influence) -> Floats:
    bed = machine.bed
    return influence.centre if bed is None else np.array((sum(bed.x) / 2, sum(bed.y) / 2))


def _null_space(rows: Floats) -> Floats:
    """Directions that all rows leave at zero, as columns."""
    if not rows.size:
        return np.eye(rows.shape[1])
    sizes = np.linalg.norm(rows, axis=0)
    scale = np.where(sizes > 0, sizes, 1.0)
    _, values, right = np.linalg.svd(rows / scale)
    kept = right[int((values > 1e-9 * max(float(values[0]), 1e-300)).sum()) :]
    return (kept / scale).T


def _twist_rises(case: Case) -> Floats:
    """Rises that take the twist out at the lifts; of what racks, as much as may be racked.

    Where the lifts stand on no rectangle, the twist has a part at them that is a plane.
    """
    influence, shape, limit = case.influence, case.tilt.modes, case.limit
    if shape.twist is None:
        return np.zeros(len(influence.positions))
    xi, eta = shape.scaled(influence.positions[:, 0], influence.positions[:, 1])
    rises = -influence.sign * shape.twist.value * xi * eta
    racks = influence.racking(rises)
    worst = float(np.abs(racks).max())
    return rises if worst <= limit else rises - racks * (1 - limit / worst)


def _lock_shifts(machine: Machine, rises: Floats) -> Floats:
    return locked_rises(machine, rises) - rises


def locked_rises(machine: Machine, rises: Floats) -> Floats:
    """Give where rises end once the lifts are locked; only those that are turned are."""
    shifts = np.array([lift.lock_shift or 0.0 for lift in machine.lifts])
    return rises + np.where(np.abs(rises) > 1e-12, shifts, 0.0)


def _sigmas(by_slope: Floats, case: Case) -> Floats | None:
    noise = case.noise
    if noise.of_places is None:
        return None
    covariance = case.tilt.factor * noise.of_places**2
    if case.request.objective == "minimum-zone":
        covariance = _zone_covariance(case.places, noise, covariance)
    variances = np.einsum("ij,jk,ik->i", by_slope, covariance, by_slope)
    sigmas: Floats = np.sqrt(np.maximum(variances, 0.0))
    return sigmas


def _zone_covariance(places: Places, noise: Noise, least: Floats) -> Floats:
    """Covariance of the slopes of the minimum zone, from the likely bed probed again and again.

    No less than that of least squares.
    """
    sigma = noise.worst_place
    if not sigma or len(places) < 4:
        return least
    likely = smooth_bed(places, sigma, noise.freedom).heights
    noises = np.random.default_rng(12781).normal(0.0, sigma, (_PROBED, len(places)))
    zones = [minimum_zone(places.x, places.y, likely + one) for one in noises]
    slopes = np.array([(zone.slope_x, zone.slope_y) for zone in zones])
    seen: Floats = np.cov(slopes.T)
    larger = max(1.0, float(np.trace(least) / max(float(np.trace(seen)), 1e-300)))
    return seen * larger
