import numpy as np
import pytest

from mesh.left_out import LeaveOneOut


def test_rms_of_all_of_the_inner_and_of_the_outer():
    errors = np.array([3.0, np.nan, 4.0, 12.0])
    edge = np.array([True, True, True, False])
    left = LeaveOneOut(np.zeros(4), np.zeros(4), errors, edge)
    assert left.rms == pytest.approx(13 / np.sqrt(3))
    assert left.rms_edge == pytest.approx(5 / np.sqrt(2))
    assert left.rms_interior == pytest.approx(12)
    assert np.isnan(LeaveOneOut(np.zeros(4), np.zeros(4), errors * np.nan, edge).rms)
