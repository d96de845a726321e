"""The picture of a build file as it stands: the whole from two sides."""

from __future__ import annotations

import numpy as np

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from renderer.picture import Picture
from steps.draw.pictures import PLAIN_MARGIN_MM
from steps.draw.sheet import Field
from steps.draw.step import inked
from steps.draw.studio import USUAL_VIEW, Studio
from steps.model import Adhesive, Array, Gluing, Joints, Measures, Model, Order, Plan, Work
from steps.settings import Settings

#: Size of the picture, mm: each side has half its width.
WIDTH_MM, HEIGHT_MM = 240.0, 120.0
UP = np.array([0.0, 0.0, 1.0])


def two_sides(model: Model, settings: Settings) -> Picture:
    """The model from the front right and from the back left, in its own colours."""
    gluing = Gluing({}, {}, {}, Adhesive())
    plan = Plan(model, Measures({}, None), Joints(()), Order((), ()), gluing, Work(()))
    studio = Studio(plan, settings)
    field = Field(WIDTH_MM / 2, HEIGHT_MM)
    sides = (_side(studio, field, USUAL_VIEW.azimuth), _side(studio, field, USUAL_VIEW.azimuth + np.pi))
    blank = np.full((1, 1, 3), 255, np.uint8)
    insets = ((0.0, 0.0, sides[0]), (WIDTH_MM / 2, 0.0, sides[1]))
    return Picture(WIDTH_MM, HEIGHT_MM, blank, insets=insets)


def _side(studio: Studio, field: Field, azimuth: float) -> Picture:
    axes: Array = axes_of(azimuth, ISOMETRIC_ELEVATION, UP)
    items = studio.items([part.id for part in studio.plan.model.parts], "new")
    camera = field.camera(axes, np.concatenate([item.outer for item in items]), PLAIN_MARGIN_MM)
    return inked(studio, field, studio.source.table(items, camera), items)
