"""Benchmark of the flatness result: cost against the number of places, and its growth.

Run by hand: ``python tests/bench_flatness.py``. The flatness result (plane, modes, flatness, shape,
parts, whether it is more than noise) is timed over the minimum zone of the same run, and so is the
whole check with what else it asks (noise, drift, suspects, scan); drawn beds apart.
"""

import numpy as np
from timing import best

from level.check import check_bed
from mesh import flatness, minimum_zone, modes
from mesh.estimate import estimate_flatness, looks_perfect
from mesh.noise import Noise, find_noise
from mesh.parts import find_parts
from mesh.shape import find_shape
from probes import Run
from probes.run import Places

SIDES = (7, 10, 30, 100, 300, 1000)


def regular(side: int) -> Run:
    """A bowed, tilted, noisy bed on a grid."""
    x, y = (a.ravel() for a in np.meshgrid(np.linspace(0, 300, side), np.linspace(0, 300, side)))
    noise = np.random.default_rng(2).normal(0, 0.004, len(x))
    return Run(x=x, y=y, z=0.1 * (x / 150 - 1) ** 2 + 3e-4 * y + noise)


def flatness_result(places: Places, noise: Noise) -> None:
    """Find all that is said of the flatness, but for drawn beds and part windows."""
    x, y, z = places.x, places.y, places.z
    shape = modes(x, y, z)
    flat = flatness(x, y, z)
    looks_perfect(flat, shape, noise)
    find_parts(places, flat, shape)
    find_shape(places, noise)


def main() -> None:
    """Print times, ratios and the growth exponent."""
    sizes, taken = [], []
    for side in SIDES:
        run = regular(side)
        places = run.places
        times = 7 if side <= 100 else 2
        zone = best(lambda: minimum_zone(places.x, places.y, places.z), times)  # noqa: B023
        noise = find_noise(run)
        result = best(lambda: flatness_result(places, noise), times)  # noqa: B023
        whole = best(lambda: check_bed(run, draws=0), times)  # noqa: B023
        line = (
            f"{len(places):9,} places: flatness result / minimum zone {result / zone:5.1f} "
            f"({result * 1e3:.1f} ms / {zone * 1e3:.2f} ms); whole check {whole / zone:.1f}"
        )
        if side <= 300:
            drawn = best(lambda: estimate_flatness(places, noise), 1)  # noqa: B023
            line += f"; 400 drawn beds {drawn * 1e3:.0f} ms"
        print(line)
        sizes.append(len(places))
        taken.append(result)
    for start in (0, 2, 3):
        slope = np.polyfit(np.log(sizes[start:]), np.log(taken[start:]), 1)[0]
        print(f"growth exponent from {sizes[start]:,} places on: {slope:.2f}")


if __name__ == "__main__":
    main()
