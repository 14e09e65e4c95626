"""Corrections: what trials have shown of the drives, in a file, and a machine put right by it."""

from pathlib import Path
from typing import Literal

import msgspec

from level.machine import Lift, Machine
from level.verify.response import Response, Verdict
from probes.errors import MachineError, RequestError

__all__ = [
    "Correction",
    "DriveNote",
    "correct_machine",
    "correction_notes",
    "note_response",
    "read_correction",
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
    """Give the machine as its drives really are.

    Parameters
    ----------
    machine : Machine
        As its file says.
    correction : Correction
        What trials have shown of it.

    Returns
    -------
    Machine
        Each lift under the name that it is commanded by, where the lift that then moves stands,
        with the travel per turn and the turning that it really has.

    Raises
    ------
    MachineError
        If a lift is stuck, it is not clear what one does, or the file is of another machine.
    """
    names = [lift.name for lift in machine.lifts]
    if sorted(note.name for note in correction.lifts) != sorted(names):
        raise MachineError(
            f"the response file is of {correction.machine!r} with the lifts "
            f"{', '.join(note.name for note in correction.lifts)}; this machine has "
            f"{', '.join(names)}"
        )
    notes = {note.name: note for note in correction.lifts}
    fixed = tuple(_correct_lift(lift, notes[lift.name], machine) for lift in machine.lifts)
    spots = [(lift.x, lift.y) for lift in fixed]
    if len(set(spots)) < len(spots):
        raise MachineError(
            "by the response file two drives move one lift; put that right, then verify again"
        )
    return msgspec.structs.replace(machine, lift=fixed)


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


def _correct_lift(lift: Lift, note: DriveNote, machine: Machine) -> Lift:
    if note.verdict == "stuck":
        raise MachineError(
            f"lift {lift.name!r} is stuck: it does not move when it is told to; free it, check its "
            "motor and coupling, then verify it again"
        )
    target = machine.named(note.answers_as) if note.answers_as else None
    if target is None or not note.factor:
        raise MachineError(
            f"it is not clear what lift {lift.name!r} does ({note.why or note.verdict}); "
            "settle that with planish verify first"
        )
    raises = lift.raises
    if note.factor < 0:
        raises = "clockwise" if lift.raises == "counterclockwise" else "counterclockwise"
    if note.factor == 1 and target is lift:
        return lift
    return msgspec.structs.replace(
        lift,
        x=target.x,
        y=target.y,
        lead=lift.travel * abs(note.factor),
        screw=None,
        belt_pitch=None,
        teeth=None,
        reduction=None,
        raises=raises,
        backlash=target.backlash,
        lock_shift=target.lock_shift,
    )
