"""A contact of two shapes in one situation, before it is placed in the model."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from steps.model import Array, Backing, Fit, TouchKind


@dataclass(frozen=True, eq=False)
class Contact:
    """As :class:`steps.model.Touch`, in the coordinates of one shape, the carrier by its row (0 or 1)."""

    kind: TouchKind
    carrier: int
    point: Array
    axis: Array
    gap: float
    mean_gap: float
    depth: float
    area: float
    points: Array
    normals: Array
    radius: float = 0.0
    snap: float = 0.0
    bond_gap: float = 0.0
    height: float = 0.0
    all_round: bool = False  #: a hole or cup holds the plug over most of its circle
    gaps: Array = field(default_factory=lambda: np.zeros(0))
    lengths: Array = field(default_factory=lambda: np.zeros(0))
    widths: Array = field(default_factory=lambda: np.zeros(0))
    through: bool = False  #: the plug goes on past the end of its hole
    faces: tuple[str, ...] = ()
    backings: tuple[Backing, ...] = ()
    bore: float = 0.0
    slope: float = 0.0
    slides: bool = False  #: a prism that nothing stops either way along its axis
    fit: Fit = "none"

    def moved(self, pose: Array) -> Contact:
        """The same contact after a rigid motion."""
        turn, shift = pose[:3, :3], pose[:3, 3]
        return replace(
            self,
            point=turn @ self.point + shift,
            axis=turn @ self.axis,
            points=self.points @ turn.T + shift,
            normals=self.normals @ turn.T,
        )


def invert(pose: Array) -> Array:
    """The inverse of a rigid pose."""
    back = pose.copy()
    back[:3, :3] = pose[:3, :3].T
    back[:3, 3] = -pose[:3, :3].T @ pose[:3, 3]
    return back
