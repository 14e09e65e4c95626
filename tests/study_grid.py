"""Study: does the recommended grid hold? 500 simulated beds of all kinds.

The true remainder is that of the bed without noise, corrected at exact nodes of the recommended
grid; one step coarser has a line fewer along each axis.
Run by hand: ``python tests/study_grid.py``.
"""

import sys

import numpy as np
from study_flatness import KINDS, bed

from mesh.cells import Cells
from mesh.grid import advise_grid
from mesh.noise import find_noise
from probes import Run

DENSE = np.linspace(-1, 1, 121)


def remainder(true, columns: int, rows: int, kind: str) -> float:
    """Largest departure of a bed from its correction."""
    x, y = np.linspace(-1, 1, columns), np.linspace(-1, 1, rows)
    nodes = true(*np.meshgrid(x, y))
    cells = Cells(x, y, nodes, np.zeros_like(nodes), 1 if kind == "bilinear" else 3)
    u, v = (a.ravel() for a in np.meshgrid(DENSE, DENSE))
    return float(np.abs(true(u, v) - cells.at(u, v)[0]).max())


def shares(count: int, seed: int = 1) -> tuple[float, float, int]:
    """Share of grids that hold, share of coarser ones that do not, and of how many beds."""
    random = np.random.default_rng(seed)
    held, coarser_fails = [], []
    for k in range(count):
        kind = KINDS[k % len(KINDS)]
        lines = int(random.integers(7, 12))
        seed_of_bed = int(random.integers(2**31))

        def true(u, v, kind=kind, seed_of_bed=seed_of_bed, size=1.0):
            return size * bed(u, v, kind, np.random.default_rng(seed_of_bed))

        u, v = (
            a.ravel() for a in np.meshgrid(np.linspace(-1, 1, lines), np.linspace(-1, 1, lines))
        )
        size = 0.2 / max(float(np.ptp(true(u, v))), 1e-9)
        sigma = float(random.uniform(0.001, 0.004))
        z = true(u, v, size=size) + random.normal(0, sigma, len(u))
        run = Run(x=175 + 155 * u, y=175 + 155 * v, z=z)
        tolerance = float(random.uniform(0.015, 0.05))
        found = advise_grid(
            run.places, find_noise(run, given=sigma), tolerance=tolerance
        ).recommended
        if found is None:
            continue

        def sized(u, v, size=size, true=true):
            return true(u, v, size=size)

        held.append(remainder(sized, found.columns, found.rows, found.kind) <= tolerance)
        if min(found.columns, found.rows) > 2:
            coarse = remainder(sized, found.columns - 1, found.rows - 1, found.kind)
            coarser_fails.append(coarse > tolerance)
    return float(np.mean(held)), float(np.mean(coarser_fails)), len(held)


def main() -> None:
    """Print the shares."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 500
    held, fails, beds = shares(count)
    print(f"{beds} of {count} beds: the recommended grid holds {held * 100:.1f} %, ", end="")
    print(f"one step coarser fails {fails * 100:.1f} %")


if __name__ == "__main__":
    main()
