"""Predictors: what a fitted surface is asked with, and the two that need no fitting."""

from dataclasses import dataclass
from typing import Protocol

import numpy as np

from mesh.plane import PlaneFit
from probes.run import Floats, Grid

__all__ = ["PlanePredictor", "Predictor", "Reordered"]


class Predictor(Protocol):
    """What a fitted surface is asked with."""

    @property
    def left_out(self) -> Floats:
        """Each place's height less what the others say of it, mm."""

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height, mm, and its variance, mm^2, at spots; shape (m,)."""


@dataclass(frozen=True, eq=False)
class PlanePredictor:
    """A bed that is a plane, or three places, which cannot show more."""

    plane: PlaneFit
    noise: float | None
    exact: bool

    @property
    def left_out(self) -> Floats:
        """Zero on a plane; three places cannot spare one: NaN."""
        if not self.exact:
            return np.full(3, np.nan)
        return np.zeros(len(self.plane.residuals))

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height, mm, and its variance from the noise alone, mm^2; NaN if nothing tells it."""
        unknown = 0.0 if self.exact else np.nan
        variance = unknown if self.noise is None else self.noise**2
        return self.plane.height(x, y), self.plane.leverage(x, y) * variance


@dataclass(frozen=True, eq=False)
class Reordered:
    """A predictor of a grid whose places were given in another order."""

    grid: Predictor
    order: Grid

    @property
    def left_out(self) -> Floats:
        """Each place's height less what the others say of it, mm; shape (n,)."""
        ordered: Floats = self.grid.left_out[self.order.row, self.order.column]
        return ordered

    def at(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Height and its variance at spots."""
        return self.grid.at(x, y)
