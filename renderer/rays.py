"""Pixel tables by Embree rays: no graphics driver needed.

Each solid has one Embree scene in its own coordinates, built once; a placed item is hit by taking the
rays into those coordinates. What shows of a closed shell changes only at its edges: rays are cast at the
pixels next to where an edge crosses a row, and one into each run of a row between two. Cost follows the
edges seen, not the triangles placed, and a step that adds three parts to a thousand casts rays at three
parts.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from renderer.aspect import EDGE_ON, Aspect, aspect_of
from renderer.beat import beating
from renderer.camera import SAMPLE, Camera
from renderer.solid import Solid
from renderer.table import LEVEL_MM, Cast, Item, PixelTable

Array = NDArray[np.float64]

#: Rays begin this many extents of the solid before it; near enough for float32 hits to be exact.
STANDOFF = 2.0
#: A ray costs about as much as finding where an edge crosses this share of a grid line: fewer open pixels
#: than edges by this share are cast as they are.
RAYS_PER_RIM = 0.5
#: At the end of a run, and every so many pixels, a ray checks that it is what its first ray found, should a
#: shell pass through itself; of one that does every pixel is cast.
CHECKED_PX = 8


class RaySource:
    """Fills tables item by item, nearest first, where something may show there."""

    name = "rays"

    def table(self, items: Sequence[Item], camera: Camera, base: PixelTable | None = None) -> PixelTable:
        """The table of ``items`` on top of ``base`` (left as it is)."""
        table = PixelTable.empty(camera) if base is None else base.copy()
        placed = [
            _Placed(item, aspect_of(item.solid, camera.axes @ item.pose[:3, :3]), camera)
            for item in beating(items)
        ]
        for one in beating(sorted(placed, key=lambda one: (one.nearest, one.item.key))):
            _add(table, one)
        return table


class _Placed:
    """An item in its place in a view."""

    def __init__(self, item: Item, aspect: Aspect, camera: Camera) -> None:
        self.item, self.aspect, self.camera = item, aspect, camera
        self.at = camera.project(item.pose[:3, 3])  #: column, row and depth of the item's origin
        self.nearest = float(self.at[2] + aspect.low[2])

    def window(self) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """First and last (excluded) column and row that the item may cover, within the picture."""
        low = self.at[:2] + self.aspect.low[:2] / self.camera.pixel
        high = self.at[:2] + self.aspect.high[:2] / self.camera.pixel
        if not np.isfinite(low).all():
            return np.zeros(2, np.int64), np.zeros(2, np.int64)
        first = np.maximum(np.floor(low - 0.5).astype(np.int64), 0)
        last = np.minimum(np.ceil(high + 0.5).astype(np.int64), (self.camera.columns, self.camera.rows))
        return first, last

    def depths(self, face: NDArray[np.int32], window: _Window) -> NDArray[np.float32]:
        """(rows, columns) depth of the planes of faces, infinite for none, in a window."""
        x, y = self._off_origin(window)
        level, across, down = self.aspect.planes
        place = face + 1
        depth, rise = across.take(place, mode="clip"), down.take(place, mode="clip")
        depth *= x
        rise *= y[:, None]
        depth += rise
        depth += (level + np.float32(self.at[2])).take(place, mode="clip")
        return depth

    def _off_origin(self, window: _Window) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """mm across and down from where the origin is seen to each column and row of a window."""
        columns = np.arange(window.left, window.left + window.columns) + SAMPLE[0] - self.at[0]
        rows = np.arange(window.top, window.top + window.rows) + SAMPLE[1] - self.at[1]
        pixel = self.camera.pixel
        return (columns * pixel).astype(np.float32), (rows * pixel).astype(np.float32)

    def entry(self, window: _Window) -> NDArray[np.float32]:
        """(rows, columns) depth at which rays enter the solid's bounding box: nothing of it is nearer."""
        x, y = self._off_origin(window)
        deepest = np.full((window.rows, window.columns), -np.inf, np.float32)
        for level, across, down in self.aspect.sides:
            along = np.float32(level + self.at[2]) + np.float32(across) * x
            np.maximum(deepest, along + (np.float32(down) * y)[:, None], out=deepest)
        return deepest

    @cached_property
    def _start(self) -> NDArray[np.float32]:
        """(3, 3) how the start of a ray, in the solid's coordinates, grows per column and per row, and the
        start of the ray of pixel 0, 0."""
        camera, solid, turn = self.camera, self.item.solid, self.item.pose[:3, :3].T
        plane = turn @ (camera.unproject(SAMPLE[0], SAMPLE[1]) - self.item.pose[:3, 3])
        corner = plane + ((solid.middle - plane) @ self._way - STANDOFF * max(solid.extent, 1e-9)) * self._way
        across, down = turn @ camera.right * camera.pixel, turn @ -camera.up * camera.pixel
        return np.array([across, down, corner]).astype(np.float32)

    @cached_property
    def _way(self) -> Array:
        return np.asarray(self.item.pose[:3, :3].T @ -self.camera.toward)

    def hits(self, columns: NDArray, rows: NDArray) -> NDArray[np.int32]:
        """(n,) face at pixels, -1 for none. A ray's start is linear in column and row, so float32 sums do
        (exact to 1e-6 of the picture)."""
        place = np.empty((len(columns), 3), np.float32)
        place[:, 0], place[:, 1], place[:, 2] = columns, rows, 1.0
        start = place @ self._start
        ways = np.broadcast_to(self._way.astype(np.float32), start.shape).copy()
        return np.asarray(self.item.solid.scene.run(start, ways, query="INTERSECT"))

    def faces(self, open_: NDArray[np.bool_], window: _Window) -> NDArray[np.int32]:
        """(rows, columns) the face that shows at each open pixel of a window, -1 for none."""
        few = RAYS_PER_RIM * len(self.aspect.rims.start)
        if self.item.solid.topology.outward and np.count_nonzero(open_) > few:
            return self._by_runs(open_, window)
        found = np.full(open_.shape, -1, np.int32)
        at = np.nonzero(open_)
        found[at] = self.hits(at[1] + window.left, at[0] + window.top)
        return found

    def _by_runs(self, open_: NDArray[np.bool_], window: _Window) -> NDArray[np.int32]:
        """As :meth:`faces`, of a closed shell: rays next to edges, and one into each run between two."""
        near = self._near_rims(window)
        plain = open_ & ~near
        begins, ends = plain.copy(), plain.copy()
        begins[:, 1:] &= ~plain[:, :-1]
        ends[:, :-1] &= ~plain[:, 1:]
        own_flat = np.append(self.item.solid.topology.flat, -1).astype(np.int32)
        beside, begun = np.flatnonzero(near & open_), np.flatnonzero(begins)
        checks = np.flatnonzero(ends & ~begins | _lattice(plain))
        face = self._hits_in(np.concatenate([beside, begun, checks]), window)
        number = np.cumsum(begins.ravel(), dtype=np.int32)  # of the last run that began, the first is 1
        of_run = np.append(np.int32(-1), own_flat[face[len(beside) : len(beside) + len(begun)]])
        found = np.where(plain, of_run.take(number).reshape(plain.shape), np.int32(-1))
        found.ravel()[beside] = face[: len(beside)]
        wrong = own_flat[face[len(beside) + len(begun) :]] != found.ravel()[checks]
        if wrong.any():
            inner = np.flatnonzero(plain)
            found.ravel()[inner] = self._hits_in(inner, window)
        return found

    def _hits_in(self, places: NDArray[np.int64], window: _Window) -> NDArray[np.int32]:
        """(n,) face at flat positions in a window."""
        rows, columns = np.divmod(places, window.columns)
        return self.hits(columns + window.left, rows + window.top)

    def _near_rims(self, window: _Window) -> NDArray[np.bool_]:
        """(rows, columns) such that no edge passes between two neighbours in a row of which neither is near:
        wherever one crosses the way between two samples, the nearer of them."""
        column, row = self.at[0] - window.left - SAMPLE[0], self.at[1] - window.top - SAMPLE[1]
        near = np.zeros((window.rows, window.columns + 2), dtype=bool)  # a rim for what lies outside
        line, place = self.aspect.rims.crossed(self.camera.pixel, (row, column), window.rows)
        near[line, np.clip(place + 1, 0, window.columns + 1)] = True
        return near[:, 1:-1]


def _lattice(plain: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Pixels in runs, every so many rows and columns."""
    own = np.s_[CHECKED_PX // 2 :: CHECKED_PX, CHECKED_PX // 2 :: CHECKED_PX]
    found = np.zeros_like(plain)
    found[own] = plain[own]
    return found


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


class _Window:
    """A part of the picture: first column and row, and how many."""

    def __init__(self, first: NDArray[np.int64], last: NDArray[np.int64]) -> None:
        self.left, self.top = first.tolist()
        self.columns, self.rows = (last - first).tolist()

    def within(self, part: tuple[slice, slice]) -> _Window:
        """A part of this one."""
        off, (rows, columns) = np.array([self.left, self.top]), part
        first, last = (columns.start, rows.start), (columns.stop, rows.stop)
        return _Window(off + np.array(first), off + np.array(last))

    @property
    def part(self) -> tuple[slice, slice]:
        return np.s_[self.top : self.top + self.rows, self.left : self.left + self.columns]


def _add(table: PixelTable, one: _Placed) -> None:
    """Draw one item into the table's arrays."""
    first, last = one.window()
    if (first >= last).any():
        return
    window = _Window(first, last)
    before = table.depth[window.part]
    farthest = float(before.max())
    if farthest <= one.nearest - LEVEL_MM:
        return
    if before.min() == np.inf:  # nothing there yet
        open_ = np.ones(before.shape, dtype=bool)
    else:
        open_ = before > one.entry(window) - LEVEL_MM
        rows, columns = np.flatnonzero(open_.any(axis=1)), np.flatnonzero(open_.any(axis=0))
        if not len(rows):
            return
        within = np.s_[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
        open_, before, window = open_[within], before[within], window.within(within)
    face = one.faces(open_, window)
    depth = one.depths(face, window)
    shows = depth < before - LEVEL_MM
    level = (depth < before + LEVEL_MM) ^ shows
    if level.any():
        shows |= level & (one.item.key < table.key[window.part])
    np.copyto(table.key[window.part], one.item.key, where=shows)
    np.copyto(table.face[window.part], face, where=shows)
    np.copyto(before, depth, where=shows)


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
