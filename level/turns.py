"""Turns: what to turn, which way and how far, so that bed and gantry are parallel."""

import numpy as np

from level.influence import Influence, find_influence
from level.leave import left_racking, made_rises, settle
from level.machine import Lift, Machine
from level.plan import (
    HELD,
    NO_NEED,
    SMALL,
    UNCERTAIN,
    Move,
    Predicted,
    Racking,
    StageMove,
    TurnPlan,
)
from mesh.checks import check_run
from mesh.noise import Noise, find_noise
from mesh.tilt import Tilt, find_tilt
from mesh.zone import minimum_zone
from probes.errors import RequestError, ShapeError
from probes.run import Floats, Run

__all__ = ["LEAST_MOTION", "LOWER_ONLY", "RAISE_ONLY", "Move", "TurnPlan", "plan_turns"]

LEAST_MOTION, RAISE_ONLY, LOWER_ONLY = "least-motion", "raise-only", "lower-only"

STEEPEST = 0.1
"""Slope, mm/mm, beyond which readings are taken for misread: six degrees."""

_LEAST_PROBED = 0.03
"""Part of the lifts' distance that must be probed to say anything of them."""

RACKING_PER_SPAN = 0.3e-3
"""Racking limit where the machine file has none, mm per mm between the farthest lifts: what
makers of rail guides allow between two parallel rails lies between 0.1 and 1.2 (theory A5)."""


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
    moves, stages, said = settle(moves, machine, influence, tilt, noise, limit)
    made = made_rises(moves)
    racking = Racking(
        added=left_racking(influence, moves),
        present=_present(influence, tilt),
        limit=limit,
    )
    stays = slopes - influence.projector @ slopes
    return TurnPlan(
        moves=moves,
        reference=held.name if held else reference,
        stages=_stages(moves, stages),
        racking=racking,
        predicted=_predict(run, influence, made),
        stays=(float(stays[0]), float(stays[1])),
        tilt=tilt,
        noise=noise,
        influence=influence,
        warnings=(*said, *_warnings(machine, moves, tilt, noise, influence, stays)),
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
            why = SMALL if rise else HELD if lift is held else NO_NEED
        elif sigma is not None and abs(rise) < reach * sigma:
            why = UNCERTAIN
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


def _stages(moves: tuple[Move, ...], stages: int) -> tuple[tuple[StageMove, ...], ...]:
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
    return (stage,) * stages if stage else ()


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
