"""Benchmarks of the minimum zone and of the text answer: ratios against a reference in one run.

Run by hand: ``python tests/bench_zone.py``.
"""

import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
from scipy.optimize import linprog
from timing import best

from mesh.zone import minimum_zone


def bed(n: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A bowed, noisy, tilted bed of n places."""
    random = np.random.default_rng(1)
    x, y = random.uniform(0, 300, (2, n))
    return x, y, 0.1 * (x / 150 - 1) ** 2 + 3e-4 * y + random.normal(0, 0.01, n)


def regular(side: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same on a grid, rounded to 0.0025 mm, which makes many equal heights."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 300, side), np.linspace(0, 300, side)))
    z = 0.1 * (x / 150 - 1) ** 2 + 3e-4 * y + np.random.default_rng(2).normal(0, 0.01, len(x))
    return x, y, np.round(z / 0.0025) * 0.0025


def against_lstsq(name: str, x: np.ndarray, y: np.ndarray, z: np.ndarray) -> None:
    """Print the time of the minimum zone over that of numpy's least-squares plane."""
    design = np.column_stack((x, y, np.ones(len(x))))
    zone = best(lambda: minimum_zone(x, y, z), 7)
    plane = best(lambda: np.linalg.lstsq(design, z, rcond=None), 7)
    found = minimum_zone(x, y, z)
    print(
        f"minimum zone / numpy.linalg.lstsq, {name}: {zone / plane:.2f} "
        f"({zone * 1e3:.1f} ms / {plane * 1e3:.1f} ms; {found.exchanges} exchanges, "
        f"gap {found.gap:.1e})"
    )


def against_highs(n: int) -> None:
    """Print the time of SciPy's HiGHS over that of the minimum zone."""
    x, y, z = bed(n)
    design = np.column_stack((x, y, np.ones(n)))
    ones = np.ones((n, 1))
    rows = np.block([[-design, -ones], [design, -ones]])
    heights = np.concatenate((-z, z))

    def solve() -> float:
        result = linprog((0, 0, 0, 1), A_ub=rows, b_ub=heights, bounds=(None, None), method="highs")
        return 2 * float(result.x[3])

    highs, zone = best(solve, 1), best(lambda: minimum_zone(x, y, z), 5)
    print(
        f"HiGHS / minimum zone, {n:,} places: {highs / zone:.0f} "
        f"({highs * 1e3:.0f} ms / {zone * 1e3:.1f} ms; widths differ by "
        f"{abs(solve() - minimum_zone(x, y, z).width):.1e})"
    )


def against_imports() -> None:
    """Print the wall time of `planish check FILE` over that of importing numpy and typer."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "run.csv"
        x, y, z = regular(7)
        rows = "\n".join(f"{a},{b},{c}" for a, b, c in zip(x, y, z, strict=True))
        path.write_text("x,y,z\n" + rows)

        def run(arguments: list[str]) -> float:
            return best(
                lambda: subprocess.run(
                    [sys.executable, *arguments], cwd=folder, capture_output=True, check=True
                ),
                1,
            )

        commands = (["-m", "level", "check", str(path)], ["-c", "import numpy, typer"])
        taken = [[run(command) for command in commands] for _ in range(15)]
        check, imports = (statistics.median(column) for column in zip(*taken, strict=True))
        print(
            f"planish check FILE / python -c 'import numpy, typer': {check / imports:.2f} "
            f"({check * 1e3:.0f} ms / {imports * 1e3:.0f} ms, medians of 15)"
        )


def main() -> None:
    """Print all ratios."""
    against_lstsq("1,000,000 places", *bed(1_000_000))
    against_lstsq("300 x 300 rounded", *regular(300))
    against_lstsq("7 x 7 rounded", *regular(7))
    against_highs(100_000)
    against_imports()


if __name__ == "__main__":
    main()
