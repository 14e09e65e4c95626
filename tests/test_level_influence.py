import msgspec
import numpy as np
import pytest
from cases import machine

from level.influence import find_influence, racking_limit

SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]


def test_racking_of_four_is_the_alternating_part():
    # theory A1: n = w (+, -, +, -) going round, w = (u1 - u2 + u3 - u4) / 4
    influence = find_influence(machine(SQUARE))
    u = np.array([0.05, -0.15, -0.09, 0.19])
    w = (u[0] - u[1] + u[2] - u[3]) / 4
    assert influence.racking(u) == pytest.approx(w * np.array([1, -1, 1, -1]), abs=1e-15)
    # T-A1: corner-to-zero has racking -.02, the plane correction none
    assert w == pytest.approx(-0.02)
    assert influence.racking([0.07, -0.17, -0.07, 0.17]) == pytest.approx(np.zeros(4), abs=1e-15)


def test_six_lifts_have_three_racking_modes():
    # theory A1: N = 6 (2 x 3): orthogonal to the plane, N - 3 dimensions
    spots = [(x, y) for y in (0, 300) for x in (0, 150, 300)]
    influence = find_influence(machine(spots))
    racking = np.array([influence.racking(unit) for unit in np.eye(6)])
    assert np.linalg.matrix_rank(racking, tol=1e-9) == 3
    for xy in (lambda x, y: x * y, lambda x, _: x**2 - 2 / 3, lambda x, y: (x**2 - 2 / 3) * y):
        mode = np.array([xy(x / 150 - 1, y / 150 - 1) for x, y in spots])
        assert influence.racking(mode) == pytest.approx(mode, abs=1e-12)


def test_three_lifts_act_by_barycentric_weights():
    influence = find_influence(machine([(0, 0), (300, 0), (150, 300)]))
    weights = np.linalg.inv(np.array([[1, 0, 0], [1, 300, 0], [1, 150, 300]]))
    spots = np.array([(0, 0), (150, 100), (-50, 400)])
    expected = np.column_stack((np.ones(3), spots)) @ weights
    assert influence.at(*spots.T) == pytest.approx(expected, abs=1e-12)
    assert not influence.can_rack


@pytest.mark.parametrize(
    ("spots", "directions"),
    [
        ([(9, 9)], 0),
        ([(0, 0), (0, 300)], 1),
        ([(0, 0), (100, 50), (200, 100), (400, 200)], 1),
        (SQUARE, 2),
    ],
)
def test_directions_that_lifts_can_tip(spots, directions):
    influence = find_influence(machine(spots))
    assert len(influence.directions) == directions
    assert influence.can_rack == (len(spots) > directions + 1)
    # rows sum to one: all lifts up by 1 raise everything by 1
    assert influence.at([0, 77], [5, -300]).sum(axis=1) == pytest.approx([1, 1])


def test_a_gantry_sees_the_bed_lower_where_it_rises():
    rises = [0.1, 0.0, 0.0, 0.1]
    bed = find_influence(machine(SQUARE)).change([0, 300], [150, 150], rises)
    gantry = find_influence(machine(SQUARE, carries="gantry")).change([0, 300], [150, 150], rises)
    assert bed == pytest.approx([0.1, 0.0], abs=1e-12)
    assert gantry == pytest.approx([-0.1, 0.0], abs=1e-12)


def test_a_twisting_carriage_follows_each_of_four_lifts():
    influence = find_influence(machine(SQUARE, joint="twisting"))
    assert influence.twisting
    assert influence.at(*np.array(SQUARE).T) == pytest.approx(np.eye(4), abs=1e-12)
    # bilinear in the middle
    assert influence.at([150], [150])[0] == pytest.approx([0.25] * 4)
    # racking is still what no plane explains: it bends what twists
    assert influence.racking([1, 0, 0, 0]) == pytest.approx(np.array([1, -1, 1, -1]) / 4)


def test_lifts_on_a_cross_cannot_twist():
    spots = [(0, 150), (300, 150), (150, 0), (150, 300)]
    assert not find_influence(machine(spots, joint="twisting")).twisting


def test_span():
    assert find_influence(machine(SQUARE)).span == pytest.approx(300 * np.sqrt(2))


def test_racking_modes_by_hand():
    # theory A1: four at the corners of a rectangle (+, -, +, -) going round; six in 2 x 3 have
    # three: xy, x^2 - 2/3 and (x^2 - 2/3) y
    four = find_influence(machine([(0, 0), (300, 0), (300, 200), (0, 200)])).racking_modes
    assert np.abs(four @ [0.5, -0.5, 0.5, -0.5]) == pytest.approx([1])
    spots = np.array([(x, y) for y in (-1, 1) for x in (-1, 0, 1)], dtype=float)
    six = find_influence(machine(150 + 150 * spots)).racking_modes
    assert six.shape == (3, 6)
    x, y = spots.T
    for shape in (x * y, x**2 - 2 / 3, (x**2 - 2 / 3) * y):
        assert np.linalg.norm(six @ shape) == pytest.approx(np.linalg.norm(shape))
    for count in (1, 2, 3):
        few = find_influence(machine(150 + 150 * spots[:: 6 // count][:count] * [1, 0.5]))
        assert few.racking_modes.shape[0] == len(few.positions) - 1 - len(few.directions)


@pytest.mark.parametrize(
    ("ratio", "lifts", "radius"),
    [(0.9, 4, 0.007), (0.8, 4, 0.032), (0.7, 4, 0.079), (0.6, 4, 0.155), (0.5, 4, 0.263),
     (0.4, 4, 0.407), (0.5, 3, 0.125)],
)  # fmt: skip
def test_chasing_corners_one_by_one_converges_so_slowly(ratio, lifts, radius):
    # theory T-B8: probing inboard by a ratio and turning corner after corner to zero is Gauss and
    # Seidel's method; a plan that solves all lifts together needs one round
    angle = 2 * np.pi * (np.arange(lifts) + 0.5) / lifts
    spots = 150 + 150 * np.column_stack((np.cos(angle), np.sin(angle)))
    if lifts == 4:  # row by row
        spots = spots[[2, 3, 1, 0]]
    inboard = 150 + ratio * (spots - 150)
    influence = find_influence(machine(spots, joint="twisting"))
    acts = influence.at(*inboard.T)
    lower = np.tril(acts)
    chase = -np.linalg.solve(lower, acts - lower)
    assert np.abs(np.linalg.eigvals(chase)).max() == pytest.approx(radius, abs=1e-3)


def test_racking_is_limited_by_half_of_what_makes_a_lift_slack():
    # theory T-A2: 80 N on four lifts of 1000 N/mm: slack at .02 mm
    frame = {"mass": 80 / 9.80665, "stiffness": 1000.0}
    spots = [(0, 0), (300, 0), (300, 300), (0, 300)]
    lifts = machine(spots)
    soft = msgspec.structs.replace(
        lifts, frame=msgspec.structs.replace(lifts.frame, **frame)
    )  # fmt: skip
    influence = find_influence(soft)
    assert racking_limit(lifts, influence) == pytest.approx(0.3e-3 * np.hypot(300, 300))
    assert racking_limit(soft, influence) == pytest.approx(0.01)
    three = machine(spots[:3])
    assert racking_limit(three, find_influence(three)) == pytest.approx(0.3e-3 * np.hypot(300, 300))
