"""A mesh made fit for measuring: vertices merged, T-junctions split, faces joined over their edges."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from renderer.spatial import tree
from renderer.topology import connected, unique_rows
from steps.model import Array, IntArray
from steps.recent import Recent

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

#: Vertices nearer than this share of the mesh's diagonal are one: above float32 file noise (1e-7),
#: far below any feature (a stud's facet is some 1e-3 of a block's diagonal).
MERGE_SHARE = 2e-6
#: A face flatter than this (height over longest edge) has no usable normal.
SLIVER = 1e-6
#: Normals that differ by less than this (radians) belong to one plane: over float32 noise on small
#: facets, under half the turn between facets of a 128-sided circle (0.049).
PLANE_ANGLE = 0.01
#: Offsets of one plane agree to this share of the mesh's diagonal.
PLANE_SHARE = 2e-5
#: Of so many faces in all what follows from the meshes is kept, of those asked last: some 330 bytes a face.
KEPT_FACES = 1_000_000


@dataclass(frozen=True, eq=False)
class Mesh:
    """Merged vertices (n, 3), faces (m, 3) without slivers, and what follows from them."""

    vertices: Array
    faces: IntArray
    dropped: int = 0  #: degenerate faces left out

    @cached_property
    def bounds(self) -> Array:
        """(2, 3) least and greatest corner."""
        return np.array([self.vertices.min(axis=0), self.vertices.max(axis=0)])

    @cached_property
    def tree(self) -> cKDTree:
        """The vertices, to be asked which are near."""
        _kept.use(self, len(self.faces))
        return tree(self.vertices)

    @cached_property
    def diagonal(self) -> float:
        if not len(self.vertices):
            return 0.0
        return float(np.linalg.norm(np.ptp(self.vertices, axis=0)))

    @cached_property
    def triangles(self) -> Array:
        """(m, 3, 3)."""
        _kept.use(self, len(self.faces))
        return self.vertices[self.faces]

    @cached_property
    def crosses(self) -> Array:
        """(m, 3) normals times twice the area."""
        _kept.use(self, len(self.faces))
        t = self.triangles
        return np.cross(t[:, 1] - t[:, 0], t[:, 2] - t[:, 0])

    @cached_property
    def areas(self) -> Array:
        _kept.use(self, len(self.faces))
        return np.linalg.norm(self.crosses, axis=1) / 2

    @cached_property
    def normals(self) -> Array:
        _kept.use(self, len(self.faces))
        return self.crosses / np.maximum(2 * self.areas, 1e-300)[:, None]

    @cached_property
    def centres(self) -> Array:
        _kept.use(self, len(self.faces))
        return self.triangles.mean(axis=1)

    @cached_property
    def adjacency(self) -> tuple[IntArray, Array, IntArray]:
        """Pairs of faces over an edge (e, 2), signed turn (e,) in radians (convex positive), edge (e, 2)."""
        _kept.use(self, len(self.faces))
        return _adjacency(self)

    @cached_property
    def neighbours(self) -> IntArray:
        """(m, 3) faces across each face's edges, -1 where there is none."""
        _kept.use(self, len(self.faces))
        pairs = self.adjacency[0]
        source, target = pairs.ravel(order="F"), pairs[:, ::-1].ravel(order="F")
        order = np.argsort(source, kind="stable")
        source, target = source[order], target[order]
        place = np.arange(len(source)) - np.searchsorted(source, source)
        found = np.full((len(self.faces), 3), -1, dtype=np.int64)
        found[source, place] = target
        return found

    @cached_property
    def shells(self) -> int:
        """Number of pieces that no edge joins."""
        return int(connected(len(self.faces), self.adjacency[0]).max(initial=-1)) + 1

    @cached_property
    def closed(self) -> bool:
        """Every edge has exactly as many faces on one side as on the other."""
        edges = self.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2).astype(np.int64)
        key = np.minimum(edges[:, 0], edges[:, 1]) * len(self.vertices) + edges.max(axis=1)
        sign = np.where(edges[:, 0] < edges[:, 1], 1, -1)
        _, rows = np.unique(key, return_inverse=True)
        return bool(len(edges)) and not np.any(np.bincount(rows, weights=sign))

    @cached_property
    def planes(self) -> IntArray:
        """(m,) id of the plane that each face lies in; equal ids mean one plane, joined or not."""
        _kept.use(self, len(self.faces))
        return _planes(self)

    def forget(self) -> None:
        """Let go of all arrays that follow from the mesh."""
        for name in FOLLOWING:
            self.__dict__.pop(name, None)


FOLLOWING = (
    "tree",
    "triangles",
    "crosses",
    "areas",
    "normals",
    "centres",
    "adjacency",
    "neighbours",
    "planes",
)


_kept = Recent(KEPT_FACES)


def clean(vertices: Array, faces: IntArray) -> Mesh:
    """Merge, drop slivers, split T-junctions. Never fails; an unusable mesh comes out empty."""
    merged, rows = _merge(np.asarray(vertices, dtype=np.float64))
    mesh, dropped = _without_slivers(merged, rows[faces])
    split = _split_t_junctions(mesh)
    return Mesh(mesh.vertices, split, dropped)


def _merge(vertices: Array) -> tuple[Array, IntArray]:
    if not len(vertices):
        return vertices, np.zeros(0, dtype=np.int64)
    unique, rows = unique_rows(vertices)
    reach = MERGE_SHARE * float(np.linalg.norm(np.ptp(unique, axis=0)))
    close = tree(unique).query_pairs(reach, output_type="ndarray")
    if not len(close):
        return unique, rows
    group = connected(len(unique), close)
    first = np.full(group.max() + 1, len(unique))
    np.minimum.at(first, group, np.arange(len(unique)))
    return unique[first], group[rows]


def _without_slivers(vertices: Array, faces: IntArray) -> tuple[Mesh, int]:
    mesh = Mesh(vertices, faces)
    if not len(faces):
        return mesh, 0
    t = mesh.triangles
    longest = np.linalg.norm(t - np.roll(t, 1, axis=1), axis=2).max(axis=1)
    good = mesh.areas * 2 > SLIVER * longest**2
    return Mesh(vertices, faces[good]), int((~good).sum())


def _edge_table(faces: IntArray, vertex_count: int) -> tuple[IntArray, IntArray, IntArray]:
    """Directed edges (3m, 2), the face of each, and an undirected key of each."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    owner = np.repeat(np.arange(len(faces)), 3)
    key = edges.min(axis=1) * vertex_count + edges.max(axis=1)
    return edges, owner, key


def _adjacency(mesh: Mesh) -> tuple[IntArray, Array, IntArray]:
    edges, owner, key = _edge_table(mesh.faces, len(mesh.vertices))
    order = np.argsort(key, kind="stable")
    _, start, count = np.unique(key[order], return_index=True, return_counts=True)
    first = order[start[count == 2]]
    second = order[start[count == 2] + 1]
    pairs = np.column_stack([owner[first], owner[second]])
    ends = edges[first]
    along = mesh.vertices[ends[:, 1]] - mesh.vertices[ends[:, 0]]
    along /= np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]
    n1, n2 = mesh.normals[pairs[:, 0]], mesh.normals[pairs[:, 1]]
    # The edge runs counter-clockwise round its first face, so a convex turn is positive about it.
    turn = np.arctan2(np.einsum("ij,ij->i", np.cross(n1, n2), along), np.einsum("ij,ij->i", n1, n2))
    return pairs, turn, ends


def _planes(mesh: Mesh) -> IntArray:
    if not len(mesh.faces):
        return np.zeros(0, dtype=np.int64)
    offsets = np.einsum("ij,ij->i", mesh.normals, mesh.centres - mesh.vertices.mean(axis=0))
    scaled = np.column_stack([mesh.normals / PLANE_ANGLE, offsets / (PLANE_SHARE * mesh.diagonal)])
    unique, rows = unique_rows(np.round(scaled, 3))
    close = tree(unique).query_pairs(1.0, output_type="ndarray")
    return connected(len(unique), close)[rows]


def _split_t_junctions(mesh: Mesh) -> IntArray:
    """Faces with every vertex that lies on an open edge worked into the face, so that edges match."""
    faces = mesh.faces
    for _ in range(8):  # a face's three edges, each with a few vertices on it; more is a broken mesh
        found = _vertices_on_open_edges(Mesh(mesh.vertices, faces))
        if found is None:
            break
        owner, corner, vertex = found
        a, b, c = (faces[owner, (corner + k) % 3] for k in range(3))
        keep = np.ones(len(faces), dtype=bool)
        keep[owner] = False
        faces = np.vstack([faces[keep], np.column_stack([a, vertex, c]), np.column_stack([vertex, b, c])])
    return faces


def _vertices_on_open_edges(mesh: Mesh) -> tuple[IntArray, IntArray, IntArray] | None:
    """Faces, corners and the vertex inside the open edge that starts there; one per face."""
    edges, owner, key = _edge_table(mesh.faces, len(mesh.vertices))
    _, rows, count = np.unique(key, return_inverse=True, return_counts=True)
    open_rows = np.flatnonzero(count[rows.ravel()] == 1)
    if not len(open_rows):
        return None
    candidates = np.unique(edges[open_rows])
    start, end = mesh.vertices[edges[open_rows, 0]], mesh.vertices[edges[open_rows, 1]]
    length = np.linalg.norm(end - start, axis=1)
    corners = tree(mesh.vertices[candidates])
    near = corners.query_ball_point((start + end) / 2, length / 2, return_sorted=True)
    edge_of = np.repeat(np.arange(len(open_rows)), [len(n) for n in near])
    if not len(edge_of):
        return None
    vertex = candidates[np.concatenate([np.asarray(n, dtype=np.int64) for n in near])]
    offset = mesh.vertices[vertex] - start[edge_of]
    along = np.einsum("ij,ij->i", offset, (end - start)[edge_of]) / length[edge_of]
    across = np.sqrt(np.maximum(np.einsum("ij,ij->i", offset, offset) - along**2, 0))
    apart = MERGE_SHARE * mesh.diagonal  # two ends that near each other are one
    inside = (across < 4 * apart) & (along > apart) & (along < length[edge_of] - apart)
    hit_edge, hit_vertex = edge_of[inside], vertex[inside]
    faces_hit, first = np.unique(owner[open_rows[hit_edge]], return_index=True)
    if not len(faces_hit):
        return None
    return faces_hit, open_rows[hit_edge[first]] % 3, hit_vertex[first]


def winding(mesh: Mesh, points: Array) -> Array:
    """(k,) generalised winding number of each point: 1 inside, 0 outside, in between for open meshes.

    Source: van Oosterom and Strackee's solid angle of a triangle, IEEE Trans. Biomed. Eng. 30 (1983).
    """
    result = np.empty(len(points))
    for rows in np.array_split(np.arange(len(points)), max(1, len(points) * len(mesh.faces) // 2_000_000)):
        corner = mesh.triangles[None] - points[rows, None, None]
        a, b, c = corner[:, :, 0], corner[:, :, 1], corner[:, :, 2]
        la, lb, lc = (np.linalg.norm(x, axis=2) for x in (a, b, c))
        top = np.einsum("kmi,kmi->km", a, np.cross(b, c))
        bottom = (
            la * lb * lc
            + np.einsum("kmi,kmi->km", a, b) * lc
            + np.einsum("kmi,kmi->km", b, c) * la
            + np.einsum("kmi,kmi->km", c, a) * lb
        )
        result[rows] = np.arctan2(top, bottom).sum(axis=1) / (2 * np.pi)
    return result
