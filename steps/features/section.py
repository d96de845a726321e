"""A mesh cut by a plane: directed segments with the solid on their left, in the plane's coordinates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from steps.features.mesh import Mesh
from steps.features.patches import plane_basis
from steps.model import Array, IntArray


@dataclass(frozen=True, eq=False)
class Section:
    """Segments (k, 2, 2) in the basis (2, 3) of the cutting plane, and the face each was cut from."""

    segments: Array
    faces: IntArray
    basis: Array

    def about(self, point: Array) -> Array:
        """Segments relative to a (3,) point, by its projection on the plane."""
        return self.segments - self.basis @ point


def section(mesh: Mesh, normal: Array, level: float, rows: IntArray | None = None) -> Section:
    """Cut the faces (all, or those in ``rows``) by the plane of points with ``normal . p == level``.

    The plane must not run through vertices; choose levels between them.
    """
    basis = plane_basis(normal)
    faces = mesh.faces if rows is None else mesh.faces[rows]
    height = mesh.vertices @ normal - level
    above = height[faces] > 0
    count = above.sum(axis=1)
    crossing = np.flatnonzero((count == 1) | (count == 2))
    if not len(crossing):
        return Section(np.zeros((0, 2, 2)), np.zeros(0, dtype=np.int64), basis)
    side = above[crossing]
    lone = np.where(count[crossing] == 1, side.argmax(axis=1), (~side).argmax(axis=1))
    cut = faces[crossing]
    at = np.arange(len(cut))
    apex, following, leading = (cut[at, (lone + k) % 3] for k in range(3))
    flat = mesh.vertices @ basis.T
    first = _between(flat, height, apex, following)
    second = _between(flat, height, apex, leading)
    # With the apex above, the solid lies to the left going from its first to its second edge.
    forward = (count[crossing] == 1)[:, None]
    segments = np.stack([np.where(forward, first, second), np.where(forward, second, first)], axis=1)
    return Section(segments, crossing if rows is None else rows[crossing], basis)


def _between(flat: Array, height: Array, a: IntArray, b: IntArray) -> Array:
    share = (height[a] / (height[a] - height[b]))[:, None]
    return flat[a] + share * (flat[b] - flat[a])


def inside_numbers(segments: Array, points: Array) -> Array:
    """(k,) winding number of each (k, 2) point: 1 within the solid, 0 outside."""
    a, b = segments[None, :, 0] - points[:, None], segments[None, :, 1] - points[:, None]
    cross = a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0]
    return np.arctan2(cross, (a * b).sum(axis=2)).sum(axis=1) / (2 * np.pi)


def nearest_points(segments: Array) -> Array:
    """(k, 2) the point of each segment that is nearest to the origin."""
    a, along = segments[:, 0], segments[:, 1] - segments[:, 0]
    length = (along**2).sum(axis=1)
    share = np.clip(-(a * along).sum(axis=1) / np.maximum(length, 1e-300), 0, 1)
    return a + share[:, None] * along
