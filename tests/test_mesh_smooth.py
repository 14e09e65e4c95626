import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from mesh.smooth import _draw_kept, _mean_kept, smooth_bed
from probes import Run


def bed_of(x, y, z, sigma, freedom=None):
    return smooth_bed(Run(x=x, y=y, z=z).places, sigma, freedom)


@pytest.mark.parametrize("size", [1, 3, 12])
@pytest.mark.parametrize("excess", [0.2, 1.0, 6.0, 40.0, 300.0])
def test_share_kept_by_numerical_integration(size, excess):
    # posterior mean of 1 - share: half a chance of share 1, else a Beta(1/2, 1/2) law, with the
    # likelihood share^(size / 2) exp(-share excess); substituted share = sin^2
    def weight(angle):
        share = np.sin(angle) ** 2
        return share ** (size / 2) * np.exp(-share * excess + shift) / (np.pi / 2)

    shift = min(excess, size / 2)
    whole = quad(weight, 0, np.pi / 2, limit=200, points=[0.05, 0.2])[0]
    part = quad(lambda a: np.sin(a) ** 2 * weight(a), 0, np.pi / 2, limit=200,
                points=[0.05, 0.2])[0]  # fmt: skip
    absent = np.exp(-excess + shift)
    expected = 1 - (part + absent) / (whole + absent)
    variance = np.array([1.0])
    assert _mean_kept(size, 2 * excess, variance) == pytest.approx(expected, abs=4e-3)
    drawn = _draw_kept(np.random.default_rng(1), size, 2 * excess, np.ones(20_000))
    assert drawn.mean() == pytest.approx(expected, abs=0.012)
    assert drawn.min() >= 0
    assert drawn.max() <= 1


def test_likely_heights_are_nearer_the_truth_than_the_readings():
    random = np.random.default_rng(2)
    x, y = grid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    true = 0.1 * x**2 - 0.05 * y**2 + 0.03 * x * y
    gains = []
    for _ in range(100):
        z = true + random.normal(0, 0.01, 81)
        gains.append(np.std(bed_of(x, y, z, 0.01).heights - true) / np.std(z - true))
    assert np.mean(gains) < 0.45  # six terms of 81 would be sqrt(6 / 81) = 0.27


def test_drawn_beds_spread_about_the_likely_one():
    random = np.random.default_rng(3)
    x, y = grid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7))
    bed = bed_of(x, y, 0.1 * x**2 + random.normal(0, 0.01, 49), 0.01)
    drawn = bed.draw(np.random.default_rng(4), 4000)
    assert drawn.mean(axis=0) == pytest.approx(bed.heights, abs=0.0015)
    assert 0 < drawn.std(axis=0).max() < 0.01


def test_unknown_sigma_spreads_them_more():
    x, y = grid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7))
    z = 0.1 * x**2 + np.random.default_rng(5).normal(0, 0.01, 49)
    spreads = [
        bed_of(x, y, z, 0.01, freedom).draw(np.random.default_rng(6), 4000).std(axis=0).mean()
        for freedom in (None, 3)
    ]
    assert spreads[1] > 1.1 * spreads[0]


def test_clear_shapes_are_kept_whole():
    x, y = grid(np.linspace(-1, 1, 6), np.linspace(-1, 1, 6))
    z = np.random.default_rng(7).normal(0, 1, 36)
    assert bed_of(x, y, z, 1e-4).heights == pytest.approx(z, abs=1e-4)


@given(st.integers(0, 10**6), st.floats(-5, 5), st.floats(-0.05, 0.05), st.integers(3, 40))
def test_a_plane_more_moves_all_by_that_plane(seed, level, slope, n):
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 300, (2, n))
    z = random.normal(0, 0.05, n)
    plane = level + slope * x - 0.3 * slope * y
    flat, tilted = bed_of(x, y, z, 0.02), bed_of(x, y, z + plane, 0.02)
    assert tilted.heights - plane == pytest.approx(flat.heights, abs=1e-6)
    drawn = [bed.draw(np.random.default_rng(1), 20) for bed in (flat, tilted)]
    assert drawn[1] - plane == pytest.approx(drawn[0], abs=1e-6)


@pytest.mark.parametrize("rows", [2, 3])
def test_strips_and_small_grids(rows):
    x, y = grid(range(9), range(rows))
    z = 0.01 * x**2
    assert bed_of(x, y, z, 1e-5).heights == pytest.approx(z, abs=1e-4)


def test_a_cross_of_places_has_no_twist_to_divide_by():
    x, y = np.array([0.0, -1, 1, 0, 0]), np.array([0.0, 0, 0, -1, 1])
    bed = bed_of(100 * x, 100 * y, 0.1 * x**2, 0.01)
    assert np.isfinite(bed.heights).all()
    assert np.isfinite(bed.draw(np.random.default_rng(1), 5)).all()
