"""Corners that were drawn a little off, set onto the planes of their faces.

Faces that lie in one plane within the reach are given one plane, fitted to them all; a corner goes to the
point where the planes of its faces meet. So what was drawn flush is flush again, and edges of two shells
that ran along each other do so to rounding. Averages over whole planes are nearer to what was meant than any
one corner.
"""

from __future__ import annotations

import numpy as np

from steps.model import Array, IntArray

#: A face lies in a plane when its corners are this many reaches off it.
IN_PLANE = 1.5
#: A face lower than this many reaches says nothing of its plane's direction.
TELLING = 20.0
#: Rounds of growing a plane.
MAX_ROUNDS = 8
#: What holds a corner to its place, against one plane: it stays where it is along planes that hardly differ.
HOLD = 1e-6
#: A corner that would move further than this many reaches stays: its planes do not meet near it.
FURTHEST = 4.0


def set_on_planes(vertices: Array, faces: IntArray, reach: float) -> Array:
    """The vertices, each where the planes of its faces meet."""
    plane, normals, offsets = _planes(vertices[faces], reach)
    at = np.flatnonzero(np.repeat(plane >= 0, 3))
    vertex, own = np.unique(np.column_stack([faces.reshape(-1)[at], np.repeat(plane, 3)[at]]), axis=0).T
    off = offsets[own] - np.einsum("ij,ij->i", normals[own], vertices[vertex])
    matrix = np.tile(HOLD * np.eye(3), (len(vertices), 1, 1))
    pull = np.zeros((len(vertices), 3))
    np.add.at(matrix, vertex, normals[own][:, :, None] * normals[own][:, None, :])
    np.add.at(pull, vertex, off[:, None] * normals[own])
    moved = np.linalg.solve(matrix, pull[:, :, None])[:, :, 0]
    far = np.linalg.norm(moved, axis=1) > FURTHEST * reach
    moved[far] = 0.0
    return vertices + moved


def _planes(corners: Array, reach: float) -> tuple[IntArray, Array, Array]:
    """(m,) plane of each face, -1 for none, and the planes' unit normals and offsets; the highest faces
    first."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    height = twice / np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    unit = cross / np.maximum(twice, 1e-300)[:, None]
    plane = np.full(len(corners), -1)
    normals: list[Array] = []
    offsets: list[float] = []
    order = np.argsort(-height, kind="stable")
    firsts = np.ascontiguousarray(corners[order, 0])
    for place in range(int((height > TELLING * reach).sum())):
        seed = order[place]
        if plane[seed] >= 0:
            continue
        normal, offset, count = unit[seed], float(corners[seed, 0] @ unit[seed]), 0
        for _ in range(MAX_ROUNDS):  # a small face is off by more the further away: the plane grows
            near = order[place:][np.abs(firsts[place:] @ normal - offset) <= IN_PLANE * reach]
            near = near[plane[near] < 0]
            rows = near[np.abs(corners[near] @ normal - offset).max(axis=1) <= IN_PLANE * reach]
            if len(rows) <= count:
                break
            count = len(rows)
            normal, offset = _fitted(corners[rows], twice[rows], normal)
        plane[rows] = len(normals)
        normals.append(normal)
        offsets.append(offset)
    return plane, np.array(normals).reshape(-1, 3), np.array(offsets)


def _fitted(corners: Array, weight: Array, about: Array) -> tuple[Array, float]:
    """The plane that fits faces best, by area."""
    points, weights = corners.reshape(-1, 3), np.repeat(weight, 3)
    middle = weights @ points / weights.sum()
    apart = points - middle
    normal = np.linalg.eigh((apart * weights[:, None]).T @ apart)[1][:, 0]
    normal = normal if normal @ about > 0 else -normal
    return normal, float(normal @ middle)
