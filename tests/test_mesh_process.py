import warnings

import numpy as np
import pytest
from cases import grid

from mesh.lattice import Lattice
from mesh.process import fit_grid, fit_scattered, restricted_likelihood
from mesh.scattered import Scattered

KERNELS = ("squared-exponential", "matern-5/2")
LINES = np.linspace(0, 300, 8)


def noisy_bed(seed=0, noise=0.005, lines=LINES):
    x, y = grid(lines, lines)
    random = np.random.default_rng(seed)
    z = 0.1 * (x / 150 - 1) ** 2 + 1e-3 * y + 0.03 * np.sin(y / 40 + x / 90)
    return x, y, z + random.normal(0, noise, len(x))


def test_likelihood_equals_scikit_learns():
    # with the plane known, the plain likelihood is scikit-learn's; the restricted one is that at
    # the best plane less half the log of how well the plane is known (Patterson, Thompson 1971)
    process = pytest.importorskip("sklearn.gaussian_process")
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, WhiteKernel

    x, y, z = noisy_bed()
    spots = np.column_stack((x, y))
    columns = np.column_stack((np.ones(64), x / 150 - 1, y / 150 - 1))
    for length_x, length_y, signal, noise in ((120, 60, 0.1, 0.005), (300, 90, 0.04, 0.01)):
        kernel = ConstantKernel(signal**2) * RBF((length_x, length_y)) + WhiteKernel(noise**2)
        inverse = np.linalg.inv(kernel(spots))
        information = columns.T @ inverse @ columns
        plane = np.linalg.solve(information, columns.T @ inverse @ z)
        model = process.GaussianProcessRegressor(kernel, optimizer=None, alpha=0)
        model.fit(spots, z - columns @ plane)
        expected = model.log_marginal_likelihood_value_ + (
            3 * np.log(2 * np.pi)
            - np.linalg.slogdet(information)[1]
            + np.linalg.slogdet(columns.T @ columns)[1]
        ) / 2  # fmt: skip
        ratio = (noise / signal) ** 2
        for ours in (
            Lattice(LINES, LINES, z.reshape(8, 8), "squared-exponential"),
            Scattered(x, y, z, np.ones(64), "squared-exponential"),
        ):
            value = restricted_likelihood(ours, length_x, length_y, ratio, noise)[0]
            assert value == pytest.approx(expected, abs=1e-6)


def test_optimum_is_at_least_scikit_learns():
    # a plane of very wide prior is what the restricted likelihood integrates out
    process = pytest.importorskip("sklearn.gaussian_process")
    from sklearn.gaussian_process.kernels import RBF, ConstantKernel, DotProduct, WhiteKernel

    for seed in range(3):
        x, y, z = noisy_bed(seed)
        size = z.std()
        wide = ConstantKernel(1e3, "fixed") * DotProduct(1.0, "fixed")
        kernel = ConstantKernel(1.0, (1e-4, 1e4)) * RBF((0.5, 0.5), (1e-2, 20)) + wide
        kernel += WhiteKernel(0.01, (1e-7, 1e2))
        model = process.GaussianProcessRegressor(kernel, n_restarts_optimizer=3, random_state=seed)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # some settings end at their bounds
            model.fit(np.column_stack((x / 150 - 1, y / 150 - 1)), z / size)
        signal, noise = model.kernel_.k1.k1.k1.constant_value, model.kernel_.k2.noise_level
        length_x, length_y = 150 * model.kernel_.k1.k1.k2.length_scale
        ours = Lattice(LINES, LINES, z.reshape(8, 8), "squared-exponential")
        theirs = restricted_likelihood(
            ours, length_x, length_y, noise / signal, float(size * np.sqrt(noise))
        )[0]
        assert fit_grid(LINES, LINES, z.reshape(8, 8)).likelihood >= theirs - 1e-6


@pytest.mark.parametrize("kernel", KERNELS)
@pytest.mark.parametrize("holes", [(), (0, 9, 30, 31, 63)])
def test_grid_equals_dense(kernel, holes):
    x, y, z = noisy_bed(lines=np.sort(np.random.default_rng(1).uniform(0, 300, 8)))
    lines = x[:8]
    there = np.ones(64, bool)
    there[list(holes)] = False
    on_grid = Lattice(lines, lines, np.where(there, z, np.nan).reshape(8, 8), kernel)
    dense = Scattered(x[there], y[there], z[there], np.ones(there.sum()), kernel)
    for given in (None, 0.004):
        one = restricted_likelihood(on_grid, 90, 70, 0.02, given)
        other = restricted_likelihood(dense, 90, 70, 0.02, given)
        assert one[0] == pytest.approx(other[0], abs=1e-8)
        assert one[1] == pytest.approx(other[1], rel=1e-8)
        assert one[2] == pytest.approx(other[2], rel=1e-8, abs=1e-8)
    spots = np.random.default_rng(2).uniform(-50, 350, (2, 40))
    on_lattice = grid([10, 20, 170], [-5, 80, 90, 240])
    one, other = (model.predictor(90, 70, 0.02, 1.7) for model in (on_grid, dense))
    for at in (spots, on_lattice):
        for ours, reference in zip(one.at(*at), other.at(*at), strict=True):
            assert ours == pytest.approx(reference, abs=1e-8)
    assert one.left_out.ravel()[there] == pytest.approx(other.left_out, abs=1e-8)


@pytest.mark.parametrize("kernel", KERNELS)
def test_slopes_of_the_likelihood_equal_differences(kernel):
    matrix = noisy_bed()[2].reshape(8, 8)
    matrix[2, 3] = np.nan
    for given in (None, 0.004):
        model = Lattice(LINES, LINES, matrix, kernel)
        at, step = np.log((90, 70, 0.02)), 1e-5
        slopes = restricted_likelihood(model, *np.exp(at), given)[2]
        for k in range(3):
            up, down = (
                restricted_likelihood(model, *np.exp(at + way * step * np.eye(3)[k]), given)[0]
                for way in (1, -1)
            )
            assert slopes[k] == pytest.approx((up - down) / (2 * step), rel=1e-5, abs=1e-5)


@pytest.mark.parametrize("kernel", KERNELS)
def test_leave_one_out_equals_brute_force(kernel):
    x, y, z = noisy_bed()
    z = z + 0.01 * (np.arange(64) == 20)
    spread = np.linspace(0.5, 2, 64)
    left = Scattered(x, y, z, spread, kernel).predictor(90, 70, 0.02, 1.0).left_out
    for k in (0, 3, 20, 63):
        rest = np.arange(64) != k
        other = Scattered(x[rest], y[rest], z[rest], spread[rest], kernel)
        # the plane's columns are scaled by the places, the plane itself is not
        height = other.predictor(90, 70, 0.02, 1.0).at(x[k : k + 1], y[k : k + 1])[0][0]
        assert left[k] == pytest.approx(z[k] - height, abs=1e-9)


def test_intervals_cover():
    # beds drawn from the process itself: 95 % intervals hold 95 %
    x, y = grid(np.linspace(0, 300, 10), np.linspace(0, 300, 10))
    random = np.random.default_rng(11)
    to_x, to_y = random.uniform(0, 300, (2, 60))  # the same for all beds: one root does
    all_x, all_y = np.append(x, to_x), np.append(y, to_y)
    covariance = np.exp(
        -((all_x[:, None] - all_x) ** 2) / (2 * 110**2)
        - (all_y[:, None] - all_y) ** 2 / (2 * 80**2)
    )
    root = np.linalg.cholesky(covariance + 1e-10 * np.eye(160))
    held, settings_known = [], []
    for _ in range(120):
        truth = 0.05 * (root @ random.normal(size=160)) + 1e-3 * all_x
        z = truth[:100] + random.normal(0, 0.005, 100)
        lines = np.linspace(0, 300, 10)
        fitted = fit_grid(lines, lines, z.reshape(10, 10)).predictor
        known = Lattice(lines, lines, z.reshape(10, 10), "squared-exponential").predictor(
            110, 80, 0.01, 0.05**2
        )
        for predictor, list_ in ((fitted, held), (known, settings_known)):
            height, variance = predictor.at(to_x, to_y)
            list_.append(np.mean(np.abs(height - truth[100:]) < 1.96 * np.sqrt(variance)))
    assert 0.93 < np.mean(held) < 0.97
    assert 0.93 < np.mean(settings_known) < 0.97


def test_noise_is_found():
    found = [fit_grid(LINES, LINES, noisy_bed(seed)[2].reshape(8, 8)).noise for seed in range(12)]
    assert np.mean(found) == pytest.approx(0.005, rel=0.1)
    given = fit_grid(LINES, LINES, noisy_bed()[2].reshape(8, 8), 0.004)
    assert given.noise == 0.004


def test_nothing_but_noise_gives_a_plane():
    z = np.random.default_rng(3).normal(0, 0.005, (8, 8))
    process = fit_grid(LINES, LINES, z, 0.005)
    heights = process.predictor.at(*grid(LINES, LINES))[0]
    assert np.std(heights) < 0.002


def test_places_touched_more_often_pull_harder():
    x, y, z = noisy_bed()
    z[27] += 0.03
    sure, unsure = np.ones(64), np.ones(64)
    sure[27], unsure[27] = 0.1, 10
    near, far = (
        float(fit_scattered(x, y, z, spread, 0.005).predictor.at(x[27:28], y[27:28])[0][0])
        for spread in (sure, unsure)
    )
    assert abs(near - z[27]) < 0.003 < 0.02 < abs(far - z[27])


def test_without_noise_it_passes_through_the_places():
    x, y, z = noisy_bed(noise=0)
    for process in (
        fit_grid(LINES, LINES, z.reshape(8, 8), 0.0), fit_scattered(x, y, z, np.ones(64), 0.0),
    ):  # fmt: skip
        heights, variance = process.predictor.at(x, y)
        assert heights == pytest.approx(z, abs=1e-5)
        assert np.sqrt(variance).max() < 1e-3


def test_many_scattered_places_end_where_the_full_search_does():
    # the search that begins with means of cells finds the likelihood of the one that does not
    random = np.random.default_rng(4)
    x, y = random.uniform(0, 300, (2, 420))
    z = 0.05 * np.sin(x / 60) * np.cos(y / 50) + random.normal(0, 0.005, 420)
    found = fit_scattered(x, y, z, np.ones(420))
    from mesh import process as module

    whole = module._fit(Scattered(x, y, z, np.ones(420), found.kernel), None)
    assert found.likelihood == pytest.approx(whole.likelihood, abs=0.02)


def test_a_large_grid_with_holes_is_exact_and_quick():
    lines = np.linspace(0, 300, 60)
    x, y = grid(lines, lines)
    random = np.random.default_rng(5)
    z = 0.05 * np.sin(x / 60) * np.cos(y / 50) + random.normal(0, 0.005, len(x))
    z[random.choice(3600, 40, replace=False)] = np.nan
    process = fit_grid(lines, lines, z.reshape(60, 60))
    heights, variance = process.predictor.at(x, y)
    assert np.sqrt(np.mean((heights - 0.05 * np.sin(x / 60) * np.cos(y / 50)) ** 2)) < 0.001
    assert process.noise == pytest.approx(0.005, rel=0.05)
    assert (variance > 0).all()


@pytest.mark.parametrize("wave", [3.0, 40.0])
def test_many_lines_end_where_the_full_search_does(wave, monkeypatch):
    # also where the waves are too short for the lines that the search begins with
    from mesh import process as module

    lines = np.linspace(0, 300, 80)
    x, y = grid(lines, lines)
    z = 0.05 * np.sin(x / wave) * np.cos(y / 50) + np.random.default_rng(6).normal(0, 0.005, 6400)
    found = fit_grid(lines, lines, z.reshape(80, 80))
    monkeypatch.setattr(module, "_FIRST_LINES", 80)
    whole = fit_grid(lines, lines, z.reshape(80, 80))
    assert found.likelihood == pytest.approx(whole.likelihood, abs=0.5)


@pytest.mark.parametrize("noise", [None, 0.001])
def test_a_flat_bed_with_one_bump_between_the_first_lines(noise):
    # the lines that the search begins with are a plane; one place in 6,400 is taken for noise
    lines = np.linspace(0, 300, 80)
    z = np.zeros((80, 80))
    z[31, 41] = 0.02
    heights, variance = fit_grid(lines, lines, z, noise).predictor.at(*grid(lines, lines))
    assert np.isfinite(variance).all()
    assert (heights > -0.001).all()
    assert (heights <= 0.0201).all()


def test_holes_may_take_all_of_the_first_lines():
    lines, rows = np.linspace(0, 300, 300), np.array([0.0, 100])
    z = 0.05 * np.sin(lines / 40) + 1e-3 * rows[:, None]
    z[:, ::5] = np.nan
    process = fit_grid(lines, rows, z, 0.001)
    heights = process.predictor.at(lines[::5], np.full(60, 100.0))[0]
    assert heights == pytest.approx(0.05 * np.sin(lines[::5] / 40) + 0.1, abs=0.002)
