import io

import pytest

from probes import ReadError, ReadOptions, read_run


def read(text, **options):
    return read_run(io.StringIO(text), ReadOptions(**options))


@pytest.mark.parametrize(
    "text",
    [
        "x,y,z\n10,20,0.5\n30,20,-1.5\n",
        "z;y;x\n0.5;20;10\n-1.5;20;30\n",
        "X\tY\tZ\n10\t20\t0.5\n30\t20\t-1.5\n",
        " x  y   z \n 10 20  0.5\n\n 30 20 -1.5\n",
        '"x","y","z","who"\n10,20,0.5,"me, too"\n30,20,-1.5,you\n',
        "x;y;z\n10;20;0,5\n30;20;-1,5\n",
        "x\ty\tz\n10,0\t20,0\t0,5\n30\t20\t-1,5\n",
        "10,0 20,0 0,5\n30 20 -1,5\n",
        "10, 20, 0.5\n30, 20, -1.5\n",
        "10 20 +5e-1\n3.e1 20. -1.5\n",
        "10 20 0.5\n30 20 −1.5\n",
        "# plate: steel\n10 20 0.5\n# between\n30 20 -1.5\n",
        "my readings of today\nx,y,z\n10,20,0.5\n30,20,-1.5\n",
        "x [mm],y [mm],z [um]\n10,20,500\n30,20,-1500\n",
        "x [mm]  y [mm]  z (um)\n10 20 500\n30 20 -1500\n",
        "# units: um\nx,y,z\n10,20,500\n30,20,-1500\n",
        "# x y z [um]\n# taken cold\n10 20 500\n30 20 -1500\n",
        "# columns: x [mm] y [mm] z [um]\n10 20 500\n30 20 -1500\n",
        "x;y;z\n10;20;0.5;\n30;20;-1.5;\n",
        "z [thou] x [mm] y [mm]\n19.68503937007874 10 20\n-59.05511811023622 30 20\n",
    ],
)
def test_layouts(text):
    run = read(text)
    assert run.format == "columns"
    assert run.x.tolist() == [10, 30]
    assert run.y.tolist() == [20, 20]
    assert run.z == pytest.approx([0.5, -1.5], rel=1e-12)


def test_more_columns_are_taken_where_known_and_passed_over_where_not():
    run = read("touch,minutes,bed,line,x,y,z\n1,0.5,60,north,0,0,1\n2,0.75,61,north,0,1,2\n")
    assert run.touch is not None
    assert run.touch.tolist() == [1, 2]
    assert run.minutes is not None
    assert run.minutes.tolist() == [0.5, 0.75]
    assert run.bed is not None
    assert run.bed.tolist() == [60, 61]


def test_empty_heights_are_holes():
    run = read("x,y,z\n0,0,1\n1,0,\n0,1,-\n1,1,null\n2,2,4\n")
    assert run.holes == 3
    assert run.z.tolist() == [1, 4]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("x,y,z\n1,2,3\n1,b,3\n", "line 3: 'b' in column y is not a finite number"),
        ("1,2,3\n4,5,6\n7,8,a\n", "line 3: 'a' in column z is not a finite number"),
        ("x,y,z\n1,2,nan\n", "line 2: 'nan' in column z is not a finite number"),
        ("x,y,z\n1,2,inf\n", "line 2: 'inf' in column z is not a finite number"),
        ("x,y,z\n1,2,3\n1,1e999,3\n", "line 3: '1e999' in column y is not a finite number"),
        ("x,y,z\n1,2,3\n1,2\n", "line 3: holds 2 values where 3 are expected"),
        ("1 2 3\n1 2 3 4\n5 6 7\n", "line 2: holds 4 values where 3 are expected"),
        ("x [mm],y [in],z\n1,2,3\n", "x is in mm and y in in; give both in one unit"),
        ("x,y,z [furlong]\n1,2,3\n", "line 1: unit 'furlong' is not known"),
        ("x,y,z,z\n1,2,3,4\n", "line 1: column z is named twice"),
        ("x,y,z\n", "holds no readings"),
        ("x,y,z\n1,2,3,4\n", "line 2: holds 4 values where 3 are expected"),
        ("x,y,z\n1,2," + "9" * 50_000 + "\n", "line 2: '9+' in column z is not a finite number"),
        ("x,y,z,bed [F]\n1,2,3,140\n", "column bed is in 'F'; give it in degC"),
        ("x [in],y [in],z\n1,2,3\n", "x and y are in inches and z says no unit"),
    ],
)
def test_what_is_wrong_is_said_with_its_line(text, message):
    with pytest.raises(ReadError, match=message):
        read(text)
