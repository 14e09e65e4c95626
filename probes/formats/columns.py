"""Columns: one touch a line, with a header that names x, y and z, or three bare columns."""

import io
import re
from array import array
from dataclasses import dataclass, field

import numpy as np

from probes.errors import ReadError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.numbers import HOLES
from probes.formats.options import ReadOptions
from probes.formats.remarks import is_remark
from probes.formats.source import Source
from probes.formats.table import Layout, Row, find_layout, is_numeric, rows, sample_rows
from probes.run import Floats, Run
from probes.units import unit_name

__all__ = ["ENDINGS", "NAME", "dump", "look", "parse"]

NAME = "columns"
ENDINGS = (".csv", ".txt")

_EXTRA = ("touch", "minutes", "bed", "chamber", "ambient")
_USUAL = {
    "minutes": ("min", "minutes", "minute"),
    **dict.fromkeys(("bed", "chamber", "ambient"), ("degC", "degc", "c", "°c")),
}
"""Units that the further columns may name; they are not converted."""

_TITLE = re.compile(r"\s*\"?([^\[(\"]*?)\"?\s*(?:[\[(]\s*([^\])]*?)\s*[\])])?\s*")
_SUFFIXED = re.compile(r"(?i)([xyz])[ _](mm|um|µm|μm|in|thou|uin)")


@dataclass(frozen=True)
class _Header:
    """What the columns are called; line 0 if nothing names them."""

    line: int = 0
    names: list[str] = field(default_factory=lambda: ["x", "y", "z"])
    units: dict[str, str] = field(default_factory=dict)


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source holds columns."""
    if options.line or not source.is_text or source.is_one_object:
        return Match.NO
    layout = find_layout(source)
    if _find_header(source, layout).line:
        return Match.YES
    if options.x or options.y:
        return Match.NO
    sample = [row.cells for row in sample_rows(source, layout)]
    bare = sum(len(cells) == 3 and _has_position(cells, layout) for cells in sample)
    first_is_data = bool(sample) and _has_position(sample[0], layout)
    if not first_is_data or 2 * bare <= len(sample):
        return Match.NO
    return Match.YES if bare == len(sample) else Match.MAYBE


def parse(source: Source, options: ReadOptions) -> Readings:  # noqa: ARG001 - as every format
    """Read the columns.

    Raises
    ------
    ReadError
        With the line, where a cell is not what its column holds.
    """
    layout = find_layout(source)
    header = _find_header(source, layout)
    where = {name: header.names.index(name) for name in ("x", "y", "z", *_EXTRA)
             if name in header.names}  # fmt: skip
    table, holes = _fast(source, layout, header, where), 0
    if table is None:
        table, holes = _line_by_line(source, layout, header, where)
    values = dict(zip(where, table.T, strict=True))
    return Readings(
        values["x"],
        values["y"],
        values["z"],
        units=header.units,
        extra={name: values[name] for name in _EXTRA if name in values},
        holes=holes,
    )


def _fast(source: Source, layout: Layout, header: _Header, where: dict[str, int]) -> Floats | None:
    """Have NumPy read a table in which every cell is a plain number; None if one is not."""
    start = 0
    for _ in range(header.line):
        start = source.data.find(b"\n", start) + 1
    while source.data[start : start + 1] in (b"#", b"\n"):
        start = source.data.find(b"\n", start) + 1 or len(source.data)
    body = source.data[start:].rstrip()
    if layout.decimal_comma or b"#" in body or b'"' in body:
        return None
    own = len(header.names) > len(where)  # columns of the user's own, which may be text
    if own:
        separators = body.count(layout.separator.encode())
        if layout.separator == " " or separators != (body.count(b"\n") + 1) * (
            len(header.names) - 1
        ):
            return None
    import warnings

    stream = io.TextIOWrapper(io.BytesIO(body), source.encoding, errors="replace")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error")
            table: Floats = np.loadtxt(
                stream,
                delimiter=None if layout.separator == " " else layout.separator,
                comments=None,
                usecols=tuple(where.values()) if own else None,
                ndmin=2,
            )
    except (ValueError, UserWarning):
        return None
    if not own:
        if table.shape[1] != len(where):
            return None
        table = table[:, list(where.values())]
    # what is not finite is refused below, with its line
    return table if np.isfinite(table).all() else None


def _line_by_line(
    source: Source, layout: Layout, header: _Header, where: dict[str, int]
) -> tuple[Floats, int]:
    values = array("d")
    holes = 0
    for row in rows(source, layout):
        if row.number <= header.line:
            continue
        cells = row.cells
        while len(cells) > len(header.names) and not cells[-1]:
            cells = cells[:-1]  # a separator ends the line
        # columns of the user's own may be left empty at the end of a line
        least = max(where.values()) + 1 if header.line else 3
        if not least <= len(cells) <= len(header.names):
            raise ReadError(
                f"{source.at(row.number)}holds {len(cells)} values where {len(header.names)} are "
                f"expected ({', '.join(header.names)})"
            )
        if cells[where["z"]].lower() in HOLES - {"nan"}:
            holes += 1
            continue
        for name, index in where.items():
            value = layout.number(cells[index])
            if value is None:
                raise ReadError(
                    f"{source.at(row.number)}{cells[index][:40]!r} in column {name} is not a "
                    "finite number; correct it or take the line out"
                )
            values.append(value)
    return np.array(values, dtype=np.float64).reshape(-1, len(where)), holes


def _has_position(cells: list[str], layout: Layout) -> bool:
    return len(cells) >= 2 and all(layout.number(cell) is not None for cell in cells[:2])


def _comments(source: Source) -> list[Row]:
    """Give the comments above the data: some writers put the header there."""
    found = []
    for number, line in source.lines():
        if is_remark(line):
            text = line.strip()
            found.append(Row(number, "#" + text.rpartition(":")[2].lstrip("#"), Layout(" ", False)))
        elif line.strip():
            break
    return found


def _find_header(source: Source, layout: Layout) -> _Header:
    """Find the line that names x, y and z, with the units in brackets."""
    numbers_seen = False
    for row in (*sample_rows(source, layout), *_comments(source)):
        cells = row.cells
        if is_numeric(cells, layout):
            numbers_seen = True
            continue
        if numbers_seen and not row.text.startswith("#"):
            continue
        if layout.separator == " " or row.text.startswith("#"):
            text = re.sub(r"\s+(?=[\[(])", "", row.text.lstrip("# \t"))
            cells = re.split(r"[\s,;]+", text.strip())
        if any(cell[:1].isdigit() or layout.number(cell) is not None for cell in cells):
            continue
        titles = [
            match.groups()
            for cell in cells
            if (match := _SUFFIXED.fullmatch(cell.strip('" ')) or _TITLE.fullmatch(cell))
        ]
        names = [name.strip().lower() for name, _ in titles]
        if len(titles) == len(cells) and {"x", "y", "z"} <= set(names):
            for name in ("x", "y", "z"):
                if names.count(name) > 1:
                    raise ReadError(
                        f"{source.at(row.number)}column {name} is named twice; keep one of them"
                    )
            units = {}
            for name, (_, unit) in zip(names, titles, strict=True):
                if unit and name in ("x", "y", "z"):
                    units[name] = unit_name(unit, where=source.at(row.number))
                elif unit and unit.lower() not in _USUAL.get(name, (unit.lower(),)):
                    raise ReadError(
                        f"{source.at(row.number)}column {name} is in {unit!r}; "
                        f"give it in {_USUAL[name][0]}"
                    )
            return _Header(row.number, names, units)
    return _Header()


def dump(run: Run, ending: str) -> bytes:  # noqa: ARG001 - as every format
    """Write a run touch by touch, so that it reads back the same to the last bit."""
    lines = []
    if run.started is not None:
        lines.append(f"# started: {run.started.isoformat()}")
    for key in ("plate", "note"):
        text = getattr(run, key)
        if text is not None:
            lines.append(f"# {key}: {' '.join(text.split())}")
    names = ["x", "y", "z", *(name for name in _EXTRA if getattr(run, name) is not None)]
    lines.append(",".join(f"{name} [mm]" if name in ("x", "y", "z") else name for name in names))
    # repr gives the shortest digits that read back as the same number
    columns = [[repr(value) for value in getattr(run, name).tolist()] for name in names]
    lines += [",".join(row) for row in zip(*columns, strict=True)]
    return ("\n".join(lines) + "\n").encode()
