"""Where flat faces of two solids lie on each other, found from their triangles alone.

Two triangles lie on each other when their planes are opposite and closer than a tolerance. What they share
is spanned by corners of one inside the other and by crossings of their edges; of all that two parts share
in one plane only the outermost points are kept, since rigid parts carry nothing that those do not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from steps.model import Array
from steps.ties import least_axis

#: Planes are opposite when their normals differ from that by less than 1 degree (cosine).
OPPOSITE = float(np.cos(np.radians(1.0)))
#: Directions in which the outermost shared point is kept.
DIRECTIONS = 8
#: A corner counts as inside a triangle up to this far outside, barycentric: rounding on shared edges.
INSIDE = 1e-7
#: Two edges are parallel below this cross product of their unit directions.
PARALLEL = 1e-9
#: Twice the area below which a triangle has none, mm2.
NO_AREA_MM2 = 1e-9
#: A strip narrower than this share of how far apart faces may be is an edge against an edge: faces that meet
#: at a corner, one beside the other, share such a line and do not lie on each other.
LEAST_WIDTH = 0.1
#: Pairs of triangles looked at together: bounds the memory of two finely faceted parts.
CHUNK = 200_000


@dataclass(frozen=True, eq=False)
class Shared:
    """``points`` (k, 3) where two solids lie on each other; ``normals`` (k, 3) point into the first."""

    points: Array
    normals: Array

    @staticmethod
    def nothing() -> Shared:
        return Shared(np.empty((0, 3)), np.empty((0, 3)))


def shared_faces(one: Array, two: Array, within_mm: float, least_mm: float) -> Shared:
    """What the triangles ``one`` (m, 3, 3) and ``two`` (n, 3, 3), outwards anticlockwise, share.

    Planes up to ``within_mm`` apart, or that far into each other, count as touching; what is shared and
    nowhere ``least_mm`` long, or a mere line, is left out.
    """
    one, two = _near(one, two, within_mm), _near(two, one, within_mm)
    if not len(one) or not len(two):
        return Shared.nothing()
    normal_one, normal_two = _normals(one), _normals(two)
    found_points, found_normals = [np.empty((0, 3))], [np.empty((0, 3))]
    for rows in np.array_split(np.arange(len(one)), 1 + len(one) * len(two) // CHUNK):
        a, b = _facing(one, two, normal_one, normal_two, rows, within_mm)
        for pairs in np.array_split(np.arange(len(a)), 1 + len(a) // CHUNK):
            points, of_pair = _common(one[a[pairs]], two[b[pairs]], normal_two[b[pairs]])
            found_points.append(points)
            found_normals.append(normal_two[b[pairs]][of_pair])
    return _outermost(np.concatenate(found_points), np.concatenate(found_normals), within_mm, least_mm)


def shared_area(one: Array, two: Array, within_mm: float) -> float:
    """mm2 that the triangles ``one`` (m, 3, 3) and ``two`` (n, 3, 3) share in planes that near each other."""
    one, two = _near(one, two, within_mm), _near(two, one, within_mm)
    if not len(one) or not len(two):
        return 0.0
    normal_one, normal_two = _normals(one), _normals(two)
    area = 0.0
    for rows in np.array_split(np.arange(len(one)), 1 + len(one) * len(two) // CHUNK):
        a, b = _facing(one, two, normal_one, normal_two, rows, within_mm)
        for pairs in np.array_split(np.arange(len(a)), 1 + len(a) // CHUNK):
            points, of_pair = _common(one[a[pairs]], two[b[pairs]], normal_two[b[pairs]])
            area += _spanned(points, normal_two[b[pairs]][of_pair], of_pair)
    return area


def _spanned(points: Array, normals: Array, of_pair: NDArray[np.int64]) -> float:
    """mm2 within the corners (k, 3) that each pair of triangles shares, which lie round a convex area."""
    if not len(points):
        return 0.0
    count = np.bincount(of_pair)
    middle = np.column_stack([np.bincount(of_pair, points[:, axis]) for axis in range(3)])
    off = points - (middle / np.maximum(count, 1)[:, None])[of_pair]
    first = np.cross(normals, np.eye(3)[least_axis(normals)])
    angle = np.arctan2(_dots(off, np.cross(normals, first)), _dots(off, first))
    order = np.lexsort([angle, of_pair])
    off, normals, pair = off[order], normals[order], of_pair[order]
    start = np.searchsorted(pair, pair)
    last = np.append(pair[1:] != pair[:-1], True)
    following = np.where(last, start, np.minimum(np.arange(len(pair)) + 1, len(pair) - 1))
    return float(_dots(np.cross(off, off[following]), normals).sum() / 2)


def _dots(a: Array, b: Array) -> Array:
    return np.asarray(np.einsum("ij,ij->i", a, b))


def long_faces(triangles: Array, least_mm: float) -> Array:
    """The triangles that lie in flat patches at least ``least_mm`` long: facets of studs are left out."""
    triangles = triangles[np.linalg.norm(_twice_area(triangles), axis=1) > NO_AREA_MM2]
    if not len(triangles):
        return triangles
    normals = _normals(triangles)
    offsets = np.einsum("mk,mk->m", normals, triangles.mean(axis=1))
    keys = np.column_stack([normals.round(3), (offsets / least_mm * 50).round()]) + 0.0
    _, patch = np.unique(keys, axis=0, return_inverse=True)
    patch = patch.reshape(-1)
    low, high = np.full((patch.max() + 1, 3), np.inf), np.full((patch.max() + 1, 3), -np.inf)
    np.minimum.at(low, patch, triangles.min(axis=1))
    np.maximum.at(high, patch, triangles.max(axis=1))
    return triangles[np.linalg.norm(high - low, axis=1)[patch] >= least_mm]


def _boxes(triangles: Array) -> tuple[Array, Array]:
    """(m, 3) least and greatest corner of each triangle."""
    a, b, c = triangles[:, 0], triangles[:, 1], triangles[:, 2]
    return np.minimum(np.minimum(a, b), c), np.maximum(np.maximum(a, b), c)


def _near(triangles: Array, others: Array, within_mm: float) -> Array:
    """The triangles whose boxes meet the box of the others, those of no area left out."""
    if not len(triangles) or not len(others):
        return triangles[:0]
    low, high = others.reshape(-1, 3).min(axis=0) - within_mm, others.reshape(-1, 3).max(axis=0) + within_mm
    least, most = _boxes(triangles)
    chosen = triangles[np.logical_and.reduce((least <= high) & (most >= low), axis=1)]
    return chosen[np.linalg.norm(_twice_area(chosen), axis=1) > NO_AREA_MM2]


def _twice_area(triangles: Array) -> Array:
    return np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])


def _normals(triangles: Array) -> Array:
    normals = _twice_area(triangles)
    return normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _facing(
    one: Array, two: Array, normal_one: Array, normal_two: Array, rows: NDArray[np.int64], within_mm: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of triangles with opposite, near planes and boxes that meet."""
    at, b = np.nonzero(normal_one[rows] @ normal_two.T < -OPPOSITE)
    a = rows[at]
    apart = np.einsum("pk,pk->p", one[a, 0] - two[b, 0], normal_two[b])
    near = np.abs(apart) <= within_mm
    a, b = a[near], b[near]
    (low_one, high_one), (low_two, high_two) = _boxes(one), _boxes(two)
    for axis in range(3):
        meets = (low_one[a, axis] <= high_two[b, axis] + within_mm) & (
            high_one[a, axis] >= low_two[b, axis] - within_mm
        )
        a, b = a[meets], b[meets]
    return a, b


def _common(one: Array, two: Array, normals: Array) -> tuple[Array, NDArray[np.int64]]:
    """(k, 3) corners of what pairs of triangles (p, 3, 3) share, in the planes of ``two``, seen along their
    ``normals`` (p, 3); and the pair (k,) of each."""
    first = two[:, 1] - two[:, 0]
    first = first / np.linalg.norm(first, axis=1, keepdims=True)
    frame = np.stack([first, np.cross(normals, first)], axis=2)  # (p, 3, 2)
    origin = two[:, :1]
    flat_one, flat_two = (one - origin) @ frame, (two - origin) @ frame
    found, of_pair = [], []
    for points, triangles in ((flat_one, flat_two), (flat_two, flat_one)):
        pair, corner = np.nonzero(_inside(points, triangles))
        found.append(points[pair, corner])
        of_pair.append(pair)
    points, pair = _crossings(flat_one, flat_two)
    flat, pairs = np.concatenate([*found, points]), np.concatenate([*of_pair, pair])
    return np.einsum("kij,kj->ki", frame[pairs], flat) + origin[pairs, 0], pairs


def _inside(points: Array, triangles: Array) -> NDArray[np.bool_]:
    """(p, 3) which of the points (p, 3, 2) lie in the triangles (p, 3, 2)."""
    start = triangles[:, :1]
    u, v = triangles[:, 1:2] - start, triangles[:, 2:3] - start
    area = _wedge(u, v)
    s, t = _wedge(points - start, v) / area, _wedge(u, points - start) / area
    return np.asarray((s >= -INSIDE) & (t >= -INSIDE) & (s + t <= 1 + INSIDE))


def _crossings(one: Array, two: Array) -> tuple[Array, NDArray[np.int64]]:
    """(k, 2) where edges of pairs of triangles (p, 3, 2) cross, and the pair of each."""
    p, r = one[:, :, None], (np.roll(one, -1, axis=1) - one)[:, :, None]
    q, s = two[:, None], (np.roll(two, -1, axis=1) - two)[:, None]
    area = _wedge(r, s)
    real = np.abs(area) > PARALLEL * np.linalg.norm(r, axis=3) * np.linalg.norm(s, axis=3)
    safe = np.where(real, area, 1.0)
    t, u = _wedge(q - p, s) / safe, _wedge(q - p, r) / safe
    pair, i, j = np.nonzero(real & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1))
    return p[pair, i, 0] + t[pair, i, j][:, None] * r[pair, i, 0], pair


def _wedge(a: Array, b: Array) -> Array:
    """Signed area that two plane vectors span."""
    return np.asarray(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])


def _outermost(points: Array, normals: Array, within_mm: float, least_mm: float) -> Shared:
    """Of the points in each plane only the outermost; planes that share less than ``least_mm`` left out."""
    if not len(points):
        return Shared.nothing()
    keys = np.column_stack([normals.round(1), (np.einsum("ij,ij->i", points, normals) / within_mm).round()])
    _, group = np.unique(keys + 0.0, axis=0, return_inverse=True)
    group = group.reshape(-1)
    angles = 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    compass = np.stack([np.cos(angles), np.sin(angles)])
    kept: list[int] = []
    for number in range(int(group.max()) + 1):
        own = np.flatnonzero(group == number)
        across = np.linalg.svd(normals[own[:1]])[2][1:].T
        flat = points[own] @ across
        reach = flat @ compass
        if float(np.ptp(reach, axis=0).max()) < least_mm or _width(flat) < LEAST_WIDTH * within_mm:
            continue
        kept += own[np.unique(np.argmax(reach.round(6), axis=0))].tolist()
    rows = np.array(kept, dtype=np.int64)
    return Shared(points[rows], normals[rows])


def _width(flat: Array) -> float:
    """How wide plane points (k, 2) spread across the line along which they spread most."""
    off = flat - flat.mean(axis=0)
    return float(np.ptp(off @ np.linalg.svd(off, full_matrices=False)[2][-1])) if len(off) > 1 else 0.0
