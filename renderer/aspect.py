"""A solid turned some way and seen along some axes, wherever it stands and at whatever scale: what all copies
that look alike have in common is worked out once."""

from __future__ import annotations

from collections import OrderedDict
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike, NDArray

from renderer.solid import Solid
from renderer.tone import tones

Array = NDArray[np.float64]

#: Faces seen more edge-on than this (cosine) take the depth of the solid's origin.
EDGE_ON = 1e-6
#: Sides of a bounding box seen more edge-on than this (cosine) bound nothing worth knowing.
SIDE_ON = 0.02
#: Turns alike to this many decimals are one: a metre away they are less than a micrometre apart.
TURN_DECIMALS = 9
#: Faces of all aspects that are remembered, 40 bytes each and as much again for what is made of them: 80 MB.
KEPT_FACES = 1_000_000


@dataclass(frozen=True, eq=False)
class Rims:
    """Edges (k,) as they cross lines of one direction: from where to where, mm; the place on the line at
    which the first is crossed, and how it moves from line to line, mm per mm."""

    start: Array
    stop: Array
    place: Array
    slope: Array

    @classmethod
    def of(cls, along: Array, across: Array) -> Rims:
        """``along``, ``across`` (k, 2): both ends, over the lines and on them."""
        low = along.argmin(axis=1)
        rows = np.arange(len(along))
        start, stop = along[rows, low], along[rows, 1 - low]
        place, last = across[rows, low], across[rows, 1 - low]
        rise = stop - start
        return cls(start, stop, place, (last - place) / np.where(rise == 0, 1.0, rise))

    def crossed(
        self, pixel: float, off: tuple[float, float], lines: int
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Each crossing of lines 0 ... lines - 1, ``pixel`` mm apart: the line, and the sample on it that is
        nearest to the crossing. ``off``: the origin's place over the lines and on them, in pixels."""
        start, stop = self.start / pixel + off[0], self.stop / pixel + off[0]
        low = np.maximum(np.ceil(start), 0.0)
        count = np.minimum(np.floor(stop), lines - 1.0) - low + 1
        some = np.flatnonzero(count > 0)
        times = count[some].astype(np.int64)
        slope = self.slope[some]
        base = self.place[some] / pixel + off[1] - start[some] * slope
        first = low[some] - (np.cumsum(times) - times)
        line = np.arange(int(times.sum())) + np.repeat(first, times)
        place = np.repeat(base, times) + line * np.repeat(slope, times)
        return line.astype(np.int64), np.rint(place).astype(np.int64)


class Aspect:
    """``turned`` (3, 3) takes the solid's coordinates to the camera's: right, up, toward the viewer.

    Everything is in mm from where the solid's origin is seen: across to the right, down, and depth away
    from the viewer.
    """

    def __init__(self, solid: Solid, turned: ArrayLike) -> None:
        self.solid = solid
        self.turned = np.array(turned, dtype=np.float64)
        outer = self._seen(solid.outer)
        self.low = outer.min(axis=0, initial=np.inf)  #: (3,) across, down, depth
        self.high = outer.max(axis=0, initial=-np.inf)

    def _seen(self, points: Array) -> Array:
        """(n, 3) across, down and depth of points of the solid."""
        return np.asarray(points @ self.turned.T * [1.0, -1.0, -1.0])

    @cached_property
    def points(self) -> Array:
        """(n, 3) where the vertices are seen."""
        return self._seen(self.solid.vertices)

    @cached_property
    def facing(self) -> Array:
        """(faces,) cosine between the normal, as wound, and the way to the viewer."""
        return np.asarray(self.solid.normals @ self.turned[2])

    @cached_property
    def looks(self) -> NDArray[np.bool_]:
        """(faces,) whether the face's outer side looks at the viewer. Only of a closed shell."""
        return np.asarray(self.solid.topology.outward * self.facing > 0)

    @cached_property
    def level(self) -> NDArray[np.float32]:
        """(faces,) depth of the face's plane where the origin is seen; 0 for one seen edge on."""
        edge_on = np.abs(self.facing) < EDGE_ON
        safe = np.where(edge_on, 1.0, self.facing)
        return np.where(edge_on, 0.0, -self.solid.offsets / safe).astype(np.float32)

    @cached_property
    def slope(self) -> NDArray[np.float32]:
        """(faces, 2) how the depth of the face's plane grows to the right and down, mm per mm."""
        edge_on = np.abs(self.facing) < EDGE_ON
        along = self.solid.normals @ self.turned[:2].T / np.where(edge_on, 1.0, self.facing)[:, None]
        return np.where(edge_on[:, None], 0.0, along * [1.0, -1.0]).astype(np.float32)

    @cached_property
    def planes(self) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.float32]]:
        """(1 + faces,) each, that of no face first: level, and slope to the right and down."""
        across, down = self.slope.T
        return np.append(np.float32(np.inf), self.level), _after_zero(across), _after_zero(down)

    @cached_property
    def tone(self) -> NDArray[np.uint8]:
        """(faces,) 0 dark, 1 middle, 2 light; of the side that is seen, so flipped meshes shade alike."""
        normals = self.solid.normals @ self.turned.T
        return tones(np.where(normals[:, 2:] < 0, -normals, normals)).astype(np.uint8)

    @cached_property
    def triangles(self) -> NDArray[np.float32]:
        """(faces, 6) across and down of each corner in turn."""
        return self.points[self.solid.faces, :2].reshape(-1, 6).astype(np.float32)

    @cached_property
    def onward(self) -> NDArray[np.int32]:
        """(faces, 3) the face across the edge from each corner to the next, where that one looks at the
        viewer too; -1 where not. Only of a closed shell."""
        across = self.solid.topology.neighbour
        return np.where((across >= 0) & self.looks[across], across, -1).astype(np.int32)

    @cached_property
    def rims(self) -> Rims:
        """Every edge at which what shows may change, as it crosses rows: edges between flat regions of which
        one looks at the viewer. Only of a closed shell wound one way."""
        topology = self.solid.topology
        face = topology.edges.face
        flat = topology.flat[face]
        chosen = (flat[:, 0] != flat[:, 1]) & self.looks[face].any(axis=1)
        ends = self.points[topology.edges.ends[chosen], :2]
        return Rims.of(ends[:, :, 1], ends[:, :, 0])

    @cached_property
    def sides(self) -> list[tuple[float, float, float]]:
        """Planes of the bounding box's sides that look at the viewer: depth, growth to the right and down."""
        if not len(self.solid.outer):
            return []
        low, high = self.solid.outer.min(axis=0), self.solid.outer.max(axis=0)
        right, up, toward = self.turned
        return [
            (
                float(-(high if toward[axis] > 0 else low)[axis] / toward[axis]),
                float(right[axis] / toward[axis]),
                float(-up[axis] / toward[axis]),
            )
            for axis in range(3)
            if abs(toward[axis]) > SIDE_ON
        ]


def _after_zero(values: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.append(np.float32(0.0), values)


class Aspects:
    """Aspects by solid and turn, those used last remembered."""

    def __init__(self) -> None:
        self._known: OrderedDict[tuple[int, bytes], Aspect] = OrderedDict()
        self._faces = 0

    def of(self, solid: Solid, turned: Array) -> Aspect:
        """The aspect of a solid under a turn (3, 3) into the camera's coordinates."""
        key = (id(solid), (np.round(turned, TURN_DECIMALS) + 0.0).tobytes())
        found = self._known.pop(key, None)
        if found is None:
            found = Aspect(solid, turned)  # keeps the solid, so that no other gets its id
            self._faces += len(solid.faces)
        self._known[key] = found
        while self._faces > KEPT_FACES and len(self._known) > 1:
            _, oldest = self._known.popitem(last=False)
            self._faces -= len(oldest.solid.faces)
        return found


_aspects = Aspects()


def aspect_of(solid: Solid, turned: Array) -> Aspect:
    """The aspect of a solid under a turn (3, 3) into the camera's coordinates; one for all who ask."""
    return _aspects.of(solid, turned)
