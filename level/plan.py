"""A plan of turns: what each lift is to do, in which stages, and what will remain."""

from dataclasses import dataclass
from typing import Literal

from level.cautions import CAUTIONS
from level.influence import Influence
from level.machine import Turning
from level.request import Request
from mesh.noise import Noise
from mesh.tilt import Tilt

__all__ = [
    "HELD",
    "LOCKED",
    "NO_NEED",
    "NO_ROOM",
    "SMALL",
    "UNCERTAIN",
    "Command",
    "Move",
    "Predicted",
    "ProbeFirst",
    "Racking",
    "Stage",
    "StageMove",
    "TurnPlan",
]

SMALL = "no detent nearer"
"""Why a lift is left that no whole detent brings nearer."""

UNCERTAIN = "below its uncertainty"
"""Why a lift is left whose rise may be noise."""

HELD = "held"
NO_NEED = "no rise needed"
LOCKED = "locked"
NO_ROOM = "no room"


@dataclass(frozen=True)
class Command:
    """What to tell a motor that does not do as the machine file says.

    Attributes
    ----------
    drive : str
        The lift to command by name; another than the one that is to move, if plugs are exchanged.
    rise : float
        The rise to tell it, mm; of the other sign, if it is reversed.
    """

    drive: str
    rise: float


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
        How far the readings ask it to raise its carriage, mm; negative lowers.
    sigma : float or None
        Standard deviation of the rise, mm; None where the noise is not known.
    interval : (float, float) or None
        95 % interval of the rise, mm.
    turns, degrees : float
        The rise in turns of the drive and in degrees; negative lowers.
    detents : int
        Whole detents that it is turned by; 0 if it is left.
    made, made_turns : float
        These in mm of rise and in turns.
    other_plane : float
        What the rise would be more if the other plane of the bed were aimed at (the minimum zone's
        instead of the least-squares one, or the other way round), mm.
    direction : {"clockwise", "counterclockwise", "none"}
        Which way to turn, seen from above; none for a lift that is left alone.
    steps : int or None
        Microsteps of its motor for `made`, rounded; None if turned by hand.
    leave : bool
        Whether it is not to be turned: the rise is too small to be real (below its 95 %
        uncertainty) or to be made (no detent comes nearer), or it must not be.
    why : str
        The reason to leave it, or nothing.
    short : bool
        Whether it stands at the end of its room short of what is asked for.
    leverage : float
        Variance of the fitted plane at the lift, in variances of one reading.
    travel : float
        Rise of one turn, mm.
    detent : float
        Its smallest move, turns.
    command : Command or None
        What to tell its motor, where that is not simply `made`; see `level.verify.correction`.
    """

    lift: str
    x: float
    y: float
    rise: float
    sigma: float | None
    interval: tuple[float, float] | None
    turns: float
    degrees: float
    detents: int
    made: float
    made_turns: float
    other_plane: float
    direction: Turning | Literal["none"]
    steps: int | None
    leave: bool
    why: str
    short: bool
    leverage: float
    travel: float
    detent: float
    command: Command | None = None


@dataclass(frozen=True)
class StageMove:
    """One lift's part in a stage.

    Attributes
    ----------
    lift : str
        Its name.
    rise, turns : float
        How far it goes, mm and turns; negative lowers.
    direction : {"clockwise", "counterclockwise", "none"}
        Which way to turn, seen from above.
    travel : float
        Rise of one turn, mm.
    steps : int or None
        Microsteps of its motor; None if turned by hand.
    beyond : float
        Turns to go on below the mark and to come back up, to take the backlash out.
    with_previous : bool
        Whether it moves at once with the lift before it.
    command : Command or None
        As of `Move`.
    """

    lift: str
    rise: float
    turns: float
    direction: Turning | Literal["none"]
    travel: float
    steps: int | None = None
    beyond: float = 0.0
    with_previous: bool = False
    command: Command | None = None


@dataclass(frozen=True)
class Stage:
    """Moves that belong together, and what probing should show after them.

    Attributes
    ----------
    moves : tuple of StageMove
        In the order in which they are made.
    fall_x, fall_y : float
        Tilt over the probed rectangle after them, mm.
    """

    moves: tuple[StageMove, ...]
    fall_x: float
    fall_y: float


@dataclass(frozen=True)
class ProbeFirst:
    """Touches that would make a plan surer.

    Attributes
    ----------
    spots : tuple of (float, float)
        Where, mm: the corners of the probed rectangle, where a touch tells most of a tilt.
    touches : int
        How often each.
    half_width : float
        95 % half-width of the least sure rise with them, mm.
    now : float
        The same without them, mm.
    """

    spots: tuple[tuple[float, float], ...]
    touches: int
    half_width: float
    now: float


@dataclass(frozen=True)
class Racking:
    """What no plane explains of the lifts' heights, mm.

    Attributes
    ----------
    added : float
        By the plan, when it is done; zero but for lifts that are left alone, for whole detents, and
        for a twist that is asked for.
    present : float
        In the bed as probed: its twist and bows at the lifts. They may be the frame's or the bed's
        own; probing alone does not tell.
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
    height_range : float
        Highest less lowest place that counts, mm: what the nozzle sees.
    exact_range : float
        The same if the lifts could be turned by any amount, mm.
    """

    fall_x: float
    fall_y: float
    minimum_zone: float
    range_at_lifts: float
    height_range: float
    exact_range: float

    @property
    def gain_of_finer(self) -> float:
        """What finer detents would take off the height range, mm."""
        return max(0.0, self.height_range - self.exact_range)


@dataclass(frozen=True, eq=False)
class TurnPlan:
    """A whole plan.

    Attributes
    ----------
    moves : tuple of Move
        One for each lift, in the order of the machine file.
    request : Request
        What was asked for, with lifts by their names in the machine file.
    stages : tuple of Stage
        The moves in order.
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
    probe_first : ProbeFirst or None
        Touches to add before turning, where the rises are too unsure.
    warnings, cautions : tuple of str
        What to know, and what to take care of.
    """

    moves: tuple[Move, ...]
    request: Request
    stages: tuple[Stage, ...]
    racking: Racking
    predicted: Predicted
    stays: tuple[float, float]
    tilt: Tilt
    noise: Noise
    influence: Influence
    probe_first: ProbeFirst | None
    warnings: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def reference(self) -> str:
        """What stays: a lift's name, or least-motion, raise-only, lower-only, keep-centre."""
        return self.request.reference

    @property
    def turning(self) -> tuple[Move, ...]:
        """The moves that are to be made."""
        return tuple(move for move in self.moves if not move.leave)
