"""Study: does `planish compare` call 5 % of unchanged beds changed, and find real changes?

2,000 simulated pairs of runs for each way that sigma is known. Run by hand: ``python
tests/study_change.py``; the tests run a part of it.
"""

import sys
from collections import defaultdict
from collections.abc import Callable, Iterator

import numpy as np

from mesh.change import Change, compare
from mesh.noise import Noise, find_noise
from probes import Run
from probes.run import Floats

OTHER_GRIDS = ((7, 6, 0.9), (7, 9, 0.95), (5, 9, 0.8), (4, 12, 0.95), (12, 4, 0.9), (3, 8, 0.95))
WAYS = ("machine file", "repeated touches", "uneven touches", "map")


def pairs(
    random: np.random.Generator,
    way: str,
    count: int,
    change: Callable[[Floats, Floats], Floats] | None = None,
    *,
    side: int | None = None,
) -> Iterator[Change]:
    """Compare pairs of runs of random beds, where positions -1..1 rise by `change` in between.

    `change` is in standard deviations of a touch.
    """
    for _ in range(count):
        places = side or int(random.integers(5, 10))
        at = np.linspace(-1, 1, places)
        x, y = (values.ravel() for values in np.meshgrid(at, at))
        fall_x, fall_y, bow_x, bow_y, twist = random.normal(0, 0.1, 5)
        bed = fall_x * x + fall_y * y + bow_x * x**2 + bow_y * y**2 + twist * x * y
        sigma = float(random.uniform(0.001, 0.01))
        runs = []
        for rise in (0.0 * x, 0.0 * x if change is None else sigma * change(x, y)):
            touches = np.ones(len(x), dtype=int)
            if way == "repeated touches":
                touches *= 3
            elif way == "uneven touches":
                touches = random.integers(1, 5, len(x))
            xs, ys, zs = (np.repeat(v, touches) for v in (150 + 150 * x, 150 + 150 * y, bed + rise))
            zs = zs + random.normal(0, 0.1) + random.normal(0, sigma, len(zs))
            runs.append(Run(x=xs, y=ys, z=zs))
        given = sigma if way == "machine file" else None
        noises = [find_noise(run, given=given) for run in runs]
        source = "repeated touches" if way == "uneven touches" else way
        assert [noise.source for noise in noises] == [source, source]
        yield compare(runs[0].places, runs[1].places, *noises)


def false_alarms(count: int, seed: int = 1) -> dict[str, dict[str, float]]:
    """Share of unchanged beds that are called changed, by way and by what called them so."""
    shares: dict[str, dict[str, float]] = {}
    for number, way in enumerate(WAYS):
        random = np.random.default_rng([seed, number])
        calls = defaultdict(list)
        for change in pairs(random, way, count):
            calls["any"].append(change.changed)
            calls["modes"].append(any(mode.significant for mode in change.modes.values()))
            calls["map"].append(change.map.significant)
            calls["places"].append(bool(change.places))
        shares[way] = {name: float(np.mean(values)) for name, values in calls.items()}
    return shares


def found(count: int, seed: int = 1) -> dict[tuple[str, str], float]:
    """Share of real changes that are found on 7 x 7 places, by way and kind of change."""
    kinds: dict[str, Callable[[Floats, Floats], Floats]] = {
        "twist 1.33": lambda x, y: 4 / 3 * x * y,
        "bow 2": lambda x, _: 2 * x**2,
        "one place 6": lambda x, y: 6.0 * ((x == 0) & (y == 0)),
        "waves 1.5": lambda x, y: 1.5 * np.sqrt(2) * np.cos(9 * x) * np.where(y > 0, 1, -1),
    }
    shares = {}
    for number, way in enumerate(WAYS):
        for kind, change in kinds.items():
            random = np.random.default_rng([seed, number])
            calls = [pair.changed for pair in pairs(random, way, count, change, side=7)]
            shares[way, kind] = float(np.mean(calls))
    return shares


def surface_alarms(count: int, seed: int = 1) -> dict[tuple[int, int, float], float]:
    """Share of unchanged beds called changed, where runs have other places.

    By the places a side of the first run and of the second, and by the part of the bed that the
    second covers. The first stands there by a thin plate through its places.
    """
    from scipy.interpolate import RBFInterpolator

    shares = {}
    for first, second, part in OTHER_GRIDS:
        random = np.random.default_rng([seed, first, second])
        spots, asked = (
            150 + 100 * size * np.reshape(np.meshgrid(at, at), (2, -1)).T
            for at, size in ((np.linspace(-1, 1, first), 1.0), (np.linspace(-1, 1, second), part))
        )
        weights = RBFInterpolator(spots, np.eye(len(spots)))(asked)
        sigmas = 0.003 * np.sqrt(np.sum(weights**2, axis=1))
        noise = Noise(0.003, "machine file", None, 0.003)
        calls = []
        for _ in range(count):
            before, after = (
                Run(*at.T, random.normal(0, 0.003, len(at))).places for at in (spots, asked)
            )
            heights = weights @ before.z
            calls.append(
                compare(
                    before,
                    after,
                    noise,
                    noise,
                    surface_at=lambda *_, answer=(heights, sigmas): answer,
                ).changed
            )
        shares[first, second, part] = float(np.mean(calls))
    return shares


def main() -> None:
    """Print the false alarms and what is found."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for way, by in false_alarms(count).items():
        print(
            f"unchanged  {way:17}", *(f"{name} {share * 100:.1f} %" for name, share in by.items())
        )
    for (way, kind), share in found(max(1, count // 10)).items():
        print(f"changed    {way:17} {kind:12} found {share * 100:5.1f} %")
    for (first, second, part), share in surface_alarms(max(1, count // 4)).items():
        sizes = f"{first} x {first}, {second} x {second} on {part:.0%}"
        print(f"unchanged  {sizes:22} called changed {share * 100:4.1f} %")


if __name__ == "__main__":
    main()
