"""Reading as a whole: the choice of format, sources, options and remarks."""

import io
import sys
from datetime import datetime

import pytest

from probes import ReadError, ReadOptions, RequestError, read_run
from probes.read import FORMATS
from probes.read.options import parse_span

SAME = {
    "columns": "x y z\n10 20 0.5\n30 20 0.25\n10 40 -0.125\n30 40 0\n",
    "matrix": "y\\x;10;30\n20;0,5;0,25\n40;-0,125;0\n",
    "captured": "start\nspot X:10 Y:20 Z:0.5\nspot X:30 Y:20 Z:.25\n"
    "spot Z:-1.25e-1 X:10 Y:40\nspot x=30 y=40 z=-0\nend\n",
}  # fmt: skip
X, Y, Z = [10, 30, 10, 30], [20, 20, 40, 40], [0.5, 0.25, -0.125, 0]


def read(text, **options):
    return read_run(io.StringIO(text), ReadOptions(**options))


@pytest.mark.parametrize("name", FORMATS)
def test_every_format_is_found_by_its_content_from_any_source(name, tmp_path, monkeypatch):
    data = SAME[name].encode()
    path = tmp_path / "any.name"
    path.write_bytes(data)
    monkeypatch.setattr(sys, "stdin", io.TextIOWrapper(io.BytesIO(data)))
    stream = io.BytesIO(data)
    for source in (path, str(path), stream, io.StringIO(SAME[name]), "-"):
        run = read_run(source)
        assert run.format == name
        assert (run.x.tolist(), run.y.tolist(), run.z.tolist()) == (X, Y, Z)
    assert not stream.closed


@pytest.mark.parametrize("name", FORMATS)
@pytest.mark.parametrize(
    "change",
    [
        lambda data: b"\xef\xbb\xbf" + data,
        lambda data: data.replace(b"\n", b"\r\n"),
        lambda data: data.replace(b"\n", b"\r"),
        lambda data: data.rstrip(b"\n"),
        lambda data: b"# plate: gl\xe4ss\n\n" + data,
        lambda data: data.decode().encode("utf-16"),
    ],
    ids=["bom", "crlf", "cr", "no last line end", "western page", "utf-16"],
)
def test_encodings_and_line_ends_do_not_matter(name, change):
    run = read_run(io.BytesIO(change(SAME[name].encode())))
    assert (run.x.tolist(), run.y.tolist(), run.z.tolist()) == (X, Y, Z)


@pytest.mark.parametrize("name", FORMATS)
def test_high_down_turns_heights_over(name):
    assert read(SAME[name], high="down").z.tolist() == [-0.5, -0.25, 0.125, 0]


@pytest.mark.parametrize("name", FORMATS)
def test_unit_is_of_the_heights(name):
    run = read(SAME[name], unit="um")
    assert run.z == pytest.approx([0.0005, 0.00025, -0.000125, 0])
    assert run.x.tolist() == X
    run = read(SAME[name], unit="thou")
    assert run.z == pytest.approx([0.0127, 0.00635, -0.003175, 0])
    assert run.x == pytest.approx([254, 762, 254, 762])


def test_remarks_belong_to_the_run():
    run = read(
        "# started: 2026-03-14T09:30\n# bed: 60\n# chamber: 35.5 degC\n# plate: glass\n"
        "# note: after tightening\n# colour: green\n" + SAME["columns"]
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
        ({"format": "poem"}, "--format 'poem': must be one of columns, matrix, captured"),
        ({"high": "left"}, "--high 'left': must be up or down"),
        ({"rows": "sideways"}, "--rows 'sideways': must be front-first or back-first"),
    ],
)
def test_impossible_options_are_said(options, message):
    with pytest.raises(RequestError, match=message):
        read(SAME["columns"], **options)


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
    with pytest.raises(ReadError, match="is a binary file"):
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
    from probes.read import captured
    from probes.read.match import Match

    monkeypatch.setattr(captured, "look", lambda *_: Match.YES)
    with pytest.raises(ReadError, match="could be columns or captured; say which with --format"):
        read(SAME["columns"])
