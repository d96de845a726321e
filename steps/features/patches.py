"""Round patches of a mesh: cylinders and spheres, found by turn angles and fitted through vertices.

A lateral face of a cylinder is perpendicular to the axis, and the edges between lateral faces run
along it. So edges that turn gently vote for axes; the lateral faces of each axis fall into pieces
by adjacency; a circle is fitted through each piece's vertices. A piece that is no single circle
(a rounded box, a stud that runs into a wall) is divided by the circles that consecutive facets
share. A sphere is a patch of faces that turn gently one way, whose vertices lie on one sphere.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from renderer.spatial import tree
from renderer.topology import connected
from steps.features.mesh import Mesh
from steps.model import Array, IntArray
from steps.ties import least_axis

#: Facets of one curved surface turn by at most this: eight sides turn by 45 degrees, and noise adds.
MAX_TURN = np.radians(52)
#: Below this turn an edge is flat: CAD kernels turn in 252 sides (1.43 degrees) at their finest.
MIN_TURN = np.radians(1.0)
#: A lateral face is perpendicular to its axis within this: 0.05 mm of noise over a stud 2 mm high
#: tilts a face by up to 2.9 degrees.
LATERAL_TILT = np.sin(np.radians(4.5))
#: Edges whose directions differ by less than this vote for one axis.
AXIS_SPREAD = np.radians(4)
#: Axes tried per shape, most edge length first; block shapes have one to five.
MAX_AXES = 24
#: Directions heard of before the best are chosen: noise on a fine mesh votes for some 150.
AXES_HEARD = 400
#: Directions of normals are counted in sectors this wide (radians) before any circle is fitted.
SECTOR = np.pi / 6
#: Root mean square distance of vertices from the circle, as a share of its radius: noise of 0.05 mm
#: on a radius of 2 mm is 0.015 rms.
ROUND_SHARE = 0.03
#: A circle is fitted through the corners at which facets meet, where there are so many: the four of a block's
#: tapered end lie on one too.
LEAST_BENT = 7
#: Least arc of a cylinder worth keeping; fillets of boxes turn 90 degrees and are dropped.
MIN_ARC = np.radians(120)
#: A facet of a circle lies at least this share of the radius from its axis (eight sides: 0.92); a
#: face that lies nearer is a flat wall whose corners happen to lie on a circle.
ROUND_FACE = 0.87
#: Share of a cylinder's area that may lie nearer than that, for noise.
FLAT_SHARE = 0.05
#: A cylinder whose vertices are further than this share of its radius from its circle is noisy.
NOISY_SHARE = 0.002
#: Beside a noisy cylinder, vertices this many times its own worst still belong to it, and so do faces
#: tilted by up to this: 0.05 mm of noise over a face 0.4 mm high.
NOISE_REACH = 1.5
NOISE_TILT = np.sin(np.radians(15))
#: A sphere is fitted through at least so many vertices.
LEAST_POINTS = 12
#: Least share of a sphere that makes a patch one: a cup that holds a ball covers about a half.
MIN_SPHERE_SHARE = 0.12
#: A sphere's vertices lie on it within this share of its radius.
SPHERE_SHARE = 0.02
#: Each face of a sphere lies at least this share of the radius from the centre (eight segments: 0.85).
SPHERE_FACE = 0.78
#: Least mean square of a sphere's normals along any direction (a third for a whole sphere, 0 for a
#: short cylinder, whose two rings of vertices lie on a sphere too).
SPHERE_SPREAD = 0.02
#: A patch with more than this share of its area across one axis is a chamfered cylinder, whose rings
#: of vertices lie near a sphere; of a sphere's own area 0.08 lies so (an octagonal one: 0.38).
SPHERE_BAND = 0.5


@dataclass(frozen=True, eq=False)
class Cylinder:
    """A round lateral surface from ``start`` along ``axis`` for ``length`` mm."""

    start: Array  #: (3,) on the axis
    axis: Array  #: (3,) unit
    radius: float  #: of the circle through the vertices
    length: float
    convex: bool
    arc: float  #: radians covered, 2 pi when whole
    facets: int  #: sides of the whole circle, by the median turn
    sag: float
    roundness: float  #: largest distance of a vertex from the circle
    faces: IntArray


@dataclass(frozen=True, eq=False)
class Sphere:
    """A round patch of a sphere; convex for a ball, concave for a cup."""

    centre: Array  #: (3,)
    radius: float
    convex: bool
    share: float  #: of the full sphere's area
    opening: Array  #: (3,) unit, from the centre to where the patch is open (a ball's stem, a cup's mouth)
    lip: float  #: radius of the opening; 0 when closed
    facets: int
    sag: float
    roundness: float
    faces: IntArray


def round_patches(mesh: Mesh) -> tuple[tuple[Cylinder, ...], tuple[Sphere, ...]]:
    """Every cylinder and sphere of a mesh, in a fixed order."""
    if not len(mesh.faces):
        return (), ()
    spheres = tuple(_spheres(mesh))
    free = np.ones(len(mesh.faces), dtype=bool)
    for sphere in spheres:
        free[sphere.faces] = False
    cylinders: list[Cylinder] = []
    for axis in _axes(mesh, free):
        for found in list(_cylinders_along(mesh, free, axis)):
            if free[found.faces].all():  # else another has grown over it
                cylinder = _grown(mesh, free, found)
                free[cylinder.faces] = False
                cylinders.append(cylinder)
    return tuple(_joined(mesh, cylinders)), spheres


# ------------------------------------------------------------------------------- cylinders


def _axes(mesh: Mesh, free: np.ndarray) -> Iterator[Array]:
    """Directions that many gently turning edges share, most edge length first."""
    pairs, turn, ends = mesh.adjacency
    gentle = (np.abs(turn) > MIN_TURN) & (np.abs(turn) < MAX_TURN) & free[pairs].all(axis=1)
    along = mesh.vertices[ends[gentle, 1]] - mesh.vertices[ends[gentle, 0]]
    length = np.linalg.norm(along, axis=1)
    along /= length[:, None]
    left = np.ones(len(along), dtype=bool)
    order = np.argsort(-length, kind="stable")
    candidates: list[tuple[float, int, Array]] = []
    for row in order:
        if not left[row]:
            continue
        near = left & (np.abs(along @ along[row]) > np.cos(AXIS_SPREAD))
        left[near] = False
        if near.sum() < 5:  # eight sides have eight edges, a part of a circle at least five
            continue
        signed = along[near] * np.sign(along[near] @ along[row])[:, None]
        axis = (signed * length[near, None]).sum(axis=0)
        candidates.append((-float(length[near].sum()), len(candidates), axis / np.linalg.norm(axis)))
        if len(candidates) >= AXES_HEARD:
            break
    for _, _, axis in sorted(candidates, key=lambda c: c[:2])[:MAX_AXES]:
        yield _upward(axis)


def _upward(axis: Array) -> Array:
    """The axis with its largest coordinate positive, so that a line has one direction."""
    return axis * np.sign(axis[np.argmax(np.abs(axis) - 1e-6 * np.arange(3))])


def plane_basis(axis: Array) -> Array:
    """(2, 3) two unit vectors perpendicular to ``axis`` and each other, right-handed with it."""
    helper = np.eye(3)[least_axis(axis)]
    u = np.cross(helper, axis)
    u /= np.linalg.norm(u)
    return np.array([u, np.cross(axis, u)])


def _cylinders_along(mesh: Mesh, free: np.ndarray, axis: Array) -> Iterator[Cylinder]:
    lateral = free & (np.abs(mesh.normals @ axis) < LATERAL_TILT)
    pairs, turn, _ = mesh.adjacency
    joined = lateral[pairs].all(axis=1) & (np.abs(turn) < MAX_TURN)
    piece = connected(len(mesh.faces), pairs[joined])
    rows = np.flatnonzero(lateral)
    rows = rows[_turns(piece[rows], mesh.normals[rows] @ plane_basis(axis).T)]
    if not len(rows):
        return
    axis = _across_all(mesh, rows)
    for faces in _groups(piece, rows, 5):
        whole = _fit_cylinder(mesh, faces, axis)
        if whole is not None:
            yield whole
        else:
            inside = joined & (piece[pairs[:, 0]] == piece[faces[0]])
            yield from _divided(mesh, faces, axis, pairs[inside])


def _across_all(mesh: Mesh, faces: IntArray) -> Array:
    """The direction that the normals of lateral faces are most nearly perpendicular to.

    Edges only vote for an axis (in an unstructured mesh they run askew); the normals decide it.
    """
    normals = mesh.normals[faces]
    _, vectors = np.linalg.eigh((normals * mesh.areas[faces, None]).T @ normals)
    return _upward(vectors[:, 0])


def _turns(piece: IntArray, normals: Array) -> np.ndarray:
    """(k,) whether each face's piece has normals in enough directions to be an arc worth fitting."""
    sector = np.floor(np.arctan2(normals[:, 1], normals[:, 0]) / SECTOR).astype(np.int64)
    seen = np.unique(np.column_stack([piece, sector]), axis=0)[:, 0]
    ids, sectors = np.unique(seen, return_counts=True)
    return sectors[np.searchsorted(ids, piece)] >= MIN_ARC / SECTOR - 1


def _groups(piece: IntArray, faces: IntArray, least: int) -> Iterator[IntArray]:
    """The faces of each piece that has at least ``least`` of them, ascending."""
    order = faces[np.argsort(piece[faces], kind="stable")]
    for group in np.split(order, np.flatnonzero(np.diff(piece[order])) + 1):
        if len(group) >= least:
            yield group


def _fit_cylinder(mesh: Mesh, faces: IntArray, axis: Array) -> Cylinder | None:
    """The cylinder through the vertices of these faces, or None when they are not one."""
    basis = plane_basis(axis)
    rows = np.unique(mesh.faces[faces])
    points = mesh.vertices[rows]
    flat = points @ basis.T
    fit = fit_circle(flat)
    if fit is None:
        return None
    bent = np.ones(len(rows), dtype=bool)
    if _uneven(flat, *fit) > NOISY_SHARE:
        bent, fit = _through_bends(flat, _bends(mesh, faces, rows), fit)
    centre, radius = fit
    off = flat - centre
    distance = np.linalg.norm(off[bent], axis=1)
    if np.sqrt(np.mean((distance - radius) ** 2)) > ROUND_SHARE * radius:
        return None
    outward = mesh.centres[faces] @ basis.T - centre
    facing = np.einsum("ij,ij->i", mesh.normals[faces] @ basis.T, outward)
    facing /= np.maximum(np.linalg.norm(outward, axis=1), 1e-300)
    weight = mesh.areas[faces]
    mean = float((facing * weight).sum() / weight.sum())
    reach = np.abs(np.einsum("ij,ij->i", mesh.normals[faces] @ basis.T, outward))
    flat_wall = weight[reach < ROUND_FACE * radius].sum() > FLAT_SHARE * weight.sum()
    if flat_wall or abs(mean) < 0.85:  # faces across the circle, not along it
        return None
    arc, facets = _arc(np.arctan2(off[:, 1], off[:, 0]))
    if not bent.all():
        facets = _arc(np.arctan2(off[bent, 1], off[bent, 0]))[1]
    if arc < MIN_ARC or facets < 7:  # noise may merge two of eight corners
        return None
    along = points @ axis
    start = centre @ basis + axis * along.min()
    return Cylinder(
        start,
        axis,
        radius,
        float(np.ptp(along)),
        mean > 0,
        arc,
        facets,
        radius * (1 - np.cos(np.pi / facets)),
        float(np.abs(distance - radius).max()),
        faces,
    )


def _bends(mesh: Mesh, faces: IntArray, rows: IntArray) -> np.ndarray:
    """(k,) which vertices ``rows`` of faces lie where facets meet, and not on one facet's chord."""
    corners = np.searchsorted(rows, mesh.faces[faces].reshape(-1))
    order = np.argsort(corners, kind="stable")
    starts = np.searchsorted(corners[order], np.arange(len(rows)))
    normals = np.repeat(mesh.normals[faces], 3, axis=0)[order]
    first = np.repeat(normals[starts], np.diff(np.append(starts, len(order))), axis=0)
    cosine = np.einsum("ij,ij->i", normals, first)
    return np.asarray(np.minimum.reduceat(cosine, starts) < np.cos(MIN_TURN), dtype=bool)


def _through_bends(
    flat: Array, bent: np.ndarray, fit: tuple[Array, float]
) -> tuple[np.ndarray, tuple[Array, float]]:
    """Where a cylinder was cut askew, or a side split, vertices lie on its facets' chords, inside the circle:
    the circle through the others, and which those are, when it goes through them exactly; else all."""
    corners = np.unique((flat[bent] / (NOISY_SHARE * fit[1])).round(), axis=0)
    other = fit_circle(flat[bent]) if len(corners) >= LEAST_BENT else None
    if other is None or _uneven(flat[bent], *other) > NOISY_SHARE:
        return np.ones(len(flat), dtype=bool), fit
    return bent, other


def _uneven(flat: Array, centre: Array, radius: float) -> float:
    """How far the furthest of the points lies off a circle, as a share of its radius."""
    return float(np.abs(np.linalg.norm(flat - centre, axis=1) - radius).max()) / radius


def _grown(mesh: Mesh, free: np.ndarray, c: Cylinder) -> Cylinder:
    """The cylinder with the faces beside it that noise has tilted out of it but whose corners lie on it."""
    if c.roundness < NOISY_SHARE * c.radius:
        return c
    off = mesh.vertices - c.start
    flat = off - np.outer(off @ c.axis, c.axis)
    on = np.abs(np.linalg.norm(flat, axis=1) - c.radius) <= NOISE_REACH * c.roundness
    radial = flat[mesh.faces].mean(axis=1) * (1 if c.convex else -1)
    tilted = np.abs(mesh.normals @ c.axis) < NOISE_TILT
    allowed = free & on[mesh.faces].all(axis=1) & tilted & (np.einsum("ij,ij->i", radial, mesh.normals) > 0)
    allowed[c.faces] = True
    pairs = mesh.adjacency[0]
    piece = connected(len(mesh.faces), pairs[allowed[pairs].all(axis=1)])
    faces = np.flatnonzero(allowed & (piece == piece[c.faces[0]]))
    whole = _fit_cylinder(mesh, faces, c.axis) if len(faces) > len(c.faces) else None
    return c if whole is None or whole.convex != c.convex else whole


def fit_circle(flat: Array) -> tuple[Array, float] | None:
    """Centre and radius of the least-squares circle through (n, 2) points; None for a line or a point.

    Source: Kasa's algebraic fit, then one Gauss-Newton step to the geometric one.
    """
    middle = flat.mean(axis=0)
    p = flat - middle
    size = np.abs(p).max(initial=0.0)
    if len(flat) < 5 or size == 0:
        return None
    p = p / size
    solution, _, rank, _ = np.linalg.lstsq(np.column_stack([2 * p, np.ones(len(p))]), (p**2).sum(axis=1))
    if rank < 3:
        return None
    centre = solution[:2]
    radius = float(np.sqrt(max(solution[2] + centre @ centre, 0)))
    for _ in range(3):
        off = p - centre
        distance = np.linalg.norm(off, axis=1)
        unit = off / np.maximum(distance, 1e-12)[:, None]
        step, *_ = np.linalg.lstsq(np.column_stack([unit, np.ones(len(p))]), distance - radius)
        centre, radius = centre + step[:2], radius + float(step[2])
    if not np.isfinite(radius) or radius <= 0 or radius > 50:  # a flat face: radius over 50 times its size
        return None
    return centre * size + middle, float(radius * size)


def _arc(angles: Array) -> tuple[float, int]:
    """Radians covered by the corners of a polygon, and the sides its median turn would give the circle."""
    turns = np.sort(np.unique(np.round(np.mod(angles, 2 * np.pi), 5)))
    steps = np.diff(np.append(turns, turns[0] + 2 * np.pi))
    steps = steps[steps > 2e-3]
    if len(steps) < 3:
        return 0.0, 0
    widest = float(steps.max())
    arc = 2 * np.pi if widest < MAX_TURN else 2 * np.pi - widest
    return arc, round(2 * np.pi / float(np.median(steps)))


def _divided(mesh: Mesh, faces: IntArray, axis: Array, pairs: IntArray) -> Iterator[Cylinder]:
    """Arcs of a mixed piece: consecutive facets belong together when they share one circle."""
    basis = plane_basis(axis)
    flat_normals = mesh.normals @ basis.T
    ends = mesh.vertices[mesh.faces[faces]] @ basis.T
    # A lateral face is a segment seen along the axis: its extreme points along its own direction.
    tangent = np.column_stack([-flat_normals[faces, 1], flat_normals[faces, 0]])
    along = np.einsum("fvi,fi->fv", ends, tangent)
    middle = np.einsum("fvi,fi->fv", ends, flat_normals[faces]).mean(axis=1)
    low, high = along.min(axis=1), along.max(axis=1)
    width = np.zeros(len(mesh.faces))
    width[faces] = high - low
    centre_point = np.zeros((len(mesh.faces), 2))
    centre_point[faces] = ((low + high) / 2)[:, None] * tangent + middle[:, None] * flat_normals[faces]
    turn = np.abs(_angle_between(flat_normals[pairs[:, 0]], flat_normals[pairs[:, 1]]))
    # Two facets of one circle are as wide as each other, or have been cut along the axis (turn 0).
    wide, narrow = width[pairs].max(axis=1), width[pairs].min(axis=1)
    gap = np.linalg.norm(centre_point[pairs[:, 0]] - centre_point[pairs[:, 1]], axis=1)
    same_plane = turn < 1e-3
    alike = same_plane | ((wide < 2.5 * narrow) & (gap < 1.5 * wide))
    piece = connected(len(mesh.faces), pairs[alike])
    for group in _groups(piece, faces, 5):
        fit = _fit_cylinder(mesh, group, axis)
        if fit is not None:
            yield fit


def _angle_between(a: Array, b: Array) -> Array:
    return np.arctan2(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0], (a * b).sum(axis=1))


def _joined(mesh: Mesh, cylinders: list[Cylinder]) -> list[Cylinder]:
    """Arcs on one circle (a slit pin, a patch torn by noise) and touching lengths, joined to one."""
    if len(cylinders) < 2:
        return cylinders
    middle = mesh.vertices.mean(axis=0)
    feet = np.array([c.start - middle - ((c.start - middle) @ c.axis) * c.axis for c in cylinders])
    reach = 2 * ROUND_SHARE * max(c.radius for c in cylinders)
    near = tree(feet).query_pairs(reach, output_type="ndarray")
    mates = [pair for pair in near.tolist() if _same(cylinders[pair[0]], cylinders[pair[1]])]
    if not mates:
        return cylinders
    piece = connected(len(cylinders), np.array(mates))
    result: list[Cylinder] = []
    for group in _groups(piece, np.arange(len(cylinders)), 1):
        members = [cylinders[row] for row in group]
        whole = None
        if len(members) > 1:
            faces = np.sort(np.concatenate([c.faces for c in members]))
            whole = _fit_cylinder(mesh, faces, members[0].axis)
        result.extend(members if whole is None else [whole])
    return result


def _same(a: Cylinder, b: Cylinder) -> bool:
    """On one axis, of one radius, facing alike, and overlapping or touching along the axis."""
    if a.convex != b.convex or abs(a.axis @ b.axis) < np.cos(AXIS_SPREAD):
        return False
    reach = max(ROUND_SHARE, 0.01) * a.radius
    off = b.start - a.start
    along = float(off @ a.axis)
    across = float(np.linalg.norm(off - along * a.axis))
    touching = along <= a.length + reach and along + b.length >= -reach
    return abs(a.radius - b.radius) < reach and across < reach and touching


# --------------------------------------------------------------------------------- spheres


def _spheres(mesh: Mesh) -> Iterator[Sphere]:
    pairs, turn, _ = mesh.adjacency
    for sign in (1.0, -1.0):
        bent = (sign * turn > -1e-3) & (np.abs(turn) < MAX_TURN)
        piece = connected(len(mesh.faces), pairs[bent])
        for faces in _groups(piece, np.arange(len(piece)), 16):
            sphere = _fit_sphere(mesh, faces, sign > 0)
            if sphere is not None:
                yield sphere


def _fit_sphere(mesh: Mesh, faces: IntArray, convex: bool) -> Sphere | None:
    vertices = np.unique(mesh.faces[faces])
    areas, normals = mesh.areas[faces], mesh.normals[faces]
    if len(vertices) < LEAST_POINTS or not _bends_both_ways(normals, areas):
        return None
    rim = _rim(mesh, faces)
    # Where a sphere was cut, new vertices lie on its facets' chords, inside it: fit the others.
    inner = np.setdiff1d(vertices, rim)
    trusted = inner if len(inner) >= LEAST_POINTS else vertices
    fit = _sphere_through(mesh.vertices[trusted])
    if fit is None:
        return None
    centre, radius = fit
    off = np.abs(np.linalg.norm(mesh.vertices[trusted] - centre, axis=1) - radius)
    cut = np.linalg.norm(mesh.vertices[rim] - centre, axis=1)
    if ((cut < SPHERE_FACE * radius) | (cut > (1 + SPHERE_SHARE) * radius)).any():
        return None
    reach = np.einsum("ij,ij->i", normals, mesh.centres[faces] - centre) * (1 if convex else -1)
    flat = areas[reach < SPHERE_FACE * radius].sum()
    share = float(areas.sum() / (4 * np.pi * radius**2))
    uneven = np.sqrt(np.mean(off**2)) > SPHERE_SHARE * radius or flat > 0.02 * areas.sum()
    if uneven or share < MIN_SPHERE_SHARE:
        return None
    opening, lip = _opening(mesh, faces, centre, radius, rim)
    turns = np.abs(mesh.adjacency[1][np.isin(mesh.adjacency[0], faces).all(axis=1)])
    typical = float(np.median(turns[turns > MIN_TURN])) if (turns > MIN_TURN).any() else 0.0
    facets = round(2 * np.pi / typical) if typical else 0
    sag = radius * (1 - np.cos(typical / 2))
    return Sphere(centre, radius, convex, share, opening, lip, facets, sag, float(off.max()), faces)


def _bends_both_ways(normals: Array, areas: Array) -> bool:
    """Whether normals spread in every direction, and not most of them across one axis."""
    weighted = normals * np.sqrt(areas / areas.sum())[:, None]
    spread, ways = np.linalg.eigh(weighted.T @ weighted)
    band = areas[np.abs(normals @ ways[:, 0]) < LATERAL_TILT].sum()
    return bool(spread[0] >= SPHERE_SPREAD and band <= SPHERE_BAND * areas.sum())


def _sphere_through(points: Array) -> tuple[Array, float] | None:
    """Centre and radius of the least-squares sphere (Kasa's algebraic fit)."""
    middle = points.mean(axis=0)
    p = points - middle
    system = np.column_stack([2 * p, np.ones(len(p))])
    solution, _, rank, _ = np.linalg.lstsq(system, (p**2).sum(axis=1))
    squared = float(solution[3] + solution[:3] @ solution[:3])
    if rank < 4 or squared <= 0:
        return None
    return solution[:3] + middle, float(np.sqrt(squared))


def _rim(mesh: Mesh, faces: IntArray) -> IntArray:
    """Vertices on the border of a patch."""
    inside = np.zeros(len(mesh.faces), dtype=bool)
    inside[faces] = True
    pairs, _, ends = mesh.adjacency
    return np.unique(ends[inside[pairs].sum(axis=1) == 1])


def _opening(mesh: Mesh, faces: IntArray, centre: Array, radius: float, rim: IntArray) -> tuple[Array, float]:
    """Where a patch is open: mean direction of its rim, and the rim's radius about it."""
    if len(rim) < 3:
        return np.array([0.0, 0.0, 1.0]), 0.0
    away = mesh.vertices[rim] - centre
    solid = (mesh.areas[faces, None] * (mesh.centres[faces] - centre)).sum(axis=0)
    norm = float(np.linalg.norm(solid))
    direction = -solid / norm if norm > 0 else np.array([0.0, 0.0, 1.0])
    # The rim's height tells its radius on the true sphere; its vertices lie on chords inside it.
    height = float(np.median(away @ direction))
    return direction, float(np.sqrt(max(radius**2 - height**2, 0.0)))


def reversed_cylinder(cylinder: Cylinder) -> Cylinder:
    """The same surface measured from its other end."""
    end = cylinder.start + cylinder.axis * cylinder.length
    return replace(cylinder, start=end, axis=-cylinder.axis)
