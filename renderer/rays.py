"""Pixel tables by Embree rays: no graphics driver needed.

Each solid has one Embree scene in its own coordinates, built once; a placed item is hit by taking the
rays into those coordinates. Cost follows the pixels that items cover, not the triangles placed, and a
step that adds three parts to a thousand casts rays at three parts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import shapely
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from renderer.camera import SAMPLE, Camera
from renderer.solid import Solid
from renderer.table import LEVEL_MM, Cast, Item, PixelTable

Array = NDArray[np.float64]

#: Rays begin this many extents of the solid before it; near enough for float32 hits to be exact.
STANDOFF = 2.0
#: Room left round an outline (pixels).
SPARE = 2.0
#: A window of fewer pixels is not worth outlining.
SMALL = 1_500
#: Views that are remembered: a drawing's, its overview's, thumbnails' and insets'.
KEPT_VIEWS = 8
#: Sides of a bounding box seen more edge-on than this (cosine) bound nothing worth knowing.
SIDE_ON = 0.02
#: Faces seen more edge-on than this (cosine) take the depth of the item's origin.
EDGE_ON = 1e-6


class RaySource:
    """Casts one ray per pixel and item that may show there, nearest items first."""

    name = "rays"

    def __init__(self) -> None:
        self._views: dict[bytes, dict[tuple[int, bytes], _Attitude]] = {}

    def table(self, items: Sequence[Item], camera: Camera, base: PixelTable | None = None) -> PixelTable:
        """The table of ``items`` on top of ``base`` (left as it is)."""
        table = PixelTable.empty(camera) if base is None else base.copy()
        known = self._known(camera)
        placed = [_Placed(item, _attitude(item, camera, known), camera) for item in items]
        for one in sorted(placed, key=lambda one: (one.nearest, one.item.key)):
            _add(table, one)
        return table

    def _known(self, camera: Camera) -> dict[tuple[int, bytes], _Attitude]:
        """What is known of this view; the views used last are remembered."""
        view = np.append(camera.axes.ravel(), camera.pixel).tobytes()
        self._views[view] = self._views.pop(view, {})
        while len(self._views) > KEPT_VIEWS:
            self._views.pop(next(iter(self._views)))
        return self._views[view]


def _attitude(item: Item, camera: Camera, known: dict[tuple[int, bytes], _Attitude]) -> _Attitude:
    """What all items of this solid, turned alike, have in common in this view."""
    turn = np.ascontiguousarray(item.pose[:3, :3])
    key = (id(item.solid), turn.tobytes())
    if key not in known:
        known[key] = _Attitude(item.solid, turn, camera)
    return known[key]


class _Attitude:
    """A solid turned some way and seen in some view, wherever it stands."""

    def __init__(self, solid: Solid, turn: Array, camera: Camera) -> None:
        self.solid = solid  # kept, so that no other solid gets its id
        back = turn.T
        self.across = back @ camera.right * camera.pixel
        self.down = back @ -camera.up * camera.pixel
        self.way = -(back @ camera.toward)
        facing = solid.normals @ self.way
        self.edge_on = np.abs(facing) < EDGE_ON
        self.safe = np.where(self.edge_on, 1.0, facing)
        # depth on each face's plane grows by so much per column and per row
        self.by_column = np.where(self.edge_on, 0.0, -(solid.normals @ self.across) / self.safe).astype(
            np.float32
        )
        self.by_row = np.where(self.edge_on, 0.0, -(solid.normals @ self.down) / self.safe).astype(np.float32)
        outer = solid.outer @ (camera.axes @ turn).T
        #: outline relative to where the solid's origin is seen: columns, rows, depth
        self.outer = outer * [1 / camera.pixel, -1 / camera.pixel, -1.0]
        self.low = self.outer.min(axis=0, initial=np.inf)
        self.high = self.outer.max(axis=0, initial=-np.inf)
        self._box = _box_planes(solid, self.across, self.down, self.way)
        hull = shapely.MultiPoint(self.outer[:, :2]).convex_hull.buffer(SPARE, join_style="mitre")
        self.hull = shapely.get_coordinates(hull)

    def entry(self, plane: Array, first: NDArray, size: NDArray) -> NDArray[np.float32]:
        """(rows, columns) depth at which rays enter the solid's bounding box; ``plane``: where the ray of
        pixel 0, 0 meets the camera's plane, in the solid's coordinates. Nothing of the solid is nearer."""
        column = np.arange(first[0], first[0] + size[0])
        row = np.arange(first[1], first[1] + size[1])
        deepest = np.full(size[::-1], -np.inf, np.float32)
        for axis, offset, by_column, by_row, facing in self._box:
            level = (offset - plane[axis]) / facing
            depth = (level + by_row * row).astype(np.float32)[:, None] + (by_column * column).astype(
                np.float32
            )
            np.maximum(deepest, depth, out=deepest)
        return deepest

    def reach(self, at: Array, size: NDArray) -> NDArray[np.bool_]:
        """(rows, columns) of a window of size (columns, rows): what the outline, seen with the origin at
        ``at``, may cover, some to spare. Half the rays of a window round a tilted part would miss it."""
        if size.prod() < SMALL:
            return np.ones(size[::-1], dtype=bool)
        canvas = Image.new("1", (int(size[0]), int(size[1])))
        ImageDraw.Draw(canvas).polygon((self.hull + (at - 0.5)).ravel().tolist(), fill=1)
        return np.asarray(canvas)


def _box_planes(
    solid: Solid, across: Array, down: Array, way: Array
) -> list[tuple[int, float, float, float, float]]:
    """The sides of the bounding box that look at the viewer: axis, where on it, growth of the depth per
    column and per row, and the ray's part along the axis."""
    if not len(solid.outer):
        return []
    low, high = solid.outer.min(axis=0), solid.outer.max(axis=0)
    return [
        (
            axis,
            float(low[axis] if way[axis] > 0 else high[axis]),
            *(-of[axis] / way[axis] for of in (across, down)),
            way[axis],
        )
        for axis in range(3)
        if abs(way[axis]) > SIDE_ON
    ]


class _Placed:
    """An item in its place in a view."""

    def __init__(self, item: Item, attitude: _Attitude, camera: Camera) -> None:
        self.item, self.attitude, self.camera = item, attitude, camera
        self.at = camera.project(item.pose[:3, 3])  #: column, row and depth of the item's origin
        self.nearest = float(self.at[2] + attitude.low[2])
        #: where the ray of pixel 0, 0 meets the camera's plane, in the solid's coordinates
        self.plane = item.pose[:3, :3].T @ (camera.unproject(SAMPLE[0], SAMPLE[1]) - item.pose[:3, 3])

    def window(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """First and last (excluded) column and row that the item may cover, within the picture."""
        low, high = self.at + self.attitude.low, self.at + self.attitude.high
        if not np.isfinite(low).all():
            return np.zeros(2, np.int64), np.zeros(2, np.int64)
        first = np.maximum(np.floor(low[:2] - 0.5).astype(np.int64), 0)
        last = np.minimum(np.ceil(high[:2] + 0.5).astype(np.int64), (self.camera.columns, self.camera.rows))
        return first, last

    def hits(self, columns: NDArray, rows: NDArray) -> tuple[NDArray[np.int32], NDArray[np.float32]]:
        """Face (-1: none) and depth at pixels. The ray's start and the depth on each face are linear in
        column and row, so float32 sums do (exact to 1e-6 of the picture)."""
        one, solid, plane = self.attitude, self.item.solid, self.plane
        corner = plane + ((solid.middle - plane) @ one.way - STANDOFF * max(solid.extent, 1e-9)) * one.way
        place = np.empty((len(columns), 3), np.float32)
        place[:, 0], place[:, 1], place[:, 2] = columns, rows, 1.0
        start = place @ np.array([one.across, one.down, corner], np.float32)
        ways = np.empty_like(start)
        ways[:] = one.way
        face = solid.scene.run(start, ways, query="INTERSECT")
        level = np.where(one.edge_on, self.at[2], (solid.offsets - solid.normals @ plane) / one.safe)
        planes = np.column_stack([one.by_column, one.by_row, level]).astype(np.float32)
        return face, np.einsum("ij,ij->i", planes[face], place)


class Prober:
    """Single rays between the pixels of a view, each at one item: where exactly does it end?"""

    def __init__(self, cast: Cast, camera: Camera) -> None:
        turn = cast.rotations.transpose(0, 2, 1)
        self._cast = cast
        corner = camera.unproject(0.0, 0.0)
        self._corner = np.einsum("nij,nj->ni", turn, corner - cast.translations)
        self._across = turn @ (camera.right * camera.pixel)
        self._down = turn @ (-camera.up * camera.pixel)
        self._way = turn @ -camera.toward
        self._middle = (camera.centre - cast.translations) @ camera.toward

    def hits(self, rows: NDArray, across: Array, down: Array) -> tuple[NDArray[np.int32], Array]:
        """Face (-1: none) and depth at picture positions (n,) in pixels, each for one item row."""
        face = np.full(len(rows), -1, np.int32)
        depth = np.full(len(rows), np.inf)
        points = self._corner[rows] + across[:, None] * self._across[rows] + down[:, None] * self._down[rows]
        solid_of = self._cast.solid_of[rows]
        for row in np.unique(solid_of):
            of = np.flatnonzero(solid_of == row)
            ways, middle = self._way[rows[of]], self._middle[rows[of]]
            face[of], depth[of] = _hits(self._cast.solids[row], points[of], ways, middle)
        return face, depth


def _add(table: PixelTable, one: _Placed) -> None:
    """Draw one item into the table's arrays."""
    first, last = one.window()
    if (first >= last).any():
        return
    window = np.s_[first[1] : last[1], first[0] : last[0]]
    before = table.depth[window]
    if not (before > one.nearest - LEVEL_MM).any():
        return
    free = before > one.attitude.entry(one.plane, first, last - first) - LEVEL_MM
    if not free.any():
        return
    open_ = np.flatnonzero(free & one.attitude.reach(one.at[:2] - first, last - first))
    rows, columns = np.divmod(open_.astype(np.int32), np.int32(last[0] - first[0]))
    rows, columns = rows + np.int32(first[1]), columns + np.int32(first[0])
    face, depth = one.hits(columns, rows)
    at = rows.astype(np.intp) * table.camera.columns + columns
    old = table.depth.ravel()[at]
    shows = (face >= 0) & (depth < old + LEVEL_MM)
    level = np.flatnonzero(shows & (depth >= old - LEVEL_MM))
    shows[level] = one.item.key < table.key.ravel()[at[level]]
    kept = np.flatnonzero(shows)
    at = at[kept]
    table.key.ravel()[at], table.face.ravel()[at], table.depth.ravel()[at] = (
        one.item.key,
        face[kept],
        depth[kept],
    )


def _hits(solid: Solid, points: Array, ways: Array, middle: Array) -> tuple[NDArray[np.int32], Array]:
    """Face (-1: none) and depth of rays through ``points`` (n, 3) on the camera's plane along ``ways``
    (n, 3) unit, in the solid's coordinates. ``middle`` (n,): depth to report for faces seen edge on."""
    back = STANDOFF * max(solid.extent, 1e-9)
    # slide each start along its ray to stand off the solid, so that float32 keeps its precision
    slide = np.einsum("ij,ij->i", solid.middle - points, ways) - back
    start = (points + slide[:, None] * ways).astype(np.float32)
    face = solid.scene.run(start, ways.astype(np.float32), query="INTERSECT")
    normal = solid.normals[face]
    facing = np.einsum("ij,ij->i", normal, ways)
    edge_on = np.abs(facing) < EDGE_ON
    along = solid.offsets[face] - np.einsum("ij,ij->i", normal, points)
    depth = np.where(edge_on, middle, along / np.where(edge_on, 1.0, facing))
    return face, np.where(face >= 0, depth, np.inf)
