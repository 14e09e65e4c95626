"""The check of a bed: how it is tilted, how flat it is, and how sure the readings are."""

from dataclasses import dataclass
from typing import TYPE_CHECKING

from mesh.checks import check_run
from mesh.estimate import DRAWS, Estimate, estimate_flatness, looks_perfect
from mesh.flatness import Flatness, flatness
from mesh.layer import SQUASH, FirstLayer, first_layer
from mesh.limits import Grade, grades_met
from mesh.noise import Noise, drift_of, find_noise
from mesh.parts import Parts, find_parts
from mesh.plate import corner_force
from mesh.shape import Shape, find_shape
from mesh.suspects import SuspectPlace, find_suspects
from mesh.tilt import Tilt, find_tilt
from probes.drift import Drift
from probes.errors import RequestError, ShapeError
from probes.quality import Suspect, find_resolution, suspect_touches
from probes.run import Places, Run

if TYPE_CHECKING:
    from collections.abc import Callable

    from level.machine import Machine
    from mesh.local import LocalFlatness
    from mesh.scan import Scan

__all__ = ["Check", "LimitCheck", "check_bed"]

FEWEST_DRAWS = 40
"""Fewer drawn beds give no bounds."""


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
    perfect : bool
        Whether noise alone on a perfect plane may look like this.
    estimate : Estimate or None
        How flat the bed is likely to be without the noise; None if the noise is not known or no
        beds were to be drawn.
    shape : Shape
        The simple forms in it.
    parts : Parts
        What screws take out, and what they cannot.
    scan : Scan or None
        What a repeat-reading gauge would show along the lines of a grid.
    local : LocalFlatness or None
        Worst and best spot for a part, if one was asked for.
    layer : FirstLayer or None
        How much of the bed a first layer forgives, if one was asked for.
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
    perfect: bool
    estimate: Estimate | None
    shape: Shape
    parts: Parts
    scan: "Scan | None"
    local: "LocalFlatness | None"
    layer: FirstLayer | None
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
    def twist_force(self) -> float | None:
        """Force at each corner that twists the plate as it is found, N, if the plate is known."""
        bed, twist = self.machine.bed if self.machine else None, self.tilt.modes.twist
        if bed is None or bed.stiffness is None or twist is None:
            return None
        modulus, poisson, thickness = bed.stiffness
        return corner_force(
            twist.value, self.tilt.width, self.tilt.depth,
            modulus=modulus, poisson=poisson, thickness=thickness,
        )  # fmt: skip

    @property
    def warnings(self) -> tuple[str, ...]:
        """What to know before leaning on the figures."""
        return (*self.run.warnings, self.tilt.warning) if self.tilt.warning else self.run.warnings

    @property
    def within(self) -> bool | None:
        """Whether all limits hold; None if none was given."""
        return all(limit.within for limit in self.limits) if self.limits else None


def check_bed(
    run: Run,
    machine: "Machine | None" = None,
    *,
    limit: float | None = None,
    layer: float | None = None,
    squash: float | None = None,
    part: tuple[float, float] | None = None,
    draws: int = DRAWS,
    progress: "Callable[[str, float], None]" = lambda _what, _done: None,
) -> Check:
    """Check a bed.

    Parameters
    ----------
    run : Run
        The probing.
    machine : Machine, optional
        Where the probe's noise and the flatness limit are taken from.
    limit : float, optional
        Largest minimum zone allowed, mm, instead of the machine file's.
    layer : float, optional
        Height of a first layer, mm, to hold the bed against.
    squash : float, optional
        Part of its height that the layer may be thinner or thicker by, if not the usual one.
    part : (float, float), optional
        Width and depth, mm, of a part to find the worst and the best spot for.
    draws : int
        Beds to draw for the interval of the flatness; 0 for none.
    progress : callable
        Is told what takes long, and the share of it that is done.

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
        If an option is out of its range.
    """
    if limit is not None and not 0 < limit < float("inf"):
        raise RequestError(f"--limit {limit:g}: must be a flatness in mm above zero, as in 0.2")
    if squash is not None and layer is None:
        raise RequestError("--squash goes with --layer, the height of the layer")
    if draws != 0 and not FEWEST_DRAWS <= draws <= 100_000:
        raise RequestError(f"--draws {draws}: must be 0 for none, or from {FEWEST_DRAWS} to 100000")
    if machine is not None:
        machine.check_on_bed(run)
        limit = limit if limit is not None else machine.limits.flatness
    check_run(run)
    places = run.places
    noise = find_noise(run, given=machine.probe.sigma if machine else None)
    tilt = find_tilt(places.x, places.y, places.z, spread=noise.spread)
    flat = flatness(places.x, places.y, places.z, plane=tilt.plane)
    perfect = looks_perfect(flat, tilt.modes, noise)
    held = None
    if layer is not None:
        allowed = SQUASH if squash is None else squash
        held = first_layer(places, tilt.plane, noise, height=layer, squash=allowed)
    limits = [] if limit is None else [LimitCheck("flatness", limit, flat.minimum_zone)]
    if held is not None:
        limits.append(LimitCheck("first layer", 2 * held.allowed, flat.minimum_zone))
    return Check(
        run=run,
        machine=machine,
        tilt=tilt,
        flatness=flat,
        noise=noise,
        perfect=perfect,
        estimate=estimate_flatness(
            places, noise, perfect=perfect, draws=draws,
            progress=lambda done: progress("drawing beds", done),
        ) if draws else None,
        shape=find_shape(places, noise),
        parts=find_parts(places, flat, tilt.modes),
        scan=_scan(places),
        local=_local(places, part, lambda done: progress("sliding the part", done)),
        layer=held,
        suspects=find_suspects(places, noise.spread, shape=tilt.modes),
        outliers=suspect_touches(run, find_resolution(run.z)),
        drift=drift_of(run, noise),
        limits=tuple(limits),
    )  # fmt: skip


def _scan(places: Places) -> "Scan | None":
    from mesh.scan import repeat_scan

    if places.grid is None:
        return None
    try:
        return repeat_scan(places.grid, places.z)
    except ShapeError:  # too few lines
        return None


def _local(
    places: Places, part: tuple[float, float] | None, progress: "Callable[[float], None]"
) -> "LocalFlatness | None":
    if part is None:
        return None
    from mesh.local import local_flatness

    return local_flatness(places, *part, progress=progress)
