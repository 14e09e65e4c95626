import numpy as np
import pytest
from cases import grid

from mesh.surface import fit_surface
from mesh.thin_plate import fit_thin_plate


def noisy(n=40, seed=0):
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 300, (2, n))
    return x, y, 0.1 * np.sin(x / 60) * np.cos(y / 90) + random.normal(0, 0.01, n)


def test_closed_form():
    # unit square 0, centre 1 (checks of the project, "Gridding"); by hand from r^2 log r
    x, y, z = [0, 1, 0, 1, 0.5], [0, 0, 1, 1, 0.5], [0, 0, 0, 0, 1]
    surface = fit_surface(x, y, z, "thin-plate", noise=0.0)
    found = surface.at([0.25, 0.5, 0.5], [0.25, 0.25, 0.0])[0]
    assert found == pytest.approx([0.588570709, 0.755930066, 0.365863294], abs=1e-9)


@pytest.mark.parametrize("smoothing", [0.0, 1e-3, 0.1])
def test_equals_scipys_at_the_same_smoothing(smoothing, monkeypatch):
    from scipy.interpolate import RBFInterpolator

    from mesh import thin_plate

    x, y, z = noisy()
    if smoothing:
        monkeypatch.setattr(thin_plate, "_TRIED", np.array([smoothing]))
    plate = fit_thin_plate(x, y, z, np.ones(40), smooth=smoothing > 0)
    size = max(np.ptp(x), np.ptp(y))
    spots = np.column_stack((x, y)) / size
    # SciPy's kernel has the same sign of smoothing: K + s I
    reference = RBFInterpolator(spots, z, smoothing=plate.smoothing, kernel="thin_plate_spline")
    at = np.random.default_rng(1).uniform(0, 300, (2, 50))
    expected = reference(at.T / size)
    assert plate.predictor.at(*at)[0] == pytest.approx(expected, abs=1e-9)


@pytest.mark.parametrize("smooth", [True, False])
def test_leave_one_out_equals_brute_force(smooth):
    from scipy.interpolate import RBFInterpolator

    x, y, z = noisy()
    plate = fit_thin_plate(x, y, z, np.ones(40), smooth=smooth)
    size = max(np.ptp(x), np.ptp(y))
    spots = np.column_stack((x, y)) / size
    for k in range(40):
        rest = np.arange(40) != k
        other = RBFInterpolator(spots[rest], z[rest], smoothing=plate.smoothing)
        expected = z[k] - other(spots[k : k + 1])[0]
        assert plate.predictor.left_out[k] == pytest.approx(expected, abs=1e-9)


def test_smoothing_is_the_best_of_many():
    from scipy.interpolate import RBFInterpolator

    x, y, z = noisy()
    plate = fit_thin_plate(x, y, z, np.ones(40))
    best = np.sum(plate.predictor.left_out**2)
    size = max(np.ptp(x), np.ptp(y))
    spots = np.column_stack((x, y)) / size
    for smoothing in plate.smoothing * np.array([1e-3, 0.1, 0.8, 1.25, 10, 1e3]):
        errors = []
        for k in range(40):
            rest = np.arange(40) != k
            other = RBFInterpolator(spots[rest], z[rest], smoothing=smoothing)
            errors.append(z[k] - other(spots[k : k + 1])[0])
        assert np.sum(np.square(errors)) >= best * (1 - 1e-6)


def test_intervals_cover_noisy_beds():
    # Wahba 1983: over the bed, 95 % intervals hold about 95 %
    x, y = grid(np.linspace(0, 300, 12), np.linspace(0, 300, 12))
    at = np.random.default_rng(2).uniform(0, 300, (2, 300))
    held = []
    for seed in range(10):
        z = 0.1 * np.sin(x / 60) * np.cos(y / 90)
        z = z + np.random.default_rng(seed).normal(0, 0.01, len(x))
        heights, variance = fit_thin_plate(x, y, z, np.ones(len(x))).predictor.at(*at)
        truth = 0.1 * np.sin(at[0] / 60) * np.cos(at[1] / 90)
        held.append(np.mean(np.abs(heights - truth) < 1.96 * np.sqrt(variance)))
    assert 0.9 < np.mean(held) <= 1


def test_surer_places_pull_harder():
    x, y, z = noisy()
    z[7] += 0.1
    at = x[7:8], y[7:8]
    misses = []
    for spread in (0.05, 1, 20):
        spreads = np.ones(40)
        spreads[7] = spread
        misses.append(abs(float(fit_thin_plate(x, y, z, spreads).predictor.at(*at)[0][0]) - z[7]))
    assert misses[0] < misses[1] < misses[2]


def test_a_place_that_cannot_be_spared_is_not_left_out():
    # three of four places in line: without the fourth there is no plane
    x, y, z = (np.array(v) for v in ([0, 100, 200, 50.0], [0, 0, 0, 80.0], [0, 0.01, 0, 0.02]))
    left = fit_thin_plate(x, y, z, np.ones(4)).predictor.left_out
    assert np.isnan(left).tolist() == [False, False, False, True]
    assert left[1] == pytest.approx(0.01)
