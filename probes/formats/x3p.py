"""X3P: a zip archive with XML and binary data, ISO 25178-72. Lengths are in metres.

The archive comes from anybody, so nothing in it is trusted: only members that the XML names inside
the archive are read, sizes are bounded before and while reading, the XML is read without entities,
and every checksum that is there is checked.
"""

import io
import posixpath
from contextlib import suppress
from typing import TYPE_CHECKING, Any

import numpy as np

from probes.errors import ReadError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.numbers import finite_number
from probes.formats.options import ReadOptions
from probes.formats.remarks import remark_value
from probes.formats.sdf import LARGEST_SURFACE
from probes.formats.source import Source
from probes.run import Floats, Run

if TYPE_CHECKING:
    import zipfile
    from xml.etree.ElementTree import Element

__all__ = ["CHECKSUMS", "DATA", "DESCRIPTION", "ENDINGS", "NAME", "TYPES", "dump", "look", "parse"]

NAME = "x3p"
ENDINGS = (".x3p",)

DESCRIPTION, CHECKSUMS, DATA = "main.xml", "md5checksum.hex", "bindata/data.bin"
TYPES = {"I": np.dtype("<i2"), "L": np.dtype("<i4"), "F": np.dtype("<f4"), "D": np.dtype("<f8")}
"""Data types of an axis: 16 and 32 bit whole numbers, single and double precision."""

_MM_PER_M = 1e3
_UNEVEN = 1e-9
"""Steps that a place may stand off an even grid to be written as a surface."""

_LARGEST_XML = 4_000_000
_SPARE = 16_000_000
"""Bytes that a member may unpack to over twice the archive's size: readings hardly shrink."""


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source is an archive with the standard's description in it."""
    if options.line or not source.data.startswith(b"PK\x03\x04"):
        return Match.NO
    return Match.YES


def parse(source: Source, options: ReadOptions) -> Readings:  # noqa: ARG001 - as every format
    """Read the surface or point cloud.

    Raises
    ------
    ReadError
        If the archive is damaged, unpacks to too much, fails a checksum, or describes no surface
        that can be read.
    """
    import zipfile

    try:
        with zipfile.ZipFile(io.BytesIO(source.data)) as archive:
            return _parse(_Archive(archive, source))
    except (zipfile.BadZipFile, EOFError, NotImplementedError, RuntimeError, OSError, ValueError,
            MemoryError, OverflowError) as fault:  # fmt: skip
        raise ReadError(f"{source.name}: is a damaged archive ({_short(fault)})") from None
    except Exception as fault:
        # zlib.error and lzma's derive from Exception itself
        if type(fault).__module__ in ("zlib", "lzma", "_lzma", "_bz2"):
            raise ReadError(f"{source.name}: is a damaged archive ({_short(fault)})") from None
        raise


def _short(fault: Exception) -> str:
    return (str(fault) or type(fault).__name__)[:80]


class _Archive:
    """Reads members of an archive within limits."""

    def __init__(self, archive: "zipfile.ZipFile", source: Source) -> None:
        self._archive = archive
        self.source = source
        self.name = source.name
        self._most = 2 * len(source.data) + _SPARE

    def read(self, member: str, most: int | None = None) -> bytes:
        """Unpack one member, and no more of it than is allowed."""
        most = min(most or self._most, self._most)
        clean = posixpath.normpath(member.replace("\\", "/"))
        if clean.startswith(("/", "..")) or ":" in clean:
            raise ReadError(f"{self.name}: names {member[:60]!r}, which lies outside the archive")
        try:
            info = self._archive.getinfo(clean)
        except KeyError:
            raise ReadError(f"{self.name}: lacks {clean[:60]!r}, so is no X3P file") from None
        if info.file_size > most:
            raise ReadError(
                f"{self.name}: {clean[:60]!r} would unpack to {info.file_size:,} bytes; "
                f"{most:,} are allowed for an archive of this size"
            )
        with self._archive.open(info) as stream:
            data = stream.read(most + 1)
        if len(data) > most:
            raise ReadError(f"{self.name}: {clean[:60]!r} unpacks to more than it says")
        return data

    def has(self, member: str) -> bool:
        """Tell whether there is such a member."""
        return member in self._archive.namelist()


def _parse(archive: "_Archive") -> Readings:
    from xml.etree.ElementTree import ParseError

    import defusedxml.ElementTree as Xml
    from defusedxml.common import DefusedXmlException

    description = archive.read(DESCRIPTION, _LARGEST_XML)
    if archive.has(CHECKSUMS):
        _check_sum(description, archive.read(CHECKSUMS, 4096).split()[:1], DESCRIPTION, archive)
    try:
        root = Xml.fromstring(description, forbid_dtd=True)
    except (ParseError, DefusedXmlException, LookupError, RecursionError) as fault:
        raise ReadError(
            f"{archive.name}: {DESCRIPTION} is not XML that can be read safely ({_short(fault)})"
        ) from None
    kind = _text(root, "Record1/FeatureType", archive)
    axes = {name: _axis(root, f"C{name.upper()}", archive) for name in ("x", "y", "z")}
    if _find(root, "Record1/Axes/Rotation") is not None:
        raise ReadError(f"{archive.name}: has a rotated coordinate system, which cannot be read")
    if kind == "SUR":
        x, y, z = _surface(root, axes, archive)
    elif kind in ("PCL", "PRF"):
        x, y, z = _points(root, axes, kind, archive)
    else:
        raise ReadError(f"{archive.name}: FeatureType {kind!r} is none of SUR, PCL and PRF")
    probed = np.isfinite(z)
    return Readings(
        x[probed] * _MM_PER_M,
        y[probed] * _MM_PER_M,
        z[probed] * _MM_PER_M,
        units={"x": "mm", "y": "mm", "z": "mm"},
        about=_about(root, archive),
        holes=int((~probed).sum()),
    )


def _find(root: "Element", path: str) -> "Element | None":
    """Find an element by the names of its path, whatever namespace they are in."""
    here: Element | None = root
    for name in path.split("/"):
        if here is None:
            return None
        here = next((child for child in here if child.tag.rpartition("}")[2] == name), None)
    return here


def _text(root: "Element", path: str, archive: "_Archive", usual: str | None = None) -> str:
    element = _find(root, path)
    text = (element.text or "").strip() if element is not None else ""
    if text:
        return text
    if usual is None:
        raise ReadError(f"{archive.name}: {DESCRIPTION} lacks {path}")
    return usual


def _amount(root: "Element", path: str, archive: "_Archive", usual: str | None = None) -> float:
    text = _text(root, path, archive, usual)
    value = finite_number(text)
    if value is None:
        raise ReadError(f"{archive.name}: {path} is {text[:40]!r}, not a finite number")
    return value


def _axis(root: "Element", name: str, archive: "_Archive") -> dict[str, Any]:
    path = f"Record1/Axes/{name}"
    kind = _text(root, f"{path}/AxisType", archive)
    if kind not in ("I", "A") or (kind == "I" and name == "CZ"):
        raise ReadError(f"{archive.name}: {path}/AxisType {kind!r} is not one that can be read")
    letter = _text(root, f"{path}/DataType", archive, "D")
    if letter not in TYPES:
        raise ReadError(f"{archive.name}: {path}/DataType {letter!r} is none of I, L, F and D")
    if _amount(root, f"{path}/Increment", archive, "1") == 0:
        raise ReadError(f"{archive.name}: {path}/Increment is 0; it must be a step")
    return {
        "absolute": kind == "A",
        "type": TYPES[letter],
        "increment": _amount(root, f"{path}/Increment", archive, "1"),
        "offset": _amount(root, f"{path}/Offset", archive, "0"),
    }


def _size(root: "Element", name: str, archive: "_Archive") -> int:
    path = f"Record3/MatrixDimension/{name}"
    size = _amount(root, path, archive)
    if size != int(size) or not 1 <= size <= LARGEST_SURFACE:
        raise ReadError(
            f"{archive.name}: {path} is {size:g}; 1 to {LARGEST_SURFACE:,} points can be read"
        )
    return int(size)


def _surface(
    root: "Element", axes: dict[str, dict[str, Any]], archive: "_Archive"
) -> tuple[Floats, Floats, Floats]:
    columns, rows, layers = (_size(root, f"Size{letter}", archive) for letter in "XYZ")
    if layers != 1 or columns * rows > LARGEST_SURFACE:
        raise ReadError(
            f"{archive.name}: promises {columns} x {rows} x {layers} points; "
            f"one layer of up to {LARGEST_SURFACE:,} can be read"
        )
    if axes["x"]["absolute"] or axes["y"]["absolute"]:
        raise ReadError(f"{archive.name}: a surface with absolute x or y cannot be read")
    kind = axes["z"]["type"]
    raw = _data(root, columns * rows * kind.itemsize, archive)
    z = _scaled(np.frombuffer(raw, dtype=kind), axes["z"])
    z[~_valid(root, columns * rows, archive)] = np.nan
    x = np.tile(axes["x"]["offset"] + axes["x"]["increment"] * np.arange(columns), rows)
    y = np.repeat(axes["y"]["offset"] + axes["y"]["increment"] * np.arange(rows), columns)
    return x, y, z


def _points(
    root: "Element", axes: dict[str, dict[str, Any]], kind: str, archive: "_Archive"
) -> tuple[Floats, Floats, Floats]:
    """Read a list of points, each with a value for every absolute axis."""
    if kind == "PCL":
        count = int(_amount(root, "Record3/ListDimension", archive))
    else:
        count = _size(root, "SizeX", archive)
    if not 1 <= count <= LARGEST_SURFACE:
        raise ReadError(
            f"{archive.name}: promises {count} points; 1 to {LARGEST_SURFACE:,} can be read"
        )
    absolute = [name for name in ("x", "y", "z") if axes[name]["absolute"]]
    record = np.dtype([(name, axes[name]["type"]) for name in absolute])
    table = np.frombuffer(_data(root, count * record.itemsize, archive), dtype=record)
    found = {
        name: _scaled(table[name], axes[name])
        if name in absolute
        else axes[name]["offset"] + axes[name]["increment"] * np.arange(count)
        for name in ("x", "y", "z")
    }
    if not np.isfinite(found["x"]).all() or not np.isfinite(found["y"]).all():
        raise ReadError(f"{archive.name}: a point has no x or no y")
    return found["x"], found["y"], found["z"]


def _scaled(values: np.ndarray[Any, Any], axis: dict[str, Any]) -> Floats:
    scaled: Floats = values.astype(np.float64)
    if axis["increment"] != 1 or axis["offset"] != 0:
        scaled = scaled * axis["increment"] + axis["offset"]
    scaled[~np.isfinite(scaled)] = np.nan
    return scaled


def _data(root: "Element", expected: int, archive: "_Archive") -> bytes:
    member = _text(root, "Record3/DataLink/PointDataLink", archive)
    if expected > 2 * len(archive.source.data) + _SPARE:
        raise ReadError(
            f"{archive.name}: promises more points than an archive of its size can hold"
        )
    data = archive.read(member)
    stated = _text(root, "Record3/DataLink/MD5ChecksumPointData", archive, "")
    _check_sum(data, stated.encode().split()[:1], member, archive)
    if len(data) != expected:
        raise ReadError(
            f"{archive.name}: {member[:60]!r} holds {len(data):,} bytes where its description "
            f"promises {expected:,}"
        )
    return data


def _valid(root: "Element", count: int, archive: "_Archive") -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Read the bits that say which points are valid; all are where nothing is said."""
    member = _text(root, "Record3/DataLink/ValidPointsLink", archive, "")
    if not member or not archive.has(member):
        return np.ones(count, dtype=bool)
    data = archive.read(member)
    stated = _text(root, "Record3/DataLink/MD5ChecksumValidPoints", archive, "")
    _check_sum(data, stated.encode().split()[:1], member, archive)
    bits = np.unpackbits(np.frombuffer(data, dtype=np.uint8), bitorder="little")
    if len(bits) < count:
        raise ReadError(f"{archive.name}: {member[:60]!r} is shorter than the data it judges")
    return bits[:count].astype(bool)


def _check_sum(data: bytes, stated: list[bytes], member: str, archive: "_Archive") -> None:
    if not stated:
        return
    if stated[0].decode("ascii", "replace").lower() != _digest(data):
        raise ReadError(f"{archive.name}: {member[:60]!r} does not match its checksum; get it anew")


def _about(root: "Element", archive: "_Archive") -> dict[str, Any]:
    about: dict[str, Any] = {}
    date = _text(root, "Record2/Date", archive, "")
    if date:
        with suppress(ReadError):  # a date of the maker's own
            about["started"] = remark_value("started", date, "")
    note = _text(root, "Record2/Comment", archive, "")
    if note:
        about["note"] = note
    return about


_NAMESPACE = "http://www.opengps.eu/2008/ISO5436_2"


def dump(run: Run, ending: str) -> bytes:  # noqa: ARG001 - as every format
    """Write a run: the places as a surface where they stand on an even grid, else all touches.

    A surface holds one height for each place, the mean of its touches.
    """
    import zipfile
    from xml.sax.saxutils import escape

    grid = run.places.grid
    if grid is not None and grid.unevenness <= _UNEVEN:
        heights = grid.matrix(run.places.z) / _MM_PER_M
        data = heights.astype("<f8").tobytes()
        kind, axis = "SUR", "I"
        steps = (grid.step_x / _MM_PER_M, grid.step_y / _MM_PER_M)
        offsets = (float(grid.x[0]) / _MM_PER_M, float(grid.y[0]) / _MM_PER_M)
        size = (
            f"<MatrixDimension><SizeX>{grid.columns}</SizeX><SizeY>{grid.rows}</SizeY>"
            "<SizeZ>1</SizeZ></MatrixDimension>"
        )
    else:
        data = (np.column_stack((run.x, run.y, run.z)) / _MM_PER_M).astype("<f8").tobytes()
        kind, axis, steps, offsets = "PCL", "A", (1.0, 1.0), (0.0, 0.0)
        size = f"<ListDimension>{len(run)}</ListDimension>"
    axes = "".join(
        f"<{name}><AxisType>{way}</AxisType><DataType>D</DataType>"
        f"<Increment>{step!r}</Increment><Offset>{offset!r}</Offset></{name}>"
        for name, way, step, offset in (
            ("CX", axis, steps[0], offsets[0]),
            ("CY", axis, steps[1], offsets[1]),
            ("CZ", "A", 1.0, 0.0),
        )
    )
    date = f"<Date>{run.started.isoformat()}</Date>" if run.started else ""
    note = f"<Comment>{escape(run.note)}</Comment>" if run.note else ""
    description = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<p:ISO5436_2 xmlns:p="{_NAMESPACE}">'
        f"<Record1><Revision>ISO5436 - 2000</Revision><FeatureType>{kind}</FeatureType>"
        f"<Axes>{axes}</Axes></Record1>"
        f"<Record2>{date}{note}</Record2>"
        f"<Record3>{size}<DataLink><PointDataLink>{DATA}</PointDataLink>"
        f"<MD5ChecksumPointData>{_digest(data)}</MD5ChecksumPointData></DataLink></Record3>"
        f"<Record4><ChecksumFile>{CHECKSUMS}</ChecksumFile></Record4></p:ISO5436_2>\n"
    ).encode()
    output = io.BytesIO()
    with zipfile.ZipFile(output, "w", zipfile.ZIP_DEFLATED) as archive:
        for member, content in (
            (DESCRIPTION, description),
            (DATA, data),
            (CHECKSUMS, f"{_digest(description)} *{DESCRIPTION}\n".encode()),
        ):
            # a fixed date: the same run gives the same file
            archive.writestr(zipfile.ZipInfo(member), content, zipfile.ZIP_DEFLATED)
    return output.getvalue()


def _digest(data: bytes) -> str:
    import hashlib

    return hashlib.md5(data, usedforsecurity=False).hexdigest()
