import numpy as np
import pytest

from mesh.kriging import Kriging, contrasts, plane_columns


def test_contrasts_know_no_plane():
    x, y = np.random.default_rng(0).uniform(0, 300, (2, 12))
    free = contrasts(x, y)
    assert free.shape == (9, 12)
    assert free @ free.T == pytest.approx(np.eye(9), abs=1e-12)
    assert free @ (3 - 0.2 * x + 0.7 * y) == pytest.approx(np.zeros(9), abs=1e-10)


def test_equals_the_textbook_equations():
    # N. Cressie, Statistics for Spatial Data (1993), 3.4: the bordered system of universal kriging
    random = np.random.default_rng(1)
    x, y = random.uniform(0, 300, (2, 15))
    z = random.normal(size=15)

    def covariance(at_x, at_y, to_x, to_y):
        return np.exp(-np.hypot(at_x[:, None] - to_x, at_y[:, None] - to_y) / 80)

    noisy = covariance(x, y, x, y) + np.diag(np.linspace(0.01, 0.1, 15))
    free = contrasts(x, y)
    root = np.linalg.solve(np.linalg.cholesky(free @ noisy @ free.T), free)
    kriging = Kriging.of(x, y, z, covariance, 1.0, 2.5, noisy, root)
    columns = plane_columns(x, y, x, y)
    bordered = np.block([[noisy, columns], [columns.T, np.zeros((3, 3))]])
    at = random.uniform(-50, 350, (2, 20))
    right = np.column_stack((covariance(*at, x, y), plane_columns(*at, x, y)))
    weights = np.linalg.solve(bordered, right.T)
    height, variance = kriging.at(*at)
    assert height == pytest.approx(z @ weights[:15], abs=1e-10)
    assert variance == pytest.approx(2.5 * (1 - np.sum(right.T * weights, axis=0)), abs=1e-10)
