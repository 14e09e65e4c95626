import numpy as np
import pytest
from cases import MOODY, UIN, grid, hand_case
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog

from mesh import zone as zone_module
from mesh.zone import minimum_zone
from probes import ShapeError, read_run


def by_linear_program(x, y, z):
    """Vertical zone by SciPy's HiGHS, on coordinates brought to unit size in extended precision."""
    along, across = (v.astype(np.longdouble) - v[0] for v in (x, y))
    if np.ptp(along) < np.ptp(across):
        along, across = across, along
    across = across - along * ((along * across).sum() / (along * along).sum())
    design = np.column_stack(
        (along / np.abs(along).max(), across / np.abs(across).max(), np.ones(len(x)))
    ).astype(float)
    left = z - design @ np.linalg.lstsq(design, z, rcond=None)[0]
    scale = np.abs(left).max() or 1.0
    left = left / scale * 1e3
    ones = np.ones((len(x), 1))
    result = linprog(
        (0, 0, 0, 1),
        A_ub=np.block([[-design, -ones], [design, -ones]]),
        b_ub=np.concatenate((-left, left)),
        bounds=(None, None),
        method="highs-ds",
        options={"primal_feasibility_tolerance": 1e-10, "dual_feasibility_tolerance": 1e-10},
    )
    assert result.status == 0
    return 2 * result.x[3] * scale / 1e3


def check(x, y, z):
    """A zone holds all places, is proved, and equals the linear program's."""
    zone = minimum_zone(x, y, z)
    height_range = np.ptp(z) or 1.0
    residual = z - zone.height(x, y)
    # a steep plane over a thin strip of places cannot be written down better than this
    rounding = 1e-14 * max(abs(zone.slope_x), abs(zone.slope_y)) * np.abs((x, y)).max()
    assert np.ptp(residual) == pytest.approx(zone.width, abs=1e-9 * height_range + rounding)
    assert zone.gap <= 1e-11 * height_range
    assert zone.exchanges <= 200
    assert zone.width == pytest.approx(by_linear_program(x, y, z), abs=1e-9 * height_range)
    return zone


def random_set(random, kind):
    sizes, weights = zip(
        (3, 0.1), (4, 0.15), (5, 0.1), (7, 0.1), (9, 0.15), (25, 0.2), (49, 0.1), (400, 0.07),
        (2000, 0.03), strict=True,
    )  # fmt: skip
    n = int(random.choice(sizes, p=weights))
    if kind in ("regular", "rounded to 0.01", "rounded to 0.0025", "three heights"):
        columns = max(2, int(np.sqrt(n)))
        rows = int(random.integers(2, columns + 2))
        x, y = grid(np.linspace(0, 300, columns), np.linspace(0, 200, rows))
    else:
        x, y = random.uniform(-150, 150, (2, n))
    if kind == "near-collinear":
        y = 0.3 * x + random.normal(0, 10 ** random.uniform(-6, 0), len(x))
    u, v = x / 150, y / 150
    z = 0.1 * (random.normal() * u**2 + random.normal() * u * v + random.normal() * v**2)
    z = z + random.normal(0, 10 ** random.uniform(-6, -1), len(x))
    if random.random() < 0.3:
        z = z + random.choice((0.0, 1.0, 1e3, 1e6)) * (u - 0.7 * v)
    if kind == "rounded to 0.01":
        z = np.round(z / 0.01) * 0.01
    elif kind == "rounded to 0.0025":
        z = np.round(z / 0.0025) * 0.0025
    elif kind == "three heights":
        z = random.integers(0, 3, len(x)) * 0.01
    return x, y, z


KINDS = ("scattered", "regular", "rounded to 0.01", "rounded to 0.0025", "three heights",
         "near-collinear")  # fmt: skip


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("part", range(4))
def test_equals_the_linear_program_on_random_sets(kind, part, monkeypatch):
    # 6 kinds x 4 parts x 220 = 5,280 sets; the exchange never has to fall back
    def no_fallback(*_):
        raise AssertionError("the exchange gave up")

    monkeypatch.setattr(zone_module, "_linear_program", no_fallback)
    random = np.random.default_rng([KINDS.index(kind), part])
    for _ in range(220):
        check(*random_set(random, kind))


def test_the_fallback_gives_the_same(monkeypatch):
    random = np.random.default_rng(5)
    x, y = random.uniform(0, 300, (2, 200))
    z = random.normal(0, 0.02, 200) + 0.001 * x
    exact = minimum_zone(x, y, z).width
    monkeypatch.setattr(zone_module, "_MOST_EXCHANGES", 1)
    assert minimum_zone(x, y, z).width == pytest.approx(exact, rel=1e-9)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(-4, 4), st.integers(-4, 4), st.integers(-3, 3)),
        min_size=3,
        max_size=30,
    )
)
def test_equals_the_linear_program_on_lattices(points):
    x, y, z = np.array(points, dtype=float).T
    try:
        check(x, y, z)
    except ShapeError:
        dx, dy = x - x[0], y - y[0]
        assert np.linalg.matrix_rank(np.column_stack((dx, dy))) < 2


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 10**6), st.floats(-1e3, 1e3), st.floats(-1e3, 1e3), st.floats(0.1, 10))
def test_does_not_care_for_tilt_shift_and_scale(seed, slope_x, slope_y, scale):
    random = np.random.default_rng(seed)
    x, y = random.uniform(0, 300, (2, 30))
    z = random.normal(0, 0.05, 30)
    moved = slope_x * x + slope_y * y + scale * z + 7
    width = minimum_zone(x, y, z).width
    assert minimum_zone(3 * x - 5, y + 8, moved).width == pytest.approx(
        scale * width, abs=1e-12 * np.ptp(moved) + 1e-12
    )


def test_contacts_prove_the_zone():
    # the hulls of upper and lower contacts meet: some upper mixture balances over a lower one
    run = read_run(MOODY)
    zone = minimum_zone(run.x, run.y, run.z)
    upper = {(round(run.x[k] / 25.4, 6), round(run.y[k] / 25.4, 6)) for k in zone.upper}
    lower = {(round(run.x[k] / 25.4, 6), round(run.y[k] / 25.4, 6)) for k in zone.lower}
    # J. C. Moody 1955, recomputed with certificate (tests/data/README.md)
    assert upper == {(32, 0), (32, 40)}
    assert lower == {(0, 16), (64, 24)}
    assert zone.width / UIN == pytest.approx(163.673050, abs=1e-6)
    assert zone.gap < 1e-15


def test_column_eight_of_the_measured_plate():
    from cases import table

    rows = table("moody_1955_surface_plate.csv")
    x, y, z = (
        np.array([float(row[key]) for row in rows]) for key in ("x [in]", "y [in]", "column_8")
    )
    zone = minimum_zone(x, y, z * 10)
    assert zone.width == pytest.approx(1540 / 9, abs=1e-9)


@pytest.mark.parametrize(
    ("case", "vertical", "perpendicular"),
    [
        ("square_centre", 1, 2 / np.sqrt(5)),  # between a side of the pyramid and the far edge
        ("one_corner", 1 / 2, 1 / np.sqrt(6)),
        ("twist", 2, None),
        ("paraboloid", 2, None),
    ],
)
def test_cases_provable_by_hand(case, vertical, perpendicular):
    x, y, z = hand_case(case)
    assert minimum_zone(x, y, z).width == pytest.approx(vertical, abs=1e-9)
    if perpendicular is not None:
        found = minimum_zone(x, y, z, perpendicular=True)
        assert found.width == pytest.approx(perpendicular, abs=1e-9)


def test_perpendicular_equals_search_over_all_planes():
    # every plane through three points, and every one through two pairs, of small random sets
    from itertools import combinations

    random = np.random.default_rng(8)
    for _ in range(500):
        points = random.normal(0, (1, 1, random.choice((0.01, 1))), (int(random.integers(4, 9)), 3))
        edges = [points[j] - points[i] for i, j in combinations(range(len(points)), 2)]
        normals = np.array([np.cross(a, b) for a, b in combinations(edges, 2)])
        sizes = np.linalg.norm(normals, axis=1)
        normals = normals[sizes > 1e-9] / sizes[sizes > 1e-9, None]
        best = np.ptp(points @ normals.T, axis=0).min()
        found = minimum_zone(*points.T, perpendicular=True)
        assert found.width == pytest.approx(best, rel=1e-9)


def test_perpendicular_of_a_bed_is_the_vertical_one():
    run = read_run(MOODY)
    vertical = minimum_zone(run.x, run.y, run.z).width
    perpendicular = minimum_zone(run.x, run.y, run.z, perpendicular=True).width
    assert perpendicular == pytest.approx(vertical, rel=1e-6)
    assert perpendicular <= vertical * (1 + 1e-12)


def test_a_plane_has_no_width():
    x, y = grid(range(5), range(4))
    z = 0.1 * x - 0.3 * y + 2
    for perpendicular in (False, True):
        assert minimum_zone(x, y, z, perpendicular=perpendicular).width == pytest.approx(
            0, abs=1e-14
        )


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ([(0, 0, 1)], "there are 1 place"),
        ([(0, 0, 1), (1, 1, 1)], "there are 2 places"),
        ([(0, 0, 1), (0.1, 0.1, 2), (0.3, 0.3, 3)], "on one line"),
        ([(5, 5, 1), (5, 5, 2), (5, 5, 3)], "on one line"),
        ([(0, 0, 1), (1, 0, np.nan), (0, 1, 3)], "not finite"),
    ],
)
def test_what_carries_no_plane_is_refused(points, message):
    x, y, z = zip(*points, strict=True)
    with pytest.raises(ShapeError, match=message):
        minimum_zone(x, y, z)
