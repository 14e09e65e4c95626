"""Comment lines ``# key: value`` that carry what belongs to a run as a whole."""

from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from probes.errors import ReadError
from probes.formats.numbers import parse_number
from probes.formats.source import Source

__all__ = ["Remarks", "find_remarks", "is_remark", "remark_value"]

_OTHER_KEYS = {"units": "unit", "z unit": "unit", "height unit": "unit", "notes": "note"}

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
    found: dict[str, Any] = {}
    known = {field.name for field in fields(Remarks)}
    position = source.data.find(b"#")
    while position >= 0:
        start = source.data.rfind(b"\n", 0, position) + 1
        end = source.data.find(b"\n", position)
        end = len(source.data) if end < 0 else end
        if not source.data[start:position].strip():
            text = source.data[position:end].decode(source.encoding, "replace")
            text = text.lstrip("# \t")
            key, colon, value = text.partition(":" if ":" in text else "=")
            key, value = key.strip().lower(), value.strip()
            key = _OTHER_KEYS.get(key, key)
            if colon and value and key in known:
                where = f"{source.at(source.line_of(position))}# {key}: "
                parsed = remark_value(key, value, where)
                if key == "note" and key in found:
                    parsed = found[key] = f"{found[key]}; {parsed}"
                if found.setdefault(key, parsed) != parsed:
                    raise ReadError(
                        f"{where}{value} contradicts {found[key]} further up; keep one of them"
                    )
        position = source.data.find(b"#", end)
    return Remarks(**found)


def remark_value(key: str, value: str, where: str) -> object:
    """Turn the text of a remark into what it means.

    Raises
    ------
    ReadError
        If a temperature is no number or a time is not ISO 8601.
    """
    if key in _TEMPERATURES:
        number = parse_number(value.removesuffix("degC").removesuffix("°C").removesuffix("C"))
        if number is None:
            raise ReadError(f"{where}{value!r} is not a temperature in degC")
        return number
    if key == "started":
        try:
            return datetime.fromisoformat(value)
        except ValueError:
            raise ReadError(
                f"{where}{value!r} is not an ISO 8601 time such as 2026-03-14T09:30"
            ) from None
    return value
