"""Influence: what the carried bed or gantry does when its lifts rise.

Lift heights split exactly into a motion of the carriage and a rest that no motion explains: the
racking, which bends the frame. Three lifts that are not in line have none. Lifts in line can tip
the carriage along their line only; one lift can tip nothing.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from level.machine import Machine
from level.springs import STANDARD_GRAVITY, slack_racking
from probes.run import Floats

__all__ = ["Influence", "find_influence", "racking_limit"]

_IN_LINE = 1e-9


@dataclass(frozen=True, eq=False)
class Influence:
    """How the lifts of a machine act.

    Attributes
    ----------
    sign : int
        +1 if the lifts carry the bed, -1 if they carry the gantry (whose raised corner sees the
        bed lower).
    positions : ndarray, shape (lifts, 2)
        Where the lifts stand, mm.
    centre : ndarray, shape (2,)
        Their mean, mm.
    directions : ndarray, shape (0 to 2, 2)
        Orthogonal unit directions along which the lifts can tip the carriage.
    twisting : bool
        Whether the carriage follows a twist of its lifts.
    """

    sign: int
    positions: Floats
    centre: Floats
    directions: Floats
    twisting: bool

    def _motions(self, x: Floats, y: Floats) -> Floats:
        """Rise at (x, y) in each way the carriage can move, shape (n, ways)."""
        offset = np.stack((x - self.centre[0], y - self.centre[1]), axis=-1)
        ways = [np.ones(len(offset)), *(offset @ direction for direction in self.directions)]
        if self.twisting:
            ways.append(offset[:, 0] * offset[:, 1])
        return np.column_stack(ways)

    def _at_lifts(self) -> Floats:
        return self._motions(self.positions[:, 0], self.positions[:, 1])

    def at(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Rise of the carriage at spots for a unit rise of each lift, as of equal springs.

        Parameters
        ----------
        x, y : array_like, shape (n,)
            Spots, mm.

        Returns
        -------
        ndarray, shape (n, lifts)
            mm per mm.
        """
        xs = np.atleast_1d(np.asarray(x, dtype=np.float64))
        ys = np.atleast_1d(np.asarray(y, dtype=np.float64))
        return self._motions(xs, ys) @ np.linalg.pinv(self._at_lifts())

    def change(self, x: npt.ArrayLike, y: npt.ArrayLike, rises: npt.ArrayLike) -> Floats:
        """Change of the probed height at spots when the lifts rise, mm, shape (n,)."""
        return self.sign * (self.at(x, y) @ np.asarray(rises, dtype=np.float64))

    @property
    def projector(self) -> Floats:
        """Matrix (2, 2) that keeps the part of a slope which the lifts can take out."""
        return self.directions.T @ self.directions

    def racking(self, rises: npt.ArrayLike) -> Floats:
        """Part of the rises that no plane explains, mm, shape (lifts,)."""
        values = np.asarray(rises, dtype=np.float64)
        return values - self._planes @ (np.linalg.pinv(self._planes) @ values)

    @property
    def can_rack(self) -> bool:
        """Whether there are more lifts than a plane through them needs."""
        return len(self.positions) > 1 + len(self.directions)

    @property
    def racking_modes(self) -> Floats:
        """Ways in which the lifts can rack, shape (modes, lifts): of unit length, at right angles.

        For four lifts at the corners of a rectangle the one is (1, -1, 1, -1) / 2, going round.
        """
        planes = self._planes
        norms = np.linalg.norm(planes, axis=0)
        left, sizes, _ = np.linalg.svd(planes / np.where(norms > 0, norms, 1.0))
        modes: Floats = left[:, int((sizes > 1e-9).sum()) :].T
        return modes

    @property
    def _planes(self) -> Floats:
        offset = self.positions - self.centre
        return np.column_stack((np.ones(len(offset)), offset @ self.directions.T))

    @property
    def span(self) -> float:
        """Largest distance of two lifts, mm."""
        apart = self.positions[:, None, :] - self.positions[None, :, :]
        return float(np.sqrt((apart**2).sum(axis=2)).max())


RACKING_PER_SPAN = 0.3e-3
"""Racking limit where the machine file has none, mm per mm between the farthest lifts: what
makers of rail guides allow between two parallel rails lies between 0.1 and 1.2 (theory A5)."""

_OF_SLACK = 0.5
"""Part of the racking that makes a lift slack which is allowed."""


def racking_limit(machine: Machine, influence: Influence) -> float:
    """Give the racking that is allowed at any moment, mm.

    It is the machine file's, or 0.3 mm per metre between the farthest lifts; but no more than half
    of what leaves a lift without load, where mass and stiffness are known.
    """
    limit = machine.limits.racking or RACKING_PER_SPAN * influence.span
    frame = machine.frame
    stiff = influence.can_rack and frame.joint == "rigid"
    if frame.mass is None or frame.stiffness is None or not stiff:
        return limit
    weight = frame.mass * STANDARD_GRAVITY
    return min(limit, _OF_SLACK * slack_racking(weight, frame.stiffness, len(machine.lifts)))


def find_influence(machine: Machine, *, twisting: bool | None = None) -> Influence:
    """Find how the lifts of a machine act.

    Parameters
    ----------
    machine : Machine
        Any number of lifts, anywhere, in line or not.
    twisting : bool, optional
        Whether the carriage follows a twist, instead of what the frame's joint says.

    Returns
    -------
    Influence
        Of a rigid carriage; of one that follows a twist if the frame's joint says so and four
        lifts or more carry it.
    """
    positions = machine.positions
    centre = positions.mean(axis=0)
    offset = positions - centre
    _, sizes, directions = np.linalg.svd(offset, full_matrices=False)
    kept = directions[sizes > _IN_LINE * max(float(sizes[0]), _IN_LINE)] if sizes[0] > 0 else (
        np.empty((0, 2))
    )  # fmt: skip
    wanted = machine.frame.joint == "twisting" if twisting is None else twisting
    twisting = False
    if wanted and len(positions) >= 4 and len(kept) == 2:
        ways = np.column_stack((np.ones(len(offset)), offset, offset[:, 0] * offset[:, 1]))
        ways /= np.maximum(np.abs(ways).max(axis=0), 1e-300)
        twisting = bool(np.linalg.matrix_rank(ways, tol=1e-9) == 4)
    return Influence(
        sign=1 if machine.frame.carries == "bed" else -1,
        positions=positions,
        centre=centre,
        directions=kept,
        twisting=twisting,
    )
