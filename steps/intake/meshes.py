"""Tidying one mesh: corners merged, empty faces gone, wound outward where that is safe."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import trimesh
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from steps.model import Array, IntArray

#: Corners this near, as a share of the mesh's extent, are one where exact merging leaves open edges
#: (float32 carries 6e-8, six-digit decimals 1e-6).
WELD_SHARE = 2e-6
#: A face lower than this share of the mesh's extent has no side: it is empty.
EMPTY_SHARE = 1e-7
#: A mesh thinner than this share of its length is a sheet: a 1 m part would be 0.01 mm thick.
FLAT_SHARE = 1e-5
#: Odd multipliers for digests of coordinates (digits of the golden ratio, of pi and of e in hexadecimal).
_ODD = np.array([0x9E3779B97F4A7C15, 0x243F6A8885A308D3, 0xB7E151628AED2A6B], dtype=np.uint64)


@dataclass(frozen=True, eq=False)
class TidyMesh:
    """A mesh ready to be a shape; ``closed`` when every edge has as many faces running it each way."""

    vertices: Array
    faces: IntArray
    closed: bool
    turned: bool = False  #: the file had it inside out


def merged_corners(soup: Array) -> tuple[Array, IntArray]:
    """Vertices and faces of (m, 3, 3) corners; equal corners made one, in order of appearance."""
    return merge_equal(soup.reshape(-1, 3), np.arange(3 * len(soup)).reshape(-1, 3))


def merge_equal(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Vertices at exactly one place made one, unused ones dropped, order of first use kept."""
    places = np.ascontiguousarray(vertices + 0.0)  # + 0.0 makes -0.0 the same as 0.0
    return _renumbered(places, _first_at_place(places)[faces])


def _first_at_place(places: Array) -> IntArray:
    """(n,) row of the first vertex at each vertex's place.

    Sorted by a 64-bit digest of the coordinates, several times faster than by the coordinates
    themselves; two places with one digest are found out, and then the coordinates are sorted.
    """
    bits = places.view(np.uint64)
    with np.errstate(over="ignore"):
        digest = bits[:, 0] * _ODD[0] ^ bits[:, 1] * _ODD[1] ^ bits[:, 2] * _ODD[2]
        digest ^= digest >> np.uint64(29)
    _, first, where = np.unique(digest, return_index=True, return_inverse=True)
    rows = first[where.reshape(-1)]
    if (bits[rows] != bits).any():
        _, first, where = np.unique(bits, axis=0, return_index=True, return_inverse=True)
        rows = first[where.reshape(-1)]
    return rows


def tidy(vertices: Array, faces: IntArray) -> TidyMesh | None:
    """The tidied mesh; None when no face with an area is left or all faces lie in one plane."""
    vertices, faces = merge_equal(vertices, faces)
    faces = _distinct_faces(faces)
    if not len(faces):
        return None
    if not is_closed(faces):
        vertices, faces = _renumbered(vertices, welded(vertices, faces, WELD_SHARE))
    faces = _without_empty(vertices, faces)
    if not len(faces) or _is_flat(vertices[np.unique(faces)]):
        return None
    faces, turned = _outward(vertices, faces)
    vertices, faces = _renumbered(vertices, faces)
    return TidyMesh(vertices, faces, is_closed(faces), turned)


def is_closed(faces: IntArray) -> bool:
    """Whether every edge is run as often one way as the other: closed and consistently wound."""
    net, _ = _edge_counts(faces)
    return bool((net == 0).all())


def welded(vertices: Array, faces: IntArray, share: float) -> IntArray:
    """Faces with corners nearer than ``share`` of the extent made one; what collapses is dropped."""
    reach = share * float(np.ptp(vertices, axis=0).max())
    near = cKDTree(vertices).query_pairs(reach, output_type="ndarray") if reach > 0 else np.empty((0, 2), int)
    if not len(near):
        return faces
    label = components(len(vertices), near)
    first = np.full(len(vertices), len(vertices))
    np.minimum.at(first, label, np.arange(len(vertices)))
    return _distinct_faces(first[label][faces])


def components(count: int, pairs: NDArray) -> NDArray:
    """(count,) label of the connected component of each node."""
    pairs = np.asarray(pairs, dtype=np.int64).reshape(-1, 2)
    links = coo_matrix((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return connected_components(links, directed=False)[1]


def signed_volume(vertices: Array, faces: IntArray) -> float:
    """Enclosed volume by the divergence theorem; negative when inside out."""
    a, b, c = (vertices[faces[:, corner]] - vertices[0] for corner in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def _is_flat(vertices: Array) -> bool:
    spread = np.linalg.eigvalsh(np.cov((vertices - vertices.mean(axis=0)).T))
    return bool(spread[0] <= FLAT_SHARE**2 * spread[2])


def _renumbered(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    flat = faces.reshape(-1)
    first = np.full(len(vertices), len(flat), dtype=np.int64)
    first[flat[::-1]] = np.arange(len(flat) - 1, -1, -1)  # the last write stands: the first use
    used = np.flatnonzero(first < len(flat))
    order = used[np.argsort(first[used], kind="stable")]
    rank = np.empty(len(vertices), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return vertices[order], rank[faces]


def _distinct_faces(faces: IntArray) -> IntArray:
    """Without faces that use a corner twice or repeat another face, order kept."""
    real = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    faces = faces[real]
    if not len(faces):
        return faces
    turned = (faces.argmin(axis=1)[:, None] + np.arange(3)) % 3
    begun = np.take_along_axis(faces, turned, axis=1)
    order = np.lexsort((begun[:, 2], begun[:, 1], begun[:, 0]))  # stable: of equal faces the first leads
    fresh = np.r_[True, (begun[order[1:]] != begun[order[:-1]]).any(axis=1)]
    return faces[np.sort(order[fresh])]


def _edge_counts(faces: IntArray) -> tuple[NDArray, NDArray]:
    """Per edge: runs one way minus runs the other way, and runs in all."""
    order, starts, sense = edge_runs(faces)
    if not len(starts):
        return np.empty(0), np.empty(0, dtype=np.int64)
    return np.add.reduceat(sense[order], starts), np.diff(np.r_[starts, len(order)])


def edge_runs(faces: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """The 3m sides of the faces sorted so that sides on one edge stand together.

    Returns the order, where in it each edge starts, and (unsorted) +1 for a side that runs its edge
    from the lesser vertex to the greater, else -1. Side 3f + k runs from corner k of face f.
    """
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    key = np.minimum(start, end) * (int(faces.max(initial=0)) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    key = key[order]
    return order, np.flatnonzero(np.r_[True, key[1:] != key[:-1]][: len(key)]), np.where(start < end, 1, -1)


def _heights(vertices: Array, faces: IntArray) -> tuple[NDArray, NDArray]:
    """Height of each face over its longest edge, and which corner lies opposite that edge."""
    corners = vertices[faces]
    sides = np.linalg.norm(corners[:, [2, 0, 1]] - corners[:, [1, 2, 0]], axis=2)  # opposite each corner
    doubled = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return doubled / np.maximum(sides.max(axis=1), 1e-300), sides.argmax(axis=1)


def _without_empty(vertices: Array, faces: IntArray) -> IntArray:
    """Empty faces taken out without tearing the mesh: the neighbour over the long edge takes its corner.

    An empty face a-b-c with b on the line a-c, and its neighbour c-a-d, become a-b-d and b-c-d.
    """
    limit = EMPTY_SHARE * float(np.ptp(vertices, axis=0).max())
    rounds = 0
    heights, opposite = _heights(vertices, faces)
    while (heights <= limit).any() and rounds < 8:
        faces = _flip_empty(faces, np.flatnonzero(heights <= limit), opposite)
        faces = _distinct_faces(faces)
        if not len(faces):
            return faces
        heights, opposite = _heights(vertices, faces)
        rounds += 1
    return faces[heights > limit]


def _flip_empty(faces: IntArray, empty: NDArray, opposite: NDArray) -> IntArray:
    """One round of flips; an empty face without a neighbour over its long edge goes."""
    over = {
        (int(face[corner]), int(face[(corner + 1) % 3])): row
        for row, face in enumerate(faces)
        for corner in range(3)
    }
    faces, touched, gone = faces.copy(), set(), []
    for row in empty.tolist():
        corner = int(opposite[row])
        middle, start, end = (int(faces[row, (corner + k) % 3]) for k in range(3))
        other = over.get((end, start))
        if row in touched or other in touched:
            continue
        if other is None:
            gone.append(row)
            continue
        far = int(faces[other].sum()) - start - end
        faces[row], faces[other] = (middle, start, far), (end, middle, far)
        touched |= {row, other}
    return np.delete(faces, gone, axis=0)


def _outward(vertices: Array, faces: IntArray) -> tuple[IntArray, bool]:
    """Faces wound consistently and outward; left alone where the mesh does not say which side is out."""
    net, counts = _edge_counts(faces)
    if (net != 0).any():
        if not (counts == 2).all():
            return faces, False
        mesh = trimesh.Trimesh(vertices, faces.copy(), process=False)
        trimesh.repair.fix_winding(mesh)
        faces = np.asarray(mesh.faces, dtype=np.int64)
        if not is_closed(faces):
            return faces, False
    if signed_volume(vertices, faces) < 0:
        return faces[:, ::-1], True
    return faces, False
