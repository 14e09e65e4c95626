import numpy as np
import pytest
from cases import grid, machine

from level.request import Request, check_request
from probes import RequestError, Run

SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]


def run():
    x, y = grid(np.linspace(0, 300, 5), np.linspace(0, 300, 5))
    return Run(x=x, y=y, z=0 * x)


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        (Request(reference="Z"), "reference 'Z': must be least-motion, raise-only, lower-only, "),
        (Request(objective="best"), "objective 'best': must be least-squares or minimum-zone"),
        (Request(detent=0.0), "detent 0: must be a number of turns above zero"),
        (Request(locked=("Z",)), "locked lift 'Z': must be one of 'A', 'B', 'C', 'D'"),
        (Request(locked=tuple("ABCD")), "all lifts are locked"),
        (Request(together=(("A", "a"),)), "name two or more"),
        (Request(together=(("A", "Z"),)), "lift that moves with others 'Z'"),
        (Request(area=((0, 10), (0, 10))), "--area 0:10,0:10 holds 1 of the places"),
        (Request(corners=True, objective="minimum-zone"), "--corners takes the whole bed"),
    ],
)
def test_what_cannot_be_asked_is_said(request_, message):
    with pytest.raises(RequestError, match=message):
        check_request(request_, machine(SQUARE), run())


def test_corners_need_four_lifts():
    with pytest.raises(RequestError, match="3 always stand in a plane"):
        check_request(Request(corners=True), machine(SQUARE[:3]), run())


def test_names_are_those_of_the_file():
    found = check_request(
        Request(reference=" b ", locked=("c",), together=(("a", "D"),)), machine(SQUARE), run()
    )
    assert (found.reference, found.locked, found.together) == ("B", ("C",), (("A", "D"),))
