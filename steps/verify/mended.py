"""Whether each mended solid is the one that its file shows: rays of this module's own from all round.

Nothing of how a mesh is mended is used here: no cells, no winding. A ray from outside meets the faces as read
and the solid at one place. Where the solid comes first, the plan must name a lid there, and the file must be
open round that lid: along its rim an odd number of faces of the file meet, as where one is missing. So a lid
over a socket that the file leaves open is refuted, and so is all that is named nowhere.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene
from numpy.typing import NDArray
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from renderer.scenes import ray_scene
from steps.model import Array, IntArray, Model, Shape
from steps.planfile import PlanFile
from steps.verify.report import Check

#: Rays from each side, a square grid of so many by so many.
RAYS_ACROSS = 48
#: Places agree within this share of the shape's diagonal (0.05 mm in 50), and four times how far apart
#: corners were that were joined.
AGREE_SHARE, AGREE_REACHES = 1e-3, 4.0
#: Share of the rays that may meet the solid first where no opening was closed: rays that graze an edge.
CLOSED_SHARE = 0.01
#: Share of the rays that may meet a face of the file that the solid lacks: specks, loose sheets.
LOST_SHARE = 0.01
#: A lid lies where the file is open when it is so along this share of its rim. Of a face of two triangles
#: that lacks one, the side between them is 0.41 of the rim; shells may lie on the other sides, and cross that
#: one here and there. Round the mouth of what is open by design the share is none.
OPEN_SHARE = 0.1
#: Spots of each side of a rim at which the file is looked at.
SPOTS = 8
#: Faces that meet at a rim are looked for round it in so many directions, each a little over its share.
LOOKS, OVERLAP = 24, 0.02
#: Corners of lids that agree to so many digits of a millimetre are one: the plan rounds them so.
SAME_DIGITS = 4


@dataclass(frozen=True)
class Unlike:
    """Of the rays from all round that meet a mended shape or its faces as read, which share meets first what
    the other lacks."""

    unnamed: float  #: the solid, where no lid is named
    unopened: float  #: a lid where the file is not open, of which nothing is said
    lost: float  #: a face of the file


def check_mended(plan: PlanFile, model: Model) -> Check:
    """The plan says of each shape whether its mesh was mended and which faces closed it, and rays find each
    mended solid in its file."""
    check = Check("mended meshes", "shapes", len(model.shapes))
    told = {shape.id: shape for shape in plan.shapes}
    for shape in model.shapes:
        made = "mended" if shape.mending.mended else "as read"
        entry = told.get(shape.id)
        if entry is not None and entry.made.startswith("mended") != shape.mending.mended:
            check.fault(f"{shape.id} is {entry.made} in the plan, and {made} in the model")
        if entry is None or shape.mending.raw is None or not len(shape.faces) or shape.changes:
            continue
        found = unlike(shape, np.array(entry.lids, dtype=float).reshape(-1, 3, 3))
        if found.unnamed > CLOSED_SHARE:
            check.fault(
                f"{shape.id}: {found.unnamed:.0%} of what is seen of the mended solid is not in the file, "
                "and the plan names no face that was closed there"
            )
        if found.unopened > CLOSED_SHARE:
            check.fault(
                f"{shape.id}: {found.unopened:.0%} of what is seen of the mended solid was closed where the "
                "file is not open"
            )
        if found.lost > LOST_SHARE:
            check.fault(
                f"{shape.id}: {found.lost:.0%} of what is seen in the file is not in the mended solid"
            )
    return check


def unlike(shape: Shape, lids: Array) -> Unlike:
    """How a mended shape and its faces as read differ, looked at from all round; ``lids`` (k, 3, 3) are what
    is said to have been closed."""
    solid, raw = shape.vertices[shape.faces], shape.mending.raw
    assert raw is not None
    middle = shape.bounds.mean(axis=0)
    diagonal = float(np.linalg.norm(shape.size_mm))
    slack = max(AGREE_SHARE * diagonal, AGREE_REACHES * shape.mending.reach_mm)
    scenes = [_scene(corners - middle) for corners in (solid, raw)]
    lid_scene = _scene(lids - middle) if len(lids) else None
    may = _at_openings(shape, lids, scenes[1], slack, middle)
    met = unnamed = unopened = behind = 0
    for way in _ways():
        origins = _origins(way, diagonal)
        of_solid, of_raw = (_first(scene, origins, way) for scene in scenes)
        either = np.isfinite(of_solid) | np.isfinite(of_raw)
        ahead = np.flatnonzero(either & (of_solid < of_raw - slack))
        ahead = ahead[~_beside(scenes[1], origins[ahead] + of_solid[ahead, None] * way, slack)]
        before = np.flatnonzero(either & (of_raw < of_solid - slack))
        lid = _lid_at(lid_scene, origins[ahead] + (of_solid[ahead, None] - 2 * slack) * way, way, 4 * slack)
        met += int(either.sum())
        unnamed += int((lid < 0).sum())
        unopened += int((~may[lid[lid >= 0]]).sum())
        behind += int((~_beside(scenes[0], origins[before] + of_raw[before, None] * way, slack)).sum())
    return Unlike(unnamed / max(met, 1), unopened / max(met, 1), behind / max(met, 1))


def _beside(scene: EmbreeScene, places: Array, within: float) -> NDArray[np.bool_]:
    """(n,) whether a face lies within so many mm of a place: of an edge that is a hair off, or a face that it
    grazes, a ray meets what lies far behind, or nothing."""
    found = np.zeros(len(places), dtype=bool)
    for way in _ways():
        left = np.flatnonzero(~found)
        if len(left):
            found[left] = _first(scene, places[left] - within * way, way) <= 2 * within
    return found


def _lid_at(scene: EmbreeScene | None, origins: Array, way: Array, within: float) -> IntArray:
    """(n,) the lid that rays from the origins meet within so many mm, -1 for none."""
    if scene is None or not len(origins):
        return np.full(len(origins), -1)
    starts, ways = origins.astype(np.float32), np.tile(way, (len(origins), 1)).astype(np.float32)
    lid = scene.run(starts, ways, query="INTERSECT").astype(np.int64)
    return np.where(scene.run(starts, ways, query="DISTANCE") <= within, lid, -1)


# ------------------------------------------------------------------------- openings


def _at_openings(
    shape: Shape, lids: Array, raw: EmbreeScene, slack: float, middle: Array
) -> NDArray[np.bool_]:
    """(k,) whether each face of a lid belongs to a lid along whose rim the file is open, or of which the
    model says that it is a guess."""
    if not len(lids):
        return np.zeros(0, dtype=bool)
    corners, rows = np.unique(np.round(lids.reshape(-1, 3), SAME_DIGITS), axis=0, return_inverse=True)
    faces = rows.reshape(-1, 3)
    sides = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    edges, first, own, times = np.unique(
        sides, axis=0, return_index=True, return_inverse=True, return_counts=True
    )
    lid = _together(own.reshape(-1, 3), len(edges))
    rim, owner = edges[times == 1], lid[first[times == 1] // 3]
    along = corners[rim[:, 1]] - corners[rim[:, 0]]
    length = np.linalg.norm(along, axis=1)
    real = length > 0
    rim, owner, along, length = rim[real], owner[real], along[real], length[real]
    at = (np.arange(SPOTS) + 0.5) / SPOTS
    spots = (corners[rim[:, :1]] + at[None, :, None] * along[:, None] - middle).reshape(-1, 3)
    ways = np.repeat(along / length[:, None], SPOTS, axis=0)
    odd = (_faces_round(raw, spots, ways, slack) % 2 == 1).reshape(-1, SPOTS).mean(axis=1)
    count = int(lid.max()) + 1
    share = np.bincount(owner, length * odd, count) / np.maximum(np.bincount(owner, length, count), 1e-300)
    return np.asarray((share >= OPEN_SHARE)[lid] | _told(shape, lids, lid, slack))


def _together(edges: IntArray, count: int) -> IntArray:
    """(k,) a number for each face's lid, of its three ``edges`` (k, 3): faces that share edges."""
    pairs = np.concatenate([edges[:, [0, 1]], edges[:, [1, 2]]])
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1][edges[:, 0]], dtype=np.int64)


def _faces_round(raw: EmbreeScene, spots: Array, along: Array, off: float) -> IntArray:
    """(n,) how many faces meet at each spot of an edge: those that a circle round it crosses, faces that lie
    on each other counted once."""
    helper = np.where(np.abs(along[:, :1]) < 0.6, [[1.0, 0.0, 0.0]], [[0.0, 1.0, 0.0]])
    one = np.cross(along, helper)
    one /= np.linalg.norm(one, axis=1)[:, None]
    two = np.cross(along, one)
    angles = 2 * np.pi * (np.arange(LOOKS) + 0.137) / LOOKS  # askew of faces at round angles
    circle = np.cos(angles)[:, None, None] * one + np.sin(angles)[:, None, None] * two
    chord = np.roll(circle, -1, axis=0) - circle
    starts = spots + off * (circle - OVERLAP * chord)
    reach = off * (1 + 2 * OVERLAP) * float(2 * np.sin(np.pi / LOOKS))
    ways = chord / np.linalg.norm(chord, axis=2)[:, :, None]
    far = raw.run(
        starts.reshape(-1, 3).astype(np.float32), ways.reshape(-1, 3).astype(np.float32), query="DISTANCE"
    )
    hit = far.reshape(LOOKS, -1) <= reach
    return np.asarray((hit & ~np.roll(hit, 1, axis=0)).sum(axis=0), dtype=np.int64)


def _told(shape: Shape, lids: Array, lid: IntArray, slack: float) -> NDArray[np.bool_]:
    """(k,) whether the model names the lid of each face as a guess."""
    told = np.zeros(len(lids), dtype=bool)
    for number in range(int(lid.max()) + 1):
        own = lid == number
        low, high = lids[own].min(axis=(0, 1)) - slack, lids[own].max(axis=(0, 1)) + slack
        told[own] = any(
            ((place.point >= low) & (place.point <= high)).all() for place in shape.mending.unsure
        )
    return told


# ---------------------------------------------------------------------------- rays


def _ways() -> Array:
    """(26, 3) directions to the faces, edges and corners of a cube, a little askew of any face of a part."""
    steps = np.array(np.meshgrid(*[(-1, 0, 1)] * 3)).reshape(3, -1).T
    ways = steps[np.abs(steps).sum(axis=1) > 0] + np.array([0.0131, -0.0217, 0.0173])
    return ways / np.linalg.norm(ways, axis=1)[:, None]


def _scene(corners: Array) -> EmbreeScene:
    scene = ray_scene()
    TriangleMesh(scene, np.ascontiguousarray(corners, dtype=np.float32))
    return scene


def _origins(way: Array, diagonal: float) -> Array:
    """(n, 3) where rays along ``way`` begin, side by side over the whole shape."""
    across = np.linalg.svd(way[None])[2][1:]
    at = (np.arange(RAYS_ACROSS) + 0.5) / RAYS_ACROSS - 0.5
    grid = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2) * diagonal
    return np.asarray(grid @ across - diagonal * way)


def _first(scene: EmbreeScene, origins: Array, way: Array) -> Array:
    """How far rays go before they meet a face; infinite where they meet none."""
    ways = np.tile(way, (len(origins), 1))
    far = scene.run(origins.astype(np.float32), ways.astype(np.float32), query="DISTANCE")
    return np.where(far < 1e30, far, np.inf).astype(np.float64)
