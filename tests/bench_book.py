"""Benchmarks of the book: ratios against bare use of sqlite3 in one run.

Run by hand: ``python tests/bench_book.py``.
"""

import sqlite3
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from timing import best

from probes.book import Book, open_book
from probes.run import Run

RUNS, SIDE = 10_000, 7


def make_runs(count: int) -> list[Run]:
    """Invent runs of a 7 x 7 grid."""
    random = np.random.default_rng(1)
    x, y = (lines.ravel() for lines in np.meshgrid(*[np.linspace(20, 330, SIDE)] * 2))
    begin = datetime(2026, 1, 1, tzinfo=UTC)
    return [
        Run(x, y, random.normal(0, 0.05, len(x)), started=begin + timedelta(hours=k))
        for k in range(count)
    ]


def add_bare(path: Path, runs: list[Run]) -> float:
    """Seconds to add the same blobs with nothing but durable commits."""
    with sqlite3.connect(path, isolation_level=None) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE run (id INTEGER PRIMARY KEY, x BLOB, y BLOB, z BLOB)")
        start = time.perf_counter()
        for run in runs:
            connection.execute(
                "INSERT INTO run (x, y, z) VALUES (?, ?, ?)",
                (run.x.tobytes(), run.y.tobytes(), run.z.tobytes()),
            )
        taken = time.perf_counter() - start
    connection.close()
    return taken


def twist_of_all(book: Book) -> np.ndarray:
    """The trend figure: twist of every run, by the contrast of x times y."""
    figures = []
    for stack in book.stacks():
        x, y = stack.x - stack.x.mean(), stack.y - stack.y.mean()
        figures.append(stack.z @ (x * y) / ((x * y) @ (x * y)))
    return np.concatenate(figures)


def read_bare(path: Path, columns: str = "id, moment, x, y, z") -> int:
    """Read the same rows with nothing but sqlite3."""
    connection = sqlite3.connect(path)
    rows = connection.execute(f"SELECT {columns} FROM run").fetchall()
    connection.close()
    return len(rows)


def main() -> None:
    """Print the ratios."""
    runs = make_runs(RUNS)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "book.db")
        start = time.perf_counter()
        with open_book(path) as book:
            for run in runs:
                book.add_run(run)
        ours = time.perf_counter() - start
        bare = add_bare(Path(folder, "bare.db"), runs)
        print(
            f"{RUNS:,} runs of {SIDE**2} places added, each on the disk before the next: "
            f"{RUNS / ours:,.0f} a second, {ours / bare:.2f} times bare sqlite3 "
            f"({RUNS / bare:,.0f} a second)"
        )

        def read() -> int:
            with open_book(path, create=False) as book:
                return len(twist_of_all(book))

        a, b = best(read), best(lambda: read_bare(path))
        print(f"twist of {read():,} runs / bare read of the same rows: {a / b:.2f} "
              f"({a * 1e3:.0f} ms / {b * 1e3:.0f} ms)")  # fmt: skip
        with open_book(path) as book:
            each = best(lambda: [book.run(k + 1) for k in range(RUNS)], 1)
            print(f"every run by its number, seal checked: {each * 1e6 / RUNS:.0f} us each")
            print(f"check of the whole book: {best(book.check, 1):.2f} s; "
                  f"list: {best(book.runs, 1):.2f} s")  # fmt: skip
        print(f"size: {path.stat().st_size / RUNS:,.0f} bytes a run")


if __name__ == "__main__":
    main()
