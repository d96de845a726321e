"""Solids that stand in each other deeper than any press fit, and by how many millimetres.

A cheap test first: points on each shape's surface, drawn inwards by the depth that is allowed, must
not lie in the other shape. One ray tells: it meets the other shape from inside or not. Only the few
situations that fail are intersected as solids.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from weakref import WeakKeyDictionary

import manifold3d
import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from steps.features.anatomy import Anatomy
from steps.features.mesh import Mesh
from steps.model import Array

#: Depth, as a share of the unit length, beyond which no press fit goes (0.3 mm at a pitch of 10):
#: files by other makers interfere by 0.2 mm and overlap along the axis by 0.1 mm and still close.
DEEP_SHARE = 0.03
#: Points on a surface lie about this share of the unit length apart: finer than two walls' crossing.
SPACING_SHARE = 1 / 6
#: At most this many points a shape.
MAX_POINTS = 40_000
#: Two directions off every likely face and edge; a point is inside when both rays say so.
RAYS = np.array([[0.5257, 0.2311, 0.8187], [-0.3713, 0.8643, -0.3393]])


@dataclass(frozen=True, eq=False)
class Overlap:
    """How far two solids stand in each other."""

    depth_mm: float
    volume_mm3: float
    exact: bool  #: False when a mesh is open, so that the solids could not be intersected


class Probe:
    """One shape, ready to be asked which points lie in it."""

    def __init__(self, mesh: Mesh):
        self.mesh = mesh
        self.middle = mesh.vertices.mean(axis=0)
        self.low, self.high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)

    @cached_property
    def scene(self) -> EmbreeScene:
        scene = EmbreeScene()
        TriangleMesh(scene, (self.mesh.triangles - self.middle).astype(np.float32))
        return scene

    def inside(self, points: Array) -> np.ndarray:
        """(k,) whether each (k, 3) point lies in the solid."""
        result = np.zeros(len(points), dtype=bool)
        rows = np.flatnonzero(np.all((points > self.low) & (points < self.high), axis=1))
        for ray in RAYS:
            if not len(rows):
                break
            origins = (points[rows] - self.middle).astype(np.float32)
            ways = np.tile(ray.astype(np.float32), (len(rows), 1))
            hit = self.scene.run(origins, ways)
            leaving = (hit >= 0) & (self.mesh.normals[hit] @ ray > 0)
            rows = rows[leaving]
        result[rows] = True
        return result

    @cached_property
    def solid(self) -> manifold3d.Manifold:
        vertices = np.array(self.mesh.vertices, dtype=np.float64, order="C")
        faces = np.array(self.mesh.faces, dtype=np.uint64, order="C")
        return manifold3d.Manifold(manifold3d.Mesh64(vertices, faces))

    def drawn_in(self, depth: float, spacing: float) -> Array:
        """Points ``depth`` inside the surface: spread over the faces, and one for every vertex."""
        mesh = self.mesh
        total = float(mesh.areas.sum())
        count = int(np.clip(total / spacing**2, 64, MAX_POINTS))
        at = (np.arange(count) + 0.5) / count * total
        face = np.minimum(np.searchsorted(np.cumsum(mesh.areas), at), len(mesh.faces) - 1)
        # Additive recurrence with the plastic number: even over each face, the same every time.
        u, v = np.mod(np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] + 0.5, 1).T
        over = u + v > 1
        u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
        a, b, c = (mesh.triangles[face, k] for k in range(3))
        spread = a + u[:, None] * (b - a) + v[:, None] * (c - a) - depth * mesh.normals[face]
        outward = np.zeros_like(mesh.vertices)
        np.add.at(outward, mesh.faces.ravel(), np.repeat(mesh.crosses, 3, axis=0))
        length = np.linalg.norm(outward, axis=1)
        used = length > 0
        corners = (
            mesh.vertices[used] - 1.8 * depth * outward[used] / length[used, None]
        )  # a cube's corner: sqrt 3
        points = np.vstack([spread, corners])
        return points[self.inside(points)]


_probes: WeakKeyDictionary[Anatomy, Probe] = WeakKeyDictionary()


def probe(body: Anatomy) -> Probe:
    """The shape's probe, remembered for as long as its anatomy lives."""
    found = _probes.get(body)
    if found is None:
        found = _probes[body] = Probe(body.mesh)
    return found


def drawn_points(body: Anatomy, unit: float) -> Array:
    """Points of a shape that no neighbour may contain."""
    if not len(body.mesh.faces):
        return np.zeros((0, 3))
    return probe(body).drawn_in(DEEP_SHARE * unit, SPACING_SHARE * unit)


def overlap(
    first: Anatomy, second: Anatomy, points: tuple[Array, Array], pose: Array, back: Array, unit: float
) -> Overlap | None:
    """How deep two shapes stand in each other, or None; ``pose`` takes the second to the first, ``back``
    the first to the second; ``points`` are the :func:`drawn_points` of both."""
    if not len(first.mesh.faces) or not len(second.mesh.faces):
        return None
    hit = probe(first).inside(points[1] @ pose[:3, :3].T + pose[:3, 3]).any()
    hit = hit or probe(second).inside(points[0] @ back[:3, :3].T + back[:3, 3]).any()
    return _depth(probe(first), probe(second), pose, unit) if hit else None


def _depth(first: Probe, second: Probe, pose: Array, unit: float) -> Overlap:
    common = first.solid ^ second.solid.transform(pose[:3])
    if common.status() != manifold3d.Error.NoError or common.is_empty():
        return Overlap(DEEP_SHARE * unit, 0.0, False)
    deepest, volume = 0.0, 0.0
    for piece in common.decompose():
        surface, filled = piece.surface_area(), piece.volume()
        volume += filled
        box = np.array(piece.bounding_box())
        extents = box[3:] - box[:3]
        # A block-like piece is as deep as its box is thin; a shell is as thick as twice its volume
        # over its surface.
        solid = filled > 0.5 * extents.prod()
        deepest = max(deepest, float(extents.min() if solid else 2 * filled / max(surface, 1e-12)))
    return Overlap(max(deepest, DEEP_SHARE * unit), volume, True)
