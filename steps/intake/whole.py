"""One mesh file read as one part, whatever bodies it holds: for placement rows and loose parts."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from importlib import import_module
from pathlib import Path

import numpy as np

from steps.errors import UnknownFormat, UnreadableInput
from steps.intake.areas import majority, triangle_areas
from steps.intake.scene import Colour, RawMesh, Scene
from steps.intake.sniff import kind_of
from steps.limits import LIMITS, Limits, refuse_more

Reader = Callable[..., Scene]


def reader(module: str, name: str, **fixed: bool) -> Reader:
    """A reader by where it is defined in this package: loaded, with the library it reads by, when a file of
    its kind is read."""

    def read(path: Path, limits: Limits) -> Scene:
        found: Reader = getattr(import_module(f"steps.intake.{module}"), name)
        return found(path, limits, **fixed)

    return read


#: Mesh files by kind; STL and OBJ are not split.
WHOLE_READERS: Mapping[str, Reader] = {
    "3MF": reader("threemf", "read_3mf"),
    "GLB": reader("gltf", "read_gltf"),
    "glTF": reader("gltf", "read_gltf"),
    "OBJ": reader("obj", "read_obj", whole=True),
    "STL": reader("stl", "read_stl", whole=True),
    "STEP": reader("step_cad", "read_step"),
}


def read_whole(path: Path, limits: Limits = LIMITS) -> tuple[RawMesh, Colour | None]:
    """All of a file as one mesh in mm, in the file's own frame, and the colour with most area.

    Raises UnreadableInput as the readers do, also when the file is itself a table or holds nothing.
    """
    kind = kind_of(path)
    if kind not in WHOLE_READERS:
        raise UnknownFormat(f"{path.name}: is a {kind}, not a mesh.")
    scene = WHOLE_READERS[kind](path, limits)
    if not scene.parts:
        raise UnreadableInput(f"{path.name}: holds no mesh. Export it again.")
    return join(scene, path.stem, limits)


def join(scene: Scene, name: str, limits: Limits = LIMITS) -> tuple[RawMesh, Colour | None]:
    """The scene's parts as one mesh in mm. Raises UnreadableInput where their copies make it too large."""
    many = sum(len(scene.meshes[part.mesh].faces) for part in scene.parts)
    refuse_more(f"{name}: {many:,} triangles with all its copies", many, "triangles", limits)
    vertices, faces, areas, count = [], [], [], 0
    for part in scene.parts:
        mesh = scene.meshes[part.mesh]
        linear, shift = part.transform[:3, :3], part.transform[:3, 3]
        placed = (mesh.vertices @ linear.T + shift) * scene.unit_mm
        own = mesh.faces[:, ::-1] if np.linalg.det(linear) < 0 else mesh.faces
        areas.append(float(triangle_areas(placed, own).sum()))
        vertices.append(placed)
        faces.append(own + count)
        count += len(placed)
    colour = majority([part.colour for part in scene.parts], areas)
    return RawMesh(name, np.concatenate(vertices), np.concatenate(faces)), colour
