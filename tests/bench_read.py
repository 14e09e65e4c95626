"""Benchmarks of reading: ratios against a reference in one run.

Run by hand: ``python tests/bench_read.py``.
"""

import re
import tempfile
from pathlib import Path

import numpy as np
from timing import best

from probes import ReadOptions, read_run

LINES = 1_000_000


def bare_loop(path: Path) -> list[tuple[float, float, float]]:
    """What a script would do: a compiled pattern, line by line."""
    pattern = re.compile(r"touch at x ([-+.\d]+) y ([-+.\d]+) gives z ([-+.\d]+)")
    found = []
    with path.open() as stream:
        for line in stream:
            match = pattern.search(line)
            if match:
                found.append((float(match[1]), float(match[2]), float(match[3])))
    return found


def main() -> None:
    """Print the ratios."""
    random = np.random.default_rng(1)
    table = np.column_stack((random.uniform(0, 300, (LINES, 2)), random.normal(0, 0.1, LINES)))
    with tempfile.TemporaryDirectory() as folder:
        columns, log = Path(folder, "run.csv"), Path(folder, "run.log")
        np.savetxt(columns, table, fmt="%.4f", delimiter=",")
        with log.open("w") as stream:
            stream.writelines(
                f"12:00:01 touch at x {x:.3f} y {y:.3f} gives z {z:+.4f}\n" for x, y, z in table
            )
        template = ReadOptions(line="touch at x {x} y {y} gives z {z}")
        for name, ours, theirs in (
            (
                "columns / numpy.loadtxt",
                lambda: read_run(columns),
                lambda: np.loadtxt(columns, delimiter=","),
            ),
            (
                "captured text with a template / bare loop over a compiled pattern",
                lambda: read_run(log, template),
                lambda: bare_loop(log),
            ),
        ):
            a, b = best(ours), best(theirs)
            print(f"{LINES:,} lines, {name}: {a / b:.2f} ({a:.2f} s / {b:.2f} s)")


if __name__ == "__main__":
    main()
