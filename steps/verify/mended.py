"""Whether each mended solid is the one that its file shows: rays of this module's own from all round.

Nothing of how a mesh is mended is used here: no cells, no winding, no lids. A ray from outside meets the
faces as read and the solid at one place, or the solid has something the file has not, or lacks something it
has.
"""

from __future__ import annotations

import numpy as np
from embreex.mesh_construction import TriangleMesh
from embreex.rtcore_scene import EmbreeScene

from steps.model import Array, Model, Shape
from steps.planfile import PlanFile
from steps.verify.report import Check

#: Rays from each side, a square grid of so many by so many.
RAYS_ACROSS = 48
#: Places agree within this share of the shape's diagonal (0.05 mm in 50), and four times how far apart
#: corners were that were joined.
AGREE_SHARE, AGREE_REACHES = 1e-3, 4.0
#: Share of the rays that may meet the solid where the file has no face: holes that were closed.
CLOSED_SHARE = 0.05
#: Share of the rays that may meet a face of the file that the solid lacks: specks, loose sheets.
LOST_SHARE = 0.01


def check_mended(plan: PlanFile, model: Model) -> Check:
    """The plan says of each shape whether its mesh was mended, and rays find each mended solid in its
    file."""
    check = Check("mended meshes", "shapes", len(model.shapes))
    told = {shape.id: shape.made for shape in plan.shapes}
    for shape in model.shapes:
        made = "mended" if shape.mending.mended else "as read"
        if told.get(shape.id, made).startswith("mended") != shape.mending.mended:
            check.fault(f"{shape.id} is {told[shape.id]} in the plan, and {made} in the model")
        if shape.mending.raw is None or not len(shape.faces) or shape.changes:
            continue
        closed, lost = unlike(shape)
        if closed > CLOSED_SHARE and not shape.mending.unsure:
            check.fault(f"{shape.id}: {closed:.0%} of what is seen of the mended solid is not in the file")
        if lost > LOST_SHARE:
            check.fault(f"{shape.id}: {lost:.0%} of what is seen in the file is not in the mended solid")
    return check


def unlike(shape: Shape) -> tuple[float, float]:
    """Of the rays from all round that meet a mended shape or its faces as read: the share that meets the
    solid first, and the share that meets a face of the file first."""
    solid, raw = shape.vertices[shape.faces], shape.mending.raw
    assert raw is not None
    middle = shape.bounds.mean(axis=0)
    diagonal = float(np.linalg.norm(shape.size_mm))
    slack = max(AGREE_SHARE * diagonal, AGREE_REACHES * shape.mending.reach_mm)
    scenes = [_scene(corners - middle) for corners in (solid, raw)]
    met = ahead = behind = 0
    for way in _ways():
        of_solid, of_raw = (_first(scene, way, diagonal) for scene in scenes)
        either = np.isfinite(of_solid) | np.isfinite(of_raw)
        met += int(either.sum())
        ahead += int((of_solid[either] < of_raw[either] - slack).sum())
        behind += int((of_raw[either] < of_solid[either] - slack).sum())
    return ahead / max(met, 1), behind / max(met, 1)


def _ways() -> Array:
    """(26, 3) directions to the faces, edges and corners of a cube, a little askew of any face of a part."""
    steps = np.array(np.meshgrid(*[(-1, 0, 1)] * 3)).reshape(3, -1).T
    ways = steps[np.abs(steps).sum(axis=1) > 0] + np.array([0.0131, -0.0217, 0.0173])
    return ways / np.linalg.norm(ways, axis=1)[:, None]


def _scene(corners: Array) -> EmbreeScene:
    scene = EmbreeScene(robust=True)
    TriangleMesh(scene, np.ascontiguousarray(corners, dtype=np.float32))
    return scene


def _first(scene: EmbreeScene, way: Array, diagonal: float) -> Array:
    """How far rays along ``way``, side by side over the whole shape, go before they meet a face; infinite
    where they meet none."""
    across = np.linalg.svd(way[None])[2][1:]
    at = (np.arange(RAYS_ACROSS) + 0.5) / RAYS_ACROSS - 0.5
    grid = np.stack(np.meshgrid(at, at), axis=-1).reshape(-1, 2) * diagonal
    origins = grid @ across - diagonal * way
    ways = np.tile(way, (len(origins), 1))
    far = scene.run(origins.astype(np.float32), ways.astype(np.float32), query="DISTANCE")
    return np.where(far < 1e30, far, np.inf).astype(np.float64)
