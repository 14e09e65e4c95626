import numpy as np
import pytest
from cases import machine
from hypothesis import given
from hypothesis import strategies as st

from level.influence import find_influence
from level.stages import stages_needed, worst_racking
from probes import RequestError

SQUARE = find_influence(machine([(0, 0), (300, 0), (300, 300), (0, 300)]))


def test_one_lift_moved_alone_racks_by_a_quarter():
    # theory A5: one lift of four moved alone by u makes racking u / 4
    assert worst_racking(SQUARE, [0.2, 0, 0, 0]) == pytest.approx(0.05)
    # w_cap = .02: steps of .08 mm
    assert stages_needed(SQUARE, [0.08, 0.08, 0.08, 0.08], 0.02) == 1
    assert stages_needed(SQUARE, [0.081, 0.081, 0.081, 0.081], 0.02) == 2


def walk(rises, stages):
    """Largest racking over every single move of every stage, step by step."""
    done, worst = np.zeros(4), 0.0
    for _ in range(stages):
        for k, rise in enumerate(rises):
            done[k] += rise / stages
            worst = max(worst, np.abs(SQUARE.racking(done)).max())
    return worst


@given(st.lists(st.floats(-1, 1), min_size=4, max_size=4), st.floats(0.02, 1))
def test_stages_are_enough_and_no_more(rises, limit):
    try:
        stages = stages_needed(SQUARE, rises, limit)
    except RequestError:
        assert walk(rises, 200) > limit
        return
    assert walk(rises, stages) <= limit * (1 + 1e-8)
    assert worst_racking(SQUARE, rises, stages) == pytest.approx(walk(rises, stages), abs=1e-12)
    assert stages == 1 or walk(rises, stages - 1) > limit


def test_lifts_that_cannot_rack_need_one_round():
    three = find_influence(machine([(0, 0), (300, 0), (150, 300)]))
    assert stages_needed(three, [5, -5, 3], 1e-6) == 1
    assert stages_needed(SQUARE, np.zeros(4), 1e-6) == 1
    with pytest.raises(
        RequestError, match=r"even 200 stages would rack the frame by more than 0\.001 mm"
    ):
        stages_needed(SQUARE, [9, 0, 0, 0], 1e-3)
