"""Turns: what to turn, which way and how far, so that bed and gantry are parallel."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from level.aim import Aim, find_aim, locked_rises, same_rises
from level.case import Case
from level.detents import Setting, detent_rises, set_detents, short_of_room
from level.influence import Influence, find_influence, racking_limit
from level.leave import leave_choices, slope_left
from level.machine import Machine
from level.plan import (
    HELD,
    LOCKED,
    NO_NEED,
    NO_ROOM,
    SMALL,
    UNCERTAIN,
    Move,
    Predicted,
    ProbeFirst,
    Racking,
    Stage,
    StageMove,
    TurnPlan,
)
from level.request import LEAST_MOTION, Area, Objective, Request, check_request
from level.springs import STANDARD_GRAVITY, carried_loads
from level.stages import Turn, find_stages
from mesh.checks import check_run
from mesh.noise import Noise, find_noise
from mesh.tilt import Tilt, find_tilt
from mesh.zone import minimum_zone
from probes.errors import RequestError, ShapeError
from probes.run import Floats, Places, Run

__all__ = ["Move", "TurnPlan", "plan_turns"]

STEEPEST = 0.1
"""Slope, mm/mm, beyond which readings are taken for misread: six degrees."""

_LEAST_PROBED = 0.03
"""Part of the lifts' distance that must be probed to say anything of them."""

_LITTLE_SLOPE = 1e-6

_SURE_MM = 0.01
"""A rise that is known so well, or to half a detent, needs no more touches."""

_MOST_TOUCHES = 20


def plan_turns(
    run: Run,
    machine: Machine,
    *,
    reference: str = LEAST_MOTION,
    objective: Objective = "least-squares",
    area: Area | None = None,
    locked: Sequence[str] = (),
    together: Sequence[Sequence[str]] = (),
    detent: float | None = None,
    corners: bool = False,
) -> TurnPlan:
    """Plan the turns that take the tilt out of a run.

    Only a plane is corrected, unless corners are asked for: the lifts move so that they stay in one
    plane, which adds no racking. A twist is neither followed nor taken out.

    Parameters
    ----------
    run : Run
        The probing.
    machine : Machine
        The machine it was taken on.
    reference, objective, area, locked, together, detent, corners
        What is asked for, as `level.request.Request` has it.

    Returns
    -------
    TurnPlan
        The plan, in whole detents.

    Raises
    ------
    ShapeError
        If the places carry no plane.
    MachineError
        If the run was not taken on this bed.
    RequestError
        If what is asked for is unknown, contradicts itself, or cannot be done within the racking
        limit.
    """
    machine.check_on_bed(run)
    check_run(run)
    request = check_request(
        Request(
            reference=reference,
            objective=objective,
            area=area,
            locked=tuple(locked),
            together=tuple(tuple(group) for group in together),
            detent=detent,
            corners=corners,
        ),
        machine,
        run,
    )
    noise = find_noise(run, given=machine.probe.sigma)
    places, spread = _counted(run, request, noise)
    tilt = find_tilt(places.x, places.y, places.z, spread=spread)
    influence = find_influence(machine, twisting=True if request.corners else None)
    _check_sense(run, tilt, influence, request)
    case = Case(
        machine=machine,
        influence=influence,
        places=places,
        tilt=tilt,
        noise=noise,
        request=request,
        limit=racking_limit(machine, influence),
    )
    aim = find_aim(case)
    left, setting, turns, said = _settle(case, aim)
    moves = _moves(case, aim, left, setting)
    return TurnPlan(
        moves=moves,
        request=request,
        stages=_stages(case, turns),
        racking=Racking(
            added=float(np.abs(influence.racking(setting.rises)).max()),
            present=_present(influence, tilt),
            limit=case.limit,
        ),
        predicted=_predict(case, run, setting.rises, aim),
        stays=(float(aim.stays[0]), float(aim.stays[1])),
        tilt=tilt,
        noise=noise,
        influence=influence,
        probe_first=_probe_first(case, aim),
        warnings=(*said, *_warnings(case, moves, aim)),
    )


def _counted(run: Run, request: Request, noise: Noise) -> tuple[Places, Floats | None]:
    """Give the places that count, and how uncertain they are among one another."""
    places = run.places
    if request.area is None:
        return places, noise.spread
    (left, right), (front, back) = request.area
    inside = (places.x >= left) & (places.x <= right) & (places.y >= front) & (places.y <= back)
    part = Run(x=places.x[inside], y=places.y[inside], z=places.z[inside], source=run.source)
    check_run(part)
    return part.places, None if noise.spread is None else noise.spread[inside]


def _check_sense(run: Run, tilt: Tilt, influence: Influence, request: Request) -> None:
    slope = float(np.hypot(tilt.slope_x, tilt.slope_y))
    if slope > STEEPEST:
        raise ShapeError(
            f"{run.source}: the readings tilt by {slope * 1e3:.0f} mm/m, which no bed "
            "does; check the unit, the columns and --line before turning anything"
        )
    probed, span = max(tilt.width, tilt.depth), influence.span
    if probed < _LEAST_PROBED * span:
        what = "--area" if request.area else "the places"
        raise ShapeError(
            f"{run.source}: {what} cover {tilt.width:.3g} x {tilt.depth:.3g} mm of a machine "
            f"whose lifts stand {span:.0f} mm apart; check the unit and --x and --y, or probe more "
            "of the bed"
        )


def _settle(
    case: Case, aim: Aim
) -> tuple[frozenset[int], Setting, tuple[tuple[Turn, ...], ...], list[str]]:
    """Settle which lifts are left, what the others are set to, and in which stages."""
    machine, influence, tilt, request = case.machine, case.influence, case.tilt, case.request
    before = float(np.hypot(tilt.slope_x, tilt.slope_y))
    fault: RequestError | None = None
    names = [lift.name for lift in machine.lifts]
    backlash = np.array([lift.backlash or 0.0 for lift in machine.lifts])
    for left, note in leave_choices(aim, tilt, case.noise, influence, free=not request.corners):
        try:
            setting = set_detents(case, aim.rises, left)
            ends = locked_rises(machine, setting.rises)
            tilts_more = slope_left(influence, tilt, ends) > before * (1 + 1e-9) + 1e-12
            if tilts_more and request.objective == "least-squares" and not request.corners:
                continue
            turns = find_stages(
                influence,
                setting.counts,
                detent_rises(machine, request.detent),
                case.limit,
                names=names,
                together=same_rises(machine, request),
                backlash=backlash,
            )
        except RequestError as refused:
            fault = fault or refused
            continue
        return left, setting, turns, [note] if note else []
    raise fault or RequestError(
        "no choice of lifts to turn makes the bed more level; use finer detents"
    )


def _moves(case: Case, aim: Aim, left: frozenset[int], setting: Setting) -> tuple[Move, ...]:
    tilt, request = case.tilt, case.request
    reach = case.noise.reach() if aim.sigmas is not None else 0.0
    other = _other_plane(case, aim)
    short = short_of_room(case.machine, aim.rises, setting, request.detent)
    moves = []
    for k, lift in enumerate(case.machine.lifts):
        rise, made = float(aim.rises[k]), float(setting.rises[k])
        sigma = None if aim.sigmas is None else float(aim.sigmas[k])
        made_turns = made / lift.travel
        steps = lift.steps_per_turn
        moves.append(
            Move(
                lift=lift.name,
                x=lift.x,
                y=lift.y,
                rise=rise,
                sigma=sigma,
                interval=None if sigma is None else (rise - reach * sigma, rise + reach * sigma),
                turns=rise / lift.travel,
                degrees=rise / lift.travel * 360,
                detents=int(setting.counts[k]),
                made=made,
                made_turns=made_turns,
                other_plane=float(other[k]),
                direction=lift.turning(made),
                steps=None if steps is None else round(made_turns * steps),
                leave=not setting.counts[k],
                why=_why(lift.name, rise, k in left, short[k], request)
                if not setting.counts[k]
                else "",
                short=bool(short[k]),
                leverage=float(tilt.plane.leverage(lift.x, lift.y)),
                travel=lift.travel,
                detent=request.detent or lift.smallest_turn,
            )
        )
    return tuple(moves)


def _why(name: str, rise: float, left: bool, short: bool, request: Request) -> str:
    if name in request.locked:
        return LOCKED
    if name == request.reference:
        return HELD
    if abs(rise) < 1e-9:
        return NO_NEED
    if short and not left:
        return NO_ROOM
    return UNCERTAIN if left else SMALL


def _other_plane(case: Case, aim: Aim) -> Floats:
    """Give what the other plane would ask of the lifts besides."""
    request = case.request
    if len(case.places) < 4 or request.corners:
        return np.zeros(len(aim.rises))
    objective: Objective = (
        "minimum-zone" if request.objective == "least-squares" else "least-squares"
    )
    unknown = Noise(None, "unknown", None, None)
    asked = replace(request, objective=objective)
    difference: Floats = find_aim(replace(case, noise=unknown, request=asked)).rises - aim.rises
    return difference


def _stages(case: Case, stages: tuple[tuple[Turn, ...], ...]) -> tuple[Stage, ...]:
    machine = case.machine
    steps = detent_rises(machine, case.request.detent)
    done = np.zeros(len(steps))
    found = []
    for stage in stages:
        moves = []
        for turn in stage:
            for place, (k, count, beyond) in enumerate(
                zip(turn.lifts, turn.counts, turn.beyond, strict=True)
            ):
                lift, rise = machine.lifts[k], count * float(steps[k])
                done[k] += rise
                per_turn = lift.steps_per_turn
                turned = rise / lift.travel
                moves.append(
                    StageMove(
                        lift=lift.name,
                        rise=rise,
                        turns=turned,
                        direction=lift.turning(rise),
                        travel=lift.travel,
                        steps=None if per_turn is None else round(turned * per_turn),
                        beyond=beyond / lift.travel,
                        with_previous=place > 0,
                    )
                )
        fall_x, fall_y = _falls(case.influence, case.tilt, done)
        found.append(Stage(tuple(moves), fall_x, fall_y))
    return tuple(found)


def _falls(influence: Influence, tilt: Tilt, rises: Floats) -> tuple[float, float]:
    """Falls over the probed rectangle after the rises, mm."""
    (x, y), (dx, dy) = tilt.centre, (tilt.width / 2, tilt.depth / 2)
    left, right, front, back = influence.change(
        [x - dx, x + dx, x, x], [y, y, y - dy, y + dy], rises
    )
    return tilt.fall_x + float(right - left), tilt.fall_y + float(back - front)


def _present(influence: Influence, tilt: Tilt) -> float:
    """Racking that the bed's twist and bows would be, if they were the lifts'."""
    if not influence.can_rack:
        return 0.0
    return float(np.abs(influence.racking(_shape_at_lifts(influence, tilt))).max())


def _shape_at_lifts(influence: Influence, tilt: Tilt) -> Floats:
    """Heights that the bed's twist and bows would have at the lifts, mm."""
    shape = tilt.modes
    xi, eta = shape.scaled(influence.positions[:, 0], influence.positions[:, 1])
    heights = np.zeros(len(xi))
    for mode, values in ((shape.twist, xi * eta), (shape.bow_x, xi**2), (shape.bow_y, eta**2)):
        if mode is not None:
            heights += mode.value * values
    return heights


def _predict(case: Case, run: Run, made: Floats, aim: Aim) -> Predicted:
    machine, influence, counted = case.machine, case.influence, case.places
    places, ends = run.places, locked_rises(machine, made)
    after = places.z + influence.change(places.x, places.y, ends)
    left = find_tilt(places.x, places.y, after)
    at_lifts = left.height(influence.positions[:, 0], influence.positions[:, 1])

    def height_range(rises: Floats) -> float:
        shift = influence.change(counted.x, counted.y, locked_rises(machine, rises))
        return float(np.ptp(counted.z + shift))

    return Predicted(
        fall_x=left.fall_x,
        fall_y=left.fall_y,
        minimum_zone=minimum_zone(places.x, places.y, after).width,
        range_at_lifts=float(np.ptp(at_lifts)),
        height_range=height_range(made),
        exact_range=height_range(aim.rises),
    )


def _probe_first(case: Case, aim: Aim) -> ProbeFirst | None:
    """Say how often to touch the corners more, where the rises are too unsure.

    On a first-order model corners are where a touch tells most (J. Kiefer, J. Wolfowitz, "The
    equivalence of two extremum problems", Can. J. Math. 12 (1960) 363-366).
    """
    machine, tilt, noise, request = case.machine, case.tilt, case.noise, case.request
    if aim.sigmas is None or not noise.sigma or noise.of_places is None:
        return None
    goal = max(float(detent_rises(machine, request.detent).max()) / 2, _SURE_MM)
    reach = noise.reach()
    now = reach * float(aim.sigmas.max())
    if now <= goal or not np.isfinite(tilt.factor).all():
        return None
    known = np.linalg.inv(tilt.factor * noise.of_places**2)
    dx, dy = tilt.width / 2, tilt.depth / 2
    per_touch = 4 * np.diag((dx**2, dy**2)) / noise.sigma**2
    for touches in range(1, _MOST_TOUCHES + 1):
        covariance = np.linalg.inv(known + touches * per_touch)
        variances = np.einsum("ij,jk,ik->i", aim.by_slope, covariance, aim.by_slope)
        half = reach * float(np.sqrt(variances.max()))
        if half <= goal:
            break
    x, y = tilt.centre
    spots = tuple((x + i * dx, y + j * dy) for i, j in ((-1, -1), (1, -1), (1, 1), (-1, 1)))
    return ProbeFirst(spots, touches, half, now)


def _warnings(case: Case, moves: tuple[Move, ...], aim: Aim) -> list[str]:
    machine, influence = case.machine, case.influence
    tilt, noise = case.tilt, case.noise
    said = []
    if len(influence.directions) == 0:
        said.append("one lift can raise and lower, but takes no tilt out")
    elif len(influence.directions) == 1:
        along = influence.directions[0]
        across = float(np.hypot(*(aim.stays - along * (along @ aim.stays)))) * 1e3
        said.append(
            f"the lifts stand in line (along {_bearing(along)}) and tip the "
            f"{machine.frame.carries} along that line only; {across:.3f} mm/m across it stays, "
            "and is for the frame or for shims"
        )
    elif float(np.hypot(*aim.stays)) > _LITTLE_SLOPE:
        stays_x, stays_y = aim.stays * (tilt.width, tilt.depth)
        said.append(
            f"with lifts that are locked or move together, a fall of {stays_x:z.3f} mm along x "
            f"and {stays_y:z.3f} mm along y stays"
        )
    said += [
        f"{move.lift}: has room for {0.0 if room is None else room:.3f} mm "
        f"{'up' if move.rise > 0 else 'down'} only, of {abs(move.rise):.3f} mm asked for, and what "
        "that leaves stays; make room at this lift, then probe again"
        for move, room in (
            (move, lift.room_up if move.rise > 0 else lift.room_down)
            for move, lift in zip(moves, machine.lifts, strict=True)
        )
        if move.short
    ]
    if machine.frame.joint == "twisting" and len(machine.lifts) > 3 and not influence.twisting:
        said.append("these lifts stand so that they cannot twist; taken for rigid")
    slack = _slack(machine, influence, tilt)
    if slack:
        said.append(
            f"if the bed's shape is the frame's racking, {' and '.join(slack)} carry next to "
            "nothing: turning them changes little until they take load; check that they do"
        )
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


def _slack(machine: Machine, influence: Influence, tilt: Tilt) -> list[str]:
    """Name the lifts that carry nothing if the bed's twist and bows at the lifts are racking."""
    frame = machine.frame
    stiff = influence.can_rack and frame.joint == "rigid"
    if frame.mass is None or frame.stiffness is None or not stiff:
        return []
    # a lift that is too high carries the gantry high there, where the bed then reads low
    raised = influence.sign * influence.racking(_shape_at_lifts(influence, tilt))
    loads = carried_loads(
        influence.positions, raised, weight=frame.mass * STANDARD_GRAVITY, stiffness=frame.stiffness
    )
    return [machine.lifts[k].name for k in loads.slack]


def _bearing(direction: Floats) -> str:
    if abs(direction[1]) < 1e-6:
        return "x"
    if abs(direction[0]) < 1e-6:
        return "y"
    angle = np.degrees(np.arctan2(direction[1], direction[0])) % 180
    return f"{angle:.0f} degrees from x"
