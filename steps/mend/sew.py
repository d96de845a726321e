"""Sewing a triangle soup: corners joined, empty and repeated faces dropped, T-joints split.

Which way round a face runs means nothing here. How far apart corners may be is measured: the least reach that
leaves (next to) as few open edges as any.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import chain

import numpy as np

from renderer.spatial import tree
from renderer.topology import connected
from steps.mend.soup import edge_runs, merge_equal
from steps.model import Array, IntArray
from steps.progress import tick, ticking

#: Corners this near, as a share of the mesh's diagonal, are one: float32 carries 6e-8, six digits 1e-6.
LEAST_REACH = 2e-6
#: Corners further apart than this share of the diagonal are never one: 0.05 mm in a part of 50 mm.
MOST_REACH = 1e-3
#: ... nor corners further apart than this share of the mesh's short edges (its 5th percentile): a circle
#: keeps its sides.
EDGE_SHARE = 0.25
#: Steps between the least and the most reach, each so many times the one before.
REACH_STEP = 2.0
#: A greater reach is taken only if it closes this share of all edges more: chance closes up to 0.003 of them
#: where parts touch, and a reach half as long as the cracks are wide leaves 0.005 and more open.
WORTH = 0.004
#: A vertex lies on an edge within this many reaches: both have been moved by up to one.
ON_EDGE = 2.0
#: A side is split where open sides run along this share of it: a face cut in two may lack one half.
COVERED_SHARE = 0.49
#: Corners about a length of a side that are looked at one by one; where there are more it is halved.
FEW = 8
#: Sides that are looked along together.
AT_ONCE = 4096
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


def sew(vertices: Array, faces: IntArray, reach: float | None = None) -> Sewn:
    """The soup sewn. Coordinates must be finite; corners are moved by at most the reach.

    Only what is open is split at corners on it; with a ``reach`` given every side is, as faces need that are
    cut apart.
    """
    vertices, faces = merge_equal(vertices, faces)
    everywhere = reach is not None
    if reach is None:
        diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
        label, reach = _welding(vertices, faces, diagonal)
    else:
        pairs = tree(vertices).query_pairs(reach, output_type="ndarray")
        label = connected(len(vertices), pairs).astype(np.int64)
    joined = len(vertices) - len(np.unique(label))
    vertices, faces = _middles(vertices, label), label[faces]
    start = len(faces)
    faces = _proper(vertices, faces, reach)
    empty = start - len(faces)
    faces, doubled = _once(vertices, faces)
    faces, split = _split(vertices, faces, ON_EDGE * reach, reach, everywhere)
    faces, more = _once(vertices, faces)
    used, rows = np.unique(faces, return_inverse=True)
    return Sewn(vertices[used], rows.reshape(-1, 3), reach, empty, doubled + more, joined, split)


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


def loose_ends(faces: IntArray) -> IntArray:
    """The vertices at which a run of sides that no other face shares ends."""
    lone = open_edges(faces)
    corners = np.r_[faces[lone[:, 0], lone[:, 1]], faces[lone[:, 0], (lone[:, 1] + 1) % 3]]
    ends, times = np.unique(corners, return_counts=True)
    return ends[times % 2 == 1]


def rim_edges(faces: IntArray) -> IntArray:
    """(k, 2) rows (face, corner) of the edges with an odd number of faces, one each, that runs it as most of
    them do. They make closed runs, whatever the faces are; a mesh encloses something only where there are
    none."""
    order, starts, sense = edge_runs(faces)
    counts = np.diff(np.r_[starts, len(order)])
    odd = np.repeat(counts % 2 == 1, counts)
    edge = np.repeat(np.arange(len(starts)), counts)
    most = np.sign(np.bincount(edge, sense[order], len(starts)))[edge]
    fit = np.flatnonzero(odd & (sense[order] == most))
    first = order[fit[np.unique(edge[fit], return_index=True)[1]]]
    return np.column_stack(np.divmod(np.sort(first), 3))


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
    near = tree(vertices[rim]).sparse_distance_matrix(
        tree(vertices), max(most, least), output_type="coo_matrix"
    )
    pairs, apart = np.column_stack([rim[near.row], near.col]), near.data
    tried: list[tuple[int, IntArray, float]] = []
    reach, whole = least, 0
    while True:
        label = connected(len(vertices), pairs[apart <= reach]).astype(np.int64)
        proper = proper_rows(label[faces])
        # a face that is no more one hides its open sides, and closes nothing
        whole = max(whole, len(proper))
        tried.append((len(open_edges(proper)) + whole - len(proper), label, reach))
        if reach >= most or tried[-1][0] == 0:
            break
        reach = min(reach * REACH_STEP, most)
    few = min(count for count, *_ in tried) + WORTH * 1.5 * len(faces)
    return next((label, reach) for count, label, reach in tried if count <= few)


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


def proper_rows(faces: IntArray) -> IntArray:
    """Faces with three different corners."""
    return faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]


def _proper(vertices: Array, faces: IntArray, reach: float) -> IntArray:
    """Faces with three different corners and a height above the reach."""
    tick()
    faces = proper_rows(faces)
    corners = vertices[faces]
    sides = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)
    twice = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    return faces[twice > reach * sides.max(axis=1, initial=0.0)]


def once(faces: IntArray) -> IntArray:
    """Of faces on the same three corners, whichever way round, the first."""
    tick()
    return faces[np.sort(np.unique(np.sort(faces, axis=1), axis=0, return_index=True)[1])]


def _once(vertices: Array, faces: IntArray) -> tuple[IntArray, int]:
    """Of faces on the same three corners, whichever way round, the first; and how many more there were.

    Two stay where a run of them so closes more than it leaves open: there two shells lie on each other.
    """
    _, first, times = np.unique(np.sort(faces, axis=1), axis=0, return_index=True, return_counts=True)
    order = np.argsort(first)
    first, times = first[order], times[order]
    once, twice = faces[first], np.flatnonzero(times > 1)
    if not len(twice):
        return once, 0
    sides, starts, _ = edge_runs(once)
    counts = np.diff(np.r_[starts, len(sides)])
    edge = np.empty(len(sides), dtype=np.int64)
    edge[sides] = np.repeat(np.arange(len(starts)), counts)
    length = np.linalg.norm(vertices[once] - vertices[np.roll(once, -1, axis=1)], axis=2).reshape(-1)
    gain = np.where(counts % 2 == 1, length[sides[starts]], -length[sides[starts]])
    gain[counts == 1] = 0.0  # closed by the face and itself: a flap
    own = edge.reshape(-1, 3)[twice]
    run = connected(
        len(twice) + len(starts),
        np.column_stack([np.repeat(np.arange(len(twice)), 3), len(twice) + own.reshape(-1)]),
    )[: len(twice)]
    touched, times = np.unique(
        np.column_stack([np.repeat(run, 3), own.reshape(-1)]), axis=0, return_counts=True
    )
    odd = times % 2 == 1
    whole = np.bincount(touched[odd, 0], gain[touched[odd, 1]], int(run.max()) + 1)
    more = twice[whole[run] > 0]
    return np.concatenate([once, once[more]]), len(faces) - len(first) - len(more)


def _split(
    vertices: Array, faces: IntArray, near: float, reach: float, everywhere: bool
) -> tuple[IntArray, int]:
    """Faces with every vertex that lies on a side worked into the face, where other open sides run along it;
    and how many sides were split."""
    total, settled = 0, [faces[:0]]
    for _ in range(MAX_ROUNDS):
        found = _on_sides(vertices, faces, near, np.concatenate([*settled, faces]) if everywhere else None)
        if found is None:
            break
        side, vertex = found
        total += len(np.unique(side))
        whole = len(faces) - len(np.unique(side // 3))
        faces, _ = _fanned(faces, side, vertex)
        if everywhere:  # on what has no corner on it now none will lie later
            settled.append(faces[:whole])
            faces = faces[whole:]
        faces = _proper(vertices, faces, min(reach, near))
    return np.concatenate([*settled, faces]), total


def _on_sides(
    vertices: Array, faces: IntArray, near: float, every: IntArray | None
) -> tuple[IntArray, IntArray] | None:
    """Sides (3 face + corner) and the vertices on them, along each side; one side of each face. Looked at are
    open sides and their corners, or else all sides and the corners of ``every`` face."""
    lone = rim_edges(faces)
    ends = np.column_stack([faces[lone[:, 0], lone[:, 1]], faces[lone[:, 0], (lone[:, 1] + 1) % 3]])
    if every is not None:
        candidates, side = np.unique(every), np.arange(faces.size)
    else:
        candidates, side = np.unique(ends), 3 * lone[:, 0] + lone[:, 1]
    if not len(side):
        return None
    start, end = faces.reshape(-1)[side], np.roll(faces, -1, axis=1).reshape(-1)[side]
    of, vertex, share = _beside(vertices, start, end, candidates, near)
    if every is None:
        kept = _run_along(vertices, start, end, of, vertex, share, ends, near)
        of, vertex, share = of[kept], vertex[kept], share[kept]
    if not len(of):
        return None
    rows = np.unique(of)
    kept = np.isin(of, rows[np.unique(side[rows] // 3, return_index=True)[1]])
    of, vertex, share = of[kept], vertex[kept], share[kept]
    order = np.lexsort((share, of))
    return side[of[order]], vertex[order]


def _beside(
    vertices: Array, start: IntArray, end: IntArray, candidates: IntArray, near: float
) -> tuple[IntArray, IntArray, Array]:
    """Sides and the vertices within them, in order, and how far along."""
    found = [(np.zeros(0, dtype=np.int64),) * 2]
    margin = near / np.maximum(np.linalg.norm(vertices[end] - vertices[start], axis=1), 1e-300)
    for of, vertex in ticking(_about_sides(vertices, start, end, candidates, near)):
        share, across = _placed(vertices, start[of], end[of], vertex)
        own = (vertex == start[of]) | (vertex == end[of])
        inside = (across <= near) & (share > margin[of]) & (share < 1 - margin[of]) & ~own
        found.append((of[inside], vertex[inside]))
    of, vertex = (np.concatenate(each) for each in zip(*found, strict=True))
    of, vertex = np.unique(np.column_stack([of, vertex]), axis=0).T
    return of, vertex, _placed(vertices, start[of], end[of], vertex)[0]


def _about_sides(
    vertices: Array, start: IntArray, end: IntArray, candidates: IntArray, near: float
) -> Iterator[tuple[IntArray, IntArray]]:
    """Sides and vertices about them, those on them among these. Each side is looked along in lengths, and a
    length halved where the ball about it holds many: long sides among many corners would meet them all."""
    known = tree(vertices[candidates])
    real = np.flatnonzero((vertices[start] != vertices[end]).any(axis=1))
    of, low, high = real, np.zeros(len(real)), np.ones(len(real))
    while len(of):
        along = vertices[end[of]] - vertices[start[of]]
        middle = vertices[start[of]] + ((low + high) / 2)[:, None] * along
        half = (high - low) / 2 * np.linalg.norm(along, axis=1) + near
        many = np.zeros(len(of), dtype=bool)
        for rows in _blocks(np.arange(len(of))):
            off, row = known.query(middle[rows], k=FEW + 1)
            about = off <= half[rows, None]
            many[rows] = about[:, -1]
            side, which = np.nonzero(about & ~about[:, -1:])
            yield of[rows[side]], candidates[row[side, which]]
        crowded = np.flatnonzero(many & (half <= 2 * near))  # not to be told apart by halving
        balls = known.query_ball_point(middle[crowded], half[crowded])
        size = np.array([len(ball) for ball in balls], dtype=np.int64)
        yield np.repeat(of[crowded], size), candidates[np.fromiter(chain.from_iterable(balls), np.int64)]
        many[crowded] = False
        of, low, high = of[many], low[many], high[many]
        of, low, high = np.tile(of, 2), np.r_[low, (low + high) / 2], np.r_[(low + high) / 2, high]


def _blocks(rows: IntArray) -> list[IntArray]:
    return np.array_split(rows, 1 + len(rows) // AT_ONCE)


def _placed(vertices: Array, start: IntArray, end: IntArray, vertex: IntArray) -> tuple[Array, Array]:
    """How far along lines vertices lie, as a share of each, and how far off them."""
    along, offset = vertices[end] - vertices[start], vertices[vertex] - vertices[start]
    share = np.einsum("ij,ij->i", offset, along) / np.einsum("ij,ij->i", along, along)
    return share, np.linalg.norm(offset - share[:, None] * along, axis=1)


def _run_along(
    vertices: Array,
    start: IntArray,
    end: IntArray,
    of: IntArray,
    vertex: IntArray,
    share: Array,
    rims: IntArray,
    near: float,
) -> np.ndarray:
    """Which vertices on sides end open sides that run along them, over at least half of the side: what else
    has a corner there only touches."""
    both = np.concatenate([rims, rims[:, ::-1]])
    both = both[np.argsort(both[:, 0], kind="stable")]
    first, last = (np.searchsorted(both[:, 0], vertex, where) for where in ("left", "right"))
    at = np.repeat(np.arange(len(of)), last - first)
    other = both[
        np.arange(len(at)) + np.repeat(first - np.cumsum(last - first) + (last - first), last - first), 1
    ]
    there, across = _placed(vertices, start[of[at]], end[of[at]], other)
    low, high = np.minimum(share[at], there).clip(0, 1), np.maximum(share[at], there).clip(0, 1)
    along = (across <= near) & (high > low)
    # a piece within the side is met from both its ends
    weight = np.where((there > 0) & (there < 1) & np.isin(other, vertex), 0.5, 1.0)
    covered = np.bincount(of[at[along]], (weight * (high - low))[along], len(start))
    kept = np.zeros(len(of), dtype=bool)
    kept[at[along]] = True
    return kept & (covered[of] >= COVERED_SHARE)


def split_sides(vertices: Array, faces: IntArray) -> tuple[IntArray, IntArray]:
    """The faces with open sides split where corners lie on them, and the row that each came from."""
    near = ON_EDGE * LEAST_REACH * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    owner = np.arange(len(faces))
    for _ in range(MAX_ROUNDS):
        found = _on_sides(vertices, faces, near, None)
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
