import numpy as np
import pytest
from cases import machine
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.changes import find_changes
from level.verify.evidence import Evidence
from level.verify.explanation import GOOD, WAYS
from level.verify.gains import find_gains, find_own_ways
from level.verify.trials import Reading, check_trials

THREE = [(0, 0), (300, 0), (150, 300)]  # lifts of T-B1
SQUARE = [(-30, -30), (330, -30), (330, 330), (-30, 330)]
FLAT = BedShape((150, 150), (150, 150))


def evidence(
    spots, moves, *, datum="bed", sigma=1e-7, chained=True, readings=(), play=0.0, **faults
):
    lifts = machine(spots, probe={"sigma": 0.005})
    faulty = Faulty(lifts, FLAT, sigma=sigma, **faults)
    faulty.play[:] = faulty._slack[:] = play  # as after coming up
    trials = []
    for part in [moves] if chained else [[move] for move in moves]:
        trials += faulty.trials(part)
    changes = find_changes(check_trials(trials, lifts), lifts, datum)
    return Evidence(changes, tuple(readings), tuple(lift.name for lift in lifts.lifts))


def all_good(found, lift_of=None):
    count = found.lifts
    return find_gains(found, np.array(lift_of or range(count)), np.full(count, GOOD))


ONE_BY_ONE = [{"A": 0.2}, {"B": 0.2}, {"C": 0.2}]


def test_gains_are_known_as_theory_says():
    # T-D1: u = .2 mm: gain se .019, .019, .014 from the height at the lift, tilt only .022, .022,
    # .025; the first are height errors over the move, here with the tilts of one pair only
    tilt = all_good(evidence(THREE, ONE_BY_ONE, chained=False))
    assert [tilt[j].sigma for j in range(3)] == pytest.approx([0.022, 0.022, 0.025], abs=0.0006)
    assert [tilt[j].value for j in range(3)] == pytest.approx([1, 1, 1], abs=1e-5)
    # all of a map with a fixed datum tells more than the height at the lift alone
    fixed = all_good(evidence(THREE, ONE_BY_ONE, datum="fixed", chained=False))
    heights = np.array([3.81, 3.81, 2.87]) / 200
    assert (np.array([fixed[j].sigma for j in range(3)]) < heights).all()


def test_swapped_plugs_look_reversed_and_weak_along_their_own_way():
    # T-D2: 2 <-> 3 swapped: gains 1.0, -.40, -.50 along the own way; chi-square beside it ~1300
    # (where lift 3 moves; where lift 2 does, whose tilt is larger by 5 : 4 in square, 1600)
    own = find_own_ways(evidence(THREE, ONE_BY_ONE, chained=False, lift_of=[0, 2, 1]))
    assert [own[j].gain for j in range(3)] == pytest.approx([1, -0.4, -0.5], abs=0.005)
    assert own[0].off_axis == pytest.approx(0, abs=1e-6)
    assert [own[1].off_axis, own[2].off_axis] == pytest.approx([1300, 1300 * 5 / 4], rel=0.03)
    assert own[1].freedom == 1
    # told which lift moves, the gains are whole
    gains = all_good(evidence(THREE, ONE_BY_ONE, lift_of=[0, 2, 1]), [0, 2, 1])
    assert [gains[j].value for j in range(3)] == pytest.approx([1, 1, 1], abs=1e-5)


def test_chained_trials_are_weighted_as_generalised_least_squares():
    found = evidence(THREE, ONE_BY_ONE, sigma=0.005, gain=[1, 0.9, 1.1])
    changes = found.changes
    design = np.zeros((6, 3))
    for j in range(3):
        design[:, j] = np.kron(changes.moved[:, j], changes.per_unit[:, j])
    weighted = np.linalg.solve(changes.covariance, design)
    spread = np.linalg.inv(design.T @ weighted)
    expected = spread @ weighted.T @ changes.values.ravel()
    gains = all_good(found)
    assert [gains[j].value for j in range(3)] == pytest.approx(expected)
    assert [gains[j].sigma for j in range(3)] == pytest.approx(np.sqrt(np.diag(spread)))
    # what is usual draws the factor towards 1
    for j in range(3):
        assert abs(gains[j].factor - 1) < abs(gains[j].value - 1)


def test_intervals_of_gains_cover():
    moves, held = [{"A": 0.2}, {"B": 0.2}, {"C": 0.2}, {"A": -0.2, "D": 0.2}], []
    for seed in range(150):
        gains = all_good(evidence(SQUARE, moves, sigma=0.005, seed=seed, gain=[1, 0.5, 1, 2]))
        for j, true in enumerate([1, 0.5, 1, 2]):
            held.append(abs(gains[j].value - true) <= 1.96 * gains[j].sigma)
    assert np.mean(held) == pytest.approx(0.95, abs=0.03)  # of 600, sd 1 % and a bit


def test_backlash_is_what_up_and_down_differ_by():
    # theory D4: up, then down at one lift: backlash = the difference
    moves = [{"A": 0.2}, {"A": -0.2}, {"B": 0.2}, {"B": -0.2}]
    gains = all_good(evidence(SQUARE, moves, play=0.03, gain=[1, -1, 1, 1]))
    assert gains[0].play == pytest.approx(0.03, abs=1e-6)
    assert gains[0].value == pytest.approx(1, abs=1e-5)
    assert gains[0].play_sigma is not None
    assert gains[0].play_sigma > 0
    # one that only went up says nothing of it
    assert all_good(evidence(SQUARE, [{"A": 0.2}, {"A": 0.1}], play=0.03))[0].play is None


def test_moves_of_all_lifts_at_once_hold_the_others_near_nominal():
    moves = [{"A": 0.2, "B": -0.15, "C": -0.2, "D": 0.15}]
    found = evidence(SQUARE, moves)
    gains = all_good(found)
    assert [gains[j].value for j in range(4)] == pytest.approx([1] * 4, abs=1e-5)
    assert all(0.03 < gains[j].sigma < 0.1 for j in range(4))
    assert find_own_ways(found) == {}


def test_a_ruler_gives_the_gain_itself():
    found = evidence(SQUARE, [], readings=[Reading("B", 25.1, 50, 0.5), Reading("C", -50, 50, 1)])
    gains = all_good(found)
    assert (gains[1].value, gains[1].sigma) == pytest.approx((0.502, 0.01))
    assert (gains[2].value, gains[2].sigma) == pytest.approx((-1, 0.02))
    assert find_own_ways(found)[1].gain == pytest.approx(0.502)
    assert set(gains) == {1, 2}


def test_a_lift_in_the_middle_shows_in_no_tilt():
    found = evidence([*SQUARE, (150, 150)], [{"A": 0.2}, {"E": 0.2}])
    assert set(all_good(found)) == {0}
    odd = next(k for k, way in enumerate(WAYS) if way.kind == "odd")
    assert find_gains(found, np.arange(5), np.array([odd, 0, 0, 0, 0])) == {}
