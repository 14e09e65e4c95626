import json
import zipfile
from datetime import UTC, datetime

import numpy as np
import pytest
from faults_book import make_run

from probes import read_run
from probes.book import BookError, import_book, open_book
from probes.book.schema import TABLES
from probes.book.seal import seal
from probes.run import Run


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "book.db"
    odd = [0.1, -0.0, 5e-324, np.nextafter(0.3, 1), -1e9]
    with open_book(path) as book:
        book.add_run(
            Run(odd, odd[::-1], odd, minutes=range(5), bed=[np.nan, np.inf, -np.inf, 20, -0.0],
                touch=[1, 2, 1, 1, 1], warnings=("one",), started=datetime(2026, 3, 1, tzinfo=UTC),
                note="two\nlines, \"quoted\" # and ☃", source="a,b.csv"),
            source="text", unit="um",
        )  # fmt: skip
        for k in range(3):
            book.add_run(make_run(k))
        book.add_machine('name = "Bench ☃"\n')
        book.add_event("new plate", text="glass\n")
        book.add_note("of the second run", run=2)
        book.add_turns([("left", 0.1 + 0.2, -1 / 3), ("right", 1.0, 2.0)], run=1)
    return path


def content(path):
    """All rows, as they are."""
    with open_book(path, create=False) as book:
        assert book.check().sound
        return {table: book._store.rows(table) for table in TABLES}


@pytest.mark.parametrize("name", ["out", "out.zip"])
def test_export_and_import_give_the_same_book(path, tmp_path, name):
    with open_book(path) as book:
        book.export(tmp_path / name)
    import_book(tmp_path / name, tmp_path / "again.db")
    assert content(tmp_path / "again.db") == content(path)
    # and that can be exported again
    with open_book(tmp_path / "again.db") as book:
        book.export(tmp_path / "second.zip")


def test_empty_book_too(tmp_path):
    with open_book(tmp_path / "book.db") as book:
        book.export(tmp_path / "out")
    import_book(tmp_path / "out", tmp_path / "again.db")
    assert not any(content(tmp_path / "again.db").values())


def test_exported_runs_are_run_files(path, tmp_path):
    with open_book(path) as book:
        book.export(tmp_path / "out")
        run = book.run(3)
    read = read_run(tmp_path / "out" / "runs" / "3.csv")
    assert read.format == "columns"
    for name in "xyz":
        assert getattr(read, name).tobytes() == getattr(run, name).tobytes()


def test_list_is_open_json(path, tmp_path):
    with open_book(path) as book:
        book.export(tmp_path / "out.zip")
    with zipfile.ZipFile(tmp_path / "out.zip") as archive:
        listed = json.loads(archive.read("book.json"))
        assert {*archive.namelist()} == {"book.json", *(f"runs/{k}.csv" for k in range(1, 5))}
    assert listed["event"][0]["what"] == "new plate"
    assert listed["turn"][0]["rise"] == 0.1 + 0.2
    assert listed["lost"] == []


@pytest.mark.parametrize("name", ["out", "out.zip"])
def test_nothing_is_overwritten(path, tmp_path, name):
    with open_book(path) as book:
        book.export(tmp_path / name)
        with pytest.raises(BookError, match=r"is there already; name a folder or an archive"):
            book.export(tmp_path / name)
    with pytest.raises(BookError, match="is there already; name a book that is not"):
        import_book(tmp_path / name, path)


def test_export_into_a_missing_folder(path, tmp_path):
    with open_book(path) as book, pytest.raises(BookError, match=r"the folder .* does not exist"):
        book.export(tmp_path / "nowhere" / "out")


def test_damaged_row_is_not_exported(path, tmp_path):
    with open_book(path) as book:
        book._store.all("UPDATE event SET what = 'old plate'")
        with pytest.raises(BookError, match="not written, for event 1 of the book is damaged"):
            book.export(tmp_path / "out")
    assert [file.name for file in tmp_path.iterdir()] == ["book.db"]


def change(out, how):
    listed = json.loads((out / "book.json").read_text())
    how(listed)
    (out / "book.json").write_text(json.dumps(listed))


def reseal(row, **changes):
    row |= changes
    row["seal"] = seal(row)


@pytest.mark.parametrize(
    ("how", "line"),
    [
        (lambda listed: listed["event"][0].update(what="x"), "event 1 is not what was exported"),
        (lambda listed: listed["run"][1].update(plate="x"), "run 2 is not what was exported"),
        (lambda listed: listed["run"][1].pop("digest"), "run 2 is not what was exported"),
        (lambda listed: listed["note"][0].pop("id"), "lists a note without its number"),
        (lambda listed: listed["note"].append("x"), "lists a note without its number"),
        (lambda listed: listed.update(version=2), r"by a later planish \(book version 2"),
        (lambda listed: listed.update(version="1"), "by a later planish"),
        (lambda listed: listed.update(kind="x"), "holds no exported book"),
        # a column that is none, with a seal made to match: must never reach the database
        (lambda listed: reseal(listed["note"][0], **{"text) VALUES (1); --": 1}),
         "note 1 is not what was exported"),
        (lambda listed: listed.update(run=[]), "turn 1 is not what was exported"),
        (lambda listed: reseal(listed["note"][0], text={"a": 1}), "note 1 .* not what was exp"),
        (lambda listed: reseal(listed["note"][0], text=None), "note 1 .* not what was exported"),
        (lambda listed: listed["note"].append(dict(listed["note"][0])), "note 1 .* not what was"),
        (lambda listed: listed.update(note=7), "holds no exported book"),
        (lambda listed: reseal(listed["event"][0], id=10**30), "event 10+ is not what was"),
        (lambda listed: listed["run"][0].update(id=9), r"9\.csv is not there"),
    ],
)  # fmt: skip
def test_changed_list_is_refused_and_leaves_no_book(path, tmp_path, how, line):
    with open_book(path) as book:
        book.export(tmp_path / "out")
    change(tmp_path / "out", how)
    with pytest.raises(BookError, match=line):
        import_book(tmp_path / "out", tmp_path / "again.db")
    assert sorted(file.name for file in tmp_path.iterdir()) == ["book.db", "out"]


@pytest.mark.parametrize(
    ("old", "new"), [("0.1", "0.2"), ("x [mm]", "q [mm]"), ("0.1", "abc"), ("\n", "\n\n")]
)
def test_changed_readings_are_refused(path, tmp_path, old, new):
    with open_book(path) as book:
        book.export(tmp_path / "out")
    file = tmp_path / "out" / "runs" / "1.csv"
    head, title, body = file.read_text().partition("x [mm]")
    file.write_text(head + (title + body).replace(old, new, 1) if old != "\n" else
                    head + title + body + "\n1,2,3\n")  # fmt: skip
    with pytest.raises(BookError, match="not what was exported"):
        import_book(tmp_path / "out", tmp_path / "again.db")
    assert not (tmp_path / "again.db").exists()


def test_missing_file_is_named(path, tmp_path):
    with open_book(path) as book:
        book.export(tmp_path / "out")
    (tmp_path / "out" / "runs" / "2.csv").unlink()
    with pytest.raises(BookError, match=r"holds no exported book: 2\.csv is not there"):
        import_book(tmp_path / "out", tmp_path / "again.db")
    with pytest.raises(BookError, match="nowhere is not there"):
        import_book(tmp_path / "nowhere", tmp_path / "again.db")


def test_damaged_archive_is_refused(path, tmp_path):
    with open_book(path) as book:
        book.export(tmp_path / "out.zip")
    data = bytearray((tmp_path / "out.zip").read_bytes())
    random = np.random.default_rng(1)
    whole = content(path)
    refused = 0
    for k in range(40):
        spoilt = data.copy()
        spoilt[random.integers(len(data))] ^= 1 << random.integers(8)
        (tmp_path / "spoilt.zip").write_bytes(spoilt[: len(data) - (k % 2) * 100 * k])
        again = tmp_path / f"again {k}.db"
        try:
            import_book(tmp_path / "spoilt.zip", again)
        except BookError:
            refused += 1
            assert not again.exists()
        else:  # the bit was one of a date or the like
            assert content(again) == whole
    assert refused > 20
