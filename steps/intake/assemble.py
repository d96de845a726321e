"""Scene -> Model: scaled, tidied, equal meshes made one shape, parts named and coloured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from steps.errors import BeyondLimit, FaultyModel, UnreadableInput
from steps.intake import checks
from steps.intake.colours import DEFAULT_COLOUR, name_colours, to_hex
from steps.intake.meshes import Tidier, TidyMesh
from steps.intake.names import printable, unique_names
from steps.intake.own_axes import along_own_axes, first_poses, own_axes
from steps.intake.said import name_of
from steps.intake.scene import RawMesh, Scene, affine
from steps.intake.shapes import distinct_shapes
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Array, Listed, Mending, Model, Part, Shape
from steps.progress import ticking

#: A transform nearer than this to a rotation is one; six-digit decimals are off by 1e-6.
RIGID = 5e-5


@dataclass(frozen=True)
class Origin:
    """Where the scene came from: what the Model says about its file."""

    file: str
    title: str
    sha256: str


@dataclass(frozen=True, eq=False)
class _Placing:
    """A part's rigid pose (mm) and the row of the mesh, stretch baked in, that it places."""

    part: int
    mesh: int
    pose: Array
    mirrored: bool


#: Problems that tell what a file holds instead of parts.
NOT_PARTS = ("support-left-out", "no-surface")


def assemble(
    scene: Scene, origin: Origin, scale: float, limits: Limits = LIMITS, set_corners: bool = True
) -> Model:
    """The model of a scene, lengths times the file's unit times ``scale``.

    Raises UnreadableInput when the file holds no part, FaultyModel with all faults that leave no model.
    """
    if not scene.parts:
        why = "".join(f" {problem.text}" for problem in scene.problems if problem.code in NOT_PARTS)
        raise UnreadableInput(f"{origin.file}: holds no part.{why} Export the model again, with its meshes.")
    fatal = checks.broken_numbers(scene, limits)
    all_placings, stretched = _placings(
        scene, checks.sound_parts(scene, limits), scene.unit_mm * scale, origin, limits
    )
    tidied = _tidied(stretched, origin, Tidier(limits, set_corners))
    placings = [placing for placing in all_placings if tidied[placing.mesh] is not None]
    lost = [placing.part for placing in all_placings if tidied[placing.mesh] is None]
    fatal += checks.too_far(scene, lost, scene.unit_mm * scale)
    far = {name for fault in fatal for name in fault.parts}
    left_out = checks.without_body(scene, [row for row in lost if scene.parts[row].name not in far])
    if (fatal and scene.placed) or not placings:
        # where no fault leaves nothing of it, what was noted while reading may tell why
        noted = [problem for problem in scene.problems if problem.severity == "error" or not fatal]
        raise FaultyModel([*noted, *fatal, *left_out])
    left_out += [replace(fault, severity="warning") for fault in fatal]  # one bad file of a folder
    whole = {scene.parts[placing.part].mesh for placing in placings}
    kept = [not scene.samples or scene.samples[row].mesh in whole for row in range(len(scene.listed))]
    listed = tuple(_shown(each, limits) for each, own in zip(scene.listed, kept, strict=True) if own)
    shapes, parts = _shapes_and_parts(scene, placings, tidied, limits)
    model = Model(
        printable(origin.title, limits.name_letters),
        printable(origin.file, limits.name_letters),
        origin.sha256,
        scale,
        shapes,
        parts,
        scene.placed,
        listed=listed,
    )
    if not scene.own_frames:
        model = replace(model, parts=first_poses(model))
    flipped = [at for at, placing in enumerate(placings) if placing.mirrored]
    mends = [*checks.scans(model), *checks.unsure_mends(model)]
    found = [*checks.mirrored(model, flipped), *mends, *checks.of_model(model)]
    problems = (*scene.problems, *left_out, *found)
    # nothing so large is to be measured
    if max(shape.size_mm.max() for shape in shapes) > checks.MAX_MODEL_MM:
        raise FaultyModel([each for each in problems if each.severity == "error"])
    return replace(model, problems=problems)


def _tidied(meshes: Sequence[tuple[Array, NDArray]], origin: Origin, tidier: Tidier) -> list[TidyMesh | None]:
    try:
        return [tidier.tidy(vertices, faces) for vertices, faces in ticking(meshes)]
    except BeyondLimit as beyond:
        raise BeyondLimit(f"{origin.file}: {beyond}") from beyond


def _shown(listed: Listed, limits: Limits) -> Listed:
    """A loose part's line with its names made safe to show; its file's stays the key that it is."""
    return replace(
        listed,
        name=printable(listed.name, limits.name_letters),
        colour_word=printable(listed.colour_word) if listed.colour_word else "",
    )


def _placings(
    scene: Scene, sound: Sequence[int], factor: float, origin: Origin, limits: Limits
) -> tuple[list[_Placing], list[tuple[Array, NDArray]]]:
    """Rigid placings, and the meshes they place (mm)."""
    if not sound:
        return [], []
    transforms = np.array([scene.parts[row].transform for row in sound])
    turns, stretches, mirrored = _rigid_and_rest(transforms[:, :3, :3])
    shifts = transforms[:, :3, 3] * factor
    rows: dict[tuple[int, bytes], int] = {}
    meshes: list[tuple[Array, NDArray]] = []
    placings, triangles = [], 0
    for at, row in enumerate(ticking(sound)):
        mesh, stretch = scene.parts[row].mesh, stretches[at]
        key = (mesh, np.round(stretch / RIGID).astype(np.int64).tobytes())
        if key not in rows:
            rows[key] = len(meshes)
            triangles += len(scene.meshes[mesh].faces)
            told = f"{origin.file}: {triangles:,} triangles or more, each size of a mesh counted"
            refuse_more(told, triangles, "triangles", limits)
            meshes.append(_stretched(scene.meshes[mesh], stretch * factor))
        placings.append(_Placing(row, rows[key], affine(turns[at], shifts[at]), bool(mirrored[at])))
    return placings, meshes


def _rigid_and_rest(linear: Array) -> tuple[Array, Array, NDArray[np.bool_]]:
    """Each (3, 3) as rotation @ rest: rest is exactly 1 for rigid ones, symmetric for stretched ones.

    Where the determinant is negative, rest is a stretch after a flip of the mesh's own x.
    """
    mirrored = np.linalg.det(linear) < 0
    flip = np.where(mirrored[:, None, None], np.diag([-1.0, 1.0, 1.0]), np.eye(3))
    left, sizes, right = np.linalg.svd(linear @ flip)
    turn = left @ right
    # a flattened transform leaves the last axis's sign open: choose the rotation
    reversed_ = np.linalg.det(turn) < 0
    left[reversed_, :, 2] *= -1
    turn = left @ right
    rest = np.swapaxes(right, 1, 2) * sizes[:, None, :] @ right
    rest[np.abs(rest - np.eye(3)).max(axis=(1, 2)) < RIGID] = np.eye(3)
    return turn, rest @ flip, mirrored


def _stretched(mesh: RawMesh, rest: Array) -> tuple[Array, NDArray]:
    faces = mesh.faces[:, ::-1] if np.linalg.det(rest) < 0 else mesh.faces
    return mesh.vertices @ rest.T, faces


def _shapes_and_parts(
    scene: Scene, placings: Sequence[_Placing], tidied: Sequence[TidyMesh | None], limits: Limits
) -> tuple[tuple[Shape, ...], tuple[Part, ...]]:
    used = list(dict.fromkeys(placing.mesh for placing in placings))
    meshes = [mesh for row in used if (mesh := tidied[row]) is not None]
    lows = [np.zeros(3) if scene.own_frames else mesh.vertices.min(axis=0) for mesh in meshes]
    laid = [
        replace(mesh, vertices=mesh.vertices - low, mending=mesh.mending.moved(-low))
        for mesh, low in zip(meshes, lows, strict=True)
    ]
    rows, motions = distinct_shapes(laid)
    source: dict[int, str] = {}
    for placing in placings:
        source.setdefault(placing.mesh, scene.meshes[scene.parts[placing.part].mesh].name)
    copies_of: dict[int, list[int]] = {}
    for at, (shape, _) in enumerate(motions):
        copies_of.setdefault(shape, []).append(at)
    shapes, local = [], {}
    for shape, row in enumerate(rows):
        copies = copies_of[shape]
        turns = [motions[at][1] for at in copies]
        mesh, home = (
            (laid[row], np.eye(4)) if scene.own_frames else _by_a_copy([laid[at] for at in copies], turns)
        )
        mending = _mending_of(mesh, [laid[at] for at in copies])
        shapes.append(
            Shape(f"S{shape + 1}", mesh.vertices, mesh.faces, mesh.closed, source[used[row]], mending)
        )
        for at in copies:
            local[used[at]] = shapes[-1].id, affine(np.eye(3), lows[at]) @ motions[at][1] @ home
    return tuple(shapes), _parts(scene, placings, local, limits)


def _by_a_copy(copies: Sequence[TidyMesh], motions: Sequence[Array]) -> tuple[TidyMesh, Array]:
    """The mesh of a solid along the axes that one of its copies lends, and the motion (4, 4) from there to
    where ``motions``, one a copy, begin."""
    lends, quarters = own_axes(copies, np.array(motions)[:, :3, :3])
    mesh, home = along_own_axes(copies[lends], quarters)
    return mesh, np.linalg.inv(motions[lends]) @ home


def _mending_of(mesh: TidyMesh, copies: Sequence[TidyMesh]) -> Mending:
    """What was wrong with any copy of a shape, in its own coordinates.

    A place that one copy leaves unsure is sure where another copy of the same solid has no such place.
    """
    mendings = [copy.mending for copy in copies]
    kinds = dict.fromkeys(kind for each in mendings for kind in each.found)
    found = {kind: max(each.found.get(kind, 0) for each in mendings) for kind in kinds}
    own = mesh.mending
    unsure = own.unsure if all(each.unsure for each in mendings) else ()
    reach = max(each.reach_mm for each in mendings)
    return replace(own, found=found, reach_mm=reach, unsure=unsure)


def _parts(
    scene: Scene, placings: Sequence[_Placing], local: dict[int, tuple[str, Array]], limits: Limits
) -> tuple[Part, ...]:
    raw = [scene.parts[placing.part] for placing in placings]
    names = unique_names((part.name for part in raw), limits.name_letters)
    colours = [DEFAULT_COLOUR if part.colour is None else to_hex(part.colour) for part in raw]
    said = {to_hex(rgb): name for rgb, word in scene.colour_words.items() if (name := name_of(word, rgb))}
    words = name_colours(colours, said)
    return tuple(
        Part(
            f"P{row + 1}",
            names[row],
            local[placing.mesh][0],
            colours[row],
            words[colours[row]],
            placing.pose @ local[placing.mesh][1],
            printable(raw[row].called, limits.name_letters) if raw[row].called else "",
        )
        for row, placing in enumerate(placings)
    )
