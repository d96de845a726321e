"""Rays through a closed mesh: how many times it winds round a point."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property
from typing import Any

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from renderer.scenes import ray_scene
from steps.model import Array, IntArray
from steps.progress import ticking

#: Directions off every likely face and edge; a point's winding number is the median over them.
WAYS = np.array([[0.5257, 0.2311, 0.8187], [-0.3713, 0.8643, -0.3393], [0.2089, -0.5743, -0.7916]])
WAYS /= np.linalg.norm(WAYS, axis=1)[:, None]
#: A ray goes on this far behind a face it has crossed, as a share of the mesh's diagonal: float32 carries
#: 6e-8.
STEP_SHARE = 2e-6
#: Rays asked for in one go: some hundredths of a second.
AT_ONCE = 1 << 14
#: Faces crossed by one ray before it is given up.
MOST_HITS = 200
#: A face crosses its own shell when there is not void on one side of it and material on the other, at all of
#: these shares of the diagonal off it (0.002 to 0.3 mm in 50): what crosses itself by less is noise. It also
#: sets faces lower than the second of these across the surface: of them only what winds round twice tells.
OFF_SHARES = (4e-5, 3e-3, 6e-3)
#: Points asked on each face: its middle, and on large ones near its corners too.
SPOTS = np.array([[1, 1, 1], [4, 1, 1], [1, 4, 1], [1, 1, 4]], dtype=np.float64)
SPOTS /= SPOTS.sum(axis=1)[:, None]
#: A face with more area than a square of this share of the diagonal is large: 1 mm in 50.
LARGE_SHARE = 0.02


class Rays:
    """A mesh ready for rays: float32 about its middle, its diagonal 1, so that no size is too small."""

    def __init__(self, vertices: Array, faces: IntArray):
        self.vertices, self.faces = vertices, faces
        self.middle = (vertices.min(axis=0) + vertices.max(axis=0)) / 2
        self.diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))

    @cached_property
    def scene(self) -> EmbreeScene:
        scene = ray_scene()
        TriangleMesh(scene, self._own(self.vertices[self.faces]))
        return scene

    def _own(self, points: Array) -> Array:
        """Points as the scene has them."""
        return np.ascontiguousarray((points - self.middle) / max(self.diagonal, 1e-300), dtype=np.float32)

    @cached_property
    def crosses(self) -> Array:
        a, b, c = (self.vertices[self.faces[:, k]] for k in range(3))
        return np.cross(b - a, c - a)

    @cached_property
    def areas(self) -> Array:
        return np.linalg.norm(self.crosses, axis=1) / 2

    @cached_property
    def heights(self) -> Array:
        """(m,) the least height of each face."""
        corners = self.vertices[self.faces]
        sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
        return 2 * self.areas / np.maximum(sides.max(axis=1), 1e-300)

    @cached_property
    def normals(self) -> Array:
        return self.crosses / np.maximum(2 * self.areas, 1e-300)[:, None]

    def winding(self, points: Array, ways: Array = WAYS) -> IntArray:
        """(k,) winding number of each (k, 3) point: 1 within a plain solid, 0 outside."""
        found = [np.zeros(0, dtype=np.int64)]
        for some in _blocks(points):
            counts = np.array([self._crossings(some, way) for way in ways])
            found.append(np.round(np.median(counts, axis=0)).astype(np.int64))
        return np.concatenate(found)

    def _crossings(self, points: Array, way: Array) -> IntArray:
        """(k,) faces that rays leave by less those they enter by."""
        total = np.zeros(len(points), dtype=np.int64)
        live = np.arange(len(points))
        at = (points - self.middle) / max(self.diagonal, 1e-300)
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
            at[live] += (far + STEP_SHARE)[:, None] * way
        return total

    def crosses_itself(self) -> bool:
        """Whether some of an outward closed mesh lies within itself.

        A ray from before a face meets the next one from without, a ray from behind it from within; only
        points whose rays tell otherwise are asked for their winding numbers.
        """
        spots, face, areas = self._spots()
        normals, wide = self.normals[face], self.heights[face] > OFF_SHARES[1] * self.diagonal
        doubted = ~(self._meets(spots, normals, False) & self._meets(spots, -normals, True))
        for share in OFF_SHARES:
            spots, normals, areas, wide = (each[doubted] for each in (spots, normals, areas, wide))
            if areas.sum() <= (OFF_SHARES[-1] * self.diagonal) ** 2:
                return False
            off = share * self.diagonal * normals
            before, behind = self.winding(spots + off), self.winding(spots - off)
            doubted = ((before | behind) & ~1 != 0) | (before == behind) & wide
        return bool(areas[doubted].sum() > (OFF_SHARES[-1] * self.diagonal) ** 2)

    def _meets(self, spots: Array, ways: Array, leaving: bool) -> np.ndarray:
        """(k,) whether each ray's first face is met as ``leaving`` says; none is met where one enters."""
        met = self.first(spots + OFF_SHARES[0] * self.diagonal * ways, ways)
        leaves = np.einsum("ij,ij->i", self.normals[met], ways) > 0
        return np.where(met < 0, not leaving, leaves == leaving)

    def _spots(self) -> tuple[Array, IntArray, Array]:
        """Points on the faces, the face of each, and the area it stands for."""
        corners = self.vertices[self.faces]
        large = np.flatnonzero(self.areas > (LARGE_SHARE * self.diagonal) ** 2)
        small = np.flatnonzero(self.areas <= (LARGE_SHARE * self.diagonal) ** 2)
        spots = [corners[small].mean(axis=1), np.einsum("sk,fki->fsi", SPOTS, corners[large]).reshape(-1, 3)]
        areas = [self.areas[small], np.repeat(self.areas[large] / len(SPOTS), len(SPOTS))]
        face = np.concatenate([small, np.repeat(large, len(SPOTS))])
        return np.concatenate(spots), face, np.concatenate(areas)

    def first_distance(self, points: Array, ways: Array) -> Array:
        """(k,) how far each ray goes before it meets a face; infinite where it meets none."""
        far = self._asked(points, ways, np.float32, query="DISTANCE")
        return np.where(far < 1e30, far, np.inf).astype(np.float64) * self.diagonal

    def first(self, points: Array, ways: Array) -> IntArray:
        """(k,) the first face on each ray, -1 where there is none."""
        return self._asked(points, ways, np.int64)

    def _asked(self, points: Array, ways: Array, kind: type, **query: str) -> Any:
        found: list[Any] = [np.zeros(0, dtype=kind)]
        for some, own in zip(_blocks(points), _blocks(ways), strict=True):
            found.append(
                self.scene.run(self._own(some), np.ascontiguousarray(own, dtype=np.float32), **query)
            )
        return np.concatenate(found)


def _blocks(rows: Array) -> Iterator[Array]:
    """The rows, some at a time, with a tick for each block."""
    return ticking(rows[start : start + AT_ONCE] for start in range(0, len(rows), AT_ONCE))
