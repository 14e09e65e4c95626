"""Trials: what was commanded between two probings, and what a ruler at a lift read."""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from level.machine import Machine
from mesh.checks import check_run
from probes.errors import MachineError, RequestError
from probes.run import Run

__all__ = [
    "Moved",
    "Reading",
    "Trial",
    "check_readings",
    "check_single",
    "check_trials",
    "same_run",
    "same_touches",
]

Moved = Mapping[str, float | Sequence[float]]
"""Commanded rises by lift, mm, + = up: one for each lift, or several made one after the other."""


@dataclass(frozen=True, eq=False)
class Trial:
    """A move between two probings.

    Attributes
    ----------
    before, after : Run
        The probings.
    moved : mapping of str to float or sequence of float
        What was commanded in between, mm, + = up, by the name of the lift. Several rises of one
        lift were made one after the other: ``(-0.3, 0.1)`` goes down past the mark and comes
        back up, which leaves no play.
    """

    before: Run
    moved: Moved
    after: Run

    @property
    def net(self) -> dict[str, float]:
        """Sum of the commanded rises by lift, mm."""
        return {name: math.fsum(rises) for name, rises in self.rises.items()}

    @property
    def rises(self) -> dict[str, tuple[float, ...]]:
        """Commanded rises by lift, one after the other, mm."""
        return {
            name: tuple(float(rise) for rise in np.ravel(rises))
            for name, rises in self.moved.items()
        }

    def __str__(self) -> str:
        return f"{self.before.source} -> {self.after.source}"


@dataclass(frozen=True)
class Reading:
    """How far one lift rose, by a ruler, a dial indicator or the eye.

    Attributes
    ----------
    lift : str
        The lift that was commanded, alone, and measured at.
    measured : float
        Rise there, mm, + = up.
    commanded : float
        Commanded rise, mm, + = up.
    sigma : float
        Standard deviation of `measured`, mm. The eye, which tells only up, down or not at all,
        is a reading with a third of the commanded rise.
    """

    lift: str
    measured: float
    commanded: float
    sigma: float


def check_trials(
    trials: Iterable[Trial | tuple[Run, Moved, Run]], machine: Machine
) -> tuple[Trial, ...]:
    """Check trials against a machine.

    Parameters
    ----------
    trials : iterable of Trial or of (before, moved, after)
        In the order they were made.
    machine : Machine
        The machine they were made on.

    Returns
    -------
    tuple of Trial
        The same trials, with the lifts' names as the machine file writes them and the rises in
        tuples.

    Raises
    ------
    RequestError
        If a trial names an unknown lift, moves nothing, holds a rise that is no number, uses one
        run twice, or is given twice.
    MachineError, ShapeError
        If a run was not taken on this bed or carries no plane.
    """
    check_single(machine)
    checked: list[Trial] = []
    for number, given in enumerate(trials, 1):
        trial = given if isinstance(given, Trial) else Trial(*given)
        where = f"trial {number} ({trial})"
        for run in (trial.before, trial.after):
            machine.check_on_bed(run)
            check_run(run)
        if same_run(trial.before, trial.after):
            raise RequestError(
                f"{where}: before and after are the same probing; probe again after the move"
            )
        trial = Trial(trial.before, _moved(trial, machine, where), trial.after)
        for earlier, other in enumerate(checked, 1):
            pairs = ((other.before, other.after), (other.after, other.before))
            if any(same_run(trial.before, a) and same_run(trial.after, b) for a, b in pairs):
                raise RequestError(
                    f"{where}: these two runs are trial {earlier} already; give each trial once, "
                    "and probe again to repeat a move"
                )
        checked.append(trial)
    return tuple(checked)


def check_single(machine: Machine) -> None:
    """Check that every lift has a drive of its own.

    Raises
    ------
    MachineError
        If lifts move together.
    """
    if machine.together:
        names = " and ".join(machine.together[0])
        raise MachineError(
            f"{names} move together (moves_with), which planish verify cannot tell apart; measure "
            "such lifts with a ruler, and leave moves_with out of the file it is given"
        )


def check_readings(readings: Iterable[Reading], machine: Machine) -> tuple[Reading, ...]:
    """Check readings against a machine.

    Returns
    -------
    tuple of Reading
        The same, with the lifts' names as the machine file writes them.

    Raises
    ------
    RequestError
        If a reading names an unknown lift or holds an impossible number.
    """
    checked = []
    for reading in readings:
        name = _known(reading.lift, machine, "reading")
        where = f"reading at {name!r}"
        for key in ("measured", "commanded", "sigma"):
            _check_finite(getattr(reading, key), f"{where}: {key}")
        if reading.commanded == 0:
            raise RequestError(f"{where}: commanded is 0; a lift that is not moved tells nothing")
        if reading.sigma <= 0:
            raise RequestError(
                f"{where}: sigma is {reading.sigma:g}; it must be above 0, as 0.5 mm for a ruler"
            )
        checked.append(Reading(name, reading.measured, reading.commanded, reading.sigma))
    return tuple(checked)


def same_run(one: Run, other: Run) -> bool:
    """Tell whether two runs are one probing: the same object, or the same file read twice."""
    return one is other or (
        one.format != "arrays" and one.source == other.source and same_touches(one, other)
    )


def same_touches(one: Run, other: Run) -> bool:
    """Tell whether two runs hold the same touches to the last bit."""
    return len(one) == len(other) and all(
        bool((getattr(one, axis) == getattr(other, axis)).all()) for axis in ("z", "x", "y")
    )


def _moved(trial: Trial, machine: Machine, where: str) -> dict[str, tuple[float, ...]]:
    moved: dict[str, tuple[float, ...]] = {}
    for given, rises in trial.rises.items():
        name = _known(given, machine, where)
        if name in moved:
            raise RequestError(
                f"{where}: lift {name!r} is moved under two spellings; "
                "give its rises together, one after the other"
            )
        for rise in rises:
            _check_finite(rise, f"{where}: rise of {name!r}")
        moved[name] = tuple(float(rise) for rise in rises if rise)
    if not any(moved.values()):
        raise RequestError(f"{where}: moves no lift; give what was commanded, as NAME=+0.2")
    return {name: rises for name, rises in moved.items() if rises}


def _known(name: str, machine: Machine, where: str) -> str:
    lift = machine.named(name)
    if lift is None:
        names = ", ".join(repr(lift.name) for lift in machine.lifts)
        raise RequestError(f"{where}: there is no lift {name!r}; the machine file has {names}")
    return lift.name


def _check_finite(value: float, where: str) -> None:
    if not math.isfinite(value):
        raise RequestError(f"{where} is {value:g}; it must be a finite number of mm")
