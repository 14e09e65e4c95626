import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st

from mesh.difference import find_difference
from mesh.noise import Noise, find_noise
from probes import Run
from probes.errors import RequestError, ShapeError

EVEN = Noise(0.003, "machine file", None, 0.003)


def run(x, y, z):
    return Run(x=x, y=y, z=z)


def test_places_are_paired_in_any_order_and_to_a_twentieth():
    x, y = grid([0, 50, 100], [0, 50, 100])
    random = np.random.default_rng(1)
    order = random.permutation(9)
    shift = random.uniform(-0.04, 0.04, (2, 9))
    before = run(x, y, x + 0.01 * y)
    after = run((x + shift[0])[order], (y + shift[1])[order], (x + 0.01 * y + 1 + x * y)[order])
    found = find_difference(before.places, after.places, EVEN, EVEN)
    assert found.z == pytest.approx(1 + x * y)
    assert found.left_out == 0
    assert not found.surface


def test_places_of_one_run_only_are_left_out_and_counted():
    one = run(*grid([0, 50, 100], [0, 50, 100]), np.zeros(9))
    two = run(*grid([0, 50, 100.06, 150], [0, 50]), np.arange(8.0))
    found = find_difference(one.places, two.places, EVEN, EVEN)
    assert found.z.tolist() == [0, 1, 4, 5]
    assert found.left_out == 5 + 4


def test_dense_places_are_paired_one_to_one():
    # places closer than a twentieth: each of the other run has its nearest, and no other
    x, y = grid(0.03 * np.arange(12), [0, 5])
    dense = run(x, y, x).places
    assert len(dense) == 24
    sparse = run(x[::4] + 0.01, y[::4], x[::4] + 1).places
    found = find_difference(dense, sparse, EVEN, EVEN)
    assert found.z == pytest.approx(np.ones(6))
    assert found.left_out == 18


def test_variances_follow_the_touches():
    x, y = grid([0, 50], [0, 50])
    one = run([*x, 0, 0], [*y, 0, 0], np.arange(6.0))  # the first place three times
    noises = find_noise(one, given=0.003), Noise(0.004, "machine file", None, 0.004)
    found = find_difference(one.places, run(x, y, 0 * x).places, *noises)
    expected = np.sqrt(np.array([0.003**2 / 3, *[0.003**2] * 3]) + 0.004**2)
    assert found.sigma == pytest.approx(expected)


@pytest.mark.parametrize(
    ("first", "second", "freedom"),
    [
        (None, None, None),
        (10, 10, 20),  # equal variances: the freedoms add up
        (10, None, 40),  # half of the variance is known: (1 + 1)² / (1 / 10)
    ],
)
def test_freedom(first, second, freedom):
    x, y = grid([0, 50], [0, 50])
    noises = (Noise(0.003, "repeated touches", f, 0.003) for f in (first, second))
    places = run(x, y, 0 * x).places
    assert find_difference(places, places, *noises).freedom == freedom


@given(st.integers(0, 1000))
def test_sigmas_of_modes_are_those_of_simulated_noise(seed):
    # brute force: the modes are linear, so their variance is the sum over places moved one by one
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 100, (2, 12))
    spread = random.uniform(0.5, 2, 12)
    noise = Noise(0.003, "machine file", None, 0.003, spread)
    flat = run(x, y, 0 * x).places
    total = dict.fromkeys(("twist", "bow_x", "bow_y", "fall_x", "fall_y"), 0.0)
    for k in range(12):
        moved = run(x, y, 0.003 * spread[k] * (np.arange(12) == k)).places
        for name, (value, _) in find_difference(flat, moved, noise, noise).modes().items():
            total[name] += 2 * value**2
    modes = find_difference(flat, flat, noise, noise).modes()
    assert {name: sigma for name, (_, sigma) in modes.items()} == pytest.approx(
        {name: np.sqrt(value) for name, value in total.items()}
    )


def test_a_surface_stands_for_other_places():
    before = run(*grid([0, 50, 100], [0, 50, 100]), np.zeros(9))
    x, y = grid([25, 75, 125], [25, 75])
    asked = []

    def surface_at(x, y):
        asked.append((x.tolist(), y.tolist()))
        return 0.1 * x, np.full(len(x), 0.002)

    found = find_difference(
        before.places, run(x, y, 0.1 * x + 0.3).places, EVEN, EVEN, surface_at=surface_at
    )
    assert asked == [([25, 75, 25, 75], [25, 25, 75, 75])]  # 125 lies beyond what was probed
    assert found.z == pytest.approx([0.3] * 4)
    assert found.sigma == pytest.approx([np.hypot(0.002, 0.003)] * 4)
    assert found.surface
    assert found.left_out == 2
    assert found.independent == 1  # one place of the first run stands among these four
    # so a mode of the surface is no surer than that one place, at a touch's own noise
    plain = find_difference(run(x, y, 0 * x).places, run(x, y, 0 * x).places, EVEN, EVEN)
    assert found.together == pytest.approx(4 * (0.003 / 0.002) ** 2)
    assert found.modes()["fall_x"][1] > plain.modes()["fall_x"][1]


def test_a_surface_without_sigma_is_refused():
    before, after = (
        run(*grid(at, at), np.zeros(9)).places for at in ([0, 50, 100], [10, 50, 90])
    )  # fmt: skip
    with pytest.raises(RequestError, match=r"knows no standard deviation.*noise given"):
        find_difference(before, after, EVEN, EVEN, surface_at=lambda x, y: (0 * x, np.nan * y))


def test_a_surface_is_not_asked_where_all_places_have_a_partner():
    places = run(*grid([0, 50, 100], [0, 50, 100]), np.zeros(9)).places
    corners = run(*grid([0, 100], [0, 100]), np.ones(4)).places

    def surface_at(*_):
        raise AssertionError

    found = find_difference(places, corners, EVEN, EVEN, surface_at=surface_at)
    assert found.z == pytest.approx(np.ones(4))


def test_too_few_places_in_common_is_said():
    one = run(*grid([0, 50, 100], [0, 50, 100]), np.zeros(9)).places
    other = run(*grid([0, 33, 67, 100], [0, 33, 67]), np.zeros(12)).places
    with pytest.raises(
        ShapeError, match=r"9 and 12 places, and 2 of them in common.*probe the same"
    ):
        find_difference(one, other, EVEN, EVEN)
    far = run(*grid([200, 250], [200, 250]), np.zeros(4)).places
    with pytest.raises(ShapeError, match="0 of them in common"):
        find_difference(one, far, EVEN, EVEN)
    with pytest.raises(ShapeError, match="0 of them inside the rectangle probed before"):
        find_difference(one, far, EVEN, EVEN, surface_at=lambda x, y: (0 * x, 0 * y))


@pytest.mark.parametrize("sigma", [None, 0.0])
def test_unknown_noise_is_refused(sigma):
    places = run(*grid([0, 50], [0, 50]), np.zeros(4)).places
    unknown = Noise(sigma, "unknown", None, sigma)
    with pytest.raises(RequestError, match=r"noise of the run after is not known.*repeatability"):
        find_difference(places, places, EVEN, unknown)
