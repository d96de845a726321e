"""A folder: of placements if it holds a table of them, else of loose parts, one to a file.

How many, in which colour and called what: ``parts.csv`` outranks the file's name, that the part's name
within the file, that what the file itself says.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import shapely

from steps.errors import FaultyModel, StepleafError, UnreadableInput
from steps.intake.colours import DEFAULT_COLOUR, to_hex
from steps.intake.parts_list import PARTS_CSV, ListLine, read_parts_list
from steps.intake.placements import is_placement_table
from steps.intake.said import Said, said_by
from steps.intake.scene import Colour, RawMesh, RawPart, Scene
from steps.intake.sniff import READABLE, kind_of
from steps.intake.whole import WHOLE_READERS, join
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Listed, Problem, outermost
from steps.progress import ticking

MESH_EXTENSIONS = tuple(
    extension for kind, known in READABLE.items() if kind in WHOLE_READERS for extension in known
)
#: Kinds that name several parts of their own; in a folder of loose parts they stay several.
MANY = ("3MF", "GLB", "glTF")
#: Of fewer parts it cannot be told whether they lie on a plate or were put apart by mistake.
LEAST_ON_PLATES = 3
#: Parts on plates stand on one level within this share of their height; printing software sets them to 0.
LEVEL_SHARE = 1e-3
#: Outlines nearer than this share of the parts' size may touch: blocks side by side are not on a plate.
APART_SHARE = 0.02


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


def read_loose(folder: Path, limits: Limits = LIMITS) -> Scene:
    """The scene of a folder of loose parts: a print to a file, all parts of a 3MF or GLB, each so often and
    in such colours as ``parts.csv`` or the names say. A file that cannot be read is a warning.

    Raises UnreadableInput when the folder holds no mesh, FaultyModel when none of its files can be read or
    ``parts.csv`` has faults.
    """
    files = [*mesh_files(folder), *_no_files(folder)]
    if not files:
        raise UnreadableInput(
            f"{folder.name or folder}: the folder holds neither a placement table nor a mesh file "
            f"({', '.join(MESH_EXTENSIONS)})."
        )
    table = folder / PARTS_CSV
    return _heaped(folder, files, table if os.path.lexists(table) else None, limits)


def as_the_names_say(folder: Path, limits: Limits = LIMITS) -> tuple[Listed, ...]:
    """The list of a folder of loose parts by its names and files alone. Raises as :func:`read_loose`."""
    return _heaped(folder, mesh_files(folder), None, limits).listed


def _heaped(folder: Path, files: Sequence[Path], table: Path | None, limits: Limits) -> Scene:
    refuse_more(f"{folder.name}: {len(files):,} mesh files", len(files), "files", limits)
    lines = read_parts_list(table, [path.name for path in files]) if table is not None else {}
    heap = _Heap(lines, [path.stem for path in files], limits)
    faults: list[Problem] = []
    for path in files:
        try:
            heap.add(path)
        except StepleafError as error:
            text = f"{str(error).removeprefix(f'{folder}/')} It is left out; the rest is served."
            faults.append(Problem("loose-file", "warning", (path.name,), text))
    if not heap.parts:
        raise FaultyModel([replace(fault, severity="error") for fault in faults])
    return heap.scene(faults)


def _no_files(folder: Path) -> list[Path]:
    """What has the name of a mesh file and is none: told of as any that cannot be read."""
    seen = [path for path in folder.iterdir() if not path.name.startswith(".")]
    named = [path for path in seen if path.suffix.lower() in MESH_EXTENSIONS]
    return sorted(path for path in named if not os.path.isfile(path) and not os.path.isdir(path))


def _files(folder: Path, extensions: tuple[str, ...]) -> list[Path]:
    found = [path for path in folder.iterdir() if path.suffix.lower() in extensions and path.is_file()]
    return sorted((path for path in found if not path.name.startswith(".")), key=lambda path: path.name)


@dataclass(frozen=True)
class _Print:
    """One thing to print out of a file, before anybody says how many."""

    mesh: int
    inner: str  #: its name in the file, empty where it has none of its own
    colour: Colour | None
    times: int  #: so often the file itself places it


class _Heap:
    """Meshes and parts of a folder as its files are read one by one."""

    def __init__(self, lines: Mapping[str, tuple[ListLine, ...]], stems: Sequence[str], limits: Limits):
        self.lines, self.stems, self.limits = lines, stems, limits
        self.meshes: list[RawMesh] = []
        self.parts: list[RawPart] = []
        self.listed: list[Listed] = []
        self.samples: list[RawPart] = []
        self.words: dict[Colour, str] = {}
        self.notes: list[Problem] = []

    def scene(self, faults: Sequence[Problem]) -> Scene:
        questions = [f"{each.file}: {text}" for each in self.listed for text in each.questions]
        if questions:
            told = "; ".join(dict.fromkeys(questions))
            text = f"Not taken from the names, since it may mean something else: {told}. {PARTS_CSV} decides."
            self.notes.append(Problem("name-question", "note", (), text))
        problems = (*faults, *self.notes)
        return Scene(
            tuple(self.meshes),
            tuple(self.parts),
            placed=False,
            problems=problems,
            colour_words=self.words,
            listed=tuple(self.listed),
            samples=tuple(self.samples),
        )

    def add(self, path: Path) -> None:
        """All of one file. Raises as its reader does; then nothing of it is taken."""
        kind = kind_of(path)
        scene = WHOLE_READERS[kind](path, self.limits)
        if not scene.parts:
            raise UnreadableInput(f"{path.name}: holds no mesh. Export it again.")
        first = len(self.meshes)
        if kind in MANY:
            self.meshes += [
                RawMesh(mesh.name, mesh.vertices * scene.unit_mm, mesh.faces) for mesh in scene.meshes
            ]
            prints = _prints_of(scene, first)
        else:
            mesh, colour = join(scene, path.stem, self.limits)
            self.meshes.append(mesh)
            prints = [_Print(first, "", colour, 1)]
        self.notes += scene.problems
        for colour, word in scene.colour_words.items():
            self.words.setdefault(colour, word)
        transforms = {print_.mesh: np.eye(4) for print_ in prints}
        for part in scene.parts if kind in MANY else ():
            transform = part.transform.copy()
            transform[:3, 3] *= scene.unit_mm
            transforms[first + part.mesh] = transform
        for print_ in prints:
            self._take(path, print_, len(prints) == 1, transforms[print_.mesh])

    def _take(self, path: Path, print_: _Print, alone: bool, transform: np.ndarray) -> None:
        """The copies of one print, by all that names it."""
        stem = said_by(path.stem, [stem for stem in self.stems if stem != path.stem])
        inner = said_by(print_.inner) if print_.inner else None
        said = _understood(path.name, print_, stem, inner, alone)
        lines = self.lines.get(path.name, ()) if alone else ()
        for each in [_overruled(said, line) for line in lines] or [said]:
            many = len(self.parts) + each.count
            refuse_more(f"{path.name}: {many:,} parts or more", many, "parts", self.limits)
            self.listed.append(each)
            colour = _rgb(each.colour) if each.colour_by else None
            if colour is not None and each.colour_word:
                self.words[colour] = each.colour_word
            self.samples.append(RawPart(each.name, print_.mesh, transform, colour, each.name))
            self.parts += [self.samples[-1]] * each.count
        if len(lines) == 0 and not alone and path.name in self.lines:
            text = f"{PARTS_CSV}: {path.name} holds several parts, so its line is not used. Name them in it."
            if all(note.text != text for note in self.notes):
                self.notes.append(Problem("parts-list", "warning", (), text))


def _prints_of(scene: Scene, first: int) -> list[_Print]:
    """The distinct prints of a file that names its parts, each with how often it is placed."""
    times: dict[tuple[int, str, Colour | None], int] = {}
    for part in scene.parts:
        key = (first + part.mesh, part.name, part.colour)
        times[key] = times.get(key, 0) + 1
    return [_Print(mesh, name, colour, count) for (mesh, name, colour), count in times.items()]


def _understood(file: str, print_: _Print, stem: Said, inner: Said | None, alone: bool) -> Listed:
    """What the names say of one print. A file's name counts for all that it holds only where that is one
    print."""
    asked = (*(stem.questions if alone else ()), *(inner.questions if inner else ()))
    if not alone and stem.count is not None:
        asked = (*asked, f"'{file}' holds several parts: its count of {stem.count} is not taken")
    told = [(stem, "file name")] if alone else []
    if inner is not None:
        told.append((inner, "part name"))
    if print_.times > 1:
        count, count_by = print_.times, "file"
    else:
        counts = [(said.count, by) for said, by in told if said.count is not None]
        count, count_by = counts[0] if counts else (1, "")
    colours = [(said, by) for said, by in told if said.colour is not None]
    if not colours and not alone and stem.colour is not None and print_.colour is None:
        colours = [(stem, "file name")]
    if colours:
        said, colour_by = colours[0]
        assert said.colour is not None
        colour, word = to_hex(said.colour), said.colour_word
        if print_.colour is not None and print_.colour != said.colour:
            asked = (
                *asked,
                f"the file itself is {to_hex(print_.colour)}, its name says {word}: taken by name",
            )
    elif print_.colour is not None:
        colour, word, colour_by = to_hex(print_.colour), "", "file"
    else:
        colour, word, colour_by = DEFAULT_COLOUR, "", ""
    name = inner.name if inner is not None else stem.name
    return Listed(file, name, count, colour, word, count_by, colour_by, asked)


def _overruled(said: Listed, line: ListLine) -> Listed:
    """What a line of ``parts.csv`` makes of it; what it leaves empty stays."""
    made = replace(said, questions=())
    if line.count is not None:
        made = replace(made, count=line.count, count_by=PARTS_CSV)
    if line.colour is not None:
        colour = to_hex(line.colour)
        made = replace(made, colour=colour, colour_word=line.colour_word, colour_by=PARTS_CSV)
    return replace(made, name=line.name) if line.name else made


def _rgb(colour: str) -> Colour:
    return int(colour[1:3], 16), int(colour[3:5], 16), int(colour[5:7], 16)


def as_loose_if_on_plates(scene: Scene, file: str) -> Scene:
    """The scene as one of loose parts where its parts lie on plates, as printing software lays them out."""
    if not on_plates(scene):
        return scene
    prints = _prints_of(scene, 0)
    listed = []
    for print_ in prints:
        said = said_by(print_.inner) if print_.inner else None
        listed.append(_understood(file, print_, Said(print_.inner or file), said, False))
    text = (
        f"{file}: its {len(scene.parts)} parts lie side by side on one level, as on the plates of a printer; "
        "they are taken as loose parts, colours and counts as they are there. Order and booklet need places."
    )
    note = Problem("on-plates", "note", (), text)
    understood = dict(zip(prints, listed, strict=True))
    by_key = {(print_.mesh, print_.inner, print_.colour): print_ for print_ in prints}
    parts: list[RawPart] = []
    for part in scene.parts:
        print_ = by_key[part.mesh, part.name, part.colour]
        each = understood[print_]
        colour = _rgb(each.colour) if each.colour_by else None
        copies = 1 if print_.times > 1 else each.count
        parts += [replace(part, name=each.name, colour=colour, called=each.name)] * copies
    words = {_rgb(each.colour): each.colour_word for each in listed if each.colour_word}
    return replace(
        scene,
        parts=tuple(parts),
        placed=False,
        problems=(*scene.problems, note),
        colour_words={**scene.colour_words, **words},
        listed=tuple(listed),
    )


def on_plates(scene: Scene) -> bool:
    """Whether several parts all stand on one level, with no outline on another's."""
    if len(scene.parts) < LEAST_ON_PLATES:
        return False
    if any(len(mesh.vertices) < 4 or not np.isfinite(mesh.vertices).all() for mesh in scene.meshes):
        return False
    outer = [outermost(mesh.vertices) for mesh in scene.meshes]
    placed = [outer[part.mesh] @ part.transform[:3, :3].T + part.transform[:3, 3] for part in scene.parts]
    boxes = np.array([(points.min(axis=0), points.max(axis=0)) for points in placed])
    size = float(np.median((boxes[:, 1] - boxes[:, 0]).max(axis=1)))
    if not np.isfinite(boxes).all() or np.ptp(boxes[:, 0, 2]) > LEVEL_SHARE * size:
        return False
    outlines = [shapely.MultiPoint(points[:, :2]).convex_hull for points in placed]
    grown = shapely.buffer(outlines, APART_SHARE * size / 2)
    known = shapely.STRtree(grown)
    return all(len(known.query(outline, predicate="intersects")) == 1 for outline in ticking(grown))
