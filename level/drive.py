"""Drives: how far a lift moves in one turn of its screw or pulley.

Lead is pitch times starts. A screw is named by its ISO designation: ``M4`` (coarse pitch of
ISO 261), ``M4x0.5``, ``Tr10x2`` (ISO 2904), ``Tr8x8(P2)`` (lead 8 mm, pitch 2 mm, so four starts).
"""

import re

from probes.errors import MachineError

__all__ = ["COARSE_PITCH_MM", "belt_lead", "screw_lead"]

COARSE_PITCH_MM = {
    1.6: 0.35, 2.0: 0.4, 2.5: 0.45, 3.0: 0.5, 3.5: 0.6, 4.0: 0.7, 5.0: 0.8, 6.0: 1.0, 8.0: 1.25,
    10.0: 1.5, 12.0: 1.75, 14.0: 2.0, 16.0: 2.0, 20.0: 2.5, 24.0: 3.0,
}  # fmt: skip
"""Coarse pitch of metric threads by nominal diameter, mm (ISO 261 and ISO 262)."""

LARGEST_LEAD_MM = 200.0
"""No leadscrew in the trade moves farther in a turn; common practice, no source."""

_NUMBER = r"(\d+(?:[.,]\d+)?)"
_CLASS = r"(?:\s*-\s*\d[A-Za-z]\w*)?(?:\s*-?\s*(?:LH|RH))?"
_METRIC = re.compile(
    rf"M\s*{_NUMBER}(?:\s*[x×]\s*(?:Ph\s*{_NUMBER}\s*P\s*{_NUMBER}|{_NUMBER}))?{_CLASS}",
    re.IGNORECASE,
)
_TRAPEZOIDAL = re.compile(
    rf"Tr\s*{_NUMBER}\s*[x×]\s*{_NUMBER}(?:\s*\(\s*P\s*{_NUMBER}\s*\))?{_CLASS}",
    re.IGNORECASE,
)


def screw_lead(designation: str) -> float:
    """Give the lead of a screw by its ISO designation.

    Parameters
    ----------
    designation : str
        Such as ``M4``, ``M4x0.5``, ``M16xPh3P1.5``, ``Tr10x2`` or ``Tr8x8(P2)``; a tolerance
        class or hand behind it is not looked at.

    Returns
    -------
    float
        Travel per turn, mm.

    Raises
    ------
    MachineError
        If it is no designation, has no coarse pitch, or its lead is no multiple of its pitch.

    References
    ----------
    ISO 261, ISO 262, ISO 965-1 (metric, multiple start); ISO 2904 (trapezoidal).

    Examples
    --------
    >>> screw_lead("M4"), screw_lead("Tr8x8(P2)"), screw_lead("Tr 60 x 18 (P9)")
    (0.7, 8.0, 18.0)
    """
    text = designation.strip()
    match = _TRAPEZOIDAL.fullmatch(text)
    if match:
        _, lead, pitch = (_value(group) for group in match.groups())
    else:
        match = _METRIC.fullmatch(text)
        if not match:
            raise MachineError(
                f"screw {designation!r} is no ISO designation; write it as M4, M4x0.5, Tr10x2 or "
                "Tr8x8(P2), or give lead in mm"
            )
        diameter, lead, pitch, fine = (_value(group) for group in match.groups())
        if lead is None:
            lead = COARSE_PITCH_MM.get(diameter or 0.0) if fine is None else fine
        if lead is None:
            raise MachineError(
                f"screw {designation!r}: no coarse pitch is known for this diameter; "
                "write the pitch too, as in M4x0.5, or give lead in mm"
            )
    if not lead or pitch == 0:
        raise MachineError(f"screw {designation!r}: lead and pitch must be above zero")
    if lead > LARGEST_LEAD_MM:
        raise MachineError(
            f"screw {designation!r}: a lead of {lead:g} mm is no screw's; "
            f"up to {LARGEST_LEAD_MM:g} is known"
        )
    starts = lead / pitch if pitch else 1.0
    if abs(starts - round(starts)) > 1e-9:
        raise MachineError(
            f"screw {designation!r}: the lead {lead:g} is no whole multiple of the pitch {pitch:g}"
        )
    return lead


def belt_lead(belt_pitch: float, teeth: float, reduction: float = 1.0) -> float:
    """Give the travel of a belt in one turn of the motor.

    Parameters
    ----------
    belt_pitch : float
        Distance of the belt's teeth, mm.
    teeth : float
        Teeth of the pulley the belt runs on.
    reduction : float
        Turns of the motor for one turn of the pulley.

    Examples
    --------
    >>> belt_lead(2, 20), belt_lead(2, 20, 4)
    (40.0, 10.0)
    """
    return belt_pitch * teeth / reduction


def _value(text: str | None) -> float | None:
    return None if text is None else float(text.replace(",", "."))
