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

#: Planes are opposite when their normals differ from that by less than 1 degree (cosine).
OPPOSITE = float(np.cos(np.radians(1.0)))
#: Directions in which the outermost shared point is kept.
DIRECTIONS = 8
#: A corner counts as inside a triangle up to this far outside, barycentric: rounding on shared edges.
INSIDE = 1e-7
#: Two edges are parallel below this cross product of their unit directions.
PARALLEL = 1e-9
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
    nowhere ``least_mm`` long is left out.
    """
    one, two = _near(one, two, within_mm), _near(two, one, within_mm)
    if not len(one) or not len(two):
        return Shared.nothing()
    normal_one, normal_two = _normals(one), _normals(two)
    found_points, found_normals = [], []
    for rows in np.array_split(np.arange(len(one)), max(1, len(one) * len(two) // CHUNK)):
        for a, b in zip(*_facing(one, two, normal_one, normal_two, rows, within_mm), strict=True):
            points = _common(one[a], two[b], normal_two[b])
            found_points.append(points)
            found_normals.append(np.tile(normal_two[b], (len(points), 1)))
    if not found_points:
        return Shared.nothing()
    return _outermost(np.concatenate(found_points), np.concatenate(found_normals), within_mm, least_mm)


def _near(triangles: Array, others: Array, within_mm: float) -> Array:
    """The triangles whose boxes meet the box of the others, those of no area left out."""
    low, high = others.min(axis=(0, 1)) - within_mm, others.max(axis=(0, 1)) + within_mm
    meets = np.all((triangles.min(axis=1) <= high) & (triangles.max(axis=1) >= low), axis=1)
    chosen = triangles[meets]
    return chosen[np.linalg.norm(_twice_area(chosen), axis=1) > 1e-9]


def _twice_area(triangles: Array) -> Array:
    return np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])


def _normals(triangles: Array) -> Array:
    normals = _twice_area(triangles)
    return normals / np.linalg.norm(normals, axis=1, keepdims=True)


def _facing(
    one: Array, two: Array, normal_one: Array, normal_two: Array, rows: NDArray[np.int64], within_mm: float
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Pairs of triangles with opposite, near planes and boxes that meet."""
    opposite = normal_one[rows] @ normal_two.T < -OPPOSITE
    apart = np.einsum("mk,nk->mn", one[rows].mean(axis=1), normal_two) - np.einsum(
        "nk,nk->n", two[:, 0], normal_two
    )
    meets = opposite & (np.abs(apart) <= within_mm)
    at, b = np.nonzero(meets)
    a = rows[at]
    boxes = np.all(
        (one[a].min(axis=1) <= two[b].max(axis=1) + within_mm)
        & (one[a].max(axis=1) >= two[b].min(axis=1) - within_mm),
        axis=1,
    )
    return a[boxes], b[boxes]


def _common(one: Array, two: Array, normal: Array) -> Array:
    """(k, 3) corners of what two triangles share, seen along ``normal``, in the plane of ``two``."""
    across = np.linalg.svd(normal[None])[2][1:].T
    flat_one, flat_two = (one - two[0]) @ across, (two - two[0]) @ across
    points = [
        flat_one[_inside(flat_one, flat_two)],
        flat_two[_inside(flat_two, flat_one)],
        _crossings(flat_one, flat_two),
    ]
    return np.concatenate(points) @ across.T + two[0]


def _inside(points: Array, triangle: Array) -> NDArray[np.bool_]:
    """Which points (k, 2) lie in a triangle (3, 2)."""
    system = np.column_stack([triangle[1] - triangle[0], triangle[2] - triangle[0]])
    shares = np.linalg.solve(system, (points - triangle[0]).T).T
    return np.asarray(np.all(shares >= -INSIDE, axis=1) & (shares.sum(axis=1) <= 1 + INSIDE))


def _crossings(one: Array, two: Array) -> Array:
    """(k, 2) where edges of two triangles cross."""
    p, r = one[[0, 1, 2]][:, None], (np.roll(one, -1, axis=0) - one)[:, None]
    q, s = two[[0, 1, 2]][None], (np.roll(two, -1, axis=0) - two)[None]
    area = r[..., 0] * s[..., 1] - r[..., 1] * s[..., 0]
    lengths = np.linalg.norm(r, axis=2) * np.linalg.norm(s, axis=2)
    real = np.abs(area) > PARALLEL * lengths
    gap, safe = q - p, np.where(real, area, 1.0)
    t = (gap[..., 0] * s[..., 1] - gap[..., 1] * s[..., 0]) / safe
    u = (gap[..., 0] * r[..., 1] - gap[..., 1] * r[..., 0]) / safe
    hit = real & (t >= 0) & (t <= 1) & (u >= 0) & (u <= 1)
    return np.asarray((p + t[..., None] * r)[hit])


def _outermost(points: Array, normals: Array, within_mm: float, least_mm: float) -> Shared:
    """Of the points in each plane only the outermost; planes that share less than ``least_mm`` left out."""
    keys = np.column_stack([normals.round(1), (np.einsum("ij,ij->i", points, normals) / within_mm).round()])
    _, group = np.unique(keys + 0.0, axis=0, return_inverse=True)
    group = group.reshape(-1)
    angles = 2 * np.pi * (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS
    compass = np.stack([np.cos(angles), np.sin(angles)])
    kept: list[int] = []
    for number in range(int(group.max()) + 1):
        own = np.flatnonzero(group == number)
        across = np.linalg.svd(normals[own[:1]])[2][1:].T
        reach = (points[own] @ across) @ compass
        if float((reach.max(axis=0) - reach.min(axis=0)).max()) < least_mm:
            continue
        kept += own[np.unique(np.argmax(reach.round(6), axis=0))].tolist()
    return Shared(points[kept], normals[kept])
