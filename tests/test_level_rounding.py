from itertools import product

import numpy as np
import pytest
from cases import grid, machine
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from level import program as program_module
from level import rounding as rounding_module
from level.influence import find_influence
from level.rounding import Wishes, common_offset, round_for_bed
from level.simulator import BedShape, SimulatedMachine
from probes import MachineError, RequestError, ShapeError

EQUAL = 1e-4
"""Zones that differ by less, mm, are equal to the search."""

X, Y = grid(np.linspace(30, 270, 5), np.linspace(30, 270, 5))
TRIANGLE = np.array([(0, 0), (300, 0), (150, 300)], dtype=float)
EIGHTH = 0.0625  # 1/8 turn of an M3 screw's 0.5 mm
TWIST_ROW = [[1, -1, 1, -1]]


def barycentric(x, y, corners=TRIANGLE):
    """Influence of three lifts: the plane through them."""
    planes = np.column_stack((np.ones(3), corners))
    return np.column_stack((np.ones(len(x)), x, y)) @ np.linalg.inv(planes)


def bilinear(x, y, low=-20, high=320):
    """Influence of four lifts at the corners of a square, going round from the left front."""
    u, v = (x - low) / (high - low), (y - low) / (high - low)
    return np.column_stack(((1 - u) * (1 - v), u * (1 - v), u * v, (1 - u) * v))


def bowed():
    """Heights of T-C3: tilted, bowed and twisted."""
    xi, eta = (X - 150) / 120, (Y - 150) / 120
    return 0.00062 * X - 0.00041 * Y + 0.08 * (xi**2 - 0.5) + 0.03 * xi * eta


def zone_of(heights, influence, rises, height=None):
    after = heights + influence @ rises
    return np.ptp(after) if height is None else 2 * np.abs(after - height).max()


# screws alone


def test_worked_examples_of_the_common_offset():
    # T-C1
    best = common_offset([0, 1.45, 2.90, -1.30])
    assert best.counts.tolist() == [0, 2, 3, -1]
    assert (best.spread, best.naive) == pytest.approx((0.55, 0.75))
    three = common_offset([0, 0.45, -0.45])
    assert (three.spread, three.naive) == pytest.approx((0.55, 0.90))
    # the offset is the middle of the errors, and rounding from there gives the counts
    assert np.rint(np.array([0, 1.45, 2.90, -1.30]) + best.offset).tolist() == [0, 2, 3, -1]


@pytest.mark.parametrize("lifts", [3, 4, 5])
def test_average_gap_is_that_of_random_points_on_a_circle(lifts):
    # the largest of N random gaps is H_N / N on average (order statistics, from memory): .389, .479
    # and .543 are left, as T-C1 has it. With the first screw fixed, N - 1 errors uniform on
    # +- 1/2 and a zero have the range 1 - 2 (1 - 2**-N) / N: .417, .531 and .613.
    steps = np.random.default_rng(lifts).uniform(-3, 3, (4000, lifts))
    steps[:, 0] = 0
    found = [common_offset(row) for row in steps]
    harmonic = sum(1 / k for k in range(1, lifts + 1))
    assert np.mean([one.spread for one in found]) == pytest.approx(1 - harmonic / lifts, abs=0.01)
    plain = 1 - 2 * (1 - 0.5**lifts) / lifts
    assert np.mean([one.naive for one in found]) == pytest.approx(plain, abs=0.01)


def spread_by_milp(steps):
    """Smallest range of the errors by SciPy's HiGHS: whole counts, lowest and highest error."""
    n = len(steps)
    ones, zeros, unit = np.ones((n, 1)), np.zeros((n, 1)), np.eye(n)
    never = np.full(n, np.inf)
    result = milp(
        [*np.zeros(n), -1, 1],
        integrality=[*np.ones(n), 0, 0],
        bounds=Bounds([*np.floor(steps - 3), -9, -9], [*np.ceil(steps + 3), 9, 9]),
        constraints=LinearConstraint(
            np.block([[unit, -ones, zeros], [unit, zeros, -ones]]),
            np.concatenate((steps, -never)),
            np.concatenate((never, steps)),
        ),
        options={"mip_rel_gap": 0},
    )
    assert result.status == 0
    return result.fun


def test_circular_gap_equals_the_integer_program():
    random = np.random.default_rng(0)
    for case in range(200):
        steps = random.uniform(-5, 5, int(random.integers(1, 7)))
        if case % 4 == 0:
            steps = np.round(10 * steps) / 10  # fractions that are equal but for rounding
        assert common_offset(steps).spread == pytest.approx(spread_by_milp(steps), abs=2e-6)


def test_unequal_detents_equal_plain_enumeration():
    random = np.random.default_rng(1)
    for _ in range(60):
        detents = random.choice((0.05, 0.07, 0.1, 0.125), int(random.integers(2, 4)))
        steps = random.uniform(-3, 3, len(detents))
        best = common_offset(steps, detents=detents)
        around = [
            np.arange(np.floor(t - 2 * max(detents) / q), np.ceil(t + 2 * max(detents) / q) + 1)
            for t, q in zip(steps, detents, strict=True)
        ]
        errors = np.array(list(product(*around))) * detents - steps * detents
        offsets = (errors.max(axis=1) + errors.min(axis=1)) / 2
        least = np.ptp(errors, axis=1)[np.abs(offsets) <= max(detents)].min()
        assert best.spread == pytest.approx(least, abs=1e-9)
        assert np.ptp(best.counts * detents - steps * detents) == pytest.approx(best.spread)


@given(st.lists(st.floats(-1e4, 1e4), min_size=1, max_size=7))
def test_common_offset_holds_its_bounds(steps):
    best, n = common_offset(steps), len(steps)
    errors = best.counts - np.array(steps)
    assert np.ptp(errors) == pytest.approx(best.spread, abs=1e-8)
    assert (errors.max() + errors.min()) / 2 == pytest.approx(best.offset, abs=1e-8)
    assert best.spread <= min(best.naive, 1 - 1 / n) + 1e-8
    assert abs(best.offset) <= 0.5 + 1e-8
    # the order of the lifts does not matter, nor what unit the detents are in
    assert common_offset(steps[::-1]).spread == pytest.approx(best.spread, abs=1e-8)
    in_mm = common_offset(steps, detents=[EIGHTH] * n)
    assert in_mm.spread == pytest.approx(best.spread * EIGHTH, abs=1e-8)


# the bed


def test_worked_example_of_three_screws():
    # T-C2: real steps 0, 3.504, -2.520; naive (0, 4, -3) leaves .0612, the optimum (0, 3, -3) .0366
    heights = -0.00073 * X + 0.00089 * Y
    real = np.array([0, 3.504, -2.520]) * EIGHTH
    best = round_for_bed(heights, barycentric(X, Y), EIGHTH, rises=real)
    assert best.counts.tolist() == [0, 3, -3]
    assert best.rises.tolist() == [0, 0.1875, -0.1875]
    assert (best.zone, best.naive) == pytest.approx((0.0366, 0.0612), abs=5e-5)
    assert best.floor == pytest.approx(0, abs=1e-9)
    assert best.proven


@pytest.mark.parametrize(
    ("racked", "counts", "zone"),
    [
        (0, [0, -3, -1, 2], 0.1182),
        (2, [0, -2, -1, 3], 0.1027),
        (np.inf, [0, -2, -1, 4], 0.0957),
    ],
)
def test_worked_example_of_four_screws_with_a_racking_limit(racked, counts, zone):
    # T-C3: |k1 - k2 + k3 - k4| <= 0, 2 or anything
    wishes = Wishes(locked=(0,), racking=TWIST_ROW, racking_limit=racked * EIGHTH)
    best = round_for_bed(bowed(), bilinear(X, Y), EIGHTH, wishes=wishes)
    assert best.counts.tolist() == counts
    assert best.zone == pytest.approx(zone, abs=5e-5)
    assert best.proven


def test_the_shape_sets_the_floor():
    # lifts of a carriage that twists take out the tilt and the twist of T-C3; its bow, .08, stays
    best = round_for_bed(bowed(), bilinear(X, Y), EIGHTH)
    assert best.floor == pytest.approx(0.08)
    assert best.gain_of_finer == pytest.approx(0.0957 - 0.08, abs=5e-5)
    microsteps = round_for_bed(bowed(), bilinear(X, Y), 8 / 3200)
    assert microsteps.gain_of_finer < 0.001


WAYS = {"either": (-9, 9), "raise-only": (0, 9), "lower-only": (-9, 0)}


def random_case(random, lifts):
    """Heights, influence, detents and wishes within three coarse detents of travel."""
    places = int(random.integers(1, 30))
    influence = random.normal(0, 1, (places, lifts))
    if random.random() < 0.7:  # a carriage on lifts at random spots
        spots = np.column_stack((np.ones(lifts), random.uniform(-1, 1, (lifts, 2))))[:, :lifts]
        at = np.column_stack((np.ones(places), random.uniform(-1, 1, (places, 2))))[:, :lifts]
        influence = at @ np.linalg.pinv(spots)
    heights = random.normal(0, random.choice((0.02, 0.1, 0.3)), places)
    if random.random() < 0.3:
        heights = np.round(heights / 0.05) * 0.05
    detents = np.full(lifts, 0.1)
    if random.random() < 0.4:
        detents = random.choice((0.1, 0.15, 0.07, 0.2), lifts)
    wishes = {"lowest": -0.31, "highest": np.full(lifts, 0.31)}
    if random.random() < 0.2:
        wishes["lowest"] = random.uniform(-0.31, 0.1, lifts)
    if random.random() < 0.3:
        wishes["direction"] = str(random.choice(list(WAYS)))
    if random.random() < 0.3:
        chosen = random.choice(lifts, int(random.integers(0, lifts)), replace=False)
        wishes["locked"] = tuple(int(lift) for lift in chosen)
    if random.random() < 0.3 and lifts > 1:
        chosen = random.choice(lifts, 2, replace=False)
        wishes["together"] = (tuple(int(lift) for lift in chosen),)
    if random.random() < 0.5:
        rows = random.choice((-0.5, 0, 0.5), (int(random.integers(1, 3)), lifts))
        wishes |= {
            "racking": rows,
            "racking_limit": float(random.choice((0, 0.1, 0.2))),
            "racking_present": random.choice((0, 0.05, -0.2), len(rows)),
        }
    if random.random() < 0.2:
        wishes["height"] = float(random.normal(0, 0.1))
    return heights, influence, detents, wishes


def by_enumeration(heights, influence, detents, wishes):
    """All rises that keep to the wishes, and the zones that they leave."""
    most = [int(0.31 / detent + 1e-9) for detent in detents]
    rises = np.array(list(product(*(range(-m, m + 1) for m in most)))) * detents
    low, high = WAYS[wishes.get("direction", "either")]
    kept = ((rises >= low) & (rises <= high)).all(axis=1)
    kept &= (rises >= np.asarray(wishes["lowest"]) - 1e-9).all(axis=1)
    for lift in wishes.get("locked", ()):
        kept &= rises[:, lift] == 0
    for one, other in wishes.get("together", ()):
        kept &= np.abs(rises[:, one] - rises[:, other]) < 1e-9
    if "racking" in wishes:
        racked = rises @ wishes["racking"].T + wishes["racking_present"]
        kept &= (np.abs(racked) <= wishes["racking_limit"] + 1e-9).all(axis=1)
    rises = rises[kept]
    after = heights + rises @ influence.T
    if "height" in wishes:
        return rises, 2 * np.abs(after - wishes["height"]).max(axis=1)
    return rises, np.ptp(after, axis=1)


@pytest.mark.parametrize("at_once", [64, 0], ids=["all places", "few places first"])
@pytest.mark.parametrize("lifts", [1, 2, 3, 4])
def test_search_equals_plain_enumeration(lifts, at_once, monkeypatch):
    monkeypatch.setattr(program_module, "_ALL_AT_ONCE", at_once)
    random = np.random.default_rng(lifts)
    solved = 0
    for _ in range(100):
        heights, influence, detents, wishes = random_case(random, lifts)
        rises, zones = by_enumeration(heights, influence, detents, wishes)
        if not len(rises):
            with pytest.raises(RequestError, match="no whole numbers of detents were found"):
                round_for_bed(heights, influence, detents, wishes=Wishes(**wishes))
            continue
        best = round_for_bed(heights, influence, detents, wishes=Wishes(**wishes))
        assert best.proven
        assert best.zone == pytest.approx(zones.min(), abs=EQUAL)
        assert best.zone == pytest.approx(
            zone_of(heights, influence, best.rises, wishes.get("height")), abs=1e-12
        )
        assert best.rises == pytest.approx(best.counts * detents, abs=1e-12)
        # among plans no worse: the least motion, then the least farthest rise
        equal = np.abs(rises[zones <= best.zone + 1e-9])
        least = equal.sum(axis=1).min()
        assert np.abs(best.rises).sum() == pytest.approx(least, abs=1e-9)
        farthest = equal[equal.sum(axis=1) <= least + 1e-9].max(axis=1).min()
        assert np.abs(best.rises).max() == pytest.approx(farthest, abs=1e-9)
        solved += 1
    assert solved > 50


def test_lifts_that_move_together_by_unequal_detents():
    # detents of 0.04 and 0.06 mm meet every 0.12 mm: 0.33 down is made as 0.36
    together = Wishes(together=((0, 1),), locked=(2,))
    influence = np.array([[0.5, 0.5, 0], [0, 0, 1]])
    best = round_for_bed([0, -0.33], influence, [0.04, 0.06, 0.1], wishes=together)
    assert best.counts.tolist() == [-9, -6, 0]
    assert best.zone == pytest.approx(0.03)
    assert best.naive is None  # -8 and -6 detents, or -5, would not go together
    odd = Wishes(together=((0, 1, 2),))
    with pytest.raises(MachineError, match=r"lifts 1, 2, 3 move together, .* 0.04, 0.0314159, 0.1"):
        round_for_bed([0, 0], influence, [0.04, np.pi / 100, 0.1], wishes=odd)


def floor_by_linprog(heights, influence, wishes):
    """Zone of moves of any amount, by SciPy's linear program."""
    n, lifts = influence.shape
    height = wishes.get("height")
    ones = np.ones((n, 1))
    about = heights - (height or 0.0)
    table = [np.hstack((influence, ones, -ones)), np.hstack((-influence, -ones, -ones))]
    right = [-about, about]
    if "racking" in wishes:
        rows = np.pad(wishes["racking"], ((0, 0), (0, 2)))
        table += [rows, -rows]
        right += [wishes["racking_limit"] - wishes["racking_present"],
                  wishes["racking_limit"] + wishes["racking_present"]]  # fmt: skip
    way = WAYS[wishes.get("direction", "either")]
    low = np.maximum(np.broadcast_to(wishes["lowest"], lifts), way[0])
    high = np.minimum(wishes["highest"], way[1])
    for lift in wishes.get("locked", ()):
        low[lift], high[lift] = max(low[lift], 0), min(high[lift], 0)
    equal = np.zeros((len(wishes.get("together", ())), lifts + 2))
    for row, (one, other) in zip(equal, wishes.get("together", ()), strict=True):
        row[one], row[other] = 1, -1
    if (low > high).any():
        return None
    result = linprog(
        [*np.zeros(lifts + 1), 1],
        A_ub=np.vstack(table), b_ub=np.concatenate(right),
        A_eq=equal if len(equal) else None, b_eq=np.zeros(len(equal)) if len(equal) else None,
        bounds=[*zip(low, high, strict=True), (None, None) if height is None else (0, 0),
                (0, None)],
    )  # fmt: skip
    return 2 * result.fun if result.status == 0 else None


def test_floor_equals_a_linear_program():
    random = np.random.default_rng(7)
    compared = 0
    for _ in range(150):
        heights, influence, detents, wishes = random_case(random, int(random.integers(1, 6)))
        try:
            best = round_for_bed(heights, influence, detents, wishes=Wishes(**wishes))
        except RequestError:
            continue
        floor = floor_by_linprog(heights, influence, wishes)
        assert floor is not None
        assert best.floor == pytest.approx(floor, abs=1e-8)
        compared += 1
    assert compared > 75


seeds = st.integers(0, 2**32 - 1)


@given(seeds, st.integers(1, 5))
def test_never_worse_than_plain_rounding_never_better_than_the_floor(seed, lifts):
    heights, influence, detents, wishes = random_case(np.random.default_rng(seed), lifts)
    try:
        best = round_for_bed(heights, influence, detents, wishes=Wishes(**wishes))
    except RequestError:
        assume(False)
    assert best.floor <= best.zone
    if best.naive is not None:
        assert best.zone <= best.naive + 1e-8
    # halved detents can make every rise that whole ones can, so they never do worse
    finer = round_for_bed(heights, influence, detents / 2, wishes=Wishes(**wishes))
    assert best.floor - 1e-9 <= finer.zone <= best.zone + EQUAL
    assert finer.zone >= best.zone - best.gain_of_finer - 1e-9


@given(seeds, st.integers(2, 4))
def test_another_wish_never_helps(seed, lifts):
    random = np.random.default_rng(seed)
    heights, influence, detents, wishes = random_case(random, lifts)
    try:
        tied = round_for_bed(heights, influence, detents, wishes=Wishes(**wishes)).zone
    except RequestError:
        assume(False)
    extra = [
        key for key in ("direction", "locked", "together", "racking", "height") if key in wishes
    ]
    for key in extra:
        fewer = {name: value for name, value in wishes.items() if name != key}
        free = round_for_bed(heights, influence, detents, wishes=Wishes(**fewer))
        assert free.zone <= tied + EQUAL
        assert free.floor <= tied


@given(seeds, st.sampled_from(["scattered", "grid", "equal heights"]))
def test_few_places_give_the_answer_of_all(seed, kind):
    random = np.random.default_rng(seed)
    if kind == "scattered":
        x, y = random.uniform(0, 300, (2, 300))
    else:
        x, y = grid(np.linspace(0, 300, 17), np.linspace(0, 300, 17))
    heights = random.normal(0, 3e-4) * x + 0.1 * random.normal() * (x / 150 - 1) ** 2
    heights = heights + random.normal(0, 0.01, len(x))
    if kind == "equal heights":
        heights = np.round(heights / 0.05) * 0.05
    influence, detent = bilinear(x, y), float(random.choice((0.0625, 0.02)))
    wishes = Wishes(racking=TWIST_ROW, racking_limit=4 * detent)
    few = round_for_bed(heights, influence, detent, wishes=wishes)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(program_module, "_ALL_AT_ONCE", len(x))
        whole = round_for_bed(heights, influence, detent, wishes=wishes)
    assert few.proven
    assert whole.proven
    assert few.zone == pytest.approx(whole.zone, abs=EQUAL)
    assert few.floor == pytest.approx(whole.floor, abs=1e-9)


def test_ninety_thousand_places():
    random = np.random.default_rng(3)
    x, y = grid(np.linspace(0, 300, 300), np.linspace(0, 300, 300))
    heights = 0.0005 * x - 0.0003 * y + 0.1 * np.sin(x / 90) + random.normal(0, 0.004, len(x))
    influence = bilinear(x, y)
    best = round_for_bed(heights, influence, EIGHTH)
    assert best.proven
    assert best.zone == pytest.approx(np.ptp(heights + influence @ best.rises), abs=1e-12)
    for change in product((-1, 0, 1), repeat=4):
        other = (best.counts + np.array(change)) * EIGHTH
        assert np.ptp(heights + influence @ other) >= best.zone - EQUAL


def test_ties_broken_by_order_lead_to_the_same(monkeypatch):
    # Bland's rule from the first exchange on, in place of the steepest one
    heights = np.round(bowed() / 0.05) * 0.05
    usual = round_for_bed(heights, bilinear(X, Y), EIGHTH)
    monkeypatch.setattr(program_module, "_PATIENCE", 0)
    patient = round_for_bed(heights, bilinear(X, Y), EIGHTH)
    assert patient.zone == pytest.approx(usual.zone, abs=EQUAL)
    assert patient.floor == pytest.approx(usual.floor, abs=1e-9)


@pytest.mark.parametrize("most", [1, 2, 4])
def test_a_search_that_is_ended_says_so(most, monkeypatch):
    wishes = Wishes(racking=TWIST_ROW, racking_limit=2 * EIGHTH, direction="raise-only")
    heights = bowed() + np.random.default_rng(2).normal(0, 0.02, 25)
    whole = round_for_bed(heights, bilinear(X, Y), EIGHTH, wishes=wishes)
    monkeypatch.setattr(rounding_module, "MOST_NODES", most)
    ended = round_for_bed(heights, bilinear(X, Y), EIGHTH, wishes=wishes)
    assert not ended.proven
    assert ended.naive is not None
    assert whole.zone - EQUAL <= ended.zone <= ended.naive


def test_equal_is_a_tenth_of_a_micrometre_but_never_worse_than_plain_rounding():
    # one lift under one of two places: no detent leaves .05002, one leaves .04998
    heights, influence = [0, -0.05002], [[0.0], [1.0]]
    one = round_for_bed(heights, influence, 0.1)
    assert one.counts.tolist() == [1]
    assert one.zone == one.naive == pytest.approx(0.04998)
    none = round_for_bed(heights, influence, 0.1, rises=[0.0])
    assert none.counts.tolist() == [0]
    assert none.proven


def test_a_wanted_height_is_kept_as_well_as_detents_let_it():
    # one lift, one place 0.13 too low: 1 detent of 0.1 leaves 0.03, 2 would leave 0.07
    one = round_for_bed([-0.13], [[1.0]], 0.1, wishes=Wishes(height=0.0))
    assert one.counts.tolist() == [1]
    assert one.zone == pytest.approx(2 * 0.03)
    assert round_for_bed([-0.13], [[1.0]], 0.1).counts.tolist() == [0]


@pytest.mark.parametrize("carries", ["bed", "gantry"])
def test_simulated_machine_shows_the_zone_that_was_promised(carries):
    spots = [(-20, -20), (320, -20), (320, 320), (-20, 320)]
    four = machine(spots, carries=carries)
    simulated = SimulatedMachine(four, BedShape((150, 150), (150, 150), fall_x=0.3, bowl_x=0.1))
    at = np.linspace(30, 270, 5)
    run, influence = simulated.probe(at, at), find_influence(four)
    matrix = influence.sign * influence.at(run.places.x, run.places.y)
    rows = np.column_stack([influence.racking(column) for column in np.eye(4)])
    wishes = Wishes(racking=rows, racking_limit=EIGHTH / 2)
    best = round_for_bed(run.places.z, matrix, EIGHTH, wishes=wishes)
    assert np.abs(influence.racking(best.rises)).max() <= EIGHTH / 2 * (1 + 1e-9)
    for lift, count in zip(four.lifts, best.counts, strict=True):
        if count:
            simulated.turn(lift.name, count / 8, lift.turning(float(count)))
    after = simulated.probe(at, at)
    assert np.ptp(after.places.z) == pytest.approx(best.zone, abs=1e-9)
    assert best.zone < np.ptp(run.places.z) - 0.1


def test_hair_fine_detents_are_rounded_at_once():
    best = round_for_bed(bowed(), bilinear(X, Y), 7e-10)
    assert best.gain_of_finer < EQUAL
    assert best.branches < 10


def test_what_cannot_be_met_is_said():
    heights, influence = bowed(), bilinear(X, Y)

    def refused(match, error=RequestError, **wishes):
        with pytest.raises(error, match=match):
            round_for_bed(heights, influence, EIGHTH, wishes=Wishes(**wishes))

    refused("give up the travel limits, or take finer detents$", lowest=0.1, highest=0.11)
    refused("give up the locked lifts or the travel limits$", locked=(0,), lowest=0.1)
    racked = {"racking": TWIST_ROW, "racking_limit": 0.01, "racking_present": 1.0}
    refused("give up raise-only or the locked lifts or the racking limit of 0.01 mm$",
            direction="raise-only", locked=(0, 1, 3), **racked)  # fmt: skip
    refused("give up the locked lifts or the racking limit of 0.01 mm", **racked,
            locked=(0, 1, 2, 3))  # fmt: skip
    refused("direction 'up': must be either, raise-only, lower-only", direction="up")
    refused("racking limit -1: must be zero or more", racking=TWIST_ROW, racking_limit=-1.0)
    refused("racking that is present must be a finite", **racked | {"racking_present": np.nan})
    refused("height nan: must be a finite number", height=np.nan)
    refused("there is no lift 4; they are counted from 0 to 3", locked=(4,))
    refused("named twice among those that move together", together=((0, 1), (1, 2)))
    refused("lowest travel limit must be a number", lowest=0.2, highest=0.1)
    refused("travel limits must be one for all", ShapeError, lowest=[0, 0])
    refused(r"racking rows of shape \(1, 3\)", ShapeError, racking=[[1, 1, 1]], racking_limit=0.1)
    with pytest.raises(ShapeError, match="25 heights and 24 rows of influence"):
        round_for_bed(heights, influence[1:], EIGHTH)
    with pytest.raises(ShapeError, match="4 lifts and 3 detents"):
        round_for_bed(heights, influence, [0.1] * 3)
    with pytest.raises(ShapeError, match="4 lifts and 3 rises"):
        round_for_bed(heights, influence, 0.1, rises=[0, 0, 0])
    with pytest.raises(ShapeError, match="heights hold a value that is not finite"):
        round_for_bed([np.nan], [[1.0]], 0.1)
    with pytest.raises(ShapeError, match=r"influence have the shape \(4,\)"):
        round_for_bed([0.0], [1.0, 1, 1, 1], 0.1)
    with pytest.raises(RequestError, match="a number of mm above zero"):
        common_offset([0.3], detents=[0])
