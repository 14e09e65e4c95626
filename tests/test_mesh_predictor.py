import numpy as np
import pytest
from cases import grid

from mesh.plane import fit_plane
from mesh.predictor import PlanePredictor


def test_a_plane_is_as_sure_as_its_places():
    # leverages of a plane on 3 x 3 places: corner 4/9, centre 1/9 (checks, "Gridding")
    x, y = grid([0, 1, 2], [0, 1, 2])
    plane = fit_plane(x, y, 2 * x - y)
    known = PlanePredictor(plane, 0.3, exact=True)
    height, variance = known.at(np.array([0.0, 1.0]), np.array([0.0, 1.0]))
    assert height == pytest.approx([0, 1])
    assert variance == pytest.approx([0.09 * 4 / 9, 0.09 / 9])
    assert known.left_out == pytest.approx(np.zeros(9))


def test_three_places_do_not_tell_the_noise():
    three = PlanePredictor(fit_plane([0, 1, 0], [0, 0, 1], [1, 2, 3]), None, exact=False)
    height, variance = three.at(np.array([0.5]), np.array([0.5]))
    assert height == pytest.approx([2.5])
    assert np.isnan(variance).all()
    assert np.isnan(three.left_out).all()
