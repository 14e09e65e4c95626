import numpy as np
import pytest
from study_soak import TOLERANCE, WarmUp, outcomes, too_soon, waited


def test_warm_up_is_ready_when_theory_says():
    # theory T-F2, with its tolerance of 5 um made into ours of 10: 80 um/6 min, 40 um/35 min
    own = WarmUp(np.array((0.160, 0.080)), np.array((6.0, 35.0)))
    assert own.ready() == pytest.approx(72.8, abs=0.1)
    assert own.left(np.array((72.8,)))[0] == pytest.approx(TOLERANCE, rel=0.005)


def test_part_of_the_study():
    found = outcomes(9, learnt=True)
    everything = [one for some in found.values() for one in some]
    assert len(everything) >= 7
    assert too_soon(everything) == 0
    assert waited(everything) < 0.6
    # repeated questions of one warm-up go together, so this is wide
    assert np.mean([one.held for one in everything]) > 0.85


def test_part_of_the_study_with_a_guess():
    (found,) = outcomes(3, learnt=False, kinds=("opposing",)).values()
    assert too_soon(found) == 0
    assert all(np.isfinite(one.said) for one in found)
