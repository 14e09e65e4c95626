"""Captured text: a log saved from a terminal, with the readings among other lines."""

import math
import re
from array import array
from collections.abc import Iterator
from itertools import chain

import numpy as np

from probes.errors import ReadError, RequestError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.numbers import COMMA_NUMBER, NUMBER
from probes.formats.options import ReadOptions
from probes.formats.remarks import is_remark
from probes.formats.source import Source
from probes.formats.travel import check_travel
from probes.run import Floats
from probes.units import unit_name, unit_words

__all__ = ["NAME", "look", "parse", "template_pattern"]

NAME = "captured"

_NUMBERS = ("x", "y", "z", "touch", "minutes", "bed")
_FIELD = re.compile(r"\{([^{}]*)\}")
_NO_NUMBER = r"[-+]?(?i:nan|inf(?:inity)?)\b"
_UNITS = "|".join(re.escape(word) for word in unit_words() if word != "in")
_LABELLED = re.compile(
    rf"(?<![A-Za-z_])([xyz])\"?\s*[:=]?\s*({COMMA_NUMBER}|{_NO_NUMBER})"
    # not the start of something else: 1.2.3, 3/8, 12:30, 1'010, 10 %, x1=10
    r"(?!\d|[.,/:]\d|\s*['%=])"
    rf"(?:\s*[\[(]?\s*({_UNITS})(?![A-Za-z])"
    # "in" is a word as well: 0.02 in 3 tries
    r"|\s*[\[(]?\s*(in)(?=\s*(?:$|[^\w\s]|[xyz]\"?\s*[:=\d.+-]))"
    # a letter behind a number that makes no unit we know, as in 2.0cm, but for the next label
    r"|(?![a-wA-W]))",
    re.IGNORECASE,
)
_NUMBER = re.compile(COMMA_NUMBER)
_LONGEST = 4096
"""Characters. Longer lines are no console lines, and are passed over."""


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source is a log with labelled readings, or a template was given for it."""
    if not source.is_text or source.is_one_object:
        return Match.NO
    if options.line:
        return Match.YES
    for _, block in source.blocks():
        # tables of numbers, however long, are told from logs at a glance
        if ("x" in block or "X" in block) and any(map(_labels, block.split("\n"))):
            return Match.YES
    return Match.NO


def parse(source: Source, options: ReadOptions) -> Readings:
    """Read the lines that hold a touch; pass over the others and count them.

    Raises
    ------
    ReadError
        If no line holds a reading, a reading is not finite, or units differ between lines.
    RequestError
        If the template is not one.
    """
    return _by_template(source, options.line) if options.line else _automatic(source)


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
        With a group for each field but {skip}; it takes the rest of its line along.

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
        # a comma that the template itself has behind the field is no decimal sign
        comma = not template[position:].lstrip().startswith(",")
        value = COMMA_NUMBER if comma else NUMBER
        parts.append(rf"(?<![\d.])(?P<{name}>{value}|{_NO_NUMBER})(?!\d)")
    parts.append(_literal(template[position:]))
    missing = [name for name in ("x", "y", "z") if name not in used]
    if missing:
        raise RequestError(f"--line: field {{{missing[0]}}} is missing; x, y and z are needed")
    return re.compile("".join(parts) + r"[^\n]*")


def _template_units(template: str) -> dict[str, str]:
    """Give the units that a template has right behind its fields, as in {z} um."""
    found = re.findall(rf"\{{\s*([xyz])\s*\}}\s*[\[(]?({_UNITS}|in)(?![A-Za-z])", template, re.I)
    return {name.lower(): unit_name(unit) for name, unit in found}


def _literal(text: str) -> str:
    return r"[^\S\n]*".join(re.escape(piece) for piece in re.split(r"\s+", text))


def _by_template(source: Source, template: str) -> Readings:
    pattern = template_pattern(template)
    fields = list(pattern.groupindex)
    marker = _marker(source, pattern)
    units = _template_units(template)
    found: list[Floats] = []
    starts: list[int] = []
    count = lines = 0
    for first, block in source.blocks():
        text, filled = _readable(block)
        lines += filled
        # a block is cut where a line like the one before the first reading stands
        cuts = [match.start() for match in marker.finditer(text)] if marker else []
        for begin, end in zip([0, *cuts], [*cuts, len(text)], strict=True):
            if begin:
                starts.append(count)
            number = first + text.count("\n", 0, begin)
            values = _values(pattern, text[begin:end], fields, source, number)
            count += len(values)
            found.append(values)
    table = np.concatenate(found) if found else np.empty((0, len(fields)))
    if not len(table):
        line = next((line.strip() for _, line in _text_lines(source)), "")
        raise ReadError(
            f"{source.name}: none of its {lines} lines has the shape of --line "
            f"{template!r}; the first is {line[:60]!r}"
        )
    columns = dict(zip(fields, table.T, strict=True))
    return Readings(
        columns["x"],
        columns["y"],
        columns["z"],
        units=units,
        extra={name: columns[name] for name in fields if name not in ("x", "y", "z")},
        passed_over=lines - count,
        starts=starts,
    )


def _readable(block: str) -> tuple[str, int]:
    """Blank out comments and endless lines; give the text and the number of lines left."""
    lines = block.split("\n")
    passed = 0
    if "#" in block or max(map(len, lines)) > _LONGEST:
        passed = sum(len(line) > _LONGEST for line in lines)
        lines = ["" if is_remark(line) or len(line) > _LONGEST else line for line in lines]
        block = "\n".join(lines)
    blank = lines.count("") + sum(map(str.isspace, lines))
    return block, passed + len(lines) - blank


def _values(
    pattern: re.Pattern[str], text: str, fields: list[str], source: Source, first: int
) -> Floats:
    """Give the numbers of all lines of a text that match, shape (lines, fields)."""
    found = pattern.findall(text)
    try:
        values = np.fromiter(map(float, chain.from_iterable(found)), dtype=np.float64)
    except ValueError:  # a decimal comma, or a minus sign from a typesetter
        values = np.array([_number(word) for row in found for word in row])
    table: Floats = values.reshape(-1, len(fields))
    if not np.isfinite(table).all():
        for match in pattern.finditer(text):
            for name in fields:
                if not np.isfinite(_number(match[name])):
                    number = first + text.count("\n", 0, match.start())
                    raise _not_finite(match[name], name, source.at(number))
    return table


def _marker(source: Source, pattern: re.Pattern[str]) -> re.Pattern[str] | None:
    """Make a pattern of the line that stands before the first reading, if one does."""
    before = ""
    for _, line in _text_lines(source):
        if pattern.search(line):
            break
        before = line.strip()
    else:
        return None
    return _shape_pattern(before) if before else None


def _shape_pattern(line: str) -> re.Pattern[str]:
    words = (re.escape(part) for part in _NUMBER.split(line))
    return re.compile(rf"^[^\S\n]*{COMMA_NUMBER.join(words)}[^\S\n]*$", re.MULTILINE)


def _automatic(source: Source) -> Readings:
    values = {name: array("d") for name in ("x", "y", "z")}
    units: dict[str, str] = {}
    shapes: dict[str, int] = {}
    of_reading = array("l")
    starts: list[int] = []
    before, marker = "", None
    passed_over = 0
    for number, line in _text_lines(source):
        labels = _labels(line)
        if labels is None:
            passed_over += 1
            before = line.strip()
            if marker and marker.match(line):
                starts.append(len(of_reading))
            continue
        if not of_reading and before:
            marker = _shape_pattern(before)
        shape = " ".join(_NUMBER.sub("#", line).split())
        of_reading.append(shapes.setdefault(shape, len(shapes)))
        for name, (word, unit) in labels.items():
            value = _number(word)
            if not math.isfinite(value):
                raise _not_finite(word, name, source.at(number))
            values[name].append(value)
            if unit:
                said = unit_name(unit)
                if units.setdefault(name, said) != said:
                    raise ReadError(
                        f"{source.at(number)}{name} is in {said} but in {units[name]} further up; "
                        "keep one unit in a run"
                    )
    if not of_reading:
        raise ReadError(f"{source.name}: no line holds a labelled x, y and z")
    x, y, z = (np.frombuffer(values[name]) for name in ("x", "y", "z"))
    warnings = check_travel(list(shapes), np.array(of_reading), x, y, z, source.name)
    return Readings(
        x, y, z, units=units, passed_over=passed_over, starts=starts, warnings=warnings
    )  # fmt: skip


def _labels(line: str) -> dict[str, tuple[str, str]] | None:
    """Give value and unit of x, y and z, where a line holds one of each; else None."""
    if len(line) > _LONGEST or is_remark(line):
        return None
    found = _LABELLED.findall(line)
    labels = {name.lower(): (value, unit or inch) for name, value, unit, inch in found}
    return labels if len(found) == 3 and len(labels) == 3 else None


def _text_lines(source: Source) -> Iterator[tuple[int, str]]:
    for number, line in source.lines():
        if line.strip() and not is_remark(line):
            yield number, line


def _number(word: str) -> float:
    return float(word.replace("−", "-").replace(",", "."))


def _not_finite(word: str, name: str, where: str) -> ReadError:
    return ReadError(
        f"{where}{name} is {word[:40]}, not a finite number; take the line out or probe again"
    )
