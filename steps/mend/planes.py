"""Corners that were drawn a little off, set onto the planes of their faces.

Faces that lie in one plane within the reach are given one plane, fitted to them all; a corner goes to the
point where the planes of its faces meet. So what was drawn flush is flush again, and edges of two shells
that ran along each other do so to rounding. Averages over whole planes are nearer to what was meant than any
one corner.
"""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True, eq=False)
class _Fit:
    """The plane that fits faces best, by area: its unit ``normal`` (3,), their ``middle`` (3,), and how they
    ``spread`` in it: (2, 3) rows, two directions in it, each divided by the deviation that way."""

    normal: Array
    middle: Array
    spread: Array

    @staticmethod
    def of(corners: Array, weight: Array, about: Array) -> _Fit:
        points, weights = corners.reshape(-1, 3), np.repeat(weight / weight.sum() / 3, 3)
        middle = weights @ points
        apart = points - middle
        square, axes = np.linalg.eigh((apart * weights[:, None]).T @ apart)
        normal = axes[:, 0] if axes[:, 0] @ about > 0 else -axes[:, 0]
        along = (axes[:, 1:] / np.sqrt(np.maximum(square[1:], 1e-300))).T
        return _Fit(normal, middle, along)

    def off(self, points: Array) -> Array:
        """(...) mm off the plane of points (..., 3)."""
        return np.abs((points - self.middle) @ self.normal)

    def doubt(self, points: Array) -> Array:
        """(...) how much less sure the plane is at points (..., 3) than amid its faces: a narrow strip tells
        little of what lies beside it."""
        return np.sqrt(1.0 + (((points - self.middle) @ self.spread.T) ** 2).sum(axis=-1))


def set_on_planes(vertices: Array, faces: IntArray, reach: float) -> Array:
    """The vertices, each where the planes of its faces meet."""
    plane, normals, offsets = _planes(vertices, faces, reach)
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


def _planes(vertices: Array, faces: IntArray, reach: float) -> tuple[IntArray, Array, Array]:
    """(m,) plane of each face, -1 for none, and the planes' unit normals and offsets; the highest faces
    first."""
    from scipy.sparse import csr_matrix

    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    height = twice / np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    plane = np.full(len(corners), -1)
    fits: list[_Fit] = []
    free = np.argsort(-height, kind="stable")
    corner, own = faces.reshape(-1), np.arange(faces.size) // 3
    meeting = csr_matrix((np.ones(faces.size), (corner, own)), (len(vertices), len(faces)))
    for seed in free[: int((height > TELLING * reach).sum())].tolist():
        if plane[seed] >= 0:
            continue
        free = free[plane[free] < 0]
        rows, fit = np.array([seed]), _Fit.of(corners[[seed]], twice[[seed]], cross[seed])
        for _ in range(MAX_ROUNDS):  # a small face is off by more the further away: the plane grows
            wider = _in(fit, corners, free, reach)
            if len(wider) <= len(rows):
                beside = meeting[np.unique(faces[rows])].indices
                wider = _with_neighbours(fit, rows, beside, corners, plane, reach)
            found = _Fit.of(corners[wider], twice[wider], fit.normal)
            if len(wider) <= len(rows) or found.off(corners[wider]).max() > IN_PLANE * reach:
                break
            rows, fit = wider, found
        plane[rows] = len(fits)
        fits.append(fit)
    normals = np.array([fit.normal for fit in fits]).reshape(-1, 3)
    return plane, normals, np.array([fit.normal @ fit.middle for fit in fits])


def _in(fit: _Fit, corners: Array, free: IntArray, reach: float) -> IntArray:
    """Those of the faces ``free`` that lie in a plane."""
    near = free[fit.off(corners[free, 0]) <= IN_PLANE * reach]
    return near[fit.off(corners[near]).max(axis=1) <= IN_PLANE * reach]


def _with_neighbours(
    fit: _Fit, rows: IntArray, beside: IntArray, corners: Array, plane: IntArray, reach: float
) -> IntArray:
    """The faces of a plane, with those ``beside`` of no plane yet that may lie in it for all it can tell."""
    beside = beside[plane[beside] < 0]
    allowed = IN_PLANE * reach * fit.doubt(corners[beside])
    return np.union1d(rows, beside[(fit.off(corners[beside]) <= allowed).all(axis=1)])
