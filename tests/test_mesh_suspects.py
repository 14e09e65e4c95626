import numpy as np
import pytest
from cases import grid

from mesh.modes import modes
from mesh.suspects import find_suspects
from probes import Run

X, Y = grid(np.linspace(0, 300, 7), np.linspace(0, 300, 7))
BOW = 0.1 * (X / 150 - 1) ** 2 + 0.03 * (X / 150 - 1) * (Y / 150 - 1) + 1e-3 * Y


def places(z, x=X, y=Y):
    return Run(x=x, y=y, z=z).places


def test_a_lone_bad_touch_is_found_on_a_bowed_bed():
    random = np.random.default_rng(1)
    z = BOW + random.normal(0, 0.003, 49)
    z[17] += 0.05
    found = find_suspects(places(z))
    assert [(s.x, s.y, s.alone) for s in found] == [(X[17], Y[17], True)]
    assert found[0].away == pytest.approx(0.05, abs=0.012)


def test_neighbours_that_stand_apart_together_are_shape_or_debris():
    random = np.random.default_rng(2)
    z = BOW + random.normal(0, 0.002, 49)
    z[[16, 17]] += 0.06
    found = find_suspects(places(z))
    assert {(s.x, s.y) for s in found} == {(X[k], Y[k]) for k in (16, 17)}
    assert not any(s.alone for s in found)


def test_quiet_beds_have_hardly_any():
    random = np.random.default_rng(3)
    counts = [len(find_suspects(places(BOW + random.normal(0, 0.003, 49)))) for _ in range(400)]
    # t(42) beyond 3.5 happens in 0.11 % of places, so in 5 % of maps of 49
    assert np.mean(np.array(counts) > 0) < 0.09


@pytest.mark.parametrize("side", [3, 5, 15, 31])
def test_false_alarms_are_few_whatever_the_number_of_places(side):
    random = np.random.default_rng(5)
    x, y = grid(range(side), range(side))
    maps = (places(random.normal(0, 0.003, side**2), x, y) for _ in range(200))
    assert np.mean([len(find_suspects(each)) > 0 for each in maps]) < 0.11


def test_scores_equal_leaving_each_place_out():
    random = np.random.default_rng(4)
    x, y = random.uniform(0, 300, (2, 20))
    z = random.normal(0, 0.01, 20)
    z[5] += 0.2
    found = {(s.x, s.y): s for s in find_suspects(places(z, x, y))}
    suspect = found[x[5], y[5]]
    others = np.arange(20) != 5
    u, v = (2 * a - a.min() - a.max() for a in (x, y))
    design = np.column_stack((np.ones(20), u, v, u * v, u * u, v * v))
    fit = np.linalg.lstsq(design[others], z[others], rcond=None)[0]
    assert suspect.away == pytest.approx(z[5] - design[5] @ fit, rel=1e-9)
    shape = modes(x[others], y[others], z[others])
    left = z[others] - design[others] @ fit
    sigma = np.sqrt(left @ left / shape.freedom)
    room = 1 + design[5] @ np.linalg.inv(design[others].T @ design[others]) @ design[5]
    assert suspect.score == pytest.approx(suspect.away / sigma / np.sqrt(room), rel=1e-9)


def test_corners_show_about_half_of_what_is_wrong():
    # G4: leverage of a full quadratic on 5 x 5: corner .474, mid-edge .234, centre .154
    x, y = grid(range(5), range(5))
    leverage = modes(x, y, np.zeros(25)).leverage
    assert [leverage[0], leverage[2], leverage[12]] == pytest.approx(
        [0.474, 0.234, 0.154], abs=6e-4
    )


def test_few_or_perfect_places_have_none():
    assert (
        find_suspects(places(np.zeros(4), np.array([0, 1, 0, 1.0]), np.array([0, 0, 1, 1.0]))) == ()
    )
    assert find_suspects(places(BOW)) == ()
