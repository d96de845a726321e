"""The items of a view, seen: what is known of every face as it looks in it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from renderer.aspect import Aspect, aspect_of
from renderer.beat import beat, beating
from renderer.camera import Camera
from renderer.table import Cast, PixelTable


@dataclass(frozen=True, eq=False)
class Shown:
    """What some pixels of a table show, (n,) each; -1 where that is nothing.

    A *surface* is a patch of one item, numbered through over all items.
    """

    item: NDArray[np.int32]  #: item row
    index: NDArray[np.int32]  #: of the face, see :class:`Facing`
    surface: NDArray[np.int32]


class Facing:
    """The aspects of a cast's items for one camera, their faces counted through.

    All arrays over faces are indexed by :meth:`index`: where the faces of an item's aspect begin, plus the
    face's number.
    """

    def __init__(self, cast: Cast, camera: Camera) -> None:
        self.cast, self.camera = cast, camera
        groups: dict[int, int] = {}
        self.aspects: list[Aspect] = []
        group = np.empty(len(cast.items), np.int64)  # (items,)
        for row, item in enumerate(beating(cast.items)):
            aspect = aspect_of(item.solid, camera.axes @ cast.rotations[row])
            if id(aspect) not in groups:
                groups[id(aspect)] = len(groups)
                self.aspects.append(aspect)
            group[row] = groups[id(aspect)]
        counts = [len(aspect.solid.faces) for aspect in self.aspects]
        self._starts = np.cumsum([0, *counts])[:-1].astype(np.int32)
        self.start = self._starts[group]  #: (items,)
        self.at = camera.project(cast.translations)  #: (items, 3) column, row, depth of each item's origin

    def index(self, rows: NDArray, faces: NDArray) -> NDArray[np.int32]:
        """Index into the arrays over faces, for item rows (>= 0) and faces."""
        return np.asarray(self.start[rows] + faces)

    def _joined(self, of: Callable[[Aspect], NDArray], kind: type, width: tuple[int, ...] = ()) -> NDArray:
        """(faces, ...) of all aspects."""
        beat()
        parts = [of(aspect) for aspect in beating(self.aspects)]
        return np.concatenate(parts, dtype=kind) if parts else np.zeros((0, *width), kind)

    @cached_property
    def tone(self) -> NDArray[np.uint8]:
        """(faces,) 0 dark, 1 middle, 2 light."""
        return self._joined(lambda aspect: aspect.tone, np.uint8)

    @cached_property
    def slope(self) -> NDArray[np.float32]:
        """(faces, 2) how depth grows, mm per pixel to the right and per pixel down."""
        return self._joined(lambda aspect: aspect.slope, np.float32, (2,)) * np.float32(self.camera.pixel)

    @cached_property
    def level(self) -> NDArray[np.float32]:
        """(faces,) depth of the face's plane where the item's origin is seen, from that origin, mm."""
        return self._joined(lambda aspect: aspect.level, np.float32)

    @cached_property
    def triangle(self) -> NDArray[np.float32]:
        """(faces, 6) across and down of each corner in turn, mm from where the item's origin is seen."""
        return self._joined(lambda aspect: aspect.triangles, np.float32, (6,))

    @cached_property
    def neighbour(self) -> NDArray[np.int32]:
        """(faces, 3) index of the face across each edge, where that one looks at the viewer too; else -1."""
        parts = [aspect.onward + start for aspect, start in zip(self.aspects, self._starts, strict=True)]
        found = np.concatenate(parts) if parts else np.zeros((0, 3), np.int32)
        ends = self._joined(lambda aspect: aspect.onward, np.int32, (3,)) < 0
        found[ends] = -1
        return found

    @cached_property
    def closed(self) -> NDArray[np.bool_]:
        """(items,) whether the item is one closed shell: its edges are where its surfaces end."""
        return np.array([item.solid.topology.outward != 0 for item in self.cast.items], dtype=bool)

    def depth(self, rows: NDArray, faces: NDArray, across: NDArray, down: NDArray) -> NDArray[np.float64]:
        """Depth of faces of item rows at picture positions in pixels, on each face's plane."""
        index, at = self.index(rows, faces), self.at[rows]
        slope = self.slope[index].astype(np.float64)
        level = at[:, 2] + self.level[index]
        return np.asarray(level + slope[:, 0] * (across - at[:, 0]) + slope[:, 1] * (down - at[:, 1]))

    @cached_property
    def patch(self) -> NDArray[np.int32]:
        """(faces,) patch within the solid."""
        return self._joined(lambda aspect: aspect.solid.patch, np.int32)

    @cached_property
    def surface_start(self) -> NDArray[np.int32]:
        """(items,) the number of each item's first patch when all items' patches are counted through."""
        counts = [item.solid.patches for item in self.cast.items]
        return np.cumsum([0, *counts])[:-1].astype(np.int32)

    def shown(self, table: PixelTable, places: NDArray[np.intp]) -> Shown:
        """What the pixels at flat positions show."""
        item = self.cast.row_of_key[table.key.ravel()[places]]
        some = item >= 0
        of = item[some]
        index, surface = np.full(len(item), -1, np.int32), np.full(len(item), -1, np.int32)
        found = self.index(of, table.face.ravel()[places[some]])
        index[some] = found
        surface[some] = self.surface_start[of] + self.patch[found]
        return Shown(item, index, surface)

    @cached_property
    def surface_planar(self) -> NDArray[np.bool_]:
        return self._per_surface("planar", np.bool_)

    @cached_property
    def surface_breadth(self) -> NDArray[np.float64]:
        return self._per_surface("breadth", np.float64)

    def _per_surface(self, name: str, kind: type) -> NDArray:
        values = [getattr(item.solid, name) for item in self.cast.items]
        return np.concatenate(values).astype(kind) if values else np.zeros(0, kind)
