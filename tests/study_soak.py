"""Study: is a bed called settled too soon, and how long is waited in vain? 2,000 warm-ups.

Each machine has a slow constant of 15 to 60 min, and a mode that warms up with one decay, with a
quick one before it, or with a quick one against it; its values have a noise of 1 to 5 um. They are
probed every 1 to 3 min, and the question is asked after each probing. Once the slow constant is
learnt from three earlier warm-ups of the machine (constants vary by 3 %, sizes by 20 %), once only
guessed. The tolerance is 10 um. "Three" are warm-ups with a third decay that no model holds.
Run by hand: ``python tests/study_soak.py``; the tests run a part of it.
"""

import sys
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from mesh.decays import OPEN, Constants, learn_constants
from mesh.series import Series
from mesh.soak import soak
from probes import RequestError

Floats = npt.NDArray[np.float64]
KINDS = ("one", "two", "opposing")
TOLERANCE = 0.010


class WarmUp(NamedTuple):
    """Sizes (mm) and constants (min) of the decays of one warm-up."""

    sizes: Floats
    constants: Floats

    def left(self, minutes: Floats) -> Floats:
        """How far the mode is still to move, mm."""
        parts: Floats = self.sizes * np.exp(-minutes[:, None] / self.constants)
        return parts.sum(axis=1)

    def ready(self) -> float:
        """When no more than the tolerance remains, for good, minutes."""
        later = np.arange(0.0, 1000.0, 0.1)
        outside = np.flatnonzero(np.abs(self.left(later)) > TOLERANCE)
        return float(later[outside[-1]]) if len(outside) else 0.0

    def again(self, random: np.random.Generator) -> "WarmUp":
        """Give another warm-up of the same machine."""
        vary = random.normal(1, 0.03, len(self.constants)).clip(0.9, 1.1)
        size = random.normal(1, 0.2, len(self.sizes)).clip(0.5, 1.5)
        return WarmUp(self.sizes * size, self.constants * vary)

    def probe(self, until: float, step: float, noise: float, random: np.random.Generator) -> Series:
        """Probe it, every `step` minutes."""
        minutes = np.arange(0.0, until, step)
        values = random.normal(0, noise, len(minutes)) - self.left(minutes)
        return Series("bow_x", minutes, values, noise if random.random() < 0.5 else None)


def machine(kind: str, random: np.random.Generator) -> WarmUp:
    """Make a machine of a kind."""
    slow = float(np.exp(random.uniform(np.log(15), np.log(60))))
    size = float(np.exp(random.uniform(np.log(0.025), np.log(0.150)))) * random.choice((-1, 1))
    fast = slow / random.uniform(3, 10)
    if kind == "one":
        return WarmUp(np.array((size,)), np.array((slow,)))
    other = size * random.uniform(0.5, 2)
    if kind == "opposing":
        other = -other
    if kind == "three":
        third = (size * random.uniform(0.3, 1), slow * random.uniform(0.35, 0.7))
        return WarmUp(np.array((size, other, third[0])), np.array((slow, fast, third[1])))
    return WarmUp(np.array((size, other)), np.array((slow, fast)))


class Outcome(NamedTuple):
    """What was said of one warm-up."""

    true: float
    said: float
    """Minutes; infinite if never."""
    remained: float
    """mm, when it was called settled."""
    held: float
    """Share of the 95 % intervals that held what remained."""


def outcome(kind: str, *, learnt: bool, random: np.random.Generator) -> Outcome | None:
    """Warm a machine up; None if its constants could not be learnt."""
    own = machine(kind, random)
    step, noise = random.uniform(1, 3), random.uniform(0.001, 0.005)
    slow = float(own.constants.max())
    constants: Constants = OPEN
    if learnt:
        earlier = [own.again(random).probe(4 * slow, step, noise, random) for _ in range(3)]
        try:
            constants = learn_constants([[one] for one in earlier])
        except RequestError:
            return None
    now = own.again(random)
    whole = now.probe(8 * slow + 60, step, noise, random)
    held = []
    for count in range(7, len(whole.minutes)):
        minutes = whole.minutes[:count]
        if minutes[-1] < constants.tau_slow / 2:
            continue
        sigma = None if whole.sigma is None else whole.sigma[:count]
        part = Series("bow_x", minutes, whole.values[:count], sigma)
        found = soak([part], tolerance=TOLERANCE, constants=constants)
        left = float(now.left(minutes[-1:])[0])
        if found.remaining_interval is not None:
            held.append(found.remaining_interval[0] <= left <= found.remaining_interval[1])
        if found.settled:
            return Outcome(now.ready(), float(minutes[-1]), abs(left), float(np.mean(held)))
    return Outcome(now.ready(), np.inf, 0.0, float(np.mean(held)))


def outcomes(
    count: int, *, learnt: bool, kinds: tuple[str, ...] = KINDS, seed: int = 1
) -> dict[str, list[Outcome]]:
    """By kind: what was said of warm-ups that start beyond the tolerance."""
    found: dict[str, list[Outcome]] = {kind: [] for kind in kinds}
    for number in range(count):
        kind = kinds[number % len(kinds)]
        one = outcome(kind, learnt=learnt, random=np.random.default_rng([seed, number]))
        if one is not None:
            found[kind].append(one)
    return found


def too_soon(found: list[Outcome]) -> float:
    """Share that was called settled while more than the tolerance remained."""
    return float(np.mean([one.remained > TOLERANCE for one in found]))


def waited(found: list[Outcome]) -> float:
    """Median of the time waited beyond the true one, as a part of that."""
    return float(np.median([one.said / one.true - 1 for one in found if one.true > 0]))


def main() -> None:
    """Print the shares."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 2000
    for learnt in (True, False):
        found = outcomes(count, learnt=learnt)
        found["all"] = [one for kind in KINDS for one in found[kind]]
        found |= outcomes(count // 4, learnt=learnt, kinds=("three",))
        for kind, some in found.items():
            print(
                f"{'learnt' if learnt else 'guessed'} {kind:9} {len(some):5} warm-ups: "
                f"too soon {too_soon(some) * 100:4.1f} %, waited in vain {waited(some) * 100:3.0f} "
                f"%, never {np.mean([np.isinf(one.said) for one in some]) * 100:3.1f} %, "
                f"intervals hold {np.mean([one.held for one in some]) * 100:3.0f} %"
            )


if __name__ == "__main__":
    main()
