"""Solids that stand in each other deeper than any press fit, and by how many millimetres.

A cheap test first: points on each shape's surface, drawn inwards by the depth that is allowed, must
not lie in the other shape. One ray tells: it meets the other shape from inside or not. Only the few
situations that fail are intersected as solids.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product
from weakref import WeakKeyDictionary

import manifold3d
import numpy as np

from renderer.spatial import tree
from steps.features.anatomy import Anatomy
from steps.features.mesh import Mesh, clean, winding
from steps.features.probe import Probe
from steps.mend.unite import SILENT
from steps.model import Array, IntArray
from steps.workers import apart

#: Depth, as a share of the unit length, beyond which no press fit goes (0.3 mm at a pitch of 10):
#: files by other makers interfere by 0.2 mm and overlap along the axis by 0.1 mm and still close.
DEEP_SHARE = 0.03
#: Points on a surface lie about this share of the unit length apart: finer than two walls' crossing.
SPACING_SHARE = 1 / 6
#: At most this many points a shape.
MAX_POINTS = 40_000
#: A corner so sharp that its drawn-in point is further off than this many depths has none.
SHARPEST = 4.0
#: Points from which chords are cast, and chord middles measured exactly, to find the largest ball.
BALL_POINTS = 2000
MIDDLES_ASKED = 400
BALLS_TRIED = 24
#: Points times triangles of which distances are told at once: 20 MB.
ASKED_AT_ONCE = 50_000
#: The best ball is moved by this share of its radius while it grows, then by half as much, down to the least;
#: it grows when it does by this share.
FIRST_MOVE, LEAST_MOVE, GROWS = 0.5, 0.01, 1e-3


@dataclass(frozen=True, eq=False)
class Overlap:
    """How far two solids stand in each other."""

    depth_mm: float
    volume_mm3: float
    exact: bool  #: False when a mesh is open, so that the solids could not be intersected


class ProbedSolid(Probe):
    """A shape to be asked whether it stands in another."""

    @cached_property
    def solid(self) -> manifold3d.Manifold:
        self.about_to_make()
        return _solid(*_drawn(self.mesh))

    def forget(self) -> None:
        super().forget()
        self.__dict__.pop("solid", None)

    def drawn_in(self, depth: float, spacing: float) -> Array:
        """Points ``depth`` inside the surface: spread over the faces, and one for every corner."""
        count = int(np.clip(float(self.mesh.areas.sum()) / spacing**2, 64, MAX_POINTS))
        surface, normals = _spread(self.mesh, count)
        points = np.vstack([surface - depth * normals, self._corners(depth)])
        return points[self.inside(points)]

    def _corners(self, depth: float) -> Array:
        """Vertices moved inwards until they lie ``depth`` from each of their faces."""
        mesh = self.mesh
        squares = np.zeros((len(mesh.vertices), 3, 3))
        sums = np.zeros((len(mesh.vertices), 3))
        rows = mesh.faces.ravel()
        normals = np.repeat(mesh.normals, 3, axis=0)
        np.add.at(squares, rows, normals[:, :, None] * normals[:, None])
        np.add.at(sums, rows, normals)
        step = np.einsum("vij,vj->vi", np.linalg.pinv(squares, rcond=1e-3, hermitian=True), sums)
        usable = np.linalg.norm(step, axis=1) < SHARPEST
        return mesh.vertices[usable] - depth * step[usable]


_probes: WeakKeyDictionary[Anatomy, ProbedSolid] = WeakKeyDictionary()


def probe(body: Anatomy) -> ProbedSolid:
    """The shape's probe, remembered for as long as its anatomy lives."""
    found = _probes.get(body)
    if found is None:
        found = _probes[body] = ProbedSolid(body.mesh)
    return found


def drawn_points(body: Anatomy, unit: float) -> Array:
    """Points of a shape that no neighbour may contain."""
    if not len(body.mesh.faces):
        return np.zeros((0, 3))
    return probe(body).drawn_in(DEEP_SHARE * unit, SPACING_SHARE * unit)


def overlap(
    first: Anatomy,
    second: Anatomy,
    points: tuple[Array, Array],
    pose: Array,
    back: Array,
    unit: float,
    slack: float = 0.0,
) -> Overlap | None:
    """How deep two shapes stand in each other, or None; ``pose`` takes the second to the first, ``back``
    the first to the second; ``points`` are the :func:`drawn_points` of both. ``slack`` mm are allowed on
    top of a press fit: the corners of a coarse ball turned in its cup dip into the cup's facets."""
    if not len(first.mesh.faces) or not len(second.mesh.faces):
        return None
    hit = _any_inside(points[1], pose, back, first) or _any_inside(points[0], back, pose, second)
    return _depth(probe(first), probe(second), pose, DEEP_SHARE * unit + slack) if hit else None


def _any_inside(points: Array, pose: Array, back: Array, other: Anatomy) -> bool:
    """Whether any point, moved by ``pose``, lies in the other; only those near its box are moved."""
    low, high = other.mesh.bounds
    corners = np.array([[x, y, z] for x in (0, 1) for y in (0, 1) for z in (0, 1)]) * (high - low) + low
    there = corners @ back[:3, :3].T + back[:3, 3]
    near = np.all((points > there.min(axis=0)) & (points < there.max(axis=0)), axis=1)
    moved = points[near] @ pose[:3, :3].T + pose[:3, 3]
    return bool(probe(other).inside(moved).any())


def _depth(first: ProbedSolid, second: ProbedSolid, pose: Array, allowed: float) -> Overlap | None:
    """The largest ball that lies in both solids; None when that is no deeper than is allowed."""
    if len(first.mesh.faces) + len(second.mesh.faces) > SILENT:
        common = apart(True, _common_of, _drawn(first.mesh), _drawn(second.mesh), pose)
    else:
        common = _common(first.solid, second.solid, pose)
    if common is None:
        return Overlap(allowed, 0.0, False)
    vertices, faces, volume = common
    if volume < np.pi / 6 * allowed**3:
        return None
    deepest = _largest_ball(clean(vertices, faces))
    return Overlap(deepest, volume, True) if deepest > allowed else None


def _common_of(
    first: tuple[Array, IntArray], second: tuple[Array, IntArray], pose: Array
) -> tuple[Array, IntArray, float] | None:
    return _common(_solid(*first), _solid(*second), pose)


def _common(
    first: manifold3d.Manifold, second: manifold3d.Manifold, pose: Array
) -> tuple[Array, IntArray, float] | None:
    """What lies in both, and its volume; None where one of them is open."""
    common = first ^ second.transform(pose[:3])
    if common.status() != manifold3d.Error.NoError:
        return None
    raw = common.to_mesh64()
    vertices = np.array(raw.vert_properties, dtype=np.float64)[:, :3]
    return vertices, np.array(raw.tri_verts, dtype=np.int64), common.volume()


def _drawn(mesh: Mesh) -> tuple[Array, IntArray]:
    return np.array(mesh.vertices, dtype=np.float64, order="C"), np.array(mesh.faces, order="C")


def _solid(vertices: Array, faces: IntArray) -> manifold3d.Manifold:
    return manifold3d.Manifold(manifold3d.Mesh64(vertices, faces.astype(np.uint64)))


def _largest_ball(mesh: Mesh) -> float:
    """Diameter of about the largest ball in a solid: the best of the middles of chords from its faces."""
    if not len(mesh.faces):
        return 0.0
    surface, normals = _spread(mesh, BALL_POINTS)
    origins = surface - 1e-4 * mesh.diagonal * normals
    chords = Probe(mesh).distances(origins, -normals)
    met = np.isfinite(chords)
    middles = origins[met] - normals[met] * chords[met, None] / 2
    if not len(middles):
        return 0.0
    # Sheets of no thickness hang on such solids, and rays slip through them: ask what is inside.
    room, _ = tree(surface).query(middles)
    best = _first_inside(mesh, middles[np.argsort(-room, kind="stable")[:MIDDLES_ASKED]])
    if not len(best):
        return 0.0
    room = _distances(mesh, best)
    return 2 * _grown(mesh, best[np.argmax(room)], float(room.max()))


def _first_inside(mesh: Mesh, points: Array) -> Array:
    """The first of the points that lie inside, as many as are tried; no more are asked than that takes."""
    found = points[:0]
    while len(points) and len(found) < BALLS_TRIED:
        some, points = points[:BALLS_TRIED], points[BALLS_TRIED:]
        found = np.vstack([found, some[winding(mesh, some) > 0.5]])
    return found[:BALLS_TRIED]


def _grown(mesh: Mesh, middle: Array, radius: float) -> float:
    """Radius of the ball round a point inside, moved about while it grows: chords are cast from so many
    points only, and their middles are seldom the very middle of a wall."""
    ways = np.array([way for way in product((-1.0, 0.0, 1.0), repeat=3) if any(way)])
    ways /= np.linalg.norm(ways, axis=1)[:, None]
    move = FIRST_MOVE
    while move >= LEAST_MOVE:
        moved = middle + move * radius * ways  # never out of the ball, and so inside
        radii = _distances(mesh, moved)
        best = int(np.argmax(radii))
        if radii[best] > radius * (1 + GROWS):
            middle, radius = moved[best], float(radii[best])
        else:
            move /= 2
    return radius


def _distances(mesh: Mesh, points: Array) -> Array:
    """(k,) from each point to the nearest place on the surface, reckoned in lengths of the mesh: the
    library's tolerances are absolute, and it says that triangles of a micrometre are infinitely far."""
    from trimesh.triangles import closest_point  # slow to load, and seldom needed

    found = []
    pieces = 1 + points.shape[0] * len(mesh.faces) // ASKED_AT_ONCE
    for some in np.array_split(points, min(len(points), pieces)):
        off = ((mesh.triangles - some[:, None, None]) / mesh.diagonal).reshape(-1, 3, 3)
        nearest = np.linalg.norm(closest_point(off, np.zeros((len(off), 3))), axis=1)
        found.append(nearest.reshape(len(some), -1).min(axis=1) * mesh.diagonal)
    return np.concatenate(found)


def _spread(mesh: Mesh, count: int) -> tuple[Array, Array]:
    """Points evenly over the surface, the same every time, and the normal at each."""
    total = float(mesh.areas.sum())
    at = (np.arange(count) + 0.5) / count * total
    face = np.minimum(np.searchsorted(np.cumsum(mesh.areas), at), len(mesh.faces) - 1)
    # Additive recurrence with the plastic number: even over each face.
    u, v = np.mod(np.arange(count)[:, None] * [0.7548776662466927, 0.5698402909980532] + 0.5, 1).T
    over = u + v > 1
    u, v = np.where(over, 1 - u, u), np.where(over, 1 - v, v)
    a, b, c = (mesh.triangles[face, k] for k in range(3))
    return a + u[:, None] * (b - a) + v[:, None] * (c - a), mesh.normals[face]
