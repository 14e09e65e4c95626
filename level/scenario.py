"""The demo's machine: invented, and made by our own simulator."""

import msgspec
import numpy as np

from level.machine import Machine
from level.simulator import BedShape, SimulatedMachine
from probes.run import Run

__all__ = ["demo_machine", "demo_probing", "demo_simulator"]

_SEED = 350
_GRID = np.linspace(20.0, 330.0, 7)


def demo_machine() -> Machine:
    """Give the machine file's content: a gantry on four leadscrews over a 350 mm bed."""
    corners = (
        ("front left", -60.0, -10.0),
        ("front right", 410.0, -10.0),
        ("back right", 410.0, 370.0),
        ("back left", -60.0, 370.0),
    )
    return msgspec.convert(
        {
            "name": "Bench 350",
            "bed": {"x": [0, 350], "y": [0, 350], "plate": "aluminium 5083", "thickness": 8},
            "probe": {"sigma": 0.003},
            "limits": {"flatness": 0.2, "racking": 0.1},
            "frame": {"carries": "gantry", "joint": "rigid"},
            "lift": [
                {
                    "name": name,
                    "x": x,
                    "y": y,
                    "screw": "Tr8x8(P2)",
                    "raises": "clockwise",
                    "motor_steps": 200,
                    "microsteps": 16,
                }
                for name, x, y in corners
            ],
        },
        Machine,
    )


def demo_simulator() -> SimulatedMachine:
    """Give the machine as it really stands: gantry out of parallel, bed bowed and twisted."""
    shape = BedShape(
        centre=(175.0, 175.0), half=(175.0, 175.0), fall_x=0.05, fall_y=-0.02, bowl_x=0.055,
        bowl_y=0.03, twist=0.02, ripple=0.004, bump=0.02,
    )  # fmt: skip
    heights = (-0.21, 0.27, 0.39, -0.02)
    return SimulatedMachine(
        demo_machine(), shape, heights=heights, sigma=0.003, resolution=0.0005, seed=_SEED
    )


def demo_probing(simulator: SimulatedMachine) -> Run:
    """Probe seven by seven places of the demo's bed."""
    return simulator.probe(_GRID, _GRID)
