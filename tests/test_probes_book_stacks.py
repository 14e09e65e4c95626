from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from probes.book import open_book, stacks
from probes.run import Run

BEGIN = datetime(2026, 1, 1, tzinfo=UTC)


@pytest.fixture
def book(tmp_path):
    with open_book(tmp_path / "book.db") as opened:
        yield opened


def add(book, count, places=5, first=0):
    x, y = np.arange(places), np.arange(places) % 3
    for k in range(first, first + count):
        z = np.random.default_rng(k).normal(size=places)
        book.add_run(Run(x, y, z, started=BEGIN + timedelta(hours=k)))


def test_runs_at_the_same_positions_lie_on_one_another(book):
    add(book, 3)
    add(book, 2, places=6, first=3)
    add(book, 1, first=5)
    found = list(book.stacks())
    assert [stack.ids for stack in found] == [(1, 2, 3), (4, 5), (6,)]
    for stack in found:
        for number, moment, z in zip(stack.ids, stack.moments, stack.z, strict=True):
            run = book.run(number)
            assert z.tobytes() == run.z.tobytes()
            assert (stack.x.tobytes(), stack.y.tobytes()) == (run.x.tobytes(), run.y.tobytes())
            assert moment == run.started.timestamp()


def test_stacks_are_in_time(book):
    add(book, 2, first=2)
    add(book, 2)
    assert [stack.ids for stack in book.stacks()] == [(3, 4, 1, 2)]


def test_long_history_comes_in_pieces(book, monkeypatch):
    monkeypatch.setattr(stacks, "LARGEST", 12)
    add(book, 7)
    found = list(book.stacks())
    assert len(found) > 1
    assert [number for stack in found for number in stack.ids] == list(range(1, 8))


def test_empty_book_has_no_stack(book):
    assert list(book.stacks()) == []
