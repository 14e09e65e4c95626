import numpy as np
import pytest
from cases import machine
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.changes import find_changes
from level.verify.decider import find_decider
from level.verify.trials import check_trials

LIFTS = machine([(-30, -30), (330, -30), (330, 330), (-30, 330)], probe={"sigma": 0.005})
TRIALS = check_trials(
    Faulty(LIFTS, BedShape((150, 150), (150, 150)), sigma=0.005).trials([{"A": 0.2}]), LIFTS
)
CHANGES = find_changes(TRIALS, LIFTS)
FIXED = find_changes(TRIALS, LIFTS, "fixed")
NAMES = ("A", "B", "C", "D")
GOOD = np.eye(4)
SWAPPED = GOOD[[2, 1, 0, 3]]
REVERSED = np.diag([-1.0, 1, -1, 1])


def test_what_tilt_cannot_tell_the_lifts_do():
    found = find_decider(np.stack((SWAPPED, REVERSED)), CHANGES, NAMES, 0.4)
    assert (found.lift, found.look, found.rise, found.decides) == ("A", "lifts", 0.4, True)
    assert found.expected == ({"C": 0.4}, {"A": -0.4})


def test_with_a_fixed_datum_probing_does():
    found = find_decider(np.stack((SWAPPED, REVERSED)), FIXED, NAMES, 0.4)
    assert (found.lift, found.look, found.decides) == ("A", "probe", True)


def test_the_best_explanation_is_told_from_the_others_first():
    two = np.stack((GOOD, np.diag([1.0, -1, 1, 1]), np.diag([1.0, -1, -1, 1])))
    found = find_decider(two, CHANGES, NAMES, 0.4)
    assert (found.lift, found.look, found.decides) == ("B", "probe", False)
    # a move too small for the probe is left to the eye, gains that are near to a dial indicator
    assert find_decider(two[:2], CHANGES, NAMES, 1e-3).look == "lifts"
    near = np.stack((GOOD, np.diag([1.25, 1, 1, 1])))
    assert find_decider(near, CHANGES, NAMES, 0.1).look == "dial"
    assert find_decider(near, CHANGES, NAMES, 0.4).look == "probe"
    assert find_decider(np.stack((GOOD, GOOD)), CHANGES, NAMES, 0.4) is None


def test_without_any_trial_only_the_lifts_are_looked_at():
    nothing = find_changes((), LIFTS)
    found = find_decider(np.stack((SWAPPED, REVERSED)), nothing, NAMES, 0.4)
    assert found.look == "lifts"
    assert found.expected[0] == pytest.approx({"C": 0.4})
