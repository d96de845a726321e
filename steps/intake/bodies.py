"""Splits a triangle soup into the solid bodies it holds, also where they share faces, edges or vertices.

Where more than two faces meet at an edge, the faces are sorted round it and each wedge of material
is closed by the next face: the two sides of a wedge belong to one body. Faces that lie on each
other (two blocks sharing a face) sort so that each wedge closes before the next one opens.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from steps.intake.meshes import WELD_SHARE, components, is_closed, welded
from steps.model import Array, IntArray

#: Faces within this angle round an edge lie on each other, radians (float32 corners wobble by 1e-5).
SAME_ANGLE = 1e-4

Body = tuple[Array, IntArray]


def split_bodies(vertices: Array, faces: IntArray) -> tuple[list[Body], Mapping[int, int]]:
    """Bodies in order of their first face, and for each doubtful body how many edges were not split.

    ``vertices`` (n, 3) with corners at one place merged, ``faces`` (m, 3). A sealed hollow stays
    with the body round it.
    """
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    if not len(faces):
        return [(vertices, faces)], {}
    if not is_closed(faces):
        faces = welded(vertices, faces, WELD_SHARE)
    pairs, doubtful = _side_by_side(vertices, faces)
    label, torn = _open_sheets_joined(faces, components(len(faces), pairs))
    doubtful = np.r_[doubtful, torn]
    label = _hollows_joined(vertices, faces, label)
    order = {int(old): new for new, old in enumerate(dict.fromkeys(label.tolist()))}
    label = np.array([order[int(old)] for old in label])
    doubts: dict[int, int] = {}
    for face in doubtful:
        doubts[int(label[face])] = doubts.get(int(label[face]), 0) + 1
    return [_extract(vertices, faces[label == body]) for body in range(len(order))], doubts


def _extract(vertices: Array, faces: IntArray) -> Body:
    used, renumbered = np.unique(faces, return_inverse=True)
    return vertices[used], renumbered.reshape(-1, 3)


def _edges(faces: IntArray) -> tuple[IntArray, IntArray, IntArray]:
    """Undirected edges (3m, 2), the face of each, and +1 where the face runs it upward, else -1."""
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    sense = np.where(directed[:, 0] < directed[:, 1], 1, -1)
    return np.sort(directed, axis=1), np.repeat(np.arange(len(faces)), 3), sense


def _side_by_side(vertices: Array, faces: IntArray) -> tuple[IntArray, IntArray]:
    """Pairs of faces that bound the same material at an edge, and faces at edges that cannot be told."""
    edges, owner, sense = _edges(faces)
    order = np.lexsort((owner, edges[:, 1], edges[:, 0]))
    edges, owner, sense = edges[order], owner[order], sense[order]
    starts = np.flatnonzero(np.r_[True, (np.diff(edges, axis=0) != 0).any(axis=1)])
    counts = np.diff(np.r_[starts, len(edges)])
    plain = starts[counts == 2]
    pairs = [np.column_stack([owner[plain], owner[plain + 1]])]
    doubtful: list[int] = []
    for start, count in zip(starts[counts > 2], counts[counts > 2], strict=True):
        span = slice(start, start + count)
        wedge = _wedges(vertices, faces, edges[start], owner[span], sense[span])
        if wedge is None:
            doubtful.append(int(owner[start]))
            wedge = np.column_stack([owner[span][:-1], owner[span][1:]])
        pairs.append(wedge)
    return np.concatenate(pairs), np.array(doubtful, dtype=np.int64)


def _wedges(
    vertices: Array, faces: IntArray, edge: IntArray, owner: IntArray, sense: IntArray
) -> IntArray | None:
    """Faces paired round one edge; None when openings and closings of material do not alternate."""
    if sense.sum() != 0:
        return None
    start, along = vertices[edge[0]], vertices[edge[1]] - vertices[edge[0]]
    along = along / np.linalg.norm(along)
    apex = vertices[faces[owner].sum(axis=1) - edge.sum()] - start
    apex = apex - np.outer(apex @ along, along)
    if np.linalg.norm(apex, axis=1).min() <= 1e-9 * np.abs(start).max(initial=1e-30):
        return None  # a needle: its side cannot be told
    across = apex[0] / np.linalg.norm(apex[0])
    angle = np.arctan2(apex @ np.cross(along, across), apex @ across) % (2 * np.pi)
    angle[angle > 2 * np.pi - SAME_ANGLE] = 0.0
    turn = np.argsort(angle, kind="stable")
    group = np.empty(len(angle), dtype=np.int64)
    group[turn] = np.cumsum(np.r_[0, np.diff(angle[turn]) > SAME_ANGLE])
    # seen along the edge, a face that runs it upward has its material clockwise of it: it closes
    closes = sense > 0
    rank = np.lexsort((~closes, group))
    first_open = int(np.argmin(closes[rank]))
    rank = np.roll(rank, -first_open)
    opening, closing = rank[0::2], rank[1::2]
    if closes[opening].any() or not closes[closing].all():
        return None
    return np.column_stack([owner[opening], owner[closing]])


def _open_sheets_joined(faces: IntArray, label: IntArray) -> tuple[IntArray, IntArray]:
    """Sheets with open edges that meet at a corner are pieces of one torn skin; also one face per tear."""
    edges, owner, _ = _edges(faces)
    _, first, counts = np.unique(edges, axis=0, return_index=True, return_counts=True)
    loose = first[counts == 1]
    sheet_of, corner = np.repeat(label[owner[loose]], 2), edges[loose].reshape(-1)
    nodes = int(label.max()) + 1
    links = np.column_stack([sheet_of, nodes + np.unique(corner, return_inverse=True)[1].reshape(-1)])
    joined = components(nodes + len(np.unique(corner)), links)[:nodes]
    merged = (
        np.bincount(joined[np.unique(sheet_of)], minlength=nodes) > 1 if len(loose) else np.zeros(nodes, bool)
    )
    torn = owner[loose][merged[joined[label[owner[loose]]]]]
    return joined[label], torn


def _hollows_joined(vertices: Array, faces: IntArray, label: IntArray) -> IntArray:
    """Shells that are inside out lie round a hollow: each joins the smallest body whose box holds it."""
    corners = vertices[faces]
    volume = np.bincount(label, np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])))
    inside_out = np.flatnonzero(volume < 0)
    if not len(inside_out) or len(inside_out) == len(volume):
        return label
    low = np.full((len(volume), 3), np.inf)
    high = np.full((len(volume), 3), -np.inf)
    np.minimum.at(low, label, corners.min(axis=1))
    np.maximum.at(high, label, corners.max(axis=1))
    label = label.copy()
    for hollow in inside_out:
        holds = (low < low[hollow]).all(axis=1) & (high > high[hollow]).all(axis=1) & (volume > 0)
        if holds.any():
            hosts = np.flatnonzero(holds)
            label[label == hollow] = hosts[np.argmin(volume[hosts])]
    return label
