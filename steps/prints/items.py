"""One print per shape and colour: how it lies, what it takes, and what to look out for."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import trimesh

from steps.glue.small_parts import is_small_part
from steps.model import Array, IntArray, Measure, Measures, Model, Part, Problem, Shape
from steps.prints.bed import BedFit, Consumption, bed_fit, consumption, ear_corners, too_large
from steps.prints.labels import called_by_maker, label_of, stem_of
from steps.prints.lie import Lie, MeshToLay, best_lie
from steps.prints.mending import done, left
from steps.progress import over
from steps.settings import Settings
from steps.wording import Phrase, Wording

#: Supports stand on average under half the height of a part (common practice, no source).
SUPPORT_HEIGHT_SHARE = 0.5

#: Vertices that spread less than this about a plane are flat (mm).
FLAT_MM = 1e-3


@dataclass(frozen=True, eq=False)
class Laid:
    """A shape as it lies on the bed: all that its colours share."""

    shape: str
    label: str  #: "S07", as on the parts list and in the booklet
    name: Wording | str
    vertices: Array  #: (n, 3) mm, lowest at z = 0, the middle of its box over the origin
    faces: IntArray  #: (m, 3)
    lie: Lie
    fit: BedFit
    use: Consumption
    ears: Array  #: (k, 2) corners that want a small round brim
    mended: tuple[Phrase, ...]
    faults: tuple[Phrase, ...]
    small: bool  #: goes into the small-parts cylinder

    @cached_property
    def footprint_mm(self) -> Array:
        """(2,) width and depth on the bed."""
        return np.ptp(self.vertices[:, :2], axis=0)


@dataclass(frozen=True, eq=False)
class PrintItem:
    """One file: a shape in a colour, so many times."""

    laid: Laid
    colour: str
    colour_name: Wording | str
    parts: tuple[str, ...]  #: part ids
    sources: tuple[str, ...]  #: their names in the model file
    stem: str  #: file name without ending
    called: str = ""  #: the maker's own name, where it is another

    @property
    def count(self) -> int:
        return len(self.parts)

    @cached_property
    def source_of(self) -> Mapping[str, str]:
        """Part id -> its name in the model file."""
        return dict(zip(self.parts, self.sources, strict=True))

    def steps(self, needed: Mapping[str, int]) -> list[int]:
        """Numbers of the steps that add its parts; ``needed`` (part -> step) may be empty."""
        return sorted({needed[part] for part in self.parts if part in needed})


def print_items(model: Model, measures: Measures, settings: Settings) -> tuple[PrintItem, ...]:
    """All prints, by shape in model order, then by colour in order of appearance.

    Shapes without a body are left out; :func:`print_problems` names them.
    """
    laid: dict[str, Laid] = {}
    for shape in over(model.shapes):
        if has_body(shape):
            laid[shape.id] = lay(shape, measures.by_shape[shape.id], model.scale, settings)
    alike: dict[tuple[str, str], list[Part]] = {}
    for part in model.parts:
        if part.shape in laid:
            alike.setdefault((part.shape, part.colour), []).append(part)
    rows = {shape.id: row for row, shape in enumerate(model.shapes)}
    taken: set[str] = set()
    return tuple(
        _item(laid[key], parts, taken)
        for (key, _), parts in sorted(alike.items(), key=lambda entry: rows[entry[0][0]])
    )


def _item(laid: Laid, parts: list[Part], taken: set[str]) -> PrintItem:
    """The print of these parts, under a file name that is not yet ``taken``."""
    colour, name = parts[0].colour, parts[0].colour_name
    stem = stem_of(laid.shape, laid.name, name, len(parts))
    if stem in taken:  # two colours whose names have no plain letters, or the same ones
        stem = stem_of(laid.shape, laid.name, f"{colour} {name}", len(parts))
    taken.add(stem)
    ids, sources = tuple(part.id for part in parts), tuple(part.source for part in parts)
    return PrintItem(laid, colour, name, ids, sources, stem, called_by_maker(parts, str(laid.name)))


def has_body(shape: Shape) -> bool:
    """Whether the mesh extends in all three directions: a flat or empty one cannot be printed."""
    if len(shape.faces) == 0 or len(shape.vertices) < 4:
        return False
    spread = np.linalg.svd(shape.vertices - shape.vertices.mean(axis=0), compute_uv=False)
    return bool(spread[-1] > FLAT_MM)


def body_to_lay(shape: Shape) -> MeshToLay:
    """A shape as a body whose best lying face can be asked for."""
    return MeshToLay(trimesh.Trimesh(shape.vertices.copy(), shape.faces.copy(), process=False))


def print_lie(shape: Shape, measure: Measure, settings: Settings) -> Lie:
    """How a shape lies on the bed, before the turn about the upright."""
    return best_lie(body_to_lay(shape), measure, settings.printer.layer_mm)


def lay(shape: Shape, measure: Measure, scale: float, settings: Settings) -> Laid:
    """Choose a shape's face, turn it so that it fits the bed, and weigh up the print."""
    layer = settings.printer.layer_mm
    body = body_to_lay(shape)
    lie = best_lie(body, measure, layer)
    mesh = _turned(body.mesh, lie.turn)
    fit = bed_fit(mesh.vertices, scale, settings.printer)
    mesh.apply_transform(trimesh.transformations.rotation_matrix(np.radians(fit.turn_degrees), [0, 0, 1]))
    middle = mesh.bounds.mean(axis=0)
    mesh.apply_translation([-middle[0], -middle[1], -mesh.bounds[0, 2]])
    high = lie.hanging.height_mm
    use = consumption(measure.printed_g, lie.hanging.support_mm2, high, high * SUPPORT_HEIGHT_SHARE, settings)
    vertices, faces = np.array(mesh.vertices), np.array(mesh.faces, dtype=np.int64)
    vertices.setflags(write=False)
    faces.setflags(write=False)
    return Laid(
        shape.id,
        label_of(shape.id),
        measure.name,
        vertices,
        faces,
        lie,
        fit,
        use,
        ear_corners(mesh, layer),
        done(shape.mending),
        left(shape),
        is_small_part(shape),
    )


def _turned(mesh: trimesh.Trimesh, turn: Array) -> trimesh.Trimesh:
    pose = np.eye(4)
    pose[:3, :3] = turn
    return mesh.copy().apply_transform(pose)


def print_problems(model: Model, items: tuple[PrintItem, ...], settings: Settings) -> tuple[Problem, ...]:
    """What the maker should know before printing, shape by shape."""
    parts: dict[str, list[str]] = {}
    for item in items:
        parts.setdefault(item.laid.shape, []).extend(item.parts)
    laid_shapes = {item.laid.shape: item.laid for item in items}.values()
    found = [
        problem for laid in laid_shapes for problem in _findings(laid, tuple(parts[laid.shape]), settings)
    ]
    for shape in model.shapes:
        flat = tuple(part for part in model.parts if part.shape == shape.id)
        if shape.id not in parts and flat:
            names = ", ".join(part.source for part in flat)
            text = f"{names}: the mesh is flat or empty, so there is nothing to print; mend it in the model."
            found.append(Problem("nothing-to-print", "warning", tuple(part.id for part in flat), text))
    return (*found, *_small(items))


def _small(items: tuple[PrintItem, ...]) -> tuple[Problem, ...]:
    """One note that names all small parts."""
    small = [item for item in items if item.laid.small]
    if not small:
        return ()
    names = "; ".join(dict.fromkeys(f"{item.laid.label} {item.laid.name}" for item in small))
    text = f"Small parts (they go into the cylinder of 16 CFR 1501.4), not for children under 3: {names}."
    return (Problem("small-part", "note", tuple(part for item in small for part in item.parts), text),)


def _findings(laid: Laid, parts: tuple[str, ...], settings: Settings) -> list[Problem]:
    who = f"{laid.label} {laid.name}"
    found = []
    if not laid.fit.fits:
        found.append(too_large(who, laid.fit, settings.printer, parts))
    if laid.faults:
        faults = "; ".join(map(str, laid.faults))
        text = f"{who}: {faults}. Look at its layers before printing."
        found.append(Problem("cannot-be-mended", "warning", parts, text))
    if laid.mended:
        found.append(Problem("mended", "note", parts, f"{who}: {'; '.join(map(str, laid.mended))}."))
    return found


def by_colour(items: tuple[PrintItem, ...]) -> Mapping[Wording | str, tuple[float, float, float]]:
    """Grams, metres and minutes of each colour name, supports included, in order of appearance."""
    sums: dict[Wording | str, Array] = {}
    for item in items:
        use = item.laid.use
        one = np.array([use.grams + use.support_g, use.metres, use.minutes])
        sums[item.colour_name] = sums.get(item.colour_name, np.zeros(3)) + item.count * one
    return {name: (float(g), float(m), float(t)) for name, (g, m, t) in sums.items()}
