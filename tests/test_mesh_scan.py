import numpy as np
import pytest
from cases import grid
from hypothesis import given, settings
from hypothesis import strategies as st

from mesh.scan import repeat_scan
from probes import RequestError, Run, ShapeError


def on_grid(xs, ys):
    """A full grid, and the x and y of its places."""
    x, y = grid(xs, ys)
    return Run(x=x, y=y, z=0 * x).places.grid, x, y


EVEN = np.linspace(20, 330, 7)


@settings(max_examples=60)
@given(
    st.integers(0, 10**6), st.floats(-0.1, 0.1), st.floats(-0.1, 0.1), st.floats(-1e-5, 1e-5)
)  # fmt: skip
def test_neither_tilt_nor_an_overall_curve_moves_the_gauge(seed, slope_x, slope_y, curve):
    # on z = c (x^2 + y^2) the reading is -c (base / 2)^2 wherever the gauge stands
    random = np.random.default_rng(seed)
    xs = 20 + np.arange(random.integers(4, 9)) * random.uniform(5, 60)
    ys = 30 + np.arange(random.integers(4, 9)) * random.uniform(5, 60)
    on, x, y = on_grid(xs, ys)
    z = slope_x * x + slope_y * y + curve * (x**2 + y**2) + 3
    for base in (None, 40.0, 150.0):
        scan = repeat_scan(on, z, base)
        assert len(scan.lines) == len(xs) + len(ys)
        assert scan.worst.movement == pytest.approx(0, abs=1e-12)
        for line in scan.lines:
            assert line.readings == pytest.approx(-curve * (line.base / 2) ** 2, abs=1e-12)


def test_a_sphere_moves_it_by_no_more_than_its_fourth_order():
    # a cap of radius 50 m: its sag over the base is base^2 / 8 R, the rest is of fourth order
    radius = 5e4
    on, x, y = on_grid(EVEN, EVEN)
    scan = repeat_scan(on, np.sqrt(radius**2 - (x - 175) ** 2 - (y - 175) ** 2))
    assert scan.worst.readings[0] == pytest.approx(scan.worst.base**2 / 8 / radius, rel=1e-4)
    assert scan.overall < 1e-5 * scan.worst.readings[0] * 2


def test_a_kink_by_hand():
    # z = s |x - 150|, feet 50 before and behind: -50 s at the kink and 0 elsewhere
    on, x, _ = on_grid(np.arange(0, 301, 50), [0, 40, 80])
    scan = repeat_scan(on, 0.001 * abs(x - 150), 100)
    assert scan.worst.along == "x"
    assert scan.worst.base == 100
    assert scan.worst.stations.tolist() == [50, 100, 150, 200, 250]
    assert scan.worst.readings == pytest.approx([0, 0, -0.05, 0, 0])
    assert scan.worst.movement == scan.overall == pytest.approx(0.05)
    assert scan.worst.lowest[0] == 150


def test_a_step_by_hand():
    # a step of 0.1 mm: half of it low with the front foot up, then half of it high
    on, _, y = on_grid([10, 60, 110, 160], np.arange(0, 301, 50))
    scan = repeat_scan(on, 0.1 * (y > 120), 100)
    worst = scan.worst
    assert (worst.along, worst.line) == ("y", 10)
    assert worst.readings == pytest.approx([0, -0.05, 0.05, 0, 0])
    assert worst.movement == pytest.approx(0.1)
    assert worst.lowest == (10, 100)
    assert worst.highest == (10, 150)
    # the rows lie along the step and see nothing
    assert all(line.movement == 0 for line in scan.lines if line.along == "x")


def test_the_worst_line_and_the_overall_movement():
    # a cylinder moves the gauge along no line, but reads otherwise along x than along y
    on, x, y = on_grid(EVEN, EVEN)
    scan = repeat_scan(on, 1e-6 * x**2)
    assert scan.worst.movement == pytest.approx(0, abs=1e-12)
    assert scan.overall == pytest.approx(1e-6 * (310 / 6) ** 2)
    # a spike h on one place: its row and its column read h at it and -h/2 on either side
    spike = repeat_scan(on, 0.1 * ((x == EVEN[3]) & (y == EVEN[2])))
    assert spike.worst.movement == spike.overall == pytest.approx(0.15)
    assert (spike.worst.along, spike.worst.line) == ("x", EVEN[2])
    assert spike.worst.highest == (EVEN[3], EVEN[2])
    assert sorted(line.movement for line in spike.lines)[-3:] == pytest.approx([0, 0.15, 0.15])


def test_the_noise_of_a_reading():
    # variance of z - (a + b) / 2 is 1.5 sigma^2: from single places, and from noise itself
    on, _, _ = on_grid(EVEN, EVEN)
    squares = sum(repeat_scan(on, one).lines[2].readings ** 2 for one in np.eye(49))
    assert squares == pytest.approx(1.5)
    on, _, _ = on_grid(np.arange(150), np.arange(150))
    scan = repeat_scan(on, np.random.default_rng(5).normal(0, 0.01, 150 * 150))
    readings = np.concatenate([line.readings for line in scan.lines])
    assert readings.std() == pytest.approx(0.01 * np.sqrt(1.5), rel=0.02)


@pytest.mark.parametrize(
    ("asked", "used"), [(None, 100), (1, 100), (149, 100), (151, 200), (220, 200), (900, 400)]
)
def test_the_nearest_base_the_grid_allows(asked, used):
    # ten places 50 apart: 100, 200, 300 or 400 leave 8, 6, 4 and 2 readings
    on, x, y = on_grid(np.arange(0, 451, 50), np.arange(0, 451, 50))
    scan = repeat_scan(on, x * y, asked)
    assert {line.base for line in scan.lines} == {used}
    assert {len(line.readings) for line in scan.lines} == {10 - 2 * used // 100}


def test_a_foot_never_stands_a_whole_step_off():
    # 20 steps to each foot: a step is 5 % of that, but the places at the ends have no such foot
    on, x, _ = on_grid(np.arange(60), np.arange(4))
    rows = [line for line in repeat_scan(on, x, 40).lines if line.along == "x"]
    assert [line.stations.tolist() for line in rows] == [list(range(20, 40))] * 4


def test_a_line_that_needs_another_base_leaves_the_others_theirs():
    on, x, y = on_grid(np.arange(10) * 50, np.arange(10) * 50)
    # of row 200 the six places on the left are left: 200 apart they give two readings, 300 none
    holed = np.where((y == 200) & (x > 250), np.nan, 0.0)
    scan = repeat_scan(on, holed, 310)
    bases = {line.line: line.base for line in scan.lines if line.along == "x"}
    assert bases == {**dict.fromkeys(np.arange(10) * 50.0, 300.0), 200.0: 200.0}


def test_rows_and_columns_may_need_different_bases():
    on, x, y = on_grid(np.arange(0, 301, 50), np.arange(0, 301, 30))
    scan = repeat_scan(on, 1e-5 * (x**2 + y**2), 100)
    assert {(line.along, line.base) for line in scan.lines} == {("x", 100), ("y", 120)}
    # a bowl reads otherwise for that, which is no movement
    assert scan.overall == pytest.approx(0, abs=1e-12)


def test_holes_give_no_reading_and_are_no_foot():
    on, x, y = on_grid(np.arange(0, 301, 50), [0, 50, 100, 150])
    z = 1e-5 * (x**2 + y**2) + 0.1 * ((x == 0) & (y == 50))
    keep = (x != 150) | (y != 50)
    places = Run(x=x[keep], y=y[keep], z=z[keep]).places
    scan = repeat_scan(places.grid, places.z, 100)
    row = next(line for line in scan.lines if (line.along, line.line) == ("x", 50))
    # places 0 1 2 . 4 5 6: only 1 and 5 have both neighbours
    assert row.stations.tolist() == [50, 250]
    # the left foot of the first stands 0.1 higher, so that it reads half of it lower
    assert row.movement == pytest.approx(0.05)
    # a hole that is a NaN is the same
    holed = repeat_scan(on, np.where(keep, z, np.nan), 100)
    assert [line.readings.tolist() for line in holed.lines] == [
        line.readings.tolist() for line in scan.lines
    ]


def test_a_line_with_every_other_place_missing_takes_the_longer_base():
    on, x, y = on_grid(np.arange(9) * 10, np.arange(9) * 10)
    scan = repeat_scan(on, np.where((y == 40) & (x % 20 == 10), np.nan, 0.0))
    bases = {line.line: line.base for line in scan.lines if line.along == "x"}
    assert bases == {**dict.fromkeys(np.arange(9) * 10.0, 20.0), 40.0: 40.0}


def test_lines_rounded_to_whole_mm_are_even():
    # 20 to 330 in seven columns, each rounded to the mm: steps of 51 and 52
    lines = np.round(EVEN)
    assert len(set(np.diff(lines))) == 2
    on, x, y = on_grid(lines, lines)
    scan = repeat_scan(on, 1e-5 * ((x - 90) ** 2 + y**2) + 0.01 * x)
    assert {len(line.readings) for line in scan.lines} == {5}
    assert scan.worst.base == pytest.approx(310 / 3, abs=1)
    # neither the tilt nor the curve shows for that, or 0.5 mm of 0.01 mm/mm would
    assert scan.worst.movement == pytest.approx(0, abs=1e-12)


def test_lines_with_steps_of_two_sizes():
    # 10 mm apart, then 40: a reading only where both steps are alike; most of them 80 apart
    on, x, _ = on_grid([0, 10, 20, 30, 70, 110, 150, 190], [0, 10, 20, 30])
    z = 1e-5 * x**2
    rows = [line for line in repeat_scan(on, z).lines if line.along == "x"]
    for row in rows:
        assert row.base == 80
        assert row.stations.tolist() == [70, 110, 150]
        assert row.movement == pytest.approx(0, abs=1e-12)
    short = [line for line in repeat_scan(on, z, 20).lines if line.along == "x"]
    assert [line.stations.tolist() for line in short] == [[10, 20]] * 4


def test_results_cannot_be_written_to():
    on, x, _ = on_grid(EVEN, EVEN)
    line = repeat_scan(on, x).worst
    with pytest.raises(ValueError, match="read-only"):
        line.readings[0] = 1


@pytest.mark.parametrize("xs", [[0, 50, 100], [0, 10, 30, 70, 150]])
def test_no_line_to_scan_is_refused(xs):
    on, x, _ = on_grid(xs, [0, 20, 40])
    with pytest.raises(ShapeError, match="no row or column has two places midway"):
        repeat_scan(on, x)


@pytest.mark.parametrize("base", [0, -100, float("nan"), float("inf")])
def test_a_base_that_is_no_length_is_refused(base):
    on, x, _ = on_grid(EVEN, EVEN)
    with pytest.raises(RequestError, match=r"base of .* mm: must be above zero"):
        repeat_scan(on, x, base)


def test_heights_that_do_not_fit_are_refused():
    on, x, _ = on_grid(EVEN, EVEN)
    with pytest.raises(ShapeError, match="48 heights for 49 places"):
        repeat_scan(on, x[1:])
    with pytest.raises(ShapeError, match="infinite"):
        repeat_scan(on, np.where(x == 20, np.inf, x))
