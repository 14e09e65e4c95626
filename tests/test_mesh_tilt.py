import numpy as np
import pytest
from cases import grid

from mesh.tilt import find_tilt

XI, ETA = grid(np.linspace(-1, 1, 5), np.linspace(-1, 1, 5))
BOW = 0.1 * (1 - XI**2)
WHOLE = ((-1.0, 1.0), (-1.0, 1.0))


def test_full_grid_is_not_lopsided():
    # T-B5: z = .1 (1 - xi^2) on 5 x 5: slopes 0
    tilt = find_tilt(XI, ETA, BOW)
    assert (tilt.fall_x, tilt.fall_y) == pytest.approx((0, 0), abs=1e-12)
    assert not tilt.lopsided
    assert not tilt.guarded


def test_guard_against_a_missing_corner():
    # T-B5: drop one corner: apparent tilt .010 in x and in y over the span
    keep = (XI < 0.9) | (ETA < 0.9)
    tilt = find_tilt(XI[keep], ETA[keep], BOW[keep])
    assert abs(2 * tilt.plane.slope_x) == pytest.approx(0.010, abs=6e-4)
    assert abs(2 * tilt.plane.slope_y) == pytest.approx(0.010, abs=6e-4)
    assert tilt.lopsided
    assert tilt.guarded
    assert (tilt.fall_x, tilt.fall_y) == pytest.approx((0, 0), abs=1e-12)


def test_guard_against_a_missing_column():
    # T-B5: drop the whole last column: apparent x tilt .100
    keep = XI < 0.9
    tilt = find_tilt(XI[keep], ETA[keep], BOW[keep], rectangle=WHOLE)
    assert abs(2 * tilt.plane.slope_x) == pytest.approx(0.100, abs=1e-9)
    assert tilt.guarded
    assert tilt.fall_x == pytest.approx(0, abs=1e-12)


def test_a_true_tilt_comes_through_the_guard():
    keep = (XI < 0.9) | (ETA < 0.9)
    tilt = find_tilt(XI[keep], ETA[keep], (BOW + 0.03 * XI - 0.01 * ETA)[keep])
    assert (tilt.fall_x, tilt.fall_y) == pytest.approx((0.06, -0.02), abs=1e-12)
    assert tilt.height(np.array([1.0]), np.array([0.0])) - tilt.height(
        np.array([-1.0]), np.array([0.0])
    ) == pytest.approx(0.06)


def test_too_few_places_for_the_guard_are_said():
    tilt = find_tilt(*np.array([(0, 0, 0), (1, 0, 1), (0, 1, 0), (1, 1, 0), (0.2, 0.3, 0)]).T)
    assert tilt.lopsided
    assert not tilt.guarded


def test_sigmas_of_the_falls_under_the_guard_are_those_of_many_runs():
    random = np.random.default_rng(2)
    keep = (XI < 0.4) | (ETA < 0.4)
    found = [
        find_tilt(XI[keep], ETA[keep], (BOW + random.normal(0, 0.005, 25))[keep])
        for _ in range(3000)
    ]
    told = found[0].fall_sigmas(0.005)
    seen = np.std([(tilt.fall_x, tilt.fall_y) for tilt in found], axis=0)
    assert seen == pytest.approx(told, rel=0.05)
