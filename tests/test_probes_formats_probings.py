"""Where one probing of a log ends and the next begins."""

import io

import pytest

from probes import read_run, read_runs

GRID = [(x, y) for y in (0, 50, 100) for x in (0, 60, 120, 180)]
OTHER = [(x, y) for y in (10, 60, 110) for x in (15, 75, 135, 195)]


def touches(spots, add=0.0, before=None):
    lines = []
    for k, (x, y) in enumerate(spots):
        if before:
            lines.append(before.format(k=k, row=y))
        lines.append(f"touch x={x} y={y} z={0.001 * x + 0.0003 * y + add + 0.0001 * (k % 3):.4f}")
    return lines


def sizes(lines, **options):
    return [len(run) for run in read_runs(io.StringIO("\n".join(lines)), **options)]


def with_returns(spots):
    return [spot for k in range(3) for spot in ((0, 0), *spots[4 * k : 4 * k + 4])] + [(0, 0)]


@pytest.mark.parametrize("before", [None, "moving to place {k}", "going on", "row at {row}"])
@pytest.mark.parametrize(
    "spots",
    [
        GRID,
        with_returns(GRID),
        GRID + GRID[::-1],
        [*GRID, GRID[0]],
        [*GRID, GRID[5]],
        [spot for spot in GRID for _ in range(3)],
    ],
    ids=["grid", "returns after rows", "forward and back", "closed", "one again", "three each"],
)
def test_one_probing_is_one_run(spots, before):
    assert sizes(touches(spots, before=before)) == [len(spots)]


@pytest.mark.parametrize("second", [GRID, GRID[::-1], OTHER, [*GRID, GRID[0]], GRID + GRID[::-1]])
@pytest.mark.parametrize("first", [GRID, GRID + GRID[::-1], with_returns(GRID)])
def test_marked_probings_are_parted_where_they_are_marked(first, second):
    log = ["begin", *touches(first), "done", "begin", *touches(second, 0.5), "done"]
    runs = read_runs(io.StringIO("\n".join(log)))
    assert len(runs[0]) == len(first)
    assert sum(map(len, runs)) == len(first) + len(second)
    assert runs[0].z.max() < 0.5 < runs[1].z.min() + 0.25
    assert (runs[1].z >= 0.5).all()


def test_a_probing_that_stopped_at_its_first_touch():
    log = ["begin", *touches(GRID[:1], 9), "stopped", "begin", *touches(GRID), "done"]
    assert sizes(log) == [1, 12]
    assert len(read_run(io.StringIO("\n".join(log)))) == 12


def test_unmarked_rounds_are_probings_but_not_for_repeats():
    log = touches(GRID) + touches(GRID, 0.01)
    assert sizes(log) == [12, 12]
    assert sizes(log, restarts=False) == [24]


def test_a_short_last_part_is_not_taken():
    log = ["begin", *touches(GRID), "done", "begin", *touches(GRID[:4]), "stopped"]
    assert len(read_run(io.StringIO("\n".join(log)))) == 12


def test_positions_that_jitter_are_one_place():
    text = "".join(
        f"touch x={x + 0.004 * (t - 1):.4f} y={y - 0.003 * t:.4f} z=0.{t}\n"
        for x, y in GRID for t in range(3)
    )  # fmt: skip
    run = read_run(io.StringIO(text))
    assert len(run.places) == 12
    assert run.places.grid is not None
    assert (run.places.touches == 3).all()
