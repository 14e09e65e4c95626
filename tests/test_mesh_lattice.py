import numpy as np
import pytest
from cases import grid

from mesh import lattice as module
from mesh.lattice import Lattice

X, Y = np.array([0, 20, 50, 90, 150, 200.0]), np.array([0, 60, 100, 180.0])


def heights(holes):
    z = np.random.default_rng(0).normal(size=(4, 6))
    z[:2].flat[list(holes)] = np.nan
    return z


# that it equals the dense equations is in test_mesh_process.py


@pytest.mark.parametrize("holes", [(), (0, 7)])
def test_lattice_and_scattered_spots_agree(holes, monkeypatch):
    predictor = Lattice(X, Y, heights(holes), "matern-5/2").predictor(70, 90, 0.1, 1.0)
    at = grid([5, 100, 300], [-20, 70, 80, 90])
    together = predictor.at(*at)
    spots = [predictor.at(at[0][k : k + 1], at[1][k : k + 1]) for k in range(12)]
    diagonal = np.arange(0, 200, 10.0), np.arange(0, 200, 10.0)
    alone = predictor.at(*diagonal)
    monkeypatch.setattr(module, "_AT_ONCE", 40)  # in small blocks
    for k in range(2):
        assert together[k] == pytest.approx([float(spot[k][0]) for spot in spots], abs=1e-12)
        assert predictor.at(*at)[k] == pytest.approx(together[k], abs=1e-12)
        assert predictor.at(*diagonal)[k] == pytest.approx(alone[k], abs=1e-12)
    assert predictor.height(*at) == pytest.approx(together[0], abs=1e-12)
    assert predictor.height(*diagonal) == pytest.approx(alone[0], abs=1e-12)


def test_the_height_given_for_a_hole_does_not_matter():
    # it is integrated out: any number put there gives the same
    z = heights((3,))
    one = Lattice(X, Y, z, "squared-exponential")
    other = Lattice(X, Y, z, "squared-exponential")
    other._z[0, 3] = 17.0
    first, second = (model.terms(70, 90, 0.1) for model in (one, other))
    assert second.squares == pytest.approx(first.squares, rel=1e-9)
    assert second.squares_slopes == pytest.approx(first.squares_slopes, rel=1e-9)
    at = grid([5, 100, 150], [10, 70])
    for k in range(2):
        ours, theirs = (model.predictor(70, 90, 0.1, 1.0).at(*at)[k] for model in (one, other))
        assert theirs == pytest.approx(ours, abs=1e-9)
