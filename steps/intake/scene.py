"""What every reader hands on: meshes as they stand in the file, and where each copy of them goes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from steps.limits import Limits
from steps.model import Array, IntArray, Listed, Problem

Colour = tuple[int, int, int]  #: sRGB, 0..255


@dataclass(frozen=True, eq=False)
class RawMesh:
    """One mesh of the file, untouched: vertices (n, 3) in the scene's unit, faces (m, 3) into them."""

    name: str
    vertices: Array
    faces: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", as_rows(self.vertices, np.float64))
        object.__setattr__(self, "faces", as_rows(self.faces, np.int64))


@dataclass(frozen=True, eq=False)
class RawPart:
    """One copy of a mesh. ``transform`` (4, 4) is affine, in the scene's unit; it may scale or mirror."""

    name: str
    mesh: int  #: row in the scene's meshes
    transform: Array
    colour: Colour | None = None  #: None where the file gives none
    called: str = ""  #: the maker's own name for the print, of loose parts


@dataclass(frozen=True, eq=False)
class Scene:
    """A file read, before anything is measured, merged or scaled."""

    meshes: tuple[RawMesh, ...]
    parts: tuple[RawPart, ...]
    unit_mm: float = 1.0  #: length of the file's unit
    title: str | None = None
    placed: bool = True
    own_frames: bool = True  #: False where meshes stand in model coordinates (STL bodies, OBJ groups)
    problems: tuple[Problem, ...] = field(default=())
    colour_words: Mapping[Colour, str] = field(default_factory=dict)  #: what the file calls its colours
    listed: tuple[Listed, ...] = ()  #: of loose parts
    samples: tuple[RawPart, ...] = ()  #: one copy of each listed print


def sane(values: NDArray, limits: Limits) -> NDArray[np.bool_]:
    """Which numbers are finite and not beyond any length; one that is not a number is not."""
    return np.abs(values) <= limits.coordinate


def as_rows(values: NDArray, kind: type) -> NDArray:
    """A read-only (n, 3) copy."""
    rows: NDArray = np.array(values, dtype=kind).reshape(-1, 3)
    rows.setflags(write=False)
    return rows


def affine(linear: NDArray, shift: NDArray) -> Array:
    """(4, 4) from (3, 3) and (3,)."""
    transform = np.eye(4)
    transform[:3, :3] = linear
    transform[:3, 3] = shift
    return transform
