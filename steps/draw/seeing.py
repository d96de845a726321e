"""How much of the new parts a view shows: measured with rays at the parts, not on a whole picture, so
that it is as exact for a small part of a large model."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from renderer.camera import SAMPLE, Camera, framed
from renderer.rays import Prober, RaySource
from renderer.table import LEVEL_MM, Cast, Item
from steps.model import Array

#: Rays across the longer side of a part's picture: some 200 hit it, so a share is good to 3 in 100.
SAMPLES = 22


@dataclass(frozen=True, eq=False)
class Crowd:
    """Items that may hide others, with their bounds along the camera axes in use. Items are made when
    they are asked for: of thousands, a few stand before a new part."""

    keys: NDArray[np.int64]
    low: Array  #: (n, 3) along right, up, toward
    high: Array
    group: NDArray[np.int64]  #: what goes in together; -1 for what is in place
    item: Callable[[int], Item]  #: of a key

    def only(self, chosen: NDArray[np.bool_]) -> Crowd:
        """Some of the items (n,), each for itself."""
        apart = np.full(int(chosen.sum()), -1)
        return Crowd(self.keys[chosen], self.low[chosen], self.high[chosen], apart, self.item)


@dataclass(frozen=True, eq=False)
class Places:
    """World points (n, 3) to look at, near each other; not hidden by the crowd's members of ``group``."""

    points: Array
    group: int = -2


def samples(item: Item, axes: Array) -> Array:
    """(n, 3) world points on what the item alone shows along the axes, evenly over its picture."""
    camera = framed(axes, item.outer, SAMPLES, SAMPLES)
    alone = RaySource().table([item], camera)
    rows, columns = np.nonzero(alone.key >= 0)
    return camera.unproject(columns + SAMPLE[0], rows + SAMPLE[1], alone.depth[rows, columns])


def hidden(places: Sequence[Places], crowd: Crowd, axes: Array) -> list[NDArray[np.bool_]]:
    """For each of the places, (n,) whether something of the crowd lies before each point."""
    starts = np.cumsum([0, *(len(one.points) for one in places)])
    result = np.zeros(starts[-1], dtype=bool)
    result[_hiding(places, crowd, axes)[1]] = True
    return [result[start:stop] for start, stop in pairwise(starts)]


def hiders(places: Sequence[Places], crowd: Crowd, axes: Array) -> set[int]:
    """Keys of all that lies before any of the points, also behind one another."""
    return set(crowd.keys[np.unique(_hiding(places, crowd, axes)[0])].tolist())


def _hiding(
    places: Sequence[Places], crowd: Crowd, axes: Array
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of a row of the crowd and a point, counted through all places, that it lies before."""
    pairs = [_may_hide(one, crowd, axes) for one in places]
    rows = np.unique(np.concatenate([which for which, _ in pairs])) if pairs else np.zeros(0, np.int64)
    if not len(rows):
        return np.zeros(0, np.int64), np.zeros(0, np.int64)
    points = np.concatenate([one.points for one in places])
    starts = np.cumsum([0, *(len(one.points) for one in places)])
    which = np.searchsorted(rows, np.concatenate([which for which, _ in pairs]))
    point = np.concatenate([start + at for start, (_, at) in zip(starts, pairs, strict=False)])
    # a camera of 1 mm pixels through the first point: positions in mm are positions in pixels
    camera = Camera(axes[0], axes[1], axes[2], points[0], 1.0, 1, 1)
    at = camera.project(points)
    prober = Prober(Cast(tuple(crowd.item(key) for key in crowd.keys[rows].tolist())), camera)
    face, depth = prober.hits(which, at[point, 0], at[point, 1])
    before = (face >= 0) & (depth < at[point, 2] - LEVEL_MM)
    return rows[which[before]], point[before]


def _may_hide(places: Places, crowd: Crowd, axes: Array) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows of the crowd and points that these rows' boxes lie before."""
    seen = places.points @ axes.T
    low, high = seen.min(axis=0, initial=np.inf), seen.max(axis=0, initial=-np.inf)
    near = (crowd.low[:, 0] <= high[0]) & (crowd.high[:, 0] >= low[0])
    near &= (crowd.low[:, 1] <= high[1]) & (crowd.high[:, 1] >= low[1])
    near &= (crowd.high[:, 2] > low[2]) & (crowd.group != places.group)
    rows = np.flatnonzero(near)
    first, last = crowd.low[rows][:, None], crowd.high[rows][:, None]
    inside = (seen[None, :, :2] >= first[..., :2]).all(axis=2) & (seen[None, :, :2] <= last[..., :2]).all(
        axis=2
    )
    which, point = np.nonzero(inside & (last[..., 2] > seen[None, :, 2]))
    return rows[which], point
