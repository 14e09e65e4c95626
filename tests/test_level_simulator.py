import io

import numpy as np
import pytest
from cases import grid, machine

from level.scenario import demo_probing, demo_simulator
from level.simulator import BedShape, SimulatedMachine, capture
from probes import read_run

FLAT = BedShape((150, 150), (150, 150))
SQUARE = [(0, 0), (300, 0), (300, 300), (0, 300)]


def test_turning_the_raising_way_raises():
    lifts = machine(SQUARE, lead=2.0, lift={"raises": "counterclockwise"})
    simulated = SimulatedMachine(lifts, FLAT)
    simulated.turn("A", 0.5, "counterclockwise")
    simulated.turn("B", -0.25, "clockwise")  # the direction says which way, not the sign
    assert simulated.heights.tolist() == [1.0, -0.5, 0, 0]


@pytest.mark.parametrize(("carries", "sign"), [("bed", 1), ("gantry", -1)])
def test_a_plane_of_lifts_is_followed_exactly(carries, sign):
    spots = np.array(SQUARE)
    simulated = SimulatedMachine(
        machine(SQUARE, carries=carries), FLAT, heights=0.1 + spots @ (1e-3, -2e-3)
    )
    x, y = grid([30, 270], [30, 270])
    assert simulated.surface(x, y) == pytest.approx(sign * (0.1 + 1e-3 * x - 2e-3 * y), abs=1e-12)


def test_a_racked_rigid_carriage_stays_plane_and_a_twisting_one_follows():
    racked = [0.1, -0.1, 0.1, -0.1]
    rigid = SimulatedMachine(machine(SQUARE), FLAT, heights=racked)
    assert rigid.surface([0, 300], [0, 0]) == pytest.approx([0, 0], abs=1e-12)
    twisting = SimulatedMachine(machine(SQUARE, joint="twisting"), FLAT, heights=racked)
    assert twisting.surface([0, 300], [0, 0]) == pytest.approx([0.1, -0.1], abs=1e-12)


def test_shape_is_what_it_says():
    shape = BedShape((100, 100), (100, 100), fall_x=0.2, fall_y=-0.1, bowl_x=0.05, twist=0.03)
    corners = shape(np.array([0.0, 200, 200, 0]), np.array([0.0, 0, 200, 200]))
    falls = np.array([-0.1 + 0.05, 0.1 + 0.05, 0.1 - 0.05, -0.1 - 0.05])
    assert corners == pytest.approx(falls + 0.05 + 0.03 * np.array([1, -1, 1, -1]))


def test_noise_and_resolution():
    x, y = grid(np.linspace(0, 300, 40), np.linspace(0, 300, 40))
    simulated = SimulatedMachine(machine(SQUARE), FLAT, sigma=0.005, resolution=0.0025, seed=4)
    z = simulated.probe_at(x, y).z
    assert np.std(z) == pytest.approx(0.005, rel=0.1)
    assert np.round(z / 0.0025) * 0.0025 == pytest.approx(z, abs=1e-12)
    again = SimulatedMachine(machine(SQUARE), FLAT, sigma=0.005, resolution=0.0025, seed=4)
    assert (again.probe_at(x, y).z == z).all()


def test_a_capture_reads_back():
    run = demo_probing(demo_simulator())
    back = read_run(io.StringIO(capture(run, "as assembled")))
    assert back.format == "captured"
    assert back.note == "as assembled"
    assert back.passed_over == 5
    assert back.x == pytest.approx(run.x, abs=0.05)
    assert back.z == pytest.approx(run.z, abs=1e-9)
