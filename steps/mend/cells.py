"""Which side of each face is material: the space about a sewn mesh falls into cells.

Round an edge the sides of neighbouring faces look into one cell; at an open edge a face's two sides do. So
cells follow from which faces meet where, and not from which way round they run. The cell round about is the
one of negative volume; of the others each is material unless most of its faces say that it is a hollow. What
parts material from void is kept, turned outwards, and it is closed: it is all of the surface of some cells.

Source: the cells of Zhou, Grinspun, Zorin and Jacobson, "Mesh arrangements for solid geometry", ACM
Transactions on Graphics 35 (2016).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from renderer.topology import connected
from steps.mend.soup import edge_runs
from steps.model import Array, IntArray
from steps.progress import tick

#: A cell is a hollow when faces of more than this share of its area, net, look into it: the sides of shells
#: pushed into each other look into material too, but seldom most of them.
HOLLOW_SHARE = 0.5


@dataclass(frozen=True, eq=False)
class MeshPiece:
    """One piece of a mesh that edges join. ``faces`` (k, 3) part its material from void, outwards; ``rows``
    (k,) are the rows they had, ``all_rows`` those of the whole piece."""

    faces: IntArray
    rows: IntArray
    all_rows: IntArray
    turned: int  #: faces kept that ran the other way round
    within: int  #: faces that had material on both sides
    astray: int  #: faces that had void on both sides
    inside_out: bool  #: most of its faces looked inwards


def pieces_of(vertices: Array, faces: IntArray) -> list[MeshPiece]:
    """The pieces of a closed mesh, in order of their first face, each with the surface of what it
    encloses."""
    piece = _pieces(faces)
    cell = _cells(vertices, faces, piece)  # (2, m): before and behind each face
    volume = _volumes(vertices, faces, cell)
    material, inside_out = _material(vertices, faces, cell, volume, piece)
    front, back = material[cell[0]], material[cell[1]]
    order = np.argsort(piece, kind="stable")
    found = []
    for rows in np.split(order, np.flatnonzero(np.diff(piece[order])) + 1):
        kept = rows[front[rows] != back[rows]]
        turned = front[kept]
        out = np.where(turned[:, None], faces[kept][:, ::-1], faces[kept])
        within = int((front[rows] & back[rows]).sum())
        astray = len(rows) - len(kept) - within
        found.append(
            MeshPiece(out, kept, rows, int(turned.sum()), within, astray, bool(inside_out[piece[rows[0]]]))
        )
    return sorted(found, key=lambda each: each.all_rows[0])


def _pieces(faces: IntArray) -> IntArray:
    """(m,) label of each face's piece.

    Faces that meet at an edge where no third one does are of one piece. What so hangs together and closes by
    itself is a piece, whatever else meets its edges; all else that meets at an edge is one piece.
    """
    order, starts, _ = edge_runs(faces)
    owner = order // 3
    edge = np.cumsum(np.isin(np.arange(len(order)), starts)) - 1
    counts = np.diff(np.r_[starts, len(order)])
    plain = starts[counts == 2]
    patch = connected(len(faces), np.column_stack([owner[plain], owner[plain + 1]])).astype(np.int64)
    _, rows, times = np.unique(
        edge * (patch.max() + 1) + patch[owner], return_inverse=True, return_counts=True
    )
    lone = patch[owner[times[rows.reshape(-1)] == 1]]  # patches with an edge that only others close
    open_ = np.zeros(int(patch.max()) + 1, dtype=bool)
    open_[lone] = True
    rows = np.flatnonzero(open_[patch[owner]])
    same = rows[1:][edge[rows[1:]] == edge[rows[:-1]]]
    before = rows[:-1][edge[rows[1:]] == edge[rows[:-1]]]
    links = [np.column_stack([owner[plain], owner[plain + 1]]), np.column_stack([owner[before], owner[same]])]
    return connected(len(faces), np.concatenate(links)).astype(np.int64)


def _cells(vertices: Array, faces: IntArray, piece: IntArray) -> IntArray:
    """(2, m) cell that the front and the back of each face looks into."""
    m = len(faces)
    order, starts, sense = edge_runs(faces)
    edge = np.cumsum(np.isin(np.arange(len(order)), starts)) - 1
    own = np.lexsort((order, piece[order // 3], edge))  # the faces of each piece at each edge together
    order, edge = order[own], edge[own]
    at = piece[order // 3]
    starts = np.flatnonzero(np.r_[True, (edge[1:] != edge[:-1]) | (at[1:] != at[:-1])])
    counts = np.diff(np.r_[starts, len(order)])
    links = []
    one = order[starts[counts == 1]] // 3
    links.append(np.column_stack([one, one + m]))
    first, second = order[starts[counts == 2]], order[starts[counts == 2] + 1]
    along = sense[first] == sense[second]  # both run the edge the same way: they contradict each other
    f, g = first // 3, second // 3
    links.append(np.column_stack([f, np.where(along, g + m, g)]))
    links.append(np.column_stack([f + m, np.where(along, g, g + m)]))
    many = np.flatnonzero(counts > 2)
    if len(many):
        links.append(round_edges(vertices, faces, order, starts, counts, sense, many)[0])
    tick()
    label = connected(2 * m, np.concatenate(links))
    return label.reshape(2, m).astype(np.int64)


def round_edges(
    vertices: Array,
    faces: IntArray,
    order: IntArray,
    starts: IntArray,
    counts: IntArray,
    sense: IntArray,
    many: IntArray,
) -> tuple[IntArray, Array]:
    """Links between the sides (the back of face f is f + m) that face each other round some edges, and the
    edges' lengths."""
    at = np.concatenate([np.arange(starts[row], starts[row] + counts[row]) for row in many])
    edge = np.repeat(np.arange(len(many)), counts[many])
    side = order[at]
    face, corner = np.divmod(side, 3)
    low = np.minimum(faces[face, corner], faces[face, (corner + 1) % 3])
    high = np.maximum(faces[face, corner], faces[face, (corner + 1) % 3])
    along = vertices[high] - vertices[low]
    length = np.linalg.norm(along, axis=1)
    along /= np.where(length > 0, length, 1.0)[:, None]  # corners that a file has twice
    apex = vertices[faces[face, (corner + 2) % 3]] - vertices[low]
    apex -= np.einsum("ij,ij->i", apex, along)[:, None] * along
    lead = apex[np.searchsorted(edge, np.arange(len(many)))][edge]
    angle = np.arctan2(
        np.einsum("ij,ij->i", along, np.cross(lead, apex)), np.einsum("ij,ij->i", lead, apex)
    ) % (2 * np.pi)
    turn = np.lexsort((face, np.round(angle, 9), edge))
    edge, face, length, up = edge[turn], face[turn], length[turn], sense[side[turn]] > 0
    m = len(faces)
    ahead = np.where(up, face, face + m)  # the side towards greater angles
    behind = np.where(up, face + m, face)
    last = np.r_[edge[1:] != edge[:-1], True]
    begin = np.searchsorted(edge, edge)
    following = np.where(last, begin, np.arange(len(edge)) + 1)
    return np.column_stack([ahead, behind[following]]), length


def _volumes(vertices: Array, faces: IntArray, cell: IntArray) -> Array:
    """Six times the volume of each cell; negative for the cells round about a piece."""
    middle = vertices.mean(axis=0)
    a, b, c = (vertices[faces[:, k]] - middle for k in range(3))
    six = np.einsum("ij,ij->i", a, np.cross(b, c))
    count = int(cell.max()) + 1
    ahead, behind = (np.bincount(side, six, count).astype(np.float64) for side in cell)
    return behind - ahead


def _material(
    vertices: Array, faces: IntArray, cell: IntArray, volume: Array, piece: IntArray
) -> tuple[np.ndarray, np.ndarray]:
    """(cells,) whether each is material, and (pieces,) whether each lay inside out."""
    count = len(volume)
    area = np.linalg.norm(
        np.cross(
            vertices[faces[:, 1]] - vertices[faces[:, 0]], vertices[faces[:, 2]] - vertices[faces[:, 0]]
        ),
        axis=1,
    )
    apart = np.where(cell[0] == cell[1], 0.0, area)
    vote = np.bincount(cell[1], apart, count) - np.bincount(cell[0], apart, count)
    of = np.zeros(count, dtype=np.int64)
    of[cell[0]], of[cell[1]] = piece, piece
    order = np.lexsort((volume, of))
    around = order[np.r_[True, of[order[1:]] != of[order[:-1]]]]  # of each piece the least volume
    inside_out = np.zeros(int(piece.max()) + 1, dtype=bool)
    inside_out[of[around]] = vote[around] > 0
    vote = np.where(inside_out[of], -vote, vote)
    whole = np.bincount(cell[1], apart, count) + np.bincount(cell[0], apart, count)
    material = vote >= -HOLLOW_SHARE * whole
    material[around] = False
    return material, inside_out
