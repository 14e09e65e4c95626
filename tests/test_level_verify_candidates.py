from itertools import permutations, product

import numpy as np
import pytest
from cases import machine
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.candidates import search
from level.verify.changes import find_changes
from level.verify.evidence import Evidence
from level.verify.explanation import WAYS, log_prior
from level.verify.trials import check_trials

FLAT = BedShape((150, 150), (150, 150))
SPOTS = {
    2: [(0, 150), (300, 150)],
    3: [(0, 0), (300, 0), (150, 300)],
    4: [(-30, -30), (330, -30), (330, 330), (-30, 330)],
}


def evidence(count, moves, **faults):
    lifts = machine(SPOTS[count], probe={"sigma": 0.005})
    trials = check_trials(Faulty(lifts, FLAT, sigma=0.005, **faults).trials(moves), lifts)
    return Evidence(find_changes(trials, lifts), (), tuple(lift.name for lift in lifts.lifts))


def every(found, ways):
    """Every explanation with these ways of acting: lifts, ways, log weight."""
    count = found.lifts
    rows = [
        (lift_of, way_of)
        for lift_of in permutations(range(count))
        for way_of in product(ways, repeat=count)
    ]
    lift_of, way_of = (np.array(part) for part in zip(*rows, strict=True))
    return found.log_likelihood(lift_of, way_of)[0] + log_prior(lift_of, way_of)


FAULTS = [
    {},
    {"gain": [-1, 1]},
    {"lift_of": [1, 0]},
    {"gain": [0, 1]},
    {"gain": [1.25, -4]},
    {"lift_of": [1, 0], "gain": [0.5, -2]},
]


@pytest.mark.parametrize("faults", FAULTS)
@pytest.mark.parametrize("moves", [[{"A": 0.2}, {"B": 0.2}], [{"A": 0.2, "B": -0.1}]])
def test_two_lifts_as_by_brute_force(faults, moves):
    found = evidence(2, moves, **faults)
    weights = search(found)[2]
    brute = every(found, range(len(WAYS)))
    assert weights[0] == pytest.approx(brute.max())
    # what was not looked at has next to no share
    assert np.exp(weights - brute.max()).sum() > 0.98 * np.exp(brute - brute.max()).sum()


@pytest.mark.parametrize(
    "faults",
    [{}, {"gain": [-1, 1, 0]}, {"lift_of": [1, 2, 0], "gain": [2, 1, -1]}, {"gain": [4, 4, 4]}],
)
def test_three_lifts_as_by_brute_force(faults):
    found = evidence(3, [{"A": 0.2}, {"B": 0.2}, {"C": 0.2}], **faults)
    some = [k for k, way in enumerate(WAYS) if way.kind != "ratio" or abs(way.gain) in (0.5, 2, 4)]
    brute = every(found, some)
    assert search(found)[2][0] == pytest.approx(brute.max())


def test_four_lifts_moved_at_once_as_by_brute_force():
    moves = [{"A": 0.2, "B": -0.15, "C": -0.2, "D": 0.15}, {"A": 0.1, "B": 0.1, "C": -0.1}]
    for faults in ({}, {"gain": [-1, 1, 1, 1]}, {"lift_of": [1, 0, 2, 3]}):
        found = evidence(4, moves, **faults)
        brute = every(found, [k for k, way in enumerate(WAYS) if way.kind in ("good", "stuck")])
        assert search(found)[2][0] >= brute.max() - 1e-9


def test_drives_that_never_moved_take_the_lifts_that_are_left():
    found = evidence(4, [{"A": 0.3}], lift_of=[1, 2, 0, 3])
    lift_of, way_of, weights, _ = search(found)
    assert lift_of[0].tolist() == [1, 0, 2, 3]  # one exchange does
    assert way_of[0].tolist() == [0] * 4
    assert (np.sort(lift_of, axis=1) == np.arange(4)).all()
    assert (way_of[:, 1:] == 0).all()
    assert (np.diff(weights) <= 0).all()
