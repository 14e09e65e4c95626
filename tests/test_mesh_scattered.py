import numpy as np
import pytest

from mesh.scattered import Scattered


@pytest.mark.parametrize("kernel", ["squared-exponential", "matern-5/2"])
def test_terms_are_those_of_the_contrasts(kernel):
    # straight from the definition: determinant and squares of the heights no plane changes
    from mesh.kriging import contrasts

    random = np.random.default_rng(0)
    x, y, z = random.uniform(0, 300, (3, 25))
    spread = random.uniform(0.5, 2, 25)
    terms = Scattered(x, y, z, spread, kernel).terms(80, 120, 0.05)
    from mesh.correlation import correlation

    covariance = correlation(kernel, x[:, None] - x, 80)[0]
    covariance = covariance * correlation(kernel, y[:, None] - y, 120)[0]
    covariance += 0.05 * np.diag(spread**2)
    free = contrasts(x, y)
    reduced = free @ covariance @ free.T
    assert terms.log_det == pytest.approx(np.linalg.slogdet(reduced)[1], abs=1e-9)
    squares = (free @ z) @ np.linalg.solve(reduced, free @ z)
    assert terms.squares == pytest.approx(squares, rel=1e-9)


def test_the_quick_guess_is_the_height():
    random = np.random.default_rng(1)
    x, y, z = random.uniform(0, 300, (3, 25))
    model = Scattered(x, y, z, np.ones(25), "matern-5/2")
    at = random.uniform(-50, 350, (2, 40))
    expected = model.predictor(80, 120, 0.05, 2.0).at(*at)[0]
    assert model.guess(80, 120, 0.05)(*at) == pytest.approx(expected, abs=1e-9)
