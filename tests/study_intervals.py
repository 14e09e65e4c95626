"""Study: do 95 % intervals cover? 2,000 simulated runs for each way that sigma is known.

Run by hand: ``python tests/study_intervals.py``; the tests run a part of it.
"""

import sys
from collections import defaultdict
from collections.abc import Iterator

import numpy as np

from level.machine import Machine
from level.scenario import demo_machine
from level.simulator import BedShape
from level.turns import plan_turns
from mesh.modes import modes
from mesh.noise import find_noise
from mesh.tilt import find_tilt
from probes import Run
from probes.quality import repeat_sigma, sigma_interval

WAYS = ("machine file", "repeated touches", "map")


def beds(random: np.random.Generator, way: str, count: int) -> Iterator[tuple[Run, Run, float]]:
    """Random beds: a run with noise, the same without, and the probe's sigma."""
    for _ in range(count):
        side = int(random.integers(5, 10))
        xs, ys = np.meshgrid(np.linspace(20, 330, side), np.linspace(20, 330, side))
        x, y = xs.ravel(), ys.ravel()
        if way == "repeated touches":
            x, y = np.repeat(x, 3), np.repeat(y, 3)
        fall_x, fall_y, bowl_x, bowl_y, twist = random.normal(0, 0.1, 5)
        shape = BedShape(
            (175, 175), (175, 175), fall_x=fall_x, fall_y=fall_y, bowl_x=bowl_x, bowl_y=bowl_y,
            twist=twist, ripple=0.003,
        )  # fmt: skip
        sigma = float(random.uniform(0.001, 0.01))
        truth = shape(x, y)
        yield (
            Run(x=x, y=y, z=truth + random.normal(0, sigma, len(x))),
            Run(x=x, y=y, z=truth),
            sigma,
        )


def coverage(count: int, seed: int = 1) -> dict[tuple[str, str], float]:
    """Share of intervals that hold the truth, by way and figure."""
    held: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for number, way in enumerate(WAYS):
        random = np.random.default_rng([seed, number])
        for run, true, sigma in beds(random, way, count):
            noise = find_noise(run, given=sigma if way == "machine file" else None)
            assert noise.source == way
            assert noise.of_places is not None
            reach = noise.reach()
            places, spread = run.places, noise.spread
            tilt = find_tilt(places.x, places.y, places.z, spread=spread)
            exact = find_tilt(places.x, places.y, true.places.z)
            for name in ("fall_x", "fall_y"):
                half = reach * dict(zip(("fall_x", "fall_y"), tilt.fall_sigmas(noise.of_places),
                                        strict=True))[name]  # fmt: skip
                held[way, name].append(abs(getattr(tilt, name) - getattr(exact, name)) <= half)
            shape = modes(places.x, places.y, places.z, spread=spread)
            want = modes(places.x, places.y, true.places.z)
            for name in ("twist", "bow_x", "bow_y"):
                mode, goal = getattr(shape, name), getattr(want, name)
                held[way, name].append(
                    abs(mode.value - goal.value) <= reach * mode.sigma(noise.of_places)
                )
            machine = _machine(sigma if way == "machine file" else None)
            planned, ideal = plan_turns(run, machine), plan_turns(true, machine)
            for move, goal in zip(planned.moves, ideal.moves, strict=True):
                assert move.interval is not None
                held[way, "rise"].append(move.interval[0] <= goal.rise <= move.interval[1])
            if way == "repeated touches":
                low, high = sigma_interval(*repeat_sigma(run))
                held[way, "sigma"].append(low <= sigma <= high)
    return {key: float(np.mean(values)) for key, values in held.items()}


def _machine(sigma: float | None) -> Machine:
    import msgspec

    machine = demo_machine()
    return msgspec.structs.replace(
        machine, probe=msgspec.structs.replace(machine.probe, sigma=sigma)
    )  # fmt: skip


def main() -> None:
    """Print the coverage of every interval."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for (way, name), share in coverage(count).items():
        print(f"{way:18} {name:8} {share * 100:5.1f} %")


if __name__ == "__main__":
    main()
