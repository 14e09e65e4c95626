"""Units of length that readings come in, and millimetres, which is what planish works in."""

from probes.errors import ReadError

__all__ = ["MM_PER_UNIT", "mm_per", "position_unit", "unit_name", "unit_words"]

MM_PER_UNIT = {
    "mm": 1.0,
    "um": 1e-3,
    "in": 25.4,
    "thou": 0.0254,
    "uin": 25.4e-6,
}
"""Millimetres in one unit. The inch is 25.4 mm exactly (ISO 31-1, annex A); a thou is 1/1000 in."""

_OTHER_SPELLINGS = {"µm": "um", "μm": "um", "micron": "um", "microns": "um", "inch": "in",
                    "inches": "in", '"': "in", "mil": "thou", "mils": "thou", "µin": "uin",
                    "μin": "uin", "millimetre": "mm", "millimeter": "mm", "millimetres": "mm",
                    "millimeters": "mm", "micrometre": "um", "micrometer": "um",
                    "micrometres": "um", "micrometers": "um"}  # fmt: skip


def unit_words() -> tuple[str, ...]:
    """Give every spelling of every unit, the longest first."""
    return tuple(sorted((*MM_PER_UNIT, *_OTHER_SPELLINGS), key=len, reverse=True))


def unit_name(unit: str, *, where: str = "") -> str:
    """Give the usual name of a unit: a key of `MM_PER_UNIT`.

    Parameters
    ----------
    unit : str
        A unit in any usual spelling; case does not matter.
    where : str, optional
        What to put before the message, such as ``"run.csv line 3: "``.

    Raises
    ------
    ReadError
        If the unit is not known.

    Examples
    --------
    >>> unit_name("microns")
    'um'
    """
    name = unit.strip().lower()
    name = _OTHER_SPELLINGS.get(name, name)
    if name not in MM_PER_UNIT:
        known = ", ".join(MM_PER_UNIT)
        raise ReadError(f"{where}unit {unit!r} is not known; use one of {known}")
    return name


def mm_per(unit: str) -> float:
    """Give the millimetres in one `unit`.

    Examples
    --------
    >>> mm_per("thou")
    0.0254
    """
    return MM_PER_UNIT[unit_name(unit)]


def position_unit(height_unit: str) -> str:
    """Give the unit that x and y are in when only the unit of the heights is said.

    Nobody places a probe by the micrometre or by the thou: heights in mm or um go with positions
    in mm, heights in in, thou or uin with positions in inches.

    Examples
    --------
    >>> position_unit("um"), position_unit("thou")
    ('mm', 'in')
    """
    return "mm" if unit_name(height_unit) in ("mm", "um") else "in"
