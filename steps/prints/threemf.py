"""Print files as 3MF: each mesh once, in its colour, as many build items as there are copies."""

from __future__ import annotations

import ctypes
import uuid
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

import lib3mf
import numpy as np
from lib3mf import get_wrapper
from numpy.typing import NDArray

from steps.model import Array, IntArray

#: Root of the identifiers that the format asks for; fixed, so that the same input gives the same bytes.
NAMESPACE = uuid.uuid5(uuid.NAMESPACE_URL, "https://stepleaf.invalid/prints")


@dataclass(frozen=True, eq=False)
class PrintObject:
    """A mesh in one colour, and the middles (x, y) of its copies with their part numbers."""

    name: str
    vertices: Array
    faces: IntArray
    colour: str
    colour_name: str
    copies: tuple[tuple[str, float, float], ...]


@cache
def _library() -> Any:
    """The library's functions, looked up once."""
    return get_wrapper()


def print_3mf(title: str, objects: Sequence[PrintObject]) -> bytes:
    """A whole 3MF document in millimetres."""
    wrapper = _library()
    document = wrapper.CreateModel()
    document.SetUnit(lib3mf.ModelUnit.MilliMeter)
    document.SetBuildUUID(_uuid(title))
    document.GetMetaDataGroup().AddMetaData("", "Title", title, "xs:string", True)
    materials = document.AddBaseMaterialGroup()
    known: dict[str, int] = {}
    for row, each in enumerate(objects):
        if each.colour not in known:
            rgb = (int(each.colour[k : k + 2], 16) for k in (1, 3, 5))
            known[each.colour] = materials.AddMaterial(each.colour_name, wrapper.RGBAToColor(*rgb, 255))
        mesh = document.AddMeshObject()
        mesh.SetName(each.name)
        mesh.SetUUID(_uuid(title, str(row)))
        _set_geometry(mesh, each)
        mesh.SetObjectLevelProperty(materials.GetResourceID(), known[each.colour])
        for number, (part, x, y) in enumerate(each.copies):
            place = wrapper.GetTranslationTransform(x, y, 0.0)
            item = document.AddBuildItem(mesh, place)
            item.SetPartNumber(part)
            item.SetUUID(_uuid(title, str(row), str(number)))
    return bytes(document.QueryWriter("3mf").WriteToBuffer())


def _set_geometry(mesh: Any, each: PrintObject) -> None:
    positions = (lib3mf.Position * len(each.vertices))()
    triangles = (lib3mf.Triangle * len(each.faces))()
    _fill(positions, np.ascontiguousarray(each.vertices, dtype=np.float32))
    _fill(triangles, np.ascontiguousarray(each.faces, dtype=np.uint32))
    mesh.SetGeometry(positions, triangles)


def _fill(target: Any, values: NDArray[Any]) -> None:
    ctypes.memmove(ctypes.addressof(target), values.ctypes.data, values.nbytes)


def _uuid(*names: str) -> str:
    return str(uuid.uuid5(NAMESPACE, "/".join(names)))
