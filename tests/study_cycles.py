"""Study: are permanent sets made up, and do predictions hold? 1,000 machines.

Each machine is heated and cooled two to four times, over three or four temperatures, and probed in
each state; its mode has a slope, a curvature and a loop of random size and a noise of 1 to 5 um.
Run by hand: ``python tests/study_cycles.py``; the tests run a part of it.
"""

import sys
from typing import NamedTuple

import numpy as np

from mesh.cycles import directions, fit_cycles


class Shares(NamedTuple):
    """What was found over all machines, as parts of 1."""

    false_set: float
    false_loop: float
    found_set: float
    """Where each cycle left two standard deviations of a state."""
    covered: float
    """Predictions of a new state, at a temperature within those seen, inside their interval."""


def shares(count: int, seed: int = 1) -> Shares:
    """Probe many machines."""
    random = np.random.default_rng(seed)
    seen: list[tuple[bool, bool, bool, bool]] = []
    for _ in range(count):
        levels = np.linspace(random.uniform(20, 30), random.uniform(60, 110), random.integers(3, 5))
        once = np.concatenate((levels, levels[-2::-1]))
        bed = np.concatenate((once, *[once[1:]] * int(random.integers(1, 4))))
        bed = bed + random.uniform(-0.5, 0.5, len(bed))
        heating, cycle = directions(bed)
        b, d, e = random.normal(0, (1e-3, 1e-5, 3e-3))
        noise = random.uniform(0.001, 0.005)

        def true(
            at: np.ndarray, warm: np.ndarray, *, b: float = b, d: float = d, e: float = e
        ) -> np.ndarray:
            return b * (at - 25) + d * (at - 25) ** 2 + e * np.where(warm, 1, -1)

        plain = true(bed, heating) + random.normal(0, noise, len(bed))
        no_loop = plain - e * np.where(heating, 1, -1)
        keeps = plain + 2 * noise * cycle
        found = fit_cycles(
            {"plain": plain, "no loop": no_loop, "keeps": keeps}, bed, heating, cycle
        )  # fmt: skip
        plain_mode, without, keeping = found.modes
        assert plain_mode.set_per_cycle is not None
        assert without.loop is not None
        assert keeping.set_per_cycle is not None
        at, warm = random.uniform(bed.min(), bed.max()), bool(random.integers(0, 2))
        _, low, high = found.predict(at, heating=warm).modes["plain"]
        new = float(true(np.array(at), np.array(warm))) + random.normal(0, noise)
        seen.append(
            (
                bool(plain_mode.set_per_cycle.significant),
                bool(without.loop.significant),
                bool(keeping.set_per_cycle.significant),
                low <= new <= high,
            )
        )
    return Shares(*(float(share) for share in np.mean(seen, axis=0)))


def main() -> None:
    """Print the shares."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    for seed in range(1, 6):
        found = shares(count, seed)
        print(
            f"{count} machines: permanent set made up {found.false_set * 100:.1f} %, loop made up "
            f"{found.false_loop * 100:.1f} %, set of two sigma a cycle found "
            f"{found.found_set * 100:.1f} %, predictions inside {found.covered * 100:.1f} %"
        )


if __name__ == "__main__":
    main()
