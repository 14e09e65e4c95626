from itertools import permutations, product

import numpy as np
import pytest
from cases import grid, machine
from study_verify import GRID, LAYOUTS, SIGMA, Faulty, plans, racking_on_the_way

from level.simulator import BedShape
from level.verify.plan import plan_trials
from level.verify.response import read_response
from probes import MachineError, RequestError, ShapeError

X, Y = grid(GRID, GRID)
MOTOR = {"motor_steps": 200, "microsteps": 16}
BED = BedShape((150, 150), (150, 150), fall_x=0.1, bowl_x=0.1)


def lifts_of(count, **extra):
    return machine(LAYOUTS[count], lead=8.0, lift=MOTOR, probe={"sigma": SIGMA}, **extra)


def plan_of(lifts, **extra):
    return plan_trials(lifts, x=X, y=Y, **extra)


@pytest.mark.parametrize("count", [3, 4])
def test_no_wiring_racks_beyond_the_limit_at_any_moment(count):
    lifts = lifts_of(count, limits={"racking": 0.06})
    for wanted in (0.1, 0.02):
        plan = plan_of(lifts, gain_sigma=wanted)
        found = max(
            racking_on_the_way(plan, lifts, order, np.array(signs))
            for order in permutations(range(count))
            for signs in product((1, -1), repeat=count)
        )
        assert found == pytest.approx(plan.racking_worst, abs=1e-12)
        assert found <= plan.racking_limit == 0.06


def test_plans_of_random_machines_never_rack_beyond_the_limit():
    # part of the study, which takes 2,000
    for plan, racking in plans(60, seed=5):
        assert racking <= plan.racking_worst + 1e-12
        assert plan.racking_worst <= plan.racking_limit * (1 + 1e-9)


@pytest.mark.parametrize(
    ("count", "wanted"),
    [(2, 0.05), (2, 0.01), (3, 0.05), (3, 0.005), (4, 0.05), (4, 0.01), (6, 0.05)],
)
def test_what_a_plan_promises_is_what_reading_it_gives(count, wanted):
    lifts = lifts_of(count)
    plan = plan_of(lifts, gain_sigma=wanted)
    assert max(plan.gain_sigmas.values()) <= wanted * (1 + 1e-9)
    faulty = Faulty(lifts, BED, sigma=SIGMA, gain=[-1, *[1] * (count - 1)])
    faulty.play[:] = 0.04  # taken up before the first probing, and ever after
    for command in plan.before:
        faulty.command(command.lift, command.rise)
    response = read_response(faulty.trials([step.moved for step in plan.steps]), lifts)
    assert [lift.verdict for lift in response.lifts] == ["reversed", *["good"] * (count - 1)]
    for lift in response.lifts:
        assert lift.gain_sigma == pytest.approx(plan.gain_sigmas[lift.name], rel=1e-6)
        assert abs(abs(lift.gain) - 1) < 4 * lift.gain_sigma
    # in the end each lift is back
    steps = (each for step in plan.steps for each in step.commands)
    back = dict.fromkeys(plan.gain_sigmas, 0.0)
    for command in (*plan.before, *steps, *plan.home):
        back[command.lift] += command.rise
    assert list(back.values()) == pytest.approx([0] * count, abs=1e-12)


def test_each_step_says_what_probing_will_show():
    lifts = lifts_of(4, carries="gantry")
    plan = plan_of(lifts)
    faulty = Faulty(lifts, BED)
    for before, moved, after in faulty.trials([step.moved for step in plan.steps]):
        step = next(each for each in plan.steps if each.moved is moved)
        # a serpentine run is in the order of its touches: lay it out by place
        order = np.lexsort((before.places.x, before.places.y))
        change = (after.places.z - before.places.z)[order].reshape(5, 5)
        assert (change[:, -1] - change[:, 0]).mean() == pytest.approx(step.fall_x, abs=1e-12)
        assert (change[-1] - change[0]).mean() == pytest.approx(step.fall_y, abs=1e-12)
        assert change[2, 2] == pytest.approx(step.height, abs=1e-12)
    # difference of two: sqrt 2 sigma / sqrt Sxx times the width, Sxx = n m2 L^2, m2 = 1/2 (B2)
    expected = np.sqrt(2) * SIGMA / np.sqrt(25 * 0.5 * 120**2) * 240
    assert (plan.steps[0].sigma_x, plan.steps[0].sigma_y) == pytest.approx((expected, expected))


def test_the_fewest_probings_and_then_the_smallest_moves():
    lifts = lifts_of(3)
    easy, fine = plan_of(lifts, gain_sigma=0.1), plan_of(lifts, gain_sigma=0.005)
    assert (easy.kind, easy.probings, easy.rounds) == ("one by one", 4, 1)
    assert (
        max(abs(rise) for step in easy.steps for rises in step.moved.values() for rise in rises)
        <= 0.1
    )
    # all three at once, as they do not rack: no more probings for twenty times as much
    assert (fine.kind, fine.probings, fine.racking_worst) == ("weighing", 4, 0.0)
    assert fine.lead_margin == float("inf")
    four = plan_of(lifts_of(4), gain_sigma=0.02)
    assert (four.kind, four.probings) == ("one by one", 5)
    assert four.lead_margin > 1
    more = plan_of(lifts_of(4), gain_sigma=0.01)
    assert (more.rounds, more.probings) == (3, 13)
    # no lift is away while another one is
    assert all(len(step.moved) <= 2 for step in more.steps)


def test_screws_turned_by_hand_move_in_detents():
    hand = machine(LAYOUTS[4], lead=0.7, probe={"sigma": SIGMA})
    plan = plan_of(hand)
    for command in (*plan.before, *(each for step in plan.steps for each in step.commands)):
        assert command.turns * 8 == pytest.approx(round(command.turns * 8))
        assert command.direction == ("clockwise" if command.rise > 0 else "counterclockwise")
    # one eighth of a turn is all that is safe, and it is not enough for what is asked
    stiff = machine(LAYOUTS[4], lead=0.7, probe={"sigma": SIGMA}, limits={"racking": 0.03})
    coarse = plan_of(stiff, gain_sigma=0.06)
    assert "detents are too coarse for more: gains will be known to 0.079" in coarse.warnings[0]


def test_a_lift_that_does_not_show_is_told():
    lifts = machine([*LAYOUTS[4], (150, 150)], lead=8.0, lift=MOTOR, probe={"sigma": SIGMA})
    plan = plan_of(lifts)
    assert plan.gain_sigmas["E"] is None
    assert "E: a rise there does not show" in plan.warnings[0]
    assert plan_of(lifts, datum="fixed").gain_sigmas["E"] is not None


@pytest.mark.parametrize(
    ("extra", "fault", "what"),
    [
        ({"sigma": 0.0}, RequestError, "sigma is 0; it must be a number of mm above 0"),
        ({"largest": -1.0}, RequestError, "largest is -1"),
        ({"take_up": float("nan")}, RequestError, "take_up is nan"),
        (
            {"gain_sigma": 0.5},
            RequestError,
            r"--gain-sigma\) is 0\.5; it must be above 0 and up to 0\.2",
        ),
        ({"take_up": 3.0}, RequestError, "going 3 mm past a mark, to take up play, racks"),
        ({"gain_sigma": 1e-4}, RequestError, r"gains cannot be known to 0\.0001 within 20 rounds"),
        ({"x": [0, 1, 2], "y": [0, 0, 0]}, ShapeError, "stand on one line"),
    ],
)
def test_impossible_requests_are_refused(extra, fault, what):
    with pytest.raises(fault, match=what):
        plan_trials(lifts_of(4), **{"x": X, "y": Y, **extra})


def test_impossible_machines_are_refused():
    with pytest.raises(RequestError, match=r"set \[probe\] sigma in the machine file"):
        plan_of(machine(LAYOUTS[4]))
    with pytest.raises(MachineError, match="no lift's rise tilts what is probed"):
        plan_of(machine([(150, 150)], probe={"sigma": SIGMA}))
    coarse = machine(LAYOUTS[4], lead=8.0, probe={"sigma": SIGMA})
    with pytest.raises(RequestError, match=r"one detent is 1 mm, and only 0\.5 mm is safe"):
        plan_of(coarse, take_up=0.0)
