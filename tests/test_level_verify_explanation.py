from itertools import pairwise

import numpy as np
import pytest

from level.verify.explanation import BACKWARDS, GOOD, RATIOS, WAYS, log_prior, log_prior_alone


def way(kind, gain=0.0):
    return next(k for k, each in enumerate(WAYS) if each.kind == kind and each.gain == gain)


def prior(lift_of, way_of):
    return float(np.exp(log_prior(np.array([lift_of]), np.array([way_of])))[0])


def test_ratios_are_those_of_leads_steps_and_microsteps():
    # common practice, no source: leads in mm, full steps 200 and 400, microsteps 1 to 256
    for true in (2, 4, 5, 8, 10):
        for filed in (2, 4, 5, 8, 10):
            if true != filed:
                assert min(abs(ratio - true / filed) for ratio in RATIOS) < 1e-12
    assert {1 / 8, 1 / 4, 1 / 2, 2, 4, 8, 16, 8 / 5, 5 / 8} <= set(RATIOS)
    assert 1 not in RATIOS
    # neighbours stand apart by more than a gain is loose
    assert min(b / a for a, b in pairwise(RATIOS)) >= 1.25 - 1e-12


def test_the_prior_counts_faults():
    same = [0, 1, 2]
    assert (WAYS[GOOD].gain, WAYS[BACKWARDS].gain) == (1, -1)
    assert prior(same, [GOOD] * 3) == 1
    assert prior(same, [BACKWARDS, GOOD, GOOD]) == pytest.approx(0.02)
    assert prior(same, [BACKWARDS] * 3) == pytest.approx(0.02 * 0.25**2)  # has one cause
    assert prior([1, 0, 2], [GOOD] * 3) == pytest.approx(0.02)
    assert prior([1, 2, 0], [GOOD] * 3) == pytest.approx(0.02**2)  # three in a ring: two exchanges
    assert prior([1, 0, 2], [BACKWARDS, GOOD, way("stuck")]) == pytest.approx(0.02**3)
    ratio = 0.05 / len(RATIOS)
    assert prior(same, [way("ratio", 2.0), GOOD, GOOD]) == pytest.approx(ratio)
    assert prior(same, [way("ratio", 2.0), way("ratio", 0.5), GOOD]) == pytest.approx(ratio**2)
    assert prior(same, [way("ratio", 2.0)] * 2 + [GOOD]) == pytest.approx(ratio * 0.02)
    assert prior(same, [way("ratio", -2.0), GOOD, GOOD]) == pytest.approx(ratio * 0.02)


def test_one_fault_is_rarer_than_none_and_two_than_one():
    one, other = (axis.ravel() for axis in np.indices((len(WAYS), len(WAYS))))
    same = np.broadcast_to([0, 1], (len(one), 2))
    single = log_prior(same, np.column_stack((one, np.full_like(one, GOOD))))
    double = log_prior(same, np.column_stack((one, other)))
    assert (single <= 0).all()
    assert (double <= single + 1e-12).all()


def test_the_prior_of_one_drive_splits_an_exchange():
    alone = np.exp(log_prior_alone(1, 3))
    assert alone.shape == (3, len(WAYS))
    assert alone[1, GOOD] == 1
    assert alone[0, GOOD] * alone[2, GOOD] == pytest.approx(0.02)
