"""The axes that a shape is described in where its file has none: whole models written as one mesh.

Bodies there stand as they stand in the model, so one of the copies has to lend its axes. It is the one, of
all copies and of all quarters the model may be turned by, whose box is least, and then whose surface comes
first: neither the order of the bodies in the file nor the way the model is turned there shows in it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from steps.intake.meshes import TidyMesh
from steps.intake.scene import affine
from steps.model import Array, quarter_turn
from steps.moments import Moments
from steps.ties import comes_first, rows_in_order

#: Places nearer than this are one, mm: float32 is off by a hundredth of it in models of a metre.
SAME_MM = 1e-3
#: Digits of a rotation by which copies stand alike.
ALIKE_DIGITS = 3


def own_axes(meshes: Sequence[TidyMesh], turns: Array) -> tuple[int, int]:
    """Of copies of one solid, turned by ``turns`` (k, 3, 3) from the first, the row of the one that lends its
    axes, and the quarters it is turned by."""
    alike = np.unique(np.round(turns, ALIKE_DIGITS).reshape(-1, 9) + 0.0, axis=0, return_index=True)[1]
    moments = Moments.of(meshes[0].vertices, meshes[0].faces)
    best: tuple[Array, Array, tuple[int, int]] | None = None
    for row in alike.tolist():
        for quarters in range(4):
            laid = _laid(meshes[row], quarters)
            size = laid.max(axis=0)
            spread = moments.seen((quarter_turn(quarters) @ turns[row])[None])[0]
            key = np.concatenate([[np.cbrt(size.prod())], size, spread])
            corners = laid[rows_in_order(laid, SAME_MM)]
            if best is None or _before((key, corners), best[:2]):
                best = key, corners, (row, quarters)
    assert best is not None
    return best[2]


def _before(one: tuple[Array, Array], other: tuple[Array, Array]) -> bool:
    """Whether a key, and where keys are equal the corners of as many, come first."""
    if comes_first(one[0], other[0], SAME_MM) or comes_first(other[0], one[0], SAME_MM):
        return comes_first(one[0], other[0], SAME_MM)
    return one[1].shape == other[1].shape and comes_first(one[1], other[1], SAME_MM)


def _laid(mesh: TidyMesh, quarters: int) -> Array:
    turned = mesh.vertices @ quarter_turn(quarters).T
    return np.asarray(turned - turned.min(axis=0))


def along_own_axes(mesh: TidyMesh, quarters: int) -> tuple[TidyMesh, Array]:
    """The mesh turned by the quarters, its least corner at zero, corners and faces in the order of their
    places; and the motion (4, 4) from there to where it stands."""
    turn = quarter_turn(quarters)
    vertices = _laid(mesh, quarters)
    order = rows_in_order(vertices, SAME_MM)
    rank = np.empty(len(order), dtype=np.int64)
    rank[order] = np.arange(len(order))
    faces = rank[mesh.faces]
    faces = np.take_along_axis(faces, (faces.argmin(axis=1)[:, None] + np.arange(3)) % 3, axis=1)
    shift = (mesh.vertices @ turn.T).min(axis=0)
    laid = replace(
        mesh,
        vertices=vertices[order],
        faces=faces[np.lexsort(faces.T[::-1])],
        mending=mesh.mending.turned(turn).moved(-shift),
    )
    return laid, affine(turn.T, turn.T @ shift)
