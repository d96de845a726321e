"""The picture of a build file as it stands: the whole from two sides."""

from __future__ import annotations

import numpy as np

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from renderer.ink import ink
from renderer.picture import Picture
from renderer.table import Cast
from steps.draw.sheet import PLAIN_MARGIN_MM, Field
from steps.draw.studio import USUAL_VIEW, Studio
from steps.model import Adhesive, Array, Gluing, Joints, Measures, Model, Order, Plan, Work
from steps.settings import Settings

#: Size of the picture, mm: each side has half its width.
WIDTH_MM, HEIGHT_MM = 240.0, 120.0
UP = np.array([0.0, 0.0, 1.0])


def two_sides(model: Model, settings: Settings, dpi: float) -> tuple[Picture, Picture]:
    """The model from the front right and from the back left, in its own colours, side by side a sheet, its
    tints as fine as the pixels that are made of it."""
    gluing = Gluing({}, {}, {}, Adhesive())
    plan = Plan(model, Measures({}, None), Joints(()), Order((), ()), gluing, Work(()))
    studio = Studio(plan, settings)
    field = Field(WIDTH_MM / 2, HEIGHT_MM, dpi)
    front, back = USUAL_VIEW.azimuth, USUAL_VIEW.azimuth + np.pi
    return _side(studio, field, front), _side(studio, field, back)


def _side(studio: Studio, field: Field, azimuth: float) -> Picture:
    axes: Array = axes_of(azimuth, ISOMETRIC_ELEVATION, UP)
    items = studio.items([part.id for part in studio.plan.model.parts], "new")
    camera = field.camera(axes, np.concatenate([item.outer for item in items]), PLAIN_MARGIN_MM)
    table = studio.source.table(items, camera)
    drawn = ink(table, Cast(tuple(items)), field.mm_per_pixel, studio.hatches)
    scale = field.mm_per_pixel / camera.pixel
    return Picture(field.width_mm, field.height_mm, drawn.pixels, drawn.strokes, mm_per_model_mm=scale)
