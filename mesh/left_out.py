"""Leaving places out: what the others say of each, against its own height."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from probes.run import Floats

__all__ = ["LeaveOneOut"]


@dataclass(frozen=True, eq=False)
class LeaveOneOut:
    """What the other places say of each place, against its own height.

    Attributes
    ----------
    x, y : ndarray, shape (n,)
        Position, mm.
    errors : ndarray, shape (n,)
        Height less the surface fitted to the other places, with its settings kept, mm. NaN where
        the others do not reach: for interpolants at the corners of a grid and on the outline of
        scattered places, for all kinds where the others carry no plane.
    edge : ndarray of bool, shape (n,)
        Places on the outline; there the others speak from one side only, and err more.
    """

    x: Floats
    y: Floats
    errors: Floats
    edge: npt.NDArray[np.bool_]

    @property
    def rms(self) -> float:
        """Root mean square of all errors, mm; it holds the noise of the place left out too."""
        return _rms(self.errors)

    @property
    def rms_interior(self) -> float:
        """The same of the places that are not on the outline."""
        return _rms(self.errors[~self.edge])

    @property
    def rms_edge(self) -> float:
        """The same of the places on the outline."""
        return _rms(self.errors[self.edge])


def _rms(values: Floats) -> float:
    seen = values[np.isfinite(values)]
    return float(np.sqrt(np.mean(seen**2))) if len(seen) else float("nan")
