"""Solids that are made rather than read: cards, pieces to try, wedges; and their files."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import manifold3d as m3
import numpy as np
from manifold3d import Manifold

from steps.model import Array, IntArray, Shape, frozen_array
from steps.prints.stl import stl_bytes
from steps.prints.threemf import PrintObject, packed_mesh, print_3mf

#: What is no part of the model may be printed in anything.
GREY, GREY_NAME = "#b0b0b0", "any colour"


@dataclass(frozen=True, eq=False)
class PrintSolid:
    """A mesh to print."""

    name: str
    vertices: Array
    faces: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", frozen_array(self.vertices, (None, 3), "vertices"))


def solid_files(solid: PrintSolid) -> Iterator[tuple[str, bytes]]:
    """The solid as STL and 3MF, by file name."""
    yield f"{solid.name}.stl", stl_bytes(solid.vertices, solid.faces)
    mesh = packed_mesh(solid.vertices, solid.faces)
    each = PrintObject(solid.name, mesh, GREY, GREY_NAME, ((solid.name, 0.0, 0.0),))
    yield f"{solid.name}.3mf", print_3mf(solid.name, [each])


def body_of(shape: Shape) -> Manifold | None:
    """The shape as a closed body; None when it is not one."""
    body = Manifold(m3.Mesh64(shape.vertices.copy(), np.array(shape.faces, np.uint64, order="C")))
    return body if body.status() == m3.Error.NoError and not body.is_empty() else None


def solid_of(name: str, body: Manifold) -> PrintSolid:
    """The body as a mesh that stands on z = 0."""
    mesh = body.to_mesh64()
    vertices = np.array(mesh.vert_properties)[:, :3]
    vertices[:, 2] -= vertices[:, 2].min()
    return PrintSolid(name, vertices, np.array(mesh.tri_verts, dtype=np.int64))
