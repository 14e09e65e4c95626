import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st

from mesh.cells import Cells, line_weights


@given(st.integers(0, 999), st.integers(2, 8), st.sampled_from((1, 3)))
def test_polynomials_are_exact_between_uneven_lines(seed, lines, degree):
    random = np.random.default_rng(seed)
    at = np.cumsum(random.uniform(1, 30, lines))
    spots = random.uniform(at[0], at[-1], 20)
    power = np.polynomial.Polynomial(random.normal(size=min(degree, lines - 1) + 1), (0, at[-1]))
    which, weights = line_weights(at, spots, degree)
    assert weights.sum(axis=1) == pytest.approx(np.ones(20))
    expected = power(spots)
    assert (weights * power(at)[which]).sum(axis=1) == pytest.approx(expected, rel=1e-9, abs=1e-9)


def test_error_is_within_the_bound_of_the_textbook():
    # (3/128) h^4 |z''''| for the cubic through four even places, in inner cells (theory H1)
    lines = np.arange(0.0, 10)
    spots = np.linspace(1, 8, 400)
    for wave in (0.3, 0.8, 1.5):
        which, weights = line_weights(lines, spots, 3)
        error = (weights * np.sin(wave * lines)[which]).sum(axis=1) - np.sin(wave * spots)
        assert np.abs(error).max() <= 3 / 128 * wave**4 * (1 + 1e-9)


def test_equals_scipy_linear():
    from scipy.interpolate import RegularGridInterpolator

    random = np.random.default_rng(0)
    x, y = np.array([0, 10, 40, 100.0]), np.array([0, 50, 60.0])
    z = random.normal(size=(3, 4))
    at = random.uniform(0, 1, (2, 50)) * [[100], [60]]
    expected = RegularGridInterpolator((y, x), z)(at[::-1].T)
    assert Cells(x, y, z, z * 0, 1).at(*at)[0] == pytest.approx(expected, abs=1e-12)


@pytest.mark.parametrize("degree", [1, 3])
def test_leave_one_out_equals_brute_force(degree):
    # the place's row and column, interpolated without it by numpy; four lines about an inner place
    random = np.random.default_rng(1)
    x, y = np.cumsum(random.uniform(10, 50, 7)), np.cumsum(random.uniform(10, 50, 6))
    z = random.normal(size=(6, 7))
    left = Cells(x, y, z, z * 0, degree).left_out
    corners = np.zeros((6, 7), bool)
    corners[np.ix_([0, -1], [0, -1])] = True
    assert (np.isnan(left) == corners).all()
    half = (degree + 1) // 2

    def between(lines, heights, k):
        near = [*range(k - half, k), *range(k + 1, k + half + 1)]
        power = np.polynomial.Polynomial.fit(lines[near], heights[near], degree)
        return power(lines[k])

    row, column = 2, 3
    expected = (between(x, z[row], column) + between(y, z[:, column], row)) / 2
    assert z[row, column] - left[row, column] == pytest.approx(expected, abs=1e-9)
    assert z[0, column] - left[0, column] == pytest.approx(between(x, z[0], column), abs=1e-9)


def test_cubic_carries_the_noise_of_its_weights():
    # even lines, mid-cell: (2 * 0.5625^2 + 2 * 0.0625^2)^2 of the variance
    x, y = np.arange(6.0), np.arange(6.0)
    cells = Cells(x, y, np.zeros((6, 6)), np.ones((6, 6)), 3)
    assert cells.at(np.array([2.5]), np.array([2.5]))[1] == pytest.approx([0.640625**2])
    across, along = grid(x, y)
    assert cells.at(across, along)[1] == pytest.approx(np.ones(36))
