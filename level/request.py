"""What is asked of a plan: what stays, what is to become flat, and which lifts may move how."""

from dataclasses import dataclass, replace
from typing import Literal, get_args

from level.machine import Lift, Machine
from probes.errors import RequestError
from probes.run import Run

__all__ = [
    "KEEP_CENTRE",
    "LEAST_MOTION",
    "LOWER_ONLY",
    "RAISE_ONLY",
    "Area",
    "Objective",
    "Request",
    "check_request",
    "reference_lift",
]

LEAST_MOTION, RAISE_ONLY, LOWER_ONLY = "least-motion", "raise-only", "lower-only"
KEEP_CENTRE = "keep-centre"
_REFERENCES = (LEAST_MOTION, RAISE_ONLY, LOWER_ONLY, KEEP_CENTRE)

Objective = Literal["least-squares", "minimum-zone"]
Area = tuple[tuple[float, float], tuple[float, float]]
"""(left, right), (front, back), mm."""

_FEWEST_IN_AREA = 4


@dataclass(frozen=True)
class Request:
    """What is asked of a plan.

    Attributes
    ----------
    reference : str
        What stays: "least-motion" (the lifts move as little as can be), "raise-only", "lower-only",
        "keep-centre" (the height of the bed's centre), or the name of a lift that is not touched.
    objective : {"least-squares", "minimum-zone"}
        Which plane of the bed is made parallel.
    area : ((left, right), (front, back)), optional
        The part of the bed that counts, mm; all of it if not given.
    locked : tuple of str
        Lifts that cannot be turned.
    together : tuple of tuple of str
        Lifts that one belt or motor moves by the same rise, besides those of the machine file.
    detent : float, optional
        Smallest turn at every lift, turns, instead of the machine file's.
    corners : bool
        Bring every lift's corner of the bed to one height, which twists the frame, instead of
        taking out the tilt only.
    """

    reference: str = LEAST_MOTION
    objective: Objective = "least-squares"
    area: Area | None = None
    locked: tuple[str, ...] = ()
    together: tuple[tuple[str, ...], ...] = ()
    detent: float | None = None
    corners: bool = False


def check_request(request: Request, machine: Machine, run: Run) -> Request:
    """Check what is asked against the machine and the run, with lifts by their names in the file.

    Raises
    ------
    RequestError
        If a lift, a reference or an objective is not known, the detent is not above zero, the area
        holds too few places, or wishes contradict one another.
    """
    if request.detent is not None and not 0 < request.detent < float("inf"):
        raise RequestError(
            f"detent {request.detent:g}: must be a number of turns above zero, as in 0.125"
        )
    if request.objective not in get_args(Objective):
        raise RequestError(
            f"objective {request.objective!r}: must be {' or '.join(get_args(Objective))}"
        )
    held = reference_lift(request, machine)
    locked = tuple(_lift(machine, name, "locked lift").name for name in request.locked)
    together = tuple(
        tuple(_lift(machine, name, "lift that moves with others").name for name in group)
        for group in request.together
    )
    if any(len(set(group)) < 2 for group in together):
        raise RequestError(
            "lifts that move together: name two or more, as in 'front left=back left'"
        )
    if set(locked) >= {lift.name for lift in machine.lifts}:
        raise RequestError("all lifts are locked, so there is nothing to turn; free one")
    if request.corners:
        _check_corners(request, machine)
    if request.area is not None:
        _check_area(request.area, run)
    return replace(
        request, reference=held.name if held else request.reference, locked=locked,
        together=together,
    )  # fmt: skip


def _check_corners(request: Request, machine: Machine) -> None:
    if len(machine.lifts) < 4:
        raise RequestError(
            f"--corners is for four lifts or more; {len(machine.lifts)} always stand in a plane, "
            "so the usual plan brings their corners to one height"
        )
    if request.locked or request.together or machine.together:
        raise RequestError(
            "--corners needs every lift to be free to move by itself; leave --locked, --together "
            "and moves_with out, or --corners"
        )
    if request.area is not None or request.objective != "least-squares":
        raise RequestError(
            "--corners takes the whole bed as it is; leave --area and --objective out"
        )


def _check_area(area: Area, run: Run) -> None:
    (left, right), (front, back) = area
    x, y = run.places.x, run.places.y
    inside = (x >= left) & (x <= right) & (y >= front) & (y <= back)
    if inside.sum() < _FEWEST_IN_AREA:
        raise RequestError(
            f"--area {left:g}:{right:g},{front:g}:{back:g} holds {inside.sum()} of the places, "
            f"which span x {x.min():g} to {x.max():g} and y {y.min():g} to {y.max():g}; take in "
            "four or more"
        )


def reference_lift(request: Request, machine: Machine) -> Lift | None:
    """Find the lift that the reference names, if it does."""
    if request.reference in _REFERENCES:
        return None
    held = machine.named(request.reference)
    if held is None:
        raise RequestError(
            f"reference {request.reference!r}: must be {', '.join(_REFERENCES)} "
            f"or one of the lifts {_names(machine)}"
        )
    return held


def _lift(machine: Machine, name: str, what: str) -> Lift:
    found = machine.named(name)
    if found is None:
        raise RequestError(f"{what} {name!r}: must be one of {_names(machine)}")
    return found


def _names(machine: Machine) -> str:
    return ", ".join(repr(lift.name) for lift in machine.lifts)
