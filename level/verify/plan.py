"""Trial plans: the fewest moves and probings that show what every lift does when it is told."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

from level.cautions import CAUTIONS
from level.influence import Influence, find_influence, racking_limit
from level.machine import Lift, Machine, Turning
from level.verify.changes import Datum, observer, unit_changes
from level.verify.design import (
    LARGEST,
    Design,
    designs,
    gain_sigmas,
    play_steps,
)
from level.verify.trials import check_single
from mesh.checks import check_places
from mesh.plane import fit_plane
from probes.errors import MachineError, RequestError
from probes.run import Floats

__all__ = ["Command", "TrialPlan", "TrialStep", "plan_trials"]

TAKE_UP = 0.05
"""How far a lift that comes down goes past its mark, mm, to come to it upwards: as much as the
play of a usual screw. Common practice, no source."""

_LEAST_SURE = 0.2
"""Gains known worse than this do not tell good from stuck and reversed for sure."""

_MOST_ROUNDS = 20


@dataclass(frozen=True)
class Command:
    """One move of one lift.

    Attributes
    ----------
    lift : str
        Its name.
    rise : float
        Rise, mm; negative lowers.
    turns : float
        The rise in turns of the drive.
    direction : {"clockwise", "counterclockwise", "none"}
        Which way to turn, seen from above, if the drive does as the machine file says.
    travel : float
        Rise of one turn, mm.
    """

    lift: str
    rise: float
    turns: float
    direction: Turning | Literal["none"]
    travel: float


@dataclass(frozen=True, eq=False)
class TrialStep:
    """Moves, and what the probing after them should show.

    Attributes
    ----------
    commands : tuple of Command
        The moves one after the other.
    moved : dict of str to tuple of float
        The same as `read_response` takes it: rises of each lift, one after the other, mm.
    fall_x, fall_y : float
        Change since the last probing of the fall over the places along x and y if all lifts are
        good, mm.
    height : float
        Change of the height in the middle of the places, mm; it shows with a fixed datum only.
    sigma_x, sigma_y : float
        Standard deviations of the two falls, mm.
    """

    commands: tuple[Command, ...]
    moved: dict[str, tuple[float, ...]]
    fall_x: float
    fall_y: float
    height: float
    sigma_x: float
    sigma_y: float


@dataclass(frozen=True, eq=False)
class TrialPlan:
    """A plan of trials: `before`, a probing, then each step with a probing, then `home`.

    Attributes
    ----------
    kind : {"one by one", "weighing"}
        Each lift up and back alone; or all lifts up or down at once in patterns, which tells more
        with as many probings, where the frame bears it.
    before : tuple of Command
        Moves before the first probing: each lift down and up again, to take up its play.
    steps : tuple of TrialStep
        The steps in order.
    home : tuple of Command
        Moves after the last probing, that bring all lifts back.
    rounds : int
        How often each lift is tried.
    gain_sigmas : dict of str to float or None
        Standard deviation to which each lift's gain will be known; None for a lift whose rise
        does not show in what is probed.
    racking_worst : float
        Largest racking at any moment, whichever lifts really move and whichever way, mm.
    racking_limit : float
        What is allowed, mm.
    warnings, cautions : tuple of str
        What to know, and what to take care of.
    """

    kind: Literal["one by one", "weighing"]
    before: tuple[Command, ...]
    steps: tuple[TrialStep, ...]
    home: tuple[Command, ...]
    rounds: int
    gain_sigmas: dict[str, float | None]
    racking_worst: float
    racking_limit: float
    warnings: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS

    @property
    def probings(self) -> int:
        """Number of probings, the first included."""
        return len(self.steps) + 1

    @property
    def lead_margin(self) -> float:
        """How many times longer than written a lead may be before racking passes its limit."""
        return self.racking_limit / self.racking_worst if self.racking_worst else float("inf")


def plan_trials(
    machine: Machine,
    *,
    x: npt.ArrayLike,
    y: npt.ArrayLike,
    sigma: float | None = None,
    gain_sigma: float = 0.05,
    datum: Datum = "bed",
    largest: float = LARGEST,
    take_up: float = TAKE_UP,
) -> TrialPlan:
    """Plan trials that show what every lift does.

    Parameters
    ----------
    machine : Machine
        The machine.
    x, y : array_like, shape (n,)
        Places that each probing will touch, mm.
    sigma : float, optional
        Standard deviation of a touch, mm; the machine file's if not given.
    gain_sigma : float
        Wanted standard deviation of each gain, above 0 and up to 0.2.
    datum : {"bed", "fixed"}
        Whether heights count from the bed itself, or from something that the lifts do not move.
    largest : float
        No lift goes farther from where it stands, mm.
    take_up : float
        How far a lift that comes down goes past its mark, mm, to come to it upwards.

    Returns
    -------
    TrialPlan
        With the fewest probings, and of these the smallest moves; a detent too coarse for the
        wanted figure is said in the warnings.

    Raises
    ------
    RequestError
        If a number is impossible, sigma is not known, or no plan within the limits gets there.
    MachineError
        If no lift's rise shows in what is probed.
    ShapeError
        If the places carry no plane.

    References
    ----------
    H. Hotelling, "Some improvements in weighing and other experimental techniques", Ann. Math.
    Stat. 15 (1944) 297-306. A. M. Mood, "On Hotelling's weighing problem", Ann. Math. Stat. 17
    (1946) 432-446.

    Examples
    --------
    >>> from level.scenario import demo_machine
    >>> x, y = (axis.ravel() for axis in np.meshgrid([20, 175, 330], [20, 175, 330]))
    >>> plan = plan_trials(demo_machine(), x=x, y=y)
    >>> plan.kind, plan.probings, plan.steps[1].moved
    ('one by one', 5, {'front left': (-0.16, 0.05), 'front right': (0.11,)})
    """
    check_single(machine)
    if datum not in get_args(Datum):
        raise RequestError(f"datum {datum!r}: must be one of {', '.join(get_args(Datum))}")
    sigma = _checked(machine, sigma, gain_sigma, largest, take_up)
    influence = find_influence(machine)
    xs, ys, _ = check_places(x, y, np.zeros(np.size(x)))
    seeing = observer(influence, xs, ys, datum)
    noise = sigma**2 * (seeing @ seeing.T)
    per_unit = unit_changes(influence, influence, datum)
    if not np.abs(per_unit).max(initial=0.0) > _SHOWS:
        raise MachineError(
            "no lift's rise tilts what is probed; measure rises with a ruler at each lift, "
            "or probe with a datum off the bed"
        )
    past = play_steps(machine, take_up)
    design, rounds, rise = _choose(machine, influence, largest, past, per_unit, noise, gain_sigma)
    rises = _rounded(machine, rise, design.cap)
    stands = design.stands(rounds) * rises
    shown = gain_sigmas(stands, per_unit, noise)
    far = float(max(rises.max(), past.max()))
    if design.kind == "weighing":
        far = float(rises.max() + past.max())
    return TrialPlan(
        kind=design.kind,
        before=_play_taken_up(machine, past) + _moves(machine, 0 * rises, stands[0], past),
        steps=_steps(machine, influence, stands, past, xs, ys, sigma),
        home=_moves(machine, stands[-1], 0 * rises, past),
        rounds=rounds,
        gain_sigmas={
            lift.name: float(each) if np.isfinite(each) else None
            for lift, each in zip(machine.lifts, shown, strict=True)
        },
        racking_worst=far * design.racking,
        racking_limit=racking_limit(machine, influence),
        warnings=_warnings(machine, shown, gain_sigma),
    )


_SHOWS = 1e-9


def _checked(
    machine: Machine, sigma: float | None, gain_sigma: float, largest: float, take_up: float
) -> float:
    sigma = machine.probe.sigma if sigma is None else sigma
    if sigma is None:
        raise RequestError(
            "the probe's repeatability is not known; set [probe] sigma in the machine file, "
            "or measure it"
        )
    for name, value in (("sigma", sigma), ("largest", largest)):
        if not 0 < value < float("inf"):
            raise RequestError(f"{name} is {value:g}; it must be a number of mm above 0")
    if not 0 <= take_up < float("inf"):
        raise RequestError(f"take_up is {take_up:g}; it must be a number of mm, 0 or more")
    if not 0 < gain_sigma <= _LEAST_SURE:
        raise RequestError(
            f"the sigma wanted of a gain (--gain-sigma) is {gain_sigma:g}; it must be above 0 and "
            f"up to {_LEAST_SURE:g}, "
            "beyond which good and stuck are not told apart for sure"
        )
    return sigma


def _choose(
    machine: Machine,
    influence: Influence,
    largest: float,
    past: Floats,
    per_unit: Floats,
    noise: Floats,
    gain_sigma: float,
) -> tuple[Design, int, float]:
    """Choose the design with the fewest probings, its rounds and its rise, mm."""
    shows = np.abs(per_unit).max(axis=0) > _SHOWS
    offered = designs(machine, influence, largest=largest, past=float(past.max()))
    if not offered:
        raise RequestError(
            f"going {past.max():g} mm past a mark, to take up play, racks the frame by more than "
            f"{racking_limit(machine, influence):g} mm; ask for less take_up or a finer detent, "
            "or raise [limits] racking if the frame can bear more"
        )
    fits: list[tuple[int, int, Design, int, float]] = []
    nearest = float("inf")
    for number, design in enumerate(offered):
        for rounds in range(1, _MOST_ROUNDS + 1):
            stands = design.cap * design.stands(rounds)
            reached = float(gain_sigmas(stands[:, shows], per_unit[:, shows], noise).max())
            nearest = min(nearest, reached)
            if reached <= gain_sigma:
                fits.append(
                    (len(stands), number, design, rounds, design.cap * reached / gain_sigma)
                )
                break
    if not fits:
        raise RequestError(
            f"gains cannot be known to {gain_sigma:g} within {_MOST_ROUNDS} rounds of moves that "
            f"the frame bears, only to {nearest:.2g}; probe more places, ask for less with "
            "--gain-sigma, or raise "
            "[limits] racking if it can bear more"
        )
    *_, design, rounds, rise = min(fits, key=lambda fit: fit[:2])
    return design, rounds, rise


def _rounded(machine: Machine, rise: float, cap: float) -> Floats:
    """Round a rise up to whole detents of each lift, or down where that is too far."""
    rises = []
    for lift in machine.lifts:
        detent = lift.smallest_turn * lift.travel
        count = np.ceil(rise / detent - 1e-9)
        if count * detent > cap * (1 + 1e-9):
            count = np.floor(cap / detent + 1e-9)
        if count < 1:
            raise RequestError(
                f"lift {lift.name!r}: one detent is {detent:.3g} mm, and only {cap:.3g} mm is safe "
                "to try; turn it more finely (detent), or raise [limits] racking if the frame can "
                "bear more"
            )
        rises.append(count * detent)
    return np.array(rises)


def _steps(
    machine: Machine,
    influence: Influence,
    stands: Floats,
    past: Floats,
    x: Floats,
    y: Floats,
    sigma: float,
) -> tuple[TrialStep, ...]:
    width, depth = float(np.ptp(x)), float(np.ptp(y))
    middle = np.array(((x.min() + x.max()) / 2, (y.min() + y.max()) / 2))
    spots = middle + np.array([(0, 0), (width, 0), (-width, 0), (0, depth), (0, -depth)]) / 2
    # the difference of two probings has twice the variance of one
    slopes = np.sqrt(2 * np.diag(fit_plane(x, y, 0 * x).covariance(sigma))[1:])
    steps = []
    for start, end in pairwise(stands):
        commands = _moves(machine, start, end, past)
        height, right, left, back, front = influence.change(spots[:, 0], spots[:, 1], end - start)
        steps.append(
            TrialStep(
                commands=commands,
                moved=_moved(commands),
                fall_x=float(right - left),
                fall_y=float(back - front),
                height=float(height),
                sigma_x=float(slopes[0]) * width,
                sigma_y=float(slopes[1]) * depth,
            )
        )
    return tuple(steps)


def _play_taken_up(machine: Machine, past: Floats) -> tuple[Command, ...]:
    """Have each lift come up to where it stands, so that its play is on one side from the start."""
    return tuple(
        _move(lift, rise)
        for lift, far in zip(machine.lifts, past, strict=True)
        if far
        for rise in (-far, far)
    )


def _moves(machine: Machine, start: Floats, end: Floats, past: Floats) -> tuple[Command, ...]:
    """Move from one stand to another: what comes down first, past its mark and back up."""
    moves = []
    for k in np.argsort(end - start, kind="stable"):
        lift, rise = machine.lifts[k], float(end[k] - start[k])
        if rise < 0 and past[k]:
            moves += [_move(lift, rise - past[k]), _move(lift, past[k])]
        elif rise:
            moves.append(_move(lift, rise))
    return tuple(moves)


def _move(lift: Lift, rise: float) -> Command:
    return Command(
        lift=lift.name,
        rise=float(rise),
        turns=float(rise / lift.travel),
        direction=lift.turning(rise),
        travel=lift.travel,
    )


def _moved(commands: Sequence[Command]) -> dict[str, tuple[float, ...]]:
    moved: dict[str, tuple[float, ...]] = {}
    for command in commands:
        moved[command.lift] = (*moved.get(command.lift, ()), command.rise)
    return moved


def _warnings(machine: Machine, shown: Floats, wanted: float) -> tuple[str, ...]:
    said = []
    names = [lift.name for lift in machine.lifts]
    hidden = [name for name, each in zip(names, shown, strict=True) if not np.isfinite(each)]
    if hidden:
        said.append(
            f"{', '.join(hidden)}: a rise there does not show in what is probed; "
            "measure it with a ruler or a dial indicator"
        )
    worst = float(shown[np.isfinite(shown)].max())
    if worst > wanted * (1 + 1e-6):
        said.append(
            f"detents are too coarse for more: gains will be known to {worst:.2g}, "
            f"not to {wanted:g}"
        )
    return tuple(said)
