"""A simulated machine: a bed with a shape, lifts that really turn, and a probe that is not perfect.

It knows nothing of planish's own planning: turns go in as a person makes them (so far, this way
round), heights come out as a probe reports them. The demo and the tests run on it.
"""

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from level.machine import Machine
from probes.run import Floats, Run

__all__ = ["BedShape", "SimulatedMachine", "capture"]


@dataclass(frozen=True)
class BedShape:
    """The shape of a bed's surface on the machine that carries it.

    Attributes
    ----------
    centre : (float, float)
        Middle of the bed, mm.
    half : (float, float)
        Half its size along x and y, mm.
    fall_x, fall_y : float
        Height of the right edge over the left and the back edge over the front, mm.
    bowl_x, bowl_y : float
        Height of the edges over the middle along x and y, mm.
    twist : float
        Height of the right back and left front corners over the mean, mm.
    ripple : float
        Amplitude of a wave along x, two and a half lengths over the bed, mm.
    bump : float
        Height of a bump of 25 mm standard width, a quarter right and back of the middle, mm.
    """

    centre: tuple[float, float]
    half: tuple[float, float]
    fall_x: float = 0.0
    fall_y: float = 0.0
    bowl_x: float = 0.0
    bowl_y: float = 0.0
    twist: float = 0.0
    ripple: float = 0.0
    bump: float = 0.0

    def __call__(self, x: Floats, y: Floats) -> Floats:
        """Height at (x, y), mm."""
        u = (x - self.centre[0]) / self.half[0]
        v = (y - self.centre[1]) / self.half[1]
        off = ((u - 0.5) * self.half[0]) ** 2 + ((v - 0.5) * self.half[1]) ** 2
        return (
            self.fall_x * u / 2
            + self.fall_y * v / 2
            + self.bowl_x * u**2
            + self.bowl_y * v**2
            + self.twist * u * v
            + self.ripple * np.sin(2.5 * np.pi * u)
            + self.bump * np.exp(-off / (2 * 25.0**2))
        )


class SimulatedMachine:
    """A machine that can be probed and turned.

    Parameters
    ----------
    machine : Machine
        What its builder wrote down of it.
    shape : callable
        Height of the bed at (x, y), mm, while all lifts stand at zero.
    heights : array_like, shape (lifts,), optional
        Where the lifts really stand, mm.
    sigma : float
        Standard deviation of a touch, mm.
    resolution : float
        Step that readings are rounded to, mm; 0 for none.
    seed : int
        Of the noise.
    """

    def __init__(
        self,
        machine: Machine,
        shape: Callable[[Floats, Floats], Floats],
        *,
        heights: npt.ArrayLike | None = None,
        sigma: float = 0.0,
        resolution: float = 0.0,
        seed: int = 1,
    ) -> None:
        self.machine = machine
        self.heights = (
            np.zeros(len(machine.lifts))
            if heights is None
            else np.array(heights, dtype=np.float64)  # a copy: turning changes it
        )
        self._shape = shape
        self._sigma = sigma
        self._resolution = resolution
        self._random = np.random.default_rng(seed)

    def turn(self, name: str, turns: float, direction: str) -> None:
        """Turn a lift's drive so many turns, clockwise or counterclockwise seen from above."""
        k = [lift.name for lift in self.machine.lifts].index(name)
        lift = self.machine.lifts[k]
        self.heights[k] += abs(turns) * lift.travel * (1 if direction == lift.raises else -1)

    def surface(self, x: npt.ArrayLike, y: npt.ArrayLike) -> Floats:
        """Give the true height a perfect probe would report at (x, y), mm."""
        xs, ys = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        carried = self._carriage(xs, ys)
        sign = 1 if self.machine.frame.carries == "bed" else -1
        return self._shape(xs, ys) + sign * carried

    def _carriage(self, x: Floats, y: Floats) -> Floats:
        """Rise of the carriage: where the forces of equal springs at the lifts balance."""
        spots = np.array([(lift.x, lift.y) for lift in self.machine.lifts])
        twists = self.machine.frame.joint == "twisting" and len(spots) >= 4
        middle = spots.mean(axis=0)

        def ways(px: Floats, py: Floats) -> Floats:
            u, v = (px - middle[0]) / 100, (py - middle[1]) / 100
            return np.stack((np.ones_like(u), u, v, *((u * v,) if twists else ())), axis=-1)

        stiffness = ways(*spots.T).T @ ways(*spots.T)
        force = ways(*spots.T).T @ self.heights
        # a motion that no lift works on stays at rest: the least solution
        pose = np.linalg.lstsq(stiffness, force, rcond=1e-12)[0]
        rise: Floats = ways(x, y) @ pose
        return rise

    def probe(self, x: npt.ArrayLike, y: npt.ArrayLike, *, touches: int = 1) -> Run:
        """Probe a grid in a serpentine from the left front, each place `touches` times."""
        across, along = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
        xs = np.concatenate([across[:: 1 if row % 2 == 0 else -1] for row in range(len(along))])
        return self.probe_at(xs, np.repeat(along, len(across)), touches=touches)

    def probe_at(self, x: npt.ArrayLike, y: npt.ArrayLike, *, touches: int = 1) -> Run:
        """Probe places in the order given, each `touches` times."""
        xs = np.repeat(np.asarray(x, dtype=np.float64), touches)
        ys = np.repeat(np.asarray(y, dtype=np.float64), touches)
        z = self.surface(xs, ys) + self._random.normal(0.0, 1.0, len(xs)) * self._sigma
        if self._resolution:
            z = np.round(z / self._resolution) * self._resolution
        return Run(x=xs, y=ys, z=z, source="simulated run")


def capture(run: Run, title: str) -> str:
    """Write a run as a console would have shown it, with other lines among the readings."""
    lines = [f"# note: {title}", "console opened", "homing ... done", "probing starts"]
    lines += [
        f"touch {number:3d} at x {x:.1f} y {y:.1f} gives z {z:+.4f}"
        for number, (x, y, z) in enumerate(zip(run.x, run.y, run.z, strict=True), 1)
    ]
    lines += [f"probing ends after {len(run)} touches", "head parked"]
    return "\n".join(lines) + "\n"
