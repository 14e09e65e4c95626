"""Outline: the area that was probed, and the nearest spot in it."""

from dataclasses import dataclass

import numpy as np

from probes.run import Floats

__all__ = ["Hull"]


@dataclass(frozen=True, eq=False)
class Hull:
    """The convex outline of some places.

    Attributes
    ----------
    corners : ndarray, shape (k, 2)
        Counterclockwise, mm.
    """

    corners: Floats

    @classmethod
    def of(cls, x: Floats, y: Floats) -> "Hull":
        """Find the outline of places that are not in line."""
        from scipy.spatial import ConvexHull

        low, size = np.array((x.min(), y.min())), np.array((np.ptp(x), np.ptp(y)))
        spots = np.column_stack((x, y))
        return cls(spots[ConvexHull((spots - low) / size).vertices])

    def outside(self, x: Floats, y: Floats) -> Floats:
        """How far spots are beyond the nearest side's line, mm; negative inside."""
        sides = np.roll(self.corners, -1, axis=0) - self.corners
        sides = sides / np.hypot(*sides.T)[:, None]
        beyond = np.full(len(x), -np.inf)
        for (left, front), (along_x, along_y) in zip(self.corners, sides, strict=True):
            distance = (x - left) * along_y - (y - front) * along_x
            np.maximum(beyond, distance, out=beyond)
        return beyond

    def nearest(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Spots of the outline that are nearest to spots outside it; shape (m,)."""
        best = np.full(len(x), np.inf)
        near_x, near_y = np.array(x), np.array(y)
        ends = np.roll(self.corners, -1, axis=0)
        for (left, front), (right, back) in zip(self.corners, ends, strict=True):
            dx, dy = right - left, back - front
            part = np.clip(((x - left) * dx + (y - front) * dy) / (dx**2 + dy**2), 0, 1)
            at_x, at_y = left + part * dx, front + part * dy
            distance = np.hypot(x - at_x, y - at_y)
            closer = distance < best
            best = np.where(closer, distance, best)
            near_x, near_y = np.where(closer, at_x, near_x), np.where(closer, at_y, near_y)
        return near_x, near_y
