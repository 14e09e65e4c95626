import numpy as np
import pytest
from cases import machine
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.changes import find_changes
from level.verify.evidence import Evidence
from level.verify.explanation import GOOD
from level.verify.gains import find_gains
from level.verify.misplaced import at_true_place, find_misplaced
from level.verify.trials import check_trials

SPOTS = {
    3: [(0, 0), (300, 0), (150, 300)],
    4: [(-30, -30), (330, -30), (330, 330), (-30, 330)],
    5: [(-30, -30), (330, -30), (330, 330), (150, 340), (-30, 330)],
}
FLAT = BedShape((150, 150), (150, 150))


def evidence(count, shift, sigma=0.0, seed=1, carries="bed"):
    """Trials of a machine whose file has lift B elsewhere than it stands."""
    spots = SPOTS[count]
    true = machine(spots, carries=carries, probe={"sigma": 0.005})
    filed = np.array(spots, dtype=float)
    filed[1] += shift
    lifts = machine(filed, carries=carries, probe={"sigma": 0.005})
    moves = [{lift.name: 0.2} for lift in true.lifts]
    trials = check_trials(Faulty(true, FLAT, sigma=sigma, seed=seed).trials(moves), lifts)
    return Evidence(find_changes(trials, lifts), (), tuple(lift.name for lift in lifts.lifts))


@pytest.mark.parametrize("count", [3, 4, 5])
@pytest.mark.parametrize("carries", ["bed", "gantry"])
def test_the_true_place_is_found(count, carries):
    found = evidence(count, (60, -90), carries=carries)
    names = tuple("ABCDE"[:count])
    best, _, chi = max(find_misplaced(found, names), key=lambda each: each[1])
    assert best.lift == "B"
    # the prior draws it a little towards the file's place
    assert (best.x, best.y) == pytest.approx(SPOTS[count][1], abs=8)
    assert chi < len(found.values) / 2
    gains = find_gains(at_true_place(found, 1, best), np.arange(count), np.full(count, GOOD))
    assert [gains[j].value for j in range(count)] == pytest.approx([1] * count, abs=0.05)


def test_its_standard_deviation_is_that_of_repeats():
    at = []
    for seed in range(30):
        found = find_misplaced(evidence(3, (80, 0), 0.005, seed), ("A", "B", "C"))
        at.append(next(each for each, *_ in found if each.lift == "B"))
    # small faults of the drives are allowed on top of the noise, so repeats scatter less
    assert 0.3 < np.std([each.x for each in at]) / at[0].sigma_x < 1.1
    assert 0.3 < np.std([each.y for each in at]) / at[0].sigma_y < 1.1


def test_a_lift_in_its_place_is_no_likelier_elsewhere():
    found = evidence(4, (0, 0))
    for each, weight, chi in find_misplaced(found, tuple("ABCD")):
        spot = SPOTS[4]["ABCD".index(each.lift)]
        assert (each.x, each.y) == pytest.approx(spot, abs=1e-3)
        assert chi == pytest.approx(0, abs=1e-9)
        law = found.log_likelihood(np.array([range(4)]), np.zeros((1, 4), dtype=int))[0]
        assert weight < law[0] - 5  # good lifts explain as much without it


def test_lifts_in_line_leave_nothing_to_tell_it_by():
    lifts = machine([(0, 150), (300, 150)], probe={"sigma": 0.005})
    trials = check_trials(Faulty(lifts, FLAT).trials([{"A": 0.2}]), lifts)
    found = Evidence(find_changes(trials, lifts), (), ("A", "B"))
    assert find_misplaced(found, ("A", "B")) == []
