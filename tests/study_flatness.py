"""Study: does the interval of the flatness hold the true one? 2,000 simulated beds for each way.

The beds: bows, twists, S shapes, bumps, bent corners, waves and mixtures of them, on grids of 5 to
9 lines; the noise of a touch is from a hundredth to a fifth of the true flatness. And flat ones.
Run by hand: ``python tests/study_flatness.py``; the tests run a part of it.
"""

import sys
from collections import defaultdict

import numpy as np
import numpy.typing as npt

from mesh import flatness, modes
from mesh.estimate import estimate_flatness, looks_perfect
from mesh.noise import find_noise
from probes import Run

Floats = npt.NDArray[np.float64]
WAYS = ("machine file", "repeated touches", "map")
KINDS = ("modes", "bow", "twist", "S", "bump", "corner", "waves", "mixture")


def bed(u: Floats, v: Floats, kind: str, random: np.random.Generator) -> Floats:
    """Heights of a random bed of some kind over -1..1, of any size."""
    a = random.normal(size=5)
    if kind == "bow":
        return np.sign(a[0]) * u**2
    if kind == "twist":
        return u * v
    if kind == "S":
        return a[0] * u**3 + a[1] * v**3 + a[2] * u**2 * v
    if kind == "bump":
        x, y = random.uniform(-0.8, 0.8, 2)
        return np.exp(-((u - x) ** 2 + (v - y) ** 2) / (2 * random.uniform(0.15, 0.5) ** 2))
    if kind == "corner":
        return np.maximum(0, u + v - random.uniform(0, 1)) ** 2
    if kind == "waves":
        return np.sin(random.uniform(1, 3) * np.pi * u + random.uniform(0, 6)) + 0.5 * u**2
    smooth: Floats = a[0] * u**2 + a[1] * v**2 + a[2] * u * v
    if kind == "mixture":
        smooth = smooth + 0.1 * a[3] * np.sin(2.5 * np.pi * u)
        smooth += 0.3 * a[4] * np.exp(-((u - 0.5) ** 2 + (v - 0.5) ** 2) / 0.1)
    return smooth


def trial(way: str, kind: str, random: np.random.Generator) -> tuple[bool, bool, float] | None:
    """One bed: whether the interval holds, whether it looks perfect, and the estimate's error."""
    lines = int(random.integers(5, 10))
    u, v = (a.ravel() for a in np.meshgrid(np.linspace(-1, 1, lines), np.linspace(-1, 1, lines)))
    touches = 3 if way == "repeated touches" else 1
    true = np.zeros(len(u)) if kind == "flat" else bed(u, v, kind, random)
    size = flatness(u, v, true).minimum_zone
    if kind != "flat":
        if size < 1e-9:
            return None
        true *= 0.1 / size
        size = 0.1
    sigma = 0.1 * random.uniform(0.01, 0.2)
    x, y = np.repeat(175 + 155 * u, touches), np.repeat(175 + 155 * v, touches)
    run = Run(x=x, y=y, z=np.repeat(true, touches) + random.normal(0, sigma, len(x)))
    noise = find_noise(run, given=sigma if way == "machine file" else None)
    assert noise.source == way
    places = run.places
    args = places.x, places.y, places.z
    perfect = looks_perfect(flatness(*args), modes(*args), noise)
    found = estimate_flatness(places, noise, perfect=perfect)
    assert found is not None
    low, high = found.interval
    return low <= size + 1e-12 and size <= high, perfect, (found.value - size) / sigma


def coverage(count: int, seed: int = 1) -> dict[tuple[str, str], tuple[float, float, float]]:
    """By way and kind: share of intervals that hold, share that look perfect, mean error."""
    results: dict[tuple[str, str], list[tuple[bool, bool, float]]] = defaultdict(list)
    for number, way in enumerate(WAYS):
        random = np.random.default_rng([seed, number])
        for k in range(count):
            kind = KINDS[k % len(KINDS)]
            for key in (kind, "flat"):
                found = trial(way, key, random)
                if found is None:
                    continue
                results[way, key].append(found)
                if key != "flat":
                    results[way, "all shapes"].append(found)
    return {
        key: tuple(float(np.mean([one[k] for one in found])) for k in range(3))  # type: ignore[misc]
        for key, found in results.items()
    }


def main() -> None:
    """Print the shares."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for (way, kind), (held, perfect, off) in coverage(count).items():
        print(
            f"{way:18} {kind:10} interval holds {held * 100:5.1f} %   "
            f"looks perfect {perfect * 100:5.1f} %   estimate off by {off:+.2f} sigma"
        )


if __name__ == "__main__":
    main()
