"""Along what axes things are drawn, and where their front is."""

from __future__ import annotations

import numpy as np

from renderer.camera import upright
from steps.draw.studio import Studio
from steps.model import Array
from steps.progress import ticking
from steps.sides import level_axes

#: Faces that look this little up or down are upright (sine of 10 degrees).
UPRIGHT_SINE = 0.17
#: Upright faces of which less than this share agrees have no heading: something round, or parts at all
#: angles.
AGREED = 0.05
#: A heading within this of the model's own axes is none, degrees: rounding of poses.
SAME_DEG = 0.5
#: A front seen this much from above or below has no side (cosine of 60 degrees to level).
LEVEL_SHARE = 0.5


def heading_of(studio: Studio, assembly: str, up: Array) -> float:
    """The angle (radians, within an eighth of a turn) about the upright by which most of an assembly's
    upright faces are turned off the axes of the table, lying with ``up`` upwards."""
    key = (assembly, up.tobytes())
    if key not in studio.headings:
        studio.headings[key] = _heading(studio, assembly, up)
    return studio.headings[key]


def _heading(studio: Studio, assembly: str, up: Array) -> float:
    turn = upright(up)
    total, area = 0j, 0.0
    for part_id in ticking(studio.plan.order.assembly_by_id[assembly].copies[0]):
        part = studio.plan.model.part_by_id[part_id]
        key = (part.shape, (turn @ part.pose[:3, :3]).round(9).tobytes())
        if key not in studio.facings:
            studio.facings[key] = _facing(studio, part.shape, turn @ part.pose[:3, :3])
        total, area = total + studio.facings[key][0], area + studio.facings[key][1]
    if area == 0 or abs(total) < AGREED * area:
        return 0.0
    angle = float(np.angle(total)) / 4
    return 0.0 if abs(angle) < np.radians(SAME_DEG) else angle


def _facing(studio: Studio, shape: str, turn: Array) -> tuple[complex, float]:
    """The upright faces of a turned shape: their areas, each turned four times as far as it looks off +x,
    summed, so that opposite and neighbouring sides of a box agree; and summed plainly."""
    solid = studio.solids[shape]
    corners = solid.vertices[solid.faces]
    normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]) @ turn.T / 2
    areas = np.linalg.norm(normals, axis=1)
    side = np.abs(normals[:, 2]) < UPRIGHT_SINE * areas
    looks = np.arctan2(normals[side, 1], normals[side, 0])
    return complex((areas[side] * np.exp(4j * looks)).sum()), float(areas[side].sum())


def front_of(studio: Studio, assembly: str, up: Array) -> Array | None:
    """(3,) unit model direction in which the front of an assembly looks as it lies on the table: the side of
    it, along its own axes, that is most to the front in the finished model; None where no side is."""
    _, back = level_axes(studio.plan.order.up)
    turn = upright(up)
    level = (turn @ -back)[:2]
    if np.linalg.norm(level) < LEVEL_SHARE:
        return None
    heading = heading_of(studio, assembly, up)
    quarters = heading + np.pi / 2 * np.arange(4)
    sides = np.stack([np.cos(quarters), np.sin(quarters), np.zeros(4)], axis=1)
    return np.asarray(sides[int(np.argmax((sides[:, :2] @ level).round(6)))] @ turn)
