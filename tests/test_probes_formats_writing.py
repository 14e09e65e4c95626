"""Writing: what each format keeps comes back to the last bit, and damage is refused."""

import hashlib
import io
import tracemalloc
import zipfile
from datetime import datetime

import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st

from probes import ReadError, ReadOptions, RequestError, Run, dump_run, read_run
from probes.formats import WRITERS

NUMBERS = st.floats(-1e6, 1e6)
POINTS = st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=1, max_size=20)


def again(run, ending, **options):
    return read_run(io.BytesIO(dump_run(run, ending)), ReadOptions(**options))


@pytest.mark.parametrize("ending", [".csv", ".txt", ".json"])
@given(points=POINTS)
def test_touches_come_back_to_the_last_bit(ending, points):
    run = Run(*zip(*points, strict=True))
    back = again(run, ending)
    for name in ("x", "y", "z"):
        assert (getattr(back, name) == getattr(run, name)).all()


@pytest.mark.parametrize("ending", [".csv", ".json"])
def test_what_belongs_to_a_run_comes_back(ending):
    run = Run(
        x=[0.1, 100, 0.1, 7], y=[0, 0, 100, 9], z=[0.1, 0.2, 0.3, 0.1 + 0.2],
        minutes=[0, 0.1, 0.2, 1],
        bed=[60, 60.5, 61, 61], chamber=30, ambient=21, touch=[1, 1, 1, 2],
        started=datetime(2026, 3, 14, 9, 30), plate='glass "A", 4 mm', note="hot, after tightening",
    )  # fmt: skip
    back = again(run, ending)
    for name in ("x", "y", "z", "minutes", "bed", "chamber", "ambient", "touch"):
        assert (getattr(back, name) == getattr(run, name)).all(), name
    assert (back.started, back.plate, back.note) == (run.started, run.plate, run.note)


def even(holes=()):
    x, y = grid(np.linspace(20, 330, 5), np.linspace(15, 300, 4))
    z = np.random.default_rng(1).normal(0, 0.1, 20)
    keep = ~np.isin(np.arange(20), holes)
    return Run(x=x[keep], y=y[keep], z=z[keep], started=datetime(2026, 3, 14, 9, 30))


@pytest.mark.parametrize("ending", [".sdf", ".x3p"])
@pytest.mark.parametrize("holes", [(), (0, 7, 19)])
def test_surfaces_come_back(ending, holes):
    run = even(holes)
    back = again(run, ending)
    assert back.holes == len(holes)
    # the formats count in metres, which costs a rounding of the last bit
    for name in ("x", "y", "z"):
        assert getattr(back, name) == pytest.approx(getattr(run, name), rel=4e-16)
    if ending == ".sdf":
        assert (back.z == run.z).all()
    assert back.started == run.started


@given(points=POINTS)
def test_scattered_points_come_back_from_x3p(points):
    run = Run(*zip(*points, strict=True))
    if run.places.grid is None:
        back = again(run, ".x3p")
        for name in ("x", "y", "z"):
            assert getattr(back, name) == pytest.approx(getattr(run, name), rel=4e-16, abs=1e-300)


@pytest.mark.parametrize(("ending", "digits"), [(".vtp", 0), (".vtk", 0), (".ply", 3e-7)])
def test_meshes_come_back(ending, digits):
    run = even()
    back = again(run, ending)
    for name in ("x", "y", "z"):
        assert getattr(back, name) == pytest.approx(getattr(run, name), rel=digits, abs=digits)


def test_the_same_run_gives_the_same_file():
    assert dump_run(even(), ".x3p") == dump_run(even(), ".x3p")


def test_what_a_format_has_no_place_for_is_said():
    scattered = Run(x=[0, 1, 5, 9], y=[0, 3, 4, 1], z=[0, 0, 0, 0])
    with pytest.raises(RequestError, match="SDF holds places on a grid of equal steps only"):
        dump_run(scattered, ".sdf")
    with pytest.raises(
        RequestError, match=r"ending '.doc': must be one of .csv, .txt, .json, .sdf"
    ):
        dump_run(scattered, ".doc")
    assert set(WRITERS) == {".csv", ".txt", ".json", ".sdf", ".x3p", ".vtp", ".vtk", ".ply"}


def archive(**members):
    """An X3P file with some members changed, checksums made to fit unless given."""
    with zipfile.ZipFile(io.BytesIO(dump_run(even(), ".x3p"))) as good:
        files = {name: good.read(name) for name in good.namelist()}
    for name, content in members.items():
        files[
            {"xml": "main.xml", "data": "bindata/data.bin", "sums": "md5checksum.hex"}.get(
                name, name
            )
        ] = content
    if "xml" in members and "sums" not in members:
        digest = hashlib.md5(files["main.xml"], usedforsecurity=False).hexdigest()
        files["md5checksum.hex"] = digest.encode()
    output = io.BytesIO()
    with zipfile.ZipFile(output, "w", zipfile.ZIP_DEFLATED) as made:
        for name, content in files.items():
            if content is not None:
                made.writestr(name, content)
    return output.getvalue()


def xml(old=b"", new=b""):
    with zipfile.ZipFile(io.BytesIO(dump_run(even(), ".x3p"))) as good:
        text = good.read("main.xml")
    assert old in text
    return text.replace(old, new, 1)


ENTITIES = (
    b'<?xml version="1.0"?><!DOCTYPE b [<!ENTITY a "aaaaaaaaaa">'
    + b"".join(
        b'<!ENTITY a%d "%s">' % (k, b"&a%s;" % (str(k - 1).encode() if k else b"") * 10)
        for k in range(9)
    )
    + b"]><b>&a8;</b>"
)

BAD_ARCHIVES = {
    "zip bomb": ({"data": bytes(200_000_000)}, "would unpack to 200,000,000 bytes"),
    "huge xml": ({"xml": b" " * 50_000_000}, "'main.xml' would unpack to 50,000,000 bytes"),
    "entity bomb": ({"xml": ENTITIES}, "is not XML that can be read safely"),
    "outside entity": (
        {"xml": b'<!DOCTYPE b [<!ENTITY a SYSTEM "file:///etc/passwd">]><b>&a;</b>'},
        "is not XML that can be read safely",
    ),
    "no xml": ({"xml": b"hello"}, "is not XML that can be read safely"),
    "path out": (
        {"xml": xml(b"bindata/data.bin", b"../../etc/passwd")},
        "lies outside the archive",
    ),
    "absolute path": (
        {"xml": xml(b"bindata/data.bin", b"/etc/passwd")},
        "lies outside the archive",
    ),
    "drive path": ({"xml": xml(b"bindata/data.bin", b"c:\\data.bin")}, "lies outside the archive"),
    "missing member": (
        {"xml": xml(b"bindata/data.bin", b"bindata/no.bin")},
        "lacks 'bindata/no.bin'",
    ),
    "10^12 points": (
        {"xml": xml(b"<SizeX>5</SizeX><SizeY>4<", b"<SizeX>1000000</SizeX><SizeY>1000000<")},
        "promises 1000000 x 1000000 x 1 points",
    ),
    "more points than bytes": ({"xml": xml(b"<SizeX>5<", b"<SizeX>4000000<")}, "promises"),
    "no size": ({"xml": xml(b"<SizeX>5</SizeX>", b"")}, "lacks Record3/MatrixDimension/SizeX"),
    "size of words": ({"xml": xml(b"<SizeX>5<", b"<SizeX>five<")}, "not a finite number"),
    "negative size": ({"xml": xml(b"<SizeX>5<", b"<SizeX>-5<")}, "SizeX is -5"),
    "other checksum": (
        {"sums": b"0" * 32 + b" *main.xml"},
        "'main.xml' does not match its checksum",
    ),
    "other data": ({"data": bytes(160)}, "'bindata/data.bin' does not match its checksum"),
    "unknown type": ({"xml": xml(b"<DataType>D<", b"<DataType>Q<")}, "DataType 'Q' is none of"),
    "unknown feature": ({"xml": xml(b"SUR", b"XXX")}, "FeatureType 'XXX' is none of"),
    "no main": ({"xml": None}, "lacks 'main.xml', so is no X3P file"),
}


@pytest.mark.parametrize("case", BAD_ARCHIVES)
def test_bad_archives_are_refused_soon_and_small(case):
    members, message = BAD_ARCHIVES[case]
    data = archive(
        **{"sums": None, **members} if members.get("xml") is None and case == "no main" else members
    )
    tracemalloc.start()
    with pytest.raises(ReadError, match=message):
        read_run(io.BytesIO(data))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 4 * len(data) + 50_000_000


def test_truncated_archives_are_refused():
    data = dump_run(even(), ".x3p")
    for cut in (5, 60, len(data) // 2, len(data) - 3):
        with pytest.raises(ReadError, match="is a damaged archive"):
            read_run(io.BytesIO(data[:cut]))


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (b"NumPoints   = 5", b"NumPoints   = 1000000000000", "promises 1000000000000 x 4 points"),
        (b"NumPoints   = 5", b"NumPoints   = 6", "promises 6 x 4 points and holds 20"),
        (b"NumPoints   = 5", b"NumPoints   = five", "NumPoints = 'five' is no number"),
        (b"NumPoints   = 5\n", b"", "its header has no NumPoints"),
        (b"NumPoints   = 5", b"NumPoints   = -5", "promises -5 x 4 points"),
        (b"Xscale      = 0.0775", b"Xscale      = 0", "Xscale is 0; it must be above zero"),
        (b"Xscale      = 0.0775", b"Xscale      = nan", "Xscale is nan; it must be above zero"),
        (b"*\n", b"*\nhigh ", "line 15: 'high' is no height; write a number or BAD"),
        (b"origin_x: 20.0", b"origin_x: far", "origin_x in the trailer is no position"),
    ],
)
def test_bad_surface_data_files_are_refused(old, new, message):
    data = dump_run(even(), ".sdf")
    assert old in data
    with pytest.raises(ReadError, match=message):
        read_run(io.BytesIO(data.replace(old, new, 1)))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ('{"points": [[1, 2]]}', "is not valid JSON for a run"),
        ('{"points": "many"}', "is not valid JSON for a run"),
        ('{"points": [[1, 2, 3]', "is not valid JSON for a run"),
        ('{"x": [1], "y": [2]}', "holds neither points .* nor x, y and z"),
        ('{"x": [1, 2], "y": [2], "z": [[1]]}', "z has 1 rows of 1 for 1 values of y and 2 of x"),
        ('{"x": [1, 2], "y": [2, 3], "z": [[1, 2], [3]]}', "the rows of z differ in length"),
        ('{"x": [1, 2], "y": [2], "z": [1, 2]}', "x, y and z hold 2, 1 and 2 values"),
        ('{"points": [[1, null, 3]]}', "an x or y is null"),
        ('{"points": [[1, 2, 3]], "minutes": [1, 2]}', "minutes has 2 values for 1 heights"),
        ('{"points": [[1, 2, 3]], "unit": "ell"}', "unit 'ell' is not known"),
        ('{"points": [[1, 2, 3]], "units": "um"}', "key 'units' is not known; did you mean unit"),
        ('{"points": [[1, 2, 3]], "high": "down"}', "say --high down or up"),
        ('{"points": [[1, 2, 3]], "started": "noon"}', "is not an ISO 8601 time"),
        ('{"points": [[1, 2, 1e999]]}', "is not valid JSON|finite"),
        ('{"points": []}', "holds no readings"),
        ("{" * 5000, "is not valid JSON for a run"),
        ('{"z": ' + "[" * 5000, "is not valid JSON for a run"),
    ],
)
def test_bad_json_is_refused(text, message):
    with pytest.raises(ReadError, match=message):
        read_run(io.StringIO(text))


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("3\n1 2 3\n4 5 6\n", "promises 3 points and holds 2"),
        ("2\n1 2 3\n4 5\n", "line 3: '4 5' does not hold x, y and z"),
        ("1000000000000\n1 2 3\n", "promises 1000000000000 points and holds 1"),
    ],
)
def test_bad_points_are_refused(text, message):
    with pytest.raises(ReadError, match=message):
        read_run(io.StringIO(text), ReadOptions(format="xyz"))


def text_mesh(kind, points, promised):
    rows = "".join(f"{x} {y} {z}\n" for x, y, z in points)
    if kind == "vtk":
        head = f"# vtk DataFile Version 3.0\nt\nASCII\nDATASET POLYDATA\nPOINTS {promised} double\n"
    else:
        head = (
            f"ply\nformat ascii 1.0\nelement vertex {promised}\nproperty double x\n"
            "property double y\nproperty double z\nend_header\n"
        )
    return io.StringIO(head + rows)


@pytest.mark.parametrize("kind", ["vtk", "ply"])
def test_text_meshes_that_are_cut_short_are_refused(kind):
    points = [(0, 0, 0.1), (9, 0, 0.2), (0, 9, 0.3), (9, 9, 0.1)]
    assert len(read_run(text_mesh(kind, points, 4))) == 4
    with pytest.raises(ReadError, match="does not hold the 6 points it promises"):
        read_run(text_mesh(kind, points, 6))
    with pytest.raises(ReadError, match="does not hold the 4 points it promises"):
        read_run(text_mesh(kind, [(0, 0, "bad"), *points[1:]], 4))


def test_flat_meshes_with_heights_elsewhere_are_refused():
    points = [(x, y, 0) for x in range(3) for y in range(3)]
    with pytest.raises(ReadError, match="all points lie at one height"):
        read_run(text_mesh("vtk", points, 9))


@pytest.mark.parametrize(
    "data",
    [
        b"# vtk DataFile Version 3.0\nx\nASCII\nDATASET POLYDATA\n"
        b"POINTS 1000000000000 double\n0 0 0\n",
        b"# vtk DataFile Version 3.0\nx\nBINARY\nDATASET POLYDATA\nPOINTS 10 double\n\0\0\0",
        b'<VTKFile type="PolyData" version="1.0"><PolyData><Piece NumberOfPoints="5">',
        b"ply\nformat ascii 1.0\nelement vertex 1000000000000\nproperty double x\nend_header\n1\n",
        b"ply\nnonsense\n",
    ],
)  # fmt: skip
def test_bad_meshes_are_refused(data):
    with pytest.raises(
        ReadError, match=r"VTK cannot read it|mesh without points|finite|points it promises"
    ):
        read_run(io.BytesIO(data))
