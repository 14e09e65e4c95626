"""Damage: that it is noticed, and what is saved."""

import shutil
from datetime import UTC, datetime

import numpy as np
import pytest
from faults_book import make_run
from hypothesis import given
from hypothesis import strategies as st

from probes.book import BookError, import_book, open_book, salvage
from probes.book.pages import find_records
from probes.book.schema import TABLES

RUNS = 30


@pytest.fixture(scope="module")
def original(tmp_path_factory):
    path = tmp_path_factory.mktemp("original") / "book.db"
    with open_book(path) as book:
        for k in range(RUNS):
            # some fit a page, some need many further ones
            book.add_run(make_run(k, 4 + 40 * (k % 13)), unit="mm")
        for k in range(40):
            book.add_event(f"event {k}", at=datetime(2026, 1, 1 + k % 28, tzinfo=UTC))
        book.add_machine("x" * 9000)
        book.add_turns([("left", 1.0, -2.0), ("right", 0.1, 0.2)], run=5)
        book.add_note("about run 7 ☃", run=7)
    return path


@pytest.fixture
def path(original, tmp_path):
    return shutil.copy(original, tmp_path / "book.db")


def rows(path):
    with open_book(path, create=False) as book:
        assert book.check().sound
        return {table: {row["id"]: row for row in book._store.rows(table)} for table in TABLES}


def test_sound_book_is_salvaged_whole(path, tmp_path):
    found = salvage(path, tmp_path / "out")
    assert found.lost == ()
    assert found.saved == {"run": RUNS, "machine": 1, "turn": 2, "event": 40, "note": 1}
    import_book(tmp_path / "out", tmp_path / "again.db")
    assert rows(tmp_path / "again.db") == rows(path)


def test_log_beside_the_book_is_salvaged_too(tmp_path):
    with open_book(tmp_path / "book.db") as book:
        for k in range(5):
            book.add_run(make_run(k))
        for file in tmp_path.glob("book.db*"):
            shutil.copy(file, tmp_path / file.name.replace("book", "copy"))
    assert (tmp_path / "copy.db-wal").stat().st_size > 0
    assert salvage(tmp_path / "copy.db", tmp_path / "out").saved["run"] == 5


def test_what_was_not_committed_is_not_salvaged(tmp_path):
    path = tmp_path / "book.db"
    with open_book(path) as book:
        book.add_run(make_run(0))

        def add_much():
            # more than SQLite keeps in memory, so that it goes to the log early
            book._store.all("PRAGMA cache_size = 2")
            for _ in range(60):
                book._insert("event", {"moment": 0.0, "at": "2026-01-01", "what": "x" * 3000})
            for file in tmp_path.glob("book.db*"):
                shutil.copy(file, tmp_path / file.name.replace("book", "copy"))

        book._store.write(add_much)
    log = (tmp_path / "copy.db-wal").read_bytes()
    assert log.count(b"x" * 3000) > 5  # it is in there
    found = salvage(tmp_path / "copy.db", tmp_path / "out")
    assert (found.saved["run"], found.saved["event"]) == (1, 0)


def spoil(path, random, how):
    """Damage a file as disks do: a bit, a page of zeros, a page of another file, a lost end."""
    data = bytearray(path.read_bytes())
    page = 4096 * int(random.integers(1, len(data) // 4096))
    if how == "bit":
        data[random.integers(len(data))] ^= 1 << random.integers(8)
    elif how == "zeros":
        data[page : page + 4096] = bytes(4096)
    elif how == "noise":
        data[page : page + 4096] = random.bytes(4096)
    elif how == "end":
        del data[len(data) // 2 + page // 2 :]
    elif how == "start":
        data[:4096] = random.bytes(4096)
    path.write_bytes(data)


@pytest.mark.parametrize("how", ["bit", "zeros", "noise", "end", "start"])
def test_damage_never_passes_for_what_was_written(original, tmp_path, how):
    random = np.random.default_rng(1)
    whole = rows(original)
    held = sum(len(table) for table in whole.values())
    saved = 0
    for k in range(8):
        path = shutil.copy(original, tmp_path / f"{k}.db")
        spoil(path, random, how)
        found = salvage(path, tmp_path / f"out {k}")
        again = tmp_path / f"again {k}.db"
        import_book(tmp_path / f"out {k}", again)
        for table, kept in rows(again).items():
            for number, row in kept.items():
                if row != whole[table][number]:
                    # only what belonged to a lost run may differ, and that is said
                    assert any(line.startswith(f"{table} {number} belonged") for line in found.lost)
                    assert row | {"run": 0, "seal": 0} == whole[table][number] | {
                        "run": 0, "seal": 0}  # fmt: skip
        saved += sum(found.saved.values())
    # a page holds few of the rows; how many the end held depends on where it is cut
    assert saved > (0.3 if how == "end" else 0.8) * 8 * held


def test_damage_is_noticed(original, tmp_path):
    random = np.random.default_rng(2)
    whole = rows(original)
    noticed, said = 0, set()
    for k, how in enumerate(["bit"] * 30 + ["zeros", "noise", "end", "start"] * 3):
        path = shutil.copy(original, tmp_path / f"{k}.db")
        spoil(path, random, how)
        sound = False
        try:
            with open_book(path, create=False) as book:
                sound = book.check().sound
                if sound:
                    kept = {table: {row["id"]: row for row in book._store.rows(table)}
                            for table in TABLES}  # fmt: skip
        except BookError as fault:
            said.add(str(fault).partition(": ")[2].partition(";")[0])
        assert how == "bit" or not sound
        if sound:  # the bit was in room that holds nothing
            assert kept == whole
        noticed += not sound
    assert noticed > 15
    assert said == {"is not a book, or its beginning is damaged", "is damaged, or is no book"}


def test_changed_reading_is_noticed(path):
    with open_book(path) as book:
        z = book._store.rows("run", "WHERE id = 3")[0]["z"]
        book._store.all("UPDATE run SET z = ? WHERE id = 3", (z[:-1] + bytes([z[-1] ^ 1]),))
        with pytest.raises(BookError, match="run 3 is damaged: it is not what was added"):
            book.run(3)
        health = book.check()
        assert health.faults == ("run 3 is not what was written",)
        assert health.counts["run"] == RUNS - 1


def test_lost_run_is_named_and_what_belonged_to_it_kept(path, tmp_path):
    with open_book(path) as book:
        book._store.all("UPDATE run SET plate = 'other' WHERE id IN (5, 7)")
    found = salvage(path, tmp_path / "out.zip")
    assert found.lost == (
        "run 5 is lost",
        "run 7 is lost",
        "turn 1 belonged to run 5, which is lost",
        "turn 2 belonged to run 5, which is lost",
        "note 1 belonged to run 7, which is lost",
    )
    import_book(tmp_path / "out.zip", tmp_path / "again.db")
    with open_book(tmp_path / "again.db") as book:
        assert book.notes()[0].run is None
        assert 5 not in {record.id for record in book.runs()}
        assert book.add_run(make_run(99)).id == RUNS + 1


def test_broken_reference_is_noticed(path):
    with open_book(path) as book:
        book._store.all("PRAGMA foreign_keys = OFF")
        book._store.all("DELETE FROM run WHERE id = 7")
        assert book.check().faults == ("note 1 refers to a run that is not there",)


def test_nothing_to_salvage(tmp_path):
    (tmp_path / "noise.db").write_bytes(np.random.default_rng(1).bytes(50_000))
    with pytest.raises(BookError, match="nothing in it is intact, or it is no book"):
        salvage(tmp_path / "noise.db", tmp_path / "out")
    with pytest.raises(BookError, match="cannot be read"):
        salvage(tmp_path / "missing.db", tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_damaged_file_is_left_as_it_is(path, tmp_path):
    spoil(path, np.random.default_rng(3), "noise")
    before = path.read_bytes()
    salvage(path, tmp_path / "out")
    assert path.read_bytes() == before


@given(st.lists(st.tuples(st.integers(0, 8 * 4096 - 1), st.integers(0, 255)), max_size=40))
def test_no_damage_breaks_the_reading_of_pages(original, changes):
    data = bytearray(original.read_bytes()[: 8 * 4096])
    for at, byte in changes:
        data[at] = byte
    assert len(list(find_records(data, bytes(data[1000:])))) < 1000


@pytest.mark.parametrize("size", [512, 1024, 4096, 65536])
def test_pages_are_read_as_sqlite_reads_them(tmp_path, size):
    # the reference is SQLite itself: values of every kind and length, in pages of every size
    import sqlite3

    random = np.random.default_rng(4)
    lengths = [0, 1, size - 60, size - 50, size - 40, size - 35, size - 30, 2 * size, 5 * size + 3]
    numbers = [0, 1, -1, 127, 128, -32768, 2**23, -(2**31), 2**47, -(2**63), 2**63 - 1, 0.1, -2.5]
    expected = {}
    connection = sqlite3.connect(tmp_path / "any.db", isolation_level=None)
    connection.execute(f"PRAGMA page_size = {size}")
    connection.execute("CREATE TABLE any (id INTEGER PRIMARY KEY, a, b, c)")
    for k, length in enumerate(lengths * 3):
        row = (random.bytes(length), numbers[k % len(numbers)], "ü" * (length // 3) or None)
        number = int(3 ** min(k, 39) + k)
        connection.execute("INSERT INTO any VALUES (?, ?, ?, ?)", (number, *row))
        expected[number] = [None, *row]
    connection.close()
    found = dict(find_records((tmp_path / "any.db").read_bytes()))
    assert {number: found.get(number) for number in expected} == expected
