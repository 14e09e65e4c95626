"""The file: what the world may do to it, and what is said then."""

import os
import shutil
import sqlite3
import sys
import tempfile
import threading
import time
import warnings
from pathlib import Path

import faults_book
import numpy as np
import pytest
from faults_book import make_run

from probes.book import BookError, open_book, schema, store


@pytest.fixture
def path(tmp_path):
    return tmp_path / "book.db"


def filled(path, count=3):
    with open_book(path) as book:
        for k in range(count):
            book.add_run(make_run(k))
    return path


def add_many(book, numbers):
    for k in numbers:
        book.add_run(make_run(k, 1000))


def held(path):
    with open_book(path, create=False) as book:
        assert book.check().sound
        return [record.source for record in book.runs()]


def files(folder):
    return {file.name: file.read_bytes() for file in folder.iterdir() if file.is_file()}


def test_closed_book_is_one_file(path):
    filled(path)
    assert list(files(path.parent)) == ["book.db"]


def test_missing_book_is_not_made_unasked(path):
    with pytest.raises(BookError, match=r"book\.db: there is no book; add a run or a note"):
        open_book(path, create=False)
    assert files(path.parent) == {}


def test_missing_folder(tmp_path):
    with pytest.raises(BookError, match=r"the folder .*nowhere does not exist; make it first"):
        open_book(tmp_path / "nowhere" / "book.db")


def test_folder_in_place_of_a_book(tmp_path):
    with pytest.raises(BookError, match="is a folder; name a file in it"):
        open_book(tmp_path)


def test_file_in_place_of_the_folder(tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(BookError, match=r"the folder .*file does not exist"):
        open_book(tmp_path / "file" / "book.db")


@pytest.mark.parametrize("content", [b"x,y,z\n1,2,3\n", b"SQLite format 3", b"\0" * 4096])
def test_other_file_is_refused_and_left_alone(path, content):
    path.write_bytes(content)
    with pytest.raises(BookError, match="is not a book, or its beginning is damaged"):
        open_book(path)
    assert files(path.parent) == {"book.db": content}


def test_empty_file_becomes_a_book_only_when_asked(path):
    path.touch()
    with pytest.raises(BookError, match="there is no book in it yet"):
        open_book(path, create=False)
    assert held(filled(path, 1)) == ["run 0"]


def test_database_of_another_program_is_left_alone(path):
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE run (id INTEGER)")
    connection.close()
    before = files(path.parent)
    with pytest.raises(BookError, match="is a database of another program, not a book"):
        open_book(path)
    assert files(path.parent) == before


def test_later_version_is_left_alone(path, monkeypatch):
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("CREATE TABLE more (id)",)))
    filled(path)
    before = files(path.parent)
    monkeypatch.undo()
    with pytest.raises(BookError, match=r"by a later planish \(book version 2, this one knows 1\)"):
        open_book(path)
    assert files(path.parent) == before


def test_earlier_version_is_brought_up_to_date(path, monkeypatch):
    filled(path)
    step = ("ALTER TABLE run ADD COLUMN operator TEXT", "CREATE TABLE more (id)")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
    assert held(path) == ["run 0", "run 1", "run 2"]  # and every seal holds
    monkeypatch.undo()
    with pytest.raises(BookError, match="by a later planish"):
        open_book(path)


def test_failed_step_changes_nothing(path, monkeypatch):
    filled(path)
    step = ("CREATE TABLE more (id)", "CREATE TABLE more (id)")
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, step))
    with pytest.raises(sqlite3.OperationalError, match="more already exists"):
        open_book(path)
    monkeypatch.undo()
    assert held(path) == ["run 0", "run 1", "run 2"]


def test_nothing_of_a_failed_addition_stays(path):
    filled(path)
    with open_book(path) as book, pytest.raises(sqlite3.IntegrityError):
        # the second row has no such column's value: a fault of our own, with its traceback
        book._store.write(lambda: [
            book._insert("event", {"moment": 0.0, "at": "2026-01-01", "what": "x"}),
            book._insert("event", {"moment": None, "at": "2026-01-01", "what": "y"}),
        ])  # fmt: skip
    with open_book(path) as book:
        assert book.events() == []


def test_full_disk_loses_nothing(path):
    filled(path)
    with open_book(path) as book:
        # SQLite answers here as it does where the disk is full
        (pages,) = book._store.all("PRAGMA page_count")[0]
        book._store.all(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(BookError, match="the disk is full: nothing was added, and what"):
            add_many(book, range(3, 20))
        assert book.check().sound
        book._store.all("PRAGMA max_page_count = 100000")
        assert book.add_run(make_run(20, 1000)).new  # goes on when there is room
    assert held(path)[:3] == ["run 0", "run 1", "run 2"]


def in_a_child(action) -> str:
    """Do something in a process of its own, which gives a line."""
    inlet, outlet = os.pipe()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # of forking among threads
        child = os.fork()
    if not child:
        os.close(inlet)
        try:
            said = action()
        except BaseException as fault:
            said = f"{type(fault).__name__}: {fault}"
        os.write(outlet, said.encode())
        os._exit(0)
    os.close(outlet)
    with os.fdopen(inlet) as stream:
        said = stream.read()
    os.waitpid(child, 0)
    return said


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and limits")
def test_file_that_may_not_grow_loses_nothing(path):
    import resource

    def add_until_refused():
        resource.setrlimit(resource.RLIMIT_FSIZE, (400_000, 400_000))
        with open_book(path) as book:
            for k in range(10_000):
                os.write(told, f"{book.add_run(make_run(k)).id} ".encode())
        return "never refused"

    told = os.open(path.with_suffix(".told"), os.O_CREAT | os.O_RDWR)
    said = in_a_child(add_until_refused)
    os.lseek(told, 0, os.SEEK_SET)
    acknowledged = len(os.read(told, 100_000).split())
    os.close(told)
    assert "BookError" in said
    assert "nothing was added, and what the book held stays" in said
    assert acknowledged > 10
    assert held(path) == [f"run {k}" for k in range(acknowledged)]


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and limits")
def test_book_that_cannot_be_begun(path):
    import resource

    def begin():
        resource.setrlimit(resource.RLIMIT_FSIZE, (2000, 2000))
        open_book(path)
        return "begun"

    assert "BookError: " in (said := in_a_child(begin))
    assert "the disk" in said
    assert held(filled(path, 1)) == ["run 0"]  # nothing of it is in the way later


def test_commits_are_on_the_disk(path):
    # SQLite, PRAGMA synchronous: 2 is FULL, which in WAL mode syncs the log at every commit
    with open_book(path) as book:
        assert book._store.all("PRAGMA journal_mode") == [("wal",)]
        assert book._store.all("PRAGMA synchronous") == [(2,)]
        assert book._store.all("PRAGMA foreign_keys") == [(1,)]


@pytest.mark.skipif(sys.platform == "win32", reason="rights are other there")
def test_folder_that_cannot_be_written():
    folder = Path(tempfile.mkdtemp())  # pytest's own folders are closed to other users
    try:
        path = filled(folder / "book.db")
        before = files(folder)
        path.chmod(0o444)
        folder.chmod(0o555)

        def read_and_add(name="book.db"):
            if os.getuid() == 0:
                os.setuid(65534)  # root may write everywhere
            with open_book(folder / name) as book:
                seen = f"{len(book.runs())} runs, sound {book.check().sound}; "
                try:
                    book.add_run(make_run(9))
                except BookError as fault:
                    return seen + str(fault)
            return "written"

        said = in_a_child(read_and_add)
        assert said.startswith("3 runs, sound True; ")
        assert (
            "book.db: can be read but not written, for its folder is closed to you or the" in said
        )
        said = in_a_child(lambda: read_and_add("new.db"))
        assert "BookError" in said
        assert "new.db: cannot be opened; see whether you may read it and write in its" in said
        assert files(folder) == before
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_book_that_is_moved_while_open(path):
    filled(path)
    with open_book(path) as book:
        book.runs()
        moved = path.rename(path.with_name("moved.db"))
        with pytest.raises(BookError, match="was moved or deleted while in use: nothing was added"):
            book.add_run(make_run(9))
        shutil.copy(moved, path)  # another file of the same name is not it either
        with pytest.raises(BookError, match="was moved or deleted while in use"):
            book.add_run(make_run(9))


@pytest.mark.skipif(sys.platform == "win32", reason="needs signals")
def test_killed_writers_lose_nothing_acknowledged(tmp_path):
    killed = faults_book.kill_writers(4, tmp_path, books=2)
    assert killed.acknowledged > killed.times


@pytest.mark.parametrize("part", ["runs", "events"])
def test_torn_log_gives_what_was_written_before(path, part):
    # as after a loss of power: of the log, any number of bytes may have reached the disk
    with open_book(path) as book:
        for k in range(12):
            book.add_run(make_run(k)) if part == "runs" else book.add_event(f"run {k}")
        log = path.with_name("book.db-wal").read_bytes()
        start = path.read_bytes()
    random = np.random.default_rng(1)
    counts = set()
    for cut in sorted(random.integers(0, len(log), 20)):
        torn = path.with_name("torn.db")
        torn.write_bytes(start)
        torn.with_name("torn.db-wal").write_bytes(log[:cut])
        with open_book(torn) as book:
            assert book.check().sound
            names = [e.source for e in book.runs()] + [e.what for e in book.events()]
            assert names == [f"run {k}" for k in range(len(names))]
            counts.add(len(names))
    assert len(counts) > 5


def test_reading_does_not_wait_for_a_writer(path):
    filled(path)
    with open_book(path) as writer, open_book(path) as reader:

        def look():
            start = time.perf_counter()
            assert len(reader.runs()) == 3
            assert len(held(path)) == 3
            assert time.perf_counter() - start < 5  # a blocked one would wait for a minute

        writer._store.write(look)


def test_reader_sees_one_moment(path):
    filled(path)
    with open_book(path) as reader, open_book(path) as writer, reader._store.snapshot():
        assert len(reader.runs()) == 3
        writer.add_run(make_run(3))
        assert len(reader.runs()) == 3


def test_two_writers_and_ten_readers(path):
    end = time.time() + 1.0
    faults, counts = [], []

    def act(work, *arguments):
        try:
            counts.append(work(*arguments))
        except BaseException as fault:
            faults.append(fault)

    def add(first):
        with open_book(path) as book:
            k = first
            while time.time() < end:
                assert book.add_run(make_run(k)).new
                k += 1
        return k - first

    open_book(path).close()
    threads = [threading.Thread(target=act, args=(add, 1000 * k)) for k in (1, 2)]
    threads += [threading.Thread(target=act, args=(faults_book.read, path, end)) for _ in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert len(held(path)) == sum(count for count in counts if isinstance(count, int))


def test_many_may_begin_a_book_at_once(path):
    faults = []

    def begin(k):
        try:
            with open_book(path) as book:
                book.add_run(make_run(k))
        except BaseException as fault:
            faults.append(fault)

    threads = [threading.Thread(target=begin, args=(k,)) for k in range(8)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert sorted(held(path)) == [f"run {k}" for k in range(8)]


def test_program_that_never_lets_go_is_named(path, monkeypatch):
    filled(path)
    monkeypatch.setattr(store, "PATIENCE_S", 0.05)
    with open_book(path) as one, open_book(path) as other:

        def add():
            with pytest.raises(BookError, match="another program has kept the book to itself"):
                other.add_run(make_run(9))

        one._store.write(add)
        assert other.add_run(make_run(9)).new
