"""What a view makes of each face: its patch, its normal as the camera sees it, its slope."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from renderer.camera import Camera
from renderer.table import Cast, PixelTable

#: Faces seen more edge-on than this (cosine) count as this much, to keep slopes finite.
LEAST_FACING = 1e-3
#: Items turned alike to this many decimals share one set of faces.
TURN_DECIMALS = 9


@dataclass(frozen=True, eq=False)
class Surfaces:
    """A pixel table looked up in a cast; (rows, columns) each, -1 where nothing is.

    A *surface* is a patch of one item, numbered through over all items.
    """

    some: NDArray[np.intp]  #: flat positions of the pixels that show something
    item: NDArray[np.int32]  #: item row
    index: NDArray[np.int32]  #: of the face, see :class:`Facing`
    surface: NDArray[np.int32]


class Facing:
    """Per face of each distinct (solid, rotation) among the items of a cast, for one camera.

    All arrays over faces are indexed by :meth:`index`: where the faces of an item's solid and rotation
    begin, plus the face's number.
    """

    def __init__(self, cast: Cast, camera: Camera) -> None:
        self.cast, self.camera = cast, camera
        groups: dict[tuple[int, bytes], int] = {}
        self.group = np.empty(len(cast.items), np.int32)  #: (items,)
        self._first: list[int] = []
        for row, turn in enumerate(np.round(cast.rotations, TURN_DECIMALS) + 0.0):
            key = (int(cast.solid_of[row]), turn.tobytes())
            if key not in groups:
                groups[key] = len(groups)
                self._first.append(row)
            self.group[row] = groups[key]
        sizes = [len(cast.items[row].solid.faces) for row in self._first]
        self._starts = np.cumsum([0, *sizes])[:-1].astype(np.int32)
        self.start = self._starts[self.group] if len(sizes) else np.zeros(0, np.int32)

    def index(self, rows: NDArray, faces: NDArray) -> NDArray[np.int32]:
        """Index into the arrays over faces, for item rows (>= 0) and faces."""
        return self.start[rows] + faces

    @cached_property
    def normal(self) -> NDArray[np.float32]:
        """(faces, 3) right, up, toward; turned to look at the viewer, so flipped meshes shade alike."""
        turned = [
            self.cast.items[row].solid.normals @ (self.camera.axes @ self.cast.rotations[row]).T
            for row in self._first
        ]
        if not turned:
            return np.zeros((0, 3), np.float32)
        normal = np.concatenate(turned).astype(np.float32)
        normal[normal[:, 2] < 0] *= -1
        return normal

    @cached_property
    def slope(self) -> NDArray[np.float32]:
        """(faces, 2) how depth grows, mm per pixel to the right and per pixel down."""
        toward = np.maximum(self.normal[:, 2], LEAST_FACING)
        across = self.camera.pixel * self.normal[:, 0] / toward
        down = -self.camera.pixel * self.normal[:, 1] / toward
        return np.stack([across, down], axis=1)

    def depth(self, rows: NDArray, faces: NDArray, across: NDArray, down: NDArray) -> NDArray[np.float64]:
        """Depth of faces of item rows at picture positions in pixels, on each face's plane."""
        index = self.index(rows, faces)
        slope = self.slope[index].astype(np.float64)
        corners = np.concatenate(
            [
                self.cast.items[row].solid.vertices[self.cast.items[row].solid.faces[:, 0]]
                for row in self._first
            ]
        )
        turned = np.einsum("nij,nj->ni", self.cast.rotations[rows], corners[index])
        seen = self.camera.project(turned + self.cast.translations[rows])
        return seen[:, 2] + slope[:, 0] * (across - seen[:, 0]) + slope[:, 1] * (down - seen[:, 1])

    @cached_property
    def patch(self) -> NDArray[np.int32]:
        """(faces,) patch within the solid."""
        patches = [self.cast.items[row].solid.patch for row in self._first]
        return np.concatenate(patches).astype(np.int32) if patches else np.zeros(0, np.int32)

    @cached_property
    def surface_start(self) -> NDArray[np.int32]:
        """(items,) the number of each item's first patch when all items' patches are counted through."""
        counts = [item.solid.patches for item in self.cast.items]
        return np.cumsum([0, *counts])[:-1].astype(np.int32)

    def surfaces(self, table: PixelTable) -> Surfaces:
        """What every pixel of the table shows."""
        rows = self.cast.rows(table).ravel()
        some = np.flatnonzero(rows >= 0)
        of = rows[some]
        index = np.full(len(rows), -1, np.int32)
        surface = np.full(len(rows), -1, np.int32)
        found = self.index(of, table.face.ravel()[some])
        index[some] = found
        surface[some] = self.surface_start[of] + self.patch[found]
        size = table.key.shape
        return Surfaces(some, rows.reshape(size), index.reshape(size), surface.reshape(size))

    @cached_property
    def surface_planar(self) -> NDArray[np.bool_]:
        return self._per_surface("planar", np.bool_)

    @cached_property
    def surface_breadth(self) -> NDArray[np.float64]:
        return self._per_surface("breadth", np.float64)

    def _per_surface(self, name: str, kind: type) -> NDArray:
        values = [getattr(item.solid, name) for item in self.cast.items]
        return np.concatenate(values).astype(kind) if values else np.zeros(0, kind)
