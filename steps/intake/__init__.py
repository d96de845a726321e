"""Reading: a file or folder becomes a Model. See :func:`read_model`."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from steps.intake.assemble import Origin, assemble
from steps.intake.loose import as_loose_if_on_plates, mesh_files, placement_table_in, read_loose
from steps.intake.parts_list import PARTS_CSV
from steps.intake.scene import Scene
from steps.intake.sniff import kind_of
from steps.intake.whole import WHOLE_READERS, Reader, reader
from steps.limits import refuse_more
from steps.model import Model, Problem
from steps.settings import USUAL, Settings

#: The name of a build file: parts in stud terms.
BUILD_TOML = "build.toml"
__all__ = ["read_model", "sha256_of"]


READERS: Mapping[str, Reader] = {
    **WHOLE_READERS,
    "OBJ": reader("obj", "read_obj"),
    "STL": reader("stl", "read_stl"),
    "placement table": reader("placements", "read_placements"),
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
    source = source_in(path) if os.path.isdir(path) else path
    if os.path.isdir(source):
        scene = read_loose(source, settings.limits)
    else:
        kind = kind_of(source)
        gib = source.stat().st_size / 1024**3
        refuse_more(f"{source.name}: is of {gib:.1f} GiB", gib, "file_gib", settings.limits)
        scene = _read(source, kind, settings)
        if kind == "3MF":
            scene = as_loose_if_on_plates(scene, source.name)
    scene = replace(scene, problems=(*scene.problems, *build_wins(source)))
    title = settings.title or scene.title or path.resolve().stem
    return assemble(scene, origin_of(source, title), settings.scale, settings.limits, settings.set_corners)


def _read(source: Path, kind: str, settings: Settings) -> Scene:
    if kind != "build file":
        return READERS[kind](source, settings.limits)
    from steps.place.build import read_build  # measures, as reading does not elsewhere

    return read_build(source, settings.limits, settings.set_corners).scene()


def build_wins(source: Path) -> tuple[Problem, ...]:
    """A note where a table of placements lies beside a build file."""
    if source.name != BUILD_TOML or placement_table_in(source.resolve().parent) is None:
        return ()
    text = f"{BUILD_TOML} is taken; the table of placements beside it is not read."
    return (Problem("build-wins", "note", (), text),)


def source_in(folder: Path) -> Path:
    """What of a folder is the model: its build file, else its table of placements, else itself."""
    build = folder / BUILD_TOML
    return build if os.path.lexists(build) else placement_table_in(folder) or folder


def origin_of(source: Path, title: str | None) -> Origin:
    """What the model says about its file or folder."""
    return Origin(source.resolve().name, title or source.resolve().stem, sha256_of(source))


def sha256_of(path: Path) -> str:
    """SHA-256 of a file; of a folder or a build file, over the names and sums of the mesh files, the parts
    list and the build file."""
    if not path.is_dir() and path.name != BUILD_TOML:
        return _sum_of(path)
    folder = path if path.is_dir() else path.resolve().parent
    files = [
        *mesh_files(folder),
        *(file for file in (folder / PARTS_CSV, folder / BUILD_TOML) if file.is_file()),
    ]
    lines = [f"{_sum_of(file)}  {file.name}\n" for file in files]
    return hashlib.sha256(os.fsencode("".join(lines))).hexdigest()


def _sum_of(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()
