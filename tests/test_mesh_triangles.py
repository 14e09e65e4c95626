import numpy as np
import pytest
from scipy.interpolate import LinearNDInterpolator

from mesh.triangles import Triangles


def places(n=50, seed=0):
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 300, (2, n))
    return x, y, random.normal(size=n)


def test_leave_one_out_equals_brute_force():
    x, y, z = places()
    left = Triangles(x, y, z, z * 0).left_out
    for k in range(50):
        rest = np.arange(50) != k
        spots = np.column_stack((x, y)) / 300
        other = LinearNDInterpolator(spots[rest], z[rest])(spots[k : k + 1])[0]
        assert left[k] == pytest.approx(z[k] - other, abs=1e-9, nan_ok=True)


def test_spots_on_the_outline_have_a_height():
    x, y, z = places()
    from scipy.spatial import ConvexHull

    corners = ConvexHull(np.column_stack((x, y))).vertices
    one, other = corners, np.roll(corners, 1)
    found = Triangles(x, y, z, z * 0).at((2 * x[one] + x[other]) / 3, (2 * y[one] + y[other]) / 3)
    assert found[0] == pytest.approx((2 * z[one] + z[other]) / 3, abs=1e-6)


def test_noise_at_places_and_in_the_middle_of_a_triangle():
    x, y = np.array([0, 30, 0.0]), np.array([0, 0, 30.0])
    net = Triangles(x, y, x, np.array([1.0, 4.0, 9.0]))
    assert net.at(x, y)[1] == pytest.approx([1, 4, 9])
    assert net.at(np.array([10.0]), np.array([10.0]))[1] == pytest.approx([14 / 9])
