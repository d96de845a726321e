"""Where neighbouring pixels show different surfaces, and exactly where between them the change lies.

Pixels are a coarse net; a line drawn along their borders would be a staircase. Along the borders only,
the crossing is found to a small fraction of a pixel: by intersecting the two faces' planes where the
surface folds, else by halving the gap with single rays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from renderer.camera import SAMPLE
from renderer.facing import Facing, Surfaces
from renderer.rays import Prober
from renderer.table import PixelTable

#: Halvings of the gap between two pixels: 3 leave 1/16 pixel, 8 micrometres on paper at 200 dpi.
HALVINGS = 3
#: Faces steeper than this (pixels of depth per pixel) are near their own outline; no fold there.
STEEPEST = 3.0
#: A step in depth beyond what the slopes explain, in pixels, parts one curved surface in two.
STEP = 1.5
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


def find_crossings(
    table: PixelTable, surfaces: Surfaces, facing: Facing, mm_per_pixel: float, prober: Prober
) -> Crossings:
    """All crossings that carry a line. ``mm_per_pixel``: paper millimetres, for what is too small."""
    pairs = _pairs(table, surfaces, facing, mm_per_pixel)
    slope = np.where(pairs.index >= 0, facing.slope[pairs.index, pairs.down.astype(int)[:, None]], 0.0)
    share = _folds(pairs, slope, facing.camera.pixel)
    cut = np.flatnonzero(np.isnan(share))
    share[cut] = _halve(pairs.only(cut), facing, prober)
    room = STEEPEST * facing.camera.pixel
    depth = pairs.depth + np.clip(slope, -room, room) * np.stack([share, share - 1], axis=1)
    return Crossings(pairs, pairs.at(share), depth)


def _pairs(table: PixelTable, surfaces: Surfaces, facing: Facing, mm_per_pixel: float) -> Pairs:
    """Every pair of neighbours with a line between them, to the right first, then downward."""
    tiny = facing.surface_breadth * (mm_per_pixel / table.camera.pixel) * FORESHORTENED < LEAST_GAP_MM
    item, surface = surfaces.item.ravel(), surfaces.surface.ravel()
    found = []
    for down in (False, True):
        stride = table.camera.columns if down else 1
        first = _changes(surfaces.surface, down)
        one, two = surface[first], surface[first + stride]
        kept = (item[first] != item[first + stride]) | ~(tiny[one] | tiny[two])
        found.append(np.append(first[kept], _torn(table, surfaces, facing, tiny, down)))
    first = np.concatenate(found)
    below = np.arange(len(first)) >= len(found[0])
    second = first + np.where(below, table.camera.columns, 1)

    def both(array: NDArray) -> NDArray:
        return np.stack([array.ravel()[first], array.ravel()[second]], axis=1)

    row, column = np.divmod(first, table.camera.columns)
    depth = both(table.depth).astype(np.float64)
    return Pairs(row, column, below, both(surfaces.item), both(surfaces.index), both(surfaces.surface), depth)


def _changes(surface: NDArray, down: bool) -> NDArray[np.intp]:
    """Flat positions of pixels whose neighbour to the right, or below, shows another surface."""
    differ = np.zeros(surface.shape, dtype=bool)
    if down:
        np.not_equal(surface[:-1], surface[1:], out=differ[:-1])
    else:
        np.not_equal(surface[:, :-1], surface[:, 1:], out=differ[:, :-1])
    return np.flatnonzero(differ)


def _torn(
    table: PixelTable, surfaces: Surfaces, facing: Facing, tiny: NDArray, down: bool
) -> NDArray[np.intp]:
    """Flat positions of pixels whose neighbour is on the same curved surface, but where that passes in
    front of itself."""
    columns = table.camera.columns
    stride = columns if down else 1
    surface, index, depth = surfaces.surface.ravel(), surfaces.index.ravel(), table.depth.ravel()
    curved = ~facing.surface_planar & ~tiny
    first = surfaces.some[curved[surface[surfaces.some]]]
    first = first[first < len(surface) - stride]
    if not down:
        first = first[first % columns != columns - 1]
    first = first[surface[first] == surface[first + stride]]
    step = depth[first + stride] - depth[first]
    slopes = facing.slope[index[first], int(down)], facing.slope[index[first + stride], int(down)]
    room = STEP * table.camera.pixel
    return first[(step > np.maximum(*slopes) + room) | (step < np.minimum(*slopes) - room)]


def _folds(pairs: Pairs, slope: NDArray, pixel: float) -> NDArray[np.float64]:
    """Share of the way at which the planes of both faces meet, where that is the fold of one unbroken
    surface; not a number elsewhere."""
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = pairs.depth[:, 1] - slope[:, 1] - pairs.depth[:, 0]
        share = rise / (slope[:, 0] - slope[:, 1])
        gentle = (np.abs(slope) < STEEPEST * pixel).all(axis=1) & (pairs.index >= 0).all(axis=1)
        return np.where(gentle & (share >= 0) & (share <= 1), share, np.nan)


def _halve(pairs: Pairs, facing: Facing, prober: Prober) -> NDArray[np.float64]:
    """Share of the way at which the surface of pixel a ends, by halving."""
    low, high = np.zeros(len(pairs.row)), np.ones(len(pairs.row))
    torn = pairs.surface[:, 0] == pairs.surface[:, 1]
    for _ in range(HALVINGS):
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
