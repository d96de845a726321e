"""Corners that were drawn a little off, set onto the planes of their faces.

Faces that lie in one plane within the reach are given one plane, fitted to them all; a corner goes to the
point where the planes of its faces meet. So what was drawn flush is flush again, and edges of two shells
that ran along each other do so to rounding. Averages over whole planes are nearer to what was meant than any
one corner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps.model import Array, IntArray

#: A face lies in a plane when its corners are this many reaches off it.
IN_PLANE = 1.5
#: A face lower than this many reaches says nothing of its plane's direction.
TELLING = 20.0
#: Faces are sorted out anew when less than this share of them is of no plane yet, looked at after so many
#: planes; what single precision may add to a level, as a share of the extent.
MOSTLY, SELDOM, ROUNDING = 0.9, 16, 1e-6
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
    def of(corners: Array, weights: Array, about: Array) -> _Fit:
        """Of corners (..., k, 3) with weights (..., k), the normal to the side of ``about`` (..., 3)."""
        weights = (weights / weights.sum(axis=-1, keepdims=True))[..., None, :]
        middle = weights @ corners
        apart = corners - middle
        square, axes = np.linalg.eigh((apart.swapaxes(-1, -2) * weights) @ apart)
        side = np.where((axes[..., 0] * about).sum(axis=-1) > 0, 1.0, -1.0)
        along = axes[..., 1:] / np.sqrt(np.maximum(square[..., None, 1:], 1e-300))
        return _Fit(axes[..., 0] * side[..., None], middle[..., 0, :], along.swapaxes(-1, -2))

    def off(self, points: Array) -> Array:
        """(...) mm off the plane of points (..., 3)."""
        return np.abs((points - self.middle) @ self.normal)

    def doubt(self, points: Array) -> Array:
        """(...) how much less sure the plane is at points (..., 3) than amid its faces: a narrow strip tells
        little of what lies beside it."""
        return np.sqrt(1.0 + (((points - self.middle) @ self.spread.T) ** 2).sum(axis=-1))


@dataclass(frozen=True, eq=False)
class Planes:
    """The plane of each of some faces (m,), -1 for none; the planes' unit normals (k, 3) and offsets (k,)."""

    of: IntArray
    normals: Array
    offsets: Array

    def with_lids(self, vertices: Array, lids: IntArray, faces: IntArray, reach: float) -> Planes:
        """Those of faces and of lids on them, each of these in the plane about its corners that fits it best,
        or in one of its own."""
        from scipy.sparse import coo_matrix

        own = np.flatnonzero(self.of >= 0)
        where = (faces[own].reshape(-1), np.repeat(self.of[own], 3))
        about = coo_matrix((np.ones(3 * len(own)), where), shape=(len(vertices), len(self.offsets))).tocsr()
        row, plane = (about[lids[:, 0]] + about[lids[:, 1]] + about[lids[:, 2]]).nonzero()
        heights = np.einsum("rci,ri->rc", vertices[lids[row]], self.normals[plane])
        off = np.abs(heights - self.offsets[plane, None]).max(axis=1)
        order = np.lexsort((off, row))
        order = order[off[order] <= IN_PLANE * reach]
        held, first = np.unique(row[order], return_index=True)
        found = np.full(len(lids), -1)
        found[held] = plane[order[first]]
        more = planes_of(vertices, lids[found < 0], reach)
        found[found < 0] = np.where(more.of >= 0, more.of + len(self.offsets), -1)
        return Planes(
            np.concatenate([self.of, found]),
            np.concatenate([self.normals, more.normals]),
            np.concatenate([self.offsets, more.offsets]),
        )


def set_on_planes(vertices: Array, faces: IntArray, planes: Planes, reach: float) -> Array:
    """The vertices, each where the planes of its faces meet."""
    at = np.flatnonzero(np.repeat(planes.of >= 0, 3))
    vertex, own = np.unique(np.column_stack([faces.reshape(-1)[at], np.repeat(planes.of, 3)[at]]), axis=0).T
    normals = planes.normals[own]
    off = planes.offsets[own] - np.einsum("ij,ij->i", normals, vertices[vertex])
    matrix = np.tile(HOLD * np.eye(3), (len(vertices), 1, 1))
    pull = np.zeros((len(vertices), 3))
    np.add.at(matrix, vertex, normals[:, :, None] * normals[:, None, :])
    np.add.at(pull, vertex, off[:, None] * normals)
    moved = np.linalg.solve(matrix, pull[:, :, None])[:, :, 0]
    far = np.linalg.norm(moved, axis=1) > FURTHEST * reach
    moved[far] = 0.0
    return vertices + moved


def planes_of(vertices: Array, faces: IntArray, reach: float) -> Planes:
    """The planes of faces; the highest faces first."""
    corners = vertices[faces]
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    twice = np.linalg.norm(cross, axis=1)
    height = twice / np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    plane = np.full(len(corners), -1)
    fits: list[_Fit] = []
    order = np.argsort(-height, kind="stable")
    free = _Free(order, np.ascontiguousarray(corners[order, 0].T, dtype=np.float32))
    slack = ROUNDING * float(np.abs(vertices).max(initial=0.0))
    own = np.argsort(faces.reshape(-1), kind="stable") // 3  # the faces at each corner, corner by corner
    at = np.searchsorted(np.sort(faces.reshape(-1)), np.arange(len(vertices) + 1)).tolist()
    seeds = order[: int((height > TELLING * reach).sum())]
    lone = _Fit.of(corners[seeds], np.ones((len(seeds), 3)), cross[seeds])
    for row, seed in enumerate(seeds.tolist()):
        if plane[seed] >= 0:
            continue
        if len(fits) % SELDOM == 0:
            free = free.without(plane)
        rows, fit = np.array([seed]), _Fit(lone.normal[row], lone.middle[row], lone.spread[row])
        for _ in range(MAX_ROUNDS):  # a small face is off by more the further away: the plane grows
            wider = free.within(fit, corners, plane, reach, slack)
            if len(wider) <= len(rows):
                touched = np.unique(faces[rows]).tolist()
                beside = np.concatenate([own[at[corner] : at[corner + 1]] for corner in touched])
                wider = _with_neighbours(fit, rows, beside, corners, plane, reach)
            if len(wider) <= len(rows):
                break
            found = _Fit.of(corners[wider].reshape(-1, 3), np.repeat(twice[wider], 3), fit.normal)
            if found.off(corners[wider]).max() > IN_PLANE * reach:
                break
            rows, fit = wider, found
        plane[rows] = len(fits)
        fits.append(fit)
    normals = np.array([fit.normal for fit in fits]).reshape(-1, 3)
    return Planes(plane, normals, np.array([fit.normal @ fit.middle for fit in fits]))


@dataclass(frozen=True, eq=False)
class _Free:
    """Faces (n,) of which most are of no plane yet, and the first corner of each."""

    rows: IntArray
    first: NDArray[np.float32]  #: (3, n): levels are one short pass over memory

    def without(self, plane: IntArray) -> _Free:
        """Those of no plane yet, once enough of them have one."""
        left = plane[self.rows] < 0
        if np.count_nonzero(left) >= MOSTLY * len(left):
            return self
        return _Free(self.rows[left], np.ascontiguousarray(self.first[:, left]))

    def within(self, fit: _Fit, corners: Array, plane: IntArray, reach: float, slack: float) -> IntArray:
        """Those of no plane yet that lie in this one; ``slack`` what rounding adds to a level."""
        level = fit.normal.astype(np.float32) @ self.first - np.float32(fit.middle @ fit.normal)
        near = self.rows[np.flatnonzero(np.abs(level) <= IN_PLANE * reach + slack)]
        near = near[plane[near] < 0]
        return near[fit.off(corners[near]).max(axis=1) <= IN_PLANE * reach]


def _with_neighbours(
    fit: _Fit, rows: IntArray, beside: IntArray, corners: Array, plane: IntArray, reach: float
) -> IntArray:
    """The faces of a plane, with those ``beside`` of no plane yet that may lie in it for all it can tell."""
    beside = beside[plane[beside] < 0]
    allowed = IN_PLANE * reach * fit.doubt(corners[beside])
    return np.union1d(rows, beside[(fit.off(corners[beside]) <= allowed).all(axis=1)])
