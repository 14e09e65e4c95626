import numpy as np
import pytest
from cases import grid

from mesh.modes import modes


@pytest.mark.parametrize(
    ("k", "tilt", "bow", "twist"),
    [
        # T-E2: standard errors of P1, P2 and twist coefficients on a k x k grid, in sigmas
        (3, 0.408, 0.471, 0.500),
        (5, 0.283, 0.319, 0.400),
        (7, 0.214, 0.247, 0.321),
        (9, 0.172, 0.203, 0.267),
        (11, 0.144, 0.172, 0.227),
    ],
)
def test_standard_errors(k, tilt, bow, twist):
    x, y = grid(np.linspace(20, 330, k), np.linspace(20, 330, k))
    shape = modes(x, y, np.zeros(k * k))
    assert shape.fall_x is not None
    assert shape.bow_y is not None
    assert shape.twist is not None
    assert shape.fall_x.factor / 2 == pytest.approx(tilt, abs=6e-4)
    assert shape.bow_y.factor / 1.5 == pytest.approx(bow, abs=6e-4)
    assert shape.twist.factor == pytest.approx(twist, abs=6e-4)


def test_finds_what_was_put_in_on_any_places():
    random = np.random.default_rng(1)
    x, y = random.uniform(0, 1, (2, 25))
    u = (2 * x - x.min() - x.max()) / np.ptp(x)
    v = (2 * y - y.min() - y.max()) / np.ptp(y)
    shape = modes(x, y, 0.3 + 0.05 * u - 0.02 * v + 0.03 * u * v + 0.08 * u**2 - 0.04 * v**2)
    found = [getattr(shape, name).value for name in ("fall_x", "fall_y", "twist", "bow_x", "bow_y")]
    assert found == pytest.approx([0.10, -0.04, 0.03, 0.08, -0.04], abs=1e-12)
    assert shape.residual_sigma == pytest.approx(0, abs=1e-12)
    assert shape.freedom == 19


@pytest.mark.parametrize(
    ("xs", "ys", "missing"),
    [
        ((0, 1), (0, 1), {"bow_x", "bow_y"}),
        ((0, 1), (0, 1, 2), {"bow_x"}),
        ((0, 1, 2), (0, 1, 2), set()),
    ],
)
def test_says_none_where_the_places_do_not_tell(xs, ys, missing):
    x, y = grid(xs, ys)
    shape = modes(x, y, x * 0.1 + y * 0.2)
    names = ("fall_x", "fall_y", "twist", "bow_x", "bow_y")
    assert {name for name in names if getattr(shape, name) is None} == missing


def test_four_corners_and_the_centre_know_twist_but_not_which_bow():
    shape = modes([0, 2, 2, 0, 1], [0, 0, 2, 2, 1], [1, -1, 1, -1, 0])
    assert shape.twist is not None
    assert shape.twist.value == pytest.approx(1)
    assert shape.bow_x is shape.bow_y is None


def test_three_places_know_their_falls_only():
    shape = modes([0, 1, 0], [0, 0, 1], [0, 1, 2])
    assert shape.twist is None
    assert shape.residual_sigma is None


def test_power_of_the_twist_contrast():
    # T-G3: twist 4 um, sigma 3 um, 7 x 7, difference of two maps: found in 83 %
    random = np.random.default_rng(6)
    x, y = grid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7))
    found = []
    for _ in range(2000):
        change = 4 * x * y + random.normal(0, 3, 49) - random.normal(0, 3, 49)
        twist = modes(x, y, change).twist
        found.append(abs(twist.value) > 1.96 * twist.sigma(3 * np.sqrt(2)))
    assert np.mean(found) == pytest.approx(0.83, abs=0.025)
