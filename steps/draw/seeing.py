"""How much of the new parts a view shows: measured with rays at the parts, not on a whole picture, so
that it is as exact for a small part of a large model."""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from renderer.camera import Camera, framed
from renderer.rays import Prober, RaySource
from renderer.table import LEVEL_MM, Cast, Item
from steps.model import Array

#: Rays across the longer side of a part's picture: some 300 hit it, so a share is good to 3 in 100.
SAMPLES = 28
#: Rays sit off the middle of their cell by these shares, so that they miss symmetric edges.
MIDDLE = (0.5137, 0.5071)


@dataclass(frozen=True, eq=False)
class Crowd:
    """Items that may hide others, with their bounds along the camera axes in use. Items are made when
    they are asked for: of thousands, a few stand before a new part."""

    keys: NDArray[np.int64]
    low: Array  #: (n, 3) along right, up, toward
    high: Array
    item: Callable[[int], Item]  #: of a key

    def without(self, keys: Collection[int]) -> Crowd:
        kept = ~np.isin(self.keys, list(keys))
        return Crowd(self.keys[kept], self.low[kept], self.high[kept], self.item)


def visible_share(item: Item, crowd: Crowd, axes: Array) -> float:
    """Share of the pixels an item shows alone that it still shows among the crowd (itself left out)."""
    camera = framed(axes, item.outer, SAMPLES, SAMPLES)
    alone = RaySource().table([item], camera)
    rows, columns = np.nonzero(alone.key >= 0)
    if not len(rows):
        return 0.0
    points = camera.unproject(columns + MIDDLE[0], rows + MIDDLE[1], alone.depth[rows, columns])
    return float(1.0 - hidden(points, crowd.without([item.key]), axes).mean())


def hidden(points: Array, crowd: Crowd, axes: Array) -> NDArray[np.bool_]:
    """(n,) whether something of the crowd lies before each world point."""
    seen = points @ axes.T
    low, high = seen.min(axis=0), seen.max(axis=0)
    near = (crowd.low[:, :2] <= high[:2]).all(axis=1) & (crowd.high[:, :2] >= low[:2]).all(axis=1)
    near &= crowd.high[:, 2] > low[2]
    rows = np.flatnonzero(near)
    result = np.zeros(len(points), dtype=bool)
    if not len(rows):
        return result
    inside = (seen[None, :, :2] >= crowd.low[rows][:, None, :2]) & (
        seen[None, :, :2] <= crowd.high[rows][:, None, :2]
    )
    which, point = np.nonzero(inside.all(axis=2) & (crowd.high[rows][:, None, 2] > seen[None, :, 2]))
    # a camera of 1 mm pixels through the first point: positions in mm are positions in pixels
    camera = Camera(axes[0], axes[1], axes[2], points[0], 1.0, 1, 1)
    at = camera.project(points)
    prober = Prober(Cast(tuple(crowd.item(key) for key in crowd.keys[rows].tolist())), camera)
    face, depth = prober.hits(which, at[point, 0], at[point, 1])
    before = (face >= 0) & (depth < at[point, 2] - LEVEL_MM)
    result[point[before]] = True
    return result
