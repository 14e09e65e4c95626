import numpy as np
import pytest
from cases import grid

from mesh.plane import fit_plane
from probes import RequestError


def test_corner_heights_of_a_twisted_square():
    # T-A1: corner heights .10 .30 .24 -.04 give a plane .08 .32 .22 -.02
    x, y = np.array([0, 300, 300, 0]), np.array([0, 0, 300, 300])
    plane = fit_plane(x, y, [0.10, 0.30, 0.24, -0.04])
    assert plane.height(x, y) == pytest.approx([0.08, 0.32, 0.22, -0.02], abs=1e-12)
    assert plane.residuals == pytest.approx([0.02, -0.02, 0.02, -0.02], abs=1e-12)


@pytest.mark.parametrize(
    ("places", "expected"),
    [
        # T-B3: sqrt of the leverage at (0, 0), (-30, -30) and (150, 330)
        (np.linspace(30, 270, 5), (0.5385, 0.6325, 0.4690)),
        (np.linspace(30, 270, 7), (0.4048, 0.4765, 0.3517)),
        (np.linspace(30, 270, 3), (0.7949, 0.9280, 0.6972)),
        (np.linspace(100, 200, 3), (1.7638, 2.1050, 1.5070)),
        (np.array([30, 270]), (1.0155, 1.1726, 0.9014)),
    ],
)
def test_leverage_away_from_the_places(places, expected):
    x, y = grid(places, places)
    plane = fit_plane(x, y, np.zeros(len(x)))
    root = np.sqrt(plane.leverage([0, -30, 150], [0, -30, 330]))
    assert root == pytest.approx(expected, abs=6e-5)


@pytest.mark.parametrize(
    ("n", "corner", "centre"), [(3, 4 / 9, 1 / 9), (5, 0.2, 0.04), (7, 0.112244898, 0.020408163)]
)
def test_leverage_at_the_places(n, corner, centre):
    # leverages of a plane on an n x n grid; they sum to 3
    x, y = grid(range(n), range(n))
    plane = fit_plane(x, y, np.zeros(n * n))
    assert plane.leverage(0, 0) == pytest.approx(corner, abs=1e-9)
    assert plane.leverage((n - 1) / 2, (n - 1) / 2) == pytest.approx(centre, abs=1e-9)
    assert plane.leverage(x, y).sum() == pytest.approx(3)


def test_covariance_is_that_of_many_noisy_fits():
    random = np.random.default_rng(3)
    x, y = random.uniform(0, 300, (2, 12))
    fits = [fit_plane(x, y, random.normal(0, 0.005, 12)) for _ in range(4000)]
    seen = np.cov([(fit.height_centre, fit.slope_x, fit.slope_y) for fit in fits], rowvar=False)
    told = fits[0].covariance(0.005)
    scale = np.sqrt(np.outer(np.diag(told), np.diag(told)))
    assert seen / scale == pytest.approx(told / scale, abs=0.07)


def test_equals_numpy_on_a_thin_strip_far_away():
    random = np.random.default_rng(4)
    x, y = 5000 + random.uniform(0, 300, 40), random.uniform(0, 1e-3, 40)
    z = 2 + 0.01 * x + 3 * y + random.normal(0, 1e-3, 40)
    plane = fit_plane(x, y, z)
    design = np.column_stack((np.ones(40), (x - x.mean()) / 300, (y - y.mean()) / 1e-3))
    reference = np.linalg.lstsq(design, z, rcond=None)[0] / (1, 300, 1e-3)
    assert (plane.height_centre, plane.slope_x, plane.slope_y) == pytest.approx(reference, rel=1e-9)


def test_resistant_plane_hardly_moves_for_a_bad_reading():
    random = np.random.default_rng(5)
    x, y = grid(range(0, 301, 50), range(0, 301, 50))
    z = 1e-3 * x + random.normal(0, 0.003, 49)
    z[3] += 0.5
    plain, resistant = fit_plane(x, y, z), fit_plane(x, y, z, "resistant")
    assert abs(plain.slope_y) * 300 > 0.02
    assert abs(resistant.slope_y) * 300 < 0.004
    assert resistant.slope_x == pytest.approx(1e-3, abs=1.5e-5)


def test_minimum_zone_plane_has_the_least_width():
    random = np.random.default_rng(6)
    x, y = random.uniform(0, 300, (2, 30))
    z = random.normal(0, 0.05, 30)
    zone = fit_plane(x, y, z, "minimum-zone")
    assert zone.zone <= fit_plane(x, y, z).zone
    assert zone.residuals.max() == pytest.approx(-zone.residuals.min(), abs=1e-12)


def test_unknown_method_is_refused():
    with pytest.raises(RequestError, match="must be one of least-squares"):
        fit_plane([0, 1, 0], [0, 0, 1], [0, 0, 0], "best")  # type: ignore[arg-type]


def test_three_places_leave_no_residual_sigma():
    assert fit_plane([0, 1, 0], [0, 0, 1], [0, 1, 2]).residual_sigma is None


@pytest.mark.parametrize(
    ("lines", "efficiency", "worst"),
    [(3, 0.763, 4.0), (4, 0.676, 4.6), (5, 0.630, 5.0), (7, 0.582, 5.5), (9, 0.558, 5.8)],
)
def test_grids_against_the_best_design(lines, efficiency, worst):
    # theory T-B6: D-efficiency against all touches at the corners, and n times the largest
    # leverage (3 at the optimum; Kiefer, Wolfowitz 1960)
    x, y = grid(np.linspace(-1, 1, lines), np.linspace(-1, 1, lines))
    plane = fit_plane(x, y, 0 * x)
    information = np.linalg.inv(plane.factor) / len(x)
    assert np.linalg.det(information) ** (1 / 3) == pytest.approx(efficiency, abs=6e-4)
    assert len(x) * plane.leverage(x, y).max() == pytest.approx(worst, abs=0.06)
    corners = fit_plane(*grid([-1, 1], [-1, 1]), np.zeros(4))
    assert 4 * corners.leverage(1, 1) == pytest.approx(3)
