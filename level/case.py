"""The case: everything a plan of turns is made from."""

from dataclasses import dataclass

from level.influence import Influence
from level.machine import Machine
from level.request import Request
from mesh.noise import Noise
from mesh.tilt import Tilt
from probes.run import Places

__all__ = ["Case"]


@dataclass(frozen=True, eq=False)
class Case:
    """What is known and what is asked.

    Attributes
    ----------
    machine : Machine
        The machine.
    influence : Influence
        How its lifts act.
    places : Places
        Those that count.
    tilt : Tilt
        Of these places.
    noise : Noise
        Of the run.
    request : Request
        What is asked for, as `level.request.check_request` gives it.
    limit : float
        Largest racking allowed at any moment, mm.
    """

    machine: Machine
    influence: Influence
    places: Places
    tilt: Tilt
    noise: Noise
    request: Request
    limit: float
