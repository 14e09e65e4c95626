import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from mesh.polish import median_polish


@given(st.integers(0, 2**32 - 1), st.integers(0, 48), st.floats(-1e3, 1e3))
def test_median_polish_ignores_one_outlier(seed, spot, size):
    # on a table that is additive, one bad value of any size moves neither columns nor rows
    columns, rows = np.random.default_rng(seed).normal(0, 1, (2, 7))
    table = 3 + columns + rows[:, None]
    table.flat[spot] += size
    level, found_columns, found_rows, rest = median_polish(table)
    assert found_columns == pytest.approx(columns - columns.mean(), abs=1e-9)
    assert found_rows == pytest.approx(rows - rows.mean(), abs=1e-9)
    assert level == pytest.approx(3 + columns.mean() + rows.mean(), abs=1e-9)
    assert rest.flat[spot] == pytest.approx(size, abs=1e-9)


@given(st.integers(0, 2**32 - 1), st.integers(2, 9), st.integers(2, 9))
def test_median_polish_leaves_no_median(seed, columns, rows):
    random = np.random.default_rng(seed)
    table = random.normal(0, 1, (rows, columns))
    level, by_column, by_row, rest = median_polish(table)
    assert np.median(rest, axis=0) == pytest.approx(np.zeros(columns), abs=1e-9)
    assert np.median(rest, axis=1) == pytest.approx(np.zeros(rows), abs=1e-9)
    assert level + by_column + by_row[:, None] + rest == pytest.approx(table)


def test_two_rounds_by_hand():
    # by hand: rows give up 2, 4, 9; columns then -1, 0, 1; one more round finds nothing
    table = np.array([[1.0, 2, 3], [3, 4, 5], [8, 9, 70]])
    level, columns, rows, rest = median_polish(table)
    assert level == pytest.approx(5)
    assert columns.tolist() == [-1, 0, 1]
    assert rows.tolist() == [-3, -1, 4]
    assert rest.tolist() == [[0, 0, 0], [0, 0, 0], [0, 0, 60]]


def test_holes_are_left_out():
    table = np.add.outer(np.arange(4.0), 10 * np.arange(5.0))
    holed = table.copy()
    holed[1, 2] = holed[3, 0] = np.nan
    level, columns, rows, rest = median_polish(holed)
    assert (level, *columns, *rows) == pytest.approx(
        (table.mean(), *(10 * (np.arange(5) - 2)), *(np.arange(4) - 1.5))
    )
    assert np.isnan(rest[1, 2])
    assert np.nansum(np.abs(rest)) == pytest.approx(0, abs=1e-12)


def test_a_flat_table():
    level, columns, rows, rest = median_polish(np.zeros((3, 2)))
    assert level == 0
    assert not columns.any()
    assert not rows.any()
    assert not rest.any()
