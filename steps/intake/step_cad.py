"""STEP through cascadio, an optional extra: it meshes the solids and hands back a glTF scene."""

from __future__ import annotations

import importlib.util
import math
import re
import tempfile
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from steps import tessellation
from steps.errors import BeyondLimit, MissingExtra, UnreadableInput
from steps.intake.gltf import glb_scene
from steps.intake.scene import Scene
from steps.intake.step_syntax import damage_in, uncommented
from steps.limits import LIMITS, Limits
from steps.progress import patiently
from steps.workers import Worker, WorkerEnded

#: Chord error of the mesh, mm at the file's size: a stud of 3 mm radius gets some 60 sides.
CHORD_MM = 0.004
#: Greatest angle between neighbouring facets, radians.
FACET_ANGLE = 0.15
#: A point, with or without a name (ISO 10303-21; 10303-42, cartesian_point).
POINT = re.compile(rb"CARTESIAN_POINT\s*\(\s*(?:(?:'[^']*'\s*)+,\s*)?\(([^()]*)\)", re.IGNORECASE)
#: A real number or a whole one (10303-21, 6.4.1, 6.4.2); "1e4", as others write it, is far away all the same.
NUMBER = re.compile(rb"[-+]?\d+(?:\.\d*(?:E[-+]?\d+)?)?", re.IGNORECASE)
AS_OTHERS_WRITE = re.compile(rb"[-+]?\d+\.?\d*(?:E[-+]?\d+)?", re.IGNORECASE)
#: Letters of a wrong number that are shown.
SHOWN = 20
#: How a process ends whose processor time is over.
TOO_LONG = "SIGPROF"
MIB = 1024**2


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
    made = _converted(path, data, limits)
    return replace(glb_scene(path, made, limits, np.eye(4)), unit_mm=1000.0, problems=())


def _check_points(path: Path, data: bytes, limits: Limits) -> None:
    """Raises UnreadableInput for a point that is farther away than is believed, or that is none of numbers:
    the converter goes round for ever over a line that begins there."""
    data = uncommented(data)
    for point in POINT.finditer(data):
        numbers = [number.strip() for number in point.group(1).split(b",")]
        near = all(NUMBER.fullmatch(number) and abs(float(number)) <= limits.coordinate for number in numbers)
        if not near:
            line = data.count(b"\n", 0, point.start()) + 1
            wrong = _wrong_of(numbers, limits)
            raise UnreadableInput(f"{path.name}, line {line}: {wrong}. Repair the model or export it again.")


def _wrong_of(numbers: Sequence[bytes], limits: Limits) -> str:
    """What is wrong of a point's coordinates, one of which is far away or no number."""
    far = max(abs(float(number)) if AS_OTHERS_WRITE.fullmatch(number) else 0.0 for number in numbers)
    if far > limits.coordinate:
        return f"a point lies at {far:g}; coordinates up to {limits.coordinate:g} are believed"
    wrong = next(number for number in numbers if not NUMBER.fullmatch(number))
    return f"'{wrong[:SHOWN].decode('latin-1')}' stands for a coordinate, which is no number in a STEP file"


def _converted(path: Path, data: bytes, limits: Limits) -> bytes:
    """The GLB of the file, made by a worker: a damaged file can end the converter's process, a hostile one
    keep it busy for ever, and it writes to standard output."""
    most_s = limits.meshing_s * math.ceil(path.stat().st_size / MIB)
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder) / "made.glb"
        worker = Worker(tessellation.__name__, moved=_nothing)
        asked = str(path.resolve()), str(made), CHORD_MM, FACET_ANGLE, most_s, limits.meshing_gib
        try:
            patiently(lambda: list(worker.ask(tessellation.mesh, *asked)))
        except WorkerEnded as ended:
            if TOO_LONG in str(ended):
                damage = damage_in(data)
                why = f"; {damage}, which may be why" if damage else ""
                raise BeyondLimit(
                    f"{path.name}: meshing its solids takes more than {most_s:g} s, {limits.meshing_s:g} for "
                    f"each MiB of the file{why}. Export it again, or as 3MF or GLB, or raise the limit: "
                    f"--limit meshing_s={2 * limits.meshing_s:g}."
                ) from ended
        except Exception:  # whatever the converter says is not for people
            made.unlink(missing_ok=True)
        finally:
            worker.end()
        if not made.is_file() or made.stat().st_size == 0:
            why = damage_in(data) or "it may be damaged"
            raise UnreadableInput(
                f"{path.name}: no solid could be read from it; {why}. Export it again, or as 3MF or GLB."
            )
        return made.read_bytes()


def _nothing() -> None:
    """A worker that meshes tells nothing on its way."""
