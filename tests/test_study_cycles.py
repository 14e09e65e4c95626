import pytest
from study_cycles import shares


def test_part_of_the_study():
    # 1,000 machines: three standard deviations of a share of 5 % are 2.1 %
    found = shares(1000, seed=1)
    assert found.false_set == pytest.approx(0.05, abs=0.021)
    assert found.false_loop == pytest.approx(0.05, abs=0.021)
    assert found.covered == pytest.approx(0.95, abs=0.021)
    assert found.found_set > 0.8
