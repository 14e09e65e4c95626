"""The machine file: the bed, the frame and its lifts, as the builder writes them in TOML."""

import difflib
import math
import tomllib
from collections.abc import Iterator
from itertools import combinations
from pathlib import Path
from typing import Any, Literal, get_args

import msgspec
import numpy as np

from level.drive import belt_lead, screw_lead
from mesh.plate import find_material
from probes.errors import MachineError
from probes.run import Floats, Run

__all__ = ["Bed", "Frame", "Lift", "Limits", "Machine", "ProbeNote", "Turning", "read_machine"]

Turning = Literal["clockwise", "counterclockwise"]

_ONE_SPOT_MM = 1.0
_OVER_EDGE_MM = 0.5
"""How far a place may lie over the bed's edge: rounding of positions, not another bed."""

_HAND_DETENT = 1 / 8


class Bed(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """The bed: its edges along x and y in mm, and what its plate is made of.

    Attributes
    ----------
    x, y : (float, float)
        Left and right, front and back edge, mm.
    plate : str, optional
        What the plate is made of; `mesh.plate` knows some materials.
    thickness : float, optional
        mm.
    expansion, modulus, poisson : float, optional
        1e-6 per K, GPa and a ratio, where the plate's name does not say them.
    """

    x: tuple[float, float]
    y: tuple[float, float]
    plate: str | None = None
    thickness: float | None = None
    expansion: float | None = None
    modulus: float | None = None
    poisson: float | None = None

    @property
    def stiffness(self) -> tuple[float, float, float] | None:
        """Modulus in GPa, Poisson's ratio and thickness in mm, if all are known."""
        known = find_material(self.plate) if self.plate else None
        modulus, poisson = self.modulus, self.poisson
        if known is not None:
            modulus = known.modulus if modulus is None else modulus
            poisson = known.poisson if poisson is None else poisson
        if modulus is None or poisson is None or self.thickness is None:
            return None
        return modulus, poisson, self.thickness


class ProbeNote(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What is known of the probe: one standard deviation of a touch, mm."""

    sigma: float | None = None


class Limits(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What the builder allows: flatness and racking, mm."""

    flatness: float | None = None
    racking: float | None = None


class Frame(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What the lifts carry, and how that gives way.

    Attributes
    ----------
    carries : {"bed", "gantry"}
        What the lifts raise.
    joint : {"rigid", "twisting"}
        Whether it can follow a twist of four or more lifts.
    mass : float, optional
        Of what is carried, kg.
    stiffness : float, optional
        Of each lift with what holds it, N/mm.
    """

    carries: Literal["bed", "gantry"]
    joint: Literal["rigid", "twisting"] = "rigid"
    mass: float | None = None
    stiffness: float | None = None


class Lift(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """One lift: where it stands, what drives it, and which way it is turned to rise.

    Attributes
    ----------
    name : str
        What the builder calls it.
    x, y : float
        Where it carries, mm.
    screw, lead, belt_pitch, teeth, reduction
        The drive: an ISO designation, or travel per turn in mm, or a belt.
    raises : {"clockwise", "counterclockwise"}
        The turn that lifts its carriage, seen from above.
    motor_steps, microsteps : int, optional
        Full steps a turn, and microsteps a step; None for a screw turned by hand.
    detent : float, optional
        Smallest move in turns, where it is not the usual one.
    backlash : float, optional
        Play between going up and going down, mm.
    lock_shift : float, optional
        How far locking it raises its carriage, mm.
    moves_with : str, optional
        Another lift that the same belt or motor moves by the same rise.
    room_up, room_down : float, optional
        How far it can still be raised and lowered from where it stands, mm.
    """

    name: str
    x: float
    y: float
    raises: Turning
    screw: str | None = None
    lead: float | None = None
    belt_pitch: float | None = None
    teeth: int | None = None
    reduction: float | None = None
    motor_steps: int | None = None
    microsteps: int | None = None
    detent: float | None = None
    backlash: float | None = None
    lock_shift: float | None = None
    moves_with: str | None = None
    room_up: float | None = None
    room_down: float | None = None

    @property
    def travel(self) -> float:
        """Travel per turn, mm."""
        if self.screw is not None:
            return screw_lead(self.screw)
        if self.lead is not None:
            return self.lead
        if self.belt_pitch is None or self.teeth is None:
            raise MachineError(
                f"lift {self.name!r} has no drive; give screw, or lead, or belt_pitch and teeth"
            )
        return belt_lead(self.belt_pitch, self.teeth, self.reduction or 1.0)

    @property
    def steps_per_turn(self) -> int | None:
        """Microsteps in one turn; None if turned by hand."""
        return None if self.motor_steps is None else self.motor_steps * (self.microsteps or 1)

    @property
    def smallest_turn(self) -> float:
        """The detent in turns: as given, else one microstep, else an eighth of a turn by hand."""
        if self.detent is not None:
            return self.detent
        return 1 / self.steps_per_turn if self.steps_per_turn else _HAND_DETENT

    def turning(self, rise: float) -> Turning | Literal["none"]:
        """Which way to turn for a rise of this sign, seen from above."""
        if rise == 0:
            return "none"
        ways = get_args(Turning)
        return self.raises if rise > 0 else ways[1 - ways.index(self.raises)]


class Machine(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """A machine, as its file says it."""

    frame: Frame
    lift: tuple[Lift, ...]
    name: str = "machine"
    bed: Bed | None = None
    probe: ProbeNote = ProbeNote()
    limits: Limits = Limits()

    @property
    def lifts(self) -> tuple[Lift, ...]:
        """The lifts, in the order of the file."""
        return self.lift

    @property
    def together(self) -> tuple[tuple[str, ...], ...]:
        """Pairs of lifts that one belt or motor moves."""
        return tuple((lift.name, lift.moves_with) for lift in self.lift if lift.moves_with)

    @property
    def positions(self) -> Floats:
        """Where the lifts stand, shape (lifts, 2), mm."""
        return np.array([(lift.x, lift.y) for lift in self.lift], dtype=np.float64)

    def named(self, name: str) -> Lift | None:
        """Find a lift by name; case does not matter."""
        wanted = name.strip().lower()
        return next((lift for lift in self.lift if lift.name.lower() == wanted), None)

    def check_on_bed(self, run: Run) -> None:
        """Check that a run was taken on this machine's bed.

        Raises
        ------
        MachineError
            With the first touch that lies outside.
        """
        if self.bed is None:
            return
        (left, right), (front, back) = self.bed.x, self.bed.y
        over = np.maximum.reduce((left - run.x, run.x - right, front - run.y, run.y - back))
        if over.max() > _OVER_EDGE_MM:
            at = int(np.argmax(over > _OVER_EDGE_MM))
            raise MachineError(
                f"{run.source}: the place at x {run.x[at]:g}, y {run.y[at]:g} lies outside the bed "
                f"of {self.name!r} (x {left:g} to {right:g}, y {front:g} to {back:g} mm); "
                "check the machine file and the unit of the readings"
            )


def read_machine(path: str | Path) -> Machine:
    """Read and check a machine file.

    Parameters
    ----------
    path : str or Path
        The TOML file.

    Returns
    -------
    Machine
        The machine, fit to be planned with.

    Raises
    ------
    MachineError
        If the file cannot be read, holds a key that is not known (the nearest is offered), lacks
        one, or describes no possible machine.
    """
    path = Path(path)
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise MachineError(
            f"{path}: there is no such machine file; `planish init` writes one, "
            "or name yours with --machine"
        ) from None
    except UnicodeDecodeError:
        raise MachineError(
            f"{path}: is not text in UTF-8, as TOML must be; save it as UTF-8"
        ) from None
    except OSError as fault:
        raise MachineError(f"{path}: cannot be opened ({fault.strerror})") from None
    try:
        content = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as fault:
        raise MachineError(f"{path.name}: is not valid TOML: {str(fault)[:200]}") from None
    try:
        _check_keys(content, Machine, "")
        machine = msgspec.convert(content, Machine)
        _check(machine)
    except msgspec.ValidationError as fault:
        raise MachineError(f"{path.name}: {_plain(str(fault))}") from None
    except MachineError as fault:
        raise MachineError(f"{path.name}: {fault}") from None
    return machine


_SECTIONS: dict[str, type[msgspec.Struct]] = {
    "bed": Bed, "probe": ProbeNote, "limits": Limits, "frame": Frame, "lift": Lift,
}  # fmt: skip


def _check_keys(content: dict[str, Any], kind: type[msgspec.Struct], where: str) -> None:
    known = list(kind.__struct_fields__)
    for key, value in content.items():
        if key not in known:
            near = difflib.get_close_matches(key, known, 1, 0.5)
            offer = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}"
            raise MachineError(f"{where}key {key!r} is not known; {offer}")
        section = _SECTIONS.get(key) if kind is Machine else None
        if section is None:
            continue
        parts = value if key == "lift" and isinstance(value, list) else [value]
        for number, part in enumerate(parts, 1):
            if isinstance(part, dict):
                here = f"lift {number}: " if key == "lift" else f"[{key}] "
                _check_keys(part, section, here)
    if kind is Machine:
        for key, example in (
            ("frame", "[frame] with carries"),
            ("lift", "a [[lift]] for each lift"),
        ):
            if key not in content:
                raise MachineError(f"has no {key}; write {example}")


_ALLOWED = {"carries": ("bed", "gantry"), "joint": ("rigid", "twisting"),
            "raises": get_args(Turning)}  # fmt: skip


def _plain(fault: str) -> str:
    """Put a complaint of the converter into the words of the file."""
    what, _, where = fault.partition(" - at `$")
    where = where.rstrip("`").strip(".")
    for number in range(1000):
        if f"lift[{number}]" in where:
            where = where.replace(f"lift[{number}]", f"lift {number + 1}")
            break
    what = what.replace("Object missing required field", "lacks the key").replace("`", "")
    what = what.replace("Expected", "must be").replace(" | null", "").replace("float", "a number")
    what = what.replace("str", "text").replace("int", "a whole number")
    what = what.replace("Invalid enum value", "does not allow")
    what = what.replace("must be array, got object", "must be written [[lift]], once for each")
    what = what.replace("must be array", "must be two numbers as in [0, 350]")
    allowed = _ALLOWED.get(where.rpartition(".")[2])
    if what.startswith("does not allow") and allowed:
        what = f"{what}; it must be {' or '.join(allowed)}"
    return f"{where.replace('.', ': ')}: {what}" if where else what


def _check(machine: Machine) -> None:
    if not machine.lift:
        raise MachineError("has no lifts; write a [[lift]] for each")
    for where, value, least in _numbers(machine):
        if value is not None and not (math.isfinite(value) and (least is None or value > least)):
            allowed = "a finite number" if least is None else f"a finite number above {least:g}"
            raise MachineError(f"{where} is {value:g}; it must be {allowed}")
    if machine.bed is not None:
        for axis, (low, high) in (("x", machine.bed.x), ("y", machine.bed.y)):
            if low >= high:
                raise MachineError(f"[bed] {axis}: the first edge must be below the second")
        if machine.bed.poisson is not None and machine.bed.poisson > 0.5:
            raise MachineError(
                f"[bed] poisson is {machine.bed.poisson:g}; no material has more than 0.5"
            )
    for lift in machine.lift:
        _check_drive(lift)
        if lift.moves_with is not None and machine.named(lift.moves_with) in (None, lift):
            raise MachineError(
                f"lift {lift.name!r}: moves_with {lift.moves_with!r} must name another lift"
            )
    for one, other in combinations(machine.lift, 2):
        if one.name.strip().lower() == other.name.strip().lower():
            raise MachineError(f"two lifts are called {one.name!r}; give each a name of its own")
        if math.hypot(one.x - other.x, one.y - other.y) <= _ONE_SPOT_MM:
            raise MachineError(
                f"lifts {one.name!r} and {other.name!r} stand at one spot "
                f"({one.x:g}, {one.y:g}); correct one of them"
            )


def _numbers(machine: Machine) -> Iterator[tuple[str, float | None, float | None]]:
    """Every number of the file: where it stands, its value, and what it must be above."""
    bed = machine.bed
    if bed is not None:
        yield from (("[bed] x", edge, None) for edge in bed.x)
        yield from (("[bed] y", edge, None) for edge in bed.y)
        yield "[bed] thickness", bed.thickness, 0.0
        yield "[bed] expansion", bed.expansion, None
        yield "[bed] modulus", bed.modulus, 0.0
        yield "[bed] poisson", bed.poisson, -1.0
    yield "[probe] sigma", machine.probe.sigma, 0.0
    yield "[limits] flatness", machine.limits.flatness, 0.0
    yield "[limits] racking", machine.limits.racking, 0.0
    yield "[frame] mass", machine.frame.mass, 0.0
    yield "[frame] stiffness", machine.frame.stiffness, 0.0
    for lift in machine.lift:
        where = f"lift {lift.name!r}: "
        yield where + "x", lift.x, None
        yield where + "y", lift.y, None
        for key in (
            "lead", "belt_pitch", "teeth", "reduction", "motor_steps", "microsteps", "detent",
            "backlash",
        ):  # fmt: skip
            yield where + key, getattr(lift, key), 0.0
        yield where + "lock_shift", lift.lock_shift, None
        for key in ("room_up", "room_down"):
            room = getattr(lift, key)
            yield where + key, room if room else None, 0.0  # none at all is allowed


def _check_drive(lift: Lift) -> None:
    where = f"lift {lift.name!r}: "
    ways = [way for way in ("screw", "lead", "belt_pitch") if getattr(lift, way) is not None]
    if len(ways) > 1:
        raise MachineError(f"{where}has {' and '.join(ways)}; keep the one that is right")
    if lift.belt_pitch is None and (lift.teeth is not None or lift.reduction is not None):
        raise MachineError(f"{where}teeth and reduction go with belt_pitch")
    if lift.microsteps is not None and lift.motor_steps is None:
        raise MachineError(
            f"{where}has microsteps but no motor_steps; leave both out for a hand screw"
        )
    if not lift.name.strip():
        raise MachineError("a lift has an empty name; call it by where it stands")
    try:
        lift.travel  # noqa: B018 - a wrong designation shows here
    except MachineError as fault:
        raise MachineError(
            f"{where}{fault}" if lift.name not in str(fault) else str(fault)
        ) from None
