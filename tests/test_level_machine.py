import pytest

from level.machine import read_machine
from level.scenario import demo_machine
from level.show.machine_file import machine_toml
from probes import MachineError, Run

GOOD = """\
name = "Bench 350"
[bed]
x = [0, 350]
y = [0, 350]
plate = "aluminium 5083"
thickness = 8.0
[probe]
sigma = 0.003
[limits]
flatness = 0.20
racking = 0.10
[frame]
carries = "gantry"
joint = "rigid"
[[lift]]
name = "front left"
x = -60.0
y = -10.0
screw = "Tr8x8(P2)"
raises = "clockwise"
motor_steps = 200
microsteps = 16
[[lift]]
name = "front right"
x = 410
y = -10
belt_pitch = 2.0
teeth = 20
reduction = 4.0
raises = "counterclockwise"
motor_steps = 400
[[lift]]
name = "back"
x = 175
y = 370
screw = "M4"
raises = "clockwise"
detent = 0.0625
"""


def read(tmp_path, text):
    path = tmp_path / "machine.toml"
    path.write_text(text)
    return read_machine(path)


def test_reads_what_the_file_says(tmp_path):
    machine = read(tmp_path, GOOD)
    assert machine.name == "Bench 350"
    assert machine.bed is not None
    assert (machine.bed.x, machine.bed.y, machine.bed.thickness) == ((0, 350), (0, 350), 8)
    assert (machine.probe.sigma, machine.limits.flatness, machine.limits.racking) == (
        0.003,
        0.2,
        0.1,
    )
    assert [lift.travel for lift in machine.lifts] == [8, 10, 0.7]
    assert [lift.steps_per_turn for lift in machine.lifts] == [3200, 400, None]
    assert [lift.smallest_turn for lift in machine.lifts] == [1 / 3200, 1 / 400, 0.0625]
    assert machine.positions.tolist() == [[-60, -10], [410, -10], [175, 370]]


def test_a_hand_screw_has_eighths_of_a_turn(tmp_path):
    assert read(tmp_path, GOOD.replace("detent = 0.0625\n", "")).lifts[2].smallest_turn == 0.125


def test_which_way_to_turn(tmp_path):
    clockwise, counter, _ = read(tmp_path, GOOD).lifts
    assert [clockwise.turning(rise) for rise in (0.1, -0.1, 0)] == [
        "clockwise",
        "counterclockwise",
        "none",
    ]
    assert [counter.turning(rise) for rise in (0.1, -0.1)] == ["counterclockwise", "clockwise"]


def test_a_file_that_is_written_reads_back_the_same(tmp_path):
    for machine in (demo_machine(), read(tmp_path, GOOD)):
        assert read(tmp_path, machine_toml(machine)) == machine


def test_names_may_hold_anything(tmp_path):
    machine = read(tmp_path, GOOD.replace("front left", 'a \\"b\\" \\\\ \\n <c> \\u05d0'))
    assert machine.lifts[0].name == 'a "b" \\ \n <c> \u05d0'
    assert read(tmp_path, machine_toml(machine)) == machine


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        ("sigma", "sigmma", r"\[probe\] key 'sigmma' is not known; did you mean sigma\?"),
        ("carries", "carry", r"\[frame\] key 'carry' is not known; did you mean carries\?"),
        ("teeth", "tooth", r"lift 2: key 'tooth' is not known; did you mean teeth\?"),
        ("[limits]", "[limit]", r"key 'limit' is not known; did you mean limits\?"),
        ("sigma", "zzz", r"\[probe\] key 'zzz' is not known; known are sigma"),
        ("x = -60.0", "x = 'left'", "lift 1: x: must be a number, got text"),
        ("teeth = 20", "teeth = 20.5", "lift 2: teeth: must be a whole number"),
        ("x = -60.0\n", "", "lift 1: lacks the key x"),
        ('raises = "clockwise"\nmotor', "motor", "lift 1: lacks the key raises"),
        (
            '"clockwise"\ndetent',
            '"left"\ndetent',
            "lift 3: raises: does not allow 'left'; it must be clockwise or counterclockwise",
        ),
        ('"gantry"', '"roof"', "frame: carries: does not allow 'roof'; it must be bed or gantry"),
        (
            "x = 410\ny = -10",
            "x = -60\ny = -10",
            "'front left' and 'front right' stand at one spot",
        ),
        ("front right", "Front Left", "two lifts are called 'front left'"),
        ('screw = "M4"', "lead = 0", "lift 'back': lead is 0; it must be a finite number above 0"),
        ('screw = "M4"', "lead = -2", "lift 'back': lead is -2; it must be"),
        ('screw = "M4"', "lead = nan", "lift 'back': lead is nan; it must be"),
        ("x = -60.0", "x = inf", "lift 'front left': x is inf; it must be a finite number"),
        ('screw = "M4"', 'screw = "rod"', "lift 'back': screw 'rod' is no ISO designation"),
        (
            'screw = "M4"',
            'screw = "M4"\nlead = 0.7',
            "lift 'back': has screw and lead; keep the one",
        ),
        ('screw = "M4"\n', "", "lift 'back' has no drive; give screw"),
        ("teeth = 20\n", "", "lift 'front right' has no drive; give screw, or lead, or belt_pitch"),
        ("motor_steps = 400", "microsteps = 4", "has microsteps but no motor_steps"),
        ('screw = "M4"', 'screw = "M4"\nteeth = 3', "teeth and reduction go with belt_pitch"),
        ("x = [0, 350]", "x = [350, 0]", r"\[bed\] x: the first edge must be below the second"),
        ("x = [0, 350]", "x = [0]", "bed: x: must be two numbers as in"),
        ("x = [0, 350]", "x = 350", "bed: x: must be two numbers as in"),
        ('[[lift]]\nname = "front left"', '[lift]\nname = "front left"', "TOML|lift"),
        ("flatness = 0.20", "flatness = 9" + "9" * 5000, "is not valid TOML"),
        ("x = [0, 350]", "x = " + "[" * 5000, "is not valid TOML"),
        ("flatness = 0.20", "flatness = 0", r"\[limits\] flatness is 0; it must be"),
        ("[frame]", "[frame", "is not valid TOML: .*line 12"),
        ("detent = 0.0625", "detent = 0", "lift 'back': detent is 0; it must be"),
    ],
)
def test_what_is_no_machine_is_said(tmp_path, old, new, message):
    assert old in GOOD
    with pytest.raises(MachineError, match=message) as caught:
        read(tmp_path, GOOD.replace(old, new, 1))
    assert str(caught.value).startswith("machine.toml: ")
    assert "\n" not in str(caught.value)


def test_what_is_missing_is_said(tmp_path):
    with pytest.raises(
        MachineError, match="there is no such machine file; `planish init` writes one"
    ):
        read_machine(tmp_path / "none.toml")
    with pytest.raises(MachineError, match="has no frame"):
        read(tmp_path, "[[lift]]\nname = 'a'\nx = 0\ny = 0\nlead = 1\nraises = 'clockwise'\n")
    with pytest.raises(MachineError, match="has no lift"):
        read(tmp_path, "[frame]\ncarries = 'bed'\n")
    with pytest.raises(MachineError, match="has no lifts"):
        read(tmp_path, "lift = []\n[frame]\ncarries = 'bed'\n")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\0")
    with pytest.raises(MachineError, match="is not text in UTF-8"):
        read_machine(tmp_path / "binary.toml")


def test_a_run_outside_the_bed_is_said(tmp_path):
    machine = read(tmp_path, GOOD)
    machine.check_on_bed(Run(x=[0, 350.4], y=[0, 350], z=[0, 0]))
    with pytest.raises(
        MachineError, match=r"the place at x 400, y 20 lies outside the bed of 'Bench 350'"
    ):
        machine.check_on_bed(Run(x=[0, 400], y=[0, 20], z=[0, 0]))
