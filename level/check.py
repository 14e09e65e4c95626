"""The check of a bed: how it is tilted, how flat it is, and how sure the readings are."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mesh.checks import check_run
from mesh.flatness import Flatness, flatness
from mesh.limits import Grade, grades_met
from mesh.noise import Noise, drift_of, find_noise
from mesh.suspects import SuspectPlace, find_suspects
from mesh.tilt import Tilt, find_tilt
from probes.drift import Drift
from probes.errors import RequestError
from probes.quality import Suspect, find_resolution, suspect_touches
from probes.run import Run

if TYPE_CHECKING:
    from level.machine import Machine

__all__ = ["Check", "LimitCheck", "check_bed"]


@dataclass(frozen=True)
class LimitCheck:
    """One limit: its name, what is allowed and what was found, mm."""

    name: str
    limit: float
    value: float

    @property
    def within(self) -> bool:
        """Whether the value is allowed."""
        return self.value <= self.limit * (1 + 1e-9)  # a limit met to the last digit is met


@dataclass(frozen=True, eq=False)
class Check:
    """What a run says of a bed.

    Attributes
    ----------
    run : Run
        The probing.
    machine : Machine or None
        The machine it was taken on, if known.
    tilt : Tilt
        Plane part and modes.
    flatness : Flatness
        What the plane leaves.
    noise : Noise
        How sure the readings are.
    limits : tuple of LimitCheck
        The limits that were given.
    suspects : tuple of SuspectPlace
        Places to probe again; every figure holds them all the same.
    outliers : tuple of Suspect
        Touches that stand apart from others at their place.
    drift : Drift or None
        Drift during the run; None where no place was touched again to tell it by.
    """

    run: Run
    machine: "Machine | None"
    tilt: Tilt
    flatness: Flatness
    noise: Noise
    limits: tuple[LimitCheck, ...]
    suspects: tuple[SuspectPlace, ...]
    outliers: tuple[Suspect, ...]
    drift: Drift | None

    @property
    def plate(self) -> tuple[float, float]:
        """Sides of the plate, mm: the bed's if it is known, else the probed rectangle's."""
        bed = self.machine.bed if self.machine else None
        if bed is None:
            return self.tilt.width, self.tilt.depth
        return bed.x[1] - bed.x[0], bed.y[1] - bed.y[0]

    @property
    def grades(self) -> tuple[tuple[Grade, float | None], ...]:
        """The finest surface-plate grades that the minimum zone meets, as `grades_met` has them."""
        return grades_met(self.flatness.minimum_zone, *self.plate)

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to know before leaning on the figures."""
        return (*self.run.warnings, self.tilt.warning) if self.tilt.warning else self.run.warnings

    @property
    def within(self) -> bool | None:
        """Whether all limits hold; None if none was given."""
        return all(limit.within for limit in self.limits) if self.limits else None


def check_bed(run: Run, machine: "Machine | None" = None, *, limit: float | None = None) -> Check:
    """Check a bed.

    Parameters
    ----------
    run : Run
        The probing.
    machine : Machine, optional
        Where the probe's noise and the flatness limit are taken from.
    limit : float, optional
        Largest minimum zone allowed, mm, instead of the machine file's.

    Returns
    -------
    Check
        The answers.

    Raises
    ------
    ShapeError
        If the places carry no plane.
    MachineError
        If the run was not taken on this machine's bed.
    RequestError
        If the limit is not above zero.
    """
    if limit is not None and not 0 < limit < float("inf"):
        raise RequestError(f"--limit {limit:g}: must be a flatness in mm above zero, as in 0.2")
    if machine is not None:
        machine.check_on_bed(run)
        limit = limit if limit is not None else machine.limits.flatness
    check_run(run)
    places = run.places
    flat = flatness(places.x, places.y, places.z)
    given = machine.probe.sigma if machine else None
    noise = find_noise(run, given=given)
    return Check(
        run=run,
        machine=machine,
        tilt=find_tilt(places.x, places.y, places.z, spread=noise.spread),
        flatness=flat,
        noise=noise,
        suspects=find_suspects(places, noise.spread),
        outliers=suspect_touches(run, find_resolution(run.z)),
        drift=drift_of(run, noise),
        limits=() if limit is None else (LimitCheck("flatness", limit, flat.minimum_zone),),
    )
