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
#: Faces are sorted out anew when less than this share of them is of no plane yet; what rounding may add to
#: a level, as a share.
MOSTLY, ROUNDING = 0.9, 1e-6
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
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    height = twice / np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    plane = np.full(len(corners), -1)
    fits: list[_Fit] = []
    order = np.argsort(-height, kind="stable")
    free = _Free(order, corners[order, 0])
    own = np.argsort(faces.reshape(-1), kind="stable") // 3  # the faces at each corner, corner by corner
    at = np.searchsorted(np.sort(faces.reshape(-1)), np.arange(len(vertices) + 1)).tolist()
    for seed in order[: int((height > TELLING * reach).sum())].tolist():
        if plane[seed] >= 0:
            continue
        free = free.without(plane)
        rows, fit = np.array([seed]), _Fit.of(corners[[seed]], twice[[seed]], cross[seed])
        for _ in range(MAX_ROUNDS):  # a small face is off by more the further away: the plane grows
            wider = free.within(fit, corners, plane, reach)
            if len(wider) <= len(rows):
                touched = np.unique(faces[rows]).tolist()
                beside = np.concatenate([own[at[corner] : at[corner + 1]] for corner in touched])
                wider = _with_neighbours(fit, rows, beside, corners, plane, reach)
            if len(wider) <= len(rows):
                break
            found = _Fit.of(corners[wider], twice[wider], fit.normal)
            if found.off(corners[wider]).max() > IN_PLANE * reach:
                break
            rows, fit = wider, found
        plane[rows] = len(fits)
        fits.append(fit)
    normals = np.array([fit.normal for fit in fits]).reshape(-1, 3)
    return plane, normals, np.array([fit.normal @ fit.middle for fit in fits])


@dataclass(frozen=True, eq=False)
class _Free:
    """Faces (n,) of which most are of no plane yet, and the first corner (n, 3) of each."""

    rows: IntArray
    first: Array

    def without(self, plane: IntArray) -> _Free:
        """Those of no plane yet, once enough of them have one."""
        left = plane[self.rows] < 0
        return _Free(self.rows[left], self.first[left]) if left.sum() < MOSTLY * len(left) else self

    def within(self, fit: _Fit, corners: Array, plane: IntArray, reach: float) -> IntArray:
        """Those of no plane yet that lie in this one."""
        level = self.first @ fit.normal - fit.middle @ fit.normal
        near = self.rows[np.abs(level) <= (1 + ROUNDING) * IN_PLANE * reach]
        near = near[plane[near] < 0]
        return near[fit.off(corners[near]).max(axis=1) <= IN_PLANE * reach]


def _with_neighbours(
    fit: _Fit, rows: IntArray, beside: IntArray, corners: Array, plane: IntArray, reach: float
) -> IntArray:
    """The faces of a plane, with those ``beside`` of no plane yet that may lie in it for all it can tell."""
    beside = beside[plane[beside] < 0]
    allowed = IN_PLANE * reach * fit.doubt(corners[beside])
    return np.union1d(rows, beside[(fit.off(corners[beside]) <= allowed).all(axis=1)])
