"""Cut the level faces of a mesh into triangles anew after some of their corners have moved."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import shapely
import trimesh
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from steps.model import Array, IntArray

#: Neighbouring faces whose normals differ by less lie in one plane (radians).
SAME_PLANE = 1e-4
#: Faces with less area than this have no normal to speak of (mm2).
NO_AREA_MM2 = 1e-9


def replaned(before: Array, after: Array, faces: IntArray) -> IntArray | None:
    """Faces for the vertices ``after``, equal to ``faces`` except in planes where a face folded.

    The corners of such a plane must have moved within it. None when its outline crosses itself.
    """
    old, new = _normals(before, faces), _normals(after, faces)
    solid = np.linalg.norm(old, axis=1) > 2 * NO_AREA_MM2
    folded = ((old * new).sum(axis=1) <= 0) & solid
    if not folded.any():
        return faces
    planes = _planes(before, faces)
    again = np.unique(planes[folded])
    kept = [faces[~np.isin(planes, again)]]
    for plane in again:
        rows = np.flatnonzero(planes == plane)
        normal = old[rows].sum(axis=0)
        cut = _cut(after, faces[rows], normal / np.linalg.norm(normal))
        if cut is None:
            return None
        kept.append(cut)
    return np.concatenate(kept)


def _normals(vertices: Array, faces: IntArray) -> Array:
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    return np.asarray(np.cross(b - a, c - a))


def _planes(vertices: Array, faces: IntArray) -> IntArray:
    """(m,) the same number for connected faces in one plane."""
    mesh = trimesh.Trimesh(vertices, faces, process=False)
    pairs = mesh.face_adjacency[mesh.face_adjacency_angles < SAME_PLANE]
    count = len(faces)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1], dtype=np.int64)


def _cut(vertices: Array, faces: IntArray, normal: Array) -> IntArray | None:
    """New triangles for the region that ``faces`` cover; its outline keeps its vertices."""
    loops = _loops(faces)
    if loops is None:
        return None
    first = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    first /= np.linalg.norm(first)
    flat = vertices @ np.column_stack([first, np.cross(normal, first)])
    rings = [flat[loop] for loop in loops]
    if not _simple(rings):
        return None
    triangles = m3.triangulate(rings)
    return np.concatenate(loops)[np.asarray(triangles, dtype=np.int64)]


def _loops(faces: IntArray) -> list[IntArray] | None:
    """Boundary of a region as closed runs of vertices; None where runs meet in a vertex."""
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    inner = {(int(b), int(a)) for a, b in edges}
    after = {int(a): int(b) for a, b in edges if (int(a), int(b)) not in inner}
    if len(after) != sum((int(a), int(b)) not in inner for a, b in edges):
        return None
    loops: list[IntArray] = []
    while after:
        start = min(after)
        run = [start]
        while (following := after.pop(run[-1])) != start:
            run.append(following)
        loops.append(np.array(run))
    return loops


def _simple(rings: list[Array]) -> bool:
    """Whether the rings are one outline with holes, none crossing another or itself."""
    shells = [shapely.Polygon(ring) for ring in rings]
    if not all(shell.is_valid for shell in shells):
        return False
    outer = max(shells, key=lambda shell: shell.area)
    holes = [shell for shell in shells if shell is not outer]
    return bool(shapely.Polygon(outer.exterior, [hole.exterior for hole in holes]).is_valid)
