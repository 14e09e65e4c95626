import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from level.springs import carried_loads, slack_racking
from probes.errors import MachineError

SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]


@pytest.mark.parametrize(("stiffness", "racking"), [(50, 0.400), (300, 0.067), (1000, 0.020)])
def test_slack_onset(stiffness, racking):
    # theory T-A2: 80 N on four lifts
    assert slack_racking(80, stiffness, 4) == pytest.approx(racking, abs=5e-4)


@pytest.mark.parametrize(
    ("w", "loads"),
    [(0.0, [20, 20, 20, 20]), (0.01, [30, 10, 30, 10]), (0.02, [40, 0, 40, 0]),
     (0.03, [40, 0, 40, 0]), (-0.03, [0, 40, 0, 40])],
)  # fmt: skip
def test_loads_of_a_racked_square(w, loads):
    # theory T-A2: after slack, more turns change nothing
    found = carried_loads(SQUARE, [w, -w, w, -w], weight=80, stiffness=1000)
    assert found.loads == pytest.approx(loads, abs=1e-6)
    assert found.slack == tuple(k for k, load in enumerate(loads) if load == 0)


@pytest.mark.parametrize("d", [0.05, 0.080, 0.2])
def test_one_corner_alone(d):
    # theory A4: one corner out of plane by d racks by d / 4, and is slack from W / k on
    found = carried_loads(SQUARE, [-d, 0, 0, 0], weight=80, stiffness=1000)
    assert (0 in found.slack) == (d >= 0.080)
    assert found.loads.sum() == pytest.approx(80)


@given(st.integers(0, 10**6), st.integers(3, 8))
def test_forces_balance_and_only_push(seed, lifts):
    random = np.random.default_rng(seed)
    angle = 2 * np.pi * np.arange(lifts) / lifts
    spots = 150 + 150 * np.column_stack((np.cos(angle), np.sin(angle)))
    heights = random.normal(0, 0.05, lifts)
    found = carried_loads(spots, heights, weight=60, stiffness=400)
    assert found.loads.min() >= 0
    assert found.loads.sum() == pytest.approx(60, rel=1e-6)
    assert found.loads @ (spots - spots.mean(axis=0)) == pytest.approx([0, 0], abs=1e-3)
    # the carriage stands on those that push and over those that do not
    ways = np.column_stack((np.ones(lifts), spots))
    carrying = found.loads > 0
    assert carrying.sum() >= 2
    tops = heights - found.loads / 400
    pose = np.linalg.lstsq(ways[carrying], tops[carrying], rcond=None)[0]
    assert ways[carrying] @ pose == pytest.approx(tops[carrying], abs=1e-9)
    if np.linalg.matrix_rank(ways[carrying], tol=1e-6) == 3:
        assert (ways @ pose >= heights - 1e-8)[~carrying].all()


def test_a_weight_outside_the_lifts_falls():
    with pytest.raises(MachineError, match="outside the lifts"):
        carried_loads(SQUARE, [0, 0, 0, 0], weight=80, stiffness=500, centre=(900, 150))
