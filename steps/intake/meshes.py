"""Tidying one mesh: a sound one stays as it is, any other is mended."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from steps.mend import mend, sound
from steps.mend.soup import distinct_faces, is_closed, merge_equal, renumbered, signed_volume
from steps.model import Array, IntArray, Mending, MendKind

#: A face lower than this share of the mesh's extent has no side: it is empty.
EMPTY_SHARE = 1e-7
#: A mesh thinner than this share of its length is a sheet: a 1 m part would be 0.01 mm thick.
FLAT_SHARE = 1e-5


@dataclass(frozen=True, eq=False)
class TidyMesh:
    """A mesh ready to be a shape; ``closed`` when every edge has as many faces running it each way."""

    vertices: Array
    faces: IntArray
    closed: bool
    mending: Mending = field(default_factory=Mending)


def tidy(vertices: Array, faces: IntArray) -> TidyMesh | None:
    """The tidied mesh; None when it encloses nothing.

    Corners at one place are merged; an inside-out mesh is turned; what is not sound is mended.
    """
    vertices, faces = merge_equal(vertices, faces)
    plain = distinct_faces(faces)
    if not len(plain) or _is_flat(vertices[np.unique(plain)]):
        return None
    if is_closed(plain):
        turned = signed_volume(vertices, plain) < 0
        outward = plain[:, ::-1] if turned else plain
        if not _has_empty(vertices, outward) and sound(vertices, outward):
            found: dict[MendKind, int] = {"inside out": 1} if turned else {}
            return TidyMesh(*renumbered(vertices, outward), True, Mending(found))
    made = mend(vertices, faces)
    if made is None:
        return None
    return TidyMesh(made.vertices, made.faces, is_closed(made.faces), made.mending)


def _has_empty(vertices: Array, faces: IntArray) -> bool:
    """Whether a face is lower than what tells its side from rounding."""
    corners = vertices[faces]
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    twice = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return bool((twice <= EMPTY_SHARE * float(np.ptp(vertices, axis=0).max()) * longest).any())


def _is_flat(vertices: Array) -> bool:
    spread = np.linalg.eigvalsh(np.cov((vertices - vertices.mean(axis=0)).T))
    return bool(spread[0] <= FLAT_SHARE**2 * spread[2])
