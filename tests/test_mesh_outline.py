import numpy as np
import pytest

from mesh.outline import Hull

SQUARE = Hull.of(np.array([0, 300, 300, 0, 100.0]), np.array([0, 0, 200, 200, 100.0]))


def test_distance_beyond_a_rectangle():
    found = SQUARE.outside(np.array([150, -10, 330, 5.0]), np.array([100, 50, 210, 190.0]))
    assert found == pytest.approx([-100, 10, 30, -5])


def test_nearest_spot_of_a_rectangle_is_the_clipped_one():
    x, y = np.random.default_rng(0).uniform(-300, 600, (2, 200))
    out = SQUARE.outside(x, y) > 0
    near = SQUARE.nearest(x[out], y[out])
    assert near[0] == pytest.approx(np.clip(x[out], 0, 300), abs=1e-9)
    assert near[1] == pytest.approx(np.clip(y[out], 0, 200), abs=1e-9)


def test_nearest_spot_equals_a_search_along_the_outline():
    random = np.random.default_rng(1)
    hull = Hull.of(*random.uniform(0, 300, (2, 20)))
    x, y = random.uniform(-200, 500, (2, 50))
    part = np.linspace(0, 1, 4001)[:, None]
    dense = np.vstack([
        (1 - part) * one + part * other
        for one, other in zip(hull.corners, np.roll(hull.corners, -1, axis=0), strict=True)
    ])  # fmt: skip
    out = hull.outside(x, y) > 0
    near_x, near_y = hull.nearest(x[out], y[out])
    found = np.hypot(near_x - x[out], near_y - y[out])
    best = np.hypot(x[out] - dense[:, :1], y[out] - dense[:, 1:]).min(axis=0)
    assert found == pytest.approx(best, rel=1e-4)
    assert (found <= best + 1e-9).all()
