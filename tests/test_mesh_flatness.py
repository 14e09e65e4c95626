import numpy as np
import pytest
from cases import MOODY, UIN, grid, hand_case

from mesh.flatness import expected_range, flatness, range_quantile
from mesh.noise import Noise, find_noise
from probes import Run, read_run


@pytest.mark.parametrize(
    ("over", "expected"),
    [
        ("places", (178.4114, 175.697423, 79.362245, 96.335178, 44.686597, 163.673050)),
        ("readings", (178.4114, 175.371449, 81.858375, 93.513074, 46.240684, 163.673050)),
    ],
)
def test_measured_plate_of_1955(over, expected):
    # J. C. Moody 1955: all touches, and their means at 111 places; recomputed
    # (tests/data/README.md)
    run = read_run(MOODY)
    points = run.places if over == "places" else run
    flat = flatness(points.x, points.y, points.z)
    found = (
        flat.height_range,
        flat.least_squares,
        flat.peak,
        flat.valley,
        flat.rms,
        flat.minimum_zone,
    )
    assert np.array(found) / UIN == pytest.approx(expected, abs=1e-6)


@pytest.mark.parametrize(
    ("case", "expected"),
    [
        # FLTt, FLTp, FLTv, FLTq and the minimum zone, by hand
        ("square_centre", (1, 0.8, 0.2, 0.4, 1)),
        ("twist", (2, 1, 1, 2 / 3, 2)),
        ("paraboloid", (2, 2 / 3, 4 / 3, 2 / 3, 2)),
    ],
)
def test_cases_provable_by_hand(case, expected):
    flat = flatness(*hand_case(case))
    found = (flat.least_squares, flat.peak, flat.valley, flat.rms, flat.minimum_zone)
    assert found == pytest.approx(expected, abs=1e-9)


def test_normal_distances_of_a_steep_case():
    # one corner up: FLTt about the least-squares plane of normal distances .454401
    flat = flatness(*hand_case("one_corner"), perpendicular=True)
    assert flat.least_squares == pytest.approx(0.454401, abs=1e-6)
    assert flat.minimum_zone == pytest.approx(1 / np.sqrt(6), abs=1e-9)


@pytest.mark.parametrize(
    ("n", "d2"),
    [
        # T-G8, control chart constants d2
        (2, 1.128), (5, 2.326), (9, 2.970), (16, 3.532), (25, 3.931), (49, 4.482), (81, 4.863),
        (100, 5.015), (121, 5.150), (225, 5.570),
    ],
)  # fmt: skip
def test_expected_range_of_normal_values(n, d2):
    assert expected_range(n) == pytest.approx(d2, abs=6e-4)


def test_noise_floor_is_what_flat_plates_show():
    random = np.random.default_rng(7)
    x, y = (a.ravel() for a in np.meshgrid(range(5), range(5)))
    shown = [flatness(x, y, random.normal(0, 0.005, 25)).least_squares for _ in range(3000)]
    flat = flatness(x, y, np.zeros(25))
    # theory G5: E[PV] = d2(n) sigma sqrt((n - 3) / n), 3.69 sigma for n = 25
    assert flat.noise_floor(0.005) == pytest.approx(3.69 * 0.005, rel=2e-3)
    assert np.mean(shown) == pytest.approx(flat.noise_floor(0.005), rel=0.02)


def test_three_places_have_no_noise_floor():
    assert flatness([0, 1, 0], [0, 0, 1], [0, 0, 0]).noise_floor(0.01) is None


KNOWN = Noise(0.004, "machine file", None, 0.004)


@pytest.mark.parametrize("size", [0.0, 0.02, 0.1])
@pytest.mark.parametrize("places", ["7 x 7", "4 corners", "corners and centre", "cluster and two"])
def test_interval_holds_the_true_zone(size, places):
    random = np.random.default_rng(9)
    x, y = {
        "7 x 7": grid(np.linspace(-1, 1, 7), np.linspace(-1, 1, 7)),
        "4 corners": grid([-1, 1], [-1, 1]),
        "corners and centre": np.array([(-1, -1), (1, -1), (1, 1), (-1, 1), (0, 0)]).T,
        "cluster and two": np.array([(0, 0), (0.01, 0), (0, 0.01), (0.01, 0.01), (1, 0), (0, 1)]).T,
    }[places]
    shape = size * x**2 + size / 3 * x * y
    true = flatness(x, y, shape).minimum_zone
    held = []
    for _ in range(400):
        low, high = flatness(x, y, shape + random.normal(0, 0.004, len(x))).interval(KNOWN)
        held.append(low <= true + 1e-12 and true <= high)
    assert np.mean(held) >= 0.95


@pytest.mark.parametrize("way", ["few repeats", "one place touched once", "map"])
def test_interval_holds_however_the_noise_is_known(way):
    random = np.random.default_rng(10)
    x, y = grid(np.linspace(0, 300, 5), np.linspace(0, 300, 5))
    count = {
        "few repeats": np.where(np.arange(25) < 3, 2, 1),
        "one place touched once": np.where(np.arange(25) == 12, 1, 20),
        "map": np.ones(25, dtype=int),
    }[way]
    held, noise_like = [], []
    for _ in range(400):
        xs, ys = np.repeat(x, count), np.repeat(y, count)
        run = Run(x=xs, y=ys, z=random.normal(0, 0.004, len(xs)))
        noise = find_noise(run, given=0.004 if way == "one place touched once" else None)
        flat = flatness(run.places.x, run.places.y, run.places.z)
        held.append(flat.interval(noise)[0] == 0)
        noise_like.append(flat.is_noise(noise))
    assert np.mean(held) >= 0.95
    assert np.mean(noise_like) >= 0.94


def test_three_places_of_unknown_noise_have_no_interval():
    unknown = Noise(None, "unknown", None, None)
    assert flatness([0, 1, 0], [0, 0, 1], [0, 0, 0]).interval(unknown) is None


@pytest.mark.parametrize(("n", "quantile"), [(2, 2.77), (5, 3.86), (10, 4.47), (20, 5.01)])
def test_quantiles_of_the_range(n, quantile):
    # Studentised range with infinite degrees of freedom, 5 % point (tables; value from memory)
    assert range_quantile(n, 0.95) == pytest.approx(quantile, abs=0.011)


def test_a_perfect_plate_looks_like_noise_nearly_always_and_a_bowl_does_not():
    random = np.random.default_rng(8)
    x, y = grid(range(6), range(6))
    bowl = 0.06 * ((x - 2.5) / 2.5) ** 2
    for shape, least, most in ((0 * x, 0.94, 1), (bowl, 0, 0.01)):
        seen = [
            flatness(x, y, shape + random.normal(0, 0.004, 36)).is_noise(KNOWN) for _ in range(1000)
        ]
        assert least <= np.mean(seen) <= most
