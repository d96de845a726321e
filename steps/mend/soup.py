"""Triangle soups: corners merged, faces repeated or collapsed dropped, edges counted."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from steps.model import Array, IntArray
from steps.progress import tick

#: Odd multipliers for digests of coordinates (digits of the golden ratio, of pi and of e in hexadecimal).
_ODD = np.array([0x9E3779B97F4A7C15, 0x243F6A8885A308D3, 0xB7E151628AED2A6B], dtype=np.uint64)


def merged_corners(soup: Array) -> tuple[Array, IntArray]:
    """Vertices and faces of (m, 3, 3) corners; equal corners made one, in order of appearance."""
    return merge_equal(soup.reshape(-1, 3), np.arange(3 * len(soup)).reshape(-1, 3))


def merge_equal(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    """Vertices at exactly one place made one, unused ones dropped, order of first use kept."""
    tick()
    places = np.ascontiguousarray(vertices + 0.0)  # + 0.0 makes -0.0 the same as 0.0
    return renumbered(places, _first_at_place(places)[faces])


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


def is_closed(faces: IntArray) -> bool:
    """Whether every edge is run as often one way as the other: closed and consistently wound."""
    net, _ = _edge_counts(faces)
    return bool((net == 0).all())


def signed_volume(vertices: Array, faces: IntArray) -> float:
    """Enclosed volume by the divergence theorem; negative when inside out."""
    a, b, c = (vertices[faces[:, corner]] - vertices[0] for corner in range(3))
    return float(np.einsum("ij,ij->", a, np.cross(b, c)) / 6)


def renumbered(vertices: Array, faces: IntArray) -> tuple[Array, IntArray]:
    flat = faces.reshape(-1)
    first = np.full(len(vertices), len(flat), dtype=np.int64)
    first[flat[::-1]] = np.arange(len(flat) - 1, -1, -1)  # the last write stands: the first use
    used = np.flatnonzero(first < len(flat))
    order = used[np.argsort(first[used], kind="stable")]
    rank = np.empty(len(vertices), dtype=np.int64)
    rank[order] = np.arange(len(order))
    return vertices[order], rank[faces]


def distinct_faces(faces: IntArray) -> IntArray:
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
    tick()  # whoever mends asks for this at each turn
    start, end = faces.reshape(-1), np.roll(faces, -1, axis=1).reshape(-1)
    key = np.minimum(start, end) * (int(faces.max(initial=0)) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    key = key[order]
    return order, np.flatnonzero(np.r_[True, key[1:] != key[:-1]][: len(key)]), np.where(start < end, 1, -1)
