import pickle

import numpy as np
import pytest
from cases import grid
from hypothesis import given
from hypothesis import strategies as st

from probes import ReadError, Run


def test_touches_of_one_place_stay_together_in_order_of_first_touch():
    run = Run(x=[9, 0, 9, 5, 9], y=[1, 0, 1, 5, 1], z=[1.0, 2.0, 4.0, 7.0, 1.0])
    places = run.places
    assert places.x.tolist() == [9, 0, 5]
    assert places.z.tolist() == [2, 2, 7]
    assert places.touches.tolist() == [3, 1, 1]
    assert places.of_touch.tolist() == [0, 1, 0, 2, 0]


@given(st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3), st.integers(-9, 9)), min_size=1))
def test_places_hold_every_touch_once(touches):
    x, y, z = np.array(touches, dtype=float).T
    run = Run(x=x, y=y, z=z)
    places = run.places
    assert places.touches.sum() == len(run)
    assert (places.x[places.of_touch] == x).all()
    assert (places.y[places.of_touch] == y).all()
    assert (places.z * places.touches).sum() == pytest.approx(z.sum())
    assert len({*zip(x, y, strict=True)}) == len(places)


def test_grid_is_found_whatever_the_order():
    x, y = grid([20, 125, 330], [10, 40])
    order = np.random.default_rng(1).permutation(6)
    places = Run(x=x[order], y=y[order], z=np.arange(6.0)[order]).places
    assert places.grid is not None
    assert places.grid.x.tolist() == [20, 125, 330]
    assert places.grid.y.tolist() == [10, 40]
    assert places.grid.matrix(places.z).tolist() == [[0, 1, 2], [3, 4, 5]]


def test_grid_may_have_holes_but_not_be_mostly_holes():
    x, y = grid(range(4), range(4))
    some = np.arange(16) != 5
    places = Run(x=x[some], y=y[some], z=np.zeros(15)).places
    assert places.grid is not None
    assert np.isnan(places.grid.matrix(places.z)[1, 1])
    few = np.arange(16) % 5 == 0
    assert Run(x=x[few], y=y[few], z=np.zeros(few.sum())).places.grid is None


def test_scattered_places_are_no_grid():
    random = np.random.default_rng(2)
    assert (
        Run(x=random.uniform(0, 300, 50), y=random.uniform(0, 300, 50), z=[0] * 50).places.grid
        is None
    )


def test_a_run_cannot_be_changed():
    z = np.zeros(3)
    run = Run(x=[0, 1, 0], y=[0, 0, 1], z=z)
    z[0] = 5
    assert run.z[0] == 0
    with pytest.raises(ValueError, match="read-only"):
        run.z[0] = 1


def test_temperatures_may_be_one_or_one_per_touch():
    assert Run(x=[0, 1], y=[0, 0], z=[0, 0], bed=60).bed.tolist() == [60, 60]
    assert Run(x=[0, 1], y=[0, 0], z=[0, 0], bed=[60, 61]).bed.tolist() == [60, 61]


@pytest.mark.parametrize(
    ("fields", "message"),
    [
        ({"x": [], "y": [], "z": []}, "holds no readings"),
        ({"x": [0, 1], "y": [0], "z": [0, 1]}, "1 values of y for 2 of z"),
        ({"x": [0, 1], "y": [0, 0], "z": [0, np.nan]}, "z of touch 2 is nan"),
        ({"x": [0, np.inf], "y": [0, 0], "z": [0, 0]}, "x of touch 2 is inf"),
        ({"x": [0, 1], "y": [0, 0], "z": [0, 0], "bed": [1, 2, 3]}, "3 values of bed for 2"),
    ],
)
def test_what_is_no_run_is_refused(fields, message):
    with pytest.raises(ReadError, match=message):
        Run(**fields)


def test_pickles():
    run = pickle.loads(pickle.dumps(Run(x=[0, 1], y=[0, 0], z=[0, 1], plate="glass")))
    assert run.z.tolist() == [0, 1]
    assert run.plate == "glass"
