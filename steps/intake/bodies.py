"""Splits a triangle soup into the solid bodies it holds, also where they share faces, edges or vertices.

Where more than two faces meet at an edge, the faces are sorted round it and each wedge of material
is closed by the next face: the two sides of a wedge belong to one body. Faces that lie on each
other (two blocks sharing a face) sort so that each wedge closes before the next one opens.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import shapely

from renderer.topology import connected
from steps.mend.sew import mostly_joined, split_sides
from steps.mend.soup import edge_runs, is_closed
from steps.model import Array, IntArray
from steps.progress import ticking

#: Faces within this angle round an edge lie on each other, radians: a hundredth of a coarse facet's turn.
SAME_ANGLE = 1e-4
#: A sheet encloses, but for rounding, less than this share of the cube of its diagonal.
FLAT_VOLUME = 1e-9
#: Rounding of a float32 corner as a share of its coordinate (2^-24, with room for text formats).
FLOAT32_STEP = 1.2e-7

Body = tuple[Array, IntArray]


def split_bodies(vertices: Array, faces: IntArray) -> tuple[list[Body], Mapping[int, int]]:
    """Bodies in order of their first face, and for each doubtful body how many edges were not split.

    ``vertices`` (n, 3) with corners at one place merged, ``faces`` (m, 3). A sealed hollow stays
    with the body round it.
    """
    faces = faces[(faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])]
    if len(faces) < 2:  # nothing to tell apart
        return [(vertices, faces)], {}
    closed = is_closed(faces)
    whole = faces if closed else mostly_joined(vertices, faces)
    faces, owner = (whole, np.arange(len(whole))) if closed else split_sides(vertices, whole)
    label, doubtful = _connected(vertices, faces)
    label, torn = _open_sheets_joined(faces, label)
    doubtful = np.r_[doubtful, torn]
    label = _hollows_joined(vertices, faces, label)
    first = np.unique(owner, return_index=True)[1]  # all pieces of a face are of one body
    doubtful, label, faces = owner[doubtful], label[first], whole
    label = _by_first_face(label)
    doubts: dict[int, int] = {}
    for face in doubtful:
        doubts[int(label[face])] = doubts.get(int(label[face]), 0) + 1
    order = np.argsort(label, kind="stable")
    runs = np.split(order, np.flatnonzero(np.diff(label[order])) + 1)
    return [_extract(vertices, faces[run]) for run in runs], doubts


def _by_first_face(label: IntArray) -> IntArray:
    """The labels renumbered in order of first appearance."""
    _, first, where = np.unique(label, return_index=True, return_inverse=True)
    return np.argsort(np.argsort(first))[where.reshape(-1)]


def _extract(vertices: Array, faces: IntArray) -> Body:
    used, renumbered = np.unique(faces, return_inverse=True)
    return vertices[used], renumbered.reshape(-1, 3)


@dataclass(frozen=True, eq=False)
class _Meeting:
    """An edge where more than two faces meet."""

    edge: IntArray  #: (2,) vertices
    owner: IntArray  #: (k,) faces
    sense: IntArray  #: (k,) +1 where the face runs the edge upward, else -1

    def open_labels(self, label: IntArray) -> IntArray:
        """Labels whose faces at this edge do not close among themselves."""
        named, where = np.unique(label[self.owner], return_inverse=True)
        return named[np.bincount(where.reshape(-1), weights=self.sense) != 0]


def _connected(vertices: Array, faces: IntArray) -> tuple[IntArray, IntArray]:
    """Label of each face's body, and one face for each edge where bodies could not be told apart.

    Edges of two faces speak for themselves. At the others nothing need be decided where each body
    closes by itself; else the faces are paired round the edge; what is still open then is one body.
    """
    pairs, meetings = _two_and_more(faces)
    label = connected(len(faces), pairs)
    undecided = []
    more = [pairs]
    for meeting in meetings:
        if not len(meeting.open_labels(label)):
            continue
        wedges = _wedges(vertices, faces, meeting)
        if wedges is None:
            undecided.append(meeting)
        else:
            more.append(wedges)
    label = connected(len(faces), np.concatenate(more))
    doubtful = [meeting for meeting in undecided if len(meeting.open_labels(label)) > 1]
    for meeting in doubtful:
        open_ = np.isin(label[meeting.owner], meeting.open_labels(label))
        more.append(np.column_stack([meeting.owner[open_][:-1], meeting.owner[open_][1:]]))
    label = connected(len(faces), np.concatenate(more))
    return label, np.array([meeting.owner[0] for meeting in doubtful], dtype=np.int64)


def _two_and_more(faces: IntArray) -> tuple[IntArray, list[_Meeting]]:
    """Pairs of faces that share an edge with no other, and the edges where more meet."""
    order, starts, sense = edge_runs(faces)
    counts = np.diff(np.r_[starts, len(order)])
    plain = starts[counts == 2]
    meetings = []
    for start, count in zip(starts[counts > 2], counts[counts > 2], strict=True):
        sides = order[start : start + count]
        face, corner = divmod(int(sides[0]), 3)
        edge = np.sort(faces[face, [corner, (corner + 1) % 3]])
        meetings.append(_Meeting(edge, sides // 3, sense[sides]))
    return np.column_stack([order[plain] // 3, order[plain + 1] // 3]), meetings


def _wedges(vertices: Array, faces: IntArray, meeting: _Meeting) -> IntArray | None:
    """Faces paired round one edge; None when openings and closings of material do not alternate."""
    if meeting.sense.sum() != 0:
        return None
    group = _order_round(vertices, faces, meeting)
    if group is None:
        return None
    # seen along the edge, a face that runs it upward has its material clockwise of it: it closes
    closes = meeting.sense > 0
    rank = np.lexsort((~closes, group))
    rank = np.roll(rank, -int(np.argmin(closes[rank])))  # begin with one that opens
    opening, closing = rank[0::2], rank[1::2]
    if closes[opening].any() or not closes[closing].all():
        return None
    return np.column_stack([meeting.owner[opening], meeting.owner[closing]])


def _order_round(vertices: Array, faces: IntArray, meeting: _Meeting) -> IntArray | None:
    """Place of each face round the edge; faces that lie on each other share one. None for needles."""
    start, along = vertices[meeting.edge[0]], vertices[meeting.edge[1]] - vertices[meeting.edge[0]]
    along = along / np.linalg.norm(along)
    apex = vertices[faces[meeting.owner].sum(axis=1) - meeting.edge.sum()] - start
    apex = apex - np.outer(apex @ along, along)
    low = float(np.linalg.norm(apex, axis=1).min())
    blur = FLOAT32_STEP * float(np.abs(vertices[meeting.edge]).max())
    if low <= 8 * blur:
        return None  # its side cannot be told
    same = max(SAME_ANGLE, 4 * blur / low)
    across = apex[0] / np.linalg.norm(apex[0])
    angle = np.arctan2(apex @ np.cross(along, across), apex @ across) % (2 * np.pi)
    angle[angle > 2 * np.pi - same] = 0.0
    turn = np.argsort(angle, kind="stable")
    group = np.empty(len(angle), dtype=np.int64)
    group[turn] = np.cumsum(np.r_[0, np.diff(angle[turn]) > same])
    return group


def _open_sheets_joined(faces: IntArray, label: IntArray) -> tuple[IntArray, IntArray]:
    """Sheets with open edges that meet at a corner are pieces of one torn skin; also one face per tear."""
    order, starts, _ = edge_runs(faces)
    sides = order[starts[np.diff(np.r_[starts, len(order)]) == 1]]
    if not len(sides):
        return label, np.empty(0, dtype=np.int64)
    owner, corner = np.divmod(sides, 3)
    ends = np.column_stack([faces[owner, corner], faces[owner, (corner + 1) % 3]])
    named, node = np.unique(ends, return_inverse=True)
    sheets = int(label.max()) + 1
    links = np.column_stack([np.repeat(label[owner], 2), sheets + node.reshape(-1)])
    joined = connected(sheets + len(named), links)[:sheets]
    several = np.bincount(joined[np.unique(label[owner])], minlength=len(joined)) > 1
    return joined[label], owner[several[joined[label[owner]]]]


def _hollows_joined(vertices: Array, faces: IntArray, label: IntArray) -> IntArray:
    """Shells that are inside out lie round a hollow: each joins the smallest body whose box holds it."""
    corners = vertices[faces]
    low = np.full((int(label.max(initial=-1)) + 1, 3), np.inf)
    high = np.full(low.shape, -np.inf)
    np.minimum.at(low, label, corners.min(axis=1))
    np.maximum.at(high, label, corners.max(axis=1))
    sums = np.column_stack([np.bincount(label, corners[:, :, k].mean(axis=1)) for k in range(3)])
    middle = sums / np.bincount(label)[:, None]
    corners = corners - middle[label, None]  # seen from within its plane an open sheet has no volume
    volume = np.bincount(label, np.einsum("ij,ij->i", corners[:, 0], np.cross(corners[:, 1], corners[:, 2])))
    inside_out = np.flatnonzero(volume < -FLAT_VOLUME * np.linalg.norm(high - low, axis=1) ** 3)
    hosts = np.flatnonzero(volume > 0)
    if not len(inside_out) or not len(hosts):
        return label
    known = shapely.STRtree(shapely.box(low[hosts, 0], low[hosts, 1], high[hosts, 0], high[hosts, 1]))
    joined = np.arange(len(volume))
    for hollow in ticking(inside_out.tolist()):
        near = hosts[np.sort(known.query(shapely.Point(*low[hollow, :2])))]
        near = near[((low[near] < low[hollow]) & (high[near] > high[hollow])).all(axis=1)]
        if len(near):
            joined[hollow] = near[np.argmin(volume[near])]
    return joined[label]
