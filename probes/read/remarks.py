"""Comment lines ``# key: value`` that carry what belongs to a run as a whole."""

from dataclasses import dataclass
from datetime import datetime

from probes.errors import ReadError
from probes.read.numbers import parse_number
from probes.read.source import Source

__all__ = ["Remarks", "find_remarks", "is_remark"]

_TEMPERATURES = ("bed", "chamber", "ambient")


@dataclass(frozen=True)
class Remarks:
    """What the comment lines say; None where they say nothing."""

    started: datetime | None = None
    bed: float | None = None
    chamber: float | None = None
    ambient: float | None = None
    plate: str | None = None
    note: str | None = None
    unit: str | None = None


def is_remark(line: str) -> bool:
    """Tell whether a line is a comment."""
    return line.lstrip().startswith("#")


def find_remarks(source: Source) -> Remarks:
    """Collect the comment lines that planish knows; others are the user's own and passed over.

    Raises
    ------
    ReadError
        If a temperature is no number, a time is not ISO 8601, or one key has two values.
    """
    found: dict[str, object] = {}
    for number, line in enumerate(source.lines, 1):
        if not is_remark(line):
            continue
        key, colon, value = line.lstrip("# \t").partition(":")
        key, value = key.strip().lower(), value.strip()
        if not colon or key not in Remarks.__dataclass_fields__ or not value:
            continue
        parsed = _value(key, value, source.at(number))
        if found.setdefault(key, parsed) != parsed:
            raise ReadError(
                f"{source.at(number)}# {key}: {value} contradicts {found[key]} further up; "
                "keep one of them"
            )
    return Remarks(**found)  # type: ignore[arg-type]


def _value(key: str, value: str, where: str) -> object:
    if key in _TEMPERATURES:
        number = parse_number(value.removesuffix("degC").removesuffix("°C").removesuffix("C"))
        if number is None:
            raise ReadError(f"{where}# {key}: {value!r} is not a temperature in degC")
        return number
    if key == "started":
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            raise ReadError(
                f"{where}# started: {value!r} is not an ISO 8601 time such as 2026-03-14T09:30"
            ) from None
    return value
