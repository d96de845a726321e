"""Faces that cross, cut where they cross: afterwards faces meet at edges alone.

Every face is cut along the lines where others cross it or lie in its plane, by snap-rounded noding and
polygonizing in that plane.

Source: Zhou, Grinspun, Zorin and Jacobson, "Mesh arrangements for solid geometry", ACM Transactions on
Graphics 35 (2016).
"""

from __future__ import annotations

from collections.abc import Iterator

import manifold3d
import numpy as np
import shapely

from renderer.spatial import tree
from renderer.topology import connected
from steps.limits import LIMITS, Limits, refuse_more
from steps.model import Array, IntArray
from steps.progress import ticking

#: Coordinates in a face are rounded to this share of the diagonal: above what float32 leaves of them (6e-8),
#: or the ends of cuts would miss each other.
GRID_SHARE = 5e-7
#: Faces whose pairs are found together, and pairs looked at together.
CHUNK, PAIRS = 256, 200_000
#: Ends of segments are equal to this share of what lies near: rounding alone.
EQUAL_SHARE = 1e-3


def cut_apart(vertices: Array, faces: IntArray, near: float, limits: Limits = LIMITS) -> Array:
    """(k, 3, 3) corners of the faces, each cut wherever another crosses it; of faces that overlap in one
    plane only what they cover together is left, once. What is ``near`` (mm) a plane lies in it.

    Raises BeyondLimit where they cross more often than is cut.
    """
    grid = GRID_SHARE * float(np.linalg.norm(np.ptp(vertices, axis=0)))
    corners = vertices[faces]
    owner, segments, over = _meetings(corners, faces, near, limits)
    owner, segments = _joined(owner, segments, vertices, near)
    group = connected(len(faces), over)
    apart = np.bincount(group)[group] == 1
    apart[owner] = False
    at = np.argsort(group[owner], kind="stable")
    owner, segments = owner[at], segments[at]
    order = np.flatnonzero(~apart)
    order = order[np.argsort(group[order], kind="stable")]
    pieces, many = [corners[apart]], 0
    for rows in ticking(np.split(order, np.flatnonzero(np.diff(group[order])) + 1)):
        if len(rows):
            first, last = np.searchsorted(group[owner], [group[rows[0]], group[rows[0]] + 1])
            plane = _Plane(corners[rows], segments[first:last])
            many += plane.near_pairs()
            _refuse_tangle(faces, many, limits)
            pieces.append(plane.cut(grid))
    return np.concatenate(pieces)


def _refuse_tangle(faces: IntArray, many: int, limits: Limits) -> None:
    what = f"a mesh of {len(faces):,} triangles that cross each other in {many:,} places or more"
    refuse_more(what, many, "crossings", limits)


# --------------------------------------------------------------------------------- lines


def _meetings(
    corners: Array, faces: IntArray, near: float, limits: Limits
) -> tuple[IntArray, Array, IntArray]:
    """Faces and the segments (k, 2, 3) along which others cross them; and pairs of faces that overlap in a
    plane."""
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    normals = cross / np.maximum(np.linalg.norm(cross, axis=1), 1e-300)[:, None]
    found, pairs, crossings = [], 0, 0
    for a, b in ticking(_near_pairs(corners, near)):
        pairs += len(a)
        refuse_more(f"{pairs:,} pairs of triangles near each other in a mesh", pairs, "pairs", limits)
        found.append(_cross(corners, normals, faces, a, b, near))
        crossings += len(found[-1][0]) // 2
        _refuse_tangle(faces, crossings, limits)
    owner, segments, over = (np.concatenate(each) for each in zip(*found, strict=True))
    return owner, segments, over


def _joined(owner: IntArray, segments: Array, vertices: Array, near: float) -> tuple[IntArray, Array]:
    """The segments, their ends drawn to the mesh's vertices or to each other where they are that near."""
    if not len(owner):
        return owner, segments
    points = np.concatenate([vertices, segments.reshape(-1, 3)])
    # thousands may end at one corner: what is as good as equal is chained, not each paired with each
    _, one, of = np.unique(
        np.round(points / (EQUAL_SHARE * near)), axis=0, return_index=True, return_inverse=True
    )
    pairs = one[tree(points[one]).query_pairs(near, output_type="ndarray")]
    chain = np.column_stack([np.arange(len(points)), one[of.reshape(-1)]])
    label = connected(len(points), np.concatenate([chain, pairs]))
    first = np.full(int(label.max()) + 1, len(points))
    np.minimum.at(first, label, np.arange(len(points)))
    drawn = first[label[len(vertices) :]].reshape(-1, 2)
    kept = drawn[:, 0] != drawn[:, 1]
    return owner[kept], points[drawn[kept]]


def _near_pairs(corners: Array, near: float) -> Iterator[tuple[IntArray, IntArray]]:
    """Pairs of faces, the lesser row first, whose boxes meet, some at a time."""
    low, high = corners.min(axis=1) - near, corners.max(axis=1) + near
    boxes = shapely.box(low[:, 0], low[:, 1], high[:, 0], high[:, 1])
    known = shapely.STRtree(boxes)
    for start in range(0, len(boxes), CHUNK):
        a, b = known.query(boxes[start : start + CHUNK])
        a = a + start
        keep = (a < b) & (low[a, 2] <= high[b, 2]) & (low[b, 2] <= high[a, 2])
        for rows in np.array_split(np.flatnonzero(keep), 1 + int(keep.sum()) // PAIRS):
            yield a[rows], b[rows]


def _cross(
    corners: Array, normals: Array, faces: IntArray, a: IntArray, b: IntArray, near: float
) -> tuple[IntArray, Array, IntArray]:
    """Faces and the segments along which these pairs cross, both ways; and the pairs that overlap in a
    plane."""
    of_b = _heights(corners[b], normals[a], corners[a, 0], near)
    of_a = _heights(corners[a], normals[b], corners[b, 0], near)
    flat = (of_b == 0).all(axis=1) | (of_a == 0).all(axis=1)
    meet = ~flat & _both_sides(of_a) & _both_sides(of_b)
    shared = (faces[a[meet]][:, :, None] == faces[b[meet]][:, None, :]).any(axis=2).sum(axis=1)
    rows = np.flatnonzero(meet)[shared < 2]
    way = np.cross(normals[a[rows]], normals[b[rows]])
    first, second = _span(corners[a[rows]], of_a[rows], way), _span(corners[b[rows]], of_b[rows], way)
    begin, end = np.where(
        np.stack([first[0][:, 0] >= second[0][:, 0], first[0][:, 1] <= second[0][:, 1]])[:, :, None],
        first[1].transpose(1, 0, 2),
        second[1].transpose(1, 0, 2),
    )
    forward = np.maximum(first[0][:, 0], second[0][:, 0]) < np.minimum(first[0][:, 1], second[0][:, 1])
    long = forward & (np.linalg.norm(end - begin, axis=1) > near)
    segments = np.stack([begin[long], end[long]], axis=1)
    own = np.concatenate([a[rows[long]], b[rows[long]]])
    rows = np.flatnonzero(flat)
    over = np.column_stack([a[rows], b[rows]])[_overlap(corners, normals, a[rows], b[rows], near)]
    return own, np.concatenate([segments, segments]), over


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


def _span(face: Array, height: Array, way: Array) -> tuple[Array, Array]:
    """What each face (p, 3, 3) shares with the line in a plane: how far along ``way`` its two ends lie
    (p, 2), least first, and the ends (p, 2, 3)."""
    ahead, there = np.roll(face, -1, axis=1), np.roll(height, -1, axis=1)
    passes = height * there < 0
    share = np.where(passes, height / np.where(passes, height - there, 1.0), 0.0)
    ends = np.concatenate([face, face + share[:, :, None] * (ahead - face)], axis=1)
    met = np.concatenate([height == 0, passes], axis=1)
    along = np.einsum("pki,pi->pk", ends, way)
    least = np.where(met, along, np.inf).argmin(axis=1)
    most = np.where(met, along, -np.inf).argmax(axis=1)
    pick = np.stack([least, most], axis=1)
    return np.take_along_axis(along, pick, axis=1), np.take_along_axis(ends, pick[:, :, None], axis=1)


# --------------------------------------------------------------------------------- cutting


class _Plane:
    """Faces (n, 3, 3) in one plane, and segments (k, 2, 3) in it along which they are to be cut."""

    def __init__(self, faces: Array, segments: Array):
        cross = np.cross(faces[:, 1] - faces[:, 0], faces[:, 2] - faces[:, 0])
        largest = int(np.argmax(np.linalg.norm(cross, axis=1)))
        self.origin, along = faces[largest, 0], faces[largest, 1] - faces[largest, 0]
        along = along / np.linalg.norm(along)
        self.frame = np.array([along, np.cross(cross[largest] / np.linalg.norm(cross[largest]), along)])
        self.faces, self.segments = faces, segments
        self.outlines = shapely.polygons(self._flat(faces))
        self.lines = [*shapely.get_exterior_ring(self.outlines), *shapely.linestrings(self._flat(segments))]

    def _flat(self, points: Array) -> Array:
        return np.asarray((points - self.origin) @ self.frame.T)

    def near_pairs(self) -> int:
        """Pairs of outlines and segments that may cross: by their boxes."""
        return (len(shapely.STRtree(self.lines).query(self.lines)[0]) - len(self.lines)) // 2

    def cut(self, grid: float) -> Array:
        """(k, 3, 3) triangles of what the faces cover together, cut along the segments. Corners and ends of
        segments keep their places to the last bit."""
        noded = shapely.union_all(self.lines, grid_size=grid)
        cells = shapely.get_parts(shapely.polygonize(shapely.get_parts(noded)))
        inner = shapely.point_on_surface(cells)
        covered = np.zeros(len(cells), dtype=bool)
        covered[shapely.STRtree(self.outlines).query(inner, predicate="within")[0]] = True
        made = [_triangles(cell) for cell in cells[covered]]
        if not made:
            return self.faces
        flat = np.concatenate(made).reshape(-1, 2)
        known = np.concatenate([self.faces.reshape(-1, 3), self.segments.reshape(-1, 3)])
        apart, nearest = tree(self._flat(known)).query(flat, distance_upper_bound=2 * grid)
        met = np.isfinite(apart)
        points = flat @ self.frame + self.origin
        points[met] = known[nearest[met]]
        return points.reshape(-1, 3, 3)


def _triangles(cell: shapely.Polygon) -> Array:
    """(k, 3, 2) triangles of a polygon with holes."""
    rings = [np.asarray(ring.coords)[:-1] for ring in (cell.exterior, *cell.interiors)]
    rings = [_turned(ring, row == 0) for row, ring in enumerate(rings)]
    rows = np.asarray(manifold3d.triangulate(rings, allow_convex=False), dtype=np.int64).reshape(-1, 3)
    return np.concatenate(rings)[rows]


def _turned(ring: Array, outer: bool) -> Array:
    """The ring anticlockwise when it is an outer one, else clockwise, begun at its least corner."""
    ahead = np.roll(ring, -1, axis=0)
    area = float((ring[:, 0] * ahead[:, 1] - ring[:, 1] * ahead[:, 0]).sum())
    if (area > 0) != outer:
        ring = ring[::-1]
    first = int(np.lexsort((ring[:, 1], ring[:, 0]))[0])
    return np.roll(ring, -first, axis=0)
