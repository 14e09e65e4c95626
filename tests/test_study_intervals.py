import numpy as np
import pytest
from study_intervals import coverage


def test_intervals_cover():
    # a part of the study: 95 % intervals of sigma, falls, modes and rises, by every way that
    # sigma is known; each share of 300 has a standard deviation of 1.3 %
    shares = coverage(300, seed=2)
    assert len(shares) == 19
    assert min(shares.values()) > 0.91
    assert np.mean(list(shares.values())) == pytest.approx(0.95, abs=0.012)
