"""Pixel tables by Embree rays: no graphics driver needed.

Each solid has one Embree scene in its own coordinates, built once; a placed item is hit by taking the
rays into those coordinates. Cost follows the pixels that items cover, not the triangles placed, and a
step that adds three parts to a thousand casts rays at three parts.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw
from scipy.spatial import ConvexHull, QhullError

from renderer.camera import SAMPLE, Camera
from renderer.solid import Solid
from renderer.table import LEVEL_MM, Cast, Item, PixelTable

Array = NDArray[np.float64]

#: Rays begin this many extents of the solid before it; near enough for float32 hits to be exact.
STANDOFF = 2.0
#: Width of the rim drawn round an outline (pixels): 2 to spare on either side.
SPARE = 5
#: A window of fewer pixels is not worth outlining.
SMALL = 10_000
#: Faces seen more edge-on than this (cosine) take the depth of the item's origin.
EDGE_ON = 1e-6


class RaySource:
    """Casts one ray per pixel and item that may show there, nearest items first."""

    name = "rays"

    def table(self, items: Sequence[Item], camera: Camera, base: PixelTable | None = None) -> PixelTable:
        """The table of ``items`` on top of ``base`` (left as it is)."""
        table = PixelTable.empty(camera) if base is None else base.copy()
        bounds = [_bounds(item, camera) for item in items]
        for row in sorted(range(len(items)), key=lambda row: (bounds[row][0][2], items[row].key)):
            _add(table, items[row], *bounds[row])
        return table


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


def _bounds(item: Item, camera: Camera) -> tuple[Array, Array]:
    """Least and greatest column, row and depth of an item."""
    seen = camera.project(item.outer)
    if not len(seen):
        return np.zeros(3), np.full(3, -1.0)
    return seen.min(axis=0), seen.max(axis=0)


def _add(table: PixelTable, item: Item, low: Array, high: Array) -> None:
    """Draw one item into the table's arrays."""
    camera = table.camera
    first = np.maximum(np.floor(low[:2] - 0.5).astype(int), 0)
    last = np.minimum(np.ceil(high[:2] + 0.5).astype(int), (camera.columns, camera.rows))
    if (first >= last).any():
        return
    window = np.s_[first[1] : last[1], first[0] : last[0]]
    reach = _silhouette(camera.project(item.outer)[:, :2] - first, last - first)
    open_rows, open_columns = np.nonzero((table.depth[window] > low[2] - LEVEL_MM) & reach)
    if not len(open_rows):
        return
    columns, rows = open_columns + first[0], open_rows + first[1]
    face, depth = _grid_hits(item, camera, columns, rows)
    hit = np.flatnonzero(face >= 0)
    face, depth, at = face[hit], depth[hit], (rows[hit], columns[hit])
    old = table.depth[at]
    level = (depth <= old + LEVEL_MM) & (item.key < table.key[at])
    shows = (depth < old - LEVEL_MM) | level
    at = at[0][shows], at[1][shows]
    table.key[at], table.face[at], table.depth[at] = item.key, face[shows], depth[shows]


def _silhouette(points: Array, size: NDArray) -> NDArray[np.bool_]:
    """(rows, columns) of size (columns, rows): what the hull of picture points (n, 2) may cover, a pixel
    to spare: half the rays of a box round a tilted part would miss it."""
    if size.prod() < SMALL:
        return np.ones(size[::-1], dtype=bool)
    try:
        corners = points[ConvexHull(points).vertices]
    except (QhullError, ValueError):
        return np.ones(size[::-1], dtype=bool)  # seen edge on: no area
    canvas = Image.new("1", (int(size[0]), int(size[1])))
    outline = [(float(x) - 0.5, float(y) - 0.5) for x, y in [*corners, corners[0]]]
    draw = ImageDraw.Draw(canvas)
    draw.polygon(outline, fill=1)
    draw.line(outline, fill=1, width=SPARE, joint="curve")
    return np.asarray(canvas)


def _grid_hits(item: Item, camera: Camera, columns: NDArray, rows: NDArray) -> tuple[NDArray, NDArray]:
    """Face and depth at pixels, all of one item: as :func:`_hits`, but the ray's start and the depth on
    each face are linear in column and row, so float32 sums do (exact to 1e-6 of the picture)."""
    solid, turn = item.solid, item.pose[:3, :3].T
    across, down, way = (
        turn @ camera.right * camera.pixel,
        turn @ -camera.up * camera.pixel,
        -(turn @ camera.toward),
    )
    corner = turn @ (camera.unproject(SAMPLE[0], SAMPLE[1]) - item.pose[:3, 3])
    corner = corner + ((solid.middle - corner) @ way - STANDOFF * max(solid.extent, 1e-9)) * way
    column, row = columns.astype(np.float32), rows.astype(np.float32)
    start = np.empty((len(columns), 3), np.float32)
    for axis in range(3):
        np.multiply(column, np.float32(across[axis]), out=start[:, axis])
        start[:, axis] += row * np.float32(down[axis]) + np.float32(corner[axis])
    ways = np.empty_like(start)
    ways[:] = way
    face = solid.scene.run(start, ways, query="INTERSECT")
    facing = solid.normals @ way
    edge_on = np.abs(facing) < EDGE_ON
    safe = np.where(edge_on, 1.0, facing)
    # offsets are from the solid's origin; depth is from the camera's plane through its centre
    at_origin = float((camera.centre - item.pose[:3, 3]) @ camera.toward)
    flat = turn @ (camera.unproject(SAMPLE[0], SAMPLE[1]) - item.pose[:3, 3])
    plane = np.where(edge_on, at_origin, (solid.offsets - solid.normals @ flat) / safe).astype(np.float32)
    by_column = np.where(edge_on, 0.0, -(solid.normals @ across) / safe).astype(np.float32)
    by_row = np.where(edge_on, 0.0, -(solid.normals @ down) / safe).astype(np.float32)
    return face, plane[face] + by_column[face] * column + by_row[face] * row


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
