"""STL, binary and text. It knows triangles alone: no unit, no names to speak of, no parts."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from steps.errors import UnreadableInput
from steps.intake.planted import split_parts
from steps.intake.scene import RawMesh, RawPart, Scene, sane
from steps.limits import LIMITS, Limits, refuse_more
from steps.mend.soup import merged_corners
from steps.model import Array, Problem
from steps.progress import ticking

BINARY_FACE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])

_VERTEX = re.compile(rb"vertex\s+(\S+)\s+(\S+)\s+(\S+)", re.IGNORECASE)
_SOLID = re.compile(rb"^[ \t]*solid\b[ \t]*([^\r\n]*)", re.IGNORECASE | re.MULTILINE)
_LOOP = re.compile(rb"\bouter\s+loop\b", re.IGNORECASE)
_ENDSOLID = re.compile(rb"^[ \t]*endsolid\b", re.IGNORECASE | re.MULTILINE)


def read_stl(path: Path, limits: Limits = LIMITS, whole: bool = False) -> Scene:
    """The scene of an STL file, split into bodies; with ``whole`` all of it is one part.

    Raises UnreadableInput when the file is cut short or is no STL.
    """
    data = path.read_bytes()
    soups = _soups(path, data)
    many = sum(len(soup) for _, soup in soups)
    refuse_more(f"{path.name}: {many:,} triangles", many, "triangles", limits)
    problems = _left_over(path, data)
    if whole:
        soup = np.concatenate([soup for _, soup in soups])
        return _scene([RawMesh(path.stem, *merged_corners(soup))], problems)
    meshes: list[RawMesh] = []
    for _, soup in ticking(soups):
        sound = sane(soup, limits).all()  # else the checks name the file's fault
        bodies, doubts = split_parts(*merged_corners(soup), limits) if sound else ([merged_corners(soup)], {})
        first = len(meshes)
        meshes += [RawMesh(f"body-{first + row + 1}", *body) for row, body in enumerate(bodies)]
        problems += [_not_split(path, f"body-{first + row + 1}", edges) for row, edges in doubts.items()]
    return _scene(_named_by_solid(soups, meshes), problems)


def _soups(path: Path, data: bytes) -> list[tuple[str, Array]]:
    """(name, (faces, 3, 3) corners) of each solid in the file; a binary file is one, without a name."""
    return [("", _binary(path, data))] if _is_binary(data) else _text(path, data)


def _left_over(path: Path, data: bytes) -> list[Problem]:
    """A note where a binary file goes on behind the triangles that it promises."""
    promised = int.from_bytes(data[80:84], "little")
    more = len(data) - 84 - 50 * promised
    if not _is_binary(data) or more <= 0:
        return []
    text = (
        f"{path.name}: promises {promised:,} triangles and goes on for {more:,} bytes behind them, which "
        "were not read. If something is missing, export it again."
    )
    return [Problem("left-over", "note", (), text)]


def _scene(meshes: list[RawMesh], problems: list[Problem]) -> Scene:
    parts = tuple(RawPart(mesh.name, row, np.eye(4)) for row, mesh in enumerate(meshes))
    return Scene(tuple(meshes), parts, own_frames=False, problems=tuple(problems))


def _named_by_solid(soups: list[tuple[str, Array]], meshes: list[RawMesh]) -> list[RawMesh]:
    """A text file with one named solid to each body has names worth keeping."""
    names = [name for name, _ in soups]
    if len(soups) < 2 or len(soups) != len(meshes) or not all(names):
        return meshes
    return [RawMesh(name, mesh.vertices, mesh.faces) for name, mesh in zip(names, meshes, strict=True)]


def _not_split(path: Path, body: str, edges: int) -> Problem:
    text = (
        f"{path.name}: {body} may be more than one part: {edges} of its edges belong to several faces whose "
        "sides contradict each other, so it was not split there. Export one body per part, or hand in 3MF."
    )
    return Problem("not-to-be-split", "warning", (body,), text)


def _is_binary(data: bytes) -> bool:
    if len(data) >= 84 and len(data) == 84 + 50 * int.from_bytes(data[80:84], "little"):
        return True
    return not (data[:512].lstrip().lower().startswith(b"solid") and b"\x00" not in data[:512])


def _binary(path: Path, data: bytes) -> Array:
    if len(data) < 84:
        raise UnreadableInput(f"{path.name}: {len(data)} bytes are too few for an STL file. Export it again.")
    promised = int.from_bytes(data[80:84], "little")
    held = (len(data) - 84) // 50
    if promised > held:
        raise UnreadableInput(
            f"{path.name}: the file is cut short: it promises {promised:,} triangles and holds {held:,}. "
            "Copy or export it again."
        )
    faces = np.frombuffer(data, dtype=BINARY_FACE, count=promised, offset=84)
    return faces["corners"].astype(np.float64)


def _text(path: Path, data: bytes) -> list[tuple[str, Array]]:
    if b"\n" not in data:
        data = data.replace(b"\r", b"\n")
    starts = list(_SOLID.finditer(data))
    if not starts:
        raise UnreadableInput(f"{path.name}: is not an STL file that can be read: no line begins a solid.")
    if len(_ENDSOLID.findall(data)) < len(starts):
        raise UnreadableInput(
            f"{path.name}: the file is cut short: a solid has no 'endsolid'. Copy or export it again."
        )
    ends = [start.start() for start in starts[1:]] + [len(data)]
    soups = []
    for start, end in zip(starts, ends, strict=True):
        loops = len(_LOOP.findall(data, start.end(), end))
        corners = _numbers(path, _VERTEX.findall(data, start.end(), end), loops)
        soups.append((start.group(1).decode("utf-8", "replace").strip(), corners))
    return [(name, soup) for name, soup in soups if len(soup)] or soups


def _numbers(path: Path, rows: list[tuple[bytes, ...]], loops: int) -> Array:
    if len(rows) % 3 or (loops and len(rows) != 3 * loops):
        facets = f"its {loops:,} facets have {len(rows):,} vertices"
        if not loops:
            facets = f"it has {len(rows):,} vertices and no facet ('outer loop') that holds them"
        raise UnreadableInput(
            f"{path.name}: {facets}; an STL holds triangles, three vertices each. Export it "
            "again as triangles."
        )
    try:
        return np.array(rows, dtype=np.bytes_).astype(np.float64).reshape(-1, 3, 3)
    except ValueError as error:
        raise UnreadableInput(f"{path.name}: a vertex is not three numbers. Export it again.") from error
