"""Benchmark of the flatness result: cost against the number of places, and its growth.

Run by hand: ``python tests/bench_flatness.py``. Everything that `check` finds but drawn beds and
part windows is timed, over the time of the minimum zone of the same run; the drawn beds apart.
"""

import numpy as np
from timing import best

from level.check import check_bed
from mesh.estimate import estimate_flatness
from mesh.noise import find_noise
from mesh.zone import minimum_zone
from probes import Run

SIDES = (7, 10, 30, 100, 300, 1000)


def regular(side: int) -> Run:
    """A bowed, tilted, noisy bed on a grid."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 300, side), np.linspace(0, 300, side)))
    noise = np.random.default_rng(2).normal(0, 0.004, len(x))
    return Run(x=x, y=y, z=0.1 * (x / 150 - 1) ** 2 + 3e-4 * y + noise)


def main() -> None:
    """Print times, ratios and the growth exponent."""
    sizes, taken = [], []
    for side in SIDES:
        run = regular(side)
        places = run.places
        times = 7 if side <= 100 else 2
        zone = best(lambda: minimum_zone(places.x, places.y, places.z), times)  # noqa: B023
        whole = best(lambda: check_bed(run, draws=0), times)  # noqa: B023
        line = (
            f"{len(places):9,} places: flatness result / minimum zone "
            f"{whole / zone:5.1f} ({whole * 1e3:.1f} ms / {zone * 1e3:.2f} ms)"
        )
        if side <= 300:
            noise = find_noise(run)
            drawn = best(lambda: estimate_flatness(places, noise), 1)  # noqa: B023
            line += f"; 400 drawn beds {drawn * 1e3:.0f} ms"
        print(line)
        sizes.append(len(places))
        taken.append(whole)
    for start in (0, 2, 3):
        slope = np.polyfit(np.log(sizes[start:]), np.log(taken[start:]), 1)[0]
        print(f"growth exponent from {sizes[start]:,} places on: {slope:.2f}")


if __name__ == "__main__":
    main()
