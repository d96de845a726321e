"""Whether what is built stands by itself: its centre of mass over what carries it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import ConvexHull, QhullError

from steps.model import Array, IntArray, Model
from steps.planfile import PlanFile

#: Vertices this close to the lowest one lie on the table, as a share of the motion tolerance.
ON_TABLE_SHARE = 0.25
#: The same at least, mm, for small models: no printed underside is flatter (common practice, no source).
ON_TABLE_LEAST_MM = 0.05
#: The centre of mass must lie inside the support by this much, mm: an edge carries nothing.
INSIDE_MM = 0.01


@dataclass(eq=False)
class Stander:
    """Masses, centres and lowest points of the parts of one model."""

    model: Model
    plan: PlanFile
    tolerance_mm: float
    _low: dict[tuple[object, ...], Array] = field(default_factory=dict)
    _lowest: dict[tuple[float, ...], Array] = field(default_factory=dict)

    def __post_init__(self) -> None:
        grams = {shape.id: shape.printed_g for shape in self.plan.shapes}
        centres = {shape.id: centre_of(shape.vertices, shape.faces) for shape in self.model.shapes}
        self.mass: Mapping[str, float] = {part.id: grams[part.shape] for part in self.model.parts}
        self.centre: Mapping[str, Array] = {
            part.id: part.pose[:3, :3] @ centres[part.shape] + part.pose[:3, 3] for part in self.model.parts
        }

    @property
    def _slack(self) -> float:
        return max(ON_TABLE_SHARE * self.tolerance_mm, ON_TABLE_LEAST_MM)

    def low_points(self, part_id: str, up: Array) -> Array:
        """(k, 3) vertices of the part that are its lowest along ``up``, model coordinates."""
        part = self.model.part_by_id[part_id]
        there = part.pose[:3, :3].T @ up
        key = (part.shape, *(np.round(there, 6) + 0.0))
        if key not in self._low:
            vertices = self.model.shape_by_id[part.shape].vertices
            heights = vertices @ there
            self._low[key] = vertices[heights <= heights.min() + self._slack]
        return self._low[key] @ part.pose[:3, :3].T + part.pose[:3, 3]

    def lowest(self, parts: Sequence[str], up: Array) -> float:
        """Height of the table under the parts, mm along ``up``."""
        return float(self._heights(up)[self._rows(parts)].min())

    def on_table(
        self, parts: Sequence[str], up: Array, level: float, within_mm: float | None = None
    ) -> list[str]:
        """Parts that reach the table at ``level``, within the slack of a move or so much."""
        slack = self._slack if within_mm is None else within_mm
        low = self._heights(up)[self._rows(parts)] <= level + slack
        return [part for part, is_low in zip(parts, low, strict=True) if is_low]

    def _rows(self, parts: Sequence[str]) -> IntArray:
        return np.array([self.model.index_of[part] for part in parts], dtype=np.int64)

    def _heights(self, up: Array) -> Array:
        """(parts,) lowest height of every part of the model along ``up``."""
        key = tuple(np.round(up, 6) + 0.0)
        if key not in self._lowest:
            self._lowest[key] = np.array(
                [float((self.low_points(part.id, up) @ up).min()) for part in self.model.parts]
            )
        return self._lowest[key]

    def stands(self, parts: Sequence[str], up: Array, level: float) -> bool:
        """Whether the parts, as one rigid body, stand on the table at ``level``."""
        carriers = self.on_table(parts, up, level)
        if not carriers:
            return False
        ground = np.concatenate([self.low_points(part, up) for part in carriers])
        ground = ground[ground @ up <= level + self._slack]
        masses = np.array([self.mass[part] for part in parts])
        centre = masses @ np.array([self.centre[part] for part in parts]) / masses.sum()
        flat = np.linalg.svd(np.asarray(up, dtype=float)[None])[2][1:].T
        return inside(centre @ flat, ground @ flat, INSIDE_MM)


def inside(point: Array, cloud: Array, margin: float) -> bool:
    """Whether a point of the plane lies in the convex hull of others, ``margin`` from its edge."""
    try:
        hull = ConvexHull(cloud)
    except (QhullError, ValueError):  # fewer than three points, or all on a line
        return False
    return bool(np.all(hull.equations[:, :2] @ point + hull.equations[:, 2] <= -margin))


def centre_of(vertices: Array, faces: IntArray) -> Array:
    """Centroid of the volume inside a surface; of its corners where it encloses none."""
    a, b, c = (vertices[faces[:, corner]] for corner in range(3))
    sixfold = np.einsum("ij,ij->i", a, np.cross(b, c))
    if abs(sixfold.sum()) < 1e-9:
        return vertices.mean(axis=0)
    return sixfold @ (a + b + c) / (4.0 * sixfold.sum())
