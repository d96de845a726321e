"""Asking a mesh: does this point lie in the solid, and how far does this ray go?"""

from __future__ import annotations

from functools import cached_property

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from renderer.scenes import ray_scene
from steps.features.mesh import Mesh, winding
from steps.mend.rays import Rays
from steps.model import Array, IntArray
from steps.recent import Recent

#: Two directions off every likely face and edge; a point is inside when both rays say so.
RAYS = np.array([[0.5257, 0.2311, 0.8187], [-0.3713, 0.8643, -0.3393]])
#: Of so many faces in all the ray scenes are kept, some 200 bytes each.
KEPT_FACES = 1_000_000
#: Points times faces up to which an open mesh is asked by its winding number.
WINDING_LIMIT = 400_000_000

_kept = Recent(KEPT_FACES)


class Probe:
    """A mesh, or some of its faces, ready for rays. Rays are float32 about the mesh's middle."""

    def __init__(self, mesh: Mesh, rows: IntArray | None = None):
        self.mesh = mesh
        self.rows = np.arange(len(mesh.faces)) if rows is None else rows
        self.middle = mesh.vertices.mean(axis=0)
        self.low, self.high = mesh.vertices.min(axis=0), mesh.vertices.max(axis=0)

    @cached_property
    def scene(self) -> EmbreeScene:
        self.about_to_make()
        scene = ray_scene(robust=False)
        TriangleMesh(scene, (self.mesh.triangles[self.rows] - self.middle).astype(np.float32))
        return scene

    def about_to_make(self) -> None:
        """Something large follows: the probes asked longest ago let go of theirs."""
        _kept.use(self, len(self.rows))

    def forget(self) -> None:
        """Let go of what was made for rays."""
        self.__dict__.pop("scene", None)

    def solid_at(self, points: Array) -> np.ndarray:
        """(k,) whether each (k, 3) point lies in the solid, also of an open or many-shelled mesh."""
        if self.mesh.closed and self.mesh.shells > 1:
            return Rays(self.mesh.vertices, self.mesh.faces).winding(points) > 0
        if self.mesh.closed or len(points) * len(self.mesh.faces) > WINDING_LIMIT:
            return self.inside(points)
        return winding(self.mesh, points) > 0.5

    def inside(self, points: Array) -> np.ndarray:
        """(k,) whether each (k, 3) point lies in a closed solid: rays leave it from within."""
        result = np.zeros(len(points), dtype=bool)
        rows = np.flatnonzero(np.all((points > self.low) & (points < self.high), axis=1))
        for ray in RAYS:
            if not len(rows):
                break
            origins = (points[rows] - self.middle).astype(np.float32)
            hit = self.scene.run(origins, np.tile(ray.astype(np.float32), (len(rows), 1)))
            leaving = (hit >= 0) & (self.mesh.normals[self.rows[hit]] @ ray > 0)
            rows = rows[leaving]
        result[rows] = True
        return result

    def distances(self, origins: Array, ways: Array) -> Array:
        """(k,) how far each ray goes before it meets a face; infinite when it meets none."""
        if not len(self.rows) or not len(origins):
            return np.full(len(origins), np.inf)
        start, way = (origins - self.middle).astype(np.float32), ways.astype(np.float32)
        found = self.scene.run(start, way, query="DISTANCE")
        return np.where(found < 1e30, found, np.inf).astype(np.float64)
