"""Where neighbouring pixels show different surfaces, and exactly where between them the change lies.

Pixels are a coarse net; a line drawn along their borders would be a staircase. Along the borders only, the
crossing is found: by intersecting the two faces' planes where the surface folds; else by walking from the
pixel over the triangles of the surface that lies in front, to the edge at which it ends. Where a mesh is no
closed shell, or passes through another, the gap is halved with single rays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from renderer.beat import beating
from renderer.camera import SAMPLE
from renderer.facing import Facing
from renderer.rays import Prober
from renderer.redraw import Anew
from renderer.table import LEVEL_MM

#: Halvings of the gap between two pixels: 3 leave 1/16 pixel, 8 micrometres on paper at 200 dpi.
HALVINGS = 3
#: Triangles that a way of one pixel may lead over: the finest meshes drawn small have as many.
MOST_TRIANGLES = 64
#: How far outside a triangle its own pixel may seem to lie, by rounding (mm).
INSIDE_MM = 1e-3
#: Faces steeper than this (pixels of depth per pixel) are near their own outline; no fold there.
STEEPEST = 3.0
#: A step in depth beyond what the slopes explain, in pixels, parts one curved surface in two.
STEP = 1.5
#: Surfaces farther apart than this (pixels of depth) lie before each other as their pixels do.
CLEAR = 8.0
#: Lines round a surface narrower than this on paper (mm) are left out: ISO 128 asks 0.7 mm between lines.
LEAST_GAP_MM = 0.7
#: A face seen at the isometric angle looks this much narrower than it is.
FORESHORTENED = 0.58


@dataclass(frozen=True, eq=False)
class Pairs:
    """Neighbouring pixels with a line between them, one row each.

    ``a`` is the pixel to the left or above, ``b`` its neighbour; item rows are -1 for nothing.
    """

    row: NDArray[np.intp]  #: pixel a
    column: NDArray[np.intp]
    down: NDArray[np.bool_]  #: b lies below a, else to the right
    item: NDArray[np.int32]  #: (n, 2) item rows of a and b
    index: NDArray[np.int32]  #: (n, 2) face indices, see Facing
    surface: NDArray[np.int32]  #: (n, 2)
    depth: NDArray[np.float64]  #: (n, 2) at the pixels

    def at(self, share: NDArray) -> NDArray[np.float64]:
        """(n, 2) column and row, pixels, of a place that share of the way from a to b."""
        across = self.column + SAMPLE[0] + share * ~self.down
        return np.stack([across, self.row + SAMPLE[1] + share * self.down], axis=1)

    def only(self, chosen: NDArray) -> Pairs:
        return Pairs(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


@dataclass(frozen=True, eq=False)
class Crossings:
    """Where the surface changes between the pixels of each pair."""

    pairs: Pairs
    at: NDArray[np.float64]  #: (n, 2) column and row of the crossing, pixels
    depth: NDArray[np.float64]  #: (n, 2) of both sides at the crossing, carried on along each face's plane


def find_crossings(part: Anew, facing: Facing, mm_per_pixel: float, prober: Prober) -> Crossings:
    """All crossings that carry a line, on the sides of the cells to be drawn. ``mm_per_pixel``: paper
    millimetres, for what is too small."""
    pairs = _pairs(part, facing, mm_per_pixel)
    slope = np.where(pairs.index >= 0, facing.slope[pairs.index, pairs.down.astype(int)[:, None]], 0.0)
    share = _folds(pairs, slope, facing.camera.pixel)
    cut = np.flatnonzero(np.isnan(share))
    share[cut] = _ends(pairs.only(cut), slope[cut], facing, prober)
    left = np.flatnonzero(np.isnan(share))
    share[left] = _halve(pairs.only(left), facing, prober)
    room = STEEPEST * facing.camera.pixel
    depth = pairs.depth + np.clip(slope, -room, room) * np.stack([share, share - 1], axis=1)
    return Crossings(pairs, pairs.at(share), depth)


def _pairs(part: Anew, facing: Facing, mm_per_pixel: float) -> Pairs:
    """Every pair of neighbours with a line between them, to the right first, then downward."""
    scale = mm_per_pixel / facing.camera.pixel
    tiny = facing.surface_breadth * scale * FORESHORTENED < LEAST_GAP_MM
    found = [_lined(part, facing, tiny, down) for down in (False, True)]
    first = np.concatenate([pair.first for pair in found])
    names = ("item", "index", "surface", "depth")
    item, index, surface, depth = (np.concatenate([getattr(one, name) for one in found]) for name in names)
    row, column = np.divmod(first, facing.camera.columns)
    down = np.arange(len(first)) >= len(found[0].first)
    return Pairs(row, column, down, item, index, surface, depth)


@dataclass(frozen=True, eq=False)
class _Lined:
    """As :class:`Pairs`, of one direction; ``first``: flat positions of the pixels a."""

    first: NDArray[np.intp]
    item: NDArray[np.int32]
    index: NDArray[np.int32]
    surface: NDArray[np.int32]
    depth: NDArray[np.float64]


def _lined(part: Anew, facing: Facing, tiny: NDArray[np.bool_], down: bool) -> _Lined:
    """Pairs in one direction with a line between them: of different surfaces; or on one that is curved,
    where it passes in front of itself. ``tiny``: (surfaces,) too narrow for lines of their own."""
    first, table = _changes(part, down), part.table
    second = first + (table.camera.columns if down else 1)
    one, two = facing.shown(table, first), facing.shown(table, second)
    depth = np.stack([table.depth.ravel()[first], table.depth.ravel()[second]], axis=1).astype(np.float64)
    hushed = np.append(tiny, False)  # the last: nothing, surface -1
    kept = one.item != two.item
    kept |= (one.surface != two.surface) & ~hushed[one.surface] & ~hushed[two.surface]
    curved = np.append(~facing.surface_planar & ~tiny, False)
    same = np.flatnonzero((one.surface == two.surface) & curved[one.surface])
    step = depth[same, 1] - depth[same, 0]
    slopes = facing.slope[one.index[same], int(down)], facing.slope[two.index[same], int(down)]
    room = STEP * table.camera.pixel
    kept[same] |= (step > np.maximum(*slopes) + room) | (step < np.minimum(*slopes) - room)
    item, index, surface = (
        np.stack([getattr(one, name)[kept], getattr(two, name)[kept]], axis=1)
        for name in ("item", "index", "surface")
    )
    return _Lined(first[kept], item, index, surface, depth[kept])


def _changes(part: Anew, down: bool) -> NDArray[np.intp]:
    """Flat positions of pixels whose neighbour to the right, or below, shows another face."""
    table = part.table
    here, there = (np.s_[:-1], np.s_[1:]) if down else (np.s_[:, :-1], np.s_[:, 1:])
    differ = np.zeros(table.key.shape, dtype=bool)
    np.not_equal(table.key[here], table.key[there], out=differ[here])
    differ[here] |= table.face[here] != table.face[there]
    differ[here] &= part.borders(down)
    return np.flatnonzero(differ)


def _folds(pairs: Pairs, slope: NDArray, pixel: float) -> NDArray[np.float64]:
    """Share of the way at which the planes of both faces meet, where that is the fold of one unbroken
    surface; not a number elsewhere."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = pairs.depth[:, 1] - slope[:, 1] - pairs.depth[:, 0]
        share = rise / (slope[:, 0] - slope[:, 1])
        gentle = (np.abs(slope) < STEEPEST * pixel).all(axis=1) & (pairs.index >= 0).all(axis=1)
        return np.where(gentle & (share >= 0) & (share <= 1), share, np.nan)


def _ends(pairs: Pairs, slope: NDArray, facing: Facing, prober: Prober) -> NDArray[np.float64]:
    """Share of the way at which what lies in front ends, found on its triangles: the surface, or the item
    where the two pixels show different ones. Not a number where the mesh does not tell, or where it does not
    end between the two."""
    with np.errstate(invalid="ignore"):
        gap = pairs.depth[:, 1] - pairs.depth[:, 0]
    clear = np.abs(gap) > CLEAR * facing.camera.pixel
    share = np.full(len(gap), np.nan)
    for side, nearer in enumerate((gap > 0, gap < 0)):
        rows = np.flatnonzero(clear & nearer)
        end = _walked(pairs.only(rows), side, facing, prober)
        share[rows] = end if side == 0 else 1.0 - end
    rows = np.flatnonzero(~clear)
    share[rows] = _meeting(pairs.only(rows), slope[rows], facing, prober)
    return np.where((share >= 0) & (share <= 1), share, np.nan)


def _meeting(pairs: Pairs, slope: NDArray, facing: Facing, prober: Prober) -> NDArray[np.float64]:
    """As :func:`_ends`, of surfaces near each other: which is in front is known between the two only."""
    stop = _walked(pairs, 0, facing, prober)  # of a's surface; infinite where it goes on
    start = 1.0 - _walked(pairs, 1, facing, prober)  # of b's
    # where both are there, the nearer one is seen to its end
    with np.errstate(invalid="ignore"):
        middle = np.clip((np.maximum(start, 0.0) + np.minimum(stop, 1.0)) / 2, 0.0, 1.0)
    one, two = pairs.depth[:, 0] + slope[:, 0] * middle, pairs.depth[:, 1] + slope[:, 1] * (middle - 1)
    a_ends = np.where(start < stop, one < two, pairs.depth[:, 0] <= pairs.depth[:, 1])
    # of two that are level, one may go on behind the other
    level = np.abs(one - two) < LEVEL_MM
    a_ends = np.where(level & (start >= 0) & (stop > 1), False, a_ends | (level & (start < 0)))
    return np.where(a_ends, stop, start)


def _walked(pairs: Pairs, side: int, facing: Facing, prober: Prober) -> NDArray[np.float64]:
    """Share of the way, from the pixel on one side (0: a, 1: b) towards the other, at which its surface, or
    item, ends; infinite where it goes on to the other, not a number where that cannot be told."""
    found = np.full(len(pairs.row), np.nan)
    within = pairs.item[:, 0] == pairs.item[:, 1]
    rows = np.flatnonzero((pairs.index[:, side] >= 0) & facing.closed[pairs.item[:, side]])
    item, index = pairs.item[rows, side], pairs.index[rows, side]
    place = pairs.at(np.full(len(pairs.row), float(side)))[rows]
    start = (place - facing.at[item, :2]) * facing.camera.pixel
    step = np.where(pairs.down[rows, None], [0.0, 1.0], [1.0, 0.0]) * facing.camera.pixel * (1 - 2 * side)
    index = _standing_on(index, item, place, start, facing, prober)
    sure = index >= 0
    rows, index, start, step = rows[sure], index[sure], start[sure], step[sure]
    for _ in beating(range(MOST_TRIANGLES)):
        leaves, edge = _left(facing.triangle[index], start, step)
        onward = facing.neighbour[index, edge]
        ends = (onward < 0) | (within[rows] & (facing.patch[onward] != facing.patch[index]))
        done = (leaves > 1.0) | ends
        found[rows[done]] = np.where(leaves[done] > 1.0, np.inf, leaves[done])
        on = ~done
        rows, index, start, step = rows[on], onward[on], start[on], step[on]
        if not len(rows):
            break
    return found


def _standing_on(
    index: NDArray, item: NDArray, place: NDArray, start: NDArray, facing: Facing, prober: Prober
) -> NDArray[np.int32]:
    """(n,) the very triangle at each pixel, -1 where none is found: a table names one for a whole flat
    region."""
    corner = facing.triangle[index].reshape(-1, 3, 2)
    off = _heights(corner, start)
    away = np.flatnonzero(off.min(axis=1) < -INSIDE_MM)
    face, _ = prober.hits(item[away], place[away, 0], place[away, 1])
    found = index.copy()
    found[away] = np.where(face >= 0, facing.index(item[away], face), -1)
    same = np.zeros(len(away), dtype=bool)
    hit = face >= 0
    same[hit] = facing.patch[found[away[hit]]] == facing.patch[index[away[hit]]]
    found[away[~same]] = -1
    return found


def _heights(corner: NDArray, points: NDArray) -> NDArray[np.float64]:
    """(n, 3) how far points (n, 2) lie inside each side of triangles (n, 3, 2), mm."""
    along = np.roll(corner, -1, axis=1) - corner
    aside = points[:, None] - corner
    cross = along[..., 0] * aside[..., 1] - along[..., 1] * aside[..., 0]
    area = along[:, 0, 0] * along[:, 1, 1] - along[:, 0, 1] * along[:, 1, 0]
    length = np.hypot(along[..., 0], along[..., 1])
    return np.asarray(cross * np.sign(area)[:, None] / np.where(length == 0, 1.0, length))


def _left(triangle: NDArray, start: NDArray, step: NDArray) -> tuple[NDArray[np.float64], NDArray[np.intp]]:
    """Share of each step (n, 2) at which the line from start (n, 2) leaves a triangle (n, 6), and by which
    of its sides."""
    corner = triangle.reshape(-1, 3, 2).astype(np.float64)
    along = np.roll(corner, -1, axis=1) - corner
    aside = start[:, None] - corner
    area = np.sign(along[:, 0, 0] * along[:, 1, 1] - along[:, 0, 1] * along[:, 1, 0])[:, None]
    height = (along[..., 0] * aside[..., 1] - along[..., 1] * aside[..., 0]) * area
    rise = (along[..., 0] * step[:, 1:] - along[..., 1] * step[:, :1]) * area
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(rise < 0, np.maximum(height, 0.0) / -rise, np.inf)
    edge = share.argmin(axis=1)
    return share[np.arange(len(edge)), edge], edge


def _halve(pairs: Pairs, facing: Facing, prober: Prober) -> NDArray[np.float64]:
    """Share of the way at which the surface of pixel a ends, by halving."""
    low, high = np.zeros(len(pairs.row)), np.ones(len(pairs.row))
    torn = pairs.surface[:, 0] == pairs.surface[:, 1]
    for _ in beating(range(HALVINGS)):
        share = (low + high) / 2
        surface, depth = _nearest(pairs, share, facing, prober)
        still = surface == pairs.surface[:, 0]
        one, two = np.abs(depth[torn, None] - pairs.depth[torn]).T
        still[torn] &= one < two
        low, high = np.where(still, share, low), np.where(still, high, share)
    return (low + high) / 2


def _nearest(
    pairs: Pairs, share: NDArray, facing: Facing, prober: Prober
) -> tuple[NDArray[np.int64], NDArray[np.float64]]:
    """Surface (-1: none) and depth between the pixels, of the pair's two items alone."""
    at = pairs.at(share)
    surface, depth = np.full(len(share), -1), np.full(len(share), np.inf)
    second = np.where(pairs.item[:, 1] == pairs.item[:, 0], -1, pairs.item[:, 1])
    for item in (pairs.item[:, 0], second):
        asked = np.flatnonzero(item >= 0)
        face, deep = prober.hits(item[asked], at[asked, 0], at[asked, 1])
        nearer = (face >= 0) & (deep < depth[asked])
        hit, of, face = asked[nearer], item[asked][nearer], face[nearer]
        depth[hit] = deep[nearer]
        surface[hit] = facing.surface_start[of] + facing.patch[facing.index(of, face)]
    return surface, depth
