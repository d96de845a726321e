"""Pictures of made solids for the sheets: what a card and its piece to try look like."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image as Pixels
from reportlab.platypus import Image

from renderer.camera import ISOMETRIC_ELEVATION, axes_of
from renderer.flatten import flatten
from steps.draw.pictures import PLAIN_MARGIN_MM
from steps.draw.sheet import Field
from steps.draw.step import inked
from steps.draw.studio import USUAL_VIEW, Studio
from steps.model import Adhesive, Gluing, Joints, Measures, Model, Order, Part, Plan, Shape, Work
from steps.prints.paper import MM
from steps.prints.solids import GREY, GREY_NAME, PrintSolid
from steps.settings import Settings

#: Fine enough for engraved numbers on paper.
DPI = 250.0
UP = np.array([0.0, 0.0, 1.0])


#: Where a solid is looked at from, (azimuth, elevation): to see its shape, to read what is engraved on top.
CORNER = (USUAL_VIEW.azimuth, ISOMETRIC_ELEVATION)
ABOVE = (np.radians(-90.0), np.radians(55.0))


def picture(
    solid: PrintSolid, size_mm: tuple[float, float], seen_from: tuple[float, float], settings: Settings
) -> Image:
    """The solid as it stands on its z = 0."""
    shape = Shape("S1", solid.vertices, solid.faces, watertight=True)
    model = Model("", "", "", 1.0, (shape,), (Part("P1", solid.name, "S1", GREY, GREY_NAME, np.eye(4)),))
    gluing = Gluing({}, {}, {}, Adhesive())
    studio = Studio(Plan(model, Measures({}, None), Joints(()), Order((), ()), gluing, Work(())), settings)
    field = Field(*size_mm, DPI)
    items = studio.items(["P1"], "new")
    axes = axes_of(*seen_from, UP)
    table = studio.source.table(items, field.camera(axes, items[0].outer, PLAIN_MARGIN_MM))
    content = io.BytesIO()
    Pixels.fromarray(flatten(inked(studio, field, table, items), DPI)).save(content, "PNG")
    return Image(content, width=size_mm[0] * MM, height=size_mm[1] * MM)
