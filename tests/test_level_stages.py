import numpy as np
import pytest
from cases import machine
from hypothesis import given
from hypothesis import strategies as st

from level.influence import find_influence
from level.stages import find_stages, worst_racking
from probes import RequestError

SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]
NAMES = ["A", "B", "C", "D", "E", "F", "G", "H"]


def walk(influence, stages, steps):
    """Rises at the end, and the largest racking after any single move, by going through them."""
    rises, worst = np.zeros(len(steps)), 0.0
    for turn in (turn for stage in stages for turn in stage):
        for lift, count, beyond in zip(turn.lifts, turn.counts, turn.beyond, strict=True):
            rises[lift] += count * steps[lift] - beyond
        worst = max(worst, np.abs(influence.racking(rises)).max())
        for lift, beyond in zip(turn.lifts, turn.beyond, strict=True):
            rises[lift] += beyond
        worst = max(worst, np.abs(influence.racking(rises)).max())
    return rises, worst


def test_a_thousand_random_machines_stay_within_the_limit():
    random = np.random.default_rng(1)
    refused = 0
    for _ in range(1000):
        lifts = int(random.integers(1, 8))
        spots = random.uniform(-50, 400, (lifts, 2))
        influence = find_influence(machine(spots))
        steps = random.choice((0.0025, 0.01, 0.05), lifts)
        plane = spots @ random.normal(0, 1e-3, 2) + random.normal(0, 0.1)
        counts = np.rint(plane / steps).astype(int)
        limit = float(random.uniform(0.03, 0.15))
        backlash = random.choice((0.0, 0.01), lifts)
        try:
            stages = find_stages(influence, counts, steps, limit, names=NAMES, backlash=backlash)
        except RequestError:
            refused += 1
            continue
        rises, worst = walk(influence, stages, steps)
        assert worst <= limit * (1 + 1e-8)
        assert worst == pytest.approx(worst_racking(influence, stages, steps))
        assert rises == pytest.approx(counts * steps, abs=1e-12)
    assert refused <= 20


@given(
    st.lists(st.integers(-60, 60), min_size=4, max_size=4),
    st.sampled_from((0.02, 0.05, 0.2)),
)
def test_no_fewer_stages_would_do(parts, limit):
    influence = find_influence(machine(SQUARE))
    counts = np.array([parts[0], parts[1], parts[1] + parts[2] - parts[0], parts[2]])
    steps = np.full(4, 0.01)
    stages = find_stages(influence, counts, steps, limit, names=NAMES)
    assert walk(influence, stages, steps)[1] <= limit * (1 + 1e-8)
    # a plane cut in equal parts: one lift alone racks by a quarter of its part
    if len(stages) > 1:
        fewer = np.abs(counts).max() * 0.01 / (len(stages) - 1) / 4
        assert fewer > limit / 2 - 0.01


def test_turning_a_pair_at_once_racks_less():
    influence = find_influence(machine(SQUARE))
    counts, steps = np.array([0, 40, 40, 0]), np.full(4, 0.01)
    alone = find_stages(influence, counts, steps, 0.02, names=NAMES)
    both = find_stages(influence, counts, steps, 0.02, names=NAMES, together=[(1, 2)])
    assert len(alone) > 1
    assert len(both) == 1
    assert both[0][0].lifts == (1, 2)
    assert both[0][0].counts == (40, 40)


def test_lowering_ends_on_the_way_up():
    influence = find_influence(machine(SQUARE))
    counts, steps = np.array([-20, 20, 20, -20]), np.full(4, 0.01)
    stages = find_stages(influence, counts, steps, 0.03, names=NAMES, backlash=np.full(4, 0.02))
    beyond = {}
    for number, stage in enumerate(stages):
        for turn in stage:
            if turn.beyond[0]:
                assert turn.counts[0] < 0
                beyond[turn.lifts[0]] = (number, turn.beyond[0])
    # twice the backlash, once for each lift that is lowered, in the last stage
    assert beyond == {0: (len(stages) - 1, 0.04), 3: (len(stages) - 1, 0.04)}


def test_nothing_to_do_has_no_stages():
    influence = find_influence(machine(SQUARE))
    assert find_stages(influence, np.zeros(4, int), np.full(4, 0.1), 0.1, names=NAMES) == ()


def test_what_cannot_be_done_is_said():
    influence = find_influence(machine(SQUARE))
    level = np.array([0, 4, 4, 0])
    with pytest.raises(RequestError, match=r"one detent of B alone racks the frame by 0\.250 mm"):
        find_stages(influence, level, np.full(4, 1.0), 0.1, names=NAMES)
    with pytest.raises(RequestError, match=r"the plan itself racks the frame by 1\.000 mm"):
        find_stages(influence, np.array([1, -1, 1, -1]), np.full(4, 1.0), 0.1, names=NAMES)
    with pytest.raises(
        RequestError, match=r"even 200 stages would rack the frame by more than 0\.001 mm"
    ):
        find_stages(influence, level * 1000, np.full(4, 0.001), 0.001, names=NAMES)
