"""Published cases and simple machines that several test modules use."""

import csv
from pathlib import Path
from typing import Any

import msgspec
import numpy as np
import numpy.typing as npt

from level.machine import Machine

DATA = Path(__file__).parent / "data"
MOODY = DATA / "moody_1955_surface_plate.csv"
UIN = 25.4e-6  # mm

Floats = npt.NDArray[np.float64]


def table(name: str) -> list[dict[str, str]]:
    """Rows of a CSV file under tests/data, without its comments."""
    with (DATA / name).open(newline="") as stream:
        return list(csv.DictReader(line for line in stream if not line.startswith("#")))


def hand_case(name: str) -> tuple[Floats, Floats, Floats]:
    """x, y and z of one of the cases provable by hand."""
    rows = [row for row in table("hand_cases.csv") if row["case"] == name]
    x, y, z = (np.array([float(row[key] or 0) for row in rows]) for key in ("x", "y", "z"))
    return x, y, z


def grid(xs: Any, ys: Any) -> tuple[Floats, Floats]:
    """Flat x and y of a full grid, row by row."""
    across, along = np.meshgrid(np.asarray(xs, dtype=float), np.asarray(ys, dtype=float))
    return across.ravel(), along.ravel()


def machine(
    spots: Any, *, carries: str = "bed", joint: str = "rigid", lead: float = 0.5, **extra: Any
) -> Machine:
    """A machine with hand screws at these spots, called A, B, C, ..."""
    lift_extra = extra.pop("lift", {})
    return msgspec.convert(
        {
            "frame": {"carries": carries, "joint": joint},
            "lift": [
                {
                    "name": "ABCDEFGHIJKLMNOP"[k],
                    "x": float(x),
                    "y": float(y),
                    "lead": lead,
                    "raises": "clockwise",
                    **lift_extra,
                }
                for k, (x, y) in enumerate(spots)
            ],
            **extra,
        },
        Machine,
    )
