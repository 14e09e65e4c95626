import numpy as np
import pytest
from cases import grid, table

from probes import Run
from probes.drift import correct_drift, find_drift, fit_line

FIVE = np.linspace(30, 270, 5)


def test_line_of_the_gum():
    # JCGM 100:2008, H.3 (values from memory): y1 -0.1712(29), y2 0.00218(67), r -0.930, s 0.0035,
    # b(30) -0.1494, u 0.0041
    rows = table("gum_h3.csv")
    line = fit_line(
        [float(r["t_degC"]) for r in rows], [float(r["b_degC"]) for r in rows], origin=20
    )
    assert (line.intercept, line.intercept_sigma) == pytest.approx((-0.1712, 0.0029), abs=6e-5)
    assert (line.slope, line.slope_sigma) == pytest.approx((0.00218, 0.00067), abs=6e-6)
    assert line.correlation == pytest.approx(-0.930, abs=6e-4)
    assert line.sigma == pytest.approx(0.0035, abs=6e-5)
    assert line.at(30) == pytest.approx((-0.1494, 0.0041), abs=6e-5)


def closed(random, drift, sigma=0.003, shape=0.1):
    """A bed probed row by row, with a return to the first place after each row and at the end."""
    x, y = grid(FIVE, FIVE)
    xs, ys = [], []
    for row in range(5):
        xs += [30.0, *x[5 * row : 5 * row + 5]]
        ys += [30.0, *y[5 * row : 5 * row + 5]]
    xs, ys = np.array([*xs, 30.0]), np.array([*ys, 30.0])
    time = np.linspace(0, 1, len(xs))
    z = shape * (xs / 150 - 1) ** 2 + 0.001 * ys + drift * time + random.normal(0, sigma, len(xs))
    return Run(x=xs, y=ys, z=z)


def test_drift_is_found_whatever_the_shape():
    random = np.random.default_rng(1)
    found = [find_drift(closed(random, 0.02)) for _ in range(400)]
    assert np.mean([drift.value for drift in found]) == pytest.approx(0.02, abs=3e-4)
    seen = np.std([drift.value for drift in found])
    # the first visit is two touches in a row, so a little surer than told
    assert seen == pytest.approx(np.sqrt(np.mean([d.sigma**2 for d in found])), rel=0.15)
    inside = [drift.interval[0] <= 0.02 <= drift.interval[1] for drift in found]
    assert np.mean(inside) == pytest.approx(0.95, abs=0.03)


def test_drift_is_flagged_when_it_is_there_and_hardly_ever_else():
    # drift of 6 sigma in at least 90 % of runs; in at most 6 % without drift
    random = np.random.default_rng(2)
    with_drift = [find_drift(closed(random, 6 * 0.003)).significant for _ in range(1000)]
    without = [find_drift(closed(random, 0)).significant for _ in range(2000)]
    assert np.mean(with_drift) >= 0.90
    assert np.mean(without) <= 0.06


def test_one_return_tells_where_the_probe_is_known():
    # G3: significant if the closure exceeds 2.77 sigma
    x, y = grid(FIVE, FIVE)
    xs, ys = np.append(x, x[0]), np.append(y, y[0])

    def run(closure):
        return Run(x=xs, y=ys, z=np.append(np.zeros(25), closure))

    assert find_drift(run(0.01)) is None
    assert not find_drift(run(2.76 * 0.003), sigma=0.003).significant
    drift = find_drift(run(2.79 * 0.003), sigma=0.003)
    assert drift.significant
    assert drift.closure == pytest.approx(2.79 * 0.003)


def test_one_return_tells_by_the_noise_of_the_map_too():
    # the probe is not known; the first place is touched again at the end
    from level.check import check_bed

    random = np.random.default_rng(4)
    x, y = grid(np.linspace(20, 330, 7), np.linspace(20, 330, 7))
    xs, ys = np.append(x, x[0]), np.append(y, y[0])
    shape = 0.1 * (xs / 175 - 1) ** 2
    flagged = {}
    for size in (0, 6):
        found = []
        for _ in range(300):
            z = shape + random.normal(0, 0.003, 50) + size * 0.003 * np.linspace(0, 1, 50)
            found.append(check_bed(Run(x=xs, y=ys, z=z)).drift.significant)
        flagged[size] = np.mean(found)
    assert flagged[0] <= 0.08
    assert flagged[6] >= 0.90


def test_check_sees_drift_however_often_it_returns():
    # repeats hold the drift themselves and must not hide it
    from level.check import check_bed

    random = np.random.default_rng(6)
    flags = [
        [check_bed(closed(random, size * 0.003)).drift.significant for _ in range(200)]
        for size in (0, 20)
    ]
    assert np.mean(flags[0]) <= 0.09
    assert np.mean(flags[1]) == 1


def test_a_first_touch_that_differs_is_no_drift():
    x, y = grid([0, 100, 200], [0, 100, 200])
    random = np.random.default_rng(7)
    z = random.normal(0, 0.002, (9, 5))
    z[:, 0] += 0.015
    run = Run(x=np.repeat(x, 5), y=np.repeat(y, 5), z=z.ravel())
    assert find_drift(run) is None


def test_without_a_return_drift_cannot_be_told():
    x, y = grid(FIVE, FIVE)
    assert find_drift(Run(x=x, y=y, z=0.001 * np.arange(25))) is None
    # repeats in one go hardly move in time
    assert find_drift(Run(x=np.repeat(x, 2), y=np.repeat(y, 2), z=0.001 * np.arange(50))) is None


def test_times_are_used_where_they_are_known():
    x = np.array([0, 1, 0, 1, 0, 1, 0.0])
    y = np.array([0, 0, 0, 0, 0, 0, 0.0])
    minutes = np.array([0, 1, 2, 3, 4, 5, 60.0])
    run = Run(
        x=x, y=y, z=minutes / 60 + 0.001 * np.array([1, -1, 1, -1, -1, 1, 0]), minutes=minutes
    )
    drift = find_drift(run)
    assert drift.by_time
    assert drift.value == pytest.approx(1, abs=0.01)


def test_only_significant_drift_is_taken_out():
    random = np.random.default_rng(3)
    drifting = closed(random, 0.05)
    corrected = correct_drift(drifting, find_drift(drifting))
    assert abs(find_drift(corrected).value) < 1e-9
    assert corrected.z.mean() == pytest.approx(drifting.z.mean(), abs=1e-12)
    assert "a drift of +0.0" in corrected.warnings[-1]
    steady = closed(np.random.default_rng(5), 0)
    assert correct_drift(steady, find_drift(steady)) is steady
    assert correct_drift(steady, None) is steady


def test_a_serpentine_drift_looks_like_tilt():
    # T-G4: 20 um linear over 49 points, row by row: false y tilt 17.5 um; x tilt .36 serpentine
    x, y = grid(range(7), range(7))
    snake = x.reshape(7, 7).copy()
    snake[1::2] = snake[1::2, ::-1]
    from mesh.tilt import find_tilt

    tilt = find_tilt(snake.ravel(), y, np.linspace(0, 20, 49))
    assert (abs(tilt.fall_x), abs(tilt.fall_y)) == pytest.approx((0.36, 17.5), abs=0.05)
    raster = find_tilt(x, y, np.linspace(0, 20, 49))
    assert abs(raster.fall_x) == pytest.approx(2.50, abs=0.01)
