import io

import pytest

from probes import ReadError, ReadOptions, read_run


def read(text, **options):
    return read_run(io.StringIO(text), ReadOptions(**options))


@pytest.mark.parametrize(
    "text",
    [
        ",10,20,30\n5,1,2,3\n15,4,5,6\n",
        "y/x\t10\t20\t30\n5\t1\t2\t3\n15\t4\t5\t6\n",
        "   10 20 30\n 5  1  2  3\n15  4  5  6\n",
        ";10;20;30\n15;4,0;5,0;6,0\n5;1,0;2,0;3,0\n",
    ],
)
def test_coordinates_of_its_own(text):
    run = read(text)
    assert run.format == "matrix"
    found = sorted(zip(run.y, run.x, run.z, strict=True))
    assert found == [(5, 10, 1), (5, 20, 2), (5, 30, 3), (15, 10, 4), (15, 20, 5), (15, 30, 6)]
    assert run.warnings == ()


@pytest.mark.parametrize(
    ("options", "front"),
    [
        ({}, [1, 2, 3]),
        ({"rows": "front-first"}, [1, 2, 3]),
        ({"rows": "back-first"}, [4, 5, 6]),
        ({"y": (15.0, 5.0)}, [4, 5, 6]),
        ({"y": (15.0, 5.0), "rows": "front-first"}, [1, 2, 3]),
    ],
)
def test_bare_heights_lie_between_the_ends(options, front):
    run = read("1 2 3\n4 5 6\n", **{"x": (10.0, 30.0), "y": (5.0, 15.0)} | options)
    assert run.places.grid is not None
    assert run.places.grid.matrix(run.places.z)[0].tolist() == front
    assert run.places.grid.x.tolist() == [10, 20, 30]
    # which row is the front is said unless the user said it
    assert bool(run.warnings) == (options == {})


def test_holes():
    run = read("1 nan 3\n- 5 null\n", x=(0.0, 2.0), y=(0.0, 1.0))
    assert run.holes == 3
    assert run.z.tolist() == [1, 3, 5]
    assert read(",0,1\n0,1,\n1,,4\n").z.tolist() == [1, 4]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1 2 3 4\n5 6 7 8\n", "matrix of 2 rows and 4 columns without coordinates"),
        (",1,2\n0,1,2\n1,3\n", "line 3: row holds 1 heights where 2 are expected"),
        (",1,2\n0,1,2\nb,3,4\n", "line 3: 'b' stands where the y of the row belongs"),
        (",1,2\n0,1,2\n1,x,4\n", "line 3: 'x' in column 1 is not a height"),
        (",1,2\n0,1,inf\n1,3,4\n", "line 2: 'inf' in column 2 is not a height"),
        (",1,1\n0,1,2\n1,3,4\n", "two x coordinates of the matrix are the same"),
        (",1,2\n0,nan,nan\n1,nan,nan\n", "holds no readings"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text, message):
    with pytest.raises(ReadError, match=message):
        read(text)


def test_the_corner_may_name_the_unit():
    for corner in ("z [um]", "um", "(um)"):
        assert read(f"{corner};10;20\n5;100;200\n15;300;400\n").z[0] == pytest.approx(0.1)


def test_numbers_of_rows_and_columns_give_way_to_the_ends():
    text = "-,0,1,2\n0,.1,.2,.3\n1,.4,.5,.6\n2,.7,.8,.9\n"
    assert any("only count columns and rows" in warning for warning in read(text).warnings)
    run = read(text, x=(20.0, 220.0), y=(10.0, 110.0), rows="front-first")
    assert run.places.grid is not None
    assert run.places.grid.x.tolist() == [20, 120, 220]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("1 2 3\n4 5 6\n7 8 9\n\n1 2 3\n4 5 6\n7 8 9\n", "line 5: a second block of rows begins"),
        ("0,10,0,11\n0,12,0,13\n", "may be decimal commas too"),
        ("1 2 3 4\n1 2 3 4 5\n1 2 3 4 5\n", "line 2: row holds 5 heights where 4 are expected"),
    ],
)
def test_doubtful_matrices_are_refused(text, message):
    with pytest.raises(ReadError, match=message):
        read(text, x=(0.0, 9.0), y=(0.0, 9.0))
