"""The last step of every reader: settles units and signs, and makes the run."""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from probes.errors import ReadError
from probes.read.options import ReadOptions
from probes.read.remarks import Remarks
from probes.read.source import Source
from probes.run import Run
from probes.units import MM_PER_UNIT, position_unit, unit_name

__all__ = ["Readings", "assemble"]


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
    passed_over : int
        Lines that hold no reading.
    holes : int
        Places without a height.
    warnings : sequence of str
        What the user should know.
    """

    x: npt.ArrayLike
    y: npt.ArrayLike
    z: npt.ArrayLike
    units: dict[str, str] = field(default_factory=dict)
    extra: dict[str, list[float]] = field(default_factory=dict)
    passed_over: int = 0
    holes: int = 0
    warnings: Sequence[str] = ()


def assemble(
    readings: Readings, source: Source, remarks: Remarks, options: ReadOptions, format_name: str
) -> Run:
    """Turn readings into a run: mm, + = high.

    Raises
    ------
    ReadError
        If two places name different units, or the values make no run.
    """
    height = _height_unit(readings, source, remarks, options)
    position = readings.units.get("x") or readings.units.get("y") or position_unit(height)
    other = readings.units.get("y", position)
    if other != position:
        raise ReadError(
            f"{source.name}: x is in {position} and y in {other}; "
            "give both in one unit"
        )  # fmt: skip
    mm, sign = MM_PER_UNIT[position], 1.0 if options.high == "up" else -1.0
    about: dict[str, object] = {
        name: getattr(remarks, name)
        for name in ("started", "bed", "chamber", "ambient", "plate", "note")
    }
    return Run(
        x=np.asarray(readings.x, dtype=np.float64) * mm,
        y=np.asarray(readings.y, dtype=np.float64) * mm,
        z=np.asarray(readings.z, dtype=np.float64) * (sign * MM_PER_UNIT[height]),
        source=source.name,
        format=format_name,
        passed_over=readings.passed_over,
        holes=readings.holes,
        warnings=tuple(readings.warnings),
        **(about | readings.extra),  # type: ignore[arg-type]
    )


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
