"""Faces that cross, cut where they cross: afterwards faces meet at edges alone.

Every face is cut along the lines where others cross it or lie in its plane, by snap-rounded noding and
polygonizing in that plane.

Source: Zhou, Grinspun, Zorin and Jacobson, "Mesh arrangements for solid geometry", ACM Transactions on
Graphics 35 (2016).
"""

from __future__ import annotations

import manifold3d
import numpy as np
import shapely
from scipy.spatial import cKDTree

from steps.mend.soup import components
from steps.model import Array, IntArray

#: Corners this near another face's plane, as a share of the diagonal, lie in it.
ON_SHARE = 1e-6
#: Coordinates in a face are rounded to this share of the diagonal: above what float32 leaves of them (6e-8),
#: or the ends of cuts would miss each other.
GRID_SHARE = 5e-7
#: Pairs of faces looked at together.
CHUNK = 500_000


def cut_apart(vertices: Array, faces: IntArray) -> Array:
    """(k, 3, 3) corners of the faces, each cut wherever another crosses it; of faces that overlap in one
    plane only what they cover together is left, once."""
    diagonal = float(np.linalg.norm(np.ptp(vertices, axis=0)))
    corners = vertices[faces]
    lines, over = _meetings(corners, faces, ON_SHARE * diagonal)
    lines = _joined(lines, vertices, ON_SHARE * diagonal)
    group = components(len(faces), over)
    order = np.argsort(group, kind="stable")
    pieces = []
    for rows in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
        segments = [segment for row in rows.tolist() for segment in lines.get(row, ())]
        if len(rows) == 1 and not segments:
            pieces.append(corners[rows])
        else:
            pieces.append(_cut(corners[rows], np.array(segments).reshape(-1, 2, 3), GRID_SHARE * diagonal))
    return np.concatenate(pieces)


# --------------------------------------------------------------------------------- lines


def _meetings(corners: Array, faces: IntArray, near: float) -> tuple[dict[int, list[Array]], IntArray]:
    """For each face the segments (2, 3) along which others cross it; and pairs of faces that overlap in a
    plane."""
    lines: dict[int, list[Array]] = {}
    over = [np.zeros((0, 2), dtype=np.int64)]
    a, b = _near_pairs(corners, near)
    for rows in np.array_split(np.arange(len(a)), 1 + len(a) // CHUNK):
        over.append(_cross(corners, faces, a[rows], b[rows], near, lines))
    return lines, np.concatenate(over)


def _joined(lines: dict[int, list[Array]], vertices: Array, near: float) -> dict[int, list[Array]]:
    """The segments, their ends drawn to the mesh's vertices or to each other where they are that near."""
    if not lines:
        return lines
    rows = [row for row, own in lines.items() for _ in own]
    ends = np.array([segment for own in lines.values() for segment in own]).reshape(-1, 3)
    points = np.concatenate([vertices, ends])
    label = components(len(points), cKDTree(points).query_pairs(near, output_type="ndarray"))
    first = np.full(int(label.max()) + 1, len(points))
    np.minimum.at(first, label, np.arange(len(points)))
    drawn = points[first[label[len(vertices) :]]].reshape(-1, 2, 3)
    found: dict[int, list[Array]] = {}
    for row, segment in zip(rows, drawn, strict=True):
        if (segment[0] != segment[1]).any():
            found.setdefault(row, []).append(segment)
    return found


def _near_pairs(corners: Array, near: float) -> tuple[IntArray, IntArray]:
    """Pairs of faces, the lesser row first, whose boxes meet."""
    low, high = corners.min(axis=1) - near, corners.max(axis=1) + near
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    a, b = shapely.STRtree(boxes).query(boxes)
    keep = (a < b) & (low[a, 2] <= high[b, 2]) & (low[b, 2] <= high[a, 2])
    return a[keep], b[keep]


def _cross(
    corners: Array, faces: IntArray, a: IntArray, b: IntArray, near: float, lines: dict[int, list[Array]]
) -> IntArray:
    """Adds the segments along which pairs of faces cross; returns the pairs (k, 2) that overlap in a
    plane."""
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1), 1e-300)[:, None]
    of_b = _heights(corners[b], normals[a], corners[a, 0], near)
    of_a = _heights(corners[a], normals[b], corners[b, 0], near)
    flat = (of_b == 0).all(axis=1) | (of_a == 0).all(axis=1)
    shared = (faces[a][:, :, None] == faces[b][:, None, :]).any(axis=2).sum(axis=1)
    crossing = ~flat & _both_sides(of_a) & _both_sides(of_b) & (shared < 2)
    for row in np.flatnonzero(crossing).tolist():
        one, two = int(a[row]), int(b[row])
        way = np.cross(normals[one], normals[two])
        first = _span(corners[one], of_a[row], way)
        second = _span(corners[two], of_b[row], way)
        begin, end = max(first[0], second[0], key=_along), min(first[1], second[1], key=_along)
        if begin[0] < end[0] and np.linalg.norm(end[1] - begin[1]) > near:
            segment = np.array([begin[1], end[1]])
            lines.setdefault(one, []).append(segment)
            lines.setdefault(two, []).append(segment)
    rows = np.flatnonzero(flat)
    return np.column_stack([a[rows], b[rows]])[_overlap(corners, normals, a[rows], b[rows], near)]


def _along(end: tuple[float, Array]) -> float:
    return end[0]


def _overlap(corners: Array, normals: Array, a: IntArray, b: IntArray, near: float) -> np.ndarray:
    """Which pairs of faces in one plane share an area."""
    if not len(a):
        return np.zeros(0, dtype=bool)
    along = corners[a, 1] - corners[a, 0]
    along = along / np.maximum(np.linalg.norm(along, axis=1), 1e-300)[:, None]
    frame = np.stack([along, np.cross(normals[a], along)], axis=2)
    flat_a = (corners[a] - corners[a, :1]) @ frame
    flat_b = (corners[b] - corners[a, :1]) @ frame
    common = shapely.intersection(shapely.polygons(flat_a), shapely.polygons(flat_b))
    size = np.ptp(flat_a, axis=1).max(axis=1)
    return np.asarray(shapely.area(common) > near * size)


def _heights(points: Array, normals: Array, origins: Array, near: float) -> Array:
    """(p, 3) of the corners (p, 3, 3) over planes; 0 where they lie in them."""
    height = np.einsum("pki,pi->pk", points - origins[:, None], normals)
    return np.where(np.abs(height) <= near, 0.0, height)


def _both_sides(height: Array) -> np.ndarray:
    """Whether the corners lie on both sides of the plane, or one side of the face in it."""
    return (height.min(axis=1) <= 0) & (height.max(axis=1) >= 0) & ((height != 0).sum(axis=1) >= 1)


def _span(face: Array, height: Array, way: Array) -> list[tuple[float, Array]]:
    """The two ends of what a face shares with the line in a plane, least along ``way`` first."""
    ends = [face[k] for k in range(3) if height[k] == 0]
    for k in range(3):
        here, there = float(height[k]), float(height[(k + 1) % 3])
        if here * there < 0:
            share = here / (here - there)
            ends.append(face[k] + share * (face[(k + 1) % 3] - face[k]))
    along = sorted(((float(end @ way), end) for end in ends), key=lambda end: end[0])
    return [along[0], along[-1]]


# --------------------------------------------------------------------------------- cutting


def _cut(faces: Array, segments: Array, grid: float) -> Array:
    """(k, 3, 3) triangles of what faces (n, 3, 3) in one plane cover together, cut along segments in that
    plane."""
    cross = np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0])
    largest = int(np.argmax(np.linalg.norm(cross, axis=1)))
    origin, along = faces[largest, 0], faces[largest, 1] - faces[largest, 0]
    along = along / np.linalg.norm(along)
    frame = np.array([along, np.cross(cross[largest] / np.linalg.norm(cross[largest]), along)])
    outlines = shapely.polygons((faces - origin) @ frame.T)
    lines = [*shapely.get_exterior_ring(outlines), *shapely.linestrings((segments - origin) @ frame.T)]
    noded = shapely.union_all(lines, grid_size=grid)
    cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
    inner = shapely.point_on_surface(cells)
    covered = np.zeros(len(cells), dtype=bool)
    covered[shapely.STRtree(outlines).query(inner, predicate="within")[0]] = True
    made = []
    for cell in cells[covered]:
        rings = [np.asarray(ring.coords)[:-1] for ring in (cell.exterior, *cell.interiors)]
        rings = [_turned(ring, row == 0) for row, ring in enumerate(rings)]
        rows = np.asarray(manifold3d.triangulate(rings, allow_convex=False), dtype=np.int64).reshape(-1, 3)
        made.append(np.concatenate(rings)[rows] @ frame + origin)
    return np.concatenate(made) if made else faces


def _turned(ring: Array, outer: bool) -> Array:
    """The ring anticlockwise when it is an outer one, else clockwise, begun at its least corner."""
    ahead = np.roll(ring, -1, axis=0)
    area = float((ring[:, 0] * ahead[:, 1] - ring[:, 1] * ahead[:, 0]).sum())
    if (area > 0) != outer:
        ring = ring[::-1]
    first = int(np.lexsort((ring[:, 1], ring[:, 0]))[0])
    return np.roll(ring, -first, axis=0)
