"""The picture of one step: what is there, pale; what is new, lifted; how it joins; where to look closer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from renderer.camera import Camera
from renderer.ink import Inked, Pen, ink
from renderer.picture import Picture, Stroke
from renderer.table import Cast, Item, PixelTable
from steps.draw.balloons import (
    DOT_CASING_MM,
    LEADER_CASING_MM,
    MOST_BALLOONS,
    casings,
    inner_point,
    place_balloons,
)
from steps.draw.clear import cleared
from steps.draw.closer import MOST_INSETS, beside, closer_look
from steps.draw.frames import STEP_MARGIN_MM, frame_of
from steps.draw.front import front_strokes
from steps.draw.glue_faces import glue_faces, glue_strokes, tinted
from steps.draw.ground import shaded, shadow
from steps.draw.guides import guide_strokes, guides_of, head_strokes, joint_signs
from steps.draw.kinds import Kind, kinds_in_step
from steps.draw.lift import Lifted, in_hand, lifted_things
from steps.draw.scene import StepScene
from steps.draw.sheet import Field
from steps.draw.studio import Studio
from steps.model import Array, Closer, Mark, Step

#: Free margin within an inset, for balloons (mm on paper).
INSET_MARGIN_MM = 5.0
#: A new part of less than this extent on paper (mm) gets an inset, as hidden ones do.
TINY_MM = 3.0
#: Room for a balloon and its leader beside what an inset shows (mm on paper).
INSET_ROOM_MM = 16.0
#: An inset's sides in shares of the drawing's, at most, where more would cover something of it; so many sizes
#: are tried from there to that at which the drawing shows the thing.
INSET_SHARE, INSET_SIZES = 0.36, 9
#: What is closed dry is pressed on like what stays so.
DRY_SIGN: Mark = "press"
#: More new things than this are outlined as one: wide lines round each would leave nothing between them.
MOST_OUTLINES = 40
#: An inset shows this much of a thing's own size round it.
INSET_CONTEXT = 0.4
#: Frame of an inset, the leader to the place it shows, and the dot there (mm).
FRAME_MM, LEADER_MM, DOT_MM = 0.35, 0.25, 1.2


def step_picture(studio: Studio, step_number: int, width_mm: float, height_mm: float) -> Picture:
    """One step: earlier parts pale, new parts lifted along their move, balloons, joint signs; insets for
    new parts that are hidden or tiny."""
    step = studio.plan.sequence.by_number[step_number].step
    field = Field(width_mm, height_mm)
    lifted = lifted_things(studio, step)
    camera = _step_camera(studio, step, field)
    new = new_items(studio, lifted)
    pen = Pen(field.mm_per_pixel, studio.hatches)
    table, drawn = studio.drawn(studio.moment(step).before, new, camera, pen, "earlier")
    front = _front(studio, step, field, table, lifted)
    taken = _taken(field, table, {item.key for item in new}, front)
    insets = _placed_insets(studio, step, field, table, taken, _closer(studio, step, field, camera, lifted))
    frames = tuple(stroke for _, _, _, strokes in insets for stroke in strokes)
    boxes = [np.array([[x, y], [x + inset.width_mm, y + inset.height_mm]]) for x, y, inset, _ in insets]
    picture = _marked(studio, step, field, table, drawn, lifted, front, boxes)
    return replace(
        picture,
        strokes=(*picture.strokes, *frames),
        insets=tuple((x, y, inset) for x, y, inset, _ in insets),
    )


def _closer(
    studio: Studio, step: Step, field: Field, camera: Camera, lifted: Sequence[Lifted]
) -> tuple[Closer, ...]:
    """The closer looks of a drawing: those of its step, and one at something tiny."""
    looks = studio.closer(step)
    shown = {kind_of(studio, look.parts) for look in looks}
    tiny = [
        at
        for at, one in enumerate(lifted)
        if kind_of(studio, one.thing.parts) not in shown and _is_tiny(studio, one, field, camera)
    ]
    if tiny and len(looks) < MOST_INSETS:
        scene, view = StepScene(studio, step, studio.lift(step)), studio.view(step.number)
        return (*looks, closer_look(scene, tiny[0], view))
    return looks


def new_items(studio: Studio, lifted: Sequence[Lifted]) -> list[Item]:
    """The parts of lifted things; those of one thing are outlined as one, very many all as one."""
    many = len(lifted) > MOST_OUTLINES
    return [
        replace(in_hand(studio.item(part, "new"), one), group=0 if many else at)
        for at, one in enumerate(lifted)
        for part in one.thing.parts
    ]


def inked(
    studio: Studio,
    field: Field,
    table: PixelTable,
    items: Iterable[Item],
    standing: NDArray[np.int64] | None = None,
    up: Array | None = None,
) -> Picture:
    """A pixel table as a picture without marks; see :func:`plain`."""
    drawn = ink(table, Cast(tuple(items)), field.mm_per_pixel, studio.hatches)
    return plain(studio, field, table, drawn, standing, up)


def plain(
    studio: Studio,
    field: Field,
    table: PixelTable,
    drawn: Inked,
    standing: NDArray[np.int64] | None = None,
    up: Array | None = None,
) -> Picture:
    """What is drawn as a picture without marks. ``standing``: rows of the parts whose shadow falls on the
    table, which lies across ``up``."""
    pixels = drawn.pixels
    if standing is not None and up is not None:
        cast = shadow(studio, standing, up, table.camera)
        pixels = pixels if cast is None else shaded(pixels, table.key < 0, cast)
    scale = field.mm_per_pixel / table.camera.pixel
    return Picture(field.width_mm, field.height_mm, pixels, drawn.strokes, mm_per_model_mm=scale)


def _marked(
    studio: Studio,
    step: Step,
    field: Field,
    table: PixelTable,
    drawn: Inked,
    lifted: Sequence[Lifted],
    front: Sequence[Stroke],
    taken: Sequence[Array] = (),
) -> Picture:
    """A drawing with guides, signs, balloons and the pointer, if any, of its ``front``. ``taken``: boxes
    (2, 2) on paper that are not free."""
    if front:
        corners = front[0].points
        taken = (*taken, np.array([corners.min(axis=0), corners.max(axis=0)]))
    guides = guides_of(lifted)
    strokes = (*guide_strokes(field, table, guides), *head_strokes(field, table, guides, lifted))
    marks = {**studio.plan.gluing.marks, **dict.fromkeys(step.dry, DRY_SIGN)}
    signs = joint_signs(field, table, guides, marks, taken)
    wanted = _balloon_texts(studio, kinds_in_step(studio.plan, step))
    new = [studio.plan.model.index_of[part] for one in lifted for part in one.thing.parts]
    balloons = place_balloons(field, table, wanted, new, signs, strokes, taken, studio.surface_of)
    picture = plain(studio, field, table, drawn, _standing(studio, step, lifted), step.up)
    faces = glue_faces(studio, field, table, step, lifted)
    lines = (*front, *picture.strokes, *glue_strokes(studio, field, faces), *strokes, *casings(balloons))
    pixels = tinted(picture.pixels, faces)
    marked = replace(picture, pixels=pixels, strokes=lines, signs=signs, balloons=balloons)
    return cleared(marked)


def _front(
    studio: Studio, step: Step, field: Field, table: PixelTable, lifted: Sequence[Lifted]
) -> tuple[Stroke, ...]:
    """The pointer of what is built."""
    return front_strokes(studio, field, table, step.assembly, _standing(studio, step, lifted), step.up)


def _standing(studio: Studio, step: Step, lifted: Sequence[Lifted]) -> NDArray[np.int64]:
    """Rows of the parts in place: earlier ones, and new ones that are not lifted."""
    row = studio.plan.model.index_of
    down = [row[part] for one in lifted if not np.any(one.shift) for part in one.thing.parts]
    return np.concatenate([studio.moment(step).before, np.array(down, dtype=np.int64)])


def _shown(studio: Studio, table: PixelTable, new: Sequence[Item]) -> list[Item]:
    """The new items, and the earlier ones that the table shows."""
    own = {item.key for item in new}
    return [*new, *(studio.item_of_key(key, "earlier") for key in table.keys.tolist() if key not in own)]


def _step_camera(studio: Studio, step: Step, field: Field) -> Camera:
    """The frame that the step shares with its neighbours in one view."""
    axes = studio.axes(step)
    box = frame_of(studio, step, field.width_mm, field.height_mm)
    return field.camera(axes, np.column_stack([box, [0.0, 0.0]]) @ axes, STEP_MARGIN_MM)


def _is_tiny(studio: Studio, one: Lifted, field: Field, camera: Camera) -> bool:
    """Whether a thing is too small on paper to be found."""
    points = np.concatenate([studio.item(part, "new").outer for part in one.thing.parts])
    return float(np.ptp(field.paper(camera, points), axis=0).max()) < TINY_MM


def kind_of(studio: Studio, parts: Sequence[str]) -> tuple[int, str, str]:
    """What alike things share: how many parts, and shape and colour of the first."""
    part = studio.plan.model.part_by_id[parts[0]]
    return len(parts), part.shape, part.colour


def _placed_insets(
    studio: Studio,
    step: Step,
    field: Field,
    table: PixelTable,
    taken: NDArray[np.float64],
    closer: Sequence[Closer],
) -> list[tuple[float, float, Picture, tuple[Stroke, ...]]]:
    """Lower left corner, inset, and the strokes that frame it and lead from it to its place; ``taken`` (rows,
    columns) is what it costs to cover each pixel. Each in a corner of its own, those first that cost least;
    as large as the drawing shows the thing, where that covers no more of it."""
    found: list[tuple[float, float, Picture, tuple[Stroke, ...]]] = []
    corners = list(product((True, False), (True, False)))  # right or left, above or below
    usual = INSET_SHARE * np.array([field.width_mm, field.height_mm])
    most = (1.0 if len(closer) == 1 else 0.5) * np.array([field.width_mm, field.height_mm]) - 2 * FRAME_MM
    for look in closer:
        shown = _Look.of(studio, step, look)
        sizes = shown.sizes(field.mm_per_pixel / table.camera.pixel, usual, most)
        fits = []
        for corner in corners:
            costs = [_cost(field, taken, _low(field, size, *corner), size) for size in sizes]
            largest = max(range(len(sizes)), key=lambda at: (costs[at] <= costs[0], at))
            fits.append((costs[0], -largest))
        best = min(range(len(corners)), key=fits.__getitem__)
        size = sizes[-fits[best][1]]
        low = _low(field, size, *corners.pop(best))
        inset = shown.picture(*size.tolist())
        strokes = _frame(np.array([low, low + size]), _target(studio, field, table, look))
        found.append((float(low[0]), float(low[1]), inset, strokes))
    return found


def _low(field: Field, size: Array, right: bool, above: bool) -> Array:
    """Lower left place (2,) of an inset of that size (2,) in a corner."""
    far = np.array([field.width_mm, field.height_mm]) - size - FRAME_MM
    return np.where([right, above], far, FRAME_MM)


def _cost(field: Field, taken: NDArray[np.float64], low: Array, size: Array) -> float:
    """What an inset there covers."""
    (bottom, top), (left, right) = field.pixel(np.array([low, low + size]))
    return float(taken[top:bottom, left:right].sum())


def _taken(field: Field, table: PixelTable, new: set[int], front: Sequence[Stroke]) -> NDArray[np.float64]:
    """(rows, columns) what it costs to cover each pixel: new parts and the pointer count fifty times."""
    taken = (table.key >= 0) + 49.0 * np.isin(table.key, sorted(new))
    if front:
        corners = front[0].points
        (bottom, top), (left, right) = field.pixel(np.array([corners.min(axis=0), corners.max(axis=0)]))
        taken[top : bottom + 1, left : right + 1] = 50.0
    return np.asarray(taken)


@dataclass(frozen=True, eq=False)
class _Look:
    """A closer look: the scene of its step, the thing's row in it, what is new there, and all that it must
    hold (n, 3) along its axes."""

    studio: Studio
    look: Closer
    scene: StepScene
    at: int
    new: Sequence[Item]
    around: Array
    axes: Array

    @classmethod
    def of(cls, studio: Studio, step: Step, look: Closer) -> _Look:
        scene = StepScene(studio, step, studio.lift(step))
        at = next(at for at, one in enumerate(scene.lifted) if one.thing.parts == look.parts)
        one = scene.lifted[at]
        new = new_items(studio, [scene.lifted[other] for other in beside(scene, at)])
        own = [item for item in new if item.key in scene.group and scene.group[item.key] == at]
        seat = [item.outer - one.shift + one.way[-1] for item in own]
        points = np.concatenate([*(item.outer for item in own), *seat])
        around = points.mean(axis=0) + (1 + INSET_CONTEXT) * (points - points.mean(axis=0))
        return cls(studio, look, scene, at, new, around, scene.axes(look.view))

    def sizes(self, scale: float, usual: Array, most: Array) -> list[Array]:
        """Sizes (2,) on paper from that at which it fits within the usual to that at which it is shown at a
        scale (mm per model mm), none larger than the most; with room for its balloon on one side."""
        needed = np.ptp(self.around @ self.axes.T, axis=0)[:2] * scale
        free = np.maximum(np.array([usual, most]) - 2 * INSET_MARGIN_MM, 0.0)
        fits = (free / np.maximum(needed, 1e-9)).min(axis=1)
        tight = np.linspace(fits[0], np.clip(1.0, *fits), INSET_SIZES)[:, None] * needed + 2 * INSET_MARGIN_MM
        longer = np.argmax(most - tight, axis=1)[:, None] == np.arange(2)
        roomy = np.minimum(tight + np.where(longer, INSET_ROOM_MM, 0.0), most)
        return [np.minimum(roomy[0], usual), *roomy[1:]]

    def picture(self, width_mm: float, height_mm: float) -> Picture:
        """The thing with what it joins, closer, from where that shows, and without what stands before it."""
        studio, scene, field = self.studio, self.scene, Field(width_mm, height_mm)
        camera = field.camera(self.axes, self.around, INSET_MARGIN_MM)
        away = [studio.plan.model.index_of[part] for part in self.look.away]
        table = studio.table(scene.earlier[~np.isin(scene.earlier, away)], self.new, camera)
        drawn = ink(table, Cast(tuple(_shown(studio, table, self.new))), field.mm_per_pixel, studio.hatches)
        lifted = [scene.lifted[self.at]]
        front = _front(studio, scene.step, field, table, lifted)
        return _marked(studio, scene.step, field, table, drawn, lifted, front)


def _target(studio: Studio, field: Field, table: PixelTable, look: Closer) -> Array:
    """Paper point of a thing: on it where it shows, else where it is."""
    keys = [studio.plan.model.index_of[part] for part in look.parts]
    point = inner_point(field, table, keys, studio.surface_of)
    if point is not None:
        return point
    points = np.concatenate([studio.item(part, "new").outer for part in look.parts])
    return np.asarray(field.paper(table.camera, points).mean(axis=0))


def _frame(box: Array, target: Array) -> tuple[Stroke, ...]:
    (left, low), (right, high) = box
    ring = np.array([[left, low], [right, low], [right, high], [left, high], [left, low]])
    start = np.clip(target, box[0], box[1])
    ends, dot = np.array([start, target]), target + np.array([[-0.01, 0.0], [0.01, 0.0]])
    return (
        Stroke(ends, LEADER_CASING_MM, grey=1.0),
        Stroke(dot, DOT_CASING_MM, grey=1.0),
        Stroke(ends, LEADER_MM),
        Stroke(dot, DOT_MM),
        Stroke(ring, FRAME_MM),
    )


def _balloon_texts(studio: Studio, kinds: Sequence[Kind]) -> list[tuple[str, list[int]]]:
    """A balloon for each thing while there are few; beyond, one for each kind, with its count."""
    row = studio.plan.model.index_of
    each = [(kind.letter, [row[part] for part in group]) for kind in kinds for group in kind.groups]
    if len(each) <= MOST_BALLOONS:
        return each
    return [
        (
            f"{kind.count}\u00d7{kind.letter}" if kind.count > 1 else kind.letter,
            [row[part] for part in kind.parts],
        )
        for kind in kinds[:MOST_BALLOONS]
    ]
