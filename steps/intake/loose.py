"""A folder: of placements if it holds a table of them, else of loose parts, one to a file."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np

from steps.errors import FaultyModel, StepleafError, UnreadableInput
from steps.intake.placements import is_placement_table
from steps.intake.scene import RawMesh, RawPart, Scene
from steps.intake.sniff import READABLE, kind_of
from steps.intake.whole import WHOLE_READERS, join
from steps.model import Problem

MESH_EXTENSIONS = tuple(
    extension for kind, known in READABLE.items() if kind in WHOLE_READERS for extension in known
)
#: Kinds that name several parts of their own; in a folder of loose parts they stay several.
MANY = ("3MF", "GLB", "glTF")


def placement_table_in(folder: Path) -> Path | None:
    """The one placement table of a folder; None when it has none.

    Raises UnreadableInput when it has several.
    """
    tables = [path for path in _files(folder, (".csv",)) if is_placement_table(path)]
    if len(tables) > 1:
        names = ", ".join(path.name for path in tables)
        raise UnreadableInput(
            f"{folder.name}: holds several placement tables ({names}). Name the one you mean."
        )
    return tables[0] if tables else None


def mesh_files(folder: Path) -> Sequence[Path]:
    """Mesh files directly in a folder, by name; of one print in several formats the fullest format."""
    best: dict[str, Path] = {}
    for path in _files(folder, MESH_EXTENSIONS):
        rank = MESH_EXTENSIONS.index(path.suffix.lower())
        if path.stem not in best or rank < MESH_EXTENSIONS.index(best[path.stem].suffix.lower()):
            best[path.stem] = path
    return [best[stem] for stem in sorted(best)]


def read_loose(folder: Path) -> Scene:
    """The scene of a folder of loose parts: a part to a file, all parts of a 3MF or GLB.

    Raises UnreadableInput when the folder holds no mesh, FaultyModel with every file that cannot be read.
    """
    files = mesh_files(folder)
    if not files:
        raise UnreadableInput(
            f"{folder.name or folder}: the folder holds neither a placement table nor a mesh file "
            f"({', '.join(MESH_EXTENSIONS)})."
        )
    meshes: list[RawMesh] = []
    parts: list[RawPart] = []
    faults: list[Problem] = []
    notes: list[Problem] = []
    for path in files:
        try:
            _add_file(path, meshes, parts, notes)
        except StepleafError as error:
            faults.append(Problem("loose-file", "error", (path.name,), str(error)))
    if faults:
        raise FaultyModel(faults)
    return Scene(tuple(meshes), tuple(parts), placed=False, problems=tuple(notes))


def _files(folder: Path, extensions: tuple[str, ...]) -> list[Path]:
    found = [path for path in folder.iterdir() if path.suffix.lower() in extensions and path.is_file()]
    return sorted((path for path in found if not path.name.startswith(".")), key=lambda path: path.name)


def _add_file(path: Path, meshes: list[RawMesh], parts: list[RawPart], notes: list[Problem]) -> None:
    kind = kind_of(path)
    scene = WHOLE_READERS[kind](path)
    notes += scene.problems
    if kind not in MANY:
        mesh, colour = join(scene, path.stem)
        parts.append(RawPart(path.stem, len(meshes), np.eye(4), colour))
        meshes.append(mesh)
        return
    first = len(meshes)
    meshes += [RawMesh(mesh.name, mesh.vertices * scene.unit_mm, mesh.faces) for mesh in scene.meshes]
    for part in scene.parts:
        transform = part.transform.copy()
        transform[:3, 3] *= scene.unit_mm
        parts.append(RawPart(part.name, first + part.mesh, transform, part.colour))
