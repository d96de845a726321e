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
from steps.moments import Moments, whole

#: Digits of a rotation by which copies stand alike.
ALIKE_DIGITS = 3


def own_axes(meshes: Sequence[TidyMesh], turns: Array) -> tuple[int, int]:
    """Of copies of one solid, turned by ``turns`` (k, 3, 3) from the first, the row of the one that lends its
    axes, and the quarters it is turned by."""
    alike = np.unique(np.round(turns, ALIKE_DIGITS).reshape(-1, 9) + 0.0, axis=0, return_index=True)[1]
    moments = Moments.of(meshes[0].vertices, meshes[0].faces)
    ways = [(row, quarters) for row in alike.tolist() for quarters in range(4)]
    spreads = moments.seen(np.array([quarter_turn(quarters) @ turns[row] for row, quarters in ways]))
    sizes = [np.ptp(meshes[row].vertices @ quarter_turn(q).T, axis=0) for row, q in ways]
    keys = [
        [int(whole(np.cbrt(size.prod()))), *whole(size).tolist(), *whole(spread).tolist()]
        for size, spread in zip(sizes, spreads, strict=True)
    ]
    least = min(keys)
    best = [way for way, key in zip(ways, keys, strict=True) if key == least]
    return min(best, key=lambda way: _corners(meshes[way[0]], way[1])) if len(best) > 1 else best[0]


def _corners(mesh: TidyMesh, quarters: int) -> list[list[int]]:
    """The places of the corners, in order."""
    places = whole(_laid(mesh, quarters))
    return places[np.lexsort(places.T[::-1])].tolist()  # type: ignore[no-any-return]


def _laid(mesh: TidyMesh, quarters: int) -> Array:
    turned = mesh.vertices @ quarter_turn(quarters).T
    return np.asarray(turned - turned.min(axis=0))


def along_own_axes(mesh: TidyMesh, quarters: int) -> tuple[TidyMesh, Array]:
    """The mesh turned by the quarters, its least corner at zero, corners and faces in the order of their
    places; and the motion (4, 4) from there to where it stands."""
    turn = quarter_turn(quarters)
    vertices = _laid(mesh, quarters)
    order = np.lexsort(whole(vertices).T[::-1])
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
