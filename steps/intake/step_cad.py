"""STEP through cascadio, an optional extra: it meshes the solids and hands back a glTF scene."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from steps.errors import MissingExtra, UnreadableInput
from steps.intake.gltf import glb_scene
from steps.intake.scene import Scene
from steps.limits import LIMITS, Limits

#: Chord error of the mesh, mm at the file's size: a stud of 3 mm radius gets some 60 sides.
CHORD_MM = 0.004
#: Greatest angle between neighbouring facets, radians.
FACET_ANGLE = 0.15
#: What the process that converts runs.
CONVERT = (
    f"import sys, cascadio; cascadio.step_to_glb(sys.argv[1], sys.argv[2], {CHORD_MM}, {FACET_ANGLE}, "
    "use_parallel=False)"
)


def read_step(path: Path, limits: Limits = LIMITS) -> Scene:
    """The scene of a STEP file, lengths in its own units brought to mm.

    Raises MissingExtra without cascadio, UnreadableInput when the file is cut short or holds no solid.
    """
    if b"END-ISO-10303-21" not in path.read_bytes()[-4096:]:
        raise UnreadableInput(
            f"{path.name}: the file is cut short: 'END-ISO-10303-21;' is missing. Copy or export it again."
        )
    if importlib.util.find_spec("cascadio") is None:
        raise MissingExtra(
            f"{path.name}: reading STEP needs an extra: pip install 'stepleaf[step]'. Or export 3MF or GLB."
        )
    # metres, but z stays up: the converter leaves the axes of the file alone
    return replace(glb_scene(path, _converted(path), limits, np.eye(4)), unit_mm=1000.0, problems=())


def _converted(path: Path) -> bytes:
    """The GLB of the file, made in a process of its own: a damaged file can end the converter's process,
    and it writes to standard output."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "made.glb"
        done = subprocess.run(
            [sys.executable, "-c", CONVERT, str(path.resolve()), str(made)], capture_output=True, check=False
        )
        if done.returncode != 0 or not made.is_file() or made.stat().st_size == 0:
            raise UnreadableInput(
                f"{path.name}: no solid could be read from it; it may be damaged. Export it again, or as "
                "3MF or GLB."
            )
        return made.read_bytes()
