"""The mark of the front: a pointer that lies on the table before what is built and points away from it;
where the front is behind, one beside it that points the same way."""

from __future__ import annotations

import numpy as np

from renderer.camera import Camera
from renderer.picture import Stroke
from renderer.table import PixelTable
from steps.draw.heading import front_of
from steps.draw.sheet import Field, shown
from steps.draw.studio import Studio
from steps.model import Array, IntArray

#: Length of the pointer as seen from straight above, mm on paper; in a small picture this share of its
#: lesser side.
POINTER_MM, POINTER_SHARE = 6.0, 0.13
#: How far it lies off what is built, in its lengths.
APART = 0.4
#: Half its width, in its lengths.
HALF_WIDTH = 0.45
#: It is filled with lines so wide, so far apart (mm on paper).
FILL_MM, FILL_APART_MM = 0.3, 0.2
#: It is drawn where at least this share of it shows.
SHOWN = 0.9


def front_strokes(
    studio: Studio, field: Field, table: PixelTable, assembly: str, rows: IntArray, up: Array
) -> tuple[Stroke, ...]:
    """The pointer of an assembly, of which the parts in ``rows`` stand on the table; nothing where it has no
    front as it lies, or no place in the picture."""
    front = front_of(studio, assembly, up)
    if front is None or not len(rows):
        return ()
    length = pointer_mm(field) * table.camera.pixel / field.mm_per_pixel
    corners = pointer(studio, table.camera, rows, up, front, length)
    paper = field.paper(table.camera, corners)
    if (paper < 0).any() or (paper > (field.width_mm, field.height_mm)).any():
        return ()
    lines = _filling(corners, max(2, round(pointer_mm(field) / FILL_APART_MM)))
    seen = [shown(field, table, line) for line in lines]
    if np.mean(np.concatenate(seen)) < SHOWN:
        return ()
    outline = field.paper(table.camera, corners[[0, 1, 2, 0]])
    fill = [Stroke(field.paper(table.camera, line[[0, -1]]), FILL_MM) for line in lines]
    return (Stroke(outline, FILL_MM), *fill)


def pointer_mm(field: Field) -> float:
    """How long a picture's pointer is, and so how much room a picture that has one leaves round what is
    built."""
    return min(POINTER_MM, POINTER_SHARE * min(field.width_mm, field.height_mm))


def pointer(studio: Studio, camera: Camera, rows: IntArray, up: Array, front: Array, length: float) -> Array:
    """(3, 3) corners on the table, the tip first: before the parts in ``rows`` where the viewer sees their
    front, else beside them. ``length``: mm in the model."""
    aside = np.cross(up, front)
    bounds = studio.bounds_along(np.array([front, aside, up]))[rows]
    low, high = bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)
    middle, apart = (low + high) / 2, APART * length
    if front @ camera.toward > 0:
        foot = np.array([high[0] + apart, middle[1], low[2]])
    else:
        near = 1.0 if aside @ camera.toward > 0 else -1.0
        edge = high[1] if near > 0 else low[1]
        foot = np.array([middle[0], edge + near * (apart + HALF_WIDTH * length), low[2]])
    wide = np.array([0.0, HALF_WIDTH * length, 0.0])
    flat = np.array([foot + np.array([length, 0.0, 0.0]), foot + wide, foot - wide])
    return np.asarray(flat @ np.array([front, aside, up]))


def _filling(corners: Array, count: int) -> list[Array]:
    """Lines (k, 3) across a triangle, from its tip to its base."""
    along = np.linspace(0.0, 1.0, 12)[:, None]
    lines = []
    for share in np.linspace(0.1, 1.0, count):
        ends = corners[0] + share * (corners[1:] - corners[0])
        lines.append(ends[0] + along * (ends[1] - ends[0]))
    return lines
