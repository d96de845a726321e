"""Depth maps: a shape seen along a direction, as the places where parallel rays enter and leave it.

Ray positions are shifted off the lattice by an irrational share of a pixel, so that no ray runs along
an edge or a face of a shape that sits on it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray

from renderer.scenes import ray_scene
from steps.model import Array, Shape
from steps.recent import Recent

#: A blocking patch fills a square of so many pixels: 2 / 32 pitch. Wider than any press-fit interference
#: seen (a fortieth of a pitch is 0.8 pixels), narrower than a printed wall (a tenth and up), and near the
#: verifier's tolerance (0.04 pitch is 1.3 pixels): three pixels missed the corner of a part set askew.
SLIVER_PIXELS = 2
#: Shift of the rays off the lattice, in pixels: (sqrt(5) - 1) / 2 - 1/2 and sqrt(2) - 4/3.
OFF_LATTICE = (0.1180339887, 0.0808802290)
#: A ray goes on this far behind the surface it has just crossed, mm: above float32 rounding at 1 m.
STEP_PAST_MM = 1e-3
#: Stretches of material looked at along one ray; a comb of more is cut short.
MOST_LAYERS = 32
#: Rays start and end this far outside the shape, mm.
RAY_MARGIN_MM = 1.0

#: Of so many faces in all the ray scenes are kept, some 200 bytes each.
KEPT_FACES = 1_000_000

FloatMap = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class DepthMap:
    """A shape seen along a direction: where rays first and last cross it, relative to its origin."""

    row: int  #: pixel row and column of the lower corner, counted from the shape's origin
    column: int
    first: FloatMap  #: (rows, columns) mm along the direction, +inf where the ray misses
    last: FloatMap  #: the same for the last crossing, -inf where the ray misses


_kept = Recent(KEPT_FACES)


class RayShape:
    """One shape's mesh as a ray scene."""

    def __init__(self, shape: Shape):
        self._shape = shape

    @property
    def _triangles(self) -> NDArray[np.float32]:
        return np.ascontiguousarray(self._shape.vertices[self._shape.faces], dtype=np.float32)

    @cached_property
    def scene(self) -> EmbreeScene:
        """Made of the mesh when it is first asked for, and kept while it is among the last."""
        _kept.use(self, len(self._shape.faces))
        scene = ray_scene()
        TriangleMesh(scene, self._triangles)
        return scene

    @cached_property
    def _normals(self) -> NDArray[np.float32]:
        _kept.use(self, len(self._shape.faces))
        corners = self._triangles
        return np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])

    def forget(self) -> None:
        """Let go of what was made for rays."""
        for name in ("scene", "_normals"):
            self.__dict__.pop(name, None)

    def distances(self, origins: Array, direction: Array, far: float) -> Array:
        """(n,) distance of the first crossing of each ray, +inf where it misses."""
        directions = np.broadcast_to(direction.astype(np.float32), origins.shape)
        found = self.scene.run(
            np.ascontiguousarray(origins, dtype=np.float32),
            np.ascontiguousarray(directions),
            query="DISTANCE",
        ).astype(np.float64)
        return np.where(found < far, found, np.inf)

    def from_within(self, origins: Array, direction: Array) -> NDArray[np.bool_]:
        """(n,) whether each ray meets the surface first from within."""
        directions = np.broadcast_to(direction.astype(np.float32), origins.shape)
        face = self.scene.run(
            np.ascontiguousarray(origins, dtype=np.float32),
            np.ascontiguousarray(directions),
            query="INTERSECT",
        )
        return np.asarray((face >= 0) & (self._normals[face] @ direction > 0))


def depth_map(shape: Shape, frame: Array, pixel_mm: float, rays: RayShape | None = None) -> DepthMap:
    """See ``shape`` along the third column of ``frame`` (3, 3, shape coordinates), rows along the first."""
    rays = rays or RayShape(shape)
    seen = shape.vertices @ frame
    low, high = seen.min(axis=0), seen.max(axis=0)
    start = np.floor(low[:2] / pixel_mm).astype(int)
    stop = np.ceil(high[:2] / pixel_mm).astype(int)
    across = [(np.arange(start[k], stop[k]) + 0.5 + OFF_LATTICE[k]) * pixel_mm for k in range(2)]
    grid = np.stack(np.meshgrid(*across, indexing="ij"), axis=-1).reshape(-1, 2)
    flat = grid @ frame[:, :2].T
    span = high[2] - low[2] + 2 * RAY_MARGIN_MM
    below = flat + (low[2] - RAY_MARGIN_MM) * frame[:, 2]
    above = flat + (high[2] + RAY_MARGIN_MM) * frame[:, 2]
    first = low[2] - RAY_MARGIN_MM + rays.distances(below, frame[:, 2], span)
    last = high[2] + RAY_MARGIN_MM - rays.distances(above, -frame[:, 2], span)
    size = (len(across[0]), len(across[1]))
    return DepthMap(
        int(start[0]),
        int(start[1]),
        first.reshape(size).astype(np.float32),
        last.reshape(size).astype(np.float32),
    )


def layers_of(
    shape: Shape, frame: Array, seen: DepthMap, pixel_mm: float, rays: RayShape | None = None
) -> list[tuple[FloatMap, FloatMap]]:
    """Every stretch of material along the rays of ``seen``: pairs of maps (enters, leaves), nearest first.

    Maps are like those of ``seen``; where a ray has fewer stretches they hold +inf and -inf.
    """
    rays = rays or RayShape(shape)
    size = seen.first.shape
    index = np.argwhere(np.isfinite(seen.first))
    at = (index + (seen.row, seen.column) + 0.5 + np.array(OFF_LATTICE)) * pixel_mm
    far = seen.last[np.isfinite(seen.last)].max(initial=0.0) + RAY_MARGIN_MM
    depth = seen.first[index[:, 0], index[:, 1]].astype(np.float64)
    live = np.arange(len(index))
    layers: list[tuple[FloatMap, FloatMap]] = []
    while len(live) and len(layers) < MOST_LAYERS:
        enters, leaves = np.full(size, np.inf, np.float32), np.full(size, -np.inf, np.float32)
        ends = _next_crossing(rays, frame, at[live], depth[live], far)
        inside = np.isfinite(ends)
        live, ends = live[inside], ends[inside]
        rows, columns = index[live].T
        enters[rows, columns], leaves[rows, columns] = depth[live], ends
        layers.append((enters, leaves))
        again = _next_crossing(rays, frame, at[live], ends, far)
        depth[live] = again
        live = live[np.isfinite(again)]
    return layers


def _next_crossing(rays: RayShape, frame: Array, at: Array, depth: Array, far: float) -> Array:
    """(n,) depth of the next crossing after ``depth`` on rays through ``at`` (n, 2), +inf if none."""
    if not len(at):
        return np.zeros(0)
    start = depth + STEP_PAST_MM
    origins = at @ frame[:, :2].T + start[:, None] * frame[:, 2]
    return start + rays.distances(origins, frame[:, 2], float(far - start.min()) + RAY_MARGIN_MM)


def narrow_filter(values: FloatMap, window: tuple[int, int]) -> FloatMap:
    """Least value in each window that fits into ``values``."""
    for axis, width in enumerate(window):
        length = values.shape[axis] - width + 1
        pieces = [np.take(values, range(k, k + length), axis=axis) for k in range(width)]
        values = np.minimum.reduce(pieces)
    return values


def shared_pixels(
    a: DepthMap, b: DepthMap, rows: int, columns: int
) -> tuple[tuple[slice, slice], tuple[slice, slice], tuple[int, int]] | None:
    """The pixels that A and the shifted B share, in each one's own rows and columns, and the sliver window.

    A part that is itself narrower than two windows is looked at with a narrower one. None where they
    share less than a window.
    """
    of_a: list[slice] = []
    of_b: list[slice] = []
    window: list[int] = []
    for axis, (at_a, at_b) in enumerate(((a.row, b.row + rows), (a.column, b.column + columns))):
        size_a, size_b = a.first.shape[axis], b.last.shape[axis]
        low, high = max(at_a, at_b), min(at_a + size_a, at_b + size_b)
        width = max(1, min(SLIVER_PIXELS, size_a // 2, size_b // 2))
        if high - low < width:
            return None
        of_a.append(slice(low - at_a, high - at_a))
        of_b.append(slice(low - at_b, high - at_b))
        window.append(width)
    return (of_a[0], of_a[1]), (of_b[0], of_b[1]), (window[0], window[1])


def reach_past(a: DepthMap, b: DepthMap, rows: int, columns: int) -> float:
    """How far B's last crossing lies past A's first, mm, B shifted by (rows, columns) pixels.

    The greatest depth that a whole sliver window shares; -inf where the two pass each other.
    """
    shared = shared_pixels(a, b, rows, columns)
    if shared is None:
        return -np.inf
    of_a, of_b, window = shared
    return float(narrow_filter(b.last[of_b] - a.first[of_a], window).max())
