import dataclasses

import msgspec
import numpy as np
import pytest
from cases import machine

from level.passes import judge_pass
from level.simulator import BedShape, SimulatedMachine
from level.turns import plan_turns
from probes import RequestError

SQUARE = [(-20, -20), (320, -20), (320, 320), (-20, 320)]
FIVE = np.linspace(30, 270, 5)
SHAPE = BedShape((150, 150), (150, 150), bowl_x=0.05, twist=0.02)


class Wrong(SimulatedMachine):
    """A machine whose drives do so many times what they are told."""

    gains = (1.0, 1.0, 1.0, 1.0)

    def turn(self, name, turns, direction):
        gain = self.gains["ABCD".index(name)]
        other = {"clockwise": "counterclockwise", "counterclockwise": "clockwise"}
        super().turn(name, abs(gain) * turns, direction if gain >= 0 else other[direction])


def passes(gains, count=1, sigma=0.003, heights=(0.2, -0.1, 0.15, -0.25), detent=0.001, seed=1):
    """Make passes on a machine with such drives; give judgements and ranges at the lifts."""
    lifts = machine(
        SQUARE, carries="gantry", probe={"sigma": sigma}, lift={"detent": detent},
        limits={"racking": 0.5},
    )  # fmt: skip
    simulated = Wrong(lifts, SHAPE, heights=heights, sigma=sigma, seed=seed)
    simulated.gains = gains
    before = simulated.probe(FIVE, FIVE)
    judged, sizes = [], []
    for _ in range(count):
        plan = plan_turns(before, lifts)
        sizes.append(plan.predicted.range_at_lifts if not plan.turning else _range(plan))
        for stage in plan.stages:
            for move in stage.moves:
                simulated.turn(move.lift, move.turns, move.direction)
        after = simulated.probe(FIVE, FIVE)
        following = plan_turns(after, lifts)
        if plan.turning:
            told = {move.lift: move.made for move in plan.turning}
            judged.append(judge_pass(before, after, lifts, told, following))
        before = after
    return judged, sizes


def _range(plan):
    x, y = plan.influence.positions.T
    return float(np.ptp(plan.tilt.height(x, y)))


def test_a_good_machine_is_done_after_one_pass():
    verdicts = []
    for seed in range(40):
        (judged,), _ = passes((1, 1, 1, 1), seed=seed)
        verdicts.append((judged.answered, judged.worse, judged.verdict))
        assert judged.gain == pytest.approx(1, abs=0.15)
    assert sum(answered for answered, _, _ in verdicts) >= 38
    assert not any(worse for _, worse, _ in verdicts)
    assert sum(verdict == "stop" for *_, verdict in verdicts) >= 30
    assert {verdict for *_, verdict in verdicts} <= {"stop", "go on", "verify"}


@pytest.mark.parametrize(
    "gains", [(-1, 1, 1, 1), (0.5, 0.5, 0.5, 0.5), (1, 1, 0, 1), (2, 1, 1, 1), (-1, -1, -1, -1)]
)
def test_a_faulty_machine_is_to_be_verified(gains):
    for seed in range(10):
        (judged,), _ = passes(gains, seed=seed)
        assert judged.verdict == "verify"
        assert not judged.answered


def test_reversed_drives_make_it_worse():
    (judged,), _ = passes((-1, -1, -1, -1))
    assert judged.worse
    assert judged.why == "the lifts are more out of parallel than before"
    assert judged.gain == pytest.approx(-1, abs=0.05)


@pytest.mark.parametrize(
    ("gain", "ratio"), [(0.5, 0.5), (0.8, 0.2), (1.25, 0.25), (2.0, 1.0), (-1.0, 2.0)]
)
def test_passes_contract_by_the_error_of_the_gain(gain, ratio):
    # theory T-D3: |1 - g| each pass
    _, sizes = passes((gain,) * 4, count=2, sigma=1e-7, detent=1e-7)
    assert sizes[1] / sizes[0] == pytest.approx(ratio, abs=1e-3)


def test_coarse_detents_end_the_loop_and_say_why():
    (judged,), _ = passes((1, 1, 1, 1), detent=0.125, sigma=1e-4)
    assert judged.answered
    assert judged.verdict == "stop"
    assert judged.why == "what is left is less than the lifts can be turned by"


def test_what_was_moved_must_make_sense():
    lifts = machine(SQUARE, probe={"sigma": 0.003})
    run = SimulatedMachine(lifts, SHAPE).probe(FIVE, FIVE)
    plan = plan_turns(run, lifts)
    with pytest.raises(RequestError, match="--moved 'Z': must name one of the lifts 'A'"):
        judge_pass(run, run, lifts, {"Z": 0.1}, plan)
    with pytest.raises(RequestError, match="must be a rise in mm"):
        judge_pass(run, run, lifts, {"A": float("nan")}, plan)
    with pytest.raises(RequestError, match="nothing was turned"):
        judge_pass(run, run, lifts, {"A": 0.0}, plan)


def test_results_are_frozen():
    (judged,), _ = passes((1, 1, 1, 1))
    with pytest.raises(dataclasses.FrozenInstanceError):
        judged.verdict = "stop"


def test_locking_that_moves_lifts_is_reckoned_with():
    shifts = dict(zip("ABCD", (0.05, 0.05, 0.0, 0.0), strict=True))
    lifts = machine(SQUARE, probe={"sigma": 0.002}, lift={"detent": 0.001},
                    limits={"racking": 0.5})  # fmt: skip
    lifts = msgspec.structs.replace(
        lifts,
        lift=tuple(
            msgspec.structs.replace(lift, lock_shift=shifts[lift.name]) for lift in lifts.lifts
        ),
    )
    simulated = SimulatedMachine(lifts, SHAPE, heights=(0.2, -0.1, 0.15, -0.25), sigma=0.002)
    before = simulated.probe(FIVE, FIVE)
    plan = plan_turns(before, lifts)
    for move in plan.turning:
        simulated.turn(move.lift, move.made_turns, move.direction)
        simulated.heights["ABCD".index(move.lift)] += shifts[move.lift]
    after = simulated.probe(FIVE, FIVE)
    told = {move.lift: move.made for move in plan.turning}
    judged = judge_pass(before, after, lifts, told, plan_turns(after, lifts))
    assert judged.answered
    assert abs(judged.observed[0]) < 0.01
    assert abs(plan.predicted.fall_y) < 0.001
