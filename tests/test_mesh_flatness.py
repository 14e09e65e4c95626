import numpy as np
import pytest
from cases import MOODY, UIN, hand_case

from mesh.flatness import flatness
from probes import read_run


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


def test_agrees_with_a_surface_texture_library():
    # Sa and Sq of the levelled surface by surfalize, an ISO 25178 library from PyPI
    surfalize = pytest.importorskip("surfalize")
    random = np.random.default_rng(11)
    x, y = np.meshgrid(np.arange(40) * 2.0, np.arange(30) * 2.0)
    z = 0.001 * x + 0.0005 * y + 0.02 * np.sin(x / 9) + random.normal(0, 0.004, x.shape)
    flat = flatness(x.ravel(), y.ravel(), z.ravel())
    surface = surfalize.Surface(z, 2.0, 2.0).level()
    assert flat.mean == pytest.approx(surface.Sa(), rel=1e-9)
    assert flat.rms == pytest.approx(surface.Sq(), rel=1e-9)
    assert flat.peak == pytest.approx(surface.Sp(), rel=1e-9)
    assert flat.valley == pytest.approx(surface.Sv(), rel=1e-9)
