from itertools import pairwise

import numpy as np
import pytest
from cases import grid
from hypothesis import given, settings
from hypothesis import strategies as st

from mesh import local as local_module
from mesh.local import local_flatness
from mesh.zone import minimum_zone
from probes import RequestError, Run, ShapeError


def places_of(x, y, z):
    return Run(x=x, y=y, z=z).places


def zone_width(x, y, z):
    """Width of the minimum zone; 0 where the places carry no plane."""
    try:
        return minimum_zone(x, y, z).width
    except ShapeError:
        return 0.0


def every_edge(values, size):
    """Edges of windows between which nothing changes: all events, and between them."""
    low, high = values.min(), values.max() - size
    events = np.unique([*values, *(values - size), low, high])
    edges = np.concatenate((events, [(a + b) / 2 for a, b in pairwise(events)]))
    return edges[(edges >= low) & (edges <= high)]


def held(values, edge, size):
    return (values >= edge - 1e-9) & (values <= edge + size + 1e-9)


def worst_by_brute_force(x, y, z, width, depth):
    """Widest zone over all positions, without anchors and without bounds."""
    widths = {}
    for left in every_edge(x, width):
        in_strip = held(x, left, width)
        for front in every_edge(y, depth):
            inside = in_strip & held(y, front, depth)
            if inside.sum() > 3 and inside.tobytes() not in widths:
                widths[inside.tobytes()] = zone_width(x[inside], y[inside], z[inside])
    return max(widths.values(), default=0.0)


def best_by_brute_force(x, y, z, width, depth):
    """Narrowest zone over windows that start at places, with a place in each quarter."""
    found = [np.inf]
    for left in {*x[x <= x.max() - width], x.max() - width}:
        strip = held(x, left, width)
        for front in {*y[strip & (y <= y.max() - depth)], y.max() - depth}:
            inside = strip & held(y, front, depth)
            right, back = x[inside] >= left + width / 2, y[inside] >= front + depth / 2
            if len({*zip(right, back, strict=True)}) == 4:
                found.append(zone_width(x[inside], y[inside], z[inside]))
    return min(found)


def random_case(random, kind):
    """Places on whole and half mm, so that the 0.05 mm at the edges decides nothing."""
    if kind == "scattered":
        spots = np.unique(random.integers(0, 120, (int(random.integers(6, 18)), 2)), axis=0)
        x, y = spots.T / 2
    else:
        columns, rows = random.integers(3, 8, 2)
        xs, ys = 10.0 * np.arange(columns), 7.5 * np.arange(rows)
        if kind == "uneven":
            xs, ys = (np.sort(random.permutation(60)[:n]) * 1.0 for n in (columns, rows))
        x, y = grid(xs + 20, ys - 5)
    if kind == "holes":
        keep = random.random(len(x)) > 0.2
        keep[[0, -1]] = True
        x, y = x[keep], y[keep]
    z = 0.05 * random.normal() * (x / 30 - 1) ** 2 + 0.03 * random.normal() * x * y / 900
    z = z + random.choice((0.0, 0.01)) * x + random.normal(0, 10 ** random.uniform(-4, -1), len(x))
    if random.random() < 0.4 or kind == "rounded":
        z = np.round(z / 0.02) * 0.02
    # half of the parts end on places
    width, depth = (
        float(np.clip(np.round(random.uniform(0.2, 1.0) * np.ptp(v)), 1, np.ptp(v))) for v in (x, y)
    )
    if random.random() < 0.5:
        width = float(random.choice(np.unique(x)[1:])) - x.min()
    return x, y, z, width, depth


KINDS = ("regular", "uneven", "holes", "scattered", "rounded")


@pytest.mark.parametrize("kind", KINDS)
def test_equals_brute_force_over_all_positions(kind):
    random = np.random.default_rng([7, KINDS.index(kind)])
    for _ in range(60):
        x, y, z, width, depth = random_case(random, kind)
        worst = worst_by_brute_force(x, y, z, width, depth)
        best = best_by_brute_force(x, y, z, width, depth)
        height_range = float(np.ptp(z)) or 1.0
        if best == np.inf:
            with pytest.raises(RequestError, match="nowhere has a place in each of its quarters"):
                local_flatness(places_of(x, y, z), width, depth)
            continue
        found = local_flatness(places_of(x, y, z), width, depth)
        assert found.worst.zone.width == pytest.approx(worst, abs=2e-9 * height_range)
        assert found.best.zone.width == pytest.approx(best, abs=2e-9 * height_range)
        assert not found.stepped
        for window in (found.worst, found.best):
            inside = held(x, window.left, width) & held(y, window.front, depth)
            assert window.places.tolist() == np.flatnonzero(inside).tolist()
            assert window.left >= x.min()
            assert window.left + width <= x.max() + 1e-9
            assert window.front >= y.min()
            assert window.front + depth <= y.max() + 1e-9


def test_a_window_in_the_middle_of_a_larger_grid_equals_brute_force():
    # 24 x 24 places and 18 x 18 windows of 49: enough for the coarse look and for the bounds
    x, y = grid(np.arange(24.0), np.arange(24.0))
    random = np.random.default_rng(3)
    for bow in (0.0, 0.3):
        z = bow * ((x / 12 - 1) ** 2 + (y / 12 - 1) ** 2) + random.normal(0, 0.01, len(x))
        widths = [
            zone_width(x[inside], y[inside], z[inside])
            for left in range(18)
            for front in range(18)
            if (inside := held(x, left, 6) & held(y, front, 6)).sum() == 49
        ]
        found = local_flatness(places_of(x, y, z), 6, 6)
        assert found.positions == len(widths) == 324
        assert found.worst.zone.width == pytest.approx(max(widths), abs=1e-11)
        assert found.best.zone.width == pytest.approx(min(widths), abs=1e-11)
        assert found.solved < 110


@settings(max_examples=40)
@given(st.integers(0, 10**6), st.integers(2, 5), st.integers(2, 5))
def test_a_larger_part_is_no_flatter_at_its_worst(seed, columns, rows):
    x, y = grid(np.arange(7) * 10, np.arange(7) * 10)
    z = np.random.default_rng(seed).normal(0, 0.02, 49)
    places = places_of(x, y, z)
    small = local_flatness(places, 10 * columns, 10 * rows)
    large = local_flatness(places, 10 * columns + 10, 10 * rows)
    assert large.worst.zone.width >= small.worst.zone.width - 1e-12
    assert large.best.zone.width >= small.best.zone.width - 1e-12
    assert small.best.zone.width <= small.worst.zone.width


@settings(max_examples=40)
@given(st.integers(0, 10**6), st.integers(4, 12))
def test_the_widest_of_four_places_is_the_zone_of_all(seed, n):
    # the dual of the zone's linear program has four places in its basis
    random = np.random.default_rng(seed)
    points = np.array((*random.integers(0, 6, (2, n)), random.integers(-3, 4, n)), dtype=float)
    width, four = local_module._widest_four(points)
    assert width == pytest.approx(zone_width(*points), abs=1e-12)
    assert zone_width(*points[:, four]) == pytest.approx(width, abs=1e-12)


def test_places_in_line_but_for_rounding_tell_no_width():
    random = np.random.default_rng(11)
    along = np.sort(random.uniform(0, 300, 12))
    points = np.array((0.1 * along, 0.3 * along, random.normal(0, 0.02, 12)))
    assert np.abs(points[1] / points[0] - 3).max() > 0
    assert local_module._widest_four(points)[0] == 0


def test_the_whole_bed_as_a_part():
    x, y = grid(np.linspace(20, 330, 7), np.linspace(20, 330, 7))
    z = np.random.default_rng(1).normal(0, 0.02, 49)
    found = local_flatness(places_of(x, y, z), 310, 310)
    assert found.positions == 1
    whole = minimum_zone(x, y, z)
    assert found.worst.zone.width == found.best.zone.width == whole.width
    assert len(found.best.places) == 49


def test_a_plane_is_flat_everywhere():
    x, y = grid(np.linspace(20, 330, 9), np.linspace(20, 330, 9))
    found = local_flatness(places_of(x, y, 0.01 * x - 0.003 * y + 2), 100, 100)
    assert found.worst.zone.width == 0
    assert found.best.zone.width == 0
    assert found.worst.zone.slope_x == pytest.approx(0.01)


def test_a_bowl_is_the_same_everywhere():
    # places c r^2 over a window: midway planes are at its mean slope, so 2 c (half side)^2
    x, y = grid(np.arange(0, 310, 10), np.arange(0, 310, 10))
    found = local_flatness(places_of(x, y, 1e-6 * (x**2 + y**2)), 100, 100)
    assert found.worst.zone.width == pytest.approx(1e-6 * 2 * 50**2)
    assert found.best.zone.width == pytest.approx(1e-6 * 2 * 50**2)


def test_a_bump_is_found_and_avoided():
    x, y = grid(np.arange(0, 310, 10), np.arange(0, 310, 10))
    z = np.random.default_rng(4).normal(0, 1e-3, len(x))
    z += 0.1 * np.exp(-((x - 240) ** 2 + (y - 60) ** 2) / (2 * 15**2))
    found = local_flatness(places_of(x, y, z), 80, 60)
    assert found.worst.left < 240 < found.worst.left + 80
    assert found.worst.front < 60 < found.worst.front + 60
    assert found.worst.zone.width > 0.08
    # three widths of the bump off, nothing is left of it
    assert max(found.best.left - 240, 240 - found.best.left - 80,
               found.best.front - 60, 60 - found.best.front - 60) > 30  # fmt: skip
    assert found.best.zone.width < 8e-3


def test_a_spike_reads_by_hand():
    # every 3 x 3 window of this 5 x 5 grid holds the spike
    x, y = grid([0, 10, 20, 30, 40], [0, 10, 20, 30, 40])
    found = local_flatness(places_of(x, y, 0.1 * ((x == 20) & (y == 20))), 20, 20)
    assert found.positions == 9
    # between two flat places of its row it stands out in full
    assert found.worst.zone.width == pytest.approx(0.1)
    # at a window's corner, planes may tilt towards it: over the spot a quarter of the diagonal in,
    # midway between its two neighbours, 3/4 of it is left when it is mixed with the far corner
    assert found.best.zone.width == pytest.approx(0.075)
    assert {found.best.left, found.best.front} <= {0, 20}


@pytest.mark.parametrize("part", [103.333, 103.33, 103.334, 2 * 310 / 6])
def test_places_on_the_edge_belong_to_the_window(part):
    # 20 to 330 in steps of 51.667: a part of two steps holds three places a side, however rounded
    lines = np.round(np.linspace(20, 330, 7), 3)
    x, y = grid(lines, lines)
    z = np.random.default_rng(2).normal(0, 0.02, 49)
    found = local_flatness(places_of(x, y, z), part, part)
    assert found.positions == 25
    assert len(found.worst.places) == len(found.best.places) == 9


def test_touches_beside_their_column_stand_on_it():
    # "common practice, no source": a machine repeats a position to some hundredths
    x, y = grid(np.arange(6) * 10, np.arange(6) * 10)
    random = np.random.default_rng(6)
    z = random.normal(0, 0.02, 36)
    exact = local_flatness(places_of(x, y, z), 20, 20)
    off_x, off_y = x + random.uniform(0, 0.02, 36), y + random.uniform(0, 0.02, 36)
    beside = local_flatness(places_of(off_x, off_y, z), 20, 20)
    assert beside.positions == exact.positions == 16
    assert beside.worst.places.tolist() == exact.worst.places.tolist()
    assert beside.worst.zone.width == pytest.approx(exact.worst.zone.width, rel=0.01)


def test_the_best_does_not_hide_in_a_hole():
    # a rough bed without its middle: windows over the hole with a quarter empty are no offer
    x, y = grid(np.arange(9) * 10, np.arange(9) * 10)
    keep = (abs(x - 40) > 15) | (abs(y - 40) > 15)
    x, y = x[keep], y[keep]
    z = np.random.default_rng(8).normal(0, 0.05, len(x))
    best = local_flatness(places_of(x, y, z), 30, 30).best
    right, back = x[best.places] >= best.left + 15, y[best.places] >= best.front + 15
    assert {*zip(right, back, strict=True)} == {(a, b) for a in (0, 1) for b in (0, 1)}


def test_contacts_count_within_the_window():
    x, y = grid(np.arange(6) * 10, np.arange(6) * 10)
    z = np.random.default_rng(9).normal(0, 0.02, 36)
    worst = local_flatness(places_of(x, y, z), 20, 20).worst
    above = z[worst.places] - worst.zone.height(x[worst.places], y[worst.places])
    assert above[worst.zone.upper] == pytest.approx(worst.zone.width / 2)
    assert above[worst.zone.lower] == pytest.approx(-worst.zone.width / 2)
    with pytest.raises(ValueError, match="read-only"):
        worst.places[0] = 1


def test_too_many_positions_are_stepped(monkeypatch):
    x, y = grid(np.arange(40.0), np.arange(40.0))
    z = np.random.default_rng(10).normal(0, 0.02, 1600)
    places = places_of(x, y, z)
    full = local_flatness(places, 9, 9)
    assert (full.positions, full.stepped) == (31 * 31, False)
    monkeypatch.setattr(local_module, "_MOST_WINDOWS", 100)
    some = local_flatness(places, 9, 9)
    assert some.stepped
    assert 60 <= some.positions <= 121
    assert some.worst.zone.width <= full.worst.zone.width
    assert some.best.zone.width >= full.best.zone.width
    monkeypatch.setattr(local_module, "_MOST_HELD", 2000.0)
    assert local_flatness(places, 9, 9).positions <= 36


def test_progress_rises_to_one():
    x, y = grid(np.arange(8) * 10, np.arange(8) * 10)
    shares = []
    local_flatness(places_of(x, y, 0 * x), 30, 30, progress=shares.append)
    assert shares == sorted(shares)
    assert shares[-1] == 1
    assert len(shares) == 5


@pytest.mark.parametrize("part", [(0, 10), (10, -1), (float("nan"), 10), (10, float("inf"))])
def test_a_part_without_size_is_refused(part):
    x, y = grid(np.arange(4) * 10, np.arange(4) * 10)
    with pytest.raises(RequestError, match="give both sides in mm, above zero"):
        local_flatness(places_of(x, y, 0 * x), *part)


def test_a_part_larger_than_the_rectangle_is_refused():
    x, y = grid(np.linspace(20, 330, 4), np.linspace(20, 230, 4))
    places = places_of(x, y, 0 * x)
    assert local_flatness(places, 310.04, 210.04).positions == 1
    with pytest.raises(RequestError, match=r"larger than the probed rectangle, 310 x 210 mm"):
        local_flatness(places, 310, 211)


def test_a_part_between_the_places_is_refused():
    x, y = grid(np.linspace(20, 330, 7), np.linspace(20, 330, 7))
    with pytest.raises(RequestError, match="50 x 120 mm nowhere has a place in each of its"):
        local_flatness(places_of(x, y, 0 * x), 50, 120)


def test_places_in_line_are_refused():
    with pytest.raises(ShapeError, match="on one line"):
        local_flatness(places_of([0, 1, 2, 3], [0, 1, 2, 3], [0, 0, 1, 0]), 1, 1)
