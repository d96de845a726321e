"""What is wrong, or worth knowing, of a file that could be read. Each fault names its parts."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import product

import numpy as np
from numpy.typing import NDArray

from renderer.spatial import tree
from steps.intake.congruence import Form, coincide
from steps.intake.names import first_of, printable
from steps.intake.scene import RawMesh, Scene, sane
from steps.limits import Limits
from steps.model import Array, Model, Problem, Unsure
from steps.progress import ticking

#: The longest part and model that are believed, mm. Large printers reach 1 m; a wall of blocks may
#: be long, but its parts are not. From memory of what printers there are, no source.
MAX_PART_MM = 2000.0
MAX_MODEL_MM = 100_000.0
#: The smallest middling part that is believed, mm: two lines of a 0.4 mm nozzle.
MIN_PART_MM = 0.8
#: Sizes (mm) that a block-style part commonly has; only used to guess the unit that was meant.
LIKELY_MM = (4.0, 400.0)
#: No reach is less, so that it can be divided by (mm).
TINY_MM = 1e-300
#: Triangles of the simplest solid.
FEWEST_FACES = 4
#: Factors between units that get mixed up, and what happened.
MIXED_UP = (
    (0.001, "millimetres that were read as metres"),
    (1000.0, "metres that were read as millimetres"),
    (0.1, "millimetres that were read as centimetres"),
    (10.0, "centimetres that were read as millimetres"),
    (1 / 25.4, "millimetres that were read as inches"),
    (25.4, "inches that were read as millimetres"),
    (1e-6, "micrometres that were read as metres"),
    (1e6, "a length wrong a millionfold"),
)
#: Places told of one mesh before "and more".
SHOWN = 6


def broken_numbers(scene: Scene, limits: Limits) -> list[Problem]:
    """Meshes and places with numbers that are not finite, faces that name no vertex: nothing to build."""
    found = []
    users_of: dict[int, list[str]] = {}
    for part in scene.parts:
        users_of.setdefault(part.mesh, []).append(part.name)
    for row, users in sorted(users_of.items()):
        mesh = scene.meshes[row]
        if _mesh_sound(mesh, limits):
            continue
        found.append(_broken_mesh(mesh, users, limits))
    for part in scene.parts:
        if not np.isfinite(part.transform).all():
            text = f"{printable(part.name)}: the place is not a finite number (NaN or infinite)."
            found.append(Problem("not-finite", "error", (part.name,), f"{text} Place it and export again."))
        elif not sane(part.transform, limits).all():
            text = f"{printable(part.name)}: a number of its place is {_farthest(part.transform):g}"
            text += f"; at most {limits.coordinate:g} is believed. Place it and export again."
            found.append(Problem("too-far", "error", (part.name,), text))
    return found


def _broken_mesh(mesh: RawMesh, users: Sequence[str], limits: Limits) -> Problem:
    """The fault of a mesh that cannot be computed with."""
    of = f"of mesh {printable(mesh.name)!r}"
    bad = int((~np.isfinite(mesh.vertices)).any(axis=1).sum())
    if bad:
        text = f"{bad} of {len(mesh.vertices)} vertices {of} are not finite numbers (NaN, infinite)."
        code, then = "not-finite", "Repair the mesh or export it again."
    elif not sane(mesh.vertices, limits).all():
        text = f"{_far_vertex(mesh.vertices)} {of}; coordinates up to {limits.coordinate:g} are believed."
        code, then = "too-far", "Repair the mesh or export it again."
    else:
        code, text, then = "broken-faces", f"faces {of} name vertices that are not there.", "Export it again."
    return Problem(code, "error", tuple(users), f"{first_of(users)}: {text} {then}")


def _far_vertex(vertices: Array) -> str:
    """ "vertex 3 lies at x = 1e+09": the farthest coordinate of all."""
    row, axis = np.unravel_index(np.abs(vertices).argmax(), vertices.shape)
    return f"vertex {row + 1} lies at {'xyz'[axis]} = {vertices[row, axis]:g}"


def _farthest(values: Array) -> float:
    return float(values.flat[np.abs(values).argmax()])


def sound_parts(scene: Scene, limits: Limits) -> list[int]:
    """Rows of the parts whose mesh and place can be computed with."""
    sound = [_mesh_sound(mesh, limits) for mesh in scene.meshes]
    return [
        row for row, part in enumerate(scene.parts) if sound[part.mesh] and sane(part.transform, limits).all()
    ]


def too_far(scene: Scene, rows: Sequence[int], factor: float) -> list[Problem]:
    """Parts without a body since one of their vertices is so far off that the rest is a line beside it."""
    found = []
    for row in ticking(rows):
        part = scene.parts[row]
        vertices = scene.meshes[part.mesh].vertices
        far = np.abs(vertices - np.median(vertices, axis=0)).max(initial=0.0) if len(vertices) else 0.0
        if far * factor > MAX_PART_MM:
            text = (
                f"{printable(part.name)}: {_far_vertex(vertices)} in the file's unit, {far * factor:.3g} mm "
                "from the rest of it. Repair the mesh or export it again."
            )
            found.append(Problem("too-far", "error", (part.name,), text))
    return found


def without_body(scene: Scene, rows: Sequence[int]) -> list[Problem]:
    """Parts left out since their mesh encloses nothing."""
    few = [row for row in rows if 0 < len(scene.meshes[scene.parts[row].mesh].faces) < FEWEST_FACES]
    found = [too_few_faces([scene.parts[row].name for row in few])] if few else []
    rest = set(rows) - set(few)
    names = tuple(scene.parts[row].name for row in rows if row in rest)
    if not names:
        return found
    text = (
        f"{first_of(names)}: left out, the mesh has no surface (zero area) or no thickness. Repair it and "
        "export again, or delete it from the file."
    )
    return [*found, Problem("no-body", "warning", names, text)]


def too_few_faces(names: Sequence[str]) -> Problem:
    """The parts of these names are left out since they have fewer faces than any solid."""
    text = (
        f"{first_of(names)}: left out, the mesh has fewer than {FEWEST_FACES} triangles, and no solid has "
        f"fewer ({len(names):,} such). Export the parts as whole meshes, or delete these from the file."
    )
    return Problem("no-body", "warning", tuple(names), text)


def mirrored(model: Model, rows: Sequence[int]) -> list[Problem]:
    """A note on parts that the file places by a mirroring transform."""
    if not rows:
        return []
    text = (
        f"{_sources(model, rows)}: mirrored in the file. No turn of a print makes its mirror image, so the "
        "mirrored mesh is taken as what to print. If that was not meant, undo the mirroring and export "
        "again."
    )
    return [Problem("mirrored", "note", _ids(model, rows), text)]


def scans(model: Model) -> list[Problem]:
    """A note on the parts whose meshes were taken for scans."""
    set_in = np.array(["corners set" in shape.mending.found for shape in model.shapes])
    rows = np.flatnonzero(set_in[model.shape_index]).tolist()
    if not rows:
        return []
    taken = [model.shapes[row] for row in np.flatnonzero(set_in)]
    noise = max(shape.mending.reach_mm for shape in taken)
    text = (
        f"{_sources(model, rows)}: taken for scans, since corners are off their surfaces by chance, by some "
        f"{noise:.2g} mm: {sum(shape.mending.found['corners set'] for shape in taken):,} corners were set on "
        "them. If they were drawn so, write set_corners = false in stepleaf.toml."
    )
    return [Problem("scan", "note", _ids(model, rows), text)]


def unsure_mends(model: Model) -> list[Problem]:
    """A warning for each shape that could not be mended with confidence: which place, and what is unsure."""
    found = []
    for row, shape in enumerate(model.shapes):
        if not shape.mending.unsure:
            continue
        users = np.flatnonzero(model.shape_index == row)
        places = "; ".join(_place(place) for place in shape.mending.unsure[:SHOWN])
        more = len(shape.mending.unsure) - SHOWN
        places += f"; and {more} more places" if more > 0 else ""
        text = (
            f"{_sources(model, users)}: the mesh ({shape.source}) could not be mended with confidence: "
            f"{places}. What touches there is unsure. Look at that place and mend the mesh there."
        )
        found.append(Problem("unsure-mend", "warning", _ids(model, users), text))
    return found


def _place(place: Unsure) -> str:
    at = ", ".join(f"{value:.1f}" for value in place.point)
    told = {
        "face": f"a hole {place.span_mm:.1f} mm wide at ({at}) was closed flat, though it may be open or "
        "hollow there",
        "apart": f"a piece {place.span_mm:.1f} mm long at ({at}) touches nothing else of it",
        "lost": f"faces {place.span_mm:.1f} mm wide at ({at}) enclose nothing and were left out",
    }
    return told[place.what]


def of_model(model: Model) -> list[Problem]:
    """Everything else that the placed meshes alone can tell."""
    doubled = _on_top_of_each_other(model) if model.placed else []
    return [*_unit(model), *_dust(model), *doubled]


def _mesh_sound(mesh: RawMesh, limits: Limits) -> bool:
    if not sane(mesh.vertices, limits).all():
        return False
    return not len(mesh.faces) or (mesh.faces.min() >= 0 and mesh.faces.max() < len(mesh.vertices))


def _unit(model: Model) -> list[Problem]:
    """An error when the parts are too long or too short to be printed blocks."""
    longest = np.array([shape.size_mm.max() for shape in model.shapes])[model.shape_index]
    middle, greatest = float(np.median(longest)), float(longest.max())
    whole = float((model.bounds[1] - model.bounds[0]).max()) if model.placed else greatest
    if middle >= MIN_PART_MM and greatest <= MAX_PART_MM and whole <= MAX_MODEL_MM:
        return []
    what = f"{model.file}: the model would be {_length(whole)} long and its middling part {_length(middle)}"
    if greatest > MAX_PART_MM:
        what += f", the longest, {_sources(model, [int(longest.argmax())])}, {_length(greatest)}"
    end = likely_units(middle, whole, model.scale)
    limit = f"parts from {MIN_PART_MM:g} mm to {MAX_PART_MM / 1000:g} m are believed"
    if greatest > MAX_MODEL_MM:
        limit += f", and what is over {MAX_MODEL_MM / 1000:g} m is not measured, with --anyway neither"
    return [Problem("unit", "error", (), f"{what}; {limit}. {end}")]


def _dust(model: Model) -> list[Problem]:
    """A warning of parts too small to print in a model of others that are not."""
    longest = np.array([shape.size_mm.max() for shape in model.shapes])[model.shape_index]
    rows = np.flatnonzero(longest < MIN_PART_MM)
    if not len(rows) or float(np.median(longest)) < MIN_PART_MM:  # then it is the unit
        return []
    text = (
        f"{_sources(model, rows)}: {_length(float(longest[rows].max()))} long or less, too small to print "
        f"({MIN_PART_MM:g} mm, two lines of a nozzle). Was it scaled by mistake? Scale it back or delete it."
    )
    return [Problem("too-small", "warning", _ids(model, rows), text)]


def likely_units(middle_mm: float, whole_mm: float, scale: float) -> str:
    """Each mix-up of units that would explain a middling part of this length, and what it would give."""
    guesses = [
        (factor, words)
        for factor, words in MIXED_UP
        if LIKELY_MM[0] <= middle_mm * factor <= LIKELY_MM[1] and whole_mm * factor <= MAX_MODEL_MM
    ]
    if not guesses:
        return "No mix-up of units explains it: check the export, or give --scale."
    told = " or ".join(
        f"{words}: the model would then be {_length(whole_mm * factor)} long (--scale {scale * factor:.6g})"
        for factor, words in guesses
    )
    return f"It looks like {told}. Export it with the right unit, or use that --scale."


def _length(mm: float) -> str:
    if mm >= 1000:
        return f"{mm / 1000:.4g} m"
    return f"{mm:.4g} mm"


def _on_top_of_each_other(model: Model) -> list[Problem]:
    """Parts of one shape at one place, turned at most as the shape's own symmetry allows."""
    found = []
    for row, shape in enumerate(model.shapes):
        rows = np.flatnonzero(model.shape_index == row)
        for pile in _piles(Form(shape.vertices, shape.faces), model.poses[rows]):
            first, *others = rows[pile]
            text = (
                f"{_sources(model, others)}: exactly on top of {model.parts[first].source}, same shape, "
                "same place. Leave one of them there; delete the rest or move them to where they belong."
            )
            found.append(Problem("same-place", "error", _ids(model, rows[pile]), text))
    return found


def _piles(form: Form, poses: Array) -> list[list[int]]:
    """Rows of poses that put the form in the same space, two or more to a pile."""
    if len(poses) < 2:
        return []
    reach = 2 * form.tolerance
    centres = poses[:, :3, :3] @ form.centre + poses[:, :3, 3]
    waiting = np.flatnonzero(_crowded(centres, reach))
    if not len(waiting):
        return []
    places, piles = tree(centres[waiting]), []
    open_ = np.ones(len(waiting), dtype=bool)
    for at, first in enumerate(ticking(waiting.tolist())):
        if not open_[at]:
            continue
        close = [other for other in sorted(places.query_ball_point(centres[first], reach)) if open_[other]]
        pile = [
            other for other in close if other == at or _same_space(form, poses[first], poses[waiting[other]])
        ]
        open_[pile] = False
        if len(pile) > 1:
            piles.append(waiting[pile].tolist())
    return piles


def _crowded(points: Array, reach: float) -> NDArray[np.bool_]:
    """(n,) whether another point may be within reach: is in the same cell, two reaches wide, of a net or of
    one of those half a cell aside."""
    found, wide = np.zeros(len(points), dtype=bool), max(2 * reach, TINY_MM)
    for aside in product((0.0, 0.5), repeat=3):
        cells = np.floor(points / wide + aside)
        _, cell, count = np.unique(cells, axis=0, return_inverse=True, return_counts=True)
        found |= count[cell.reshape(-1)] > 1
    return found


def _same_space(form: Form, one: Array, other: Array) -> bool:
    if np.array_equal(one, other):
        return True
    return coincide(form, form, np.linalg.inv(one) @ other)


def _sources(model: Model, rows: Iterable[int]) -> str:
    return first_of(model.parts[row].source for row in rows)


def _ids(model: Model, rows: Iterable[int]) -> tuple[str, ...]:
    return tuple(model.parts[row].id for row in rows)
