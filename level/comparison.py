"""Comparisons: whether beds that were probed at different times differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from mesh.change import Change, compare_all
from mesh.checks import check_run
from mesh.difference import SurfaceAt
from mesh.noise import Noise, find_noise
from probes.errors import RequestError
from probes.run import Run

if TYPE_CHECKING:
    from level.machine import Machine
    from mesh.surface import Surface

__all__ = ["Comparison", "compare_runs"]


@dataclass(frozen=True, eq=False)
class Comparison:
    """Runs compared with one another.

    Attributes
    ----------
    runs : tuple of Run
        In the order they were given.
    changes : dict of (int, int) to Change
        For each pair of run numbers, the earlier first, counted from 0.
    """

    runs: tuple[Run, ...]
    changes: dict[tuple[int, int], Change]

    @property
    def interpolated(self) -> bool:
        """Whether a surface through an earlier run stood in for places that a later one lacks."""
        return any(change.difference.surface for change in self.changes.values())

    @property
    def changed(self) -> bool:
        """Whether any pair differs."""
        return any(change.changed for change in self.changes.values())


def compare_runs(runs: Sequence[Run], machine: "Machine | None" = None) -> Comparison:
    """Compare each run with each.

    Parameters
    ----------
    runs : sequence of Run
        Two or more, in the order they were taken.
    machine : Machine, optional
        Where the probe's noise is taken from.

    Returns
    -------
    Comparison
        With 5 % false alarms over all pairs.

    Raises
    ------
    RequestError
        If there are not two runs, two are the same file, or the noise of one is not known.
    ShapeError
        If a run carries no plane, or two cannot be compared.
    MachineError
        If a run was not taken on this bed.
    """
    if len(runs) < 2:
        raise RequestError("a comparison needs two runs or more; give them in the order taken")
    for run in runs:
        if machine is not None:
            machine.check_on_bed(run)
        check_run(run)
    given = machine.probe.sigma if machine else None
    noises = [find_noise(run, given=given) for run in runs]
    changes = compare_all(
        [(run.places, noise) for run, noise in zip(runs, noises, strict=True)],
        surfaces=[_surface_through(run, noise) for run, noise in zip(runs, noises, strict=True)],
    )
    return Comparison(tuple(runs), changes)


def _surface_through(run: Run, noise: Noise) -> SurfaceAt:
    """Give a surface through a run that is fitted when it is asked for the first time."""

    @cache
    def fitted() -> "Surface":
        from mesh.surface import fit_surface

        places = run.places
        return fit_surface(
            places.x, places.y, places.z, kind="gaussian-process", noise=noise.of_places
        )

    return lambda x, y: fitted().at(x, y)
