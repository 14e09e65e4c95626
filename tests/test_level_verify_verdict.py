from dataclasses import replace

import numpy as np
import pytest
from cases import machine
from study_verify import Faulty

from level.simulator import BedShape
from level.verify.response import read_response
from probes import MachineError, RequestError

LIFTS = machine([(0, 0), (300, 0), (150, 300)], lead=2.0, probe={"sigma": 0.005})
MOVES = [{"A": 0.2}, {"B": 0.2}, {"C": 0.2}]


def faulty(**faults):
    return Faulty(LIFTS, BedShape((150, 150), (150, 150)), sigma=1e-6, **faults)


def respond(moves=MOVES, **faults):
    return read_response(faulty(**faults).trials(moves), LIFTS)


def test_commands_make_the_lifts_rise_as_wanted():
    faults = {"lift_of": [1, 0, 2], "gain": [2.0, -1.0, 0.5]}
    response = respond(**faults)
    wanted = {"A": 0.1, "B": -0.2, "c": 0.3}
    command = response.commands(wanted)
    assert command == pytest.approx({"A": -0.1, "B": -0.1, "C": 0.6}, rel=1e-3)
    assert response.true_rises(command) == pytest.approx({"A": 0.1, "B": -0.2, "C": 0.3})
    # on the machine itself
    real = faulty(**faults)
    for name, rise in command.items():
        real.command(name, rise)
    assert real.heights == pytest.approx([0.1, -0.2, 0.3], rel=1e-3)
    assert response.corrected_leads() == pytest.approx({"A": 4.0, "B": 2.0, "C": 1.0})
    assert response.commands({"A": 0.0}) == {"A": 0, "B": 0, "C": 0}


def test_stuck_and_unclear_lifts_are_refused():
    stuck = respond(gain=[1, 0, 1])
    for call in (
        lambda: stuck.commands({"B": 0.1}),
        lambda: stuck.true_rises({"B": 0.1}),
        stuck.corrected_leads,
    ):
        with pytest.raises(MachineError, match="lift 'B' is stuck: it does not move"):
            call()
    assert stuck.commands({"A": 0.1})["A"] == pytest.approx(0.1, rel=1e-3)
    part = respond(MOVES[:1])
    with pytest.raises(MachineError, match=r"not clear what lift 'C' does \(never moved\)"):
        part.commands({"C": 0.1})
    with pytest.raises(RequestError, match="there is no lift 'Z'; the response has 'A', 'B', 'C'"):
        part.commands({"Z": 0.1})


@pytest.mark.parametrize(
    ("gain", "left"), [(0.5, 0.5), (0.8, 0.2), (1.25, 0.25), (2.0, 1.0), (-1.0, 2.0)]
)
def test_what_a_levelling_pass_leaves(gain, left):
    # T-D3: contraction |1 - g|: .5 -> .5, .8 -> .2, 1.25 -> .25, 2 -> 1, -1 -> 2
    response = respond(gain=[gain, 1, 1])
    assert response.lift("a").left_per_pass == pytest.approx(left, abs=1e-3)
    # by passes: the error of a lift that is levelled with commands as if it were good
    error = 1.0
    for _ in range(3):
        error -= gain * error
    assert abs(error) == pytest.approx(left**3)


def test_wholes_of_a_response():
    good = respond()
    assert good.all_good
    assert good.misplaced is None
    assert good.explanations[0].share > 0.99
    assert good.explanations[0].likelihood == pytest.approx(1)
    assert not respond(MOVES[:2]).all_good
    rival = replace(good.explanations[0], share=0.004, likelihood=0.5)
    assert rival.listed
    assert not replace(rival, likelihood=0.05).listed
    assert replace(rival, share=0.02, likelihood=0.0).listed
    assert np.isclose(sum(each.share for each in good.explanations), 1, atol=0.02)
