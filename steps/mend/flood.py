"""Which side of each face looks out, where edges cannot say it: faces that see each other share a space.

Each side of a face sends rays; where they end links the two sides, by area; those that end nowhere link a
side to what is round about. Sides that meet round an edge are linked by its length. What is round about then
takes of the sides what costs least: a link cut costs its area, a side taken costs a small share of its own,
so that through a crack, or a face that is not there, nothing runs in, and a hollow that opens outwards is
out. Which way round faces run means nothing.

Source: a least cut as in Jacobson, Kavan and Sorkine-Hornung, "Robust inside-outside segmentation using
generalized winding numbers", ACM Transactions on Graphics 32 (2013); links of our own, since winding numbers
need faces that run alike.
"""

from __future__ import annotations

import numpy as np

from steps.mend.cells import round_edges
from steps.mend.rays import Rays
from steps.mend.soup import edge_runs
from steps.model import Array, IntArray

#: A hollow is open where more than this share of what its walls see is the way out: a bore as deep as fifty
#: radii.
OPEN_SHARE = 0.01
#: Rays from each side of a face at least, and from all sides together about.
LEAST_RAYS, ALL_RAYS = 2, 60_000
#: Rays start this share of the diagonal off their face, 0.0005 mm in 50, and at least so many reaches.
OFF_SHARE, OFF_REACHES = 1e-5, 2.0
#: Two faces alone at an edge hang together as if they saw each other through a slit of this share of the
#: diagonal, 0.05 mm in 50: they part only where a cut between them was missed.
HANG_SHARE = 1e-3
#: A lid lets through this share of what meets it: it was guessed, and shuts off only what is large for it.
#: Tried on halves of a plate and on tubes: below 0.03 bridges over bores stay, above 0.05 tubes run out.
LID_SHARE = 0.04
#: Whole capacity of the links: to the search they are whole numbers.
WHOLE = 200_000_000
#: Powers of the root of x^5 = x + 1, for points spread evenly over faces and ways.
_SPREAD = np.array([0.8566748838545029, 0.7338918566271260, 0.6287067210378087, 0.5385972572236101])

Links = tuple[IntArray, IntArray, Array]


def looks_out(vertices: Array, faces: IntArray, reach: float, lid: np.ndarray | None = None) -> np.ndarray:
    """(2, m) whether the front and the back of each face look into what is round about the mesh. ``lid`` (m,)
    says which faces were guessed."""
    rays = Rays(vertices, faces)
    links = [_seen(rays, reach), _hanging(vertices, faces, HANG_SHARE * rays.diagonal)]
    links.append(_round_edges(vertices, faces, reach))
    if lid is not None:
        rows = np.flatnonzero(lid)
        links.append((rows, rows + len(faces), LID_SHARE * rays.areas[rows]))
    one, two, width = (np.concatenate(each) for each in zip(*links, strict=True))
    return _taken(np.tile(rays.areas, 2), one, two, width).reshape(2, -1)


# ---------------------------------------------------------------------------------- rays


def _seen(rays: Rays, reach: float) -> Links:
    """Links between sides (the back of face f is f + m; -1 is round about) by the area that sees the
    other."""
    m = len(rays.faces)
    share = np.tile(rays.areas, 2) / max(2 * float(rays.areas.sum()), 1e-300)
    count = LEAST_RAYS + np.round(ALL_RAYS * share).astype(np.int64)
    of = np.repeat(np.arange(2 * m), count)
    look, face = np.divmod(of, m)
    t = np.arange(1, len(of) + 1)[:, None] * _SPREAD % 1.0
    corners = rays.vertices[rays.faces[face]]
    u, v = np.sqrt(t[:, :1]), t[:, 1:2]
    spots = (1 - u) * corners[:, 0] + u * (1 - v) * corners[:, 1] + u * v * corners[:, 2]
    normal = np.where(look == 0, 1.0, -1.0)[:, None] * rays.normals[face]
    ways = _about(normal, t[:, 2], t[:, 3])
    met = rays.first(spots + max(OFF_REACHES * reach, OFF_SHARE * rays.diagonal) * normal, ways)
    front = np.einsum("ij,ij->i", rays.normals[met], ways) < 0
    other = np.where(met < 0, -1, np.where(front, met, met + m))
    return of, other, (np.tile(rays.areas, 2) / count)[of]


def _about(normal: Array, one: Array, two: Array) -> Array:
    """Ways about the normals, as a dull surface sends light: by the cosine."""
    helper = np.where(np.abs(normal[:, :1]) < 0.6, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    across = np.cross(normal, helper)
    across /= np.maximum(np.linalg.norm(across, axis=1), 1e-300)[:, None]
    angle = (2 * np.pi * two)[:, None]
    flat = np.cos(angle) * across + np.sin(angle) * np.cross(normal, across)
    return np.sqrt(one)[:, None] * flat + np.sqrt(1 - one)[:, None] * normal


# ---------------------------------------------------------------------------------- edges


def _hanging(vertices: Array, faces: IntArray, width: float) -> Links:
    """Links between the sides of two faces that meet at an edge where no third does."""
    m = len(faces)
    order, starts, sense = edge_runs(faces)
    plain = starts[np.diff(np.r_[starts, len(order)]) == 2]
    first, second = order[plain], order[plain + 1]
    along = sense[first] == sense[second]  # both run the edge the same way: front looks where back does
    f, g = first // 3, second // 3
    ends = np.roll(faces, -1, axis=1).reshape(-1)[first]
    length = np.linalg.norm(vertices[faces.reshape(-1)[first]] - vertices[ends], axis=1)
    one = np.concatenate([f, f + m])
    return (
        one,
        np.concatenate([np.where(along, g + m, g), np.where(along, g, g + m)]),
        width * np.tile(length, 2),
    )


def _round_edges(vertices: Array, faces: IntArray, reach: float) -> Links:
    """Links between sides next to each other round edges of one face, or of three and more, by the area of
    a slit a reach wide."""
    order, starts, sense = edge_runs(faces)
    counts = np.diff(np.r_[starts, len(order)])
    other = np.flatnonzero(counts != 2)
    if not len(other):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64), np.zeros(0)
    links, length = round_edges(vertices, faces, order, starts, counts, sense, other)
    return links[:, 0], links[:, 1], reach * length


# -------------------------------------------------------------------------------- the cut


def _taken(area: Array, one: IntArray, two: IntArray, width: Array) -> np.ndarray:
    """(sides,) whether what is round about takes each."""
    from scipy.sparse import coo_matrix
    from scipy.sparse.csgraph import breadth_first_order, maximum_flow

    about, rest = len(area), len(area) + 1
    two = np.where(two < 0, about, two)
    own = np.arange(len(area))
    start = np.concatenate([one, two, own])
    end = np.concatenate([two, one, np.full(len(area), rest)])
    width = np.concatenate([width / 2, width / 2, OPEN_SHARE * area])
    keep = start != end
    shape = (len(area) + 2, len(area) + 2)
    links = coo_matrix((width[keep], (start[keep], end[keep])), shape=shape).tocsr()
    links.data = np.ceil(links.data * (WHOLE / max(float(links.data.sum()), 1e-300)))
    room = links.astype(np.int32)
    left = room - maximum_flow(room, about, rest).flow
    left.data = np.maximum(left.data, 0)
    left.eliminate_zeros()
    taken = np.zeros(len(area) + 2, dtype=bool)
    taken[breadth_first_order(left, about, return_predecessors=False)] = True
    return taken[: len(area)]
