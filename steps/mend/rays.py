"""Rays through a closed mesh: how many times it winds round a point."""

from __future__ import annotations

from functools import cached_property

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from steps.model import Array, IntArray

#: Directions off every likely face and edge; a point's winding number is the median over them.
WAYS = np.array([[0.5257, 0.2311, 0.8187], [-0.3713, 0.8643, -0.3393], [0.2089, -0.5743, -0.7916]])
WAYS /= np.linalg.norm(WAYS, axis=1)[:, None]
#: A ray goes on this far behind a face it has crossed, as a share of the mesh's diagonal: float32 carries
#: 6e-8.
STEP_SHARE = 2e-6
#: Faces crossed by one ray before it is given up.
MOST_HITS = 200
#: A face lies within its own shell when points this far off it, as shares of the diagonal, all do (0.002 to
#: 0.3 mm in 50), and one as far behind it: what crosses itself by less is noise, which also turns narrow
#: faces over.
OFF_SHARES = (4e-5, 3e-3, 6e-3)
#: Points asked on each face: its middle, and near its corners.
SPOTS = np.array([[1, 1, 1], [4, 1, 1], [1, 4, 1], [1, 1, 4]], dtype=np.float64)
SPOTS /= SPOTS.sum(axis=1)[:, None]


class Rays:
    """A mesh ready for rays, float32 about its middle."""

    def __init__(self, vertices: Array, faces: IntArray):
        self.vertices, self.faces = vertices, faces
        self.middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
        self.diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))

    @cached_property
    def scene(self) -> EmbreeScene:
        scene = EmbreeScene(robust=True)
        TriangleMesh(scene, np.ascontiguousarray(self.vertices[self.faces] - self.middle, dtype=np.float32))
        return scene

    @cached_property
    def crosses(self) -> Array:
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def areas(self) -> Array:
        return np.linalg.norm(self.crosses, axis=1) / 2

    @cached_property
    def normals(self) -> Array:
        return self.crosses / np.maximum(2 * self.areas, 1e-300)[:, None]

    def winding(self, points: Array, ways: Array = WAYS) -> IntArray:
        """(k,) winding number of each (k, 3) point: 1 within a plain solid, 0 outside."""
        if not len(points):
            return np.zeros(0, dtype=np.int64)
        counts = np.array([self._crossings(points, way) for way in ways])
        return np.round(np.median(counts, axis=0)).astype(np.int64)

    def _crossings(self, points: Array, way: Array) -> IntArray:
        """(k,) faces that rays leave by less those they enter by."""
        total = np.zeros(len(points), dtype=np.int64)
        live = np.arange(len(points))
        at = points - self.middle
        ahead = self.normals @ way
        direction = way.astype(np.float32)
        for _ in range(MOST_HITS):
            origins = np.ascontiguousarray(at[live], dtype=np.float32)
            hit = self.scene.run(origins, np.tile(direction, (len(live), 1)), output=True)
            face, far = np.asarray(hit["primID"]), np.asarray(hit["tfar"], dtype=np.float64)
            met = face >= 0
            live, face, far = live[met], face[met], far[met]
            if not len(live):
                break
            total[live] += np.sign(ahead[face]).astype(np.int64)
            at[live] += (far + STEP_SHARE * self.diagonal)[:, None] * way
        return total

    def crosses_itself(self) -> bool:
        """Whether some of an outward closed mesh lies within itself: winding numbers beside its faces
        tell."""
        spots = np.einsum("sk,fki->fsi", SPOTS, self.vertices[self.faces]).reshape(-1, 3)
        normals = np.repeat(self.normals, len(SPOTS), axis=0)
        areas = np.repeat(self.areas / len(SPOTS), len(SPOTS))
        ways = WAYS[:1]
        for share in (*OFF_SHARES, -OFF_SHARES[-1]):
            within = self.winding(spots + share * self.diagonal * normals, ways) != 0
            spots, normals, areas, ways = spots[within], normals[within], areas[within], WAYS
        return bool(areas.sum() > (OFF_SHARES[-1] * self.diagonal) ** 2)
