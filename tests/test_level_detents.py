from itertools import product

import numpy as np
import pytest
from cases import grid, machine

from level.turns import plan_turns
from probes import Run

SQUARE = [(-20, -20), (320, -20), (320, 320), (-20, 320)]
FIVE = np.linspace(30, 270, 5)
X, Y = grid(FIVE, FIVE)


def plan_of(z, lifts, **asked):
    return plan_turns(Run(x=X, y=Y, z=z), lifts, **asked)


def test_three_screws_by_eighths():
    # theory T-C2: q = 1/8 of 0.5 mm; naive (0, 4, -3) leaves .0612 over the bed, best (0, 3, -3)
    # .0366
    three = machine([(0, 0), (300, 0), (150, 300)], probe={"sigma": 1e-4})
    plan = plan_of(-0.00073 * X + 0.00089 * Y, three, reference="A")
    assert [move.detents for move in plan.moves] == [0, 3, -3]
    assert plan.predicted.height_range == pytest.approx(0.0366, abs=6e-5)
    free = plan_of(-0.00073 * X + 0.00089 * Y, three)
    assert free.predicted.height_range <= plan.predicted.height_range + 1e-9


def test_four_screws_do_not_rack_for_a_finer_bed():
    # theory T-C3's bed: the racking that whole detents leave behind is half the limit at most
    xi, eta = (X - 150) / 120, (Y - 150) / 120
    z = 0.00062 * X - 0.00041 * Y + 0.08 * (xi**2 - 0.5) + 0.03 * xi * eta
    for limit in (0.02, 0.03, 0.1):
        four = machine(SQUARE, limits={"racking": limit}, probe={"sigma": 1e-4})
        plan = plan_of(z, four, objective="minimum-zone")
        assert plan.racking.added <= limit / 2 * (1 + 1e-6)


@pytest.mark.parametrize("objective", ["least-squares", "minimum-zone"])
@pytest.mark.parametrize("reference", ["least-motion", "raise-only", "A"])
def test_no_other_counts_are_better(objective, reference):
    # plain enumeration about the real-valued answer
    random = np.random.default_rng(5)
    for _ in range(6):
        three = machine(
            random.uniform(0, 300, (3, 2)) + np.array([[0, 0], [200, 0], [0, 200]]),
            probe={"sigma": 1e-4},
        )
        z = X * random.normal(0, 1e-3) + Y * random.normal(0, 1e-3)
        z = z + 0.05 * ((X - 150) / 120) ** 2
        plan = plan_of(z, three, objective=objective, reference=reference)
        influence, step = plan.influence, 0.0625
        if objective == "least-squares":
            spots = np.array(list(product((30, 270), (30, 270))), dtype=float)
            goal = -influence.change(*spots.T, [move.rise for move in plan.moves])
        else:
            spots, goal = np.column_stack((X, Y)), z

        def left(counts, spots=spots, goal=goal, influence=influence):
            return np.ptp(goal + influence.change(*spots.T, np.array(counts) * 0.0625))

        best = np.inf
        real = np.array([move.rise for move in plan.moves]) / step
        for shift in np.arange(-3, 3.1, 0.25) if reference != "A" else (0.0,):
            for up in product((0, 1), repeat=3):
                counts = np.floor(real + shift) + up
                if reference == "A":
                    counts[0] = 0
                if reference != "raise-only" or counts.min() >= 0:
                    best = min(best, left(counts))
        assert left([move.detents for move in plan.moves]) <= best + 1e-9


def test_what_finer_detents_gain():
    bowl = 0.2 * ((X - 150) / 120) ** 2
    coarse = plan_of(bowl + 0.0003 * X, machine(SQUARE, lead=2.0, probe={"sigma": 1e-4},
                                                limits={"racking": 0.5}))  # fmt: skip
    fine = plan_of(bowl + 0.0003 * X, machine(SQUARE, lift={"detent": 0.001},
                                              probe={"sigma": 1e-4}))  # fmt: skip
    assert coarse.predicted.exact_range == pytest.approx(0.2)
    assert coarse.predicted.gain_of_finer > 0.005
    assert fine.predicted.gain_of_finer < 0.0005


def test_belts_move_as_one():
    lifts = machine(SQUARE, probe={"sigma": 1e-4})
    plan = plan_of(0.0005 * X + 0.0003 * Y, lifts, together=(("A", "D"), ("B", "C")))
    made = [move.made for move in plan.moves]
    assert made[0] == made[3]
    assert made[1] == made[2]
    assert plan.stages[0].moves[1].with_previous
    assert plan.stays[1] == pytest.approx(0.0003, abs=1e-12)
    assert any("a fall of 0.000 mm along x and 0.072 mm along y stays" in w for w in plan.warnings)


def test_a_locked_lift_is_said_to_be():
    plan = plan_of(0.001 * X, machine(SQUARE, probe={"sigma": 1e-4}), locked=("B",))
    assert plan.moves[1].why == "locked"
    assert plan.moves[1].detents == 0


def test_a_lift_without_room_stays_within_it():
    lifts = machine(SQUARE, probe={"sigma": 1e-4}, lift={"detent": 0.05, "room_down": 0.06})
    plan = plan_of(0.001 * X, lifts)
    assert min(move.made for move in plan.moves) >= -0.06
    free = plan_of(0.001 * X, machine(SQUARE, probe={"sigma": 1e-4}, lift={"detent": 0.05}))
    assert min(move.made for move in free.moves) < -0.1
    # the others make up for it: the common height is free
    assert plan.predicted.fall_x == pytest.approx(free.predicted.fall_x, abs=0.02)
