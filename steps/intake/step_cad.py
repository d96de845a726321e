"""STEP through cascadio, an optional extra: it meshes the solids and hands back a glTF scene."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from steps.errors import MissingExtra, UnreadableInput
from steps.intake.gltf import glb_scene
from steps.intake.scene import Scene

#: Chord error of the mesh, mm at the file's size: a stud of 3 mm radius gets some 60 sides.
CHORD_MM = 0.004
#: Greatest angle between neighbouring facets, radians.
FACET_ANGLE = 0.15


def read_step(path: Path) -> Scene:
    """The scene of a STEP file, lengths in its own units brought to mm.

    Raises MissingExtra without cascadio, UnreadableInput when the file is cut short or holds no solid.
    """
    data = path.read_bytes()
    if b"END-ISO-10303-21" not in data[-4096:]:
        raise UnreadableInput(
            f"{path.name}: the file is cut short: 'END-ISO-10303-21;' is missing. Copy or export it again."
        )
    try:
        import cascadio
    except ImportError as error:
        raise MissingExtra(
            f"{path.name}: reading STEP needs an extra: pip install 'stepleaf[step]'. Or export 3MF or GLB."
        ) from error
    glb = cascadio.load(
        data, file_type="step", tol_linear=CHORD_MM, tol_angular=FACET_ANGLE, use_parallel=False
    )
    if not glb:
        raise UnreadableInput(
            f"{path.name}: no solid could be read from it. Export it again, or as 3MF or GLB."
        )
    # metres, but z stays up: the converter leaves the axes of the file alone
    return replace(glb_scene(path, glb, upright=np.eye(4)), unit_mm=1000.0, problems=())
