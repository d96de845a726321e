"""Sewing a triangle soup: corners joined, empty and repeated faces dropped, T-joints split.

Which way round a face runs means nothing here. How far apart corners may be is measured: the least reach that
leaves (next to) as few open edges as any.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.spatial import cKDTree

from steps.mend.soup import components, edge_runs, merge_equal
from steps.model import Array, IntArray

#: Corners this near, as a share of the mesh's diagonal, are one: float32 carries 6e-8, six digits 1e-6.
LEAST_REACH = 2e-6
#: Corners further apart than this share of the diagonal are never one: 0.05 mm in a part of 50 mm.
MOST_REACH = 1e-3
#: ... nor corners further apart than this share of the mesh's short edges (its 5th percentile): a circle
#: keeps its sides.
EDGE_SHARE = 0.25
#: Steps between the least and the most reach, each so many times the one before.
REACH_STEP = 2.0
#: A greater reach is taken only if it closes this share of all edges more.
WORTH = 0.01
#: A vertex lies on an edge within this many reaches: both have been moved by up to one.
ON_EDGE = 2.0
#: Rounds of splitting: a side with many vertices on it is split at all of them in one round.
MAX_ROUNDS = 12


@dataclass(frozen=True, eq=False)
class Sewn:
    """Vertices (n, 3) and faces (m, 3), any way round; no face empty, none twice."""

    vertices: Array
    faces: IntArray
    reach: float  #: mm; how far apart corners were that are one now
    empty: int  #: faces without an area dropped
    doubled: int  #: faces that repeated another
    joined: int  #: corners joined that were not at exactly one place
    split: int  #: sides split where a corner of another face lies on them


def sew(vertices: Array, faces: IntArray, everywhere: bool = False) -> Sewn:
    """The soup sewn. Coordinates must be finite; corners are moved by at most the reach.

    Only what is open is split at corners on it; ``everywhere`` splits every side, as faces that were cut
    apart need.
    """
    vertices, faces = merge_equal(vertices, faces)
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    label, reach = _welding(vertices, faces, diagonal)
    joined = len(vertices) - len(np.unique(label))
    vertices, faces = _middles(vertices, label), label[faces]
    start = len(faces)
    faces = _proper(vertices, faces, reach)
    empty = start - len(faces)
    faces, doubled = _once(faces)
    faces, split = _split(vertices, faces, ON_EDGE * reach, reach, everywhere)
    used, rows = np.unique(faces, return_inverse=True)
    return Sewn(vertices[used], rows.reshape(-1, 3), reach, empty, doubled, joined, split)


def mostly_joined(vertices: Array, faces: IntArray) -> IntArray:
    """The faces, corners made one over the measured reach, where the first stood; empty faces dropped."""
    label, reach = _welding(vertices, faces, float(np.linalg.norm(np.ptp(vertices, axis=0))))
    first = np.full(len(vertices), len(vertices))
    np.minimum.at(first, label, np.arange(len(vertices)))
    return _proper(vertices, first[label][faces], reach)


def open_edges(faces: IntArray) -> IntArray:
    """(k, 2) rows (face, corner) of the sides that no other face shares."""
    order, starts, _ = edge_runs(faces)
    lone = order[starts[np.diff(np.r_[starts, len(order)]) == 1]]
    return np.column_stack(np.divmod(np.sort(lone), 3))


# ------------------------------------------------------------------------------- corners


def _welding(vertices: Array, faces: IntArray, diagonal: float) -> tuple[IntArray, float]:
    """(n,) cluster of each vertex, and the reach that was needed, mm."""
    least = LEAST_REACH * diagonal
    own = np.arange(len(vertices))
    lone = open_edges(faces)
    if not len(lone) or diagonal == 0:
        return own, least
    most = min(MOST_REACH * diagonal, EDGE_SHARE * _short_edge(vertices, faces, least))
    rim = np.unique(np.concatenate([faces[lone[:, 0], lone[:, 1]], faces[lone[:, 0], (lone[:, 1] + 1) % 3]]))
    near = cKDTree(vertices[rim]).sparse_distance_matrix(
        cKDTree(vertices), max(most, least), output_type="coo_matrix"
    )
    pairs, apart = np.column_stack([rim[near.row], near.col]), near.data
    best: tuple[int, IntArray, float] | None = None
    reach = least
    while True:
        label = components(len(vertices), pairs[apart <= reach])
        count = len(open_edges(_proper_rows(label[faces])))
        if best is None or count < best[0] - WORTH * 1.5 * len(faces):
            best = (count, label, reach)
        if reach >= most or best[0] == 0:
            return best[1].astype(np.int64), best[2]
        reach = min(reach * REACH_STEP, most)


def _short_edge(vertices: Array, faces: IntArray, least: float) -> float:
    corners = vertices[faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).ravel()
    sides = sides[sides > least]
    return float(np.quantile(sides, 0.05)) if len(sides) else 0.0


def _middles(vertices: Array, label: IntArray) -> Array:
    """(n,) middle of each cluster; a cluster of one keeps its place to the last bit."""
    count = np.bincount(label, minlength=len(vertices))
    sums = np.column_stack([np.bincount(label, vertices[:, k], minlength=len(vertices)) for k in range(3)])
    middles = sums / np.maximum(count, 1)[:, None]
    lone = count[label] == 1
    middles[label[lone]] = vertices[lone]
    return middles


# --------------------------------------------------------------------------------- faces


def _proper_rows(faces: IntArray) -> IntArray:
    """Faces with three different corners."""
    return faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]


def _proper(vertices: Array, faces: IntArray, reach: float) -> IntArray:
    """Faces with three different corners and a height above the reach."""
    faces = _proper_rows(faces)
    corners = vertices[faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    twice = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return faces[twice > reach * sides.max(axis=1, initial=0.0)]


def _once(faces: IntArray) -> tuple[IntArray, int]:
    """Of faces on the same three corners, whichever way round, the first; and how many more there were."""
    _, first = np.unique(np.sort(faces, axis=1), axis=0, return_index=True)
    return faces[np.sort(first)], len(faces) - len(first)


def _split(
    vertices: Array, faces: IntArray, near: float, reach: float, everywhere: bool
) -> tuple[IntArray, int]:
    """Faces with every vertex that lies on an open side worked into the face; and how many sides were
    split."""
    total = 0
    for _ in range(MAX_ROUNDS):
        found = _on_sides(vertices, faces, near, everywhere)
        if found is None:
            break
        side, vertex = found
        total += len(np.unique(side))
        faces, _ = _fanned(faces, side, vertex)
        faces, _ = _once(_proper(vertices, faces, min(reach, near)))
    return faces, total


def _on_sides(
    vertices: Array, faces: IntArray, near: float, everywhere: bool
) -> tuple[IntArray, IntArray] | None:
    """Sides (3 face + corner) and the vertices on them, along each side; only one side of each face.

    Sides between two ends of open edges are looked at, whether open or not: where three faces meet at a side,
    two may close it and leave the third open.
    """
    rim = np.zeros(len(vertices), dtype=bool)
    if everywhere:
        rim[faces] = True
    else:
        lone = open_edges(faces)
        rim[faces[lone[:, 0], lone[:, 1]]] = rim[faces[lone[:, 0], (lone[:, 1] + 1) % 3]] = True
    if not rim.any():
        return None
    candidates = np.flatnonzero(rim)
    side = np.flatnonzero((rim[faces] & rim[np.roll(faces, -1, axis=1)]).reshape(-1))
    start, end = faces.reshape(-1)[side], np.roll(faces, -1, axis=1).reshape(-1)[side]
    along = vertices[end] - vertices[start]
    length = np.linalg.norm(along, axis=1)
    tree = cKDTree(vertices[candidates])
    balls = tree.query_ball_point(
        (vertices[start] + vertices[end]) / 2, length / 2 + near, return_sorted=True
    )
    of = np.repeat(np.arange(len(side)), [len(ball) for ball in balls])
    vertex = candidates[np.concatenate([np.asarray(ball, dtype=np.int64) for ball in balls])]
    offset = vertices[vertex] - vertices[start[of]]
    share = np.einsum("ij,ij->i", offset, along[of]) / length[of] ** 2
    across = np.linalg.norm(offset - share[:, None] * along[of], axis=1)
    margin = near / length[of]
    own = (vertex == start[of]) | (vertex == end[of])
    inside = (across <= near) & (share > margin) & (share < 1 - margin) & ~own
    of, vertex, share = of[inside], vertex[inside], share[inside]
    if not len(of):
        return None
    first: dict[int, int] = {}
    for row in np.unique(of).tolist():
        first.setdefault(int(side[row]) // 3, row)
    kept = np.isin(of, list(first.values()))
    of, vertex, share = of[kept], vertex[kept], share[kept]
    order = np.lexsort((share, of))
    return side[of[order]], vertex[order]


def split_sides(vertices: Array, faces: IntArray) -> tuple[IntArray, IntArray]:
    """The faces with open sides split where corners lie on them, and the row that each came from."""
    near = ON_EDGE * LEAST_REACH * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    owner = np.arange(len(faces))
    for _ in range(MAX_ROUNDS):
        found = _on_sides(vertices, faces, near, False)
        if found is None:
            break
        faces, from_rows = _fanned(faces, *found)
        owner = owner[from_rows]
    return faces, owner


def _fanned(faces: IntArray, side: IntArray, vertex: IntArray) -> tuple[IntArray, IntArray]:
    """Each named side split at its vertices: a fan about the corner across from it; and the row of each."""
    face, corner = np.divmod(side, 3)
    begins = np.r_[True, side[1:] != side[:-1]]
    ends = np.r_[side[1:] != side[:-1], True]
    a, b, c = (faces[face, (corner + k) % 3] for k in range(3))
    before = np.where(begins, a, np.r_[-1, vertex[:-1]])
    fan = [np.column_stack([before, vertex, c]), np.column_stack([vertex, b, c])[ends]]
    kept = np.ones(len(faces), dtype=bool)
    kept[face] = False
    rows = np.concatenate([np.flatnonzero(kept), face, face[ends]])
    return np.vstack([faces[kept], *fan]), rows
