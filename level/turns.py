"""Turns: what to turn, which way and how far, so that bed and gantry are parallel."""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from level.cautions import CAUTIONS
from level.influence import Influence, find_influence
from level.machine import Lift, Machine, Turning
from level.stages import stages_needed
from mesh.checks import check_run
from mesh.noise import Noise, find_noise
from mesh.tilt import Tilt, find_tilt
from mesh.zone import minimum_zone
from probes.errors import RequestError, ShapeError
from probes.run import Floats, Run

__all__ = [
    "LEAST_MOTION",
    "LOWER_ONLY",
    "RAISE_ONLY",
    "SMALL",
    "Move",
    "Predicted",
    "Racking",
    "StageMove",
    "TurnPlan",
    "plan_turns",
]

LEAST_MOTION, RAISE_ONLY, LOWER_ONLY = "least-motion", "raise-only", "lower-only"

SMALL = "below half a detent"
"""Why a lift is left that cannot be turned so little."""

STEEPEST = 0.1
"""Slope, mm/mm, beyond which readings are taken for misread: six degrees."""

_LEAST_PROBED = 0.03
"""Part of the lifts' distance that must be probed to say anything of them."""

RACKING_PER_SPAN = 0.3e-3
"""Racking limit where the machine file has none, mm per mm between the farthest lifts: what
makers of rail guides allow between two parallel rails lies between 0.1 and 1.2 (theory A5)."""


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


def plan_turns(
    run: Run, machine: Machine, *, reference: str = LEAST_MOTION, detent: float | None = None
) -> TurnPlan:
    """Plan the turns that take the tilt out of a run.

    Only a plane is corrected: the lifts move so that they stay in one plane, which adds no
    racking. A twist is neither followed nor taken out.

    Parameters
    ----------
    run : Run
        The probing.
    machine : Machine
        The machine it was taken on.
    reference : str
        "least-motion" (the mean of all rises is zero), "raise-only", "lower-only", or the name of
        a lift that is not to be touched.
    detent : float, optional
        Smallest turn at every lift, in turns, instead of the machine file's.

    Returns
    -------
    TurnPlan
        The plan.

    Raises
    ------
    ShapeError
        If the places carry no plane.
    MachineError
        If the run was not taken on this bed.
    RequestError
        If there is no such reference, or the detent is not above zero.
    """
    if detent is not None and not 0 < detent < float("inf"):
        raise RequestError(f"detent {detent:g}: must be a number of turns above zero, as in 0.125")
    held = _held_lift(machine, reference)
    machine.check_on_bed(run)
    check_run(run)
    places = run.places
    noise = find_noise(run, given=machine.probe.sigma)
    tilt = find_tilt(places.x, places.y, places.z, spread=noise.spread)
    influence = find_influence(machine)
    slopes = np.array((tilt.slope_x, tilt.slope_y))
    if float(np.hypot(*slopes)) > STEEPEST:
        raise ShapeError(
            f"{run.source}: the readings tilt by {np.hypot(*slopes) * 1e3:.0f} mm/m, which no bed "
            "does; check the unit, the columns and --line before turning anything"
        )
    probed, span = max(tilt.width, tilt.depth), influence.span
    if probed < _LEAST_PROBED * span:
        raise ShapeError(
            f"{run.source}: the places cover {tilt.width:.3g} x {tilt.depth:.3g} mm of a machine "
            f"whose lifts stand {span:.0f} mm apart; check the unit and --x and --y, or probe more "
            "of the bed"
        )
    rises, origin = _rises(influence, slopes, reference, held)
    moves = _moves(
        machine, rises, _sigmas(influence, tilt, noise, origin), noise, tilt, detent, held
    )
    limit = machine.limits.racking or RACKING_PER_SPAN * influence.span
    fine: list[str] = []
    if _racked(influence, moves) > limit or _worsens(run, tilt, influence, moves):
        moves, fine = _turn_finely(machine, moves)
    made = _made(moves)
    racking = Racking(
        added=_racked(influence, moves),
        present=_present(influence, tilt),
        limit=limit,
    )
    stays = slopes - influence.projector @ slopes
    return TurnPlan(
        moves=moves,
        reference=held.name if held else reference,
        stages=_stages(moves, made, influence, limit),
        racking=racking,
        predicted=_predict(run, influence, made),
        stays=(float(stays[0]), float(stays[1])),
        tilt=tilt,
        noise=noise,
        influence=influence,
        warnings=(*fine, *_warnings(machine, moves, tilt, noise, influence, stays)),
    )


def _held_lift(machine: Machine, reference: str) -> Lift | None:
    if reference in (LEAST_MOTION, RAISE_ONLY, LOWER_ONLY):
        return None
    held = machine.named(reference)
    if held is None:
        names = ", ".join(repr(lift.name) for lift in machine.lifts)
        raise RequestError(
            f"reference {reference!r}: must be {LEAST_MOTION}, {RAISE_ONLY}, {LOWER_ONLY} "
            f"or one of the lifts {names}"
        )
    return held


def _rises(
    influence: Influence, slopes: Floats, reference: str, held: Lift | None
) -> tuple[Floats, Floats]:
    """Give the rises, and the spot whose height the plan keeps (their zero)."""
    # bed: after = before + rise, gantry: after = before - rise
    wanted = -influence.sign * (influence.projector @ slopes)
    rises = (influence.positions - influence.centre) @ wanted
    if held is not None:
        origin = np.array((held.x, held.y))
    elif reference == RAISE_ONLY:
        origin = influence.positions[int(rises.argmin())]
    elif reference == LOWER_ONLY:
        origin = influence.positions[int(rises.argmax())]
    else:
        origin = influence.centre
    return (influence.positions - origin) @ wanted, origin


def _sigmas(influence: Influence, tilt: Tilt, noise: Noise, origin: Floats) -> Floats | None:
    if noise.of_places is None:
        return None
    arms = (influence.positions - origin) @ influence.projector
    variances = np.einsum("ij,jk,ik->i", arms, tilt.factor, arms)
    sigmas: Floats = np.sqrt(np.maximum(variances, 0.0)) * noise.of_places
    return sigmas


def _moves(
    machine: Machine,
    rises: Floats,
    sigmas: Floats | None,
    noise: Noise,
    tilt: Tilt,
    detent: float | None,
    held: Lift | None,
) -> tuple[Move, ...]:
    reach = noise.reach() if sigmas is not None else 0.0
    moves = []
    for k, lift in enumerate(machine.lifts):
        rise = float(rises[k])
        turns = rise / lift.travel
        sigma = None if sigmas is None else float(sigmas[k])
        smallest = detent or lift.smallest_turn
        why = ""
        if abs(turns) < smallest / 2:
            why = SMALL if rise else "held" if lift is held else "no rise needed"
        elif sigma is not None and abs(rise) < reach * sigma:
            why = "below its uncertainty"
        steps = None if lift.steps_per_turn is None else round(turns * lift.steps_per_turn)
        if why and steps is not None:
            steps = 0  # whoever drives by steps must not turn what is to be left
        moves.append(
            Move(
                lift=lift.name,
                x=lift.x,
                y=lift.y,
                rise=rise,
                sigma=sigma,
                interval=None if sigma is None else (rise - reach * sigma, rise + reach * sigma),
                turns=turns,
                degrees=turns * 360,
                direction="none" if why else lift.turning(rise),
                steps=steps,
                leave=bool(why),
                why=why,
                leverage=float(tilt.plane.leverage(lift.x, lift.y)),
                travel=lift.travel,
                detent=smallest,
            )
        )
    return tuple(moves)


def _made(moves: tuple[Move, ...]) -> Floats:
    return np.array([0.0 if move.leave else move.rise for move in moves])


def _racked(influence: Influence, moves: tuple[Move, ...]) -> float:
    """Racking that the moves leave behind, mm: what the lifts that are left alone miss."""
    return float(np.abs(influence.racking(_made(moves))).max())


def _worsens(run: Run, tilt: Tilt, influence: Influence, moves: tuple[Move, ...]) -> bool:
    """Tell whether leaving some lifts would tilt the bed more than it is tilted now."""
    left = _predict(run, influence, _made(moves))
    before = max(abs(tilt.fall_x), abs(tilt.fall_y))
    return max(abs(left.fall_x), abs(left.fall_y)) > before * (1 + 1e-9)


def _turn_finely(machine: Machine, moves: tuple[Move, ...]) -> tuple[tuple[Move, ...], list[str]]:
    """Have the lifts turned that were left for their detent only, where leaving them racks."""
    small = [move.lift for move in moves if move.why == SMALL]
    finer = tuple(
        replace(
            move,
            leave=False,
            why="",
            direction=lift.turning(move.rise),
            steps=lift.steps_per_turn and round(move.turns * lift.steps_per_turn),
        )
        if move.why == SMALL
        else move
        for lift, move in zip(machine.lifts, moves, strict=True)
    )
    if not small:
        return moves, []
    return finer, [
        f"{', '.join(small)}: less than half a detent, but leaving that out would rack the frame "
        "beyond its limit or tilt the bed more; turn as finely as you can, or choose another "
        "reference"
    ]


def _stages(
    moves: tuple[Move, ...],
    made: Floats,
    influence: Influence,
    limit: float,
) -> tuple[tuple[StageMove, ...], ...]:
    if not made.any():
        return ()
    stages = stages_needed(influence, made, limit)
    stage = tuple(
        StageMove(
            lift=move.lift,
            rise=move.rise / stages,
            turns=move.turns / stages,
            direction=move.direction,
            travel=move.travel,
        )
        for move in moves
        if not move.leave
    )
    return (stage,) * stages


def _present(influence: Influence, tilt: Tilt) -> float:
    """Racking that the bed's twist would be, if it were the lifts'."""
    twist = tilt.modes.twist
    if twist is None or not influence.can_rack:
        return 0.0
    xi = 2 * (influence.positions[:, 0] - tilt.centre[0]) / tilt.width
    eta = 2 * (influence.positions[:, 1] - tilt.centre[1]) / tilt.depth
    return float(np.abs(influence.racking(twist.value * xi * eta)).max())


def _predict(run: Run, influence: Influence, made: Floats) -> Predicted:
    places = run.places
    after = places.z + influence.change(places.x, places.y, made)
    left = find_tilt(places.x, places.y, after)
    at_lifts = left.height(influence.positions[:, 0], influence.positions[:, 1])
    return Predicted(
        fall_x=left.fall_x,
        fall_y=left.fall_y,
        minimum_zone=minimum_zone(places.x, places.y, after).width,
        range_at_lifts=float(np.ptp(at_lifts)),
    )


def _warnings(
    machine: Machine,
    moves: tuple[Move, ...],
    tilt: Tilt,
    noise: Noise,
    influence: Influence,
    stays: Floats,
) -> list[str]:
    said = []
    if len(influence.directions) == 0:
        said.append("one lift can raise and lower, but takes no tilt out")
    elif len(influence.directions) == 1:
        along = influence.directions[0]
        across = float(np.hypot(*stays)) * 1e3
        said.append(
            f"the lifts stand in line (along {_bearing(along)}) and tip the "
            f"{machine.frame.carries} along that line only; {across:.3f} mm/m across it stays, "
            "and is for the frame or for shims"
        )
    if machine.frame.joint == "twisting" and len(machine.lifts) > 3 and not influence.twisting:
        said.append("these lifts stand so that they cannot twist; taken for rigid")
    far = [move.lift for move in moves if move.leverage > 1]
    if far:
        said.append(
            f"the plane at {', '.join(far)} is known worse than one reading there would give it; "
            "probe closer to it, or more places"
        )
    if noise.source == "map":
        said.append(
            "the probe's repeatability is not known and was estimated from the map; "
            "touch a few places several times, or set [probe] sigma"
        )
    elif noise.source == "unknown":
        said.append(
            "too few places to tell how sure the turns are; probe at least 9 places, "
            "or set [probe] sigma"
        )
    if tilt.warning:
        said.append(tilt.warning)
    return said


def _bearing(direction: Floats) -> str:
    if abs(direction[1]) < 1e-6:
        return "x"
    if abs(direction[0]) < 1e-6:
        return "y"
    angle = np.degrees(np.arctan2(direction[1], direction[0])) % 180
    return f"{angle:.0f} degrees from x"
