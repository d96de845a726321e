"""Parts that touch at points or lines alone: a wheel on a plate, a board that leans on an edge.

Asked only of parts that would otherwise hang in the air, since it costs more than reading flat faces.
"""

from __future__ import annotations

import fcl
import numpy as np
import shapely

from steps.features.mesh import Mesh
from steps.joints.contact import Contact
from steps.joints.flats import APART_SHARE
from steps.model import Array, IntArray
from steps.remembered import remembered

#: Points kept of a line or patch of touching vertices, the outermost ones.
MAX_POINTS = 8
#: Pairs compared at once.
BLOCK = 400_000
#: Faces that turn by more (radians: 1 degree) meet in an edge; edges within this sine are parallel.
SHARP = float(np.radians(1.0))
PARALLEL = float(np.sin(np.radians(1.0)))


def leaning_contacts(first: Mesh, second: Mesh, pose: Array, unit: float) -> list[Contact]:
    """Where two shapes touch without sharing a flat face, in the first's coordinates, place by place.

    ``pose`` takes the second to the first. The carrier is the first, normals point out of it.
    """
    if not len(first.faces) or not len(second.faces):
        return []
    reach = APART_SHARE * unit
    moved = Mesh(second.vertices @ pose[:3, :3].T + pose[:3, 3], second.faces)
    ours, our_ways = _touching(moved, first, reach)  # the second's vertices on the first's faces
    theirs, their_ways = _touching(first, moved, reach)
    points, ways = np.vstack([ours, theirs]), np.vstack([our_ways, -their_ways])
    if not len(points):
        points, ways = _edges_that_meet(first, moved, reach)
    if not len(points):
        crossing = _nearest_places(first, moved, reach)
        if crossing is None:
            return []
        points, ways = crossing
    return [
        Contact("rest", 0, points[row], ways[row], 0.0, 0.0, 0.0, 0.0, points[[row]], ways[[row]])
        for row in _outermost(points)
    ]


def _touching(points_of: Mesh, faces_of: Mesh, reach: float) -> tuple[Array, Array]:
    """Vertices of one mesh within ``reach`` of the other's faces, and those faces' normals."""
    low, high = faces_of.bounds
    near = np.all((points_of.vertices > low - reach) & (points_of.vertices < high + reach), axis=1)
    vertices = points_of.vertices[near]
    low, high = points_of.bounds
    corners = faces_of.triangles
    close = np.all((corners.min(axis=1) < high + reach) & (corners.max(axis=1) > low - reach), axis=1)
    faces = np.flatnonzero(close)
    if not len(vertices) or not len(faces):
        return np.zeros((0, 3)), np.zeros((0, 3))
    row, face = _near_pairs(vertices[:, None], corners[faces], reach)
    parts = np.array_split(np.arange(len(row)), 1 + len(row) // BLOCK)
    away = np.concatenate([off_triangles(corners[faces[face[some]]], vertices[row[some]]) for some in parts])
    best = np.lexsort((away, row))
    best = best[np.diff(row[best], prepend=-1) > 0]
    best = best[away[best] <= reach]
    return vertices[row[best]], faces_of.normals[faces[face[best]]]


def off_triangles(triangles: Array, points: Array) -> Array:
    """(n,) how far each point (n, 3) is from its triangle (n, 3, 3), mm."""
    along = np.roll(triangles, -1, axis=1) - triangles
    off = points[:, None] - triangles
    length = np.einsum("nij,nij->ni", along, along)
    share = np.clip(np.einsum("nij,nij->ni", off, along) / np.where(length > 0, length, 1.0), 0.0, 1.0)
    aside = np.linalg.norm(off - share[..., None] * along, axis=2).min(axis=1)  # of its sides
    normal = np.cross(along[:, 0], along[:, 1])
    height = np.linalg.norm(normal, axis=1)
    over = np.einsum("nij,nj->ni", np.cross(along, off), normal) >= 0  # within each side, seen from above
    plumb = np.abs(np.einsum("nj,nj->n", off[:, 0], normal)) / np.where(height > 0, height, 1.0)
    return np.where(over.all(axis=1) & (height > 0), plumb, aside)


def _edges_that_meet(first: Mesh, second: Mesh, reach: float) -> tuple[Array, Array]:
    """Where sharp edges of two meshes cross within ``reach``, and the ways across both, out of the first."""
    ends, out = _sharp_edges(first, second.bounds, reach)
    others, _ = _sharp_edges(second, first.bounds, reach)
    one, two = _near_pairs(ends, others, reach)
    points, ways = [np.zeros((0, 3))], [np.zeros((0, 3))]
    for rows in np.array_split(np.arange(len(one)), max(1, len(one) // BLOCK)):
        a, b = ends[one[rows]], others[two[rows]]
        along, beside, off = a[:, 1] - a[:, 0], b[:, 1] - b[:, 0], b[:, 0] - a[:, 0]
        across = np.cross(along, beside)
        size = np.einsum("nj,nj->n", across, across)
        real = size > PARALLEL**2 * (along**2).sum(axis=1) * (beside**2).sum(axis=1)
        size = np.where(real, size, 1.0)
        share = np.einsum("nj,nj->n", np.cross(off, beside), across) / size
        its = np.einsum("nj,nj->n", np.cross(off, along), across) / size
        apart = np.abs(np.einsum("nj,nj->n", off, across)) / np.sqrt(size)
        met = real & (apart <= reach) & (np.abs(share - 0.5) <= 0.5) & (np.abs(its - 0.5) <= 0.5)
        way = across[met] / np.sqrt(size[met, None])
        sign = np.sign(np.einsum("nj,nj->n", way, out[one[rows[met]]]))
        points.append(a[met, 0] + share[met, None] * along[met])
        ways.append(np.where(sign < 0, -1.0, 1.0)[:, None] * way)
    return np.vstack(points), np.vstack(ways)


def _near_pairs(ends: Array, others: Array, reach: float) -> tuple[IntArray, IntArray]:
    """Rows of points, edges or faces (n, k, 3) and of others (m, l, 3) whose boxes come within ``reach``, in
    order: of finely faceted meshes each with each would be more than memory holds."""
    low, high = ends.min(axis=1) - reach, ends.max(axis=1) + reach
    least, most = others.min(axis=1), others.max(axis=1)
    if not len(ends) or not len(others):
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    depth, x, y = np.argsort((most.max(axis=0) - least.min(axis=0)).round(9), kind="stable").tolist()
    known = shapely.STRtree(shapely.box(least[:, x], least[:, y], most[:, x], most[:, y]))
    one, two = known.query(shapely.box(low[:, x], low[:, y], high[:, x], high[:, y]))
    meets = (low[one, depth] <= most[two, depth]) & (least[two, depth] <= high[one, depth])
    one, two = one[meets], two[meets]
    order = np.lexsort((two, one))
    return one[order], two[order]


def _sharp_edges(mesh: Mesh, near: Array, reach: float) -> tuple[Array, Array]:
    """(n, 2, 3) ends of the convex edges within ``reach`` of a box, and (n, 3) the way out of the mesh."""
    pairs, turn, edge = mesh.adjacency
    ends = mesh.vertices[edge]
    close = np.all((ends.min(axis=1) < near[1] + reach) & (ends.max(axis=1) > near[0] - reach), axis=1)
    sharp = close & (turn > SHARP)
    return ends[sharp], mesh.normals[pairs[sharp]].sum(axis=1)


def _nearest_places(first: Mesh, second: Mesh, reach: float) -> tuple[Array, Array] | None:
    """The nearest places of two meshes when they are within ``reach``: one point and the way across."""
    bodies = [fcl.CollisionObject(_bvh(mesh), fcl.Transform()) for mesh in (first, second)]
    result = fcl.DistanceResult()
    distance = fcl.distance(*bodies, fcl.DistanceRequest(enable_nearest_points=True), result)
    if distance > reach:
        return None
    apart = second.centres.mean(axis=0) - first.centres.mean(axis=0)
    if distance > 0:
        a, b = (np.asarray(point, dtype=np.float64) for point in result.nearest_points)
        return ((a + b) / 2)[None], ((b - a) / np.linalg.norm(b - a))[None]
    found = fcl.CollisionResult()
    fcl.collide(*bodies, fcl.CollisionRequest(num_max_contacts=1, enable_contact=True), found)
    if not found.contacts:
        return None
    way = np.asarray(found.contacts[0].normal, dtype=np.float64)
    return np.asarray(found.contacts[0].pos)[None], (way if way @ apart >= 0 else -way)[None]


def distance(first: Mesh, second: Mesh, poses: tuple[Array, Array]) -> float:
    """Least distance between the surfaces of two placed shapes, mm; 0 where they cross."""
    return remembered("distance", (first, second, *poses), lambda: _distance(first, second, poses))


def _distance(first: Mesh, second: Mesh, poses: tuple[Array, Array]) -> float:
    bodies = [
        fcl.CollisionObject(_bvh(mesh), fcl.Transform(pose[:3, :3], pose[:3, 3]))
        for mesh, pose in zip((first, second), poses, strict=True)
    ]
    return max(0.0, float(fcl.distance(*bodies, fcl.DistanceRequest(), fcl.DistanceResult())))


def _bvh(mesh: Mesh) -> fcl.BVHModel:
    model = fcl.BVHModel()
    model.beginModel(len(mesh.vertices), len(mesh.faces))
    model.addSubModel(mesh.vertices, mesh.faces)
    model.endModel()
    return model


def _outermost(points: Array) -> list[int]:
    """At most MAX_POINTS rows, each the farthest from those before it, the first farthest from the middle."""
    chosen = [int(np.linalg.norm(points - points.mean(axis=0), axis=1).round(9).argmax())]
    left = np.linalg.norm(points - points[chosen[0]], axis=1)
    while len(chosen) < MAX_POINTS and left.max() > 1e-6:
        chosen.append(int(left.round(9).argmax()))
        left = np.minimum(left, np.linalg.norm(points - points[chosen[-1]], axis=1))
    return chosen
