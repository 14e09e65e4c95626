import numpy as np
import pytest
from cases import grid, table
from hypothesis import given, settings
from hypothesis import strategies as st

from mesh.plane import fit_plane
from mesh.surface import fit_surface
from probes.errors import RequestError, ShapeError

KINDS = ("bilinear", "bicubic", "thin-plate", "gaussian-process")
LINES = np.linspace(0, 300, 7)


def bed(x, y):
    """A tilted bed with a bow and a wave, mm."""
    return 0.1 * (x / 150 - 1) ** 2 + 1e-3 * y + 0.02 * np.sin(y / 40)


def franke(x, y):
    u, v = 9 * x, 9 * y
    return (
        0.75 * np.exp(-((u - 2) ** 2 + (v - 2) ** 2) / 4)
        + 0.75 * np.exp(-((u + 1) ** 2) / 49 - (v + 1) / 10)
        + 0.5 * np.exp(-((u - 7) ** 2 + (v - 3) ** 2) / 4)
        - 0.2 * np.exp(-((u - 4) ** 2) - (v - 7) ** 2)
    )


def test_bilinear_worked_example():
    # a public library's test, grid lines not even: checks of the project, "Gridding"
    x, y = grid([0, 0.5, 1, 2], [0, 1, 2])
    z = np.array([0, 0.25, 1, 4, 2, 2.25, 3, 6, 8, 8.25, 9, 12])
    found = fit_surface(x, y, z).at([0.25, 0.75, 1.2, 1.2], [0.5, 0.5, 0.8, 1.8])[0]
    assert found == pytest.approx([1.125, 1.625, 3.2, 8.4], abs=1e-12)


@pytest.mark.parametrize("segments", [2, 4, 6])
def test_a_bow_between_few_places(segments):
    # bow F over the span leaves F / n^2 (theory H1): 50, 12.5 and 5.6 um of 200
    x, y = grid(np.linspace(0, 300, segments + 1), [0, 300])
    surface = fit_surface(x, y, 0.2 * (x / 150 - 1) ** 2)
    at = np.linspace(0, 300, 6 * segments + 1)
    error = np.abs(surface.at(at, 100.0)[0] - 0.2 * (at / 150 - 1) ** 2).max()
    assert error == pytest.approx(0.2 / segments**2, abs=1e-12)


def test_twist_is_exact_in_a_bilinear_cell():
    x, y = grid([0, 300], [0, 200])
    surface = fit_surface(x, y, 1e-5 * x * y)
    assert surface.at([120, 30], [70, 190])[0] == pytest.approx([1e-5 * 8400, 1e-5 * 5700])


@pytest.mark.parametrize(
    ("points", "bilinear", "bicubic"),
    [(2, 1.0, 1.0), (4, 0.293, 0.116), (5, 0.191, 0.051), (6, 0.134, 0.026), (8, 0.076, 0.0085),
     (10, 0.049, 0.0035)],
)  # fmt: skip
def test_waves_lose_height_between_the_places(points, bilinear, bicubic):
    # theory H2's table (T-H2): crest in the middle of a cell, p places to a wave
    x, y = grid(np.arange(-4.5, 5), [0, 1, 2, 3])
    z = np.cos(2 * np.pi * x / points)
    for kind, expected in (("bilinear", bilinear), ("bicubic", bicubic)):
        crest = float(fit_surface(x, y, z, kind).at(0.0, 1.0)[0])
        assert 1 - crest == pytest.approx(expected, abs=6e-4)


def test_frankes_function():
    # values of the published formula (tests/data/franke_values.csv), on a bed of 300 mm
    rows = table("franke_values.csv")
    x, y, z = (np.array([float(row[key]) for row in rows]) for key in ("x", "y", "f"))
    assert franke(x, y) == pytest.approx(z, abs=1e-11)
    centres = grid(np.linspace(15, 285, 10), np.linspace(15, 285, 10))
    truth = franke(*(spots / 300 for spots in centres))
    error = {}
    for kind in KINDS:
        surface = fit_surface(300 * x, 300 * y, z, kind, noise=0.0)
        assert surface.at(300 * x, 300 * y)[0] == pytest.approx(z, abs=1e-6)
        error[kind] = np.sqrt(np.mean((surface.at(*centres)[0] - truth) ** 2))
    assert error["bicubic"] < error["bilinear"] / 3
    assert error["gaussian-process"] < error["bicubic"] / 1.5
    assert error["gaussian-process"] < error["thin-plate"]


@settings(max_examples=25)
@given(
    st.sampled_from(KINDS), st.integers(0, 99), st.floats(-0.01, 0.01), st.floats(-0.01, 0.01),
    st.booleans(), st.sampled_from((None, 0.0, 0.004)),
)  # fmt: skip
def test_a_plane_stays_a_plane(kind, seed, slope_x, slope_y, scattered, noise):
    random = np.random.default_rng(seed)
    if scattered and kind != "bicubic":
        x, y = random.uniform(0, 300, (2, 20))
    else:
        x, y = grid(np.sort(random.uniform(0, 300, 5)), [0, 70, 200, 300])
    z = 1.5 + slope_x * x + slope_y * y
    surface = fit_surface(x, y, z, kind, noise=noise)
    at = random.uniform(-100, 400, (2, 50))
    assert surface.at(*at)[0] == pytest.approx(1.5 + slope_x * at[0] + slope_y * at[1], abs=1e-9)


@settings(max_examples=10)
@given(st.sampled_from(KINDS), st.floats(-0.01, 0.01), st.floats(-0.01, 0.01))
def test_tilt_is_carried_through(kind, slope_x, slope_y):
    # a bed that is tilted further gives the same surface, tilted further
    x, y = grid(LINES, LINES)
    z = bed(x, y) + np.random.default_rng(1).normal(0, 0.005, len(x))
    at = np.random.default_rng(2).uniform(-50, 350, (2, 30))
    level = fit_surface(x, y, z, kind, noise=0.005).at(*at)
    tilted = fit_surface(x, y, z + slope_x * x + slope_y * y, kind, noise=0.005).at(*at)
    # the search for the likeliest settings ends within its tolerance
    assert tilted[0] - slope_x * at[0] - slope_y * at[1] == pytest.approx(level[0], abs=2e-5)
    assert tilted[1] == pytest.approx(level[1], rel=5e-3)


def test_bilinear_noise_is_that_of_its_weights():
    # [S40] of theory: (2/3)^2 of the variance on average, all of it at a node, 1/4 mid-cell
    x, y = grid(LINES, LINES)
    surface = fit_surface(x, y, bed(x, y), noise=0.004)
    at = grid((np.arange(600) + 0.5) / 2, (np.arange(600) + 0.5) / 2)
    assert np.mean(surface.at(*at)[1] ** 2) == pytest.approx(4 / 9 * 0.004**2, rel=1e-4)
    assert surface.at([50, 25], [100, 25])[1] == pytest.approx([0.004, 0.002])
    assert np.isnan(fit_surface(x, y, bed(x, y)).at(10, 10)[1])


def test_noise_carried_equals_drawn_noise():
    x, y = grid([0, 30, 90, 180, 300], [0, 100, 140, 300])
    spread = np.linspace(0.5, 2, len(x))
    random = np.random.default_rng(3)
    for kind in ("bilinear", "bicubic"):
        drawn = [
            fit_surface(x, y, random.normal(0, 0.01 * spread), kind).at(40.0, 120.0)[0]
            for _ in range(600)
        ]
        sigma = fit_surface(x, y, bed(x, y), kind, noise=0.01, spread=spread).at(40.0, 120.0)[1]
        assert np.std(drawn) == pytest.approx(float(sigma), rel=0.09)


@pytest.mark.parametrize("kind", KINDS)
def test_outside_the_height_is_held_along_the_plane(kind):
    x, y = grid(LINES, LINES)
    z = bed(x, y) + np.random.default_rng(4).normal(0, 0.003, len(x))
    surface = fit_surface(x, y, z, kind, noise=0.003)
    plane = fit_plane(x, y, z)
    assert surface.inside([0, 300, 150, -1, 301], [0, 300, 300, 150, 301]).tolist() == [
        True, True, True, False, False,
    ]  # fmt: skip
    out = np.array([0, 10, 50, 100, 300])
    heights, sigma = surface.at(300 + out, 120.0)
    assert heights - heights[0] == pytest.approx(plane.slope_x * out, abs=1e-9)
    assert (np.diff(sigma) > 0).all()
    corner = surface.at(-30.0, 340.0)[0] - surface.at(0.0, 300.0)[0]
    assert corner == pytest.approx(-30 * plane.slope_x + 40 * plane.slope_y)


def test_outside_sigma_is_not_too_small():
    # the bed goes on beyond the probed part: most of it lies within two sigma of what is held;
    # an interpolant knows the slope at its outline and no more
    x, y = grid(np.linspace(60, 240, 7), np.linspace(60, 240, 7))
    at = np.random.default_rng(5).uniform(0, 300, (2, 400))
    for kind in KINDS:
        surface = fit_surface(x, y, bed(x, y), kind, noise=0.001)
        out = ~surface.inside(*at)
        heights, sigma = surface.at(at[0, out], at[1, out])
        assert np.mean(np.abs(heights - bed(at[0, out], at[1, out])) < 2 * sigma) > (
            0.95 if kind == "gaussian-process" else 0.75
        )


def test_holes_and_scattered_places():
    x, y = grid(LINES, LINES)
    keep = np.ones(49, bool)
    keep[[0, 10, 24, 30]] = False
    at = grid(np.linspace(60, 240, 20), np.linspace(60, 240, 20))
    for kind in ("bilinear", "thin-plate", "gaussian-process"):
        surface = fit_surface(x[keep], y[keep], bed(x, y)[keep], kind, noise=0.0)
        assert np.abs(surface.at(*at)[0] - bed(*at)).max() < 0.02
        assert not surface.inside(1.0, 1.0)  # the corner that is missing
    with pytest.raises(RequestError, match="4 of 49 spots of the grid have no place; use bilinear"):
        fit_surface(x[keep], y[keep], bed(x, y)[keep], "bicubic")
    with pytest.raises(RequestError, match="scattered"):
        fit_surface(*np.random.default_rng(0).uniform(0, 9, (3, 12)), "bicubic")


def test_triangles_equal_scipys():
    from scipy.interpolate import LinearNDInterpolator

    random = np.random.default_rng(6)
    x, y = random.uniform(0, 300, (2, 60))
    surface = fit_surface(x, y, bed(x, y))
    reference = LinearNDInterpolator(np.column_stack((x, y)), bed(x, y))
    at = random.uniform(0, 300, (2, 500))
    inside = surface.inside(*at)
    expected = reference(at.T)
    assert (np.isfinite(expected) == inside).all()
    assert surface.at(*at)[0][inside] == pytest.approx(expected[inside], abs=1e-12)


def test_order_of_the_places_does_not_matter():
    x, y = grid(LINES, LINES)
    z = bed(x, y) + np.random.default_rng(7).normal(0, 0.003, 49)
    order = np.random.default_rng(8).permutation(49)
    for kind in KINDS:
        one = fit_surface(x, y, z, kind)
        other = fit_surface(x[order], y[order], z[order], kind)
        assert other.at([33, 310], [44, 5])[0] == pytest.approx(one.at([33, 310], [44, 5])[0])
        errors = one.leave_one_out.errors[order]
        assert other.leave_one_out.errors == pytest.approx(errors, nan_ok=True, abs=1e-9)


def test_leave_one_out_tells_interior_from_edge():
    x, y = grid(LINES, LINES)
    z = bed(x, y) + np.random.default_rng(9).normal(0, 0.003, 49)
    for kind in KINDS:
        left = fit_surface(x, y, z, kind).leave_one_out
        assert left.edge.sum() == 24
        total = left.errors[np.isfinite(left.errors)]
        assert left.rms == pytest.approx(np.sqrt(np.mean(total**2)))
        if kind in ("thin-plate", "gaussian-process"):
            assert left.rms_interior < left.rms_edge  # from one side only, less is known
        assert 0.003 < left.rms < 0.03


@pytest.mark.parametrize("kind", KINDS)
def test_few_places_and_equal_heights(kind):
    x, y = grid(LINES, LINES[:3])
    level = fit_surface(x, y, np.full(len(x), 0.3), kind, noise=0.002)
    assert level.at([10, 500], [20, -70])[0] == pytest.approx([0.3, 0.3])
    if kind != "bicubic":
        three = fit_surface([0, 100, 0], [0, 0, 100], [1, 2, 3], kind)
        assert three.at([50, 25, 0], [50, 25, 0])[0] == pytest.approx([2.5, 1.75, 1])
        assert np.isnan(three.at(25, 25)[1])
        assert np.isnan(three.leave_one_out.errors).all()
        five = fit_surface([0, 100, 0, 100, 50], [0, 0, 100, 100, 50], [0, 0, 0, 0, 1e-2], kind)
        assert np.isfinite(five.at([20, 130], [30, 130])[0]).all()
    four = fit_surface([0, 100, 0, 100], [0, 0, 100, 100], [0, 0, 0, 0.01], kind)
    assert np.isfinite(four.at([20, 130], [30, 130])[0]).all()


def test_what_is_refused():
    with pytest.raises(ShapeError, match="on one line"):
        fit_surface([0, 1, 2, 3], [0, 0, 0, 0], [0, 0, 0, 1])
    with pytest.raises(ShapeError, match=r"place at \(1, 0\) is given more than once"):
        fit_surface([0, 1, 0, 1], [0, 0, 1, 0], [0, 0, 0, 1])
    with pytest.raises(RequestError, match="kind 'cubic': must be one of bilinear, bicubic"):
        fit_surface([0, 1, 0], [0, 0, 1], [0, 0, 0], "cubic")
    for noise in (-0.1, np.nan, np.inf):
        with pytest.raises(RequestError, match="noise"):
            fit_surface([0, 1, 0], [0, 0, 1], [0, 0, 0], noise=noise)
    with pytest.raises(ShapeError, match="spread has 2 values for 3 places"):
        fit_surface([0, 1, 0], [0, 0, 1], [0, 0, 0], spread=[1, 1])
    with pytest.raises(ShapeError, match="spread holds"):
        fit_surface([0, 1, 0], [0, 0, 1], [0, 0, 0], spread=[1, 1, 0])


@pytest.fixture(scope="module")
def terrain():
    """Measured heights, m, that matplotlib ships as sample data (Jacksboro fault)."""
    from pathlib import Path

    import matplotlib as mpl

    path = Path(mpl.get_data_path(), "sample_data", "jacksboro_fault_dem.npz")
    with np.load(path) as data:
        return data["elevation"][:129, :129].astype(float)


@pytest.mark.parametrize("kind", ["bilinear", "bicubic"])
def test_measured_heights_against_scipy(terrain, kind):
    # every fourth node is kept; SciPy's interpolator says the same, or errs as much, at the others
    from scipy.interpolate import RegularGridInterpolator

    lines = np.arange(129) * 10.0
    x, y = grid(lines[::4], lines[::4])
    surface = fit_surface(x, y, terrain[::4, ::4].ravel(), kind)
    across, along = grid(lines, lines)
    ours = surface.at(across, along)[0]
    method = "linear" if kind == "bilinear" else "cubic"
    reference = RegularGridInterpolator((lines[::4],) * 2, terrain[::4, ::4], method=method)
    theirs = reference(np.column_stack((along, across)))
    if kind == "bilinear":
        assert ours == pytest.approx(theirs, abs=1e-9)
    error, other = (np.sqrt(np.mean((v - terrain.ravel()) ** 2)) for v in (ours, theirs))
    assert error == pytest.approx(other, rel=0.05)


def test_measured_heights_by_the_process(terrain):
    lines = np.arange(129) * 10.0
    x, y = grid(lines[::4], lines[::4])
    surface = fit_surface(x, y, terrain[::4, ::4].ravel(), "gaussian-process", noise=0.0)
    linear = fit_surface(x, y, terrain[::4, ::4].ravel())
    across, along = grid(lines, lines)
    heights, sigma = surface.at(across, along)
    error = np.abs(heights - terrain.ravel())
    assert np.sqrt(np.mean(error**2)) < np.sqrt(
        np.mean((linear.at(across, along)[0] - terrain.ravel()) ** 2)
    )
    nodes = sigma < 0.1  # the places themselves
    assert 0.9 < np.mean(error[~nodes] < 1.96 * sigma[~nodes]) < 0.99


@pytest.mark.parametrize("kind", ["thin-plate", "gaussian-process"])
def test_many_scattered_places_are_gathered(kind, monkeypatch):
    from mesh import surface as module

    random = np.random.default_rng(10)
    x, y = random.uniform(0, 300, (2, 3000))
    z = bed(x, y) + random.normal(0, 0.005, 3000)
    assert fit_surface(x[:300], y[:300], z[:300], kind).gathered == 0
    monkeypatch.setattr(module, "MOST_DENSE", 300)
    surface = fit_surface(x, y, z, kind, noise=0.005)
    assert 200 < surface.gathered <= 300
    at = random.uniform(20, 280, (2, 200))
    heights, sigma = surface.at(*at)
    # 3,000 places average the noise far better than 300 would
    assert np.sqrt(np.mean((heights - bed(*at)) ** 2)) < 0.0015
    assert (sigma < 0.005).all()


@pytest.mark.parametrize("kind", KINDS)
def test_shapes_of_what_is_asked(kind):
    x, y = grid(LINES, LINES)
    surface = fit_surface(x, y, bed(x, y), kind, noise=0.002)
    across, along = np.meshgrid(np.linspace(-20, 320, 18), np.linspace(-10, 310, 9))
    heights, sigma = surface.at(across, along)
    assert heights.shape == sigma.shape == surface.inside(across, along).shape == (9, 18)
    for k in ((0, 0), (3, 17), (8, 5)):
        alone = surface.at(across[k], along[k])
        assert alone[0].shape == ()
        assert (float(alone[0]), float(alone[1])) == pytest.approx((heights[k], sigma[k]))
    line = surface.at(across[0], 70.0)
    assert line[0] == pytest.approx(surface.at(across[:1], np.full((1, 18), 70.0))[0][0])
    assert surface.at([], [])[0].shape == (0,)


@pytest.mark.parametrize("kind", KINDS)
def test_noise_and_spread_go_together(kind):
    # half the noise with twice the spread is the same; the noise shown is that of spread 1
    x, y = grid(LINES, LINES)
    z = bed(x, y) + np.random.default_rng(12).normal(0, 0.004, 49)
    one = fit_surface(x, y, z, kind, noise=0.004)
    other = fit_surface(x, y, z, kind, noise=0.002, spread=np.full(49, 2.0))
    for k in range(2):
        assert other.at([33, 310], [44, 5])[k] == pytest.approx(one.at([33, 310], [44, 5])[k])
    if kind in ("thin-plate", "gaussian-process"):
        found = fit_surface(x, y, z, kind).noise
        assert fit_surface(x, y, z, kind, spread=np.full(49, 2.0)).noise == pytest.approx(
            found / 2, rel=1e-3
        )
