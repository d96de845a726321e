"""STEP through cascadio, an optional extra: it meshes the solids and hands back a glTF scene."""

from __future__ import annotations

import importlib.util
import re
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from steps import tessellation
from steps.errors import BeyondLimit, MissingExtra, UnreadableInput
from steps.intake.gltf import glb_scene
from steps.intake.scene import Scene
from steps.limits import LIMITS, Limits
from steps.workers import Worker, WorkerEnded

#: Chord error of the mesh, mm at the file's size: a stud of 3 mm radius gets some 60 sides.
CHORD_MM = 0.004
#: Greatest angle between neighbouring facets, radians.
FACET_ANGLE = 0.15
#: A point of a STEP file and the numbers in it (ISO 10303-42, cartesian_point; 10303-21, 6.4.2: real).
POINT = re.compile(rb"CARTESIAN_POINT\s*\(\s*'[^']*'\s*,\s*\(([^()]*)\)", re.IGNORECASE)
NUMBER = re.compile(rb"[-+]?\d+\.?\d*(?:E[-+]?\d+)?", re.IGNORECASE)
#: How a process ends whose processor time is over.
TOO_LONG = "SIGPROF"


def read_step(path: Path, limits: Limits = LIMITS) -> Scene:
    """The scene of a STEP file, lengths in its own units brought to mm.

    Raises MissingExtra without cascadio, UnreadableInput when the file is cut short or holds no solid, and
    BeyondLimit where its solids take too long to mesh.
    """
    data = path.read_bytes()
    if b"END-ISO-10303-21" not in data[-4096:]:
        raise UnreadableInput(
            f"{path.name}: the file is cut short: 'END-ISO-10303-21;' is missing. Copy or export it again."
        )
    _check_points(path, data, limits)
    if importlib.util.find_spec("cascadio") is None:
        raise MissingExtra(
            f"{path.name}: reading STEP needs an extra: pip install 'stepleaf[step]'. Or export 3MF or GLB."
        )
    # metres, but z stays up: the converter leaves the axes of the file alone
    return replace(glb_scene(path, _converted(path, limits), limits, np.eye(4)), unit_mm=1000.0, problems=())


def _check_points(path: Path, data: bytes, limits: Limits) -> None:
    """Raises UnreadableInput for a point that is farther away than is believed: a solid that reaches there is
    meshed for hours."""
    for point in POINT.finditer(data):
        far = max((abs(float(number)) for number in NUMBER.findall(point.group(1))), default=0.0)
        if far > limits.coordinate:
            line = data.count(b"\n", 0, point.start()) + 1
            raise UnreadableInput(
                f"{path.name}, line {line}: a point lies at {far:g}; coordinates up to {limits.coordinate:g} "
                "are believed. Repair the model or export it again."
            )


def _converted(path: Path, limits: Limits) -> bytes:
    """The GLB of the file, made by a worker: a damaged file can end the converter's process, a hostile one
    keep it busy for ever, and it writes to standard output."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "made.glb"
        worker = Worker(tessellation.__name__)
        try:
            most = limits.meshing_s, limits.meshing_gib
            for _ in worker.ask(
                tessellation.mesh, str(path.resolve()), str(made), CHORD_MM, FACET_ANGLE, *most
            ):
                pass
        except WorkerEnded as ended:
            if TOO_LONG in str(ended):
                raise BeyondLimit(
                    f"{path.name}: meshing its solids takes more than {limits.meshing_s:g} s. Export it as "
                    f"3MF or GLB, or raise the limit: --limit meshing_s={2 * limits.meshing_s:g}."
                ) from ended
        except Exception:  # whatever the converter says is not for people
            made.unlink(missing_ok=True)
        finally:
            worker.end()
        if not made.is_file() or made.stat().st_size == 0:
            raise UnreadableInput(
                f"{path.name}: no solid could be read from it; it may be damaged. Export it again, or as "
                "3MF or GLB."
            )
        return made.read_bytes()
