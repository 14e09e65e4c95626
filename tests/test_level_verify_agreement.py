import numpy as np
import pytest
from cases import machine
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.agreement import check_agreement, check_readings_agree
from level.verify.changes import find_changes
from level.verify.trials import Reading, check_trials
from probes import RequestError

LIFTS = machine([(0, 0), (300, 0), (300, 300), (0, 300)], probe={"sigma": 0.005})
FLAT = BedShape((150, 150), (150, 150))


def agree(*parts):
    """Check trials of several machines as if one had made them."""
    trials = check_trials([trial for part in parts for trial in part], LIFTS)
    check_agreement(find_changes(trials, LIFTS), trials)


def made(moves, seed, **faults):
    return Faulty(LIFTS, FLAT, sigma=0.005, seed=seed, **faults).trials(moves)


def test_repeated_moves_agree_whatever_the_drives_do():
    # a wrong alarm in 100,000: none in 100, and none for faults, play or moves of 1 % more
    random = np.random.default_rng(3)
    moves = [{"A": 0.2, "B": 0.1}, {"A": 0.2}, {"A": 0.2, "C": -0.3}, {"A": -0.2}, {"B": 0.3}]
    for seed in range(100):
        faulty = Faulty(
            LIFTS, FLAT, sigma=0.005, seed=seed, lift_of=random.permutation(4),
            gain=random.choice([-1, 0, 1, 2], 4),
        )  # fmt: skip
        faulty.play[:] = 0.03
        agree(faulty.trials(moves))
    agree(made([{"A": 5.0}], 1), made([{"A": 5.0}], 2, gain=[1.01, 1, 1, 1]))


def test_the_trials_that_contradict_are_named():
    with pytest.raises(RequestError, match=r"trials 1 and 2 contradict one another: .*repeat them"):
        agree(made([{"A": 0.2}], 1), made([{"A": 0.2}], 2, gain=[-1, 1, 1, 1]))
    good = [made([{"A": 0.2}, {"B": 0.2}], seed) for seed in (3, 4)]
    with pytest.raises(RequestError, match=r"trial 5 \(simulated.*\) contradicts the others"):
        agree(*good, made([{"A": 0.2}], 5, gain=[0, 1, 1, 1]))
    with pytest.raises(RequestError, match=r"^the trials contradict one another"):
        agree(*(made([{"A": 0.2}], k + 9, gain=[k, 1, 1, 1]) for k in (-1, 1, 2, 4)))


def test_readings_of_one_lift_must_agree():
    check_readings_agree([Reading("A", 50.2, 50, 0.5), Reading("A", -19.9, -20, 0.5)])
    check_readings_agree([Reading("A", 50, 50, 0.5), Reading("B", -50, 50, 0.5)])
    with pytest.raises(RequestError, match="readings at 'A' contradict each other: 50 mm for 50"):
        check_readings_agree([Reading("A", 50, 50, 0.5), Reading("A", 25, 50, 0.5)])
