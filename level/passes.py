"""Passes: whether the turns of a pass did what they were to do, and what is left to gain."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np

from level.aim import locked_rises
from level.influence import find_influence
from level.machine import Machine
from level.plan import SMALL, TurnPlan
from mesh.noise import Noise, find_noise
from mesh.tilt import Tilt, find_tilt
from probes.errors import RequestError
from probes.run import Floats, Run

__all__ = ["PassCheck", "judge_pass"]

_SURE = 0.99
_WORSE_SIGMAS = 3.0


@dataclass(frozen=True)
class PassCheck:
    """What a pass came to.

    Attributes
    ----------
    before, predicted, observed : (float, float)
        Falls along x and y before the turns, as they should have become, and as probed, mm.
    answered : bool
        Whether the difference may be noise and the coarseness of the turns (99 %).
    gain : float or None
        Observed change along the predicted one, as a part of it; None where none was predicted.
    worse : bool
        Whether the lifts are clearly more out of parallel than before (by three sigmas).
    verdict : {"go on", "stop", "verify"}
        Turn again by the next plan; nothing more to gain; find out what the lifts do first.
    why : str
        The reason.
    """

    before: tuple[float, float]
    predicted: tuple[float, float]
    observed: tuple[float, float]
    answered: bool
    gain: float | None
    worse: bool
    verdict: Literal["go on", "stop", "verify"]
    why: str


def judge_pass(
    before: Run, after: Run, machine: Machine, moved: Mapping[str, float], following: TurnPlan
) -> PassCheck:
    """Judge a pass by the probing after it.

    Parameters
    ----------
    before, after : Run
        Probings before and after the turns.
    machine : Machine
        The machine.
    moved : mapping of str to float
        How far each lift was told to rise, mm; lifts that are not named stayed.
    following : TurnPlan
        What the probing after asks for.

    Returns
    -------
    PassCheck
        The judgement.

    Raises
    ------
    RequestError
        If a lift is not known, a rise is not finite, or nothing was moved.

    Notes
    -----
    The slopes after, less those before and what the rises make of them, have the covariance of both
    probings, and of turns that are anywhere within half a detent of what was told. That they are
    nothing more is asked by Hotelling's T².
    """
    rises = _rises(moved, machine)
    tilts, covariance = [], np.zeros((2, 2))
    reach_2 = -2 * float(np.log(1 - _SURE))
    for run in (before, after):
        noise = find_noise(run, given=machine.probe.sigma)
        tilt = find_tilt(run.places.x, run.places.y, run.places.z, spread=noise.spread)
        tilts.append(tilt)
        covariance += tilt.factor * (noise.of_places or 0.0) ** 2
        reach_2 = max(reach_2, _beyond(noise))
    influence = find_influence(machine)
    by_rise = _slopes_by_rise(machine, tilts[0])
    detents = np.array([lift.smallest_turn * lift.travel for lift in machine.lifts])
    turned = np.where(rises != 0, detents, 0.0)
    covariance += by_rise @ np.diag(turned**2 / 12) @ by_rise.T
    first, last = (np.array((tilt.slope_x, tilt.slope_y)) for tilt in tilts)
    told = by_rise @ locked_rises(machine, rises)
    ways = influence.directions
    off = ways @ (last - first - told)
    spread = ways @ covariance @ ways.T
    answered = not off.size or float(off @ np.linalg.pinv(spread) @ off) <= reach_2
    size = float(told @ told)
    offset = influence.positions - influence.centre
    sizes = [float(np.ptp(offset @ slopes)) for slopes in (first, last)]
    extremes = offset[int(np.argmax(offset @ last))] - offset[int(np.argmin(offset @ last))]
    worse = sizes[1] - sizes[0] > _WORSE_SIGMAS * float(np.sqrt(extremes @ covariance @ extremes))
    verdict, why = _verdict(answered, worse, following)
    box = np.array((tilts[0].width, tilts[0].depth))
    return PassCheck(
        before=_pair(first * box),
        predicted=_pair((first + told) * box),
        observed=_pair(last * box),
        answered=answered,
        gain=float((last - first) @ told / size) if size > 0 else None,
        worse=worse,
        verdict=verdict,
        why=why,
    )


def _rises(moved: Mapping[str, float], machine: Machine) -> Floats:
    rises = np.zeros(len(machine.lifts))
    for name, rise in moved.items():
        lift = machine.named(name)
        if lift is None:
            names = ", ".join(repr(one.name) for one in machine.lifts)
            raise RequestError(f"--moved {name!r}: must name one of the lifts {names}")
        if not np.isfinite(rise):
            raise RequestError(f"--moved {name}={rise}: must be a rise in mm, as in +0.2")
        rises[machine.lifts.index(lift)] = rise
    if not rises.any():
        raise RequestError("nothing was turned between the two probings; say what with --moved")
    return rises


def _slopes_by_rise(machine: Machine, tilt: Tilt) -> Floats:
    """Slopes of the bed that a unit rise of each lift makes, shape (2, lifts)."""
    influence = find_influence(machine)
    (x, y), (dx, dy) = tilt.centre, (tilt.width / 2, tilt.depth / 2)
    acts = influence.sign * influence.at([x - dx, x + dx, x, x], [y, y, y - dy, y + dy])
    return np.stack(((acts[1] - acts[0]) / (2 * dx), (acts[3] - acts[2]) / (2 * dy)))


def _beyond(noise: Noise) -> float:
    """Squared distance that two slopes pass once in a hundred, in sigmas."""
    if noise.freedom is None:
        return -2 * float(np.log(1 - _SURE))
    # the F distribution with 2 degrees above has a closed form
    return noise.freedom * float((1 - _SURE) ** (-2 / noise.freedom) - 1)


def _verdict(
    answered: bool, worse: bool, following: TurnPlan
) -> tuple[Literal["go on", "stop", "verify"], str]:
    if worse:
        return "verify", "the lifts are more out of parallel than before"
    if not answered:
        return "verify", "the bed did not answer as the turns told it to"
    if following.turning:
        return "go on", "what is left is more than noise, and lifts can be turned so little"
    if any(move.why == SMALL for move in following.moves):
        return "stop", "what is left is less than the lifts can be turned by"
    return "stop", "what is left may be the noise of the readings"


def _pair(values: Floats) -> tuple[float, float]:
    return float(values[0]), float(values[1])
