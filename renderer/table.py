"""The pixel table: what each pixel of a view shows. Every picture is made from one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import ArrayLike, NDArray

from renderer.camera import Camera
from renderer.solid import Solid

Array = NDArray[np.float64]
Role = Literal["new", "earlier", "ghost"]

#: Two surfaces nearer than this in depth are level; the lower key shows (mm). Above the noise of
#: float32 ray hits on models of a metre, far below anything that can be seen.
LEVEL_MM = 2e-3


@dataclass(frozen=True, eq=False)
class Item:
    """One placed solid. ``key`` (>= 0, unique in a scene) is its number in pixel tables; items of one
    ``group`` (>= 0) are outlined as one."""

    solid: Solid
    pose: Array  #: (4, 4) rigid, solid to world
    colour: str  #: "#rrggbb"
    key: int
    role: Role = "earlier"
    group: int = -1

    def __post_init__(self) -> None:
        pose = np.array(self.pose, dtype=np.float64)
        if pose.shape != (4, 4):
            raise ValueError(f"pose: expected (4, 4), got {pose.shape}")
        pose.setflags(write=False)
        object.__setattr__(self, "pose", pose)

    @cached_property
    def outer(self) -> Array:
        """(k, 3) world points that bound the item."""
        return self.solid.outer @ self.pose[:3, :3].T + self.pose[:3, 3]

    def moved(self, by: ArrayLike) -> Item:
        """The same item shifted by a world vector."""
        pose = self.pose.copy()
        pose[:3, 3] += np.asarray(by, dtype=np.float64)
        return replace(self, pose=pose)


@dataclass(frozen=True, eq=False)
class PixelTable:
    """Per pixel: the item's key (-1: nothing), the face of its solid, and the depth in mm (away from
    the viewer, from the plane through the camera's centre; infinite where nothing is)."""

    camera: Camera
    key: NDArray[np.int32]  #: (rows, columns)
    face: NDArray[np.int32]
    depth: NDArray[np.float32]

    @classmethod
    def empty(cls, camera: Camera) -> PixelTable:
        """A table of nothing."""
        size = (camera.rows, camera.columns)
        return cls(
            camera,
            np.full(size, -1, np.int32),
            np.full(size, -1, np.int32),
            np.full(size, np.inf, np.float32),
        )

    def copy(self) -> PixelTable:
        return PixelTable(self.camera, self.key.copy(), self.face.copy(), self.depth.copy())

    def window(self, row: int, column: int, rows: int, columns: int) -> PixelTable:
        """A part of the table, ``row`` and ``column`` its first pixel."""
        part = np.s_[row : row + rows, column : column + columns]
        camera = self.camera.window(row, column, rows, columns)
        return PixelTable(camera, self.key[part].copy(), self.face[part].copy(), self.depth[part].copy())

    @property
    def keys(self) -> NDArray[np.intp]:
        """(k,) of the items that show, ascending."""
        return np.flatnonzero(np.bincount(self.key.ravel() + 1)[1:])

    def area(self, key: int) -> int:
        """Pixels that show the item."""
        return int(np.count_nonzero(self.key == key))

    def areas(self, keys: Sequence[int]) -> NDArray[np.int64]:
        """As :meth:`area`, for several items in one pass."""
        seen = np.bincount(self.key[self.key >= 0].ravel(), minlength=max(keys, default=0) + 1)
        return seen[np.asarray(keys, dtype=np.int64)]


class PixelSource(Protocol):
    """Fills pixel tables. ``base`` holds what has been drawn already, by the same camera."""

    name: str

    def table(self, items: Sequence[Item], camera: Camera, base: PixelTable | None = None) -> PixelTable: ...


@dataclass(frozen=True, eq=False)
class Cast:
    """The items of a scene as arrays, to look up what a pixel table's keys and faces stand for."""

    items: tuple[Item, ...]

    @cached_property
    def row_of_key(self) -> NDArray[np.int32]:
        """(greatest key + 2,) row in :attr:`items` of each key; the last one, for key -1, is -1."""
        rows = np.full(max((item.key for item in self.items), default=-1) + 2, -1, np.int32)
        for row, item in enumerate(self.items):
            rows[item.key] = row
        return rows

    def of_keys(self, keys: NDArray[np.intp]) -> tuple[Item, ...]:
        """The items of keys."""
        return tuple(self.items[row] for row in self.row_of_key[keys].tolist())

    @cached_property
    def solids(self) -> tuple[Solid, ...]:
        """The distinct solids in order of first use."""
        return tuple({id(item.solid): item.solid for item in self.items}.values())

    @cached_property
    def solid_of(self) -> NDArray[np.int32]:
        """(items,) row in :attr:`solids`."""
        rows = {id(solid): row for row, solid in enumerate(self.solids)}
        return np.array([rows[id(item.solid)] for item in self.items], np.int32)

    @cached_property
    def rotations(self) -> Array:
        """(items, 3, 3)."""
        return np.array([item.pose[:3, :3] for item in self.items]).reshape(-1, 3, 3)

    @cached_property
    def translations(self) -> Array:
        """(items, 3)."""
        return np.array([item.pose[:3, 3] for item in self.items]).reshape(-1, 3)

    def rows(self, table: PixelTable) -> NDArray[np.int32]:
        """(rows, columns) item row of each pixel, -1 for nothing."""
        return self.row_of_key[table.key]


def _joined(parts: Sequence[NDArray], kind: type) -> NDArray:
    return np.concatenate(parts).astype(kind) if parts else np.zeros(0, kind)
