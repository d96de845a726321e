"""How the faces of a mesh hang together: edges, neighbours, flat regions; whether it is one closed shell."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]
RowArray = NDArray[np.int32]

#: Vertices nearer than this share of the largest extent are one vertex: exporters write float32.
WELD_SHARE = 1e-6
#: Faces whose corners lie within this share of the largest extent of one plane are one flat region: a
#: hundredth of a millimetre on a part of a metre, below what a picture shows.
FLAT_SHARE = 1e-5
#: Neighbours in one flat region look the same way by at least this cosine: no fold back on itself.
SAME_WAY = 0.999


@dataclass(frozen=True, eq=False)
class Edges:
    """Every distinct edge of a mesh, its ends welded."""

    ends: RowArray  #: (k, 2) vertices
    face: RowArray  #: (k, 2) the first two faces at it; the second -1 where there is one only
    count: RowArray  #: (k,) faces at it
    opposed: NDArray[np.bool_]  #: (k,) whether the first two run along it in opposite directions


@dataclass(frozen=True, eq=False)
class Topology:
    """Of ``vertices`` (n, 3) and ``faces`` (m, 3) with unit ``normals`` (m, 3), zero where there is no area;
    ``extent``: the mesh's largest, mm."""

    vertices: Array
    faces: IntArray
    normals: Array
    extent: float

    @cached_property
    def edges(self) -> Edges:
        return self._hang_together[0]

    @cached_property
    def neighbour(self) -> RowArray:
        """(m, 3) the one face across the edge from corner i to the next; -1 for none, or several."""
        return self._hang_together[1]

    @cached_property
    def adjacent(self) -> tuple[RowArray, RowArray]:
        """(k, 2) faces that share an edge, and (k, 2) its ends by the first of them; where more than two do,
        each with the next."""
        return self._hang_together[2]

    @cached_property
    def _hang_together(self) -> tuple[Edges, RowArray, tuple[RowArray, RowArray]]:
        """What the faces' edges tell once sorted; how they were sorted is let go of, twice as much."""
        welded = weld(self.vertices, self.extent)[self.faces]
        corners = np.stack([self.faces, np.roll(self.faces, -1, axis=1)], axis=2).reshape(-1, 2)
        ends = np.stack([welded, np.roll(welded, -1, axis=1)], axis=2).reshape(-1, 2)
        low, high = ends.min(axis=1), ends.max(axis=1)
        key = low * (int(welded.max(initial=0)) + 1) + high
        order = np.argsort(key, kind="stable")
        edges, edge_of = _edges(order, key, corners, ends)
        same = key[order][1:] == key[order][:-1]
        one, two = order[:-1][same], order[1:][same]
        adjacent = _rows(np.stack([one // 3, two // 3], axis=1)), _rows(corners[one])
        pair = edges.face[edge_of]
        own = np.repeat(np.arange(len(self.faces)), 3)
        other = np.where(pair[:, 0] == own, pair[:, 1], pair[:, 0])
        neighbour = np.where(edges.count[edge_of] == 2, other, -1).reshape(-1, 3)
        return edges, _rows(neighbour), adjacent

    @cached_property
    def outward(self) -> int:
        """1 where the mesh is one closed shell wound outward, -1 where inward, 0 where it is neither: then
        any face may be seen from any side, and one may pass through another."""
        edges = self.edges
        if not len(edges.count) or (edges.count != 2).any() or not edges.opposed.all():
            return 0
        if connected(len(self.faces), edges.face).any():
            return 0
        a, b, c = (self.vertices[self.faces[:, corner]] - self.vertices[0] for corner in range(3))
        return int(np.sign(np.einsum("ij,ij->", a, np.cross(b, c))))

    @cached_property
    def flat(self) -> RowArray:
        """(m,) the largest face of the flat region that each face is in: one plane does for all of it."""
        count, room = len(self.faces), FLAT_SHARE * self.extent
        offsets = np.einsum("ij,ij->i", self.normals, self.vertices[self.faces[:, 0]])
        inner = self.edges.face[self.edges.count == 2]
        one, two = inner[:, 0], inner[:, 1]
        level = np.einsum("ij,ij->i", self.normals[one], self.normals[two]) > SAME_WAY
        level &= self._off(two, self.normals[one], offsets[one]) <= room
        level &= self._off(one, self.normals[two], offsets[two]) <= room
        label = connected(count, inner[level])
        area = self._areas()
        lead = np.empty(int(label.max(initial=-1)) + 1, np.int64)
        by_area = np.lexsort(
            [-np.arange(count), area]
        )  # the largest face is entered last, of equals the first
        lead[label[by_area]] = by_area
        found = lead[label]
        stray = self._off(np.arange(count), self.normals[found], offsets[found]) > room
        stray |= np.einsum("ij,ij->i", self.normals, self.normals[found]) <= SAME_WAY
        bent = np.zeros(len(lead), dtype=bool)  # flat step by step, but not as a whole
        bent[label[stray]] = True
        return _rows(np.where(bent[label], np.arange(count), found))

    def _off(self, rows: IntArray | RowArray, normals: Array, offsets: Array) -> Array:
        """(k,) how far the farthest corner of each face lies off a plane, mm."""
        height = np.einsum("kij,kj->ki", self.vertices[self.faces[rows]], normals) - offsets[:, None]
        return np.asarray(np.abs(height).max(axis=1, initial=0.0))

    def _areas(self) -> Array:
        a, b, c = (self.vertices[self.faces[:, corner]] for corner in range(3))
        return np.asarray(np.linalg.norm(np.cross(b - a, c - a), axis=1))


def _edges(order: IntArray, key: IntArray, corners: IntArray, ends: IntArray) -> tuple[Edges, IntArray]:
    """The edges, and the edge of each face's corner i, counted through all faces; ``order`` sorts the faces'
    edges by ``key``, which their welded ``ends`` (3 m, 2) give; ``corners`` (3 m, 2) are their vertices."""
    first = np.flatnonzero(np.diff(key[order], prepend=-1))
    count = np.diff(np.append(first, len(order)))
    edge_of = np.empty(len(order), np.int64)
    edge_of[order] = np.repeat(np.arange(len(first)), count)
    one = order[first]
    two = order[np.minimum(first + 1, len(order) - 1)] if len(order) else order
    face = np.stack([one // 3, np.where(count > 1, two // 3, -1)], axis=1)
    opposed = (count > 1) & (ends[one, 0] == ends[two, 1])
    return Edges(_rows(corners[one]), _rows(face), _rows(count), opposed), edge_of


def _rows(rows: IntArray) -> RowArray:
    """As they are kept: no mesh has more faces than 32 bits number."""
    return rows.astype(np.int32)


def weld(vertices: Array, extent: float) -> IntArray:
    """(n,) one number per distinct position."""
    cell = max(extent * WELD_SHARE, 1e-9)
    return unique_rows(np.round(vertices / cell).astype(np.int64))[1]


def unique_rows(rows: NDArray[Any]) -> tuple[NDArray[Any], IntArray]:
    """The distinct ones of rows (n, k), in order, and (n,) the number of each: column by column. Of
    5,000 rows of four that took 0.7 ms, and numpy 9, which compares whole rows."""
    order = np.lexsort(rows.T[::-1])
    in_order = rows[order]
    new = np.ones(len(rows), dtype=bool)
    new[1:] = (in_order[1:] != in_order[:-1]).any(axis=1)
    number = np.empty(len(rows), dtype=np.int64)
    number[order] = np.cumsum(new) - 1
    return in_order[new], number


def connected(count: int, pairs: NDArray[Any]) -> IntArray:
    """(count,) number of each of ``count`` things' run of things joined by pairs (k, 2); runs are numbered by
    their first thing."""
    first = np.arange(count)  # some thing of the same run, in the end its first
    one, two = np.asarray(pairs, dtype=np.int64).reshape(-1, 2).T
    while len(one):
        low = np.minimum(first[one], first[two])
        np.minimum.at(first, first[one], low)
        np.minimum.at(first, first[two], low)
        while (first != (onward := first[first])).any():
            first = onward
        apart = first[one] != first[two]
        one, two = one[apart], two[apart]
    return np.unique(first, return_inverse=True)[1].reshape(-1)
