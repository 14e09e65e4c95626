"""Benchmark of local flatness: ratios against one minimum zone of the whole run.

Run by hand: ``python tests/bench_local.py``.
"""

import numpy as np
from timing import best

from mesh.local import LocalFlatness, local_flatness
from mesh.zone import minimum_zone
from probes import Run
from probes.run import Places

SIDE = 300


def beds() -> dict[str, Places]:
    """300 x 300 places 1 mm apart on beds of several shapes; the bows are 0.1 mm."""
    x, y = np.meshgrid(np.arange(float(SIDE)), np.arange(float(SIDE)))
    bow = 0.1 * (x / 150 - 1) ** 2
    bowl = bow + 0.1 * (y / 150 - 1) ** 2
    noise = np.random.default_rng(2).normal(0, 0.01, x.shape)
    heights = {
        "a bow with noise of 0.010 mm": bow + noise,
        "the same rounded to 0.0025 mm": np.round((bow + noise) / 0.0025) * 0.0025,
        "noise of 0.010 mm rounded to 0.010 mm": np.round(noise / 0.01) * 0.01,
        "a bowl with noise of 0.001 mm": bowl + noise / 10,
        "a bowl without noise (all windows are equal)": bowl,
    }
    return {name: Run(x=x, y=y, z=z).places for name, z in heights.items()}


def main() -> None:
    """Print all ratios."""
    for name, places in beds().items():
        whole = best(lambda places=places: minimum_zone(places.x, places.y, places.z), 7)
        print(f"{SIDE} x {SIDE}, {name}; one minimum zone {whole * 1e3:.1f} ms")
        for share in (10, 3, 2):
            part = (SIDE - 1) / share
            results: list[LocalFlatness] = []
            taken = best(
                lambda places=places, part=part, results=results: results.append(
                    local_flatness(places, part, part)
                ),
                1,
            )
            found = results[0]
            print(
                f"  local flatness / minimum zone, part of 1/{share}: {taken / whole:.0f} "
                f"({taken:.1f} s; {found.positions:,} windows, {found.solved:,} solved, "
                f"{found.best.zone.width:.4f} to {found.worst.zone.width:.4f} mm)"
            )


if __name__ == "__main__":
    main()
