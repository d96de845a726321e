"""Flat faces of a mesh: their outlines, and cutting them into triangles anew when corners have moved."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

import manifold3d as m3
import numpy as np
import shapely

from renderer.topology import connected
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
    import trimesh  # slow to load, and seldom needed

    mesh = trimesh.Trimesh(vertices, faces, process=False)
    pairs = mesh.face_adjacency[mesh.face_adjacency_angles < SAME_PLANE]
    return connected(len(faces), pairs)


def flattened(points: Array, normal: Array) -> Array:
    """(..., 2) coordinates of points (..., 3) across a unit ``normal``, counter-clockwise seen against it."""
    first = np.cross(normal, np.eye(3)[np.abs(normal).argmin()])
    first /= np.linalg.norm(first)
    return np.asarray(points @ np.column_stack([first, np.cross(normal, first)]))


def outlines(faces: IntArray) -> tuple[list[IntArray], bool]:
    """Closed runs of vertices along edges with a face on one side only, in the faces' own direction.

    Runs that meet another, or themselves, in a vertex are left out, for there is more than one way to go
    on there; the second value says whether none was.
    """
    edges = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    known = {(int(a), int(b)) for a, b in edges}
    free = sorted((a, b) for a, b in known if (b, a) not in known)
    leaves = Counter(a for a, _ in free)
    following = {a: b for a, b in free if leaves[a] == 1}
    waiting, found = dict(following), []
    while waiting:
        run = [min(waiting)]
        while (after := waiting.pop(run[-1], None)) not in (None, run[0]):
            run.append(after)
        if following.get(run[-1]) == run[0]:
            found.append(np.array(run))
    return found, sum(map(len, found)) == len(free)


def triangulated(rings: Sequence[Array]) -> IntArray | None:
    """Triangles between the corners of rings (n, 2), one round the others; None where they cross."""
    if not _simple(rings):
        return None
    return np.asarray(m3.triangulate(list(rings)), dtype=np.int64)


def _cut(vertices: Array, faces: IntArray, normal: Array) -> IntArray | None:
    """New triangles for the region that ``faces`` cover; its outline keeps its vertices."""
    loops, whole = outlines(faces)
    if not whole:
        return None
    triangles = triangulated([flattened(vertices[loop], normal) for loop in loops])
    return None if triangles is None else np.concatenate(loops)[triangles]


def _simple(rings: Sequence[Array]) -> bool:
    """Whether the rings are one outline with holes, none crossing another or itself."""
    shells = [shapely.Polygon(ring) for ring in rings]
    if not all(shell.is_valid for shell in shells):
        return False
    outer = max(shells, key=lambda shell: shell.area)
    holes = [shell for shell in shells if shell is not outer]
    return bool(shapely.Polygon(outer.exterior, [hole.exterior for hole in holes]).is_valid)
