"""The last step of every reader: settles units and signs, and makes the run."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import numpy.typing as npt

from probes.errors import ReadError
from probes.formats.options import ReadOptions
from probes.formats.remarks import Remarks, find_remarks
from probes.formats.source import Source
from probes.run import Run
from probes.units import mm_per, position_unit, unit_name

__all__ = ["Readings", "assemble"]

_TINY_MM = 10.0
"""No bed is probed over so small an area on purpose."""


@dataclass(frozen=True)
class Readings:
    """What a reader took out of a source, in the source's own units.

    Attributes
    ----------
    x, y, z : array_like, shape (touches,)
        Positions and heights as they stand there.
    units : dict
        Unit of "x", "y" or "z", each a known name, where the source says it.
    extra : dict
        Further values, one per touch: touch, minutes, bed, chamber, ambient.
    about : dict
        What belongs to the run as a whole, where the format itself says it: started, plate, note,
        and temperatures.
    passed_over : int
        Lines that hold no reading.
    holes : int
        Places without a height.
    starts : sequence of int
        Touches before which the source says that a probing begins, other than the first.
    warnings : sequence of str
        What the user should know.
    """

    x: npt.ArrayLike
    y: npt.ArrayLike
    z: npt.ArrayLike
    units: Mapping[str, str] = field(default_factory=dict)
    extra: Mapping[str, npt.ArrayLike] = field(default_factory=dict)
    about: Mapping[str, Any] = field(default_factory=dict)
    passed_over: int = 0
    holes: int = 0
    starts: Sequence[int] = ()
    warnings: Sequence[str] = ()


def assemble(readings: Readings, source: Source, options: ReadOptions, format_name: str) -> Run:
    """Turn readings into a run: mm, + = high.

    Raises
    ------
    ReadError
        If two places name different units, or the values make no run.
    """
    remarks = find_remarks(source) if source.is_text else Remarks()
    height = _height_unit(readings, source, remarks, options)
    position = readings.units.get("x") or readings.units.get("y") or position_unit(height)
    other = readings.units.get("y", position)
    if other != position:
        raise ReadError(
            f"{source.name}: x is in {position} and y in {other}; give both in one unit"
        )
    if position == "in" and height == "mm" and not _says_height(readings, remarks, options):
        raise ReadError(
            f"{source.name}: x and y are in inches and z says no unit; name it in its header, as "
            "in z [in] or z [thou], or by --unit"
        )
    mm, sign = mm_per(position), 1.0 if options.high == "up" else -1.0
    x = np.asarray(readings.x, dtype=np.float64) * mm
    y = np.asarray(readings.y, dtype=np.float64) * mm
    warnings = list(readings.warnings)
    if len(x) > 2 and 0 < max(np.ptp(x), np.ptp(y)) < _TINY_MM:
        warnings.append(
            f"all places lie within {np.ptp(x):.3g} x {np.ptp(y):.3g} mm; check the unit, and if "
            "these are heights in rows, give --x and --y"
        )
    about = {
        name: getattr(remarks, name)
        for name in ("started", "bed", "chamber", "ambient", "plate", "note")
    }
    return Run(
        x=x,
        y=y,
        z=np.asarray(readings.z, dtype=np.float64) * (sign * mm_per(height)),
        source=source.name,
        format=format_name,
        passed_over=readings.passed_over,
        holes=readings.holes,
        warnings=tuple(warnings),
        **(about | dict(readings.about) | dict(readings.extra)),
    )


def _says_height(readings: Readings, remarks: Remarks, options: ReadOptions) -> bool:
    return bool(readings.units.get("z") or remarks.unit or options.unit)


def _height_unit(
    readings: Readings, source: Source, remarks: Remarks, options: ReadOptions
) -> str:  # fmt: skip
    said = {
        "the readings": readings.units.get("z"),
        "the comment # unit": remarks.unit and unit_name(remarks.unit, where=f"{source.name}: "),
        "--unit": options.unit and unit_name(options.unit),
    }
    known = [(who, unit) for who, unit in said.items() if unit]
    for who, unit in known[1:]:
        if unit != known[0][1]:
            raise ReadError(
                f"{source.name}: heights are in {known[0][1]} by {known[0][0]} "
                f"but in {unit} by {who}; keep one of them"
            )
    return known[0][1] if known else "mm"
