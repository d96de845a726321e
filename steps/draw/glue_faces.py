"""Where a step's glue goes, on its own drawing: the faces that show tinted and hatched, a ring for each drop,
a line for a bead."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from renderer.picture import Stroke
from renderer.spatial import depth_within
from renderer.table import PixelTable
from steps.draw.lift import Lifted
from steps.draw.sheet import Field
from steps.draw.studio import Studio
from steps.model import Array, Step

#: Tint of a face to glue and its share of the pixel: pale, the hatching carries it in greys.
GLUE_TINT, TINT_SHARE = (0xBE, 0x38, 0x08), 0.3
#: Hatching at 45 degrees: distance of its lines and their width, mm on paper; grey.
HATCH_MM, HATCH_WIDTH_MM, HATCH_GREY = 1.3, 0.18, 0.2
#: A drop is a ring, a bead a double line, so wide, mm on paper; dots end leaders.
DROP_MM, BEAD_MM, RING_MM = 1.8, 1.1, 0.35
#: A hatching line shorter than this, mm on paper, is left out.
LEAST_HATCH_MM = 0.5
#: A face shows in a pixel whose depth is that of its plane to within its gap and so many pixels.
SLACK_PIXELS = 3.0
#: Places that are looked at for the drops of a joint: enough to spread four or six of them evenly.
PLACES = 600


@dataclass(frozen=True, eq=False)
class GlueFaces:
    """What of a step's faces to glue shows in its drawing."""

    mask: NDArray[np.bool_]  #: (rows, columns) of the pixel table
    drops: dict[str, Array]  #: by joint, (k, 2) paper points of its drops


def glue_faces(
    studio: Studio, field: Field, table: PixelTable, step: Step, lifted: Sequence[Lifted]
) -> GlueFaces:
    """The faces that receive the glue of a step, as far as nothing hides them."""
    work = studio.plan.work.step_by_number.get(step.number)
    glued = set(work.glues) if work is not None else set()
    mask, drops = np.zeros(table.key.shape, dtype=bool), {}
    for one in lifted:
        for joint, seat in zip(one.joints, one.seats, strict=True):
            if joint.id not in glued:
                continue
            receiver = joint.b if joint.a in one.thing.parts else joint.a
            own = np.zeros_like(mask)
            for face in studio.plan.gluing.faces.get(joint.id, ()):
                if face.kind == "rest":
                    key = studio.plan.model.index_of[receiver]
                    _add_shown(own, table, face.outline + seat, key, face.gap_mm)
            drops[joint.id] = _spread(_places(field, own), studio.plan.gluing.drops.get(joint.id, 1))
            mask |= own
    return GlueFaces(mask, drops)


def _add_shown(mask: NDArray[np.bool_], table: PixelTable, outline: Array, key: int, gap_mm: float) -> None:
    """Marks the pixels in which a convex flat outline (k, 3) on the part of a key shows."""
    seen = table.camera.project(outline)
    low = np.maximum(np.floor(seen[:, :2].min(axis=0)).astype(int), 0)
    high = np.minimum(np.ceil(seen[:, :2].max(axis=0)).astype(int) + 1, mask.shape[::-1])
    if (high <= low).any():
        return
    x, y = np.meshgrid(np.arange(low[0], high[0]) + 0.5, np.arange(low[1], high[1]) + 0.5)
    side = np.roll(seen[:, :2], -1, axis=0) - seen[:, :2]
    turns = side[:, 0] * (y[..., None] - seen[:, 1]) - side[:, 1] * (x[..., None] - seen[:, 0])
    inside = np.all(turns >= 0, axis=-1) | np.all(turns <= 0, axis=-1)
    # depth is an affine function of the place on the picture: fitted to the corners
    plane, *_ = np.linalg.lstsq(np.column_stack([seen[:, :2], np.ones(len(seen))]), seen[:, 2], rcond=None)
    window = np.s_[low[1] : high[1], low[0] : high[0]]
    away = np.abs(table.depth[window] - (plane[0] * x + plane[1] * y + plane[2]))
    near = away <= gap_mm + SLACK_PIXELS * table.camera.pixel
    mask[window] |= inside & near & (table.key[window] == key)


def _places(field: Field, mask: NDArray[np.bool_]) -> Array:
    """(n, 2) paper points of the mask where a drop has room, well off its rim if it can be; thinned out."""
    clear = depth_within(mask) * field.mm_per_pixel
    roomy = clear > DROP_MM
    at = np.argwhere(roomy if roomy.any() else clear > DROP_MM / 2).astype(np.float64) + 0.5
    at = at[:: max(1, len(at) // PLACES)]
    return _paper(field, at[:, 0], at[:, 1])


def _paper(field: Field, row: Array, column: Array) -> Array:
    x, y = column * field.mm_per_pixel, field.height_mm - row * field.mm_per_pixel
    return np.stack([x, y], axis=-1)


def _spread(points: Array, count: int) -> Array:
    """(k, 2) at most ``count`` of the points (n, 2), each as far from those before it as can be, none on
    another's ring; the first is the one farthest from their middle."""
    if not len(points) or count < 1:
        return points[:0]
    away = np.linalg.norm(points - points.mean(axis=0), axis=1)
    chosen = [int(np.argmax(away) if count > 1 else np.argmin(away))]
    away = np.linalg.norm(points - points[chosen[0]], axis=1)
    while len(chosen) < count and away.max() > DROP_MM:
        chosen.append(int(np.argmax(away)))
        away = np.minimum(away, np.linalg.norm(points - points[chosen[-1]], axis=1))
    return points[chosen]


def tinted(pixels: NDArray[np.uint8], faces: GlueFaces) -> NDArray[np.uint8]:
    """A drawing's pixels with the faces to glue tinted."""
    if not faces.mask.any():
        return pixels
    pixels = pixels.copy()
    mixed = (1 - TINT_SHARE) * pixels[faces.mask] + TINT_SHARE * np.array(GLUE_TINT)
    pixels[faces.mask] = np.round(mixed).astype(np.uint8)
    return pixels


def glue_strokes(studio: Studio, field: Field, faces: GlueFaces) -> tuple[Stroke, ...]:
    """Hatching of the faces, and the drops or beads on them."""
    strokes = [Stroke(run, HATCH_WIDTH_MM, grey=HATCH_GREY) for run in _hatching(field, faces.mask)]
    bead = any(len(points) for points in faces.drops.values()) and _is_bead(studio)
    for points in faces.drops.values():
        if bead and len(points) > 1:
            lines = [points[np.argsort(points @ _long_way(points))]]
        else:
            lines = [point + np.array([[-0.01, 0.0], [0.01, 0.0]]) for point in points]
        width = BEAD_MM if bead else DROP_MM
        strokes += [Stroke(line, width) for line in lines]
        strokes += [Stroke(line, width - 2 * RING_MM, grey=1.0) for line in lines]
    return tuple(strokes)


def _is_bead(studio: Studio) -> bool:
    from steps.glue.families import glue_book  # late: processes that draw load nothing of the glue stage

    family = glue_book().families.get(studio.plan.gluing.adhesive.family)
    return family is not None and family.bead


def _hatching(field: Field, mask: NDArray[np.bool_]) -> Iterator[Array]:
    """(2, 2) paper points of the ends of hatching lines, rising to the left, within the mask."""
    rows, columns = np.flatnonzero(mask.any(axis=1)), np.flatnonzero(mask.any(axis=0))
    if not len(rows):
        return
    top, left = rows[0], columns[0]
    window = mask[top : rows[-1] + 1, left : columns[-1] + 1]
    apart = max(2, round(HATCH_MM * np.sqrt(2) / field.mm_per_pixel))
    least = LEAST_HATCH_MM / np.sqrt(2) / field.mm_per_pixel
    first = -window.shape[0] + 1
    first += -(first + left - top) % apart  # faces apart from each other continue each other's lines
    for offset in range(first, window.shape[1], apart):
        along = np.diagonal(window, offset)
        ends = np.flatnonzero(np.diff(np.concatenate([[False], along, [False]]).astype(int)))
        for start, stop in zip(ends[::2], ends[1::2], strict=True):
            if stop - start >= least:
                at = np.array([start, stop]) + max(0, -offset)
                yield _paper(field, top + at, left + at + offset)


def _long_way(points: Array) -> Array:
    """(2,) the direction in which points (n, 2) spread most."""
    return np.asarray(np.linalg.svd(points - points.mean(axis=0))[2][0])
