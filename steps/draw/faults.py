"""The picture of what is wrong with a model: the parts that a fault names, shown in the whole; the places at
which a shape could not be mended with confidence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from manifold3d import Manifold

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from renderer.ink import Pen
from renderer.picture import Picture
from steps.draw.pictures import HERE
from steps.draw.sheet import PLAIN_MARGIN_MM, Field
from steps.draw.step import inked, plain
from steps.draw.studio import USUAL_VIEW, Studio
from steps.model import (
    Adhesive,
    Array,
    Gluing,
    Joints,
    Measures,
    Model,
    Order,
    Part,
    Plan,
    Shape,
    Unsure,
    Work,
)
from steps.settings import Settings

#: Size of the picture, mm, and the share of it that shows the whole model.
WIDTH_MM, HEIGHT_MM, WHOLE_SHARE = 200.0, 120.0, 0.62
#: A place is marked by a ring round it, of so many facets, as wide as this share of the shape's diagonal.
FACETS, RING_SHARE = 48, 0.02
#: The widest places that are marked: of more rings none stands out.
MOST_RINGS = 60
#: What shape and marks are before they are drawn pale and strong.
GREY = "#b0b0b0"


def fault_picture(model: Model, parts: Sequence[str], settings: Settings, up: Array) -> Picture:
    """The whole model pale with the named parts strong, seen through what hides them; beside it these parts
    alone, as they sit, in their own colours."""
    model, parts = _seen_apart(model, parts)
    studio = _studio(model, settings)
    axes = axes_of(USUAL_VIEW.azimuth, ISOMETRIC_ELEVATION, up)
    left = _in_the_whole(studio, parts, axes)
    right = _alone(studio, parts, axes)
    blank = np.full((1, 1, 3), 255, np.uint8)
    insets = ((0.0, 0.0, left), (WIDTH_MM - right.width_mm, 0.0, right))
    return Picture(WIDTH_MM, HEIGHT_MM, blank, insets=insets)


def _seen_apart(model: Model, parts: Sequence[str]) -> tuple[Model, list[str]]:
    """The model without what lies exactly on an equal part, and the named parts, or those they lie on: a pile
    looks like one, and each of it costs as much to draw."""
    tops = {(part.shape, part.pose.tobytes()): part.id for part in reversed(model.parts)}
    shown = [tops[part.shape, part.pose.tobytes()] for part in map(model.part_by_id.__getitem__, parts)]
    seen = set(tops.values())
    lean = replace(model, parts=tuple(part for part in model.parts if part.id in seen))
    return lean, list(dict.fromkeys(shown))


def places_picture(shape: Shape, settings: Settings) -> Picture:
    """A shape pale, with a ring round each place where its mesh could not be mended with confidence, seen
    through what hides it."""
    axes = axes_of(USUAL_VIEW.azimuth, ISOMETRIC_ELEVATION, np.array([0.0, 0.0, 1.0]))
    wide = RING_SHARE * float(np.linalg.norm(shape.size_mm))
    places = sorted(shape.mending.unsure, key=lambda place: -place.span_mm)[:MOST_RINGS]
    rings = [_ring(place, f"M{row}", wide, axes[2]) for row, place in enumerate(places)]
    placed = tuple(Part(each.id, each.id, each.id, GREY, "", np.eye(4)) for each in (shape, *rings))
    studio = _studio(Model("", "", "", 1.0, (shape, *rings), placed), settings)
    return _in_the_whole(studio, [each.id for each in rings], axes)


def _ring(place: Unsure, name: str, wide: float, toward: Array) -> Shape:
    """Round a place in its own plane, or, where that is not known, in the picture's."""
    inner = max(place.span_mm / 2, wide)
    ring = Manifold.cylinder(wide, inner + wide, circular_segments=FACETS, center=True)
    ring -= Manifold.cylinder(2 * wide, inner, circular_segments=FACETS, center=True)
    normal = place.normal if place.normal.any() else toward
    across = np.linalg.svd(normal[None])[2][1:]
    frame = np.stack([*across, np.cross(*across), place.point], axis=1)
    mesh = ring.transform(frame).to_mesh64()
    return Shape(name, mesh.vert_properties[:, :3], np.asarray(mesh.tri_verts, dtype=np.int64), True)


def _studio(model: Model, settings: Settings) -> Studio:
    order, gluing = Order((), ()), Gluing({}, {}, {}, Adhesive())
    return Studio(Plan(model, Measures({}, None), Joints(()), order, gluing, Work(())), settings)


def _in_the_whole(studio: Studio, parts: Sequence[str], axes: Array) -> Picture:
    field = Field(WIDTH_MM * WHOLE_SHARE, HEIGHT_MM)
    bounds = studio.bounds_along(axes)
    corners = np.array([bounds[:, 0].min(axis=0), bounds[:, 1].max(axis=0)])
    camera = field.camera(axes, corners @ axes, PLAIN_MARGIN_MM)
    # in parallel projection what comes nearer looks the same: so nothing hides it
    nearer = 2 * np.ptp(bounds[:, :, 2]) * axes[2]
    rows = sorted(studio.plan.model.index_of[part] for part in parts)
    strong = [replace(studio.item_of_key(row, "new").moved(nearer), colour=HERE, group=0) for row in rows]
    pen = Pen(field.mm_per_pixel, studio.hatches)
    table, drawn = studio.drawn(np.arange(len(studio.plan.model.parts)), strong, camera, pen, "ghost")
    return plain(studio, field, table, drawn)


def _alone(studio: Studio, parts: Sequence[str], axes: Array) -> Picture:
    field = Field(WIDTH_MM * (1 - WHOLE_SHARE), HEIGHT_MM)
    items = studio.items(parts, "new")
    camera = field.camera(axes, np.concatenate([item.outer for item in items]), PLAIN_MARGIN_MM)
    return inked(studio, field, studio.source.table(items, camera), items)
