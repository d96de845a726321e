"""The axes that a shape is described in where its file has none: whole models written as one mesh.

Bodies there stand as they stand in the model, so one of the copies has to lend its axes. It is the one, of
all copies and of all quarters the model may be turned by, whose box is least, and then whose surface comes
first: neither the order of the bodies in the file nor the way the model is turned there shows in it. And
where a solid looks the same turned by quarters of its own, each part's pose is the one that turns least, of
those that show it as it stands.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from steps.canonical import Canonical
from steps.intake.congruence import QUARTER_TURNS, Form, coincide
from steps.intake.meshes import TidyMesh
from steps.intake.scene import affine
from steps.model import Array, IntArray, Model, Part, Shape, quarter_turn
from steps.moments import Moments
from steps.ties import comes_first, rows_in_order

#: Places nearer than this are one, mm: float32 is off by a hundredth of it in models of a metre.
SAME_MM = 1e-3
#: Digits of a rotation by which copies stand alike.
ALIKE_DIGITS = 3
#: Entries of rotations nearer than this are one.
ALIKE_TURN = 1e-3


def own_axes(meshes: Sequence[TidyMesh], turns: Array) -> tuple[int, int]:
    """Of copies of one solid, turned by ``turns`` (k, 3, 3) from the first, the row of the one that lends its
    axes, and the quarters it is turned by."""
    alike = np.unique(np.round(turns, ALIKE_DIGITS).reshape(-1, 9) + 0.0, axis=0, return_index=True)[1]
    moments = Moments.of(meshes[0].vertices, meshes[0].faces)
    best: tuple[tuple[Array, ...], tuple[int, int]] | None = None
    for row in alike.tolist():
        for quarters in range(4):
            laid = _laid(meshes[row], quarters)
            size = laid.max(axis=0)
            spread = moments.seen((quarter_turn(quarters) @ turns[row])[None])[0]
            key = np.concatenate([[np.cbrt(size.prod())], size, spread])
            corners, faces = _by_place(laid, meshes[row].faces)
            told = key, corners, faces.astype(np.float64)
            if best is None or _before(told, best[0]):
                best = told, (row, quarters)
    assert best is not None
    return best[1]


def _before(one: tuple[Array, ...], other: tuple[Array, ...]) -> bool:
    """Whether a key, and where keys are equal the corners of as many, and where those are equal the faces
    come first: what looks the same may still be cut into other triangles."""
    for own, theirs in zip(one, other, strict=True):
        if own.shape != theirs.shape:
            return False
        if comes_first(own, theirs, SAME_MM):
            return True
        if comes_first(theirs, own, SAME_MM):
            return False
    return False


def _laid(mesh: TidyMesh, quarters: int) -> Array:
    turned = mesh.vertices @ quarter_turn(quarters).T
    return np.asarray(turned - turned.min(axis=0))


def _by_place(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Corners, and the faces of them, in the order of their places."""
    order = rows_in_order(vertices, SAME_MM)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    told = rank[faces]
    told = np.take_along_axis(told, (told.argmin(axis=1)[:, None] + np.arange(3)) % 3, axis=1)
    return vertices[order], told[np.lexsort(told.T[::-1])]


def along_own_axes(mesh: TidyMesh, quarters: int) -> tuple[TidyMesh, Array]:
    """The mesh turned by the quarters, its least corner at zero, corners and faces in the order of their
    places; and the motion (4, 4) from there to where it stands."""
    turn = quarter_turn(quarters)
    vertices, faces = _by_place(_laid(mesh, quarters), mesh.faces)
    shift = (mesh.vertices @ turn.T).min(axis=0)
    laid = replace(
        mesh,
        vertices=vertices,
        faces=faces,
        mending=mesh.mending.turned(turn).moved(-shift),
    )
    return laid, affine(turn.T, turn.T @ shift)


def first_poses(model: Model) -> tuple[Part, ...]:
    """The parts of a model of such shapes; of one that looks the same in several poses, the pose that turns
    least as the model is computed with."""
    turn = quarter_turn(Canonical.of(model).quarters)
    ways = {shape.id: _ways_to_look_the_same(shape) for shape in model.shapes}
    return tuple(replace(part, pose=_first(part.pose @ ways[part.shape], turn)) for part in model.parts)


def _ways_to_look_the_same(shape: Shape) -> Array:
    """(k, 4, 4) motions by turns of the axes into each other that bring a solid onto itself."""
    form = Form(shape.vertices, shape.faces)
    motions = (affine(turn, form.centre - turn @ form.centre) for turn in QUARTER_TURNS)
    return np.array([motion for motion in motions if coincide(form, form, motion)])


def _first(poses: Array, turn: Array) -> Array:
    """Of poses (k, 4, 4), the one that turns least as the model is computed with, or the first of those."""
    turns = turn @ poses[:, :3, :3]
    keys = -np.column_stack([np.trace(turns, axis1=1, axis2=2), turns.reshape(-1, 9)])
    best = 0
    for row in range(1, len(poses)):
        if comes_first(keys[row], keys[best], ALIKE_TURN):
            best = row
    return poses[best]
