"""Corrections: what trials have shown of the drives, in a file, and a machine put right by it."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Literal

import msgspec

from level.machine import Lift, Machine
from level.plan import Command, Move, StageMove, TurnPlan
from level.verify.response import Response, Verdict
from probes.errors import MachineError, RequestError

__all__ = [
    "Correction",
    "DriveNote",
    "command_plan",
    "correct_machine",
    "correction_notes",
    "note_response",
    "read_correction",
    "true_rises",
]

_SCHEMA = 1


class DriveNote(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What one drive does.

    Attributes
    ----------
    name : str
        The lift that is commanded.
    verdict : str
        As in `level.verify.verdict.LiftResponse`.
    why : str
        Why it is unclear; empty otherwise.
    answers_as : str or None
        The lift that moves.
    factor : float or None
        How far it moves for what it is told; negative if it goes the other way.
    """

    name: str
    verdict: Verdict
    why: str = ""
    answers_as: str | None = None
    factor: float | None = None


class Correction(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """What all drives of a machine do."""

    machine: str
    lifts: tuple[DriveNote, ...]
    schema: Literal[1] = 1


def note_response(response: Response, machine: Machine) -> Correction:
    """Note what trials have shown.

    Where a gain is that of a known ratio of leads or step counts, the ratio is noted, which is
    surer than the gain.
    """
    notes = []
    for lift in response.lifts:
        factor = lift.factor
        if lift.ratio is not None and lift.verdict != "stuck":
            factor = -lift.ratio if lift.reversed else lift.ratio
        notes.append(
            DriveNote(
                name=lift.name,
                verdict=lift.verdict,
                why=lift.why,
                answers_as=lift.answers_as,
                factor=factor,
            )
        )
    return Correction(machine=machine.name, lifts=tuple(notes))


def read_correction(path: str | Path) -> Correction:
    """Read a response file.

    Raises
    ------
    RequestError
        If it cannot be read, or is no response file.
    """
    path = Path(path)
    try:
        return msgspec.json.decode(path.read_bytes(), type=Correction)
    except OSError as fault:
        raise RequestError(f"{path}: cannot be read ({fault.strerror})") from None
    except (msgspec.ValidationError, msgspec.DecodeError) as fault:
        raise RequestError(
            f"{path}: is no response file ({fault}); planish verify --save writes one"
        ) from None


def correct_machine(machine: Machine, correction: Correction) -> Machine:
    """Give the machine as its lifts really move.

    Parameters
    ----------
    machine : Machine
        As its file says.
    correction : Correction
        What trials have shown of it.

    Returns
    -------
    Machine
        Each lift where it stands, with the travel, the steps and the detent of the drive that
        really moves it. A screw turned by hand has the turning that really raises it; of a motor
        that is told the other way, `command_plan` takes care.

    Raises
    ------
    MachineError
        If a lift is stuck, it is not clear what one does, or the file is of another machine.
    """
    drives = _drives(machine, correction)
    fixed = []
    for lift in machine.lifts:
        drive, factor = drives[lift.name]
        if drive is lift and factor == 1:
            fixed.append(lift)
            continue
        raises = lift.raises
        if factor < 0 and drive.motor_steps is None:
            raises = "clockwise" if lift.raises == "counterclockwise" else "counterclockwise"
        fixed.append(
            msgspec.structs.replace(
                lift,
                lead=drive.travel * abs(factor),
                screw=None,
                belt_pitch=None,
                teeth=None,
                reduction=None,
                raises=raises,
                motor_steps=drive.motor_steps,
                microsteps=drive.microsteps,
                detent=drive.detent,
            )
        )
    return msgspec.structs.replace(machine, lift=tuple(fixed))


def command_plan(plan: TurnPlan, machine: Machine, correction: Correction) -> TurnPlan:
    """Put a plan for the corrected machine into what its motors are to be told.

    Parameters
    ----------
    plan : TurnPlan
        Made for what `correct_machine` gives.
    machine : Machine
        As its file says.
    correction : Correction
        What trials have shown of it.

    Returns
    -------
    TurnPlan
        The same, with the drive to command and the rise to tell it at each motor that moves
        another lift than its own, the other way, or by another lead.
    """
    drives = _drives(machine, correction)

    def told(name: str, rise: float, steps: int | None) -> tuple[int | None, Command | None]:
        drive, factor = drives[name]
        if steps is None or (drive.name == name and factor == 1):
            return steps, None
        signed = -steps if factor < 0 else steps
        return signed, Command(drive=drive.name, rise=rise / factor)

    def move_of(move: Move) -> Move:
        steps, command = told(move.lift, move.made, move.steps)
        return replace(move, steps=steps, command=command)

    def part_of(part: StageMove) -> StageMove:
        steps, command = told(part.lift, part.rise, part.steps)
        return replace(part, steps=steps, command=command)

    return replace(
        plan,
        moves=tuple(map(move_of, plan.moves)),
        stages=tuple(
            replace(stage, moves=tuple(map(part_of, stage.moves))) for stage in plan.stages
        ),
    )


def true_rises(
    told: Mapping[str, float], machine: Machine, correction: Correction
) -> dict[str, float]:
    """Give how far the lifts really rise for what their drives are told, mm."""
    rises = {
        lift: told_rise * factor
        for lift, (drive, factor) in _drives(machine, correction).items()
        for name, told_rise in told.items()
        if machine.named(name) is drive
    }
    unknown = [name for name in told if machine.named(name) is None]
    return rises | {name: told[name] for name in unknown}  # said where rises are checked


def _drives(machine: Machine, correction: Correction) -> dict[str, tuple[Lift, float]]:
    """Of each lift, by its name: the drive that moves it, and its rise for a rise that is told."""
    names = [lift.name for lift in machine.lifts]
    if sorted(note.name for note in correction.lifts) != sorted(names):
        raise MachineError(
            f"the response file is of {correction.machine!r} with the lifts "
            f"{', '.join(note.name for note in correction.lifts)}; this machine has "
            f"{', '.join(names)}"
        )
    drives: dict[str, tuple[Lift, float]] = {}
    for note in correction.lifts:
        drive = machine.named(note.name)
        if note.verdict == "stuck":
            raise MachineError(
                f"lift {note.name!r} is stuck: it does not move when it is told to; free it, check "
                "its motor and coupling, then verify it again"
            )
        target = machine.named(note.answers_as) if note.answers_as else None
        if drive is None or target is None or not note.factor:
            raise MachineError(
                f"it is not clear what lift {note.name!r} does ({note.why or note.verdict}); "
                "settle that with planish verify first"
            )
        if target.name in drives:
            raise MachineError(
                "by the response file two drives move one lift; put that right, then verify again"
            )
        drives[target.name] = (drive, note.factor)
    return drives


def correction_notes(machine: Machine, correction: Correction) -> tuple[str, ...]:
    """Say what the corrections come to, drive by drive that is not as the machine file says."""
    notes = []
    for note in correction.lifts:
        lift = machine.named(note.name)
        if (
            lift is None
            or note.factor is None
            or (note.factor == 1 and note.answers_as == note.name)
        ):
            continue
        what = [] if note.answers_as == note.name else [f"moves the lift {note.answers_as}"]
        what += ["turns the other way"] if note.factor < 0 else []
        if abs(note.factor) != 1:
            what.append(f"travels {lift.travel * abs(note.factor):.3g} mm a turn")
        notes.append(f"by the response file, the drive {note.name} {', '.join(what)}")
    return tuple(notes)
