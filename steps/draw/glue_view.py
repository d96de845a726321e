"""The picture of what one step glues: a number on each joint, as the glue sheet lists them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from renderer.camera import Camera
from renderer.picture import Balloon, Picture, Stroke
from renderer.table import PixelTable
from steps.draw.balloons import CLEAR_MM, OVER_EARLIER_COST, OVER_NEW_COST, radius_of
from steps.draw.guides import Guide, guide_strokes, guides_of
from steps.draw.lift import Lifted, lifted_things
from steps.draw.sheet import Field, shown
from steps.draw.step import inked, new_items, uncovered
from steps.draw.studio import Studio
from steps.model import Array, Step

#: Free margin round the drawing, for the numbers (mm on paper).
MARGIN_MM = 9.0
#: Shows this much of the glued things' own size round them.
CONTEXT = 0.25
#: Distances from joint to number that are tried (mm on paper), and directions of each.
RINGS_MM, DIRECTIONS = (8.0, 11.0, 15.0, 20.0, 26.0), 24
#: Circles are larger where type is: three digits of 18 points need 12 mm.
LARGER = {"child": 1.25, "helper": 1.0, "adult": 1.0}
#: A drop is a ring, a bead a line of that width, mm on paper; rings lie apart by more than their own width.
DROP_MM, BEAD_MM, RING_MM = 1.5, 0.9, 0.3
#: Places that are tried for drops along each side of a face.
PLACES = 24
#: Looks along a joint's way for a place that shows.
WAY_STEPS = 40
#: Costs of a place beside those of a leader: per mm of circle outside the picture, on another number.
OUTSIDE_COST, OVERLAP_COST = 400.0, 400.0


def joint_number(joint_id: str) -> str:
    """What a joint is called on a glue sheet: "12" for J12."""
    return joint_id.lstrip("J") or joint_id


def glue_picture(studio: Studio, step_number: int, width_mm: float, height_mm: float) -> Picture:
    """The things of a step that are glued, lifted off their places, a number at each glued joint. What
    stands before a joint that would not show is left out."""
    step = studio.plan.sequence.by_number[step_number].step
    glued = set(studio.plan.work.step_by_number[step_number].glues)
    field = Field(width_mm, height_mm)
    lifted = lifted_things(studio, step)
    of_glue = [one for one in lifted if glued & {joint.id for joint in one.joints}]
    guides = [guide for guide in guides_of(lifted) if guide.joint.id in glued]
    camera = _camera(studio, step, field, of_glue or lifted)
    rows, new = studio.moment(step).before, new_items(studio, lifted)
    table = studio.table(rows, new, camera)
    if not all(_visible(field, table, group).any() for group in _by_joint(guides).values()):
        for one in of_glue:
            rows = rows[np.isin(rows, uncovered(studio, step, one))]
        table = studio.table(rows, new, camera)
    keys = np.flatnonzero(np.bincount(table.key[table.key >= 0])).tolist()
    own = {item.key for item in new}
    items = [*new, *(studio.item_of_key(key, "earlier") for key in keys if key not in own)]
    picture = inked(studio, field, table, items)
    larger = LARGER[studio.settings.reader]
    numbers = _numbers(field, table, guides, sorted(own), larger)
    strokes = (
        *picture.strokes,
        *guide_strokes(field, table, guides),
        *glue_strokes(studio, field, table, [guide.joint.id for guide in guides]),
    )
    return replace(picture, strokes=strokes, balloons=numbers)


def glue_strokes(
    studio: Studio, field: Field, table: PixelTable, joints: Sequence[str]
) -> tuple[Stroke, ...]:
    """Where the glue goes, as far as the faces show: a ring for each drop, or a line for a bead."""
    from steps.glue.families import glue_book  # late: processes that draw load nothing of the glue stage

    glue = studio.plan.gluing
    family = glue_book().families.get(glue.adhesive.family)
    strokes: list[Stroke] = []
    for name in dict.fromkeys(joints):
        faces = [face for face in glue.faces.get(name, ()) if face.kind == "rest"]
        if not faces or family is None:
            continue
        places = np.concatenate([_places(face.outline) for face in faces])
        paper = np.asarray(field.paper(table.camera, places[shown(field, table, places)]))
        chosen = _spread(paper, glue.drops.get(name, 0))
        if family.bead and len(chosen) > 1:
            line = chosen[np.argsort(chosen @ _long_way(chosen))]
            strokes += [Stroke(line, BEAD_MM + RING_MM), Stroke(line, BEAD_MM - RING_MM, grey=1.0)]
        else:
            for point in chosen:
                dot = point + np.array([[-0.01, 0.0], [0.01, 0.0]])
                strokes += [Stroke(dot, DROP_MM), Stroke(dot, DROP_MM - 2 * RING_MM, grey=1.0)]
    return tuple(strokes)


def _places(outline: Array) -> Array:
    """(n, 3) places on a grid inside a convex outline (k, 3), its edge left out."""
    middle = outline.mean(axis=0)
    across = np.linalg.svd(outline - middle)[2][:2]
    flat = (outline - middle) @ across.T
    low, high = flat.min(axis=0), flat.max(axis=0)
    share = (np.arange(PLACES) + 0.5) / PLACES
    grid = np.stack(np.meshgrid(*(low + (high - low) * share[:, None]).T), axis=-1).reshape(-1, 2)
    side = np.roll(flat, -1, axis=0) - flat
    turns = side[:, 0] * (grid[:, None, 1] - flat[:, 1]) - side[:, 1] * (grid[:, None, 0] - flat[:, 0])
    inside = np.all(turns > 0, axis=1) | np.all(turns < 0, axis=1)
    return np.asarray(grid[inside] @ across + middle)


def _spread(points: Array, count: int) -> Array:
    """(k, 2) at most ``count`` of the points (n, 2), each as far from those before it as can be, none on
    another's ring; the first is the one nearest to their middle."""
    if not len(points) or count < 1:
        return points[:0]
    chosen = [int(np.argmin(np.linalg.norm(points - points.mean(axis=0), axis=1)))]
    away = np.linalg.norm(points - points[chosen[0]], axis=1)
    while len(chosen) < count and away.max() > DROP_MM:
        chosen.append(int(np.argmax(away)))
        away = np.minimum(away, np.linalg.norm(points - points[chosen[-1]], axis=1))
    return points[chosen]


def _long_way(points: Array) -> Array:
    """(2,) the direction in which points (n, 2) spread most."""
    return np.asarray(np.linalg.svd(points - points.mean(axis=0))[2][0])


def _camera(studio: Studio, step: Step, field: Field, lifted: Sequence[Lifted]) -> Camera:
    """The closest camera along the step's view that shows the things, lifted and in their seats."""
    new = [(item, one) for one in lifted for item in new_items(studio, [one])]
    seats = [item.outer - one.shift + one.way[-1] for item, one in new]
    points = np.concatenate([*(item.outer for item, _ in new), *seats])
    around = points.mean(axis=0) + (1 + CONTEXT) * (points - points.mean(axis=0))
    return field.camera(studio.axes(step), around, MARGIN_MM)


def _by_joint(guides: Sequence[Guide]) -> dict[str, list[Guide]]:
    found: dict[str, list[Guide]] = {}
    for guide in guides:
        found.setdefault(guide.joint.id, []).append(guide)
    return found


def _along(guide: Guide) -> Array:
    """(WAY_STEPS, 3) world points from the lifted part to the seat."""
    share = np.linspace(0.0, len(guide.way) - 1.0, WAY_STEPS)
    return np.stack([np.interp(share, np.arange(len(guide.way)), column) for column in guide.way.T], axis=1)


def _visible(field: Field, table: PixelTable, guides: Sequence[Guide]) -> Array:
    """(k,) which points along the guides show."""
    return np.asarray(shown(field, table, np.concatenate([_along(guide) for guide in guides])))


def _target(field: Field, table: PixelTable, guides: Sequence[Guide]) -> Array:
    """(2,) paper point of a joint: the middle of what shows of the guide that shows most; where nothing
    does, the middle of them all."""
    points = [_along(guide) for guide in guides]
    seen = [shown(field, table, each) for each in points]
    best = int(np.argmax([each.sum() for each in seen]))
    if not seen[best].any():
        return np.asarray(field.paper(table.camera, np.concatenate(points)).mean(axis=0))
    at = np.flatnonzero(seen[best])
    return np.asarray(field.paper(table.camera, points[best][at[len(at) // 2]][None])[0])


def _numbers(
    field: Field, table: PixelTable, guides: Sequence[Guide], new: Sequence[int], larger: float
) -> tuple[Balloon, ...]:
    """A numbered circle for each joint, none on another, where it covers least."""
    placed: list[Balloon] = []
    weight = np.where(np.isin(table.key, new), OVER_NEW_COST, np.where(table.key >= 0, OVER_EARLIER_COST, 0))
    for joint_id, group in _by_joint(guides).items():
        text = joint_number(joint_id)
        target = _target(field, table, group)
        placed.append(_best(field, weight, text, target, larger * radius_of(text), placed))
    return tuple(placed)


def _best(
    field: Field, weight: Array, text: str, target: Array, radius: float, placed: Sequence[Balloon]
) -> Balloon:
    """The circle that costs least: length of its leader, what it and the leader cover."""
    angle = np.linspace(0, 2 * np.pi, DIRECTIONS, endpoint=False)
    ring = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    centre = np.concatenate([target + (radius - 4.0 + out) * ring for out in RINGS_MM])
    length = np.linalg.norm(centre - target, axis=1)
    share = np.linspace(0.15, 1.0, 16)[None, :, None]
    row, column = field.pixel(target + share * (centre - target)[:, None])
    cost = length + weight[row, column].mean(axis=1) * length
    disc = np.concatenate([[[0.0, 0.0]], 0.9 * radius * ring[::3]])
    row, column = field.pixel(centre[:, None] + disc)
    cost += radius * weight[row, column].mean(axis=1)
    room = np.array([field.width_mm, field.height_mm]) - radius
    outside = np.maximum(0.0, np.maximum(radius - centre, centre - room)).sum(axis=1)
    cost += OUTSIDE_COST * outside
    for other in placed:
        apart = np.linalg.norm(centre - np.array(other.centre), axis=1) - radius - other.radius_mm - CLEAR_MM
        on_target = radius + CLEAR_MM - np.linalg.norm(centre - np.array(other.target), axis=1)
        cost += OVERLAP_COST * (np.maximum(0.0, -apart) + np.maximum(0.0, on_target))
    best = centre[int(np.argmin(cost.round(6)))]
    best = np.clip(best, radius, np.maximum(room, radius))
    return Balloon(text, (float(best[0]), float(best[1])), radius, (float(target[0]), float(target[1])))
