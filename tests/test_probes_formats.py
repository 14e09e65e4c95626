"""Reading as a whole: the choice of format, sources, options and remarks."""

import io
import pickle
import sys
from datetime import datetime

import pytest

from probes import ReadError, ReadOptions, RequestError, Run, dump_run, read_run
from probes.formats import FORMATS
from probes.formats.options import parse_span
from probes.formats.source import load

TEXTS = {
    "columns": "x y z\n10 20 0.5\n30 20 0.25\n10 40 -0.125\n30 40 0\n",
    "matrix": "y\\x;10;30\n20;0,5;0,25\n40;-0,125;0\n",
    "captured": "start\nspot X:10 Y:20 Z:0.5\nspot X:30 Y:20 Z:.25\n"
    "spot Z:-1.25e-1 X:10 Y:40\nspot x=30 y=40 z=-0\nend\n",
    "json": '{"x": [10, 30], "y": [20, 40],\n "z": [[0.5, 0.25], [-0.125, 0]]}\n',
    "xyz": "4\n10 20 0.5 9 9\n30 20 0.25 9 9\n10 40 -0.125 9 9\n30 40 0 9 9\n",
    "sdf": "aISO-1.0\nNumPoints = 2\nNumProfiles = 2\nXscale = 2e-2\nYscale = 2e-2\n"
    "Zscale = 1e-3\n*\n0.5 0.25\n-0.125 0\n*\norigin_x: 10\norigin_y: 20\n*\n",
}
"""One run in every text format."""

X, Y, Z = [10, 30, 10, 30], [20, 20, 40, 40], [0.5, 0.25, -0.125, 0]


RUN = Run(x=X, y=Y, z=Z)
SAME = {name: text.encode() for name, text in TEXTS.items()}
SAME |= {"x3p": dump_run(RUN, ".x3p"), "vtk": dump_run(RUN, ".vtp")}
IN_MM = ("x3p", "sdf")
"""Formats that fix the unit."""


def same(run):
    assert run.x == pytest.approx(X, rel=1e-15)
    assert run.y == pytest.approx(Y, rel=1e-15)
    assert run.z == pytest.approx(Z, rel=1e-15)
    return True


def read(text, **options):
    return read_run(io.StringIO(text), ReadOptions(**options))


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_is_found_by_its_content_from_any_source(name, tmp_path, monkeypatch):
    data = SAME[name]
    path = tmp_path / "any.name"
    path.write_bytes(data)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
    stream = io.BytesIO(data)
    sources = [path, str(path), stream, "-"]
    if name in TEXTS:
        sources.append(io.StringIO(TEXTS[name]))
    for source in sources:
        run = read_run(source)
        assert run.format == name
        assert same(run)
        assert same(pickle.loads(pickle.dumps(run)))
    assert not stream.closed
    # a source that says nothing of its name reads the same when the format is said
    assert same(read_run(io.BytesIO(data), ReadOptions(format=name)))


@pytest.mark.parametrize("name", FORMATS)
def test_only_one_format_is_sure_of_a_source(name):
    source = load(io.BytesIO(SAME[name]))
    sure = [
        other
        for other, module in FORMATS.items()
        if module.look(source, ReadOptions()).name == "YES"
    ]
    assert sure == [name]


@pytest.mark.parametrize("name", TEXTS)
@pytest.mark.parametrize(
    "change",
    [
        lambda data: b"\xef\xbb\xbf" + data,
        lambda data: data.replace(b"\n", b"\r\n"),
        lambda data: data.replace(b"\n", b"\r"),
        lambda data: data.rstrip(b"\n"),
        lambda data: data.decode().encode("utf-16"),
        lambda data: b"\n\n" + data,
    ],
    ids=["bom", "crlf", "cr", "no last line end", "utf-16", "blank lines"],
)
def test_encodings_and_line_ends_do_not_matter(name, change):
    assert same(read_run(io.BytesIO(change(SAME[name]))))


@pytest.mark.parametrize("name", ["columns", "matrix", "captured", "xyz"])
def test_a_comment_of_the_western_page_does_not_matter(name):
    run = read_run(io.BytesIO(b"# plate: gl\xe4ss\n\n" + SAME[name]))
    assert same(run)
    assert run.plate == "gläss"


@pytest.mark.parametrize("name", FORMATS)
def test_high_down_turns_heights_over(name):
    run = read_run(io.BytesIO(SAME[name]), ReadOptions(high="down"))
    assert run.z == pytest.approx([-0.5, -0.25, 0.125, 0])


@pytest.mark.parametrize("name", FORMATS)
def test_unit_is_of_the_heights(name):
    if name in IN_MM:
        with pytest.raises(ReadError, match="in mm by the readings but in um by --unit"):
            read_run(io.BytesIO(SAME[name]), ReadOptions(unit="um"))
        return
    run = read_run(io.BytesIO(SAME[name]), ReadOptions(unit="um"))
    assert run.z == pytest.approx([0.0005, 0.00025, -0.000125, 0])
    assert run.x == pytest.approx(X)
    run = read_run(io.BytesIO(SAME[name]), ReadOptions(unit="thou"))
    assert run.z == pytest.approx([0.0127, 0.00635, -0.003175, 0])
    assert run.x == pytest.approx([254, 762, 254, 762])


def test_remarks_belong_to_the_run():
    run = read(
        "# started: 2026-03-14T09:30\n# bed: 60\n# chamber: 35.5 degC\n# plate: glass\n"
        "# note: after tightening\n# colour: green\n" + TEXTS["columns"]
    )
    assert run.started == datetime(2026, 3, 14, 9, 30)
    assert run.bed is not None
    assert run.bed.tolist() == [60] * 4
    assert run.chamber is not None
    assert run.chamber[0] == 35.5
    assert (run.plate, run.note, run.ambient) == ("glass", "after tightening", None)


@pytest.mark.parametrize(
    ("text", "options", "message"),
    [
        ("", {}, "is empty"),
        (" \n\n", {}, "is empty"),
        ("hello\nthere\n", {}, "line 1: 'hello' does not start columns"),
        ("# bed: warm\n1 2 3\n", {}, "line 1: # bed: 'warm' is not a temperature"),
        ("# bed: 1\n# bed: 2\n1 2 3\n", {}, "line 2: # bed: 2 contradicts 1.0"),
        ("# started: noon\n1 2 3\n", {}, "not an ISO 8601 time"),
        ("# unit: um\nx y z [mm]\n1 2 3\n", {}, "in mm by the readings but in um by the comment"),
        ("x y z [mm]\n1 2 3\n", {"unit": "um"}, "in mm by the readings but in um by --unit"),
        ("1 2 3\n", {"format": "matrix"}, "without coordinates; give --x first:last"),
        ("1 2 3\n", {"format": "captured"}, "no line holds a labelled x, y and z"),
    ],
)
def test_what_cannot_be_read_is_said(text, options, message):
    with pytest.raises(ReadError, match=message):
        read(text, **options)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (
            {"format": "poem"},
            "--format 'poem': must be one of columns, matrix, captured, json, xyz, sdf, x3p, vtk",
        ),
        ({"high": "left"}, "--high 'left': must be up or down"),
        ({"rows": "sideways"}, "--rows 'sideways': must be front-first or back-first"),
    ],
)
def test_impossible_options_are_said(options, message):
    with pytest.raises(RequestError, match=message):
        read(TEXTS["columns"], **options)


@pytest.mark.parametrize("text", ["20", "20:20", "a:b", "1:2:3", "1:inf", "1:nan", ""])
def test_impossible_spans_are_said(text):
    with pytest.raises(RequestError, match=r"--x .* must be first:last"):
        parse_span(text, "--x")


def test_missing_file_and_folder_are_said(tmp_path):
    with pytest.raises(ReadError, match="there is no such file"):
        read_run(tmp_path / "none.txt")
    with pytest.raises(ReadError, match="is a folder"):
        read_run(tmp_path)


def test_binary_is_said():
    with pytest.raises(ReadError, match="is a binary file that is neither X3P nor VTK"):
        read_run(io.BytesIO(b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR"))


def test_a_line_without_end_is_refused_early():
    class Endless(io.RawIOBase):
        given = 0

        def read(self, size=-1):
            self.given += size
            return b"1 " * (size // 2)

    endless = Endless()
    with pytest.raises(ReadError, match=r"line 1: is over 1,000,000 characters"):
        read_run(endless)
    assert endless.given < 5_000_000


def test_two_sure_formats_are_an_error_that_names_both(monkeypatch):
    from probes.formats import captured
    from probes.formats.match import Match

    monkeypatch.setattr(captured, "look", lambda *_: Match.YES)
    with pytest.raises(ReadError, match="could be columns or captured; say which with --format"):
        read(TEXTS["columns"])
