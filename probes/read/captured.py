"""Captured text: a log saved from a terminal, with the readings among other lines."""

import re
from collections.abc import Iterator

from probes.errors import ReadError, RequestError
from probes.read.assembly import Readings, assemble
from probes.read.match import Match
from probes.read.numbers import NUMBER
from probes.read.options import ReadOptions
from probes.read.remarks import find_remarks, is_remark
from probes.read.source import Source
from probes.run import Run
from probes.units import unit_name

__all__ = ["NAME", "look", "parse", "template_pattern"]

NAME = "captured"

_NUMBERS = ("x", "y", "z", "touch", "minutes", "bed")
_FIELD = re.compile(r"\{([^{}]*)\}")
_ANY_VALUE = rf"(?:{NUMBER}|[-+]?(?:nan|inf(?:inity)?)\b)"
_LABELLED = re.compile(
    rf"(?<![A-Za-z_])([xyz])\s*[:=]?\s*({_ANY_VALUE})(?![\d.])"
    r"(?:\s*(mm|um|µm|μm|in|thou|uin)(?![A-Za-z]))?",
    re.IGNORECASE,
)
_NUMBER = re.compile(NUMBER)
_LONGEST = 4096
"""Characters. Longer lines are no console lines, and are passed over."""


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source is a log with labelled readings, or a template was given for it."""
    if options.line:
        return Match.YES
    return Match.YES if next(_labelled(source), None) else Match.NO


def parse(source: Source, options: ReadOptions) -> Run:
    """Read the lines that hold a touch; pass over the others and count them.

    Raises
    ------
    ReadError
        If no line holds a reading, a reading is not finite, or units differ between lines.
    RequestError
        If the template is not one.
    """
    found = _by_template(source, options.line) if options.line else _automatic(source)
    return assemble(found, source, find_remarks(source), options, NAME)


def template_pattern(template: str) -> re.Pattern[str]:
    """Turn a line template into a pattern.

    Parameters
    ----------
    template : str
        Literal text, with a field where a value stands: {x} {y} {z} {touch} {minutes} {bed}, and
        {skip} for anything. Blanks match any number of blanks, also none.

    Returns
    -------
    re.Pattern
        With a group for each field but {skip}.

    Raises
    ------
    RequestError
        If a field is unknown or named twice, or x, y or z is missing.

    Examples
    --------
    >>> template_pattern("spot {skip} | {x} / {y} -> {z}").search(
    ...     "12:01 spot no 4|  20.0/ 30.0 ->  +.125"
    ... ).groups()
    ('20.0', '30.0', '+.125')
    """
    parts: list[str] = []
    used: list[str] = []
    position = 0
    for match in _FIELD.finditer(template):
        parts.append(_literal(template[position : match.start()]))
        position = match.end()
        name = match[1].strip().lower()
        if name == "skip":
            parts.append(".*?")
            continue
        if name not in _NUMBERS:
            known = " ".join(f"{{{field}}}" for field in (*_NUMBERS, "skip"))
            raise RequestError(f"--line: field {match[0]} is not known; use {known}")
        if name in used:
            raise RequestError(f"--line: field {match[0]} stands twice; use {{skip}} for one")
        used.append(name)
        parts.append(rf"(?<![\d.])(?P<{name}>{_ANY_VALUE})(?!\d)")
    parts.append(_literal(template[position:]))
    missing = [name for name in ("x", "y", "z") if name not in used]
    if missing:
        raise RequestError(f"--line: field {{{missing[0]}}} is missing; x, y and z are needed")
    return re.compile("".join(parts), re.IGNORECASE)


def _literal(text: str) -> str:
    return r"\s*".join(re.escape(piece) for piece in re.split(r"\s+", text))


def _by_template(source: Source, template: str) -> Readings:
    pattern = template_pattern(template)
    fields = list(pattern.groupindex)
    values: dict[str, list[float]] = {name: [] for name in fields}
    passed_over = 0
    for number, line in _text_lines(source):
        match = pattern.search(line)
        if match is None:
            passed_over += 1
            continue
        for name in fields:
            values[name].append(_finite(match[name], name, source.at(number)))
    if not values["z"]:
        first = next((line.strip() for _, line in _text_lines(source)), "")
        raise ReadError(
            f"{source.name}: none of its {passed_over} lines has the shape of --line "
            f"{template!r}; the first is {first[:60]!r}"
        )
    extra = {name: values[name] for name in fields if name not in ("x", "y", "z")}
    return Readings(
        values["x"], values["y"], values["z"], extra=extra, passed_over=passed_over
    )  # fmt: skip


def _automatic(source: Source) -> Readings:
    values: dict[str, list[float]] = {"x": [], "y": [], "z": []}
    units: dict[str, str] = {}
    shapes: dict[str, int] = {}
    lines = 0
    for number, line, labels in _labelled(source):
        lines += 1
        shape = " ".join(_NUMBER.sub("#", line).split())
        shapes[shape] = shapes.get(shape, 0) + 1
        for name, (text, unit) in labels.items():
            values[name].append(_finite(text, name, source.at(number)))
            if unit:
                said = unit_name(unit)
                if units.setdefault(name, said) != said:
                    raise ReadError(
                        f"{source.at(number)}{name} is in {said} but in {units[name]} further up; "
                        "keep one unit in a run"
                    )
    if not lines:
        raise ReadError(f"{source.name}: no line holds a labelled x, y and z")
    warnings = []
    if len(shapes) > 1 and max(shapes.values()) >= 3:
        common = max(shapes, key=lambda shape: shapes[shape])
        rest = lines - shapes[common]
        warnings.append(
            f"{rest} of the {lines} readings stand in lines of another shape than {common!r}; "
            "say --line with the shape you want if they are no touches"
        )
    total = sum(1 for _ in _text_lines(source))
    return Readings(
        values["x"], values["y"], values["z"], units=units,
        passed_over=total - lines, warnings=warnings,
    )  # fmt: skip


def _labelled(source: Source) -> Iterator[tuple[int, str, dict[str, tuple[str, str]]]]:
    """Yield the lines with one labelled x, y and z each: number, line, values with units."""
    for number, line in _text_lines(source):
        if len(line) > _LONGEST:
            continue
        found = _LABELLED.findall(line)
        labels = {name.lower(): (value, unit) for name, value, unit in found}
        if len(found) == 3 and len(labels) == 3:
            yield number, line, labels


def _text_lines(source: Source) -> Iterator[tuple[int, str]]:
    for number, line in enumerate(source.lines, 1):
        if line.strip() and not is_remark(line):
            yield number, line[:_LONGEST]


def _finite(text: str, name: str, where: str) -> float:
    value = float(text.replace("−", "-"))
    if not abs(value) < float("inf"):
        raise ReadError(
            f"{where}{name} is {text}, not a finite number; take the line out or probe again"
        )
    return value
