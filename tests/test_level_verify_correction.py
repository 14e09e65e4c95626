import msgspec
import numpy as np
import pytest
from cases import machine

from level.simulator import BedShape, SimulatedMachine
from level.turns import plan_turns
from level.verify.correction import (
    Correction,
    DriveNote,
    command_plan,
    correct_machine,
    correction_notes,
    note_response,
    read_correction,
    true_rises,
)
from level.verify.response import read_response
from probes import MachineError, RequestError

SQUARE = [(-20, -20), (320, -20), (320, 320), (-20, 320)]
FIVE = np.linspace(30, 270, 5)
SHAPE = BedShape((150, 150), (150, 150), bowl_x=0.05)
OTHER = {"clockwise": "counterclockwise", "counterclockwise": "clockwise"}


class Wrong(SimulatedMachine):
    """A machine whose drives move other lifts, the other way, or by another lead."""

    moves, gains = "ABCD", (1.0, 1.0, 1.0, 1.0)

    def turn(self, name, turns, direction):
        k = "ABCD".index(name)
        way = direction if self.gains[k] > 0 else OTHER[direction]
        super().turn(self.moves[k], turns * abs(self.gains[k]), way)


@pytest.mark.parametrize("carries", ["bed", "gantry"])
@pytest.mark.parametrize("driven", [False, True])
@pytest.mark.parametrize(
    ("moves", "gains"),
    [
        ("ABCD", (-1, 1, 1, 1)),
        ("ABCD", (1, 0.5, 1, 1)),
        ("BACD", (1, 1, 1, 1)),
        ("ABDC", (1, 1, 2, 1)),
    ],
)
def test_turns_by_the_response_level_a_faulty_machine(moves, gains, carries, driven):
    if not driven and moves != "ABCD":
        return  # screws turned by hand have no plugs
    motor = {"motor_steps": 200, "microsteps": 16} if driven else {"detent": 0.001}
    lifts = machine(SQUARE, carries=carries, probe={"sigma": 0.002}, lift=motor,
                    limits={"racking": 0.3})  # fmt: skip
    real = Wrong(lifts, SHAPE, heights=[0.1, -0.05, 0.12, 0.0], sigma=0.002)
    real.moves, real.gains = moves, gains
    trials, before = [], real.probe(FIVE, FIVE)
    for name in "ABCD":
        real.turn(name, 0.2 / 0.5, "clockwise")
        after = real.probe(FIVE, FIVE)
        trials.append((before, {name: 0.2}, after))
        before = after
    noted = note_response(read_response(trials, lifts), lifts)
    again = msgspec.json.decode(msgspec.json.encode(noted), type=Correction)
    assert again == noted
    fixed = correct_machine(lifts, again)
    plan = command_plan(plan_turns(before, fixed), lifts, again)
    for stage in plan.stages:
        for move in stage.moves:
            if move.command is None:
                assert driven is False or move.steps == round(move.rise / 0.5 * 3200)
                real.turn(move.lift, move.turns, move.direction)
            else:
                # a motor is told by its own name, and counts by the machine file's lead
                assert driven
                told = move.command.rise / 0.5
                assert move.steps == pytest.approx(told * 3200, abs=1)
                real.turn(move.command.drive, abs(told), "clockwise" if told > 0 else
                          "counterclockwise")  # fmt: skip
    left = plan_turns(real.probe(FIVE, FIVE), lifts).tilt
    assert max(abs(left.fall_x), abs(left.fall_y)) < 0.006
    assert len(correction_notes(lifts, again)) == sum(
        gain != 1 or to != name for gain, to, name in zip(gains, moves, "ABCD", strict=True)
    )


def note(**changes):
    notes = {name: DriveNote(name=name, verdict="good", answers_as=name, factor=1.0)
             for name in "ABCD"}  # fmt: skip
    notes.update(changes)
    return Correction(machine="bench", lifts=tuple(notes.values()))


def test_a_good_machine_stays_as_it_is():
    lifts = machine(SQUARE)
    assert correct_machine(lifts, note()) == lifts
    assert correction_notes(lifts, note()) == ()


@pytest.mark.parametrize(
    ("bad", "message"),
    [
        ({"B": DriveNote(name="B", verdict="stuck")}, "lift 'B' is stuck"),
        ({"B": DriveNote(name="B", verdict="unclear", why="never moved")}, "(never moved)"),
        ({"B": DriveNote(name="Z", verdict="good")}, "this machine has A, B, C, D"),
        (
            {"B": DriveNote(name="B", verdict="swapped", answers_as="A", factor=1.0)},
            "two drives move one lift",
        ),
    ],
)
def test_what_cannot_be_put_right(bad, message):
    with pytest.raises(MachineError) as fault:
        correct_machine(machine(SQUARE), note(**bad))
    assert message in str(fault.value)


@pytest.mark.parametrize("text", ["", "{}", '{"machine": 3}', "[bed]"])
def test_other_files_are_refused(text, tmp_path):
    path = tmp_path / "response.json"
    path.write_text(text)
    with pytest.raises(RequestError, match="is no response file"):
        read_correction(path)
    with pytest.raises(RequestError, match="cannot be read"):
        read_correction(tmp_path / "none.json")


def test_what_was_told_is_what_lifts_really_rose():
    lifts = machine(SQUARE)
    noted = note(
        A=DriveNote(name="A", verdict="reversed", answers_as="A", factor=-1.0),
        B=DriveNote(name="B", verdict="swapped", answers_as="C", factor=0.5),
        C=DriveNote(name="C", verdict="swapped", answers_as="B", factor=1.0),
    )
    told = true_rises({"A": 0.2, "B": 0.1, "Z": 1.0}, lifts, noted)
    assert told == {"A": -0.2, "C": 0.05, "Z": 1.0}
