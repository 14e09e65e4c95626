import io

import pytest

from probes import ReadError, ReadOptions, RequestError, read_run


def read(text, **options):
    return read_run(io.StringIO(text), ReadOptions(**options))


LOG = """\
console open
[09:30:01] spot 1 |  20.0 / 20.0  -> +0.125
still probing
[09:30:04] spot 2 | 330.0/20.0->-.5
[09:30:09] spot 3 | 20.0 / 330.0 -> 1.5e-2
done, 3 spots
"""


def test_a_template_gives_the_shape_of_a_line():
    run = read(LOG, line="spot {skip} | {x} / {y} -> {z}")
    assert run.x.tolist() == [20, 330, 20]
    assert run.y.tolist() == [20, 20, 330]
    assert run.z.tolist() == [0.125, -0.5, 0.015]
    assert run.passed_over == 3


def test_a_template_may_take_more():
    run = read(
        "t=1.5 no 7 at 1,2: 3 (60C)\n", line="t={minutes} no {touch} at {x},{y}: {z} ({bed}C)"
    )
    assert run.minutes is not None
    assert run.touch is not None
    assert run.bed is not None
    assert (run.minutes[0], run.touch[0], run.x[0], run.y[0], run.z[0], run.bed[0]) == (
        1.5, 7, 1, 2, 3, 60,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("line", "message"),
    [
        ("{x} {y}", r"field \{z\} is missing"),
        ("{x} {y} {z} {w}", r"field \{w\} is not known; use \{x\} \{y\}"),
        ("{x} {y} {z} {x}", r"field \{x\} stands twice"),
    ],
)
def test_what_is_no_template_is_said(line, message):
    with pytest.raises(RequestError, match=message):
        read(LOG, line=line)


def test_a_template_that_fits_nothing_is_said():
    with pytest.raises(
        ReadError, match=r"none of its 6 lines has the shape .*; the first is 'console"
    ):
        read(LOG, line="place {x} {y} {z}")


@pytest.mark.parametrize(
    "line",
    [
        "X:10 Y=20 z 0.123", "z=0.123 y=20 x=10", "x10 y20 z0.123", "X10.0Y20.0Z.123",
        "  > at x : 10, y : 20 gives z : +1.23e-1 after 3 tries", "12:30 x: 10 y: 20 z: 0.123 ok",
        "x=10mm y=20mm z=123um", "max 9 x: 10 y: 20 z: 0.123",
    ],
)  # fmt: skip
def test_labelled_readings_in_any_order(line):
    run = read(f"begin\n{line}\nend\n")
    assert (run.x[0], run.y[0], run.z[0]) == pytest.approx((10, 20, 0.123), rel=1e-12)
    assert run.passed_over == 2


@pytest.mark.parametrize(
    "line",
    ["x: 1 y: 2", "x: 1 y: 2 z: 3 z: 4", "x: 1 y: 2 z_offset: 3", "x1 y2 z3 x4", "x=1.2.3 y=1 z=2"],
)
def test_other_lines_are_passed_over(line):
    run = read(f"x: 0 y: 0 z: 0\n{line}\n")
    assert len(run) == 1
    assert run.passed_over == 1


def test_repeated_touches_are_kept():
    run = read("x:1 y:1 z:0.10\nx:1 y:1 z:0.12\nx:1 y:1 z:0.11\n")
    assert len(run) == 3
    assert len(run.places) == 1


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "1e999"])
def test_a_reading_that_is_not_finite_is_said(value):
    with pytest.raises(ReadError, match=r"line 2: z is .*, not a finite number"):
        read(f"x:1 y:1 z:1\nx:1 y:2 z:{value}\n")


def test_the_line_is_right_behind_the_start_of_another_probing():
    text = "begin\nat 1 1 1\nat 1 2 1\nend\nbegin\nat 1 1 1\nat 1 2 nan\n"
    with pytest.raises(ReadError, match="line 7: z is nan"):
        read(text, line="at {x} {y} {z}")


def test_two_units_are_said():
    with pytest.raises(ReadError, match="line 2: z is in um but in mm further up"):
        read("x:1 y:1 z:1 mm\nx:1 y:2 z:1 um\n")


def test_lines_of_another_shape_are_pointed_out():
    text = "".join(f"go to x {k}00 y 0 z 5\ntouch at x {k}00 y 0 gives z 0.{k}\n" for k in range(4))
    # a hotch-potch of travel moves and touches is refused, with the template that parts them
    with pytest.raises(ReadError, match="do not agree, so one may be travel moves") as caught:
        read(text)
    assert "--line 'touch at x {x} y {y} gives z {z}'" in str(caught.value)
    assert read(text, line="touch at x {x} y {y} gives z {z}").warnings == ()
    # moves near the bed do not agree with the touches of the same places
    with pytest.raises(ReadError, match="do not agree"):
        read(text.replace("z 5", "z 0.5"))
    some = text.replace("z 5", "z 0.1") + "touched again: x 0 y 0 z 0.02\n"
    with pytest.raises(ReadError, match="do not agree"):
        read(some)
    words = "".join(f"{w} at x {k}00 y 0 gives z 0.{k}\n" for w in ("touch", "") for k in range(4))
    assert "4 of the 8 readings stand in lines of another shape" in read(words).warnings[0]


def test_moves_alone_are_no_touches():
    moves = (f"going to x{x} y{y} z5\ncontact at 0.02\n" for x in (0, 9) for y in (0, 9))
    text = "".join(moves)
    with pytest.raises(ReadError, match="every z is 5, so these are travel moves"):
        read(text)
    # near the bed they may be touches of a bed that is as level as the probe can tell
    assert "every z is 0: if these are travel moves" in read(text.replace("z5", "z0")).warnings[0]


@pytest.mark.parametrize("value", ["3/8", "1'010", "10%", "1=2", "1.2.3"])
def test_numbers_are_not_cut_short(value):
    assert len(read(f"x: 0 y: 0 z: 0\nx: 1 y: 1 z: {value}\n")) == 1


def test_every_known_unit_is_read_behind_a_value():
    for word, mm in (("microns", 0.012), ("um", 0.012), ("mils", 0.3048), ("thou", 0.3048)):
        assert read(f"x 20 mm y 20 mm z 12 {word}\n").z[0] == pytest.approx(mm)


def test_a_full_stop_ends_a_sentence():
    assert read("at x: 1 y: 2 z: 0.1.\n").z.tolist() == [0.1]


def test_decimal_commas():
    run = read("Punkt 1: x=20,0 y=30,5 z=-0,0190\nPunkt 2: x=20,0, y=40,5, z=0,5\n")
    assert run.y.tolist() == [30.5, 40.5]
    assert run.z.tolist() == [-0.019, 0.5]
    run = read("a 20,0 30,5 -0,019\n", line="a {x} {y} {z}")
    assert (run.x[0], run.y[0], run.z[0]) == (20, 30.5, -0.019)
    run = read("at 1,2: 3,5\n", line="at {x},{y}: {z}")
    assert (run.x[0], run.y[0], run.z[0]) == (1, 2, 3.5)


def test_in_is_a_word_before_it_is_a_unit():
    run = read("contact x 20 y 20 z 0.020 in 2 tries\ncontact x 9 y 20 z 0.020 in 1 tries\n")
    assert run.z.tolist() == [0.02, 0.02]
    run = read("x 1 in y 2 in z 0.001 in\n")
    assert run.x == pytest.approx([25.4])
    assert run.z == pytest.approx([0.0254])


def test_a_huge_line_is_passed_over_quickly():
    text = "x:1 y:1 z:1\n" + "x" * 900_000 + "\n"
    assert len(read(text)) == 1
    assert len(read(text, line="{skip}x:{x}{skip}y:{y}{skip}z:{z}")) == 1


def test_a_probing_that_was_broken_off_is_reported():
    lines = [
        f"x {x} y {y} z {0.001 * x * y:.4f}\n" for y in (0, 10, 20, 30) for x in (0, 10, 20, 30)
    ]
    assert read("".join(lines)).warnings == ()
    assert "the row probed last holds 2 of 4 places" in read("".join(lines[:14])).warnings[0]


def test_returns_to_a_reference_are_one_run():
    rows = [(x, y) for y in (0, 10, 20) for x in (0, 10, 20)]
    spots = [spot for k in range(3) for spot in [(0, 0), *rows[3 * k : 3 * k + 3]]] + [(0, 0)]
    text = "".join(f"x {x} y {y} z 0.{k}\n" for k, (x, y) in enumerate(spots))
    run = read(text)
    assert len(run) == 13
    assert run.warnings == ()


@pytest.mark.parametrize(
    ("line", "z"),
    [
        ("x=2.000000e+01 y=1.0e+01 z=1.520000e-01: ok", 0.152),
        ("x=20 y=10 z=0.152: ok", 0.152),
        ("x=20 y=10 z=152.0 [um]", 0.152),
        ("x=20 y=10 z=152.0 (um)", 0.152),
        ('{"x": 20, "y": 10, "z": 0.152}'.replace("{", "reading "), 0.152),
        ("X 20mm Y 10mm Z 152µm", 0.152),
    ],
)
def test_values_are_read_whole_with_their_unit(line, z):
    run = read(f"start\n{line}\n")
    assert (run.x[0], run.y[0]) == (20, 10)
    assert run.z[0] == pytest.approx(z)


@pytest.mark.parametrize("value", ["152000nm", "2.0cm", "0.02m", "12:30"])
def test_units_that_are_not_known_are_no_reading(value):
    assert len(read(f"x=1 y=1 z=1\nx=1 y=2 z={value}\n")) == 1


def test_a_template_may_name_the_unit():
    run = read("at 20 / 10: 152um\n", line="at {x} / {y}: {z}um")
    assert run.z[0] == pytest.approx(0.152)


def test_moves_of_the_same_shape_are_refused():
    spots = [(x, y) for x in (1, 2, 3) for y in (1, 2)]
    text = "".join(f"pos x={x} y={y} z=5.0000\npos x={x} y={y} z=0.{x}{y}1\n" for x, y in spots)
    with pytest.raises(ReadError, match="6 of 12 readings stand at z 5, far from the others"):
        read(text)


def test_long_digits_do_not_hang():
    assert len(read("x=1 y=1 z=1\n" + "9" * 400_000 + "\n")) == 1
