"""Which lifts to leave: those whose turn is too small, unless leaving them does harm."""

from dataclasses import replace

import numpy as np

from level.influence import Influence
from level.machine import Machine
from level.plan import SMALL, UNCERTAIN, Move
from level.stages import stages_needed
from mesh.noise import Noise
from mesh.tilt import Tilt
from probes.errors import RequestError
from probes.run import Floats

__all__ = ["is_tilted", "left_racking", "made_rises", "settle"]

_CONFIDENCE = 0.95


def settle(
    moves: tuple[Move, ...],
    machine: Machine,
    influence: Influence,
    tilt: Tilt,
    noise: Noise,
    limit: float,
) -> tuple[tuple[Move, ...], int, list[str]]:
    """Settle which lifts are left, and in how many stages the others move.

    A lift whose turn is too small is left, as the moves say, unless that would rack the frame
    beyond its limit or tilt the bed more than it is tilted now. Then the lifts left for their
    detent are turned too; if that is not enough, all lifts are, or none where the tilt as a whole
    may be noise.

    Parameters
    ----------
    moves : tuple of Move
        What each lift would do, and whether it is too little.
    machine, influence, tilt, noise
        As in the plan.
    limit : float
        Largest racking at any moment, mm.

    Returns
    -------
    moves : tuple of Move
        With `leave` settled.
    stages : int
        Equal stages to make them in.
    said : list of str
        What the user should know of it.

    Raises
    ------
    RequestError
        If no choice keeps the frame within its limit.
    """
    before = float(np.hypot(tilt.slope_x, tilt.slope_y))
    fault: RequestError | None = None
    for freed, said in _choices(moves, machine, tilt, noise, influence):
        if _slope_left(influence, tilt, freed) > before * (1 + 1e-9):
            continue
        try:
            stages = stages_needed(influence, made_rises(freed), limit)
        except RequestError as refused:
            fault = fault or refused
            continue
        return freed, stages, said
    raise fault or RequestError(
        "no choice of lifts to turn makes the bed more level; use finer detents"
    )


def _choices(
    moves: tuple[Move, ...], machine: Machine, tilt: Tilt, noise: Noise, influence: Influence
) -> list[tuple[tuple[Move, ...], list[str]]]:
    small = [move.lift for move in moves if move.why == SMALL]
    finely = (
        f"{', '.join(small)}: less than half a detent, but leaving that out would rack the frame "
        "beyond its limit or tilt the bed more; turn as finely as you can, or choose another "
        "reference"
    )
    choices = [(moves, list[str]())]
    if small:
        choices.append((_free(moves, machine, (SMALL,)), [finely]))
    if is_tilted(tilt, noise, influence):
        note = (
            "some turns are below their uncertainty, but leaving them out would rack the frame "
            "beyond its limit or tilt the bed more, so all lifts are turned"
        )
        choices.append((_free(moves, machine, (SMALL, UNCERTAIN)), [note]))
    else:
        left = tuple(move if move.leave else _left(move, UNCERTAIN) for move in moves)
        note = "the tilt as a whole may be noise, so all lifts are left; probe more places"
        choices.append((left, [note]))
    return choices


def _free(
    moves: tuple[Move, ...], machine: Machine, reasons: tuple[str, ...]
) -> tuple[Move, ...]:  # fmt: skip
    """Have lifts turned that were left for one of these reasons, where they can turn so little."""
    freed = []
    for move, lift in zip(moves, machine.lifts, strict=True):
        steps = lift.steps_per_turn and round(move.turns * lift.steps_per_turn)
        if move.why in reasons and steps != 0:
            move = replace(
                move, leave=False, why="", direction=lift.turning(move.rise), steps=steps
            )
        freed.append(move)
    return tuple(freed)


def _left(move: Move, why: str) -> Move:
    steps = None if move.steps is None else 0
    return replace(move, leave=True, why=why, direction="none", steps=steps)


def made_rises(moves: tuple[Move, ...]) -> Floats:
    """Give the rises that are made, mm: zero for a lift that is left."""
    return np.array([0.0 if move.leave else move.rise for move in moves])


def left_racking(influence: Influence, moves: tuple[Move, ...]) -> float:
    """Give the racking that the moves leave behind, mm: what the lifts that are left miss."""
    return float(np.abs(influence.racking(made_rises(moves))).max())


def _slope_left(influence: Influence, tilt: Tilt, moves: tuple[Move, ...]) -> float:
    """Slope in the middle of the probed rectangle after the moves, mm/mm."""
    (x, y), (dx, dy) = tilt.centre, (tilt.width / 2, tilt.depth / 2)
    left, right, front, back = influence.change(
        [x - dx, x + dx, x, x], [y, y, y - dy, y + dy], made_rises(moves)
    )
    return float(
        np.hypot(tilt.slope_x + (right - left) / (2 * dx), tilt.slope_y + (back - front) / (2 * dy))
    )


def is_tilted(tilt: Tilt, noise: Noise, influence: Influence) -> bool:
    """Tell whether the tilt that the lifts can take out is more than noise, as a whole (95 %).

    References
    ----------
    H. Hotelling, "The generalization of Student's ratio", Ann. Math. Stat. 2 (1931) 360-378.
    """
    ways = influence.directions
    if not noise.of_places or not len(ways):
        return True  # without noise every tilt is one
    slopes = ways @ (tilt.slope_x, tilt.slope_y)
    covariance = ways @ tilt.factor @ ways.T * noise.of_places**2
    size = float(slopes @ np.linalg.solve(covariance, slopes))
    if len(ways) == 1:
        return size > noise.reach(_CONFIDENCE) ** 2
    tail = 1 - _CONFIDENCE
    if noise.freedom is None:
        return size > -2 * float(np.log(tail))
    # the F distribution with 2 degrees above has a closed form
    return bool(size > noise.freedom * (tail ** (-2 / noise.freedom) - 1))
