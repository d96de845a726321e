"""Shapes as FCL collision geometry: whole, shrunk by a tolerance, or swept along a line.

Nothing here shares code or method with the planner's motion (depth maps of parallel rays): a move is
tested by FCL's exact triangle tests on surfaces swept continuously, not by samples.

Two solids that move past each other first meet where an edge of one crosses a face of the other. So
"A, moving along v, hits B" is decided by two questions: do the surfaces that A's edges sweep along v
cross B's faces, and do those that B's edges sweep along -v cross A's faces?

Parts that fit tightly overlap by design, and seated parts touch. So both solids are first made
thinner by a tolerance: every face moves inwards along its normal, thin walls less. What still meets then
overlaps by more than that. The two are thinned by unlike amounts, so that faces that lie in one plane
before never do after (FCL, like any exact test, is undecided there).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import fcl
import manifold3d
import numpy as np
from embreex.mesh_construction import TriangleMesh
from numpy.typing import ArrayLike, NDArray

from renderer.scenes import ray_scene
from steps.model import Array, Model, Shape
from steps.planes import replaned

#: Vertices closer than this are one, mm: STL repeats each corner in float32.
WELD_MM = 1e-4
#: Edges whose faces turn less than this sweep nothing that their neighbours do not, radians (0.1 deg).
CREASE_MIN = np.radians(0.1)
#: Shares of the tolerance by which the moving and the standing solid are thinned.
MOVING_SHARE, STANDING_SHARE = 0.6, 0.4
#: No tolerance is more than this share of the wall behind a face, of which the other side moves as well: a
#: thin wall that was turned inside out would meet everything.
WALL_SHARE = 0.6
#: The wall is looked at behind the middle of a face, and behind its corners, so far in from them.
IN_FROM_CORNER = 0.1
#: A ray into a wall starts so far inside it, of the solid's extent: more than the rounding of float32.
INSIDE_SHARE = 1e-6
#: Facets are merged where that moves the surface by no more than this, mm, nor by more than this share of
#: the tolerance: vertices of a noisy file are off by up to 0.05 mm, and facets of studs no wider than 0.2.
NOISE_MM, NOISE_SHARE = 0.2, 0.3
#: Damping of the small linear system that moves a vertex off its faces: keeps vertices of nearly
#: parallel, noisy facets from running off sideways, at the price of 0.1 % of the tolerance.
DAMPING = 1e-3
#: No vertex moves further than this many times the tolerance (sharp spikes would).
FURTHEST = 3.0


@dataclass(frozen=True, eq=False)
class Surface:
    """A welded triangle surface, normals outwards, without triangles of no area."""

    vertices: Array
    faces: NDArray[np.int64]

    @property
    def normals(self) -> Array:
        """(m, 3), length twice the area."""
        a, b, c = (self.vertices[self.faces[:, corner]] for corner in range(3))
        return np.cross(b - a, c - a)


def welded(shape: Shape) -> Surface:
    """The shape's mesh with equal corners merged and turned right side out."""
    keys = np.round(shape.vertices / WELD_MM).astype(np.int64)
    _, first, inverse = np.unique(keys, axis=0, return_index=True, return_inverse=True)
    faces = inverse.reshape(-1)[shape.faces]
    proper = (faces[:, 0] != faces[:, 1]) & (faces[:, 1] != faces[:, 2]) & (faces[:, 2] != faces[:, 0])
    surface = Surface(shape.vertices[first], faces[proper])
    a, b, c = (surface.vertices[surface.faces[:, corner]] for corner in range(3))
    if np.einsum("ij,ij->", a, np.cross(b, c)) < 0:
        return Surface(surface.vertices, surface.faces[:, ::-1].copy())
    return surface


def thinned(surface: Surface, by_mm: ArrayLike) -> Surface:
    """Move every face inwards by ``by_mm`` (m,) or a number: each vertex goes where its moved faces meet."""
    normals = surface.normals
    length = np.linalg.norm(normals, axis=1)
    real = length > 0
    faces, unit = surface.faces[real], normals[real] / length[real, None]
    by = np.broadcast_to(np.asarray(by_mm, dtype=float), len(real))[real]
    weights = _corner_angles(surface.vertices, faces)
    system = np.zeros((len(surface.vertices), 3, 3))
    wanted = np.zeros((len(surface.vertices), 3))
    for corner in range(3):
        weight = weights[:, corner]
        np.add.at(system, faces[:, corner], weight[:, None, None] * unit[:, :, None] * unit[:, None, :])
        np.add.at(wanted, faces[:, corner], -(by * weight)[:, None] * unit)
    shift = np.linalg.solve(system + DAMPING * np.eye(3), wanted[:, :, None])[:, :, 0]
    reach = np.linalg.norm(shift, axis=1, keepdims=True)
    shift *= np.minimum(1.0, FURTHEST * by.max(initial=0.0) / np.maximum(reach, 1e-300))
    return Surface(surface.vertices + shift, surface.faces)


def unfolded(before: Surface, after: Surface) -> Surface:
    """The surface ``after`` its corners moved, its flat sides cut anew where a triangle was folded over: in a
    ring cut by long chords one comes to lie across the hole."""
    faces = replaned(before.vertices, after.vertices, before.faces)
    return after if faces is None else Surface(after.vertices, faces)


def walls(surface: Surface) -> Array:
    """(m,) the least mm of solid behind each face, infinite where no ray inwards meets anything: a face may
    stand before a thick wall and a thin one."""
    normals = surface.normals
    inwards = -normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    corners = surface.vertices[surface.faces]
    inside = INSIDE_SHARE * float(np.ptp(surface.vertices, axis=0).max(initial=0.0))
    scene = ray_scene()
    TriangleMesh(scene, np.ascontiguousarray(corners, dtype=np.float32))
    middle = corners.mean(axis=1)
    spots = [middle, *(each + IN_FROM_CORNER * (middle - each) for each in corners.transpose(1, 0, 2))]
    starts = np.concatenate(spots) + inside * np.tile(inwards, (4, 1))
    far = scene.run(starts.astype(np.float32), np.tile(inwards, (4, 1)).astype(np.float32), query="DISTANCE")
    found = np.where(far < 1e30, far + inside, np.inf).astype(np.float64)
    return np.asarray(found.reshape(4, -1).min(axis=0))


def smoothed(surface: Surface, by_mm: float) -> Surface:
    """The surface with facets merged as long as it moves by no more than ``by_mm``; an open one as it is."""
    mesh = manifold3d.Mesh64(
        np.ascontiguousarray(surface.vertices), np.ascontiguousarray(surface.faces, dtype=np.uint64)
    )
    solid = manifold3d.Manifold(mesh)
    if solid.status() != manifold3d.Error.NoError or solid.is_empty():
        return surface
    fewer = solid.simplify(by_mm).to_mesh64()
    return Surface(
        np.asarray(fewer.vert_properties[:, :3], dtype=float), np.asarray(fewer.tri_verts, dtype=np.int64)
    )


def _corner_angles(vertices: Array, faces: NDArray[np.int64]) -> Array:
    """(m, 3) angle of each triangle at each corner, so that slivers weigh little."""
    corners = vertices[faces]
    ahead = np.roll(corners, -1, axis=1) - corners
    behind = np.roll(corners, 1, axis=1) - corners
    cross = np.linalg.norm(np.cross(ahead, behind), axis=2)
    return np.arctan2(cross, np.einsum("mij,mij->mi", ahead, behind))


def crease_edges(surface: Surface) -> NDArray[np.int64]:
    """(k, 2) edges where the surface bends, ends, or joins more than two faces."""
    sides = np.sort(surface.faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    owner = np.repeat(np.arange(len(surface.faces)), 3)
    edges, inverse, counts = np.unique(sides, axis=0, return_inverse=True, return_counts=True)
    inverse = inverse.reshape(-1)
    order = np.argsort(inverse, kind="stable")
    starts = np.cumsum(counts) - counts
    pairs = counts == 2
    one, two = owner[order[starts[pairs]]], owner[order[starts[pairs] + 1]]
    normals = surface.normals
    normals = normals / np.maximum(np.linalg.norm(normals, axis=1, keepdims=True), 1e-300)
    bend = np.ones(len(edges), dtype=bool)
    bend[pairs] = np.einsum("ij,ij->i", normals[one], normals[two]) < np.cos(CREASE_MIN)
    return edges[bend]


def swept(surface: Surface, edges: NDArray[np.int64], start: Array, end: Array) -> Surface:
    """The strips that ``edges`` sweep while the surface goes from offset ``start`` to ``end``."""
    a, b = surface.vertices[edges[:, 0]], surface.vertices[edges[:, 1]]
    corners = np.stack([a + start, b + start, b + end, a + end], axis=1)
    strips = np.arange(4 * len(edges)).reshape(-1, 4)
    faces = np.concatenate([strips[:, [0, 1, 2]], strips[:, [0, 2, 3]]])
    area = np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 3] - corners[:, 0]), axis=1)
    return Surface(corners.reshape(-1, 3), faces[np.tile(area > 0, 2)])


def bvh(surface: Surface) -> fcl.BVHModel:
    """The surface as FCL geometry."""
    model = fcl.BVHModel()
    model.beginModel(len(surface.vertices), len(surface.faces))
    model.addSubModel(np.ascontiguousarray(surface.vertices), np.ascontiguousarray(surface.faces))
    model.endModel()
    return model


def placed(geometry: fcl.BVHModel, pose: Array) -> fcl.CollisionObject:
    """Geometry of a shape at a part's pose."""
    return fcl.CollisionObject(geometry, fcl.Transform(pose[:3, :3], pose[:3, 3]))


@dataclass(eq=False)
class Solids:
    """The model's shapes as collision geometry, each kind made once and kept."""

    model: Model
    tolerance_mm: float
    _welded: dict[str, Surface] = field(default_factory=dict)
    _smooth: dict[str, Surface] = field(default_factory=dict)
    _thin: dict[tuple[str, float, float], tuple[Surface, NDArray[np.int64]]] = field(default_factory=dict)
    _bvh: dict[tuple[object, ...], fcl.BVHModel] = field(default_factory=dict)

    def surface(self, shape: str) -> Surface:
        if shape not in self._welded:
            self._welded[shape] = welded(self.model.shape_by_id[shape])
        return self._welded[shape]

    def smooth(self, shape: str) -> Surface:
        """The surface without facets finer than the noise of a file: those have no dependable normal."""
        if shape not in self._smooth:
            self._smooth[shape] = smoothed(
                self.surface(shape), min(NOISE_MM, NOISE_SHARE * self.tolerance_mm)
            )
        return self._smooth[shape]

    def whole(self, shape: str) -> fcl.BVHModel:
        """The shape as it is."""
        key = ("whole", shape)
        if key not in self._bvh:
            self._bvh[key] = bvh(self.surface(shape))
        return self._bvh[key]

    def thin(self, shape: str, share: float, snap_mm: float = 0.0) -> fcl.BVHModel:
        """The shape with every face moved inwards by a share of the tolerance, and of a snap, which gives."""
        key = ("thin", shape, share, snap_mm)
        if key not in self._bvh:
            self._bvh[key] = bvh(self._thin_surface(shape, share, snap_mm)[0])
        return self._bvh[key]

    def sweep(self, shape: str, share: float, snap_mm: float, start: Array, end: Array) -> fcl.BVHModel:
        """The strips swept by the thinned shape's edges, offsets in shape coordinates."""
        key = ("sweep", shape, share, snap_mm, *np.round([*start, *end], 6))
        if key not in self._bvh:
            surface, edges = self._thin_surface(shape, share, snap_mm)
            self._bvh[key] = bvh(swept(surface, edges, start, end))
        return self._bvh[key]

    def _thin_surface(self, shape: str, share: float, snap_mm: float) -> tuple[Surface, NDArray[np.int64]]:
        key = (shape, share, snap_mm)
        if key not in self._thin:
            smooth = self.smooth(shape)
            by = np.minimum(self.tolerance_mm, WALL_SHARE * walls(smooth)) + snap_mm
            surface = unfolded(smooth, thinned(smooth, share * by))
            self._thin[key] = (surface, crease_edges(surface))
        return self._thin[key]
