"""A plan of turns: what each lift is to do, in which stages, and what will remain."""

from dataclasses import dataclass
from typing import Literal

from level.cautions import CAUTIONS
from level.influence import Influence
from level.machine import Turning
from mesh.noise import Noise
from mesh.tilt import Tilt

__all__ = [
    "HELD",
    "NO_NEED",
    "SMALL",
    "UNCERTAIN",
    "Move",
    "Predicted",
    "Racking",
    "StageMove",
    "TurnPlan",
]

SMALL = "below half a detent"
"""Why a lift is left that cannot be turned so little."""

UNCERTAIN = "below its uncertainty"
"""Why a lift is left whose rise may be noise."""

HELD = "held"
NO_NEED = "no rise needed"


@dataclass(frozen=True)
class Move:
    """What one lift is to do.

    Attributes
    ----------
    lift : str
        Its name.
    x, y : float
        Where it stands, mm.
    rise : float
        How far it is to raise its carriage, mm; negative lowers.
    sigma : float or None
        Standard deviation of the rise, mm; None where the noise is not known.
    interval : (float, float) or None
        95 % interval of the rise, mm.
    turns, degrees : float
        The rise in turns of the drive and in degrees; negative lowers.
    direction : {"clockwise", "counterclockwise", "none"}
        Which way to turn, seen from above; none for a lift that is left alone.
    steps : int or None
        Microsteps of its motor, rounded, 0 if it is to be left; None if turned by hand.
    leave : bool
        Whether the rise is too small to be real (below its 95 % uncertainty) or to be made (below
        half a detent).
    why : str
        The reason to leave it, or nothing.
    leverage : float
        Variance of the fitted plane at the lift, in variances of one reading.
    travel : float
        Rise of one turn, mm.
    detent : float
        Its smallest move, turns.
    """

    lift: str
    x: float
    y: float
    rise: float
    sigma: float | None
    interval: tuple[float, float] | None
    turns: float
    degrees: float
    direction: Turning | Literal["none"]
    steps: int | None
    leave: bool
    why: str
    leverage: float
    travel: float
    detent: float


@dataclass(frozen=True)
class StageMove:
    """One lift's part in a stage; all as in `Move`."""

    lift: str
    rise: float
    turns: float
    direction: Turning | Literal["none"]
    travel: float


@dataclass(frozen=True)
class Racking:
    """What no plane explains of the lifts' heights, mm.

    Attributes
    ----------
    added : float
        By the plan, when it is done; zero but for lifts that are left alone.
    present : float
        In the bed as probed: its twist at the lifts. It may be the frame's or the bed's own;
        probing alone does not tell.
    limit : float
        What is allowed at any moment.
    """

    added: float
    present: float
    limit: float


@dataclass(frozen=True)
class Predicted:
    """What probing will show after the plan.

    Attributes
    ----------
    fall_x, fall_y : float
        Tilt left across the probed rectangle, mm.
    minimum_zone : float
        Flatness left, mm: turning lifts by the plan does not change it.
    range_at_lifts : float
        Height range of the fitted plane over the lifts, mm.
    """

    fall_x: float
    fall_y: float
    minimum_zone: float
    range_at_lifts: float


@dataclass(frozen=True, eq=False)
class TurnPlan:
    """A whole plan.

    Attributes
    ----------
    moves : tuple of Move
        One for each lift, in the order of the machine file.
    reference : str
        What stays: a lift's name, or least-motion, raise-only, lower-only.
    stages : tuple of tuple of StageMove
        The moves in order; within a stage in the order given.
    racking : Racking
        Present, added and allowed.
    predicted : Predicted
        What probing will show.
    stays : (float, float)
        Slopes along x and y that these lifts cannot take out, mm/mm.
    tilt : Tilt
        What is corrected.
    noise : Noise
        Where the uncertainties come from.
    influence : Influence
        How the lifts act.
    warnings, cautions : tuple of str
        What to know, and what to take care of.
    """

    moves: tuple[Move, ...]
    reference: str
    stages: tuple[tuple[StageMove, ...], ...]
    racking: Racking
    predicted: Predicted
    stays: tuple[float, float]
    tilt: Tilt
    noise: Noise
    influence: Influence
    warnings: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def turning(self) -> tuple[Move, ...]:
        """The moves that are to be made."""
        return tuple(move for move in self.moves if not move.leave)
