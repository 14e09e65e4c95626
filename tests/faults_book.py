"""Faults of the world around a book: killed programs, full disks, many programs at once.

Run by hand: ``python tests/faults_book.py`` kills 300 writers and lets two programs write and ten
read for ten seconds; as root it also fills a small disk. The normal tests do less of the same.
"""

import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from typing import NamedTuple

import numpy as np

from probes.book import BookError, open_book
from probes.run import Run


def make_run(seed: int, places: int = 49) -> Run:
    """Invent a run that can be told by its number."""
    random = np.random.default_rng(seed)
    return Run(*random.normal(size=(3, places)), source=f"run {seed}")


def write(path: Path, first: int, end: float = np.inf) -> int:
    """Add runs and acknowledge each; give how many."""
    print("open", flush=True)
    seed = first
    with open_book(path) as book:
        while time.time() < end:
            number = book.add_run(make_run(seed)).id
            book.add_turns([("left", 0.1, 0.05), ("right", -0.1, -0.05)], run=number)
            print(seed, flush=True)
            seed += 1
    return seed - first


def read(path: Path, end: float = np.inf) -> tuple[int, float]:
    """Read all heights again and again; give how often, and the longest wait for an answer, s."""
    times, longest = 0, 0.0
    while time.time() < end:
        start = time.perf_counter()
        with open_book(path, create=False) as book:
            first = next(book.stacks(), None)
            longest = max(longest, time.perf_counter() - start)
            held = sum(1 for _ in book.stacks())
            assert held >= (first is not None)
            assert len(book.runs()) >= held
        times += 1
    return times, longest


class Killed(NamedTuple):
    """What became of books whose writers were killed."""

    times: int
    acknowledged: int
    unacknowledged: int
    before_first: int


def kill_writers(times: int, folder: Path, *, longest: float = 0.15, books: int = 10) -> Killed:
    """Kill a writer at a random moment, look at the book, and go on; at last with another book.

    Every acknowledged run must be there to the last bit, with its turns, and the book sound.
    """
    random = np.random.default_rng(0)
    acknowledged: set[int] = set()
    strays: set[int] = set()
    path = folder / "book.db"
    all_told = unacknowledged = early = 0
    for k in range(times):
        if k % max(1, times // books) == 0:
            acknowledged, strays, path = set(), set(), folder / f"book {k}.db"
        command = [sys.executable, __file__, "write", str(path), str(1_000_000 * (k + 1))]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as writer:
            writer.stdout.readline()
            time.sleep(random.uniform(0, longest))
            writer.kill()
            told = {int(line) for line in writer.stdout if line.endswith("\n")}
            assert writer.wait() == -9
        early += not told
        acknowledged |= told
        all_told += len(told)
        with open_book(path) as book:
            health = book.check()
            assert health.sound, health.faults
            held = {int(record.source.split()[1]): record.id for record in book.runs()}
            assert acknowledged <= held.keys()
            turned = Counter(turn.run for turn in book.turns())
            assert all(turned[held[seed]] == 2 for seed in acknowledged)
            assert set(turned.values()) <= {2}
            for seed in told:
                kept, run = book.run(held[seed]), make_run(seed)
                assert all(
                    getattr(kept, name).tobytes() == getattr(run, name).tobytes() for name in "xyz"
                )
        more = held.keys() - acknowledged - strays
        assert len(more) <= 1
        strays |= more
        unacknowledged += len(more)
    return Killed(times, all_told, unacknowledged, early)


def use_at_once(seconds: float, path: Path, writers: int = 2, readers: int = 10) -> list[str]:
    """Let programs write and read one book at once; any fault of one of them is raised."""
    open_book(path).close()
    end = time.time() + seconds
    programs = [
        subprocess.Popen(
            [sys.executable, __file__, *arguments, str(end)],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        )
        for arguments in (
            *(["write", str(path), str(1_000_000 * (k + 1))] for k in range(writers)),
            *(["read", str(path)] for _ in range(readers)),
        )
    ]  # fmt: skip
    told = []
    for program in programs:
        out, fault = program.communicate()
        assert program.returncode == 0, fault
        told.append(out.splitlines()[-1])
    with open_book(path) as book:
        assert book.check().sound
    return told


def fill_disk(folder: Path) -> tuple[int, str]:
    """Add runs until the disk is full; give how many were, and what was said."""
    path = folder / "book.db"
    count = 0
    try:
        with open_book(path) as book:
            while True:
                book.add_run(make_run(count))
                count += 1
    except BookError as fault:
        said = str(fault)
    # closing may have failed to fold the log in; what was acknowledged must be readable still
    with open_book(path) as book:
        assert book.check().sound
        assert {record.source for record in book.runs()} == {f"run {k}" for k in range(count)}
    return count, said


def read_on_full_disk(folder: Path) -> str:
    """Fill the disk with something else: a book must be readable; give what adding to it says."""
    path = folder / "closed.db"
    with open_book(path) as book:
        for k in range(5):
            book.add_run(make_run(k))
    try:
        with (folder / "filler").open("wb", buffering=0) as filler:
            while True:
                filler.write(bytes(512))
    except OSError:
        pass
    try:
        with open_book(path, create=False) as book:
            assert [record.source for record in book.runs()] == [f"run {k}" for k in range(5)]
            assert book.check().sound
            book.add_run(make_run(5))
    except BookError as fault:
        return str(fault)
    raise AssertionError("added on a full disk")


def main() -> None:
    """Print what happened."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        start = time.perf_counter()
        print(kill_writers(300, folder), f"{time.perf_counter() - start:.0f} s")
        for line in use_at_once(10, folder / "shared.db"):
            print(line)
        disk = folder / "disk"
        disk.mkdir()
        mount = ["mount", "-t", "tmpfs", "-o", "size=2m", "tmpfs", str(disk)]
        if subprocess.run(mount, check=False).returncode == 0:
            try:
                print(*fill_disk(disk))
                for path in disk.iterdir():
                    path.unlink()
                print(read_on_full_disk(disk))
            finally:
                subprocess.run(["umount", str(disk)], check=True)


if __name__ == "__main__":
    match sys.argv[1:]:
        case []:
            main()
        case ["write", book, first]:
            write(Path(book), int(first))
        case ["write", book, first, until]:
            print(write(Path(book), int(first), float(until)), "runs written")
        case ["read", book, until]:
            print("read {} times, longest wait {:.3f} s".format(*read(Path(book), float(until))))
