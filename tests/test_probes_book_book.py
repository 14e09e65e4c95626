"""The book as its users see it."""

from datetime import UTC, datetime, timedelta, timezone
from hashlib import sha256

import numpy as np
import pytest

from probes.book import Added, BookError, open_book
from probes.run import Run


@pytest.fixture
def path(tmp_path):
    return tmp_path / "book.db"


@pytest.fixture
def book(path):
    with open_book(path) as opened:
        yield opened


def some_run(seed=0, **more):
    return Run(*np.random.default_rng(seed).normal(size=(3, 9)), **more)


def test_same_run_twice_is_stored_once(book):
    assert book.add_run(some_run(1)) == Added(1, new=True)
    assert book.add_run(some_run(2)) == Added(2, new=True)
    assert book.add_run(some_run(1, source="a copy", note="again")) == Added(1, new=False)
    assert [record.id for record in book.runs()] == [1, 2]


def test_last_bit_makes_another_run(book):
    run = some_run(1)
    z = run.z.copy()
    z[4] = np.nextafter(z[4], 9)
    assert book.add_run(run).new
    assert book.add_run(run.replace(z=z)).new
    assert book.add_run(run.replace(bed=60.0)).new


def test_same_readings_begun_at_other_times_are_two_runs(book):
    # a coarse probe on a stiff bed does give the same readings again
    begun = datetime(2026, 3, 1, 10, tzinfo=UTC)
    first, second = some_run(started=begun), some_run(started=begun + timedelta(hours=1))
    assert [book.add_run(run).id for run in (first, second, first, second)] == [1, 2, 1, 2]
    assert not book.add_run(some_run()).new  # does not say when: taken for the first


def test_record_says_what_the_run_was(book):
    started = datetime(2026, 3, 1, 10, 30, tzinfo=timezone(timedelta(hours=2)))
    run = some_run(started=started, source="cold.csv", format="columns", plate="glass", note="n")
    before = datetime.now(UTC)
    book.add_run(run, source="x,y,z\n", unit="um")
    (record,) = book.runs()
    assert (record.source, record.format, record.plate, record.note, record.unit) == (
        "cold.csv", "columns", "glass", "n", "um"
    )  # fmt: skip
    assert record.touches == 9
    assert record.started == started
    assert record.started.utcoffset() == timedelta(hours=2)
    assert record.moment == started.timestamp()
    assert before <= record.added <= datetime.now(UTC)
    assert record.source_digest == sha256(b"x,y,z\n").hexdigest()


def test_bytes_and_text_of_a_source_have_one_digest(book):
    book.add_run(some_run(1), source="z [µm]")
    book.add_run(some_run(2), source="z [µm]".encode())
    first, second = book.runs()
    assert first.source_digest == second.source_digest


def test_runs_are_listed_in_the_order_taken(book):
    for day in (3, 1, 2):
        book.add_run(some_run(day, started=datetime(2026, 3, day, tzinfo=UTC)))
    assert [record.id for record in book.runs()] == [2, 3, 1]


def test_history_outlives_the_program(path):
    at = datetime(2026, 5, 2, 8, tzinfo=UTC)
    with open_book(path) as book:
        run = book.add_run(some_run()).id
        book.add_event("moved the probe", text="to the right side", at=at)
        book.add_event("20 h of printing", at=at - timedelta(days=1))
        book.add_note("reads high at the back", run=run, at=at)
        numbers = book.add_turns([("left", 0.2, 0.025), ("right", -0.1, -0.0125)], run=run, at=at)
        book.add_machine('name = "Bench"\n')
    with open_book(path, create=False) as book:
        assert [(e.what, e.text, e.at) for e in book.events()] == [
            ("20 h of printing", None, at - timedelta(days=1)),
            ("moved the probe", "to the right side", at),
        ]
        assert [(n.text, n.run, n.at) for n in book.notes()] == [
            ("reads high at the back", run, at)
        ]
        assert numbers == (1, 2)
        assert [(t.lift, t.rise, t.turns, t.run, t.at) for t in book.turns()] == [
            ("left", 0.2, 0.025, run, at),
            ("right", -0.1, -0.0125, run, at),
        ]
        (machine,) = book.machines()
        assert machine.text == 'name = "Bench"\n'
        assert machine.digest == sha256(machine.text.encode()).hexdigest()


def test_machine_file_is_kept_when_it_changes(book):
    assert book.add_machine("a = 1") == Added(1, new=True)
    assert book.add_machine("a = 1") == Added(1, new=False)
    assert book.add_machine("a = 2") == Added(2, new=True)
    assert book.add_machine("a = 1") == Added(3, new=True)  # back again is a change
    assert [machine.text for machine in book.machines()] == ["a = 1", "a = 2", "a = 1"]


def test_turns_are_added_all_or_none(book):
    with pytest.raises(BookError, match="turns of right: is inf; give a finite number"):
        book.add_turns([("left", 0.1, 0.1), ("right", 0.1, np.inf)])
    assert book.turns() == []


@pytest.mark.parametrize(
    ("action", "line"),
    [
        (lambda book: book.run(7), "there is no run 7 in the book; it holds no runs yet"),
        (lambda book: book.add_note("n", run=7), "there is no run 7 in the book"),
        (lambda book: book.add_turns([("left", 0.1, 0.1)], run=7), "there is no run 7 in the book"),
        (lambda book: book.add_turns([]), "no turns to add"),
        (lambda book: book.add_turns([("", 0.1, 0.1)]), "turn: names no lift; write something"),
        (lambda book: book.add_turns([("left", np.nan, 0.1)]), "rise of left: is nan"),
        (lambda book: book.add_note(" "), "note: is empty; write something"),
        (lambda book: book.add_event(""), "event: says not what happened; write something"),
        (lambda book: book.add_machine("\n"), "machine.toml: is empty"),
    ],
)
def test_what_cannot_be_is_refused_and_leaves_nothing(book, action, line):
    with pytest.raises(BookError, match=line):
        action(book)
    assert set(book.check().counts.values()) == {0}


def test_missing_run_says_which_there_are(book):
    book.add_run(some_run())
    with pytest.raises(BookError, match="there is no run 2 in the book; its runs are numbered up"):
        book.run(2)


def test_text_that_is_no_text_is_kept_readable(book):
    # a file name on Linux may hold bytes that are no characters
    book.add_run(some_run(source=b"caf\xe9.csv".decode("utf-8", "surrogateescape")))
    assert book.runs()[0].source == r"caf\udce9.csv"
    book.add_note("nul \0 and ☃")
    assert book.notes()[0].text == "nul \0 and ☃"


def test_time_no_clock_knows_is_refused(book):
    with pytest.raises(BookError, match="no clock knows it"):
        book.add_event("long ago", at=datetime(1, 1, 1))
