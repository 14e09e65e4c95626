import numpy as np
import pytest

from mesh.correlation import correlation

DISTANCES = np.linspace(-200, 200, 41)


def test_equals_scikit_learns():
    kernels = pytest.importorskip("sklearn.gaussian_process.kernels")
    spots = DISTANCES[:, None]
    zero = np.zeros((1, 1))
    for kernel, reference in (
        ("squared-exponential", kernels.RBF(70.0)), ("matern-5/2", kernels.Matern(70.0, nu=2.5)),
    ):  # fmt: skip
        found = correlation(kernel, DISTANCES, 70.0)[0]
        assert found == pytest.approx(reference(spots, zero)[:, 0], abs=1e-12)


@pytest.mark.parametrize("kernel", ["squared-exponential", "matern-5/2"])
def test_slope_equals_differences(kernel):
    up, down = (correlation(kernel, DISTANCES, 70 * np.exp(s))[0] for s in (1e-5, -1e-5))
    slope = correlation(kernel, DISTANCES, 70.0)[1]
    assert slope == pytest.approx((up - down) / 2e-5, abs=1e-8)
