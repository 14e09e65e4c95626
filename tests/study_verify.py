"""Study: does `read_response` find what is wrong? 5,000 random machines, none to two faults each.

Run by hand: ``python tests/study_verify.py``; the tests run a part of it. Each lift is raised by
0.2 mm in turn, the bed is probed at 5 x 5 places before, between and after, and a touch repeats
to 0.005 mm. Also here: what moves the proposed trials make if every drive is reversed or swapped.
"""

import sys
from collections import Counter
from collections.abc import Iterator

import numpy as np
from cases import machine

from level.influence import find_influence
from level.machine import Machine
from level.simulator import BedShape, SimulatedMachine
from level.verify.plan import TrialPlan, plan_trials
from level.verify.response import Drive, Explanation, Response, read_response
from level.verify.trials import Moved
from probes import Run

GRID = np.linspace(30, 270, 5)
SIGMA = 0.005
RISE = 0.2
RATIOS = (1 / 4, 1 / 2, 5 / 8, 8 / 5, 2, 4)
SURE = 0.9
TELLABLE = 25.0
"""Chi-square between two explanations, five standard deviations: nearer ones may be confused."""

LAYOUTS = {
    2: [(-30, 150), (330, 150)],
    3: [(-30, -30), (330, -30), (150, 330)],
    4: [(-30, -30), (330, -30), (330, 330), (-30, 330)],
    5: [(-30, -30), (330, -30), (330, 330), (150, 340), (-30, 330)],
    6: [(-30, -30), (150, -30), (330, -30), (330, 330), (150, 330), (-30, 330)],
}


class Faulty(SimulatedMachine):
    """A machine whose drives do as `lift_of` and `gain` say: which lift moves, and how far."""

    def __init__(self, machine, shape, *, lift_of=None, gain=None, **extra):
        super().__init__(machine, shape, **extra)
        count = len(machine.lifts)
        self.lift_of = list(range(count)) if lift_of is None else list(lift_of)
        self.gain = np.ones(count) if gain is None else np.asarray(gain, dtype=float)
        self.play = np.zeros(count)
        self._slack = np.zeros(count)

    def command(self, name: str, rise: float) -> None:
        """Tell a lift to rise."""
        k = [lift.name for lift in self.machine.lifts].index(name)
        at, way = self.lift_of[k], self.gain[k] * rise
        if self.play[at]:  # the nut stands somewhere in the play of its screw
            free = self._slack[at] + way
            self._slack[at] = min(max(free, 0.0), self.play[at])
            way = free - self._slack[at]
        self.heights[at] += way

    def trials(self, moves: list[Moved]) -> list[tuple[Run, Moved, Run]]:
        """Make moves one after the other, with a probing before, between and after."""
        runs = [self.probe(GRID, GRID)]
        for moved in moves:
            for name, rises in moved.items():
                for rise in np.ravel(rises):
                    self.command(name, float(rise))
            runs.append(self.probe(GRID, GRID))
        return list(zip(runs[:-1], moves, runs[1:], strict=True))


def random_machine(random: np.random.Generator) -> Machine:
    """Give a machine of 2 to 6 lifts; half stand where they should to the millimetre."""
    count = int(random.choice([2, 3, 4, 5, 6], p=[0.1, 0.3, 0.3, 0.15, 0.15]))
    spots = np.array(LAYOUTS[count], dtype=float)
    if random.random() < 0.5:
        spots += random.uniform(-25, 25, spots.shape)
    return machine(
        spots,
        carries=str(random.choice(["bed", "gantry"])),
        lead=8.0,
        lift={"motor_steps": 200, "microsteps": 16},
        probe={"sigma": SIGMA},
    )


def random_faults(random: np.random.Generator, count: int) -> tuple[list[int], np.ndarray]:
    """Give none, one or two faults: the lift that each drive moves, and its gain."""
    lift_of, gain = list(range(count)), np.ones(count)
    spoiled: set[int] = set()
    for _ in range(int(random.integers(0, 3))):
        kind = str(random.choice(["reversed", "swapped", "stuck", "lead"]))
        one, other = (int(k) for k in random.permutation(count)[:2])
        if kind == "swapped":
            lift_of[one], lift_of[other] = lift_of[other], lift_of[one]
            continue
        if one in spoiled:
            continue
        spoiled.add(one)
        gain[one] = {"reversed": -1.0, "stuck": 0.0, "lead": float(random.choice(RATIOS))}[kind]
    return lift_of, gain


def told(drive: Drive) -> tuple[str | None, float]:
    """Which lift an explanation has a drive move, and by which gain."""
    sign = -1 if drive.reversed else 1
    return drive.answers_as, sign * drive.ratio


def effects(machine: Machine, said: list[tuple[str | None, float]]) -> np.ndarray:
    """Rise of each lift (column) for a unit rise commanded at each (row)."""
    names = [lift.name for lift in machine.lifts]
    matrix = np.zeros((len(names), len(names)))
    for row, (lift, gain) in zip(matrix, said, strict=True):
        if lift is not None:
            row[names.index(lift)] = gain
    return matrix


def apart(response: Response, one: np.ndarray, other: np.ndarray) -> float:
    """Chi-square between what two explanations would show."""
    changes = response.changes
    away = (changes.moved @ (one - other) @ changes.per_unit.T).ravel()
    return float(away @ np.linalg.solve(changes.covariance, away))


def judge(response: Response, machine: Machine, truth: list[tuple[str | None, float]]) -> str:
    """Give one word for how the reading stands to the truth."""
    true = effects(machine, truth)

    def is_truth(each: Explanation) -> bool:
        said = [told(drive) for drive in each.drives]
        return each.misplaced is None and all(
            a[0] == b[0] and abs(a[1] - b[1]) < 1e-6 for a, b in zip(said, truth, strict=True)
        )

    best, listed = response.explanations[0], response.explanations
    rivals = [each for each in listed if each.share >= 1 - SURE]
    if is_truth(best) and best.share >= SURE:
        return "right, alone" if not response.ambiguous else "right, with rivals named"
    if any(is_truth(each) for each in listed) and all(
        each.misplaced is None
        and apart(response, effects(machine, [told(d) for d in each.drives]), true) < TELLABLE
        for each in rivals
    ):
        return "right set" if best.share < SURE else "right set, another likelier a priori"
    if best.share >= SURE:
        return "confidently wrong"
    return "unsure"


def study(count: int, seed: int = 1) -> tuple[Counter[str], Counter[str]]:
    """Count outcomes over random machines, and of the good ones among them."""
    random = np.random.default_rng(seed)
    outcomes, good = Counter[str](), Counter[str]()
    for number in range(count):
        lifts = random_machine(random)
        names = [lift.name for lift in lifts.lifts]
        lift_of, gain = random_faults(random, len(names))
        shape = BedShape(
            (150, 150), (150, 150), *random.normal(0, 0.05, 2),
            bowl_x=random.normal(0, 0.05), twist=random.normal(0, 0.03),
        )  # fmt: skip
        faulty = Faulty(
            lifts, shape, lift_of=lift_of, gain=gain, sigma=SIGMA,
            seed=int(random.integers(1 << 31)),
        )  # fmt: skip
        response = read_response(faulty.trials([{name: RISE} for name in names]), lifts)
        truth = [
            (names[lift] if each else None, float(each))
            for lift, each in zip(lift_of, gain, strict=True)
        ]
        outcome = judge(response, lifts, truth)
        outcomes[outcome] += 1
        if truth == [(name, 1.0) for name in names]:
            called = {lift.verdict for lift in response.lifts} - {"good"}
            good["faulty" if called - {"unclear"} else "unclear" if called else "good"] += 1
        if "-v" in sys.argv and outcome in ("unsure", "confidently wrong"):
            print(number, outcome, len(names), truth)
            for each in response.explanations:
                print("   ", round(each.share, 3), [told(d) for d in each.drives], each.misplaced)
    return outcomes, good


def racking_on_the_way(plan: TrialPlan, machine: Machine, lift_of, gain) -> float:
    """Largest racking at any moment of a plan, mm, if the drives do as said."""
    influence = find_influence(machine)
    names = [lift.name for lift in machine.lifts]
    heights, worst = np.zeros(len(names)), 0.0
    stages = (plan.before, *(step.commands for step in plan.steps), plan.home)
    for command in (each for stage in stages for each in stage):
        k = names.index(command.lift)
        heights[lift_of[k]] += gain[k] * command.rise
        worst = max(worst, float(np.abs(influence.racking(heights)).max()))
    return worst


def plans(count: int, seed: int = 1) -> Iterator[tuple[TrialPlan, float]]:
    """Plans for random machines, with their racking for the worst of some wirings."""
    random = np.random.default_rng([seed, 1])
    x, y = (axis.ravel() for axis in np.meshgrid(GRID, GRID))
    for _ in range(count):
        lifts = random_machine(random)
        number = len(lifts.lifts)
        plan = plan_trials(lifts, x=x, y=y, gain_sigma=0.1)
        wirings = [(range(number), np.ones(number)), (range(number), -np.ones(number))]
        wirings += [
            (random.permutation(number), random.choice([-1.0, 1.0], number)) for _ in range(6)
        ]
        yield plan, max(racking_on_the_way(plan, lifts, *wiring) for wiring in wirings)


def main() -> None:
    """Print the figures."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 5000
    outcomes, good = study(count)
    for outcome, number in outcomes.most_common():
        print(f"{outcome:40} {number:5d} {number / count * 100:6.2f} %")
    for outcome, number in good.most_common():
        print(f"good machine called {outcome:20} {number:5d} {number / good.total() * 100:6.2f} %")
    found = list(plans(min(count, 2000)))
    worst = max(racking / plan.racking_limit for plan, racking in found)
    print(f"largest racking of {len(found)} plans, as a part of the limit: {worst:.3f}")


if __name__ == "__main__":
    main()
