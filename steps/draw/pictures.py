"""Every picture that a booklet shows. Sizes are millimetres on paper; see renderer.picture."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from renderer.camera import ISOMETRIC_ELEVATION, Camera, axes_of
from renderer.ink import Pen
from renderer.picture import Picture, Sign, SignKind
from renderer.table import Item
from steps.draw.front import front_strokes, pointer_mm
from steps.draw.sheet import PLAIN_MARGIN_MM, Field
from steps.draw.step import inked, plain
from steps.draw.studio import USUAL_VIEW, Studio
from steps.draw.thumbs import telling_axes
from steps.draw.turning import ViewTurn, turned_before
from steps.model import Array, IntArray

#: Which way is up where no step says so.
UP = np.array([0.0, 0.0, 1.0])
#: Colour of this step's place in an overview: strong against pale parts of any colour, and in greys.
HERE = "#be3808"


def overview_picture(studio: Studio, step_number: int, width_mm: float, height_mm: float) -> Picture:
    """Where you are: the whole model pale, as it stands when finished, and this step's new parts in their
    place, strong and seen through all that hides them. Place, view and colour are the same throughout
    the booklet."""
    moment = studio.plan.sequence.by_number[step_number]
    field = Field(width_mm, height_mm)
    axes = _display_axes(studio)
    camera = _whole_camera(studio, field, axes)
    # in parallel projection what comes nearer looks the same: so nothing hides it
    nearer = 2 * np.ptp(studio.bounds_along(axes)[:, :, 2]) * axes[2]
    new = sorted(moment.arriving.tolist())
    strong = [replace(studio.item_of_key(key, "new").moved(nearer), colour=HERE, group=0) for key in new]
    pen = Pen(field.mm_per_pixel, studio.hatches)
    rows = np.arange(len(studio.plan.model.parts))
    table, drawn = studio.drawn(rows, strong, camera, pen, "ghost")
    picture = plain(studio, field, table, drawn)
    main = studio.plan.order.steps[-1].assembly
    front = front_strokes(studio, field, table, main, rows, _display_up(studio))
    return replace(picture, strokes=(*front, *picture.strokes))


def _whole_camera(studio: Studio, field: Field, axes: Array) -> Camera:
    """The closest camera along the axes that shows the whole model."""
    bounds = studio.bounds_along(axes)
    corners = np.array([bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)])
    return field.camera(axes, corners @ axes, pointer_mm(field))


def thumbnail(
    studio: Studio,
    shape_id: str,
    colour: str,
    width_mm: float,
    height_mm: float,
    mm_per_mm: float | None = None,
) -> Picture:
    """One shape from its most telling side. ``mm_per_mm``: common scale (paper mm per model mm);
    None, or a scale at which it would not fit: as large as fits. ``Picture.mm_per_model_mm`` tells
    which scale was used."""
    field = Field(width_mm, height_mm)
    axes = telling_axes(studio.plan.measures.by_shape[shape_id].up, studio.solids[shape_id].outer)
    item = Item(studio.solids[shape_id], np.eye(4), colour, 0, "new")
    camera = field.camera(axes, item.outer, PLAIN_MARGIN_MM)
    if mm_per_mm is not None and mm_per_mm <= field.mm_per_pixel / camera.pixel * (1 + 1e-9):
        camera = field.at_scale(axes, item.outer, mm_per_mm)
    table = studio.source.table([item], camera)
    return inked(studio, field, table, [item])


def assembly_picture(studio: Studio, assembly_id: str, width_mm: float, height_mm: float) -> Picture:
    """A finished sub-assembly (its first copy), for its opening sheet and for the "Take" column."""
    assembly = studio.plan.order.assembly_by_id[assembly_id]
    moments = studio.plan.sequence.by_assembly.get(assembly_id, ())
    up = moments[-1].up if moments else UP
    axes = axes_of(USUAL_VIEW.azimuth, ISOMETRIC_ELEVATION, up)
    return _whole(studio, assembly.copies[0], axes, up, width_mm, height_mm)


#: Of a picture of a turn: the width of each state, and of the arrows between them, in shares of the whole.
STATE_SHARE, ARROW_SHARE = 0.3, 0.1
#: No arrow of a turn is larger (mm on paper).
GREATEST_ARROW_MM = 12.0


def turn_picture(
    studio: Studio, step_number: int, width_mm: float, height_mm: float, assembly: str = ""
) -> Picture | None:
    """How to turn the build before a step, or a sub-assembly before it is attached: as it lay, arrows with
    their angles, as it lies then, at one scale, the front marked. None where nothing is turned."""
    turned = turned_before(studio.plan, step_number, assembly)
    if turned is None:
        return None
    field = Field(STATE_SHARE * width_mm, height_mm)
    states = ((turned.rows, *turned.before), (turned.copy, *turned.after))
    cameras = [
        field.camera(
            axes_of(view.azimuth, view.elevation, up), _points(_items(studio, rows)), pointer_mm(field)
        )
        for rows, view, up in states
    ]
    pixel = max(camera.pixel for camera in cameras)
    left, right = (
        _state(studio, field, replace(camera, pixel=pixel), turned.assembly, rows, up)
        for camera, (rows, _, up) in zip(cameras, states, strict=True)
    )
    blank = np.full((1, 1, 3), 255, np.uint8)
    insets = ((0.0, 0.0, left), (width_mm - right.width_mm, 0.0, right))
    signs = _turn_signs(turned.turning, width_mm, height_mm)
    return Picture(width_mm, height_mm, blank, signs=signs, insets=insets)


def _turn_signs(turning: ViewTurn, width_mm: float, height_mm: float) -> tuple[Sign, ...]:
    """An arrow with its angle for the tip, and below it one for the spin."""
    size = min(ARROW_SHARE * width_mm, 0.35 * height_mm, GREATEST_ARROW_MM)
    kinds: list[tuple[SignKind, int]] = [("tip", turning.tip_deg)] if turning.tip_deg else []
    if turning.spin_deg:
        way: SignKind = "anticlockwise" if turning.spin_deg > 0 else "clockwise"
        kinds.append((way, abs(turning.spin_deg)))
    gap = height_mm / (len(kinds) + 1)
    return tuple(
        Sign(
            kind,
            ((STATE_SHARE + ARROW_SHARE / 4) * width_mm + size / 2, height_mm - (at + 1) * gap),
            size,
            text=f"{degrees}\u00b0",
        )
        for at, (kind, degrees) in enumerate(kinds)
    )


def _state(studio: Studio, field: Field, camera: Camera, assembly: str, rows: IntArray, up: Array) -> Picture:
    """What is turned, as it lies in one drawing, its front marked."""
    items = _items(studio, rows)
    table = studio.source.table(items, camera)
    picture = inked(studio, field, table, _as_one(items), rows, up)
    front = front_strokes(studio, field, table, assembly, rows, up)
    return replace(picture, strokes=(*front, *picture.strokes))


def _items(studio: Studio, rows: IntArray) -> list[Item]:
    return studio.items(studio.plan.sequence.ids(rows), "new")


def cover_picture(studio: Studio, width_mm: float, height_mm: float) -> Picture:
    """The finished model, every part in full colour, standing as it is displayed."""
    parts = [part.id for part in studio.plan.model.parts]
    return _whole(studio, parts, _display_axes(studio), _display_up(studio), width_mm, height_mm)


def _display_up(studio: Studio) -> Array:
    """(3,) the model direction that points up when it is finished."""
    return studio.plan.order.up


def _display_axes(studio: Studio) -> Array:
    """(3, 3) camera axes of the cover, and of every picture that says where you are."""
    return axes_of(USUAL_VIEW.azimuth, ISOMETRIC_ELEVATION, _display_up(studio))


#: The finished model is shown from the usual view and from behind it, all its sides in both (radians).
FINISHED_TURNS = (0.0, np.pi)


def finished_picture(studio: Studio, side: int, width_mm: float, height_mm: float) -> Picture:
    """The finished model from the front (0) or from behind (1), at the scale at which it fits from both."""
    field = Field(width_mm, height_mm)
    items = studio.items([part.id for part in studio.plan.model.parts], "new")
    up = _display_up(studio)
    points = _points(items)
    cameras = [
        field.camera(axes_of(USUAL_VIEW.azimuth + turn, ISOMETRIC_ELEVATION, up), points, PLAIN_MARGIN_MM)
        for turn in FINISHED_TURNS
    ]
    camera = replace(cameras[side], pixel=max(camera.pixel for camera in cameras))
    table = studio.source.table(items, camera)
    return inked(studio, field, table, _as_one(items), _rows(items), up)


def _whole(
    studio: Studio, part_ids: Iterable[str], axes: Array, up: Array, width_mm: float, height_mm: float
) -> Picture:
    """Parts in place in full colour, as large as fits, standing on the table."""
    field = Field(width_mm, height_mm)
    items = studio.items(part_ids, "new")
    if not items:
        return Picture(width_mm, height_mm, np.full((1, 1, 3), 255, np.uint8))
    table = studio.source.table(items, field.camera(axes, _points(items), PLAIN_MARGIN_MM))
    return inked(studio, field, table, _as_one(items), _rows(items), up)


def _as_one(items: Iterable[Item]) -> list[Item]:
    """Outlined as one thing."""
    return [replace(item, group=0) for item in items]


def _rows(items: Iterable[Item]) -> NDArray[np.int64]:
    return np.array([item.key for item in items], dtype=np.int64)


def _points(items: Sequence[Item]) -> Array:
    return np.concatenate([item.outer for item in items])
