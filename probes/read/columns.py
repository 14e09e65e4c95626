"""Columns: one touch a line, with a header that names x, y and z, or three bare columns."""

import re

from probes.errors import ReadError
from probes.read.assembly import Readings, assemble
from probes.read.match import Match
from probes.read.numbers import HOLES
from probes.read.options import ReadOptions
from probes.read.remarks import find_remarks
from probes.read.source import Source
from probes.read.table import Layout, find_layout, is_numeric, rows
from probes.run import Run
from probes.units import unit_name

__all__ = ["NAME", "look", "parse"]

NAME = "columns"

_EXTRA = ("touch", "minutes", "bed", "chamber", "ambient")
_LOOK_AT = 40
_TITLE = re.compile(r"\s*\"?([^\[(\"]*?)\"?\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*")


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source holds columns."""
    layout = find_layout(source)
    sample = [cells for _, cells in _head(source, layout)]
    if _find_header(source, layout):
        return Match.YES
    if options.x or options.y or options.line:
        return Match.NO
    bare = sum(len(cells) == 3 and _has_position(cells, layout) for cells in sample)
    first_is_data = bool(sample) and _has_position(sample[0][:2], layout)
    return Match.YES if first_is_data and 2 * bare > len(sample) else Match.NO


def parse(source: Source, options: ReadOptions) -> Run:
    """Read the columns.

    Raises
    ------
    ReadError
        With the line, where a cell is not what its column holds.
    """
    layout = find_layout(source)
    header = _find_header(source, layout)
    if header:
        start, names, units = header
    else:
        start, names, units = 0, ["x", "y", "z"], {}
    where = {name: names.index(name) for name in ("x", "y", "z", *_EXTRA) if name in names}
    values: dict[str, list[float]] = {name: [] for name in where}
    holes = 0
    for number, cells in rows(source, layout):
        if number <= start:
            continue
        if len(cells) != len(names) and (not header or len(cells) <= max(where.values())):
            raise ReadError(
                f"{source.at(number)}holds {len(cells)} values where {len(names)} are expected "
                f"({', '.join(names)})"
            )
        if cells[where["z"]].lower() in HOLES - {"nan"}:
            holes += 1
            continue
        for name, index in where.items():
            value = layout.number(cells[index])
            if value is None:
                raise ReadError(
                    f"{source.at(number)}{cells[index]!r} in column {name} is not a finite number; "
                    "correct it or take the line out"
                )
            values[name].append(value)
    readings = Readings(
        values["x"],
        values["y"],
        values["z"],
        units=units,
        extra={name: values[name] for name in _EXTRA if name in values},
        holes=holes,
    )
    return assemble(readings, source, find_remarks(source), options, NAME)


def _head(source: Source, layout: Layout) -> list[tuple[int, list[str]]]:
    head = []
    for row in rows(source, layout):
        head.append(row)
        if len(head) == _LOOK_AT:
            break
    return head


def _has_position(cells: list[str], layout: Layout) -> bool:
    return len(cells) >= 2 and all(layout.number(cell) is not None for cell in cells[:2])


def _find_header(
    source: Source, layout: Layout
) -> tuple[int, list[str], dict[str, str]] | None:  # fmt: skip
    """Find the line that names x, y and z: its number, all names, and the units in brackets."""
    for number, cells in _head(source, layout):
        if is_numeric(cells, layout):
            return None
        if layout.separator == " ":
            joined = re.sub(r"\s+(?=[\[(])", "", source.lines[number - 1])
            cells = joined.split()
        if any(layout.number(cell) is not None for cell in cells):
            continue
        titles = [match.groups() for cell in cells if (match := _TITLE.fullmatch(cell))]
        names = [name.strip().lower() for name, _ in titles]
        if len(titles) == len(cells) and {"x", "y", "z"} <= set(names):
            for name in ("x", "y", "z"):
                if names.count(name) > 1:
                    raise ReadError(
                        f"{source.at(number)}column {name} is named twice; keep one of them"
                    )
            units = {
                name: unit_name(unit, where=source.at(number))
                for name, (_, unit) in zip(names, titles, strict=True)
                if unit and name in ("x", "y", "z")
            }
            return number, names, units
    return None
