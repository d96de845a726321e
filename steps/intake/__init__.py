"""Reading: a file or folder becomes a Model. See :func:`read_model`."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from pathlib import Path

from steps.errors import UnreadableInput
from steps.intake.assemble import Origin, assemble
from steps.intake.gltf import read_gltf
from steps.intake.loose import as_loose_if_on_plates, mesh_files, placement_table_in, read_loose
from steps.intake.obj import read_obj
from steps.intake.parts_list import PARTS_CSV
from steps.intake.placements import read_placements
from steps.intake.scene import Scene
from steps.intake.sniff import kind_of
from steps.intake.step_cad import read_step
from steps.intake.stl import read_stl
from steps.intake.threemf import read_3mf
from steps.model import Model
from steps.settings import USUAL, Settings

__all__ = ["read_model", "sha256_of"]

#: Bytes of one input file that are read at all.
MAX_FILE = 2 * 1024**3

READERS: Mapping[str, Callable[[Path], Scene]] = {
    "3MF": read_3mf,
    "GLB": read_gltf,
    "glTF": read_gltf,
    "OBJ": read_obj,
    "STL": read_stl,
    "STEP": read_step,
    "placement table": read_placements,
}


def read_model(path: str | Path, settings: Settings = USUAL) -> Model:
    """The model in a 3MF, GLB, glTF, OBJ, STL, STEP or CSV file, or in a folder; settings beside it are not
    read (see ``load_settings``).

    A folder with a placement table is that table's model; another is a model of loose parts with
    ``placed`` False. Lengths are mm times ``settings.scale``.

    Raises UnreadableInput (missing, empty, damaged, hostile or of another type), MissingExtra (STEP
    without cascadio), FaultyModel with all faults that leave nothing to go on with. Faults that leave
    a model are among its ``problems``, as errors.
    """
    path = Path(path)
    source = placement_table_in(path) or path if path.is_dir() else path
    if source.is_dir():
        scene = read_loose(source)
    else:
        kind = kind_of(source)
        if source.stat().st_size > MAX_FILE:
            raise UnreadableInput(
                f"{source.name}: is over {MAX_FILE / 1024**3:.0f} GiB; that much is not read."
            )
        scene = READERS[kind](source)
        if kind == "3MF":
            scene = as_loose_if_on_plates(scene, source.name)
    title = settings.title or scene.title or path.resolve().stem
    return assemble(scene, Origin(source.resolve().name, title, sha256_of(source)), settings.scale)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file; of a folder, over the names and sums of its mesh files and its parts list."""
    if not path.is_dir():
        with path.open("rb") as stream:
            return hashlib.file_digest(stream, "sha256").hexdigest()
    files = [*mesh_files(path), *(file for file in (path / PARTS_CSV,) if file.is_file())]
    lines = [f"{sha256_of(file)}  {file.name}\n" for file in files]
    return hashlib.sha256("".join(lines).encode()).hexdigest()
