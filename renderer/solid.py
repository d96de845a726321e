"""A mesh made ready to be drawn, once, however many times it is placed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from renderer.spatial import hull, tree
from renderer.topology import RowArray, Topology, connected

Array = NDArray[np.float64]
IntArray = NDArray[np.int64]

#: Two faces that meet at less than this are one smooth surface (degrees). Studs of 12 facets and more
#: (30 degrees and less between neighbours) are smooth; a 45 degree chamfer keeps both its lines.
CREASE_DEG = 35.0
#: A coarser round, of 8 to 11 facets, is smooth too where it is one beyond doubt: folds of up to this angle
#: (8 facets: 45), this many of them alike in a row (half a turn), their strips of one width within this
#: share, their edges parallel by this cosine. The cut corners of a block are none: its sides are
#: wider.
ROUND_DEG, ROUND_FOLDS, WIDTH_SHARE, PARALLEL = 46.0, 4, 0.1, 0.9999
#: A mesh with more such folds is not made of blocks; they are left as they are.
MOST_FOLDS = 4000
#: A patch whose normals stray less than this from their mean is planar (degrees); tessellation noise.
PLANAR_DEG = 0.5
#: Planes nearer than this share of the largest extent are one plane.
COPLANAR_SHARE = 1e-4
#: What is worth keeping of a mesh, and of how its faces hang together.
WORKED_OUT = ("normals", "offsets", "patch", "planar", "breadth", "outer")
WORKED_OUT_FACES = ("edges", "neighbour", "outward", "flat")


@dataclass(frozen=True, eq=False)
class Solid:
    """A triangle mesh with what drawing needs of it. Open, flipped or degenerate meshes are fine.

    vertices: (n, 3) mm; faces: (m, 3) indices. A *patch* is a run of faces without a crease between
    them: the side of a stud, the top of a block. Lines are drawn between patches, never within one.
    """

    vertices: Array
    faces: IntArray

    def __post_init__(self) -> None:
        object.__setattr__(self, "vertices", _frozen(self.vertices, np.float64))
        object.__setattr__(self, "faces", _frozen(self.faces, np.int64))
        if self.vertices.ndim != 2 or self.vertices.shape[1] != 3:
            raise ValueError(f"vertices: expected (n, 3), got {self.vertices.shape}")
        if self.faces.ndim != 2 or self.faces.shape[1] != 3:
            raise ValueError(f"faces: expected (m, 3), got {self.faces.shape}")

    def __getstate__(self) -> dict[str, Any]:
        return {"vertices": self.vertices, "faces": self.faces}  # an Embree scene cannot be pickled

    def __setstate__(self, state: dict[str, Any]) -> None:
        for name, value in state.items():
            object.__setattr__(self, name, value)

    @cached_property
    def extent(self) -> float:
        """Largest extent along an axis, mm."""
        if not len(self.vertices):
            return 0.0
        return float(np.ptp(self.vertices, axis=0).max())

    @cached_property
    def normals(self) -> Array:
        """(m, 3) unit normals as the winding has them; zero for a face without area."""
        corners = self.vertices[self.faces]
        cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        length = np.linalg.norm(cross, axis=1)
        thin = length <= 1e-12 * max(self.extent, 1e-300) ** 2
        return _frozen(np.where(thin[:, None], 0.0, cross / np.where(thin, 1.0, length)[:, None]), np.float64)

    @cached_property
    def offsets(self) -> Array:
        """(m,) distance of each face's plane from the origin along its normal, mm."""
        return _frozen(np.einsum("ij,ij->i", self.normals, self.vertices[self.faces[:, 0]]), np.float64)

    @cached_property
    def topology(self) -> Topology:
        return Topology(self.vertices, self.faces, self.normals, self.extent)

    @cached_property
    def patch(self) -> IntArray:
        """(m,) the patch of each face, 0 ... patches - 1."""
        folds = _folds(self.topology)
        label = connected(len(self.faces), folds.face[folds.smooth])
        round_ = _round_folds(label, folds, self.vertices, self.faces)
        if len(round_):
            label = connected(len(self.faces), np.concatenate([folds.face[folds.smooth], round_]))
        return _frozen(_merge_coplanar(label, self.normals, self.offsets, self.extent), np.int64)

    @cached_property
    def patches(self) -> int:
        return int(self.patch.max()) + 1 if len(self.patch) else 0

    @cached_property
    def planar(self) -> NDArray[np.bool_]:
        """(patches,) True where all faces of the patch lie in one direction."""
        return _frozen(_planar(self.patch, self.normals, self.patches), np.bool_)

    @cached_property
    def breadth(self) -> Array:
        """(patches,) second largest extent of each patch along the axes, mm: how wide it can look."""
        low = np.full((self.patches, 3), np.inf)
        high = np.full((self.patches, 3), -np.inf)
        corners = self.vertices[self.faces]
        np.minimum.at(low, self.patch, corners.min(axis=1))
        np.maximum.at(high, self.patch, corners.max(axis=1))
        return _frozen(np.sort(high - low, axis=1)[:, 1], np.float64)

    @cached_property
    def outer(self) -> Array:
        """(k, 3) vertices of the convex hull: all that is needed to bound any view of the mesh."""
        used = np.unique(self.faces)
        points = self.vertices[used]
        round_ = hull(points)
        return _frozen(points if round_ is None else points[round_.vertices], np.float64)

    @cached_property
    def middle(self) -> Array:
        """(3,) a point in the midst of the mesh."""
        return _frozen(self.outer.mean(axis=0) if len(self.outer) else np.zeros(3), np.float64)

    def worked_out(self) -> dict[str, Any]:
        """What drawing needs to know of the mesh, worked out; for :meth:`knowing`."""
        own = {name: getattr(self, name) for name in WORKED_OUT}
        return {**own, "topology": {name: getattr(self.topology, name) for name in WORKED_OUT_FACES}}

    def knowing(self, worked_out: Mapping[str, Any]) -> Solid:
        """This solid, which need not work out again what :meth:`worked_out` told of one of the same mesh."""
        known = dict(worked_out)
        self.topology.__dict__.update(known.pop("topology"))
        self.__dict__.update(known)
        return self

    @cached_property
    def scene(self) -> Any:
        """The Embree scene of the mesh in its own coordinates."""
        from embreex.mesh_construction import TriangleMesh

        from renderer.scenes import ray_scene

        scene = ray_scene()
        vertices = np.ascontiguousarray(self.vertices, dtype=np.float32)
        TriangleMesh(scene, vertices, np.ascontiguousarray(self.faces, dtype=np.int32))
        return scene


def _frozen(values: ArrayLike, kind: Any) -> NDArray[Any]:
    array = np.array(values, dtype=kind)
    array.setflags(write=False)
    return array


@dataclass(frozen=True, eq=False)
class _Folds:
    """Edges between two faces."""

    face: RowArray  #: (k, 2)
    ends: RowArray  #: (k, 2) vertices, by the first face
    cosine: Array  #: (k,) between the faces' planes
    smooth: NDArray[np.bool_]  #: (k,) not a crease


def _folds(topology: Topology) -> _Folds:
    """Every edge that two faces share."""
    (face, ends), normals = topology.adjacent, topology.normals
    one, two = face[:, 0], face[:, 1]
    # flipped faces: the angle between the planes counts, so a fold of 180 degrees looks flat too,
    # which a mesh with inconsistent winding needs and a sound one never has
    cosine = np.abs(np.einsum("ij,ij->i", normals[one], normals[two]))
    empty = ~normals[one].any(axis=1) | ~normals[two].any(axis=1)
    smooth = empty | (cosine > np.cos(np.radians(CREASE_DEG)))
    return _Folds(face, ends, cosine, smooth)


def _round_folds(label: IntArray, folds: _Folds, vertices: Array, faces: IntArray) -> IntArray:
    """(k, 2) faces on both sides of creases that are none, being those of a coarse round: at least
    ROUND_FOLDS alike in a row, parallel, between strips of one width."""
    low, high = np.cos(np.radians([ROUND_DEG, CREASE_DEG]))
    rows = np.flatnonzero((folds.cosine > low) & (folds.cosine <= high) & ~folds.smooth)
    way = np.diff(vertices[folds.ends[rows]], axis=1)[:, 0]
    length = np.linalg.norm(way, axis=1)
    rows, way, length = rows[length > 0], way[length > 0], length[length > 0]
    if not ROUND_FOLDS <= len(rows) <= MOST_FOLDS:
        return np.zeros((0, 2), np.int64)
    way = way / length[:, None]
    strips = label[folds.face[rows]]
    width = _widths(strips, way, vertices[folds.ends[rows, 0]], label, vertices, faces)
    alike = np.abs(width[:, 0] - width[:, 1]) < WIDTH_SHARE * width.max(axis=1)
    rows, strips, way = rows[alike], strips[alike], way[alike]
    group = connected(len(rows), _neighbours(strips, way))
    # a crease may be cut into several edges: what counts is how many strips follow each other
    many = [number for number in np.unique(group) if len(np.unique(strips[group == number])) > ROUND_FOLDS]
    return folds.face[rows[np.isin(group, many)]]


def _widths(
    strips: IntArray, way: Array, start: Array, label: IntArray, vertices: Array, faces: IntArray
) -> Array:
    """(k, 2) how far the strips on both sides of each crease reach from it, across its direction."""
    corners = {strip: vertices[np.unique(faces[label == strip])] for strip in np.unique(strips).tolist()}
    found = np.zeros(strips.shape)
    for row, pair in enumerate(strips.tolist()):
        for side, strip in enumerate(pair):
            points = corners[strip] - start[row]
            across = points - (points @ way[row])[:, None] * way[row]
            found[row, side] = np.linalg.norm(across, axis=1).max()
    return found


def _neighbours(strips: IntArray, way: Array) -> IntArray:
    """(n, 2) pairs of parallel creases on one strip."""
    pairs = []
    for strip in np.unique(strips):
        of = np.flatnonzero((strips == strip).any(axis=1))
        parallel = np.abs(way[of] @ way[of].T) > PARALLEL
        one, two = np.nonzero(np.triu(parallel, 1))
        pairs.append(np.stack([of[one], of[two]], axis=1))
    return np.concatenate(pairs) if pairs else np.zeros((0, 2), np.int64)


def _planar(patch: IntArray, normals: Array, patches: int) -> NDArray[np.bool_]:
    """(patches,) whether all normals of a patch agree, either way round."""
    first = np.zeros((patches, 3))
    real = normals.any(axis=1)
    first[patch[real][::-1]] = normals[real][::-1]
    stray = np.abs(np.einsum("ij,ij->i", first[patch], normals)) < np.cos(np.radians(PLANAR_DEG))
    bent = np.zeros(patches, dtype=bool)
    np.logical_or.at(bent, patch[real], stray[real])
    return ~bent


def _merge_coplanar(label: IntArray, normals: Array, offsets: Array, extent: float) -> IntArray:
    """Planar patches that lie in one plane become one: T-shaped seams leave no line."""
    count = int(label.max(initial=-1)) + 1
    planar = _planar(label, normals, count)
    first = np.full(count, -1)
    real = np.flatnonzero(normals.any(axis=1))
    first[label[real][::-1]] = real[::-1]
    rows = np.flatnonzero(planar & (first >= 0))
    if len(rows) < 2:
        return label
    normal, offset = normals[first[rows]], offsets[first[rows]]
    lead = normal[np.arange(len(rows)), np.abs(normal).argmax(axis=1)]
    sign = np.where(lead < 0, -1.0, 1.0)
    place = np.column_stack([normal * sign[:, None] * extent, offset * sign])
    pairs = tree(place).query_pairs(max(extent, 1e-9) * COPLANAR_SHARE, output_type="ndarray")
    return connected(count, rows[pairs])[label]
