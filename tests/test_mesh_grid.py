import numpy as np
import pytest
from cases import grid

from mesh.grid import advise_grid
from mesh.noise import find_noise
from probes import Run
from probes.errors import RequestError, ShapeError


def advise(x, y, z, sigma=1e-6, **options):
    run = Run(x=x, y=y, z=z)
    return advise_grid(run.places, find_noise(run, given=sigma), **options)


def of(advice, columns, rows, kind="bilinear"):
    return next(
        one
        for one in advice.candidates
        if (one.columns, one.rows, one.kind) == (columns, rows, kind)
    )


def test_what_grids_leave_of_a_known_bed():
    # theory T-H3: z = 100 (1 - x^2) + 30 x y + 10 sin 3y: bilinear leaves 34.3, 8.36, 2.23
    x, y = grid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    advice = advise(x, y, 100 * (1 - x**2) + 30 * x * y + 10 * np.sin(3 * y), sigma=1e-3)
    for lines, left in ((3, 34.3), (5, 8.36), (9, 2.23)):
        assert of(advice, lines, lines).left_max == pytest.approx(left, rel=0.04)
    assert of(advice, 5, 5, "bicubic").left_max < of(advice, 5, 5).left_max / 4
    # one step beyond: a quarter
    assert of(advice, 17, 17).left_max == pytest.approx(2.23 / 4, rel=0.1)


@pytest.mark.parametrize(("segments", "left"), [(2, 50), (4, 12.5), (6, 200 / 36)])
def test_a_bow_by_the_formula(segments, left):
    # theory T-H1: a bow F leaves F / n^2 with n segments
    x, y = grid(np.linspace(-1, 1, 13), np.linspace(-1, 1, 5))
    advice = advise(x, y, 200 * x**2, sigma=1e-3)
    assert of(advice, segments + 1, 2).left_max == pytest.approx(left, rel=0.02)


def test_the_fewest_places_that_keep_to_the_tolerance():
    x, y = grid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    z = np.pi / 15 * x**2  # not in even steps, which would count as coarse readings
    advice = advise(x, y, z, sigma=1e-5, tolerance=0.02)
    best = advice.recommended
    assert (best.columns, best.rows) == (5, 2)
    assert all(not one.holds for one in advice.candidates if one.places < best.places)
    assert advise(x, y, z, sigma=1e-5, tolerance=1e-5).recommended is None
    assert advise(x, y, z).recommended is None
    assert of(advise(x, y, z), 5, 2).holds is None


def test_noise_takes_room():
    x, y = grid(np.linspace(-1, 1, 9), np.linspace(-1, 1, 9))
    z = 0.2 * x**2 + np.random.default_rng(1).normal(0, 0.01, 81)
    advice = advise(x, y, z, sigma=0.01, tolerance=0.03)
    assert advice.carried == pytest.approx(0.01 * 2 / 3)
    assert advice.recommended.left_max <= 0.03 - 2 * advice.carried
    assert advice.helps == "probe"
    fine = advise(x, y, 0.2 * x**2 + 0.05 * np.cos(9 * x), sigma=1e-4)
    assert fine.helps == "places"


def test_lines_go_where_the_bed_curves():
    x, y = grid(np.linspace(-1, 1, 21), np.linspace(-1, 1, 5))
    z = 0.2 * np.exp(-((x - 0.6) ** 2) / 0.02)
    advice = advise(x, y, z, sigma=1e-4, tolerance=0.03)
    columns, _, most = advice.uneven
    assert most < 0.75 * advice.recommended.left_max
    assert np.diff(columns).min() < 0.5 * np.diff(columns).max()
    assert abs(columns[np.argmin(np.diff(columns))] - 0.6) < 0.3


def test_a_hole_is_where_to_probe_next():
    x, y = grid(np.linspace(0, 300, 9), np.linspace(0, 300, 9))
    there = np.hypot(x - 187.5, y - 112.5) > 50
    z = 0.05 * np.sin(x / 22) * np.cos(y / 25)
    advice = advise(x[there], y[there], z[there], sigma=1e-4)
    assert min(np.hypot(px - 187.5, py - 112.5) for px, py in advice.probe_next) < 30


@pytest.mark.parametrize("tolerance", [0, -1, np.inf])
def test_impossible_tolerances(tolerance):
    x, y = grid(range(5), range(5))
    with pytest.raises(RequestError, match="--tolerance"):
        advise(x, y, 0.1 * x, tolerance=tolerance)


def test_no_grid_no_advice():
    x, y = np.random.default_rng(2).uniform(0, 300, (2, 40))
    with pytest.raises(ShapeError, match="no grid of 4 x 4 lines"):
        advise(x, y, 0 * x)
