import numpy as np
import pytest
from cases import grid
from numpy.polynomial.legendre import legval

from mesh import find_noise, modes
from mesh.shape import find_shape
from probes import Run

LINES = np.linspace(20, 330, 9)
X, Y = grid(LINES, LINES)
U, V = (X - 175) / 155, (Y - 175) / 155
BOWL = 0.05 * U**2 + 0.03 * V**2 + 0.02 * U * V


def shape_of(x, y, z, sigma=0.002):
    run = Run(x=x, y=y, z=z)
    return find_shape(run.places, find_noise(run, given=sigma))


def noisy(z, seed, sigma=0.002):
    return z + np.random.default_rng(seed).normal(0, sigma, len(z))


def test_legendre_products_are_normalised_by_hand():
    # NIST DLMF 18.3: the mean of (sqrt(2 i + 1) P_i sqrt(2 j + 1) P_j)^2 over the rectangle is 1,
    # so a share is coefficient^2 / ((2 i + 1)(2 j + 1)) of the mean square, on many places
    x, y = grid(np.linspace(-1, 1, 30), np.linspace(-1, 1, 30))
    coefficients = {(1, 1): 0.3, (2, 0): 0.5, (0, 2): -0.2, (3, 0): 0.4, (1, 2): 0.25}
    z = sum(
        c * legval(x, np.eye(5)[i]) * legval(y, np.eye(5)[j]) for (i, j), c in coefficients.items()
    )
    shape = shape_of(x, y, z)
    squares = {k: c**2 / ((2 * k[0] + 1) * (2 * k[1] + 1)) for k, c in coefficients.items()}
    found = {(term.i, term.j): term for term in shape.terms}
    for key, square in squares.items():
        assert found[key].share == pytest.approx(square / sum(squares.values()), abs=0.03)
        size = 1.5 if key in ((2, 0), (0, 2)) else 1.0
        assert found[key].value == pytest.approx(size * coefficients[key], abs=1e-9)
    assert shape.rest == pytest.approx(0, abs=1e-12)


@pytest.mark.parametrize(
    ("lines", "tilt", "bow", "twist"),
    [
        # theory T-E2: standard errors of the coefficients of the six-term model, in sigmas
        (3, 0.408, 0.471, 0.500), (5, 0.283, 0.319, 0.400), (7, 0.214, 0.247, 0.321),
        (9, 0.172, 0.203, 0.267), (11, 0.144, 0.172, 0.227),
    ],
)  # fmt: skip
def test_standard_errors_of_the_modes(lines, tilt, bow, twist):
    x, y = grid(np.linspace(-1, 1, lines), np.linspace(-1, 1, lines))
    z = noisy(0.3 * x**2 + 0.1 * x * y, 1, 0.001)
    found = modes(x, y, z)
    assert found.fall_x.factor / 2 == pytest.approx(tilt, abs=6e-4)
    assert found.bow_x.factor / 1.5 == pytest.approx(bow, abs=6e-4)
    assert found.twist.factor == pytest.approx(twist, abs=6e-4)
    if lines > 3:
        terms = {(t.i, t.j): t for t in shape_of(x, y, z, 0.001).terms}
        assert terms[2, 0].factor / 1.5 == pytest.approx(bow, abs=6e-4)
        assert terms[1, 1].factor == pytest.approx(twist, abs=6e-4)


@pytest.mark.parametrize(
    ("lines", "mean"), [(3, 0.5), (5, 0.25), (7, 0.1667), (9, 0.125), (21, 0.05)]
)
def test_legendre_is_not_orthogonal_on_a_handful_of_places(lines, mean):
    # theory T-E1: mean of P2 on equispaced places with the ends; why all modes are fitted together
    t = np.linspace(-1, 1, lines)
    assert np.mean(legval(t, [0, 0, 1])) == pytest.approx(mean, abs=5e-4)


@pytest.mark.parametrize(
    ("z", "degree"),
    [
        (0 * U, 1),
        (BOWL, 2),
        (0.05 * U**3 - 0.03 * U + 0.02 * V**2, 3),
        (0.05 * U**2 * V, 3),
        (0.04 * legval(U, [0, 0, 0, 0, 1]) + 0.03 * V**2, 4),
    ],
)
def test_degree_that_the_readings_carry(z, degree):
    found = [shape_of(X, Y, noisy(z, seed)) for seed in range(40)]
    right = [shape.degree == degree and shape.feature is None for shape in found]
    assert np.mean(right) >= 0.85


@pytest.mark.parametrize(
    ("kind", "z", "height", "at"),
    [
        ("bump", BOWL + 0.05 * np.exp(-((X - 252.5) ** 2 + (Y - 97.5) ** 2) / 2 / 25**2), 0.05,
         (252.5, 97.5)),
        ("bump", BOWL - 0.05 * ((LINES[2] == X) & (LINES[6] == Y)), -0.05, (LINES[2], LINES[6])),
        ("corner", BOWL + 0.08 * np.maximum(0, U - V - 0.5) / 1.5, 0.08, (330, 20)),
        ("ridge", BOWL + 0.04 * (LINES[3] == X), 0.04, (LINES[3], None)),
        ("ridge", BOWL - 0.04 * (LINES[5] == Y), -0.04, (None, LINES[5])),
        ("step", BOWL + 0.05 * (X > 230), 0.05, ((LINES[5] + LINES[6]) / 2, None)),
        ("step", BOWL - 0.05 * (Y > 150), -0.05, (None, (LINES[3] + LINES[4]) / 2)),
    ],
)  # fmt: skip
def test_what_stands_out_is_named_and_measured(kind, z, height, at):
    for seed in range(12):
        feature = shape_of(X, Y, noisy(z, seed)).feature
        assert feature is not None
        assert feature.kind == kind
        assert feature.height == pytest.approx(height, abs=0.35 * abs(height))
        for found, want in zip((feature.x, feature.y), at, strict=True):
            assert (found is None) == (want is None)
            assert want is None or found == pytest.approx(want, abs=1e-6)


def test_plain_beds_have_no_feature():
    found = [shape_of(X, Y, noisy(z, seed)).feature for seed in range(60) for z in (0 * U, BOWL)]
    assert sum(one is not None for one in found) <= 4


def test_a_feature_within_the_noise_is_not_named():
    assert shape_of(X, Y, noisy(BOWL + 0.004 * (LINES[3] == X), 5)).feature is None


def test_few_or_lined_up_places_carry_less():
    x, y = grid([0, 100, 200], [0, 100])
    assert shape_of(x, y, 0.1 * (x - 100) ** 2 * 1e-4).degree == 1
    x, y = grid(range(9), range(3))
    shape = shape_of(x, y, 0.01 * (x - 4) ** 2)
    assert shape.degree == 2
    assert all(term.j < 3 for term in shape.terms)


def test_very_many_places_are_averaged_and_agree():
    lines = np.linspace(20, 330, 90)
    x, y = grid(lines, lines)
    u, v = (x - 175) / 155, (y - 175) / 155
    shape = shape_of(x, y, noisy(0.05 * u**2 + 0.03 * v**2 + 0.02 * u * v, 3))
    terms = {(t.i, t.j): t.value for t in shape.terms}
    assert terms[2, 0] == pytest.approx(0.05, abs=0.002)
    assert terms[1, 1] == pytest.approx(0.02, abs=0.002)


def test_equal_heights_have_no_form():
    x, y = grid([0, 100, 200], [0, 100, 200])
    for z in (0 * x, 0 * x + 7.25):
        shape = shape_of(x, y, z)
        assert (shape.degree, shape.feature) == (1, None)
