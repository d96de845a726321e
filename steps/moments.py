"""How a surface spreads: what tells one solid, or one way of standing, from another without a word of how its
mesh is cut or written."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steps.model import Array, IntArray

#: Places on a triangle (shares of its corners) and their weights that give moments up to the third exactly:
#: Strang and Fix, "An Analysis of the Finite Element Method" (1973), four points; from memory, and tested.
SPOTS = np.array([[1 / 3, 1 / 3, 1 / 3], [0.6, 0.2, 0.2], [0.2, 0.6, 0.2], [0.2, 0.2, 0.6]])
SPOT_WEIGHTS = np.array([-27.0, 25.0, 25.0, 25.0]) / 48
#: Numbers that tell one way of standing from another: the second moments and the third.
SEEN = 9 + 27


@dataclass(frozen=True, eq=False)
class Moments:
    """How a surface spreads about its centre, per area: nothing of how it is cut into triangles."""

    root_area: float  #: mm
    centre: Array  #: (3,) mm
    second: Array  #: (3, 3) mm2
    third: Array  #: (3, 3, 3) mm3

    @staticmethod
    def of(vertices: Array, faces: IntArray) -> Moments:
        corners = vertices[faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        areas = np.linalg.norm(cross, axis=1) / 2
        spots = np.einsum("sc,fcx->sfx", SPOTS, corners).reshape(-1, 3)
        weights = (SPOT_WEIGHTS[:, None] * areas).reshape(-1) / areas.sum()
        centre = weights @ spots
        off = spots - centre
        heavy = weights[:, None] * off
        second = heavy.T @ off
        pairs = (off[:, :, None] * off[:, None, :]).reshape(-1, 9)
        return Moments(float(np.sqrt(areas.sum())), centre, second, (heavy.T @ pairs).reshape(3, 3, 3))

    def seen(self, turns: Array) -> Array:
        """(k, SEEN) mm: what of them tells one way (k, 3, 3) of standing from another."""
        second = np.einsum("kia,kjb,ab->kij", turns, turns, self.second)
        third = np.einsum("kia,kjb,klc,abc->kijl", turns, turns, turns, self.third)
        flat = second.reshape(-1, 9) / self.root_area, third.reshape(-1, 27) / self.root_area**2
        return np.concatenate(flat, axis=1)
