"""What hangs in the air while a shape is printed one way up: overhangs, ceilings and their bridges.

A ceiling (a level face that looks down) need not be supported where threads can be laid across it
from wall to wall. The printer chooses the direction in which they are laid, so a ceiling's bridge
is the longest thread in the best direction. A ceiling with a free edge cannot be bridged.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import trimesh
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from steps.model import Array, IntArray
from steps.planes import flattened

#: Faces that lean out further than this from upright sag without support (degrees).
#: Common practice, no source.
OVERHANG_DEGREES = 45.0
#: The longest bridge that is still laid without support (mm). Common practice, no source: with a fan,
#: 50 to 100 mm are reached, with sag, and inside an underside sag does no harm.
BRIDGE_MM = 80.0
#: Levels closer than this are one (mm).
LEVEL_MM = 1e-4
#: A face is level within this (cosine); slicers lay it as one layer.
LEVEL = 0.9995
#: Directions tried for the threads of a bridge.
DIRECTIONS = 8
#: Threads tried across a ceiling, per direction.
THREADS = 48
#: Ceilings smaller than this need no care: a stud's mark, a chamfer (mm2). Common practice, no source.
TINY_MM2 = 2.0
#: Share of threads that may end in the air: rounding of ends at corners.
STRAY_THREADS = 0.03
#: A chord shorter than this is two edges that meet (mm).
NO_LENGTH_MM = 1e-9


@dataclass(frozen=True)
class Hanging:
    """What one way up costs: area to support, longest bridge laid without support, contact with the bed."""

    support_mm2: float
    bridge_mm: float
    contact_mm2: float
    height_mm: float


#: Longest threads that were found already: by direction and faces of a ceiling, in the mesh's own mm.
Spans = dict[tuple[bytes, bytes], float | None]


def hanging(
    mesh: trimesh.Trimesh, up: Array, layer_mm: float, by: float = 1.0, known: Spans | None = None
) -> Hanging:
    """Overhang and bridges of ``mesh``, ``by`` times larger, printed with ``up`` (3,) pointing up; ``known``
    is what earlier calls found of this mesh, and is added to."""
    slope = mesh.face_normals @ up
    level_of = mesh.vertices @ up
    floor = level_of.min()
    highest = level_of[mesh.faces].max(axis=1) - floor
    on_bed = (by * highest < layer_mm) & (slope < -np.cos(np.radians(OVERHANG_DEGREES)))
    leaning = (slope < -np.cos(np.radians(OVERHANG_DEGREES))) & ~on_bed
    ceiling = leaning & (slope < -LEVEL)
    support = by**2 * float((mesh.area_faces * -slope)[leaning & ~ceiling].sum())
    bridge = 0.0
    for area, span in _ceilings(mesh, ceiling, up, TINY_MM2 / by**2, {} if known is None else known):
        if span is None or by * span > BRIDGE_MM:
            support += by**2 * area
        else:
            bridge = max(bridge, by * span)
    contact = by**2 * float((mesh.area_faces * -slope)[on_bed].sum())
    return Hanging(support, bridge, contact, by * float(level_of.max() - floor))


def _regions(mesh: trimesh.Trimesh, chosen: np.ndarray) -> list[IntArray]:
    """Faces of each connected run of chosen faces."""
    rows = np.flatnonzero(chosen)
    if not len(rows):
        return []
    pairs = mesh.face_adjacency[chosen[mesh.face_adjacency].all(axis=1)]
    count = len(mesh.faces)
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(count, count))
    labels = connected_components(graph, directed=False)[1][rows]
    order = np.argsort(labels, kind="stable")
    return np.split(rows[order], np.flatnonzero(np.diff(labels[order])) + 1)


def _ceilings(
    mesh: trimesh.Trimesh, chosen: np.ndarray, up: Array, least_mm2: float, known: Spans
) -> Iterator[tuple[float, float | None]]:
    """Area of each ceiling from a least one on and its bridge in mm; None when no direction has walls at both
    ends.

    A bore that repeats is looked at once.
    """
    level, flat = mesh.vertices @ up, flattened(mesh.vertices, up)
    alike: dict[tuple[float, ...], float | None] = {}
    for region in _regions(mesh, chosen):
        area = float(mesh.area_faces[region].sum())
        if area < least_mm2:
            continue
        key = up.tobytes(), region.tobytes()
        if key not in known:
            known[key] = _bridge(mesh, region, area, (level, flat), alike)
        yield area, known[key]


def _bridge(
    mesh: trimesh.Trimesh,
    region: IntArray,
    area: float,
    placed: tuple[Array, Array],
    alike: dict[tuple[float, ...], float | None],
) -> float | None:
    """The longest thread of a ceiling in its best direction; ``placed``: height and place of each vertex,
    ``alike``: bridges of ceilings of the same size and outline, which is added to."""
    level, flat = placed
    rim, walled = _rim(mesh, region, level)
    edges = flat[rim]
    lengths = np.linalg.norm(edges[:, 1] - edges[:, 0], axis=1)
    key = tuple(np.round([area, lengths.sum(), lengths[walled].sum(), len(rim)], 3).tolist())
    if key not in alike:
        spans = [_longest_thread(edges, walled, angle) for angle in _angles()]
        laid = [span for span in spans if span is not None]
        alike[key] = min(laid) if laid else None
    return alike[key]


def _rim(mesh: trimesh.Trimesh, region: IntArray, level: Array) -> tuple[IntArray, np.ndarray]:
    """Edges round a ceiling (k, 2), and whether a wall goes down beyond each: only there can threads end."""
    own = np.sort(mesh.faces[region][:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    edges, uses = np.unique(own, axis=0, return_counts=True)
    rim = edges[uses == 1]
    inside = np.zeros(len(mesh.faces), dtype=bool)
    inside[region] = True
    crossing = inside[mesh.face_adjacency].sum(axis=1) == 1
    pairs, shared = mesh.face_adjacency[crossing], np.sort(mesh.face_adjacency_edges[crossing], axis=1)
    outer = np.where(inside[pairs[:, 0]], pairs[:, 1], pairs[:, 0])
    down = level[mesh.faces[outer]].min(axis=1) < level[shared].min(axis=1) - LEVEL_MM
    count = len(mesh.vertices)  # a hole in the mesh is no wall, so its edges stay out of `down`
    walls = shared[down] @ (count, 1)
    return rim, np.isin(rim @ (count, 1), walls)


def _angles() -> Array:
    return np.arange(DIRECTIONS) * np.pi / DIRECTIONS


def _longest_thread(edges: Array, walled: np.ndarray, angle: float) -> float | None:
    """Longest chord along ``angle`` (radians) of the outline ``edges`` (k, 2, 2); None when chords end in
    the air, at edges that are not ``walled``."""
    along = edges @ (np.cos(angle), np.sin(angle))
    across = edges @ (-np.sin(angle), np.cos(angle))
    bottom, top = float(across.min()), float(across.max())
    heights = bottom + (np.arange(THREADS) + 0.5) * (top - bottom) / THREADS
    below = across[:, :, None] <= heights
    edge, thread = np.nonzero(below[:, 0] != below[:, 1])
    share = (heights[thread] - across[edge, 0]) / (across[edge, 1] - across[edge, 0])
    place = along[edge, 0] + share * (along[edge, 1] - along[edge, 0])
    order = np.lexsort((place, thread))
    edge, thread, place = edge[order], thread[order], place[order]
    whole = np.bincount(thread, minlength=THREADS)[thread] % 2 == 0  # an outline with a gap crosses it odd
    edge, place = edge[whole].reshape(-1, 2), place[whole].reshape(-1, 2)
    length = place[:, 1] - place[:, 0]
    real = length > NO_LENGTH_MM
    if not real.any() or (~walled[edge[real]]).any(axis=1).mean() > STRAY_THREADS:
        return None
    return float(length[real].max())
