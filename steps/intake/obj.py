"""OBJ text: one part per object, else per group; never merged by material. It knows no unit."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from manifold3d import triangulate

from steps.errors import UnreadableInput
from steps.intake.areas import majority, triangle_areas
from steps.intake.names import first_of
from steps.intake.planted import split_parts
from steps.intake.scene import Colour, RawMesh, RawPart, Scene, sane
from steps.limits import LIMITS, Limits, refuse_more
from steps.mend.soup import is_closed, merged_corners
from steps.model import Array, Problem

#: Letters of a path that any file system takes: most allow 4,096.
LONGEST_PATH = 4_096


@dataclass
class _Run:
    """Faces that share object, group and material, as written."""

    object: str
    group: str
    material: str
    faces: list[list[int]] = field(default_factory=list)
    line: int = 0
    opened: int = 0  #: which object or group line of the file it stands under


def read_obj(path: Path, limits: Limits = LIMITS, whole: bool = False) -> Scene:
    """The scene of an OBJ file: one part per object, else per group, else per body.

    With ``whole`` all of it is one part. Raises UnreadableInput when a line makes no sense or a face
    names a vertex that is not there.
    """
    vertices, runs, libraries = _parse(path, limits)
    colours, problems = _materials(path, libraries, limits)
    names = _parts_by(runs, whole)
    pieces = [piece for name, own in names.items() for piece in _reopened(name, own, vertices, whole, limits)]
    meshes: list[RawMesh] = []
    parts: list[RawPart] = []
    for name, own in pieces:
        faces = [_triangles(vertices, run) for run in own]
        areas = [float(triangle_areas(vertices, part).sum()) for part in faces]
        colour = majority([colours.get(run.material) for run in own], areas)
        shown = path.stem if whole else name
        for body_name, body in _bodies(
            shown, vertices, np.concatenate(faces), whole or len(pieces) > 1, limits, problems
        ):
            parts.append(RawPart(body_name, len(meshes), np.eye(4), colour))
            meshes.append(RawMesh(body_name, *body))
    words = {colour: name for name, colour in list(colours.items())[::-1]}
    return Scene(tuple(meshes), tuple(parts), own_frames=False, problems=tuple(problems), colour_words=words)


def _parse(path: Path, limits: Limits) -> tuple[Array, list[_Run], list[str]]:
    """Vertices, runs of faces in file order, and the material libraries named."""
    points: list[list[str]] = []
    runs: list[_Run] = []
    libraries: list[str] = []
    now, fresh, opened = {"o": "", "g": "", "usemtl": ""}, True, 0
    text = path.read_text(encoding="utf-8-sig", errors="replace").replace("\\\n", " ").replace("\\\r\n", " ")
    for number, line in enumerate(text.splitlines(), 1):
        word, _, rest = line.strip().partition(" ")
        if word == "v":
            points.append(rest.split()[:3])
        elif word == "f":
            if fresh:
                runs.append(_Run(now["o"], now["g"], now["usemtl"], line=number, opened=opened))
                fresh = False
            runs[-1].faces.append(_corners(path, number, rest, len(points), limits))
        elif word in now:
            now[word], fresh = rest.strip(), True
            opened += word != "usemtl"
        elif word == "mtllib":
            libraries.append(rest.strip())
    for run in runs:
        _check_corners(path, run, len(points))
    return _points(path, points), runs, libraries


def _check_corners(path: Path, run: _Run, known: int) -> None:
    last = max(max(face) for face in run.faces)
    if last >= known:
        raise UnreadableInput(
            f"{path.name}: a face from line {run.line} on names vertex {last + 1}, but there are {known:,}: "
            "the file is cut short or damaged. Copy or export it again."
        )


def _points(path: Path, rows: list[list[str]]) -> Array:
    try:
        if not _plain("".join(map("".join, rows))):
            raise ValueError
        return np.array(rows, dtype=np.float64).reshape(-1, 3)
    except ValueError as error:
        raise UnreadableInput(
            f"{path.name}: a vertex line does not hold three numbers. Export it again."
        ) from error


def _plain(numbers: str) -> bool:
    """Whether other readers of the file take for numbers what Python takes for them."""
    return numbers.isascii() and "_" not in numbers


def _corners(path: Path, line: int, rest: str, known: int, limits: Limits) -> list[int]:
    """Zero-based corners of one face; negative numbers count back from the last vertex read."""
    try:
        if not _plain(rest):
            raise ValueError
        given = [int(corner.split("/", 1)[0]) for corner in rest.split()]
    except ValueError as error:
        raise UnreadableInput(f"{path.name}, line {line}: not a face ({rest.strip()[:40]!r}).") from error
    corners = [at - 1 if at > 0 else known + at for at in given]
    told = f"{path.name}, line {line}: a face of {len(corners):,} corners"
    refuse_more(told, len(corners), "corners", limits)
    if len(corners) < 3 or 0 in given or min(corners) < 0:
        raise UnreadableInput(
            f"{path.name}, line {line}: not a face ({rest.strip()[:40]!r}). Export it again."
        )
    return corners


def _parts_by(runs: list[_Run], whole: bool) -> dict[str, list[_Run]]:
    """Runs of each part, by object where the file has several, else by group."""
    objects, groups = ({getattr(run, key) for run in runs} for key in ("object", "group"))
    key = "object" if len(objects) > 1 or len(groups) == 1 else "group"
    parts: dict[str, list[_Run]] = {}
    for run in runs:
        parts.setdefault("" if whole else getattr(run, key), []).append(run)
    return parts


def _reopened(
    name: str, runs: list[_Run], vertices: Array, whole: bool, limits: Limits
) -> list[tuple[str, list[_Run]]]:
    """Writers of instances give many objects one name: where a name is opened again and each stretch is a
    closed solid of its own, they are several parts; else they are pieces of one."""
    stretches: dict[int, list[_Run]] = {}
    for run in runs:
        stretches.setdefault(run.opened, []).append(run)
    if not name or whole or len(stretches) < 2 or not sane(vertices, limits).all():
        return [(name, runs)]
    for stretch in stretches.values():
        faces = np.concatenate([_triangles(vertices, run) for run in stretch])
        if not is_closed(merged_corners(vertices[faces])[1]):
            return [(name, runs)]
    return [(name, stretch) for stretch in stretches.values()]


def _triangles(vertices: Array, run: _Run) -> np.ndarray:
    """Faces of more than three corners cut into triangles, dents in them respected."""
    cut: list[list[int]] = []
    for face in run.faces:
        cut += [face] if len(face) == 3 else _cut(vertices, face)
    return np.array(cut, dtype=np.int64)


def _cut(vertices: Array, face: list[int]) -> list[list[int]]:
    points = vertices[face]
    normal = np.cross(points, np.roll(points, -1, axis=0)).sum(axis=0)
    fan = [[face[0], face[row], face[row + 1]] for row in range(1, len(face) - 1)]
    length = np.linalg.norm(normal)
    if length == 0 or not np.isfinite(length):
        return fan
    across = np.linalg.svd(np.vstack([normal / length, np.zeros((2, 3))]))[2][1:]
    if np.dot(np.cross(across[0], across[1]), normal) < 0:
        across = across[::-1]
    flat = (points - points.mean(axis=0)) @ across.T
    if _convex(flat):
        return fan
    found = np.asarray(triangulate([flat]))
    return [[face[corner] for corner in row] for row in found] if len(found) == len(face) - 2 else fan


def _convex(flat: np.ndarray) -> bool:
    ahead = np.roll(flat, -1, axis=0) - flat
    turn = ahead[:, 0] * np.roll(ahead, -1, axis=0)[:, 1] - ahead[:, 1] * np.roll(ahead, -1, axis=0)[:, 0]
    return bool((turn >= -1e-12 * np.abs(flat).max() ** 2).all())


def _bodies(
    name: str, vertices: Array, faces: np.ndarray, whole: bool, limits: Limits, problems: list[Problem]
) -> list[tuple[str, tuple[Array, np.ndarray]]]:
    """The part's mesh alone; one that is not the ``whole`` of a part is split into bodies instead."""
    used, renumbered = np.unique(faces, return_inverse=True)
    own = vertices[used], renumbered.reshape(-1, 3)
    if whole or not sane(own[0], limits).all():
        return [(name or "unnamed", own)]
    bodies, doubts = split_parts(*merged_corners(own[0][own[1]]), limits)
    if len(bodies) == 1:
        return [(name or "body-1", bodies[0])]
    for row, edges in doubts.items():
        text = (
            f"body-{row + 1} may be more than one part: {edges} of its edges belong to faces that do not "
            "fit together, so it was not split there. Export one object per part."
        )
        problems.append(Problem("not-to-be-split", "warning", (f"body-{row + 1}",), text))
    return [(f"body-{row + 1}", body) for row, body in enumerate(bodies)]


def _materials(
    path: Path, libraries: list[str], limits: Limits
) -> tuple[Mapping[str, Colour], list[Problem]]:
    """Diffuse colour (Kd) of each material; a library that is not there is a note, not a fault."""
    colours: dict[str, Colour] = {}
    problems: list[Problem] = []
    folder = path.parent.resolve()
    named = list(dict.fromkeys(libraries))
    refuse_more(f"{path.name}: {len(named):,} material libraries", len(named), "files", limits)
    missing, unread = [], []
    for library in named:
        beside = _beside(folder, library, limits)
        if beside is None:
            missing.append(library)
        else:
            told = _diffuse(beside.read_text(encoding="utf-8-sig", errors="replace"))
            colours.update({name: rgb for name, rgb in told.items() if rgb is not None})
            unread += [name for name, rgb in told.items() if rgb is None]
    if missing:
        more = f" and {len(missing) - 1:,} more files" if len(missing) > 1 else ""
        text = (
            f"{path.name}: its colours are in {missing[0][:60]!r}{more}, not beside it or too large to read; "
            "parts are grey."
        )
        problems.append(Problem("colours-missing", "note", (), text))
    if unread:
        text = (
            f"{path.name}: the colour (Kd) of {first_of(unread)} is not three numbers; what has it is grey."
        )
        problems.append(Problem("colours-missing", "note", (), text))
    return colours, problems


def _beside(folder: Path, name: str, limits: Limits) -> Path | None:
    """The file of that name in a folder; None where there is none that may be read, or the name can be
    none's."""
    if len(name) > LONGEST_PATH:
        return None
    try:
        found = (folder / name.replace("\\", "/")).resolve()
        if not found.is_relative_to(folder) or not found.is_file():
            return None
        return found if found.stat().st_size <= limits.file_gib * 1024**3 else None
    except (OSError, ValueError):
        return None


def _diffuse(text: str) -> dict[str, Colour | None]:
    """The diffuse colour of each material that tells one; None for one that is not three numbers."""
    found: dict[str, Colour | None] = {}
    name = ""
    for line in text.splitlines():
        word, _, rest = line.strip().partition(" ")
        if word == "newmtl":
            name = rest.strip()
        elif word == "Kd":
            found[name] = _of_shares(rest.split()[:3])
    return found


def _of_shares(words: list[str]) -> Colour | None:
    try:
        red, green, blue = (float(word) for word in words)
    except ValueError:
        return None
    if not all(map(math.isfinite, (red, green, blue))):
        return None
    of_255 = [round(min(max(share, 0.0), 1.0) * 255) for share in (red, green, blue)]
    return of_255[0], of_255[1], of_255[2]
