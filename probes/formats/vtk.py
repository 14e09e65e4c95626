"""VTK files and PLY: the points of a mesh, read by pyvista.

VTK's readers were not made for damaged files and may end the whole process on one, so they run in
a process of their own, with bounded memory and time.
"""

import io
import os
import re
import sys
from pathlib import Path

import numpy as np

from probes.errors import ReadError
from probes.formats.assembly import Readings
from probes.formats.match import Match
from probes.formats.options import ReadOptions
from probes.formats.source import Source
from probes.run import Floats, Run

__all__ = ["ENDINGS", "NAME", "dump", "look", "parse"]

NAME = "vtk"
ENDINGS = (".vtp", ".vtk", ".ply")

_LEGACY = re.compile(
    rb"\s*# vtk DataFile[^\n]*\n[^\n]*\n\s*ASCII\s.*?\bPOINTS\s+(\d{1,18})\s+\w+", re.DOTALL
)
_PLY = re.compile(
    rb"ply\n\s*format ascii.*?element vertex (\d{1,18})\n(?:(?!element vertex).)*?end_header\n",
    re.DOTALL,
)

_XML_KINDS = {
    b"PolyData": ".vtp", b"StructuredGrid": ".vts", b"UnstructuredGrid": ".vtu",
    b"ImageData": ".vti", b"RectilinearGrid": ".vtr",
}  # fmt: skip
_MOST_SECONDS = 60
_MOST_MEMORY = 4_000_000_000
"""Bytes of address space: VTK itself takes a quarter of it."""


def look(source: Source, options: ReadOptions) -> Match:
    """Tell whether a source starts like a VTK file or a PLY file."""
    if options.line:
        return Match.NO
    return Match.YES if _ending(source) else Match.NO


def _ending(source: Source) -> str:
    start = source.data[:4096].lstrip()
    if start.startswith(b"# vtk DataFile"):
        return ".vtk"
    if start.startswith((b"ply\n", b"ply\r")):
        return ".ply"
    if start.startswith((b"<?xml", b"<VTKFile")) and b"<VTKFile" in start:
        tag = start[start.index(b"<VTKFile") :]
        return next((end for kind, end in _XML_KINDS.items() if b'"' + kind + b'"' in tag), "")
    return ""


def parse(source: Source, options: ReadOptions) -> Readings:  # noqa: ARG001 - as every format
    """Read the points of the mesh.

    Raises
    ------
    ReadError
        If VTK cannot read it, or it holds no points.
    """
    import subprocess
    import tempfile

    _check_ascii(source)
    with tempfile.TemporaryDirectory(prefix="planish-") as folder:
        path = Path(folder, f"mesh{_ending(source)}")
        path.write_bytes(source.data)
        environment = os.environ | {"PYTHONPATH": os.pathsep.join(part or "." for part in sys.path)}
        try:
            done = subprocess.run(
                [sys.executable, "-m", __name__, str(path)],
                capture_output=True,
                timeout=_MOST_SECONDS,
                check=False,
                env=environment,
            )
        except subprocess.TimeoutExpired:
            raise ReadError(f"{source.name}: VTK took over {_MOST_SECONDS} s to read it") from None
    # of a file cut short VTK complains only, and hands on what was in memory
    if done.returncode or not done.stdout or b"error" in done.stderr.lower():
        raise ReadError(f"{source.name}: VTK cannot read it; it is damaged or of another kind")
    points: Floats = np.load(io.BytesIO(done.stdout), allow_pickle=False)
    if not len(points):
        raise ReadError(f"{source.name}: is a mesh without points")
    if not np.isfinite(points[:, :2]).all():
        raise ReadError(f"{source.name}: a point has an x or y that is not finite")
    if len(points) > 3 and np.ptp(points[:, 2]) == 0:
        raise ReadError(
            f"{source.name}: all points lie at one height; heights that are kept as scalars of a "
            "flat mesh cannot be read, so write them as z"
        )
    # a mesh of loose triangles holds each corner several times
    _, first = np.unique(points, axis=0, return_index=True)
    points = points[np.sort(first)]
    probed = np.isfinite(points[:, 2])
    x, y, z = points[probed].T
    return Readings(x, y, z, holes=int((~probed).sum()))


def _check_ascii(source: Source) -> None:
    """Count the numbers of a text file against its header: VTK fills up what is missing."""
    if not source.is_text:
        return
    legacy = _LEGACY.match(source.data)
    ply = _PLY.match(source.data)
    header = legacy or ply
    if header is None:
        return
    count = int(header[1])
    if count > len(source.data):
        raise ReadError(f"{source.name}: VTK cannot read it; it promises {count} points")
    if legacy:
        words = source.data[header.end() :].split(None, 3 * count)[: 3 * count]
        whole = len(words) == 3 * count and all(map(_is_number, words))
    else:
        lines = source.data[header.end() :].split(b"\n")[:count]
        whole = len(lines) == count and all(
            len(words := line.split()) >= 3 and all(map(_is_number, words[:3])) for line in lines
        )
    if not whole:
        raise ReadError(
            f"{source.name}: does not hold the {count} points it promises; it is cut short or "
            "damaged"
        )


def _is_number(word: bytes) -> bool:
    try:
        float(word)
    except ValueError:
        return False
    return True


def dump(run: Run, ending: str) -> bytes:
    """Write the touches of a run as the points of a mesh.

    Parameters
    ----------
    run : Run
        The run; its grid, if it has one, gives the faces where every place was touched once.
    ending : str
        One of `ENDINGS`. PLY keeps single precision only.
    """
    import tempfile

    import pyvista as pv

    points = np.column_stack((run.x, run.y, run.z))
    mesh = pv.PolyData(points)
    grid = run.places.grid
    if grid is not None and len(run) == len(run.places):
        number = np.full((grid.rows, grid.columns), -1)
        number[grid.row, grid.column] = np.arange(len(run))
        corners = np.stack(
            (number[:-1, :-1], number[:-1, 1:], number[1:, 1:], number[1:, :-1]), axis=-1
        ).reshape(-1, 4)
        corners = corners[(corners >= 0).all(axis=1)]
        if len(corners):
            mesh = pv.PolyData(points, np.insert(corners, 0, 4, axis=1).ravel())
    with tempfile.TemporaryDirectory(prefix="planish-") as folder, pv.vtk_verbosity("error"):
        path = Path(folder, f"mesh{ending}")
        mesh.save(path)
        return path.read_bytes()


def _child(path: str) -> None:
    """Read a mesh and write its points to standard output; runs in a process of its own."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (_MOST_MEMORY, _MOST_MEMORY))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    except (ImportError, ValueError, OSError):
        pass  # not on this system; the time is bounded all the same
    import pyvista as pv

    points = np.asarray(pv.read(path).points, dtype=np.float64)
    np.save(sys.stdout.buffer, points, allow_pickle=False)


if __name__ == "__main__":
    _child(sys.argv[1])
